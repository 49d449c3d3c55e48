//! Sites as Python objects.

use std::path::PathBuf;
use std::sync::Arc;

use pyo3::prelude::*;

use crate::log::show_time;
use crate::log::time::zone_or_utc;
use crate::site::{Event, Site};

/// One reverse-osmosis unit, described in a site file.
///
/// >>> site = Site.parse(Site.template())
/// >>> site.elements
/// 6
#[pyclass(name = "Site", frozen, module = "brinemark")]
pub(super) struct PySite(pub(super) Arc<Site>);

#[pymethods]
impl PySite {
    /// Reads a site file. Raises SiteError with every fault in it, FileError where it can't be opened.
    #[staticmethod]
    fn load(path: PathBuf) -> PyResult<Self> {
        Ok(Self(Arc::new(Site::load(&path)?)))
    }

    /// Reads the text of a site file. Raises SiteError with every fault in it.
    #[staticmethod]
    fn parse(text: &str) -> PyResult<Self> {
        Ok(Self(Arc::new(Site::parse(text)?)))
    }

    /// A commented site file with every key, to start from.
    #[staticmethod]
    fn template() -> &'static str {
        crate::site::TEMPLATE
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

    /// Elements of all stages.
    #[getter]
    fn elements(&self) -> u32 {
        self.0.elements()
    }

    /// How many stages.
    #[getter]
    fn stages(&self) -> usize {
        self.0.stages.len()
    }

    /// What was done to the unit, in time order.
    #[getter]
    fn events(&self) -> Vec<PyEvent> {
        self.0.events.iter().cloned().map(PyEvent).collect()
    }

    /// The settings as JSON, in canonical units.
    #[getter]
    fn settings(&self) -> String {
        self.0.settings()
    }

    fn __repr__(&self) -> String {
        format!(
            "Site({:?}, {} stages, {} elements)",
            self.0.name,
            self.0.stages.len(),
            self.0.elements()
        )
    }
}

/// Something done to the unit.
#[pyclass(name = "Event", frozen, module = "brinemark")]
struct PyEvent(Event);

#[pymethods]
impl PyEvent {
    /// When, ISO 8601 in UTC.
    #[getter]
    fn time(&self) -> String {
        show_time(self.0.time_us, &zone_or_utc("UTC"))
    }

    /// cleaning, replacement, calibration, pretreatment-change or other.
    #[getter]
    fn kind(&self) -> &'static str {
        self.0.kind.name()
    }

    /// Of a calibration: the column whose instrument was set right, where that is told.
    #[getter]
    fn of(&self) -> Option<&'static str> {
        self.0.of.map(crate::log::Column::name)
    }

    /// In its users' words.
    #[getter]
    fn note(&self) -> &str {
        &self.0.note
    }

    fn __repr__(&self) -> String {
        format!("Event({}, {}, {:?})", self.time(), self.kind(), self.0.note)
    }
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PySite>()?;
    module.add_class::<PyEvent>()
}
