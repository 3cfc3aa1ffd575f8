//! Inputs and settings of a result: enough for somebody else to judge and to reproduce it.

use super::contribution::VarianceSource;
use super::description::{DelaySource, Job};
use super::details::{UnknownUpdate, mountings, unknown_updates};
use super::file::resolve;
use super::network::{CaptureData, known_in};
use super::scope::MOST_UNKNOWNS_IN_FULL;
use super::solution::Solved;
use crate::chain::document::ID_LENGTH;
use crate::outside::{self, ReadError};
use crate::units::hexadecimal;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::path::Path;

/// Maximum number of unknowns whose covariance a document holds: above it, more than a
/// hundred thousand numbers.
const MOST_IN_COVARIANCE: usize = 500;

/// Role of a file in a job.
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
            Self::Recording => "recording",
        }
    }
}

/// A file that a result rests on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct InputFile {
    /// What it is to the job.
    pub kind: InputKind,
    /// Its name without folders; of a recording, its path as the job states it.
    pub file: String,
    /// SHA-256 (FIPS 180-4) of its bytes; null where it came from a stream.
    pub sha256: Option<String>,
    /// By setup, its share of the variance of the rotation to the groove, 0 to 1. The share of the
    /// job file itself is that of the values it states with an uncertainty. With [`OtherShares`],
    /// the shares of a setup add to 1. In a job of more than 1,000 unknowns, setups with no share
    /// are left out.
    #[serde(default)]
    pub shares: BTreeMap<String, f64>,
}

/// Shares of the variance of the rotation to the groove that belong to no single file, by setup, 0 to 1.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct OtherShares {
    /// Default priors, where the job states no uncertainty.
    pub assumed: BTreeMap<String, f64>,
    /// The cartridge's response, as far as its recordings together leave it unknown.
    pub recordings_together: BTreeMap<String, f64>,
    /// Captures of other cartridges, through shared records, chains and arms; only in a job of more than
    /// 1,000 unknowns, where these files have no share of their own.
    #[serde(default)]
    pub other_cartridges: BTreeMap<String, f64>,
}

impl InputFile {
    /// Whether both are the same bytes under the same name, for the same purpose.
    pub fn is_same_file(&self, other: &Self) -> bool {
        (self.kind, &self.sha256) == (other.kind, &other.sha256) && self.is_called_like(other)
    }

    /// Whether both have the same name. The job is one whatever its name.
    pub fn is_called_like(&self, other: &Self) -> bool {
        self.kind == InputKind::Job || self.file == other.file
    }
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

impl From<UnknownUpdate> for AdjustedUnknown {
    fn from(learned: UnknownUpdate) -> Self {
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

/// Inputs and settings of a result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Basis {
    /// Coverage of the bands.
    pub coverage: f64,
    /// Monte Carlo draws that the bands were checked by, if any.
    pub monte_carlo: Option<u32>,
    /// Every file, the job first.
    pub inputs: Vec<InputFile>,
    /// Shares that belong to no single file.
    #[serde(default)]
    pub other_shares: OtherShares,
    /// Texts of the job, by their keys: title, operator, serial numbers, conditions.
    pub stated: BTreeMap<String, String>,
    /// Every unknown of the adjustment.
    pub unknowns: Vec<AdjustedUnknown>,
    /// Mountings of cartridge bodies, each the difference of two unknowns: rotation in the
    /// headshell minus that of the stylus to the body.
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
        let parameters = &solved.network.parameters[..solved.network.own];
        let covariance = (parameters.len() <= MOST_IN_COVARIANCE).then(|| {
            let row = |i: usize| {
                let of_all = solved.adjustment.covariances(i);
                let entry = |j: usize| of_all[j] / (parameters[i].factor * parameters[j].factor);
                (0..=i).map(entry).collect()
            };
            (0..parameters.len()).map(row).collect()
        });
        let shares = Shares::of(solved);
        Ok(Self {
            coverage: solved.coverage,
            monte_carlo,
            inputs: inputs(job, path, data, &shares)?,
            other_shares: OtherShares {
                assumed: shares.sum_of(&[VarianceSource::Assumed]),
                recordings_together: shares.sum_of(&[VarianceSource::Recordings]),
                other_cartridges: shares.sum_of(&[VarianceSource::OtherCartridges]),
            },
            stated: stated(job),
            unknowns: unknown_updates(solved)
                .into_iter()
                .map(Into::into)
                .collect(),
            mountings: mountings(solved).into_iter().map(Into::into).collect(),
            covariance,
        })
    }

