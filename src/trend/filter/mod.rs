//! A Kalman filter and smoother for a level that has a rate, wanders, jumps and depends on known figures.
//!
//! State: `[level, rate, wander, …]`, then constants: what a point depends on is told by its loadings. Between points the
//! rate moves the level and does a random walk itself (a smooth trend); the wander is an Ornstein-Uhlenbeck process, the
//! continuous form of a first-order autoregression, so that points may lie at any times. Backward, states and the
//! disturbances behind them follow from the recursions of r and N.
//!
//! Source: J. Durbin and S. J. Koopman, Time Series Analysis by State Space Methods, 2nd ed. (2012), chapters 3 to 5; the
//! test for a jump at any time is P. de Jong and J. Penzer, JASA 93 (1998) 796. Both from memory; the likelihood and the
//! smoothed states are checked against another library in tests/python/test_trend.py.

/// Where the level stands in a state.
pub const LEVEL: usize = 0;
/// Where its rate stands, 1/y.
pub const RATE: usize = 1;
/// Where the wander stands.
pub const WANDER: usize = 2;

/// How much things vary.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Variances {
    /// Standard deviation of a single point.
    pub noise: f64,
    /// Standard deviation of the wander.
    pub wander: f64,
    /// The time in which the wander forgets, y.
    pub memory: f64,
    /// How much the rate changes: its standard deviation after a year, 1/y.
    pub bend: f64,
    /// How much more, as a share of itself: fouling that is fast also changes fast.
    pub share: f64,
    /// How the rate grows by itself, 1/y: above 0 it speeds up, below it dies down.
    pub growth: f64,
    /// How much the level walks by itself: its standard deviation after a year.
    pub walk: f64,
}

/// One thing that happens to the state.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Step<const N: usize> {
    /// Time goes by, y.
    Pass(f64),
    /// A point is read.
    Read {
        /// What it shows.
        value: f64,
        /// How it depends on the state.
        loads: [f64; N],
        /// Its variance over that of a single point.
        weight: f64,
    },
    /// Some of the state's parts jump together, each by the same unknown amount of this standard deviation.
    Jump {
        /// Which parts.
        parts: [bool; N],
        /// Standard deviation.
        size: f64,
    },
    /// A part becomes a copy of another.
    Copy {
        /// The part copied.
        from: usize,
        /// The part that becomes it.
        to: usize,
    },
    /// A part is forgotten: it becomes independent of all else, 0 with this standard deviation.
    Forget {
        /// Which part.
        part: usize,
        /// Standard deviation.
        size: f64,
    },
}

/// A state known with some uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gaussian<const N: usize> {
    /// Its mean.
    pub mean: [f64; N],
    /// Its covariance.
    pub covariance: [[f64; N]; N],
}

/// What a reading told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Innovation<const N: usize> {
    /// Reading less expectation.
    pub surprise: f64,
    /// Its variance.
    pub variance: f64,
    /// The gain: covariance of the state with it, over its variance.
    pub gain: [f64; N],
    /// Its log-likelihood.
    pub log_likelihood: f64,
    /// Whether it was taken for an outlier, and counted the less: the share that was believed, 0 to 1.
    pub believed: f64,
}

/// How outliers are met: some readings are blunders, whose noise is that many times as large.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Blunders {
    /// The share of them.
    pub share: f64,
    /// How many times as large their standard deviation is.
    pub times: f64,
}

/// For how long a rate is thought to grow by itself without a reading, y.
const LONGEST_GROWTH: f64 = 0.5;
/// A rate beyond which it isn't thought to change the more, 1/y.
const FASTEST: f64 = 2.0;

/// ln √(2π).
const LN_ROOT_TAU: f64 = 0.918_938_533_204_672_8;

impl<const N: usize> Gaussian<N> {
    /// Independent parts with these means and standard deviations.
    pub fn independent(mean: [f64; N], deviations: [f64; N]) -> Self {
        let mut covariance = [[0.0; N]; N];
        for part in 0..N {
            covariance[part][part] = deviations[part] * deviations[part];
        }
        Self { mean, covariance }
    }

    /// Time goes by.
    #[inline]
    pub fn pass(&mut self, years: f64, variances: &Variances) {
        let Passage { kept, along, grown } = Passage::new(years, variances);
        self.mean[LEVEL] += along * self.mean[RATE];
        self.mean[RATE] *= grown;
        self.mean[WANDER] *= kept;
        let p = &mut self.covariance;
        for part in 0..N {
            p[LEVEL][part] += along * p[RATE][part];
            p[RATE][part] *= grown;
            p[WANDER][part] *= kept;
        }
        for row in p.iter_mut() {
            row[LEVEL] += along * row[RATE];
            row[RATE] *= grown;
            row[WANDER] *= kept;
        }
        let noise = passing_noise(years, self.mean[RATE], variances);
        p[LEVEL][LEVEL] += noise[0];
        p[LEVEL][RATE] += noise[1];
        p[RATE][LEVEL] += noise[1];
        p[RATE][RATE] += noise[2];
        p[WANDER][WANDER] += noise[3];
    }

