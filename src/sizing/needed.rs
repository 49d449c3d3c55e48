//! How big a unit is needed: by the model, by the rule of thumb, and by its rating in warm water.

use super::work::Model;
use super::year::SizedUnit;
use crate::assess::Estimate;
use crate::error::Error;
use crate::normalise::temperature::STANDARD_DEGC;
use crate::site::Stage;

/// Vessels of the smallest unit that is looked for, at most.
const MOST_VESSELS: u32 = 100_000;
/// What is made may miss what is needed by the last digits.
const ENOUGH: f64 = 1.0 - 1e-9;

/// How big a unit is needed.
#[derive(Debug, Clone, PartialEq)]
pub struct Needed {
    /// The month that needs most of it, from 0.
    pub binding_month: usize,
    /// How many times the present area, of vessels in the present proportion.
    pub area_times: Estimate,
    /// All elements together at the rating's test conditions, m3/h.
    pub rated_flow: Estimate,
    /// The same, had the flow at 25 degC fallen by the rule of thumb of 2 % for each degF below 77 degF, m3/h.
    pub rated_flow_by_2_per_degf: f64,
    /// And by that of 3 % for each degC below 25 degC, m3/h.
    pub rated_flow_by_3_per_degc: f64,
    /// And had nobody thought of cold water, m3/h.
    pub rated_flow_at_25: f64,
    /// The coldest month in which anything is needed, from 0.
    pub coldest_month: usize,
    /// What that last unit makes of the coldest month's need.
    pub share_at_25: f64,
    /// The smallest number of vessels of the same kind that meets every month; `None`: none was found.
    pub vessels: Option<Vec<Stage>>,
    /// The same with the lower end of each month's interval; `None`: no interval, or none was found.
    pub vessels_to_be_sure: Option<Vec<Stage>>,
}

/// What is left of the flow at 77 degF by the rule of thumb: (1 − 0.02)^n, n degF below.
///
/// `temperature` degC. Common practice, no source. Published laws leave as much or more: 0.48 to 0.59 at 5 degC, where it leaves 0.48.
///
/// ```
/// // 59 degF is 18 below.
/// assert!((brinemark::sizing::two_per_cent_a_degf(15.0) - 0.98_f64.powi(18)).abs() < 1e-12);
/// ```
pub fn two_per_cent_a_degf(temperature: f64) -> f64 {
    0.98_f64.powf(1.8 * (STANDARD_DEGC - temperature))
}

/// What is left of the flow at 25 degC by the rule of thumb: (1 − 0.03)^n, n degC below.
///
/// `temperature` degC. Common practice, no source.
///
/// ```
/// assert!((brinemark::sizing::three_per_cent_a_degc(15.0) - 0.97_f64.powi(10)).abs() < 1e-12);
/// ```
pub fn three_per_cent_a_degc(temperature: f64) -> f64 {
    0.97_f64.powf(STANDARD_DEGC - temperature)
}

pub(super) fn needed(model: &Model<'_>, present: &SizedUnit) -> Result<Needed, Error> {
    let demand = model.demand;
    let hours = demand.running.hours() / 24.0;
    let wanted: Vec<usize> = (0..12).filter(|month| demand.daily[*month] > 0.0).collect();
    let least_by = |of: &dyn Fn(usize) -> f64| {
        let least = wanted
            .iter()
            .copied()
            .min_by(|a, b| of(*a).total_cmp(&of(*b)));
        // Some month needs something: a demand of nothing was refused.
        least.unwrap_or_default()
    };
    let share = |month: usize| {
        let share = &present.months[month].worn.share;
        share.as_ref().map_or(f64::INFINITY, |share| share.value)
    };
    let binding_month = least_by(&share);
    let coldest_month = least_by(&|month| demand.feed.temperature[month]);
    let standard = model.capacities(&present.stages, Some(STANDARD_DEGC))?;
    // How many times the present unit, if a law of temperature were all there is to cold water.
    let times = |law: &dyn Fn(f64) -> f64| {
        let of = |month: &usize| {
            demand.daily[*month] / (standard[*month] * hours * law(demand.feed.temperature[*month]))
        };
        wanted.iter().map(of).fold(0.0, f64::max)
    };
    let at_25 = times(&|_| 1.0);
    let binding = present.months[binding_month].worn.share.clone();
    let inverse = |scale: f64, unit: &'static str| {
        let of = |share: f64| scale / share;
        binding.clone().map_or_else(
            || nothing(model, unit),
            |share| Estimate {
                value: of(share.value),
                low: of(share.high),
                high: of(share.low),
                unit,
                ..share
            },
        )
    };
    let low_ends: Vec<f64> = present
        .months
        .iter()
        .map(|month| model.low_end(&month.worn.capacity))
        .collect();
    let area_times = inverse(1.0, "times");
    let vessels = smallest(model, area_times.value, &[1.0; 12])?;
    let vessels_to_be_sure = if model.knows_errors() {
        smallest(model, area_times.high, &low_ends)?
    } else {
        None
    };
    Ok(Needed {
        binding_month,
        rated_flow: inverse(present.rated_flow, "m3/h"),
        area_times,
        rated_flow_by_2_per_degf: present.rated_flow * times(&two_per_cent_a_degf),
        rated_flow_by_3_per_degc: present.rated_flow * times(&three_per_cent_a_degc),
        rated_flow_at_25: present.rated_flow * at_25,
        coldest_month,
        share_at_25: at_25 * share(coldest_month),
        vessels,
        vessels_to_be_sure,
    })
}

