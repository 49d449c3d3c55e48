//! Like for like: every reading as if taken at the reference's temperature, pressure, salinity and recovery.
//!
//! By the standard practice (ASTM D4516) and what surrounds it. The equations stand in the modules, one
//! each; [`normalise`] runs them over a log.

pub mod differential_pressure;
pub mod driving_pressure;
pub(crate) mod inputs;
pub mod permeate_flow;
pub mod reading;
pub mod salt_passage;
pub mod temperature;

use std::sync::Arc;

use rayon::prelude::*;

use crate::baseline::{Baseline, Reference, stage_of};
use crate::error::{Error, Fault};
use crate::log::{Column, Log};
use crate::screen::Reasons;
use crate::site::Site;
use crate::table::{Series, Table};
use crate::units::{Quantity, Unit};
use crate::water::viscosity;
use inputs::Inputs;
use reading::{Conditions, Model, State};

pub use differential_pressure::normalised_differential_pressure;
pub use driving_pressure::{log_mean_factor, net_driving_pressure};
pub use inputs::{Analysis, Origin, Provenance};
pub use permeate_flow::{normalised_permeate_flow, water_permeability};
pub use salt_passage::{SaltConditions, normalised_salt_passage, salt_permeability};

/// The name of this method, with its version: it changes whenever a figure would.
pub const METHOD: &str = "standard practice (ASTM D4516), brinemark method 1";

/// A log, normalised: every row of it, in order.
#[derive(Debug, Clone)]
pub struct Normalised {
    /// The log it was made from.
    pub log: Log,
    /// The site it was made with.
    pub site: Site,
    /// The reference it is compared with.
    pub baseline: Baseline,
    /// What was computed.
    pub analyses: Vec<Analysis>,
    /// Where each input came from.
    pub provenance: Vec<Provenance>,
    /// Columns of the log that were worked out, then the results.
    pub series: Vec<Series>,
    /// Why a row was set aside; empty: used.
    pub reasons: Vec<Reasons>,
    inputs: Inputs,
}

macro_rules! outputs {
    ($($variant:ident $name:literal $shown:ident $analysis:ident;)*) => {
        /// A column of a result.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Output { $(#[doc = $name] $variant,)* }

        impl Output {
            /// Every output, in the order of a result's table.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// Its name.
            pub fn name(self) -> &'static str {
                match self { $(Self::$variant => $name,)* }
            }

            fn shown(self) -> Shown {
                match self { $(Self::$variant => Shown::$shown,)* }
            }

            fn of(self) -> For {
                match self { $(Self::$variant => For::$analysis,)* }
            }
        }
    };
}

/// In which unit an output is shown.
enum Shown {
    Ratio,
    LikePermeateFlow,
    LikePressure,
    LikeSalt,
    Flux,
    WaterPermeability,
    SaltPermeability,
}

/// Which analysis an output belongs to.
#[derive(PartialEq)]
enum For {
    Any,
    Recycle,
    Flow,
    Salt,
    Drop,
}

outputs! {
    Recovery "recovery" Ratio Any;
    PassRecovery "pass_recovery" Ratio Recycle;
    MembraneInletTds "membrane_inlet_tds" LikeSalt Recycle;
    MeanFeedTds "mean_feed_tds" LikeSalt Any;
    NetDrivingPressure "net_driving_pressure" LikePressure Any;
    TemperatureFactor "temperature_factor" Ratio Any;
    Flux "flux" Flux Any;
    WaterPermeability "water_permeability" WaterPermeability Flow;
    NormalisedPermeateFlow "normalised_permeate_flow" LikePermeateFlow Flow;
    NormalisedPermeateFlowChange "normalised_permeate_flow_change" Ratio Flow;
    SaltPassage "salt_passage" Ratio Salt;
    Rejection "rejection" Ratio Salt;
    SaltPermeability "salt_permeability" SaltPermeability Salt;
    NormalisedSaltPassage "normalised_salt_passage" Ratio Salt;
    NormalisedSaltPassageChange "normalised_salt_passage_change" Ratio Salt;
    NormalisedSaltPassageAtNormalisedFlow "normalised_salt_passage_at_normalised_flow" Ratio Salt;
    NormalisedSaltPassageAtNormalisedFlowChange "normalised_salt_passage_at_normalised_flow_change" Ratio Salt;
    NormalisedRejection "normalised_rejection" Ratio Salt;
    NormalisedDifferentialPressure "normalised_differential_pressure" LikePressure Drop;
    NormalisedDifferentialPressureChange "normalised_differential_pressure_change" Ratio Drop;
}

