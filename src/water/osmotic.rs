//! Osmotic pressure from dissolved salt and temperature.
//!
//! Two bases: the rule that goes with the standard practice, and sodium chloride by Pitzer's equations.
//! They differ by up to 4 % for one salt; sea salt lies about 7 % below sodium chloride of the same
//! mg/L. So the basis is always chosen, never assumed.

use serde::Serialize;

use crate::error::{Error, within};
use crate::math::{exp, ln};
use crate::water::{ZERO_CELSIUS_K, density};

/// Molar gas constant, J/(mol K) (CODATA 2018, exact).
const GAS_CONSTANT: f64 = 8.314_462_618;
/// Molar mass of sodium chloride, g/mol.
const SODIUM_CHLORIDE_G_MOL: f64 = 58.4428;

/// Temperatures for which either basis is valid, degC: the span of the fits behind Pitzer's parameters
/// that a membrane can meet.
pub const TEMPERATURE_RANGE_DEGC: (f64, f64) = (0.0, 50.0);
/// Salt content for which either basis is valid, mg/L. The sodium chloride basis is checked against
/// published figures up to 2 mol/kg, which is about 112 000 mg/L.
pub const TDS_RANGE_MG_L: (f64, f64) = (0.0, 112_000.0);
/// Molality for which Pitzer's equation is valid with these parameters, mol/kg.
pub const MOLALITY_RANGE: (f64, f64) = (0.0, 6.0);

/// What the dissolved salt is taken to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// π/kPa = 0.2654 C (t + 273.15)/(1000 − C/1000), C in mg/L: the form that goes with ASTM D4516 (from
    /// memory). It is sodium chloride with a constant osmotic coefficient of 0.93.
    TdsRule,
    /// Sodium chloride by Pitzer's equation.
    SodiumChloride,
}

impl Basis {
    /// Every basis with its name in a site file.
    pub const NAMES: [(&'static str, Self); 2] = [
        ("tds-rule", Self::TdsRule),
        ("sodium-chloride", Self::SodiumChloride),
    ];

    /// Its name in a site file.
    pub fn name(self) -> &'static str {
        match self {
            Self::TdsRule => "tds-rule",
            Self::SodiumChloride => "sodium-chloride",
        }
    }

    /// Its equation and source, in a line.
    pub fn describe(self) -> &'static str {
        match self {
            Self::TdsRule => {
                "0.2654 C (T + 273.15)/(1000 − C/1000) kPa, C in mg/L as sodium chloride (form that goes with ASTM D4516, from memory)"
            }
            Self::SodiumChloride => {
                "sodium chloride, Pitzer's equation with the parameters of the PHREEQC 3 file pitzer.dat (USGS)"
            }
        }
    }

    /// Osmotic pressure, bar, of water with `tds_mg_l` of salt at a temperature in degC.
    ///
    /// Accuracy for sodium chloride: within 0.5 % of the handbook table at 25 degC and within 0.3 % of an
    /// aqueous-chemistry library over 5 to 35 degC (`tests/published`); the rule is within 4 % of that.
    ///
    /// # Errors
    /// [`Error::Range`] outside 0 to 112 000 mg/L or 0 to 50 degC. NaN in, NaN out.
    ///
    /// ```
    /// use brinemark::water::Basis;
    /// let pressure = Basis::SodiumChloride.osmotic_pressure(2000.0, 25.0)?;
    /// assert!((pressure - 1.612).abs() < 0.005);
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn osmotic_pressure(self, tds_mg_l: f64, temperature_degc: f64) -> Result<f64, Error> {
        within("tds", tds_mg_l, TDS_RANGE_MG_L, " mg/L")?;
        within(
            "temperature",
            temperature_degc,
            TEMPERATURE_RANGE_DEGC,
            " degC",
        )?;
        Ok(self
            .osmotic_pressures(&[temperature_degc], &[tds_mg_l], &[tds_mg_l])
            .0[0])
    }

    /// Osmotic pressures, bar, of two streams of equal temperature, for a block of readings; the caller checks the
    /// range. One basis to a loop, so that each loop is plain arithmetic.
    #[inline(always)]
    pub(crate) fn osmotic_pressures<const N: usize>(
        self,
        temperatures: &[f64; N],
        first_tds: &[f64; N],
        second_tds: &[f64; N],
    ) -> ([f64; N], [f64; N]) {
        let (mut first, mut second) = ([0.0; N], [0.0; N]);
        match self {
            Self::TdsRule => {
                for i in 0..N {
                    first[i] = tds_rule(first_tds[i], temperatures[i]);
                    second[i] = tds_rule(second_tds[i], temperatures[i]);
                }
            }
            Self::SodiumChloride => {
                for i in 0..N {
                    let salt = SodiumChlorideAt::new(temperatures[i]);
                    first[i] = salt.osmotic_pressure(salt.molality(first_tds[i]));
                    second[i] = salt.osmotic_pressure(salt.molality(second_tds[i]));
                }
            }
        }
        (first, second)
    }
}

