//! Captures of earlier jobs, for later jobs to include.
//!
//! A file holds the captures' information before any prior, with their conditions and the objects that they
//! were made with. A job that includes it adjusts them with its own captures: files add, priors count once, and
//! the result is that of one job of all captures. Quantities of a single job (radii, speeds, turns, setups that
//! were taken down) stay separate; objects that outlive it are identified by name.
//!
//! Storing only the information about the lasting unknowns, with the others eliminated, would be smaller
//! and wrong: delays are products of sizes, scales and rotations, each poorly known, and are read a
//! hundred times more accurately. Linearisations at different points then contradict one another, and
//! their sum claims more than the captures determine. (For a side qualified six times with a spherical tip
//! left mounted, the 95 % band of its cut held 62 % of true values.)

use super::basis;
use super::description::{
    BandOf, CaptureSpec, Cartridge, Chain, DelaySource, Job, PivotedArm, Record, Setup, Stated,
    Stretch,
};
use super::network::{self, CaptureData, TermPrior, TracingObservation};
use super::scatter::Scatter;
use crate::delay::{Information, Node, Term};
use crate::outside::{shown, without_content};
use crate::uncertainty::{Caveat, Warning};
use crate::units::{MILLIMETRE, hexadecimal, written};
use ndarray::{Array1, Array2};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use thiserror::Error;

/// Content of a knowledge file.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Knowledge {
    /// The file it was read from, as given.
    pub source: String,
    /// The jobs whose captures it holds.
    pub parts: Vec<KnowledgePart>,
}

/// The captures of one job, and the objects that they were made with.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct KnowledgePart {
    /// Texts of the job: title, date, operator, serial numbers.
    pub conditions: BTreeMap<String, String>,
    /// Standard deviation of the scatter between its drops, seconds.
    pub scatter: f64,
    /// Its captures, and the objects that they name.
    pub job: Job,
    /// The data of each capture. Each has a hash that identifies it.
    pub data: Vec<CaptureData>,
}

/// Why a knowledge file cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum KnowledgeError {
    /// It is not a knowledge file, or is damaged.
    #[error(
        "'{file}' is not a knowledge file of format 2 ({reason}); write one with 'solve --export-knowledge'"
    )]
    Content {
        /// The file, as given.
        file: String,
        /// What is wrong.
        reason: String,
    },
    /// A capture would count twice.
    #[error(
        "'{first}' and '{second}' both hold the capture '{capture}', so its information would count twice; leave one of them out"
    )]
    Twice {
        /// A file that holds it.
        first: String,
        /// Another, later in the list.
        second: String,
        /// What the capture is called.
        capture: String,
    },
    /// Nothing is left of it.
    #[error(
        "'{file}' holds no capture made with '{wanted}', only with {known}; ask for one of these, or leave the file out"
    )]
    Nothing {
        /// The file, as given.
        file: String,
        /// What was asked for.
        wanted: String,
        /// What there is.
        known: String,
    },
}

/// A knowledge file as written. SI units and radians.
#[derive(Debug, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct KnowledgeFile {
    /// SHA-256 of everything after this line, line ends as "\n"; a file without it is taken as it is.
    #[serde(skip_serializing)]
    sha256: Option<String>,
    /// Always 2.
    format: u32,
    /// Always "groovelag knowledge".
    kind: String,
    /// The jobs whose captures it holds.
    job: Vec<KnownJob>,
}

/// A job of a knowledge file: its captures, and the objects that they were made with.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct KnownJob {
    /// Standard deviation of the scatter between its drops, seconds.
    scatter: f64,
    /// Its texts: title, date, operator, serial numbers.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    conditions: BTreeMap<String, String>,
    /// Cartridges by name.
    cartridge: BTreeMap<String, Cartridge>,
    /// Record sides by name.
    record: BTreeMap<String, Record>,
    /// Chains by name.
    chain: BTreeMap<String, Chain>,
    /// Arms by name.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    arm: BTreeMap<String, PivotedArm>,
    /// Setups by name.
    setup: BTreeMap<String, Setup>,
    /// Its captures.
    capture: Vec<KnownCapture>,
}

