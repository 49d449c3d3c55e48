//! The first rows of a source as text, for [`super::describe`].

use std::fs::File;
use std::io::Read;
use std::path::Path;

use ::csv::{ReaderBuilder, StringRecord};
use arrow_array::cast::AsArray;
use arrow_array::{Array, RecordBatch};
use arrow_cast::cast::cast;
use arrow_schema::{DataType, Schema};

use crate::error::{Error, Fault};

/// The head of a source: headers, and the cells of its first rows.
#[derive(Debug, Clone, Default)]
pub struct Sample {
    /// The headers.
    pub titles: Vec<String>,
    /// The cells.
    pub rows: Vec<Vec<String>>,
    /// What stands between cells, where the source is text.
    pub separator: Option<char>,
}

/// No more text than this is looked at.
const MOST_BYTES: u64 = 8 << 20;
/// Separators, the rarest inside cells first.
const SEPARATORS: [u8; 4] = [b'\t', b';', b'|', b','];
/// Lines by which the separator and the header's place are told.
const TRIED: usize = 60;

/// The first `rows` rows of a text file, whatever its separator and however many lines stand above its headers.
///
/// Text that is not UTF-8 is read as Latin-1.
///
/// # Errors
/// [`Error::File`] where it can't be opened; [`Error::Log`] where it is no table of text.
pub fn sample(path: &Path, rows: usize) -> Result<Sample, Error> {
    let refuse = |problem: &str, remedy: &str| Err(Error::Log(Fault::new(problem, remedy).into()));
    let file = File::open(path).map_err(|cause| Error::file(path, "opened", cause))?;
    let mut bytes = Vec::new();
    file.take(MOST_BYTES)
        .read_to_end(&mut bytes)
        .map_err(|cause| Error::file(path, "read", cause))?;
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) || bytes.contains(&0) {
        return refuse("no text in UTF-8", "save it as CSV in UTF-8");
    }
    if bytes.len() as u64 == MOST_BYTES {
        // The last line may have been cut.
        let end = memchr::memrchr(b'\n', &bytes).map_or(bytes.len(), |at| at + 1);
        bytes.truncate(end);
    }
    let text = match String::from_utf8(bytes) {
        Ok(text) => text,
        Err(not) => not.as_bytes().iter().copied().map(char::from).collect(),
    };
    let text = text.trim_start_matches('\u{feff}');
    let mut best: Option<(f64, usize, u8)> = None;
    for separator in SEPARATORS {
        let records = records(text, separator, TRIED);
        let (width, share) = usual_width(&records);
        if width > 1 && best.is_none_or(|(known, ..)| share > known) {
            best = Some((share, width, separator));
        }
    }
    let Some((_, width, separator)) = best else {
        return refuse(
            "no table of several columns",
            "a header and rows, with a comma, semicolon, tab or | between cells",
        );
    };
    let all = records(text, separator, TRIED.saturating_add(rows));
    // Above the headers a logger may write its name and settings, in fewer cells.
    let header = all
        .iter()
        .position(|record| {
            record.len() == width
                && record.iter().filter(|cell| !cell.trim().is_empty()).count() * 2 > width
        })
        .unwrap_or(0);
    let cells = |record: &StringRecord| record.iter().map(str::to_owned).collect::<Vec<_>>();
    let mut rest = all.iter().skip(header).map(cells);
    let titles: Vec<String> = rest
        .next()
        .unwrap_or_default()
        .iter()
        .map(|title| title.trim().to_owned())
        .collect();
    Ok(Sample {
        titles,
        rows: rest.take(rows).collect(),
        separator: Some(char::from(separator)),
    })
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
