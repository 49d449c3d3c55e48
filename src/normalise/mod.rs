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

use rayon::prelude::*;

use crate::baseline::{Baseline, Reference, stage_of};
use crate::buffer::{Values, fill_columns};
use crate::error::{Error, Fault};
use crate::log::{Column, Log};
use crate::screen::Reasons;
use crate::site::Site;
use crate::table::{Series, Table};
use crate::units::{Quantity, Unit};
use crate::water::viscosity;
use inputs::Inputs;
use reading::{Conditions, Figures, Model, State};

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
        values,
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

/// Readings worked out at a time: their figures fit a processor's nearest cache.
const BLOCK: usize = 64;

/// Runs the kernel over all rows, some thousands to a thread.
fn run(
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
