//! How permeate flow, and salt transport, follow temperature.
//!
//! The published laws differ by 21 % at 5 degC, more than the decline at which people clean. So a law is
//! always chosen, and stands with every result.

use serde::Serialize;

use crate::error::{Error, Fault, within};
use crate::number::Number;
use crate::water::ZERO_CELSIUS_K;
use crate::water::viscosity::{self, Viscosity};

/// The temperature at which every factor is 1, degC.
pub const STANDARD_DEGC: f64 = 25.0;

/// Temperatures for which the laws are taken as valid, degC. No printed range was found; these are the
/// bounds of water that a membrane is run on (common practice, no source).
pub const RANGE_DEGC: (f64, f64) = (0.0, 50.0);

/// A law of temperature: the factor by which a membrane passes more at T than at 25 degC, all else alike.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "law", rename_all = "kebab-case")]
pub enum Law {
    /// base^(T − 25), T in degC.
    StandardPractice {
        /// The base; 1.03 by default.
        base: f64,
    },
    /// exp[K (1/298.15 − 1/T)], T in K.
    Arrhenius {
        /// K at and above 25 degC, in kelvin.
        constant_k: f64,
        /// K below 25 degC, where it is another.
        constant_below_25degc_k: Option<f64>,
    },
    /// exp[K (1/298.15 − 1/T)], T in K, with K from the unit's own log: see [`crate::trend::fit_law`].
    Fitted {
        /// K, in kelvin: where the fit starts, or what it found.
        constant_k: f64,
    },
    /// Viscosity of water at 25 degC over viscosity at T.
    Viscosity,
    /// The maker's own table, with straight lines between its points.
    Table {
        /// Temperature in degC and factor.
        points: Vec<(f64, f64)>,
    },
}

/// The settings of a law, as a site file or a call gives them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LawSettings {
    /// Base of the standard practice.
    pub base: Option<f64>,
    /// K of Arrhenius, in kelvin.
    pub constant_k: Option<f64>,
    /// K of Arrhenius below 25 degC, in kelvin.
    pub constant_below_25degc_k: Option<f64>,
    /// Points of a table: temperature in degC, factor.
    pub table: Option<Vec<(f64, f64)>>,
}

impl Law {
    /// The names of the laws.
    pub const NAMES: [&'static str; 5] = [
        "standard-practice",
        "arrhenius",
        "fitted",
        "viscosity",
        "table",
    ];

    /// The law of this name with its settings.
    ///
    /// # Errors
    /// A [`Fault`] for a law that is not known, a setting that belongs to another law (it would be ignored) or is
    /// missing, or one out of its range.
    pub fn from_settings(name: &str, settings: LawSettings) -> Result<Self, Fault> {
        let LawSettings {
            base,
            constant_k,
            constant_below_25degc_k,
            table,
        } = settings;
        let given = [
            ("base", base.is_some(), "standard-practice"),
            ("constant", constant_k.is_some(), "arrhenius"),
            (
                "constant_below_25degC",
                constant_below_25degc_k.is_some(),
                "arrhenius",
            ),
            ("table", table.is_some(), "table"),
        ];
        if !Self::NAMES.contains(&name) {
            return Err(
                Fault::new("not a law", format!("one of: {}", Self::NAMES.join(", ")))
                    .at_column("law")
                    .with_value(name),
            );
        }
        if let Some((setting, _, owner)) = given.iter().find(|(setting, given, owner)| {
            // A fit may be told where to start.
            *given && *owner != name && (*setting, name) != ("constant", "fitted")
        }) {
            return Err(Fault::new(
                format!("belongs to the law \"{owner}\", not to \"{name}\""),
                "leave it out, or choose that law",
            )
            .at_column(*setting));
        }
        let bounded = |setting: &str, value: f64, (low, high): (f64, f64)| {
            if (low..=high).contains(&value) {
                return Ok(value);
            }
            Err(
                Fault::new("outside the allowed range", format!("{low} to {high}"))
                    .at_column(setting)
                    .with_value(value.to_string()),
            )
        };
        const BASE: (f64, f64) = (1.000_1, 1.2);
        const CONSTANT_K: (f64, f64) = (100.0, 20_000.0);
        match name {
            "standard-practice" => Ok(Self::StandardPractice {
                base: bounded("base", base.unwrap_or(Self::DEFAULT_BASE), BASE)?,
            }),
            "arrhenius" => {
                let constant = constant_k.ok_or_else(|| {
                    Fault::new("missing", "the maker's constant, such as \"2640 K\"")
                        .at_column("constant")
                })?;
                let below = constant_below_25degc_k
                    .map(|below| bounded("constant_below_25degC", below, CONSTANT_K))
                    .transpose()?;
                Ok(Self::Arrhenius {
                    constant_k: bounded("constant", constant, CONSTANT_K)?,
                    constant_below_25degc_k: below,
                })
            }
            "fitted" => Ok(Self::Fitted {
                constant_k: bounded(
                    "constant",
                    constant_k.unwrap_or(Self::FITTED_FROM_K),
                    CONSTANT_K,
                )?,
            }),
            "viscosity" => Ok(Self::Viscosity),
            _ => {
                let points = table.ok_or_else(|| {
                    Fault::new(
                        "missing",
                        "the maker's points, such as [[\"5 degC\", 0.52], [\"25 degC\", 1.0]]",
                    )
                    .at_column("table")
                })?;
                Self::table(points).map_err(|fault| fault.at_column("table"))
            }
        }
    }

