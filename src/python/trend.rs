//! Trends as Python objects.

use std::sync::Mutex;

use numpy::{IntoPyArray, PyArray1, PyReadonlyArray1};
use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::assess::PyEstimate;
use super::result::{PyResultView, analyses_of};
use super::site::PySite;
use super::tables::PyLog;
use crate::assess::Estimate;
use crate::error::{Error, Fault};
use crate::log::show_time;
use crate::log::time::zone_or_utc;
use crate::trend::changes::Clear;
use crate::trend::filter::Variances;
use crate::trend::local::{Before, local_trend};
use crate::trend::points::Quantity;
use crate::trend::{Band, Change, QuantityTrend, Run, Tracker, Trend, TrendSettings};

type Arrays<'py> = (
    Bound<'py, PyArray1<f64>>,
    Bound<'py, PyArray1<f64>>,
    Bound<'py, PyArray1<f64>>,
);

fn arrays<'py>(py: Python<'py>, band: &Band) -> Arrays<'py> {
    (
        band.value.clone().into_pyarray(py),
        band.low.clone().into_pyarray(py),
        band.high.clone().into_pyarray(py),
    )
}

pub(super) fn quantity_of(name: &str) -> Result<Quantity, Error> {
    Quantity::ALL
        .into_iter()
        .find(|quantity| quantity.name() == name)
        .ok_or_else(|| {
            let known = Quantity::ALL.map(Quantity::name).join(", ");
            Error::MissingColumn(
                Fault::new("not a quantity of a trend", format!("one of: {known}"))
                    .at_column("quantity")
                    .with_value(name)
                    .into(),
            )
        })
}

fn named(estimates: &[Option<Estimate>; 3]) -> Vec<(&'static str, PyEstimate)> {
    Quantity::ALL
        .iter()
        .zip(estimates)
        .filter_map(|(quantity, found)| Some((quantity.name(), PyEstimate(found.clone()?))))
        .collect()
}

/// The course of one quantity: water_permeability, salt_permeability or pressure_drop.
#[pyclass(name = "QuantityTrend", frozen, module = "brinemark")]
struct PyQuantityTrend(QuantityTrend, f64);

#[pymethods]
impl PyQuantityTrend {
    /// Its name.
    #[getter]
    fn quantity(&self) -> &'static str {
        self.0.quantity.name()
    }

    /// The column of the result that it is drawn of.
    #[getter]
    fn column(&self) -> &'static str {
        self.0.column
    }

    /// Days with a point.
    #[getter]
    fn n(&self) -> usize {
        self.0.n
    }

    /// Standard deviation of single points, as a fraction.
    #[getter]
    fn noise(&self) -> f64 {
        self.0.noise
    }

    /// Change against new at each point, as a fraction: (value, low, high), as all points tell it. What settles in the
    /// first weeks is apart.
    #[getter]
    fn change<'py>(&self, py: Python<'py>) -> Arrays<'py> {
        arrays(py, &self.0.change)
    }

    /// Rate at each point, 1/y of the logarithm: (value, low, high).
    #[getter]
    fn rate<'py>(&self, py: Python<'py>) -> Arrays<'py> {
        arrays(py, &self.0.rate)
    }

    /// Change against new at the last point.
    #[getter]
    fn now(&self) -> PyEstimate {
        PyEstimate(self.0.now(self.1))
    }

    /// Rate at the last point, 1/y of the logarithm.
    #[getter]
    fn rate_now(&self) -> PyEstimate {
        PyEstimate(self.0.rate_now(self.1))
    }

    /// Mean rate over the last year, or since the first point, 1/y of the logarithm; what cleanings did is in it.
    #[getter]
    fn rate_over_year(&self) -> PyEstimate {
        PyEstimate(self.0.rate_over_year(self.1))
    }

    /// What settled in the first weeks, as a fraction of the level: compaction.
    #[getter]
    fn settling(&self) -> PyEstimate {
        PyEstimate(self.0.settling.clone())
    }

    /// The site's own temperature constant K of exp[K (1/298.15 − 1/T)], in kelvin; of pressure_drop what is left beside
    /// the law of viscosity.
    #[getter]
    fn temperature_constant(&self) -> PyEstimate {
        PyEstimate(self.0.law.constant.clone())
    }

    /// The constant of the law it was normalised by, over the temperatures of the log, K.
    #[getter]
    fn normalised_by(&self) -> f64 {
        self.0.law.normalised_by
    }

    /// The coldest and the warmest week of the log, degC.
    #[getter]
    fn temperatures(&self) -> (f64, f64) {
        (self.0.law.coldest, self.0.law.warmest)
    }

    /// How likely it is that the change since new lies below this fraction (-0.15: 15 % lost).
    fn probability_below(&self, change: f64) -> f64 {
        self.0.probability_below(change)
    }

    /// Change against new some years after the last point, if nothing happens. Raises RangeError unless 0 to 20.
    #[pyo3(signature = (*, years))]
    fn forecast(&self, years: f64) -> PyResult<PyEstimate> {
        Ok(PyEstimate(self.0.forecast(years, self.1)?))
    }

    fn __repr__(&self) -> String {
        format!(
            "QuantityTrend({}: {} against new, {} per year, {} points)",
            self.0.quantity.name(),
            self.0.now(self.1),
            self.0.rate_now(self.1),
            self.0.n
        )
    }
}

