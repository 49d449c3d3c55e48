//! Functions on scalars and arrays alike, and units.

use numpy::{
    AllowTypeChange, PyArray1, PyArrayDyn, PyArrayLikeDyn, PyArrayMethods, PyUntypedArrayMethods,
};
use pyo3::prelude::*;
use pyo3::types::PyFloat;

use crate::error::Error;
use crate::units::{self, Unit};

type Column<'py> = PyArrayLikeDyn<'py, f64, AllowTypeChange>;

/// Arguments that NumPy has broadcast to one shape: their figures, row by row, and the shape; none where all were scalars.
pub(super) struct Broadcast {
    columns: Vec<Vec<f64>>,
    shape: Vec<usize>,
}

impl Broadcast {
    pub fn of<'py>(py: Python<'py>, arguments: &[&Bound<'py, PyAny>]) -> PyResult<Self> {
        let numpy = py.import("numpy")?;
        let as_float = |argument: &Bound<'py, PyAny>| {
            let keywords = pyo3::types::PyDict::new(py);
            keywords.set_item("dtype", "float64")?;
            numpy.call_method("asarray", (argument,), Some(&keywords))
        };
        let arrays = arguments
            .iter()
            .map(|argument| as_float(argument))
            .collect::<PyResult<Vec<_>>>()?;
        let broadcast =
            numpy.call_method1("broadcast_arrays", pyo3::types::PyTuple::new(py, arrays)?)?;
        let columns = broadcast
            .try_iter()?
            .map(|array| array?.extract::<Column<'py>>())
            .collect::<PyResult<Vec<_>>>()?;
        Ok(Self {
            shape: columns
                .first()
                .map(|column| column.shape().to_vec())
                .unwrap_or_default(),
            columns: columns
                .iter()
                .map(|column| column.as_array().iter().copied().collect())
                .collect(),
        })
    }

    pub fn rows(&self) -> usize {
        self.columns.first().map_or(0, Vec::len)
    }

    pub fn is_scalar(&self) -> bool {
        self.shape.is_empty()
    }

    /// The figure of an argument in a row.
    pub fn at(&self, argument: usize, row: usize) -> f64 {
        self.columns[argument][row]
    }

    /// Figures, one a row, in the arguments' shape; a float where all were scalars.
    pub fn shaped<'py>(&self, py: Python<'py>, figures: Vec<f64>) -> PyResult<Bound<'py, PyAny>> {
        if self.is_scalar() {
            let only = figures.first().copied().unwrap_or(f64::NAN);
            return Ok(PyFloat::new(py, only).into_any());
        }
        let array: Bound<'py, PyArrayDyn<f64>> =
            PyArray1::from_vec(py, figures).reshape(self.shape.clone())?;
        Ok(array.into_any())
    }

    /// A refusal names its row where there are rows.
    pub fn refuse(&self, error: Error, row: usize) -> Error {
        if self.is_scalar() {
            error
        } else {
            error.at_row(row as u64 + 1)
        }
    }
}

/// Applies `of` to arguments that NumPy has broadcast to one shape; a float where all were scalars.
pub(super) fn map<'py, const N: usize>(
    py: Python<'py>,
    arguments: [&Bound<'py, PyAny>; N],
    of: impl Fn([f64; N]) -> Result<f64, Error> + Send + Sync,
) -> PyResult<Bound<'py, PyAny>> {
    let given = Broadcast::of(py, &arguments)?;
    let found = py.detach(|| {
        (0..given.rows())
            .map(|row| {
                of(std::array::from_fn(|argument| given.at(argument, row)))
                    .map_err(|error| given.refuse(error, row))
            })
            .collect::<Result<Vec<f64>, Error>>()
    })?;
    given.shaped(py, found)
}

/// Turns values from one unit to another of the same quantity.
///
/// value : array-like. Figures in `from_unit`
/// from_unit, to_unit : str. Unit words such as "gpm", "m3/h", "psi", "degF"
///
/// Returns: float or ndarray, in `to_unit`. Pressures are gauge; temperatures keep their offset.
/// Raises: UnitError where a unit is not known, or the two measure different things.
///
/// >>> round(convert(4000, "gpd", "gpm"), 2)
/// 2.78
#[pyfunction]
#[pyo3(signature = (value, from_unit, to_unit))]
fn convert<'py>(
    py: Python<'py>,
    value: &Bound<'py, PyAny>,
    from_unit: &str,
    to_unit: &str,
) -> PyResult<Bound<'py, PyAny>> {
    let from = Unit::parse(from_unit)?;
    let to = Unit::parse_as(to_unit, from.quantity)?;
    map(py, [value], |[value]| {
        Ok(to.from_canonical(from.to_canonical(value)))
    })
}

/// Every accepted unit word with the quantity it measures and its canonical unit.
///
/// Returns: list of (word, quantity, unit) where `unit` is how brinemark itself writes it.
///
/// >>> ("psig", "pressure", "psi") in unit_words()
/// True
#[pyfunction]
fn unit_words() -> Vec<(&'static str, &'static str, &'static str)> {
    units::Unit::spellings()
        .filter(|(word, _)| !word.is_empty())
        .map(|(word, unit)| (word, unit.quantity.name(), unit.word))
        .collect()
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_function(wrap_pyfunction!(convert, module)?)?;
    module.add_function(wrap_pyfunction!(unit_words, module)?)
}
