//! Guaranteed figures over the period, as Python objects.

use numpy::{IntoPyArray, PyArray1};
use pyo3::prelude::*;

use super::result::PyResultView;
use super::warranty::PyTerms;
use crate::warranty::{Course, WarrantySettings, courses};

/// A guaranteed figure over the period, by the contract's own method, against the contract's line.
#[pyclass(name = "GuaranteeCourse", frozen, module = "brinemark")]
struct PyCourse {
    course: Course,
    level: f64,
}

impl PyCourse {
    fn figures<'py>(
        &self,
        py: Python<'py>,
        of: impl Fn(&crate::warranty::Window) -> f64,
    ) -> Bound<'py, PyArray1<f64>> {
        let figures: Vec<f64> = self.course.windows.iter().map(of).collect();
        figures.into_pyarray(py)
    }
}

#[pymethods]
impl PyCourse {
    /// The train, or None.
    #[getter]
    fn train(&self) -> Option<&str> {
        self.course.group.train.as_deref()
    }

    /// The stage, or None.
    #[getter]
    fn stage(&self) -> Option<&str> {
        self.course.group.stage.as_deref()
    }

    /// The key of the clause, such as "guarantee.permeate_flow".
    #[getter]
    fn key(&self) -> &'static str {
        self.course.key
    }

    /// Whether no less is promised; otherwise no more.
    #[getter]
    fn is_minimum(&self) -> bool {
        self.course.is_minimum
    }

    /// The unit of the terms.
    #[getter]
    fn unit(&self) -> &'static str {
        self.course.unit.word
    }

    /// How long each window is [h]: as long as the one that the contract judges.
    #[getter]
    fn window_h(&self) -> f64 {
        self.course.window_h
    }

    /// How often an interval shall hold the true figure.
    #[getter]
    fn level(&self) -> f64 {
        self.level
    }

    /// The middles of the windows' readings, microseconds since 1970 UTC, in order; the last window is the one judged.
    #[getter]
    fn time_us<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<i64>> {
        let times: Vec<i64> = self.course.windows.iter().map(|of| of.middle_us).collect();
        times.into_pyarray(py)
    }

    /// The figures, in `unit`.
    #[getter]
    fn value<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<f64>> {
        self.figures(py, |of| of.figure.value)
    }

    /// The lower ends of their intervals; NaN where there are too few days.
    #[getter]
    fn low<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<f64>> {
        self.figures(py, |of| of.figure.low)
    }

    /// The upper ends.
    #[getter]
    fn high<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<f64>> {
        self.figures(py, |of| of.figure.high)
    }

    /// What is promised at each time.
    #[getter]
    fn promised<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<f64>> {
        self.figures(py, |of| of.promised)
    }

    fn __repr__(&self) -> String {
        format!(
            "GuaranteeCourse({}, {} windows)",
            self.course.key,
            self.course.windows.len()
        )
    }
}

#[pyfunction]
fn guarantee_courses(
    py: Python<'_>,
    result: &PyResultView,
    terms: &PyTerms,
    level: f64,
) -> PyResult<Vec<PyCourse>> {
    let settings = WarrantySettings {
        level,
        ..WarrantySettings::default()
    };
    let found = py.detach(|| courses(&result.0, &terms.0, &settings))?;
    let wrapped = |course| PyCourse { course, level };
    Ok(found.into_iter().map(wrapped).collect())
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyCourse>()?;
    module.add_function(wrap_pyfunction!(guarantee_courses, module)?)
}
