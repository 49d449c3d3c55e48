//! Limits of operation: what lay beyond, for how long, and whether the instrument can tell.

use super::case::{Case, Readings};
use super::conformity::{Risk, Verdict, guard_band};
use super::records::kept;
use super::terms::{Allowed, LimitOf, OperatingLimit};
use super::{Clause, Ends, Excursion, Gap, Kind, instruments, words};
use crate::assess::Estimate;
use crate::log::Column;
use crate::log::time::HOUR;
use statrs::distribution::{ContinuousCDF, Normal};

/// How a worst reading's interval is made.
const WORST: &str = "the reading furthest beyond, or nearest to, the limit; what the instrument is off by, and scatters (JCGM 100)";
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
    pub readings: &'a [Reading],
    pub scatter: f64,
    pub allowed: Allowed,
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

impl Held<'_> {
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
            Allowed::Nothing => self.readings.iter().any(sure),
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
            called_broken_but_kept: least(&|risk| self.is_broken(risk)),
            called_kept_but_broken: least(&|risk| self.is_kept(risk)),
        }
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

/// The upper ends that may hold at a row: the strictest and the loosest.
fn highs(case: &Case<'_>, limit: &OperatingLimit, row: usize) -> (f64, f64) {
    let stages = if limit.of == LimitOf::DropPerVessel && case.group.stage.is_none() {
        // Along all stages together: of no vessel more than all of it, of one at least its part.
        case.result.site.stages.len().max(1) as f64
    } else {
        1.0
    };
    if let Some(high) = limit.high {
        return (high, high * stages);
    }
    if limit.by_ph.is_empty() {
        return (f64::INFINITY, f64::INFINITY);
    }
    let ph = case
        .measured(Column::FeedPh)
        .map_or(f64::NAN, |values| values[row]);
    let accuracy = case
        .result
        .site
        .instruments
        .get(&Column::FeedPh)
        .and_then(|known| known.accuracy)
        .map_or(0.0, |accuracy| accuracy.at(ph));
    let all = limit.by_ph.iter();
    let met: Vec<f64> = if ph.is_nan() {
        all.map(|band| band.high).collect()
    } else {
        all.filter(|band| ph + accuracy >= band.from && ph - accuracy <= band.to)
            .map(|band| band.high)
            .collect()
    };
    if met.is_empty() {
        // Of a pH that the terms don't name they say nothing.
        let strictest = limit
            .by_ph
            .iter()
            .map(|band| band.high)
            .fold(f64::INFINITY, f64::min);
        return (strictest, f64::INFINITY);
    }
    (
        met.iter().copied().fold(f64::INFINITY, f64::min),
        met.iter().copied().fold(f64::NEG_INFINITY, f64::max),
    )
}

/// The readings that a limit is held against: all of a running unit; of a cleaning those while it stood.
fn held(case: &Case<'_>, limit: &OperatingLimit, of: &Readings) -> Vec<Reading> {
    let cleaning = limit.of == LimitOf::Column(Column::CleaningPh);
    case.rows
        .iter()
        .enumerate()
        .filter(|(at, row)| of.values[*at].is_finite() && (cleaning || case.ran(**row)))
        .map(|(at, row)| {
            let value = of.values[at];
            let (strictest, loosest) = highs(case, limit, *row);
            let below = limit.low.map_or(f64::NEG_INFINITY, |low| low - value);
            Reading {
                row: *row,
                time_us: case.time(*row),
                value,
                off_by: of.off_by[at],
                beyond_strictest: (value - strictest).max(below),
                beyond_loosest: (value - loosest).max(below),
                doubted: case.doubted(*row, limit.of),
            }
        })
        .collect()
}