const OUTPUTS: usize = Output::ALL.len();

/// One train and stage, with all that does not change from row to row.
struct Prepared {
    model: Model,
    reference: Reference,
    conditions: Conditions,
    state: State,
    viscosity: f64,
}

/// Normalises a log.
///
/// `baseline`: from [`Baseline::find`] of this log or an earlier one of the same unit.
///
/// # Errors
/// [`Error::MissingColumn`] where an input is neither measured, derivable nor assumed; [`Error::Method`] where the
/// baseline was made by another method; [`Error::Baseline`] where it lacks a train or stage of the log.
///
/// ```
/// use brinemark::{Analysis, Baseline, Site, log::{ReadOptions, read_csv}, normalise::normalise};
/// # let folder = std::env::temp_dir().join(format!("brinemark-doc-{}", std::process::id()));
/// # std::fs::create_dir_all(&folder).expect("a folder");
/// # let path = folder.join("plant.csv");
/// # std::fs::write(&path, "time,feed_temperature [degC],feed_pressure [bar],differential_pressure [bar],permeate_flow [m3/h],feed_flow [m3/h],feed_tds [mg/L],permeate_tds [mg/L]\n2026-01-01T00:00Z,12,16,2.1,45,60.8,2300,26\n").expect("written");
/// let site = Site::parse(r#"
///     site.name = "example"
///     element.area = "37.2 m2"
///     stage = [{ vessels = 10, elements_per_vessel = 6 }]
///     temperature.law = "standard-practice"
///     salinity.basis = "tds-rule"
///     assume.permeate_pressure = "0.5 bar"
///     [reference]
///     kind = "design"
///     permeate_flow = "50 m3/h"
///     feed_temperature = "25 degC"
///     feed_pressure = "12.5 bar"
///     differential_pressure = "1.8 bar"
///     permeate_pressure = "0.5 bar"
///     feed_tds = "2000 mg/L"
///     permeate_tds = "30 mg/L"
///     recovery = "75 %"
/// "#)?;
/// let log = read_csv(&path, &ReadOptions::default())?;
/// let analyses = [Analysis::PermeateFlow, Analysis::SaltPassage];
/// let baseline = Baseline::find(&log, &site, &analyses)?;
/// let result = normalise(&log, &site, &baseline, &analyses)?;
/// let flow = result.table().series("normalised_permeate_flow")?.values[0];
/// assert!((flow - 47.9).abs() < 0.5);
/// # std::fs::remove_dir_all(&folder).ok();
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn normalise(
    log: &Log,
    site: &Site,
    baseline: &Baseline,
    analyses: &[Analysis],
) -> Result<Normalised, Error> {
    if baseline.method_hash != site.method_hash() {
        return Err(Error::Method(Fault::new(
            "the baseline was made by another method or for another unit",
            "make it anew from the start-up's log with this site file",
        )));
    }
    let inputs = Inputs::find(log, site, analyses)?;
    let (groups, rows) = log.table.groups();
    let prepared = groups
        .iter()
        .map(|group| {
            let reference = baseline.of(group).ok_or_else(|| {
                Fault::new(
                    format!("the baseline has no reference for {group}"),
                    "make it from a log that holds it",
                )
            })?;
            let conditions = reference.conditions();
            let model = Model::new(site, stage_of(group, site));
            let state = model.state(&conditions).map_err(|reasons| {
                Fault::new(
                    format!("the reference of {group} can't be: {}", reasons.words()),
                    "",
                )
            })?;
            Ok(Prepared {
                model,
                reference: reference.clone(),
                viscosity: viscosity::unchecked(conditions.temperature),
                conditions,
                state,
            })
        })
        .collect::<Result<Vec<_>, Fault>>()
        .map_err(|fault| Error::Baseline(fault.into()))?;
    let wanted: Vec<Output> = Output::ALL
        .iter()
        .copied()
        .filter(|output| match output.of() {
            For::Any => true,
            For::Recycle => site.recycle,
            For::Flow => analyses.contains(&Analysis::PermeateFlow),
            For::Salt => analyses.contains(&Analysis::SaltPassage),
            For::Drop => analyses.contains(&Analysis::DifferentialPressure),
        })
        .collect();
    let (columns, reasons) = run(&inputs, &rows, &prepared, &wanted);
    let mut series = inputs.derived.clone();
    series.extend(wanted.iter().zip(columns).map(|(output, values)| Series {
        name: output.name().to_owned(),
        unit: unit_of(*output, log),
        values: Arc::new(values),
    }));
    Ok(Normalised {
        log: log.clone(),
        site: site.clone(),
        baseline: baseline.clone(),
        analyses: analyses.to_vec(),
        provenance: inputs.provenance.clone(),
        series,
        reasons,
        inputs,
    })
}

