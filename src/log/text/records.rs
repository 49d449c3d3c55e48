//! Records of text, read as rows.

use csv::{ByteRecord, ReaderBuilder};
use memchr::memchr;

use super::plain::{Done, Plain};

use crate::error::Fault;
use crate::log::cell::{self, Figures};
use crate::log::header::{Field, Header, is_switch};
use crate::log::rows::{Rows, Words};
use crate::log::time::TimeReader;

/// How the records of a text are written.
pub(super) struct Records {
    pub separator: u8,
    pub figures: Figures,
    pub times: TimeReader,
}

impl Records {
    /// A reader of records without a header, which leaves it to us to complain of ragged ones.
    pub fn reader<'a>(&self, text: &'a [u8]) -> csv::Reader<&'a [u8]> {
        ReaderBuilder::new()
            .delimiter(self.separator)
            .has_headers(false)
            .flexible(true)
            .buffer_capacity(1 << 16)
            .from_reader(text)
    }

    /// Whether a quote is open at the end of a record: whatever stands behind it then is no record of its own.
    pub fn ends_in_quotes(&self, record: &[u8]) -> bool {
        let more = [record, b"\nx"].concat();
        self.reader(&more).into_byte_records().count() < 2
    }

    /// Parses whole records, the first of which stands on line `first_line`.
    pub fn parse(&self, text: &[u8], has_quotes: bool, first_line: u64, header: &Header) -> Rows {
        // Rows are about as long as each other: the first tells how many to make room for.
        let line = memchr(b'\n', text).unwrap_or(text.len()).max(1);
        let mut rows = Rows::new(header, text.len() / line + text.len() / line / 8);
        let plain = if has_quotes {
            Done::default()
        } else {
            Plain::new(self, header).parse(text, &mut rows)
        };
        if plain.bytes == text.len() {
            return rows;
        }
        let first_line = first_line + plain.lines;
        let rest = &text[plain.bytes..];
        let mut reader = self.reader(rest);
        let mut record = ByteRecord::new();
        while matches!(reader.read_byte_record(&mut record), Ok(true)) {
            // What stands before a record is where the one before it ended: blank lines may lie between.
            let (start, before) = record.position().map_or((0, 1), |position| {
                (position.byte() as usize, position.line())
            });
            let blank = rest[start.min(rest.len())..]
                .iter()
                .take_while(|byte| matches!(byte, b'\n' | b'\r'))
                .filter(|byte| **byte == b'\n')
                .count();
            let line = first_line + before - 1 + blank as u64;
            self.parse_record(&record, line, header, &mut rows);
        }
        rows
    }

    fn parse_record(&self, record: &ByteRecord, line: u64, header: &Header, rows: &mut Rows) {
        let row = rows.time.len() as u64 + 1;
        let expected = header.titles.len();
        if record.len() != expected {
            let separator = match self.separator {
                b'\t' => "a tab".to_owned(),
                other => format!("a '{}'", char::from(other)),
            };
            let mut fault = Fault::new(
                format!("{} cells, where the header has {expected}", record.len()),
                format!(
                    "one cell for each header; {separator} inside a cell needs quotes around it"
                ),
            )
            .at_row(row);
            fault.line = Some(line);
            rows.faults.push(fault);
            // No figure of a ragged row is trusted, but it keeps its place.
            rows.push_time(None);
            rows.numbers
                .iter_mut()
                .for_each(|values| values.push(f64::NAN));
            (0..2)
                .filter(|label| header.has(Field::Label(*label)))
                .for_each(|label| rows.labels[label].push(""));
            return;
        }
        let mut number = 0;
        for target in &header.targets {
            let cell = record.get(target.source).unwrap_or_default();
            let fault = match target.field {
                Field::Number(column, unit) => {
                    let parsed = if is_switch(column) {
                        cell::switch(cell)
                    } else {
                        self.figures.number(cell, unit, &mut rows.finest[number])
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
                    .at_column(&header.titles[target.source])
                    .with_value(String::from_utf8_lossy(cell));
                fault.line = Some(line);
                // A cell that serves several columns is wrong once.
                if rows.faults.list().last() != Some(&fault) {
                    rows.faults.push(fault);
                }
            }
        }
    }

    fn parse_time(&self, cell: &[u8], rows: &mut Rows) -> Option<Fault> {
        let text = std::str::from_utf8(cell.trim_ascii()).unwrap_or_default();
        let read = if text.is_empty() {
            Err(Fault::new("no time", "every reading needs one"))
        } else {
            self.times
                .read(text)
                .map_err(|fault| Fault::new(fault.problem, fault.remedy))
        };
        rows.push_time(read.as_ref().ok().copied());
        read.err()
    }
}

pub(super) fn parse_label(cell: &[u8], words: &mut Words) -> Option<Fault> {
    let text = std::str::from_utf8(cell).map(str::trim);
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
