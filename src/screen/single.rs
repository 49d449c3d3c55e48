//! One instrument by itself: its range, what its quantity can be, stuck, spikes; and the site's limits.

use std::ops::Range;

use super::Reasons;
use super::marks::{Marks, Seen, extent};
use super::settings::ScreenSettings;
use super::usual::UsualFigure;
use crate::log::Column;
use crate::site::{Limit, possible};
use crate::units::Quantity;

/// Readings before and after a reading that a spike is told by.
const NEIGHBOURS: usize = 5;
/// They lie no further off than this many rows.
pub(super) const REACH: usize = 20;
/// No run shorter than this is stuck.
const SHORTEST_RUN: usize = 4;
/// Where readings repeat more often than this, nothing can be told from it.
const OFTEN_THE_SAME: f64 = 0.98;
/// Readings further apart than this are visits: what lies between is not known, µs.
const VISITS_US: i64 = 3 * 86_400_000_000;

/// The shortest run of one figure that is stuck, where it can be told: so long a run comes by chance about
/// `chance` times in the log. A run of n follows p^(n − 1), of which a log has as many as readings.
pub(super) fn stuck_run(usual: &UsualFigure, readings: usize, chance: f64) -> Option<usize> {
    if usual.same > OFTEN_THE_SAME || usual.noise == 0.0 && usual.same > 0.5 {
        return None;
    }
    let same = usual.same.max(0.01);
    let run = 1.0 + (chance / readings.max(1) as f64).ln() / same.ln();
    Some((run.ceil() as usize).max(SHORTEST_RUN))
}

/// The tests of one instrument.
struct Tests<'a> {
    values: &'a [f64],
    /// Those that every reading is put to.
    all: Reasons,
    /// What its quantity can be.
    possible: (f64, f64),
    /// At its upper end an instrument shows what it can, not what there is.
    range: Option<(f64, f64)>,
    limits: Option<(f64, f64)>,
    /// The shortest run that is stuck.
    stuck: Option<usize>,
    /// How far from its neighbours a reading is a spike.
    spike: Option<f64>,
}

#[inline(always)]
pub(super) fn judge(seen: &Seen<'_>, marks: &mut Marks<'_>) {
    let instruments: Vec<Tests<'_>> = seen
        .readings
        .measured()
        .map(|(column, values)| Tests::of(column, values, seen))
        .collect();
    for block in marks.blocks() {
        // Nearly always nothing is out of the common, which is seen at a glance.
        let around = block.start.saturating_sub(NEIGHBOURS)..block.end + NEIGHBOURS;
        let is_inner =
            around.len() == block.len() + 2 * NEIGHBOURS && around.end <= seen.running.len();
        let ran = is_inner && seen.ran(around.clone()) && !seen.has_visits(block.clone());
        let mut passed = Reasons::empty();
        for tests in &instruments {
            if ran && tests.is_calm(&tests.values[around.clone()]) {
                passed |= tests.all;
            } else {
                tests.judge(seen, block.clone(), marks);
            }
        }
        marks.pass(passed, block);
    }
    recovery_limit(seen, marks);
}

impl<'a> Tests<'a> {
    fn of(column: Column, values: &'a [f64], seen: &Seen<'_>) -> Self {
        let (site, usual, settings) = (seen.site, seen.usual, &seen.site.screen);
        let instrument = site.instruments.get(&column);
        // Of visits, nothing is told by what lies between.
        let figure = usual.figure(column).filter(|_| usual.step_us <= VISITS_US);
        let mut tests = Self {
            values,
            all: Reasons::IMPOSSIBLE_READING,
            possible: possible(column.quantity()),
            range: instrument.and_then(|instrument| instrument.range),
            limits: site.limits.get(column.name()).map(ends),
            stuck: figure
                .and_then(|figure| stuck_run(figure, usual.readings, settings.stuck_chance)),
            spike: figure.and_then(|figure| spike_size(column, figure, settings)),
        };
        for (is_put, test) in [
            (tests.range.is_some(), Reasons::OUT_OF_INSTRUMENT_RANGE),
            (tests.limits.is_some(), Reasons::OUTSIDE_LIMITS),
            (tests.stuck.is_some(), Reasons::STUCK),
            (tests.spike.is_some(), Reasons::SPIKE),
        ] {
            tests.all.set(test, is_put);
        }
        tests
    }

    /// Whether all readings of a unit that ran surely pass: those of some rows and their neighbours.
    #[inline(always)]
    fn is_calm(&self, around: &[f64]) -> bool {
        let Some((low, high)) = extent(around) else {
            return false;
        };
        low >= self.possible.0
            && high <= self.possible.1
            && self
                .range
                .is_none_or(|range| low >= range.0 && high < range.1)
            && self
                .limits
                .is_none_or(|ends| low >= ends.0 && high <= ends.1)
            && self.spike.is_none_or(|allowed| high - low <= allowed)
            && (self.stuck.is_none() || !repeats(around))
    }

    /// Puts the readings of some rows to each test.
    #[inline(always)]
    fn judge(&self, seen: &Seen<'_>, rows: Range<usize>, marks: &mut Marks<'_>) {
        let values = self.values;
        let (low, high) = self.possible;
        let test = Reasons::IMPOSSIBLE_READING;
        marks.judge_each(test, seen, rows.clone(), values, |value| {
            (value < low) | (value > high)
        });
        if let Some((low, high)) = self.range {
            let test = Reasons::OUT_OF_INSTRUMENT_RANGE;
            marks.judge_each(test, seen, rows.clone(), values, |value| {
                (value < low) | (value >= high)
            });
        }
        if let Some((low, high)) = self.limits {
            let test = Reasons::OUTSIDE_LIMITS;
            marks.judge_each(test, seen, rows.clone(), values, |value| {
                (value < low) | (value > high)
            });
        }
        if let Some(shortest) = self.stuck {
            stuck(seen, values, shortest, rows.clone(), marks);
        }
        if let Some(allowed) = self.spike {
            for row in rows {
                if let Some(spike) = is_spike(seen, values, allowed, row) {
                    marks.judge(Reasons::SPIKE, row, spike);
                }
            }
        }
    }
}

