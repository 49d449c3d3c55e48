//! The guaranteed figures by the contract's own method, at the contract's own conditions.

use std::collections::BTreeMap;

use super::case::Case;
use super::terms::{Guarantee, Method, Promise, Stated, Terms};
use crate::assess::{Estimate, daily};
use crate::baseline::Baseline;
use crate::error::{Error, Fault};
use crate::log::time::HOUR;
use crate::log::{Column, Log};
use crate::membrane::operate::{Drain, Drive, Operation};
use crate::membrane::train::{Membrane, Train};
use crate::normalise::inputs::Analysis;
use crate::normalise::reading::{Conditions, Model};
use crate::normalise::{Normalised, Output, normalise};
use crate::screen::Reasons;
use crate::site::{Design, ReferenceRule, Site};
use crate::stats::{median, median_interval};
use crate::trend::points::DAY_US;
use crate::units::Unit;
use statrs::distribution::{ContinuousCDF, Normal};

/// How a guaranteed figure by the contract's own method is made.
const METHOD: &str = "median of daily medians over the last days, at the contract's conditions by the contract's own method, together with what instruments and assumptions may be off by (JCGM 100)";

/// The stated conditions as a reference, on the water of a site.
pub(super) fn design(stated: &Stated, site: &Site) -> Result<Design, Error> {
    let fault = |fault: Fault| Error::Terms(fault.at_column("[conditions]").into());
    let mut design = Design {
        permeate_flow: stated.permeate_flow,
        feed_temperature: stated.feed_temperature,
        feed_pressure: stated.feed_pressure.unwrap_or(f64::NAN),
        differential_pressure: stated.differential_pressure,
        permeate_pressure: stated.permeate_pressure,
        feed_tds: stated.feed_tds,
        permeate_tds: stated.permeate_tds,
        recovery: stated.recovery,
        recycle_flow: stated.recycle_flow,
    };
    let conditions = |feed_pressure: f64| Conditions {
        temperature: stated.feed_temperature,
        feed_pressure,
        differential_pressure: stated.differential_pressure,
        permeate_pressure: stated.permeate_pressure,
        permeate_flow: stated.permeate_flow,
        feed_flow: stated.permeate_flow / stated.recovery,
        recycle_flow: stated.recycle_flow,
        feed_tds: stated.feed_tds,
        permeate_tds: stated.permeate_tds,
    };
    let model = Model::new(site, None);
    if let Some(net) = stated.net_driving_pressure {
        // Net driving pressure rises as feed pressure does, bar by bar.
        let tried = 1000.0;
        let state = model.state(&conditions(tried)).map_err(|reasons| {
            fault(Fault::new(
                format!("can't be: {}", reasons.words()),
                "check them",
            ))
        })?;
        design.feed_pressure = tried + net - state.net_driving_pressure;
    }
    model
        .state(&conditions(design.feed_pressure))
        .map_err(|reasons| {
            fault(Fault::new(
                format!("can't be: {}", reasons.words()),
                "check them",
            ))
        })?;
    if site.recycle && !(stated.recycle_flow > 0.0) {
        return Err(fault(Fault::new(
            "the unit returns concentrate ahead of its membranes",
            "add recycle_flow = \"2 m3/h\"",
        )));
    }
    Ok(design)
}

/// The log with salt by conductivity alone, as the contract has it.
fn by_conductivity(log: &Log) -> Result<Log, Error> {
    let mut log = log.clone();
    for (tds, conductivity) in [
        (Column::FeedTds, Column::FeedConductivity),
        (Column::PermeateTds, Column::PermeateConductivity),
    ] {
        if log.get(conductivity).is_none() {
            return Err(Error::Terms(
                Fault::new(
                    format!("the log has no {}", conductivity.name()),
                    "a log with it, or leave out this section",
                )
                .at_column("[guarantee.tds_per_conductivity]")
                .into(),
            ));
        }
        log.table.series.retain(|series| series.name != tds.name());
    }
    Ok(log)
}

/// Whether the log has stages apart of a unit of several: then no row is of the train.
fn is_of_stages(result: &Normalised) -> bool {
    result.site.stages.len() > 1 && result.log.table.labels[1].is_some()
}

