//! Sites, logs, baselines and results as Python objects.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use arrow_array::{
    ArrayRef, BooleanArray, Float64Array, LargeStringArray, RecordBatch, TimestampMicrosecondArray,
};
use arrow_schema::{Field, Schema};
use numpy::{IntoPyArray, PyArray1, PyReadonlyArray1};
use pyo3::exceptions::PyTypeError;
use pyo3::prelude::*;
use pyo3::types::PyDict;
use pyo3_arrow::PyTable;

use crate::assess::{AssessSettings, Estimate, Standing};
use crate::baseline::{Baseline, Reference};
use crate::error::{Error, Fault};
use crate::log::time::zone_or_utc;
use crate::log::{self, Column, CsvReader, Log, ReadOptions, show_time};
use crate::normalise::temperature::{Law, LawSettings};
use crate::normalise::{Analysis, LimitCount, Normalised, Provenance};
use crate::screen::Reasons;
use crate::site::{Event, Site};
use crate::table::Table;
use crate::units::{Quantity, Unit};
use crate::write::Output;

/// The law that a call names.
pub(super) fn law_of(
    law: &str,
    base: Option<f64>,
    constant_k: Option<f64>,
    constant_below_25degc_k: Option<f64>,
    table: Option<Vec<(f64, f64)>>,
) -> Result<Law, Error> {
    let settings = LawSettings {
        base,
        constant_k,
        constant_below_25degc_k,
        table,
    };
    Law::from_settings(law, settings).map_err(|fault| Error::Site(fault.into()))
}

fn options(
    units: Option<BTreeMap<String, String>>,
    columns: Option<BTreeMap<String, Option<String>>>,
    tz: Option<String>,
    time_format: Option<String>,
) -> ReadOptions {
    ReadOptions {
        units: units.unwrap_or_default(),
        columns: columns.unwrap_or_default(),
        time_zone: tz,
        time_format,
    }
}

fn analyses_of(names: &[String]) -> Result<Vec<Analysis>, Error> {
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

// --- site --------------------------------------------------------------------------------------------

/// One reverse-osmosis unit, described in a site file.
///
/// >>> site = Site.parse(Site.template())
/// >>> site.elements
/// 6
#[pyclass(name = "Site", frozen, module = "brinemark")]
pub(super) struct PySite(Arc<Site>);

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

    /// In its users' words.
    #[getter]
    fn note(&self) -> &str {
        &self.0.note
    }

    fn __repr__(&self) -> String {
        format!("Event({}, {}, {:?})", self.time(), self.kind(), self.0.note)
    }
}

// --- tables ------------------------------------------------------------------------------------------

/// Named columns with units, one row a reading.
#[pyclass(name = "Table", frozen, module = "brinemark._core")]
struct PyTableView {
    table: Table,
    reasons: Option<Vec<Reasons>>,
}

impl PyTableView {
    fn output(&self) -> Output<'_> {
        Output {
            table: &self.table,
            reasons: self.reasons.as_deref(),
        }
    }
}

#[pymethods]
impl PyTableView {
    fn __len__(&self) -> usize {
        self.table.len()
    }

    #[getter]
    fn columns(&self) -> Vec<String> {
        self.table
            .series
            .iter()
            .map(|series| series.name.clone())
            .collect()
    }

    #[getter]
    fn headers(&self) -> Vec<String> {
        self.table
            .series
            .iter()
            .map(|series| series.header())
            .collect()
    }

