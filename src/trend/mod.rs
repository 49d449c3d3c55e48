//! What the membranes do over the months: level and rate of each quantity, the site's own temperature law, what
//! happened when.
//!
//! Each quantity's logarithm, a point a day, is a level that moves at a rate which slowly changes, something that wanders
//! for days, what temperature does beyond the law it was normalised by, what settles in the first weeks, and noise. How
//! much each varies is not fixed but weighed: many ways are filtered side by side and count as much as the points make them
//! likely. Intervals are those of the mixture.

pub mod changes;
mod course;
pub mod cross_checks;
pub mod filter;
mod happened;
mod known;
pub mod local;
pub mod mixture;
pub mod model;
pub mod points;
mod quantity;
mod runs;
mod temperature;
mod tracker;

use crate::baseline::Reference;
use crate::error::{Error, Fault, setting};
use crate::log::time::{show, zone_or_utc};
use crate::normalise::Normalised;
use crate::site::Site;
use crate::table::Group;
use changes::{Clear, Search, known};
use filter::{Gaussian, Smoothed, Step};
use mixture::{moments, quantile};
use model::{Course, Happening, Intervention, NEW, New, PARTS, Prior, likely, scatters};
use points::{Points, Quantity, YEAR_US, inverse_temperature};

pub use course::Trend;
pub use happened::{Change, Likeness};
use happened::{sizes, told};
pub(crate) use known::{estimate, mixture_of, part};
use known::{rate, since};
pub use quantity::{Band, QuantityTrend};
pub use runs::Run;
pub use temperature::{SiteLaw, fit_law};
pub use tracker::Tracker;

/// Settings of [`trend`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrendSettings {
    /// How often intervals shall hold the true figure.
    pub level: f64,
    /// Whether jumps and bends that nobody wrote down are sought.
    pub find_changes: bool,
    /// When one is clear.
    pub clear: Clear,
}

impl Default for TrendSettings {
    fn default() -> Self {
        Self {
            level: 0.90,
            find_changes: true,
            clear: Clear::default(),
        }
    }
}

/// How trends are made, in words.
pub const METHOD: &str = "local-trend state-space model of daily medians with the site's own temperature constant, its variances weighed by their likelihood (Durbin and Koopman 2012)";

/// The course of each train and stage.
///
/// # Errors
/// [`Error::Range`] for settings out of range; [`Error::Baseline`] where no train has points of three days.
pub fn trend(result: &Normalised, settings: &TrendSettings) -> Result<Vec<Trend>, Error> {
    let mut trends = Vec::new();
    for (group, rows) in result.rows_of_groups() {
        trends.extend(trend_of_rows(result, &group, &rows, settings)?);
    }
    if trends.is_empty() {
        return Err(Error::Baseline(
            Fault::new(
                "no train has readings that were used on three days",
                "a trend needs at least that; see the reasons in the result",
            )
            .into(),
        ));
    }
    Ok(trends)
}

/// The course of one train and stage from some of its rows; `None` where they make no points of three days.
pub(crate) fn trend_of_rows(
    result: &Normalised,
    group: &Group,
    rows: &[usize],
    settings: &TrendSettings,
) -> Result<Option<Trend>, Error> {
    setting("level", settings.level, (0.5, 0.999), "")?;
    // What was read before the reference began is no course of these membranes: they settle, or are others.
    let start = result
        .baseline
        .of(group)
        .and_then(|reference| reference.span_us)
        .map_or(i64::MIN, |(start, _)| start);
    let rows: Vec<usize> = rows
        .iter()
        .copied()
        .filter(|row| result.log.table.time[*row] >= start)
        .collect();
    let points = Points::of(result, &rows);
    Ok((!known(&points).is_empty()).then(|| of_group(result, group.clone(), points, settings)))
}

