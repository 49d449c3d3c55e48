//! Comparisons of trains and periods, and plans of trials, for Python: plain values that its dataclasses take.

use numpy::PyReadonlyArray1;
use pyo3::prelude::*;
use pyo3::types::{PyDict, PyList};

use super::assess::PyEstimate;
use super::result::PyResultView;
use crate::assess::Estimate;
use crate::compare::blocks::{block_length, draws};
use crate::compare::judge::{holm, welch};
use crate::compare::like::{Likeness, Overlap};
use crate::compare::plan::{Asked, Curve, Known, Plan, curves, plan};
use crate::compare::regression::{Figure, Noise, Readings, fit};
use crate::compare::{
    Arm, Comparison, Design, Effect, Measure, Method, Placebo, Prices, Settings, compare,
};
use crate::error::{Error, Fault};

/// An arm as Python gives it: result, treatment, train, stage, start and end in µs, cleanings in µs, cost of the treatment.
type GivenArm<'py> = (
    PyRef<'py, PyResultView>,
    String,
    Option<String>,
    Option<String>,
    (i64, i64),
    Option<Vec<i64>>,
    f64,
);

/// Design, control, measures, method; level, risk, margin; draws, seed, days of wash-out.
type GivenSettings = (
    (String, String, Vec<String>, String),
    (f64, f64, f64),
    (usize, u64, f64),
);

/// Temperature, salinity, flux, share; whether unlike arms are allowed.
type GivenLikeness = ((f64, f64, f64, f64), bool);

fn arms_of<'a>(given: &'a [GivenArm<'_>]) -> Vec<Arm<'a>> {
    given
        .iter()
        .map(
            |(result, treatment, train, stage, span_us, cleanings, cost)| Arm {
                result: &result.0,
                treatment,
                train: train.as_deref(),
                stage: stage.as_deref(),
                span_us: *span_us,
                cleanings_us: cleanings.as_deref(),
                treatment_cost: *cost,
            },
        )
        .collect()
}

fn measure_of(name: &str) -> Result<Measure, Error> {
    let found = Measure::ALL.iter().find(|measure| measure.name() == name);
    found.copied().ok_or_else(|| {
        let names = Measure::ALL.map(Measure::name).join(", ");
        Error::Series(
            Fault::new(
                format!("measure '{name}' is not known"),
                format!("one of {names}"),
            )
            .into(),
        )
    })
}

fn estimate(found: Option<Estimate>) -> Option<PyEstimate> {
    found.map(PyEstimate)
}

fn placebo<'py>(py: Python<'py>, found: &Placebo) -> PyResult<Bound<'py, PyDict>> {
    let made = PyDict::new(py);
    made.set_item("differences", &found.differences)?;
    made.set_item("floor", found.floor)?;
    made.set_item("called", found.called)?;
    made.set_item("lasts_days", found.lasts_days)?;
    Ok(made)
}

fn effect<'py>(py: Python<'py>, found: &Effect) -> PyResult<Bound<'py, PyDict>> {
    let made = PyDict::new(py);
    made.set_item("measure", found.measure.name())?;
    made.set_item("treatment", &found.treatment)?;
    made.set_item("unit", found.measure.unit())?;
    made.set_item("difference", estimate(found.difference.clone()))?;
    made.set_item("relative", estimate(found.relative.clone()))?;
    made.set_item("of_control", estimate(found.control.clone()))?;
    made.set_item("of_treated", estimate(found.treated.clone()))?;
    made.set_item("p", found.p)?;
    made.set_item("p_adjusted", found.p_adjusted)?;
    made.set_item("p_not_worse", found.p_not_worse)?;
    made.set_item("p_equivalent", found.p_equivalent)?;
    made.set_item("days", found.days)?;
    made.set_item("set_aside", found.aside)?;
    made.set_item("noise", found.noise)?;
    made.set_item("wander_share", found.wander.0)?;
    made.set_item("wander_days", found.wander.1)?;
    made.set_item("block_days", found.block)?;
    let of_nothing = found.placebo.as_ref().map(|found| placebo(py, found));
    made.set_item("placebo", of_nothing.transpose()?)?;
    made.set_item("missing", &found.missing)?;
    Ok(made)
}

