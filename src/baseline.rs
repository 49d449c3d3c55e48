//! The reference: what each train and stage did when its membranes were new.
//!
//! Given the site and the baseline, normalising a reading needs no other reading: so a log may be cut
//! into any pieces without a figure moving.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::error::{Error, Fault, Faults};
use crate::log::Log;
use crate::log::time::{HOUR, show, zone_or_utc};
use crate::membrane::train::Membrane;
use crate::normalise::inputs::{Analysis, Inputs};
use crate::normalise::reading::{Conditions, Model};
use crate::site::{BaselineRule, Design, ReferenceRule, Site};
use crate::stats::median;
use crate::table::Group;

/// The references of a log's trains and stages.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Baseline {
    /// `baseline` or `design`.
    pub kind: String,
    /// How the reference was chosen, in a sentence.
    pub rule: String,
    /// The fingerprint of the method it was made by.
    pub method_hash: String,
    /// One a train and stage.
    pub references: Vec<Reference>,
}

/// The reference of one train and stage, canonical units.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reference {
    /// The train, where the log tells.
    pub train: Option<String>,
    /// The stage, where the log tells.
    pub stage: Option<String>,
    /// First and last reading of the baseline, µs since 1970 UTC; none for a design.
    pub span_us: Option<(i64, i64)>,
    /// Readings in it.
    pub rows: u64,
    /// Temperature, degC.
    pub feed_temperature: f64,
    /// Feed pressure, bar.
    pub feed_pressure: f64,
    /// Differential pressure, bar.
    pub differential_pressure: f64,
    /// Permeate pressure, bar.
    pub permeate_pressure: f64,
    /// Permeate flow, m3/h.
    pub permeate_flow: f64,
    /// Feed flow, m3/h.
    pub feed_flow: f64,
    /// Concentrate returned, m3/h.
    pub recycle_flow: f64,
    /// Salt in the feed, mg/L.
    pub feed_tds: f64,
    /// Salt in the permeate, mg/L.
    pub permeate_tds: f64,
    /// Normalised permeate flow when new, m3/h.
    pub normalised_permeate_flow: f64,
    /// Normalised salt passage when new.
    pub normalised_salt_passage: f64,
    /// Normalised salt passage at normalised flow, when new.
    pub normalised_salt_passage_at_normalised_flow: f64,
    /// Normalised differential pressure when new, bar.
    pub normalised_differential_pressure: f64,
    /// The membrane behind the readings when new, where the membrane model was asked for.
    #[serde(default)]
    pub membrane: Option<Membrane>,
}

impl Reference {
    /// Its conditions.
    pub fn conditions(&self) -> Conditions {
        Conditions {
            temperature: self.feed_temperature,
            feed_pressure: self.feed_pressure,
            differential_pressure: self.differential_pressure,
            permeate_pressure: self.permeate_pressure,
            permeate_flow: self.permeate_flow,
            feed_flow: self.feed_flow,
            recycle_flow: self.recycle_flow,
            feed_tds: self.feed_tds,
            permeate_tds: self.permeate_tds,
        }
    }

    fn of(group: &Group, conditions: &Conditions) -> Self {
        Self {
            train: group.train.clone(),
            stage: group.stage.clone(),
            span_us: None,
            rows: 0,
            feed_temperature: conditions.temperature,
            feed_pressure: conditions.feed_pressure,
            differential_pressure: conditions.differential_pressure,
            permeate_pressure: conditions.permeate_pressure,
            permeate_flow: conditions.permeate_flow,
            feed_flow: conditions.feed_flow,
            recycle_flow: conditions.recycle_flow,
            feed_tds: conditions.feed_tds,
            permeate_tds: conditions.permeate_tds,
            normalised_permeate_flow: conditions.permeate_flow,
            normalised_salt_passage: f64::NAN,
            normalised_salt_passage_at_normalised_flow: f64::NAN,
            normalised_differential_pressure: conditions.differential_pressure,
            membrane: None,
        }
    }
}

