//! What is due, meters against their solutions, and how far a log falls short of the record that is asked for.

mod common;

use brinemark::log::{Column, ReadOptions};
use brinemark::record::{Completeness, Met, REQUIREMENTS, Verdict, completeness};
use brinemark::service::due;
use brinemark::site::{Accuracy, Interval, TEMPLATE};
use brinemark::units::{Quantity, Unit};
use brinemark::water::conductivity::meter::{
    MeterCheck, MeterSettings, MeterVerdict, Solution, check_meter,
};
use brinemark::{Error, Log, Site};
use common::{read, site};
use jiff::civil::{Date, date};
use proptest::prelude::*;

// --- what is due -----------------------------------------------------------------------------------------

fn with(more: &str) -> Site {
    Site::parse(&format!("{TEMPLATE}\n{more}")).expect("a site that is right")
}

fn day(text: &str) -> Date {
    text.parse().expect("a date")
}

#[test]
fn what_was_never_done_stands_first_and_what_has_no_interval_last() {
    let site = with(
        r#"
        [instruments]
        feed_pressure = { calibrated_on = "2026-01-05" }
        permeate_flow = { calibrated_on = "2026-08-26" }
        [[service]]
        what = "prefilter"
        every = "6 weeks"
        last = "2026-10-20"
        note = "5 um"
        [[service]]
        what = "calibration"
        of = "permeate_flow"
        every = "3 months"
        [[service]]
        what = "other"
        name = "door seal"
        every = "1 year"
        [[service]]
        what = "lamp"
        every = "90 d"
        last = "2026-08-28"
        "#,
    );
    let found = due(&site, day("2026-11-26"));
    let said: Vec<&str> = found.iter().map(|due| due.sentence.as_str()).collect();
    assert_eq!(
        said,
        [
            "door seal: never done: due now; every 1 year",
            "calibration of permeate_flow: due today; every 3 months; last done 2026-08-26",
            "lamp: due today; every 90 d; last done 2026-08-28",
            "prefilter: due in 5 days, on 2026-12-01; every 6 weeks; last done 2026-10-20",
            "calibration of feed_pressure: no interval is given: whether it is due can't be told; last done 2026-01-05",
        ]
    );
    assert!(found[0].never_done() && found[0].overdue_days().is_none());
    assert_eq!(
        (found[3].due_in_days, found[3].note.as_str()),
        (Some(5), "5 um")
    );
    let later = due(&site, day("2026-12-03"));
    assert_eq!(
        later
            .iter()
            .filter_map(|due| due.overdue_days())
            .collect::<Vec<_>>(),
        [7, 7, 2]
    );
    assert!(
        due(&site, day("2026-01-01"))[1]
            .sentence
            .contains("after the date asked for")
    );
}

#[test]
fn every_fault_of_a_service_is_named() {
    let text = format!(
        "{TEMPLATE}\n{}",
        r#"
        [instruments]
        feed_flow = { calibrated_on = "2026-01-05" }
        [[service]]
        what = "calibrating"
        every = "3 hours"
        [[service]]
        what = "calibration"
        of = "permeate_flo"
        every = "3 months"
        evry = "x"
        [[service]]
        what = "lamp"
        of = "permeate_flow"
        every = 90
        last = "yesterday"
        [[service]]
        what = "calibration"
        every = "-3 months"
        [[service]]
        what = "other"
        every = "3 months 2 hours"
        [[service]]
        what = "calibration"
        of = "feed_flow"
        every = "3 months"
        last = 2026-02-05
        [[service]]
        what = "calibration"
        of = "running"
        name = "both"
        "#
    );
    let faults = Site::parse(&text).expect_err("faults").faults();
    let found: Vec<String> = faults.iter().map(ToString::to_string).collect();
    for expected in [
        "[[service]] 1: what, 'calibrating': not a choice; one of: calibration, lamp",
        "[[service]] 1: every, '\"3 hours\"': not what is needed here; a length of time in days",
        "[[service]] 2: of, 'permeate_flo': not a column of a log; did you mean 'permeate_flow'?",
        "[[service]] 2: evry: not a known key; did you mean 'every'?",
        "[[service]] 3: of: belongs to what = \"calibration\"",
        "[[service]] 3: every, '90': not what is needed",
        "[[service]] 3: last, '\"yesterday\"': not what is needed here; a date",
        "[[service]] 4: of: missing",
        "[[service]] 4: every, '\"-3 months\"'",
        "[[service]] 5: name: missing",
        "[[service]] 5: every, '\"3 months 2 hours\"'",
        "[[service]] 6: last, '2026-02-05': [instruments] feed_flow calibrated_on is 2026-01-05; make the two the same",
        "[[service]] 7: of, 'running'",
        "[[service]] 7: of: a column and a name",
        "[[service]] 7: every: missing",
    ] {
        assert!(
            found.iter().any(|fault| fault.contains(expected)),
            "{expected}\nin\n{}",
            found.join("\n")
        );
    }
}

