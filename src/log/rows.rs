//! Rows as they are read, and how they become a log.

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::Arc;

use super::cell::Finest;
use super::header::{Field, Header};
use super::options::ReadOptions;
use super::schema::TIME;
use super::time::{self, Read};
use super::{Log, Source, join, wide};
use crate::error::{Error, Fault, Faults};
use crate::table::{Labels, Series, Table};
use crate::units::Unit;

/// Rows as they are read.
#[derive(Debug, Default)]
pub(super) struct Rows {
    pub time: Vec<i64>,
    /// Rows whose time the clocks showed twice, and the later of the two; the earlier stands in `time`.
    twice: Vec<(usize, i64)>,
    /// The whole-hour offset that times stated, while all stated the same.
    offset: Offsets,
    pub numbers: Vec<Vec<f64>>,
    /// Of each column of figures, how finely it is written; nothing where it is no text.
    pub finest: Vec<Finest>,
    pub labels: [Words; 2],
    pub faults: Faults,
}

#[derive(Debug, Default, Clone, Copy, PartialEq)]
enum Offsets {
    #[default]
    None,
    One(i8),
    Several,
}

impl Offsets {
    fn and(self, other: Self) -> Self {
        match (self, other) {
            (Self::None, any) | (any, Self::None) => any,
            (a, b) if a == b => a,
            _ => Self::Several,
        }
    }
}

/// Labels being gathered.
#[derive(Debug, Default)]
pub(super) struct Words {
    pub labels: Labels,
    codes: HashMap<String, u32>,
}

impl Words {
    pub fn push(&mut self, word: &str) {
        let code = match self.codes.get(word) {
            Some(code) => *code,
            None => {
                let code = self.labels.words.len() as u32;
                self.labels.words.push(word.to_owned());
                self.codes.insert(word.to_owned(), code);
                code
            }
        };
        self.labels.codes.push(code);
    }

    pub fn append(&mut self, other: &Labels) {
        let known: Vec<u32> = other
            .words
            .iter()
            .map(|word| {
                let next = self.labels.words.len() as u32;
                *self.codes.entry(word.clone()).or_insert_with(|| {
                    self.labels.words.push(word.clone());
                    next
                })
            })
            .collect();
        self.labels
            .codes
            .extend(other.codes.iter().map(|code| known[*code as usize]));
    }
}

impl Rows {
    pub fn new(header: &Header, capacity: usize) -> Self {
        let numbers: Vec<Vec<f64>> = header
            .numbers()
            .map(|_| Vec::with_capacity(capacity))
            .collect();
        Self {
            time: Vec::with_capacity(capacity),
            finest: vec![Finest::default(); numbers.len()],
            numbers,
            ..Self::default()
        }
    }

    /// Adds the time of a row, or a place for it where it can't be read.
    #[inline]
    pub fn push_time(&mut self, read: Option<Read>) {
        if let Some(read) = read {
            self.offset = self
                .offset
                .and(read.offset.map_or(Offsets::None, Offsets::One));
            if let Some(later) = read.later {
                self.twice.push((self.time.len(), later));
            }
        }
        self.time.push(read.map_or(0, |read| read.time));
    }

    /// Takes back the last rows.
    pub fn truncate(&mut self, rows: usize) {
        self.time.truncate(rows);
        self.twice.retain(|(row, _)| *row < rows);
        for values in &mut self.numbers {
            values.truncate(rows);
        }
        for words in &mut self.labels {
            words.labels.codes.truncate(rows);
        }
    }

    /// Adds rows read after these; `rows` of faults in `other` count from its own first row.
    pub fn append(&mut self, mut other: Self) {
        let before = self.time.len();
        for fault in other.faults.list_mut() {
            fault.row = fault.row.map(|row| row + before as u64);
        }
        self.faults.append(other.faults);
        self.twice.extend(
            other
                .twice
                .into_iter()
                .map(|(row, later)| (row + before, later)),
        );
        self.offset = self.offset.and(other.offset);
        if self.time.is_empty() {
            self.time = other.time;
            self.numbers = other.numbers;
        } else {
            self.time.extend(other.time);
            for (ours, theirs) in self.numbers.iter_mut().zip(other.numbers) {
                ours.extend(theirs);
            }
        }
        for (ours, theirs) in self.finest.iter_mut().zip(other.finest) {
            *ours = (*ours).max(theirs);
        }
        for (ours, theirs) in self.labels.iter_mut().zip(&other.labels) {
            ours.append(&theirs.labels);
        }
    }
}

/// Makes logs of the rows of one source, all at once or a block after the other, with the same result.
pub(super) struct Assembler {
    pub header: Header,
    pub options: ReadOptions,
    /// The zone that the source itself says its times are seen in.
    pub zone: Option<String>,
    /// The file it is, where it is one.
    pub path: Option<PathBuf>,
    order: TimeOrder,
    /// Rows of the blocks before.
    rows: u64,
}

impl Assembler {
    pub fn new(header: Header, options: ReadOptions) -> Self {
        Self {
            header,
            options,
            zone: None,
            path: None,
            order: TimeOrder::default(),
            rows: 0,
        }
    }

