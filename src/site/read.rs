//! The site file, key by key.

use std::collections::BTreeMap;

use toml::{Table, Value};

use super::keys::{Keys, as_number, quantity_of, wrong};
use super::{
    Accuracy, Assumed, BaselineRule, Design, Element, Event, EventKind, Instrument, Limit,
    NormaliseSettings, ReferenceRule, Salinity, Site, Stage, TdsPerConductivity,
};
use crate::error::{Error, Fault, Faults, nearest};
use crate::log::Column;
use crate::normalise::temperature::{Law, LawSettings};
use crate::units::{Quantity, Unit, split_quantity};
use crate::water::{Basis, osmotic};

// Wide physical bounds: they catch a wrong unit or a slip of the pen, not an unusual plant.
const ANY: (f64, f64) = (f64::MIN, f64::MAX);
const AREA_M2: (f64, f64) = (1e-4, 1000.0);
const FLOW_M3_H: (f64, f64) = (1e-9, 1e6);
const PRESSURE_BAR: (f64, f64) = (-1.0, 200.0);
const TEMPERATURE_DEGC: (f64, f64) = (0.0, 100.0);
const TDS_MG_L: (f64, f64) = (0.0, 400_000.0);
const RATIO: (f64, f64) = (1e-9, 1.0);
const HOURS: (f64, f64) = (0.0, 1e6);

pub(super) fn site(text: &str) -> Result<Site, Error> {
    let document: Table = text.parse().map_err(|cause: toml::de::Error| {
        let line = cause
            .span()
            .map(|span| text[..span.start.min(text.len())].matches('\n').count() as u64 + 1);
        let mut fault = Fault::new(
            cause.message().trim().replace('\n', "; "),
            "a site file is TOML: key = \"value\"",
        );
        fault.line = line;
        Error::Site(fault.into())
    })?;
    let mut faults = Faults::default();
    let faults_now = &mut faults;
    let mut file = Keys::new("the file:", Some(&document));

    let mut keys = Keys::new("[site]", file.table("site", faults_now));
    let name = keys.text("name", faults_now);
    let name = keys.need("name", name, "\"Example unit\"", faults_now);
    let notes = keys.text("notes", faults_now);
    keys.close(faults_now);

    let element = element(file.table("element", faults_now), faults_now);
    let stages = stages(&mut file, faults_now);

    let recycle_table = file.table("recycle", faults_now);
    let mut keys = Keys::new("[recycle]", recycle_table);
    let returns_to = keys.choice("returns_to", &[("feed", true)], faults_now);
    if recycle_table.is_some() {
        keys.need("returns_to", returns_to, "\"feed\"", faults_now);
    }
    keys.close(faults_now);

    let temperature_table = file.table("temperature", faults_now);
    let mut keys = Keys::new("[temperature]", temperature_table);
    let salt_table = keys.table("salt", faults_now);
    let temperature = law(keys, faults_now);
    let salt_temperature =
        salt_table.and_then(|table| law(Keys::new("[temperature.salt]", Some(table)), faults_now));

    let salinity = salinity(file.table("salinity", faults_now), faults_now);
    let reference = reference(file.table("reference", faults_now), faults_now);
    let normalise = normalise_settings(file.table("normalise", faults_now), faults_now);
    let assume = assume(file.table("assume", faults_now), faults_now);
    let instruments = instruments(file.table("instruments", faults_now), faults_now);
    let limits = limits(file.table("limits", faults_now), faults_now);
    let events = events(file.tables("event", faults_now), faults_now);
    file.close(faults_now);

    faults.into_result(Error::Site)?;
    match (name, element, temperature, salinity, reference) {
        (Some(name), Some(element), Some(temperature), Some(salinity), Some(reference)) => {
            Ok(Site {
                name,
                notes,
                element,
                stages,
                recycle: recycle_table.is_some(),
                temperature,
                salt_temperature,
                salinity,
                reference,
                normalise,
                assume,
                instruments,
                limits,
                events,
                text: text.to_owned(),
            })
        }
        // Each of these is missing only with a fault of its own.
        _ => Err(Error::Site(
            Fault::new("incomplete", "see the template").into(),
        )),
    }
}

