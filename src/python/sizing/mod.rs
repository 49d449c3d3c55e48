//! Demands and sizings as Python objects, in the units of the demand file.

mod day;
mod unit;

use std::path::PathBuf;
use std::sync::Arc;

use pyo3::prelude::*;

use super::assess::PyEstimate;
use super::site::PySite;
use crate::sizing::{CAUTIONS, Demand, MONTHS, SizedUnit, Sizing, TEMPLATE, vessels_in_words};
use day::{PyTankDay, PyYear};
use unit::{PyMonth, PySizedUnit, PyStanding};

/// What is needed of a unit, read from a demand file.
///
/// >>> demand = Demand.parse(Demand.template())
/// >>> demand.name
/// 'Example demand'
#[pyclass(name = "Demand", frozen, module = "brinemark")]
pub(super) struct PyDemand(Arc<Demand>);

#[pymethods]
impl PyDemand {
    /// Reads a demand file. Raises DemandError with every fault in it, FileError where it can't be opened.
    #[staticmethod]
    fn load(path: PathBuf) -> PyResult<Self> {
        Ok(Self(Arc::new(Demand::load(&path)?)))
    }

    /// Reads the text of a demand file. Raises DemandError with every fault in it.
    #[staticmethod]
    fn parse(text: &str) -> PyResult<Self> {
        Ok(Self(Arc::new(Demand::parse(text)?)))
    }

    /// A commented demand file with every key, to start from.
    #[staticmethod]
    fn template() -> &'static str {
        TEMPLATE
    }

    /// Its name.
    #[getter]
    fn name(&self) -> &str {
        &self.0.name
    }

    /// Its notes, or None.
    #[getter]
    fn notes(&self) -> Option<&str> {
        self.0.notes.as_deref()
    }

    /// The file as it was written.
    #[getter]
    fn text(&self) -> &str {
        &self.0.text
    }

    /// The settings as JSON, in canonical units.
    #[getter]
    fn settings(&self) -> String {
        self.0.settings()
    }

    fn __repr__(&self) -> String {
        format!("Demand({:?})", self.0.name)
    }
}

/// A unit held against a demand, and the size that would do. Advice, not a design.
///
/// Figures are in the units of the demand file; pressures in that of the site file's limit. What a day needs and makes is a flow,
/// the mean over its 24 h, as the demand file's `daily` is.
#[pyclass(name = "Sizing", frozen, module = "brinemark")]
struct PySizing(Arc<Sizing>);

impl PySizing {
    fn unit(&self, unit: &SizedUnit) -> PySizedUnit {
        PySizedUnit {
            unit: unit.clone(),
            of: Arc::clone(&self.0),
        }
    }

    fn flow(&self, canonical: f64) -> f64 {
        self.0.demand.units.flow.from_canonical(canonical)
    }
}

#[pymethods]
impl PySizing {
    /// The month that binds, and the size that would do.
    #[getter]
    fn sentence(&self) -> String {
        self.0.sentence()
    }

    /// The site's name.
    #[getter]
    fn site(&self) -> &str {
        &self.0.site.name
    }

    /// The demand.
    #[getter]
    fn demand(&self) -> PyDemand {
        PyDemand(Arc::clone(&self.0.demand))
    }

    /// How often intervals shall hold the true figure.
    #[getter]
    fn level(&self) -> f64 {
        self.0.level
    }

    /// The units of figures, by what they measure: temperature, pressure, flow, daily, volume.
    #[getter]
    fn units(&self) -> Vec<(&'static str, &'static str)> {
        let units = self.0.demand.units;
        vec![
            ("temperature", units.temperature.word),
            ("pressure", self.0.pressure_unit().word),
            ("flow", units.flow.word),
            ("daily", units.daily.word),
            ("volume", units.volume.word),
        ]
    }

    /// The pressure limit.
    #[getter]
    fn pressure_limit(&self) -> f64 {
        self.0.pressure_unit().from_canonical(self.0.pressure_limit)
    }

    /// The unit as the site file has it.
    #[getter]
    fn present(&self) -> PySizedUnit {
        self.unit(&self.0.present)
    }

    /// The smallest unit of the same vessels that meets every month, or None: none was found.
    #[getter]
    fn proposed(&self) -> Option<PySizedUnit> {
        self.0.proposed.as_ref().map(|unit| self.unit(unit))
    }

    /// The same with the lower end of each month's interval, in words, or None: no interval, or none was found.
    #[getter]
    fn to_be_sure(&self) -> Option<String> {
        let vessels = self.0.needed.vessels_to_be_sure.as_ref()?;
        Some(vessels_in_words(vessels))
    }

