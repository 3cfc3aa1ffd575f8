//! Many jobs against their limits, for continuous integration.
//!
//! [`find`] makes a sorted list of jobs out of files, folders and globs,
//! [`Shard`] takes its share of it, [`run`] solves and judges each job on all
//! cores and hands the results over in the list's order, whatever the number of
//! threads. One job that cannot be used is a result like any other.
//!
//! # Limits
//!
//! A job's `[limits]`, completed key by key by the `groovelag.toml` of its
//! folder and of every folder above it, the nearest first. [`judge`] says what
//! each of them demands. `max_turn_deg` limits the advice, not the result.

mod defaults;
mod find;
mod judge;

pub use defaults::{DEFAULTS_FILE, Defaults};
pub use find::{Item, Shard, find};
pub use judge::{Baseline, judge};

use crate::job::{self, CaptureData, Solution};
use crate::uncertainty::{Conformity, Quantity};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::io;
use std::path::Path;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// What became of a job.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    /// Solved, and every stated limit is met.
    Passed,
    /// A limit is neither met nor missed for certain.
    Undecided,
    /// A limit is not met.
    Failed,
    /// The job, a recording, a default or a baseline cannot be used.
    Unusable,
}

impl Outcome {
    /// As in the documents.
    pub fn word(self) -> &'static str {
        match self {
            Self::Passed => "passed",
            Self::Undecided => "undecided",
            Self::Failed => "failed",
            Self::Unusable => "unusable",
        }
    }
}

/// What was found of a setup whose tip can see its rotation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CheckedSetup {
    /// Its name.
    pub name: String,
    /// Rotation of the stylus to the groove.
    pub rotation_deg: Quantity,
    /// Rotation of the stylus to the cartridge body; null where nothing is known of the
    /// mounting.
    pub stylus_to_body_deg: Option<Quantity>,
    /// Conformity to the tolerance, if one is stated and no doubt withholds it.
    pub conformity: Option<Conformity>,
}

/// The result of one job.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Checked {
    /// The job file, as given or found, with `/`.
    pub path: String,
    /// What became of it.
    pub outcome: Outcome,
    /// Why.
    pub reason: String,
    /// Why the result is in doubt; null where it is not, or where there is none.
    #[serde(default)]
    pub in_doubt: Option<String>,
    /// Probability of a larger chi-square by chance; null without degrees of freedom.
    #[serde(default)]
    pub p_value: Option<f64>,
    /// Every setup that is held against limits, by name.
    #[serde(default)]
    pub setups: Vec<CheckedSetup>,
}

impl Checked {
    fn of(path: String, (outcome, reason): (Outcome, String), solution: Option<&Solution>) -> Self {
        let seeing = solution.into_iter().flat_map(|s| &s.setups);
        Self {
            path,
            outcome,
            reason,
            in_doubt: solution.and_then(|s| s.in_doubt.clone()),
            p_value: solution.and_then(|s| s.fit.p_value),
            setups: seeing
                .filter(|setup| !setup.unobservable)
                .map(|setup| CheckedSetup {
                    name: setup.name.clone(),
                    rotation_deg: setup.rotation_deg,
                    stylus_to_body_deg: setup.stylus_to_body_deg,
                    conformity: setup.conformity,
                })
                .collect(),
        }
    }
}

/// How audio captures become data; called from several threads at once.
pub type Reader<'a> =
    dyn Fn(&job::file::RecordingToRead<'_>) -> Result<CaptureData, String> + Sync + 'a;

/// How to check.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Coverage of the bands.
    pub coverage: f64,
    /// Stop at the first job, in the list's order, that does not pass.
    pub fail_fast: bool,
    /// A job without limits fails.
    pub require_limits: bool,
    /// Jobs at a time, as many as there are cores at most: more would bring nothing, and each
    /// holds one recording's analysis in memory.
    pub threads: usize,
}

/// Checks one job.
pub fn check(item: &Item, defaults: &Defaults, options: &Options, reader: &Reader<'_>) -> Checked {
    let found = match item {
        Item::Job { path, .. } => solve_and_judge(path, defaults, options, reader),
        Item::Unusable { reason, .. } => Err(reason.clone()),
    };
    let path = item.shown().to_owned();
    match found {
        Ok((judged, solution)) => Checked::of(path, judged, Some(&solution)),
        Err(reason) => Checked::of(path, (Outcome::Unusable, reason), None),
    }
}

