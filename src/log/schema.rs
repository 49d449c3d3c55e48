//! The columns of a log: their names, what each measures, and how a header says so.

use crate::error::{Error, Fault, Faults, nearest};
use crate::units::{Quantity, Unit};
use std::collections::BTreeMap;

macro_rules! columns {
    ($($variant:ident $name:literal $quantity:ident $doc:literal;)*) => {
        /// A measured column of a log. Stream first, then quantity.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum Column { $(#[doc = $doc] $variant,)* }

        impl Column {
            /// Every column, in the order in which tables are written.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// Its name in a header.
            pub fn name(self) -> &'static str {
                match self { $(Self::$variant => $name,)* }
            }

            /// What it measures.
            pub fn quantity(self) -> Quantity {
                match self { $(Self::$variant => Quantity::$quantity,)* }
            }

            /// What it is, in a line.
            pub fn describe(self) -> &'static str {
                match self { $(Self::$variant => $doc,)* }
            }
        }
    };
}

columns! {
    FeedTemperature "feed_temperature" Temperature "temperature of the feed water";
    PermeateTemperature "permeate_temperature" Temperature "temperature of the permeate, by a second thermometer";
    ConcentrateTemperature "concentrate_temperature" Temperature "temperature of the concentrate, by a second thermometer";
    FeedPressure "feed_pressure" Pressure "gauge pressure at the inlet of the membranes";
    ConcentratePressure "concentrate_pressure" Pressure "gauge pressure of the concentrate at the end of the membranes";
    PermeatePressure "permeate_pressure" Pressure "gauge pressure of the permeate";
    DifferentialPressure "differential_pressure" Pressure "feed pressure less concentrate pressure";
    FeedFlow "feed_flow" Flow "raw feed to the unit, before any recycle joins it";
    PermeateFlow "permeate_flow" Flow "permeate made";
    ConcentrateFlow "concentrate_flow" Flow "concentrate that leaves the unit";
    RecycleFlow "recycle_flow" Flow "concentrate returned ahead of the membranes";
    FeedConductivity "feed_conductivity" Conductivity "conductivity of the raw feed, compensated to 25 degC";
    PermeateConductivity "permeate_conductivity" Conductivity "conductivity of the permeate, compensated to 25 degC";
    ConcentrateConductivity "concentrate_conductivity" Conductivity "conductivity of the concentrate, compensated to 25 degC";
    FeedTds "feed_tds" Concentration "dissolved salt in the raw feed";
    PermeateTds "permeate_tds" Concentration "dissolved salt in the permeate";
    ConcentrateTds "concentrate_tds" Concentration "dissolved salt in the concentrate";
    FeedPh "feed_ph" Acidity "pH of the feed";
    Running "running" Switch "whether the unit was making water";
}

impl Column {
    /// The column of this name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL
            .iter()
            .copied()
            .find(|column| column.name() == name)
    }
}

impl serde::Serialize for Column {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.name())
    }
}

/// The header of the time column.
pub const TIME: &str = "time";
/// The label columns, by which rows are told apart.
pub const LABELS: [&str; 2] = ["train", "stage"];

/// Every name that a header may have.
pub fn names() -> impl Iterator<Item = &'static str> {
    [TIME]
        .into_iter()
        .chain(Column::ALL.iter().map(|column| column.name()))
        .chain(LABELS)
}

/// What the caller says of a log beside its header.
#[derive(Debug, Clone, Default)]
pub struct ReadOptions {
    /// Units of columns whose header has none, by column name.
    pub units: BTreeMap<String, String>,
    /// Their header → ours (with or without a unit in brackets); `None` leaves the column out.
    pub columns: BTreeMap<String, Option<String>>,
    /// Time zone of naive times, and the one in which times are shown; an IANA name.
    pub time_zone: Option<String>,
    /// How times are written, in strftime's words, where they are not ISO 8601.
    pub time_format: Option<String>,
}

/// What one field of the source is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Field {
    Time,
    Label(usize),
    Number(Column, &'static Unit),
    LeftOut,
}

/// The fields of a source, in its own order, with their headers.
#[derive(Debug, Clone)]
pub(crate) struct Header {
    pub fields: Vec<Field>,
    pub titles: Vec<String>,
}

