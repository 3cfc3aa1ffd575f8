//! Description of a job: named objects, captures and limits. SI units, radians.

use super::priors::{self, DefaultPrior};
use crate::groove::Profile;
use crate::units::{DEGREE, MICROMETRE, MICROSECOND, MILLIMETRE};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::path::PathBuf;

/// A value with its standard uncertainty, in SI units. An uncertainty of zero
/// means exact.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Estimate {
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
}

impl Estimate {
    /// An exactly known value.
    pub fn exact(value: f64) -> Self {
        Self { value, u: 0.0 }
    }

    /// Zero, known to a standard uncertainty.
    pub fn zero(u: f64) -> Self {
        Self { value: 0.0, u }
    }

    /// Absolute logarithm of the ratio to another observation of the same positive quantity, over its
    /// standard uncertainty.
    pub fn apart_from(self, other: Self) -> f64 {
        let u = (self.u / self.value).hypot(other.u / other.value);
        (self.value / other.value).ln().abs() / u
    }
}

/// A quantity as stated: not at all, as a bare number, or with its standard
/// uncertainty. Missing parts come from the table of priors.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct Stated {
    /// The value, if stated.
    pub value: Option<f64>,
    /// The standard uncertainty, if stated.
    pub u: Option<f64>,
}

impl Stated {
    /// A bare number: its uncertainty comes from the table.
    pub fn number(value: f64) -> Self {
        Self {
            value: Some(value),
            u: None,
        }
    }

    /// A value with its standard uncertainty.
    pub fn with_u(value: f64, u: f64) -> Self {
        Self {
            value: Some(value),
            u: Some(u),
        }
    }

    fn is_nothing(&self) -> bool {
        *self == Self::default()
    }

    /// The stated value, completed from the table.
    pub fn or(self, prior: &DefaultPrior) -> Estimate {
        let default = prior.estimate();
        Estimate {
            value: self.value.unwrap_or(default.value),
            u: self.u.unwrap_or(default.u),
        }
    }
}

/// A cartridge with its stylus.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct Cartridge {
    /// Kind of stylus; `None` is a generic elliptical.
    pub profile: Option<Profile>,
    /// Frontal radius (ball radius of a spherical tip), metres.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub frontal_radius: Stated,
    /// Side radius, metres; unused by a spherical tip.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub side_radius: Stated,
    /// Growth of the side radius by wear, metres per hour of playing; for setups that state their hours.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub wear: Stated,
    /// Distance of the contact points of a line contact, metres.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub contact_spacing: Stated,
    /// Lever of a spherical tip that is not quite a ball, metres.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub ball_lever: Stated,
    /// Shape term (see [`crate::groove::Tip`]).
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub shape: Stated,
    /// Channel separation as a negative number of decibels.
    pub crosstalk_db: Option<f64>,
    /// Scale on the groove's delay; overrides what the crosstalk gives.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub scale: Stated,
    /// Time error between the channels, seconds.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub skew: Stated,
    /// Inductance, henry.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub inductance: Stated,
    /// The calibrations by which the crosstalk of all its recordings was
    /// corrected, as of [`Chain::corrected_by`]: its scale is the residual one.
    pub corrected_by: Option<String>,
    /// How far the stylus lies ahead of the line through the mounting holes, metres.
    pub holes_to_stylus: Option<f64>,
    /// Free text.
    pub serial: Option<String>,
}

/// One side of one record.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct Record {
    /// Rotation of the cut, radians.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub cut_rotation: Stated,
    /// Distance of the cutter from the radial line, metres.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub lathe_offset: Stated,
    /// Time error between the cutter's channels, seconds at the cut.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub skew: Stated,
    /// Speed of the cut, revolutions per minute; exact.
    pub cut_rpm: Option<f64>,
    /// Included angle of the groove, radians.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub groove_angle: Stated,
    /// The session in which it was cut: sides of one session share a part of their cut.
    pub session: Option<String>,
    /// Free text.
    pub label: Option<String>,
    /// Free text.
    pub side: Option<String>,
    /// Separation of the channels of its cutter, dB, if stated.
    #[serde(skip)]
    pub cutter_separation_db: Option<f64>,
    /// Its bands by name.
    #[serde(skip)]
    pub bands: BTreeMap<String, Band>,
}

