//! Bootstrap by blocks: what chance alone makes of readings that hang together.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, Uniform};

/// The block length that suits a series, in readings: 1 where they are independent.
///
/// b = (2 G²/D)^⅓ n^⅓ with G = Σ λ(k/M) |k| R(k), D = 2 [Σ λ(k/M) R(k)]², R the autocovariances, λ the flat-top window 1 up to
/// ½ and 2 (1 − |t|) beyond; M is twice the lag behind which no autocorrelation of K lags in a row stands out of
/// ±2 √(log₁₀ n/n). At most min(3 √n, n/3).
///
/// Source: D. N. Politis and H. White, Econometric Reviews 23 (2004) 53, as corrected by A. Patton, D. N. Politis and
/// H. White, Econometric Reviews 28 (2009) 372 (from memory): the stationary bootstrap's.
pub fn block_length(values: &[f64]) -> f64 {
    let n = values.len();
    if n < 4 {
        return 1.0;
    }
    let size = n as f64;
    let mean = values.iter().sum::<f64>() / size;
    let covariance = |lag: usize| {
        let pairs = values.iter().zip(&values[lag.min(n)..]);
        pairs.map(|(a, b)| (a - mean) * (b - mean)).sum::<f64>() / size
    };
    let in_a_row = (size.log10().sqrt().ceil() as usize).max(5);
    let most = (size.sqrt().ceil() as usize + in_a_row).min(n - 1);
    let variance = covariance(0);
    if !(variance > 0.0) {
        return 1.0;
    }
    let stands_out: Vec<bool> = (1..=most + in_a_row)
        .map(|lag| (covariance(lag) / variance).abs() > 2.0 * (size.log10() / size).sqrt())
        .collect();
    let quiet = (0..=most).find(|after| {
        !stands_out[*after..(after + in_a_row).min(stands_out.len())].contains(&true)
    });
    let lag = quiet.unwrap_or(most).max(1);
    let window = (2 * lag).min(most);
    let (mut slope, mut level) = (0.0, variance);
    for lag in 1..=window {
        let t = lag as f64 / window as f64;
        let weight = if t <= 0.5 { 1.0 } else { 2.0 * (1.0 - t) };
        slope += 2.0 * weight * lag as f64 * covariance(lag);
        level += 2.0 * weight * covariance(lag);
    }
    let longest = (3.0 * size.sqrt()).min(size / 3.0).ceil();
    let length = ((slope / level).powi(2) * size).cbrt();
    if length.is_finite() {
        length.clamp(1.0, longest.max(1.0))
    } else {
        longest.max(1.0)
    }
}

/// Draws of Σ w e*, with e* what is left of the readings, drawn anew in blocks of random length (the stationary bootstrap),
/// each stretch by itself. The cost is linear in draws and in readings; the same seed gives the same figures.
///
/// Source: D. N. Politis and J. P. Romano, J. Am. Stat. Assoc. 89 (1994) 1303 (from memory).
pub fn draws(
    left: &[f64],
    weights: &[f64],
    stretches: &[(usize, usize)],
    lengths: &[f64],
    count: usize,
    seed: u64,
) -> Vec<f64> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let Ok(evenly) = Uniform::new(0.0, 1.0) else {
        return Vec::new();
    };
    let mut made = Vec::with_capacity(count);
    for _ in 0..count {
        let mut sum = 0.0;
        for ((start, end), length) in stretches.iter().zip(lengths) {
            let n = end - start;
            let mut place = 0;
            for at in *start..*end {
                let even: f64 = evenly.sample(&mut random);
                // A block ends with probability 1/length; one draw serves for that and for where the next begins.
                let end_here = at == *start || even < 1.0 / length;
                place = if end_here {
                    let even: f64 = evenly.sample(&mut random);
                    ((even * n as f64) as usize).min(n - 1)
                } else {
                    (place + 1) % n
                };
                sum += weights[at] * left[start + place];
            }
        }
        made.push(sum);
    }
    made
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_distr::StandardNormal;

    fn series(n: usize, r: f64, seed: u64) -> Vec<f64> {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut last = 0.0;
        (0..n)
            .map(|_| {
                let new: f64 = StandardNormal.sample(&mut random);
                last = r * last + new;
                last
            })
            .collect()
    }

    #[test]
    fn the_length_of_an_autoregression_is_that_of_the_formula() {
        // b = [2 r/(1 − r²)]^⅔ n^⅓, what the definition gives for exact autocovariances.
        for r in [0.3, 0.6] {
            let n = 20_000;
            let found: Vec<f64> = (0..20)
                .map(|seed| block_length(&series(n, r, seed)))
                .collect();
            let mean = found.iter().sum::<f64>() / 20.0;
            let wanted = (2.0 * r / (1.0 - r * r)).powf(2.0 / 3.0) * (n as f64).cbrt();
            assert!(
                (mean / wanted - 1.0).abs() < 0.12,
                "{r}: {mean} for {wanted}"
            );
        }
    }

    #[test]
    fn independent_readings_want_short_blocks_and_are_drawn_as_by_a_plain_bootstrap() {
        let values = series(400, 0.0, 3);
        let length = block_length(&values);
        assert!(length < 4.0, "{length}");
        let weights = vec![1.0 / 400.0; 400];
        let spread = |length: f64| {
            let found = draws(&values, &weights, &[(0, 400)], &[length], 4000, 1);
            let mean = found.iter().sum::<f64>() / 4000.0;
            (found.iter().map(|one| (one - mean).powi(2)).sum::<f64>() / 4000.0).sqrt()
        };
        assert!((spread(length) / spread(1.0) - 1.0).abs() < 0.15);
    }

    #[test]
    fn of_nothing_that_varies_blocks_are_single_readings() {
        assert_eq!(block_length(&[1.0; 50]), 1.0);
        assert_eq!(block_length(&[1.0, 2.0]), 1.0);
    }
}
