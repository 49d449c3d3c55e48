//! What a quantity of a unit does: parts of the state, how much each may vary, and what happens when.

pub(super) use super::filter::WANDER;
use super::filter::{Blunders, Gaussian, LEVEL, RATE, Smoothed, Step, Variances, filter, smooth};
use super::points::{DAY, Points, Quantity};

/// Parts of the state.
pub const PARTS: usize = 9;
/// The level when new, settling apart.
pub const NEW: usize = 3;
/// The level at the start of the run since the last cleaning.
pub const RUN: usize = 4;
/// How the quantity follows temperature beyond the law it was normalised by, K.
pub const SLOW: usize = 5;
/// The same of a day's own temperature, which a thermometer's noise dilutes, K.
pub const FAST: usize = 6;
/// What settles in the first weeks: compaction.
pub const SETTLING: usize = 7;
/// The level a year before the last point, or at the first.
pub const THEN: usize = 8;

/// The time in which new membranes settle, y (first days to weeks: from memory).
const SETTLE: f64 = 25.0 * DAY;
/// One point in fifty may be a blunder, whose error is six times as large (common practice, no source).
pub const BLUNDERS: Blunders = Blunders {
    share: 0.02,
    times: 6.0,
};

/// What is thought of a quantity before its log is seen. Standard deviations of natural logarithms; common practice, no
/// source, where nothing else is said.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// The rate when new, 1/y.
    pub rate: f64,
    /// What settles.
    pub settling: f64,
    /// The temperature constant, K.
    pub constant: f64,
    /// A membrane's jump: cleaning, damage, replacement.
    pub jump: f64,
    /// A bend of the rate when something begins or ends, 1/y.
    pub bend: f64,
    /// An instrument's jump at its calibration.
    pub calibration: f64,
    /// How far instruments drift that nobody sets right: standard deviation after a year.
    pub drift: f64,
    /// What a change since new may be off by where an instrument was set right and nobody told: standard deviation, from
    /// limits of 2 % before and after (a common accuracy of flow meters).
    pub set_right: f64,
    /// The noise of a point, where too few tell.
    pub noise: f64,
}

impl Prior {
    /// What instruments may have come to be off by over some years, as a variance: drift, and what was set right.
    pub fn instruments(&self, years: f64) -> f64 {
        let years = years.abs();
        // Sooner or later each is set right: about once a year.
        self.drift.powi(2) * years + self.set_right.powi(2) * -(-years).exp_m1()
    }

    /// Of a quantity; `constant_k`: how far the site's temperature constant may be off, where the site file tells.
    pub fn of(quantity: Quantity, constant_k: Option<f64>) -> Self {
        match quantity {
            // Published laws of thin-film composites run from about 2000 K (viscosity) to 3020 K.
            Quantity::WaterPermeability => Self {
                rate: 0.10,
                settling: 0.03,
                constant: constant_k.unwrap_or(300.0),
                jump: 0.15,
                bend: 0.30,
                calibration: 0.02,
                drift: 0.006,
                set_right: 0.006,
                noise: 0.02,
            },
            Quantity::SaltPermeability => Self {
                rate: 0.15,
                settling: 0.02,
                constant: constant_k.unwrap_or(600.0),
                jump: 0.30,
                bend: 0.50,
                calibration: 0.03,
                drift: 0.010,
                set_right: 0.010,
                noise: 0.03,
            },
            Quantity::PressureDrop => Self {
                rate: 0.15,
                settling: 0.005,
                constant: 300.0,
                jump: 0.30,
                bend: 0.60,
                calibration: 0.03,
                drift: 0.015,
                set_right: 0.010,
                noise: 0.04,
            },
        }
    }
}

/// What happened to a unit at some time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Intervention {
    /// Years from 1970; it happens before the first point then or later.
    pub time: f64,
    /// What.
    pub kind: Happening,
    /// Which quantities it can be seen in.
    pub touches: [bool; 3],
}

/// When the membranes were new, and what they did then.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct New {
    /// When, years from 1970.
    pub at: f64,
    /// The logarithm of each quantity then, where the points don't hold it; NaN: the first points are what is new.
    pub figures: [f64; 3],
    /// 1/298.15 K − 1/T of the temperature then, 1/K.
    pub slow: f64,
}

