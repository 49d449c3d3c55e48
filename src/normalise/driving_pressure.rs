//! Net driving pressure, and the mean feed-side concentration that it needs.

use crate::error::{Error, within};
use crate::number::{Equation, Number};

/// Log-mean concentration of the feed-brine side over that of the inlet: ln[1/(1 − Y)]/Y.
///
/// Y is permeate flow over inlet flow. Below 1e-3 the series 1 + Y/2 + Y²/3 + Y³/4 + Y⁴/5 stands for it, whose
/// error there (Y⁵/6) is below 2e-16.
///
/// Source: ASTM D4516 (from memory), for spiral elements; the log-mean also in the UNSW desalination
/// notes on standardising data.
///
/// # Errors
/// [`Error::Range`] unless 0 ≤ Y < 1. NaN in, NaN out.
///
/// ```
/// let factor = brinemark::normalise::log_mean_factor(0.75)?;
/// assert!((factor - 1.848392).abs() < 1e-6);
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn log_mean_factor(recovery: f64) -> Result<f64, Error> {
    within("recovery", recovery, (0.0, 1.0 - f64::EPSILON), "")?;
    Ok(log_mean_unchecked(recovery))
}

/// Below this the logarithm of a number so near 1 is less exact than its series.
const SERIES_BELOW: f64 = 1e-3;

/// [`log_mean_factor`] where the caller has checked the range, as an equation.
#[derive(Clone, Copy)]
pub(crate) struct LogMean;

impl Equation for LogMean {
    #[inline(always)]
    fn of<T: Number>(&self, recovery: T) -> T {
        log_mean_unchecked(recovery)
    }
}

#[inline(always)]
fn log_mean_unchecked<T: Number>(recovery: T) -> T {
    let y = recovery;
    let series = y * (y * (y * (y * 0.2 + 0.25) + 1.0 / 3.0) + 0.5) + 1.0;
    let closed = -(-y + 1.0).ln() / y;
    y.choose_below(SERIES_BELOW, series, closed)
}

/// Net driving pressure: Pf − ΔP/2 − Pp − (π fb − π p), any one unit.
///
/// Pf inlet pressure, ΔP feed less concentrate pressure (half of it is the mean loss along the
/// membranes), Pp permeate pressure, π fb osmotic pressure of the log-mean feed-brine concentration, π p
/// of the permeate. Source: ASTM D4516, permeate flow equation, the bracketed term.
///
/// ```
/// let pressure = brinemark::normalise::net_driving_pressure(12.5, 1.8, 0.5, 2.936, 0.024);
/// assert!((pressure - 8.188).abs() < 1e-9);
/// ```
#[inline(always)]
pub fn net_driving_pressure<T: Number>(
    feed_pressure: T,
    differential_pressure: T,
    permeate_pressure: T,
    mean_feed_osmotic_pressure: T,
    permeate_osmotic_pressure: T,
) -> T {
    feed_pressure
        - differential_pressure * 0.5
        - permeate_pressure
        - (mean_feed_osmotic_pressure - permeate_osmotic_pressure)
}
