//! Free chlorine over time.

use super::case::Case;
use super::conformity::{Risk, Verdict, conformance_probability};
use super::limits::{gaps_of, new_clause};
use super::terms::OperatingLimit;
use super::{Clause, Excursion, Gap, instruments, words};
use crate::assess::Estimate;
use crate::log::Column;
use crate::log::time::HOUR;
use crate::stats::median;
use statrs::distribution::{ContinuousCDF, Normal};

/// How an exposure is made.
const METHOD: &str = "trapezoids between readings while the unit ran; what the instrument is off by, and scatters (JCGM 100)";

/// A sum over time, and how it grew.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Exposure {
    /// mg/L h.
    pub total: f64,
    /// How much each reading counts, h.
    pub weights: Vec<f64>,
    /// Time that readings stand for, h.
    pub covered_h: f64,
    /// Running time between readings too far apart, h.
    pub uncovered_h: f64,
    /// Those times.
    pub gaps: Vec<Gap>,
}

/// Exposure by trapezoids: half of two neighbours' sum times the hours between them, where the unit ran from the first on and they are no
/// further apart than `longest_h`. `readings` are time (µs), figure and whether the unit ran, in order of time.
pub(super) fn exposure(readings: &[(i64, f64, bool)], longest_h: f64) -> Exposure {
    let mut found = Exposure {
        weights: vec![0.0; readings.len()],
        ..Exposure::default()
    };
    for (at, pair) in readings.windows(2).enumerate() {
        let [(from, first, ran), (to, second, _)] = pair else {
            continue;
        };
        if !ran {
            continue;
        }
        let hours = to.saturating_sub(*from) as f64 / HOUR;
        if hours > longest_h {
            found.uncovered_h += hours;
            found.gaps.push(Gap {
                start_us: *from,
                end_us: *to,
            });
            continue;
        }
        found.covered_h += hours;
        found.total += 0.5 * (first + second) * hours;
        found.weights[at] += 0.5 * hours;
        found.weights[at + 1] += 0.5 * hours;
    }
    found
}

/// Judges the exposure to free chlorine.
pub(super) fn clause(case: &Case<'_>, limit: &OperatingLimit) -> Clause {
    let clause = new_clause(limit);
    let of = match case.readings(limit.of) {
        Ok(of) => of,
        Err(why) => return clause.refused(format!("Not to be judged: {why}.")),
    };
    let Some(high) = limit.high else {
        return clause.refused("Not to be judged: the terms give no upper limit.");
    };
    let kept: Vec<usize> = (0..case.rows.len())
        .filter(|at| of.values[*at].is_finite() && !case.doubted(case.rows[*at], limit.of))
        .collect();
    let mut readings: Vec<(i64, f64, bool)> = kept
        .iter()
        .map(|at| {
            let row = case.rows[*at];
            (case.time(row), of.values[*at], case.ran(row))
        })
        .collect();
    // A row that says the unit stood ends what the reading before it stands for, whether it has a reading of its own or not.
    for (at, row) in case.rows.iter().enumerate() {
        let before = kept.partition_point(|known| *known <= at);
        if !case.ran(*row) && before > 0 {
            readings[before - 1].2 = false;
        }
    }
    if readings.len() < 2 {
        return clause.refused("Not to be judged: the log has fewer than two readings of it.");
    }
    let step = median(
        &mut readings
            .windows(2)
            .map(|pair| pair[1].0.saturating_sub(pair[0].0) as f64 / HOUR)
            .collect::<Vec<_>>(),
    );
    let every = case.terms.records.every(Column::FeedFreeChlorine);
    // A reading stands for no longer than twice what lies between two as a rule (common practice, no source).
    let longest_h = 2.0 * every.unwrap_or(step);
    let sum = exposure(&readings, longest_h);
    let off_by: f64 = kept
        .iter()
        .zip(&sum.weights)
        .map(|(at, weight)| of.off_by[*at] * weight)
        .sum();
    let scatter = of.scatter
        * sum
            .weights
            .iter()
            .map(|weight| weight * weight)
            .sum::<f64>()
            .sqrt();
    let u = off_by.hypot(scatter);
    let share = sum.covered_h / (sum.covered_h + sum.uncovered_h);
    // Of the times without readings: as in those with.
    let whole = sum.total / share;
    let risk = Risk {
        called_broken_but_kept: conformance_probability(sum.total, u, None, Some(high)),
        called_kept_but_broken: 1.0 - conformance_probability(whole, u / share, None, Some(high)),
    };
    let (mut thin, mut gaps) = gaps_of(case, &of.columns);
    gaps.extend(sum.gaps.iter().copied());
    gaps.sort_by_key(|gap| (gap.start_us, gap.end_us));
    gaps.dedup();
    if share < case.terms.records.complete && every.is_some() && thin.is_empty() {
        thin.push(format!(
            "readings stand for {:.1} % of the time alone",
            100.0 * share
        ));
    }
    let called = risk.verdict(case.settings.risk);
    let mut why = case.unfit_instruments(&of.columns);
    if called != Verdict::Broken {
        why.extend(thin);
    }
    let verdict = if why.is_empty() || case.settings.override_refusals {
        called
    } else {
        Verdict::CannotBeJudged
    };
    let shown = |canonical: f64| words::with_unit(canonical, limit.unit);
    let level = case.settings.level;
    let wide = Normal::standard().inverse_cdf(0.5 + 0.5 * level) * u;
    let mut sentence = format!(
        "Over {} it comes to {} ({:.0} % interval {} to {}).",
        words::hours(sum.covered_h),
        shown(sum.total),
        100.0 * level,
        shown(sum.total - wide),
        shown(sum.total + wide)
    );
    if sum.uncovered_h > 0.0 {
        sentence += &format!(
            " {} without readings are not in it.",
            words::hours(sum.uncovered_h)
        );
    }
    sentence += &match verdict {
        Verdict::Broken => format!(
            " That it was kept all the same has a probability of {}.",
            words::chance(risk.called_broken_but_kept)
        ),
        Verdict::Kept => format!(
            " That it was broken all the same, the times without readings taken as those with, has a probability of {}.",
            words::chance(risk.called_kept_but_broken)
        ),
        Verdict::CannotBeJudged if why.is_empty() => {
            " That is too near to the limit to tell.".to_owned()
        }
        Verdict::CannotBeJudged => String::new(),
    };
    sentence += &case.doubts(&why);
    let own = |canonical: f64| limit.unit.from_canonical(canonical);
    let known = of.unknown.is_empty();
    Clause {
        verdict,
        sentence,
        figure: Some(Estimate {
            value: own(sum.total),
            low: if known {
                own(sum.total - wide)
            } else {
                f64::NAN
            },
            high: if known {
                own(sum.total + wide)
            } else {
                f64::NAN
            },
            level,
            unit: limit.unit.word,
            n: readings.len(),
            method: METHOD,
            budget: None,
        }),
        risk: Some(risk),
        excursions: passed(case, &kept, &readings, &sum, high)
            .into_iter()
            .map(|found| Excursion {
                worst: own(sum.total),
                ..found
            })
            .collect(),
        gaps,
        instruments: instruments::all(case, &of.columns),
        rows: readings.len(),
        ..clause
    }
}

