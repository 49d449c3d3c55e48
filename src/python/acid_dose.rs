//! The acid that keeps calcium carbonate dissolved, from Python.

use pyo3::prelude::*;
use pyo3::types::PyDict;

use super::scaling::{Figures, PyWater, passage};
use crate::water::scaling::{self, Acid, AcidDose};

/// The acid that brings calcium carbonate to a limit.
#[pyclass(name = "AcidDose", frozen, module = "brinemark")]
struct PyAcidDose(AcidDose);

#[pymethods]
impl PyAcidDose {
    /// Pure acid [mg/L of feed]; 0 where none is needed.
    #[getter]
    fn dose_mg_l(&self) -> f64 {
        self.0.dose_mg_l
    }

    /// The alkalinity it destroys [mg/L as CaCO3].
    #[getter]
    fn dose_as_calcium_carbonate_mg_l(&self) -> f64 {
        self.0.dose_as_calcium_carbonate_mg_l
    }

    /// The feed with the acid in it.
    #[getter]
    fn water(&self) -> PyWater {
        PyWater(self.0.water)
    }

    /// All of it as plain values for JSON; a missing figure is None.
    fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let dict = PyDict::new(py);
        dict.set_item("dose_mg_l", self.0.dose_mg_l)?;
        dict.set_item(
            "dose_as_calcium_carbonate_mg_l",
            self.0.dose_as_calcium_carbonate_mg_l,
        )?;
        dict.set_item("water", self.water().to_dict(py)?)?;
        Ok(dict)
    }

    fn __repr__(&self) -> String {
        format!(
            "AcidDose({:.1} mg/L of pure acid, feed pH {:.2})",
            self.0.dose_mg_l, self.0.water.ph
        )
    }
}

/// The least acid with which the concentrate's standard index of calcium carbonate is within a limit.
///
/// index(concentrate of water.acidified(dose)) = limit
///
/// water : Water. The feed
/// recovery : float. Permeate over feed, 0 to 0.99
/// acid : str. "sulfuric" (H2SO4, which adds sulfate) or "hydrochloric" (HCl)
/// limit : float. Index it may have [log10 of saturation], −2 to 4
/// salt_passage : float or dict. Permeate over feed of each, 0 to 1, as of `saturation`
///
/// Returns: AcidDose. Pure acid [mg/L of feed], and the feed with it, to be asked for the other scales: sulfate from the acid counts.
/// Raises: RangeError for a figure out of range; AnalysisError where calcium, alkalinity or dissolved solids were not analysed, or
/// no dose that leaves a pH of 4 is enough. Acids burn and give off heat: what to dose, and how, is for the manufacturers'
/// instructions, local codes and licensed practice.
/// Source: ASTM D3739, as `saturation` and `Water.acidified`.
///
/// >>> water = Water(temperature_degc=25.0, ph=7.6, ions={"calcium": 80.09}, alkalinity_mg_l=150.0, tds_mg_l=500.0)
/// >>> acid_dose(water, 0.75, acid="sulfuric", limit=0.0)
/// AcidDose(90.9 mg/L of pure acid, feed pH 6.10)
#[pyfunction]
#[pyo3(signature = (water, recovery, *, acid, limit, salt_passage = Figures::Same(0.0)), text_signature = "(water, recovery, *, acid, limit, salt_passage=0.0)")]
fn acid_dose(
    water: &PyWater,
    recovery: f64,
    acid: &str,
    limit: f64,
    salt_passage: Figures,
) -> PyResult<PyAcidDose> {
    let passage = passage(salt_passage)?;
    let acid = Acid::parse(acid)?;
    Ok(PyAcidDose(scaling::acid_dose(
        &water.0, recovery, &passage, limit, acid,
    )?))
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_class::<PyAcidDose>()?;
    module.add_function(wrap_pyfunction!(acid_dose, module)?)
}
