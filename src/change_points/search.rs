//! The search for the choice of rows that costs least.

use std::ops::Range;

use super::fits::{Batch, CHUNK, Fits, ROWS, keep, least};
use super::{ChangePointSettings, Number};

/// What is fitted, brought to the size of 1.
pub(super) struct Rows {
    /// From 0 to 1, or all 0 for levels.
    times: Vec<f64>,
    series: Vec<Series>,
}

struct Series {
    /// From the first value on, in terms of the noise.
    values: Vec<f64>,
    /// How many values are there before each row, and at last in all.
    met: Vec<f64>,
}

impl Series {
    fn of(values: &[f64], noise: f64) -> Self {
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

impl Rows {
    pub fn of(series: &[&[f64]], settings: &ChangePointSettings<'_>) -> Self {
        let scaled = series.iter().enumerate().map(|(at, values)| {
            let noise = settings.noise.map_or(1.0, |noise| noise[at]);
            Series::of(values, noise)
        });
        let rows = series.first().map_or(0, |values| values.len());
        let times = match settings.times {
            Some(times @ [first, .., last]) => {
                let from_first = times.iter().map(|time| (time - first) / (last - first));
                from_first.collect()
            }
            _ => vec![0.0; rows],
        };
        Self {
            times,
            series: scaled.collect(),
        }
    }

    /// The first rows of all stretches but the first, and the cost of all.
    pub fn changes<F: Fits + Default>(
        &self,
        settings: &ChangePointSettings<'_>,
    ) -> (Vec<usize>, f64) {
        let changes = match settings.number {
            Number::Penalty(penalty) => self.penalised::<F>(penalty, settings.min_size),
            Number::Changes(changes) => self.numbered::<F>(changes, settings.min_size),
        };
        let cost = self.cost::<F>(&changes);
        (changes, cost)
    }

    /// The cost of stretches that begin at these rows, and at the first.
    fn cost<F: Fits + Default>(&self, changes: &[usize]) -> f64 {
        let mut total = 0.0;
        let ends = changes.iter().copied().chain([self.times.len()]);
        let mut start = 0;
        for end in ends {
            let mut starts = Starts::<F>::of(self);
            starts.add(start, 0.0);
            for row in start..end {
                starts.advance(row..row + 1, 0..1, 0);
            }
            total += starts.costs[0];
            start = end;
        }
        total
    }

    /// Optimal partitioning with pruning.
    fn penalised<F: Fits + Default>(&self, penalty: f64, min_size: usize) -> Vec<usize> {
        // Starts are looked through for what can go no more often than this, which costs little and keeps the loops plain.
        const SELDOM: usize = 2 * ROWS;
        let n = self.times.len();
        // The best stretch up to each row begins here.
        let mut start_of = vec![0_u32; n + 1];
        let mut starts = Starts::<F>::of(self);
        starts.add(0, 0.0);
        // Those that a stretch from the row last looked at would beat.
        let mut beaten = vec![false];
        let mut look = min_size;
        for row in (0..n).step_by(ROWS) {
            let rows = row..(row + ROWS).min(n);
            // Those whose stretches are long enough from the first of these rows on take all rows at once.
            let long = starts.ready(row + 1, min_size);
            let best = starts.advance(rows.clone(), 0..long, long);
            for (best, row) in best.into_iter().zip(rows.clone()) {
                let end = row + 1;
                let ready = starts.ready(end, min_size);
                let number = starts.rows.len();
                let [later, ..] = starts.advance(row..end, long..number, ready);
                let best = if later.cost < best.cost { later } else { best };
                if best.cost == f64::INFINITY {
                    continue;
                }
                start_of[end] = starts.rows[best.at];
                let cost = best.cost + penalty;
                // All costs are up to the last row alone.
                if end >= look && end == rows.end {
                    // A stretch from where it was last looked may begin and end by now.
                    starts.drop(&beaten);
                    beaten.clear();
                    let ready = starts.ready(end, min_size);
                    beaten.extend(starts.costs[..ready].iter().map(|each| *each >= cost));
                    look = end + min_size.max(SELDOM);
                }
                starts.add(end, cost);
                beaten.resize(starts.rows.len(), false);
            }
        }
        backwards(n, |end| start_of[end] as usize)
    }

    /// So many changes, by dynamic programming.
    fn numbered<F: Fits + Default>(&self, changes: usize, min_size: usize) -> Vec<usize> {
        let n = self.times.len();
        let mut starts = Starts::<F>::of(self);
        // The lowest cost up to each row, with 0, 1, … changes; and where the last stretch of it begins.
        let mut lowest = vec![vec![f64::INFINITY; n + 1]; changes + 1];
        let mut start_of = vec![vec![0_u32; n + 1]; changes + 1];
        let mut sums = Vec::with_capacity(n);
        for row in 0..n {
            let end = row + 1;
            starts.add(row, 0.0);
            starts.advance(row..end, 0..end, 0);
            let ready = starts.ready(end, min_size);
            if ready == 0 {
                continue;
            }
            lowest[0][end] = starts.costs[0];
            for number in 1..=changes {
                sums.clear();
                let before = lowest[number - 1][..ready].iter().zip(&starts.costs);
                sums.extend(before.map(|(before, since)| before + since));
                let cost = least(&sums);
                if let Some(start) = sums.iter().position(|sum| *sum == cost) {
                    lowest[number][end] = cost;
                    start_of[number][end] = start as u32;
                }
            }
        }
        let mut number = changes;
        backwards(n, |end| {
            let start = start_of[number][end] as usize;
            number = number.saturating_sub(1);
            start
        })
    }
}

/// Rows at which a stretch may begin, in order, each with the fits of all series to what came since.
struct Starts<'a, F> {
    of: &'a Rows,
    rows: Vec<u32>,
    /// The cost a start began with plus that of the stretch since.
    costs: Vec<f64>,
    fits: Vec<F>,
    arch: pulp::Arch,
}

/// The cheapest of some starts.
#[derive(Clone, Copy)]
struct Cheapest {
    at: usize,
    cost: f64,
}

impl<'a, F: Fits + Default> Starts<'a, F> {
    fn of(of: &'a Rows) -> Self {
        Self {
            of,
            rows: Vec::new(),
            costs: Vec::new(),
            fits: of.series.iter().map(|_| F::default()).collect(),
            arch: pulp::Arch::new(),
        }
    }

