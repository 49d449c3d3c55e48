//! Jumps and bends that nobody wrote down, found in the points.
//!
//! A first set of jumps is that of an exact optimal partition into straight lines ([`crate::change_points`]).
//! At each point the smoother's score tells how well a jump of the level, or of its rate, just before it would explain all
//! that was read, the trend and its wander known (P. de Jong and J. Penzer, JASA 93 (1998) 796, from memory). Over the
//! quantities the squares add up. The clearest is taken in, all is smoothed anew, until nothing is clear any more; then
//! each must still be clear with all others in place.

use super::filter::{LEVEL, RATE, Variances};
use super::model::{Course, Happening, Intervention, Prior, Scatter, evidence, scatters};
use super::points::{DAY, Points, Quantity};
use crate::change_points::{ChangePointSettings, Cost, Number, change_points};

/// Settings of the search.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clear {
    /// How large the sum of squares of a jump must be. Under no change it is χ² with as many degrees of freedom as there are
    /// quantities.
    pub jump: f64,
    /// How large that of a bend.
    pub bend: f64,
    /// At most so many are taken in.
    pub most: usize,
}

impl Default for Clear {
    fn default() -> Self {
        Self {
            jump: 25.0,
            bend: 30.0,
            most: 24,
        }
    }
}

/// How much things vary while changes are sought: little, so that what is sudden isn't taken for the trend's own doing.
fn stiff(noise: f64) -> Variances {
    Variances {
        noise,
        wander: 0.4 * noise,
        memory: 6.0 * DAY,
        bend: 0.03,
        share: 0.0,
        growth: 0.0,
        walk: 0.0,
    }
}

/// Points on either side that a jump must have.
const BESIDE: usize = 3;
/// In the first days of new membranes all settles; no jump is sought before so long, y.
const STARTED: f64 = 14.0 * DAY;

/// A change at some point, as the scores tell it.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Best {
    time: f64,
    kind: Happening,
    excess: f64,
}

/// What is sought in.
pub struct Search<'a> {
    /// The points.
    pub points: &'a Points,
    /// The quantities there are.
    pub quantities: &'a [usize],
    /// The noise of each quantity.
    pub noise: [f64; 3],
    /// What is thought of each.
    pub priors: [Prior; 3],
    /// When the membranes were new.
    pub new_at: f64,
    /// When something is clear.
    pub clear: Clear,
}

