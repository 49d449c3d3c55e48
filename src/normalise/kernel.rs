//! The run over a log: readings in blocks, blocks shared out to threads, each row's figures and reasons in place.

use rayon::prelude::*;

use super::inputs::Inputs;
use super::outputs::{For, Output};
use super::reading::{Conditions, Figures, Laws, Model, State};
use crate::baseline::Reference;
use crate::buffer::{Values, fill_columns};
use crate::membrane::train::Membrane;
use crate::number::{Dual, Number};
use crate::screen::Reasons;
use crate::uncertainty::{
    ErrorModel, FEWER_SOURCES, OfReference, SOURCES, contributions, contributions_to_change,
};

/// One train and stage, with all that does not change from row to row.
#[derive(Debug, Clone)]
pub(crate) struct Prepared {
    pub model: Model,
    pub reference: Reference,
    pub conditions: Conditions,
    pub state: State,
    pub viscosity: f64,
    /// The reference's own errors; `None` for stated conditions, or where no errors are known.
    pub errors: Option<OfReference>,
}

/// Readings worked out at a time: their figures fit a processor's nearest cache.
const BLOCK: usize = 64;
/// The same for figures with their derivatives, which are larger.
const DUALS: usize = 8;

/// What the kernel runs on.
#[derive(Clone, Copy)]
pub(super) struct Run<'a> {
    pub inputs: &'a Inputs,
    pub times: &'a [i64],
    pub groups: &'a [u32],
    pub prepared: &'a [Prepared],
    pub wanted: &'a [Output],
    pub errors: Option<&'a ErrorModel>,
}

/// Runs the kernel over all rows, some thousands to a thread: the columns of the outputs, then, where errors are known,
/// those of their standard uncertainties.
pub(super) fn run(run: Run<'_>) -> (Vec<Values>, Vec<Reasons>) {
    const ROWS: usize = 64 * BLOCK;
    let Run { groups, wanted, .. } = run;
    let mut reasons = vec![Reasons::empty(); groups.len()];
    let count = wanted.len() * if run.errors.is_some() { 2 } else { 1 };
    let columns = fill_columns(count, groups.len(), |columns| {
        let mut parts: Vec<Part<'_>> = reasons
            .chunks_mut(ROWS)
            .enumerate()
            .map(|(at, reasons)| Part {
                start: at * ROWS,
                columns: Vec::with_capacity(count),
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
            arch.dispatch(Fill { part, run });
        });
    });
    (columns, reasons)
}

/// [`Part::fill`], compiled once for each kind of processor with the widest instructions it has.
struct Fill<'a, 'b> {
    part: &'a mut Part<'b>,
    run: Run<'a>,
}