    /// Some parts jump together.
    pub fn jump(&mut self, parts: &[bool; N], size: f64) {
        for (row, jumps) in self.covariance.iter_mut().zip(parts) {
            for (cell, too) in row.iter_mut().zip(parts) {
                if *jumps && *too {
                    *cell += size * size;
                }
            }
        }
    }

    /// A part becomes a copy of another.
    pub fn copy(&mut self, from: usize, to: usize) {
        self.mean[to] = self.mean[from];
        self.covariance[to] = self.covariance[from];
        for row in &mut self.covariance {
            row[to] = row[from];
        }
    }

    /// A part is forgotten.
    pub fn forget(&mut self, part: usize, size: f64) {
        self.mean[part] = 0.0;
        self.covariance[part] = [0.0; N];
        for row in &mut self.covariance {
            row[part] = 0.0;
        }
        self.covariance[part][part] = size * size;
    }

    /// The mean and the variance of what these loadings make of the state.
    #[inline]
    pub fn of(&self, loads: &[f64; N]) -> (f64, f64) {
        let mut mean = 0.0;
        let mut variance = 0.0;
        for part in 0..N {
            mean += loads[part] * self.mean[part];
            let mut along = 0.0;
            for other in 0..N {
                along += self.covariance[part][other] * loads[other];
            }
            variance += loads[part] * along;
        }
        (mean, variance)
    }

    /// A point is read.
    #[inline]
    pub fn read(
        &mut self,
        value: f64,
        loads: &[f64; N],
        noise: f64,
        blunders: Option<Blunders>,
    ) -> Innovation<N> {
        let mut along = [0.0; N];
        let mut expected = 0.0;
        let mut spread = 0.0;
        for part in 0..N {
            let row = &self.covariance[part];
            let mut sum = 0.0;
            for other in 0..N {
                sum += row[other] * loads[other];
            }
            along[part] = sum;
            spread += sum * loads[part];
            expected += loads[part] * self.mean[part];
        }
        let surprise = value - expected;
        let usual = noise * noise;
        let mut variance = spread + usual;
        let mut log_likelihood =
            -LN_ROOT_TAU - 0.5 * (variance.ln() + surprise * surprise / variance);
        let mut believed = 1.0;
        if let Some(Blunders { share, times }) = blunders {
            let wide = spread + usual * times * times;
            let blunder = share.ln() - LN_ROOT_TAU - 0.5 * (wide.ln() + surprise * surprise / wide);
            let sound = (1.0 - share).ln() + log_likelihood;
            let top = sound.max(blunder);
            log_likelihood = top + ((sound - top).exp() + (blunder - top).exp()).ln();
            believed = (sound - log_likelihood).exp();
            // One normal distribution in the place of two: precisions are averaged.
            let precision = believed / usual + (1.0 - believed) / (usual * times * times);
            variance = spread + 1.0 / precision;
        }
        let gain = along.map(|covariance| covariance / variance);
        for part in 0..N {
            self.mean[part] += gain[part] * surprise;
            for other in 0..N {
                self.covariance[part][other] -= gain[part] * along[other];
            }
        }
        Innovation {
            surprise,
            variance,
            gain,
            log_likelihood,
            believed,
        }
    }
}

/// What passing time does to the state.
struct Passage {
    /// What is left of the wander.
    kept: f64,
    /// How far a rate of 1 moves the level.
    along: f64,
    /// What becomes of a rate of 1.
    grown: f64,
}

impl Passage {
    #[inline]
    fn new(years: f64, variances: &Variances) -> Self {
        let growth = variances.growth;
        // Nothing grows by a law of its own for longer.
        let grows = years.min(LONGEST_GROWTH);
        let grown = (growth * grows).exp();
        Self {
            kept: (-years / variances.memory).exp(),
            along: if growth == 0.0 {
                years
            } else {
                (growth * grows).exp_m1() / growth + grown * (years - grows)
            },
            grown,
        }
    }
}

/// What passing time adds to the covariance of level and level, level and rate, rate and rate, wander and wander.
#[inline]
fn passing_noise(years: f64, rate: f64, variances: &Variances) -> [f64; 4] {
    let own = variances.share * rate.clamp(-FASTEST, FASTEST);
    let bend = (variances.bend * variances.bend + own * own) * years;
    let walk = variances.walk * variances.walk * years;
    let wander = variances.wander * variances.wander;
    [
        bend * years * years / 3.0 + walk,
        bend * years / 2.0,
        bend,
        wander * -(-2.0 * years / variances.memory).exp_m1(),
    ]
}

/// A state at one step of the way, with all that was read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Smoothed<const N: usize> {
    /// The state after the step.
    pub state: Gaussian<N>,
    /// The score of a jump just before this step, for each part, and its information: a jump's best size is score/information,
    /// with variance 1/information.
    pub score: [f64; N],
    /// The diagonal of the information.
    pub information: [f64; N],
}