fn element(table: Option<&Table>, faults: &mut Faults) -> Option<Element> {
    let mut keys = Keys::new("[element]", table);
    let area = keys.quantity("area", Quantity::Area, AREA_M2, faults);
    let area = keys.need("area", area, "\"37.2 m2\"", faults);
    let element = Element {
        name: keys.text("name", faults),
        area_m2: area.unwrap_or(f64::NAN),
        rated_permeate_flow_m3_h: keys.quantity(
            "rated_permeate_flow",
            Quantity::Flow,
            FLOW_M3_H,
            faults,
        ),
        rated_rejection: keys.quantity("rated_rejection", Quantity::Fraction, RATIO, faults),
        test_pressure_bar: keys.quantity("test_pressure", Quantity::Pressure, PRESSURE_BAR, faults),
        test_temperature_degc: keys.quantity(
            "test_temperature",
            Quantity::Temperature,
            TEMPERATURE_DEGC,
            faults,
        ),
        test_feed_tds_mg_l: keys.quantity(
            "test_feed_tds",
            Quantity::Concentration,
            TDS_MG_L,
            faults,
        ),
        test_recovery: keys.quantity("test_recovery", Quantity::Fraction, RATIO, faults),
    };
    keys.close(faults);
    area.map(|_| element)
}

fn stages(file: &mut Keys<'_>, faults: &mut Faults) -> Vec<Stage> {
    let given = file.given("stage");
    let tables = file.tables("stage", faults);
    if tables.is_empty() && !given {
        faults.push(
            Fault::new(
                "missing",
                "add [[stage]] with vessels = 2 and elements_per_vessel = 3",
            )
            .at_column("[[stage]]"),
        );
    }
    let mut stages = Vec::new();
    for (at, table) in tables.into_iter().enumerate() {
        let mut keys = Keys::new(format!("[[stage]] {}:", at + 1), Some(table));
        let vessels = keys.count("vessels", faults);
        let vessels = keys.need("vessels", vessels, "2", faults);
        let elements = keys.count("elements_per_vessel", faults);
        let elements = keys.need("elements_per_vessel", elements, "3", faults);
        keys.close(faults);
        if let (Some(vessels), Some(elements_per_vessel)) = (vessels, elements) {
            if u64::from(vessels) * u64::from(elements_per_vessel) > 10_000_000 {
                faults.push(
                    Fault::new("more than ten million elements", "check the two counts")
                        .at_column(format!("[[stage]] {}:", at + 1)),
                );
            } else {
                stages.push(Stage {
                    vessels,
                    elements_per_vessel,
                });
            }
        }
    }
    stages
}

fn law(mut keys: Keys<'_>, faults: &mut Faults) -> Option<Law> {
    let before = faults.total();
    let law = keys.text("law", faults);
    let law = keys.need(
        "law",
        law,
        "\"standard-practice\" (or \"arrhenius\", \"viscosity\", \"table\")",
        faults,
    );
    let place = keys.at("table");
    let settings = LawSettings {
        base: keys.number("base", ANY, faults),
        constant_k: keys.quantity("constant", Quantity::Kelvin, ANY, faults),
        constant_below_25degc_k: keys.quantity(
            "constant_below_25degC",
            Quantity::Kelvin,
            ANY,
            faults,
        ),
        table: keys
            .value("table")
            .and_then(|value| points_of(value, &place, faults)),
    };
    let name = law?;
    // A setting that could not be read is not one that is missing.
    let law = if faults.total() == before {
        Law::from_settings(&name, settings)
            .map_err(|fault| {
                let key = fault.column.clone().unwrap_or_default();
                faults.push(fault.at_column(keys.at(&key)));
            })
            .ok()
    } else {
        None
    };
    keys.close(faults);
    law
}

fn points_of(value: &Value, place: &str, faults: &mut Faults) -> Option<Vec<(f64, f64)>> {
    let right = "a list of pairs: [[\"5 degC\", 0.52], [\"25 degC\", 1.0]]";
    let Some(rows) = value.as_array() else {
        faults.push(wrong(place, value, right));
        return None;
    };
    let mut points = Vec::new();
    for row in rows {
        match row.as_array().map(Vec::as_slice) {
            Some([temperature, factor]) if as_number(factor).is_some() => {
                let temperature = quantity_of(
                    temperature,
                    place,
                    Quantity::Temperature,
                    TEMPERATURE_DEGC,
                    faults,
                )?;
                points.push((temperature.0, as_number(factor)?));
            }
            _ => {
                faults.push(wrong(place, row, right));
                return None;
            }
        }
    }
    Some(points)
}