/// Content of a band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum BandKind {
    /// Both channels alike: measures the rotation.
    #[default]
    Lateral,
    /// The left channel alone.
    Left,
    /// The right channel alone.
    Right,
    /// A tone, which determines no delay by itself.
    Tone,
    /// Nothing: an unmodulated groove, which sounds like a pause.
    Silent,
}

/// One band of a record side.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// What is cut into it.
    pub kind: BandKind,
    /// Radius at its start and its end, metres.
    pub radius: [f64; 2],
    /// Standard uncertainty of the radius, metres, if stated.
    pub radius_u: Option<f64>,
    /// Peak lateral velocity of a tone, metres per second, if stated: it calibrates the level
    /// of a recording.
    pub velocity: Stated,
    /// Frequency of a tone at the speed of the cut, hertz, if stated: it gives the speed.
    pub frequency: Option<f64>,
}

/// Everything behind the swap point.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct Chain {
    /// Time error between the channels, seconds.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub skew: Stated,
    /// Tolerance of the equaliser's components, a fraction.
    pub component_tolerance: Option<f64>,
    /// Load resistance, ohm.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub load_resistance: Stated,
    /// Load capacitance, farad.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub load_capacitance: Stated,
    /// Calibration files, as given, oldest first; the last one corrects.
    #[serde(skip)]
    pub calibrations: Vec<PathBuf>,
    /// Standard uncertainty of the skew's change between its calibration and the captures,
    /// seconds, if stated.
    pub stability: Option<f64>,
    /// Change of the skew since the calibration, seconds, and its origin in words; set where
    /// a calibration has measured the skew.
    pub beyond: Option<(Estimate, String)>,
    /// That calibration, by the beginning of its document's SHA-256: the chain's skew is the residual one.
    pub corrected_by: Option<String>,
}

/// A pivoted arm.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct PivotedArm {
    /// Pivot to stylus, metres.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub effective_length: Stated,
    /// Pivot to spindle, metres.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub pivot_to_spindle: Stated,
    /// Offset angle, radians.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub offset: Stated,
}

/// The arm of a setup, as stated.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum ArmOf {
    /// Not stated: a pivoted arm whose tracking error is unknown.
    #[default]
    Unknown,
    /// A tangential arm, without tracking error.
    Tangential,
    /// A pivoted arm, played at one of its null radii.
    NullRadius,
    /// A pivoted arm by its name.
    Pivoted(String),
}

/// How the cartridge body was aligned in the headshell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Alignment {
    /// With an alignment gauge.
    Gauge,
    /// By eye.
    Eye,
    /// Not known, for instance turned on purpose.
    Unknown,
}

impl Alignment {
    /// As job files and options have it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Gauge => "gauge",
            Self::Eye => "eye",
            Self::Unknown => "unknown",
        }
    }
}

/// One state of alignment.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct Setup {
    /// Name of the cartridge.
    pub cartridge: String,
    /// Its arm.
    pub arm: ArmOf,
    /// Prior of the stylus's rotation in the headshell (stylus to body plus
    /// mounting), radians.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub rotation: Stated,
    /// Rotation of the cartridge body in the headshell, radians. If not stated
    /// it follows from `alignment`; for a cartridge's later setups, which may
    /// have been turned on purpose, the prior is wide.
    #[serde(skip_serializing_if = "Stated::is_nothing")]
    pub mounting: Stated,
    /// How the body was aligned.
    pub alignment: Option<Alignment>,
    /// Peak lateral velocity at 1 kHz that full scale stands for in its recordings, metres per second, if
    /// stated: then tracing distortion measures the tip's radius.
    #[serde(default, skip_serializing_if = "Stated::is_nothing")]
    pub full_scale: Stated,
    /// Hours that the stylus had been played by then, since its side radius was as stated.
    pub hours: Option<f64>,
    /// The date of its captures, as 2026-02-03, unless they state one.
    pub date: Option<String>,
    /// The day it was mounted, as 2026-02-03, where it stays mounted beyond the job: a setup of this
    /// name and day is the same in other jobs.
    pub mounted: Option<String>,
}

