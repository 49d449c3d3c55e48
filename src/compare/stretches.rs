//! The stretches of a contrast as one regression: a line each, heights that move at cleanings, temperature.

use super::arms::Course;
use super::blocks::{block_length, draws};
use super::design::Piece;
use super::judge::student;
use super::measure::{Kind, Measure};
use super::regression::{Figure, Fit, LeastSquares, Part, Readings, fit, least_squares};
use super::{Method, Settings, refused};
use crate::error::Error;
use crate::stats::median;
use crate::trend::model::Prior;
use crate::trend::points::Quantity;

const YEAR: f64 = 365.25;
/// Days that a stretch must have, and a height between two cuts.
const FEWEST: usize = 10;
const FEWEST_OF_HEIGHT: usize = 3;
/// A day so many robust standard deviations off its neighbours is a slip of the pencil or a fault of an instrument.
const FAR: f64 = 6.0;

/// A contrast's figure, and what it stands on.
#[derive(Debug, Clone)]
pub(super) struct Found {
    /// Of rates, per year of the logarithm; of means, a logarithm.
    pub figure: Figure,
    /// Days used.
    pub days: usize,
    /// Days set aside, since they lie far off their neighbours.
    pub aside: usize,
    /// Standard deviation of a day.
    pub noise: f64,
    /// How much of that wanders, and for how long, d.
    pub wander: (f64, f64),
    /// Mean block length of the bootstrap, where that was used.
    pub block: Option<f64>,
}

/// One stretch's days.
pub(super) struct Stretch {
    pub time: Vec<f64>,
    pub value: Vec<f64>,
    slow: Vec<f64>,
    /// Which height each day has.
    height: Vec<usize>,
    heights: usize,
    aside: usize,
    is_pair: bool,
    weight: f64,
}

