//! Site folders, from Python.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use pyo3::prelude::*;

use super::records::PyDue;
use super::site::PySite;
use super::tables::{PyLog, PyReadOptions};
use crate::folder::{Done, Making, SiteFolder};
use crate::log::append::{Appended, Visit};
use crate::service;

/// A line that is in a file of the folder now, and on the disk.
#[pyclass(name = "Appended", frozen, module = "brinemark")]
struct PyAppended(Appended);

#[pymethods]
impl PyAppended {
    /// The line as it stands in the file.
    #[getter]
    fn line(&self) -> &str {
        &self.0.line
    }

    /// Whether it stood there before: the same thing was given twice, and is there once.
    #[getter]
    fn already_there(&self) -> bool {
        self.0.already_there
    }

    /// What to know: what was mended, what is odd about it.
    #[getter]
    fn told(&self) -> Vec<String> {
        self.0.told.clone()
    }

    fn __repr__(&self) -> String {
        let there = if self.0.already_there {
            ", already there"
        } else {
            ""
        };
        format!("Appended({}{there})", self.0.line)
    }
}

/// Something that was done to a unit.
#[pyclass(name = "ServiceDone", frozen, module = "brinemark")]
struct PyServiceDone(Done);

#[pymethods]
impl PyServiceDone {
    /// When, ISO 8601.
    #[getter]
    fn date(&self) -> String {
        self.0.date.to_string()
    }

    /// calibration, lamp, prefilter, sanitising or other.
    #[getter]
    fn what(&self) -> &'static str {
        self.0.what.name()
    }

    /// What it was done to: a column's name or the site's own words; "" where the kind says enough.
    #[getter]
    fn of(&self) -> &str {
        &self.0.of
    }

    /// Who did it, or None.
    #[getter]
    fn who(&self) -> Option<&str> {
        self.0.who.as_deref()
    }

    /// Anything else in words, or None.
    #[getter]
    fn note(&self) -> Option<&str> {
        self.0.note.as_deref()
    }

    fn __repr__(&self) -> String {
        format!("ServiceDone({})", self.0)
    }
}

/// A site's folder, opened. `brinemark.SiteFolder` is what people use.
#[pyclass(name = "SiteFolder", frozen, module = "brinemark._core")]
struct PySiteFolder(SiteFolder);

#[pymethods]
impl PySiteFolder {
    #[staticmethod]
    fn open(py: Python<'_>, path: PathBuf) -> PyResult<Self> {
        Ok(Self(py.detach(|| SiteFolder::open(&path))?))
    }

    /// Makes a folder: readings brought over, and what to know.
    #[staticmethod]
    fn create(
        py: Python<'_>,
        path: PathBuf,
        site: PathBuf,
        log: Vec<PathBuf>,
        options: &PyReadOptions,
        tz: Option<String>,
    ) -> PyResult<(u64, Vec<String>)> {
        let making = Making {
            site,
            log,
            options: options.0.clone(),
            time_zone: tz,
        };
        let made = py.detach(|| SiteFolder::create(&path, &making))?;
        Ok((made.readings, made.told))
    }

    #[getter]
    fn site(&self) -> PySite {
        PySite(Arc::new(self.0.site.clone()))
    }

    #[getter]
    fn told(&self) -> Vec<String> {
        self.0.told.clone()
    }

    /// The readings, and what was mended before they were read.
    fn log(&self, py: Python<'_>) -> PyResult<(PyLog, Vec<String>)> {
        let (log, told) = py.detach(|| self.0.log())?;
        Ok((PyLog(log), told))
    }

    fn append(
        &self,
        py: Python<'_>,
        time: String,
        readings: Vec<(String, String)>,
        who: Option<String>,
        note: Option<String>,
        wait_s: f64,
    ) -> PyResult<PyAppended> {
        let visit = Visit {
            time,
            readings,
            who,
            note,
        };
        let wait = wait_of(wait_s);
        Ok(PyAppended(py.detach(|| self.0.append(&visit, wait))?))
    }

    #[expect(clippy::too_many_arguments, reason = "Python's keywords, one each")]
    fn service(
        &self,
        py: Python<'_>,
        what: &str,
        of: Option<&str>,
        on: &str,
        who: Option<&str>,
        note: Option<&str>,
        wait_s: f64,
    ) -> PyResult<PyAppended> {
        let done = Done::parse(what, of, on, who, note)?;
        let wait = wait_of(wait_s);
        Ok(PyAppended(py.detach(|| self.0.service(&done, wait))?))
    }

    fn services(&self) -> PyResult<Vec<PyServiceDone>> {
        Ok(self.0.services()?.into_iter().map(PyServiceDone).collect())
    }

    fn due(&self, on: &str) -> PyResult<Vec<PyDue>> {
        let on = service::date(on)?;
        Ok(self.0.due(on)?.into_iter().map(PyDue).collect())
    }
}

/// A time that is none is not waited.
fn wait_of(seconds: f64) -> Duration {
    Duration::try_from_secs_f64(seconds).unwrap_or_default()
}

/// The headers of a site's log.
#[pyfunction]
fn log_titles(site: &PySite) -> Vec<String> {
    site.0.log_titles()
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyAppended>()?;
    module.add_class::<PyServiceDone>()?;
    module.add_class::<PySiteFolder>()?;
    module.add_function(wrap_pyfunction!(log_titles, module)?)
}
