//! How sure a proposal is, and what speaks for it.
//!
//! "Sure" needs a header that names stream, quantity and unit in words that mean nothing else, figures in their range, and
//! nothing that speaks against it. "Likely" allows the unit to follow from range, neighbours or a balance, and the column
//! from a closed balance. All else is "possible" (rules are our choice, no source).

mod units;

use std::fmt::Write;

use super::super::Column;
use super::assign::{Assignment, Candidate, Search, Target};
use super::balances::{FLOWS_CLOSE, Finding, Relation};
use super::ranges::{Plausible, Spread, range_of};
use super::{Confidence, Meaning};
use crate::units::{Quantity, Unit};
use units::UnitFrom;

/// The proposal for one column of figures.
pub(super) struct Verdict {
    pub meaning: Option<Meaning>,
    pub confidence: Confidence,
    pub evidence: Vec<String>,
    pub alternatives: Vec<Meaning>,
}

/// Judges an assignment, column by column.
pub(super) struct Judge<'a> {
    search: &'a Search<'a>,
    assignment: &'a Assignment,
    titles: &'a [String],
    findings: Vec<(Option<u32>, Finding)>,
    units: Vec<UnitFrom>,
}

impl<'a> Judge<'a> {
    pub fn new(search: &'a Search<'a>, assignment: &'a Assignment, titles: &'a [String]) -> Self {
        let findings = search.findings(assignment);
        let mut judge = Self {
            search,
            assignment,
            titles,
            findings,
            units: Vec::new(),
        };
        judge.units = (0..assignment.len())
            .map(|subject| judge.unit_alone(subject))
            .collect();
        judge.units_by_balance();
        judge.units_by_neighbours();
        judge
    }

    fn title(&self, subject: usize) -> &str {
        let place = self
            .search
            .subjects
            .get(subject)
            .map(|subject| subject.place);
        place
            .and_then(|place| self.titles.get(place))
            .map_or("", String::as_str)
    }

    fn chosen(&self, subject: usize) -> Option<&Candidate> {
        self.search.chosen(self.assignment, subject)
    }

    fn holder(&self, target: Target) -> Option<usize> {
        (0..self.assignment.len()).find(|subject| {
            self.chosen(*subject)
                .is_some_and(|known| known.target == target)
        })
    }

    /// Whether the file has anything of a reverse-osmosis unit: a column whose header names the streams that only
    /// membranes make, or a balance of streams whose headers name nothing else.
    pub fn is_of_a_unit(&self) -> bool {
        use super::words::Stream::{Concentrate, Permeate, Recycle};
        let named = (0..self.assignment.len()).any(|at| {
            let (Some(chosen), Some(subject)) = (self.chosen(at), self.search.subjects.get(at))
            else {
                return false;
            };
            let quantity = subject.header.quantity_of(chosen.target.column.quantity());
            quantity.is_some_and(|(strength, _)| strength >= 0.4)
                && [Permeate, Concentrate, Recycle].into_iter().any(|stream| {
                    subject
                        .header
                        .stream(stream)
                        .is_some_and(|(strength, _)| strength >= 0.7)
                })
        });
        let closed = self.findings.iter().any(|(stage, finding)| {
            matches!(finding.relation, Relation::Flows | Relation::Pressures)
                && finding.closes()
                && finding.columns.iter().all(|column| {
                    self.holder(Target {
                        stage: *stage,
                        column: *column,
                    })
                    .and_then(|holder| self.search.subjects.get(holder))
                    .is_some_and(|subject| subject.header.unknown.is_empty())
                })
        });
        named || closed
    }

