//! Lines without quotes, read where they stand: nearly every line of a log is one.

use memchr::{memchr, memchr2};

use super::records::{Records, parse_label};
use crate::log::cell;
use crate::log::days::Days;
use crate::log::header::{Field, Header, is_switch};
use crate::log::rows::Rows;
use crate::units::Unit;

/// What a cell is read as.
enum Cell {
    Number { at: usize, unit: &'static Unit },
    Switch { at: usize },
    Time,
    Label(usize),
}

/// Reads lines one after the other.
pub(super) struct Plain<'a> {
    records: &'a Records,
    /// What each column of the source is read as, in its order; it may serve several.
    columns: Vec<Vec<Cell>>,
    days: Days<'a>,
}

impl<'a> Plain<'a> {
    pub fn new(records: &'a Records, header: &Header) -> Self {
        let mut columns: Vec<Vec<Cell>> = header.titles.iter().map(|_| Vec::new()).collect();
        let mut numbers = 0..;
        for target in &header.targets {
            let cell = match target.field {
                Field::Number(column, unit) => {
                    let at = numbers.next().unwrap_or_default();
                    if is_switch(column) {
                        Cell::Switch { at }
                    } else {
                        Cell::Number { at, unit }
                    }
                }
                Field::Time => Cell::Time,
                Field::Label(label) => Cell::Label(label),
            };
            columns[target.source].push(cell);
        }
        Self {
            records,
            columns,
            days: Days::new(&records.times),
        }
    }

    /// Reads rows up to the first line that is not plain or holds a fault, and tells how much of the text that is: what
    /// comes then is left to a reader that knows quotes and tells of faults.
    pub fn parse(&mut self, text: &[u8], rows: &mut Rows) -> usize {
        if memchr(b'"', text).is_some() {
            return 0;
        }
        let mut at = 0;
        while at < text.len() {
            let whole = rows.time.len();
            match self.line(&text[at..], rows) {
                Some(length) => at += length,
                None => {
                    rows.truncate(whole);
                    break;
                }
            }
        }
        at
    }

    /// Reads one line, and tells how long it is with its end.
    #[inline]
    fn line(&mut self, text: &[u8], rows: &mut Rows) -> Option<usize> {
        if let Some(length) = line_end(text) {
            return Some(length);
        }
        let mut at = 0;
        let columns = self.columns.len();
        for column in 0..columns {
            let end = if column + 1 < columns {
                End::Separator(self.records.separator)
            } else {
                End::Line
            };
            at += self.cell(column, &text[at..], end, rows)?;
        }
        Some(at)
    }

    /// Reads the cell that a text begins with, and tells how long it is with what ends it.
    #[inline]
    fn cell(&mut self, column: usize, text: &[u8], end: End, rows: &mut Rows) -> Option<usize> {
        match self.columns[column].as_slice() {
            [Cell::Number { at, unit }] => {
                let (figures, finest) = (self.records.figures, &mut rows.finest[*at]);
                if let Some((value, length)) = figures.short_number(text, unit, finest)
                    && let Some(end) = end.length(&text[length..])
                {
                    rows.numbers[*at].push(value);
                    return Some(length + end);
                }
            }
            [Cell::Time] => {
                if let Some((read, length)) = self.days.of_known_day(text)
                    && let Some(end) = end.length(&text[length..])
                {
                    rows.push_time(Some(read));
                    return Some(length + end);
                }
            }
            _ => {}
        }
        self.any_cell(column, text, end, rows)
    }

    fn any_cell(&mut self, column: usize, text: &[u8], end: End, rows: &mut Rows) -> Option<usize> {
        let length = memchr2(self.records.separator, b'\n', text).unwrap_or(text.len());
        let cell = &text[..length];
        let (cell, behind) = match cell.split_last() {
            Some((b'\r', before)) => text.split_at(before.len()),
            _ => text.split_at(length),
        };
        let end = end.length(behind)?;
        // Such a return would end the line.
        if memchr(b'\r', cell).is_some() {
            return None;
        }
        for of in &self.columns[column] {
            match of {
                Cell::Number { at, unit } => {
                    let finest = &mut rows.finest[*at];
                    let value = self.records.figures.number(cell, unit, finest).ok()?;
                    rows.numbers[*at].push(value);
                }
                Cell::Switch { at } => rows.numbers[*at].push(cell::switch(cell).ok()?),
                Cell::Time => {
                    let text = std::str::from_utf8(cell.trim_ascii()).ok()?;
                    rows.push_time(Some(self.days.read(text).ok()?));
                }
                Cell::Label(label) => {
                    if parse_label(cell, &mut rows.labels[*label]).is_some() {
                        return None;
                    }
                }
            }
        }
        Some(cell.len() + end)
    }
}

/// What is to stand behind a cell.
#[derive(Clone, Copy)]
enum End {
    Separator(u8),
    Line,
}

impl End {
    /// How long it is, where a text begins with it.
    #[inline]
    fn length(self, text: &[u8]) -> Option<usize> {
        match self {
            Self::Separator(separator) => (text.first() == Some(&separator)).then_some(1),
            Self::Line => line_end(text).or(text.is_empty().then_some(0)),
        }
    }
}

/// How long the end of a line is, where a text begins with one.
#[inline]
fn line_end(text: &[u8]) -> Option<usize> {
    match text {
        [b'\n', ..] => Some(1),
        [b'\r', b'\n', ..] => Some(2),
        _ => None,
    }
}
