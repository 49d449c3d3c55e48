//! The start-up record: the first day or two of a unit, the baseline they give, and whether that is what the rating promises.
//!
//! Readings are taken from where the unit has settled ([`settle`]); their medians are the baseline ([`Baseline`]), that every
//! later result is held against. What they show is held against the forward model with the membrane of the data sheet, at the
//! readings' own temperature, pressure, salt, concentrate and recycle. Where it deviates, [`causes`] says what that looks like.

pub mod causes;
pub mod settle;
mod told;

use statrs::distribution::{ContinuousCDF, Normal};

use self::causes::{Likely, Pattern, likely};
use self::settle::{Course, Settled, settled};
use crate::assess::Estimate;
use crate::baseline::{Baseline, Reference, stage_of};
use crate::error::{Error, Fault, setting};
use crate::log::{Column, Log};
use crate::membrane::expected::{Doubts, Expected, Figure, reading_u};
use crate::membrane::operate::{Drain, Drive, Operation};
use crate::membrane::train::{Membrane, Train};
use crate::normalise::inputs::{Origin, SaltFrom};
use crate::normalise::{Analysis, Normalised, normalise};
use crate::site::{BaselineRule, ReferenceRule, Site};
use crate::stats::{median, median_interval};
use crate::table::Group;
use crate::units::{Quantity, Unit};

/// How intervals of the record's figures come about.
pub const METHOD: &str = "median of the settled readings; what instruments may be off by (JCGM 100:2008), else scatter alone";

const HOUR_US: f64 = 3.6e9;

/// How a start-up is looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StartUpSettings {
    /// The start-up, µs since 1970 UTC; `None`: as the site file tells, else the first used reading of each train and stage.
    pub start_us: Option<i64>,
    /// How long it is looked at, h: 24 to 48 is usual (common practice, no source).
    pub hours: f64,
    /// How often intervals shall hold the truth.
    pub level: f64,
}

/// How a figure stands beside what is expected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Beside {
    /// Less than can be explained.
    Below,
    /// As expected.
    AsExpected,
    /// More than can be explained.
    Above,
}

/// What becomes of the start-up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// All as expected.
    Accept,
    /// Better than expected, which is worth a look.
    AcceptWithRemark,
    /// Something is not as it should be.
    DoNotAcceptYet,
    /// The site file doesn't tell enough.
    CannotTell,
}

impl Verdict {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Accept => "accept",
            Self::AcceptWithRemark => "accept, with a remark",
            Self::DoNotAcceptYet => "do not accept yet",
            Self::CannotTell => "cannot tell",
        }
    }
}

/// One figure beside what is expected of it, canonical.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// The column: permeate flow, permeate salt, differential pressure.
    pub column: Column,
    /// As read: the median of the settled readings, with what its instruments may be off by.
    pub read: Estimate,
    /// By the rating and the model.
    pub expected: Figure,
    /// How far the one lies from the other, over what can be explained.
    pub apart: f64,
    /// How the one stands beside the other.
    pub beside: Beside,
}

/// The start-up of one train or stage.
#[derive(Debug, Clone, PartialEq)]
pub struct OfGroup {
    /// Which.
    pub group: Group,
    /// From when on it had settled.
    pub settled: Settled,
    /// The reference it gives.
    pub reference: Reference,
    /// Like-for-like figures, by the names of a result's columns, in their own units.
    pub figures: Vec<(String, Estimate)>,
    /// What is expected by the rating, where that is told.
    pub checked: Vec<Checked>,
    /// Why nothing is expected: keys that the site file lacks.
    pub missing: Vec<String>,
    /// What expectations take as exact.
    pub taken_as_exact: Vec<&'static str>,
    /// What becomes of it.
    pub verdict: Verdict,
    /// What its deviations look like, the likeliest first; empty where there are none.
    pub causes: Vec<Likely>,
}

/// The start-up of a unit.
#[derive(Debug, Clone)]
pub struct StartUp {
    /// The baseline, for every later log.
    pub baseline: Baseline,
    /// Each train and stage.
    pub groups: Vec<OfGroup>,
    /// The readings with their figures against that baseline.
    pub result: Normalised,
    /// How it was looked at.
    pub settings: StartUpSettings,
}

