//! The terms file, key by key.

use toml::Table;

use super::limits::{cleanings, limits};
use super::{
    Change, Guarantee, LimitOf, Method, Promise, Records, Replacements, Stated, Terms, after,
};
use crate::error::{Error, Fault, Faults, nearest};
use crate::keys::{self, Keys, quantity_of, wrong};
use crate::log::Column;
use crate::normalise::temperature::Law;
use crate::site::{EventKind, Interval, instant, law, possible};
use crate::units::Quantity;

const PRESSURE_BAR: (f64, f64) = (0.0, 200.0);
const FLOW_M3_H: (f64, f64) = (1e-9, 1e6);
const TDS_MG_L: (f64, f64) = (1e-9, 400_000.0);
const OPEN_SHARE: (f64, f64) = (1e-9, 0.999);
const OVER_H: (f64, f64) = (24.0, 366.0 * 24.0);
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

/// A temperature law of the contract. How far it may be off is no question: it was agreed on.
fn agreed_law(place: &'static str, table: &Table, faults: &mut Faults) -> Option<Law> {
    if let Some(given) = table.get("accuracy") {
        faults.push(wrong(
            &format!("{place} accuracy"),
            given,
            "leave it out: what was agreed on has none",
        ));
    }
    let (found, _) = law(Keys::new(place, Some(table)), faults);
    if matches!(found, Some(Law::Fitted { .. })) {
        faults.push(
            Fault::new(
                "a fitted law is agreed on by nobody",
                "the law that the contract names",
            )
            .at_column(format!("{place} law")),
        );
        return None;
    }
    found
}

fn of_guarantee(
    table: &Table,
    conditions: Option<&Table>,
    faults: &mut Faults,
) -> Option<Guarantee> {
    let mut keys = Keys::new("[guarantee]", Some(table));
    let method = keys.choice("method", &Method::NAMES, faults);
    let method = keys.need("method", method, "\"standard-practice\"", faults);
    let over_h = keys.quantity("over", Quantity::Duration, OVER_H, faults);
    let over_h = keys.need("over", over_h, "\"28 d\"", faults);
    let minimum_days = keys.count("minimum_days", faults);
    let minimum_days = keys.need("minimum_days", minimum_days, "10", faults);
    if let (Some(over_h), Some(days)) = (over_h, minimum_days)
        && f64::from(days) > over_h / 24.0
    {
        faults.push(
            Fault::new(
                "more days than [guarantee] over has",
                "fewer, or a longer over",
            )
            .at_column(keys.at("minimum_days"))
            .with_value(days.to_string()),
        );
    }
    let at_stated_flow = keys.choice(
        "salt_passage_at",
        &[("stated-flow", true), ("normalised-flow", false)],
        faults,
    );
    let of_law = keys.table("temperature", faults);
    let of_salt = keys.table("salt_temperature", faults);
    let has_law = method != Some(Method::PressureOnly);
    if has_law && method.is_some() {
        keys.need(
            "temperature",
            of_law,
            "{ law = \"standard-practice\" }",
            faults,
        );
    }
    for (key, given) in [
        ("temperature", of_law.is_some()),
        ("salt_temperature", of_salt.is_some()),
    ] {
        if given && !has_law {
            faults.push(
                Fault::new("the method \"pressure-only\" has none", "leave it out")
                    .at_column(keys.at(key)),
            );
        }
    }
    let law = of_law.and_then(|table| agreed_law("[guarantee.temperature]", table, faults));
    let salt_law =
        of_salt.and_then(|table| agreed_law("[guarantee.salt_temperature]", table, faults));
    let flow = keys.table("permeate_flow", faults);
    let flow = flow.and_then(|table| {
        let place = "[guarantee.permeate_flow]";
        promise(place, "minimum", Quantity::Flow, FLOW_M3_H, table, faults)
    });
    let passage = keys.table("salt_passage", faults);
    let passage = passage.and_then(|table| {
        let place = "[guarantee.salt_passage]";
        promise(
            place,
            "maximum",
            Quantity::Fraction,
            OPEN_SHARE,
            table,
            faults,
        )
    });
    let promised = [keys.given("permeate_flow"), keys.given("salt_passage")];
    if promised == [false, false] {
        faults.push(
            Fault::new(
                "nothing is promised",
                "add [guarantee.permeate_flow], [guarantee.salt_passage] or both",
            )
            .at_column("[guarantee]"),
        );
    }
    keys.close(faults);
    let Some(conditions) = conditions else {
        faults.push(
            Fault::new(
                "missing",
                "add [conditions]: those at which the guarantee holds",
            )
            .at_column("[conditions]"),
        );
        return None;
    };
    let first = |promise: &Option<Promise>| promise.as_ref().map(|promise| promise.first);
    let conditions = stated(
        conditions,
        [first(&flow), first(&passage)],
        promised,
        faults,
    );
    Some(Guarantee {
        method: method?,
        law,
        salt_law,
        over_h: over_h?,
        minimum_days: minimum_days?,
        conditions: conditions?,
        permeate_flow: flow,
        salt_passage: passage,
        at_stated_flow: at_stated_flow.unwrap_or(true),
    })
}

