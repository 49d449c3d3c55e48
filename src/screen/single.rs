//! One instrument by itself: its range, what its quantity can be, stuck, spikes; and the site's limits.

use super::Reasons;
use super::readings::Readings;
use super::run::Marks;
use super::settings::ScreenSettings;
use super::usual::{OfGroup, UsualFigure};
use crate::log::Column;
use crate::site::{Site, possible};
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

pub(super) fn judge(
    readings: &Readings,
    usual: &OfGroup,
    site: &Site,
    settings: &ScreenSettings,
    marks: &mut Marks,
) {
    for (column, values) in readings.measured() {
        let (low, high) = possible(column.quantity());
        let range = site
            .instruments
            .get(&column)
            .and_then(|instrument| instrument.range);
        let limit = site.limits.get(column.name());
        for (row, value) in values.iter().enumerate() {
            if !marks.running[row] || value.is_nan() {
                continue;
            }
            marks.judge(
                Reasons::IMPOSSIBLE_READING,
                row,
                *value < low || *value > high,
            );
            if let Some((low, high)) = range {
                // At its upper end an instrument shows what it can, not what there is.
                marks.judge(
                    Reasons::OUT_OF_INSTRUMENT_RANGE,
                    row,
                    *value < low || *value >= high,
                );
            }
            if let Some(limit) = limit {
                let below = limit.low.is_some_and(|low| *value < low);
                let above = limit.high.is_some_and(|high| *value > high);
                marks.judge(Reasons::OUTSIDE_LIMITS, row, below || above);
            }
        }
        let Some(figure) = usual.figure(column) else {
            continue;
        };
        if usual.step_us > VISITS_US {
            continue;
        }
        if let Some(shortest) = stuck_run(figure, usual.readings, settings.stuck_chance) {
            stuck(values, shortest, marks);
        }
        if let Some(allowed) = spike_size(column, figure, settings) {
            spikes(values, allowed, marks);
        }
    }
    recovery_limit(readings, site, marks);
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
fn stuck(values: &[f64], shortest: usize, marks: &mut Marks) {
    let mut start = 0;
    for row in 0..=values.len() {
        let goes_on = row > start
            && row < values.len()
            && marks.running[row]
            && values[row] == values[row - 1];
        if goes_on {
            continue;
        }
        for at in start..row {
            if marks.running[at] && !values[at].is_nan() {
                marks.judge(Reasons::STUCK, at, row - start >= shortest);
            }
        }
        start = row;
    }
}

/// Readings further than `allowed` above the median of those before and of those after, or below both. That a reading lies
/// above a median of five by more than something is that it lies so above three of them: no median is needed.
fn spikes(values: &[f64], allowed: f64, marks: &mut Marks) {
    let known: Vec<usize> = (0..values.len())
        .filter(|row| marks.running[*row] && !values[*row].is_nan())
        .collect();
    for at in NEIGHBOURS..known.len().saturating_sub(NEIGHBOURS) {
        let row = known[at];
        if row - known[at - NEIGHBOURS] > REACH || known[at + NEIGHBOURS] - row > REACH {
            continue;
        }
        let count = |near: &[usize]| {
            near.iter().fold((0, 0), |(over, under), other| {
                let above = values[row] - values[*other];
                (
                    over + i32::from(above > allowed),
                    under + i32::from(above < -allowed),
                )
            })
        };
        let (over_before, under_before) = count(&known[at - NEIGHBOURS..at]);
        let (over_after, under_after) = count(&known[at + 1..=at + NEIGHBOURS]);
        let spike = over_before.min(over_after) >= 3 || under_before.min(under_after) >= 3;
        marks.judge(Reasons::SPIKE, row, spike);
    }
}

/// The site may limit recovery, which is no column.
fn recovery_limit(readings: &Readings, site: &Site, marks: &mut Marks) {
    let (Some(limit), Some(made)) = (
        site.limits.get("recovery"),
        readings.get(Column::PermeateFlow),
    ) else {
        return;
    };
    let fed = match (
        readings.get(Column::FeedFlow),
        readings.get(Column::ConcentrateFlow),
    ) {
        (Some(feed), _) => feed.to_vec(),
        (None, Some(rest)) => rest
            .iter()
            .zip(made)
            .map(|(rest, made)| rest + made)
            .collect(),
        (None, None) => return,
    };
    for (row, (made, fed)) in made.iter().zip(&fed).enumerate() {
        let recovery = made / fed;
        if marks.running[row] && recovery.is_finite() {
            let below = limit.low.is_some_and(|low| recovery < low);
            let above = limit.high.is_some_and(|high| recovery > high);
            marks.judge(Reasons::OUTSIDE_LIMITS, row, below || above);
        }
    }
}
