//! Sulfates, fluoride and silica by the standard practices: ion product over solubility product, content over solubility.

use super::Water;
use super::minerals::Scale;
use super::speciation::davies;
use super::species::{CARBONATE, CHARGES, G_MOL, SILICA};

/// pH at which half of the silica beyond its solubility as acid would be ionised, at 25 degC (phreeqc.dat, USGS).
const SILICA_PK: f64 = 9.83;

/// log10 of the product of the ions' contents over the solubility product at the water's ionic strength, with all ions free
/// and Davies' activities.
///
/// Source: ASTM D4692 for the sulfates, with log Ksp from phreeqc.dat in place of its charts; calcium fluoride likewise.
pub(super) fn log_ion_product_ratio(water: &Water, scale: Scale) -> f64 {
    let molar = water.molar();
    let ionic_strength = water.ionic_strength();
    let product: f64 = scale
        .components()
        .iter()
        .map(|(at, number)| {
            debug_assert!(*at != CARBONATE);
            let activity = davies(CHARGES[*at], water.temperature_degc, ionic_strength);
            number * (molar[*at].log10() + activity)
        })
        .sum();
    product - scale.log_solubility_product(water.temperature_degc)
}

/// Silica that dissolves, mg/L as SiO2: of amorphous silica by temperature, times 1 + 10^(pH − 9.83).
///
/// log10 m = −0.26 − 731/T. Source: phreeqc.dat (USGS) in place of the charts of ASTM D4993. Aluminium and iron lower it.
pub fn silica_solubility(temperature_degc: f64, ph: f64) -> f64 {
    let neutral = 10f64.powf(Scale::Silica.log_solubility_product(temperature_degc));
    1e3 * G_MOL[SILICA] * neutral * (1.0 + 10f64.powf(ph - SILICA_PK))
}

/// log10 of silica over what dissolves.
pub(super) fn log_silica_ratio(water: &Water) -> f64 {
    (water.ions[SILICA] / silica_solubility(water.temperature_degc, water.ph)).log10()
}
