//! Means of readings over windows, for a unit that is never steady.
//!
//! Where pressure goes up and down from one reading to the next, pressure and flow of a row are not of the same instant, and no
//! single row can be normalised well. Means over whole cycles can: the inputs are averaged, then normalised. Rows that
//! the screening set aside are in no mean. Each stretch of readings without a stop or a gap is cut into equal windows, as
//! near the wanted length as goes, so that next to no reading is lost; salt is averaged as the flow that carries it.
//!
//! Flow follows the driving pressure in a straight line, which averaging respects; but not below none. While feed pressure is below
//! what the salt holds back, no water passes, in neither direction to speak of: such a pressure counts as the one at which none
//! passes, not as less (own reasoning; on plants that swing so far, the permeability otherwise comes out too high).

use std::sync::Arc;

use crate::baseline::stage_of;
use crate::error::{Error, Fault, within};
use crate::log::time::HOUR;
use crate::log::{Column, Log};
use crate::normalise::inputs::{Analysis, Inputs};
use crate::normalise::reading::Model;
use crate::screen::{Reasons, Swing, rows_of_groups};
use crate::site::Site;
use crate::stats::median;
use crate::table::{Labels, Series, Table};
use crate::units::Quantity;

/// A log of means.
#[derive(Debug, Clone)]
pub struct Averaged {
    /// The means, one row a window, at its middle. None of its rows is set aside.
    pub log: Log,
    /// Readings in each mean.
    pub counts: Vec<u32>,
    /// Readings that stood: those that the screening did not set aside.
    pub standing: usize,
    /// The wanted length of a window, µs.
    pub window_us: i64,
    /// Readings of a feed pressure below what the salt holds back, which were taken as that.
    pub held_back: usize,
    /// What was averaged, and why over this long.
    pub why: String,
}

/// A stretch shorter than this share of a window is no window.
const LEAST_SHARE: f64 = 0.75;
/// A gap longer than this many steps ends a stretch …
const GAP_STEPS: f64 = 3.5;
/// … and so does any reading at which the unit stood or was being changed. Single readings that were set aside for
/// themselves, a spike say, leave a hole in a stretch.
const ENDS: Reasons = Reasons::NOT_RUNNING
    .union(Reasons::STARTING)
    .union(Reasons::AFTER_GAP)
    .union(Reasons::FLUSHING)
    .union(Reasons::UNSTEADY);
impl Averaged {
    /// Readings that are in a mean, as a share of those that stood.
    pub fn kept(&self) -> f64 {
        let kept: u64 = self.counts.iter().map(|count| u64::from(*count)).sum();
        kept as f64 / self.standing.max(1) as f64
    }
}

