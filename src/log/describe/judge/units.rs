//! Where the unit of a column is known from.

use super::super::assign::Target;
use super::super::balances::{Finding, Read, Relation};
use super::super::ranges::{Plausible, usual_units};
use super::Judge;
use crate::units::{Quantity, Unit};

/// Where a unit is known from.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum UnitFrom {
    Header,
    NotNeeded,
    Range,
    Neighbours,
    Balance(String),
    Undecided,
}

impl Judge<'_> {
    pub(super) fn unit_alone(&self, at: usize) -> UnitFrom {
        let (Some(chosen), Some(subject)) = (self.chosen(at), self.search.subjects.get(at)) else {
            return UnitFrom::Undecided;
        };
        let column = chosen.target.column;
        if !column.quantity().needs_unit() {
            UnitFrom::NotNeeded
        } else if subject.header.unit.is_some() {
            UnitFrom::Header
        } else if chosen.plausible == Plausible::Usual
            && matches!(subject.units_by_range(column).as_slice(), [only] if *only == chosen.unit)
        {
            UnitFrom::Range
        } else {
            UnitFrom::Undecided
        }
    }

    /// A unit that only one reading of a balance leaves, where another column's unit is known.
    pub(super) fn units_by_balance(&mut self) {
        let mut settled = Vec::new();
        for (stage, finding) in &self.findings {
            let close = match finding.relation {
                Relation::Flows => 0.05,
                Relation::Pressures => 0.3,
                Relation::Joined | Relation::Above | Relation::Salt => continue,
            };
            if !finding.closes() {
                continue;
            }
            let places: Vec<usize> = finding
                .columns
                .iter()
                .filter_map(|column| {
                    self.holder(Target {
                        stage: *stage,
                        column: *column,
                    })
                })
                .collect();
            let open: Vec<usize> = places
                .iter()
                .copied()
                .filter(|subject| self.units.get(*subject) == Some(&UnitFrom::Undecided))
                .collect();
            // A column that may not be a flow at all must not be fitted in by its unit.
            if places.iter().any(|subject| !self.says_quantity(*subject)) {
                continue;
            }
            if open.is_empty()
                || open.len() == places.len()
                || self.closing(finding, &places, &open, close) != 1
            {
                continue;
            }
            for subject in open {
                if let Some(chosen) = self.chosen(subject) {
                    let words = format!(
                        "{} if '{}' is {}",
                        finding.words,
                        self.title(subject),
                        chosen.unit.word
                    );
                    settled.push((subject, UnitFrom::Balance(words)));
                }
            }
        }
        for (subject, from) in settled {
            self.units[subject] = from;
        }
    }

    /// Whether the header itself tells the quantity of what a subject was given.
    pub(super) fn says_quantity(&self, at: usize) -> bool {
        let (Some(chosen), Some(subject)) = (self.chosen(at), self.search.subjects.get(at)) else {
            return false;
        };
        let said = subject.header.quantity_of(chosen.target.column.quantity());
        said.is_some_and(|(strength, _)| strength >= 0.5)
    }

    /// In how many ways the open units of a balance let it close.
    fn closing(&self, finding: &Finding, places: &[usize], open: &[usize], close: f64) -> usize {
        let mut ways: Vec<Vec<Read>> = vec![Vec::new()];
        for subject in places {
            let Some(chosen) = self.chosen(*subject) else {
                return 0;
            };
            let units: Vec<&'static str> = if open.contains(subject) {
                match chosen.target.column.quantity() {
                    // Bar and kgf/cm2 differ by less than gauges do.
                    Quantity::Pressure => vec!["bar", "psi", "kPa", "mbar"],
                    quantity => usual_units(quantity).to_vec(),
                }
            } else {
                vec![chosen.unit.word]
            };
            ways = ways
                .into_iter()
                .flat_map(|way| {
                    units.iter().map(move |unit| {
                        let mut way = way.clone();
                        way.push(Read {
                            subject: *subject,
                            unit,
                        });
                        way
                    })
                })
                .collect();
        }
        ways.iter()
            .filter_map(|way| self.search.figures.measure(finding.relation, way))
            .filter(|off| off.abs() <= close)
            .count()
    }

    /// The unit that every other column of the quantity states, where the figures are usual in it alone.
    pub(super) fn units_by_neighbours(&mut self) {
        for at in 0..self.assignment.len() {
            let (Some(chosen), Some(UnitFrom::Undecided)) = (self.chosen(at), self.units.get(at))
            else {
                continue;
            };
            let column = chosen.target.column;
            let stated: Vec<&Unit> = self
                .search
                .subjects
                .iter()
                .filter_map(|subject| subject.header.unit)
                .filter(|unit| unit.quantity == column.quantity())
                .collect();
            let alike = !stated.is_empty() && stated.iter().all(|unit| *unit == chosen.unit);
            let usual_else = self.search.subjects[at]
                .units_by_range(column)
                .iter()
                .any(|unit| {
                    *unit != chosen.unit
                        && self.search.subjects[at].spread.is_some_and(|spread| {
                            spread.plausible(column, unit) == Plausible::Usual
                        })
                });
            if alike && chosen.plausible == Plausible::Usual && !usual_else {
                self.units[at] = UnitFrom::Neighbours;
            }
        }
    }
}
