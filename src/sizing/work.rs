//! The unit through the year: what the membrane model makes of each month, worn and new, and how far off that may be.

use statrs::distribution::{ContinuousCDF, Normal};

use super::demand::{Demand, MONTHS, RunningFlow};
use crate::assess::Estimate;
use crate::error::{Error, Fault};
use crate::membrane::operate::{Drain, Drive, Operation, Working};
use crate::membrane::profile::ElementAtWork;
use crate::membrane::train::{Membrane, Train};
use crate::normalise::temperature::STANDARD_DEGC;
use crate::site::{Site, Stage};
use crate::water::ZERO_CELSIUS_K;

/// How intervals are made.
const WITH_SOURCES: &str = "membrane model; interval by propagation (JCGM 100) of what the site file says its temperature laws, and the demand file its rated flow, may be off by";
/// The same where nothing is told.
const WITHOUT: &str = "membrane model; no interval: neither [temperature] accuracy nor [allowance] rated_flow_tolerance is told";

/// A site and a demand, ready to be worked out for any number of vessels.
pub(super) struct Model<'a> {
    pub site: &'a Site,
    pub demand: &'a Demand,
    /// bar.
    pub limit: f64,
    new: Membrane,
    scenarios: Vec<Scenario>,
    /// Quantile of the normal distribution that ends the interval.
    quantile: f64,
    level: f64,
}

/// What may be off, and by how much: of the constants of the temperature laws, K, and of the rated flow, a share.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Scenario {
    law_k: f64,
    salt_law_k: f64,
    rated_flow: f64,
}

/// How worn the membranes are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wear {
    /// With all of the allowances: the last year, just before a cleaning.
    Worn,
    /// As the rating says.
    New,
}

/// A month of a unit.
#[derive(Debug, Clone, Copy)]
pub(super) struct Point {
    /// At the pressure limit.
    pub at_limit: Working,
    /// As it is set.
    pub set: Working,
    /// Whether the pressure limit keeps it from what it is set to.
    pub is_stopped: bool,
}

/// A unit through the year: of each scenario, the first being that nothing is off, each month.
pub(super) struct Worked<'a, 'b> {
    model: &'b Model<'a>,
    scenarios: Vec<Vec<Point>>,
}

impl<'a> Model<'a> {
    pub fn new(site: &'a Site, demand: &'a Demand, level: f64) -> Result<Self, Error> {
        let new = Membrane::rated(site)?;
        let limit = site
            .limits
            .get("feed_pressure")
            .and_then(|limit| limit.high);
        let Some(limit) = limit else {
            return Err(Error::Site(
                Fault::new(
                    "missing; a unit is sized for the pressure it may never exceed",
                    "add feed_pressure = { high = \"16 bar\" }, the lowest rating of membranes, vessels, pump and piping",
                )
                .at_column("[limits] feed_pressure")
                .into(),
            ));
        };
        if demand.recycle_flow > 0.0 && !site.recycle {
            return Err(Error::Demand(
                Fault::new(
                    "the site file has no [recycle]",
                    "add [recycle] returns_to = \"feed\" there, or leave recycle_flow out",
                )
                .at_column("[operation] recycle_flow")
                .into(),
            ));
        }
        for (month, tds) in demand.feed.tds.iter().enumerate() {
            let temperature = demand.feed.temperature[month];
            let osmotic = site.salinity.basis.osmotic_pressure(*tds, temperature);
            let osmotic = osmotic.map_err(|error| in_month(error.at_row(month as u64 + 1)))?;
            // Salt would leak through, and water with it: the model has a figure for that, which is of no use to anyone.
            if osmotic + demand.permeate_pressure >= limit {
                return Err(Error::Demand(
                    Fault::new(
                        format!(
                            "its osmotic pressure, {osmotic:.1} bar, leaves nothing of the pressure limit of {limit:.1} bar"
                        ),
                        "a unit of a higher pressure limit, or check the salt and [limits] feed_pressure",
                    )
                    .at_column(format!("[feed] tds, {}", MONTHS[month]))
                    .with_value(format!("{tds} mg/L"))
                    .into(),
                ));
            }
        }
        let mut scenarios = vec![Scenario::default()];
        let mut add = |off: Scenario| {
            scenarios.push(off);
            scenarios.push(Scenario {
                law_k: -off.law_k,
                salt_law_k: -off.salt_law_k,
                rated_flow: -off.rated_flow,
            });
        };
        if let Some(law_k) = site.temperature_accuracy_k {
            // A salt that has no law of its own follows this one, and is off with it.
            let salt_law_k = if site.salt_temperature.is_none() {
                law_k
            } else {
                0.0
            };
            add(Scenario {
                law_k,
                salt_law_k,
                rated_flow: 0.0,
            });
        }
        if let Some(salt_law_k) = site.salt_temperature_accuracy_k {
            add(Scenario {
                salt_law_k,
                ..Scenario::default()
            });
        }
        if let Some(rated_flow) = demand.allowance.rated_flow_tolerance {
            add(Scenario {
                rated_flow,
                ..Scenario::default()
            });
        }
        let normal = Normal::standard();
        Ok(Self {
            site,
            demand,
            limit,
            new,
            scenarios,
            quantile: normal.inverse_cdf(0.5 + 0.5 * level),
            level,
        })
    }

