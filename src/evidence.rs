//! What a dossier keeps of each reading, so that a changed one is found and named: its number, its time, why it was
//! set aside, and a digest of its values.
//!
//! A fingerprint of the whole ([`Log::hash`]) says *that* two logs differ; these say where: a row's digest names the
//! row, and a column's digest over a block of rows names the column. The proof lies in the fingerprint and in the
//! hashes of the files; the digests are short, and only point at the place.

use rayon::prelude::*;

use crate::error::{Error, Fault};
use crate::log::time::{show, zone_or_utc};
use crate::log::{Column, LABELS, Log, TIME};
use crate::normalise::Normalised;
use crate::table::Labels;

/// Rows that share a column's digest. Of one changed cell in a block the column is known for sure; of several, the
/// columns among which they are.
pub const BLOCK: usize = 1_000;

/// The digests of a log's values: times, labels and figures in canonical units. Every NaN is the same: missing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Digests {
    /// One a row.
    pub rows: Vec<u64>,
    /// Of each column, labels and time among them, one a block of [`BLOCK`] rows.
    pub columns: Vec<(String, Vec<u64>)>,
}

impl Digests {
    /// Those of a log: the first eight bytes of a BLAKE3 each.
    ///
    /// ```
    /// use brinemark::evidence::Digests;
    /// use brinemark::Log;
    ///
    /// assert!(Digests::of(&Log::default()).rows.is_empty());
    /// ```
    pub fn of(log: &Log) -> Self {
        let columns = columns(log);
        let rows = (0..log.table.len())
            .into_par_iter()
            .with_min_len(BLOCK)
            .map_init(Vec::new, |bytes, row| {
                bytes.clear();
                for (_, cells) in &columns {
                    cells.write(row, bytes);
                }
                digest(bytes)
            })
            .collect();
        let blocks = log.table.len().div_ceil(BLOCK);
        let of_column = |cells: &Cells<'_>| {
            (0..blocks)
                .into_par_iter()
                .map_init(Vec::new, |bytes, block| {
                    bytes.clear();
                    let end = ((block + 1) * BLOCK).min(log.table.len());
                    for row in block * BLOCK..end {
                        cells.write(row, bytes);
                    }
                    digest(bytes)
                })
                .collect()
        };
        let columns = columns
            .iter()
            .map(|(name, cells)| ((*name).to_owned(), of_column(cells)))
            .collect();
        Self { rows, columns }
    }
}

