//! CSV, a block at a time, so that a file of any size is read in bounded memory.

use std::fs::File;
use std::io::{Read, Seek};
use std::path::{Path, PathBuf};

use ::csv::{ByteRecord, ReaderBuilder};
use memchr::memchr;
use rayon::prelude::*;

use super::cell;
use super::schema::{Field, Header, ReadOptions};
use super::time::TimeReader;
use super::{Log, Offsets, Rows, TimeOrder, is_switch, no_rows};
use crate::error::{Error, Fault};

/// Text read at a time. Large enough that threads have work, small enough that memory stays flat.
const BLOCK_BYTES: usize = 16 << 20;
/// A record longer than this is a quote that was never closed.
const LONGEST_RECORD: usize = 1 << 20;

/// Reads a whole CSV file.
///
/// # Errors
/// [`Error::File`] where it can't be opened; [`Error::Log`] with every fault of header and cells.
pub fn read_csv(path: &Path, options: &ReadOptions) -> Result<Log, Error> {
    read_csv_watched(path, options, |_| {})
}

/// Reads a whole CSV file as [`read_csv`] does, and tells `watch` after each block what share is read, 0 to 1.
///
/// # Errors
/// As [`read_csv`].
pub fn read_csv_watched(
    path: &Path,
    options: &ReadOptions,
    mut watch: impl FnMut(f64),
) -> Result<Log, Error> {
    let mut reader = CsvReader::open(path, options.clone())?;
    let bytes = reader.file.metadata().map_or(0, |metadata| metadata.len());
    let mut rows = Rows::new(&reader.header, 0);
    while let Some(block) = reader.next_rows()? {
        rows.append(block);
        let place = reader.file.stream_position().unwrap_or(bytes);
        watch((place as f64 / bytes.max(1) as f64).min(1.0));
    }
    let faults = std::mem::take(&mut rows.faults);
    super::finish(reader.header.log(rows, &reader.options), faults)
}

/// Reads a CSV file as a run of logs, each of a block of rows, in bounded memory.
///
/// Iteration ends after the first error.
pub struct CsvReader {
    path: PathBuf,
    file: File,
    header: Header,
    options: ReadOptions,
    times: TimeReader,
    /// Text read and not yet parsed.
    text: Vec<u8>,
    at_end: bool,
    rows: u64,
    lines: u64,
    order: TimeOrder,
    failed: bool,
}

impl CsvReader {
    /// Opens a file and understands its header.
    ///
    /// # Errors
    /// [`Error::File`] where it can't be opened; [`Error::Log`] with every fault of the header.
    pub fn open(path: &Path, options: ReadOptions) -> Result<Self, Error> {
        let times = TimeReader::new(options.time_zone.as_deref(), options.time_format.as_deref())?;
        let file = File::open(path).map_err(|cause| Error::file(path, "opened", cause))?;
        let mut reader = Self {
            path: path.to_owned(),
            file,
            header: Header {
                fields: Vec::new(),
                titles: Vec::new(),
            },
            options,
            times,
            text: Vec::new(),
            at_end: false,
            rows: 0,
            lines: 0,
            order: TimeOrder::default(),
            failed: false,
        };
        reader.fill()?;
        reader.read_header()?;
        Ok(reader)
    }

    /// Reads on until there is a block of text or the file ends.
    fn fill(&mut self) -> Result<(), Error> {
        let wanted = BLOCK_BYTES
            .saturating_sub(self.text.len())
            .max(BLOCK_BYTES / 4) as u64;
        let read = (&mut self.file)
            .take(wanted)
            .read_to_end(&mut self.text)
            .map_err(|cause| Error::file(&self.path, "read", cause))?;
        self.at_end = (read as u64) < wanted;
        Ok(())
    }

