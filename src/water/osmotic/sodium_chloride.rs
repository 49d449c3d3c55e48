//! Sodium chloride by Pitzer's equation.

use super::{GAS_CONSTANT, Salt, TDS_RANGE_MG_L, TEMPERATURE_RANGE_DEGC};
use crate::error::{Error, within};
use crate::number::Number;
use crate::water::{ZERO_CELSIUS_K, density};

/// Molar mass of sodium chloride, g/mol.
const SODIUM_CHLORIDE_G_MOL: f64 = 58.4428;
/// Molality for which Pitzer's equation is valid with these parameters, mol/kg.
pub const MOLALITY_RANGE: (f64, f64) = (0.0, 6.0);

/// Sodium chloride.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SodiumChloride;

impl Salt for SodiumChloride {
    type At<T: Number> = SodiumChlorideAt<T>;

    #[inline(always)]
    fn at<T: Number>(self, temperature_degc: T) -> SodiumChlorideAt<T> {
        SodiumChlorideAt::new(temperature_degc)
    }

    #[inline(always)]
    fn osmotic_pressure<T: Number>(at: &SodiumChlorideAt<T>, tds_mg_l: T) -> T {
        at.osmotic_pressure(at.molality(tds_mg_l))
    }

    #[inline(always)]
    fn map<T: Number, U: Number>(
        at: &SodiumChlorideAt<T>,
        of: impl Fn(&T) -> U,
    ) -> SodiumChlorideAt<U> {
        SodiumChlorideAt {
            kelvin: of(&at.kelvin),
            water_kg_l: of(&at.water_kg_l),
            debye_hueckel: of(&at.debye_hueckel),
            beta0: of(&at.beta0),
            beta1: of(&at.beta1),
            c_phi: of(&at.c_phi),
        }
    }
}

/// Sodium chloride at one temperature.
#[derive(Clone, Copy)]
pub(crate) struct SodiumChlorideAt<T> {
    pub kelvin: T,
    pub water_kg_l: T,
    pub debye_hueckel: T,
    pub beta0: T,
    pub beta1: T,
    pub c_phi: T,
}

impl<T: Number> SodiumChlorideAt<T> {
    #[inline(always)]
    pub fn new(temperature_degc: T) -> Self {
        const REFERENCE_K: f64 = 298.15;
        let kelvin = temperature_degc + ZERO_CELSIUS_K;
        let water_kg_m3 = density::unchecked(temperature_degc);
        // Temperature terms of pitzer.dat: 1/T − 1/Tr, ln(T/Tr), T − Tr, T² − Tr².
        let inverse = T::constant(1.0) / kelvin - 1.0 / REFERENCE_K;
        let logarithm = (kelvin / REFERENCE_K).ln();
        let difference = kelvin - REFERENCE_K;
        let squares = kelvin * kelvin - REFERENCE_K * REFERENCE_K;
        Self {
            kelvin,
            water_kg_l: water_kg_m3 * 1e-3,
            debye_hueckel: debye_hueckel(temperature_degc, water_kg_m3),
            beta0: inverse * -777.03 - logarithm * 4.4706 + difference * 0.008_946
                - squares * 3.3158e-6
                + 0.0765,
            beta1: difference * 6.1608e-5 + squares * 1.0715e-6 + 0.2664,
            c_phi: inverse * 33.317 + logarithm * 0.094_21 - difference * 4.655e-5 + 0.001_27,
        }
    }

    /// mol of salt a kg of water, from mg a litre of solution.
    ///
    /// The water in a litre is what the salt leaves room for: 1 − c Vφ, with the apparent molar volume
    /// Vφ = 16.62 + 1.87 √c cm3/mol (Masson's rule; F. J. Millero, Chem. Rev. 71 (1971) 147, constants
    /// from memory, 25 degC). Taken as constant over temperature: at most 0.2 % at 50 g/L and 5 degC.
    #[inline(always)]
    pub fn molality(&self, tds_mg_l: T) -> T {
        let molarity = tds_mg_l * (1.0 / (1000.0 * SODIUM_CHLORIDE_G_MOL));
        let salt_volume = molarity * (molarity.sqrt() * 1.87 + 16.62) * 1e-3;
        molarity / (self.water_kg_l * (-salt_volume + 1.0))
    }