    /// Where a fit starts, K: a constant that reproduces a public table of thin-film composites over 5 to 34 degC within
    /// 0.0012 (common practice, no source).
    pub const FITTED_FROM_K: f64 = 2700.0;
    /// The default base of the standard practice (ASTM D4516, from memory).
    pub const DEFAULT_BASE: f64 = 1.03;

    /// A table as a law.
    ///
    /// # Errors
    /// A [`Fault`] where temperatures or factors don't rise, or the factor at 25 degC isn't 1.
    pub fn table(points: Vec<(f64, f64)>) -> Result<Self, Fault> {
        if points.len() < 2 {
            return Err(Fault::new(
                "a table of fewer than two points",
                "two or more",
            ));
        }
        let finite = points
            .iter()
            .all(|(t, factor)| t.is_finite() && factor.is_finite() && *factor > 0.0);
        let rising = points
            .windows(2)
            .all(|pair| pair[0].0 < pair[1].0 && pair[0].1 < pair[1].1);
        if !finite || !rising {
            return Err(Fault::new(
                "temperatures and factors must both rise",
                "flow rises with temperature; some tables print the inverse: give 1/factor",
            ));
        }
        let law = Self::Table { points };
        let at_standard = law.unchecked(STANDARD_DEGC);
        if at_standard.is_nan() || (at_standard - 1.0).abs() > 0.01 {
            return Err(Fault::new(
                format!("the factor at 25 degC is {at_standard:.3}"),
                "the table must reach 25 degC and be 1 there",
            ));
        }
        Ok(law)
    }

    /// The temperatures for which the law holds, degC.
    pub fn range(&self) -> (f64, f64) {
        match self {
            Self::Table { points } => match (points.first(), points.last()) {
                (Some(first), Some(last)) => (first.0, last.0),
                _ => RANGE_DEGC,
            },
            _ => RANGE_DEGC,
        }
    }

    /// The factor at a temperature in degC; 1 at 25 degC.
    ///
    /// # Errors
    /// [`Error::Range`] outside [`Law::range`]. NaN in, NaN out.
    ///
    /// ```
    /// use brinemark::normalise::temperature::Law;
    /// let law = Law::StandardPractice { base: Law::DEFAULT_BASE };
    /// assert!((law.factor(12.0)? - 0.680951).abs() < 1e-6);
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn factor(&self, temperature_degc: f64) -> Result<f64, Error> {
        within("temperature", temperature_degc, self.range(), " degC")?;
        Ok(self.unchecked(temperature_degc))
    }

    /// The factor, where the caller has checked the range.
    fn unchecked(&self, temperature_degc: f64) -> f64 {
        self.factors(&[temperature_degc])[0]
    }

    /// K below 25 degC and from there up, in kelvin, of the laws that have it.
    fn constants(&self) -> (f64, f64) {
        match self {
            Self::Arrhenius {
                constant_k,
                constant_below_25degc_k,
            } => (constant_below_25degc_k.unwrap_or(*constant_k), *constant_k),
            Self::Fitted { constant_k } => (*constant_k, *constant_k),
            _ => (f64::NAN, f64::NAN),
        }
    }

