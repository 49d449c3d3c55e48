use proptest::prelude::*;

use super::*;
use crate::membrane::operate::{Drain, Drive};

/// A small unit with a concentrate that can be recycled, its gauges and its limits.
const SMALL: &str = r#"
[site]
name = "Small unit"
[element]
area = "85 ft2"
length = "40 in"
feed_spacer_thickness = "31 mil"
rated_permeate_flow = "2400 gpd"
rated_rejection = "99.5 %"
test_pressure = "225 psi"
test_temperature = "77 degF"
test_feed_tds = "2000 mg/L"
test_recovery = "15 %"
[element.limits]
flux = "24 gfd"
recovery = "15 %"
differential_pressure = "10 psi"
feed_flow = "16 gpm"
concentrate_flow = "3 gpm"
[[stage]]
vessels = 1
elements_per_vessel = 3
[recycle]
returns_to = "feed"
[temperature]
law = "arrhenius"
constant = "2700 K"
[salinity]
basis = "sodium-chloride"
[salinity.tds_per_conductivity]
feed = 0.5
permeate = 0.47
accuracy = "3 %"
[reference]
kind = "baseline"
[assume]
permeate_pressure = "3 psi"
[instruments]
feed_pressure = { accuracy = "2 % of 200 psi", resolution = "5 psi" }
permeate_flow = { accuracy = "3 % of 5 gpm", resolution = "0.1 gpm" }
concentrate_flow = { accuracy = "3 % of 5 gpm", resolution = "0.1 gpm" }
recycle_flow = { accuracy = "3 % of 10 gpm", resolution = "0.25 gpm" }
feed_temperature = { accuracy = "1 degF" }
feed_conductivity = { accuracy = "2 % of reading" }
[settings]
permeate_flow = "2.8 gpm"
recovery = "60 %"
[limits]
feed_pressure = { high = "150 psi" }
recovery = { high = "75 %" }
feed_temperature = { low = "35 degF", high = "100 degF" }
"#;

const GPM: f64 = 0.227_124_707_04;
const PSI: f64 = 0.068_947_572_93;

fn small() -> Site {
    Site::parse(SMALL).unwrap()
}

fn day(feed_temperature: f64) -> Day {
    Day {
        feed_temperature,
        feed_tds: Some(500.0),
        ..Day::default()
    }
}

fn beyond(found: &Settings) -> Vec<String> {
    found
        .held
        .iter()
        .filter(|held| {
            let off = if held.bound.is_high {
                held.worst - held.bound.limit
            } else {
                held.bound.limit - held.worst
            };
            !(off <= 1e-8 * held.bound.limit)
        })
        .map(|held| held.bound.of.words())
        .collect()
}

#[test]
fn warm_water_gives_what_is_wanted() {
    let found = settings(&small(), &day(25.0), 0.9).unwrap();
    let run = &found.run;
    assert!(found.stops_flow.is_empty(), "{:?}", found.stops_flow);
    // As near as the marks of a gauge of 5 psi are.
    assert!((run.working.permeate_flow / (2.8 * GPM) - 1.0).abs() < 0.03);
    assert!((run.working.recovery - 0.6).abs() < 0.03, "{run:?}");
    // Three elements at 60 % can't hold 15 % each without recycle.
    let recycle = found.recycle_flow.unwrap();
    assert!(recycle.value > 2.0 * GPM);
    assert!(beyond(&found).is_empty(), "{:?}", beyond(&found));
    for set in [found.feed_pressure, found.concentrate_flow, recycle] {
        let steps = set.gauge.unit.from_canonical(set.value)
            / set
                .gauge
                .unit
                .difference_from_canonical(set.gauge.resolution.unwrap());
        assert!((steps - steps.round()).abs() < 1e-9);
    }
    let (low, high) = found.recovery_range;
    assert!(low < run.working.recovery && run.working.recovery < high && high < 0.75);
}

