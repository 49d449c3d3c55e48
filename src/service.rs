//! What is due: calibrations, lamps, filters, by the intervals that the site file gives.
//!
//! No interval is invented. An instrument that the site file calls calibrated, without saying how often it shall be,
//! is listed without a date.

use jiff::civil::Date;

use crate::error::{Error, Fault};
use crate::site::{Service, ServiceKind, Site};

/// Something to be done, and when.
#[derive(Debug, Clone, PartialEq)]
pub struct Due {
    /// Its kind.
    pub what: ServiceKind,
    /// What it is done to: a column's name, or the site's own words; empty where the kind says enough.
    pub of: String,
    /// How often, as the site file says it; `None` where it gives no interval.
    pub every: Option<String>,
    /// When it was last done; `None`: never.
    pub last: Option<Date>,
    /// When it is due; `None` where it was never done (it is due now), or no interval is given.
    pub next: Option<Date>,
    /// Days until then; below zero where it is overdue.
    pub due_in_days: Option<i64>,
    /// In its users' words.
    pub note: String,
    /// All of that in a sentence.
    pub sentence: String,
}

impl Due {
    /// Days it is overdue by; `None` where it isn't.
    pub fn overdue_days(&self) -> Option<i64> {
        self.due_in_days.filter(|days| *days < 0).map(|days| -days)
    }

    /// Whether it was never done.
    pub fn never_done(&self) -> bool {
        self.last.is_none()
    }
}

/// What is due at a site, as of a date: what was never done first, then by date, last what has no interval.
///
/// Months are those of the calendar: 3 months after 30 November is the last day of February.
///
/// ```
/// use brinemark::{Site, service::due, site::TEMPLATE};
/// let site = Site::parse(&format!("{TEMPLATE}
/// [[service]]
/// what = \"prefilter\"
/// every = \"3 months\"
/// last = \"2025-11-30\"
/// "))?;
/// let found = &due(&site, "2026-03-07".parse().expect("a date"))[0];
/// assert_eq!(found.next, "2026-02-28".parse().ok());
/// assert_eq!(found.overdue_days(), Some(7));
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn due(site: &Site, on: Date) -> Vec<Due> {
    due_after(site, on, &|_, _| None)
}

/// As [`due`], where records beside the site file may tell of a later `last`: asked for by kind and what it is done to.
pub fn due_after(
    site: &Site,
    on: Date,
    last: &dyn Fn(ServiceKind, &str) -> Option<Date>,
) -> Vec<Due> {
    let mut found: Vec<Due> = site
        .service
        .iter()
        .map(|service| {
            let later = last(service.what, subject(service));
            of_service(service, service.last.max(later), on)
        })
        .collect();
    let has_interval = |column| {
        site.service
            .iter()
            .any(|service| service.of == Some(column))
    };
    for (column, instrument) in &site.instruments {
        let calibrated = instrument
            .calibrated_on
            .as_deref()
            .and_then(|date| date.parse().ok());
        if let Some(calibrated) = calibrated
            && !has_interval(*column)
        {
            let later = last(ServiceKind::Calibration, column.name());
            found.push(Due::of(
                ServiceKind::Calibration,
                column.name(),
                None,
                Some(calibrated).max(later),
                None,
                on,
                "",
            ));
        }
    }
    found.sort_by_key(|due| (due.every.is_none(), due.next, due.last));
    found
}

/// The date of "2026-11-26".
///
/// # Errors
/// [`Error::Site`] for anything else.
pub fn date(text: &str) -> Result<Date, Error> {
    text.parse().map_err(|_| {
        let fault = Fault::new("not a date", "write it as 2026-11-26");
        Error::Site(fault.at_column("on").with_value(text).into())
    })
}

/// What a service is done to.
fn subject(service: &Service) -> &str {
    match (&service.of, &service.name) {
        (Some(column), _) => column.name(),
        (None, name) => name.as_deref().unwrap_or_default(),
    }
}

fn of_service(service: &Service, last: Option<Date>, on: Date) -> Due {
    let next = last.map(|last| service.every.after(last));
    let every = Some(service.every.text.as_str());
    Due::of(
        service.what,
        subject(service),
        every,
        last,
        next,
        on,
        &service.note,
    )
}

impl Due {
    fn of(
        what: ServiceKind,
        of: &str,
        every: Option<&str>,
        last: Option<Date>,
        next: Option<Date>,
        on: Date,
        note: &str,
    ) -> Self {
        let due_in_days = next.map(|next| on.duration_until(next).as_hours() / 24);
        let subject = match (what, of) {
            (ServiceKind::Other, of) => of.to_owned(),
            (what, "") => what.name().to_owned(),
            (what, of) => format!("{} of {of}", what.name()),
        };
        let when = match (due_in_days, next, every) {
            (Some(0), ..) => "due today".to_owned(),
            (Some(days), Some(next), _) if days < 0 => {
                format!("{} overdue since {next}", plural(-days))
            }
            (Some(days), Some(next), _) => format!("due in {}, on {next}", plural(days)),
            (.., Some(_)) => "never done: due now".to_owned(),
            (.., None) => "no interval is given: whether it is due can't be told".to_owned(),
        };
        let every_words = every.map_or(String::new(), |every| format!("; every {every}"));
        let last_words = last.map_or(String::new(), |last| format!("; last done {last}"));
        let ahead = match last {
            Some(last) if last > on => ", which is after the date asked for: check it",
            _ => "",
        };
        Self {
            what,
            of: of.to_owned(),
            every: every.map(str::to_owned),
            last,
            next,
            due_in_days,
            note: note.to_owned(),
            sentence: format!("{subject}: {when}{every_words}{last_words}{ahead}"),
        }
    }
}

fn plural(days: i64) -> String {
    if days == 1 {
        "1 day".to_owned()
    } else {
        format!("{days} days")
    }
}
