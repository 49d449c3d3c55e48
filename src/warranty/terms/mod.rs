//! The terms of a warranty as data: what is promised, within which limits, with which records.

mod guarantee;
mod limits;
mod read;

use std::path::Path;

use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use serde::Serialize;

use crate::error::Error;
use crate::log::Column;
use crate::normalise::temperature::Law;
use crate::site::{EventKind, Interval, TdsPerConductivity};
use crate::units::{Quantity, Unit};

/// A commented terms file with every key.
pub const TEMPLATE: &str = include_str!("template.toml");

/// What two parties agreed on about the membranes of a train.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Terms {
    /// Their name.
    pub name: String,
    /// Anything to be kept with them.
    pub notes: Option<String>,
    /// The train they are for; `None`: every train of the log.
    pub train: Option<String>,
    /// First use of the membranes, µs since 1970 UTC.
    pub start_up_us: Option<i64>,
    /// When they were shipped.
    pub shipped_us: Option<i64>,
    /// After shipment the period begins at the latest after so long.
    pub start_within: Option<Interval>,
    /// How long they hold.
    pub period: Interval,
    /// How long after a failing shows notice of it must be given.
    pub notice: Option<Interval>,
    /// When notice was given, µs since 1970 UTC.
    pub notice_given_us: Option<i64>,
    /// After so long the share of the price that is made good falls, pro rata, to nothing at the end of the period.
    pub pro_rata_after: Option<Interval>,
    /// What a replacement of membranes does.
    pub replacements: Replacements,
    /// What is promised of the membranes.
    pub guarantee: Option<Guarantee>,
    /// Within which limits the unit is to be run.
    pub limits: Vec<OperatingLimit>,
    /// Cleanings allowed in all.
    pub cleanings_in_all: Option<u32>,
    /// Cleanings allowed in each year from the start.
    pub cleanings_a_year: Option<u32>,
    /// The records demanded.
    pub records: Records,
    /// Kinds of events that end the warranty.
    pub exclusions: Vec<EventKind>,
    /// The file as it was written.
    #[serde(skip)]
    pub text: String,
}

/// What a replacement of membranes within the period does. A log tells when, not which elements: a train of mixed ages is
/// never judged as one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Replacements {
    /// The guarantee is then refused a verdict.
    Refused,
    /// All elements of the train were new: judged from there, their age counted from there.
    AgeAnew,
    /// All elements of the train were new: judged from there, their age counted from the warranty's start.
    AgeGoesOn,
}

impl Replacements {
    /// Every choice with its name in a terms file.
    pub const NAMES: [(&'static str, Self); 3] = [
        ("refused", Self::Refused),
        ("age-anew", Self::AgeAnew),
        ("age-goes-on", Self::AgeGoesOn),
    ];
}

/// What is promised of the membranes, at which conditions, by which method.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Guarantee {
    /// The contract's own normalisation.
    pub method: Method,
    /// Its temperature law; `None` where the method has none.
    pub law: Option<Law>,
    /// Its law of salt transport; `None`: as permeate flow.
    pub salt_law: Option<Law>,
    /// How conductivity tells mg/L by the contract; `None`: as the site file has it, which may be off.
    pub tds_per_conductivity: Option<TdsPerConductivity>,
    /// Judged on the last days that the log holds, h.
    pub over_h: f64,
    /// The fewest days with readings among those.
    pub minimum_days: u32,
    /// The conditions at which it holds.
    pub conditions: Stated,
    /// No less permeate than this, m3/h.
    pub permeate_flow: Option<Promise>,
    /// No more salt passage than this.
    pub salt_passage: Option<Promise>,
    /// Whether salt passage is at the stated permeate flow, or at what the membranes would make.
    pub at_stated_flow: bool,
}

/// The contract's own normalisation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// The standard practice (ASTM D4516), with the contract's temperature law.
    StandardPractice,
    /// The membrane model, element by element, with the contract's temperature law.
    MembraneModel,
    /// Permeate flow in proportion to feed less permeate pressure; neither temperature nor salt enter. Salt passage as read.
    PressureOnly,
}

impl Method {
    /// Every method with its name in a terms file.
    pub const NAMES: [(&'static str, Self); 3] = [
        ("standard-practice", Self::StandardPractice),
        ("membrane-model", Self::MembraneModel),
        ("pressure-only", Self::PressureOnly),
    ];

    /// Its name in a terms file.
    pub fn name(self) -> &'static str {
        Self::NAMES
            .iter()
            .find(|(_, method)| *method == self)
            .map_or("", |(name, _)| name)
    }
}

