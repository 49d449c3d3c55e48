//! What is due, what is recorded, and what a log should hold, from Python.

use pyo3::prelude::*;

use super::site::PySite;
use super::tables::PyLog;
use crate::error::Error;
use crate::record::{Met, REQUIREMENTS, Requirement};
use crate::service::{self, Due};
use crate::site::{Accuracy, SiteColumn};
use crate::units::Unit;
use crate::water::conductivity::meter::{self, MeterCheck, MeterSettings, Solution};

/// Something to be done at the unit, and when.
#[pyclass(name = "Due", frozen, module = "brinemark")]
pub(super) struct PyDue(pub(super) Due);

#[pymethods]
impl PyDue {
    /// calibration, lamp, prefilter, sanitising or other.
    #[getter]
    fn what(&self) -> &'static str {
        self.0.what.name()
    }

    /// What it is done to: a column's name or the site's own words; "" where the kind says enough.
    #[getter]
    fn of(&self) -> &str {
        &self.0.of
    }

    /// How often, as the site file says it; None where it gives no interval.
    #[getter]
    fn every(&self) -> Option<&str> {
        self.0.every.as_deref()
    }

    /// When it was last done, ISO 8601; None: never.
    #[getter]
    fn last(&self) -> Option<String> {
        self.0.last.map(|date| date.to_string())
    }

    /// When it is due, ISO 8601; None where it was never done (due now) or no interval is given.
    #[getter]
    fn next(&self) -> Option<String> {
        self.0.next.map(|date| date.to_string())
    }

    /// Days until then, below zero where it is overdue; None where there is no date.
    #[getter]
    fn due_in_days(&self) -> Option<i64> {
        self.0.due_in_days
    }

    /// Days it is overdue by; None where it isn't.
    #[getter]
    fn overdue_days(&self) -> Option<i64> {
        self.0.overdue_days()
    }

    /// Whether it was never done.
    #[getter]
    fn never_done(&self) -> bool {
        self.0.never_done()
    }

    /// In its users' words.
    #[getter]
    fn note(&self) -> &str {
        &self.0.note
    }

    /// All of that in a sentence.
    #[getter]
    fn sentence(&self) -> &str {
        &self.0.sentence
    }

    fn __repr__(&self) -> String {
        format!("Due({})", self.0.sentence)
    }
}

/// What is due at a site, by the [[service]] entries of its file: calibrations, lamps, filters.
///
/// What was never done stands first, then by date; last what the file calls calibrated without an interval. Months are the
/// calendar's: 3 months after 30 November is the last day of February. No interval is invented.
///
/// site : Site
/// on : str or datetime.date. As of which date, such as "2026-11-26"
///
/// Returns: list of Due.
/// Raises: SiteError where `on` is no date.
///
/// >>> text = Site.template() + '[[service]]\nwhat = "prefilter"\nevery = "3 months"\nlast = "2025-11-30"\n'
/// >>> due(Site.parse(text), on="2026-03-07")
/// [Due(prefilter: 7 days overdue since 2026-02-28; every 3 months; last done 2025-11-30)]
#[pyfunction]
#[pyo3(signature = (site, *, on))]
fn due(site: &PySite, on: &Bound<'_, PyAny>) -> PyResult<Vec<PyDue>> {
    let on = service::date(&on.str()?.to_string())?;
    Ok(service::due(&site.0, on).into_iter().map(PyDue).collect())
}

/// A column of a site's log, and what the site file says of it.
#[pyclass(name = "SiteColumn", frozen, module = "brinemark")]
struct PySiteColumn {
    column: SiteColumn,
    site: PySite,
}

impl PySiteColumn {
    fn limit(&self, side: impl Fn(&crate::site::Limit) -> Option<f64>) -> Option<f64> {
        let limit = self.site.0.limit(self.column.column).and_then(side);
        limit.map(|canonical| self.column.unit.from_canonical(canonical))
    }
}