#[test]
fn a_service_is_in_the_settings_and_moves_no_figure() {
    let plain = Site::parse(TEMPLATE).expect("the template");
    let more = with("[[service]]\nwhat = \"lamp\"\nevery = \"1 year\"\nlast = 2026-02-20\n");
    assert_eq!(more.method_hash(), plain.method_hash());
    assert!(
        more.settings().contains("\"last\": \"2026-02-20\""),
        "{}",
        more.settings()
    );
    assert!(more.settings().contains("\"months\": 12"));
}

#[test]
fn months_are_those_of_the_calendar() {
    for (every, last, next) in [
        ("3 months", "2025-11-30", "2026-02-28"),
        ("3 months", "2023-11-30", "2024-02-29"),
        ("1 year", "2024-02-29", "2025-02-28"),
        ("1 month", "2026-01-31", "2026-02-28"),
        ("90 d", "2024-01-31", "2024-04-30"),
        ("90 d", "2025-01-31", "2025-05-01"),
        ("2 weeks", "2025-12-25", "2026-01-08"),
        ("1 month 10 days", "2026-01-31", "2026-03-10"),
    ] {
        let interval = Interval::parse(every).expect(every);
        assert_eq!(interval.after(day(last)), day(next), "{every} after {last}");
    }
    for wrong in [
        "",
        "3",
        "0 d",
        "3 psi",
        "P1DT2H",
        "60 years",
        "99999999999 months",
    ] {
        assert_eq!(Interval::parse(wrong), None, "{wrong}");
    }
}

/// Days of a month, counted without the library that the code relies on.
fn length_of(year: i16, month: i8) -> i8 {
    match month {
        2 if year % 4 == 0 && (year % 100 != 0 || year % 400 == 0) => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    }
}

proptest! {
    #[test]
    fn a_month_later_is_the_same_day_or_the_months_last(
        year in 1990_i16..2200, month in 1_i8..=12, day in 1_i8..=31, months in 1_i16..120,
    ) {
        let last = date(year, month, day.min(length_of(year, month)));
        let next = Interval::parse(&format!("{months} months")).unwrap().after(last);
        let counted = year * 12 + i16::from(month) - 1 + months;
        let (there, then) = (counted / 12, (counted % 12 + 1) as i8);
        prop_assert_eq!((next.year(), next.month()), (there, then));
        prop_assert_eq!(next.day(), last.day().min(length_of(there, then)));
    }

    #[test]
    fn days_until_are_days_on_the_calendar(start in 0_i32..60_000, days in 1_i32..2000, later in 0_i32..4000) {
        use jiff::ToSpan;
        let last = date(1990, 1, 1).checked_add(start.days()).unwrap();
        let site = with(&format!("[[service]]\nwhat = \"lamp\"\nevery = \"{days} d\"\nlast = \"{last}\"\n"));
        let found = &due(&site, last.checked_add(later.days()).unwrap())[0];
        prop_assert_eq!(found.due_in_days, Some(i64::from(days - later)));
        prop_assert_eq!(found.overdue_days(), (later > days).then(|| i64::from(later - days)));
    }

    #[test]
    fn no_interval_makes_it_panic(text in "\\PC{0,20}") {
        if let Some(interval) = Interval::parse(&text) {
            let _ = interval.after(Date::MAX);
        }
    }
}

// --- meters ----------------------------------------------------------------------------------------------

fn unit(word: &str) -> &'static Unit {
    Unit::parse(word).expect("a unit")
}

fn solution(text: &str) -> Solution {
    Solution::parse(text).expect("a solution")
}

fn accuracy(text: &str) -> Option<Accuracy> {
    Some(Accuracy::parse(text, Quantity::Conductivity).expect("an accuracy"))
}