    /// Osmotic coefficient φ = 1 − Aφ √m/(1 + 1.2 √m) + m (β0 + β1 e^(−2 √m)) + m² Cφ.
    #[inline(always)]
    pub fn osmotic_coefficient(&self, molality: T) -> T {
        let root = molality.sqrt();
        -self.debye_hueckel * root / (root * 1.2 + 1.0)
            + 1.0
            + molality * (self.beta0 + self.beta1 * (root * -2.0).exp())
            + molality * molality * self.c_phi
    }

    /// π = φ ν m R T ρ of water, bar; ν = 2.
    #[inline(always)]
    pub fn osmotic_pressure(&self, molality: T) -> T {
        // mol/kg × J/(mol K) × K × kg/L = J/L = kPa
        self.osmotic_coefficient(molality)
            * molality
            * self.kelvin
            * self.water_kg_l
            * (0.01 * 2.0 * GAS_CONSTANT)
    }
}

/// Debye-Hückel slope for the osmotic coefficient, kg^½/mol^½.
///
/// Aφ = ⅓ (2π N ρ)^½ (e²/(4π ε0 εr k T))^(3/2), with the relative permittivity of water
/// εr = 87.740 − 0.40008 t + 9.398e-4 t² − 1.410e-6 t³ (C. G. Malmberg and A. A. Maryott, J. Res. Natl. Bur.
/// Stand. 56 (1956) 1, coefficients from memory).
#[inline(always)]
pub(super) fn debye_hueckel<T: Number>(temperature_degc: T, water_kg_m3: T) -> T {
    use std::f64::consts::PI;
    const AVOGADRO: f64 = 6.022_140_76e23;
    const CHARGE: f64 = 1.602_176_634e-19;
    const VACUUM: f64 = 8.854_187_812_8e-12;
    const BOLTZMANN: f64 = 1.380_649e-23;
    let t = temperature_degc;
    let permittivity = t * -1.410e-6 + 9.398e-4;
    let permittivity = permittivity * t - 0.400_08;
    let permittivity = permittivity * t + 87.740;
    let length = T::constant(CHARGE * CHARGE / (4.0 * PI * VACUUM * BOLTZMANN))
        / (permittivity * (t + ZERO_CELSIUS_K));
    (water_kg_m3 * (2.0 * PI * AVOGADRO)).sqrt() * length * length.sqrt() / 3.0
}

/// mol of sodium chloride a kg of water, from mg a litre of solution, at a temperature in degC.
///
/// # Errors
/// [`Error::Range`] outside 0 to 112 000 mg/L or 0 to 50 degC.
pub fn sodium_chloride_molality(tds_mg_l: f64, temperature_degc: f64) -> Result<f64, Error> {
    within("tds", tds_mg_l, TDS_RANGE_MG_L, " mg/L")?;
    within(
        "temperature",
        temperature_degc,
        TEMPERATURE_RANGE_DEGC,
        " degC",
    )?;
    Ok(SodiumChlorideAt::new(temperature_degc).molality(tds_mg_l))
}

/// Osmotic coefficient of sodium chloride, from its molality in mol/kg, at a temperature in degC.
///
/// # Errors
/// [`Error::Range`] outside 0 to 6 mol/kg or 0 to 50 degC.
pub fn sodium_chloride_osmotic_coefficient(
    molality: f64,
    temperature_degc: f64,
) -> Result<f64, Error> {
    within("molality", molality, MOLALITY_RANGE, " mol/kg")?;
    within(
        "temperature",
        temperature_degc,
        TEMPERATURE_RANGE_DEGC,
        " degC",
    )?;
    Ok(SodiumChlorideAt::new(temperature_degc).osmotic_coefficient(molality))
}

/// Osmotic pressure of sodium chloride, bar, from its molality in mol/kg, at a temperature in degC.
///
/// # Errors
/// [`Error::Range`] outside 0 to 6 mol/kg or 0 to 50 degC.
pub fn osmotic_pressure_of_molality(molality: f64, temperature_degc: f64) -> Result<f64, Error> {
    within("molality", molality, MOLALITY_RANGE, " mol/kg")?;
    within(
        "temperature",
        temperature_degc,
        TEMPERATURE_RANGE_DEGC,
        " degC",
    )?;
    Ok(SodiumChlorideAt::new(temperature_degc).osmotic_pressure(molality))
}
