//! What to set at a start-up, or when the water has changed: feed pressure, concentrate and recycle, as real gauges can be set.
//!
//! The unit is worked out element by element ([`membrane`](crate::membrane)). Chosen is as much permeate as is wanted, at the
//! recovery that is wanted, with the least recycle, inside all limits of the unit, of its elements and of the water (`choose`).
//! What is chosen is then moved to marks that the gauges have ([`gauges`]), to the safe side, and held against every limit with
//! each gauge, and the day's own readings, off by all that they may be off by, in every combination. Where one is broken the
//! choice keeps farther away from it, until none is.
//!
//! [`map`] tells the same, without gauges, over temperature, salt and recovery.

mod alarm;
pub mod bounds;
mod choose;
pub mod gauges;
pub mod map;
mod marks;
#[cfg(test)]
mod tests;
mod told;

pub use self::alarm::Alarm;
use self::alarm::alarm;
use self::bounds::{Bound, Of, Run};
use self::choose::{Asked, Chosen, Problem, Recycle};
use self::gauges::Gauge;
use self::marks::Gauges;
use crate::error::{Error, Fault, Faults, within};
use crate::log::Column;
use crate::membrane::expected::{Doubts, Expected};
use crate::membrane::operate::Operation;
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
    pub elements: Vec<crate::membrane::profile::ElementAtWork>,
    /// The membranes.
    pub membrane: Membrane,
    /// What was worked out.
    pub operation: Operation,
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
    let mut moves = vec![0; problem.bounds.len()];
    let mut worst_of = None;
    for _ in 0..MOST_MOVES {
        let Some(chosen) = problem.choose(&margins)? else {
            break;
        };
        let (case, sets) = gauges.set(&problem, &chosen);
        let around = problem.work(&gauges.around(site, &train, &case))?;
        let mut moved = false;
        for ((bound, margin), moves) in problem.bounds.iter().zip(&mut margins).zip(&mut moves) {
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
                // The marks of a gauge may hold the choice where it was: each time the move is larger.
                *margin += MOVE * beyond * 2.0_f64.powi(*moves);
                *moves += 1;
                moved = true;
            }
        }
        if !moved {
            return found(site, problem, chosen, (case, sets), &around, (day, level))
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

/// All that is worth telling of a choice that keeps every limit.
fn found(
    site: &Site,
    problem: Problem<'_>,
    chosen: Chosen,
    (case, [pressure, concentrate, recycle]): (Operation, [Set; 3]),
    around: &[Run],
    (day, level): (&Day, f64),
) -> Result<Settings, Error> {
    let rated = day.membrane.is_none();
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