impl pulp::WithSimd for Fill<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        self.part.fill(&self.run);
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
    fn fill(&mut self, run: &Run<'_>) {
        let Run {
            inputs,
            groups,
            prepared,
            wanted,
            ..
        } = *run;
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
                let state = group.model.states(&at, None);
                let figures = group.model.figures_of(
                    &at,
                    &state,
                    (&group.conditions, &group.state, group.viscosity),
                );
                let reasons = group.model.screen(&at, &state);
                let membranes = group.model.membranes(&at.without(&reasons), &state);
                let first = rows[0] - self.start;
                let together = rows[BLOCK - 1] == rows[0] + BLOCK - 1;
                for (output, column) in wanted.iter().zip(&mut self.columns) {
                    let values =
                        output.of_block(&state, &figures, membranes.as_ref(), &group.reference);
                    if together {
                        column[first..first + BLOCK].copy_from_slice(&values);
                    } else {
                        block
                            .iter()
                            .zip(values)
                            .for_each(|(row, value)| column[row - self.start] = value);
                    }
                }
                if let Some(errors) = run.errors {
                    for duals in block.chunks(DUALS) {
                        if errors.sources.len() <= FEWER_SOURCES {
                            self.uncertainties::<FEWER_SOURCES>(run, errors, group, duals);
                        } else {
                            self.uncertainties::<SOURCES>(run, errors, group, duals);
                        }
                    }
                }
                // Nearly always nothing is to be set aside, which is asked without a branch.
                let drops = at.differential_pressure.iter();
                let mut calm = reasons.iter().zip(drops).fold(true, |calm, (why, drop)| {
                    calm & why.is_empty() & (*drop >= 0.0)
                });
                if let Some(membranes) = &membranes {
                    calm &= membranes.water_permeability.iter().all(|a| *a > 0.0);
                }
                if !calm || inputs.running.is_some() || inputs.set_aside.is_some() {
                    for (i, row) in block.iter().enumerate() {
                        let unexplained = membranes
                            .as_ref()
                            .is_some_and(|found| !(found.water_permeability[i] > 0.0));
                        self.set_aside(*row, reasons[i], unexplained, inputs, wanted);
                    }
                }
            }
        }
    }

    /// Keeps why a row was set aside, and takes back what must not stand for it.
    #[inline(always)]
    fn set_aside(
        &mut self,
        row: usize,
        why: Reasons,
        unexplained: bool,
        inputs: &Inputs,
        wanted: &[Output],
    ) {
        let at = row - self.start;
        let has = |of: For| wanted.iter().any(|output| output.of() == of);
        let screened = inputs.set_aside(row);
        // Of a unit at rest nothing else is worth telling.
        let mut why = if screened.contains(Reasons::NOT_RUNNING) {
            Reasons::NOT_RUNNING
        } else {
            screened | why
        };
        if why == Reasons::MISSING && inputs.is_beyond_curve(row) {
            why = Reasons::SALT_OUT_OF_RANGE;
        }
        if why.is_empty() && inputs.differential_pressure.at(row) < 0.0 && has(For::Drop) {
            why |= Reasons::NEGATIVE_DIFFERENTIAL_PRESSURE;
        }
        if (why - Reasons::OF_ONE_FIGURE).is_empty() && unexplained {
            why |= Reasons::NO_MEMBRANE;
        }
        self.reasons[at] = why;
        if why.is_empty() {
            return;
        }
        // A reason of one figure takes that one; any other takes all.
        let whole = !(why - Reasons::OF_ONE_FIGURE).is_empty();
        for (output, column) in wanted.iter().cycle().zip(&mut self.columns) {
            let takes = match output.of() {
                For::Drop => why.contains(Reasons::NEGATIVE_DIFFERENTIAL_PRESSURE),
                For::Model => why.contains(Reasons::NO_MEMBRANE),
                _ => false,
            };
            if whole || takes {
                column[at] = f64::NAN;
            }
        }
    }

    /// The standard uncertainties of some rows of one group.
    #[inline(always)]
    fn uncertainties<const K: usize>(
        &mut self,
        run: &Run<'_>,
        errors: &ErrorModel,
        group: &Prepared,
        rows: &[usize],
    ) {
        let mut at = [run.inputs.conditions(rows[0]); DUALS];
        let mut sizes = [errors.sizes(&at[0], run.times[rows[0]]); DUALS];
        let mut calibrated = [[false; SOURCES]; DUALS];
        for (i, row) in rows.iter().enumerate() {
            at[i] = run.inputs.conditions(*row);
            sizes[i] = errors.sizes(&at[i], run.times[*row]);
            if let Some(reference) = &group.errors {
                calibrated[i] = errors.calibrated_between(reference.end_us, run.times[*row]);
            }
        }
        let (first, second) = self.columns.split_at_mut(run.wanted.len());
        group.leaning::<K, DUALS>(errors, &at, run.wanted, |output, found| {
            for (i, row) in rows.iter().enumerate() {
                let row = row - self.start;
                let slopes = &found[i].slopes;
                let variances = match &group.errors {
                    Some(reference) if run.wanted[output].is_change() => contributions_to_change(
                        first[output][row],
                        slopes,
                        &sizes[i],
                        reference,
                        output,
                        &calibrated[i],
                    ),
                    _ => contributions(slopes, &sizes[i]),
                };
                second[output][row] = variances.iter().sum::<f64>().sqrt();
            }
        });
    }
}

