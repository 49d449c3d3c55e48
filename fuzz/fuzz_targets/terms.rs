//! The terms of a warranty. What parses says all its settings in JSON, begins before it ends, and parses to the same terms again.

#![no_main]

use brinemark::warranty::Terms;
use brinemark_fuzz::check_refusal;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    let terms = match Terms::parse(text) {
        Ok(terms) => terms,
        Err(error) => return check_refusal(&error),
    };
    let again = Terms::parse(&terms.text).expect("the text of terms that were read");
    assert_eq!(terms, again);
    let settings = terms.settings();
    let json: serde_json::Value = serde_json::from_str(&settings).expect("JSON");
    assert!(json.is_object(), "{settings}");
    assert!(terms.start_us() <= terms.end_us());
    if let Some(guarantee) = &terms.guarantee {
        for promise in [&guarantee.permeate_flow, &guarantee.salt_passage].into_iter().flatten() {
            assert!(promise.at(1.0, 3.0).is_finite(), "{promise:?}");
        }
    }
    if let Some(share) = terms.pro_rata_share(terms.end_us()) {
        assert!((0.0..=1.0).contains(&share), "{share}");
    }
});