impl Baseline {
    /// Finds the references of a log by the site's rule.
    ///
    /// # Errors
    /// [`Error::MissingColumn`] where an input is missing; [`Error::Baseline`] where a train or stage has
    /// too few usable readings, with what would be enough.
    pub fn find(log: &Log, site: &Site, analyses: &[Analysis]) -> Result<Self, Error> {
        let inputs = Inputs::find(log, site, analyses)?;
        let (groups, rows) = log.table.groups();
        let models = groups
            .iter()
            .map(|group| Model::of_analyses(site, stage_of(group, site), analyses))
            .collect::<Result<Vec<Model>, Error>>()?;
        let mut faults = Faults::default();
        let (kind, rule, references) = match &site.reference {
            ReferenceRule::Design(design) => {
                let found = groups
                    .iter()
                    .zip(&models)
                    .map(|(group, model)| of_design(group, design, model, &mut faults))
                    .collect();
                (
                    "design",
                    "the design conditions of the site file".to_owned(),
                    found,
                )
            }
            ReferenceRule::Baseline(rule) => {
                let mut of_group = vec![Vec::new(); groups.len()];
                for (row, group) in rows.iter().enumerate() {
                    of_group[*group as usize].push(row);
                }
                let found: Vec<Result<Reference, Fault>> = groups
                    .par_iter()
                    .zip(&of_group)
                    .zip(&models)
                    .map(|((group, rows), model)| of_period(log, model, &inputs, group, rows, rule))
                    .collect();
                let found = found
                    .into_iter()
                    .map(|found| found.map_err(|fault| faults.push(fault)).ok())
                    .collect();
                ("baseline", describe(rule), found)
            }
        };
        faults.into_result(Error::Baseline)?;
        let references: Vec<Option<Reference>> = references;
        Ok(Self {
            kind: kind.to_owned(),
            rule,
            method_hash: site.method_hash(),
            references: references.into_iter().flatten().collect(),
        })
    }

    /// The reference of a train and stage.
    pub fn of(&self, group: &Group) -> Option<&Reference> {
        self.references
            .iter()
            .find(|found| found.train == group.train && found.stage == group.stage)
    }

    /// As JSON, to be kept beside the log.
    pub fn to_json(&self) -> String {
        serde_json::to_string_pretty(self).unwrap_or_default()
    }

    /// From JSON, its own or that of a start-up record ([`crate::start_up`]), which holds one.
    ///
    /// # Errors
    /// [`Error::Baseline`] where it is neither.
    pub fn from_json(text: &str) -> Result<Self, Error> {
        #[derive(Deserialize)]
        struct Record {
            baseline: Baseline,
        }
        if let Ok(record) = serde_json::from_str::<Record>(text) {
            return Ok(record.baseline);
        }
        serde_json::from_str(text).map_err(|cause| {
            Error::Baseline(
                Fault::new(format!("not a baseline: {cause}"), "what to_json() wrote").into(),
            )
        })
    }
}

/// The stage of a group, counted from 0; labels were checked when the inputs were found.
pub(crate) fn stage_of(group: &Group, site: &Site) -> Option<usize> {
    match &group.stage {
        Some(stage) => stage.parse::<usize>().ok().map(|n| n - 1),
        None if site.stages.len() == 1 => Some(0),
        None => None,
    }
}

fn describe(rule: &BaselineRule) -> String {
    let start = match rule.start_us {
        Some(_) => "the start the site file gives",
        None => "the first running reading of each train and stage",
    };
    format!(
        "median of the usable readings from {} h to {} h after {start}, at least {} of them",
        rule.stabilise_h,
        rule.stabilise_h + rule.period_h,
        rule.minimum_readings
    )
}

fn of_design(
    group: &Group,
    design: &Design,
    model: &Model,
    faults: &mut Faults,
) -> Option<Reference> {
    let conditions = Conditions {
        temperature: design.feed_temperature,
        feed_pressure: design.feed_pressure,
        differential_pressure: design.differential_pressure,
        permeate_pressure: design.permeate_pressure,
        permeate_flow: design.permeate_flow,
        feed_flow: design.permeate_flow / design.recovery,
        recycle_flow: design.recycle_flow,
        feed_tds: design.feed_tds,
        permeate_tds: design.permeate_tds,
    };
    match model.state(&conditions) {
        Ok(state) => {
            let figures = model.figures(&conditions, &state, &conditions, &state);
            let membrane = model.membrane(&conditions, &state);
            if membrane.is_some_and(|membrane| membrane.water_permeability.is_nan()) {
                faults.push(
                    Fault::new(
                        "no membrane of the model gives the design's flow, salt and pressure",
                        "check them, or leave the analysis membrane_model out",
                    )
                    .at_column("[reference]"),
                );
                return None;
            }
            Some(Reference {
                membrane,
                normalised_salt_passage: figures.salt_passage,
                normalised_salt_passage_at_normalised_flow: figures.salt_passage_at_normalised_flow,
                ..Reference::of(group, &conditions)
            })
        }
        Err(reasons) => {
            faults.push(
                Fault::new(
                    format!("the design conditions can't be met: {}", reasons.words()),
                    "check them",
                )
                .at_column("[reference]"),
            );
            None
        }
    }
}

