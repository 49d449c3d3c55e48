//! Forecasts and checks of visits as Python objects.

use std::collections::HashMap;

use pyo3::prelude::*;

use super::assess::PyEstimate;
use super::diagnose::PyDiagnosis;
use super::result::PyResultView;
use super::trend::PyTrend;
use crate::check::{Check, Checked, check as check_visit};
use crate::forecast::{Asked, ColdFlow, Date, Forecast, Plan, Prices, Triggers};
use crate::log::show_time;
use crate::log::time::zone_or_utc;
use crate::trend::TrendSettings;
use crate::units::{Quantity, parse_quantity};

fn shown(us: Option<i64>, zone: &str) -> Option<String> {
    us.map(|us| show_time(us, &zone_or_utc(zone)))
}

/// A day at which something is reached, if nothing happens.
#[pyclass(name = "Date", frozen, module = "brinemark")]
struct PyDate(Date, String);

#[pymethods]
impl PyDate {
    /// The middle, ISO 8601: by even odds it is reached then; None: not within ten years.
    #[getter]
    fn middle(&self) -> Option<String> {
        shown(self.0.middle_us, &self.1)
    }

    /// The early end of its interval; None: not within ten years.
    #[getter]
    fn early(&self) -> Option<String> {
        shown(self.0.early_us, &self.1)
    }

    /// The late end of its interval; None: not within ten years.
    #[getter]
    fn late(&self) -> Option<String> {
        shown(self.0.late_us, &self.1)
    }

    /// How often such an interval holds the true day.
    #[getter]
    fn level(&self) -> f64 {
        self.0.level
    }

    /// How probable it is that it is reached already.
    #[getter]
    fn reached(&self) -> f64 {
        self.0.reached
    }

    fn __repr__(&self) -> String {
        let day = |day: Option<String>| match day {
            Some(day) => day.get(..10).unwrap_or_default().to_owned(),
            None => "beyond ten years".to_owned(),
        };
        format!(
            "Date({}, {} to {})",
            day(self.middle()),
            day(self.early()),
            day(self.late())
        )
    }
}

/// Permeate flow in the coldest water, at the pressure limit.
#[pyclass(name = "ColdFlow", frozen, module = "brinemark")]
struct PyColdFlow(ColdFlow, String);

#[pymethods]
impl PyColdFlow {
    /// The coldest water, degC.
    #[getter]
    fn temperature_degc(&self) -> f64 {
        self.0.temperature
    }

    /// The limit of feed pressure, in the log's unit.
    #[getter]
    fn pressure(&self) -> f64 {
        self.0.pressure
    }

    /// The unit of it.
    #[getter]
    fn pressure_unit(&self) -> &'static str {
        self.0.pressure_unit
    }

    /// What the unit would make there now, in the log's unit.
    #[getter]
    fn now(&self) -> PyEstimate {
        PyEstimate(self.0.now.clone())
    }

    /// What is needed, in the log's unit; None where nobody told.
    #[getter]
    fn demand(&self) -> Option<f64> {
        self.0.demand
    }

    /// From when on that is not enough; None where no demand is known.
    #[getter]
    fn date(&self) -> Option<PyDate> {
        self.0.date.map(|date| PyDate(date, self.1.clone()))
    }
}

/// What waiting costs.
#[pyclass(name = "Plan", frozen, module = "brinemark")]
struct PyPlan(Plan, String);

#[pymethods]
impl PyPlan {
    /// What the extra energy costs a year, now: (middle, low, high).
    #[getter]
    fn extra_per_year(&self) -> [f64; 3] {
        self.0.extra_per_year
    }

    /// When replacing pays: (middle, early, late); None: not within ten years.
    #[getter]
    fn replace(&self) -> [Option<String>; 3] {
        self.0.replace_us.map(|us| shown(us, &self.1))
    }

    /// The choices, the cheapest first: (name, day of the cleaning or None, (cost, low, high)).
    #[getter]
    fn choices(&self) -> Vec<(&'static str, Option<String>, [f64; 3])> {
        let choice = |choice: &crate::forecast::Choice| {
            (choice.name, shown(choice.clean_us, &self.1), choice.cost)
        };
        self.0.choices.iter().map(choice).collect()
    }

