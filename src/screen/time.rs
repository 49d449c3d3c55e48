//! Was the unit running, and settled? Starts, gaps, flushing, changes, readings of one time.

use super::Reasons;
use super::readings::Readings;
use super::run::Marks;
use super::settings::ScreenSettings;
use super::swing::Swing;
use super::usual::{OfGroup, is_running};
use crate::log::Column;
use crate::log::time::HOUR;

/// A gap is this many steps of the log long …
const GAP_STEPS: f64 = 3.5;
/// A log that is to tell whether a unit is steady has this many readings in the window.
const STEADY_READINGS: f64 = 6.0;
/// More concentrate than usual by this share is flushing, where there is little pressure.
const FLUSH_CONCENTRATE: f64 = 1.1;

/// Whether the unit ran, row by row.
pub(super) fn running(readings: &Readings, usual: &OfGroup) -> Vec<bool> {
    let of = |column| {
        usual
            .figure(column)
            .map_or(f64::NAN, |figure| figure.median)
    };
    is_running(readings, of(Column::FeedPressure), of(Column::PermeateFlow))
}

pub(super) fn judge(
    readings: &Readings,
    usual: &OfGroup,
    settings: &ScreenSettings,
    marks: &mut Marks,
) {
    for row in 0..readings.len() {
        let off = !marks.running[row];
        marks.judge(Reasons::NOT_RUNNING, row, off);
    }
    duplicates(readings, marks);
    // Readings so far apart that a unit settles between two of them don't show when it started.
    let settle_us = settings.settle_h * HOUR;
    if usual.step_us > 0 && usual.step_us as f64 <= settle_us {
        starts(readings, usual, settle_us, marks);
    }
    flushes(readings, usual, settings, marks);
    let step_us = usual.step_us as f64;
    let mut window_us = settings.steady_window_h * HOUR;
    if let Some(swing) = &usual.swing {
        // Half a window of so many readings holds still.
        window_us = window_us.max(2.0 * swing.still as f64 * step_us);
    }
    if step_us > 0.0 && step_us * STEADY_READINGS <= window_us {
        for column in [Column::FeedPressure, Column::PermeateFlow] {
            unsteady(
                readings,
                usual,
                column,
                window_us,
                settings.steady_share,
                marks,
            );
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
fn duplicates(readings: &Readings, marks: &mut Marks) {
    let same = |a: usize, b: usize| {
        readings
            .measured()
            .all(|(_, values)| values[a] == values[b] || values[a].is_nan() && values[b].is_nan())
    };
    let mut start = 0;
    for row in 1..=readings.len() {
        if row < readings.len() && readings.time[row] == readings.time[start] {
            continue;
        }
        let agree = (start + 1..row).all(|other| same(start, other));
        for at in start..row {
            marks.judge(
                Reasons::DUPLICATE,
                at,
                row - start > 1 && !(agree && at == start),
            );
        }
        start = row;
    }
}

/// Rows within the time to settle after a start or after a gap.
fn starts(readings: &Readings, usual: &OfGroup, settle_us: f64, marks: &mut Marks) {
    let gap_us = (GAP_STEPS * usual.step_us as f64).max(settle_us.min(HOUR));
    let (mut started, mut resumed) = (None, None);
    for row in 0..readings.len() {
        let time = readings.time[row];
        if row > 0 {
            if marks.running[row] && !marks.running[row - 1] {
                // It started between the two.
                started = Some(readings.time[row - 1]);
            }
            if time.saturating_sub(readings.time[row - 1]) as f64 > gap_us {
                resumed = Some(time);
            }
        }
        if !marks.running[row] {
            continue;
        }
        let within = |from: Option<i64>| {
            from.is_some_and(|from: i64| (time.saturating_sub(from) as f64) < settle_us)
        };
        marks.judge(Reasons::STARTING, row, within(started));
        marks.judge(Reasons::AFTER_GAP, row, within(resumed));
    }
}

fn flushes(readings: &Readings, usual: &OfGroup, settings: &ScreenSettings, marks: &mut Marks) {
    let (Some(pressures), Some(flows)) = (
        readings.get(Column::FeedPressure),
        readings.get(Column::ConcentrateFlow),
    ) else {
        return;
    };
    let (Some(pressure), Some(flow)) = (
        usual.figure(Column::FeedPressure),
        usual.figure(Column::ConcentrateFlow),
    ) else {
        return;
    };
    for (row, (at, rest)) in pressures.iter().zip(flows).enumerate() {
        if marks.running[row] && !at.is_nan() && !rest.is_nan() {
            let little = *at < settings.flush_pressure * pressure.median;
            let much = *rest > FLUSH_CONCENTRATE * flow.median;
            marks.judge(Reasons::FLUSHING, row, little && much);
        }
    }
}

/// Rows where the mean of half a window before differs from that of half a window after by more than a share.
fn unsteady(
    readings: &Readings,
    usual: &OfGroup,
    column: Column,
    window_us: f64,
    share: f64,
    marks: &mut Marks,
) {
    let (Some(values), Some(figure)) = (readings.get(column), usual.figure(column)) else {
        return;
    };
    let known: Vec<usize> = (0..values.len())
        .filter(|row| marks.running[*row] && !values[*row].is_nan())
        .collect();
    let half = (window_us / 2.0) as i64;
    // Sums of the readings from `from` to before `at`, and from after `at` to before `to`, as the row goes on.
    let (mut from, mut to) = (0, 0);
    for at in 0..known.len() {
        let time = readings.time[known[at]];
        while readings.time[known[from]] < time.saturating_sub(half) {
            from += 1;
        }
        to = to.max(at);
        while to < known.len() && readings.time[known[to]] <= time.saturating_add(half) {
            to += 1;
        }
        let (before, after) = (&known[from..at], &known[at + 1..to]);
        let least = (STEADY_READINGS / 2.0 - 1.0) as usize;
        if before.len() < least || after.len() < least {
            continue;
        }
        let mean =
            |rows: &[usize]| rows.iter().map(|row| values[*row]).sum::<f64>() / rows.len() as f64;
        // What scatter alone makes of two such means, five times over: of a swing, what its means are known to do.
        let scatter = match &usual.swing {
            Some(swing) => swing_of(usual, column, swing) * 2.0_f64.sqrt(),
            None => {
                let of_both = 1.0 / before.len() as f64 + 1.0 / after.len() as f64;
                of_both.sqrt() * figure.noise
            }
        };
        let allowed = (share * figure.median.abs()).max(5.0 * scatter);
        marks.judge(
            Reasons::UNSTEADY,
            known[at],
            (mean(after) - mean(before)).abs() > allowed,
        );
    }
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
