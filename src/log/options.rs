//! What the caller says of a log beside its header.

use std::collections::BTreeMap;

use crate::error::{Error, Fault, Faults, nearest};
use crate::units::{Quantity, split_quantity};

/// What stands between the cells of a text file.
pub(crate) const SEPARATORS: [char; 4] = [',', ';', '\t', '|'];

/// The longest interval that one reading may stand for, h (31 days; a bound against slips, no source).
const LONGEST_INTERVAL_H: f64 = 744.0;

/// What the caller says of a log beside its header. Each setting speaks of the kinds of source it is for, so
/// that one set of them serves a plant's text files, workbooks and tables alike.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ReadOptions {
    /// Units of columns whose header has none, by column name or header.
    pub units: BTreeMap<String, String>,
    /// Their header → ours (with or without a unit in brackets, and with the stage or train in front where the
    /// table is wide). Several where one reading serves several columns; none leaves the column out.
    pub columns: BTreeMap<String, Vec<String>>,
    /// Time zone of naive times, and the one in which times are shown; an IANA name.
    pub time_zone: Option<String>,
    /// How times are written, in strftime's words, where they are not ISO 8601. A format without a time of day
    /// takes each date's midnight.
    pub time_format: Option<String>,
    /// Of text files: what stands between cells, one of `,` `;` tab `|`. Otherwise taken from the header, where
    /// that has only one of them.
    pub separator: Option<char>,
    /// Of text: what stands before a figure's decimals, `.` or `,`. Otherwise a point, and cells with a comma are
    /// refused. Once it is given, the other of the two, a space or an apostrophe may stand between thousands.
    pub decimal: Option<char>,
    /// Of workbooks: the sheet with the readings. Otherwise the only one that has any.
    pub sheet: Option<String>,
    /// Of text files and workbooks: the line or row with the header, from 1. Otherwise the first with content.
    pub header_row: Option<u64>,
    /// Of text files and workbooks: whether the row under the header holds the units. Otherwise not.
    pub units_row: Option<bool>,
    /// What the time of a reading says. Otherwise its instant.
    pub time_label: Option<TimeLabel>,
    /// The interval that a reading stands for, h. Needed for times that label one, and for nothing else.
    pub interval_h: Option<f64>,
    /// Which of the two is meant where the clocks go back over a time. Otherwise it is refused.
    pub clock_change: Option<ClockChange>,
    /// Whether readings that are not in the order of time are put in it. Otherwise they are refused.
    pub sort: Option<bool>,
}

/// What the time of a reading says. A reading over an interval is placed in its middle.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TimeLabel {
    /// The instant at which it was taken.
    Instant,
    /// The start of the interval it is of.
    IntervalStart,
    /// The end of the interval it is of.
    IntervalEnd,
}

impl TimeLabel {
    /// Each, as files and callers write it.
    pub const WORDS: [(&'static str, Self); 3] = [
        ("instant", Self::Instant),
        ("interval-start", Self::IntervalStart),
        ("interval-end", Self::IntervalEnd),
    ];
}

/// Which of two instants a time means that the clocks, going back, show twice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ClockChange {
    /// Neither: it is refused.
    Refuse,
    /// The later where the earlier would not go forward in time in its train and stage, else the earlier.
    ByOrder,
    /// The earlier.
    Earlier,
    /// The later.
    Later,
}

impl ClockChange {
    /// Each, as files and callers write it.
    pub const WORDS: [(&'static str, Self); 4] = [
        ("refuse", Self::Refuse),
        ("by-order", Self::ByOrder),
        ("earlier", Self::Earlier),
        ("later", Self::Later),
    ];
}

/// Settings as callers write them: words, and figures with their unit.
#[derive(Debug, Clone, Copy, Default)]
pub struct ReadWords<'a> {
    /// A separator: itself, or "tab".
    pub separator: Option<&'a str>,
    /// A decimal mark.
    pub decimal: Option<&'a str>,
    /// One of [`TimeLabel::WORDS`].
    pub time_label: Option<&'a str>,
    /// A length of time with its unit: "15 min".
    pub interval: Option<&'a str>,
    /// One of [`ClockChange::WORDS`].
    pub clock_change: Option<&'a str>,
}

impl ReadWords<'_> {
    /// The settings they are.
    ///
    /// # Errors
    /// [`Error::Log`] with every word that is no such setting, and what would be.
    pub fn read(&self) -> Result<ReadOptions, Error> {
        fn one<T>(
            word: Option<&str>,
            read: impl FnOnce(&str) -> Result<T, Fault>,
            faults: &mut Faults,
        ) -> Option<T> {
            word.and_then(|word| read(word).map_err(|fault| faults.push(fault)).ok())
        }
        let mut faults = Faults::default();
        let labels = |word: &str| choice("time_label", word, &TimeLabel::WORDS);
        let changes = |word: &str| choice("clock_change", word, &ClockChange::WORDS);
        let options = ReadOptions {
            separator: one(self.separator, separator, &mut faults),
            decimal: one(self.decimal, decimal, &mut faults),
            time_label: one(self.time_label, labels, &mut faults),
            interval_h: one(self.interval, interval_h, &mut faults),
            clock_change: one(self.clock_change, changes, &mut faults),
            ..ReadOptions::default()
        };
        faults.into_result(Error::Log)?;
        Ok(options)
    }
}