/// What a happening does to the state.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Happening {
    /// The membranes are cleaned: they change at once, and how fast they change too; a new run begins.
    Cleaning,
    /// Something changes at once, for good; what, is not told.
    Jump,
    /// New membranes: all starts anew.
    Replacement,
    /// The instruments change, the membranes don't.
    Calibration,
    /// How fast the membranes change becomes different.
    Bend,
}

/// One quantity's points with what happened: steps for the filter.
#[derive(Debug, Clone)]
pub struct Course {
    /// The state before the first point.
    pub start: Gaussian<PARTS>,
    /// The steps.
    pub steps: Vec<Step<PARTS>>,
    /// For each point: the place of its first step, at which time passes.
    pub passes: Vec<usize>,
    /// For each point: the place of its last step.
    pub reads: Vec<usize>,
    /// For each intervention that lies within the points: its place among those given, and of its jump of the level.
    pub jumps: Vec<(usize, usize)>,
    /// When the membranes of the last point were new, years from 1970.
    pub new_at: f64,
}

fn parts(which: &[usize]) -> [bool; PARTS] {
    std::array::from_fn(|part| which.contains(&part))
}

/// How a point depends on the state. `age`: since the membranes were new, y.
pub fn loads(slow: f64, fast: f64, age: f64) -> [f64; PARTS] {
    let mut loads = [0.0; PARTS];
    loads[LEVEL] = 1.0;
    loads[WANDER] = 1.0;
    loads[SLOW] = slow;
    loads[FAST] = fast;
    loads[SETTLING] = (-age / SETTLE).exp();
    loads
}

impl Happening {
    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Self::Cleaning => "cleaning",
            Self::Jump => "jump",
            Self::Replacement => "replacement",
            Self::Calibration => "calibration",
            Self::Bend => "bend",
        }
    }
}

impl Course {
    /// The course of a quantity.
    pub fn new(
        points: &Points,
        quantity: usize,
        prior: &Prior,
        interventions: &[Intervention],
        new: &New,
    ) -> Self {
        let values = &points.values[quantity];
        let first = values
            .iter()
            .copied()
            .find(|value| !value.is_nan())
            .unwrap_or(0.0);
        let mut mean = [0.0; PARTS];
        mean[LEVEL] = first;
        let mut deviations = [0.0; PARTS];
        deviations[LEVEL] = 1.0;
        deviations[RATE] = prior.rate;
        deviations[SLOW] = prior.constant;
        // A thermometer that is all noise would take back the whole law.
        deviations[FAST] = 3000.0;
        deviations[SETTLING] = prior.settling;
        let mut start = Gaussian::independent(mean, deviations);
        let reference = new.figures[quantity];
        if reference.is_nan() {
            start.copy(LEVEL, NEW);
        } else {
            start.mean[NEW] = reference;
            start.covariance[NEW][NEW] = 1.0;
        }
        start.copy(LEVEL, RUN);
        start.copy(LEVEL, THEN);
        let mut course = Self {
            start,
            steps: Vec::with_capacity(2 * points.len() + 6 * interventions.len()),
            passes: Vec::with_capacity(points.len()),
            reads: Vec::with_capacity(points.len()),
            jumps: Vec::new(),
            new_at: new.at,
        };
        if !reference.is_nan() {
            let mut loads = [0.0; PARTS];
            loads[NEW] = 1.0;
            loads[SLOW] = new.slow;
            course.steps.push(Step::Read {
                value: reference,
                loads,
                // A median of some ten readings.
                weight: 0.1,
            });
        }
        let mut before = points.time.first().copied().unwrap_or(0.0);
        let mut new_at = new.at;
        let then = points.year_before_last();
        for at in 0..points.len() {
            let time = points.time[at];
            course.passes.push(course.steps.len());
            course.steps.push(Step::Pass(time - before));
            for (place, intervention) in interventions.iter().enumerate() {
                // What happened before the first point is not seen.
                if at > 0
                    && intervention.time > before
                    && intervention.time <= time
                    && intervention.touches[quantity]
                {
                    course.jumps.push((place, course.steps.len()));
                    course.happen(intervention.kind, prior);
                    if intervention.kind == Happening::Replacement {
                        new_at = intervention.time;
                        course.new_at = new_at;
                    }
                }
            }
            if !values[at].is_nan() {
                course.steps.push(Step::Read {
                    value: values[at],
                    loads: loads(points.slow[at], points.fast[at], (time - new_at).max(0.0)),
                    weight: 1.0,
                });
            }
            course.reads.push(course.steps.len() - 1);
            if at == then {
                course.steps.push(Step::Copy {
                    from: LEVEL,
                    to: THEN,
                });
            }
            before = time;
        }
        course
    }

