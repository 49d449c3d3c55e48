//! The Python layer: convert, release the interpreter, call, wrap. No arithmetic.

mod errors;
mod functions;
mod tables;

use pyo3::prelude::*;

/// The compiled core of brinemark.
#[pymodule(gil_used = false)]
fn _core(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add("__version__", crate::VERSION)?;
    errors::register(module)?;
    functions::register(module)?;
    tables::register(module)
}
