//! What the site file says is to be done again and again: calibrations, lamps, filters.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::{Span, ToSpan};
use serde::Serialize;
use toml::Table;

use super::Instrument;
use crate::error::{Fault, Faults, nearest};
use crate::keys::{Keys, wrong};
use crate::log::Column;
use crate::units::Quantity;

/// Something to be done again and again.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Service {
    /// Its kind.
    pub what: ServiceKind,
    /// The column whose instrument is calibrated.
    pub of: Option<Column>,
    /// What it is done to, where that is no column.
    pub name: Option<String>,
    /// How often.
    pub every: Interval,
    /// When it was last done; `None`: never.
    #[serde(serialize_with = "as_text")]
    pub last: Option<Date>,
    /// In its users' words.
    pub note: String,
}

fn as_text<S: serde::Serializer>(date: &Option<Date>, serializer: S) -> Result<S::Ok, S::Error> {
    match date {
        Some(date) => serializer.collect_str(date),
        None => serializer.serialize_none(),
    }
}

/// What is to be done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ServiceKind {
    /// An instrument is calibrated.
    Calibration,
    /// A lamp is replaced.
    Lamp,
    /// A filter ahead of the membranes is replaced.
    Prefilter,
    /// The unit is sanitised.
    Sanitising,
    /// Anything else.
    Other,
}

impl ServiceKind {
    /// Every kind with its name in a site file.
    pub const NAMES: [(&'static str, Self); 5] = [
        ("calibration", Self::Calibration),
        ("lamp", Self::Lamp),
        ("prefilter", Self::Prefilter),
        ("sanitising", Self::Sanitising),
        ("other", Self::Other),
    ];

    /// Its name in a site file.
    pub fn name(self) -> &'static str {
        Self::NAMES
            .iter()
            .find(|(_, kind)| *kind == self)
            .map_or("other", |(name, _)| name)
    }
}

/// A length of time by the calendar: 3 months after 30 November is the end of February.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Interval {
    /// Months of it.
    pub months: i32,
    /// Days beside them.
    pub days: i32,
    /// As the file says it.
    pub text: String,
}

impl Interval {
    /// A longer one is a slip of the pen.
    const LONGEST_YEARS: i32 = 50;

    /// "3 months", "90 d", "2 weeks", "1 year": whole units of a day or more.
    pub fn parse(text: &str) -> Option<Self> {
        let span: Span = text.trim().parse().ok()?;
        let (years, weeks) = (i32::from(span.get_years()), span.get_weeks());
        let months = years.checked_mul(12)?.checked_add(span.get_months())?;
        let days = weeks.checked_mul(7)?.checked_add(span.get_days())?;
        // The same without its hours and less: those would be lost.
        let of_days = Span::new()
            .try_years(years)
            .and_then(|whole| whole.try_months(span.get_months()))
            .and_then(|whole| whole.try_weeks(weeks))
            .and_then(|whole| whole.try_days(span.get_days()))
            .ok()?;
        let longest = Self::LONGEST_YEARS;
        let fine = of_days.fieldwise() == span.fieldwise()
            && !span.is_negative()
            && !span.is_zero()
            && months <= longest * 12
            && days <= longest * 366;
        fine.then(|| Self {
            months,
            days,
            text: text.trim().to_owned(),
        })
    }

    /// The date this long after another; where that month is shorter, its last day.
    pub fn after(&self, date: Date) -> Date {
        date.saturating_add(self.months.months().days(self.days))
    }
}

pub(super) fn services(
    tables: Vec<&Table>,
    instruments: &BTreeMap<Column, Instrument>,
    faults: &mut Faults,
) -> Vec<Service> {
    let mut services = Vec::new();
    for (at, table) in tables.into_iter().enumerate() {
        let keys = Keys::new(format!("[[service]] {}:", at + 1), Some(table));
        services.extend(service(keys, instruments, faults));
    }
    services
}

fn service(
    mut keys: Keys<'_>,
    instruments: &BTreeMap<Column, Instrument>,
    faults: &mut Faults,
) -> Option<Service> {
    let what = keys.choice("what", &ServiceKind::NAMES, faults);
    let what = keys.need("what", what, "\"calibration\"", faults);
    let name = keys.text("name", faults);
    let of = keys.text("of", faults);
    let column = of.as_deref().and_then(|word| {
        let place = keys.at("of");
        column_of(word)
            .map_err(|fault| faults.push(fault.at_column(place)))
            .ok()
    });
    let calibrates = what == Some(ServiceKind::Calibration);
    if keys.given("of") && keys.given("name") {
        faults.push(
            Fault::new("a column and a name", "one of the two is enough").at_column(keys.at("of")),
        );
    } else if keys.given("of") && what.is_some() && !calibrates {
        faults.push(
            Fault::new(
                "belongs to what = \"calibration\"",
                "say it by name = \"…\"",
            )
            .at_column(keys.at("of")),
        );
    } else if !keys.given("of") && !keys.given("name") && calibrates {
        keys.need::<()>("of", None, "\"permeate_flow\", or name = \"…\"", faults);
    } else if !keys.given("name") && what == Some(ServiceKind::Other) {
        keys.need::<()>("name", None, "\"what is done, and to what\"", faults);
    }
    let place = keys.at("every");
    let every = keys.value("every");
    let every = keys.need("every", every, "\"3 months\"", faults);
    let every = every.and_then(|value| {
        let interval = value.as_str().and_then(Interval::parse);
        if interval.is_none() {
            faults.push(wrong(
                &place,
                value,
                "a length of time in days, weeks, months or years, to 50 years: \"3 months\", \"90 d\"",
            ));
        }
        interval
    });
    let last = keys.date("last", faults);
    let place = keys.at("last");
    let note = keys.text("note", faults).unwrap_or_default();
    keys.close(faults);
    // The same date stands in two places of a file, and one of the two was forgotten.
    let calibrated = column
        .and_then(|column| instruments.get(&column)?.calibrated_on.as_deref())
        .and_then(|date| date.parse().ok());
    if let (Some(last), Some(calibrated), Some(column)) = (last, calibrated, column)
        && last != calibrated
    {
        faults.push(
            Fault::new(
                format!(
                    "[instruments] {} calibrated_on is {calibrated}",
                    column.name()
                ),
                "make the two the same, or remove this one",
            )
            .at_column(place)
            .with_value(last.to_string()),
        );
    }
    Some(Service {
        what: what?,
        of: column,
        name,
        every: every?,
        last: last.or(calibrated),
        note,
    })
}

/// A column that an instrument stands behind.
pub(super) fn column_of(word: &str) -> Result<Column, Fault> {
    let measured = |column: &Column| column.quantity() != Quantity::Switch;
    Column::from_name(word).filter(measured).ok_or_else(|| {
        let names = || {
            Column::ALL
                .iter()
                .filter(|column| measured(column))
                .map(|column| column.name())
        };
        let remedy = match nearest(word, names()) {
            Some(near) => format!("did you mean '{near}'?"),
            None => {
                "the name of a log's column; an instrument that is none: name = \"…\"".to_owned()
            }
        };
        Fault::new("not a column of a log", remedy).with_value(word)
    })
}
