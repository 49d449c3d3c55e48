//! The arms of a trial: whose readings, from when to when, with which treatment; a point a day of each.

use std::collections::BTreeMap;

use super::measure::Measure;
use super::{Prices, refused};
use crate::error::Error;
use crate::log::time::{show, zone_or_utc};
use crate::normalise::Normalised;
use crate::screen::Reasons;
use crate::site::EventKind;
use crate::stats::median;
use crate::table::Group;
use crate::trend::points::{DAY_US, Quantity, inverse_temperature};

/// One arm of a trial.
#[derive(Debug, Clone, Copy)]
pub struct Arm<'a> {
    /// The log it is of, normalised.
    pub result: &'a Normalised,
    /// What is done to its water.
    pub treatment: &'a str,
    /// The train, where the log tells several.
    pub train: Option<&'a str>,
    /// The stage, where the log tells several.
    pub stage: Option<&'a str>,
    /// Its first moment and the one after its last, µs since 1970.
    pub span_us: (i64, i64),
    /// When its membranes were cleaned, µs since 1970; `None`: as the site file tells.
    pub cleanings_us: Option<&'a [i64]>,
    /// What its treatment costs for each m3 of permeate, in the currency of the prices.
    pub treatment_cost: f64,
}

/// A day of an arm: medians of its readings.
#[derive(Debug, Clone, Copy)]
pub(super) struct Day {
    /// UTC day since 1970.
    pub day: i64,
    /// Median time of its readings, d since 1970.
    pub time: f64,
    /// Feed temperature, degC.
    pub temperature: f64,
    /// Salt in the feed, mg/L.
    pub salinity: f64,
    /// Permeate for each area, L/m2/h.
    pub flux: f64,
    /// Permeate flow, m3/h.
    pub permeate: f64,
    /// Logarithms of the three quantities against the reference.
    pub logs: [f64; 3],
    /// Feed pressure times feed flow over permeate flow, bar.
    pub pressure: f64,
    /// Feed flow over permeate flow.
    pub water: f64,
}

/// An arm with its days.
#[derive(Debug, Clone)]
pub(super) struct Course<'a> {
    pub arm: Arm<'a>,
    pub group: Group,
    /// Where it stands among the groups of its result.
    pub days: Vec<Day>,
    /// Days of cleanings within it, d since 1970.
    pub cleanings: Vec<f64>,
    /// Days on which a level may have moved though nothing fouled: cleanings, and instruments set right.
    pub cuts: Vec<f64>,
    /// The columns that its quantities were taken from.
    pub columns: [Option<&'static str>; 3],
}

impl Arm<'_> {
    /// The unit it is of, its treatment and time, in words.
    pub fn words(&self) -> String {
        let zone = zone_or_utc(&self.result.log.table.zone);
        let day = |us: i64| show(us, &zone).get(..10).unwrap_or_default().to_owned();
        let train = self
            .train
            .map_or(String::new(), |train| format!(" train {train}"));
        format!(
            "'{}'{train}, {} to {}",
            self.treatment,
            day(self.span_us.0),
            day(self.span_us.1 - 1)
        )
    }
}

impl<'a> Course<'a> {
    pub fn of(arm: Arm<'a>) -> Result<Self, Error> {
        let result = arm.result;
        let mut found = result.rows_of_groups().into_iter().filter(|(group, _)| {
            (arm.train.is_none() || group.train.as_deref() == arm.train)
                && (arm.stage.is_none() || group.stage.as_deref() == arm.stage)
        });
        let (Some((group, rows)), None) = (found.next(), found.next()) else {
            return Err(refused(
                format!(
                    "arm {}: the log holds no such train and stage, or several",
                    arm.words()
                ),
                "name one train, and one stage where the log has them",
            ));
        };
        let (start, end) = arm.span_us;
        let time = &result.log.table.time;
        let rows: Vec<usize> = rows
            .into_iter()
            .filter(|row| (start..end).contains(&time[*row]))
            .filter(|row| (result.reasons[*row] - Reasons::OF_ONE_FIGURE).is_empty())
            .collect();
        let within = |us: i64| (start..end).contains(&us);
        let told = |kinds: &[EventKind]| -> Vec<f64> {
            let events = result.site.events.iter();
            events
                .filter(|event| within(event.time_us) && kinds.contains(&event.kind))
                .map(|event| event.time_us as f64 / DAY_US as f64)
                .collect()
        };
        if !told(&[EventKind::Replacement]).is_empty() {
            return Err(refused(
                format!("arm {}: membranes were replaced within it", arm.words()),
                "end the arm before, or begin it after",
            ));
        }
        let mut cleanings = match arm.cleanings_us {
            Some(times) => times
                .iter()
                .filter(|us| within(**us))
                .map(|us| *us as f64 / DAY_US as f64)
                .collect(),
            None => told(&[EventKind::Cleaning]),
        };
        cleanings.sort_by(f64::total_cmp);
        let known_errors = &result.inputs.known_errors;
        let events = result.site.events.iter();
        let mut cuts: Vec<f64> = events
            .filter(|event| within(event.time_us) && event.kind == EventKind::Calibration)
            .filter(|event| !known_errors.is_mere_check(event))
            .map(|event| event.time_us as f64 / DAY_US as f64)
            .collect();
        cuts.extend(&cleanings);
        cuts.sort_by(f64::total_cmp);
        let (days, columns) = days_of(result, &rows);
        Ok(Self {
            arm,
            group,
            days,
            cleanings,
            cuts,
            columns,
        })
    }

