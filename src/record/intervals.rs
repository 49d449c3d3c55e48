//! Counting the intervals in which the unit ran, and those that hold a reading.

use jiff::Timestamp;

use crate::log::time::zone_or_utc;
use crate::log::{Column, Log};
use crate::site::Site;

/// The rows of a log by train and stage, and whether the unit ran.
pub(super) struct Running {
    time: std::sync::Arc<Vec<i64>>,
    /// Rows of each train and stage, in time order.
    groups: Vec<Vec<usize>>,
    /// Rows by which the stages that a log has nothing of are counted, one a stage.
    without: Vec<Vec<usize>>,
    ran: Vec<bool>,
    /// Midnight before the first row.
    midnight_us: i64,
    /// Whether the site has several stages, which the log doesn't tell apart.
    pub stages_in_one: bool,
}

/// Intervals that were asked for, those that hold a reading, and the longest running time without one.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Count {
    pub asked: u64,
    pub held: u64,
    pub longest_gap_us: i64,
}

impl Running {
    pub fn of(log: &Log, site: &Site) -> Self {
        let table = &log.table;
        let (labels, group_of) = table.groups();
        let mut groups = vec![Vec::new(); labels.len()];
        for (row, group) in group_of.iter().enumerate() {
            groups[*group as usize].push(row);
        }
        let running = log.get(Column::Running).map(|series| &series.values[..]);
        // An empty cell leaves it to the flows, as in the analyses.
        let ran = (0..table.len())
            .map(|row| running.is_none_or(|of| of[row] != 0.0))
            .collect();
        let has_stages = table.labels[1].is_some();
        let mut without = Vec::new();
        if has_stages {
            let mut trains: Vec<&Option<String>> = Vec::new();
            for (group, rows) in labels.iter().zip(&groups) {
                if trains.contains(&&group.train) {
                    continue;
                }
                trains.push(&group.train);
                let there = labels
                    .iter()
                    .filter(|other| other.train == group.train)
                    .count();
                let lacking = site.stages.len().saturating_sub(there);
                without.extend(std::iter::repeat_n(rows.clone(), lacking));
            }
        }
        let first = table.time.iter().copied().min().unwrap_or_default();
        Self {
            time: table.time.clone(),
            groups,
            without,
            ran,
            midnight_us: midnight(first, &table.zone),
            stages_in_one: !has_stages && site.stages.len() > 1,
        }
    }

    /// What was taken for granted, in words.
    pub fn assumed(&self, log: &Log) -> String {
        let ran = match log.get(Column::Running) {
            Some(_) => "The unit is taken to go on as a row says until the next row.",
            None => {
                "The log has no running column: the unit is taken to have run from its first row to its last."
            }
        };
        let stages = match self.without.len() {
            0 => "",
            _ => " Stages of the site file that the log has nothing of count as not recorded.",
        };
        format!(
            "{ran} A shift is 8 h (common practice, no source), and shifts, half days, days and weeks run from midnight of the first day ({}). One is asked for where the unit ran for more than half of it; readings of a stopped unit don't count.{stages}",
            log.table.zone
        )
    }

    /// Counts intervals of this length over all trains and stages.
    pub fn count(&self, length_us: i64, has: &dyn Fn(usize) -> bool) -> Count {
        let mut total = Count::default();
        let nothing = |_: usize| false;
        let there = self.groups.iter().map(|rows| (rows, has));
        let lacking = self
            .without
            .iter()
            .map(|rows| (rows, &nothing as &dyn Fn(usize) -> bool));
        for (rows, has) in there.chain(lacking) {
            let found = self.count_group(rows, length_us, has);
            total.asked += found.asked;
            total.held += found.held;
            total.longest_gap_us = total.longest_gap_us.max(found.longest_gap_us);
        }
        total
    }

    fn count_group(&self, rows: &[usize], length_us: i64, has: &dyn Fn(usize) -> bool) -> Count {
        let mut count = Count::default();
        let place = |time: i64| time.saturating_sub(self.midnight_us).div_euclid(length_us);
        let starts = |place: i64| {
            self.midnight_us
                .saturating_add(place.saturating_mul(length_us))
        };
        // Of the interval that is open: which it is, how long the unit ran in it, whether it holds a reading.
        let (mut open, mut ran_us, mut held) = (i64::MIN, 0_i64, false);
        let close = |count: &mut Count, ran_us: i64, held: bool| {
            if ran_us.saturating_mul(2) > length_us {
                count.asked += 1;
                count.held += u64::from(held);
            }
        };
        let mut gap_us = 0_i64;
        let mut before: Option<usize> = None;
        for row in rows {
            let time = self.time[*row];
            let here = place(time);
            if let Some(before) = before {
                let (from, ran) = (self.time[before], self.ran[before]);
                if ran {
                    gap_us = gap_us.saturating_add(time.saturating_sub(from));
                    count.longest_gap_us = count.longest_gap_us.max(gap_us);
                }
                if here > open {
                    if ran {
                        ran_us = ran_us
                            .saturating_add(starts(open.saturating_add(1)).saturating_sub(from));
                    }
                    close(&mut count, ran_us, held);
                    // Those in between hold no row at all.
                    if ran {
                        count.asked += here.saturating_sub(open).saturating_sub(1).unsigned_abs();
                    }
                    ran_us = if ran {
                        time.saturating_sub(starts(here))
                    } else {
                        0
                    };
                    held = false;
                } else if ran {
                    ran_us = ran_us.saturating_add(time.saturating_sub(from));
                }
            }
            open = here;
            if self.ran[*row] && has(*row) {
                held = true;
                gap_us = 0;
            }
            before = Some(*row);
        }
        close(&mut count, ran_us, held);
        count
    }
}

/// Midnight at the start of the day of a time, in a zone.
fn midnight(time_us: i64, zone: &str) -> i64 {
    let zone = zone_or_utc(zone);
    let start = Timestamp::from_microsecond(time_us)
        .and_then(|stamp| zone.to_timestamp(zone.to_datetime(stamp).date().at(0, 0, 0, 0)));
    start.map_or(time_us, |start| start.as_microsecond())
}
