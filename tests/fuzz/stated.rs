//! What the captures of a job that state their delay hand over.

use groovelag::job::{CaptureData, DelaySource, Job};

/// One for each capture; nothing for recordings and plans.
pub fn stated(job: &Job) -> Vec<Option<CaptureData>> {
    job.captures
        .iter()
        .map(|capture| match capture.source {
            DelaySource::Delay(delay) => Some(CaptureData::of_delay(delay.value, delay.u)),
            _ => None,
        })
        .collect()
}