fn overlap<'py>(py: Python<'py>, found: &Overlap) -> PyResult<Bound<'py, PyDict>> {
    let made = PyDict::new(py);
    made.set_item("condition", found.condition)?;
    made.set_item("unit", found.unit)?;
    made.set_item("arms", &found.arms)?;
    made.set_item("medians", found.medians)?;
    made.set_item("shares", found.shares)?;
    made.set_item("is_like", found.is_like)?;
    Ok(made)
}

fn comparison<'py>(py: Python<'py>, found: &Comparison) -> PyResult<Bound<'py, PyDict>> {
    let made = PyDict::new(py);
    let effects = found
        .effects
        .iter()
        .map(|one| effect(py, one))
        .collect::<PyResult<Vec<_>>>()?;
    let overlaps = found
        .overlaps
        .iter()
        .map(|one| overlap(py, one))
        .collect::<PyResult<Vec<_>>>()?;
    made.set_item("effects", PyList::new(py, effects)?)?;
    made.set_item("overlaps", PyList::new(py, overlaps)?)?;
    made.set_item("unlike", &found.unlike)?;
    made.set_item("family", found.family)?;
    made.set_item("warnings", &found.warnings)?;
    made.set_item("arms", &found.arms)?;
    made.set_item("method", found.settings.method.describe())?;
    Ok(made)
}

#[pyfunction]
#[pyo3(name = "compare")]
fn compare_arms<'py>(
    py: Python<'py>,
    arms: Vec<GivenArm<'py>>,
    settings: GivenSettings,
    prices: Option<(f64, f64, f64, f64)>,
    like: GivenLikeness,
    placebo_us: Option<(i64, i64)>,
) -> PyResult<Bound<'py, PyDict>> {
    let ((design, control, measures, method), (level, risk, margin), (draws, seed, washout_days)) =
        settings;
    let ((temperature, salinity, flux, share), allow_unlike) = like;
    let settings = Settings {
        measures: measures
            .iter()
            .map(|name| measure_of(name))
            .collect::<Result<_, Error>>()?,
        level,
        risk,
        margin,
        method: Method::named(&method)?,
        draws,
        seed,
        washout_days,
        prices: prices.map(
            |(energy_per_kwh, water_per_m3, cleaning, pump_efficiency)| Prices {
                energy_per_kwh,
                water_per_m3,
                cleaning,
                pump_efficiency,
            },
        ),
        like: Likeness {
            temperature,
            salinity,
            flux,
            share,
        },
        allow_unlike,
        placebo_us,
        ..Settings::of(Design::named(&design)?, control)
    };
    let arms = arms_of(&arms);
    let found = py.detach(|| compare(&arms, &settings))?;
    comparison(py, &found)
}

fn curve<'py>(py: Python<'py>, found: &Curve) -> PyResult<Bound<'py, PyDict>> {
    let made = PyDict::new(py);
    made.set_item("readings_per_week", found.per_week)?;
    made.set_item("weeks", &found.weeks)?;
    made.set_item("power", &found.power)?;
    made.set_item("weeks_needed", found.needed)?;
    Ok(made)
}

/// Design; reduction, power, risk, level; readings a week, weeks; fouling rate; draws, seed.
type GivenPlan = (
    String,
    (f64, f64, f64, f64),
    (Vec<u32>, Vec<f64>),
    Option<f64>,
    (usize, u64),
);

fn asked(given: GivenPlan) -> Result<Asked, Error> {
    let (design, (reduction, power, risk, level), (per_week, weeks), rate, (draws, seed)) = given;
    Ok(Asked {
        design: Design::named(&design)?,
        reduction,
        power,
        risk,
        per_week,
        weeks,
        rate,
        draws,
        seed,
        level,
    })
}

#[pyfunction]
fn plan_trial<'py>(
    py: Python<'py>,
    arms: Vec<GivenArm<'py>>,
    given: GivenPlan,
) -> PyResult<Bound<'py, PyDict>> {
    let asked = asked(given)?;
    let arms = arms_of(&arms);
    let found: Plan = py.detach(|| plan(&arms, &asked))?;
    let made = PyDict::new(py);
    made.set_item("fouling_rate", PyEstimate(found.rate.clone()))?;
    made.set_item("noise", found.noise)?;
    made.set_item("wander_share", found.wander.0)?;
    made.set_item("wander_days", found.wander.1)?;
    made.set_item("of_pair", found.of_pair)?;
    made.set_item("days", found.days)?;
    made.set_item("cuts_per_year", found.cuts)?;
    let curves = found
        .curves
        .iter()
        .map(|one| curve(py, one))
        .collect::<PyResult<Vec<_>>>()?;
    made.set_item("curves", PyList::new(py, curves)?)?;
    Ok(made)
}

