//! Which column is what: the assignment of columns and units that fits words, ranges and balances best.
//!
//! The score of an assignment is the sum of those of its columns (words of the header, unit, range; `Candidate`) and of
//! the balances between them (`balances`). Weights are our choice, with no source: a word that means one thing
//! weighs 3, a unit 3, a usual range 0.5; to call a column anything costs 2.5, so that a range alone proposes nothing; a
//! balance that closes adds up to 4, one that can't hold takes 3. The search goes uphill from the words' own answer, by
//! moving or exchanging columns and by setting whole balances at once; it is the same each time and its steps are bounded.

use std::collections::BTreeMap;

use super::super::Column;
use super::balances::{FLOWS_CLOSE, Figures, Finding, Read, Relation};
use super::cells::Cells;
use super::ranges::{Plausible, Spread, usual_units};
use super::words::{Header, Stream};
use crate::units::{Quantity, Unit};

/// What a column may be called.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Target {
    pub stage: Option<u32>,
    pub column: Column,
}

/// A column of figures, with all that is known of it by itself.
#[derive(Debug, Clone)]
pub(super) struct Subject {
    /// Its place in the file.
    pub place: usize,
    pub header: Header,
    pub spread: Option<Spread>,
    pub candidates: Vec<Candidate>,
}

/// One thing that a column may be.
#[derive(Debug, Clone)]
pub(super) struct Candidate {
    pub target: Target,
    pub unit: &'static Unit,
    pub plausible: Plausible,
    pub score: f64,
}

/// The unit words of a file's headers, by quantity: columns without one are likely in the same.
pub(super) type House = Vec<(Quantity, &'static str)>;

impl Subject {
    /// Everything the column may be, the likeliest first.
    pub fn new(place: usize, header: Header, cells: &Cells, house: &House) -> Self {
        let spread = Spread::of(&cells.figures);
        let mut candidates = Vec::new();
        if header.foreign.is_none() && !header.absolute {
            let proposed = |column: &Column| !column.is_exposure();
            for column in Column::ALL.iter().copied().filter(proposed) {
                candidates.extend(candidates_of(column, &header, cells, spread, house));
            }
        }
        candidates.sort_by(|a, b| b.score.total_cmp(&a.score));
        Self {
            place,
            header,
            spread,
            candidates,
        }
    }

    /// Whether the header's words name this column, both its stream and its quantity.
    pub fn names(&self, column: Column, least: f64) -> bool {
        let enough =
            |said: Option<(f64, &str)>| said.is_some_and(|(strength, _)| strength >= least);
        let stream = Stream::of(column).is_none_or(|stream| enough(self.header.stream(stream)));
        stream && enough(self.header.quantity_of(column.quantity()))
    }

    /// Units other than the header's in which the figures are likely, of those common in logs.
    pub fn units_by_range(&self, column: Column) -> Vec<&'static Unit> {
        let common: &[&str] = match column.quantity() {
            Quantity::Pressure => &["bar", "psi", "kPa"],
            quantity => usual_units(quantity),
        };
        let likely = |unit: &&Unit| {
            self.spread
                .is_some_and(|spread| spread.plausible(column, unit) != Plausible::Out)
        };
        common
            .iter()
            .filter_map(|word| Unit::parse(word).ok())
            .filter(likely)
            .collect()
    }
}

