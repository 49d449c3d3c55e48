//! `services.csv`: what was done to the unit, when, and by whom.

use std::path::Path;

use csv::{ByteRecord, ReaderBuilder};
use jiff::ToSpan;
use jiff::civil::Date;

use crate::error::{Error, Fault, Faults, nearest};
use crate::log::append::Appended;
use crate::log::append::lines::{self, End};
use crate::log::append::lock::{Lock, plain};
use crate::log::separator_of;
use crate::site::{EventKind, ServiceKind, Site};

/// The columns of the file; others may stand beside them.
pub(super) const HEADER: [&str; 5] = ["date", "what", "of", "who", "note"];

/// Something that was done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Done {
    /// When.
    pub date: Date,
    /// Its kind.
    pub what: ServiceKind,
    /// What it was done to: a column's name, or the site's own words; empty where the kind says enough.
    pub of: String,
    /// Who did it.
    pub who: Option<String>,
    /// Anything else, in words.
    pub note: Option<String>,
}

impl std::fmt::Display for Done {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "date={}; what={}", self.date, self.what.name())?;
        let words = [
            ("of", Some(self.of.as_str()).filter(|of| !of.is_empty())),
            ("who", self.who.as_deref()),
            ("note", self.note.as_deref()),
        ];
        for (name, text) in words {
            if let Some(text) = text {
                write!(f, "; {name}={}", plain(text))?;
            }
        }
        Ok(())
    }
}

impl Done {
    /// Reads it from words.
    ///
    /// # Errors
    /// [`Error::Site`] for a kind or a date that can't be.
    pub fn parse(
        what: &str,
        of: Option<&str>,
        on: &str,
        who: Option<&str>,
        note: Option<&str>,
    ) -> Result<Self, Error> {
        let mut faults = Faults::default();
        let what = kind(what.trim()).map_err(|fault| faults.push(fault.at_column("what")));
        let date = date(on).map_err(|fault| faults.push(fault.at_column("on")));
        let text = |text: Option<&str>| text.map(plain).filter(|text| !text.is_empty());
        match (what, date) {
            (Ok(what), Ok(date)) => Ok(Self {
                date,
                what,
                of: text(of).unwrap_or_default(),
                who: text(who),
                note: text(note),
            }),
            _ => Err(Error::Site(faults)),
        }
    }

    /// Whether this was done to that.
    pub fn is_of(&self, what: ServiceKind, of: &str) -> bool {
        self.what == what && self.of.trim().eq_ignore_ascii_case(of.trim())
    }

    fn cells(&self) -> [String; 5] {
        [
            self.date.to_string(),
            self.what.name().to_owned(),
            self.of.clone(),
            self.who.clone().unwrap_or_default(),
            self.note.clone().unwrap_or_default(),
        ]
    }
}

fn kind(word: &str) -> Result<ServiceKind, Fault> {
    let names = || ServiceKind::NAMES.iter().map(|(name, _)| *name);
    let found = ServiceKind::NAMES.iter().find(|(name, _)| *name == word);
    found.map(|(_, kind)| *kind).ok_or_else(|| {
        let remedy = if EventKind::NAMES.iter().any(|(name, _)| *name == word) {
            format!(
                "it changes what the membranes do: write it into {} as an [[event]]",
                super::SITE_FILE
            )
        } else {
            match nearest(word, names()) {
                Some(near) => format!("did you mean '{near}'?"),
                None => format!("one of: {}", names().collect::<Vec<_>>().join(", ")),
            }
        };
        Fault::new("not a kind of service", remedy).with_value(word)
    })
}

fn date(text: &str) -> Result<Date, Fault> {
    let text = text.trim();
    text.parse()
        .map_err(|_| Fault::new("not a date", "write it as 2026-11-26").with_value(text))
}

/// How the file is written.
struct Dialect {
    separator: u8,
    line_end: &'static str,
    titles: Vec<String>,
}

