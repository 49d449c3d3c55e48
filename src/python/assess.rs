//! How a unit stands, as Python objects.

use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::result::PyResultView;
use super::uncertainty::PyBudget;
use crate::assess::{AssessSettings, Estimate, Standing};

/// A figure with its interval.
#[pyclass(name = "Estimate", frozen, module = "brinemark", from_py_object)]
#[derive(Clone)]
pub(super) struct PyEstimate(pub(super) Estimate);

#[pymethods]
impl PyEstimate {
    /// The figure.
    #[getter]
    fn value(&self) -> f64 {
        self.0.value
    }

    /// The lower end of its interval; NaN where the readings give none.
    #[getter]
    fn low(&self) -> f64 {
        self.0.low
    }

    /// The upper end.
    #[getter]
    fn high(&self) -> f64 {
        self.0.high
    }

    /// How often such an interval holds the true figure.
    #[getter]
    fn level(&self) -> f64 {
        self.0.level
    }

    /// Its unit; "" for a ratio. "per unit of time" and "per year" are in the unit of the values given.
    #[getter]
    fn unit(&self) -> &'static str {
        self.0.unit
    }

    /// How many readings it stands on (where a unit stands: days with readings).
    #[getter]
    fn n(&self) -> usize {
        self.0.n
    }

    /// How it was found.
    #[getter]
    fn method(&self) -> &'static str {
        self.0.method
    }

    /// Where its uncertainty comes from; None where nothing is known of the instruments.
    #[getter]
    fn budget(&self) -> Option<PyBudget> {
        self.0.budget.clone().map(PyBudget)
    }

    fn __repr__(&self) -> String {
        format!("Estimate({})", self.0)
    }
}

/// How one train and stage stands against its reference, over the last days of the log.
#[pyclass(name = "Standing", frozen, module = "brinemark")]
struct PyStanding(Standing);

#[pymethods]
impl PyStanding {
    /// The train, or None.
    #[getter]
    fn train(&self) -> Option<&str> {
        self.0.train.as_deref()
    }

    /// The stage, or None.
    #[getter]
    fn stage(&self) -> Option<&str> {
        self.0.stage.as_deref()
    }

    /// First reading of the window, ISO 8601.
    #[getter]
    fn start(&self) -> &str {
        &self.0.start
    }

    /// Last reading of the window, ISO 8601.
    #[getter]
    fn end(&self) -> &str {
        &self.0.end
    }

    /// Days with readings in it.
    #[getter]
    fn days(&self) -> usize {
        self.0.days
    }

    /// Permeate over raw feed in the window, its median, from the flows.
    #[getter]
    fn recovery(&self) -> f64 {
        self.0.recovery
    }

    /// Permeate over what passes the membranes once, recycle included.
    #[getter]
    fn pass_recovery(&self) -> f64 {
        self.0.pass_recovery
    }

    /// Changes against the reference, as fractions: permeate_flow (as measured), temperature and driving_pressure (what each
    /// alone made of it), and the normalised figures.
    #[getter]
    fn changes<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let changes = PyDict::new(py);
        for (name, estimate) in &self.0.changes {
            changes.set_item(name, PyEstimate(estimate.clone()))?;
        }
        Ok(changes)
    }

    /// All of it in a sentence or two.
    #[getter]
    fn sentence(&self) -> &str {
        &self.0.sentence
    }

    fn __repr__(&self) -> String {
        format!("Standing({})", self.0.sentence)
    }
}

#[pyfunction]
#[pyo3(signature = (result, days, level))]
fn assess(
    py: Python<'_>,
    result: &PyResultView,
    days: f64,
    level: f64,
) -> PyResult<Vec<PyStanding>> {
    let found = py.detach(|| crate::assess::assess(&result.0, &AssessSettings { days, level }))?;
    Ok(found.into_iter().map(PyStanding).collect())
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyEstimate>()?;
    module.add_class::<PyStanding>()?;
    module.add_function(wrap_pyfunction!(assess, module)?)
}
