//! What a result was made from: enough for somebody else to judge it, and to make it again.

use super::description::{Job, REPORT, Source};
use super::details::{Learned, learned, mountings};
use super::file::resolve;
use super::network::CaptureData;
use super::solution::Solved;
use crate::outside::{self, ReadError};
use crate::units::hexadecimal;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::path::Path;

/// Of more unknowns than this a document leaves the covariance out: it would have more than
/// a hundred thousand numbers.
const MOST_IN_COVARIANCE: usize = 500;

/// What a file is to a job.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum InputKind {
    /// The job file itself.
    Job,
    /// Knowledge of an earlier job.
    Knowledge,
    /// Calibration of a chain.
    Calibration,
    /// An earlier result that limits are about.
    Baseline,
    /// A recording.
    Recording,
}

impl InputKind {
    /// As in the documents.
    pub fn word(self) -> &'static str {
        match self {
            Self::Job => "job",
            Self::Knowledge => "knowledge",
            Self::Calibration => "calibration",
            Self::Baseline => "baseline",
            Self::Recording => "recording",
        }
    }
}

/// A file that a result rests on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Input {
    /// What it is to the job.
    pub kind: InputKind,
    /// Its name without folders; of a recording, its path as the job states it.
    pub file: String,
    /// SHA-256 (FIPS 180-4) of its bytes; null where it came from a stream.
    pub sha256: Option<String>,
}

/// An unknown of the adjustment, before and after, in its unit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct AdjustedUnknown {
    /// Its stable name.
    pub name: String,
    /// In words.
    pub words: String,
    /// Unit of the figures; empty where they have none.
    pub unit: String,
    /// What was known before.
    pub prior: f64,
    /// Its standard uncertainty.
    pub prior_standard_uncertainty: f64,
    /// Where that comes from.
    pub origin: String,
    /// Value now.
    pub value: f64,
    /// Its standard uncertainty.
    pub standard_uncertainty: f64,
}

impl From<Learned> for AdjustedUnknown {
    fn from(learned: Learned) -> Self {
        Self {
            name: learned.id,
            words: learned.words,
            unit: learned.unit.to_owned(),
            prior: learned.prior.0,
            prior_standard_uncertainty: learned.prior.1,
            origin: learned.origin,
            value: learned.posterior.0,
            standard_uncertainty: learned.posterior.1,
        }
    }
}

/// What a result was made from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Basis {
    /// Coverage of the bands.
    pub coverage: f64,
    /// Draws that the bands were checked by, if they were.
    pub monte_carlo: Option<u32>,
    /// Every file, the job first.
    pub inputs: Vec<Input>,
    /// What the job says in words, by its keys: title, operator, serial numbers, conditions.
    pub stated: BTreeMap<String, String>,
    /// Every unknown of the adjustment.
    pub unknowns: Vec<AdjustedUnknown>,
    /// What is known of the mountings of cartridge bodies, each the difference of two unknowns:
    /// the rotation in the headshell less that of the stylus to the body.
    #[serde(default)]
    pub mountings: Vec<AdjustedUnknown>,
    /// The unknowns' covariance in their units: row k has the first k + 1 columns. Null of more than
    /// 500 unknowns.
    pub covariance: Option<Vec<Vec<f64>>>,
}

impl Basis {
    /// What `solved` was made from: the job in the file `path`, with `data` as given to
    /// [`solve`](super::solve).
    ///
    /// # Errors
    ///
    /// When a file of the job cannot be read again.
    pub fn of(
        job: &Job,
        path: &Path,
        data: &[Option<CaptureData>],
        solved: &Solved,
        monte_carlo: Option<u32>,
    ) -> Result<Self, ReadError> {
        let parameters = &solved.network.parameters;
        let covariance = (parameters.len() <= MOST_IN_COVARIANCE).then(|| {
            let row = |i: usize| {
                let entry = |j: usize| {
                    let units = parameters[i].factor * parameters[j].factor;
                    solved.adjustment.covariance[[i, j]] / units
                };
                (0..=i).map(entry).collect()
            };
            (0..parameters.len()).map(row).collect()
        });
        Ok(Self {
            coverage: solved.coverage,
            monte_carlo,
            inputs: inputs(job, path, data)?,
            stated: stated(job),
            unknowns: learned(solved).into_iter().map(Into::into).collect(),
            mountings: mountings(solved).into_iter().map(Into::into).collect(),
            covariance,
        })
    }

    /// The job's own file.
    pub fn job(&self) -> Option<&Input> {
        self.inputs.iter().find(|i| i.kind == InputKind::Job)
    }
}

fn inputs(job: &Job, path: &Path, data: &[Option<CaptureData>]) -> Result<Vec<Input>, ReadError> {
    let name = |path: &Path| {
        let last = path.file_name().unwrap_or(path.as_os_str());
        last.to_string_lossy().into_owned()
    };
    let small = |kind, file: &Path| {
        Ok::<_, ReadError>(Input {
            kind,
            file: name(file),
            sha256: Some(hexadecimal(&Sha256::digest(outside::read(file)?))),
        })
    };
    let mut list = vec![small(InputKind::Job, path)?];
    for knowledge in &job.knowledge {
        let file = resolve(path, Path::new(&knowledge.source));
        list.push(small(InputKind::Knowledge, &file)?);
    }
    for file in job.chains.values().filter_map(|c| c.calibration.as_ref()) {
        list.push(small(InputKind::Calibration, &resolve(path, file))?);
    }
    if let Some(file) = &job.limits.baseline {
        list.push(small(InputKind::Baseline, &resolve(path, file))?);
    }
    for (at, (capture, data)) in job.captures.iter().zip(data).enumerate() {
        if let (Source::File(_), Some(data)) = (&capture.source, data) {
            let recording = Input {
                kind: InputKind::Recording,
                file: capture.describe(at),
                sha256: data.sha256.clone(),
            };
            // several parts of one
            if !list.contains(&recording) {
                list.push(recording);
            }
        }
    }
    Ok(list)
}

fn stated(job: &Job) -> BTreeMap<String, String> {
    let mut all = BTreeMap::new();
    let mut add = |key: String, text: &Option<String>| {
        if let Some(text) = text {
            all.insert(key, text.clone());
        }
    };
    add("title".to_owned(), &job.title);
    add("operator".to_owned(), &job.operator);
    add("date".to_owned(), &job.date);
    add("note".to_owned(), &job.note);
    for (key, _) in REPORT {
        add(format!("report.{key}"), &job.report.get(*key).cloned());
    }
    for (name, cartridge) in &job.cartridges {
        add(format!("cartridge.{name}.serial"), &cartridge.serial);
    }
    for (name, setup) in &job.setups {
        add(format!("setup.{name}.date"), &setup.date);
    }
    for (at, capture) in job.captures.iter().enumerate() {
        add(format!("capture.{}.date", at + 1), &capture.date);
    }
    for (name, record) in &job.records {
        add(format!("record.{name}.label"), &record.label);
        add(format!("record.{name}.side"), &record.side);
    }
    all
}
