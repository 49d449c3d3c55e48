//! Straight lines through readings whose noise hangs together: contrasts of their slopes and heights.
//!
//! y = X β + wander + noise. The wander is a first-order autoregression in continuous time (readings may be missing), the
//! noise independent from reading to reading: a state-space model of one state, which a Kalman filter whitens. The wander's
//! share of the variance and its memory are not fixed but weighed over a grid by the restricted likelihood, and a contrast is
//! a mixture of Student's t distributions, one a way the noise may be.

use nalgebra::{DMatrix, DVector};
use statrs::function::beta::beta_reg;

use crate::assess::Estimate;
use crate::error::{Error, Fault, setting};

/// Shares of the variance that wander.
const SHARES: [f64; 6] = [0.1, 0.25, 0.45, 0.65, 0.85, 0.97];
/// Correlation times of the wander, d.
const MEMORIES: [f64; 6] = [1.0, 2.0, 4.0, 8.0, 16.0, 32.0];
/// What wanders for longer than this, d, is thought less likely, in proportion: bubbles, valves and hands last days. Found on
/// simulated trials (studies/trials.py), so that nine in ten intervals hold the truth.
const USUAL_MEMORY: f64 = 4.0;
/// Ways less likely than this are passed over.
const LEAST_SHARE: f64 = 1e-6;
/// The longest correlation time there may be, as a share of a stretch: what wanders more slowly is the stretch's own course.
const LONGEST_MEMORY: f64 = 0.25;

/// One way the noise may be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// The share of its variance that wanders.
    pub share: f64,
    /// For how long, d.
    pub memory: f64,
}

/// Readings and what they are explained by. Stretches are independent of each other.
#[derive(Debug, Clone, Default)]
pub struct Readings {
    /// Times, d, rising within a stretch.
    pub time: Vec<f64>,
    /// The readings.
    pub value: Vec<f64>,
    /// What explains them, a column each.
    pub columns: Vec<Vec<f64>>,
    /// The first reading of each stretch.
    pub starts: Vec<usize>,
    /// Of some columns: how large their coefficient may be (a standard deviation about 0), by their place.
    pub beforehand: Vec<(usize, f64)>,
}

impl Readings {
    /// Refuses lengths that differ, times that fall and figures that are missing.
    ///
    /// # Errors
    /// [`Error::Series`] says which.
    pub fn check(&self, contrast: &[f64]) -> Result<(), Error> {
        let n = self.time.len();
        let refused =
            |problem: &str, remedy: &str| Err(Error::Series(Fault::new(problem, remedy).into()));
        if self.value.len() != n || self.columns.iter().any(|column| column.len() != n) {
            return refused(
                "times, values and columns differ in length",
                "as many of each",
            );
        }
        if contrast.len() != self.columns.len() {
            return refused(
                "weights and columns differ in number",
                "a weight for each column",
            );
        }
        if self.time.windows(2).any(|pair| pair[1] < pair[0]) {
            return refused("times fall", "put them in order");
        }
        let figures = self
            .columns
            .iter()
            .flatten()
            .chain(&self.time)
            .chain(&self.value)
            .chain(contrast);
        if figures.into_iter().any(|figure| !figure.is_finite()) {
            return refused("a figure is missing or infinite", "leave its row out");
        }
        Ok(())
    }
}

/// One of the Student's t distributions that a figure is a mixture of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Part {
    /// Its share.
    pub share: f64,
    /// Its middle.
    pub mean: f64,
    /// Its scale.
    pub scale: f64,
    /// Its degrees of freedom.
    pub freedom: f64,
}

/// A figure as a mixture of Student's t distributions.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure(pub Vec<Part>);

/// P(T < t) of Student's t distribution.
fn student_below(t: f64, freedom: f64) -> f64 {
    let x = freedom / (freedom + t * t);
    let tail = 0.5 * beta_reg(0.5 * freedom, 0.5, x.clamp(0.0, 1.0));
    if t > 0.0 { 1.0 - tail } else { tail }
}

impl Figure {
    /// A figure that is known.
    pub fn exactly(figure: f64) -> Self {
        Self(vec![Part {
            share: 1.0,
            mean: figure,
            scale: 0.0,
            freedom: 1e9,
        }])
    }

    /// As an estimate.
    ///
    /// # Errors
    /// [`Error::Range`] for a level outside 0.5 to 0.999.
    pub fn estimate(&self, level: f64, n: usize) -> Result<Estimate, Error> {
        setting("level", level, (0.5, 0.999), "")?;
        Ok(Estimate {
            value: self.mean(),
            low: self.quantile(0.5 - 0.5 * level),
            high: self.quantile(0.5 + 0.5 * level),
            level,
            unit: "",
            n,
            method: "mixture of Student's t distributions, one a way the noise may be",
            budget: None,
        })
    }

