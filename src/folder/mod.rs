//! A site's folder: what one unit is, what was read of it and what was done to it, visit after visit.
//!
//! ```text
//! site.toml       the unit, described once
//! log.csv         its readings, a line a visit, in the site's own columns and units
//! services.csv    what was done, when, and by whom
//! start-up.json   what it made when new, where that was kept
//! mapping.toml    how log.csv is written, where that has to be said
//! torn.csv        lines that were cut while they were written
//! refused.csv     visits that were refused, with why
//! folder.lock     who is writing, and the line last written
//! before/         the files that log.csv was brought over from, as they were
//! ```
//!
//! What is acknowledged is on the disk. What a power cut left in part is found when the folder is next opened: it is moved to
//! `torn.csv` and told, and never taken for a reading.

mod make;
mod services;

use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;
use jiff::civil::Date;

use crate::error::{Error, Fault, Faults};
use crate::log::append::lines;
use crate::log::append::lock::Lock;
use crate::log::append::{self, Appended, Visit};
use crate::log::{ClockChange, Log, ReadOptions, read_log};
use crate::service::{self, Due};
use crate::site::Site;

pub use make::{Made, Making};
pub use services::Done;

/// The unit, described once.
pub const SITE_FILE: &str = "site.toml";
/// Its readings.
pub const LOG_FILE: &str = "log.csv";
/// What was done.
pub const SERVICES_FILE: &str = "services.csv";
/// What it made when new.
pub const START_UP_FILE: &str = "start-up.json";
/// How the log is written.
pub const MAPPING_FILE: &str = "mapping.toml";
/// Visits that were refused.
pub const REFUSED_FILE: &str = "refused.csv";
/// How long to wait for somebody else who is writing.
pub const WAIT: Duration = Duration::from_secs(10);

/// A site's folder, opened.
#[derive(Debug, Clone)]
pub struct SiteFolder {
    /// Where it is.
    pub path: PathBuf,
    /// The unit.
    pub site: Site,
    /// What was found and mended when it was opened, a sentence each.
    pub told: Vec<String>,
    options: ReadOptions,
}

impl SiteFolder {
    /// Opens a folder, and mends the ends of its files where a write was cut.
    ///
    /// # Errors
    /// [`Error::File`] where a file of it can't be read, or somebody else is writing; [`Error::Site`], [`Error::Log`] for the
    /// faults of its files.
    pub fn open(path: &Path) -> Result<Self, Error> {
        let site = Site::load(&path.join(SITE_FILE))?;
        let mapping = path.join(MAPPING_FILE);
        let mut options = if mapping.exists() {
            ReadOptions::load(&mapping)?
        } else {
            ReadOptions::default()
        };
        // Lines stand in the order in which they were added: a sheet may be typed in late.
        if options.clock_change != Some(ClockChange::ByOrder) {
            options.sort.get_or_insert(true);
        }
        let mut folder = Self {
            path: path.to_owned(),
            site,
            told: Vec::new(),
            options,
        };
        folder.told = folder.settle()?;
        Ok(folder)
    }

    /// Makes a folder, whole or not at all.
    ///
    /// # Errors
    /// [`Error::File`] where there is something already, or nothing can be written; the faults of site file and log.
    pub fn create(path: &Path, making: &Making) -> Result<Made, Error> {
        make::make(path, making)
    }

    /// How its log is read.
    pub fn options(&self) -> &ReadOptions {
        &self.options
    }

    fn file(&self, name: &str) -> PathBuf {
        self.path.join(name)
    }

    /// Mends what a cut write left; says what was done. A folder that can't be written is left as it is, if all is whole.
    fn settle(&self) -> Result<Vec<String>, Error> {
        let log = self.file(LOG_FILE);
        let Some(lock) = Lock::take(&self.path, WAIT, &somebody(None))? else {
            if append::ends_whole(&log, &self.options)? {
                return Ok(vec![format!(
                    "{} can't be written: it is read as it is, and no visit can be added",
                    self.path.display()
                )]);
            }
            return Err(Error::File(Fault::new(
                format!(
                    "{}: its last line has no end, and the folder can't be written",
                    log.display()
                ),
                "copy the folder to where you may write, and open it there",
            )));
        };
        let log = append::recover(&lock, &log, &self.options)?;
        let services = services::recover(&lock, &self.file(SERVICES_FILE))?;
        Ok(log.into_iter().chain(services).collect())
    }