#[test]
fn cold_water_is_stopped_by_the_pressure_limit_and_no_gauge_breaks_it() {
    let site = small();
    let found = settings(&site, &day(3.0), 0.9).unwrap();
    assert_eq!(found.stops_flow, vec![Of::FeedPressure]);
    assert!(found.run.working.permeate_flow < 2.3 * GPM);
    let pressure = found.feed_pressure;
    let most = pressure.value + pressure.gauge.doubt(pressure.value);
    assert!(most <= 150.0 * PSI * (1.0 + 1e-9), "{}", most / PSI);
    // One mark more would.
    assert!(most + 5.0 * PSI > 150.0 * PSI);
    assert!(beyond(&found).is_empty(), "{:?}", beyond(&found));
}

#[test]
fn a_unit_that_cannot_recycle_gives_up_recovery() {
    let text = SMALL.replace("[recycle]\nreturns_to = \"feed\"\n", "");
    let found = settings(&Site::parse(&text).unwrap(), &day(25.0), 0.9).unwrap();
    assert!(found.recycle_flow.is_none());
    assert!(found.run.working.recovery < 0.45);
    assert!(
        found.stops_recovery.contains(&Of::ElementRecovery)
            || found.stops_recovery.contains(&Of::VesselConcentrateFlow),
        "{:?}",
        found.stops_recovery
    );
    assert!(beyond(&found).is_empty(), "{:?}", beyond(&found));
}

#[test]
fn limits_that_cannot_be_kept_together_are_refused_by_name() {
    let text = SMALL.replace("feed_flow = \"16 gpm\"", "feed_flow = \"2.5 gpm\"");
    let refused = settings(&Site::parse(&text).unwrap(), &day(25.0), 0.9).unwrap_err();
    assert!(matches!(refused, Error::Settings(_)));
    assert!(
        refused.to_string().contains("feed flow of a vessel"),
        "{refused}"
    );
}

#[test]
fn what_is_missing_is_named_all_at_once() {
    let text = SMALL
        .replace("permeate_flow = \"2.8 gpm\"\nrecovery = \"60 %\"\n", "")
        .replace("test_feed_tds = \"2000 mg/L\"\n", "");
    let day = Day {
        feed_temperature: 15.0,
        ..Day::default()
    };
    let refused = settings(&Site::parse(&text).unwrap(), &day, 0.9).unwrap_err();
    let faults = refused.faults();
    let columns: Vec<&str> = faults
        .iter()
        .filter_map(|fault| fault.column.as_deref())
        .collect();
    assert_eq!(
        columns,
        [
            "feed_tds",
            "permeate_flow",
            "recovery",
            "[element] test_feed_tds"
        ]
    );
}

#[test]
fn recycling_salty_water_is_warned_of() {
    let salty = Day {
        feed_tds: Some(1200.0),
        ..day(25.0)
    };
    let found = settings(&small(), &salty, 0.9).unwrap();
    assert!(found.warnings.iter().any(|text| text.contains("recycled")));
    let found = settings(&small(), &day(25.0), 0.9).unwrap();
    assert!(found.warnings.is_empty(), "{:?}", found.warnings);
}

#[test]
fn the_alarm_is_above_what_is_expected_and_warm_water_reaches_it_where_told() {
    let site = small();
    let found = settings(&site, &day(10.0), 0.9).unwrap();
    let alarm = found.alarm;
    assert!((alarm.permeate_tds / alarm.expected.0 - 1.5).abs() < 1e-12);
    let warm = alarm.reached_at.expect("before 100 degF");
    assert!((12.0..38.0).contains(&warm), "{warm}");
    let train = Train::new(&site, None).unwrap();
    let case = Operation {
        temperature: warm,
        drain: Drain::Recovery,
        drain_value: found.run.working.recovery,
        drive: Drive::PermeateFlow,
        drive_value: found.run.working.permeate_flow,
        ..found.operation
    };
    let there = train.work(&[found.membrane], &[case]).unwrap()[0];
    assert!((there.permeate_tds / alarm.permeate_tds - 1.0).abs() < 1e-6);
}