    fn read_header(&mut self) -> Result<(), Error> {
        let refuse = |problem: &str, remedy: &str| {
            let mut fault = Fault::new(problem, remedy);
            fault.line = Some(1);
            Err(Error::Log(fault.into()))
        };
        if self.text.starts_with(&[0xff, 0xfe]) || self.text.starts_with(&[0xfe, 0xff]) {
            return refuse("the file is UTF-16", "save it as CSV in UTF-8");
        }
        let mut reader = plain_reader(&self.text);
        let mut record = ByteRecord::new();
        let found = reader.read_byte_record(&mut record);
        if !matches!(found, Ok(true)) {
            return Err(no_rows());
        }
        if memchr(0, record.as_slice()).is_some() {
            return refuse("the header holds a zero byte", "save it as CSV in UTF-8");
        }
        let mut titles = Vec::with_capacity(record.len());
        for cell in &record {
            match std::str::from_utf8(cell) {
                Ok(title) => titles.push(title.to_owned()),
                Err(_) => {
                    let shown = String::from_utf8_lossy(cell);
                    return refuse(
                        &format!("the header '{shown}' is not UTF-8"),
                        "save it as CSV in UTF-8 (a degree or micro sign in another encoding does this)",
                    );
                }
            }
        }
        let end = reader.position().byte() as usize;
        self.lines = memchr::memchr_iter(b'\n', &self.text[..end]).count() as u64;
        self.text.drain(..end);
        self.header = Header::resolve(&titles, &self.options)?;
        Ok(())
    }

    /// The rows of the next block; `None` at the end.
    fn next_rows(&mut self) -> Result<Option<Rows>, Error> {
        loop {
            if self.text.is_empty() && self.at_end {
                return Ok(None);
            }
            let end = self.whole_records()?;
            if end == 0 && !self.at_end {
                self.fill()?;
                continue;
            }
            let block = &self.text[..end];
            let parts = if memchr(b'"', block).is_none() {
                split_at_lines(block, rayon::current_num_threads())
            } else {
                vec![block]
            };
            let mut first_line = self.lines + 1;
            let parts: Vec<(&[u8], u64)> = parts
                .into_iter()
                .map(|part| {
                    let line = first_line;
                    first_line += memchr::memchr_iter(b'\n', part).count() as u64;
                    (part, line)
                })
                .collect();
            let parsed: Vec<Rows> = parts
                .par_iter()
                .map(|(part, line)| self.parse(part, *line))
                .collect();
            let mut rows = Rows::new(&self.header, 0);
            for part in parsed {
                rows.append(part);
            }
            self.lines = first_line - 1;
            self.text.drain(..end);
            if !self.at_end {
                self.fill()?;
            }
            if !rows.time.is_empty() {
                return Ok(Some(rows));
            }
        }
    }

    /// How much of the text is whole records.
    fn whole_records(&self) -> Result<usize, Error> {
        if self.at_end {
            return Ok(self.text.len());
        }
        let end = if memchr(b'"', &self.text).is_none() {
            memchr::memrchr(b'\n', &self.text).map_or(0, |at| at + 1)
        } else {
            // A line break may stand inside quotes, and a quote inside a plain cell: only the parser
            // knows where records end. The last one it finds may go on in the next block.
            let mut reader = plain_reader(&self.text);
            let mut record = ByteRecord::new();
            let (mut start, mut end) = (0, 0);
            while matches!(reader.read_byte_record(&mut record), Ok(true)) {
                start = end;
                end = reader.position().byte() as usize;
            }
            start
        };
        if self.text.len() - end > LONGEST_RECORD {
            let mut fault = Fault::new(
                format!("a record longer than {LONGEST_RECORD} bytes"),
                "close the quote that was opened there",
            );
            let before = memchr::memchr_iter(b'\n', &self.text[..end]).count() as u64;
            fault.line = Some(self.lines + before + 1);
            return Err(Error::Log(fault.into()));
        }
        Ok(end)
    }

    /// Parses whole records, the first of which stands on line `first_line`.
    fn parse(&self, text: &[u8], first_line: u64) -> Rows {
        // Rows are about as long as each other: the first tells how many to make room for.
        let line = memchr(b'\n', text).unwrap_or(text.len()).max(1);
        let mut rows = Rows::new(&self.header, text.len() / line + text.len() / line / 8);
        let mut reader = plain_reader(text);
        let mut record = ByteRecord::new();
        while matches!(reader.read_byte_record(&mut record), Ok(true)) {
            let line = first_line + record.position().map_or(1, |position| position.line()) - 1;
            self.parse_record(&record, line, &mut rows);
        }
        rows
    }

