//! Making a folder: blank, or with a log that there is already.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};

use super::{LOG_FILE, MAPPING_FILE, SERVICES_FILE, SITE_FILE, services};
use crate::error::{Error, Fault};
use crate::log::append::lines::{self, sync_folder};
use crate::log::append::rounded;
use crate::log::time::{show, time_zone, zone_or_utc};
use crate::log::{Column, LABELS, Log, ReadOptions, TIME, read_logs};
use crate::site::Site;
use crate::table::Series;
use crate::units::{Quantity, Unit};

/// What a folder is made of.
#[derive(Debug, Clone, Default)]
pub struct Making {
    /// The site file.
    pub site: PathBuf,
    /// The log there is already: its files, none where there is none.
    pub log: Vec<PathBuf>,
    /// How that is read.
    pub options: ReadOptions,
    /// The zone in which visits will be noted without saying so, where one is wanted.
    pub time_zone: Option<String>,
}

/// A folder that was made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Made {
    /// Readings brought over.
    pub readings: u64,
    /// What the user should know.
    pub told: Vec<String>,
}

/// Where the files that a log was brought over from are kept.
const BEFORE: &str = "before";
/// Who read it, and in what words: the last columns of the log, which no figure is read from.
const WORDS: [&str; 2] = ["who", "note"];

pub(super) fn make(path: &Path, making: &Making) -> Result<Made, Error> {
    let site = Site::load(&making.site)?;
    if let Some(zone) = &making.time_zone {
        time_zone(zone)?;
    }
    let log = match making.log.as_slice() {
        [] => None,
        files => Some(read_logs(files, &making.options, |_| {})?),
    };
    refuse_what_is_there(path)?;
    // Made beside its place and then moved there: it is whole, or not there at all.
    let parent = path
        .parent()
        .filter(|parent| !parent.as_os_str().is_empty());
    let parent = parent.unwrap_or(Path::new("."));
    let name = path
        .file_name()
        .map_or_else(|| "folder".into(), |name| name.to_string_lossy());
    let build = parent.join(format!(".{name}.making-{}", std::process::id()));
    fs::create_dir_all(&build).map_err(|cause| Error::file(&build, "written", cause))?;
    let made = fill(&build, &site, making, log.as_ref()).and_then(|made| {
        refuse_what_is_there(path)?;
        if path.exists() {
            fs::remove_dir(path).map_err(|cause| Error::file(path, "written", cause))?;
        }
        fs::rename(&build, path).map_err(|cause| Error::file(path, "written", cause))?;
        sync_folder(parent)?;
        Ok(made)
    });
    if made.is_err() {
        // It holds nothing that isn't elsewhere.
        let _ = fs::remove_dir_all(&build);
    }
    made
}

/// A folder with anything in it is left alone.
fn refuse_what_is_there(path: &Path) -> Result<(), Error> {
    let is_blank = match fs::read_dir(path) {
        Ok(mut entries) => entries.next().is_none(),
        Err(_) => !path.exists(),
    };
    if is_blank {
        return Ok(());
    }
    Err(Error::File(Fault::new(
        format!("{} is there already, and may hold readings", path.display()),
        "name a folder that isn't",
    )))
}

fn fill(build: &Path, site: &Site, making: &Making, log: Option<&Log>) -> Result<Made, Error> {
    let mut made = Made {
        readings: log.map_or(0, |log| log.table.len() as u64),
        told: Vec::new(),
    };
    // Byte for byte, comments and all.
    copy(&making.site, &build.join(SITE_FILE))?;
    write(
        &build.join(SERVICES_FILE),
        &lines::row(b',', "\n", &services::HEADER),
    )?;
    if let Some(zone) = &making.time_zone {
        write(
            &build.join(MAPPING_FILE),
            format!("time_zone = \"{zone}\"\n").as_bytes(),
        )?;
    }
    let text = match log {
        None => {
            let titles = site
                .log_titles()
                .into_iter()
                .chain(WORDS.map(str::to_owned));
            lines::row(b',', "\n", &titles.collect::<Vec<_>>())
        }
        Some(log) => {
            let folder = build.join(BEFORE);
            fs::create_dir(&folder).map_err(|cause| Error::file(&folder, "written", cause))?;
            for (at, file) in making.log.iter().enumerate() {
                let name = lines::name_of(file);
                let same = making.log[..at]
                    .iter()
                    .any(|other| lines::name_of(other) == name);
                let name = if same {
                    format!("{}-{name}", at + 1)
                } else {
                    name
                };
                copy(file, &folder.join(name))?;
            }
            sync_folder(&folder)?;
            made.told.push(format!(
                "{} readings were brought over; the files they came from are in {BEFORE}/, as they were.",
                made.readings
            ));
            if !log.left_out.is_empty() {
                made.told.push(format!(
                    "What is no reading brinemark knows is only there: {}.",
                    log.left_out.join(", ")
                ));
            }
            let (text, beside) = brought_over(site, log);
            if !beside.is_empty() {
                made.told.push(format!(
                    "Kept beside the site's own columns: {}.",
                    beside.join(", ")
                ));
            }
            text
        }
    };
    write(&build.join(LOG_FILE), &text)?;
    sync_folder(build)?;
    Ok(made)
}

