//! Whether the water or the settings became others: feed salinity, feed pressure, recovery.

use nalgebra::{Cholesky, DMatrix, DVector};

use crate::normalise::Normalised;
use crate::stats::median;
use crate::trend::Trend;
use crate::trend::points::{DAY, YEAR_US};

/// A condition that raw output depends on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Condition {
    /// Salt in the feed.
    FeedTds,
    /// Feed pressure.
    FeedPressure,
    /// Permeate over feed.
    Recovery,
}

/// How a condition moves by itself: season, walk in a year, scatter of weeks; and how large a change of it is. Logarithms;
/// common practice, no source.
struct Usual {
    season: f64,
    walk: f64,
    scatter: f64,
    change: f64,
}

impl Condition {
    /// All.
    pub const ALL: [Self; 3] = [Self::FeedTds, Self::FeedPressure, Self::Recovery];

    /// Its words.
    pub fn words(self) -> &'static str {
        match self {
            Self::FeedTds => "feed salinity",
            Self::FeedPressure => "feed pressure",
            Self::Recovery => "recovery",
        }
    }

    fn usual(self) -> Usual {
        match self {
            Self::FeedTds => Usual {
                season: 0.10,
                walk: 0.06,
                scatter: 0.03,
                change: 0.35,
            },
            // Operators turn it up as output falls: only what falls is a cause of less.
            Self::FeedPressure => Usual {
                season: 0.12,
                walk: 0.12,
                scatter: 0.02,
                change: 0.2,
            },
            Self::Recovery => Usual {
                season: 0.03,
                walk: 0.02,
                scatter: 0.015,
                change: 0.15,
            },
        }
    }
}

/// A change of a condition.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shift {
    /// Which.
    pub condition: Condition,
    /// By how much it changed for good, as a fraction.
    pub by: f64,
    /// When, µs since 1970.
    pub time_us: i64,
    /// The logarithm of how much likelier it makes the readings.
    pub log_ratio: f64,
}

/// The clearest change of each condition.
pub fn shifts(result: &Normalised, trend: &Trend, rows: &[usize]) -> Vec<Shift> {
    Condition::ALL
        .into_iter()
        .filter_map(|condition| shift(result, trend, rows, condition))
        .collect()
}

fn shift(
    result: &Normalised,
    trend: &Trend,
    rows: &[usize],
    condition: Condition,
) -> Option<Shift> {
    let start = *trend.points.time.first()?;
    let length = trend.points.time.last()? - start;
    let time = &result.log.table.time;
    let readings: Vec<(f64, f64)> = rows
        .iter()
        .filter(|row| result.reasons[**row].is_empty())
        .map(|row| {
            let at = result.inputs.conditions(*row);
            let value = match condition {
                Condition::FeedTds => at.feed_tds,
                Condition::FeedPressure => at.feed_pressure,
                Condition::Recovery => at.permeate_flow / at.feed_flow,
            };
            (time[*row] as f64 / YEAR_US - start, value.ln())
        })
        .filter(|(_, value)| value.is_finite())
        .collect();
    const BLOCKS: usize = 36;
    let wide = length.max(DAY) / BLOCKS as f64;
    let mut blocks: Vec<(f64, f64, f64)> = Vec::new();
    for block in readings.chunk_by(|a, b| (a.0 / wide).floor() == (b.0 / wide).floor()) {
        let middle = block.iter().map(|reading| reading.0).sum::<f64>() / block.len() as f64;
        let mut values: Vec<f64> = block.iter().map(|reading| reading.1).collect();
        blocks.push((middle, median(&mut values), block.len() as f64));
    }
    let size = blocks.len();
    if size < 6 {
        return None;
    }
    let usual = condition.usual();
    let mut covariance = DMatrix::zeros(size, size);
    for (row, a) in blocks.iter().enumerate() {
        for (column, b) in blocks.iter().enumerate() {
            let angle = std::f64::consts::TAU * (a.0 - b.0);
            covariance[(row, column)] = 1.0
                + usual.season * usual.season * angle.cos()
                + usual.walk * usual.walk * a.0.min(b.0)
                + if row == column {
                    usual.scatter * usual.scatter
                } else {
                    0.0
                };
        }
    }
    let factor = Cholesky::new(covariance)?;
    let values = DVector::from_iterator(size, blocks.iter().map(|block| block.1));
    let values = factor.l_dirty().solve_lower_triangular(&values)?;
    let mut best: Option<Shift> = None;
    let mut logs = Vec::new();
    for begin in 2..size - 2 {
        for ramp in [0.0, 0.1 * length] {
            let from = blocks[begin].0;
            let direction = DVector::from_iterator(
                size,
                blocks.iter().map(|block| {
                    if block.0 < from {
                        0.0
                    } else if ramp > 0.0 {
                        ((block.0 - from) / ramp).min(1.0)
                    } else {
                        1.0
                    }
                }),
            );
            let direction = factor.l_dirty().solve_lower_triangular(&direction)?;
            let (a, b) = (direction.dot(&direction), direction.dot(&values));
            let spread = usual.change * usual.change;
            let variance = 1.0 / (a + 1.0 / spread);
            let size_of_it = variance * b;
            let mut log = 0.5 * b * b * variance + 0.5 * (variance / spread).ln();
            if condition == Condition::FeedPressure && size_of_it > 0.0 {
                log = 0.5 * (variance / spread).ln();
            }
            logs.push(log);
            if best.is_none_or(|best| log > best.log_ratio) {
                best = Some(Shift {
                    condition,
                    by: size_of_it.exp_m1(),
                    time_us: ((from + start) * YEAR_US) as i64,
                    log_ratio: log,
                });
            }
        }
    }
    // The mean over all times, since none was known before.
    let best = best?;
    let sum: f64 = logs.iter().map(|log| (log - best.log_ratio).exp()).sum();
    Some(Shift {
        log_ratio: best.log_ratio + (sum / logs.len() as f64).ln(),
        ..best
    })
}
