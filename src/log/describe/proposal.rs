//! A proposal: what a file seems to hold, and how it is printed.

use std::fmt;

use serde::Serialize;

use super::super::{Column, TIME};
use super::cells::Decimal;
use super::judge::figure;
use super::mapping;
use super::times::Order;
use crate::units::Unit;

/// How sure a proposal is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Confidence {
    /// Nothing is proposed.
    None,
    /// To be decided by who knows the unit.
    Possible,
    /// To be read over.
    Likely,
    /// The header says all of it, and the figures agree.
    Sure,
}

impl Confidence {
    /// Its word.
    pub fn name(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Possible => "possible",
            Self::Likely => "likely",
            Self::Sure => "sure",
        }
    }
}

/// What a column may be.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum Meaning {
    /// The times of the readings.
    Time,
    /// The label of this name, by which rows are told apart.
    Label(&'static str),
    /// Readings.
    Reading {
        /// What they measure.
        column: Column,
        /// Their unit.
        unit: &'static Unit,
        /// The stage that the header names.
        stage: Option<u32>,
    },
}

impl fmt::Display for Meaning {
    /// As a mapping file writes it: `stage 2 permeate_flow [gpm]`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Time => f.write_str(TIME),
            Self::Label(name) => f.write_str(name),
            Self::Reading {
                column,
                unit,
                stage,
            } => {
                if let Some(stage) = stage {
                    write!(f, "stage {stage} ")?;
                }
                f.write_str(column.name())?;
                if column.quantity().needs_unit() {
                    write!(f, " [{}]", unit.word)?;
                }
                Ok(())
            }
        }
    }
}

impl Serialize for Meaning {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// The figures of a column as they stand in the file.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Values {
    /// Cells that hold something.
    pub filled: usize,
    /// Cells that say that there is no reading.
    pub missing: usize,
    /// Cells of a column of figures that hold none.
    pub unreadable: usize,
    /// Different contents.
    pub distinct: usize,
    /// The least figure; `None` where there are none.
    pub least: Option<f64>,
    /// The median.
    pub median: Option<f64>,
    /// The greatest.
    pub greatest: Option<f64>,
}

/// What is proposed for a column.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Proposal {
    /// Its header, as the file has it.
    pub header: String,
    /// What it may be; `None` where nothing is proposed.
    pub proposal: Option<Meaning>,
    /// Whether it holds words, or nothing, and is proposed to be passed over.
    pub no_readings: bool,
    /// How sure that is.
    pub confidence: Confidence,
    /// What speaks for it and against it.
    pub evidence: Vec<String>,
    /// What else it may be.
    pub alternatives: Vec<Meaning>,
    /// Its cells.
    pub values: Values,
}

/// How the time column is written.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TimeColumn {
    /// Its header.
    pub column: String,
    /// The format in strftime's words; `None` is ISO 8601.
    pub format: Option<String>,
    /// The other order of day and month, where nothing in the file tells which it is.
    pub undecided: Option<String>,
    /// The middle step between readings, in hours.
    pub step_h: Option<f64>,
    /// Whether the times state their offset.
    pub zone_stated: bool,
    /// Whether rows go forward in time.
    pub order: Order,
}

/// What a file seems to hold. A proposal: nothing of it was applied.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Description {
    /// A proposal for each column, in the file's order.
    pub columns: Vec<Proposal>,
    /// The time column, where there is one.
    pub time: Option<TimeColumn>,
    /// What stands between cells, where the source is text.
    pub separator: Option<char>,
    /// The line or sheet row of the header, from 1, where other lines stand above it.
    pub header_row: Option<u64>,
    /// The decimal sign.
    pub decimal: Decimal,
    /// How many rows were looked at.
    pub rows: usize,
    /// What else is to be known or done.
    pub notes: Vec<String>,
}
impl fmt::Display for Description {
    /// The table that the command prints.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let separator = match self.separator {
            Some('\t') => ", tabs between cells".to_owned(),
            Some(separator) => format!(", '{separator}' between cells"),
            None => String::new(),
        };
        let decimal = match self.decimal {
            Decimal::Point => "point",
            Decimal::Comma => "comma",
        };
        writeln!(
            f,
            "{} rows looked at{separator}, decimal {decimal}{}",
            self.rows,
            self.header_row
                .map_or(String::new(), |row| format!(", the header in row {row}"))
        )?;
        if let Some(time) = &self.time {
            write!(
                f,
                "time: '{}', {}",
                time.column,
                time.format.as_deref().unwrap_or("ISO 8601")
            )?;
            if let Some(step) = time.step_h {
                write!(f, ", mostly every {} h", figure(step))?;
            }
            writeln!(
                f,
                ", {}",
                if time.zone_stated {
                    "zone stated"
                } else {
                    "zone not stated"
                }
            )?;
        }
        let wide = |texts: &mut dyn Iterator<Item = usize>| texts.max().unwrap_or(0).min(40);
        let header_width = wide(
            &mut self
                .columns
                .iter()
                .map(|column| column.header.chars().count()),
        );
        let said: Vec<String> = self.columns.iter().map(Proposal::said).collect();
        let said_width = wide(&mut said.iter().map(|said| said.chars().count()));
        for (column, said) in self.columns.iter().zip(&said) {
            writeln!(
                f,
                "\n{:header_width$}  {said:said_width$}  {}",
                mapping::one_line(&column.header),
                column.confidence.name()
            )?;
            if let Some(values) = column.values.said() {
                writeln!(f, "    {values}")?;
            }
            for line in &column.evidence {
                writeln!(f, "    {}", mapping::one_line(line))?;
            }
            if !column.alternatives.is_empty() {
                writeln!(f, "    or: {}", mapping::listed(&column.alternatives))?;
            }
        }
        if !self.notes.is_empty() {
            writeln!(f)?;
        }
        for note in &self.notes {
            writeln!(f, "{}", mapping::one_line(note))?;
        }
        Ok(())
    }
}

impl Proposal {
    fn said(&self) -> String {
        match &self.proposal {
            Some(meaning) => meaning.to_string(),
            None if self.no_readings => "(no readings)".to_owned(),
            None => "?".to_owned(),
        }
    }
}

impl Values {
    fn said(&self) -> Option<String> {
        let (least, median, greatest) = (self.least?, self.median?, self.greatest?);
        let missing = if self.missing > 0 {
            format!(", {} missing", self.missing)
        } else {
            String::new()
        };
        Some(format!(
            "{} to {}, median {}{missing}",
            figure(least),
            figure(greatest),
            figure(median)
        ))
    }
}
