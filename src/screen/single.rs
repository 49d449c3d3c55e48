//! One instrument by itself: its range, what its quantity can be, stuck, spikes; and the site's limits.

use super::Reasons;
use super::marks::{Marks, Seen};
use super::settings::ScreenSettings;
use super::usual::UsualFigure;
use crate::log::Column;
use crate::site::{Limit, possible};
use crate::units::Quantity;

/// Readings before and after a reading that a spike is told by.
const NEIGHBOURS: usize = 5;
/// They lie no further off than this many rows.
pub(super) const REACH: usize = 20;
/// No run shorter than this is stuck.
const SHORTEST_RUN: usize = 4;
/// Where readings repeat more often than this, nothing can be told from it.
const OFTEN_THE_SAME: f64 = 0.98;
/// Readings further apart than this are visits: what lies between is not known, µs.
const VISITS_US: i64 = 3 * 86_400_000_000;

/// The shortest run of one figure that is stuck, where it can be told: so long a run comes by chance about
/// `chance` times in the log. A run of n follows p^(n − 1), of which a log has as many as readings.
pub(super) fn stuck_run(usual: &UsualFigure, readings: usize, chance: f64) -> Option<usize> {
    if usual.same > OFTEN_THE_SAME || usual.noise == 0.0 && usual.same > 0.5 {
        return None;
    }
    let same = usual.same.max(0.01);
    let run = 1.0 + (chance / readings.max(1) as f64).ln() / same.ln();
    Some((run.ceil() as usize).max(SHORTEST_RUN))
}

pub(super) fn judge(seen: &Seen<'_>, marks: &mut Marks<'_>) {
    let (site, usual, settings) = (seen.site, seen.usual, &seen.site.screen);
    for (column, values) in seen.readings.measured() {
        let (low, high) = possible(column.quantity());
        marks.judge_each(Reasons::IMPOSSIBLE_READING, seen, values, |value| {
            (value < low) | (value > high)
        });
        let instrument = site.instruments.get(&column);
        if let Some((low, high)) = instrument.and_then(|instrument| instrument.range) {
            // At its upper end an instrument shows what it can, not what there is.
            marks.judge_each(Reasons::OUT_OF_INSTRUMENT_RANGE, seen, values, |value| {
                (value < low) | (value >= high)
            });
        }
        if let Some(limit) = site.limits.get(column.name()) {
            let (low, high) = ends(limit);
            marks.judge_each(Reasons::OUTSIDE_LIMITS, seen, values, |value| {
                (value < low) | (value > high)
            });
        }
        let Some(figure) = usual.figure(column) else {
            continue;
        };
        if usual.step_us > VISITS_US {
            continue;
        }
        if let Some(shortest) = stuck_run(figure, usual.readings, settings.stuck_chance) {
            stuck(seen, values, shortest, marks);
        }
        if let Some(allowed) = spike_size(column, figure, settings) {
            spikes(seen, values, allowed, marks);
        }
    }
    recovery_limit(seen, marks);
}

/// The ends of a limit, infinite where it has none.
fn ends(limit: &Limit) -> (f64, f64) {
    (
        limit.low.unwrap_or(f64::NEG_INFINITY),
        limit.high.unwrap_or(f64::INFINITY),
    )
}

/// How far from its neighbours a reading is a spike.
fn spike_size(column: Column, usual: &UsualFigure, settings: &ScreenSettings) -> Option<f64> {
    // A temperature's share of itself depends on where its scale begins.
    let scale = match column.quantity() {
        Quantity::Temperature => 20.0,
        _ => usual.median.abs(),
    };
    let allowed = (settings.spike_deviations * usual.noise).max(settings.spike_share * scale);
    (allowed > 0.0).then_some(allowed)
}

