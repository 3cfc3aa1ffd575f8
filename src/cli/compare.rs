//! `groovelag compare`.

use super::solve::{Reader, load};
use super::{Common, Outcome, output};
use clap::Args;
use groovelag::job;
use groovelag::report::solution::{ComparisonDocument, comparison_text};
use std::path::PathBuf;

/// Change between two setups of a job, with what they share cancelled.
#[derive(Debug, Args)]
pub struct CompareArguments {
    /// Job file (TOML, format = 1).
    job: PathBuf,
    /// Name of the earlier setup.
    #[arg(long, value_name = "SETUP")]
    before: String,
    /// Name of the later setup.
    #[arg(long, value_name = "SETUP")]
    after: String,
    #[command(flatten)]
    common: Common,
}

/// Runs the command.
pub fn run(arguments: &CompareArguments, reader: &Reader) -> Result<Outcome, String> {
    let (job, _, solved) = load(&arguments.job, arguments.common.coverage, reader)?;
    let comparison = job::compare(&job, &solved, &arguments.before, &arguments.after)
        .map_err(|e| format!("{}: {e}", arguments.job.display()))?;
    if arguments.common.json {
        output::print_json(&ComparisonDocument::new(comparison))?;
    } else {
        output::print(&comparison_text(&comparison))?;
    }
    Ok(Outcome::Done)
}
