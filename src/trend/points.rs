//! What a trend is drawn through: a point a day, the median of the day's readings.

use std::collections::BTreeMap;

use crate::normalise::Normalised;
use crate::screen::Reasons;
use crate::stats::median;

/// A year, µs: 365.25 days.
pub const YEAR_US: f64 = 365.25 * 24.0 * 3600.0 * 1e6;
/// A day, µs.
pub const DAY_US: i64 = 86_400_000_000;
/// A day, y.
pub const DAY: f64 = 1.0 / 365.25;
/// How far back the slow temperature looks, y. A thermometer's noise would dilute what temperature does to a
/// plant (errors in variables), so the mean of a week carries the law, and what the day differs from it is a
/// nuisance with a coefficient of its own.
pub(super) const SLOW: f64 = 7.0 * DAY;

/// The figures a trend is drawn of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quantity {
    /// How easily water passes: output at like conditions.
    WaterPermeability,
    /// How easily salt passes.
    SaltPermeability,
    /// What it takes to push water along the elements: differential pressure at like flows.
    PressureDrop,
}

impl Quantity {
    /// All, in order.
    pub const ALL: [Self; 3] = [
        Self::WaterPermeability,
        Self::SaltPermeability,
        Self::PressureDrop,
    ];

    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Self::WaterPermeability => "water_permeability",
            Self::SaltPermeability => "salt_permeability",
            Self::PressureDrop => "pressure_drop",
        }
    }

    /// The columns of a result that tell it: the membrane model's where there is one, else the standard practice's.
    pub fn columns(self) -> [&'static str; 2] {
        match self {
            Self::WaterPermeability => ["element_water_permeability", "normalised_permeate_flow"],
            Self::SaltPermeability => ["element_salt_permeability", "normalised_salt_passage"],
            Self::PressureDrop => ["spacer_friction", "normalised_differential_pressure"],
        }
    }
}

/// The points of one train and stage: one time for all quantities.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Points {
    /// The median time of the day's readings, years from 1970.
    pub time: Vec<f64>,
    /// 1/298.15 K − 1/T, the mean of a week, 1/K.
    pub slow: Vec<f64>,
    /// The day's own less that, 1/K.
    pub fast: Vec<f64>,
    /// The day's temperature, degC.
    pub temperature: Vec<f64>,
    /// Each quantity's natural logarithm; NaN where it is missing.
    pub values: [Vec<f64>; 3],
    /// The column each was taken from; `None`: there is none of it.
    pub columns: [Option<&'static str>; 3],
}

impl Points {
    /// How many.
    pub fn len(&self) -> usize {
        self.time.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.time.is_empty()
    }

    /// The points of the rows of a group, in order of time.
    pub fn of(result: &Normalised, rows: &[usize]) -> Self {
        let time = &result.log.table.time;
        let used: Vec<usize> = rows
            .iter()
            .copied()
            .filter(|row| (result.reasons[*row] - Reasons::OF_ONE_FIGURE).is_empty())
            .collect();
        let mut points = Self::default();
        let mut series: [Option<&[f64]>; 3] = [None; 3];
        for (at, quantity) in Quantity::ALL.iter().enumerate() {
            for column in quantity.columns() {
                let found = result.series.iter().find(|series| series.name == column);
                if let (None, Some(found)) = (series[at], found) {
                    series[at] = Some(&found.values);
                    points.columns[at] = Some(column);
                }
            }
        }
        // Days are cut by UTC, so that a point doesn't depend on who looks at it.
        let mut days: BTreeMap<i64, Vec<usize>> = BTreeMap::new();
        for row in used {
            let day = time[row].div_euclid(DAY_US);
            days.entry(day).or_default().push(row);
        }
        for rows in days.into_values() {
            let of = |figure: &dyn Fn(usize) -> f64| {
                let figures = rows.iter().map(|row| figure(*row));
                median(
                    &mut figures
                        .filter(|figure| figure.is_finite())
                        .collect::<Vec<_>>(),
                )
            };
            let temperature = of(&|row| result.inputs.conditions(row).temperature);
            let figures = series.map(|values| {
                values.map_or(f64::NAN, |values| {
                    of(&|row| {
                        Some(values[row])
                            .filter(|value| *value > 0.0)
                            .map_or(f64::NAN, f64::ln)
                    })
                })
            });
            if temperature.is_nan() || figures.iter().all(|figure| figure.is_nan()) {
                continue;
            }
            points.time.push(of(&|row| time[row] as f64 / YEAR_US));
            points.temperature.push(temperature);
            for (values, figure) in points.values.iter_mut().zip(figures) {
                values.push(figure);
            }
        }
        points.split_temperature();
        points
    }

    /// Tells slow from fast.
    pub(super) fn split_temperature(&mut self) {
        let inverse: Vec<f64> = self
            .temperature
            .iter()
            .map(|degc| inverse_temperature(*degc))
            .collect();
        let mut first = 0;
        self.slow.clear();
        self.fast.clear();
        for at in 0..inverse.len() {
            while self.time[at] - self.time[first] > SLOW {
                first += 1;
            }
            let week = &inverse[first..=at];
            let slow = week.iter().sum::<f64>() / week.len() as f64;
            self.slow.push(slow);
            self.fast.push(inverse[at] - slow);
        }
    }

    /// Takes in a day's temperature, and forgets what is older than a week before it.
    pub(super) fn push_temperature(&mut self, time: f64, temperature: f64) {
        self.time.push(time);
        self.temperature.push(temperature);
        let first = self.time.partition_point(|then| time - then > SLOW);
        self.time.drain(..first);
        self.temperature.drain(..first);
    }

    /// Slow and fast of the last point.
    pub(super) fn last_split(&mut self) -> (f64, f64) {
        self.split_temperature();
        let last = |figures: &[f64]| figures.last().copied().unwrap_or(f64::NAN);
        (last(&self.slow), last(&self.fast))
    }

    /// The place of the last point that is a year or more before the last; the first, if none is.
    pub(super) fn year_before_last(&self) -> usize {
        let last = self.time.last().copied().unwrap_or(0.0);
        self.time
            .partition_point(|time| *time <= last - 1.0)
            .saturating_sub(1)
    }

    /// The noise of single points: robust, from how far each lies off the line between its neighbours. `None` of too few.
    pub fn noise(&self, quantity: usize) -> Option<f64> {
        let known: Vec<(f64, f64)> = self
            .time
            .iter()
            .zip(&self.values[quantity])
            .filter(|(_, value)| !value.is_nan())
            .map(|(time, value)| (*time, *value))
            .collect();
        let mut off: Vec<f64> = known
            .windows(3)
            .filter(|three| three[2].0 - three[0].0 < 7.0 * DAY)
            .map(|three| {
                let share = (three[1].0 - three[0].0) / (three[2].0 - three[0].0);
                let line = three[0].1 + share * (three[2].1 - three[0].1);
                let spread = (1.0 + share * share + (1.0 - share) * (1.0 - share)).sqrt();
                (three[1].1 - line).abs() / spread
            })
            .collect();
        (off.len() >= 20).then(|| 1.4826 * median(&mut off))
    }
}

/// The UTC day of a time in years from 1970.
pub(crate) fn utc_day(years: f64) -> i64 {
    ((years * YEAR_US) as i64).div_euclid(DAY_US)
}

/// 1/298.15 K − 1/T.
pub fn inverse_temperature(degc: f64) -> f64 {
    1.0 / 298.15 - 1.0 / (degc + 273.15)
}
