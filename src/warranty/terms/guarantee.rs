//! The guarantee in a terms file: what is promised, at which conditions, by which method.

use toml::Table;

use super::{Change, Guarantee, Method, Promise, Stated};
use crate::error::{Fault, Faults};
use crate::keys::{Keys, quantity_of, wrong};
use crate::normalise::temperature::Law;
use crate::site::{TdsPerConductivity, law, tds_per_conductivity};
use crate::units::Quantity;

const PRESSURE_BAR: (f64, f64) = (0.0, 200.0);
const FLOW_M3_H: (f64, f64) = (1e-9, 1e6);
const TDS_MG_L: (f64, f64) = (1e-9, 400_000.0);
const OPEN_SHARE: (f64, f64) = (1e-9, 0.999);
const OVER_H: (f64, f64) = (24.0, 366.0 * 24.0);

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

/// How conductivity tells mg/L by the contract, of feed and permeate. How far that may be off is no question either.
fn agreed_salt(table: &Table, faults: &mut Faults) -> TdsPerConductivity {
    const PLACE: &str = "[guarantee.tds_per_conductivity]";
    if let Some(given) = table.get("accuracy") {
        faults.push(wrong(
            &format!("{PLACE} accuracy"),
            given,
            "leave it out: what was agreed on has none",
        ));
    }
    for stream in ["feed", "permeate"] {
        if !table.contains_key(stream) {
            faults.push(
                Fault::new("missing", format!("add {stream} = 0.5"))
                    .at_column(format!("{PLACE} {stream}")),
            );
        }
    }
    tds_per_conductivity(Keys::new(PLACE, Some(table)), faults)
}

pub(super) fn of_guarantee(
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
    let salt = keys.table("tds_per_conductivity", faults);
    let salt = salt.map(|table| agreed_salt(table, faults));
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
        tds_per_conductivity: salt,
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