/// Something that happened: told in the site file, found in the data, or both.
#[pyclass(name = "Change", frozen, module = "brinemark")]
struct PyChange(Change, String);

#[pymethods]
impl PyChange {
    /// When, ISO 8601 in the log's zone: as the data show it, else as told.
    #[getter]
    fn time(&self) -> String {
        show_time(self.0.time_us, &zone_or_utc(&self.1))
    }

    /// When, µs since 1970 UTC.
    #[getter]
    fn time_us(&self) -> i64 {
        self.0.time_us
    }

    /// "cleaning" (told, or found and like one), "jump" (something else at once), "replacement", "calibration" or "bend" (the
    /// rate changed).
    #[getter]
    fn kind(&self) -> &'static str {
        self.0.kind.name()
    }

    /// The place of its event in the site file's list; None where nobody told.
    #[getter]
    fn told(&self) -> Option<usize> {
        self.0.told
    }

    /// Whether the data show it clearly.
    #[getter]
    fn seen(&self) -> bool {
        self.0.seen
    }

    /// What it looks like by what it did, in words: "like a cleaning", "like new membranes" and so on.
    #[getter]
    fn looks(&self) -> &'static str {
        self.0.looks.words()
    }

    /// How much each quantity jumped, as a fraction; of a bend, how much its rate changed, 1/y.
    #[getter]
    fn sizes(&self) -> std::collections::HashMap<&'static str, PyEstimate> {
        named(&self.0.sizes).into_iter().collect()
    }

    fn __repr__(&self) -> String {
        format!("Change({} {})", self.time(), self.0.kind.name())
    }
}

/// A run between cleanings.
#[pyclass(name = "Run", frozen, module = "brinemark")]
struct PyRun(Run, String);

#[pymethods]
impl PyRun {
    /// First point, ISO 8601.
    #[getter]
    fn start(&self) -> String {
        show_time(self.0.start_us, &zone_or_utc(&self.1))
    }

    /// Last point, ISO 8601.
    #[getter]
    fn end(&self) -> String {
        show_time(self.0.end_us, &zone_or_utc(&self.1))
    }

    /// Points in it.
    #[getter]
    fn points(&self) -> usize {
        self.0.points
    }

    /// The change that ended it, by its place in the trend's `changes`; None: it goes on.
    #[getter]
    fn ended_by(&self) -> Option<usize> {
        self.0.ended_by
    }

    /// Mean rate of each quantity over the run, 1/y of the logarithm.
    #[getter]
    fn rate(&self) -> std::collections::HashMap<&'static str, PyEstimate> {
        named(&self.0.rate).into_iter().collect()
    }

    /// Change of each quantity against new at its end, as a fraction.
    #[getter]
    fn at_end(&self) -> std::collections::HashMap<&'static str, PyEstimate> {
        named(&self.0.at_end).into_iter().collect()
    }

    /// The share of what the run lost that the cleaning behind it won back.
    #[getter]
    fn won_back(&self) -> std::collections::HashMap<&'static str, PyEstimate> {
        named(&self.0.won_back).into_iter().collect()
    }

    /// Change against new right after that cleaning, as a fraction.
    #[getter]
    fn after(&self) -> std::collections::HashMap<&'static str, PyEstimate> {
        named(&self.0.after).into_iter().collect()
    }

    /// How likely it is that water permeability fell faster than in the run before; None of the first.
    #[getter]
    fn faster(&self) -> Option<f64> {
        self.0.faster
    }

    /// Days that the cleaning behind it gained, at the next run's rate; None where that can't be told.
    #[getter]
    fn days_gained(&self) -> Option<f64> {
        self.0.days_gained
    }

    fn __repr__(&self) -> String {
        format!(
            "Run({} to {}, {} points)",
            self.start(),
            self.end(),
            self.0.points
        )
    }
}

