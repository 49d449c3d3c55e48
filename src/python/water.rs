//! Properties of water, from Python.

use std::collections::BTreeMap;

use pyo3::prelude::*;

use super::functions::map;
use crate::error::Error;
use crate::water::{self, Basis, WaterAnalysis, osmotic};

/// Viscosity of liquid water at 0.1 MPa.
///
/// μ/(μPa s) = 280.68 τ^−1.9 + 511.45 τ^−7.7 + 61.131 τ^−19.6 + 0.45903 τ^−40, τ = T/300 K
///
/// temperature_degc : array-like. Temperature [degC], −20 to 110
///
/// Returns: float or ndarray. Viscosity [mPa s]; NaN where the input is NaN.
/// Raises: RangeError, naming the first row and value outside the range.
/// Source: IAPWS SR6-08(2011), 0.1 MPa form of IAPWS R12-08 (coefficients from memory, checked to 5 digits against
/// two reference libraries over 5 to 35 degC).
///
/// >>> round(viscosity(25.0), 4)
/// 0.89
#[pyfunction]
fn viscosity<'py>(
    py: Python<'py>,
    temperature_degc: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    map(py, [temperature_degc], |[t]| water::viscosity(t))
}

/// Density of air-free liquid water at 101.325 kPa.
///
/// temperature_degc : array-like. Temperature [degC], 0 to 150
///
/// Returns: float or ndarray. Density [kg/m3]; NaN where the input is NaN.
/// Raises: RangeError, naming the first row and value outside the range.
/// Source: G. S. Kell, J. Chem. Eng. Data 20 (1975) 97, eq. 16 (coefficients from memory; within 1e-5 of a reference
/// library over 5 to 35 degC).
///
/// >>> round(density(25.0), 1)
/// 997.0
#[pyfunction]
fn density<'py>(
    py: Python<'py>,
    temperature_degc: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    map(py, [temperature_degc], |[t]| water::density(t))
}

/// Silt density index of a feed: how fast it plugs a fine filter.
///
/// SDI_T = (1 − t_i/t_f) · 100/T, in % a minute
///
/// first_s : array-like. Time in which the first sample (500 mL) passes [s], 0.001 to 86 400
/// last_s : array-like. The same after `minutes` [s], no less than first_s
/// minutes : float. Between the two [min]: 15, 10 or 5
///
/// Returns: float or ndarray. SDI, dimensionless by custom; NaN where an input is NaN. At 15 min no more than 5.
/// Raises: RangeError for a time out of range, or where more than 75 % of the filter plugged: take a shorter time; SeriesError for
/// other minutes.
/// Source: ASTM D4189 (0.45 µm, 207 kPa); its limit of plugging from memory.
///
/// >>> round(silt_density_index(30.0, 60.0), 2)
/// 3.33
#[pyfunction]
#[pyo3(signature = (first_s, last_s, *, minutes = 15.0))]
fn silt_density_index<'py>(
    py: Python<'py>,
    first_s: &Bound<'py, PyAny>,
    last_s: &Bound<'py, PyAny>,
    minutes: f64,
) -> PyResult<Bound<'py, PyAny>> {
    map(py, [first_s, last_s], |[first, last]| {
        water::silt_density::silt_density_index(first, last, minutes)
    })
}

