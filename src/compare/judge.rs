//! Tests: of differences, of equivalence, and of many at once.

use statrs::distribution::{ContinuousCDF, StudentsT};

use super::regression::{Figure, Part};

/// Adjusted so that, of all tests of a family, none is called wrongly more often than the risk: Holm's step-down rule.
///
/// Sorted, each p times the number of those not yet passed, never falling, at most 1. NaN stays NaN and is no member.
///
/// Source: S. Holm, Scand. J. Statist. 6 (1979) 65 (from memory; checked against statsmodels in the tests).
pub fn holm(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).filter(|at| !p[*at].is_nan()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]));
    let mut adjusted = vec![f64::NAN; p.len()];
    let (count, mut most) = (order.len(), 0.0_f64);
    for (place, at) in order.into_iter().enumerate() {
        most = most.max((count - place) as f64 * p[at]).min(1.0);
        adjusted[at] = most;
    }
    adjusted
}

/// The difference of two means, a − b, of independent readings whose spreads may differ; `None` of fewer than two each.
///
/// Source: B. L. Welch, Biometrika 34 (1947) 28, with F. E. Satterthwaite's degrees of freedom (from memory; checked
/// against scipy in the tests).
pub fn welch(a: &[f64], b: &[f64]) -> Option<Figure> {
    let moments = |values: &[f64]| {
        let n = values.len() as f64;
        let mean = values.iter().sum::<f64>() / n;
        let square: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
        (mean, square / (n - 1.0) / n, n)
    };
    if a.len() < 2 || b.len() < 2 {
        return None;
    }
    let ((mean_a, of_a, n_a), (mean_b, of_b, n_b)) = (moments(a), moments(b));
    let variance = of_a + of_b;
    if !(variance > 0.0) {
        return None;
    }
    let freedom = variance * variance / (of_a * of_a / (n_a - 1.0) + of_b * of_b / (n_b - 1.0));
    StudentsT::new(0.0, 1.0, freedom).ok()?;
    Some(Figure(vec![Part {
        share: 1.0,
        mean: mean_a - mean_b,
        scale: variance.sqrt(),
        freedom,
    }]))
}

/// A quotient's interval by Fieller: of numerator and denominator, each a figure with its variance times t², and their
/// covariance times t². `None` where the denominator is not clear of 0.
pub fn fieller(
    top: f64,
    bottom: f64,
    of_top: f64,
    of_bottom: f64,
    of_both: f64,
) -> Option<(f64, f64)> {
    let a = bottom * bottom - of_bottom;
    if !(a > 0.0) {
        return None;
    }
    let b = top * bottom - of_both;
    let root = (b * b - a * (top * top - of_top)).max(0.0).sqrt();
    Some(((b - root) / a, (b + root) / a))
}

/// Student's t quantile.
pub fn student(share: f64, freedom: f64) -> f64 {
    StudentsT::new(0.0, 1.0, freedom).map_or(f64::NAN, |t| t.inverse_cdf(share))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn holm_steps_down() {
        // By hand: 0.01·3, 0.02·2, 0.04·1.
        let found = holm(&[0.02, f64::NAN, 0.01, 0.04]);
        assert!((found[2] - 0.03).abs() < 1e-15);
        assert!((found[0] - 0.04).abs() < 1e-15);
        assert!((found[3] - 0.04).abs() < 1e-15);
        assert!(found[1].is_nan());
        assert_eq!(holm(&[0.9, 0.8]), vec![1.0, 1.0]);
    }

    #[test]
    fn swapping_means_flips_the_sign() {
        let (a, b) = ([1.0, 2.0, 4.0], [0.5, 1.0, 0.7, 0.9]);
        let one = welch(&a, &b).expect("two of each");
        let other = welch(&b, &a).expect("two of each");
        assert_eq!(one.mean(), -other.mean());
        assert!((one.p() - other.p()).abs() < 1e-12);
        assert!(welch(&a, &[1.0]).is_none());
    }

    #[test]
    fn fieller_of_a_sharp_denominator_is_plain() {
        let (low, high) = fieller(2.0, 4.0, 1.0, 0.0, 0.0).expect("clear");
        assert!((low - 0.25).abs() < 1e-12 && (high - 0.75).abs() < 1e-12);
        assert!(fieller(2.0, 1.0, 1.0, 1.5, 0.0).is_none());
    }
}
