//! What must hold between the columns of one unit, whatever their headers say.

use std::cell::RefCell;
use std::collections::HashMap;

use super::super::Column;
use crate::units::Unit;

/// A column of the file, read as figures of a unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) struct Read {
    /// Its place among the columns of figures.
    pub subject: usize,
    /// The unit's word, by which it is told apart.
    pub unit: &'static str,
}

/// A relation between columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum Relation {
    /// Feed = permeate + concentrate.
    Flows,
    /// Feed pressure − concentrate pressure = differential pressure.
    Pressures,
    /// The first lies above the second.
    Above,
    /// Recovery by conductivities equals that by flows.
    Salt,
}

/// What was found of a relation.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Finding {
    pub relation: Relation,
    pub columns: Vec<Column>,
    /// What it adds to the score of an assignment.
    pub score: f64,
    /// How far it is from holding, as a share.
    pub off: f64,
    /// Whether it speaks against the assignment.
    pub against: bool,
    pub words: String,
}

impl Finding {
    /// Whether it holds closely enough to tell columns and units apart.
    pub fn closes(&self) -> bool {
        match self.relation {
            Relation::Flows => self.off <= FLOWS_CLOSE,
            Relation::Pressures => self.off <= PRESSURES_CLOSE,
            Relation::Above => false,
            Relation::Salt => self.off <= SALT_CLOSE,
        }
    }
}

/// Flows of a unit close within this where meters are right (common practice, no source).
pub(super) const FLOWS_CLOSE: f64 = 0.03;
/// Two gauges differ by the differential pressure within this share of it (common practice, no source).
const PRESSURES_CLOSE: f64 = 0.15;
/// Recovery by conductivities differs from that by flows by no more, since conductivity is not quite salt (our choice).
const SALT_CLOSE: f64 = 0.08;
/// A relation is told from no fewer rows.
const LEAST_ROWS: usize = 3;

/// Which pairs lie above one another, the greater first.
const ABOVE: [(Column, Column); 9] = [
    (Column::FeedPressure, Column::ConcentratePressure),
    (Column::FeedPressure, Column::PermeatePressure),
    (Column::ConcentratePressure, Column::PermeatePressure),
    (Column::FeedConductivity, Column::PermeateConductivity),
    (Column::ConcentrateConductivity, Column::FeedConductivity),
    (Column::FeedTds, Column::PermeateTds),
    (Column::ConcentrateTds, Column::FeedTds),
    (Column::FeedFlow, Column::PermeateFlow),
    (Column::FeedFlow, Column::ConcentrateFlow),
];

/// The columns of figures that are searched, a few hundred rows of each.
pub(super) struct Figures {
    columns: Vec<Vec<f64>>,
    known: RefCell<HashMap<(Relation, Vec<Read>), Option<f64>>>,
}

impl Figures {
    pub fn new(columns: Vec<Vec<f64>>) -> Self {
        Self {
            columns,
            known: RefCell::new(HashMap::new()),
        }
    }

    /// What is found where `place` tells which column of the file stands for which of ours.
    pub fn findings(&self, place: impl Fn(Column) -> Option<Read>) -> Vec<Finding> {
        let mut found = Vec::new();
        let flows = [Column::FeedFlow, Column::PermeateFlow, Column::ConcentrateFlow];
        if let Some(reads) = all(&place, &flows)
            && let Some(off) = self.measure(Relation::Flows, &reads)
        {
            found.push(Finding {
                relation: Relation::Flows,
                columns: flows.to_vec(),
                score: match off.abs() {
                    off if off <= 0.01 => 4.0,
                    off if off <= FLOWS_CLOSE => 3.0,
                    off if off <= 0.1 => 0.5,
                    off if off <= 0.5 => -1.0,
                    _ => -3.0,
                },
                off: off.abs(),
                against: off.abs() > 0.1,
                words: if off.abs() <= 0.1 {
                    format!("permeate + concentrate equals feed within {:.1} %", 100.0 * off.abs())
                } else {
                    format!(
                        "permeate + concentrate is {:+.0} % off feed: a recycle, a meter that is off, or a column or unit that is not what it seems",
                        100.0 * off
                    )
                },
            });
        }
        let pressures = [
            Column::FeedPressure,
            Column::ConcentratePressure,
            Column::DifferentialPressure,
        ];
        if let Some(reads) = all(&place, &pressures)
            && let Some(off) = self.measure(Relation::Pressures, &reads)
        {
            let size = off.abs();
            found.push(Finding {
                relation: Relation::Pressures,
                columns: pressures.to_vec(),
                score: match size {
                    size if size <= 0.05 => 3.0,
                    size if size <= PRESSURES_CLOSE => 2.0,
                    size if size <= 0.5 => 0.0,
                    size if size <= 2.0 => -1.0,
                    _ => -2.0,
                },
                off: size,
                against: size > 0.5,
                words: format!(
                    "feed pressure − concentrate pressure {} differential pressure{}",
                    if size <= PRESSURES_CLOSE { "equals" } else { "differs from" },
                    if size <= PRESSURES_CLOSE {
                        format!(" within {:.1} % of it", 100.0 * size)
                    } else {
                        format!(" by {:.0} % of it", 100.0 * size)
                    }
                ),
            });
        }
        for (greater, lesser) in ABOVE {
            let Some(reads) = all(&place, &[greater, lesser]) else {
                continue;
            };
            let Some(share) = self.measure(Relation::Above, &reads) else {
                continue;
            };
            let against = share < 0.5;
            found.push(Finding {
                relation: Relation::Above,
                columns: vec![greater, lesser],
                score: if share >= 0.9 {
                    0.5
                } else if against {
                    -3.0
                } else {
                    -0.5
                },
                off: 1.0 - share,
                against,
                words: if against {
                    format!(
                        "{} lies below {} in {:.0} % of rows, where it must lie above: exchanged, or another unit?",
                        greater.name(),
                        lesser.name(),
                        100.0 * (1.0 - share)
                    )
                } else {
                    format!(
                        "{} lies above {} in {:.0} % of rows",
                        greater.name(),
                        lesser.name(),
                        100.0 * share
                    )
                },
            });
        }
        found.extend(self.salt(&place));
        found
    }