/// Osmotic pressure of water with dissolved salt.
///
/// tds_mg_l : array-like. Dissolved salt [mg/L], 0 to 112 000; sea salt to 128 000; ions to an ionic strength of 3 mol/kg
/// temperature_degc : array-like. Temperature [degC], 0 to 50
/// basis : str. "sodium-chloride": π = φ ν m R T ρ with Pitzer's osmotic coefficient; "tds-rule": 0.2654 C (T + 273.15)/
///     (1000 − C/1000) kPa, the form that goes with ASTM D4516 (from memory); "seawater": as seawater_osmotic_pressure, the
///     salt per litre brought to salt per kg; "ions": π = φ Σm R T ρ with Pitzer's equation for mixtures, the proportions
///     of the analysis kept
/// ions : dict of str to float, of the basis "ions" alone. The analysis [mg/L]: sodium, potassium, magnesium, calcium,
///     chloride, sulfate, bicarbonate (as the ion), each 0 if looked for in vain; silica (as SiO2) may be left out
///
/// Returns: float or ndarray. Osmotic pressure [bar]; NaN where an input is NaN.
/// Raises: RangeError, naming the first row and value outside the range; SiteError for a basis that is not known and an
/// analysis that lacks a figure, has one below 0, or whose charges are more than 10 % apart.
/// Accuracy: sodium chloride within 0.5 % of the handbook table (Geankoplis 1983) at 25 degC; sea salt within 0.02 % of a
/// reference library; ions in the composition of seawater, to 70 g/kg at 5 to 35 degC, within 0.5 % of that. Sea salt lies
/// about 7 % below sodium chloride of the same mg/L.
/// Source: Pitzer's equation with the parameters of the PHREEQC 3 file pitzer.dat (USGS); IAPWS R13-08 for sea salt.
///
/// >>> round(osmotic_pressure(2000.0, 25.0, basis="sodium-chloride"), 2)
/// 1.61
/// >>> round(osmotic_pressure(36000.0, 25.0, basis="seawater"), 2)
/// 25.93
#[pyfunction]
#[pyo3(signature = (tds_mg_l, temperature_degc, *, basis, ions = None))]
fn osmotic_pressure<'py>(
    py: Python<'py>,
    tds_mg_l: &Bound<'py, PyAny>,
    temperature_degc: &Bound<'py, PyAny>,
    basis: &str,
    ions: Option<BTreeMap<String, f64>>,
) -> PyResult<Bound<'py, PyAny>> {
    let basis = ions
        .map(WaterAnalysis::from_names)
        .transpose()
        .and_then(|ions| Basis::from_settings(basis, ions))
        .map_err(|fault| Error::Site(fault.into()))?;
    map(py, [tds_mg_l, temperature_degc], |[tds, t]| {
        basis.osmotic_pressure(tds, t)
    })
}

/// Osmotic pressure of seawater, from its absolute salinity.
///
/// π = −(g − S ∂g/∂S)/v_w, with the salt part g of the Gibbs function of seawater and the partial volume v_w of the water
/// in it; it holds from no salt at all
///
/// salinity_g_kg : array-like. Salt in seawater [g/kg], 0 to 120
/// temperature_degc : array-like. Temperature [degC], 0 to 50
///
/// Returns: float or ndarray. Osmotic pressure [bar]; NaN where an input is NaN.
/// Raises: RangeError, naming the first row and value outside the range.
/// Accuracy: within 0.02 % of the reference library over 10 to 70 g/kg and 5 to 35 degC, within 0.03 % over the range.
/// Source: IAPWS R13-08, eq. 4 and its coefficients (R. Feistel, Deep-Sea Res. I 55 (2008) 1639).
///
/// >>> round(seawater_osmotic_pressure(35.165, 25.0), 2)
/// 25.92
#[pyfunction]
fn seawater_osmotic_pressure<'py>(
    py: Python<'py>,
    salinity_g_kg: &Bound<'py, PyAny>,
    temperature_degc: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    map(py, [salinity_g_kg, temperature_degc], |[salinity, t]| {
        water::seawater_osmotic_pressure(salinity, t)
    })
}

/// Density of seawater at atmospheric pressure, from its absolute salinity.
///
/// ρ = 1/(1/ρ of water + ∂g/∂p), g the salt part of the Gibbs function of seawater
///
/// salinity_g_kg : array-like. Salt in seawater [g/kg], 0 to 120
/// temperature_degc : array-like. Temperature [degC], 0 to 50
///
/// Returns: float or ndarray. Density [kg/m3]; NaN where an input is NaN. Times g/kg it is mg/L.
/// Raises: RangeError, naming the first row and value outside the range.
/// Accuracy: within 1e-5 of the reference library; above 70 g/kg and 40 degC known to 0.2 %.
/// Source: IAPWS R13-08, eq. 4 and its coefficients; water by G. S. Kell (see density).
///
/// >>> round(seawater_density(35.165, 25.0), 2)
/// 1023.34
#[pyfunction]
fn seawater_density<'py>(
    py: Python<'py>,
    salinity_g_kg: &Bound<'py, PyAny>,
    temperature_degc: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    map(py, [salinity_g_kg, temperature_degc], |[salinity, t]| {
        water::seawater_density(salinity, t)
    })
}

