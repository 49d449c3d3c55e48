//! A day of the tank and a year of the unit, as Python objects.

use pyo3::prelude::*;

use super::PyEstimate;
use crate::sizing::{TankDay, Year};
use crate::units::Unit;

/// The tank over a day. Amounts are of what can be drawn of it.
#[pyclass(name = "TankDay", frozen, module = "brinemark")]
pub(super) struct PyTankDay(pub(super) TankDay, pub(super) &'static Unit);

#[pymethods]
impl PyTankDay {
    /// The level at the start of each minute, and at the day's end.
    #[getter]
    fn levels<'py>(&self, py: Python<'py>) -> Bound<'py, numpy::PyArray1<f64>> {
        let shown = self
            .0
            .levels
            .iter()
            .map(|level| self.1.from_canonical(*level));
        numpy::PyArray1::from_iter(py, shown)
    }

    /// The lowest level.
    #[getter]
    fn lowest(&self) -> f64 {
        self.1.from_canonical(self.0.lowest)
    }

    /// When, as a clock shows it.
    #[getter]
    fn lowest_at(&self) -> String {
        crate::sizing::clock(self.0.lowest_at)
    }

    /// How long the unit runs, h.
    #[getter]
    fn hours_run(&self) -> f64 {
        self.0.hours_run
    }

    /// How often it starts.
    #[getter]
    fn starts(&self) -> f64 {
        self.0.starts
    }

    /// What the unit made.
    #[getter]
    fn made(&self) -> f64 {
        self.1.from_canonical(self.0.made)
    }

    /// What was wanted.
    #[getter]
    fn wanted(&self) -> f64 {
        self.1.from_canonical(self.0.wanted)
    }

    /// What could not be drawn.
    #[getter]
    fn shortfall(&self) -> f64 {
        self.1.from_canonical(self.0.shortfall)
    }

    /// When that was: from and to, as a clock shows it.
    #[getter]
    fn short(&self) -> Vec<(String, String)> {
        let clock = crate::sizing::clock;
        let stretch = |(from, to): &(usize, usize)| (clock(*from), clock(*to));
        self.0.short.iter().map(stretch).collect()
    }

    /// After so many days it ends where it began; None: not within 400.
    #[getter]
    fn repeats_after_days(&self) -> Option<usize> {
        self.0.repeats_after_days
    }

    fn __repr__(&self) -> String {
        let unit = self.1.word;
        format!(
            "TankDay(lowest {:.3} {unit}, short {:.3} {unit})",
            self.lowest(),
            self.shortfall()
        )
    }
}

/// A year of 365 days.
#[pyclass(name = "SizingYear", frozen, module = "brinemark")]
pub(super) struct PyYear(pub(super) Year, pub(super) &'static Unit);

#[pymethods]
impl PyYear {
    /// What the days need, or what can be made of it.
    #[getter]
    fn permeate(&self) -> PyEstimate {
        PyEstimate(self.0.permeate.shown_in(self.1))
    }

    /// What is taken from the supply.
    #[getter]
    fn raw_feed(&self) -> PyEstimate {
        PyEstimate(self.0.raw_feed.shown_in(self.1))
    }

    /// Raw feed less permeate.
    #[getter]
    fn reject(&self) -> PyEstimate {
        PyEstimate(self.0.reject.shown_in(self.1))
    }

    /// kWh; None: no pump efficiency is told.
    #[getter]
    fn energy_kwh(&self) -> Option<PyEstimate> {
        self.0.energy.clone().map(PyEstimate)
    }

    /// kWh for each m3 of permeate; None: no pump efficiency is told.
    #[getter]
    fn energy_kwh_per_m3(&self) -> Option<PyEstimate> {
        self.0.energy_per_m3.clone().map(PyEstimate)
    }

    /// In the currency of the prices; None: no price or no efficiency is told.
    #[getter]
    fn energy_cost(&self) -> Option<PyEstimate> {
        self.0.energy_cost.clone().map(PyEstimate)
    }

    /// Of raw feed, in the currency of the prices; None: no price is told.
    #[getter]
    fn water_cost(&self) -> Option<PyEstimate> {
        self.0.water_cost.clone().map(PyEstimate)
    }

    fn __repr__(&self) -> String {
        format!("SizingYear(permeate {})", self.0.permeate.shown_in(self.1))
    }
}