/// From the reading at which the sum passed the limit to the last.
fn passed(
    case: &Case<'_>,
    kept: &[usize],
    readings: &[(i64, f64, bool)],
    sum: &Exposure,
    high: f64,
) -> Option<Excursion> {
    let mut so_far = 0.0;
    let at = readings
        .iter()
        .zip(&sum.weights)
        .position(|(reading, weight)| {
            so_far += reading.1 * weight;
            so_far > high
        })?;
    let last = readings.len() - 1;
    Some(Excursion {
        start_us: readings[at].0,
        end_us: readings[last].0,
        worst: f64::NAN,
        rows: (case.rows[kept[at]], case.rows[kept[last]]),
        readings: last - at + 1,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const H: i64 = 3_600_000_000;

    #[test]
    fn by_hand() {
        // 0.1 mg/L for 4 h, then rising to 0.3 over 2 h: 0.4 + 0.4 = 0.8 mg/L h.
        let found = exposure(
            &[(0, 0.1, true), (4 * H, 0.1, true), (6 * H, 0.3, true)],
            24.0,
        );
        assert!((found.total - 0.8).abs() < 1e-12);
        assert_eq!(found.covered_h, 6.0);
        // The unit stood from 4 h on: only the first part counts.
        let stood = exposure(
            &[(0, 0.1, true), (4 * H, 0.1, false), (6 * H, 0.3, true)],
            24.0,
        );
        assert!((stood.total - 0.4).abs() < 1e-12);
        // Too far apart: not in it, and told.
        let apart = exposure(
            &[(0, 0.1, true), (4 * H, 0.1, true), (60 * H, 0.3, true)],
            24.0,
        );
        assert!((apart.total - 0.4).abs() < 1e-12);
        assert_eq!(apart.uncovered_h, 56.0);
        assert_eq!(apart.gaps.len(), 1);
    }

    proptest! {
        #[test]
        fn it_adds_up(figures in proptest::collection::vec((1_i64..50, 0.0..2.0_f64), 3..40), cut in 1_usize..38) {
            let mut time = 0;
            let readings: Vec<(i64, f64, bool)> = figures
                .iter()
                .map(|(hours, figure)| {
                    time += hours * H;
                    (time, *figure, true)
                })
                .collect();
            let cut = cut.min(readings.len() - 1);
            let whole = exposure(&readings, 1e9);
            let parts = exposure(&readings[..=cut], 1e9).total + exposure(&readings[cut..], 1e9).total;
            prop_assert!((whole.total - parts).abs() < 1e-9);
            let by_weights: f64 = readings.iter().zip(&whole.weights).map(|(reading, weight)| reading.1 * weight).sum();
            prop_assert!((whole.total - by_weights).abs() < 1e-9);
        }
    }
}