/// The log normalised as the contract has it; `None` where nothing is guaranteed, or the log has stages apart.
pub(super) fn normalised(result: &Normalised, terms: &Terms) -> Result<Option<Normalised>, Error> {
    let Some(guarantee) = terms.guarantee.as_ref().filter(|_| !is_of_stages(result)) else {
        return Ok(None);
    };
    let mut site = result.site.clone();
    if let Some(law) = &guarantee.law {
        // What was agreed on is not off by anything.
        site.temperature = law.clone();
        site.temperature_accuracy_k = None;
        site.salt_temperature = guarantee.salt_law.clone();
        site.salt_temperature_accuracy_k = None;
    }
    let mut log = result.log.clone();
    if let Some(agreed) = guarantee.tds_per_conductivity {
        log = by_conductivity(&log)?;
        site.salinity.tds_per_conductivity = agreed;
    }
    let design = design(&guarantee.conditions, &site)?;
    let mut analyses = of_train(result);
    match guarantee.method {
        Method::PressureOnly if guarantee.tds_per_conductivity.is_none() => {
            return Ok(Some(result.clone()));
        }
        Method::PressureOnly => {}
        Method::StandardPractice => site.reference = ReferenceRule::Design(design),
        Method::MembraneModel => analyses.push(Analysis::MembraneModel),
    }
    let baseline = Baseline::find(&log, &site, &analyses)?;
    normalise(&log, &site, &baseline, &analyses).map(Some)
}

/// What of flow and salt the result holds.
pub(super) fn of_train(result: &Normalised) -> Vec<Analysis> {
    [Analysis::PermeateFlow, Analysis::SaltPassage]
        .into_iter()
        .filter(|analysis| {
            result.analyses.contains(analysis)
                || (result.analyses.contains(&Analysis::MembraneModel)
                    && result.log.get(Column::PermeateFlow).is_some())
        })
        .collect()
}

/// A guaranteed figure as it was found.
pub(super) struct Found {
    /// The figure, canonical.
    pub value: f64,
    /// Standard uncertainty of its logarithm.
    pub u: f64,
    /// Days with readings it stands on.
    pub days: usize,
    /// Readings.
    pub rows: Vec<usize>,
    /// Of the readings it stands on, the middle of their times, µs since 1970 UTC.
    pub middle_us: i64,
    /// Of the readings it stands on, the median temperature, degC.
    pub temperature: f64,
}

impl Found {
    /// As an estimate in a unit.
    pub fn estimate(&self, level: f64, unit: &'static Unit) -> Estimate {
        let wide = Normal::standard().inverse_cdf(0.5 + 0.5 * level) * self.u;
        let shown = |canonical: f64| unit.from_canonical(canonical);
        Estimate {
            value: shown(self.value),
            low: shown(self.value * (-wide).exp()),
            high: shown(self.value * wide.exp()),
            level,
            unit: unit.word,
            n: self.days,
            method: METHOD,
            budget: None,
        }
    }
}

/// A guaranteed figure over the days before a time; `None` where no reading was used. Its `u` is NaN of fewer than four days.
pub(super) fn found(
    case: &Case<'_>,
    guarantee: &Guarantee,
    contract: &Normalised,
    salt: bool,
    until_us: i64,
) -> Option<Found> {
    let from = until_us.saturating_sub((guarantee.over_h * HOUR) as i64);
    let from = from.max(case.cohort_us().saturating_sub(1));
    let rows: Vec<usize> = case
        .rows
        .iter()
        .copied()
        .filter(|row| {
            let time = case.time(*row);
            time > from
                && time <= until_us
                && (contract.reasons[*row] - Reasons::OF_ONE_FIGURE).is_empty()
        })
        .collect();
    let typical = contract.typical(&rows);
    let figures = Figures {
        case,
        guarantee,
        contract,
        rows: &rows,
        typical,
    };
    let (value, u, days) = match (guarantee.method, salt) {
        (Method::StandardPractice, false) => figures.of_output(Output::NormalisedPermeateFlow)?,
        (Method::StandardPractice, true) => figures.of_output(if guarantee.at_stated_flow {
            Output::NormalisedSaltPassage
        } else {
            Output::NormalisedSaltPassageAtNormalisedFlow
        })?,
        (Method::PressureOnly, false) => figures.of_pressures()?,
        (Method::PressureOnly, true) => figures.of_output(Output::SaltPassage)?,
        (Method::MembraneModel, _) => figures.of_membranes(salt)?,
    };
    let middle = median(
        &mut rows
            .iter()
            .map(|row| case.time(*row) as f64)
            .collect::<Vec<_>>(),
    );
    Some(Found {
        value,
        u,
        days,
        middle_us: middle as i64,
        temperature: typical.temperature,
        rows,
    })
}