/// A capture of a knowledge file.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct KnownCapture {
    /// Its file, or a description.
    file: String,
    /// SHA-256 of the recording; of a given delay, that of its description in the job.
    sha256: String,
    /// Date of the capture, where the job states it.
    date: Option<String>,
    /// Name of its setup.
    setup: String,
    /// Name of its record side.
    record: String,
    /// Name of its chain.
    chain: String,
    /// Radius at the start and the end of the analysed part, metres.
    radius: [f64; 2],
    /// Standard uncertainty of the radius, metres, if stated.
    radius_u: Option<f64>,
    /// Speed while played, revolutions per minute.
    rpm: Stated,
    /// Known turn relative to the setup, radians.
    turn: Stated,
    /// Leads swapped at the cartridge.
    swapped: bool,
    /// Its stretch of its recording, if it is one.
    stretch: Option<Stretch>,
    /// Information about the delay (seconds) and the terms beside it, before priors.
    information: KnownTerms,
    /// Where along the analysed part the information lies.
    nodes: Vec<Node>,
    /// Covariances of terms that came with the recording, such as those of a calibration.
    priors: Vec<KnownTerms>,
    /// Tracing distortion, where it was found.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    tracing: Option<TracingObservation>,
}

/// Joint information about some terms.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct KnownTerms {
    /// The terms; of information, the delay first.
    terms: Vec<Term>,
    /// Information matrix or covariance: the lower triangle, row by row.
    matrix: Vec<Vec<f64>>,
    /// Information vector or values.
    vector: Vec<f64>,
    /// Where the phase was linearised.
    #[serde(default)]
    expansion: Vec<f64>,
}

/// SHA-256 of a text, whatever its line ends.
fn content_hash(text: &str) -> String {
    let text = text.replace('\r', "");
    hexadecimal(&Sha256::digest(text.as_bytes()))
}

const FORMAT: u32 = 2;
const KIND: &str = "groovelag knowledge";

impl KnownTerms {
    fn new(terms: &[Term], matrix: &Array2<f64>, vector: &Array1<f64>) -> Self {
        let row = |i: usize| (0..=i).map(|j| matrix[[i, j]]).collect();
        Self {
            terms: terms.to_vec(),
            matrix: (0..terms.len()).map(row).collect(),
            vector: vector.to_vec(),
            expansion: Vec::new(),
        }
    }

    /// As a prior, if the sizes of terms, matrix and vector agree.
    fn checked(self) -> Result<TermPrior, &'static str> {
        let n = self.terms.len();
        let mut rows = self.matrix.iter().enumerate();
        let triangle = self.matrix.len() == n && rows.all(|(i, row)| row.len() == i + 1);
        if n == 0 || !triangle || self.vector.len() != n {
            return Err("terms, matrix and vector of a capture differ in length");
        }
        if self.matrix.iter().any(|row| row.last() < Some(&0.0)) {
            return Err("a capture's matrix is not positive");
        }
        let mut numbers = self.matrix.iter().flatten().chain(&self.vector);
        if !numbers.all(|v| v.is_finite()) {
            return Err("a value of a capture is not finite");
        }
        let entry = |(i, j): (usize, usize)| self.matrix[i.max(j)][i.min(j)];
        Ok(TermPrior {
            covariance: Array2::from_shape_fn((n, n), entry),
            values: Array1::from(self.vector),
            terms: self.terms,
        })
    }
}

