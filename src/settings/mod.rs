//! What to set at a start-up, or when the water has changed: feed pressure, concentrate and recycle, as real gauges can be set.
//!
//! The unit is worked out element by element ([`membrane`](crate::membrane)). Chosen is as much permeate as is wanted, at the
//! recovery that is wanted, with the least recycle, inside all limits of the unit, of its elements and of the water (`choose`).
//! What is chosen is then moved to marks that the gauges have ([`gauges`]), to the safe side, and held against every limit with
//! each gauge, and the day's own readings, off by all that they may be off by, in every combination. Where one is broken the
//! choice keeps farther away from it, until none is.
//!
//! [`map`] tells the same, without gauges, over temperature, salt and recovery.

pub mod bounds;
mod choose;
pub mod gauges;
pub mod map;
#[cfg(test)]
mod tests;
mod told;

use self::bounds::{Bound, Of, Run};
use self::choose::{Asked, Chosen, Problem, Recycle};
use self::gauges::Gauge;
use crate::error::{Error, Fault, Faults, within};
use crate::log::Column;
use crate::membrane::expected::{Doubts, Expected};
use crate::membrane::operate::{Drain, Drive, Operation};
use crate::membrane::train::{Membrane, Train};
use crate::normalise::inputs::SaltFrom;
use crate::site::{ReferenceRule, Site};
use crate::water::scaling::{RecoveryLimits, Water};

/// What a day brings and what is asked of it. What is `None` is taken from the site file.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Day {
    /// Of the feed, degC.
    pub feed_temperature: f64,
    /// Salt in the raw feed, mg/L; else `[assume] feed_tds`, or that of the design.
    pub feed_tds: Option<f64>,
    /// The same as conductivity, µS/cm at 25 degC, by the rule of the site file.
    pub feed_conductivity: Option<f64>,
    /// bar; else `[assume] permeate_pressure`, or that of the design.
    pub permeate_pressure: Option<f64>,
    /// A pressure that the unit is to run at, bar, in place of a permeate flow.
    pub feed_pressure: Option<f64>,
    /// m3/h; else `[settings] permeate_flow`, or that of the design.
    pub permeate_flow: Option<f64>,
    /// Permeate over raw feed; else `[settings] recovery`, or that of the design.
    pub recovery: Option<f64>,
    /// Concentrate returned, m3/h; else `[settings] recycle_flow`, else the least that will do.
    pub recycle_flow: Option<f64>,
    /// The membranes; else those of the data sheet.
    pub membrane: Option<Membrane>,
    /// The day's analysis, before treatment; else that of the site file at the day's temperature and salt.
    pub water: Option<Water>,
}

/// Something that is set, by its gauge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Set {
    /// The gauge.
    pub gauge: Gauge,
    /// What it is to show, canonical.
    pub value: f64,
    /// What would be set were there no marks, canonical.
    pub exact: f64,
}

/// A limit, and how near to it the unit comes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Held {
    /// Which.
    pub bound: Bound,
    /// The unit's figure, canonical.
    pub value: f64,
    /// The figure nearest to the limit, or farthest beyond, with gauges and readings off by all they may be off by.
    pub worst: f64,
}

/// What to set, and what then to expect.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Feed pressure.
    pub feed_pressure: Set,
    /// Concentrate that leaves the unit.
    pub concentrate_flow: Set,
    /// Concentrate returned, where the unit can.
    pub recycle_flow: Option<Set>,
    /// The unit at work at exactly these.
    pub run: Run,
    /// Recovery, least and most, with gauges and readings off by all they may be off by.
    pub recovery_range: (f64, f64),
    /// What was wanted: permeate flow in m3/h, where a flow was asked for.
    pub wanted_permeate_flow: Option<f64>,
    /// What was wanted: recovery.
    pub wanted_recovery: f64,
    /// Why it is less permeate than wanted.
    pub stops_flow: Vec<Of>,
    /// Why it is less recovery than wanted.
    pub stops_recovery: Vec<Of>,
    /// Each limit.
    pub held: Vec<Held>,
    /// What the site file might tell and doesn't: nothing is held against it.
    pub not_told: Vec<&'static str>,
    /// What is taken as exact, since the site file doesn't tell how far it may be off.
    pub taken_as_exact: Vec<&'static str>,
    /// What the unit is expected to make, with intervals.
    pub expected: Expected,
    /// The recoveries that scales allow, where the water was analysed.
    pub scaling: Option<RecoveryLimits>,
    /// What a person should know before setting anything.
    pub warnings: Vec<String>,
    /// The alarm of the permeate's quality.
    pub alarm: Alarm,
    /// Each element, in the order the concentrate runs; flows of one vessel.
    pub elements: Vec<crate::membrane::operate::ElementAtWork>,
    /// The membranes.
    pub membrane: Membrane,
    /// What was worked out.
    pub operation: Operation,
}

