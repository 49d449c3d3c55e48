//! A warranty against logs whose truth is known by hand.

mod common;

use brinemark::log::ReadOptions;
use brinemark::normalise::{Normalised, normalise};
use brinemark::warranty::{Clause, Judgement, State, Terms, Verdict, WarrantySettings, warranty};
use brinemark::{Analysis, Baseline, Error, Site};
use proptest::prelude::*;

const SITE: &str = r#"
    stage = [{ vessels = 2, elements_per_vessel = 3 }]
    assume.permeate_pressure = "0.3 bar"
    assume.differential_pressure = "0.8 bar"
    [reference]
    kind = "baseline"
    start = "2024-01-01T00:00Z"
    stabilise = "1 d"
    period = "10 d"
    [instruments]
    permeate_flow = { accuracy = "1 % of reading", repeatability = "0.001 m3/h" }
    feed_flow = { accuracy = "1 % of reading", repeatability = "0.001 m3/h" }
    feed_pressure = { accuracy = "0.1 bar", repeatability = "0.01 bar" }
    feed_temperature = { accuracy = "0.3 degC", repeatability = "0.05 degC" }
    feed_tds = { accuracy = "2 % of reading" }
    permeate_tds = { accuracy = "2 % of reading" }
    feed_free_chlorine = { accuracy = "0.005 mg/L", repeatability = "0.001 mg/L" }
    feed_ph = { accuracy = "0.1", repeatability = "0.02" }
"#;

/// What a log shows each day.
#[derive(Clone, Copy)]
struct Day {
    flow: f64,
    pressure: f64,
    temperature: f64,
    permeate_tds: f64,
    chlorine: f64,
    ph: f64,
    running: bool,
    read: bool,
}

const USUAL: Day = Day {
    flow: 4.5,
    pressure: 12.0,
    temperature: 25.0,
    permeate_tds: 10.0,
    chlorine: 0.02,
    ph: 7.5,
    running: true,
    read: true,
};

/// A log of so many days from 2024-01-01, made like for like: what is not changed stays as it was.
fn result(days: usize, more_site: &str, of: impl Fn(usize) -> Day) -> Normalised {
    let mut text = String::from(
        "time,feed_temperature [degC],feed_pressure [bar],permeate_flow [m3/h],feed_flow [m3/h],feed_tds [mg/L],permeate_tds [mg/L],feed_free_chlorine [mg/L],feed_ph,running\n",
    );
    let start: jiff::Timestamp = "2024-01-01T12:00:00Z".parse().expect("a time");
    for day in 0..days {
        let at = of(day);
        if !at.read {
            continue;
        }
        let time = start + jiff::SignedDuration::from_hours(24 * day as i64);
        // No two readings are quite alike.
        let wobble = 1.0 + 0.002 * f64::from((day * 7919 % 13) as u8) / 13.0;
        text += &format!(
            "{time},{},{},{},{},1000,{},{},{},{}\n",
            at.temperature,
            at.pressure,
            at.flow * wobble,
            at.flow * wobble / 0.75,
            at.permeate_tds * wobble,
            at.chlorine,
            at.ph,
            u8::from(at.running)
        );
    }
    let log = common::read(text, &ReadOptions::default()).expect("a log");
    let site = common::site(&format!("{SITE}{more_site}"));
    normalised(&log, &site)
}

fn normalised(log: &brinemark::Log, site: &Site) -> Normalised {
    let analyses = [Analysis::PermeateFlow, Analysis::SaltPassage];
    let baseline = Baseline::find(log, site, &analyses).expect("a baseline");
    normalise(log, site, &baseline, &analyses).expect("a result")
}

const WARRANTY: &str = r#"
    [warranty]
    name = "test"
    period = "1 year"
    start_up = "2024-01-01T00:00Z"
    replacements = "refused"
"#;

/// The conditions under which the log was made: like for like nothing is to be corrected.
fn guarantee(minimum: f64) -> String {
    format!(
        r#"
        [conditions]
        feed_temperature = "25 degC"
        feed_pressure = "12 bar"
        differential_pressure = "0.8 bar"
        permeate_pressure = "0.3 bar"
        feed_tds = "1000 mg/L"
        recovery = "75 %"
        permeate_tds = "10 mg/L"
        [guarantee]
        method = "standard-practice"
        over = "28 d"
        minimum_days = 10
        temperature.law = "standard-practice"
        [guarantee.permeate_flow]
        minimum = "{minimum} m3/h"
        "#
    )
}

fn judged(result: &Normalised, terms: &str, settings: &WarrantySettings) -> Judgement {
    let terms = Terms::parse(&format!("{WARRANTY}{terms}")).expect("terms");
    let mut found = warranty(result, &terms, settings).expect("a judgement");
    assert_eq!(found.len(), 1);
    found.remove(0)
}

fn clause(result: &Normalised, terms: &str, key: &str) -> Clause {
    let found = judged(result, terms, &WarrantySettings::default());
    found
        .clause(key)
        .cloned()
        .unwrap_or_else(|| panic!("no {key} in {found:?}"))
}

