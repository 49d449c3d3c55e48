//! What is promised of the membranes: by the contract's own method, and by ours beside it.

use super::case::Case;
use super::conformity::{Risk, Verdict, conformance_probability};
use super::contract::{Found, found, method_words, promised_at};
use super::own::{Course, Ours};
use super::terms::{Guarantee, Method, Promise};
use super::{Clause, Ends, Kind, instruments, words};
use crate::assess::Estimate;
use crate::normalise::Normalised;

/// The guarantees, judged.
pub(super) fn clauses(
    case: &Case<'_>,
    guarantee: &Guarantee,
    contract: Option<&Normalised>,
    course: Option<&Course<'_>>,
) -> Vec<Clause> {
    [
        (false, &guarantee.permeate_flow),
        (true, &guarantee.salt_passage),
    ]
    .into_iter()
    .filter_map(|(salt, promise)| {
        let promise = promise.as_ref()?;
        Some(one(case, guarantee, promise, salt, contract, course))
    })
    .collect()
}

/// How probable it is to be wrong about a promise.
pub(super) fn risk_of(found: &Found, promised: f64, salt: bool) -> Risk {
    let (figure, limit) = (found.value.ln(), promised.ln());
    let kept = if salt {
        conformance_probability(figure, found.u, None, Some(limit))
    } else {
        conformance_probability(figure, found.u, Some(limit), None)
    };
    Risk {
        called_broken_but_kept: kept,
        called_kept_but_broken: 1.0 - kept,
    }
}

/// The key of a guarantee.
pub(super) fn key(salt: bool) -> &'static str {
    if salt {
        "guarantee.salt_passage"
    } else {
        "guarantee.permeate_flow"
    }
}

fn one(
    case: &Case<'_>,
    guarantee: &Guarantee,
    promise: &Promise,
    salt: bool,
    contract: Option<&Normalised>,
    course: Option<&Course<'_>>,
) -> Clause {
    let (name, end) = if salt {
        ("Salt passage", "no more than")
    } else {
        ("Permeate flow", "no less than")
    };
    let clause = |at: &str| {
        Clause::new(
            key(salt),
            Kind::Guarantee,
            format!(
                "{name} at {} is {end} {} at the start{}{at}, {}.",
                guarantee.conditions.words,
                words::with_unit(promise.first, promise.unit),
                promise.words(),
                method_words(guarantee, salt)
            ),
        )
    };
    let columns = case.carrying(salt);
    let (mut why, gaps) = case.unfit(&columns);
    let Some(contract) = contract else {
        return clause("").refused(
            "Not to be judged: the log has the stages apart, the guarantee is of the train; a log of the whole train is needed.",
        );
    };
    let Some(found) = found(case, guarantee, contract, salt, case.until_us) else {
        let why = if salt {
            "no reading of the last days tells salt passage"
        } else {
            "no reading of the last days was used"
        };
        return clause("").refused(format!("Not to be judged: {why}."));
    };
    let (age, promised) = promised_at(case, promise, found.middle_us);
    let clause = clause(&format!(
        ": {} at an age of {} years",
        words::with_unit(promised, promise.unit),
        words::figure((100.0 * age).round() / 100.0)
    ));
    if (found.days as u32) < guarantee.minimum_days {
        why.push(format!(
            "{} with readings in the last {}, {} are asked for",
            words::count(found.days, "day"),
            words::hours(guarantee.over_h),
            guarantee.minimum_days
        ));
    }
    let shown = |canonical: f64| words::with_unit(canonical, promise.unit);
    let figure = found.estimate(case.settings.level, promise.unit);
    let (risk, called) = if found.u.is_finite() {
        let risk = risk_of(&found, promised, salt);
        (Some(risk), risk.verdict(case.settings.risk))
    } else {
        why.push("too few days for an interval".to_owned());
        (None, Verdict::CannotBeJudged)
    };
    let verdict = if why.is_empty() || case.settings.override_refusals {
        called
    } else {
        Verdict::CannotBeJudged
    };
    let ours = course.and_then(|course| course.figure(case, salt, promise.unit));
    let mut sentence = format!(
        "By the contract's own method it is {}, where {} is promised.",
        in_words(&figure, promise),
        shown(promised)
    );
    if let Some(risk) = risk {
        sentence += &match verdict {
            Verdict::Broken => format!(
                " That the promise is kept all the same has a probability of {}.",
                words::chance(risk.called_broken_but_kept)
            ),
            Verdict::Kept => format!(
                " That the promise is broken all the same has a probability of {}.",
                words::chance(risk.called_kept_but_broken)
            ),
            Verdict::CannotBeJudged if why.is_empty() => format!(
                " That the promise is kept has a probability of {}: either verdict would be wrong more often than {}.",
                words::chance(risk.called_broken_but_kept),
                words::chance(case.settings.risk)
            ),
            Verdict::CannotBeJudged => String::new(),
        };
    }
    if verdict == Verdict::Broken
        && let Some(share) = case.terms.pro_rata_share(case.until_us)
    {
        sentence += &format!(
            " Pro rata, {:.1} % would be made good on {}.",
            100.0 * share,
            words::day(case.until_us)
        );
    }
    sentence += &case.doubts(&why);
    Clause {
        verdict,
        sentence,
        limit: Some(Ends {
            low: (!salt).then(|| promise.unit.from_canonical(promised)),
            high: salt.then(|| promise.unit.from_canonical(promised)),
            unit: promise.unit,
        }),
        difference: ours
            .as_ref()
            .map(|ours| difference(case, guarantee, &found, ours, promise, promised, salt)),
        other_figure: ours.map(|ours| ours.estimate),
        figure: Some(figure),
        risk,
        gaps,
        instruments: instruments::all(case, &columns),
        rows: found.rows.len(),
        ..clause
    }
}