/// What a limit asks, in a sentence.
pub(super) fn words_of(limit: &OperatingLimit) -> String {
    let name = words::spoken(limit.of.name());
    let figure = |canonical: f64| words::with_unit(canonical, limit.unit);
    let mut text = match (limit.low, limit.high) {
        (Some(low), Some(high)) => {
            format!("{name} is {} to {}", figure(low), figure(high))
        }
        (Some(low), None) => format!("{name} is no less than {}", figure(low)),
        (None, Some(high)) => format!("{name} is no more than {}", figure(high)),
        (None, None) => name,
    };
    if !limit.by_ph.is_empty() {
        let bands: Vec<String> = limit
            .by_ph
            .iter()
            .map(|band| {
                format!(
                    "{} at pH {} to {}",
                    figure(band.high),
                    words::figure(band.from),
                    words::figure(band.to)
                )
            })
            .collect();
        text += &format!(
            "{} no more than {}",
            if limit.low.is_some() { ", and" } else { " is" },
            bands.join(", ")
        );
    }
    match limit.allowed {
        Allowed::Nothing => text + ".",
        Allowed::Share(share) => {
            text + &format!(
                ", in all but {} % of the readings.",
                words::figure(100.0 * share)
            )
        }
        Allowed::Longest(hours) => {
            text + &format!(
                ", but for no longer than {} at a time.",
                words::hours(hours)
            )
        }
    }
}

/// A clause, for what a limit is of.
pub(super) fn new_clause(limit: &OperatingLimit) -> Clause {
    let strictest = limit.by_ph.iter().map(|band| band.high).reduce(f64::min);
    Clause {
        limit: Some(Ends {
            low: limit.low.map(|low| limit.unit.from_canonical(low)),
            high: limit
                .high
                .or(strictest)
                .map(|high| limit.unit.from_canonical(high)),
            unit: limit.unit,
        }),
        ..Clause::new(
            format!("limit.{}", limit.of.name()),
            Kind::Limit,
            words_of(limit),
        )
    }
}

/// Judges a limit.
pub(super) fn clause(case: &Case<'_>, limit: &OperatingLimit) -> Clause {
    let clause = new_clause(limit);
    let of = match case.readings(limit.of) {
        Ok(of) => of,
        Err(why) => return clause.refused(format!("Not to be judged: {why}.")),
    };
    let readings = held(case, limit, &of);
    if readings.is_empty() {
        return clause.refused(format!(
            "Not to be judged: the log has no reading of it {}.",
            if limit.of == LimitOf::Column(Column::CleaningPh) {
                "within the period"
            } else {
                "while the unit ran"
            }
        ));
    }
    let all = Held {
        readings: &readings,
        scatter: of.scatter,
        allowed: limit.allowed,
    };
    let risk = all.risk();
    let beyond = excursions(&readings, limit);
    let worst = readings
        .iter()
        .max_by(|a, b| a.beyond_strictest.total_cmp(&b.beyond_strictest));
    let figure = worst.map(|worst| figure_of(case, limit, &of, worst, readings.len()));
    let (thin, gaps) = gaps_of(case, &of.columns);
    let unfit = case.unfit_instruments(&of.columns);
    let guard = all.guard(case.settings.risk);
    let doubted = readings
        .iter()
        .any(|reading| reading.doubted && reading.beyond_loosest > guard.at(reading));
    let called = risk.verdict(case.settings.risk);
    let mut why = unfit;
    if called != Verdict::Broken {
        why.extend(thin);
        if doubted {
            why.push("readings beyond it are ones that the screening doubts".to_owned());
        }
    }
    let verdict = if why.is_empty() || case.settings.override_refusals {
        called
    } else {
        Verdict::CannotBeJudged
    };
    let sentence = sentence(
        case,
        limit,
        &readings,
        &beyond,
        figure.as_ref(),
        risk,
        verdict,
        &why,
    );
    Clause {
        verdict,
        sentence,
        figure,
        risk: Some(risk),
        excursions: beyond,
        gaps,
        instruments: instruments::all(case, &of.columns),
        rows: readings.len(),
        ..clause
    }
}

