//! `groovelag verify`.

use super::Outcome;
use super::output::{self, Inputs};
use super::solve::{self, Reader};
use clap::Args;
use groovelag::job::{self, Basis};
use groovelag::report::solution::SolutionDocument;
use groovelag::report::verification::{self, Claim};
use std::path::PathBuf;

/// Solve a job again and check that an earlier result is reproduced
#[derive(Debug, Args)]
#[command(
    after_help = "The result identifies every file that it was made from by its SHA-256. verify
lists files that have changed and numbers that differ. The job and its
recordings must be in their original places: the job beside the result, or
where --job says.

Example:
  groovelag solve job.toml --json > result.json
  groovelag verify result.json

Exit status: 0 the same result from the same files, within rounding; 1 a
different result, or other files; 2 the result or the job is unusable."
)]
pub struct VerifyArguments {
    /// Result that 'groovelag solve JOB --json' printed.
    result: PathBuf,
    /// The job [default: the file that the result names, beside it].
    #[arg(long, value_name = "JOB")]
    job: Option<PathBuf>,
    /// Print one JSON document instead of text.
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(arguments: &VerifyArguments, reader: &Reader<'_>) -> Result<Outcome, String> {
    let claim = Claim::read(&arguments.result)?;
    let path = match &arguments.job {
        Some(job) => job.clone(),
        None => claim.job()?,
    };
    let basis = claim.basis();
    let (job, data, solved) = solve::load(&path, basis.coverage, reader, &|_: &Inputs| Ok(()))?;
    let solved = match basis.monte_carlo {
        Some(count) => {
            let found = job::monte_carlo(&job, &solved, count as usize, &mut |_| ());
            solved.with_warnings(found.map_err(|e| e.to_string())?)
        }
        None => solved,
    };
    let now = Basis::of(&job, &path, &data, &solved, basis.monte_carlo);
    let now = now.map_err(|e| format!("{}: {e}", path.display()))?;
    let now = SolutionDocument::new(solved.solution).with_basis(now);
    let found = claim.verify(&now).map_err(|e| e.to_string())?;
    if arguments.json {
        output::print_json(&found)?;
    } else {
        output::print(&verification::text(&found, output::width()))?;
    }
    Ok(if found.verified {
        Outcome::Done
    } else {
        Outcome::LimitNotMet
    })
}