fn salinity(table: Option<&Table>, faults: &mut Faults) -> Option<Salinity> {
    const TDS_PER_CONDUCTIVITY: (f64, f64) = (0.2, 1.5);
    let mut keys = Keys::new("[salinity]", table);
    let basis = keys.choice("basis", &Basis::NAMES, faults);
    let basis = keys.need(
        "basis",
        basis,
        "\"sodium-chloride\" (or \"tds-rule\")",
        faults,
    );
    let factors = keys.table("tds_per_conductivity", faults);
    keys.close(faults);
    let mut keys = Keys::new("[salinity.tds_per_conductivity]", factors);
    let tds_per_conductivity = TdsPerConductivity {
        feed: keys.number("feed", TDS_PER_CONDUCTIVITY, faults),
        permeate: keys.number("permeate", TDS_PER_CONDUCTIVITY, faults),
        concentrate: keys.number("concentrate", TDS_PER_CONDUCTIVITY, faults),
    };
    keys.close(faults);
    basis.map(|basis| Salinity {
        basis,
        tds_per_conductivity,
    })
}

fn reference(table: Option<&Table>, faults: &mut Faults) -> Option<ReferenceRule> {
    let mut keys = Keys::new("[reference]", table);
    let design = keys.choice("kind", &[("baseline", false), ("design", true)], faults);
    let design = keys.need("kind", design, "\"baseline\" (or \"design\")", faults);
    match design {
        Some(true) => design_reference(keys, faults).map(ReferenceRule::Design),
        Some(false) => {
            let place = keys.at("start");
            let start = keys
                .value("start")
                .and_then(|value| instant(value, &place, faults));
            let rule = BaselineRule {
                start_us: start,
                stabilise_h: keys
                    .quantity("stabilise", Quantity::Duration, HOURS, faults)
                    .unwrap_or(48.0),
                period_h: keys
                    .quantity("period", Quantity::Duration, HOURS, faults)
                    .unwrap_or(14.0 * 24.0),
                minimum_readings: keys.count("minimum_readings", faults).unwrap_or(5),
            };
            keys.close(faults);
            Some(ReferenceRule::Baseline(rule))
        }
        None => None,
    }
}

fn design_reference(mut keys: Keys<'_>, faults: &mut Faults) -> Option<Design> {
    let mut need = |key: &'static str, quantity, range, example: &str, faults: &mut Faults| {
        let value = keys.quantity(key, quantity, range, faults);
        keys.need(key, value, example, faults)
    };
    let permeate_flow = need(
        "permeate_flow",
        Quantity::Flow,
        FLOW_M3_H,
        "\"4.6 m3/h\"",
        faults,
    );
    let feed_temperature = need(
        "feed_temperature",
        Quantity::Temperature,
        osmotic::TEMPERATURE_RANGE_DEGC,
        "\"25 degC\"",
        faults,
    );
    let feed_pressure = need(
        "feed_pressure",
        Quantity::Pressure,
        PRESSURE_BAR,
        "\"12 bar\"",
        faults,
    );
    let differential_pressure = need(
        "differential_pressure",
        Quantity::Pressure,
        PRESSURE_BAR,
        "\"0.8 bar\"",
        faults,
    );
    let permeate_pressure = need(
        "permeate_pressure",
        Quantity::Pressure,
        PRESSURE_BAR,
        "\"0.3 bar\"",
        faults,
    );
    let feed_tds = need(
        "feed_tds",
        Quantity::Concentration,
        osmotic::TDS_RANGE_MG_L,
        "\"900 mg/L\"",
        faults,
    );
    let permeate_tds = need(
        "permeate_tds",
        Quantity::Concentration,
        osmotic::TDS_RANGE_MG_L,
        "\"12 mg/L\"",
        faults,
    );
    let recovery = need(
        "recovery",
        Quantity::Fraction,
        (1e-9, 0.99),
        "\"75 %\"",
        faults,
    );
    let recycle_flow = keys.quantity("recycle_flow", Quantity::Flow, (0.0, FLOW_M3_H.1), faults);
    keys.close(faults);
    Some(Design {
        permeate_flow: permeate_flow?,
        feed_temperature: feed_temperature?,
        feed_pressure: feed_pressure?,
        differential_pressure: differential_pressure?,
        permeate_pressure: permeate_pressure?,
        feed_tds: feed_tds?,
        permeate_tds: permeate_tds?,
        recovery: recovery?,
        recycle_flow: recycle_flow.unwrap_or(0.0),
    })
}

