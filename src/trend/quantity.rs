//! One quantity's course: how it stands, how fast it goes, where it leads.

use super::filter::{Gaussian, RATE};
use super::known::{estimate, mixture_of, rate, since};
use super::mixture::{Component, below};
use super::model::{Believed, NEW, PARTS, Prior, THEN};
use super::points::Quantity;
use super::temperature::SiteLaw;
use crate::assess::Estimate;
use crate::error::Error;

/// A figure a day with its interval.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Band {
    /// The figure.
    pub value: Vec<f64>,
    /// Lower ends.
    pub low: Vec<f64>,
    /// Upper ends.
    pub high: Vec<f64>,
}

/// One quantity's course.
#[derive(Debug, Clone)]
pub struct QuantityTrend {
    /// Which.
    pub quantity: Quantity,
    /// The column of the result it is of.
    pub column: &'static str,
    /// Points there are.
    pub n: usize,
    /// Noise of single points, as a fraction.
    pub noise: f64,
    /// Change against new, as a fraction, at each point, as all points tell it; what settles is apart.
    pub change: Band,
    /// Rate at each point, 1/y of the logarithm.
    pub rate: Band,
    /// What the trend makes of each point: the logarithm, with temperature and settling, without what wanders.
    pub(crate) fitted: Vec<f64>,
    /// What settles of the level in the first weeks, as a fraction: compaction.
    pub settling: Estimate,
    /// The site's own temperature law.
    pub law: SiteLaw,
    /// What is thought of it.
    pub(crate) prior: Prior,
    /// When the membranes were new, years from 1970.
    pub(crate) new_at: f64,
    /// When the year before the last point began.
    pub(crate) then: f64,
    /// The last point.
    pub(crate) last: f64,
    /// The ways it may vary.
    pub(crate) ways: Vec<Believed>,
    /// The state at the last point, of each way.
    pub(crate) ends: Vec<Gaussian<PARTS>>,
}

/// How far a rate may be off over the time ahead, as a share of a year of itself: trouble speeds up and dies down by laws that no log
/// tells. Found on simulated plants (studies/trend.py), so that nine in ten forecasts hold the truth.
const CARRIES_ON: f64 = 0.80;

impl QuantityTrend {
    /// The logarithm of the change since new some time after the last point, if nothing happens.
    pub(crate) fn ahead(&self, years: f64) -> Vec<Component> {
        let states: Vec<Gaussian<PARTS>> = self
            .ways
            .iter()
            .zip(&self.ends)
            .map(|(way, end)| {
                let mut state = *end;
                state.pass(years, &way.variances);
                state
            })
            .collect();
        let drift = self.prior.instruments(self.last - self.new_at);
        mixture_of(&self.ways, &states, &|state| {
            let (mean, variance) = since(state, NEW, drift);
            // Most of that within a year: later it has found its way.
            let further = CARRIES_ON * state.mean[RATE] * -(-years).exp_m1();
            (mean, variance + further * further)
        })
    }

    /// Change against new at the last point, as a fraction.
    pub fn now(&self, level: f64) -> Estimate {
        estimate(&self.ahead(0.0), level, self.n, &f64::exp_m1)
    }

    /// Rate at the last point, 1/y of the logarithm.
    pub fn rate_now(&self, level: f64) -> Estimate {
        estimate(
            &mixture_of(&self.ways, &self.ends, &rate),
            level,
            self.n,
            &|rate| rate,
        )
    }

    /// Mean rate over the last year, or since the first point, 1/y of the logarithm; what cleanings did is in it.
    pub fn rate_over_year(&self, level: f64) -> Estimate {
        let years = self.last - self.then;
        let drift = self.prior.drift.powi(2) * years;
        let mixture = mixture_of(&self.ways, &self.ends, &|state| since(state, THEN, drift));
        estimate(&mixture, level, self.n, &|change| change / years)
    }

    /// How likely it is that the change since new lies below a fraction.
    pub fn probability_below(&self, change: f64) -> f64 {
        below(&self.ahead(0.0), change.ln_1p())
    }

    /// Change against new some time after the last point, if nothing happens, as a fraction.
    ///
    /// # Errors
    /// [`Error::Range`] unless 0 to 20 years.
    pub fn forecast(&self, years: f64, level: f64) -> Result<Estimate, Error> {
        crate::error::setting("years", years, (0.0, 20.0), " y")?;
        crate::error::setting("level", level, (0.5, 0.999), "")?;
        Ok(estimate(&self.ahead(years), level, self.n, &f64::exp_m1))
    }
}
