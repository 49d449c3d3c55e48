//! Statistics of series, from Python.

use numpy::PyReadonlyArray1;
use pyo3::prelude::*;

use super::assess::PyEstimate;
use crate::change_points::{ChangePointSettings, ChangePoints, Cost, Number};
use crate::trend::cross_checks::{
    self, Change, Correction, MannKendall, TheilSen, YearOnYear, YearOnYearSettings,
};

type Figures<'py> = PyReadonlyArray1<'py, f64>;

fn listed(figures: &Figures<'_>) -> Vec<f64> {
    figures.as_array().to_vec()
}

/// Whether a series rises or falls.
#[pyclass(name = "MannKendall", frozen, module = "brinemark")]
struct PyMannKendall(MannKendall);

#[pymethods]
impl PyMannKendall {
    /// Pairs that rise less pairs that fall.
    #[getter]
    fn s(&self) -> i64 {
        self.0.s
    }

    /// The variance of S if there were no trend, ties and the correction taken in.
    #[getter]
    fn variance(&self) -> f64 {
        self.0.variance
    }

    /// What the correction made of the variance: 1 with none.
    #[getter]
    fn variance_factor(&self) -> f64 {
        self.0.variance_factor
    }

    /// S in standard deviations, brought 1 nearer to 0; NaN where the correction leaves no variance.
    #[getter]
    fn z(&self) -> f64 {
        self.0.z
    }

    /// How often a series without trend would have a z at least so far from 0.
    #[getter]
    fn p(&self) -> f64 {
        self.0.p
    }

    /// Values used.
    #[getter]
    fn n(&self) -> usize {
        self.0.n
    }

    /// Values that were missing.
    #[getter]
    fn missing(&self) -> usize {
        self.0.missing
    }

    /// How dependence was allowed for.
    #[getter]
    fn correction(&self) -> &'static str {
        self.0.correction.name()
    }

    fn __repr__(&self) -> String {
        let MannKendall { s, z, p, n, .. } = self.0;
        let correction = self.0.correction.name();
        format!("MannKendall(S = {s}, z = {z:.3}, p = {p:.2e}, n = {n}, correction {correction})")
    }
}

/// A straight line that a few wild readings don't turn.
#[pyclass(name = "TheilSen", frozen, module = "brinemark")]
struct PyTheilSen(TheilSen);

#[pymethods]
impl PyTheilSen {
    /// What the values change by in a unit of the times, with its interval.
    #[getter]
    fn slope(&self) -> PyEstimate {
        PyEstimate(self.0.slope.clone())
    }

    /// Where the line stands at time 0: median of values - slope × median of times. It has no interval of its own.
    #[getter]
    fn intercept(&self) -> f64 {
        self.0.intercept
    }

    /// Pairs of points with different times, of whose slopes it is the median.
    #[getter]
    fn pairs(&self) -> u64 {
        self.0.pairs
    }

    /// Points whose value is missing.
    #[getter]
    fn missing(&self) -> usize {
        self.0.missing
    }

    fn __repr__(&self) -> String {
        format!("TheilSen({})", self.0.slope)
    }
}

/// What changed in a year.
#[pyclass(name = "YearOnYear", frozen, module = "brinemark")]
struct PyYearOnYear(YearOnYear);

#[pymethods]
impl PyYearOnYear {
    /// The median of the yearly changes, with its interval: a fraction, or in the unit of the values.
    #[getter]
    fn change(&self) -> PyEstimate {
        PyEstimate(self.0.change.clone())
    }

    /// How many pairs that hang together weigh as much as one that doesn't.
    #[getter]
    fn dependence(&self) -> f64 {
        self.0.dependence
    }

    /// Values that have no partner a year before.
    #[getter]
    fn unpaired(&self) -> usize {
        self.0.unpaired
    }

    /// Values that are missing.
    #[getter]
    fn missing(&self) -> usize {
        self.0.missing
    }

    fn __repr__(&self) -> String {
        format!("YearOnYear({})", self.0.change)
    }
}

/// Where series change.
#[pyclass(name = "ChangePoints", frozen, module = "brinemark")]
struct PyChangePoints(ChangePoints);

#[pymethods]
impl PyChangePoints {
    /// The first row of each stretch but the first, counted from 0.
    #[getter]
    fn rows(&self) -> Vec<usize> {
        self.0.rows.clone()
    }