    #[getter]
    fn units<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let units = PyDict::new(py);
        for series in &self.table.series {
            units.set_item(&series.name, series.unit.word)?;
        }
        Ok(units)
    }

    #[getter]
    fn zone(&self) -> &str {
        &self.table.zone
    }

    /// Microseconds since 1970 UTC.
    fn time<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<i64>> {
        self.table.time.to_vec().into_pyarray(py)
    }

    #[pyo3(signature = (name, unit=None))]
    fn column<'py>(
        &self,
        py: Python<'py>,
        name: &str,
        unit: Option<&str>,
    ) -> PyResult<Bound<'py, PyArray1<f64>>> {
        let series = self.table.series(name)?;
        let unit = match unit {
            Some(word) => Unit::parse_as(word, series.unit.quantity)?,
            None => series.unit,
        };
        let values: Vec<f64> = py.detach(|| {
            series
                .values
                .iter()
                .map(|value| unit.from_canonical(*value))
                .collect()
        });
        Ok(values.into_pyarray(py))
    }

    /// The words of `train`, `stage` or `reasons`; None where the table has no such column.
    fn labels(&self, name: &str) -> Option<Vec<String>> {
        if name == "reasons" {
            return self
                .reasons
                .as_ref()
                .map(|all| all.iter().map(|reasons| reasons.words()).collect());
        }
        let at = log::LABELS.iter().position(|label| *label == name)?;
        let labels = self.table.labels[at].as_ref()?;
        Some(
            (0..self.table.len())
                .map(|row| labels.word(row).to_owned())
                .collect(),
        )
    }

    fn write_csv(&self, py: Python<'_>, path: PathBuf) -> PyResult<()> {
        Ok(py.detach(|| self.output().write_csv(&path))?)
    }

    fn write_parquet(&self, py: Python<'_>, path: PathBuf) -> PyResult<()> {
        Ok(py.detach(|| self.output().write_parquet(&path))?)
    }

    #[pyo3(signature = (requested_schema=None))]
    fn __arrow_c_stream__<'py>(
        &self,
        py: Python<'py>,
        requested_schema: Option<Bound<'py, PyAny>>,
    ) -> PyResult<Bound<'py, PyAny>> {
        let output = self.output();
        let batches = py.detach(|| output.batches())?;
        let table = Bound::new(py, PyTable::try_new(batches, output.schema())?)?;
        table.call_method1("__arrow_c_stream__", (requested_schema,))
    }
}

/// Readings, as the core holds them.
#[pyclass(name = "Log", frozen, module = "brinemark._core")]
struct PyLog(Log);

#[pymethods]
impl PyLog {
    #[getter]
    fn table(&self) -> PyTableView {
        PyTableView {
            table: self.0.table.clone(),
            reasons: None,
        }
    }

    #[getter]
    fn left_out(&self) -> Vec<String> {
        self.0.left_out.clone()
    }

    fn hash(&self, py: Python<'_>) -> String {
        py.detach(|| self.0.hash())
    }
}

#[pyfunction]
#[pyo3(signature = (path, *, units=None, columns=None, tz=None, time_format=None))]
fn read_csv(
    py: Python<'_>,
    path: PathBuf,
    units: Option<BTreeMap<String, String>>,
    columns: Option<BTreeMap<String, Option<String>>>,
    tz: Option<String>,
    time_format: Option<String>,
) -> PyResult<PyLog> {
    let options = options(units, columns, tz, time_format);
    Ok(PyLog(py.detach(|| log::read_csv(&path, &options))?))
}

/// A CSV file, a block at a time.
#[pyclass(name = "CsvBlocks", frozen, module = "brinemark._core")]
struct PyCsvBlocks(Mutex<CsvReader>);

#[pymethods]
impl PyCsvBlocks {
    #[new]
    #[pyo3(signature = (path, *, units=None, columns=None, tz=None, time_format=None))]
    fn new(
        path: PathBuf,
        units: Option<BTreeMap<String, String>>,
        columns: Option<BTreeMap<String, Option<String>>>,
        tz: Option<String>,
        time_format: Option<String>,
    ) -> PyResult<Self> {
        let options = options(units, columns, tz, time_format);
        Ok(Self(Mutex::new(CsvReader::open(&path, options)?)))
    }

    fn __iter__(slf: PyRef<'_, Self>) -> PyRef<'_, Self> {
        slf
    }

    fn __next__(&self, py: Python<'_>) -> PyResult<Option<PyLog>> {
        let next = py.detach(|| {
            // A reader that panicked elsewhere is still a reader.
            let mut reader = self
                .0
                .lock()
                .unwrap_or_else(|poisoned| poisoned.into_inner());
            reader.next().transpose()
        })?;
        Ok(next.map(PyLog))
    }
}

#[pyfunction]
#[pyo3(signature = (table, *, units=None, columns=None, tz=None, time_format=None))]
fn read_arrow(
    py: Python<'_>,
    table: PyTable,
    units: Option<BTreeMap<String, String>>,
    columns: Option<BTreeMap<String, Option<String>>>,
    tz: Option<String>,
    time_format: Option<String>,
) -> PyResult<PyLog> {
    let (batches, schema) = table.into_inner();
    let options = options(units, columns, tz, time_format);
    Ok(PyLog(py.detach(|| {
        log::read_batches(&schema, &batches, &options)
    })?))
}

/// A column of a table in memory: its name, what it holds, the values, and for times the zone.
type Given<'py> = (String, String, Bound<'py, PyAny>, Option<String>);