#[test]
fn a_promise_is_kept_broken_or_too_near_to_tell() {
    let result = result(200, "", |_| USUAL);
    let of = |minimum: f64| clause(&result, &guarantee(minimum), "guarantee.permeate_flow");
    // 4.5 m3/h and no more than a few per cent off by the instruments.
    let near = of(4.5);
    assert_eq!(near.verdict, Verdict::CannotBeJudged, "{}", near.sentence);
    let figure = near.figure.expect("a figure");
    assert!((figure.value - 4.504).abs() < 0.01, "{figure:?}");
    assert!(figure.low < 4.5 && figure.high > 4.5 && figure.unit == "m3/h");
    let (kept, broken) = (of(4.0), of(5.0));
    assert_eq!(kept.verdict, Verdict::Kept, "{}", kept.sentence);
    assert_eq!(broken.verdict, Verdict::Broken, "{}", broken.sentence);
    assert!(kept.risk.expect("a risk").called_kept_but_broken < 0.05);
    assert!(broken.risk.expect("a risk").called_broken_but_kept < 0.05);
    // The same by our own method, since the site's law is the contract's.
    let other = kept.other_figure.expect("ours");
    assert!((other.value / figure.value - 1.0).abs() < 0.02, "{other:?}");
    assert!(
        kept.difference
            .expect("a sentence")
            .contains("temperature laws alone")
    );
    assert_eq!(kept.rows, 28);
}

#[test]
fn the_contracts_law_moves_the_contracts_figure_and_ours_stays() {
    // Winter: by the site's own law the flow of 15 degC is that of 25 degC. The contract's law makes another of it.
    let cold = 1.03_f64.powi(-10);
    let result = result(200, "", |_| Day {
        flow: 4.5 * cold,
        temperature: 15.0,
        ..USUAL
    });
    let of = |law: &str| {
        let terms = guarantee(4.0).replace("temperature.law = \"standard-practice\"", law);
        clause(&result, &terms, "guarantee.permeate_flow")
    };
    let same = of("temperature.law = \"standard-practice\"")
        .figure
        .expect("a figure")
        .value;
    let steeper = of("temperature = { law = \"arrhenius\", constant = \"4000 K\" }");
    let expected = (4000.0_f64 * (1.0 / 288.15 - 1.0 / 298.15)).exp() * cold;
    let found = steeper.figure.expect("a figure").value / same;
    assert!((found / expected - 1.0).abs() < 1e-3, "{found} {expected}");
    let ours = steeper.other_figure.expect("ours").value;
    assert!((ours / same - 1.0).abs() < 0.05, "{ours} {same}");
    // Pressure alone knows nothing of the cold.
    let plain = guarantee(4.0)
        .replace(
            "standard-practice\"\n        over",
            "pressure-only\"\n        over",
        )
        .replace("        temperature.law = \"standard-practice\"\n", "");
    let plain = clause(&result, &plain, "guarantee.permeate_flow");
    assert!((plain.figure.expect("a figure").value / (4.504 * cold) - 1.0).abs() < 2e-3);
    assert!(plain.words.contains("whatever temperature"));
}

#[test]
fn a_promise_falls_with_age_and_pro_rata() {
    let result = result(366, "", |_| USUAL);
    let terms = guarantee(4.9).replace(
        "minimum = \"4.9 m3/h\"",
        "minimum = \"4.9 m3/h\"\nat_end = \"3.9 m3/h\"",
    );
    let found = clause(&result, &terms, "guarantee.permeate_flow");
    // The middle of the last 28 days is 14 days before the end of a year: 4.9 − 1.0 · 352/366.
    let promised = found.limit.expect("a limit").low.expect("a low end");
    assert!(
        (promised - (4.9 - 352.0 / 366.0)).abs() < 0.01,
        "{promised}"
    );
    assert_eq!(found.verdict, Verdict::Kept);
    let pro_rata = WARRANTY.replace(
        "period = \"1 year\"",
        "period = \"2 years\"\n    pro_rata_after = \"1 year\"",
    );
    let terms = Terms::parse(&format!("{pro_rata}{}", guarantee(6.0))).expect("terms");
    let found = &warranty(&result, &terms, &WarrantySettings::default()).expect("one")[0];
    let broken = found.clause("guarantee.permeate_flow").expect("a clause");
    // Half a day short of one year of two, the first in full: all of it.
    assert!(
        broken.sentence.contains("Pro rata, 100.0 %"),
        "{}",
        broken.sentence
    );
}

/// What the same membranes make at another pressure: in proportion to net driving pressure, 9.8 bar as a rule.
fn pushed(pressure: f64) -> Day {
    Day {
        pressure,
        flow: USUAL.flow * (pressure - 2.2) / 9.8,
        ..USUAL
    }
}

const PRESSURE: &str = "[limit.feed_pressure]\nhigh = \"14 bar\"\n";

#[test]
fn a_reading_just_above_a_limit_is_no_proof() {
    let at = |pressure: f64| {
        let result = result(200, "", |day| {
            if (50..53).contains(&day) {
                pushed(pressure)
            } else {
                USUAL
            }
        });
        clause(&result, PRESSURE, "limit.feed_pressure")
    };
    let near = at(14.05);
    assert_eq!(near.verdict, Verdict::CannotBeJudged, "{}", near.sentence);
    assert_eq!(near.excursions.len(), 1);
    let over = at(14.5);
    assert_eq!(over.verdict, Verdict::Broken, "{}", over.sentence);
    let excursion = over.excursions[0];
    assert_eq!((excursion.rows, excursion.readings), ((50, 52), 3));
    assert!((excursion.hours() - 48.0).abs() < 1e-9 && excursion.worst == 14.5);
    assert_eq!(at(13.0).verdict, Verdict::Kept);
}

