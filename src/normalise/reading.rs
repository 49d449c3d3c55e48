//! One reading: from its conditions to the figures that are like for like.

use wide::f64x4;

use super::differential_pressure::factor as differential_pressure_factor;
use super::driving_pressure::{log_mean_unchecked, net_driving_pressure};
use super::permeate_flow::{normalised_permeate_flow, water_permeability};
use super::salt_passage::{SaltConditions, normalised_salt_passage, salt_permeability};
use super::temperature::Law;
use crate::membrane::recycle;
use crate::real::Real;
use crate::screen::Reasons;
use crate::site::Site;
use crate::water::{osmotic, viscosity};

/// What is measured of one stage at one time, canonical units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conditions<R = f64> {
    /// Feed temperature, degC.
    pub temperature: R,
    /// Feed pressure, bar.
    pub feed_pressure: R,
    /// Feed less concentrate pressure, bar.
    pub differential_pressure: R,
    /// Permeate pressure, bar.
    pub permeate_pressure: R,
    /// Permeate flow, m3/h.
    pub permeate_flow: R,
    /// Raw feed flow, m3/h.
    pub feed_flow: R,
    /// Concentrate returned, m3/h.
    pub recycle_flow: R,
    /// Salt in the raw feed, mg/L.
    pub feed_tds: R,
    /// Salt in the permeate, mg/L.
    pub permeate_tds: R,
}

/// What follows from the conditions alone, canonical units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State<R = f64> {
    /// Permeate flow over raw feed flow.
    pub recovery: R,
    /// Permeate flow over membrane inlet flow.
    pub pass_recovery: R,
    /// Salt at the membranes' inlet, mg/L.
    pub inlet_tds: R,
    /// Log-mean salt along the feed side, mg/L.
    pub mean_feed_tds: R,
    /// Mean of inlet and outlet flow of the feed side, m3/h.
    pub mean_flow: R,
    /// Net driving pressure, bar.
    pub net_driving_pressure: R,
    /// Temperature factor of permeate flow.
    pub temperature_factor: R,
    /// Temperature factor of salt transport.
    pub salt_temperature_factor: R,
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
pub struct Figures<R = f64> {
    /// Permeate flow at reference conditions, m3/h.
    pub permeate_flow: R,
    /// Salt passage of the reading itself, inlet to permeate.
    pub actual_salt_passage: R,
    /// Salt passage at reference conditions and the reference's element flow.
    pub salt_passage: R,
    /// Salt passage at reference conditions and the normalised element flow.
    pub salt_passage_at_normalised_flow: R,
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
    pub fn state(&self, at: &Conditions) -> Result<State, Reasons> {
        let state = self.state_unscreened(at);
        let reasons = self.screen(at, &state);
        if reasons.is_empty() {
            Ok(state)
        } else {
            Err(reasons)
        }
    }

    /// What follows from the conditions, sensible or not.
    #[inline]
    pub(crate) fn state_unscreened<R: Real>(&self, at: &Conditions<R>) -> State<R> {
        let inlet = recycle::inlet(
            at.feed_flow,
            at.recycle_flow,
            at.permeate_flow,
            at.feed_tds,
            at.permeate_tds,
        );
        let pass_recovery = at.permeate_flow / inlet.flow;
        let mean_feed_tds = inlet.tds * log_mean_unchecked(pass_recovery);
        let salt = self.basis.at(at.temperature);
        let temperature_factor = self.law.unchecked(at.temperature);
        State {
            recovery: at.permeate_flow / at.feed_flow,
            pass_recovery,
            inlet_tds: inlet.tds,
            mean_feed_tds,
            mean_flow: inlet.flow - at.permeate_flow * 0.5,
            net_driving_pressure: net_driving_pressure(
                at.feed_pressure,
                at.differential_pressure,
                at.permeate_pressure,
                salt.osmotic_pressure(mean_feed_tds),
                salt.osmotic_pressure(at.permeate_tds),
            ),
            temperature_factor,
            salt_temperature_factor: match &self.salt_law {
                Some(law) => law.unchecked(at.temperature),
                None => temperature_factor,
            },
        }
    }

