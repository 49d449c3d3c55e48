//! The run of the tests over a log.

use std::sync::Arc;

use rayon::prelude::*;

use super::marks::{Marks, PIECE, Seen};
use super::readings::Readings;
use super::settings::ScreenSettings;
use super::usual::{OfGroup, Usual, rows_of_groups};
use super::visits::visits;
use super::{Reasons, joint, single, time};
use crate::error::{Error, Fault};
use crate::log::Log;
use crate::sensors::{self, Verdict, Verdicts};
use crate::site::Site;
use crate::table::Group;

/// What the tests found of the rows of one train and stage.
struct Found {
    /// Whether the unit ran.
    running: Vec<bool>,
    /// Tests that fail.
    failed: Vec<Reasons>,
    /// Tests that apply.
    judged: Vec<Reasons>,
}

/// What the user brings to the screening of a log beside the site file.
#[derive(Debug, Clone, Copy, Default)]
pub struct Chosen<'a> {
    /// Rows to set aside, whatever the tests say; one flag a row.
    pub set_aside: Option<&'a [bool]>,
    /// Rows to keep, whatever the tests say; one flag a row.
    pub keep: Option<&'a [bool]>,
    /// What is usual, where it was found before.
    pub usual: Option<&'a Usual>,
    /// Verdicts on instruments, where they were found before.
    pub verdicts: Option<&'a Verdicts>,
}

/// A log whose readings were looked at.
#[derive(Debug, Clone)]
pub struct Screened {
    /// The log, with the reasons for which rows are set aside.
    pub log: Log,
    /// Tests that each row failed, whether or not they set it aside.
    pub failed: Vec<Reasons>,
    /// Tests that applied to each row.
    pub judged: Vec<Reasons>,
    /// Rows the user kept though a test would set them aside.
    pub kept: Vec<usize>,
    /// What is usual.
    pub usual: Usual,
    /// What was found of the instruments.
    pub verdicts: Verdicts,
    /// How strict the tests were.
    pub settings: ScreenSettings,
}

/// How many rows a test took.
#[derive(Debug, Clone, PartialEq)]
pub struct TestCount {
    /// The test.
    pub test: Reasons,
    /// Its name in the site file.
    pub name: &'static str,
    /// What a failure means.
    pub words: &'static str,
    /// Rows that pass it.
    pub passed: usize,
    /// Rows that fail it.
    pub failed: usize,
    /// Rows to which it does not apply.
    pub not_applicable: usize,
    /// Rows that it sets aside: none where it is only told.
    pub set_aside: usize,
}

