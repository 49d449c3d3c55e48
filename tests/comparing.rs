//! Trains compared: what must hold whatever the readings, and what is refused.

mod common;

use brinemark::compare::plan::{Asked, plan};
use brinemark::compare::{Arm, Comparison, Design, Measure, Method, Settings, compare};
use brinemark::log::ReadOptions;
use brinemark::normalise::normalise;
use brinemark::{Analysis, Baseline, Error, Normalised, Site};
use common::{read, site};
use jiff::{Timestamp, ToSpan};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

const SITE: &str = r#"
    stage = [{ vessels = 10, elements_per_vessel = 6 }]
    [reference]
    kind = "design"
    permeate_flow = "50 m3/h"
    feed_temperature = "20 degC"
    feed_pressure = "12.5 bar"
    differential_pressure = "1.8 bar"
    permeate_pressure = "0.5 bar"
    feed_tds = "2000 mg/L"
    permeate_tds = "30 mg/L"
    recovery = "75 %"
"#;
const DAY_US: i64 = 86_400_000_000;

/// What is true of a train.
#[derive(Clone, Copy)]
struct Train {
    /// 1/y, of the logarithm of permeate flow at like conditions.
    fouls: f64,
    temperature: f64,
    factor: f64,
    seed: u64,
}

const PLAIN: Train = Train {
    fouls: 0.3,
    temperature: 20.0,
    factor: 1.0,
    seed: 1,
};

fn first_day() -> Timestamp {
    "2025-01-01T12:00:00Z".parse().expect("a time")
}

/// Trains A, B, … side by side, a reading a day.
fn plant(days: i64, trains: &[Train]) -> String {
    let mut text = "time,train,feed_temperature [degC],feed_pressure [bar],differential_pressure [bar],permeate_pressure [bar],permeate_flow [m3/h],feed_flow [m3/h],feed_tds [mg/L],permeate_tds [mg/L]\n".to_owned();
    let mut randoms: Vec<ChaCha8Rng> = trains
        .iter()
        .map(|train| ChaCha8Rng::seed_from_u64(train.seed))
        .collect();
    for day in 0..days {
        let time = first_day() + (24 * day).hours();
        for (at, train) in trains.iter().enumerate() {
            let noise: f64 = StandardNormal.sample(&mut randoms[at]);
            let flow =
                50.0 * train.factor * (-train.fouls * day as f64 / 365.25 + 0.01 * noise).exp();
            let label = ["A", "B", "C"][at];
            text += &format!(
                "{time},{label},{},12.5,1.8,0.5,{flow},{},2000,30\n",
                train.temperature,
                flow / 0.75
            );
        }
    }
    text
}

fn normalised_with(text: &str, site: &Site) -> Normalised {
    let log = read(text, &ReadOptions::default()).expect("a log that is right");
    let analyses = [
        Analysis::PermeateFlow,
        Analysis::SaltPassage,
        Analysis::DifferentialPressure,
    ];
    let baseline = Baseline::find(&log, site, &analyses).expect("a reference");
    normalise(&log, site, &baseline, &analyses).expect("figures")
}

fn normalised(text: &str) -> Normalised {
    normalised_with(text, &site(SITE))
}

fn span(first: i64, last: i64) -> (i64, i64) {
    let start = first_day().as_microsecond() - DAY_US / 2;
    (start + first * DAY_US, start + last * DAY_US)
}

fn arm<'a>(
    result: &'a Normalised,
    treatment: &'a str,
    train: &'a str,
    days: (i64, i64),
) -> Arm<'a> {
    Arm {
        result,
        treatment,
        train: Some(train),
        stage: None,
        span_us: span(days.0, days.1),
        cleanings_us: None,
        treatment_cost: 0.0,
    }
}

fn settings(design: Design) -> Settings {
    Settings::of(design, "old")
}

fn fouling(found: &Comparison) -> &brinemark::compare::Effect {
    found
        .effects
        .iter()
        .find(|effect| effect.measure == Measure::FoulingRate)
        .expect("it is compared")
}

fn side_by_side(result: &Normalised, old: &str, new: &str) -> Comparison {
    let arms = [
        arm(result, "old", old, (0, 120)),
        arm(result, "new", new, (0, 120)),
    ];
    compare(&arms, &settings(Design::Parallel)).expect("they are alike")
}