/// What the membranes of one train and stage did over the log.
#[pyclass(name = "Trend", frozen, module = "brinemark")]
pub(super) struct PyTrend(pub(super) Trend);

#[pymethods]
impl PyTrend {
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

    /// How often intervals hold the true figure.
    #[getter]
    fn level(&self) -> f64 {
        self.0.level
    }

    /// The time zone in which times are shown.
    #[getter]
    fn zone(&self) -> &str {
        &self.0.zone
    }

    /// The times of the points, µs since 1970 UTC.
    #[getter]
    fn time_us<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<i64>> {
        self.0.times_us().into_pyarray(py)
    }

    /// The names of its quantities.
    #[getter]
    fn quantities(&self) -> Vec<&'static str> {
        self.0
            .quantities
            .iter()
            .map(|found| found.quantity.name())
            .collect()
    }

    /// The course of a quantity. Raises MissingColumnError where there is none of it.
    fn quantity(&self, name: &str) -> PyResult<PyQuantityTrend> {
        let quantity = quantity_of(name)?;
        let found = self.0.of(quantity).ok_or_else(|| {
            Error::MissingColumn(
                Fault::new("the log has too few readings of it", "three days at least")
                    .at_column(name)
                    .into(),
            )
        })?;
        Ok(PyQuantityTrend(found.clone(), self.0.level))
    }

    /// The points of a quantity before any trend: change against its trend's own new level, as a fraction, with the site's
    /// own temperature law.
    fn point_changes<'py>(
        &self,
        py: Python<'py>,
        name: &str,
    ) -> PyResult<Bound<'py, PyArray1<f64>>> {
        Ok(self.0.point_changes(quantity_of(name)?).into_pyarray(py))
    }

    /// What happened, in order of time.
    #[getter]
    fn changes(&self) -> Vec<PyChange> {
        let wrap = |change: &Change| PyChange(change.clone(), self.0.zone.clone());
        self.0.changes.iter().map(wrap).collect()
    }

    /// The runs between cleanings.
    #[getter]
    fn runs(&self) -> Vec<PyRun> {
        let wrap = |run: &Run| PyRun(run.clone(), self.0.zone.clone());
        self.0.runs.iter().map(wrap).collect()
    }

    /// What a reader must know of it.
    #[getter]
    fn warnings(&self) -> Vec<String> {
        self.0.warnings.clone()
    }

    fn __repr__(&self) -> String {
        let of = self.0.quantities.iter().map(|found| {
            format!(
                "\n  {}: {} against new, {} per year",
                found.quantity.name(),
                found.now(self.0.level),
                found.rate_now(self.0.level)
            )
        });
        format!(
            "Trend({} days{})",
            self.0.points.len(),
            of.collect::<String>()
        )
    }
}

/// A trend that takes in later readings, each in the same time however long the log.
#[pyclass(name = "Tracker", module = "brinemark", frozen)]
struct PyTracker(Mutex<Tracker>, f64);

#[pymethods]
impl PyTracker {
    #[new]
    fn new(trend: &PyTrend) -> Self {
        Self(Mutex::new(Tracker::new(&trend.0)), trend.0.level)
    }

    /// Takes in the days of a later result that are not in it yet. Returns how many. Raises BaselineError where the result
    /// doesn't hold the train.
    fn update(&self, py: Python<'_>, result: &Bound<'_, PyAny>) -> PyResult<usize> {
        let core = result.getattr("_core")?;
        let view = core.cast::<PyResultView>()?.get();
        Ok(py.detach(|| self.lock().update(&view.0))?)
    }

    /// A quantity as it stands now. Raises MissingColumnError where there is none of it.
    fn quantity(&self, name: &str) -> PyResult<PyQuantityTrend> {
        let quantity = quantity_of(name)?;
        let tracker = self.lock();
        let found = tracker.of(quantity).ok_or_else(|| {
            Error::MissingColumn(
                Fault::new("the trend has no such quantity", "")
                    .at_column(name)
                    .into(),
            )
        })?;
        Ok(PyQuantityTrend(found.clone(), self.1))
    }
}

