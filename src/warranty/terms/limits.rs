//! Limits of operation in a terms file.

use toml::{Table, Value};

use super::read::range_of;
use super::{Allowed, Band, LimitOf, OperatingLimit};
use crate::error::{Fault, Faults, nearest};
use crate::keys::{Keys, quantity_of, wrong};
use crate::log::Column;
use crate::units::{Quantity, Unit};

const SHARE: (f64, f64) = (0.0, 0.999);
const HOURS: (f64, f64) = (0.0, 1e5);
const PH: (f64, f64) = (0.0, 14.0);
const COUNTED_MG_L: (f64, f64) = (0.0, 5.0);

/// The limits of [limit], by name; cleanings are counted elsewhere.
pub(super) fn limits(table: &Table, faults: &mut Faults) -> Vec<OperatingLimit> {
    let mut found = Vec::new();
    for (key, value) in table.iter().filter(|(key, _)| *key != "cleanings") {
        let place = format!("[limit.{key}]");
        let Some(of) = named(key) else {
            let names = Column::ALL
                .iter()
                .filter(|column| column.quantity() != Quantity::Switch)
                .map(|column| column.name())
                .chain(LimitOf::OTHERS.iter().map(|(name, _)| *name))
                .chain(["cleanings"]);
            let remedy = match nearest(key, names) {
                Some(near) => format!("did you mean '{near}'?"),
                None => {
                    let others: Vec<&str> = LimitOf::OTHERS.iter().map(|(name, _)| *name).collect();
                    format!(
                        "the name of a log's column, {} or cleanings",
                        others.join(", ")
                    )
                }
            };
            faults.push(Fault::new("not a known key", remedy).at_column(place));
            continue;
        };
        let Some(entries) = value.as_table() else {
            faults.push(wrong(&place, value, &format!("a table: [limit.{key}]")));
            continue;
        };
        found.extend(limit(of, &place, entries, faults));
    }
    found
}

fn named(key: &str) -> Option<LimitOf> {
    let column = Column::from_name(key).filter(|column| column.quantity() != Quantity::Switch);
    column.map(LimitOf::Column).or_else(|| {
        LimitOf::OTHERS
            .iter()
            .find(|(name, _)| *name == key)
            .map(|(_, of)| *of)
    })
}

fn limit(of: LimitOf, place: &str, table: &Table, faults: &mut Faults) -> Option<OperatingLimit> {
    let mut keys = Keys::new(place, Some(table));
    let (quantity, range) = (of.quantity(), range_of(of));
    let before = faults.total();
    let mut side = |key: &'static str, faults: &mut Faults| -> Option<(f64, &'static Unit)> {
        let at = keys.at(key);
        let value = keys.value(key)?;
        quantity_of(value, &at, quantity, range, faults)
    };
    let (low, high) = (side("low", faults), side("high", faults));
    let (mut by_ph, mut unit_of_band) = (Vec::new(), None);
    if of == LimitOf::Column(Column::FeedTemperature) {
        let at = keys.at("by_ph");
        if let Some(value) = keys.value("by_ph") {
            (by_ph, unit_of_band) = bands(value, &at, faults);
        }
    }
    let share = keys.quantity("share", Quantity::Fraction, SHARE, faults);
    let longest = keys.quantity("longest", Quantity::Duration, HOURS, faults);
    if keys.given("share") && keys.given("longest") {
        faults.push(
            Fault::new(
                "share and longest",
                "one of the two says what may lie beyond",
            )
            .at_column(keys.at("share")),
        );
    }
    let is_total = of == LimitOf::ChlorineExposure;
    let at = keys.at("counted_from");
    let counted_from = keys
        .value("counted_from")
        .and_then(|value| quantity_of(value, &at, Quantity::Concentration, COUNTED_MG_L, faults));
    if !is_total && keys.given("counted_from") {
        faults.push(Fault::new("only an exposure is counted", "leave it out").at_column(at));
    }
    for key in ["share", "longest", "low"] {
        if is_total && keys.given(key) {
            faults.push(
                Fault::new("an exposure has an upper limit alone", "leave it out")
                    .at_column(keys.at(key)),
            );
        }
    }
    if keys.given("by_ph") && keys.given("high") {
        faults.push(Fault::new("high and by_ph", "one of the two").at_column(keys.at("high")));
    }
    if let (Some((low, _)), Some((high, _))) = (low, high)
        && low > high
    {
        faults.push(
            Fault::new("the low limit is above the high one", "exchange them").at_column(place),
        );
    }
    if let Some((low, _)) = low
        && by_ph.iter().any(|band: &Band| band.high < low)
    {
        faults.push(
            Fault::new(
                "the low limit is above a high one of by_ph",
                "mend one of the two",
            )
            .at_column(keys.at("low")),
        );
    }
    if !keys.given("low") && !keys.given("high") && !keys.given("by_ph") {
        let unit = quantity.canonical().word;
        let example = if quantity.needs_unit() {
            format!("\"12.5 {unit}\"")
        } else {
            "…".to_owned()
        };
        keys.need::<()>("high", None, &format!("{example}, low, or both"), faults);
    }
    keys.close(faults);
    if faults.total() > before {
        return None;
    }
    let unit = high.or(low).map(|(_, unit)| unit).or(unit_of_band);
    Some(OperatingLimit {
        of,
        low: low.map(|(low, _)| low),
        high: high.map(|(high, _)| high),
        by_ph,
        allowed: match (share, longest) {
            (Some(share), _) => Allowed::Share(share),
            (_, Some(hours)) => Allowed::Longest(hours),
            _ => Allowed::Nothing,
        },
        counted_from: counted_from.map(|(least, _)| least),
        unit: unit.unwrap_or(quantity.canonical()),
    })
}