fn check(
    reading: f64,
    in_solution: &str,
    temperature: f64,
    settings: &MeterSettings,
) -> MeterCheck {
    check_meter(
        reading,
        unit("uS/cm"),
        solution(in_solution),
        temperature,
        settings,
    )
    .expect("a check")
}

#[test]
fn the_published_standards_are_what_a_plain_meter_should_show() {
    // CRC Handbook of Chemistry and Physics (Pratt et al. 2001; Wu, Koch and Pratt), as in tests/published.
    let plain = MeterSettings {
        compensated: false,
        ..MeterSettings::default()
    };
    for (standard, temperature, published) in [
        ("KCl 0.01 mol/kg", 5.0, 890.96),
        ("KCl 0.01 mol/kg", 20.0, 1273.03),
        ("KCl 0.01 mol/kg", 25.0, 1408.23),
        ("KCl 0.1 mol/kg", 25.0, 12_824.6),
        ("potassium chloride 1 mol/kg", 25.0, 108_620.0),
    ] {
        let found = check(1.02 * published, standard, temperature, &plain);
        assert!(
            (found.expected / published - 1.0).abs() < 1e-12,
            "{standard}"
        );
        assert!((found.off - 0.02).abs() < 1e-12 && (found.factor - 1.02).abs() < 1e-12);
        assert_eq!(found.verdict, MeterVerdict::NoAccuracy);
    }
    // By one that compensates with 0.020, the same solution at 20 degC: 1273.03/0.9.
    let found = check(1414.0, "KCl 0.01 mol/kg", 20.0, &MeterSettings::default());
    assert!((found.expected - 1273.03 / 0.9).abs() < 1e-9);
    assert_eq!(found.sources[0].0, "the meter's temperature compensation");
    let known = MeterSettings {
        alpha_per_degc: Some(0.0191),
        ..MeterSettings::default()
    };
    let found = check(1414.0, "KCl 0.01 mol/kg", 20.0, &known);
    assert!((found.expected - 1273.03 / (1.0 - 5.0 * 0.0191)).abs() < 1e-9);
    assert!(found.off_u < 1e-3, "{}", found.off_u);
}

#[test]
fn a_label_is_brought_to_the_solutions_temperature() {
    let plain = MeterSettings {
        compensated: false,
        ..MeterSettings::default()
    };
    assert_eq!(check(1300.0, "1413 uS/cm", 25.0, &plain).off_u, 0.0);
    assert!((check(1300.0, "1.413 mS/cm", 20.0, &plain).expected - 1413.0 * 0.9).abs() < 1e-9);
    let there = check(1278.0, "1278 uS/cm at 68 degF", 20.0, &plain);
    assert!(there.off.abs() < 1e-12 && there.off_u < 1e-12, "{there:?}");
    // A compensated meter in a label's solution: what both get wrong alike cancels in the middle, not in the u.
    let found = check(1413.0, "1413 uS/cm", 20.0, &MeterSettings::default());
    assert!((found.expected - 1413.0).abs() < 1e-9 && found.off_u > 0.003);
    let ppm = check_meter(
        975.0,
        unit("ppm"),
        solution("1000 ppm"),
        25.0,
        &MeterSettings::default(),
    );
    assert!((ppm.expect("a check").off + 0.025).abs() < 1e-12);
}

#[test]
fn a_verdict_is_given_where_the_solution_is_known_well_enough() {
    let settings = MeterSettings {
        accuracy: accuracy("2 % of reading"),
        solution_accuracy: accuracy("1 % of reading"),
        ..MeterSettings::default()
    };
    let verdict = |off: f64| check(1413.0 * (1.0 + off), "1413 uS/cm", 25.0, &settings).verdict;
    assert_eq!(verdict(0.0), MeterVerdict::Within);
    assert_eq!(verdict(0.019), MeterVerdict::Untold);
    assert_eq!(verdict(-0.021), MeterVerdict::Untold);
    assert_eq!(verdict(0.035), MeterVerdict::Outside);
    // At the very edge it is a toss: half on each side.
    let edge = check(1413.0 * 1.02, "1413 uS/cm", 25.0, &settings)
        .probability
        .expect("one");
    assert!((edge - 0.5).abs() < 1e-3, "{edge}");
    // Where nothing is uncertain, it is one or the other.
    let sure = MeterSettings {
        solution_accuracy: None,
        ..settings
    };
    assert_eq!(
        check(1413.0 * 1.0199, "1413 uS/cm", 25.0, &sure).probability,
        Some(1.0)
    );
    assert_eq!(
        check(1413.0 * 1.0201, "1413 uS/cm", 25.0, &sure).probability,
        Some(0.0)
    );
    let untold = check(1413.0 * 1.019, "1413 uS/cm", 25.0, &settings);
    assert!(
        untold
            .advice
            .iter()
            .any(|advice| advice.contains("comes from the solution")),
        "{untold:?}"
    );
    let outside = check(1500.0, "1413 uS/cm", 25.0, &settings);
    assert!(outside.advice.join(" ").contains("as its manual says"));
    assert!(outside.advice.join(" ").contains("1.0616 times"));
    let before = MeterSettings {
        previous: Some(0.01),
        ..settings
    };
    let drift = check(1413.0 * 1.03, "1413 uS/cm", 25.0, &before);
    assert!((drift.drift.expect("one") - 0.02).abs() < 1e-12);
    assert!(
        drift.sentence.contains("moved by +2.00 %"),
        "{}",
        drift.sentence
    );
}

