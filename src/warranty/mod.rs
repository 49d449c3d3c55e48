//! A warranty, judged clause by clause: kept, broken, or not to be judged, each with what shows it and the risk of being wrong.
//!
//! [`Terms`] say what was agreed on. [`warranty`] holds them against a normalised log: what is promised of the membranes
//! (`guarantee`: by the contract's own method, and by ours beside it), the limits of operation (`limits`, `exposure`,
//! `duties`), the records (`records`). A verdict needs a stated risk ([`conformity`], JCGM 106:2012); what lies closer to a limit than that
//! risk allows can't be judged. Data that doesn't qualify is refused a verdict, unless that is overridden, which every output says.

mod case;
pub mod conformity;
mod contract;
mod course;
mod duties;
mod excess;
mod exposure;
mod guarantee;
mod instruments;
mod json;
mod limits;
mod near;
mod own;
mod records;
mod slips;
pub mod terms;
mod words;
mod zero;

use crate::assess::Estimate;
use crate::error::{Error, Fault, setting};
use crate::normalise::Normalised;
use crate::table::Group;
use crate::units::Unit;
use case::Case;
pub use conformity::{Risk, Verdict};
pub use course::{Course, Window, courses};
pub use instruments::{Carrying, State};
pub use terms::{TEMPLATE, Terms};

/// What stands beside every judgement.
pub const CAUTIONS: [&str; 3] = [
    "This is evidence for people and their lawyers, not a ruling: what a contract means, and what follows from it, is theirs to say.",
    "A verdict holds for the readings, the site file and the terms as they were given; what was not read, or read wrong, is not in it.",
    "Nothing here says that water is safe to drink, or that a unit is safe to run: pressure, electricity and chemicals harm. Local codes, the \
     manufacturer's instructions and licensed practice come first.",
];

/// How clauses are judged, in words.
pub const METHOD: &str =
    "conformance probability with guard bands (JCGM 106:2012), brinemark warranty method 1";

/// Settings of [`warranty`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WarrantySettings {
    /// How often intervals shall hold the true figure.
    pub level: f64,
    /// How probable it may be that a verdict is wrong.
    pub risk: f64,
    /// Whether data that doesn't qualify is judged all the same.
    pub override_refusals: bool,
}

impl Default for WarrantySettings {
    fn default() -> Self {
        Self {
            level: 0.95,
            risk: 0.05,
            override_refusals: false,
        }
    }
}

/// What kind of thing a clause asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A figure of the membranes.
    Guarantee,
    /// A limit of operation.
    Limit,
    /// A record.
    Records,
    /// Notice of a failing.
    Notice,
    /// An event that ends the warranty.
    Exclusion,
}

impl Kind {
    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Self::Guarantee => "guarantee",
            Self::Limit => "limit",
            Self::Records => "records",
            Self::Notice => "notice",
            Self::Exclusion => "exclusion",
        }
    }
}

/// A stretch of readings beyond a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Excursion {
    /// Its first reading beyond, µs since 1970 UTC.
    pub start_us: i64,
    /// Its last.
    pub end_us: i64,
    /// The reading furthest beyond, in the unit of the terms.
    pub worst: f64,
    /// Its first and its last row, counted from 0.
    pub rows: (usize, usize),
    /// Readings in it.
    pub readings: usize,
}

impl Excursion {
    /// From the first reading to the last, h.
    pub fn hours(&self) -> f64 {
        self.end_us.saturating_sub(self.start_us) as f64 / crate::log::time::HOUR
    }
}

/// A time without the reading that is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// From, µs since 1970 UTC.
    pub start_us: i64,
    /// To.
    pub end_us: i64,
}

impl Gap {
    /// How long, h.
    pub fn hours(&self) -> f64 {
        self.end_us.saturating_sub(self.start_us) as f64 / crate::log::time::HOUR
    }
}

/// The ends that a clause sets, in a unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ends {
    /// No less than this.
    pub low: Option<f64>,
    /// No more than this.
    pub high: Option<f64>,
    /// Their unit.
    pub unit: &'static Unit,
}

/// One clause, judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Clause {
    /// The key of the terms file.
    pub key: String,
    /// What kind.
    pub kind: Kind,
    /// What it asks, with its figures.
    pub words: String,
    /// Kept, broken, or not to be judged.
    pub verdict: Verdict,
    /// Why.
    pub sentence: String,
    /// The figure it rests on.
    pub figure: Option<Estimate>,
    /// What it is held against.
    pub limit: Option<Ends>,
    /// Of a guarantee: the same by our own method.
    pub other_figure: Option<Estimate>,
    /// Why the two differ.
    pub difference: Option<String>,
    /// How probable it is to be wrong either way.
    pub risk: Option<Risk>,
    /// What lies beyond.
    pub excursions: Vec<Excursion>,
    /// Times without the readings it needs.
    pub gaps: Vec<Gap>,
    /// The instruments that carry the verdict.
    pub instruments: Vec<Carrying>,
    /// How many readings it was judged on.
    pub rows: usize,
}

