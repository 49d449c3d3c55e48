//! The uncertainty of each figure: against a case worked outside, against differences, against chance, against the truth.

mod common;

use std::fmt::Write;

use brinemark::log::ReadOptions;
use brinemark::normalise::normalise;
use brinemark::number::{Dual, Number};
use brinemark::uncertainty::MonteCarloSettings;
use brinemark::{Analysis, Baseline, Error, Log, Normalised, Site};
use common::{read, site};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal, Uniform};

const STANDARD: [Analysis; 3] = [
    Analysis::PermeateFlow,
    Analysis::SaltPassage,
    Analysis::DifferentialPressure,
];

const DESIGN: &str = r#"
    [reference]
    kind = "design"
    permeate_flow = "50 m3/h"
    feed_temperature = "25 degC"
    feed_pressure = "12.5 bar"
    differential_pressure = "1.8 bar"
    permeate_pressure = "0.5 bar"
    feed_tds = "2000 mg/L"
    permeate_tds = "30 mg/L"
    recovery = "75 %"
"#;

fn w1(instruments: &str) -> Site {
    let plain = site(&format!(
        "stage = [{{ vessels = 10, elements_per_vessel = 6 }}]\n{DESIGN}\n[instruments]\n{instruments}"
    ));
    Site::parse(&plain.text.replace("\"sodium-chloride\"", "\"tds-rule\"")).unwrap()
}

fn w1_log() -> Log {
    let concentrate = 45.0 / 0.74 - 45.0;
    let text = format!(
        "time,feed_temperature [degC],feed_pressure [bar],differential_pressure [bar],permeate_pressure [bar],permeate_flow [m3/h],concentrate_flow [m3/h],feed_tds [mg/L],permeate_tds [mg/L]\n2026-01-01T00:00Z,12,16,2.1,0.6,45,{concentrate},2300,26\n"
    );
    read(text, &ReadOptions::default()).expect("a log that is right")
}

fn run(log: &Log, site: &Site, analyses: &[Analysis]) -> Normalised {
    let baseline = Baseline::find(log, site, analyses).expect("a baseline");
    normalise(log, site, &baseline, analyses).expect("a result")
}

fn figures(result: &Normalised, name: &str) -> Vec<f64> {
    result.table().series(name).expect(name).values.to_vec()
}

/// Half-widths of the case's first set of instruments.
const GAUGES_AND_FLOATS: &str = r#"
    feed_pressure = { accuracy = "25 kPa" }
    differential_pressure = { accuracy = "35.355 kPa" }
    permeate_pressure = { accuracy = "5 kPa" }
    feed_tds = { accuracy = "5 % of reading" }
    permeate_tds = { accuracy = "5 % of reading" }
    feed_temperature = { accuracy = "1 degC" }
    permeate_flow = { accuracy = "2.4 m3/h" }
    concentrate_flow = { accuracy = "1 m3/h" }
"#;

