//! The calibration of the instruments that carry a verdict.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

use super::case::Case;
use crate::log::Column;
use crate::site::{EventKind, Interval, ServiceKind};

/// How an instrument's calibration stands at the end of what is judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// Calibrated, and not longer ago than it may be.
    InDate,
    /// Too long ago.
    Overdue,
    /// Asked for, and never told of.
    NeverCalibrated,
    /// Nobody says how old a calibration may be.
    Unknown,
}

impl State {
    /// Its words.
    pub fn words(self) -> &'static str {
        match self {
            Self::InDate => "in date",
            Self::Overdue => "overdue",
            Self::NeverCalibrated => "never calibrated",
            Self::Unknown => "unknown",
        }
    }
}

/// An instrument that carries a verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Carrying {
    /// Its column.
    pub column: Column,
    /// How its calibration stands.
    pub state: State,
    /// When it was last calibrated before the end of what is judged.
    pub last: Option<Date>,
}

/// 1/√3: what an accuracy, evenly likely within, is as a standard deviation (JCGM 100:2008, 4.3.7).
pub(super) fn off_by_of(limit: f64) -> f64 {
    limit / 3.0_f64.sqrt()
}

/// How what is off by the same in all readings of a column is spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Spread {
    /// Of one instrument: evenly likely within its accuracy, ±√3 standard deviations, and no further off than `most` of them.
    Even {
        /// From −√3 to √3.
        most: f64,
    },
    /// Of several together: by the normal law.
    Normal,
}

impl Spread {
    /// Of one instrument of which no more is known than its accuracy.
    pub fn even() -> Self {
        Self::Even {
            most: 3.0_f64.sqrt(),
        }
    }

    /// Places over the spread, in standard deviations, each with its share of the probability; the shares add up to 1.
    pub fn places(self) -> impl Iterator<Item = (f64, f64)> {
        self.middles(40)
    }

    /// The middles of so many equal parts of the spread.
    pub fn middles(self, parts: i32) -> impl Iterator<Item = (f64, f64)> {
        let (low, high, weight): (f64, f64, fn(f64) -> f64) = match self {
            Self::Even { most } => (-(3.0_f64.sqrt()), most, |_| 1.0),
            Self::Normal => (-5.0, 5.0, |at| (-0.5 * at * at).exp()),
        };
        let at = move |part: i32| low + (high - low) * (f64::from(part) + 0.5) / f64::from(parts);
        let all: f64 = (0..parts).map(|part| weight(at(part))).sum();
        (0..parts).map(move |part| (at(part), weight(at(part)) / all))
    }

    /// The furthest off that it can be, in standard deviations, to the side of too little.
    pub fn furthest(self) -> f64 {
        match self {
            Self::Even { .. } => 3.0_f64.sqrt(),
            Self::Normal => 5.0,
        }
    }
}

fn date_of(us: i64) -> Option<Date> {
    let stamp = Timestamp::from_microsecond(us).ok()?;
    Some(TimeZone::UTC.to_datetime(stamp).date())
}

/// Every calibration of a column's instrument that the site file tells of, in order. One without a column may have been of any.
pub(super) fn calibrations(case: &Case<'_>, column: Column) -> Vec<Date> {
    let site = &case.result.site;
    let events = site.events.iter().filter(|event| {
        event.kind == EventKind::Calibration && event.of.is_none_or(|of| of == column)
    });
    let mut dates: Vec<Date> = events
        .filter_map(|event| date_of(event.time_us))
        .chain(site.calibrated_on(column))
        .collect();
    dates.sort();
    dates.dedup();
    dates
}

/// How old its calibration may be: by the terms, else by the site's own service list.
fn interval<'a>(case: &'a Case<'_>, column: Column) -> Option<&'a Interval> {
    case.terms.records.calibration.as_ref().or_else(|| {
        let services = &case.result.site.service;
        let own = services
            .iter()
            .find(|service| service.what == ServiceKind::Calibration && service.of == Some(column));
        own.map(|service| &service.every)
    })
}

pub(super) fn carrying(case: &Case<'_>, column: Column) -> Carrying {
    let until = date_of(case.until_us);
    let last = calibrations(case, column)
        .into_iter()
        .rfind(|date| until.is_none_or(|until| *date <= until));
    let state = match (interval(case, column), last, until) {
        (Some(interval), Some(last), Some(until)) if interval.after(last) >= until => State::InDate,
        (Some(_), Some(_), _) => State::Overdue,
        (Some(_), None, _) => State::NeverCalibrated,
        (None, ..) => State::Unknown,
    };
    Carrying {
        column,
        state,
        last,
    }
}

pub(super) fn all(case: &Case<'_>, columns: &[Column]) -> Vec<Carrying> {
    columns
        .iter()
        .map(|column| carrying(case, *column))
        .collect()
}

/// When a calibration was overdue within the period: (from, to) in dates. From the period's start it is in date for as long as one made then.
pub(super) fn overdue(case: &Case<'_>, column: Column, interval: &Interval) -> Vec<(Date, Date)> {
    let (Some(start), Some(until)) = (date_of(case.start_us), date_of(case.until_us)) else {
        return Vec::new();
    };
    let mut good_until = interval.after(start);
    let mut found = Vec::new();
    for date in calibrations(case, column) {
        if date > until {
            break;
        }
        let next = interval.after(date);
        if date > good_until && date > start {
            found.push((good_until.saturating_add(1.days()), date));
        }
        good_until = good_until.max(next);
    }
    if good_until < until {
        found.push((good_until.saturating_add(1.days()), until));
    }
    found
}
