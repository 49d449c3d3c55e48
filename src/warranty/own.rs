//! The guaranteed figures by our own method: the trend of all readings, with the temperature law that they tell themselves.

use super::case::Case;
use super::contract::{design, of_train};
use super::terms::Terms;
use super::words;
use crate::assess::Estimate;
use crate::error::Error;
use crate::normalise::{Normalised, Output, normalise};
use crate::site::ReferenceRule;
use crate::trend::filter::LEVEL;
use crate::trend::mixture::{Component, below};
use crate::trend::model::SLOW;
use crate::trend::points::{Quantity, inverse_temperature};
use crate::trend::{Likeness, Trend, TrendSettings, estimate, mixture_of, trend_of_rows};
use crate::units::Unit;

/// The log normalised to the contract's conditions with the site's own law; `None` where the contract's own method has none.
pub(super) fn normalised(result: &Normalised, terms: &Terms) -> Result<Option<Normalised>, Error> {
    let of_stages = result.site.stages.len() > 1 && result.log.table.labels[1].is_some();
    let Some(guarantee) = terms.guarantee.as_ref().filter(|_| !of_stages) else {
        return Ok(None);
    };
    let mut site = result.site.clone();
    site.reference = ReferenceRule::Design(design(&guarantee.conditions, &site)?);
    let analyses = of_train(result);
    let baseline = crate::baseline::Baseline::find(&result.log, &site, &analyses)?;
    normalise(&result.log, &site, &baseline, &analyses).map(Some)
}

/// What the trend makes of the membranes that are judged.
pub(super) struct Course<'a> {
    own: &'a Normalised,
    trend: Trend,
    /// Jumps that nobody told and that look like cleanings, µs since 1970 UTC.
    pub untold_cleanings: Vec<i64>,
}

/// The course of the membranes since the start, or the last replacement; `None` where there are readings of too few days.
pub(super) fn course<'a>(
    case: &Case<'_>,
    own: Option<&'a Normalised>,
    warnings: &mut Vec<String>,
) -> Option<Course<'a>> {
    let own = own?;
    let rows: Vec<usize> = case
        .rows
        .iter()
        .copied()
        .filter(|row| case.time(*row) >= case.cohort_us())
        .collect();
    let settings = TrendSettings {
        level: case.settings.level,
        ..TrendSettings::default()
    };
    let trend = trend_of_rows(own, &case.group, &rows, &settings).ok()??;
    let untold_cleanings: Vec<i64> = trend
        .changes
        .iter()
        .filter(|change| change.told.is_none() && change.looks == Likeness::Cleaning)
        .map(|change| change.time_us)
        .collect();
    warnings.extend(trend.warnings.iter().cloned());
    if !untold_cleanings.is_empty() {
        let days: Vec<String> = untold_cleanings
            .iter()
            .map(|time| words::day(*time))
            .collect();
        warnings.push(format!(
            "something that looks like a cleaning, and that nobody told, on about {}",
            days.join(", ")
        ));
    }
    Some(Course {
        own,
        trend,
        untold_cleanings,
    })
}

/// A guaranteed figure by the trend.
pub(super) struct Ours {
    /// The figure in the promise's unit.
    pub estimate: Estimate,
    /// How probable it is that it lies below a canonical figure.
    logarithm: Vec<Component>,
    /// The constant of the site's own temperature law, K.
    pub constant_k: f64,
    /// How far that law goes from a temperature to the stated one, as a logarithm.
    stated: f64,
}

impl Ours {
    /// How probable it is that it lies below a canonical figure.
    pub fn below(&self, figure: f64) -> f64 {
        below(&self.logarithm, figure.ln())
    }

    /// By how much flow or salt passage grows from a temperature to the stated one, by the site's own law.
    pub fn growth(&self, from_degc: f64) -> f64 {
        (self.constant_k * (self.stated - inverse_temperature(from_degc))).exp()
    }
}

impl Course<'_> {
    /// A guaranteed figure at the last reading, at the stated conditions.
    pub fn figure(&self, case: &Case<'_>, salt: bool, unit: &'static Unit) -> Option<Ours> {
        let (quantity, output) = if salt {
            (Quantity::SaltPermeability, Output::NormalisedSaltPassage)
        } else {
            (Quantity::WaterPermeability, Output::NormalisedPermeateFlow)
        };
        let found = self.trend.of(quantity)?;
        let guarantee = case.terms.guarantee.as_ref()?;
        let stated = inverse_temperature(guarantee.conditions.feed_temperature);
        let rows: Vec<usize> = case.rows.iter().rev().take(100).copied().collect();
        let typical = self.own.typical(&rows);
        let off_by = self
            .own
            .variances(case.at, &typical, case.until_us, output, true)
            .map_or(0.0, |(value, variances)| {
                let sources = self.own.errors.iter().flat_map(|errors| &errors.sources);
                // The law is the trend's own matter: how far it may be off is in its states.
                let known: f64 = sources
                    .zip(variances)
                    .filter(|(source, _)| !source.name.ends_with("temperature law"))
                    .map(|(_, variance)| variance)
                    .sum();
                known.sqrt() / value
            });
        let logarithm = mixture_of(&found.ways, &found.ends, &|state| {
            let p = &state.covariance;
            (
                state.mean[LEVEL] + stated * state.mean[SLOW],
                p[LEVEL][LEVEL]
                    + 2.0 * stated * p[LEVEL][SLOW]
                    + stated * stated * p[SLOW][SLOW]
                    + off_by * off_by,
            )
        });
        let mut estimate = estimate(&logarithm, case.settings.level, found.n, &|log: f64| {
            unit.from_canonical(log.exp())
        });
        estimate.unit = unit.word;
        Some(Ours {
            estimate,
            logarithm,
            constant_k: found.law.constant.value,
            stated,
        })
    }
}
