//! What a log and a result share: times, labels and named columns with units, one row a reading.

use std::collections::HashMap;
use std::sync::Arc;

use crate::buffer::Values;
use crate::error::{Error, Fault, nearest};
use crate::units::Unit;

/// A named column of figures.
#[derive(Debug, Clone)]
pub struct Series {
    /// Its name, without the unit.
    pub name: String,
    /// The unit in which its user sees it.
    pub unit: &'static Unit,
    /// The figures, in the canonical unit; NaN where missing.
    pub values: Values,
}

impl Series {
    /// The figures in the user's unit.
    pub fn in_own_unit(&self) -> impl ExactSizeIterator<Item = f64> + '_ {
        self.values
            .iter()
            .map(|value| self.unit.from_canonical(*value))
    }

    /// Its header: the name, with the unit in brackets where it has one.
    pub fn header(&self) -> String {
        if self.unit.word.is_empty() {
            self.name.clone()
        } else {
            format!("{} [{}]", self.name, self.unit.word)
        }
    }
}

/// A column of words, each stored once.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Labels {
    /// The words, in order of first appearance.
    pub words: Vec<String>,
    /// For each row, the index of its word.
    pub codes: Vec<u32>,
}

impl Labels {
    /// The word of a row.
    pub fn word(&self, row: usize) -> &str {
        &self.words[self.codes[row] as usize]
    }
}

/// Times, labels and series of equal length.
#[derive(Debug, Clone, Default)]
pub struct Table {
    /// Microseconds since 1970 UTC.
    pub time: Arc<Vec<i64>>,
    /// The IANA name of the zone in which times are shown.
    pub zone: String,
    /// `train` and `stage`, where the log has them.
    pub labels: [Option<Arc<Labels>>; 2],
    /// The figures.
    pub series: Vec<Series>,
}

/// The rows of one train and stage.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Group {
    /// The train, where the log tells.
    pub train: Option<String>,
    /// The stage, where the log tells.
    pub stage: Option<String>,
}

impl Table {
    /// How many rows.
    pub fn len(&self) -> usize {
        self.time.len()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.time.is_empty()
    }

    /// The series of this name.
    ///
    /// # Errors
    /// [`Error::MissingColumn`] names the nearest one there is.
    pub fn series(&self, name: &str) -> Result<&Series, Error> {
        self.series
            .iter()
            .find(|series| series.name == name)
            .ok_or_else(|| {
                let known = || self.series.iter().map(|series| series.name.as_str());
                let remedy = match nearest(name, known()) {
                    Some(near) => format!("did you mean '{near}'?"),
                    None => format!("there is: {}", known().collect::<Vec<_>>().join(", ")),
                };
                Error::MissingColumn(Fault::new("no such column", remedy).at_column(name).into())
            })
    }

    /// The groups (train and stage) that occur, in order of first appearance, and each row's group.
    pub fn groups(&self) -> (Vec<Group>, Vec<u32>) {
        let [train, stage] = &self.labels;
        if train.is_none() && stage.is_none() {
            let whole = Group {
                train: None,
                stage: None,
            };
            return (vec![whole], vec![0; self.len()]);
        }
        let stages = stage.as_ref().map_or(1, |labels| labels.words.len());
        let code = |labels: &Option<Arc<Labels>>, row: usize| {
            labels
                .as_ref()
                .map_or(0, |labels| labels.codes[row] as usize)
        };
        // Which group a pair of codes became. Only pairs that occur: where a label is mistaken, as of a column of
        // remarks, there is no room for every pair.
        let mut met: HashMap<usize, u32> = HashMap::new();
        let mut groups = Vec::new();
        // The rows of a log take turns among few groups, mostly in the same order: the next row's group is mostly
        // the one that came after this row's group before.
        let mut after: Vec<(usize, u32)> = Vec::new();
        let mut last = 0;
        let rows = (0..self.len())
            .map(|row| {
                let pair = code(train, row) * stages + code(stage, row);
                if let Some((next, group)) = after.get(last as usize)
                    && *next == pair
                {
                    last = *group;
                    return last;
                }
                let group = *met.entry(pair).or_insert_with(|| {
                    groups.push(Group {
                        train: train.as_ref().map(|labels| labels.word(row).to_owned()),
                        stage: stage.as_ref().map(|labels| labels.word(row).to_owned()),
                    });
                    after.push((usize::MAX, 0));
                    groups.len() as u32 - 1
                });
                after[last as usize] = (pair, group);
                last = group;
                group
            })
            .collect();
        (groups, rows)
    }
}

impl std::fmt::Display for Group {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match (&self.train, &self.stage) {
            (Some(train), Some(stage)) => write!(f, "train {train}, stage {stage}"),
            (Some(train), None) => write!(f, "train {train}"),
            (None, Some(stage)) => write!(f, "stage {stage}"),
            (None, None) => write!(f, "the unit"),
        }
    }
}
