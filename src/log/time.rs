//! Times: read once to microseconds UTC, shown in the log's own zone.

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::fmt::strtime;
use jiff::tz::{AmbiguousOffset, Offset, TimeZone};

use super::options::{ClockChange, ReadOptions};
use crate::error::{Error, Fault};

/// Reads the times of one log.
#[derive(Debug, Clone)]
pub(crate) struct TimeReader {
    zone: Option<TimeZone>,
    /// The zone's offset, where it has but one.
    fixed: Option<Offset>,
    format: Option<String>,
    clock_change: ClockChange,
    /// Whether the source holds times as such, beside those written as text: ISO 8601 then goes before the format.
    typed: bool,
}

/// Why a time was not taken.
pub(crate) struct TimeFault {
    pub problem: String,
    pub remedy: &'static str,
}

/// A time as read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Read {
    /// Microseconds since 1970 UTC.
    pub time: i64,
    /// The whole hours of its offset, where it stated one.
    pub offset: Option<i8>,
    /// The later instant of this clock time, where there are two and order tells which is meant.
    pub later: Option<i64>,
}

impl Read {
    pub fn instant(time: i64) -> Self {
        Self {
            time,
            offset: None,
            later: None,
        }
    }
}

impl TimeReader {
    pub fn new(options: &ReadOptions) -> Result<Self, Error> {
        let zone = options.time_zone.as_deref().map(time_zone).transpose()?;
        Ok(Self {
            fixed: zone.as_ref().and_then(|zone| zone.to_fixed_offset().ok()),
            zone,
            format: options.time_format.clone(),
            clock_change: options.clock_change.unwrap_or(ClockChange::Refuse),
            typed: false,
        })
    }

    /// For a source that holds times as such, which come as ISO 8601.
    pub fn of_typed_cells(self) -> Self {
        Self {
            typed: true,
            ..self
        }
    }

    /// A time as text.
    pub fn read(&self, text: &str) -> Result<Read, TimeFault> {
        if let Some(format) = &self.format {
            if self.typed
                && let Ok(naive) = text.parse()
            {
                return self.place(naive);
            }
            return self.read_by_format(text, format);
        }
        let not_a_time = || TimeFault {
            problem: "not a time".into(),
            remedy: "write it as 2026-03-01T08:15 or 2026-03-01T08:15-07:00, or give time_format",
        };
        // The commonest shape by far is a naive date and time.
        if !text.ends_with(['Z', 'z']) && !has_offset(text) {
            // A zone in brackets would be read and not heeded.
            if text.contains('[') {
                return Err(not_a_time());
            }
            let naive: DateTime = text.parse().map_err(|_| not_a_time())?;
            if text.len() <= LONGEST_DATE && !text.contains(['T', 't', ' ']) {
                return Err(date_alone());
            }
            return self.place(naive);
        }
        let whole_hours = |offset: Offset| {
            (offset.seconds() % 3600 == 0).then(|| (offset.seconds() / 3600) as i8)
        };
        let pieces = jiff::fmt::temporal::Pieces::parse(text).map_err(|_| not_a_time())?;
        let offset = pieces.to_numeric_offset().ok_or_else(not_a_time)?;
        let time = pieces.time().ok_or_else(not_a_time)?;
        let stamp = offset
            .to_timestamp(pieces.date().to_datetime(time))
            .map_err(|_| not_a_time())?;
        Ok(Read {
            time: stamp.as_microsecond(),
            offset: whole_hours(offset),
            later: None,
        })
    }

    /// Whether times are read as ISO 8601 and in no other way.
    pub fn takes_iso_alone(&self) -> bool {
        self.format.is_none()
    }

    /// Whether the zone's clock is not set forward or back between two instants.
    pub fn is_unchanged(&self, from: i64, to: i64) -> bool {
        let Some(zone) = self.zone.as_ref().filter(|_| self.fixed.is_none()) else {
            return true;
        };
        Timestamp::from_microsecond(from).is_ok_and(|from| {
            let next = zone.following(from).next();
            next.is_none_or(|next| next.timestamp().as_microsecond() > to)
        })
    }

    /// A date without a time of day is taken, as its midnight, only where the format says that times are so written.
    pub fn takes_dates_alone(&self) -> bool {
        self.format.is_some()
    }

    fn read_by_format(&self, text: &str, format: &str) -> Result<Read, TimeFault> {
        let fault = |cause: jiff::Error| TimeFault {
            problem: format!("does not fit time_format '{format}': {cause}"),
            remedy: "strftime words: %Y-%m-%d %H:%M, %m/%d/%Y %I:%M %p, …",
        };
        let parsed = strtime::parse(format, text).map_err(fault)?;
        if parsed.offset().is_some() {
            let stamp = parsed.to_timestamp().map_err(fault)?;
            return Ok(Read::instant(stamp.as_microsecond()));
        }
        let naive = match parsed.to_datetime() {
            Ok(naive) => naive,
            Err(_) => parsed
                .to_date()
                .map_err(fault)?
                .to_datetime(jiff::civil::Time::midnight()),
        };
        self.place(naive)
    }