impl PyTracker {
    fn lock(&self) -> std::sync::MutexGuard<'_, Tracker> {
        self.0
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

#[pyfunction]
fn fit_law(py: Python<'_>, log: &PyLog, site: &PySite, analyses: Vec<String>) -> PyResult<PySite> {
    let analyses = analyses_of(&analyses)?;
    let fitted = py.detach(|| crate::trend::fit_law(&log.0, &site.0, &analyses))?;
    Ok(PySite(fitted.into()))
}

#[pyfunction]
#[pyo3(signature = (result, level, find_changes, jump, bend))]
fn trend(
    py: Python<'_>,
    result: &PyResultView,
    level: f64,
    find_changes: bool,
    jump: f64,
    bend: f64,
) -> PyResult<Vec<PyTrend>> {
    let settings = TrendSettings {
        level,
        find_changes,
        clear: Clear {
            jump,
            bend,
            ..Clear::default()
        },
    };
    let found = py.detach(|| crate::trend::trend(&result.0, &settings))?;
    Ok(found.into_iter().map(PyTrend).collect())
}

/// Smooths a series: y = level + wander + noise, the level moving at a rate that does a random walk.
///
/// times : array (n), in any unit, rising. values : array (n); NaN is missing. noise : standard deviation of a single
///     value, above 0. bend : of the rate after one unit of time. walk : of the level by itself after one unit of time.
///     wander, memory : standard deviation and correlation time of a first-order autoregression in continuous time.
///     level, level_u, rate, rate_u : what is thought before the first value: means and standard deviations.
///
/// Returns: {"level", "level_u", "rate", "rate_u"}: arrays (n), as all values tell; "log_likelihood": float.
/// Raises: RangeError for standard deviations out of range; LogError where times fall or lengths differ.
/// Source: Durbin and Koopman, Time Series Analysis by State Space Methods (2012), chapters 3 and 4 (from memory);
///     likelihood and states agree with statsmodels' to 1e-9 in the tests.
///
/// >>> import numpy as np
/// >>> smoothed = smooth_local_trend(np.arange(4.0), np.array([0.0, 1.0, np.nan, 3.0]), noise=0.1, bend=0.01,
/// ...     level=0.0, level_u=10.0, rate=0.0, rate_u=1.0)
/// >>> round(float(smoothed["level"][2]), 1)
/// 2.0
#[pyfunction]
#[pyo3(signature = (times, values, *, noise, bend, level, level_u, rate, rate_u, walk=0.0, wander=0.0, memory=1.0))]
#[expect(
    clippy::too_many_arguments,
    reason = "settings of one call in Python, by name"
)]
fn smooth_local_trend<'py>(
    py: Python<'py>,
    times: PyReadonlyArray1<'py, f64>,
    values: PyReadonlyArray1<'py, f64>,
    noise: f64,
    bend: f64,
    level: f64,
    level_u: f64,
    rate: f64,
    rate_u: f64,
    walk: f64,
    wander: f64,
    memory: f64,
) -> PyResult<Bound<'py, PyDict>> {
    let variances = Variances {
        noise,
        wander,
        memory,
        bend,
        share: 0.0,
        growth: 0.0,
        walk,
    };
    let before = Before {
        level: (level, level_u),
        rate: (rate, rate_u),
    };
    let (times, values) = (times.as_array().to_vec(), values.as_array().to_vec());
    let found = py.detach(|| local_trend(&times, &values, &variances, &before))?;
    let smoothed = PyDict::new(py);
    smoothed.set_item("level", found.level.into_pyarray(py))?;
    smoothed.set_item("level_u", found.level_u.into_pyarray(py))?;
    smoothed.set_item("rate", found.rate.into_pyarray(py))?;
    smoothed.set_item("rate_u", found.rate_u.into_pyarray(py))?;
    smoothed.set_item("log_likelihood", found.log_likelihood)?;
    Ok(smoothed)
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyQuantityTrend>()?;
    module.add_class::<PyChange>()?;
    module.add_class::<PyRun>()?;
    module.add_class::<PyTrend>()?;
    module.add_class::<PyTracker>()?;
    module.add_function(wrap_pyfunction!(fit_law, module)?)?;
    module.add_function(wrap_pyfunction!(trend, module)?)?;
    module.add_function(wrap_pyfunction!(smooth_local_trend, module)?)
}
