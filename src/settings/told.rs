//! All that is worth telling of settings, in the site's own units, as JSON.

use serde_json::{Value, json};

use super::bounds::Of;
use super::{Set, Settings};
use crate::assess::Estimate;
use crate::log::Column;
use crate::membrane::expected::Figure;
use crate::membrane::profile::ElementAtWork;
use crate::normalise::inputs::SaltFrom;
use crate::site::Site;
use crate::units::Unit;

impl Settings {
    /// Figures in the units in which the site file speaks of their columns; each with its unit beside it. What is not known is
    /// null.
    pub fn told(&self, site: &Site) -> Value {
        let words = |stops: &[Of]| stops.iter().map(|of| of.words()).collect::<Vec<_>>();
        let flow = site.unit_of(Column::PermeateFlow);
        let working = &self.run.working;
        let of = |column: Column, canonical: f64| {
            let unit = site.unit_of(column);
            json!({
                "column": column.name(),
                "value": known(unit.from_canonical(canonical)),
                "unit": unit.word,
            })
        };
        let (alarm, rule) = (&self.alarm, self.alarm.permeate_conductivity.is_some());
        let quality = |tds: f64, conductivity: Option<f64>| match conductivity {
            Some(conductivity) => of(Column::PermeateConductivity, conductivity),
            None => of(Column::PermeateTds, tds),
        };
        let (_, feed_rule) = SaltFrom::of_stream(Column::FeedTds, site);
        let feed_conductivity = feed_rule
            .map(|rule| rule.measured_and_slope(self.operation.feed_tds).0)
            .map(|conductivity| of(Column::FeedConductivity, conductivity));
        json!({
            "set": {
                "feed_pressure": set(&self.feed_pressure),
                "concentrate_flow": set(&self.concentrate_flow),
                "recycle_flow": self.recycle_flow.as_ref().map(set),
            },
            "day": {
                "feed_temperature": of(Column::FeedTemperature, self.operation.temperature),
                "feed_tds": of(Column::FeedTds, self.operation.feed_tds),
                "permeate_pressure": of(Column::PermeatePressure, self.operation.permeate_pressure),
            },
            "expected": [
                of(Column::PermeateFlow, working.permeate_flow),
                of(Column::FeedFlow, working.feed_flow),
                of(Column::ConcentrateFlow, working.concentrate_flow),
                of(Column::FeedPressure, working.feed_pressure),
                of(Column::ConcentratePressure, working.concentrate_pressure),
                of(Column::DifferentialPressure, working.feed_pressure - working.concentrate_pressure),
                of(Column::PermeateTds, working.permeate_tds),
                of(Column::ConcentrateTds, working.concentrate_tds),
            ],
            "feed_conductivity": feed_conductivity,
            "inlet_flow": of(Column::FeedFlow, working.inlet_flow),
            "inlet_tds": of(Column::FeedTds, working.inlet_tds),
            "pass_recovery": known(working.pass_recovery),
            "recovery": known(working.recovery),
            "recovery_range": [known(self.recovery_range.0), known(self.recovery_range.1)],
            "wanted_recovery": self.wanted_recovery,
            "wanted_permeate_flow": self.wanted_permeate_flow.map(|canonical| of(Column::PermeateFlow, canonical)),
            "stops_flow": words(&self.stops_flow),
            "stops_recovery": words(&self.stops_recovery),
            "limits": self.held.iter().map(|held| {
                let unit = held.bound.unit;
                json!({
                    "what": held.bound.of.words(),
                    "value": known(unit.from_canonical(held.value)),
                    "worst": known(unit.from_canonical(held.worst)),
                    "limit": unit.from_canonical(held.bound.limit),
                    "is_high": held.bound.is_high,
                    "unit": unit.word,
                    "source": held.bound.source,
                })
            }).collect::<Vec<_>>(),
            "not_told": self.not_told,
            "taken_as_exact": self.taken_as_exact,
            "scaling": self.scaling.as_ref().map(|found| json!({
                "sentence": found.sentence(),
                "notes": found.notes,
                "limits": found.limits.iter().map(|limit| json!({
                    "scale": limit.scale.name(),
                    "recovery": known(limit.recovery),
                    "basis": limit.limit.basis,
                    "clause": limit.clause,
                })).collect::<Vec<_>>(),
            })),
            "warnings": self.warnings,
            "alarm": {
                "by_conductivity": rule,
                "at": quality(alarm.permeate_tds, alarm.permeate_conductivity),
                "expected": quality(alarm.expected.0, alarm.expected.1),
                "times": alarm.times,
                "reached_at": alarm.reached_at.map(|at| of(Column::FeedTemperature, at)),
            },
            "elements": self.elements.iter().map(|each| element(each, flow, site)).collect::<Vec<_>>(),
            "membrane": self.membrane,
        })
    }
}