/// A log in the site's columns and units, and the columns that it has beside them, in their own.
fn brought_over(site: &Site, log: &Log) -> (Vec<u8>, Vec<String>) {
    let table = &log.table;
    let mut columns: Vec<(String, Option<&Series>, &Unit)> = Vec::new();
    for of_site in site.log_columns() {
        let unit = of_site.unit;
        columns.push((
            title(of_site.column.name(), unit),
            log.get(of_site.column),
            unit,
        ));
    }
    let of_site = |series: &Series| {
        let mut known = site.log_columns().into_iter();
        known.any(|known| known.column.name() == series.name)
    };
    let mut beside = Vec::new();
    for series in table.series.iter().filter(|series| !of_site(series)) {
        beside.push(series.header());
        columns.push((series.header(), Some(series), series.unit));
    }
    let labels: Vec<_> = LABELS
        .iter()
        .zip(&table.labels)
        .filter_map(|(name, labels)| labels.as_deref().map(|labels| (*name, labels)))
        .collect();
    let titles: Vec<&str> = std::iter::once(TIME)
        .chain(labels.iter().map(|(name, _)| *name))
        .chain(columns.iter().map(|(title, ..)| title.as_str()))
        .chain(WORDS)
        .collect();
    let mut text = lines::row(b',', "\n", &titles);
    let zone = zone_or_utc(&table.zone);
    for row in 0..table.len() {
        let mut cells = vec![show(table.time[row], &zone)];
        cells.extend(labels.iter().map(|(_, labels)| labels.word(row).to_owned()));
        cells.extend(columns.iter().map(|(_, series, unit)| {
            series.map_or_else(String::new, |series| {
                let step = log.written_to.get(&series.name).copied();
                cell(series, row, unit, step)
            })
        }));
        cells.extend(WORDS.map(|_| String::new()));
        text.extend_from_slice(&lines::row(b',', "\n", &cells));
    }
    (text, beside)
}

fn title(name: &str, unit: &Unit) -> String {
    if unit.word.is_empty() {
        name.to_owned()
    } else {
        format!("{name} [{}]", unit.word)
    }
}

/// A figure in a unit: with the digits that bring it back where its own unit is the same or nobody knows how finely it was
/// written, else to two decimals beyond its last digit.
fn cell(series: &Series, row: usize, unit: &Unit, step: Option<f64>) -> String {
    let value = series.values[row];
    if value.is_nan() {
        return String::new();
    }
    if series.unit.quantity == Quantity::Switch || series.name == Column::Running.name() {
        return if value != 0.0 { "true" } else { "false" }.to_owned();
    }
    match step {
        Some(step) if series.unit != unit => {
            let step = unit.difference_from_canonical(series.unit.difference_to_canonical(step));
            rounded(unit.from_canonical(value), step.abs())
        }
        _ => unit.from_canonical(value).to_string(),
    }
}

fn copy(from: &Path, to: &Path) -> Result<(), Error> {
    let content = fs::read(from).map_err(|cause| Error::file(from, "read", cause))?;
    write(to, &content)
}

/// Writes a new file, and puts it on the disk.
fn write(path: &Path, content: &[u8]) -> Result<(), Error> {
    File::create_new(path)
        .and_then(|mut file| {
            file.write_all(content)?;
            file.sync_all()
        })
        .map_err(|cause| Error::file(path, "written", cause))
}
