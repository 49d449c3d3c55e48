//! Results as Python objects.

use std::sync::Arc;

use numpy::{IntoPyArray, PyArray1};
use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::baseline::PyBaseline;
use super::site::PySite;
use super::tables::{PyLog, PyTableView};
use crate::baseline::Baseline;
use crate::error::{Error, Fault};
use crate::log::Column;
use crate::normalise::{Analysis, LimitCount, Normalised, Provenance};

pub(super) fn analyses_of(names: &[String]) -> Result<Vec<Analysis>, Error> {
    let known = Analysis::ALL.map(Analysis::name).join(", ");
    let refuse = |name: &str| {
        Error::MissingColumn(
            Fault::new("not an analysis", format!("one or more of: {known}"))
                .at_column("analyses")
                .with_value(name)
                .into(),
        )
    };
    if names.is_empty() {
        return Err(refuse("none"));
    }
    names
        .iter()
        .map(|name| Analysis::from_name(name).ok_or_else(|| refuse(name)))
        .collect()
}

/// What each analysis needs: {analysis: (columns that must be measured or derived, columns that may be assumed)}.
///
/// >>> requirements()["salt_passage"][0]
/// ['permeate_flow', 'permeate_tds']
#[pyfunction]
fn requirements(py: Python<'_>) -> PyResult<Bound<'_, PyDict>> {
    let names = |columns: &[Column]| {
        columns
            .iter()
            .map(|column| column.name())
            .collect::<Vec<_>>()
    };
    let found = PyDict::new(py);
    for analysis in Analysis::ALL {
        let (measured, assumable) = analysis.needs();
        found.set_item(analysis.name(), (names(measured), names(assumable)))?;
    }
    Ok(found)
}

/// Where the figures of one column come from.
#[pyclass(name = "Provenance", frozen, module = "brinemark")]
struct PyProvenance(Provenance);

#[pymethods]
impl PyProvenance {
    /// The column.
    #[getter]
    fn column(&self) -> &'static str {
        self.0.column.name()
    }

    /// measured, derived or assumed.
    #[getter]
    fn kind(&self) -> &'static str {
        self.0.origin.name()
    }

    /// How, in words.
    #[getter]
    fn detail(&self) -> &str {
        &self.0.detail
    }

    fn __repr__(&self) -> String {
        format!(
            "Provenance({}: {}, {})",
            self.column(),
            self.kind(),
            self.0.detail
        )
    }
}

/// A limit of the site, and how many readings lie beyond it.
#[pyclass(name = "LimitCount", frozen, module = "brinemark")]
struct PyLimitCount(LimitCount);

#[pymethods]
impl PyLimitCount {
    /// The column, or "recovery".
    #[getter]
    fn column(&self) -> &str {
        &self.0.column
    }

    /// The low limit in `unit`, or None.
    #[getter]
    fn low(&self) -> Option<f64> {
        self.0.low
    }

    /// The high limit in `unit`, or None.
    #[getter]
    fn high(&self) -> Option<f64> {
        self.0.high
    }

    /// The unit in which the site file gives it.
    #[getter]
    fn unit(&self) -> &'static str {
        self.0.unit.word
    }

    /// Readings below the low limit.
    #[getter]
    fn below(&self) -> usize {
        self.0.below
    }

    /// Readings above the high limit.
    #[getter]
    fn above(&self) -> usize {
        self.0.above
    }

    /// Readings there are of it.
    #[getter]
    fn readings(&self) -> usize {
        self.0.readings
    }
}

/// A normalised log, as the core holds it.
#[pyclass(name = "Result", frozen, module = "brinemark._core")]
pub(super) struct PyResultView(pub(super) Arc<Normalised>);

#[pymethods]
impl PyResultView {
    #[getter]
    fn table(&self) -> PyTableView {
        PyTableView {
            table: self.0.table(),
            reasons: Some(self.0.reasons.clone()),
        }
    }

    #[getter]
    fn log(&self) -> PyLog {
        PyLog(self.0.log.clone())
    }

    #[getter]
    fn site(&self) -> PySite {
        PySite(Arc::new(self.0.site.clone()))
    }

    #[getter]
    fn baseline(&self) -> PyBaseline {
        PyBaseline::new(self.0.baseline.clone(), Some(&self.0.table()))
    }

    #[getter]
    fn analyses(&self) -> Vec<&'static str> {
        self.0
            .analyses
            .iter()
            .map(|analysis| analysis.name())
            .collect()
    }

    #[getter]
    fn provenance(&self) -> Vec<PyProvenance> {
        self.0
            .provenance
            .iter()
            .cloned()
            .map(PyProvenance)
            .collect()
    }

    #[getter]
    fn reason_counts<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let counts = PyDict::new(py);
        for (words, rows) in self.0.reason_counts() {
            counts.set_item(words, rows)?;
        }
        Ok(counts)
    }

    #[getter]
    fn rows_used(&self) -> usize {
        self.0.rows_used()
    }

    #[getter]
    fn limits(&self) -> Vec<PyLimitCount> {
        self.0
            .limit_counts()
            .into_iter()
            .map(PyLimitCount)
            .collect()
    }

    #[getter]
    fn method<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let method = PyDict::new(py);
        for (name, words) in self.0.method() {
            method.set_item(name, words)?;
        }
        Ok(method)
    }

    #[getter]
    fn knows_errors(&self) -> bool {
        self.0.errors.is_some()
    }

    #[getter]
    fn used(&self, py: Python<'_>) -> Py<PyArray1<bool>> {
        let used: Vec<bool> = self
            .0
            .reasons
            .iter()
            .map(|reasons| reasons.is_empty())
            .collect();
        used.into_pyarray(py).unbind()
    }
}

#[pyfunction]
#[pyo3(signature = (log, site, baseline, analyses))]
fn normalise(
    py: Python<'_>,
    log: &PyLog,
    site: &PySite,
    baseline: Option<&PyBaseline>,
    analyses: Vec<String>,
) -> PyResult<PyResultView> {
    let analyses = analyses_of(&analyses)?;
    let given = baseline.map(|baseline| baseline.baseline.clone());
    let found = py.detach(|| {
        let baseline = match given {
            Some(given) => given,
            None => Arc::new(Baseline::find(&log.0, &site.0, &analyses)?),
        };
        crate::normalise::normalise(&log.0, &site.0, &baseline, &analyses)
    })?;
    Ok(PyResultView(Arc::new(found)))
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyProvenance>()?;
    module.add_class::<PyLimitCount>()?;
    module.add_class::<PyResultView>()?;
    module.add_function(wrap_pyfunction!(requirements, module)?)?;
    module.add_function(wrap_pyfunction!(normalise, module)?)
}
