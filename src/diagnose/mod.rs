//! Why: causes with their probabilities, what speaks for and against each, and the field test that would tell.
//!
//! Each cause is a pattern of what water permeability, salt permeability and pressure drop do together and over time;
//! the points of a trend make some patterns likelier than others (Bayes' rule, each cause as likely as any other before).
//! A probability is a statement about those causes alone: what isn't among them can't be found.

pub mod causes;
pub mod conditions;
mod evidence;
mod field_tests;
mod water;

use crate::baseline::stage_of;
use crate::error::{Error, Fault};
use crate::normalise::Normalised;
use crate::stats::median;
use crate::table::Group;
use crate::trend::model::Happening;
use crate::trend::points::Quantity;
use crate::trend::{Trend, TrendSettings, trend_of_rows};
use causes::{Cause, showings};
use conditions::{Shift, shifts};
use evidence::Evidence;
use water::Told;

pub use field_tests::{CAUTIONS, FieldTest};

/// A cause, and how much is thought of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranked {
    /// Which.
    pub cause: Cause,
    /// How probable, among all causes known here.
    pub probability: f64,
    /// What speaks for it.
    pub speaks_for: Vec<String>,
    /// What speaks against it.
    pub speaks_against: Vec<String>,
}

/// Why a train and stage does what it does.
#[derive(Debug, Clone, PartialEq)]
pub struct Diagnosis {
    /// Which.
    pub group: Group,
    /// The causes, the most probable first.
    pub causes: Vec<Ranked>,
    /// Whether the first is probable enough to name: at least one in two.
    pub tells: bool,
    /// The test that would separate the first two.
    pub next: FieldTest,
    /// All of it in a sentence or two.
    pub sentence: String,
}

/// Logarithms of likelihoods count this much: forms and noise are never quite those thought of. Found on simulated plants
/// (studies/trend.py), so that what is called 80 % probable is so in 80 of 100.
const COUNTS: f64 = 1.9;

/// What is left for causes, of those known here, whose patterns this plant doesn't keep to: a share that all have alike.
const SURPRISE: f64 = 0.03;

/// The probability from which a cause is named.
const TELLS: f64 = 0.5;

/// Ranks the causes of a trend.
///
/// `result`: what the trend was made of. Patterns: common practice, from memory; see [`Cause::pattern`].
///
/// # Errors
/// [`Error::Baseline`] where the trend has fewer than six points or no water permeability, or the result doesn't hold its
/// train; [`Error::Method`] where the two were normalised to different references.
pub fn diagnose(result: &Normalised, trend: &Trend) -> Result<Diagnosis, Error> {
    let refuse = |problem: &str| {
        Error::Baseline(
            Fault::new(problem, "keep on reading: a cause needs at least six days").into(),
        )
    };
    let evidence =
        Evidence::of(trend).ok_or_else(|| refuse("the trend has fewer than six days"))?;
    if trend.of(Quantity::WaterPermeability).is_none() {
        return Err(refuse("the trend has no water permeability"));
    }
    let (_, own) = trend.rows_in(result)?;
    let mut recoveries: Vec<f64> = own
        .iter()
        .map(|row| result.inputs.conditions(*row))
        .map(|at| at.permeate_flow / at.feed_flow)
        .filter(|recovery| (0.0..1.0).contains(recovery))
        .collect();
    let recovery = if recoveries.is_empty() {
        0.5
    } else {
        median(&mut recoveries)
    };
    let shifts = shifts(result, trend, &own);
    let mut logs: Vec<(Cause, f64)> = Cause::ALL
        .into_iter()
        .map(|cause| {
            let log = match cause {
                Cause::Ageing => 0.0,
                Cause::Operation => of_operation(&shifts),
                _ => evidence.log_ratio(&showings(cause, recovery)),
            };
            (cause, COUNTS * log)
        })
        .collect();
    // What stands beside the course: the water, and where it is worst.
    let mut told = water::of_water(result, &own, recovery);
    if let Some(worst) = worst_stage(result, trend)? {
        told.extend(worst.tells());
    }
    for told in &told {
        for (_, log) in logs.iter_mut().filter(|(cause, _)| *cause == told.cause) {
            *log += told.log_odds;
        }
    }
    let top = logs
        .iter()
        .map(|(_, log)| *log)
        .fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = logs.iter().map(|(_, log)| (log - top).exp()).sum();
    logs.sort_by(|a, b| b.1.total_cmp(&a.1));
    let seen = Seen::of(trend);
    let causes: Vec<Ranked> = logs
        .into_iter()
        .map(|(cause, log)| {
            let (mut speaks_for, mut speaks_against) = seen.of_cause(cause, &shifts);
            for told in told.iter().filter(|told| told.cause == cause) {
                if told.log_odds > 0.0 {
                    speaks_for.push(told.words.clone());
                } else {
                    speaks_against.push(told.words.clone());
                }
            }
            Ranked {
                cause,
                probability: (1.0 - SURPRISE) * (log - top).exp() / sum
                    + SURPRISE / Cause::ALL.len() as f64,
                speaks_for,
                speaks_against,
            }
        })
        .collect();
    let tells = causes[0].probability >= TELLS;
    let next = field_tests::between(causes[0].cause, causes[1].cause);
    let sentence = sentence(&causes, tells, &next);
    Ok(Diagnosis {
        group: trend.group.clone(),
        causes,
        tells,
        next,
        sentence,
    })
}