#[test]
fn a_slip_of_the_pen_is_told_apart_from_a_pressure_that_was() {
    // Pressure alone: no more water came of it.
    let alone = result(200, "", |day| Day {
        pressure: if day == 50 { 15.5 } else { 12.0 },
        ..USUAL
    });
    let found = clause(&alone, PRESSURE, "limit.feed_pressure");
    assert_eq!(found.verdict, Verdict::Kept, "{}", found.sentence);
    assert!(
        found.sentence.contains("row 50 of 2024-02-20"),
        "{}",
        found.sentence
    );
    assert_eq!(found.rows, 199);
    // Water and all: nothing contradicts it, though the screening may doubt so short a thing.
    let real = result(200, "", |day| if day == 50 { pushed(15.5) } else { USUAL });
    let found = clause(&real, PRESSURE, "limit.feed_pressure");
    assert_ne!(found.verdict, Verdict::Kept, "{}", found.sentence);
    assert_eq!(found.excursions.len(), 1);
    // Another instrument slips on a day of real pressure: that does not clear it.
    let both = result(200, "", |day| {
        if day == 50 {
            Day {
                temperature: 32.0,
                ..pushed(15.5)
            }
        } else {
            USUAL
        }
    });
    let found = clause(&both, PRESSURE, "limit.feed_pressure");
    assert_ne!(found.verdict, Verdict::Kept, "{}", found.sentence);
    // For long nobody misreads.
    let long = result(200, "", |day| Day {
        pressure: if (50..60).contains(&day) { 15.5 } else { 12.0 },
        ..USUAL
    });
    assert_ne!(
        clause(&long, PRESSURE, "limit.feed_pressure").verdict,
        Verdict::Kept
    );
}

#[test]
fn a_pressure_that_the_flow_neither_contradicts_nor_bears_out_is_no_proof() {
    // A flow meter that scatters by 5 % hides what a slip of 1.7 bar would make of permeability.
    let of = |flow: f64| {
        let result = result(200, "[screen]\noff = [\"spike\"]\n", |day| Day {
            flow: USUAL.flow * [0.95, 1.05][day % 2] * if day == 51 { flow } else { 1.0 },
            pressure: if day == 51 { 14.7 } else { 12.0 },
            ..USUAL
        });
        clause(&result, PRESSURE, "limit.feed_pressure")
    };
    let untold = of(1.0);
    assert_eq!(
        untold.verdict,
        Verdict::CannotBeJudged,
        "{}",
        untold.sentence
    );
    assert!(
        untold.sentence.contains("may be a slip"),
        "{}",
        untold.sentence
    );
    assert_eq!(untold.excursions.len(), 1);
    // More water came of it: it was so.
    let real = of(12.5 / 9.8);
    assert_eq!(real.verdict, Verdict::Broken, "{}", real.sentence);
}

#[test]
fn a_slip_of_a_flow_is_told_apart_from_a_recovery_that_was() {
    // The flow that leaves falls by 40 % on a day; of a real fall the pressure drop falls with it.
    let of = |drop: f64| {
        let mut text = String::from(
            "time,feed_temperature [degC],feed_pressure [bar],differential_pressure [bar],permeate_flow [m3/h],feed_flow [m3/h],feed_tds [mg/L],permeate_tds [mg/L]\n",
        );
        let start: jiff::Timestamp = "2024-01-01T12:00:00Z".parse().expect("a time");
        for day in 0..200 {
            let time = start + jiff::SignedDuration::from_hours(24 * day);
            let wobble = 1.0 + 0.002 * f64::from((day * 7919 % 13) as u8) / 13.0;
            let (out, drop) = if day == 90 { (0.9, drop) } else { (1.5, 1.0) };
            let feed = 4.5 * wobble + out;
            text += &format!(
                "{time},25,12,{},{},{feed},1000,10\n",
                drop * wobble,
                4.5 * wobble
            );
        }
        let log = common::read(text, &ReadOptions::default()).expect("a log");
        let site = SITE.replace("assume.differential_pressure = \"0.8 bar\"", "");
        let result = normalised(&log, &common::site(&site));
        clause(
            &result,
            "[limit.recovery]\nhigh = \"80 %\"\n",
            "limit.recovery",
        )
    };
    let slip = of(1.0);
    assert_eq!(slip.verdict, Verdict::Kept, "{}", slip.sentence);
    assert!(slip.sentence.contains("row 90"), "{}", slip.sentence);
    // Flow along the membranes falls from (6 + 1.5)/2 to (5.4 + 0.9)/2, and friction by that to the power of 1.7.
    let real = of((3.15_f64 / 3.75).powf(1.7));
    assert_ne!(real.verdict, Verdict::Kept, "{}", real.sentence);
    assert_eq!(real.excursions.len(), 1);
}

#[test]
fn one_reading_alone_is_no_proof_where_nothing_bears_it_out() {
    let of = |days: usize| {
        let result = result(200, "", |day| Day {
            chlorine: if (50..50 + days).contains(&day) {
                0.5
            } else {
                0.02
            },
            ..USUAL
        });
        let limit = "[limit.feed_free_chlorine]\nhigh = \"0.1 mg/L\"\n";
        clause(&result, limit, "limit.feed_free_chlorine")
    };
    let alone = of(1);
    assert_eq!(alone.verdict, Verdict::CannotBeJudged, "{}", alone.sentence);
    assert!(
        alone.sentence.contains("may be a slip"),
        "{}",
        alone.sentence
    );
    assert_eq!(of(2).verdict, Verdict::Broken);
}