#[test]
fn what_can_not_be_checked_is_refused() {
    let refused = |reading, word, text, temperature, settings: &MeterSettings| {
        Solution::parse(text)
            .map_err(|fault| Error::Site(fault.into()))
            .and_then(|solution| check_meter(reading, unit(word), solution, temperature, settings))
            .expect_err(text)
            .to_string()
    };
    let plain = MeterSettings::default();
    for (word, text, temperature, expected) in [
        (
            "ppm",
            "KCl 0.01 mol/kg",
            25.0,
            "a meter that shows concentration, in a solution that states conductivity",
        ),
        ("uS/cm", "1000 ppm", 25.0, "switch the meter"),
        (
            "uS/cm",
            "KCl 0.02 mol/kg",
            25.0,
            "one of: 0.01, 0.1, 1 mol/kg",
        ),
        ("uS/cm", "KCl 0.01 M", 25.0, "not a calibration solution"),
        ("uS/cm", "salt", 25.0, "not a calibration solution"),
        ("uS/cm", "0 uS/cm", 25.0, "not a calibration solution"),
        (
            "uS/cm",
            "1413 uS/cm at 20",
            25.0,
            "not a calibration solution",
        ),
        ("uS/cm", "KCl 1 mol/kg", 20.0, "25 to 25 degC"),
        ("uS/cm", "1413 uS/cm", 60.0, "0 to 50 degC"),
        (
            "uS/cm",
            "1413 uS/cm",
            f64::NAN,
            "temperature, 'NaN': missing",
        ),
        ("gpm", "1413 uS/cm", 25.0, "a meter that shows flow"),
    ] {
        let found = refused(1413.0, word, text, temperature, &plain);
        assert!(found.contains(expected), "{expected}\nin {found}");
    }
    assert!(refused(f64::NAN, "uS/cm", "1413 uS/cm", 25.0, &plain).contains("reading, 'NaN'"));
    assert!(refused(-1.0, "uS/cm", "1413 uS/cm", 25.0, &plain).contains("reading is -1"));
    for (settings, expected) in [
        (
            MeterSettings {
                level: 1.0,
                ..plain
            },
            "level, '1'",
        ),
        (
            MeterSettings {
                level: f64::NAN,
                ..plain
            },
            "level",
        ),
        (
            MeterSettings {
                previous: Some(15.0),
                ..plain
            },
            "previous, '15'",
        ),
        (
            MeterSettings {
                alpha_per_degc: Some(2.0),
                ..plain
            },
            "0.01 to 0.03 per degC",
        ),
        (
            MeterSettings {
                alpha_per_degc: Some(0.02),
                compensated: false,
                ..plain
            },
            "belongs to a meter that compensates",
        ),
    ] {
        let found = refused(1413.0, "uS/cm", "1413 uS/cm", 25.0, &settings);
        assert!(found.contains(expected), "{expected}\nin {found}");
    }
}