/// Upper limits by pH.
fn bands(value: &Value, place: &str, faults: &mut Faults) -> (Vec<Band>, Option<&'static Unit>) {
    let right = "a list: [{ from = 2, to = 10, high = \"45 degC\" }]";
    let tables: Option<Vec<&Table>> = value
        .as_array()
        .and_then(|list| list.iter().map(Value::as_table).collect());
    let Some(tables) = tables.filter(|tables| !tables.is_empty()) else {
        faults.push(wrong(place, value, right));
        return (Vec::new(), None);
    };
    let (mut found, mut unit): (Vec<Band>, _) = (Vec::new(), None);
    for table in tables {
        let mut keys = Keys::new(place, Some(table));
        let mut ph = |key: &'static str, faults: &mut Faults| {
            let value = keys.quantity(key, Quantity::Acidity, PH, faults);
            keys.need(key, value, "2", faults)
        };
        let (from, to) = (ph("from", faults), ph("to", faults));
        let at = keys.at("high");
        let value = keys.value("high");
        let value = keys.need("high", value, "\"45 degC\"", faults);
        let high = value
            .and_then(|value| quantity_of(value, &at, Quantity::Temperature, (0.0, 100.0), faults));
        keys.close(faults);
        if let (Some(from), Some(to), Some((high, its_unit))) = (from, to, high) {
            if from >= to {
                faults.push(
                    Fault::new("a band that ends before it begins", "exchange from and to")
                        .at_column(place),
                );
            }
            if found.iter().any(|band| from < band.to && band.from < to) {
                faults.push(
                    Fault::new(
                        format!("the band from pH {from} to {to} overlaps another"),
                        "one limit for each pH",
                    )
                    .at_column(place),
                );
            }
            unit = Some(its_unit);
            found.push(Band { from, to, high });
        }
    }
    found.sort_by(|a, b| a.from.total_cmp(&b.from));
    (found, unit)
}

/// How many cleanings are allowed: in all, and a year.
pub(super) fn cleanings(table: Option<&Table>, faults: &mut Faults) -> (Option<u32>, Option<u32>) {
    let Some(table) = table else {
        return (None, None);
    };
    let mut keys = Keys::new("[limit.cleanings]", Some(table));
    let (total, a_year) = (keys.count("total", faults), keys.count("a_year", faults));
    if !keys.given("total") && !keys.given("a_year") {
        keys.need::<()>("total", None, "12, a_year, or both", faults);
    }
    if let (Some(total), Some(a_year)) = (total, a_year)
        && a_year > total
    {
        faults.push(
            Fault::new(
                format!("{a_year} a year, where {total} are allowed in all"),
                "mend one of the two",
            )
            .at_column(keys.at("a_year")),
        );
    }
    keys.close(faults);
    (total, a_year)
}