/// Means of a log over windows of a length in hours; `None` chooses it from the readings ([`Averaged::why`] tells how).
///
/// # Errors
/// [`Error::Range`] for a window outside 0 to 8760 h; [`Error::Log`] where no stretch is as long as a window.
///
/// ```
/// use brinemark::{aggregate::average, log::{ReadOptions, read_log}, site::{Site, TEMPLATE}};
/// # let path = std::env::temp_dir().join(format!("brinemark-average-{}.csv", std::process::id()));
/// # std::fs::write(&path, "time,feed_pressure [bar]\n2026-01-01T00:00Z,40\n2026-01-01T00:01Z,60\n2026-01-01T00:02Z,42\n2026-01-01T00:03Z,58\n").expect("written");
/// let log = read_log(&path, &ReadOptions::default())?;
/// let means = average(&log, &Site::parse(TEMPLATE)?, Some(2.0 / 60.0))?;
/// assert_eq!(means.log.table.series("feed_pressure")?.values.to_vec(), [50.0, 50.0]);
/// # std::fs::remove_file(&path).ok();
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn average(log: &Log, site: &Site, window_h: Option<f64>) -> Result<Averaged, Error> {
    if let Some(window_h) = window_h {
        within("window", window_h, (1e-6, 8760.0), " h")?;
    }
    let time = &log.table.time;
    let why = |row: usize| {
        let set_aside = log.set_aside.as_ref();
        set_aside.map_or(Reasons::empty(), |reasons| reasons[row])
    };
    let groups = rows_of_groups(log);
    let mut steps: Vec<f64> = groups
        .iter()
        .flat_map(|(_, rows)| rows.windows(2))
        .map(|pair| time[pair[1]].saturating_sub(time[pair[0]]) as f64)
        .filter(|step| *step > 0.0)
        .collect();
    let step = median(&mut steps);
    // A single reading is a stretch of its own.
    let step = if step > 0.0 { step } else { HOUR };
    let mut stretches: Vec<Vec<usize>> = Vec::new();
    let mut standing = 0;
    for (_, rows) in &groups {
        let mut stretch: Vec<usize> = Vec::new();
        for row in rows {
            let goes_on = stretch.last().is_none_or(|last| {
                time[*row].saturating_sub(time[*last]) as f64 <= GAP_STEPS * step
            });
            if !goes_on || why(*row).intersects(ENDS) {
                stretches.push(std::mem::take(&mut stretch));
            }
            if why(*row).is_empty() {
                standing += 1;
                stretch.push(*row);
            }
        }
        stretches.push(stretch);
    }
    stretches.retain(|stretch| !stretch.is_empty());
    let (length, why) = match window_h {
        Some(hours) => (hours * HOUR / step, "as asked for".to_owned()),
        None => chosen(log, &stretches, step)?,
    };
    let windows: Vec<&[usize]> = stretches
        .iter()
        .flat_map(|stretch| parts(stretch, length))
        .collect();
    if windows.is_empty() {
        return Err(Error::Log(
            Fault::new(
                format!(
                    "no stretch of readings without a stop or a gap is as long as {}",
                    minutes(length * step)
                ),
                "a shorter window",
            )
            .into(),
        ));
    }
    let windows = in_order(log, &windows);
    let mut averaged = means(log, &windows);
    let held_back = hold_back(&mut averaged, log, site, &windows)?;
    Ok(Averaged {
        log: averaged,
        counts: windows.iter().map(|(_, rows)| rows.len() as u32).collect(),
        standing,
        held_back,
        window_us: (length * step) as i64,
        why: format!(
            "means over {} ({} readings, {} apart), {why}",
            minutes(length * step),
            length.round(),
            minutes(step)
        ),
    })
}

fn minutes(microseconds: f64) -> String {
    let minutes = microseconds / HOUR * 60.0;
    if minutes < 1.0 {
        format!("{:.0} s", minutes * 60.0)
    } else if minutes < 120.0 {
        format!("{:.0} min", minutes)
    } else {
        format!("{:.1} h", minutes / 60.0)
    }
}

/// A stretch in equal parts as near `length` as goes; none where it is much shorter.
fn parts(stretch: &[usize], length: f64) -> Vec<&[usize]> {
    let share = stretch.len() as f64 / length;
    if share < LEAST_SHARE {
        return Vec::new();
    }
    // No part is shorter than the least share of a window.
    let least = (LEAST_SHARE * length).ceil().max(1.0) as usize;
    let count = (share.round() as usize).clamp(1, (stretch.len() / least).max(1));
    (0..count)
        .map(|at| &stretch[stretch.len() * at / count..stretch.len() * (at + 1) / count])
        .collect()
}

/// The shortest window in which the means of feed pressure hold still, in readings; whole cycles where there is one.
fn chosen(log: &Log, stretches: &[Vec<usize>], step: f64) -> Result<(f64, String), Error> {
    let Some(pressure) = log.get(Column::FeedPressure) else {
        return Err(Error::MissingColumn(
            Fault::new(
                "the window is chosen from its swings, but it is not in the log",
                "say how long a window shall be",
            )
            .at_column(Column::FeedPressure.name())
            .into(),
        ));
    };
    let values: Vec<Vec<f64>> = stretches
        .iter()
        .map(|rows| {
            let of = rows.iter().map(|row| pressure.values[*row]);
            of.filter(|value| !value.is_nan()).collect()
        })
        .collect();
    let swing = Swing::of(&values);
    let cycles = swing.cycle.map_or_else(
        || "no cycle of whole readings shows".to_owned(),
        |cycle| format!("the swing repeats every {cycle} readings"),
    );
    Ok((
        swing.still as f64,
        format!(
            "chosen from feed pressure: it scatters by {:.1} % of itself from reading to reading and by {:.1} % from mean to mean; {cycles} ({} apart)",
            100.0 * swing.of_single,
            100.0 * swing.of_means,
            minutes(step)
        ),
    ))
}

/// The flow that carries a stream's salt.
fn carrier(column: Column) -> Option<Column> {
    match column {
        Column::FeedConductivity | Column::FeedTds => Some(Column::FeedFlow),
        Column::PermeateConductivity | Column::PermeateTds => Some(Column::PermeateFlow),
        Column::ConcentrateConductivity | Column::ConcentrateTds => Some(Column::ConcentrateFlow),
        _ => None,
    }
}

