//! A visit: what was read, as it was given, and the cells it becomes.

use jiff::Timestamp;

use super::dialect::Dialect;
use super::lock::plain;
use crate::error::{Error, Fault, Faults, nearest};
use crate::log::cell::{self, Finest, MISSING};
use crate::log::header::{self, Field, split_bracket};
use crate::log::schema::{Column, LABELS, TIME};
use crate::log::wide::Place;
use crate::site::possible;
use crate::units::{Quantity, Unit, split_figure, split_quantity};

/// A visit as somebody gives it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Visit {
    /// When: as the log writes its times, or ISO 8601 with its offset.
    pub time: String,
    /// What was read: a column's name, and the figure with its unit ("150 psi"). A header with its unit in brackets and
    /// a plain figure do too; so do `train`, `stage` and headers of words that the log has.
    pub readings: Vec<(String, String)>,
    /// Who read it.
    pub who: Option<String>,
    /// Anything else, in words.
    pub note: Option<String>,
}

/// Headers under which a log keeps who read it, and in what words.
const WHO: [&str; 2] = ["who", "operator"];
const NOTE: [&str; 4] = ["note", "notes", "remark", "remarks"];
/// A time further ahead than this is a slip of the pen.
const AHEAD_US: i64 = 24 * 3_600_000_000;

impl std::fmt::Display for Visit {
    /// All of it on a line.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "time={}", self.time)?;
        let words = [("who", &self.who), ("note", &self.note)];
        let words = words
            .iter()
            .filter_map(|(name, text)| Some((*name, text.as_deref()?)));
        let readings = self
            .readings
            .iter()
            .map(|(name, text)| (name.as_str(), text.as_str()));
        for (name, text) in readings.chain(words) {
            write!(f, "; {name}={}", plain(text))?;
        }
        Ok(())
    }
}

/// A visit as a row of the log.
pub(super) struct Row {
    pub time: i64,
    /// One cell a header.
    pub cells: Vec<String>,
}

impl Visit {
    /// The row that it becomes in a log, if nothing is wrong with it.
    ///
    /// # Errors
    /// Every fault of it.
    pub(super) fn row(&self, dialect: &Dialect, now: i64) -> Result<Row, Faults> {
        let mut faults = Faults::default();
        let mut cells: Vec<Option<String>> = vec![None; dialect.header.titles.len()];
        let mut put = |at: usize, cell: String, key: &str, faults: &mut Faults| match &cells[at] {
            Some(other) if *other != cell => faults.push(
                Fault::new(
                    format!("given twice, once as '{other}'"),
                    "give it once: both are the same column of the log",
                )
                .at_column(key)
                .with_value(cell),
            ),
            _ => cells[at] = Some(cell),
        };
        let time = self
            .time(dialect, now)
            .map_err(|fault| fault.at_column(TIME).with_value(&self.time));
        let time = match time {
            Ok((at, cell, time)) => {
                put(at, cell, TIME, &mut faults);
                time
            }
            Err(fault) => {
                faults.push(fault);
                0
            }
        };
        let words = [
            ("who", &self.who, &WHO[..]),
            ("note", &self.note, &NOTE[..]),
        ];
        for (key, text, titles) in words {
            let Some(text) = text.as_deref().map(plain).filter(|text| !text.is_empty()) else {
                continue;
            };
            match titles.iter().find_map(|title| words_column(dialect, title)) {
                Some(at) => put(at, text, key, &mut faults),
                None => faults.push(
                    Fault::new(
                        "the log has no column for it",
                        format!("add one named {key} to its header and a separator to each of its lines, or leave it out"),
                    )
                    .at_column(key)
                    .with_value(text),
                ),
            }
        }
        for (key, text) in &self.readings {
            match reading(dialect, key, text) {
                Ok((at, cell)) => put(at, cell, key, &mut faults),
                Err(fault) => faults.push(fault.at_column(key.trim()).with_value(text)),
            }
        }
        for target in &dialect.header.targets {
            if let Field::Label(label) = target.field
                && cells[target.source].is_none()
            {
                faults.push(
                    Fault::new(
                        "the log has several, and the visit doesn't say which",
                        format!(
                            "give {}=…; a visit to several is a line each",
                            LABELS[label]
                        ),
                    )
                    .at_column(LABELS[label]),
                );
            }
        }
        let is_read = |at: usize| {
            let mut of = dialect
                .header
                .targets
                .iter()
                .filter(|target| target.source == at);
            of.any(|target| matches!(target.field, Field::Number(..)))
        };
        let nothing = (0..cells.len())
            .all(|at| !is_read(at) || cells[at].as_deref().unwrap_or_default().is_empty());
        if nothing && faults.is_empty() {
            faults.push(Fault::new(
                "no reading",
                "give at least one, such as feed_pressure=150 psi",
            ));
        }
        if faults.is_empty() {
            let cells = cells.into_iter().map(Option::unwrap_or_default).collect();
            return Ok(Row { time, cells });
        }
        Err(faults)
    }