    /// Recovery by conductivities, (concentrate − feed)/(concentrate − permeate), against that by flows: a salt balance.
    fn salt(&self, place: &impl Fn(Column) -> Option<Read>) -> Option<Finding> {
        let salts = [
            [
                Column::FeedConductivity,
                Column::PermeateConductivity,
                Column::ConcentrateConductivity,
            ],
            [Column::FeedTds, Column::PermeateTds, Column::ConcentrateTds],
        ];
        let salts = salts.into_iter().find(|salts| all(place, salts).is_some())?;
        let mut columns = vec![Column::FeedFlow, Column::PermeateFlow];
        if all(place, &columns).is_none() {
            return None;
        }
        columns.extend(salts);
        let off = self.measure(Relation::Salt, &all(place, &columns)?)?;
        Some(Finding {
            relation: Relation::Salt,
            columns,
            score: match off.abs() {
                off if off <= 0.04 => 1.5,
                off if off <= SALT_CLOSE => 1.0,
                off if off <= 0.2 => -0.5,
                _ => -1.5,
            },
            off: off.abs(),
            against: false,
            words: format!(
                "recovery by conductivity or salt differs from recovery by flow by {:.2}",
                off.abs()
            ),
        })
    }

    /// How far a relation is from holding: a share that is off, or for [`Relation::Above`] the share of rows in which
    /// it holds. `None` from too few rows. Worked out once.
    pub fn measure(&self, relation: Relation, reads: &[Read]) -> Option<f64> {
        let key = (relation, reads.to_vec());
        if let Some(known) = self.known.borrow().get(&key) {
            return *known;
        }
        let found = self.work_out(relation, reads);
        self.known.borrow_mut().insert(key, found);
        found
    }

    fn work_out(&self, relation: Relation, reads: &[Read]) -> Option<f64> {
        let columns: Vec<(&[f64], &Unit)> = reads
            .iter()
            .map(|read| {
                let column = self.columns.get(read.subject)?;
                Some((column.as_slice(), Unit::parse(read.unit).ok()?))
            })
            .collect::<Option<_>>()?;
        let rows = columns.iter().map(|(values, _)| values.len()).min()?;
        let row = |at: usize| -> Option<Vec<f64>> {
            columns
                .iter()
                .map(|(values, unit)| {
                    let raw = *values.get(at)?;
                    // At standstill nothing balances.
                    (raw.is_finite() && raw != 0.0).then(|| unit.to_canonical(raw))
                })
                .collect()
        };
        let mut values: Vec<f64> = (0..rows)
            .filter_map(row)
            .filter_map(|row| match (relation, row.as_slice()) {
                (Relation::Flows, [feed, permeate, concentrate]) => {
                    Some((permeate + concentrate) / feed - 1.0)
                }
                (Relation::Pressures, [feed, concentrate, difference]) => {
                    Some((feed - concentrate) / difference - 1.0)
                }
                (Relation::Above, [greater, lesser]) => Some(f64::from(u8::from(greater > lesser))),
                (Relation::Salt, [feed, permeate, feed_salt, permeate_salt, concentrate_salt]) => {
                    let by_salt = (concentrate_salt - feed_salt) / (concentrate_salt - permeate_salt);
                    Some(by_salt - permeate / feed)
                }
                _ => None,
            })
            .filter(|value| value.is_finite())
            .collect();
        if values.len() < LEAST_ROWS {
            return None;
        }
        if relation == Relation::Above {
            return Some(values.iter().sum::<f64>() / values.len() as f64);
        }
        let centre = crate::stats::median(&mut values);
        let mut scatter: Vec<f64> = values.iter().map(|value| (value - centre).abs()).collect();
        let scatter = crate::stats::median(&mut scatter);
        // A balance holds row by row; one that holds on the whole alone is chance.
        let loose = if relation == Relation::Flows { 0.05 } else { 0.5 };
        Some(if scatter > loose { centre.signum() * centre.abs().max(scatter) } else { centre })
    }
}

fn all(place: &impl Fn(Column) -> Option<Read>, columns: &[Column]) -> Option<Vec<Read>> {
    columns.iter().map(|column| place(*column)).collect()
}
