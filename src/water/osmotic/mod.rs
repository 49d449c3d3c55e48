//! Osmotic pressure from dissolved salt and temperature.
//!
//! Four bases: the rule that goes with the standard practice, sodium chloride by Pitzer's equations, sea salt by the
//! Gibbs function of seawater, and the ions of an analysis by Pitzer's equations for mixtures. For one mg/L they differ
//! by a third: sea salt lies about 7 % below sodium chloride, waters rich in sulfate much further. So the basis is
//! always chosen, never assumed.

use serde::Serialize;

use crate::error::{Error, Fault, within};
use crate::number::{Number, Pair};
use crate::water::ZERO_CELSIUS_K;

mod ions;
mod seawater;
mod sodium_chloride;

pub use ions::{IonTable, WaterAnalysis};
pub(crate) use seawater::Seawater;
pub(in crate::water) use seawater::SeawaterAt;
pub use seawater::{seawater_density, seawater_osmotic_pressure};
pub(crate) use sodium_chloride::SodiumChloride;
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
        with_salt!(self, salt => pressures(salt, temperatures, first_tds, second_tds))
    }
}

#[inline(always)]
fn pressures<S: Salt, T: Number, const N: usize>(
    salt: S,
    temperatures: &[T; N],
    first_tds: &[T; N],
    second_tds: &[T; N],
) -> ([T; N], [T; N]) {
    let zero = [T::constant(0.0); N];
    let (mut first, mut second) = (zero, zero);
    for i in 0..N {
        [first[i], second[i]] =
            temperatures[i].by_pair([first_tds[i], second_tds[i]], Pressures(salt));
    }
    (first, second)
}

/// The osmotic pressures of two streams of one temperature, as equations.
struct Pressures<S>(S);

impl<S: Salt> Pair for Pressures<S> {
    #[inline(always)]
    fn of<T: Number>(&self, temperature: T, tds: [T; 2]) -> [T; 2] {
        let at = self.0.at(temperature);
        let [first, second] = tds;
        [
            S::osmotic_pressure(&at, first),
            S::osmotic_pressure(&at, second),
        ]
    }
}

/// A salt whose osmotic pressure is worked out: what depends on temperature first, then many concentrations.
pub(crate) trait Salt: Copy + Send + Sync {
    /// The salt at one temperature.
    type At<T: Number>: Copy;

    /// The salt at a temperature in degC.
    fn at<T: Number>(self, temperature_degc: T) -> Self::At<T>;

    /// Osmotic pressure, bar, from mg/L.
    fn osmotic_pressure<T: Number>(at: &Self::At<T>, tds_mg_l: T) -> T;

    /// The same, with each of its figures turned into another kind of number.
    fn map<T: Number, U: Number>(at: &Self::At<T>, of: impl Fn(&T) -> U) -> Self::At<U>;
}

/// Does something with the [`Salt`] of a [`Basis`]: the choice is made once, outside the loops.
macro_rules! with_salt {
    ($basis:expr, $salt:ident => $does:expr) => {
        match &$basis {
            $crate::water::osmotic::Basis::TdsRule => {
                let $salt = $crate::water::osmotic::TdsRule;
                $does
            }
            $crate::water::osmotic::Basis::SodiumChloride => {
                let $salt = $crate::water::osmotic::SodiumChloride;
                $does
            }
            $crate::water::osmotic::Basis::Seawater => {
                let $salt = $crate::water::osmotic::Seawater;
                $does
            }
            $crate::water::osmotic::Basis::Ions($salt) => $does,
        }
    };
}
pub(crate) use with_salt;

/// The rule that goes with the standard practice.
#[derive(Debug, Clone, Copy)]
pub(crate) struct TdsRule;

impl Salt for TdsRule {
    /// bar for mg/L, in water of no salt.
    type At<T: Number> = T;

    #[inline(always)]
    fn at<T: Number>(self, temperature_degc: T) -> T {
        (temperature_degc + ZERO_CELSIUS_K) * (0.01 * 0.2654)
    }

    #[inline(always)]
    fn osmotic_pressure<T: Number>(at: &T, tds_mg_l: T) -> T {
        tds_mg_l * *at / (-(tds_mg_l / 1000.0) + 1000.0)
    }

    #[inline(always)]
    fn map<T: Number, U: Number>(at: &T, of: impl Fn(&T) -> U) -> U {
        of(at)
    }
}
