//! Whether like is compared with like: temperature, salinity and flux of two arms, by how much of their days they share.

use super::arms::{Course, Day};
use crate::stats::median;

/// When two arms are alike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Likeness {
    /// Temperatures so far apart are alike, K.
    pub temperature: f64,
    /// Salinities so far apart are alike, as a fraction.
    pub salinity: f64,
    /// Fluxes so far apart are alike, as a fraction.
    pub flux: f64,
    /// The share of each arm's days that must be like days of the other.
    pub share: f64,
}

impl Default for Likeness {
    fn default() -> Self {
        Self {
            temperature: 1.0,
            salinity: 0.10,
            flux: 0.10,
            share: 0.75,
        }
    }
}

/// How one condition of two arms overlaps.
#[derive(Debug, Clone, PartialEq)]
pub struct Overlap {
    /// `temperature`, `salinity` or `flux`.
    pub condition: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// The two arms, in words.
    pub arms: [String; 2],
    /// Their medians.
    pub medians: [f64; 2],
    /// The share of each one's days that lies within the other's middle nine tenths, widened by what counts as alike.
    pub shares: [f64; 2],
    /// Whether both shares are large enough. A condition that the log doesn't hold is not.
    pub is_like: bool,
}

impl Overlap {
    /// Which, by how much, and what would be enough.
    pub fn words(&self, wanted: f64) -> String {
        let [a, b] = &self.arms;
        let [of_a, of_b] = self.medians;
        if of_a.is_nan() || of_b.is_nan() {
            return format!("{}: not known of both arms, {a} and {b}", self.condition);
        }
        let unit = if self.unit.is_empty() {
            String::new()
        } else {
            format!(" {}", self.unit)
        };
        let (place, share) = if self.shares[0] <= self.shares[1] {
            (a, self.shares[0])
        } else {
            (b, self.shares[1])
        };
        format!(
            "{}: medians {of_a:.1}{unit} of {a} and {of_b:.1}{unit} of {b}; {:.0} % of the days of {place} are like the other's, {:.0} % are wanted",
            self.condition,
            100.0 * share,
            100.0 * wanted
        )
    }
}

/// The span of the middle nine tenths.
fn middle(values: &[f64]) -> (f64, f64) {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let at = |share: f64| sorted[(share * (sorted.len() - 1) as f64).round() as usize];
    (at(0.05), at(0.95))
}

/// How two arms overlap in each condition.
pub(super) fn overlaps(a: &Course<'_>, b: &Course<'_>, like: &Likeness) -> Vec<Overlap> {
    type Condition = (&'static str, &'static str, fn(&Day) -> f64, f64, bool);
    let conditions: [Condition; 3] = [
        (
            "temperature",
            "degC",
            |day| day.temperature,
            like.temperature,
            false,
        ),
        ("salinity", "mg/L", |day| day.salinity, like.salinity, true),
        ("flux", "L/m2/h", |day| day.flux, like.flux, true),
    ];
    conditions
        .into_iter()
        .map(|(condition, unit, of, near, is_share)| {
            let figures = [a, b].map(|course| -> Vec<f64> {
                course
                    .days
                    .iter()
                    .map(of)
                    .filter(|figure| !figure.is_nan())
                    .collect()
            });
            let medians = [0, 1].map(|at| median(&mut figures[at].clone()));
            let shares = [0, 1].map(|at| {
                let (own, other) = (&figures[at], &figures[1 - at]);
                if own.is_empty() || other.is_empty() {
                    return f64::NAN;
                }
                let (low, high) = middle(other);
                let (low, high) = if is_share {
                    (low * (1.0 - near), high * (1.0 + near))
                } else {
                    (low - near, high + near)
                };
                let inside = own
                    .iter()
                    .filter(|figure| (low..=high).contains(*figure))
                    .count();
                inside as f64 / own.len() as f64
            });
            Overlap {
                condition,
                unit,
                arms: [a.arm.words(), b.arm.words()],
                medians,
                shares,
                is_like: shares.iter().all(|share| *share >= like.share),
            }
        })
        .collect()
}
