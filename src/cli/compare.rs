//! `groovelag compare`.

use super::arguments::{self, Radii, RecordingArguments};
use super::measure::{PlaceArguments, SituationArguments};
use super::output::Inputs;
use super::solve::{Reader, load};
use super::views::Views;
use super::{Common, Outcome, output};
use clap::Args;
use groovelag::analysis::ChainCorrection;
use groovelag::job::{self, CaptureData, Details, Job, Solved};
use groovelag::report::solution::{ComparisonDocument, comparison_text};
use groovelag::report::{page, sketch};
use groovelag::uncertainty::Standing;
use std::collections::BTreeMap;
use std::ffi::OsString;
use std::path::{Path, PathBuf};

/// Measure the change between two setups; what they share cancels
#[derive(Debug, Args)]
#[command(
    after_help = "Give a job and two of its setups, or two recordings of the same band.

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
    /// Calibration of the chain of both recordings
    #[arg(long, value_name = "FILE")]
    chain: Option<PathBuf>,
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
    fn solved(&self, reader: &Reader<'_>) -> Result<Pair, String> {
        let coverage = self.common.coverage;
        match &self.files[..] {
            [file] => {
                self.refuse_what_a_job_states()?;
                let name = |name: &Option<String>, option| {
                    name.clone().ok_or_else(|| {
                        format!("a job needs {option} SETUP; give two recordings to compare without a job")
                    })
                };
                let names = [
                    name(&self.before, "--before")?,
                    name(&self.after, "--after")?,
                ];
                let (job, data, solved) = load(Path::new(file), coverage, reader, &|inputs| {
                    self.views.check_free(inputs, &[])
                })?;
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
                if self.before.is_some() || self.after.is_some() {
                    return Err(
                        "--before and --after name setups of a job; of two recordings, the first is the earlier one"
                            .to_owned(),
                    );
                }
                let chain = self.chain.as_ref().map(|c| c.as_os_str());
                let read = [before.as_os_str(), after.as_os_str()]
                    .into_iter()
                    .chain(chain);
                self.views.check_free(&Inputs::of(read), &[])?;
                let calibration = super::calibration(self.chain.as_deref())?;
                let through = calibration.as_ref().map(|calibration| ChainCorrection {
                    calibration,
                    leads_swapped: self.situation.leads_swapped,
                });
                let mut data = Vec::new();
                for file in [before, after] {
                    let request = self.recording.request(file, true)?;
                    data.push(super::analysed(&request, through)?);
                }
                if data[0].sha256.is_some() && data[0].sha256 == data[1].sha256 {
                    return Err(
                        "before and after are the same recording; give one from before the turn and one from after it"
                            .to_owned(),
                    );
                }
                let names = names_of([before, after]);
                let place = PlaceArguments::new(radius, rpm);
                let captures = [(names[0].as_str(), before), (names[1].as_str(), after)];
                let mut job = self.situation.job(&place, &self.recording, &captures);
                if let Some(calibration) = calibration {
                    let terms = calibration.prior_changes().terms;
                    data = data.into_iter().map(|d| d.with_priors(&terms)).collect();
                    job::replace_priors(&mut job, &BTreeMap::from([(String::new(), calibration)]));
                }
                let data: Vec<_> = data.into_iter().map(Some).collect();
                let solved = job::solve(&job, &data, coverage).map_err(|e| e.to_string())?;
                Ok(Pair {
                    job,
                    data,
                    solved,
                    names,
                    file: None,
                })
            }
            _ => Err("give one job file, or two recordings".to_owned()),
        }
    }

    /// A job says itself where and how its captures were made.
    fn refuse_what_a_job_states(&self) -> Result<(), String> {
        let situation = &self.situation;
        let given = [
            ("--radius", self.radius.is_some()),
            ("--rpm", self.rpm.is_some()),
            ("--stylus", situation.stylus.is_some()),
            ("--leads-swapped", situation.leads_swapped),
            ("--arm", situation.arm.is_some()),
            ("--chain", self.chain.is_some()),
            ("--from", self.recording.from.is_some()),
            ("--to", self.recording.to.is_some()),
        ];
        match given.iter().find(|(_, is)| *is) {
            Some((option, _)) => Err(format!(
                "{option} is for two recordings; state it in the job instead, or give two recordings"
            )),
            None => Ok(()),
        }
    }
}

/// What to call two recordings: their files without folders, where these differ.
fn names_of(files: [&OsString; 2]) -> [String; 2] {
    let names = files.map(|f| {
        let name = Path::new(f).file_name().unwrap_or(f);
        name.to_string_lossy().into_owned()
    });
    if names[0] == names[1] {
        ["before", "after"].map(str::to_owned)
    } else {
        names
    }
}

/// Runs the command.
pub fn run(arguments: &CompareArguments, reader: &Reader<'_>) -> Result<Outcome, String> {
    let views = &arguments.views;
    let pair = arguments.solved(reader)?;
    let (job, solved, [before, after]) = (&pair.job, &pair.solved, &pair.names);
    let later = solved.solution.setups.iter().find(|s| s.name == *after);
    let comparison = job::compare(job, solved, before, after).map_err(|e| {
        let name = pair.file.as_deref().unwrap_or("the recordings");
        format!("{name}: {e}")
    })?;
    let mut written = Ok(());
    if views.any() {
        let details = Details::of(job, &pair.data, solved);
        written = views.write(&page::comparison(
            &comparison,
            &solved.solution,
            &page::About {
                job,
                file: pair.file.as_deref(),
                details: &details,
                coverage: solved.coverage,
                basis: None,
                metadata: views.report_metadata,
            },
        ));
    }
    let kept = comparison.conformity.is_none_or(|c| c.is_kept());
    let ending = Outcome::of(Standing::of(&comparison.warnings), kept);
    if arguments.common.json {
        output::print_json(&ComparisonDocument::new(comparison))?;
    } else {
        let width = output::width();
        let later = later.ok_or("the later setup has no result")?;
        let mut text = comparison_text(&comparison, later, width);
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
            text += &sketch::rotations(&list, None, width);
        }
        output::print(&text)?;
    }
    written?;
    Ok(ending)
}