    /// The factors of a block of readings, where the caller checks the range. One law to a loop, so that each
    /// loop is plain arithmetic.
    #[inline(always)]
    pub(crate) fn factors<T: Number, const N: usize>(&self, temperatures: &[T; N]) -> [T; N] {
        let mut factors = [T::constant(0.0); N];
        match self {
            Self::StandardPractice { base } => {
                let slope = Number::ln(*base);
                for i in 0..N {
                    factors[i] = ((temperatures[i] - STANDARD_DEGC) * slope).exp();
                }
            }
            Self::Arrhenius { .. } | Self::Fitted { .. } => {
                let (below, constant_k) = self.constants();
                let standard = 1.0 / (STANDARD_DEGC + ZERO_CELSIUS_K);
                for i in 0..N {
                    let t = temperatures[i];
                    let (below, above) = (T::constant(-below), T::constant(-constant_k));
                    let constant = t.choose_below(STANDARD_DEGC, below, above);
                    let colder = T::constant(1.0) / (t + ZERO_CELSIUS_K) - standard;
                    factors[i] = (colder * constant).exp();
                }
            }
            Self::Viscosity => {
                let standard = viscosity::unchecked(STANDARD_DEGC);
                for i in 0..N {
                    factors[i] = T::constant(standard) / temperatures[i].by(Viscosity);
                }
            }
            Self::Table { points } => {
                for i in 0..N {
                    factors[i] = temperatures[i].of_slope(|t| interpolate(points, t));
                }
            }
        }
        factors
    }

    /// The law in a line, with its source.
    pub fn describe(&self) -> String {
        match self {
            Self::StandardPractice { base } => {
                let source = if *base == Self::DEFAULT_BASE {
                    "default factor of ASTM D4516, from memory"
                } else {
                    "base given by the site file"
                };
                format!("{base}^(T − 25), T in degC ({source})")
            }
            Self::Arrhenius {
                constant_k,
                constant_below_25degc_k: None,
            } => format!("exp[{constant_k} (1/298.15 − 1/T)], T in K (constant given by the site file)"),
            Self::Arrhenius {
                constant_k,
                constant_below_25degc_k: Some(below),
            } => format!(
                "exp[K (1/298.15 − 1/T)], T in K, K = {constant_k} from 25 degC up and {below} below (constants given by the site file)"
            ),
            Self::Fitted { constant_k } => format!(
                "exp[{constant_k:.0} (1/298.15 − 1/T)], T in K (fitted to the unit's own log, which its trend tells more of)"
            ),
            Self::Viscosity => {
                "viscosity of water at 25 degC over viscosity at T (IAPWS R12-08, 0.1 MPa form of SR6-08)".into()
            }
            Self::Table { points } => {
                format!("table of {} points given by the site file, straight lines between", points.len())
            }
        }
    }
}

/// On straight lines between points, and their slope; NaN outside.
fn interpolate(points: &[(f64, f64)], t: f64) -> (f64, f64) {
    let outside = (f64::NAN, f64::NAN);
    // The pair of points around t; at a point itself the pair that ends there, at the first the one that starts there.
    let after = points.partition_point(|point| point.0 < t);
    let Some(upper) = points.get(after) else {
        return outside;
    };
    let other = match after.checked_sub(1) {
        Some(before) => points.get(before),
        None if upper.0 == t => points.get(1),
        None => None,
    };
    other.map_or(outside, |other| {
        let slope = (upper.1 - other.1) / (upper.0 - other.0);
        (upper.1 + slope * (t - upper.0), slope)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_is_followed_and_not_stretched() {
        let law = Law::table(vec![(5.0, 0.5), (25.0, 1.0), (30.0, 1.2)]).unwrap();
        assert_eq!(law.factor(15.0).unwrap(), 0.75);
        assert_eq!(law.factor(5.0).unwrap(), 0.5);
        assert_eq!(law.factor(30.0).unwrap(), 1.2);
        assert!(law.factor(4.9).is_err() && law.factor(30.1).is_err());
        assert!(law.factor(f64::NAN).unwrap().is_nan());
    }

    #[test]
    fn a_table_of_the_inverse_is_refused() {
        assert!(
            Law::table(vec![(15.0, 1.4), (25.0, 1.0)])
                .unwrap_err()
                .remedy
                .contains("inverse")
        );
        assert!(Law::table(vec![(5.0, 0.5), (15.0, 0.7)]).is_err());
        assert!(Law::table(vec![(25.0, 1.0)]).is_err());
    }
}
