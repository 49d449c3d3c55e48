//! Logs of means as Python objects.

use numpy::{IntoPyArray, PyArray1};
use pyo3::prelude::*;

use super::site::PySite;
use super::tables::PyLog;
use crate::aggregate;

/// A log of means over windows.
#[pyclass(name = "Averaged", frozen, module = "brinemark._core")]
struct PyAveraged(aggregate::Averaged);

#[pymethods]
impl PyAveraged {
    #[getter]
    fn log(&self) -> PyLog {
        PyLog(self.0.log.clone())
    }

    #[getter]
    fn counts<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<u32>> {
        self.0.counts.clone().into_pyarray(py)
    }

    #[getter]
    fn standing(&self) -> usize {
        self.0.standing
    }

    #[getter]
    fn held_back(&self) -> usize {
        self.0.held_back
    }

    #[getter]
    fn kept(&self) -> f64 {
        self.0.kept()
    }

    #[getter]
    fn why(&self) -> &str {
        &self.0.why
    }
}

#[pyfunction]
#[pyo3(signature = (log, site, window_h))]
fn average(
    py: Python<'_>,
    log: &PyLog,
    site: &PySite,
    window_h: Option<f64>,
) -> PyResult<PyAveraged> {
    let averaged = py.detach(|| aggregate::average(&log.0, &site.0, window_h))?;
    Ok(PyAveraged(averaged))
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyAveraged>()?;
    module.add_function(wrap_pyfunction!(average, module)?)
}