/// Runs the kernel over all rows, a block to a thread.
fn run(
    inputs: &Inputs,
    groups: &[u32],
    prepared: &[Prepared],
    wanted: &[Output],
) -> (Vec<Vec<f64>>, Vec<Reasons>) {
    // Small enough for a block's inputs and outputs to stay in the cache, large enough to share out.
    const BLOCK: usize = 2048;
    let n = groups.len();
    let mut columns: Vec<Vec<f64>> = wanted.iter().map(|_| vec![0.0; n]).collect();
    let mut reasons = vec![Reasons::empty(); n];
    let mut blocks: Vec<(usize, Vec<&mut [f64]>, &mut [Reasons])> = reasons
        .chunks_mut(BLOCK)
        .enumerate()
        .map(|(block, reasons)| (block * BLOCK, Vec::with_capacity(wanted.len()), reasons))
        .collect();
    for column in &mut columns {
        for (part, block) in column.chunks_mut(BLOCK).zip(&mut blocks) {
            block.1.push(part);
        }
    }
    let drop_wanted = wanted.iter().any(|output| output.of() == For::Drop);
    blocks.par_iter_mut().for_each(|(start, outputs, reasons)| {
        let mut figures = [f64::NAN; OUTPUTS];
        for at in 0..reasons.len() {
            let row = *start + at;
            let group = &prepared[groups[row] as usize];
            reasons[at] = reading(inputs, row, group, drop_wanted, &mut figures);
            for (output, column) in wanted.iter().zip(outputs.iter_mut()) {
                column[at] = figures[*output as usize];
            }
        }
    });
    (columns, reasons)
}