#[pymethods]
impl PySiteColumn {
    /// Its name.
    #[getter]
    fn name(&self) -> &'static str {
        self.column.column.name()
    }

    /// The unit in which the site file speaks of it; "" where it has none.
    #[getter]
    fn unit(&self) -> &'static str {
        self.column.unit.word
    }

    /// What it is, in a line.
    #[getter]
    fn what(&self) -> &'static str {
        self.column.column.describe()
    }

    /// Its low limit in `unit`, or None.
    #[getter]
    fn low(&self) -> Option<f64> {
        self.limit(|limit| limit.low)
    }

    /// Its high limit in `unit`, or None.
    #[getter]
    fn high(&self) -> Option<f64> {
        self.limit(|limit| limit.high)
    }

    /// How far its instrument may be off, in words; None where the site file doesn't tell.
    #[getter]
    fn accuracy(&self) -> Option<String> {
        self.site
            .0
            .accuracy_in(self.column.column, self.column.unit)
    }

    /// When its instrument was last calibrated, ISO 8601, or None.
    #[getter]
    fn calibrated_on(&self) -> Option<String> {
        self.site
            .0
            .calibrated_on(self.column.column)
            .map(|date| date.to_string())
    }

    fn __repr__(&self) -> String {
        format!("SiteColumn({} [{}])", self.name(), self.unit())
    }
}

/// The columns that the log of a site has, in their order and the site's units.
///
/// Those of the analyses, each by the instrument that the site file names or else the usual one, and all others that have
/// an instrument. What the file assumes is not among them.
///
/// site : Site
///
/// Returns: list of SiteColumn.
///
/// >>> [column.name for column in site_columns(Site.parse(Site.template()))][:3]
/// ['feed_temperature', 'feed_pressure', 'concentrate_pressure']
#[pyfunction]
fn site_columns(site: &PySite) -> Vec<PySiteColumn> {
    let columns = site.0.log_columns().into_iter();
    columns
        .map(|column| PySiteColumn {
            column,
            site: PySite(site.0.clone()),
        })
        .collect()
}

/// A meter, checked in its calibration solution.
#[pyclass(name = "MeterCheck", frozen, module = "brinemark")]
struct PyMeterCheck(MeterCheck);

#[pymethods]
impl PyMeterCheck {
    /// What it showed, in `unit`.
    #[getter]
    fn reading(&self) -> f64 {
        self.0.unit.from_canonical(self.0.reading)
    }

    /// What it should have shown, in `unit`.
    #[getter]
    fn expected(&self) -> f64 {
        self.0.unit.from_canonical(self.0.expected)
    }

    /// The unit of both.
    #[getter]
    fn unit(&self) -> &'static str {
        self.0.unit.word
    }

    /// How far it is off, a share of the right reading: 0.015 is 1.5 % too high.
    #[getter]
    fn off(&self) -> f64 {
        self.0.off
    }

    /// Standard uncertainty of `off`, from solution and temperature.
    #[getter]
    fn off_u(&self) -> f64 {
        self.0.off_u
    }

    /// How far it may be off, a share of the right reading; None where no accuracy was given.
    #[getter]
    fn allowed(&self) -> Option<f64> {
        self.0.allowed
    }

    /// How likely it is within that; None where no accuracy was given.
    #[getter]
    fn probability(&self) -> Option<f64> {
        self.0.probability
    }

    /// "within", "outside", "cannot be told" or "no accuracy given".
    #[getter]
    fn verdict(&self) -> &'static str {
        self.0.verdict.name()
    }

    /// Reading over right reading: what later readings are off by, where it is the cell that changed.
    #[getter]
    fn factor(&self) -> f64 {
        self.0.factor
    }

    /// How much `off` has changed since the check before; None without one.
    #[getter]
    fn drift(&self) -> Option<f64> {
        self.0.drift
    }

    /// What the uncertainty is made of, the greatest first: (name, share of the right reading).
    #[getter]
    fn sources(&self) -> Vec<(String, f64)> {
        self.0.sources.clone()
    }

    /// What was taken for granted.
    #[getter]
    fn notes(&self) -> Vec<String> {
        self.0.notes.clone()
    }

    /// What to do.
    #[getter]
    fn advice(&self) -> Vec<String> {
        self.0.advice.clone()
    }

    /// The result in a sentence.
    #[getter]
    fn sentence(&self) -> &str {
        &self.0.sentence
    }

    fn __repr__(&self) -> String {
        format!("MeterCheck({})", self.0.sentence)
    }
}