/// Worked outside the project (independent calculation): u 2.004 and 0.433 m3/h, shares, and 10^6 draws.
#[test]
fn the_case_worked_outside_by_both_ways() {
    let result = run(&w1_log(), &w1(GAUGES_AND_FLOATS), &STANDARD);
    let u = figures(&result, "normalised_permeate_flow_u")[0];
    assert!((u - 2.004).abs() < 5e-4, "{u}");
    let budget = result.budget("normalised_permeate_flow", 0).unwrap();
    assert_eq!(budget.u, u);
    let share = |source: &str| {
        let found = budget.shares.iter().find(|share| share.source == source);
        100.0 * found.expect(source).share
    };
    assert_eq!(budget.shares[0].source, "permeate_flow");
    assert!(
        (share("permeate_flow") - 65.0).abs() < 0.5
            && (share("feed_temperature") - 16.0).abs() < 0.5
    );
    assert!((share("feed_pressure") - 10.0).abs() < 0.5, "{budget:?}");
    // Sensitivities: contribution over the source's own u.
    for (source, limit, expected) in [
        ("feed_pressure", 25.0, 0.043_23),
        ("differential_pressure", 35.355, 0.021_61),
        ("permeate_pressure", 5.0, 0.043_23),
        ("feed_tds", 0.05 * 2300.0, 0.006_005),
        ("permeate_tds", 0.05 * 26.0, 0.003_272),
        ("feed_temperature", 1.0, 1.381_6),
        ("permeate_flow", 2.4, 1.163_5),
        ("concentrate_flow", 1.0, 0.252_8),
    ] {
        let found = budget
            .shares
            .iter()
            .find(|share| share.source == source)
            .unwrap();
        let sensitivity = found.u / (limit / 3.0_f64.sqrt());
        assert!(
            (sensitivity / expected - 1.0).abs() < 5e-4,
            "{source}: {sensitivity}"
        );
    }
    let settings = MonteCarloSettings {
        draws: 400_000,
        seed: 20_260_301,
        level: 0.95,
    };
    let drawn = result
        .monte_carlo(&["normalised_permeate_flow"], &settings)
        .unwrap();
    let drawn = &drawn.simulated[0];
    // The standard deviation of a standard deviation of n draws is about u/√(2n), of a quantile some times that.
    assert!((drawn.u[0] - 2.005).abs() < 0.01, "{}", drawn.u[0]);
    assert!((drawn.low[0] - 44.71).abs() < 0.03 && (drawn.high[0] - 52.26).abs() < 0.03);

    let better = w1(r#"
        feed_pressure = { accuracy = "6.25 kPa" }
        differential_pressure = { accuracy = "1.25 kPa" }
        permeate_pressure = { accuracy = "0.625 kPa" }
        feed_tds = { accuracy = "3 % of reading" }
        permeate_tds = { accuracy = "3 % of reading" }
        feed_temperature = { accuracy = "0.36 degC" }
        permeate_flow = { accuracy = "0.5 % of reading" }
        concentrate_flow = { accuracy = "0.5 % of reading" }
    "#);
    let result = run(&w1_log(), &better, &STANDARD);
    let u = figures(&result, "normalised_permeate_flow_u")[0];
    assert!((u - 0.433).abs() < 5e-4, "{u}");
    assert_eq!(
        result.budget("normalised_permeate_flow", 0).unwrap().shares[0].source,
        "feed_temperature"
    );
}

/// JCGM 100:2008, example H.1: an end gauge, l = ls + d − ls (δα θ + αs δθ); u(l) = 32 nm.
#[test]
fn the_end_gauge_of_the_guide() {
    let inputs = [
        (50_000_623.0, 25.0),
        (215.0, 9.7),
        (0.0, 0.58e-6),
        (-0.1, 0.41),
        (11.5e-6, 1.2e-6),
        (0.0, 0.029),
    ];
    let mut at = [Dual::<6>::constant(0.0); 6];
    for (slot, (value, _)) in inputs.iter().enumerate() {
        at[slot] = Dual::variable(*value, slot);
    }
    let [
        standard,
        difference,
        expansion,
        temperature,
        of_standard,
        apart,
    ] = at;
    let length = standard + difference - standard * (expansion * temperature + of_standard * apart);
    let variance: f64 = length
        .slopes
        .iter()
        .zip(inputs)
        .map(|(slope, (_, u))| (slope * u).powi(2))
        .sum();
    assert_eq!(length.value, 50_000_838.0);
    assert!((variance.sqrt() - 32.0).abs() < 0.5, "{}", variance.sqrt());
    // Its parts: 25, 9.7, 2.9, 0, 0 and 16.6 nm.
    for (slot, expected) in [(2, 2.9), (3, 0.0), (4, 0.0), (5, 16.6)] {
        assert!((length.slopes[slot].abs() * inputs[slot].1 - expected).abs() < 0.1);
    }
}

/// A plant of several ways of deriving its inputs, with every kind of source.
const EVERYTHING: &str = r#"
    stage = [{ vessels = 3, elements_per_vessel = 4 }]
    element.length = "1 m"
    element.feed_spacer_thickness = "0.79 mm"
    [recycle]
    returns_to = "feed"
    [temperature.salt]
    law = "arrhenius"
    constant = "3000 K"
    accuracy = "300 K"
    [salinity.tds_per_conductivity]
    permeate = 0.5
    concentrate = 0.6
    accuracy = "4 %"
    [reference]
    kind = "baseline"
    stabilise = "0 h"
    period = "1 h"
    minimum_readings = 1
    [instruments]
    feed_temperature = { class = "rtd-b", resolution = "0.1 degC" }
    feed_pressure = { class = "gauge-3a", span = "20 bar", resolution = "0.02 bar" }
    concentrate_pressure = { accuracy = "0.05 bar" }
    permeate_pressure = { accuracy = "0.1 bar" }
    permeate_flow = { accuracy = "2 % of reading", repeatability = "0.1 m3/h" }
    concentrate_flow = { class = "float-meter", span = "10 m3/h" }
    recycle_flow = { accuracy = "0.3 m3/h" }
    permeate_conductivity = { accuracy = "3 % of reading", calibrated_on = "2026-01-10" }
    concentrate_conductivity = { accuracy = "2 % of reading" }
"#;

fn everything() -> Site {
    let text = site(EVERYTHING).text.replace(
        "salinity.basis = \"sodium-chloride\"",
        "salinity.basis = \"sodium-chloride\"\nsalinity.osmotic_accuracy = \"4 %\"\ntemperature.accuracy = \"400 K\"",
    );
    // Dotted keys and tables of one name don't mix in TOML.
    let text = text
        .replace("temperature.law = \"standard-practice\"", "")
        .replace("temperature.accuracy = \"400 K\"", "")
        .replace(
            "salinity.basis = \"sodium-chloride\"\nsalinity.osmotic_accuracy = \"4 %\"\n",
            "",
        )
        .replace(
            "[temperature.salt]",
            "[temperature]\nlaw = \"standard-practice\"\naccuracy = \"400 K\"\n[temperature.salt]",
        )
        .replace(
            "[salinity.tds",
            "[salinity]\nbasis = \"sodium-chloride\"\nosmotic_accuracy = \"4 %\"\n[salinity.tds",
        );
    Site::parse(&text).unwrap_or_else(|error| panic!("{error}\n{text}"))
}

const COLUMNS: [(&str, &str); 9] = [
    ("feed_temperature", "degC"),
    ("feed_pressure", "bar"),
    ("concentrate_pressure", "bar"),
    ("permeate_pressure", "bar"),
    ("permeate_flow", "m3/h"),
    ("concentrate_flow", "m3/h"),
    ("recycle_flow", "m3/h"),
    ("permeate_conductivity", "uS/cm"),
    ("concentrate_conductivity", "uS/cm"),
];

fn everything_log(rows: &[(&str, [f64; 9])]) -> Log {
    let mut text = "time".to_owned();
    for (name, unit) in COLUMNS {
        write!(text, ",{name} [{unit}]").unwrap();
    }
    for (time, figures) in rows {
        write!(text, "\n{time}").unwrap();
        for figure in figures {
            write!(text, ",{figure:.17e}").unwrap();
        }
    }
    read(text, &ReadOptions::default()).expect("a log that is right")
}

const WHEN_NEW: [f64; 9] = [21.0, 14.0, 12.9, 0.4, 9.0, 5.0, 3.0, 60.0, 6500.0];
const NOW: [f64; 9] = [12.0, 15.5, 14.1, 0.5, 8.1, 5.6, 2.0, 55.0, 6100.0];

fn everything_result(when_new: [f64; 9], now: [f64; 9], late: &str) -> Normalised {
    let log = everything_log(&[("2026-01-01T00:00Z", when_new), (late, now)]);
    run(&log, &everything(), &Analysis::ALL)
}

/// Each instrument's part is what differences give: derivatives through every derived column, and the model.
#[test]
fn parts_are_those_of_differences() {
    let before_calibration = "2026-01-05T00:00Z";
    let result = everything_result(WHEN_NEW, NOW, before_calibration);
    let outputs: Vec<String> = result
        .series
        .iter()
        .map(|series| series.name.clone())
        .filter(|name| brinemark::normalise::Output::named(name).is_some())
        .collect();
    assert!(outputs.len() == 26, "{outputs:?}");
    for (place, (column, _)) in COLUMNS.iter().enumerate() {
        let step = 1e-4 * NOW[place];
        let moved = |sign: f64| {
            let mut now = NOW;
            now[place] += sign * step;
            everything_result(WHEN_NEW, now, before_calibration)
        };
        let (up, down) = (moved(1.0), moved(-1.0));
        for output in outputs.iter().filter(|output| !output.ends_with("_change")) {
            let by_difference =
                (figures(&up, output)[1] - figures(&down, output)[1]) / (2.0 * step);
            let budget = result.budget(output, 1).unwrap();
            let found = budget.shares.iter().find(|share| share.source == *column);
            let size = size_of(column, NOW[place]);
            let found = found.map_or(0.0, |share| share.u / size);
            let scale = 1e-5 * figures(&result, output)[1].abs() / NOW[place];
            assert!(
                (found - by_difference.abs()).abs() <= 2e-4 * by_difference.abs() + scale,
                "{output} by {column}: {found}, {by_difference} by differences"
            );
        }
    }
}

/// The standard uncertainty of a single reading, as the site file has it.
fn size_of(column: &str, reading: f64) -> f64 {
    let even = |limit: f64| limit / 3.0_f64.sqrt();
    let step = |resolution: f64| resolution / 12.0_f64.sqrt();
    match column {
        "feed_temperature" => even(0.3 + 0.005 * reading).hypot(step(0.1)),
        "feed_pressure" => even(0.05).hypot(step(0.02)),
        "concentrate_pressure" => even(0.05),
        "permeate_pressure" => even(0.1),
        "permeate_flow" => even(0.02 * reading).hypot(0.1),
        "concentrate_flow" => even(0.5),
        "recycle_flow" => even(0.3),
        "permeate_conductivity" => even(0.03 * reading),
        "concentrate_conductivity" => even(0.02 * reading),
        _ => panic!("{column}"),
    }
}

/// A change's part is the difference that one error, in both the baseline and the reading, makes; after a calibration it is both.
#[test]
fn what_instruments_are_off_by_cancels_until_they_are_calibrated() {
    let place = 7; // permeate_conductivity
    let changed = |result: &Normalised| figures(result, "normalised_salt_passage_change")[1];
    let (before, after) = ("2026-01-05T00:00Z", "2026-01-15T00:00Z");
    let grown = |row: [f64; 9], by: f64| {
        let mut row = row;
        row[place] *= 1.0 + by;
        row
    };
    let by = 1e-5;
    let slope = |new: f64, now: f64| {
        let (up, down) = (
            everything_result(grown(WHEN_NEW, new * by), grown(NOW, now * by), before),
            everything_result(grown(WHEN_NEW, -new * by), grown(NOW, -now * by), before),
        );
        (changed(&up) - changed(&down)) / (2.0 * by)
    };
    let size = 0.03 / 3.0_f64.sqrt();
    let part = |time: &str| {
        let result = everything_result(WHEN_NEW, NOW, time);
        let budget = result.budget("normalised_salt_passage_change", 1).unwrap();
        let share = budget
            .shares
            .iter()
            .find(|share| share.source == "permeate_conductivity");
        share.map_or(0.0, |share| share.u)
    };
    // Both move together: nearly nothing is left.
    let together = (slope(1.0, 1.0) * size).abs();
    assert!(
        (part(before) - together).abs() < 1e-3 * size,
        "{} {together}",
        part(before)
    );
    assert!(together < 0.05 * size);
    // Each by itself.
    let apart = (slope(1.0, 0.0) * size).hypot(slope(0.0, 1.0) * size);
    assert!(
        (part(after) / apart - 1.0).abs() < 1e-3,
        "{} {apart}",
        part(after)
    );
    assert!(apart > size);
}

/// What calibrations of an instrument on two days tell: it showed so much too much on the first, and on the second.
fn calibrated(column: &str, days: [&str; 2], showed: [&str; 2], uncertainty: &str) -> String {
    let event = |at: usize| {
        format!(
            "\n[[event]]\ntime = \"{}T00:00Z\"\nkind = \"calibration\"\nof = \"{column}\"\nas_found = \"{2}\"\nas_left = \"{2}\"\nuncertainty = \"{1}\"\n",
            days[at], uncertainty, showed[at]
        )
    };
    event(0) + &event(1)
}

/// A log with certificates is a log of readings put right by hand, in every figure and every column that is worked out.
#[test]
fn what_was_found_is_put_right_as_if_by_hand() {
    let days = ["2025-12-31", "2026-01-08"];
    let told = calibrated(
        "permeate_flow",
        days,
        ["+2 % of reading"; 2],
        "0.4 % of reading",
    ) + &calibrated("concentrate_pressure", days, ["-0.1 bar"; 2], "0.02 bar")
        + &calibrated("permeate_conductivity", days, ["+2 uS/cm"; 2], "1 uS/cm");
    let with = Site::parse(&(everything().text + &told)).expect("a site");
    let log = everything_log(&[
        ("2026-01-01T00:00Z", WHEN_NEW),
        ("2026-01-05T00:00Z", NOW),
        // After the last calibration nothing is known.
        ("2026-01-08T00:00Z", NOW),
    ]);
    let by_hand = |row: [f64; 9]| {
        let mut row = row;
        row[2] += 0.1;
        row[4] *= 0.98;
        row[7] -= 2.0;
        row
    };
    let right = everything_log(&[
        ("2026-01-01T00:00Z", by_hand(WHEN_NEW)),
        ("2026-01-05T00:00Z", by_hand(NOW)),
        ("2026-01-08T00:00Z", NOW),
    ]);
    let (found, hand) = (
        run(&log, &with, &Analysis::ALL),
        run(&right, &everything(), &Analysis::ALL),
    );
    for series in hand
        .series
        .iter()
        .filter(|series| !series.name.ends_with("_u"))
    {
        let by_hand = figures(&hand, &series.name);
        for (row, figure) in figures(&found, &series.name).iter().enumerate() {
            let off = (figure - by_hand[row]).abs();
            assert!(
                off <= 1e-9 * by_hand[row].abs().max(1e-3),
                "{} {row}: {figure}, {} by hand",
                series.name,
                by_hand[row]
            );
        }
    }
    // What is left is half of 0.4 %, and what scatters; where nothing is known, 2 % evenly, and the same scatter.
    let part = |row: usize| {
        let budget = found.budget("water_permeability", row).unwrap();
        let share = budget
            .shares
            .iter()
            .find(|share| share.source == "permeate_flow");
        share.map_or(0.0, |share| share.u / budget.value)
    };
    let expected =
        0.002_f64.hypot(0.1 / (0.98 * NOW[4])) / (0.02 / 3.0_f64.sqrt()).hypot(0.1 / NOW[4]);
    let ratio = part(1) / part(2);
    assert!((ratio - expected).abs() < 0.02, "{ratio} {expected}");
    let provenance = &found.provenance;
    let of = |name: &str| {
        let known = provenance.iter().find(|known| known.column.name() == name);
        known.map_or("", |known| &known.detail)
    };
    assert_eq!(
        of("permeate_flow"),
        "the log; permeate_flow from 2025-12-31 to 2026-01-08 corrected for what calibrations found"
    );
    assert!(
        of("differential_pressure").contains("concentrate_pressure from 2025-12-31"),
        "{}",
        of("differential_pressure")
    );
}

/// What is left in doubt after a calibration is another than before it: it doesn't cancel in a change.
#[test]
fn what_is_left_of_a_known_error_ends_with_it() {
    let part = |days: [&str; 2]| {
        let told = calibrated(
            "permeate_flow",
            days,
            ["0 % of reading"; 2],
            "2 % of reading",
        ) + &calibrated(
            "permeate_flow",
            [days[1], "2026-02-01"],
            ["0 % of reading"; 2],
            "2 % of reading",
        );
        let with = Site::parse(&(everything().text + &told)).expect("a site");
        let log = everything_log(&[("2026-01-01T00:00Z", WHEN_NEW), ("2026-01-05T00:00Z", NOW)]);
        let budget = run(&log, &with, &Analysis::ALL)
            .budget("normalised_permeate_flow_change", 1)
            .unwrap();
        let share = budget
            .shares
            .iter()
            .find(|share| share.source == "permeate_flow");
        (share.map_or(0.0, |share| share.u), budget.value)
    };
    // Both readings between the same two calibrations; or one between.
    let ((together, changed), (apart, _)) = (
        part(["2025-12-31", "2026-01-10"]),
        part(["2025-12-31", "2026-01-03"]),
    );
    // 1 % (half of 2 %) of each, which cancels or doesn't.
    let doubt = (apart * apart - together * together).sqrt();
    let expected = 2.0_f64.sqrt() * 0.01 * (1.0 + changed);
    assert!((doubt / expected - 1.0).abs() < 0.05, "{doubt} {expected}");
}

/// By the law of propagation and by chance, for every figure of the standard practice.
#[test]
fn both_ways_agree_within_chance() {
    let result = everything_result(WHEN_NEW, NOW, "2026-01-15T00:00Z");
    let settings = MonteCarloSettings {
        draws: 40_000,
        seed: 7,
        level: 0.90,
    };
    let names: Vec<String> = result
        .series
        .iter()
        .map(|series| series.name.clone())
        .filter(|name| brinemark::normalise::Output::named(name).is_some())
        .filter(|name| !name.starts_with("element_") && !name.starts_with("spacer_"))
        .collect();
    assert_eq!(names.len(), 20);
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let drawn = result.monte_carlo(&names, &settings).unwrap();
    for simulated in &drawn.simulated {
        let name = simulated.output.name();
        let u = figures(&result, &format!("{name}_u"))[1];
        let by_chance = simulated.u[1];
        // Noise of 40 000 draws is 0.35 % at one standard deviation; lines are bent by up to 3 % of u here.
        assert!(
            (by_chance / u - 1.0).abs() < 0.04,
            "{name}: {u}, {by_chance} by chance"
        );
        let half = 0.5 * (simulated.high[1] - simulated.low[1]);
        assert!(half > 1.5 * u && half < 1.75 * u, "{name}: {half} {u}");
    }
}

#[test]
fn draws_are_the_same_for_any_number_of_threads() {
    let log = everything_log(&[("2026-01-01T00:00Z", WHEN_NEW)]);
    let rows: Vec<(String, [f64; 9])> = (0..150)
        .map(|minute| {
            (
                format!("2026-01-05T{:02}:{:02}Z", minute / 60, minute % 60),
                NOW,
            )
        })
        .collect();
    let rows: Vec<(&str, [f64; 9])> = rows
        .iter()
        .map(|(time, row)| (time.as_str(), *row))
        .collect();
    let site = everything();
    let baseline = Baseline::find(&log, &site, &Analysis::ALL).unwrap();
    let result = normalise(&everything_log(&rows), &site, &baseline, &Analysis::ALL).unwrap();
    let drawn = |threads: usize, seed: u64| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        let settings = MonteCarloSettings {
            seed,
            ..MonteCarloSettings::default()
        };
        pool.install(|| {
            result
                .monte_carlo(&["normalised_permeate_flow_change"], &settings)
                .unwrap()
        })
        .simulated
        .remove(0)
    };
    let (one, many, other) = (drawn(1, 3), drawn(4, 3), drawn(1, 4));
    assert_eq!(one.mean.to_vec(), many.mean.to_vec());
    assert_eq!(one.low.to_vec(), many.low.to_vec());
    // Equal rows have equal figures, wherever they stand.
    assert!(one.u.iter().all(|u| *u == one.u[0]));
    assert!(one.u[0] != other.u[0]);
}

