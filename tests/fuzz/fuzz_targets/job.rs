//! Text as a job file.
#![no_main]

#[path = "../stated.rs"]
mod stated;

use groovelag::job::{file, solve};
use libfuzzer_sys::fuzz_target;
use stated::stated;

/// Captures of a job that is adjusted: enough for every kind to meet.
const MOST: usize = 6;

fuzz_target!(|text: &str| {
    let Ok(job) = file::parse(text, "fuzz.toml") else {
        return;
    };
    if job.captures.len() > MOST {
        return;
    }
    let data = stated(&job);
    let _ = solve(&job, &data, 0.95);
});