    fn parse_record(&self, record: &ByteRecord, line: u64, rows: &mut Rows) {
        let row = rows.time.len() as u64 + 1;
        let expected = self.header.fields.len();
        if record.len() != expected {
            let mut fault = Fault::new(
                format!("{} cells, where the header has {expected}", record.len()),
                "one cell for each header; a comma inside a cell needs quotes around it",
            )
            .at_row(row);
            fault.line = Some(line);
            rows.faults.push(fault);
            // No figure of a ragged row is trusted, but it keeps its place.
            rows.time.push(0);
            rows.numbers
                .iter_mut()
                .for_each(|values| values.push(f64::NAN));
            (0..2)
                .filter(|label| self.header.has_label(*label))
                .for_each(|label| rows.labels[label].push(""));
            return;
        }
        let mut number = 0;
        for (at, cell) in record.iter().enumerate() {
            let fault = match self.header.fields[at] {
                Field::LeftOut => None,
                Field::Number(column, unit) => {
                    let parsed = if is_switch(column) {
                        cell::switch(cell)
                    } else {
                        cell::number(cell, unit)
                    };
                    rows.numbers[number].push(parsed.unwrap_or(f64::NAN));
                    number += 1;
                    parsed
                        .err()
                        .map(|(problem, remedy)| Fault::new(problem, remedy))
                }
                Field::Time => self.parse_time(cell, rows),
                Field::Label(label) => parse_label(cell, &mut rows.labels[label]),
            };
            if let Some(fault) = fault {
                let mut fault = fault
                    .at_row(row)
                    .at_column(&self.header.titles[at])
                    .with_value(String::from_utf8_lossy(cell));
                fault.line = Some(line);
                rows.faults.push(fault);
            }
        }
    }

    fn parse_time(&self, cell: &[u8], rows: &mut Rows) -> Option<Fault> {
        let text = std::str::from_utf8(cell.trim_ascii()).unwrap_or_default();
        if text.is_empty() {
            rows.time.push(0);
            return Some(Fault::new("no time", "every reading needs one"));
        }
        match self.times.read(text) {
            Ok((time, offset)) => {
                rows.time.push(time);
                rows.offset = rows.offset.and(offset.map_or(Offsets::None, Offsets::One));
                None
            }
            Err(fault) => {
                rows.time.push(0);
                Some(Fault::new(fault.problem, fault.remedy))
            }
        }
    }
}

fn parse_label(cell: &[u8], words: &mut super::Words) -> Option<Fault> {
    let text = std::str::from_utf8(cell.trim_ascii());
    words.push(text.unwrap_or_default());
    match text {
        Err(_) => Some(Fault::new("not UTF-8", "save it as CSV in UTF-8")),
        Ok("") => Some(Fault::new(
            "empty",
            "every reading of such a log names its train and stage",
        )),
        Ok(_) => None,
    }
}

impl Iterator for CsvReader {
    type Item = Result<Log, Error>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.failed {
            return None;
        }
        let read = self.next_rows().and_then(|rows| {
            let Some(mut rows) = rows else {
                return Ok(None);
            };
            let before = self.rows;
            self.rows += rows.time.len() as u64;
            let mut faults = std::mem::take(&mut rows.faults);
            for fault in faults.list_mut() {
                fault.row = fault.row.map(|row| row + before);
            }
            let log = self.header.log(rows, &self.options);
            if faults.is_empty() {
                self.order.check(&log.table, before + 1, &mut faults);
            }
            faults.into_result(Error::Log)?;
            Ok(Some(log))
        });
        self.failed = read.is_err();
        read.transpose()
    }
}

/// A reader of records without a header, which leaves it to us to complain of ragged ones.
fn plain_reader(text: &[u8]) -> ::csv::Reader<&[u8]> {
    ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .buffer_capacity(1 << 16)
        .from_reader(text)
}

/// Cuts text into about `parts` pieces, each ending at a line's end.
fn split_at_lines(text: &[u8], parts: usize) -> Vec<&[u8]> {
    const LEAST: usize = 64 << 10;
    let target = (text.len() / parts.max(1)).max(LEAST);
    let mut pieces = Vec::with_capacity(parts + 1);
    let mut rest = text;
    while rest.len() > target {
        let Some(line) = memchr(b'\n', &rest[target..]) else {
            break;
        };
        let (piece, after) = rest.split_at(target + line + 1);
        pieces.push(piece);
        rest = after;
    }
    if !rest.is_empty() {
        pieces.push(rest);
    }
    pieces
}