fn candidates_of(
    column: Column,
    header: &Header,
    cells: &Cells,
    spread: Option<Spread>,
    house: &House,
) -> Vec<Candidate> {
    let quantity = column.quantity();
    let mut score = -2.5;
    match Stream::of(column) {
        // A switch has no stream to name.
        None => score += 0.8,
        Some(stream) if header.streams.is_empty() => {
            score += match (stream, quantity) {
                // Logs with one thermometer call it Temperature, and it stands in the feed.
                (Stream::Feed, Quantity::Temperature | Quantity::Acidity) => 0.8,
                (Stream::Differential | Stream::Recycle, _) => -1.0,
                _ => 0.0,
            };
        }
        Some(stream) => match header.stream(stream) {
            Some((strength, _)) => score += 3.0 * strength,
            None => return Vec::new(),
        },
    }
    let said = header
        .quantities
        .iter()
        .map(|(_, strength, _)| *strength)
        .reduce(f64::max);
    match (header.quantity_of(quantity), said) {
        (Some((strength, _)), _) => score += 3.0 * strength,
        (None, Some(most)) if most >= 0.5 => return Vec::new(),
        (None, Some(_)) => score -= 1.0,
        (None, None) => {}
    }
    score -= 0.7 * header.unknown.len().min(2) as f64;
    if header.elsewhere.is_some() {
        score -= 1.5;
    }
    let target = Target {
        stage: header.stage,
        column,
    };
    if quantity == Quantity::Switch {
        return if cells.switch.is_some() {
            vec![Candidate {
                target,
                unit: quantity.canonical(),
                plausible: Plausible::Usual,
                score,
            }]
        } else {
            Vec::new()
        };
    }
    let Some(spread) = spread else {
        return Vec::new();
    };
    if let Some(unit) = header.unit.filter(|unit| unit.quantity == quantity) {
        let plausible = spread.plausible(column, unit);
        return vec![Candidate {
            target,
            unit,
            plausible,
            score: score + by_range(plausible),
        }];
    }
    if header.unit.is_some() {
        return Vec::new();
    }
    let units: Vec<&'static Unit> = if quantity.needs_unit() {
        usual_units(quantity)
            .iter()
            .filter_map(|word| Unit::parse(word).ok())
            .collect()
    } else {
        vec![quantity.canonical()]
    };
    units
        .into_iter()
        .enumerate()
        .filter_map(|(rank, unit)| {
            let plausible = spread.plausible(column, unit);
            let same = house
                .iter()
                .any(|(of, word)| *of == quantity && *word == unit.word);
            let score =
                score + by_range(plausible) - 0.15 * rank as f64 + if same { 0.6 } else { 0.0 };
            (plausible != Plausible::Out).then_some(Candidate {
                target,
                unit,
                plausible,
                score,
            })
        })
        .collect()
}

fn by_range(plausible: Plausible) -> f64 {
    match plausible {
        Plausible::Usual => 0.5,
        Plausible::Possible => -0.25,
        Plausible::Out => -1.5,
    }
}

/// A candidate for one side of a balance, with its median in canonical units.
#[derive(Debug, Clone, Copy)]
struct Side {
    subject: usize,
    choice: usize,
    median: f64,
}

/// The candidate that each subject was given, by its place among the candidates.
pub(super) type Assignment = Vec<Option<usize>>;

/// The search for the best assignment.
pub(super) struct Search<'a> {
    pub subjects: &'a [Subject],
    pub figures: &'a Figures,
}

/// Rounds of the search, and how many candidates for one side of a balance and whole balances it tries.
const ROUNDS: usize = 30;
const SIDES: usize = 36;
const BALANCES: usize = 60;
/// A candidate that starts below this only comes in with a whole balance.
const ALONE: f64 = -1.5;

