//! How strict the screening is: `[screen]` of the site file.

use toml::{Table, Value};

use super::entries::instant;
use super::read::{HOURS, SHARE};
use crate::error::{Fault, Faults, nearest};
use crate::keys::{Keys, wrong};
use crate::screen::{Reasons, ScreenSettings, Span};
use crate::units::Quantity;

const CHANCE: (f64, f64) = (1e-12, 0.1);
const DEVIATIONS: (f64, f64) = (3.0, 100.0);
const CERTAINTY: (f64, f64) = (0.5, 0.9999);

pub(super) fn screen_settings(table: Option<&Table>, faults: &mut Faults) -> ScreenSettings {
    let mut keys = Keys::new("[screen]", table);
    let usual = ScreenSettings::default();
    let mut share = |key, faults: &mut Faults, usual: f64| {
        keys.quantity(key, Quantity::Fraction, SHARE, faults)
            .unwrap_or(usual)
    };
    let spike_share = share("spike_share", faults, usual.spike_share);
    let balance = share("balance", faults, usual.balance);
    let steady_share = share("steady_share", faults, usual.steady_share);
    let sensor_step = share("sensor_step", faults, usual.sensor_step);
    let flush_pressure = keys
        .quantity("flush_pressure", Quantity::Fraction, (0.0, 1.0), faults)
        .unwrap_or(usual.flush_pressure);
    let mut hours = |key, faults: &mut Faults, usual: f64| {
        keys.quantity(key, Quantity::Duration, HOURS, faults)
            .unwrap_or(usual)
    };
    let settle_h = hours("settle", faults, usual.settle_h);
    let steady_window_h = hours("steady_window", faults, usual.steady_window_h);
    let mut number = |key, range, faults: &mut Faults, usual: f64| {
        keys.number(key, range, faults).unwrap_or(usual)
    };
    let stuck_chance = number("stuck_chance", CHANCE, faults, usual.stuck_chance);
    let spike_deviations = number(
        "spike_deviations",
        DEVIATIONS,
        faults,
        usual.spike_deviations,
    );
    let sensor_certainty = number(
        "sensor_certainty",
        CERTAINTY,
        faults,
        usual.sensor_certainty,
    );
    let off = tests(&mut keys, "off", faults).unwrap_or(usual.off);
    let tell = tests(&mut keys, "tell", faults).unwrap_or(usual.tell);
    let set_aside = spans(&mut keys, "set_aside", faults);
    let keep = spans(&mut keys, "keep", faults);
    keys.close(faults);
    ScreenSettings {
        settle_h,
        flush_pressure,
        stuck_chance,
        spike_deviations,
        spike_share,
        balance,
        steady_share,
        steady_window_h,
        sensor_step,
        sensor_certainty,
        off,
        tell,
        set_aside,
        keep,
    }
}

/// Names of tests.
fn tests(keys: &mut Keys<'_>, key: &'static str, faults: &mut Faults) -> Option<Reasons> {
    let place = keys.at(key);
    let value = keys.value(key)?;
    let names = || Reasons::TESTS.iter().map(|(_, name)| *name);
    let Some(words) = value.as_array() else {
        faults.push(wrong(
            &place,
            value,
            "a list of tests: [\"spike\", \"limits\"]",
        ));
        return None;
    };
    let mut found = Reasons::empty();
    for word in words {
        let name = word.as_str().unwrap_or_default();
        match Reasons::test_named(name) {
            Some(test) => found |= test,
            None => {
                let remedy = match nearest(name, names()) {
                    Some(near) => format!("did you mean '{near}'?"),
                    None => format!("one of: {}", names().collect::<Vec<_>>().join(", ")),
                };
                faults.push(
                    Fault::new("not a test", remedy)
                        .at_column(&place)
                        .with_value(
                            word.as_str()
                                .map_or_else(|| word.to_string(), str::to_owned),
                        ),
                );
            }
        }
    }
    Some(found)
}

/// Periods: [{ from = "…", to = "…", why = "…" }].
fn spans(keys: &mut Keys<'_>, key: &'static str, faults: &mut Faults) -> Vec<Span> {
    let place = keys.at(key);
    let Some(value) = keys.value(key) else {
        return Vec::new();
    };
    let right =
        "a list: [{ from = \"2026-03-01T00:00Z\", to = \"2026-03-02T00:00Z\", why = \"…\" }]";
    let tables: Option<Vec<&Table>> = value
        .as_array()
        .and_then(|list| list.iter().map(Value::as_table).collect());
    let Some(tables) = tables else {
        faults.push(wrong(&place, value, right));
        return Vec::new();
    };
    let mut spans = Vec::new();
    for table in tables {
        let mut keys = Keys::new(&place, Some(table));
        let mut time = |key: &'static str, faults: &mut Faults| {
            let at = keys.at(key);
            let value = keys.value(key);
            let value = keys.need(key, value, "\"2026-03-01T00:00Z\"", faults);
            value.and_then(|value| instant(value, &at, faults))
        };
        let (from, to) = (time("from", faults), time("to", faults));
        let why = keys.text("why", faults);
        let why = keys.need("why", why, "\"the reason\"", faults);
        keys.close(faults);
        if let (Some(from_us), Some(to_us), Some(why)) = (from, to, why) {
            if from_us > to_us {
                faults.push(
                    Fault::new("it ends before it begins", "exchange them").at_column(&place),
                );
            }
            spans.push(Span {
                from_us,
                to_us,
                why,
            });
        }
    }
    spans
}