    /// The next rows of the source as a log.
    pub fn log(&mut self, mut rows: Rows) -> Result<Log, Error> {
        let before = self.rows;
        self.rows += rows.time.len() as u64;
        let mut faults = std::mem::take(&mut rows.faults);
        for fault in faults.list_mut() {
            fault.row = fault.row.map(|row| row + before);
        }
        // A row that could not be read has no time of its own: order is only judged where all times are.
        faults.into_result(Error::Log)?;
        let twice = std::mem::take(&mut rows.twice);
        let written_to = self
            .header
            .numbers()
            .zip(&rows.finest)
            .filter_map(|((column, unit), finest)| Some((column, unit, finest.step()?)))
            .collect::<Vec<_>>();
        let mut table = self.table(rows);
        let sorts = self.options.sorts();
        self.order.settle(&mut table, &twice, before + 1, sorts)?;
        let shift = self.options.shift();
        if shift != 0 {
            let moved: Vec<i64> = table
                .time
                .iter()
                .map(|time| time.saturating_add(shift))
                .collect();
            if !moved.iter().all(|time| time::is_within_years(*time)) {
                let fault = time::out_of_years();
                let fault = Fault::new(fault.problem, "check the times and their interval");
                return Err(Error::Log(fault.at_column(TIME).into()));
            }
            table.time = Arc::new(moved);
        }
        if !self.header.places.is_empty() {
            let of: Vec<_> = self
                .header
                .targets
                .iter()
                .filter(|target| matches!(target.field, Field::Number(..)))
                .map(|target| &target.place)
                .collect();
            table = wide::unfold(&table, &of, &self.header.places);
        }
        if sorts {
            join::sort_by_time(&mut table);
        }
        let mut log = Log {
            left_out: self.header.left_out.clone(),
            ..Log::default()
        };
        // The columns of several stages become one, which keeps the first's unit and the finest step.
        for (column, unit, step) in written_to {
            if let Some(series) = table
                .series
                .iter()
                .find(|series| series.name == column.name())
            {
                let step = step_in(step, unit, series.unit);
                let finest = log.written_to.entry(series.name.clone()).or_insert(step);
                *finest = finest.min(step);
            }
        }
        if let Some(path) = &self.path {
            log.sources.push(Source {
                path: path.clone(),
                rows: table.len() as u64,
            });
        }
        log.table = table;
        Ok(log)
    }

    fn table(&self, rows: Rows) -> Table {
        let zone = match (&self.options.time_zone, rows.offset, &self.zone) {
            (Some(zone), ..) | (None, _, Some(zone)) => zone.clone(),
            (None, Offsets::One(hours), None) => time::fixed_zone(hours),
            (None, _, None) => "UTC".to_owned(),
        };
        let series = self
            .header
            .numbers()
            .zip(rows.numbers)
            .map(|((column, unit), values)| Series {
                name: column.name().to_owned(),
                unit,
                values: values.into(),
            })
            .collect();
        let [train, stage] = rows.labels;
        let label = |label, words: Words| {
            self.header
                .has(Field::Label(label))
                .then(|| Arc::new(words.labels))
        };
        Table {
            time: Arc::new(rows.time),
            zone,
            labels: [label(0, train), label(1, stage)],
            series,
        }
    }
}

/// A step of a column's figures, in another unit.
pub(super) fn step_in(step: f64, from: &Unit, to: &Unit) -> f64 {
    if from == to {
        return step;
    }
    from.difference_to_canonical(step) / to.difference_to_canonical(1.0)
}

/// Keeps each train and stage in the order of time, over all blocks of a source.
#[derive(Debug, Default)]
struct TimeOrder {
    last: HashMap<(Option<String>, Option<String>), i64>,
}

impl TimeOrder {
    /// Settles which of two instants the times mean that occur `twice`, and refuses times that go back, unless
    /// they are to be sorted. Two readings of one time are both kept: whether one is to be set aside is not a
    /// matter of reading.
    fn settle(
        &mut self,
        table: &mut Table,
        twice: &[(usize, i64)],
        first_row: u64,
        sorts: bool,
    ) -> Result<(), Error> {
        if sorts {
            return Ok(());
        }
        let (groups, rows) = table.groups();
        let zone = time::zone_or_utc(&table.zone);
        let mut last: Vec<i64> = groups
            .iter()
            .map(|group| {
                let key = (group.train.clone(), group.stage.clone());
                self.last.get(&key).copied().unwrap_or(i64::MIN)
            })
            .collect();
        let mut faults = Faults::default();
        let mut twice = twice.iter().peekable();
        // Ours alone, so that nothing is copied.
        let times = Arc::make_mut(&mut table.time);
        for (row, (time, group)) in times.iter_mut().zip(&rows).enumerate() {
            let before = &mut last[*group as usize];
            if let Some((_, later)) = twice.next_if(|(at, _)| *at == row)
                && *time <= *before
            {
                *time = *later;
            }
            if *time < *before {
                faults.push(
                    Fault::new(
                        format!(
                            "earlier than the reading before it of {}",
                            groups[*group as usize]
                        ),
                        "give sort=True to put the readings in the order of time; if these are several trains or \
                         stages, add that column",
                    )
                    .at_row(first_row + row as u64)
                    .at_column(TIME)
                    .with_value(time::show(*time, &zone)),
                );
            }
            *before = (*before).max(*time);
        }
        for (group, last) in groups.into_iter().zip(last) {
            self.last.insert((group.train, group.stage), last);
        }
        faults.into_result(Error::Log)
    }
}
