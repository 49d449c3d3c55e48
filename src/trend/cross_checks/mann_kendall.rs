//! The Mann-Kendall test: does a series rise or fall, in whatever shape?

use realfft::RealFftPlanner;
use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::erf::erfc;

use super::{enough, inversions, kendall_sum, pairs, theil_sen, ties, usable};
use crate::error::{Error, Fault, nearest};

/// How the variance of S allows for values that depend on those before them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Correction {
    /// Not at all: right for independent values only. Values that hang together pass for a trend too often.
    None,
    /// By the autocorrelation of the ranks that remain after the Theil-Sen line, of those lags where it is significant at
    /// 5 % (K. H. Hamed and A. R. Rao, J. Hydrology 204 (1998) 182, from memory).
    HamedRao,
    /// By the autocorrelation of what remains after the Theil-Sen line (S. Yue and C. Y. Wang, Water Resources Management
    /// 18 (2004) 201, from memory). Autocorrelations of all lags add to −1/2 whatever the series: give a few lags.
    YueWang,
}

impl Correction {
    /// All of them, by name.
    pub const NAMES: [(&'static str, Self); 3] = [
        ("none", Self::None),
        ("hamed-rao", Self::HamedRao),
        ("yue-wang", Self::YueWang),
    ];

    /// The correction of this name.
    ///
    /// # Errors
    /// [`Error::Series`] where there is none.
    pub fn parse(name: &str) -> Result<Self, Error> {
        if let Some((_, found)) = Self::NAMES.iter().find(|(known, _)| *known == name) {
            return Ok(*found);
        }
        let names = Self::NAMES.map(|(known, _)| known);
        let remedy = match nearest(name, names) {
            Some(meant) => format!("did you mean '{meant}'?"),
            None => names.join(", "),
        };
        let fault = Fault::new("no such correction", remedy);
        Err(Error::Series(
            fault.at_column("correction").with_value(name).into(),
        ))
    }

    /// Its name.
    pub fn name(self) -> &'static str {
        Self::NAMES
            .iter()
            .find(|(_, known)| *known == self)
            .map_or("", |(name, _)| name)
    }
}

/// What the test found.
#[derive(Debug, Clone, PartialEq)]
pub struct MannKendall {
    /// Pairs that rise less pairs that fall.
    pub s: i64,
    /// The variance of S if there were no trend, ties and the correction taken in.
    pub variance: f64,
    /// What the correction made of the variance: 1 with none.
    pub variance_factor: f64,
    /// S in standard deviations, brought 1 nearer to 0 (for continuity). NaN where the correction leaves no variance, as it
    /// can where values swing about one another.
    pub z: f64,
    /// How often a series without trend would have a z at least so far from 0.
    pub p: f64,
    /// Values used.
    pub n: usize,
    /// Values that were missing.
    pub missing: usize,
    /// How dependence was allowed for.
    pub correction: Correction,
}