fn solve_and_judge(
    path: &Path,
    defaults: &Defaults,
    options: &Options,
    reader: &Reader<'_>,
) -> Result<((Outcome, String), Solution), String> {
    let coverage = options.coverage;
    let shown = find::shown(path);
    let here = |message: String| format!("{shown}: {message}");
    let mut job = job::file::read(path).map_err(|e| e.to_string())?;
    if let Some(baseline) = &mut job.limits.baseline {
        *baseline = job::file::resolve(path, baseline);
    }
    job.limits = job.limits.clone().or(defaults.of(path)?);
    // before the recordings, which take longer
    let baseline = match &job.limits.baseline {
        Some(file) => Some(Baseline::read(file).map_err(here)?),
        None => None,
    };
    let (data, caveats) = job::file::gather(&mut job, path, reader).map_err(|e| e.to_string())?;
    if data.iter().all(Option::is_none) {
        return Err(here(
            "no capture has a recording or a delay, so there is nothing to check; add [[capture]], or predict the job with `groovelag plan`".to_owned(),
        ));
    }
    let solved = job::solve(&job, &data, coverage).map_err(|e| here(e.to_string()))?;
    let solved = solved.with_warnings(caveats);
    let solution = solved.solution;
    let (outcome, reason) =
        judge(&job.limits, baseline.as_ref(), &solution, coverage).map_err(here)?;
    let limits = &job.limits;
    let seeing = solution.setups.iter().any(|s| !s.unobservable);
    let applies = limits.warning_level.is_some() || (seeing && limits.of_rotations());
    let judged = if options.require_limits && !applies {
        let asked = format!(
            "{reason}; --require-limits requires limits that apply, in [limits] or {DEFAULTS_FILE}"
        );
        (outcome.max(Outcome::Failed), asked)
    } else {
        (outcome, reason)
    };
    Ok((judged, solution))
}

/// Results on their way from the threads to `emit`, in the list's order.
struct Line<'a> {
    /// The next one to hand over.
    next: usize,
    /// Results that wait for an earlier one.
    held: BTreeMap<usize, Checked>,
    done: Vec<Checked>,
    emit: &'a mut (dyn FnMut(&Checked) -> io::Result<()> + Send),
    stopped: bool,
    error: Option<io::Error>,
}

impl Line<'_> {
    fn take(&mut self, at: usize, result: Checked, fail_fast: bool) {
        self.held.insert(at, result);
        while !self.stopped {
            let Some(result) = self.held.remove(&self.next) else {
                break;
            };
            self.next += 1;
            if let Err(e) = (self.emit)(&result) {
                self.error = Some(e);
                self.stopped = true;
            }
            self.stopped |= fail_fast && result.outcome != Outcome::Passed;
            self.done.push(result);
        }
    }
}

/// Checks every item and hands each result to `emit` as soon as those before
/// it are there, in the order of the items. Returns them all; with
/// `fail_fast`, those up to the first that does not pass.
///
/// # Errors
///
/// What `emit` returns, checking stops then; and when no thread can be made.
pub fn run(
    items: &[Item],
    defaults: &Defaults,
    options: &Options,
    reader: &Reader<'_>,
    emit: &mut (dyn FnMut(&Checked) -> io::Result<()> + Send),
) -> io::Result<Vec<Checked>> {
    let queue = Mutex::new(items.iter().enumerate());
    let line = Mutex::new(Line {
        next: 0,
        held: BTreeMap::new(),
        done: Vec::new(),
        emit,
        stopped: false,
        error: None,
    });
    // Threads of their own, not tasks of the pool that an analysis uses: a task
    // that waits there may be given another whole job on top of its own.
    let work = || {
        loop {
            if locked(&line).stopped {
                break;
            }
            let Some((at, item)) = locked(&queue).next() else {
                break;
            };
            let result = check(item, defaults, options, reader);
            locked(&line).take(at, result, options.fail_fast);
        }
    };
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let threads = options.threads.min(cores).min(items.len()).max(1);
    std::thread::scope(|scope| {
        for made in 0..threads {
            match std::thread::Builder::new().spawn_scoped(scope, work) {
                Ok(_) => {}
                // those that were made do all of it
                Err(_) if made > 0 => break,
                Err(e) => return Err(e),
            }
        }
        Ok(())
    })?;
    let line = line.into_inner().unwrap_or_else(PoisonError::into_inner);
    match line.error {
        Some(e) => Err(e),
        None => Ok(line.done),
    }
}

/// A thread that panicked ends the whole run with its panic, so a poisoned
/// lock says nothing more.
fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