    /// Its mean.
    pub fn mean(&self) -> f64 {
        self.0.iter().map(|part| part.share * part.mean).sum()
    }

    /// Its standard deviation, of parts of more than two degrees of freedom.
    pub fn deviation(&self) -> f64 {
        let mean = self.mean();
        let variance: f64 = self
            .0
            .iter()
            .map(|part| {
                let spread = part.scale * part.scale * part.freedom / (part.freedom - 2.0).max(0.5);
                part.share * (spread + (part.mean - mean).powi(2))
            })
            .sum();
        variance.sqrt()
    }

    /// How much of it lies below a figure.
    pub fn below(&self, figure: f64) -> f64 {
        self.0
            .iter()
            .map(|part| {
                if part.scale > 0.0 {
                    part.share * student_below((figure - part.mean) / part.scale, part.freedom)
                } else {
                    part.share * f64::from(u8::from(part.mean < figure))
                }
            })
            .sum()
    }

    /// The figure below which this share of it lies.
    pub fn quantile(&self, share: f64) -> f64 {
        let (mean, deviation) = (self.mean(), self.deviation());
        if !(deviation > 0.0) {
            return mean;
        }
        // Wider and wider about the middle, until the share lies between.
        let mut wide = 4.0 * deviation;
        while self.below(mean - wide) > share || self.below(mean + wide) < share {
            wide *= 2.0;
            if !wide.is_finite() {
                return f64::NAN;
            }
        }
        let (mut low, mut high) = (mean - wide, mean + wide);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if self.below(middle) < share {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }

    /// How often it would be at least so far from 0 if its true value were 0.
    pub fn p(&self) -> f64 {
        let below = self.below(0.0);
        (2.0 * below.min(1.0 - below)).min(1.0)
    }

    /// The same with more independent variance.
    #[must_use]
    pub fn widened(mut self, variance: f64) -> Self {
        for part in &mut self.0 {
            part.scale = part.scale.hypot(variance.max(0.0).sqrt());
        }
        self
    }

    /// The same in other units.
    #[must_use]
    pub fn times(mut self, factor: f64) -> Self {
        for part in &mut self.0 {
            part.mean *= factor;
            part.scale *= factor.abs();
        }
        self
    }
}

/// A Kalman filter's gains, which depend on times alone.
struct Whitener {
    decay: Vec<f64>,
    gain: Vec<f64>,
    scale: Vec<f64>,
    log_determinant: f64,
}

impl Whitener {
    fn new(time: &[f64], starts: &[usize], noise: &Noise) -> Self {
        let n = time.len();
        let mut made = Self {
            decay: vec![0.0; n],
            gain: vec![0.0; n],
            scale: vec![1.0; n],
            log_determinant: 0.0,
        };
        let mut variance = noise.share;
        for at in 0..n {
            let decay = if starts.contains(&at) {
                0.0
            } else {
                (-(time[at] - time[at - 1]) / noise.memory).exp()
            };
            variance = decay * decay * variance + noise.share * (1.0 - decay * decay);
            let of_reading = (variance + 1.0 - noise.share).max(1e-12);
            let gain = variance / of_reading;
            made.decay[at] = decay;
            made.gain[at] = gain;
            made.scale[at] = of_reading.sqrt().recip();
            made.log_determinant += of_reading.ln();
            variance *= 1.0 - gain;
        }
        made
    }

    fn apply(&self, values: &[f64], out: &mut [f64]) {
        let mut state = 0.0;
        for at in 0..values.len() {
            state *= self.decay[at];
            let off = values[at] - state;
            out[at] = off * self.scale[at];
            state += self.gain[at] * off;
        }
    }
}

/// One way the noise may be, with all that doesn't depend on the readings.
struct Way {
    noise: Noise,
    whitener: Whitener,
    /// The whitened columns, times the inverse of the triangle R of X = Q R: so Q itself.
    basis: DMatrix<f64>,
    /// R⁻ᵀ c of each contrast: the contrast of the coefficients is this times Qᵀ y.
    loads: Vec<DVector<f64>>,
    /// Of the likelihood, all that doesn't depend on the readings.
    log_constant: f64,
}

/// A regression made ready for its contrasts: readings come in afterwards, each set at a cost linear in their number.
pub struct Ready {
    ways: Vec<Way>,
    /// Readings, and rows that tell what is thought beforehand.
    rows: usize,
    coefficients: usize,
}

/// What a regression tells.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The contrasts.
    pub figures: Vec<Figure>,
    /// Standard deviation of the noise, all of it.
    pub deviation: f64,
    /// The ways the noise may be, and how likely each is.
    pub noise: Vec<(Noise, f64, f64)>,
    /// Readings less coefficients.
    pub freedom: usize,
}

