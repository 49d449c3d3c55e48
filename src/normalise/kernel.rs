//! The run over a log: readings in blocks, blocks shared out to threads, each row's figures and reasons in place.

use rayon::prelude::*;

use super::inputs::Inputs;
use super::outputs::{For, Output};
use super::reading::{Conditions, Figures, Model, State};
use crate::baseline::Reference;
use crate::buffer::{Values, fill_columns};
use crate::screen::Reasons;

/// One train and stage, with all that does not change from row to row.
pub(super) struct Prepared {
    pub model: Model,
    pub reference: Reference,
    pub conditions: Conditions,
    pub state: State,
    pub viscosity: f64,
}

/// Readings worked out at a time: their figures fit a processor's nearest cache.
const BLOCK: usize = 64;

/// Runs the kernel over all rows, some thousands to a thread.
pub(super) fn run(
    inputs: &Inputs,
    groups: &[u32],
    prepared: &[Prepared],
    wanted: &[Output],
) -> (Vec<Values>, Vec<Reasons>) {
    const ROWS: usize = 64 * BLOCK;
    let mut reasons = vec![Reasons::empty(); groups.len()];
    let columns = fill_columns(wanted.len(), groups.len(), |columns| {
        let mut parts: Vec<Part<'_>> = reasons
            .chunks_mut(ROWS)
            .enumerate()
            .map(|(at, reasons)| Part {
                start: at * ROWS,
                columns: Vec::with_capacity(wanted.len()),
                reasons,
            })
            .collect();
        for column in columns {
            for (piece, part) in column.chunks_mut(ROWS).zip(&mut parts) {
                part.columns.push(piece);
            }
        }
        let arch = pulp::Arch::new();
        parts.par_iter_mut().for_each(|part| {
            arch.dispatch(Fill {
                part,
                inputs,
                groups,
                prepared,
                wanted,
            });
        });
    });
    (columns, reasons)
}

/// [`Part::fill`], compiled once for each kind of processor with the widest instructions it has.
struct Fill<'a, 'b> {
    part: &'a mut Part<'b>,
    inputs: &'a Inputs,
    groups: &'a [u32],
    prepared: &'a [Prepared],
    wanted: &'a [Output],
}

impl pulp::WithSimd for Fill<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        self.part
            .fill(self.inputs, self.groups, self.prepared, self.wanted);
    }
}

/// Some rows of the result, being filled.
struct Part<'a> {
    /// The first of its rows.
    start: usize,
    columns: Vec<&'a mut [f64]>,
    reasons: &'a mut [Reasons],
}

impl Part<'_> {
    #[inline(always)]
    fn fill(&mut self, inputs: &Inputs, groups: &[u32], prepared: &[Prepared], wanted: &[Output]) {
        let group_of = |row: &usize| groups[*row] as usize;
        let mut rows: Vec<usize> = (self.start..self.start + self.reasons.len()).collect();
        if prepared.len() > 1 {
            rows.sort_by_key(group_of);
        }
        for of_group in rows.chunk_by(|a, b| group_of(a) == group_of(b)) {
            let group = &prepared[group_of(&of_group[0])];
            for block in of_group.chunks(BLOCK) {
                // The last block of a group fills up with its first row: worked out again, written once.
                let rows: [usize; BLOCK] =
                    std::array::from_fn(|i| *block.get(i).unwrap_or(&block[0]));
                let at = inputs.block(&rows);
                let state = group.model.states(&at);
                let figures = group.model.figures_of(
                    &at,
                    &state,
                    (&group.conditions, &group.state, group.viscosity),
                );
                let reasons = group.model.screen(&at, &state);
                let first = rows[0] - self.start;
                let together = rows[BLOCK - 1] == rows[0] + BLOCK - 1;
                for (output, column) in wanted.iter().zip(&mut self.columns) {
                    let values = output.of_block(&state, &figures, &group.reference);
                    if together {
                        column[first..first + BLOCK].copy_from_slice(&values);
                    } else {
                        block
                            .iter()
                            .zip(values)
                            .for_each(|(row, value)| column[row - self.start] = value);
                    }
                }
                // Nearly always nothing is to be set aside, which is asked without a branch.
                let drops = at.differential_pressure.iter();
                let calm = reasons.iter().zip(drops).fold(true, |calm, (why, drop)| {
                    calm & why.is_empty() & (*drop >= 0.0)
                });
                if !calm || inputs.running.is_some() {
                    for (row, why) in block.iter().zip(reasons) {
                        self.set_aside(*row, why, inputs, wanted);
                    }
                }
            }
        }
    }

    /// Keeps why a row was set aside, and takes back what must not stand for it.
    #[inline(always)]
    fn set_aside(&mut self, row: usize, why: Reasons, inputs: &Inputs, wanted: &[Output]) {
        let at = row - self.start;
        let of_drop = |output: &Output| output.of() == For::Drop;
        let why = if !inputs.is_running(row) {
            Reasons::NOT_RUNNING
        } else if why.is_empty()
            && inputs.differential_pressure.at(row) < 0.0
            && wanted.iter().any(of_drop)
        {
            Reasons::NEGATIVE_DIFFERENTIAL_PRESSURE
        } else {
            why
        };
        self.reasons[at] = why;
        if !why.is_empty() {
            for (output, column) in wanted.iter().zip(&mut self.columns) {
                if why != Reasons::NEGATIVE_DIFFERENTIAL_PRESSURE || of_drop(output) {
                    column[at] = f64::NAN;
                }
            }
        }
    }
}

