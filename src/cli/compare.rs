//! `groovelag compare`.

use super::arguments::{self, Radii, RecordingArguments};
use super::measure::{PlaceArguments, SituationArguments};
use super::solve::{Reader, load};
use super::views::Views;
use super::{Common, Outcome, output};
use clap::Args;
use groovelag::job::{self, CaptureData, Details, Job, Solved};
use groovelag::report::solution::{ComparisonDocument, comparison_text};
use groovelag::report::{page, sketch};
use groovelag::units::DEGREE;
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
    #[command(flatten)]
    views: Views,
}

/// A solved job with the names of its two setups.
struct Pair {
    job: Job,
    data: Vec<Option<CaptureData>>,
    solved: Solved,
    names: [String; 2],
    /// Its file, if it has one.
    file: Option<String>,
}

impl CompareArguments {
    fn solved(&self, reader: &Reader) -> Result<Pair, String> {
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
                let (job, data, solved) = load(Path::new(file), coverage, reader)?;
                Ok(Pair {
                    job,
                    data,
                    solved,
                    names,
                    file: Some(file.to_string_lossy().replace('\\', "/")),
                })
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
                Ok(Pair {
                    job,
                    data,
                    solved,
                    names: names.map(str::to_owned),
                    file: None,
                })
            }
            _ => Err("give one job file, or two recordings".to_owned()),
        }
    }
}

/// Runs the command.
pub fn run(arguments: &CompareArguments, reader: &Reader) -> Result<Outcome, String> {
    let views = &arguments.views;
    views.check_free()?;
    let pair = arguments.solved(reader)?;
    let (job, solved, [before, after]) = (&pair.job, &pair.solved, &pair.names);
    let comparison = job::compare(job, solved, before, after).map_err(|e| {
        let name = pair.file.as_deref().unwrap_or("the recordings");
        format!("{name}: {e}")
    })?;
    if views.any() {
        let details = Details::of(job, &pair.data, solved);
        views.write(&page::comparison(
            &comparison,
            &solved.solution,
            &page::About {
                job,
                file: pair.file.as_deref(),
                details: &details,
                coverage: solved.coverage,
                metadata: views.report_metadata,
            },
        ))?;
    }
    if arguments.common.json {
        output::print_json(&ComparisonDocument::new(comparison))?;
    } else {
        let width = output::width();
        let mut text = comparison_text(&comparison, width);
        if views.sketch {
            let rotation = |name: &str| {
                let setup = solved.solution.setups.iter().find(|s| s.name == name);
                setup.map(|s| (name.to_owned(), s.rotation_deg))
            };
            let mut list: Vec<_> = [before, after]
                .into_iter()
                .filter_map(|n| rotation(n))
                .collect();
            list.push(("change".to_owned(), comparison.change_deg));
            text.push('\n');
            text += &sketch::rotations(&list, job.limits.tolerance.map(|t| t / DEGREE), width);
        }
        output::print(&text)?;
    }
    Ok(Outcome::Done)
}
