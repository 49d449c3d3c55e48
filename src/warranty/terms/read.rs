//! The terms file, key by key.

use toml::Table;

use super::guarantee::of_guarantee;
use super::limits::{cleanings, limits};
use super::{LimitOf, Records, Replacements, Terms, after};
use crate::error::{Error, Fault, Faults, nearest};
use crate::keys::{self, Keys, quantity_of, wrong};
use crate::log::Column;
use crate::site::{EventKind, Interval, instant, possible};
use crate::units::Quantity;

const EVERY_H: (f64, f64) = (1.0 / 60.0, 8784.0);

pub(super) fn terms(text: &str) -> Result<Terms, Error> {
    let document =
        keys::document(text, "a terms file").map_err(|fault| Error::Terms(fault.into()))?;
    let mut faults = Faults::default();
    let faults_now = &mut faults;
    let mut file = Keys::new("the file:", Some(&document));
    let mut found = warranty(file.table("warranty", faults_now), faults_now);
    let conditions = file.table("conditions", faults_now);
    let guarantee = file.table("guarantee", faults_now);
    found.guarantee = match (guarantee, conditions) {
        (Some(table), conditions) => of_guarantee(table, conditions, faults_now),
        (None, Some(_)) => {
            faults_now.push(
                Fault::new(
                    "conditions of no guarantee",
                    "add [guarantee], or leave them out",
                )
                .at_column("[conditions]"),
            );
            None
        }
        (None, None) => None,
    };
    if let Some(table) = file.table("limit", faults_now) {
        found.limits = limits(table, faults_now);
        let in_table = table.get("cleanings").and_then(|value| {
            if !value.is_table() {
                let right = "a table: [limit.cleanings]";
                faults_now.push(wrong("[limit.cleanings]", value, right));
            }
            value.as_table()
        });
        (found.cleanings_in_all, found.cleanings_a_year) = cleanings(in_table, faults_now);
    }
    found.records = records(file.table("records", faults_now), faults_now);
    found.exclusions = exclusions(file.table("exclusion", faults_now), faults_now);
    file.close(faults_now);
    conditions_within_limits(&found, faults_now);
    faults.into_result(Error::Terms)?;
    found.text = text.to_owned();
    Ok(found)
}

/// An interval of the calendar.
fn interval(
    keys: &mut Keys<'_>,
    key: &'static str,
    example: &str,
    faults: &mut Faults,
) -> Option<Interval> {
    let place = keys.at(key);
    let value = keys.value(key)?;
    let found = value.as_str().and_then(Interval::parse);
    if found.is_none() {
        let right = format!("days, weeks, months or years, to 50 years: \"{example}\"");
        faults.push(wrong(&place, value, &right));
    }
    found
}

fn time(keys: &mut Keys<'_>, key: &'static str, faults: &mut Faults) -> Option<i64> {
    let place = keys.at(key);
    let value = keys.value(key)?;
    instant(value, &place, faults)
}

fn warranty(table: Option<&Table>, faults: &mut Faults) -> Terms {
    let mut keys = Keys::new("[warranty]", table);
    let name = keys.text("name", faults);
    let name = keys.need("name", name, "\"Example warranty\"", faults);
    let period = interval(&mut keys, "period", "3 years", faults);
    let period = keys.need("period", period, "\"3 years\"", faults);
    let start_up_us = time(&mut keys, "start_up", faults);
    let shipped_us = time(&mut keys, "shipped", faults);
    let start_within = interval(&mut keys, "start_within", "6 months", faults);
    match (keys.given("shipped"), keys.given("start_within")) {
        (true, false) => {
            keys.need::<()>("start_within", None, "\"6 months\"", faults);
        }
        (false, true) => {
            keys.need::<()>("shipped", None, "\"2024-01-10T00:00Z\"", faults);
        }
        (false, false) if !keys.given("start_up") => {
            keys.need::<()>(
                "start_up",
                None,
                "\"2024-03-01T00:00Z\", or shipped and start_within",
                faults,
            );
        }
        _ => {}
    }
    if let (Some(start_up), Some(shipped)) = (start_up_us, shipped_us)
        && start_up < shipped
    {
        faults.push(
            Fault::new(
                "before [warranty] shipped",
                "membranes are used after their shipment: mend one of the two",
            )
            .at_column(keys.at("start_up")),
        );
    }
    let notice = interval(&mut keys, "notice", "30 d", faults);
    let notice_given_us = time(&mut keys, "notice_given", faults);
    if keys.given("notice_given") && !keys.given("notice") {
        keys.need::<()>("notice", None, "\"30 d\"", faults);
    }
    let pro_rata_after = interval(&mut keys, "pro_rata_after", "1 year", faults);
    let replacements = keys.choice("replacements", &Replacements::NAMES, faults);
    let replacements = keys.need("replacements", replacements, "\"refused\"", faults);
    let found = Terms {
        name: name.unwrap_or_default(),
        notes: keys.text("notes", faults),
        train: keys.text("train", faults),
        start_up_us,
        shipped_us,
        start_within,
        // What is missing has a fault of its own: these terms are then refused.
        period: period.unwrap_or(Interval {
            months: 0,
            days: 1,
            text: String::new(),
        }),
        notice,
        notice_given_us,
        pro_rata_after,
        replacements: replacements.unwrap_or(Replacements::Refused),
        guarantee: None,
        limits: Vec::new(),
        cleanings_in_all: None,
        cleanings_a_year: None,
        records: Records {
            every: Vec::new(),
            complete: 1.0,
            calibration: None,
        },
        exclusions: Vec::new(),
        text: String::new(),
    };
    if let Some(full) = &found.pro_rata_after
        && !found.period.text.is_empty()
        && after(found.start_us(), full) > found.end_us()
    {
        faults.push(
            Fault::new(
                "longer than [warranty] period",
                "a shorter time, or leave it out",
            )
            .at_column(keys.at("pro_rata_after"))
            .with_value(full.text.clone()),
        );
    }
    keys.close(faults);
    found
}