    /// The verdict on one subject.
    pub fn verdict(&self, at: usize) -> Verdict {
        let Some(subject) = self.search.subjects.get(at) else {
            return Verdict {
                meaning: None,
                confidence: Confidence::None,
                evidence: Vec::new(),
                alternatives: Vec::new(),
            };
        };
        let mut evidence = Vec::new();
        let header = &subject.header;
        if header.absolute {
            evidence.push(
                "the header says absolute pressure, and gauge pressure is needed: subtract the site's air pressure"
                    .to_owned(),
            );
        }
        if let Some(word) = &header.foreign {
            evidence.push(format!(
                "the header says '{word}', which no column of a log measures"
            ));
        }
        let Some(chosen) = self.chosen(at) else {
            if evidence.is_empty() {
                evidence.push(self.why_none(at));
            }
            return Verdict {
                meaning: None,
                confidence: Confidence::None,
                evidence,
                alternatives: self.by_itself(at),
            };
        };
        let column = chosen.target.column;
        let mine: Vec<&Finding> = self
            .findings
            .iter()
            .filter(|(stage, finding)| {
                *stage == chosen.target.stage && finding.columns.contains(&column)
            })
            .map(|(_, finding)| finding)
            .collect();
        evidence.push(self.words(at, column));
        evidence.extend(self.range_words(at, chosen));
        evidence.extend(self.unit_words(at, chosen));
        // A balance that told the unit has been said.
        let said = |words: &str| evidence_holds(self.units.get(at), words);
        let balances: Vec<String> = mine
            .iter()
            .filter(|finding| finding.relation != Relation::Above || finding.against)
            .map(|finding| finding.words.clone())
            .filter(|words| !said(words))
            .collect();
        let order = mine
            .iter()
            .find(|finding| finding.relation == Relation::Above && !finding.against);
        if balances.is_empty() {
            evidence.extend(order.map(|finding| finding.words.clone()));
        }
        evidence.extend(balances);
        if let Some(word) = &header.elsewhere {
            evidence.push(format!(
                "'{word}' may mean another place than the membranes"
            ));
        }
        if let Some(word) = header.unknown.first() {
            evidence.push(format!("'{word}' is no word that is known here"));
        }
        if let Some(word) = header.conflict() {
            evidence.push(format!(
                "the header says '{word}' but gives a unit of {}",
                column.quantity().name()
            ));
        }
        let rivals = self.rivals(at, column);
        for rival in &rivals {
            evidence.push(format!("'{}' is named the same", self.title(*rival)));
        }
        let rest = self.rest(at, column, chosen.unit);
        Verdict {
            meaning: Some(Meaning::Reading {
                column,
                unit: chosen.unit,
                stage: chosen.target.stage,
            }),
            confidence: self.confidence(at, chosen, &mine, !rivals.is_empty()),
            evidence,
            alternatives: rest,
        }
    }

    fn confidence(
        &self,
        at: usize,
        chosen: &Candidate,
        mine: &[&Finding],
        rivals: bool,
    ) -> Confidence {
        let Some(subject) = self.search.subjects.get(at) else {
            return Confidence::None;
        };
        let (header, column) = (&subject.header, chosen.target.column);
        let unit_known = self
            .units
            .get(at)
            .is_some_and(|from| *from != UnitFrom::Undecided);
        let stated = matches!(
            self.units.get(at),
            Some(UnitFrom::Header | UnitFrom::NotNeeded)
        );
        let against = mine
            .iter()
            .any(|finding| finding.against && finding.relation == Relation::Above);
        let doubt = mine.iter().any(|finding| finding.against);
        let joined = mine
            .iter()
            .any(|finding| finding.relation == Relation::Joined && finding.closes());
        if against
            || (joined && column == Column::FeedFlow)
            || rivals
            || !unit_known
            || chosen.plausible == Plausible::Out
            || header.elsewhere.is_some()
            || header.conflict().is_some()
        {
            return Confidence::Possible;
        }
        if subject.names(column, 0.9)
            && stated
            && !doubt
            && header.unknown.is_empty()
            && chosen.plausible == Plausible::Usual
        {
            return Confidence::Sure;
        }
        if subject.names(column, 0.7)
            || self.only_thermometer(at, chosen)
            || self.told_by_balance(at, chosen, mine)
        {
            return Confidence::Likely;
        }
        Confidence::Possible
    }

    /// A header that says temperature and no stream, the only one of its kind.
    fn only_thermometer(&self, at: usize, chosen: &Candidate) -> bool {
        let said = |at: usize| {
            self.search.subjects.get(at).is_some_and(|subject| {
                let said = subject.header.quantity_of(Quantity::Temperature);
                said.is_some_and(|(strength, _)| strength >= 0.5)
            })
        };
        chosen.target.column.quantity() == Quantity::Temperature
            && chosen.plausible == Plausible::Usual
            && said(at)
            && self.search.subjects[at].header.streams.is_empty()
            && self.search.subjects[at].header.unknown.is_empty()
            && (0..self.assignment.len()).filter(|at| said(*at)).count() == 1
    }

