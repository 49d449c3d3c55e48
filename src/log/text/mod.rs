//! Text with separators, a block at a time, so that a file of any size is read in bounded memory.

mod plain;
mod records;
mod separator;

use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use csv::ByteRecord;
use memchr::memchr;
use rayon::prelude::*;

use self::records::Records;
use super::cell::{Figures, Finest};
use super::header::Header;
use super::no_rows;
use super::options::ReadOptions;
use super::rows::Rows;
use super::time::TimeReader;
use crate::error::{Error, Fault};

/// Text read at a time. Large enough that threads have work, small enough that memory stays flat. (Fuzzing brings
/// small files, which are to have several blocks too.)
const BLOCK_BYTES: usize = if cfg!(fuzzing) { 1 << 10 } else { 2 << 20 };
/// A record longer than this is a quote that was never closed.
const LONGEST_RECORD: usize = 1 << 20;
const OPEN_QUOTE: &str = "a quote that is never closed";
const CLOSE_QUOTE: &str = "close it behind its cell; where it is part of the text (a 2\" pipe), put the cell in quotes and write it twice";
/// What stands between the cells of a sheet's text; none of them holds one.
pub(super) const SHEET_SEPARATOR: u8 = b'\t';

/// The blocks of a text file, or of a sheet that was written as one.
pub(super) struct TextBlocks {
    path: PathBuf,
    source: Box<dyn Read + Send>,
    /// Bytes of the file that are read, and how many it has.
    progress: (Arc<AtomicU64>, u64),
    /// The cells of the header, and of the row of units where there is one.
    pub titles: Vec<String>,
    pub units: Vec<String>,
    /// The line of the header, from 1.
    pub header_row: u64,
    records: Records,
    /// Whether the text is that of a sheet.
    of_sheet: bool,
    /// Text read and not yet parsed.
    text: Vec<u8>,
    at_end: bool,
    lines: u64,
}

impl TextBlocks {
    /// Opens a file's text.
    pub fn of_file(
        path: &Path,
        source: Box<dyn Read + Send>,
        progress: (Arc<AtomicU64>, u64),
        options: &ReadOptions,
    ) -> Result<Self, Error> {
        Self::open(path, source, progress, options, false)
    }

    /// Opens a sheet's text.
    pub fn of_sheet(
        path: &Path,
        source: Box<dyn Read + Send>,
        options: &ReadOptions,
    ) -> Result<Self, Error> {
        Self::open(path, source, (Arc::default(), 0), options, true)
    }

    fn open(
        path: &Path,
        source: Box<dyn Read + Send>,
        progress: (Arc<AtomicU64>, u64),
        options: &ReadOptions,
        of_sheet: bool,
    ) -> Result<Self, Error> {
        let times = TimeReader::new(options)?;
        let mut blocks = Self {
            path: path.to_owned(),
            source,
            progress,
            titles: Vec::new(),
            units: Vec::new(),
            header_row: 0,
            records: Records {
                separator: SHEET_SEPARATOR,
                figures: Figures::new(options.decimal),
                times: if of_sheet {
                    times.of_typed_cells()
                } else {
                    times
                },
            },
            of_sheet,
            text: Vec::new(),
            at_end: false,
            lines: 0,
        };
        blocks.fill()?;
        blocks.read_header(options)?;
        Ok(blocks)
    }

    /// What stands between the cells of a file.
    pub fn separator(&self) -> Option<char> {
        (!self.of_sheet).then(|| char::from(self.records.separator))
    }

    /// What share is read, 0 to 1.
    pub fn share(&self) -> f64 {
        let (read, bytes) = &self.progress;
        (read.load(Ordering::Relaxed) as f64 / (*bytes).max(1) as f64).min(1.0)
    }

    /// Reads on until there is a block of text or the file ends.
    fn fill(&mut self) -> Result<(), Error> {
        let wanted = BLOCK_BYTES
            .saturating_sub(self.text.len())
            .max(BLOCK_BYTES / 4) as u64;
        let read = (&mut self.source)
            .take(wanted)
            .read_to_end(&mut self.text)
            .map_err(|cause| Error::file(&self.path, "read", cause))?;
        self.at_end = (read as u64) < wanted;
        Ok(())
    }

