//! The job file: TOML, `format = 1`.

mod bands;
mod consistent;
mod content;
mod found;
mod level;
mod pass;
mod slip;
mod values;
mod written;

pub use level::TestBand;
pub use written::{JobFile, Means, Minutes};

use super::description::{CaptureSpec, DelaySource, Job, Limits};
use super::knowledge::{
    Knowledge, KnowledgeError, check_mounting_days, conflicting_figures, describe_included,
    refuse_duplicates,
};
use super::network::CaptureData;
use crate::analysis::{self, AnalysisError, ChainCorrection, Request};
use crate::capture;
use crate::chain::Calibration;
use crate::delay::phase::PhaseTerm;
use crate::document::TomlKind;
use crate::outside::{self, ReadError};
use crate::uncertainty::Caveat;
use slip::SourceText;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use thiserror::Error;
use written::FolderFile;

/// Why a job file cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum JobFileError {
    /// It cannot be read.
    #[error("{path}: {reason}; check the path")]
    Read {
        /// The file, as given.
        path: String,
        /// What the system says.
        reason: String,
    },
    /// A calibration that it names cannot be used.
    #[error("{path}: {reason}")]
    Calibration {
        /// The file, as given.
        path: String,
        /// What is wrong and what to do.
        reason: String,
    },
    /// Its content is not a job.
    #[error("{path}, line {line}: {message}")]
    Content {
        /// The file, as given.
        path: String,
        /// Line, counted from 1.
        line: usize,
        /// What is wrong and what to do.
        message: String,
    },
}

impl JobFileError {
    /// About a line of a job file; its first, where none is known.
    fn at(job_file: &Path, line: Option<usize>, message: String) -> Self {
        Self::Content {
            path: shown(job_file),
            line: line.unwrap_or(1),
            message,
        }
    }

    /// The same; says so where `text` is another file of this program.
    fn of_other_kind(mut self, text: &str) -> Self {
        if let (Self::Content { message, .. }, Some(kind)) = (&mut self, TomlKind::of(text))
            && kind != TomlKind::Job
        {
            *message += &format!(". This file is not a job: {kind}");
        }
        self
    }
}

/// A path as shown in messages.
fn shown(path: &Path) -> String {
    path.to_string_lossy().replace('\\', "/")
}

/// Reads a job file and the knowledge files that it includes.
pub fn read(path: &Path) -> Result<Job, JobFileError> {
    let (text, shown) = (read_text(path)?, shown(path));
    let source = SourceText::new(&text, &shown, "the job");
    let (mut job, file) = content::read(&source).map_err(|e| e.of_other_kind(&text))?;
    let includes: Vec<_> = file.include.iter().flat_map(|files| &files.0).collect();
    for include in &includes {
        let wrong = |message: String| source.error(include.at, message);
        if includes.len() > MOST_INCLUDES {
            return Err(wrong(format!(
                "the job includes {} files; the most is {MOST_INCLUDES}: solve their captures in separate jobs and include what those export",
                includes.len()
            )));
        }
        let name = &include.value.0;
        let text = outside::read_text(&resolve(path, name))
            .map_err(|e| wrong(format!("cannot include '{}': {e}", name.display())))?;
        let knowledge = Knowledge::parse(&text, &name.to_string_lossy());
        job.knowledge
            .push(knowledge.map_err(|e| wrong(e.to_string()))?);
    }
    describe_included(&mut job);
    refuse_duplicates(&job.knowledge).map_err(|e| {
        let second = match &e {
            KnowledgeError::Twice { second, .. } => {
                let at = job.knowledge.iter().rposition(|k| k.source == *second);
                at.map_or(0, |at| includes[at].at)
            }
            _ => 0,
        };
        source.error(second, e.to_string())
    })?;
    check_mounting_days(&job).map_err(|(setup, message)| {
        let at = file.setup.get(&setup).map_or(0, |table| table.at);
        source.error(at, message)
    })?;
    Ok(job)
}

/// Maximum number of included files: the records of a large collection, each qualified by a
/// job of its own. Common practice, no source.
const MOST_INCLUDES: usize = 1000;

/// All files of a job, itself included.
pub fn inputs(job: &Job, job_file: &Path) -> Vec<PathBuf> {
    let includes = job.knowledge.iter().map(|k| Path::new(&k.source));
    let calibrations = job.chains.values().flat_map(|c| &c.calibrations);
    let recordings = job.captures.iter().filter_map(|c| match &c.source {
        DelaySource::File(file) => Some(file.as_path()),
        _ => None,
    });
    includes
        .chain(calibrations.map(PathBuf::as_path))
        .chain(job.limits.baseline.as_deref())
        .chain(recordings)
        .map(|file| resolve(job_file, file))
        .chain([job_file.to_owned()])
        .collect()
}

/// A path of a job file, which is relative to it; backslashes are understood
/// on every system.
pub fn resolve(job_file: &Path, path: &Path) -> PathBuf {
    let portable = PathBuf::from(path.to_string_lossy().replace('\\', "/"));
    job_file.parent().unwrap_or(Path::new("")).join(portable)
}

