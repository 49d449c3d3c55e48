//! Causes as Python objects.

use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::result::PyResultView;
use super::trend::PyTrend;
use crate::diagnose::causes::Cause;
use crate::diagnose::{CAUTIONS, Diagnosis, Ranked};

/// A cause and how probable it is.
#[pyclass(name = "Ranked", frozen, module = "brinemark")]
struct PyRanked(Ranked);

#[pymethods]
impl PyRanked {
    /// Its name.
    #[getter]
    fn cause(&self) -> &'static str {
        self.0.cause.name()
    }

    /// How probable it is, among the causes known here.
    #[getter]
    fn probability(&self) -> f64 {
        self.0.probability
    }

    /// What it is.
    #[getter]
    fn words(&self) -> &'static str {
        self.0.cause.words()
    }

    /// The pattern it is known by.
    #[getter]
    fn pattern(&self) -> &'static str {
        self.0.cause.pattern()
    }

    /// What speaks for it.
    #[getter]
    fn speaks_for(&self) -> Vec<String> {
        self.0.speaks_for.clone()
    }

    /// What speaks against it.
    #[getter]
    fn speaks_against(&self) -> Vec<String> {
        self.0.speaks_against.clone()
    }

    fn __repr__(&self) -> String {
        format!("Ranked({}, {:.2})", self.0.cause.name(), self.0.probability)
    }
}

/// Why a train and stage does what it does.
#[pyclass(name = "Diagnosis", frozen, module = "brinemark")]
pub(super) struct PyDiagnosis(pub(super) Diagnosis);

#[pymethods]
impl PyDiagnosis {
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

    /// The causes, the most probable first.
    #[getter]
    fn causes(&self) -> Vec<PyRanked> {
        self.0.causes.iter().cloned().map(PyRanked).collect()
    }

    /// Whether the first is probable enough to be named: one in two at least.
    #[getter]
    fn tells(&self) -> bool {
        self.0.tells
    }

    /// The test at the unit that would tell the first two apart, and what its outcome would mean.
    #[getter]
    fn next_test(&self) -> (&'static str, &'static str) {
        (self.0.next.what, self.0.next.tells)
    }

    /// What stands beside every advice.
    #[getter]
    fn caution(&self) -> &'static str {
        CAUTIONS
    }

    /// All of it in a sentence or two.
    #[getter]
    fn sentence(&self) -> &str {
        &self.0.sentence
    }

    fn __repr__(&self) -> String {
        format!("Diagnosis({})", self.0.sentence)
    }
}

#[pyfunction]
fn diagnose(py: Python<'_>, result: &PyResultView, trend: &PyTrend) -> PyResult<PyDiagnosis> {
    Ok(PyDiagnosis(py.detach(|| {
        crate::diagnose::diagnose(&result.0, &trend.0)
    })?))
}

/// Every cause that is known here, with the pattern it is known by: {name: pattern}.
///
/// >>> cause_patterns()["leak"]
/// 'salt passage rises at once, all else stays'
#[pyfunction]
fn cause_patterns(py: Python<'_>) -> PyResult<Bound<'_, PyDict>> {
    let found = PyDict::new(py);
    for cause in Cause::ALL {
        found.set_item(cause.name(), cause.pattern())?;
    }
    Ok(found)
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyRanked>()?;
    module.add_class::<PyDiagnosis>()?;
    module.add_function(wrap_pyfunction!(diagnose, module)?)?;
    module.add_function(wrap_pyfunction!(cause_patterns, module)?)
}
