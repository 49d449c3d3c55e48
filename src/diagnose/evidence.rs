//! What the points of a trend say of a cause: blocks of them, what they may be off by, and how likely each pattern makes them.
//!
//! All is linear and normal, once a pattern's form and beginning are given: block medians of the three logarithms are
//! ageing, settling, temperature, cleanings, calibrations and drift of unknown size, plus the pattern times its
//! severity. Unknown sizes are integrated out; forms and beginnings are summed over.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use statrs::distribution::{ContinuousCDF, Normal};

use super::causes::{Form, Showing};
use crate::stats::{log_sum, median};
use crate::trend::Trend;
use crate::trend::model::{Happening, Intervention};
use crate::trend::points::DAY;

/// Blocks a quantity has at most.
const BLOCKS: usize = 18;
/// What membranes do as they age, a year: means and spreads of the three logarithms (from memory: output −2 to −5 %, salt
/// passage +3 to +7 %), and how much those rates wander in a year.
const AGEING: [(f64, f64); 3] = [(-0.03, 0.015), (0.04, 0.02), (0.03, 0.02)];
const AGEING_WANDERS: f64 = 0.02;

/// One block.
struct Block {
    quantity: usize,
    /// Places of its points.
    first: usize,
    last: usize,
    value: f64,
    variance: f64,
}

/// What the points say.
pub struct Evidence {
    blocks: Vec<Block>,
    /// Of each point, years from the first.
    time: Vec<f64>,
    length: f64,
    factor: Cholesky<f64, Dyn>,
    /// The blocks with the factor divided out.
    values: DVector<f64>,
    /// Times at which something may have begun, years from the first point.
    beginnings: Vec<f64>,
    /// Times at which something may have happened at once.
    steps: Vec<f64>,
}

impl Evidence {
    /// Gathers it. `None` where a trend has fewer than six points.
    pub fn of(trend: &Trend) -> Option<Self> {
        let points = &trend.points;
        let start = *points.time.first()?;
        let time: Vec<f64> = points.time.iter().map(|time| time - start).collect();
        let length = *time.last()?;
        if points.len() < 6 || length <= 0.0 {
            return None;
        }
        let jumps: Vec<&Intervention> = trend
            .interventions
            .iter()
            .filter(|it| it.kind != Happening::Bend)
            .collect();
        let blocks = blocks(trend, &time, &jumps);
        let size = blocks.len();
        let mut covariance = DMatrix::zeros(size, size);
        // What several blocks share: directions with their standard deviation.
        let mut shared: Vec<(DVector<f64>, f64)> = Vec::new();
        let mean_of = |block: &Block, figure: &dyn Fn(usize) -> f64| {
            let places = block.first..=block.last;
            places.clone().map(figure).sum::<f64>() / places.count() as f64
        };
        for found in &trend.quantities {
            let quantity = found.quantity as usize;
            let along = |figure: &dyn Fn(usize) -> f64| {
                DVector::from_iterator(
                    size,
                    blocks.iter().map(|block| {
                        if block.quantity == quantity {
                            mean_of(block, figure)
                        } else {
                            0.0
                        }
                    }),
                )
            };
            shared.push((along(&|_| 1.0), 1.0));
            shared.push((along(&|at| time[at]), AGEING[quantity].1));
            shared.push((along(&|at| points.slow[at]), found.prior.constant));
            for days in [20.0, 50.0] {
                shared.push((
                    along(&|at| (-time[at] / (days * DAY)).exp()),
                    found.prior.settling,
                ));
            }
            for it in &trend.interventions {
                let spread = match it.kind {
                    _ if !it.touches[quantity] => continue,
                    Happening::Bend => continue,
                    Happening::Calibration => found.prior.calibration,
                    Happening::Cleaning | Happening::Replacement => found.prior.jump,
                    // What nobody told, and no cleaning does, is what a cause must explain.
                    Happening::Jump => continue,
                };
                shared.push((
                    along(&|at| f64::from(u8::from(points.time[at] >= it.time))),
                    spread,
                ));
            }
        }
        for (direction, spread) in &shared {
            covariance.ger(spread * spread, direction, direction, 1.0);
        }
        let middle: Vec<f64> = blocks
            .iter()
            .map(|block| mean_of(block, &|at| time[at]))
            .collect();
        for (row, a) in blocks.iter().enumerate() {
            for (column, b) in blocks.iter().enumerate() {
                if a.quantity != b.quantity {
                    continue;
                }
                let (early, late) = (
                    middle[row].min(middle[column]),
                    middle[row].max(middle[column]),
                );
                let drift = trend.drift_of(a.quantity);
                // A random walk, and one whose rate walks.
                covariance[(row, column)] += drift * drift * early
                    + AGEING_WANDERS * AGEING_WANDERS * early * early * (late / 2.0 - early / 6.0);
                if row == column {
                    covariance[(row, column)] += a.variance;
                }
            }
        }
        let values = DVector::from_iterator(
            size,
            blocks
                .iter()
                .zip(&middle)
                .map(|(block, time)| block.value - AGEING[block.quantity].0 * time),
        );
        let factor = Cholesky::new(covariance)?;
        let values = factor.l_dirty().solve_lower_triangular(&values)?;
        let beginnings = (0..12)
            .map(|at| length * (0.02 + 0.08 * f64::from(at)))
            .collect();
        let mut steps: Vec<f64> = trend
            .changes
            .iter()
            .zip(&trend.interventions)
            .filter(|(change, _)| change.told.is_none())
            .map(|(_, it)| it.time - start - 1e-6)
            .collect();
        for pair in blocks.windows(2) {
            if pair[0].quantity == pair[1].quantity {
                steps.push(time[pair[1].first] - 1e-6);
            }
        }
        Some(Self {
            blocks,
            time,
            length,
            factor,
            values,
            beginnings,
            steps,
        })
    }