impl Settings {
    /// What is expected, with intervals, in the site's own units; quality by conductivity where the site file tells how.
    pub fn estimates(&self, site: &Site) -> [(&'static str, Estimate); 3] {
        let shown = |figure: &Figure, column: Column| {
            let unit = site.unit_of(column);
            let estimate = figure.estimate.clone();
            Estimate {
                value: unit.from_canonical(estimate.value),
                low: unit.from_canonical(estimate.low),
                high: unit.from_canonical(estimate.high),
                unit: unit.word,
                ..estimate
            }
        };
        let (_, rule) = SaltFrom::of_stream(Column::PermeateTds, site);
        let quality = match rule {
            Some(rule) => {
                let measured = |tds: f64| rule.measured_and_slope(tds).0;
                let mut by_conductivity = self.expected.permeate_tds.clone();
                let estimate = &mut by_conductivity.estimate;
                estimate.value = measured(estimate.value);
                estimate.low = measured(estimate.low);
                estimate.high = measured(estimate.high);
                shown(&by_conductivity, Column::PermeateConductivity)
            }
            None => shown(&self.expected.permeate_tds, Column::PermeateTds),
        };
        [
            (
                "permeate_flow",
                shown(&self.expected.permeate_flow, Column::PermeateFlow),
            ),
            ("permeate_quality", quality),
            (
                "differential_pressure",
                shown(
                    &self.expected.differential_pressure,
                    Column::DifferentialPressure,
                ),
            ),
        ]
    }
}

fn set(set: &Set) -> Value {
    let Set {
        gauge,
        value,
        exact,
    } = set;
    json!({
        "column": gauge.column.name(),
        "unit": gauge.unit.word,
        "value": known(gauge.unit.from_canonical(*value)),
        "exact": known(gauge.unit.from_canonical(*exact)),
        "resolution": gauge.resolution.map(|step| gauge.unit.difference_from_canonical(step)),
        "off_by": gauge.accuracy.map(|_| gauge.unit.difference_from_canonical(gauge.doubt(*value))),
    })
}

fn element(element: &ElementAtWork, flow: &Unit, site: &Site) -> Value {
    let flux = site
        .element
        .limits
        .flux
        .map_or(crate::units::Quantity::Flux.canonical(), |figure| {
            figure.unit
        });
    json!({
        "stage": element.stage,
        "element": element.element,
        "flux": known(flux.from_canonical(element.flux)),
        "flux_unit": flux.word,
        "recovery": known(element.recovery),
        "inlet_flow": known(flow.from_canonical(element.inlet_flow)),
        "concentrate_flow": known(flow.from_canonical(element.concentrate_flow)),
        "flow_unit": flow.word,
        "concentrate_tds_mg_l": known(element.concentrate_tds),
        "permeate_tds_mg_l": known(element.permeate_tds),
        "polarisation": known(element.polarisation),
    })
}

/// None where a figure is missing, which JSON does not know.
fn known(figure: f64) -> Option<f64> {
    figure.is_finite().then_some(figure)
}