impl Setup {
    /// The name of its arm, if it has one.
    pub fn arm_name(&self) -> Option<&String> {
        match &self.arm {
            ArmOf::Pivoted(name) => Some(name),
            _ => None,
        }
    }

    /// Prior of the mounting; `first`: the setup is the first of its cartridge.
    pub fn mounting(&self, first: bool) -> Option<(Stated, &'static DefaultPrior)> {
        let prior = match self.alignment {
            None | Some(Alignment::Eye) => &priors::MOUNTING_BY_EYE,
            Some(Alignment::Gauge) => &priors::MOUNTING_BY_GAUGE,
            Some(Alignment::Unknown) => &priors::MOUNTING_UNKNOWN,
        };
        let stated = self.mounting != Stated::default() || self.alignment.is_some();
        (stated || first).then_some((self.mounting, prior))
    }
}

/// The limits that a result is checked against.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Limits {
    /// Tolerance on the rotation of the stylus to the cartridge body either
    /// way, radians.
    pub tolerance: Option<f64>,
    /// Whose tolerance it is and where that is written; free text.
    pub tolerance_source: Option<String>,
    /// Largest turn that the headshell allows, radians.
    pub max_turn: Option<f64>,
    /// Largest standard uncertainty of a rotation, radians.
    pub standard_uncertainty: Option<f64>,
    /// Lowest level of a warning that fails a check.
    pub warning_level: Option<crate::uncertainty::Level>,
    /// Expected rotation, radians, with its standard uncertainty.
    pub expected: Option<Stated>,
    /// Result of an earlier run.
    pub baseline: Option<PathBuf>,
}

impl Limits {
    /// These limits, completed from `fallback`.
    pub fn or(self, fallback: Self) -> Self {
        Self {
            // a source belongs to the tolerance beside it
            tolerance_source: match self.tolerance {
                Some(_) => self.tolerance_source,
                None => fallback.tolerance_source,
            },
            tolerance: self.tolerance.or(fallback.tolerance),
            max_turn: self.max_turn.or(fallback.max_turn),
            standard_uncertainty: self.standard_uncertainty.or(fallback.standard_uncertainty),
            warning_level: self.warning_level.or(fallback.warning_level),
            expected: self.expected.or(fallback.expected),
            baseline: self.baseline.or(fallback.baseline),
        }
    }

    /// Whether a limit applies to rotations.
    pub fn of_rotations(&self) -> bool {
        let others = Self {
            warning_level: None,
            ..self.clone()
        };
        others.any()
    }

    /// Whether a limit applies to the result; the largest turn limits only the
    /// advice.
    pub fn any(&self) -> bool {
        let advice = Self {
            max_turn: self.max_turn,
            tolerance_source: self.tolerance_source.clone(),
            ..Self::default()
        };
        *self != advice
    }
}

/// Source of a capture's delay.
#[derive(Debug, Clone, PartialEq)]
pub enum DelaySource {
    /// A recording, path as given (relative to the job).
    File(PathBuf),
    /// A delay as recorded, seconds.
    Delay(Estimate),
    /// Not recorded yet.
    Planned,
}

/// The band of its recording that a capture is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BandOf {
    /// Its name.
    pub name: String,
    /// How [`file::gather`](super::file::gather) locates it, where its times
    /// are not stated.
    pub found: Option<LocatedBy>,
}

impl BandOf {
    /// A stretch, named by its number.
    pub fn stretch(stretch: Stretch) -> Self {
        Self {
            name: format!("{} of {}", stretch.which + 1, stretch.of),
            found: Some(LocatedBy::Stretch(stretch)),
        }
    }
}

/// How a band is located in its recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LocatedBy {
    /// The band of this number, counted from 0, of so many that pauses separate.
    Pauses(usize, usize),
    /// The pause before the band of this number, counted from 0, of so many.
    Before(usize, usize),
    /// The band of its name, by the coded marks of the [side to be cut](crate::side).
    Marks,
    /// A stretch of a recording that plays from beginning to end.
    Stretch(Stretch),
}

