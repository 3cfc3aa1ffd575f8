//! `groovelag check`.

use super::output::{self, Inputs};
use super::views::Views;
use super::{Common, Outcome, read_capture_silently};
use clap::Args;
use groovelag::check::{self, Checked, Defaults, Options, Shard};
use groovelag::job;
use groovelag::report::check::{CheckDocument, checked_json_line, checked_text};
use groovelag::report::{page, sketch};
use std::io::{self, IsTerminal};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// Check many jobs against their stated limits, for continuous integration
#[derive(Debug, Args)]
#[command(
    after_help = "Each job passes, fails, is undecided or is unusable. Its limits are those of
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
    /// Write CSV: path, outcome, reason and figures, one line per setup
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Check only the K-th of N parts, the same on any machine
    #[arg(long, value_name = "K/N")]
    shard: Option<Shard>,
    /// Fail jobs that state no limits
    #[arg(long)]
    require_limits: bool,
    /// Stop at the first job that does not pass
    #[arg(long)]
    fail_fast: bool,
    /// Check every job even if others fail [default]
    #[arg(long, conflicts_with = "fail_fast")]
    keep_going: bool,
    #[command(flatten)]
    views: Views,
}

/// Writes the files for other programs.
fn write(
    document: &CheckDocument,
    junit: Option<&Path>,
    csv: Option<&Path>,
    force: bool,
) -> Vec<Result<(), String>> {
    let mut written = Vec::new();
    if let Some(file) = junit {
        let text = document.junit().map_err(|e| e.to_string());
        written.push(
            text.and_then(|text| output::write_file(file, text.as_bytes(), output::JUNIT, force)),
        );
    }
    if let Some(file) = csv {
        let bytes = document.csv().map_err(|e| e.to_string());
        written.push(bytes.and_then(|bytes| output::write_file(file, &bytes, output::CSV, force)));
    }
    written
}

/// Runs the command.
pub fn run(arguments: &CheckArguments) -> Result<Outcome, String> {
    let force = arguments.views.force;
    let mut items = check::find(&arguments.paths, &mut |link| {
        let link = link.display();
        output::note(&format!(
            "skipped {link}, a link to a folder; name it to check its jobs"
        ));
    });
    // a job that cannot be understood is not read any further than itself
    let read = items.iter().filter_map(check::Item::path).flat_map(|path| {
        let named = job::file::read(path).map(|job| job::file::inputs(&job, path));
        named.unwrap_or_else(|_| vec![path.to_owned()])
    });
    let inputs = Inputs::of(read);
    let (junit, csv) = (arguments.junit.as_deref(), arguments.csv.as_deref());
    for (file, kind) in [(junit, output::JUNIT), (csv, output::CSV)] {
        file.map_or(Ok(()), |file| output::check_free(file, kind, force))?;
    }
    arguments.views.check_free(&inputs, &[junit, csv])?;
    if let Some(shard) = arguments.shard {
        items = shard.of(items);
    }
    let defaults = Defaults::read(items.iter().filter_map(check::Item::path));
    let options = Options {
        coverage: arguments.common.coverage,
        fail_fast: arguments.fail_fast,
        require_limits: arguments.require_limits,
        threads: rayon::current_num_threads(),
    };
    let streams = !arguments.common.json;
    // lines on the same terminal are progress enough
    let quiet = streams && io::stdout().is_terminal();
    let mut progress = output::Progress::new();
    let width = output::width();
    // those that are done, for whoever interrupts
    let finished = Arc::new(Mutex::new(Vec::<Checked>::new()));
    let seen = Arc::clone(&finished);
    let files = (arguments.junit.clone(), arguments.csv.clone());
    let all = items.len();
    output::end_on_interruption(move || {
        let done = seen.lock().unwrap_or_else(PoisonError::into_inner).clone();
        // Where none is done they are written all the same, over those of an earlier run.
        let count = done.len();
        let document = CheckDocument::new(done).broken_off("interrupted", all);
        let _ = output::all(write(
            &document,
            files.0.as_deref(),
            files.1.as_deref(),
            force,
        ));
        output::note(&format!("interrupted: {count} of {all} jobs were checked"));
    });
    let mut emit = |result: &Checked| -> io::Result<()> {
        let done = {
            let mut list = finished.lock().unwrap_or_else(PoisonError::into_inner);
            list.push(result.clone());
            list.len()
        };
        if streams {
            let text = if arguments.jsonl {
                checked_json_line(result)?
            } else {
                checked_text(result, width)
            };
            output::print(&text).map_err(io::Error::other)?;
        }
        if !quiet {
            progress.show("checking", done as f64 / items.len() as f64);
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
    .map_err(|e| e.to_string())?;
    drop(progress);
    let mut document = CheckDocument::new(results);
    if document.results.len() < all {
        document = document.broken_off("stopped at the first job that did not pass", all);
    }
    // what cannot be written does not cost the answer
    let mut written = write(&document, junit, csv, force);
    if arguments.views.any() {
        written.push(arguments.views.write(&page::check(&document)));
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
    output::all(written)?;
    Ok(if document.unusable > 0 {
        Outcome::InputUnusable
    } else if document.failed + document.undecided > 0 {
        Outcome::LimitNotMet
    } else {
        Outcome::Done
    })
}
