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
    /// Feed = permeate + concentrate + recycle: the meter stands where the recycle has joined.
    Joined,
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
    /// How far it is from holding; of [`Relation::Above`], the share of rows in which it holds.
    pub off: f64,
    /// Whether it speaks against the assignment.
    pub against: bool,
    pub words: String,
}

impl Finding {
    fn of(relation: Relation, columns: &[Column], off: f64) -> Self {
        let size = off.abs();
        let name = |at: usize| columns.get(at).map_or("", |column| column.name());
        let (against, words) = match relation {
            Relation::Flows if size <= 0.1 => (
                false,
                format!(
                    "permeate + concentrate equals feed within {:.1} %",
                    (100.0 * size).max(0.1)
                ),
            ),
            Relation::Flows => (
                true,
                format!(
                    "permeate + concentrate is {:+.0} % off feed: a recycle, a meter that is off, or a column or unit that is not what it seems",
                    100.0 * off
                ),
            ),
            Relation::Joined => (
                false,
                if size <= FLOWS_CLOSE {
                    format!(
                        "feed equals permeate + concentrate + recycle within {:.1} %: it is measured where the recycle has joined, and is no raw feed",
                        100.0 * size
                    )
                } else {
                    format!(
                        "permeate + concentrate + recycle is {:+.0} % off feed",
                        100.0 * off
                    )
                },
            ),
            Relation::Pressures if size <= PRESSURES_CLOSE => (
                false,
                format!(
                    "feed pressure − concentrate pressure equals differential pressure within {:.1} % of it",
                    100.0 * size
                ),
            ),
            Relation::Pressures => (
                size > 0.5,
                format!(
                    "feed pressure − concentrate pressure differs from differential pressure by {:.0} % of it",
                    100.0 * size
                ),
            ),
            Relation::Above if off < 0.5 => (
                true,
                format!(
                    "{} lies below {} in {:.0} % of rows, where it must lie above: exchanged, or another unit?",
                    name(0),
                    name(1),
                    100.0 * (1.0 - off)
                ),
            ),
            Relation::Above => (
                false,
                format!(
                    "{} lies above {} in {:.0} % of rows",
                    name(0),
                    name(1),
                    100.0 * off
                ),
            ),
            Relation::Salt => (
                false,
                format!(
                    "recovery by conductivity or salt differs from recovery by flow by {size:.2}"
                ),
            ),
        };
        Self {
            relation,
            columns: columns.to_vec(),
            off: size,
            against,
            words,
        }
    }