/// Molality of a sodium chloride solution, from its salt per litre.
///
/// tds_mg_l : array-like. Sodium chloride [mg/L], 0 to 112 000
/// temperature_degc : array-like. Temperature [degC], 0 to 50
///
/// Returns: float or ndarray. Molality [mol/kg water].
/// Raises: RangeError, naming the first row and value outside the range.
/// Source: Masson's rule for the apparent molar volume, F. J. Millero, Chem. Rev. 71 (1971) 147 (constants from memory).
///
/// >>> round(sodium_chloride_molality(35000.0, 25.0), 3)
/// 0.607
#[pyfunction]
fn sodium_chloride_molality<'py>(
    py: Python<'py>,
    tds_mg_l: &Bound<'py, PyAny>,
    temperature_degc: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    map(py, [tds_mg_l, temperature_degc], |[tds, t]| {
        osmotic::sodium_chloride_molality(tds, t)
    })
}

/// Osmotic coefficient of sodium chloride by Pitzer's equation.
///
/// molality : array-like. [mol/kg water], 0 to 6
/// temperature_degc : array-like. Temperature [degC], 0 to 50
///
/// Returns: float or ndarray. Osmotic coefficient [-].
/// Raises: RangeError, naming the first row and value outside the range.
/// Source: parameters of the PHREEQC 3 file pitzer.dat (USGS).
///
/// >>> round(sodium_chloride_osmotic_coefficient(1.0, 25.0), 3)
/// 0.936
#[pyfunction]
fn sodium_chloride_osmotic_coefficient<'py>(
    py: Python<'py>,
    molality: &Bound<'py, PyAny>,
    temperature_degc: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    map(py, [molality, temperature_degc], |[m, t]| {
        osmotic::sodium_chloride_osmotic_coefficient(m, t)
    })
}

/// Osmotic pressure of sodium chloride, from its molality.
///
/// molality : array-like. [mol/kg water], 0 to 6
/// temperature_degc : array-like. Temperature [degC], 0 to 50
///
/// Returns: float or ndarray. Osmotic pressure [bar].
/// Raises: RangeError, naming the first row and value outside the range.
/// Source: π = φ ν m R T ρ of water, φ by Pitzer's equation with the parameters of the PHREEQC 3 file pitzer.dat (USGS).
///
/// >>> round(osmotic_pressure_of_molality(1.0, 25.0), 1)
/// 46.2
#[pyfunction]
fn osmotic_pressure_of_molality<'py>(
    py: Python<'py>,
    molality: &Bound<'py, PyAny>,
    temperature_degc: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    map(py, [molality, temperature_degc], |[m, t]| {
        osmotic::osmotic_pressure_of_molality(m, t)
    })
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_function(wrap_pyfunction!(silt_density_index, module)?)?;
    module.add_function(wrap_pyfunction!(viscosity, module)?)?;
    module.add_function(wrap_pyfunction!(density, module)?)?;
    module.add_function(wrap_pyfunction!(osmotic_pressure, module)?)?;
    module.add_function(wrap_pyfunction!(seawater_osmotic_pressure, module)?)?;
    module.add_function(wrap_pyfunction!(seawater_density, module)?)?;
    module.add_function(wrap_pyfunction!(sodium_chloride_molality, module)?)?;
    module.add_function(wrap_pyfunction!(
        sodium_chloride_osmotic_coefficient,
        module
    )?)?;
    module.add_function(wrap_pyfunction!(osmotic_pressure_of_molality, module)?)
}