    /// A column whose quantity and unit are known, and which a closed balance alone can place.
    fn told_by_balance(&self, at: usize, chosen: &Candidate, mine: &[&Finding]) -> bool {
        const LEAST_MARGIN: f64 = 1.0;
        let column = chosen.target.column;
        let subject = &self.search.subjects[at];
        let closed = mine.iter().any(|finding| {
            let tight = match finding.relation {
                Relation::Flows => finding.off <= FLOWS_CLOSE / 2.0,
                Relation::Pressures => finding.closes(),
                Relation::Joined | Relation::Above | Relation::Salt => false,
            };
            // Three tags that close may be two stages and their sum: words or salt must speak for one of them.
            let named = finding
                .columns
                .iter()
                .filter(|other| **other != column)
                .any(|other| {
                    let target = Target {
                        stage: chosen.target.stage,
                        column: *other,
                    };
                    self.holder(target)
                        .is_some_and(|holder| self.search.subjects[holder].names(*other, 0.7))
                });
            let salt = mine
                .iter()
                .any(|finding| finding.relation == Relation::Salt && finding.closes());
            let salt = salt
                || self.findings.iter().any(|(stage, finding)| {
                    *stage == chosen.target.stage
                        && finding.relation == Relation::Salt
                        && finding.closes()
                });
            let said = finding.columns.iter().all(|other| {
                let target = Target {
                    stage: chosen.target.stage,
                    column: *other,
                };
                self.holder(target)
                    .is_some_and(|holder| self.says_quantity(holder))
            });
            tight && said && (named || salt)
        });
        subject.header.unknown.is_empty() && closed && self.margin(at, chosen) >= LEAST_MARGIN
    }

    /// How much worse the best other answer to what this column is scores.
    fn margin(&self, at: usize, chosen: &Candidate) -> f64 {
        let best = self.search.score(self.assignment);
        let mut other = f64::NEG_INFINITY;
        for moved in self.search.moves(self.assignment, at, f64::NEG_INFINITY) {
            let elsewhere = self
                .search
                .chosen(&moved, at)
                .is_some_and(|candidate| candidate.target != chosen.target);
            if elsewhere {
                other = other.max(self.search.score(&moved));
            }
        }
        for rival in (0..self.assignment.len()).filter(|rival| *rival != at) {
            for (choice, candidate) in self.search.subjects[rival].candidates.iter().enumerate() {
                if candidate.target == chosen.target {
                    let moved = self.search.set(self.assignment, &[(rival, choice)]);
                    other = other.max(self.search.score(&moved));
                }
            }
        }
        best - other
    }

    /// Other columns whose headers name the same.
    fn rivals(&self, at: usize, column: Column) -> Vec<usize> {
        let Some(subject) = self.search.subjects.get(at) else {
            return Vec::new();
        };
        (0..self.assignment.len())
            .filter(|rival| {
                let other = &self.search.subjects[*rival];
                *rival != at
                    && other.header.stage == subject.header.stage
                    && other.header.foreign.is_none()
                    && !other.header.absolute
                    && other.header.elsewhere.is_none()
                    && other.names(column, 0.7)
                    && self
                        .chosen(*rival)
                        .is_none_or(|chosen| chosen.target.column == column)
            })
            .collect()
    }

    fn words(&self, at: usize, column: Column) -> String {
        let Some(subject) = self.search.subjects.get(at) else {
            return String::new();
        };
        let mut said = Vec::new();
        if let Some(stream) = super::words::Stream::of(column)
            && let Some((strength, word)) = subject.header.stream(stream)
        {
            said.push(hedged(word, stream.name(), strength));
        }
        if let Some((strength, word)) = subject.header.quantity_of(column.quantity()) {
            if subject.header.unit.is_some_and(|unit| unit.word == word) {
                said.push(format!("{} (its unit is {word})", column.quantity().name()));
            } else {
                said.push(hedged(word, column.quantity().name(), strength));
            }
        }
        if said.is_empty() {
            "the header tells nothing".to_owned()
        } else {
            format!("header: {}", said.join(", "))
        }
    }

    fn range_words(&self, at: usize, chosen: &Candidate) -> Option<String> {
        let subject = self.search.subjects.get(at)?;
        let range = range_of(chosen.target.column)?;
        let Spread { low, high, .. } = subject.spread?;
        let unit = chosen.unit;
        let shown = |value: f64| figure(unit.from_canonical(value));
        let judged = match chosen.plausible {
            Plausible::Usual => "usual",
            Plausible::Possible => "unusual, not impossible",
            Plausible::Out => "out of the range",
        };
        Some(format!(
            "{} to {} {} is {judged} for {} (usual: {} to {})",
            figure(low),
            figure(high),
            unit.word,
            chosen.target.column.name(),
            shown(range.usual.0),
            shown(range.usual.1)
        ))
    }

