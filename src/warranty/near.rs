//! How probable it is that something lay beyond a limit, where readings lie near it.
//!
//! A reading scatters, and the highest of many in a row is high by luck. Readings in a row are therefore taken together, as groups of one kind
//! are in a hierarchical model with known variances (Gelman et al., Bayesian Data Analysis, 3rd ed., 5.4, from memory): the true figures of a run
//! are normal about a mean that the readings tell, apart by as much as these show beyond their scatter. Where they show much, each stands for
//! itself; where they show nothing more than the meter scatters, the run counts as one figure. What the instrument is off by is the same in all.

use statrs::distribution::{ContinuousCDF, Normal};

use super::excess::{Reading, runs};
use super::instruments::Spread;

/// Further within than so many standard deviations of scatter, whatever the instrument is off by, is surely within.
const FAR: f64 = 6.0;
/// Fewer readings than this tell nothing of how far apart they truly are.
const FEWEST: usize = 3;
/// More than this tell their mean so well that it needs no weighing.
const MANY: usize = 100;

/// How probable it is, at most, that any true figure lies beyond: summed over runs (Boole), weighed over what the instrument is off by.
///
/// Readings count one by one where what scatters is not known by itself, and where one of a run reads beyond: its neighbours never explain that away.
pub(super) fn chance_of_any_beyond(
    readings: &[Reading],
    scatter: f64,
    scatter_is_told: bool,
    spread: Spread,
) -> f64 {
    let is_near = |reading: &Reading| {
        reading.beyond_strictest > -FAR * scatter - spread.furthest() * reading.off_by
    };
    let found: Vec<Run<'_>> = runs(readings, is_near)
        .map(|(first, last)| Run::new(&readings[first..=last], scatter, scatter_is_told))
        .collect();
    spread
        .places()
        .map(|(place, share)| {
            let mut chance = 0.0;
            for run in &found {
                chance += run.chance(place, scatter);
                if chance >= 1.0 {
                    return share;
                }
            }
            share * chance
        })
        .sum::<f64>()
        .min(1.0)
}

/// Readings in a row near a limit, and how they may belong together.
struct Run<'a> {
    readings: &'a [Reading],
    mean: f64,
    /// How much of a reading's distance from the mean of its run is its own (0: all are one figure; 1: each stands for itself), and how
    /// probable that is.
    own: Vec<(f64, f64)>,
}

impl<'a> Run<'a> {
    fn new(readings: &'a [Reading], scatter: f64, scatter_is_told: bool) -> Self {
        /// Parts of the quarter circle over which the spread of the true figures is weighed.
        const PARTS: usize = 24;
        /// What is less probable is left out.
        const LEAST: f64 = 1e-9;
        let n = readings.len() as f64;
        let beyond = || readings.iter().map(|reading| reading.beyond_strictest);
        let mean = beyond().sum::<f64>() / n;
        let together = scatter_is_told
            && scatter > 0.0
            && readings.len() >= FEWEST
            && beyond().all(|beyond| beyond <= 0.0);
        if !together {
            return Self {
                readings,
                mean,
                own: vec![(1.0, 1.0)],
            };
        }
        let squares: f64 = beyond()
            .map(|beyond| (beyond - mean).powi(2) / (scatter * scatter))
            .sum();
        // The true figures' standard deviation τ is evenly likely at first. With τ = s·tan φ, a reading's own part is sin² φ, and the
        // likelihood with dτ is cosⁿ⁻³ φ · exp(−½ S cos² φ), S the sum of squares over s².
        let logs: Vec<(f64, f64)> = (0..PARTS)
            .map(|part| {
                let angle = std::f64::consts::FRAC_PI_2 * (part as f64 + 0.5) / PARTS as f64;
                let shared = angle.cos().powi(2);
                let log = 0.5 * (n - 3.0) * shared.ln() - 0.5 * squares * shared;
                (1.0 - shared, log)
            })
            .collect();
        let highest = logs
            .iter()
            .fold(f64::NEG_INFINITY, |most, (_, log)| most.max(*log));
        let mut own: Vec<(f64, f64)> = logs
            .into_iter()
            .map(|(own, log)| (own, (log - highest).exp()))
            .filter(|(_, weight)| *weight > LEAST)
            .collect();
        let all: f64 = own.iter().map(|(_, weight)| weight).sum();
        own.iter_mut().for_each(|(_, weight)| *weight /= all);
        Self {
            readings,
            mean,
            own,
        }
    }