    /// The month that needs most of the unit.
    #[getter]
    fn binding_month(&self) -> &'static str {
        MONTHS[self.0.needed.binding_month]
    }

    /// How many times the present area is needed, of vessels in the present proportion.
    #[getter]
    fn area_times(&self) -> PyEstimate {
        PyEstimate(self.0.needed.area_times.clone())
    }

    /// The flow needed of all elements together at the test conditions of their rating (mostly 77 degF, 25 degC).
    #[getter]
    fn rated_flow(&self) -> PyEstimate {
        PyEstimate(self.0.needed.rated_flow.shown_in(self.0.demand.units.flow))
    }

    /// The same by the rule of thumb of 2 % for each degF below 77 degF.
    #[getter]
    fn rated_flow_by_2_per_degf(&self) -> f64 {
        self.flow(self.0.needed.rated_flow_by_2_per_degf)
    }

    /// The same by the rule of thumb of 3 % for each degC below 25 degC.
    #[getter]
    fn rated_flow_by_3_per_degc(&self) -> f64 {
        self.flow(self.0.needed.rated_flow_by_3_per_degc)
    }

    /// The same for water of 25 degC (77 degF) all year.
    #[getter]
    fn rated_flow_at_25_degc(&self) -> f64 {
        self.flow(self.0.needed.rated_flow_at_25)
    }

    /// The coldest month in which anything is needed, and which share of its need a unit sized for 25 degC makes.
    #[getter]
    fn share_if_sized_at_25_degc(&self) -> (&'static str, f64) {
        let needed = &self.0.needed;
        (MONTHS[needed.coldest_month], needed.share_at_25)
    }

    /// What could not be told, and what is missing for it.
    #[getter]
    fn missing(&self) -> Vec<String> {
        self.0.missing.clone()
    }

    /// What else is to be known.
    #[getter]
    fn notes(&self) -> Vec<String> {
        self.0.notes.clone()
    }

    /// What stands beside every sizing.
    #[getter]
    fn cautions(&self) -> Vec<&'static str> {
        CAUTIONS.to_vec()
    }

    fn __repr__(&self) -> String {
        format!("Sizing({})", self.0.sentence())
    }
}

/// Electrical power of a pump: flow times the rise of pressure, over the efficiency of pump and motor.
///
/// P = Q Δp / (36 η), 1 m3/h bar being 1/36 kW
///
/// flow_m3_h : float. What the pump passes, any recycle that returns ahead of it included [m3/h]
/// inlet_pressure_bar, outlet_pressure_bar : float. Gauge pressures ahead of and behind it [bar]; it does nothing where the first is
///     the higher
/// efficiency : float. Hydraulic over electrical power [-], 0.05 to 1
///
/// Returns: float [kW].
/// Raises: RangeError for a flow or pressure below 0, or an efficiency out of range.
/// Source: work of a pump on a liquid, as in any textbook of hydraulics.
///
/// >>> round(pump_power(flow_m3_h=10.0, inlet_pressure_bar=2.0, outlet_pressure_bar=14.0, efficiency=0.5), 3)
/// 6.667
#[pyfunction]
#[pyo3(signature = (*, flow_m3_h, inlet_pressure_bar, outlet_pressure_bar, efficiency))]
fn pump_power(
    flow_m3_h: f64,
    inlet_pressure_bar: f64,
    outlet_pressure_bar: f64,
    efficiency: f64,
) -> PyResult<f64> {
    let above = (0.0, 1e9);
    for (name, value, range) in [
        ("flow_m3_h", flow_m3_h, above),
        ("inlet_pressure_bar", inlet_pressure_bar, above),
        ("outlet_pressure_bar", outlet_pressure_bar, above),
        ("efficiency", efficiency, (0.05, 1.0)),
    ] {
        crate::error::setting(name, value, range, "")?;
    }
    Ok(crate::sizing::pump_power(
        flow_m3_h,
        inlet_pressure_bar,
        outlet_pressure_bar,
        efficiency,
    ))
}

/// What is left of the flow at 77 degF (25 degC) by the rule of thumb of 2 % for each degF below.
///
/// 0.98^n, n degF below 77
///
/// temperature_degc : float. Of the feed [degC], 0 to 50
///
/// Returns: float [-].
/// Raises: RangeError out of range.
/// Source: common practice, no source. Published laws leave as much or more: 0.48 to 0.59 at 5 degC, where it leaves 0.48.
///
/// >>> round(rule_of_thumb(10.0), 3)
/// 0.58
#[pyfunction]
fn rule_of_thumb(temperature_degc: f64) -> PyResult<f64> {
    let range = crate::normalise::temperature::RANGE_DEGC;
    crate::error::setting("temperature_degc", temperature_degc, range, " degC")?;
    Ok(crate::sizing::two_per_cent_a_degf(temperature_degc))
}

#[pyfunction]
#[pyo3(signature = (site, demand, level))]
fn size(py: Python<'_>, site: &PySite, demand: &PyDemand, level: f64) -> PyResult<PySizing> {
    let found = py.detach(|| crate::sizing::size(&site.0, &demand.0, level))?;
    Ok(PySizing(Arc::new(found)))
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyDemand>()?;
    module.add_class::<PySizing>()?;
    module.add_class::<PySizedUnit>()?;
    module.add_class::<PyMonth>()?;
    module.add_class::<PyStanding>()?;
    module.add_class::<PyTankDay>()?;
    module.add_class::<PyYear>()?;
    module.add_function(wrap_pyfunction!(pump_power, module)?)?;
    module.add_function(wrap_pyfunction!(rule_of_thumb, module)?)?;
    module.add_function(wrap_pyfunction!(size, module)?)
}
