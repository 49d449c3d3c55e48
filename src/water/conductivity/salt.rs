//! Dissolved salt from conductivity at 25 degC, and back.

use serde::Serialize;

use crate::error::{Error, Fault, within};
use crate::number::{Dual, Number};
use crate::water::osmotic::SeawaterAt;

/// A salt whose conductivity tells its amount.
///
/// mg/L per µS/cm rises with salinity, for sodium chloride from 0.46 to 0.68. So one factor for feed and permeate makes
/// rejection seem worse than it is:
///
/// ```
/// use brinemark::water::SaltCurve;
/// let (feed, permeate) = (4000.0, 40.0); // uS/cm
/// let rejection = |feed: f64, permeate: f64| 100.0 * (1.0 - permeate / feed);
/// assert_eq!(format!("{:.2}", rejection(feed, permeate)), "99.00");
/// assert_eq!(format!("{:.2}", rejection(0.55 * feed, 0.50 * permeate)), "99.09");
/// let curve = SaltCurve::SodiumChloride;
/// let by_salt = rejection(curve.tds(feed)?, curve.tds(permeate)?);
/// assert_eq!(format!("{by_salt:.2}"), "99.10");
/// # Ok::<(), brinemark::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SaltCurve {
    /// Sodium chloride by its equivalent conductivity.
    SodiumChloride,
    /// Sea salt by the Practical Salinity Scale 1978.
    Seawater,
}

/// Molar mass of sodium chloride, mg/mol.
const SODIUM_CHLORIDE_MG_MOL: f64 = 58_442.8;

impl SaltCurve {
    /// Every curve with its name in a site file.
    pub const NAMES: [(&'static str, Self); 2] = [
        ("sodium-chloride", Self::SodiumChloride),
        ("seawater", Self::Seawater),
    ];

    /// The curve of this name.
    ///
    /// # Errors
    /// A [`Fault`] for a name that is not one of [`SaltCurve::NAMES`].
    pub fn from_name(name: &str) -> Result<Self, Fault> {
        let found = Self::NAMES.iter().find(|(known, _)| *known == name);
        found.map(|(_, curve)| *curve).ok_or_else(|| {
            let names = Self::NAMES.map(|(name, _)| name);
            Fault::new("not a choice", format!("one of: {}", names.join(", ")))
                .at_column("basis")
                .with_value(name)
        })
    }

    /// Its name in a site file.
    pub fn name(self) -> &'static str {
        match self {
            Self::SodiumChloride => "sodium-chloride",
            Self::Seawater => "seawater",
        }
    }

    /// Its source, in a line.
    pub fn describe(self) -> &'static str {
        match self {
            Self::SodiumChloride => {
                "sodium chloride by its equivalent conductivity at 25 degC (CRC Handbook of Chemistry and Physics, from memory)"
            }
            Self::Seawater => {
                "sea salt by the Practical Salinity Scale 1978 at 25 degC, below salinity 2 as extended by Hill et al. 1986"
            }
        }
    }

    /// Conductivities at 25 degC for which it is valid, µS/cm: to 1 mol/L of sodium chloride; of sea salt to practical
    /// salinity 42, and from 100 µS/cm. There the scale's extension still meets the ions' own conductivities; at 50
    /// µS/cm it is 3 % and at 20 µS/cm 14 % too low (own calculation).
    pub fn conductivity_range_us_cm(self) -> (f64, f64) {
        match self {
            Self::SodiumChloride => (0.0, sodium_chloride_conductivity(1.0)),
            Self::Seawater => (100.0, 62_358.0),
        }
    }

    /// Salt for which it is valid, mg/L: what the conductivities of [`SaltCurve::conductivity_range_us_cm`] stand for.
    pub fn tds_range_mg_l(self) -> (f64, f64) {
        match self {
            Self::SodiumChloride => (0.0, SODIUM_CHLORIDE_MG_MOL),
            Self::Seawater => {
                let (low, high) = self.conductivity_range_us_cm();
                (seawater_tds(low), seawater_tds(high))
            }
        }
    }

    /// Dissolved salt, mg/L, from conductivity at 25 degC in µS/cm.
    ///
    /// Sodium chloride: κ = 1000 Λ c, Λ = 126.39 − 90.09 √c + 116.97 c − 103.34 c^1.5 + 35.86 c² S cm2/mol, c in mol/L:
    /// a fit to the handbook's table that meets each of its values to 0.03 %. Seawater: practical salinity, as g/kg by
    /// 35.16504/35, as mg/L by [`seawater_density`](crate::water::seawater_density).
    ///
    /// Source: equivalent conductivities at 25 degC, CRC Handbook of Chemistry and Physics, and for 0.2 to 1 mol/L
    /// Robinson and Stokes, Electrolyte Solutions, appendix 6.3 (both from memory); UNESCO Technical Papers in Marine
    /// Science 37 (1981); K. D. Hill, T. M. Dauphinee and D. J. Woods, IEEE J. Oceanic Eng. 11 (1986) 109, joined at
    /// salinity 2 as in TEOS-10.
    ///
    /// # Errors
    /// [`Error::Range`] outside [`SaltCurve::conductivity_range_us_cm`]. NaN in, NaN out.
    ///
    /// ```
    /// use brinemark::water::SaltCurve;
    /// assert!((SaltCurve::Seawater.tds(53_071.0)? - 35_986.0).abs() < 1.0);
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn tds(self, conductivity_25_us_cm: f64) -> Result<f64, Error> {
        let range = self.conductivity_range_us_cm();
        within("conductivity", conductivity_25_us_cm, range, " uS/cm")?;
        Ok(self.tds_and_slope(conductivity_25_us_cm).0)
    }

    /// Conductivity at 25 degC, µS/cm, from dissolved salt in mg/L: [`SaltCurve::tds`] undone, to 1e-9.
    ///
    /// # Errors
    /// [`Error::Range`] outside [`SaltCurve::tds_range_mg_l`]. NaN in, NaN out.
    pub fn conductivity(self, tds_mg_l: f64) -> Result<f64, Error> {
        within("tds", tds_mg_l, self.tds_range_mg_l(), " mg/L")?;
        Ok(match self {
            Self::SodiumChloride => sodium_chloride_conductivity(tds_mg_l / SODIUM_CHLORIDE_MG_MOL),
            Self::Seawater => undo(seawater_tds, tds_mg_l, self.conductivity_range_us_cm()),
        })
    }

    /// Dissolved salt, mg/L, and how it changes with conductivity at 25 degC; NaN outside the range.
    pub(crate) fn tds_and_slope(self, conductivity_25_us_cm: f64) -> (f64, f64) {
        let (low, high) = self.conductivity_range_us_cm();
        if !(low..=high).contains(&conductivity_25_us_cm) {
            return (f64::NAN, f64::NAN);
        }
        match self {
            Self::SodiumChloride => {
                let molarity = undo(
                    sodium_chloride_conductivity,
                    conductivity_25_us_cm,
                    (0.0, 1.0),
                );
                let there = sodium_chloride_conductivity(Dual::<1>::variable(molarity, 0));
                (
                    molarity * SODIUM_CHLORIDE_MG_MOL,
                    SODIUM_CHLORIDE_MG_MOL / there.slopes[0],
                )
            }
            Self::Seawater => {
                let found = seawater_tds(Dual::<1>::variable(conductivity_25_us_cm, 0));
                (found.value, found.slopes[0])
            }
        }
    }
}

