//! One reading: from its conditions to the figures that are like for like.

use super::differential_pressure::factor as differential_pressure_factor;
use super::driving_pressure::{log_mean_unchecked, net_driving_pressure};
use super::permeate_flow::{normalised_permeate_flow, water_permeability};
use super::salt_passage::{SaltConditions, normalised_salt_passage, salt_permeability};
use super::temperature::Law;
use crate::membrane::recycle;
use crate::screen::Reasons;
use crate::site::Site;
use crate::water::{osmotic, viscosity};

/// What is measured of one stage at one time, canonical units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conditions {
    /// Feed temperature, degC.
    pub temperature: f64,
    /// Feed pressure, bar.
    pub feed_pressure: f64,
    /// Feed less concentrate pressure, bar.
    pub differential_pressure: f64,
    /// Permeate pressure, bar.
    pub permeate_pressure: f64,
    /// Permeate flow, m3/h.
    pub permeate_flow: f64,
    /// Raw feed flow, m3/h.
    pub feed_flow: f64,
    /// Concentrate returned, m3/h.
    pub recycle_flow: f64,
    /// Salt in the raw feed, mg/L.
    pub feed_tds: f64,
    /// Salt in the permeate, mg/L.
    pub permeate_tds: f64,
}

/// What follows from the conditions alone, canonical units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State {
    /// Permeate flow over raw feed flow.
    pub recovery: f64,
    /// Permeate flow over membrane inlet flow.
    pub pass_recovery: f64,
    /// Salt at the membranes' inlet, mg/L.
    pub inlet_tds: f64,
    /// Log-mean salt along the feed side, mg/L.
    pub mean_feed_tds: f64,
    /// Mean of inlet and outlet flow of the feed side, m3/h.
    pub mean_flow: f64,
    /// Net driving pressure, bar.
    pub net_driving_pressure: f64,
    /// Temperature factor of permeate flow.
    pub temperature_factor: f64,
    /// Temperature factor of salt transport.
    pub salt_temperature_factor: f64,
}

/// The laws and the membranes by which readings are worked out.
#[derive(Debug, Clone)]
pub struct Model {
    law: Law,
    salt_law: Option<Law>,
    temperature_range: (f64, f64),
    basis: osmotic::Basis,
    area_m2: f64,
    elements: f64,
    flow_exponent: f64,
    viscosity_power: f64,
}

/// The figures of a reading that are like for like, canonical units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures {
    /// Permeate flow at reference conditions, m3/h.
    pub permeate_flow: f64,
    /// Salt passage of the reading itself, inlet to permeate.
    pub actual_salt_passage: f64,
    /// Salt passage at reference conditions and the reference's element flow.
    pub salt_passage: f64,
    /// Salt passage at reference conditions and the normalised element flow.
    pub salt_passage_at_normalised_flow: f64,
}

impl Model {
    /// The model of one stage of a site; `None`: of all its stages together.
    pub fn new(site: &Site, stage: Option<usize>) -> Self {
        let elements = match stage.and_then(|stage| site.stages.get(stage)) {
            Some(stage) => stage.elements(),
            None => site.elements(),
        };
        let (low, high) = site.temperature.range();
        let (salt_low, salt_high) = site.salt_law().range();
        let (osmotic_low, osmotic_high) = osmotic::TEMPERATURE_RANGE_DEGC;
        Self {
            law: site.temperature.clone(),
            salt_law: site.salt_temperature.clone(),
            temperature_range: (
                low.max(salt_low).max(osmotic_low),
                high.min(salt_high).min(osmotic_high),
            ),
            basis: site.salinity.basis,
            area_m2: site.element.area_m2 * f64::from(elements),
            elements: f64::from(elements),
            flow_exponent: site.normalise.differential_pressure_flow_exponent,
            viscosity_power: site.normalise.differential_pressure_viscosity_power,
        }
    }

