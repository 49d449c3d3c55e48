//! Which columns the log of a site has, in which units: what a blank log and a visit's sheet are made of.

use jiff::civil::Date;
use toml::{Table, Value};

use super::{ConductivityRule, Limit, Site};
use crate::log::{Column, LABELS, TIME};
use crate::units::{Quantity, Unit};

/// A column that the log of a site has.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SiteColumn {
    /// The column.
    pub column: Column,
    /// The unit in which the site file speaks of it; where it doesn't, of the same quantity elsewhere.
    pub unit: &'static Unit,
}

/// The parts of the file that speak of readings, those nearest to the plant first: an element's data sheet may
/// have other units than its gauges.
const SPEAKING: [&str; 6] = [
    "instruments",
    "limits",
    "assume",
    "settings",
    "reference",
    "element",
];

impl Site {
    /// The columns of this site's log, in the order in which tables are written.
    ///
    /// Those of the analyses, each by the instrument that the site file names, or else the usual one: concentrate
    /// pressure for the pressure drop, concentrate flow for the feed flow, conductivity where the file tells how it is
    /// turned into salt. What the file assumes isn't logged. All that has an instrument is.
    pub fn log_columns(&self) -> Vec<SiteColumn> {
        use Column::*;
        let has = |column: &Column| self.instruments.contains_key(column);
        let by = |of: &[Column], usual: Column| {
            let known = of.iter().copied().find(|column| has(column));
            known.unwrap_or(usual)
        };
        let salt = |tds: Column, conductivity: Column, rule: Option<ConductivityRule>| {
            by(
                &[conductivity, tds],
                if rule.is_some() { conductivity } else { tds },
            )
        };
        let rules = &self.salinity.tds_per_conductivity;
        // The analysis' input, and the column by which this site tells it.
        let mut inputs = vec![
            (FeedTemperature, FeedTemperature),
            (FeedPressure, FeedPressure),
            (
                DifferentialPressure,
                by(
                    &[DifferentialPressure, ConcentratePressure],
                    ConcentratePressure,
                ),
            ),
            (PermeatePressure, PermeatePressure),
            (PermeateFlow, PermeateFlow),
            (FeedFlow, by(&[FeedFlow, ConcentrateFlow], ConcentrateFlow)),
            (FeedTds, salt(FeedTds, FeedConductivity, rules.feed)),
            (
                PermeateTds,
                salt(PermeateTds, PermeateConductivity, rules.permeate),
            ),
        ];
        if self.recycle {
            inputs.push((RecycleFlow, RecycleFlow));
        }
        let logged = |column: &Column| {
            let told = inputs
                .iter()
                .any(|(input, by)| by == column && !self.assume.contains_key(input));
            (told || has(column)) && !self.assume.contains_key(column) || *column == Running
        };
        let written = units_written(&self.text);
        let columns = Column::ALL.iter().copied().filter(logged);
        columns
            .map(|column| SiteColumn {
                column,
                unit: unit_of(column, &written),
            })
            .collect()
    }

    /// The unit in which the file speaks of a column, or else of the same quantity elsewhere.
    pub fn unit_of(&self, column: Column) -> &'static Unit {
        unit_of(column, &units_written(&self.text))
    }

    /// The headers of this site's log: time, the stage where stages are logged one by one, and its columns with their units.
    pub fn log_titles(&self) -> Vec<String> {
        let mut titles = vec![TIME.to_owned()];
        if self.stages.len() > 1 && !self.normalise.stages_together {
            titles.push(LABELS[1].to_owned());
        }
        titles.extend(self.log_columns().iter().map(|of| match of.unit.word {
            "" => of.column.name().to_owned(),
            unit => format!("{} [{unit}]", of.column.name()),
        }));
        titles
    }

    /// The limits of a column, where the file gives any.
    pub fn limit(&self, column: Column) -> Option<&Limit> {
        self.limits.get(column.name())
    }

    /// When the instrument of a column was last calibrated, by its entry or its service; `None` where the file doesn't tell.
    pub fn calibrated_on(&self, column: Column) -> Option<Date> {
        let of_instrument = self
            .instruments
            .get(&column)
            .and_then(|known| known.calibrated_on.as_deref()?.parse().ok());
        let services = self
            .service
            .iter()
            .filter(|service| service.of == Some(column));
        services
            .filter_map(|service| service.last)
            .chain(of_instrument)
            .max()
    }

    /// How far a column's instrument may be off, in words and in a unit; `None` where the file doesn't tell.
    pub fn accuracy_in(&self, column: Column, unit: &Unit) -> Option<String> {
        let accuracy = self.instruments.get(&column)?.accuracy?;
        let plain = |figure: f64| {
            format!("{:.3}", figure)
                .trim_end_matches('0')
                .trim_end_matches('.')
                .to_owned()
        };
        let mut parts = Vec::new();
        if accuracy.absolute > 0.0 {
            parts.push(format!(
                "{} {}",
                plain(unit.difference_from_canonical(accuracy.absolute)),
                unit.word
            ));
        }
        if accuracy.of_reading > 0.0 {
            parts.push(format!(
                "{} % of reading",
                plain(100.0 * accuracy.of_reading)
            ));
        }
        (!parts.is_empty()).then(|| parts.join(" + "))
    }
}

fn unit_of(column: Column, written: &[(Option<Column>, &'static Unit)]) -> &'static Unit {
    let quantity = column.quantity();
    let of_quantity = || written.iter().filter(|(_, unit)| unit.quantity == quantity);
    of_quantity()
        .find(|(of, _)| *of == Some(column))
        .or_else(|| of_quantity().next())
        .map_or(quantity.canonical(), |(_, unit)| unit)
}

/// The units that stand in the file, in order, each with the column whose key it stands behind.
fn units_written(text: &str) -> Vec<(Option<Column>, &'static Unit)> {
    let mut found = Vec::new();
    let document: Table = text.parse().unwrap_or_default();
    for part in SPEAKING {
        if let Some(value) = document.get(part) {
            gather(value, None, &mut found);
        }
    }
    found
}

fn gather(value: &Value, of: Option<Column>, found: &mut Vec<(Option<Column>, &'static Unit)>) {
    match value {
        Value::Table(table) => {
            for (key, value) in table {
                gather(value, Column::from_name(key).or(of), found);
            }
        }
        // "2 % of 8 gpm", "0.3 degC + 0.5 % of reading": each figure has its unit behind it.
        Value::String(text) => {
            for piece in text.split(" of ").flat_map(|piece| piece.split(" + ")) {
                let word =
                    piece.trim_start_matches(|c: char| c.is_ascii_digit() || ".+-eE ".contains(c));
                if word.len() < piece.len()
                    && let Ok(unit) = Unit::parse(word)
                    && unit.quantity != Quantity::Fraction
                {
                    found.push((of, unit));
                }
            }
        }
        _ => {}
    }
}
