//! How far readings lie beyond a limit, and at which risk it may be called kept or broken.

use statrs::distribution::{ContinuousCDF, Normal};

use super::case::Readings;
use super::conformity::{Risk, guard_band};
use super::instruments::Spread;
use super::terms::{Allowed, OperatingLimit};
use super::{Excursion, near};
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
    /// Whether the other readings of its row bear it out.
    pub borne_out: bool,
}

/// Readings against a limit, at a risk.
pub(super) struct Held<'a> {
    readings: &'a [Reading],
    scatter: f64,
    scatter_is_told: bool,
    spread: Spread,
    allowed: Allowed,
    stretches: Vec<Stretch>,
}

/// Readings that follow each other, and how far beyond they lie in their mean.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    readings: f64,
    beyond: f64,
    off_by: f64,
    /// Of how many like it this is the one furthest beyond.
    chances: f64,
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
    pub fn new(readings: &'a [Reading], of: &Readings, allowed: Allowed) -> Self {
        Self {
            readings,
            scatter: of.scatter,
            scatter_is_told: of.scatter_is_told,
            spread: of.spread,
            allowed,
            stretches: candidates(readings, of),
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
            Allowed::Nothing => self.chance_of_none_beyond() <= risk,
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

    /// How probable it is, at most, that no true figure lay beyond and a stretch shows so far beyond in its mean, which scatters less than a
    /// reading does: as many chances as there are stretches that could (Bonferroni), weighed over what the instrument is off by.
    fn chance_of_none_beyond(&self) -> f64 {
        let normal = Normal::standard();
        let by_luck = |stretch: &Stretch, place: f64| {
            let beyond = stretch.beyond - place * stretch.off_by;
            if self.scatter > 0.0 {
                stretch.chances * normal.sf(beyond * stretch.readings.sqrt() / self.scatter)
            } else {
                f64::from(u8::from(beyond <= 0.0))
            }
        };
        let least = |place: f64| {
            let all = self.stretches.iter();
            all.map(|stretch| by_luck(stretch, place))
                .fold(1.0, f64::min)
        };
        self.spread
            .places()
            .map(|(place, share)| share * least(place))
            .sum::<f64>()
            .min(1.0)
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
            called_broken_but_kept: match self.allowed {
                Allowed::Nothing => self.chance_of_none_beyond(),
                _ => least(&|risk| self.is_broken(risk)),
            },
            called_kept_but_broken: match self.allowed {
                Allowed::Nothing => near::chance_of_any_beyond(
                    self.readings,
                    self.scatter,
                    self.scatter_is_told,
                    self.spread,
                ),
                _ => least(&|risk| self.is_kept(risk)),
            },
        }
    }
}

/// The stretches that may show something beyond; those readings that the screening doubts left out.
///
/// Of stretches of 1, 2, 3, 4, 6, 8, 12 … readings the one of each length that lies furthest beyond, and every run of
/// readings near the limit. Of each the reading furthest beyond is left out too, so that none counts by one alone, which may be a slip; one alone
/// counts where the other readings of its row bear it out. A run whose scatter is known has four fifths of the risk, the stretches
/// the rest; where it is only taken from the readings, these are no runs of one kind, and the stretches have all of it.
fn candidates(readings: &[Reading], of: &Readings) -> Vec<Stretch> {
    let trusted: Vec<Reading> = readings
        .iter()
        .filter(|reading| !reading.doubted)
        .copied()
        .collect();
    // Of the stretch that begins at each place: sums of how far beyond and of what is off, and the most.
    let ones: Vec<[f64; 3]> = trusted
        .iter()
        .map(|reading| {
            // What can't be beyond at all (a pH that the terms don't name) is far within.
            let beyond = reading.beyond_loosest.max(-1e6);
            [beyond, reading.off_by, beyond]
        })
        .collect();
    let twos = joined(&ones, &ones, 1);
    let (mut found, mut chances) = (Vec::new(), 0);
    let mut look = |stretches: &[[f64; 3]], length: usize| {
        let all = || stretches.iter().map(|sums| Stretch::new(sums, length));
        chances += all().filter(|stretch| stretch.could(of.scatter)).count();
        found.extend(all().max_by(|a, b| a.beyond.total_cmp(&b.beyond)));
    };
    let alone = trusted.iter().zip(&ones);
    let alone = alone.filter(|(reading, _)| reading.borne_out);
    look(&alone.map(|(_, sums)| *sums).collect::<Vec<_>>(), 1);
    for (mut stretches, mut length) in [(joined(&twos, &ones, 2), 3), (twos, 2)] {
        while !stretches.is_empty() {
            look(&stretches, length);
            stretches = joined(&stretches, &stretches, length);
            length *= 2;
        }
    }
    let runs_count = of.scatter_is_told;
    for stretch in &mut found {
        stretch.chances = if runs_count { 5.0 } else { 1.0 } * chances.max(1) as f64;
    }
    if runs_count {
        let near = near_runs(&trusted, &ones, of);
        let chances = 1.25 * near.len() as f64;
        let near = near.into_iter();
        found.extend(near.map(|stretch| Stretch { chances, ..stretch }));
    }
    found
}

