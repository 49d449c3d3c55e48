//! What a unit does through the year: month by month, and in all.

use super::demand::Demand;
use super::limits::{Break, breaks};
use super::needed::two_per_cent_a_degf;
use super::tank::{TankDay, storage_needed, tank_day};
use super::work::{Model, Point, Wear, Worked};
use crate::assess::Estimate;
use crate::error::Error;
use crate::membrane::operate::Working;
use crate::membrane::profile::ElementAtWork;
use crate::normalise::temperature::STANDARD_DEGC;
use crate::site::Stage;

/// Days of the months; February has 28.
const DAYS: [f64; 12] = [
    31.0, 28.0, 31.0, 30.0, 31.0, 30.0, 31.0, 31.0, 30.0, 31.0, 30.0, 31.0,
];

/// A number of vessels, and what they do with the demand.
#[derive(Debug, Clone, PartialEq)]
pub struct SizedUnit {
    /// Its vessels.
    pub stages: Vec<Stage>,
    /// m2.
    pub area_m2: f64,
    /// All elements together at the rating's test conditions, m3/h.
    pub rated_flow: f64,
    /// From January on.
    pub months: Vec<Month>,
    /// With worn membranes.
    pub year: Year,
    /// With new ones.
    pub year_when_new: Year,
    /// Limits of the site file that it would break, as it is set.
    pub breaks: Vec<Break>,
}

impl SizedUnit {
    /// Elements of all vessels.
    pub fn elements(&self) -> u32 {
        self.stages.iter().map(|stage| stage.elements()).sum()
    }
}

/// A month.
#[derive(Debug, Clone, PartialEq)]
pub struct Month {
    /// From 0.
    pub month: usize,
    /// degC.
    pub temperature: f64,
    /// mg/L.
    pub feed_tds: f64,
    /// What a day needs, as a mean flow over its 24 h, m3/h.
    pub needed: f64,
    /// With worn membranes.
    pub worn: Standing,
    /// With new ones.
    pub when_new: Standing,
    /// What the rule of thumb makes of the worn unit's flow at 25 degC: a day's, as a mean flow over its 24 h, m3/h.
    pub by_rule_of_thumb: f64,
    /// The tank over a day, with worn membranes; `None` without a tank.
    pub tank: Option<TankDay>,
    /// What would have to be stored, m3; `None`: a day needs more than is made.
    pub storage_needed: Option<f64>,
    /// How long the tank, full, bridges the peak while the unit runs, h; infinite where the unit makes as much. `None`: no peak or
    /// no tank is told.
    pub peak_lasts_h: Option<f64>,
}

/// How the unit stands in a month.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// What a day makes at the pressure limit, over the hours the unit may run, as a mean flow over its 24 h, m3/h.
    pub capacity: Estimate,
    /// That over what the day needs; `None`: nothing is needed.
    pub share: Option<Estimate>,
    /// As it is set: bar. Its interval ends at the limit, which is never passed.
    pub feed_pressure: Estimate,
    /// As it is set: m3/h.
    pub permeate_flow: Estimate,
    /// As it is set: mg/L.
    pub permeate_tds: Estimate,
    /// As it is set, with its pump's and motor's losses, kW; `None`: no efficiency is told.
    pub power_kw: Option<Estimate>,
    /// Whether the pressure limit keeps it from what it is set to.
    pub is_stopped: bool,
    /// How long it runs a day as it is set, h, if the tank bridges what is between.
    pub hours_a_day: f64,
    /// As it is set.
    pub working: Working,
    /// Mean flux, L/m2/h.
    pub flux: f64,
    /// Flux of the element that passes most, L/m2/h.
    pub highest_flux: f64,
    /// Recovery of the element that recovers most.
    pub highest_element_recovery: f64,
    /// What flows into a vessel of the first stage, m3/h.
    pub vessel_feed_flow: f64,
    /// The least that leaves a vessel of any stage, m3/h.
    pub vessel_concentrate_flow: f64,
}