/// At what salt of the permeate somebody should be told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Alarm {
    /// mg/L.
    pub permeate_tds: f64,
    /// µS/cm at 25 degC, where the site file tells how conductivity and salt hang together.
    pub permeate_conductivity: Option<f64>,
    /// The expected figures, the same two.
    pub expected: (f64, Option<f64>),
    /// Over what is expected.
    pub times: f64,
    /// The temperature at which warm water alone reaches it, at the same permeate flow and recovery; `None`: not up to the
    /// warmest that the site allows or the laws know.
    pub reached_at: Option<f64>,
}

/// How often the choice may be moved away from limits that gauges might break.
const MOST_MOVES: usize = 24;
/// What is added to each move, so that it is enough.
const MOVE: f64 = 1.05;
/// How far the choice is moved where gauges might lead to where nothing holds together, as a share of each limit.
const UNKNOWN: f64 = 0.05;

/// What to set on such a day; `level`: how often the intervals of what is expected shall hold the truth.
///
/// # Errors
/// [`Error::Site`] names each key that is missing and not given; [`Error::Range`] for a day outside what the laws are valid
/// for; [`Error::Settings`] where no setting keeps all limits, naming those that stand against each other.
///
/// ```
/// use brinemark::{Site, settings::{Day, settings}, site::TEMPLATE};
/// let site = Site::parse(&TEMPLATE
///     .replace("# length", "length").replace("# feed_spacer", "feed_spacer")
///     .replace("# rated_", "rated_").replace("# test_", "test_"))?;
/// let day = Day {
///     feed_temperature: 10.0, feed_tds: Some(900.0), permeate_pressure: Some(0.3),
///     permeate_flow: Some(5.0), recovery: Some(0.6), ..Day::default()
/// };
/// let found = settings(&site, &day, 0.9)?;
/// assert!((found.run.working.permeate_flow - 5.0).abs() < 1e-6);
/// assert!((found.concentrate_flow.value - 5.0 / 0.6 * 0.4).abs() < 1e-6);
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn settings(site: &Site, day: &Day, level: f64) -> Result<Settings, Error> {
    let train = Train::new(site, None)?;
    let mut problem = problem(site, day, &train)?;
    let scaling = scaling(site, day, problem.temperature, problem.feed_tds)?;
    problem
        .bounds
        .extend(scaling.iter().flat_map(bounds::of_scaling));
    let gauges = Gauges::of(site);
    let mut margins = vec![0.0; problem.bounds.len()];
    let mut worst_of = None;
    for _ in 0..MOST_MOVES {
        let Some(chosen) = problem.choose(&margins)? else {
            break;
        };
        let (case, sets) = gauges.set(&problem, &chosen);
        let around = problem.work(&gauges.around(site, &train, &case))?;
        let mut moved = false;
        for (bound, margin) in problem.bounds.iter().zip(&mut margins) {
            let beyond = around
                .iter()
                .map(|run| bound.beyond(run))
                .map(|beyond| {
                    // Where nothing is known nothing is kept.
                    if beyond.is_nan() {
                        UNKNOWN * bound.limit.abs()
                    } else {
                        beyond
                    }
                })
                .fold(f64::NEG_INFINITY, f64::max);
            if beyond > 1e-9 * bound.limit.abs() {
                *margin += MOVE * beyond;
                moved = true;
            }
        }
        if !moved {
            return found(
                site,
                problem,
                chosen,
                case,
                sets,
                &around,
                day.membrane.is_none(),
                level,
            )
            .map(|found| Settings { scaling, ..found });
        }
        worst_of = Some(around);
    }
    Err(Error::Settings(no_setting(&problem, worst_of).into()))
}