/// Runs of one figure at least as long as `shortest`.
fn stuck(seen: &Seen<'_>, values: &[f64], shortest: usize, marks: &mut Marks<'_>) {
    marks.judge_each(Reasons::STUCK, seen, values, |_| false);
    let goes_on = |row: usize| row > 0 && seen.running[row] && values[row] == values[row - 1];
    for block in marks.blocks() {
        let before = block.start.saturating_sub(SHORTEST_RUN - 1);
        let after = (block.end + SHORTEST_RUN - 1).min(values.len());
        if !repeats(&values[before..after]) {
            continue;
        }
        // A run is followed no further back, and no further on, than tells whether it is long enough.
        let mut start = block.start;
        while block.start - start < shortest && goes_on(start) {
            start -= 1;
        }
        while start < block.end {
            let mut end = start + 1;
            while end < values.len() && (end < block.end || end - start < shortest) && goes_on(end)
            {
                end += 1;
            }
            if end - start >= shortest {
                for row in start.max(block.start)..end.min(block.end) {
                    if seen.knows(values, row) {
                        marks.judge(Reasons::STUCK, row, true);
                    }
                }
            }
            start = end;
        }
    }
}

/// Whether a figure stands anywhere as often in a row as the shortest run that can be stuck.
fn repeats(values: &[f64]) -> bool {
    let next = |by: usize| values.iter().skip(by);
    let runs = values.iter().zip(next(1)).zip(next(2).zip(next(3)));
    runs.fold(false, |found, ((first, second), (third, fourth))| {
        found | ((first == second) & (second == third) & (third == fourth))
    })
}

/// Readings further than `allowed` above the median of those before and of those after, or below both. That a reading lies
/// above a median of five by more than something is that it lies so above three of them: no median is needed.
fn spikes(seen: &Seen<'_>, values: &[f64], allowed: f64, marks: &mut Marks<'_>) {
    for block in marks.blocks() {
        let around = block.start.saturating_sub(NEIGHBOURS)..block.end + NEIGHBOURS;
        if around.len() == block.len() + 2 * NEIGHBOURS
            && around.end <= values.len()
            && let Some((low, high)) = seen.extent(values, around)
            && high - low <= allowed
        {
            marks.pass(Reasons::SPIKE, block);
            continue;
        }
        for row in block {
            if let Some(spike) = is_spike(seen, values, allowed, row) {
                marks.judge(Reasons::SPIKE, row, spike);
            }
        }
    }
}

/// Whether a reading is a spike, where there are enough near it to tell.
fn is_spike(seen: &Seen<'_>, values: &[f64], allowed: f64, row: usize) -> Option<bool> {
    if !seen.knows(values, row) {
        return None;
    }
    let count = |near: &mut dyn Iterator<Item = usize>| {
        let (mut over, mut under, mut found) = (0, 0, 0);
        for other in near
            .filter(|other| seen.knows(values, *other))
            .take(NEIGHBOURS)
        {
            let above = values[row] - values[other];
            over += i32::from(above > allowed);
            under += i32::from(above < -allowed);
            found += 1;
        }
        (found == NEIGHBOURS).then_some((over, under))
    };
    let (over_before, under_before) = count(&mut (row.saturating_sub(REACH)..row).rev())?;
    let (over_after, under_after) = count(&mut (row + 1..(row + REACH + 1).min(values.len())))?;
    Some(over_before.min(over_after) >= 3 || under_before.min(under_after) >= 3)
}

/// The site may limit recovery, which is no column.
fn recovery_limit(seen: &Seen<'_>, marks: &mut Marks<'_>) {
    let column = |column| seen.readings.get(column);
    let (Some(limit), Some(made)) = (
        seen.site.limits.get("recovery"),
        column(Column::PermeateFlow),
    ) else {
        return;
    };
    let (low, high) = ends(limit);
    let (feed, rest) = (column(Column::FeedFlow), column(Column::ConcentrateFlow));
    for row in marks.rows.clone() {
        let fed = match (feed, rest) {
            (Some(feed), _) => feed[row],
            (None, Some(rest)) => rest[row] + made[row],
            (None, None) => return,
        };
        let recovery = made[row] / fed;
        if seen.running[row] && recovery.is_finite() {
            marks.judge(
                Reasons::OUTSIDE_LIMITS,
                row,
                recovery < low || recovery > high,
            );
        }
    }
}