/// µS/cm of sodium chloride at 25 degC, from mol/L.
fn sodium_chloride_conductivity<T: Number>(molarity: T) -> T {
    let root = molarity.sqrt();
    let equivalent = root * 35.86 - 103.34;
    let equivalent = equivalent * root + 116.97;
    let equivalent = equivalent * root - 90.09;
    let equivalent = equivalent * root + 126.39;
    molarity * equivalent * 1e3
}

/// mg/L of sea salt, from µS/cm at 25 degC.
fn seawater_tds<T: Number>(conductivity: T) -> T {
    let salinity = practical_salinity(conductivity) * (35.165_04 / 35.0);
    salinity * SeawaterAt::new(T::constant(25.0)).density(salinity)
}

/// Practical salinity from µS/cm at 25 degC and atmospheric pressure.
fn practical_salinity<T: Number>(conductivity: T) -> T {
    const A: [f64; 6] = [0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081];
    const B: [f64; 6] = [0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144];
    const C: [f64; 5] = [
        0.676_609_7,
        2.005_64e-2,
        1.104_259e-4,
        -6.9698e-7,
        1.0031e-9,
    ];
    // Of standard seawater, salinity 35, at 15 degC (F. Culkin and N. D. Smith, IEEE J. Oceanic Eng. 5 (1980) 22).
    const STANDARD_US_CM: f64 = 42_914.0;
    // The scale's own temperature scale, IPTS-68.
    let temperature = 25.0 * 1.000_24;
    let warmer = (temperature - 15.0) / (1.0 + 0.0162 * (temperature - 15.0));
    let ratio_of_standard = C.iter().rev().fold(0.0, |sum, c| sum * temperature + c);
    let ratio = conductivity / (STANDARD_US_CM * ratio_of_standard);
    let root = ratio.sqrt();
    let mut salinity = T::constant(0.0);
    for (a, b) in A.iter().zip(B).rev() {
        salinity = salinity * root + (a + warmer * b);
    }
    // What the scale's polynomial lacks in the dilute, and the factor that joins both at salinity 2, at 25 degC.
    const JOIN: f64 = 1.000_076_483_096_847_6;
    let x = ratio * 400.0;
    let y = root * 10.0;
    let first = T::constant(A[0]) / (x * (x + 1.5) + 1.0);
    let second = T::constant(B[0] * warmer) / (y * (y * (y + 1.0) + 1.0) + 1.0);
    salinity.choose_below(2.0, (salinity - first - second) * JOIN, salinity)
}