    /// Whether four readings can all be worked out: what [`Model::screen`] asks, at once. NaN answers no.
    #[inline]
    pub(crate) fn is_fine(&self, at: &Conditions<f64x4>, state: &State<f64x4>) -> bool {
        let (low, high) = self.temperature_range;
        let highest = f64x4::from(osmotic::TDS_RANGE_MG_L.1);
        let zero = f64x4::ZERO;
        let fine = at.permeate_flow.simd_gt(zero)
            & at.permeate_flow.simd_lt(at.feed_flow)
            & at.recycle_flow.simd_ge(zero)
            & at.feed_tds.simd_gt(zero)
            & at.permeate_tds.simd_ge(zero)
            & state.inlet_tds.simd_gt(zero)
            & at.temperature.simd_ge(f64x4::from(low))
            & at.temperature.simd_le(f64x4::from(high))
            & state.mean_feed_tds.simd_le(highest)
            & at.permeate_tds.simd_le(highest)
            & state.net_driving_pressure.simd_gt(zero);
        fine.all()
    }

    /// Why a reading can't be worked out: the first reason met; empty where it can.
    #[inline]
    pub(crate) fn screen(&self, at: &Conditions, state: &State) -> Reasons {
        let sum = at.temperature
            + at.feed_pressure
            + at.differential_pressure
            + at.permeate_pressure
            + at.permeate_flow
            + at.feed_flow
            + at.recycle_flow
            + at.feed_tds
            + at.permeate_tds;
        let (low, high) = self.temperature_range;
        let highest = osmotic::TDS_RANGE_MG_L.1;
        if sum.is_nan() {
            Reasons::MISSING
        } else if at.permeate_flow <= 0.0 {
            Reasons::NO_PERMEATE_FLOW
        } else if at.permeate_flow >= at.feed_flow || at.recycle_flow < 0.0 {
            Reasons::IMPOSSIBLE_FLOWS
        } else if at.feed_tds <= 0.0 || at.permeate_tds < 0.0 || state.inlet_tds <= 0.0 {
            Reasons::IMPOSSIBLE_SALT
        } else if at.temperature < low || at.temperature > high {
            Reasons::TEMPERATURE_OUT_OF_RANGE
        } else if state.mean_feed_tds > highest || at.permeate_tds > highest {
            Reasons::SALT_OUT_OF_RANGE
        } else if state.net_driving_pressure > 0.0 {
            Reasons::empty()
        } else {
            Reasons::NO_DRIVING_PRESSURE
        }
    }

    /// The figures of a reading at the reference's conditions.
    #[inline]
    pub fn figures<R: Real>(
        &self,
        at: &Conditions<R>,
        state: &State<R>,
        reference: &Conditions,
        reference_state: &State,
    ) -> Figures<R> {
        let permeate_flow = normalised_permeate_flow(
            at.permeate_flow,
            state.net_driving_pressure,
            state.temperature_factor,
            R::of(reference_state.net_driving_pressure),
            R::of(reference_state.temperature_factor),
        );
        let actual_salt_passage = at.permeate_tds / state.inlet_tds;
        let salt_passage = normalised_salt_passage(
            actual_salt_passage,
            &SaltConditions {
                element_flow: at.permeate_flow / self.elements,
                salt_temperature_factor: state.salt_temperature_factor,
                mean_feed_tds: state.mean_feed_tds,
                feed_tds: state.inlet_tds,
            },
            &SaltConditions {
                element_flow: R::of(reference.permeate_flow / self.elements),
                salt_temperature_factor: R::of(reference_state.salt_temperature_factor),
                mean_feed_tds: R::of(reference_state.mean_feed_tds),
                feed_tds: R::of(reference_state.inlet_tds),
            },
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
    pub fn differential_pressure<R: Real>(
        &self,
        at: &Conditions<R>,
        state: &State<R>,
        reference_mean_flow: f64,
        reference_viscosity: f64,
    ) -> R {
        at.differential_pressure
            * differential_pressure_factor(
                R::of(reference_mean_flow) / state.mean_flow,
                R::of(reference_viscosity) / viscosity::unchecked(at.temperature),
                self.flow_exponent,
                self.viscosity_power,
            )
    }

    /// Water permeability at 25 degC, L/m2/h/bar.
    #[inline]
    pub fn water_permeability<R: Real>(&self, at: &Conditions<R>, state: &State<R>) -> R {
        water_permeability(
            at.permeate_flow,
            self.area_m2,
            state.net_driving_pressure,
            state.temperature_factor,
        )
    }

    /// Salt permeability at 25 degC, L/m2/h.
    #[inline]
    pub fn salt_permeability<R: Real>(&self, at: &Conditions<R>, state: &State<R>) -> R {
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
    pub fn flux<R: Real>(&self, at: &Conditions<R>) -> R {
        at.permeate_flow * (1000.0 / self.area_m2)
    }
}
