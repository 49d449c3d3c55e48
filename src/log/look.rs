//! A first look at a source that nothing is known of, for [`super::describe`]: where its header stands, what parts its
//! cells, and what its first rows hold.

use std::path::Path;

use ::csv::{ReaderBuilder, StringRecord};
use arrow_array::cast::AsArray;
use arrow_array::{Array, RecordBatch};
use arrow_cast::cast::cast;
use arrow_schema::{DataType, Schema};

use super::options::ReadOptions;
use super::sample::{Sample, sample};
use super::source::first_text;
use crate::error::{Error, Fault};

/// No more text than this is looked at.
const MOST_BYTES: u64 = 1 << 20;
/// Separators, the rarest inside cells first.
const SEPARATORS: [u8; 4] = [b'\t', b';', b'|', b','];
/// Lines by which the separator and the header's place are told.
const TRIED: usize = 60;

/// The headers and the first `rows` rows of a file of any kind that is read: of text, with the separator that most of its
/// lines have alike, and the header below whatever stands above it in fewer cells.
///
/// # Errors
/// As [`sample`]; [`Error::Log`] where a text is no table.
pub fn look(path: &Path, rows: usize) -> Result<Sample, Error> {
    let mut options = ReadOptions::default();
    if let Some(bytes) = first_text(path, MOST_BYTES)? {
        let (separator, header_row) = place(&bytes).ok_or_else(|| {
            Error::Log(
                Fault::new(
                    "no table of several columns",
                    "a header and rows in UTF-8, with a comma, semicolon, tab or | between cells",
                )
                .into(),
            )
        })?;
        options.separator = Some(char::from(separator));
        options.header_row = Some(header_row);
    }
    let mut found = sample(path, &options, rows)?;
    for title in &mut found.titles {
        *title = title.trim().to_owned();
    }
    Ok(found)
}

/// What parts the cells of a text, and the line of its header, from 1.
fn place(bytes: &[u8]) -> Option<(u8, u64)> {
    // A last line that was cut is one of several.
    let text = String::from_utf8_lossy(bytes);
    let mut best: Option<(f64, usize, u8)> = None;
    for separator in SEPARATORS {
        let records = records(&text, separator, TRIED);
        let (width, share) = usual_width(&records);
        if width > 1 && best.is_none_or(|(known, ..)| share > known) {
            best = Some((share, width, separator));
        }
    }
    let (_, width, separator) = best?;
    let all = records(&text, separator, TRIED);
    // Above the headers a logger may write its name and settings, in fewer cells.
    let header = all.iter().find(|record| {
        record.len() == width
            && record.iter().filter(|cell| !cell.trim().is_empty()).count() * 2 > width
    })?;
    // A record begins where the one before ends; blank lines that are passed over come first.
    let begins = header.position()?;
    let blank = text
        .get(begins.byte() as usize..)?
        .bytes()
        .take_while(|byte| matches!(byte, b'\n' | b'\r'))
        .filter(|byte| *byte == b'\n')
        .count() as u64;
    Some((separator, begins.line() + blank))
}

/// The first `rows` rows of a table in memory, as text.
///
/// # Errors
/// [`Error::Log`] where a column can't be written as text.
pub fn sample_batches(
    schema: &Schema,
    batches: &[RecordBatch],
    rows: usize,
) -> Result<Sample, Error> {
    let titles: Vec<String> = schema
        .fields()
        .iter()
        .map(|field| field.name().clone())
        .collect();
    let mut sample = Sample {
        titles,
        ..Sample::default()
    };
    for batch in batches {
        let batch = batch.slice(0, batch.num_rows().min(rows - sample.rows.len()));
        let columns = batch
            .columns()
            .iter()
            .zip(&sample.titles)
            .map(|(array, title)| {
                cast(array, &DataType::LargeUtf8).map_err(|cause| {
                    Error::Log(Fault::new(cause.to_string(), "").at_column(title).into())
                })
            })
            .collect::<Result<Vec<_>, Error>>()?;
        for row in 0..batch.num_rows() {
            let cell = |array: &arrow_array::ArrayRef| {
                let array = array.as_string::<i64>();
                if array.is_null(row) {
                    String::new()
                } else {
                    array.value(row).to_owned()
                }
            };
            sample.rows.push(columns.iter().map(cell).collect());
        }
    }
    Ok(sample)
}

fn records(text: &str, separator: u8, most: usize) -> Vec<StringRecord> {
    ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(separator)
        .from_reader(text.as_bytes())
        .into_records()
        .take(most)
        .filter_map(Result::ok)
        .collect()
}

/// How many cells most records have, and what share of records that is.
fn usual_width(records: &[StringRecord]) -> (usize, f64) {
    let count = |width: usize| {
        records
            .iter()
            .filter(|record| record.len() == width)
            .count()
    };
    let width = records
        .iter()
        .map(StringRecord::len)
        .filter(|width| *width > 1)
        .max_by_key(|width| (count(*width), *width))
        .unwrap_or(0);
    (width, count(width) as f64 / records.len().max(1) as f64)
}
