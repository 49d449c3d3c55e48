//! Reading a TOML file key by key, so that every fault of it is met in one pass.

use toml::{Table, Value};

use crate::error::{Error, Fault, Faults, nearest};
use crate::units::{Quantity, Unit, split_quantity};

/// The table that a TOML file is. `what` says what kind of file it would be.
pub(crate) fn document(text: &str, what: &str) -> Result<Table, Fault> {
    text.parse().map_err(|cause: toml::de::Error| {
        let line = cause.span().map(|span| {
            text.as_bytes()[..span.start.min(text.len())]
                .iter()
                .filter(|byte| **byte == b'\n')
                .count() as u64
                + 1
        });
        let mut fault = Fault::new(
            cause.message().trim().replace('\n', "; "),
            format!("{what} is TOML: key = \"value\""),
        );
        fault.line = line;
        fault
    })
}

/// A table of the file, being read. What was not asked for when it is closed is not known.
pub(crate) struct Keys<'a> {
    /// Where it stands: "[element]".
    place: String,
    table: Option<&'a Table>,
    asked: Vec<&'static str>,
}

impl<'a> Keys<'a> {
    pub fn new(place: impl Into<String>, table: Option<&'a Table>) -> Self {
        Self {
            place: place.into(),
            table,
            asked: Vec::new(),
        }
    }

    pub fn at(&self, key: &str) -> String {
        format!("{} {key}", self.place)
    }

    pub fn given(&self, key: &str) -> bool {
        self.table.is_some_and(|table| table.contains_key(key))
    }

    /// Whether a key holds text.
    pub fn is_text(&self, key: &str) -> bool {
        self.table
            .and_then(|table| table.get(key))
            .is_some_and(Value::is_str)
    }

