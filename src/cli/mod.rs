//! Typed arguments into validated requests, library calls and views.
//! clap and the exit policy live here alone.

mod arguments;
mod calibrate;
mod check;
mod compare;
mod follow;
mod master;
mod measure;
mod merge;
mod output;
mod page;
mod plan;
mod shell;
mod simulate;
mod solve;
mod start;
mod verify;
mod views;

use clap::{Args, CommandFactory, FromArgMatches, Parser, Subcommand};
use groovelag::analysis::{self, ChainCorrection, Request};
use groovelag::chain::{self, Calibration};
use groovelag::job::CaptureData;
use groovelag::job::file::RecordingToRead;
use groovelag::outside::{is_unsafe, shown};
use groovelag::uncertainty::Standing;
use rayon::{ThreadPool, ThreadPoolBuildError, ThreadPoolBuilder};
use std::ffi::OsString;
use std::path::Path;
use std::process::ExitCode;

/// Measure how far a phono stylus is turned, from recordings of a mono-cut band
#[derive(Debug, Parser)]
#[command(
    version,
    about,
    after_help = "Example:
  groovelag measure band.wav --radius 72 --rpm 33 --stylus elliptical:18x8

'groovelag COMMAND --help' explains each command; start with docs/owner.md.
Mute the amplifier before touching the cartridge, guard the stylus, and follow
the maker's instructions first.
Exit status: 0 done; 1 done, but a stated limit is not met or undecided, or
the result is in doubt; 2 the request, the input or the output is unusable."
)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
    /// Threads to use [default: all cores]
    #[arg(long, global = true, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    threads: Option<u16>,
}

#[derive(Debug, Subcommand)]
enum Command {
    Start(start::Start),
    Measure(measure::Measure),
    Solve(solve::SolveArguments),
    Compare(compare::CompareArguments),
    Plan(plan::PlanArguments),
    Merge(merge::MergeArguments),
    Calibrate(calibrate::Calibrate),
    Check(check::CheckArguments),
    Verify(verify::VerifyArguments),
    Simulate(simulate::Arguments),
    Master(master::Master),
    Follow(follow::Follow),
    Page(page::Page),
    Completions(shell::Completions),
    Manual(shell::Manual),
}

/// Options of every command that gives a result.
#[derive(Debug, Clone, Args)]
pub struct Common {
    /// Print one JSON document instead of text
    #[arg(long)]
    pub json: bool,
    /// Coverage of the bands
    #[arg(long, value_name = "P", default_value = "0.95", value_parser = arguments::coverage)]
    pub coverage: f64,
}

/// How a command ended; the contract's exit status.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// 0: done.
    Done,
    /// 1: done, but a stated limit is not met or undecided, or the result is in doubt.
    LimitNotMet,
    /// 2: done, but an input among others is unusable, as the results say.
    InputUnusable,
}

impl Outcome {
    /// The end of a command with a result of this standing, whose limits are met
    /// or not.
    pub fn of(standing: Standing<'_>, met: bool) -> Self {
        if standing.passes(met) {
            Self::Done
        } else {
            Self::LimitNotMet
        }
    }
}

/// Everything that can be typed.
fn program() -> clap::Command {
    measure::with_bands(Arguments::command())
}

/// What was typed, `--bands` right behind `measure`: where it clashes with several options, all of
/// them are named only if it comes first.
fn typed() -> Vec<OsString> {
    let mut all: Vec<OsString> = std::env::args_os().collect();
    let place = |word: &str| all.iter().position(|a| a == word);
    let (start, end) = (place("measure"), place("--").unwrap_or(all.len()));
    if let Some(options) = start.and_then(|start| all.get_mut(start + 1..end)) {
        options.sort_by_key(|a| a != "--bands");
    }
    all
}

fn threads_of(number: usize) -> ThreadPoolBuilder {
    ThreadPoolBuilder::new().num_threads(number)
}

/// One thread by itself, for work whose memory is to be kept for one alone.
fn one_thread() -> Result<ThreadPool, String> {
    threads_of(1).build().map_err(|e| without_threads(&e))
}

fn without_threads(error: &ThreadPoolBuildError) -> String {
    format!("cannot start the threads ({error}); use fewer with --threads, or free memory")
}