#[test]
fn what_may_lie_beyond_is_a_share_or_a_length() {
    let result = result(200, "", |day| Day {
        chlorine: if (50..54).contains(&day) { 0.5 } else { 0.02 },
        ..USUAL
    });
    let of = |allowed: &str| {
        let limit = format!("[limit.feed_free_chlorine]\nhigh = \"0.1 mg/L\"\n{allowed}\n");
        clause(&result, &limit, "limit.feed_free_chlorine").verdict
    };
    assert_eq!(of(""), Verdict::Broken);
    // 4 of 200 are 2 %.
    assert_eq!(of("share = \"1.9 %\""), Verdict::Broken);
    assert_eq!(of("share = \"2 %\""), Verdict::Kept);
    // From the first to the last 72 h; from the one before to the one after 120 h.
    assert_eq!(of("longest = \"71 h\""), Verdict::Broken);
    assert_eq!(of("longest = \"100 h\""), Verdict::CannotBeJudged);
    assert_eq!(of("longest = \"120 h\""), Verdict::Kept);
}

#[test]
fn exposure_adds_up_by_hand() {
    let result = result(101, "", |day| Day {
        chlorine: if day < 50 { 0.1 } else { 0.05 },
        running: day != 80,
        ..USUAL
    });
    let of = |high: f64| {
        let limit = format!("[limit.free_chlorine_exposure]\nhigh = \"{high} mg/L h\"\n");
        clause(&result, &limit, "limit.free_chlorine_exposure")
    };
    // 49 days at 0.1, one at 0.075 between, 30 at 0.05 until it stood for a day, then 19: 24 (4.9 + 0.075 + 1.5 + 0.95).
    let found = of(250.0).figure.expect("a figure").value;
    assert!((found - 24.0 * 7.425).abs() < 1e-6, "{found}");
    assert_eq!(of(250.0).verdict, Verdict::Kept);
    assert_eq!(of(100.0).verdict, Verdict::Broken);
    // The instrument may be off by 0.005 mg/L all the time: 12 mg/L h either way, evenly.
    assert_eq!(of(180.0).verdict, Verdict::CannotBeJudged);
    let passed = of(100.0).excursions;
    assert_eq!(passed.len(), 1);
    assert_eq!(passed[0].rows, (42, 100));
}

#[test]
fn what_a_contract_takes_for_nothing_does_not_add_up() {
    // 0.08 mg/L for 20 days of 101; as read there is a little all along, which may be none.
    let result = result(101, "", |day| Day {
        chlorine: if (30..50).contains(&day) { 0.08 } else { 0.004 },
        ..USUAL
    });
    let of = |more: &str| {
        let limit = format!("[limit.free_chlorine_exposure]\nhigh = \"46 mg/L h\"\n{more}\n");
        clause(&result, &limit, "limit.free_chlorine_exposure")
    };
    let all = of("");
    assert_eq!(all.verdict, Verdict::CannotBeJudged, "{}", all.sentence);
    let counted = of("counted_from = \"0.02 mg/L\"");
    assert_eq!(counted.verdict, Verdict::Kept, "{}", counted.sentence);
    assert!(
        counted
            .words
            .contains("less than 0.02 mg/L counted as none")
    );
    let (all, counted) = (all.figure.expect("one"), counted.figure.expect("one"));
    assert!(counted.high - counted.low < 0.5 * (all.high - all.low));
    // 20 days at 0.08 mg/L, read by a meter that its own low readings show to be no more than 0.005 off.
    assert!(counted.low < 38.4 && 38.4 < counted.high, "{counted:?}");
}

#[test]
fn salt_as_the_contract_has_it_is_not_in_doubt() {
    let mut text = String::from(
        "time,feed_temperature [degC],feed_pressure [bar],permeate_flow [m3/h],feed_flow [m3/h],feed_conductivity [uS/cm],permeate_conductivity [uS/cm]\n",
    );
    let start: jiff::Timestamp = "2024-01-01T12:00:00Z".parse().expect("a time");
    for day in 0..200 {
        let time = start + jiff::SignedDuration::from_hours(24 * day);
        let wobble = 1.0 + 0.002 * f64::from((day * 7919 % 13) as u8) / 13.0;
        text += &format!("{time},25,12,{},6,2000,{}\n", 4.5 * wobble, 24.0 * wobble);
    }
    let log = common::read(text, &ReadOptions::default()).expect("a log");
    let site = common::site(&format!(
        "{}\n{}",
        "salinity.tds_per_conductivity = { feed = 0.5, permeate = 0.4, accuracy = \"3 %\" }",
        SITE.replace("_tds = {", "_conductivity = {")
    ));
    let result = normalised(&log, &site);
    let of = |more: &str| {
        let terms = guarantee(4.0).replace("permeate_tds = \"10 mg/L\"\n", "")
            + more
            + "[guarantee.salt_passage]\nmaximum = \"1.3 %\"\n";
        clause(&result, &terms, "guarantee.salt_passage")
    };
    let by_site = of("");
    let agreed = of("[guarantee.tds_per_conductivity]\nfeed = 0.5\npermeate = 0.5\n");
    let figure = |clause: &Clause| clause.figure.clone().expect("one");
    let (site, contract) = (figure(&by_site), figure(&agreed));
    // The same readings, by one factor for both: 0.5 in place of 0.4.
    assert!(
        (contract.value / site.value - 1.25).abs() < 0.01,
        "{contract:?} {site:?}"
    );
    // What is left of the doubt is that of the meters.
    let wide = |figure: &brinemark::assess::Estimate| (figure.high / figure.low).ln();
    assert!(wide(&contract) < 0.75 * wide(&site));
    assert!(
        agreed
            .words
            .contains("salt by conductivity as the terms have it")
    );
    // Ours stays the site file's, and says so.
    let ours = |clause: &Clause| clause.other_figure.clone().expect("ours").value;
    assert!((ours(&agreed) / ours(&by_site) - 1.0).abs() < 0.01);
    let why = agreed.difference.expect("a difference");
    assert!(why.contains("its own mg/L per µS/cm"), "{why}");
}

