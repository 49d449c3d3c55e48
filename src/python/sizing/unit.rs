//! A unit through the year, as Python objects.

use std::sync::Arc;

use pyo3::prelude::*;

use super::PyEstimate;
use super::day::{PyTankDay, PyYear};
use crate::sizing::{MONTHS, Month, SizedUnit, Sizing, Standing, vessels_in_words};

/// A number of vessels, and what they do with the demand.
#[pyclass(name = "SizedUnit", frozen, module = "brinemark")]
pub(super) struct PySizedUnit {
    pub(super) unit: SizedUnit,
    pub(super) of: Arc<Sizing>,
}

#[pymethods]
impl PySizedUnit {
    /// Its vessels in words: "4 vessels of 3".
    #[getter]
    fn words(&self) -> String {
        vessels_in_words(&self.unit.stages)
    }

    /// Vessels of each stage, and elements in each.
    #[getter]
    fn stages(&self) -> Vec<(u32, u32)> {
        let stage = |stage: &crate::site::Stage| (stage.vessels, stage.elements_per_vessel);
        self.unit.stages.iter().map(stage).collect()
    }

    /// Elements of all vessels.
    #[getter]
    fn elements(&self) -> u32 {
        self.unit.elements()
    }

    /// m2.
    #[getter]
    fn area_m2(&self) -> f64 {
        self.unit.area_m2
    }

    /// All elements together at the test conditions of their rating.
    #[getter]
    fn rated_flow(&self) -> f64 {
        self.of
            .demand
            .units
            .flow
            .from_canonical(self.unit.rated_flow)
    }

    /// From January on.
    #[getter]
    fn months(&self) -> Vec<PyMonth> {
        let month = |month: &Month| PyMonth {
            month: month.clone(),
            of: Arc::clone(&self.of),
        };
        self.unit.months.iter().map(month).collect()
    }

    /// A year with worn membranes.
    #[getter]
    fn year(&self) -> PyYear {
        PyYear(self.unit.year.clone(), self.of.demand.units.volume)
    }

    /// A year with new membranes.
    #[getter]
    fn year_when_new(&self) -> PyYear {
        PyYear(self.unit.year_when_new.clone(), self.of.demand.units.volume)
    }

    /// Limits of the site file that it would break as it is set, one sentence each.
    #[getter]
    fn breaks(&self) -> Vec<String> {
        self.of.broken(&self.unit)
    }

    /// What the tank does, or None without one.
    #[getter]
    fn tank(&self) -> Option<String> {
        self.of.tank_sentence(&self.unit)
    }

    fn __repr__(&self) -> String {
        format!("SizedUnit({})", self.words())
    }
}

/// A month of a unit.
#[pyclass(name = "SizingMonth", frozen, module = "brinemark")]
pub(super) struct PyMonth {
    month: Month,
    of: Arc<Sizing>,
}

impl PyMonth {
    fn standing(&self, standing: &Standing) -> PyStanding {
        PyStanding {
            standing: standing.clone(),
            of: Arc::clone(&self.of),
        }
    }
}

#[pymethods]
impl PyMonth {
    /// Its name.
    #[getter]
    fn name(&self) -> &'static str {
        MONTHS[self.month.month]
    }

    /// Of the feed.
    #[getter]
    fn temperature(&self) -> f64 {
        let unit = self.of.demand.units.temperature;
        unit.from_canonical(self.month.temperature)
    }

    /// Of the feed, mg/L.
    #[getter]
    fn feed_tds_mg_l(&self) -> f64 {
        self.month.feed_tds
    }

    /// What a day needs.
    #[getter]
    fn needed(&self) -> f64 {
        self.of.demand.units.daily.from_canonical(self.month.needed)
    }

    /// With worn membranes, which a unit is sized for.
    #[getter]
    fn worn(&self) -> PyStanding {
        self.standing(&self.month.worn)
    }

    /// With new membranes.
    #[getter]
    fn when_new(&self) -> PyStanding {
        self.standing(&self.month.when_new)
    }

    /// What a day of the worn unit would make, had its flow at 77 degF fallen by 2 % for each degF.
    #[getter]
    fn by_rule_of_thumb(&self) -> f64 {
        let unit = self.of.demand.units.daily;
        unit.from_canonical(self.month.by_rule_of_thumb)
    }

    /// The tank over a day, or None without one.
    #[getter]
    fn tank(&self) -> Option<PyTankDay> {
        let tank = self.month.tank.clone()?;
        Some(PyTankDay(tank, self.of.demand.units.volume))
    }

    /// What must be stored so that nothing is short, if the unit runs whenever it may; None: a day needs more than is made.
    #[getter]
    fn storage_needed(&self) -> Option<f64> {
        let unit = self.of.demand.units.volume;
        self.month
            .storage_needed
            .map(|needed| unit.from_canonical(needed))
    }

    /// How long the full tank bridges the peak while the unit runs, h; infinite where the unit makes as much. None: no peak, or no
    /// tank.
    #[getter]
    fn peak_lasts_h(&self) -> Option<f64> {
        self.month.peak_lasts_h
    }

    fn __repr__(&self) -> String {
        let share = self.month.worn.share.as_ref();
        let share = share.map_or("nothing needed".to_owned(), ToString::to_string);
        format!("SizingMonth({}: {share})", self.name())
    }
}

