//! What is usual for a train and stage: the yardstick of the tests.

use serde::Serialize;

use super::joint::{salt_in_per_out, water_in_per_out};
use super::readings::Readings;
use super::swing::Swing;
use crate::log::{Column, Log};
use crate::site::Site;
use crate::stats::median;
use crate::table::Group;

/// What is usual, of each train and stage of a log.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Usual {
    /// One a train and stage.
    pub groups: Vec<OfGroup>,
}

/// What is usual for one train and stage.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OfGroup {
    /// The train, where the log tells.
    pub train: Option<String>,
    /// The stage, where the log tells.
    pub stage: Option<String>,
    /// Time from one reading to the next, µs; 0 for a single one.
    pub step_us: i64,
    /// Readings with the unit running.
    pub readings: usize,
    /// Of each column.
    pub figures: Vec<UsualFigure>,
    /// ln of feed flow over permeate and concentrate flow.
    pub water: Option<Closure>,
    /// ln of salt in over salt out.
    pub salt: Option<Closure>,
    /// Where feed pressure goes up and down from one reading to the next: how. Such a unit is steady over whole cycles at the
    /// best, and its readings are to be averaged over them.
    pub swing: Option<Swing>,
}

/// What is usual for one column, canonical units.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct UsualFigure {
    /// The column.
    pub column: Column,
    /// Its median.
    pub median: f64,
    /// Standard deviation of a single reading about its neighbours, by the absolute differences from the mean of the two: 1.4826
    /// times their median, or, where that is more, what nine of ten lie within over 1.645 (for normal scatter the
    /// same); either over √1.5.
    pub noise: f64,
    /// How often a reading shows the figure of the one before, a run of equal ones counted once.
    pub same: f64,
}

/// How a balance usually closes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Closure {
    /// Its median.
    pub median: f64,
    /// Its robust standard deviation.
    pub noise: f64,
}

/// Rows that are looked at to find what is usual; of a longer log evenly spread ones.
const ENOUGH: usize = 100_000;
/// A unit without pressure and flow of this share of the usual is off.
pub(super) const OFF_SHARE: f64 = 0.2;

impl Usual {
    /// What is usual in a log.
    ///
    /// ```
    /// use brinemark::{log::{ReadOptions, read_log}, screen::Usual, site::{Site, TEMPLATE}};
    /// # let path = std::env::temp_dir().join(format!("brinemark-usual-{}.csv", std::process::id()));
    /// # std::fs::write(&path, "time,feed_pressure [bar],permeate_flow [m3/h]\n2026-01-01T00:00Z,9.5,4\n2026-01-01T01:00Z,9.6,4.1\n2026-01-01T02:00Z,9.4,4\n").expect("written");
    /// let log = read_log(&path, &ReadOptions::default())?;
    /// let usual = Usual::find(&log, &Site::parse(TEMPLATE)?);
    /// assert_eq!(usual.groups[0].step_us, 3_600_000_000);
    /// # std::fs::remove_file(&path).ok();
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn find(log: &Log, site: &Site) -> Self {
        let groups = rows_of_groups(log)
            .into_iter()
            .map(|(group, rows)| of_group(&group, &Readings::of(log, &rows), site))
            .collect();
        Self { groups }
    }

    /// As JSON.
    pub fn to_json(&self) -> String {
        serde_json::to_string_pretty(self).unwrap_or_default()
    }

    /// That of a train and stage.
    pub fn of(&self, group: &Group) -> Option<&OfGroup> {
        self.groups
            .iter()
            .find(|known| known.train == group.train && known.stage == group.stage)
    }
}

impl OfGroup {
    /// That of a column.
    pub fn figure(&self, column: Column) -> Option<&UsualFigure> {
        self.figures.iter().find(|figure| figure.column == column)
    }
}

/// Feed pressure that scatters by more than this share from one reading to the next swings (common practice, no source).
const SWING: f64 = 0.05;

/// The groups of a log and their rows.
pub(crate) fn rows_of_groups(log: &Log) -> Vec<(Group, Vec<usize>)> {
    let (groups, codes) = log.table.groups();
    let mut rows: Vec<Vec<usize>> = vec![Vec::new(); groups.len()];
    for (row, code) in codes.iter().enumerate() {
        rows[*code as usize].push(row);
    }
    groups.into_iter().zip(rows).collect()
}

/// Of a sorted list, every so many that `ENOUGH` are left.
fn thinned<T>(items: Vec<T>) -> Vec<T> {
    let stride = items.len().div_ceil(ENOUGH).max(1);
    items.into_iter().step_by(stride).collect()
}

