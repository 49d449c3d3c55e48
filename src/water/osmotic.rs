//! Osmotic pressure from dissolved salt and temperature.
//!
//! Two bases: the rule that goes with the standard practice, and sodium chloride by Pitzer's equations.
//! They differ by up to 4 % for one salt; sea salt lies about 7 % below sodium chloride of the same
//! mg/L. So the basis is always chosen, never assumed.

use serde::Serialize;

use crate::error::{Error, within};
use crate::real::Real;
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
        Ok(self.at(temperature_degc).osmotic_pressure(tds_mg_l))
    }

    /// The basis at one temperature, for several concentrations.
    #[inline]
    pub(crate) fn at<R: Real>(self, temperature_degc: R) -> BasisAt<R> {
        match self {
            Self::TdsRule => BasisAt::TdsRule {
                kelvin: temperature_degc + ZERO_CELSIUS_K,
            },
            Self::SodiumChloride => {
                BasisAt::SodiumChloride(SodiumChlorideAt::new(temperature_degc))
            }
        }
    }
}

/// A basis with all that depends on temperature alone worked out.
#[derive(Clone, Copy)]
pub(crate) enum BasisAt<R> {
    TdsRule { kelvin: R },
    SodiumChloride(SodiumChlorideAt<R>),
}

impl<R: Real> BasisAt<R> {
    /// Osmotic pressure, bar; the caller has checked the range.
    #[inline]
    pub(crate) fn osmotic_pressure(&self, tds_mg_l: R) -> R {
        match self {
            Self::TdsRule { kelvin } => {
                tds_mg_l * *kelvin * (0.01 * 0.2654) / (tds_mg_l * -1e-3 + 1000.0)
            }
            Self::SodiumChloride(salt) => salt.osmotic_pressure(salt.molality(tds_mg_l)),
        }
    }
}

/// Sodium chloride at one temperature.
#[derive(Clone, Copy)]
pub(crate) struct SodiumChlorideAt<R> {
    kelvin: R,
    water_kg_l: R,
    debye_hueckel: R,
    beta0: R,
    beta1: R,
    c_phi: R,
}

impl<R: Real> SodiumChlorideAt<R> {
    #[inline]
    fn new(temperature_degc: R) -> Self {
        const REFERENCE_K: f64 = 298.15;
        let kelvin = temperature_degc + ZERO_CELSIUS_K;
        let water_kg_m3 = density::unchecked(temperature_degc);
        // Temperature terms of pitzer.dat: 1/T − 1/Tr, ln(T/Tr), T − Tr, T² − Tr².
        let inverse = R::of(1.0) / kelvin - 1.0 / REFERENCE_K;
        let logarithm = (kelvin / REFERENCE_K).ln();
        let difference = kelvin - REFERENCE_K;
        let squares = kelvin * kelvin - REFERENCE_K * REFERENCE_K;
        Self {
            kelvin,
            water_kg_l: water_kg_m3 * 1e-3,
            debye_hueckel: debye_hueckel(temperature_degc, water_kg_m3),
            beta0: inverse * -777.03
                + logarithm * -4.4706
                + difference * 0.008_946
                + squares * -3.3158e-6
                + 0.0765,
            beta1: difference * 6.1608e-5 + squares * 1.0715e-6 + 0.2664,
            c_phi: inverse * 33.317 + logarithm * 0.094_21 + difference * -4.655e-5 + 0.001_27,
        }
    }

    /// mol of salt a kg of water, from mg a litre of solution.
    ///
    /// The water in a litre is what the salt leaves room for: 1 − c Vφ, with the apparent molar volume
    /// Vφ = 16.62 + 1.87 √c cm3/mol (Masson's rule; F. J. Millero, Chem. Rev. 71 (1971) 147, constants
    /// from memory, 25 degC). Taken as constant over temperature: at most 0.2 % at 50 g/L and 5 degC.
    #[inline]
    fn molality(&self, tds_mg_l: R) -> R {
        let molarity = tds_mg_l / (1000.0 * SODIUM_CHLORIDE_G_MOL);
        let salt_volume = molarity * (molarity.sqrt() * 1.87 + 16.62) * 1e-3;
        molarity / (self.water_kg_l * (-salt_volume + 1.0))
    }

    /// Osmotic coefficient φ = 1 − Aφ √m/(1 + 1.2 √m) + m (β0 + β1 e^(−2 √m)) + m² Cφ.
    #[inline]
    fn osmotic_coefficient(&self, molality: R) -> R {
        let root = molality.sqrt();
        molality * (self.beta0 + self.beta1 * (root * -2.0).exp() + molality * self.c_phi)
            - self.debye_hueckel * root / (root * 1.2 + 1.0)
            + 1.0
    }

    /// π = φ ν m R T ρ of water, bar; ν = 2.
    #[inline]
    fn osmotic_pressure(&self, molality: R) -> R {
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
#[inline]
fn debye_hueckel<R: Real>(t: R, water_kg_m3: R) -> R {
    use std::f64::consts::PI;
    const AVOGADRO: f64 = 6.022_140_76e23;
    const CHARGE: f64 = 1.602_176_634e-19;
    const VACUUM: f64 = 8.854_187_8128e-12;
    const BOLTZMANN: f64 = 1.380_649e-23;
    let permittivity = ((t * -1.410e-6 + 9.398e-4) * t - 0.400_08) * t + 87.740;
    let length = R::of(CHARGE * CHARGE / (4.0 * PI * VACUUM * BOLTZMANN))
        / (permittivity * (t + ZERO_CELSIUS_K));
    (water_kg_m3 * (2.0 * PI * AVOGADRO) * length).sqrt() * length / 3.0
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
