//! What conductivity tells, from Python.

use pyo3::prelude::*;

use super::functions::map;
use crate::error::Error;
use crate::water::{self, Compensation, SaltCurve};

/// Conductivity at 25 degC, from that at another temperature.
///
/// linear: κ25 = κ/[1 + α (t − 25)]; iso-7888: κ25 = f κ, f by the table of the standard, straight lines between degrees
///
/// conductivity_us_cm : array-like. Conductivity as measured [uS/cm], 0 to 1 000 000
/// temperature_degc : array-like. Temperature of the measurement [degC], 0 to 50; iso-7888: 0 to 35
/// method : str. "linear", or "iso-7888" (natural waters of about 60 to 1000 uS/cm)
/// alpha_per_degc : float. α of "linear", which needs it [1/degC], 0.01 to 0.03
///
/// Returns: float or ndarray. Conductivity at 25 degC [uS/cm]; NaN where an input is NaN.
/// Raises: RangeError, naming the first row and value outside the range; SiteError for a wrong method or α.
/// Accuracy: the straight line with 0.0191 is up to 2 % below the table between 5 and 15 degC.
/// Source: linear, common practice (Standard Methods 2510 takes α = 0.0191, from memory); ISO 7888:1985 (EN 27888).
///
/// >>> conductivity_at_25(500.0, 5.0, method="iso-7888")
/// 821.5
#[pyfunction]
#[pyo3(signature = (conductivity_us_cm, temperature_degc, *, method, alpha_per_degc = None))]
fn conductivity_at_25<'py>(
    py: Python<'py>,
    conductivity_us_cm: &Bound<'py, PyAny>,
    temperature_degc: &Bound<'py, PyAny>,
    method: &str,
    alpha_per_degc: Option<f64>,
) -> PyResult<Bound<'py, PyAny>> {
    let compensation = Compensation::from_settings(method, alpha_per_degc)
        .map_err(|fault| Error::Site(fault.into()))?;
    map(py, [conductivity_us_cm, temperature_degc], |[kappa, t]| {
        compensation.at_25(kappa, t)
    })
}

/// Conductivity of a potassium chloride standard.
///
/// The tabulated value where there is one; between, the cubic through the four nearest
///
/// molality : array-like. One of 0.01, 0.1, 1 [mol/kg water]
/// temperature_degc : array-like. Temperature [degC], 0 to 35 at 0.01 mol/kg, 5 to 35 at 0.1, 25 alone at 1
///
/// Returns: float or ndarray. Conductivity [uS/cm], that of the water already taken off; NaN where an input is NaN.
/// Raises: RangeError, naming the first row and value outside the range; SiteError for another molality.
/// Accuracy: the standards' own, 0.03 to 0.04 %, in the table; about as much between.
/// Source: K. W. Pratt et al., Pure Appl. Chem. 73 (2001) 1783, and Y. C. Wu, W. F. Koch and K. W. Pratt (NIST), as in the CRC
/// Handbook of Chemistry and Physics.
///
/// >>> potassium_chloride_conductivity(0.01, 25.0)
/// 1408.23
#[pyfunction]
fn potassium_chloride_conductivity<'py>(
    py: Python<'py>,
    molality: &Bound<'py, PyAny>,
    temperature_degc: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyAny>> {
    map(py, [molality, temperature_degc], |[molality, t]| {
        water::potassium_chloride_conductivity(molality, t)
    })
}

/// Dissolved salt from conductivity at 25 degC.
///
/// sodium-chloride: κ = 1000 Λ c, Λ = 126.39 − 90.09 √c + 116.97 c − 103.34 c^1.5 + 35.86 c² S cm2/mol, c in mol/L; seawater:
/// practical salinity (PSS-78), as g/kg by 35.16504/35, as mg/L by the density of seawater
///
/// conductivity_us_cm : array-like. Conductivity at 25 degC [uS/cm], 0 to 85 790; seawater: 100 to 62 358
/// basis : str. "sodium-chloride" or "seawater"
///
/// Returns: float or ndarray. Dissolved salt [mg/L]; NaN where the input is NaN.
/// Raises: RangeError, naming the first row and value outside the range; SiteError for another basis.
/// Accuracy: sodium chloride within 0.03 % of the handbook's table; seawater within 0.01 % of a reference library.
/// Source: CRC Handbook of Chemistry and Physics, and from 0.2 mol/L Robinson and Stokes (from memory); UNESCO Technical Papers
/// in Marine Science 37 (1981); below salinity 2 Hill, Dauphinee and Woods, IEEE J. Oceanic Eng. 11 (1986) 109.
///
/// One factor for feed and permeate makes rejection seem worse than it is, since mg/L per uS/cm rises with salinity:
///
/// >>> feed, permeate = 4000.0, 40.0
/// >>> round(100 * (1 - permeate / feed), 2)
/// 99.0
/// >>> salt = tds_from_conductivity([feed, permeate], basis="sodium-chloride")
/// >>> round(float(100 * (1 - salt[1] / salt[0])), 2)
/// 99.1
#[pyfunction]
#[pyo3(signature = (conductivity_us_cm, *, basis))]
fn tds_from_conductivity<'py>(
    py: Python<'py>,
    conductivity_us_cm: &Bound<'py, PyAny>,
    basis: &str,
) -> PyResult<Bound<'py, PyAny>> {
    let curve = SaltCurve::from_name(basis).map_err(|fault| Error::Site(fault.into()))?;
    map(py, [conductivity_us_cm], |[kappa]| curve.tds(kappa))
}

/// Conductivity at 25 degC from dissolved salt: tds_from_conductivity undone, to 1e-9.
///
/// tds_mg_l : array-like. Dissolved salt [mg/L], 0 to 58 442; seawater: 47 to 43 400
/// basis : str. "sodium-chloride" or "seawater"
///
/// Returns: float or ndarray. Conductivity at 25 degC [uS/cm]; NaN where the input is NaN.
/// Raises: RangeError, naming the first row and value outside the range; SiteError for another basis.
/// Accuracy: as tds_from_conductivity.
/// Source: as tds_from_conductivity.
///
/// >>> round(conductivity_from_tds(2000.0, basis="sodium-chloride"))
/// 3871
#[pyfunction]
#[pyo3(signature = (tds_mg_l, *, basis))]
fn conductivity_from_tds<'py>(
    py: Python<'py>,
    tds_mg_l: &Bound<'py, PyAny>,
    basis: &str,
) -> PyResult<Bound<'py, PyAny>> {
    let curve = SaltCurve::from_name(basis).map_err(|fault| Error::Site(fault.into()))?;
    map(py, [tds_mg_l], |[tds]| curve.conductivity(tds))
}

pub(super) fn register(module: &Bound<'_, PyModule>) -> PyResult<()> {
    module.add_function(wrap_pyfunction!(conductivity_at_25, module)?)?;
    module.add_function(wrap_pyfunction!(potassium_chloride_conductivity, module)?)?;
    module.add_function(wrap_pyfunction!(tds_from_conductivity, module)?)?;
    module.add_function(wrap_pyfunction!(conductivity_from_tds, module)?)
}