    /// What follows from the conditions, or why nothing does.
    ///
    /// # Errors
    /// The [`Reasons`] for which the reading can't be worked out.
    #[inline]
    pub fn state(&self, at: &Conditions) -> Result<State, Reasons> {
        let sum = at.temperature
            + at.feed_pressure
            + at.differential_pressure
            + at.permeate_pressure
            + at.permeate_flow
            + at.feed_flow
            + at.recycle_flow
            + at.feed_tds
            + at.permeate_tds;
        if sum.is_nan() {
            return Err(Reasons::MISSING);
        }
        if at.permeate_flow <= 0.0 {
            return Err(Reasons::NO_PERMEATE_FLOW);
        }
        if at.permeate_flow >= at.feed_flow || at.recycle_flow < 0.0 {
            return Err(Reasons::IMPOSSIBLE_FLOWS);
        }
        if at.feed_tds <= 0.0 || at.permeate_tds < 0.0 {
            return Err(Reasons::IMPOSSIBLE_SALT);
        }
        let (low, high) = self.temperature_range;
        if at.temperature < low || at.temperature > high {
            return Err(Reasons::TEMPERATURE_OUT_OF_RANGE);
        }
        let inlet = recycle::inlet(
            at.feed_flow,
            at.recycle_flow,
            at.permeate_flow,
            at.feed_tds,
            at.permeate_tds,
        );
        if inlet.tds <= 0.0 {
            return Err(Reasons::IMPOSSIBLE_SALT);
        }
        let pass_recovery = at.permeate_flow / inlet.flow;
        let mean_feed_tds = inlet.tds * log_mean_unchecked(pass_recovery);
        let highest = osmotic::TDS_RANGE_MG_L.1;
        if mean_feed_tds > highest || at.permeate_tds > highest {
            return Err(Reasons::SALT_OUT_OF_RANGE);
        }
        let salt = self.basis.at(at.temperature);
        let net_driving_pressure = net_driving_pressure(
            at.feed_pressure,
            at.differential_pressure,
            at.permeate_pressure,
            salt.osmotic_pressure(mean_feed_tds),
            salt.osmotic_pressure(at.permeate_tds),
        );
        if net_driving_pressure <= 0.0 {
            return Err(Reasons::NO_DRIVING_PRESSURE);
        }
        let temperature_factor = self.law.unchecked(at.temperature);
        Ok(State {
            recovery: at.permeate_flow / at.feed_flow,
            pass_recovery,
            inlet_tds: inlet.tds,
            mean_feed_tds,
            mean_flow: inlet.flow - 0.5 * at.permeate_flow,
            net_driving_pressure,
            temperature_factor,
            salt_temperature_factor: match &self.salt_law {
                Some(law) => law.unchecked(at.temperature),
                None => temperature_factor,
            },
        })
    }

    /// The figures of a reading at the reference's conditions.
    #[inline]
    pub fn figures(
        &self,
        at: &Conditions,
        state: &State,
        reference: &Conditions,
        reference_state: &State,
    ) -> Figures {
        let permeate_flow = normalised_permeate_flow(
            at.permeate_flow,
            state.net_driving_pressure,
            state.temperature_factor,
            reference_state.net_driving_pressure,
            reference_state.temperature_factor,
        );
        let salt = |permeate_flow: f64, state: &State| SaltConditions {
            element_flow: permeate_flow / self.elements,
            salt_temperature_factor: state.salt_temperature_factor,
            mean_feed_tds: state.mean_feed_tds,
            feed_tds: state.inlet_tds,
        };
        let actual_salt_passage = at.permeate_tds / state.inlet_tds;
        let actual = salt(at.permeate_flow, state);
        let salt_passage = normalised_salt_passage(
            actual_salt_passage,
            &actual,
            &salt(reference.permeate_flow, reference_state),
        );
        Figures {
            permeate_flow,
            actual_salt_passage,
            salt_passage,
            // The same equation with the other element flow: only that term differs.
            salt_passage_at_normalised_flow: salt_passage * reference.permeate_flow / permeate_flow,
        }
    }

    /// Differential pressure at the reference's flow and temperature, bar.
    #[inline]
    pub fn differential_pressure(
        &self,
        at: &Conditions,
        state: &State,
        reference_mean_flow: f64,
        reference_viscosity: f64,
    ) -> f64 {
        at.differential_pressure
            * differential_pressure_factor(
                reference_mean_flow / state.mean_flow,
                reference_viscosity / viscosity::unchecked(at.temperature),
                self.flow_exponent,
                self.viscosity_power,
            )
    }

    /// Water permeability at 25 degC, L/m2/h/bar.
    #[inline]
    pub fn water_permeability(&self, at: &Conditions, state: &State) -> f64 {
        water_permeability(
            at.permeate_flow,
            self.area_m2,
            state.net_driving_pressure,
            state.temperature_factor,
        )
    }

    /// Salt permeability at 25 degC, L/m2/h.
    #[inline]
    pub fn salt_permeability(&self, at: &Conditions, state: &State) -> f64 {
        salt_permeability(
            at.permeate_flow,
            at.permeate_tds,
            state.mean_feed_tds,
            self.area_m2,
            state.salt_temperature_factor,
        )
    }

    /// Flux, L/m2/h.
    #[inline]
    pub fn flux(&self, at: &Conditions) -> f64 {
        1000.0 * at.permeate_flow / self.area_m2
    }
}
