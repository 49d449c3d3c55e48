//! Screening, and verdicts on instruments, as Python objects.

use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use numpy::{IntoPyArray, PyArray1, PyReadonlyArray1};
use pyo3::prelude::*;

use super::site::PySite;
use super::tables::PyLog;
use crate::error::{Error, Fault};
use crate::log::show_time;
use crate::log::time::zone_or_utc;
use crate::screen::{Blocks, Chosen, Reasons, Screened, TestCount, Usual, screen};
use crate::sensors::Verdict;
use crate::site::Site;
use crate::units::Unit;
use crate::write::Output;

/// How many rows a test passed, failed, and did not apply to.
#[pyclass(name = "TestCount", frozen, module = "brinemark")]
struct PyTestCount(TestCount);

#[pymethods]
impl PyTestCount {
    /// Its name in the site file.
    #[getter]
    fn name(&self) -> &'static str {
        self.0.name
    }

    /// What a failure means.
    #[getter]
    fn words(&self) -> &'static str {
        self.0.words
    }

    /// Rows that pass it.
    #[getter]
    fn passed(&self) -> usize {
        self.0.passed
    }

    /// Rows that fail it.
    #[getter]
    fn failed(&self) -> usize {
        self.0.failed
    }

    /// Rows to which it does not apply.
    #[getter]
    fn not_applicable(&self) -> usize {
        self.0.not_applicable
    }

    /// Rows that it sets aside: none where it is only told, or where the user keeps them.
    #[getter]
    fn set_aside(&self) -> usize {
        self.0.set_aside
    }

    fn __repr__(&self) -> String {
        format!(
            "TestCount({}: {} passed, {} failed, {} not applicable)",
            self.0.name, self.0.passed, self.0.failed, self.0.not_applicable
        )
    }
}

/// What is usual for each train and stage of a log: the yardstick of the tests.
#[pyclass(name = "Usual", frozen, module = "brinemark")]
struct PyUsual(Arc<Usual>);

#[pymethods]
impl PyUsual {
    /// As JSON, to be looked at.
    fn to_json(&self) -> String {
        self.0.to_json()
    }

    fn __repr__(&self) -> String {
        format!("Usual({} trains and stages)", self.0.groups.len())
    }
}

/// What was found of one instrument.
#[pyclass(name = "Verdict", frozen, module = "brinemark")]
struct PyVerdict {
    verdict: Verdict,
    zone: String,
    unit: &'static Unit,
}

impl PyVerdict {
    fn time(&self, at: i64) -> String {
        show_time(at, &zone_or_utc(&self.zone))
    }

    fn shown(&self, off_by: f64) -> f64 {
        self.verdict.in_unit(off_by, self.unit)
    }
}

#[pymethods]
impl PyVerdict {
    /// The train, where the log tells.
    #[getter]
    fn train(&self) -> Option<&str> {
        self.verdict.group.train.as_deref()
    }

    /// The stage, where the log tells.
    #[getter]
    fn stage(&self) -> Option<&str> {
        self.verdict.group.stage.as_deref()
    }