fn of_period(
    log: &Log,
    model: &Model,
    inputs: &Inputs,
    group: &Group,
    rows: &[usize],
    rule: &BaselineRule,
) -> Result<Reference, Fault> {
    let time = &log.table.time;
    let zone = zone_or_utc(&log.table.zone);
    let place = || format!("[reference] of {group}");
    let state = |row: usize| {
        if !inputs.set_aside(row).is_empty() {
            return None;
        }
        let conditions = inputs.conditions(row);
        model
            .state(&conditions)
            .ok()
            .map(|state| (conditions, state))
    };
    let start = rule.start_us.or_else(|| {
        // Running, or without that column making water.
        rows.iter()
            .find(|row| inputs.is_running(**row) && inputs.permeate_flow.at(**row) > 0.0)
            .map(|row| time[*row])
    });
    let Some(start) = start else {
        return Err(Fault::new(
            "no running reading",
            "the log must hold the start-up, or give kind = \"design\"",
        )
        .at_column(place()));
    };
    let from = start.saturating_add((rule.stabilise_h * HOUR) as i64);
    let to = from.saturating_add((rule.period_h * HOUR) as i64);
    let usable: Vec<(usize, _)> = rows
        .iter()
        .filter(|row| (from..=to).contains(&time[**row]))
        .filter_map(|row| state(*row).map(|state| (*row, state)))
        .collect();
    if usable.len() < rule.minimum_readings as usize {
        // Say what would be enough, so that the site file is mended at once.
        let enough = rows
            .iter()
            .filter(|row| time[**row] >= from && state(**row).is_some())
            .nth(rule.minimum_readings as usize - 1);
        let remedy = match enough {
            Some(row) => {
                let days = (time[*row].saturating_sub(from) as f64 / HOUR / 24.0).ceil();
                format!("period = \"{days} d\" would hold {}", rule.minimum_readings)
            }
            None => "the log has fewer in all: lower minimum_readings, or give kind = \"design\""
                .to_owned(),
        };
        return Err(Fault::new(
            format!(
                "{} usable readings from {} to {}, where minimum_readings is {}",
                usable.len(),
                show(from, &zone),
                show(to, &zone),
                rule.minimum_readings
            ),
            remedy,
        )
        .at_column(place()));
    }
    let of = |figure: &dyn Fn(&Conditions) -> f64| {
        median(
            &mut usable
                .iter()
                .map(|(_, (conditions, _))| figure(conditions))
                .collect::<Vec<f64>>(),
        )
    };
    let conditions = Conditions {
        temperature: of(&|at| at.temperature),
        feed_pressure: of(&|at| at.feed_pressure),
        differential_pressure: of(&|at| at.differential_pressure),
        permeate_pressure: of(&|at| at.permeate_pressure),
        permeate_flow: of(&|at| at.permeate_flow),
        feed_flow: of(&|at| at.feed_flow),
        recycle_flow: of(&|at| at.recycle_flow),
        feed_tds: of(&|at| at.feed_tds),
        permeate_tds: of(&|at| at.permeate_tds),
    };
    let reference_state = model.state(&conditions).map_err(|reasons| {
        Fault::new(
            format!("the medians of the baseline can't be: {}", reasons.words()),
            "check the readings in it",
        )
        .at_column(place())
    })?;
    // Changes are counted from the median of the normalised figures, not from the figures of the medians.
    let (mut flows, mut salts, mut others, mut drops) = (vec![], vec![], vec![], vec![]);
    let membranes: Vec<Membrane> = usable
        .iter()
        .filter_map(|(_, (at, state))| model.membrane(at, state))
        .filter(|membrane| membrane.water_permeability > 0.0)
        .collect();
    let of_membranes = |figure: &dyn Fn(&Membrane) -> f64| {
        median(&mut membranes.iter().map(figure).collect::<Vec<f64>>())
    };
    let membrane = (!membranes.is_empty()).then(|| Membrane {
        water_permeability: of_membranes(&|membrane| membrane.water_permeability),
        salt_permeability: of_membranes(&|membrane| membrane.salt_permeability),
        spacer_friction: of_membranes(&|membrane| membrane.spacer_friction),
    });
    for (_, (at, state)) in &usable {
        let figures = model.figures(at, state, &conditions, &reference_state);
        flows.push(figures.permeate_flow);
        salts.push(figures.salt_passage);
        others.push(figures.salt_passage_at_normalised_flow);
        drops.push(figures.differential_pressure);
    }
    let first = usable.first().map_or(from, |(row, _)| time[*row]);
    let last = usable.last().map_or(to, |(row, _)| time[*row]);
    Ok(Reference {
        span_us: Some((first, last)),
        rows: usable.len() as u64,
        normalised_permeate_flow: median(&mut flows),
        normalised_salt_passage: median(&mut salts),
        normalised_salt_passage_at_normalised_flow: median(&mut others),
        normalised_differential_pressure: median(&mut drops),
        membrane,
        ..Reference::of(group, &conditions)
    })
}
