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
type Block = [[f64; CHUNK]; ROWS];

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

    /// Makes ready for some rows and some of the starts, up to [`CHUNK`] of them.
    fn prepare(&mut self, batch: Batch<'_>, starts: Range<usize>);

    /// Takes in one of those rows, in their order, for those starts, and adds to the cost of each what that adds to the sum
    /// of squares about its fit. A missing value changes nothing.
    fn advance(&mut self, batch: Batch<'_>, row: usize, starts: Range<usize>, costs: &mut [f64]);

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
fn shares(batch: Batch<'_>, before: &[f64], shares: &mut Block) {
    let number = before.len();
    let mut there = batch.values.len() == ROWS;
    for value in batch.values {
        there &= !value.is_nan();
    }
    if there {
        // One division does for four, which take most of the time.
        let met = batch.met[0];
        let [first, second, third, fourth] = shares;
        let (first, second) = (&mut first[..number], &mut second[..number]);
        let (third, fourth) = (&mut third[..number], &mut fourth[..number]);
        for at in 0..number {
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
        for row in 0..batch.met.len() {
            let (met, share) = (batch.met[row], &mut shares[row][..number]);
            for at in 0..number {
                share[at] = 1.0 / (met - before[at]);
            }
        }
    }
}

/// Means.
pub(super) struct Levels {
    /// For each start, the values that are there before it.
    before: Vec<f64>,
    mean: Vec<f64>,
    shares: Box<Block>,
}

impl Default for Levels {
    fn default() -> Self {
        Self {
            before: Vec::new(),
            mean: Vec::new(),
            shares: Box::new([[0.0; CHUNK]; ROWS]),
        }
    }
}

impl Fits for Levels {
    fn start(&mut self, met: f64) {
        self.before.push(met);
        self.mean.push(0.0);
    }

    #[inline(always)]
    fn prepare(&mut self, batch: Batch<'_>, starts: Range<usize>) {
        shares(batch, &self.before[starts], &mut self.shares);
    }

    /// Welford's update: with m values behind the mean, δ = x − mean adds δ² m/(m + 1).
    #[inline(always)]
    fn advance(&mut self, batch: Batch<'_>, row: usize, starts: Range<usize>, costs: &mut [f64]) {
        let value = batch.values[row];
        if value.is_nan() {
            return;
        }
        let number = costs.len();
        let share = &self.shares[row][..number];
        let mean = &mut self.mean[starts][..number];
        for at in 0..number {
            let off = value - mean[at];
            mean[at] += off * share[at];
            costs[at] += off * off * (1.0 - share[at]);
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

    fn prepare(&mut self, _: Batch<'_>, _: Range<usize>) {}

    /// Recursive least squares: with m values behind the line, t its distance from their mean time, S the spread of their
    /// times and e what the line misses the new value by, e² adds as e²/(1 + 1/m + t²/S).
    #[inline(always)]
    fn advance(&mut self, batch: Batch<'_>, row: usize, starts: Range<usize>, costs: &mut [f64]) {
        let (time, value, met) = (batch.times[row], batch.values[row], batch.met[row]);
        if value.is_nan() {
            return;
        }
        let number = costs.len();
        let before = &self.before[starts.clone()][..number];
        let mean_time = &mut self.mean_time[starts.clone()][..number];
        let spread = &mut self.spread[starts.clone()][..number];
        let mean = &mut self.mean[starts.clone()][..number];
        let slope = &mut self.slope[starts][..number];
        for at in 0..number {
            let more = met - before[at];
            let (m, share) = (more - 1.0, 1.0 / more);
            let later = time - mean_time[at];
            let above = value - mean[at];
            let missed = above - slope[at] * later;
            // Of the first value nothing is left: the least number keeps 0/0 away.
            let whole = more * spread[at] + m * later * later + f64::MIN_POSITIVE;
            let gain = m / whole;
            costs[at] += missed * missed * spread[at] * gain;
            slope[at] += missed * later * gain;
            spread[at] += later * later * (1.0 - share);
            mean_time[at] += later * share;
            mean[at] += above * share;
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
    for (lane, figure) in groups.remainder().iter().enumerate() {
        lanes[lane] = *figure;
    }
    for group in groups {
        for lane in 0..LANES {
            let lower = group[lane] < lanes[lane];
            lanes[lane] = if lower { group[lane] } else { lanes[lane] };
        }
    }
    let mut width = LANES;
    while width > 1 {
        width /= 2;
        for lane in 0..width {
            let other = lanes[lane + width];
            lanes[lane] = if other < lanes[lane] {
                other
            } else {
                lanes[lane]
            };
        }
    }
    lanes[0]
}
