//! What the columns of an unknown log may be: proposed with the evidence, never applied.
//!
//! - `cells`: figures, switches, words; `times`: how times are written.
//! - `words`: what headers say; `ranges`: which figures are usual; `balances`: what must hold between columns.
//! - `assign`: the answer that fits all of these best; `judge`: how sure each part of it is.
//! - `proposal`: what is proposed, as it is printed; `mapping`: the same as a file to be read, corrected and used.

mod assign;
mod balances;
mod cells;
mod judge;
mod mapping;
mod proposal;
mod ranges;
mod times;
mod words;

use crate::log::Sample;
use crate::units::Quantity;
use assign::{House, Search, Subject};
use balances::Figures;
use cells::{Cells, Kind, Votes};
use judge::Judge;
use times::Times;
use words::Header;

pub use cells::Decimal;
pub use proposal::{Confidence, Description, Meaning, Proposal, TimeColumn, Values};
pub use times::Order;

/// Rows whose figures are weighed against each other, evenly out of all: enough for medians, few enough for 200 columns.
const WEIGHED_ROWS: usize = 240;

/// Proposes what each column of a table of text is, from headers, figures and the balances between them.
///
/// `titles` are the headers, `rows` the cells below them (some thousand rows tell enough; a row that is too short counts as
/// missing there), `separator` what stood between cells, where the source was a text file. The same input gives the same answer; the work
/// is bounded, for any number of columns. Nothing is refused: what can't be told is said to be undecided.
///
/// ```
/// use brinemark::log::describe::{Confidence, describe};
/// let titles = ["When", "Perm Flow GPM", "Operator"].map(String::from);
/// let row = |hour| vec![format!("2026-03-01 {hour:02}:00"), format!("{}.5", 30 + hour % 3), "AB".into()];
/// let found = describe(&titles, &(0..9).map(row).collect::<Vec<_>>(), Some(','));
/// let said = found.columns[1].proposal.map(|meaning| meaning.to_string());
/// assert_eq!(said.as_deref(), Some("permeate_flow [gpm]"));
/// assert_eq!(found.columns[1].confidence, Confidence::Sure);
/// assert!(found.columns[2].no_readings);
/// ```
pub fn describe(titles: &[String], rows: &[Vec<String>], separator: Option<char>) -> Description {
    let mut notes = Vec::new();
    let units = units_row(titles, rows);
    let rows = match &units {
        Some(_) => {
            notes.push(
                "the first row below the headers holds units, no readings: take it out of the file"
                    .to_owned(),
            );
            rows.get(1..).unwrap_or_default()
        }
        None => rows,
    };
    let cells_of = |place: usize| -> Vec<&str> {
        rows.iter()
            .map(|row| row.get(place).map_or("", String::as_str))
            .collect()
    };
    let mut facts: Vec<Facts> = Vec::with_capacity(titles.len());
    let mut votes = Votes::default();
    for (place, title) in titles.iter().enumerate() {
        let unit = units
            .as_ref()
            .and_then(|units| units.get(place))
            .map_or("", String::as_str);
        let header = Header::of(&if unit.trim().is_empty() {
            title.clone()
        } else {
            format!("{title} [{unit}]")
        });
        let texts: Vec<&str> = cells_of(place)
            .into_iter()
            .filter_map(cells::filled)
            .collect();
        let times = times::recognise(&texts);
        let of_day = times.is_none() && times::times_of_day(&texts);
        if times.is_none() && !of_day {
            texts.iter().for_each(|cell| votes.add(cell));
        }
        facts.push(Facts {
            header,
            times,
            of_day,
            cells: None,
        });
    }
    let (decimal, remark) = votes.decide();
    notes.extend(remark.map(|remark| format!("decimal sign: {remark}")));
    for (place, fact) in facts.iter_mut().enumerate() {
        fact.cells = Some(Cells::of(&cells_of(place), decimal));
    }
    let time = time_column(titles, &facts, &mut notes);
    let clock_apart = facts.iter().any(|fact| fact.of_day);
    let mut columns: Vec<Proposal> = titles
        .iter()
        .zip(&facts)
        .enumerate()
        .map(|(place, (title, fact))| fact.proposal(title, Some(place) == time, clock_apart))
        .collect();
    readings(titles, &facts, &mut columns, &mut notes);
    let time = time.and_then(|place| {
        let times = facts.get(place)?.times.as_ref()?;
        Some(TimeColumn {
            column: titles.get(place)?.clone(),
            format: times.format.clone(),
            undecided: times.undecided.clone(),
            step_h: times.step_h,
            zone_stated: times.zone_stated,
            order: times.order,
        })
    });
    time_notes(time.as_ref(), &mut notes);
    for (place, title) in titles.iter().enumerate() {
        if titles.iter().take(place).any(|other| other == title) {
            notes.push(format!(
                "two columns are headed '{title}': give each its own header"
            ));
        }
    }
    Description {
        columns,
        time,
        separator,
        header_row: None,
        decimal,
        rows: rows.len(),
        notes,
    }
}

