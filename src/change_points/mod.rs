//! Where one or several series change, found exactly: no other choice of rows has a lower cost.

mod fits;
mod search;
mod sums;

use crate::error::{Error, Fault, Faults, nearest};
use crate::trend::cross_checks::usable;
use fits::{Levels, Lines};
use search::Rows;

/// What a stretch between two changes is taken for; its cost is the sum of squares about that.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cost {
    /// One level: the mean.
    Level,
    /// One straight line against the times; lines need not meet where they change.
    Line,
}

impl Cost {
    /// Both, by name.
    pub const NAMES: [(&'static str, Self); 2] = [("level", Self::Level), ("line", Self::Line)];

    /// The cost of this name.
    ///
    /// # Errors
    /// [`Error::Series`] where there is none.
    pub fn parse(name: &str) -> Result<Self, Error> {
        if let Some((_, found)) = Self::NAMES.iter().find(|(known, _)| *known == name) {
            return Ok(*found);
        }
        let remedy = match nearest(name, Self::NAMES.map(|(known, _)| known)) {
            Some(meant) => format!("did you mean '{meant}'?"),
            None => "level or line".to_owned(),
        };
        Err(refusal("cost", name, "no such cost", remedy))
    }

    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Self::Level => "level",
            Self::Line => "line",
        }
    }
}

/// How many changes there shall be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Number {
    /// As many as lower the cost by more than this, each.
    Penalty(f64),
    /// So many.
    Changes(usize),
}

impl Number {
    /// From a penalty or a number of changes.
    ///
    /// # Errors
    /// [`Error::Series`] where neither is given, or both.
    pub fn from_settings(penalty: Option<f64>, changes: Option<usize>) -> Result<Self, Error> {
        match (penalty, changes) {
            (Some(penalty), None) => Ok(Self::Penalty(penalty)),
            (None, Some(changes)) => Ok(Self::Changes(changes)),
            (None, None) => Err(refusal(
                "penalty",
                "",
                "neither a penalty nor a number of changes",
                "one of the two",
            )),
            (Some(penalty), Some(_)) => Err(refusal(
                "penalty",
                penalty,
                "a number of changes is given too",
                "one of the two",
            )),
        }
    }
}

/// Settings of [`change_points`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChangePointSettings<'a> {
    /// What a stretch is taken for.
    pub cost: Cost,
    /// How many changes.
    pub number: Number,
    /// The least number of rows between two changes, and before the first and after the last; missing values count.
    pub min_size: usize,
    /// The rows' times, in any unit, rising; for [`Cost::Line`] alone.
    pub times: Option<&'a [f64]>,
    /// The standard deviation of each series' noise, in its unit, by whose square its cost is divided; 1 where not given.
    pub noise: Option<&'a [f64]>,
}

/// Where series change.
#[derive(Debug, Clone, PartialEq)]
pub struct ChangePoints {
    /// The first row of each stretch but the first, counted from 0.
    pub rows: Vec<usize>,
    /// The sum of squares that is left, in terms of the noise, added up over stretches and series, penalties not counted.
    pub cost: f64,
    /// What each stretch was taken for.
    pub of: Cost,
    /// How the number of changes was set.
    pub number: Number,
    /// The least number of rows of a stretch.
    pub min_size: usize,
    /// Rows.
    pub n: usize,
    /// Missing values of each series.
    pub missing: Vec<usize>,
}

/// Finds the rows at which all series change together, with the lowest sum of costs of any choice of rows.
///
/// Minimised is Σ over series and stretches of the sum of squares about the mean (or line), each over the square of its
/// series' noise, plus the penalty for each change. With a penalty: optimal partitioning (B. Jackson et al., IEEE Signal
/// Processing Letters 12 (2005) 105), with starts left out that can never be best again (R. Killick, P. Fearnhead and
/// I. A. Eckley, J. Am. Stat. Assoc. 107 (2012) 1590; both from memory); with a least stretch, no sooner than the stretch
/// that would replace them may begin, so that the result stays exact. Time from O(n), where there are changes throughout,
/// to O(n²), where there are none. With a number of changes: dynamic programming, O(n² changes), memory O(n changes).
///
/// A penalty of 2 to 3 ln n for each figure that a change adds (1 for a level, 2 for a line, of each series) is common
/// where the noise is independent; noise that hangs together needs more, or changes will be found where there are none. No
/// interval is given for the rows.
///
/// A missing value (NaN) costs nothing. Costs are exact to rounding. With a penalty, those of levels are differences of
/// prefix sums where that is certain to keep the cost of each stretch within 1e-9 of the penalty, which is asked
/// beforehand: with the values of k series taken about their means in terms of the noise, the largest |x| and the largest
/// prefix sum |P| of each, and Q, the sum of all squares, where 1.1e-16 (Σ 4 |x| |P| + (12 + 2 k) Q) is no more than that.
/// Elsewhere, and for lines, fits are moved from row to row: no digits are lost however far apart the levels are, in about
/// three times the time.
///
/// # Errors
/// [`Error::Series`] for no series, series of different lengths or without a value, infinite figures, a penalty of 0 or
/// less, noise of 0 or less, times that do not rise, times for levels, a stretch that has less than 1 row (2 for lines), or
/// fewer rows than the stretches asked for need.
///
/// ```
/// use brinemark::change_points::{ChangePointSettings, Cost, Number, change_points};
/// let settings = ChangePointSettings {
///     cost: Cost::Level,
///     number: Number::Penalty(5.0),
///     min_size: 2,
///     times: None,
///     noise: Some(&[0.5]),
/// };
/// let found = change_points(&[&[1.0, 1.2, 0.9, 5.1, f64::NAN, 4.8, 5.0]], &settings)?;
/// assert_eq!(found.rows, [3]);
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn change_points(
    series: &[&[f64]],
    settings: &ChangePointSettings<'_>,
) -> Result<ChangePoints, Error> {
    check(series, settings)?;
    let rows = Rows::of(series, settings);
    let (found, cost) = match settings.cost {
        Cost::Level => rows.changes::<Levels>(settings),
        Cost::Line => rows.changes::<Lines>(settings),
    };
    let missing = |values: &&[f64]| values.iter().filter(|value| value.is_nan()).count();
    Ok(ChangePoints {
        rows: found,
        cost,
        of: settings.cost,
        number: settings.number,
        min_size: settings.min_size,
        n: series.first().map_or(0, |values| values.len()),
        missing: series.iter().map(missing).collect(),
    })
}

