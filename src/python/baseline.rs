//! Baselines as Python objects.

use std::collections::BTreeMap;
use std::sync::Arc;

use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::result::analyses_of;
use super::site::PySite;
use super::tables::PyLog;
use crate::baseline::{Baseline, Reference};
use crate::log::show_time;
use crate::log::time::zone_or_utc;
use crate::table::Table;
use crate::units::{Quantity, Unit};

/// What each train and stage did when its membranes were new.
#[pyclass(name = "Baseline", frozen, module = "brinemark")]
pub(super) struct PyBaseline {
    pub(super) baseline: Arc<Baseline>,
    /// The zone and units of the log it was found in.
    zone: String,
    units: BTreeMap<QuantityName, &'static Unit>,
}

type QuantityName = &'static str;

impl PyBaseline {
    pub(super) fn new(baseline: Baseline, table: Option<&Table>) -> Self {
        let mut units = BTreeMap::new();
        for series in table.into_iter().flat_map(|table| &table.series) {
            units
                .entry(series.unit.quantity.name())
                .or_insert(series.unit);
        }
        Self {
            baseline: Arc::new(baseline),
            zone: table.map_or("UTC".to_owned(), |table| table.zone.clone()),
            units,
        }
    }
}

#[pymethods]
impl PyBaseline {
    /// "baseline" (a period of the log) or "design".
    #[getter]
    fn kind(&self) -> &str {
        &self.baseline.kind
    }

    /// How it was chosen, in a sentence.
    #[getter]
    fn rule(&self) -> &str {
        &self.baseline.rule
    }

    /// One a train and stage.
    #[getter]
    fn references(&self) -> Vec<PyReference> {
        self.baseline
            .references
            .iter()
            .map(|reference| PyReference {
                reference: reference.clone(),
                zone: self.zone.clone(),
                units: self.units.clone(),
            })
            .collect()
    }

    /// As JSON, to be kept beside the log.
    fn to_json(&self) -> String {
        self.baseline.to_json()
    }

    /// From JSON. Raises BaselineError where it is not what to_json() wrote.
    #[staticmethod]
    fn from_json(text: &str) -> PyResult<Self> {
        Ok(Self::new(Baseline::from_json(text)?, None))
    }

    fn __repr__(&self) -> String {
        let count = self.baseline.references.len();
        format!(
            "Baseline({}: {}; {count} references)",
            self.baseline.kind, self.baseline.rule
        )
    }
}

/// The reference of one train and stage.
#[pyclass(name = "Reference", frozen, module = "brinemark")]
struct PyReference {
    reference: Reference,
    zone: String,
    units: BTreeMap<QuantityName, &'static Unit>,
}

impl PyReference {
    fn entries(&self) -> Vec<(&'static str, f64, &'static Unit)> {
        let at = &self.reference;
        let unit = |quantity: Quantity| {
            self.units
                .get(quantity.name())
                .copied()
                .unwrap_or(quantity.canonical())
        };
        let (temperature, pressure) = (unit(Quantity::Temperature), unit(Quantity::Pressure));
        let (flow, salt) = (unit(Quantity::Flow), unit(Quantity::Concentration));
        let ratio = Quantity::Fraction.canonical();
        let of_membrane = at.membrane.iter().flat_map(|membrane| {
            [
                (
                    "element_water_permeability",
                    membrane.water_permeability,
                    Quantity::WaterPermeability.canonical(),
                ),
                (
                    "element_salt_permeability",
                    membrane.salt_permeability,
                    Quantity::Flux.canonical(),
                ),
                ("spacer_friction", membrane.spacer_friction, ratio),
            ]
        });
        [
            ("feed_temperature", at.feed_temperature, temperature),
            ("feed_pressure", at.feed_pressure, pressure),
            ("differential_pressure", at.differential_pressure, pressure),
            ("permeate_pressure", at.permeate_pressure, pressure),
            ("permeate_flow", at.permeate_flow, flow),
            ("feed_flow", at.feed_flow, flow),
            ("recycle_flow", at.recycle_flow, flow),
            ("feed_tds", at.feed_tds, salt),
            ("permeate_tds", at.permeate_tds, salt),
            (
                "normalised_permeate_flow",
                at.normalised_permeate_flow,
                flow,
            ),
            ("normalised_salt_passage", at.normalised_salt_passage, ratio),
            (
                "normalised_salt_passage_at_normalised_flow",
                at.normalised_salt_passage_at_normalised_flow,
                ratio,
            ),
            (
                "normalised_differential_pressure",
                at.normalised_differential_pressure,
                pressure,
            ),
        ]
        .into_iter()
        .chain(of_membrane)
        .map(|(name, value, unit)| (name, unit.from_canonical(value), unit))
        .collect()
    }

    fn end_of_span(&self, pick: impl Fn((i64, i64)) -> i64) -> Option<String> {
        self.reference
            .span_us
            .map(|span| show_time(pick(span), &zone_or_utc(&self.zone)))
    }
}

#[pymethods]
impl PyReference {
    /// The train, or None.
    #[getter]
    fn train(&self) -> Option<&str> {
        self.reference.train.as_deref()
    }

    /// The stage, or None.
    #[getter]
    fn stage(&self) -> Option<&str> {
        self.reference.stage.as_deref()
    }

    /// First reading of the baseline, ISO 8601; None for a design.
    #[getter]
    fn start(&self) -> Option<String> {
        self.end_of_span(|span| span.0)
    }

    /// Last reading of the baseline, ISO 8601; None for a design.
    #[getter]
    fn end(&self) -> Option<String> {
        self.end_of_span(|span| span.1)
    }

    /// Readings in it.
    #[getter]
    fn rows(&self) -> u64 {
        self.reference.rows
    }

    /// Its conditions and normalised figures, in the log's units.
    #[getter]
    fn values<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let values = PyDict::new(py);
        for (name, value, _) in self.entries() {
            values.set_item(name, value)?;
        }
        Ok(values)
    }

    /// The unit of each.
    #[getter]
    fn units<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let units = PyDict::new(py);
        for (name, _, unit) in self.entries() {
            units.set_item(name, unit.word)?;
        }
        Ok(units)
    }
}

#[pyfunction]
#[pyo3(signature = (log, site, analyses))]
fn find_baseline(
    py: Python<'_>,
    log: &PyLog,
    site: &PySite,
    analyses: Vec<String>,
) -> PyResult<PyBaseline> {
    let analyses = analyses_of(&analyses)?;
    let found = py.detach(|| Baseline::find(&log.0, &site.0, &analyses))?;
    Ok(PyBaseline::new(found, Some(&log.0.table)))
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyBaseline>()?;
    module.add_class::<PyReference>()?;
    module.add_function(wrap_pyfunction!(find_baseline, module)?)
}
