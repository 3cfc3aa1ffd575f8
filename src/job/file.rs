//! The job file: TOML, `format = 1`.

mod bands;
mod level;
mod pass;

pub use level::TestBand;

use super::calibration::FEWEST_REPEATS;
use super::description::{
    Alignment, ArmOf, CaptureSpec, Cartridge, Chain, Estimate, INSTRUMENT, Job, Limits, Means,
    Minutes, PivotedArm, REPORT, Record, Setup, Source, Stated,
};
use super::knowledge::{
    Knowledge, KnowledgeError, counted_once, described_as_known, mounted_as_known, stated_otherwise,
};
use super::network::CaptureData;
use super::priors;
use crate::analysis::{self, AnalysisError, Request, Through};
use crate::capture;
use crate::chain::{CUTTER_SEPARATIONS_DB, Calibration};
use crate::delay::phase::PhaseTerm;
use crate::document::TomlKind;
use crate::groove::{Arm, CONTACT_SPACINGS_UM, FRONTAL_RADII_UM, Profile, SIDE_RADII_UM, Tip};
use crate::outside::{self, ReadError};
use crate::uncertainty::{Caveat, Level, Warning};
use crate::units::{DEGREE, MICROMETRE, MICROSECOND, MILLIMETRE, nominal_rpm, parse_rpm, written};
use bands::Parts;
use serde_spanned::Spanned;
use std::collections::BTreeMap;
use std::f64::consts::FRAC_PI_4;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use thiserror::Error;
use toml::de::{DeTable, DeValue};

/// Henry in a millihenry, ohm in a kiloohm, farad in a picofarad.
const MILLIHENRY: f64 = 1e-3;
const KILOOHM: f64 = 1e3;
const PICOFARAD: f64 = 1e-12;

/// Standard uncertainties understood, in the unit of the key: a femtosecond or
/// a femtometre is below everything measured here, a million of any unit above
/// every range of values. Their squares stay far from the ends of a double.
const UNCERTAINTIES: RangeInclusive<f64> = 1e-9..=1e6;

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
    /// The same where `text` is plainly another file of this program's, which then is said.
    fn of_other_kind(self, text: &str) -> Self {
        match (self, TomlKind::of(text)) {
            (
                Self::Content {
                    path,
                    line,
                    message,
                },
                Some(kind),
            ) if kind != TomlKind::Job => Self::Content {
                path,
                line,
                message: format!("{message}. This file is no job: {kind}"),
            },
            (error, _) => error,
        }
    }
}

/// Reads a job file and the knowledge files that it includes.
pub fn read(path: &Path) -> Result<Job, JobFileError> {
    let shown = path.to_string_lossy().replace('\\', "/");
    let text = read_text(path, &shown)?;
    let parsed = parse_with_includes(&text, &shown);
    let (mut job, includes) = parsed.map_err(|e| e.of_other_kind(&text))?;
    let count = includes.len();
    let mut lines = Vec::new();
    for (line, include) in includes {
        let content = |message: String| JobFileError::Content {
            path: shown.clone(),
            line,
            message,
        };
        if count > MOST_INCLUDES {
            return Err(content(format!(
                "the job includes {count} files; the most is {MOST_INCLUDES}: solve their captures in jobs of their own and include what those learned"
            )));
        }
        let resolved = resolve(path, &include);
        let text = outside::read_text(&resolved)
            .map_err(|e| content(format!("cannot include '{}': {e}", include.display())))?;
        let knowledge = Knowledge::parse(&text, &include.to_string_lossy())
            .map_err(|e| content(e.to_string()))?;
        job.knowledge.push(knowledge);
        lines.push(line);
    }
    described_as_known(&mut job);
    counted_once(&job.knowledge).map_err(|e| JobFileError::Content {
        path: shown.clone(),
        line: match &e {
            KnowledgeError::Twice { second, .. } => {
                let at = job.knowledge.iter().rposition(|k| k.source == *second);
                at.map_or(1, |at| lines[at])
            }
            _ => 1,
        },
        message: e.to_string(),
    })?;
    mounted_as_known(&job).map_err(|(setup, message)| {
        let place = text.find(&format!("setup.{setup}")).unwrap_or(0);
        JobFileError::Content {
            path: shown.clone(),
            line: 1 + text[..place].matches('\n').count(),
            message,
        }
    })?;
    Ok(job)
}

/// Most files that a job includes: the records of a large collection, each qualified by a job
/// of its own. Common practice, no source.
const MOST_INCLUDES: usize = 1000;

/// Every file that a job is made of, itself among them.
pub fn inputs(job: &Job, job_file: &Path) -> Vec<PathBuf> {
    let includes = job.knowledge.iter().map(|k| Path::new(&k.source));
    let calibrations = job.chains.values().flat_map(|c| &c.calibrations);
    let recordings = job.captures.iter().filter_map(|c| match &c.source {
        Source::File(file) => Some(file.as_path()),
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

/// What is needed to read one recording of a job.
pub struct Reading<'a> {
    /// The capture.
    pub capture: &'a CaptureSpec,
    /// Its recording, relative to the working directory.
    pub path: PathBuf,
    /// The calibration of its chain.
    pub through: Option<Through<'a>>,
    /// Terms of the cartridge's inductance against the chain's load.
    pub load_terms: Vec<PhaseTerm>,
}

impl Reading<'_> {
    /// Reads the recording: what it says of the delay, tracing and the chain taken out.
    /// `progress` is told the fraction done.
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
        let analysis = analysis::analyse_through(&request, self.through, progress)?;
        Ok(CaptureData::of(&analysis))
    }
}