impl KnownCapture {
    fn new(job: &Job, at: usize, data: &CaptureData) -> Self {
        let spec = &job.captures[at];
        let Information {
            terms,
            matrix,
            vector,
            expansion,
        } = &data.information;
        let priors = data.priors.iter();
        // the reader adds the stretch to the name again
        let name = CaptureSpec {
            band: spec.band.clone().filter(|_| spec.stretch().is_none()),
            ..spec.clone()
        };
        Self {
            stretch: spec.stretch(),
            file: name.describe(at),
            sha256: key(job, at, data).unwrap_or_default(),
            date: job.capture_date(spec).cloned(),
            setup: spec.setup.clone(),
            record: spec.record.clone(),
            chain: spec.chain.clone(),
            radius: spec.radius,
            radius_u: spec.radius_u,
            rpm: spec.rpm,
            turn: spec.turn,
            swapped: spec.swapped,
            information: KnownTerms {
                expansion: expansion.clone(),
                ..KnownTerms::new(terms, matrix, vector)
            },
            nodes: data.nodes.clone(),
            priors: priors
                .map(|p| KnownTerms::new(&p.terms, &p.covariance, &p.values))
                .collect(),
            tracing: data.tracing,
        }
    }

    fn checked(self) -> Result<(CaptureSpec, CaptureData), &'static str> {
        let expansion = self.information.expansion.clone();
        let TermPrior {
            terms,
            values: vector,
            covariance: matrix,
        } = self.information.checked()?;
        if expansion.len() != terms.len() || matrix[[0, 0]] <= 0.0 {
            return Err("a capture has no information about its delay");
        }
        let conditions = [self.rpm, self.turn].map(|stated| [stated.value, stated.u]);
        let conditions = conditions.as_flattened().iter().copied().flatten();
        let of_nodes = self.nodes.iter().flat_map(|n| [n.position, n.weight]);
        let mut numbers = conditions
            .chain(of_nodes)
            .chain(self.radius)
            .chain(self.radius_u)
            .chain(expansion.iter().copied());
        let radii = Warning::RadiusOffTheRecord.range();
        let played = self.rpm.value.is_some_and(|rpm| rpm > 0.0)
            && self
                .radius
                .iter()
                .all(|r| radii.contains(&(r / MILLIMETRE)));
        let weights: f64 = self.nodes.iter().map(|n| n.weight).sum();
        let along = self.nodes.iter().all(|n| (0.0..=1.0).contains(&n.position));
        // sums of a hundred rounded figures
        let whole = (weights - 1.0).abs() < 1e-9 && along;
        if !numbers.all(f64::is_finite) || !played || !whole {
            return Err("a capture's radius, speed, turn or nodes are invalid");
        }
        let priors = self.priors.into_iter().map(KnownTerms::checked);
        if self.stretch.is_some_and(|s| s.which >= s.of) {
            return Err("a capture is a stretch that its recording lacks");
        }
        if self.tracing.is_some_and(|seen| !seen.is_possible()) {
            return Err("a capture's tracing is invalid");
        }
        let data = CaptureData {
            tracing: self.tracing,
            information: Information {
                terms,
                expansion,
                matrix,
                vector,
            },
            nodes: self.nodes,
            sha256: Some(self.sha256),
            caveats: Vec::new(),
            priors: priors.collect::<Result<_, _>>()?,
            evidence: None,
        };
        let spec = CaptureSpec {
            source: DelaySource::File(PathBuf::from(self.file)),
            band: self.stretch.map(BandOf::stretch),
            setup: self.setup,
            record: self.record,
            chain: self.chain,
            radius: self.radius,
            radius_u: self.radius_u,
            rpm: self.rpm,
            turn: self.turn,
            swapped: self.swapped,
            channels: None,
            from_s: None,
            to_s: None,
            date: self.date,
            note: None,
            line: None,
        };
        Ok((spec, data))
    }
}

fn names<T>(map: &BTreeMap<String, T>) -> BTreeSet<&String> {
    map.keys().collect()
}

/// The objects of this map with these names.
fn named<'a, T: Clone>(
    map: &BTreeMap<String, T>,
    names: impl Iterator<Item = &'a String>,
) -> BTreeMap<String, T> {
    let found = names.filter_map(|name| Some((name.clone(), map.get(name)?.clone())));
    found.collect()
}