    /// The share of the loss that a cleaning is taken to win back.
    #[getter]
    fn won_back(&self) -> f64 {
        self.0.won_back
    }
}

/// When something must be done, if nothing happens.
#[pyclass(name = "Forecast", frozen, module = "brinemark")]
struct PyForecast(Forecast, String);

#[pymethods]
impl PyForecast {
    /// The train, or None.
    #[getter]
    fn train(&self) -> Option<&str> {
        self.0.group.train.as_deref()
    }

    /// The stage, or None.
    #[getter]
    fn stage(&self) -> Option<&str> {
        self.0.group.stage.as_deref()
    }

    /// The last point, ISO 8601.
    #[getter]
    fn start(&self) -> Option<String> {
        shown(Some(self.0.from_us), &self.1)
    }

    /// When each quantity reaches the change that asks for a cleaning: {quantity: (change, Date)}.
    #[getter]
    fn cleaning(&self) -> HashMap<&'static str, (f64, PyDate)> {
        let one = |found: &crate::forecast::TriggerDate| {
            let date = PyDate(found.date, self.1.clone());
            (found.quantity.name(), (found.change, date))
        };
        self.0.cleaning.iter().map(one).collect()
    }

    /// Flow in the coldest water at the pressure limit; None where the site file has no limit.
    #[getter]
    fn cold_flow(&self) -> Option<PyColdFlow> {
        let found = self.0.cold_flow.clone()?;
        Some(PyColdFlow(found, self.1.clone()))
    }

    /// When replacing pays and which cleaning is cheapest; None without prices.
    #[getter]
    fn plan(&self) -> Option<PyPlan> {
        let found = self.0.plan.clone()?;
        Some(PyPlan(found, self.1.clone()))
    }

    /// What could not be told, and what is missing for it.
    #[getter]
    fn missing(&self) -> Vec<String> {
        self.0.missing.clone()
    }

    fn __repr__(&self) -> String {
        let mut text = String::from("Forecast(");
        for found in &self.0.cleaning {
            let date = PyDate(found.date, self.1.clone());
            text += &format!("{}: {}; ", found.quantity.name(), date.__repr__());
        }
        text.trim_end_matches("; ").to_owned() + ")"
    }
}

#[pyfunction]
#[pyo3(signature = (result, trend, triggers, demand, coldest_degc, prices))]
fn forecast(
    py: Python<'_>,
    result: &PyResultView,
    trend: &PyTrend,
    triggers: [f64; 3],
    demand: Option<&str>,
    coldest_degc: Option<f64>,
    prices: Option<(f64, f64, f64, f64, f64, Option<f64>)>,
) -> PyResult<PyForecast> {
    let demand = demand
        .map(|text| parse_quantity(text, Quantity::Flow))
        .transpose()?;
    let asked = Asked {
        triggers: triggers_of(triggers),
        demand,
        coldest: coldest_degc,
        prices: prices.map(
            |(energy_per_kwh, cleaning, elements, pump_efficiency, hours_per_year, won_back)| {
                Prices {
                    energy_per_kwh,
                    cleaning,
                    elements,
                    pump_efficiency,
                    hours_per_year,
                    won_back,
                }
            },
        ),
    };
    let found = py.detach(|| crate::forecast::forecast(&result.0, &trend.0, &asked))?;
    Ok(PyForecast(found, trend.0.zone.clone()))
}

fn triggers_of([water_permeability, salt_permeability, pressure_drop]: [f64; 3]) -> Triggers {
    Triggers {
        water_permeability,
        salt_permeability,
        pressure_drop,
    }
}

/// One quantity at a visit.
#[pyclass(name = "Checked", frozen, module = "brinemark")]
struct PyChecked(Checked);

#[pymethods]
impl PyChecked {
    /// Its name.
    #[getter]
    fn quantity(&self) -> &'static str {
        self.0.quantity.name()
    }

    /// The visit's own figure against new, as a fraction, with what a single reading may be off by.
    #[getter]
    fn visit(&self) -> PyEstimate {
        PyEstimate(self.0.visit.clone())
    }

    /// What the readings before led to; None where there were too few.
    #[getter]
    fn expected(&self) -> Option<PyEstimate> {
        self.0.expected.clone().map(PyEstimate)
    }

    /// The trend with the visit in it.
    #[getter]
    fn now(&self) -> PyEstimate {
        PyEstimate(self.0.now.clone())
    }

    /// The change that asks for something to be done.
    #[getter]
    fn trigger(&self) -> f64 {
        self.0.trigger
    }

    /// How probable it is that this is reached.
    #[getter]
    fn reached(&self) -> f64 {
        self.0.reached
    }
}