/// The runs of two readings and more near the limit.
fn near_runs(trusted: &[Reading], ones: &[[f64; 3]], of: &Readings) -> Vec<Stretch> {
    let is_near = |reading: &Reading| {
        reading.beyond_loosest > -FAR * of.scatter - of.spread.furthest() * reading.off_by
    };
    runs(trusted, is_near)
        .filter(|(first, last)| last > first)
        .map(|(first, last)| {
            let none = [0.0, 0.0, f64::NEG_INFINITY];
            let sums = ones[first..=last].iter().fold(none, together);
            Stretch::new(&sums, last - first + 1)
        })
        .collect()
}

/// Stretches, each with the one that begins so many readings later.
fn joined(first: &[[f64; 3]], then: &[[f64; 3]], later: usize) -> Vec<[f64; 3]> {
    let then = then.get(later..).unwrap_or_default();
    first
        .iter()
        .zip(then)
        .map(|(a, b)| together(*a, b))
        .collect()
}

fn together(a: [f64; 3], b: &[f64; 3]) -> [f64; 3] {
    [a[0] + b[0], a[1] + b[1], a[2].max(b[2])]
}

impl Stretch {
    fn new([sum, off_by, most]: &[f64; 3], length: usize) -> Self {
        let length = length as f64;
        let readings = (length - 1.0).max(1.0);
        Self {
            readings,
            beyond: if length > 1.0 {
                (sum - most) / readings
            } else {
                *sum
            },
            off_by: off_by / length,
            chances: 1.0,
        }
    }

    /// Whether it could show beyond by luck: one that reads further within than twice `FAR`, for what it truly was and for what it shows, can't.
    fn could(&self, scatter: f64) -> bool {
        self.beyond > -FAR * self.off_by - 2.0 * FAR * scatter / self.readings.sqrt()
    }
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

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng;
    use rand_distr::{Distribution, StandardNormal, StandardUniform};

    const SCATTER: f64 = 0.02;
    const OFF_BY: f64 = 0.05;

    fn reading(row: usize, beyond: f64) -> Reading {
        Reading {
            row,
            time_us: 24 * 3_600_000_000 * row as i64,
            value: beyond,
            off_by: OFF_BY / 3.0_f64.sqrt(),
            beyond_strictest: beyond,
            beyond_loosest: beyond,
            doubted: false,
            borne_out: false,
        }
    }

    /// How often 400 series are called broken, in which a run of some readings lies so far beyond in truth (in limits of error), the others far
    /// within or, `all`, with it.
    fn called_broken(length: usize, beyond: f64, all: bool) -> u32 {
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let mut called = 0;
        for _ in 0..400 {
            let even: f64 = StandardUniform.sample(&mut random);
            let off = OFF_BY * (2.0 * even - 1.0);
            let readings: Vec<Reading> = (0..120)
                .map(|at| {
                    let noise: f64 = StandardNormal.sample(&mut random);
                    let within = if all || (40..40 + length).contains(&at) {
                        OFF_BY * beyond
                    } else {
                        -0.8
                    };
                    reading(at, within + off + SCATTER * noise)
                })
                .collect();
            let of = Readings {
                values: Vec::new(),
                corrected: false,
                off_by: Vec::new(),
                spread: Spread::even(),
                scatter: SCATTER,
                scatter_is_told: true,
                columns: Vec::new(),
                unknown: Vec::new(),
            };
            called += u32::from(Held::new(&readings, &of, Allowed::Nothing).is_broken(0.05));
        }
        called
    }

    #[test]
    fn what_is_called_broken_was_broken() {
        // Just at the limit, and nowhere beyond: at most one in twenty.
        for length in [2, 6, 20] {
            assert!(called_broken(length, 0.0, false) <= 20);
        }
        assert!(called_broken(0, 0.0, true) <= 20);
        // Beyond by more than the meter may be off twice over: nearly always told.
        for length in [3, 6, 20] {
            assert!(called_broken(length, 2.5, false) >= 390);
        }
        // A day alone is no proof.
        assert_eq!(called_broken(1, 10.0, false), 0);
    }
}
