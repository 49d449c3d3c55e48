//! Jumps and bends that nobody wrote down, found in the points.
//!
//! A first set of jumps is that of an exact optimal partition into straight lines ([`crate::change_points`]).
//! At each point the smoother's score tells how well a jump of the level, or of its rate, just before it would explain all
//! that was read, the trend and its wander known (P. de Jong and J. Penzer, JASA 93 (1998) 796, from memory). Over the
//! quantities the squares add up. The clearest is taken in, all is smoothed anew, until nothing is clear any more; then
//! each must still be clear with all others in place.

use super::filter::{LEVEL, RATE, Variances};
use super::happened::like_a_cleaning;
use super::model::{Course, Happening, Intervention, New, Prior, Scatter, evidence, scatters};
use super::points::{DAY, Points, Quantity};
use crate::change_points::{ChangePointSettings, Cost, Number, change_points};

/// Settings of the search.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clear {
    /// How large the sum of squares of a jump must be. Under no change it is χ² with as many degrees of freedom as there are
    /// quantities.
    pub jump: f64,
    /// How large that of a jump that looks like a cleaning: output up, salt passage not.
    pub cleaning: f64,
    /// How large that of a bend.
    pub bend: f64,
    /// At most so many are taken in.
    pub most: usize,
}

impl Default for Clear {
    fn default() -> Self {
        Self {
            jump: 25.0,
            cleaning: 15.0,
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

/// How well something just before a point would explain the points.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Scores {
    /// Of a jump: the sum of squares over the quantities.
    jump: f64,
    /// Of a bend.
    bend: f64,
    /// Of a jump, what of it water permeability makes.
    water: f64,
    /// The best size of a jump of each quantity.
    sizes: [f64; 3],
}

impl Scores {
    /// What a jump here is taken for.
    fn kind(&self) -> Happening {
        if self.is_like_a_cleaning() {
            Happening::Cleaning
        } else {
            Happening::Jump
        }
    }

    /// Output up clearly, salt passage not with it.
    fn is_like_a_cleaning(&self) -> bool {
        let [water, salt, _] = self.sizes;
        self.water > 9.0 && like_a_cleaning(water, salt)
    }
}

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
    /// What is new.
    pub new: New,
    /// When something is clear.
    pub clear: Clear,
}

impl Search<'_> {
    /// How well a jump or a bend just before each point would explain the points, by the quantities that it touches.
    fn scores(&self, interventions: &[Intervention], touches: [bool; 3]) -> Vec<Scores> {
        let mut found = vec![Scores::default(); self.points.len()];
        for quantity in self
            .quantities
            .iter()
            .filter(|quantity| touches[**quantity])
        {
            let course = Course::new(
                self.points,
                *quantity,
                &self.priors[*quantity],
                interventions,
                &self.new,
            );
            let smoothed = course.smoothed(&stiff(self.noise[*quantity]));
            for (scores, pass) in found.iter_mut().zip(&course.passes) {
                let Some(after) = smoothed.get(pass + 1) else {
                    continue;
                };
                // What nothing after it tells of can't be tested.
                let square = |part: usize| {
                    let information = after.information[part];
                    if information > 0.0 {
                        after.score[part] * after.score[part] / information
                    } else {
                        0.0
                    }
                };
                scores.jump += square(LEVEL);
                scores.bend += square(RATE);
                if after.information[LEVEL] > 0.0 {
                    scores.sizes[*quantity] = after.score[LEVEL] / after.information[LEVEL];
                }
                if *quantity == Quantity::WaterPermeability as usize {
                    scores.water = square(LEVEL);
                }
            }
        }
        found
    }

    /// How far a score is above what is clear.
    fn excess(&self, scores: &Scores, kind: Happening) -> f64 {
        match kind {
            Happening::Bend => scores.bend - self.clear.bend,
            _ if scores.is_like_a_cleaning() => scores.jump - self.clear.cleaning,
            _ => scores.jump - self.clear.jump,
        }
    }

    fn best(&self, interventions: &[Intervention]) -> Option<Best> {
        let scores = self.scores(interventions, [true; 3]);
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
            let mut consider = |kind| {
                let excess = self.excess(&scores[at], kind);
                if excess > 0.0 && best.is_none_or(|best| excess > best.excess) {
                    best = Some(Best { time, kind, excess });
                }
            };
            let sudden = [Happening::Cleaning, Happening::Jump, Happening::Replacement];
            if !taken(time, &sudden, 4.0 * DAY) {
                consider(scores[at].kind());
            }
            if !taken(time, &[Happening::Bend], 20.0 * DAY) && !taken(time, &sudden, 10.0 * DAY) {
                consider(Happening::Bend);
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
            let scores = self.scores(&others, it.touches);
            let statistic = |at: usize| match it.kind {
                Happening::Bend => scores[at].bend,
                _ => scores[at].jump,
            };
            let own = self.points.time.partition_point(|time| *time < it.time);
            if own >= self.points.len() {
                continue;
            }
            let at_own = statistic(own);
            let mut best = (own, at_own);
            for at in 1..self.points.len() {
                if (self.points.time[at] - it.time).abs() <= NEAR && statistic(at) > best.1 {
                    best = (at, statistic(at));
                }
            }
            seen[place] = self.excess(&scores[best.0], it.kind) > 0.0;
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
            if time - self.points.time[0] < STARTED || all.iter().any(near) {
                continue;
            }
            let scores = self.scores(&all, [true; 3])[row];
            if self.excess(&scores, scores.kind()) > 0.0 {
                all.push(Intervention {
                    time,
                    kind: scores.kind(),
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
                let scores = self.scores(&others, it.touches);
                let at = self.points.time.partition_point(|time| *time < it.time);
                let excess = scores
                    .get(at)
                    .map_or(-1.0, |scores| self.excess(scores, it.kind));
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
                &self.new,
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
