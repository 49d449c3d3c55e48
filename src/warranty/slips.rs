//! Slips: readings that the others of their row contradict.
//!
//! A pressure that was really higher pushes more water through the same membranes; one that was only read so does not. Water permeability, into
//! which flow, pressures, temperature and salt all enter, tells the two apart: of a slip it leaps off that of the days around. So does friction, the
//! pressure drop for the flow along the membranes, of a slip in the flow that leaves them.

use super::case::Case;
use super::terms::LimitOf;
use crate::log::Column;
use crate::normalise::inputs::Origin;
use crate::normalise::reading::Conditions;
use crate::stats::median;

/// Stretches of no more readings than this may be slips; nobody misreads for longer.
const LONGEST: usize = 3;
/// Readings before and after by which one is judged.
const AROUND: usize = 15;
/// So many robust standard deviations off is no scatter, which is at least so much, as a fraction (both common practice, no source).
const DEVIATIONS: f64 = 6.0;
const LEAST: f64 = 0.01;

/// What of a row leaps where another of its readings is a slip.
#[derive(Debug, Clone, Copy)]
enum Witness {
    WaterPermeability,
    Friction,
}

/// The readings that a slip in what is limited may be of, each with what it shows in.
fn witnesses(of: LimitOf) -> &'static [(Column, Witness)] {
    use Witness::*;
    match of {
        LimitOf::Flux | LimitOf::Column(Column::PermeateFlow) => {
            &[(Column::PermeateFlow, WaterPermeability)]
        }
        LimitOf::Column(Column::FeedPressure) => &[(Column::FeedPressure, WaterPermeability)],
        LimitOf::Column(Column::FeedTemperature) => &[(Column::FeedTemperature, WaterPermeability)],
        LimitOf::Recovery => &[
            (Column::PermeateFlow, WaterPermeability),
            (Column::ConcentrateFlow, Friction),
        ],
        _ => &[],
    }
}

/// Whether what is limited always shows in the other readings. In friction it does not: that is too faint in short vessels.
fn always_shows(of: LimitOf) -> bool {
    of != LimitOf::Recovery && !witnesses(of).is_empty()
}

impl Witness {
    /// Its logarithm under conditions; NaN where nothing follows from them.
    fn tells(self, case: &Case<'_>, conditions: &Conditions) -> f64 {
        match self {
            Self::WaterPermeability => {
                let model = &case.result.prepared[case.at].model;
                model.state(conditions).map_or(f64::NAN, |state| {
                    let driving = state.net_driving_pressure * state.temperature_factor;
                    (conditions.permeate_flow / driving).ln()
                })
            }
            Self::Friction => {
                // A pressure drop that nobody read witnesses nothing.
                let drop = case.result.inputs.origin(Column::DifferentialPressure);
                if drop == Some(Origin::Assumed) {
                    return f64::NAN;
                }
                let exponent = case
                    .result
                    .site
                    .normalise
                    .differential_pressure_flow_exponent;
                let mean_flow = conditions.feed_flow - 0.5 * conditions.permeate_flow;
                conditions.differential_pressure.ln() - exponent * mean_flow.ln()
            }
        }
    }
}

/// The conditions of a row, with what the rows around show in place of one of its readings.
fn mended(case: &Case<'_>, row: usize, column: Column, usual: &Conditions) -> Conditions {
    let inputs = &case.result.inputs;
    let mut conditions = inputs.conditions(row);
    match column {
        Column::FeedPressure => {
            conditions.feed_pressure = usual.feed_pressure;
            if inputs.is_derived(Column::DifferentialPressure) {
                conditions.differential_pressure = usual.differential_pressure;
            }
        }
        Column::FeedTemperature => conditions.temperature = usual.temperature,
        Column::ConcentrateFlow => {
            conditions.feed_flow = conditions.permeate_flow + usual.feed_flow - usual.permeate_flow;
        }
        _ => conditions.permeate_flow = usual.permeate_flow,
    }
    conditions
}

/// What the other readings of rows say of one in them.
#[derive(Debug, Default)]
pub(super) struct Said {
    /// Rows in which they contradict it: what a slip shows in leaps off that of the rows around, and would not with the usual reading in its place.
    pub contradicted: Vec<usize>,
    /// Rows in which they bear it out: it would leap more than twice as far with the usual reading in its place.
    pub borne_out: Vec<usize>,
}

/// What the other readings say of some rows in which something lies beyond a limit.
pub(super) fn said(case: &Case<'_>, of: LimitOf, rows: &[usize]) -> Said {
    let mut said = Said::default();
    for (column, witness) in witnesses(of) {
        witness.hear(case, *column, rows, &mut said);
    }
    said.contradicted.sort_unstable();
    said.contradicted.dedup();
    if !always_shows(of) {
        said.borne_out.clear();
    }
    said
}

impl Witness {
    fn hear(self, case: &Case<'_>, column: Column, rows: &[usize], said: &mut Said) {
        let Some(first) = rows.first() else { return };
        if rows.len() > LONGEST {
            said.borne_out.extend(rows);
            return;
        }
        let tells = |conditions: &Conditions| self.tells(case, conditions);
        let at = |row: usize| case.result.inputs.conditions(row);
        let fit =
            |row: &usize| !rows.contains(row) && case.ran(*row) && tells(&at(*row)).is_finite();
        let place = case
            .rows
            .partition_point(|other| case.time(*other) < case.time(*first));
        let before = case.rows[..place].iter().rev().copied().filter(fit);
        let after = case.rows[place..].iter().copied().filter(fit);
        let around: Vec<usize> = before.take(AROUND).chain(after.take(AROUND)).collect();
        if around.len() < AROUND {
            return;
        }
        let mut figures: Vec<f64> = around.iter().map(|row| tells(&at(*row))).collect();
        let middle = median(&mut figures);
        let off = |conditions: &Conditions| (tells(conditions) - middle).abs();
        let scatter = median(&mut around.iter().map(|row| off(&at(*row))).collect::<Vec<_>>());
        let least = DEVIATIONS * (1.4826 * scatter).max(LEAST);
        let usual = case.result.typical(&around);
        for row in rows {
            let own = off(&at(*row));
            let instead = off(&mended(case, *row, column, &usual));
            if own > least && instead < 0.5 * own {
                said.contradicted.push(*row);
            } else if own < 0.5 * instead {
                said.borne_out.push(*row);
            }
        }
    }
}