    fn happen(&mut self, kind: Happening, prior: &Prior) {
        let mut jump = |which: &[usize], size: f64| {
            self.steps.push(Step::Jump {
                parts: parts(which),
                size,
            });
        };
        match kind {
            Happening::Calibration => jump(&[LEVEL, NEW, RUN, THEN], prior.calibration),
            Happening::Bend => jump(&[RATE], prior.bend),
            Happening::Jump => jump(&[LEVEL], prior.jump),
            Happening::Cleaning => {
                jump(&[LEVEL], prior.jump);
                jump(&[RATE], prior.bend);
                self.steps.push(Step::Copy {
                    from: LEVEL,
                    to: RUN,
                });
            }
            Happening::Replacement => {
                jump(&[LEVEL], 2.0 * prior.jump);
                jump(&[RATE], prior.bend);
                self.steps.push(Step::Copy {
                    from: LEVEL,
                    to: RUN,
                });
                self.steps.push(Step::Copy {
                    from: LEVEL,
                    to: NEW,
                });
                self.steps.push(Step::Forget {
                    part: SETTLING,
                    size: prior.settling,
                });
            }
        }
    }

    /// The state before the first point, for these variances.
    pub fn start(&self, variances: &Variances) -> Gaussian<PARTS> {
        let mut start = self.start;
        start.covariance[WANDER][WANDER] = variances.wander * variances.wander;
        start
    }

    /// The log-likelihood, and the state after the last step.
    pub fn filtered(&self, variances: &Variances) -> (f64, Gaussian<PARTS>) {
        let mut state = self.start(variances);
        let found = filter(
            &mut state,
            &self.steps,
            variances,
            Some(BLUNDERS),
            |_, _| {},
        );
        (found, state)
    }

    /// All states as all points tell them.
    pub fn smoothed(&self, variances: &Variances) -> Vec<Smoothed<PARTS>> {
        smooth(
            self.start(variances),
            &self.steps,
            variances,
            Some(BLUNDERS),
        )
        .0
    }
}

/// One way things may vary, and how much it is believed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Believed {
    /// The way.
    pub variances: Variances,
    /// How much before the points were seen.
    pub prior: f64,
    /// How much after: shares that sum to 1.
    pub share: f64,
}

/// How a rate may change: by how much in a year, by what share of itself, how it grows by itself; and how much that is
/// believed before the points are seen. A plant's rate changes little in most years and a lot in some, and what grows or
/// plugs up has a law of its own (common practice, no source).
const RATES: [(f64, f64, f64, f64); 18] = [
    (0.003, 0.0, 0.0, 0.10),
    (0.01, 0.0, 0.0, 0.12),
    (0.01, 0.5, 0.0, 0.07),
    (0.03, 0.0, 0.0, 0.03),
    (0.03, 0.5, 0.0, 0.07),
    (0.10, 1.0, 0.0, 0.05),
    (0.30, 1.0, 0.0, 0.03),
    (0.03, 1.5, 1.0, 0.04),
    (0.01, 0.5, 2.0, 0.06),
    (0.03, 1.0, 2.0, 0.08),
    (0.10, 1.5, 2.0, 0.05),
    (0.01, 0.5, 4.0, 0.06),
    (0.03, 1.0, 4.0, 0.07),
    (0.10, 1.5, 4.0, 0.05),
    (0.03, 1.5, 8.0, 0.05),
    (0.01, 0.5, -2.0, 0.03),
    (0.03, 1.0, -2.0, 0.02),
    (0.03, 1.0, -5.0, 0.02),
];
/// How a noise that was measured may be off.
const NOISES: [f64; 3] = [0.85, 1.0, 1.18];
/// How one that is only thought of.
const NOISES_THOUGHT_OF: [f64; 5] = [0.4, 0.65, 1.0, 1.5, 2.3];
/// How large the wander is beside the noise, and how long it remembers, d.
const WANDERS: [(f64, f64); 5] = [
    (0.1, 10.0),
    (0.4, 4.0),
    (0.4, 30.0),
    (1.0, 4.0),
    (1.0, 30.0),
];

