//! How the unit stands: the last days of the log against the reference.
//!
//! Normalised, a change of the membranes is what is left. The measured change is shown beside it, split
//! into what temperature, what driving pressure and what the membranes did.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use statrs::distribution::{ContinuousCDF, Normal};

use crate::baseline::Reference;
use crate::error::{Error, Fault};
use crate::log::time::{HOUR, show, zone_or_utc};
use crate::normalise::{Normalised, Output};
use crate::screen::Reasons;
use crate::stats::{MedianInterval, difference, median, median_interval};
use crate::table::Group;
use crate::uncertainty::{Budget, SOURCES};
use crate::units::Unit;

/// A figure with its interval.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimate {
    /// The figure.
    pub value: f64,
    /// The lower end of its interval; NaN where the readings give none.
    pub low: f64,
    /// The upper end.
    pub high: f64,
    /// How often such an interval holds the true figure.
    pub level: f64,
    /// Its unit.
    pub unit: &'static str,
    /// How many readings (here: days with readings) it stands on.
    pub n: usize,
    /// How it was found.
    pub method: &'static str,
    /// Where its uncertainty comes from, where the instruments are known.
    pub budget: Option<Budget>,
}

/// How one train and stage stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Standing {
    /// The train, where the log tells.
    pub train: Option<String>,
    /// The stage, where the log tells.
    pub stage: Option<String>,
    /// First reading of the window, ISO 8601.
    pub start: String,
    /// Last reading of the window, ISO 8601.
    pub end: String,
    /// Days with readings in it.
    pub days: usize,
    /// Permeate over raw feed in the window, its median, from the flows.
    pub recovery: f64,
    /// Permeate over what passes the membranes once, recycle included.
    pub pass_recovery: f64,
    /// Changes against the reference, as fractions, by name.
    pub changes: Vec<(&'static str, Estimate)>,
    /// All of it in a sentence or two.
    pub sentence: String,
}

/// How the interval of a change is made.
const WITH_INSTRUMENTS: &str = "difference of medians of daily medians, on a log scale, together with what the instruments, assumptions and laws of the site file may be off by (JCGM 100)";

/// The same where nothing is known of the instruments.
const REPEATABILITY: &str = "difference of medians of daily medians, on a log scale; repeatability only: what an instrument is off by in both periods, or the temperature law between them, is not in it";

/// Settings of [`assess`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AssessSettings {
    /// Length of the window at the log's end, in whole days of the log's zone.
    pub days: f64,
    /// How often intervals shall hold the true figure.
    pub level: f64,
}

impl Default for AssessSettings {
    fn default() -> Self {
        Self {
            days: 28.0,
            level: 0.90,
        }
    }
}

/// How each train and stage stands over the last days of the log.
///
/// Each change is the ratio of the window's median of daily medians to the baseline's, less 1.
///
/// # Errors
/// [`Error::Range`] for settings out of range; [`Error::Baseline`] where no reading of the log was used.
pub fn assess(result: &Normalised, settings: &AssessSettings) -> Result<Vec<Standing>, Error> {
    crate::error::within("days", settings.days, (0.01, 36_500.0), " d")?;
    crate::error::within("level", settings.level, (0.5, 0.999), "")?;
    if settings.days.is_nan() || settings.level.is_nan() {
        return Err(Error::Baseline(
            Fault::new("days or level is missing", "days=28, level=0.90").into(),
        ));
    }
    let mut standings = Vec::new();
    for (at, (group, rows)) in result.rows_of_groups().iter().enumerate() {
        // A reading whose differential pressure alone was impossible still counts for flow and salt.
        let used: Vec<usize> = rows
            .iter()
            .copied()
            .filter(|row| (result.reasons[*row] - Reasons::OF_ONE_FIGURE).is_empty())
            .collect();
        let Some(reference) = result.baseline.of(group) else {
            continue;
        };
        if let Some(standing) = of_group(result, (at, group), reference, &used, settings) {
            standings.push(standing);
        }
    }
    if standings.is_empty() {
        return Err(Error::Baseline(
            Fault::new(
                "no reading of the log was used",
                "see the reasons in the result",
            )
            .into(),
        ));
    }
    Ok(standings)
}