/// The recoveries that scales allow on a day, by its own analysis or that of the site file.
fn scaling(
    site: &Site,
    day: &Day,
    temperature: f64,
    feed_tds: f64,
) -> Result<Option<RecoveryLimits>, Error> {
    let water = match day.water {
        Some(water) => Some(water.at_temperature(temperature)?),
        None => site.water_at(temperature, Some(feed_tds))?,
    };
    water.map(|water| site.scaling_of(&water)).transpose()
}

/// Why there is none.
fn no_setting(problem: &Problem<'_>, around: Option<Vec<Run>>) -> Fault {
    let broken: Vec<String> = match around {
        Some(runs) => problem
            .bounds
            .iter()
            .filter(|bound| runs.iter().any(|run| !bound.is_kept(run, 0.0)))
            .map(|bound| bound.of.words())
            .collect(),
        None => Vec::new(),
    };
    let told = match broken.as_slice() {
        [] => problem
            .bounds
            .iter()
            .map(|bound| bound.of.words())
            .collect::<Vec<_>>()
            .join(", "),
        some => some.join(", "),
    };
    Fault::new(
        "no setting keeps all limits",
        format!("check these, in the site file and on the unit: {told}"),
    )
    .at_column("settings")
}

/// What is to be solved: the day, with what the site file tells in place of what was not given.
fn problem<'a>(site: &Site, day: &Day, train: &'a Train) -> Result<Problem<'a>, Error> {
    let design = match &site.reference {
        ReferenceRule::Design(design) => Some(design),
        ReferenceRule::Baseline(_) => None,
    };
    let mut faults = Faults::default();
    let by_conductivity = match day.feed_conductivity.map(|measured| {
        let (_, rule) = SaltFrom::of_stream(Column::FeedTds, site);
        (measured, rule.map(|rule| rule.tds(measured)))
    }) {
        Some((_, None)) => {
            faults.push(
                Fault::new(
                    "the site file doesn't tell how it is turned into salt",
                    "add [salinity.tds_per_conductivity] feed = 0.55, or give the salt itself",
                )
                .at_column("feed_conductivity"),
            );
            // Its fault is told; no other is to be.
            Some(f64::NAN)
        }
        Some((measured, Some(tds))) => {
            within("feed_conductivity", measured, (0.0, 1e6), " uS/cm")?;
            if tds.is_nan() {
                faults.push(
                    Fault::new(
                        "beyond what is known of the salt",
                        "check the reading and its unit, and [salinity.tds_per_conductivity] feed",
                    )
                    .at_column("feed_conductivity")
                    .with_value(format!("{measured} uS/cm")),
                );
            }
            Some(tds)
        }
        None => None,
    };
    let mut need = |what: &str, given: Option<f64>, remedy: &str| {
        given.unwrap_or_else(|| {
            faults.push(Fault::new("not given, and not in the site file", remedy).at_column(what));
            f64::NAN
        })
    };
    let assumed = |column: Column| site.assume.get(&column).map(|assumed| assumed.value);
    let wanted = &site.wanted;
    let feed_tds = need(
        "feed_tds",
        day.feed_tds
            .or(by_conductivity)
            .or_else(|| assumed(Column::FeedTds))
            .or(design.map(|design| design.feed_tds)),
        "give the day's, as salt or as conductivity, or [assume] feed_tds",
    );
    let permeate_pressure = need(
        "permeate_pressure",
        day.permeate_pressure
            .or_else(|| assumed(Column::PermeatePressure))
            .or(design.map(|design| design.permeate_pressure)),
        "give it, or [assume] permeate_pressure = \"0 psi\" for an open line",
    );
    let flow = day
        .permeate_flow
        .or(wanted.permeate_flow.map(|figure| figure.value))
        .or(design.map(|design| design.permeate_flow));
    let asked = match day.feed_pressure {
        Some(pressure) => Asked::FeedPressure(pressure),
        None => Asked::PermeateFlow(need(
            "permeate_flow",
            flow,
            "give what is wanted, or a feed pressure, or [settings] permeate_flow",
        )),
    };
    let recovery = need(
        "recovery",
        day.recovery
            .or(wanted.recovery.map(|figure| figure.value))
            .or(design.map(|design| design.recovery)),
        "give what is wanted, or [settings] recovery",
    );
    let membrane = match day.membrane {
        Some(membrane) => Some(membrane),
        None => match Membrane::rated(site) {
            Ok(membrane) => Some(membrane),
            Err(Error::Site(more)) => {
                faults.append(more);
                None
            }
            Err(other) => return Err(other),
        },
    };
    let recycle_flow = day
        .recycle_flow
        .or(wanted.recycle_flow.map(|figure| figure.value));
    let recycle = match (site.recycle, recycle_flow) {
        (true, Some(flow)) => Recycle::Fixed(flow),
        (true, None) => Recycle::Least,
        (false, None | Some(0.0)) => Recycle::None,
        (false, Some(_)) => {
            faults.push(
                Fault::new(
                    "the site file knows of no recycle",
                    "add [recycle] returns_to = \"feed\", or leave it out",
                )
                .at_column("recycle_flow"),
            );
            Recycle::None
        }
    };
    faults.into_result(Error::Site)?;
    train.check(day.feed_temperature, feed_tds)?;
    within("recovery", recovery, (1e-3, 0.99), "")?;
    within(
        "recycle_flow",
        recycle_flow.unwrap_or(0.0),
        (0.0, 1e6),
        " m3/h",
    )?;
    let bounds = bounds::of_site(site);
    let problem = Problem {
        train,
        // Missing only with a fault, and that was just raised.
        membrane: membrane.unwrap_or(Membrane {
            water_permeability: f64::NAN,
            salt_permeability: f64::NAN,
            spacer_friction: f64::NAN,
        }),
        temperature: day.feed_temperature,
        feed_tds,
        permeate_pressure,
        asked,
        recovery,
        recycle,
        bounds,
    };
    Ok(problem)
}