impl Dialect {
    fn of(text: &[u8]) -> Result<Self, Error> {
        let plain = text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(text);
        let separator = separator_of(plain)?;
        let mut header = ByteRecord::new();
        let _ = reader(plain, separator).read_byte_record(&mut header);
        let title = |cell: &[u8]| String::from_utf8_lossy(cell).trim().to_lowercase();
        let end = memchr::memchr(b'\n', text);
        Ok(Self {
            separator,
            line_end: match end {
                Some(at) if at > 0 && text[at - 1] == b'\r' => "\r\n",
                _ => "\n",
            },
            titles: header.iter().map(title).collect(),
        })
    }

    /// Where a column stands.
    fn at(&self, column: &str) -> Option<usize> {
        self.titles.iter().position(|title| title == column)
    }

    fn has_all_cells(&self, line: &[u8]) -> bool {
        let mut record = ByteRecord::new();
        let mut reader = reader(line, self.separator);
        matches!(reader.read_byte_record(&mut record), Ok(true))
            && record.len() == self.titles.len()
    }
}

fn reader(text: &[u8], separator: u8) -> csv::Reader<&[u8]> {
    ReaderBuilder::new()
        .delimiter(separator)
        .has_headers(false)
        .flexible(true)
        .from_reader(text)
}

/// The text of the file; that of a blank one where there is none.
fn text(path: &Path) -> Result<Vec<u8>, Error> {
    match std::fs::read(path) {
        Ok(text) if text.trim_ascii().is_empty() => Ok(lines::row(b',', "\n", &HEADER)),
        Ok(text) => Ok(text),
        Err(cause) if cause.kind() == std::io::ErrorKind::NotFound => {
            Ok(lines::row(b',', "\n", &HEADER))
        }
        Err(cause) => Err(Error::file(path, "read", cause)),
    }
}

/// Mends how the file ends; says what was done, where anything was.
pub(super) fn recover(lock: &Lock, path: &Path) -> Result<Option<String>, Error> {
    let text = text(path)?;
    let dialect = Dialect::of(&text)?;
    let last = lock
        .last
        .as_ref()
        .filter(|last| last.file == lines::name_of(path));
    let end = End::of(&text, last, |line| dialect.has_all_cells(line));
    lines::mend(path, &text, &end, dialect.line_end)
}

/// All that the file tells.
pub(super) fn read(path: &Path) -> Result<Vec<Done>, Error> {
    let text = text(path)?;
    parse(&text).map_err(|error| error.in_file(path))
}

fn parse(text: &[u8]) -> Result<Vec<Done>, Error> {
    let dialect = Dialect::of(text)?;
    let mut faults = Faults::default();
    for column in ["date", "what"] {
        if dialect.at(column).is_none() {
            let remedy = format!("its columns are {}", HEADER.join(", "));
            faults.push(Fault::new("no such column", remedy).at_column(column));
        }
    }
    let mut found = Vec::new();
    let mut reader = reader(text, dialect.separator);
    let records = reader.byte_records().skip(1).filter_map(Result::ok);
    for record in
        records.take_while(|_| dialect.at("date").is_some() && dialect.at("what").is_some())
    {
        let line = record.position().map(csv::Position::line);
        let mut push = |fault: Fault| {
            faults.push(Fault { line, ..fault });
        };
        if record.len() != dialect.titles.len() {
            push(Fault::new(
                format!(
                    "{} cells, where the header has {}",
                    record.len(),
                    dialect.titles.len()
                ),
                "one cell for each header",
            ));
            continue;
        }
        let cell = |column: &str| {
            let cell = dialect.at(column).and_then(|at| record.get(at));
            String::from_utf8_lossy(cell.unwrap_or_default())
                .trim()
                .to_owned()
        };
        if record.iter().all(|cell| cell.trim_ascii().is_empty()) {
            continue;
        }
        let words = |column: &str| Some(cell(column)).filter(|text| !text.is_empty());
        let what = kind(&cell("what")).map_err(|fault| push(fault.at_column("what")));
        let date = date(&cell("date")).map_err(|fault| push(fault.at_column("date")));
        if let (Ok(what), Ok(date)) = (what, date) {
            found.push(Done {
                date,
                what,
                of: cell("of"),
                who: words("who"),
                note: words("note"),
            });
        }
    }
    faults.into_result(Error::Log)?;
    Ok(found)
}

