//! What a warranty is judged on: the rows of one train within its period, and what each instrument may be off by.

mod fit;
mod readings;

use super::terms::{LimitOf, Replacements, Terms};
use super::{WarrantySettings, words};
use crate::error::{Error, Fault};
use crate::log::Column;
use crate::normalise::Normalised;
use crate::screen::Reasons;
use crate::site::EventKind;
use crate::table::Group;

pub(super) use readings::Readings;

/// Readings that the screening doubts: not what the unit did, but what an instrument made of it.
const DOUBTED: Reasons = Reasons::OUT_OF_INSTRUMENT_RANGE
    .union(Reasons::IMPOSSIBLE_READING)
    .union(Reasons::IMPOSSIBLE_FLOWS)
    .union(Reasons::IMPOSSIBLE_SALT)
    .union(Reasons::PERMEATE_SALTIER)
    .union(Reasons::STUCK)
    .union(Reasons::SPIKE)
    .union(Reasons::SENSOR_STEP)
    .union(Reasons::WATER_BALANCE)
    .union(Reasons::SALT_BALANCE)
    .union(Reasons::PRESSURE_ORDER);
/// Readings that are doubted whatever they are of.
const DOUBTED_ALWAYS: Reasons = Reasons::DUPLICATE.union(Reasons::BY_USER);

/// One train, and what it is judged by.
pub(super) struct Case<'a> {
    pub result: &'a Normalised,
    pub terms: &'a Terms,
    pub settings: &'a WarrantySettings,
    /// Its place among the groups of the log.
    pub at: usize,
    pub group: Group,
    /// Its rows within the period, in order of time.
    pub rows: Vec<usize>,
    pub start_us: i64,
    pub end_us: i64,
    /// The end of the period or of the log, whichever comes first.
    pub until_us: i64,
    /// Replacements within the period.
    pub replaced_us: Vec<i64>,
}

impl<'a> Case<'a> {
    /// What a verdict was refused for, or given in spite of, as the end of a sentence; empty where there is nothing.
    pub fn doubts(&self, why: &[String]) -> String {
        if why.is_empty() {
            return String::new();
        }
        let so = if self.settings.override_refusals {
            "Judged although"
        } else {
            "Not to be judged"
        };
        format!(" {so}: {}.", why.join("; "))
    }

    pub fn new(
        result: &'a Normalised,
        terms: &'a Terms,
        settings: &'a WarrantySettings,
        (at, group): (usize, Group),
        rows: &[usize],
    ) -> Result<Self, Error> {
        let time = &result.log.table.time;
        let (start_us, end_us) = (terms.start_us(), terms.end_us());
        let (first, last) = (
            rows.first().map_or(i64::MAX, |row| time[*row]),
            rows.last().map_or(i64::MIN, |row| time[*row]),
        );
        let refuse = |key: &str, problem: String, remedy: &str| {
            Err(Error::Terms(
                Fault::new(problem, remedy)
                    .at_column(format!("[warranty] {key}"))
                    .into(),
            ))
        };
        if end_us < first {
            return refuse(
                "period",
                format!(
                    "it ends on {}, before the log of {group} begins on {}",
                    words::day(end_us),
                    words::day(first)
                ),
                "the log of that time, or the period that is meant",
            );
        }
        if start_us > last {
            let key = if terms.start_up_us.is_some() {
                "start_up"
            } else {
                "shipped"
            };
            return refuse(
                key,
                format!(
                    "the period begins on {}, after the log of {group} ends on {}",
                    words::day(start_us),
                    words::day(last)
                ),
                "the log of that time, or the start that is meant",
            );
        }
        let until_us = end_us.min(last);
        let rows: Vec<usize> = rows
            .iter()
            .copied()
            .filter(|row| (start_us..=until_us).contains(&time[*row]))
            .collect();
        if rows.is_empty() {
            return refuse(
                "period",
                format!("the log of {group} has no reading within it"),
                "the log of that time, or the period that is meant",
            );
        }
        let replaced_us = result
            .site
            .events
            .iter()
            .filter(|event| event.kind == EventKind::Replacement)
            .map(|event| event.time_us)
            .filter(|time| *time > start_us && *time <= until_us)
            .collect();
        Ok(Self {
            result,
            terms,
            settings,
            at,
            group,
            rows,
            start_us,
            end_us,
            until_us,
            replaced_us,
        })
    }

    /// The time of a row of the log.
    pub fn time(&self, row: usize) -> i64 {
        self.result.log.table.time[row]
    }

    /// Whether the unit ran, as far as the log and its screening tell.
    pub fn ran(&self, row: usize) -> bool {
        self.result.inputs.is_running(row)
            && !self.result.reasons[row].contains(Reasons::NOT_RUNNING)
    }

    /// Whether the screening doubts a row's readings.
    pub fn doubted(&self, row: usize, of: LimitOf) -> bool {
        let why = self.result.reasons[row] | self.result.inputs.set_aside(row);
        let exposure = match of {
            // What is dosed to a feed leaps; no figure of the membranes rests on its pH.
            LimitOf::Column(column) => column.is_exposure() || column == Column::FeedPh,
            LimitOf::ChlorineExposure => true,
            _ => false,
        };
        why.intersects(DOUBTED_ALWAYS) || (!exposure && why.intersects(DOUBTED))
    }

    /// When the membranes that are judged came in: at the start, or at the last replacement.
    pub fn cohort_us(&self) -> i64 {
        self.replaced_us.last().copied().unwrap_or(self.start_us)
    }

    /// From when on their age counts.
    pub fn aged_from_us(&self) -> i64 {
        match self.terms.replacements {
            Replacements::AgeGoesOn => self.start_us,
            Replacements::AgeAnew | Replacements::Refused => self.cohort_us(),
        }
    }

    /// Whether the log has the readings of a column.
    pub fn measured(&self, column: Column) -> Option<&[f64]> {
        self.result.log.get(column).map(|series| &series.values[..])
    }

    /// Columns whose instruments the site file gives no accuracy of.
    pub fn without_accuracy(&self, columns: &[Column]) -> Vec<Column> {
        columns
            .iter()
            .copied()
            .filter(|column| {
                let known = self.result.site.instruments.get(column);
                known.is_none_or(|known| known.accuracy.is_none())
            })
            .collect()
    }

    /// What is to be known beside the clauses.
    pub fn warnings(&self) -> Vec<String> {
        let mut warnings = Vec::new();
        let known = &self.result.inputs.known_errors;
        let measured = Column::ALL
            .iter()
            .filter(|column| self.measured(**column).is_some());
        warnings.extend(measured.flat_map(|column| known.words(*column)));
        if self.until_us < self.end_us {
            warnings.push(format!(
                "the period runs to {}, the log to {}: it is judged until then",
                words::day(self.end_us),
                words::day(self.until_us)
            ));
        }
        if let Some(last) = self.replaced_us.last()
            && self.terms.replacements != Replacements::Refused
        {
            warnings.push(format!(
                "membranes were replaced on {}: the guarantee is judged from there on",
                words::day(*last)
            ));
        }
        if self.settings.override_refusals {
            warnings.push("OVERRIDDEN: data that doesn't qualify was judged all the same; what it lacks stands with each clause".to_owned());
        }
        warnings
    }
}