    /// The job's own file.
    pub fn job(&self) -> Option<&InputFile> {
        self.inputs.iter().find(|i| i.kind == InputKind::Job)
    }
}

/// Variance shares of the setups whose tip is sensitive to its rotation.
struct Shares {
    /// By source, the shares of each setup.
    by: BTreeMap<VarianceSource, BTreeMap<String, f64>>,
    /// The entry of a setup without a share: left out in a large job.
    nothing: BTreeMap<String, f64>,
}

impl Shares {
    fn of(solved: &Solved) -> Self {
        let seeing = || solved.solution.setups.iter().filter(|s| !s.unobservable);
        let mut by: BTreeMap<VarianceSource, BTreeMap<String, f64>> = BTreeMap::new();
        for setup in seeing() {
            for (brought, share) in &setup.variance_shares {
                let of = by.entry(brought.clone()).or_default();
                of.insert(setup.name.clone(), *share);
            }
        }
        let is_large = solved.network.parameters.len() > MOST_UNKNOWNS_IN_FULL;
        let named = seeing().filter(|_| !is_large);
        let nothing = named.map(|setup| (setup.name.clone(), 0.0)).collect();
        Self { by, nothing }
    }

    /// By setup, the sum over these sources.
    fn sum_of(&self, by: &[VarianceSource]) -> BTreeMap<String, f64> {
        let mut together = self.nothing.clone();
        for (setup, share) in by.iter().filter_map(|by| self.by.get(by)).flatten() {
            *together.entry(setup.clone()).or_default() += share;
        }
        together
    }
}

fn inputs(
    job: &Job,
    path: &Path,
    data: &[Option<CaptureData>],
    shares: &Shares,
) -> Result<Vec<InputFile>, ReadError> {
    let brought = |by: &[VarianceSource]| shares.sum_of(by);
    let name = |path: &Path| {
        let last = path.file_name().unwrap_or(path.as_os_str());
        last.to_string_lossy().into_owned()
    };
    let small = |kind, file: &Path, by: &[VarianceSource]| {
        Ok::<_, ReadError>(InputFile {
            kind,
            file: name(file),
            sha256: Some(hexadecimal(&Sha256::digest(outside::read(file)?))),
            shares: brought(by),
        })
    };
    // a delay that is given is the job's own
    let captures = job.captures.iter().enumerate();
    let given = captures.filter(|(_, c)| matches!(c.source, DelaySource::Delay(_)));
    let own: Vec<VarianceSource> = given
        .map(|(at, _)| VarianceSource::Capture(at))
        .chain([VarianceSource::Stated])
        .collect();
    let mut list = vec![small(InputKind::Job, path, &own)?];
    for knowledge in &job.knowledge {
        let file = resolve(path, Path::new(&knowledge.source));
        let by = VarianceSource::Knowledge(known_in(&knowledge.source));
        list.push(small(InputKind::Knowledge, &file, &[by])?);
    }
    for (name, chain) in &job.chains {
        for (k, file) in chain.calibrations.iter().enumerate() {
            let mut input = small(InputKind::Calibration, &resolve(path, file), &[])?;
            // the last one corrects
            if k + 1 == chain.calibrations.len() {
                let id = input.sha256.iter().map(|hash| hash[..ID_LENGTH].to_owned());
                let by = id.map(VarianceSource::Calibration);
                let by: Vec<VarianceSource> =
                    by.chain([VarianceSource::Change(name.clone())]).collect();
                input.shares = brought(&by);
            }
            list.push(input);
        }
    }
    let mut places: BTreeMap<(String, Option<String>), usize> = BTreeMap::new();
    for (at, (capture, data)) in job.captures.iter().zip(data).enumerate() {
        if let (Some(file), Some(data)) = (capture.file(), data) {
            let shares = brought(&[vec![VarianceSource::Capture(at)], of_pass(job, at)].concat());
            let (file, sha256) = (file, data.sha256.clone());
            // several parts of one
            match places.get(&(file.clone(), sha256.clone())) {
                Some(&known) => {
                    for (setup, share) in shares {
                        *list[known].shares.entry(setup).or_default() += share;
                    }
                }
                None => {
                    places.insert((file.clone(), sha256.clone()), list.len());
                    list.push(InputFile {
                        kind: InputKind::Recording,
                        file,
                        sha256,
                        shares,
                    });
                }
            }
        }
    }
    Ok(list)
}

/// The share of the test bands of a capture's pass, which counts with the first of its captures.
fn of_pass(job: &Job, capture: usize) -> Vec<VarianceSource> {
    let pass = job.pass_of(capture);
    let pass = pass.filter(|pass| pass.captures.first() == Some(&capture));
    let calibration = pass.and_then(|pass| pass.calibration.as_ref());
    let id = calibration.map(|c| VarianceSource::Calibration(c.crosstalk_id().to_owned()));
    id.into_iter().collect()
}

pub(super) fn stated(job: &Job) -> BTreeMap<String, String> {
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
    for (key, text) in &job.report {
        add(format!("report.{key}"), &Some(text.clone()));
    }
    for (k, instrument) in job.instruments.iter().enumerate() {
        for (key, text) in instrument {
            add(format!("instrument.{}.{key}", k + 1), &Some(text.clone()));
        }
    }
    add(
        "limits.tolerance_source".to_owned(),
        &job.limits.tolerance_source,
    );
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