/// When the membranes of a train were new, and what they did then: the reference's figures, where it is not in the log itself.
fn what_is_new(result: &Normalised, group: &Group, points: &Points) -> New {
    let first = points.time[0];
    let inside = New {
        at: first,
        figures: [f64::NAN; 3],
        slow: 0.0,
    };
    let Some(reference) = result.baseline.of(group) else {
        return inside;
    };
    let at = reference
        .span_us
        .map_or(first, |(start, _)| start as f64 / YEAR_US);
    if reference
        .span_us
        .is_some_and(|(_, end)| end as f64 / YEAR_US >= first)
    {
        return New { at, ..inside };
    }
    let membrane = reference.membrane.as_ref();
    let figure = |column: &str| match column {
        "element_water_permeability" => membrane.map(|membrane| membrane.water_permeability),
        "element_salt_permeability" => membrane.map(|membrane| membrane.salt_permeability),
        "spacer_friction" => membrane.map(|membrane| membrane.spacer_friction),
        "normalised_permeate_flow" => Some(reference.normalised_permeate_flow),
        "normalised_salt_passage" => Some(reference.normalised_salt_passage),
        "normalised_differential_pressure" => Some(reference.normalised_differential_pressure),
        _ => None,
    };
    New {
        at,
        figures: points.columns.map(|column| {
            column
                .and_then(figure)
                .filter(|figure| *figure > 0.0)
                .map_or(f64::NAN, f64::ln)
        }),
        slow: inverse_temperature(reference.feed_temperature),
    }
}

/// How far the constant of a quantity's temperature law may be off, where the site file tells.
fn accuracy_of(laws: Option<&Site>, quantity: Quantity) -> Option<f64> {
    match quantity {
        Quantity::WaterPermeability => laws?.temperature_accuracy_k,
        Quantity::SaltPermeability => laws?.salt_temperature_accuracy_k,
        Quantity::PressureDrop => None,
    }
}

fn of_group(result: &Normalised, group: Group, points: Points, settings: &TrendSettings) -> Trend {
    let new = what_is_new(result, &group, &points);
    let of = Of {
        zone: result.log.table.zone.clone(),
        new,
        laws: Some(&result.site),
        told: told(result),
        reference: result.baseline.of(&group).cloned(),
        group,
    };
    of_points(of, points, settings)
}

/// What a course is of.
struct Of<'a> {
    group: Group,
    zone: String,
    new: New,
    laws: Option<&'a Site>,
    told: Vec<(usize, Intervention)>,
    reference: Option<Reference>,
}

#[cfg(test)]
fn trend_of_points(points: Points, new: New, settings: &TrendSettings) -> Trend {
    let of = Of {
        group: Group {
            train: None,
            stage: None,
        },
        zone: "UTC".to_owned(),
        new,
        laws: None,
        told: Vec::new(),
        reference: None,
    };
    of_points(of, points, settings)
}

