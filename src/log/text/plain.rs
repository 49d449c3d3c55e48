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
            let mut finest = rows.finest[*at];
            if let Some((value, length)) = records.figures.short_number(text, unit, &mut finest)
                && let Some(rest) = end.behind(&text[length..])
            {
                // Only now: what begins a longer figure, 1 of 1e3, is no figure of its own.
                rows.finest[*at] = finest;
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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::error::Fault;
    use crate::log::ReadOptions;
    use crate::log::cell::Figures;
    use crate::log::time::TimeReader;

    const TITLES: [&str; 6] = [
        "time",
        "train",
        "feed_pressure [psi]",
        "remark",
        "permeate_flow",
        "running",
    ];

    fn cell() -> impl Strategy<Value = String> {
        let digits = "[0-9]{1,4}(\\.[0-9]{1,3})?";
        prop_oneof![
            8 => digits,
            1 => "[0-9]{0,12}\\.?[0-9]{0,12}",
            1 => prop::sample::select(vec!["", " 1.5", "1.5 ", "-0.2", "NaN", "1e3", "1.2.3", "12,5", "x", "-", "1.5\r", "+7", "."]).prop_map(str::to_owned),
        ]
    }

    fn time() -> impl Strategy<Value = String> {
        prop_oneof![
            8 => "2026-03-0[78][T ]0[0-9]:[0-5][0-9](:[0-5][0-9])?",
            1 => "2026-03-08T0[0-9]:[0-5][0-9](Z|:30\\.5|-07:00| |\\[UTC\\])",
            1 => prop::sample::select(vec!["", "2026-03-08", "2026-03-08T24:00", "now"]).prop_map(str::to_owned),
        ]
    }

    fn line() -> impl Strategy<Value = String> {
        let label = prop::sample::select(vec!["A", " A", "B", ""]);
        let switch = prop::sample::select(vec!["on", "0", "", "perhaps"]);
        let whole = (time(), label, cell(), cell(), cell(), switch);
        let whole = whole.prop_map(|(time, label, one, two, three, switch)| {
            format!("{time};{label};{one};{two};{three};{switch}")
        });
        prop_oneof![30 => whole, 1 => "[0-9a;\r .]{1,12}"]
    }

    /// Rows and faults of a text, read in place as far as it is plain, or not at all so.
    fn read(text: &str, zone: &str, in_place: bool) -> (Rows, Vec<Fault>) {
        let options = ReadOptions {
            time_zone: Some(zone.to_owned()),
            units: [("permeate_flow".to_owned(), "gpm".to_owned())].into(),
            ..ReadOptions::default()
        };
        let records = Records {
            separator: b';',
            figures: Figures::new(options.decimal),
            times: TimeReader::new(&options).unwrap(),
        };
        let header = Header::resolve(&TITLES, &[], &options).unwrap();
        let rows = records.parse(text.as_bytes(), !in_place, 2, &header);
        let faults = rows.faults.list().to_vec();
        (rows, faults)
    }

    fn must_be_the_same(text: &str, zone: &str) {
        let (found, found_faults) = read(text, zone, true);
        let (expected, expected_faults) = read(text, zone, false);
        assert_eq!(found_faults, expected_faults);
        assert_eq!(found.time, expected.time);
        let bits = |rows: &Rows| -> Vec<u64> {
            let figures = rows.numbers.iter().flatten();
            figures.map(|figure| figure.to_bits()).collect()
        };
        assert_eq!(bits(&found), bits(&expected));
        // Of a log that is refused, they serve nothing.
        if found_faults.is_empty() {
            assert_eq!(found.labels[0].labels, expected.labels[0].labels);
            assert_eq!(found.finest, expected.finest);
        }
    }

    proptest! {
        #[test]
        fn read_in_place_it_is_the_same(
            lines in prop::collection::vec((line(), prop::sample::select(vec!["\n", "\r\n"])), 1..12),
            zone in prop::sample::select(vec!["UTC", "America/Denver"]),
            ends in any::<bool>(),
        ) {
            let mut text: String = lines.iter().map(|(line, end)| format!("{line}{end}")).collect();
            if !ends {
                text.truncate(text.trim_end().len());
            }
            must_be_the_same(&text, zone);
        }
    }

    #[test]
    fn sound_lines_are_all_read_in_place() {
        let text: String = (0..600)
            .map(|minute| {
                format!(
                    "2026-06-01T{:02}:{:02};A;{}.25;;{minute};on\r\n",
                    minute / 60,
                    minute % 60,
                    minute % 9
                )
            })
            .collect();
        must_be_the_same(&text, "America/Denver");
        let options = ReadOptions::default();
        let header = Header::resolve(&["running", "time"], &[], &options).unwrap();
        let records = Records {
            separator: b';',
            figures: Figures::new(None),
            times: TimeReader::new(&options).unwrap(),
        };
        let mut rows = Rows::new(&header, 4);
        let sound = b"on;2026-01-01T00:00Z\n\noff;2026-01-01T00:01Z\r\n;2026-01-01T00:02:30Z\n";
        let text = [&sound[..], b"1;now\n0;2026-01-01T00:03Z\n"].concat();
        let done = Plain::new(&records, &header).parse(&text, &mut rows);
        assert_eq!((done.bytes, done.lines), (sound.len(), 4));
        assert_eq!((rows.time.len(), rows.numbers[0].len()), (3, 3));
    }
}