/// How far a conductivity or TDS meter is off in its calibration solution, and whether that is within its accuracy.
///
/// The reading is held against κ(t) of the solution, divided by 1 + α (t − 25) where the meter compensates; how likely it is
/// within its accuracy A is Φ((A − off)/u) − Φ((−A − off)/u)
///
/// reading : float. What the meter shows [unit], 0 to 1 000 000 uS/cm or mg/L
/// unit : str. The unit it shows: "uS/cm", "mS/cm", "ppm", …
/// solution : str. "KCl 0.01 mol/kg" (or 0.1, 1), or the label's value: "1413 uS/cm", "1000 ppm", "1278 uS/cm at 20 degC"
/// temperature_degc : float. Temperature of the solution [degC], 0 to 50; of potassium chloride that of the standard's table
/// compensated : bool. Whether the meter shows the value at 25 degC
/// alpha_per_degc : float. α of its compensation where known [1/degC], 0.01 to 0.03; else 0.020 ± 0.001
/// accuracy : str. How far the meter may be off: "2 % of reading", "2 % of 2000 uS/cm", "5 uS/cm"
/// solution_accuracy : str. How far the solution may be off, by its label: "1 % of reading", "5 uS/cm"
/// previous : float. `off` of the check before
/// level : float. How sure a verdict shall be, above 0.5, below 1
///
/// Returns: MeterCheck, with off and its standard uncertainty as shares [1] of the right reading.
/// Raises: SiteError for settings that can't be, or a meter that shows something else than the label states; RangeError
/// for a temperature or reading outside the range; UnitError.
/// Accuracy: that of the solution and of α; `sources` names them.
/// Source: solutions as potassium_chloride_conductivity; α 0.019 to 0.021, from memory; JCGM 100:2008, 4.3.7; conformity,
/// JCGM 106:2012 (from memory).
///
/// >>> check = check_meter(1465.0, "uS/cm", solution="KCl 0.01 mol/kg", temperature_degc=25.0, compensated=True,
/// ...                     accuracy="2 % of reading")
/// >>> check.verdict, round(check.off, 4)
/// ('outside', 0.0403)
#[pyfunction]
#[pyo3(signature = (reading, unit, *, solution, temperature_degc, compensated, alpha_per_degc = None, accuracy = None,
    solution_accuracy = None, previous = None, level = 0.95))]
#[allow(clippy::too_many_arguments)]
fn check_meter(
    reading: f64,
    unit: &str,
    solution: &str,
    temperature_degc: f64,
    compensated: bool,
    alpha_per_degc: Option<f64>,
    accuracy: Option<&str>,
    solution_accuracy: Option<&str>,
    previous: Option<f64>,
    level: f64,
) -> PyResult<PyMeterCheck> {
    let unit = Unit::parse(unit)?;
    let accuracy_of = |text: Option<&str>, argument: &str| {
        text.map(|text| Accuracy::parse(text, unit.quantity))
            .transpose()
            .map_err(|fault| Error::Site(fault.at_column(argument).into()))
    };
    let settings = MeterSettings {
        compensated,
        alpha_per_degc,
        accuracy: accuracy_of(accuracy, "accuracy")?,
        solution_accuracy: accuracy_of(solution_accuracy, "solution_accuracy")?,
        previous,
        level,
    };
    let solution = Solution::parse(solution).map_err(|fault| Error::Site(fault.into()))?;
    let found = meter::check_meter(reading, unit, solution, temperature_degc, &settings)?;
    Ok(PyMeterCheck(found))
}

/// Something the record-keeping standard asks for (ASTM D4472), and how a log meets it.
#[pyclass(name = "Requirement", frozen, module = "brinemark")]
struct PyRequirement {
    requirement: Requirement,
    met: Option<Met>,
}

