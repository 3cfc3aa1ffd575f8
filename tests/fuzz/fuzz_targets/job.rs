//! Text as a job file.
#![no_main]

use groovelag::job::{CaptureData, Source, file, solve};
use libfuzzer_sys::fuzz_target;

/// Captures of a job that is adjusted: enough for every kind to meet.
const MOST: usize = 6;

fuzz_target!(|text: &str| {
    let Ok(job) = file::parse(text, "fuzz.toml") else {
        return;
    };
    if job.captures.len() > MOST {
        return;
    }
    let data: Vec<_> = job
        .captures
        .iter()
        .map(|capture| match capture.source {
            Source::Delay(delay) => Some(CaptureData::of_delay(delay.value, delay.u)),
            _ => None,
        })
        .collect();
    let _ = solve(&job, &data, 0.95);
});