/// One visit, judged.
#[pyclass(name = "Check", frozen, module = "brinemark")]
struct PyCheck(Check, String);

#[pymethods]
impl PyCheck {
    /// The train, or None.
    #[getter]
    fn train(&self) -> Option<&str> {
        self.0.group.train.as_deref()
    }

    /// The stage, or None.
    #[getter]
    fn stage(&self) -> Option<&str> {
        self.0.group.stage.as_deref()
    }

    /// The visit, ISO 8601.
    #[getter]
    fn time(&self) -> Option<String> {
        shown(Some(self.0.time_us), &self.1)
    }

    /// The units of temperature, pressure and flow, as the log has them.
    #[getter]
    fn units(&self) -> [&'static str; 3] {
        self.0.units.map(|unit| unit.word)
    }

    /// Feed temperature.
    #[getter]
    fn temperature(&self) -> f64 {
        self.0.temperature
    }

    /// Feed pressure.
    #[getter]
    fn pressure(&self) -> f64 {
        self.0.pressure
    }

    /// Permeate flow as read.
    #[getter]
    fn read(&self) -> f64 {
        self.0.read
    }

    /// What the membranes would have made when new, under the conditions of the visit.
    #[getter]
    fn when_new(&self) -> PyEstimate {
        PyEstimate(self.0.when_new.clone())
    }

    /// What the readings before lead to expect; None where there are too few.
    #[getter]
    fn expected(&self) -> Option<PyEstimate> {
        self.0.expected.clone().map(PyEstimate)
    }

    /// Flow as read against that at the reference, as a fraction.
    #[getter]
    fn measured(&self) -> f64 {
        self.0.measured
    }

    /// What temperature alone made of it, as a fraction.
    #[getter]
    fn by_temperature(&self) -> f64 {
        self.0.by_temperature
    }

    /// What driving pressure alone made of it, as a fraction.
    #[getter]
    fn by_driving_pressure(&self) -> f64 {
        self.0.by_driving_pressure
    }

    /// The quantities.
    #[getter]
    fn quantities(&self) -> Vec<PyChecked> {
        self.0.quantities.iter().cloned().map(PyChecked).collect()
    }

    /// Why; None where there are too few readings.
    #[getter]
    fn diagnosis(&self) -> Option<PyDiagnosis> {
        self.0.diagnosis.clone().map(PyDiagnosis)
    }

    /// "leave alone", "watch", "act now" or "cannot tell".
    #[getter]
    fn advice(&self) -> &'static str {
        self.0.advice.words()
    }

    /// The cautions that stand beside it.
    #[getter]
    fn caution(&self) -> &'static str {
        self.0.caution
    }

    fn __repr__(&self) -> String {
        format!(
            "Check({}: {})",
            self.time().unwrap_or_default(),
            self.0.advice.words()
        )
    }
}

#[pyfunction]
#[pyo3(signature = (result, level, triggers))]
fn check(
    py: Python<'_>,
    result: &PyResultView,
    level: f64,
    triggers: [f64; 3],
) -> PyResult<Vec<PyCheck>> {
    let settings = TrendSettings {
        level,
        ..TrendSettings::default()
    };
    let triggers = triggers_of(triggers);
    let found = py.detach(|| check_visit(&result.0, &settings, &triggers))?;
    let zone = &result.0.log.table.zone;
    Ok(found
        .into_iter()
        .map(|check| PyCheck(check, zone.clone()))
        .collect())
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyDate>()?;
    module.add_class::<PyColdFlow>()?;
    module.add_class::<PyPlan>()?;
    module.add_class::<PyForecast>()?;
    module.add_class::<PyChecked>()?;
    module.add_class::<PyCheck>()?;
    module.add_function(wrap_pyfunction!(forecast, module)?)?;
    module.add_function(wrap_pyfunction!(check, module)?)
}
