//! Slips: readings that the others of their row contradict.
//!
//! A pressure that was really higher pushes more water through the same membranes; one that was only read so does not. Water permeability, into
//! which flow, pressures, temperature and salt all enter, tells the two apart: of a slip it leaps off that of the days around.

use super::case::Case;
use super::terms::LimitOf;
use crate::log::Column;
use crate::normalise::reading::Conditions;
use crate::stats::median;

/// Stretches of no more readings than this may be slips; nobody misreads for longer.
const LONGEST: usize = 3;
/// Readings before and after by which one is judged.
const AROUND: usize = 15;
/// So many robust standard deviations off is no scatter, which is at least so much, as a fraction (both common practice, no source).
const DEVIATIONS: f64 = 6.0;
const LEAST: f64 = 0.01;

/// What a limit is of, where a slip of it shows in the water permeability.
pub(super) fn shows(of: LimitOf) -> Option<Column> {
    match of {
        LimitOf::Flux => Some(Column::PermeateFlow),
        LimitOf::Column(
            column @ (Column::FeedPressure | Column::FeedTemperature | Column::PermeateFlow),
        ) => Some(column),
        _ => None,
    }
}

/// The logarithm of water permeability under conditions; NaN where nothing follows from them.
fn permeability(case: &Case<'_>, conditions: &Conditions) -> f64 {
    let model = &case.result.prepared[case.at].model;
    model.state(conditions).map_or(f64::NAN, |state| {
        (conditions.permeate_flow / (state.net_driving_pressure * state.temperature_factor)).ln()
    })
}

/// The conditions of a row, with what the rows around show in place of one of its readings.
fn mended(case: &Case<'_>, row: usize, column: Column, usual: &Conditions) -> Conditions {
    let mut conditions = case.result.inputs.conditions(row);
    match column {
        Column::FeedPressure => {
            conditions.feed_pressure = usual.feed_pressure;
            if case.result.inputs.is_derived(Column::DifferentialPressure) {
                conditions.differential_pressure = usual.differential_pressure;
            }
        }
        Column::FeedTemperature => conditions.temperature = usual.temperature,
        _ => conditions.permeate_flow = usual.permeate_flow,
    }
    conditions
}

/// Of some rows in which something lies beyond a limit, those whose other readings contradict it: water permeability leaps off that of the rows
/// around, and would not with the usual reading in its place.
pub(super) fn slips(case: &Case<'_>, of: LimitOf, rows: &[usize]) -> Vec<usize> {
    let (Some(column), Some(first)) = (shows(of), rows.first()) else {
        return Vec::new();
    };
    if rows.len() > LONGEST {
        return Vec::new();
    }
    let at = |row: usize| case.result.inputs.conditions(row);
    let fit = |row: &usize| {
        !rows.contains(row) && case.ran(*row) && permeability(case, &at(*row)).is_finite()
    };
    let place = case
        .rows
        .partition_point(|other| case.time(*other) < case.time(*first));
    let before = case.rows[..place].iter().rev().copied().filter(fit);
    let after = case.rows[place..].iter().copied().filter(fit);
    let around: Vec<usize> = before.take(AROUND).chain(after.take(AROUND)).collect();
    if around.len() < AROUND {
        return Vec::new();
    }
    let mut figures: Vec<f64> = around
        .iter()
        .map(|row| permeability(case, &at(*row)))
        .collect();
    let middle = median(&mut figures);
    let off = |conditions: &Conditions| (permeability(case, conditions) - middle).abs();
    let scatter = median(&mut around.iter().map(|row| off(&at(*row))).collect::<Vec<_>>());
    let least = DEVIATIONS * (1.4826 * scatter).max(LEAST);
    let usual = case.result.typical(&around);
    rows.iter()
        .copied()
        .filter(|row| {
            let own = off(&at(*row));
            own > least && off(&mended(case, *row, column, &usual)) < 0.5 * own
        })
        .collect()
}