    fn read_header(&mut self, options: &ReadOptions) -> Result<(), Error> {
        if self.text.starts_with(&[0xff, 0xfe]) || self.text.starts_with(&[0xfe, 0xff]) {
            return Err(at_line(1, "the file is UTF-16", "save it as CSV in UTF-8"));
        }
        if self.text.starts_with(&[0xef, 0xbb, 0xbf]) {
            self.text.drain(..3);
        }
        if let Some(row) = options.header_row {
            self.skip_to(row)?;
        }
        let blank = self
            .text
            .iter()
            .take_while(|byte| matches!(byte, b'\n' | b'\r'))
            .filter(|byte| **byte == b'\n')
            .count() as u64;
        self.header_row = self.lines + blank + 1;
        if !self.of_sheet {
            self.records.separator = match options.separator {
                Some(given) => u8::try_from(given).unwrap_or(b','),
                None => separator::of_header(&self.text, self.header_row)?,
            };
        }
        self.titles = self
            .next_cells("header")?
            .ok_or_else(|| no_rows(Some(&self.path)))?;
        if options.units_row == Some(true) {
            self.units = self
                .next_cells("row of units")?
                .ok_or_else(|| no_rows(Some(&self.path)))?;
        }
        Ok(())
    }

    /// Passes over the lines before the one that the caller named as the header's.
    fn skip_to(&mut self, row: u64) -> Result<(), Error> {
        let before = usize::try_from(row.saturating_sub(1)).unwrap_or(usize::MAX);
        let start = match before.checked_sub(1) {
            None => Some(0),
            Some(last) => memchr::memchr_iter(b'\n', &self.text)
                .nth(last)
                .map(|at| at + 1),
        };
        let line = |start: usize| {
            let rest = &self.text[start..];
            &rest[..memchr(b'\n', rest).unwrap_or(rest.len())]
        };
        match start.filter(|start| !line(*start).trim_ascii().is_empty()) {
            Some(start) => {
                self.text.drain(..start);
                self.lines = row - 1;
                Ok(())
            }
            None => Err(at_line(
                row,
                "no header here",
                "give header_row as the number of its line, counted from 1",
            )),
        }
    }

    /// The cells of the next record, which is to be in UTF-8.
    fn next_cells(&mut self, what: &str) -> Result<Option<Vec<String>>, Error> {
        let mut reader = self.records.reader(&self.text);
        let mut record = ByteRecord::new();
        if !matches!(reader.read_byte_record(&mut record), Ok(true)) {
            return Ok(None);
        }
        let refuse = |problem: String, remedy| Err(at_line(self.lines + 1, problem, remedy));
        if memchr(0, record.as_slice()).is_some() {
            return refuse(
                format!("the {what} holds a zero byte"),
                "save it as CSV in UTF-8",
            );
        }
        let mut cells = Vec::with_capacity(record.len());
        for cell in &record {
            match std::str::from_utf8(cell) {
                Ok(title) => cells.push(title.to_owned()),
                Err(_) => {
                    let shown = String::from_utf8_lossy(cell);
                    return refuse(
                        format!("the {what} '{shown}' is not UTF-8"),
                        "save it as CSV in UTF-8 (a degree or micro sign in another encoding does this)",
                    );
                }
            }
        }
        let end = reader.position().byte() as usize;
        if end == self.text.len() && self.records.ends_in_quotes(&self.text) {
            return refuse(format!("the {what} has {OPEN_QUOTE}"), CLOSE_QUOTE);
        }
        self.lines += memchr::memchr_iter(b'\n', &self.text[..end]).count() as u64;
        self.text.drain(..end);
        Ok(Some(cells))
    }

    /// The cells of the next rows as they stand, `rows` of them at most.
    pub fn sample(&self, rows: usize) -> Vec<Vec<String>> {
        let mut reader = self.records.reader(&self.text);
        let mut record = ByteRecord::new();
        let mut sample = Vec::new();
        while sample.len() < rows && matches!(reader.read_byte_record(&mut record), Ok(true)) {
            let text = |cell| String::from_utf8_lossy(cell).into_owned();
            sample.push(record.iter().map(text).collect());
        }
        sample
    }

