//! The membrane model, from Python.

use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::functions::Broadcast;
use super::site::PySite;
use crate::error::{Error, Fault};
use crate::membrane::operate::{Drain, Drive, Operation, Working};
use crate::membrane::profile::ElementAtWork;
use crate::membrane::train::{Membrane, Train};

/// A membrane by what it passes at 25 degC, and how free its feed channel is.
///
/// water_permeability : float [L/m2/h/bar at 25 degC]. salt_permeability : float [L/m2/h at 25 degC].
/// spacer_friction : float, pressure drop over that of a clean spacer; 1 when new
///
/// >>> Membrane(water_permeability=4.0, salt_permeability=0.12).spacer_friction
/// 1.0
#[pyclass(name = "Membrane", frozen, module = "brinemark")]
pub(super) struct PyMembrane(pub(super) Membrane);

#[pymethods]
impl PyMembrane {
    #[new]
    #[pyo3(signature = (*, water_permeability, salt_permeability, spacer_friction=1.0))]
    fn new(water_permeability: f64, salt_permeability: f64, spacer_friction: f64) -> Self {
        Self(Membrane {
            water_permeability,
            salt_permeability,
            spacer_friction,
        })
    }

    /// L/m2/h/bar at 25 degC.
    #[getter]
    fn water_permeability(&self) -> f64 {
        self.0.water_permeability
    }

    /// L/m2/h at 25 degC.
    #[getter]
    fn salt_permeability(&self) -> f64 {
        self.0.salt_permeability
    }

    /// Pressure drop over that of a clean spacer.
    #[getter]
    fn spacer_friction(&self) -> f64 {
        self.0.spacer_friction
    }

    fn __repr__(&self) -> String {
        format!(
            "Membrane(water_permeability={}, salt_permeability={}, spacer_friction={})",
            self.0.water_permeability, self.0.salt_permeability, self.0.spacer_friction
        )
    }
}

/// The membrane of the element's data sheet: it gives the rated permeate flow and rejection at the test conditions.
///
/// site : Site, with [element] length, feed_spacer_thickness and the rating. One element by itself with a clean spacer, no
///     permeate pressure, and sodium chloride, as data sheets test (common practice, no source).
///
/// Returns: Membrane. Raises: SiteError naming each key that is missing, or saying that no membrane gives the rating.
#[pyfunction]
fn rated_membrane(site: &PySite) -> PyResult<PyMembrane> {
    Ok(PyMembrane(Membrane::rated(&site.0)?))
}

/// One of several ways to say a thing: which was given, and its figures.
fn one_of<'a, 'py, K: Copy>(
    ways: &[(&str, K, &'a Option<Bound<'py, PyAny>>)],
) -> PyResult<(K, &'a Bound<'py, PyAny>)> {
    let mut given = ways
        .iter()
        .filter_map(|(_, kind, figures)| figures.as_ref().map(|figures| (*kind, figures)));
    match (given.next(), given.next()) {
        (Some(found), None) => Ok(found),
        _ => {
            let names: Vec<&str> = ways.iter().map(|(name, _, _)| *name).collect();
            Err(pyo3::exceptions::PyTypeError::new_err(format!(
                "exactly one of {} must be given",
                names.join(", ")
            )))
        }
    }
}

/// What is set, as Python gives it.
struct Cases {
    given: Broadcast,
    drain: Drain,
    drive: Drive,
}

impl Cases {
    fn operation(&self, row: usize) -> Operation {
        let at = |argument: usize| self.given.at(argument, row);
        Operation {
            temperature: at(0),
            feed_tds: at(1),
            permeate_pressure: at(2),
            recycle_flow: at(3),
            drain: self.drain,
            drain_value: at(4),
            drive: self.drive,
            drive_value: at(5),
        }
    }
}

