//! A mapping file. What is read is used to read a small log, and read again says the same.

#![no_main]

use brinemark::log::ReadOptions;
use brinemark_fuzz::{check_refusal, read};
use libfuzzer_sys::fuzz_target;

const LOG: &[u8] = b"Zeit;P1 [psi];P2;train A feed_ph\n;;bar;\n01.03.2026 08:00;1.234,5;2,5;7\n01.03.2026 09:00;;3;7,1\n";

fuzz_target!(|text: &str| {
    let mapping = match ReadOptions::from_toml(text) {
        Ok(mapping) => mapping,
        Err(error) => return check_refusal(&error),
    };
    assert_eq!(ReadOptions::from_toml(text).as_ref(), Ok(&mapping));
    if let Err(error) = read(LOG, &mapping) {
        check_refusal(&error);
    }
});
