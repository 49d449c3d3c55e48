//! What a dossier keeps of each reading, as Python objects.

use std::collections::BTreeMap;

use pyo3::prelude::*;
use pyo3::types::PyBytes;

use super::result::PyResultView;
use crate::evidence::{BLOCK, Digests, rows_csv};

/// The rows of a result as CSV in bytes, and the digests of each column's blocks of rows, in hexadecimal.
#[pyfunction]
fn row_evidence<'py>(
    py: Python<'py>,
    result: &PyResultView,
) -> PyResult<(Bound<'py, PyBytes>, BTreeMap<String, Vec<String>>)> {
    let (rows, columns) = py.detach(|| {
        let digests = Digests::of(&result.0.log);
        let rows = rows_csv(&result.0, &digests)?;
        let hexadecimal = |blocks: Vec<u64>| blocks.iter().map(|of| format!("{of:016x}")).collect();
        let columns = digests.columns.into_iter();
        Ok::<_, crate::Error>((
            rows,
            columns.map(|(name, of)| (name, hexadecimal(of))).collect(),
        ))
    })?;
    Ok((PyBytes::new(py, &rows), columns))
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add("EVIDENCE_BLOCK", BLOCK)?;
    module.add_function(wrap_pyfunction!(row_evidence, module)?)
}