/// The ends of a limit, infinite where it has none.
fn ends(limit: &Limit) -> (f64, f64) {
    (
        limit.low.unwrap_or(f64::NEG_INFINITY),
        limit.high.unwrap_or(f64::INFINITY),
    )
}

/// How far from its neighbours a reading is a spike.
fn spike_size(column: Column, usual: &UsualFigure, settings: &ScreenSettings) -> Option<f64> {
    // A temperature's share of itself depends on where its scale begins.
    let scale = match column.quantity() {
        Quantity::Temperature => 20.0,
        _ => usual.median.abs(),
    };
    let allowed = (settings.spike_deviations * usual.noise).max(settings.spike_share * scale);
    (allowed > 0.0).then_some(allowed)
}

/// Runs of one figure at least as long as `shortest`, in some rows.
fn stuck(
    seen: &Seen<'_>,
    values: &[f64],
    shortest: usize,
    rows: Range<usize>,
    marks: &mut Marks<'_>,
) {
    marks.judge_each(Reasons::STUCK, seen, rows.clone(), values, |_| false);
    let before = rows.start.saturating_sub(SHORTEST_RUN - 1);
    let after = (rows.end + SHORTEST_RUN - 1).min(values.len());
    if !repeats(&values[before..after]) {
        return;
    }
    let goes_on = |row: usize| row > 0 && seen.running[row] && values[row] == values[row - 1];
    // A run is followed no further back, and no further on, than tells whether it is long enough.
    let mut start = rows.start;
    while rows.start - start < shortest && goes_on(start) {
        start -= 1;
    }
    while start < rows.end {
        let mut end = start + 1;
        while end < values.len() && (end < rows.end || end - start < shortest) && goes_on(end) {
            end += 1;
        }
        if end - start >= shortest {
            for row in start.max(rows.start)..end.min(rows.end) {
                if seen.knows(values, row) {
                    marks.judge(Reasons::STUCK, row, true);
                }
            }
        }
        start = end;
    }
}

/// Whether a figure stands anywhere as often in a row as the shortest run that can be stuck.
#[inline(always)]
fn repeats(values: &[f64]) -> bool {
    let runs = values.len().saturating_sub(SHORTEST_RUN - 1);
    let (first, second) = (&values[..runs], &values[1.min(values.len())..]);
    let mut found = false;
    for i in 0..runs {
        let [a, b, c, d] = [first[i], second[i], second[i + 1], second[i + 2]];
        found |= (a == b) & (b == c) & (c == d);
    }
    found
}

/// Whether a reading is a spike, where there are enough near it to tell: further than `allowed` above the median of those
/// before and of those after, or below both. That a reading lies above a median of five by more than something is that it
/// lies so above three of them: no median is needed.
#[inline(always)]
fn is_spike(seen: &Seen<'_>, values: &[f64], allowed: f64, row: usize) -> Option<bool> {
    if !seen.knows(values, row) || seen.is_visit(row) {
        return None;
    }
    let counts = |near: &[f64]| {
        let (mut over, mut under) = (0, 0);
        for other in near {
            let above = values[row] - other;
            over += i32::from(above > allowed);
            under += i32::from(above < -allowed);
        }
        (over, under)
    };
    let around = row.saturating_sub(NEIGHBOURS)..row + NEIGHBOURS + 1;
    let (before, after) = match values.get(around.clone()) {
        // Nearly always those next to it are known.
        Some(near) if near.len() > 2 * NEIGHBOURS && seen.ran(around) && extent(near).is_some() => {
            (counts(&near[..NEIGHBOURS]), counts(&near[NEIGHBOURS + 1..]))
        }
        _ => {
            let nearest = |rows: &mut dyn Iterator<Item = usize>| {
                let mut near = [0.0; NEIGHBOURS];
                let mut known = rows.filter(|other| seen.knows(values, *other));
                for value in &mut near {
                    *value = values[known.next()?];
                }
                Some(counts(&near))
            };
            let behind = row + 1..(row + REACH + 1).min(values.len());
            (
                nearest(&mut (row.saturating_sub(REACH)..row).rev())?,
                nearest(&mut behind.into_iter())?,
            )
        }
    };
    Some(before.0.min(after.0) >= 3 || before.1.min(after.1) >= 3)
}

/// The site may limit recovery, which is no column.
fn recovery_limit(seen: &Seen<'_>, marks: &mut Marks<'_>) {
    let column = |column| seen.readings.get(column);
    let (Some(limit), Some(made)) = (
        seen.site.limits.get("recovery"),
        column(Column::PermeateFlow),
    ) else {
        return;
    };
    let (low, high) = ends(limit);
    let (feed, rest) = (column(Column::FeedFlow), column(Column::ConcentrateFlow));
    for row in marks.rows.clone() {
        let fed = match (feed, rest) {
            (Some(feed), _) => feed[row],
            (None, Some(rest)) => rest[row] + made[row],
            (None, None) => return,
        };
        let recovery = made[row] / fed;
        if seen.running[row] && recovery.is_finite() {
            marks.judge(
                Reasons::OUTSIDE_LIMITS,
                row,
                recovery < low || recovery > high,
            );
        }
    }
}
