//! Differential pressure, like for like.

use crate::error::{Error, within};
use crate::number::Number;
use crate::water::viscosity;

/// Differential pressure at reference flow and temperature: ΔP · (Q̄s/Q̄a)^m · (μs/μa)^p.
///
/// Q̄ is the mean of inlet and outlet flow on the feed side, μ the viscosity of water; s reference, a
/// actual. Not part of ASTM D4516. Published forms differ: friction factor 6.23 Re^−0.3 (Schock and Miquel,
/// Desalination 64 (1987) 339, coefficients from memory) gives m = 1.7 and p = 0.3, the default of a site
/// file; m = 1.5 with a linear temperature term is common practice (no source).
///
/// # Errors
/// [`Error::Range`] where a temperature is outside the range of [`viscosity`](viscosity::viscosity()). NaN in, NaN out.
///
/// ```
/// use brinemark::normalise::normalised_differential_pressure;
/// let colder = normalised_differential_pressure(1.0, 10.0, 10.0, 10.0, 25.0, 1.7, 0.3)?;
/// assert!((colder - 0.8914).abs() < 1e-3);
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn normalised_differential_pressure(
    differential_pressure: f64,
    mean_flow: f64,
    reference_mean_flow: f64,
    temperature_degc: f64,
    reference_temperature_degc: f64,
    flow_exponent: f64,
    viscosity_power: f64,
) -> Result<f64, Error> {
    within(
        "temperature",
        temperature_degc,
        viscosity::RANGE_DEGC,
        " degC",
    )?;
    within(
        "reference temperature",
        reference_temperature_degc,
        viscosity::RANGE_DEGC,
        " degC",
    )?;
    Ok(differential_pressure
        * factor(
            reference_mean_flow / mean_flow,
            viscosity::unchecked(reference_temperature_degc)
                / viscosity::unchecked(temperature_degc),
            flow_exponent,
            viscosity_power,
        ))
}

/// (Q̄s/Q̄a)^m · (μs/μa)^p.
#[inline(always)]
pub(crate) fn factor<T: Number>(
    flows: T,
    viscosities: T,
    flow_exponent: f64,
    viscosity_power: f64,
) -> T {
    // Both powers in one exponential.
    (flows.ln() * flow_exponent + viscosities.ln() * viscosity_power).exp()
}
