//! A site file. What parses says all its settings in JSON, has a finite figure wherever one is given, and parses
//! to the same site again.

#![no_main]

use brinemark::Site;
use brinemark_fuzz::check_refusal;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    let site = match Site::parse(text) {
        Ok(site) => site,
        Err(error) => return check_refusal(&error),
    };
    let again = Site::parse(&site.text).expect("the text of a site that was read");
    assert_eq!(site, again);
    assert_eq!(site.method_hash(), again.method_hash());
    let settings = site.settings();
    let json: serde_json::Value = serde_json::from_str(&settings).expect("JSON");
    assert!(json.is_object(), "{settings}");
    assert!(site.elements() > 0);
    for instrument in site.instruments.values() {
        if let Some(accuracy) = instrument.accuracy {
            let at = accuracy.at(1.0);
            assert!(at.is_finite() && at >= 0.0, "{accuracy:?}");
        }
        for step in [instrument.resolution, instrument.repeatability]
            .into_iter()
            .flatten()
        {
            assert!(step.is_finite() && step >= 0.0, "{instrument:?}");
        }
    }
});
