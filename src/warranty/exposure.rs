//! Free chlorine over time.

use super::case::Case;
use super::conformity::{Risk, Verdict, conformance_probability};
use super::instruments::Spread;
use super::limits::{corrected_words, gaps_of, new_clause};
use super::terms::OperatingLimit;
use super::{Clause, Excursion, Gap, instruments, words};
use crate::assess::Estimate;
use crate::log::Column;
use crate::log::time::HOUR;
use crate::stats::median;

/// How an exposure is made.
const METHOD: &str = "trapezoids between readings while the unit ran, of what may and of what must count; what the instrument is off by, and scatters (JCGM 100)";

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

/// What an exposure may truly be: every true figure counts that is no less than `counted_from`.
///
/// What a meter shows where there is no chlorine counts for nothing, and what it hides is never less than nothing. So a reading surely counts
/// if it lies above `counted_from` by more than the meter may be off and scatter, and may count if it lies no further below.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Bounds {
    /// At least either: what surely counts; or, where all counts, all that was read.
    pub least: [Sum; 2],
    /// At most what may count.
    pub most: Sum,
}

/// A sum of readings, and what they may be off by together.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Sum {
    /// mg/L h.
    pub total: f64,
    /// Standard uncertainty of what the meter is off by, the same way in all.
    pub off_by: f64,
    /// Standard uncertainty of what scatters.
    pub scatter: f64,
}

impl Bounds {
    /// Of readings that scatter, each with how much it counts (h), what the meter may be off by there (a standard uncertainty), and what it showed,
    /// before anything was corrected.
    pub fn of(
        readings: impl Iterator<Item = (f64, f64, f64, f64)>,
        scatter: f64,
        spread: Spread,
        counted_from: f64,
    ) -> Self {
        /// Of four standard deviations of scatter one reading in 30,000 lies further off.
        const DEVIATIONS: f64 = 4.0;
        let mut found = Self::default();
        let furthest = match spread {
            Spread::Even { .. } => spread.furthest(),
            Spread::Normal => DEVIATIONS,
        };
        for (value, weight, off_by, shown) in readings {
            let unsure = furthest * off_by + DEVIATIONS * scatter;
            // No meter shows less than nothing: near to that, what is corrected may never have been there.
            let may_be_cut_off = shown != value && shown < DEVIATIONS * scatter;
            let [sure, all] = &mut found.least;
            let counts = [
                (sure, value >= counted_from + unsure),
                (all, counted_from <= 0.0 && !may_be_cut_off),
                (&mut found.most, value >= counted_from - unsure),
            ];
            for (sum, counts) in counts {
                if counts {
                    sum.total += value * weight;
                    sum.off_by += off_by * weight;
                    sum.scatter = sum.scatter.hypot(scatter * weight);
                }
            }
        }
        found
    }
}

/// How probable it is that the largest of some sums is truly more than a figure.
pub(super) fn more_than(sums: &[Sum], figure: f64, spread: Spread) -> f64 {
    let of = |sum: &Sum, place: f64| {
        let value = sum.total - place * sum.off_by;
        if sum.scatter > 0.0 {
            1.0 - conformance_probability(value, sum.scatter, None, Some(figure))
        } else {
            f64::from(u8::from(value > figure))
        }
    };
    spread
        .places()
        .map(|(place, share)| share * sums.iter().map(|sum| of(sum, place)).fold(0.0, f64::max))
        .sum::<f64>()
        .min(1.0)
}

