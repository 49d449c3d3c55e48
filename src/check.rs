//! One visit: what the unit should have made, what it made, and what to do.
//!
//! The visit's readings are the last day of the log. What is expected of it comes from two sides: what the same membranes
//! would have made when new, under the very conditions of the visit; and what the trend of all earlier readings leads to.

use crate::assess::Estimate;
use crate::diagnose::{CAUTIONS, Diagnosis, diagnose};
use crate::error::{Error, Fault};
use crate::forecast::{Triggers, passed};
use crate::normalise::Normalised;
use crate::stats::median;
use crate::table::Group;
use crate::trend::mixture::Component;
use crate::trend::points::{DAY_US, Quantity, YEAR_US, utc_day};
use crate::trend::{TrendSettings, estimate, trend_of_rows};
use crate::units::Unit;

/// What to do, by how probable it is that a trigger is reached.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Advice {
    /// Nothing asks for anything.
    LeaveAlone,
    /// A trigger may be reached: look again soon.
    Watch,
    /// A trigger is reached.
    Act,
    /// The readings don't tell.
    CannotTell,
}

impl Advice {
    /// Its words.
    pub fn words(self) -> &'static str {
        match self {
            Self::LeaveAlone => "leave alone",
            Self::Watch => "watch",
            Self::Act => "act now",
            Self::CannotTell => "cannot tell",
        }
    }
}

/// How probable a loss past its trigger must be before it is acted on; and how improbable, before it is left alone.
const ACT: f64 = 0.95;
const ALONE: f64 = 0.20;
/// An interval wider than this, as a fraction, on either side of a trigger tells nothing.
const WIDE: f64 = 0.20;

/// One quantity at the visit.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// Which.
    pub quantity: Quantity,
    /// The visit's own figure against new, as a fraction, with what a single reading may be off by.
    pub visit: Estimate,
    /// What the readings before led to.
    pub expected: Option<Estimate>,
    /// All of it together: the trend with the visit in it.
    pub now: Estimate,
    /// How probable it is that its trigger is reached.
    pub reached: f64,
    /// The trigger.
    pub trigger: f64,
}

/// One visit, judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Check {
    /// Of which train and stage.
    pub group: Group,
    /// The visit, µs since 1970.
    pub time_us: i64,
    /// The units in which the log shows temperature, pressure and flow.
    pub units: [&'static Unit; 3],
    /// Feed temperature.
    pub temperature: f64,
    /// Feed pressure.
    pub pressure: f64,
    /// Permeate flow as read.
    pub read: f64,
    /// What the membranes would have made when new, at this temperature, pressure, salinity and recovery.
    pub when_new: Estimate,
    /// What the readings before lead to expect; `None`: there are too few.
    pub expected: Option<Estimate>,
    /// Flow as read against that at the reference, as a fraction; and what of it temperature and driving pressure explain.
    pub measured: f64,
    /// What temperature alone made of it, as a fraction.
    pub by_temperature: f64,
    /// What driving pressure alone made of it, as a fraction.
    pub by_driving_pressure: f64,
    /// The quantities.
    pub quantities: Vec<Checked>,
    /// Why, where there are readings enough.
    pub diagnosis: Option<Diagnosis>,
    /// What to do.
    pub advice: Advice,
    /// The cautions that stand beside it.
    pub caution: &'static str,
}

/// Judges the last day of a log.
///
/// # Errors
/// [`Error::Baseline`] where no train has a used reading beside its baseline's.
pub fn check(
    result: &Normalised,
    settings: &TrendSettings,
    triggers: &Triggers,
) -> Result<Vec<Check>, Error> {
    let mut checks = Vec::new();
    for (at, (group, rows)) in result.rows_of_groups().iter().enumerate() {
        if let Some(found) = of_group(result, group, at, rows, settings, triggers)? {
            checks.push(found);
        }
    }
    if checks.is_empty() {
        return Err(Error::Baseline(
            Fault::new(
                "no train has a reading that was used after its baseline",
                "add the visit's readings to the log",
            )
            .into(),
        ));
    }
    Ok(checks)
}