fn train_of(site: &PySite, stage: Option<usize>) -> Result<Train, Error> {
    let stages = site.0.stages.len();
    match stage {
        None => Train::new(&site.0, None),
        Some(stage) if (1..=stages).contains(&stage) => Train::new(&site.0, Some(stage - 1)),
        Some(stage) => Err(Error::Site(
            Fault::new(
                "not a stage of the site file",
                format!("a number from 1 to {stages}"),
            )
            .at_column("stage")
            .with_value(stage.to_string())
            .into(),
        )),
    }
}

/// A unit at work: the flows, pressures and salt that hold together, element by element, recycle and all.
///
/// In each element J = A · TCF · (P − ΔP/2 − Pp − π(Cm) + π(Cp)), J Cp = B · STCF · (Cm − Cp), Cm − Cp = (C̄ − Cp) exp(J/k);
/// J flux, P pressure at its inlet, ΔP the spacer's drop, C̄ mean salt, m at the membrane, p permeate, k mass transfer coefficient
///
/// site : Site, with [element] length and feed_spacer_thickness
/// membrane : Membrane, of all elements
/// feed_temperature_degc : array-like. Of the feed [degC], 0 to 50, or what the laws are valid for
/// feed_tds_mg_l : array-like. Dissolved salt in the raw feed [mg/L], as the basis is valid for
/// permeate_pressure_bar : array-like. Gauge pressure of the permeate [bar]
/// feed_pressure_bar, permeate_flow_m3_h : array-like. What the pump is set for, one of the two: gauge pressure at the
///     membranes' inlet [bar], or permeate flow [m3/h]
/// concentrate_flow_m3_h, feed_flow_m3_h, recovery : array-like. What the concentrate valve is set for, one of the three:
///     concentrate that leaves the unit [m3/h], raw feed [m3/h], or permeate over raw feed [-]
/// recycle_flow_m3_h : array-like. Concentrate returned ahead of the membranes [m3/h]; none where not given
/// pressure_limit_bar : float. A permeate flow that would need more [bar] is given up for what this pressure makes
/// stage : int. One stage by itself, from 1; the whole unit where None
///
/// Returns: dict of floats or ndarrays, units in the names [bar, m3/h, mg/L]: feed_pressure_bar, feed_flow_m3_h,
/// inlet_flow_m3_h, inlet_tds_mg_l, permeate_flow_m3_h, permeate_tds_mg_l, concentrate_flow_m3_h, concentrate_tds_mg_l,
/// concentrate_pressure_bar, recovery, pass_recovery, highest_membrane_tds_mg_l, and stopped_by_limit (1 or 0). NaN where
/// nothing holds together.
/// Raises: RangeError, with the row, outside the ranges of the laws, or for salt at the membranes above what the basis is
/// valid for; SiteError where the site file lacks a key of the element; TypeError unless pump and valve are set one way each.
/// Accuracy: water and salt balances close to 1e-10. Against a real unit: not known beforehand; the model takes mean conditions
/// in each element and even flow among vessels.
/// Source: solution-diffusion and film theory, as in any textbook; mass transfer and pressure drop after Schock and Miquel,
/// Desalination 64 (1987) 339 (coefficients from memory), measured at Re 100 to 1000.
///
/// >>> text = Site.template().replace("# length", "length").replace("# feed_spacer", "feed_spacer")
/// >>> made = predict(Site.parse(text), Membrane(water_permeability=4.0, salt_permeability=0.12),
/// ...     feed_temperature_degc=[25.0, 10.0], feed_tds_mg_l=1000.0, permeate_pressure_bar=0.3,
/// ...     feed_pressure_bar=12.0, concentrate_flow_m3_h=5.0)
/// >>> [round(float(flow), 1) for flow in made["permeate_flow_m3_h"]]
/// [8.6, 5.6]
#[pyfunction]
#[pyo3(signature = (site, membrane, *, feed_temperature_degc, feed_tds_mg_l, permeate_pressure_bar, feed_pressure_bar=None, permeate_flow_m3_h=None, concentrate_flow_m3_h=None, feed_flow_m3_h=None, recovery=None, recycle_flow_m3_h=None, pressure_limit_bar=None, stage=None))]
#[expect(clippy::too_many_arguments)]
fn predict<'py>(
    py: Python<'py>,
    site: &PySite,
    membrane: &PyMembrane,
    feed_temperature_degc: &Bound<'py, PyAny>,
    feed_tds_mg_l: &Bound<'py, PyAny>,
    permeate_pressure_bar: &Bound<'py, PyAny>,
    feed_pressure_bar: Option<Bound<'py, PyAny>>,
    permeate_flow_m3_h: Option<Bound<'py, PyAny>>,
    concentrate_flow_m3_h: Option<Bound<'py, PyAny>>,
    feed_flow_m3_h: Option<Bound<'py, PyAny>>,
    recovery: Option<Bound<'py, PyAny>>,
    recycle_flow_m3_h: Option<Bound<'py, PyAny>>,
    pressure_limit_bar: Option<f64>,
    stage: Option<usize>,
) -> PyResult<Bound<'py, PyDict>> {
    let train = train_of(site, stage)?;
    let (drain, drain_value) = one_of(&[
        (
            "concentrate_flow_m3_h",
            Drain::ConcentrateFlow,
            &concentrate_flow_m3_h,
        ),
        ("feed_flow_m3_h", Drain::FeedFlow, &feed_flow_m3_h),
        ("recovery", Drain::Recovery, &recovery),
    ])?;
    let (drive, drive_value) = one_of(&[
        ("feed_pressure_bar", Drive::FeedPressure, &feed_pressure_bar),
        (
            "permeate_flow_m3_h",
            Drive::PermeateFlow,
            &permeate_flow_m3_h,
        ),
    ])?;
    let none = 0.0_f64.into_pyobject(py)?.into_any();
    let given = Broadcast::of(
        py,
        &[
            feed_temperature_degc,
            feed_tds_mg_l,
            permeate_pressure_bar,
            recycle_flow_m3_h.as_ref().unwrap_or(&none),
            drain_value,
            drive_value,
        ],
    )?;
    let cases = Cases {
        given,
        drain,
        drive,
    };
    let membrane = membrane.0;
    let worked = py.detach(|| {
        let operations: Vec<Operation> = (0..cases.given.rows())
            .map(|row| cases.operation(row))
            .collect();
        let membranes = vec![membrane; operations.len()];
        match pressure_limit_bar {
            Some(limit) => train.work_within(&membranes, &operations, limit),
            None => {
                let worked = train.work(&membranes, &operations)?;
                Ok(worked.into_iter().map(|case| (case, false)).collect())
            }
        }
    })?;
    let found = PyDict::new(py);
    for (name, of) in WORKING {
        let figures = worked.iter().map(|(case, _)| of(case)).collect();
        found.set_item(name, cases.given.shaped(py, figures)?)?;
    }
    let stopped = worked.iter().map(|(_, stopped)| f64::from(*stopped));
    found.set_item(
        "stopped_by_limit",
        cases.given.shaped(py, stopped.collect())?,
    )?;
    Ok(found)
}

