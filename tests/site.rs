//! The site file: every fault named with its key, and the right one beside it.

use brinemark::site::{Accuracy, ConductivityRule, ReferenceRule, TEMPLATE};
use brinemark::water::scaling::Scale;
use brinemark::water::{Basis, SaltCurve, WaterAnalysis};
use brinemark::{Site, log::Column, normalise::temperature::Law};
use proptest::prelude::*;

fn faults(text: &str) -> Vec<String> {
    let found = Site::parse(text).expect_err("a fault").faults();
    found.iter().map(ToString::to_string).collect()
}

/// The template with one piece of text exchanged for another.
fn with(from: &str, to: &str) -> String {
    assert!(TEMPLATE.contains(from), "{from}");
    TEMPLATE.replacen(from, to, 1)
}

#[test]
fn the_template_is_a_site_file() {
    let site = Site::parse(TEMPLATE).unwrap();
    assert_eq!(site.elements(), 6);
    assert_eq!(site.temperature, Law::StandardPractice { base: 1.03 });
    assert!(
        matches!(site.reference, ReferenceRule::Baseline(rule) if rule.stabilise_h == 48.0 && rule.period_h == 336.0)
    );
}

#[test]
fn every_optional_line_of_the_template_is_right() {
    // Each commented line is taken in by itself, in the table it stands in.
    for (at, line) in TEMPLATE.lines().enumerate() {
        let Some(key) = line.strip_prefix("# ").filter(|key| key.contains(" = ")) else {
            continue;
        };
        let name = key.split(' ').next().unwrap_or_default();
        // These need their table's header, or stand instead of another key: tried below.
        if [
            "law",
            "constant",
            "constant_below_25degC",
            "table",
            "kind",
            "returns_to",
            "highest_feed_tds",
            "acid",
            "acid_dose",
        ]
        .contains(&name)
            || WaterAnalysis::NAMES.contains(&name)
        {
            continue;
        }
        let mut lines: Vec<String> = TEMPLATE.lines().map(str::to_owned).collect();
        lines[at] = key.to_owned();
        // The header of its table may be commented too.
        let header = (0..at)
            .rev()
            .find(|above| lines[*above].trim_start_matches("# ").starts_with('['))
            .unwrap();
        lines[header] = lines[header].trim_start_matches("# ").to_owned();
        // An entry of a list is whole or wrong: tried below.
        if lines[header].starts_with("[[") || lines[header].starts_with("[water]") {
            continue;
        }
        let design = lines[header].starts_with("[reference]") && name != "start";
        if let Err(error) = Site::parse(&lines.join("\n")) {
            assert!(design, "{key}: {error}");
        }
    }
    let entry = |header: &str, left_out: &[&str]| {
        let start = TEMPLATE.find(header).expect("an entry");
        let entry = TEMPLATE[start..].split("\n\n").next().unwrap_or_default();
        let kept: Vec<&str> = entry
            .lines()
            .map(|line| line.trim_start_matches("# "))
            .filter(|line| !left_out.iter().any(|key| line.starts_with(key)))
            .collect();
        Site::parse(&format!("{TEMPLATE}\n{}\n", kept.join("\n"))).expect("an entry that is right")
    };
    assert_eq!(entry("# [[event]]", &[]).events.len(), 1);
    let analysed = entry("# [water]", &["hardness"]).water.unwrap();
    assert_eq!(
        (analysed.analysis.ph, analysed.analysis.alkalinity),
        (7.4, 205.0)
    );
    assert!(analysed.taken.is_empty());
    let by_hardness = entry("# [water]", &["alkalinity", "calcium", "magnesium"])
        .water
        .unwrap();
    // As calcium carbonate, both.
    assert!((by_hardness.analysis.ions[3] - 144.15).abs() < 0.01);
    assert_eq!(by_hardness.analysis.alkalinity, 360.0);
    assert_eq!(by_hardness.taken.len(), 2);
    let treated = entry("# [scaling]", &["limits = \"un", "method"]).scaling;
    assert_eq!(treated.acid.map(|(_, dose)| dose), Some(30.0));
    assert_eq!(treated.limits.of(Scale::CalciumCarbonate).index, 1.5);
    let recycles = entry("# [recycle]", &[]);
    assert!(recycles.recycle && recycles.recycle_feed_tds == 800.0);
    let of_column = &entry("# [[service]]", &["name"]).service[0];
    assert_eq!(of_column.of, Some(Column::PermeateFlow));
    assert_eq!((of_column.every.months, of_column.every.days), (3, 0));
    let named = &entry("# [[service]]", &["of"]).service[0];
    assert!(
        named
            .name
            .as_deref()
            .is_some_and(|name| name.contains("meter"))
    );
    let law = |lines: &str| {
        Site::parse(&with("law = \"standard-practice\"", lines))
            .unwrap()
            .temperature
    };
    assert_eq!(
        law("law = \"arrhenius\"\nconstant = \"2640 K\"\nconstant_below_25degC = \"3020 K\""),
        Law::Arrhenius {
            constant_k: 2640.0,
            constant_below_25degc_k: Some(3020.0)
        }
    );
    assert_eq!(law("law = \"viscosity\""), Law::Viscosity);
    assert!(matches!(
        law("law = \"table\"\ntable = [[\"41 degF\", 0.52], [\"25 degC\", 1], [\"30 degC\", 1.16]]"),
        Law::Table { points } if (points[0].0 - 5.0).abs() < 1e-12
    ));
}