    /// The rows of the next block; `None` at the end.
    pub fn next_rows(&mut self, header: &Header) -> Result<Option<Rows>, Error> {
        loop {
            if self.text.is_empty() && self.at_end {
                return Ok(None);
            }
            let has_quotes = memchr(b'"', &self.text).is_some();
            let end = self.whole_records(has_quotes)?;
            if end == 0 && !self.at_end {
                self.fill()?;
                continue;
            }
            let block = &self.text[..end];
            let parts = if has_quotes {
                vec![block]
            } else {
                split_at_lines(block, rayon::current_num_threads())
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
            let records = &self.records;
            let parsed: Vec<Rows> = parts
                .par_iter()
                .map(|(part, line)| records.parse(part, has_quotes, *line, header))
                .collect();
            let mut rows = Rows::new(header, 0);
            for part in parsed {
                rows.append(part);
            }
            if let Some(fault) = self.open_quote() {
                rows.faults.push(fault);
            }
            self.lines = first_line - 1;
            self.text.drain(..end);
            if !self.at_end {
                self.fill()?;
            }
            if self.of_sheet {
                // A sheet keeps figures, not how they were written.
                rows.finest.fill(Finest::default());
            }
            if !rows.time.is_empty() {
                return Ok(Some(rows));
            }
        }
    }

    /// How much of the text is whole records.
    fn whole_records(&self, has_quotes: bool) -> Result<usize, Error> {
        if self.at_end {
            return Ok(self.text.len());
        }
        let end = if has_quotes {
            // The last one found may go on in the next block.
            self.last_record()
        } else {
            memchr::memrchr(b'\n', &self.text).map_or(0, |at| at + 1)
        };
        if self.text.len() - end > LONGEST_RECORD {
            let problem = format!("a record longer than {LONGEST_RECORD} bytes");
            let fault = self.fault_behind(end, &problem, "close the quote that was opened there");
            return Err(Error::Log(fault.into()));
        }
        Ok(end)
    }

    /// Where the last record starts. A line break may stand inside quotes, and a quote inside a plain cell: only the
    /// parser knows where records end.
    fn last_record(&self) -> usize {
        let mut reader = self.records.reader(&self.text);
        let mut record = ByteRecord::new();
        let (mut start, mut end) = (0, 0);
        while matches!(reader.read_byte_record(&mut record), Ok(true)) {
            start = end;
            end = reader.position().byte() as usize;
        }
        start
    }

    /// A quote that is open where the file ends: all that stands behind it is one cell, and its readings would be
    /// lost.
    fn open_quote(&self) -> Option<Fault> {
        if !self.at_end || memchr(b'"', &self.text).is_none() {
            return None;
        }
        let start = self.last_record();
        let open = self.records.ends_in_quotes(&self.text[start..]);
        open.then(|| self.fault_behind(start, OPEN_QUOTE, CLOSE_QUOTE))
    }

    /// A fault of the record that starts so far into the text.
    fn fault_behind(&self, start: usize, problem: &str, remedy: &str) -> Fault {
        let before = memchr::memchr_iter(b'\n', &self.text[..start]).count() as u64;
        fault_at(self.lines + before + 1, problem, remedy)
    }
}

/// What stands between the cells of a text, by its header, which is its first line.
pub(crate) fn separator_of(text: &[u8]) -> Result<u8, Error> {
    separator::of_header(text, 1)
}

/// A refusal of the file at one of its lines.
fn at_line(line: u64, problem: impl Into<String>, remedy: &str) -> Error {
    Error::Log(fault_at(line, problem, remedy).into())
}

fn fault_at(line: u64, problem: impl Into<String>, remedy: &str) -> Fault {
    let mut fault = Fault::new(problem, remedy);
    fault.line = Some(line);
    fault
}

/// Cuts text into about `parts` pieces, each ending at a line's end.
fn split_at_lines(text: &[u8], parts: usize) -> Vec<&[u8]> {
    const LEAST: usize = BLOCK_BYTES >> 8;
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
