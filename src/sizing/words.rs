//! A sizing in words.

use super::demand::{MONTHS, clock};
use super::limits::Break;
use super::year::{Month, SizedUnit};
use super::{Demand, Sizing};
use crate::assess::Estimate;
use crate::site::Stage;
use crate::units::{Quantity, Unit};

/// What stands beside every sizing.
pub const CAUTIONS: [&str; 4] = [
    "A sizing is advice from a model and the figures it was given. The element manufacturer's data and limits, the ratings of \
     vessels, pump and piping, local codes and licensed practice come before it.",
    "Never exceed the lowest pressure rating of membranes, vessels, pump and piping. Pressure and electricity: release and lock out \
     before work.",
    "Where the reject water goes, and how much of it, needs the permission of whoever runs the drain or the ground it goes to.",
    "Drinking water: nothing here tells whether water is fit to drink. That is for an accredited laboratory and the local health \
     authorities.",
];

/// Vessels in words: "4 vessels of 3", "4 + 2 vessels of 6", "4 vessels of 6 + 2 of 4".
///
/// ```
/// use brinemark::site::Stage;
/// let stage = |vessels, elements_per_vessel| Stage { vessels, elements_per_vessel };
/// assert_eq!(brinemark::sizing::vessels_in_words(&[stage(1, 3)]), "1 vessel of 3");
/// assert_eq!(brinemark::sizing::vessels_in_words(&[stage(4, 6), stage(2, 6)]), "4 + 2 vessels of 6");
/// assert_eq!(brinemark::sizing::vessels_in_words(&[stage(4, 6), stage(2, 4)]), "4 vessels of 6 + 2 of 4");
/// ```
pub fn vessels_in_words(stages: &[Stage]) -> String {
    let total: u32 = stages.iter().map(|stage| stage.vessels).sum();
    let word = if total == 1 { "vessel" } else { "vessels" };
    let alike = stages
        .windows(2)
        .all(|pair| pair[0].elements_per_vessel == pair[1].elements_per_vessel);
    match stages {
        [] => String::new(),
        [first, ..] if alike => {
            let counts: Vec<String> = stages
                .iter()
                .map(|stage| stage.vessels.to_string())
                .collect();
            format!(
                "{} {word} of {}",
                counts.join(" + "),
                first.elements_per_vessel
            )
        }
        [first, rest @ ..] => {
            let mut text = format!("{} {word} of {}", first.vessels, first.elements_per_vessel);
            for stage in rest {
                text += &format!(" + {} of {}", stage.vessels, stage.elements_per_vessel);
            }
            text
        }
    }
}

/// "In February (5 °C) the unit makes 71 % of what the day needs; 4 vessels of 3 would do in every month."
pub(super) fn sentence(found: &Sizing) -> String {
    let month = &found.present.months[found.needed.binding_month];
    let place = in_month(month, &found.demand);
    let share = month.worn.share.as_ref().map(percent).unwrap_or_default();
    let sure = 0.5 + 0.5 * found.level;
    let enough = month
        .worn
        .share
        .as_ref()
        .is_some_and(|share| share.value >= 1.0 - 1e-9);
    let proposal = match (&found.needed.vessels, &found.needed.vessels_to_be_sure) {
        (None, _) => "no number of such vessels was found that would do".to_owned(),
        (Some(vessels), to_be_sure) => {
            let more = match to_be_sure {
                Some(more) if more == vessels => {
                    format!(", and that is {:.0} % sure", 100.0 * sure)
                }
                Some(more) => format!(", {} to be {:.0} % sure", counted(more), 100.0 * sure),
                None => String::new(),
            };
            if *vessels == found.present.stages {
                format!(
                    "fewer than its {} would not do{more}",
                    vessels_in_words(vessels)
                )
            } else {
                format!(
                    "{} would do in every month{more}",
                    vessels_in_words(vessels)
                )
            }
        }
    };
    if enough {
        format!(
            "In every month the unit makes what the day needs, least in {place}: {share} of it; {proposal}."
        )
    } else {
        format!("In {place} the unit makes {share} of what the day needs; {proposal}.")
    }
}

/// How many vessels, where it was said of how many elements.
fn counted(stages: &[Stage]) -> String {
    let counts: Vec<String> = stages
        .iter()
        .map(|stage| stage.vessels.to_string())
        .collect();
    counts.join(" + ")
}

fn in_month(month: &Month, demand: &Demand) -> String {
    let unit = demand.units.temperature;
    format!(
        "{} ({:.0} {})",
        MONTHS[month.month],
        unit.from_canonical(month.temperature),
        unit.word.replace("deg", "°")
    )
}

/// 71 % (90 % interval 66 to 77 %)
fn percent(share: &Estimate) -> String {
    let whole = |figure: f64| format!("{:.0}", 100.0 * figure);
    if share.low.is_nan() {
        return format!("{} %", whole(share.value));
    }
    format!(
        "{} % ({:.0} % interval {} to {} %)",
        whole(share.value),
        100.0 * share.level,
        whole(share.low),
        whole(share.high)
    )
}