/// Which stage of a train lost the most, where that is clear.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Worst {
    First,
    Last,
}

impl Worst {
    /// What that makes of causes: nine to one where deposits start (common practice, no source).
    fn tells(self) -> [Told; 3] {
        let (likely, unlikely) = (1.8, 0.2);
        let (words, of_lead, of_last) = match self {
            Self::First => ("the first stage lost the most", likely, unlikely),
            Self::Last => ("the last stage lost the most", unlikely, likely),
        };
        [
            Told::new(Cause::Particulate, of_lead, words),
            Told::new(Cause::Biofouling, of_lead, words),
            Told::new(Cause::Scaling, of_last, words),
        ]
    }
}

/// Compares the stages of the trend's train, where the log tells them apart.
fn worst_stage(result: &Normalised, trend: &Trend) -> Result<Option<Worst>, Error> {
    if trend.group.stage.is_none() {
        return Ok(None);
    }
    let mut losses = Vec::new();
    for (group, rows) in result.rows_of_groups() {
        if group.train != trend.group.train {
            continue;
        }
        let other = if group == trend.group {
            None
        } else {
            trend_of_rows(result, &group, &rows, &TrendSettings::default())?
        };
        let found = if group == trend.group {
            Some(trend)
        } else {
            other.as_ref()
        };
        if let Some(water) = found.and_then(|found| found.of(Quantity::WaterPermeability)) {
            let now = water.now(trend.level);
            losses.push((stage_of(&group, &result.site), now.low, now.high));
        }
    }
    losses.sort_by_key(|(stage, ..)| *stage);
    let (Some(first), Some(last)) = (losses.first(), losses.last()) else {
        return Ok(None);
    };
    // Clear where the intervals don't meet.
    Ok(if losses.len() < 2 || first.0 == last.0 {
        None
    } else if first.2 < last.1 {
        Some(Worst::First)
    } else if last.2 < first.1 {
        Some(Worst::Last)
    } else {
        None
    })
}

/// One of the conditions changed, each as likely.
fn of_operation(shifts: &[Shift]) -> f64 {
    let count = conditions::Condition::ALL.len() as f64;
    let sum: f64 = shifts
        .iter()
        .map(|shift| shift.log_ratio.min(600.0).exp())
        .sum();
    (sum / count).max(f64::MIN_POSITIVE).ln()
}

fn sentence(causes: &[Ranked], tells: bool, next: &FieldTest) -> String {
    let percent = |ranked: &Ranked| format!("{:.0} %", 100.0 * ranked.probability);
    if tells {
        format!(
            "Probably {} ({}): {}. Next {} ({}). {}",
            causes[0].cause.name(),
            percent(&causes[0]),
            causes[0].cause.words(),
            causes[1].cause.name(),
            percent(&causes[1]),
            next.what
        )
    } else {
        format!(
            "Not enough to tell: {} ({}) or {} ({}). {}",
            causes[0].cause.name(),
            percent(&causes[0]),
            causes[1].cause.name(),
            percent(&causes[1]),
            next.what
        )
    }
}