    /// Vessels over those of the unit as it is: recycle and a set flow grow with them.
    fn grown(&self, stages: &[Stage]) -> f64 {
        let vessels = |stages: &[Stage]| {
            stages
                .iter()
                .map(|stage| f64::from(stage.vessels))
                .sum::<f64>()
        };
        vessels(stages) / vessels(&self.site.stages)
    }

    pub fn train(&self, stages: &[Stage]) -> Result<Train, Error> {
        let site = Site {
            stages: stages.to_vec(),
            ..self.site.clone()
        };
        Train::new(&site, None)
    }

    fn membrane(&self, wear: Wear, off: Scenario, temperature: f64) -> Membrane {
        // The rating was tested at a temperature of its own: there no law is off.
        let tested = self
            .site
            .element
            .test_temperature_degc
            .unwrap_or(STANDARD_DEGC);
        let colder = 1.0 / (tested + ZERO_CELSIUS_K) - 1.0 / (temperature + ZERO_CELSIUS_K);
        let (water, salt) = match wear {
            Wear::Worn => (self.demand.allowance.water(), self.demand.allowance.salt()),
            Wear::New => (1.0, 1.0),
        };
        Membrane {
            water_permeability: self.new.water_permeability
                * water
                * (off.law_k * colder).exp()
                * (1.0 + off.rated_flow),
            salt_permeability: self.new.salt_permeability * salt * (off.salt_law_k * colder).exp(),
            spacer_friction: self.new.spacer_friction,
        }
    }

    fn operation(
        &self,
        stages: &[Stage],
        month: usize,
        drive: Drive,
        drive_value: f64,
    ) -> Operation {
        Operation {
            temperature: self.demand.feed.temperature[month],
            feed_tds: self.demand.feed.tds[month],
            permeate_pressure: self.demand.permeate_pressure,
            recycle_flow: self.demand.recycle_flow * self.grown(stages),
            drain: Drain::Recovery,
            drain_value: self.demand.recovery,
            drive,
            drive_value,
        }
    }

    /// What the unit is set to in a month.
    fn set(&self, stages: &[Stage], month: usize) -> Operation {
        let of = |drive, value| self.operation(stages, month, drive, value);
        match self.demand.running.flow {
            RunningFlow::Limit => of(Drive::FeedPressure, self.limit),
            RunningFlow::Flow(flow) => of(Drive::PermeateFlow, flow * self.grown(stages)),
            RunningFlow::Need => match self.demand.daily[month] {
                // Nothing is needed, and the unit stands: what it would make at the limit says what it could.
                0.0 => of(Drive::FeedPressure, self.limit),
                daily => of(
                    Drive::PermeateFlow,
                    24.0 * daily / self.demand.running.hours(),
                ),
            },
        }
    }

    pub fn work(&self, stages: &[Stage], wear: Wear) -> Result<Worked<'a, '_>, Error> {
        let train = self.train(stages)?;
        let (mut membranes, mut full, mut set) = (Vec::new(), Vec::new(), Vec::new());
        for off in &self.scenarios {
            for (month, temperature) in self.demand.feed.temperature.iter().enumerate() {
                membranes.push(self.membrane(wear, *off, *temperature));
                full.push(self.operation(stages, month, Drive::FeedPressure, self.limit));
                set.push(self.set(stages, month));
            }
        }
        let full = train.work(&membranes, &full).map_err(in_month)?;
        let set = train
            .work_within(&membranes, &set, self.limit)
            .map_err(in_month)?;
        if let Some(month) = full
            .iter()
            .take(12)
            .position(|case| case.permeate_flow.is_nan())
        {
            return Err(Error::Demand(
                Fault::new(
                    format!(
                        "no permeate at the pressure limit in {}: the osmotic pressure, or the recovery, is too high for it",
                        MONTHS[month]
                    ),
                    "a lower recovery, another element, or check [feed] tds and the site file's [limits] feed_pressure",
                )
                .at_column("[operation] recovery")
                .into(),
            ));
        }
        let points: Vec<Point> = full
            .into_iter()
            .zip(set)
            .map(|(at_limit, (set, is_stopped))| Point {
                at_limit,
                set,
                is_stopped,
            })
            .collect();
        Ok(Worked {
            model: self,
            scenarios: points.chunks(12).map(<[Point]>::to_vec).collect(),
        })
    }