/// Screens a log by the site's settings.
///
/// # Errors
/// [`Error::Log`] where flags of rows are not as many as the rows, or a row is both set aside and kept.
///
/// ```
/// use brinemark::{log::{ReadOptions, read_log}, screen::{Chosen, screen}, site::{Site, TEMPLATE}};
/// # let path = std::env::temp_dir().join(format!("brinemark-screen-{}.csv", std::process::id()));
/// # std::fs::write(&path, "time,feed_pressure [bar],permeate_pressure [bar]\n2026-01-01T00:00Z,9.5,0.3\n2026-01-02T00:00Z,5.0,9.6\n2026-01-03T00:00Z,9.4,0.3\n").expect("written");
/// let log = read_log(&path, &ReadOptions::default())?;
/// let screened = screen(&log, &Site::parse(TEMPLATE)?, &Chosen::default())?;
/// assert_eq!(screened.failed[1].words(), "pressures in an order that can't be");
/// # std::fs::remove_file(&path).ok();
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn screen(log: &Log, site: &Site, chosen: &Chosen<'_>) -> Result<Screened, Error> {
    let settings = &site.screen;
    let rows = log.table.len();
    check(rows, chosen)?;
    let usual = match chosen.usual {
        Some(usual) => usual.clone(),
        None => Usual::find(log, site),
    };
    let groups = rows_of_groups(log);
    let mut found: Vec<Found> = groups
        .par_iter()
        .map(|(group, rows)| found_in(log, group, rows, &usual, site))
        .collect();
    let (mut failed, mut judged);
    if let [only] = found.as_mut_slice() {
        (failed, judged) = (
            std::mem::take(&mut only.failed),
            std::mem::take(&mut only.judged),
        );
    } else {
        (failed, judged) = (vec![Reasons::empty(); rows], vec![Reasons::empty(); rows]);
        for ((_, of_group), found) in groups.iter().zip(&found) {
            for (at, row) in of_group.iter().enumerate() {
                failed[*row] = found.failed[at];
                judged[*row] = found.judged[at];
            }
        }
    }
    let looks_at_sensors = !settings.off.contains(Reasons::SENSOR_STEP);
    let verdicts = match chosen.verdicts {
        Some(verdicts) => verdicts.clone(),
        None if looks_at_sensors => {
            let whole = |row: usize| (failed[row] - settings.tell - settings.off).is_empty();
            sensors::find(log, site, &groups, &whole)
        }
        None => Verdicts::default(),
    };
    if looks_at_sensors {
        for ((group, of_group), found) in groups.iter().zip(&found) {
            if !verdicts.judged.contains(group) {
                continue;
            }
            let sure = |verdict: &&Verdict| verdict.is_sure && verdict.group == *group;
            let mut sure: Vec<&Verdict> = verdicts.list.iter().filter(sure).collect();
            sure.sort_by_key(|verdict| verdict.column);
            let ran = of_group.iter().zip(&found.running);
            for (row, _) in ran.filter(|(_, running)| **running) {
                let time = log.table.time[*row];
                let off = sure
                    .chunk_by(|a, b| a.column == b.column)
                    .any(|of| sensors::off_at(of, time).abs() >= settings.sensor_step);
                judged[*row] |= Reasons::SENSOR_STEP;
                if off {
                    failed[*row] |= Reasons::SENSOR_STEP;
                }
            }
        }
    }
    let mut kept = Vec::new();
    let mut set_aside = Vec::with_capacity(rows);
    for row in 0..rows {
        let time = log.table.time[row];
        judged[row] -= settings.off;
        failed[row] -= settings.off;
        let by_user = chosen.set_aside.is_some_and(|flags| flags[row])
            || settings.set_aside.iter().any(|span| span.holds(time));
        judged[row] |= Reasons::BY_USER;
        if by_user {
            failed[row] |= Reasons::BY_USER;
        }
        let takes = failed[row] - settings.tell;
        let keep = chosen.keep.is_some_and(|flags| flags[row])
            || settings.keep.iter().any(|span| span.holds(time));
        if keep && !takes.is_empty() {
            kept.push(row);
        }
        set_aside.push(if keep { Reasons::empty() } else { takes });
    }
    Ok(Screened {
        log: Log {
            set_aside: Some(Arc::new(set_aside)),
            ..log.clone()
        },
        failed,
        judged,
        kept,
        usual,
        verdicts,
        settings: settings.clone(),
    })
}

/// The tests that need a row and its neighbours only.
fn found_in(log: &Log, group: &Group, rows: &[usize], usual: &Usual, site: &Site) -> Found {
    let readings = Readings::of(log, rows);
    let unknown = OfGroup {
        train: group.train.clone(),
        stage: group.stage.clone(),
        step_us: 0,
        readings: 0,
        figures: Vec::new(),
        water: None,
        salt: None,
        swing: None,
    };
    let usual = usual.of(group).unwrap_or(&unknown);
    let mut found = Found {
        running: time::running(&readings, usual),
        failed: vec![Reasons::empty(); rows.len()],
        judged: vec![Reasons::empty(); rows.len()],
    };
    let visits = visits(&readings.time, usual, site);
    let seen = Seen {
        readings: &readings,
        running: &found.running,
        visits: visits.as_deref(),
        usual,
        site,
    };
    let arch = pulp::Arch::new();
    let pieces = found.failed.par_chunks_mut(PIECE);
    pieces
        .zip(found.judged.par_chunks_mut(PIECE))
        .enumerate()
        .for_each(|(at, (failed, judged))| {
            let start = at * PIECE;
            let marks = Marks {
                rows: start..start + failed.len(),
                failed,
                judged,
            };
            arch.dispatch(Judge { seen: &seen, marks });
        });
    found
}