#[test]
fn a_scale_that_binds_lowers_the_recovery() {
    let hard = "\n[water]\nph = 7.5\nalkalinity = \"220 mg/L\"\ncalcium = \"90 mg/L\"\nsilica = \"35 mg/L\"\ntds = \"500 mg/L\"\n\
                [scaling]\nlimits = \"antiscalant\"\n";
    let site = Site::parse(&format!("{SMALL}{hard}")).unwrap();
    let wanted = Day {
        recovery: Some(0.74),
        ..day(15.0)
    };
    let plain = settings(&small(), &wanted, 0.9).unwrap();
    let found = settings(&site, &wanted, 0.9).unwrap();
    let binding = found.scaling.as_ref().unwrap().binding().unwrap().clone();
    assert_eq!(binding.scale.name(), "silica");
    assert!(found.stops_recovery.contains(&Of::Scale("silica")));
    // With gauges off by all they may be.
    assert!(found.recovery_range.1 <= binding.recovery * (1.0 + 1e-9));
    assert!(found.run.working.recovery < plain.run.working.recovery);
    let cells = super::map::map(
        &site,
        &Day {
            recycle_flow: Some(1.5),
            ..wanted
        },
        &[15.0],
        &[500.0],
        &[binding.recovery - 0.01, binding.recovery + 0.01],
    )
    .unwrap();
    assert!(cells[0].is_allowed(), "{:?}", cells[0]);
    assert_eq!(cells[1].broken, Some(Of::Scale("silica")));
}

#[test]
fn the_map_says_what_settings_say() {
    let site = small();
    let day = Day {
        recycle_flow: Some(6.0 * GPM),
        ..day(20.0)
    };
    let (temperatures, salts, recoveries) = ([3.0, 25.0], [500.0, 3000.0], [0.4, 0.6, 0.78]);
    let cells = super::map::map(&site, &day, &temperatures, &salts, &recoveries).unwrap();
    assert_eq!(cells.len(), 12);
    let at = |t: usize, s: usize, r: usize| cells[(t * 2 + s) * 3 + r];
    // Above the unit's own limit of recovery.
    assert_eq!(at(1, 0, 2).broken, Some(Of::Recovery));
    assert!(at(0, 0, 1).stopped_by_pressure && !at(1, 0, 1).stopped_by_pressure);
    assert!(at(1, 0, 1).is_allowed(), "{:?}", at(1, 0, 1));
    assert!((at(1, 0, 1).run.working.permeate_flow / (2.8 * GPM) - 1.0).abs() < 1e-9);
    assert!((at(0, 0, 1).run.working.feed_pressure / (150.0 * PSI) - 1.0).abs() < 1e-9);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]

    /// Whatever the gauges are off by within what the site file says, nothing is broken.
    #[test]
    fn no_gauge_error_breaks_a_limit(
        temperature in 3.0..32.0f64,
        tds in 100.0..1500.0f64,
        wanted in 1.0..3.2f64,
        recovery in 0.3..0.74f64,
        off in proptest::array::uniform32(-1.0..1.0f64),
    ) {
        let site = small();
        let day = Day {
            feed_temperature: temperature,
            feed_tds: Some(tds),
            permeate_flow: Some(wanted * GPM),
            recovery: Some(recovery),
            ..Day::default()
        };
        let found = match settings(&site, &day, 0.9) {
            Ok(found) => found,
            // Where a small flow's meter is too coarse there may be none.
            Err(Error::Settings(_)) => return Ok(()),
            Err(other) => panic!("{other}"),
        };
        let train = Train::new(&site, None).unwrap();
        let doubt = |set: &Set| set.gauge.doubt(set.value);
        let cases: Vec<Operation> = off.chunks_exact(4).map(|off| Operation {
            drive_value: found.feed_pressure.value + off[0] * doubt(&found.feed_pressure),
            drain_value: found.concentrate_flow.value + off[1] * doubt(&found.concentrate_flow),
            recycle_flow: found.recycle_flow.map_or(0.0, |set| if set.value > 0.0 {
                (set.value + off[2] * doubt(&set)).max(0.0)
            } else { 0.0 }),
            temperature: temperature + off[3] * 5.0 / 9.0,
            ..found.operation
        }).collect();
        let worked = train.work_with_extremes(&vec![found.membrane; cases.len()], &cases).unwrap();
        for ((working, extremes), case) in worked.into_iter().zip(&cases) {
            let run = Run { working, extremes, recycle_flow: case.recycle_flow };
            for held in &found.held {
                prop_assert!(held.bound.is_kept(&run, -1e-6 * held.bound.limit), "{:?} {:?}", held, run);
            }
        }
    }
}