proptest! {
    #[test]
    fn no_solution_makes_it_panic(text in "\\PC{0,30}", reading in proptest::num::f64::ANY) {
        if let Ok(solution) = Solution::parse(&text) {
            let _ = check_meter(reading, unit("uS/cm"), solution, 25.0, &MeterSettings::default());
        }
    }

    #[test]
    fn a_meter_is_off_by_what_it_is_off_by(factor in 0.5_f64..1.5, temperature in 0.0_f64..35.0) {
        let found = check(100.0, "KCl 0.01 mol/kg", temperature, &MeterSettings::default());
        let again = check(factor * found.expected, "KCl 0.01 mol/kg", temperature, &MeterSettings::default());
        prop_assert!((again.factor / factor - 1.0).abs() < 1e-12);
        prop_assert!(again.off_u >= 0.0004 * factor);
    }
}

// --- the record ------------------------------------------------------------------------------------------

const COLUMNS: [(&str, &str); 8] = [
    ("feed_temperature [degC]", "15"),
    ("feed_pressure [bar]", "16"),
    ("concentrate_pressure [bar]", "14.5"),
    ("permeate_pressure [bar]", "0.6"),
    ("permeate_flow [m3/h]", "45"),
    ("concentrate_flow [m3/h]", "15"),
    ("feed_conductivity [uS/cm]", "4000"),
    ("permeate_conductivity [uS/cm]", "50"),
];

fn plant(more: &str) -> Site {
    site(&format!(
        "stage = [{{ vessels = 10, elements_per_vessel = 6 }}]\nreference.kind = \"baseline\"\n\
         salinity.tds_per_conductivity.feed = 0.5\nsalinity.tds_per_conductivity.permeate = 0.5\n{more}"
    ))
}

/// A log of these hours since midnight, without a column, with cells taken out and the hours at which it stood.
fn log(
    hours: &[f64],
    without: &str,
    empty: &dyn Fn(&str, f64) -> bool,
    stopped: Option<&[f64]>,
) -> Log {
    let columns: Vec<&(&str, &str)> = COLUMNS
        .iter()
        .filter(|(name, _)| !name.starts_with(without))
        .collect();
    let columns = if without.is_empty() {
        COLUMNS.iter().collect()
    } else {
        columns
    };
    let mut text = "time".to_owned();
    for (name, _) in &columns {
        text += &format!(",{name}");
    }
    text += if stopped.is_some() {
        ",running\n"
    } else {
        "\n"
    };
    for hour in hours {
        let minutes = (hour * 60.0).round() as u32;
        let (days, minutes) = (minutes / 1440, minutes % 1440);
        text += &format!(
            "2026-03-{:02}T{:02}:{:02}Z",
            1 + days,
            minutes / 60,
            minutes % 60
        );
        for (name, value) in &columns {
            text += &format!(",{}", if empty(name, *hour) { "" } else { value });
        }
        if let Some(stopped) = stopped {
            text += if stopped.contains(hour) {
                ",false"
            } else {
                ",true"
            };
        }
        text += "\n";
    }
    read(text, &ReadOptions::default()).expect("a log that is right")
}

fn full(_: &str, _: f64) -> bool {
    false
}

fn of<'a>(found: &'a Completeness, quantity: &str) -> &'a Met {
    let met = found
        .requirements
        .iter()
        .find(|met| met.requirement.quantity.starts_with(quantity));
    met.expect(quantity)
}

/// Every four hours of ten days, to the last midnight.
fn ten_days() -> Vec<f64> {
    (0..=60).map(|at| 4.0 * f64::from(at)).collect()
}

#[test]
fn a_full_log_keeps_what_a_log_can_keep() {
    let found = completeness(&log(&ten_days(), "", &full, Some(&[])), &plant(""));
    assert_eq!(found.requirements.len(), REQUIREMENTS.len());
    assert!(found.refusals.is_empty(), "{:?}", found.refusals);
    for met in &found.requirements {
        let here = met.requirement.ways.iter().any(|way| {
            way.iter().all(|column| {
                *column == Column::Running
                    || COLUMNS
                        .iter()
                        .any(|(name, _)| name.starts_with(&format!("{} ", column.name())))
            })
        });
        if here {
            assert_eq!(met.verdict, Verdict::Kept, "{}", met.requirement.quantity);
            assert_eq!(
                (met.asked, met.held, met.longest_gap_h),
                (30, 30, Some(4.0))
            );
            assert_eq!(met.cost, "");
        } else if met.requirement.ways.is_empty()
            && met.requirement.quantity != "calibration of the meters"
        {
            assert_eq!(
                met.verdict,
                Verdict::NotJudged,
                "{}",
                met.requirement.quantity
            );
            assert!(met.cost.contains(met.requirement.loss));
        } else {
            assert_eq!(
                met.verdict,
                Verdict::Missing,
                "{}",
                met.requirement.quantity
            );
        }
    }
    assert_eq!(of(&found, "concentrate conductivity").held, 0);
}

