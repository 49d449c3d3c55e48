//! The site's own temperature law: how a quantity of this unit follows temperature, from its own log.

use super::TrendSettings;
use super::filter::LEVEL;
use super::filter::{Step, Variances};
use super::mixture::moments;
use super::model::{Believed, Course, PARTS, SLOW};
use super::points::{Points, Quantity, inverse_temperature};
use super::{Gaussian, NEW, QuantityTrend, Trend, estimate, mixture_of, part};
use crate::assess::Estimate;
use crate::baseline::Baseline;
use crate::error::Error;
use crate::log::Log;
use crate::normalise::temperature::Law;
use crate::normalise::{Analysis, normalise};
use crate::site::Site;
use statrs::distribution::{ContinuousCDF, Normal};

/// How a quantity of this unit follows temperature: exp[K (1/298.15 − 1/T)], T in kelvin.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteLaw {
    /// K, in kelvin, from the log and what is published; of a pressure drop: what is left beside the law of viscosity.
    pub constant: Estimate,
    /// The constant of the law it was normalised by, between the coldest and the warmest week of the log, K.
    pub normalised_by: f64,
    /// Coldest week, degC.
    pub coldest: f64,
    /// Warmest week, degC.
    pub warmest: f64,
}

/// What gauges that are off by the same all year do to the constant, K, since driving pressure follows the season: a
/// gauge off by 1 % of a driving pressure that is raised by a fifth in winter makes 0.2 % of 15 K, about 10 K each (from the
/// simulated plants; no source).
const GAUGES: f64 = 30.0;

pub(super) fn site_law(
    laws: Option<&Site>,
    quantity: Quantity,
    points: &Points,
    ways: &[Believed],
    ends: &[Gaussian<PARTS>],
    level: f64,
) -> SiteLaw {
    let span = |figures: &[f64]| {
        figures
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), figure| {
                (low.min(*figure), high.max(*figure))
            })
    };
    let (low, high) = span(&points.slow);
    let degc = |inverse: f64| 1.0 / (1.0 / 298.15 - inverse) - 273.15;
    let (coldest, warmest) = (degc(low), degc(high));
    let law: Option<&Law> = laws.and_then(|site| match quantity {
        Quantity::WaterPermeability => Some(&site.temperature),
        Quantity::SaltPermeability => Some(site.salt_law()),
        Quantity::PressureDrop => None,
    });
    // Of a season of nothing: about the middle.
    let ends_degc = if warmest - coldest > 1.0 {
        (coldest, warmest)
    } else {
        let middle = 0.5 * (coldest + warmest);
        (middle - 0.5, middle + 0.5)
    };
    let normalised_by = law.map_or(0.0, |law| {
        let factor = |degc: f64| law.factor(degc).map_or(f64::NAN, f64::ln);
        (factor(ends_degc.1) - factor(ends_degc.0))
            / (inverse_temperature(ends_degc.1) - inverse_temperature(ends_degc.0))
    });
    let mixture = mixture_of(ways, ends, &|state| {
        let (own, variance) = part(state, SLOW);
        (own, variance + GAUGES * GAUGES)
    });
    let mut constant = estimate(&mixture, level, points.len(), &|own| own + normalised_by);
    constant.unit = "K";
    SiteLaw {
        constant,
        normalised_by,
        coldest,
        warmest,
    }
}

/// The site with its own temperature law, where the site file says `law = "fitted"`: the constant of the first train whose log
/// tells one, and how far that may be off. A short log leaves it near where it started.
///
/// # Errors
/// As [`normalise`] and [`super::trend`].
pub fn fit_law(log: &Log, site: &Site, analyses: &[Analysis]) -> Result<Site, Error> {
    let mut fitted = site.clone();
    let wants = |law: &Law| matches!(law, Law::Fitted { .. });
    if !wants(&site.temperature) && !site.salt_temperature.as_ref().is_some_and(wants) {
        return Ok(fitted);
    }
    let baseline = Baseline::find(log, site, analyses)?;
    let result = normalise(log, site, &baseline, analyses)?;
    let trends = super::trend(&result, &TrendSettings::default())?;
    let constant = |quantity: Quantity| {
        let found = trends.iter().find_map(|trend| trend.of(quantity))?;
        let estimate = &found.law.constant;
        // Limits of an even distribution with the same standard deviation.
        let limits = 3.0_f64.sqrt() * 0.5 * (estimate.high - estimate.low)
            / Normal::standard().inverse_cdf(0.5 + 0.5 * estimate.level);
        Some((estimate.value.round(), limits.round()))
    };
    if wants(&site.temperature)
        && let Some((constant_k, off)) = constant(Quantity::WaterPermeability)
    {
        fitted.temperature = Law::Fitted { constant_k };
        fitted.temperature_accuracy_k = Some(off);
    }
    if site.salt_temperature.as_ref().is_some_and(wants)
        && let Some((constant_k, off)) = constant(Quantity::SaltPermeability)
    {
        fitted.salt_temperature = Some(Law::Fitted { constant_k });
        fitted.salt_temperature_accuracy_k = Some(off);
    }
    Ok(fitted)
}

