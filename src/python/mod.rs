//! The Python layer: convert, release the interpreter, call, wrap. No arithmetic.

mod acid_dose;
mod aggregate;
mod assess;
mod baseline;
mod compare;
mod conductivity;
mod corrections;
mod describe;
mod diagnose;
mod errors;
mod evidence;
mod folder;
mod forecast;
mod functions;
mod guarantee_course;
mod membrane;
mod records;
mod result;
mod scaling;
mod screening;
mod series;
mod settings;
mod site;
mod sizing;
mod start_up;
mod tables;
mod trend;
mod uncertainty;
mod warranty;
mod water;

use pyo3::prelude::*;

/// The compiled core of brinemark.
#[pymodule(gil_used = false)]
fn _core(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add("__version__", crate::VERSION)?;
    module.add("CAUTIONS", crate::diagnose::CAUTIONS)?;
    errors::register(module)?;
    functions::register(module)?;
    water::register(module)?;
    acid_dose::register(module)?;
    scaling::register(module)?;
    conductivity::register(module)?;
    corrections::register(module)?;
    site::register(module)?;
    membrane::register(module)?;
    tables::register(module)?;
    describe::register(module)?;
    baseline::register(module)?;
    screening::register(module)?;
    aggregate::register(module)?;
    result::register(module)?;
    evidence::register(module)?;
    uncertainty::register(module)?;
    records::register(module)?;
    settings::register(module)?;
    start_up::register(module)?;
    folder::register(module)?;
    series::register(module)?;
    assess::register(module)?;
    trend::register(module)?;
    diagnose::register(module)?;
    forecast::register(module)?;
    warranty::register(module)?;
    guarantee_course::register(module)?;
    sizing::register(module)?;
    compare::register(module)
}
