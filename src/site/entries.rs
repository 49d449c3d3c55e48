//! What the site file says of single columns and moments: assumptions, instruments, limits, events.

use std::collections::BTreeMap;

use toml::{Table, Value};

use super::read::{ANY, FLOW_M3_H, PRESSURE_BAR, TDS_MG_L, TEMPERATURE_DEGC};
use super::{Accuracy, Assumed, Certificate, Event, EventKind, Instrument, Limit, OffBy};
use crate::error::{Error, Fault, Faults, nearest};
use crate::keys::{Keys, quantity_of, wrong};
use crate::log::Column;
use crate::uncertainty::classes::{CLASSES, InstrumentClass};
use crate::units::{Quantity, Unit, split_quantity};

/// The entries of a table whose keys are columns of a log.
fn by_column<'a>(
    place: &'a str,
    table: Option<&'a Table>,
    also: &'static [&'static str],
    faults: &mut Faults,
) -> Vec<(String, Option<Column>, &'a Value)> {
    let mut entries = Vec::new();
    for (key, value) in table.into_iter().flatten() {
        let column = Column::from_name(key).filter(|column| column.quantity() != Quantity::Switch);
        if column.is_none() && !also.contains(&key.as_str()) {
            let known = Column::ALL
                .iter()
                .map(|column| column.name())
                .chain(also.iter().copied());
            let remedy = match nearest(key, known) {
                Some(near) => format!("did you mean '{near}'?"),
                None => "the name of a log's column".to_owned(),
            };
            faults.push(Fault::new("not a known key", remedy).at_column(format!("{place} {key}")));
            continue;
        }
        entries.push((key.clone(), column, value));
    }
    entries
}

/// What a column can physically hold.
pub(crate) fn range_of(quantity: Quantity) -> (f64, f64) {
    match quantity {
        Quantity::Temperature => TEMPERATURE_DEGC,
        Quantity::Pressure => PRESSURE_BAR,
        Quantity::Flow => (0.0, FLOW_M3_H.1),
        Quantity::Concentration => TDS_MG_L,
        Quantity::Conductivity => (0.0, 1e6),
        Quantity::Acidity => (0.0, 14.0),
        Quantity::Fraction => (0.0, 1.0),
        _ => ANY,
    }
}

pub(super) fn assume(table: Option<&Table>, faults: &mut Faults) -> BTreeMap<Column, Assumed> {
    let mut assumed = BTreeMap::new();
    for (key, column, value) in by_column("[assume]", table, &[], faults) {
        let Some(column) = column else { continue };
        let place = format!("[assume] {key}");
        let range = range_of(column.quantity());
        if let Some((canonical, _)) = quantity_of(value, &place, column.quantity(), range, faults) {
            let text = value
                .as_str()
                .map_or_else(|| value.to_string(), str::to_owned);
            assumed.insert(
                column,
                Assumed {
                    value: canonical,
                    text,
                },
            );
        }
    }
    assumed
}