    /// The measure, a figure a day, as a logarithm; NaN where there is none.
    pub fn logs(&self, measure: Measure, prices: &Prices) -> Vec<f64> {
        // The cleanings' cost is spread over all that was made between the first day and the last.
        let made: f64 = 24.0
            * self
                .days
                .iter()
                .map(|day| day.permeate)
                .filter(|flow| *flow > 0.0)
                .sum::<f64>();
        let cleaned = prices.cleaning * self.cleanings.len() as f64 / made;
        self.days
            .iter()
            .map(|day| {
                // bar m3/h are 1/36 kW.
                let energy = day.pressure / 36.0 / prices.pump_efficiency;
                match (measure, measure.quantity()) {
                    (_, Some(quantity)) => day.logs[quantity as usize],
                    (Measure::SpecificEnergy, _) => energy.ln(),
                    (Measure::WaterUsed, _) => day.water.ln(),
                    (Measure::Cost, _) => (energy * prices.energy_per_kwh
                        + day.water * prices.water_per_m3
                        + self.arm.treatment_cost
                        + cleaned)
                        .ln(),
                    _ => f64::NAN,
                }
            })
            .map(|log| if log.is_finite() { log } else { f64::NAN })
            .collect()
    }

    /// Inverse temperature of the last week, 1/298.15 K − 1/T, at each day.
    pub fn slow_temperature(&self) -> Vec<f64> {
        let inverse: Vec<f64> = self
            .days
            .iter()
            .map(|day| inverse_temperature(day.temperature))
            .collect();
        let mut first = 0;
        (0..self.days.len())
            .map(|at| {
                while self.days[at].day - self.days[first].day >= 7 {
                    first += 1;
                }
                let week = &inverse[first..=at];
                week.iter().sum::<f64>() / week.len() as f64
            })
            .collect()
    }

    /// Lengths of the whole runs between two cleanings, d.
    pub fn runs(&self) -> Vec<f64> {
        self.cleanings
            .windows(2)
            .map(|pair| pair[1] - pair[0])
            .collect()
    }

    /// Whether another arm is of the same membranes.
    pub fn same_unit(&self, other: &Self) -> bool {
        let reference = |course: &Self| course.arm.result.baseline.of(&course.group).cloned();
        self.group == other.group && reference(self) == reference(other)
    }
}

/// What a day of rows is in the median.
fn days_of(result: &Normalised, rows: &[usize]) -> (Vec<Day>, [Option<&'static str>; 3]) {
    let series = |name: &str| {
        let found = result.series.iter().find(|series| series.name == name);
        found.map(|series| -> &[f64] { &series.values })
    };
    let mut columns = [None; 3];
    let mut changes = [None; 3];
    for (at, quantity) in Quantity::ALL.iter().enumerate() {
        for column in quantity.columns() {
            if let (None, Some(found)) = (columns[at], series(&format!("{column}_change"))) {
                columns[at] = Some(column);
                changes[at] = Some(found);
            }
        }
    }
    let flux = series("flux");
    let time = &result.log.table.time;
    let mut of_days: BTreeMap<i64, Vec<usize>> = BTreeMap::new();
    for row in rows {
        of_days
            .entry(time[*row].div_euclid(DAY_US))
            .or_default()
            .push(*row);
    }
    let days = of_days.into_iter().map(|(day, rows)| {
        let of = |figure: &dyn Fn(usize) -> f64| {
            let figures = rows.iter().map(|row| figure(*row));
            median(
                &mut figures
                    .filter(|figure| figure.is_finite())
                    .collect::<Vec<f64>>(),
            )
        };
        let at = |row: usize| result.inputs.conditions(row);
        Day {
            day,
            time: of(&|row| time[row] as f64 / DAY_US as f64),
            temperature: of(&|row| at(row).temperature),
            salinity: of(&|row| at(row).feed_tds),
            flux: of(&|row| flux.map_or(f64::NAN, |flux| flux[row])),
            permeate: of(&|row| at(row).permeate_flow),
            logs: changes
                .map(|change| of(&|row| change.map_or(f64::NAN, |change| change[row].ln_1p()))),
            pressure: of(&|row| at(row).feed_pressure * at(row).feed_flow / at(row).permeate_flow),
            water: of(&|row| at(row).feed_flow / at(row).permeate_flow),
        }
    });
    (days.collect(), columns)
}
