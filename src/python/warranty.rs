//! Terms and judgements as Python objects.

use std::path::PathBuf;
use std::sync::Arc;

use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::assess::PyEstimate;
use super::result::PyResultView;
use crate::error::setting;
use crate::log::show_time;
use crate::log::time::zone_or_utc;
use crate::warranty::{CAUTIONS, Clause, Judgement, Terms, WarrantySettings};

/// The terms of a warranty, read from a terms file.
///
/// >>> terms = Terms.parse(Terms.template())
/// >>> terms.name
/// 'Example warranty'
#[pyclass(name = "Terms", frozen, module = "brinemark")]
pub(super) struct PyTerms(pub(super) Arc<Terms>);

#[pymethods]
impl PyTerms {
    /// Reads a terms file. Raises TermsError with every fault in it, FileError where it can't be opened.
    #[staticmethod]
    fn load(path: PathBuf) -> PyResult<Self> {
        Ok(Self(Arc::new(Terms::load(&path)?)))
    }

    /// Reads the text of a terms file. Raises TermsError with every fault in it.
    #[staticmethod]
    fn parse(text: &str) -> PyResult<Self> {
        Ok(Self(Arc::new(Terms::parse(text)?)))
    }

    /// A commented terms file with every key, to start from.
    #[staticmethod]
    fn template() -> &'static str {
        crate::warranty::TEMPLATE
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

    /// The train it is for, or None: every train of the log.
    #[getter]
    fn train(&self) -> Option<&str> {
        self.0.train.as_deref()
    }

    /// When the period begins, ISO 8601 in UTC: at first use, or so long after shipment, whichever comes first.
    #[getter]
    fn start(&self) -> String {
        show_time(self.0.start_us(), &zone_or_utc("UTC"))
    }

    /// When the period ends, ISO 8601 in UTC.
    #[getter]
    fn end(&self) -> String {
        show_time(self.0.end_us(), &zone_or_utc("UTC"))
    }

    /// The file as it was written.
    #[getter]
    fn text(&self) -> &str {
        &self.0.text
    }

    /// The settings as JSON, in canonical units.
    #[getter]
    fn settings(&self) -> String {
        self.0.settings()
    }

    fn __repr__(&self) -> String {
        format!(
            "Terms({:?}, {} to {})",
            self.0.name,
            self.start().get(..10).unwrap_or_default(),
            self.end().get(..10).unwrap_or_default()
        )
    }
}

fn parsed<'py>(py: Python<'py>, json: &serde_json::Value) -> PyResult<Bound<'py, PyDict>> {
    let loaded = py
        .import("json")?
        .call_method1("loads", (json.to_string(),))?;
    Ok(loaded.cast_into::<PyDict>()?)
}

/// One clause of a warranty, judged.
#[pyclass(name = "Clause", frozen, module = "brinemark")]
struct PyClause(Clause);

#[pymethods]
impl PyClause {
    /// The key of the terms file.
    #[getter]
    fn key(&self) -> &str {
        &self.0.key
    }

    /// guarantee, limit, records, notice or exclusion.
    #[getter]
    fn kind(&self) -> &'static str {
        self.0.kind.name()
    }

    /// What it asks, with its figures.
    #[getter]
    fn words(&self) -> &str {
        &self.0.words
    }

    /// "kept", "broken" or "cannot be judged".
    #[getter]
    fn verdict(&self) -> &'static str {
        self.0.verdict.words()
    }

    /// Why, with the figure and its interval.
    #[getter]
    fn sentence(&self) -> &str {
        &self.0.sentence
    }

    /// The figure it rests on, or None.
    #[getter]
    fn figure(&self) -> Option<PyEstimate> {
        self.0.figure.clone().map(PyEstimate)
    }

    /// Of a guarantee: the same by our own method, or None.
    #[getter]
    fn other_figure(&self) -> Option<PyEstimate> {
        self.0.other_figure.clone().map(PyEstimate)
    }

    /// Why the two differ, or None.
    #[getter]
    fn difference(&self) -> Option<&str> {
        self.0.difference.as_deref()
    }

    /// How probable it is to be wrong: (called broken but kept, called kept but broken), or None. Of readings against a limit, at most
    /// so much.
    #[getter]
    fn risk(&self) -> Option<(f64, f64)> {
        let risk = self.0.risk?;
        Some((risk.called_broken_but_kept, risk.called_kept_but_broken))
    }

    /// How many readings it was judged on.
    #[getter]
    fn rows(&self) -> usize {
        self.0.rows
    }

    /// All of it as plain values for JSON: also limit, excursions, gaps, instruments.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        parsed(py, &self.0.to_json())
    }

    fn __repr__(&self) -> String {
        format!("Clause({}: {})", self.0.key, self.0.verdict.words())
    }
}