pub(super) fn instruments(
    table: Option<&Table>,
    faults: &mut Faults,
) -> BTreeMap<Column, Instrument> {
    let mut instruments = BTreeMap::new();
    for (key, column, value) in by_column("[instruments]", table, &[], faults) {
        let Some(column) = column else { continue };
        let place = format!("[instruments] {key}");
        let Some(entries) = value.as_table() else {
            faults.push(wrong(
                &place,
                value,
                "{ accuracy = \"2 % of 8 gpm\", resolution = \"0.1 gpm\" }",
            ));
            continue;
        };
        let mut keys = Keys::new(&place, Some(entries));
        let accuracy = keys.text("accuracy", faults).and_then(|text| {
            let read = accuracy_of(&text, column.quantity());
            read.map_err(|fault| faults.push(fault.at_column(format!("{place} accuracy"))))
                .ok()
        });
        let mut difference = |key: &'static str, faults: &mut Faults| {
            let text = keys.text(key, faults)?;
            let read = difference_of(&text, column.quantity());
            read.map_err(|fault| faults.push(fault.at_column(format!("{place} {key}"))))
                .ok()
        };
        let resolution = difference("resolution", faults);
        let repeatability = difference("repeatability", faults);
        let span = difference("span", faults);
        let class = keys.text("class", faults);
        let of_class = class.and_then(|name| {
            of_class(&name, span, column, accuracy.is_some())
                .map_err(|fault| faults.push(fault.at_column(format!("{place} class"))))
                .ok()
        });
        if span.is_some() && !keys.given("class") {
            faults.push(
                Fault::new(
                    "a span without a class",
                    "add class = \"…\", or give accuracy = \"2 % of 8 gpm\"",
                )
                .at_column(format!("{place} span")),
            );
        }
        let range = keys
            .value("range")
            .and_then(|value| span_of(value, &format!("{place} range"), column, faults));
        let calibrated = keys.date("calibrated_on", faults);
        keys.close(faults);
        instruments.insert(
            column,
            Instrument {
                accuracy: accuracy.or(of_class),
                resolution,
                repeatability,
                range,
                calibrated_on: calibrated.map(|date| date.to_string()),
            },
        );
    }
    instruments
}

/// What an instrument can show: ["0 psi", "200 psi"].
fn span_of(value: &Value, place: &str, column: Column, faults: &mut Faults) -> Option<(f64, f64)> {
    let unit = column.quantity().canonical().word;
    let right = format!("from the least to the greatest: [\"0 {unit}\", \"10 {unit}\"]");
    let Some([low, high]) = value.as_array().map(Vec::as_slice) else {
        faults.push(wrong(place, value, &right));
        return None;
    };
    let mut end = |value| quantity_of(value, place, column.quantity(), ANY, faults);
    let (low, high) = (end(low)?.0, end(high)?.0);
    if low >= high {
        faults.push(wrong(place, value, &right));
        return None;
    }
    Some((low, high))
}

/// The accuracy of a class of instruments.
fn of_class(
    name: &str,
    span: Option<f64>,
    column: Column,
    has_accuracy: bool,
) -> Result<Accuracy, Fault> {
    let fits = |class: &&InstrumentClass| class.quantity == column.quantity();
    let words = || {
        let names: Vec<&str> = CLASSES
            .iter()
            .filter(fits)
            .map(|class| class.name)
            .collect();
        if names.is_empty() {
            "there are none for this column: give its accuracy".to_owned()
        } else {
            format!("one of: {}", names.join(", "))
        }
    };
    if has_accuracy {
        return Err(Fault::new(
            "an accuracy and a class",
            "the instrument's own accuracy is enough: remove the class",
        ));
    }
    let class = InstrumentClass::named(name).filter(fits).ok_or_else(|| {
        Fault::new("not a class of this column's instruments", words()).with_value(name)
    })?;
    class.accuracy(span).ok_or_else(|| {
        Fault::new(
            format!("its accuracy is {}, and there is no span", class.describe()),
            format!("add span = \"10 {}\"", column.quantity().canonical().word),
        )
        .with_value(name)
    })
}

/// "0.3 degC", "2 % of reading", "2 % of 8 gpm", or two of them with a plus between.
pub(super) fn accuracy_of(text: &str, quantity: Quantity) -> Result<Accuracy, Fault> {
    let mut sum = Accuracy::default();
    for part in text.split(" + ") {
        let part = part_of_accuracy(part, quantity)?;
        sum.absolute += part.absolute;
        sum.of_reading += part.of_reading;
    }
    if !sum.absolute.is_finite() {
        return Err(too_large().with_value(text));
    }
    Ok(sum)
}