/// A figure of something, by name.
pub(super) type Named<T> = (&'static str, fn(&T) -> f64);

/// The figures of a unit at work, by name.
pub(super) const WORKING: [Named<Working>; 12] = [
    ("feed_pressure_bar", |case| case.feed_pressure),
    ("feed_flow_m3_h", |case| case.feed_flow),
    ("inlet_flow_m3_h", |case| case.inlet_flow),
    ("inlet_tds_mg_l", |case| case.inlet_tds),
    ("permeate_flow_m3_h", |case| case.permeate_flow),
    ("permeate_tds_mg_l", |case| case.permeate_tds),
    ("concentrate_flow_m3_h", |case| case.concentrate_flow),
    ("concentrate_tds_mg_l", |case| case.concentrate_tds),
    ("concentrate_pressure_bar", |case| case.concentrate_pressure),
    ("recovery", |case| case.recovery),
    ("pass_recovery", |case| case.pass_recovery),
    ("highest_membrane_tds_mg_l", |case| {
        case.highest_membrane_tds
    }),
];

/// The figures of one element at work, by name.
pub(super) const ELEMENT: [Named<ElementAtWork>; 11] = [
    ("stage", |element| element.stage as f64),
    ("element", |element| element.element as f64),
    ("flux_l_m2_h", |element| element.flux),
    ("inlet_flow_m3_h", |element| element.inlet_flow),
    ("permeate_flow_m3_h", |element| element.permeate_flow),
    ("permeate_tds_mg_l", |element| element.permeate_tds),
    ("concentrate_flow_m3_h", |element| element.concentrate_flow),
    ("concentrate_tds_mg_l", |element| element.concentrate_tds),
    ("concentrate_pressure_bar", |element| {
        element.concentrate_pressure
    }),
    ("recovery", |element| element.recovery),
    ("polarisation", |element| element.polarisation),
];

/// One case of `predict`, element by element in the order the concentrate runs.
///
/// Arguments: the figures of `predict` as it returned them or as set: floats.
///
/// Returns: dict of ndarrays, a figure an element: stage, element (its place in a vessel, from 1), flux_l_m2_h,
/// inlet_flow_m3_h, permeate_flow_m3_h, permeate_tds_mg_l, concentrate_flow_m3_h, concentrate_tds_mg_l,
/// concentrate_pressure_bar, recovery, polarisation (salt at the membrane over that of the mean flow). Flows are of one vessel.
/// Raises: as `predict`.
///
/// >>> text = Site.template().replace("# length", "length").replace("# feed_spacer", "feed_spacer")
/// >>> elements = predict_elements(Site.parse(text), Membrane(water_permeability=4.0, salt_permeability=0.12),
/// ...     feed_temperature_degc=25.0, feed_tds_mg_l=1000.0, permeate_pressure_bar=0.3, feed_pressure_bar=12.0,
/// ...     feed_flow_m3_h=13.5)
/// >>> elements["flux_l_m2_h"][0] > elements["flux_l_m2_h"][2]
/// np.True_
#[pyfunction]
#[pyo3(signature = (site, membrane, *, feed_temperature_degc, feed_tds_mg_l, permeate_pressure_bar, feed_pressure_bar, feed_flow_m3_h, recycle_flow_m3_h=0.0, stage=None))]
#[expect(clippy::too_many_arguments)]
fn predict_elements<'py>(
    py: Python<'py>,
    site: &PySite,
    membrane: &PyMembrane,
    feed_temperature_degc: f64,
    feed_tds_mg_l: f64,
    permeate_pressure_bar: f64,
    feed_pressure_bar: f64,
    feed_flow_m3_h: f64,
    recycle_flow_m3_h: f64,
    stage: Option<usize>,
) -> PyResult<Bound<'py, PyDict>> {
    let train = train_of(site, stage)?;
    let case = Operation {
        temperature: feed_temperature_degc,
        feed_tds: feed_tds_mg_l,
        permeate_pressure: permeate_pressure_bar,
        recycle_flow: recycle_flow_m3_h,
        drain: Drain::FeedFlow,
        drain_value: feed_flow_m3_h,
        drive: Drive::FeedPressure,
        drive_value: feed_pressure_bar,
    };
    let (_, elements) = train.profile(&membrane.0, &case)?;
    let found = PyDict::new(py);
    for (name, of) in ELEMENT {
        let figures: Vec<f64> = elements.iter().map(of).collect();
        found.set_item(name, numpy::PyArray1::from_vec(py, figures))?;
    }
    Ok(found)
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyMembrane>()?;
    module.add_function(wrap_pyfunction!(rated_membrane, module)?)?;
    module.add_function(wrap_pyfunction!(predict, module)?)?;
    module.add_function(wrap_pyfunction!(predict_elements, module)?)
}