/// The gauges of a site that settings are made by.
struct Gauges {
    pressure: Gauge,
    concentrate: Gauge,
    recycle: Gauge,
}

impl Gauges {
    fn of(site: &Site) -> Self {
        Self {
            pressure: Gauge::of(site, Column::FeedPressure),
            concentrate: Gauge::of(site, Column::ConcentrateFlow),
            recycle: Gauge::of(site, Column::RecycleFlow),
        }
    }

    /// What was chosen, on the marks of the gauges: pressure on the nearest one inside its limit, more concentrate rather
    /// than less, and more recycle where as little as will do was chosen.
    fn set(&self, problem: &Problem<'_>, chosen: &Chosen) -> (Operation, [Set; 3]) {
        let Run {
            working,
            recycle_flow,
            ..
        } = &chosen.run;
        let set = |gauge: Gauge, exact: f64, value: f64| Set {
            gauge,
            value,
            exact,
        };
        let most = problem
            .bounds
            .iter()
            .filter(|bound| bound.of == Of::FeedPressure && bound.is_high)
            .map(|bound| bound.limit)
            .fold(f64::INFINITY, f64::min);
        let exact = working.feed_pressure;
        let nearest = self.pressure.nearest(exact);
        let pressure =
            if nearest + self.pressure.doubt(nearest) <= most && chosen.stops_flow.is_empty() {
                nearest
            } else {
                self.pressure.below(exact)
            };
        let concentrate = self.concentrate.above(working.concentrate_flow);
        let recycle = match problem.recycle {
            Recycle::Least => self.recycle.above(*recycle_flow),
            _ => *recycle_flow,
        };
        let case = Operation {
            temperature: problem.temperature,
            feed_tds: problem.feed_tds,
            permeate_pressure: problem.permeate_pressure,
            recycle_flow: recycle,
            drain: Drain::ConcentrateFlow,
            drain_value: concentrate,
            drive: Drive::FeedPressure,
            drive_value: pressure,
        };
        let sets = [
            set(self.pressure, exact, pressure),
            set(self.concentrate, working.concentrate_flow, concentrate),
            set(self.recycle, *recycle_flow, recycle),
        ];
        (case, sets)
    }

