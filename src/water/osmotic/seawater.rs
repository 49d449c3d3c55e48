//! Sea salt, by the salt part of the Gibbs function of seawater.

use super::Salt;
use crate::error::{Error, within};
use crate::number::Number;
use crate::water::density;

/// Salinities for which the Gibbs function is valid at atmospheric pressure, g of salt a kg of seawater.
pub const SALINITY_RANGE_G_KG: (f64, f64) = (0.0, 120.0);
/// Temperatures for which it is taken, degC. It is valid to 80 degC; no membrane meets more than 50.
pub const TEMPERATURE_RANGE_DEGC: (f64, f64) = (0.0, 50.0);
/// Salt content for which it is valid, mg/L: 120 g/kg where that is least, at 50 degC, rounded down.
pub const TDS_RANGE_MG_L: (f64, f64) = (0.0, 128_000.0);

/// Sea salt.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Seawater;

impl Salt for Seawater {
    type At<T: Number> = SeawaterAt<T>;

    #[inline(always)]
    fn at<T: Number>(self, temperature_degc: T) -> SeawaterAt<T> {
        SeawaterAt::new(temperature_degc)
    }

    #[inline(always)]
    fn osmotic_pressure<T: Number>(at: &SeawaterAt<T>, tds_mg_l: T) -> T {
        at.osmotic_pressure(at.salinity(tds_mg_l))
    }

    #[inline(always)]
    fn map<T: Number, U: Number>(at: &SeawaterAt<T>, of: impl Fn(&T) -> U) -> SeawaterAt<U> {
        SeawaterAt {
            water_m3_kg: of(&at.water_m3_kg),
            logarithmic: of(&at.logarithmic),
            energy: at.energy.each_ref().map(&of),
            volume: at.volume.each_ref().map(&of),
        }
    }
}

/// Seawater at one temperature: the coefficients of the salt part of the Gibbs function, J/kg, and of its derivative
/// by pressure, m3/kg, at atmospheric pressure.
///
/// With x² = S/(40 × 35.16504/35 g/kg), y = t/(40 degC) and z = p/(1e8 Pa), the salt part is
/// x² ln x (5812.8… + 851.2… y) + Σ gᵢ xⁱ, i from 2 to 7, each gᵢ a polynomial in y and z.
#[derive(Clone, Copy)]
pub(crate) struct SeawaterAt<T> {
    water_m3_kg: T,
    logarithmic: T,
    energy: [T; 5],
    volume: [T; 4],
}

/// Coefficients from the constant upwards.
#[inline(always)]
fn polynomial<T: Number, const N: usize>(y: T, coefficients: [f64; N]) -> T {
    let mut sum = T::constant(0.0);
    for coefficient in coefficients.into_iter().rev() {
        sum = sum * y + coefficient;
    }
    sum
}

/// x² for a g/kg.
const SQUARE: f64 = 35.0 / (40.0 * 35.165_04);

impl<T: Number> SeawaterAt<T> {
    #[inline(always)]
    pub fn new(temperature_degc: T) -> Self {
        let y = temperature_degc * 0.025;
        Self {
            water_m3_kg: T::constant(1.0) / density::unchecked(temperature_degc),
            logarithmic: polynomial(y, [5_812.814_566_267_32, 851.226_734_946_706]),
            energy: [
                polynomial(
                    y,
                    [
                        -2_432.146_623_817_94,
                        -493.407_510_141_682,
                        -43.066_467_597_804_2,
                        -10.022_737_086_187_5,
                        0.875_600_661_808_945,
                    ],
                ),
                polynomial(
                    y,
                    [
                        2_025.801_156_036_97,
                        543.835_333_000_098,
                        -68.557_250_920_449_1,
                        49.366_769_485_625_4,
                        -17.139_757_741_978_8,
                        2.496_970_095_695_08,
                    ],
                ),
                polynomial(y, [-1_091.668_410_429_67, -196.028_306_689_776]),
                polynomial(y, [374.601_237_877_84, 36.757_162_299_580_5]),
                polynomial(y, [-48.589_106_902_540_9]),
            ],
            volume: [
                polynomial(
                    y,
                    [
                        -3_310.491_540_448_39e-8,
                        729.116_529_735_046e-8,
                        -860.764_303_783_977e-8,
                        694.244_814_133_268e-8,
                        -297.728_741_987_187e-8,
                    ],
                ),
                polynomial(
                    y,
                    [
                        199.459_603_073_901e-8,
                        -175.292_041_186_547e-8,
                        383.058_066_002_476e-8,
                        -460.319_931_801_257e-8,
                        234.565_187_611_355e-8,
                    ],
                ),
                polynomial(y, [-54.791_913_353_288_7e-8, -22.668_355_851_282_9e-8]),
                polynomial(y, [36.028_419_561_108_6e-8]),
            ],
        }
    }

