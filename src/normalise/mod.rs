//! Like for like: every reading as if taken at the reference's temperature, pressure, salinity and recovery.
//!
//! By the standard practice (ASTM D4516) and what surrounds it. The equations stand in the modules, one
//! each; [`normalise`] runs them over a log.

pub mod differential_pressure;
pub mod driving_pressure;
pub(crate) mod inputs;
mod kernel;
mod outputs;
pub mod permeate_flow;
pub mod reading;
pub mod salt_passage;
pub mod temperature;

use crate::baseline::{Baseline, stage_of};
use crate::error::{Error, Fault};
use crate::log::{Column, Log};
use crate::screen::Reasons;
use crate::site::Site;
use crate::stats::median;
use crate::table::{Group, Series, Table};
use crate::uncertainty::{ErrorModel, OfReference};
use crate::units::{Quantity, Unit};
use crate::water::viscosity;
use inputs::Inputs;
pub(crate) use kernel::Prepared;
use kernel::{Run, run};
use outputs::{For, unit_of};
use reading::{Conditions, Model};

pub use differential_pressure::normalised_differential_pressure;
pub use driving_pressure::{log_mean_factor, net_driving_pressure};
pub use inputs::{Analysis, Origin, Provenance};
pub use outputs::Output;
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
    pub(crate) inputs: Inputs,
    /// What each row's train and stage is worked out with, in the order of the groups.
    pub(crate) prepared: Vec<Prepared>,
    /// The outputs there are.
    pub(crate) outputs: Vec<Output>,
    /// What the readings may be off by; `None` where the site file tells nothing of it.
    pub(crate) errors: Option<ErrorModel>,
}

/// Normalises a log.
///
/// `baseline`: from [`Baseline::find`] of this log or an earlier one of the same unit.
///
/// Where calibrations of the site file say what they found ([`crate::site::Certificate`]), readings between two of them are corrected by the
/// middle of both (JCGM 100:2008, 3.2.3); the provenance of an input says from when to when, and the log stays as it was read.
///
/// # Errors
/// [`Error::MissingColumn`] where an input is neither measured, derivable nor assumed; [`Error::Method`] where the
/// baseline was made by another method; [`Error::Baseline`] where it lacks a train or stage of the log.
///
/// ```
/// use brinemark::{Analysis, Baseline, Site, log::{ReadOptions, read_log}, normalise::normalise};
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
/// let log = read_log(&path, &ReadOptions::default())?;
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
    let models = groups
        .iter()
        .map(|group| Model::of_analyses(site, stage_of(group, site), analyses))
        .collect::<Result<Vec<Model>, Error>>()?;
    let mut prepared = groups
        .iter()
        .zip(models)
        .map(|(group, model)| {
            let reference = baseline.of(group).ok_or_else(|| {
                Fault::new(
                    format!("the baseline has no reference for {group}"),
                    "make it from a log that holds it",
                )
            })?;
            let conditions = reference.conditions();
            if analyses.contains(&Analysis::MembraneModel) && reference.membrane.is_none() {
                return Err(Fault::new(
                    format!("the baseline has no membrane for {group}"),
                    "make it with the analysis membrane_model among those asked for",
                ));
            }
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
                errors: None,
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
            For::Model => analyses.contains(&Analysis::MembraneModel),
        })
        .collect();
    let errors = ErrorModel::new(site, &inputs);
    if let Some(errors) = &errors {
        for group in &mut prepared {
            let at_reference = group.leaning_at(errors, &group.conditions, &wanted);
            let slopes = at_reference.iter().map(|output| output.slopes).collect();
            group.errors = OfReference::new(errors, &group.reference, slopes);
        }
    }
    let (columns, reasons) = run(Run {
        inputs: &inputs,
        times: &log.table.time,
        groups: &rows,
        prepared: &prepared,
        wanted: &wanted,
        errors: errors.as_ref(),
    });
    let mut series = inputs.derived.clone();
    // Each output, and beside it its standard uncertainty.
    for (at, output) in wanted.iter().enumerate() {
        let unit = unit_of(*output, log);
        series.push(Series {
            name: output.name().to_owned(),
            unit,
            values: columns[at].clone(),
        });
        if let Some(uncertainty) = columns.get(wanted.len() + at) {
            series.push(Series {
                name: format!("{}_u", output.name()),
                unit,
                values: uncertainty.clone(),
            });
        }
    }
    Ok(Normalised {
        log: log.clone(),
        site: site.clone(),
        baseline: baseline.clone(),
        analyses: analyses.to_vec(),
        provenance: inputs.provenance.clone(),
        series,
        reasons,
        inputs,
        prepared,
        outputs: wanted,
        errors,
    })
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

    /// Each train and stage with its rows, in the order of `prepared`.
    pub(crate) fn rows_of_groups(&self) -> Vec<(Group, Vec<usize>)> {
        let (groups, codes) = self.log.table.groups();
        let mut found: Vec<(Group, Vec<usize>)> = groups
            .into_iter()
            .map(|group| (group, Vec::new()))
            .collect();
        for (row, code) in codes.into_iter().enumerate() {
            found[code as usize].1.push(row);
        }
        found
    }

    /// The medians of the conditions of some rows; what is missing is passed over.
    pub(crate) fn typical(&self, rows: &[usize]) -> Conditions {
        let of = |figure: fn(&Conditions) -> f64| {
            let figures = rows.iter().map(|row| figure(&self.inputs.conditions(*row)));
            median(
                &mut figures
                    .filter(|figure| !figure.is_nan())
                    .collect::<Vec<f64>>(),
            )
        };
        Conditions {
            temperature: of(|at| at.temperature),
            feed_pressure: of(|at| at.feed_pressure),
            differential_pressure: of(|at| at.differential_pressure),
            permeate_pressure: of(|at| at.permeate_pressure),
            permeate_flow: of(|at| at.permeate_flow),
            feed_flow: of(|at| at.feed_flow),
            recycle_flow: of(|at| at.recycle_flow),
            feed_tds: of(|at| at.feed_tds),
            permeate_tds: of(|at| at.permeate_tds),
        }
    }

    /// The units in which the log shows temperature, pressure and permeate flow.
    pub(crate) fn shown_units(&self) -> [&'static Unit; 3] {
        let temperature = self.log.get(Column::FeedTemperature);
        [
            temperature.map_or(Quantity::Temperature.canonical(), |series| series.unit),
            unit_of(Output::NetDrivingPressure, &self.log),
            unit_of(Output::NormalisedPermeateFlow, &self.log),
        ]
    }

    /// The conditions of a row, and what follows from them, where it was used.
    pub(crate) fn permeate_flow(&self, row: usize) -> f64 {
        self.inputs.permeate_flow.at(row)
    }
}
