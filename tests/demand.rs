//! The demand file: every fault named with its key, and the right one beside it.

use brinemark::sizing::{Demand, RunningFlow, TEMPLATE};
use proptest::prelude::*;

fn faults(text: &str) -> Vec<String> {
    let found = Demand::parse(text).expect_err("a fault").faults();
    found.iter().map(ToString::to_string).collect()
}

/// The template with one piece of text exchanged for another.
fn with(from: &str, to: &str) -> String {
    assert!(TEMPLATE.contains(from), "{from}");
    TEMPLATE.replacen(from, to, 1)
}

/// The template with every optional line that stands in place of no other.
fn whole() -> String {
    let lines = TEMPLATE.lines().map(|line| match line.strip_prefix("# ") {
        Some(bare) if bare.starts_with('[') || bare.contains(" = ") => {
            if bare.starts_with("hourly") {
                line
            } else {
                bare
            }
        }
        _ => line,
    });
    lines.collect::<Vec<_>>().join("\n")
}

#[test]
fn the_template_is_a_demand_file() {
    let demand = Demand::parse(TEMPLATE).unwrap();
    assert!(demand.tank.is_none() && demand.pump_efficiency.is_none());
    assert_eq!(demand.running.flow, RunningFlow::Need);
    assert_eq!(demand.running.hours(), 24.0);
    assert!(
        (demand
            .profile
            .iter()
            .map(|stretch| stretch.share)
            .sum::<f64>()
            - 1.0)
            .abs()
            < 1e-12
    );
    // A sine between February and August: the two themselves, and their mean between.
    let temperature = demand.feed.temperature;
    assert!(demand.feed.is_sine);
    assert!((temperature[1] - 5.0).abs() < 1e-12 && (temperature[7] - 20.0).abs() < 1e-12);
    assert!((temperature[4] - 12.5).abs() < 1e-12 && (temperature[10] - 12.5).abs() < 1e-12);
    assert!((demand.allowance.water() - 0.93_f64.powi(3) * 0.9).abs() < 1e-12);
    assert!((demand.allowance.salt() - 1.331).abs() < 1e-12);
    // What it says in JSON is what it holds.
    let json: serde_json::Value = serde_json::from_str(&demand.settings()).unwrap();
    assert_eq!(json["units"]["daily"], "m3/d");
}

#[test]
fn every_optional_line_of_the_template_is_right() {
    let text = whole();
    let demand = Demand::parse(&text).unwrap_or_else(|error| panic!("{error}\n{text}"));
    let tank = demand.tank.expect("a tank");
    assert!((tank.usable_m3 - 5.1).abs() < 1e-12);
    assert_eq!((tank.start_at, tank.stop_at), (0.6, 1.0));
    assert_eq!(demand.running.hours(), 20.0);
    assert_eq!(demand.recycle_flow, 1.5);
    assert_eq!(demand.feed.inlet_pressure, Some(2.0));
    assert_eq!(demand.allowance.rated_flow_tolerance, Some(0.15));
    assert_eq!(demand.prices.energy_per_kwh, Some(0.15));
    assert_eq!(demand.prices.water_per_m3, Some(1.8));
    assert!(demand.notes.is_some() && demand.prices.currency.is_some());
    let stretches = "\"06:00-09:00\" = \"40 %\"                 # from and to, evenly between; may go over midnight; nothing is drawn at other times\n\"09:00-18:00\" = \"35 %\"\n\"18:00-22:00\" = \"25 %\"\n# hourly";
    let hourly = Demand::parse(&with(stretches, "hourly")).unwrap();
    assert_eq!(hourly.profile.len(), 24);
    for other in ["\"limit\"", "\"20 gpm\""] {
        Demand::parse(&with("flow = \"need\" ", &format!("flow = {other} "))).unwrap();
    }
    let months = |figure: &str| format!("[{}]", [figure; 12].join(", "));
    let twelve = with(
        "daily = \"16 m3/d\"",
        &format!("daily = {}", months("\"4000 gpd\"")),
    );
    let demand = Demand::parse(&twelve).unwrap();
    assert_eq!(
        (
            demand.units.daily.word,
            demand.units.flow.word,
            demand.units.volume.word
        ),
        ("gpd", "gpm", "gal")
    );
    // In a list of windows, and over midnight.
    let windows = with(
        "between = \"00:00-24:00\"",
        "between = [\"22:00-04:00\", \"12:00-13:30\"]",
    );
    assert_eq!(Demand::parse(&windows).unwrap().running.hours(), 7.5);
    let water = whole().replace("1.80 per m3", "8 per 1000 gal");
    let price = Demand::parse(&water).unwrap().prices.water_per_m3.unwrap();
    assert!((price - 8.0 / 3.785_411_784).abs() < 1e-9);
}