/// One of a few words.
fn choice<T: Copy>(key: &str, word: &str, words: &[(&str, T)]) -> Result<T, Fault> {
    let found = words.iter().find(|(name, _)| *name == word);
    found.map(|(_, value)| *value).ok_or_else(|| {
        let names: Vec<&str> = words.iter().map(|(name, _)| *name).collect();
        let remedy = match nearest(word, names.iter().copied()) {
            Some(near) => format!("did you mean '{near}'?"),
            None => format!("one of: {}", names.join(", ")),
        };
        Fault::new("not a choice", remedy)
            .at_column(key)
            .with_value(word)
    })
}

/// A separator, as files and callers write it.
pub(super) fn separator(word: &str) -> Result<char, Fault> {
    let words = [
        (",", ','),
        (";", ';'),
        ("\t", '\t'),
        ("tab", '\t'),
        ("|", '|'),
    ];
    choice("separator", word, &words)
}

/// A decimal mark, as files and callers write it.
pub(super) fn decimal(word: &str) -> Result<char, Fault> {
    choice("decimal", word, &[(".", '.'), (",", ',')])
}

/// The length of an interval with its unit, in hours.
pub(super) fn interval_h(text: &str) -> Result<f64, Fault> {
    let fault = match split_quantity(text, Quantity::Duration) {
        Ok((figure, unit)) => {
            let hours = unit.to_canonical(figure);
            if hours > 0.0 && hours <= LONGEST_INTERVAL_H {
                return Ok(hours);
            }
            Fault::new("outside the allowed range", "above 0 h, up to 31 d")
        }
        Err(Error::Unit(fault)) => fault,
        Err(other) => Fault::new(other.to_string(), ""),
    };
    Err(fault.at_column("interval").with_value(text))
}

impl ReadOptions {
    /// These, and where they say nothing, what `others` say. Of columns and units, header by header.
    #[must_use]
    pub fn or(self, others: Self) -> Self {
        let mut columns = others.columns;
        columns.extend(self.columns);
        let mut units = others.units;
        units.extend(self.units);
        Self {
            units,
            columns,
            time_zone: self.time_zone.or(others.time_zone),
            time_format: self.time_format.or(others.time_format),
            separator: self.separator.or(others.separator),
            decimal: self.decimal.or(others.decimal),
            sheet: self.sheet.or(others.sheet),
            header_row: self.header_row.or(others.header_row),
            units_row: self.units_row.or(others.units_row),
            time_label: self.time_label.or(others.time_label),
            interval_h: self.interval_h.or(others.interval_h),
            clock_change: self.clock_change.or(others.clock_change),
            sort: self.sort.or(others.sort),
        }
    }

    /// Refuses settings that can't be meant, or that nothing would use.
    pub(super) fn check(&self) -> Result<(), Error> {
        let mut faults = Faults::default();
        let mut refuse = |key: &str, problem: &str, remedy: &str| {
            faults.push(Fault::new(problem, remedy).at_column(key));
        };
        if self
            .separator
            .is_some_and(|given| !SEPARATORS.contains(&given))
        {
            refuse("separator", "not a separator", "one of: , ; tab |");
        }
        if self
            .decimal
            .is_some_and(|given| !['.', ','].contains(&given))
        {
            refuse("decimal", "not a decimal mark", "one of: . ,");
        }
        if self.header_row == Some(0) {
            refuse("header_row", "rows are counted from 1", "1 for the first");
        }
        let labels_interval = self
            .time_label
            .is_some_and(|label| label != TimeLabel::Instant);
        match (labels_interval, self.interval_h) {
            (true, None) => refuse(
                "interval",
                "times label an interval, whose length is not given",
                "give interval=\"15 min\", or whatever it is",
            ),
            (false, Some(_)) => refuse(
                "interval",
                "an interval, but no times that label one",
                "give time_label=\"interval-start\" or \"interval-end\", or leave the interval out",
            ),
            (_, Some(hours)) if !(hours > 0.0 && hours <= LONGEST_INTERVAL_H) => {
                refuse(
                    "interval",
                    "outside the allowed range",
                    "above 0 h, up to 31 d",
                );
            }
            _ => {}
        }
        if self.sorts() && self.clock_change == Some(ClockChange::ByOrder) {
            refuse(
                "clock_change",
                "readings to be sorted can't tell by their order which time is meant",
                "give clock_change=\"earlier\" or \"later\", or leave sort out",
            );
        }
        faults.into_result(Error::Log)
    }

    /// Whether readings are put in the order of time.
    pub(super) fn sorts(&self) -> bool {
        self.sort == Some(true)
    }

    /// From the time of a reading to the middle of what it is of, in microseconds.
    pub(super) fn shift(&self) -> i64 {
        let half = self
            .interval_h
            .map_or(0, |hours| (hours * super::time::HOUR / 2.0).round() as i64);
        match self.time_label {
            Some(TimeLabel::IntervalStart) => half,
            Some(TimeLabel::IntervalEnd) => -half,
            Some(TimeLabel::Instant) | None => 0,
        }
    }
}
