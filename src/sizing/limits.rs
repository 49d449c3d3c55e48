//! The limits of the site file, held against the unit as it is set.

use super::demand::Demand;
use super::year::{Month, Standing};
use crate::site::Site;
use crate::units::{Quantity, Unit};

/// A limit that the unit would break.
#[derive(Debug, Clone, PartialEq)]
pub struct Break {
    /// Of which column of a log, or `recovery`.
    pub of: String,
    /// The limit, canonical.
    pub limit: f64,
    /// Whether it is a low one.
    pub is_low: bool,
    /// The unit in which the site file gives it.
    pub unit: &'static Unit,
    /// The figure that is furthest beyond, canonical.
    pub figure: f64,
    /// In which month, from 0.
    pub month: usize,
    /// Whether with new membranes; else with worn ones.
    pub when_new: bool,
}

/// Limits that an element has, and that the site file can hold.
const OF_ELEMENTS: [&str; 3] = ["differential_pressure", "recovery", "feed_temperature"];

/// Those that the site file lacks.
pub(super) fn not_given(site: &Site) -> Vec<&'static str> {
    OF_ELEMENTS
        .into_iter()
        .filter(|name| !site.limits.contains_key(*name))
        .collect()
}

pub(super) fn breaks(site: &Site, demand: &Demand, months: &[Month]) -> Vec<Break> {
    let mut found = Vec::new();
    for (name, limit) in &site.limits {
        let ends = [(limit.high, false), (limit.low, true)];
        for (end, is_low) in ends {
            let Some(end) = end else { continue };
            let beyond = |figure: f64| if is_low { end - figure } else { figure - end };
            let worst = months
                .iter()
                .filter(|month| month.needed > 0.0)
                .flat_map(|month| [(month, false), (month, true)])
                .filter_map(|(month, when_new)| {
                    let standing = if when_new {
                        &month.when_new
                    } else {
                        &month.worn
                    };
                    let figure = figure(name, demand, month, standing)?;
                    // What is set to a limit lies on it but for the last digits.
                    (beyond(figure) > 1e-9 * end.abs().max(1e-3)).then_some((
                        figure,
                        month.month,
                        when_new,
                    ))
                })
                .max_by(|a, b| beyond(a.0).total_cmp(&beyond(b.0)));
            if let Some((figure, month, when_new)) = worst {
                found.push(Break {
                    of: name.clone(),
                    limit: end,
                    is_low,
                    unit: match (limit.unit.quantity, limit.unit.word) {
                        (Quantity::Fraction, "") => Unit::parse("%").unwrap_or(limit.unit),
                        _ => limit.unit,
                    },
                    figure,
                    month,
                    when_new,
                });
            }
        }
    }
    found
}

/// The figure of a column; `None` of what the model doesn't tell.
fn figure(name: &str, demand: &Demand, month: &Month, standing: &Standing) -> Option<f64> {
    let working = &standing.working;
    Some(match name {
        "feed_temperature" => month.temperature,
        "feed_tds" => month.feed_tds,
        "feed_pressure" => working.feed_pressure,
        "concentrate_pressure" => working.concentrate_pressure,
        "differential_pressure" => working.feed_pressure - working.concentrate_pressure,
        "permeate_pressure" => demand.permeate_pressure,
        "feed_flow" => working.feed_flow,
        "permeate_flow" => working.permeate_flow,
        "concentrate_flow" => working.concentrate_flow,
        "recycle_flow" => working.inlet_flow - working.feed_flow,
        "permeate_tds" => working.permeate_tds,
        "concentrate_tds" => working.concentrate_tds,
        "recovery" => working.recovery,
        _ => return None,
    })
}
