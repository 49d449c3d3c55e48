//! Runs between cleanings: how fast each lost, what the cleaning behind it won back.

use super::filter::{Gaussian, LEVEL, Smoothed};
use super::known::{difference, estimate, mixture_of};
use super::mixture::{Component, moments, quantile};
use super::model::{Believed, Course, Happening, Intervention, NEW, PARTS, RUN};
use super::points::{Points, YEAR_US};
use crate::assess::Estimate;

/// One run between cleanings.
#[derive(Debug, Clone, PartialEq)]
pub struct Run {
    /// First point, µs since 1970.
    pub start_us: i64,
    /// Last point, µs since 1970.
    pub end_us: i64,
    /// Points in it.
    pub points: usize,
    /// What ended it, by its place among the changes; `None`: it goes on.
    pub ended_by: Option<usize>,
    /// How fast each quantity changed over the run, 1/y of the logarithm.
    pub rate: [Option<Estimate>; 3],
    /// Change of each quantity at its end against new, as a fraction.
    pub at_end: [Option<Estimate>; 3],
    /// Of what the run lost, how much of it the cleaning behind it won back; above 1: more than that.
    pub won_back: [Option<Estimate>; 3],
    /// Change against new right after that cleaning, as a fraction: what it did not win back.
    pub after: [Option<Estimate>; 3],
    /// How likely it is that water permeability fell faster than in the run before.
    pub faster: Option<f64>,
    /// Days that the cleaning behind it gained: until water permeability is back where it was, at the next run's rate.
    pub days_gained: Option<f64>,
}

/// Runs in the making.
pub(super) struct Runs {
    runs: Vec<Run>,
    /// Of each run: the places of its first and last point.
    spans: Vec<(usize, usize)>,
    time: Vec<f64>,
    /// The rate of water permeability in each run.
    rates: Vec<Option<(f64, f64)>>,
    /// What each cleaning won back of it.
    jumps: Vec<Option<f64>>,
}

impl Runs {
    pub(super) fn new(points: &Points, interventions: &[Intervention]) -> Self {
        let mut cuts: Vec<(usize, Option<usize>)> = interventions
            .iter()
            .enumerate()
            .filter(|(_, it)| matches!(it.kind, Happening::Cleaning | Happening::Replacement))
            .map(|(place, it)| {
                (
                    points.time.partition_point(|time| *time < it.time),
                    Some(place),
                )
            })
            .filter(|(at, _)| *at > 0 && *at < points.len())
            .collect();
        cuts.push((points.len(), None));
        let mut runs = Vec::new();
        let mut spans = Vec::new();
        let mut first = 0;
        for (end, ended_by) in cuts {
            if end <= first {
                continue;
            }
            spans.push((first, end - 1));
            runs.push(Run {
                start_us: (points.time[first] * YEAR_US) as i64,
                end_us: (points.time[end - 1] * YEAR_US) as i64,
                points: end - first,
                ended_by,
                rate: [None, None, None],
                at_end: [None, None, None],
                won_back: [None, None, None],
                after: [None, None, None],
                faster: None,
                days_gained: None,
            });
            first = end;
        }
        let count = runs.len();
        Self {
            runs,
            spans,
            time: points.time.clone(),
            rates: vec![None; count],
            jumps: vec![None; count],
        }
    }

