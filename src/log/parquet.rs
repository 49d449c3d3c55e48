//! Parquet files, a batch of rows at a time.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::types::TimestampMicrosecondType;
use arrow_array::{ArrayRef, RecordBatch};
use arrow_schema::{DataType, Schema, TimeUnit};
use jiff::tz::TimeZone;
use parquet::arrow::arrow_reader::{ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder};

use super::frames::{BatchReader, cast, texts, titles, zone_of_times};
use super::header::Header;
use super::options::ReadOptions;
use super::rows::Rows;
use super::source::guarded;
use super::time;
use crate::error::{Error, Fault};

/// Rows read at a time.
const BATCH: usize = 1 << 16;

/// The batches of a Parquet file.
pub(super) struct ParquetBlocks {
    path: PathBuf,
    schema: Arc<Schema>,
    batches: ParquetRecordBatchReader,
    columns: BatchReader,
    rows: u64,
    read: u64,
}

impl ParquetBlocks {
    pub fn open(path: &Path, file: File, options: &ReadOptions) -> Result<Self, Error> {
        let columns = BatchReader::new(options)?;
        let builder =
            ParquetRecordBatchReaderBuilder::try_new(file).map_err(|cause| damaged(path, cause))?;
        let schema = Arc::clone(builder.schema());
        let rows = u64::try_from(builder.metadata().file_metadata().num_rows()).unwrap_or(0);
        let batches = builder
            .with_batch_size(BATCH)
            .build()
            .map_err(|cause| damaged(path, cause))?;
        Ok(Self {
            path: path.to_owned(),
            schema,
            batches,
            columns,
            rows,
            read: 0,
        })
    }

    pub fn titles(&self) -> Vec<String> {
        titles(&self.schema)
    }

    /// The zone that the file says its times are seen in.
    pub fn zone_of_times(&self, header: &Header) -> Option<String> {
        zone_of_times(&self.schema, header)
    }

    /// What share is read, 0 to 1.
    pub fn share(&self) -> f64 {
        (self.read as f64 / self.rows.max(1) as f64).min(1.0)
    }

    pub fn next_rows(&mut self, header: &Header) -> Result<Option<Rows>, Error> {
        let Some(batch) = self.next_batch()? else {
            return Ok(None);
        };
        let mut rows = Rows::new(header, batch.num_rows());
        self.columns.read(header, &batch, &mut rows);
        self.read += batch.num_rows() as u64;
        Ok(Some(rows))
    }

    fn next_batch(&mut self) -> Result<Option<RecordBatch>, Error> {
        guarded(&self.path, || {
            let batch = self.batches.next().transpose();
            batch.map_err(|cause| damaged(&self.path, cause))
        })
    }

    /// The cells of the first rows as text, `rows` of them at most; an empty one where a value is missing or is
    /// of a kind that has no text.
    pub fn sample(&mut self, rows: usize) -> Result<Vec<Vec<String>>, Error> {
        let mut sample: Vec<Vec<String>> = Vec::new();
        while sample.len() < rows
            && let Some(batch) = self.next_batch()?
        {
            let first = sample.len();
            let taken = batch.num_rows().min(rows - first);
            sample.resize(first + taken, vec![String::new(); batch.num_columns()]);
            for (at, column) in batch.columns().iter().enumerate() {
                for (row, cell) in words_of(&column.slice(0, taken)).into_iter().enumerate() {
                    sample[first + row][at] = cell;
                }
            }
        }
        Ok(sample)
    }
}

/// A column's values as text; none where they have no text.
fn words_of(column: &ArrayRef) -> Vec<String> {
    if let DataType::Timestamp(_, zone) = column.data_type() {
        let micro = DataType::Timestamp(TimeUnit::Microsecond, zone.clone());
        let Ok(stamps) = cast(column, &micro) else {
            return Vec::new();
        };
        let shown = |stamp| match zone {
            Some(name) => time::show(stamp, &time::zone_or_utc(name)),
            // As a clock showed it, without an offset.
            None => time::show(stamp, &TimeZone::UTC).replace("+00:00", ""),
        };
        let stamps = stamps.as_primitive::<TimestampMicrosecondType>();
        return stamps
            .iter()
            .map(|stamp| stamp.map_or(String::new(), shown))
            .collect();
    }
    match texts(column) {
        Ok(words) => words
            .as_string::<i64>()
            .iter()
            .map(|word| word.unwrap_or_default().to_owned())
            .collect(),
        Err(_) => Vec::new(),
    }
}

fn damaged(path: &Path, cause: impl std::fmt::Display) -> Error {
    Error::File(Fault::new(
        format!("{} can't be read: {cause}", path.display()),
        "write the Parquet file anew",
    ))
}
