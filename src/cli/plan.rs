//! `groovelag plan`.

use super::solve::{Reader, adjusted};
use super::{Outcome, output};
use clap::Args;
use groovelag::job::{self, DelaySource, JobError, Wanted};
use groovelag::report::solution::{PlanDocument, plan_text};
use std::path::PathBuf;

/// Predict the uncertainty of a job and which further capture would help most
#[derive(Debug, Args)]
#[command(
    after_help = "Reads existing recordings and starts from their result. A capture whose file
does not exist yet is planned. The candidates are: the other speed, swapped
leads, a turn each way, a spherical tip on the record, an inner radius, another
record side, a calibration of the chain with one signal on both inputs, better
readings, and a repeat. [plan] in the job states what is available.

Example:
  groovelag plan job.toml --until 0.3"
)]
pub struct PlanArguments {
    /// Job file (TOML, format = 1).
    job: PathBuf,
    /// Plan N captures, each the best after those before it.
    #[arg(long, value_name = "N", conflicts_with = "until", value_parser = clap::value_parser!(u8).range(1..=20))]
    steps: Option<u8>,
    /// Plan captures until the standard uncertainty is at most this, degrees.
    #[arg(long, value_name = "DEG", value_parser = goal)]
    until: Option<f64>,
    /// Print one JSON document instead of text.
    #[arg(long)]
    json: bool,
}

fn goal(text: &str) -> Result<f64, String> {
    match groovelag::units::parse_number(text, "a number of degrees") {
        Ok(value) if value > 0.0 => Ok(value),
        Ok(_) => Err("a standard uncertainty must be greater than zero".to_owned()),
        Err(e) => Err(e.to_string()),
    }
}

/// Runs the command.
pub fn run(arguments: &PlanArguments, reader: &Reader<'_>) -> Result<Outcome, String> {
    let mut job = job::file::read(&arguments.job).map_err(|e| e.to_string())?;
    if job.captures.is_empty() {
        return Err(format!(
            "{}: the job has no capture, so there is nothing to predict; add [[capture]], with planned = true for what is not recorded yet",
            arguments.job.display()
        ));
    }
    for capture in &mut job.captures {
        let missing = |file: &PathBuf| !job::file::resolve(&arguments.job, file).exists();
        if matches!(&capture.source, DelaySource::File(file) if missing(file)) {
            capture.source = DelaySource::Planned;
        }
    }
    let wanted = match (arguments.steps, arguments.until) {
        (Some(steps), _) => Wanted::Steps(steps.into()),
        (None, Some(goal)) => Wanted::Until(goal),
        (None, None) => Wanted::Ranking,
    };
    let here = |e: JobError| format!("{}: {e}", arguments.job.display());
    let plan = if job
        .captures
        .iter()
        .all(|c| c.source == DelaySource::Planned)
    {
        let calibrations =
            job::calibrations(&mut job, &arguments.job).map_err(|e| e.to_string())?;
        job::replace_priors(&mut job, &calibrations);
        output::patiently("planning", || job::plan(&job, wanted)).map_err(here)?
    } else {
        let coverage = job::PLANNED_COVERAGE;
        let (job, data, solved) = adjusted(job, &arguments.job, coverage, reader)?;
        let further = || job::plan_further(&job, &data, &solved, wanted);
        output::patiently("planning", further).map_err(here)?
    };
    // the goal counts as a limit: it is met by the plan, or it is not
    let met = arguments.until.is_none_or(|goal| plan.reached_deg <= goal);
    if arguments.json {
        output::print_json(&PlanDocument::new(plan.clone()))?;
    } else {
        output::print(&plan_text(&plan, wanted, output::width()))?;
    }
    Ok(if met && plan.in_doubt.is_none() {
        Outcome::Done
    } else {
        Outcome::LimitNotMet
    })
}