/// Everything needed to read one recording of a job.
pub struct RecordingToRead<'a> {
    /// The capture.
    pub capture: &'a CaptureSpec,
    /// Its recording, relative to the working directory.
    pub path: PathBuf,
    /// The calibration of its chain.
    pub through: Option<ChainCorrection<'a>>,
    /// Terms of the cartridge's inductance against the chain's load.
    pub load_terms: Vec<PhaseTerm>,
}

impl RecordingToRead<'_> {
    /// Reads the recording and estimates its delay, corrected for tracing and for the
    /// chain. `progress` is told the fraction done.
    ///
    /// # Errors
    ///
    /// When it cannot be read or used.
    pub fn read(
        &self,
        progress: &mut (dyn FnMut(f64) + Send),
    ) -> Result<CaptureData, AnalysisError> {
        let mut request = Request::new(capture::Source::Path(self.path.clone()));
        request.options.hash = true;
        request.from_s = self.capture.from_s;
        request.to_s = self.capture.to_s;
        request.options.channels = self.capture.channels;
        request
            .settings
            .terms
            .extend(self.load_terms.iter().cloned());
        let analysis = analysis::analyse_corrected(&request, self.through, progress)?;
        Ok(CaptureData::of(&analysis))
    }
}

/// Data of every capture of a job: given delays as they are, recordings through
/// `read_recording`, `None` for planned ones. Reads the calibrations of chains and
/// replaces the priors in `job` that they make obsolete. Also returns warnings: from
/// that, and where marks or tones in the recordings contradict the job. An error
/// names the line in the job file.
pub fn gather<E: std::fmt::Display>(
    job: &mut Job,
    job_file: &Path,
    read_recording: impl Fn(&RecordingToRead<'_>) -> Result<CaptureData, E>,
) -> Result<(Vec<Option<CaptureData>>, Vec<Caveat>), JobFileError> {
    let calibrations =
        super::calibrations(job, job_file).map_err(|e| JobFileError::Calibration {
            path: shown(job_file),
            reason: e.to_string(),
        })?;
    let mut caveats = found::locate(job, job_file)?;
    caveats.extend(found::levels(job, job_file)?);
    caveats.extend(pass::read(job, job_file, &calibrations)?);
    let data = recordings(job, job_file, &calibrations, read_recording)?;
    caveats.extend(conflicting_figures(job));
    caveats.extend(super::replace_priors(job, &calibrations));
    Ok((data, caveats))
}

fn recordings<E: std::fmt::Display>(
    job: &Job,
    job_file: &Path,
    calibrations: &BTreeMap<String, Calibration>,
    read_recording: impl Fn(&RecordingToRead<'_>) -> Result<CaptureData, E>,
) -> Result<Vec<Option<CaptureData>>, JobFileError> {
    job.captures
        .iter()
        .enumerate()
        .map(|(at, spec)| match &spec.source {
            DelaySource::Planned => Ok(None),
            DelaySource::Delay(d) => Ok(Some(CaptureData::of_delay(d.value, d.u))),
            DelaySource::File(file) => {
                let content = |message: String| JobFileError::at(job_file, spec.line, message);
                let resolved = resolve(job_file, file);
                if !resolved.is_file() {
                    return Err(content(format!(
                        "there is no recording '{}' (looked for {}); check 'file', which is relative to the job file",
                        file.display(),
                        resolved.display()
                    )));
                }
                let calibration = job.corrected_by(at, calibrations);
                let load_terms = job.load_terms(spec);
                let mut terms = load_terms.clone();
                terms.extend(calibration.iter().flat_map(|c| c.prior_changes().terms));
                read_recording(&RecordingToRead {
                    capture: spec,
                    path: resolved,
                    through: calibration.map(|calibration| ChainCorrection {
                        calibration,
                        leads_swapped: spec.swapped,
                    }),
                    load_terms,
                })
                .map(|data| Some(data.with_priors(&terms)))
                .map_err(|e| content(e.to_string()))
            }
        })
        .collect()
}

fn read_text(path: &Path) -> Result<String, JobFileError> {
    outside::read_text(path).map_err(|e| match e {
        ReadError::NotText(line) => JobFileError::at(
            path,
            Some(line),
            "not text in UTF-8; save it as UTF-8, or give the job file instead of a recording"
                .to_owned(),
        ),
        ReadError::TooLong => JobFileError::Read {
            path: shown(path),
            reason: format!("{e} Name a recording in a job, or give it to 'groovelag measure'"),
        },
        e => JobFileError::Read {
            path: shown(path),
            reason: e.to_string(),
        },
    })
}

/// Reads a file that holds only `format = 1` and `[limits]`: the limits that a
/// folder gives to the jobs below it. Its paths are relative to it.
pub fn read_limits(path: &Path) -> Result<Limits, JobFileError> {
    let (text, shown) = (read_text(path)?, shown(path));
    let source = SourceText::new(&text, &shown, "a folder's defaults");
    let file: FolderFile = source.read()?;
    content::limits(&file.limits).map_err(|slip| source.refuse(slip))
}

/// Reads the text of a job file; `path` serves the messages.
pub fn parse(text: &str, path: &str) -> Result<Job, JobFileError> {
    Ok(content::read(&SourceText::new(text, path, "the job"))?.0)
}

/// Whether a job file has such a key at its top level.
#[cfg(feature = "cli")]
pub(crate) fn is_key(key: &str) -> bool {
    slip::unknown::<JobFile>(key).is_none()
}

#[cfg(test)]
mod tests;