/// What the tank does in the month in which it is shortest, or lowest; `None` without a tank.
pub(super) fn tank(unit: &SizedUnit, demand: &Demand) -> Option<String> {
    let days = || {
        unit.months
            .iter()
            .filter_map(|month| Some((month, month.tank.as_ref()?)))
    };
    let volume = |figure: f64| {
        let word = demand.units.volume;
        let figure = word.from_canonical(figure);
        let shown = if figure.abs() >= 100.0 {
            format!("{figure:.0}")
        } else {
            format!("{figure:.2}")
        };
        format!("{shown} {}", word.word)
    };
    let short = days()
        .filter(|(_, day)| day.shortfall > 1e-9 * day.wanted)
        .max_by(|a, b| a.1.shortfall.total_cmp(&b.1.shortfall));
    if let Some((month, day)) = short {
        let count = days()
            .filter(|(_, day)| day.shortfall > 1e-9 * day.wanted)
            .count();
        let when: Vec<String> = day
            .short
            .iter()
            .take(3)
            .map(|(from, to)| format!("{} to {}", clock(*from), clock(*to)))
            .collect();
        let when = if when.is_empty() {
            String::new()
        } else {
            format!(" ({})", when.join(", "))
        };
        let stored = match month.storage_needed {
            Some(needed) => format!(
                "the unit makes enough over the day, and {} that can be drawn would bridge it if refilled whenever the unit may run",
                volume(needed)
            ),
            None => "as it is set, the unit makes too little for any tank".to_owned(),
        };
        return Some(format!(
            "The tank runs dry in {count} of 12 months, worst in {}: {} a day short{when}; {stored}.",
            in_month(month, demand),
            volume(day.shortfall)
        ));
    }
    let (month, day) = days()
        .filter(|(month, _)| month.needed > 0.0)
        .min_by(|a, b| a.1.lowest.total_cmp(&b.1.lowest))?;
    Some(format!(
        "The tank never runs dry; it is lowest in {} at {}: {} left to be drawn.",
        in_month(month, demand),
        clock(day.lowest_at),
        volume(day.lowest)
    ))
}

/// A limit that the unit would break.
pub(super) fn broken(of: &Break) -> String {
    let shown = |figure: f64| {
        let text = format!(
            "{} {}",
            digits(of.unit.from_canonical(figure)),
            of.unit.word
        );
        text.trim_end().replace("deg", "°")
    };
    format!(
        "[limits] {} is {} in {} with {} membranes, {} the {} of the site file",
        of.of,
        shown(of.figure),
        MONTHS[of.month],
        if of.when_new { "new" } else { "worn" },
        if of.is_low { "below" } else { "above" },
        shown(of.limit)
    )
}

/// Three digits that count; a limit is shown so that what is beyond it differs from it.
fn digits(value: f64) -> String {
    let size = value.abs();
    if size >= 1000.0 || size == 0.0 {
        format!("{value:.0}")
    } else {
        let decimals = (3 - size.log10().floor() as i32).clamp(0, 6) as usize;
        let text = format!("{value:.decimals$}");
        let text = if text.contains('.') {
            text.trim_end_matches('0').trim_end_matches('.')
        } else {
            &text
        };
        text.to_owned()
    }
}

/// What could not be told, and what is missing for it.
pub(super) fn missing(demand: &Demand, not_given: &[&'static str]) -> Vec<String> {
    let mut missing = Vec::new();
    let mut tell = |lacks: bool, what: &str| {
        if lacks {
            missing.push(what.to_owned());
        }
    };
    tell(
        demand.tank.is_none(),
        "the tank over a day: the demand file has no [tank]",
    );
    tell(
        demand.pump_efficiency.is_none(),
        "energy: the demand file has no [pump] efficiency",
    );
    let no_energy = demand.pump_efficiency.is_some() && demand.prices.energy_per_kwh.is_none();
    tell(
        no_energy,
        "what energy costs: the demand file has no [price] energy",
    );
    tell(
        demand.prices.water_per_m3.is_none(),
        "what water costs: the demand file has no [price] water",
    );
    for name in not_given {
        missing.push(format!(
            "whether {name} keeps within its limit: the site file's [limits] has none"
        ));
    }
    missing.push(
        "whether an element's own limits of flux, recovery, feed and concentrate flow are kept: hold the figures against its data sheet"
            .to_owned(),
    );
    missing
}

/// What else is to be known.
pub(super) fn notes(found: &Sizing) -> Vec<String> {
    let demand = &found.demand;
    let mut notes = Vec::new();
    if demand.feed.is_sine {
        notes.push(
            "temperatures between the coldest and the warmest month are sine waves, not readings"
                .to_owned(),
        );
    }
    let allowance = &demand.allowance;
    notes.push(format!(
        "worn: water permeability {:.0} % and salt permeability {:.0} % of new ({} y at −{} % and +{} % a year, compounding; fouled by {} %)",
        100.0 * allowance.water(),
        100.0 * allowance.salt(),
        allowance.years,
        digits(100.0 * allowance.flow_loss_a_year),
        digits(100.0 * allowance.salt_passage_growth_a_year),
        digits(100.0 * allowance.fouling),
    ));
    if demand.feed.inlet_pressure.is_none() && demand.pump_efficiency.is_some() {
        notes.push("energy: the pump is taken to start from no pressure, since [feed] inlet_pressure is not told".to_owned());
    }
    let held_back: Vec<&str> = found
        .present
        .months
        .iter()
        .filter(|month| {
            let standing = &month.worn;
            let made = standing.permeate_flow.value * demand.running.hours() / 24.0;
            standing
                .share
                .as_ref()
                .is_some_and(|share| share.value >= 1.0)
                && made < month.needed * (1.0 - 1e-9)
        })
        .map(|month| MONTHS[month.month])
        .collect();
    if !held_back.is_empty() {
        notes.push(format!(
            "[running] flow makes less than the day needs in {}, though the unit could make it at the pressure limit",
            held_back.join(", ")
        ));
    }
    notes
}

/// The unit of figures of a quantity in which the site file gives its limit of it.
pub(super) fn pressure_unit(found: &Sizing) -> &'static Unit {
    let limit = found.site.limits.get("feed_pressure");
    limit.map_or(Quantity::Pressure.canonical(), |limit| limit.unit)
}