impl Header {
    /// Understands the headers of a source.
    ///
    /// A header that is none of ours is left out, and listed; one that looks like a slip of the pen for
    /// one of ours is refused, since leaving that out would lose readings.
    pub fn resolve<S: AsRef<str>>(headers: &[S], options: &ReadOptions) -> Result<Self, Error> {
        let mut faults = Faults::default();
        let mut fields = Vec::with_capacity(headers.len());
        let mut titles: Vec<String> = Vec::with_capacity(headers.len());
        for header in headers {
            let title = header
                .as_ref()
                .trim()
                .trim_start_matches('\u{feff}')
                .to_owned();
            let field = Self::field(&title, options).unwrap_or_else(|fault| {
                faults.push(fault);
                Field::LeftOut
            });
            let same = |other: &Field| match (other, &field) {
                (Field::Number(a, _), Field::Number(b, _)) => a == b,
                (Field::LeftOut, _) => false,
                (a, b) => *a == *b,
            };
            if let Some(first) = fields.iter().position(same) {
                faults.push(
                    Fault::new(
                        format!("the same column as '{}'", titles[first]),
                        "leave one of the two out: columns={\"their header\": None}",
                    )
                    .at_column(&title),
                );
            }
            fields.push(field);
            titles.push(title);
        }
        if !fields.contains(&Field::Time) {
            let found = titles
                .iter()
                .take(40)
                .map(String::as_str)
                .collect::<Vec<_>>()
                .join(", ");
            let remedy = if titles.len() == 1 && titles[0].contains([';', '\t']) {
                "the file's separator seems to be ';' or a tab: save it with commas".to_owned()
            } else {
                format!(
                    "name it with columns={{\"their header\": \"time\"}}; the columns are: {found}"
                )
            };
            faults.push(Fault::new("no time column", remedy).at_column(TIME));
        }
        for theirs in options
            .columns
            .keys()
            .filter(|theirs| !titles.contains(theirs))
        {
            faults.push(
                Fault::new(
                    "renamed or left out, but there is no such header",
                    near(theirs, &titles),
                )
                .at_column(theirs),
            );
        }
        for name in options.units.keys() {
            let given = fields
                .iter()
                .any(|field| matches!(field, Field::Number(column, _) if column.name() == name));
            if !given && !titles.contains(name) {
                faults.push(
                    Fault::new(
                        "a unit is given for it, but there is no such column",
                        near(name, &titles),
                    )
                    .at_column(name),
                );
            }
        }
        faults.into_result(Error::Log)?;
        Ok(Self { fields, titles })
    }

    fn field(title: &str, options: &ReadOptions) -> Result<Field, Fault> {
        let ours = match options.columns.get(title) {
            Some(None) => return Ok(Field::LeftOut),
            Some(Some(ours)) => ours.as_str(),
            None => title,
        };
        let renamed = options.columns.contains_key(title);
        let (name, bracket) = split_bracket(ours);
        let name = plain(name);
        if name == TIME {
            return Ok(Field::Time);
        }
        if let Some(label) = LABELS.iter().position(|label| *label == name) {
            return Ok(Field::Label(label));
        }
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
                None => Ok(Field::LeftOut),
            };
        };
        let given = options
            .units
            .get(column.name())
            .or_else(|| options.units.get(title));
        let unit = match (bracket, given) {
            (Some(bracket), Some(given)) if bracket.trim() != given.trim() => {
                return Err(Fault::new(
                    format!("the header says [{bracket}], the call says '{given}'"),
                    "give the unit once",
                )
                .at_column(title));
            }
            (Some(word), _) => Some(word),
            (None, given) => given.map(String::as_str),
        };
        match unit {
            Some(word) => match Unit::parse_as(word, column.quantity()) {
                Ok(unit) => Ok(Field::Number(column, unit)),
                Err(Error::Unit(fault)) => Err(fault.at_column(title)),
                Err(other) => Err(Fault::new(other.to_string(), "").at_column(title)),
            },
            None if column.quantity().needs_unit() => Err(Fault::new(
                "no unit",
                format!(
                    "write the header as '{0} [UNIT]', or give units={{\"{0}\": \"UNIT\"}}; UNIT is one of: {1}",
                    column.name(),
                    column.quantity().words().join(" ")
                ),
            )
            .at_column(title)),
            None => Ok(Field::Number(column, column.quantity().canonical())),
        }
    }

    /// The headers of the fields that are left out.
    pub fn left_out(&self) -> Vec<String> {
        let left_out =
            |(field, title): (&Field, &String)| (*field == Field::LeftOut).then(|| title.clone());
        self.fields
            .iter()
            .zip(&self.titles)
            .filter_map(left_out)
            .collect()
    }
}

/// "feed_pressure [psi]" → ("feed_pressure", Some("psi")).
fn split_bracket(header: &str) -> (&str, Option<&str>) {
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
fn plain(name: &str) -> String {
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
            &ReadOptions::default(),
        )
        .unwrap();
        assert_eq!(header.left_out(), ["Remarks"]);
        assert!(
            matches!(header.fields[1], Field::Number(Column::FeedPressure, unit) if unit.word == "psi")
        );
        assert!(
            matches!(header.fields[2], Field::Number(Column::PermeateFlow, unit) if unit.word == "gpm")
        );
    }

    #[test]
    fn all_faults_of_a_header_at_once() {
        let options = ReadOptions {
            columns: BTreeMap::from([("P1".into(), Some("feed_presure [psi]".into()))]),
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
