//! What the cells of a column hold: figures, yes and no, or words.

use std::collections::HashSet;

use serde::Serialize;

use super::super::cell;

/// What stands between whole figures and their parts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Decimal {
    /// 12.5
    #[serde(rename = ".")]
    Point,
    /// 12,5
    #[serde(rename = ",")]
    Comma,
}

impl Decimal {
    /// The sign itself.
    pub fn sign(self) -> char {
        match self {
            Self::Point => '.',
            Self::Comma => ',',
        }
    }
}

/// What the cells of a column are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Empty,
    Figures,
    Words,
}

/// A column's cells, understood.
#[derive(Debug, Clone)]
pub(super) struct Cells {
    pub kind: Kind,
    /// One figure a row; NaN where there is none.
    pub figures: Vec<f64>,
    pub filled: usize,
    pub missing: usize,
    /// Cells of a column of figures that hold none, with the first of them.
    pub unreadable: usize,
    pub example: Option<String>,
    /// Figures with separators of thousands.
    pub grouped: usize,
    pub distinct: usize,
    /// Whether all cells are two words for yes and no, and whether a log's reader knows them.
    pub switch: Option<bool>,
}

/// A column is one of figures where this share of its cells is.
const SHARE: f64 = 0.9;

/// Words for running and standing still that a log's reader does not take (common practice, no source).
const OTHER_SWITCHES: [&str; 16] = [
    "run", "running", "stop", "stopped", "standby", "idle", "ein", "aus", "ja", "nein", "marche",
    "arret", "marcha", "paro", "active", "inactive",
];

/// A cell without its blanks; `None` where it says that there is no reading.
pub(super) fn filled(cell: &str) -> Option<&str> {
    let cell = cell.trim();
    let missing = cell.is_empty() || cell::MISSING.contains(&cell.as_bytes());
    (!missing).then_some(cell)
}

impl Cells {
    /// Understands the cells of a column, none of which is a time.
    pub fn of(cells: &[&str], decimal: Decimal) -> Self {
        let mut found = Self {
            kind: Kind::Empty,
            figures: Vec::with_capacity(cells.len()),
            filled: 0,
            missing: 0,
            unreadable: 0,
            example: None,
            grouped: 0,
            distinct: 0,
            switch: None,
        };
        let mut words: HashSet<&str> = HashSet::new();
        for cell in cells {
            let Some(cell) = filled(cell) else {
                found.missing += 1;
                found.figures.push(f64::NAN);
                continue;
            };
            found.filled += 1;
            words.insert(cell);
            let figure = figure(cell, decimal);
            match figure {
                Some((_, grouped)) => found.grouped += usize::from(grouped),
                None => {
                    found.unreadable += 1;
                    found.example.get_or_insert_with(|| cell.to_owned());
                }
            }
            found
                .figures
                .push(figure.map_or(f64::NAN, |(value, _)| value));
        }
        found.distinct = words.len();
        let figures = found.filled - found.unreadable;
        if figures > 0 && figures as f64 >= SHARE * found.filled as f64 {
            found.kind = Kind::Figures;
        } else if found.filled > 0 {
            found.kind = Kind::Words;
            found.unreadable = 0;
        }
        let taken = |word: &&str| cell::switch(word.as_bytes()).is_ok();
        let known =
            |word: &&str| taken(word) || OTHER_SWITCHES.contains(&word.to_lowercase().as_str());
        if !words.is_empty() && words.len() <= 3 && words.iter().all(known) {
            found.switch = Some(words.iter().all(taken));
        }
        found
    }

    /// Whether every figure is a whole one.
    pub fn whole(&self) -> bool {
        self.kind == Kind::Figures
            && self
                .figures
                .iter()
                .all(|value| value.is_nan() || value.fract() == 0.0)
    }
}