impl Search<'_> {
    fn candidate(&self, subject: usize, choice: usize) -> Option<&Candidate> {
        self.subjects.get(subject)?.candidates.get(choice)
    }

    /// What each subject was given.
    pub fn chosen(&self, assignment: &Assignment, subject: usize) -> Option<&Candidate> {
        self.candidate(subject, (*assignment.get(subject)?)?)
    }

    /// Who stands for what, by stage.
    fn places(&self, assignment: &Assignment) -> BTreeMap<Option<u32>, Vec<(Column, Read)>> {
        let mut stages: BTreeMap<Option<u32>, Vec<(Column, Read)>> = BTreeMap::new();
        for subject in 0..assignment.len() {
            if let Some(candidate) = self.chosen(assignment, subject) {
                let read = Read {
                    subject,
                    unit: candidate.unit.word,
                };
                let stage = stages.entry(candidate.target.stage).or_default();
                stage.push((candidate.target.column, read));
            }
        }
        stages
    }

    /// The balances of each stage, those of the whole unit under `None`.
    pub fn findings(&self, assignment: &Assignment) -> Vec<(Option<u32>, Finding)> {
        self.places(assignment)
            .into_iter()
            .flat_map(|(stage, places)| {
                let findings = self.figures.findings(|column| held(&places, column));
                findings.into_iter().map(move |finding| (stage, finding))
            })
            .collect()
    }

    /// The score of an assignment.
    pub fn score(&self, assignment: &Assignment) -> f64 {
        let columns: f64 = (0..assignment.len())
            .filter_map(|subject| self.chosen(assignment, subject))
            .map(|candidate| candidate.score)
            .sum();
        let balances: f64 = self
            .places(assignment)
            .values()
            .map(|places| self.figures.score(|column| held(places, column)))
            .sum();
        columns + balances
    }

    /// The best assignment that is found.
    pub fn best(&self) -> Assignment {
        let mut best = self.by_words();
        let mut score = self.score(&best);
        let balances = self.balances();
        for _ in 0..ROUNDS {
            let before = score;
            for subject in 0..self.subjects.len() {
                for moved in self.moves(&best, subject, ALONE) {
                    self.keep_better(moved, &mut best, &mut score);
                }
            }
            for together in &balances {
                let moved = self.set(&best, together);
                self.keep_better(moved, &mut best, &mut score);
            }
            if score <= before {
                break;
            }
        }
        best
    }

    fn keep_better(&self, moved: Assignment, best: &mut Assignment, score: &mut f64) {
        const LEAST_GAIN: f64 = 1e-9;
        let found = self.score(&moved);
        if found > *score + LEAST_GAIN {
            *best = moved;
            *score = found;
        }
    }

    /// Each column as its own words and range say, where no other says so more strongly.
    fn by_words(&self) -> Assignment {
        let mut all: Vec<(usize, usize, &Candidate)> = self
            .subjects
            .iter()
            .enumerate()
            .flat_map(|(subject, of)| {
                let choices = of.candidates.iter().enumerate();
                choices.map(move |(choice, candidate)| (subject, choice, candidate))
            })
            .filter(|(.., candidate)| candidate.score > 0.0)
            .collect();
        all.sort_by(|a, b| b.2.score.total_cmp(&a.2.score));
        let mut assignment = vec![None; self.subjects.len()];
        let mut taken: Vec<Target> = Vec::new();
        for (subject, choice, candidate) in all {
            if assignment[subject].is_none() && !taken.contains(&candidate.target) {
                assignment[subject] = Some(choice);
                taken.push(candidate.target);
            }
        }
        assignment
    }

    /// The assignment with these choices; whoever stood there before goes out.
    pub fn set(&self, assignment: &Assignment, choices: &[(usize, usize)]) -> Assignment {
        let mut moved = assignment.clone();
        for (subject, choice) in choices {
            let Some(candidate) = self.candidate(*subject, *choice) else {
                continue;
            };
            for other in 0..moved.len() {
                if self
                    .chosen(&moved, other)
                    .is_some_and(|known| known.target == candidate.target)
                {
                    moved[other] = None;
                }
            }
            moved[*subject] = Some(*choice);
        }
        moved
    }

    /// Every assignment in which this subject alone goes elsewhere, or changes places with who stands there.
    pub fn moves(&self, assignment: &Assignment, subject: usize, least: f64) -> Vec<Assignment> {
        let now = self.chosen(assignment, subject);
        let mut moves = Vec::new();
        if now.is_some() {
            let mut out = assignment.clone();
            out[subject] = None;
            moves.push(out);
        }
        let choices = self.subjects[subject].candidates.iter().enumerate();
        for (choice, candidate) in choices.filter(|(_, candidate)| candidate.score > least) {
            moves.push(self.set(assignment, &[(subject, choice)]));
            let holder = (0..assignment.len()).find(|other| {
                *other != subject
                    && self
                        .chosen(assignment, *other)
                        .is_some_and(|known| known.target == candidate.target)
            });
            let (Some(holder), Some(now)) = (holder, now) else {
                continue;
            };
            for (back, other) in self.subjects[holder].candidates.iter().enumerate() {
                if other.target == now.target {
                    moves.push(self.set(assignment, &[(subject, choice), (holder, back)]));
                }
            }
        }
        moves
    }

    /// Sets of three columns between which a balance holds, the best first.
    fn balances(&self) -> Vec<Vec<(usize, usize)>> {
        let kinds = [
            (
                Relation::Flows,
                [
                    Column::FeedFlow,
                    Column::PermeateFlow,
                    Column::ConcentrateFlow,
                ],
            ),
            (
                Relation::Pressures,
                [
                    Column::FeedPressure,
                    Column::ConcentratePressure,
                    Column::DifferentialPressure,
                ],
            ),
        ];
        let mut stages: Vec<Option<u32>> = self
            .subjects
            .iter()
            .map(|subject| subject.header.stage)
            .collect();
        stages.sort_unstable();
        stages.dedup();
        let mut found: Vec<(f64, Vec<(usize, usize)>)> = Vec::new();
        for stage in stages {
            for (relation, columns) in kinds {
                let sides = columns.map(|column| self.side(Target { stage, column }));
                for a in &sides[0] {
                    for b in &sides[1] {
                        for c in &sides[2] {
                            found.extend(self.balance(relation, [*a, *b, *c]));
                        }
                    }
                }
            }
        }
        found.sort_by(|a, b| b.0.total_cmp(&a.0));
        found
            .into_iter()
            .take(BALANCES)
            .map(|(_, choices)| choices)
            .collect()
    }

    /// Who may stand for a target, the likeliest first.
    fn side(&self, target: Target) -> Vec<Side> {
        let mut side: Vec<(f64, Side)> = Vec::new();
        for (subject, of) in self.subjects.iter().enumerate() {
            for (choice, candidate) in of.candidates.iter().enumerate() {
                if let (true, Some(spread)) = (candidate.target == target, of.spread) {
                    let median = candidate.unit.to_canonical(spread.median);
                    side.push((
                        candidate.score,
                        Side {
                            subject,
                            choice,
                            median,
                        },
                    ));
                }
            }
        }
        side.sort_by(|a, b| b.0.total_cmp(&a.0));
        side.into_iter().take(SIDES).map(|(_, side)| side).collect()
    }

    fn balance(&self, relation: Relation, of: [Side; 3]) -> Option<(f64, Vec<(usize, usize)>)> {
        let [a, b, c] = of;
        // Medians tell at once of most that their rows need not be asked.
        let off = (b.median + c.median) / a.median - 1.0;
        let two_of_one = a.subject == b.subject || a.subject == c.subject || b.subject == c.subject;
        if !(off.abs() <= 0.06) || c.median <= 0.0 || two_of_one {
            return None;
        }
        let of = of.map(|side| (side.subject, side.choice));
        let reads: Vec<Read> = of
            .iter()
            .filter_map(|(subject, choice)| {
                let unit = self.candidate(*subject, *choice)?.unit.word;
                Some(Read {
                    subject: *subject,
                    unit,
                })
            })
            .collect();
        let off = self.figures.measure(relation, &reads)?.abs();
        let close = if relation == Relation::Flows {
            FLOWS_CLOSE
        } else {
            0.15
        };
        let score: f64 = of
            .iter()
            .filter_map(|(subject, choice)| self.candidate(*subject, *choice))
            .map(|candidate| candidate.score)
            .sum();
        (off <= close).then(|| (score - 10.0 * off, of.to_vec()))
    }
}

fn held(places: &[(Column, Read)], column: Column) -> Option<Read> {
    places
        .iter()
        .find(|(known, _)| *known == column)
        .map(|(_, read)| *read)
}
