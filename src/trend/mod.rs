//! What the membranes do over the months: level and rate of each quantity, the site's own temperature law, what
//! happened when.
//!
//! Each quantity's logarithm, a point a day, is a level that moves at a rate which slowly changes, something that wanders
//! for days, what temperature does beyond the law it was normalised by, what settles in the first weeks, and noise. How
//! much each varies is not fixed but weighed: many ways are filtered side by side and count as much as the points make them
//! likely. Intervals are those of the mixture.

pub mod changes;
pub mod cross_checks;
pub mod filter;
pub mod local;
pub mod mixture;
pub mod model;
pub mod points;
mod runs;
mod temperature;
mod tracker;

use crate::assess::Estimate;
use crate::error::{Error, Fault};
use crate::log::Column;
use crate::log::time::{show, zone_or_utc};
use crate::normalise::Normalised;
use crate::site::{EventKind, Site};
use crate::table::Group;
use changes::{Clear, Search, known};
use filter::{Gaussian, LEVEL, RATE, Smoothed};
use mixture::{Component, moments, quantile};
use model::{Believed, Course, Happening, Intervention, NEW, PARTS, Prior, THEN, likely, scatters};
use points::{Points, Quantity, YEAR_US};

pub use runs::Run;
pub use temperature::{SiteLaw, fit_law};
pub use tracker::Tracker;

/// Settings of [`trend`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrendSettings {
    /// How often intervals shall hold the true figure.
    pub level: f64,
    /// Whether jumps and bends that nobody wrote down are sought.
    pub find_changes: bool,
    /// When one is clear.
    pub clear: Clear,
}

impl Default for TrendSettings {
    fn default() -> Self {
        Self {
            level: 0.90,
            find_changes: true,
            clear: Clear::default(),
        }
    }
}

/// Something that happened, told or found.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// When, µs since 1970: as found in the data where it is seen there, else as told.
    pub time_us: i64,
    /// What it does to the course.
    pub kind: Happening,
    /// The event of the site file it belongs to, by its place there.
    pub told: Option<usize>,
    /// Whether the points show it.
    pub seen: bool,
    /// How much each quantity's level jumped, as a fraction; of a bend, how much its rate changed, 1/y.
    pub sizes: [Option<Estimate>; 3],
    /// What it looks like.
    pub looks: Likeness,
}

/// What a change that nobody told looks like.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Likeness {
    /// Output up, pressure drop or salt passage down with it.
    Cleaning,
    /// Output up to what it was when new, salt passage back too: new membranes.
    Replacement,
    /// An instrument that was set right or went wrong: output and salt passage move alike, or one of them alone.
    Instrument,
    /// Salt passage up at once.
    Leak,
    /// The rate changed: something began, or ended.
    Bend,
    /// None of them clearly.
    Unclear,
}

impl Likeness {
    /// Its words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Cleaning => "like a cleaning",
            Self::Replacement => "like new membranes",
            Self::Instrument => "like an instrument set right, or gone wrong",
            Self::Leak => "like a leak",
            Self::Bend => "something began, or ended",
            Self::Unclear => "unclear",
        }
    }
}

impl Change {
    /// What it looks like, by how much each quantity jumped; `after`: water permeability against new right after it.
    fn likeness(&self, after: Option<f64>) -> Likeness {
        if self.kind == Happening::Bend {
            return Likeness::Bend;
        }
        let [water, salt, drop] = [0, 1, 2].map(|quantity| {
            // What is not clear of 0 counts as none.
            let size = self.sizes[quantity].as_ref();
            size.filter(|size| size.low > 0.0 || size.high < 0.0)
                .map_or(0.0, |size| size.value)
        });
        // The edges are common practice, no source.
        if water > 0.08 && salt < -0.05 && after.is_some_and(|after| after > -0.03) {
            Likeness::Replacement
        } else if water > 0.02 && (drop < -0.02 || salt < 0.4 * water) {
            Likeness::Cleaning
        } else if salt > 0.25 && water.abs() < 0.25 * salt {
            Likeness::Leak
        } else if (water != 0.0 && (salt - water).abs() < 0.5 * water.abs())
            || (salt != 0.0 && water == 0.0 && drop == 0.0)
            || (drop != 0.0 && water == 0.0 && salt == 0.0)
        {
            Likeness::Instrument
        } else {
            Likeness::Unclear
        }
    }
}