/// Data of every capture of a job: given delays as they are, recordings
/// through `read_recording`, nothing for planned ones. Calibrations of chains
/// are read, and the priors that they make obsolete are replaced in `job`; what
/// that says, and what marks and tones in the recordings say against the job, comes
/// back beside the data. What cannot be read is named with its line in the job file.
pub fn gather<E: std::fmt::Display>(
    job: &mut Job,
    job_file: &Path,
    read_recording: impl Fn(&Reading<'_>) -> Result<CaptureData, E>,
) -> Result<(Vec<Option<CaptureData>>, Vec<Caveat>), JobFileError> {
    let calibrations =
        super::calibrations(job, job_file).map_err(|e| JobFileError::Calibration {
            path: job_file.to_string_lossy().replace('\\', "/"),
            reason: e.to_string(),
        })?;
    let mut caveats = bands::locate(job, job_file)?;
    caveats.extend(bands::levels(job, job_file)?);
    caveats.extend(pass::read(job, job_file, &calibrations)?);
    let data = recordings(job, job_file, &calibrations, read_recording)?;
    caveats.extend(stated_otherwise(job));
    caveats.extend(super::replace_priors(job, &calibrations));
    Ok((data, caveats))
}

fn recordings<E: std::fmt::Display>(
    job: &Job,
    job_file: &Path,
    calibrations: &BTreeMap<String, Calibration>,
    read_recording: impl Fn(&Reading<'_>) -> Result<CaptureData, E>,
) -> Result<Vec<Option<CaptureData>>, JobFileError> {
    job.captures
        .iter()
        .enumerate()
        .map(|(at, spec)| match &spec.source {
            Source::Planned => Ok(None),
            Source::Delay(d) => Ok(Some(CaptureData::of_delay(d.value, d.u))),
            Source::File(file) => {
                let content = |message: String| JobFileError::Content {
                    path: job_file.to_string_lossy().replace('\\', "/"),
                    line: spec.line.unwrap_or(1),
                    message,
                };
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
                read_recording(&Reading {
                    capture: spec,
                    path: resolved,
                    through: calibration.map(|calibration| Through {
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

fn read_text(path: &Path, shown: &str) -> Result<String, JobFileError> {
    outside::read_text(path).map_err(|e| match e {
        ReadError::NotText(line) => JobFileError::Content {
            path: shown.to_owned(),
            line,
            message:
                "not text in UTF-8; save it as UTF-8, or give the job file instead of a recording"
                    .to_owned(),
        },
        ReadError::TooLong => JobFileError::Read {
            path: shown.to_owned(),
            reason: format!("{e} A recording is named in a job, or given to `groovelag measure`"),
        },
        e => JobFileError::Read {
            path: shown.to_owned(),
            reason: e.to_string(),
        },
    })
}

/// Reads a file that holds nothing but `format = 1` and `[limits]`: what a
/// folder gives to the jobs below it. Paths in it are relative to it.
pub fn read_limits(path: &Path) -> Result<Limits, JobFileError> {
    let shown = path.to_string_lossy().replace('\\', "/");
    let text = read_text(path, &shown)?;
    let text = without_mark(&text);
    let starts = line_starts(text);
    let source = SourceText {
        text,
        path: &shown,
        starts: &starts,
    };
    let table = source.table()?;
    let mut top = source.fields(
        "a folder's defaults",
        table.get_ref(),
        0,
        &["format", "limits"],
    )?;
    top.format()?;
    match top.table("limits", LIMITS_KEYS)? {
        Some(mut f) => limits(&mut f),
        None => Ok(Limits::default()),
    }
}

/// Reads the text of a job file; `path` serves the messages.
pub fn parse(text: &str, path: &str) -> Result<Job, JobFileError> {
    Ok(parse_with_includes(text, path)?.0)
}

type Includes = Vec<(usize, PathBuf)>;

fn parse_with_includes(text: &str, path: &str) -> Result<(Job, Includes), JobFileError> {
    let text = without_mark(text);
    let starts = line_starts(text);
    let source = SourceText {
        text,
        path,
        starts: &starts,
    };
    let table = source.table()?;
    let mut top = source.fields("the job", table.get_ref(), 0, &JOB_KEYS)?;
    top.format()?;
    let mut job = Job {
        title: top.text("title")?,
        operator: top.text("operator")?,
        date: top.text("date")?,
        note: top.text("note")?,
        ..Job::default()
    };
    let includes = top
        .texts("include")?
        .into_iter()
        .map(|(line, text)| (line, PathBuf::from(text)))
        .collect();
    for (name, mut f) in top.named("cartridge", CARTRIDGE_KEYS)? {
        job.cartridges.insert(name, cartridge(&mut f)?);
    }
    for (name, mut f) in top.named("record", RECORD_KEYS)? {
        job.records.insert(name, record(&mut f)?);
    }
    for (name, mut f) in top.named("chain", CHAIN_KEYS)? {
        job.chains.insert(name, chain(&mut f)?);
    }
    for (name, mut f) in top.named("arm", ARM_KEYS)? {
        job.arms.insert(name, arm(&mut f)?);
    }
    let mut references = Vec::new();
    let mut setups = Vec::new();
    for (name, mut f) in top.named("setup", SETUP_KEYS)? {
        let cartridge = f.reference("cartridge", &mut references)?;
        let setup = Setup {
            cartridge: cartridge.unwrap_or_default(),
            arm: arm_of(&mut f, &job.arms, &mut references)?,
            rotation: f.quantity("rotation_deg", DEGREE, -60.0..=60.0)?,
            mounting: f.quantity("mounting_deg", DEGREE, -60.0..=60.0)?,
            alignment: f.choice(
                "aligned",
                &[
                    ("gauge", Alignment::Gauge),
                    ("eye", Alignment::Eye),
                    ("unknown", Alignment::Unknown),
                ],
            )?,
            full_scale: f.quantity("full_scale_cm_s", 0.01, 0.1..=10_000.0)?,
            hours: f.number("hours", PLAYED_HOURS)?,
            date: f.date("date")?,
            mounted: f.date("mounted")?,
        };
        job.setups.insert(name.clone(), setup);
        setups.push((name, f));
    }
    if let Some(mut f) = top.table("limits", LIMITS_KEYS)? {
        job.limits = limits(&mut f)?;
    }
    if let Some(mut f) = top.table("plan", PLAN_KEYS)? {
        job.means = means(&mut f)?;
    }
    if let Some(mut f) = top.table("report", REPORT_KEYS)? {
        job.report = texts_by_key(&mut f, REPORT_KEYS)?;
    }
    for mut f in top.tables("instrument", INSTRUMENT_KEYS)? {
        if !f.has("name") {
            return Err(f.missing("name"));
        }
        job.instruments.push(texts_by_key(&mut f, INSTRUMENT_KEYS)?);
    }
    let mut parts = Vec::new();
    for mut f in top.tables("capture", CAPTURE_KEYS)? {
        parts.push(Parts::read(&mut f)?);
        job.captures.push(capture(&mut f, &mut references)?);
    }
    complete(&mut job);
    hours_of_all(&setups, &job)?;
    for reference in references {
        reference.check(&source, &job)?;
    }
    missing_names(&source, &job)?;
    let (mut captures, mut test_bands) = (Vec::new(), Vec::new());
    for (spec, parts) in job.captures.iter().zip(&parts) {
        match parts {
            Parts::Bands(bands) => {
                let (of_bands, others) = bands.captures(spec, &job)?;
                captures.extend(of_bands);
                test_bands.extend(others);
            }
            Parts::Stretches(stretches) => captures.extend(stretches.captures(spec)?),
            Parts::Whole => captures.push(spec.clone()),
        }
    }
    (job.captures, job.test_bands) = (captures, test_bands);
    Ok((job, includes))
}

/// Hours that a stylus is played: three times as long as one usually lasts (1000 h; common practice, no source).
const PLAYED_HOURS: RangeInclusive<f64> = 0.0..=3000.0;

/// Refuses hours of some setups of a cartridge alone: the others would count as played for none.
fn hours_of_all(setups: &[(String, Fields<'_>)], job: &Job) -> Result<(), JobFileError> {
    let stated = job.setups.iter().rev().filter(|(_, s)| s.hours.is_some());
    let stated: BTreeMap<&str, &String> = stated
        .map(|(name, s)| (s.cartridge.as_str(), name))
        .collect();
    for (name, fields) in setups {
        let setup = &job.setups[name];
        if setup.hours.is_some() {
            continue;
        }
        if let Some(other) = stated.get(setup.cartridge.as_str()) {
            return Err(fields.here(&format!(
                "setup '{other}' of the same cartridge states its hours and this one does not; state 'hours' of all its setups, or of none"
            )));
        }
    }
    Ok(())
}

/// What a job begins with, before its parts.
pub(crate) const HEADER_KEYS: [&str; 6] =
    ["format", "title", "operator", "date", "note", "include"];
const JOB_KEYS: [&str; 16] = {
    let [format, title, operator, date, note, include] = HEADER_KEYS;
    [
        format,
        title,
        operator,
        date,
        note,
        "report",
        "instrument",
        include,
        "cartridge",
        "record",
        "chain",
        "arm",
        "setup",
        "limits",
        "plan",
        "capture",
    ]
};
const CARTRIDGE_KEYS: &[&str] = &[
    "profile",
    "frontal_radius_um",
    "side_radius_um",
    "contact_spacing_um",
    "ball_lever_um",
    "wear_um_per_1000_h",
    "crosstalk_db",
    "skew_us",
    "inductance_mh",
    "holes_to_stylus_mm",
    "serial",
];
const RECORD_KEYS: &[&str] = &[
    "cut_rotation_deg",
    "lathe_offset_mm",
    "skew_us",
    "cut_rpm",
    "groove_angle_deg",
    "cutter_separation_db",
    "session",
    "label",
    "side",
    "band",
];
const CHAIN_KEYS: &[&str] = &[
    "skew_us",
    "component_tolerance",
    "load_kohm",
    "load_pf",
    "calibration",
    "stability_us",
];
const ARM_KEYS: &[&str] = &["effective_length_mm", "pivot_to_spindle_mm", "offset_deg"];
const SETUP_KEYS: &[&str] = &[
    "cartridge",
    "arm",
    "rotation_deg",
    "mounting_deg",
    "aligned",
    "full_scale_cm_s",
    "hours",
    "date",
    "mounted",
];
const LIMITS_KEYS: &[&str] = &[
    "tolerance_deg",
    "tolerance_source",
    "max_turn_deg",
    "standard_uncertainty_deg",
    "warning_level",
    "expected_deg",
    "baseline",
];
const PLAN_KEYS: &[&str] = &[
    "spherical_cartridges",
    "record_sides",
    "other_speed",
    "swapped_leads",
    "turn",
    "calibration",
    "minutes",
];
const MINUTES_KEYS: &[&str] = &[
    "recording",
    "leads",
    "turn",
    "mounting",
    "calibration",
    "reading",
];
const REPORT_KEYS: &[&str] = &first_of_each::<{ REPORT.len() }>(REPORT);
const INSTRUMENT_KEYS: &[&str] = &first_of_each::<{ INSTRUMENT.len() }>(INSTRUMENT);

const fn first_of_each<const N: usize>(
    pairs: &[(&'static str, &'static str)],
) -> [&'static str; N] {
    let mut keys = [""; N];
    let mut k = 0;
    while k < N {
        keys[k] = pairs[k].0;
        k += 1;
    }
    keys
}

/// The texts of a table that has nothing else.
fn texts_by_key(
    f: &mut Fields<'_>,
    keys: &[&str],
) -> Result<BTreeMap<String, String>, JobFileError> {
    let mut texts = BTreeMap::new();
    for key in keys {
        if let Some(text) = f.text(key)? {
            texts.insert((*key).to_owned(), text);
        }
    }
    Ok(texts)
}

const CAPTURE_KEYS: &[&str] = &[
    "file",
    "delay_us",
    "planned",
    "setup",
    "record",
    "chain",
    "radius_mm",
    "rpm",
    "turn_deg",
    "leads",
    "channels",
    "from_s",
    "to_s",
    "date",
    "bands",
    "stretches",
    "note",
];

fn cartridge(f: &mut Fields<'_>) -> Result<Cartridge, JobFileError> {
    let profile = f.choice(
        "profile",
        &[
            ("spherical", Profile::Spherical),
            ("elliptical", Profile::Elliptical),
            ("line", Profile::Line),
        ],
    )?;
    // both may be the other: that is told below
    let radii = *SIDE_RADII_UM.start()..=*FRONTAL_RADII_UM.end();
    let cartridge = Cartridge {
        profile,
        frontal_radius: f.quantity("frontal_radius_um", MICROMETRE, radii.clone())?,
        side_radius: f.quantity("side_radius_um", MICROMETRE, radii)?,
        contact_spacing: f.quantity("contact_spacing_um", MICROMETRE, CONTACT_SPACINGS_UM)?,
        ball_lever: f.quantity("ball_lever_um", MICROMETRE, -10.0..=10.0)?,
        wear: f.quantity("wear_um_per_1000_h", priors::WEAR.factor, 0.0..=100.0)?,
        crosstalk_db: f.number("crosstalk_db", -120.0..=-1.0)?,
        skew: f.quantity("skew_us", MICROSECOND, -1000.0..=1000.0)?,
        inductance: f.quantity("inductance_mh", MILLIHENRY, 0.0..=10_000.0)?,
        holes_to_stylus: f
            .number("holes_to_stylus_mm", -30.0..=30.0)?
            .map(|mm| mm * MILLIMETRE),
        serial: f.text("serial")?,
        ..Cartridge::default()
    };
    for (key, profiles) in [
        (
            "frontal_radius_um",
            &[None, Some(Profile::Spherical), Some(Profile::Elliptical)][..],
        ),
        (
            "side_radius_um",
            &[None, Some(Profile::Elliptical), Some(Profile::Line)],
        ),
        ("contact_spacing_um", &[Some(Profile::Line)]),
        ("ball_lever_um", &[Some(Profile::Spherical)]),
        (
            "wear_um_per_1000_h",
            &[None, Some(Profile::Elliptical), Some(Profile::Line)],
        ),
    ] {
        if f.has(key) && !profiles.contains(&profile) {
            return Err(f.error(key, &format!(
                "'{key}' does not describe this profile; a spherical tip has frontal_radius_um and ball_lever_um, an elliptical one frontal_radius_um and side_radius_um, a line contact contact_spacing_um and side_radius_um; what has a side radius may have wear_um_per_1000_h"
            )));
        }
    }
    let lever = |profile, size: Stated| {
        let size = [size.value?, cartridge.side_radius.value?, 0.0];
        Some(Tip { profile, size }.lever(FRAC_PI_4).length)
    };
    if lever(Profile::Elliptical, cartridge.frontal_radius).is_some_and(|l| l < 0.0) {
        return Err(f.error(
            "side_radius_um",
            "the side radius exceeds the frontal radius; have the two been exchanged?",
        ));
    }
    f.quantity("frontal_radius_um", MICROMETRE, FRONTAL_RADII_UM)?;
    f.quantity("side_radius_um", MICROMETRE, SIDE_RADII_UM)?;
    if lever(Profile::Line, cartridge.contact_spacing).is_some_and(|l| l <= 0.0) {
        return Err(f.error(
            "contact_spacing_um",
            "the contact spacing does not exceed the side radius by a line contact's measure (the square root of two); have the two been exchanged?",
        ));
    }
    Ok(cartridge)
}

fn record(f: &mut Fields<'_>) -> Result<Record, JobFileError> {
    Ok(Record {
        cut_rotation: f.quantity("cut_rotation_deg", DEGREE, -30.0..=30.0)?,
        lathe_offset: f.quantity("lathe_offset_mm", MILLIMETRE, -10.0..=10.0)?,
        skew: f.quantity("skew_us", MICROSECOND, -1000.0..=1000.0)?,
        cut_rpm: f.rpm("cut_rpm")?.value,
        groove_angle: f.quantity("groove_angle_deg", DEGREE, 30.0..=150.0)?,
        cutter_separation_db: f.number("cutter_separation_db", CUTTER_SEPARATIONS_DB)?,
        session: f.text("session")?,
        label: f.text("label")?,
        side: f.text("side")?,
        bands: bands::described(f)?,
    })
}

fn chain(f: &mut Fields<'_>) -> Result<Chain, JobFileError> {
    let calibrations = f.paths("calibration")?;
    if f.has("calibration") && calibrations.is_empty() {
        return Err(f.wrong("calibration", "a file, or a list of files"));
    }
    let stability = f.number("stability_us", 0.0..=100.0)?;
    if stability.is_some() && calibrations.is_empty() {
        return Err(f.error(
            "stability_us",
            "'stability_us' is how much the skew changes after a calibration, and none is named; name it as 'calibration', or state the skew with its uncertainty as skew_us",
        ));
    }
    if calibrations.len() > 1 && (stability.is_some() || calibrations.len() < FEWEST_REPEATS) {
        return Err(f.error(
            "calibration",
            &format!("several calibrations tell how much the chain changes between them, for which it takes {FEWEST_REPEATS}, oldest first; of fewer, name the last one alone and state 'stability_us', the standard uncertainty of that change"),
        ));
    }
    Ok(Chain {
        skew: f.quantity("skew_us", MICROSECOND, -10_000.0..=10_000.0)?,
        component_tolerance: f.number("component_tolerance", 1e-9..=0.5)?,
        load_resistance: f.quantity("load_kohm", KILOOHM, 0.001..=10_000.0)?,
        load_capacitance: f.quantity("load_pf", PICOFARAD, 0.0..=100_000.0)?,
        calibrations,
        stability: stability.map(|us| us * MICROSECOND),
        beyond: None,
        corrected_by: None,
    })
}

/// Arms that need no dimensions, as a job names them.
const SPECIAL_ARMS: &[(&str, ArmOf)] = &[
    ("unknown", ArmOf::Unknown),
    ("tangential", ArmOf::Tangential),
    ("null-radius", ArmOf::NullRadius),
];

/// The arm of a setup: one that the job describes, or one of [`SPECIAL_ARMS`].
fn arm_of<'a>(
    f: &mut Fields<'a>,
    described: &BTreeMap<String, PivotedArm>,
    references: &mut Vec<Reference<'a>>,
) -> Result<ArmOf, JobFileError> {
    let named = f.text("arm")?.unwrap_or_default();
    let special = SPECIAL_ARMS.iter().find(|(name, _)| *name == named);
    match special {
        Some((_, arm)) if !described.contains_key(&named) => Ok(arm.clone()),
        _ => Ok(f
            .reference("arm", references)?
            .map_or(ArmOf::Unknown, ArmOf::Pivoted)),
    }
}

/// A table describes a pivoted arm; others are named by their setups.
fn arm(f: &mut Fields<'_>) -> Result<PivotedArm, JobFileError> {
    for key in ARM_KEYS {
        if !f.has(key) {
            return Err(f.missing(key));
        }
    }
    let arm = PivotedArm {
        effective_length: f.quantity("effective_length_mm", MILLIMETRE, 100.0..=1000.0)?,
        pivot_to_spindle: f.quantity("pivot_to_spindle_mm", MILLIMETRE, 50.0..=1000.0)?,
        offset: f.quantity("offset_deg", DEGREE, -60.0..=60.0)?,
    };
    let stated = |stated: Stated| stated.value.unwrap_or_default();
    let shape = Arm {
        effective_length: stated(arm.effective_length),
        pivot_to_spindle: stated(arm.pivot_to_spindle),
        offset: stated(arm.offset),
    };
    if !shape.is_consistent() {
        return Err(f.error(
            "effective_length_mm",
            "an arm with an offset angle reaches beyond the spindle, and this one is no longer than from pivot to spindle; have the two been exchanged?",
        ));
    }
    Ok(arm)
}

fn limits(f: &mut Fields<'_>) -> Result<Limits, JobFileError> {
    let degrees = |v: Option<f64>| v.map(|v| v * DEGREE);
    if f.has("tolerance_source") && !f.has("tolerance_deg") {
        return Err(f.error(
            "tolerance_source",
            "'tolerance_source' says where a tolerance comes from, and none is stated; state tolerance_deg beside it",
        ));
    }
    Ok(Limits {
        tolerance_source: f.text("tolerance_source")?,
        tolerance: degrees(f.number("tolerance_deg", 1e-6..=90.0)?),
        max_turn: degrees(f.number("max_turn_deg", 0.0..=90.0)?),
        standard_uncertainty: degrees(f.number("standard_uncertainty_deg", 1e-6..=90.0)?),
        warning_level: f.choice(
            "warning_level",
            &[
                ("note", Level::Note),
                ("caution", Level::Caution),
                ("serious", Level::Serious),
            ],
        )?,
        expected: match f.quantity("expected_deg", DEGREE, -60.0..=60.0)? {
            Stated { value: None, .. } => None,
            stated => Some(stated),
        },
        baseline: f.path("baseline")?,
    })
}

fn means(f: &mut Fields<'_>) -> Result<Means, JobFileError> {
    let mut flag = |key: &str| Ok(if f.has(key) { Some(f.flag(key)?) } else { None });
    let [other_speed, swapped_leads, turn, calibration] = [
        flag("other_speed")?,
        flag("swapped_leads")?,
        flag("turn")?,
        flag("calibration")?,
    ];
    let mut minutes = Minutes::default();
    if let Some(mut own) = f.table("minutes", MINUTES_KEYS)? {
        let each = [
            &mut minutes.recording,
            &mut minutes.leads,
            &mut minutes.turn,
            &mut minutes.mounting,
            &mut minutes.calibration,
            &mut minutes.reading,
        ];
        for (key, value) in MINUTES_KEYS.iter().zip(each) {
            *value = own.number(key, 0.0..=1440.0)?.unwrap_or(*value);
        }
    }
    Ok(Means {
        spherical_cartridges: f.count("spherical_cartridges", 0..=1000)?,
        record_sides: f.count("record_sides", 1..=1000)?,
        other_speed,
        swapped_leads,
        turn,
        calibration,
        minutes,
    })
}

fn capture<'a>(
    f: &mut Fields<'a>,
    references: &mut Vec<Reference<'a>>,
) -> Result<CaptureSpec, JobFileError> {
    let file = f.path("file")?;
    let planned = f.flag("planned")?;
    let delay = f.quantity("delay_us", MICROSECOND, -10_000.0..=10_000.0)?;
    let source = match (file, delay.value, planned) {
        (Some(file), None, false) if !file.as_os_str().is_empty() => Source::File(file),
        (None, Some(value), false) => match delay.u {
            Some(u) if u > 0.0 => Source::Delay(Estimate { value, u }),
            _ => return Err(f.error(
                "delay_us",
                "'delay_us' needs its standard uncertainty, greater than zero: delay_us = { value = 4.0, u = 0.005 }",
            )),
        },
        (None, None, true) => Source::Planned,
        _ => {
            return Err(f.here(
                "a capture has exactly one of: file = \"...\", delay_us = { value, u }, planned = true",
            ));
        }
    };
    // each of its bands has its own; stretches share one
    let (radius, radius_u) = match f.has("bands") {
        true => Default::default(),
        false => f.radius()?,
    };
    let rpm = f.rpm("rpm")?;
    if rpm.value.is_none() {
        return Err(f.missing("rpm"));
    }
    let from_s = f.time("from_s")?;
    let to_s = f.time("to_s")?;
    if let (Some(from), Some(to)) = (from_s, to_s)
        && from >= to
    {
        return Err(f.error("to_s", "to_s must be later than from_s"));
    }
    let mut reference =
        |f: &mut Fields<'a>, kind| f.reference(kind, references).map(Option::unwrap_or_default);
    Ok(CaptureSpec {
        source,
        band: None,
        setup: reference(f, "setup")?,
        record: reference(f, "record")?,
        chain: reference(f, "chain")?,
        radius,
        radius_u,
        rpm,
        turn: f.quantity("turn_deg", DEGREE, -60.0..=60.0)?,
        swapped: f
            .choice("leads", &[("normal", false), ("swapped", true)])?
            .unwrap_or(false),
        channels: f.channels()?,
        from_s,
        to_s,
        date: f.date("date")?,
        note: f.text("note")?,
        line: Some(f.line),
    })
}

/// Fills in what there is only one of: a name left out means the only object
/// of its kind, or an undescribed one where the job describes none.
fn complete(job: &mut Job) {
    fn only<T: Default>(map: &mut BTreeMap<String, T>, wanted: bool) -> Option<String> {
        if map.is_empty() && wanted {
            map.insert(String::new(), T::default());
        }
        match map.len() {
            1 => map.keys().next().cloned(),
            _ => None,
        }
    }
    let wanted = !job.captures.is_empty();
    let setup = only(&mut job.setups, wanted);
    let record = only(&mut job.records, wanted);
    let chain = only(&mut job.chains, wanted);
    let cartridge = only(&mut job.cartridges, !job.setups.is_empty());
    for s in job.setups.values_mut() {
        fill(&mut s.cartridge, &cartridge);
    }
    for c in &mut job.captures {
        fill(&mut c.setup, &setup);
        fill(&mut c.record, &record);
        fill(&mut c.chain, &chain);
    }
}

fn fill(name: &mut String, only: &Option<String>) {
    if let (true, Some(only)) = (name.is_empty(), only) {
        name.clone_from(only);
    }
}

/// Refuses names that are left out although there are several to choose from.
fn missing_names(source: &SourceText<'_>, job: &Job) -> Result<(), JobFileError> {
    for c in &job.captures {
        for (kind, name) in [
            ("setup", &c.setup),
            ("record", &c.record),
            ("chain", &c.chain),
        ] {
            if !job.has(kind, name) {
                return Err(JobFileError::Content {
                    path: source.path.to_owned(),
                    line: c.line.unwrap_or(1),
                    message: format!(
                        "this capture names no {kind}, and the job has several; add {kind} = one of: {}",
                        job.names(kind).join(", ")
                    ),
                });
            }
        }
    }
    for (name, setup) in &job.setups {
        if !job.cartridges.contains_key(&setup.cartridge) {
            let known = job.names("cartridge").join(", ");
            return Err(source.at(
                source.text.find(&format!("setup.{name}")).unwrap_or(0),
                &format!("setup '{name}' names no cartridge; add cartridge = one of: {known}"),
            ));
        }
    }
    Ok(())
}

impl Job {
    /// The names of all things of a kind.
    fn names(&self, kind: &str) -> Vec<&str> {
        fn keys<T>(map: &BTreeMap<String, T>) -> Vec<&str> {
            map.keys().map(String::as_str).collect()
        }
        match kind {
            "setup" => keys(&self.setups),
            "record" => keys(&self.records),
            "chain" => keys(&self.chains),
            "arm" => keys(&self.arms),
            _ => keys(&self.cartridges),
        }
    }

    /// Whether there is a thing of a kind and a name.
    fn has(&self, kind: &str, name: &str) -> bool {
        match kind {
            "setup" => self.setups.contains_key(name),
            "record" => self.records.contains_key(name),
            "chain" => self.chains.contains_key(name),
            "arm" => self.arms.contains_key(name),
            _ => self.cartridges.contains_key(name),
        }
    }
}

/// A name used, to be looked up once everything is read.
struct Reference<'a> {
    kind: &'static str,
    name: &'a str,
    at: usize,
}

impl Reference<'_> {
    fn check(&self, source: &SourceText<'_>, job: &Job) -> Result<(), JobFileError> {
        let (kind, name) = (self.kind, self.name);
        if job.has(kind, name) {
            return Ok(());
        }
        let advice = match nearest(name, job.names(kind).into_iter()) {
            Some(near) => format!("did you mean '{near}'? Otherwise add [{kind}.{name}]"),
            None => format!("add [{kind}.{name}]"),
        };
        let advice = match kind {
            "arm" => {
                let special: Vec<&str> = SPECIAL_ARMS.iter().map(|(name, _)| *name).collect();
                format!("{advice}, or write one of {}", special.join(", "))
            }
            _ => advice,
        };
        Err(source.at(
            self.at,
            &format!("there is no {kind} '{name}' in this job; {advice}"),
        ))
    }
}

/// The nearest of `known` by edit distance, if near enough to be a slip of
/// the pen: a third of the letters (common practice, no source).
fn nearest<'k>(word: &str, known: impl Iterator<Item = &'k str>) -> Option<&'k str> {
    known
        .map(|k| (strsim::damerau_levenshtein(word, k), k))
        .min()
        .filter(|&(distance, k)| distance <= 1 + k.chars().count() / 3)
        .map(|(_, k)| k)
}

#[derive(Clone, Copy)]
struct SourceText<'a> {
    text: &'a str,
    path: &'a str,
    /// Where lines begin, but for the first.
    starts: &'a [usize],
}

/// Editors on some systems start a file with a byte order mark.
fn without_mark(text: &str) -> &str {
    text.strip_prefix('\u{feff}').unwrap_or(text)
}

fn line_starts(text: &str) -> Vec<usize> {
    text.match_indices('\n').map(|(at, _)| at + 1).collect()
}

impl<'a> SourceText<'a> {
    fn table(&self) -> Result<Spanned<DeTable<'a>>, JobFileError> {
        DeTable::parse(self.text).map_err(|e| self.syntax(&e))
    }

    fn line(&self, at: usize) -> usize {
        1 + self.starts.partition_point(|start| *start <= at)
    }

    fn at(&self, at: usize, message: &str) -> JobFileError {
        JobFileError::Content {
            path: self.path.to_owned(),
            line: self.line(at),
            message: message.to_owned(),
        }
    }

    /// What the TOML parser says, with a hint for the usual slips.
    fn syntax(&self, error: &toml::de::Error) -> JobFileError {
        let at = error.span().map_or(0, |s| s.start);
        let line = self.text.lines().nth(self.line(at) - 1).unwrap_or("");
        let value = line.split_once('=').map_or("", |(_, v)| v.trim());
        let decimal_comma =
            crate::units::parse_number(value.split('#').next().unwrap_or("").trim(), "a number");
        let hint = if let Err(crate::units::QuantityError::DecimalComma(_, right)) = decimal_comma {
            format!("write a decimal point: {right}")
        } else if let Some(right) = self.comma_before(at) {
            format!("write a decimal point: {right}")
        } else if line.contains('\\') {
            "write paths with '/' or between single quotes".to_owned()
        } else {
            error.message().trim().replace('\n', "; ")
        };
        self.at(at, &format!("not valid TOML: {hint}"))
    }

    /// The number with a decimal point, if one with a decimal comma ends or
    /// stands at this place, as in `{ value = 18,5 }`.
    fn comma_before(&self, at: usize) -> Option<String> {
        let digit = |c: &char| c.is_ascii_digit();
        let (before, after) = self.text.split_at_checked(at)?;
        let last: String = before.chars().rev().take_while(digit).collect();
        let whole = before[..before.len() - last.len()].strip_suffix(',')?;
        let first: String = whole.chars().rev().take_while(digit).collect();
        let fraction = last.chars().rev().chain(after.chars().take_while(digit));
        let fraction: String = fraction.collect();
        if first.is_empty() || fraction.is_empty() {
            return None;
        }
        let first: String = first.chars().rev().collect();
        Some(format!("{first}.{fraction}"))
    }

    /// A table's fields; unknown keys are refused here.
    fn fields(
        self,
        context: &str,
        table: &'a DeTable<'a>,
        at: usize,
        known: &'static [&'static str],
    ) -> Result<Fields<'a>, JobFileError> {
        for key in table.keys() {
            let name: &str = key.get_ref();
            if !known.contains(&name) {
                let advice = match nearest(name, known.iter().copied()) {
                    Some(near) => format!("did you mean '{near}'?"),
                    None => format!("known here: {}", known.join(", ")),
                };
                let without_table = match known == ARM_KEYS {
                    true => {
                        "an arm without tracking error needs no table (write arm = \"tangential\" or \"null-radius\" in its setup); "
                    }
                    false => "",
                };
                let advice = format!("{without_table}{advice}");
                return Err(self.at(
                    key.span().start,
                    &format!("unknown key '{name}' in {context}; {advice}"),
                ));
            }
        }
        Ok(Fields {
            source: self,
            context: context.to_owned(),
            table,
            line: self.line(at),
        })
    }
}

struct Fields<'a> {
    source: SourceText<'a>,
    context: String,
    table: &'a DeTable<'a>,
    line: usize,
}

impl<'a> Fields<'a> {
    fn get(&self, key: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.table.get(key)
    }

    fn has(&self, key: &str) -> bool {
        self.get(key).is_some()
    }

    /// Refuses a file of another format.
    fn format(&mut self) -> Result<(), JobFileError> {
        match self.number("format", 0.0..=1e9)? {
            Some(1.0) => Ok(()),
            Some(other) => Err(self.error(
                "format",
                &format!("format = {other} is not known; this version reads format = 1"),
            )),
            None => Err(self
                .source
                .at(0, "the file starts with 'format = 1'; add that line")),
        }
    }

    /// An error at the table itself.
    fn here(&self, message: &str) -> JobFileError {
        JobFileError::Content {
            path: self.source.path.to_owned(),
            line: self.line,
            message: format!("{}: {message}", self.context),
        }
    }

    fn missing(&self, key: &str) -> JobFileError {
        self.here(&format!("'{key}' is missing; add it"))
    }

    /// An error at a key's value.
    fn error(&self, key: &str, message: &str) -> JobFileError {
        let at = self.get(key).map_or(0, |v| v.span().start);
        self.source.at(at, &format!("{}: {message}", self.context))
    }

    fn wrong(&self, key: &str, expected: &str) -> JobFileError {
        self.error(key, &format!("'{key}' must be {expected}"))
    }

    fn text(&mut self, key: &str) -> Result<Option<String>, JobFileError> {
        match self.get(key).map(Spanned::get_ref) {
            None => Ok(None),
            Some(DeValue::String(s)) => Ok(Some(s.to_string())),
            // a date needs no quotes in TOML
            Some(DeValue::Datetime(d)) => Ok(Some(d.to_string())),
            Some(_) => Err(self.wrong(key, "text between quotes")),
        }
    }

    /// A whole number.
    fn count(
        &mut self,
        key: &str,
        range: RangeInclusive<u16>,
    ) -> Result<Option<usize>, JobFileError> {
        let numbers = f64::from(*range.start())..=f64::from(*range.end());
        match self.number(key, numbers)? {
            Some(number) if number.fract() != 0.0 => {
                Err(self.error(key, &format!("'{key}' is a whole number")))
            }
            number => Ok(number.map(|number| number as usize)),
        }
    }

    /// A day, with or without quotes. Equal days mean readings in common, so a day has one form.
    fn date(&mut self, key: &str) -> Result<Option<String>, JobFileError> {
        let text = match self.get(key).map(Spanned::get_ref) {
            Some(DeValue::Datetime(date)) => Some(date.to_string()),
            _ => self.text(key)?,
        };
        let day = |text: &String| {
            let read: Result<toml::value::Datetime, _> = text.parse();
            read.is_ok_and(|d| d.date.is_some() && d.time.is_none() && d.offset.is_none())
        };
        match text {
            Some(text) if !day(&text) => {
                Err(self.wrong(key, &format!("a day: {key} = 2026-02-03")))
            }
            text => Ok(text),
        }
    }

    /// A path. A backslash between double quotes may be read as a control
    /// character by TOML.
    fn path(&mut self, key: &str) -> Result<Option<PathBuf>, JobFileError> {
        let text = self.text(key)?;
        text.map(|text| self.checked_path(key, text)).transpose()
    }

    fn checked_path(&self, key: &str, text: String) -> Result<PathBuf, JobFileError> {
        match text.contains(char::is_control) {
            true => Err(self.error(
                key,
                &format!("'{key}' has a control character in its path; write paths with '/' or between single quotes"),
            )),
            false => Ok(PathBuf::from(text)),
        }
    }

    /// Paths; a single one is a list of one.
    fn paths(&mut self, key: &str) -> Result<Vec<PathBuf>, JobFileError> {
        let texts = self.texts(key)?.into_iter();
        texts
            .map(|(_, text)| self.checked_path(key, text))
            .collect()
    }

    /// A list of texts with their lines; a single text is a list of one.
    fn texts(&mut self, key: &str) -> Result<Vec<(usize, String)>, JobFileError> {
        let wrong = || self.wrong(key, "a list of file names: [\"known.toml\"]");
        let Some(value) = self.get(key) else {
            return Ok(Vec::new());
        };
        let item = |v: &Spanned<DeValue<'_>>| match v.get_ref() {
            DeValue::String(s) => Ok((self.source.line(v.span().start), s.to_string())),
            _ => Err(wrong()),
        };
        match value.get_ref() {
            DeValue::Array(items) => items.iter().map(item).collect(),
            _ => Ok(vec![item(value)?]),
        }
    }

    fn flag(&mut self, key: &str) -> Result<bool, JobFileError> {
        match self.get(key).map(Spanned::get_ref) {
            None => Ok(false),
            Some(DeValue::Boolean(b)) => Ok(*b),
            Some(_) => Err(self.wrong(key, "true or false, without quotes")),
        }
    }

    fn choice<T: Copy>(
        &mut self,
        key: &str,
        choices: &[(&str, T)],
    ) -> Result<Option<T>, JobFileError> {
        let Some(text) = self.text(key)? else {
            return Ok(None);
        };
        match choices.iter().find(|(name, _)| *name == text) {
            Some((_, value)) => Ok(Some(*value)),
            None => {
                let known: Vec<String> = choices.iter().map(|(n, _)| format!("\"{n}\"")).collect();
                let near = nearest(&text, choices.iter().map(|(n, _)| *n));
                let near = near.map_or_else(String::new, |n| format!("; did you mean \"{n}\"?"));
                Err(self.wrong(
                    key,
                    &format!("one of {}, and is \"{text}\"{near}", known.join(", ")),
                ))
            }
        }
    }

    /// One finite number, whatever its type.
    fn value(&self, key: &str, value: &DeValue<'_>) -> Result<f64, JobFileError> {
        let number = match value {
            DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix())
                .ok()
                .map(|i| i as f64),
            DeValue::Float(f) => f.as_str().parse().ok(),
            DeValue::String(s) => {
                let advice = match crate::units::parse_number(s, "a number") {
                    Ok(_) => "a number without quotes".to_owned(),
                    Err(e) => format!("a number without quotes ({e})"),
                };
                return Err(self.wrong(key, &advice));
            }
            _ => None,
        };
        match number {
            Some(n) if f64::is_finite(n) => Ok(n),
            _ => Err(self.wrong(key, "a finite number or { value = ..., u = ... }")),
        }
    }

    fn ranged(
        &self,
        key: &str,
        value: &DeValue<'_>,
        range: &RangeInclusive<f64>,
    ) -> Result<f64, JobFileError> {
        let number = self.value(key, value)?;
        if range.contains(&number) {
            return Ok(number);
        }
        Err(self.error(
            key,
            &format!(
                "'{key}' = {number} is out of range; it must lie between {} and {}",
                range.start(),
                range.end()
            ),
        ))
    }

    fn number(
        &mut self,
        key: &str,
        range: RangeInclusive<f64>,
    ) -> Result<Option<f64>, JobFileError> {
        self.get(key)
            .map(|v| self.ranged(key, v.get_ref(), &range))
            .transpose()
    }

    /// The parts of `{ value, u }`, or a bare value.
    #[allow(clippy::type_complexity)] // a value and an uncertainty
    fn parts(&self, key: &str) -> Result<Option<(&'a DeValue<'a>, Option<f64>)>, JobFileError> {
        let Some(spanned) = self.get(key) else {
            return Ok(None);
        };
        let DeValue::Table(table) = spanned.get_ref() else {
            return Ok(Some((spanned.get_ref(), None)));
        };
        let context = format!("{}, '{key}'", self.context);
        let inner = self
            .source
            .fields(&context, table, spanned.span().start, &["value", "u"])?;
        let value = inner.get("value").ok_or_else(|| {
            self.error(
                key,
                &format!("'{key}' has no value; write {{ value = ..., u = ... }}"),
            )
        })?;
        let u = match inner.get("u") {
            None => None,
            Some(u) => {
                let number = inner.value("u", u.get_ref())?;
                if number < 0.0 {
                    return Err(inner.error(
                        "u",
                        "a standard uncertainty cannot be negative; it is one standard deviation",
                    ));
                }
                if number > 0.0 && !UNCERTAINTIES.contains(&number) {
                    return Err(inner.error(
                        "u",
                        &format!(
                            "a standard uncertainty of {number:e} is out of range; it must be 0 (exact) or lie between {:e} and {:e}",
                            UNCERTAINTIES.start(),
                            UNCERTAINTIES.end()
                        ),
                    ));
                }
                Some(number)
            }
        };
        Ok(Some((value.get_ref(), u)))
    }

    fn quantity(
        &mut self,
        key: &str,
        factor: f64,
        range: RangeInclusive<f64>,
    ) -> Result<Stated, JobFileError> {
        let Some((value, u)) = self.parts(key)? else {
            return Ok(Stated::default());
        };
        Ok(Stated {
            value: Some(self.ranged(key, value, &range)? * factor),
            u: u.map(|u| u * factor),
        })
    }

    /// A speed: a number, a fraction in quotes, or `{ value, u }`.
    fn rpm(&mut self, key: &str) -> Result<Stated, JobFileError> {
        let Some((value, u)) = self.parts(key)? else {
            return Ok(Stated::default());
        };
        let rpm = match value {
            DeValue::String(s) => {
                parse_rpm(s).map_err(|e| self.error(key, &format!("'{key}': {e}")))?
            }
            other => nominal_rpm(self.value(key, other)?),
        };
        // from half of the slowest to above the fastest speed in use
        if !(8.0..=200.0).contains(&rpm) {
            return Err(self.error(
                key,
                &format!(
                    "'{key}' = {} is not a speed of records; write 33, 45, 78.26 or \"100/3\"",
                    written(rpm)
                ),
            ));
        }
        Ok(Stated {
            value: Some(rpm),
            u,
        })
    }

    /// `channels = [2, 1]`: which are left and right, counted from 1.
    fn channels(&mut self) -> Result<Option<[usize; 2]>, JobFileError> {
        let wanted = "a pair of channels, left and right, counted from 1: channels = [2, 1]";
        let Some(value) = self.get("channels") else {
            return Ok(None);
        };
        let DeValue::Array(list) = value.get_ref() else {
            return Err(self.wrong("channels", wanted));
        };
        let number = |v: &Spanned<DeValue<'_>>| match v.get_ref() {
            DeValue::Integer(n) => n.as_str().parse().ok().filter(|n: &usize| *n > 0),
            _ => None,
        };
        let numbers: Vec<_> = list.iter().filter_map(number).collect();
        match (list.len(), numbers.as_slice()) {
            (2, &[left, right]) => Ok(Some([left, right])),
            _ => Err(self.wrong("channels", wanted)),
        }
    }

    /// `radius_mm = 72 | [75, 70] | { value, u }`.
    fn radius(&mut self) -> Result<([f64; 2], Option<f64>), JobFileError> {
        const KEY: &str = "radius_mm";
        let range = Warning::RadiusOffTheRecord.range();
        let Some((value, u)) = self.parts(KEY)? else {
            return Err(self.missing(KEY));
        };
        let radius = match value {
            DeValue::Array(ends) => match ends.iter().collect::<Vec<_>>()[..] {
                [start, end] => [
                    self.ranged(KEY, start.get_ref(), &range)?,
                    self.ranged(KEY, end.get_ref(), &range)?,
                ],
                _ => {
                    return Err(self.wrong(
                        KEY,
                        "one radius or the two at the start and the end: [75, 70] (with decimal points)",
                    ));
                }
            },
            one => [self.ranged(KEY, one, &range)?; 2],
        };
        Ok((radius.map(|r| r * MILLIMETRE), u.map(|u| u * MILLIMETRE)))
    }

    fn reference(
        &mut self,
        kind: &'static str,
        references: &mut Vec<Reference<'a>>,
    ) -> Result<Option<String>, JobFileError> {
        match self.get(kind).map(|v| (v.get_ref(), v.span().start)) {
            None => Ok(None),
            Some((DeValue::String(name), at)) => {
                references.push(Reference { kind, name, at });
                Ok(Some(name.to_string()))
            }
            Some(_) => Err(self.wrong(kind, "a name between quotes")),
        }
    }

    fn table(
        &mut self,
        key: &str,
        known: &'static [&'static str],
    ) -> Result<Option<Fields<'a>>, JobFileError> {
        match self.get(key) {
            None => Ok(None),
            Some(value) => match value.get_ref() {
                DeValue::Table(table) => self
                    .source
                    .fields(&format!("[{key}]"), table, value.span().start, known)
                    .map(Some),
                _ => {
                    let outer = self.context.strip_prefix('[');
                    let outer = outer.and_then(|outer| outer.strip_suffix(']'));
                    let path = outer.map_or_else(|| key.to_owned(), |o| format!("{o}.{key}"));
                    Err(self.wrong(key, &format!("a table: [{path}]")))
                }
            },
        }
    }

    /// Tables `[key.NAME]`.
    fn named(
        &mut self,
        key: &str,
        known: &'static [&'static str],
    ) -> Result<Vec<(String, Fields<'a>)>, JobFileError> {
        let Some(value) = self.get(key) else {
            return Ok(Vec::new());
        };
        let DeValue::Table(table) = value.get_ref() else {
            return Err(self.wrong(key, &format!("tables with a name: [{key}.NAME]")));
        };
        let mut found = Vec::new();
        for (name, value) in table {
            let within = self.context.strip_prefix('[');
            let within = within.map_or_else(String::new, |c| c.replace(']', "."));
            let context = format!("[{within}{key}.{}]", name.get_ref());
            let DeValue::Table(inner) = value.get_ref() else {
                return Err(self.source.at(
                    name.span().start,
                    &format!("[{key}] needs a name: write [{key}.NAME]"),
                ));
            };
            let fields = self
                .source
                .fields(&context, inner, name.span().start, known)?;
            found.push((name.get_ref().to_string(), fields));
        }
        Ok(found)
    }

    /// Tables `[[key]]`.
    fn tables(
        &mut self,
        key: &str,
        known: &'static [&'static str],
    ) -> Result<Vec<Fields<'a>>, JobFileError> {
        let Some(value) = self.get(key) else {
            return Ok(Vec::new());
        };
        let wrong = || {
            self.wrong(
                key,
                &format!("a list of tables with double brackets: [[{key}]]"),
            )
        };
        let DeValue::Array(items) = value.get_ref() else {
            return Err(wrong());
        };
        items
            .iter()
            .map(|item| match item.get_ref() {
                DeValue::Table(table) => {
                    self.source
                        .fields(&format!("[[{key}]]"), table, item.span().start, known)
                }
                _ => Err(wrong()),
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = r#"
format = 1
title = "an invented job"
date = 2026-02-03

[cartridge.red]
profile = "elliptical"
frontal_radius_um = { value = 18, u = 0.5 }
side_radius_um = 8
crosstalk_db = -25

[record.A]
cut_rotation_deg = { value = 0.1, u = 0.3 }
cut_rpm = 33

[setup.before]
cartridge = "red"

[[capture]]
delay_us = { value = 4.04, u = 0.005 }
radius_mm = [75, 70.5]
rpm = "100/3"
turn_deg = -4
leads = "swapped"

[[capture]]
file = 'audio\one.wav'
setup = "before"
radius_mm = { value = 72, u = 0.2 }
rpm = 45
"#;

    fn message(text: &str) -> String {
        parse(text, "job.toml").unwrap_err().to_string()
    }

    /// A table within another is called by its path.
    #[test]
    fn a_table_is_named_by_its_path() {
        for (text, path) in [
            ("limits = 1", "[limits]"),
            ("[plan]\nminutes = 5", "[plan.minutes]"),
        ] {
            let error = parse(&format!("format = 1\n{text}\n"), "x").unwrap_err();
            assert!(
                error.to_string().ends_with(&format!("a table: {path}")),
                "{error}"
            );
        }
    }

    /// Hours of some setups alone would leave the others at none.
    #[test]
    fn hours_are_those_of_all_setups() {
        let text = "format = 1\n[cartridge.c]\nprofile = \"elliptical\"\n[setup.a]\ncartridge = \"c\"\nhours = 400\n[setup.b]\ncartridge = \"c\"\n";
        let error = parse(text, "x").unwrap_err().to_string();
        assert!(
            error.contains("setup 'a' of the same") && error.contains("line 7"),
            "{error}"
        );
        let all = text.replace("[setup.b]", "[setup.b]\nhours = 0");
        assert_eq!(parse(&all, "x").unwrap().setups["b"].hours, Some(0.0));
        let long = all.replace("400", "30000");
        assert!(parse(&long, "x").unwrap_err().to_string().contains("3000"));
    }

    #[test]
    fn a_job_is_read_as_written() {
        let job = parse(&format!("\u{feff}{GOOD}"), "job.toml").unwrap();
        assert_eq!(job.date.as_deref(), Some("2026-02-03"));
        let red = &job.cartridges["red"];
        assert_eq!(red.profile, Some(Profile::Elliptical));
        assert_eq!(
            red.frontal_radius,
            Stated::with_u(18.0 * MICROMETRE, 0.5 * MICROMETRE)
        );
        assert_eq!(red.side_radius, Stated::number(8.0 * MICROMETRE));
        let [first, second] = &job.captures[..] else {
            panic!("two captures")
        };
        assert_eq!(first.radius, [75.0 * MILLIMETRE, 70.5 * MILLIMETRE]);
        assert_eq!(first.rpm, Stated::number(100.0 / 3.0));
        assert!(first.swapped && !second.swapped);
        assert_eq!(
            (first.setup.as_str(), first.record.as_str()),
            ("before", "A")
        );
        // no chain is described: there is one of which nothing is known
        assert_eq!(first.chain, "");
        assert_eq!((first.line, second.line), (Some(19), Some(26)));
        assert_eq!(second.describe(1), "audio/one.wav");
        let Source::File(path) = &second.source else {
            panic!("a file")
        };
        assert_eq!(
            resolve(Path::new("jobs/job.toml"), path),
            Path::new("jobs/audio/one.wav")
        );
    }

    /// Every refusal names file and line, what is wrong, and what to do.
    #[test]
    fn slips_of_the_pen_are_named() {
        let edited = |from: &str, to: &str| {
            assert!(GOOD.contains(from), "{from}");
            message(&GOOD.replacen(from, to, 1))
        };
        for (from, to, line, words) in [
            ("side_radius_um", "side_radus_um", 9, "'side_radius_um'"),
            ("rpm = 45", "speed = 45", 30, "unknown key 'speed'"),
            (
                "[cartridge.red]",
                "[arm.a]\ntype = \"tangential\"\n[cartridge.red]",
                7,
                "write arm = \"tangential\"",
            ),
            ("[cartridge.red]", "[cartrige.red]", 6, "'cartridge'"),
            (
                "cartridge = \"red\"",
                "cartridge = \"rde\"",
                17,
                "did you mean 'red'",
            ),
            (
                "setup = \"before\"",
                "setup = \"afterwards\"",
                28,
                "add [setup.afterwards]",
            ),
            ("rpm = 45", "rpm = 450", 30, "not a speed of records"),
            ("rpm = 45", "rpm = nan", 30, "finite"),
            (
                "rpm = 45",
                "rpm = 45\ndate = \"3 May\"",
                31,
                "a day: date = 2026-02-03",
            ),
            ("rpm = 45", "rpm = 45\ndate = 2026-02-30", 31, "TOML"),
            (
                "cartridge = \"red\"",
                "date = 2026-02-03T12:00:00",
                17,
                "[setup.before]: 'date' must be a day",
            ),
            ("= -25", "= 25", 10, "out of range"),
            ("u = 0.5", "u = -0.5", 8, "negative"),
            ("value = 72", "value = \"72,5\"", 29, "72.5"),
            ("{ value = 72, u = 0.2 }", "72,5", 29, "decimal point: 72.5"),
            (
                "'audio\\one.wav'",
                "\"audio\\one.wav\"",
                27,
                "single quotes",
            ),
            ("\"swapped\"", "\"reversed\"", 24, "\"normal\", \"swapped\""),
            ("format = 1", "format = 2", 2, "reads format = 1"),
            ("format = 1\n", "", 1, "format = 1"),
            (", u = 0.005", "", 20, "standard uncertainty"),
        ] {
            let message = edited(from, to);
            assert!(
                message.starts_with(&format!("job.toml, line {line}: ")) && message.contains(words),
                "{to}: {message}"
            );
        }
        let both = edited("turn_deg = -4", "planned = true");
        assert!(both.contains("exactly one of"), "{both}");
        let two = edited("[setup.before]", "[setup.after]\n[setup.before]");
        assert!(
            two.contains("several") && two.contains("after, before"),
            "{two}"
        );
        let sphere = edited("\"elliptical\"", "\"spherical\"");
        assert!(
            sphere.contains("'side_radius_um' does not describe"),
            "{sphere}"
        );
    }

    #[test]
    fn nothing_makes_the_reader_panic() {
        for text in [
            "",
            "=",
            "format",
            "format = 1\ncapture = 3",
            "format = 1\n[[setup]]",
            "format = 1\n[setup]\ncartridge = 1",
            "format = 1\ninclude = 3",
            "format = 1\n[cartridge.a]\nskew_us = {}",
            "format = 1\n[cartridge.a]\nskew_us = []",
            "format = 99999999999999999999999",
            "format = 1\n[[capture]]",
            "format = 1\n[[capture]]\nplanned = true\nradius_mm = [1]\nrpm = 33",
        ] {
            assert!(parse(text, "job.toml").is_err(), "{text}");
        }
        // every shortening of a good file is read or refused
        for (end, _) in GOOD.char_indices() {
            let _ = parse(&GOOD[..end], "job.toml");
        }
    }

    #[test]
    fn what_cannot_be_read_is_named() {
        let error = read(Path::new("no/such/job.toml")).unwrap_err();
        assert!(error.to_string().starts_with("no/such/job.toml: "));
    }
}