/// [`describe`] of what a first look at a source found.
pub fn describe_sample(sample: &Sample) -> Description {
    Description {
        header_row: sample.header_row.filter(|row| *row > 1),
        ..describe(&sample.titles, &sample.rows, sample.separator)
    }
}

/// What is known of a column before others are asked.
struct Facts {
    header: Header,
    times: Option<Times>,
    /// Its cells are times of a day, whose date stands elsewhere.
    of_day: bool,
    cells: Option<Cells>,
}

impl Facts {
    fn is_time(&self) -> bool {
        self.times.is_some() || self.of_day
    }

    /// Whether the header names a label column, and the cells are few enough to be labels.
    fn label(&self) -> Option<(&'static str, f64)> {
        const MOST: usize = 20;
        let cells = self.cells.as_ref()?;
        let few = cells.filled > 0
            && cells.distinct <= MOST
            && (cells.kind == Kind::Words || cells.whole());
        self.header
            .label
            .filter(|_| few && self.header.unit.is_none())
    }

    /// The proposal for a column that holds no readings, or the empty one to be filled in.
    fn proposal(&self, title: &str, is_the_time: bool, clock_apart: bool) -> Proposal {
        let mut proposal = Proposal {
            header: title.to_owned(),
            proposal: None,
            no_readings: false,
            confidence: Confidence::None,
            evidence: Vec::new(),
            alternatives: Vec::new(),
            values: self.values(),
        };
        if let Some(times) = &self.times {
            proposal.evidence.extend(times.evidence.iter().cloned());
            if is_the_time {
                proposal.proposal = Some(Meaning::Time);
                proposal.confidence = if times.date_alone && clock_apart {
                    Confidence::Possible
                } else if self.header.is_time && times.undecided.is_none() && times.unreadable == 0
                {
                    Confidence::Sure
                } else {
                    Confidence::Likely
                };
                let format = times.format.as_deref().unwrap_or("ISO 8601");
                proposal
                    .evidence
                    .insert(0, format!("its cells are times, written as {format}"));
            } else {
                proposal.evidence.push(
                    "its cells are times; another column is proposed for the time".to_owned(),
                );
                proposal.alternatives.push(Meaning::Time);
            }
            return proposal;
        }
        if self.of_day {
            proposal
                .evidence
                .push("its cells are times of a day, without their date".to_owned());
            return proposal;
        }
        let Some(cells) = &self.cells else {
            return proposal;
        };
        if let Some((label, strength)) = self.label() {
            proposal.proposal = Some(Meaning::Label(label));
            proposal.confidence = if strength >= 1.0 {
                Confidence::Sure
            } else {
                Confidence::Likely
            };
            proposal.evidence.push(format!(
                "its header names {label}, its cells are {} labels",
                cells.distinct
            ));
            return proposal;
        }
        match cells.kind {
            Kind::Empty => {
                proposal.no_readings = true;
                proposal.evidence.push("no cell holds anything".to_owned());
            }
            Kind::Words if cells.switch.is_none() => {
                proposal.no_readings = true;
                proposal.evidence.push("words, no readings".to_owned());
            }
            Kind::Words | Kind::Figures => {}
        }
        proposal
    }