/// Adds what was done to the file of a folder that is locked.
pub(super) fn append(
    lock: &mut Lock,
    path: &Path,
    site: &Site,
    done: &Done,
    today: Date,
) -> Result<Appended, Error> {
    let mut told: Vec<String> = recover(lock, path)?.into_iter().collect();
    // A day's difference of zones is none.
    if done.date > today.saturating_add(1.day()) {
        let fault = Fault::new(
            "a day that is still to come",
            format!("it is {today}: check both"),
        );
        return Err(Error::Site(
            fault
                .at_column("on")
                .with_value(done.date.to_string())
                .into(),
        ));
    }
    let (done, odd) = meant(site, done)?;
    told.extend(odd);
    let text = text(path)?;
    let dialect = Dialect::of(&text)?;
    let cells = done.cells();
    let missing: Vec<&str> = HEADER
        .iter()
        .zip(&cells)
        .filter(|(column, cell)| !cell.is_empty() && dialect.at(column).is_none())
        .map(|(column, _)| *column)
        .collect();
    if !missing.is_empty() {
        let fault = Fault::new(
            format!("services.csv has no column {}", missing.join(", ")),
            format!("its columns are {}", HEADER.join(", ")),
        );
        return Err(Error::Log(fault.into()));
    }
    let mut row = vec![String::new(); dialect.titles.len()];
    for (column, cell) in HEADER.iter().zip(cells) {
        if let Some(at) = dialect.at(column) {
            row[at] = cell;
        }
    }
    let line = lines::row(dialect.separator, dialect.line_end, &row);
    let already_there = parse(&text)?.contains(&done);
    if !already_there {
        if !path.exists() || std::fs::metadata(path).is_ok_and(|file| file.len() == 0) {
            lines::append(lock, path, 0, &text)?;
        }
        lines::append(lock, path, text.len() as u64, &line)?;
    }
    Ok(Appended {
        line: String::from_utf8_lossy(lines::without_end(&line)).into_owned(),
        already_there,
        told,
    })
}

/// What is meant, by the services that the site file lists; and what is odd about it.
fn meant(site: &Site, done: &Done) -> Result<(Done, Option<String>), Error> {
    let subject = |service: &crate::site::Service| match (&service.of, &service.name) {
        (Some(column), _) => column.name().to_owned(),
        (None, name) => name.clone().unwrap_or_default(),
    };
    let of_kind = site
        .service
        .iter()
        .filter(|service| service.what == done.what);
    let mut listed: Vec<String> = of_kind.map(subject).collect();
    if done.what == ServiceKind::Calibration {
        let calibrated = site
            .instruments
            .iter()
            .filter(|(_, known)| known.calibrated_on.is_some());
        listed.extend(calibrated.map(|(column, _)| column.name().to_owned()));
        listed.sort();
        listed.dedup();
    }
    if listed.iter().any(|of| done.is_of(done.what, of)) {
        return Ok((done.clone(), None));
    }
    let refuse = |problem: &str, remedy: String| {
        Err(Error::Site(
            Fault::new(problem, remedy)
                .at_column("of")
                .with_value(&done.of)
                .into(),
        ))
    };
    match (done.of.as_str(), listed.as_slice()) {
        ("", [only]) => {
            let of = only.clone();
            return Ok((Done { of, ..done.clone() }, None));
        }
        ("", [_, _, ..]) => {
            return refuse(
                "the site file lists several",
                format!("of which: {}", listed.join(", ")),
            );
        }
        ("", []) if matches!(done.what, ServiceKind::Calibration | ServiceKind::Other) => {
            return refuse("not told what it was done to", "name it".to_owned());
        }
        (of, _) => {
            if let Some(near) = nearest(of, listed.iter().map(String::as_str)) {
                return refuse(
                    "not listed in the site file",
                    format!("did you mean '{near}'?"),
                );
            }
        }
    }
    let odd =
        "The site file has no [[service]] for it: it is noted, and nothing of it will be due.";
    Ok((done.clone(), Some(odd.to_owned())))
}
