//! Budgets, simulations and classes of instruments, from Python.

use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::result::PyResultView;
use crate::uncertainty::classes::CLASSES;
use crate::uncertainty::{Budget, MonteCarloSettings, Share};

/// A source's part in the uncertainty of a figure.
#[pyclass(name = "Share", frozen, module = "brinemark")]
struct PyShare(Share);

#[pymethods]
impl PyShare {
    /// The source: a column's name, or that of a factor, a law, or the readings' own scatter.
    #[getter]
    fn source(&self) -> &str {
        &self.0.source
    }

    /// The standard uncertainty of the figure if it had this source alone, in the figure's unit.
    #[getter]
    fn u(&self) -> f64 {
        self.0.u
    }

    /// Its part of the figure's variance, 0 to 1.
    #[getter]
    fn share(&self) -> f64 {
        self.0.share
    }

    fn __repr__(&self) -> String {
        format!("Share({}: {:.0} %)", self.0.source, 100.0 * self.0.share)
    }
}

/// The uncertainty of one figure, by source, the greatest first.
#[pyclass(name = "Budget", frozen, module = "brinemark")]
pub(super) struct PyBudget(pub(super) Budget);

#[pymethods]
impl PyBudget {
    /// The figure's name.
    #[getter]
    fn output(&self) -> &'static str {
        self.0.output.name()
    }

    /// Its value, in `unit`.
    #[getter]
    fn value(&self) -> f64 {
        self.0.value
    }

    /// Its standard uncertainty, in `unit`.
    #[getter]
    fn u(&self) -> f64 {
        self.0.u
    }

    /// The unit of both; "" for a ratio.
    #[getter]
    fn unit(&self) -> &'static str {
        self.0.unit.word
    }

    /// The parts, which add to 1.
    #[getter]
    fn shares(&self) -> Vec<PyShare> {
        self.0.shares.iter().cloned().map(PyShare).collect()
    }

    /// What to mend first, in a sentence.
    #[getter]
    fn sentence(&self) -> &str {
        &self.0.sentence
    }

    fn __repr__(&self) -> String {
        let digits = |figure: f64| format!("{figure:.4e}").parse::<f64>().unwrap_or(figure);
        format!(
            "Budget({} = {} ± {}{}{} (1 u). {})",
            self.0.output.name(),
            digits(self.0.value),
            digits(self.0.u),
            if self.0.unit.word.is_empty() { "" } else { " " },
            self.0.unit.word,
            self.0.sentence
        )
    }
}

#[pyfunction]
#[pyo3(signature = (result, output, row))]
fn budget(result: &PyResultView, output: &str, row: usize) -> PyResult<PyBudget> {
    Ok(PyBudget(result.0.budget(output, row)?))
}

#[pyfunction]
#[pyo3(signature = (result, outputs, draws, seed, level))]
fn monte_carlo<'py>(
    py: Python<'py>,
    result: &PyResultView,
    outputs: Vec<String>,
    draws: usize,
    seed: u64,
    level: f64,
) -> PyResult<Bound<'py, PyDict>> {
    let settings = MonteCarloSettings { draws, seed, level };
    let names: Vec<&str> = outputs.iter().map(String::as_str).collect();
    let drawn = py.detach(|| result.0.monte_carlo(&names, &settings))?;
    let found = PyDict::new(py);
    for of in &drawn.simulated {
        let figures = PyDict::new(py);
        for (name, values) in [
            ("mean", &of.mean),
            ("u", &of.u),
            ("low", &of.low),
            ("high", &of.high),
        ] {
            let shown = values.iter().map(|value| of.unit.from_canonical(*value));
            figures.set_item(name, PyArray1::from_vec(py, shown.collect()))?;
        }
        found.set_item(of.output.name(), figures)?;
    }
    Ok(found)
}

/// Typical classes of instruments, to be chosen by name under [instruments]; none is ever taken unasked.
///
/// Returns: list of (name, what it is, quantity, accuracy in words, source).
///
/// >>> [row[3] for row in instrument_classes() if row[0] == "rtd-b"]
/// ['0.3 degC + 0.5 % of reading']
#[pyfunction]
fn instrument_classes() -> Vec<(
    &'static str,
    &'static str,
    &'static str,
    String,
    &'static str,
)> {
    CLASSES
        .iter()
        .map(|class| {
            (
                class.name,
                class.what,
                class.quantity.name(),
                class.describe(),
                class.source,
            )
        })
        .collect()
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyShare>()?;
    module.add_class::<PyBudget>()?;
    module.add_function(wrap_pyfunction!(budget, module)?)?;
    module.add_function(wrap_pyfunction!(monte_carlo, module)?)?;
    module.add_function(wrap_pyfunction!(instrument_classes, module)?)
}