#[pyfunction]
fn trial_power(
    py: Python<'_>,
    noise: (f64, f64, f64),
    fouling_rate_per_year: f64,
    given: GivenPlan,
) -> PyResult<Vec<f64>> {
    let asked = asked(given)?;
    let (deviation, share, memory) = noise;
    let known = Known {
        noise: vec![(Noise { share, memory }, deviation, 1.0)],
        // The noise is known, not estimated.
        freedom: 1e9,
        rate: Figure::exactly(fouling_rate_per_year),
        drift: 0.0,
        cuts: 0.0,
    };
    let found = py.detach(|| curves(&known, &asked))?;
    Ok(found.into_iter().flat_map(|curve| curve.power).collect())
}

type Figures<'py> = PyReadonlyArray1<'py, f64>;

#[pyfunction]
fn contrast<'py>(
    py: Python<'py>,
    times: Figures<'py>,
    values: Figures<'py>,
    columns: Vec<Figures<'py>>,
    weights: Vec<f64>,
    independent: bool,
    level: f64,
) -> PyResult<Bound<'py, PyDict>> {
    let listed = |figures: &Figures<'_>| figures.as_array().to_vec();
    let readings = Readings {
        time: listed(&times),
        value: listed(&values),
        columns: columns.iter().map(listed).collect(),
        starts: vec![0],
        beforehand: Vec::new(),
    };
    readings.check(&weights)?;
    let alone = [Noise {
        share: 0.0,
        memory: 1.0,
    }];
    let found = py.detach(|| fit(&readings, &[weights], independent.then_some(&alone)))?;
    let figure = &found.figures[0];
    let (share, memory) = found.wander();
    let made = PyDict::new(py);
    made.set_item(
        "estimate",
        PyEstimate(figure.estimate(level, readings.time.len())?),
    )?;
    made.set_item("p", figure.p())?;
    made.set_item("deviation", found.deviation)?;
    made.set_item("freedom", found.freedom)?;
    made.set_item("wander_share", share)?;
    made.set_item("wander_days", memory)?;
    Ok(made)
}

#[pyfunction]
fn means_differ<'py>(
    py: Python<'py>,
    first: Figures<'py>,
    second: Figures<'py>,
    level: f64,
    margin: f64,
) -> PyResult<Bound<'py, PyDict>> {
    let (first, second) = (first.as_array().to_vec(), second.as_array().to_vec());
    let figure = welch(&first, &second).ok_or_else(|| {
        Error::Series(
            Fault::new(
                "two readings of each that differ are needed",
                "more readings",
            )
            .into(),
        )
    })?;
    let made = PyDict::new(py);
    made.set_item(
        "estimate",
        PyEstimate(figure.estimate(level, first.len() + second.len())?),
    )?;
    made.set_item("p", figure.p())?;
    made.set_item("p_above_margin", 1.0 - figure.below(margin))?;
    made.set_item("p_below_margin", figure.below(-margin))?;
    Ok(made)
}

#[pyfunction]
#[pyo3(name = "holm")]
fn holm_adjusted(p: Vec<f64>) -> Vec<f64> {
    holm(&p)
}

#[pyfunction]
#[pyo3(name = "block_length")]
fn automatic_block_length(values: Figures<'_>) -> f64 {
    block_length(&values.as_array().to_vec())
}

#[pyfunction]
fn bootstrap_means(values: Figures<'_>, block: f64, count: usize, seed: u64) -> Vec<f64> {
    let values = values.as_array().to_vec();
    let n = values.len();
    draws(
        &values,
        &vec![1.0 / n as f64; n],
        &[(0, n)],
        &[block],
        count,
        seed,
    )
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_function(wrap_pyfunction!(compare_arms, module)?)?;
    module.add_function(wrap_pyfunction!(plan_trial, module)?)?;
    module.add_function(wrap_pyfunction!(trial_power, module)?)?;
    module.add_function(wrap_pyfunction!(contrast, module)?)?;
    module.add_function(wrap_pyfunction!(means_differ, module)?)?;
    module.add_function(wrap_pyfunction!(holm_adjusted, module)?)?;
    module.add_function(wrap_pyfunction!(automatic_block_length, module)?)?;
    module.add_function(wrap_pyfunction!(bootstrap_means, module)?)
}