/// The tests of some rows, compiled once for each kind of processor with the widest instructions it has.
struct Judge<'a, 'b> {
    seen: &'a Seen<'a>,
    marks: Marks<'b>,
}

impl pulp::WithSimd for Judge<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(mut self, _: S) {
        time::judge(self.seen, &mut self.marks);
        single::judge(self.seen, &mut self.marks);
        joint::judge(self.seen, &mut self.marks);
    }
}

fn check(rows: usize, chosen: &Chosen<'_>) -> Result<(), Error> {
    for (name, flags) in [("set_aside", chosen.set_aside), ("keep", chosen.keep)] {
        if let Some(flags) = flags
            && flags.len() != rows
        {
            return Err(Error::Log(
                Fault::new(
                    format!("{} flags, where the log has {rows} readings", flags.len()),
                    "one flag a reading, in the log's order",
                )
                .at_column(name)
                .into(),
            ));
        }
    }
    if let (Some(set_aside), Some(keep)) = (chosen.set_aside, chosen.keep)
        && let Some(row) = (0..rows).find(|row| set_aside[*row] && keep[*row])
    {
        return Err(Error::Log(
            Fault::new("both set aside and kept", "one of the two")
                .at_row(row as u64 + 1)
                .into(),
        ));
    }
    Ok(())
}

impl Screened {
    /// How many rows each test took, for every test that applies to any.
    pub fn counts(&self) -> Vec<TestCount> {
        let rows = self.failed.len();
        let set_aside = self.log.set_aside.as_deref();
        Reasons::TESTS
            .iter()
            .map(|(test, name)| {
                let of =
                    |marks: &[Reasons]| marks.iter().filter(|marks| marks.contains(*test)).count();
                let (judged, failed) = (of(&self.judged), of(&self.failed));
                TestCount {
                    test: *test,
                    name,
                    words: Reasons::WORDS
                        .iter()
                        .find(|(reason, _)| reason == test)
                        .map_or("", |(_, words)| words),
                    passed: judged - failed,
                    failed,
                    not_applicable: rows - judged,
                    set_aside: set_aside.map_or(0, |rows| of(rows)),
                }
            })
            .collect()
    }

    /// What was set aside, in a sentence or two.
    pub fn sentence(&self) -> String {
        let rows = self.failed.len();
        let taken = self.log.set_aside.as_deref().map_or(0, |rows| {
            rows.iter().filter(|reasons| !reasons.is_empty()).count()
        });
        let mut counts = self.counts();
        counts.retain(|count| count.set_aside > 0);
        counts.sort_by_key(|count| std::cmp::Reverse(count.set_aside));
        let mut sentence = format!("{} of {rows} readings stand.", rows - taken);
        if taken > 0 {
            let words: Vec<String> = counts
                .iter()
                .map(|count| format!("{} ({})", count.words, count.set_aside))
                .collect();
            sentence += &format!(" Set aside: {}.", words.join(", "));
        }
        let told: Vec<String> = self
            .counts()
            .iter()
            .filter(|count| count.failed > 0 && self.settings.tell.contains(count.test))
            .map(|count| format!("{} ({})", count.words, count.failed))
            .collect();
        if !told.is_empty() {
            sentence += &format!(" Told, not set aside: {}.", told.join(", "));
        }
        if !self.kept.is_empty() {
            sentence += &format!(" Kept by the user against a test: {}.", self.kept.len());
        }
        sentence
    }
}