    /// The logarithm of how likely a pattern makes the blocks, over how likely nothing but ageing does: the mean over all
    /// its forms and beginnings.
    pub fn log_ratio(&self, showings: &[Showing]) -> f64 {
        let mut logs = Vec::new();
        for showing in showings {
            let begins = if matches!(showing.form, Form::Step | Form::Ramp(_)) {
                &self.steps
            } else {
                &self.beginnings
            };
            let alike = (begins.len() * showings.len()) as f64;
            for begin in begins {
                logs.push(self.log_ratio_of(showing, *begin) - alike.ln());
            }
        }
        log_sum(&logs)
    }

    fn log_ratio_of(&self, showing: &Showing, begin: f64) -> f64 {
        let left = (self.length - begin).max(1e-9);
        let growth = |time: f64| {
            showing
                .form
                .at((time - begin) / left, (time - begin) / self.length)
        };
        let direction = DVector::from_iterator(
            self.blocks.len(),
            self.blocks.iter().map(|block| {
                let places = block.first..=block.last;
                let count = places.clone().count() as f64;
                let mean = |power: f64| {
                    places
                        .clone()
                        .map(|at| growth(self.time[at]).powf(power))
                        .sum::<f64>()
                        / count
                };
                match block.quantity {
                    0 if showing.water != 0.0 => showing.water * mean(1.0),
                    1 if showing.salt != 0.0 => showing.salt * mean(1.0),
                    2 if showing.drop != 0.0 => showing.drop * mean(showing.drop_power),
                    _ => 0.0,
                }
            }),
        );
        let Some(direction) = self.factor.l_dirty().solve_lower_triangular(&direction) else {
            return f64::NEG_INFINITY;
        };
        // ∫ N(s; μ, σ²) exp(s b − s² a/2) ds, over all s or over those above 0.
        let (a, b) = (direction.dot(&direction), direction.dot(&self.values));
        let spread = showing.severity * showing.severity;
        let variance = 1.0 / (a + 1.0 / spread);
        let b = b + showing.typical / spread;
        let whole = 0.5 * b * b * variance + 0.5 * (variance / spread).ln()
            - 0.5 * showing.typical * showing.typical / spread;
        if showing.both_ways {
            whole
        } else {
            let above = |height: f64| Normal::standard().cdf(height).max(f64::MIN_POSITIVE).ln();
            whole + above(b * variance.sqrt()) - above(showing.typical / showing.severity)
        }
    }
}

/// Blocks of about the same time, none across a jump.
fn blocks(trend: &Trend, time: &[f64], jumps: &[&Intervention]) -> Vec<Block> {
    let points = &trend.points;
    let length = time[time.len() - 1];
    let mut cuts = vec![0];
    let mut next = length / BLOCKS as f64;
    for at in 1..time.len() {
        let jumped = jumps
            .iter()
            .any(|it| it.time > points.time[at - 1] && it.time <= points.time[at]);
        if time[at] >= next || jumped {
            cuts.push(at);
            while time[at] >= next {
                next += length / BLOCKS as f64;
            }
        }
    }
    cuts.push(time.len());
    let mut blocks = Vec::new();
    for found in &trend.quantities {
        let quantity = found.quantity as usize;
        let off = trend.off_trend(found);
        for cut in cuts.windows(2) {
            // A blunder is no evidence: four times the noise off the trend, one in 16 000 by chance.
            let mut values: Vec<f64> = (cut[0]..cut[1])
                .filter(|at| off[*at].abs() <= 4.0 * found.noise)
                .map(|at| points.values[quantity][at])
                .collect();
            if values.is_empty() {
                continue;
            }
            let count = values.len() as f64;
            let noise = found.noise * found.noise;
            let span = (time[cut[1] - 1] - time[cut[0]]).max(DAY);
            // A median of few is a mean; of many it has π/2 times its variance. Beside it, what wanders for days.
            let of_median = if count < 3.0 {
                1.0
            } else {
                std::f64::consts::FRAC_PI_2
            };
            blocks.push(Block {
                quantity,
                first: cut[0],
                last: cut[1] - 1,
                value: median(&mut values),
                variance: of_median * noise / count
                    + 0.3 * noise * (10.0 * DAY / span).min(1.0)
                    + 2.5e-5,
            });
        }
    }
    blocks
}
