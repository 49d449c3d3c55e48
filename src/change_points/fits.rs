//! What it costs to take a stretch of a series for one level or one line, kept up to date for many starts at once.
//!
//! Each start keeps its own mean (and slope), which a new value moves by a little. That is as fast as differences of prefix
//! sums, O(1) a start and value, and loses no digits where a level is far from 0 in terms of the noise.

/// The fits of one series, one for each start, each to what came since.
pub(super) trait Fits {
    /// Adds a start: the values of the next `advance` are its first.
    fn start(&mut self);

    /// Takes in the value of the next row, and adds to each start's cost what it adds to the sum of squares about its fit.
    /// A missing one changes nothing.
    fn advance(&mut self, time: f64, value: f64, costs: &mut [f64]);

    /// Leaves only the starts that are `kept`.
    fn keep(&mut self, kept: &[bool]);
}

/// Leaves only what is `kept`, in its order.
pub(super) fn keep<T>(list: &mut Vec<T>, kept: &[bool]) {
    let mut kept = kept.iter();
    list.retain(|_| kept.next().is_none_or(|keep| *keep));
}

/// Means.
#[derive(Default)]
pub(super) struct Levels {
    /// Values met so far.
    met: f64,
    /// For each start, values met before it.
    before: Vec<f64>,
    mean: Vec<f64>,
}

impl Fits for Levels {
    fn start(&mut self) {
        self.before.push(self.met);
        self.mean.push(0.0);
    }

    /// Welford's update: with m values behind the mean, δ = x − mean adds δ² m/(m + 1).
    #[inline(always)]
    fn advance(&mut self, _: f64, value: f64, costs: &mut [f64]) {
        if value.is_nan() {
            return;
        }
        self.met += 1.0;
        let met = self.met;
        let starts = costs.len();
        let (before, mean) = (&self.before[..starts], &mut self.mean[..starts]);
        for at in 0..starts {
            let share = 1.0 / (met - before[at]);
            let off = value - mean[at];
            mean[at] += off * share;
            costs[at] += off * off * (1.0 - share);
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
    met: f64,
    before: Vec<f64>,
    mean_time: Vec<f64>,
    /// Sum of squares of the times about their mean.
    spread: Vec<f64>,
    mean: Vec<f64>,
    slope: Vec<f64>,
}

impl Fits for Lines {
    fn start(&mut self) {
        self.before.push(self.met);
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
    fn advance(&mut self, time: f64, value: f64, costs: &mut [f64]) {
        if value.is_nan() {
            return;
        }
        let met = self.met;
        self.met += 1.0;
        let starts = costs.len();
        let before = &self.before[..starts];
        let (mean_time, spread) = (&mut self.mean_time[..starts], &mut self.spread[..starts]);
        let (mean, slope) = (&mut self.mean[..starts], &mut self.slope[..starts]);
        for at in 0..starts {
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

/// The least of some figures and the first place where it stands; none of nothing.
#[inline(always)]
pub(super) fn least(figures: &[f64]) -> Option<(usize, f64)> {
    const LANES: usize = 8;
    const BLOCK: usize = 8 * LANES;
    let mut best = (f64::INFINITY, 0);
    for (block, figures) in figures.chunks(BLOCK).enumerate() {
        let mut lanes = [f64::INFINITY; LANES];
        let whole = figures.len() / LANES * LANES;
        for group in figures[..whole].chunks_exact(LANES) {
            for lane in 0..LANES {
                lanes[lane] = if group[lane] < lanes[lane] {
                    group[lane]
                } else {
                    lanes[lane]
                };
            }
        }
        let mut here = f64::INFINITY;
        for lane in 0..LANES {
            here = if lanes[lane] < here {
                lanes[lane]
            } else {
                here
            };
        }
        for figure in &figures[whole..] {
            here = if *figure < here { *figure } else { here };
        }
        if here < best.0 {
            best = (here, block);
        }
    }
    let start = best.1 * BLOCK;
    let place = figures[start..]
        .iter()
        .position(|figure| *figure == best.0)?;
    Some((start + place, best.0))
}
