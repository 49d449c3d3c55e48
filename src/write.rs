//! Tables out: Arrow, CSV, Parquet. What is written as a log is read back as the same log.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::sync::Arc;

use arrow_array::{
    ArrayRef, BooleanArray, DictionaryArray, Float64Array, Int32Array, RecordBatch, StringArray,
    TimestampMicrosecondArray,
};
use arrow_schema::{DataType, Field, Schema, TimeUnit};

use crate::error::Error;
use crate::log::time::{show, zone_or_utc};
use crate::log::{LABELS, TIME};
use crate::screen::Reasons;
use crate::table::{Labels, Table};
use crate::units::Quantity;

/// Rows written at a time.
const BATCH: usize = 1 << 16;

/// A table with, for a result, its reasons.
#[derive(Debug, Clone)]
pub struct Output<'a> {
    /// The figures.
    pub table: &'a Table,
    /// Why each row was set aside, if this is a result.
    pub reasons: Option<&'a [Reasons]>,
}

impl Output<'_> {
    /// The Arrow schema: units in brackets behind the names, times in the table's zone.
    pub fn schema(&self) -> Arc<Schema> {
        let mut fields = vec![Field::new(
            TIME,
            DataType::Timestamp(TimeUnit::Microsecond, Some(self.table.zone.as_str().into())),
            false,
        )];
        let words = || DataType::Dictionary(Box::new(DataType::Int32), Box::new(DataType::Utf8));
        for (name, labels) in LABELS.iter().zip(&self.table.labels) {
            if labels.is_some() {
                fields.push(Field::new(*name, words(), false));
            }
        }
        for series in &self.table.series {
            let kind = match series.unit.quantity {
                Quantity::Number if series.name == "running" => DataType::Boolean,
                _ => DataType::Float64,
            };
            fields.push(Field::new(series.header(), kind, true));
        }
        if self.reasons.is_some() {
            fields.push(Field::new("reasons", words(), false));
        }
        Arc::new(Schema::new(fields))
    }

    /// The rows from `start` on, `rows` of them, in the user's units.
    pub fn batch(&self, start: usize, rows: usize) -> Result<RecordBatch, Error> {
        let end = (start + rows).min(self.table.len());
        let range = start.min(end)..end;
        let times = TimestampMicrosecondArray::from(self.table.time[range.clone()].to_vec())
            .with_timezone(self.table.zone.as_str());
        let mut columns: Vec<ArrayRef> = vec![Arc::new(times)];
        for labels in self.table.labels.iter().flatten() {
            columns.push(dictionary(labels, range.clone())?);
        }
        for series in &self.table.series {
            let values = &series.values[range.clone()];
            // NaN and null both mean missing; Arrow has a null.
            let shown = |value: f64| (!value.is_nan()).then(|| series.unit.from_canonical(value));
            columns.push(if series.name == "running" {
                Arc::new(BooleanArray::from_iter(
                    values
                        .iter()
                        .map(|value| (!value.is_nan()).then_some(*value != 0.0)),
                ))
            } else {
                Arc::new(Float64Array::from_iter(
                    values.iter().map(|value| shown(*value)),
                ))
            });
        }
        if let Some(reasons) = self.reasons {
            columns.push(reason_words(&reasons[range])?);
        }
        RecordBatch::try_new(self.schema(), columns).map_err(internal)
    }

    /// All rows, in batches.
    pub fn batches(&self) -> Result<Vec<RecordBatch>, Error> {
        (0..self.table.len().max(1))
            .step_by(BATCH)
            .map(|start| self.batch(start, BATCH))
            .collect()
    }

    /// Writes CSV: ISO times with their offset, nothing where a figure is missing, figures with as many digits
    /// as bring back the same value.
    ///
    /// # Errors
    /// [`Error::File`] where the file can't be written.
    pub fn write_csv(&self, path: &Path) -> Result<(), Error> {
        let fail = |cause: ::csv::Error| Error::file(path, "written", cause);
        let file = File::create(path).map_err(|cause| Error::file(path, "written", cause))?;
        let mut writer = ::csv::Writer::from_writer(BufWriter::new(file));
        let schema = self.schema();
        writer
            .write_record(schema.fields().iter().map(|field| field.name().as_str()))
            .map_err(fail)?;
        let zone = zone_or_utc(&self.table.zone);
        let mut cell = Vec::new();
        for row in 0..self.table.len() {
            writer
                .write_field(show(self.table.time[row], &zone))
                .map_err(fail)?;
            for labels in self.table.labels.iter().flatten() {
                writer.write_field(labels.word(row)).map_err(fail)?;
            }
            for series in &self.table.series {
                let value = series.values[row];
                cell.clear();
                if series.name == "running" && !value.is_nan() {
                    cell.extend_from_slice(if value != 0.0 { b"true" } else { b"false" });
                } else if !value.is_nan() {
                    // Writing into a Vec doesn't fail.
                    let _ = write!(cell, "{}", series.unit.from_canonical(value));
                }
                writer.write_field(&cell).map_err(fail)?;
            }
            if let Some(reasons) = self.reasons {
                writer.write_field(reasons[row].words()).map_err(fail)?;
            }
            writer.write_record(None::<&[u8]>).map_err(fail)?;
        }
        writer
            .flush()
            .map_err(|cause| Error::file(path, "written", cause))
    }

    /// Writes Parquet, compressed with Snappy.
    ///
    /// # Errors
    /// [`Error::File`] where the file can't be written.
    pub fn write_parquet(&self, path: &Path) -> Result<(), Error> {
        let fail = |cause: parquet::errors::ParquetError| Error::file(path, "written", cause);
        let file = File::create(path).map_err(|cause| Error::file(path, "written", cause))?;
        let properties = parquet::file::properties::WriterProperties::builder()
            .set_compression(parquet::basic::Compression::SNAPPY)
            .build();
        let mut writer =
            parquet::arrow::ArrowWriter::try_new(file, self.schema(), Some(properties))
                .map_err(fail)?;
        for start in (0..self.table.len()).step_by(BATCH) {
            writer.write(&self.batch(start, BATCH)?).map_err(fail)?;
        }
        writer.close().map(|_| ()).map_err(fail)
    }
}

fn dictionary(labels: &Labels, range: std::ops::Range<usize>) -> Result<ArrayRef, Error> {
    let keys = Int32Array::from_iter_values(labels.codes[range].iter().map(|code| *code as i32));
    let words = StringArray::from_iter_values(&labels.words);
    Ok(Arc::new(
        DictionaryArray::try_new(keys, Arc::new(words)).map_err(internal)?,
    ))
}

fn reason_words(reasons: &[Reasons]) -> Result<ArrayRef, Error> {
    let mut labels = Labels::default();
    let mut codes = std::collections::HashMap::new();
    for reason in reasons {
        let code = *codes.entry(*reason).or_insert_with(|| {
            labels.words.push(reason.words());
            labels.words.len() as u32 - 1
        });
        labels.codes.push(code);
    }
    dictionary(&labels, 0..reasons.len())
}

/// A table whose parts don't fit together: a fault of ours, said rather than hidden.
fn internal(cause: arrow_schema::ArrowError) -> Error {
    Error::File(crate::error::Fault::new(
        format!("the table can't be built: {cause}"),
        "please report this",
    ))
}
