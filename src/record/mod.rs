//! How far a log falls short of the record that the standard asks for (ASTM D4472), and what that costs the analyses.
//!
//! Intervals run from midnight in the log's zone. One is asked for where the unit ran for more than half of it, by the
//! `running` column where there is one: what a row says holds until the next. Readings of a stopped unit don't count.

mod intervals;
mod requirements;

use jiff::ToSpan;

pub use requirements::{Often, REQUIREMENTS, Requirement, Section};

use crate::error::Faults;
use crate::log::time::{HOUR, zone_or_utc};
use crate::log::{Column, Log};
use crate::normalise::Origin;
use crate::normalise::inputs::{Analysis, Inputs, Source};
use crate::site::{EventKind, Site};
use crate::units::Quantity;
use intervals::{Count, Running};
use requirements::CALIBRATION;

/// How a requirement is met.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Every interval holds a reading.
    Kept,
    /// Some do, or not of each stage.
    Partly,
    /// None does.
    Missing,
    /// Neither log nor site file can tell.
    NotJudged,
}

impl Verdict {
    /// Its words.
    pub fn name(self) -> &'static str {
        match self {
            Self::Kept => "kept",
            Self::Partly => "partly",
            Self::Missing => "missing",
            Self::NotJudged => "cannot be judged",
        }
    }

    fn of_share(share: Option<f64>) -> Self {
        match share {
            None => Self::NotJudged,
            Some(share) if share >= 1.0 => Self::Kept,
            Some(share) if share > 0.0 => Self::Partly,
            Some(_) => Self::Missing,
        }
    }
}

/// A requirement, held against a log.
#[derive(Debug, Clone, PartialEq)]
pub struct Met {
    /// What is asked.
    pub requirement: Requirement,
    /// How many intervals (or meters) ask for it; 0 where that can't be counted.
    pub asked: u64,
    /// How many of them have it.
    pub held: u64,
    /// The longest running time without it, h.
    pub longest_gap_h: Option<f64>,
    /// How it is met.
    pub verdict: Verdict,
    /// The analyses that can't be made, for want of it.
    pub refused: Vec<Analysis>,
    /// What falling short costs, in words; empty where nothing does.
    pub cost: String,
}

impl Met {
    /// The share of what was asked that is there; `None` where that can't be counted.
    pub fn share(&self) -> Option<f64> {
        (self.asked > 0).then(|| self.held as f64 / self.asked as f64)
    }
}

/// A log, held against all that is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct Completeness {
    /// One a requirement, in the order of [`REQUIREMENTS`].
    pub requirements: Vec<Met>,
    /// What was taken for granted in counting.
    pub assumed: String,
    /// Why the analyses would refuse this log, beside what a requirement names.
    pub refusals: Vec<String>,
}

/// Holds a log against the record that the standard asks for.
///
/// Costs are found by asking the analyses themselves: what they refuse, what the site file assumes in the place of a reading,
/// and how many rows are set aside.
pub fn completeness(log: &Log, site: &Site) -> Completeness {
    let running = Running::of(log, site);
    let gathered: Vec<(Analysis, Inputs, Faults)> = Analysis::ALL
        .into_iter()
        .map(|analysis| {
            let (inputs, faults) = Inputs::gather(log, site, &[analysis]);
            (analysis, inputs, faults)
        })
        .collect();
    let judge = Judge {
        log,
        site,
        running: &running,
        gathered: &gathered,
    };
    let requirements: Vec<Met> = REQUIREMENTS
        .iter()
        .map(|requirement| judge.met(requirement))
        .collect();
    let mut refusals = Vec::new();
    let named = |column: &str| {
        REQUIREMENTS
            .iter()
            .any(|known| known.input.is_some_and(|input| input.name() == column))
    };
    for (_, _, faults) in &gathered {
        for fault in faults
            .list()
            .iter()
            .filter(|fault| !fault.column.as_deref().is_some_and(named))
        {
            let words = fault.to_string();
            if !refusals.contains(&words) {
                refusals.push(words);
            }
        }
    }
    Completeness {
        requirements,
        assumed: running.assumed(log),
        refusals,
    }
}

struct Judge<'a> {
    log: &'a Log,
    site: &'a Site,
    running: &'a Running,
    gathered: &'a [(Analysis, Inputs, Faults)],
}