/// How a unit stands in a month.
#[pyclass(name = "SizingStanding", frozen, module = "brinemark")]
pub(super) struct PyStanding {
    standing: Standing,
    of: Arc<Sizing>,
}

impl PyStanding {
    fn flow(&self, canonical: f64) -> f64 {
        self.of.demand.units.flow.from_canonical(canonical)
    }
}

#[pymethods]
impl PyStanding {
    /// What a day makes at the pressure limit, over the hours the unit may run.
    #[getter]
    fn capacity(&self) -> PyEstimate {
        PyEstimate(self.standing.capacity.shown_in(self.of.demand.units.daily))
    }

    /// That over what the day needs, as a fraction; None: nothing is needed.
    #[getter]
    fn share(&self) -> Option<PyEstimate> {
        self.standing.share.clone().map(PyEstimate)
    }

    /// As it is set.
    #[getter]
    fn feed_pressure(&self) -> PyEstimate {
        PyEstimate(
            self.standing
                .feed_pressure
                .shown_in(self.of.pressure_unit()),
        )
    }

    /// As it is set.
    #[getter]
    fn permeate_flow(&self) -> PyEstimate {
        PyEstimate(
            self.standing
                .permeate_flow
                .shown_in(self.of.demand.units.flow),
        )
    }

    /// As it is set, mg/L.
    #[getter]
    fn permeate_tds(&self) -> PyEstimate {
        PyEstimate(self.standing.permeate_tds.clone())
    }

    /// As it is set, kW, with the losses of pump and motor; None: no efficiency is told.
    #[getter]
    fn power_kw(&self) -> Option<PyEstimate> {
        self.standing.power_kw.clone().map(PyEstimate)
    }

    /// Whether the pressure limit keeps it from what it is set to.
    #[getter]
    fn stopped_by_limit(&self) -> bool {
        self.standing.is_stopped
    }

    /// How long it runs a day as it is set, if the tank bridges what is between.
    #[getter]
    fn hours_a_day(&self) -> f64 {
        self.standing.hours_a_day
    }

    /// Raw feed, as it is set.
    #[getter]
    fn feed_flow(&self) -> f64 {
        self.flow(self.standing.working.feed_flow)
    }

    /// To the drain, as it is set.
    #[getter]
    fn concentrate_flow(&self) -> f64 {
        self.flow(self.standing.working.concentrate_flow)
    }

    /// Feed less concentrate pressure, as it is set.
    #[getter]
    fn differential_pressure(&self) -> f64 {
        let working = &self.standing.working;
        let unit = self.of.pressure_unit();
        unit.from_canonical(working.feed_pressure - working.concentrate_pressure)
    }

    /// Mean flux as it is set, L/m2/h.
    #[getter]
    fn flux_l_m2_h(&self) -> f64 {
        self.standing.flux
    }

    /// Flux of the element that passes most, L/m2/h.
    #[getter]
    fn highest_flux_l_m2_h(&self) -> f64 {
        self.standing.highest_flux
    }

    /// Recovery of the element that recovers most.
    #[getter]
    fn highest_element_recovery(&self) -> f64 {
        self.standing.highest_element_recovery
    }

    /// Into each vessel of the first stage.
    #[getter]
    fn vessel_feed_flow(&self) -> f64 {
        self.flow(self.standing.vessel_feed_flow)
    }

    /// The least that leaves any vessel.
    #[getter]
    fn vessel_concentrate_flow(&self) -> f64 {
        self.flow(self.standing.vessel_concentrate_flow)
    }

    fn __repr__(&self) -> String {
        let unit = self.of.demand.units.daily;
        format!(
            "SizingStanding(capacity {})",
            self.standing.capacity.shown_in(unit)
        )
    }
}
