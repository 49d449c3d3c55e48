//! How long a trial must last, and how often must be read, to see that a treatment fouls less: from the noise of this plant.
//!
//! The noise is that of the plant's own log, in pieces as long as a trial, each with a line of its own. Trials are drawn from
//! it, with all that the log leaves open of it and of the plant's fouling rate, and analysed as [`compare`](super::compare)
//! would: the share that calls the difference is the power.

use std::collections::BTreeMap;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{ChiSquared, Distribution, Poisson, StandardNormal, Uniform};
use rayon::prelude::*;

use super::arms::{Arm, Course};
use super::design::{Design, Piece};
use super::measure::Measure;
use super::regression::{Figure, Fit, Noise, Readings, Ready, fit};
use super::stretches::{Stretch, yearly_drift};
use super::{Settings, accuracies, refused, same_method};
use crate::assess::Estimate;
use crate::error::{Error, setting};
use crate::trend::points::DAY_US;

const YEAR: f64 = 365.25;
/// Pieces of the log so long, d, have a line of their own.
const PIECE: f64 = 84.0;
const METHOD: &str = "mean slope of pieces of 12 weeks, with autoregressive wander and noise weighed by their likelihood";

/// What a trial is to be planned for.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// How the trial will be built: parallel, before-after-control or crossover.
    pub design: Design,
    /// How much lower a fouling rate is to be seen, as a fraction.
    pub reduction: f64,
    /// How often it shall be seen.
    pub power: f64,
    /// How often a difference may be called where there is none.
    pub risk: f64,
    /// Readings a week, 1 to 7, each tried.
    pub per_week: Vec<u32>,
    /// Lengths of the whole trial, weeks, each tried.
    pub weeks: Vec<f64>,
    /// The fouling rate without the treatment, 1/y; `None`: the log's.
    pub rate: Option<f64>,
    /// Trials drawn for each length.
    pub draws: usize,
    /// The same seed gives the same figures.
    pub seed: u64,
    /// How often intervals shall hold the true figure.
    pub level: f64,
}

/// Power against length, for so many readings a week.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// Readings a week.
    pub per_week: u32,
    /// Lengths, weeks.
    pub weeks: Vec<f64>,
    /// The share of trials so long that see it.
    pub power: Vec<f64>,
    /// Weeks needed; `None`: the longest tried is not enough.
    pub needed: Option<f64>,
}

/// How long a trial must last.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// What was asked.
    pub asked: Asked,
    /// The plant's fouling rate, 1/y.
    pub rate: Estimate,
    /// Standard deviation of a day's difference of two trains, as a fraction.
    pub noise: f64,
    /// The share of its variance that wanders, and for how many days: against that only time helps.
    pub wander: (f64, f64),
    /// Whether the noise is that of two trains, or of one, taken for two that know nothing of each other.
    pub of_pair: bool,
    /// Days of the log that tell it.
    pub days: usize,
    /// Cleanings, and instruments set right, a year, of both trains: each costs power.
    pub cuts: f64,
    /// Power against length.
    pub curves: Vec<Curve>,
}

/// What noise a plan reckons with.
#[derive(Debug, Clone)]
pub struct Known {
    /// Ways the noise may be, its standard deviation and how likely each is.
    pub noise: Vec<(Noise, f64, f64)>,
    /// Degrees of freedom of those standard deviations.
    pub freedom: f64,
    /// Fouling rate, 1/y.
    pub rate: Figure,
    /// Standard deviation that instruments' drift adds to a difference in a year.
    pub drift: f64,
    /// Cleanings, and instruments set right, a year: a line's height begins anew at each.
    pub cuts: f64,
}

impl Asked {
    fn check(&self) -> Result<(), Error> {
        setting("reduction", self.reduction, (0.01, 1.0), "")?;
        setting("power", self.power, (0.1, 0.99), "")?;
        setting("risk", self.risk, (0.001, 0.5), "")?;
        setting("draws", self.draws as f64, (100.0, 1e6), "")?;
        setting("level", self.level, (0.5, 0.999), "")?;
        for weeks in &self.weeks {
            setting("weeks", *weeks, (4.0, 520.0), "")?;
        }
        for per_week in &self.per_week {
            setting("readings_per_week", f64::from(*per_week), (1.0, 7.0), "")?;
        }
        if let Some(rate) = self.rate {
            setting("fouling_rate_per_year", rate, (1e-4, 20.0), " 1/y")?;
        }
        if self.weeks.is_empty() || self.per_week.is_empty() {
            return Err(refused(
                "no weeks or readings per week to try",
                "one of each at least",
            ));
        }
        if self.design == Design::BeforeAfter {
            return Err(refused(
                "a trial before-after without a control can't be planned from noise: what else changes in between is no noise",
                "parallel, before-after-control or crossover",
            ));
        }
        Ok(())
    }
}