/// A year of 365 days.
#[derive(Debug, Clone, PartialEq)]
pub struct Year {
    /// m3; what the days need, or what can be made of it: its interval ends at what they need. The tank is taken to bridge what is
    /// between.
    pub permeate: Estimate,
    /// m3.
    pub raw_feed: Estimate,
    /// Raw feed less permeate, m3.
    pub reject: Estimate,
    /// kWh.
    pub energy: Option<Estimate>,
    /// kWh for each m3 of permeate.
    pub energy_per_m3: Option<Estimate>,
    /// Of energy, in the currency of the prices.
    pub energy_cost: Option<Estimate>,
    /// Of raw feed, in the currency of the prices.
    pub water_cost: Option<Estimate>,
}

/// Electrical power of a pump, kW: Q Δp / (36 η), 1 m3/h bar being 1/36 kW.
///
/// `flow` m3/h; `inlet` and `outlet` bar; `efficiency` of pump and motor together, 0 to 1. Where the inlet has as much pressure
/// as the outlet needs, the pump does nothing.
///
/// Source: work of a pump on a liquid, as in any textbook of hydraulics.
///
/// ```
/// // 10 m3/h by 12 bar is 3.33 kW of water power.
/// let power = brinemark::sizing::pump_power(10.0, 2.0, 14.0, 0.5);
/// assert!((power - 6.6667).abs() < 1e-4);
/// ```
pub fn pump_power(flow: f64, inlet: f64, outlet: f64, efficiency: f64) -> f64 {
    flow * (outlet - inlet).max(0.0) / 36.0 / efficiency
}

/// A unit of these vessels through the year.
pub(super) fn through_the_year(model: &Model<'_>, stages: &[Stage]) -> Result<SizedUnit, Error> {
    let demand = model.demand;
    let standard = model.capacities(stages, Some(STANDARD_DEGC))?;
    let (worn, new) = (
        model.work(stages, Wear::Worn)?,
        model.work(stages, Wear::New)?,
    );
    let [when_worn, when_new] = [(&worn, Wear::Worn), (&new, Wear::New)]
        .map(|(worked, wear)| standings(model, stages, worked, wear));
    let area_m2 = model.train(stages)?.area_m2();
    let months: Vec<Month> = when_worn?
        .into_iter()
        .zip(when_new?)
        .enumerate()
        .map(|(month, (worn, when_new))| month_of(demand, month, standard[month], worn, when_new))
        .collect();
    let elements: u32 = stages.iter().map(|stage| stage.elements()).sum();
    let rated = model
        .site
        .element
        .rated_permeate_flow_m3_h
        .unwrap_or(f64::NAN);
    Ok(SizedUnit {
        stages: stages.to_vec(),
        area_m2,
        rated_flow: rated * f64::from(elements),
        year: year(demand, &worn),
        year_when_new: year(demand, &new),
        breaks: breaks(model.site, demand, &months),
        months,
    })
}

fn month_of(
    demand: &Demand,
    month: usize,
    at_25: f64,
    worn: Standing,
    when_new: Standing,
) -> Month {
    let temperature = demand.feed.temperature[month];
    let draws = demand.draws(month);
    let flow = worn.permeate_flow.value;
    Month {
        month,
        temperature,
        feed_tds: demand.feed.tds[month],
        needed: demand.daily[month],
        by_rule_of_thumb: at_25 * two_per_cent_a_degf(temperature) * demand.running.hours() / 24.0,
        tank: demand
            .tank
            .map(|tank| tank_day(&tank, &demand.running, &draws, flow)),
        storage_needed: storage_needed(&demand.running, &draws, flow),
        peak_lasts_h: demand.tank.zip(demand.peak_flow).map(|(tank, peak)| {
            if peak > flow {
                tank.stop_at * tank.usable_m3 / (peak - flow)
            } else {
                f64::INFINITY
            }
        }),
        worn,
        when_new,
    }
}

