//! Permeate flow, like for like.

use crate::number::Number;

/// Permeate flow at reference conditions: Qp · (NDPs · TCFs)/(NDPa · TCFa).
///
/// Qp permeate flow, NDP net driving pressure, TCF temperature factor; s reference, a actual. The result
/// has the unit of `permeate_flow`; both pressures share any one unit. Source: ASTM D4516, permeate flow
/// equation.
///
/// ```
/// use brinemark::normalise::normalised_permeate_flow;
/// let flow = normalised_permeate_flow(45.0, 11.187_80, 0.680_951_3, 8.187_66, 1.0);
/// assert!((flow - 48.3628).abs() < 1e-3);
/// ```
#[inline(always)]
pub fn normalised_permeate_flow<T: Number>(
    permeate_flow: T,
    net_driving_pressure: T,
    temperature_factor: T,
    reference_net_driving_pressure: f64,
    reference_temperature_factor: f64,
) -> T {
    permeate_flow * (reference_net_driving_pressure * reference_temperature_factor)
        / (net_driving_pressure * temperature_factor)
}

/// Water permeability at 25 degC, L/m2/h/bar: 1000 Qp/(area · NDP · TCF).
///
/// Qp in m3/h, area of all elements in m2, NDP in bar. The coefficient A of the solution-diffusion law
/// that underlies ASTM D4516, as a mean over the elements.
///
/// ```
/// let permeability = brinemark::normalise::water_permeability(4.6, 200.0, 8.0, 1.0);
/// assert!((permeability - 2.875).abs() < 1e-12);
/// ```
#[inline(always)]
pub fn water_permeability<T: Number>(
    permeate_flow_m3_h: T,
    area_m2: f64,
    net_driving_pressure_bar: T,
    temperature_factor: T,
) -> T {
    permeate_flow_m3_h * 1000.0 / (net_driving_pressure_bar * area_m2 * temperature_factor)
}