/// The figure of a cell, and whether thousands are set apart in it.
fn figure(cell: &str, decimal: Decimal) -> Option<(f64, bool)> {
    let (point, group) = match decimal {
        Decimal::Point => ('.', ','),
        Decimal::Comma => (',', '.'),
    };
    let grouped = cell.contains(group);
    if grouped && !is_grouped(cell, group, point) {
        return None;
    }
    let plain: String = cell
        .chars()
        .filter(|c| *c != group)
        .map(|c| if c == point { '.' } else { c })
        .collect();
    let value = fast_float2::parse::<f64, _>(&plain).ok()?;
    value.is_finite().then_some((value, grouped))
}

/// "1,234,567.8": one to three figures, then threes.
fn is_grouped(cell: &str, group: char, point: char) -> bool {
    let whole = cell.trim_start_matches(['+', '-']);
    let whole = whole.split_once(point).map_or(whole, |(whole, _)| whole);
    let mut parts = whole.split(group);
    let figures = |part: &str| part.bytes().all(|byte| byte.is_ascii_digit());
    let first = parts.next().unwrap_or_default();
    (1..=3).contains(&first.len())
        && figures(first)
        && !first.starts_with('0')
        && parts.all(|part| part.len() == 3 && figures(part))
}

/// How many cells of a file speak for each decimal sign.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Votes {
    point: usize,
    comma: usize,
    /// "1.234" and "1,234", which may be either.
    either_point: usize,
    either_comma: usize,
}

impl Votes {
    /// Counts a cell.
    pub fn add(&mut self, cell: &str) {
        let Some(cell) = filled(cell) else { return };
        let by_point = figure(cell, Decimal::Point);
        let by_comma = figure(cell, Decimal::Comma);
        let either = |plain: bool| matches!((by_point, by_comma), (Some(_), Some(_))) && plain;
        if either(cell.contains('.')) {
            self.either_point += 1;
        } else if either(cell.contains(',')) {
            self.either_comma += 1;
        } else if by_point.is_some() && by_comma.is_none() {
            self.point += 1;
        } else if by_comma.is_some() && by_point.is_none() {
            self.comma += 1;
        }
    }

    /// The decimal sign of the file, and what is to be said of it.
    pub fn decide(&self) -> (Decimal, Option<String>) {
        match (self.point, self.comma) {
            (0, 0) if self.either_comma > 0 => (
                Decimal::Comma,
                Some(format!(
                    "undecided: every comma stands before three figures ({} cells); decimal commas, or commas between thousands?",
                    self.either_comma
                )),
            ),
            (_, 0) => (Decimal::Point, None),
            (0, _) => (Decimal::Comma, None),
            (point, comma) => (
                if comma > point {
                    Decimal::Comma
                } else {
                    Decimal::Point
                },
                Some(format!(
                    "{point} cells have a decimal point and {comma} a decimal comma: one of the two can't be read"
                )),
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimal_signs() {
        let decide = |cells: &[&str]| {
            let mut votes = Votes::default();
            cells.iter().for_each(|cell| votes.add(cell));
            let (decimal, note) = votes.decide();
            (decimal, note.is_some())
        };
        assert_eq!(decide(&["12.5", "13"]), (Decimal::Point, false));
        assert_eq!(decide(&["12,5", "1.234,5", "7"]), (Decimal::Comma, false));
        assert_eq!(decide(&["1,234.5"]), (Decimal::Point, false));
        assert_eq!(decide(&["0,123"]), (Decimal::Comma, false));
        assert_eq!(decide(&["1,234", "5,678"]), (Decimal::Comma, true));
        assert_eq!(decide(&["1.5", "1,5", "2,5"]), (Decimal::Comma, true));
    }

    #[test]
    fn kinds_of_columns() {
        let of = |cells: &[&str]| Cells::of(cells, Decimal::Point);
        let figures = of(&["1.5", "", "0", "1,234.5"]);
        assert_eq!(
            (figures.kind, figures.missing, figures.grouped),
            (Kind::Figures, 1, 1)
        );
        assert_eq!(of(&["OK", "5"]).kind, Kind::Words);
        assert_eq!(of(&["", "-"]).kind, Kind::Empty);
        assert_eq!(of(&["1", "0", "1"]).switch, Some(true));
        assert_eq!(of(&["RUN", "STOP"]).switch, Some(false));
    }
}