    /// The time's column, cell and instant.
    fn time(&self, dialect: &Dialect, now: i64) -> Result<(usize, String, i64), Fault> {
        let given = self.time.trim();
        let time = dialect.instant_given(given)?;
        if time > now.saturating_add(AHEAD_US) {
            let now = Timestamp::from_microsecond(now)
                .map_err(|cause| Fault::new(cause.to_string(), ""))?;
            return Err(Fault::new(
                "more than a day ahead",
                format!(
                    "it is {} by this machine's clock: check both",
                    now.strftime("%Y-%m-%d %H:%M UTC")
                ),
            ));
        }
        let (cell, time) = dialect.time_cell(time, given)?;
        let target = dialect
            .header
            .targets
            .iter()
            .find(|target| target.field == Field::Time);
        let at = target.map(|target| target.source);
        at.map(|at| (at, cell, time))
            .ok_or_else(|| Fault::new("the log has no column of times", ""))
    }
}

/// The column of words of this title, which no figure is read from.
fn words_column(dialect: &Dialect, title: &str) -> Option<usize> {
    let header = &dialect.header;
    header.titles.iter().enumerate().position(|(at, known)| {
        let same =
            known.eq_ignore_ascii_case(title) || split_bracket(known).0.eq_ignore_ascii_case(title);
        same && !header.targets.iter().any(|target| target.source == at)
    })
}

/// The place and the cell of a reading.
fn reading(dialect: &Dialect, key: &str, text: &str) -> Result<(usize, String), Fault> {
    let header = &dialect.header;
    let (name, bracket) = split_bracket(key);
    let whole = header::plain(name);
    if whole == TIME {
        return Err(Fault::new(
            "no reading",
            "give the time of the visit by itself",
        ));
    }
    if let Some(label) = LABELS.iter().position(|label| *label == whole) {
        let target = header
            .targets
            .iter()
            .find(|target| target.field == Field::Label(label));
        return match target {
            _ if text.trim().is_empty() => Err(Fault::new("empty", "say which")),
            Some(target) => Ok((target.source, plain(text))),
            None => Err(Fault::new("the log has no such column", "leave it out")),
        };
    }
    let (place, rest) = Place::split(name);
    if let Some(column) = Column::from_name(&header::plain(rest)) {
        let target = header.targets.iter().find_map(|target| match target.field {
            Field::Number(of, unit) if of == column && target.place == place => {
                Some((target.source, unit))
            }
            _ => None,
        });
        if let Some((at, unit)) = target {
            return Ok((at, figure(dialect, column, unit, bracket, text)?));
        }
    } else if let Some(at) = words_column(dialect, key.trim()) {
        return Ok((at, plain(text)));
    }
    let known = || header.titles.iter().map(String::as_str);
    let remedy = match nearest(&whole, known().map(|title| split_bracket(title).0)) {
        Some(near) if near != whole => format!("did you mean '{near}'?"),
        _ => format!("there is: {}", known().collect::<Vec<_>>().join(", ")),
    };
    Err(Fault::new("not a column of this log", remedy))
}

