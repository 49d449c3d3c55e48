//! Logs: readings with their units, from CSV files and tables in memory.
//!
//! What comes in is kept: missing is NaN, zero is a value, every row stays in its place. What can't be
//! read is refused with its row, column and value, all faults of a source at once.

mod cell;
mod csv;
pub mod describe;
mod frames;
mod pieces;
mod sample;
mod schema;
pub(crate) mod time;

use std::collections::HashMap;
use std::sync::Arc;

use crate::error::{Error, Fault, Faults};
use crate::screen::Reasons;
use crate::table::{Labels, Series, Table};
use crate::units::Quantity;

pub use csv::{CsvReader, read_csv, read_csv_watched};
pub use frames::read_batches;
pub use sample::{Sample, sample, sample_batches};
pub use schema::{Column, LABELS, ReadOptions, TIME, names};
pub use time::show as show_time;

use schema::{Field, Header};

/// Readings of a unit in time order (within each train and stage).
#[derive(Debug, Clone, Default)]
pub struct Log {
    /// The readings.
    pub table: Table,
    /// Headers of the source that are no column of a log.
    pub left_out: Vec<String>,
    /// Why each row is set aside, where the log was screened: those rows are used for nothing.
    pub set_aside: Option<Arc<Vec<Reasons>>>,
}

impl Log {
    /// The readings of a column, where the log has it.
    pub fn get(&self, column: Column) -> Option<&Series> {
        self.table
            .series
            .iter()
            .find(|series| series.name == column.name())
    }

    /// A fingerprint of all readings: BLAKE3 of names, times, labels and canonical figures, in hexadecimal.
    /// Equal logs have equal fingerprints, whatever file or table they came from and in what column order.
    pub fn hash(&self) -> String {
        let mut hasher = blake3::Hasher::new();
        hasher.update(b"brinemark log 1");
        let mut buffer = Vec::with_capacity(1 << 20);
        let mut feed = |name: &str, words: &mut dyn Iterator<Item = [u8; 8]>| {
            hasher.update(&(name.len() as u64).to_le_bytes());
            hasher.update(name.as_bytes());
            let mut length = 0_u64;
            for word in words {
                buffer.extend_from_slice(&word);
                length += 1;
                if buffer.len() == 1 << 20 {
                    hasher.update_rayon(&buffer);
                    buffer.clear();
                }
            }
            hasher.update_rayon(&buffer);
            buffer.clear();
            hasher.update(&length.to_le_bytes());
        };
        feed(
            TIME,
            &mut self.table.time.iter().map(|time| time.to_le_bytes()),
        );
        for (name, labels) in LABELS.iter().zip(&self.table.labels) {
            let Some(labels) = labels else { continue };
            feed(
                name,
                &mut labels
                    .codes
                    .iter()
                    .map(|code| u64::from(*code).to_le_bytes()),
            );
            for word in &labels.words {
                feed(word, &mut std::iter::empty());
            }
        }
        for column in Column::ALL {
            let Some(series) = self.get(*column) else {
                continue;
            };
            // Every NaN means the same: missing.
            let plain = |value: &f64| {
                if value.is_nan() {
                    f64::NAN
                } else {
                    *value + 0.0
                }
            };
            feed(
                &series.name,
                &mut series.values.iter().map(|value| plain(value).to_le_bytes()),
            );
        }
        hasher.finalize().to_hex().to_string()
    }
}

/// Rows as they are read, before they become a log.
#[derive(Debug, Default)]
struct Rows {
    time: Vec<i64>,
    /// The whole-hour offset that times stated, while all stated the same.
    offset: Offsets,
    numbers: Vec<Vec<f64>>,
    labels: [Words; 2],
    faults: Faults,
}

#[derive(Debug, Default, Clone, Copy, PartialEq)]
enum Offsets {
    #[default]
    None,
    One(i8),
    Several,
}

impl Offsets {
    fn and(self, other: Self) -> Self {
        match (self, other) {
            (Self::None, any) | (any, Self::None) => any,
            (a, b) if a == b => a,
            _ => Self::Several,
        }
    }
}

/// Labels being gathered.
#[derive(Debug, Default)]
struct Words {
    labels: Labels,
    codes: HashMap<String, u32>,
}

impl Words {
    fn push(&mut self, word: &str) {
        let code = match self.codes.get(word) {
            Some(code) => *code,
            None => {
                let code = self.labels.words.len() as u32;
                self.labels.words.push(word.to_owned());
                self.codes.insert(word.to_owned(), code);
                code
            }
        };
        self.labels.codes.push(code);
    }

    fn append(&mut self, other: &Self) {
        let known: Vec<u32> = other
            .labels
            .words
            .iter()
            .map(|word| {
                let next = self.labels.words.len() as u32;
                *self.codes.entry(word.clone()).or_insert_with(|| {
                    self.labels.words.push(word.clone());
                    next
                })
            })
            .collect();
        self.labels
            .codes
            .extend(other.labels.codes.iter().map(|code| known[*code as usize]));
    }
}

