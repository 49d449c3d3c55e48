//! Screening a log that comes in blocks, with the same marks as in one piece.

use std::sync::Arc;

use super::run::{Chosen, Screened, screen};
use super::single::{REACH, stuck_run};
use super::time::steady_reach;
use super::usual::Usual;
use crate::error::Error;
use crate::log::Log;
use crate::log::time::HOUR;
use crate::sensors::Verdicts;
use crate::site::Site;

/// Screens block after block. A row is judged once enough rows behind it are known: each call gives back those rows, the
/// last one the rest. What is usual, and the verdicts on instruments, must be given: they are of the whole log.
pub struct Blocks {
    site: Arc<Site>,
    usual: Usual,
    verdicts: Verdicts,
    /// Rows at the front of `held` that were given back, and are kept as neighbours only.
    given: usize,
    held: Option<Log>,
    reach: usize,
    reach_us: i64,
}

impl Blocks {
    /// Starts with what is usual and what was found of the instruments.
    pub fn new(site: Arc<Site>, usual: Usual, verdicts: Verdicts) -> Self {
        let settings = &site.screen;
        let longest_run = usual
            .groups
            .iter()
            .flat_map(|group| {
                group
                    .figures
                    .iter()
                    .filter_map(|figure| stuck_run(figure, group.readings, settings.stuck_chance))
            })
            .max()
            .unwrap_or(0);
        // Rows of other trains and stages may stand between.
        let reach = longest_run
            .max(REACH + 1)
            .saturating_mul(usual.groups.len().max(1))
            .saturating_add(1);
        let of_swings = usual.groups.iter().map(steady_reach).max().unwrap_or(0);
        let reach_us = (settings.settle_h.max(settings.steady_window_h) * HOUR) as i64;
        let reach_us = reach_us.max(of_swings);
        Self {
            site,
            usual,
            verdicts,
            given: 0,
            held: None,
            reach,
            reach_us,
        }
    }

    /// The next block: what can be judged now.
    ///
    /// # Errors
    /// As [`screen`].
    pub fn push(&mut self, block: &Log) -> Result<Option<Screened>, Error> {
        let log = match self.held.take() {
            Some(held) => held.followed_by(block)?,
            None => block.clone(),
        };
        let rows = log.table.len();
        let ready = self.before(&log, rows).max(self.given);
        if ready == self.given {
            self.held = Some(log);
            return Ok(None);
        }
        let screened = self.judge(&log, self.given, ready)?;
        let from = self.before(&log, ready);
        self.given = ready - from;
        self.held = Some(log.rows(from..rows));
        Ok(Some(screened))
    }

    /// What is left.
    ///
    /// # Errors
    /// As [`screen`].
    pub fn finish(mut self) -> Result<Option<Screened>, Error> {
        let Some(log) = self.held.take() else {
            return Ok(None);
        };
        let rows = log.table.len();
        if rows == self.given {
            return Ok(None);
        }
        self.judge(&log, self.given, rows).map(Some)
    }

    /// The first row that lies within reach of `row`.
    fn before(&self, log: &Log, row: usize) -> usize {
        let by_rows = row.saturating_sub(self.reach);
        let time = &log.table.time;
        let Some(last) = row.checked_sub(1).and_then(|last| time.get(last)) else {
            return 0;
        };
        let early = last.saturating_sub(self.reach_us);
        // Times of several trains may be out of order by a little: the first row within reach is looked for from the front.
        let by_time = time.iter().position(|time| *time >= early).unwrap_or(0);
        // One more: what began between two rows shows at the second.
        by_rows.min(by_time).saturating_sub(1)
    }

    fn judge(&self, log: &Log, from: usize, to: usize) -> Result<Screened, Error> {
        let chosen = Chosen {
            usual: Some(&self.usual),
            verdicts: Some(&self.verdicts),
            ..Chosen::default()
        };
        let mut screened = screen(log, &self.site, &chosen)?;
        screened.log = screened.log.rows(from..to);
        for marks in [&mut screened.failed, &mut screened.judged] {
            marks.truncate(to);
            marks.drain(..from);
        }
        screened.kept.retain(|row| (from..to).contains(row));
        screened.kept.iter_mut().for_each(|row| *row -= from);
        Ok(screened)
    }
}