fn of_group(group: &Group, readings: &Readings<'_>, site: &Site) -> OfGroup {
    let steps = readings
        .time
        .windows(2)
        .map(|pair| pair[1].saturating_sub(pair[0]) as f64)
        .filter(|step| *step > 0.0);
    let step = median(&mut thinned(steps.collect()));
    let running = roughly_running(readings);
    let figures: Vec<UsualFigure> = readings
        .measured()
        .filter_map(|(column, values)| figure(column, values, &running))
        .collect();
    let swing = figures
        .iter()
        .find(|figure| figure.column == Column::FeedPressure)
        .filter(|pressure| pressure.noise > SWING * pressure.median)
        .map(|_| swing(readings, &running, step));
    let all = 0..readings.len();
    let closure = |in_per_out: Option<Vec<f64>>| {
        let closures = in_per_out?.into_iter().map(f64::ln).zip(&running);
        let known: Vec<f64> = closures
            .filter(|(closure, running)| **running && closure.is_finite())
            .map(|(closure, _)| closure)
            .collect();
        let mut known = thinned(known);
        if known.is_empty() {
            return None;
        }
        let middle = median(&mut known);
        let mut off: Vec<f64> = known
            .iter()
            .map(|closure| (closure - middle).abs())
            .collect();
        Some(Closure {
            median: middle,
            noise: 1.4826 * median(&mut off),
        })
    };
    OfGroup {
        train: group.train.clone(),
        stage: group.stage.clone(),
        step_us: if step.is_nan() { 0 } else { step as i64 },
        readings: running.iter().filter(|running| **running).count(),
        figures,
        water: closure(water_in_per_out(readings, all.clone())),
        salt: closure(salt_in_per_out(readings, site, all)),
        swing,
    }
}

/// The swing of feed pressure, in stretches without a stop or a gap; of a long log its first part.
fn swing(readings: &Readings<'_>, running: &[bool], step_us: f64) -> Swing {
    let mut stretches: Vec<Vec<f64>> = vec![Vec::new()];
    let pressures = readings.get(Column::FeedPressure).unwrap_or_default();
    let mut last = None;
    for (row, pressure) in pressures.iter().enumerate().take(ENOUGH) {
        let time = readings.time[row];
        let apart = last.is_some_and(|last: i64| time.saturating_sub(last) as f64 > 1.5 * step_us);
        if (apart || !running[row])
            && let Some(stretch) = stretches.last()
            && !stretch.is_empty()
        {
            stretches.push(Vec::new());
        }
        if running[row]
            && !pressure.is_nan()
            && let Some(stretch) = stretches.last_mut()
        {
            stretch.push(*pressure);
            last = Some(time);
        }
    }
    Swing::of(&stretches)
}

/// Whether the unit ran, before anything usual is known: as the log says, else by the highest tenth of pressure and flow.
fn roughly_running(readings: &Readings<'_>) -> Vec<bool> {
    let high = |column| {
        let values = readings.get(column)?;
        let mut known = thinned(
            values
                .iter()
                .copied()
                .filter(|value| *value > 0.0)
                .collect(),
        );
        known.sort_by(f64::total_cmp);
        known.get(known.len() * 9 / 10).copied()
    };
    is_running(
        readings,
        high(Column::FeedPressure).unwrap_or(f64::NAN),
        high(Column::PermeateFlow).unwrap_or(f64::NAN),
    )
}

/// Whether the unit ran: as the log says, else not where both pressure and flow are far below the usual.
pub(super) fn is_running(readings: &Readings<'_>, pressure: f64, flow: f64) -> Vec<bool> {
    let column = |column| readings.get(column);
    let (switch, pressures, flows) = (
        column(Column::Running),
        column(Column::FeedPressure),
        column(Column::PermeateFlow),
    );
    let far_below = |values: Option<&[f64]>, row: usize, usual: f64| {
        values.map(|values| values[row] < OFF_SHARE * usual)
    };
    (0..readings.len())
        .map(|row| match switch.map(|switch| switch[row]) {
            Some(switch) if !switch.is_nan() => switch != 0.0,
            _ => match (
                far_below(pressures, row, pressure),
                far_below(flows, row, flow),
            ) {
                (Some(pressure), Some(flow)) => !(pressure && flow),
                (Some(one), None) | (None, Some(one)) => !one,
                (None, None) => true,
            },
        })
        .collect()
}

fn figure(column: Column, values: &[f64], running: &[bool]) -> Option<UsualFigure> {
    let known = |row: usize| running[row] && !values[row].is_nan();
    let mut all = thinned(
        (0..values.len())
            .filter(|row| known(*row))
            .map(|row| values[row])
            .collect(),
    );
    if all.is_empty() {
        return None;
    }
    let inner = 1..values.len().saturating_sub(1);
    let between = inner
        .filter(|row| known(row - 1) && known(*row) && known(row + 1))
        .map(|row| (values[row] - 0.5 * (values[row - 1] + values[row + 1])).abs());
    let mut between = thinned(between.collect::<Vec<f64>>());
    let noise = if between.is_empty() {
        f64::NAN
    } else {
        // Where a part of the time is calmer than the rest, the middle tells too little: nine of ten tell of both.
        between.sort_by(f64::total_cmp);
        let of_most = between[between.len() * 9 / 10] / 1.645;
        (1.4826 * median(&mut between)).max(of_most) / 1.5_f64.sqrt()
    };
    // Runs of one figure, and those of two or more.
    let (mut runs, mut longer, mut length) = (0_usize, 0_usize, 0_usize);
    for row in 0..values.len() {
        if !known(row) {
            length = 0;
        } else if length > 0 && values[row] == values[row - 1] {
            length += 1;
            longer += usize::from(length == 2);
        } else {
            length = 1;
            runs += 1;
        }
    }
    Some(UsualFigure {
        column,
        median: median(&mut all),
        noise,
        same: longer as f64 / runs.max(1) as f64,
    })
}
