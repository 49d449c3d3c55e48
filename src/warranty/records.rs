//! Whether the records that were demanded are there.

use super::case::Case;
use super::conformity::{Risk, Verdict};
use super::instruments::{self, calibrations, overdue};
use super::{Clause, Gap, Kind, words};
use crate::log::Column;
use crate::log::time::HOUR;

/// How a column's readings were kept, against how often they were demanded.
pub(super) struct Kept {
    /// Times a reading was asked for: intervals of which the unit ran more than half.
    pub asked: usize,
    /// The share of those that hold one.
    pub share: f64,
    /// The times without.
    pub gaps: Vec<Gap>,
}

/// How a column was read from a time on; `None` where the terms don't ask for it.
///
/// Intervals run from the start. The unit is taken to go on as a row says until the next row, and to have run where no row says otherwise.
pub(super) fn kept(case: &Case<'_>, column: Column, from_us: i64) -> Option<Kept> {
    let every_us = (case.terms.records.every(column)? * HOUR) as i64;
    let values = case.measured(column);
    let span = case.until_us.saturating_sub(from_us);
    let intervals = usize::try_from(span / every_us.max(1)).unwrap_or(0);
    let mut held = vec![false; intervals];
    let mut ran_us = vec![0_i64; intervals];
    let place = |time: i64| (time.saturating_sub(from_us) / every_us).max(0) as usize;
    let mut running = |from: i64, to: i64| {
        let mut at = from.max(from_us);
        while at < to {
            let here = place(at);
            let Some(ran) = ran_us.get_mut(here) else {
                break;
            };
            let end = from_us + (here as i64 + 1) * every_us;
            *ran += end.min(to) - at;
            at = end;
        }
    };
    let (mut before, mut ran) = (from_us, true);
    for row in &case.rows {
        let time = case.time(*row);
        if ran {
            running(before, time);
        }
        (before, ran) = (time, case.ran(*row));
        if ran
            && values.is_some_and(|values| !values[*row].is_nan())
            && time >= from_us
            && let Some(held) = held.get_mut(place(time))
        {
            *held = true;
        }
    }
    if ran {
        running(before, case.until_us);
    }
    let mut gaps: Vec<Gap> = Vec::new();
    let (mut asked, mut there) = (0, 0);
    for at in 0..intervals {
        if ran_us[at] * 2 <= every_us {
            continue;
        }
        asked += 1;
        if held[at] {
            there += 1;
            continue;
        }
        let (start_us, end_us) = (
            from_us + at as i64 * every_us,
            from_us + (at as i64 + 1) * every_us,
        );
        match gaps.last_mut() {
            Some(last) if last.end_us == start_us => last.end_us = end_us,
            _ => gaps.push(Gap { start_us, end_us }),
        }
    }
    let share = if asked == 0 {
        1.0
    } else {
        f64::from(there) / f64::from(asked)
    };
    Some(Kept {
        asked: asked as usize,
        share,
        gaps,
    })
}

/// The clauses of the records.
pub(super) fn clauses(case: &Case<'_>) -> Vec<Clause> {
    let records = &case.terms.records;
    let mut clauses = Vec::new();
    for (column, hours) in &records.every {
        let name = words::spoken(column.name());
        let clause = Clause::new(
            format!("records.every.{}", column.name()),
            Kind::Records,
            words::capital(&format!(
                "{name} is read every {}, in {} of the times.",
                words::hours(*hours),
                percent(records.complete)
            )),
        );
        let Some(kept) = kept(case, *column, case.start_us) else {
            continue;
        };
        let good = kept.share >= records.complete;
        let longest = kept.gaps.iter().map(Gap::hours).fold(0.0, f64::max);
        let gap = if kept.gaps.is_empty() {
            "no time is without".to_owned()
        } else {
            format!("the longest time without is {}", words::hours(longest))
        };
        let sentence = if case.measured(*column).is_none() {
            format!("The log has no {}.", column.name())
        } else {
            format!(
                "Read in {} of {} asked for; {gap}.",
                percent(kept.share),
                words::count(kept.asked, "time")
            )
        };
        let values = case.measured(*column);
        let rows = case
            .rows
            .iter()
            .filter(|row| case.ran(**row) && values.is_some_and(|values| !values[**row].is_nan()));
        clauses.push(Clause {
            verdict: verdict_of(good),
            sentence,
            risk: Some(Risk::certain(good)),
            rows: rows.count(),
            gaps: kept.gaps,
            ..clause
        });
    }
    clauses.extend(calibration(case));
    clauses
}

fn verdict_of(kept: bool) -> Verdict {
    if kept { Verdict::Kept } else { Verdict::Broken }
}

/// Whether the instruments were calibrated as often as the terms ask.
fn calibration(case: &Case<'_>) -> Option<Clause> {
    let interval = case.terms.records.calibration.as_ref()?;
    let mut columns: Vec<Column> = case
        .terms
        .records
        .every
        .iter()
        .map(|(column, _)| *column)
        .collect();
    if columns.is_empty() {
        columns = case.carrying(true);
    }
    let mut late = Vec::new();
    let mut gaps = Vec::new();
    for column in &columns {
        let overdue = overdue(case, *column, interval);
        if overdue.is_empty() {
            continue;
        }
        let never = calibrations(case, *column).is_empty();
        late.push(match overdue.last() {
            _ if never => format!("{} has no calibration told", words::spoken(column.name())),
            Some((from, to)) => format!(
                "{} was overdue from {from} to {to}",
                words::spoken(column.name())
            ),
            None => String::new(),
        });
        gaps.extend(overdue.iter().filter_map(|(from, to)| {
            let us = |date: &jiff::civil::Date| {
                let stamp = jiff::tz::TimeZone::UTC
                    .to_timestamp(date.at(0, 0, 0, 0))
                    .ok()?;
                Some(stamp.as_microsecond())
            };
            Some(Gap {
                start_us: us(from)?,
                end_us: us(to)?,
            })
        }));
    }
    gaps.sort_by_key(|gap| (gap.start_us, gap.end_us));
    gaps.dedup();
    let good = late.is_empty();
    let sentence = if good {
        "By the site file's calibrations, each was in date all along.".to_owned()
    } else {
        format!("By the site file's calibrations: {}.", late.join("; "))
    };
    Some(Clause {
        verdict: verdict_of(good),
        sentence,
        risk: Some(Risk::certain(good)),
        gaps,
        instruments: instruments::all(case, &columns),
        rows: 0,
        ..Clause::new(
            "records.calibration",
            Kind::Records,
            format!(
                "The calibration of each instrument is at most {} old.",
                interval.text
            ),
        )
    })
}

fn percent(share: f64) -> String {
    format!("{:.1} %", 100.0 * share)
}
