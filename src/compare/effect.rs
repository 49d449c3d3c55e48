//! What a treatment does to one measure.

use super::arms::Course;
use super::design::{Contrast, Piece};
use super::judge::{fieller, welch};
use super::measure::{Kind, Measure};
use super::placebo::Placebo;
use super::regression::{Figure, Part};
use super::stretches::{Found, about, contrast, half_width};
use super::{Method, Settings, refused};
use crate::assess::Estimate;
use crate::error::Error;

/// What a treatment does to one measure, against the control.
#[derive(Debug, Clone)]
pub struct Effect {
    /// Which.
    pub measure: Measure,
    /// The treatment.
    pub treatment: String,
    /// Treated less control: of rates in 1/y, else as a fraction of the control's. `None`: can't be judged.
    pub difference: Option<Estimate>,
    /// The same as a fraction of the control's. `None` where that is not clear of 0.
    pub relative: Option<Estimate>,
    /// The control's own figure, or what would be without the treatment.
    pub control: Option<Estimate>,
    /// The figure with the treatment.
    pub treated: Option<Estimate>,
    /// How often chance alone makes a difference at least so large; NaN where it can't be told.
    pub p: f64,
    /// The same by Holm's rule, over all tests of the comparison.
    pub p_adjusted: f64,
    /// How often chance alone makes the treatment look no worse by more than the margin, where it is.
    pub p_not_worse: f64,
    /// How often chance alone makes the two look alike within the margin, where they are not.
    pub p_equivalent: f64,
    /// Days, or runs, that it stands on.
    pub days: usize,
    /// Days that were set aside.
    pub aside: usize,
    /// Standard deviation of a day's figure, as a fraction.
    pub noise: f64,
    /// The share of its variance that wanders, and for how many days.
    pub wander: (f64, f64),
    /// Mean block length of the bootstrap, d.
    pub block: Option<f64>,
    /// What the same comparison shows where nothing changed.
    pub placebo: Option<Placebo>,
    /// Why it can't be judged, or only in part.
    pub missing: Option<String>,
}

impl Effect {
    fn none(contrast: &Contrast, measure: Measure, why: String) -> Self {
        Self {
            measure,
            treatment: contrast.treatment.clone(),
            difference: None,
            relative: None,
            control: None,
            treated: None,
            p: f64::NAN,
            p_adjusted: f64::NAN,
            p_not_worse: f64::NAN,
            p_equivalent: f64::NAN,
            days: 0,
            aside: 0,
            noise: f64::NAN,
            wander: (f64::NAN, f64::NAN),
            block: None,
            placebo: None,
            missing: Some(why),
        }
    }
}

fn estimate(
    figure: &Figure,
    settings: &Settings,
    unit: &'static str,
    n: usize,
    shown: &dyn Fn(f64) -> f64,
) -> Estimate {
    Estimate {
        value: shown(figure.mean()),
        low: shown(figure.quantile(0.5 - 0.5 * settings.level)),
        high: shown(figure.quantile(0.5 + 0.5 * settings.level)),
        level: settings.level,
        unit,
        n,
        method: settings.method.describe(),
        budget: None,
    }
}