    /// What the worn unit makes at the pressure limit in each month, m3/h, nothing being off.
    pub fn capacities(
        &self,
        stages: &[Stage],
        temperature: Option<f64>,
    ) -> Result<Vec<f64>, Error> {
        let train = self.train(stages)?;
        let (membranes, cases): (Vec<Membrane>, Vec<Operation>) = (0..12)
            .map(|month| {
                let case = self.operation(stages, month, Drive::FeedPressure, self.limit);
                let temperature = temperature.unwrap_or(case.temperature);
                let membrane = self.membrane(Wear::Worn, Scenario::default(), temperature);
                (
                    membrane,
                    Operation {
                        temperature,
                        ..case
                    },
                )
            })
            .unzip();
        let worked = train.work(&membranes, &cases).map_err(in_month)?;
        Ok(worked.into_iter().map(|case| case.permeate_flow).collect())
    }

    /// Each element of the unit as it is set, month by month, at these feed pressures.
    pub fn elements(
        &self,
        stages: &[Stage],
        wear: Wear,
        pressures: impl Iterator<Item = f64>,
    ) -> Result<Vec<Vec<ElementAtWork>>, Error> {
        let (membranes, cases): (Vec<Membrane>, Vec<Operation>) = pressures
            .enumerate()
            .map(|(month, pressure)| {
                let case = self.operation(stages, month, Drive::FeedPressure, pressure);
                (
                    self.membrane(wear, Scenario::default(), case.temperature),
                    case,
                )
            })
            .unzip();
        let found = self.train(stages)?.profiles(&membranes, &cases);
        let found = found.map_err(in_month)?;
        Ok(found.into_iter().map(|(_, elements)| elements).collect())
    }

    /// The share of the day's need by which a capacity's interval may fall below it: exp(−z u).
    pub fn low_end(&self, estimate: &Estimate) -> f64 {
        if estimate.low.is_nan() {
            1.0
        } else {
            estimate.low / estimate.value
        }
    }

    pub fn level(&self) -> f64 {
        self.level
    }

    pub fn knows_errors(&self) -> bool {
        self.scenarios.len() > 1
    }
}

impl Worked<'_, '_> {
    /// The months, nothing being off.
    pub fn months(&self) -> &[Point] {
        &self.scenarios[0]
    }

    /// A figure that can't be above this, as of what is wanted or where the pressure limit is.
    pub fn estimate_to(
        &self,
        most: f64,
        unit: &'static str,
        of: impl Fn(&[Point]) -> f64,
    ) -> Estimate {
        let found = self.estimate(unit, of);
        let end = |end: f64| if end > most { most } else { end };
        Estimate {
            high: end(found.high),
            ..found
        }
    }

    /// A figure of the months, with its interval: ln of it by half the difference between a source's two ends, each evenly likely
    /// between them (u = a/√3).
    pub fn estimate(&self, unit: &'static str, of: impl Fn(&[Point]) -> f64) -> Estimate {
        let value = of(&self.scenarios[0]);
        let variance: f64 = self.scenarios[1..]
            .chunks(2)
            .map(|ends| {
                let [more, less] = [0, 1].map(|end| of(&ends[end]));
                if more == less {
                    0.0
                } else {
                    (0.5 * (more / less).ln()).powi(2) / 3.0
                }
            })
            .sum();
        let is_known = self.model.knows_errors();
        let factor = if is_known {
            (self.model.quantile * variance.sqrt()).exp()
        } else {
            f64::NAN
        };
        Estimate {
            value,
            low: value / factor,
            high: value * factor,
            level: self.model.level,
            unit,
            n: 0,
            method: if is_known { WITH_SOURCES } else { WITHOUT },
            budget: None,
        }
    }
}

/// A refusal of the model names the month in place of its row.
fn in_month(error: Error) -> Error {
    let Error::Range { row: Some(row), .. } = &error else {
        return error;
    };
    let month = MONTHS[(*row as usize + 11) % 12];
    let mut faults = crate::error::Faults::default();
    for mut fault in error.faults() {
        fault.row = None;
        let what = fault.column.take().unwrap_or_default();
        faults.push(fault.at_column(format!("{what}, {month}")));
    }
    Error::Demand(faults)
}