/// Why the records of some columns are too thin to tell that something never was, and their gaps.
pub(super) fn gaps_of(case: &Case<'_>, columns: &[Column]) -> (Vec<String>, Vec<Gap>) {
    let (mut why, mut gaps) = (Vec::new(), Vec::new());
    for column in columns {
        let Some(kept) = kept(case, *column, case.start_us) else {
            continue;
        };
        if kept.share < case.terms.records.complete {
            why.push(format!(
                "the records are too thin: {} was read in {:.1} % of the times it was to be",
                words::spoken(column.name()),
                100.0 * kept.share
            ));
        }
        gaps.extend(kept.gaps);
    }
    gaps.sort_by_key(|gap: &Gap| (gap.start_us, gap.end_us));
    gaps.dedup();
    (why, gaps)
}

fn figure_of(
    case: &Case<'_>,
    limit: &OperatingLimit,
    of: &Readings,
    worst: &Reading,
    n: usize,
) -> Estimate {
    let level = case.settings.level;
    let wide = Normal::standard().inverse_cdf(0.5 + 0.5 * level) * worst.off_by.hypot(of.scatter);
    let shown = |value: f64| limit.unit.from_canonical(value);
    let known = of.unknown.is_empty();
    Estimate {
        value: shown(worst.value),
        low: if known {
            shown(worst.value - wide)
        } else {
            f64::NAN
        },
        high: if known {
            shown(worst.value + wide)
        } else {
            f64::NAN
        },
        level,
        unit: limit.unit.word,
        n,
        method: WORST,
        budget: None,
    }
}

#[allow(clippy::too_many_arguments)]
fn sentence(
    case: &Case<'_>,
    limit: &OperatingLimit,
    readings: &[Reading],
    beyond: &[Excursion],
    figure: Option<&Estimate>,
    risk: Risk,
    verdict: Verdict,
    why: &[String],
) -> String {
    let worst = figure.map_or(String::new(), |worst| {
        let unit = limit.unit;
        let of = |value: f64| words::with_unit(unit.to_canonical(value), unit);
        if worst.low.is_nan() {
            of(worst.value)
        } else {
            format!(
                "{} ({:.0} % interval {} to {})",
                of(worst.value),
                100.0 * worst.level,
                of(worst.low),
                of(worst.high)
            )
        }
    });
    let n: usize = beyond.iter().map(|excursion| excursion.readings).sum();
    let longest = beyond.iter().map(Excursion::hours).fold(0.0, f64::max);
    let mut text = if beyond.is_empty() {
        format!(
            "None of {} lies beyond; the nearest to it is {worst}.",
            words::count(readings.len(), "reading")
        )
    } else {
        format!(
            "{n} of {} beyond, in {} of which the longest lasted {} from its first reading to its last; the furthest is {worst}.",
            if readings.len() == 1 {
                "1 reading lies".to_owned()
            } else {
                format!("{} readings lie", readings.len())
            },
            words::count(beyond.len(), "stretch").replace("stretchs", "stretches"),
            words::hours(longest)
        )
    };
    text += &match verdict {
        Verdict::Broken => format!(
            " That it was kept all the same has a probability of at most {}.",
            words::chance(risk.called_broken_but_kept)
        ),
        Verdict::Kept => format!(
            " That it was broken all the same, by these readings, has a probability of at most {}.",
            words::chance(risk.called_kept_but_broken)
        ),
        Verdict::CannotBeJudged if why.is_empty() => {
            " That is too near to the limit for the instrument, or too seldom read for what is allowed, to tell.".to_owned()
        }
        Verdict::CannotBeJudged => String::new(),
    };
    if !why.is_empty() {
        text += &format!(
            " {}: {}.",
            if case.settings.override_refusals {
                "Judged although"
            } else {
                "Not to be judged"
            },
            why.join("; ")
        );
    }
    text
}