/// All figures of one row.
#[inline]
fn reading(
    inputs: &Inputs,
    row: usize,
    group: &Prepared,
    drop_wanted: bool,
    figures: &mut [f64; OUTPUTS],
) -> Reasons {
    let state_of = |conditions: &Conditions| {
        if inputs.is_running(row) {
            group.model.state(conditions)
        } else {
            Err(Reasons::NOT_RUNNING)
        }
    };
    let at = inputs.conditions(row);
    let state = match state_of(&at) {
        Ok(state) => state,
        Err(reasons) => {
            figures.fill(f64::NAN);
            return reasons;
        }
    };
    let (model, reference) = (&group.model, &group.reference);
    let like_for_like = model.figures(&at, &state, &group.conditions, &group.state);
    let mut set = |output: Output, value: f64| figures[output as usize] = value;
    set(Output::Recovery, state.recovery);
    set(Output::PassRecovery, state.pass_recovery);
    set(Output::MembraneInletTds, state.inlet_tds);
    set(Output::MeanFeedTds, state.mean_feed_tds);
    set(Output::NetDrivingPressure, state.net_driving_pressure);
    set(Output::TemperatureFactor, state.temperature_factor);
    set(Output::Flux, model.flux(&at));
    set(
        Output::WaterPermeability,
        model.water_permeability(&at, &state),
    );
    set(Output::NormalisedPermeateFlow, like_for_like.permeate_flow);
    set(
        Output::NormalisedPermeateFlowChange,
        like_for_like.permeate_flow / reference.normalised_permeate_flow - 1.0,
    );
    set(Output::SaltPassage, like_for_like.actual_salt_passage);
    set(Output::Rejection, 1.0 - like_for_like.actual_salt_passage);
    set(
        Output::SaltPermeability,
        model.salt_permeability(&at, &state),
    );
    set(Output::NormalisedSaltPassage, like_for_like.salt_passage);
    set(
        Output::NormalisedSaltPassageChange,
        like_for_like.salt_passage / reference.normalised_salt_passage - 1.0,
    );
    set(
        Output::NormalisedSaltPassageAtNormalisedFlow,
        like_for_like.salt_passage_at_normalised_flow,
    );
    set(
        Output::NormalisedSaltPassageAtNormalisedFlowChange,
        like_for_like.salt_passage_at_normalised_flow
            / reference.normalised_salt_passage_at_normalised_flow
            - 1.0,
    );
    set(
        Output::NormalisedRejection,
        1.0 - like_for_like.salt_passage,
    );
    if !drop_wanted {
        return Reasons::empty();
    }
    if at.differential_pressure < 0.0 {
        set(Output::NormalisedDifferentialPressure, f64::NAN);
        set(Output::NormalisedDifferentialPressureChange, f64::NAN);
        return Reasons::NEGATIVE_DIFFERENTIAL_PRESSURE;
    }
    let drop = model.differential_pressure(&at, &state, group.state.mean_flow, group.viscosity);
    set(Output::NormalisedDifferentialPressure, drop);
    set(
        Output::NormalisedDifferentialPressureChange,
        drop / reference.normalised_differential_pressure - 1.0,
    );
    Reasons::empty()
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

/// The unit in which an output is shown: as the log shows its like.
fn unit_of(output: Output, log: &Log) -> &'static Unit {
    let like = |quantity: Quantity, first: Column| {
        let series = log.get(first).or_else(|| {
            log.table
                .series
                .iter()
                .find(|series| series.unit.quantity == quantity)
        });
        series.map_or(quantity.canonical(), |series| series.unit)
    };
    let flow = like(Quantity::Flow, Column::PermeateFlow);
    match output.shown() {
        Shown::Ratio => Quantity::Fraction.canonical(),
        Shown::LikePermeateFlow => flow,
        Shown::LikePressure => like(Quantity::Pressure, Column::FeedPressure),
        Shown::LikeSalt => like(Quantity::Concentration, Column::FeedTds),
        Shown::Flux if ["gpm", "gpd", "MGD"].contains(&flow.word) => {
            Unit::parse("gfd").unwrap_or(Quantity::Flux.canonical())
        }
        Shown::Flux | Shown::SaltPermeability => Quantity::Flux.canonical(),
        Shown::WaterPermeability => Quantity::WaterPermeability.canonical(),
    }
}

