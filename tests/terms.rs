//! The terms file: every fault named with its key, and the right one beside it.

use brinemark::log::Column;
use brinemark::warranty::terms::{Allowed, Change, LimitOf, Method, Replacements};
use brinemark::warranty::{TEMPLATE, Terms};
use proptest::prelude::*;

fn faults(text: &str) -> Vec<String> {
    let found = Terms::parse(text).expect_err("a fault").faults();
    found.iter().map(ToString::to_string).collect()
}

/// The template with one piece of text exchanged for another.
fn with(from: &str, to: &str) -> String {
    assert!(TEMPLATE.contains(from), "{from}");
    TEMPLATE.replacen(from, to, 1)
}

/// The template with more behind it.
fn and(more: &str) -> String {
    format!("{TEMPLATE}\n{more}\n")
}

#[test]
fn the_template_is_a_terms_file() {
    let terms = Terms::parse(TEMPLATE).unwrap();
    assert_eq!(terms.replacements, Replacements::Refused);
    let guarantee = terms.guarantee.as_ref().expect("a guarantee");
    assert_eq!(guarantee.method, Method::StandardPractice);
    let flow = guarantee.permeate_flow.as_ref().expect("a promise");
    assert_eq!(flow.change, Change::Compounding(-0.07));
    assert!((guarantee.conditions.permeate_tds - 13.5).abs() < 1e-12);
    assert_eq!(terms.records.every(Column::FeedPressure), Some(24.0));
    assert!(terms.limits.is_empty());
    // What it says in JSON is what it holds.
    let json: serde_json::Value = serde_json::from_str(&terms.settings()).unwrap();
    assert_eq!(json["guarantee"]["method"], "standard-practice");
}

#[test]
fn every_optional_line_of_the_template_is_right() {
    let mut lines: Vec<&str> = TEMPLATE.lines().collect();
    // The optional tables stand in whole; what stands instead of another key is tried below.
    for line in &mut lines {
        let bare = line
            .strip_prefix("# ")
            .or_else(|| line.strip_prefix("#"))
            .unwrap_or(line);
        let key = bare.trim().split([' ', '=']).next().unwrap_or_default();
        let stands_instead = [
            "net_driving_pressure",
            "permeate_flow",
            "permeate_tds",
            "base",
            "law",
            "constant",
            "constant_below_25degC",
            "table",
            "at_end",
            "longest",
        ]
        .contains(&key)
            && line.starts_with('#');
        let is_entry = bare.starts_with('[')
            || bare.contains(" = ") && !bare.starts_with(' ')
            || bare.starts_with("    {")
            || bare.starts_with(']');
        if is_entry && !stands_instead && !bare.starts_with("[guarantee.salt_temperature]") {
            *line = bare;
        }
    }
    let text = lines.join("\n");
    let terms = Terms::parse(&text).unwrap_or_else(|error| panic!("{error}\n{text}"));
    assert_eq!(terms.limits.len(), 11);
    assert_eq!(terms.train.as_deref(), Some("A"));
    assert_eq!(
        (terms.cleanings_in_all, terms.cleanings_a_year),
        (Some(12), Some(4))
    );
    assert_eq!(terms.exclusions.len(), 1);
    assert!(terms.notice_given_us.is_some() && terms.records.calibration.is_some());
    let pressure = terms
        .limit(LimitOf::Column(Column::FeedPressure))
        .expect("a limit");
    assert_eq!(
        (pressure.high, pressure.allowed),
        (Some(16.0), Allowed::Share(0.005))
    );
    let temperature = terms
        .limit(LimitOf::Column(Column::FeedTemperature))
        .expect("a limit");
    assert_eq!(temperature.by_ph.len(), 2);
    // Shipment on 10 January and six months come after the first use on 1 March.
    assert_eq!(terms.start_us(), terms.start_up_us.expect("a start"));
    let of = |from: &str, to: &str| {
        Terms::parse(&with(from, to)).unwrap_or_else(|error| panic!("{to}: {error}"))
    };
    of(
        "feed_pressure = \"12 bar\"",
        "net_driving_pressure = \"8 bar\"",
    );
    let at_end = of(
        "yearly_change = \"-7 %\"                 # and what it may lose a year\nchange = \"compounding\"                 # of the year before's, or \"of-first\"\n",
        "at_end = \"3.4 m3/h\"\n",
    );
    let flow = at_end
        .guarantee
        .and_then(|of| of.permeate_flow)
        .expect("a promise");
    assert_eq!(flow.change, Change::ToEnd(3.4));
    for law in [
        "law = \"standard-practice\"\nbase = 1.03",
        "law = \"arrhenius\"\nconstant = \"2700 K\"\nconstant_below_25degC = \"3020 K\"",
        "law = \"viscosity\"",
        "law = \"table\"\ntable = [[\"5 degC\", 0.52], [\"25 degC\", 1.0], [\"30 degC\", 1.16]]",
    ] {
        of("law = \"standard-practice\"", law);
    }
    Terms::parse(&and(
        "[guarantee.salt_temperature]\nlaw = \"arrhenius\"\nconstant = \"3000 K\"",
    ))
    .unwrap();
    Terms::parse(&and(
        "[limit.feed_pressure]\nhigh = \"16 bar\"\nlongest = \"2 h\"",
    ))
    .unwrap();
}

