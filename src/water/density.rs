//! Density of liquid water at ordinary pressure.

use crate::error::{Error, within};
use crate::number::Number;

/// Temperatures for which the formula is valid, degC.
pub const RANGE_DEGC: (f64, f64) = (0.0, 150.0);

/// Density of air-free liquid water at 101.325 kPa, kg/m3, at a temperature in degC.
///
/// ρ = (999.83952 + 16.945176 t − 7.9870401e-3 t² − 46.170461e-6 t³ + 105.56302e-9 t⁴ − 280.54253e-12 t⁵)
/// / (1 + 16.879850e-3 t).
///
/// Source: G. S. Kell, J. Chem. Eng. Data 20 (1975) 97, eq. 16 (coefficients from memory; its temperature
/// scale is IPTS-68, which moves the result by less than 3e-6). Agrees within 1e-5 with a reference
/// library over 5 to 35 degC (`tests/published`).
///
/// # Errors
/// [`Error::Range`] outside 0 to 150 degC. NaN in, NaN out.
///
/// ```
/// let density = brinemark::water::density(25.0)?;
/// assert!((density - 997.05).abs() < 0.01);
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn density(temperature_degc: f64) -> Result<f64, Error> {
    within("temperature", temperature_degc, RANGE_DEGC, " degC")?;
    Ok(unchecked(temperature_degc))
}

#[inline(always)]
pub(crate) fn unchecked<T: Number>(t: T) -> T {
    let numerator = t * -280.542_53e-12 + 105.563_02e-9;
    let numerator = numerator * t - 46.170_461e-6;
    let numerator = numerator * t - 7.987_040_1e-3;
    let numerator = numerator * t + 16.945_176;
    let numerator = numerator * t + 999.839_52;
    numerator / (t * 16.879_850e-3 + 1.0)
}