    fn unit_words(&self, at: usize, chosen: &Candidate) -> Option<String> {
        let subject = self.search.subjects.get(at)?;
        match self.units.get(at)? {
            UnitFrom::Header | UnitFrom::NotNeeded => None,
            UnitFrom::Balance(words) => Some(words.clone()),
            UnitFrom::Range => Some(format!(
                "no unit in the header: {} by the range of its figures, other common units would be out of it",
                chosen.unit.word
            )),
            UnitFrom::Neighbours => Some(format!(
                "no unit in the header: {} as the others of {}",
                chosen.unit.word,
                chosen.target.column.quantity().name()
            )),
            UnitFrom::Undecided => {
                let words: Vec<&str> = subject
                    .units_by_range(chosen.target.column)
                    .iter()
                    .map(|unit| unit.word)
                    .collect();
                Some(format!(
                    "no unit in the header, and undecided by range: {}",
                    words.join(" or ")
                ))
            }
        }
    }

    fn why_none(&self, at: usize) -> String {
        let Some(subject) = self.search.subjects.get(at) else {
            return String::new();
        };
        let header = &subject.header;
        let said: Vec<&str> = header
            .streams
            .iter()
            .map(|(stream, ..)| stream.name())
            .chain(
                header
                    .quantities
                    .iter()
                    .map(|(quantity, ..)| quantity.name()),
            )
            .collect();
        if let (Some(word), true) = (header.unknown.first(), said.is_empty()) {
            format!("'{word}' is no word that is known here")
        } else if said.is_empty() {
            "the header tells nothing, and no balance does".to_owned()
        } else if subject.candidates.is_empty() {
            format!(
                "the header says {}: no column of a log is that, in figures such as these",
                said.join(" ")
            )
        } else {
            let held = subject
                .candidates
                .first()
                .and_then(|first| self.holder(first.target));
            match held {
                Some(holder) => format!(
                    "the header says {}; '{}' fits that better",
                    said.join(" "),
                    self.title(holder)
                ),
                None => format!(
                    "the header says {}: too little to go by, or against the other columns",
                    said.join(" ")
                ),
            }
        }
    }

    /// What a column that was given nothing may be by itself.
    fn by_itself(&self, at: usize) -> Vec<Meaning> {
        let Some(subject) = self.search.subjects.get(at) else {
            return Vec::new();
        };
        if subject.header.says_nothing() {
            return Vec::new();
        }
        let least = |candidate: &&Candidate| candidate.score > -1.5;
        subject
            .candidates
            .iter()
            .filter(least)
            .take(3)
            .map(meaning)
            .collect()
    }

    /// What else a column may be: other columns and units that score little worse.
    fn rest(&self, at: usize, column: Column, unit: &Unit) -> Vec<Meaning> {
        const WITHIN: f64 = 2.0;
        let best = self.search.score(self.assignment);
        let mut others: Vec<(f64, Meaning)> = Vec::new();
        for moved in self.search.moves(self.assignment, at, -2.6) {
            let Some(candidate) = self.search.chosen(&moved, at) else {
                continue;
            };
            let same = candidate.target.column == column && candidate.unit == unit;
            let behind = best - self.search.score(&moved);
            let other = meaning(candidate);
            if !same && behind <= WITHIN && !others.iter().any(|(_, known)| *known == other) {
                others.push((behind, other));
            }
        }
        others.sort_by(|a, b| a.0.total_cmp(&b.0));
        others
            .into_iter()
            .take(3)
            .map(|(_, meaning)| meaning)
            .collect()
    }
}

fn meaning(candidate: &Candidate) -> Meaning {
    Meaning::Reading {
        column: candidate.target.column,
        unit: candidate.unit,
        stage: candidate.target.stage,
    }
}

fn hedged(word: &str, what: &str, strength: f64) -> String {
    let perhaps = if strength >= 0.7 { "" } else { "perhaps " };
    if word == what {
        format!("{perhaps}{what}")
    } else {
        format!("{perhaps}{what} ('{word}')")
    }
}

fn evidence_holds(unit: Option<&UnitFrom>, words: &str) -> bool {
    matches!(unit, Some(UnitFrom::Balance(said)) if said.starts_with(words))
}

/// A figure to three places that count.
pub(super) fn figure(value: f64) -> String {
    let mut text = String::new();
    let size = value.abs();
    let places = if size >= 100.0 || size == 0.0 {
        0
    } else if size >= 10.0 {
        1
    } else if size >= 1.0 {
        2
    } else {
        3
    };
    // Writing into a string can't fail.
    let _ = write!(text, "{value:.places$}");
    if text.contains('.') {
        text.truncate(text.trim_end_matches('0').trim_end_matches('.').len());
    }
    text
}
