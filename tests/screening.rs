//! Screening: each test passes, fails or does not apply; cut into blocks it is the same; users have the last word.

mod common;

use std::fmt::Write as _;
use std::sync::Arc;

use brinemark::log::ReadOptions;
use brinemark::screen::{Blocks, Chosen, Reasons, Screened, Usual, screen};
use brinemark::{Error, Log, Site, aggregate, normalise::normalise};
use common::read;
use proptest::prelude::*;

const SITE: &str = r#"
    stage = [{ vessels = 2, elements_per_vessel = 6 }]
    reference.kind = "baseline"
    reference.minimum_readings = 3
    [salinity.tds_per_conductivity]
    feed = 0.5
    permeate = 0.5
    concentrate = 0.5
    [instruments]
    feed_pressure = { accuracy = "0.1 bar", range = ["0 bar", "16 bar"] }
    [limits]
    feed_temperature = { high = "30 degC" }
"#;

fn site(more: &str) -> Site {
    common::site(&format!("{SITE}\n{more}"))
}

/// What instruments show at one time.
#[derive(Debug, Clone, Copy)]
struct Shown {
    running: bool,
    temperature: f64,
    feed_pressure: f64,
    concentrate_pressure: f64,
    feed: f64,
    permeate: f64,
    concentrate: f64,
    feed_salt: f64,
    permeate_salt: f64,
    concentrate_salt: f64,
}

