//! A demand file. What parses says all its settings in JSON, draws what its days need, and parses to the same demand again.

#![no_main]

use brinemark::sizing::Demand;
use brinemark_fuzz::check_refusal;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    let demand = match Demand::parse(text) {
        Ok(demand) => demand,
        Err(error) => return check_refusal(&error),
    };
    let again = Demand::parse(&demand.text).expect("the text of a demand that was read");
    assert_eq!(demand, again);
    let settings = demand.settings();
    let json: serde_json::Value = serde_json::from_str(&settings).expect("JSON");
    assert!(json.is_object(), "{settings}");
    assert!((0.0..=24.0).contains(&demand.running.hours()));
    for (month, daily) in demand.daily.iter().enumerate() {
        let drawn: f64 = demand.draws(month).iter().sum();
        assert!((drawn - 24.0 * daily).abs() <= 1e-9 * drawn, "{drawn}");
    }
});
