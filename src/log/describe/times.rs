//! How a column writes its times.

use serde::Serialize;

use super::super::time::TimeReader;
use crate::log::options::ReadOptions;

/// Whether rows go forward in time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Order {
    /// The oldest first, as a log is read.
    OldestFirst,
    /// The newest first.
    NewestFirst,
    /// Neither: several trains or stages below each other, or rows out of place.
    Mixed,
}

impl Order {
    /// Its word.
    pub fn name(self) -> &'static str {
        match self {
            Self::OldestFirst => "oldest-first",
            Self::NewestFirst => "newest-first",
            Self::Mixed => "mixed",
        }
    }
}

/// How times are written.
#[derive(Debug, Clone)]
pub(super) struct Times {
    /// In strftime's words; `None` is ISO 8601.
    pub format: Option<String>,
    /// The format that fits as well, day and month exchanged.
    pub undecided: Option<String>,
    /// Whether each time states its offset.
    pub zone_stated: bool,
    /// Whether a time is a date alone.
    pub date_alone: bool,
    /// The middle step between rows that differ in time [h].
    pub step_h: Option<f64>,
    pub order: Order,
    /// Cells that don't fit.
    pub unreadable: usize,
    pub evidence: Vec<String>,
}

/// Dates in the order in which they are tried. Day and month stand in both orders; a year of two figures comes last.
const DATES: [&str; 16] = [
    "%Y/%m/%d",
    "%Y.%m.%d",
    "%d.%m.%Y",
    "%d/%m/%Y",
    "%m/%d/%Y",
    "%d-%m-%Y",
    "%m-%d-%Y",
    "%d.%m.%y",
    "%d/%m/%y",
    "%m/%d/%y",
    "%d-%m-%y",
    "%m-%d-%y",
    "%d-%b-%Y",
    "%d-%b-%y",
    "%d %b %Y",
    "%b %d, %Y",
];
const CLOCKS: [&str; 8] = [
    "%H:%M",
    "%H:%M:%S",
    "%H:%M:%S%.f",
    "%I:%M %p",
    "%I:%M:%S %p",
    "%H:%M:%S %z",
    "%H:%M %z",
    "%H.%M",
];
/// Years outside these are a wrong reading of the cell.
const YEARS_US: (i64, i64) = (0, 4_102_444_800_000_000);
const DAY_US: i64 = 86_400_000_000;
/// A column is one of times where this share of its cells fits.
const SHARE: f64 = 0.95;

/// How these cells, none of them missing, write times; `None` where they are none.
pub(super) fn recognise(cells: &[&str]) -> Option<Times> {
    let first = cells.first()?;
    // A plain figure may be a compact date to a reader of ISO 8601; here it is a figure.
    if first.parse::<f64>().is_ok() || !first.contains(|c: char| c.is_ascii_digit()) {
        return None;
    }
    let mut fits: Vec<Fit> = formats()
        .filter_map(|format| Fit::of(cells, format))
        .collect();
    let most = fits.iter().map(|fit| fit.times.len()).max()?;
    fits.retain(|fit| fit.times.len() == most);
    let mut evidence = Vec::new();
    let mut undecided = None;
    if let [a, b] = fits.as_slice() {
        let (a, b) = (a.clone(), b.clone());
        match earlier_or_later(&a, &b) {
            Some((better, why)) => {
                evidence.push(why);
                fits = vec![better];
            }
            None => {
                undecided = b.format.clone();
                fits = vec![a];
            }
        }
    }
    let fit = fits.into_iter().next()?;
    let steps = steps(&fit.times);
    let (forward, back) = (
        steps.iter().filter(|step| **step > 0).count(),
        steps.iter().filter(|step| **step < 0).count(),
    );
    let order = match (forward, back) {
        (_, 0) => Order::OldestFirst,
        (0, _) => Order::NewestFirst,
        _ => Order::Mixed,
    };
    Some(Times {
        date_alone: fit.times.iter().all(|time| time % DAY_US == 0),
        step_h: middle_step(&steps),
        format: fit.format,
        undecided,
        zone_stated: fit.zone_stated,
        order,
        unreadable: cells.len() - fit.times.len(),
        evidence,
    })
}

/// Whether these cells are times of a day without their date.
pub(super) fn times_of_day(cells: &[&str]) -> bool {
    let read = |format: &str, cell: &str| {
        jiff::fmt::strtime::parse(format, cell).is_ok_and(|parsed| parsed.to_time().is_ok())
    };
    !cells.is_empty()
        && ["%H:%M", "%H:%M:%S", "%I:%M %p", "%I:%M:%S %p"]
            .iter()
            .any(|format| cells.iter().all(|cell| read(format, cell)))
}

/// ISO 8601, then every date with every clock.
fn formats() -> impl Iterator<Item = Option<String>> {
    let written = DATES.iter().flat_map(|date| {
        std::iter::once((*date).to_owned())
            .chain(CLOCKS.iter().map(move |clock| format!("{date} {clock}")))
            .chain(std::iter::once(format!("{date}T%H:%M:%S")))
    });
    // A date alone, in ISO 8601 too, is read only where its format is told.
    let date_alone = std::iter::once("%Y-%m-%d".to_owned());
    std::iter::once(None).chain(date_alone.chain(written).map(Some))
}

/// The times of a column by one format.
#[derive(Debug, Clone)]
struct Fit {
    format: Option<String>,
    times: Vec<i64>,
    zone_stated: bool,
}