/// The template with its analysis in use, and one piece of that exchanged for another.
fn with_ions(from: &str, to: &str) -> String {
    let mut text = with("basis = \"sodium-chloride\"", "basis = \"ions\"");
    for key in ["[salinity.ions]"].iter().chain(&WaterAnalysis::NAMES) {
        text = text.replacen(&format!("# {key}"), key, 1);
    }
    assert!(text.contains(from), "{from}");
    text.replacen(from, to, 1)
}

#[test]
fn an_analysis_is_read_with_its_units() {
    let basis = |text: &str| Site::parse(text).unwrap().salinity.basis;
    let plain = basis(&with_ions("", ""));
    let expected =
        WaterAnalysis::from_figures([120.0, 6.0, 30.0, 95.0, 180.0, 160.0, 250.0, 18.0].map(Some));
    assert_eq!(Ok(plain), Basis::from_settings("ions", Some(expected)));
    assert_eq!(basis(&with_ions("\"120 mg/L\"", "\"0.12 g/L\"")), plain);
    let (low, high) = plain.tds_range_mg_l();
    assert!(
        low == 0.0 && (100_000.0..300_000.0).contains(&high),
        "{high}"
    );
    // Both bases take the proportions of the same salt, and so differ little.
    let by_ions = plain.osmotic_pressure(1000.0, 20.0).unwrap();
    let seawater = basis(&with("\"sodium-chloride\"", "\"seawater\""));
    let by_sea = seawater.osmotic_pressure(1000.0, 20.0).unwrap();
    assert!(
        by_ions < by_sea && by_ions > 0.6 * by_sea,
        "{by_ions} {by_sea}"
    );
}

#[test]
fn an_analysis_that_can_not_be_right_is_refused() {
    for (from, to, expected) in [
        (
            "sulfate = \"160 mg/L\"",
            "",
            "[salinity] ions.sulfate: missing",
        ),
        (
            "\"160 mg/L\"",
            "\"-1 mg/L\"",
            "[salinity.ions] sulfate, '-1 mg/L': outside",
        ),
        ("\"160 mg/L\"", "160", "[salinity.ions] sulfate"),
        (
            "\"180 mg/L\"",
            "\"18 mg/L\"",
            "[salinity] ions: the charges do not balance: cations 12.58 meq/L",
        ),
        (
            "sulfate",
            "sulphate",
            "[salinity.ions] sulphate: not a known key; did you mean 'sulfate'?",
        ),
        (
            "basis = \"ions\"",
            "basis = \"seawater\"",
            "[salinity] ions: belongs to the basis \"ions\"",
        ),
    ] {
        let found = faults(&with_ions(from, to));
        assert!(
            found.iter().any(|fault| fault.contains(expected)),
            "{expected}\nin {found:?}"
        );
    }
    let without = faults(&with("basis = \"sodium-chloride\"", "basis = \"ions\""));
    assert!(
        without[0].contains("[salinity] ions: missing"),
        "{without:?}"
    );
}

