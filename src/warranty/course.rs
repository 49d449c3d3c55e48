//! A guaranteed figure over the period, window by window, against the contract's line: what a plot shows.

use super::case::Case;
use super::contract::{self, Found, promised_at};
use super::guarantee::key;
use super::{Terms, WarrantySettings};
use crate::assess::Estimate;
use crate::error::Error;
use crate::log::time::HOUR;
use crate::normalise::Normalised;
use crate::table::Group;
use crate::units::Unit;

/// A guaranteed figure over the period.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    /// Of which train and stage.
    pub group: Group,
    /// The key of the clause.
    pub key: &'static str,
    /// Whether no less is promised; otherwise no more.
    pub is_minimum: bool,
    /// The unit of the terms.
    pub unit: &'static Unit,
    /// How long a window is, h: as long as the one that the contract judges.
    pub window_h: f64,
    /// The windows, in order of time; the last is the one that is judged.
    pub windows: Vec<Window>,
}

/// A window of a course.
#[derive(Debug, Clone, PartialEq)]
pub struct Window {
    /// The middle of its readings, µs since 1970 UTC.
    pub middle_us: i64,
    /// The figure at the contract's conditions by the contract's own method.
    pub figure: Estimate,
    /// What is promised then, in the unit of the terms.
    pub promised: f64,
}

/// The courses of the guarantees of each train: windows that end where the judgement does, back to the start or to the last
/// replacement of the membranes. One without a reading is left out.
///
/// # Errors
/// As [`super::warranty`].
pub fn courses(
    result: &Normalised,
    terms: &Terms,
    settings: &WarrantySettings,
) -> Result<Vec<Course>, Error> {
    let (Some(guarantee), Some(by_contract)) =
        (&terms.guarantee, contract::normalised(result, terms)?)
    else {
        return Ok(Vec::new());
    };
    let mut courses = Vec::new();
    for (at, (group, rows)) in result.rows_of_groups().into_iter().enumerate() {
        if terms.train.is_some() && terms.train != group.train {
            continue;
        }
        let case = Case::new(result, terms, settings, (at, group), &rows)?;
        for (salt, promise) in [
            (false, &guarantee.permeate_flow),
            (true, &guarantee.salt_passage),
        ] {
            let Some(promise) = promise else { continue };
            let window_us = (guarantee.over_h * HOUR) as i64;
            let span_us = case.until_us.saturating_sub(case.cohort_us()).max(0);
            let windows = (0..=span_us / window_us.max(1))
                .rev()
                .filter_map(|back| {
                    let until_us = case.until_us - back * window_us;
                    let found: Found =
                        contract::found(&case, guarantee, &by_contract, salt, until_us)?;
                    let (_, promised) = promised_at(&case, promise, found.middle_us);
                    Some(Window {
                        middle_us: found.middle_us,
                        figure: found.estimate(settings.level, promise.unit),
                        promised: promise.unit.from_canonical(promised),
                    })
                })
                .collect();
            courses.push(Course {
                group: case.group.clone(),
                key: key(salt),
                is_minimum: !salt,
                unit: promise.unit,
                window_h: guarantee.over_h,
                windows,
            });
        }
    }
    Ok(courses)
}