/// The cells of a column.
enum Cells<'a> {
    Times(&'a [i64]),
    Words(&'a Labels),
    Figures(&'a [f64]),
}

impl Cells<'_> {
    fn write(&self, row: usize, to: &mut Vec<u8>) {
        match self {
            Self::Times(times) => to.extend_from_slice(&times[row].to_le_bytes()),
            Self::Words(labels) => {
                let word = labels.word(row).as_bytes();
                to.extend_from_slice(&(word.len() as u64).to_le_bytes());
                to.extend_from_slice(word);
            }
            Self::Figures(figures) => {
                let figure = figures[row];
                // −0 is 0, and every NaN the same.
                let plain = if figure.is_nan() {
                    f64::NAN
                } else {
                    figure + 0.0
                };
                to.extend_from_slice(&plain.to_le_bytes());
            }
        }
    }
}

/// Time, labels and figures, in an order of their own whatever that of the file.
fn columns(log: &Log) -> Vec<(&'static str, Cells<'_>)> {
    let mut found = vec![(TIME, Cells::Times(&log.table.time))];
    for (name, labels) in LABELS.iter().zip(&log.table.labels) {
        found.extend(
            labels
                .as_deref()
                .map(|labels| (*name, Cells::Words(labels))),
        );
    }
    for column in Column::ALL {
        found.extend(
            log.get(*column)
                .map(|series| (column.name(), Cells::Figures(&series.values))),
        );
    }
    found
}

fn digest(bytes: &[u8]) -> u64 {
    let [a, b, c, d, e, f, g, h, ..] = *blake3::hash(bytes).as_bytes();
    u64::from_be_bytes([a, b, c, d, e, f, g, h])
}

/// The rows of a result as CSV: number from 1, time, train and stage where the log has them, the reasons for which it
/// was set aside (nothing: it was used), and the digest of its values in hexadecimal.
///
/// # Errors
/// [`Error::File`] where it can't be built, which is a fault of ours.
pub fn rows_csv(result: &Normalised, digests: &Digests) -> Result<Vec<u8>, Error> {
    let fail = |cause: csv::Error| {
        Error::File(Fault::new(
            format!("the rows can't be written: {cause}"),
            "please report this",
        ))
    };
    let table = &result.log.table;
    let labels: Vec<(&str, &Labels)> = LABELS
        .iter()
        .zip(&table.labels)
        .filter_map(|(name, labels)| labels.as_deref().map(|labels| (*name, labels)))
        .collect();
    let mut header = vec!["row", TIME];
    header.extend(labels.iter().map(|(name, _)| *name));
    header.extend(["reasons", "digest"]);
    let mut writer = csv::Writer::from_writer(Vec::with_capacity(64 * table.len()));
    writer.write_record(&header).map_err(fail)?;
    let zone = zone_or_utc(&table.zone);
    for (row, (digest, reasons)) in digests.rows.iter().zip(&result.reasons).enumerate() {
        writer.write_field((row + 1).to_string()).map_err(fail)?;
        writer
            .write_field(show(table.time[row], &zone))
            .map_err(fail)?;
        for (_, labels) in &labels {
            writer.write_field(labels.word(row)).map_err(fail)?;
        }
        writer.write_field(reasons.words()).map_err(fail)?;
        writer.write_field(format!("{digest:016x}")).map_err(fail)?;
        writer.write_record(None::<&[u8]>).map_err(fail)?;
    }
    writer
        .into_inner()
        .map_err(|cause| fail(cause.into_error().into()))
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use proptest::prelude::*;

    use super::*;
    use crate::table::{Series, Table};
    use crate::units::{Quantity, Unit};

    fn log(rows: usize) -> Log {
        let bar: &'static Unit = Quantity::Pressure.canonical();
        let series = |name: &str, from: f64| Series {
            name: name.to_owned(),
            unit: bar,
            values: (0..rows)
                .map(|row| from + 0.25 * row as f64)
                .collect::<Vec<f64>>()
                .into(),
        };
        Log {
            table: Table {
                time: Arc::new((0..rows as i64).collect()),
                zone: "UTC".to_owned(),
                series: vec![
                    series("feed_pressure", 9.0),
                    series("concentrate_pressure", 8.0),
                ],
                ..Table::default()
            },
            ..Log::default()
        }
    }

    #[test]
    fn the_order_of_columns_is_nothing() {
        let mut other = log(5);
        other.table.series.reverse();
        assert_eq!(Digests::of(&other), Digests::of(&log(5)));
    }

    #[test]
    fn the_blocks_cover_the_log() {
        let digests = Digests::of(&log(2 * BLOCK + 1));
        assert_eq!(digests.rows.len(), 2 * BLOCK + 1);
        assert!(digests.columns.iter().all(|(_, blocks)| blocks.len() == 3));
    }

    #[test]
    fn missing_is_missing_and_zero_is_zero() {
        let with = |value: f64| {
            let mut log = log(2);
            log.table.series[0].values = vec![value, 1.0].into();
            Digests::of(&log)
        };
        assert_eq!(with(f64::NAN), with(-f64::NAN));
        assert_eq!(with(0.0), with(-0.0));
        assert_ne!(with(0.0), with(f64::NAN));
    }

    proptest! {
        /// A changed cell changes the digests of its row, and of its column in its block, and no other.
        #[test]
        fn one_changed_cell_is_named(row in 0..2_500_usize, column in 0..2_usize, by in 1e-12..1.0_f64) {
            let before = log(2_500);
            let mut after = before.clone();
            let mut values = after.table.series[column].values.to_vec();
            values[row] += by;
            prop_assume!(values[row] != before.table.series[column].values[row]);
            after.table.series[column].values = values.into();
            let (before, after) = (Digests::of(&before), Digests::of(&after));
            let rows: Vec<usize> = (0..2_500).filter(|row| before.rows[*row] != after.rows[*row]).collect();
            prop_assert_eq!(rows, vec![row]);
            let name = &log(1).table.series[column].name;
            for ((of, was), (_, is)) in before.columns.iter().zip(&after.columns) {
                for (block, (was, is)) in was.iter().zip(is).enumerate() {
                    prop_assert_eq!(was != is, of == name && block == row / BLOCK);
                }
            }
        }
    }
}