#[test]
fn salt_by_conductivity_needs_conductivity() {
    let terms = guarantee(4.0) + "[guarantee.tds_per_conductivity]\nfeed = 0.5\npermeate = 0.5\n";
    let terms = Terms::parse(&format!("{WARRANTY}{terms}")).expect("terms");
    let result = result(100, "", |_| USUAL);
    let refused = warranty(&result, &terms, &WarrantySettings::default()).expect_err("a fault");
    assert!(
        refused
            .to_string()
            .contains("[guarantee.tds_per_conductivity]: the log has no feed_conductivity"),
        "{refused}"
    );
}

#[test]
fn temperature_is_held_against_the_limit_of_its_ph() {
    let of = |temperature: f64, ph: f64| {
        let result = result(100, "", |day| {
            let at = if (50..55).contains(&day) {
                (temperature, ph)
            } else {
                (25.0, 7.5)
            };
            Day {
                temperature: at.0,
                ph: at.1,
                ..USUAL
            }
        });
        let limit = "[limit.feed_temperature]\nby_ph = [{ from = 2, to = 10, high = \"45 degC\" }, { from = 10, to = 11, high = \"35 degC\" }]\n";
        clause(&result, limit, "limit.feed_temperature")
    };
    assert_eq!(of(40.0, 7.5).verdict, Verdict::Kept);
    assert_eq!(of(40.0, 10.5).verdict, Verdict::Broken);
    // A pH that may be of either band: the instrument does not tell.
    assert_eq!(of(40.0, 10.05).verdict, Verdict::CannotBeJudged);
    // Above all bands nothing is agreed on.
    assert_eq!(of(40.0, 12.0).verdict, Verdict::CannotBeJudged);
}

#[test]
fn data_that_does_not_qualify_is_refused_and_an_override_marks_all() {
    let records = "[records]\ncomplete = \"90 %\"\n[records.every]\npermeate_flow = \"1 d\"\n";
    let thin = result(300, "", |day| Day {
        read: !(30..=200).contains(&day),
        ..USUAL
    });
    let terms = format!("{}{records}", guarantee(4.0));
    let found = clause(&thin, &terms, "guarantee.permeate_flow");
    assert_eq!(found.verdict, Verdict::CannotBeJudged);
    assert!(found.sentence.contains("too thin"), "{}", found.sentence);
    assert_eq!(found.gaps.len(), 1);
    assert!((found.gaps[0].hours() / 24.0 - 171.0).abs() <= 1.0);
    let kept = clause(&thin, &terms, "records.every.permeate_flow");
    assert_eq!(kept.verdict, Verdict::Broken, "{}", kept.sentence);
    let settings = WarrantySettings {
        override_refusals: true,
        ..WarrantySettings::default()
    };
    let all = judged(&thin, &terms, &settings);
    let found = all.clause("guarantee.permeate_flow").expect("a clause");
    assert_eq!(found.verdict, Verdict::Kept);
    assert!(
        found
            .sentence
            .contains("Judged although: the records are too thin")
    );
    assert!(all.sentence().contains("OVERRIDDEN"));
    assert!(
        all.warnings
            .iter()
            .any(|warning| warning.contains("OVERRIDDEN"))
    );
    assert_eq!(all.to_json()["override"], true);
    // A log that begins long after the membranes did.
    let late = WARRANTY.replace("2024-01-01", "2023-09-01");
    let whole = result(200, "", |_| USUAL);
    let terms = Terms::parse(&format!("{late}{}", guarantee(4.0))).expect("terms");
    let found = &warranty(&whole, &terms, &WarrantySettings::default()).expect("one")[0];
    let refused = found.clause("guarantee.permeate_flow").expect("a clause");
    assert_eq!(refused.verdict, Verdict::CannotBeJudged);
    assert!(
        refused.sentence.contains("nothing of the membranes' start"),
        "{}",
        refused.sentence
    );
    // Nobody says how far the meter may be off.
    let silent = result(200, "", |_| USUAL);
    let found = clause(&silent, "[limit.feed_sdi]\nhigh = 5\n", "limit.feed_sdi");
    assert!(
        found.sentence.contains("the log has no feed_sdi"),
        "{}",
        found.sentence
    );
}