#[test]
fn over_midnight_a_stretch_draws_evenly() {
    let text = with("\"18:00-22:00\" = \"25 %\"", "\"22:00-02:00\" = \"25 %\"");
    let demand = Demand::parse(&text).unwrap();
    let draws = demand.draws(0);
    assert!((draws.iter().sum::<f64>() - 16.0).abs() < 1e-9);
    assert!((draws[0] - draws[1439]).abs() < 1e-12 && draws[0] > 0.0 && draws[120] == 0.0);
    assert!((demand.highest_flow() - 16.0 * 0.4 / 3.0).abs() < 1e-9);
}

#[test]
fn each_fault_has_its_key_and_what_would_be_right() {
    for (from, to, said) in [
        (
            "daily = \"16 m3/d\"",
            "dayly = \"16 m3/d\"",
            "[demand] dayly: not a known key; did you mean 'daily'?",
        ),
        (
            "daily = \"16 m3/d\"",
            "daily = \"16 m3\"",
            "a unit of volume, where one of flow is needed",
        ),
        (
            "daily = \"16 m3/d\"",
            "daily = \"0 m3/d\"",
            "[demand] daily: nothing is needed",
        ),
        (
            "daily = \"16 m3/d\"",
            "daily = [\"16 m3/d\", \"15 m3/d\"]",
            "[demand] daily: 2 figures; one, or twelve",
        ),
        (
            "# peak_flow = \"2.5 m3/h\"",
            "peak_flow = \"2 m3/h\"",
            "the profile itself draws 2.133 m3/h",
        ),
        (
            "\"40 %\"",
            "\"30 %\"",
            "[profile]: the shares add up to 90.0 %; 100 % in all",
        ),
        (
            "\"09:00-18:00\"",
            "\"08:00-18:00\"",
            "[profile]: 08:00 is in two stretches",
        ),
        (
            "\"09:00-18:00\"",
            "\"9-18\"",
            "[profile] 9-18: not a stretch of the day",
        ),
        ("\"09:00-18:00\"", "hourley", "did you mean 'hourly'?"),
        (
            "between = \"00:00-24:00\"",
            "between = \"06:00-06:00\"",
            "[running] between",
        ),
        (
            "flow = \"need\"",
            "flow = \"most\"",
            "[running] flow, 'most': not a choice",
        ),
        (
            "recovery = \"60 %\"",
            "recovery = \"100 %\"",
            "[operation] recovery",
        ),
        (
            "coldest_month = \"February\"",
            "coldest_month = \"Feb\"",
            "[feed] temperature coldest_month, 'Feb': not a choice",
        ),
        (
            "coldest = \"5 degC\"",
            "coldest = \"25 degC\"",
            "[feed] temperature: the coldest month is not",
        ),
        ("years = 3", "years = 30", "[allowance] years"),
        (
            "fouling = \"10 %\" ",
            "",
            "[allowance] fouling: missing; add fouling = \"10 %\"",
        ),
        (
            "# [price]",
            "[price]\nenergy = \"0.15\"",
            "[price] energy, '\"0.15\"': not what is needed here; text as \"0.15 per kWh\"",
        ),
        (
            "# [tank]",
            "[tank]\nvolume = \"6 m3\"\nusable = \"85 %\"\nstart_at = \"90 %\"\nstop_at = \"80 %\"",
            "[tank] start_at: not below stop_at",
        ),
        (
            "# [tank]",
            "[tank]\nvolume = \"6 m3/h\"",
            "a unit of flow, where one of volume is needed",
        ),
    ] {
        let all = faults(&with(from, to));
        assert!(
            all.iter().any(|fault| fault.contains(said)),
            "{said}\n{all:#?}"
        );
    }
}

#[test]
fn an_empty_file_is_told_all_that_it_lacks() {
    let all = faults("");
    for key in [
        "name",
        "daily",
        "[profile]",
        "between",
        "[running] flow",
        "recovery",
        "permeate_pressure",
        "temperature",
        "tds",
        "flow_loss_a_year",
        "years",
        "fouling",
        "salt_passage_growth_a_year",
    ] {
        assert_eq!(
            all.iter()
                .filter(|fault| fault.contains(key) && fault.contains("missing"))
                .count(),
            1,
            "{key}\n{all:#?}"
        );
    }
}

proptest! {
    #[test]
    fn no_text_makes_it_panic(text in "\\PC{0,200}", at in 0_usize..3000, cut in 0_usize..40) {
        let _ = Demand::parse(&text);
        // The template with a hole in it, or something else in its place.
        let (whole, text) = (whole(), text.replace('\n', " "));
        let from = (0..=at.min(whole.len())).rev().find(|at| whole.is_char_boundary(*at)).unwrap_or(0);
        let to = (from + cut..=whole.len()).find(|at| whole.is_char_boundary(*at)).unwrap_or(whole.len());
        let _ = Demand::parse(&format!("{}{}{}", &whole[..from], &text, &whole[to..]));
    }
}