impl Rows {
    fn new(header: &Header, capacity: usize) -> Self {
        let numbers = header
            .numbers()
            .map(|_| Vec::with_capacity(capacity))
            .collect();
        Self {
            time: Vec::with_capacity(capacity),
            numbers,
            ..Self::default()
        }
    }

    /// Adds rows read after these; `rows` of faults in `other` count from its own first row.
    fn append(&mut self, mut other: Self) {
        let before = self.time.len() as u64;
        for fault in other.faults.list_mut() {
            fault.row = fault.row.map(|row| row + before);
        }
        self.faults.append(other.faults);
        self.offset = self.offset.and(other.offset);
        if self.time.is_empty() {
            self.time = other.time;
            self.numbers = other.numbers;
        } else {
            self.time.extend(other.time);
            for (ours, theirs) in self.numbers.iter_mut().zip(other.numbers) {
                ours.extend(theirs);
            }
        }
        for (ours, theirs) in self.labels.iter_mut().zip(&other.labels) {
            ours.append(theirs);
        }
    }
}

/// Checks that each train and stage goes forward in time, over all blocks of a source.
#[derive(Debug, Default)]
struct TimeOrder {
    last: HashMap<(Option<String>, Option<String>), i64>,
}

impl TimeOrder {
    fn check(&mut self, table: &Table, first_row: u64, faults: &mut Faults) {
        let (groups, rows) = table.groups();
        let zone = time::zone_or_utc(&table.zone);
        let mut last: Vec<i64> = groups
            .iter()
            .map(|group| {
                let key = (group.train.clone(), group.stage.clone());
                self.last.get(&key).copied().unwrap_or(i64::MIN)
            })
            .collect();
        for (row, (time, group)) in table.time.iter().zip(&rows).enumerate() {
            let before = &mut last[*group as usize];
            if *time <= *before {
                let (problem, remedy) = if time == before {
                    (
                        "the same time as an earlier reading",
                        "one reading a time in each train and stage; if these are several trains or stages, add that column",
                    )
                } else {
                    (
                        "earlier than the reading before it",
                        "sort the readings by time; if these are several trains or stages, add that column",
                    )
                };
                faults.push(
                    Fault::new(format!("{problem} of {}", groups[*group as usize]), remedy)
                        .at_row(first_row + row as u64)
                        .at_column(TIME)
                        .with_value(time::show(*time, &zone)),
                );
            }
            *before = (*before).max(*time);
        }
        for (group, last) in groups.into_iter().zip(last) {
            self.last.insert((group.train, group.stage), last);
        }
    }
}

impl Header {
    /// The columns of figures, in the source's order.
    fn numbers(&self) -> impl Iterator<Item = (Column, &'static crate::units::Unit)> + '_ {
        self.fields.iter().filter_map(|field| match field {
            Field::Number(column, unit) => Some((*column, *unit)),
            _ => None,
        })
    }

    fn has_label(&self, label: usize) -> bool {
        self.fields.contains(&Field::Label(label))
    }

    /// The rows as a log.
    fn log(&self, rows: Rows, options: &ReadOptions) -> Log {
        let zone = match (&options.time_zone, rows.offset) {
            (Some(zone), _) => zone.clone(),
            (None, Offsets::One(hours)) => time::fixed_zone(hours),
            (None, _) => "UTC".to_owned(),
        };
        let series = self
            .numbers()
            .zip(rows.numbers)
            .map(|((column, unit), values)| Series {
                name: column.name().to_owned(),
                unit,
                values: values.into(),
            })
            .collect();
        let mut labels = rows
            .labels
            .into_iter()
            .enumerate()
            .map(|(label, words)| self.has_label(label).then(|| Arc::new(words.labels)));
        Log {
            table: Table {
                time: Arc::new(rows.time),
                zone,
                labels: [labels.next().flatten(), labels.next().flatten()],
                series,
            },
            left_out: self.left_out(),
            set_aside: None,
        }
    }
}

/// Whether a column's cells are words for yes and no.
fn is_switch(column: Column) -> bool {
    column.quantity() == Quantity::Switch
}

/// A whole source as a log, or all its faults.
fn finish(log: Log, mut faults: Faults) -> Result<Log, Error> {
    // A row that could not be read has no time of its own: order is only judged where all times are.
    if faults.is_empty() {
        TimeOrder::default().check(&log.table, 1, &mut faults);
    }
    faults.into_result(Error::Log)?;
    if log.table.is_empty() {
        Err(no_rows())
    } else {
        Ok(log)
    }
}

/// A source without any reading.
fn no_rows() -> Error {
    Error::Log(Fault::new("no readings", "a header and at least one row are needed").into())
}