/// A unit at work, with instruments that scatter by about a per cent: a fixed jumble, not a random one.
fn healthy(rows: usize) -> Vec<Shown> {
    (0..rows)
        .map(|row| {
            let jumble = |of: u64| {
                let mixed = (row as u64 + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ (of << 32);
                let mixed = (mixed ^ (mixed >> 29)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
                ((mixed >> 40) as f64 / (1_u64 << 24) as f64 - 0.5) * 0.02
            };
            Shown {
                running: true,
                temperature: 18.0 + 5.0 * jumble(1) + (row as f64 / 200.0).sin(),
                feed_pressure: 12.0 * (1.0 + 0.3 * jumble(2)),
                concentrate_pressure: 10.4 * (1.0 + 0.3 * jumble(3)),
                feed: 20.0 * (1.0 + jumble(4)),
                permeate: 12.0 * (1.0 + jumble(5)),
                concentrate: 8.0 * (1.0 + jumble(6)),
                feed_salt: 2000.0 * (1.0 + jumble(7)),
                permeate_salt: 40.0 * (1.0 + jumble(8)),
                concentrate_salt: 4940.0 * (1.0 + jumble(9)),
            }
        })
        .collect()
}

/// Readings so many minutes apart, as a log.
fn log(readings: &[Shown], minutes: usize) -> Log {
    log_at(readings, |row| row * minutes)
}

/// Readings, each so many minutes after the first.
fn log_at(readings: &[Shown], minutes: impl Fn(usize) -> usize) -> Log {
    let mut text = String::from(
        "time,running,feed_temperature [degC],feed_pressure [bar],concentrate_pressure [bar],feed_flow [m3/h],permeate_flow [m3/h],concentrate_flow [m3/h],feed_conductivity [uS/cm],permeate_conductivity [uS/cm],concentrate_conductivity [uS/cm]\n",
    );
    let start: jiff_like::Start = jiff_like::start();
    for (row, at) in readings.iter().enumerate() {
        let _ = writeln!(
            text,
            "{},{},{:.3},{:.3},{:.3},{:.3},{:.3},{:.3},{:.2},{:.2},{:.2}",
            start.after(minutes(row)),
            at.running,
            at.temperature,
            at.feed_pressure,
            at.concentrate_pressure,
            at.feed,
            at.permeate,
            at.concentrate,
            at.feed_salt,
            at.permeate_salt,
            at.concentrate_salt
        );
    }
    read(text, &ReadOptions::default()).expect("a log")
}

/// Times of a test's log.
mod jiff_like {
    pub struct Start;

    pub fn start() -> Start {
        Start
    }

    impl Start {
        /// So many minutes after the first of a month of 31 days, or of those that follow.
        pub fn after(&self, minutes: usize) -> String {
            const LENGTHS: [usize; 12] = [31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
            let (mut day, mut month, mut year) = (minutes / 1440, 0, 2025);
            while day >= LENGTHS[month] {
                day -= LENGTHS[month];
                month += 1;
                if month == 12 {
                    (month, year) = (0, year + 1);
                }
            }
            let of_day = minutes % 1440;
            format!(
                "{year}-{:02}-{:02}T{:02}:{:02}Z",
                month + 1,
                day + 1,
                of_day / 60,
                of_day % 60
            )
        }
    }
}

fn screened(readings: &[Shown], minutes: usize) -> Screened {
    screen(&log(readings, minutes), &site(""), &Chosen::default()).expect("screened")
}

/// Rows that fail a test.
fn failing(screened: &Screened, test: Reasons) -> Vec<usize> {
    (0..screened.failed.len())
        .filter(|row| screened.failed[*row].contains(test))
        .collect()
}

#[test]
fn a_healthy_unit_passes() {
    let found = screened(&healthy(3000), 15);
    let taken: Vec<&str> = found
        .counts()
        .iter()
        .filter(|count| count.failed > 0)
        .map(|count| count.name)
        .collect();
    assert!(taken.is_empty(), "{taken:?} {:?}", found.verdicts);
    assert!(found.sentence().starts_with("3000 of 3000 readings stand."));
}

#[test]
fn each_test_finds_its_own_and_no_other_row() {
    type Fault = (Reasons, Vec<usize>, fn(&mut Shown));
    let faults: Vec<Fault> = vec![
        (Reasons::SPIKE, vec![400], |at| at.permeate *= 1.4),
        (Reasons::SPIKE, vec![500, 501], |at| {
            at.concentrate_salt *= 0.7
        }),
        (Reasons::IMPOSSIBLE_READING, vec![600, 601, 602], |at| {
            at.permeate_salt = -3.0
        }),
        (Reasons::PERMEATE_SALTIER, vec![700, 701, 702], |at| {
            std::mem::swap(&mut at.feed_salt, &mut at.permeate_salt);
        }),
        (Reasons::OUT_OF_INSTRUMENT_RANGE, vec![800, 801], |at| {
            at.feed_pressure = 16.0
        }),
        (Reasons::WATER_BALANCE, (900..920).collect(), |at| {
            at.feed *= 1.3
        }),
        (Reasons::SALT_BALANCE, (1000..1040).collect(), |at| {
            at.concentrate_salt *= 0.6
        }),
        (Reasons::PRESSURE_ORDER, (1100..1110).collect(), |at| {
            std::mem::swap(&mut at.feed_pressure, &mut at.concentrate_pressure);
        }),
        (Reasons::STUCK, (1200..1260).collect(), |at| {
            at.feed_salt = 2003.21
        }),
        (Reasons::FLUSHING, (1300..1303).collect(), |at| {
            at.feed_pressure = 3.0;
            at.concentrate_pressure = 2.0;
            at.permeate = 2.5;
            at.concentrate = 14.0;
            at.feed = 16.5;
        }),
        (Reasons::IMPOSSIBLE_FLOWS, vec![1400], |at| {
            at.permeate = 21.0
        }),
        (
            Reasons::OUTSIDE_LIMITS,
            vec![1500, 1501, 1502, 1503, 1504, 1505, 1506],
            |at| {
                at.temperature += 14.0;
            },
        ),
        (Reasons::NOT_RUNNING, (1600..1640).collect(), |at| {
            *at = Shown {
                running: false,
                permeate: 0.0,
                concentrate: 0.0,
                feed: 0.0,
                feed_pressure: 0.0,
                concentrate_pressure: 0.0,
                ..*at
            };
        }),
    ];
    for (test, rows, fault) in faults {
        let mut readings = healthy(3000);
        rows.iter().for_each(|row| fault(&mut readings[*row]));
        let found = screened(&readings, 15);
        assert_eq!(failing(&found, test), rows, "{}", test.words());
        // Others may see it too, but no row beside it; after a stop the unit settles.
        let beside: Vec<usize> = (0..3000)
            .filter(|row| {
                !(found.failed[*row] - Reasons::STARTING).is_empty() && !rows.contains(row)
            })
            .collect();
        assert!(beside.is_empty(), "{}: {beside:?}", test.words());
        let only_told = test == Reasons::OUTSIDE_LIMITS;
        for row in &rows {
            let set_aside = found.log.set_aside.as_ref().expect("screened")[*row];
            assert_eq!(set_aside.contains(test), !only_told);
        }
    }
}

#[test]
fn after_a_start_and_after_a_gap_a_unit_settles() {
    let mut readings = healthy(2000);
    for at in &mut readings[700..720] {
        at.running = false;
    }
    let found = screened(&readings, 15);
    // An hour after the last reading at rest.
    assert_eq!(failing(&found, Reasons::STARTING), [720, 721, 722]);
    let whole = log(&healthy(2000), 15);
    let gapped = whole
        .rows(0..800)
        .followed_by(&whole.rows(840..2000))
        .expect("one log");
    let found = screen(&gapped, &site(""), &Chosen::default()).expect("screened");
    assert_eq!(failing(&found, Reasons::AFTER_GAP), [800, 801, 802, 803]);
    // Readings six hours apart don't show when a unit started.
    let found = screened(&readings, 360);
    assert!(
        !found
            .judged
            .iter()
            .any(|judged| judged.contains(Reasons::STARTING))
    );
}

#[test]
fn a_change_is_unsteady_and_a_swing_by_itself_is_not() {
    let mut readings = healthy(2000);
    for at in &mut readings[1000..] {
        at.feed_pressure *= 1.15;
        at.permeate *= 1.15;
    }
    let found = screened(&readings, 1);
    let unsteady = failing(&found, Reasons::UNSTEADY);
    assert!(
        unsteady.contains(&999) && unsteady.contains(&1000),
        "{unsteady:?}"
    );
    assert!(
        unsteady.iter().all(|row| (980..1020).contains(row)),
        "{unsteady:?}"
    );
    // Pressure and flow that go up and down together hide a small change, and not a large one.
    for (step, shows) in [(1.0, false), (1.5, true)] {
        let mut readings = healthy(2000);
        for (row, at) in readings.iter_mut().enumerate() {
            let level = if row < 1000 { 1.0 } else { step };
            let swing = [0.8, 1.0, 1.2, 1.0][row % 4] * level;
            (at.feed_pressure, at.concentrate_pressure) =
                (at.feed_pressure * swing, at.concentrate_pressure * swing);
            (at.permeate, at.feed, at.concentrate) =
                (at.permeate * swing, at.feed * swing, at.concentrate * swing);
        }
        let found = screened(&readings, 1);
        let swing = found.usual.groups[0].swing.expect("it swings");
        assert_eq!(swing.cycle, Some(4), "{swing:?}");
        assert!(found.judged[500].contains(Reasons::UNSTEADY));
        let unsteady = failing(&found, Reasons::UNSTEADY);
        assert_eq!(!unsteady.is_empty(), shows, "{unsteady:?}");
        assert!(
            unsteady.iter().all(|row| (980..1020).contains(row)),
            "{unsteady:?}"
        );
    }
}

#[test]
fn visits_are_not_stuck_nor_spikes() {
    // A few rows a year, written in pencil to half a gauge's division.
    let readings: Vec<Shown> = healthy(9)
        .into_iter()
        .map(|at| Shown {
            feed_pressure: 12.0,
            permeate: 12.0,
            concentrate: 8.0,
            feed: 20.0,
            ..at
        })
        .collect();
    let found = screened(&readings, 40 * 1440);
    assert!(
        found.failed.iter().all(|failed| failed.is_empty()),
        "{}",
        found.sentence()
    );
    assert!(!found.judged.iter().any(|judged| judged.intersects(Reasons::STUCK | Reasons::SPIKE | Reasons::SENSOR_STEP)));
}

/// Minutes of a log that is hourly for so many rows, and has a visit a fortnight from then on.
fn then_visits(hourly: usize, step: usize) -> impl Fn(usize) -> usize {
    move |row| {
        let visits = (row + 1).saturating_sub(hourly);
        (row - visits) * step + visits * 14 * 1440
    }
}

#[test]
fn visits_after_an_hourly_start_up_stand() {
    let mut readings = healthy(96 + 20);
    // Summer comes: warmer water, and the pump turned down for it, more than hours ever differ by.
    for (visit, at) in readings[96..].iter_mut().enumerate() {
        let warmer = (visit as f64 * std::f64::consts::TAU / 20.0).sin().abs();
        at.temperature += 10.0 * warmer;
        at.feed_pressure -= 2.0 * warmer;
        at.concentrate_pressure -= 2.0 * warmer;
    }
    let hourly = then_visits(96, 60);
    let found =
        screen(&log_at(&readings, &hourly), &site(""), &Chosen::default()).expect("screened");
    assert_eq!(failing(&found, Reasons::AFTER_GAP), [] as [usize; 0]);
    assert_eq!(failing(&found, Reasons::SPIKE), [] as [usize; 0]);
    assert!(!found.judged[100].intersects(Reasons::AFTER_GAP | Reasons::SPIKE));
    assert!(found.judged[50].contains(Reasons::AFTER_GAP | Reasons::SPIKE));
    // What can't be, can't be at a visit either.
    readings[105].temperature = 150.0;
    let found =
        screen(&log_at(&readings, &hourly), &site(""), &Chosen::default()).expect("screened");
    assert_eq!(failing(&found, Reasons::IMPOSSIBLE_READING), [105]);
}

#[test]
fn a_meter_that_steps_is_found_and_the_others_are_not_blamed() {
    for (name, step) in [
        (
            "feed_flow",
            (|at: &mut Shown| at.feed *= 1.06) as fn(&mut Shown),
        ),
        ("permeate_flow", |at| at.permeate *= 0.92),
        ("concentrate_flow", |at| at.concentrate *= 1.07),
        ("feed_conductivity", |at| at.feed_salt *= 1.06),
        ("concentrate_conductivity", |at| at.concentrate_salt *= 0.93),
    ] {
        let mut readings = healthy(6000);
        readings[3600..].iter_mut().for_each(step);
        let found = screened(&readings, 15);
        let [verdict] = found.verdicts.list.as_slice() else {
            panic!("{name}: {:?}", found.verdicts);
        };
        assert!(verdict.is_sure && verdict.is_step(), "{name}: {verdict:?}");
        assert_eq!(verdict.column.name(), name);
        let begins = found.log.table.time[3600];
        let (early, late) = verdict.since_interval_us;
        assert!((early..=late).contains(&begins), "{name}: {verdict:?}");
        let (low, high) = verdict.off_by_interval;
        let truth = match name {
            "feed_flow" | "feed_conductivity" => 0.06,
            "permeate_flow" => -0.08,
            _ if name == "concentrate_flow" => 0.07,
            _ => -0.07,
        };
        // As a logarithm or as a share: half the square apart.
        assert!(
            (low - 0.006..high + 0.006).contains(&truth),
            "{name}: {low} to {high}"
        );
        let set_aside = failing(&found, Reasons::SENSOR_STEP);
        assert!(
            set_aside.len().abs_diff(2400) < 60,
            "{name}: {}",
            set_aside.len()
        );
    }
}

#[test]
fn fouling_membranes_are_no_sensor_that_drifts() {
    let mut readings = healthy(6000);
    for (row, at) in readings.iter_mut().enumerate() {
        let gone = 1.0 - 0.15 * row as f64 / 6000.0;
        at.permeate *= gone;
        at.concentrate = at.feed - at.permeate;
        // The salt that comes in goes out.
        at.concentrate_salt =
            (at.feed * at.feed_salt - at.permeate * at.permeate_salt) / at.concentrate;
    }
    let found = screened(&readings, 15);
    assert!(
        !found.verdicts.list.iter().any(|verdict| verdict.is_sure),
        "{:?}",
        found.verdicts
    );
}

#[test]
fn the_user_has_the_last_word_and_it_is_kept() {
    let mut readings = healthy(500);
    readings[100].permeate *= 1.5;
    let log = log(&readings, 15);
    let (mut keep, mut set_aside) = (vec![false; 500], vec![false; 500]);
    (keep[100], set_aside[7]) = (true, true);
    let chosen = Chosen {
        keep: Some(&keep),
        set_aside: Some(&set_aside),
        ..Chosen::default()
    };
    let found = screen(&log, &site(""), &chosen).expect("screened");
    let reasons = found.log.set_aside.clone().expect("screened");
    assert!(found.failed[100].contains(Reasons::SPIKE) && reasons[100].is_empty());
    assert_eq!(found.kept, [100]);
    assert_eq!(reasons[7], Reasons::BY_USER);
    let by_file = r#"
        [screen]
        off = ["spike", "water-balance"]
        set_aside = [{ from = "2025-01-01T00:00Z", to = "2025-01-01T01:00Z", why = "commissioning" }]
    "#;
    let found = screen(&log, &site(by_file), &Chosen::default()).expect("screened");
    assert!(
        !found
            .judged
            .iter()
            .any(|judged| judged.contains(Reasons::SPIKE))
    );
    assert_eq!(failing(&found, Reasons::BY_USER), [0, 1, 2, 3, 4]);
    (keep[7], set_aside[7]) = (true, true);
    let chosen = Chosen {
        keep: Some(&keep),
        set_aside: Some(&set_aside),
        ..Chosen::default()
    };
    assert!(
        matches!(screen(&log, &site(""), &chosen), Err(Error::Log(faults)) if faults.list()[0].row == Some(8))
    );
    let short = Chosen {
        keep: Some(&keep[..3]),
        ..Chosen::default()
    };
    assert!(screen(&log, &site(""), &short).is_err());
}

#[test]
fn set_aside_rows_are_used_for_nothing() {
    let mut readings = healthy(4000);
    readings[300].permeate *= 1.5;
    let found = screen(
        &log(&readings, 15),
        &site("[assume]\npermeate_pressure = \"0.4 bar\""),
        &Chosen::default(),
    )
    .expect("screened");
    let site = site("[assume]\npermeate_pressure = \"0.4 bar\"");
    let analyses = [brinemark::Analysis::PermeateFlow];
    let baseline = brinemark::Baseline::find(&found.log, &site, &analyses).expect("a baseline");
    let result = normalise(&found.log, &site, &baseline, &analyses).expect("normalised");
    assert!(result.reasons[300].contains(Reasons::SPIKE));
    let flow = result
        .table()
        .series("normalised_permeate_flow")
        .expect("there")
        .values[300];
    assert!(flow.is_nan());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn cut_into_blocks_the_marks_are_the_same(
        cuts in prop::collection::vec(1_usize..2999, 0..6),
        faults in prop::collection::vec((0_usize..3000, 1_usize..40, 0_u8..6), 0..12),
        visits in prop_oneof![Just(0_usize), 1_usize..24],
    ) {
        let mut readings = healthy(3000);
        for (start, length, kind) in faults {
            let end = (start + length).min(3000);
            for at in &mut readings[start..end] {
                match kind {
                    0 => at.permeate *= 1.5,
                    1 => at.running = false,
                    2 => at.feed_salt = 2001.5,
                    3 => at.feed_pressure = 4.0,
                    4 => at.permeate_salt = f64::NAN,
                    _ => at.concentrate *= 1.4,
                }
            }
        }
        let log = log_at(&readings, then_visits(3000 - visits, 5));
        let site = Arc::new(site(""));
        let whole = screen(&log, &site, &Chosen::default()).expect("screened");
        let mut cuts: Vec<usize> = cuts;
        cuts.extend([0, 3000]);
        cuts.sort_unstable();
        cuts.dedup();
        let mut blocks = Blocks::new(site, whole.usual.clone(), whole.verdicts.clone());
        let (mut failed, mut judged): (Vec<Reasons>, Vec<Reasons>) = Default::default();
        let mut times = Vec::new();
        for cut in cuts.windows(2) {
            if let Some(part) = blocks.push(&log.rows(cut[0]..cut[1])).expect("screened") {
                failed.extend(&part.failed);
                judged.extend(&part.judged);
                times.extend_from_slice(&part.log.table.time);
            }
        }
        if let Some(part) = blocks.finish().expect("screened") {
            failed.extend(&part.failed);
                judged.extend(&part.judged);
            times.extend_from_slice(&part.log.table.time);
        }
        prop_assert_eq!(&times, &*log.table.time);
        prop_assert_eq!(failed, whole.failed);
        prop_assert_eq!(judged, whole.judged);
    }

    #[test]
    fn no_figures_make_it_panic(cells in prop::collection::vec(prop::option::of(prop::num::f64::NORMAL), 40..400)) {
        let mut text = String::from("time,feed_pressure [bar],permeate_flow [m3/h],feed_flow [m3/h],concentrate_flow [m3/h],feed_temperature [degC]\n");
        for (row, cells) in cells.chunks(5).enumerate() {
            let cell = |at: usize| cells.get(at).copied().flatten().map_or(String::new(), |value| value.to_string());
            let _ = writeln!(text, "{},{},{},{},{},{}", jiff_like::start().after(row * 7), cell(0), cell(1), cell(2), cell(3), cell(4));
        }
        if let Ok(log) = read(text, &ReadOptions::default()) {
            let found = screen(&log, &site(""), &Chosen::default()).expect("screened");
            prop_assert_eq!(found.failed.len(), log.table.len());
            let _ = aggregate::average(&found.log, &site(""), None);
            let _ = Usual::find(&log, &site("")).to_json();
        }
    }

    #[test]
    fn means_hold_what_stands(length in 2_usize..30, stops in prop::collection::vec(0_usize..600, 0..5)) {
        let mut readings = healthy(600);
        for stop in stops {
            readings[stop].running = false;
        }
        let found = screened(&readings, 1);
        let standing = found.log.set_aside.as_ref().expect("screened").iter().filter(|reasons| reasons.is_empty()).count();
        let Ok(means) = aggregate::average(&found.log, &site(""), Some(length as f64 / 60.0)) else { return Ok(()); };
        prop_assert_eq!(means.standing, standing);
        prop_assert!(means.kept() <= 1.0);
        prop_assert!(means.counts.iter().all(|count| (*count as f64) >= 0.7 * length as f64 && (*count as f64) <= 1.6 * length as f64));
        let mean = means.log.table.series("feed_pressure").expect("there");
        prop_assert!(mean.values.iter().all(|value| (11.5..12.5).contains(value)));
    }
}