    /// A naive time, in microseconds since 1970 as its clock showed.
    pub fn read_naive_microseconds(&self, clock: i64) -> Result<Read, TimeFault> {
        // A zone that never changes its clock is a difference; asking it a million times would be slow.
        if let Some(offset) = self.fixed {
            return clock
                .checked_sub(i64::from(offset.seconds()) * 1_000_000)
                .filter(|time| is_within_years(*time))
                .map(Read::instant)
                .ok_or_else(out_of_years);
        }
        let naive = Timestamp::from_microsecond(clock)
            .map(|stamp| Offset::UTC.to_datetime(stamp))
            .map_err(|_| out_of_years())?;
        self.place(naive)
    }

    fn place(&self, naive: DateTime) -> Result<Read, TimeFault> {
        let Some(zone) = &self.zone else {
            return Err(TimeFault {
                problem: "a time without a zone".into(),
                remedy: "give tz=\"Etc/GMT+7\" (a logger that never changes its clock) or tz=\"America/Denver\", or write the offset behind the time",
            });
        };
        let placed = zone.to_ambiguous_timestamp(naive);
        let (instant, later) = match placed.offset() {
            AmbiguousOffset::Unambiguous { .. } => (placed.compatible(), None),
            AmbiguousOffset::Gap { .. } => {
                return Err(TimeFault {
                    problem: "this time does not exist: the clocks go forward over it".into(),
                    remedy: "if the logger never changes its clock, give a fixed zone such as tz=\"Etc/GMT+7\"",
                });
            }
            AmbiguousOffset::Fold { .. } => match self.clock_change {
                ClockChange::Earlier => (placed.earlier(), None),
                ClockChange::Later => (placed.later(), None),
                ClockChange::ByOrder => {
                    let later = placed.later().ok();
                    (placed.earlier(), later.map(|later| later.as_microsecond()))
                }
                ClockChange::Refuse => {
                    return Err(TimeFault {
                        problem: "this time occurs twice: the clocks go back over it".into(),
                        remedy: "write the offset behind it; or give clock_change=\"by-order\" if the readings stand in the order they were taken, or a fixed zone such as tz=\"Etc/GMT+7\" if the logger never changes its clock",
                    });
                }
            },
        };
        match instant {
            Ok(stamp) => Ok(Read {
                later,
                ..Read::instant(stamp.as_microsecond())
            }),
            Err(cause) => Err(TimeFault {
                problem: cause.to_string(),
                remedy: "",
            }),
        }
    }
}

/// As long as a date alone can be: −002026-03-01.
const LONGEST_DATE: usize = 13;

/// A date that doesn't say when on that day the reading was taken.
pub(crate) fn date_alone() -> TimeFault {
    TimeFault {
        problem: "a date without a time of day".into(),
        remedy: "write the time behind it; or give time_format=\"%Y-%m-%d\", which takes midnight (and noon with time_label=\"interval-start\" and interval=\"24 h\")",
    }
}

/// Whether a time, in microseconds since 1970 UTC, can be shown.
pub(crate) fn is_within_years(time: i64) -> bool {
    (Timestamp::MIN.as_microsecond()..=Timestamp::MAX.as_microsecond()).contains(&time)
}

pub(crate) fn out_of_years() -> TimeFault {
    TimeFault {
        problem: "a time outside the years −9999 to 9999".into(),
        remedy: "check its unit",
    }
}

fn has_offset(text: &str) -> bool {
    // "+07:00", "-0700" or "-07" stand behind the time; the date's own hyphens come before it.
    text.len() > 11
        && text.as_bytes()[11..]
            .iter()
            .any(|byte| matches!(byte, b'+' | b'-'))
}

/// The time zone of an IANA name.
pub(crate) fn time_zone(name: &str) -> Result<TimeZone, Error> {
    TimeZone::get(name).map_err(|_| {
        Error::Log(
            Fault::new(
                "no time zone of this name",
                "an IANA name such as America/Denver, UTC, or Etc/GMT+7 (fixed, 7 h behind UTC: its sign is reversed)",
            )
            .at_column("tz")
            .with_value(name)
            .into(),
        )
    })
}

/// The fixed zone of a whole-hour offset, as an IANA name (whose sign is reversed).
pub(crate) fn fixed_zone(hours: i8) -> String {
    match hours {
        0 => "UTC".to_owned(),
        // IANA has Etc/GMT-14 to Etc/GMT+12 only.
        -12..=14 => format!("Etc/GMT{:+}", -hours),
        _ => "UTC".to_owned(),
    }
}

/// A time as it is shown: ISO 8601 in its zone, with the offset.
pub fn show(microseconds: i64, zone: &TimeZone) -> String {
    match Timestamp::from_microsecond(microseconds) {
        Ok(stamp) => {
            let offset = zone.to_offset(stamp);
            let seconds = offset.seconds().abs();
            let sign = if offset.is_negative() { '-' } else { '+' };
            let mut shown = format!(
                "{}{sign}{:02}:{:02}",
                offset.to_datetime(stamp),
                seconds / 3600,
                seconds / 60 % 60
            );
            // Before clocks kept zones, each place had its own time, to the second.
            if seconds % 60 != 0 {
                shown += &format!(":{:02}", seconds % 60);
            }
            shown
        }
        Err(_) => String::new(),
    }
}

/// The zone of a table, UTC where its name is unknown.
pub(crate) fn zone_or_utc(name: &str) -> TimeZone {
    TimeZone::get(name).unwrap_or(TimeZone::UTC)
}

/// Microseconds in an hour.
pub const HOUR: f64 = 3.6e9;
