//! Sites as Python objects.

use std::path::PathBuf;
use std::sync::Arc;

use pyo3::prelude::*;

use super::scaling::{PyRecoveryLimits, PySaturation, PyWater};
use crate::log::show_time;
use crate::log::time::zone_or_utc;
use crate::site::{Event, Site};
use crate::water::scaling;

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

    /// The feed on a day, by the [water] analysis: at that temperature [degC], all contents scaled alike to the day's salt
    /// [mg/L] where that is given; before any treatment. None where the site file has no analysis.
    ///
    /// Raises: RangeError for a temperature outside 0 to 50 degC; AnalysisError for salt that the analysis can't be scaled to.
    #[pyo3(signature = (*, temperature_degc, feed_tds_mg_l=None))]
    fn water(
        &self,
        temperature_degc: f64,
        feed_tds_mg_l: Option<f64>,
    ) -> PyResult<Option<PyWater>> {
        Ok(self
            .0
            .water_at(temperature_degc, feed_tds_mg_l)?
            .map(PyWater))
    }

    /// What of the [water] analysis was taken rather than analysed.
    #[getter]
    fn water_taken(&self) -> Vec<String> {
        let water = self.0.water.as_ref();
        water.map_or_else(Vec::new, |water| water.taken.clone())
    }

    /// A water behind the softener and the acid of [scaling].
    ///
    /// Raises: RangeError for a dose of acid that is too much for it.
    fn treated(&self, water: &PyWater) -> PyResult<PyWater> {
        Ok(PyWater(self.0.treated(&water.0)?))
    }

    /// The recovery that each scale of a water allows, treated and limited as [scaling] says.
    ///
    /// Raises: as `recovery_limits` and `treated`.
    fn recovery_limits(&self, water: &PyWater) -> PyResult<PyRecoveryLimits> {
        Ok(PyRecoveryLimits(self.0.scaling_of(&water.0)?))
    }

    /// How the scales stand in the concentrate of a water at a recovery [0 to 0.99], treated and with the salt passage as
    /// [scaling] says.
    ///
    /// Raises: as `saturation` and `treated`.
    #[pyo3(signature = (water, *, recovery))]
    fn saturation(&self, water: &PyWater, recovery: f64) -> PyResult<PySaturation> {
        let treated = self.0.treated(&water.0)?;
        let passage = &self.0.scaling.passage;
        Ok(PySaturation(scaling::saturation(
            &treated, recovery, passage,
        )?))
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
