//! Simple statistics of one series, to hold a trend against that was found in another way.
//!
//! - [`mann_kendall()`]: does it rise or fall at all?
//! - [`theil_sen()`]: how fast, whatever a few readings say.
//! - [`year_on_year()`]: what changed against the same season a year before.
//!
//! They know nothing of membranes: values and times come in any unit. A missing value (NaN) is left out and counted.

mod inversions;
mod mann_kendall;
mod theil_sen;
mod year_on_year;

pub use mann_kendall::{Correction, MannKendall, mann_kendall};
pub use theil_sen::{TheilSen, theil_sen};
pub use year_on_year::{Change, YEAR_DAYS, YearOnYear, YearOnYearSettings, year_on_year};

use crate::error::{Error, Fault, Faults, within};

/// The greatest size of a figure: beyond, products of figures would leave the range of the machine's numbers.
pub(crate) const GREATEST: f64 = 1e100;

/// Refuses what is infinite or beyond [`GREATEST`]. NaN passes: it is a missing value.
pub(crate) fn usable(what: &str, figures: &[f64]) -> Result<(), Error> {
    let mut faults = Faults::default();
    for (at, figure) in figures.iter().enumerate() {
        if figure.abs() > GREATEST {
            faults.push(
                Fault::new(
                    "infinite, or beyond 1e100 in size",
                    "a figure, or NaN where it is missing",
                )
                .at_column(what)
                .at_row(at as u64 + 1)
                .with_value(format!("{figure:e}")),
            );
        }
    }
    faults.into_result(Error::Series)
}

/// Refuses times that don't go with the values, or of which one is missing where there is a value.
fn times_go_with(what: &'static str, times: &[f64], values: &[f64]) -> Result<(), Error> {
    let mut faults = Faults::default();
    if times.len() != values.len() {
        faults.push(
            Fault::new(
                format!("{} times for {} values", times.len(), values.len()),
                "one time a value",
            )
            .at_column(what),
        );
    } else {
        for (at, (time, value)) in times.iter().zip(values).enumerate() {
            if time.is_nan() && !value.is_nan() {
                faults.push(
                    Fault::new(
                        "a value without a time",
                        "its time, or no value (NaN) there",
                    )
                    .at_column(what)
                    .at_row(at as u64 + 1),
                );
            }
        }
    }
    faults.into_result(Error::Series)
}

/// Refuses a level of an interval that is missing or none.
fn level_is_one(level: f64) -> Result<(), Error> {
    if level.is_nan() {
        return Err(Error::Series(
            Fault::new("the level is missing", "level=0.90")
                .at_column("level")
                .into(),
        ));
    }
    within("level", level, (0.5, 0.999), "")
}

/// Refuses fewer than `least` values that are there.
fn enough(there: usize, least: usize) -> Result<(), Error> {
    if there >= least {
        return Ok(());
    }
    Err(Error::Series(
        Fault::new(
            format!("{there} values that are not missing"),
            format!("at least {least}"),
        )
        .at_column("values")
        .into(),
    ))
}

/// The number of pairs among n.
fn pairs(n: usize) -> u64 {
    let n = n as u64;
    n * n.saturating_sub(1) / 2
}

/// Sizes of the groups of equal figures in a sorted list.
fn ties(sorted: &[f64]) -> impl Iterator<Item = usize> {
    sorted.chunk_by(|a, b| a == b).map(<[f64]>::len)
}

/// n (n − 1) (2 n + 5), of which 18 make Kendall's variance.
fn kendall_sum(n: usize) -> f64 {
    let n = n as u128;
    (n * n.saturating_sub(1) * (2 * n + 5)) as f64
}
