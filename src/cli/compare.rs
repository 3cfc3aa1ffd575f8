//! `groovelag compare`.

use super::arguments::{self, Radii, RecordingArguments};
use super::measure::{PlaceArguments, SituationArguments};
use super::solve::{Reader, load};
use super::{Common, Outcome, output};
use clap::Args;
use groovelag::job::{self, Job, Solved};
use groovelag::report::solution::{ComparisonDocument, comparison_text};
use std::ffi::OsString;
use std::path::Path;

/// Change between two setups, with what they share cancelled
#[derive(Debug, Args)]
#[command(
    after_help = "Give a job and two of its setups, or two recordings of the same band made before
and after, with the options of measure.

Examples:
  groovelag compare job.toml --before found --after corrected
  groovelag compare before.wav after.wav --radius 72 --rpm 33"
)]
pub struct CompareArguments {
    /// A job file, or two recordings: before, after
    #[arg(required = true, num_args = 1..=2, value_name = "JOB | BEFORE AFTER")]
    files: Vec<OsString>,
    /// Name of the earlier setup of the job
    #[arg(long, value_name = "SETUP")]
    before: Option<String>,
    /// Name of the later setup of the job
    #[arg(long, value_name = "SETUP")]
    after: Option<String>,
    /// Groove radius of the recordings in mm: 72, 75..70
    #[arg(long, value_name = "MM[..MM]", value_parser = arguments::radii)]
    radius: Option<Radii>,
    /// Speed of the recordings: 33 (meaning 100/3), 45, 78.26
    #[arg(long, value_name = "N", value_parser = arguments::rpm)]
    rpm: Option<f64>,
    #[command(flatten)]
    situation: SituationArguments,
    #[command(flatten)]
    recording: RecordingArguments,
    #[command(flatten)]
    common: Common,
}

impl CompareArguments {
    /// The solved job, with the names of its two setups and of the job.
    fn solved(&self, reader: &Reader) -> Result<(Job, Solved, [String; 2], String), String> {
        let coverage = self.common.coverage;
        match &self.files[..] {
            [file] => {
                let name = |name: &Option<String>, option| {
                    name.clone().ok_or_else(|| {
                        format!("a job needs {option} SETUP; give two recordings to compare without a job")
                    })
                };
                let names = [
                    name(&self.before, "--before")?,
                    name(&self.after, "--after")?,
                ];
                let (job, _, solved) = load(Path::new(file), coverage, reader)?;
                Ok((job, solved, names, Path::new(file).display().to_string()))
            }
            [before, after] => {
                let (Some(radius), Some(rpm)) = (self.radius, self.rpm) else {
                    return Err(
                        "two recordings need --radius MM and --rpm N, as for `groovelag measure`"
                            .to_owned(),
                    );
                };
                let names = ["before", "after"];
                let captures = [(names[0], before), (names[1], after)];
                let place = PlaceArguments::new(radius, rpm);
                let job = self.situation.job(&place, &self.recording, &captures);
                let mut data = Vec::new();
                for (_, file) in captures {
                    let request = self.recording.request(file, true)?;
                    data.push(Some(super::analysed(&request)?));
                }
                let solved = job::solve(&job, &data, coverage).map_err(|e| e.to_string())?;
                Ok((
                    job,
                    solved,
                    names.map(str::to_owned),
                    "the recordings".to_owned(),
                ))
            }
            _ => Err("give one job file, or two recordings".to_owned()),
        }
    }
}

/// Runs the command.
pub fn run(arguments: &CompareArguments, reader: &Reader) -> Result<Outcome, String> {
    let (job, solved, [before, after], name) = arguments.solved(reader)?;
    let comparison =
        job::compare(&job, &solved, &before, &after).map_err(|e| format!("{name}: {e}"))?;
    if arguments.common.json {
        output::print_json(&ComparisonDocument::new(comparison))?;
    } else {
        output::print(&comparison_text(&comparison))?;
    }
    Ok(Outcome::Done)
}
