//! Osmotic pressure from dissolved salt and temperature.
//!
//! Four bases: the rule that goes with the standard practice, sodium chloride by Pitzer's equations, sea salt by the
//! Gibbs function of seawater, and the ions of an analysis by Pitzer's equations for mixtures. For one mg/L they differ
//! by a third: sea salt lies about 7 % below sodium chloride, waters rich in sulfate much further. So the basis is
//! always chosen, never assumed.

use serde::Serialize;

use crate::error::{Error, Fault, within};
use crate::number::Number;
use crate::water::ZERO_CELSIUS_K;

mod ions;
mod seawater;
mod sodium_chloride;

use ions::IonsAt;
pub use ions::{IonTable, WaterAnalysis};
pub(in crate::water) use seawater::SeawaterAt;
pub use seawater::{seawater_density, seawater_osmotic_pressure};
use sodium_chloride::SodiumChlorideAt;
pub use sodium_chloride::{
    osmotic_pressure_of_molality, sodium_chloride_molality, sodium_chloride_osmotic_coefficient,
};

/// Molar gas constant, J/(mol K) (CODATA 2018, exact).
const GAS_CONSTANT: f64 = 8.314_462_618;

/// Temperatures for which the rule and Pitzer's equations are valid, degC: the span of the fits behind Pitzer's
/// parameters that a membrane can meet.
pub const TEMPERATURE_RANGE_DEGC: (f64, f64) = (0.0, 50.0);
/// Salt content for which the rule and the sodium chloride basis are valid, mg/L. The latter is checked against
/// published figures up to 2 mol/kg, which is about 112 000 mg/L.
pub const TDS_RANGE_MG_L: (f64, f64) = (0.0, 112_000.0);

/// What the dissolved salt is taken to be.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
#[expect(
    clippy::large_enum_variant,
    reason = "a unit has one basis; in a box it could not be Copy"
)]
pub enum Basis {
    /// π/kPa = 0.2654 C (t + 273.15)/(1000 − C/1000), C in mg/L: the form that goes with ASTM D4516 (from
    /// memory). It is sodium chloride with a constant osmotic coefficient of 0.93.
    TdsRule,
    /// Sodium chloride by Pitzer's equation.
    SodiumChloride,
    /// Sea salt by the Gibbs function of seawater.
    Seawater,
    /// The ions of an analysis by Pitzer's equation for mixtures.
    Ions(IonTable),
}

impl Basis {
    /// The names of the bases.
    pub const NAMES: [&'static str; 4] = ["tds-rule", "sodium-chloride", "seawater", "ions"];

    /// The basis of this name; `ions` is the analysis of the basis "ions".
    ///
    /// # Errors
    /// A [`Fault`] for a basis that is not known, an analysis that belongs to another basis (it would be ignored) or
    /// is missing, or one that can't be right (see [`IonTable::new`]).
    ///
    /// ```
    /// use brinemark::water::Basis;
    /// assert_eq!(Basis::from_settings("seawater", None), Ok(Basis::Seawater));
    /// assert!(Basis::from_settings("ions", None).is_err());
    /// ```
    pub fn from_settings(name: &str, ions: Option<WaterAnalysis>) -> Result<Self, Fault> {
        if ions.is_some() && name != "ions" && Self::NAMES.contains(&name) {
            return Err(Fault::new(
                format!("belongs to the basis \"ions\", not to \"{name}\""),
                "leave it out, or choose that basis",
            )
            .at_column("ions"));
        }
        match name {
            "tds-rule" => Ok(Self::TdsRule),
            "sodium-chloride" => Ok(Self::SodiumChloride),
            "seawater" => Ok(Self::Seawater),
            "ions" => {
                let analysis = ions.ok_or_else(|| {
                    Fault::new(
                        "missing",
                        "the water's analysis in mg/L: sodium, chloride and the others",
                    )
                    .at_column("ions")
                })?;
                IonTable::new(&analysis).map(Self::Ions)
            }
            _ => Err(Fault::new(
                "not a choice",
                format!("one of: {}", Self::NAMES.join(", ")),
            )
            .at_column("basis")
            .with_value(name)),
        }
    }

    /// Its name in a site file.
    pub fn name(self) -> &'static str {
        match self {
            Self::TdsRule => "tds-rule",
            Self::SodiumChloride => "sodium-chloride",
            Self::Seawater => "seawater",
            Self::Ions(_) => "ions",
        }
    }

    /// Salt content for which it is valid, mg/L.
    pub fn tds_range_mg_l(self) -> (f64, f64) {
        match self {
            Self::TdsRule | Self::SodiumChloride => TDS_RANGE_MG_L,
            Self::Seawater => seawater::TDS_RANGE_MG_L,
            Self::Ions(table) => table.tds_range_mg_l(),
        }
    }

    /// Temperatures for which it is valid, degC.
    pub fn temperature_range_degc(self) -> (f64, f64) {
        match self {
            Self::TdsRule | Self::SodiumChloride | Self::Ions(_) => TEMPERATURE_RANGE_DEGC,
            Self::Seawater => seawater::TEMPERATURE_RANGE_DEGC,
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
            Self::Seawater => {
                "sea salt, the salt part of the Gibbs function of seawater (IAPWS R13-08; Feistel 2008)"
            }
            Self::Ions(_) => {
                "ions of the site's analysis, their proportions kept; Pitzer's equation for mixtures with the parameters of the PHREEQC 3 file pitzer.dat (USGS)"
            }
        }
    }

    /// Osmotic pressure, bar, of water with `tds_mg_l` of salt at a temperature in degC.
    ///
    /// Accuracy for sodium chloride: within 0.5 % of the handbook table at 25 degC and within 0.3 % of an
    /// aqueous-chemistry library over 5 to 35 degC (`tests/published`); the rule is within 4 % of that. Sea salt within
    /// 0.02 % of a reference library. The ions of an analysis: within 0.5 % of that in the composition of seawater, to
    /// 70 g/kg and over 5 to 35 degC, within 0.3 % of handbook osmotic coefficients of single salts (magnesium sulfate
    /// within 2 %).
    ///
    /// # Errors
    /// [`Error::Range`] outside [`Basis::tds_range_mg_l`] or [`Basis::temperature_range_degc`]. NaN in, NaN out.
    ///
    /// ```
    /// use brinemark::water::Basis;
    /// let pressure = Basis::SodiumChloride.osmotic_pressure(2000.0, 25.0)?;
    /// assert!((pressure - 1.612).abs() < 0.005);
    /// let pressure = Basis::Seawater.osmotic_pressure(36_000.0, 25.0)?;
    /// assert!((pressure - 25.93).abs() < 0.01);
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn osmotic_pressure(self, tds_mg_l: f64, temperature_degc: f64) -> Result<f64, Error> {
        within("tds", tds_mg_l, self.tds_range_mg_l(), " mg/L")?;
        within(
            "temperature",
            temperature_degc,
            self.temperature_range_degc(),
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
            Self::Seawater => {
                for i in 0..N {
                    let salt = SeawaterAt::new(temperatures[i]);
                    first[i] = salt.osmotic_pressure(salt.salinity(first_tds[i]));
                    second[i] = salt.osmotic_pressure(salt.salinity(second_tds[i]));
                }
            }
            Self::Ions(table) => {
                for i in 0..N {
                    let salt = IonsAt::new(&table, temperatures[i]);
                    first[i] = salt.osmotic_pressure(salt.salt_a_kg_of_water(first_tds[i]));
                    second[i] = salt.osmotic_pressure(salt.salt_a_kg_of_water(second_tds[i]));
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
