//! Refusals as Python exceptions: one class a kind, with the faults as objects.

use pyo3::create_exception;
use pyo3::exceptions::PyValueError;
use pyo3::prelude::*;

use crate::error::{Error, Fault};

create_exception!(
    brinemark,
    BrinemarkError,
    PyValueError,
    "Any refusal of brinemark. `faults` lists each fault that was found."
);
create_exception!(
    brinemark,
    RangeError,
    BrinemarkError,
    "A value outside the range for which a formula is valid."
);
create_exception!(
    brinemark,
    UnitError,
    BrinemarkError,
    "A unit that is not known, or is one of another quantity."
);
create_exception!(
    brinemark,
    AnalysisError,
    BrinemarkError,
    "A water analysis that can't be used."
);
create_exception!(
    brinemark,
    LogError,
    BrinemarkError,
    "A log that can't be read."
);
create_exception!(
    brinemark,
    SiteError,
    BrinemarkError,
    "A site file that can't be read."
);
create_exception!(
    brinemark,
    TermsError,
    BrinemarkError,
    "Terms of a warranty that can't be read, or don't fit the log."
);
create_exception!(
    brinemark,
    DemandError,
    BrinemarkError,
    "A demand file that can't be read, or that the unit can't be sized for."
);
create_exception!(
    brinemark,
    MissingColumnError,
    BrinemarkError,
    "An analysis that lacks a column."
);
create_exception!(
    brinemark,
    BaselineError,
    BrinemarkError,
    "A reference that can't be found in the log."
);
create_exception!(
    brinemark,
    SettingsError,
    BrinemarkError,
    "Settings of a unit that its limits don't allow."
);
create_exception!(
    brinemark,
    SeriesError,
    BrinemarkError,
    "A series of figures, or a setting of a statistic, that can't be used."
);
create_exception!(
    brinemark,
    MethodError,
    BrinemarkError,
    "Things made by different methods that would be compared."
);
create_exception!(
    brinemark,
    NotAddedError,
    BrinemarkError,
    "A visit, or something done, that was not added to its folder. `what` is all of it, on a line; `kept` says where it was kept."
);
create_exception!(
    brinemark,
    FileError,
    BrinemarkError,
    "A file that can't be opened, read or written."
);

/// One thing wrong in what was given, and the way to mend it.
#[pyclass(name = "Fault", frozen, module = "brinemark")]
struct PyFault(Fault);

#[pymethods]
impl PyFault {
    /// The file, where several were read together, or None.
    #[getter]
    fn file(&self) -> Option<&str> {
        self.0.file.as_deref()
    }

    /// The reading, counted from 1, or None.
    #[getter]
    fn row(&self) -> Option<u64> {
        self.0.row
    }

    /// The line of the text file, counted from 1, or None.
    #[getter]
    fn line(&self) -> Option<u64> {
        self.0.line
    }

    /// The column, or the key of the site file, or None.
    #[getter]
    fn column(&self) -> Option<&str> {
        self.0.column.as_deref()
    }

    /// What stood there, or None.
    #[getter]
    fn value(&self) -> Option<&str> {
        self.0.value.as_deref()
    }

    /// What is wrong.
    #[getter]
    fn problem(&self) -> &str {
        &self.0.problem
    }

    /// What would be right.
    #[getter]
    fn remedy(&self) -> &str {
        &self.0.remedy
    }

    fn __str__(&self) -> String {
        self.0.to_string()
    }

    fn __repr__(&self) -> String {
        format!("Fault({})", self.0)
    }
}

impl From<Error> for PyErr {
    fn from(error: Error) -> Self {
        let message = error.to_string();
        let not_added = match &error {
            Error::NotAdded { what, kept, .. } => Some((what.clone(), kept.clone())),
            _ => None,
        };
        let raised = match error {
            Error::Range { .. } => RangeError::new_err(message),
            Error::Unit(_) => UnitError::new_err(message),
            Error::Analysis(_) => AnalysisError::new_err(message),
            Error::Log(_) => LogError::new_err(message),
            Error::Site(_) => SiteError::new_err(message),
            Error::Settings(_) => SettingsError::new_err(message),
            Error::Terms(_) => TermsError::new_err(message),
            Error::Demand(_) => DemandError::new_err(message),
            Error::MissingColumn(_) => MissingColumnError::new_err(message),
            Error::Baseline(_) => BaselineError::new_err(message),
            Error::Series(_) => SeriesError::new_err(message),
            Error::Method(_) => MethodError::new_err(message),
            Error::NotAdded { .. } => NotAddedError::new_err(message),
            Error::File(_) => FileError::new_err(message),
        };
        Python::attach(|py| {
            let faults: Vec<PyFault> = error.faults().into_iter().map(PyFault).collect();
            // An exception without its list would be poorer, but still right.
            let value = raised.value(py);
            let _ = value.setattr("faults", faults);
            if let Some((what, kept)) = not_added {
                let _ = value.setattr("what", what);
                let _ = value.setattr("kept", kept);
            }
        });
        raised
    }
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    let py = module.py();
    module.add_class::<PyFault>()?;
    let base = py.get_type::<BrinemarkError>();
    base.setattr("faults", Vec::<i32>::new())?;
    module.add("BrinemarkError", base)?;
    module.add("RangeError", py.get_type::<RangeError>())?;
    module.add("UnitError", py.get_type::<UnitError>())?;
    module.add("AnalysisError", py.get_type::<AnalysisError>())?;
    module.add("LogError", py.get_type::<LogError>())?;
    module.add("SiteError", py.get_type::<SiteError>())?;
    module.add("TermsError", py.get_type::<TermsError>())?;
    module.add("DemandError", py.get_type::<DemandError>())?;
    module.add("MissingColumnError", py.get_type::<MissingColumnError>())?;
    module.add("BaselineError", py.get_type::<BaselineError>())?;
    module.add("SettingsError", py.get_type::<SettingsError>())?;
    module.add("SeriesError", py.get_type::<SeriesError>())?;
    module.add("MethodError", py.get_type::<MethodError>())?;
    let not_added = py.get_type::<NotAddedError>();
    not_added.setattr("what", "")?;
    not_added.setattr("kept", "")?;
    module.add("NotAddedError", not_added)?;
    module.add("FileError", py.get_type::<FileError>())
}