fn in_words(estimate: &Estimate, promise: &Promise) -> String {
    let of = |value: f64| words::with_unit(promise.unit.to_canonical(value), promise.unit);
    if estimate.low.is_nan() {
        return of(estimate.value);
    }
    format!(
        "{} ({:.0} % interval {} to {})",
        of(estimate.value),
        100.0 * estimate.level,
        of(estimate.low),
        of(estimate.high)
    )
}

/// Why the contract's figure and ours differ, and what ours would say.
fn difference(
    case: &Case<'_>,
    guarantee: &Guarantee,
    found: &Found,
    ours: &Ours,
    promise: &Promise,
    promised: f64,
    salt: bool,
) -> String {
    let percent = |ratio: f64| format!("{:+.1} %", 100.0 * (ratio - 1.0)).replace('-', "−");
    let own = promise.unit.to_canonical(ours.estimate.value);
    let law = match (salt, &guarantee.salt_law, &guarantee.law) {
        (true, Some(law), _) | (_, _, Some(law)) => Some(law),
        _ => None,
    };
    let stated = guarantee.conditions.feed_temperature;
    let of_law = match (guarantee.method, law) {
        // Salt passage as read knows no law at all.
        (Method::PressureOnly, _) => Some(1.0),
        (_, Some(law)) => law
            .factor(stated)
            .ok()
            .zip(law.factor(found.temperature).ok())
            .map(|(stated, found)| stated / found),
        _ => None,
    };
    let by_law = of_law.map_or(String::new(), |of_law| {
        format!(
            "; the temperature laws alone, from {} to {} degC, make {} (the log tells a constant of {:.0} K)",
            words::figure(found.temperature),
            words::figure(stated),
            percent(ours.growth(found.temperature) / of_law),
            ours.constant_k
        )
    });
    let below = ours.below(promised);
    let kept = if salt { below } else { 1.0 - below };
    let says = Risk {
        called_broken_but_kept: kept,
        called_kept_but_broken: 1.0 - kept,
    }
    .verdict(case.settings.risk);
    let rest = match guarantee.method {
        Method::PressureOnly => {
            "the rest is osmotic pressure, pressure drop and salt concentration, which that method leaves out, and that ours is the trend of all readings, not the last days"
        }
        Method::StandardPractice if salt && !guarantee.at_stated_flow => {
            "the rest is that ours is at the stated permeate flow, the contract's at the normalised one, and that ours is the trend of all readings, not the last days alone"
        }
        Method::StandardPractice | Method::MembraneModel => {
            "the rest is that ours is the trend of all readings, not the last days alone"
        }
    };
    let of_salt = guarantee.tds_per_conductivity.map_or(
        "",
        |_| ", and that the contract has its own mg/L per µS/cm, ours the site file's",
    );
    format!(
        "By our own method it is {}, {} of the contract's{by_law}; {rest}{of_salt}. By ours the promise {}.",
        in_words(&ours.estimate, promise),
        percent(own / found.value),
        match says {
            Verdict::Kept => "is kept",
            Verdict::Broken => "is broken",
            Verdict::CannotBeJudged => "can't be judged",
        }
    )
}