/// A figure a day with its interval.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Band {
    /// The figure.
    pub value: Vec<f64>,
    /// Lower ends.
    pub low: Vec<f64>,
    /// Upper ends.
    pub high: Vec<f64>,
}

/// One quantity's course.
#[derive(Debug, Clone)]
pub struct QuantityTrend {
    /// Which.
    pub quantity: Quantity,
    /// The column of the result it is of.
    pub column: &'static str,
    /// Points there are.
    pub n: usize,
    /// Noise of single points, as a fraction.
    pub noise: f64,
    /// Change against new, as a fraction, at each point, as all points tell it; what settles is apart.
    pub change: Band,
    /// Rate at each point, 1/y of the logarithm.
    pub rate: Band,
    /// What settles of the level in the first weeks, as a fraction: compaction.
    pub settling: Estimate,
    /// The site's own temperature law.
    pub law: SiteLaw,
    /// What is thought of it.
    pub(crate) prior: Prior,
    /// When the membranes were new, years from 1970.
    pub(crate) new_at: f64,
    /// When the year before the last point began.
    pub(crate) then: f64,
    /// The last point.
    pub(crate) last: f64,
    /// The ways it may vary.
    pub(crate) ways: Vec<Believed>,
    /// The state at the last point, of each way.
    pub(crate) ends: Vec<Gaussian<PARTS>>,
}

/// The course of one train and stage.
#[derive(Debug, Clone)]
pub struct Trend {
    /// Which.
    pub group: Group,
    /// The name of the time zone times are shown in.
    pub zone: String,
    /// How often intervals hold the true figure.
    pub level: f64,
    /// The points it is drawn through.
    pub points: Points,
    /// The quantities there are enough points of.
    pub quantities: Vec<QuantityTrend>,
    /// What happened, in order of time.
    pub changes: Vec<Change>,
    /// The runs between cleanings.
    pub runs: Vec<Run>,
    /// What a reader must know.
    pub warnings: Vec<String>,
    /// When the membranes were new, years from 1970.
    pub new_at: f64,
    pub(crate) interventions: Vec<Intervention>,
}

/// How far a rate may be off over the time ahead, as a share of itself: trouble speeds up and dies down by laws that no log
/// tells. Found on simulated plants (studies/trend.py), so that nine in ten forecasts hold the truth.
const CARRIES_ON: f64 = 0.25;

/// How trends are made, in words.
pub const METHOD: &str = "local-trend state-space model of daily medians with the site's own temperature constant, its variances weighed by their likelihood (Durbin and Koopman 2012)";

/// The course of each train and stage.
///
/// # Errors
/// [`Error::Range`] for settings out of range; [`Error::Baseline`] where no train has points of three days.
pub fn trend(result: &Normalised, settings: &TrendSettings) -> Result<Vec<Trend>, Error> {
    crate::error::setting("level", settings.level, (0.5, 0.999), "")?;
    let (groups, rows) = result.log.table.groups();
    let mut trends = Vec::new();
    for (at, group) in groups.iter().enumerate() {
        let own: Vec<usize> = (0..rows.len())
            .filter(|row| rows[*row] as usize == at)
            .collect();
        trends.extend(trend_of_rows(result, group, &own, settings)?);
    }
    if trends.is_empty() {
        return Err(Error::Baseline(
            Fault::new(
                "no train has readings that were used on three days",
                "a trend needs at least that; see the reasons in the result",
            )
            .into(),
        ));
    }
    Ok(trends)
}