/// How many readings lie beyond a limit of the site.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitCount {
    /// The column, or `recovery`.
    pub column: String,
    /// The low limit, in `unit`.
    pub low: Option<f64>,
    /// The high limit, in `unit`.
    pub high: Option<f64>,
    /// The unit in which the site file gives it.
    pub unit: &'static Unit,
    /// Readings below the low one.
    pub below: usize,
    /// Readings above the high one.
    pub above: usize,
    /// Readings there are.
    pub readings: usize,
}

impl Normalised {
    /// The log's own columns, what was worked out, and the results, in one table.
    pub fn table(&self) -> Table {
        let mut table = self.log.table.clone();
        table.series.extend(self.series.iter().cloned());
        table
    }

    /// How many rows were used.
    pub fn rows_used(&self) -> usize {
        self.reasons
            .iter()
            .filter(|reasons| reasons.is_empty())
            .count()
    }

    /// How many rows each reason took, for those that took any.
    pub fn reason_counts(&self) -> Vec<(&'static str, usize)> {
        Reasons::WORDS
            .iter()
            .map(|(reason, words)| {
                (
                    *words,
                    self.reasons
                        .iter()
                        .filter(|reasons| reasons.contains(*reason))
                        .count(),
                )
            })
            .filter(|(_, rows)| *rows > 0)
            .collect()
    }

    /// The site's limits, and how many readings lie beyond them, whether used or not. A limit of a column that
    /// the log doesn't hold counts no readings.
    pub fn limit_counts(&self) -> Vec<LimitCount> {
        let table = self.table();
        self.site
            .limits
            .iter()
            .map(|(column, limit)| {
                let values = table
                    .series(column)
                    .map(|series| series.values.clone())
                    .unwrap_or_default();
                let count = |beyond: &dyn Fn(f64) -> bool| {
                    values.iter().filter(|value| beyond(**value)).count()
                };
                LimitCount {
                    column: column.clone(),
                    low: limit.low.map(|low| limit.unit.from_canonical(low)),
                    high: limit.high.map(|high| limit.unit.from_canonical(high)),
                    unit: limit.unit,
                    below: count(&|value| limit.low.is_some_and(|low| value < low)),
                    above: count(&|value| limit.high.is_some_and(|high| value > high)),
                    readings: count(&|value| !value.is_nan()),
                }
            })
            .collect()
    }

    /// The method in words: what was chosen, and its source.
    pub fn method(&self) -> Vec<(&'static str, String)> {
        let settings = &self.site.normalise;
        let salt = match &self.site.salt_temperature {
            Some(law) => law.describe(),
            None => "as permeate flow (the site file gives no law of its own)".to_owned(),
        };
        let mut method = vec![
            ("method", METHOD.to_owned()),
            ("temperature_law", self.site.temperature.describe()),
            ("salt_temperature_law", salt),
            (
                "osmotic_pressure",
                self.site.salinity.basis.describe().to_owned(),
            ),
            (
                "mean_feed_tds",
                "log-mean along the feed side: Cf · ln[1/(1 − Y)]/Y (ASTM D4516, from memory)"
                    .to_owned(),
            ),
            (
                "differential_pressure",
                format!(
                    "flow exponent {}, viscosity power {} (default 1.7 and 0.3: Schock and Miquel 1987, from memory)",
                    settings.differential_pressure_flow_exponent,
                    settings.differential_pressure_viscosity_power
                ),
            ),
            ("reference", self.baseline.rule.clone()),
        ];
        if settings.stages_together && self.site.stages.len() > 1 {
            method.push((
                "stages",
                "taken together as one (ASTM D4516 has each brine-staged stage by itself)"
                    .to_owned(),
            ));
        }
        if self.site.recycle {
            method.push((
                "recycle",
                "readings are taken at the membranes' inlet, after the recycle joins the feed"
                    .to_owned(),
            ));
        }
        method
    }

    /// The conditions of a row, and what follows from them, where it was used.
    pub(crate) fn permeate_flow(&self, row: usize) -> f64 {
        self.inputs.permeate_flow.at(row)
    }
}