    /// The column of the instrument that is most likely wrong.
    #[getter]
    fn column(&self) -> &'static str {
        self.verdict.column.name()
    }

    /// When it began.
    #[getter]
    fn since(&self) -> String {
        self.time(self.verdict.since_us)
    }

    /// The 90 % interval of that.
    #[getter]
    fn since_interval(&self) -> (String, String) {
        let (low, high) = self.verdict.since_interval_us;
        (self.time(low), self.time(high))
    }

    /// When it had gone all its way: the same as `since` for a step.
    #[getter]
    fn whole(&self) -> String {
        self.time(self.verdict.whole_us)
    }

    /// Whether it went at once: a step, as after a recalibration; else a drift.
    #[getter]
    fn is_step(&self) -> bool {
        self.verdict.is_step()
    }

    /// What it shows too much in the end, beside what it showed before: a share, or in `unit`.
    #[getter]
    fn off_by(&self) -> f64 {
        self.shown(self.verdict.off_by)
    }

    /// The 90 % interval of that.
    #[getter]
    fn off_by_interval(&self) -> (f64, f64) {
        let (low, high) = self.verdict.off_by_interval;
        (self.shown(low), self.shown(high))
    }

    /// The unit of `off_by`; "" for a share of the reading.
    #[getter]
    fn unit(&self) -> &'static str {
        if self.verdict.is_share {
            ""
        } else {
            self.unit.word
        }
    }

    /// How likely each explanation is: [(column, or "membranes", probability)], the likeliest first.
    #[getter]
    fn suspects(&self) -> Vec<(&'static str, f64)> {
        let suspects = self.verdict.suspects.iter();
        suspects
            .map(|(suspect, odds)| (suspect.name(), *odds))
            .collect()
    }

    /// Whether it is sure enough by the site's settings to set readings aside.
    #[getter]
    fn is_sure(&self) -> bool {
        self.verdict.is_sure
    }

    /// [(relation, how it moved, how it should have if this instrument is off by so much)].
    #[getter]
    fn evidence(&self) -> Vec<(&'static str, f64, f64)> {
        let evidence = self.verdict.evidence.iter();
        evidence
            .map(|of| (of.relation, of.found, of.expected))
            .collect()
    }

    /// It in a sentence.
    #[getter]
    fn sentence(&self) -> String {
        self.verdict.sentence(&self.zone, self.unit)
    }

    fn __repr__(&self) -> String {
        format!("Verdict({})", self.sentence())
    }
}

/// A log whose readings were looked at, as the core holds it.
#[pyclass(name = "Screening", frozen, module = "brinemark._core")]
struct PyScreening(Arc<Screened>);

impl PyScreening {
    fn flags(&self, test: &str, of: &[Reasons]) -> PyResult<Vec<bool>> {
        let test = Reasons::test_named(test).ok_or_else(|| {
            let known: Vec<&str> = Reasons::TESTS.iter().map(|(_, name)| *name).collect();
            Error::MissingColumn(
                Fault::new("not a test", format!("one of: {}", known.join(", ")))
                    .at_column("test")
                    .with_value(test)
                    .into(),
            )
        })?;
        Ok(of.iter().map(|marks| marks.contains(test)).collect())
    }
}

#[pymethods]
impl PyScreening {
    #[getter]
    fn log(&self) -> PyLog {
        PyLog(self.0.log.clone())
    }

    #[getter]
    fn counts(&self) -> Vec<PyTestCount> {
        self.0.counts().into_iter().map(PyTestCount).collect()
    }

    #[getter]
    fn sentence(&self) -> String {
        self.0.sentence()
    }

    #[getter]
    fn verdicts(&self) -> Vec<PyVerdict> {
        let log = &self.0.log;
        self.0
            .verdicts
            .list
            .iter()
            .map(|verdict| PyVerdict {
                verdict: verdict.clone(),
                zone: log.table.zone.clone(),
                unit: log
                    .get(verdict.column)
                    .map_or(verdict.column.quantity().canonical(), |series| series.unit),
            })
            .collect()
    }

    #[getter]
    fn usual(&self) -> PyUsual {
        PyUsual(Arc::new(self.0.usual.clone()))
    }

    #[getter]
    fn kept(&self) -> Vec<usize> {
        self.0.kept.clone()
    }