pub(super) fn effect(
    which: &Contrast,
    courses: &[Course<'_>],
    measure: Measure,
    settings: &Settings,
) -> Effect {
    let made = if measure.kind() == Kind::Runs {
        of_runs(which, courses, measure, settings)
    } else {
        of_days(which, courses, measure, settings)
    };
    made.unwrap_or_else(|refusal| Effect::none(which, measure, refusal.to_string()))
}

/// The figure of an effect alone, as a placebo wants it.
pub(super) fn figure_of(
    which: &Contrast,
    courses: &[Course<'_>],
    measure: Measure,
    settings: &Settings,
) -> Result<Figure, Error> {
    Ok(contrast(&which.effect, courses, measure, settings)?.figure)
}

fn of_days(
    which: &Contrast,
    courses: &[Course<'_>],
    measure: Measure,
    settings: &Settings,
) -> Result<Effect, Error> {
    let of = |pieces: &[Piece]| contrast(pieces, courses, measure, settings);
    let (found, control, treated) = (of(&which.effect)?, of(&which.control)?, of(&which.treated)?);
    let mut made = Effect {
        p: found.figure.p(),
        days: found.days,
        aside: found.aside,
        noise: found.noise,
        wander: found.wander,
        block: found.block,
        missing: None,
        ..Effect::none(which, measure, String::new())
    };
    let is_rate = matches!(measure.kind(), Kind::Rate(_));
    let unit = measure.unit();
    if is_rate {
        let plain = |figure: f64| figure;
        made.difference = Some(estimate(&found.figure, settings, unit, found.days, &plain));
        made.control = Some(estimate(
            &control.figure,
            settings,
            unit,
            control.days,
            &plain,
        ));
        made.treated = Some(estimate(
            &treated.figure,
            settings,
            unit,
            treated.days,
            &plain,
        ));
        against_control(&mut made, &found, &control, &treated, settings);
    } else {
        // Measures that are against a reference are changes; the others are figures.
        let own: &dyn Fn(f64) -> f64 = if unit.is_empty() {
            &f64::exp_m1
        } else {
            &f64::exp
        };
        let ratio = estimate(&found.figure, settings, "", found.days, &f64::exp_m1);
        made.difference = Some(ratio.clone());
        made.relative = Some(ratio);
        made.control = Some(estimate(&control.figure, settings, unit, control.days, own));
        made.treated = Some(estimate(&treated.figure, settings, unit, treated.days, own));
        (made.p_not_worse, made.p_equivalent) = within_margin(&found.figure, settings.margin);
    }
    Ok(made)
}

/// Of a logarithm of a ratio: how likely it would be so low were it above the margin, and so near 0 were it beyond it.
fn within_margin(figure: &Figure, margin: f64) -> (f64, f64) {
    let edge = margin.ln_1p();
    let above = 1.0 - figure.below(edge);
    (above, above.max(figure.below(-edge)))
}

/// Of rates: the fraction of the control's, by Fieller, and the tests against a margin of it.
///
/// With E = T − C, the covariance of E and C is [var T − var E − var C]/2.
fn against_control(
    made: &mut Effect,
    found: &Found,
    control: &Found,
    treated: &Found,
    settings: &Settings,
) {
    let (effect, base) = (found.figure.mean(), control.figure.mean());
    let ((of_effect, freedom), (of_base, _), (of_treated, _)) = (
        about(&found.figure),
        about(&control.figure),
        about(&treated.figure),
    );
    let most = 0.999 * of_effect * of_base;
    let both =
        (0.5 * (of_treated.powi(2) - of_effect.powi(2) - of_base.powi(2))).clamp(-most, most);
    let t = half_width(&found.figure, settings.level) / of_effect;
    let squared = |scale: f64| (t * scale).powi(2);
    let ends = fieller(
        effect,
        base,
        squared(of_effect),
        squared(of_base),
        t * t * both,
    );
    let (Some((low, high)), true) = (ends, base > 0.0) else {
        made.missing = Some(
            "the control's own rate is not clear of 0: a fraction of it, and a margin, mean nothing".to_owned(),
        );
        return;
    };
    made.relative = made.difference.as_ref().map(|difference| Estimate {
        value: effect / base,
        low,
        high,
        unit: "",
        ..difference.clone()
    });
    let test = |margin: f64| Part {
        share: 1.0,
        mean: effect - margin * base,
        scale: (of_effect.powi(2) + margin * margin * of_base.powi(2) - 2.0 * margin * both)
            .max(0.0)
            .sqrt(),
        freedom,
    };
    let above = 1.0 - Figure(vec![test(settings.margin)]).below(0.0);
    let below = Figure(vec![test(-settings.margin / (1.0 + settings.margin))]).below(0.0);
    (made.p_not_worse, made.p_equivalent) = (above, above.max(below));
}

fn of_runs(
    which: &Contrast,
    courses: &[Course<'_>],
    measure: Measure,
    settings: &Settings,
) -> Result<Effect, Error> {
    // Which arms are treated is all that counts: runs of different times are independent.
    let runs = |pieces: &[Piece]| -> Vec<f64> {
        pieces
            .iter()
            .flat_map(|piece| courses[piece.of].runs())
            .map(f64::ln)
            .collect()
    };
    let (control, treated) = (runs(&which.control), runs(&which.treated));
    let Some(figure) = welch(&treated, &control) else {
        return Err(refused(
            format!(
                "{}: {} whole runs between cleanings with the control's treatment, {} with '{}'",
                measure.name(),
                control.len(),
                treated.len(),
                which.treatment
            ),
            "two of each at least, that differ",
        ));
    };
    let settings = &Settings {
        method: Method::StateSpace,
        ..settings.clone()
    };
    let of = |logs: &[f64]| {
        let mean = logs.iter().sum::<f64>() / logs.len() as f64;
        let square: f64 = logs.iter().map(|log| (log - mean).powi(2)).sum();
        let count = logs.len() as f64;
        let figure = Figure(vec![Part {
            share: 1.0,
            mean,
            scale: (square / (count - 1.0) / count).sqrt(),
            freedom: count - 1.0,
        }]);
        let mut found = estimate(&figure, settings, measure.unit(), logs.len(), &f64::exp);
        found.method = BY_RUNS;
        found
    };
    let mut ratio = estimate(
        &figure,
        settings,
        "",
        control.len() + treated.len(),
        &f64::exp_m1,
    );
    ratio.method = BY_RUNS;
    // Fewer days are worse.
    let (p_not_worse, p_equivalent) = within_margin(&figure.clone().times(-1.0), settings.margin);
    Ok(Effect {
        difference: Some(ratio.clone()),
        relative: Some(ratio),
        control: Some(of(&control)),
        treated: Some(of(&treated)),
        p: figure.p(),
        p_not_worse,
        p_equivalent,
        days: control.len() + treated.len(),
        missing: None,
        ..Effect::none(which, measure, String::new())
    })
}

/// How days between cleanings are compared.
const BY_RUNS: &str = "Welch's test of the logarithms of whole runs between cleanings";