/// Runs the command line and says how it ended.
pub fn run() -> ExitCode {
    if views::help_asked(std::env::args_os()) {
        return match output::print(&views::help(output::width())) {
            Ok(()) => ExitCode::SUCCESS,
            Err(message) => unusable(&message),
        };
    }
    if std::env::args_os().len() == 1 && page::is_double_click() {
        return match page::Page::at_home().run() {
            Ok(_) => ExitCode::SUCCESS,
            Err(message) => unusable(&message),
        };
    }
    // 80 columns where no terminal says otherwise
    let program = program().term_width(output::width());
    let matches = program.clone().try_get_matches_from(typed());
    let arguments = match matches.and_then(|m| Arguments::from_arg_matches(&m)) {
        Ok(arguments) => arguments,
        // what was typed comes back in the message
        Err(error) if std::env::args_os().any(|a| a.to_string_lossy().contains(is_unsafe)) => {
            output::say(&shown(&error.render().to_string()));
            return ExitCode::from(2);
        }
        Err(error) => error.exit(),
    };
    // 0: as many as there are cores
    let threads = arguments.threads.map_or(0, usize::from);
    if let Err(error) = threads_of(threads).build_global() {
        return unusable(&without_threads(&error));
    }
    // a stream that is followed ends with its result, a page with its last answer, a check
    // with what was done
    if !matches!(
        arguments.command,
        Command::Follow(_) | Command::Page(_) | Command::Check(_)
    ) {
        output::end_on_interruption(|| ());
    }
    let outcome = match arguments.command {
        Command::Start(command) => command.run(),
        Command::Measure(command) => command.run(),
        Command::Solve(arguments) => solve::run(&arguments, &read_capture),
        Command::Compare(arguments) => compare::run(&arguments, &read_capture),
        Command::Merge(arguments) => merge::run(&arguments),
        Command::Plan(arguments) => plan::run(&arguments, &read_capture),
        Command::Calibrate(command) => command.run(),
        Command::Check(arguments) => check::run(&arguments),
        Command::Verify(arguments) => verify::run(&arguments, &read_capture),
        Command::Simulate(arguments) => simulate::run(&arguments),
        Command::Master(command) => command.run(),
        Command::Follow(command) => command.run(),
        Command::Page(command) => command.run(),
        Command::Completions(command) => command.run(program),
        Command::Manual(command) => command.run(program),
    };
    match outcome {
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::LimitNotMet) => ExitCode::from(1),
        Ok(Outcome::InputUnusable) => ExitCode::from(2),
        Err(message) => unusable(&message),
    }
}

/// Says why nothing came of it. What a file or an argument brought into the
/// message must not steer the terminal.
fn unusable(message: &str) -> ExitCode {
    output::note(message);
    ExitCode::from(2)
}

/// The calibration that --chain names, if it is given.
fn calibration(file: Option<&Path>) -> Result<Option<Calibration>, String> {
    file.map(chain::document::read)
        .transpose()
        .map_err(|e| e.to_string())
}

/// A recording of a job as information about its delay.
fn read_capture(reading: &RecordingToRead<'_>) -> Result<CaptureData, String> {
    let mut progress = output::Progress::new();
    let name = reading.path.to_string_lossy();
    reading
        .read(&mut |f| progress.show(&name, f))
        .map_err(|e| e.to_string())
}

/// The same without progress, for several at a time.
fn read_capture_silently(reading: &RecordingToRead<'_>) -> Result<CaptureData, String> {
    reading.read(&mut |_| ()).map_err(|e| e.to_string())
}

/// A recording by itself as information about its delay.
fn analysed(
    request: &Request,
    through: Option<ChainCorrection<'_>>,
) -> Result<CaptureData, String> {
    let mut progress = output::Progress::new();
    let name = request.source.name();
    analysis::analyse_corrected(request, through, &mut |f| progress.show(&name, f))
        .map(|analysis| CaptureData::of(&analysis))
        .map_err(|e| e.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What stands below the options is broken by hand: a line that is too long for 80
    /// columns would be broken once more, in a bad place.
    #[test]
    fn help_is_broken_where_it_was_meant_to() {
        let program = program();
        let commands = program.get_subcommands().chain([&program]);
        for command in commands {
            let help = command.get_after_help().map(ToString::to_string);
            for line in help.unwrap_or_default().lines() {
                assert!(line.chars().count() <= 80, "{}: {line}", command.get_name());
            }
        }
    }
}