/// Tests whether values, given in the order of time, rise or fall.
///
/// S = Σ sgn(xⱼ − xᵢ) over i < j; var S = [n (n − 1)(2 n + 5) − Σ t (t − 1)(2 t + 5)]/18 with t the sizes of groups of
/// equal values; z = (S ∓ 1)/√var S; p two-sided, by the normal distribution, which fits from about 10 values on
/// (M. G. Kendall, Rank Correlation Methods, from memory). O(n log n).
///
/// A correction multiplies the variance: Hamed-Rao by 1 + 2/[n (n − 1)(n − 2)] Σ (n − k)(n − k − 1)(n − k − 2) rₖ, Yue-Wang
/// by 1 + 2 Σ (1 − k/n) rₖ, over lags k of 1 to `lags` (all, where none is given). The line is fitted to the places in the
/// list, gaps counted; for the autocorrelations what is there counts as evenly spaced, so many gaps blur them.
///
/// # Errors
/// [`Error::Series`] for fewer than four values that are there, an infinite value, or no lags.
///
/// ```
/// use brinemark::trend::cross_checks::{Correction, mann_kendall};
/// let found = mann_kendall(&[1.0, 2.0, f64::NAN, 2.0, 5.0, 7.0], Correction::None, None)?;
/// assert_eq!((found.s, found.n, found.missing), (9, 5, 1));
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn mann_kendall(
    values: &[f64],
    correction: Correction,
    lags: Option<usize>,
) -> Result<MannKendall, Error> {
    usable("values", values)?;
    if lags == Some(0) {
        let fault = Fault::new("no lags", "1 or more, or none given for all of them");
        return Err(Error::Series(
            fault.at_column("lags").with_value("0").into(),
        ));
    }
    let there: Vec<f64> = values.iter().copied().filter(|x| !x.is_nan()).collect();
    let n = there.len();
    enough(n, 4)?;
    let mut sorted = there.clone();
    let falling = inversions::count(&mut sorted);
    let level: u64 = ties(&sorted).map(pairs).sum();
    let s = (pairs(n) - level) as i64 - 2 * falling as i64;
    let tied: f64 = ties(&sorted).map(kendall_sum).sum();
    let variance_factor = match correction {
        Correction::None => 1.0,
        _ => factor(values, correction, lags.unwrap_or(n).min(n - 1)),
    };
    let variance = (kendall_sum(n) - tied) / 18.0 * variance_factor;
    let z = if s == 0 {
        0.0
    } else if variance > 0.0 {
        (s - s.signum()) as f64 / variance.sqrt()
    } else {
        f64::NAN
    };
    Ok(MannKendall {
        s,
        variance,
        variance_factor,
        z,
        p: erfc(z.abs() / std::f64::consts::SQRT_2),
        n,
        missing: values.len() - n,
        correction,
    })
}

/// What a correction multiplies the variance with; 1 where nothing is left after the line.
fn factor(values: &[f64], correction: Correction, lags: usize) -> f64 {
    let places: Vec<f64> = (1..=values.len()).map(|place| place as f64).collect();
    let slope = theil_sen::slope(&places, values);
    let left: Vec<f64> = places
        .iter()
        .zip(values)
        .filter(|(_, value)| !value.is_nan())
        .map(|(place, value)| value - place * slope)
        .collect();
    let n = left.len() as f64;
    match correction {
        Correction::None => 1.0,
        Correction::YueWang => {
            let correlations = autocorrelations(&left, lags);
            let weighted = (1..).zip(&correlations);
            1.0 + 2.0
                * weighted
                    .map(|(lag, r)| (1.0 - f64::from(lag) / n) * r)
                    .sum::<f64>()
        }
        Correction::HamedRao => {
            let significant = Normal::standard().inverse_cdf(0.975) / n.sqrt();
            let triples = |n: f64| n * (n - 1.0) * (n - 2.0);
            let sum: f64 = (1..)
                .zip(&autocorrelations(&ranks(&left), lags))
                .filter(|(_, r)| r.abs() > significant)
                .map(|(lag, r)| triples(n - f64::from(lag)) * r)
                .sum();
            1.0 + 2.0 / triples(n) * sum
        }
    }
}

/// Ranks from 1; equal values share the mean of theirs.
fn ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    let mut before = 0;
    for equal in order.chunk_by(|a, b| values[*a] == values[*b]) {
        let mean = before as f64 + 0.5 * (equal.len() + 1) as f64;
        equal.iter().for_each(|at| ranks[*at] = mean);
        before += equal.len();
    }
    ranks
}