/// The rule that goes with the standard practice, bar.
#[inline(always)]
fn tds_rule(tds_mg_l: f64, temperature_degc: f64) -> f64 {
    0.01 * 0.2654 * tds_mg_l * (temperature_degc + ZERO_CELSIUS_K) / (1000.0 - tds_mg_l / 1000.0)
}

/// Sodium chloride at one temperature.
#[derive(Clone, Copy)]
pub(crate) struct SodiumChlorideAt {
    kelvin: f64,
    water_kg_l: f64,
    debye_hueckel: f64,
    beta0: f64,
    beta1: f64,
    c_phi: f64,
}

impl SodiumChlorideAt {
    #[inline(always)]
    fn new(temperature_degc: f64) -> Self {
        const REFERENCE_K: f64 = 298.15;
        let kelvin = temperature_degc + ZERO_CELSIUS_K;
        let water_kg_m3 = density::unchecked(temperature_degc);
        // Temperature terms of pitzer.dat: 1/T − 1/Tr, ln(T/Tr), T − Tr, T² − Tr².
        let inverse = 1.0 / kelvin - 1.0 / REFERENCE_K;
        let logarithm = ln(kelvin / REFERENCE_K);
        let difference = kelvin - REFERENCE_K;
        let squares = kelvin * kelvin - REFERENCE_K * REFERENCE_K;
        Self {
            kelvin,
            water_kg_l: 1e-3 * water_kg_m3,
            debye_hueckel: debye_hueckel(temperature_degc, water_kg_m3),
            beta0: 0.0765 - 777.03 * inverse - 4.4706 * logarithm + 0.008_946 * difference
                - 3.3158e-6 * squares,
            beta1: 0.2664 + 6.1608e-5 * difference + 1.0715e-6 * squares,
            c_phi: 0.001_27 + 33.317 * inverse + 0.094_21 * logarithm - 4.655e-5 * difference,
        }
    }

    /// mol of salt a kg of water, from mg a litre of solution.
    ///
    /// The water in a litre is what the salt leaves room for: 1 − c Vφ, with the apparent molar volume
    /// Vφ = 16.62 + 1.87 √c cm3/mol (Masson's rule; F. J. Millero, Chem. Rev. 71 (1971) 147, constants
    /// from memory, 25 degC). Taken as constant over temperature: at most 0.2 % at 50 g/L and 5 degC.
    #[inline(always)]
    fn molality(&self, tds_mg_l: f64) -> f64 {
        let molarity = tds_mg_l / (1000.0 * SODIUM_CHLORIDE_G_MOL);
        let salt_volume = molarity * (16.62 + 1.87 * molarity.sqrt()) * 1e-3;
        molarity / (self.water_kg_l * (1.0 - salt_volume))
    }

    /// Osmotic coefficient φ = 1 − Aφ √m/(1 + 1.2 √m) + m (β0 + β1 e^(−2 √m)) + m² Cφ.
    #[inline(always)]
    fn osmotic_coefficient(&self, molality: f64) -> f64 {
        let root = molality.sqrt();
        1.0 - self.debye_hueckel * root / (1.0 + 1.2 * root)
            + molality * (self.beta0 + self.beta1 * exp(-2.0 * root))
            + molality * molality * self.c_phi
    }

    /// π = φ ν m R T ρ of water, bar; ν = 2.
    #[inline(always)]
    fn osmotic_pressure(&self, molality: f64) -> f64 {
        // mol/kg × J/(mol K) × K × kg/L = J/L = kPa
        0.01 * self.osmotic_coefficient(molality)
            * 2.0
            * molality
            * GAS_CONSTANT
            * self.kelvin
            * self.water_kg_l
    }
}

/// Debye-Hückel slope for the osmotic coefficient, kg^½/mol^½.
///
/// Aφ = ⅓ (2π N ρ)^½ (e²/(4π ε0 εr k T))^(3/2), with the relative permittivity of water
/// εr = 87.740 − 0.40008 t + 9.398e-4 t² − 1.410e-6 t³ (C. G. Malmberg and A. A. Maryott, J. Res. Natl. Bur.
/// Stand. 56 (1956) 1, coefficients from memory).
#[inline(always)]
fn debye_hueckel(temperature_degc: f64, water_kg_m3: f64) -> f64 {
    use std::f64::consts::PI;
    const AVOGADRO: f64 = 6.022_140_76e23;
    const CHARGE: f64 = 1.602_176_634e-19;
    const VACUUM: f64 = 8.854_187_812_8e-12;
    const BOLTZMANN: f64 = 1.380_649e-23;
    let t = temperature_degc;
    let permittivity = 87.740 + t * (-0.400_08 + t * (9.398e-4 - t * 1.410e-6));
    let length =
        CHARGE * CHARGE / (4.0 * PI * VACUUM * permittivity * BOLTZMANN * (t + ZERO_CELSIUS_K));
    (2.0 * PI * AVOGADRO * water_kg_m3).sqrt() * length * length.sqrt() / 3.0
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
