//! Whether what was measured conforms, and how probable it is to be wrong either way (JCGM 106:2012).

use statrs::distribution::{ContinuousCDF, Normal};

use crate::trend::mixture::{Component, below};

/// How probable it is that a quantity known as a normal distribution about `value` lies within limits: 7.2 of JCGM 106:2012,
/// p = Φ((high − value)/u) − Φ((low − value)/u). `value`, `u` and the limits are in one unit.
///
/// ```
/// use brinemark::warranty::conformity::conformance_probability;
/// // No more than 10, measured 9 with a standard uncertainty of 1: one standard deviation.
/// assert!((conformance_probability(9.0, 1.0, None, Some(10.0)) - 0.841).abs() < 1e-3);
/// ```
pub fn conformance_probability(value: f64, u: f64, low: Option<f64>, high: Option<f64>) -> f64 {
    let known = [Component {
        share: 1.0,
        mean: value,
        deviation: u,
    }];
    let of = |limit: f64| below(&known, limit);
    high.map_or(1.0, of) - low.map_or(0.0, of)
}

/// The guard band, in units of the standard uncertainty, that keeps the probability of being wrong at a risk: Φ⁻¹(1 − risk), 8.3 of
/// JCGM 106:2012. None below even odds.
///
/// ```
/// use brinemark::warranty::conformity::guard_band;
/// assert!((guard_band(0.05) - 1.645).abs() < 1e-3);
/// ```
pub fn guard_band(risk: f64) -> f64 {
    if risk >= 0.5 {
        0.0
    } else {
        Normal::standard().inverse_cdf(1.0 - risk.max(1e-15))
    }
}

/// How probable it is to be wrong either way: the specific risks of JCGM 106:2012, 3.3.13 and 3.3.14 (numbers of the definitions from
/// memory). Of readings against a limit they are bounds: no more than this.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Risk {
    /// That the clause is kept, if it is called broken: the risk of who gave the warranty, or ran the unit.
    pub called_broken_but_kept: f64,
    /// That it is broken, if it is called kept: the risk of who relies on it.
    pub called_kept_but_broken: f64,
}

/// Kept, broken, or neither at a stated risk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// As agreed.
    Kept,
    /// Not as agreed.
    Broken,
    /// The readings don't tell, or don't qualify.
    CannotBeJudged,
}

impl Verdict {
    /// Its words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Kept => "kept",
            Self::Broken => "broken",
            Self::CannotBeJudged => "cannot be judged",
        }
    }
}

impl Risk {
    /// What may be called at a stated risk.
    pub fn verdict(self, risk: f64) -> Verdict {
        if self.called_broken_but_kept <= risk {
            Verdict::Broken
        } else if self.called_kept_but_broken <= risk {
            Verdict::Kept
        } else {
            Verdict::CannotBeJudged
        }
    }

    /// Of a count that is known.
    pub fn certain(kept: bool) -> Self {
        Self {
            called_broken_but_kept: f64::from(u8::from(kept)),
            called_kept_but_broken: f64::from(u8::from(!kept)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_wider_limit_is_kept_the_more(value in -10.0..10.0_f64, u in 1e-3..5.0_f64, high in -10.0..10.0_f64, wider in 0.0..5.0_f64) {
            let of = |high| conformance_probability(value, u, None, Some(high));
            prop_assert!(of(high + wider) >= of(high));
            let order = |high| {
                let kept = of(high);
                let risk = Risk { called_broken_but_kept: kept, called_kept_but_broken: 1.0 - kept };
                match risk.verdict(0.05) { Verdict::Broken => 0, Verdict::CannotBeJudged => 1, Verdict::Kept => 2 }
            };
            prop_assert!(order(high + wider) >= order(high));
        }

        #[test]
        fn a_guard_band_keeps_the_risk(u in 1e-3..5.0_f64, risk in 0.001..0.499_f64) {
            // Just at the acceptance limit the risk is the stated one.
            let at = 10.0 - guard_band(risk) * u;
            let wrong = 1.0 - conformance_probability(at, u, None, Some(10.0));
            prop_assert!((wrong - risk).abs() < 1e-9);
        }
    }
}