    /// Takes in a quantity.
    pub(super) fn add(
        &mut self,
        quantity: usize,
        course: &Course,
        ways: &[Believed],
        smoothed: &[Vec<Smoothed<PARTS>>],
        level: f64,
    ) {
        let mixture = |step: usize, of: &dyn Fn(&Gaussian<PARTS>) -> (f64, f64)| {
            mixture_of(ways, smoothed.iter().map(|states| &states[step].state), of)
        };
        for (at, run) in self.runs.iter_mut().enumerate() {
            let (first, last) = self.spans[at];
            let read = course.reads[last];
            let years = self.time[last] - self.time[first];
            run.at_end[quantity] = Some(estimate(
                &mixture(read, &|state| difference(state, LEVEL, NEW)),
                level,
                run.points,
                &f64::exp_m1,
            ));
            if years > 0.0 {
                let lost = mixture(read, &|state| difference(state, LEVEL, RUN));
                let rate = estimate(&lost, level, run.points, &|lost| lost / years);
                run.rate[quantity] = Some(rate);
                if quantity == 0 {
                    let (mean, deviation) = moments(&lost);
                    self.rates[at] = Some((mean / years, deviation / years));
                }
            }
            let cut = run
                .ended_by
                .and_then(|place| course.jumps.iter().find(|(at, _)| *at == place));
            if let Some((_, step)) = cut {
                // Before and after the jump of the level; the run's start is copied only after it.
                let parts: Vec<(f64, [f64; 2], [f64; 3])> = ways
                    .iter()
                    .zip(smoothed)
                    .map(|(way, states)| {
                        let (lost, lost_variance) = difference(&states[step - 1].state, LEVEL, RUN);
                        let (left, left_variance) = difference(&states[*step].state, LEVEL, RUN);
                        let jump = jump_variance(states, *step, &course.steps[*step]);
                        let together = 0.5 * (left_variance + lost_variance - jump);
                        (
                            way.share,
                            [lost, left],
                            [lost_variance, left_variance, together],
                        )
                    })
                    .collect();
                run.won_back[quantity] = ratio(&parts, level, run.points);
                run.after[quantity] = Some(estimate(
                    &mixture(*step, &|state| difference(state, LEVEL, NEW)),
                    level,
                    run.points,
                    &f64::exp_m1,
                ));
                if quantity == 0 {
                    let won: f64 = parts
                        .iter()
                        .map(|(share, [lost, left], _)| share * (left - lost))
                        .sum();
                    self.jumps[at] = Some(won);
                }
            }
        }
    }

    pub(super) fn done(mut self) -> Vec<Run> {
        let normal = statrs::distribution::Normal::standard();
        for at in 1..self.runs.len() {
            if let (Some((before, u)), Some((now, v))) = (self.rates[at - 1], self.rates[at]) {
                use statrs::distribution::ContinuousCDF;
                self.runs[at].faster = Some(normal.cdf((before - now) / u.hypot(v)));
                if let Some(won) = self.jumps[at - 1]
                    && now < 0.0
                    && won > 0.0
                {
                    self.runs[at - 1].days_gained = Some(365.25 * won / -now);
                }
            }
        }
        self.runs
    }
}

/// The variance of a jump, as all points tell it: Q − Q N Q.
fn jump_variance(
    states: &[Smoothed<PARTS>],
    step: usize,
    jump: &super::filter::Step<PARTS>,
) -> f64 {
    let super::filter::Step::Jump { size, .. } = jump else {
        return 0.0;
    };
    let variance = size * size;
    let information = states
        .get(step + 1)
        .map_or(0.0, |after| after.information[LEVEL]);
    (variance - variance * variance * information).max(0.0)
}

/// 1 − left/lost with its interval, each way by propagation; `None` where what was lost is not clear of 0, since a share of
/// nothing means nothing.
fn ratio(parts: &[(f64, [f64; 2], [f64; 3])], level: f64, n: usize) -> Option<Estimate> {
    let lost: Vec<Component> = parts
        .iter()
        .map(|(share, [lost, _], [variance, _, _])| Component {
            share: *share,
            mean: *lost,
            deviation: variance.max(0.0).sqrt(),
        })
        .collect();
    let edge = [0.05, 0.95].map(|share| quantile(&lost, share));
    if edge[0] <= 0.0 && edge[1] >= 0.0 {
        return None;
    }
    let mixture: Vec<Component> = parts
        .iter()
        .map(
            |(share, [lost, left], [lost_variance, left_variance, together])| {
                let kept = left / lost;
                let variance = (left_variance + kept * kept * lost_variance
                    - 2.0 * kept * together)
                    / (lost * lost);
                Component {
                    share: *share,
                    mean: 1.0 - kept,
                    deviation: variance.max(0.0).sqrt(),
                }
            },
        )
        .collect();
    Some(estimate(&mixture, level, n, &|share| share))
}