/// The course of one train and stage from some of its rows; `None` where they make no points of three days.
pub(crate) fn trend_of_rows(
    result: &Normalised,
    group: &Group,
    rows: &[usize],
    settings: &TrendSettings,
) -> Result<Option<Trend>, Error> {
    crate::error::setting("level", settings.level, (0.5, 0.999), "")?;
    let points = Points::of(result, rows);
    Ok((!known(&points).is_empty()).then(|| of_group(result, group.clone(), points, settings)))
}

/// What the site's list tells, with its place there.
fn told(result: &Normalised) -> Vec<(usize, Intervention)> {
    result
        .site
        .events
        .iter()
        .enumerate()
        .filter_map(|(place, event)| {
            let kind = match event.kind {
                EventKind::Cleaning => Happening::Cleaning,
                EventKind::Replacement => Happening::Replacement,
                EventKind::Calibration => Happening::Calibration,
                EventKind::PretreatmentChange => Happening::Bend,
                EventKind::Other => return None,
            };
            let time = event.time_us as f64 / YEAR_US;
            let touches = event.of.map_or([true; 3], touched_by);
            Some((
                place,
                Intervention {
                    time,
                    kind,
                    touches,
                },
            ))
        })
        .collect()
}

/// How far the constant of a quantity's temperature law may be off, where the site file tells.
fn accuracy_of(laws: Option<&Site>, quantity: Quantity) -> Option<f64> {
    match quantity {
        Quantity::WaterPermeability => laws?.temperature_accuracy_k,
        Quantity::SaltPermeability => laws?.salt_temperature_accuracy_k,
        Quantity::PressureDrop => None,
    }
}

/// Which quantities lean on an instrument enough to see that it was set right.
fn touched_by(column: Column) -> [bool; 3] {
    match column {
        Column::PermeateFlow => [true, true, true],
        Column::FeedPressure | Column::ConcentratePressure => [true, false, true],
        Column::PermeatePressure | Column::FeedTemperature => [true, true, false],
        Column::DifferentialPressure => [false, false, true],
        Column::FeedFlow | Column::ConcentrateFlow | Column::RecycleFlow => [false, true, true],
        Column::FeedConductivity | Column::FeedTds => [true, true, false],
        Column::PermeateConductivity | Column::PermeateTds => [false, true, false],
        Column::ConcentrateConductivity
        | Column::ConcentrateTds
        | Column::ConcentrateTemperature
        | Column::PermeateTemperature
        | Column::FeedPh
        | Column::Running => [false; 3],
    }
}

fn of_group(result: &Normalised, group: Group, points: Points, settings: &TrendSettings) -> Trend {
    let new_at = result
        .baseline
        .of(&group)
        .and_then(|reference| reference.span_us)
        .map_or(points.time[0], |(start, _)| start as f64 / YEAR_US);
    let of = Of {
        group,
        zone: result.log.table.zone.clone(),
        new_at,
        laws: Some(&result.site),
        told: told(result),
    };
    of_points(of, points, settings)
}

/// What a course is of.
struct Of<'a> {
    group: Group,
    zone: String,
    new_at: f64,
    laws: Option<&'a Site>,
    told: Vec<(usize, Intervention)>,
}

#[cfg(test)]
fn trend_of_points(points: Points, new_at: f64, settings: &TrendSettings) -> Trend {
    let of = Of {
        group: Group {
            train: None,
            stage: None,
        },
        zone: "UTC".to_owned(),
        new_at,
        laws: None,
        told: Vec::new(),
    };
    of_points(of, points, settings)
}

