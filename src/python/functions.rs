//! Functions on scalars and arrays alike, and units.

use numpy::{
    AllowTypeChange, PyArray1, PyArrayDyn, PyArrayLikeDyn, PyArrayMethods, PyUntypedArrayMethods,
};
use pyo3::prelude::*;
use pyo3::types::PyFloat;

use crate::error::Error;
use crate::units::{self, Unit};

type Column<'py> = PyArrayLikeDyn<'py, f64, AllowTypeChange>;

/// Applies `of` to arguments that NumPy has broadcast to one shape; a float where all were scalars.
pub(super) fn map<'py, const N: usize>(
    py: Python<'py>,
    arguments: [&Bound<'py, PyAny>; N],
    of: impl Fn([f64; N]) -> Result<f64, Error> + Send + Sync,
) -> PyResult<Bound<'py, PyAny>> {
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
    let shape = columns
        .first()
        .map(|column| column.shape().to_vec())
        .unwrap_or_default();
    let values: Vec<Vec<f64>> = columns
        .iter()
        .map(|column| column.as_array().iter().copied().collect())
        .collect();
    let scalar = shape.is_empty();
    let found = py.detach(|| {
        let rows = values.first().map_or(0, Vec::len);
        (0..rows)
            .map(|row| {
                let at: [f64; N] = std::array::from_fn(|argument| values[argument][row]);
                of(at).map_err(|error| {
                    if scalar {
                        error
                    } else {
                        error.at_row(row as u64 + 1)
                    }
                })
            })
            .collect::<Result<Vec<f64>, Error>>()
    })?;
    if scalar {
        return Ok(PyFloat::new(py, found.first().copied().unwrap_or(f64::NAN)).into_any());
    }
    let array: Bound<'py, PyArrayDyn<f64>> = PyArray1::from_vec(py, found).reshape(shape)?;
    Ok(array.into_any())
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