/// The record of a start-up from its log, which may go on long after it.
///
/// # Errors
/// [`Error::Range`] for hours outside 1 to 1000 or a level outside 0.5 to 0.999; [`Error::MissingColumn`] as of
/// [`normalise`]; [`Error::Baseline`] where there are too few readings, or the unit had not settled.
pub fn start_up(log: &Log, site: &Site, settings: &StartUpSettings) -> Result<StartUp, Error> {
    setting("hours", settings.hours, (1.0, 1000.0), " h")?;
    setting("level", settings.level, (0.5, 0.999), "")?;
    let rule = match &site.reference {
        ReferenceRule::Baseline(rule) => *rule,
        ReferenceRule::Design(_) => BaselineRule {
            start_us: None,
            stabilise_h: 0.0,
            period_h: settings.hours,
            minimum_readings: settle::LEAST_READINGS,
        },
    };
    let start_us = settings.start_us.or(rule.start_us);
    let with_rule = |from_h: f64, to_h: f64| Site {
        reference: ReferenceRule::Baseline(BaselineRule {
            start_us,
            stabilise_h: from_h,
            period_h: to_h - from_h,
            minimum_readings: settle::LEAST_READINGS,
        }),
        ..site.clone()
    };
    let mut analyses = vec![
        Analysis::PermeateFlow,
        Analysis::SaltPassage,
        Analysis::DifferentialPressure,
    ];
    if Train::new(site, None).is_ok() {
        analyses.push(Analysis::MembraneModel);
    }
    // All of the first hours, to see where they settle.
    let whole = with_rule(0.0, settings.hours);
    let found = Baseline::find(log, &whole, &analyses).or_else(|_| {
        // Where no membrane of the model is behind the first readings the standard practice's figures still are.
        analyses.retain(|analysis| *analysis != Analysis::MembraneModel);
        Baseline::find(log, &whole, &analyses)
    })?;
    let result = normalise(log, &whole, &found, &analyses)?;
    let mut settled_from = Vec::new();
    for (group, rows) in result.rows_of_groups() {
        let course = Course::of(&result, &rows, start_us, settings.hours);
        settled_from.push(settled(&course, &group.to_string())?);
    }
    // One baseline for all, from where the last of them has settled.
    let from_h = settled_from
        .iter()
        .map(|settled| settled.after_h)
        .fold(0.0, f64::max);
    let site = with_rule(from_h, settings.hours);
    let baseline = Baseline::find(log, &site, &analyses)?;
    let result = normalise(log, &site, &baseline, &analyses)?;
    let mut groups = Vec::new();
    for ((group, rows), settled) in result.rows_of_groups().into_iter().zip(settled_from) {
        let Some(reference) = baseline.of(&group).cloned() else {
            continue;
        };
        groups.push(of_group(
            &result, &site, group, &rows, settled, reference, settings,
        )?);
    }
    Ok(StartUp {
        baseline,
        groups,
        result,
        settings: *settings,
    })
}

fn of_group(
    result: &Normalised,
    site: &Site,
    group: Group,
    rows: &[usize],
    settled: Settled,
    reference: Reference,
    settings: &StartUpSettings,
) -> Result<OfGroup, Error> {
    let level = settings.level;
    let within: Vec<usize> = rows
        .iter()
        .copied()
        .filter(|row| {
            let time = result.log.table.time[*row];
            reference
                .span_us
                .is_some_and(|(start, end)| time >= start && time <= end)
                && result.reasons[*row].is_empty()
        })
        .collect();
    let (checked, missing, taken_as_exact) =
        beside_the_rating(result, site, &group, &reference, level)?;
    let known = |column: Column| {
        checked
            .iter()
            .find(|found| found.column == column)
            .map(|found| found.apart)
    };
    let pattern = Pattern {
        flow: known(Column::PermeateFlow),
        salt: known(Column::PermeateTds),
        drop: known(Column::DifferentialPressure),
        flow_rose: settled.flow_rose,
        salt_fell: settled.salt_fell,
    };
    let tolerance_told = site.element.rated_permeate_flow_tolerance.is_some()
        && site.element.rated_rejection_minimum.is_some();
    let verdict = verdict(&checked, tolerance_told);
    let deviates = checked.iter().any(is_bad);
    Ok(OfGroup {
        group,
        settled,
        figures: figures(result, &within, level),
        reference,
        causes: if deviates {
            likely(&pattern)
        } else {
            Vec::new()
        },
        checked,
        missing,
        taken_as_exact,
        verdict,
    })
}

