//! Text as a chain file.
#![no_main]

use groovelag::chain::document::{from_toml, to_toml};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    if let Ok(calibration) = from_toml(text, "fuzz.toml") {
        let written = to_toml(&calibration);
        let again = from_toml(&written, "written.toml");
        assert!(again.is_ok(), "{written}");
    }
});