/// The `wanted` captures of a job, with the objects that they name.
fn with_objects(job: &Job, wanted: impl Fn(usize) -> bool) -> Job {
    let captures = job.captures.iter().enumerate();
    let captures = captures.filter(|(at, _)| wanted(*at));
    let captures: Vec<CaptureSpec> = captures.map(|(_, c)| c.clone()).collect();
    let setups = named(&job.setups, captures.iter().map(|c| &c.setup));
    let arms = setups.values().filter_map(Setup::arm_name);
    Job {
        cartridges: named(&job.cartridges, setups.values().map(|s| &s.cartridge)),
        records: named(&job.records, captures.iter().map(|c| &c.record)),
        chains: named(&job.chains, captures.iter().map(|c| &c.chain)),
        arms: named(&job.arms, arms),
        setups,
        captures,
        ..Job::default()
    }
}

impl KnowledgePart {
    fn new(read: KnownJob) -> Result<Self, String> {
        let captures = read.capture.into_iter().map(KnownCapture::checked);
        let captures: Result<Vec<_>, _> = captures.collect();
        let (captures, data) = captures?.into_iter().unzip();
        let job = Job {
            cartridges: read.cartridge,
            records: read.record,
            chains: read.chain,
            arms: read.arm,
            setups: read.setup,
            captures,
            ..Job::default()
        };
        let (captures, setups) = (job.captures.iter(), job.setups.values());
        let things: [(&str, BTreeSet<&String>, BTreeSet<&String>); 5] = [
            (
                "setup",
                names(&job.setups),
                captures.clone().map(|c| &c.setup).collect(),
            ),
            (
                "record",
                names(&job.records),
                captures.clone().map(|c| &c.record).collect(),
            ),
            (
                "chain",
                names(&job.chains),
                captures.map(|c| &c.chain).collect(),
            ),
            (
                "cartridge",
                names(&job.cartridges),
                setups.clone().map(|s| &s.cartridge).collect(),
            ),
            (
                "arm",
                names(&job.arms),
                setups.filter_map(Setup::arm_name).collect(),
            ),
        ];
        for (kind, described, named) in things {
            if let Some(name) = described.symmetric_difference(&named).next() {
                let name = shown(name);
                return Err(format!(
                    "'{kind}.{name}' is described but not used, or used but not described"
                ));
            }
        }
        Ok(Self {
            conditions: read.conditions,
            scatter: read.scatter,
            job,
            data,
        })
    }

    fn written(&self) -> KnownJob {
        let job = &self.job;
        let captures = self.data.iter().enumerate();
        KnownJob {
            scatter: self.scatter,
            conditions: self.conditions.clone(),
            cartridge: job.cartridges.clone(),
            record: job.records.clone(),
            chain: job.chains.clone(),
            arm: job.arms.clone(),
            setup: job.setups.clone(),
            capture: captures
                .map(|(at, data)| KnownCapture::new(job, at, data))
                .collect(),
        }
    }

    /// Those captures that are `wanted`.
    fn of(&self, wanted: impl Fn(usize) -> bool) -> Self {
        let data = self.data.iter().enumerate();
        let data = data.filter(|(at, _)| wanted(*at));
        Self {
            data: data.map(|(_, d)| d.clone()).collect(),
            job: with_objects(&self.job, &wanted),
            ..self.clone()
        }
    }

    /// The objects that a capture was made with, each with its kind: `record.A`.
    fn things(&self, capture: &CaptureSpec) -> Vec<String> {
        let setup = self.job.setups.get(&capture.setup);
        let arm = setup.and_then(Setup::arm_name);
        let of = [
            ("record", Some(&capture.record)),
            ("cartridge", setup.map(|s| &s.cartridge)),
            ("chain", Some(&capture.chain)),
            ("arm", arm),
        ];
        let of = of.into_iter();
        of.filter_map(|(kind, name)| Some(format!("{kind}.{}", name?)))
            .collect()
    }
}

