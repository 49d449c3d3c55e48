//! What waiting costs: when replacing pays, and whether to clean now, at the trigger or at the cold season's end.
//!
//! A membrane that passes less water is run at more pressure for the same flow: the extra energy is what it costs. Flow
//! that can't be made at the pressure limit is not counted here; the forecast of flow in the coldest water tells of it.

use super::{HORIZON, TriggerDate};
use crate::error::{Error, setting};
use crate::normalise::Normalised;
use crate::normalise::reading::Conditions;
use crate::trend::Trend;
use crate::trend::mixture::{Component, moments, quantile};
use crate::trend::points::{DAY, Quantity, YEAR_US};

/// What things cost, in one currency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prices {
    /// A kilowatt hour.
    pub energy_per_kwh: f64,
    /// A cleaning, with chemicals, work and the hours the unit stands still.
    pub cleaning: f64,
    /// New elements for the whole train, put in.
    pub elements: f64,
    /// Pump and motor: hydraulic over electrical power (0.5 to 0.8, common practice, no source).
    pub pump_efficiency: f64,
    /// Hours the unit runs in a year.
    pub hours_per_year: f64,
    /// The share of the loss that a cleaning wins back; `None`: what those of the log won, else 0.75 (common practice, no
    /// source).
    pub won_back: Option<f64>,
}

/// One way to go on, over the coming year.
#[derive(Debug, Clone, PartialEq)]
pub struct Choice {
    /// "now", "at the trigger", "at the cold season's end" or "not this year".
    pub name: &'static str,
    /// When it is cleaned, µs since 1970; `None`: not within the year.
    pub clean_us: Option<i64>,
    /// What the year costs beyond that of new membranes: middle and interval.
    pub cost: [f64; 3],
}

/// What waiting costs.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Cost of the extra energy now, a year.
    pub extra_per_year: [f64; 3],
    /// When replacing pays, µs since 1970: when another year with the old membranes costs more than a mean year of a set's
    /// life. Middle, early, late; `None`: not within ten years.
    pub replace_us: [Option<i64>; 3],
    /// The choices of cleaning, the cheapest first.
    pub choices: Vec<Choice>,
    /// What a cleaning is taken to win back.
    pub won_back: f64,
    /// How often intervals hold the true figure.
    pub level: f64,
}

fn valid(prices: &Prices) -> Result<(), Error> {
    setting("energy_per_kwh", prices.energy_per_kwh, (0.0, 1e6), "")?;
    setting("cleaning", prices.cleaning, (0.0, 1e12), "")?;
    setting("elements", prices.elements, (0.0, 1e12), "")?;
    setting("pump_efficiency", prices.pump_efficiency, (0.05, 1.0), "")?;
    setting("hours_per_year", prices.hours_per_year, (0.0, 8784.0), " h")?;
    if let Some(won_back) = prices.won_back {
        setting("won_back", won_back, (0.0, 1.0), "")?;
    }
    Ok(())
}

