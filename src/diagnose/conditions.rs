//! Whether the water or the settings became others: feed salinity, feed pressure, recovery.

use nalgebra::{Cholesky, DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, Normal};

use crate::normalise::Normalised;
use crate::stats::{log_sum, median};
use crate::trend::Trend;
use crate::trend::points::{DAY, Quantity, YEAR_US};

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

/// How a condition moves by itself: season, walk in a year, scatter of weeks. Logarithms; common practice, no source.
struct Usual {
    season: f64,
    walk: f64,
    scatter: f64,
    /// Whether somebody turns it so that the unit makes what it is meant to: with temperature and with water permeability.
    follows: bool,
}

/// Standard deviations of how far that goes: by temperature, K, and by the logarithm of water permeability.
const FOLLOWS: [f64; 2] = [3000.0, 1.0];

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

    /// The ways it may go, each as likely before: left alone, or turned as the unit needs it; steady water, or water that
    /// changes. Its own readings tell which.
    fn ways(self) -> Vec<Usual> {
        let way = |season, walk, scatter, follows| Usual {
            season,
            walk,
            scatter,
            follows,
        };
        match self {
            Self::FeedTds => vec![way(0.04, 0.03, 0.015, false), way(0.10, 0.08, 0.04, false)],
            Self::FeedPressure => {
                vec![way(0.005, 0.005, 0.007, false), way(0.05, 0.05, 0.04, true)]
            }
            Self::Recovery => vec![way(0.03, 0.02, 0.015, false)],
        }
    }

    /// Standard deviation of how much it changes where somebody or something changes it for good.
    fn change(self) -> f64 {
        match self {
            Self::FeedTds => 0.35,
            Self::FeedPressure => 0.2,
            Self::Recovery => 0.15,
        }
    }
}

/// A stretch of readings.
struct Block {
    /// Years from the first point.
    time: f64,
    /// The median of the condition's logarithm.
    value: f64,
    /// What somebody may turn it by: inverse temperature, 1/K, and the logarithm of water permeability against new.
    follows: [f64; 2],
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
    let water = trend.of(Quantity::WaterPermeability)?;
    let place = |time: f64| (time / wide).floor();
    let mut blocks: Vec<Block> = Vec::new();
    for block in readings.chunk_by(|a, b| place(a.0) == place(b.0)) {
        // Of the same days: how warm it was, and what the membranes let through.
        let days: Vec<usize> = (0..trend.points.len())
            .filter(|at| place(trend.points.time[*at] - start) == place(block[0].0))
            .collect();
        let mean = |of: &dyn Fn(usize) -> f64| {
            days.iter().map(|at| of(*at)).sum::<f64>() / days.len().max(1) as f64
        };
        blocks.push(Block {
            time: block.iter().map(|reading| reading.0).sum::<f64>() / block.len() as f64,
            value: median(&mut block.iter().map(|reading| reading.1).collect::<Vec<f64>>()),
            follows: [
                mean(&|at| trend.points.slow[at]),
                mean(&|at| water.change.value[at].ln_1p()),
            ],
        });
    }
    let size = blocks.len();
    if size < 6 {
        return None;
    }
    let spread = condition.change() * condition.change();
    // Of each way it may go: how likely the readings are as they would go by themselves, and with a change.
    let mut alone = Vec::new();
    let mut changed = Vec::new();
    let mut best: Option<(f64, f64, f64)> = None;
    for usual in condition.ways() {
        let covariance = DMatrix::from_fn(size, size, |row, column| {
            let (a, b) = (&blocks[row], &blocks[column]);
            let angle = std::f64::consts::TAU * (a.time - b.time);
            let together: f64 = (0..FOLLOWS.len())
                .filter(|_| usual.follows)
                .map(|at| FOLLOWS[at].powi(2) * a.follows[at] * b.follows[at])
                .sum();
            1.0 + usual.season * usual.season * angle.cos()
                + usual.walk * usual.walk * a.time.min(b.time)
                + together
                + if row == column {
                    usual.scatter * usual.scatter
                } else {
                    0.0
                }
        });
        let factor = Cholesky::new(covariance)?;
        let values = DVector::from_iterator(size, blocks.iter().map(|block| block.value));
        let values = factor.l_dirty().solve_lower_triangular(&values)?;
        let determinant: f64 = (0..size).map(|at| factor.l_dirty()[(at, at)].ln()).sum();
        let by_itself = -0.5 * values.dot(&values) - determinant;
        alone.push(by_itself);
        for begin in 2..size - 2 {
            for ramp in [0.0, 0.1 * length] {
                let from = blocks[begin].time;
                let direction = DVector::from_iterator(
                    size,
                    blocks.iter().map(|block| {
                        if block.time < from {
                            0.0
                        } else if ramp > 0.0 {
                            ((block.time - from) / ramp).min(1.0)
                        } else {
                            1.0
                        }
                    }),
                );
                let direction = factor.l_dirty().solve_lower_triangular(&direction)?;
                let (a, b) = (direction.dot(&direction), direction.dot(&values));
                let variance = 1.0 / (a + 1.0 / spread);
                let mut log = by_itself + 0.5 * b * b * variance + 0.5 * (variance / spread).ln();
                if condition == Condition::FeedPressure {
                    // Operators turn it up as output falls: only what falls is a cause of less.
                    let below = Normal::standard().cdf(-b * variance.sqrt());
                    log += (2.0 * below).max(f64::MIN_POSITIVE).ln();
                }
                changed.push(log);
                if best.is_none_or(|(best, ..)| log > best) {
                    best = Some((log, variance * b, from));
                }
            }
        }
    }
    let (_, by, from) = best?;
    // The mean over all times, since none was known before.
    let times = changed.len() as f64 / alone.len() as f64;
    Some(Shift {
        condition,
        by: by.exp_m1(),
        time_us: ((from + start) * YEAR_US) as i64,
        log_ratio: log_sum(&changed) - times.ln() - log_sum(&alone),
    })
}
