//! A log through the whole path: derived inputs, stages, recycle, reasons, and that cutting changes nothing.

mod common;

use brinemark::log::ReadOptions;
use brinemark::normalise::{Origin, normalise};
use brinemark::screen::Reasons;
use brinemark::{Analysis, Baseline, Error, Log, Normalised, Site};
use common::{read, site};

const ALL: [Analysis; 3] = [
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

const HEADER: &str = "time,feed_temperature [degC],feed_pressure [bar],differential_pressure [bar],permeate_pressure [bar],permeate_flow [m3/h],feed_flow [m3/h],feed_tds [mg/L],permeate_tds [mg/L]";

fn log(header: &str, rows: &[&str]) -> Log {
    let mut text = format!("{header}\n");
    for (minute, row) in rows.iter().enumerate() {
        text += &format!("2026-01-01T{:02}:{:02}Z,{row}\n", minute / 60, minute % 60);
    }
    read(text, &ReadOptions::default()).expect("a log that is right")
}

fn run(log: &Log, site: &Site, analyses: &[Analysis]) -> Result<Normalised, Error> {
    normalise(log, site, &Baseline::find(log, site, analyses)?, analyses)
}

fn figures(result: &Normalised, name: &str) -> Vec<f64> {
    result.table().series(name).expect(name).values.to_vec()
}

fn plain() -> Site {
    site(&format!(
        "stage = [{{ vessels = 10, elements_per_vessel = 6 }}]\n{DESIGN}"
    ))
}

/// The case W1 of `tests/published/standard-practice-w1.toml`, through the whole path.
#[test]
fn the_case_worked_outside_comes_out_whole() {
    let site = Site::parse(&plain().text.replace("\"sodium-chloride\"", "\"tds-rule\"")).unwrap();
    let row = format!("12,16,2.1,0.6,45,{},2300,26", 45.0 / 0.74);
    let result = run(&log(HEADER, &[&row]), &site, &ALL).unwrap();
    let near = |name: &str, expected: f64| {
        let found = figures(&result, name)[0];
        assert!(
            (found / expected - 1.0).abs() < 1e-5,
            "{name}: {found}, not {expected}"
        );
    };
    near("mean_feed_tds", 4186.851);
    near("net_driving_pressure", 11.187_80);
    near("temperature_factor", 0.680_951);
    near("normalised_permeate_flow", 48.362_8);
    near("salt_passage", 26.0 / 2300.0);
    // Rounded to 5 digits there.
    assert!((figures(&result, "normalised_salt_passage")[0] - 0.015_171).abs() < 5e-7);
    assert!(
        (figures(&result, "normalised_salt_passage_at_normalised_flow")[0] - 0.015_684).abs()
            < 5e-7
    );
    assert!((figures(&result, "normalised_permeate_flow_change")[0] + 0.032_7).abs() < 5e-5);
}

#[test]
fn every_row_comes_back_with_its_reasons() {
    let rows = [
        "12,16,2.1,0.6,45,60,2300,26",
        "12,,2.1,0.6,45,60,2300,26",
        "12,16,2.1,0.6,0,60,2300,26",
        "12,16,2.1,0.6,60,60,2300,26",
        "12,16,2.1,0.6,45,60,0,26",
        "61,16,2.1,0.6,45,60,2300,26",
        "12,16,2.1,0.6,45,60,90000,26",
        "12,1.2,2.1,0.6,45,60,2300,26",
        "12,16,-0.1,0.6,45,60,2300,26",
    ];
    let result = run(&log(HEADER, &rows), &plain(), &ALL).unwrap();
    let expected = [
        Reasons::empty(),
        Reasons::MISSING,
        Reasons::NO_PERMEATE_FLOW,
        Reasons::IMPOSSIBLE_FLOWS,
        Reasons::IMPOSSIBLE_SALT,
        Reasons::TEMPERATURE_OUT_OF_RANGE,
        Reasons::SALT_OUT_OF_RANGE,
        Reasons::NO_DRIVING_PRESSURE,
        Reasons::NEGATIVE_DIFFERENTIAL_PRESSURE,
    ];
    assert_eq!(result.reasons, expected);
    let flow = figures(&result, "normalised_permeate_flow");
    assert_eq!(flow.len(), rows.len());
    assert!(flow[1..8].iter().all(|value| value.is_nan()));
    // A differential pressure that can't be takes only its own figure.
    assert!(flow[0].is_finite() && flow[8].is_finite());
    assert!(figures(&result, "normalised_differential_pressure")[8].is_nan());
    assert_eq!(result.rows_used(), 1);
    assert!(result.reason_counts().iter().all(|(_, rows)| *rows == 1));
}

#[test]
fn rows_that_are_not_running_say_so() {
    let header = format!("{HEADER},running");
    let result = run(
        &log(
            &header,
            &[
                "12,16,2.1,0.6,45,60,2300,26,false",
                "12,16,2.1,0.6,45,60,2300,26,",
            ],
        ),
        &plain(),
        &ALL,
    )
    .unwrap();
    // Where the column is empty, the flows decide.
    assert_eq!(result.reasons, [Reasons::NOT_RUNNING, Reasons::empty()]);
}

#[test]
fn what_can_be_derived_is_derived_and_said() {
    let site = site(&format!(
        "stage = [{{ vessels = 10, elements_per_vessel = 6 }}]\nassume.permeate_pressure = \"0.6 bar\"\n\
         salinity.tds_per_conductivity = {{ permeate = 0.5, concentrate = 0.6 }}\n{DESIGN}"
    ));
    let header = "time,feed_temperature [degC],feed_pressure [bar],concentrate_pressure [bar],permeate_flow [m3/h],concentrate_flow [m3/h],permeate_conductivity [uS/cm],concentrate_conductivity [mS/cm]";
    let result = run(&log(header, &["12,16,13.9,45,15,52,15"]), &site, &ALL).unwrap();
    let value = |name| figures(&result, name)[0];
    assert!((value("differential_pressure") - 2.1).abs() < 1e-12);
    assert_eq!(value("feed_flow"), 60.0);
    assert_eq!(value("permeate_tds"), 26.0);
    // Salt balance: (45 × 26 + 15 × 9000)/60.
    assert!((value("feed_tds") - 2269.5).abs() < 1e-9);
    let origin = |name: &str| {
        let found = result
            .provenance
            .iter()
            .find(|found| found.column.name() == name)
            .unwrap();
        (found.origin, found.detail.clone())
    };
    assert_eq!(origin("permeate_flow").0, Origin::Measured);
    assert_eq!(
        origin("permeate_pressure"),
        (Origin::Assumed, "0.6 bar (site file)".to_owned())
    );
    assert_eq!(origin("feed_tds").0, Origin::Derived);
    assert!(origin("feed_tds").1.contains("salt balance"));
}

#[test]
fn what_is_missing_is_named_with_the_analysis_that_needs_it() {
    let header = "time,feed_temperature [degC],feed_pressure [bar],permeate_flow [m3/h],feed_flow [m3/h],feed_tds [mg/L]";
    let log = log(header, &["12,16,45,60,2300"]);
    let assuming = site(&format!(
        "stage = [{{ vessels = 10, elements_per_vessel = 6 }}]\nassume = {{ permeate_pressure = \"0.6 bar\", \
         differential_pressure = \"2 bar\", permeate_tds = \"26 mg/L\" }}\n{DESIGN}"
    ));
    // Assumed inputs do for the flow, but a figure made of an assumption alone would say nothing.
    assert!(run(&log, &assuming, &[Analysis::PermeateFlow]).is_ok());
    let error = run(&log, &assuming, &ALL).unwrap_err();
    let columns: Vec<_> = error
        .faults()
        .into_iter()
        .filter_map(|fault| fault.column)
        .collect();
    assert_eq!(
        columns,
        ["differential_pressure", "permeate_tds"],
        "{error}"
    );
    let error = run(&log, &plain(), &[Analysis::PermeateFlow]).unwrap_err();
    assert_eq!(error.faults().len(), 3, "{error}");
    assert!(error.to_string().contains("[assume] permeate_pressure"));
    // An assumption that nothing uses is a misunderstanding.
    let measured = site(&format!(
        "stage = [{{ vessels = 10, elements_per_vessel = 6 }}]\nassume.feed_tds = \"900 mg/L\"\n{DESIGN}"
    ));
    let whole = self::log(HEADER, &["12,16,2.1,0.6,45,60,2300,26"]);
    assert!(
        run(&whole, &measured, &ALL)
            .unwrap_err()
            .to_string()
            .contains("remove it from [assume]")
    );
}

/// Two stages and two trains, interleaved.
fn staged() -> (Log, Site) {
    let mut text = format!("{HEADER},train,stage\n");
    for minute in 0..120 {
        for train in ["A", "B"] {
            for (stage, flow) in [("1", 30.0), ("2", 12.0)] {
                let drift = 1.0 - 0.001 * f64::from(minute) * if train == "B" { 2.0 } else { 1.0 };
                text += &format!(
                    "2026-01-01T{:02}:{:02}Z,{},{},1.2,0.4,{},{},{},{},{train},{stage}\n",
                    minute / 60,
                    minute % 60,
                    15.0 + 0.1 * f64::from(minute % 30),
                    14.0 + 0.05 * f64::from(minute % 7),
                    flow * drift,
                    flow * 2.0,
                    2000 + minute,
                    25
                );
            }
        }
    }
    let log = read(text, &ReadOptions::default()).expect("a log that is right");
    let site = site(
        "stage = [{ vessels = 4, elements_per_vessel = 6 }, { vessels = 2, elements_per_vessel = 6 }]\n\
         reference = { kind = \"baseline\", stabilise = \"0 h\", period = \"20 min\", minimum_readings = 5 }",
    );
    (log, site)
}

#[test]
fn stages_and_trains_are_normalised_one_by_one() {
    let (log, site) = staged();
    let result = run(&log, &site, &ALL).unwrap();
    assert_eq!(result.baseline.references.len(), 4);
    let change = figures(&result, "normalised_permeate_flow_change");
    let (a1, b1) = (change[change.len() - 4], change[change.len() - 2]);
    assert!(a1 < -0.08 && b1 < -0.17, "{a1} {b1}");
    // Area is that of the stage: 24 elements of 40 m2 and 12.
    let flux = figures(&result, "flux");
    assert!(
        (flux[0] - 1000.0 * 30.0 / 960.0).abs() < 1e-9
            && (flux[1] - 1000.0 * 12.0 / 480.0).abs() < 1e-9
    );
    // Without the column, a staged site is refused, unless it says to take the stages together.
    let unlabelled = self::log(HEADER, &["12,16,2.1,0.6,45,60,2300,26"]);
    let two = "stage = [{ vessels = 4, elements_per_vessel = 6 }, { vessels = 2, elements_per_vessel = 6 }]";
    let apart = common::site(&format!("{two}\n{DESIGN}"));
    assert!(
        run(&unlabelled, &apart, &ALL)
            .unwrap_err()
            .to_string()
            .contains("stages_together")
    );
    let together = common::site(&format!(
        "{two}\nnormalise.stages_together = true\n{DESIGN}"
    ));
    assert!(run(&unlabelled, &together, &ALL).is_ok());
}

#[test]
fn cutting_the_log_moves_no_figure() {
    let (log, site) = staged();
    let baseline = Baseline::find(&log, &site, &ALL).unwrap();
    let whole = normalise(&log, &site, &baseline, &ALL).unwrap();
    for size in [1, 3, 50, 129] {
        let mut start = 0;
        while start < log.table.len() {
            let end = (start + size).min(log.table.len());
            let mut piece = log.clone();
            piece.table.time = log.table.time[start..end].to_vec().into();
            for series in &mut piece.table.series {
                series.values = series.values[start..end].to_vec().into();
            }
            for labels in piece.table.labels.iter_mut().flatten() {
                let mut cut = (**labels).clone();
                cut.codes = cut.codes[start..end].to_vec();
                *labels = cut.into();
            }
            let part = normalise(&piece, &site, &baseline, &ALL).unwrap();
            for (of_whole, of_part) in whole.series.iter().zip(&part.series) {
                let same = of_whole.values[start..end]
                    .iter()
                    .zip(of_part.values.iter())
                    .all(|(a, b)| a.to_bits() == b.to_bits());
                assert!(same, "{} from {start} to {end}", of_whole.name);
            }
            start = end;
        }
    }
}

#[test]
fn turning_the_recycle_valve_does_not_look_like_fouling() {
    // One membrane, with and without recycle: what it sees is worked out by iterating both salt balances.
    let (a, b, area, pressure, drop) = (3.0, 0.2, 240.0, 12.0, 0.0);
    let mut rows = Vec::new();
    for recycle in [0.0, 4.0, 8.0] {
        let (feed, tds) = (10.0, 1500.0);
        let (mut permeate, mut permeate_tds, mut inlet_tds) = (5.0, 20.0, tds);
        for _ in 0..20_000 {
            let inlet = feed + recycle;
            let concentrate_tds =
                (inlet * inlet_tds - permeate * permeate_tds) / (inlet - permeate);
            let mixed = (feed * tds + recycle * concentrate_tds) / inlet;
            inlet_tds += 0.1 * (mixed - inlet_tds);
            let mean = inlet_tds * brinemark::normalise::log_mean_factor(permeate / inlet).unwrap();
            let osmotic = |tds| {
                brinemark::water::Basis::SodiumChloride
                    .osmotic_pressure(tds, 25.0)
                    .unwrap()
            };
            let driving = pressure - drop / 2.0 - 0.4 - osmotic(mean) + osmotic(permeate_tds);
            permeate += 0.1 * (a * area * driving / 1000.0 - permeate);
            permeate_tds += 0.1 * (b * area * mean / (1000.0 * permeate) - permeate_tds);
        }
        rows.push(format!(
            "25,{pressure},{drop},0.4,{permeate},{feed},{tds},{permeate_tds},{recycle}"
        ));
    }
    let header = format!("{HEADER},recycle_flow [m3/h]");
    let log = log(
        &header,
        &rows.iter().map(String::as_str).collect::<Vec<_>>(),
    );
    let site = site(&format!(
        "stage = [{{ vessels = 1, elements_per_vessel = 6 }}]\nrecycle.returns_to = \"feed\"\n{DESIGN}"
    ));
    let result = run(&log, &site, &ALL).unwrap();
    for (name, truth) in [("water_permeability", a), ("salt_permeability", b)] {
        for value in figures(&result, name) {
            assert!((value / truth - 1.0).abs() < 1e-9, "{name}: {value}");
        }
    }
    let recovery = figures(&result, "recovery");
    let pass = figures(&result, "pass_recovery");
    assert!(recovery[2] < recovery[0] && pass[2] < 0.6 * recovery[2]);
}

#[test]
fn a_baseline_of_another_method_is_refused() {
    let log = log(HEADER, &["12,16,2.1,0.6,45,60,2300,26"]);
    let baseline = Baseline::find(&log, &plain(), &ALL).unwrap();
    let other = Site::parse(&plain().text.replace("standard-practice", "viscosity")).unwrap();
    assert!(matches!(
        normalise(&log, &other, &baseline, &ALL),
        Err(Error::Method(_))
    ));
    let kept = Baseline::from_json(&baseline.to_json()).unwrap();
    assert_eq!(kept, baseline);
    assert!(Baseline::from_json("{}").is_err());
}

#[test]
fn too_short_a_baseline_says_what_would_be_enough() {
    let site = site(
        "stage = [{ vessels = 10, elements_per_vessel = 6 }]\nreference = { kind = \"baseline\", stabilise = \"0 h\", period = \"10 min\", minimum_readings = 20 }",
    );
    let row = "12,16,2.1,0.6,45,60,2300,26";
    let error = Baseline::find(&log(HEADER, &[row; 30]), &site, &ALL).unwrap_err();
    assert!(error.to_string().contains("11 usable readings"), "{error}");
    assert!(error.to_string().contains("period = \"1 d\""), "{error}");
    let error = Baseline::find(&log(HEADER, &[row; 5]), &site, &ALL).unwrap_err();
    assert!(error.to_string().contains("minimum_readings"), "{error}");
}
