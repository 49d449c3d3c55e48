//! Was the unit running, and settled? Starts, gaps, flushing, changes, readings of one time.

use std::ops::Range;

use super::Reasons;
use super::marks::{Marks, Seen, extent, where_true};
use super::readings::Readings;
use super::swing::Swing;
use super::usual::{OfGroup, is_running};
use crate::log::Column;
use crate::log::time::HOUR;

/// A gap is this many steps of the log long …
pub(super) const GAP_STEPS: f64 = 3.5;
/// A log that is to tell whether a unit is steady has this many readings in the window.
const STEADY_READINGS: f64 = 6.0;
/// Means of readings that span less than this share of what is allowed don't differ by more, whatever their rounding.
const SURELY_LESS: f64 = 0.99;
/// More concentrate than usual by this share is flushing, where there is little pressure.
const FLUSH_CONCENTRATE: f64 = 1.1;

/// Whether the unit ran, row by row.
pub(super) fn running(readings: &Readings<'_>, usual: &OfGroup) -> Vec<bool> {
    let of = |column| {
        usual
            .figure(column)
            .map_or(f64::NAN, |figure| figure.median)
    };
    is_running(readings, of(Column::FeedPressure), of(Column::PermeateFlow))
}

/// Whether a log shows when a unit started: not by readings so far apart that it settles between two of them.
pub(super) fn tells_starts(usual: &OfGroup, settle_h: f64) -> bool {
    usual.step_us > 0 && usual.step_us as f64 <= settle_h * HOUR
}

#[inline(always)]
pub(super) fn judge(seen: &Seen<'_>, marks: &mut Marks<'_>) {
    let (usual, settings) = (seen.usual, &seen.site.screen);
    marks.pass(Reasons::NOT_RUNNING, marks.rows.clone());
    for (failed, running) in marks
        .failed
        .iter_mut()
        .zip(&seen.running[marks.rows.clone()])
    {
        *failed |= where_true(Reasons::NOT_RUNNING, !running);
    }
    duplicates(seen.readings, marks);
    if tells_starts(usual, settings.settle_h) {
        starts(seen, settings.settle_h * HOUR, marks);
    }
    flushes(seen, marks);
    let step_us = usual.step_us as f64;
    let mut window_us = settings.steady_window_h * HOUR;
    if let Some(swing) = &usual.swing {
        // Half a window of so many readings holds still.
        window_us = window_us.max(2.0 * swing.still as f64 * step_us);
    }
    if step_us > 0.0 && step_us * STEADY_READINGS <= window_us {
        for column in [Column::FeedPressure, Column::PermeateFlow] {
            unsteady(seen, column, window_us, marks);
        }
    }
}

/// How far apart readings may be that the steady test looks at, µs.
pub(super) fn steady_reach(usual: &OfGroup) -> i64 {
    usual.swing.map_or(0, |swing| {
        (swing.still as i64 + 1).saturating_mul(usual.step_us)
    })
}

/// Rows of the same time: where all their figures agree the first stands, else none does.
#[inline(always)]
fn duplicates(readings: &Readings<'_>, marks: &mut Marks<'_>) {
    let time = &*readings.time;
    marks.pass(Reasons::DUPLICATE, marks.rows.clone());
    let same = |a: usize, b: usize| {
        readings
            .measured()
            .all(|(_, values)| values[a] == values[b] || values[a].is_nan() && values[b].is_nan())
    };
    let around = marks.rows.start.saturating_sub(1)..(marks.rows.end + 1).min(time.len());
    let mut any = false;
    for pair in time[around].windows(2) {
        any |= pair[0] == pair[1];
    }
    if !any {
        return;
    }
    let mut row = marks.rows.start;
    while row < marks.rows.end {
        let with_next = time.get(row + 1) == Some(&time[row]);
        if !with_next && (row == 0 || time[row - 1] != time[row]) {
            row += 1;
            continue;
        }
        let (mut start, mut end) = (row, row + 1);
        while start > 0 && time[start - 1] == time[row] {
            start -= 1;
        }
        while end < time.len() && time[end] == time[row] {
            end += 1;
        }
        let agree = (start + 1..end).all(|other| same(start, other));
        let next = end.min(marks.rows.end);
        for at in row..next {
            marks.judge(Reasons::DUPLICATE, at, !(agree && at == start));
        }
        row = next;
    }
}

/// Rows within the time to settle after a start or after a gap.
#[inline(always)]
fn starts(seen: &Seen<'_>, settle_us: f64, marks: &mut Marks<'_>) {
    let (time, running) = (&*seen.readings.time, seen.running);
    let gap_us = (GAP_STEPS * seen.usual.step_us as f64).max(settle_us.min(HOUR));
    let within = |row: usize, from: Option<i64>| {
        from.is_some_and(|from: i64| (time[row].saturating_sub(from) as f64) < settle_us)
    };
    let (mut start, mut resumption) = (None, None);
    let mut look = |row: usize| {
        if running[row] && !running[row - 1] {
            // It started between the two.
            start = Some(time[row - 1]);
        }
        if time[row].saturating_sub(time[row - 1]) as f64 > gap_us {
            resumption = Some(time[row]);
        }
        (start, resumption)
    };
    // What began before these rows may still last.
    let first = marks.rows.start;
    let mut from = first;
    while from > 0 && within(first, Some(time[from])) {
        from -= 1;
    }
    let (mut started, mut resumed) = (None, None);
    for row in from.max(1)..first {
        (started, resumed) = look(row);
    }
    for block in marks.blocks() {
        // Nearly always the unit runs on, and whatever began lies long back.
        let ran_on = block.start > 0 && seen.ran(block.start - 1..block.end) && {
            let mut steady = true;
            for pair in time[block.start - 1..block.end].windows(2) {
                let step = pair[1].saturating_sub(pair[0]);
                steady &= (step >= 0) & !(step as f64 > gap_us);
            }
            steady
        };
        let ran_on = ran_on && !seen.has_visits(block.clone());
        if ran_on && !within(block.start, started) && !within(block.start, resumed) {
            marks.pass(Reasons::STARTING | Reasons::AFTER_GAP, block);
            continue;
        }
        for row in block {
            if row > 0 {
                (started, resumed) = look(row);
            }
            if running[row] {
                marks.judge(Reasons::STARTING, row, within(row, started));
                // Who comes to read a unit sees whether it has settled.
                if !seen.is_visit(row) {
                    marks.judge(Reasons::AFTER_GAP, row, within(row, resumed));
                }
            }
        }
    }
}