fn nothing(model: &Model<'_>, unit: &'static str) -> Estimate {
    Estimate {
        value: f64::NAN,
        low: f64::NAN,
        high: f64::NAN,
        level: model.level(),
        unit,
        n: 0,
        method: "",
        budget: None,
    }
}

/// The smallest number of vessels that meets every month, if each makes but this share of what the model says.
fn smallest(model: &Model<'_>, times: f64, shares: &[f64]) -> Result<Option<Vec<Stage>>, Error> {
    let present: u32 = model.site.stages.iter().map(|stage| stage.vessels).sum();
    let least = model.site.stages.len() as u32;
    let hours = model.demand.running.hours() / 24.0;
    let meets = |vessels: u32| -> Result<bool, Error> {
        let made = model.capacities(&spread(&model.site.stages, vessels), None)?;
        let enough = |month: usize| {
            made[month] * hours * shares[month] >= model.demand.daily[month] * ENOUGH
        };
        Ok((0..12).all(enough))
    };
    let guess = (times * f64::from(present)).ceil();
    if !(guess <= f64::from(MOST_VESSELS)) {
        return Ok(None);
    }
    // Near the guess, where the stages keep their proportion; the model has the last word.
    let mut vessels = (guess as u32).max(least);
    if meets(vessels)? {
        while vessels > least && meets(vessels - 1)? {
            vessels -= 1;
        }
        return Ok(Some(spread(&model.site.stages, vessels)));
    }
    let most = vessels.saturating_mul(2).saturating_add(10);
    while vessels < most {
        vessels += 1;
        if meets(vessels)? {
            return Ok(Some(spread(&model.site.stages, vessels)));
        }
    }
    Ok(None)
}

/// So many vessels over the stages, as near to the present proportion as whole vessels are, at least one each.
pub(super) fn spread(stages: &[Stage], vessels: u32) -> Vec<Stage> {
    let present: u32 = stages.iter().map(|stage| stage.vessels).sum();
    let ideal = |stage: &Stage| f64::from(vessels) * f64::from(stage.vessels) / f64::from(present);
    let mut found: Vec<Stage> = stages
        .iter()
        .map(|stage| Stage {
            vessels: (ideal(stage).floor() as u32).max(1),
            ..*stage
        })
        .collect();
    loop {
        let total: u32 = found.iter().map(|stage| stage.vessels).sum();
        let missing = |at: &usize| ideal(&stages[*at]) - f64::from(found[*at].vessels);
        let places = 0..stages.len();
        let (place, more) = if total < vessels {
            // The first of the stages that lack most: the earlier carries more water.
            (
                places
                    .rev()
                    .max_by(|a, b| missing(a).total_cmp(&missing(b))),
                true,
            )
        } else if total > vessels {
            let above_one = places.filter(|at| found[*at].vessels > 1);
            (
                above_one.min_by(|a, b| missing(a).total_cmp(&missing(b))),
                false,
            )
        } else {
            return found;
        };
        match place {
            Some(place) if more => found[place].vessels += 1,
            Some(place) => found[place].vessels -= 1,
            None => return found,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn vessels_keep_the_proportion_of_the_stages() {
        let stages = [(4, 6), (2, 6)].map(|(vessels, elements_per_vessel)| Stage {
            vessels,
            elements_per_vessel,
        });
        for (vessels, expected) in [
            (2, [1, 1]),
            (3, [2, 1]),
            (4, [3, 1]),
            (5, [3, 2]),
            (6, [4, 2]),
            (9, [6, 3]),
            (10, [7, 3]),
        ] {
            let found: Vec<u32> = spread(&stages, vessels)
                .iter()
                .map(|stage| stage.vessels)
                .collect();
            assert_eq!(found, expected, "{vessels}");
        }
        assert_eq!(spread(&stages[..1], 7)[0].vessels, 7);
    }
}