impl Knowledge {
    /// Reads the text of a knowledge file; `file` serves the messages.
    pub fn parse(text: &str, file: &str) -> Result<Self, KnowledgeError> {
        let refuse = |reason: &str| KnowledgeError::Content {
            file: file.to_owned(),
            reason: reason.to_owned(),
        };
        let table: Option<toml::Table> = text.parse().ok();
        let format = table.as_ref().and_then(|t| t.get("format")?.as_integer());
        let kind = table.as_ref().and_then(|t| t.get("kind")?.as_str());
        if (format, kind) == (Some(1), Some(KIND)) {
            return Err(refuse(
                "format 1 held values with priors included, which would count again with each file; export it again from its job",
            ));
        }
        let read: KnowledgeFile =
            toml::from_str(text).map_err(|e| refuse(&without_content(e.message())))?;
        let content = text.split_once('\n').map_or("", |(_, rest)| rest);
        if read
            .sha256
            .is_some_and(|hash| hash != content_hash(content))
        {
            return Err(refuse(
                "its content does not match its sha256, so it was truncated or changed after it was written; copy it again, or export it again from its job",
            ));
        }
        if read.format != FORMAT || read.kind != KIND {
            return Err(refuse("it has another format or kind"));
        }
        let parts: Result<Vec<KnowledgePart>, String> =
            read.job.into_iter().map(KnowledgePart::new).collect();
        Ok(Self {
            source: file.to_owned(),
            parts: parts.map_err(|reason| refuse(&reason))?,
        })
    }

    /// The text of its file.
    pub fn to_text(&self) -> String {
        let file = KnowledgeFile {
            sha256: None,
            format: FORMAT,
            kind: KIND.to_owned(),
            job: self.parts.iter().map(KnowledgePart::written).collect(),
        };
        // tables of finite numbers and text always have a TOML form
        let text = toml::to_string(&file).unwrap_or_default();
        format!("sha256 = \"{}\"\n{text}", content_hash(&text))
    }

    /// Each of its jobs by itself.
    pub(super) fn jobs(&self) -> Vec<Self> {
        let several = self.parts.len() > 1;
        let parts = self.parts.iter().enumerate();
        let source = |k: usize| match several {
            true => format!("{}, job {}", self.source, k + 1),
            false => self.source.clone(),
        };
        parts
            .map(|(k, part)| Self {
                source: source(k),
                parts: vec![part.clone()],
            })
            .collect()
    }

    /// Its captures.
    pub fn captures(&self) -> impl Iterator<Item = (&CaptureSpec, &CaptureData)> {
        let parts = self.parts.iter();
        parts.flat_map(|part| part.job.captures.iter().zip(&part.data))
    }

    /// The objects that its captures were made with, each with its kind: `record.A`.
    pub fn objects(&self) -> BTreeSet<String> {
        let parts = self.parts.iter();
        let things = |part: &KnowledgePart| {
            let captures = part.job.captures.iter();
            captures.flat_map(|c| part.things(c)).collect::<Vec<_>>()
        };
        parts.flat_map(things).collect()
    }

    /// The captures made with one of these objects: each a kind (`record`), or a kind and a name
    /// (`record.A`).
    ///
    /// # Errors
    ///
    /// When there is none with one of them.
    pub fn only(&self, wanted: &[String]) -> Result<Self, KnowledgeError> {
        let is = |thing: &str, wanted: &str| {
            thing == wanted
                || thing
                    .split_once('.')
                    .is_some_and(|(kind, _)| kind == wanted)
        };
        let things = self.objects();
        if let Some(none) = wanted.iter().find(|w| !things.iter().any(|t| is(t, w))) {
            return Err(KnowledgeError::Nothing {
                file: self.source.clone(),
                wanted: shown(none),
                known: Vec::from_iter(things).join(", "),
            });
        }
        let of = |part: &KnowledgePart| {
            part.of(|at| {
                let things = part.things(&part.job.captures[at]);
                things.iter().any(|t| wanted.iter().any(|w| is(t, w)))
            })
        };
        let parts = self.parts.iter().map(of);
        Ok(Self {
            source: self.source.clone(),
            parts: parts.filter(|part| !part.data.is_empty()).collect(),
        })
    }

