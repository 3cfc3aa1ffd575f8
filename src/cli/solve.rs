//! `groovelag solve`.

use super::{Common, Outcome, output};
use clap::Args;
use groovelag::check::{self, judge};
use groovelag::job::{self, CaptureData, Job, Solved};
use groovelag::report::solution::{SolutionDocument, solution_text};
use std::path::{Path, PathBuf};

/// Adjust all captures of a job together
#[derive(Debug, Args)]
#[command(after_help = "Example:
  groovelag solve job.toml --export-knowledge known.toml")]
pub struct SolveArguments {
    /// Job file (TOML, format = 1).
    job: PathBuf,
    #[command(flatten)]
    common: Common,
    /// Check the bands by so many Monte Carlo draws (JCGM 101).
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(100..=10_000_000))]
    monte_carlo: Option<u32>,
    /// Write what was learned about records, cartridges, chains and arms, with
    /// its covariance, for later jobs to include.
    #[arg(long, value_name = "FILE")]
    export_knowledge: Option<PathBuf>,
    /// Overwrite an existing output file.
    #[arg(long)]
    force: bool,
}

/// How audio captures become data.
pub type Reader = dyn Fn(&job::file::Reading<'_>) -> Result<CaptureData, String>;

/// Reads and solves a job.
pub fn load(
    path: &Path,
    coverage: f64,
    reader: &Reader,
) -> Result<(Job, Vec<Option<CaptureData>>, Solved), String> {
    let mut job = job::file::read(path).map_err(|e| e.to_string())?;
    let (data, caveats) = job::file::gather(&mut job, path, reader).map_err(|e| e.to_string())?;
    let mut solved =
        job::solve(&job, &data, coverage).map_err(|e| format!("{}: {e}", path.display()))?;
    solved.solution.warnings.extend(caveats);
    Ok((job, data, solved))
}

/// Runs the command.
pub fn run(arguments: &SolveArguments, reader: &Reader) -> Result<Outcome, String> {
    if let Some(path) = &arguments.export_knowledge {
        output::check_free(path, arguments.force)?;
    }
    let (job, data, mut solved) = load(&arguments.job, arguments.common.coverage, reader)?;
    if let Some(count) = arguments.monte_carlo {
        let found = job::monte_carlo(&solved, count as usize).map_err(|e| e.to_string())?;
        solved.solution.warnings.extend(found);
    }
    if let Some(path) = &arguments.export_knowledge {
        let text = solved.knowledge(&job, &data).to_text();
        output::write_file(path, text.as_bytes(), arguments.force)?;
    }
    // the change since a baseline is for `check`: solve makes the baseline
    let (outcome, _) = judge(&job.limits, None, &solved.solution, solved.coverage)?;
    if arguments.common.json {
        output::print_json(&SolutionDocument::new(solved.solution))?;
    } else {
        output::print(&solution_text(&solved.solution, job.title.as_deref()))?;
    }
    Ok(if outcome == check::Outcome::Passed {
        Outcome::Done
    } else {
        Outcome::LimitNotMet
    })
}
