//! A first look at any file. The mapping that is proposed is a mapping file, zone or no zone.

#![no_main]

use brinemark::log::describe::describe_sample;
use brinemark::log::{ReadOptions, look};
use brinemark_fuzz::{check_refusal, file};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &[u8]| {
    let sample = match look(&file(data), 200) {
        Ok(sample) => sample,
        Err(error) => return check_refusal(&error),
    };
    let described = describe_sample(&sample);
    let mapping = described.mapping();
    ReadOptions::from_toml(&mapping).unwrap_or_else(|error| panic!("{error}\n{mapping}"));
    let json: serde_json::Value = serde_json::from_str(&described.to_json()).expect("JSON");
    assert!(json.is_object());
});