#[test]
fn an_instrument_that_is_overdue_carries_no_verdict() {
    let records =
        "[records]\ncalibration = \"3 months\"\n[limit.feed_pressure]\nhigh = \"14 bar\"\n";
    let of = |events: &str| {
        let found = result(200, events, |_| USUAL);
        (
            clause(&found, records, "limit.feed_pressure"),
            clause(&found, records, "records.calibration"),
        )
    };
    let (limit, asked) = of("");
    assert_eq!(limit.verdict, Verdict::CannotBeJudged);
    assert_eq!(limit.instruments[0].state, State::NeverCalibrated);
    assert_eq!(asked.verdict, Verdict::Broken);
    let twice = "[[event]]\ntime = \"2024-03-20T00:00Z\"\nkind = \"calibration\"\n[[event]]\ntime = \"2024-06-10T00:00Z\"\nkind = \"calibration\"\n";
    let (limit, asked) = of(twice);
    assert_eq!(limit.verdict, Verdict::Kept, "{}", limit.sentence);
    assert_eq!(limit.instruments[0].state, State::InDate);
    assert_eq!(asked.verdict, Verdict::Kept, "{}", asked.sentence);
}

/// A calibration at the start, one at the end, at both of which an instrument showed so much too much; nothing was adjusted.
fn checked(column: &str, showed: &str, uncertainty: &str) -> String {
    let event = |day: &str| {
        format!(
            "[[event]]\ntime = \"{day}T00:00Z\"\nkind = \"calibration\"\nof = \"{column}\"\nas_found = \"{showed}\"\nas_left = \"{showed}\"\nuncertainty = \"{uncertainty}\"\n"
        )
    };
    event("2024-01-01") + &event("2024-08-01")
}

#[test]
fn what_calibrations_found_decides_what_was_too_near_to_tell() {
    let promise = guarantee(4.45);
    let of = |site: &str| {
        clause(
            &result(200, site, |_| USUAL),
            &promise,
            "guarantee.permeate_flow",
        )
    };
    // Read as 4.504 by meters that may be off by 1 %.
    assert_eq!(of("").verdict, Verdict::CannotBeJudged);
    // Both meters show 3 % too much, so that recovery stays: 4.369 m3/h.
    let all = |showed: &str| {
        ["permeate_flow", "feed_flow"]
            .map(|column| checked(column, showed, "0.2 % of reading"))
            .concat()
            + &checked("feed_pressure", "0 bar", "0.02 bar")
            + &checked("feed_temperature", "0 degC", "0.05 degC")
    };
    let broken = of(&all("+3 % of reading"));
    assert_eq!(broken.verdict, Verdict::Broken, "{}", broken.sentence);
    let figure = broken.figure.expect("a figure");
    assert!((figure.value - 0.97 * 4.504).abs() < 0.01, "{figure:?}");
    // Or they show too little.
    let kept = of(&all("-3 % of reading"));
    assert_eq!(kept.verdict, Verdict::Kept, "{}", kept.sentence);
    // Whoever reads the judgement is told.
    let found = judged(
        &result(200, &all("+3 % of reading"), |_| USUAL),
        &promise,
        &WarrantySettings::default(),
    );
    let told = found.warnings.join("\n");
    assert!(
        told.contains(
            "permeate_flow from 2024-01-01 to 2024-08-01 corrected for what calibrations found"
        ),
        "{told}"
    );
}

#[test]
fn a_limit_is_held_against_what_was_there_not_what_was_shown() {
    let limit = "[limit.feed_pressure]\nhigh = \"14 bar\"\n";
    let of = |site: &str, pressure: f64| {
        let found = result(200, site, |day| {
            pushed(if (60..70).contains(&day) {
                pressure
            } else {
                12.0
            })
        });
        clause(&found, limit, "limit.feed_pressure")
    };
    // 14.05 bar by a gauge that may be off by 0.1 bar is no proof; by one that shows 0.08 bar too little it is.
    assert_eq!(of("", 14.05).verdict, Verdict::CannotBeJudged);
    let broken = of(&checked("feed_pressure", "-0.08 bar", "0.02 bar"), 14.05);
    assert_eq!(broken.verdict, Verdict::Broken, "{}", broken.sentence);
    assert!(
        broken
            .sentence
            .contains("corrected for what calibrations found")
    );
    let worst = broken.excursions[0].worst;
    assert!((worst - 14.13).abs() < 1e-9, "{worst}");
    // One that shows 0.1 bar too much never saw it.
    let kept = of(&checked("feed_pressure", "+0.1 bar", "0.02 bar"), 14.05);
    assert_eq!(kept.verdict, Verdict::Kept, "{}", kept.sentence);
    // A calibration that ends before the excursion tells nothing of it.
    let early =
        checked("feed_pressure", "-0.08 bar", "0.02 bar").replace("2024-08-01", "2024-02-01");
    assert_eq!(of(&early, 14.05).verdict, Verdict::CannotBeJudged);
}

