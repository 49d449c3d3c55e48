//! Adding a visit to a log, so that no reading is lost when two people do it at once, or the power goes.
//!
//! A visit is looked at first (`visit`), becomes one line in the log's own dialect (`dialect`), and is written by one write under
//! a lock (`lock`), then put on the disk (`lines`). Only then is it acknowledged.

mod dialect;
pub(crate) mod lines;
pub(crate) mod lock;
mod visit;

use std::path::Path;

use self::dialect::Dialect;
use self::lines::End;
use self::lock::Lock;
use self::visit::Row;
use super::header::{Field, is_switch};
use super::options::ReadOptions;
use super::{cell, cell::Finest};
use crate::error::{Error, Fault, Faults};

pub use lines::TORN_FILE;
pub use lock::LOCK_FILE;
pub use visit::Visit;
pub(crate) use visit::rounded;

/// A line that is in a file now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Appended {
    /// The line, without its end.
    pub line: String,
    /// Whether it stood there before: the same thing was given twice.
    pub already_there: bool,
    /// What the user should know: what was mended, what is odd.
    pub told: Vec<String>,
}

/// Adds a visit to a log whose folder is locked. `now`: µs since 1970 UTC.
///
/// # Errors
/// [`Error::Log`] with every fault of the visit, and what of the log keeps it from being added; [`Error::File`]. The log then
/// holds what it held.
pub(crate) fn append(
    lock: &mut Lock,
    path: &Path,
    visit: &Visit,
    options: &ReadOptions,
    now: i64,
) -> Result<Appended, Error> {
    let (text, dialect, mended) = open(lock, path, options)?;
    let row = visit.row(&dialect, now).map_err(Error::Log)?;
    let line = lines::row(dialect.separator, dialect.line_end, &row.cells);
    let shown = String::from_utf8_lossy(lines::without_end(&line)).into_owned();
    let mut told: Vec<String> = mended.into_iter().collect();
    let already_there = match beside(&dialect, &text, &row, options).map_err(Error::Log)? {
        Beside::TheSame => true,
        Beside::None(odd) => {
            told.extend(odd);
            lines::append(lock, path, text.len() as u64, &line)?;
            false
        }
    };
    Ok(Appended {
        line: shown,
        already_there,
        told,
    })
}

/// Mends how a log ends; says what was done, where anything was.
pub(crate) fn recover(
    lock: &Lock,
    path: &Path,
    options: &ReadOptions,
) -> Result<Option<String>, Error> {
    open(lock, path, options).map(|(_, _, mended)| mended)
}

/// Whether a log ends with a whole line, or none.
pub(crate) fn ends_whole(path: &Path, options: &ReadOptions) -> Result<bool, Error> {
    let text = read(path)?;
    let dialect = Dialect::of(path, &text, options)?;
    Ok(End::of(&text, None, |line| dialect.has_all_cells(line)) == End::Whole)
}

fn read(path: &Path) -> Result<Vec<u8>, Error> {
    std::fs::read(path).map_err(|cause| Error::file(path, "read", cause))
}

fn open(
    lock: &Lock,
    path: &Path,
    options: &ReadOptions,
) -> Result<(Vec<u8>, Dialect, Option<String>), Error> {
    let mut text = read(path)?;
    let dialect = Dialect::of(path, &text, options)?;
    let last = lock
        .last
        .as_ref()
        .filter(|last| last.file == lines::name_of(path));
    let end = End::of(&text, last, |line| dialect.has_all_cells(line));
    let mended = lines::mend(path, &text, &end, dialect.line_end)?;
    if mended.is_some() {
        text = read(path)?;
    }
    Ok((text, dialect, mended))
}

/// What stands in the log beside a new row.
enum Beside {
    /// The very same.
    TheSame,
    /// Nothing of its time; what is odd about it.
    None(Option<String>),
}

fn beside(
    dialect: &Dialect,
    text: &[u8],
    row: &Row,
    options: &ReadOptions,
) -> Result<Beside, Faults> {
    let rows = dialect.rows(text)?;
    let source_of = |field: Field| {
        let target = dialect
            .header
            .targets
            .iter()
            .find(|target| target.field == field);
        target.map(|target| target.source)
    };
    let time = source_of(Field::Time).unwrap_or_default();
    let labels = [0, 1].map(|label| source_of(Field::Label(label)));
    let (mut first, mut latest, mut twin) = (None::<i64>, None::<(i64, u64)>, None);
    for (line, record) in &rows {
        let cell = |at: usize| String::from_utf8_lossy(record.get(at).unwrap_or_default());
        let of_group = labels
            .into_iter()
            .flatten()
            .all(|at| cell(at).trim() == row.cells[at]);
        // A row that can't be read keeps no visit out; whoever reads the log is told of it.
        let Ok(read) = dialect.instant(cell(time).trim()) else {
            continue;
        };
        if !of_group {
            continue;
        }
        first = Some(first.map_or(read, |first| first.min(read)));
        if latest.is_none_or(|(latest, _)| read >= latest) {
            latest = Some((read, *line));
        }
        if read == row.time {
            let differs = (0..row.cells.len())
                .filter(|at| *at != time && !same(dialect, *at, &cell(*at), &row.cells[*at]))
                .map(|at| format!("{} '{}'", dialect.header.titles[at], cell(at).trim()))
                .collect::<Vec<_>>();
            if differs.is_empty() {
                return Ok(Beside::TheSame);
            }
            twin = Some((*line, differs));
        }
    }
    if let Some((line, differs)) = twin {
        return Err(Fault::new(
            format!(
                "line {line} is of the same time and has other readings: {}",
                differs.join(", ")
            ),
            "a second reading has a time of its own; a wrong line is corrected in the file",
        )
        .at_column("time")
        .with_value(&row.cells[time])
        .into());
    }
    if let Some((later, line)) = latest
        && later > row.time
        && !options.sorts()
    {
        return Err(Fault::new(
            format!("line {line} is of a later time, and this log is kept in the order of time"),
            "write sort = true into mapping.toml, and the order of its lines is nothing",
        )
        .at_column("time")
        .with_value(&row.cells[time])
        .into());
    }
    let odd = match (first, rows.last()) {
        (Some(first), _) if row.time < first => {
            Some("It stands before the log's first reading: is its date right?".to_owned())
        }
        (_, Some((line, last))) => {
            let repeats = (0..row.cells.len()).all(|at| {
                let cell = String::from_utf8_lossy(last.get(at).unwrap_or_default());
                at == time || same(dialect, at, &cell, &row.cells[at])
            });
            repeats.then(|| {
                format!("It repeats line {line} with another time: if it is the same visit, take one of the two out.")
            })
        }
        _ => None,
    };
    Ok(Beside::None(odd))
}

/// Whether two cells of a column say the same.
fn same(dialect: &Dialect, at: usize, one: &str, other: &str) -> bool {
    let (one, other) = (one.trim(), other.trim());
    if one == other {
        return true;
    }
    let target = dialect
        .header
        .targets
        .iter()
        .find(|target| target.source == at);
    let Some(Field::Number(column, unit)) = target.map(|target| target.field) else {
        return false;
    };
    let read = |text: &str| {
        let text = text.as_bytes();
        if is_switch(column) {
            cell::switch(text).ok()
        } else {
            dialect
                .figures
                .number(text, unit, &mut Finest::default())
                .ok()
        }
    };
    match (read(one), read(other)) {
        (Some(one), Some(other)) => one == other || (one.is_nan() && other.is_nan()),
        _ => false,
    }
}
