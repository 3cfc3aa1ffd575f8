//! Text as a knowledge file, and a job that builds on what it says.
#![no_main]

#[path = "../stated.rs"]
mod stated;

use groovelag::job::{Job, Knowledge, file, solve};
use libfuzzer_sys::fuzz_target;
use stated::stated;
use std::sync::LazyLock;

/// A job whose things the corpus names.
static JOB: LazyLock<Job> = LazyLock::new(|| {
    let text = include_str!("../knowledge.toml");
    file::parse(text, "knowledge.toml").expect("the job beside the targets")
});

/// Captures of a file at most: the adjustment's cost is its cube.
const MOST: usize = 24;

fuzz_target!(|text: &str| {
    let Ok(knowledge) = Knowledge::parse(text, "fuzz.toml") else {
        return;
    };
    let written = knowledge.to_text();
    let again = Knowledge::parse(&written, "fuzz.toml");
    assert_eq!(again.as_ref(), Ok(&knowledge), "{written}");
    if knowledge.captures().count() > MOST {
        return;
    }
    let mut job = JOB.clone();
    job.knowledge.push(knowledge);
    let data = stated(&job);
    if solve(&job, &data, 0.95).is_ok() {
        // what it learned in turn can be read again
        let exported = job.knowledge(&data).to_text();
        assert!(Knowledge::parse(&exported, "out.toml").is_ok(), "{exported}");
    }
});
