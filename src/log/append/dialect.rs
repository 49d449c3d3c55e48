//! How a log that lines are added to is written: what is added is written alike.

use std::io::Cursor;
use std::path::Path;
use std::sync::Arc;

use csv::{ByteRecord, ReaderBuilder};
use jiff::Timestamp;
use jiff::tz::{Offset, TimeZone};

use crate::error::{Error, Fault};
use crate::log::cell::Figures;
use crate::log::header::Header;
use crate::log::options::ReadOptions;
use crate::log::text::TextBlocks;
use crate::log::time::{self, TimeReader};

/// How a log is written, and what its columns are.
pub(super) struct Dialect {
    pub header: Header,
    /// What stands between cells.
    pub separator: u8,
    /// What stands before the decimals.
    pub decimal: char,
    /// What lines end with.
    pub line_end: &'static str,
    pub figures: Figures,
    times: TimeReader,
    time_format: Option<String>,
    zone: Option<TimeZone>,
    /// Records before the readings: the header, and a row of units where there is one.
    head_records: usize,
    /// Lines before the header.
    lines_before: usize,
}

impl Dialect {
    /// That of a file's text.
    pub fn of(path: &Path, text: &[u8], options: &ReadOptions) -> Result<Self, Error> {
        let refuse =
            |problem: &str, remedy: &str| Err(Error::Log(Fault::new(problem, remedy).into()));
        if options.shift() != 0 {
            return refuse(
                "its times label intervals, a visit is of an instant",
                "keep visits in a log of their own, whose mapping has no time_label",
            );
        }
        if text.contains(&b'\r') && !text.contains(&b'\n') {
            return refuse(
                "its lines end with CR alone",
                "save it as CSV in UTF-8 again",
            );
        }
        let blocks = TextBlocks::of_file(
            path,
            Box::new(Cursor::new(text.to_vec())),
            (Arc::default(), 0),
            options,
        )?;
        let header = Header::resolve(&blocks.titles, &blocks.units, options)?;
        let first_end = memchr::memchr(b'\n', text);
        let crlf = first_end.is_some_and(|at| at > 0 && text[at - 1] == b'\r');
        let zone = options
            .time_zone
            .as_deref()
            .map(time::time_zone)
            .transpose()?;
        Ok(Self {
            header,
            separator: blocks
                .separator()
                .and_then(|separator| u8::try_from(separator).ok())
                .unwrap_or(b','),
            decimal: options.decimal.unwrap_or('.'),
            line_end: if crlf { "\r\n" } else { "\n" },
            figures: Figures::new(options.decimal),
            times: TimeReader::new(options)?,
            time_format: options.time_format.clone(),
            zone,
            head_records: if options.units_row == Some(true) {
                2
            } else {
                1
            },
            lines_before: blocks.header_row.saturating_sub(1) as usize,
        })
    }

    /// Whether a line without its end has a cell for each header.
    pub fn has_all_cells(&self, line: &[u8]) -> bool {
        let mut records = self.reader(line).into_byte_records();
        let whole = records.next().is_some_and(|record| {
            record.is_ok_and(|record| record.len() == self.header.titles.len())
        });
        whole && records.next().is_none() && !self.is_open(line)
    }

    /// Whether a quote is open where a text ends.
    fn is_open(&self, text: &[u8]) -> bool {
        let more = [text, b"\nx"].concat();
        let count = |text| self.reader(text).into_byte_records().count();
        count(more.as_slice()) <= count(text)
    }

    /// The rows of a text, each with its line.
    ///
    /// # Errors
    /// A [`Fault`] where a quote is never closed: what is added behind it would be part of its cell.
    pub fn rows(&self, text: &[u8]) -> Result<Vec<(u64, ByteRecord)>, Fault> {
        let start = memchr::memchr_iter(b'\n', text)
            .take(self.lines_before)
            .last()
            .map_or(0, |at| at + 1);
        let text = &text[start..];
        let mut rows = Vec::new();
        let mut last = 0;
        for (at, record) in self.reader(text).into_byte_records().enumerate() {
            let Ok(record) = record else { break };
            let position = record.position();
            last = position.map_or(0, |position| position.byte() as usize);
            let line = position.map_or(0, csv::Position::line) + self.lines_before as u64;
            if at >= self.head_records {
                rows.push((line, record));
            }
        }
        let end = text.get(last..).unwrap_or_default();
        if end.contains(&b'"') && self.is_open(end) {
            let mut fault = Fault::new("a quote that is never closed", "close it behind its cell");
            fault.line = Some(
                (self.lines_before + memchr::memchr_iter(b'\n', &text[..last]).count()) as u64 + 1,
            );
            return Err(fault);
        }
        Ok(rows)
    }

    fn reader<'a>(&self, text: &'a [u8]) -> csv::Reader<&'a [u8]> {
        ReaderBuilder::new()
            .delimiter(self.separator)
            .has_headers(false)
            .flexible(true)
            .from_reader(text)
    }

    /// The instant that a cell or a caller's text says, in microseconds since 1970 UTC.
    pub fn instant(&self, text: &str) -> Result<i64, Fault> {
        self.times
            .read(text)
            .map(|read| read.time)
            .map_err(|fault| Fault::new(fault.problem, fault.remedy))
    }

    /// The instant that a caller's text says: as the log's own times, or as ISO 8601 with an offset.
    pub fn instant_given(&self, text: &str) -> Result<i64, Fault> {
        self.instant(text).or_else(|fault| {
            text.parse::<Timestamp>()
                .map(Timestamp::as_microsecond)
                .map_err(|_| fault)
        })
    }

    /// A time as this log writes it, and the instant that it then says: a format may leave out seconds. `given` is the text
    /// it came from, whose offset is kept where the log has no zone.
    pub fn time_cell(&self, time: i64, given: &str) -> Result<(String, i64), Fault> {
        let zone = self.zone.clone().unwrap_or_else(|| {
            let pieces = jiff::fmt::temporal::Pieces::parse(given).ok();
            let offset = pieces.and_then(|pieces| pieces.to_numeric_offset());
            TimeZone::fixed(offset.unwrap_or(Offset::UTC))
        });
        let Some(format) = &self.time_format else {
            return Ok((time::show(time, &zone), time));
        };
        let fail = |cause: &dyn std::fmt::Display| {
            Fault::new(
                format!("can't be written as the log's times are, '{format}': {cause}"),
                "give a time that can, or a zone in mapping.toml",
            )
        };
        let stamp = Timestamp::from_microsecond(time).map_err(|cause| fail(&cause))?;
        let cell = jiff::fmt::strtime::format(format, &stamp.to_zoned_datetime(zone))
            .map_err(|cause| fail(&cause))?;
        let said = self.instant(&cell)?;
        if (time - said).abs() >= 60_000_000 {
            return Err(fail(&"it would be another time"));
        }
        Ok((cell, said))
    }
}