impl Stretch {
    pub fn of(
        piece: &Piece,
        courses: &[Course<'_>],
        measure: Measure,
        settings: &Settings,
    ) -> Result<Self, Error> {
        let own = &courses[piece.of];
        let mut cuts = own.cuts.clone();
        let mut days: Vec<(i64, f64, f64, f64)> = own
            .days
            .iter()
            .zip(own.logs(measure, &settings.prices()))
            .zip(own.slow_temperature())
            .map(|((day, log), slow)| (day.day, day.time, log, slow))
            .collect();
        let mut who = own.arm.words();
        if let Some(other) = piece.less.map(|less| &courses[less]) {
            let logs = other.logs(measure, &settings.prices());
            cuts.extend(&other.cuts);
            cuts.sort_by(f64::total_cmp);
            days.retain_mut(|(day, _, log, _)| {
                let found = other.days.binary_search_by_key(day, |of| of.day);
                if let Ok(at) = found {
                    *log -= logs[at];
                }
                found.is_ok()
            });
            who = format!("{who} beside {}", other.arm.words());
        }
        // What was done begins anew after the wash-out.
        let first =
            own.arm.span_us.0 as f64 / crate::trend::points::DAY_US as f64 + settings.washout_days;
        days.retain(|(_, time, log, _)| !log.is_nan() && *time >= first);
        let mut made = Self {
            time: Vec::new(),
            value: Vec::new(),
            slow: Vec::new(),
            height: Vec::new(),
            heights: 0,
            aside: 0,
            is_pair: piece.less.is_some(),
            weight: piece.weight,
        };
        let mut rest = days.as_slice();
        for cut in cuts.iter().copied().chain([f64::INFINITY]) {
            let (run, later) = rest.split_at(rest.partition_point(|(_, time, _, _)| *time < cut));
            rest = later;
            let near =
                near_neighbours(&run.iter().map(|(_, _, log, _)| *log).collect::<Vec<f64>>());
            let kept = near.iter().filter(|near| **near).count();
            if kept < FEWEST_OF_HEIGHT {
                made.aside += run.len();
                continue;
            }
            made.aside += run.len() - kept;
            for ((_, time, log, slow), _) in run.iter().zip(&near).filter(|(_, near)| **near) {
                made.time.push(*time);
                made.value.push(*log);
                made.slow.push(*slow);
                made.height.push(made.heights);
            }
            made.heights += 1;
        }
        if made.time.len() < FEWEST + made.heights {
            return Err(refused(
                format!(
                    "{}: {} days with {} for {who} are too few",
                    measure.name(),
                    made.time.len(),
                    measure.name()
                ),
                format!("{} at least", FEWEST + made.heights),
            ));
        }
        Ok(made)
    }

    /// Which height a day has.
    pub fn height_at(&self, at: usize) -> usize {
        self.height[at]
    }

    /// The heights of some days.
    pub fn heights_of(&self, start: usize, end: usize) -> std::ops::RangeInclusive<usize> {
        self.height[start]..=self.height[end - 1]
    }
}

/// Which values of a run lie near the middle of the six around each.
fn near_neighbours(values: &[f64]) -> Vec<bool> {
    let n = values.len();
    if n < 7 {
        return vec![true; n];
    }
    let off: Vec<f64> = (0..n)
        .map(|at| {
            let first = at.saturating_sub(3).min(n - 7);
            let mut around: Vec<f64> = (first..first + 7)
                .filter(|one| *one != at)
                .map(|one| values[one])
                .collect();
            values[at] - median(&mut around)
        })
        .collect();
    let spread = 1.4826 * median(&mut off.iter().map(|off| off.abs()).collect::<Vec<f64>>());
    off.iter()
        .map(|off| !(spread > 0.0) || off.abs() <= FAR * spread)
        .collect()
}

/// The regression of stretches, and the contrast that is asked of it.
fn regression(
    stretches: &[Stretch],
    measure: Measure,
    settings: &Settings,
) -> (Readings, Vec<f64>) {
    let days: usize = stretches.iter().map(|stretch| stretch.time.len()).sum();
    let mut readings = Readings::default();
    let mut contrast = Vec::new();
    for stretch in stretches {
        let first = readings.time.len();
        let n = stretch.time.len();
        readings.starts.push(first);
        readings.time.extend(&stretch.time);
        readings.value.extend(&stretch.value);
        let column = |of: &dyn Fn(usize) -> f64| {
            let mut column = vec![0.0; days];
            for at in 0..n {
                column[first + at] = of(at);
            }
            column
        };
        let middle = stretch.time.iter().sum::<f64>() / n as f64;
        readings
            .columns
            .push(column(&|at| (stretch.time[at] - middle) / YEAR));
        let is_rate = matches!(measure.kind(), Kind::Rate(_));
        contrast.push(if is_rate { stretch.weight } else { 0.0 });
        for height in 0..stretch.heights {
            let count = stretch.height.iter().filter(|one| **one == height).count();
            readings.columns.push(column(&|at| {
                f64::from(u8::from(stretch.height[at] == height))
            }));
            let share = count as f64 / n as f64;
            contrast.push(if is_rate { 0.0 } else { stretch.weight * share });
        }
    }
    // Of two trains on the same water temperature falls out; of one, its law may be off.
    if let Some(quantity) = measure.quantity()
        && stretches.iter().any(|stretch| !stretch.is_pair)
    {
        let slow: Vec<f64> = stretches
            .iter()
            .flat_map(|stretch| {
                stretch
                    .slow
                    .iter()
                    .map(|slow| if stretch.is_pair { f64::NAN } else { *slow })
            })
            .collect();
        let known: Vec<f64> = slow.iter().copied().filter(|slow| !slow.is_nan()).collect();
        let middle = known.iter().sum::<f64>() / known.len() as f64;
        let column = slow
            .iter()
            .map(|slow| if slow.is_nan() { 0.0 } else { slow - middle })
            .collect();
        readings.beforehand.push((
            readings.columns.len(),
            Prior::of(quantity, settings.constant(quantity)).constant,
        ));
        readings.columns.push(column);
        contrast.push(0.0);
    }
    (readings, contrast)
}

/// How much of a year's drift of a level, as trends know it, is a drift of instruments within a trial. Found on simulated
/// trials (studies/trials.py).
const OF_INSTRUMENTS: f64 = 2.0 / 3.0;

/// How far instruments drift in a year, as a standard deviation of a measure's logarithm.
pub(super) fn yearly_drift(measure: Measure) -> f64 {
    OF_INSTRUMENTS
        * Prior::of(
            measure.quantity().unwrap_or(Quantity::WaterPermeability),
            None,
        )
        .drift
}

/// What the drift of instruments between calibrations may add to a contrast: a random walk beneath each arm.
fn drift(stretches: &[Stretch], weights: &[f64], measure: Measure) -> f64 {
    let of = yearly_drift(measure);
    let mut first = 0;
    let mut variance = 0.0;
    for stretch in stretches {
        let n = stretch.time.len();
        let arms = if stretch.is_pair { 2.0 } else { 1.0 };
        let mut later = 0.0;
        for at in (1..n).rev() {
            // A new height takes up what had gathered: only what comes within one tells.
            if stretch.height[at] != stretch.height[at - 1] {
                later = 0.0;
                continue;
            }
            later += weights[first + at];
            variance +=
                arms * of * of * (stretch.time[at] - stretch.time[at - 1]) / YEAR * later * later;
        }
        first += n;
    }
    variance
}

/// A contrast of pieces.
///
/// # Errors
/// [`Error::Series`] where a stretch has too few days.
pub(super) fn contrast(
    pieces: &[Piece],
    courses: &[Course<'_>],
    measure: Measure,
    settings: &Settings,
) -> Result<Found, Error> {
    let stretches = pieces
        .iter()
        .map(|piece| Stretch::of(piece, courses, measure, settings))
        .collect::<Result<Vec<Stretch>, Error>>()?;
    let (readings, wanted) = regression(&stretches, measure, settings);
    let wanted = [wanted];
    let plain = least_squares(&readings, &wanted)?;
    let more = drift(&stretches, &plain.weights[0], measure);
    let whole: Fit = fit(&readings, &wanted, None)?;
    let sign = match measure.kind() {
        Kind::Rate(sign) => sign,
        Kind::Mean | Kind::Runs => 1.0,
    };
    let (figure, block) = match settings.method {
        Method::StateSpace => (whole.figures[0].clone(), None),
        Method::BlockBootstrap => {
            let (figure, block) = by_blocks(&plain, &readings, settings);
            (figure, Some(block))
        }
    };
    Ok(Found {
        figure: figure.widened(more).times(sign),
        days: readings.time.len(),
        aside: stretches.iter().map(|stretch| stretch.aside).sum(),
        noise: whole.deviation,
        wander: whole.wander(),
        block,
    })
}

/// The same contrast by least squares, its spread by blocks of what is left; Student's t with as many degrees of freedom as
/// there are blocks.
fn by_blocks(plain: &LeastSquares, readings: &Readings, settings: &Settings) -> (Figure, f64) {
    let n = readings.time.len();
    let mut ends: Vec<usize> = readings.starts.iter().skip(1).copied().collect();
    ends.push(n);
    let stretches: Vec<(usize, usize)> = readings.starts.iter().copied().zip(ends).collect();
    let lengths: Vec<f64> = stretches
        .iter()
        .map(|(start, end)| block_length(&plain.left[*start..*end]))
        .collect();
    let coefficients = readings.columns.len();
    let found = draws(
        &plain.left,
        &plain.weights[0],
        &stretches,
        &lengths,
        settings.draws,
        settings.seed,
    );
    let variance = found.iter().map(|one| one * one).sum::<f64>() / found.len().max(1) as f64;
    let block = lengths.iter().sum::<f64>() / lengths.len() as f64;
    let freedom = (n as f64 / block - coefficients as f64).max(3.0);
    // What is left of a line spreads less than what it was drawn through.
    let scale = (variance * n as f64 / (n - coefficients) as f64).sqrt();
    let figure = Figure(vec![Part {
        share: 1.0,
        mean: plain.contrasts[0],
        scale,
        freedom,
    }]);
    (figure, block)
}

/// Half the width of an interval.
pub(super) fn half_width(figure: &Figure, level: f64) -> f64 {
    0.5 * (figure.quantile(0.5 + 0.5 * level) - figure.quantile(0.5 - 0.5 * level))
}

/// The scale and the degrees of freedom of the one Student's t distribution that is about as wide as a mixture.
pub(super) fn about(figure: &Figure) -> (f64, f64) {
    let freedom = figure.0.first().map_or(1.0, |part| part.freedom);
    (half_width(figure, 0.90) / student(0.95, freedom), freedom)
}
