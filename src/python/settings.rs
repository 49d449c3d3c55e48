//! What to set on a day, from Python.

use std::collections::BTreeMap;

use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::assess::PyEstimate;
use super::membrane::{PyMembrane, WORKING};
use super::scaling::PyWater;
use super::site::PySite;
use crate::settings::map::map;
use crate::settings::{Day, settings as settings_of};

/// A day as Python gives it, by the names of `brinemark.settings`.
#[derive(FromPyObject)]
#[pyo3(from_item_all)]
struct DayGiven {
    feed_temperature_degc: f64,
    feed_tds_mg_l: Option<f64>,
    feed_conductivity_us_cm: Option<f64>,
    permeate_pressure_bar: Option<f64>,
    feed_pressure_bar: Option<f64>,
    permeate_flow_m3_h: Option<f64>,
    recovery: Option<f64>,
    recycle_flow_m3_h: Option<f64>,
    membrane: Option<Py<PyMembrane>>,
    water: Option<Py<PyWater>>,
}

impl DayGiven {
    fn day(&self) -> Day {
        Day {
            feed_temperature: self.feed_temperature_degc,
            feed_tds: self.feed_tds_mg_l,
            feed_conductivity: self.feed_conductivity_us_cm,
            permeate_pressure: self.permeate_pressure_bar,
            feed_pressure: self.feed_pressure_bar,
            permeate_flow: self.permeate_flow_m3_h,
            recovery: self.recovery,
            recycle_flow: self.recycle_flow_m3_h,
            membrane: self.membrane.as_ref().map(|membrane| membrane.get().0),
            water: self.water.as_ref().map(|water| water.get().0),
        }
    }
}

/// What to set on such a day, as JSON, and what to expect, with intervals; both in the site's units.
#[pyfunction]
fn settings(
    py: Python<'_>,
    site: &PySite,
    day: DayGiven,
    level: f64,
) -> PyResult<(String, BTreeMap<&'static str, PyEstimate>)> {
    let day = day.day();
    let found = py.detach(|| settings_of(&site.0, &day, level))?;
    let estimates = found
        .estimates(&site.0)
        .map(|(name, estimate)| (name, PyEstimate(estimate)));
    Ok((found.told(&site.0).to_string(), estimates.into()))
}

/// The map over temperatures, salt and recoveries: figures of `predict`, flat, and in words what is broken.
#[pyfunction]
fn settings_map<'py>(
    py: Python<'py>,
    site: &PySite,
    day: DayGiven,
    temperatures_degc: Vec<f64>,
    feed_tds_mg_l: Vec<f64>,
    recoveries: Vec<f64>,
) -> PyResult<Bound<'py, PyDict>> {
    let day = day.day();
    let cells = py.detach(|| {
        map(
            &site.0,
            &day,
            &temperatures_degc,
            &feed_tds_mg_l,
            &recoveries,
        )
    })?;
    let found = PyDict::new(py);
    for (name, of) in WORKING {
        let figures: Vec<f64> = cells.iter().map(|cell| of(&cell.run.working)).collect();
        found.set_item(name, numpy::PyArray1::from_vec(py, figures))?;
    }
    let flags = |of: fn(&crate::settings::map::Cell) -> bool| -> Vec<bool> {
        cells.iter().map(of).collect()
    };
    let allowed = flags(crate::settings::map::Cell::is_allowed);
    let stopped = flags(|cell| cell.stopped_by_pressure);
    found.set_item("allowed", numpy::PyArray1::from_vec(py, allowed))?;
    found.set_item(
        "stopped_by_pressure",
        numpy::PyArray1::from_vec(py, stopped),
    )?;
    let mut words: Vec<String> = Vec::new();
    let codes: Vec<i16> = cells
        .iter()
        .map(|cell| {
            let Some(of) = cell.broken else { return -1 };
            let word = of.words();
            let at = words.iter().position(|known| *known == word);
            at.unwrap_or_else(|| {
                words.push(word);
                words.len() - 1
            }) as i16
        })
        .collect();
    found.set_item("broken", numpy::PyArray1::from_vec(py, codes))?;
    found.set_item("broken_words", words)?;
    Ok(found)
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_function(wrap_pyfunction!(settings, module)?)?;
    module.add_function(wrap_pyfunction!(settings_map, module)?)
}