#[pymethods]
impl PyRequirement {
    /// start-up report, readings of the unit, pretreatment or maintenance.
    #[getter]
    fn section(&self) -> &'static str {
        self.requirement.section.name()
    }

    /// What is asked for.
    #[getter]
    fn quantity(&self) -> &'static str {
        self.requirement.quantity
    }

    /// Its unit on a sheet, where it is no column of a log; "" where it has none.
    #[getter]
    fn unit(&self) -> &'static str {
        self.requirement.unit
    }

    /// The columns that tell it, any of these sets; empty where it is no column of a log.
    #[getter]
    fn columns(&self) -> Vec<Vec<&'static str>> {
        let names = |way: &&[crate::log::Column]| way.iter().map(|column| column.name()).collect();
        self.requirement.ways.iter().map(names).collect()
    }

    /// How often.
    #[getter]
    fn often(&self) -> &'static str {
        self.requirement.often.words()
    }

    /// Whether it is asked of each stage.
    #[getter]
    fn per_stage(&self) -> bool {
        self.requirement.per_stage
    }

    /// Where that comes from.
    #[getter]
    fn source(&self) -> &'static str {
        self.requirement.source
    }

    /// How many intervals ask for it (or, of calibration, meters); 0 where that can't be counted.
    #[getter]
    fn asked(&self) -> u64 {
        self.met.as_ref().map_or(0, |met| met.asked)
    }

    /// How many of them have it.
    #[getter]
    fn held(&self) -> u64 {
        self.met.as_ref().map_or(0, |met| met.held)
    }

    /// The share of what was asked that is there, or None where that can't be counted.
    #[getter]
    fn share(&self) -> Option<f64> {
        self.met.as_ref().and_then(Met::share)
    }

    /// The longest running time without it [h], or None.
    #[getter]
    fn longest_gap_h(&self) -> Option<f64> {
        self.met.as_ref().and_then(|met| met.longest_gap_h)
    }

    /// "kept", "partly", "missing" or "cannot be judged".
    #[getter]
    fn verdict(&self) -> &'static str {
        self.met
            .as_ref()
            .map_or("cannot be judged", |met| met.verdict.name())
    }

    /// The analyses that can't be made, for want of it.
    #[getter]
    fn refused(&self) -> Vec<&'static str> {
        let refused = self.met.iter().flat_map(|met| &met.refused);
        refused.map(|analysis| analysis.name()).collect()
    }

    /// What falling short costs, in words; "" where nothing does.
    #[getter]
    fn cost(&self) -> &str {
        self.met
            .as_ref()
            .map_or(self.requirement.loss, |met| met.cost.as_str())
    }

    fn __repr__(&self) -> String {
        format!(
            "Requirement({}: {})",
            self.requirement.quantity,
            self.verdict()
        )
    }
}

/// A log, held against what the record-keeping standard asks for.
#[pyclass(name = "Completeness", frozen, get_all, module = "brinemark")]
struct PyCompleteness {
    /// One a thing asked for, in the standard's sections.
    requirements: Vec<Py<PyRequirement>>,
    /// What was taken for granted in counting.
    assumed: String,
    /// Why the analyses would refuse the log, beside what a requirement names.
    refusals: Vec<String>,
}

#[pymethods]
impl PyCompleteness {
    fn __repr__(&self) -> String {
        let kept = |found: &&Py<PyRequirement>| found.get().verdict() == "kept";
        let kept = self.requirements.iter().filter(kept).count();
        format!("Completeness({kept} of {} kept)", self.requirements.len())
    }
}

#[pyfunction]
fn completeness(py: Python<'_>, log: &PyLog, site: &PySite) -> PyResult<PyCompleteness> {
    let found = py.detach(|| crate::record::completeness(&log.0, &site.0));
    let requirements = found.requirements.into_iter();
    let shown = |met: Met| {
        Py::new(
            py,
            PyRequirement {
                requirement: met.requirement,
                met: Some(met),
            },
        )
    };
    Ok(PyCompleteness {
        requirements: requirements.map(shown).collect::<PyResult<_>>()?,
        assumed: found.assumed,
        refusals: found.refusals,
    })
}

/// All that the record-keeping standard asks for (ASTM D4472, as restated and from memory), held against nothing.
///
/// Returns: list of Requirement; their verdict is "cannot be judged", their cost what is lost without them.
///
/// >>> [asked.often for asked in record_requirements() if asked.quantity == "feed pressure"]
/// ['at least once a shift']
#[pyfunction]
fn record_requirements() -> Vec<PyRequirement> {
    let asked = REQUIREMENTS.iter().copied();
    asked
        .map(|requirement| PyRequirement {
            requirement,
            met: None,
        })
        .collect()
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyDue>()?;
    module.add_class::<PySiteColumn>()?;
    module.add_class::<PyMeterCheck>()?;
    module.add_class::<PyRequirement>()?;
    module.add_class::<PyCompleteness>()?;
    module.add_function(wrap_pyfunction!(due, module)?)?;
    module.add_function(wrap_pyfunction!(site_columns, module)?)?;
    module.add_function(wrap_pyfunction!(check_meter, module)?)?;
    module.add_function(wrap_pyfunction!(completeness, module)?)?;
    module.add_function(wrap_pyfunction!(record_requirements, module)?)
}