fn normalise_settings(table: Option<&Table>, faults: &mut Faults) -> NormaliseSettings {
    let default = NormaliseSettings::default();
    let mut keys = Keys::new("[normalise]", table);
    let settings = NormaliseSettings {
        stages_together: keys
            .flag("stages_together", faults)
            .unwrap_or(default.stages_together),
        differential_pressure_flow_exponent: keys
            .number("differential_pressure_flow_exponent", (0.5, 2.5), faults)
            .unwrap_or(default.differential_pressure_flow_exponent),
        differential_pressure_viscosity_power: keys
            .number("differential_pressure_viscosity_power", (0.0, 1.0), faults)
            .unwrap_or(default.differential_pressure_viscosity_power),
    };
    keys.close(faults);
    settings
}

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
fn range_of(quantity: Quantity) -> (f64, f64) {
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

fn assume(table: Option<&Table>, faults: &mut Faults) -> BTreeMap<Column, Assumed> {
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

fn instruments(table: Option<&Table>, faults: &mut Faults) -> BTreeMap<Column, Instrument> {
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
        let resolution = keys.text("resolution", faults).and_then(|text| {
            let read = difference_of(&text, column.quantity());
            read.map_err(|fault| faults.push(fault.at_column(format!("{place} resolution"))))
                .ok()
        });
        let calibrated = keys.value("calibrated_on").and_then(|value| {
            let text = value
                .as_str()
                .map_or_else(|| value.to_string(), str::to_owned);
            if text.parse::<jiff::civil::Date>().is_err() {
                faults.push(wrong(
                    &format!("{place} calibrated_on"),
                    value,
                    "a date: \"2026-02-20\"",
                ));
                return None;
            }
            Some(text)
        });
        keys.close(faults);
        instruments.insert(
            column,
            Instrument {
                accuracy,
                resolution,
                calibrated_on: calibrated,
            },
        );
    }
    instruments
}

/// "0.3 degC", "2 %", "2 % of reading", "2 % of 8 gpm".
fn accuracy_of(text: &str, quantity: Quantity) -> Result<Accuracy, Fault> {
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
        return Ok(Accuracy::Absolute(difference_of(text, quantity)?));
    };
    let (figure, unit) = split_quantity(share, Quantity::Fraction).map_err(fault)?;
    let share = unit.to_canonical(figure);
    if !(0.0..=1.0).contains(&share) {
        return Err(refuse());
    }
    if of.trim() == "reading" {
        return Ok(Accuracy::OfReading(share));
    }
    Ok(Accuracy::Absolute(share * difference_of(of, quantity)?))
}

/// A difference of a quantity: 1.8 degF is 1 degC.
fn difference_of(text: &str, quantity: Quantity) -> Result<f64, Fault> {
    let (figure, unit) = split_quantity(text, quantity)
        .map_err(|error| error.faults().into_iter().next().unwrap_or_default())?;
    let canonical = unit.difference_to_canonical(figure);
    if canonical < 0.0 {
        return Err(Fault::new("below zero", "a figure from 0 up").with_value(text));
    }
    Ok(canonical)
}

fn limits(table: Option<&Table>, faults: &mut Faults) -> BTreeMap<String, Limit> {
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

fn events(tables: Vec<&Table>, faults: &mut Faults) -> Vec<Event> {
    let mut events = Vec::new();
    for (at, table) in tables.into_iter().enumerate() {
        let mut keys = Keys::new(format!("[[event]] {}:", at + 1), Some(table));
        let place = keys.at("time");
        let value = keys.value("time");
        let value = keys.need("time", value, "\"2026-04-02T10:00-07:00\"", faults);
        let time = value.and_then(|value| instant(value, &place, faults));
        let kind = keys.choice("kind", &EventKind::NAMES, faults);
        let kind = keys.need("kind", kind, "\"cleaning\"", faults);
        let note = keys.text("note", faults).unwrap_or_default();
        keys.close(faults);
        if let (Some(time_us), Some(kind)) = (time, kind) {
            events.push(Event {
                time_us,
                kind,
                note,
            });
        }
    }
    events.sort_by_key(|event| event.time_us);
    events
}

/// A time with its offset, as text or as TOML's own.
fn instant(value: &Value, place: &str, faults: &mut Faults) -> Option<i64> {
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