/// A time from which temperature acts differently.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct LawChange {
    pub(super) quantity: Quantity,
    pub(super) time: f64,
    /// The sum of squares, χ² with one degree of freedom if nothing changed.
    pub(super) statistic: f64,
}

/// How large it must be: 1 in 10 000 at any one time.
const CLEAR_LAW: f64 = 16.0;

/// Whether temperature acts differently from some time on: a controller that now makes up for cold, another pump,
/// another kind of membrane. The score of a jump of the constant at each point.
pub(super) fn law_change(
    course: &Course,
    found: &QuantityTrend,
    points: &Points,
    noise: f64,
) -> Option<LawChange> {
    let best = found.ways.first()?;
    // A trend that bends much could make up for it.
    let variances = Variances {
        bend: best.variances.bend.min(0.1),
        noise: best.variances.noise.max(0.5 * noise),
        ..best.variances
    };
    let smoothed = course.smoothed(&variances);
    let mut clearest: Option<LawChange> = None;
    let season = points.time.last()? - points.time.first()?;
    for (at, pass) in course.passes.iter().enumerate() {
        // Less than half a year on one side tells no season.
        let (before, after) = (
            points.time[at] - points.time[0],
            season - (points.time[at] - points.time[0]),
        );
        let Some(next) = smoothed.get(pass + 1) else {
            continue;
        };
        if before < 0.5 || after < 0.5 || !matches!(course.steps[*pass], Step::Pass(_)) {
            continue;
        }
        let information = next.information[SLOW];
        if information <= 0.0 {
            continue;
        }
        let statistic = next.score[SLOW] * next.score[SLOW] / information;
        if statistic > clearest.map_or(CLEAR_LAW, |best| best.statistic) {
            clearest = Some(LawChange {
                quantity: found.quantity,
                time: points.time[at],
                statistic,
            });
        }
    }
    clearest
}

/// What a reader must know of temperature.
pub(super) fn warnings(trend: &Trend, changed: &[LawChange]) -> Vec<String> {
    let mut warnings = Vec::new();
    for found in &trend.quantities {
        let reach = inverse_temperature(found.law.warmest) - inverse_temperature(found.law.coldest);
        let (_, deviation) = moments(&mixture_of(&found.ways, &found.ends, &|state| {
            part(state, SLOW)
        }));
        let off = deviation * reach;
        let together: f64 = found
            .ways
            .iter()
            .zip(&found.ends)
            .map(|(way, state)| {
                let p = &state.covariance;
                let change = p[LEVEL][LEVEL] + p[NEW][NEW] - 2.0 * p[LEVEL][NEW];
                let both = p[LEVEL][SLOW] - p[NEW][SLOW];
                way.share * both / (change * p[SLOW][SLOW]).max(f64::MIN_POSITIVE).sqrt()
            })
            .sum();
        // A change of one part in a hundred is worth a word (common practice, no source).
        if off > 0.01 && together.abs() > 0.6 {
            warnings.push(format!(
                "{}: season and ageing can't be told apart yet: {:.1} % of the change may be either (water of {:.0} to {:.0} degC seen); a full year of readings will tell",
                found.quantity.name().replace('_', " "),
                100.0 * off,
                found.law.coldest,
                found.law.warmest,
            ));
        }
    }
    for change in changed {
        warnings.push(format!(
            "{}: temperature acts differently since about {}: a controller, pump or kind of membrane may have changed",
            change.quantity.name().replace('_', " "),
            crate::log::time::show(
                (change.time * super::YEAR_US) as i64,
                &crate::log::time::zone_or_utc(&trend.zone)
            )
            .get(..10)
            .unwrap_or_default()
        ));
    }
    warnings
}
