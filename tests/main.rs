//! All integration tests in one program: built once, and run together on all cores.
//! `cargo test --test main chain::` runs those of one file. `docs.rs` stands by itself,
//! since it moves the process from folder to folder.

mod bound;
mod calibrate_command;
mod chain;
mod chain_scipy;
mod check;
mod command_line;
mod cross_check;
mod delay;
mod follow;
mod history;
mod hostile;
mod independent_writers;
mod job;
mod layers;
mod measure;
mod page;
mod pass;
mod readers;
mod recordings;
mod references_spectrum;
mod references_uncertainty;
mod report;
mod schemas;
#[path = "recordings/side.rs"]
mod side;
mod simulate;
mod start;
mod stretches;
mod symmetries;
mod tip;
mod tracing;
mod verify;
mod warnings;