impl Fit {
    /// Mean share of the variance that wanders, and the mean of its memory, d.
    pub fn wander(&self) -> (f64, f64) {
        let share: f64 = self.noise.iter().map(|(noise, _, p)| p * noise.share).sum();
        let weighed: f64 = self
            .noise
            .iter()
            .map(|(noise, _, p)| p * noise.share * noise.memory)
            .sum();
        (share, if share > 0.0 { weighed / share } else { 0.0 })
    }
}

/// The ways the noise of stretches so long, d, may be, and how likely each is thought beforehand: no wander as likely as each
/// share of it.
fn ways_of(longest: f64) -> Vec<(Noise, f64)> {
    let memories: Vec<(f64, f64)> = MEMORIES
        .iter()
        .filter(|memory| **memory <= (LONGEST_MEMORY * longest).max(1.0))
        .map(|memory| (*memory, (USUAL_MEMORY / memory).min(1.0)))
        .collect();
    let none = Noise {
        share: 0.0,
        memory: 1.0,
    };
    let mut ways = vec![(none, memories.iter().map(|(_, likely)| likely).sum())];
    for share in SHARES {
        ways.extend(memories.iter().map(|(memory, likely)| {
            let noise = Noise {
                share,
                memory: *memory,
            };
            (noise, *likely)
        }));
    }
    ways
}

impl Ready {
    /// Of these columns and contrasts. `deviation`: about how large the noise is, against which what is thought beforehand is
    /// weighed. `noise`: the ways it may be; `None`: all that its stretches are long enough for.
    ///
    /// # Errors
    /// [`Error::Series`] where there are too few readings, or columns that can't be told apart.
    pub fn new(
        readings: &Readings,
        contrasts: &[Vec<f64>],
        deviation: f64,
        noise: Option<&[Noise]>,
    ) -> Result<Self, Error> {
        let (n, p) = (readings.time.len(), readings.columns.len());
        let rows = n + readings.beforehand.len();
        if rows < p + 2 {
            return Err(too_few(n, p));
        }
        let mut ends: Vec<usize> = readings.starts.iter().skip(1).copied().collect();
        ends.push(n);
        let longest = readings
            .starts
            .iter()
            .zip(&ends)
            .map(|(start, end)| readings.time[end - 1] - readings.time[*start])
            .fold(0.0, f64::max);
        let all = match noise {
            Some(given) => given.iter().map(|noise| (*noise, 1.0)).collect(),
            None => ways_of(longest),
        };
        let mut ways = Vec::new();
        for (noise, likely) in &all {
            let whitener = Whitener::new(&readings.time, &readings.starts, noise);
            let mut columns = DMatrix::zeros(rows, p);
            let mut out = vec![0.0; n];
            for (at, column) in readings.columns.iter().enumerate() {
                whitener.apply(column, &mut out);
                columns.column_mut(at).as_mut_slice()[..n].copy_from_slice(&out);
            }
            for (row, (place, size)) in readings.beforehand.iter().enumerate() {
                columns[(n + row, *place)] = deviation / size;
            }
            let scale: Vec<f64> = columns.column_iter().map(|column| column.norm()).collect();
            let qr = columns.qr();
            let (basis, triangle) = (qr.q(), qr.r());
            let diagonal = triangle.diagonal();
            if diagonal
                .iter()
                .zip(&scale)
                .any(|(found, scale)| !(found.abs() > 1e-9 * scale))
            {
                return Err(Error::Series(
                    Fault::new(
                        "the readings can't tell apart what explains them",
                        "longer stretches, with readings on more days",
                    )
                    .into(),
                ));
            }
            let transposed = triangle.transpose();
            let loads = contrasts
                .iter()
                .filter_map(|contrast| {
                    transposed.solve_lower_triangular(&DVector::from_column_slice(contrast))
                })
                .collect();
            let log_constant = likely.ln()
                - 0.5 * whitener.log_determinant
                - diagonal.iter().map(|one| one.abs().ln()).sum::<f64>();
            ways.push(Way {
                noise: *noise,
                whitener,
                basis,
                loads,
                log_constant,
            });
        }
        Ok(Self {
            ways,
            rows,
            coefficients: p,
        })
    }

