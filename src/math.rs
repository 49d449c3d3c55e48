//! Exponential and logarithm that a compiler can run on several figures side by side.
//!
//! The library's own are calls, one figure at a time; a log of a million readings needs fifteen million of them.
//! These are plain arithmetic without branches, so that a loop over them becomes vector instructions. Checked
//! against the library's to 2 units in the last place over all that is used (tests of this module).

/// e to the power of x, for −700 ≤ x ≤ 700 (beyond, meaningless; nothing here comes near). NaN in, NaN out.
///
/// x = n ln 2 + r with |r| ≤ ln 2/2, so that e^x = 2^n e^r; e^r by its series to r^13, whose rest is below 1e-17.
#[inline(always)]
pub(crate) fn exp(x: f64) -> f64 {
    use std::f64::consts::LOG2_E;
    // Adding 1.5 × 2^52 rounds to a whole number, and leaves it in the lowest bits.
    const ROUND: f64 = 6_755_399_441_055_744.0;
    const LN2_HIGH: f64 = 0.693_147_180_369_123_8;
    const LN2_LOW: f64 = 1.908_214_929_270_587_7e-10;
    let whole = x * LOG2_E + ROUND;
    let n = whole - ROUND;
    let r = (x - n * LN2_HIGH) - n * LN2_LOW;
    let series = 1.0 / 6_227_020_800.0;
    let series = series * r + 1.0 / 479_001_600.0;
    let series = series * r + 1.0 / 39_916_800.0;
    let series = series * r + 1.0 / 3_628_800.0;
    let series = series * r + 1.0 / 362_880.0;
    let series = series * r + 1.0 / 40_320.0;
    let series = series * r + 1.0 / 5_040.0;
    let series = series * r + 1.0 / 720.0;
    let series = series * r + 1.0 / 120.0;
    let series = series * r + 1.0 / 24.0;
    let series = series * r + 1.0 / 6.0;
    let series = series * r + 0.5;
    let series = r + r * r * series + 1.0;
    let two_to_n = f64::from_bits(whole.to_bits().wrapping_add(1023) << 52);
    series * two_to_n
}

/// The natural logarithm of a normal x > 0 (else meaningless). NaN in, NaN out.
///
/// x = 2^k (1 + f) with √½ ≤ 1 + f < √2; ln(1 + f) from s = f/(2 + f) by the polynomial of fdlibm's e_log.c (Sun
/// Microsystems, 1993; coefficients from memory).
#[inline(always)]
pub(crate) fn ln(x: f64) -> f64 {
    const SQRT_HALF: u64 = 0x3fe6_a09e_667f_3bcd;
    const ONE: u64 = 0x3ff0_0000_0000_0000;
    const MANTISSA: u64 = 0x000f_ffff_ffff_ffff;
    // A whole number below 2^52 put behind the exponent of 2^52 is that number plus 2^52.
    const TWO_TO_52: u64 = 0x4330_0000_0000_0000;
    const LN2_HIGH: f64 = 0.693_147_180_369_123_8;
    const LN2_LOW: f64 = 1.908_214_929_270_587_7e-10;
    let bits = x.to_bits().wrapping_add(ONE - SQRT_HALF);
    let k = f64::from_bits((bits >> 52) | TWO_TO_52) - (f64::from_bits(TWO_TO_52) + 1023.0);
    let f = f64::from_bits((bits & MANTISSA).wrapping_add(SQRT_HALF)) - 1.0;
    let s = f / (2.0 + f);
    let z = s * s;
    let series = 0.147_981_986_051_165_86;
    let series = series * z + 0.153_138_376_992_093_73;
    let series = series * z + 0.181_835_721_616_180_5;
    let series = series * z + 0.222_221_984_321_497_84;
    let series = series * z + 0.285_714_287_436_623_9;
    let series = series * z + 0.399_999_999_994_094_2;
    let series = series * z + 0.666_666_666_666_673_5;
    let half = 0.5 * f * f;
    let found = k * LN2_HIGH - ((half - (s * (half + series * z) + k * LN2_LOW)) - f);
    // The bits of a NaN would pass for a number.
    if x.is_nan() { x } else { found }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn units_apart(a: f64, b: f64) -> u64 {
        a.to_bits().abs_diff(b.to_bits())
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(20_000))]

        #[test]
        fn exp_is_the_librarys(x in -700.0..700.0_f64) {
            prop_assert!(units_apart(exp(x), x.exp()) <= 2, "{x}: {} {}", exp(x), x.exp());
        }

        #[test]
        fn exp_is_the_librarys_where_it_is_used(x in -3.0..3.0_f64) {
            prop_assert!(units_apart(exp(x), x.exp()) <= 2, "{x}: {} {}", exp(x), x.exp());
        }

        #[test]
        fn ln_is_the_librarys(x in prop_oneof![1e-300..1e300_f64, 1e-3..1e3_f64, 0.5..2.0_f64, 0.999..1.001_f64]) {
            prop_assert!(units_apart(ln(x), x.ln()) <= 2, "{x}: {} {}", ln(x), x.ln());
        }
    }

    #[test]
    fn nan_stays_nan() {
        assert!(exp(f64::NAN).is_nan() && ln(f64::NAN).is_nan());
        assert_eq!(exp(0.0), 1.0);
        assert_eq!(ln(1.0), 0.0);
    }
}
