//! Osmotic pressure from dissolved salt and temperature.
//!
//! Two bases: the rule that goes with the standard practice, and sodium chloride by Pitzer's equations.
//! They differ by up to 4 % for one salt; sea salt lies about 7 % below sodium chloride of the same
//! mg/L. So the basis is always chosen, never assumed.

use serde::Serialize;

use crate::error::{Error, within};
use crate::number::Number;
use crate::water::ZERO_CELSIUS_K;

mod sodium_chloride;

use sodium_chloride::SodiumChlorideAt;
pub use sodium_chloride::{
    osmotic_pressure_of_molality, sodium_chloride_molality, sodium_chloride_osmotic_coefficient,
};

/// Molar gas constant, J/(mol K) (CODATA 2018, exact).
const GAS_CONSTANT: f64 = 8.314_462_618;

/// Temperatures for which either basis is valid, degC: the span of the fits behind Pitzer's parameters
/// that a membrane can meet.
pub const TEMPERATURE_RANGE_DEGC: (f64, f64) = (0.0, 50.0);
/// Salt content for which either basis is valid, mg/L. The sodium chloride basis is checked against
/// published figures up to 2 mol/kg, which is about 112 000 mg/L.
pub const TDS_RANGE_MG_L: (f64, f64) = (0.0, 112_000.0);

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

    /// Salt content for which it is valid, mg/L.
    pub fn tds_range_mg_l(self) -> (f64, f64) {
        match self {
            Self::TdsRule | Self::SodiumChloride => TDS_RANGE_MG_L,
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
    pub(crate) fn osmotic_pressures<T: Number, const N: usize>(
        self,
        temperatures: &[T; N],
        first_tds: &[T; N],
        second_tds: &[T; N],
    ) -> ([T; N], [T; N]) {
        let zero = [T::constant(0.0); N];
        let (mut first, mut second) = (zero, zero);
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
fn tds_rule<T: Number>(tds_mg_l: T, temperature_degc: T) -> T {
    tds_mg_l * (0.01 * 0.2654) * (temperature_degc + ZERO_CELSIUS_K)
        / (-(tds_mg_l / 1000.0) + 1000.0)
}