#[inline(always)]
fn flushes(seen: &Seen<'_>, marks: &mut Marks<'_>) {
    let column = |column| {
        Some((
            seen.readings.get(column)?,
            seen.usual.figure(column)?.median,
        ))
    };
    let (Some((pressures, pressure)), Some((flows, flow))) = (
        column(Column::FeedPressure),
        column(Column::ConcentrateFlow),
    ) else {
        return;
    };
    let little = seen.site.screen.flush_pressure * pressure;
    let much = FLUSH_CONCENTRATE * flow;
    marks.judge_pairs(
        Reasons::FLUSHING,
        seen,
        marks.rows.clone(),
        (pressures, flows),
        |at, rest| (at < little) & (rest > much),
    );
}

/// Rows where the mean of half a window before differs from that of half a window after by more than a share.
#[inline(always)]
fn unsteady(seen: &Seen<'_>, column: Column, window_us: f64, marks: &mut Marks<'_>) {
    let (Some(values), Some(figure)) = (seen.readings.get(column), seen.usual.figure(column))
    else {
        return;
    };
    let time = &*seen.readings.time;
    let half = (window_us / 2.0) as i64;
    let share = seen.site.screen.steady_share * figure.median.abs();
    const LEAST: usize = (STEADY_READINGS / 2.0) as usize - 1;
    // Less than whole cycles tells nothing of a swing.
    let least = seen
        .usual
        .swing
        .map_or(LEAST, |swing| LEAST.max(swing.still));
    for block in marks.blocks() {
        let (first, last) = (time[block.start], time[block.end - 1]);
        let from = time[..block.start].partition_point(|time| *time < first.saturating_sub(half));
        let behind = time[block.end..].partition_point(|time| *time <= last.saturating_add(half));
        let to = block.end + behind;
        if block.start >= from + least
            && behind >= least
            && seen.ran(from..to)
            && let Some((low, high)) = extent(&values[from..to])
            && high - low < SURELY_LESS * share
        {
            let start = block.start - marks.rows.start;
            let judged = &mut marks.judged[start..start + block.len()];
            let before = &time[block.start - least..block.end - least];
            let (now, after) = (
                &time[block.clone()],
                &time[block.start + least..block.end + least],
            );
            for i in 0..judged.len() {
                let enough = (before[i] >= now[i].saturating_sub(half))
                    & (after[i] <= now[i].saturating_add(half));
                judged[i] |= where_true(Reasons::UNSTEADY, enough);
            }
            continue;
        }
        let known: Vec<usize> = (from..to).filter(|row| seen.knows(values, *row)).collect();
        for (row, before, after) in halves(&known, time, half, block) {
            if before.len() < least || after.len() < least {
                continue;
            }
            let mean = |rows: &[usize]| {
                rows.iter().map(|row| values[*row]).sum::<f64>() / rows.len() as f64
            };
            // What scatter alone makes of two such means, five times over: of a swing, what its means are known to do.
            let scatter = match &seen.usual.swing {
                Some(swing) => swing_of(seen.usual, column, swing) * 2.0_f64.sqrt(),
                None => {
                    let of_both = 1.0 / before.len() as f64 + 1.0 / after.len() as f64;
                    of_both.sqrt() * figure.noise
                }
            };
            let allowed = share.max(5.0 * scatter);
            marks.judge(
                Reasons::UNSTEADY,
                row,
                (mean(after) - mean(before)).abs() > allowed,
            );
        }
    }
}

/// Each known row of a block, with the known rows of half a window before it and after it.
fn halves<'a>(
    known: &'a [usize],
    time: &'a [i64],
    half: i64,
    block: Range<usize>,
) -> impl Iterator<Item = (usize, &'a [usize], &'a [usize])> {
    let (mut from, mut to) = (0, 0);
    known.iter().enumerate().filter_map(move |(at, row)| {
        if !block.contains(row) {
            return None;
        }
        let now = time[*row];
        while time[known[from]] < now.saturating_sub(half) {
            from += 1;
        }
        to = to.max(at);
        while to < known.len() && time[known[to]] <= now.saturating_add(half) {
            to += 1;
        }
        Some((*row, &known[from..at], &known[at + 1..to]))
    })
}

/// By how much means over a still window scatter: of flow, more than of the pressure that drives it, as single readings do.
fn swing_of(usual: &OfGroup, column: Column, swing: &Swing) -> f64 {
    let of = |column| {
        usual.figure(column).map_or((f64::NAN, f64::NAN), |figure| {
            (figure.median.abs(), figure.noise)
        })
    };
    let (pressure, pressure_noise) = of(Column::FeedPressure);
    let of_means = swing.of_means * pressure;
    match column {
        Column::FeedPressure => of_means,
        _ => of_means * of(column).1 / pressure_noise,
    }
}