/// Numbers of stretches that a recording may be divided into: two radii separate two unknowns, and
/// above a hundred each would be only some seconds long. Common practice, no source.
pub const STRETCHES: RangeInclusive<u16> = 2..=100;

/// The stretch of this number, counted from 0, of so many of equal length in a recording, whose
/// radius is linear in time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Stretch {
    /// Its number, counted from 0.
    pub which: usize,
    /// Number of stretches.
    pub of: usize,
}

impl Stretch {
    /// Its start and end, from 0 at the start of the recording's programme to 1 at its end.
    pub fn fractions(self) -> [f64; 2] {
        [self.which, self.which + 1].map(|k| k as f64 / self.of as f64)
    }

    /// Its part of a span.
    pub fn part(self, [start, end]: [f64; 2]) -> [f64; 2] {
        self.fractions().map(|share| start + (end - start) * share)
    }

    /// The span of which `part` is this part.
    pub fn whole(self, [start, end]: [f64; 2]) -> [f64; 2] {
        let (step, which, of) = (end - start, self.which as f64, self.of as f64);
        [start - which * step, start + (of - which) * step]
    }
}

/// One capture.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptureSpec {
    /// Where its delay comes from.
    pub source: DelaySource,
    /// Its band, in a recording of several.
    pub band: Option<BandOf>,
    /// Name of its setup.
    pub setup: String,
    /// Name of its record side.
    pub record: String,
    /// Name of its chain.
    pub chain: String,
    /// Radius at the start and the end of the analysed part, metres.
    pub radius: [f64; 2],
    /// Standard uncertainty of the radius, metres, if stated.
    pub radius_u: Option<f64>,
    /// Speed while played, revolutions per minute.
    pub rpm: Stated,
    /// Known turn relative to the setup, radians.
    pub turn: Stated,
    /// Leads swapped at the cartridge.
    pub swapped: bool,
    /// Which channels of the recording are left and right, counted from 1, if stated.
    pub channels: Option<[usize; 2]>,
    /// Start of the analysed part, seconds.
    pub from_s: Option<f64>,
    /// End of the analysed part, seconds.
    pub to_s: Option<f64>,
    /// The date on which it was made and its radius, speed and turn were read, as 2026-02-03; else
    /// that of its setup, else that of the job.
    pub date: Option<String>,
    /// Free text.
    pub note: Option<String>,
    /// Line in the job file, for messages.
    pub line: Option<usize>,
}

impl CaptureSpec {
    /// Name of the capture in a message or a result: its file, or its kind and
    /// number (from 1), and its band.
    pub fn describe(&self, index: usize) -> String {
        let what = match &self.source {
            DelaySource::File(_) => self.file().unwrap_or_default(),
            DelaySource::Delay(_) => format!("delay {}", index + 1),
            DelaySource::Planned => format!("planned {}", index + 1),
        };
        match (&self.band, self.stretch()) {
            (Some(band), None) => format!("{what}, band {}", band.name),
            (Some(band), Some(_)) => format!("{what}, stretch {}", band.name),
            (None, _) => what,
        }
    }

    /// The radius at which its setup's rotation to the groove is reported, metres: the middle of the
    /// analysed part; for a stretch, of its recording.
    pub fn reference(&self) -> f64 {
        let whole = self.stretch().map(|stretch| stretch.whole(self.radius));
        let [start, end] = whole.unwrap_or(self.radius);
        0.5 * (start + end)
    }

    /// Its stretch of a recording, if it is one.
    pub fn stretch(&self) -> Option<Stretch> {
        match self.band.as_ref()?.found? {
            LocatedBy::Stretch(stretch) => Some(stretch),
            _ => None,
        }
    }

