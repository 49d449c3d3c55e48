//! Potassium chloride, by which conductivity meters are calibrated.

use crate::error::{Error, Fault, within};

/// Temperature in degC and conductivity in µS/cm.
type Points = &'static [(f64, f64)];

/// The primary standards, by mol of potassium chloride a kg of water.
const STANDARDS: [(f64, Points); 3] = [
    (
        0.01,
        &[
            (0.0, 772.92),
            (5.0, 890.96),
            (10.0, 1013.95),
            (15.0, 1141.45),
            (18.0, 1219.93),
            (20.0, 1273.03),
            (25.0, 1408.23),
            (30.0, 1546.63),
            (35.0, 1687.79),
        ],
    ),
    (
        0.1,
        &[
            (5.0, 8183.70),
            (15.0, 10_437.1),
            (20.0, 11_615.9),
            (25.0, 12_824.6),
            (30.0, 14_059.2),
            (35.0, 15_316.0),
        ],
    ),
    (1.0, &[(25.0, 108_620.0)]),
];

/// Conductivity of a potassium chloride standard, µS/cm, from its molality in mol/kg, at a temperature in degC.
///
/// The tabulated value where there is one; between, the cubic through the four nearest. 0.01 mol/kg: 0 to 35 degC; 0.1
/// mol/kg: 5 to 35 degC; 1 mol/kg: 25 degC alone. The conductivity of water with air's carbon dioxide (1.10 µS/cm at 25
/// degC) is already taken off; a meter shows it in addition. Accuracy: the standards' own 0.03 to 0.04 % in the table;
/// leaving out one of its values, the cubic finds it again within 0.05 %.
///
/// Source: K. W. Pratt et al., Pure Appl. Chem. 73 (2001) 1783, and Y. C. Wu, W. F. Koch and K. W. Pratt (NIST), as in
/// the CRC Handbook of Chemistry and Physics, "Standard solutions for calibrating conductivity cells"; ITS-90.
///
/// # Errors
/// [`Error::Range`] outside the temperatures of that standard, [`Error::Site`] for a molality that is no standard.
/// NaN in, NaN out.
///
/// ```
/// let standard = brinemark::water::potassium_chloride_conductivity(0.01, 25.0)?;
/// assert_eq!(standard, 1408.23);
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn potassium_chloride_conductivity(molality: f64, temperature_degc: f64) -> Result<f64, Error> {
    if molality.is_nan() || temperature_degc.is_nan() {
        return Ok(f64::NAN);
    }
    let Some((_, points)) = STANDARDS.iter().find(|(known, _)| *known == molality) else {
        let fault = Fault::new("not a standard", "one of: 0.01, 0.1, 1 mol/kg");
        let fault = fault
            .at_column("molality")
            .with_value(format!("{molality} mol/kg"));
        return Err(Error::Site(fault.into()));
    };
    let (first, last) = (points[0].0, points[points.len() - 1].0);
    within("temperature", temperature_degc, (first, last), " degC")?;
    Ok(cubic(points, temperature_degc))
}

/// Lagrange's polynomial through the four points nearest, or through all where there are fewer.
fn cubic(points: &[(f64, f64)], at: f64) -> f64 {
    let above = points.partition_point(|(t, _)| *t < at);
    let first = above.saturating_sub(2).min(points.len().saturating_sub(4));
    let near = &points[first..points.len().min(first + 4)];
    near.iter()
        .map(|(t, value)| {
            let others = near.iter().filter(|(other, _)| other != t);
            value
                * others
                    .map(|(other, _)| (at - other) / (t - other))
                    .product::<f64>()
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_is_met() {
        for (molality, points) in STANDARDS {
            for (temperature, expected) in points {
                let found = potassium_chloride_conductivity(molality, *temperature);
                assert_eq!(found, Ok(*expected));
            }
        }
    }

    #[test]
    fn what_is_left_out_is_found_again() {
        for (_, points) in &STANDARDS[..2] {
            // Not next to an end, where no cubic could know.
            for at in 2..points.len() - 2 {
                let mut others = points.to_vec();
                let (temperature, expected) = others.remove(at);
                let found = cubic(&others, temperature);
                assert!(
                    (found / expected - 1.0).abs() < 5e-4,
                    "{temperature}: {found}"
                );
            }
        }
    }

    #[test]
    fn other_strengths_and_temperatures_are_refused() {
        let refused = |molality, temperature| {
            potassium_chloride_conductivity(molality, temperature)
                .expect_err("a refusal")
                .to_string()
        };
        assert!(refused(0.02, 25.0).contains("0.01, 0.1, 1 mol/kg"));
        assert!(refused(0.1, 4.0).contains("5 to 35 degC"));
        assert!(refused(1.0, 20.0).contains("25 to 25 degC"));
        let nothing = potassium_chloride_conductivity(0.01, f64::NAN);
        assert!(nothing.is_ok_and(f64::is_nan));
        assert!(potassium_chloride_conductivity(1.0, f64::NAN).is_ok_and(f64::is_nan));
    }
}
