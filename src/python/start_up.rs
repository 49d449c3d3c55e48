//! The start-up record, from Python.

use pyo3::prelude::*;

use super::site::PySite;
use super::tables::PyLog;
use crate::start_up::{StartUpSettings, start_up as start_up_of};

/// The record of a start-up, as JSON.
#[pyfunction]
fn start_up(
    py: Python<'_>,
    log: &PyLog,
    site: &PySite,
    start_us: Option<i64>,
    hours: f64,
    level: f64,
) -> PyResult<String> {
    let settings = StartUpSettings {
        start_us,
        hours,
        level,
    };
    let told = py.detach(|| {
        let found = start_up_of(&log.0, &site.0, &settings)?;
        Ok::<_, crate::Error>(found.told(&log.0.hash()))
    })?;
    Ok(serde_json::to_string_pretty(&told).unwrap_or_default())
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_function(wrap_pyfunction!(start_up, module)?)
}
