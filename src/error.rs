//! What brinemark refuses, and how it says so.
//!
//! Every refusal names the place, the value and what would be right. A reader of files collects all
//! its faults before it refuses, so that one run of the tool is enough to mend a file.

use std::fmt;

/// One thing wrong in what was given, and the way to mend it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Fault {
    /// The file, where several are read together.
    pub file: Option<String>,
    /// The reading, counted from 1.
    pub row: Option<u64>,
    /// The line of the text file, counted from 1, where there is a file.
    pub line: Option<u64>,
    /// The column, or the key of the site file.
    pub column: Option<String>,
    /// What stood there.
    pub value: Option<String>,
    /// What is wrong with it.
    pub problem: String,
    /// What would be right.
    pub remedy: String,
}

impl Fault {
    /// A fault that stands at no row or column in particular.
    pub fn new(problem: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self {
            problem: problem.into(),
            remedy: remedy.into(),
            ..Self::default()
        }
    }

    /// The same fault, at this column or key.
    #[must_use]
    pub fn at_column(mut self, column: impl Into<String>) -> Self {
        self.column = Some(column.into());
        self
    }

    /// The same fault, at this row (counted from 1).
    #[must_use]
    pub fn at_row(mut self, row: u64) -> Self {
        self.row = Some(row);
        self
    }

    /// The same fault, with the value that was found. A very long one is cut.
    #[must_use]
    pub fn with_value(mut self, value: impl Into<String>) -> Self {
        const LONGEST: usize = 80;
        let mut value: String = value.into();
        if value.chars().count() > LONGEST {
            value = value.chars().take(LONGEST).chain(['…']).collect();
        }
        self.value = Some(value);
        self
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut places: Vec<String> = self.file.clone().into_iter().collect();
        match (self.row, self.line) {
            (Some(row), Some(line)) => places.push(format!("row {row} (line {line})")),
            (Some(row), None) => places.push(format!("row {row}")),
            (None, Some(line)) => places.push(format!("line {line}")),
            (None, None) => {}
        }
        places.extend(self.column.clone());
        places.extend(self.value.as_ref().map(|value| format!("'{value}'")));
        if !places.is_empty() {
            write!(f, "{}: ", places.join(", "))?;
        }
        write!(f, "{}", self.problem)?;
        if !self.remedy.is_empty() {
            write!(f, "; {}", self.remedy)?;
        }
        Ok(())
    }
}

/// The faults of one file or table, in the order they were met.
///
/// All are counted; the first [`Faults::KEPT`] are kept, so that a hopeless file can't fill the memory.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Faults {
    list: Vec<Fault>,
    total: u64,
}

impl Faults {
    /// How many faults are kept word for word.
    pub const KEPT: usize = 10_000;
    /// How many of them a message prints.
    const PRINTED: usize = 20;

    /// Adds a fault.
    pub fn push(&mut self, fault: Fault) {
        self.total += 1;
        if self.list.len() < Self::KEPT {
            self.list.push(fault);
        }
    }

    /// Adds all of another list behind this one.
    pub fn append(&mut self, other: Self) {
        let room = Self::KEPT - self.list.len();
        self.total += other.total;
        self.list.extend(other.list.into_iter().take(room));
    }

    /// The faults that were kept.
    pub fn list(&self) -> &[Fault] {
        &self.list
    }

    /// The kept faults, to be changed (a reader of blocks moves their rows).
    pub(crate) fn list_mut(&mut self) -> &mut [Fault] {
        &mut self.list
    }

    /// How many there were in all.
    pub fn total(&self) -> u64 {
        self.total
    }

    /// Whether there was none.
    pub fn is_empty(&self) -> bool {
        self.total == 0
    }

    /// `Ok` where there was none, else the error that `kind` makes of them.
    pub fn into_result(self, kind: impl FnOnce(Self) -> Error) -> Result<(), Error> {
        if self.is_empty() {
            Ok(())
        } else {
            Err(kind(self))
        }
    }
}

impl From<Fault> for Faults {
    fn from(fault: Fault) -> Self {
        Self {
            list: vec![fault],
            total: 1,
        }
    }
}

impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let ([only], 1) = (self.list.as_slice(), self.total) {
            return write!(f, "{only}");
        }
        write!(f, "{} faults:", self.total)?;
        for fault in self.list.iter().take(Self::PRINTED) {
            write!(f, "\n  {fault}")?;
        }
        let rest = self.total.saturating_sub(Self::PRINTED as u64);
        if rest > 0 {
            write!(f, "\n  … and {rest} more")?;
        }
        Ok(())
    }
}