fn of_points(of: Of<'_>, points: Points, settings: &TrendSettings) -> Trend {
    let Of {
        group,
        zone,
        new_at,
        laws,
        told,
    } = of;
    let quantities = &known(&points);
    let priors = Quantity::ALL.map(|quantity| Prior::of(quantity, accuracy_of(laws, quantity)));
    let measured = [0, 1, 2].map(|quantity| points.noise(quantity));
    let noise = [0, 1, 2].map(|quantity| {
        measured[quantity]
            .unwrap_or(priors[quantity].noise)
            .max(1e-4)
    });
    let search = Search {
        points: &points,
        quantities,
        noise,
        priors,
        new_at,
        clear: settings.clear,
    };
    let (mut interventions, seen) =
        search.place(&told.iter().map(|(_, it)| *it).collect::<Vec<_>>());
    let told_count = interventions.len();
    if settings.find_changes {
        interventions.extend(search.find(&interventions));
    }
    let mut order: Vec<usize> = (0..interventions.len()).collect();
    order.sort_by(|a, b| interventions[*a].time.total_cmp(&interventions[*b].time));
    let mut changes: Vec<Change> = order
        .iter()
        .map(|place| Change {
            time_us: (interventions[*place].time * YEAR_US) as i64,
            kind: interventions[*place].kind,
            told: told.get(*place).map(|(event, _)| *event),
            seen: *place >= told_count || seen[*place],
            sizes: [None, None, None],
            looks: Likeness::Unclear,
        })
        .collect();
    let interventions: Vec<Intervention> =
        order.iter().map(|place| interventions[*place]).collect();
    let mut trends = Vec::new();
    let mut runs = runs::Runs::new(&points, &interventions);
    for quantity in quantities {
        let known = Quantity::ALL[*quantity];
        let course = Course::new(
            &points,
            *quantity,
            &priors[*quantity],
            &interventions,
            new_at,
        );
        let drift = priors[*quantity].drift;
        let scatters = scatters(
            &course,
            noise[*quantity],
            drift,
            measured[*quantity].is_some(),
        );
        let ways = likely(&course, &scatters, drift);
        let smoothed: Vec<Vec<Smoothed<PARTS>>> = ways
            .iter()
            .map(|way| course.smoothed(&way.variances))
            .collect();
        let ends: Vec<Gaussian<PARTS>> = ways
            .iter()
            .map(|way| course.filtered(&way.variances).1)
            .collect();
        runs.add(*quantity, &course, &ways, &smoothed, settings.level);
        sizes(
            &mut changes,
            *quantity,
            &course,
            &ways,
            &smoothed,
            &priors[*quantity],
            settings.level,
        );
        let drift = |years: f64| priors[*quantity].drift.powi(2) * years.abs();
        let band = |of: &dyn Fn(usize, &Gaussian<PARTS>) -> (f64, f64),
                    shown: &dyn Fn(f64) -> f64| {
            let mut band = Band::default();
            for (at, read) in course.reads.iter().enumerate() {
                let mixture: Vec<Component> = ways
                    .iter()
                    .zip(&smoothed)
                    .map(|(way, states)| {
                        let (mean, variance) = of(at, &states[*read].state);
                        Component {
                            share: way.share,
                            mean,
                            deviation: variance.max(0.0).sqrt(),
                        }
                    })
                    .collect();
                band.value.push(shown(moments(&mixture).0));
                band.low
                    .push(shown(quantile(&mixture, 0.5 - 0.5 * settings.level)));
                band.high
                    .push(shown(quantile(&mixture, 0.5 + 0.5 * settings.level)));
            }
            band
        };
        let n = points.values[*quantity]
            .iter()
            .filter(|value| !value.is_nan())
            .count();
        let of_end = |of: &dyn Fn(&Gaussian<PARTS>) -> (f64, f64)| mixture_of(&ways, &ends, of);
        trends.push(QuantityTrend {
            quantity: known,
            column: points.columns[*quantity].unwrap_or_default(),
            n,
            noise: noise[*quantity],
            change: band(
                &|at, state| since(state, NEW, drift(points.time[at] - new_at)),
                &f64::exp_m1,
            ),
            rate: band(&|_, state| rate(state), &|rate| rate),
            settling: estimate(
                &of_end(&|state| part(state, model::SETTLING)),
                settings.level,
                n,
                &|settled| (-settled).exp_m1(),
            ),
            law: temperature::site_law(laws, known, &points, &ways, &ends, settings.level),
            prior: priors[*quantity],
            new_at: course.new_at,
            then: points.time[points.year_before_last()],
            last: points.time[points.len() - 1],
            ways,
            ends,
        });
    }
    let runs = runs.done();
    for (place, change) in changes.iter_mut().enumerate() {
        let run = runs.iter().find(|run| run.ended_by == Some(place));
        let after = run
            .and_then(|run| run.after[0].as_ref())
            .map(|after| after.value);
        change.looks = change.likeness(after);
    }
    let mut trend = Trend {
        group,
        zone,
        level: settings.level,
        points,
        quantities: trends,
        changes,
        runs,
        warnings: Vec::new(),
        new_at,
        interventions,
    };
    trend.warnings = temperature::warnings(&trend, &search_again(&trend, noise, priors));
    for change in &trend.changes {
        if change.looks == Likeness::Replacement && change.kind != Happening::Replacement {
            trend.warnings.push(format!(
                "on about {} the unit became like new, salt passage too: if membranes were replaced, tell it as [[event]] kind = \"replacement\", or all later figures are against the old ones",
                show(change.time_us, &zone_or_utc(&trend.zone)).get(..10).unwrap_or_default()
            ));
        }
    }
    trend
}

