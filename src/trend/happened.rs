//! What happened to a unit: what the site's list tells, what the points show, and what that looks like.

use super::filter::{LEVEL, RATE, Smoothed};
use super::known::estimate;
use super::mixture::Component;
use super::model::{Believed, Course, Happening, Intervention, PARTS, Prior};
use super::points::YEAR_US;
use crate::assess::Estimate;
use crate::log::Column;
use crate::normalise::Normalised;
use crate::site::EventKind;

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

/// Output up, salt passage not with it (the edges are common practice, no source).
pub(super) fn like_a_cleaning(water: f64, salt: f64) -> bool {
    water > 0.02 && salt < 0.4 * water
}

impl Change {
    /// What it looks like, by how much each quantity jumped; `after`: water permeability against new right after it.
    pub(super) fn likeness(&self, after: Option<f64>) -> Likeness {
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
        } else if like_a_cleaning(water, salt) {
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

/// What the site's list tells, with its place there.
pub(super) fn told(result: &Normalised) -> Vec<(usize, Intervention)> {
    result
        .site
        .events
        .iter()
        .enumerate()
        .filter(|(_, event)| !result.inputs.known_errors.is_mere_check(event))
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
        | Column::FeedSdi
        | Column::FeedTurbidity
        | Column::FeedFreeChlorine
        | Column::CleaningPh
        | Column::Running => [false; 3],
    }
}

/// How large each change was in a quantity.
pub(super) fn sizes(
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
            Happening::Cleaning | Happening::Jump => (LEVEL, prior.jump),
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