/// A warranty, judged for one train. Evidence for people and their lawyers, not a ruling.
#[pyclass(name = "Judgement", frozen, module = "brinemark")]
struct PyJudgement(Judgement);

#[pymethods]
impl PyJudgement {
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

    /// The name of the terms.
    #[getter]
    fn terms(&self) -> &str {
        &self.0.terms
    }

    /// How often intervals shall hold the true figure.
    #[getter]
    fn level(&self) -> f64 {
        self.0.level
    }

    /// How probable it may be that a verdict is wrong.
    #[getter]
    fn risk(&self) -> f64 {
        self.0.risk
    }

    /// Whether data that doesn't qualify was judged all the same.
    #[getter]
    fn overridden(&self) -> bool {
        self.0.override_refusals
    }

    /// The clauses, in the order of a terms file.
    #[getter]
    fn clauses(&self) -> Vec<PyClause> {
        self.0.clauses.iter().cloned().map(PyClause).collect()
    }

    /// The clause of a key, such as "guarantee.permeate_flow". Raises KeyError for another.
    fn clause(&self, key: &str) -> PyResult<PyClause> {
        let found = self.0.clause(key).cloned().map(PyClause);
        found.ok_or_else(|| pyo3::exceptions::PyKeyError::new_err(key.to_owned()))
    }

    /// What else is to be known.
    #[getter]
    fn warnings(&self) -> Vec<String> {
        self.0.warnings.clone()
    }

    /// What stands beside every judgement.
    #[getter]
    fn cautions(&self) -> Vec<&'static str> {
        CAUTIONS.to_vec()
    }

    /// All of it as plain values for JSON: missing figures are None, times ISO 8601 in UTC, rows counted from 0.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        parsed(py, &self.0.to_json())
    }

    fn __repr__(&self) -> String {
        format!("Judgement({})", self.0.sentence())
    }
}

/// How probable it is that a measured quantity lies within its limits.
///
/// p = Φ((high − value)/u) − Φ((low − value)/u)
///
/// value : float. The quantity as measured
/// u : float. Its standard uncertainty, in the same unit; 0 or above
/// low, high : float or None. No less, no more than this; None sets no such end
///
/// Returns: float. A probability, 0 to 1.
/// Raises: RangeError for an uncertainty below 0, or a figure that is missing.
/// Source: JCGM 106:2012, 7.2 (the quantity taken as normally distributed about what was measured).
///
/// >>> round(conformance_probability(9.0, 1.0, high=10.0), 3)
/// 0.841
#[pyfunction]
#[pyo3(signature = (value, u, *, low = None, high = None))]
fn conformance_probability(
    value: f64,
    u: f64,
    low: Option<f64>,
    high: Option<f64>,
) -> PyResult<f64> {
    setting("value", value, (f64::MIN, f64::MAX), "")?;
    setting("u", u, (0.0, f64::MAX), "")?;
    for (name, end) in [("low", low), ("high", high)] {
        if let Some(end) = end {
            setting(name, end, (f64::MIN, f64::MAX), "")?;
        }
    }
    Ok(crate::warranty::conformity::conformance_probability(
        value, u, low, high,
    ))
}

#[pyfunction]
#[pyo3(signature = (result, terms, level, risk, override_refusals))]
fn warranty(
    py: Python<'_>,
    result: &PyResultView,
    terms: &PyTerms,
    level: f64,
    risk: f64,
    override_refusals: bool,
) -> PyResult<Vec<PyJudgement>> {
    let settings = WarrantySettings {
        level,
        risk,
        override_refusals,
    };
    let found = py.detach(|| crate::warranty::warranty(&result.0, &terms.0, &settings))?;
    Ok(found.into_iter().map(PyJudgement).collect())
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyTerms>()?;
    module.add_class::<PyClause>()?;
    module.add_class::<PyJudgement>()?;
    module.add_function(wrap_pyfunction!(conformance_probability, module)?)?;
    module.add_function(wrap_pyfunction!(warranty, module)?)
}