/// How the points scatter: the noise of single ones; how large the wander is beside it, and how long it remembers, d.
pub type Scatter = (f64, (f64, f64));

/// One way things may vary.
fn way(
    (bend, share, growth, prior): (f64, f64, f64, f64),
    (noise, (wander, days)): Scatter,
    drift: f64,
) -> Believed {
    Believed {
        variances: Variances {
            noise,
            wander: noise * wander,
            memory: days * DAY,
            bend,
            share,
            growth,
            walk: drift,
        },
        prior,
        share: 0.0,
    }
}

/// The scatters that the points make likely, with one way the rate may change; the likeliest first, at most six.
/// `noise`: of single points; `drift`: of instruments, after a year.
pub fn scatters(course: &Course, noise: f64, drift: f64, measured: bool) -> Vec<Scatter> {
    let noises: &[f64] = if measured {
        &NOISES
    } else {
        &NOISES_THOUGHT_OF
    };
    let all: Vec<Scatter> = noises
        .iter()
        .flat_map(|times| WANDERS.map(|wander| (times * noise, wander)))
        .collect();
    let ways: Vec<Believed> = all
        .iter()
        .map(|scatter| way((0.05, 0.7, 0.0, 1.0), *scatter, drift))
        .collect();
    let mut found: Vec<(f64, Scatter)> = weigh(course, &ways)
        .0
        .iter()
        .map(|way| way.share)
        .zip(all)
        .collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.truncate(6);
    found.retain(|(share, _)| *share > 0.01);
    found.into_iter().map(|(_, scatter)| scatter).collect()
}

/// Each scatter with each way the rate may change.
fn all_ways(scatters: &[Scatter], drift: f64) -> Vec<Believed> {
    scatters
        .iter()
        .flat_map(|scatter| RATES.map(|rate| way(rate, *scatter, drift)))
        .collect()
}

/// The ways of this course that its points make likely, those hardly believed left out, the most believed first.
pub fn likely(course: &Course, scatters: &[Scatter], drift: f64) -> Vec<Believed> {
    let (mut kept, _) = weigh(course, &all_ways(scatters, drift));
    kept.retain(|way| way.share > 0.01);
    for way in &mut kept {
        way.share = way.share.ln();
    }
    share_out(&mut kept);
    kept.sort_by(|a, b| b.share.total_cmp(&a.share));
    kept
}

/// The logarithm of how likely the points are, all ways the rate may change taken together.
pub fn evidence(course: &Course, scatter: Scatter, drift: f64) -> f64 {
    weigh(course, &all_ways(&[scatter], drift)).1
}

/// The ways with the shares that the points leave them, and the logarithm of how likely the points are.
fn weigh(course: &Course, ways: &[Believed]) -> (Vec<Believed>, f64) {
    let mut weighed: Vec<Believed> = ways
        .iter()
        .map(|way| Believed {
            share: way.prior.ln() + course.filtered(&way.variances).0,
            ..*way
        })
        .collect();
    let sum = share_out(&mut weighed);
    (weighed, sum)
}

/// Makes shares that sum to 1 of their logarithms; returns the logarithm of their sum.
pub fn share_out(ways: &mut [Believed]) -> f64 {
    let top = ways
        .iter()
        .map(|way| way.share)
        .fold(f64::NEG_INFINITY, f64::max);
    let mut sum = 0.0;
    for way in ways.iter_mut() {
        way.share = (way.share - top).exp();
        sum += way.share;
    }
    for way in ways {
        way.share /= sum;
    }
    top + sum.ln()
}