    /// All readings, in the order of time; and what was mended before they were read, a sentence each.
    ///
    /// # Errors
    /// [`Error::Log`] where there is none yet, or one can't be read; as [`SiteFolder::open`].
    pub fn log(&self) -> Result<(Log, Vec<String>), Error> {
        let told = self.settle()?;
        let path = self.file(LOG_FILE);
        let log = read_log(&path, &self.options).map_err(|error| error.in_file(&path))?;
        Ok((log, told))
    }

    /// Adds a visit to the log. When this returns, it is on the disk.
    ///
    /// The same visit twice is recognised, and not written again.
    ///
    /// # Errors
    /// [`Error::NotAdded`] with every fault of the visit, or why it can't be written; the visit stands in the message and, where
    /// the folder can be written, in `refused.csv`.
    pub fn append(&self, visit: &Visit, wait: Duration) -> Result<Appended, Error> {
        let now = Timestamp::now().as_microsecond();
        self.locked(wait, visit.who.as_deref())
            .and_then(|mut lock| {
                append::append(&mut lock, &self.file(LOG_FILE), visit, &self.options, now)
            })
            .map_err(|error| self.not_added(error, visit.to_string()))
    }

    /// Notes that something was done. When this returns, it is on the disk.
    ///
    /// # Errors
    /// As [`SiteFolder::append`].
    pub fn service(&self, done: &Done, wait: Duration) -> Result<Appended, Error> {
        let today = jiff::tz::Offset::UTC.to_datetime(Timestamp::now()).date();
        self.locked(wait, done.who.as_deref())
            .and_then(|mut lock| {
                services::append(
                    &mut lock,
                    &self.file(SERVICES_FILE),
                    &self.site,
                    done,
                    today,
                )
            })
            .map_err(|error| self.not_added(error, done.to_string()))
    }

    /// All that was done, as `services.csv` has it.
    ///
    /// # Errors
    /// [`Error::Log`] with every fault of the file.
    pub fn services(&self) -> Result<Vec<Done>, Error> {
        services::read(&self.file(SERVICES_FILE))
    }

    /// What is due: of the site file's `last` and `services.csv`, the newer counts.
    ///
    /// # Errors
    /// As [`SiteFolder::services`].
    pub fn due(&self, on: Date) -> Result<Vec<Due>, Error> {
        let done = self.services()?;
        let last = |what, of: &str| {
            let same = done.iter().filter(|done| done.is_of(what, of));
            same.map(|done| done.date).max()
        };
        Ok(service::due_after(&self.site, on, &last))
    }

    fn locked(&self, wait: Duration, who: Option<&str>) -> Result<Lock, Error> {
        Lock::take(&self.path, wait, &somebody(who))?.ok_or_else(|| {
            Error::File(Fault::new(
                format!("{} can't be written", self.path.display()),
                "ask who keeps it for leave to, or add the visit to a copy",
            ))
        })
    }

    /// A refusal, with what was refused kept beside it.
    fn not_added(&self, error: Error, what: String) -> Error {
        let mut faults = Faults::default();
        error
            .faults()
            .into_iter()
            .for_each(|fault| faults.push(fault));
        let now = lines::now();
        let cells = [now, error.to_string(), what.clone()].map(String::into_bytes);
        let path = self.file(REFUSED_FILE);
        let kept = match lines::keep(&path, &["refused", "why", "what"], &cells) {
            Ok(()) => format!("It is kept in {}.", path.display()),
            Err(cause) => format!("It is kept nowhere but here: {cause}"),
        };
        Error::NotAdded { faults, what, kept }
    }
}

/// Who is writing, for those who wait.
fn somebody(who: Option<&str>) -> String {
    let of_system = || {
        ["USER", "USERNAME"]
            .iter()
            .find_map(|name| std::env::var(name).ok())
    };
    who.map(str::to_owned)
        .or_else(of_system)
        .filter(|who| !who.trim().is_empty())
        .unwrap_or_else(|| "somebody".to_owned())
}
