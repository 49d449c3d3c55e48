//! The statistics that the library behind it does not have.

use statrs::distribution::{ContinuousCDF, StudentsT};

/// The median; NaN of nothing. Reorders its argument, which holds no NaN.
pub fn median(values: &mut [f64]) -> f64 {
    let n = values.len();
    if n == 0 {
        return f64::NAN;
    }
    let (below, middle, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    let upper = *middle;
    if n % 2 == 1 {
        return upper;
    }
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    0.5 * (lower + upper)
}

/// ln Σ exp of logarithms, however far from 0 they lie; −∞ of nothing.
pub fn log_sum(logs: &[f64]) -> f64 {
    let top = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if top == f64::NEG_INFINITY {
        return top;
    }
    top + logs.iter().map(|log| (log - top).exp()).sum::<f64>().ln()
}

/// A median with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MedianInterval {
    /// The median.
    pub median: f64,
    /// The lower end; NaN where there are fewer than four values.
    pub low: f64,
    /// The upper end.
    pub high: f64,
}

/// The median of a short, evenly spaced series and its interval, for values that may drift with the season and
/// depend on the one before.
///
/// Standard error: √(π/2) · 1.4826 MAD/√n′ of what is left after a straight line (asymptotic, for roughly normal values),
/// n′ = n (1 − r)/(1 + r) with r the lag-1 autocorrelation where positive, its bias of about (1 + 4 r)/n put back;
/// Student's t with n′ − 2 degrees of freedom. Coverage of 90 % intervals, simulated in this module's tests at n = 14 and 28:
/// 90 to 97 % for independent values, 85 to 93 % where r = 0.5.
pub fn median_interval(series: &[f64], level: f64) -> MedianInterval {
    let n = series.len();
    let centre = median(&mut series.to_vec());
    if n < 4 {
        return MedianInterval {
            median: centre,
            low: f64::NAN,
            high: f64::NAN,
        };
    }
    let left = off_line(series);
    let total: f64 = left.iter().map(|value| value * value).sum();
    let freedom = (n - 2) as f64;
    let mad = median(&mut left.iter().map(|value| value.abs()).collect::<Vec<f64>>());
    // Coarse gauges make more than half of the values equal: then the plain deviation stands in.
    let spread = if mad > 0.0 {
        1.4826 * mad * (n as f64 / freedom).sqrt()
    } else {
        (total / freedom).sqrt()
    };
    let lagged: f64 = left.windows(2).map(|pair| pair[0] * pair[1]).sum();
    let found = if total > 0.0 { lagged / total } else { 0.0 };
    let r = (found + (1.0 + 4.0 * found) / n as f64).clamp(0.0, 0.9);
    let effective = (n as f64 * (1.0 - r) / (1.0 + r)).max(3.0);
    let error = (std::f64::consts::PI / 2.0).sqrt() * spread / effective.sqrt();
    let quantile = StudentsT::new(0.0, 1.0, effective - 2.0)
        .map_or(f64::NAN, |t| t.inverse_cdf(0.5 + 0.5 * level));
    MedianInterval {
        median: centre,
        low: centre - quantile * error,
        high: centre + quantile * error,
    }
}

/// What is left of an evenly spaced series after its least-squares line.
fn off_line(series: &[f64]) -> Vec<f64> {
    let n = series.len() as f64;
    let middle = (n - 1.0) / 2.0;
    let mean = series.iter().sum::<f64>() / n;
    let places = || (0..series.len()).map(|at| at as f64 - middle);
    let rise: f64 = places().zip(series).map(|(at, value)| at * value).sum();
    let run: f64 = places().map(|at| at * at).sum();
    places()
        .zip(series)
        .map(|(at, value)| value - mean - rise / run * at)
        .collect()
}

/// The difference of two estimates, a − b, with its interval from theirs.
///
/// L = a − b − √[(a − la)² + (ub − b)²], U likewise: the method of variance estimates recovery (G. Y. Zou and
/// A. Donner, Statistics in Medicine 27 (2008) 1693, from memory).
pub fn difference(a: MedianInterval, b: MedianInterval) -> MedianInterval {
    let centre = a.median - b.median;
    MedianInterval {
        median: centre,
        low: centre - (a.median - a.low).hypot(b.high - b.median),
        high: centre + (a.high - a.median).hypot(b.median - b.low),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Standard normal deviates from a fixed seed: splitmix64 and Box-Muller.
    fn normals(seed: u64) -> impl FnMut() -> f64 {
        let mut state = seed;
        let mut uniform = move || {
            state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = state;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
        };
        move || {
            let (u, v) = (uniform().max(1e-300), uniform());
            (-2.0 * u.ln()).sqrt() * (2.0 * std::f64::consts::PI * v).cos()
        }
    }

    /// How often a 90 % interval for the difference of two windows' medians covers 0, their true difference.
    fn coverage(n: usize, r: f64) -> f64 {
        const TRIALS: usize = 4000;
        let mut normal = normals(7 + n as u64);
        let mut window = || {
            let mut last = normal();
            let series: Vec<f64> = (0..n)
                .map(|_| {
                    last = r * last + (1.0 - r * r).sqrt() * normal();
                    last
                })
                .collect();
            median_interval(&series, 0.90)
        };
        let covered = (0..TRIALS).filter(|_| {
            let found = difference(window(), window());
            found.low <= 0.0 && found.high >= 0.0
        });
        covered.count() as f64 / TRIALS as f64
    }

    #[test]
    fn intervals_cover_what_their_docs_say() {
        for n in [14, 28] {
            let independent = coverage(n, 0.0);
            assert!(
                (0.90..=0.97).contains(&independent),
                "n = {n}: {independent}"
            );
            let dependent = coverage(n, 0.5);
            assert!(
                (0.85..=0.93).contains(&dependent),
                "n = {n}, r = 0.5: {dependent}"
            );
        }
    }

    #[test]
    fn medians() {
        assert_eq!(median(&mut [3.0, 1.0, 2.0]), 2.0);
        assert_eq!(median(&mut [4.0, 1.0, 2.0, 3.0]), 2.5);
        assert!(median(&mut []).is_nan());
    }
}
