//! How much a meter may show too much, from its own low readings: no water holds less than nothing.

use statrs::distribution::{Beta, ContinuousCDF, Normal};

/// Fewer readings than this tell nothing.
const FEWEST: usize = 20;
/// How probable it is, at most, that a meter shows too much by more than is found.
const RISK: f64 = 1e-3;
/// Which readings are asked, as shares of all, from the lowest on.
const ASKED: [f64; 10] = [0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.7, 0.9];

/// By how much a meter shows too much, at most, in the unit of its readings; infinite where they are too few.
///
/// A reading is what is there, no less than nothing, and what the meter shows too much, and scatter. So the k-th lowest of n readings is no less
/// than what it shows too much and the k-th lowest scatter together, of which Φ is spread as Beta(k, n − k + 1) (order statistics). Each k bounds
/// by itself; the least bound is taken, each at its share of the risk (Bonferroni). A reading cut off at nothing is only the higher for it; one that
/// is shown in steps may be the lower by half of a step, the least by which two readings differ.
pub(super) fn shows_too_much(mut readings: Vec<f64>, scatter: f64) -> f64 {
    let n = readings.len();
    if n < FEWEST {
        return f64::INFINITY;
    }
    readings.sort_by(f64::total_cmp);
    let step = readings
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .filter(|gap| *gap > 0.0)
        .fold(f64::INFINITY, f64::min);
    let rounded = if step.is_finite() { 0.5 * step } else { 0.0 };
    let risk = RISK / ASKED.len() as f64;
    ASKED
        .iter()
        .map(|share| ((share * n as f64).ceil() as usize).clamp(1, n))
        .filter_map(|k| {
            let place = Beta::new(k as f64, (n - k + 1) as f64).ok()?;
            let least = Normal::standard().inverse_cdf(place.inverse_cdf(risk));
            Some(readings[k - 1] + rounded - least * scatter)
        })
        .fold(f64::INFINITY, f64::min)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    /// Readings of a meter that is off, of water without, and with some on every third day.
    fn readings(off: f64, scatter: f64, dosed: f64, seed: u64) -> Vec<f64> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        (0..900)
            .map(|day| {
                let noise: f64 = StandardNormal.sample(&mut random);
                let true_figure = if day % 3 == 0 { dosed } else { 0.0 };
                // Shown to 0.001, and never below nothing.
                ((true_figure + off + scatter * noise).max(0.0) * 1000.0).round() / 1000.0
            })
            .collect()
    }

    #[test]
    fn the_bound_holds_and_is_near() {
        let (mut missed, mut widest) = (0, 0.0_f64);
        for seed in 0..400 {
            let off = -0.005 + 0.01 * (seed % 41) as f64 / 40.0;
            for dosed in [0.0, 0.004, 0.08] {
                let bound = shows_too_much(readings(off, 0.002, dosed, seed), 0.002);
                missed += u32::from(bound < off);
                if off >= 0.0 {
                    widest = widest.max(bound - off);
                }
            }
        }
        // At a risk of 0.001 each, 1.2 of 1200 are expected at most.
        assert!(missed <= 4, "{missed}");
        assert!(widest < 0.0025, "{widest}");
    }

    #[test]
    fn water_that_is_never_without_tells_nothing_wrong() {
        // 0.05 mg/L all along: a meter that shows 0.003 too much shows 0.053.
        let shown: Vec<f64> = readings(0.003, 0.002, 0.0, 1)
            .iter()
            .map(|value| value + 0.05)
            .collect();
        assert!(shows_too_much(shown, 0.002) > 0.05);
        assert_eq!(shows_too_much(vec![0.0; 19], 0.002), f64::INFINITY);
    }
}