fn of_points(of: Of<'_>, points: Points, settings: &TrendSettings) -> Trend {
    let Of {
        group,
        zone,
        new,
        laws,
        told,
        reference,
    } = of;
    let new_at = new.at;
    let quantities = &known(&points);
    let priors = Quantity::ALL.map(|quantity| Prior::of(quantity, accuracy_of(laws, quantity)));
    let measured = [0, 1, 2].map(|quantity| points.noise(quantity));
    let noise = [0, 1, 2].map(|quantity| {
        measured[quantity]
            .unwrap_or(priors[quantity].noise)
            .max(1e-4)
    });
    let search = Search {
        points: &points,
        quantities,
        noise,
        priors,
        new,
        clear: settings.clear,
    };
    let (mut interventions, seen) =
        search.place(&told.iter().map(|(_, it)| *it).collect::<Vec<_>>());
    let told_count = interventions.len();
    if settings.find_changes {
        interventions.extend(search.find(&interventions));
    }
    let mut order: Vec<usize> = (0..interventions.len()).collect();
    order.sort_by(|a, b| interventions[*a].time.total_cmp(&interventions[*b].time));
    let mut changes: Vec<Change> = order
        .iter()
        .map(|place| Change {
            time_us: (interventions[*place].time * YEAR_US) as i64,
            kind: interventions[*place].kind,
            told: told.get(*place).map(|(event, _)| *event),
            seen: *place >= told_count || seen[*place],
            sizes: [None, None, None],
            looks: Likeness::Unclear,
        })
        .collect();
    let interventions: Vec<Intervention> =
        order.iter().map(|place| interventions[*place]).collect();
    let mut trends = Vec::new();
    let mut law_changes = Vec::new();
    let mut runs = runs::Runs::new(&points, &interventions);
    for quantity in quantities {
        let known = Quantity::ALL[*quantity];
        let course = Course::new(&points, *quantity, &priors[*quantity], &interventions, &new);
        let drift = priors[*quantity].drift;
        let scatters = scatters(
            &course,
            noise[*quantity],
            drift,
            measured[*quantity].is_some(),
        );
        let ways = likely(&course, &scatters, drift);
        let smoothed: Vec<Vec<Smoothed<PARTS>>> = ways
            .iter()
            .map(|way| course.smoothed(&way.variances))
            .collect();
        // After the last step there is nothing that a smoother could add.
        let ends: Vec<Gaussian<PARTS>> = smoothed
            .iter()
            .filter_map(|states| Some(states.last()?.state))
            .collect();
        runs.add(*quantity, &course, &ways, &smoothed, settings.level);
        sizes(
            &mut changes,
            *quantity,
            &course,
            &ways,
            &smoothed,
            &priors[*quantity],
            settings.level,
        );
        let band = |of: &dyn Fn(usize, &Gaussian<PARTS>) -> (f64, f64),
                    shown: &dyn Fn(f64) -> f64| {
            let mut band = Band::default();
            for (at, read) in course.reads.iter().enumerate() {
                let states = smoothed.iter().map(|states| &states[*read].state);
                let mixture = mixture_of(&ways, states, &|state| of(at, state));
                band.value.push(shown(moments(&mixture).0));
                band.low
                    .push(shown(quantile(&mixture, 0.5 - 0.5 * settings.level)));
                band.high
                    .push(shown(quantile(&mixture, 0.5 + 0.5 * settings.level)));
            }
            band
        };
        let n = points.values[*quantity]
            .iter()
            .filter(|value| !value.is_nan())
            .count();
        let of_end = |of: &dyn Fn(&Gaussian<PARTS>) -> (f64, f64)| mixture_of(&ways, &ends, of);
        let found = QuantityTrend {
            quantity: known,
            column: points.columns[*quantity].unwrap_or_default(),
            n,
            noise: noise[*quantity],
            change: band(
                &|at, state| {
                    since(
                        state,
                        NEW,
                        priors[*quantity].instruments(points.time[at] - new_at),
                    )
                },
                &f64::exp_m1,
            ),
            rate: band(&|_, state| rate(state), &|rate| rate),
            fitted: course
                .reads
                .iter()
                .map(|read| {
                    let Step::Read { mut loads, .. } = course.steps[*read] else {
                        return f64::NAN;
                    };
                    loads[model::WANDER] = 0.0;
                    let of = |states: &Vec<Smoothed<PARTS>>| states[*read].state.of(&loads).0;
                    ways.iter()
                        .zip(&smoothed)
                        .map(|(way, states)| way.share * of(states))
                        .sum()
                })
                .collect(),
            settling: estimate(
                &of_end(&|state| part(state, model::SETTLING)),
                settings.level,
                n,
                &|settled| (-settled).exp_m1(),
            ),
            law: temperature::site_law(laws, known, &points, &ways, &ends, settings.level),
            prior: priors[*quantity],
            new_at: course.new_at,
            then: points.time[points.year_before_last()],
            last: points.time[points.len() - 1],
            ways,
            ends,
        };
        law_changes.extend(temperature::law_change(
            &course,
            &found,
            &points,
            noise[*quantity],
        ));
        trends.push(found);
    }
    let runs = runs.done();
    for (place, change) in changes.iter_mut().enumerate() {
        let run = runs.iter().find(|run| run.ended_by == Some(place));
        let after = run
            .and_then(|run| run.after[0].as_ref())
            .map(|after| after.value);
        change.looks = change.likeness(after);
    }
    let mut trend = Trend {
        group,
        zone,
        level: settings.level,
        points,
        quantities: trends,
        changes,
        runs,
        warnings: Vec::new(),
        new,
        interventions,
        reference,
    };
    trend.warnings = temperature::warnings(&trend, &law_changes);
    for change in &trend.changes {
        if change.looks == Likeness::Replacement && change.kind != Happening::Replacement {
            trend.warnings.push(format!(
                "on about {} the unit became like new, salt passage too: if membranes were replaced, tell it as [[event]] kind = \"replacement\", or all later figures are against the old ones",
                show(change.time_us, &zone_or_utc(&trend.zone)).get(..10).unwrap_or_default()
            ));
        }
    }
    trend
}