    fn values(&self) -> Values {
        let Some(cells) = &self.cells else {
            return Values {
                filled: 0,
                missing: 0,
                unreadable: 0,
                distinct: 0,
                least: None,
                median: None,
                greatest: None,
            };
        };
        let mut figures: Vec<f64> = if cells.kind == Kind::Figures {
            cells
                .figures
                .iter()
                .copied()
                .filter(|value| value.is_finite())
                .collect()
        } else {
            Vec::new()
        };
        let median = crate::stats::median(&mut figures);
        Values {
            filled: cells.filled,
            missing: cells.missing,
            unreadable: cells.unreadable,
            distinct: cells.distinct,
            least: figures.iter().copied().reduce(f64::min),
            median: median.is_finite().then_some(median),
            greatest: figures.iter().copied().reduce(f64::max),
        }
    }
}

/// Units in a row of their own below the headers, as data loggers write them.
fn units_row(titles: &[String], rows: &[Vec<String>]) -> Option<Vec<String>> {
    let first = rows.first()?;
    let second = rows.get(1)?;
    let is_figure = |cell: &String| cell.trim().replace(',', ".").parse::<f64>().is_ok();
    let known = |cell: &&String| Header::of(&format!("x [{cell}]")).unit.is_some();
    let units = first.iter().filter(known).count();
    let none = !first.iter().any(is_figure) && second.iter().any(is_figure);
    (none && units >= 2 && units * 2 >= titles.len().saturating_sub(2)).then(|| first.clone())
}

/// The column that tells the time: the one whose header says so, else the first whose cells are times.
fn time_column(titles: &[String], facts: &[Facts], notes: &mut Vec<String>) -> Option<usize> {
    let places = || (0..facts.len()).filter(|place| facts[*place].times.is_some());
    let whole = |place: &usize| {
        facts[*place]
            .times
            .as_ref()
            .is_some_and(|times| !times.date_alone)
    };
    let said = |place: &usize| facts[*place].header.is_time;
    let found = places()
        .find(|place| said(place) && whole(place))
        .or_else(|| places().find(whole))
        .or_else(|| places().find(said))
        .or_else(|| places().next());
    let of_day = facts.iter().position(|fact| fact.of_day);
    if let (Some(date), Some(clock)) = (found, of_day)
        && !whole(&date)
    {
        notes.push(format!(
            "'{}' holds dates and '{}' times of a day: join them into one column",
            titles[date], titles[clock]
        ));
    }
    if found.is_none() {
        let serial = facts.iter().zip(titles).find_map(|(fact, title)| {
            let cells = fact
                .cells
                .as_ref()
                .filter(|cells| cells.kind == Kind::Figures && fact.header.is_time)?;
            let first = cells
                .figures
                .iter()
                .copied()
                .find(|value| value.is_finite())?;
            // Days since 1900 as spreadsheets count them, seconds since 1970 as loggers do; both for the years since 2000.
            let kind = match first {
                36_526.0..=73_050.0 => "days as a spreadsheet counts them",
                9.4e8..=4.1e9 => "seconds since 1970",
                9.4e11..=4.1e12 => "milliseconds since 1970",
                _ => return None,
            };
            Some(format!(
                "'{title}' seems to hold {kind}: write it as a date and a time"
            ))
        });
        notes.push(
            serial.unwrap_or_else(|| "no column holds times: every reading needs one".to_owned()),
        );
    }
    found
}

fn time_notes(time: Option<&TimeColumn>, notes: &mut Vec<String>) {
    let Some(time) = time else { return };
    if let (Some(format), Some(other)) = (&time.format, &time.undecided) {
        notes.push(format!(
            "the order of day and month is undecided: {format} or {other}"
        ));
    }
    match time.order {
        Order::OldestFirst => {}
        Order::NewestFirst => {
            notes.push("the newest row comes first: sort the file by time".to_owned())
        }
        Order::Mixed => notes.push(
            "times go back and forth: sort the file by time, or name its train and stage"
                .to_owned(),
        ),
    }
}