    /// What the unit may really run at when its gauges show this: each of them, and what was read of the day, off by all it
    /// may be off by, either way, in every combination; first of all as shown.
    ///
    /// No water is colder or saltier than the laws know: there the corner is where they end.
    fn around(&self, site: &Site, train: &Train, case: &Operation) -> Vec<Operation> {
        let of_day = |column: Column, at: f64| {
            let accuracy = site
                .instruments
                .get(&column)
                .and_then(|known| known.accuracy);
            accuracy.map_or(0.0, |accuracy| accuracy.at(at))
        };
        let temperature = of_day(Column::FeedTemperature, case.temperature);
        let doubts = [
            self.pressure.doubt(case.drive_value),
            self.concentrate.doubt(case.drain_value),
            if case.recycle_flow > 0.0 {
                self.recycle.doubt(case.recycle_flow)
            } else {
                0.0
            },
            temperature,
            case.feed_tds * salt_doubt(site, case.feed_tds),
        ];
        let (coldest, warmest) = train.temperature_range();
        let (_, saltiest) = site.salinity.basis.tds_range_mg_l();
        let mut cases = vec![*case];
        for corner in 0..1 << doubts.len() {
            let off = |at: usize| {
                let sign = if corner >> at & 1 == 1 { 1.0 } else { -1.0 };
                sign * doubts[at]
            };
            cases.push(Operation {
                drive_value: case.drive_value + off(0),
                // Nothing runs backwards.
                drain_value: (case.drain_value + off(1)).max(0.0),
                recycle_flow: (case.recycle_flow + off(2)).max(0.0),
                temperature: (case.temperature + off(3)).max(coldest).min(warmest),
                feed_tds: (case.feed_tds + off(4)).max(0.0).min(saltiest),
                ..*case
            });
        }
        cases
    }
}

/// How far the day's salt may be off, as a share: its meter, and the rule that turns its conductivity into salt.
fn salt_doubt(site: &Site, tds: f64) -> f64 {
    let of = |column: Column, at: f64| {
        let accuracy = site
            .instruments
            .get(&column)
            .and_then(|known| known.accuracy);
        accuracy.map_or(0.0, |accuracy| accuracy.at(at) / at)
    };
    if tds <= 0.0 {
        return 0.0;
    }
    let (conductivity, rule) = SaltFrom::of_stream(Column::FeedTds, site);
    match rule {
        Some(rule) => {
            let (measured, _) = rule.measured_and_slope(tds);
            let of_rule = site.salinity.tds_per_conductivity.accuracy.unwrap_or(0.0);
            let of_meter = if measured > 0.0 {
                of(conductivity, measured)
            } else {
                0.0
            };
            of_meter + of_rule
        }
        None => of(Column::FeedTds, tds),
    }
}

/// All that is worth telling of a choice that keeps every limit.
fn found(
    site: &Site,
    problem: Problem<'_>,
    chosen: Chosen,
    case: Operation,
    [pressure, concentrate, recycle]: [Set; 3],
    around: &[Run],
    rated: bool,
    level: f64,
) -> Result<Settings, Error> {
    // Refuses what the laws don't hold for, which the search only passes over.
    let (_, elements) = problem.train.profile(&problem.membrane, &case)?;
    let run = around[0];
    let held = problem
        .bounds
        .iter()
        .map(|bound| {
            let figures = around.iter().map(|run| bound.of.figure(run));
            let worst = if bound.is_high {
                figures.fold(f64::NEG_INFINITY, f64::max)
            } else {
                figures.fold(f64::INFINITY, f64::min)
            };
            Held {
                bound: *bound,
                value: bound.of.figure(&run),
                worst,
            }
        })
        .collect();
    let recoveries = around.iter().map(|run| run.working.recovery);
    let recovery_range = recoveries.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), at| {
        (low.min(at), high.max(at))
    });
    let doubts = Doubts::of_site(site, &case, rated);
    let expected = problem
        .train
        .expected(&problem.membrane, &case, &doubts, level)?;
    Ok(Settings {
        feed_pressure: pressure,
        concentrate_flow: concentrate,
        recycle_flow: site.recycle.then_some(recycle),
        run,
        recovery_range,
        wanted_permeate_flow: match problem.asked {
            Asked::PermeateFlow(flow) => Some(flow),
            Asked::FeedPressure(_) => None,
        },
        wanted_recovery: problem.recovery,
        stops_flow: chosen.stops_flow,
        stops_recovery: chosen.stops_recovery,
        held,
        not_told: bounds::not_told(site),
        taken_as_exact: doubts.not_told,
        expected,
        scaling: None,
        warnings: warnings(site, &problem, &case),
        alarm: alarm(site, &problem, &run)?,
        elements,
        membrane: problem.membrane,
        operation: case,
    })
}