/// What was seen of each quantity: change against new as a fraction, lower and upper end, what cleanings won back taken
/// off; and the years of it.
struct Seen([Option<[f64; 3]>; 3], f64);

impl Seen {
    fn of(trend: &Trend) -> Self {
        // What cleanings won back hides what was lost.
        let won = |quantity: Quantity| -> f64 {
            (0..trend.changes.len())
                .filter(|place| {
                    let change = &trend.changes[*place];
                    change.kind == Happening::Cleaning
                })
                .filter_map(|place| trend.jump_of(place)[quantity as usize])
                .sum()
        };
        let of = |quantity| {
            trend.of(quantity).map(|found| {
                let now = found.now(trend.level);
                let without = |change: f64| (change.ln_1p() - won(quantity)).exp_m1();
                [now.value, now.low, now.high].map(without)
            })
        };
        let years = match (trend.points.time.first(), trend.points.time.last()) {
            (Some(first), Some(last)) => last - first,
            _ => 0.0,
        };
        Self(Quantity::ALL.map(of), years)
    }

    /// What speaks for and against a cause: each quantity beside the pattern it should show.
    fn of_cause(&self, cause: Cause, shifts: &[Shift]) -> (Vec<String>, Vec<String>) {
        let (mut speaks_for, mut against) = (Vec::new(), Vec::new());
        // Of water permeability, salt permeability, pressure drop: falls, stays, rises, or anything.
        let expected: [Option<i8>; 3] = match cause {
            Cause::Ageing | Cause::Operation => [Some(0), Some(0), Some(0)],
            Cause::Particulate | Cause::Biofouling => [Some(-1), None, Some(1)],
            Cause::Organic => [Some(-1), Some(0), Some(0)],
            Cause::Scaling => [Some(-1), Some(1), None],
            Cause::Oxidation => [Some(1), Some(1), Some(0)],
            Cause::Leak => [Some(0), Some(1), Some(0)],
            Cause::Instrument => [None, None, Some(0)],
        };
        let words = ["water permeability", "salt permeability", "pressure drop"];
        // What a year of age makes usual, from memory: output −2 to −5 %, salt passage +3 to +7 %.
        let usual = [(-0.05, 0.0), (0.0, 0.07), (0.0, 0.05)]
            .map(|(low, high)| (low * self.1 - 0.01, high * self.1 + 0.01));
        for ((seen, expected), (word, (low, high))) in self
            .0
            .iter()
            .zip(expected)
            .zip(words.into_iter().zip(usual))
        {
            let Some([value, from, to]) = seen else {
                continue;
            };
            let moved: i8 = if *to < low {
                -1
            } else if *from > high {
                1
            } else {
                0
            };
            let told = format!(
                "{word} {:+.0} % against new, cleanings apart ({:+.0} to {:+.0} %), {}",
                100.0 * value,
                100.0 * from,
                100.0 * to,
                match moved {
                    -1 => "lower than age explains",
                    1 => "higher than age explains",
                    _ => "within what age explains",
                }
            )
            .replace('-', "−");
            match expected {
                Some(expected) if expected == moved => speaks_for.push(told),
                Some(_) => against.push(told),
                None => {}
            }
        }
        for shift in shifts.iter().filter(|shift| shift.log_ratio > 3.0) {
            let told = format!(
                "{} changed for good by {:+.0} %",
                shift.condition.words(),
                100.0 * shift.by
            )
            .replace('-', "−");
            if cause == Cause::Operation {
                speaks_for.push(told);
            } else if cause == Cause::Ageing {
                against.push(told);
            }
        }
        if cause == Cause::Operation && speaks_for.iter().all(|told| !told.contains("changed")) {
            against.push("feed salinity, pressure and recovery are as before".to_owned());
        }
        (speaks_for, against)
    }
}