/// Less flow, more salt, or another pressure drop than can be explained is not accepted; without the rating's tolerance
/// nobody can say what can be explained.
fn verdict(checked: &[Checked], tolerance_told: bool) -> Verdict {
    if checked.is_empty() {
        return Verdict::CannotTell;
    }
    if checked.iter().any(is_bad) {
        return if tolerance_told {
            Verdict::DoNotAcceptYet
        } else {
            Verdict::CannotTell
        };
    }
    if checked
        .iter()
        .any(|found| found.beside != Beside::AsExpected)
    {
        Verdict::AcceptWithRemark
    } else {
        Verdict::Accept
    }
}

/// Less salt than expected harms nobody; anything else that can't be explained may.
fn is_bad(found: &Checked) -> bool {
    match found.column {
        Column::PermeateTds => found.beside == Beside::Above,
        _ => found.beside != Beside::AsExpected,
    }
}

/// Like-for-like figures over the settled rows, with intervals: what instruments may be off by where that is told, else scatter.
fn figures(result: &Normalised, rows: &[usize], level: f64) -> Vec<(String, Estimate)> {
    let table = result.table();
    let times = normal_quantile(level);
    [
        "normalised_permeate_flow",
        "normalised_salt_passage",
        "normalised_differential_pressure",
        "element_water_permeability",
        "element_salt_permeability",
        "spacer_friction",
    ]
    .iter()
    .filter_map(|name| {
        let of = |name: &str| -> Option<(Vec<f64>, &'static Unit)> {
            let series = table.series(name).ok()?;
            let values = rows
                .iter()
                .map(|row| series.values[*row])
                .filter(|value| value.is_finite());
            Some((values.collect(), series.unit))
        };
        let (values, unit) = of(name)?;
        if values.is_empty() {
            return None;
        }
        let interval = median_interval(&values, level);
        let value = median(&mut values.clone());
        let scatter = 0.5 * (interval.high - interval.low);
        let off = of(&format!("{name}_u"))
            .map(|(mut values, _)| times * median(&mut values))
            .filter(|off| off.is_finite());
        let half = match off {
            Some(off) => off.max(scatter),
            None => scatter,
        };
        let shown = |canonical: f64| unit.from_canonical(canonical);
        let estimate = Estimate {
            value: shown(value),
            low: shown(value - half),
            high: shown(value + half),
            level,
            unit: unit.word,
            n: values.len(),
            method: METHOD,
            budget: None,
        };
        Some(((*name).to_owned(), estimate))
    })
    .collect()
}

fn normal_quantile(level: f64) -> f64 {
    Normal::standard().inverse_cdf(0.5 + 0.5 * level)
}

