//! What the columns of a source are, by their headers.

use super::options::ReadOptions;
use super::schema::{Column, LABELS, TIME, names};
use super::wide::{self, Place};
use crate::error::{Error, Fault, Faults, nearest};
use crate::units::{Quantity, Unit};

/// What one column of a source is read as.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Field {
    Time,
    Label(usize),
    Number(Column, &'static Unit),
}

/// One thing that a column of the source is read as; a column may serve several.
#[derive(Debug, Clone)]
pub(super) struct Target {
    /// Which column of the source, from 0.
    pub source: usize,
    pub field: Field,
    /// Of a wide table: whose reading it is.
    pub place: Place,
}

/// The columns of a source, in its own order.
#[derive(Debug, Clone, Default)]
pub(super) struct Header {
    pub titles: Vec<String>,
    pub targets: Vec<Target>,
    /// The headers that are no column of a log, or were left out by the caller.
    pub left_out: Vec<String>,
    /// Of a wide table: its trains and stages, in order.
    pub places: Vec<Place>,
    /// Names in the options that are not in the source.
    pub unmet: Faults,
}

impl Header {
    /// Understands the headers of a source; `units` are the cells of a row of units, where there is one.
    ///
    /// A header that is none of ours is left out, and listed; one that looks like a slip of the pen for
    /// one of ours is refused, since leaving that out would lose readings.
    pub fn resolve<S: AsRef<str>>(
        headers: &[S],
        units: &[String],
        options: &ReadOptions,
    ) -> Result<Self, Error> {
        let mut faults = Faults::default();
        let mut header = Self::default();
        for (source, title) in headers.iter().enumerate() {
            let title = title.as_ref().trim().trim_start_matches('\u{feff}').trim();
            header.titles.push(title.to_owned());
            let unit_below = units.get(source).map_or("", String::as_str);
            let before = header.targets.len();
            let as_it_is = [title.to_owned()];
            let renamed = options.columns.get(title).map(Vec::as_slice);
            for ours in renamed.unwrap_or(&as_it_is) {
                match Self::field(title, ours, unit_below, options) {
                    Ok(Some((field, place))) => header.add(source, field, place, &mut faults),
                    Ok(None) => {}
                    Err(fault) => faults.push(fault),
                }
            }
            if header.targets.len() == before {
                header.left_out.push(title.to_owned());
            }
        }
        let titles = &header.titles;
        if !header.has(Field::Time) {
            let found = titles
                .iter()
                .take(40)
                .map(String::as_str)
                .collect::<Vec<_>>()
                .join(", ");
            let remedy = format!(
                "name it with columns={{\"their header\": \"time\"}}; the columns are: {found}. If the header stands \
                 in another row, give header_row"
            );
            faults.push(Fault::new("no time column", remedy).at_column(TIME));
        }
        header.places = wide::places(&header.targets, titles, &mut faults);
        for theirs in options
            .columns
            .keys()
            .filter(|theirs| !titles.contains(theirs))
        {
            header.unmet.push(
                Fault::new(
                    "renamed or left out, but there is no such header",
                    near(theirs, titles),
                )
                .at_column(theirs),
            );
        }
        for name in options.units.keys() {
            let given = header.numbers().any(|(column, _)| column.name() == name);
            if !given && !titles.contains(name) {
                header.unmet.push(
                    Fault::new(
                        "a unit is given for it, but there is no such column",
                        near(name, titles),
                    )
                    .at_column(name),
                );
            }
        }
        if !faults.is_empty() {
            faults.append(std::mem::take(&mut header.unmet));
        }
        faults.into_result(Error::Log)?;
        Ok(header)
    }

    /// Whether these headers name a column of times.
    pub fn has_times(titles: &[String], options: &ReadOptions) -> bool {
        titles.iter().any(|title| {
            let title = title.trim();
            let as_it_is = [title.to_owned()];
            let ours = options
                .columns
                .get(title)
                .map_or(&as_it_is[..], Vec::as_slice);
            ours.iter().any(|ours| plain(split_bracket(ours).0) == TIME)
        })
    }

    fn add(&mut self, source: usize, field: Field, place: Place, faults: &mut Faults) {
        let same = |other: &&Target| match (other.field, field) {
            (Field::Number(a, _), Field::Number(b, _)) => a == b && other.place.meets(&place),
            (a, b) => a == b,
        };
        if let Some(first) = self.targets.iter().find(same) {
            faults.push(
                Fault::new(
                    format!("the same column as '{}'", self.titles[first.source]),
                    "leave one of the two out: columns={\"their header\": None}",
                )
                .at_column(&self.titles[source]),
            );
        }
        self.targets.push(Target {
            source,
            field,
            place,
        });
    }

    /// Whether a column is read as this.
    pub fn has(&self, field: Field) -> bool {
        self.targets.iter().any(|target| target.field == field)
    }

