//! Proposals for unknown logs, as Python objects.

use std::path::PathBuf;

use pyo3::prelude::*;
use pyo3_arrow::PyTable;

use super::tables::{Given, batch_of};
use crate::log::describe::{Description, Proposal, TimeColumn, describe_sample};
use crate::log::{Sample, look, sample_batches};

/// What a file or table seems to hold, with the evidence. A proposal: nothing of it was applied.
///
/// Printed, it is a table to be read; `mapping()` is the text of a mapping file.
#[pyclass(name = "Description", frozen, module = "brinemark")]
struct PyDescription(Description);

#[pymethods]
impl PyDescription {
    /// A proposal for each column, in the file's order.
    #[getter]
    fn columns(&self) -> Vec<PyProposal> {
        self.0.columns.iter().cloned().map(PyProposal).collect()
    }

    /// How times are written, or None where no column holds times.
    #[getter]
    fn time(&self) -> Option<PyTimeColumn> {
        self.0.time.clone().map(PyTimeColumn)
    }

    /// What stands between cells, or None for a table in memory.
    #[getter]
    fn separator(&self) -> Option<char> {
        self.0.separator
    }

    /// The line or sheet row of the header, from 1, where other lines stand above it, or None.
    #[getter]
    fn header_row(&self) -> Option<u64> {
        self.0.header_row
    }

    /// "." or ",".
    #[getter]
    fn decimal(&self) -> char {
        self.0.decimal.sign()
    }

    /// How many rows were looked at.
    #[getter]
    fn rows(&self) -> usize {
        self.0.rows
    }

    /// What else is to be known or done.
    #[getter]
    fn notes(&self) -> Vec<String> {
        self.0.notes.clone()
    }

    /// The text of a mapping file, to be read, corrected and used. What is less than likely stands in comments.
    fn mapping(&self) -> String {
        self.0.mapping()
    }

    /// All of it as JSON.
    fn to_json(&self) -> String {
        self.0.to_json()
    }

    fn __str__(&self) -> String {
        self.0.to_string()
    }

    fn __repr__(&self) -> String {
        self.0.to_string()
    }
}

/// What is proposed for one column.
#[pyclass(name = "Proposal", frozen, module = "brinemark")]
struct PyProposal(Proposal);

#[pymethods]
impl PyProposal {
    /// Its header, as the file has it.
    #[getter]
    fn header(&self) -> &str {
        &self.0.header
    }

    /// What it may be, as a mapping file writes it ("feed_pressure [psi]"), or None.
    #[getter]
    fn proposal(&self) -> Option<String> {
        self.0.proposal.map(|meaning| meaning.to_string())
    }

    /// Whether it holds words, or nothing.
    #[getter]
    fn no_readings(&self) -> bool {
        self.0.no_readings
    }

    /// "sure", "likely", "possible" or "none".
    #[getter]
    fn confidence(&self) -> &'static str {
        self.0.confidence.name()
    }

    /// What speaks for it and against it.
    #[getter]
    fn evidence(&self) -> Vec<String> {
        self.0.evidence.clone()
    }

    /// What else it may be.
    #[getter]
    fn alternatives(&self) -> Vec<String> {
        self.0
            .alternatives
            .iter()
            .map(|meaning| meaning.to_string())
            .collect()
    }

    /// Cells that hold something.
    #[getter]
    fn filled(&self) -> usize {
        self.0.values.filled
    }

    /// Cells that say that there is no reading.
    #[getter]
    fn missing(&self) -> usize {
        self.0.values.missing
    }

    /// Different contents.
    #[getter]
    fn distinct(&self) -> usize {
        self.0.values.distinct
    }

    /// The least figure, in the file's unit, or None.
    #[getter]
    fn least(&self) -> Option<f64> {
        self.0.values.least
    }

    /// The median figure, or None.
    #[getter]
    fn median(&self) -> Option<f64> {
        self.0.values.median
    }

    /// The greatest figure, or None.
    #[getter]
    fn greatest(&self) -> Option<f64> {
        self.0.values.greatest
    }

    fn __repr__(&self) -> String {
        format!(
            "Proposal({:?}: {}, {})",
            self.0.header,
            self.proposal().unwrap_or_else(|| "nothing".to_owned()),
            self.0.confidence.name()
        )
    }
}

/// How a file writes its times.
#[pyclass(name = "TimeColumn", frozen, module = "brinemark")]
struct PyTimeColumn(TimeColumn);

#[pymethods]
impl PyTimeColumn {
    /// Its header.
    #[getter]
    fn column(&self) -> &str {
        &self.0.column
    }

    /// The format in strftime's words, or None for ISO 8601.
    #[getter]
    fn format(&self) -> Option<&str> {
        self.0.format.as_deref()
    }

    /// The other order of day and month, where nothing in the file tells which it is, or None.
    #[getter]
    fn undecided(&self) -> Option<&str> {
        self.0.undecided.as_deref()
    }

    /// The middle step between readings [h], or None.
    #[getter]
    fn step_h(&self) -> Option<f64> {
        self.0.step_h
    }

    /// Whether the times state their offset.
    #[getter]
    fn zone_stated(&self) -> bool {
        self.0.zone_stated
    }

    /// "oldest-first", "newest-first" or "mixed".
    #[getter]
    fn order(&self) -> &'static str {
        self.0.order.name()
    }

    fn __repr__(&self) -> String {
        let format = self.0.format.as_deref().unwrap_or("ISO 8601");
        format!(
            "TimeColumn({:?}: {format}, {})",
            self.0.column,
            self.0.order.name()
        )
    }
}

fn of(sample: &Sample) -> PyDescription {
    PyDescription(describe_sample(sample))
}

#[pyfunction]
fn describe_file(py: Python<'_>, path: PathBuf, rows: usize) -> PyResult<PyDescription> {
    Ok(py.detach(|| look(&path, rows).map(|sample| of(&sample)))?)
}

#[pyfunction]
fn describe_arrow(py: Python<'_>, table: PyTable, rows: usize) -> PyResult<PyDescription> {
    let (batches, schema) = table.into_inner();
    Ok(py.detach(|| sample_batches(&schema, &batches, rows).map(|sample| of(&sample)))?)
}

#[pyfunction]
fn describe_columns(py: Python<'_>, given: Vec<Given<'_>>, rows: usize) -> PyResult<PyDescription> {
    let (schema, batch) = batch_of(&given)?;
    Ok(py.detach(|| sample_batches(&schema, &[batch], rows).map(|sample| of(&sample)))?)
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyDescription>()?;
    module.add_class::<PyProposal>()?;
    module.add_class::<PyTimeColumn>()?;
    module.add_function(wrap_pyfunction!(describe_file, module)?)?;
    module.add_function(wrap_pyfunction!(describe_arrow, module)?)?;
    module.add_function(wrap_pyfunction!(describe_columns, module)?)
}