pub(super) fn plan(
    result: &Normalised,
    trend: &Trend,
    (at_group, usual): (usize, &Conditions),
    prices: &Prices,
    cleaning: &[TriggerDate],
    missing: &mut Vec<String>,
) -> Result<Option<Plan>, Error> {
    valid(prices)?;
    let Some(water) = trend.of(Quantity::WaterPermeability) else {
        return Ok(None);
    };
    let Ok(state) = result.prepared[at_group].model.state(usual) else {
        missing.push("costs: the medians of the last year can't be".to_owned());
        return Ok(None);
    };
    let now = moments(&water.ahead(0.0)).0;
    // Driving pressure that new membranes would have needed for the same flow; bar m3/h are 1/36 kW.
    let when_new = state.net_driving_pressure * now.exp();
    let per_bar = usual.feed_flow / 36.0 / prices.pump_efficiency
        * prices.hours_per_year
        * prices.energy_per_kwh;
    let per_year = |change: f64| per_bar * when_new * ((-change).exp() - 1.0);
    let level = trend.level;
    let shares = [0.5, 0.5 - 0.5 * level, 0.5 + 0.5 * level];
    // Middle, cheap end, dear end.
    let path = |years: f64, share: f64| {
        let mixture: Vec<Component> = water.ahead(years);
        quantile(&mixture, 1.0 - share)
    };
    let extra_per_year = shares.map(|share| per_year(path(0.0, share)));

    let last = trend.points.time.last().copied().unwrap_or(0.0);
    let at = |years: f64| ((last + years) * YEAR_US) as i64;
    let mut replace_us = shares.map(|share| {
        let age = last - water.new_at;
        // What was spent until now, had the loss grown evenly.
        let mut spent = 0.5 * age * per_year(path(0.0, share)).max(0.0);
        let step = 7.0 * DAY;
        let mut years = 0.0;
        while years < HORIZON {
            let cost = per_year(path(years, share));
            if cost > (prices.elements + spent) / (age + years).max(step) {
                return Some(at(years));
            }
            spent += cost.max(0.0) * step;
            years += step;
        }
        None
    });
    // Dear comes early.
    replace_us.swap(1, 2);

    let won: Vec<f64> = trend
        .runs
        .iter()
        .filter_map(|run| run.won_back[Quantity::WaterPermeability as usize].as_ref())
        .map(|won| won.value.clamp(0.0, 1.0))
        .collect();
    let won_back = prices.won_back.unwrap_or(if won.is_empty() {
        0.75
    } else {
        won.iter().sum::<f64>() / won.len() as f64
    });
    let year_cost = |clean: Option<f64>, share: f64| {
        let step = 7.0 * DAY;
        let mut cost = clean.map_or(0.0, |_| prices.cleaning);
        let won = clean.map_or(0.0, |when| won_back * path(when, share).min(0.0));
        let mut years = 0.0;
        while years < 1.0 {
            let change = path(years, share);
            let held = match clean {
                Some(when) if years >= when => change - won,
                _ => change,
            };
            cost += per_year(held) * step.min(1.0 - years);
            years += step;
        }
        cost
    };
    let trigger = cleaning
        .iter()
        .filter_map(|trigger| trigger.date.middle_us)
        .min()
        .map(|day| (day as f64 / YEAR_US - last).max(0.0))
        .filter(|years| *years < 1.0);
    let mut choices: Vec<Choice> = [
        ("now", Some(0.0)),
        ("at the trigger", trigger),
        ("at the cold season's end", season_end(trend, last)),
        ("not this year", None),
    ]
    .into_iter()
    .filter(|(name, when)| when.is_some() || *name == "not this year")
    .map(|(name, when)| Choice {
        name,
        clean_us: when.map(at),
        cost: shares.map(|share| year_cost(when, share)),
    })
    .collect();
    choices.sort_by(|a, b| a.cost[0].total_cmp(&b.cost[0]));
    Ok(Some(Plan {
        extra_per_year,
        replace_us,
        choices,
        won_back,
        level,
    }))
}

/// When the cold half of the year ends, years from the last point; `None`: less than a year of readings tells no season.
fn season_end(trend: &Trend, last: f64) -> Option<f64> {
    let points = &trend.points;
    if last - points.time.first()? < 0.9 {
        return None;
    }
    let (mut sine, mut cosine, mut mean) = (0.0, 0.0, 0.0);
    let count = points.len() as f64;
    for temperature in &points.temperature {
        mean += temperature / count;
    }
    for (time, temperature) in points.time.iter().zip(&points.temperature) {
        let (s, c) = (std::f64::consts::TAU * time).sin_cos();
        sine += (temperature - mean) * s;
        cosine += (temperature - mean) * c;
    }
    // The coldest day is opposite the warmest; a quarter of a year later the cold half ends.
    let warmest = sine.atan2(cosine) / std::f64::consts::TAU;
    Some((warmest + 0.75 - last).rem_euclid(1.0))
}
