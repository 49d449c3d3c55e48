//! Figures and lengths of time in sentences.

use crate::log::show_time;
use crate::log::time::zone_or_utc;
use crate::units::{Quantity, Unit};

/// A figure with four digits.
pub(super) fn figure(value: f64) -> String {
    if value != 0.0 && (value.abs() >= 1e7 || value.abs() < 1e-4) {
        return format!("{value:.3e}").replace('-', "−");
    }
    let rounded = format!("{value:.3e}").parse().unwrap_or(value);
    rounded.to_string().replace('-', "−")
}

/// A canonical figure in a unit; a ratio in per cent.
pub(super) fn with_unit(canonical: f64, unit: &Unit) -> String {
    match (unit.quantity, unit.word) {
        (Quantity::Fraction, _) => format!("{} %", figure(100.0 * canonical)),
        (_, "") => figure(unit.from_canonical(canonical)),
        (_, word) => format!("{} {word}", figure(unit.from_canonical(canonical))),
    }
}

/// A time, ISO 8601 in UTC.
pub(super) fn time(us: i64) -> String {
    show_time(us, &zone_or_utc("UTC")).replace("+00:00", "Z")
}

/// Its day.
pub(super) fn day(us: i64) -> String {
    time(us).get(..10).unwrap_or_default().to_owned()
}

/// A length of time.
pub(super) fn hours(h: f64) -> String {
    if h >= 72.0 {
        format!("{} d", figure(h / 24.0))
    } else if h < 1.0 {
        format!("{} min", figure(60.0 * h))
    } else {
        format!("{} h", figure(h))
    }
}

/// A bound of a probability: "at most 3.1 %", "under 0.1 %".
pub(super) fn at_most(p: f64) -> String {
    if p < 0.001 {
        chance(p)
    } else {
        format!("at most {}", chance(p))
    }
}

/// A sentence with a capital letter.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    match letters.next() {
        // "pH" stays as it is.
        Some(first) if !text.starts_with("pH") => first.to_uppercase().chain(letters).collect(),
        _ => text.to_owned(),
    }
}

/// A probability.
pub(super) fn chance(p: f64) -> String {
    if p < 0.001 {
        "under 0.1 %".to_owned()
    } else if p > 0.999 {
        "over 99.9 %".to_owned()
    } else {
        format!("{:.1} %", 100.0 * p)
    }
}

/// "1 reading", "2 readings".
pub(super) fn count(n: usize, what: &str) -> String {
    if n == 1 {
        format!("1 {what}")
    } else {
        format!("{n} {what}s")
    }
}

/// A name as a person says it.
pub(super) fn spoken(name: &str) -> String {
    name.replace('_', " ")
        .replace("tds", "TDS")
        .replace("sdi", "SDI")
        .replace(" ph", " pH")
}