/// Windows and their middles, in the order of time, as any log.
fn in_order<'a>(log: &Log, windows: &[&'a [usize]]) -> Vec<(i64, &'a [usize])> {
    let middle = |rows: &[usize]| {
        let first = rows.first().map_or(0, |row| log.table.time[*row]);
        let sum: i128 = rows
            .iter()
            .map(|row| i128::from(log.table.time[*row]) - i128::from(first))
            .sum();
        first + (sum / rows.len().max(1) as i128) as i64
    };
    let mut windows: Vec<(i64, &[usize])> =
        windows.iter().map(|rows| (middle(rows), *rows)).collect();
    windows.sort_by_key(|(time, rows)| (*time, rows.first().copied()));
    windows
}

/// Takes feed pressures at which no water passes as the one at which it would begin to, where that can be worked out.
fn hold_back(
    averaged: &mut Log,
    log: &Log,
    site: &Site,
    windows: &[(i64, &[usize])],
) -> Result<usize, Error> {
    let analyses = [Analysis::PermeateFlow];
    let (Some(pressures), Ok(inputs)) = (
        log.get(Column::FeedPressure),
        Inputs::find(averaged, site, &analyses),
    ) else {
        return Ok(0);
    };
    let (groups, codes) = averaged.table.groups();
    let models = groups
        .iter()
        .map(|group| Model::of_analyses(site, stage_of(group, site), &analyses))
        .collect::<Result<Vec<Model>, Error>>()?;
    let Some(series) = averaged
        .table
        .series
        .iter_mut()
        .find(|series| series.name == Column::FeedPressure.name())
    else {
        return Ok(0);
    };
    let mut values = series.values.to_vec();
    let mut held_back = 0;
    for (at, (_, rows)) in windows.iter().enumerate() {
        let conditions = inputs.conditions(at);
        let Ok(state) = models[codes[at] as usize].state(&conditions) else {
            continue;
        };
        let none_passes = conditions.feed_pressure - state.net_driving_pressure;
        let known = rows
            .iter()
            .map(|row| pressures.values[*row])
            .filter(|pressure| !pressure.is_nan());
        let lifted: Vec<f64> = known
            .clone()
            .map(|pressure| pressure.max(none_passes))
            .collect();
        held_back += known.filter(|pressure| *pressure < none_passes).count();
        if !lifted.is_empty() {
            values[at] = lifted.iter().sum::<f64>() / lifted.len() as f64;
        }
    }
    series.values = values.into();
    Ok(held_back)
}

fn means(log: &Log, windows: &[(i64, &[usize])]) -> Log {
    let series = log.table.series.iter().map(|series| {
        let column = Column::from_name(&series.name);
        let carried = column.and_then(carrier).and_then(|flow| log.get(flow));
        let mean = |(_, rows): &(i64, &[usize])| {
            let (mut sum, mut weights) = (0.0, 0.0);
            for row in *rows {
                let value = series.values[*row];
                // Salt that no water carries, or backwards, does not count.
                let weight = carried.map_or(1.0, |flow| flow.values[*row].max(0.0));
                if !value.is_nan() && !weight.is_nan() {
                    sum += weight * value;
                    weights += weight;
                }
            }
            sum / weights
        };
        let switch = series.unit.quantity == Quantity::Number && column == Some(Column::Running);
        let values: Vec<f64> = windows
            .iter()
            .map(|window| {
                if switch {
                    f64::from(mean(window) > 0.5)
                } else {
                    mean(window)
                }
            })
            .collect();
        Series {
            name: series.name.clone(),
            unit: series.unit,
            values: values.into(),
        }
    });
    let labels = log.table.labels.clone().map(|labels| {
        labels.map(|labels| {
            Arc::new(Labels {
                words: labels.words.clone(),
                codes: windows
                    .iter()
                    .map(|(_, rows)| labels.codes[rows[0]])
                    .collect(),
            })
        })
    });
    Log {
        table: Table {
            time: Arc::new(windows.iter().map(|(time, _)| *time).collect()),
            zone: log.table.zone.clone(),
            labels,
            series: series.collect(),
        },
        set_aside: Some(Arc::new(vec![Reasons::empty(); windows.len()])),
        ..log.clone()
    }
}
