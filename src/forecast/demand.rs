//! What the unit makes in the coldest water of the year, at its pressure limit, and until when that is enough.

use super::{Asked, Date, date, estimate_of, past};
use crate::assess::Estimate;
use crate::error::Error;
use crate::normalise::Normalised;
use crate::normalise::reading::Conditions;
use crate::trend::mixture::{Component, moments};
use crate::trend::model::SLOW;
use crate::trend::points::{Quantity, inverse_temperature};
use crate::trend::{Trend, mixture_of, part};

/// Permeate flow in the coldest water, at the pressure limit.
#[derive(Debug, Clone, PartialEq)]
pub struct ColdFlow {
    /// Coldest water, degC.
    pub temperature: f64,
    /// The limit, in the log's unit.
    pub pressure: f64,
    /// The unit of pressure.
    pub pressure_unit: &'static str,
    /// What the unit would make there now, in the log's unit.
    pub now: Estimate,
    /// What is needed, in the log's unit; `None`: nobody told.
    pub demand: Option<f64>,
    /// From when on that is not enough.
    pub date: Option<Date>,
}

pub(super) fn cold_flow(
    result: &Normalised,
    trend: &Trend,
    (at, usual): (usize, &Conditions),
    asked: &Asked,
    missing: &mut Vec<String>,
) -> Result<Option<ColdFlow>, Error> {
    let Some(water) = trend.of(Quantity::WaterPermeability) else {
        return Ok(None);
    };
    let limits = &result.site.limits;
    let Some(pressure) = limits.get("feed_pressure").and_then(|limit| limit.high) else {
        missing.push(
            "flow in the coldest water: the site file has no high limit of feed_pressure"
                .to_owned(),
        );
        return Ok(None);
    };
    let Some(reference) = &trend.reference else {
        return Ok(None);
    };
    let prepared = &result.prepared[at];
    let temperature = asked.coldest.unwrap_or(water.law.coldest);
    let at = Conditions {
        temperature,
        feed_pressure: pressure,
        ..*usual
    };
    let Ok(state) = prepared.model.state(&at) else {
        missing.push(format!(
            "flow in the coldest water: {temperature:.1} degC at {pressure:.1} bar is outside what the laws hold for"
        ));
        return Ok(None);
    };
    let then = &prepared.state;
    // What the unit made there when new, by the law it was normalised by.
    let when_new = reference.normalised_permeate_flow
        * (state.net_driving_pressure * state.temperature_factor)
        / (then.net_driving_pressure * then.temperature_factor);
    // The site's own constant, beyond that law, from the reference's temperature to the coldest.
    let colder =
        inverse_temperature(temperature) - inverse_temperature(prepared.conditions.temperature);
    let (own, deviation) = moments(&mixture_of(&water.ways, &water.ends, &|state| {
        part(state, SLOW)
    }));
    let ahead = |years: f64| -> Vec<Component> {
        water
            .ahead(years)
            .into_iter()
            .map(|component| Component {
                mean: component.mean + own * colder,
                deviation: component.deviation.hypot(deviation * colder),
                ..component
            })
            .collect()
    };
    let units = result.shown_units();
    let shown = units[2].from_canonical(when_new);
    let now = estimate_of(&ahead(0.0), shown, trend.level, water.n, units[2].word);
    let demand = asked
        .demand
        .or_else(|| limits.get("permeate_flow").and_then(|limit| limit.low));
    let last = trend.points.time.last().copied().unwrap_or(0.0);
    let date = demand.map(|demand| {
        let edge = (demand / when_new).ln();
        date(last, trend.level, |years| past(&ahead(years), edge, true))
    });
    if demand.is_none() {
        missing.push(
            "when flow no longer meets demand: give demand, or a low limit of permeate_flow in the site file"
                .to_owned(),
        );
    }
    Ok(Some(ColdFlow {
        temperature,
        pressure: units[1].from_canonical(pressure),
        pressure_unit: units[1].word,
        now,
        demand: demand.map(|demand| units[2].from_canonical(demand)),
        date,
    }))
}
