//! Viscosity of liquid water at ordinary pressure.

use crate::error::{Error, within};
use crate::number::{Equation, Number};
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

/// [`viscosity()`] where the caller has checked the range, as an equation.
#[derive(Clone, Copy)]
pub(crate) struct Viscosity;

impl Equation for Viscosity {
    #[inline(always)]
    fn of<T: Number>(&self, temperature_degc: T) -> T {
        unchecked(temperature_degc)
    }
}

#[inline(always)]
pub(crate) fn unchecked<T: Number>(temperature_degc: T) -> T {
    // All four powers are whole powers of τ^−0.1: 19, 77, 196 and 400. That is faster than four exponentials, and right to
    // 1e-13.
    let one = (((temperature_degc + ZERO_CELSIUS_K) / 300.0).ln() * -0.1).exp();
    let two = one * one;
    let four = two * two;
    let eight = four * four;
    let sixteen = eight * eight;
    let thirty_two = sixteen * sixteen;
    let sixty_four = thirty_two * thirty_two;
    let hundred_twenty_eight = sixty_four * sixty_four;
    let power_19 = sixteen * two * one;
    let power_77 = sixty_four * eight * four * one;
    let power_196 = hundred_twenty_eight * sixty_four * four;
    let power_400 = hundred_twenty_eight * hundred_twenty_eight * hundred_twenty_eight * sixteen;
    (power_19 * 280.68 + power_77 * 511.45 + power_196 * 61.131 + power_400 * 0.459_03) * 1e-3
}