    /// How probable it is that any true figure of the run lies beyond, if the instrument is off by so many standard deviations.
    fn chance(&self, place: f64, scatter: f64) -> f64 {
        let each = |own: f64, shift: f64| {
            let normal = Normal::standard();
            let deviation = own.sqrt() * scatter;
            self.readings.iter().map(move |reading| {
                let beyond = own * reading.beyond_strictest + (1.0 - own) * self.mean + shift
                    - place * reading.off_by;
                if deviation > 0.0 {
                    normal.cdf(beyond / deviation)
                } else {
                    f64::from(u8::from(beyond > 0.0))
                }
            })
        };
        self.own
            .iter()
            .map(|(own, share)| {
                if *own >= 1.0 {
                    return share * each(1.0, 0.0).sum::<f64>().min(1.0);
                }
                // About its mean the true figures are apart from each other.
                let any = |shift: f64| {
                    1.0 - each(*own, shift).fold(1.0, |none, beyond| none * (1.0 - beyond))
                };
                let n = self.readings.len();
                if n > MANY {
                    return share * any(0.0);
                }
                let deviation = scatter * ((1.0 - own) / n as f64).sqrt();
                let weighed: f64 = Spread::Normal
                    .middles(12)
                    .map(|(place, weight)| weight * any(place * deviation))
                    .sum();
                share * weighed
            })
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng;
    use rand_distr::{Distribution, StandardNormal, StandardUniform};

    const SCATTER: f64 = 0.15;
    const OFF_BY: f64 = 0.3;

    fn reading(row: usize, beyond: f64) -> Reading {
        Reading {
            row,
            time_us: 86_400_000_000 * row as i64,
            value: beyond,
            off_by: OFF_BY / 3.0_f64.sqrt(),
            beyond_strictest: beyond,
            beyond_loosest: beyond,
            doubted: false,
            borne_out: false,
        }
    }

    fn of(beyond: &[f64], scatter_is_told: bool) -> f64 {
        let readings: Vec<Reading> = beyond
            .iter()
            .enumerate()
            .map(|(row, beyond)| reading(row, *beyond))
            .collect();
        chance_of_any_beyond(&readings, SCATTER, scatter_is_told, Spread::even())
    }

    /// How often runs that are called kept at a risk of 5 % had something beyond, and how many are called so: the middle of each lies evenly from
    /// far within to beyond, its true figures as `of_run` has it, in standard deviations of scatter, from a normal figure, a uniform one and the place.
    fn wrong(readings: usize, of_run: impl Fn(f64, f64, usize) -> f64) -> (u32, u32) {
        let mut random = ChaCha8Rng::seed_from_u64(20_260);
        let (mut wrong, mut called) = (0, 0);
        for _ in 0..150 {
            let mut even = || -> f64 { StandardUniform.sample(&mut random) };
            let (middle, off, draw) = (-1.0 + 1.1 * even(), OFF_BY * (2.0 * even() - 1.0), even());
            let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
            let truths: Vec<f64> = (0..readings)
                .map(|at| middle + SCATTER * of_run(normal(), draw, at))
                .collect();
            let shown: Vec<f64> = truths
                .iter()
                .map(|truth| truth + off + SCATTER * normal())
                .collect();
            if of(&shown, true) <= 0.05 {
                called += 1;
                wrong += u32::from(truths.iter().any(|truth| *truth > 0.0));
            }
        }
        (wrong, called)
    }

    #[test]
    fn what_is_called_kept_was_kept() {
        // All alike; wandering by half of the scatter, and by twice of it; rising; and one day that stands out by up to three times.
        let cases = [
            wrong(12, |_, _, _| 0.0),
            wrong(12, |normal, _, _| 0.5 * normal),
            wrong(12, |normal, _, _| 2.0 * normal),
            wrong(12, |_, draw, at| 4.0 * draw * at as f64 / 12.0),
            wrong(12, |_, draw, at| if at == 5 { 3.0 * draw } else { 0.0 }),
            wrong(4, |normal, _, _| normal),
            wrong(1, |_, _, _| 0.0),
        ];
        for (wrong, called) in cases {
            assert!(called > 20, "{cases:?}");
            assert!(f64::from(wrong) <= 0.05 * f64::from(called), "{cases:?}");
        }
    }

    #[test]
    fn readings_of_one_figure_are_one_figure() {
        let scattered = [0.6, -1.2, 1.4, 0.2, -0.7, 1.1, -0.3, -1.1].map(|at| -0.45 + SCATTER * at);
        // Together they tell more than one by one.
        assert!(of(&scattered, true) < 0.5 * of(&scattered, false));
        // One that reads beyond is not explained away.
        let mut beyond = scattered;
        beyond[3] = 0.01;
        assert_eq!(of(&beyond, true), of(&beyond, false));
        // Far within is surely within.
        assert_eq!(of(&[-2.0; 30], true), 0.0);
    }
}
