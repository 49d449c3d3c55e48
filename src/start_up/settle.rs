//! From when on a unit that was just started has settled.

use super::{HOUR_US, refused};
use crate::error::Error;
use crate::normalise::Normalised;
use crate::stats::median;

/// The fewest settled readings that are a baseline.
pub const LEAST_READINGS: u32 = 5;
/// Halves of the settled stretch differ by no more than this, or by no more than chance makes of their scatter (common
/// practice, no source).
pub const FLOW_WITHIN: f64 = 0.02;
/// Salt passage settles later, and is read less surely.
pub const SALT_WITHIN: f64 = 0.05;
/// So is the pressure drop.
pub const DROP_WITHIN: f64 = 0.05;
/// The least share of the hours that a settled stretch lasts.
const LEAST_SHARE: f64 = 0.25;
/// By how much a figure must have moved before it settled to be told.
const MOVED: f64 = 0.03;
/// The first readings, whose median must not differ from that of all.
const FIRST: usize = 3;
/// Standard deviations of chance.
const CHANCE: f64 = 2.5;

/// Like-for-like figures of the first hours.
#[derive(Debug, Clone, Default)]
pub struct Course {
    /// Hours since the start.
    pub hours: Vec<f64>,
    /// Permeate flow.
    pub flow: Vec<f64>,
    /// Salt passage.
    pub salt: Vec<f64>,
    /// Differential pressure.
    pub drop: Vec<f64>,
    /// How long is looked at, h.
    pub until_h: f64,
}

/// From when on a unit has settled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settled {
    /// Hours after the start.
    pub after_h: f64,
    /// Used readings before that.
    pub readings_before: usize,
    /// Used readings from then on.
    pub readings: usize,
    /// Whether permeate flow rose to where it settled (`Some(true)`), or fell (`Some(false)`).
    pub flow_rose: Option<bool>,
    /// Whether salt passage fell to where it settled.
    pub salt_fell: bool,
}

impl Course {
    /// The used rows of a group within so many hours of its start.
    pub(super) fn of(
        result: &Normalised,
        rows: &[usize],
        start_us: Option<i64>,
        until_h: f64,
    ) -> Self {
        let table = result.table();
        let time = &table.time;
        let used = |row: &&usize| result.reasons[**row].is_empty();
        let start = start_us.or_else(|| rows.iter().find(used).map(|row| time[*row]));
        let of = |name: &str| table.series(name).ok();
        let series = [
            of("normalised_permeate_flow"),
            of("normalised_salt_passage"),
            of("normalised_differential_pressure"),
        ];
        let mut course = Self {
            until_h,
            ..Self::default()
        };
        for row in rows.iter().filter(used) {
            let Some(start) = start else { break };
            let hours = (time[*row] - start) as f64 / HOUR_US;
            if !(0.0..=until_h).contains(&hours) {
                continue;
            }
            let figure = |at: usize| series[at].map_or(f64::NAN, |series| series.values[*row]);
            course.hours.push(hours);
            course.flow.push(figure(0));
            course.salt.push(figure(1));
            course.drop.push(figure(2));
        }
        course
    }
}

/// The earliest reading from which on no figure still moves.
///
/// # Errors
/// [`Error::Baseline`] for too few readings, and where a figure still moves in the last quarter of the hours.
pub fn settled(course: &Course, who: &str) -> Result<Settled, Error> {
    let readings = course.hours.len();
    let least = LEAST_READINGS as usize;
    if readings < least {
        return Err(refused(
            format!(
                "{who} has {readings} usable readings in its first {} h",
                course.until_h
            ),
            "five at least are needed, better one every hour: read on, and give more hours",
        ));
    }
    let last = course.hours[readings - 1];
    let latest = last - LEAST_SHARE * course.until_h.min(last);
    let mut moves = "";
    for from in 0..=readings - least {
        if course.hours[from] > latest {
            break;
        }
        let still = [
            ("permeate flow", &course.flow, FLOW_WITHIN),
            ("salt passage", &course.salt, SALT_WITHIN),
            ("differential pressure", &course.drop, DROP_WITHIN),
        ]
        .into_iter()
        .find(|(_, figures, within)| is_moving(&figures[from..], *within));
        match still {
            Some((name, _, _)) => moves = name,
            None => {
                let before = |figures: &[f64]| {
                    let first = from.clamp(1, 3).min(figures.len());
                    (middle(&figures[..first]) / middle(&figures[from..])).ln()
                };
                let flow = before(&course.flow);
                return Ok(Settled {
                    after_h: course.hours[from],
                    readings_before: from,
                    readings: readings - from,
                    flow_rose: (from > 0 && flow.abs() > MOVED).then_some(flow < 0.0),
                    salt_fell: from > 0 && before(&course.salt) > MOVED,
                });
            }
        }
    }
    Err(refused(
        format!("{who} had not settled within {last:.0} h: {moves} still moves"),
        "look why it moves, read on, and give more hours",
    ))
}

fn middle(figures: &[f64]) -> f64 {
    median(
        &mut figures
            .iter()
            .copied()
            .filter(|figure| figure.is_finite())
            .collect::<Vec<_>>(),
    )
}

/// Whether the later half differs from the earlier, or the first readings from all, by more than is allowed and than chance
/// brings.
fn is_moving(figures: &[f64], within: f64) -> bool {
    let known: Vec<f64> = figures
        .iter()
        .copied()
        .filter(|figure| figure.is_finite() && *figure > 0.0)
        .map(f64::ln)
        .collect();
    if known.len() < 4 {
        return false;
    }
    let (earlier, later) = known.split_at(known.len() / 2);
    let apart = middle(later) - middle(earlier);
    // What scatters about each half's own middle.
    let mut off: Vec<f64> = [earlier, later]
        .iter()
        .flat_map(|half| {
            let middle = middle(half);
            half.iter().map(move |figure| (figure - middle).abs())
        })
        .collect();
    let deviation = 1.4826 * median(&mut off);
    let chance = |one: usize, other: usize| {
        let of_medians = (1.0 / one as f64 + 1.0 / other as f64).sqrt();
        within.max(CHANCE * std::f64::consts::FRAC_PI_2.sqrt() * deviation * of_medians)
    };
    let first = FIRST.min(known.len());
    let begins = middle(&known[..first]) - middle(&known);
    apart.abs() > chance(earlier.len(), later.len()) || begins.abs() > chance(first, known.len())
}
