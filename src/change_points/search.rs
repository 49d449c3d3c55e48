//! The search for the choice of rows that costs least.

use super::fits::{Fits, Series};
use super::{ChangePointSettings, Number};

/// What is fitted, brought to the size of 1.
pub(super) struct Rows {
    /// From 0 to 1, or all 0 for levels.
    times: Vec<f64>,
    pub series: Vec<Series>,
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
    pub fn changes<F: Fits>(&self, settings: &ChangePointSettings<'_>) -> (Vec<usize>, f64) {
        let changes = match settings.number {
            Number::Penalty(penalty) => match F::sums(&self.series, penalty) {
                Some(sums) => sums.penalised(penalty, settings.min_size),
                None => self.penalised::<F>(penalty, settings.min_size),
            },
            Number::Changes(changes) => self.numbered::<F>(changes, settings.min_size),
        };
        let cost = self.cost::<F>(&changes);
        (changes, cost)
    }

    /// The cost of stretches that begin at these rows, and at the first.
    pub fn cost<F: Fits>(&self, changes: &[usize]) -> f64 {
        let arch = pulp::Arch::new();
        let starts = [0].into_iter().chain(changes.iter().copied());
        let ends = changes.iter().copied().chain([self.times.len()]);
        let costs = starts.zip(ends).map(|(start, end)| {
            let mut stretch = Starts::<F>::from_row(start, self);
            stretch.add(start, 0.0, self);
            stretch.advance(end, self, arch);
            stretch.costs[0]
        });
        costs.sum()
    }

    /// Optimal partitioning with pruning. Costs only grow with the rows: so some starts whose least cost was above what
    /// is now best need no look, and take in what they missed when they do.
    pub fn penalised<F: Fits>(&self, penalty: f64, min_size: usize) -> Vec<usize> {
        let arch = pulp::Arch::new();
        let n = self.times.len();
        // The best stretch up to each row begins here.
        let mut start_of = vec![0_u32; n + 1];
        let mut open = Starts::<F>::from_row(0, self);
        open.add(0, 0.0, self);
        let mut all = vec![open];
        // The place of the starts that were best last: first to be asked, they spare most others.
        let mut favourite = 0;
        for end in 1..=n {
            let mut best = (f64::INFINITY, 0, 0);
            let others = (0..all.len()).filter(|at| *at != favourite);
            for at in [favourite].into_iter().chain(others) {
                let starts = &mut all[at];
                if starts.least >= best.0 {
                    continue;
                }
                starts.advance(end, self, arch);
                let ready = starts.ready(end, min_size);
                let cost = if ready == starts.rows.len() {
                    starts.least
                } else {
                    least(&starts.costs[..ready])
                };
                if cost < best.0 {
                    best = (cost, at, ready);
                }
            }
            let (cost, at, ready) = best;
            if cost == f64::INFINITY {
                continue;
            }
            favourite = at;
            let costs = &all[at].costs[..ready];
            let place = costs.iter().position(|each| *each == cost);
            start_of[end] = all[at].rows[place.unwrap_or(0)];
            // What starts here begins with this; those that cost more already can never be best again, from the row on
            // where a stretch from here may end.
            let cost = cost + penalty;
            let mut gone = false;
            for starts in &mut all {
                if starts.is_full() && starts.beaten.is_none() && starts.least >= cost {
                    starts.beaten = Some(end);
                }
                gone |= starts.beaten.is_some_and(|row| row + min_size <= end);
            }
            if gone {
                let first = all[favourite].rows[0];
                all.retain(|starts| starts.beaten.is_none_or(|row| row + min_size > end));
                let kept = all.iter().position(|starts| starts.rows[0] == first);
                favourite = kept.unwrap_or(0);
            }
            if all.last().is_none_or(Starts::is_full) {
                all.push(Starts::from_row(end, self));
            }
            if let Some(open) = all.last_mut() {
                open.advance(end, self, arch);
                open.add(end, cost, self);
            }
        }
        backwards(n, |end| start_of[end] as usize)
    }