    /// Divides it into so many stretches of equal length.
    ///
    /// # Errors
    ///
    /// In words, when its radii or times do not allow stretches.
    pub fn in_stretches(&self, of: usize) -> Result<Vec<Self>, &'static str> {
        let [start, end] = self.radius;
        if start == end {
            return Err(
                "stretches need different radii; give those where the recording starts and ends, for a whole side 145 and 62 mm",
            );
        }
        if start < end {
            return Err("records play from the outside in: give the larger of the two radii first");
        }
        if self.from_s.is_some() != self.to_s.is_some() {
            return Err(
                "for stretches, state both start and end in seconds, at the two radii, or neither: the programme then runs from the first to the last modulation",
            );
        }
        let span = self.from_s.zip(self.to_s);
        let stretches = (0..of).map(|which| {
            let stretch = Stretch { which, of };
            let span = span.map(|(from, to)| stretch.part([from, to]));
            Self {
                band: Some(BandOf::stretch(stretch)),
                radius: stretch.part(self.radius),
                from_s: span.map(|s| s[0]),
                to_s: span.map(|s| s[1]),
                ..self.clone()
            }
        });
        Ok(stretches.collect())
    }

    /// Its recording as the job names it, with `/`.
    pub fn file(&self) -> Option<String> {
        match &self.source {
            DelaySource::File(path) => Some(path.to_string_lossy().replace('\\', "/")),
            _ => None,
        }
    }

    /// Nominal speed, revolutions per minute.
    pub fn nominal_rpm(&self) -> f64 {
        self.rpm.value.unwrap_or(priors::DEFAULT_CUT_RPM)
    }

    /// Speed with its uncertainty; for a nominal speed, that of a turntable in order.
    pub fn speed(&self) -> Estimate {
        let value = self.nominal_rpm();
        let u = self.rpm.u.unwrap_or_else(|| priors::speed_u(value));
        Estimate { value, u }
    }
}

impl Job {
    /// Identifying properties of its objects: kind, name, property, and value.
    pub(super) fn identities(&self) -> Vec<(&'static str, &str, &'static str, &str)> {
        let sides = self.records.iter();
        let sides = sides.map(|(name, r)| ("record", name, "side", &r.side));
        let sessions = self.records.iter();
        let sessions = sessions.map(|(name, r)| ("record", name, "session", &r.session));
        let serials = self.cartridges.iter();
        let serials = serials.map(|(name, c)| ("cartridge", name, "serial number", &c.serial));
        let all = sides.chain(sessions).chain(serials);
        all.filter_map(|(kind, name, what, value)| {
            Some((kind, name.as_str(), what, value.as_deref()?))
        })
        .collect()
    }
}

/// A stated figure: kind and name of the object, quantity, unit with its factor to SI, and value.
pub(super) type StatedFigure<'a> = (
    &'static str,
    &'a str,
    &'static str,
    (f64, &'static str),
    f64,
);

impl Job {
    /// The stated figures of objects that outlive the job.
    pub(super) fn stated_figures(&self) -> Vec<StatedFigure<'_>> {
        const UM: (f64, &str) = (MICROMETRE, "um");
        const MM: (f64, &str) = (MILLIMETRE, "mm");
        const US: (f64, &str) = (MICROSECOND, "us");
        const DEG: (f64, &str) = (DEGREE, "deg");
        let mut list = Vec::new();
        let mut of = |kind, name, figures: &[(_, _, Option<f64>)]| {
            let stated = figures.iter();
            list.extend(
                stated.filter_map(|&(what, unit, value)| Some((kind, name, what, unit, value?))),
            );
        };
        for (name, c) in &self.cartridges {
            let figures = [
                ("frontal radius", UM, c.frontal_radius.value),
                ("side radius", UM, c.side_radius.value),
                ("contact spacing", UM, c.contact_spacing.value),
                ("crosstalk", (1.0, "dB"), c.crosstalk_db),
                ("time skew", US, c.skew.value),
            ];
            of("cartridge", name.as_str(), &figures);
        }
        for (name, r) in &self.records {
            let figures = [
                ("speed of the cut", (1.0, "rpm"), r.cut_rpm),
                ("cut rotation", DEG, r.cut_rotation.value),
                ("lathe offset", MM, r.lathe_offset.value),
                ("cutter time skew", US, r.skew.value),
                ("groove angle", DEG, r.groove_angle.value),
            ];
            of("record", name, &figures);
        }
        for (name, c) in &self.chains {
            of("chain", name, &[("time skew", US, c.skew.value)]);
        }
        for (name, a) in &self.arms {
            let figures = [
                ("effective length", MM, a.effective_length.value),
                ("pivot to spindle", MM, a.pivot_to_spindle.value),
                ("offset angle", DEG, a.offset.value),
            ];
            of("arm", name, &figures);
        }
        list
    }
}