fn of_group(
    result: &Normalised,
    (at, group): (usize, &Group),
    reference: &Reference,
    used: &[usize],
    settings: &AssessSettings,
) -> Option<Standing> {
    let time = &result.log.table.time;
    let zone = zone_or_utc(&result.log.table.zone);
    // Whole days, as the plant's own clock cuts them.
    let day_of = |row: usize| day(time[row], &zone);
    let last_row = *used.last()?;
    let first_day = day_of(last_row) as f64 - settings.days;
    let window: Vec<usize> = used
        .iter()
        .copied()
        .filter(|row| day_of(*row) as f64 > first_day)
        .collect();
    let new: Vec<usize> = match reference.span_us {
        Some((start, end)) => used
            .iter()
            .copied()
            .filter(|row| (start..=end).contains(&time[*row]))
            .collect(),
        None => Vec::new(),
    };
    let values = |name: &str| {
        result
            .series
            .iter()
            .find(|series| series.name == name)
            .map(|series| series.values.clone())
    };
    let state = result.prepared[at].state;
    // What instruments are off by leans on the conditions, which a window has many of: its medians stand for them.
    let typical = result.typical(&window);
    let change = |figure: &dyn Fn(usize) -> f64, when_new: f64| {
        let log = |row: usize| figure(row).ln();
        let now = median_interval(&daily(&window, &day_of, &log), settings.level);
        // A stated design has no scatter; a baseline has, and its own log may not hold it.
        let before = if new.is_empty() {
            let exact = when_new.ln();
            MedianInterval {
                median: exact,
                low: exact,
                high: exact,
            }
        } else {
            median_interval(&daily(&new, &day_of, &log), settings.level)
        };
        let found = difference(now, before);
        let days = daily(&window, &day_of, &log).len();
        Estimate {
            value: found.median.exp_m1(),
            low: found.low.exp_m1(),
            high: found.high.exp_m1(),
            level: settings.level,
            unit: "",
            n: days,
            method: REPEATABILITY,
            budget: None,
        }
    };
    let mut changes = vec![(
        "permeate_flow",
        change(&|row| result.permeate_flow(row), reference.permeate_flow),
    )];
    let mut add = |name: &'static str, column: &str, when_new: f64| {
        if let Some(values) = values(column) {
            let mut found = change(&|row| values[row], when_new);
            if let Some(output) = Output::named(&format!("{column}_change")) {
                let lasting = result.variances(at, &typical, time[last_row], output, true);
                if let Ok((_, variances)) = lasting {
                    found = with_instruments(result, output, found, &variances);
                }
            }
            // Nothing of it in the window: nothing to say.
            if !found.value.is_nan() {
                changes.push((name, found));
            }
        }
    };
    add(
        "temperature",
        "temperature_factor",
        state.temperature_factor,
    );
    add(
        "driving_pressure",
        "net_driving_pressure",
        state.net_driving_pressure,
    );
    add(
        "normalised_permeate_flow",
        "normalised_permeate_flow",
        reference.normalised_permeate_flow,
    );
    add(
        "normalised_salt_passage",
        "normalised_salt_passage",
        reference.normalised_salt_passage,
    );
    add(
        "normalised_differential_pressure",
        "normalised_differential_pressure",
        reference.normalised_differential_pressure,
    );
    if let Some(membrane) = &reference.membrane {
        for (name, when_new) in [
            ("element_water_permeability", membrane.water_permeability),
            ("element_salt_permeability", membrane.salt_permeability),
            ("spacer_friction", membrane.spacer_friction),
        ] {
            add(name, name, when_new);
        }
    }
    let typical_of = |column: &str| {
        let figures = values(column).unwrap_or_default();
        let figures = window.iter().filter_map(|row| figures.get(*row).copied());
        median(
            &mut figures
                .filter(|figure| !figure.is_nan())
                .collect::<Vec<f64>>(),
        )
    };
    let recovery = typical_of("recovery");
    let pass_recovery = if result.site.recycle {
        typical_of("pass_recovery")
    } else {
        recovery
    };
    let start = window.first().map_or(time[last_row], |row| time[*row]);
    let days = changes.first().map_or(0, |(_, change)| change.n);
    let mut standing = Standing {
        train: group.train.clone(),
        stage: group.stage.clone(),
        start: show(start, &zone),
        end: show(time[last_row], &zone),
        days,
        recovery,
        pass_recovery,
        changes,
        sentence: String::new(),
    };
    standing.sentence = sentence(&standing, group, result.baseline.kind == "design");
    Some(standing)
}

/// An estimate of repeatability with what the instruments may be off by, which no number of readings makes less.
fn with_instruments(
    result: &Normalised,
    output: Output,
    found: Estimate,
    variances: &[f64; SOURCES],
) -> Estimate {
    let quantile = Normal::standard().inverse_cdf(0.5 + 0.5 * found.level);
    // On the log scale of the estimate.
    let grown = 1.0 + found.value;
    let off_by = quantile * variances.iter().sum::<f64>().sqrt() / grown;
    let (below, above) = (
        (grown / (1.0 + found.low)).ln().hypot(off_by),
        ((1.0 + found.high) / grown).ln().hypot(off_by),
    );
    let scatter = (found.high - found.low) / (2.0 * quantile);
    let scatter = Some(scatter * scatter).filter(|variance| variance.is_finite());
    Estimate {
        low: (grown.ln() - below).exp() - 1.0,
        high: (grown.ln() + above).exp() - 1.0,
        method: WITH_INSTRUMENTS,
        budget: Some(result.of_variances(output, found.value, variances, scatter)),
        ..found
    }
}

