//! Typed arguments into validated requests, library calls and views.
//! clap and the exit policy live here alone.

mod simulate;

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
    Simulate(simulate::Arguments),
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
        Command::Simulate(arguments) => simulate::run(&arguments),
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