fn records(table: Option<&Table>, faults: &mut Faults) -> Records {
    let mut keys = Keys::new("[records]", table);
    let complete = keys.quantity("complete", Quantity::Fraction, (0.01, 1.0), faults);
    let calibration = interval(&mut keys, "calibration", "6 months", faults);
    let of_columns = keys.table("every", faults);
    if of_columns.is_some() {
        keys.need("complete", complete, "\"90 %\"", faults);
    }
    keys.close(faults);
    let measured = |column: &Column| column.quantity() != Quantity::Switch;
    let mut every = Vec::new();
    for (key, value) in of_columns.into_iter().flatten() {
        let place = format!("[records.every] {key}");
        let Some(column) = Column::from_name(key).filter(measured) else {
            let names = Column::ALL
                .iter()
                .filter(|column| measured(column))
                .map(|column| column.name());
            let remedy = match nearest(key, names) {
                Some(near) => format!("did you mean '{near}'?"),
                None => "the name of a log's column".to_owned(),
            };
            faults.push(Fault::new("not a known key", remedy).at_column(place));
            continue;
        };
        if let Some((hours, _)) = quantity_of(value, &place, Quantity::Duration, EVERY_H, faults) {
            every.push((column, hours));
        }
    }
    Records {
        every,
        complete: complete.unwrap_or(1.0),
        calibration,
    }
}

fn exclusions(table: Option<&Table>, faults: &mut Faults) -> Vec<EventKind> {
    let mut keys = Keys::new("[exclusion]", table);
    let place = keys.at("events");
    let value = keys.value("events");
    keys.close(faults);
    let Some(value) = value else {
        return Vec::new();
    };
    let Some(words) = value.as_array() else {
        let right = "a list of kinds of events: [\"pretreatment-change\"]";
        faults.push(wrong(&place, value, right));
        return Vec::new();
    };
    let mut found = Vec::new();
    for word in words {
        let kind = EventKind::NAMES
            .iter()
            .find(|(name, _)| word.as_str() == Some(name));
        match kind {
            Some((_, kind)) => found.push(*kind),
            None => {
                let names: Vec<&str> = EventKind::NAMES.iter().map(|(name, _)| *name).collect();
                let remedy = match nearest(word.as_str().unwrap_or_default(), names.iter().copied())
                {
                    Some(near) => format!("did you mean '{near}'?"),
                    None => format!("one of: {}", names.join(", ")),
                };
                faults.push(
                    Fault::new("not a kind of event", remedy)
                        .at_column(&place)
                        .with_value(word.to_string()),
                );
            }
        }
    }
    found
}

/// A guarantee at conditions that the limits forbid could never be tested.
fn conditions_within_limits(terms: &Terms, faults: &mut Faults) {
    let Some(guarantee) = &terms.guarantee else {
        return;
    };
    let stated = &guarantee.conditions;
    let given = [
        (
            LimitOf::Column(Column::FeedTemperature),
            Some(stated.feed_temperature),
        ),
        (LimitOf::Column(Column::FeedPressure), stated.feed_pressure),
        (LimitOf::Recovery, Some(stated.recovery)),
        (LimitOf::Column(Column::FeedTds), Some(stated.feed_tds)),
    ];
    for (of, figure) in given {
        let (Some(limit), Some(figure)) = (terms.limit(of), figure) else {
            continue;
        };
        let highest = limit
            .by_ph
            .iter()
            .map(|band| band.high)
            .fold(f64::NEG_INFINITY, f64::max);
        let high = limit.high.or(Some(highest).filter(|high| high.is_finite()));
        if limit.low.is_some_and(|low| figure < low) || high.is_some_and(|high| figure > high) {
            faults.push(
                Fault::new(
                    format!("outside the limits of [limit.{}]", of.name()),
                    "mend one of the two: the guarantee's own conditions would break the limit",
                )
                .at_column(format!("[conditions] {}", of.name()))
                .with_value(super::super::words::with_unit(figure, limit.unit)),
            );
        }
    }
}

/// What a limit's figures may be.
pub(super) fn range_of(of: LimitOf) -> (f64, f64) {
    match of {
        LimitOf::Flux => (0.0, 1000.0),
        LimitOf::ChlorineExposure => (0.0, 1e9),
        _ => match of.quantity() {
            Quantity::Turbidity | Quantity::Number => (0.0, 1000.0),
            quantity => possible(quantity),
        },
    }
}