fn of_group(
    result: &Normalised,
    group: &Group,
    at: usize,
    own: &[usize],
    settings: &TrendSettings,
    triggers: &Triggers,
) -> Result<Option<Check>, Error> {
    let Some(now) = trend_of_rows(result, group, own, settings)? else {
        return Ok(None);
    };
    let points = &now.points;
    let last = points.len() - 1;
    let day = |row: usize| result.log.table.time[row].div_euclid(DAY_US);
    let visit_day = utc_day(points.time[last]);
    let (visit, earlier): (Vec<usize>, Vec<usize>) =
        own.iter().copied().partition(|row| day(*row) >= visit_day);
    let before = trend_of_rows(result, group, &earlier, settings)?;
    let of = |figure: &dyn Fn(usize) -> f64| {
        let used = visit.iter().filter(|row| result.reasons[**row].is_empty());
        median(
            &mut used
                .map(|row| figure(*row))
                .filter(|figure| figure.is_finite())
                .collect::<Vec<_>>(),
        )
    };
    let prepared = &result.prepared[at];
    let state_of = |row: usize| prepared.model.state(&result.inputs.conditions(row)).ok();
    let ratio = |figure: &dyn Fn(&crate::normalise::reading::State) -> f64| {
        of(&|row| state_of(row).map_or(f64::NAN, |state| figure(&state) / figure(&prepared.state)))
    };
    let by_temperature = ratio(&|state| state.temperature_factor);
    let by_driving_pressure = ratio(&|state| state.net_driving_pressure);
    let read = of(&|row| result.permeate_flow(row));
    let Some(reference) = result.baseline.of(group) else {
        return Ok(None);
    };
    let level = settings.level;
    let mut quantities = Vec::new();
    for found in &now.quantities {
        let quantity = found.quantity;
        let value = points.values[quantity as usize][last];
        let own_change: Vec<Component> = now.visit_change(found);
        let expected = before
            .as_ref()
            .and_then(|before| before.expected(quantity, points.time[last]));
        let trigger = triggers.of(quantity);
        quantities.push(Checked {
            quantity,
            visit: if value.is_nan() {
                missing(level)
            } else {
                estimate(&own_change, level, 1, &f64::exp_m1)
            },
            expected: expected.map(|mixture| estimate(&mixture, level, found.n, &f64::exp_m1)),
            now: found.now(level),
            reached: passed(found, trigger, 0.0),
            trigger,
        });
    }
    let water = quantities
        .iter()
        .find(|found| found.quantity == Quantity::WaterPermeability);
    let Some(water) = water.cloned() else {
        return Ok(None);
    };
    // What was read, without what became of the membranes since; the ends change places.
    let units = result.shown_units();
    let flow = |value: f64, low: f64, high: f64, n: usize| Estimate {
        value: units[2].from_canonical(value),
        low: units[2].from_canonical(low),
        high: units[2].from_canonical(high),
        level,
        unit: units[2].word,
        n,
        method: crate::trend::METHOD,
        budget: None,
    };
    let when_new = flow(
        read / (1.0 + water.visit.value),
        read / (1.0 + water.visit.high),
        read / (1.0 + water.visit.low),
        now.points.len(),
    );
    let new = read / (1.0 + water.visit.value);
    let expected = water.expected.as_ref().map(|change| {
        flow(
            new * (1.0 + change.value),
            new * (1.0 + change.low),
            new * (1.0 + change.high),
            change.n,
        )
    });
    let diagnosis = diagnose(result, &now).ok();
    let advice = advice(&quantities);
    Ok(Some(Check {
        group: group.clone(),
        time_us: (points.time[last] * YEAR_US) as i64,
        units,
        temperature: units[0].from_canonical(of(&|row| result.inputs.conditions(row).temperature)),
        pressure: units[1].from_canonical(of(&|row| result.inputs.conditions(row).feed_pressure)),
        read: units[2].from_canonical(read),
        when_new,
        expected,
        measured: read / reference.permeate_flow - 1.0,
        by_temperature: by_temperature - 1.0,
        by_driving_pressure: by_driving_pressure - 1.0,
        quantities,
        diagnosis,
        advice,
        caution: CAUTIONS,
    }))
}

fn missing(level: f64) -> Estimate {
    Estimate {
        value: f64::NAN,
        low: f64::NAN,
        high: f64::NAN,
        level,
        unit: "",
        n: 0,
        method: crate::trend::METHOD,
        budget: None,
    }
}

fn advice(quantities: &[Checked]) -> Advice {
    let most = quantities
        .iter()
        .map(|found| found.reached)
        .fold(0.0, f64::max);
    let tells = |found: &Checked| found.now.high - found.now.low < WIDE || found.reached < 0.05;
    if most >= ACT {
        Advice::Act
    } else if !quantities.iter().all(tells) {
        Advice::CannotTell
    } else if most > ALONE {
        Advice::Watch
    } else {
        Advice::LeaveAlone
    }
}
