//! Demands and sizings as Python objects, in the units of the demand file.

use std::path::PathBuf;
use std::sync::Arc;

use pyo3::prelude::*;

use super::assess::PyEstimate;
use super::site::PySite;
use crate::sizing::{
    CAUTIONS, Demand, MONTHS, Month, SizedUnit, Sizing, Standing, TEMPLATE, TankDay, Year,
    vessels_in_words,
};
use crate::units::Unit;

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

/// A number of vessels, and what they do with the demand.
#[pyclass(name = "SizedUnit", frozen, module = "brinemark")]
struct PySizedUnit {
    unit: SizedUnit,
    of: Arc<Sizing>,
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
struct PyMonth {
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
struct PyStanding {
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

/// The tank over a day. Amounts are of what can be drawn of it.
#[pyclass(name = "TankDay", frozen, module = "brinemark")]
struct PyTankDay(TankDay, &'static Unit);

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
struct PyYear(Year, &'static Unit);

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