#[test]
fn swapping_arms_flips_the_sign() {
    let slower = Train {
        fouls: 0.15,
        seed: 2,
        ..PLAIN
    };
    let result = normalised(&plant(120, &[PLAIN, slower]));
    let (one, other) = (
        side_by_side(&result, "A", "B"),
        side_by_side(&result, "B", "A"),
    );
    for (a, b) in one.effects.iter().zip(&other.effects) {
        if a.measure == Measure::FoulingRate {
            let (found, turned) = (
                a.difference.as_ref().unwrap(),
                b.difference.as_ref().unwrap(),
            );
            assert!((found.value + turned.value).abs() < 1e-9);
            assert!((found.low + turned.high).abs() < 1e-9);
            assert!((a.p - b.p).abs() < 1e-9);
            assert!(found.low <= -0.15 && -0.15 <= found.high, "{found:?}");
            assert!(a.p_adjusted < 0.05 && a.p_not_worse < 0.05 && b.p_not_worse > 0.5);
        }
    }
}

#[test]
fn what_moves_both_arms_changes_nothing() {
    let slower = Train {
        fouls: 0.15,
        seed: 2,
        ..PLAIN
    };
    let as_it_was = normalised(&plant(120, &[PLAIN, slower]));
    let less = |train: Train| Train {
        factor: 0.9,
        fouls: train.fouls + 0.1,
        ..train
    };
    let moved = normalised(&plant(120, &[less(PLAIN), less(slower)]));
    let (one, other) = (
        side_by_side(&as_it_was, "A", "B"),
        side_by_side(&moved, "A", "B"),
    );
    let of = |found: &Comparison| fouling(found).difference.clone().expect("told");
    assert!((of(&one).value - of(&other).value).abs() < 1e-6);
    assert!((of(&one).low - of(&other).low).abs() < 1e-6);
}

#[test]
fn arms_that_read_the_same_differ_by_nothing() {
    let result = normalised(&plant(120, &[PLAIN, PLAIN]));
    for effect in &side_by_side(&result, "A", "B").effects {
        if let Some(found) = &effect.difference {
            assert!(
                found.value.abs() < 1e-12,
                "{}: {found:?}",
                effect.measure.name()
            );
            assert!(found.low <= 0.0 && 0.0 <= found.high);
            assert!(!(effect.p_adjusted < 0.05));
        }
    }
}

#[test]
fn alike_trains_are_no_worse_and_equivalent_by_a_wide_margin_alone() {
    let result = normalised(&plant(180, &[PLAIN, Train { seed: 2, ..PLAIN }]));
    let arms = [
        arm(&result, "old", "A", (0, 180)),
        arm(&result, "new", "B", (0, 180)),
    ];
    let of = |margin: f64| {
        let found = compare(
            &arms,
            &Settings {
                margin,
                ..settings(Design::Parallel)
            },
        )
        .expect("alike");
        (fouling(&found).p_not_worse, fouling(&found).p_equivalent)
    };
    assert!(of(0.5).1 < 0.05, "{:?}", of(0.5));
    assert!(of(0.01).1 > 0.05);
    assert!(of(0.01).0 > of(0.5).0);
}

#[test]
fn blocks_agree_with_the_model_and_with_themselves() {
    let slower = Train {
        fouls: 0.15,
        seed: 2,
        ..PLAIN
    };
    let result = normalised(&plant(120, &[PLAIN, slower]));
    let arms = [
        arm(&result, "old", "A", (0, 120)),
        arm(&result, "new", "B", (0, 120)),
    ];
    let by = |method, seed| {
        let settings = Settings {
            method,
            seed,
            ..settings(Design::Parallel)
        };
        fouling(&compare(&arms, &settings).expect("alike"))
            .difference
            .clone()
            .expect("told")
    };
    let (model, blocks) = (by(Method::StateSpace, 1), by(Method::BlockBootstrap, 1));
    assert!((model.value - blocks.value).abs() < 0.01);
    let widths = (model.high - model.low) / (blocks.high - blocks.low);
    assert!((0.6..1.7).contains(&widths), "{widths}");
    assert_eq!(blocks, by(Method::BlockBootstrap, 1));
    assert_ne!(blocks.low, by(Method::BlockBootstrap, 2).low);
}