#[test]
fn known_gaps_give_the_known_shares() {
    // Pressure is empty from the start of day 4 to the end of day 5: six of thirty shifts.
    let gap =
        |name: &str, hour: f64| name.starts_with("feed_pressure") && (72.0..120.0).contains(&hour);
    let found = completeness(&log(&ten_days(), "", &gap, None), &plant(""));
    let met = of(&found, "feed pressure");
    assert_eq!(
        (met.verdict, met.asked, met.held),
        (Verdict::Partly, 30, 24)
    );
    // From 68 h, the last reading before, to 120 h.
    assert_eq!(met.longest_gap_h, Some(52.0));
    assert!(
        met.cost
            .contains("12 of 61 rows of the running unit are set aside"),
        "{}",
        met.cost
    );
    assert!(met.refused.is_empty());
    assert_eq!(of(&found, "feed temperature").verdict, Verdict::Kept);
    // The pressure drop is of both gauges, and so lacks it too.
    assert_eq!(of(&found, "concentrate pressure").held, 24);
    assert!(found.assumed.contains("no running column"));

    // No rows at all on days 3 and 4: 18 of 24 shifts of an eight-day log.
    let hours: Vec<f64> = ten_days()
        .into_iter()
        .filter(|hour| *hour <= 192.0 && !(48.0..96.0).contains(hour))
        .collect();
    let met = completeness(&log(&hours, "", &full, None), &plant(""));
    let met = of(&met, "permeate flow");
    assert_eq!(
        (met.asked, met.held, met.longest_gap_h),
        (24, 18, Some(52.0))
    );
}

#[test]
fn a_stopped_unit_is_asked_for_nothing() {
    // It stands from the start of day 4 to the end of day 5, and nothing is written down then.
    let stood: Vec<f64> = ten_days()
        .into_iter()
        .filter(|hour| (72.0..120.0).contains(hour))
        .collect();
    let gap = |_: &str, hour: f64| (72.0..120.0).contains(&hour);
    let found = completeness(&log(&ten_days(), "", &gap, Some(&stood)), &plant(""));
    let met = of(&found, "feed pressure");
    assert_eq!((met.verdict, met.asked, met.held), (Verdict::Kept, 24, 24));
    assert_eq!(met.longest_gap_h, Some(4.0));
    assert_eq!(met.cost, "");
    // It stopped an hour into a shift: one that ran for less than half of it isn't asked for.
    let hours = [0.0, 8.0, 9.0, 16.0, 24.0];
    let found = completeness(&log(&hours, "", &full, Some(&[9.0])), &plant(""));
    assert_eq!(of(&found, "feed pressure").asked, 2);
    // A reading of a stopped unit is no reading.
    let late = |_: &str, hour: f64| hour != 9.0;
    let found = completeness(&log(&hours, "", &late, Some(&[9.0])), &plant(""));
    assert_eq!(of(&found, "feed pressure").held, 0);
}

proptest! {
    #[test]
    fn shifts_are_those_counted_hour_by_hour(
        rows in proptest::collection::btree_map(0_usize..240, (any::<bool>(), any::<bool>()), 2..40),
    ) {
        let hours: Vec<f64> = rows.keys().map(|hour| *hour as f64).collect();
        let of = |hour: f64| rows[&(hour as usize)];
        let stopped: Vec<f64> = hours.iter().copied().filter(|hour| !of(*hour).0).collect();
        let empty = |name: &str, hour: f64| name.starts_with("feed_pressure") && !of(hour).1;
        let found = completeness(&log(&hours, "", &empty, Some(&stopped)), &plant(""));
        let met = self::of(&found, "feed pressure");
        // From the first row to the last, each hour as the row before it says.
        let (first, last) = (hours[0] as usize, hours[hours.len() - 1] as usize);
        let (mut ran, mut held) = ([0; 31], [false; 31]);
        let (mut runs, mut without, mut longest) = (false, 0, 0);
        // The log's own first row opens the first day.
        let shift = |hour: usize| (hour - first / 24 * 24) / 8;
        for hour in first..=last {
            if let Some((running, has)) = rows.get(&hour) {
                runs = *running;
                if *running && *has {
                    held[shift(hour)] = true;
                    without = 0;
                }
            }
            if runs && hour < last {
                ran[shift(hour)] += 1;
                without += 1;
                longest = longest.max(without);
            }
        }
        let asked: Vec<usize> = (0..31).filter(|shift| ran[*shift] > 4).collect();
        prop_assert_eq!(met.asked, asked.len() as u64);
        prop_assert_eq!(met.held, asked.iter().filter(|shift| held[**shift]).count() as u64);
        prop_assert_eq!(met.longest_gap_h, Some(f64::from(longest)));
    }
}