impl Judge<'_> {
    fn met(&self, requirement: &Requirement) -> Met {
        let mut met = Met {
            requirement: *requirement,
            asked: 0,
            held: 0,
            longest_gap_h: None,
            verdict: Verdict::NotJudged,
            refused: Vec::new(),
            cost: String::new(),
        };
        let mut costs = Vec::new();
        if requirement.quantity == CALIBRATION {
            let dated = self.calibrated();
            met.asked = dated.len() as u64;
            met.held = dated.iter().filter(|(_, recent)| *recent).count() as u64;
            met.verdict = Verdict::of_share(met.share());
            let old: Vec<&str> = dated
                .iter()
                .filter(|(_, recent)| !recent)
                .map(|(column, _)| column.name())
                .collect();
            if !old.is_empty() {
                costs.push(format!(
                    "The site file has no calibration within the three months before the log's end, or since, of: {}.",
                    old.join(", ")
                ));
            }
        } else if let (Some(hours), false) =
            (requirement.often.hours(), requirement.ways.is_empty())
        {
            let counted = self.count(requirement, hours);
            let whole = requirement.per_stage && self.running.stages_in_one;
            met.asked = counted.asked;
            met.held = counted.held;
            met.longest_gap_h = Some(counted.longest_gap_us as f64 / HOUR);
            let has_columns = requirement
                .ways
                .iter()
                .any(|way| self.sources(way).is_some());
            met.verdict = match Verdict::of_share(met.share()) {
                Verdict::NotJudged if !has_columns => Verdict::Missing,
                Verdict::Kept if whole => Verdict::Partly,
                verdict => verdict,
            };
            if whole && met.verdict == Verdict::Partly {
                costs.push("It is asked of each stage; this log has one figure for all, so a stage that changes is thinned by the others.".to_owned());
            }
        }
        if let Some(input) = requirement.input {
            self.cost_of_input(input, &mut met, &mut costs);
        }
        if requirement.quantity.starts_with("cleanings") {
            let told = self
                .site
                .events
                .iter()
                .filter(|event| event.kind == EventKind::Cleaning)
                .count();
            costs.push(format!(
                "The site file tells of {told}; whether there were others can't be known."
            ));
        }
        match met.verdict {
            Verdict::Kept => {}
            Verdict::Partly => costs.push(format!("Where it lacks: {}", requirement.loss)),
            Verdict::Missing => costs.push(requirement.loss.to_owned()),
            Verdict::NotJudged => costs.push(format!(
                "If it isn't written elsewhere: {}",
                requirement.loss
            )),
        }
        met.cost = costs.join(" ");
        met
    }

    /// What the analyses do without an input.
    fn cost_of_input(&self, input: Column, met: &mut Met, costs: &mut Vec<String>) {
        let mut problem = None;
        for (analysis, _, faults) in self.gathered {
            let of_input = |fault: &&crate::Fault| fault.column.as_deref() == Some(input.name());
            if let Some(fault) = faults.list().iter().find(of_input) {
                met.refused.push(*analysis);
                problem.get_or_insert_with(|| fault.problem.clone());
            }
        }
        let names = |of: &mut dyn Iterator<Item = Analysis>| {
            of.map(Analysis::name).collect::<Vec<_>>().join(", ")
        };
        if let Some(problem) = problem {
            let refused = names(&mut met.refused.iter().copied());
            // A fault's own words name but the analysis it was met in.
            let problem = match problem.strip_prefix("only assumed") {
                Some(_) => "only assumed",
                None => problem.split(';').next().unwrap_or_default(),
            };
            costs.push(format!("Refused: {refused} ({}: {problem}).", input.name()));
        }
        let left = self
            .gathered
            .iter()
            .filter(|(analysis, ..)| !met.refused.contains(analysis));
        let left: Vec<&(Analysis, Inputs, Faults)> = left.collect();
        let Some((_, inputs, _)) = left.first() else {
            return;
        };
        let known = inputs.provenance.iter().find(|known| known.column == input);
        if let Some(known) = known.filter(|known| known.origin == Origin::Assumed) {
            let names = names(&mut left.iter().map(|(analysis, ..)| *analysis));
            costs.push(format!(
                "In {names} {} stands for it in every row: what it does is taken for a change of the membranes.",
                known.detail
            ));
        }
        let Some(source) = source_of(inputs, input) else {
            return;
        };
        let ran = || (0..self.log.table.len()).filter(|row| inputs.is_running(*row));
        let lacking = ran()
            .filter(|row| source.at(*row).is_nan() && !inputs.is_beyond_curve(*row))
            .count();
        if lacking > 0 {
            costs.push(format!(
                "{lacking} of {} rows of the running unit are set aside for want of it.",
                ran().count()
            ));
        }
    }

    /// The series of some columns, where the log has all of them.
    fn sources(&self, way: &[Column]) -> Option<Vec<&[f64]>> {
        way.iter()
            .map(|column| self.log.get(*column).map(|series| &series.values[..]))
            .collect()
    }

    fn count(&self, requirement: &Requirement, hours: f64) -> Count {
        let ways: Vec<Vec<&[f64]>> = requirement
            .ways
            .iter()
            .filter_map(|way| self.sources(way))
            .collect();
        let has = |row: usize| {
            ways.iter()
                .any(|way| way.iter().all(|values| !values[row].is_nan()))
        };
        self.running.count((hours * HOUR) as i64, &has)
    }

    /// The meters behind the log's columns, and whether each was calibrated in time.
    fn calibrated(&self) -> Vec<(Column, bool)> {
        let zone = zone_or_utc(&self.log.table.zone);
        let last = self
            .log
            .table
            .time
            .iter()
            .max()
            .and_then(|time| jiff::Timestamp::from_microsecond(*time).ok());
        let Some(last) = last else { return Vec::new() };
        let since = zone.to_datetime(last).date().saturating_sub(3.months());
        let measured = |column: &&Column| {
            column.quantity() != Quantity::Switch && self.log.get(**column).is_some()
        };
        let columns = Column::ALL.iter().filter(measured);
        columns
            .map(|column| {
                (
                    *column,
                    self.site
                        .calibrated_on(*column)
                        .is_some_and(|date| date >= since),
                )
            })
            .collect()
    }
}

/// The figures of an input; `None` for a column that is none.
fn source_of(inputs: &Inputs, column: Column) -> Option<&Source> {
    match column {
        Column::FeedTemperature => Some(&inputs.temperature),
        Column::FeedPressure => Some(&inputs.feed_pressure),
        Column::DifferentialPressure => Some(&inputs.differential_pressure),
        Column::PermeatePressure => Some(&inputs.permeate_pressure),
        Column::PermeateFlow => Some(&inputs.permeate_flow),
        Column::FeedFlow => Some(&inputs.feed_flow),
        Column::FeedTds => Some(&inputs.feed_tds),
        Column::PermeateTds => Some(&inputs.permeate_tds),
        _ => None,
    }
}