/// Whether temperature acts differently from some time on; see [`temperature::law_change`].
fn search_again(trend: &Trend, noise: [f64; 3], priors: [Prior; 3]) -> Vec<temperature::LawChange> {
    trend
        .quantities
        .iter()
        .filter_map(|found| {
            let quantity = found.quantity as usize;
            let course = Course::new(
                &trend.points,
                quantity,
                &priors[quantity],
                &trend.interventions,
                trend.new_at,
            );
            temperature::law_change(&course, found, &trend.points, noise[quantity])
        })
        .collect()
}

/// The level against a part, with the variance that instruments' drift in between adds.
pub(crate) fn since(state: &Gaussian<PARTS>, from: usize, drift: f64) -> (f64, f64) {
    let (mean, variance) = difference(state, LEVEL, from);
    (mean, variance + drift)
}

pub(crate) fn rate(state: &Gaussian<PARTS>) -> (f64, f64) {
    part(state, RATE)
}

pub(crate) fn part(state: &Gaussian<PARTS>, part: usize) -> (f64, f64) {
    (state.mean[part], state.covariance[part][part])
}

pub(crate) fn difference(state: &Gaussian<PARTS>, of: usize, from: usize) -> (f64, f64) {
    let p = &state.covariance;
    (
        state.mean[of] - state.mean[from],
        p[of][of] + p[from][from] - 2.0 * p[of][from],
    )
}

/// A figure of the states as a mixture.
pub(crate) fn mixture_of(
    ways: &[Believed],
    states: &[Gaussian<PARTS>],
    of: &dyn Fn(&Gaussian<PARTS>) -> (f64, f64),
) -> Vec<Component> {
    ways.iter()
        .zip(states)
        .map(|(way, state)| {
            let (mean, variance) = of(state);
            Component {
                share: way.share,
                mean,
                deviation: variance.max(0.0).sqrt(),
            }
        })
        .collect()
}

/// An estimate of a mixture; `shown` rises or falls throughout.
pub(crate) fn estimate(
    mixture: &[Component],
    level: f64,
    n: usize,
    shown: &dyn Fn(f64) -> f64,
) -> Estimate {
    let ends = [0.5 - 0.5 * level, 0.5 + 0.5 * level].map(|share| shown(quantile(mixture, share)));
    Estimate {
        value: shown(moments(mixture).0),
        low: ends[0].min(ends[1]),
        high: ends[0].max(ends[1]),
        level,
        unit: "",
        n,
        method: METHOD,
        budget: None,
    }
}

