//! What is counted or done: cleanings, notice, events that end the warranty.

use super::case::Case;
use super::conformity::{Risk, Verdict};
use super::contract::{Found, first_broken, promised_at};
use super::guarantee::{key, risk_of};
use super::own::Course;
use super::terms::after;
use super::{Clause, Ends, Excursion, Kind, words};
use crate::assess::Estimate;
use crate::normalise::Normalised;
use crate::site::EventKind;
use crate::trend::points::YEAR_US;
use crate::units::Quantity;

/// How cleanings are counted.
const COUNTED: &str = "counted, by the site file's events";

/// The clauses of cleanings.
pub(super) fn cleanings(case: &Case<'_>, course: Option<&Course<'_>>) -> Vec<Clause> {
    let terms = case.terms;
    let events = &case.result.site.events;
    let told: Vec<i64> = events
        .iter()
        .filter(|event| event.kind == EventKind::Cleaning)
        .map(|event| event.time_us)
        .filter(|time| (case.start_us..=case.until_us).contains(time))
        .collect();
    let untold: Vec<i64> = course.map_or(Vec::new(), |course| course.untold_cleanings.clone());
    let year_of = |time: i64| (time.saturating_sub(case.start_us) as f64 / YEAR_US) as usize;
    let in_years = |times: &[i64]| {
        let mut years = vec![0_usize; year_of(case.until_us) + 1];
        for time in times {
            if let Some(year) = years.get_mut(year_of(*time)) {
                *year += 1;
            }
        }
        years
    };
    let mut clauses = Vec::new();
    if let Some(most) = terms.cleanings_in_all {
        let words = format!("No more than {most} cleanings within the period.");
        let counts = [told.len(), told.len() + untold.len()];
        clauses.push(counted("limit.cleanings.total", words, most, counts, &told));
    }
    if let Some(most) = terms.cleanings_a_year {
        let words = format!("No more than {most} cleanings in any year of the period.");
        let all: Vec<i64> = told.iter().chain(&untold).copied().collect();
        let counts = [&told, &all].map(|times| in_years(times).into_iter().max().unwrap_or(0));
        clauses.push(counted(
            "limit.cleanings.a_year",
            words,
            most,
            counts,
            &told,
        ));
    }
    clauses
}

fn counted(
    key: &str,
    words: String,
    most: u32,
    [told, with_untold]: [usize; 2],
    times: &[i64],
) -> Clause {
    let most = most as usize;
    let verdict = if told > most {
        Verdict::Broken
    } else if with_untold > most {
        Verdict::CannotBeJudged
    } else {
        Verdict::Kept
    };
    let mut sentence = format!(
        "The site file tells of {}.",
        super::words::count(told, "cleaning")
    );
    if with_untold > told {
        sentence += &format!(
            " The log shows what looks like {} more, which nobody told.",
            with_untold - told
        );
    }
    Clause {
        verdict,
        sentence,
        figure: Some(Estimate {
            value: told as f64,
            low: told as f64,
            high: with_untold as f64,
            level: 1.0,
            unit: "cleanings",
            n: told,
            method: COUNTED,
            budget: None,
        }),
        limit: Some(Ends {
            low: None,
            high: Some(most as f64),
            unit: Quantity::Number.canonical(),
        }),
        risk: match verdict {
            Verdict::CannotBeJudged => None,
            known => Some(Risk::certain(known == Verdict::Kept)),
        },
        rows: times.len(),
        ..Clause::new(key, Kind::Limit, words)
    }
}