    /// So many changes, by dynamic programming.
    fn numbered<F: Fits>(&self, changes: usize, min_size: usize) -> Vec<usize> {
        let arch = pulp::Arch::new();
        let n = self.times.len();
        let mut starts = Starts::<F>::from_row(0, self);
        // The lowest cost up to each row, with 0, 1, … changes; and where the last stretch of it begins.
        let mut lowest = vec![vec![f64::INFINITY; n + 1]; changes + 1];
        let mut start_of = vec![vec![0_u32; n + 1]; changes + 1];
        let mut sums = Vec::with_capacity(n);
        for row in 0..n {
            let end = row + 1;
            starts.add(row, 0.0, self);
            starts.advance(end, self, arch);
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

/// The starts of stretches but the first, in order, from that of the last.
pub(super) fn backwards(n: usize, mut start_of: impl FnMut(usize) -> usize) -> Vec<usize> {
    let mut starts = Vec::new();
    let mut end = start_of(n);
    while end > 0 {
        starts.push(end);
        end = start_of(end);
    }
    starts.reverse();
    starts
}

/// Rows at which a stretch may begin, in order, each with the fits of all series to what came since.
struct Starts<F> {
    rows: Vec<u32>,
    /// The cost a start began with plus that of the stretch since.
    costs: Vec<f64>,
    fits: Vec<F>,
    /// The rows before this one are taken in.
    until: usize,
    /// The least of the costs.
    least: f64,
    /// The row at which a stretch from there was seen to beat all of them.
    beaten: Option<usize>,
}

impl<F: Fits> Starts<F> {
    /// So many are looked at together, or spared together, where they may be. Few in tests, whose series are short.
    const FULL: usize = if cfg!(test) { 3 } else { 64 };

    /// None yet; the first rows to be taken in begin here.
    fn from_row(row: usize, of: &Rows) -> Self {
        Self {
            rows: Vec::new(),
            costs: Vec::new(),
            fits: of.series.iter().map(|_| F::default()).collect(),
            until: row,
            least: f64::INFINITY,
            beaten: None,
        }
    }

    fn is_full(&self) -> bool {
        self.rows.len() >= Self::FULL
    }

    fn add(&mut self, row: usize, cost: f64, of: &Rows) {
        self.rows.push(row as u32);
        self.costs.push(cost);
        self.least = self.least.min(cost);
        for (fit, series) in self.fits.iter_mut().zip(&of.series) {
            fit.start(series.met[row]);
        }
    }

    /// How many have a stretch that is long enough up to here; they are the first ones.
    fn ready(&self, end: usize, min_size: usize) -> usize {
        let short = |start: &&u32| **start as usize + min_size > end;
        self.rows.len() - self.rows.iter().rev().take_while(short).count()
    }

    /// Takes in the rows before this one.
    fn advance(&mut self, end: usize, of: &Rows, arch: pulp::Arch) {
        if self.until < end {
            arch.dispatch(Advance {
                starts: self,
                end,
                of,
            });
        }
    }
}

/// [`Starts::advance`], compiled once for each kind of processor with the widest instructions it has.
struct Advance<'a, F> {
    starts: &'a mut Starts<F>,
    end: usize,
    of: &'a Rows,
}

impl<F: Fits> pulp::WithSimd for Advance<'_, F> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, simd: S) {
        let Starts {
            costs, fits, until, ..
        } = &mut *self.starts;
        for at in 0..fits.len() {
            let series = &self.of.series[at];
            fits[at].advance(&self.of.times, series, *until..self.end, costs);
        }
        let (wide, rest) = S::as_simd_f64s(costs);
        let mut lanes = simd.splat_f64s(f64::INFINITY);
        for costs in wide {
            lanes = simd.min_f64s(lanes, *costs);
        }
        self.starts.least = least(rest).min(simd.reduce_min_f64s(lanes));
        self.starts.until = self.end;
    }
}

/// The least of some figures; infinite of nothing.
#[inline(always)]
fn least(figures: &[f64]) -> f64 {
    figures.iter().copied().fold(f64::INFINITY, f64::min)
}