fn refusal(
    column: impl Into<String>,
    value: impl ToString,
    problem: impl Into<String>,
    remedy: impl Into<String>,
) -> Error {
    let fault = Fault::new(problem, remedy).at_column(column);
    let value = value.to_string();
    let fault = if value.is_empty() {
        fault
    } else {
        fault.with_value(value)
    };
    Error::Series(fault.into())
}

fn check(series: &[&[f64]], settings: &ChangePointSettings<'_>) -> Result<(), Error> {
    let rows = series.first().map_or(0, |values| values.len());
    if rows == 0 {
        return Err(refusal(
            "values",
            rows,
            "no values",
            "one series or several",
        ));
    }
    let name = |at: usize| match series.len() {
        1 => "values".to_owned(),
        _ => format!("series {}", at + 1),
    };
    for (at, values) in series.iter().enumerate() {
        if values.len() != rows {
            let problem = format!("another number of values than the first series, {rows}");
            return Err(refusal(
                name(at),
                values.len(),
                problem,
                "as many, NaN where missing",
            ));
        }
        usable(&name(at), values)?;
        if values.iter().all(|value| value.is_nan()) {
            return Err(refusal(
                name(at),
                "NaN",
                "all values are missing",
                "at least one value",
            ));
        }
    }
    if let Some(noise) = settings.noise {
        if noise.len() != series.len() {
            let problem = format!("noise for {} series", series.len());
            return Err(refusal(
                "noise",
                noise.len(),
                problem,
                "one figure a series",
            ));
        }
        if let Some(wrong) = noise.iter().find(|noise| !(1e-50..=1e50).contains(*noise)) {
            let remedy = "its standard deviation, above 0 (1e-50 to 1e50)";
            return Err(refusal("noise", wrong, "no standard deviation", remedy));
        }
    }
    check_times(rows, settings)?;
    let least = match settings.cost {
        Cost::Level => 1,
        Cost::Line => 2,
    };
    let size = settings.min_size;
    if size < least {
        let remedy = format!("{least} rows or more");
        return Err(refusal("min_size", size, "too short a stretch", remedy));
    }
    let stretches = match settings.number {
        Number::Penalty(penalty) if !(penalty > 0.0 && penalty <= 1e100) => {
            let remedy = "above 0 (and up to 1e100), such as 3 ln n";
            return Err(refusal("penalty", penalty, "no penalty", remedy));
        }
        Number::Penalty(_) => 1,
        Number::Changes(changes) => changes.saturating_add(1),
    };
    if stretches.saturating_mul(size) > rows {
        let problem = format!("too few rows for {stretches} times {size}");
        return Err(refusal(
            "values",
            rows,
            problem,
            "fewer changes, or a smaller min_size",
        ));
    }
    Ok(())
}

fn check_times(rows: usize, settings: &ChangePointSettings<'_>) -> Result<(), Error> {
    let times = match (settings.cost, settings.times) {
        (Cost::Level, None) => return Ok(()),
        (Cost::Level, Some(times)) => {
            let remedy = "leave them out, or cost=\"line\"";
            return Err(refusal("times", times.len(), "levels use no times", remedy));
        }
        (Cost::Line, None) => {
            return Err(refusal(
                "times",
                "",
                "lines need times",
                "one a row, rising",
            ));
        }
        (Cost::Line, Some(times)) => times,
    };
    if times.len() != rows {
        let problem = format!("another number of times than of values, {rows}");
        return Err(refusal("times", times.len(), problem, "one time a value"));
    }
    usable("times", times)?;
    let mut faults = Faults::default();
    for (at, time) in times.iter().enumerate() {
        if time.is_nan() || (at > 0 && time <= &times[at - 1]) {
            faults.push(
                Fault::new("missing, or not later than the one before", "rising times")
                    .at_column("times")
                    .at_row(at as u64 + 1)
                    .with_value(time.to_string()),
            );
        }
    }
    faults.into_result(Error::Series)
}

#[cfg(test)]
mod tests;