impl Prepared {
    /// The outputs of a block of readings with their derivatives by the sources of error, one output after the other.
    #[inline(always)]
    fn leaning<const K: usize, const N: usize>(
        &self,
        errors: &ErrorModel,
        at: &[Conditions; N],
        wanted: &[Output],
        mut take: impl FnMut(usize, [Dual<K>; N]),
    ) {
        let none = Dual::<K>::constant(0.0);
        let mut sources = [none; SOURCES];
        for (slot, source) in sources.iter_mut().take(K).enumerate() {
            *source = Dual::variable(0.0, slot);
        }
        let mut conditions = Conditions::of([none; N]);
        let mut laws = [Laws::of(none); N];
        for i in 0..N {
            let (at, law) = errors.lean(&at[i], &sources);
            conditions.put(i, &at);
            laws[i] = law;
        }
        let state = self
            .model
            .states(&conditions, errors.has_laws().then_some(&laws));
        let figures = self.model.figures_of(
            &conditions,
            &state,
            (&self.conditions, &self.state, self.viscosity),
        );
        let membranes = self.model.membranes_leaning(&conditions, &state, &laws);
        for (output, wanted) in wanted.iter().enumerate() {
            take(
                output,
                wanted.of_block(&state, &figures, membranes.as_ref(), &self.reference),
            );
        }
    }

    /// The outputs at some conditions, and how each leans on the sources of error there.
    #[inline(never)]
    pub(crate) fn leaning_at(
        &self,
        errors: &ErrorModel,
        at: &Conditions,
        wanted: &[Output],
    ) -> Vec<Dual<SOURCES>> {
        let mut outputs = Vec::with_capacity(wanted.len());
        self.leaning::<SOURCES, 1>(errors, &[*at], wanted, |_, [found]| outputs.push(found));
        outputs
    }
}

impl Output {
    /// Its figures of a block of readings.
    #[inline(always)]
    pub(crate) fn of_block<T: Number, const N: usize>(
        self,
        state: &State<[T; N]>,
        figures: &Figures<[T; N]>,
        membranes: Option<&Membrane<[T; N]>>,
        reference: &Reference,
    ) -> [T; N] {
        let straight = |figures: &[T; N], slope: f64, start: f64| {
            let mut line = [T::constant(0.0); N];
            for i in 0..N {
                line[i] = figures[i] * slope + start;
            }
            line
        };
        let change = |figures, when_new: f64| straight(figures, 1.0 / when_new, -1.0);
        let rest = |figures| straight(figures, -1.0, 1.0);
        let membrane = |of: fn(&Membrane<[T; N]>) -> &[T; N]| {
            membranes.map_or([T::constant(f64::NAN); N], |membranes| *of(membranes))
        };
        let when_new = |of: fn(&Membrane) -> f64| reference.membrane.as_ref().map_or(f64::NAN, of);
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
            Self::ElementWaterPermeability => membrane(|m| &m.water_permeability),
            Self::ElementWaterPermeabilityChange => change(
                &membrane(|m| &m.water_permeability),
                when_new(|m| m.water_permeability),
            ),
            Self::ElementSaltPermeability => membrane(|m| &m.salt_permeability),
            Self::ElementSaltPermeabilityChange => change(
                &membrane(|m| &m.salt_permeability),
                when_new(|m| m.salt_permeability),
            ),
            Self::SpacerFriction => membrane(|m| &m.spacer_friction),
            Self::SpacerFrictionChange => change(
                &membrane(|m| &m.spacer_friction),
                when_new(|m| m.spacer_friction),
            ),
        }
    }
}

impl Inputs {
    /// Whether the unit made water, as far as the log and its screening tell.
    pub(crate) fn is_running(&self, row: usize) -> bool {
        !self.set_aside(row).contains(Reasons::NOT_RUNNING)
    }

    /// Why a row is not to be used, as far as the log and its screening tell; empty where it is.
    #[inline]
    pub(crate) fn set_aside(&self, row: usize) -> Reasons {
        match (&self.set_aside, &self.running) {
            // The screening has looked at the switch, and a user may have kept the row all the same.
            (Some(reasons), _) => reasons[row],
            (None, Some(running)) if running.at(row) == 0.0 => Reasons::NOT_RUNNING,
            // Without the column, or where it is empty, the flows decide.
            _ => Reasons::empty(),
        }
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
