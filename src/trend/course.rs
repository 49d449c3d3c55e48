//! The course of one train and stage: all of its quantities together.

use super::filter::LEVEL;
use super::happened::Change;
use super::mixture::Component;
use super::model::{self, Intervention, NEW, New, PARTS};
use super::points::{Points, Quantity, YEAR_US};
use super::quantity::QuantityTrend;
use super::runs::Run;
use crate::baseline::Reference;
use crate::error::{Error, Fault};
use crate::normalise::Normalised;
use crate::table::Group;

/// The course of one train and stage.
#[derive(Debug, Clone)]
pub struct Trend {
    /// Which.
    pub group: Group,
    /// The name of the time zone times are shown in.
    pub zone: String,
    /// How often intervals hold the true figure.
    pub level: f64,
    /// The points it is drawn through.
    pub points: Points,
    /// The quantities there are enough points of.
    pub quantities: Vec<QuantityTrend>,
    /// What happened, in order of time.
    pub changes: Vec<Change>,
    /// The runs between cleanings.
    pub runs: Vec<Run>,
    /// What a reader must know.
    pub warnings: Vec<String>,
    /// What is new.
    pub new: New,
    pub(crate) interventions: Vec<Intervention>,
    /// What its figures were normalised to.
    pub(crate) reference: Option<Reference>,
}

impl Trend {
    /// The trend of a quantity, where there are points enough.
    pub fn of(&self, quantity: Quantity) -> Option<&QuantityTrend> {
        self.quantities
            .iter()
            .find(|found| found.quantity == quantity)
    }

    /// The place and the rows of its train and stage in a result.
    ///
    /// # Errors
    /// [`Error::Baseline`] where the result doesn't hold it; [`Error::Method`] where its figures were normalised to another
    /// reference, and so can't be set beside the trend's.
    pub(crate) fn rows_in(&self, result: &Normalised) -> Result<(usize, Vec<usize>), Error> {
        let groups = result.rows_of_groups();
        let found = groups
            .into_iter()
            .enumerate()
            .find(|(_, (group, _))| *group == self.group);
        let Some((at, (_, rows))) = found else {
            return Err(Error::Baseline(
                Fault::new(
                    format!("the result has no readings of {}", self.group),
                    "give it the same train's",
                )
                .into(),
            ));
        };
        if result.baseline.of(&self.group) != self.reference.as_ref() {
            return Err(Error::Method(Fault::new(
                "the trend and the result were normalised to different references",
                "normalise both with the same baseline",
            )));
        }
        Ok((at, rows))
    }

    /// What the last point alone says of a quantity: the logarithm of its change since new, with its own noise.
    pub(crate) fn visit_change(&self, found: &QuantityTrend) -> Vec<Component> {
        let last = self.points.len() - 1;
        let value = self.points.values[found.quantity as usize][last];
        let mut loads = self.loads_at(found, last);
        loads[LEVEL] = 0.0;
        loads[model::WANDER] = 0.0;
        loads[NEW] = 1.0;
        found
            .ways
            .iter()
            .zip(&found.ends)
            .map(|(way, state)| {
                let (expected, variance) = state.of(&loads);
                Component {
                    share: way.share,
                    mean: value - expected,
                    deviation: (variance + way.variances.noise.powi(2)).max(0.0).sqrt(),
                }
            })
            .collect()
    }

    /// What this trend, of earlier points, expects of a quantity at a later one: the logarithm of its change since new, with
    /// the noise of a single reading.
    pub(crate) fn expected(&self, quantity: Quantity, time: f64) -> Option<Vec<Component>> {
        let found = self.of(quantity)?;
        let mut loads = [0.0; PARTS];
        loads[LEVEL] = 1.0;
        loads[model::WANDER] = 1.0;
        loads[NEW] = -1.0;
        let parts = found.ways.iter().zip(&found.ends).map(|(way, end)| {
            let mut state = *end;
            state.pass((time - found.last).max(0.0), &way.variances);
            let (mean, variance) = state.of(&loads);
            Component {
                share: way.share,
                mean,
                deviation: (variance + way.variances.noise.powi(2)).max(0.0).sqrt(),
            }
        });
        Some(parts.collect())
    }

    fn loads_at(&self, found: &QuantityTrend, at: usize) -> [f64; PARTS] {
        let age = (self.points.time[at] - found.new_at).max(0.0);
        model::loads(self.points.slow[at], self.points.fast[at], age)
    }

    /// How much a change made each quantity's level jump, as a logarithm.
    pub(crate) fn jump_of(&self, place: usize) -> [Option<f64>; 3] {
        let change = &self.changes[place];
        [0, 1, 2].map(|quantity| {
            change.sizes[quantity]
                .as_ref()
                .map(|size| size.value.ln_1p())
        })
    }

    /// How far each point of a quantity lies off its trend, as a logarithm; NaN where it is missing.
    pub(crate) fn off_trend(&self, found: &QuantityTrend) -> Vec<f64> {
        let values = &self.points.values[found.quantity as usize];
        values
            .iter()
            .zip(&found.fitted)
            .map(|(value, fitted)| value - fitted)
            .collect()
    }

    /// How far instruments drift, of a quantity: standard deviation after a year.
    pub(crate) fn drift_of(&self, quantity: usize) -> f64 {
        self.quantities
            .iter()
            .find(|found| found.quantity as usize == quantity)
            .map_or(0.0, |found| found.prior.drift)
    }

    /// The times of the points, µs since 1970.
    pub fn times_us(&self) -> Vec<i64> {
        self.points
            .time
            .iter()
            .map(|time| (time * YEAR_US) as i64)
            .collect()
    }

    /// The points of a quantity as changes against the level when new, by the site's own temperature law; NaN where missing.
    pub fn point_changes(&self, quantity: Quantity) -> Vec<f64> {
        let Some(found) = self.of(quantity) else {
            return vec![f64::NAN; self.points.len()];
        };
        self.off_trend(found)
            .iter()
            .zip(&found.change.value)
            .map(|(off, change)| (off + change.ln_1p()).exp_m1())
            .collect()
    }
}