    /// The sum of squares that is left, in terms of the noise, added up over stretches and series; without penalties.
    #[getter]
    fn cost(&self) -> f64 {
        self.0.cost
    }

    /// What each stretch was taken for: level or line.
    #[getter]
    fn of(&self) -> &'static str {
        self.0.of.name()
    }

    /// The penalty of a change; None where a number of changes was asked for.
    #[getter]
    fn penalty(&self) -> Option<f64> {
        match self.0.number {
            Number::Penalty(penalty) => Some(penalty),
            Number::Changes(_) => None,
        }
    }

    /// The least number of rows of a stretch.
    #[getter]
    fn min_size(&self) -> usize {
        self.0.min_size
    }

    /// Rows.
    #[getter]
    fn n(&self) -> usize {
        self.0.n
    }

    /// Missing values of each series.
    #[getter]
    fn missing(&self) -> Vec<usize> {
        self.0.missing.clone()
    }

    fn __repr__(&self) -> String {
        let ChangePoints {
            rows, cost, n, of, ..
        } = &self.0;
        let of = of.name();
        format!("ChangePoints(rows {rows:?} of {n}, each stretch a {of}, cost {cost:.4})")
    }
}

#[pyfunction]
#[pyo3(signature = (values, correction, lags))]
fn mann_kendall(
    py: Python<'_>,
    values: Figures<'_>,
    correction: &str,
    lags: Option<usize>,
) -> PyResult<PyMannKendall> {
    let correction = Correction::parse(correction)?;
    let values = listed(&values);
    let found = py.detach(|| cross_checks::mann_kendall(&values, correction, lags))?;
    Ok(PyMannKendall(found))
}

#[pyfunction]
#[pyo3(signature = (times, values, level))]
fn theil_sen(
    py: Python<'_>,
    times: Figures<'_>,
    values: Figures<'_>,
    level: f64,
) -> PyResult<PyTheilSen> {
    let (times, values) = (listed(&times), listed(&values));
    let found = py.detach(|| cross_checks::theil_sen(&times, &values, level))?;
    Ok(PyTheilSen(found))
}

#[pyfunction]
#[pyo3(signature = (times_days, values, change, tolerance_days, level))]
fn year_on_year(
    py: Python<'_>,
    times_days: Figures<'_>,
    values: Figures<'_>,
    change: &str,
    tolerance_days: f64,
    level: f64,
) -> PyResult<PyYearOnYear> {
    let settings = YearOnYearSettings {
        change: Change::parse(change)?,
        tolerance_days,
        level,
    };
    let (times, values) = (listed(&times_days), listed(&values));
    let found = py.detach(|| cross_checks::year_on_year(&times, &values, &settings))?;
    Ok(PyYearOnYear(found))
}

#[pyfunction]
#[pyo3(signature = (series, penalty, changes, cost, min_size, times, noise))]
#[allow(clippy::too_many_arguments)]
fn change_points(
    py: Python<'_>,
    series: Vec<Figures<'_>>,
    penalty: Option<f64>,
    changes: Option<usize>,
    cost: &str,
    min_size: usize,
    times: Option<Figures<'_>>,
    noise: Option<Vec<f64>>,
) -> PyResult<PyChangePoints> {
    let (cost, number) = (Cost::parse(cost)?, Number::from_settings(penalty, changes)?);
    let series: Vec<Vec<f64>> = series.iter().map(listed).collect();
    let times = times.as_ref().map(listed);
    let found = py.detach(|| {
        let settings = ChangePointSettings {
            cost,
            number,
            min_size,
            times: times.as_deref(),
            noise: noise.as_deref(),
        };
        let series: Vec<&[f64]> = series.iter().map(Vec::as_slice).collect();
        crate::change_points::change_points(&series, &settings)
    })?;
    Ok(PyChangePoints(found))
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyMannKendall>()?;
    module.add_class::<PyTheilSen>()?;
    module.add_class::<PyYearOnYear>()?;
    module.add_class::<PyChangePoints>()?;
    module.add_function(wrap_pyfunction!(mann_kendall, module)?)?;
    module.add_function(wrap_pyfunction!(theil_sen, module)?)?;
    module.add_function(wrap_pyfunction!(year_on_year, module)?)?;
    module.add_function(wrap_pyfunction!(change_points, module)?)
}