impl Clause {
    fn new(key: impl Into<String>, kind: Kind, words: impl Into<String>) -> Self {
        Self {
            key: key.into(),
            kind,
            words: words.into(),
            verdict: Verdict::CannotBeJudged,
            sentence: String::new(),
            figure: None,
            limit: None,
            other_figure: None,
            difference: None,
            risk: None,
            excursions: Vec::new(),
            gaps: Vec::new(),
            instruments: Vec::new(),
            rows: 0,
        }
    }

    /// The same clause, not to be judged, for this reason.
    fn refused(mut self, why: impl Into<String>) -> Self {
        self.verdict = Verdict::CannotBeJudged;
        self.sentence = why.into();
        self
    }
}

/// A warranty, judged for one train.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// Of which train and stage.
    pub group: Group,
    /// The name of the terms.
    pub terms: String,
    /// How often intervals shall hold the true figure.
    pub level: f64,
    /// How probable it may be that a verdict is wrong.
    pub risk: f64,
    /// When the period begins, µs since 1970 UTC.
    pub start_us: i64,
    /// When it ends.
    pub end_us: i64,
    /// Up to when the log lets it be judged.
    pub judged_until_us: i64,
    /// Whether data that doesn't qualify was judged all the same.
    pub override_refusals: bool,
    /// The clauses, in the order of a terms file.
    pub clauses: Vec<Clause>,
    /// What else is to be known.
    pub warnings: Vec<String>,
}

impl Judgement {
    /// The clause of a key.
    pub fn clause(&self, key: &str) -> Option<&Clause> {
        self.clauses.iter().find(|clause| clause.key == key)
    }

    /// All of it in a line.
    pub fn sentence(&self) -> String {
        let of = |verdict: Verdict| {
            let keys: Vec<&str> = self
                .clauses
                .iter()
                .filter(|clause| clause.verdict == verdict)
                .map(|clause| clause.key.as_str())
                .collect();
            match (keys.len(), verdict) {
                (n, Verdict::Kept) => format!("{n} kept"),
                (0, verdict) => format!("0 {}", verdict.words()),
                (n, verdict) => format!("{n} {}: {}", verdict.words(), keys.join(", ")),
            }
        };
        let group = match self.group {
            Group {
                train: None,
                stage: None,
            } => String::new(),
            ref group => format!(", {group}"),
        };
        let overridden = if self.override_refusals {
            "; OVERRIDDEN: judged on data that may not qualify"
        } else {
            ""
        };
        format!(
            "{}{group}, {} to {}: {}; {}; {}{overridden}",
            self.terms,
            words::day(self.start_us),
            words::day(self.judged_until_us),
            of(Verdict::Kept),
            of(Verdict::Broken),
            of(Verdict::CannotBeJudged),
        )
    }
}

/// Judges the terms of a warranty against a log, for each train they are for.
///
/// # Errors
/// [`Error::Range`] for settings out of range; [`Error::Terms`] where the period and the log have no reading in common, or the log has no such
/// train; [`Error::MissingColumn`], [`Error::Site`] or [`Error::Baseline`] where the contract's own method can't be worked out on this log.
pub fn warranty(
    result: &Normalised,
    terms: &Terms,
    settings: &WarrantySettings,
) -> Result<Vec<Judgement>, Error> {
    setting("level", settings.level, (0.5, 0.999), "")?;
    setting("risk", settings.risk, (0.001, 0.4), "")?;
    let contract = contract::normalised(result, terms)?;
    let own = own::normalised(result, terms)?;
    let mut judgements = Vec::new();
    for (at, (group, rows)) in result.rows_of_groups().into_iter().enumerate() {
        if terms.train.is_some() && terms.train != group.train {
            continue;
        }
        let case = Case::new(result, terms, settings, (at, group), &rows)?;
        judgements.push(judge(&case, contract.as_ref(), own.as_ref()));
    }
    if judgements.is_empty() {
        return Err(Error::Terms(
            Fault::new(
                "the log has no such train",
                "the train's label as the log has it, or leave it out",
            )
            .at_column("[warranty] train")
            .with_value(terms.train.clone().unwrap_or_default())
            .into(),
        ));
    }
    Ok(judgements)
}

fn judge(case: &Case<'_>, contract: Option<&Normalised>, own: Option<&Normalised>) -> Judgement {
    let mut warnings = Vec::new();
    let records = records::clauses(case);
    let mut clauses = Vec::new();
    let course = own::course(case, own, &mut warnings);
    if let Some(guarantee) = &case.terms.guarantee {
        clauses.extend(guarantee::clauses(
            case,
            guarantee,
            contract,
            course.as_ref(),
        ));
    }
    for limit in &case.terms.limits {
        clauses.push(match limit.of {
            terms::LimitOf::ChlorineExposure => exposure::clause(case, limit),
            _ => limits::clause(case, limit),
        });
    }
    clauses.extend(duties::cleanings(case, course.as_ref()));
    clauses.extend(records);
    clauses.extend(duties::notice(case, contract, &clauses));
    clauses.extend(duties::exclusion(case));
    warnings.extend(case.warnings());
    Judgement {
        group: case.group.clone(),
        terms: case.terms.name.clone(),
        level: case.settings.level,
        risk: case.settings.risk,
        start_us: case.start_us,
        end_us: case.end_us,
        judged_until_us: case.until_us,
        override_refusals: case.settings.override_refusals,
        clauses,
        warnings,
    }
}
