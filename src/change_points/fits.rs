//! What it costs to take a stretch of a series for one level or one line, kept up to date for many starts at once.
//!
//! Each start keeps its own mean (and slope), which new values move by a little: O(1) a start, as differences of prefix sums
//! are ([`Sums`]), and no digits are lost where levels are far apart in terms of the noise.

use std::ops::Range;

use super::sums::Sums;

/// One series, brought to the size of its noise.
pub(super) struct Series {
    /// From the first value on.
    pub values: Vec<f64>,
    /// How many values are there before each row, and at last in all.
    pub met: Vec<f64>,
}

impl Series {
    pub fn of(values: &[f64], noise: f64) -> Self {
        let first = values.iter().find(|value| !value.is_nan());
        let first = first.copied().unwrap_or_default();
        let mut met = vec![0.0];
        let mut so_far = 0.0;
        for value in values {
            so_far += f64::from(u8::from(!value.is_nan()));
            met.push(so_far);
        }
        let values = values.iter().map(|value| (value - first) / noise);
        Self {
            values: values.collect(),
            met,
        }
    }
}

/// The fits of one series, one for each start, each to what came since.
pub(super) trait Fits: Default {
    /// Adds a start behind so many values that are there.
    fn start(&mut self, met: f64);

    /// Takes in the next rows, and adds to the cost of each start what they add to the sum of squares about its fit. Missing
    /// values change nothing.
    fn advance(&mut self, times: &[f64], series: &Series, rows: Range<usize>, costs: &mut [f64]);

    /// The sums whose differences give the same costs sooner, if there are any that are accurate enough.
    fn sums(_: &[Series], _penalty: f64) -> Option<Sums> {
        None
    }
}

/// Means.
#[derive(Default)]
pub(super) struct Levels {
    /// For each start, the values that are there before it.
    before: Vec<f64>,
    mean: Vec<f64>,
}

impl Fits for Levels {
    fn start(&mut self, met: f64) {
        self.before.push(met);
        self.mean.push(0.0);
    }

    fn sums(series: &[Series], penalty: f64) -> Option<Sums> {
        Sums::of(series, penalty)
    }

    /// All rows in one step: k values of mean b and sum of squares q about it, behind m of mean a, add
    /// q + (a − b)² m k/(m + k) (T. F. Chan, G. H. Golub and R. J. LeVeque, Am. Statistician 37 (1983) 242, from memory).
    #[inline(always)]
    fn advance(&mut self, _: &[f64], series: &Series, rows: Range<usize>, costs: &mut [f64]) {
        let met = series.met[rows.start];
        let more = series.met[rows.end] - met;
        if more == 0.0 {
            return;
        }
        let values = &series.values[rows];
        let (mut sum, mut squares) = (0.0, 0.0);
        for value in values {
            sum += if value.is_nan() { 0.0 } else { *value };
        }
        let level = sum / more;
        for value in values {
            let off = value - level;
            squares += if off.is_nan() { 0.0 } else { off * off };
        }
        let number = costs.len();
        let before = &self.before[..number];
        let mean = &mut self.mean[..number];
        for at in 0..number {
            let m = met - before[at];
            let share = more / (m + more);
            let off = level - mean[at];
            mean[at] += off * share;
            costs[at] += squares + off * off * m * share;
        }
    }
}

/// Straight lines against time.
#[derive(Default)]
pub(super) struct Lines {
    before: Vec<f64>,
    mean_time: Vec<f64>,
    /// Sum of squares of the times about their mean.
    spread: Vec<f64>,
    mean: Vec<f64>,
    slope: Vec<f64>,
}

impl Fits for Lines {
    fn start(&mut self, met: f64) {
        self.before.push(met);
        for column in [
            &mut self.mean_time,
            &mut self.spread,
            &mut self.mean,
            &mut self.slope,
        ] {
            column.push(0.0);
        }
    }

    /// Recursive least squares: with m values behind the line, t its distance from their mean time, S the spread of their
    /// times and e what the line misses the new value by, e² adds as e²/(1 + 1/m + t²/S).
    #[inline(always)]
    fn advance(&mut self, times: &[f64], series: &Series, rows: Range<usize>, costs: &mut [f64]) {
        let number = costs.len();
        let before = &self.before[..number];
        let mean_time = &mut self.mean_time[..number];
        let spread = &mut self.spread[..number];
        let mean = &mut self.mean[..number];
        let slope = &mut self.slope[..number];
        for row in rows {
            let (time, value, met) = (times[row], series.values[row], series.met[row]);
            if value.is_nan() {
                continue;
            }
            for at in 0..number {
                let m = met - before[at];
                let share = 1.0 / (m + 1.0);
                let later = time - mean_time[at];
                let above = value - mean[at];
                let missed = above - slope[at] * later;
                // Of the first value nothing is left: the least number keeps 0/0 away.
                let whole = (m + 1.0) * spread[at] + m * later * later + f64::MIN_POSITIVE;
                let gain = m / whole;
                costs[at] += missed * missed * spread[at] * gain;
                slope[at] += missed * later * gain;
                spread[at] += later * later * (1.0 - share);
                mean_time[at] += later * share;
                mean[at] += above * share;
            }
        }
    }
}