/// Autocorrelations at lags 1 to `lags`, n in each denominator; 0 where the values don't vary.
///
/// By Fourier transform of the series with as many zeros behind it, O(n log n).
fn autocorrelations(values: &[f64], lags: usize) -> Vec<f64> {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let length = (2 * values.len()).next_power_of_two();
    let mut planner = RealFftPlanner::<f64>::new();
    let (forward, inverse) = (
        planner.plan_fft_forward(length),
        planner.plan_fft_inverse(length),
    );
    let mut padded: Vec<f64> = values.iter().map(|value| value - mean).collect();
    padded.resize(length, 0.0);
    let mut spectrum = forward.make_output_vec();
    // Both refuse only lengths that differ from the planned one.
    let transformed = forward.process(&mut padded, &mut spectrum).and_then(|()| {
        for each in &mut spectrum {
            *each = (*each * each.conj()).re.into();
        }
        inverse.process(&mut spectrum, &mut padded)
    });
    let whole = padded[0];
    if transformed.is_err() || whole <= 0.0 {
        return vec![0.0; lags];
    }
    padded[1..=lags].iter().map(|each| each / whole).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Few different values, so that ties are common, and missing ones.
    fn series() -> impl Strategy<Value = Vec<f64>> {
        let value = prop_oneof![
            4 => (-4..4_i32).prop_map(f64::from),
            2 => -3.0..3.0_f64,
            1 => Just(f64::NAN),
        ];
        prop::collection::vec(value, 0..60)
    }

    proptest! {
        #[test]
        fn s_is_that_of_all_pairs(values in series()) {
            let there: Vec<f64> = values.iter().copied().filter(|x| !x.is_nan()).collect();
            let found = mann_kendall(&values, Correction::None, None);
            prop_assert_eq!(found.is_ok(), there.len() >= 4);
            if let Ok(found) = found {
                let mut s = 0;
                let mut joined = 0.0;
                for (at, x) in there.iter().enumerate() {
                    for earlier in &there[..at] {
                        s += i64::from(x > earlier) - i64::from(x < earlier);
                    }
                    let equal = there.iter().filter(|other| *other == x).count() as f64;
                    joined += (equal - 1.0) * (2.0 * equal + 5.0);
                }
                let n = there.len() as f64;
                let variance = (n * (n - 1.0) * (2.0 * n + 5.0) - joined) / 18.0;
                prop_assert_eq!(found.s, s);
                prop_assert!((found.variance - variance).abs() <= 1e-9 * variance.abs());
                prop_assert_eq!((found.n, found.n + found.missing), (there.len(), values.len()));
                prop_assert!((0.0..=1.0).contains(&found.p));
            }
        }

        #[test]
        fn autocorrelations_are_their_sums(values in prop::collection::vec(-5.0..5.0_f64, 4..50)) {
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            let off: Vec<f64> = values.iter().map(|x| x - mean).collect();
            let whole: f64 = off.iter().map(|x| x * x).sum();
            let found = autocorrelations(&values, values.len() - 1);
            for lag in 1..values.len() {
                let sum: f64 = off.iter().zip(&off[lag..]).map(|(a, b)| a * b).sum();
                prop_assert!((found[lag - 1] - sum / whole).abs() < 1e-12, "{lag}");
            }
        }
    }

    #[test]
    fn without_trend_or_spread() {
        let found = mann_kendall(&[2.0; 8], Correction::HamedRao, None).unwrap();
        assert_eq!((found.s, found.z, found.p), (0, 0.0, 1.0));
        // A straight line leaves nothing to correct for.
        let line: Vec<f64> = (0..20).map(f64::from).collect();
        let found = mann_kendall(&line, Correction::HamedRao, None).unwrap();
        assert_eq!((found.s, found.variance_factor), (190, 1.0));
    }

    #[test]
    fn refusals_name_the_place() {
        let refused = mann_kendall(&[1.0, 2.0, f64::INFINITY, 3.0], Correction::None, None);
        let message = refused.unwrap_err().to_string();
        assert!(message.contains("row 3, values, 'inf'"), "{message}");
        let message = Correction::parse("hamed-roa").unwrap_err().to_string();
        assert!(message.contains("did you mean 'hamed-rao'"), "{message}");
        assert!(mann_kendall(&[1.0; 9], Correction::YueWang, Some(0)).is_err());
    }

    #[test]
    fn equal_values_share_their_ranks() {
        assert_eq!(ranks(&[3.0, 1.0, 3.0, 2.0]), [3.5, 1.0, 3.5, 2.0]);
    }
}