impl Output {
    /// Its figures of a block of readings.
    #[inline(always)]
    fn of_block(
        self,
        state: &State<[f64; BLOCK]>,
        figures: &Figures<[f64; BLOCK]>,
        reference: &Reference,
    ) -> [f64; BLOCK] {
        let straight = |figures: &[f64; BLOCK], slope: f64, start: f64| {
            let mut line = [0.0; BLOCK];
            for i in 0..BLOCK {
                line[i] = start + slope * figures[i];
            }
            line
        };
        let change = |figures, when_new: f64| straight(figures, 1.0 / when_new, -1.0);
        let rest = |figures| straight(figures, -1.0, 1.0);
        match self {
            Self::Recovery => state.recovery,
            Self::PassRecovery => state.pass_recovery,
            Self::MembraneInletTds => state.inlet_tds,
            Self::MeanFeedTds => state.mean_feed_tds,
            Self::NetDrivingPressure => state.net_driving_pressure,
            Self::TemperatureFactor => state.temperature_factor,
            Self::Flux => figures.flux,
            Self::WaterPermeability => figures.water_permeability,
            Self::NormalisedPermeateFlow => figures.permeate_flow,
            Self::NormalisedPermeateFlowChange => {
                change(&figures.permeate_flow, reference.normalised_permeate_flow)
            }
            Self::SaltPassage => figures.actual_salt_passage,
            Self::Rejection => rest(&figures.actual_salt_passage),
            Self::SaltPermeability => figures.salt_permeability,
            Self::NormalisedSaltPassage => figures.salt_passage,
            Self::NormalisedSaltPassageChange => {
                change(&figures.salt_passage, reference.normalised_salt_passage)
            }
            Self::NormalisedSaltPassageAtNormalisedFlow => figures.salt_passage_at_normalised_flow,
            Self::NormalisedSaltPassageAtNormalisedFlowChange => change(
                &figures.salt_passage_at_normalised_flow,
                reference.normalised_salt_passage_at_normalised_flow,
            ),
            Self::NormalisedRejection => rest(&figures.salt_passage),
            Self::NormalisedDifferentialPressure => figures.differential_pressure,
            Self::NormalisedDifferentialPressureChange => change(
                &figures.differential_pressure,
                reference.normalised_differential_pressure,
            ),
        }
    }
}

impl Inputs {
    /// Whether the unit made water, as far as the log tells.
    #[inline]
    pub(crate) fn is_running(&self, row: usize) -> bool {
        // Without the column, or where it is empty, the flows decide.
        self.running
            .as_ref()
            .is_none_or(|running| running.at(row) != 0.0)
    }

    /// The conditions of a block of rows.
    #[inline(always)]
    fn block(&self, rows: &[usize; BLOCK]) -> Conditions<[f64; BLOCK]> {
        let sources = Conditions {
            temperature: &self.temperature,
            feed_pressure: &self.feed_pressure,
            differential_pressure: &self.differential_pressure,
            permeate_pressure: &self.permeate_pressure,
            permeate_flow: &self.permeate_flow,
            feed_flow: &self.feed_flow,
            recycle_flow: &self.recycle_flow,
            feed_tds: &self.feed_tds,
            permeate_tds: &self.permeate_tds,
        };
        sources.map(|source| source.block(rows))
    }

    /// The conditions of a row.
    #[inline]
    pub(crate) fn conditions(&self, row: usize) -> Conditions {
        Conditions {
            temperature: self.temperature.at(row),
            feed_pressure: self.feed_pressure.at(row),
            differential_pressure: self.differential_pressure.at(row),
            permeate_pressure: self.permeate_pressure.at(row),
            permeate_flow: self.permeate_flow.at(row),
            feed_flow: self.feed_flow.at(row),
            recycle_flow: self.recycle_flow.at(row),
            feed_tds: self.feed_tds.at(row),
            permeate_tds: self.permeate_tds.at(row),
        }
    }
}