    /// The columns of figures, in the source's order.
    pub fn numbers(&self) -> impl Iterator<Item = (Column, &'static Unit)> + '_ {
        self.targets.iter().filter_map(|target| match target.field {
            Field::Number(column, unit) => Some((column, unit)),
            _ => None,
        })
    }

    /// What a column is, read as `ours`; nothing where it is no column of a log.
    fn field(
        title: &str,
        ours: &str,
        unit_below: &str,
        options: &ReadOptions,
    ) -> Result<Option<(Field, Place)>, Fault> {
        let renamed = options.columns.contains_key(title);
        let (name, bracket) = split_bracket(ours);
        let whole = plain(name);
        if whole == TIME {
            return Ok(Some((Field::Time, Place::default())));
        }
        if let Some(label) = LABELS.iter().position(|label| *label == whole) {
            return Ok(Some((Field::Label(label), Place::default())));
        }
        let (place, rest) = Place::split(name);
        let name = plain(rest);
        let Some(column) = Column::from_name(&name) else {
            return match nearest_slip(&name) {
                _ if renamed => Err(Fault::new(
                    format!("renamed to '{ours}', which is no column of a log"),
                    near(&name, &names().map(str::to_owned).collect::<Vec<_>>()),
                )
                .at_column(title)),
                Some(near) => Err(Fault::new(
                    format!("not a column of a log, but close to '{near}'"),
                    format!("rename it with columns={{\"{title}\": \"{near}\"}}, or leave it out with None"),
                )
                .at_column(title)),
                None => Ok(None),
            };
        };
        let given = options
            .units
            .get(column.name())
            .or_else(|| options.units.get(title));
        let below = unit_of_row(unit_below).filter(|_| column.quantity().needs_unit());
        let said = [
            (bracket, "the header"),
            (given.map(String::as_str), "the call"),
            (below, "the row of units"),
        ];
        let mut said = said
            .into_iter()
            .filter_map(|(word, who)| word.map(|word| (word.trim(), who)));
        let first = said.next();
        if let Some((word, who)) = first
            && let Some((other, elsewhere)) = said.find(|(other, _)| *other != word)
        {
            return Err(Fault::new(
                format!("{who} says '{word}', {elsewhere} says '{other}'"),
                "give the unit once",
            )
            .at_column(title));
        }
        match first {
            Some((word, _)) => match Unit::parse_as(word, column.quantity()) {
                Ok(unit) => Ok(Some((Field::Number(column, unit), place))),
                Err(Error::Unit(fault)) => Err(fault.at_column(title)),
                Err(other) => Err(Fault::new(other.to_string(), "").at_column(title)),
            },
            None if column.quantity().needs_unit() => Err(Fault::new(
                "no unit",
                format!(
                    "write the header as '{0} [UNIT]', or give units={{\"{0}\": \"UNIT\"}}; UNIT is one of: {1}. If \
                     the units stand in the row below, give units_row=True",
                    column.name(),
                    column.quantity().words().join(" ")
                ),
            )
            .at_column(title)),
            None => {
                let unit = column.quantity().canonical();
                Ok(Some((Field::Number(column, unit), place)))
            }
        }
    }
}

/// Whether a column's cells are words for yes and no.
pub(super) fn is_switch(column: Column) -> bool {
    column.quantity() == Quantity::Switch
}

/// A cell of a row of units: "psi", "[psi]" or "(psi)"; none in "" and "-".
fn unit_of_row(cell: &str) -> Option<&str> {
    let cell = cell.trim();
    let inner = [('[', ']'), ('(', ')')]
        .into_iter()
        .find_map(|(open, close)| cell.strip_prefix(open)?.strip_suffix(close))
        .unwrap_or(cell)
        .trim();
    (!inner.is_empty() && inner != "-").then_some(inner)
}

/// "feed_pressure [psi]" → ("feed_pressure", Some("psi")).
pub(super) fn split_bracket(header: &str) -> (&str, Option<&str>) {
    let header = header.trim();
    match header
        .strip_suffix(']')
        .and_then(|rest| rest.rsplit_once('['))
    {
        Some((name, unit)) => (name.trim(), Some(unit.trim())),
        None => (header, None),
    }
}

/// "Feed pressure" and "feed-pressure" are how people write feed_pressure.
pub(super) fn plain(name: &str) -> String {
    name.trim().to_lowercase().replace([' ', '-'], "_")
}

/// The column for which `name` may be a slip. Stricter than [`nearest`]: a log has many columns of its
/// own, whose names share words with ours ("tank_pressure").
fn nearest_slip(name: &str) -> Option<&'static str> {
    names()
        .map(|known| (strsim::damerau_levenshtein(name, known), known))
        .filter(|(slips, known)| *slips <= known.len() / 8)
        .min()
        .map(|(_, known)| known)
}

fn near(word: &str, known: &[String]) -> String {
    match nearest(word, known.iter().map(String::as_str)) {
        Some(near) => format!("did you mean '{near}'?"),
        None => format!("there is: {}", known.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headers_as_people_write_them() {
        let header = Header::resolve(
            &[
                "\u{feff}Time",
                "Feed pressure [PSI]",
                "permeate-flow[gpm]",
                "Remarks",
                "Stage",
            ],
            &[],
            &ReadOptions::default(),
        )
        .unwrap();
        assert_eq!(header.left_out, ["Remarks"]);
        assert!(
            matches!(header.targets[1].field, Field::Number(Column::FeedPressure, unit) if unit.word == "psi")
        );
        assert!(
            matches!(header.targets[2].field, Field::Number(Column::PermeateFlow, unit) if unit.word == "gpm")
        );
    }

    #[test]
    fn all_faults_of_a_header_at_once() {
        let options = ReadOptions {
            columns: [("P1".into(), vec!["feed_presure [psi]".into()])].into(),
            ..ReadOptions::default()
        };
        let error = Header::resolve(
            &[
                "P1",
                "permeate_flow",
                "feed_temperature [psi]",
                "fed_flow [gpm]",
                "pH",
            ],
            &[],
            &options,
        )
        .unwrap_err();
        let faults = error.faults();
        assert_eq!(faults.len(), 5, "{error}");
        assert!(faults[0].remedy.contains("feed_pressure"));
        assert!(faults[1].problem.contains("no unit"));
        assert!(faults[2].problem.contains("a unit of pressure"));
        assert!(faults[3].problem.contains("close to 'feed_flow'"));
        assert!(faults[4].problem.contains("no time column"));
    }
}