/// What a person should know before setting anything.
fn warnings(site: &Site, problem: &Problem<'_>, case: &Operation) -> Vec<String> {
    let mut warnings = Vec::new();
    if case.recycle_flow > 0.0 && problem.feed_tds > site.recycle_feed_tds {
        let unit = site.unit_of(Column::FeedTds);
        warnings.push(format!(
            "concentrate is recycled on a feed of {:.0} {}, above {:.0}: the membranes then see far more salt, and scale \
             and fail sooner; ask the maker before recycling",
            unit.from_canonical(problem.feed_tds),
            unit.word,
            unit.from_canonical(site.recycle_feed_tds),
        ));
    }
    for (column, value) in [
        (Column::FeedTemperature, problem.temperature),
        (Column::FeedTds, problem.feed_tds),
        (Column::PermeatePressure, problem.permeate_pressure),
    ] {
        let Some(limit) = site.limits.get(column.name()) else {
            continue;
        };
        let side = match (limit.low, limit.high) {
            (Some(low), _) if value < low => Some(("below", low)),
            (_, Some(high)) if value > high => Some(("above", high)),
            _ => None,
        };
        if let Some((side, limit_at)) = side {
            let shown = |value: f64| limit.unit.from_canonical(value);
            warnings.push(format!(
                "{} is {:.4} {}, {side} the site's limit of {:.4}: the unit is not to run so",
                column.name().replace('_', " "),
                shown(value),
                limit.unit.word,
                shown(limit_at),
            ));
        }
    }
    warnings
}

/// Halvings of the stretch in which warm water reaches the alarm.
const HALVINGS: usize = 30;

fn alarm(site: &Site, problem: &Problem<'_>, run: &Run) -> Result<Alarm, Error> {
    let times = site.wanted.quality_alarm;
    let expected = run.working.permeate_tds;
    let (_, rule) = SaltFrom::of_stream(Column::PermeateTds, site);
    let conductivity = |tds: f64| rule.map(|rule| rule.measured_and_slope(tds).0);
    let limit = times * expected;
    let (_, known_to) = problem.train.temperature_range();
    let allowed_to = site
        .limits
        .get(Column::FeedTemperature.name())
        .and_then(|limit| limit.high);
    let warmest = allowed_to.map_or(known_to, |high| high.min(known_to));
    let at = |temperature: f64| -> Result<f64, Error> {
        let case = Operation {
            temperature,
            feed_tds: problem.feed_tds,
            permeate_pressure: problem.permeate_pressure,
            recycle_flow: run.recycle_flow,
            drain: Drain::Recovery,
            drain_value: run.working.recovery,
            drive: Drive::PermeateFlow,
            drive_value: run.working.permeate_flow,
        };
        Ok(problem.work(&[case])?[0].working.permeate_tds)
    };
    let mut reached_at = None;
    if warmest > problem.temperature && at(warmest)? >= limit {
        let (mut low, mut high) = (problem.temperature, warmest);
        for _ in 0..HALVINGS {
            let middle = 0.5 * (low + high);
            if at(middle)? >= limit {
                high = middle;
            } else {
                low = middle;
            }
        }
        reached_at = Some(high);
    }
    Ok(Alarm {
        permeate_tds: limit,
        permeate_conductivity: conductivity(limit),
        expected: (expected, conductivity(expected)),
        times,
        reached_at,
    })
}