    /// Volume, m3/kg, that each g/kg of salt adds to that of water.
    #[inline(always)]
    fn volume_of_salt(&self, root: T) -> T {
        let [second, third, fourth, fifth] = self.volume;
        (second + root * (third + root * (fourth + root * fifth))) * SQUARE
    }

    /// kg/m3.
    #[inline(always)]
    pub fn density(&self, salinity_g_kg: T) -> T {
        let root = (salinity_g_kg * SQUARE).sqrt();
        T::constant(1.0) / (self.water_m3_kg + salinity_g_kg * self.volume_of_salt(root))
    }

    /// g of salt a kg of seawater, from mg a litre.
    ///
    /// C = S/v(S), v almost straight in S: solved by putting the last S into what bends it. Each step gains two
    /// digits; three leave 1e-8 at 120 g/kg.
    #[inline(always)]
    pub fn salinity(&self, tds_mg_l: T) -> T {
        let mut root = T::constant(0.0);
        let mut salinity = tds_mg_l;
        for _ in 0..4 {
            salinity = tds_mg_l * self.water_m3_kg / (-tds_mg_l * self.volume_of_salt(root) + 1.0);
            root = (salinity * SQUARE).sqrt();
        }
        salinity
    }

    /// Osmotic pressure, bar: the pressure that gives the water in seawater the chemical potential of pure water.
    ///
    /// The potential is lowered by −(g − S dg/dS); each gᵢ xⁱ adds (i/2 − 1) gᵢ xⁱ to that. Pressure raises it by the
    /// partial volume of the water, v − S dv/dS, which the pressure itself makes smaller.
    #[inline(always)]
    pub fn osmotic_pressure(&self, salinity_g_kg: T) -> T {
        // Compressibility of water, a bar, at 20 to 30 degC (common practice, no source). The correction is 0.06 % in
        // seawater: that it varies by a tenth over 0 to 50 degC is nothing.
        const COMPRESSIBILITY_PER_BAR: f64 = 4.6e-5;
        let square = salinity_g_kg * SQUARE;
        let root = square.sqrt();
        let [third, fourth, fifth, sixth, seventh] = self.energy;
        let series = sixth * 2.0 + root * (seventh * 2.5);
        let series = fifth * 1.5 + root * series;
        let series = third * 0.5 + root * (fourth + root * series);
        let lowering = square * (self.logarithmic * 0.5 + root * series);
        let [_, third, fourth, fifth] = self.volume;
        let volume_of_water = self.water_m3_kg
            - square * root * (third * 0.5 + root * (fourth + root * (fifth * 1.5)));
        let unpressed = lowering / volume_of_water * 1e-5;
        unpressed * (unpressed * (0.5 * COMPRESSIBILITY_PER_BAR) + 1.0)
    }
}

fn check(salinity_g_kg: f64, temperature_degc: f64) -> Result<(), Error> {
    within("salinity", salinity_g_kg, SALINITY_RANGE_G_KG, " g/kg")?;
    within(
        "temperature",
        temperature_degc,
        TEMPERATURE_RANGE_DEGC,
        " degC",
    )
}

