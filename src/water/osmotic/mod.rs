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

pub(crate) use sodium_chloride::SodiumChloride;
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
        let at = salt.at(temperatures[i]);
        first[i] = S::osmotic_pressure(&at, first_tds[i]);
        second[i] = S::osmotic_pressure(&at, second_tds[i]);
    }
    (first, second)
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
    fn map<T: Number, U: Number>(at: &Self::At<T>, of: impl Fn(T) -> U) -> Self::At<U>;
}

/// A salt whose osmotic pressure is known only so well: each pressure leans, as a share of itself, on a slot.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Leaning<S> {
    pub salt: S,
    pub slot: usize,
}

impl<S: Salt> Salt for Leaning<S> {
    type At<T: Number> = (S::At<T>, usize);

    #[inline(always)]
    fn at<T: Number>(self, temperature_degc: T) -> Self::At<T> {
        (self.salt.at(temperature_degc), self.slot)
    }

    #[inline(always)]
    fn osmotic_pressure<T: Number>((at, slot): &Self::At<T>, tds_mg_l: T) -> T {
        let pressure = S::osmotic_pressure(at, tds_mg_l);
        pressure.leaning(*slot, pressure.value())
    }

    #[inline(always)]
    fn map<T: Number, U: Number>((at, slot): &Self::At<T>, of: impl Fn(T) -> U) -> Self::At<U> {
        (S::map(at, of), *slot)
    }
}

/// Does something with the [`Salt`] of a [`Basis`]: the choice is made once, outside the loops.
macro_rules! with_salt {
    ($basis:expr, $salt:ident => $does:expr) => {
        match $basis {
            $crate::water::osmotic::Basis::TdsRule => {
                let $salt = $crate::water::osmotic::TdsRule;
                $does
            }
            $crate::water::osmotic::Basis::SodiumChloride => {
                let $salt = $crate::water::osmotic::SodiumChloride;
                $does
            }
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
    fn map<T: Number, U: Number>(at: &T, of: impl Fn(T) -> U) -> U {
        of(*at)
    }
}