struct Figures<'a> {
    case: &'a Case<'a>,
    guarantee: &'a Guarantee,
    contract: &'a Normalised,
    rows: &'a [usize],
    typical: Conditions,
}

impl Figures<'_> {
    /// The median of the days' medians, the standard uncertainty of its logarithm by what scatters, and the days.
    fn middle(&self, figure: &dyn Fn(usize) -> f64) -> Option<(f64, f64, usize)> {
        let day_of = |row: usize| self.case.time(row).div_euclid(DAY_US);
        let days = daily(self.rows, &day_of, &|row| figure(row).ln());
        if days.is_empty() {
            return None;
        }
        let level = self.case.settings.level;
        let found = median_interval(&days, level);
        let wide = 2.0 * Normal::standard().inverse_cdf(0.5 + 0.5 * level);
        Some((
            found.median.exp(),
            (found.high - found.low) / wide,
            days.len(),
        ))
    }

    fn series(&self, output: Output) -> Option<&[f64]> {
        let found = self
            .contract
            .series
            .iter()
            .find(|series| series.name == output.name())?;
        Some(&found.values)
    }

    /// What instruments and assumptions make of a figure, as a share of it; 0 where nothing is known of them.
    fn off_by(&self, output: Output) -> f64 {
        let at = |time_us: i64| {
            self.contract
                .variances(self.case.at, &self.typical, time_us, output, true)
                .map_or(0.0, |(value, variances)| {
                    variances.iter().sum::<f64>().sqrt() / value
                })
        };
        // What is known of an instrument may end within the window: the less known counts.
        self.at_ends(&|row| at(self.case.time(row)))
    }

    /// The larger of what holds at the first reading and at the last.
    fn at_ends(&self, of: &dyn Fn(usize) -> f64) -> f64 {
        let ends = [self.rows.first(), self.rows.last()];
        ends.into_iter()
            .flatten()
            .map(|row| of(*row))
            .fold(0.0, f64::max)
    }

    fn of_output(&self, output: Output) -> Option<(f64, f64, usize)> {
        let series = self.series(output)?;
        let (value, scatter, days) = self.middle(&|row| series[row])?;
        Some((value, scatter.hypot(self.off_by(output)), days))
    }

    /// Q · (Pf − Pp at the stated conditions)/(Pf − Pp).
    fn of_pressures(&self) -> Option<(f64, f64, usize)> {
        let design = design(&self.guarantee.conditions, &self.contract.site).ok()?;
        let stated = design.feed_pressure - design.permeate_pressure;
        let inputs = &self.contract.inputs;
        let (value, scatter, days) = self.middle(&|row| {
            let at = inputs.conditions(row);
            at.permeate_flow * stated / (at.feed_pressure - at.permeate_pressure)
        })?;
        let of = |column: Column, reading: f64| {
            self.at_ends(&|row| self.case.off_by(column, row, reading))
        };
        let at = &self.typical;
        let driving = at.feed_pressure - at.permeate_pressure;
        let off_by = (of(Column::PermeateFlow, at.permeate_flow) / at.permeate_flow)
            .hypot(of(Column::FeedPressure, at.feed_pressure) / driving)
            .hypot(of(Column::PermeatePressure, at.permeate_pressure) / driving);
        Some((value, scatter.hypot(off_by), days))
    }

    /// What the membranes of these days would make at the stated conditions, by the membrane model.
    fn of_membranes(&self, salt: bool) -> Option<(f64, f64, usize)> {
        let of = |output: Output| {
            let series = self.series(output)?;
            self.middle(&|row| series[row])
        };
        let (water, water_scatter, days) = of(Output::ElementWaterPermeability)?;
        let (passes, salt_scatter, _) = of(Output::ElementSaltPermeability)?;
        let (friction, ..) = of(Output::SpacerFriction)?;
        let now = Membrane {
            water_permeability: water,
            salt_permeability: passes,
            spacer_friction: friction,
        };
        const STEP: f64 = 1e-4;
        let moved = [
            now,
            Membrane {
                water_permeability: water * (1.0 + STEP),
                ..now
            },
            Membrane {
                salt_permeability: passes * (1.0 + STEP),
                ..now
            },
        ];
        let stated = &self.guarantee.conditions;
        let design = design(stated, &self.contract.site).ok()?;
        let work = Operation {
            temperature: stated.feed_temperature,
            feed_tds: stated.feed_tds,
            permeate_pressure: stated.permeate_pressure,
            recycle_flow: stated.recycle_flow,
            drain: Drain::Recovery,
            drain_value: stated.recovery,
            drive: Drive::FeedPressure,
            drive_value: design.feed_pressure,
        };
        let stage = crate::baseline::stage_of(&self.case.group, &self.contract.site);
        let train = Train::new(&self.contract.site, stage).ok()?;
        let made = train.work(&moved, &[work; 3]).ok()?;
        let figure = |at: usize| {
            if salt {
                made[at].permeate_tds / stated.feed_tds
            } else {
                made[at].permeate_flow
            }
        };
        let by = |at: usize| (figure(at) / figure(0)).ln() / STEP;
        let (of_water, of_salt) = (
            water_scatter.hypot(self.off_by(Output::ElementWaterPermeability)),
            salt_scatter.hypot(self.off_by(Output::ElementSaltPermeability)),
        );
        let u = (by(1) * of_water).hypot(by(2) * of_salt);
        Some((figure(0), u, days)).filter(|(value, ..)| value.is_finite())
    }
}