impl Fit {
    fn of(cells: &[&str], format: Option<String>) -> Option<Self> {
        let told = |zone: Option<&str>| ReadOptions {
            time_zone: zone.map(str::to_owned),
            time_format: format.clone(),
            ..ReadOptions::default()
        };
        let placed = TimeReader::new(&told(Some("UTC"))).ok()?;
        let bare = TimeReader::new(&told(None)).ok()?;
        let read = |cell: &&str| {
            let time = placed.read(cell).ok()?.time;
            (YEARS_US.0..=YEARS_US.1).contains(&time).then_some(time)
        };
        // Most formats fail at once: the first few cells spare reading all of them.
        let tried = cells.len().min(8);
        if cells.iter().take(tried).filter_map(read).count() * 2 < tried {
            return None;
        }
        let times: Vec<i64> = cells.iter().filter_map(read).collect();
        let zone_stated = cells
            .iter()
            .all(|cell| bare.read(cell).is_ok() || placed.read(cell).is_err());
        (times.len() as f64 >= SHARE * cells.len() as f64).then_some(Self {
            format,
            times,
            zone_stated,
        })
    }
}

/// Which of two orders of day and month the run of the times tells, and why.
fn earlier_or_later(a: &Fit, b: &Fit) -> Option<(Fit, String)> {
    let turns = |fit: &Fit| {
        let steps = steps(&fit.times);
        let back = steps.iter().filter(|step| **step < 0).count();
        let forward = steps.iter().filter(|step| **step > 0).count();
        back.min(forward)
    };
    let name = |fit: &Fit| fit.format.clone().unwrap_or_else(|| "ISO 8601".to_owned());
    for (better, worse) in [(a, b), (b, a)] {
        let (few, many) = (turns(better), turns(worse));
        if few == 0 && many > 0 {
            let why = format!(
                "read as {}, times turn back {many} times; as {} never",
                name(worse),
                name(better)
            );
            return Some((better.clone(), why));
        }
        // A logger that writes many times a day goes on from one day to the next, not to the next month's.
        let gap = |fit: &Fit| {
            steps(&fit.times)
                .iter()
                .map(|step| step.abs())
                .max()
                .unwrap_or(0)
        };
        let step = middle_step(&steps(&better.times)).unwrap_or(f64::INFINITY);
        if few <= many && step <= 12.0 && gap(better) <= 7 * DAY_US && gap(worse) >= 20 * DAY_US {
            let why = format!(
                "read as {}, the longest gap would be {} days; as {} it is {:.1}",
                name(worse),
                gap(worse) / DAY_US,
                name(better),
                gap(better) as f64 / DAY_US as f64
            );
            return Some((better.clone(), why));
        }
    }
    None
}

fn steps(times: &[i64]) -> Vec<i64> {
    times.windows(2).map(|pair| pair[1] - pair[0]).collect()
}

/// The median of the steps that are none of zero [h].
fn middle_step(steps: &[i64]) -> Option<f64> {
    let mut hours: Vec<f64> = steps
        .iter()
        .filter(|step| **step != 0)
        .map(|step| step.unsigned_abs() as f64 / super::super::time::HOUR)
        .collect();
    let middle = crate::stats::median(&mut hours);
    middle.is_finite().then_some(middle)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn format_of(cells: &[&str]) -> (Option<String>, Option<String>) {
        let times = recognise(cells).expect("times");
        (times.format, times.undecided)
    }

    #[test]
    fn a_day_above_twelve_tells_the_order() {
        let of = |cells: &[&str]| format_of(cells).0.unwrap_or_default();
        assert_eq!(
            of(&["03/01/2026 8:15", "13/01/2026 8:15"]),
            "%d/%m/%Y %H:%M"
        );
        assert_eq!(
            of(&["1/3/2026 8:15 AM", "1/13/2026 8:15 PM"]),
            "%m/%d/%Y %I:%M %p"
        );
        assert_eq!(
            of(&["03.01.26 08:15:00", "28.01.26 08:15:00"]),
            "%d.%m.%y %H:%M:%S"
        );
        assert_eq!(
            of(&["03-Jan-2026 08:15", "04-Jan-2026 08:15"]),
            "%d-%b-%Y %H:%M"
        );
    }

    #[test]
    fn order_of_day_and_month_from_the_run_of_times_or_undecided() {
        let (format, other) = format_of(&["01/02/2026", "02/02/2026", "03/02/2026"]);
        assert_eq!(
            (format.as_deref(), other.as_deref()),
            (Some("%d/%m/%Y"), Some("%m/%d/%Y"))
        );
        let (format, other) = format_of(&["11/01/2026", "12/01/2026", "01/02/2026"]);
        assert_eq!((format.as_deref(), other), (Some("%d/%m/%Y"), None));
        let hours = [
            "01/02/2026 22:00",
            "01/02/2026 23:00",
            "02/02/2026 00:00",
            "02/02/2026 01:00",
        ];
        let (format, other) = format_of(&hours);
        assert_eq!((format.as_deref(), other), (Some("%d/%m/%Y %H:%M"), None));
    }

    #[test]
    fn iso_times_and_what_is_no_time() {
        let times = recognise(&["2026-03-01T08:00:00+01:00", "2026-03-01T09:00:00+01:00"]).unwrap();
        assert!(times.zone_stated && times.format.is_none() && times.order == Order::OldestFirst);
        let times = recognise(&["2026-03-02 08:00", "2026-03-01 09:00"]).unwrap();
        assert!(!times.zone_stated && times.order == Order::NewestFirst);
        for cells in [
            &["12.5", "13"][..],
            &["20260301"],
            &["Smith", "Jones"],
            &["1,5", "2,5"],
            &["08:15"],
        ] {
            assert!(recognise(cells).is_none(), "{cells:?}");
        }
        assert!(times_of_day(&["08:15", "16:00"]) && !times_of_day(&["8.15"]));
    }
}
