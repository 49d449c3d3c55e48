//! How feed pressure swings, and over how many readings its mean holds still.

use serde::Serialize;

use crate::stats::median;

/// The swing of feed pressure.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Swing {
    /// After how many readings it is most like itself, where it clearly is.
    pub cycle: Option<usize>,
    /// The least number of readings, whole cycles of them, whose means hold still.
    pub still: usize,
    /// Robust standard deviation of single readings from one to the next, as a share.
    pub of_single: f64,
    /// The same of the means of so many.
    pub of_means: f64,
}

/// Means hold still where they scatter by no more than this share (common practice, no source): half of the feed pressure
/// or more may be osmotic, so that driving pressure is then known to 5 %.
const STILL: f64 = 0.025;
/// The longest window, in readings.
const LONGEST: usize = 64;
/// The longest cycle that is looked for, in readings.
const LONGEST_CYCLE: usize = 32;
/// How like itself it must be then, as a correlation.
const LIKE: f64 = 0.25;

impl Swing {
    /// Of stretches of readings without a stop or a gap.
    pub fn of(stretches: &[Vec<f64>]) -> Self {
        let level = median(&mut stretches.concat());
        let cycle = cycle(stretches);
        let unit = cycle.unwrap_or(1);
        let mut found = Self {
            cycle,
            still: unit,
            of_single: scatter(stretches, 1, level).unwrap_or(0.0),
            of_means: scatter(stretches, unit, level).unwrap_or(0.0),
        };
        for length in (unit..=LONGEST).step_by(unit) {
            let Some(of_means) = scatter(stretches, length, level) else {
                break;
            };
            (found.still, found.of_means) = (length, of_means);
            if of_means <= STILL {
                break;
            }
        }
        found
    }
}

/// How means of so many readings differ from one to the next within a stretch: what operators change between stretches is
/// no swing.
fn scatter(stretches: &[Vec<f64>], length: usize, level: f64) -> Option<f64> {
    let mut off: Vec<f64> = Vec::new();
    for stretch in stretches {
        let means: Vec<f64> = stretch
            .chunks_exact(length)
            .map(|part| part.iter().sum::<f64>() / length as f64)
            .collect();
        off.extend(means.windows(2).map(|pair| (pair[1] - pair[0]).abs()));
    }
    (off.len() >= 8).then(|| 1.4826 * median(&mut off) / 2.0_f64.sqrt() / level)
}

fn cycle(stretches: &[Vec<f64>]) -> Option<usize> {
    let like = |lag: usize| {
        let (mut product, mut square, mut pairs) = (0.0, 0.0, 0_usize);
        for stretch in stretches.iter().filter(|stretch| stretch.len() > 2 * lag) {
            let mean = stretch.iter().sum::<f64>() / stretch.len() as f64;
            for pair in stretch.windows(lag + 1) {
                product += (pair[0] - mean) * (pair[lag] - mean);
                square += ((pair[0] - mean).powi(2) + (pair[lag] - mean).powi(2)) / 2.0;
                pairs += 1;
            }
        }
        (pairs >= 4 * lag && square > 0.0).then(|| product / square)
    };
    let likeness: Vec<f64> = (0..=LONGEST_CYCLE)
        .map(|lag| like(lag).unwrap_or(f64::NAN))
        .collect();
    let peaks: Vec<usize> = (2..LONGEST_CYCLE)
        .filter(|lag| {
            let here = likeness[*lag];
            here > LIKE && here > likeness[lag - 1] && here >= likeness[lag + 1]
        })
        .collect();
    // After two cycles it is as like itself as after one.
    let best = peaks.iter().map(|lag| likeness[*lag]).fold(0.0, f64::max);
    peaks.into_iter().find(|lag| likeness[*lag] >= 0.9 * best)
}