type BesideRating = (Vec<Checked>, Vec<String>, Vec<&'static str>);

/// Each figure beside what the data sheet's membrane would make under the readings' own conditions.
fn beside_the_rating(
    result: &Normalised,
    site: &Site,
    group: &Group,
    reference: &Reference,
    level: f64,
) -> Result<BesideRating, Error> {
    let train = Train::new(
        site,
        stage_of(group, site).filter(|_| group.stage.is_some()),
    );
    let rated = Membrane::rated(site);
    let (train, membrane) = match (train, rated) {
        (Ok(train), Ok(membrane)) => (train, membrane),
        (train, rated) => {
            let mut missing: Vec<String> = [train.err(), rated.err()]
                .into_iter()
                .flatten()
                .flat_map(|error| error.faults())
                .map(|fault| fault.column.unwrap_or(fault.problem))
                .collect();
            missing.sort();
            missing.dedup();
            return Ok((Vec::new(), missing, Vec::new()));
        }
    };
    let case = Operation {
        temperature: reference.feed_temperature,
        feed_tds: reference.feed_tds,
        permeate_pressure: reference.permeate_pressure,
        recycle_flow: reference.recycle_flow,
        drain: Drain::ConcentrateFlow,
        drain_value: reference.feed_flow - reference.permeate_flow,
        drive: Drive::FeedPressure,
        drive_value: reference.feed_pressure,
    };
    let doubts = Doubts::of_site(site, &case, true);
    let expected = train.expected(&membrane, &case, &doubts, level)?;
    let mut checked = vec![
        checked(
            Column::PermeateFlow,
            reference.permeate_flow,
            reading_u(site, Column::PermeateFlow, reference.permeate_flow),
            &expected.permeate_flow,
            level,
            reference.rows,
        ),
        checked(
            Column::PermeateTds,
            reference.permeate_tds,
            permeate_salt_u(site, reference.permeate_tds),
            &expected.permeate_tds,
            level,
            reference.rows,
        ),
    ];
    // An assumed pressure drop is no reading.
    if result.inputs.origin(Column::DifferentialPressure) != Some(Origin::Assumed) {
        // What a spacer costs follows from the flows there are, whatever the membranes let through of them.
        let at_these_flows = Operation {
            drive: Drive::PermeateFlow,
            drive_value: reference.permeate_flow,
            ..case
        };
        let made = train.work(&[membrane], &[at_these_flows])?[0];
        let drop_then = made.feed_pressure - made.concentrate_pressure;
        checked.push(drop(site, reference, &expected, drop_then, level));
    }
    checked
        .retain(|found| found.read.value.is_finite() && found.expected.estimate.value.is_finite());
    Ok((checked, Vec::new(), doubts.not_told))
}

/// What the salt of the permeate may be off by: its meter and its rule.
fn permeate_salt_u(site: &Site, tds: f64) -> Option<f64> {
    let (conductivity, rule) = SaltFrom::of_stream(Column::PermeateTds, site);
    match rule {
        Some(rule) => {
            let (at, slope) = rule.measured_and_slope(tds);
            let of_rule = site.salinity.tds_per_conductivity.accuracy.unwrap_or(0.0);
            let meter = reading_u(site, conductivity, at).map(|u| u * slope);
            meter.map(|meter| meter.hypot(of_rule * crate::membrane::expected::EVENLY * tds))
        }
        None => reading_u(site, Column::PermeateTds, tds),
    }
}

/// The pressure drop: by its own gauge, or by two of them.
fn drop(
    site: &Site,
    reference: &Reference,
    expected: &Expected,
    at_these_flows: f64,
    level: f64,
) -> Checked {
    let mut expected = expected.differential_pressure.clone();
    let estimate = &mut expected.estimate;
    let grown = at_these_flows / estimate.value;
    estimate.value *= grown;
    estimate.low *= grown;
    estimate.high *= grown;
    let at = reference.differential_pressure;
    let by_two = || {
        let one = reading_u(site, Column::FeedPressure, reference.feed_pressure)?;
        let other = reading_u(
            site,
            Column::ConcentratePressure,
            reference.feed_pressure - at,
        )?;
        Some(one.hypot(other))
    };
    let u = reading_u(site, Column::DifferentialPressure, at).or_else(by_two);
    checked(
        Column::DifferentialPressure,
        at,
        u,
        &expected,
        level,
        reference.rows,
    )
}

fn checked(
    column: Column,
    value: f64,
    u: Option<f64>,
    expected: &Figure,
    level: f64,
    rows: u64,
) -> Checked {
    let times = normal_quantile(level);
    let off = times * u.unwrap_or(0.0);
    let estimate = &expected.estimate;
    let allowed = (estimate.high - estimate.value).hypot(off);
    let apart = value - estimate.value;
    Checked {
        column,
        read: Estimate {
            value,
            low: value - off,
            high: value + off,
            level,
            unit: column.quantity().canonical().word,
            n: rows as usize,
            method: METHOD,
            budget: None,
        },
        expected: expected.clone(),
        apart: apart / allowed,
        beside: if apart < -allowed {
            Beside::Below
        } else if apart > allowed {
            Beside::Above
        } else {
            Beside::AsExpected
        },
    }
}

/// Refuses a start-up by what is wrong with it.
fn refused(problem: String, remedy: &str) -> Error {
    Error::Baseline(Fault::new(problem, remedy).at_column("start-up").into())
}

/// The unit in which a column of the log is shown, else the site's.
fn unit_shown(result: &Normalised, column: Column) -> &'static Unit {
    let table = &result.log.table;
    let of = |column: Column| table.series(column.name()).ok().map(|series| series.unit);
    let like = || {
        table
            .series
            .iter()
            .find(|series| series.unit.quantity == column.quantity())
            .map(|series| series.unit)
    };
    match column.quantity() {
        Quantity::Concentration => of(column).unwrap_or(result.site.unit_of(column)),
        _ => of(column)
            .or_else(like)
            .unwrap_or(result.site.unit_of(column)),
    }
}