/// How large each change was in a quantity.
fn sizes(
    changes: &mut [Change],
    quantity: usize,
    course: &Course,
    ways: &[Believed],
    smoothed: &[Vec<Smoothed<PARTS>>],
    prior: &Prior,
    level: f64,
) {
    for (place, step) in &course.jumps {
        let change = &mut changes[*place];
        let (jumped, size): (usize, f64) = match change.kind {
            Happening::Bend => (RATE, prior.bend),
            Happening::Calibration => (LEVEL, prior.calibration),
            Happening::Cleaning => (LEVEL, prior.jump),
            Happening::Replacement => (LEVEL, 2.0 * prior.jump),
        };
        let variance = size * size;
        let mixture: Vec<Component> = ways
            .iter()
            .zip(smoothed)
            .map(|(way, states)| {
                // The disturbance behind the jump: Q r, Q − Q N Q. A calibration jumps three parts at once.
                let (score, information) = states.get(step + 1).map_or((0.0, 0.0), |after| {
                    (after.score[jumped], after.information[jumped])
                });
                Component {
                    share: way.share,
                    mean: variance * score,
                    deviation: (variance - variance * variance * information)
                        .max(0.0)
                        .sqrt(),
                }
            })
            .collect();
        let shown: &dyn Fn(f64) -> f64 = if change.kind == Happening::Bend {
            &|rate| rate
        } else {
            &f64::exp_m1
        };
        change.sizes[quantity] = Some(estimate(&mixture, level, 0, shown));
    }
}

impl Trend {
    /// The trend of a quantity, where there are points enough.
    pub fn of(&self, quantity: Quantity) -> Option<&QuantityTrend> {
        self.quantities
            .iter()
            .find(|found| found.quantity == quantity)
    }
}

impl Trend {
    /// What the last point alone says of a quantity: the logarithm of its change since new, with its own noise.
    pub(crate) fn visit_change(&self, found: &QuantityTrend) -> Vec<Component> {
        let last = self.points.len() - 1;
        let value = self.points.values[found.quantity as usize][last];
        let mut loads = self.loads_at(found, last);
        loads[LEVEL] = 0.0;
        loads[model::WANDER] = 0.0;
        loads[NEW] = 1.0;
        found
            .ways
            .iter()
            .zip(&found.ends)
            .map(|(way, state)| {
                let (expected, variance) = state.of(&loads);
                Component {
                    share: way.share,
                    mean: value - expected,
                    deviation: (variance + way.variances.noise.powi(2)).max(0.0).sqrt(),
                }
            })
            .collect()
    }

    /// What this trend, of earlier points, expects of a quantity at a later one: the logarithm of its change since new, with
    /// the noise of a single reading.
    pub(crate) fn expected(&self, quantity: Quantity, time: f64) -> Option<Vec<Component>> {
        let found = self.of(quantity)?;
        let mut loads = [0.0; PARTS];
        loads[LEVEL] = 1.0;
        loads[model::WANDER] = 1.0;
        loads[NEW] = -1.0;
        let parts = found.ways.iter().zip(&found.ends).map(|(way, end)| {
            let mut state = *end;
            state.pass((time - found.last).max(0.0), &way.variances);
            let (mean, variance) = state.of(&loads);
            Component {
                share: way.share,
                mean,
                deviation: (variance + way.variances.noise.powi(2)).max(0.0).sqrt(),
            }
        });
        Some(parts.collect())
    }

    fn loads_at(&self, found: &QuantityTrend, at: usize) -> [f64; PARTS] {
        let age = (self.points.time[at] - found.new_at).max(0.0);
        model::loads(self.points.slow[at], self.points.fast[at], age)
    }

