//! Conductivity at 25 degC from that at another temperature.

use super::RANGE_US_CM;
use crate::error::{Error, Fault, within};

/// How conductivity is brought to 25 degC.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Compensation {
    /// κ25 = κ/[1 + α (t − 25)].
    Linear {
        /// α, a degC: 0.019 to 0.021 for natural waters and sodium chloride near 25 degC (from memory).
        alpha_per_degc: f64,
    },
    /// κ25 = f κ, f by the table of ISO 7888 (EN 27888) for natural waters, straight lines between its degrees.
    Iso7888,
}

/// f of ISO 7888:1985 (EN 27888) at 0, 1, … 35 degC, as reprinted: natural waters of about 60 to 1000 µS/cm.
const ISO_7888: [f64; 36] = [
    1.918, 1.857, 1.800, 1.745, 1.693, 1.643, 1.596, 1.551, 1.508, 1.467, 1.428, 1.390, 1.354,
    1.320, 1.287, 1.256, 1.225, 1.196, 1.168, 1.141, 1.116, 1.091, 1.067, 1.044, 1.021, 1.000,
    0.979, 0.959, 0.940, 0.921, 0.903, 0.886, 0.869, 0.853, 0.837, 0.822,
];

impl Compensation {
    /// The names of the methods.
    pub const NAMES: [&'static str; 2] = ["linear", "iso-7888"];
    /// Bounds of α, a degC: beyond them no salt of natural waters lies (common practice, no source).
    pub const ALPHA_RANGE_PER_DEGC: (f64, f64) = (0.01, 0.03);

    /// The method of this name with its setting.
    ///
    /// # Errors
    /// A [`Fault`] for a method that is not known, an α that is missing, out of its range, or given to the method that
    /// has none (it would be ignored).
    pub fn from_settings(name: &str, alpha_per_degc: Option<f64>) -> Result<Self, Fault> {
        let (low, high) = Self::ALPHA_RANGE_PER_DEGC;
        match (name, alpha_per_degc) {
            ("linear", Some(alpha)) if (low..=high).contains(&alpha) => Ok(Self::Linear {
                alpha_per_degc: alpha,
            }),
            ("linear", Some(alpha)) => Err(Fault::new(
                "outside the allowed range",
                format!("{low} to {high} per degC"),
            )
            .at_column("alpha_per_degc")
            .with_value(alpha.to_string())),
            ("linear", None) => Err(Fault::new(
                "missing",
                "the meter's own setting, such as 0.02 (2 % a degC)",
            )
            .at_column("alpha_per_degc")),
            ("iso-7888", None) => Ok(Self::Iso7888),
            ("iso-7888", Some(_)) => Err(Fault::new(
                "belongs to the method \"linear\", not to \"iso-7888\"",
                "leave it out, or choose that method",
            )
            .at_column("alpha_per_degc")),
            _ => Err(Fault::new(
                "not a method",
                format!("one of: {}", Self::NAMES.join(", ")),
            )
            .at_column("method")
            .with_value(name)),
        }
    }

    /// Temperatures for which it is valid, degC: ISO 7888 by its table, the straight line by common practice (no
    /// source).
    pub fn temperature_range_degc(self) -> (f64, f64) {
        match self {
            Self::Linear { .. } => (0.0, 50.0),
            Self::Iso7888 => (0.0, 35.0),
        }
    }

    /// Conductivity at 25 degC, µS/cm, from that at a temperature in degC.
    ///
    /// The straight line with 0.0191 a degC is up to 2 % below the table of ISO 7888 between 5 and 15 degC: at 5 degC
    /// it divides by 0.618, where the table multiplies by 1.643.
    ///
    /// Source: linear, common practice (Standard Methods 2510 takes α = 0.0191, from memory); ISO 7888:1985.
    ///
    /// # Errors
    /// [`Error::Range`] outside 0 to 1 000 000 µS/cm or [`Compensation::temperature_range_degc`]. NaN in, NaN out.
    ///
    /// ```
    /// use brinemark::water::Compensation;
    /// let linear = Compensation::Linear { alpha_per_degc: 0.0191 };
    /// assert!((linear.at_25(500.0, 5.0)? - 809.06).abs() < 0.01);
    /// assert_eq!(Compensation::Iso7888.at_25(500.0, 5.0)?, 821.5);
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn at_25(self, conductivity_us_cm: f64, temperature_degc: f64) -> Result<f64, Error> {
        within("conductivity", conductivity_us_cm, RANGE_US_CM, " uS/cm")?;
        within(
            "temperature",
            temperature_degc,
            self.temperature_range_degc(),
            " degC",
        )?;
        Ok(match self {
            Self::Linear { alpha_per_degc } => {
                conductivity_us_cm / (1.0 + alpha_per_degc * (temperature_degc - 25.0))
            }
            Self::Iso7888 => conductivity_us_cm * iso_7888(temperature_degc),
        })
    }
}

/// Within 0 to 35 degC, or NaN.
fn iso_7888(temperature_degc: f64) -> f64 {
    let lower = (temperature_degc.floor() as usize).min(ISO_7888.len() - 2);
    let part = temperature_degc - lower as f64;
    // The upper value comes out exactly where the part is 1.
    ISO_7888[lower] * (1.0 - part) + ISO_7888[lower + 1] * part
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_table_is_met_exactly() {
        for (degree, factor) in ISO_7888.iter().enumerate() {
            assert_eq!(iso_7888(degree as f64), *factor);
        }
        assert!((iso_7888(4.5) - 0.5 * (1.693 + 1.643)).abs() < 1e-12);
        assert!(Compensation::Iso7888.at_25(500.0, 35.1).is_err());
        assert!(
            Compensation::Iso7888
                .at_25(500.0, f64::NAN)
                .expect("NaN")
                .is_nan()
        );
    }

    #[test]
    fn settings_are_those_of_the_method() {
        let fault = |name, alpha| {
            Compensation::from_settings(name, alpha)
                .expect_err("a fault")
                .to_string()
        };
        assert!(fault("linear", None).contains("missing"));
        assert!(fault("linear", Some(2.0)).contains("0.01 to 0.03"));
        assert!(fault("linear", Some(f64::NAN)).contains("0.01 to 0.03"));
        assert!(fault("iso-7888", Some(0.02)).contains("belongs to the method"));
        assert!(fault("cubic", None).contains("linear, iso-7888"));
    }

    proptest! {
        #[test]
        fn at_25_degrees_nothing_changes(conductivity in 0.0..1e5_f64, alpha in 0.01..0.03_f64) {
            let linear = Compensation::Linear { alpha_per_degc: alpha };
            prop_assert_eq!(linear.at_25(conductivity, 25.0).unwrap(), conductivity);
            prop_assert_eq!(Compensation::Iso7888.at_25(conductivity, 25.0).unwrap(), conductivity);
        }

        #[test]
        fn both_agree_near_25_degrees(temperature in 20.0..30.0_f64) {
            let linear = Compensation::Linear { alpha_per_degc: 0.02 };
            let ratio = linear.at_25(500.0, temperature).unwrap()
                / Compensation::Iso7888.at_25(500.0, temperature).unwrap();
            prop_assert!((ratio - 1.0).abs() < 0.01, "{ratio}");
        }
    }
}
