//! A trend that goes on: each new day's point is taken in, in the same time however long the log.

use super::model::{BLUNDERS, Happening, loads, share_out};
use super::points::{Points, Quantity, utc_day};
use super::{QuantityTrend, Trend};
use crate::assess::Estimate;
use crate::error::Error;
use crate::normalise::Normalised;

/// A trend that takes in what is read after it was made.
///
/// The ways things may vary, and what happened, stay those of the trend; how much each way is believed goes on. The state is
/// the same, to rounding, as if all points had been filtered at once that way.
#[derive(Debug, Clone)]
pub struct Tracker {
    trend: Trend,
    /// The last week's points: what tells slow temperature from fast.
    week: Points,
}

impl Tracker {
    /// Begins where a trend ends.
    pub fn new(trend: &Trend) -> Self {
        let mut week = Points::default();
        let last = trend.points.time.last().copied().unwrap_or(f64::NAN);
        for at in 0..trend.points.len() {
            if last - trend.points.time[at] <= super::points::SLOW {
                week.time.push(trend.points.time[at]);
                week.temperature.push(trend.points.temperature[at]);
            }
        }
        let mut trend = trend.clone();
        // Only the ends are kept going.
        for quantity in &mut trend.quantities {
            quantity.change = super::Band::default();
            quantity.rate = super::Band::default();
        }
        Self { trend, week }
    }

    /// The time of the last point, years from 1970.
    pub fn last(&self) -> f64 {
        self.week.time.last().copied().unwrap_or(f64::NAN)
    }

    /// Takes in the points of a later result of the same train. Returns how many.
    ///
    /// # Errors
    /// [`Error::Baseline`] where the result doesn't hold the train; [`Error::Method`] where it was normalised to another
    /// reference.
    pub fn update(&mut self, result: &Normalised) -> Result<usize, Error> {
        let (_, rows) = self.trend.rows_in(result)?;
        let points = Points::of(result, &rows);
        let mut taken = 0;
        for at in 0..points.len() {
            // A day that was read before is not read twice.
            if utc_day(points.time[at]) > utc_day(self.last()) {
                let values = [0, 1, 2].map(|quantity| points.values[quantity][at]);
                self.push(points.time[at], points.temperature[at], values);
                taken += 1;
            }
        }
        Ok(taken)
    }

    /// Takes in one day's point. `values`: logarithms, NaN where missing.
    fn push(&mut self, time: f64, temperature: f64, values: [f64; 3]) {
        let years = time - self.last();
        self.week.push_temperature(time, temperature);
        let (slow, fast) = self.week.last_split();
        let new_at = self
            .trend
            .interventions
            .iter()
            .filter(|it| it.kind == Happening::Replacement)
            .fold(self.trend.new.at, |new_at, it| new_at.max(it.time));
        let loads = loads(slow, fast, (time - new_at).max(0.0));
        for found in &mut self.trend.quantities {
            let value = values[found.quantity as usize];
            for (way, state) in found.ways.iter_mut().zip(&mut found.ends) {
                state.pass(years, &way.variances);
                way.share = way.share.ln();
                if !value.is_nan() {
                    let told = state.read(value, &loads, way.variances.noise, Some(BLUNDERS));
                    way.share += told.log_likelihood;
                }
            }
            share_out(&mut found.ways);
            found.n += usize::from(!value.is_nan());
            found.last = time;
        }
    }

    /// How a quantity stands.
    pub fn of(&self, quantity: Quantity) -> Option<&QuantityTrend> {
        self.trend.of(quantity)
    }

    /// Change of a quantity against new, as a fraction.
    pub fn now(&self, quantity: Quantity) -> Option<Estimate> {
        self.of(quantity).map(|found| found.now(self.trend.level))
    }

    /// Its rate, 1/y.
    pub fn rate_now(&self, quantity: Quantity) -> Option<Estimate> {
        self.of(quantity)
            .map(|found| found.rate_now(self.trend.level))
    }
}

