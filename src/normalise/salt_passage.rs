//! Salt passage, like for like.

use crate::number::Number;

/// The conditions of a salt passage. Any units, the same on both sides.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SaltConditions<T = f64> {
    /// Mean permeate flow of an element, EPF.
    pub element_flow: T,
    /// Temperature factor of salt transport, STCF.
    pub salt_temperature_factor: T,
    /// Mean feed-side concentration, Cfb.
    pub mean_feed_tds: T,
    /// Concentration at the inlet, Cf.
    pub feed_tds: T,
}

/// Salt passage at reference conditions: SPa · (EPFa/EPFs)·(STCFs/STCFa)·(Cfbs/Cfba)·(Cfa/Cfs).
///
/// Source: ASTM D4516, salt passage equation (from memory; its algebra follows from
/// Cp = B · STCF · Cfb/EPF). The standard's EPFs has been read in two ways, and the choice matters:
///
/// - EPFs = the fixed flow of an element at reference conditions: the result follows the membrane's salt
///   permeability alone. This is `normalised_salt_passage`.
/// - EPFs = the *normalised* permeate flow of an element: fouling, which lowers that flow, then raises the
///   figure too. This is `normalised_salt_passage_at_normalised_flow`.
///
/// ```
/// use brinemark::normalise::{SaltConditions, normalised_salt_passage};
/// let same = SaltConditions {
///     element_flow: 1.0, salt_temperature_factor: 1.0, mean_feed_tds: 3700.0, feed_tds: 2000.0,
/// };
/// assert_eq!(normalised_salt_passage(0.015, &same, &same), 0.015);
/// ```
#[inline(always)]
pub fn normalised_salt_passage<T: Number>(
    salt_passage: T,
    actual: &SaltConditions<T>,
    reference: &SaltConditions,
) -> T {
    // What is the reference's is one factor, and one division serves the rest.
    let of_reference = reference.salt_temperature_factor * reference.mean_feed_tds
        / (reference.element_flow * reference.feed_tds);
    salt_passage * actual.element_flow * actual.feed_tds * of_reference
        / (actual.salt_temperature_factor * actual.mean_feed_tds)
}

/// Salt permeability at 25 degC, L/m2/h: 1000 Qp Cp/(area · STCF · Cfb).
///
/// Qp in m3/h, area of all elements in m2, both concentrations in one unit. The coefficient B of the
/// solution-diffusion law in the form that underlies ASTM D4516, which neglects the permeate's own
/// concentration beside Cfb: at 1 % salt passage that is 1 % of B, the same in every reading.
///
/// ```
/// let permeability = brinemark::normalise::salt_permeability(4.6, 15.0, 1500.0, 200.0, 1.0);
/// assert!((permeability - 0.23).abs() < 1e-12);
/// ```
#[inline(always)]
pub fn salt_permeability<T: Number>(
    permeate_flow_m3_h: T,
    permeate_tds: T,
    mean_feed_tds: T,
    area_m2: f64,
    salt_temperature_factor: T,
) -> T {
    permeate_flow_m3_h * permeate_tds * 1000.0 / (salt_temperature_factor * area_m2 * mean_feed_tds)
}