/// How the unit stands in each month.
fn standings(
    model: &Model<'_>,
    stages: &[Stage],
    worked: &Worked<'_, '_>,
    wear: Wear,
) -> Result<Vec<Standing>, Error> {
    let demand = model.demand;
    let pressures = worked.months().iter().map(|point| point.set.feed_pressure);
    let elements = model.elements(stages, wear, pressures)?;
    let area_m2 = model.train(stages)?.area_m2();
    let standing = |(month, elements): (usize, Vec<ElementAtWork>)| {
        let of = |figure: fn(&Working) -> f64| move |points: &[Point]| figure(&points[month].set);
        let most = |figure: fn(&ElementAtWork) -> f64| {
            elements
                .iter()
                .map(figure)
                .fold(f64::NEG_INFINITY, f64::max)
        };
        let set = worked.months()[month].set;
        Standing {
            capacity: worked.estimate("m3/h", |points| capacity(demand, &points[month])),
            share: (demand.daily[month] > 0.0).then(|| {
                worked.estimate("", |points| {
                    capacity(demand, &points[month]) / demand.daily[month]
                })
            }),
            feed_pressure: worked.estimate_to(model.limit, "bar", of(|set| set.feed_pressure)),
            permeate_flow: worked.estimate("m3/h", of(|set| set.permeate_flow)),
            permeate_tds: worked.estimate("mg/L", of(|set| set.permeate_tds)),
            power_kw: demand.pump_efficiency.map(|efficiency| {
                worked.estimate("kW", |points| power(demand, efficiency, &points[month].set))
            }),
            is_stopped: worked.months()[month].is_stopped,
            hours_a_day: hours(demand, &set, month),
            working: set,
            flux: 1e3 * set.permeate_flow / area_m2,
            highest_flux: most(|element| element.flux),
            highest_element_recovery: most(|element| element.recovery),
            vessel_feed_flow: elements.first().map_or(f64::NAN, |first| first.inlet_flow),
            vessel_concentrate_flow: -most(|element| -element.concentrate_flow),
        }
    };
    Ok(elements.into_iter().enumerate().map(standing).collect())
}

/// What a day makes at the pressure limit, as a mean flow over its 24 h.
fn capacity(demand: &Demand, point: &Point) -> f64 {
    point.at_limit.permeate_flow * demand.running.hours() / 24.0
}

/// How long it runs a day.
fn hours(demand: &Demand, set: &Working, month: usize) -> f64 {
    (24.0 * demand.daily[month] / set.permeate_flow).min(demand.running.hours())
}

/// The pump passes the raw feed, and what returns ahead of it.
fn power(demand: &Demand, efficiency: f64, set: &Working) -> f64 {
    let inlet = demand.feed.inlet_pressure.unwrap_or(0.0);
    pump_power(set.inlet_flow, inlet, set.feed_pressure, efficiency)
}

fn year(demand: &Demand, worked: &Worked<'_, '_>) -> Year {
    let sum = |points: &[Point], of: &dyn Fn(&Working) -> f64| -> f64 {
        points
            .iter()
            .enumerate()
            .map(|(month, point)| match hours(demand, &point.set, month) {
                0.0 => 0.0,
                hours => DAYS[month] * hours * of(&point.set),
            })
            .sum()
    };
    let permeate = |points: &[Point]| sum(points, &|set| set.permeate_flow);
    let raw_feed = |points: &[Point]| sum(points, &|set| set.feed_flow);
    let energy = |points: &[Point], efficiency| sum(points, &|set| power(demand, efficiency, set));
    let wanted: f64 = demand
        .daily
        .iter()
        .zip(DAYS)
        .map(|(daily, days)| 24.0 * daily * days)
        .sum();
    let taken = wanted / demand.recovery;
    let efficiency = demand.pump_efficiency;
    let prices = &demand.prices;
    const CURRENCY: &str = "of the prices' currency";
    Year {
        permeate: worked.estimate_to(wanted, "m3", permeate),
        raw_feed: worked.estimate_to(taken, "m3", raw_feed),
        reject: worked.estimate_to(taken - wanted, "m3", |points| {
            raw_feed(points) - permeate(points)
        }),
        energy: efficiency
            .map(|efficiency| worked.estimate("kWh", |points| energy(points, efficiency))),
        energy_per_m3: efficiency.map(|efficiency| {
            worked.estimate("kWh/m3", |points| {
                energy(points, efficiency) / permeate(points)
            })
        }),
        energy_cost: efficiency
            .zip(prices.energy_per_kwh)
            .map(|(efficiency, price)| {
                worked.estimate(CURRENCY, |points| price * energy(points, efficiency))
            }),
        water_cost: prices.water_per_m3.map(|price| {
            worked.estimate_to(price * taken, CURRENCY, |points| price * raw_feed(points))
        }),
    }
}