    /// The contrasts of one set of readings.
    pub fn fit(&self, values: &[f64]) -> Fit {
        let freedom = self.rows - self.coefficients;
        let mut whitened = DVector::zeros(self.rows);
        let mut found = Vec::with_capacity(self.ways.len());
        for way in &self.ways {
            way.whitener
                .apply(values, &mut whitened.as_mut_slice()[..values.len()]);
            let along = way.basis.tr_mul(&whitened);
            let left = (&whitened - &way.basis * &along).norm_squared();
            let variance = left / freedom as f64;
            let contrasts: Vec<(f64, f64)> = way
                .loads
                .iter()
                .map(|load| (load.dot(&along), (variance * load.norm_squared()).sqrt()))
                .collect();
            let likelihood =
                way.log_constant - 0.5 * freedom as f64 * left.max(f64::MIN_POSITIVE).ln();
            found.push((likelihood, variance, contrasts));
        }
        let most = found
            .iter()
            .map(|(l, _, _)| *l)
            .fold(f64::NEG_INFINITY, f64::max);
        let weights: Vec<f64> = found.iter().map(|(l, _, _)| (l - most).exp()).collect();
        let total: f64 = weights.iter().sum();
        let shares: Vec<f64> = weights.iter().map(|weight| weight / total).collect();
        let kept: f64 = shares.iter().filter(|share| **share > LEAST_SHARE).sum();
        let figure = |which: usize| {
            Figure(
                found
                    .iter()
                    .zip(&shares)
                    .filter(|(_, share)| **share > LEAST_SHARE)
                    .map(|((_, _, contrasts), share)| Part {
                        share: share / kept,
                        mean: contrasts[which].0,
                        scale: contrasts[which].1,
                        freedom: freedom as f64,
                    })
                    .collect(),
            )
        };
        let contrasts = self.ways.first().map_or(0, |way| way.loads.len());
        Fit {
            figures: (0..contrasts).map(figure).collect(),
            deviation: found
                .iter()
                .zip(&shares)
                .map(|((_, variance, _), share)| share * variance)
                .sum::<f64>()
                .sqrt(),
            noise: self
                .ways
                .iter()
                .zip(&found)
                .zip(&shares)
                .map(|((way, (_, variance, _)), share)| (way.noise, variance.sqrt(), *share))
                .collect(),
            freedom,
        }
    }
}

fn too_few(n: usize, p: usize) -> Error {
    Error::Series(
        Fault::new(
            format!("{n} readings for {p} coefficients are too few"),
            format!("{} at least", p + 2),
        )
        .into(),
    )
}

/// Contrasts of the coefficients of a regression.
///
/// `noise`: the ways the noise may be; `None` weighs all of them; of independent readings, one of share 0.
///
/// # Errors
/// [`Error::Series`] where there are too few readings, or columns that can't be told apart.
pub fn fit(
    readings: &Readings,
    contrasts: &[Vec<f64>],
    noise: Option<&[Noise]>,
) -> Result<Fit, Error> {
    let line = least_squares(readings, contrasts)?;
    Ok(Ready::new(readings, contrasts, line.deviation, noise)?.fit(&readings.value))
}

/// Plain least squares, as a linear rule: what every reading weighs in each contrast.
pub struct LeastSquares {
    /// The contrasts.
    pub contrasts: Vec<f64>,
    /// The weight of each reading in each contrast.
    pub weights: Vec<Vec<f64>>,
    /// What is left of each reading.
    pub left: Vec<f64>,
    /// Standard deviation of that.
    pub deviation: f64,
}

/// Contrasts by plain least squares.
///
/// # Errors
/// As [`fit`].
pub fn least_squares(readings: &Readings, contrasts: &[Vec<f64>]) -> Result<LeastSquares, Error> {
    let n = readings.time.len();
    let independent = [Noise {
        share: 0.0,
        memory: 1.0,
    }];
    // How large the noise is, is not known yet: coefficients are kept small by a hundredth at first.
    let ready = Ready::new(readings, contrasts, 0.01, Some(&independent))?;
    let way = &ready.ways[0];
    let weights: Vec<Vec<f64>> = way
        .loads
        .iter()
        .map(|load| (&way.basis * load).as_slice()[..n].to_vec())
        .collect();
    let mut padded = DVector::zeros(ready.rows);
    padded.as_mut_slice()[..n].copy_from_slice(&readings.value);
    let left = &padded - &way.basis * way.basis.tr_mul(&padded);
    let freedom = ready.rows - ready.coefficients;
    Ok(LeastSquares {
        contrasts: weights
            .iter()
            .map(|weights| {
                weights
                    .iter()
                    .zip(&readings.value)
                    .map(|(w, y)| w * y)
                    .sum()
            })
            .collect(),
        weights,
        deviation: (left.norm_squared() / freedom as f64).sqrt(),
        left: left.as_slice()[..n].to_vec(),
    })
}

#[cfg(test)]
mod tests;
