//! What a unit can do over temperature, salt and recovery: where it may run at all, and what forbids the rest.

use rayon::prelude::*;

use super::bounds::{self, Bound, Of, Run};
use super::{Day, problem, scaling};
use crate::error::Error;
use crate::membrane::operate::Operation;
use crate::membrane::train::Train;
use crate::site::Site;

/// One point of the map.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cell {
    /// What the unit makes there; NaN where nothing holds together.
    pub run: Run,
    /// Whether it is less than asked for, since the pressure may not rise.
    pub stopped_by_pressure: bool,
    /// What is broken there, the most as a share of its limit; `None`: nothing.
    pub broken: Option<Of>,
}

impl Cell {
    /// Whether the unit may run so.
    pub fn is_allowed(&self) -> bool {
        self.broken.is_none() && !self.run.working.permeate_flow.is_nan()
    }
}

/// The map over temperatures in degC, salt of the raw feed in mg/L and recoveries: temperature by temperature, in it salt by
/// salt, in it recovery by recovery. What else is asked for is the day's; recycle is what it tells or the site file, or none.
/// Gauges are taken as exact. Scales count where the site file has an analysis, scaled to each salt; an analysis of the
/// day's own is taken as it is.
///
/// # Errors
/// As of [`settings`](super::settings); a figure of the grid out of range is refused too.
pub fn map(
    site: &Site,
    day: &Day,
    temperatures: &[f64],
    feed_tds: &[f64],
    recoveries: &[f64],
) -> Result<Vec<Cell>, Error> {
    let (Some(temperature), Some(tds), Some(recovery)) =
        (temperatures.first(), feed_tds.first(), recoveries.first())
    else {
        return Ok(Vec::new());
    };
    let train = Train::new(site, None)?;
    let first = Day {
        feed_temperature: *temperature,
        feed_tds: Some(*tds),
        recovery: Some(*recovery),
        ..*day
    };
    let problem = problem(site, &first, &train)?;
    let waters: Vec<(f64, f64)> = temperatures
        .iter()
        .flat_map(|temperature| feed_tds.iter().map(|tds| (*temperature, *tds)))
        .collect();
    let scales = waters
        .par_iter()
        .map(|(temperature, tds)| {
            let found = scaling(site, day, *temperature, *tds)?;
            Ok(found.iter().flat_map(bounds::of_scaling).collect())
        })
        .collect::<Result<Vec<Vec<Bound>>, Error>>()?;
    let cases: Vec<Operation> = waters
        .iter()
        .flat_map(|(temperature, tds)| {
            recoveries.iter().map(|recovery| Operation {
                temperature: *temperature,
                feed_tds: *tds,
                ..problem.asked_for(*recovery)
            })
        })
        .collect();
    let margins = vec![0.0; problem.bounds.len()];
    let runs = problem.runs(&cases, &margins)?;
    Ok(runs
        .into_iter()
        .enumerate()
        .map(|(at, run)| {
            let bounds = problem.bounds.iter().chain(&scales[at / recoveries.len()]);
            let broken = bounds
                .filter(|bound| bound.beyond(&run) > 0.0 && !bound.is_kept(&run, 0.0))
                .max_by(|a, b| a.share(&run).total_cmp(&b.share(&run)))
                .map(|bound| bound.of);
            Cell {
                run,
                stopped_by_pressure: problem.is_short(&run),
                broken,
            }
        })
        .collect())
}
