//! How far readings lie beyond a limit, and at which risk it may be called kept or broken.

use statrs::distribution::{ContinuousCDF, Normal};

use super::Excursion;
use super::conformity::{Risk, guard_band};
use super::terms::{Allowed, OperatingLimit};
use crate::log::time::HOUR;

/// A risk so small that no reading further within than its guard band is ever asked about.
const SMALLEST_RISK: f64 = 1e-6;

/// A reading that a limit is held against.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reading {
    pub row: usize,
    pub time_us: i64,
    pub value: f64,
    pub off_by: f64,
    /// How far beyond the limit it lies at most, if the limit is the strictest that may hold; below 0 where within.
    pub beyond_strictest: f64,
    /// The same by the loosest that may hold.
    pub beyond_loosest: f64,
    /// Whether the screening doubts it.
    pub doubted: bool,
}

/// Readings against a limit, at a risk.
pub(super) struct Held<'a> {
    readings: &'a [Reading],
    scatter: f64,
    allowed: Allowed,
    stretches: Vec<Stretch>,
}

/// Readings that follow each other, and how far beyond they lie in their mean.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    readings: f64,
    beyond: f64,
    off_by: f64,
}

/// How far a reading must lie off a limit for it to be sure: what the instrument is off by is the same in all of them, what scatters has as
/// many chances as there are readings (Bonferroni).
#[derive(Debug, Clone, Copy)]
struct Guard {
    of_off_by: f64,
    of_scatter: f64,
}

impl Guard {
    fn at(self, reading: &Reading) -> f64 {
        let off_by = self.of_off_by * reading.off_by;
        (off_by * off_by + self.of_scatter * self.of_scatter).sqrt()
    }
}

/// Further within than so many standard deviations is as good as surely within.
const FAR: f64 = 6.0;

impl<'a> Held<'a> {
    /// `alone`: whether one reading beyond, which no other follows, is proof.
    pub fn new(readings: &'a [Reading], scatter: f64, allowed: Allowed, alone: bool) -> Self {
        Self {
            readings,
            scatter,
            allowed,
            stretches: furthest(readings, alone),
        }
    }

    fn guard(&self, risk: f64) -> Guard {
        let n = self.readings.len().max(1) as f64;
        Guard {
            of_off_by: guard_band(risk),
            of_scatter: guard_band(risk / n) * self.scatter,
        }
    }

    /// Whether more than is allowed surely lies beyond.
    pub fn is_broken(&self, risk: f64) -> bool {
        let guard = self.guard(risk);
        let sure = |reading: &Reading| {
            // Most lie within, which needs no square root.
            reading.beyond_loosest > 0.0
                && !reading.doubted
                && reading.beyond_loosest > guard.at(reading)
        };
        match self.allowed {
            Allowed::Nothing => self.has_stretch_beyond(risk),
            Allowed::Share(share) => {
                let beyond = self.readings.iter().filter(|reading| sure(reading)).count();
                beyond as f64 > share * self.readings.len() as f64
            }
            Allowed::Longest(hours) => runs(self.readings, sure).any(|(first, last)| {
                let (first, last) = (&self.readings[first], &self.readings[last]);
                last.time_us.saturating_sub(first.time_us) as f64 > hours * HOUR
            }),
        }
    }

    /// Whether a reading that the screening doubts would be beyond.
    pub fn has_doubted_beyond(&self, risk: f64) -> bool {
        let guard = self.guard(risk);
        self.readings
            .iter()
            .any(|reading| reading.doubted && reading.beyond_loosest > guard.at(reading))
    }

    /// Whether a stretch lies beyond in its mean, which scatters less than a reading does: then something of it was beyond. The chances are as
    /// many as there are stretches of the lengths looked at (Bonferroni).
    fn has_stretch_beyond(&self, risk: f64) -> bool {
        let n = self.readings.len().max(1) as f64;
        let chances = n * self.stretches.len().max(1) as f64;
        let (of_off_by, of_scatter) = (guard_band(risk), guard_band(risk / chances));
        self.stretches.iter().any(|stretch| {
            let scatter = of_scatter * self.scatter / stretch.readings.sqrt();
            stretch.beyond > 0.0 && stretch.beyond > (of_off_by * stretch.off_by).hypot(scatter)
        })
    }

    /// Whether no more than is allowed can lie beyond.
    pub fn is_kept(&self, risk: f64) -> bool {
        let guard = self.guard(risk);
        let may = |reading: &Reading| reading.beyond_strictest > -guard.at(reading);
        match self.allowed {
            Allowed::Nothing => !self.readings.iter().any(may),
            Allowed::Share(share) => {
                let beyond = self.readings.iter().filter(|reading| may(reading)).count();
                beyond as f64 <= share * self.readings.len() as f64
            }
            Allowed::Longest(hours) => runs(self.readings, may).all(|(first, last)| {
                // It may have begun right after the reading before, and lasted until right before the one after.
                let from = self.readings[first.saturating_sub(1)].time_us;
                let to = self.readings[(last + 1).min(self.readings.len() - 1)].time_us;
                to.saturating_sub(from) as f64 <= hours * HOUR
            }),
        }
    }