#[test]
fn a_stream_has_a_factor_or_a_salt_behind_its_conductivity() {
    let rules = |feed: &str| {
        with(
            "[reference] ",
            &format!("[salinity.tds_per_conductivity]\nfeed = {feed}\n\n[reference] "),
        )
    };
    let feed = |text: &str| {
        Site::parse(text)
            .unwrap()
            .salinity
            .tds_per_conductivity
            .feed
    };
    assert_eq!(feed(&rules("0.55")), Some(ConductivityRule::Factor(0.55)));
    for (name, curve) in SaltCurve::NAMES {
        let text = rules(&format!("\"{name}\""));
        assert_eq!(feed(&text), Some(ConductivityRule::Curve(curve)));
    }
    assert!(faults(&rules("\"brine\""))[0].contains("one of: sodium-chloride, seawater"));
    assert!(faults(&rules("7.5"))[0].contains("a number from 0.2 to 1.5"));
}

#[test]
fn a_design_is_read_in_canonical_units() {
    let design = "[reference]\nkind = \"design\"\npermeate_flow = \"20 gpm\"\nfeed_temperature = \"77 degF\"\n\
        feed_pressure = \"175 psi\"\ndifferential_pressure = \"80 kPa\"\npermeate_pressure = \"0.3 bar\"\n\
        feed_tds = \"0.9 g/L\"\npermeate_tds = \"12 ppm\"\nrecovery = \"75 %\"\n";
    let start = TEMPLATE.find("[reference]").unwrap();
    let end = TEMPLATE.find("# [normalise]").unwrap();
    let site = Site::parse(&format!(
        "{}{design}{}",
        &TEMPLATE[..start],
        &TEMPLATE[end..]
    ))
    .unwrap();
    let ReferenceRule::Design(found) = site.reference else {
        panic!("a design")
    };
    let near = |a: f64, b: f64| (a - b).abs() < 1e-9 * b.abs().max(1.0);
    assert!(near(found.permeate_flow, 20.0 * 0.227_124_707_04));
    assert!(near(found.feed_temperature, 25.0));
    assert!(near(found.differential_pressure, 0.8));
    assert!(near(found.feed_tds, 900.0));
    assert_eq!((found.recovery, found.recycle_flow), (0.75, 0.0));
}

#[test]
fn instruments_are_of_reading_or_of_span() {
    let text = format!(
        "{TEMPLATE}\n[instruments]\npermeate_flow = {{ accuracy = \"2 % of 8 gpm\", calibrated_on = 2026-02-20 }}\n\
         feed_conductivity = {{ accuracy = \"2 % of reading\" }}\nfeed_temperature = {{ accuracy = \"1.8 degF\" }}\n"
    );
    let site = Site::parse(&text).unwrap();
    let accuracy = |column| site.instruments[&column].accuracy.unwrap();
    assert!(
        matches!(accuracy(Column::PermeateFlow), Accuracy { absolute, of_reading: 0.0 } if (absolute - 0.16 * 0.227_124_707_04).abs() < 1e-12)
    );
    assert_eq!(
        accuracy(Column::FeedConductivity),
        Accuracy {
            absolute: 0.0,
            of_reading: 0.02
        }
    );
    // A difference of 1.8 degF is 1 degC, without the offset of 32.
    assert!(
        matches!(accuracy(Column::FeedTemperature), Accuracy { absolute, of_reading: 0.0 } if (absolute - 1.0).abs() < 1e-12)
    );
    let bare = format!("{TEMPLATE}\n[instruments]\npermeate_flow = {{ accuracy = \"2 %\" }}\n");
    assert!(faults(&bare)[0].contains("of reading"));
}

#[test]
fn all_faults_at_once_each_with_its_mend() {
    let text = r#"
        [site]
        nam = "x"
        [element]
        area = "37.2"
        [[stage]]
        vessels = 0
        elements_per_vessel = 3
        [temperature]
        law = "arrhenius"
        base = 1.03
        [salinity]
        basis = "sodium chloride"
        [reference]
        kind = "baseline"
        stabilize = "48 h"
        period = "14 psi"
        [assume]
        permeate_presure = "0 psi"
        [limits]
        recovery = { low = "80 %", high = "60 %" }
        [[event]]
        time = "2026-04-02 10:00"
        kind = "clean"
        [extra]
    "#;
    let found = faults(text);
    for expected in [
        "[site] name: missing",
        "[site] nam: not a known key; did you mean 'name'?",
        "[element] area, '37.2': no unit of area",
        "[[stage]] 1: vessels",
        "[temperature] base: belongs to the law \"standard-practice\"",
        "[salinity] basis, 'sodium chloride': not a choice",
        "[reference] stabilize: not a known key; did you mean 'stabilise'?",
        "[reference] period, 'psi': a unit of pressure",
        "[assume] permeate_presure: not a known key; did you mean 'permeate_pressure'?",
        "[limits] recovery: the low limit is above",
        "[[event]] 1: time",
        "[[event]] 1: kind, 'clean': not a choice",
        "the file: extra: not a known key",
    ] {
        assert!(
            found.iter().any(|fault| fault.contains(expected)),
            "{expected}\nin\n{}",
            found.join("\n")
        );
    }
}