/// The conditions at which a guarantee holds, canonical units.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Stated {
    /// As the file says them.
    pub words: String,
    /// degC.
    pub feed_temperature: f64,
    /// bar; else net driving pressure is stated.
    pub feed_pressure: Option<f64>,
    /// bar.
    pub net_driving_pressure: Option<f64>,
    /// Feed less concentrate pressure, bar.
    pub differential_pressure: f64,
    /// bar.
    pub permeate_pressure: f64,
    /// mg/L.
    pub feed_tds: f64,
    /// Permeate over feed flow.
    pub recovery: f64,
    /// m3/h: that guaranteed, or where none is, that stated.
    pub permeate_flow: f64,
    /// Concentrate returned, m3/h; 0 of a unit without.
    pub recycle_flow: f64,
    /// mg/L: by the salt passage guaranteed, or where none is, that stated.
    pub permeate_tds: f64,
}

/// A figure that is promised, and how it may change over the years. Canonical units.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Promise {
    /// At the start.
    pub first: f64,
    /// How it may change.
    pub change: Change,
    /// The unit in which the file gives it.
    #[serde(serialize_with = "word")]
    pub unit: &'static Unit,
}

/// How a promised figure may change over the years.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// Not at all.
    None,
    /// Each year by this share of the first figure.
    OfFirst(f64),
    /// Each year by this share of the year before's.
    Compounding(f64),
    /// In a straight line to this figure at the end of the period.
    ToEnd(f64),
}

impl Promise {
    /// The figure that is promised at an age, y, of a period of so many years.
    ///
    /// ```
    /// use brinemark::warranty::terms::{Change, Promise};
    /// let unit = brinemark::units::Unit::parse("m3/h")?;
    /// let promise = |change| Promise { first: 4.0, change, unit };
    /// assert!((promise(Change::OfFirst(-0.07)).at(2.0, 3.0) - 3.44).abs() < 1e-12);
    /// assert!((promise(Change::Compounding(-0.07)).at(2.0, 3.0) - 3.4596).abs() < 1e-12);
    /// assert!((promise(Change::ToEnd(3.1)).at(2.0, 3.0) - 3.4).abs() < 1e-12);
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn at(&self, age: f64, years: f64) -> f64 {
        match self.change {
            Change::None => self.first,
            Change::OfFirst(share) => self.first * (1.0 + share * age),
            Change::Compounding(share) => self.first * (1.0 + share).powf(age),
            Change::ToEnd(end) => self.first + (end - self.first) * (age / years).min(1.0),
        }
    }

    /// How it changes, in words; empty where it doesn't.
    pub fn words(&self) -> String {
        let percent = |share: f64| format!("{:+.3}", 100.0 * share);
        let trimmed = |text: String| {
            text.trim_end_matches('0')
                .trim_end_matches('.')
                .replace('-', "−")
        };
        match self.change {
            Change::None => String::new(),
            Change::OfFirst(share) => {
                format!(", {} % of it a year", trimmed(percent(share)))
            }
            Change::Compounding(share) => {
                format!(", {} % a year, compounding", trimmed(percent(share)))
            }
            Change::ToEnd(end) => format!(
                ", pro rata to {} {} at the end of the period",
                super::words::figure(self.unit.from_canonical(end)),
                self.unit.word
            ),
        }
    }
}

/// What a limit is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum LimitOf {
    /// A column of the log.
    Column(Column),
    /// Permeate over feed flow.
    Recovery,
    /// Permeate through the membrane area.
    Flux,
    /// Pressure drop along a vessel.
    DropPerVessel,
    /// Free chlorine over time.
    ChlorineExposure,
}

impl LimitOf {
    /// Those that are no column.
    pub const OTHERS: [(&'static str, Self); 4] = [
        ("recovery", Self::Recovery),
        ("flux", Self::Flux),
        ("differential_pressure_per_vessel", Self::DropPerVessel),
        ("free_chlorine_exposure", Self::ChlorineExposure),
    ];

    /// Its name in a terms file.
    pub fn name(self) -> &'static str {
        match self {
            Self::Column(column) => column.name(),
            other => Self::OTHERS
                .iter()
                .find(|(_, of)| *of == other)
                .map_or("", |(name, _)| name),
        }
    }

    /// What it measures.
    pub fn quantity(self) -> Quantity {
        match self {
            Self::Column(column) => column.quantity(),
            Self::Recovery => Quantity::Fraction,
            Self::Flux => Quantity::Flux,
            Self::DropPerVessel => Quantity::Pressure,
            Self::ChlorineExposure => Quantity::Exposure,
        }
    }
}

impl Serialize for LimitOf {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.name())
    }
}