/// Osmotic pressure of seawater, bar, from its absolute salinity, g of salt a kg of seawater, at a temperature in degC.
///
/// π = −(g − S ∂g/∂S)/v_w, with the salt part g of the Gibbs function of seawater and the partial volume v_w of the
/// water in it, which holds from no salt at all. Accuracy: within 0.02 % of the reference library over 10 to 70 g/kg
/// and 5 to 35 degC (`tests/published/teos-10-seawater.toml`), within 0.03 % over its whole range.
///
/// Source: IAPWS R13-08, the salt part of the Gibbs function, eq. 4 and its table of coefficients (R. Feistel, Deep-Sea
/// Res. I 55 (2008) 1639), rescaled as in the open toolbox of TEOS-10; its range, to 120 g/kg and 80 degC at
/// atmospheric pressure, from memory.
///
/// # Errors
/// [`Error::Range`] outside 0 to 120 g/kg or 0 to 50 degC. NaN in, NaN out.
///
/// ```
/// let pressure = brinemark::water::seawater_osmotic_pressure(35.165, 25.0)?;
/// assert!((pressure - 25.92).abs() < 0.01);
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn seawater_osmotic_pressure(salinity_g_kg: f64, temperature_degc: f64) -> Result<f64, Error> {
    check(salinity_g_kg, temperature_degc)?;
    Ok(SeawaterAt::new(temperature_degc).osmotic_pressure(salinity_g_kg))
}

/// Density of seawater, kg/m3, from its absolute salinity, g of salt a kg of seawater, at a temperature in degC and
/// atmospheric pressure.
///
/// ρ = 1/(1/ρ of water + ∂g/∂p), g the salt part of the Gibbs function of seawater. Accuracy: within 1e-5 of the
/// reference library; above 70 g/kg and 40 degC it and another correlation (Sharqawy, Lienhard and Zubair,
/// Desal. Water Treat. 16 (2010) 354, eq. 8, from memory) are up to 0.2 % apart.
///
/// Source: as [`seawater_osmotic_pressure`]; water by G. S. Kell (see [`density`](fn@crate::water::density)).
///
/// # Errors
/// [`Error::Range`] outside 0 to 120 g/kg or 0 to 50 degC. NaN in, NaN out.
///
/// ```
/// let density = brinemark::water::seawater_density(35.165, 25.0)?;
/// assert!((density - 1023.34).abs() < 0.01);
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn seawater_density(salinity_g_kg: f64, temperature_degc: f64) -> Result<f64, Error> {
    check(salinity_g_kg, temperature_degc)?;
    Ok(SeawaterAt::new(temperature_degc).density(salinity_g_kg))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn salinity_undoes_density(salinity in 0.0..120.0_f64, temperature in 0.0..50.0_f64) {
            let water = SeawaterAt::new(temperature);
            let back = water.salinity(salinity * water.density(salinity));
            prop_assert!((back - salinity).abs() <= 1e-8 * salinity, "{back}");
        }

        #[test]
        fn more_salt_more_pressure(salinity in 0.0..119.0_f64, temperature in 0.0..50.0_f64) {
            let water = SeawaterAt::new(temperature);
            prop_assert!(water.osmotic_pressure(salinity + 0.5) > water.osmotic_pressure(salinity));
        }
    }

    #[test]
    fn no_salt_no_pressure_and_no_break() {
        let water = SeawaterAt::new(20.0);
        assert_eq!(water.osmotic_pressure(0.0), 0.0);
        // The limit of no salt: each gram as 1/31.40 mol of ions (molar mass 31.4038 g/mol, Millero et al., Deep-Sea
        // Res. I 55 (2008) 50), so that π/S = R T ρ/31.4038.
        let limit = 8.314_462_618 * 293.15 * 0.998_2 / 31.403_8 * 0.01;
        assert!((water.osmotic_pressure(1e-6) / 1e-6 / limit - 1.0).abs() < 1e-3);
    }

    #[test]
    fn the_range_in_mg_l_holds_within_that_in_g_kg() {
        for temperature in [0.0, 25.0, 50.0] {
            let salinity = SeawaterAt::new(temperature).salinity(TDS_RANGE_MG_L.1);
            assert!(salinity < SALINITY_RANGE_G_KG.1, "{salinity}");
        }
    }
}