#[test]
fn broken_toml_names_the_line() {
    let error = Site::parse("[site]\nname = \"x\n").unwrap_err();
    assert_eq!(error.faults()[0].line, Some(2), "{error}");
}

#[test]
fn the_method_hash_follows_what_decides_figures() {
    let plain = Site::parse(TEMPLATE).unwrap().method_hash();
    assert_eq!(
        Site::parse(&with("Example unit", "Another name"))
            .unwrap()
            .method_hash(),
        plain
    );
    for (from, to) in [
        ("37.2 m2", "37.3 m2"),
        ("law = \"standard-practice\"", "law = \"viscosity\""),
        ("basis = \"sodium-chloride\"", "basis = \"tds-rule\""),
        ("basis = \"sodium-chloride\"", "basis = \"seawater\""),
        ("vessels = 2", "vessels = 3"),
    ] {
        assert_ne!(
            Site::parse(&with(from, to)).unwrap().method_hash(),
            plain,
            "{to}"
        );
    }
    let with_less = with_ions("\"180 mg/L\"", "\"170 mg/L\"");
    assert_ne!(
        Site::parse(&with_ions("", "")).unwrap().method_hash(),
        Site::parse(&with_less).unwrap().method_hash()
    );
}

proptest! {
    #[test]
    fn no_text_makes_it_panic(text in "\\PC{0,300}") {
        let _ = Site::parse(&text);
    }

    #[test]
    fn no_mutation_of_a_site_makes_it_panic(at in 0..TEMPLATE.len(), text in "\\PC{0,8}") {
        if TEMPLATE.is_char_boundary(at) {
            let _ = Site::parse(&format!("{}{text}{}", &TEMPLATE[..at], &TEMPLATE[at..]));
        }
    }
}

#[test]
fn an_analysis_for_scaling_is_refused_key_by_key() {
    let faults = |lines: &str| -> Vec<String> {
        match Site::parse(&format!("{TEMPLATE}\n{lines}\n")) {
            Ok(_) => Vec::new(),
            Err(error) => error.faults().iter().map(ToString::to_string).collect(),
        }
    };
    let one = |lines: &str, part: &str| {
        let found = faults(lines);
        assert!(
            found.len() == 1 && found[0].contains(part),
            "{lines}: {found:?}"
        );
    };
    assert!(faults("[water]\nph = 7.4\nhardness = \"300 mg/L\"\ntds = \"500 mg/L\"").is_empty());
    one("[water]\nalkalinity = \"200 mg/L\"", "[water] ph");
    one("[water]\nph = 74", "[water] ph");
    one("[water]\nph = 7.4\ncalcium = 95", "[water] calcium");
    one(
        "[water]\nph = 7.4\ncalcium = \"-1 mg/L\"",
        "[water] calcium",
    );
    one(
        "[water]\nph = 7.4\ncalcuim = \"9 mg/L\"",
        "did you mean 'calcium'?",
    );
    one(
        "[water]\nph = 7.4\nhardness = \"300 mg/L\"\ncalcium = \"90 mg/L\"",
        "[water] hardness",
    );
    one(
        "[water]\nph = 7.4\nalkalinity = \"20 mg/L\"\nsodium = \"120 mg/L\"\nmagnesium = \"30 mg/L\"\n\
         calcium = \"95 mg/L\"\nchloride = \"180 mg/L\"\nsulfate = \"160 mg/L\"",
        "meq/L",
    );
    one("[scaling]\nlimits = \"none\"", "[scaling] limits");
    one(
        "[scaling]\nlimits = { calcium_carbonat = 1.5 }",
        "[scaling] limits",
    );
    one(
        "[scaling]\nlimits = { calcium_carbonate = 15 }",
        "[scaling] limits",
    );
    one("[scaling]\nacid = \"sulfuric\"", "[scaling] acid");
    one("[scaling]\nsoftened = \"120 %\"", "[scaling] softened");
    one(
        "[scaling]\nsalt_passage = { calcium = 2 }",
        "[scaling] salt_passage calcium",
    );
}