/// Plans a trial from the log of a train, or of two side by side.
///
/// # Errors
/// [`Error::Range`] for settings out of range; [`Error::Series`] where the log has too few days, or its fouling rate is not
/// clear of 0 and none is given; [`Error::Method`] for two trains normalised differently.
pub fn plan(arms: &[Arm<'_>], asked: &Asked) -> Result<Plan, Error> {
    asked.check()?;
    if arms.is_empty() || arms.len() > 2 {
        return Err(refused(
            format!("{} trains to plan from", arms.len()),
            "one, or two side by side",
        ));
    }
    let courses = arms
        .iter()
        .map(|arm| Course::of(*arm))
        .collect::<Result<Vec<Course<'_>>, Error>>()?;
    same_method(&courses)?;
    let settings = Settings {
        constants: accuracies(&arms[0].result.site),
        level: asked.level,
        ..Settings::of(asked.design, "")
    };
    let of_pair = courses.len() == 2;
    let alone = Piece {
        of: 0,
        less: None,
        weight: 1.0,
    };
    let beside = Piece {
        less: of_pair.then_some(1),
        ..alone
    };
    let own = in_pieces(&Stretch::of(
        &alone,
        &courses,
        Measure::FoulingRate,
        &settings,
    )?)?;
    let noise = if of_pair {
        in_pieces(&Stretch::of(
            &beside,
            &courses,
            Measure::FoulingRate,
            &settings,
        )?)?
    } else {
        own.clone()
    };
    let drift = yearly_drift(Measure::FoulingRate);
    let days = noise.freedom;
    let span = (arms[0].span_us.1 - arms[0].span_us.0) as f64 / DAY_US as f64 / YEAR;
    let mut rate = own.figures[0]
        .clone()
        .times(-1.0)
        .widened(drift * drift / span.max(0.05));
    if let Some(given) = asked.rate {
        for part in &mut rate.0 {
            (part.mean, part.scale) = (given, 0.0);
        }
    } else if rate.quantile(0.5 - 0.5 * asked.level) <= 0.0 {
        return Err(refused(
            format!(
                "the log's fouling rate of {:.3} 1/y is not clear of 0",
                rate.mean()
            ),
            "a longer log, or fouling_rate_per_year",
        ));
    }
    // Two trains that know nothing of each other differ by both their noises.
    let both = if of_pair { 1.0 } else { 2.0_f64.sqrt() };
    let known = Known {
        noise: noise
            .noise
            .iter()
            .map(|(way, deviation, p)| (*way, both * deviation, *p))
            .collect(),
        freedom: noise.freedom as f64,
        rate: rate.clone(),
        drift: 2.0_f64.sqrt() * drift,
        // Of one train, as many are taken for the other.
        cuts: both
            * both
            * courses
                .iter()
                .map(|course| course.cuts.len())
                .sum::<usize>() as f64
            / span.max(0.05),
    };
    let curves = curves(&known, asked)?;
    Ok(Plan {
        rate: Estimate {
            value: rate.mean(),
            low: rate.quantile(0.5 - 0.5 * asked.level),
            high: rate.quantile(0.5 + 0.5 * asked.level),
            level: asked.level,
            unit: "1/y",
            n: days,
            method: if asked.rate.is_some() {
                "as given"
            } else {
                METHOD
            },
            budget: None,
        },
        noise: both * noise.deviation,
        wander: noise.wander(),
        of_pair,
        days,
        cuts: known.cuts,
        curves,
        asked: asked.clone(),
    })
}

/// A stretch cut in pieces, each with a line and heights of its own; the mean slope.
fn in_pieces(stretch: &Stretch) -> Result<Fit, Error> {
    let first = stretch.time.first().copied().unwrap_or(0.0);
    let piece = |at: usize| ((stretch.time[at] - first) / PIECE) as usize;
    let mut readings = Readings::default();
    let mut contrast = Vec::new();
    let n = stretch.time.len();
    let mut start = 0;
    while start < n {
        let end = (start..n)
            .find(|at| piece(*at) != piece(start))
            .unwrap_or(n);
        // What is left at the end is no piece.
        if end - start >= 20 || (start == 0 && end == n) {
            let first = readings.time.len();
            let middle = stretch.time[start..end].iter().sum::<f64>() / (end - start) as f64;
            readings.starts.push(first);
            readings.time.extend(&stretch.time[start..end]);
            readings.value.extend(&stretch.value[start..end]);
            let mut add = |of: &dyn Fn(usize) -> f64, weight: f64| {
                let mut column = vec![0.0; first];
                column.extend((start..end).map(of));
                readings.columns.push(column);
                contrast.push(weight);
            };
            add(
                &|at| (stretch.time[at] - middle) / YEAR,
                (end - start) as f64,
            );
            for height in stretch.heights_of(start, end) {
                add(
                    &|at| f64::from(u8::from(stretch.height_at(at) == height)),
                    0.0,
                );
            }
        }
        start = end;
    }
    let rows = readings.time.len();
    for column in &mut readings.columns {
        column.resize(rows, 0.0);
    }
    for weight in &mut contrast {
        *weight /= rows.max(1) as f64;
    }
    fit(&readings, &[contrast], None)
}

/// The stretches of a trial so long: when it is read, and how each counts.
fn schedule(design: Design, weeks: f64, per_week: u32) -> (Vec<Vec<usize>>, Vec<f64>) {
    let days = (7.0 * weeks).round() as usize;
    let read = |from: usize, until: usize| -> Vec<usize> {
        (from..until)
            .filter(|day| {
                let share = |day: usize| (day as f64 * f64::from(per_week) / 7.0 + 1e-9).floor();
                share(day + 1) > share(*day)
            })
            .collect()
    };
    let half = days / 2;
    match design {
        Design::Parallel | Design::BeforeAfter => (vec![read(0, days)], vec![1.0]),
        // What the train is by itself falls out of the difference of two times.
        Design::BeforeAfterControl => (vec![read(0, half), read(half, days)], vec![-1.0, 1.0]),
        Design::Crossover => (vec![read(0, half), read(half, days)], vec![-0.5, 0.5]),
    }
}

/// Power against length, for each number of readings a week.
///
/// # Errors
/// [`Error::Range`] for settings out of range; [`Error::Series`] where a trial has too few readings for a line.
pub fn curves(known: &Known, asked: &Asked) -> Result<Vec<Curve>, Error> {
    asked.check()?;
    let longest = asked.weeks.iter().copied().fold(0.0, f64::max);
    let drawn = draw(known, asked, (7.0 * longest).round() as usize);
    asked
        .per_week
        .iter()
        .map(|per_week| {
            let power = asked
                .weeks
                .iter()
                .map(|weeks| power(known, asked, *weeks, *per_week, &drawn))
                .collect::<Result<Vec<f64>, Error>>()?;
            Ok(Curve {
                per_week: *per_week,
                needed: needed(&asked.weeks, &power, asked.power),
                weeks: asked.weeks.clone(),
                power,
            })
        })
        .collect()
}

/// Drawn trials: what the noise is each day, the effect on the rate, and what drift adds, as a standard normal deviate.
struct Drawn {
    days: Vec<f64>,
    effect: f64,
    drift: f64,
}

fn draw(known: &Known, asked: &Asked, days: usize) -> Vec<Drawn> {
    let mut random = ChaCha8Rng::seed_from_u64(asked.seed);
    let (Ok(evenly), Ok(square)) = (Uniform::new(0.0, 1.0), ChiSquared::new(known.freedom)) else {
        return Vec::new();
    };
    (0..asked.draws)
        .map(|_| {
            let even: f64 = evenly.sample(&mut random);
            let mut sum = 0.0;
            let found = known.noise.iter().find(|(_, _, p)| {
                sum += p;
                sum >= even
            });
            let (noise, deviation, _) = *found.or(known.noise.last()).unwrap_or(&(
                Noise {
                    share: 0.0,
                    memory: 1.0,
                },
                0.0,
                1.0,
            ));
            let spread: f64 = square.sample(&mut random);
            let deviation = deviation * (known.freedom / spread).sqrt();
            let rate = known.rate.quantile(evenly.sample(&mut random)).max(0.0);
            let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
            let decay = (-1.0 / noise.memory).exp();
            let mut wander = noise.share.sqrt() * normal();
            let drift = normal();
            let days = (0..days)
                .map(|_| {
                    let today = deviation * (wander + (1.0 - noise.share).sqrt() * normal());
                    wander =
                        decay * wander + (noise.share * (1.0 - decay * decay)).sqrt() * normal();
                    today
                })
                .collect();
            Drawn {
                days,
                effect: asked.reduction * rate,
                drift,
            }
        })
        .collect()
}

/// A trial with its cuts, made ready.
struct Laid {
    ready: Ready,
    drift: f64,
}

/// Lays out a trial: a line each stretch, a height each run between two cuts.
fn lay(
    known: &Known,
    stretches: &[Vec<usize>],
    weights: &[f64],
    cuts: &[f64],
) -> Result<Laid, Error> {
    let mut readings = Readings::default();
    let total: usize = stretches.iter().map(Vec::len).sum();
    let mut contrast = Vec::new();
    let mut drift = 0.0;
    for (days, weight) in stretches.iter().zip(weights) {
        let first = readings.time.len();
        readings.starts.push(first);
        readings.time.extend(days.iter().map(|day| *day as f64));
        let middle = days.iter().sum::<usize>() as f64 / days.len().max(1) as f64;
        let mut slope = vec![0.0; total];
        let mut heights: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
        for (at, day) in days.iter().enumerate() {
            slope[first + at] = (*day as f64 - middle) / YEAR;
            let run = cuts.iter().filter(|cut| **cut <= *day as f64).count();
            heights.entry(run).or_insert_with(|| vec![0.0; total])[first + at] = 1.0;
        }
        contrast.push(*weight);
        contrast.extend(heights.iter().map(|_| 0.0));
        readings.columns.push(slope);
        readings.columns.extend(heights.into_values());
        // A line through a random walk: 6/5 of its variance in a year over the time, in years.
        let ends = days.first().zip(days.last());
        let years = ends
            .map_or(0.0, |(first, last)| (last - first) as f64 / YEAR)
            .max(1.0 / YEAR);
        drift += weight * weight * 1.2 * known.drift * known.drift / years;
    }
    Ok(Laid {
        ready: Ready::new(&readings, &[contrast], 1.0, None)?,
        drift,
    })
}

/// Ways that cuts may fall, each for a share of the trials drawn.
const PATTERNS: usize = 16;

fn power(
    known: &Known,
    asked: &Asked,
    weeks: f64,
    per_week: u32,
    drawn: &[Drawn],
) -> Result<f64, Error> {
    let (stretches, weights) = schedule(asked.design, weeks, per_week);
    let mut random = ChaCha8Rng::seed_from_u64(asked.seed);
    let expected = known.cuts * 7.0 * weeks / YEAR;
    let mut laid = Vec::new();
    for _ in 0..PATTERNS {
        let mut count = || Poisson::new(expected).map_or(0.0, |of| of.sample(&mut random)) as usize;
        let count = if expected > 0.0 { count() } else { 0 };
        let place = Uniform::new(0.0, 7.0 * weeks);
        let cuts: Vec<f64> = (0..count)
            .filter_map(|_| place.ok().map(|place| place.sample(&mut random)))
            .collect();
        // Cuts so close that nothing is left to tell: the trial is lost.
        laid.push(lay(known, &stretches, &weights, &cuts));
        if expected == 0.0 {
            break;
        }
    }
    if laid.iter().all(Result::is_err) {
        return laid.swap_remove(0).map(|_| 0.0);
    }
    let called = drawn
        .par_iter()
        .enumerate()
        .filter(|(number, trial)| {
            let Ok(laid) = &laid[number % laid.len()] else {
                return false;
            };
            let mut values: Vec<f64> = stretches
                .iter()
                .flatten()
                .map(|day| trial.days[*day])
                .collect();
            let mut first = 0;
            for (days, weight) in stretches.iter().zip(&weights) {
                // The effect's slope: of the second half, or of all; of a crossover, one way and the other.
                let share = if asked.design == Design::Crossover {
                    weight.signum()
                } else {
                    weight.max(0.0)
                };
                for (at, day) in days.iter().enumerate() {
                    values[first + at] += share * trial.effect * *day as f64 / YEAR;
                }
                first += days.len();
            }
            let mut figure = laid
                .ready
                .fit(&values)
                .figures
                .swap_remove(0)
                .widened(laid.drift);
            for part in &mut figure.0 {
                part.mean += laid.drift.sqrt() * trial.drift;
            }
            figure.p() < asked.risk && figure.mean() > 0.0
        })
        .count();
    Ok(called as f64 / drawn.len().max(1) as f64)
}

/// Where the power first comes to what is wanted, by straight lines between the lengths tried.
fn needed(weeks: &[f64], power: &[f64], wanted: f64) -> Option<f64> {
    let first = power.iter().position(|power| *power >= wanted)?;
    if first == 0 {
        return weeks.first().copied();
    }
    let (low, high) = (power[first - 1], power[first]);
    let share = (wanted - low) / (high - low);
    Some(weeks[first - 1] + share * (weeks[first] - weeks[first - 1]))
}