#[test]
fn other_designs_find_what_is_there() {
    // B fouls half as fast from the middle on.
    let mut text = plant(240, &[PLAIN, Train { seed: 2, ..PLAIN }]);
    let half = first_day() + (24 * 120).hours();
    text = text
        .lines()
        .map(|line| {
            let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
            if let Ok(time) = cells[0].parse::<Timestamp>()
                && cells[1] == "B"
                && time > half
            {
                let days = (time.as_microsecond() - half.as_microsecond()) as f64 / DAY_US as f64;
                for at in [6, 7] {
                    let flow: f64 = cells[at].parse().unwrap();
                    cells[at] = (flow * (0.15 * days / 365.25).exp()).to_string();
                }
            }
            cells.join(",") + "\n"
        })
        .collect();
    let result = normalised(&text);
    let before_after = [
        arm(&result, "old", "B", (0, 120)),
        arm(&result, "new", "B", (120, 240)),
    ];
    let with_control = [
        before_after[0],
        before_after[1],
        arm(&result, "old", "A", (0, 120)),
        arm(&result, "old", "A", (120, 240)),
    ];
    for (design, arms) in [
        (Design::BeforeAfter, &before_after[..]),
        (Design::BeforeAfterControl, &with_control[..]),
    ] {
        // What fouling does to flux by then is no other way to run it.
        let settings = Settings {
            allow_unlike: true,
            ..settings(design)
        };
        let found = compare(arms, &settings).expect("told");
        let difference = fouling(&found).difference.clone().expect("told");
        assert!(
            difference.low <= -0.15 && -0.15 <= difference.high,
            "{}: {difference:?}",
            design.name()
        );
        assert!(difference.high < 0.0);
    }
    let crossed = [
        arm(&result, "new", "A", (0, 120)),
        arm(&result, "old", "B", (0, 120)),
        arm(&result, "old", "A", (120, 240)),
        arm(&result, "new", "B", (120, 240)),
    ];
    let found = compare(
        &crossed,
        &Settings {
            allow_unlike: true,
            ..settings(Design::Crossover)
        },
    )
    .expect("told");
    let difference = fouling(&found).difference.clone().expect("told");
    assert!(
        difference.low <= -0.075 && -0.075 <= difference.high,
        "{difference:?}"
    );
}

fn message(found: Result<Comparison, Error>) -> String {
    found
        .err()
        .map_or_else(|| panic!("not refused"), |refusal| refusal.to_string())
}

#[test]
fn unlike_arms_are_refused_by_name_and_size_or_marked() {
    let warm = Train {
        temperature: 26.0,
        seed: 2,
        ..PLAIN
    };
    let result = normalised(&plant(120, &[PLAIN, warm]));
    let arms = [
        arm(&result, "old", "A", (0, 120)),
        arm(&result, "new", "B", (0, 120)),
    ];
    let refused = message(compare(&arms, &settings(Design::Parallel)));
    assert!(
        refused.contains("temperature: medians 20.0 degC") && refused.contains("26.0 degC"),
        "{refused}"
    );
    assert!(
        refused.contains("0 % of the days") && !refused.contains("salinity:"),
        "{refused}"
    );
    let marked = compare(
        &arms,
        &Settings {
            allow_unlike: true,
            ..settings(Design::Parallel)
        },
    )
    .expect("marked");
    assert_eq!(marked.unlike.len(), 1);
}

#[test]
fn what_was_made_differently_is_refused() {
    let text = plant(60, &[PLAIN, Train { seed: 2, ..PLAIN }]);
    let result = normalised(&text);
    let other = normalised_with(
        &text,
        &Site::parse(&site(SITE).text.replace("\"40 m2\"", "\"37 m2\"")).unwrap(),
    );
    let arms = [
        arm(&result, "old", "A", (0, 60)),
        arm(&other, "new", "B", (0, 60)),
    ];
    let refused = compare(&arms, &settings(Design::Parallel));
    assert!(matches!(refused, Err(Error::Method(_))), "{refused:?}");
    assert!(message(refused).contains("another method"));
}