/// Runs the steps forward. Returns the log-likelihood.
pub fn filter<const N: usize>(
    state: &mut Gaussian<N>,
    steps: &[Step<N>],
    variances: &Variances,
    blunders: Option<Blunders>,
    mut seen: impl FnMut(&Gaussian<N>, Option<Innovation<N>>),
) -> f64 {
    let mut log_likelihood = 0.0;
    for step in steps {
        let mut told = None;
        match step {
            Step::Pass(years) => state.pass(*years, variances),
            Step::Jump { parts, size } => state.jump(parts, *size),
            Step::Copy { from, to } => state.copy(*from, *to),
            Step::Forget { part, size } => state.forget(*part, *size),
            Step::Read {
                value,
                loads,
                weight,
            } => {
                let innovation =
                    state.read(*value, loads, variances.noise * weight.sqrt(), blunders);
                log_likelihood += innovation.log_likelihood;
                told = Some(innovation);
            }
        }
        seen(state, told);
    }
    log_likelihood
}

/// Runs the steps forward and back: each step's state as all points tell it, and the log-likelihood.
pub fn smooth<const N: usize>(
    start: Gaussian<N>,
    steps: &[Step<N>],
    variances: &Variances,
    blunders: Option<Blunders>,
) -> (Vec<Smoothed<N>>, f64) {
    let mut state = start;
    let mut states = Vec::with_capacity(steps.len());
    let mut read = Vec::new();
    let log_likelihood = filter(&mut state, steps, variances, blunders, |state, told| {
        states.push(Smoothed {
            state: *state,
            score: [0.0; N],
            information: [0.0; N],
        });
        read.extend(told);
    });
    // r and N after the step at hand.
    let mut score = [0.0; N];
    let mut information = [[0.0; N]; N];
    for (at, step) in steps.iter().enumerate().rev() {
        let here = &mut states[at];
        smooth_one(&mut here.state, &score, &information);
        match step {
            Step::Pass(years) => {
                let Passage { kept, along, grown } = Passage::new(*years, variances);
                score[RATE] = grown * score[RATE] + along * score[LEVEL];
                score[WANDER] *= kept;
                for part in 0..N {
                    information[RATE][part] =
                        grown * information[RATE][part] + along * information[LEVEL][part];
                    information[WANDER][part] *= kept;
                }
                for row in &mut information {
                    row[RATE] = grown * row[RATE] + along * row[LEVEL];
                    row[WANDER] *= kept;
                }
            }
            Step::Jump { .. } => {}
            Step::Copy { from, to } => {
                score[*from] += score[*to];
                score[*to] = 0.0;
                information[*from] =
                    std::array::from_fn(|part| information[*from][part] + information[*to][part]);
                information[*to] = [0.0; N];
                for row in &mut information {
                    row[*from] += row[*to];
                    row[*to] = 0.0;
                }
            }
            Step::Forget { part, .. } => {
                score[*part] = 0.0;
                information[*part] = [0.0; N];
                for row in &mut information {
                    row[*part] = 0.0;
                }
            }
            Step::Read { loads, .. } => {
                if let Some(told) = read.pop() {
                    read_back(&mut score, &mut information, loads, &told);
                }
            }
        }
        here.score = score;
        here.information = std::array::from_fn(|part| information[part][part]);
    }
    (states, log_likelihood)
}

/// a + P r, and P − P N P.
fn smooth_one<const N: usize>(
    state: &mut Gaussian<N>,
    score: &[f64; N],
    information: &[[f64; N]; N],
) {
    let p = state.covariance;
    let mut after = [[0.0; N]; N];
    for part in 0..N {
        let mut moved = 0.0;
        for other in 0..N {
            moved += p[part][other] * score[other];
            let mut sum = 0.0;
            for inner in 0..N {
                sum += information[other][inner] * p[inner][part];
            }
            after[other][part] = sum;
        }
        state.mean[part] += moved;
    }
    for part in 0..N {
        for other in part..N {
            let mut sum = 0.0;
            for inner in 0..N {
                sum += p[part][inner] * after[inner][other];
            }
            let smoothed = p[part][other] - sum;
            state.covariance[part][other] = smoothed;
            state.covariance[other][part] = smoothed;
        }
    }
}

/// Back through a reading: r ← z v/F + (I − z Kᵀ) r, N ← z zᵀ/F + (I − z Kᵀ) N (I − K zᵀ).
#[inline]
fn read_back<const N: usize>(
    score: &mut [f64; N],
    information: &mut [[f64; N]; N],
    loads: &[f64; N],
    told: &Innovation<N>,
) {
    let mut known = 0.0;
    let mut along = [0.0; N];
    let mut twice = 0.0;
    for part in 0..N {
        known += told.gain[part] * score[part];
        let mut sum = 0.0;
        for other in 0..N {
            sum += information[part][other] * told.gain[other];
        }
        along[part] = sum;
        twice += sum * told.gain[part];
    }
    let pull = told.surprise / told.variance - known;
    let weight = 1.0 / told.variance + twice;
    for part in 0..N {
        score[part] += loads[part] * pull;
        for other in 0..N {
            information[part][other] += loads[part] * loads[other] * weight
                - along[part] * loads[other]
                - loads[part] * along[other];
        }
    }
}

#[cfg(test)]
mod tests;
