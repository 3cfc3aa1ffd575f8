//! Typed arguments into validated requests, library calls and views.
//! clap and the exit policy live here alone.

mod arguments;
mod calibrate;
mod compare;
mod measure;
mod output;
mod plan;
mod simulate;
mod solve;

use clap::{Args, Parser, Subcommand};
use groovelag::analysis::{self, Request, Through};
use groovelag::capture;
use groovelag::chain::Calibration;
use groovelag::delay::Settings;
use groovelag::delay::phase::PhaseTerm;
use groovelag::job::{CaptureData, CaptureSpec};
use std::path::Path;
use std::process::ExitCode;

/// Measure how far a phono stylus is turned, from recordings of a mono-cut band
///
/// Mute the amplifier before touching the cartridge, guard the stylus, and
/// follow the maker's instructions first.
#[derive(Debug, Parser)]
#[command(version, about)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
    /// Threads to use [default: all cores]
    #[arg(long, global = true, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    threads: Option<u16>,
}

#[derive(Debug, Subcommand)]
enum Command {
    Measure(measure::Measure),
    Solve(solve::SolveArguments),
    Compare(compare::CompareArguments),
    Plan(plan::PlanArguments),
    Calibrate(calibrate::Calibrate),
    Simulate(simulate::Arguments),
}

/// Options of every command that gives a result.
#[derive(Debug, Clone, Args)]
pub struct Common {
    /// Print one JSON document instead of text
    #[arg(long)]
    pub json: bool,
    /// Coverage of the bands
    #[arg(long, default_value = "0.95", value_parser = arguments::coverage)]
    pub coverage: f64,
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
    if let Some(threads) = arguments.threads {
        // Fails only if a pool exists already, and none does yet.
        let _ = rayon::ThreadPoolBuilder::new()
            .num_threads(threads.into())
            .build_global();
    }
    let outcome = match arguments.command {
        Command::Measure(command) => command.run(),
        Command::Solve(arguments) => solve::run(&arguments, &read_capture),
        Command::Compare(arguments) => compare::run(&arguments, &read_capture),
        Command::Plan(arguments) => plan::run(&arguments),
        Command::Calibrate(command) => command.run(),
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

/// A recording of a job as information about its delay.
fn read_capture(
    spec: &CaptureSpec,
    path: &Path,
    calibration: Option<&Calibration>,
    load: &[PhaseTerm],
) -> Result<CaptureData, String> {
    let mut settings = Settings::default();
    settings.terms.extend_from_slice(load);
    let request = Request {
        source: capture::Source::Path(path.to_owned()),
        options: capture::Options {
            hash: true,
            ..Default::default()
        },
        from_s: spec.from_s,
        to_s: spec.to_s,
        settings,
    };
    let through = calibration.map(|calibration| Through {
        calibration,
        leads_swapped: spec.swapped,
    });
    let mut terms = load.to_vec();
    terms.extend(calibration.map_or_else(Vec::new, |c| c.prior_changes().terms));
    analysed(&request, through).map(|data| data.with_priors(&terms))
}

/// A recording as information about its delay.
fn analysed(request: &Request, through: Option<Through>) -> Result<CaptureData, String> {
    let mut progress = output::Progress::new();
    analysis::analyse_through(request, through, &mut |f| {
        progress.show(&request.source.name(), f)
    })
    .map(|analysis| CaptureData::of(&analysis))
    .map_err(|e| e.to_string())
}