#[test]
fn nothing_known_gives_no_uncertainty_and_says_what_would() {
    let plain = w1("").text.replace("[instruments]", "");
    let result = run(&w1_log(), &Site::parse(&plain).unwrap(), &STANDARD);
    assert!(result.table().series("normalised_permeate_flow_u").is_err());
    let error = result.budget("normalised_permeate_flow", 0).unwrap_err();
    assert!(matches!(&error, Error::Site(_)) && error.to_string().contains("[instruments]"));
    let known = run(&w1_log(), &w1(GAUGES_AND_FLOATS), &STANDARD);
    for (output, row) in [("normalised_permeate", 0), ("normalised_permeate_flow", 9)] {
        assert!(matches!(
            known.budget(output, row),
            Err(Error::MissingColumn(_))
        ));
    }
    let few = MonteCarloSettings {
        draws: 10,
        ..MonteCarloSettings::default()
    };
    assert!(matches!(
        known.monte_carlo(&["recovery"], &few),
        Err(Error::Range { .. })
    ));
}

/// Ten thousand units, each with errors of its own in every instrument: how often a 90 % interval holds the truth.
fn coverage(instruments: &str, sizes: &[(usize, f64, f64)]) -> (f64, f64) {
    const UNITS: usize = 10_000;
    const WHEN_NEW: [f64; 8] = [22.0, 12.5, 1.8, 0.5, 50.0, 66.0, 2000.0, 30.0];
    const NOW: [f64; 8] = [12.0, 16.0, 2.1, 0.6, 45.0, 60.0, 2300.0, 26.0];
    let mut random = ChaCha8Rng::seed_from_u64(20_261_125);
    let even = Uniform::new(-1.0, 1.0).unwrap();
    let header = "time,train,feed_temperature [degC],feed_pressure [bar],differential_pressure [bar],permeate_pressure [bar],permeate_flow [m3/h],feed_flow [m3/h],feed_tds [mg/L],permeate_tds [mg/L]";
    let mut text = format!("{header}\n");
    let mut write_row = |hour: usize, unit: usize, row: &[f64; 8]| {
        write!(
            text,
            "2026-01-{:02}T{:02}:00Z,{unit}",
            1 + hour / 24,
            hour % 24
        )
        .unwrap();
        row.iter()
            .for_each(|figure| write!(text, ",{figure}").unwrap());
        text.push('\n');
    };
    let truth: [[f64; 8]; 2] = [WHEN_NEW, NOW];
    let mut off_by = vec![[0.0; 8]; UNITS];
    for off_by in &mut off_by {
        for (place, limit, _) in sizes {
            off_by[*place] = limit * even.sample(&mut random);
        }
    }
    for hour in [0, 1, 2, 3, 4, 48] {
        for (unit, off_by) in off_by.iter().enumerate() {
            let mut row = truth[usize::from(hour == 48)];
            for (place, _, scatter) in sizes {
                let random: f64 = StandardNormal.sample(&mut random);
                row[*place] += off_by[*place] + scatter * random;
            }
            write_row(hour, unit, &row);
        }
    }
    let log = read(text, &ReadOptions::default()).unwrap();
    let site = site(&format!(
        "stage = [{{ vessels = 10, elements_per_vessel = 6 }}]\n[reference]\nkind = \"baseline\"\nstabilise = \"0 h\"\nperiod = \"5 h\"\nminimum_readings = 5\n[instruments]\n{instruments}"
    ));
    let result = run(&log, &site, &[Analysis::PermeateFlow]);
    // The same without errors.
    let mut exact = format!("{header}\n");
    for (hour, row) in [
        (0, WHEN_NEW),
        (1, WHEN_NEW),
        (2, WHEN_NEW),
        (3, WHEN_NEW),
        (4, WHEN_NEW),
        (48, NOW),
    ] {
        write!(exact, "2026-01-{:02}T{:02}:00Z,0", 1 + hour / 24, hour % 24).unwrap();
        row.iter()
            .for_each(|figure| write!(exact, ",{figure}").unwrap());
        exact.push('\n');
    }
    let exact = run(
        &read(exact, &ReadOptions::default()).unwrap(),
        &site,
        &[Analysis::PermeateFlow],
    );
    let covered = |name: &str| {
        let (found, u) = (
            figures(&result, name),
            figures(&result, &format!("{name}_u")),
        );
        let truth = figures(&exact, name)[5];
        let inside =
            (5 * UNITS..6 * UNITS).filter(|row| (found[*row] - truth).abs() <= 1.644_85 * u[*row]);
        inside.count() as f64 / UNITS as f64
    };
    (
        covered("water_permeability"),
        covered("normalised_permeate_flow_change"),
    )
}