/// Everything brinemark refuses, by the kind that a caller would handle differently.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// A value outside the range for which a formula or table is valid.
    #[error(
        "{}{what} is {value}{unit}, outside {low} to {high}{unit}, the range this is valid for",
        row.map(|row| format!("row {row}: ")).unwrap_or_default()
    )]
    Range {
        /// The quantity, by its name.
        what: &'static str,
        /// The row, counted from 1, where there are rows.
        row: Option<u64>,
        /// The value found.
        value: f64,
        /// The least value allowed.
        low: f64,
        /// The greatest value allowed.
        high: f64,
        /// The unit of the three, with a space before it, or nothing.
        unit: &'static str,
    },
    /// A unit that is not known, or is one of another quantity.
    #[error("{0}")]
    Unit(Fault),
    /// A water analysis that can't be used.
    #[error("{0}")]
    Analysis(Faults),
    /// A log that can't be read.
    #[error("{0}")]
    Log(Faults),
    /// A site file that can't be read.
    #[error("{0}")]
    Site(Faults),
    /// Settings of a unit that its limits don't allow.
    #[error("{0}")]
    Settings(Faults),
    /// Terms of a warranty that can't be read, or don't fit the log.
    #[error("{0}")]
    Terms(Faults),
    /// A demand file that can't be read, or that the unit can't be sized for.
    #[error("{0}")]
    Demand(Faults),
    /// An analysis that lacks a column.
    #[error("{0}")]
    MissingColumn(Faults),
    /// A reference that can't be found in the log.
    #[error("{0}")]
    Baseline(Faults),
    /// A series of figures, or a setting of a statistic, that can't be used.
    #[error("{0}")]
    Series(Faults),
    /// Things made by different methods that would be compared.
    #[error("{0}")]
    Method(Fault),
    /// A visit, or something done, that was not added to its folder: why, and what it was, so that it isn't lost.
    #[error("{faults}\nNot added: {what}\n{kept}")]
    NotAdded {
        /// Why.
        faults: Faults,
        /// All of it, on a line.
        what: String,
        /// Where it was kept, in a sentence.
        kept: String,
    },
    /// A file that can't be opened, read or written.
    #[error("{0}")]
    File(Fault),
}

impl Error {
    /// The refusal as faults, one each.
    pub fn faults(&self) -> Vec<Fault> {
        match self {
            Self::Range {
                what,
                row,
                value,
                low,
                high,
                unit,
            } => {
                let mut fault = Fault::new(
                    "outside the range this is valid for",
                    format!("{low} to {high}{unit}"),
                )
                .at_column(*what)
                .with_value(format!("{value}{unit}"));
                fault.row = *row;
                vec![fault]
            }
            Self::Analysis(faults)
            | Self::Log(faults)
            | Self::Site(faults)
            | Self::Settings(faults)
            | Self::Terms(faults)
            | Self::Demand(faults)
            | Self::MissingColumn(faults)
            | Self::Baseline(faults)
            | Self::Series(faults)
            | Self::NotAdded { faults, .. } => faults.list().to_vec(),
            Self::Unit(fault) | Self::Method(fault) | Self::File(fault) => vec![fault.clone()],
        }
    }

    /// The same refusal, at a row counted from 1, where it is about a row.
    #[must_use]
    pub fn at_row(mut self, at: u64) -> Self {
        if let Self::Range { row, .. } = &mut self {
            *row = Some(at);
        }
        self
    }

    /// The faults of a log, each with the file it stands in; any other refusal as it is.
    pub(crate) fn in_file(mut self, path: &std::path::Path) -> Self {
        if let Self::Log(faults) = &mut self {
            for fault in faults.list_mut() {
                fault.file = Some(path.display().to_string());
            }
        }
        self
    }

    pub(crate) fn file(path: &std::path::Path, what: &str, cause: impl fmt::Display) -> Self {
        let remedy = match what {
            "opened" => "check its path, and that you may read it",
            "written" => "check the folder, that you may write there, and the room on the disk",
            _ => "copy or export it anew: it may be damaged or cut short",
        };
        Self::File(Fault::new(
            format!("{} can't be {what}: {cause}", path.display()),
            remedy,
        ))
    }
}

/// Refuses a value outside `low..=high`. NaN passes: it is a missing value, not a wrong one.
pub(crate) fn within(
    what: &'static str,
    value: f64,
    (low, high): (f64, f64),
    unit: &'static str,
) -> Result<(), Error> {
    if value < low || value > high {
        return Err(Error::Range {
            what,
            row: None,
            value,
            low,
            high,
            unit,
        });
    }
    Ok(())
}

/// Refuses a setting outside `low..=high`, and one that is missing.
pub(crate) fn setting(
    what: &'static str,
    value: f64,
    range: (f64, f64),
    unit: &'static str,
) -> Result<(), Error> {
    // A missing value is no setting.
    let value = if value.is_nan() {
        f64::NEG_INFINITY
    } else {
        value
    };
    within(what, value, range, unit)
}

/// The known word nearest to a mistyped one, if any is near enough to be meant.
pub(crate) fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let likeness = |candidate: &str| {
        // In a short word, two letters exchanged are a small slip that the ratio makes large.
        let slip = candidate.len() > 2 && strsim::damerau_levenshtein(word, candidate) <= 1;
        strsim::jaro_winkler(word, candidate).max(if slip { 0.9 } else { 0.0 })
    };
    known
        .into_iter()
        .map(|candidate| (likeness(candidate), candidate))
        .filter(|(score, _)| *score > 0.85)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, candidate)| candidate)
}
