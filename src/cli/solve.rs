//! `groovelag solve`.

use super::output::{self, Inputs, Kind};
use super::views::Views;
use super::{Common, Outcome};
use clap::Args;
use groovelag::check::{self, judge};
use groovelag::document::TomlKind;
use groovelag::job::{self, Basis, CaptureData, DelaySource, Details, Job, Solved};
use groovelag::report::solution::{SolutionDocument, solution_text};
use groovelag::report::{page, sketch};
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
    /// Check the bands by N Monte Carlo draws (JCGM 101).
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(100..=10_000_000))]
    monte_carlo: Option<u32>,
    /// Write what the captures show about records, cartridges, chains and arms,
    /// for later jobs to include.
    #[arg(long, value_name = "FILE")]
    export_knowledge: Option<PathBuf>,
    #[command(flatten)]
    views: Views,
}

/// What --export-knowledge writes.
pub const KNOWLEDGE: Kind = Kind::Toml(TomlKind::Knowledge);

/// How audio captures become data.
pub type Reader<'a> = dyn Fn(&job::file::RecordingToRead<'_>) -> Result<CaptureData, String> + 'a;

/// Reads and solves a job; `outputs` refuses what would write over a file of the job.
pub fn load(
    path: &Path,
    coverage: f64,
    reader: &Reader<'_>,
    outputs: &dyn Fn(&Inputs) -> Result<(), String>,
) -> Result<(Job, Vec<Option<CaptureData>>, Solved), String> {
    let job = job::file::read(path).map_err(|e| e.to_string())?;
    outputs(&Inputs::of(job::file::inputs(&job, path)))?;
    if job.captures.is_empty() && job.knowledge.is_empty() {
        return Err(format!(
            "{}: the job has no capture, so there is nothing to solve; add [[capture]], or include what other jobs exported",
            path.display()
        ));
    }
    let mut captures = job.captures.iter();
    if !job.captures.is_empty() && captures.all(|c| c.source == DelaySource::Planned) {
        return Err(format!(
            "{}: every capture is planned and none is recorded; predict the job with 'groovelag plan'. After recording, replace planned = true by the capture's file",
            path.display()
        ));
    }
    adjusted(job, path, coverage, reader)
}

/// Reads the recordings of a job and solves it.
pub fn adjusted(
    mut job: Job,
    path: &Path,
    coverage: f64,
    reader: &Reader<'_>,
) -> Result<(Job, Vec<Option<CaptureData>>, Solved), String> {
    let (data, caveats) = job::file::gather(&mut job, path, reader).map_err(|e| e.to_string())?;
    let solved = output::patiently("adjusting", || job::solve(&job, &data, coverage))
        .map_err(|e| format!("{}: {e}", path.display()))?;
    Ok((job, data, solved.with_warnings(caveats)))
}

/// Runs the command.
pub fn run(arguments: &SolveArguments, reader: &Reader<'_>) -> Result<Outcome, String> {
    let outputs = |inputs: &Inputs| {
        let knowledge = arguments.export_knowledge.as_deref();
        if let Some(path) = knowledge {
            output::check_free(path, KNOWLEDGE, arguments.views.force)?;
        }
        arguments.views.check_free(inputs, &[knowledge])
    };
    let coverage = arguments.common.coverage;
    let (job, data, mut solved) = load(&arguments.job, coverage, reader, &outputs)?;
    if let Some(count) = arguments.monte_carlo {
        let mut progress = output::Progress::new();
        let mut shown = |f| progress.show("drawing", f);
        let found = job::monte_carlo(&job, &solved, count as usize, &mut shown)
            .map_err(|e| e.to_string())?;
        solved = solved.with_warnings(found);
    }
    let standing = solved.solution.standing();
    let withheld = standing.is_doubted() && !arguments.views.force;
    if withheld && arguments.export_knowledge.is_some() {
        output::note(
            "the result is in doubt, so the knowledge was not exported; --force exports it all the same",
        );
    }
    // what cannot be written does not cost the answer
    let mut written = Vec::new();
    if let Some(path) = arguments.export_knowledge.as_ref().filter(|_| !withheld) {
        let known = job.knowledge(&data);
        written.push(match known.captures().next() {
            Some(_) => {
                let text = known.to_text();
                output::write_file(path, text.as_bytes(), KNOWLEDGE, arguments.views.force)
            }
            None => Err(format!(
                "{}: not written, since the job has no recordings of its own; use 'groovelag merge' to join what it includes",
                path.display()
            )),
        });
    }
    // the change since a baseline is for `check`: solve makes the baseline
    let (outcome, _) = judge(&job.limits, None, &solved.solution, solved.coverage)?;
    let ending = Outcome::of(
        solved.solution.standing(),
        outcome == check::Outcome::Passed,
    );
    let views = &arguments.views;
    let details = (views.any() || views.sketch).then(|| Details::of(&job, &data, &solved));
    let basis = || {
        Basis::of(&job, &arguments.job, &data, &solved, arguments.monte_carlo)
            .map_err(|e| format!("{}: {e}", arguments.job.display()))
    };
    if let (true, Some(details)) = (views.any(), &details) {
        let basis = basis()?;
        let file = arguments.job.to_string_lossy().replace('\\', "/");
        written.push(views.write(&page::solution(
            &solved.solution,
            &page::About {
                job: &job,
                file: Some(&file),
                details,
                coverage: solved.coverage,
                basis: Some(&basis),
                metadata: views.report_metadata,
            },
        )));
    }
    if arguments.common.json {
        let basis = basis()?;
        output::print_json(&SolutionDocument::new(solved.solution).with_basis(basis))?;
    } else {
        let width = output::width();
        let mut text = solution_text(&solved.solution, job.title.as_deref(), width);
        if let (true, Some(details)) = (views.sketch, &details) {
            let seeing = solved.solution.setups.iter().filter(|s| !s.unobservable);
            let list: Vec<_> = seeing.map(|s| (s.name.clone(), s.rotation_deg)).collect();
            text.push('\n');
            text += &sketch::rotations(&list, None, width);
            text += &sketch::recordings(details, width);
        }
        output::print(&text)?;
    }
    output::all(written)?;
    Ok(ending)
}