/// The contract's method in words.
pub(super) fn method_words(guarantee: &Guarantee, salt: bool) -> String {
    let of_salt = guarantee.salt_law.as_ref().filter(|_| salt);
    let law = of_salt
        .or(guarantee.law.as_ref())
        .map_or(String::new(), |law| {
            // A law says whose figures it has; here they are the contract's.
            format!(
                ", temperature law: {}",
                law.describe().replace("the site file", "the terms")
            )
        });
    let by_conductivity = guarantee
        .tds_per_conductivity
        .filter(|_| salt || guarantee.method != Method::PressureOnly)
        .map_or("", |_| ", salt by conductivity as the terms have it");
    let method = match guarantee.method {
        Method::StandardPractice => format!("by the standard practice (ASTM D4516{law})"),
        Method::MembraneModel => format!("by the membrane model{law}"),
        Method::PressureOnly => {
            "in proportion to feed less permeate pressure, whatever temperature and salt".to_owned()
        }
    };
    method + by_conductivity
}

/// When the figure first showed the promise broken at the stated risk, week by week, µs since 1970 UTC.
pub(super) fn first_broken(
    case: &Case<'_>,
    guarantee: &Guarantee,
    contract: &Normalised,
    broken: &dyn Fn(&Found) -> bool,
    salt: bool,
) -> Option<i64> {
    // One reading a day is enough to place the weeks.
    let days: BTreeMap<i64, i64> = case
        .rows
        .iter()
        .map(|row| (case.time(*row).div_euclid(7 * DAY_US), case.time(*row)))
        .collect();
    days.into_values().find(|until| {
        let span = until.saturating_sub(case.cohort_us()) as f64;
        span >= guarantee.over_h * HOUR
            && found(case, guarantee, contract, salt, *until)
                .is_some_and(|found| found.days as u32 >= guarantee.minimum_days && broken(&found))
    })
}

/// The promise at the age that the membranes had at a time.
pub(super) fn promised_at(case: &Case<'_>, promise: &Promise, time_us: i64) -> (f64, f64) {
    let years = |us: i64| us as f64 / crate::trend::points::YEAR_US;
    let age = years(time_us.saturating_sub(case.aged_from_us())).max(0.0);
    let period = years(case.end_us.saturating_sub(case.start_us));
    (age, promise.at(age, period))
}
