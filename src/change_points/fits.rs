//! What it costs to take a stretch of a series for one level or one line, kept up to date for many starts at once.
//!
//! Each start keeps its own mean (and slope), which a new value moves by a little. That is as fast as differences of prefix
//! sums, O(1) a start and value, and loses no digits where a level is far from 0 in terms of the noise.

use std::ops::Range;

/// How many rows are taken in at once: what a start knows is then fetched and kept but once for all of them.
pub(super) const ROWS: usize = 4;
/// How many starts at once, so that all of them fit in the nearest memory.
pub(super) const CHUNK: usize = 64;

/// A figure for each of some rows and each of some starts.
pub(super) type Block = [[f64; CHUNK]; ROWS];

/// Rows, up to [`ROWS`], of one series.
#[derive(Clone, Copy)]
pub(super) struct Batch<'a> {
    pub times: &'a [f64],
    pub values: &'a [f64],
    /// How many values are there up to each row, and in it.
    pub met: &'a [f64],
}

/// The fits of one series, one for each start, each to what came since.
pub(super) trait Fits {
    /// Adds a start behind so many values that are there.
    fn start(&mut self, met: f64);

    /// Takes in rows for some of the starts, up to [`CHUNK`] of them, and adds to the cost at each row what came since the
    /// first of them to the sum of squares about each start's fit. A missing value changes nothing.
    fn advance(&mut self, batch: Batch<'_>, starts: Range<usize>, costs: &mut Block);

    /// Leaves only the starts that are `kept`.
    fn keep(&mut self, kept: &[bool]);
}

/// Leaves only what is `kept`, in its order.
pub(super) fn keep<T>(list: &mut Vec<T>, kept: &[bool]) {
    let mut kept = kept.iter();
    list.retain(|_| kept.next().is_none_or(|keep| *keep));
}

/// 1/(m + 1) at each row, where m is the number of values between the start and that row.
#[inline(always)]
fn shares(batch: Batch<'_>, before: &[f64]) -> Block {
    let mut shares = [[0.0; CHUNK]; ROWS];
    let mut there = batch.values.len() == ROWS;
    for value in batch.values {
        there &= !value.is_nan();
    }
    if there {
        // One division does for four, which take most of the time.
        let met = batch.met[0];
        let [first, second, third, fourth] = &mut shares;
        for at in 0..before.len() {
            let a = met - before[at];
            let (b, c, d) = (a + 1.0, a + 2.0, a + 3.0);
            let (ab, cd) = (a * b, c * d);
            let all = 1.0 / (ab * cd);
            let (of_ab, of_cd) = (all * cd, all * ab);
            first[at] = of_ab * b;
            second[at] = of_ab * a;
            third[at] = of_cd * d;
            fourth[at] = of_cd * c;
        }
    } else {
        for (shares, met) in shares.iter_mut().zip(batch.met) {
            for at in 0..before.len() {
                shares[at] = 1.0 / (met - before[at]);
            }
        }
    }
    shares
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

    /// Welford's update: with m values behind the mean, δ = x − mean adds δ² m/(m + 1).
    #[inline(always)]
    fn advance(&mut self, batch: Batch<'_>, starts: Range<usize>, costs: &mut Block) {
        let number = starts.len().min(CHUNK);
        let before = &self.before[starts.clone()][..number];
        let mean = &mut self.mean[starts][..number];
        let shares = shares(batch, before);
        let mut added = [0.0; CHUNK];
        for row in 0..batch.values.len() {
            let value = batch.values[row];
            let (share, cost) = (&shares[row], &mut costs[row]);
            if !value.is_nan() {
                for at in 0..number {
                    let off = value - mean[at];
                    mean[at] += off * share[at];
                    added[at] += off * off * (1.0 - share[at]);
                }
            }
            for at in 0..number {
                cost[at] += added[at];
            }
        }
    }

    fn keep(&mut self, kept: &[bool]) {
        keep(&mut self.before, kept);
        keep(&mut self.mean, kept);
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
    fn advance(&mut self, batch: Batch<'_>, starts: Range<usize>, costs: &mut Block) {
        let number = starts.len().min(CHUNK);
        let before = &self.before[starts.clone()][..number];
        let mean_time = &mut self.mean_time[starts.clone()][..number];
        let spread = &mut self.spread[starts.clone()][..number];
        let mean = &mut self.mean[starts.clone()][..number];
        let slope = &mut self.slope[starts][..number];
        let shares = shares(batch, before);
        let mut added = [0.0; CHUNK];
        for row in 0..batch.values.len() {
            let (time, value) = (batch.times[row], batch.values[row]);
            let (met, share, cost) = (batch.met[row], &shares[row], &mut costs[row]);
            if !value.is_nan() {
                for at in 0..number {
                    let more = met - before[at];
                    let m = more - 1.0;
                    let later = time - mean_time[at];
                    let above = value - mean[at];
                    let missed = above - slope[at] * later;
                    // Of the first value nothing is left: the least number keeps 0/0 away.
                    let whole = more * spread[at] + m * later * later + f64::MIN_POSITIVE;
                    let gain = m / whole;
                    added[at] += missed * missed * spread[at] * gain;
                    slope[at] += missed * later * gain;
                    spread[at] += later * later * (1.0 - share[at]);
                    mean_time[at] += later * share[at];
                    mean[at] += above * share[at];
                }
            }
            for at in 0..number {
                cost[at] += added[at];
            }
        }
    }

    fn keep(&mut self, kept: &[bool]) {
        for column in [
            &mut self.before,
            &mut self.mean_time,
            &mut self.spread,
            &mut self.mean,
            &mut self.slope,
        ] {
            keep(column, kept);
        }
    }
}

/// The least of some figures; infinite of nothing.
#[inline(always)]
pub(super) fn least(figures: &[f64]) -> f64 {
    const LANES: usize = 16;
    let mut lanes = [f64::INFINITY; LANES];
    let groups = figures.chunks_exact(LANES);
    let rest = groups.remainder();
    for group in groups {
        for lane in 0..LANES {
            let lower = group[lane] < lanes[lane];
            lanes[lane] = if lower { group[lane] } else { lanes[lane] };
        }
    }
    let mut least = f64::INFINITY;
    for figure in lanes.iter().chain(rest) {
        least = if *figure < least { *figure } else { least };
    }
    least
}
