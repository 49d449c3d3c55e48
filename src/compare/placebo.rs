//! The same comparison where nothing changed: what chance alone makes of it on this plant.

use rayon::prelude::*;

use super::arms::{Arm, Course};
use super::design::contrasts;
use super::effect::{Effect, figure_of};
use super::measure::Kind;
use super::{Settings, refused};
use crate::error::Error;
use crate::trend::points::DAY_US;

/// Days that a trial must last to be tried out where nothing changed.
const SHORTEST: f64 = 28.0;

/// What a comparison shows where nothing changed.
#[derive(Debug, Clone, PartialEq)]
pub struct Placebo {
    /// The differences it finds, in the unit of the effect's own, one for each place it was tried at.
    pub differences: Vec<f64>,
    /// Their root mean square: the noise floor.
    pub floor: f64,
    /// How many of them a test at the risk (by itself, not of a family) calls a difference.
    pub called: usize,
    /// How long the tried trial lasts, d: shorter than the trial itself where the time is too short, and then the floor
    /// is higher than the trial's own.
    pub lasts_days: f64,
}

/// Tries the comparison out within a time in which nothing changed, moved along it by half its length each time.
///
/// # Errors
/// [`Error::Series`] where that time is too short, or meets the trial itself.
pub(super) fn placebo(
    arms: &[Arm<'_>],
    (from, until): (i64, i64),
    settings: &Settings,
    effects: &mut [Effect],
    warnings: &mut Vec<String>,
) -> Result<(), Error> {
    let start = arms.iter().map(|arm| arm.span_us.0).min().unwrap_or(0);
    let end = arms.iter().map(|arm| arm.span_us.1).max().unwrap_or(0);
    let treated = arms.iter().filter(|arm| arm.treatment != settings.control);
    if treated
        .clone()
        .any(|arm| arm.span_us.0 < until && from < arm.span_us.1)
    {
        return Err(refused(
            "the placebo's time meets a treated arm",
            "a time in which nothing changed",
        ));
    }
    let (whole, free) = (end - start, until - from);
    let lasts = whole.min(free);
    let lasts_days = lasts as f64 / DAY_US as f64;
    if lasts_days < SHORTEST {
        return Err(refused(
            format!("the placebo's time of {lasts_days:.0} days is too short"),
            format!("{SHORTEST} at least, better as long as the trial"),
        ));
    }
    let shrink = lasts as f64 / whole as f64;
    let step = (lasts / 2).max(1);
    let places = (free - lasts) / step + 1;
    let names: Vec<String> = effects
        .iter()
        .map(|effect| effect.treatment.clone())
        .collect();
    let tried: Vec<Vec<Option<(f64, f64)>>> = (0..places)
        .into_par_iter()
        .map(|place| {
            let moved = |us: i64| from + place * step + ((us - start) as f64 * shrink) as i64;
            let courses = arms
                .iter()
                .map(|arm| {
                    Course::of(Arm {
                        span_us: (moved(arm.span_us.0), moved(arm.span_us.1)),
                        ..*arm
                    })
                })
                .collect::<Result<Vec<Course<'_>>, Error>>();
            let found = courses.and_then(|courses| {
                let contrasts = contrasts(settings.design, &courses, &settings.control)?;
                Ok((courses, contrasts))
            });
            let Ok((courses, contrasts)) = found else {
                return vec![None; names.len()];
            };
            effects
                .iter()
                .map(|effect| {
                    if effect.measure.kind() == Kind::Runs {
                        return None;
                    }
                    let which = contrasts
                        .iter()
                        .find(|of| of.treatment == effect.treatment)?;
                    let figure = figure_of(which, &courses, effect.measure, settings).ok()?;
                    let shown = match effect.measure.kind() {
                        Kind::Rate(_) => figure.mean(),
                        Kind::Mean | Kind::Runs => figure.mean().exp_m1(),
                    };
                    Some((shown, figure.p()))
                })
                .collect()
        })
        .collect();
    for (at, effect) in effects.iter_mut().enumerate() {
        let found: Vec<(f64, f64)> = tried.iter().filter_map(|of_place| of_place[at]).collect();
        if found.is_empty() {
            continue;
        }
        let square: f64 = found
            .iter()
            .map(|(difference, _)| difference * difference)
            .sum();
        effect.placebo = Some(Placebo {
            floor: (square / found.len() as f64).sqrt(),
            called: found.iter().filter(|(_, p)| *p < settings.risk).count(),
            differences: found
                .into_iter()
                .map(|(difference, _)| difference)
                .collect(),
            lasts_days,
        });
    }
    if effects.iter().all(|effect| effect.placebo.is_none()) {
        warnings.push("no placebo run: the time in which nothing changed has too few days with readings of all arms".to_owned());
    } else if shrink < 1.0 {
        warnings.push(format!(
            "the placebo run lasts {lasts_days:.0} days, the trial {:.0}: its noise floor is higher than the trial's own",
            whole as f64 / DAY_US as f64
        ));
    }
    Ok(())
}