fn array_of(kind: &str, values: &Bound<'_, PyAny>, zone: Option<&String>) -> PyResult<ArrayRef> {
    Ok(match kind {
        "float" => {
            let values = values.extract::<PyReadonlyArray1<'_, f64>>()?;
            Arc::new(Float64Array::from_iter_values(
                values.as_array().iter().copied(),
            ))
        }
        "bool" => {
            let values = values.extract::<PyReadonlyArray1<'_, bool>>()?;
            Arc::new(BooleanArray::from_iter(
                values.as_array().iter().map(|value| Some(*value)),
            ))
        }
        "time" => {
            let values = values.extract::<PyReadonlyArray1<'_, i64>>()?;
            // NumPy's and pandas' "not a time".
            let time = |value: &i64| (*value != i64::MIN).then_some(*value);
            let times = TimestampMicrosecondArray::from_iter(values.as_array().iter().map(time));
            match zone {
                Some(zone) => Arc::new(times.with_timezone(zone.as_str())),
                None => Arc::new(times),
            }
        }
        "text" => Arc::new(LargeStringArray::from(
            values.extract::<Vec<Option<String>>>()?,
        )),
        other => return Err(PyTypeError::new_err(format!("a column of kind {other}"))),
    })
}

#[pyfunction]
#[pyo3(signature = (given, *, units=None, columns=None, tz=None, time_format=None))]
fn read_columns(
    py: Python<'_>,
    given: Vec<Given<'_>>,
    units: Option<BTreeMap<String, String>>,
    columns: Option<BTreeMap<String, Option<String>>>,
    tz: Option<String>,
    time_format: Option<String>,
) -> PyResult<PyLog> {
    let arrays = given
        .iter()
        .map(|(_, kind, values, zone)| array_of(kind, values, zone.as_ref()))
        .collect::<PyResult<Vec<_>>>()?;
    let length = arrays.first().map_or(0, |array| array.len());
    for ((name, ..), array) in given.iter().zip(&arrays) {
        if array.len() != length {
            let fault = Fault::new(
                format!(
                    "{} values, where the first column has {length}",
                    array.len()
                ),
                "columns of equal length",
            );
            return Err(Error::Log(fault.at_column(name).into()).into());
        }
    }
    let fields: Vec<Field> = given
        .iter()
        .zip(&arrays)
        .map(|((name, ..), array)| Field::new(name, array.data_type().clone(), true))
        .collect();
    let schema = Arc::new(Schema::new(fields));
    let options = options(units, columns, tz, time_format);
    let batch = RecordBatch::try_new(schema.clone(), arrays)
        .map_err(|cause| Error::Log(Fault::new(cause.to_string(), "").into()))?;
    Ok(PyLog(py.detach(|| {
        log::read_batches(&schema, &[batch], &options)
    })?))
}

