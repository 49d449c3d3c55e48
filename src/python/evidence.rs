//! What a dossier keeps of each reading, as Python objects.

use std::collections::BTreeMap;

use pyo3::prelude::*;
use pyo3::types::PyBytes;

use super::result::PyResultView;
use super::tables::PyLog;
use crate::evidence::{BLOCK, Digests, rows_csv};

/// The digests of each column's blocks of rows, in hexadecimal.
type OfColumns = BTreeMap<String, Vec<String>>;

fn hexadecimal(digests: &[u64]) -> Vec<String> {
    digests.iter().map(|of| format!("{of:016x}")).collect()
}

fn of_columns(digests: &Digests) -> OfColumns {
    let columns = digests.columns.iter();
    columns
        .map(|(name, of)| (name.clone(), hexadecimal(of)))
        .collect()
}

/// The rows of a result as CSV in bytes, and the digests of its columns.
#[pyfunction]
fn row_evidence<'py>(
    py: Python<'py>,
    result: &PyResultView,
) -> PyResult<(Bound<'py, PyBytes>, OfColumns)> {
    let (rows, columns) = py.detach(|| {
        let digests = Digests::of(&result.0.log);
        let rows = rows_csv(&result.0, &digests)?;
        Ok::<_, crate::Error>((rows, of_columns(&digests)))
    })?;
    Ok((PyBytes::new(py, &rows), columns))
}

/// The digests of a log's rows, in hexadecimal, and of its columns.
#[pyfunction]
fn row_digests(py: Python<'_>, log: &PyLog) -> (Vec<String>, OfColumns) {
    py.detach(|| {
        let digests = Digests::of(&log.0);
        (hexadecimal(&digests.rows), of_columns(&digests))
    })
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add("EVIDENCE_BLOCK", BLOCK)?;
    module.add_function(wrap_pyfunction!(row_digests, module)?)?;
    module.add_function(wrap_pyfunction!(row_evidence, module)?)
}
