//! When: the dates at which a trend that goes on as it does reaches what asks for something to be done.
//!
//! A date has a distribution too: by a day, it was reached with the highest probability of any day up to then. Its middle
//! and its interval are the first days at which that is one half, and at which it is the interval's ends. "If nothing
//! happens" is the condition of all: no cleaning, no new trouble.

mod costs;
mod demand;

use crate::assess::Estimate;
use crate::error::{Error, setting};
use crate::normalise::Normalised;
use crate::table::Group;
use crate::trend::mixture::{Component, below};
use crate::trend::points::{DAY, Quantity, YEAR_US};
use crate::trend::{QuantityTrend, Trend};

pub use costs::{Choice, Plan, Prices};
pub use demand::ColdFlow;

/// How far is looked ahead, y.
pub const HORIZON: f64 = 10.0;
/// In steps of so many days.
const STEP: f64 = 4.0;

/// Changes that ask for a cleaning, as fractions (common practice, configurable: output −10 to −15 %, salt passage +5 to
/// +20 %, differential pressure +10 to +20 %).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Triggers {
    /// Of water permeability, below 0.
    pub water_permeability: f64,
    /// Of salt permeability.
    pub salt_permeability: f64,
    /// Of the pressure drop.
    pub pressure_drop: f64,
}

impl Default for Triggers {
    fn default() -> Self {
        Self {
            water_permeability: -0.15,
            salt_permeability: 0.10,
            pressure_drop: 0.15,
        }
    }
}

impl Triggers {
    /// Of a quantity.
    pub fn of(&self, quantity: Quantity) -> f64 {
        match quantity {
            Quantity::WaterPermeability => self.water_permeability,
            Quantity::SaltPermeability => self.salt_permeability,
            Quantity::PressureDrop => self.pressure_drop,
        }
    }
}

/// What is asked.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Asked {
    /// When to clean.
    pub triggers: Triggers,
    /// Permeate flow that is needed, m3/h; `None`: the site's low limit of it, where it has one.
    pub demand: Option<f64>,
    /// Coldest water of the year, degC; `None`: the coldest week of the log.
    pub coldest: Option<f64>,
    /// What things cost; `None`: no costs are told.
    pub prices: Option<Prices>,
}

/// A day at which something is reached.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Date {
    /// The middle, µs since 1970; `None`: not within ten years, by even odds.
    pub middle_us: Option<i64>,
    /// The early end of its interval; `None`: not within ten years.
    pub early_us: Option<i64>,
    /// The late end; `None`: not within ten years.
    pub late_us: Option<i64>,
    /// How often such an interval holds the true day.
    pub level: f64,
    /// How probable it is that it is reached already.
    pub reached: f64,
}

/// When one quantity asks for a cleaning.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TriggerDate {
    /// Which.
    pub quantity: Quantity,
    /// The change that asks for it, as a fraction.
    pub change: f64,
    /// When.
    pub date: Date,
}

/// When.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// Of which train and stage.
    pub group: Group,
    /// The last point, µs since 1970.
    pub from_us: i64,
    /// When each quantity asks for a cleaning.
    pub cleaning: Vec<TriggerDate>,
    /// Flow in the coldest water at the pressure limit, where a limit is known.
    pub cold_flow: Option<ColdFlow>,
    /// When replacing pays and which cleaning is cheapest, where prices are given.
    pub plan: Option<Plan>,
    /// What could not be told, and what is missing for it.
    pub missing: Vec<String>,
}