    /// How much a change made each quantity's level jump, as a logarithm.
    pub(crate) fn jump_of(&self, place: usize) -> [Option<f64>; 3] {
        let change = &self.changes[place];
        [0, 1, 2].map(|quantity| {
            change.sizes[quantity]
                .as_ref()
                .map(|size| size.value.ln_1p())
        })
    }

    /// How far instruments drift, of a quantity: standard deviation after a year.
    pub(crate) fn drift_of(&self, quantity: usize) -> f64 {
        self.quantities
            .iter()
            .find(|found| found.quantity as usize == quantity)
            .map_or(0.0, |found| found.prior.drift)
    }

    /// The times of the points, µs since 1970.
    pub fn times_us(&self) -> Vec<i64> {
        self.points
            .time
            .iter()
            .map(|time| (time * YEAR_US) as i64)
            .collect()
    }

    /// The points of a quantity as changes against the level when new, by the site's own temperature law; NaN where missing.
    pub fn point_changes(&self, quantity: Quantity) -> Vec<f64> {
        let Some(found) = self.of(quantity) else {
            return vec![f64::NAN; self.points.len()];
        };
        let mean = |which: usize| {
            moments(&mixture_of(&found.ways, &found.ends, &|state| {
                part(state, which)
            }))
            .0
        };
        let (new, own) = (mean(NEW), mean(model::SLOW));
        (0..self.points.len())
            .map(|at| {
                let point = &self.points;
                (point.values[quantity as usize][at] - new - own * point.slow[at]).exp_m1()
            })
            .collect()
    }
}

impl QuantityTrend {
    /// What instruments may have drifted since a time, as a variance.
    fn drift(&self, from: f64, to: f64) -> f64 {
        self.prior.drift * self.prior.drift * (to - from).abs()
    }

    /// The logarithm of the change since new some time after the last point, if nothing happens.
    pub(crate) fn ahead(&self, years: f64) -> Vec<Component> {
        let states: Vec<Gaussian<PARTS>> = self
            .ways
            .iter()
            .zip(&self.ends)
            .map(|(way, end)| {
                let mut state = *end;
                state.pass(years, &way.variances);
                state
            })
            .collect();
        let drift = self.drift(self.new_at, self.last);
        mixture_of(&self.ways, &states, &|state| {
            let (mean, variance) = since(state, NEW, drift);
            let further = CARRIES_ON * state.mean[RATE] * years;
            (mean, variance + further * further)
        })
    }

    /// Change against new at the last point, as a fraction.
    pub fn now(&self, level: f64) -> Estimate {
        estimate(&self.ahead(0.0), level, self.n, &f64::exp_m1)
    }

    /// Rate at the last point, 1/y of the logarithm.
    pub fn rate_now(&self, level: f64) -> Estimate {
        estimate(
            &mixture_of(&self.ways, &self.ends, &rate),
            level,
            self.n,
            &|rate| rate,
        )
    }

    /// Mean rate over the last year, or since the first point, 1/y of the logarithm; what cleanings did is in it.
    pub fn rate_over_year(&self, level: f64) -> Estimate {
        let years = self.last - self.then;
        let drift = self.drift(self.then, self.last);
        let mixture = mixture_of(&self.ways, &self.ends, &|state| since(state, THEN, drift));
        estimate(&mixture, level, self.n, &|change| change / years)
    }

    /// How likely it is that the change since new lies below a fraction.
    pub fn probability_below(&self, change: f64) -> f64 {
        mixture::below(&self.ahead(0.0), change.ln_1p())
    }

    /// Change against new some time after the last point, if nothing happens, as a fraction.
    ///
    /// # Errors
    /// [`Error::Range`] unless 0 to 20 years.
    pub fn forecast(&self, years: f64, level: f64) -> Result<Estimate, Error> {
        crate::error::setting("years", years, (0.0, 20.0), " y")?;
        crate::error::setting("level", level, (0.5, 0.999), "")?;
        Ok(estimate(&self.ahead(years), level, self.n, &f64::exp_m1))
    }
}
