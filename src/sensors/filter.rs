//! A level that wanders, seen through noise: what of a series is new at each place.
//!
//! y = level + noise, the level a random walk. The filter of Kalman gives what each value adds to those before it, in units
//! of its standard deviation: independent figures of variance 1, on which least squares are right. It is linear, so that a
//! suspected shape goes through the same filter as the series (J. Durbin and S. J. Koopman, Time Series Analysis by
//! State Space Methods, 2nd ed., 2012, chapters 2 and 6, from memory).

use crate::stats::median;

/// How much a series scatters, and how much its level wanders from one place to the next, as variances.
#[derive(Debug, Clone, Copy)]
pub(super) struct Wander {
    pub noise: f64,
    pub walk: f64,
}

impl Wander {
    /// From the medians of differences over one place and over several: 2 noise + lag · walk. A step anywhere, or a drift over
    /// less than half of the series, leaves medians as they are. The walk is no less than what is
    /// no surprise, and no more than what can be.
    pub fn of(series: &[f64], least_walk: f64, most_walk: f64) -> Option<Self> {
        const LEAST_NOISE: f64 = 2e-4;
        let known: Vec<f64> = series
            .iter()
            .copied()
            .filter(|value| value.is_finite())
            .collect();
        let lag = (known.len() / 8).clamp(2, 16);
        let variance = |lag: usize| {
            let mut off: Vec<f64> = known
                .windows(lag + 1)
                .map(|run| (run[lag] - run[0]).abs())
                .collect();
            (1.4826 * median(&mut off)).powi(2)
        };
        if known.len() < 2 * lag {
            return None;
        }
        let (near, far) = (variance(1), variance(lag));
        let walk = ((far - near) / (lag - 1) as f64).clamp(0.0, near);
        Some(Self {
            noise: ((near - walk) / 2.0).max(LEAST_NOISE * LEAST_NOISE),
            walk: walk.max(least_walk).min(most_walk),
        })
    }
}

/// How the filter weighs each place of a series; the same for all series with the same places missing.
pub(super) struct Filter {
    /// Share of what is new that moves the level, and the standard deviation of what is new; none where a value is missing.
    steps: Vec<Option<(f64, f64)>>,
    /// The first place with a value, which sets the level.
    first: usize,
}

impl Filter {
    /// The filter of a series. At the places in `free` the level may go anywhere.
    pub fn of(series: &[f64], wander: Wander, free: &[usize]) -> Self {
        const ANYWHERE: f64 = 1e6;
        let first = series.iter().position(|value| value.is_finite());
        let first = first.unwrap_or(series.len());
        let mut variance = wander.noise;
        let steps = series.iter().enumerate().map(|(at, value)| {
            if at > first {
                variance += wander.walk + if free.contains(&at) { ANYWHERE } else { 0.0 };
            }
            if at <= first || !value.is_finite() {
                return None;
            }
            let total = variance + wander.noise;
            let share = variance / total;
            variance *= 1.0 - share;
            Some((share, total.sqrt()))
        });
        Self {
            steps: steps.collect(),
            first,
        }
    }

    /// What is new at each place, in standard deviations; 0 where nothing can be told.
    pub fn new_in(&self, series: impl Fn(usize) -> f64) -> Vec<f64> {
        let mut level = if self.first < self.steps.len() {
            series(self.first)
        } else {
            0.0
        };
        self.steps
            .iter()
            .enumerate()
            .map(|(at, step)| match step {
                Some((share, deviation)) => {
                    let off = series(at) - level;
                    level += share * off;
                    off / deviation
                }
                None => 0.0,
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_new_in_white_noise_is_of_variance_one() {
        // A linear congruential generator: any even scatter will do.
        let mut state = 1_u64;
        let series: Vec<f64> = (0..4000)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1);
                ((state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5) * 0.01
            })
            .collect();
        let wander = Wander::of(&series, 1e-14, 1.0).unwrap();
        let filter = Filter::of(&series, wander, &[]);
        let found = filter.new_in(|at| series[at]);
        let variance = found.iter().map(|new| new * new).sum::<f64>() / found.len() as f64;
        // Evenly spread values have a median difference of their own, not that of normal ones.
        assert!((0.5..1.6).contains(&variance), "{variance}");
    }

    #[test]
    fn the_filter_is_linear() {
        let series: Vec<f64> = (0..50).map(|at| f64::from(at).sin()).collect();
        let shape = |at: usize| if at >= 20 { 1.0 } else { 0.0 };
        let filter = Filter::of(
            &series,
            Wander {
                noise: 1.0,
                walk: 0.1,
            },
            &[],
        );
        let both = filter.new_in(|at| series[at] + 3.0 * shape(at));
        let (one, other) = (filter.new_in(|at| series[at]), filter.new_in(shape));
        for at in 0..50 {
            assert!((both[at] - one[at] - 3.0 * other[at]).abs() < 1e-12);
        }
    }
}