#[test]
fn another_days_salt_scales_all_contents_alike() {
    let text = format!(
        "{TEMPLATE}\n[water]\nph = 7.6\nalkalinity = \"150 mg/L\"\ncalcium = \"80 mg/L\"\ntds = \"500 mg/L\"\n\
         [scaling]\nlimits = \"antiscalant\"\n"
    );
    let site = Site::parse(&text).unwrap();
    let plain = site.water_at(25.0, None).unwrap().unwrap();
    let twice = site.water_at(10.0, Some(1000.0)).unwrap().unwrap();
    assert_eq!(twice.temperature_degc, 10.0);
    assert_eq!((twice.tds, twice.alkalinity), (1000.0, 300.0));
    assert_eq!(twice.ions[3], 2.0 * plain.ions[3]);
    let (at_one, at_two) = (
        site.scaling_of(&plain).unwrap(),
        site.scaling_of(&site.water_at(25.0, Some(1000.0)).unwrap().unwrap())
            .unwrap(),
    );
    assert!(at_two.limits[0].recovery < at_one.limits[0].recovery);
    let silent = format!("{TEMPLATE}\n[water]\nph = 7.6\nsilica = \"20 mg/L\"\n");
    let refused = Site::parse(&silent)
        .unwrap()
        .water_at(25.0, Some(800.0))
        .unwrap_err();
    assert!(refused.to_string().contains("[water] tds"), "{refused}");
}

#[test]
fn a_certificate_is_whole_or_wrong() {
    let of = |more: &str| {
        format!(
            "{TEMPLATE}\n[[event]]\ntime = \"2025-05-20T09:00Z\"\nkind = \"calibration\"\n{more}\n"
        )
    };
    let right = "of = \"feed_pressure\"\nas_found = \"-0.3 bar\"\nas_left = \"+0.1 psi + 0.5 % of reading\"\nuncertainty = \"0.1 bar\"";
    let site = Site::parse(&of(right)).expect("a site");
    let told = site.events[0].certificate.expect("a certificate");
    assert_eq!(told.as_found.map(|found| found.at(10.0)), Some(-0.3));
    assert!((told.as_left.at(10.0) - (0.05 + 0.006_894_757)).abs() < 1e-9);
    // It may have been nobody's business what it was found off by.
    let left = right.replace("as_found = \"-0.3 bar\"\n", "");
    let site = Site::parse(&of(&left)).expect("a site");
    assert_eq!(site.events[0].certificate.expect("one").as_found, None);
    for (from, to, expected) in [
        (
            "\"-0.3 bar\"",
            "\"0.3 bar\"",
            "[[event]] 1: as_found, '0.3 bar': not what an instrument was off by; with its sign, + where it showed too much: \"+1.2 % of reading\" or \"-0.1 bar\"",
        ),
        (
            "\"-0.3 bar\"",
            "\"-3 %\"",
            "[[event]] 1: as_found, '-3 %': not what an instrument was off by",
        ),
        (
            "\"-0.3 bar\"",
            "\"- -3 bar\"",
            "[[event]] 1: as_found, '- -3 bar': not what an instrument was off by",
        ),
        (
            "uncertainty = \"0.1 bar\"",
            "",
            "[[event]] 1: uncertainty: missing; \"0.5 % of reading\"",
        ),
        (
            "uncertainty = \"0.1 bar\"",
            "uncertainty = \"-0.1 bar\"",
            "[[event]] 1: uncertainty, '-0.1 bar': below zero",
        ),
        (
            "as_left = \"+0.1 psi + 0.5 % of reading\"",
            "",
            "[[event]] 1: as_left: missing; what it was left off by",
        ),
        (
            "of = \"feed_pressure\"",
            "",
            "[[event]] 1: of: of which instrument?; of = \"permeate_flow\"",
        ),
    ] {
        let found = faults(&of(&right.replace(from, to)));
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].starts_with(expected), "{found:?}");
    }
    let cleaning = of(right).replace("\"calibration\"\nof = \"feed_pressure\"", "\"cleaning\"");
    let found = faults(&cleaning);
    assert!(
        found.contains(
            &"[[event]] 1: as_found: belongs to kind = \"calibration\"; say it by note = \"…\""
                .to_owned()
        ),
        "{found:?}"
    );
}