/// The day of a time, as the zone's clock cuts days, counted from 1970.
fn day(microseconds: i64, zone: &TimeZone) -> i64 {
    let offset = Timestamp::from_microsecond(microseconds)
        .map_or(0, |stamp| i64::from(zone.to_offset(stamp).seconds()));
    microseconds
        .saturating_add(offset * 1_000_000)
        .div_euclid((24.0 * HOUR) as i64)
}

/// The median of each day, in order; missing and impossible figures (a logarithm of none) are passed over.
pub(crate) fn daily(
    rows: &[usize],
    day_of: &dyn Fn(usize) -> i64,
    figure: &dyn Fn(usize) -> f64,
) -> Vec<f64> {
    let mut days: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
    for row in rows {
        let value = figure(*row);
        if value.is_finite() {
            days.entry(day_of(*row)).or_default().push(value);
        }
    }
    days.into_values()
        .map(|mut values| median(&mut values))
        .collect()
}

impl Standing {
    /// The change of this name, where it was found.
    pub fn change(&self, name: &str) -> Option<&Estimate> {
        self.changes
            .iter()
            .find(|(known, _)| *known == name)
            .map(|(_, change)| change)
    }
}

fn sentence(standing: &Standing, group: &Group, design: bool) -> String {
    let against = if design { "its design" } else { "its baseline" };
    let whose = match (&group.train, &group.stage) {
        (None, None) => "permeate flow".to_owned(),
        _ => format!("permeate flow of {group}"),
    };
    let mut text = String::new();
    if let Some(change) = standing.change("normalised_permeate_flow") {
        text = format!(
            "Like for like, {whose} is {} {against} ({}; {} {} to {}).",
            direction(change.value),
            interval(change),
            standing.days,
            if standing.days == 1 { "day" } else { "days" },
            standing.end.get(..10).unwrap_or(&standing.end)
        );
    }
    if let (Some(measured), Some(temperature), Some(pressure)) = (
        standing.change("permeate_flow"),
        standing.change("temperature"),
        standing.change("driving_pressure"),
    ) {
        text += &format!(
            " As measured it is {}: temperature alone made {}, net driving pressure {}.",
            direction(measured.value)
                .trim_end_matches(" than")
                .trim_end_matches(" as"),
            percent(temperature.value),
            percent(pressure.value)
        );
    }
    text.trim_start().to_owned()
}

/// "12.3 % below", "4.0 % above", "the same as".
fn direction(change: f64) -> String {
    let size = 100.0 * change.abs();
    if size < 0.05 {
        "the same as".to_owned()
    } else if change < 0.0 {
        format!("{size:.1} % below")
    } else {
        format!("{size:.1} % above")
    }
}

fn percent(change: f64) -> String {
    format!("{:+.1} %", 100.0 * change).replace('-', "−")
}

/// A figure with five digits.
fn digits(figure: f64) -> String {
    let rounded = format!("{figure:.4e}").parse().unwrap_or(figure);
    rounded.to_string().replace('-', "−")
}

fn interval(estimate: &Estimate) -> String {
    if estimate.low.is_nan() || estimate.high.is_nan() {
        return "too few days for an interval".to_owned();
    }
    format!(
        "{:.0} % interval {} to {}",
        100.0 * estimate.level,
        percent(estimate.low),
        percent(estimate.high)
    )
}

impl Estimate {
    /// The same in another unit of its quantity, from the canonical one.
    pub fn shown_in(&self, unit: &'static Unit) -> Self {
        Self {
            value: unit.from_canonical(self.value),
            low: unit.from_canonical(self.low),
            high: unit.from_canonical(self.high),
            unit: unit.word,
            ..self.clone()
        }
    }
}

impl std::fmt::Display for Estimate {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.unit.is_empty() {
            return write!(
                f,
                "{} ({}, n = {})",
                percent(self.value),
                interval(self),
                self.n
            );
        }
        write!(f, "{} {} (", digits(self.value), self.unit)?;
        if self.low.is_nan() || self.high.is_nan() {
            f.write_str("no interval")?;
        } else {
            let level = 100.0 * self.level;
            let (low, high) = (digits(self.low), digits(self.high));
            write!(f, "{level:.0} % interval {low} to {high}")?;
        }
        write!(f, ", n = {})", self.n)
    }
}