/// A limit of operation, canonical units.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OperatingLimit {
    /// Of what.
    pub of: LimitOf,
    /// No less than this.
    pub low: Option<f64>,
    /// No more than this.
    pub high: Option<f64>,
    /// No more than this while pH is in a band; empty: `high` at any pH.
    pub by_ph: Vec<Band>,
    /// What lies beyond and is still allowed.
    pub allowed: Allowed,
    /// Of an exposure: less than this counts as none.
    pub counted_from: Option<f64>,
    /// The unit in which the file gives it.
    #[serde(serialize_with = "word")]
    pub unit: &'static Unit,
}

/// An upper limit while pH is within a band.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Band {
    /// From this pH.
    pub from: f64,
    /// To this pH.
    pub to: f64,
    /// No more than this.
    pub high: f64,
}

/// What may lie beyond a limit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Allowed {
    /// Nothing.
    Nothing,
    /// Excursions no longer than this each, h.
    Longest(f64),
    /// No more than this share of the readings.
    Share(f64),
}

/// The records that are demanded.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Records {
    /// How often each column is to be read, h.
    pub every: Vec<(Column, f64)>,
    /// The share of those intervals that must hold a reading.
    pub complete: f64,
    /// How old the calibration of an instrument may be.
    pub calibration: Option<Interval>,
}

impl Records {
    /// How often a column is to be read, h.
    pub fn every(&self, column: Column) -> Option<f64> {
        self.every
            .iter()
            .find(|(of, _)| *of == column)
            .map(|(_, hours)| *hours)
    }
}

impl Terms {
    /// Reads a terms file.
    ///
    /// # Errors
    /// [`Error::File`] where it can't be opened, [`Error::Terms`] with every fault in it.
    pub fn load(path: &Path) -> Result<Self, Error> {
        let text =
            std::fs::read_to_string(path).map_err(|cause| Error::file(path, "read", cause))?;
        Self::parse(&text)
    }

    /// Reads the text of a terms file.
    ///
    /// # Errors
    /// [`Error::Terms`] with every fault in it.
    ///
    /// ```
    /// let terms = brinemark::warranty::Terms::parse(brinemark::warranty::TEMPLATE)?;
    /// assert_eq!(terms.name, "Example warranty");
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn parse(text: &str) -> Result<Self, Error> {
        read::terms(text)
    }

    /// When the period begins: at first use, or so long after shipment, whichever comes first.
    pub fn start_us(&self) -> i64 {
        let latest = self
            .shipped_us
            .zip(self.start_within.as_ref())
            .map(|(shipped, within)| after(shipped, within));
        match (self.start_up_us, latest) {
            (Some(start_up), Some(latest)) => start_up.min(latest),
            (start_up, latest) => start_up.or(latest).unwrap_or_default(),
        }
    }

    /// When the period ends.
    pub fn end_us(&self) -> i64 {
        after(self.start_us(), &self.period)
    }

    /// The settings as JSON, in canonical units.
    pub fn settings(&self) -> String {
        serde_json::to_string_pretty(self).unwrap_or_default()
    }

    /// A limit of operation.
    pub fn limit(&self, of: LimitOf) -> Option<&OperatingLimit> {
        self.limits.iter().find(|limit| limit.of == of)
    }

    /// The share of the price that is made good at a time, µs since 1970 UTC: all of it at first, then pro rata, nothing after the end;
    /// `None` where the terms don't say.
    ///
    /// ```
    /// # use brinemark::warranty::{TEMPLATE, Terms};
    /// // Three years from 2024-03-01, the first of them in full: half a year into the other two, three quarters are left.
    /// let terms = Terms::parse(&TEMPLATE.replace("# pro_rata_after", "pro_rata_after"))?;
    /// let at = "2025-08-30T12:00Z".parse::<jiff::Timestamp>().expect("a time").as_microsecond();
    /// assert!((terms.pro_rata_share(at).expect("a share") - 0.75).abs() < 1e-3);
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn pro_rata_share(&self, at_us: i64) -> Option<f64> {
        let full_us = after(self.start_us(), self.pro_rata_after.as_ref()?);
        let (left, of) = (
            self.end_us().saturating_sub(at_us),
            self.end_us().saturating_sub(full_us),
        );
        if of <= 0 {
            return Some(f64::from(u8::from(left > 0)));
        }
        Some((left as f64 / of as f64).clamp(0.0, 1.0))
    }
}

/// The time a calendar interval after another, in UTC.
pub(super) fn after(time_us: i64, interval: &Interval) -> i64 {
    let span = interval.months.months().days(interval.days);
    Timestamp::from_microsecond(time_us)
        .ok()
        .and_then(|stamp| TimeZone::UTC.to_datetime(stamp).checked_add(span).ok())
        .and_then(|later| TimeZone::UTC.to_timestamp(later).ok())
        .map_or(i64::MAX, |later| later.as_microsecond())
}

fn word<S: serde::Serializer>(unit: &&'static Unit, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(unit.word)
}