/// Keys of a job's table `[report]`, with their meanings (after the general requirements
/// on reports in ISO/IEC 17025:2017, 7.8.2, from memory).
pub const REPORT: &[(&str, &str)] = &[
    ("number", "Number of the report"),
    ("laboratory", "Laboratory"),
    ("address", "Address"),
    ("customer", "Customer"),
    ("item", "Item"),
    ("item_condition", "Condition of the item"),
    ("issued", "Date of issue"),
    ("place", "Place of measurement"),
    ("temperature", "Temperature"),
    ("tracking_force", "Tracking force"),
    ("bias_force", "Bias force"),
    ("arm", "Arm"),
    ("phono_stage", "Phono stage"),
    ("recorder", "Recorder"),
    ("traceability", "Traceability of ruler, gauge and speed"),
    ("approved_by", "Approved by"),
];

/// Keys of a job's tables `[[instrument]]`, with their meanings (metrological traceability,
/// ISO/IEC 17025:2017, 6.5, from memory).
pub const INSTRUMENT: &[(&str, &str)] = &[
    ("name", "Instrument"),
    ("measures", "measures"),
    ("serial", "serial number"),
    ("certificate", "certificate"),
    ("calibrated", "calibrated"),
    ("due", "due"),
];

impl Job {
    /// The first capture of each setup that has one.
    pub(super) fn first_captures(&self) -> BTreeMap<&str, usize> {
        let mut first = BTreeMap::new();
        for (at, spec) in self.captures.iter().enumerate() {
            first.entry(spec.setup.as_str()).or_insert(at);
        }
        first
    }

    /// The date on which a capture's radius, speed and turn were read, where it differs from the
    /// job's own: on another date they are new readings.
    pub fn reading_date<'a>(&'a self, capture: &'a CaptureSpec) -> Option<&'a str> {
        let date = self.capture_date(capture)?;
        (self.date.as_ref() != Some(date)).then_some(date.as_str())
    }

    /// The date of a capture, where the job states it.
    pub(super) fn capture_date<'a>(&'a self, capture: &'a CaptureSpec) -> Option<&'a String> {
        let of_setup = || self.setups.get(&capture.setup)?.date.as_ref();
        let stated = capture.date.as_ref().or_else(of_setup);
        stated.or(self.date.as_ref())
    }
}

/// A job: named objects and the captures made with them.
///
/// Names may be empty where there is only one of a kind; messages then say
/// "the record" instead of naming it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Job {
    /// Free text.
    pub title: Option<String>,
    /// Free text.
    pub operator: Option<String>,
    /// Free text.
    pub date: Option<String>,
    /// Free text.
    pub note: Option<String>,
    /// Texts for a report, by the keys of [`REPORT`]; free text.
    pub report: BTreeMap<String, String>,
    /// Instruments behind the figures that are stated, each by the keys of [`INSTRUMENT`]; free
    /// text.
    pub instruments: Vec<BTreeMap<String, String>>,
    /// Test bands: bands of its recordings that are not captures.
    pub test_bands: Vec<super::file::TestBand>,
    /// The passes of its recordings, with the results of test bands and marks.
    pub passes: Vec<super::Pass>,
    /// Cartridges by name.
    pub cartridges: BTreeMap<String, Cartridge>,
    /// Record sides by name.
    pub records: BTreeMap<String, Record>,
    /// Chains by name.
    pub chains: BTreeMap<String, Chain>,
    /// Arms by name.
    pub arms: BTreeMap<String, PivotedArm>,
    /// Setups by name.
    pub setups: BTreeMap<String, Setup>,
    /// Captures in the job's order.
    pub captures: Vec<CaptureSpec>,
    /// Limits.
    pub limits: Limits,
    /// What a plan may ask for.
    pub means: super::file::Means,
    /// Captures of earlier jobs.
    pub knowledge: Vec<super::Knowledge>,
}