/// The figure that the largest of some sums is truly more than with a probability; never less than nothing.
fn exceeded_with(probability: f64, sums: &[Sum], spread: Spread) -> f64 {
    let (mut low, mut high) = (0.0, 0.0_f64);
    for sum in sums {
        high = high.max(sum.total + 2.0 * sum.off_by + 8.0 * sum.scatter);
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if more_than(sums, middle, spread) > probability {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
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
    // A reading left out is bridged, at whatever time of day those beside it were taken (common practice, no source).
    let longest_h = 2.5 * every.unwrap_or(step);
    let sum = exposure(&readings, longest_h);
    let counted_from = limit.counted_from.unwrap_or(0.0);
    let shown = case.measured(Column::FeedFreeChlorine);
    let counted = kept.iter().zip(&sum.weights).map(|(at, weight)| {
        let shown = shown.map_or(of.values[*at], |shown| shown[case.rows[*at]]);
        (of.values[*at], *weight, of.off_by[*at], shown)
    });
    let bounds = Bounds::of(counted, of.scatter, of.spread, counted_from);
    let share = sum.covered_h / (sum.covered_h + sum.uncovered_h);
    let risk = Risk {
        called_broken_but_kept: 1.0 - more_than(&bounds.least, high, of.spread),
        // Of the times without readings: as in those with.
        called_kept_but_broken: more_than(&[bounds.most], high * share, of.spread),
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
    let middle = 0.5
        * (exceeded_with(0.5, &bounds.least, of.spread)
            + exceeded_with(0.5, &[bounds.most], of.spread));
    let ends = [
        exceeded_with(0.5 + 0.5 * level, &bounds.least, of.spread),
        exceeded_with(0.5 - 0.5 * level, &[bounds.most], of.spread),
    ];
    let mut sentence = format!(
        "Over {} it reads as {}; what the meter may be off by makes that {} ({:.0} % interval {} to {}).",
        words::hours(sum.covered_h),
        shown(sum.total),
        shown(middle),
        100.0 * level,
        shown(ends[0]),
        shown(ends[1])
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
    sentence += corrected_words(&of);
    sentence += &case.doubts(&why);
    let own = |canonical: f64| limit.unit.from_canonical(canonical);
    let known = of.unknown.is_empty();
    Clause {
        verdict,
        sentence,
        figure: Some(Estimate {
            value: own(middle),
            low: if known { own(ends[0]) } else { f64::NAN },
            high: if known { own(ends[1]) } else { f64::NAN },
            level,
            unit: limit.unit.word,
            n: readings.len(),
            method: METHOD,
            budget: None,
        }),
        risk: Some(risk),
        excursions: passed(case, &kept, &readings, &sum, (counted_from, high))
            .into_iter()
            .map(|found| Excursion {
                worst: own(middle),
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
    (counted_from, high): (f64, f64),
) -> Option<Excursion> {
    let mut so_far = 0.0;
    let at = readings
        .iter()
        .zip(&sum.weights)
        .position(|(reading, weight)| {
            if reading.1 >= counted_from {
                so_far += reading.1 * weight;
            }
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

    #[test]
    fn what_a_meter_shows_of_nothing_counts_for_nothing() {
        // Off by up to 0.005 either way: 20 days of 0.08 mg/L, 80 of nothing, read as 0.003.
        let off_by = 0.005 / 3.0_f64.sqrt();
        let read = || {
            (0..100).map(|day| {
                let shown = if day < 20 { 0.083 } else { 0.003 };
                (shown, 24.0, off_by, shown)
            })
        };
        let all = Bounds::of(read(), 0.001, Spread::even(), 0.0);
        let counted = Bounds::of(read(), 0.001, Spread::even(), 0.02);
        let by_hand = 24.0 * 20.0 * 0.083;
        assert!((all.least[0].total - by_hand).abs() < 1e-9);
        assert!((all.most.total - by_hand - 24.0 * 80.0 * 0.003).abs() < 1e-9);
        assert!((counted.least[0].total - by_hand).abs() < 1e-9);
        assert_eq!(counted.least[1], Sum::default());
        assert!((counted.most.total - by_hand).abs() < 1e-9);
        // 20 days at 0.005 mg/L either way are 2.4 mg/L h, and no more.
        assert!(more_than(&counted.least, by_hand - 2.6, Spread::even()) > 0.999);
        assert!(more_than(&[counted.most], by_hand + 2.6, Spread::even()) < 0.001);
        assert!((exceeded_with(0.5, &counted.least, Spread::even()) - by_hand).abs() < 1e-6);
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