    /// Whether it holds closely enough to tell columns and units apart.
    pub fn closes(&self) -> bool {
        match self.relation {
            Relation::Flows | Relation::Joined => self.off <= FLOWS_CLOSE,
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

/// What a relation adds to the score of an assignment (weights: our choice).
fn weight(relation: Relation, off: f64) -> f64 {
    let steps: &[(f64, f64)] = match relation {
        Relation::Flows => &[
            (0.01, 4.0),
            (FLOWS_CLOSE, 3.0),
            (0.1, 0.5),
            (0.5, -1.0),
            (f64::INFINITY, -3.0),
        ],
        Relation::Pressures => &[
            (0.05, 3.0),
            (PRESSURES_CLOSE, 2.0),
            (0.5, 0.0),
            (2.0, -1.0),
            (f64::INFINITY, -2.0),
        ],
        Relation::Joined => &[(FLOWS_CLOSE, 1.0), (f64::INFINITY, 0.0)],
        // The share of rows in which it holds: the more the better.
        Relation::Above => &[(0.5, -3.0), (0.9, -0.5), (f64::INFINITY, 0.5)],
        Relation::Salt => &[
            (0.04, 1.5),
            (SALT_CLOSE, 1.0),
            (0.2, -0.5),
            (f64::INFINITY, -1.5),
        ],
    };
    let size = off.abs();
    steps
        .iter()
        .find(|(most, _)| size <= *most)
        .map_or(0.0, |(_, weight)| *weight)
}

const FLOWS: [Column; 3] = [
    Column::FeedFlow,
    Column::PermeateFlow,
    Column::ConcentrateFlow,
];
const JOINED: [Column; 4] = [
    Column::FeedFlow,
    Column::PermeateFlow,
    Column::ConcentrateFlow,
    Column::RecycleFlow,
];
const PRESSURES: [Column; 3] = [
    Column::FeedPressure,
    Column::ConcentratePressure,
    Column::DifferentialPressure,
];
/// Recovery by conductivities, (concentrate − feed)/(concentrate − permeate), against that by flows: a salt balance.
const SALTS: [[Column; 5]; 2] = [
    [
        Column::FeedFlow,
        Column::PermeateFlow,
        Column::FeedConductivity,
        Column::PermeateConductivity,
        Column::ConcentrateConductivity,
    ],
    [
        Column::FeedFlow,
        Column::PermeateFlow,
        Column::FeedTds,
        Column::PermeateTds,
        Column::ConcentrateTds,
    ],
];

/// Which pairs lie above one another, the greater first.
const ABOVE: [[Column; 2]; 9] = [
    [Column::FeedPressure, Column::ConcentratePressure],
    [Column::FeedPressure, Column::PermeatePressure],
    [Column::ConcentratePressure, Column::PermeatePressure],
    [Column::FeedConductivity, Column::PermeateConductivity],
    [Column::ConcentrateConductivity, Column::FeedConductivity],
    [Column::FeedTds, Column::PermeateTds],
    [Column::ConcentrateTds, Column::FeedTds],
    [Column::FeedFlow, Column::PermeateFlow],
    [Column::FeedFlow, Column::ConcentrateFlow],
];

/// A relation between columns, each read in a unit.
type Question = (Relation, Vec<Read>);

/// The columns of figures that are searched, a few hundred rows of each.
pub(super) struct Figures {
    columns: Vec<Vec<f64>>,
    known: RefCell<HashMap<Question, Option<f64>>>,
}

impl Figures {
    pub fn new(columns: Vec<Vec<f64>>) -> Self {
        Self {
            columns,
            known: RefCell::new(HashMap::new()),
        }
    }

    /// The score of all relations, where `place` tells which column of the file stands for which of ours.
    pub fn score(&self, place: impl Fn(Column) -> Option<Read>) -> f64 {
        let mut score = 0.0;
        self.each(place, |relation, _, off| score += weight(relation, off));
        score
    }

    /// What is found of each relation, in words.
    pub fn findings(&self, place: impl Fn(Column) -> Option<Read>) -> Vec<Finding> {
        let mut found = Vec::new();
        self.each(place, |relation, columns, off| {
            found.push(Finding::of(relation, columns, off));
        });
        found
    }

    /// Tells each relation whose columns are there, and how far it is from holding.
    fn each(
        &self,
        place: impl Fn(Column) -> Option<Read>,
        mut tell: impl FnMut(Relation, &[Column], f64),
    ) {
        let mut ask = |relation: Relation, columns: &[Column]| {
            if let Some(reads) = all(&place, columns)
                && let Some(off) = self.measure(relation, &reads)
            {
                tell(relation, columns, off);
            }
        };
        ask(Relation::Flows, &FLOWS);
        ask(Relation::Joined, &JOINED);
        ask(Relation::Pressures, &PRESSURES);
        for pair in ABOVE {
            ask(Relation::Above, &pair);
        }
        // Salt counts once, by conductivity where there is one.
        let by_conductivity = SALTS[0].iter().all(|column| place(*column).is_some());
        ask(
            Relation::Salt,
            if by_conductivity {
                &SALTS[0]
            } else {
                &SALTS[1]
            },
        );
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
        let mut row = vec![0.0; columns.len()];
        let mut values: Vec<f64> = (0..rows)
            .filter_map(|at| {
                for (cell, (values, unit)) in row.iter_mut().zip(&columns) {
                    let raw = *values.get(at)?;
                    // At standstill nothing balances.
                    if !raw.is_finite() || raw == 0.0 {
                        return None;
                    }
                    *cell = unit.to_canonical(raw);
                }
                Some(match (relation, row.as_slice()) {
                    (Relation::Flows, [feed, permeate, concentrate]) => {
                        (permeate + concentrate) / feed - 1.0
                    }
                    (Relation::Joined, [feed, permeate, concentrate, recycle]) => {
                        (permeate + concentrate + recycle) / feed - 1.0
                    }
                    (Relation::Pressures, [feed, concentrate, difference]) => {
                        (feed - concentrate) / difference - 1.0
                    }
                    (Relation::Above, [greater, lesser]) => f64::from(u8::from(greater > lesser)),
                    (
                        Relation::Salt,
                        [feed, permeate, feed_salt, permeate_salt, concentrate_salt],
                    ) => {
                        (concentrate_salt - feed_salt) / (concentrate_salt - permeate_salt)
                            - permeate / feed
                    }
                    _ => return None,
                })
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
        let loose = if matches!(relation, Relation::Flows | Relation::Joined) {
            0.05
        } else {
            0.5
        };
        Some(if scatter > loose {
            centre.signum() * centre.abs().max(scatter)
        } else {
            centre
        })
    }
}

fn all(place: &impl Fn(Column) -> Option<Read>, columns: &[Column]) -> Option<Vec<Read>> {
    columns.iter().map(|column| place(*column)).collect()
}