#[test]
fn the_period_begins_at_whichever_comes_first() {
    let of = |lines: &str| {
        let text = with(
            "start_up = \"2024-03-01T00:00Z\"         # first use of the membranes; or",
            lines,
        );
        let start = Terms::parse(&text).unwrap().start_us();
        jiff::Timestamp::from_microsecond(start)
            .unwrap()
            .to_string()
    };
    let shipped = "shipped = \"2024-01-10T00:00Z\"\nstart_within = \"6 months\"";
    assert_eq!(of(shipped), "2024-07-10T00:00:00Z");
    assert_eq!(
        of(&format!("start_up = \"2024-09-01T00:00Z\"\n{shipped}")),
        "2024-07-10T00:00:00Z"
    );
    assert_eq!(
        of(&format!("start_up = \"2024-03-01T00:00Z\"\n{shipped}")),
        "2024-03-01T00:00:00Z"
    );
}

#[test]
fn bad_terms_get_one_message_each_naming_the_key() {
    let limit = |lines: &str| and(&format!("[limit.feed_pressure]\n{lines}"));
    let cases = [
        (
            with("\"12 bar\"", "\"12\""),
            "[conditions] feed_pressure, '12': no unit of pressure",
        ),
        (
            with("\"12 bar\"", "12"),
            "[conditions] feed_pressure, '12': not what is needed here; text with a unit",
        ),
        (
            with("period = \"3 years\"", "period = \"3\""),
            "[warranty] period, '\"3\"'",
        ),
        (
            with("period = \"3 years\"", "perod = \"3 years\""),
            "[warranty] period: missing",
        ),
        (
            with(
                "start_up = \"2024-03-01T00:00Z\"",
                "start_up = \"2024-03-01\"",
            ),
            "[warranty] start_up",
        ),
        (
            with(
                "# shipped = \"2024-01-10T00:00Z\"",
                "start_within = \"6 months\"\nshipped = \"2024-05-10T00:00Z\"",
            ),
            "[warranty] start_up: before [warranty] shipped",
        ),
        (
            with("# shipped", "shipped"),
            "[warranty] start_within: missing",
        ),
        (
            with("replacements = \"refused\"", "replacements = \"refuse\""),
            "[warranty] replacements, 'refuse': not a choice",
        ),
        (
            with("# notice_given", "notice_given"),
            "[warranty] notice: missing",
        ),
        (
            with(
                "# pro_rata_after = \"1 year\"",
                "pro_rata_after = \"4 years\"",
            ),
            "[warranty] pro_rata_after, '4 years': longer than",
        ),
        (
            with("\"-7 %\"", "\"7 %\""),
            "[guarantee.permeate_flow] yearly_change, '7 %': outside the allowed range",
        ),
        (
            with("change = \"compounding\"", "# change"),
            "[guarantee.permeate_flow] change: missing",
        ),
        (
            with("# at_end = \"3.4 m3/h\"", "at_end = \"3.4 m3/h\""),
            "[guarantee.permeate_flow] at_end: at_end and yearly_change",
        ),
        (
            with("minimum_days = 10", "minimum_days = 40"),
            "[guarantee] minimum_days, '40': more days than",
        ),
        (
            with("law = \"standard-practice\"", "law = \"fitted\""),
            "[guarantee.temperature] law: a fitted law",
        ),
        (
            with(
                "method = \"standard-practice\"",
                "method = \"pressure-only\"",
            ),
            "[guarantee] temperature: the method \"pressure-only\" has none",
        ),
        (
            with("# net_driving_pressure", "net_driving_pressure"),
            "[conditions] feed_pressure: feed_pressure and net_driving_pressure",
        ),
        (
            with("# permeate_flow = \"4.6", "permeate_flow = \"4.6"),
            "[conditions] permeate_flow: stated beside a guarantee",
        ),
        (
            with("\"75 %\"", "\"175 %\""),
            "[conditions] recovery, '175 %': outside",
        ),
        (
            limit("low = \"17 bar\"\nhigh = \"16 bar\""),
            "[limit.feed_pressure]: the low limit is above the high one",
        ),
        (
            limit("high = \"16\""),
            "[limit.feed_pressure] high, '16': no unit of pressure",
        ),
        (
            limit("high = \"16 degC\""),
            "[limit.feed_pressure] high, 'degC': a unit of temperature",
        ),
        (
            limit("share = \"1 %\""),
            "[limit.feed_pressure] high: missing",
        ),
        (
            limit("high = \"16 bar\"\nshare = \"1 %\"\nlongest = \"1 h\""),
            "[limit.feed_pressure] share: share and longest",
        ),
        (
            limit("high = \"10 bar\""),
            "[conditions] feed_pressure, '12 bar': outside the limits of [limit.feed_pressure]",
        ),
        (
            and("[limit.feed_presure]\nhigh = \"16 bar\""),
            "[limit.feed_presure]: not a known key; did you mean 'feed_pressure'?",
        ),
        (
            and(
                "[limit.feed_temperature]\nby_ph = [{ from = 2, to = 10, high = \"45 degC\" }, { from = 9, to = 11, high = \"35 degC\" }]",
            ),
            "[limit.feed_temperature] by_ph: the band from pH 9 to 11 overlaps another",
        ),
        (
            and("[limit.cleanings]\ntotal = 3\na_year = 4"),
            "[limit.cleanings] a_year: 4 a year, where 3 are allowed in all",
        ),
        (
            limit("high = \"16 bar\"\ncounted_from = \"0.02 mg/L\""),
            "[limit.feed_pressure] counted_from: only an exposure is counted; leave it out",
        ),
        (
            and("[guarantee.tds_per_conductivity]\nfeed = 0.5"),
            "[guarantee.tds_per_conductivity] permeate: missing; add permeate = 0.5",
        ),
        (
            and("[guarantee.tds_per_conductivity]\nfeed = 0.5\npermeate = 0.5\naccuracy = \"3 %\""),
            "[guarantee.tds_per_conductivity] accuracy, '\"3 %\"': not what is needed here; leave it out: what was agreed on has none",
        ),
        (
            and("[limit.free_chlorine_exposure]\nhigh = \"1000 mg/L\""),
            "[limit.free_chlorine_exposure] high, 'mg/L': a unit of concentration",
        ),
        (
            with("feed_temperature = \"1 d\"", "feed_temprature = \"1 d\""),
            "[records.every] feed_temprature: not a known key; did you mean 'feed_temperature'?",
        ),
        (
            with("feed_temperature = \"1 d\"", "feed_temperature = \"1\""),
            "[records.every] feed_temperature, '1': no unit of time",
        ),
        (
            and("[exclusion]\nevents = [\"cleanings\"]"),
            "[exclusion] events, '\"cleanings\"': not a kind of event; did you mean 'cleaning'?",
        ),
        (
            and("[exclusions]\nevents = []"),
            "the file: exclusions: not a known key; did you mean 'exclusion'?",
        ),
    ];
    for (text, expected) in cases {
        let found = faults(&text);
        let met = found
            .iter()
            .filter(|fault| fault.contains(expected))
            .count();
        assert_eq!(met, 1, "{expected}\nin {found:#?}");
    }
    // All of them are told at once.
    let both = with("\"12 bar\"", "\"12\"").replace("\"-7 %\"", "\"7 %\"");
    assert_eq!(faults(&both).len(), 2);
}

proptest! {
    #[test]
    fn no_text_makes_it_panic(text in "\\PC{0,300}") {
        let _ = Terms::parse(&text);
    }

    #[test]
    fn no_mutation_of_terms_makes_it_panic(at in 0..TEMPLATE.len(), text in "\\PC{0,8}", cut in 0_usize..12) {
        let until = (at + cut).min(TEMPLATE.len());
        if TEMPLATE.is_char_boundary(at) && TEMPLATE.is_char_boundary(until) {
            // In use, not as comments alone.
            let bare = TEMPLATE.replace("\n# ", "\n");
            let _ = Terms::parse(&format!("{}{text}{}", &TEMPLATE[..at], &TEMPLATE[until..]));
            let at = bare.floor_char_boundary(at);
            if let Ok(terms) = Terms::parse(&format!("{}{text}{}", &bare[..at], &bare[at..])) {
                let _ = (terms.start_us(), terms.end_us(), terms.settings());
            }
        }
    }
}
