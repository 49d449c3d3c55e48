//! One series, smoothed: a level with a rate, by variances that are given.

use super::filter::{Gaussian, LEVEL, RATE, Step, Variances, WANDER, smooth};
use crate::error::{Error, Fault, setting};

/// A series, smoothed.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LocalTrend {
    /// The level at each time, as all points tell it.
    pub level: Vec<f64>,
    /// Its standard uncertainty.
    pub level_u: Vec<f64>,
    /// The rate at each time, by unit of time.
    pub rate: Vec<f64>,
    /// Its standard uncertainty.
    pub rate_u: Vec<f64>,
    /// The logarithm of the likelihood of the points.
    pub log_likelihood: f64,
}

/// What is thought before the first point: means and standard deviations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Before {
    /// The level.
    pub level: (f64, f64),
    /// The rate.
    pub rate: (f64, f64),
}

/// Smooths a series: y = level + wander + noise. The level moves at a rate that does a random walk, and may walk by
/// itself; the wander is a first-order autoregression in continuous time.
///
/// `times`: in any unit, rising; standard deviations `bend` and `walk` are after one unit of it. `values`: NaN where missing.
///
/// # Errors
/// [`Error::Range`] for a standard deviation below 0 or a noise of 0; [`Error::Log`] where times fall or lengths differ.
///
/// ```
/// use brinemark::trend::{filter::Variances, local::{Before, local_trend}};
/// let variances = Variances { noise: 0.1, wander: 0.0, memory: 1.0, bend: 0.01, share: 0.0, growth: 0.0, walk: 0.0 };
/// let before = Before { level: (0.0, 10.0), rate: (0.0, 1.0) };
/// let found = local_trend(&[0.0, 1.0, 2.0, 3.0], &[0.0, 1.0, f64::NAN, 3.0], &variances, &before)?;
/// assert!((found.level[2] - 2.0).abs() < 0.05);
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn local_trend(
    times: &[f64],
    values: &[f64],
    variances: &Variances,
    before: &Before,
) -> Result<LocalTrend, Error> {
    for (name, figure, least) in [
        ("noise", variances.noise, f64::MIN_POSITIVE),
        ("wander", variances.wander, 0.0),
        ("memory", variances.memory, f64::MIN_POSITIVE),
        ("bend", variances.bend, 0.0),
        ("walk", variances.walk, 0.0),
        ("level_u", before.level.1, 0.0),
        ("rate_u", before.rate.1, 0.0),
    ] {
        setting(name, figure, (least, 1e12), "")?;
    }
    let refuse = |row: usize, problem: &str| {
        let fault = Fault::new(problem, "finite times that rise, a value for each");
        Error::Log(fault.at_column("times").at_row(row as u64 + 1).into())
    };
    if times.len() != values.len() {
        return Err(refuse(
            times.len().min(values.len()),
            "not as many times as values",
        ));
    }
    if let Some(row) = (0..times.len())
        .find(|row| !times[*row].is_finite() || (*row > 0 && times[*row] < times[row - 1]))
    {
        return Err(refuse(row, "a time that falls, or is none"));
    }
    let mut steps: Vec<Step<3>> = Vec::with_capacity(2 * times.len());
    let mut last = times.first().copied().unwrap_or(0.0);
    let loads = [1.0, 0.0, 1.0];
    for (time, value) in times.iter().zip(values) {
        steps.push(Step::Pass(time - last));
        if value.is_finite() {
            steps.push(Step::Read {
                value: *value,
                loads,
                weight: 1.0,
            });
        }
        last = *time;
    }
    let start = Gaussian::independent(
        [before.level.0, before.rate.0, 0.0],
        [before.level.1, before.rate.1, variances.wander],
    );
    let (states, log_likelihood) = smooth(start, &steps, variances, None);
    let mut found = LocalTrend {
        log_likelihood,
        ..LocalTrend::default()
    };
    debug_assert_eq!(WANDER, 2);
    for (at, smoothed) in states.iter().enumerate() {
        // A point's state is the one at its reading, or, where it is missing, when its time came.
        if matches!(steps.get(at + 1), Some(Step::Read { .. })) {
            continue;
        }
        let state = &smoothed.state;
        found.level.push(state.mean[LEVEL]);
        found
            .level_u
            .push(state.covariance[LEVEL][LEVEL].max(0.0).sqrt());
        found.rate.push(state.mean[RATE]);
        found
            .rate_u
            .push(state.covariance[RATE][RATE].max(0.0).sqrt());
    }
    Ok(found)
}
