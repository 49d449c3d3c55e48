//! Which instrument is most likely wrong, since when, and by how much: from what the instruments of a unit say about each other.
//!
//! Readings are put into some hundred bins of equal time. In each, seven figures are worked out that stay where they are as
//! long as all instruments do (`relations`). A step or a drift of one instrument moves those it is in, in a pattern that
//! follows from the equations (exact derivatives). Each instrument, each beginning and each length of a drift is fitted
//! by least squares to what is new in the figures (`filter`); so are changes of the membranes, which can move three of the
//! seven. What explains the most, for the fewest parameters (Schwarz's criterion, G. Schwarz, Annals of Statistics 6 (1978)
//! 461, from memory), is the verdict, with the odds against every other explanation.

mod filter;
mod fit;
mod relations;

use serde::Serialize;

use crate::log::time::{show, zone_or_utc};
use crate::log::{Column, Log};
use crate::site::Site;
use crate::table::Group;
use crate::units::Unit;

use fit::Fit;

/// What is suspected.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub enum Suspect {
    /// An instrument.
    Instrument(Column),
    /// The membranes themselves changed.
    Membranes,
}

impl Suspect {
    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Self::Instrument(column) => column.name(),
            Self::Membranes => "membranes",
        }
    }
}

/// What was found of one instrument of one train and stage.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// The train and stage.
    pub group: Group,
    /// The instrument that is most likely wrong.
    pub column: Column,
    /// When it began, µs since 1970 UTC.
    pub since_us: i64,
    /// The 90 % interval of that.
    pub since_interval_us: (i64, i64),
    /// When it had gone all its way: the same time for a step.
    pub whole_us: i64,
    /// What it shows more than before, in the end: a share of the reading, or canonical (a pressure, a temperature).
    pub off_by: f64,
    /// Its 90 % interval.
    pub off_by_interval: (f64, f64),
    /// Whether that is a share of the reading.
    pub is_share: bool,
    /// That, as a share of what the instrument usually shows (of 20 degC for a temperature).
    pub of_usual: f64,
    /// How likely each explanation is, the likeliest first.
    pub suspects: Vec<(Suspect, f64)>,
    /// Whether it is likelier than the site's `sensor_certainty`.
    pub is_sure: bool,
    /// How each relation moved, and how it should have.
    pub evidence: Vec<Evidence>,
}

/// What was found of all instruments of a log.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Verdicts {
    /// One after the other, by train and stage.
    pub list: Vec<Verdict>,
    /// The trains and stages whose log is long enough to tell anything.
    pub judged: Vec<Group>,
}

/// How a relation moved.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// The relation, in words.
    pub relation: &'static str,
    /// By how much it moved there: a logarithm, near enough a share.
    pub found: f64,
    /// By how much it would if the instrument were off by so much.
    pub expected: f64,
}

impl Verdict {
    /// Whether it went at once.
    pub fn is_step(&self) -> bool {
        self.whole_us == self.since_us
    }

    /// What it is off by, or a bound of that, as a share or in a unit.
    pub fn in_unit(&self, off_by: f64, unit: &Unit) -> f64 {
        if self.is_share {
            off_by
        } else {
            off_by / unit.difference_to_canonical(1.0)
        }
    }

    /// It in a sentence, in a time zone and the unit of its column.
    pub fn sentence(&self, zone: &str, unit: &Unit) -> String {
        let zone = zone_or_utc(zone);
        let day = |time| show(time, &zone).chars().take(10).collect::<String>();
        let size = |off_by: f64| {
            let off_by = self.in_unit(off_by, unit);
            if self.is_share {
                format!("{:+.1} %", 100.0 * off_by)
            } else {
                format!("{off_by:+.2} {}", unit.word)
            }
        };
        let sign = |text: String| text.replace('-', "−");
        let how = if self.is_step() {
            "stepped on"
        } else {
            "drifts since"
        };
        let until = if self.is_step() {
            String::new()
        } else {
            format!(", until {}", day(self.whole_us))
        };
        let odds = self
            .suspects
            .iter()
            .find(|(suspect, _)| *suspect == Suspect::Instrument(self.column));
        let odds = odds.map_or(0.0, |(_, odds)| 100.0 * odds);
        let others: Vec<String> = self
            .suspects
            .iter()
            .filter(|(suspect, _)| *suspect != Suspect::Instrument(self.column))
            .map(|(suspect, odds)| format!("{} {:.0} %", suspect.name(), 100.0 * odds))
            .collect();
        let others = if others.is_empty() {
            String::new()
        } else {
            format!("; else {}", others.join(", "))
        };
        format!(
            "{} of {} {how} {}{until} by {} (90 % interval {} to {}): {:.0} % likely{others}",
            self.column.name(),
            self.group,
            day(self.since_us),
            sign(size(self.off_by)),
            sign(size(self.off_by_interval.0)),
            sign(size(self.off_by_interval.1)),
            odds.floor(),
        )
    }

    /// By how much the instrument was off at a time, as a share of what it usually shows.
    fn off_at(&self, time_us: i64) -> f64 {
        if time_us < self.since_us {
            0.0
        } else if time_us >= self.whole_us {
            self.of_usual
        } else {
            let gone = (time_us - self.since_us) as f64 / (self.whole_us - self.since_us) as f64;
            self.of_usual * gone
        }
    }
}

/// By how much an instrument was off at a time, by all verdicts on it together, as a share of what it usually shows.
pub(crate) fn off_at(verdicts: &[&Verdict], time_us: i64) -> f64 {
    verdicts.iter().map(|verdict| verdict.off_at(time_us)).sum()
}

/// Looks at the instruments of every train and stage, on the rows that `whole` says nothing is wrong with.
pub(crate) fn find(
    log: &Log,
    site: &Site,
    groups: &[(Group, Vec<usize>)],
    whole: &(impl Fn(usize) -> bool + Sync),
) -> Verdicts {
    let mut found = Verdicts::default();
    for (group, rows) in groups {
        let rows: Vec<usize> = rows.iter().copied().filter(|row| whole(*row)).collect();
        if let Some(fit) = Fit::new(log, site, group, &rows) {
            found.list.extend(fit.verdicts());
            found.judged.push(group.clone());
        }
    }
    found
}