#[cfg(test)]
mod tests {
    use super::super::model::{Course, New, PARTS, THEN, likely, scatters};
    use super::*;
    use crate::trend::points::DAY;
    use crate::trend::{Prior, trend_of_points};

    const NEW: New = New {
        at: 52.0,
        figures: [f64::NAN; 3],
        slow: 0.0,
    };

    /// A plant that loses 10 % a year, through two seasons.
    fn points(days: usize) -> Points {
        let mut points = Points::default();
        for day in 0..days {
            let time = 52.0 + day as f64 * DAY;
            let season = (std::f64::consts::TAU * time).cos();
            // Scatter that repeats only after years.
            let scatter = 0.01 * ((12.9898 * day as f64).sin() * 43_758.545).fract();
            points.time.push(time);
            points.temperature.push(14.0 - 6.0 * season);
            points.values[0].push(1.0 - 0.1 * day as f64 * DAY + 0.02 * season + scatter);
            points.values[1].push(if day % 7 == 0 {
                f64::NAN
            } else {
                -4.0 + 2.0 * scatter
            });
            points.values[2].push(f64::NAN);
        }
        points.columns = [Some("water"), Some("salt"), None];
        points.split_temperature();
        points
    }

    #[test]
    fn day_by_day_is_the_same_as_at_once() {
        let all = points(500);
        let early = points(400);
        let trend = trend_of_points(early, NEW, &Default::default());
        let mut tracker = Tracker::new(&trend);
        for at in 400..500 {
            let values = [0, 1, 2].map(|quantity| all.values[quantity][at]);
            tracker.push(all.time[at], all.temperature[at], values);
        }
        for found in &tracker.trend.quantities {
            let quantity = found.quantity as usize;
            let course = Course::new(&all, quantity, &found.prior, &trend.interventions, &NEW);
            let mut shares: Vec<f64> = Vec::new();
            for (way, end) in found.ways.iter().zip(&found.ends) {
                let (log, state) = course.filtered(&way.variances);
                shares.push(way.prior.ln() + log);
                for part in (0..PARTS).filter(|part| *part != THEN) {
                    assert!(
                        (state.mean[part] - end.mean[part]).abs()
                            < 1e-9 * (1.0 + state.mean[part].abs())
                    );
                    let spread = state.covariance[part][part];
                    assert!((spread - end.covariance[part][part]).abs() < 1e-9 * (1.0 + spread));
                }
            }
            let top = shares.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let sum: f64 = shares.iter().map(|share| (share - top).exp()).sum();
            for (way, share) in found.ways.iter().zip(&shares) {
                assert!((way.share - (share - top).exp() / sum).abs() < 1e-6);
            }
        }
        assert_eq!(
            tracker.of(Quantity::WaterPermeability).map(|found| found.n),
            Some(500)
        );
    }

    #[test]
    fn a_course_knows_its_law_and_its_rate() {
        let trend = trend_of_points(points(900), NEW, &Default::default());
        let water = trend
            .of(Quantity::WaterPermeability)
            .expect("there are points");
        let rate = water.rate_over_year(0.9);
        assert!(rate.low < -0.1 && rate.high > -0.1, "{rate}");
        // 2 % of season on 6 K: d ln/dx with dx/dT = 1/T².
        let own = water.ends[0].mean[super::super::model::SLOW];
        let expected = -0.02 / 6.0 * (273.15_f64 + 14.0).powi(2);
        assert!((own - expected).abs() < 60.0, "{own} beside {expected}");
        let prior = Prior::of(Quantity::WaterPermeability, None);
        let course = Course::new(&trend.points, 0, &prior, &[], &NEW);
        let scatters = scatters(&course, 0.01, prior.drift, true);
        let ways = likely(&course, &scatters, prior.drift);
        assert!((ways.iter().map(|way| way.share).sum::<f64>() - 1.0).abs() < 1e-12);
    }
}