    /// The captures of all of them.
    ///
    /// # Errors
    ///
    /// When two hold the same capture.
    pub fn sum(list: &[Self]) -> Result<Self, KnowledgeError> {
        refuse_duplicates(list)?;
        let mut parts: Vec<KnowledgePart> = list.iter().flat_map(|k| k.parts.clone()).collect();
        // by their hashes, so that the order of the list changes nothing
        let hashes = |part: &KnowledgePart| {
            part.data
                .iter()
                .map(|d| d.sha256.clone())
                .collect::<Vec<_>>()
        };
        parts.sort_by_cached_key(hashes);
        Ok(Self {
            source: String::new(),
            parts,
        })
    }

    /// Renames a record, cartridge or chain to a name not in use.
    pub(super) fn rename(&mut self, kind: &str, name: &str) {
        let other = format!("{name} of '{}'", self.source);
        let rename = |used: &mut String| {
            if used == name {
                used.clone_from(&other);
            }
        };
        for KnowledgePart { job, .. } in &mut self.parts {
            match kind {
                "record" => {
                    job.captures.iter_mut().for_each(|c| rename(&mut c.record));
                    moved(&mut job.records, name, &other);
                }
                "cartridge" => {
                    job.setups
                        .values_mut()
                        .for_each(|s| rename(&mut s.cartridge));
                    moved(&mut job.cartridges, name, &other);
                }
                _ => {
                    job.captures.iter_mut().for_each(|c| rename(&mut c.chain));
                    moved(&mut job.chains, name, &other);
                }
            }
        }
    }
}

/// Moves the entry `name` to another name.
fn moved<T>(map: &mut BTreeMap<String, T>, name: &str, other: &str) {
    if let Some(thing) = map.remove(name) {
        map.insert(other.to_owned(), thing);
    }
}

/// Refuses a setup of `job` that its included files list only with other mounting days: a mistyped day would
/// make it a separate setup.
///
/// # Errors
///
/// The setup, and what is wrong, in words.
pub(super) fn check_mounting_days(job: &Job) -> Result<(), (String, String)> {
    for (name, setup) in &job.setups {
        let Some(day) = &setup.mounted else { continue };
        let parts = job.knowledge.iter().flat_map(|k| &k.parts);
        let same = parts.filter_map(|part| part.job.setups.get(name)?.mounted.as_ref());
        let days: BTreeSet<&String> = same.collect();
        if days.is_empty() || days.contains(day) {
            continue;
        }
        let known: Vec<&str> = days.into_iter().map(String::as_str).collect();
        return Err((
            name.clone(),
            format!(
                "setup '{name}' is stated as mounted on {day}, but the included files have it mounted on {}: correct 'mounted', or rename the setup if it was remounted",
                known.join(", ")
            ),
        ));
    }
    Ok(())
}

/// Describes the records, cartridges and chains of included captures in a job that has no captures of its own,
/// as far as it does not itself.
pub(super) fn describe_included(job: &mut Job) {
    if !job.captures.is_empty() {
        return;
    }
    for known in job.knowledge.iter().flat_map(|k| &k.parts) {
        fill(&mut job.records, &known.job.records);
        fill(&mut job.cartridges, &known.job.cartridges);
        fill(&mut job.chains, &known.job.chains);
    }
}

fn fill<T: Clone>(own: &mut BTreeMap<String, T>, known: &BTreeMap<String, T>) {
    for (name, thing) in known {
        own.entry(name.clone()).or_insert_with(|| thing.clone());
    }
}