    /// How probable it is, at most, that any true figure lies beyond: the sum over the readings (Boole), weighed over what the instrument is
    /// off by in all of them alike.
    fn chance_of_any_beyond(&self) -> f64 {
        /// Steps over ± so many standard deviations.
        const STEPS: i32 = 40;
        let normal = Normal::standard();
        let near: Vec<&Reading> = self
            .readings
            .iter()
            .filter(|reading| reading.beyond_strictest > -FAR * (self.scatter + reading.off_by))
            .collect();
        let (mut chance, mut weights) = (0.0, 0.0);
        for step in -STEPS..=STEPS {
            let deviations = FAR * f64::from(step) / f64::from(STEPS);
            let weight = (-0.5 * deviations * deviations).exp();
            let mut sum = 0.0;
            for reading in &near {
                let beyond = reading.beyond_strictest + deviations * reading.off_by;
                sum += if self.scatter > 0.0 {
                    normal.cdf(beyond / self.scatter)
                } else {
                    f64::from(u8::from(beyond > 0.0))
                };
                if sum >= 1.0 {
                    break;
                }
            }
            chance += weight * sum.min(1.0);
            weights += weight;
        }
        chance / weights
    }

    /// The least risks at which either could be called; 1 where even odds are not enough.
    pub fn risk(&self) -> Risk {
        let least = |holds: &dyn Fn(f64) -> bool| {
            if !holds(0.5) {
                return 1.0;
            }
            let (mut low, mut high) = (SMALLEST_RISK.ln(), 0.5_f64.ln());
            if holds(SMALLEST_RISK) {
                return SMALLEST_RISK;
            }
            for _ in 0..20 {
                let middle = 0.5 * (low + high);
                if holds(middle.exp()) {
                    high = middle;
                } else {
                    low = middle;
                }
            }
            high.exp()
        };
        Risk {
            called_broken_but_kept: least(&|risk| self.is_broken(risk)),
            called_kept_but_broken: match self.allowed {
                Allowed::Nothing => self.chance_of_any_beyond(),
                _ => least(&|risk| self.is_kept(risk)),
            },
        }
    }
}

/// Of stretches of 1, 2, 4, 8 … readings, the one of each length that lies furthest beyond; those that the screening doubts left out.
///
/// Of a stretch the reading furthest beyond is left out too, so that none counts by one alone, which may be a slip; one alone counts where
/// `alone` says that the other readings of its row bear it out.
fn furthest(readings: &[Reading], alone: bool) -> Vec<Stretch> {
    let trusted: Vec<&Reading> = readings.iter().filter(|reading| !reading.doubted).collect();
    // What can't be beyond at all (a pH that the terms don't name) is far within.
    let beyond = |reading: &Reading| reading.beyond_loosest.max(-1e6);
    let mut found = Vec::new();
    // Of the stretch that begins at each place: sums of how far beyond and of what is off, and the most.
    let mut stretches: Vec<[f64; 3]> = trusted
        .iter()
        .map(|reading| [beyond(reading), reading.off_by, beyond(reading)])
        .collect();
    let mut length = 1_usize;
    while !stretches.is_empty() {
        let counted = if length == 1 {
            1.0
        } else {
            length as f64 - 1.0
        };
        let without = |[sum, _, most]: &[f64; 3]| {
            if length == 1 {
                *sum
            } else {
                (sum - most) / counted
            }
        };
        let furthest = stretches
            .iter()
            .max_by(|a, b| without(a).total_cmp(&without(b)));
        if let Some(stretch) = furthest.filter(|_| alone || length > 1) {
            found.push(Stretch {
                readings: counted,
                beyond: without(stretch),
                off_by: stretch[1] / length as f64,
            });
        }
        let next = stretches.len().saturating_sub(length);
        for at in 0..next {
            let later = stretches[at + length];
            let here = &mut stretches[at];
            *here = [
                here[0] + later[0],
                here[1] + later[1],
                here[2].max(later[2]),
            ];
        }
        stretches.truncate(next);
        length *= 2;
    }
    found
}

/// Stretches of readings of which something holds: first and last place.
pub(super) fn runs<'a>(
    readings: &'a [Reading],
    holds: impl Fn(&Reading) -> bool + 'a,
) -> impl Iterator<Item = (usize, usize)> + 'a {
    let mut at = 0;
    std::iter::from_fn(move || {
        while at < readings.len() && !holds(&readings[at]) {
            at += 1;
        }
        let first = at;
        while at < readings.len() && holds(&readings[at]) {
            at += 1;
        }
        (at > first).then(|| (first, at - 1))
    })
}

/// Stretches beyond a limit, as read.
pub(super) fn excursions(readings: &[Reading], limit: &OperatingLimit) -> Vec<Excursion> {
    runs(readings, |reading| reading.beyond_loosest > 0.0)
        .map(|(first, last)| {
            let stretch = &readings[first..=last];
            let worst = stretch
                .iter()
                .max_by(|a, b| a.beyond_loosest.total_cmp(&b.beyond_loosest));
            Excursion {
                start_us: readings[first].time_us,
                end_us: readings[last].time_us,
                worst: worst.map_or(f64::NAN, |worst| limit.unit.from_canonical(worst.value)),
                rows: (readings[first].row, readings[last].row),
                readings: stretch.len(),
            }
        })
        .collect()
}