/// Where a rising function takes a value, between two places: Newton's steps, or half the way where one would leave
/// them.
fn undo(function: impl Fn(Dual<1>) -> Dual<1>, value: f64, (low, high): (f64, f64)) -> f64 {
    if value.is_nan() {
        return value;
    }
    // Exact where there is no salt at all.
    if value == function(Dual::constant(low)).value {
        return low;
    }
    let (mut low, mut high) = (low, high);
    let mut at = 0.5 * (low + high);
    for _ in 0..100 {
        let there = function(Dual::variable(at, 0));
        if there.value < value {
            low = at;
        } else {
            high = at;
        }
        let step = at - (there.value - value) / there.slopes[0];
        let next = if (low..=high).contains(&step) {
            step
        } else {
            0.5 * (low + high)
        };
        if (next - at).abs() <= 1e-15 * high {
            return next;
        }
        at = next;
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_handbook_is_met() {
        // mol/L and S cm2/mol at 25 degC: CRC Handbook of Chemistry and Physics, and from 0.2 mol/L Robinson and Stokes
        // (from memory).
        for (molarity, equivalent) in [
            (0.0005, 124.44),
            (0.001, 123.68),
            (0.005, 120.59),
            (0.01, 118.45),
            (0.02, 115.70),
            (0.05, 111.01),
            (0.1, 106.69),
            (0.2, 101.7),
            (0.5, 93.6),
            (1.0, 85.8),
        ] {
            let found = sodium_chloride_conductivity(molarity) / (1e3 * molarity);
            assert!(
                (found / equivalent - 1.0).abs() < 3e-4,
                "{molarity}: {found}"
            );
        }
    }

    #[test]
    fn the_two_scales_join_at_salinity_2() {
        let at = undo(practical_salinity, 2.0 + 1e-9, (1000.0, 10_000.0));
        let (below, above) = (
            practical_salinity(at * (1.0 - 1e-7)),
            practical_salinity(at),
        );
        assert!((above - below).abs() < 1e-6, "{below} {above}");
    }

    #[test]
    fn in_the_dilute_sea_salt_conducts_as_its_ions() {
        // Limits at 25 degC, S cm2/mol of charge (CRC Handbook of Chemistry and Physics, from memory), with the shares
        // of standard seawater's charges; Λ falls with 60.2 + 0.229 Λ by the root of the charges in mol/L (Onsager), so
        // far as 1:1.
        let cations = 0.7734 * 50.08 + 0.1742 * 53.0 + 0.0340 * 59.47 + 0.0168 * 73.48;
        let anions = 0.9023 * 76.31 + 0.0931 * 80.0 + 0.0046 * 44.5;
        let limit = cations + anions;
        let (tds, _) = SaltCurve::Seawater.tds_and_slope(100.0);
        let charges = tds / 58_050.0;
        let expected = 1e3 * charges * (limit - (60.2 + 0.229 * limit) * charges.sqrt());
        assert!((expected / 100.0 - 1.0).abs() < 0.01, "{expected}");
    }

    #[test]
    fn ends_are_within_and_beyond_is_nothing() {
        for (name, curve) in SaltCurve::NAMES {
            assert_eq!(curve.name(), name);
            let (low, high) = curve.conductivity_range_us_cm();
            let (least, most) = curve.tds_range_mg_l();
            for (conductivity, tds) in [(low, least), (high, most)] {
                let found = curve.tds(conductivity).expect("salt");
                assert!((found - tds).abs() <= 1e-9 * tds);
                let back = curve.conductivity(tds).expect("a conductivity");
                assert!((back - conductivity).abs() <= 1e-9 * conductivity);
            }
            assert!(curve.tds(high + 1.0).is_err() && curve.tds(low - 1.0).is_err());
            assert!(curve.tds_and_slope(high + 1.0).0.is_nan());
            assert!(curve.tds(f64::NAN).is_ok_and(f64::is_nan));
            assert!(curve.conductivity(f64::NAN).is_ok_and(f64::is_nan));
        }
    }

    proptest! {
        #[test]
        fn back_and_forth(conductivity in 100.0..62_000.0_f64) {
            for (_, curve) in SaltCurve::NAMES {
                let tds = curve.tds(conductivity).unwrap();
                let back = curve.conductivity(tds).unwrap();
                prop_assert!((back / conductivity - 1.0).abs() < 1e-9, "{curve:?} {back}");
            }
        }

        #[test]
        fn slopes_are_those_of_differences(conductivity in 110.0..61_000.0_f64) {
            for (_, curve) in SaltCurve::NAMES {
                let step = 1e-4 * conductivity;
                let (more, _) = curve.tds_and_slope(conductivity + step);
                let (less, _) = curve.tds_and_slope(conductivity - step);
                let (_, slope) = curve.tds_and_slope(conductivity);
                prop_assert!(slope > 0.0);
                prop_assert!(((more - less) / (2.0 * step) / slope - 1.0).abs() < 1e-4);
            }
        }

        #[test]
        fn weak_sodium_chloride_too(conductivity in 0.0..100.0_f64) {
            let curve = SaltCurve::SodiumChloride;
            let back = curve.conductivity(curve.tds(conductivity).unwrap()).unwrap();
            prop_assert!((back - conductivity).abs() <= 1e-9 * conductivity);
        }
    }
}