/// The cell of a figure, in the unit of its column.
fn figure(
    dialect: &Dialect,
    column: Column,
    unit: &'static Unit,
    bracket: Option<&str>,
    text: &str,
) -> Result<String, Fault> {
    let text = text.trim();
    if text.is_empty() || MISSING.contains(&text.as_bytes()) {
        return Ok(String::new());
    }
    if header::is_switch(column) {
        return cell::switch(text.as_bytes())
            .map(|_| text.to_owned())
            .map_err(|(problem, remedy)| Fault::new(problem, remedy));
    }
    let mut text = text.to_owned();
    if dialect.decimal == ',' && !text.contains('.') {
        text = text.replace(',', ".");
    }
    if let (_, "") = split_figure(&text)
        && let Some(unit) = bracket
    {
        text = format!("{text} {unit}");
    }
    let (written, _) = split_figure(&text);
    let (value, own) = split_quantity(&text, column.quantity()).map_err(|error| first(&error))?;
    let canonical = own.to_canonical(value);
    let (low, high) = match column.quantity() {
        // What is counted or weighed is not below nothing.
        Quantity::Number | Quantity::Turbidity => (0.0, f64::MAX),
        other => possible(other),
    };
    if !(low..=high).contains(&canonical) {
        let end = |canonical| {
            let value: f64 = format!("{:.4e}", unit.from_canonical(canonical))
                .parse()
                .unwrap_or(f64::NAN);
            format!("{value} {}", unit.word).trim_end().to_owned()
        };
        let range = if high < f64::MAX {
            format!("{} to {}", end(low), end(high))
        } else {
            format!("{} or more", end(low))
        };
        return Err(Fault::new(
            "no such figure can be",
            format!("{range}: check the figure and its unit"),
        ));
    }
    let cell = in_unit(written.trim().trim_start_matches('+'), value, own, unit);
    let cell = if dialect.decimal == ',' {
        cell.replace('.', ",")
    } else {
        cell
    };
    // What was written is what is read back.
    dialect
        .figures
        .number(cell.as_bytes(), unit, &mut Finest::default())
        .map_err(|(problem, remedy)| Fault::new(problem, remedy))?;
    Ok(cell)
}

fn first(error: &Error) -> Fault {
    error.faults().into_iter().next().unwrap_or_default()
}

/// A figure as a cell in the column's unit: as it was written, where the unit is the same; else to two decimals beyond the
/// step of its last digit, so that turned back it is the figure that was written.
fn in_unit(written: &str, value: f64, own: &Unit, unit: &Unit) -> String {
    if own == unit {
        return written.to_owned();
    }
    let step = decimal_step(written);
    let step = unit
        .difference_from_canonical(own.difference_to_canonical(step))
        .abs();
    rounded(unit.from_canonical(own.to_canonical(value)), step)
}

/// A figure to two decimals beyond a step.
pub(crate) fn rounded(value: f64, step: f64) -> String {
    let decimals = (2.0 - step.log10()).ceil().clamp(0.0, 15.0);
    let text = format!("{value:.*}", decimals as usize);
    // Zero has no sign.
    if text.trim_matches(['-', '0', '.']).is_empty() {
        return text.trim_start_matches('-').to_owned();
    }
    text
}

/// The step of the last digit of a written figure.
fn decimal_step(written: &str) -> f64 {
    let (digits, exponent) = written.split_once(['e', 'E']).unwrap_or((written, "0"));
    let decimals = digits
        .split_once('.')
        .map_or(0, |(_, decimals)| decimals.len()) as i32;
    let exponent: i32 = exponent.parse().unwrap_or(0);
    10_f64.powi(exponent.clamp(-300, 300) - decimals.min(300))
}