fn part_of_accuracy(text: &str, quantity: Quantity) -> Result<Accuracy, Fault> {
    let absolute = |absolute| Accuracy {
        absolute,
        of_reading: 0.0,
    };
    let refuse = || {
        Fault::new(
            "not an accuracy",
            "\"0.3 degC\", \"2 % of reading\" or, of the span, \"2 % of 8 gpm\"",
        )
        .with_value(text)
    };
    let fault = |error: Error| error.faults().into_iter().next().unwrap_or_else(refuse);
    let Some((share, of)) = text.split_once(" of ") else {
        if text.trim_end().ends_with('%') && quantity != Quantity::Fraction {
            // "2 %" alone: of the reading or of the span? They differ by as much as the reading does.
            return Err(refuse());
        }
        return Ok(absolute(difference_of(text, quantity)?));
    };
    let (figure, unit) = split_quantity(share, Quantity::Fraction).map_err(fault)?;
    let share = unit.to_canonical(figure);
    if !(0.0..=1.0).contains(&share) {
        return Err(refuse());
    }
    if of.trim() == "reading" {
        return Ok(Accuracy {
            absolute: 0.0,
            of_reading: share,
        });
    }
    Ok(absolute(share * difference_of(of, quantity)?))
}

/// A difference of a quantity: 1.8 degF is 1 degC.
fn difference_of(text: &str, quantity: Quantity) -> Result<f64, Fault> {
    let (figure, unit) = split_quantity(text, quantity)
        .map_err(|error| error.faults().into_iter().next().unwrap_or_default())?;
    let canonical = unit.difference_to_canonical(figure);
    if canonical < 0.0 {
        return Err(Fault::new("below zero", "a figure from 0 up").with_value(text));
    }
    if !canonical.is_finite() {
        return Err(too_large().with_value(text));
    }
    Ok(canonical)
}

fn too_large() -> Fault {
    Fault::new("not a finite figure", "check its unit")
}

pub(super) fn limits(table: Option<&Table>, faults: &mut Faults) -> BTreeMap<String, Limit> {
    let mut limits = BTreeMap::new();
    for (key, column, value) in by_column("[limits]", table, &["recovery"], faults) {
        let quantity = column.map_or(Quantity::Fraction, Column::quantity);
        let place = format!("[limits] {key}");
        let Some(entries) = value.as_table() else {
            faults.push(wrong(
                &place,
                value,
                "{ low = \"…\", high = \"…\" }, one or both",
            ));
            continue;
        };
        let mut keys = Keys::new(&place, Some(entries));
        let mut side = |side: &'static str, faults: &mut Faults| -> Option<(f64, &'static Unit)> {
            let value = keys.value(side)?;
            quantity_of(
                value,
                &format!("{place} {side}"),
                quantity,
                range_of(quantity),
                faults,
            )
        };
        let (low, high) = (side("low", faults), side("high", faults));
        keys.close(faults);
        if let (Some((low, _)), Some((high, _))) = (low, high)
            && low > high
        {
            faults.push(
                Fault::new("the low limit is above the high one", "exchange them")
                    .at_column(&place),
            );
        }
        if let Some((_, unit)) = high.or(low) {
            let limit = Limit {
                low: low.map(|(low, _)| low),
                high: high.map(|(high, _)| high),
                unit,
            };
            limits.insert(key, limit);
        }
    }
    limits
}

pub(super) fn events(tables: Vec<&Table>, faults: &mut Faults) -> Vec<Event> {
    let mut events = Vec::new();
    for (at, table) in tables.into_iter().enumerate() {
        let mut keys = Keys::new(format!("[[event]] {}:", at + 1), Some(table));
        let place = keys.at("time");
        let value = keys.value("time");
        let value = keys.need("time", value, "\"2026-04-02T10:00-07:00\"", faults);
        let time = value.and_then(|value| instant(value, &place, faults));
        let kind = keys.choice("kind", &EventKind::NAMES, faults);
        let kind = keys.need("kind", kind, "\"cleaning\"", faults);
        let of = keys.text("of", faults).and_then(|word| {
            let place = keys.at("of");
            super::service::column_of(&word)
                .map_err(|fault| faults.push(fault.at_column(place)))
                .ok()
        });
        for key in ["of", "as_found", "as_left", "uncertainty"] {
            if keys.given(key) && kind.is_some_and(|kind| kind != EventKind::Calibration) {
                let fault = Fault::new(
                    "belongs to kind = \"calibration\"",
                    "say it by note = \"…\"",
                );
                faults.push(fault.at_column(keys.at(key)));
            }
        }
        let certificate = certificate(&mut keys, of, faults);
        let note = keys.text("note", faults).unwrap_or_default();
        keys.close(faults);
        if let (Some(time_us), Some(kind)) = (time, kind) {
            events.push(Event {
                time_us,
                kind,
                of,
                certificate,
                note,
            });
        }
    }
    events.sort_by_key(|event| event.time_us);
    events
}

