//! Logs, and tables in and out, as Python objects.

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

use crate::error::{Error, Fault};
use crate::log::{self, Column, Log, LogReader, ReadOptions, ReadWords};
use crate::screen::Reasons;
use crate::table::Table;
use crate::units::Unit;
use crate::write::Output;

/// What a header is renamed to: None leaves it out.
#[derive(FromPyObject)]
enum Renamed {
    One(String),
    Several(Vec<String>),
}

/// How a source is to be read: a mapping file's settings under those of the call.
#[pyclass(name = "ReadOptions", frozen, module = "brinemark._core")]
pub(super) struct PyReadOptions(pub(super) ReadOptions);

#[pymethods]
impl PyReadOptions {
    #[new]
    #[pyo3(signature = (
        *, mapping=None, units=None, columns=None, tz=None, time_format=None, separator=None, decimal=None,
        sheet=None, header_row=None, units_row=None, time_label=None, interval=None, clock_change=None, sort=None
    ))]
    #[expect(clippy::too_many_arguments, reason = "Python's keywords, one each")]
    fn new(
        mapping: Option<PathBuf>,
        units: Option<BTreeMap<String, String>>,
        columns: Option<BTreeMap<String, Option<Renamed>>>,
        tz: Option<String>,
        time_format: Option<String>,
        separator: Option<&str>,
        decimal: Option<&str>,
        sheet: Option<String>,
        header_row: Option<u64>,
        units_row: Option<bool>,
        time_label: Option<&str>,
        interval: Option<&str>,
        clock_change: Option<&str>,
        sort: Option<bool>,
    ) -> PyResult<Self> {
        let words = ReadWords {
            separator,
            decimal,
            time_label,
            interval,
            clock_change,
        };
        let given = ReadOptions {
            units: units.unwrap_or_default(),
            columns: columns
                .unwrap_or_default()
                .into_iter()
                .map(|(theirs, ours)| match ours {
                    None => (theirs, Vec::new()),
                    Some(Renamed::One(ours)) => (theirs, vec![ours]),
                    Some(Renamed::Several(ours)) => (theirs, ours),
                })
                .collect(),
            time_zone: tz,
            time_format,
            sheet,
            header_row,
            units_row,
            sort,
            ..words.read()?
        };
        Ok(Self(match mapping {
            Some(path) => given.or(ReadOptions::load(&path)?),
            None => given,
        }))
    }
}

/// Named columns with units, one row a reading.
#[pyclass(name = "Table", frozen, module = "brinemark._core")]
pub(super) struct PyTableView {
    pub(super) table: Table,
    pub(super) reasons: Option<Vec<Reasons>>,
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
pub(super) struct PyLog(pub(super) Log);

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

    /// Whether its readings were screened.
    #[getter]
    fn is_screened(&self) -> bool {
        self.0.set_aside.is_some()
    }

    /// (path, rows) of each file.
    #[getter]
    fn sources(&self) -> Vec<(String, u64)> {
        let sources = self.0.sources.iter();
        sources
            .map(|source| (source.path.display().to_string(), source.rows))
            .collect()
    }

    #[getter]
    fn written_to(&self) -> BTreeMap<String, f64> {
        self.0.written_to.clone()
    }

    fn hash(&self, py: Python<'_>) -> String {
        py.detach(|| self.0.hash())
    }
}

#[pyfunction]
#[pyo3(signature = (paths, options, watch=None))]
fn read_files(
    py: Python<'_>,
    paths: Vec<PathBuf>,
    options: &PyReadOptions,
    watch: Option<Py<PyAny>>,
) -> PyResult<PyLog> {
    let mut complaint = None;
    let log = py.detach(|| {
        log::read_logs(&paths, &options.0, |share| {
            // A watcher that fails is asked no more; its failure is raised when the reading is done.
            if let (Some(watch), None) = (&watch, &complaint) {
                complaint = Python::attach(|py| watch.call1(py, (share,))).err();
            }
        })
    })?;
    match complaint {
        Some(complaint) => Err(complaint),
        None => Ok(PyLog(log)),
    }
}

/// A file, a block at a time.
#[pyclass(name = "LogBlocks", frozen, module = "brinemark._core")]
struct PyLogBlocks(Mutex<LogReader>);

#[pymethods]
impl PyLogBlocks {
    #[new]
    fn new(py: Python<'_>, path: PathBuf, options: &PyReadOptions) -> PyResult<Self> {
        let reader = py.detach(|| LogReader::open(&path, options.0.clone()))?;
        Ok(Self(Mutex::new(reader)))
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
fn read_arrow(py: Python<'_>, table: PyTable, options: &PyReadOptions) -> PyResult<PyLog> {
    let (batches, schema) = table.into_inner();
    Ok(PyLog(py.detach(|| {
        log::read_batches(&schema, &batches, &options.0)
    })?))
}

/// A column of a table in memory: its name, what it holds, the values, and for times the zone.
pub(super) type Given<'py> = (String, String, Bound<'py, PyAny>, Option<String>);

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

/// Columns of a table in memory as one batch.
pub(super) fn batch_of(given: &[Given<'_>]) -> PyResult<(Arc<Schema>, RecordBatch)> {
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
    let batch = RecordBatch::try_new(schema.clone(), arrays)
        .map_err(|cause| Error::Log(Fault::new(cause.to_string(), "").into()))?;
    Ok((schema, batch))
}

#[pyfunction]
fn read_columns(py: Python<'_>, given: Vec<Given<'_>>, options: &PyReadOptions) -> PyResult<PyLog> {
    let (schema, batch) = batch_of(&given)?;
    Ok(PyLog(py.detach(|| {
        log::read_batches(&schema, &[batch], &options.0)
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

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyTableView>()?;
    module.add_class::<PyLog>()?;
    module.add_class::<PyReadOptions>()?;
    module.add_class::<PyLogBlocks>()?;
    module.add_function(wrap_pyfunction!(read_files, module)?)?;
    module.add_function(wrap_pyfunction!(read_arrow, module)?)?;
    module.add_function(wrap_pyfunction!(read_columns, module)?)?;
    module.add_function(wrap_pyfunction!(log_columns, module)?)
}