/// Whether included files of `job` have captures of a setup that stayed mounted.
pub(super) fn continues_mounting(job: &Job, setup: &str) -> bool {
    let mounted = |job: &Job| job.setups.get(setup)?.mounted.clone();
    let mut parts = job.knowledge.iter().flat_map(|k| &k.parts);
    mounted(job).is_some_and(|day| parts.any(|part| mounted(&part.job).as_ref() == Some(&day)))
}

/// Stated figures that differ between a job and its included files for objects of one name.
pub(super) fn conflicting_figures(job: &Job) -> Vec<Caveat> {
    let mut first: BTreeMap<_, (f64, &str)> = BTreeMap::new();
    let parts = job.knowledge.iter();
    let parts = parts.flat_map(|k| k.parts.iter().map(|part| (k.source.as_str(), &part.job)));
    let mut caveats = Vec::new();
    for (source, job) in std::iter::once(("this job", job)).chain(parts) {
        for (kind, name, what, unit, value) in job.stated_figures() {
            let &mut (known, other) = first.entry((kind, name, what)).or_insert((value, source));
            if known != value {
                let [known, value] = [known, value].map(|v| written(v / unit.0));
                caveats.push(Warning::StatedOtherwise.seen(format!(
                    "{what} of {}: {known} {} by {other} and {value} by {source}; the first counts. Correct the wrong one, or give different things different names",
                    network::named(kind, name),
                    unit.1
                )));
            }
        }
    }
    caveats
}

/// Refuses a capture that two of them hold.
///
/// # Errors
///
/// The first such capture.
pub(super) fn refuse_duplicates(list: &[Knowledge]) -> Result<(), KnowledgeError> {
    let mut seen: BTreeMap<&String, usize> = BTreeMap::new();
    for (at, known) in list.iter().enumerate() {
        for (n, (capture, data)) in known.captures().enumerate() {
            let Some(hash) = &data.sha256 else { continue };
            let first = *seen.entry(hash).or_insert(at);
            if first != at {
                return Err(KnowledgeError::Twice {
                    first: list[first].source.clone(),
                    second: known.source.clone(),
                    capture: capture.describe(n),
                });
            }
        }
    }
    Ok(())
}

/// Identifier of a capture: the SHA-256 of its recording; of a given delay, that of its
/// description in the job.
fn key(job: &Job, at: usize, data: &CaptureData) -> Option<String> {
    let spec = job.captures.get(at)?;
    let given = || {
        let cartridge = &job.setups.get(&spec.setup)?.cartridge;
        let words = (
            (cartridge, &spec.setup, &spec.record, &spec.chain),
            (spec.radius, spec.rpm, spec.turn, spec.swapped),
            job.capture_date(spec),
        );
        let mut hash = Sha256::new_with_prefix(format!("{words:?}"));
        let numbers = data.information.matrix.iter();
        for number in numbers.chain(&data.information.vector) {
            hash.update(number.to_le_bytes());
        }
        Some(hexadecimal(&hash.finalize()))
    };
    data.sha256.clone().or_else(given)
}

impl Job {
    /// The job's own captures, for later jobs: `data` as given to [`solve`](super::solve).
    pub fn knowledge(&self, data: &[Option<CaptureData>]) -> Knowledge {
        let read = |at: usize| data.get(at).and_then(Option::as_ref);
        let captures = (0..self.captures.len()).filter_map(|at| Some((at, read(at)?)));
        let data_of = |(at, of): (usize, &CaptureData)| CaptureData {
            sha256: key(self, at, of),
            caveats: Vec::new(),
            evidence: None,
            ..of.clone()
        };
        let mut job = with_objects(self, |at| read(at).is_some());
        for capture in &mut job.captures {
            capture.date = self.capture_date(capture).cloned();
        }
        let part = KnowledgePart {
            conditions: basis::stated(self),
            scatter: Scatter::between_drops(self, data).deviation(),
            job,
            data: captures.map(data_of).collect(),
        };
        Knowledge {
            source: String::new(),
            parts: vec![part],
        }
    }
}