#[test]
fn each_missing_column_is_found_with_its_cost() {
    let all = "permeate_flow, salt_passage, differential_pressure, membrane_model";
    for (without, quantity, refused) in [
        ("feed_temperature", "feed temperature", all),
        ("feed_pressure", "feed pressure", all),
        ("concentrate_pressure", "concentrate pressure", all),
        ("permeate_pressure", "permeate pressure", all),
        ("permeate_flow", "permeate flow", all),
        ("concentrate_flow", "concentrate flow", all),
        ("feed_conductivity", "feed conductivity", all),
        ("permeate_conductivity", "permeate conductivity, or", all),
    ] {
        let found = completeness(&log(&ten_days(), without, &full, None), &plant(""));
        let met = of(&found, quantity);
        assert_eq!((met.verdict, met.held), (Verdict::Missing, 0), "{without}");
        assert!(
            met.cost.contains(&format!("Refused: {refused} (")),
            "{without}: {}",
            met.cost
        );
        assert!(met.cost.contains(met.requirement.loss), "{without}");
        assert!(
            met.cost.contains("neither in the log nor to be worked out"),
            "{}",
            met.cost
        );
    }
}

#[test]
fn an_assumption_costs_what_needs_the_reading() {
    let site =
        plant("assume.differential_pressure = \"1.5 bar\"\nassume.permeate_pressure = \"0 bar\"");
    let columns = |name: &str| name.starts_with("permeate_pressure");
    let log = log(&ten_days(), "concentrate_pressure", &full, None);
    let mut log = log;
    log.table.series.retain(|series| !columns(&series.name));
    let found = completeness(&log, &site);
    let drop = of(&found, "concentrate pressure");
    assert_eq!(drop.verdict, Verdict::Missing);
    assert_eq!(
        drop.refused
            .iter()
            .map(|analysis| analysis.name())
            .collect::<Vec<_>>(),
        ["differential_pressure"]
    );
    assert!(drop.cost.starts_with("Refused: differential_pressure (differential_pressure: only assumed). In permeate_flow, salt_passage, membrane_model 1.5 bar (site file) stands for it in every row"), "{}", drop.cost);
    assert!(drop.cost.contains("scaling in the tail"));
    let back = of(&found, "permeate pressure");
    assert!(
        back.refused.is_empty() && back.cost.contains("0 bar (site file) stands for it"),
        "{}",
        back.cost
    );
    // A reading that is there, but can't be turned into salt, is kept and costs all the same.
    let bare = site
        .text
        .replace("salinity.tds_per_conductivity.feed = 0.5", "");
    let found = completeness(&log, &Site::parse(&bare).expect("a site"));
    let feed = of(&found, "feed conductivity");
    assert_eq!(feed.verdict, Verdict::Kept);
    assert!(
        feed.cost
            .starts_with("Refused: permeate_flow, salt_passage"),
        "{}",
        feed.cost
    );
}

