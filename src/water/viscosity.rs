//! Viscosity of liquid water at ordinary pressure.

use crate::error::{Error, within};
use crate::math::{exp, ln};
use crate::water::ZERO_CELSIUS_K;

/// Temperatures for which the formula is valid, degC (253.15 to 383.15 K; below 0 degC metastable).
pub const RANGE_DEGC: (f64, f64) = (-20.0, 110.0);

/// Viscosity of liquid water at 0.1 MPa, mPa s, at a temperature in degC.
///
/// μ/(μPa s) = 280.68 τ^−1.9 + 511.45 τ^−7.7 + 61.131 τ^−19.6 + 0.45903 τ^−40, τ = T/300 K.
///
/// Source: IAPWS SR6-08(2011), the 0.1 MPa form of IAPWS R12-08; its coefficients from memory, checked
/// to 5 digits against two reference libraries over 5 to 35 degC (`tests/published`).
///
/// # Errors
/// [`Error::Range`] outside −20 to 110 degC. NaN in, NaN out.
///
/// ```
/// let viscosity = brinemark::water::viscosity(25.0)?;
/// assert!((viscosity - 0.8900).abs() < 1e-4);
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn viscosity(temperature_degc: f64) -> Result<f64, Error> {
    within("temperature", temperature_degc, RANGE_DEGC, " degC")?;
    Ok(unchecked(temperature_degc))
}

#[inline(always)]
pub(crate) fn unchecked(temperature_degc: f64) -> f64 {
    // One logarithm and four exponentials are faster than four powers.
    let log_tau = ln((temperature_degc + ZERO_CELSIUS_K) / 300.0);
    1e-3 * (280.68 * exp(-1.9 * log_tau)
        + 511.45 * exp(-7.7 * log_tau)
        + 61.131 * exp(-19.6 * log_tau)
        + 0.459_03 * exp(-40.0 * log_tau))
}