/// When a trend reaches what asks for something.
///
/// # Errors
/// [`Error::Range`] for triggers, flows, temperatures or prices out of range; [`Error::Baseline`] where the result doesn't hold
/// the trend's train; [`Error::Method`] where the two were normalised to different references.
pub fn forecast(result: &Normalised, trend: &Trend, asked: &Asked) -> Result<Forecast, Error> {
    check(asked)?;
    let (at, rows) = trend.rows_in(result)?;
    let last = trend.points.time.last().copied().unwrap_or(0.0);
    let cleaning: Vec<TriggerDate> = trend
        .quantities
        .iter()
        .map(|found| {
            let change = asked.triggers.of(found.quantity);
            TriggerDate {
                quantity: found.quantity,
                change,
                date: date(last, trend.level, |years| passed(found, change, years)),
            }
        })
        .collect();
    let mut missing = Vec::new();
    // The last year's conditions, medians: what the unit usually sees.
    let from = (last * YEAR_US - YEAR_US) as i64;
    let of_year: Vec<usize> = rows
        .into_iter()
        .filter(|row| result.log.table.time[*row] >= from && result.reasons[*row].is_empty())
        .collect();
    let usual = result.typical(&of_year);
    let unit = (at, &usual);
    let cold_flow = demand::cold_flow(result, trend, unit, asked, &mut missing)?;
    let plan = match &asked.prices {
        Some(prices) => costs::plan(result, trend, unit, prices, &cleaning, &mut missing)?,
        None => None,
    };
    Ok(Forecast {
        group: trend.group.clone(),
        from_us: (last * YEAR_US) as i64,
        cleaning,
        cold_flow,
        plan,
        missing,
    })
}

fn check(asked: &Asked) -> Result<(), Error> {
    let triggers = &asked.triggers;
    setting(
        "water_permeability",
        triggers.water_permeability,
        (-0.9, -0.001),
        "",
    )?;
    setting(
        "salt_permeability",
        triggers.salt_permeability,
        (0.001, 20.0),
        "",
    )?;
    setting("pressure_drop", triggers.pressure_drop, (0.001, 20.0), "")?;
    if let Some(demand) = asked.demand {
        setting("demand", demand, (1e-9, 1e9), " m3/h")?;
    }
    if let Some(coldest) = asked.coldest {
        setting(
            "coldest",
            coldest,
            crate::normalise::temperature::RANGE_DEGC,
            " degC",
        )?;
    }
    Ok(())
}

/// How probable it is that a quantity is past a change some years after the last point.
pub(crate) fn passed(found: &QuantityTrend, change: f64, years: f64) -> f64 {
    past(&found.ahead(years), change.ln_1p(), change < 0.0)
}

fn past(mixture: &[Component], edge: f64, falling: bool) -> f64 {
    let below = below(mixture, edge);
    if falling { below } else { 1.0 - below }
}

/// The day on which something is reached, if `probability` tells how likely it is to be past it after so many years.
fn date(last: f64, level: f64, probability: impl Fn(f64) -> f64) -> Date {
    let reached = probability(0.0);
    let mut highest = reached;
    let wanted = [0.5 - 0.5 * level, 0.5, 0.5 + 0.5 * level];
    let mut found: [Option<f64>; 3] = wanted.map(|share| (highest >= share).then_some(0.0));
    let steps = (HORIZON / (STEP * DAY)) as usize;
    for step in 1..=steps {
        let years = step as f64 * STEP * DAY;
        let before = highest;
        highest = highest.max(probability(years));
        for (found, share) in found.iter_mut().zip(wanted) {
            if found.is_none() && highest >= share {
                // Between two steps it rises evenly.
                let part = (share - before) / (highest - before);
                *found = Some(years - (1.0 - part) * STEP * DAY);
            }
        }
        if found[2].is_some() {
            break;
        }
    }
    let [early_us, middle_us, late_us] =
        found.map(|years| years.map(|years| ((last + years) * YEAR_US) as i64));
    Date {
        middle_us,
        early_us,
        late_us,
        level,
        reached,
    }
}

/// A figure with an interval, of a distribution of logarithms.
fn estimate_of(
    mixture: &[Component],
    scale: f64,
    level: f64,
    n: usize,
    unit: &'static str,
) -> Estimate {
    let mut found = crate::trend::estimate(mixture, level, n, &|log| scale * log.exp());
    found.unit = unit;
    found
}