/// A promised figure: `end` of it is `minimum` or `maximum`.
fn promise(
    place: &str,
    end: &'static str,
    quantity: Quantity,
    range: (f64, f64),
    table: &Table,
    faults: &mut Faults,
) -> Option<Promise> {
    let mut keys = Keys::new(place, Some(table));
    let at = keys.at(end);
    let value = keys.value(end);
    let value = keys.need(
        end,
        value,
        if end == "minimum" {
            "\"4.2 m3/h\""
        } else {
            "\"1.5 %\""
        },
        faults,
    );
    let first = value.and_then(|value| quantity_of(value, &at, quantity, range, faults));
    // A minimum falls over the years, a maximum rises.
    let falls = end == "minimum";
    let yearly_range = if falls { (-0.9, 0.0) } else { (0.0, 5.0) };
    let yearly = keys.quantity("yearly_change", Quantity::Fraction, yearly_range, faults);
    let compounding = keys.choice(
        "change",
        &[("compounding", true), ("of-first", false)],
        faults,
    );
    let at_end = keys.quantity("at_end", quantity, range, faults);
    if keys.given("yearly_change") {
        keys.need("change", compounding, "\"compounding\"", faults);
    } else if keys.given("change") {
        keys.need::<()>(
            "yearly_change",
            None,
            if falls { "\"-7 %\"" } else { "\"10 %\"" },
            faults,
        );
    }
    if keys.given("at_end") && keys.given("yearly_change") {
        faults.push(
            Fault::new(
                "at_end and yearly_change",
                "one of the two says how it may change",
            )
            .at_column(keys.at("at_end")),
        );
    }
    if let (Some((first, _)), Some(at_end)) = (first, at_end)
        && (if falls {
            at_end > first
        } else {
            at_end < first
        })
    {
        faults.push(
            Fault::new(
                format!(
                    "{} than {end}: the promise would grow stricter with age",
                    if falls { "more" } else { "less" }
                ),
                "exchange them, or mend one",
            )
            .at_column(keys.at("at_end")),
        );
    }
    keys.close(faults);
    let (first, unit) = first?;
    let change = match (yearly, compounding, at_end) {
        (Some(share), Some(true), _) => Change::Compounding(share),
        (Some(share), Some(false), _) => Change::OfFirst(share),
        (_, _, Some(end)) => Change::ToEnd(end),
        _ => Change::None,
    };
    Some(Promise {
        first,
        change,
        unit,
    })
}

fn stated(
    table: &Table,
    [flow, passage]: [Option<f64>; 2],
    promised: [bool; 2],
    faults: &mut Faults,
) -> Option<Stated> {
    let mut keys = Keys::new("[conditions]", Some(table));
    let mut need = |key: &'static str, quantity, range, example: &str, faults: &mut Faults| {
        let value = keys.quantity(key, quantity, range, faults);
        keys.need(key, value, example, faults)
    };
    let feed_temperature = need(
        "feed_temperature",
        Quantity::Temperature,
        (0.0, 100.0),
        "\"25 degC\"",
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
        (-1.0, 200.0),
        "\"0.3 bar\"",
        faults,
    );
    let feed_tds = need(
        "feed_tds",
        Quantity::Concentration,
        TDS_MG_L,
        "\"900 mg/L\"",
        faults,
    );
    let recovery = need(
        "recovery",
        Quantity::Fraction,
        OPEN_SHARE,
        "\"75 %\"",
        faults,
    );
    let feed_pressure = keys.quantity("feed_pressure", Quantity::Pressure, PRESSURE_BAR, faults);
    let net_driving_pressure = keys.quantity(
        "net_driving_pressure",
        Quantity::Pressure,
        PRESSURE_BAR,
        faults,
    );
    match (
        keys.given("feed_pressure"),
        keys.given("net_driving_pressure"),
    ) {
        (true, true) => faults.push(
            Fault::new("feed_pressure and net_driving_pressure", "one of the two")
                .at_column(keys.at("feed_pressure")),
        ),
        (false, false) => {
            keys.need::<()>(
                "feed_pressure",
                None,
                "\"12 bar\", or net_driving_pressure",
                faults,
            );
        }
        _ => {}
    }
    let mut beside = |key: &'static str,
                      promised: bool,
                      (quantity, range, example): (Quantity, (f64, f64), &str),
                      faults: &mut Faults| {
        let value = keys.quantity(key, quantity, range, faults);
        if !promised {
            return keys.need(key, value, example, faults);
        }
        if keys.given(key) {
            faults.push(
                Fault::new(
                    "stated beside a guarantee of it",
                    "leave it out: the guaranteed figure is taken",
                )
                .at_column(keys.at(key)),
            );
        }
        None
    };
    let of_flow = (Quantity::Flow, FLOW_M3_H, "\"4.6 m3/h\"");
    let stated_flow = beside("permeate_flow", promised[0], of_flow, faults);
    let of_salt = (Quantity::Concentration, TDS_MG_L, "\"12 mg/L\"");
    let stated_salt = beside("permeate_tds", promised[1], of_salt, faults);
    let recycle_flow = keys.quantity("recycle_flow", Quantity::Flow, (0.0, FLOW_M3_H.1), faults);
    keys.close(faults);
    let feed_tds = feed_tds?;
    let said = |key: &str| {
        let value = table.get(key);
        value.map_or(String::new(), |value| {
            value
                .as_str()
                .map_or_else(|| value.to_string(), str::to_owned)
        })
    };
    let pressure = if feed_pressure.is_some() {
        format!("{} feed pressure", said("feed_pressure"))
    } else {
        format!("{} net driving pressure", said("net_driving_pressure"))
    };
    Some(Stated {
        words: format!(
            "{}, {pressure}, {} in the feed and a recovery of {}",
            said("feed_temperature"),
            said("feed_tds"),
            said("recovery")
        ),
        feed_temperature: feed_temperature?,
        feed_pressure,
        net_driving_pressure,
        differential_pressure: differential_pressure?,
        permeate_pressure: permeate_pressure?,
        feed_tds,
        recovery: recovery?,
        permeate_flow: flow.or(stated_flow)?,
        recycle_flow: recycle_flow.unwrap_or(0.0),
        permeate_tds: passage.map(|share| share * feed_tds).or(stated_salt)?,
    })
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