/// The columns of a log: (name, unit example, what it is).
#[pyfunction]
fn log_columns() -> Vec<(&'static str, &'static str, &'static str)> {
    Column::ALL
        .iter()
        .map(|column| {
            (
                column.name(),
                column.quantity().canonical().word,
                column.describe(),
            )
        })
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

// --- baseline ----------------------------------------------------------------------------------------

/// What each train and stage did when its membranes were new.
#[pyclass(name = "Baseline", frozen, module = "brinemark")]
struct PyBaseline {
    baseline: Arc<Baseline>,
    /// The zone and units of the log it was found in.
    zone: String,
    units: BTreeMap<QuantityName, &'static Unit>,
}

type QuantityName = &'static str;

impl PyBaseline {
    fn new(baseline: Baseline, table: Option<&Table>) -> Self {
        let mut units = BTreeMap::new();
        for series in table.into_iter().flat_map(|table| &table.series) {
            units
                .entry(series.unit.quantity.name())
                .or_insert(series.unit);
        }
        Self {
            baseline: Arc::new(baseline),
            zone: table.map_or("UTC".to_owned(), |table| table.zone.clone()),
            units,
        }
    }
}

#[pymethods]
impl PyBaseline {
    /// "baseline" (a period of the log) or "design".
    #[getter]
    fn kind(&self) -> &str {
        &self.baseline.kind
    }

    /// How it was chosen, in a sentence.
    #[getter]
    fn rule(&self) -> &str {
        &self.baseline.rule
    }

    /// One a train and stage.
    #[getter]
    fn references(&self) -> Vec<PyReference> {
        self.baseline
            .references
            .iter()
            .map(|reference| PyReference {
                reference: reference.clone(),
                zone: self.zone.clone(),
                units: self.units.clone(),
            })
            .collect()
    }

    /// As JSON, to be kept beside the log.
    fn to_json(&self) -> String {
        self.baseline.to_json()
    }

    /// From JSON. Raises BaselineError where it is not what to_json() wrote.
    #[staticmethod]
    fn from_json(text: &str) -> PyResult<Self> {
        Ok(Self::new(Baseline::from_json(text)?, None))
    }

    fn __repr__(&self) -> String {
        let count = self.baseline.references.len();
        format!(
            "Baseline({}: {}; {count} references)",
            self.baseline.kind, self.baseline.rule
        )
    }
}

/// The reference of one train and stage.
#[pyclass(name = "Reference", frozen, module = "brinemark")]
struct PyReference {
    reference: Reference,
    zone: String,
    units: BTreeMap<QuantityName, &'static Unit>,
}

impl PyReference {
    fn entries(&self) -> Vec<(&'static str, f64, &'static Unit)> {
        let at = &self.reference;
        let unit = |quantity: Quantity| {
            self.units
                .get(quantity.name())
                .copied()
                .unwrap_or(quantity.canonical())
        };
        let (temperature, pressure) = (unit(Quantity::Temperature), unit(Quantity::Pressure));
        let (flow, salt) = (unit(Quantity::Flow), unit(Quantity::Concentration));
        let ratio = Quantity::Fraction.canonical();
        [
            ("feed_temperature", at.feed_temperature, temperature),
            ("feed_pressure", at.feed_pressure, pressure),
            ("differential_pressure", at.differential_pressure, pressure),
            ("permeate_pressure", at.permeate_pressure, pressure),
            ("permeate_flow", at.permeate_flow, flow),
            ("feed_flow", at.feed_flow, flow),
            ("recycle_flow", at.recycle_flow, flow),
            ("feed_tds", at.feed_tds, salt),
            ("permeate_tds", at.permeate_tds, salt),
            (
                "normalised_permeate_flow",
                at.normalised_permeate_flow,
                flow,
            ),
            ("normalised_salt_passage", at.normalised_salt_passage, ratio),
            (
                "normalised_salt_passage_at_normalised_flow",
                at.normalised_salt_passage_at_normalised_flow,
                ratio,
            ),
            (
                "normalised_differential_pressure",
                at.normalised_differential_pressure,
                pressure,
            ),
        ]
        .map(|(name, value, unit)| (name, unit.from_canonical(value), unit))
        .to_vec()
    }

    fn end_of_span(&self, pick: impl Fn((i64, i64)) -> i64) -> Option<String> {
        self.reference
            .span_us
            .map(|span| show_time(pick(span), &zone_or_utc(&self.zone)))
    }
}

#[pymethods]
impl PyReference {
    /// The train, or None.
    #[getter]
    fn train(&self) -> Option<&str> {
        self.reference.train.as_deref()
    }

    /// The stage, or None.
    #[getter]
    fn stage(&self) -> Option<&str> {
        self.reference.stage.as_deref()
    }

    /// First reading of the baseline, ISO 8601; None for a design.
    #[getter]
    fn start(&self) -> Option<String> {
        self.end_of_span(|span| span.0)
    }

    /// Last reading of the baseline, ISO 8601; None for a design.
    #[getter]
    fn end(&self) -> Option<String> {
        self.end_of_span(|span| span.1)
    }

    /// Readings in it.
    #[getter]
    fn rows(&self) -> u64 {
        self.reference.rows
    }

    /// Its conditions and normalised figures, in the log's units.
    #[getter]
    fn values<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let values = PyDict::new(py);
        for (name, value, _) in self.entries() {
            values.set_item(name, value)?;
        }
        Ok(values)
    }

    /// The unit of each.
    #[getter]
    fn units<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let units = PyDict::new(py);
        for (name, _, unit) in self.entries() {
            units.set_item(name, unit.word)?;
        }
        Ok(units)
    }
}

#[pyfunction]
#[pyo3(signature = (log, site, analyses))]
fn find_baseline(
    py: Python<'_>,
    log: &PyLog,
    site: &PySite,
    analyses: Vec<String>,
) -> PyResult<PyBaseline> {
    let analyses = analyses_of(&analyses)?;
    let found = py.detach(|| Baseline::find(&log.0, &site.0, &analyses))?;
    Ok(PyBaseline::new(found, Some(&log.0.table)))
}

