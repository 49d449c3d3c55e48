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
    Number {
        at: usize,
        unit: &'static Unit,
    },
    Switch {
        at: usize,
    },
    Time,
    Label(usize),
    /// As several things, or as nothing.
    Several(Vec<Cell>),
}

/// Reads lines one after the other.
pub(super) struct Plain<'a> {
    records: &'a Records,
    /// What each column of the source is read as, in its order.
    columns: Vec<Cell>,
    days: Days<'a>,
}

/// How much of a text was read.
#[derive(Default)]
pub(super) struct Done {
    pub bytes: usize,
    pub lines: u64,
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
        let only = |mut cells: Vec<Cell>| match cells.pop() {
            Some(cell) if cells.is_empty() => cell,
            last => {
                cells.extend(last);
                Cell::Several(cells)
            }
        };
        Self {
            records,
            columns: columns.into_iter().map(only).collect(),
            days: Days::new(&records.times),
        }
    }

    /// Reads the rows of a text without quotes up to the first line that holds a fault, or is no line as others are: what
    /// comes then is left to a reader that tells of faults.
    pub fn parse(&mut self, text: &[u8], rows: &mut Rows) -> Done {
        let plain = self;
        pulp::Arch::new().dispatch(Parse { plain, text, rows })
    }

    #[inline(always)]
    fn lines(&mut self, text: &[u8], rows: &mut Rows) -> Done {
        let mut done = Done::default();
        while done.bytes < text.len() {
            let whole = rows.time.len();
            match self.line(&text[done.bytes..], rows) {
                Some(length) => done.bytes += length,
                None => {
                    rows.truncate(whole);
                    break;
                }
            }
            done.lines += 1;
        }
        done
    }

    /// Reads one line, and tells how long it is with its end.
    #[inline(always)]
    fn line(&mut self, text: &[u8], rows: &mut Rows) -> Option<usize> {
        if let Some(length) = line_end(text) {
            return Some(length);
        }
        let (last, columns) = self.columns.split_last()?;
        let mut rest = text;
        for column in columns {
            let end = End::Separator(self.records.separator);
            rest = read_cell(column, rest, end, self.records, &mut self.days, rows)?;
        }
        rest = read_cell(last, rest, End::Line, self.records, &mut self.days, rows)?;
        Some(text.len() - rest.len())
    }
}

/// [`Plain::lines`], compiled once for each kind of processor: the newer ones take bits apart in fewer steps.
struct Parse<'a, 'b> {
    plain: &'a mut Plain<'b>,
    text: &'a [u8],
    rows: &'a mut Rows,
}

impl pulp::WithSimd for Parse<'_, '_> {
    type Output = Done;

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> Done {
        self.plain.lines(self.text, self.rows)
    }
}

/// Reads the cell that a text begins with, and what is to end it; what comes then is given back.
#[inline(always)]
fn read_cell<'t>(
    cell: &Cell,
    text: &'t [u8],
    end: End,
    records: &Records,
    days: &mut Days<'_>,
    rows: &mut Rows,
) -> Option<&'t [u8]> {
    match cell {
        Cell::Number { at, unit } => {
            let finest = &mut rows.finest[*at];
            if let Some((value, length)) = records.figures.short_number(text, unit, finest)
                && let Some(rest) = end.behind(&text[length..])
            {
                rows.numbers[*at].push(value);
                return Some(rest);
            }
        }
        Cell::Time => {
            if let Some((read, length)) = days.of_known_day(text)
                && let Some(rest) = end.behind(&text[length..])
            {
                rows.push_time(Some(read));
                return Some(rest);
            }
        }
        _ => {}
    }
    any_cell(cell, text, end, records, days, rows)
}

/// The same of a cell however it is written.
#[inline(never)]
fn any_cell<'t>(
    cell: &Cell,
    text: &'t [u8],
    end: End,
    records: &Records,
    days: &mut Days<'_>,
    rows: &mut Rows,
) -> Option<&'t [u8]> {
    let length = memchr2(records.separator, b'\n', text).unwrap_or(text.len());
    let length = text[..length]
        .strip_suffix(b"\r")
        .map_or(length, <[u8]>::len);
    let (written, behind) = text.split_at(length);
    let rest = end.behind(behind)?;
    // Such a return would end the line.
    if memchr(b'\r', written).is_some() {
        return None;
    }
    read_as(cell, written, records, days, rows)?;
    Some(rest)
}

fn read_as(
    cell: &Cell,
    written: &[u8],
    records: &Records,
    days: &mut Days<'_>,
    rows: &mut Rows,
) -> Option<()> {
    match cell {
        Cell::Number { at, unit } => {
            let finest = &mut rows.finest[*at];
            let value = records.figures.number(written, unit, finest).ok()?;
            rows.numbers[*at].push(value);
        }
        Cell::Switch { at } => rows.numbers[*at].push(cell::switch(written).ok()?),
        Cell::Time => {
            let text = std::str::from_utf8(written.trim_ascii()).ok()?;
            rows.push_time(Some(days.read(text).ok()?));
        }
        Cell::Label(label) => {
            let fault = parse_label(written, &mut rows.labels[*label]);
            return fault.is_none().then_some(());
        }
        Cell::Several(cells) => {
            for cell in cells {
                read_as(cell, written, records, days, rows)?;
            }
        }
    }
    Some(())
}

/// What is to stand behind a cell.
#[derive(Clone, Copy)]
enum End {
    Separator(u8),
    Line,
}

impl End {
    /// What comes behind it, where a text begins with it.
    #[inline(always)]
    fn behind(self, text: &[u8]) -> Option<&[u8]> {
        match self {
            Self::Separator(separator) => match text {
                [first, rest @ ..] if *first == separator => Some(rest),
                _ => None,
            },
            Self::Line if text.is_empty() => Some(text),
            Self::Line => line_end(text).map(|length| &text[length..]),
        }
    }
}

/// How long the end of a line is, where a text begins with one.
#[inline(always)]
fn line_end(text: &[u8]) -> Option<usize> {
    match text {
        [b'\n', ..] => Some(1),
        [b'\r', b'\n', ..] => Some(2),
        _ => None,
    }
}