impl Search<'_> {
    /// The sums of squares of a jump of a part just before each point.
    fn statistics(&self, interventions: &[Intervention]) -> [Vec<f64>; 2] {
        let mut found = [vec![0.0; self.points.len()], vec![0.0; self.points.len()]];
        for quantity in self.quantities {
            let course = Course::new(
                self.points,
                *quantity,
                &self.priors[*quantity],
                interventions,
                self.new_at,
            );
            let smoothed = course.smoothed(&stiff(self.noise[*quantity]));
            for (at, pass) in course.passes.iter().enumerate() {
                let Some(after) = smoothed.get(pass + 1) else {
                    continue;
                };
                for (statistics, part) in found.iter_mut().zip([LEVEL, RATE]) {
                    let information = after.information[part];
                    // What nothing after it tells of can't be tested.
                    if information > 0.0 {
                        statistics[at] += after.score[part] * after.score[part] / information;
                    }
                }
            }
        }
        found
    }

    fn best(&self, interventions: &[Intervention]) -> Option<Best> {
        let [jumps, bends] = self.statistics(interventions);
        let points = self.points;
        let taken = |time: f64, kinds: &[Happening], within: f64| {
            interventions
                .iter()
                .any(|known| kinds.contains(&known.kind) && (known.time - time).abs() <= within)
        };
        let mut best: Option<Best> = None;
        for at in BESIDE..points.len().saturating_sub(BESIDE - 1) {
            let time = points.time[at];
            if time - points.time[0] < STARTED {
                continue;
            }
            let mut consider = |kind, statistic: f64, clear: f64| {
                let excess = statistic - clear;
                if excess > 0.0 && best.is_none_or(|best| excess > best.excess) {
                    best = Some(Best { time, kind, excess });
                }
            };
            let sudden = [
                Happening::Cleaning,
                Happening::Replacement,
                Happening::Calibration,
            ];
            if !taken(time, &sudden, 4.0 * DAY) {
                consider(Happening::Cleaning, jumps[at], self.clear.jump);
            }
            if !taken(time, &[Happening::Bend], 20.0 * DAY) && !taken(time, &sudden, 10.0 * DAY) {
                consider(Happening::Bend, bends[at], self.clear.bend);
            }
        }
        best
    }

    /// What was told, each moved to the day near it where the points show it best, and whether they show it clearly.
    pub fn place(&self, told: &[Intervention]) -> (Vec<Intervention>, Vec<bool>) {
        // People write down the day before or after (common practice, no source).
        const NEAR: f64 = 3.5 * DAY;
        let mut placed = told.to_vec();
        let mut seen = vec![false; told.len()];
        for place in 0..placed.len() {
            let mut others = placed.clone();
            let it = others.remove(place);
            let [jumps, bends] = self.statistics(&others);
            let (statistics, clear) = match it.kind {
                Happening::Bend => (&bends, self.clear.bend),
                _ => (&jumps, self.clear.jump),
            };
            let own = self.points.time.partition_point(|time| *time < it.time);
            let Some(at_own) = statistics.get(own).copied() else {
                continue;
            };
            let mut best = (own, at_own);
            for at in 1..self.points.len() {
                if (self.points.time[at] - it.time).abs() <= NEAR && statistics[at] > best.1 {
                    best = (at, statistics[at]);
                }
            }
            seen[place] = best.1 > clear;
            // Moved only for a clear gain: a likelihood ratio of e².
            if it.kind != Happening::Bend && best.1 > at_own + 4.0 {
                placed[place].time = self.points.time[best.0];
            }
        }
        (placed, seen)
    }

    /// Jumps as the exact partition of all quantities into straight lines has them: a first set, found together, where a
    /// search one by one could take two for one. The lines know no season, so each is then tried by its score.
    fn by_partition(&self, told: &[Intervention]) -> Vec<Intervention> {
        // Fewer days than two months make no lines.
        const LEAST: usize = 60;
        let series: Vec<&[f64]> = self
            .quantities
            .iter()
            .map(|quantity| self.points.values[*quantity].as_slice())
            .collect();
        let noise: Vec<f64> = self
            .quantities
            .iter()
            .map(|quantity| self.noise[*quantity])
            .collect();
        if self.points.len() < LEAST {
            return Vec::new();
        }
        // Two figures a line of each series, 3 ln n each, twice that for noise that hangs together.
        let penalty = 12.0 * series.len() as f64 * (self.points.len() as f64).ln();
        let found = change_points(
            &series,
            &ChangePointSettings {
                cost: Cost::Line,
                number: Number::Penalty(penalty),
                min_size: 2 * BESIDE,
                times: Some(&self.points.time),
                noise: Some(&noise),
            },
        );
        let mut all = told.to_vec();
        for row in found.map(|found| found.rows).unwrap_or_default() {
            let time = self.points.time[row];
            let near = |known: &Intervention| (known.time - time).abs() <= 4.0 * DAY;
            if time - self.points.time[0] >= STARTED
                && !all.iter().any(near)
                && self.statistics(&all)[0][row] > self.clear.jump
            {
                all.push(Intervention {
                    time,
                    kind: Happening::Cleaning,
                    touches: [true; 3],
                });
            }
        }
        all.split_off(told.len())
    }

    /// Changes beyond those told, in order of time.
    pub fn find(&self, told: &[Intervention]) -> Vec<Intervention> {
        let mut all = told.to_vec();
        all.extend(self.by_partition(told));
        while all.len() < told.len() + self.clear.most {
            let Some(best) = self.best(&all) else {
                break;
            };
            all.push(Intervention {
                time: best.time,
                kind: best.kind,
                touches: [true; 3],
            });
        }
        // Each must still be clear beside the others, the weakest first.
        loop {
            let mut weakest: Option<(usize, f64)> = None;
            for place in told.len()..all.len() {
                let mut others = all.clone();
                let it = others.remove(place);
                let [jumps, bends] = self.statistics(&others);
                let (statistics, clear) = match it.kind {
                    Happening::Bend => (bends, self.clear.bend),
                    _ => (jumps, self.clear.jump),
                };
                let at = self.points.time.partition_point(|time| *time < it.time);
                let excess = statistics.get(at).copied().unwrap_or(0.0) - clear;
                if excess < 0.0 && weakest.is_none_or(|(_, least)| excess < least) {
                    weakest = Some((place, excess));
                }
            }
            match weakest {
                Some((place, _)) => {
                    all.remove(place);
                }
                None => break,
            }
        }
        self.only_bends_that_are_needed(&mut all, told.len());
        let mut found = all.split_off(told.len());
        found.sort_by(|a, b| a.time.total_cmp(&b.time));
        found
    }

    /// A bend is left out where a rate that grows by itself explains the points about as well without it.
    fn only_bends_that_are_needed(&self, all: &mut Vec<Intervention>, first: usize) {
        // One in twenty, on the scale of e (common practice, no source).
        const NEEDED: f64 = 3.0;
        let course = |quantity: usize, interventions: &[Intervention]| {
            Course::new(
                self.points,
                quantity,
                &self.priors[quantity],
                interventions,
                self.new_at,
            )
        };
        let scatters: Vec<(usize, Scatter)> = self
            .quantities
            .iter()
            .filter_map(|quantity| {
                let drift = self.priors[*quantity].drift;
                let found = scatters(&course(*quantity, all), self.noise[*quantity], drift, true);
                Some((*quantity, *found.first()?))
            })
            .collect();
        let likely = |interventions: &[Intervention]| -> f64 {
            scatters
                .iter()
                .map(|(quantity, scatter)| {
                    let drift = self.priors[*quantity].drift;
                    evidence(&course(*quantity, interventions), *scatter, drift)
                })
                .sum()
        };
        let mut place = first;
        let mut with = None;
        while place < all.len() {
            if all[place].kind != Happening::Bend {
                place += 1;
                continue;
            }
            let as_it_is = *with.get_or_insert_with(|| likely(all));
            let mut others = all.clone();
            others.remove(place);
            let without = likely(&others);
            if as_it_is < without + NEEDED {
                *all = others;
                with = Some(without);
            } else {
                place += 1;
            }
        }
    }
}

/// The quantities with points enough for a trend.
pub fn known(points: &Points) -> Vec<usize> {
    (0..Quantity::ALL.len())
        .filter(|quantity| {
            points.values[*quantity]
                .iter()
                .filter(|value| !value.is_nan())
                .count()
                >= 3
        })
        .collect()
}