// --- result ------------------------------------------------------------------------------------------

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
struct PyResultView(Arc<Normalised>);

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

// --- assessment --------------------------------------------------------------------------------------

/// A figure with its interval.
#[pyclass(name = "Estimate", frozen, module = "brinemark", from_py_object)]
#[derive(Clone)]
struct PyEstimate(Estimate);

#[pymethods]
impl PyEstimate {
    /// The figure.
    #[getter]
    fn value(&self) -> f64 {
        self.0.value
    }

    /// The lower end of its interval; NaN where there are too few readings for one.
    #[getter]
    fn low(&self) -> f64 {
        self.0.low
    }

    /// The upper end.
    #[getter]
    fn high(&self) -> f64 {
        self.0.high
    }

    /// How often such an interval holds the true figure.
    #[getter]
    fn level(&self) -> f64 {
        self.0.level
    }

    /// Its unit; "" for a ratio.
    #[getter]
    fn unit(&self) -> &'static str {
        self.0.unit
    }

    /// How many days with readings it stands on.
    #[getter]
    fn n(&self) -> usize {
        self.0.n
    }

    /// How it was found.
    #[getter]
    fn method(&self) -> &'static str {
        self.0.method
    }

    fn __repr__(&self) -> String {
        format!("Estimate({})", self.0)
    }
}

/// How one train and stage stands against its reference, over the last days of the log.
#[pyclass(name = "Standing", frozen, module = "brinemark")]
struct PyStanding(Standing);

#[pymethods]
impl PyStanding {
    /// The train, or None.
    #[getter]
    fn train(&self) -> Option<&str> {
        self.0.train.as_deref()
    }

    /// The stage, or None.
    #[getter]
    fn stage(&self) -> Option<&str> {
        self.0.stage.as_deref()
    }

    /// First reading of the window, ISO 8601.
    #[getter]
    fn start(&self) -> &str {
        &self.0.start
    }

    /// Last reading of the window, ISO 8601.
    #[getter]
    fn end(&self) -> &str {
        &self.0.end
    }

    /// Days with readings in it.
    #[getter]
    fn days(&self) -> usize {
        self.0.days
    }

    /// Changes against the reference, as fractions: permeate_flow (as measured), temperature and driving_pressure (what each
    /// alone made of it), and the normalised figures.
    #[getter]
    fn changes<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let changes = PyDict::new(py);
        for (name, estimate) in &self.0.changes {
            changes.set_item(name, PyEstimate(estimate.clone()))?;
        }
        Ok(changes)
    }

    /// All of it in a sentence or two.
    #[getter]
    fn sentence(&self) -> &str {
        &self.0.sentence
    }

    fn __repr__(&self) -> String {
        format!("Standing({})", self.0.sentence)
    }
}

#[pyfunction]
#[pyo3(signature = (result, days, level))]
fn assess(
    py: Python<'_>,
    result: &PyResultView,
    days: f64,
    level: f64,
) -> PyResult<Vec<PyStanding>> {
    let found = py.detach(|| crate::assess::assess(&result.0, &AssessSettings { days, level }))?;
    Ok(found.into_iter().map(PyStanding).collect())
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PySite>()?;
    module.add_class::<PyEvent>()?;
    module.add_class::<PyTableView>()?;
    module.add_class::<PyLog>()?;
    module.add_class::<PyCsvBlocks>()?;
    module.add_class::<PyBaseline>()?;
    module.add_class::<PyReference>()?;
    module.add_class::<PyProvenance>()?;
    module.add_class::<PyLimitCount>()?;
    module.add_class::<PyResultView>()?;
    module.add_class::<PyEstimate>()?;
    module.add_class::<PyStanding>()?;
    module.add_function(wrap_pyfunction!(read_csv, module)?)?;
    module.add_function(wrap_pyfunction!(read_arrow, module)?)?;
    module.add_function(wrap_pyfunction!(read_columns, module)?)?;
    module.add_function(wrap_pyfunction!(log_columns, module)?)?;
    module.add_function(wrap_pyfunction!(requirements, module)?)?;
    module.add_function(wrap_pyfunction!(find_baseline, module)?)?;
    module.add_function(wrap_pyfunction!(normalise, module)?)?;
    module.add_function(wrap_pyfunction!(assess, module)?)
}
