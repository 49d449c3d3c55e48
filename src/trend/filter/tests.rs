//! The filter beside one large normal distribution.

use super::*;
use nalgebra::{Cholesky, DMatrix, DVector};
use proptest::prelude::*;

const LEVEL_U: f64 = 2.0;
const RATE_U: f64 = 0.7;

/// The covariance of the level at two times, and of two values, as their definitions give it.
fn covariances(s: f64, t: f64, variances: &Variances) -> (f64, f64) {
    let (early, late) = (s.min(t), s.max(t));
    let level = LEVEL_U.powi(2)
        + RATE_U.powi(2) * s * t
        + variances.bend.powi(2) * early * early * (3.0 * late - early) / 6.0
        + variances.walk.powi(2) * early;
    let wander = variances.wander.powi(2) * (-(late - early) / variances.memory).exp();
    (level, level + wander)
}

proptest! {
    /// One pass forward and one back give what the joint normal distribution of all values gives.
    #[test]
    fn as_one_large_normal_distribution(
        gaps in prop::collection::vec(0.0..2.0_f64, 7),
        values in prop::collection::vec(-3.0..3.0_f64, 8),
        missing in prop::collection::vec(prop::bool::weighted(0.2), 8),
        noise in 0.05..2.0_f64,
        wander in 0.0..1.0_f64,
        memory in 0.1..5.0_f64,
        bend in 0.0..1.0_f64,
        walk in 0.0..1.0_f64,
    ) {
        let variances = Variances { noise, wander, memory, bend, share: 0.0, growth: 0.0, walk };
        let mut times = vec![0.0];
        for gap in gaps {
            times.push(times[times.len() - 1] + gap);
        }
        let mut steps: Vec<Step<3>> = Vec::new();
        let mut passes = Vec::new();
        for at in 0..times.len() {
            passes.push(steps.len());
            steps.push(Step::Pass(times[at] - times[at.saturating_sub(1)]));
            if !missing[at] {
                steps.push(Step::Read { value: values[at], loads: [1.0, 0.0, 1.0], weight: 1.0 });
            }
        }
        let start = Gaussian::independent([0.0; 3], [LEVEL_U, RATE_U, wander]);
        let (smoothed, log_likelihood) = smooth(start, &steps, &variances, None);

        let read: Vec<usize> = (0..times.len()).filter(|at| !missing[*at]).collect();
        prop_assume!(!read.is_empty());
        let size = read.len();
        let joint = DMatrix::from_fn(size, size, |i, j| {
            let same = if i == j { noise * noise } else { 0.0 };
            covariances(times[read[i]], times[read[j]], &variances).1 + same
        });
        let y = DVector::from_iterator(size, read.iter().map(|at| values[*at]));
        let factor = Cholesky::new(joint).expect("a covariance");
        let weighted = factor.solve(&y);
        let expected = -0.5 * y.dot(&weighted)
            - factor.l().diagonal().map(f64::ln).sum()
            - size as f64 * LN_ROOT_TAU;
        prop_assert!((log_likelihood - expected).abs() < 1e-8 * (1.0 + expected.abs()));

        for at in 0..times.len() {
            let with = DVector::from_iterator(
                size,
                read.iter().map(|other| covariances(times[at], times[*other], &variances).0),
            );
            let mean = with.dot(&weighted);
            let variance =
                covariances(times[at], times[at], &variances).0 - with.dot(&factor.solve(&with));
            let last = passes.get(at + 1).map_or(steps.len(), |next| *next) - 1;
            let state = &smoothed[last].state;
            prop_assert!((state.mean[LEVEL] - mean).abs() < 1e-7);
            prop_assert!((state.covariance[LEVEL][LEVEL] - variance).abs() < 1e-7);

            // A jump of the level just before this time: a step added to the values from then on.
            let step = DVector::from_iterator(
                size,
                read.iter().map(|other| f64::from(u8::from(*other >= at))),
            );
            if let Some(after) = smoothed.get(passes[at] + 1) {
                let information = step.dot(&factor.solve(&step));
                prop_assert!((after.score[LEVEL] - step.dot(&weighted)).abs() < 1e-7 * (1.0 + information));
                prop_assert!((after.information[LEVEL] - information).abs() < 1e-7 * (1.0 + information));
            }
        }
    }

    /// Cut anywhere, the same.
    #[test]
    fn goes_on_where_it_stopped(values in prop::collection::vec(-3.0..3.0_f64, 12), cut in 1..11_usize) {
        let variances = Variances { noise: 0.3, wander: 0.2, memory: 0.5, bend: 0.1, share: 0.5, growth: 1.0, walk: 0.1 };
        let steps: Vec<Step<3>> = values
            .iter()
            .flat_map(|value| {
                [Step::Pass(0.1), Step::Read { value: *value, loads: [1.0, 0.0, 1.0], weight: 1.0 }]
            })
            .collect();
        let blunders = Some(Blunders { share: 0.05, times: 5.0 });
        let start = Gaussian::independent([0.0; 3], [LEVEL_U, RATE_U, 0.2]);
        let mut whole = start;
        let all = filter(&mut whole, &steps, &variances, blunders, |_, _| {});
        let mut parts = start;
        let first = filter(&mut parts, &steps[..2 * cut], &variances, blunders, |_, _| {});
        let second = filter(&mut parts, &steps[2 * cut..], &variances, blunders, |_, _| {});
        prop_assert_eq!(whole, parts);
        prop_assert!((all - first - second).abs() < 1e-12 * (1.0 + all.abs()));
    }
}

#[test]
fn a_blunder_moves_little() {
    let variances = Variances {
        noise: 0.1,
        wander: 0.0,
        memory: 1.0,
        bend: 0.0,
        share: 0.0,
        growth: 0.0,
        walk: 0.0,
    };
    let read = |last: f64, blunders| {
        let mut state = Gaussian::<3>::independent([0.0; 3], [1.0, 0.0, 0.0]);
        for _ in 0..20 {
            state.read(0.0, &[1.0, 0.0, 0.0], variances.noise, blunders);
        }
        let told = state.read(last, &[1.0, 0.0, 0.0], variances.noise, blunders);
        (state.mean[LEVEL], told.believed)
    };
    let guarded = Some(Blunders {
        share: 0.02,
        times: 6.0,
    });
    let (moved, believed) = read(1.0, guarded);
    assert!(moved < 0.005 && believed < 1e-6);
    assert!(read(1.0, None).0 > 0.04);
    // What is usual is believed.
    assert!(read(0.1, guarded).1 > 0.97);
}
