//! Limits that a folder gives to the jobs below it.

use crate::job::{self, Limits};
use std::collections::BTreeMap;
use std::path::{Component, Path, PathBuf};

/// Name of the file that holds a folder's defaults: `format = 1` and
/// `[limits]`, nothing else.
pub const DEFAULTS_FILE: &str = "groovelag.toml";

/// The defaults of every folder that holds a job.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Defaults {
    /// By the job's folder, as given.
    folders: BTreeMap<PathBuf, Result<Limits, String>>,
}

impl Defaults {
    /// Reads the defaults that concern these jobs, each file once. What cannot
    /// be used is said of each job that it concerns.
    pub fn read<'a>(jobs: impl IntoIterator<Item = &'a Path>) -> Self {
        let mut files = BTreeMap::new();
        let mut folders = BTreeMap::new();
        for job in jobs {
            folders
                .entry(folder(job))
                .or_insert_with_key(|folder| collect(folder, &mut files));
        }
        Self { folders }
    }

    /// The defaults of a job, with the path of a baseline resolved.
    pub(super) fn of(&self, job: &Path) -> Result<Limits, String> {
        match self.folders.get(&folder(job)) {
            Some(limits) => limits.clone(),
            None => Ok(Limits::default()),
        }
    }
}

fn folder(job: &Path) -> PathBuf {
    job.parent().unwrap_or(Path::new("")).to_owned()
}

type Files = BTreeMap<PathBuf, Result<Limits, String>>;

/// The folder's own file first, then those of the folders above it.
fn collect(folder: &Path, files: &mut Files) -> Result<Limits, String> {
    let here = if folder.as_os_str().is_empty() {
        Path::new(".")
    } else {
        folder
    };
    // a folder that cannot be resolved holds no job that can be read
    let Ok(real) = here.canonicalize() else {
        return Ok(Limits::default());
    };
    let mut limits = Limits::default();
    for above in real.ancestors() {
        let file = above.join(DEFAULTS_FILE);
        let read = files.entry(file).or_insert_with_key(|file| {
            // a link that leads nowhere is a mistake, not nothing
            if file.symlink_metadata().is_err() {
                return Ok(Limits::default());
            }
            let named = if folder.is_absolute() {
                file.clone()
            } else {
                from_here(file)
            };
            let mut limits = job::file::read_limits(&named).map_err(|e| e.to_string())?;
            if let Some(baseline) = &mut limits.baseline {
                *baseline = job::file::resolve(&named, baseline);
            }
            Ok(limits)
        });
        limits = limits.or(read.clone()?);
    }
    Ok(limits)
}

/// A path as seen from the working folder, so that no absolute path enters a
/// message.
fn from_here(path: &Path) -> PathBuf {
    let Ok(here) = Path::new(".").canonicalize() else {
        return path.to_owned();
    };
    let common = here
        .components()
        .zip(path.components())
        .take_while(|(a, b)| a == b)
        .count();
    if common == 0 {
        return path.to_owned();
    }
    let up = here.components().skip(common).map(|_| Component::ParentDir);
    up.chain(path.components().skip(common)).collect()
}