#[test]
fn certificates_that_can_t_be_make_nothing_panic_and_no_verdict_of_membranes() {
    let limits = "[limit.feed_pressure]\nhigh = \"14 bar\"\n[limit.recovery]\nhigh = \"80 %\"\n[limit.flux]\nhigh = \"99 L/m2/h\"\n[limit.free_chlorine_exposure]\nhigh = \"90 mg/L h\"\n";
    for showed in [
        "+1e307 bar",
        "-1e307 bar",
        "+100 % of reading",
        "-100 % of reading",
        "+14 bar",
    ] {
        let told = checked("feed_pressure", showed, "1e307 bar");
        let site = common::site(&format!("{SITE}{told}"));
        let plain = result(200, "", |_| USUAL);
        let baseline = Baseline::find(&plain.log, &site, &plain.analyses);
        // A baseline of such readings is refused; one of other readings finds none of them to stand.
        let baseline = baseline.unwrap_or(plain.baseline);
        let found = normalise(&plain.log, &site, &baseline, &plain.analyses).expect("a result");
        let judged = judged(
            &found,
            &format!("{}{limits}", guarantee(4.5)),
            &WarrantySettings::default(),
        );
        let verdict = |key: &str| judged.clause(key).expect("a clause").verdict;
        if showed != "-100 % of reading" {
            assert_eq!(
                verdict("guarantee.permeate_flow"),
                Verdict::CannotBeJudged,
                "{showed}"
            );
        }
        assert_ne!(verdict("limit.feed_pressure"), Verdict::Kept, "{showed}");
    }
}

#[test]
fn the_zero_of_a_meter_decides_an_exposure() {
    // 0.02 mg/L for 180 days are 86 mg/L h; a meter off by 0.005 makes 22 of them.
    let limit = |high: f64| format!("[limit.free_chlorine_exposure]\nhigh = \"{high} mg/L h\"\n");
    let of = |site: &str, high: f64| {
        clause(
            &result(181, site, |_| USUAL),
            &limit(high),
            "limit.free_chlorine_exposure",
        )
    };
    assert_eq!(of("", 80.0).verdict, Verdict::CannotBeJudged);
    // The meter shows 0.002 too little or too much: 95 or 78 mg/L h.
    let checked = |showed: &str| checked("feed_free_chlorine", showed, "0.0004 mg/L");
    let broken = of(&checked("-0.002 mg/L"), 88.0);
    assert_eq!(broken.verdict, Verdict::Broken, "{}", broken.sentence);
    let kept = of(&checked("+0.002 mg/L"), 84.0);
    assert_eq!(kept.verdict, Verdict::Kept, "{}", kept.sentence);
}

#[test]
fn a_meter_cut_off_at_nothing_proves_nothing_by_being_corrected() {
    // It shows 0.003 too little of water without chlorine: nothing, corrected to 0.003, which would be 13 mg/L h.
    let found = result(
        181,
        &checked("feed_free_chlorine", "-0.003 mg/L", "0.0004 mg/L"),
        |_| Day {
            chlorine: 0.0,
            ..USUAL
        },
    );
    let limit = "[limit.free_chlorine_exposure]\nhigh = \"5 mg/L h\"\n";
    let clause = clause(&found, limit, "limit.free_chlorine_exposure");
    assert_eq!(
        clause.verdict,
        Verdict::CannotBeJudged,
        "{}",
        clause.sentence
    );
}

#[test]
fn membranes_of_mixed_ages_are_not_judged_as_one() {
    // Half of the flow is lost, then all is new.
    let event = "[[event]]\ntime = \"2024-05-01T00:00Z\"\nkind = \"replacement\"\n";
    let replaced = result(200, event, |day| Day {
        flow: if day < 121 {
            4.5 - 0.015 * day as f64
        } else {
            4.5
        },
        ..USUAL
    });
    let of = |rule: &str| {
        let head = WARRANTY.replace("\"refused\"", &format!("\"{rule}\""));
        let terms = format!(
            "{head}{}yearly_change = \"-50 %\"\nchange = \"of-first\"\n",
            guarantee(4.6)
        );
        let terms = Terms::parse(&terms).expect("terms");
        let found = warranty(&replaced, &terms, &WarrantySettings::default()).expect("one");
        found[0]
            .clause("guarantee.permeate_flow")
            .cloned()
            .expect("a clause")
    };
    let refused = of("refused");
    assert_eq!(refused.verdict, Verdict::CannotBeJudged);
    assert!(
        refused.sentence.contains("mixed ages"),
        "{}",
        refused.sentence
    );
    // Of the new ones alone; their age counts from one or the other.
    let low = |rule: &str| of(rule).limit.expect("a limit").low.expect("an end");
    let years = |days: f64| days / 365.25;
    assert!((low("age-goes-on") - 4.6 * (1.0 - 0.5 * years(186.0))).abs() < 0.02);
    assert!((low("age-anew") - 4.6 * (1.0 - 0.5 * years(65.0))).abs() < 0.02);
    assert!((of("age-anew").figure.expect("a figure").value - 4.504).abs() < 0.02);
}

#[test]
fn what_is_counted_or_done() {
    let events = "[[event]]\ntime = \"2024-03-01T00:00Z\"\nkind = \"cleaning\"\n[[event]]\ntime = \"2024-04-01T00:00Z\"\nkind = \"cleaning\"\n[[event]]\ntime = \"2024-05-01T00:00Z\"\nkind = \"pretreatment-change\"\nnote = \"other filter\"\n";
    let log = result(200, events, |_| USUAL);
    let of = |most: u32| {
        clause(
            &log,
            &format!("[limit.cleanings]\ntotal = {most}\n"),
            "limit.cleanings.total",
        )
        .verdict
    };
    assert_eq!([of(1), of(2)], [Verdict::Broken, Verdict::Kept]);
    let excluded = clause(
        &log,
        "[exclusion]\nevents = [\"pretreatment-change\"]\n",
        "exclusion.events",
    );
    assert_eq!(excluded.verdict, Verdict::Broken);
    assert!(excluded.sentence.contains("other filter"));
    // Too little from the first on: it shows when the first 28 days are over.
    let notice = |given: &str| {
        let head = WARRANTY.replace("period", &format!("notice = \"30 d\"\n{given}\nperiod"));
        let terms = Terms::parse(&format!("{head}{}", guarantee(6.0))).expect("terms");
        let found = warranty(&log, &terms, &WarrantySettings::default()).expect("one");
        found[0]
            .clause("warranty.notice")
            .cloned()
            .expect("a clause")
    };
    assert_eq!(notice("").verdict, Verdict::CannotBeJudged);
    assert_eq!(
        notice("notice_given = \"2024-02-20T00:00Z\"").verdict,
        Verdict::Kept
    );
    let late = notice("notice_given = \"2024-06-20T00:00Z\"");
    assert_eq!(late.verdict, Verdict::Broken, "{}", late.sentence);
}