/// Fills in the proposals for columns of figures and switches.
fn readings(titles: &[String], facts: &[Facts], columns: &mut [Proposal], notes: &mut Vec<String>) {
    let house: House = facts
        .iter()
        .filter_map(|fact| fact.header.unit)
        .map(|unit| (unit.quantity, unit.word))
        .collect();
    let train = the_train(facts, notes);
    let mut subjects = Vec::new();
    let mut figures = Vec::new();
    for (place, fact) in facts.iter().enumerate() {
        let Some(cells) = fact.cells.as_ref() else {
            continue;
        };
        let readings = cells.kind == Kind::Figures || cells.switch.is_some();
        if !readings || fact.is_time() || fact.label().is_some() {
            continue;
        }
        if train.is_some() && fact.header.train.is_some() && fact.header.train != train {
            columns[place].evidence.push(format!(
                "of train {}: one mapping serves one train",
                fact.header.train.as_deref().unwrap_or_default()
            ));
            continue;
        }
        let step = cells.figures.len().div_ceil(WEIGHED_ROWS).max(1);
        figures.push(cells.figures.iter().copied().step_by(step).collect());
        subjects.push(Subject::new(place, fact.header.clone(), cells, &house));
    }
    let figures = Figures::new(figures);
    let search = Search {
        subjects: &subjects,
        figures: &figures,
    };
    let assignment = search.best();
    let judge = Judge::new(&search, &assignment, titles);
    if !judge.is_of_a_unit() {
        notes.push(
            "nothing here looks like readings of a reverse-osmosis unit: no header names permeate, concentrate or recycle, and no flows or pressures balance"
                .to_owned(),
        );
        for proposal in columns.iter_mut() {
            proposal.proposal = None;
            proposal.confidence = Confidence::None;
        }
        return;
    }
    for (at, subject) in subjects.iter().enumerate() {
        let verdict = judge.verdict(at);
        let (fact, proposal) = (&facts[subject.place], &mut columns[subject.place]);
        proposal.proposal = verdict.meaning;
        proposal.confidence = verdict.confidence;
        proposal.evidence.extend(verdict.evidence);
        proposal.alternatives = verdict.alternatives;
        let Some(cells) = &fact.cells else { continue };
        settle_cells(cells, proposal);
    }
    let staged = |staged: bool| {
        columns.iter().any(|column| {
            matches!(column.proposal, Some(Meaning::Reading { column, stage, .. })
                if stage.is_some() == staged && column.quantity() == Quantity::Flow)
        })
    };
    if staged(true) && staged(false) {
        notes.push("some flows are of a stage and some of the whole unit: see that each stage has its own, or leave stages out".to_owned());
    }
}

/// What cells that a log's reader would refuse mean for a proposal.
fn settle_cells(cells: &Cells, proposal: &mut Proposal) {
    const FEWEST: usize = 3;
    let switch = matches!(proposal.proposal, Some(Meaning::Reading { column, .. }) if column.quantity() == Quantity::Switch);
    let mut least =
        |confidence: Confidence| proposal.confidence = proposal.confidence.min(confidence);
    if switch && cells.switch == Some(false) {
        least(Confidence::Possible);
        proposal.evidence.push("its words are none that a log's reader takes: true or false, yes or no, on or off, 1 or 0".to_owned());
    }
    if !switch && cells.kind != Kind::Figures {
        least(Confidence::Possible);
    }
    if cells.filled < FEWEST {
        least(Confidence::Possible);
        proposal
            .evidence
            .push(format!("{} cells tell little", cells.filled));
    }
    if cells.unreadable > 0 && cells.kind == Kind::Figures {
        least(Confidence::Likely);
        let example = cells.example.as_deref().unwrap_or_default();
        proposal.evidence.push(format!(
            "{} of its cells are no figures, such as '{example}'",
            cells.unreadable
        ));
    }
    if cells.grouped > 0 {
        least(Confidence::Likely);
        proposal.evidence.push(format!(
            "{} of its figures have separators between thousands: take them out",
            cells.grouped
        ));
    }
}

/// The train whose columns are described, where headers name several.
fn the_train(facts: &[Facts], notes: &mut Vec<String>) -> Option<String> {
    let mut trains: Vec<&str> = Vec::new();
    for train in facts.iter().filter_map(|fact| fact.header.train.as_deref()) {
        if !trains.contains(&train) {
            trains.push(train);
        }
    }
    let first = (*trains.first()?).to_owned();
    if trains.len() > 1 {
        notes.push(format!(
            "headers name the trains {}: this is of train {first}; write a mapping for each of the others likewise",
            trains.join(", ")
        ));
    }
    Some(first)
}
