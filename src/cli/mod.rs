//! Typed arguments into validated requests, library calls and views.
//! clap and the exit policy live here alone.

mod compare;
mod output;
mod plan;
mod solve;

use clap::{Parser, Subcommand};
use std::process::ExitCode;

/// Measure how far a phono stylus is turned, from recordings of a mono-cut band.
#[derive(Debug, Parser)]
#[command(version, about)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Solve(solve::SolveArguments),
    Compare(compare::CompareArguments),
    Plan(plan::PlanArguments),
}

/// How a command ended; the contract's exit status.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// 0: done.
    Done,
    /// 1: done, but a stated limit is not met or undecided.
    LimitNotMet,
}

/// Runs the command line and says how it ended.
pub fn run() -> ExitCode {
    let arguments = Arguments::parse();
    let outcome: Result<Outcome, String> = match arguments.command {
        Command::Solve(a) => solve::run(&a, &read_capture),
        Command::Compare(a) => compare::run(&a, &read_capture),
        Command::Plan(a) => plan::run(&a),
    };
    match outcome {
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::LimitNotMet) => ExitCode::from(1),
        Err(message) => {
            eprintln!("groovelag: {message}");
            ExitCode::from(2)
        }
    }
}

/// A recording of a job as information about its delay.
fn read_capture(
    _spec: &groovelag::job::CaptureSpec,
    _path: &std::path::Path,
) -> Result<groovelag::job::CaptureData, String> {
    Err("recordings cannot be analysed yet; give delay_us = { value, u }".to_owned())
}