/// What a calibration's certificate tells.
fn certificate(
    keys: &mut Keys<'_>,
    of: Option<Column>,
    faults: &mut Faults,
) -> Option<Certificate> {
    let told = ["as_found", "as_left", "uncertainty"].map(|key| keys.given(key));
    let texts = [
        keys.text("as_found", faults),
        keys.text("as_left", faults),
        keys.text("uncertainty", faults),
    ];
    if told == [false; 3] {
        return None;
    }
    let Some(column) = of else {
        if !keys.given("of") {
            let fault = Fault::new("of which instrument?", "of = \"permeate_flow\"");
            faults.push(fault.at_column(keys.at("of")));
        }
        return None;
    };
    let quantity = column.quantity();
    let mut read = |key: &'static str, text: Option<String>| {
        let found = off_by_of(&text?, quantity);
        found
            .map_err(|fault| faults.push(fault.at_column(keys.at(key))))
            .ok()
    };
    let [found, left, uncertainty] = texts;
    let (as_found, as_left) = (read("as_found", found), read("as_left", left));
    let uncertainty = uncertainty.and_then(|text| {
        let found = accuracy_of(&text, quantity);
        found
            .map_err(|fault| faults.push(fault.at_column(keys.at("uncertainty"))))
            .ok()
    });
    let missing = [
        (
            told[1],
            "as_left",
            "what it was left off by; where nothing was adjusted, as it was found",
        ),
        (
            told[2],
            "uncertainty",
            "\"0.5 % of reading\", the certificate's expanded uncertainty (k = 2)",
        ),
    ];
    for (given, key, remedy) in missing {
        if !given {
            faults.push(Fault::new("missing", remedy).at_column(keys.at(key)));
        }
    }
    Some(Certificate {
        as_found,
        as_left: as_left?,
        uncertainty: uncertainty?,
    })
}

/// "+1.2 % of reading", "-0.3 bar", "0 bar": by how much an instrument shows too much.
fn off_by_of(text: &str, quantity: Quantity) -> Result<OffBy, Fault> {
    let refuse = || {
        let example = format!("-0.1 {}", quantity.canonical().word);
        let remedy = format!(
            "with its sign, + where it showed too much: \"+1.2 % of reading\" or \"{}\"",
            example.trim_end()
        );
        Fault::new("not what an instrument was off by", remedy).with_value(text)
    };
    let text = text.trim();
    let (sign, size) = match text.strip_prefix('+') {
        Some(size) => (1.0, size),
        None => match text.strip_prefix(['-', '\u{2212}']) {
            Some(size) => (-1.0, size),
            None => (0.0, text),
        },
    };
    let size = accuracy_of(size.trim(), quantity).map_err(|_| refuse())?;
    if sign == 0.0 && size != Accuracy::default() {
        return Err(refuse());
    }
    Ok(OffBy {
        absolute: sign * size.absolute,
        of_reading: sign * size.of_reading,
    })
}

/// A time with its offset, as text or as TOML's own.
pub(crate) fn instant(value: &Value, place: &str, faults: &mut Faults) -> Option<i64> {
    let text = match value {
        Value::String(text) => text.clone(),
        Value::Datetime(time) => time.to_string(),
        _ => String::new(),
    };
    match text.parse::<jiff::Timestamp>() {
        Ok(stamp) => Some(stamp.as_microsecond()),
        Err(_) => {
            faults.push(wrong(place, value, "a time with its offset: \"2026-04-02T10:00-07:00\" or, in UTC, \"2026-04-02T17:00Z\""));
            None
        }
    }
}