#[test]
fn stages_that_the_log_does_not_tell_apart_are_kept_in_part() {
    let stages = "stage = [{ vessels = 2, elements_per_vessel = 3 }, { vessels = 1, elements_per_vessel = 3 }]";
    let text = plant("").text.replace(
        "stage = [{ vessels = 10, elements_per_vessel = 6 }]",
        stages,
    );
    let two = Site::parse(&text).expect("a site");
    let found = completeness(&log(&ten_days(), "", &full, None), &two);
    let flow = of(&found, "permeate flow");
    assert_eq!(
        (flow.verdict, flow.asked, flow.held),
        (Verdict::Partly, 30, 30)
    );
    assert!(flow.cost.contains("asked of each stage"));
    assert_eq!(of(&found, "feed temperature").verdict, Verdict::Kept);
    assert!(
        found
            .refusals
            .iter()
            .any(|why| why.contains("doesn't tell them apart")),
        "{:?}",
        found.refusals
    );
    // A log of the first stage alone.
    let rows: Vec<String> = ten_days()
        .iter()
        .map(|hour| {
            format!(
                "2026-03-{:02}T{:02}:00Z,1,45",
                1 + (*hour as u32) / 24,
                (*hour as u32) % 24
            )
        })
        .collect();
    let one = read(
        format!("time,stage,permeate_flow [m3/h]\n{}\n", rows.join("\n")),
        &ReadOptions::default(),
    )
    .expect("a log");
    let found = completeness(&one, &two);
    let flow = of(&found, "permeate flow");
    assert_eq!(
        (flow.verdict, flow.asked, flow.held),
        (Verdict::Partly, 60, 30)
    );
    assert!(
        found
            .assumed
            .contains("Stages of the site file that the log has nothing of")
    );
}

#[test]
fn calibrations_are_those_that_the_site_file_tells() {
    // Of eight meters two in time: the log ends on 2026-03-11.
    let site = plant(
        r#"
        instruments.feed_pressure.calibrated_on = "2025-12-11"
        instruments.permeate_pressure.calibrated_on = "2025-12-10"
        [[service]]
        what = "calibration"
        of = "permeate_flow"
        every = "3 months"
        last = "2026-02-20"
        "#,
    );
    let found = completeness(&log(&ten_days(), "", &full, None), &site);
    let met = of(&found, "calibration");
    assert_eq!((met.verdict, met.asked, met.held), (Verdict::Partly, 8, 2));
    assert!(
        met.cost.contains("permeate_pressure") && !met.cost.contains(" feed_pressure"),
        "{}",
        met.cost
    );
}

#[test]
fn a_log_too_short_to_judge_says_so() {
    for hours in [&[3.0][..], &[3.0, 4.0][..]] {
        let found = completeness(&log(hours, "", &full, None), &plant(""));
        assert_eq!(of(&found, "feed pressure").verdict, Verdict::NotJudged);
        assert_eq!(
            of(&found, "concentrate conductivity").verdict,
            Verdict::Missing
        );
    }
    // Nearly all the years there are, in two rows.
    let log = read(
        "time,permeate_flow [m3/h]\n-009000-01-01T00:00Z,1\n9000-01-01T00:00Z,1\n",
        &ReadOptions::default(),
    );
    let met = completeness(&log.expect("a log"), &plant(""));
    let flow = of(&met, "permeate flow");
    assert!(flow.held == 1 && flow.asked > 10_000_000, "{flow:?}");
}

// --- what a site's log is made of ------------------------------------------------------------------------

#[test]
fn columns_are_the_sites_own_in_its_own_units() {
    let names = |site: &Site| -> Vec<String> {
        site.log_columns()
            .iter()
            .map(|column| format!("{} {}", column.column.name(), column.unit.word))
            .collect()
    };
    let plain = names(&plant(""));
    let expected = COLUMNS.map(|(name, _)| name.replace(['[', ']'], ""));
    assert_eq!(plain[..8], expected);
    assert_eq!(plain[8..], ["running "]);
    let own = plant(
        r#"
        assume.permeate_pressure = "5 psi"
        recycle.returns_to = "feed"
        limits.feed_temperature = { high = "95 degF" }
        [instruments]
        permeate_flow = { accuracy = "2 % of 8 gpm" }
        differential_pressure = { accuracy = "1 kPa" }
        feed_tds = { accuracy = "2 % of reading" }
        feed_ph = { accuracy = "0.1" }
        "#,
    );
    assert_eq!(
        names(&own),
        [
            "feed_temperature degF",
            "feed_pressure kPa",
            "differential_pressure kPa",
            "permeate_flow gpm",
            "concentrate_flow gpm",
            "recycle_flow gpm",
            "permeate_conductivity uS/cm",
            "feed_tds mg/L",
            "feed_ph ",
            "running ",
        ]
    );
    let accuracy = own.accuracy_in(Column::PermeateFlow, unit("gpm"));
    assert_eq!(accuracy.as_deref(), Some("0.16 gpm"));
    assert_eq!(
        own.accuracy_in(Column::FeedTds, unit("mg/L")).as_deref(),
        Some("2 % of reading")
    );
    assert_eq!(own.accuracy_in(Column::FeedFlow, unit("gpm")), None);
}