    fn add(&mut self, row: usize, cost: f64) {
        self.rows.push(row as u32);
        self.costs.push(cost);
        for (fit, series) in self.fits.iter_mut().zip(&self.of.series) {
            fit.start(series.met[row]);
        }
    }

    /// How many have a stretch that is long enough up to here; they are the first ones.
    fn ready(&self, end: usize, min_size: usize) -> usize {
        // All but a few at the end.
        let long = |start: &&u32| **start as usize + min_size > end;
        self.rows.len() - self.rows.iter().rev().take_while(long).count()
    }

    fn drop(&mut self, beaten: &[bool]) {
        if beaten.contains(&true) {
            let kept: Vec<bool> = beaten.iter().map(|beaten| !beaten).collect();
            self.fits.iter_mut().for_each(|fit| fit.keep(&kept));
            keep(&mut self.rows, &kept);
            keep(&mut self.costs, &kept);
        }
    }

    /// Takes in some rows, up to [`ROWS`], for some starts; gives for each row the cheapest of those before `ready`.
    fn advance(
        &mut self,
        rows: Range<usize>,
        starts: Range<usize>,
        ready: usize,
    ) -> [Cheapest; ROWS] {
        let arch = self.arch;
        arch.dispatch(Advance {
            of: self.of,
            fits: &mut self.fits,
            costs: &mut self.costs,
            rows,
            starts,
            ready,
        })
    }
}

/// [`Starts::advance`], compiled once for each kind of processor with the widest instructions it has.
struct Advance<'a, F> {
    of: &'a Rows,
    fits: &'a mut [F],
    costs: &'a mut [f64],
    rows: Range<usize>,
    starts: Range<usize>,
    ready: usize,
}

impl<F: Fits> pulp::WithSimd for Advance<'_, F> {
    type Output = [Cheapest; ROWS];

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> Self::Output {
        let nothing = Cheapest {
            at: 0,
            cost: f64::INFINITY,
        };
        let mut cheapest = [nothing; ROWS];
        let (rows, last) = (self.rows.len().min(ROWS), self.starts.end);
        let mut first = self.starts.start;
        while first < last {
            let end = (first + CHUNK).min(last);
            let batch = |at: usize| {
                let series = &self.of.series[at];
                Batch {
                    times: &self.of.times[self.rows.clone()],
                    values: &series.values[self.rows.clone()],
                    met: &series.met[self.rows.start + 1..self.rows.end + 1],
                }
            };
            for at in 0..self.fits.len() {
                self.fits[at].prepare(batch(at), first..end);
            }
            let costs = &mut self.costs[first..end];
            let ready = self.ready.clamp(first, end) - first;
            for row in 0..rows {
                for at in 0..self.fits.len() {
                    self.fits[at].advance(batch(at), row, first..end, costs);
                }
                let costs = &costs[..ready];
                let cost = least(costs);
                if cost < cheapest[row].cost {
                    let place = costs.iter().position(|each| *each == cost);
                    cheapest[row] = Cheapest {
                        at: first + place.unwrap_or(0),
                        cost,
                    };
                }
            }
            first = end;
        }
        cheapest
    }
}

/// The starts of stretches but the first, in order, from that of the last.
fn backwards(n: usize, mut start_of: impl FnMut(usize) -> usize) -> Vec<usize> {
    let mut starts = Vec::new();
    let mut end = start_of(n);
    while end > 0 {
        starts.push(end);
        end = start_of(end);
    }
    starts.reverse();
    starts
}
