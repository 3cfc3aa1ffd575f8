//! `groovelag check`.

use super::output::{self, Kind};
use super::views::Views;
use super::{Common, Outcome, read_capture_silently};
use clap::Args;
use groovelag::check::{self, Checked, Defaults, Options, Shard};
use groovelag::report::check::{CheckDocument, checked_json_line, checked_text};
use groovelag::report::{page, sketch};
use std::io::{self, IsTerminal, Write};
use std::path::PathBuf;

/// Hold many jobs against their stated limits, for continuous integration
#[derive(Debug, Args)]
#[command(
    after_help = "Each job passes, fails, is undecided or unusable. Limits are those of its
[limits], completed by the groovelag.toml of the folders above it.
Exit status: 0 all passed, 1 any failed or undecided, 2 any unusable.

Examples:
  groovelag check jobs
  groovelag check 'jobs/**/found-*.toml' --junit check.xml
  groovelag check jobs --shard 2/8 --jsonl > part-2.jsonl"
)]
pub struct CheckArguments {
    /// Job files, folders (all jobs below), globs in quotes (*, ?, [..], {..}, **)
    #[arg(required = true, value_name = "PATH")]
    paths: Vec<PathBuf>,
    #[command(flatten)]
    common: Common,
    /// Print one line of JSON per job, as it finishes
    #[arg(long, conflicts_with = "json")]
    jsonl: bool,
    /// Write JUnit XML
    #[arg(long, value_name = "FILE")]
    junit: Option<PathBuf>,
    /// Write CSV: path, outcome, reason
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Check the K-th of N parts only, alike on any machine
    #[arg(long, value_name = "K/N")]
    shard: Option<Shard>,
    /// Stop at the first job that does not pass
    #[arg(long)]
    fail_fast: bool,
    /// Check every job whatever the others do [default]
    #[arg(long, conflicts_with = "fail_fast")]
    keep_going: bool,
    #[command(flatten)]
    views: Views,
}

/// Runs the command.
pub fn run(arguments: &CheckArguments) -> Result<Outcome, String> {
    let force = arguments.views.force;
    for file in [&arguments.junit, &arguments.csv].into_iter().flatten() {
        output::check_free(file, Kind::Other, force)?;
    }
    arguments.views.check_free()?;
    let mut items = check::find(&arguments.paths);
    if let Some(shard) = arguments.shard {
        items = shard.of(items);
    }
    let defaults = Defaults::read(items.iter().filter_map(check::Item::path));
    let options = Options {
        coverage: arguments.common.coverage,
        fail_fast: arguments.fail_fast,
        threads: rayon::current_num_threads(),
    };
    let streams = !arguments.common.json;
    // lines on the same terminal are progress enough
    let quiet = streams && io::stdout().is_terminal();
    let mut progress = output::Progress::new();
    let width = output::width();
    let mut done = 0;
    let mut emit = |result: &Checked| -> io::Result<()> {
        done += 1;
        if streams {
            let text = if arguments.jsonl {
                checked_json_line(result)?
            } else {
                checked_text(result, width)
            };
            print(&text)?;
        }
        if !quiet {
            progress.show("checking", f64::from(done) / items.len() as f64);
        }
        Ok(())
    };
    let results = check::run(
        &items,
        &defaults,
        &options,
        &read_capture_silently,
        &mut emit,
    )
    .map_err(|e| format!("standard output cannot be written ({e})"))?;
    drop(progress);
    let document = CheckDocument::new(results);
    if let Some(file) = &arguments.junit {
        let text = document.junit().map_err(|e| e.to_string())?;
        output::write_file(file, text.as_bytes(), Kind::Other, force)?;
    }
    if let Some(file) = &arguments.csv {
        let bytes = document.csv().map_err(|e| e.to_string())?;
        output::write_file(file, &bytes, Kind::Other, force)?;
    }
    if arguments.views.any() {
        arguments.views.write(&page::check(&document))?;
    }
    if arguments.common.json {
        output::print_json(&document)?;
    } else if !arguments.jsonl {
        let mut text = document.summary();
        if arguments.views.sketch {
            text += &sketch::outcomes(&document, width);
        }
        output::print(&text)?;
    }
    Ok(if document.unusable > 0 {
        Outcome::InputUnusable
    } else if document.failed + document.undecided > 0 {
        Outcome::LimitNotMet
    } else {
        Outcome::Done
    })
}

/// One whole line or entry at once; a reader that has gone away is no error.
fn print(text: &str) -> io::Result<()> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}