    /// The value of a key.
    pub fn value(&mut self, key: &'static str) -> Option<&'a Value> {
        self.asked.push(key);
        self.table.and_then(|table| table.get(key))
    }

    /// The value of a key, as the type that `read` takes it for.
    fn typed<T>(
        &mut self,
        key: &'static str,
        right: &str,
        faults: &mut Faults,
        read: impl FnOnce(&'a Value) -> Option<T>,
    ) -> Option<T> {
        let place = self.at(key);
        let value = self.value(key)?;
        let typed = read(value);
        if typed.is_none() {
            faults.push(wrong(&place, value, right));
        }
        typed
    }

    pub fn text(&mut self, key: &'static str, faults: &mut Faults) -> Option<String> {
        self.typed(key, "text in double quotes", faults, |value| {
            value.as_str().map(str::to_owned)
        })
    }

    pub fn flag(&mut self, key: &'static str, faults: &mut Faults) -> Option<bool> {
        self.typed(key, "true or false", faults, Value::as_bool)
    }

    /// A whole number above zero.
    pub fn count(&mut self, key: &'static str, faults: &mut Faults) -> Option<u32> {
        self.typed(key, "a whole number from 1 to 100000", faults, |value| {
            value
                .as_integer()
                .and_then(|n| u32::try_from(n).ok())
                .filter(|n| (1..=100_000).contains(n))
        })
    }

    /// A plain number within a range.
    pub fn number(
        &mut self,
        key: &'static str,
        (low, high): (f64, f64),
        faults: &mut Faults,
    ) -> Option<f64> {
        self.typed(
            key,
            &format!("a number from {low} to {high}"),
            faults,
            |value| as_number(value).filter(|number| (low..=high).contains(number)),
        )
    }

    /// A figure with its unit, in the canonical one, within a canonical range.
    pub fn quantity(
        &mut self,
        key: &'static str,
        quantity: Quantity,
        range: (f64, f64),
        faults: &mut Faults,
    ) -> Option<f64> {
        let place = self.at(key);
        let value = self.value(key)?;
        quantity_of(value, &place, quantity, range, faults).map(|(canonical, _)| canonical)
    }

    /// A date, as text or as TOML's own.
    pub fn date(&mut self, key: &'static str, faults: &mut Faults) -> Option<jiff::civil::Date> {
        self.typed(key, "a date: \"2026-02-20\"", faults, |value| {
            let text = value
                .as_str()
                .map_or_else(|| value.to_string(), str::to_owned);
            text.parse().ok()
        })
    }

    /// One of a few words.
    pub fn choice<T: Copy>(
        &mut self,
        key: &'static str,
        choices: &[(&'static str, T)],
        faults: &mut Faults,
    ) -> Option<T> {
        let place = self.at(key);
        let word = self.text(key, faults)?;
        let found = choices.iter().find(|(name, _)| *name == word);
        if found.is_none() {
            let names: Vec<&str> = choices.iter().map(|(name, _)| *name).collect();
            faults.push(
                Fault::new("not a choice", format!("one of: {}", names.join(", ")))
                    .at_column(place)
                    .with_value(word),
            );
        }
        found.map(|(_, value)| *value)
    }

    pub fn table(&mut self, key: &'static str, faults: &mut Faults) -> Option<&'a Table> {
        self.typed(key, &format!("a table: [{key}]"), faults, Value::as_table)
    }

    /// A list of tables, as [[key]] makes it.
    pub fn tables(&mut self, key: &'static str, faults: &mut Faults) -> Vec<&'a Table> {
        self.typed(
            key,
            &format!("a list of tables: [[{key}]]"),
            faults,
            |value| {
                value
                    .as_array()?
                    .iter()
                    .map(Value::as_table)
                    .collect::<Option<Vec<_>>>()
            },
        )
        .unwrap_or_default()
    }

    /// Complains of a key that must be there.
    pub fn need<T>(
        &self,
        key: &str,
        value: Option<T>,
        example: &str,
        faults: &mut Faults,
    ) -> Option<T> {
        if value.is_none() && !self.given(key) {
            faults.push(
                Fault::new("missing", format!("add {key} = {example}")).at_column(self.at(key)),
            );
        }
        value
    }

    /// Complains of every key that nothing asked for.
    pub fn close(self, faults: &mut Faults) {
        for key in self.table.into_iter().flat_map(Table::keys) {
            if !self.asked.contains(&key.as_str()) {
                let remedy = match nearest(key, self.asked.iter().copied()) {
                    Some(near) => format!("did you mean '{near}'?"),
                    None => format!("known here: {}", self.asked.join(", ")),
                };
                faults.push(Fault::new("not a known key", remedy).at_column(self.at(key)));
            }
        }
    }
}

/// A number, whole or not.
pub(crate) fn as_number(value: &Value) -> Option<f64> {
    value
        .as_float()
        .or_else(|| value.as_integer().map(|n| n as f64))
        .filter(|n| n.is_finite())
}

pub(crate) fn wrong(place: &str, value: &Value, right: &str) -> Fault {
    Fault::new("not what is needed here", right)
        .at_column(place)
        .with_value(value.to_string())
}

/// A figure with its unit from a value of the file: canonical figure and the unit it was written in.
pub(crate) fn quantity_of(
    value: &Value,
    place: &str,
    quantity: Quantity,
    (low, high): (f64, f64),
    faults: &mut Faults,
) -> Option<(f64, &'static Unit)> {
    let text = match value {
        Value::String(text) => text.clone(),
        // A plain number is fine where there is no unit to forget.
        other if !quantity.needs_unit() && as_number(other).is_some() => other.to_string(),
        other => {
            let unit = quantity.canonical().word;
            faults.push(wrong(
                place,
                other,
                &format!("text with a unit: \"12.5 {unit}\""),
            ));
            return None;
        }
    };
    match split_quantity(&text, quantity) {
        Ok((figure, unit)) => {
            let canonical = unit.to_canonical(figure);
            if (low..=high).contains(&canonical) {
                return Some((canonical, unit));
            }
            let canonical_unit = quantity.canonical().word;
            let range = format!("{low} to {high} {canonical_unit}");
            faults.push(
                Fault::new("outside the allowed range", range.trim())
                    .at_column(place)
                    .with_value(text),
            );
            None
        }
        Err(Error::Unit(fault)) => {
            faults.push(fault.at_column(place));
            None
        }
        Err(other) => {
            faults.push(Fault::new(other.to_string(), "").at_column(place));
            None
        }
    }
}