#[test]
fn arms_that_are_no_trial_are_refused() {
    let text = plant(120, &[PLAIN, Train { seed: 2, ..PLAIN }]);
    let result = normalised(&text);
    let old = arm(&result, "old", "A", (0, 120));
    for (design, arms, words) in [
        (Design::Parallel, vec![], "there is no arm"),
        (Design::Parallel, vec![old], "no parallel trial"),
        (
            Design::Parallel,
            vec![
                arm(&result, "old", "A", (0, 60)),
                arm(&result, "new", "B", (60, 120)),
            ],
            "no day together",
        ),
        (
            Design::BeforeAfter,
            vec![
                arm(&result, "old", "A", (0, 60)),
                arm(&result, "new", "B", (60, 120)),
            ],
            "not the same train",
        ),
        (
            Design::BeforeAfter,
            vec![
                arm(&result, "old", "A", (0, 70)),
                arm(&result, "new", "A", (60, 120)),
            ],
            "overlap in time",
        ),
        (
            Design::Crossover,
            vec![old, arm(&result, "new", "B", (0, 120))],
            "no crossover trial",
        ),
        (
            Design::Parallel,
            vec![old, arm(&result, "new", "D", (0, 120))],
            "no such train",
        ),
        (
            Design::Parallel,
            vec![old, arm(&result, "new", "B", (50, 50))],
            "ends before it begins",
        ),
    ] {
        let refused = message(compare(&arms, &settings(design)));
        assert!(refused.contains(words), "{words}: {refused}");
    }
    let replaced = Site::parse(&format!(
        "{}\n[[event]]\ntime = \"2025-02-01T00:00Z\"\nkind = \"replacement\"\n",
        site(SITE).text
    ))
    .unwrap();
    let result = normalised_with(&text, &replaced);
    let arms = [
        arm(&result, "old", "A", (0, 120)),
        arm(&result, "new", "B", (0, 120)),
    ];
    assert!(message(compare(&arms, &settings(Design::Parallel))).contains("replaced"));
}

#[test]
fn too_few_days_are_said_measure_by_measure() {
    let result = normalised(&plant(9, &[PLAIN, Train { seed: 2, ..PLAIN }]));
    let arms = [
        arm(&result, "old", "A", (0, 9)),
        arm(&result, "new", "B", (0, 9)),
    ];
    let found = compare(&arms, &settings(Design::Parallel)).expect("refused one by one");
    for effect in &found.effects {
        assert!(
            effect.difference.is_none() && effect.missing.is_some(),
            "{effect:?}"
        );
    }
    assert_eq!(found.family, 0);
}

#[test]
fn a_placebo_shows_the_noise_floor() {
    let result = normalised(&plant(300, &[PLAIN, Train { seed: 2, ..PLAIN }]));
    let arms = [
        arm(&result, "old", "A", (200, 300)),
        arm(&result, "new", "B", (200, 300)),
    ];
    let with = |placebo| Settings {
        placebo_us: Some(placebo),
        ..settings(Design::Parallel)
    };
    let found = compare(&arms, &with(span(0, 200))).expect("told");
    let placebo = fouling(&found).placebo.clone().expect("a run");
    assert_eq!(placebo.differences.len(), 3);
    // The slope's standard error: 0.014 √12/(√100 · 100 d).
    let error = 0.014 * 12.0_f64.sqrt() / (10.0 * 100.0 / 365.25);
    assert!(placebo.floor < 4.0 * error, "{placebo:?}");
    assert!(message(compare(&arms, &with(span(150, 250)))).contains("meets a treated arm"));
    assert!(message(compare(&arms, &with(span(0, 10)))).contains("too short"));
}

#[test]
fn a_longer_trial_has_more_power() {
    let result = normalised(&plant(200, &[PLAIN, Train { seed: 2, ..PLAIN }]));
    let arms = [
        arm(&result, "old", "A", (0, 200)),
        arm(&result, "old", "B", (0, 200)),
    ];
    let asked = Asked {
        design: Design::Parallel,
        reduction: 0.2,
        power: 0.8,
        risk: 0.05,
        per_week: vec![7, 1],
        weeks: vec![8.0, 20.0, 40.0],
        rate: None,
        draws: 200,
        seed: 1,
        level: 0.9,
    };
    let found = plan(&arms, &asked).expect("planned");
    assert!((found.rate.value - 0.3).abs() < 0.05, "{:?}", found.rate);
    assert!((found.noise - 0.014).abs() < 0.003, "{}", found.noise);
    for curve in &found.curves {
        assert!(
            curve.power.windows(2).all(|pair| pair[0] <= pair[1] + 0.03),
            "{curve:?}"
        );
    }
    assert!(found.curves[0].power[0] >= found.curves[1].power[0]);
    assert_eq!(found, plan(&arms, &asked).expect("planned"));
    let alone = plan(&arms[..1], &asked).expect("planned");
    assert!(!alone.of_pair && alone.noise > 0.8 * found.noise);
    let before = Asked {
        design: Design::BeforeAfter,
        ..asked
    };
    assert!(plan(&arms, &before).is_err());
}