#[test]
fn a_period_without_a_log_is_refused_with_its_key() {
    let log = result(100, "", |_| USUAL);
    let of = |start: &str| {
        let terms = Terms::parse(&WARRANTY.replace("2024-01-01T00:00Z", start)).expect("terms");
        match warranty(&log, &terms, &WarrantySettings::default()) {
            Err(Error::Terms(faults)) => faults.to_string(),
            other => panic!("{other:?}"),
        }
    };
    let before = of("2020-01-01T00:00Z");
    assert!(
        before.contains("[warranty] period") && before.contains("before the log"),
        "{before}"
    );
    let after = of("2026-01-01T00:00Z");
    assert!(
        after.contains("[warranty] start_up") && after.contains("after the log"),
        "{after}"
    );
    let terms = format!("{WARRANTY}{}", guarantee(4.0)).replace("\"12 bar\"", "\"0.5 bar\"");
    let found = warranty(
        &log,
        &Terms::parse(&terms).expect("terms"),
        &WarrantySettings::default(),
    );
    let said = found.expect_err("a refusal").to_string();
    assert!(
        said.contains("[conditions]") && said.contains("driving pressure"),
        "{said}"
    );
    let train = WARRANTY.replace("period", "train = \"B\"\nperiod");
    let found = warranty(
        &log,
        &Terms::parse(&train).expect("terms"),
        &WarrantySettings::default(),
    );
    assert!(
        found
            .expect_err("a refusal")
            .to_string()
            .contains("[warranty] train")
    );
}

#[test]
fn the_json_has_every_key_and_no_figure_that_is_none() {
    let log = result(100, "", |_| USUAL);
    let found = judged(&log, &guarantee(4.0), &WarrantySettings::default()).to_json();
    for key in [
        "group", "terms", "level", "period", "override", "method", "version", "clauses",
        "warnings", "cautions",
    ] {
        assert!(found.get(key).is_some(), "{key}");
    }
    let clause = &found["clauses"][0];
    for key in [
        "key",
        "kind",
        "words",
        "verdict",
        "sentence",
        "figure",
        "limit",
        "other_figure",
        "difference",
        "risk",
        "excursions",
        "gaps",
        "instruments",
        "rows",
    ] {
        assert!(clause.get(key).is_some(), "{key}");
    }
    assert_eq!(found["period"]["start"], "2024-01-01T00:00:00Z");
    assert!(
        found["cautions"][0]
            .as_str()
            .is_some_and(|text| text.contains("not a ruling"))
    );
}

/// Broken, not to be judged, kept.
fn order(verdict: Verdict) -> u8 {
    match verdict {
        Verdict::Broken => 0,
        Verdict::CannotBeJudged => 1,
        Verdict::Kept => 2,
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn a_wider_limit_is_no_worse(peak in 0.05..0.3_f64, first in 10_usize..60, days in 1_usize..20) {
        let log = result(90, "", |day| Day {
            chlorine: if (first..first + days).contains(&day) { peak } else { 0.02 },
            ..USUAL
        });
        for allowed in ["", "share = \"5 %\"", "longest = \"80 h\""] {
            let mut last = 0;
            for high in [0.02, 0.06, 0.1, 0.14, 0.18, 0.22, 0.3] {
                let limit = format!("[limit.feed_free_chlorine]\nhigh = \"{high} mg/L\"\n{allowed}\n");
                let found = clause(&log, &limit, "limit.feed_free_chlorine");
                prop_assert!(order(found.verdict) >= last, "{high}: {}", found.sentence);
                last = order(found.verdict);
                // What lies beyond, stretch by stretch, is all that lies beyond.
                let beyond: usize = found.excursions.iter().map(|found| found.readings).sum();
                let all = if peak > high { days.min(90 - first) } else { 0 } + if 0.02 > high { 90 } else { 0 };
                prop_assert_eq!(beyond, all);
            }
        }
    }
}

proptest! {
    // Each draws a trend.
    #![proptest_config(ProptestConfig::with_cases(3))]

    #[test]
    fn a_smaller_promise_is_no_worse(lost in 0.0..0.3_f64) {
        let log = result(60, "", |_| Day { flow: 4.5 * (1.0 - lost), ..USUAL });
        let mut last = 2;
        for minimum in [2.5, 3.0, 3.5, 4.0, 4.25, 4.5, 5.0] {
            let found = clause(&log, &guarantee(minimum), "guarantee.permeate_flow").verdict;
            prop_assert!(order(found) <= last, "{minimum}");
            last = order(found);
        }
    }
}
