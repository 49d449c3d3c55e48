//! Limits of operation: what lay beyond, for how long, and whether the instrument can tell.

use super::case::{Case, Readings};
use super::conformity::{Risk, Verdict};
use super::excess::{Held, Reading, excursions, runs};
use super::instruments::Spread;
use super::records::kept;
use super::slips::said;
use super::terms::{Allowed, LimitOf, OperatingLimit};
use super::{Clause, Ends, Excursion, Gap, Kind, instruments, words};
use crate::assess::Estimate;
use crate::log::Column;
use statrs::distribution::{ContinuousCDF, Normal};

/// How a worst reading's interval is made.
const WORST: &str = "the reading furthest beyond, or nearest to, the limit; what the instrument is off by, and scatters (JCGM 100)";
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
    let ph = case.measured(Column::FeedPh).map_or(f64::NAN, |values| {
        case.corrected(Column::FeedPh, row, values[row])
    });
    let accuracy = case.widest(Column::FeedPh, row, ph);
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
                borne_out: false,
            }
        })
        .collect()
}

/// The readings without those that the others of their row contradict, and with what these bear out; and the rows that were left out.
fn without_slips(
    case: &Case<'_>,
    limit: &OperatingLimit,
    scatter: f64,
    mut readings: Vec<Reading>,
) -> (Vec<Reading>, Vec<usize>) {
    let (mut contradicted, mut borne_out) = (Vec::new(), Vec::new());
    // Those that would matter: beyond, or too near to tell.
    let matters =
        |reading: &Reading| reading.beyond_strictest > -3.0 * scatter.hypot(reading.off_by);
    for (first, last) in runs(&readings, matters) {
        let rows: Vec<usize> = readings[first..=last]
            .iter()
            .map(|reading| reading.row)
            .collect();
        let said = said(case, limit.of, &rows);
        contradicted.extend(said.contradicted);
        borne_out.extend(said.borne_out);
    }
    borne_out.sort_unstable();
    for reading in &mut readings {
        reading.borne_out = borne_out.binary_search(&reading.row).is_ok();
    }
    readings.retain(|reading| !contradicted.contains(&reading.row));
    (readings, contradicted)
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
    if let Some(least) = limit.counted_from {
        text += &format!(", less than {} mg/L counted as none", words::figure(least));
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
            words::capital(&words_of(limit)),
        )
    }
}

/// Judges a limit.
pub(super) fn clause(case: &Case<'_>, limit: &OperatingLimit) -> Clause {
    let clause = new_clause(limit);
    let mut of = match case.readings(limit.of) {
        Ok(of) => of,
        Err(why) => return clause.refused(format!("Not to be judged: {why}.")),
    };
    if limit.low.is_some() && matches!(of.spread, Spread::Even { .. }) {
        // What tells of showing too much doesn't tell of a lower limit.
        of.spread = Spread::even();
    }
    let (readings, contradicted) = without_slips(case, limit, of.scatter, held(case, limit, &of));
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
    let all = Held::new(&readings, &of, limit.allowed);
    let risk = all.risk();
    let beyond = excursions(&readings, limit);
    let worst = readings
        .iter()
        .max_by(|a, b| a.beyond_strictest.total_cmp(&b.beyond_strictest));
    let figure = worst.map(|worst| figure_of(case, limit, &of, worst, readings.len()));
    let (thin, gaps) = gaps_of(case, &of.columns);
    let unfit = case.unfit_instruments(&of.columns);
    let doubted = all.has_doubted_beyond(case.settings.risk);
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
    ) + &slip_words(case, &contradicted)
        + corrected_words(&of);
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

/// Which readings were left out, so that none is in silence.
fn slip_words(case: &Case<'_>, slips: &[usize]) -> String {
    if slips.is_empty() {
        return String::new();
    }
    let rows: Vec<String> = slips
        .iter()
        .map(|row| format!("{row} of {}", words::day(case.time(*row))))
        .collect();
    format!(
        " Left out, since the other readings of the row contradict it: row {}.",
        rows.join(", ")
    )
}

/// That figures are not what the log shows, where they aren't.
pub(super) fn corrected_words(of: &Readings) -> &'static str {
    if of.corrected {
        " Readings are corrected for what calibrations found."
    } else {
        ""
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
            " That it was kept all the same has a probability of {}.",
            words::at_most(risk.called_broken_but_kept)
        ),
        Verdict::Kept => format!(
            " That it was broken all the same, by these readings, has a probability of {}.",
            words::at_most(risk.called_kept_but_broken)
        ),
        Verdict::CannotBeJudged if why.is_empty() => {
            if beyond.iter().all(|found| found.readings == 1) && !beyond.is_empty() {
                " A reading alone, near the limit or that nothing else bears out, is no proof: it may be a slip.".to_owned()
            } else {
                " That is too near to the limit for the instrument, or too seldom read for what is allowed, to tell.".to_owned()
            }
        }
        Verdict::CannotBeJudged => String::new(),
    };
    text += &case.doubts(why);
    text
}