/// Whether notice of a broken guarantee was given in time.
pub(super) fn notice(
    case: &Case<'_>,
    contract: Option<&Normalised>,
    judged: &[Clause],
) -> Option<Clause> {
    let interval = case.terms.notice.as_ref()?;
    let clause = Clause::new(
        "warranty.notice",
        Kind::Notice,
        format!(
            "Notice of a failing is given within {} of when it shows.",
            interval.text
        ),
    );
    let guarantee = case.terms.guarantee.as_ref();
    let broken = |salt: bool| {
        judged
            .iter()
            .any(|clause| clause.key == key(salt) && clause.verdict == Verdict::Broken)
    };
    let first = guarantee.zip(contract).and_then(|(guarantee, contract)| {
        [
            (false, &guarantee.permeate_flow),
            (true, &guarantee.salt_passage),
        ]
        .into_iter()
        .filter(|(salt, _)| broken(*salt))
        .filter_map(|(salt, promise)| {
            let promise = promise.as_ref()?;
            let fails = |found: &Found| {
                let (_, promised) = promised_at(case, promise, found.middle_us);
                risk_of(found, promised, salt).verdict(case.settings.risk) == Verdict::Broken
            };
            // At the latest it shows at the end of what is judged.
            let first = first_broken(case, guarantee, contract, &fails, salt);
            Some(first.unwrap_or(case.until_us))
        })
        .min()
    });
    let Some(first) = first else {
        let open = judged.iter().any(|clause| {
            clause.kind == Kind::Guarantee && clause.verdict == Verdict::CannotBeJudged
        });
        if open {
            return Some(clause.refused(
                "Not to be judged: whether there is a failing to give notice of can't be told.",
            ));
        }
        return Some(Clause {
            verdict: Verdict::Kept,
            sentence: "No failing of the guarantee shows: there is nothing to give notice of."
                .to_owned(),
            risk: None,
            ..clause
        });
    };
    let due = after(first, interval);
    let shown = format!(
        "By the contract's own method, looked at week by week, the failing first shows on {}; notice is due by {}.",
        words::day(first),
        words::day(due)
    );
    Some(match case.terms.notice_given_us {
        Some(given) => {
            let good = given <= due;
            Clause {
                verdict: if good { Verdict::Kept } else { Verdict::Broken },
                sentence: format!("{shown} It was given on {}.", words::day(given)),
                excursions: if good {
                    Vec::new()
                } else {
                    vec![Excursion {
                        start_us: due,
                        end_us: given,
                        worst: f64::NAN,
                        rows: (case.rows[0], case.rows[case.rows.len() - 1]),
                        readings: 0,
                    }]
                },
                ..clause
            }
        }
        None => clause.refused(format!(
            "{shown} Whether it was given the terms don't tell ([warranty] notice_given)."
        )),
    })
}

/// Whether an event ended the warranty.
pub(super) fn exclusion(case: &Case<'_>) -> Option<Clause> {
    let kinds = &case.terms.exclusions;
    if kinds.is_empty() {
        return None;
    }
    let names: Vec<&str> = kinds.iter().map(|kind| kind.name()).collect();
    let met: Vec<_> = case
        .result
        .site
        .events
        .iter()
        .filter(|event| {
            kinds.contains(&event.kind) && (case.start_us..=case.until_us).contains(&event.time_us)
        })
        .collect();
    let good = met.is_empty();
    let sentence = if good {
        "The site file tells of none within the period; what nobody wrote down is not in it."
            .to_owned()
    } else {
        let told: Vec<String> = met
            .iter()
            .map(|event| {
                let note = match event.note.as_str() {
                    "" => String::new(),
                    note => format!(" ({note})"),
                };
                format!(
                    "{} on {}{note}",
                    event.kind.name(),
                    words::day(event.time_us)
                )
            })
            .collect();
        format!("The site file tells of {}.", told.join(", "))
    };
    let row_after = |time: i64| {
        let place = case.rows.partition_point(|row| case.time(*row) < time);
        case.rows[place.min(case.rows.len() - 1)]
    };
    Some(Clause {
        verdict: if good { Verdict::Kept } else { Verdict::Broken },
        sentence,
        risk: Some(Risk::certain(good)),
        excursions: met
            .iter()
            .map(|event| Excursion {
                start_us: event.time_us,
                end_us: event.time_us,
                worst: f64::NAN,
                rows: (row_after(event.time_us), row_after(event.time_us)),
                readings: 0,
            })
            .collect(),
        ..Clause::new(
            "exclusion.events",
            Kind::Exclusion,
            format!("No {} within the period.", names.join(", ")),
        )
    })
}
