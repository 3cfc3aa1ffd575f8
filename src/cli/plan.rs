//! `groovelag plan`.

use super::{Outcome, output};
use clap::Args;
use groovelag::job::{self, Wanted};
use groovelag::report::solution::{PlanDocument, plan_text};
use std::path::PathBuf;

/// Predict the uncertainty of a job and which further capture would help most
#[derive(Debug, Args)]
#[command(
    after_help = "No recording is read. The candidates are: the other speed, swapped leads, a turn
of 4 degrees each way, a spherical tip on the record, an inner radius, another
record side, a calibration of the chain with one signal on both inputs, and a
repeat.

Example:
  groovelag plan job.toml --until 0.3"
)]
pub struct PlanArguments {
    /// Job file (TOML, format = 1).
    job: PathBuf,
    /// Plan so many captures, each the best after those before it.
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
        Ok(_) => Err("a standard uncertainty is greater than zero".to_owned()),
        Err(e) => Err(e.to_string()),
    }
}

/// Runs the command.
pub fn run(arguments: &PlanArguments) -> Result<Outcome, String> {
    let mut job = job::file::read(&arguments.job).map_err(|e| e.to_string())?;
    if job.captures.is_empty() {
        return Err(format!(
            "{}: the job has no capture, so there is nothing to predict; add [[capture]], with planned = true for what is not recorded yet",
            arguments.job.display()
        ));
    }
    let calibrations = job::calibrations(&mut job, &arguments.job).map_err(|e| e.to_string())?;
    job::replace_priors(&mut job, &calibrations);
    let wanted = match (arguments.steps, arguments.until) {
        (Some(steps), _) => Wanted::Steps(steps.into()),
        (None, Some(goal)) => Wanted::Until(goal),
        (None, None) => Wanted::Ranking,
    };
    let plan = output::patiently("planning", || job::plan(&job, wanted))
        .map_err(|e| format!("{}: {e}", arguments.job.display()))?;
    // the goal counts as a limit: it is met by the plan, or it is not
    let met = arguments.until.is_none_or(|goal| plan.reached_deg <= goal);
    if arguments.json {
        output::print_json(&PlanDocument::new(plan))?;
    } else {
        output::print(&plan_text(&plan, wanted, output::width()))?;
    }
    Ok(if met {
        Outcome::Done
    } else {
        Outcome::LimitNotMet
    })
}