    fn failed<'py>(&self, py: Python<'py>, test: &str) -> PyResult<Bound<'py, PyArray1<bool>>> {
        Ok(self.flags(test, &self.0.failed)?.into_pyarray(py))
    }

    fn judged<'py>(&self, py: Python<'py>, test: &str) -> PyResult<Bound<'py, PyArray1<bool>>> {
        Ok(self.flags(test, &self.0.judged)?.into_pyarray(py))
    }

    fn write_csv(&self, py: Python<'_>, path: PathBuf) -> PyResult<()> {
        let output = Output {
            table: &self.0.log.table,
            reasons: self.0.log.set_aside.as_deref().map(Vec::as_slice),
        };
        Ok(py.detach(|| output.write_csv(&path))?)
    }

    fn reasons(&self) -> Vec<String> {
        let set_aside = self.0.log.set_aside.as_deref();
        set_aside
            .into_iter()
            .flatten()
            .map(|reasons| reasons.words())
            .collect()
    }

    fn stands<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<bool>> {
        let set_aside = self.0.log.set_aside.as_deref();
        let stands: Vec<bool> = set_aside
            .into_iter()
            .flatten()
            .map(|reasons| reasons.is_empty())
            .collect();
        stands.into_pyarray(py)
    }
}

type Flags<'py> = Option<PyReadonlyArray1<'py, bool>>;

fn plain(flags: Flags<'_>) -> Option<Vec<bool>> {
    flags.map(|flags| flags.as_array().to_vec())
}

#[pyfunction]
#[pyo3(name = "screen", signature = (log, site, set_aside, keep, usual_of))]
fn screen_log(
    py: Python<'_>,
    log: &PyLog,
    site: &PySite,
    set_aside: Flags<'_>,
    keep: Flags<'_>,
    usual_of: Option<&PyScreening>,
) -> PyResult<PyScreening> {
    let (set_aside, keep) = (plain(set_aside), plain(keep));
    let screened = py.detach(|| {
        let chosen = Chosen {
            set_aside: set_aside.as_deref(),
            keep: keep.as_deref(),
            usual: usual_of.map(|other| &other.0.usual),
            verdicts: usual_of.map(|other| &other.0.verdicts),
        };
        screen(&log.0, &site.0, &chosen)
    })?;
    Ok(PyScreening(Arc::new(screened)))
}

/// Screens blocks of a log, with the same marks as in one piece.
#[pyclass(name = "ScreenBlocks", frozen, module = "brinemark._core")]
struct PyScreenBlocks(Mutex<Option<Blocks>>);

#[pymethods]
impl PyScreenBlocks {
    #[new]
    fn new(site: &PySite, of: &PyScreening) -> Self {
        let site: Arc<Site> = site.0.clone();
        let blocks = Blocks::new(site, of.0.usual.clone(), of.0.verdicts.clone());
        Self(Mutex::new(Some(blocks)))
    }

    /// The next block: what can be judged now, or None.
    fn push(&self, py: Python<'_>, log: &PyLog) -> PyResult<Option<PyScreening>> {
        let screened = py.detach(|| {
            let mut blocks = self
                .0
                .lock()
                .unwrap_or_else(|poisoned| poisoned.into_inner());
            blocks
                .as_mut()
                .map_or(Ok(None), |blocks| blocks.push(&log.0))
        })?;
        Ok(screened.map(|screened| PyScreening(Arc::new(screened))))
    }

    /// What is left, or None.
    fn finish(&self, py: Python<'_>) -> PyResult<Option<PyScreening>> {
        let screened = py.detach(|| {
            let mut blocks = self
                .0
                .lock()
                .unwrap_or_else(|poisoned| poisoned.into_inner());
            blocks.take().map_or(Ok(None), Blocks::finish)
        })?;
        Ok(screened.map(|screened| PyScreening(Arc::new(screened))))
    }
}

/// The tests of a screening: [(name in the site file, what a failure means)].
///
/// >>> screen_tests()[0]
/// ('running', 'not running')
#[pyfunction]
fn screen_tests() -> Vec<(&'static str, String)> {
    Reasons::TESTS
        .iter()
        .map(|(test, name)| (*name, test.words()))
        .collect()
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyTestCount>()?;
    module.add_class::<PyUsual>()?;
    module.add_class::<PyVerdict>()?;
    module.add_class::<PyScreening>()?;
    module.add_class::<PyScreenBlocks>()?;
    module.add_function(wrap_pyfunction!(screen_tests, module)?)?;
    module.add_function(wrap_pyfunction!(screen_log, module)?)
}
