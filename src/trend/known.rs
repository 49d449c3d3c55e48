//! Figures of states that are known as a mixture.

use super::METHOD;
use super::filter::{Gaussian, LEVEL, RATE};
use super::mixture::{Component, moments, quantile};
use super::model::{Believed, PARTS};
use crate::assess::Estimate;

/// The level against a part, with the variance that instruments' drift in between adds.
pub(crate) fn since(state: &Gaussian<PARTS>, from: usize, drift: f64) -> (f64, f64) {
    let (mean, variance) = difference(state, LEVEL, from);
    (mean, variance + drift)
}

pub(crate) fn rate(state: &Gaussian<PARTS>) -> (f64, f64) {
    part(state, RATE)
}

pub(crate) fn part(state: &Gaussian<PARTS>, part: usize) -> (f64, f64) {
    (state.mean[part], state.covariance[part][part])
}

pub(crate) fn difference(state: &Gaussian<PARTS>, of: usize, from: usize) -> (f64, f64) {
    let p = &state.covariance;
    (
        state.mean[of] - state.mean[from],
        p[of][of] + p[from][from] - 2.0 * p[of][from],
    )
}

/// A figure of the states as a mixture.
pub(crate) fn mixture_of<'a>(
    ways: &[Believed],
    states: impl IntoIterator<Item = &'a Gaussian<PARTS>>,
    of: &dyn Fn(&Gaussian<PARTS>) -> (f64, f64),
) -> Vec<Component> {
    ways.iter()
        .zip(states)
        .map(|(way, state)| {
            let (mean, variance) = of(state);
            Component {
                share: way.share,
                mean,
                deviation: variance.max(0.0).sqrt(),
            }
        })
        .collect()
}

/// An estimate of a mixture; `shown` rises or falls throughout.
pub(crate) fn estimate(
    mixture: &[Component],
    level: f64,
    n: usize,
    shown: &dyn Fn(f64) -> f64,
) -> Estimate {
    let ends = [0.5 - 0.5 * level, 0.5 + 0.5 * level].map(|share| shown(quantile(mixture, share)));
    Estimate {
        value: shown(moments(mixture).0),
        low: ends[0].min(ends[1]),
        high: ends[0].max(ends[1]),
        level,
        unit: "",
        n,
        method: METHOD,
        budget: None,
    }
}