#[test]
fn intervals_hold_the_truth_as_often_as_they_say() {
    let mixed = r#"
        feed_temperature = { accuracy = "1 degC", repeatability = "0.3 degC" }
        feed_pressure = { accuracy = "0.5 bar", repeatability = "0.1 bar" }
        differential_pressure = { accuracy = "0.3 bar" }
        permeate_flow = { accuracy = "1.2 m3/h", repeatability = "0.7 m3/h" }
        feed_tds = { accuracy = "100 mg/L", repeatability = "40 mg/L" }
    "#;
    let sizes = [
        (0, 1.0, 0.3),
        (1, 0.5, 0.1),
        (2, 0.3, 0.0),
        (4, 1.2, 0.7),
        (6, 100.0, 40.0),
    ];
    let (figure, change) = coverage(mixed, &sizes);
    println!("mixed: {figure} {change}");
    assert!(
        (0.88..=0.92).contains(&figure) && (0.88..=0.92).contains(&change),
        "{figure} {change}"
    );
    // Where one evenly spread source is nearly all of it, the interval holds the truth more often, never less.
    let one = "permeate_flow = { accuracy = \"2.4 m3/h\" }\nfeed_temperature = { accuracy = \"0.3 degC\" }";
    let (figure, _) = coverage(one, &[(4, 2.4, 0.0), (0, 0.3, 0.0)]);
    println!("one: {figure}");
    assert!((0.90..=0.96).contains(&figure), "{figure}");
}
