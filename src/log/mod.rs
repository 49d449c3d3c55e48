//! Logs: readings with their units, from text files, workbooks, Parquet and tables in memory.
//!
//! What comes in is kept: missing is NaN, zero is a value, every row stays in its place. What can't be
//! read is refused with its row, column and value, all faults of a source at once.
//!
//! Every kind of source becomes rows (`text`, `excel` by way of it, `parquet` and `frames`) by what its `header`
//! says; rows become a log in one place (`rows`), whole or block by block.

pub mod append;
mod cell;
mod days;
pub mod describe;
mod excel;
mod frames;
mod header;
mod join;
mod look;
pub mod mapping;
mod options;
mod parquet;
mod pieces;
mod rows;
mod sample;
mod schema;
mod source;
mod text;
pub(crate) mod time;
mod wide;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use std::sync::Arc;

use crate::error::{Error, Fault};
use crate::screen::Reasons;
use crate::table::{Series, Table};

pub use frames::read_batches;
pub use look::{look, sample_batches};
pub use options::{ClockChange, ReadOptions, ReadWords, TimeLabel};

pub use sample::{Sample, sample};
pub use schema::{Column, LABELS, TIME, names};
pub use source::{LogReader, read_log, read_logs};
pub(crate) use text::separator_of;
pub use time::show as show_time;

/// Readings of a unit in time order (within each train and stage).
#[derive(Debug, Clone, Default)]
pub struct Log {
    /// The readings.
    pub table: Table,
    /// Headers of the source that are no column of a log.
    pub left_out: Vec<String>,
    /// Why each row is set aside, where the log was screened: those rows are used for nothing.
    pub set_aside: Option<Arc<Vec<Reasons>>>,
    /// The files it was read from, in the order they were given; none where it came from memory.
    pub sources: Vec<Source>,
    /// Of each column that was read from text: the finest decimal step its figures are written to, in the
    /// column's unit (12.50 is written to 0.01). The cells of a workbook don't keep how they were written.
    pub written_to: BTreeMap<String, f64>,
}

/// A file that a log was read from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Source {
    /// Where it is.
    pub path: PathBuf,
    /// How many rows of the log come from it.
    pub rows: u64,
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

/// A source without any reading; the file, where it is one.
fn no_rows(path: Option<&Path>) -> Error {
    let fault = Fault::new("no readings", "a header and at least one row are needed");
    Error::Log(
        Fault {
            file: path.map(|path| path.display().to_string()),
            ..fault
        }
        .into(),
    )
}
