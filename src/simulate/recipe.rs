//! The recipe of a capture: what was recorded, cut, played and impaired.
//!
//! Everything is typed here as it is written in TOML (so in the units of the
//! key's name) and checked once by [`Recipe::check`]; later stages compute
//! without rechecking.

use crate::groove::Profile;
use crate::outside::nearest;
use crate::units::{nominal_rpm, parse_rpm};
use serde::{Deserialize, Deserializer, Serialize};
use std::path::PathBuf;
use thiserror::Error;

/// The one recipe format there is.
pub const FORMAT: u32 = 1;

/// Longest capture in seconds: half an hour, more than a side of a record holds (common
/// practice, no source). Its file stays below the 4 GiB of a WAV.
pub const LONGEST_S: f64 = 1800.0;

/// Most room on disk, in MB, that a second of a capture needs while it is made: three planes of
/// 16 bytes at an inner rate of 192 kHz, on a canvas that is up to a quarter longer.
const MB_A_SECOND: u32 = 3 * 16 * 192 * 5 / 4 / 1000 + 1;

/// Highest programme frequency in hertz that every inner rate carries with the
/// stated interpolation error (see [`super::curve`]).
pub const HIGHEST_HZ: f64 = 20_000.0;

/// Why a recipe cannot be followed.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum RecipeError {
    /// Not TOML, or a key or value that does not belong.
    #[error("{0}")]
    Text(String),
    /// A key that no recipe has.
    #[error("{place}unknown key '{key}'; did you mean '{nearest}'?")]
    UnknownKey {
        /// "line 4: " or empty.
        place: String,
        /// The key as written.
        key: String,
        /// The nearest known key of the same table.
        nearest: String,
    },
    /// A value outside what can be simulated.
    #[error("{key}: {what}")]
    Value {
        /// Dotted key.
        key: String,
        /// What is wrong and what to do.
        what: String,
    },
    /// A programme file that cannot be used.
    #[error("programme.file {file}: {what}")]
    Programme {
        /// Path as opened.
        file: String,
        /// What is wrong and what to do.
        what: String,
    },
    /// No room for the capture, or for what is made on the way.
    #[error(
        "{0}; a long capture needs up to {MB_A_SECOND} MB of disk for each of its seconds while it is made: free some, or name another folder"
    )]
    Room(String),
}

impl From<std::io::Error> for RecipeError {
    fn from(error: std::io::Error) -> Self {
        // the error of a temporary file names it, which tells nobody anything
        Self::Room(
            error
                .get_ref()
                .map_or_else(|| error.to_string(), |_| error.kind().to_string()),
        )
    }
}

/// One value for both channels, or one each: `2` or `[left, right]`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(from = "OneOrTwo", into = "[f64; 2]")]
pub struct PerChannel {
    /// Left channel (or start).
    pub left: f64,
    /// Right channel (or end).
    pub right: f64,
}

#[derive(Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(untagged, expecting = "expected a number or two numbers in brackets")]
enum OneOrTwo {
    One(f64),
    Two([f64; 2]),
}

impl From<OneOrTwo> for PerChannel {
    fn from(value: OneOrTwo) -> Self {
        match value {
            OneOrTwo::One(both) => Self::both(both),
            OneOrTwo::Two([left, right]) => Self { left, right },
        }
    }
}

impl From<PerChannel> for [f64; 2] {
    fn from(pair: PerChannel) -> Self {
        [pair.left, pair.right]
    }
}

impl PerChannel {
    /// The same value twice.
    pub const fn both(value: f64) -> Self {
        Self {
            left: value,
            right: value,
        }
    }

    /// Left, then right.
    pub fn array(self) -> [f64; 2] {
        self.into()
    }
}

/// A whole recipe. Absent tables take their defaults.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Recipe {
    /// Must be 1.
    pub format: u32,
    /// Name of the capture: stem of the files written.
    #[serde(default)]
    pub name: Option<String>,
    /// Free text.
    #[serde(default)]
    pub title: String,
    /// Seed of everything random.
    #[serde(default = "one")]
    pub seed: u64,
    /// What was recorded.
    pub programme: Programme,
    /// How it was cut.
    #[serde(default)]
    pub record: Record,
    /// How it was played and stored.
    pub capture: Capture,
    /// An injected delay, in place of a stylus.
    #[serde(default)]
    pub delay: Option<InjectedDelay>,
    /// How the stylus stands in the groove.
    #[serde(default)]
    pub setup: Setup,
    /// Stylus and generator.
    #[serde(default)]
    pub cartridge: Cartridge,
    /// The arm, when its tracking error matters.
    #[serde(default)]
    pub arm: Option<Arm>,
    /// Everything behind the lead clips.
    #[serde(default)]
    pub chain: Chain,
    /// Impairments: noise, rumble, warp, wow, clicks.
    #[serde(default)]
    #[serde(rename = "dirt")]
    pub impairments: Impairments,
}

fn one() -> u64 {
    1
}

/// What was recorded: kind, length, level, band.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Programme {
    /// The kind of signal.
    pub kind: ProgrammeKind,
    /// Length in seconds as played.
    pub duration_s: f64,
    /// Peak velocity of the groove in cm/s at the cut: lateral, vertical or
    /// of the one channel, as modulated. After the recording equalisation.
    #[serde(default = "five")]
    pub peak_cm_s: f64,
    /// Lower band edge in hertz at the cut (for a sweep, where it starts).
    #[serde(default = "low_hz")]
    pub low_hz: f64,
    /// Upper band edge in hertz at the cut (for a sweep, where it ends).
    #[serde(default = "high_hz")]
    pub high_hz: f64,
    /// Frequencies in hertz of a tone (one) or a multitone (several).
    #[serde(default)]
    pub frequencies_hz: Vec<f64>,
    /// Notes per second of music.
    #[serde(default)]
    pub notes_per_s: Option<f64>,
    /// WAV file, relative to the recipe; several channels are averaged.
    #[serde(default)]
    pub file: Option<PathBuf>,
}

fn five() -> f64 {
    5.0
}

fn low_hz() -> f64 {
    40.0
}

fn high_hz() -> f64 {
    16_000.0
}

/// Kinds of programme.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum ProgrammeKind {
    /// Gaussian noise with a power density falling as 1/f.
    Pink,
    /// One logarithmic sweep from `low_hz` to `high_hz`.
    Sweep,
    /// The tones of `frequencies_hz`, equally strong, with seeded phases.
    Multitone,
    /// The one tone of `frequencies_hz`.
    Tone,
    /// An unmodulated groove.
    Silence,
    /// Invented music: seeded notes of decaying harmonics with struck onsets.
    Music,
    /// The programme of `file`.
    Wav,
}

/// What is modulated.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Modulation {
    /// Mono: both walls alike, the stylus moves sideways.
    #[default]
    Lateral,
    /// Walls in anti-phase, the stylus moves up and down.
    Vertical,
    /// Left channel (inner wall) only.
    Left,
    /// Right channel (outer wall) only.
    Right,
}

/// Recording and playback equalisation.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Equalisation {
    /// 3180, 318 and 75 us, recorded and played (IEC 60098).
    #[default]
    Microgroove,
    /// Neither recorded nor played: constant velocity.
    None,
}

/// How the record was cut.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields, default)]
pub struct Record {
    /// What is modulated.
    pub modulation: Modulation,
    /// Equalisation at the cut, undone by the playback chain.
    pub equalisation: Equalisation,
    /// Speed at the cut in rpm; the playing speed when absent.
    #[serde(deserialize_with = "optional_rpm")]
    #[cfg_attr(feature = "cli", schemars(with = "Option<RpmText>"))]
    pub cut_rpm: Option<f64>,
    /// Rotation of the cutter's flat face, clockwise positive.
    pub cut_rotation_deg: f64,
    /// Distance of the cutter from the radial line; adds `asin(d / r)` to the
    /// cut rotation.
    pub lathe_offset_mm: f64,
    /// Time error of the cutter in microseconds at the cut, right late.
    pub skew_us: f64,
    /// Distance of the centre hole from the centre of the spiral.
    pub eccentricity_mm: f64,
}

impl Default for Record {
    fn default() -> Self {
        Self {
            modulation: Modulation::Lateral,
            equalisation: Equalisation::Microgroove,
            cut_rpm: None,
            cut_rotation_deg: 0.0,
            lathe_offset_mm: 0.0,
            skew_us: 0.0,
            eccentricity_mm: 0.0,
        }
    }
}

/// A lead clip exchanged.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Leads {
    /// As they should be.
    #[default]
    Normal,
    /// Left and right exchanged at the cartridge.
    Swapped,
}

/// Which generator is connected the wrong way round.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Inverted {
    /// None.
    #[default]
    None,
    /// The cartridge's left.
    Left,
    /// The cartridge's right.
    Right,
}

/// How samples are stored.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub enum SampleFormat {
    /// 16-bit integer.
    #[serde(rename = "int16")]
    Int16,
    /// 24-bit integer.
    #[default]
    #[serde(rename = "int24")]
    Int24,
    /// 32-bit integer.
    #[serde(rename = "int32")]
    Int32,
    /// 32-bit float.
    #[serde(rename = "float32")]
    Float32,
}

/// How the record was played and stored.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Capture {
    /// Radius of the groove in millimetres, or at start and end of the
    /// modulated part.
    pub radius_mm: PerChannel,
    /// Playing speed: `33` means 100/3; a text may be a fraction.
    #[serde(deserialize_with = "rpm")]
    #[cfg_attr(feature = "cli", schemars(with = "RpmText"))]
    pub rpm: f64,
    /// Leads at the cartridge.
    #[serde(default)]
    pub leads: Leads,
    /// A generator with its two leads exchanged.
    #[serde(default)]
    pub inverted: Inverted,
    /// Unmodulated groove before the programme, in seconds.
    #[serde(default)]
    pub lead_in_s: f64,
    /// Unmodulated groove after it.
    #[serde(default)]
    pub run_out_s: f64,
    /// Whether the stylus comes down half-way through the lead-in, with a
    /// thump; before that there is no groove.
    #[serde(default)]
    pub needle_drop: bool,
    /// Rate of the file.
    pub sample_rate_hz: u32,
    /// Word of the file.
    #[serde(default)]
    pub word: SampleFormat,
    /// Triangular dither of two quantising steps (integer words only).
    #[serde(default = "yes")]
    pub dither: bool,
}

fn yes() -> bool {
    true
}

/// An injected delay; the two parts add.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields, default)]
pub struct InjectedDelay {
    /// Constant delay in microseconds as played, right late.
    pub us: f64,
    /// Path along the groove in micrometres, right late: follows the speed.
    pub path_um: f64,
}

/// How the stylus stands in the groove, seen by the tip (not by a microscope).
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields, default)]
pub struct Setup {
    /// Rotation about the axis perpendicular to the record, clockwise
    /// positive; the arm's tracking error comes on top.
    pub rotation_deg: f64,
    /// Tilt seen from the front; positive brings the top towards the outer
    /// (right) side. Turns solid and generator axes alike.
    pub azimuth_deg: f64,
    /// Tilt seen from the side; positive brings the top upstream. Turns the
    /// solid only.
    pub rake_deg: f64,
}

/// Stylus and generator: everything before the lead clips.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields, default)]
pub struct Cartridge {
    /// Shape of the tip; absent with an injected delay.
    pub profile: Option<Profile>,
    /// Frontal radius.
    pub frontal_radius_um: f64,
    /// Side radius (0 makes a knife edge); the frontal one for a ball.
    pub side_radius_um: f64,
    /// Distance of the contact points (line contact).
    pub contact_spacing_um: f64,
    /// Time error between the generators, right late.
    pub skew_us: f64,
    /// Gain of each generator.
    pub gain_db: Option<PerChannel>,
    /// Resonance of the tip against the groove per channel.
    pub resonance_hz: Option<PerChannel>,
    /// Quality factor of that resonance.
    pub resonance_q: Option<PerChannel>,
    /// Resonance met by lateral motion, where it differs from vertical.
    pub lateral_resonance_hz: Option<f64>,
    /// Resonance met by vertical motion.
    pub vertical_resonance_hz: Option<f64>,
    /// Quality factor of both.
    pub mode_q: Option<f64>,
    /// Crosstalk of the right signal into the left channel, real and
    /// imaginary part at low frequency.
    pub crosstalk_right_into_left: [f64; 2],
    /// Crosstalk of the left signal into the right channel.
    pub crosstalk_left_into_right: [f64; 2],
    /// Where crosstalk starts to rise with frequency, as `1 + j f / corner`.
    pub crosstalk_corner_hz: Option<f64>,
    /// Inductance per generator (with the load, `chain.load_*`).
    pub inductance_mh: Option<PerChannel>,
}

/// A pivoted arm.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Arm {
    /// Pivot to stylus.
    pub effective_length_mm: f64,
    /// Pivot to spindle.
    pub pivot_to_spindle_mm: f64,
    /// Offset of the head.
    pub offset_deg: f64,
}

/// Everything behind the lead clips.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields, default)]
pub struct Chain {
    /// Parts of the left equaliser off nominal, as fractions of the 3180, 318
    /// and 75 us time constants.
    pub equaliser_left: [f64; 3],
    /// The same on the right.
    pub equaliser_right: [f64; 3],
    /// Input coupling poles.
    pub coupling_hz: Option<PerChannel>,
    /// Time error of amplifier, cable and converter, right late.
    pub skew_us: f64,
    /// Gain per channel.
    pub gain_db: PerChannel,
    /// Load resistance, used with an inductance.
    pub load_kohm: PerChannel,
    /// Load capacitance, used with an inductance.
    pub load_pf: PerChannel,
    /// Peak lateral velocity of a 1 kHz tone that reaches full scale at 0 dB
    /// gain; beyond full scale integer words and floats alike are clipped.
    pub full_scale_cm_s: f64,
    /// Converter noise per channel, rms re full scale; none when absent.
    pub noise_dbfs: Option<f64>,
    /// Hum of the mains, rms of the fundamental re full scale.
    pub hum_dbfs: Option<f64>,
    /// Frequency of the mains.
    pub hum_hz: f64,
    /// Dropouts per second: 2 to 20 ms of zeros in both channels.
    pub dropouts_per_s: f64,
}

impl Default for Chain {
    fn default() -> Self {
        Self {
            equaliser_left: [0.0; 3],
            equaliser_right: [0.0; 3],
            coupling_hz: None,
            skew_us: 0.0,
            gain_db: PerChannel::both(0.0),
            // The usual moving-magnet load (common practice, no source).
            load_kohm: PerChannel::both(47.0),
            load_pf: PerChannel::both(200.0),
            full_scale_cm_s: 40.0,
            noise_dbfs: None,
            hum_dbfs: None,
            hum_hz: 50.0,
            dropouts_per_s: 0.0,
        }
    }
}

/// Spectrum of the wall noise as a velocity.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum NoiseSpectrum {
    /// Flat.
    #[default]
    White,
    /// Flat above 1 kHz, power rising as 1/f below (common practice, no
    /// source).
    Surface,
}

/// Impairments: noise, rumble, warp, wow, clicks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields, default)]
pub struct Impairments {
    /// Programme over wall noise per channel: ratio of rms velocities within
    /// 20 Hz to 20 kHz, before any equalisation.
    pub snr_db: Option<f64>,
    /// Wall noise as rms velocity within 20 Hz to 20 kHz, in place of a ratio.
    pub noise_cm_s: Option<f64>,
    /// Spectrum of that noise.
    pub noise_spectrum: NoiseSpectrum,
    /// Vertical rumble, 4 to 30 Hz, rms velocity.
    pub rumble_cm_s: f64,
    /// Warp, peak to peak, once per revolution.
    pub warp_mm: f64,
    /// Peak fractional change of speed once per revolution.
    pub wow: f64,
    /// Peak fractional change of speed at `flutter_hz`.
    pub flutter: f64,
    /// Frequency of the flutter.
    pub flutter_hz: f64,
    /// Clicks per second.
    pub clicks_per_s: f64,
    /// Median peak velocity of a click.
    pub click_cm_s: f64,
}

impl Default for Impairments {
    fn default() -> Self {
        Self {
            snr_db: None,
            noise_cm_s: None,
            noise_spectrum: NoiseSpectrum::White,
            rumble_cm_s: 0.0,
            warp_mm: 0.0,
            wow: 0.0,
            flutter: 0.0,
            // A capstan-like rate (common practice, no source).
            flutter_hz: 7.0,
            clicks_per_s: 0.0,
            click_cm_s: 10.0,
        }
    }
}

#[derive(Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(
    untagged,
    expecting = "expected a speed such as 33, 45, 78.26 or \"100/3\""
)]
enum RpmText {
    Number(f64),
    Text(String),
}

fn rpm<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    match RpmText::deserialize(from)? {
        RpmText::Number(value) => Ok(nominal_rpm(value)),
        RpmText::Text(text) => parse_rpm(&text).map_err(serde::de::Error::custom),
    }
}

fn optional_rpm<'de, D: Deserializer<'de>>(from: D) -> Result<Option<f64>, D::Error> {
    match Option::<RpmText>::deserialize(from)? {
        None => Ok(None),
        Some(RpmText::Number(value)) => Ok(Some(nominal_rpm(value))),
        Some(RpmText::Text(text)) => parse_rpm(&text).map(Some).map_err(serde::de::Error::custom),
    }
}

/// The numbers that a key stands for; none where it is absent.
trait Numbers {
    fn numbers(self) -> Vec<f64>;
}

impl Numbers for f64 {
    fn numbers(self) -> Vec<f64> {
        vec![self]
    }
}

impl Numbers for PerChannel {
    fn numbers(self) -> Vec<f64> {
        self.array().to_vec()
    }
}

impl<const N: usize> Numbers for [f64; N] {
    fn numbers(self) -> Vec<f64> {
        self.to_vec()
    }
}

impl<T: Numbers> Numbers for Option<T> {
    fn numbers(self) -> Vec<f64> {
        self.map_or_else(Vec::new, T::numbers)
    }
}

/// One row per key: its name in messages where that is another, the least and the greatest value.
macro_rules! ranges {
    (@name $table:ident $key:ident $name:literal) => { $name };
    (@name $table:ident $key:ident) => { concat!(stringify!($table), ".", stringify!($key)) };
    ($($table:ident.$key:ident $($name:literal)?: $low:expr, $high:expr;)*) => {
        $(for number in $table.$key.numbers() {
            within(ranges!(@name $table $key $($name)?), number, $low, $high)?;
        })*
    };
}

impl Recipe {
    /// Reads one capture's recipe (no variations) and checks it.
    pub fn parse(text: &str) -> Result<Self, RecipeError> {
        let recipe: Self = toml::from_str(text).map_err(|error| explain(&error, Some(text)))?;
        recipe.check()?;
        Ok(recipe)
    }

    /// Reads one capture's recipe from a table already parsed.
    pub fn from_table(table: toml::Table) -> Result<Self, RecipeError> {
        let recipe: Self = table.try_into().map_err(|error| explain(&error, None))?;
        recipe.check()?;
        Ok(recipe)
    }

    /// Speed at the cut in rpm.
    pub fn cut_rpm(&self) -> f64 {
        self.record.cut_rpm.unwrap_or(self.capture.rpm)
    }

    /// Length of the file in seconds.
    pub fn length_s(&self) -> f64 {
        self.capture.lead_in_s + self.programme.duration_s + self.capture.run_out_s
    }

    /// Whether the mono programme is on both walls.
    pub fn is_two_channel(&self) -> bool {
        matches!(
            self.record.modulation,
            Modulation::Lateral | Modulation::Vertical
        )
    }

    /// Refuses what cannot be simulated, naming the key.
    pub fn check(&self) -> Result<(), RecipeError> {
        let (p, length, cut) = (&self.programme, self.length_s(), self.cut_rpm());
        let cut_s = p.duration_s * self.capture.rpm / cut;
        if self.format != FORMAT {
            return fail("format", "this program reads recipes with format = 1");
        }
        self.check_ranges()?;
        within("length of the capture in s", length, 0.2, LONGEST_S)?;
        within(
            "length of the programme at the cut in s",
            cut_s,
            0.1,
            LONGEST_S,
        )?;
        for (broken, key, what) in self.rules() {
            if broken {
                return fail(key, what);
            }
        }
        for &hz in &p.frequencies_hz {
            within("programme.frequencies_hz", hz, p.low_hz, p.high_hz)?;
        }
        self.cartridge.check_tip()
    }

    /// What each key may be by itself.
    fn check_ranges(&self) -> Result<(), RecipeError> {
        let Self {
            programme,
            record,
            capture,
            setup,
            cartridge,
            chain,
            impairments: dirt,
            ..
        } = self;
        ranges! {
            programme.duration_s: 0.2, LONGEST_S;
            programme.peak_cm_s: 0.0, 200.0;
            programme.low_hz: 10.0, HIGHEST_HZ;
            programme.high_hz: 10.0, HIGHEST_HZ;
            programme.notes_per_s: 0.1, 50.0;
            capture.radius_mm: 20.0, 250.0;
            capture.rpm: 10.0, 100.0;
            capture.lead_in_s: 0.0, LONGEST_S;
            capture.run_out_s: 0.0, LONGEST_S;
            record.cut_rpm: 10.0, 100.0;
            record.cut_rotation_deg: -30.0, 30.0;
            record.lathe_offset_mm: -10.0, 10.0;
            record.skew_us: -1000.0, 1000.0;
            record.eccentricity_mm: 0.0, 5.0;
            setup.rotation_deg: -45.0, 45.0;
            setup.azimuth_deg: -15.0, 15.0;
            setup.rake_deg: -30.0, 45.0;
            cartridge.skew_us: -1000.0, 1000.0;
            cartridge.gain_db: -60.0, 60.0;
            cartridge.resonance_hz "cartridge: resonance in Hz": 1000.0, 1e6;
            cartridge.lateral_resonance_hz "cartridge: resonance in Hz": 1000.0, 1e6;
            cartridge.vertical_resonance_hz "cartridge: resonance in Hz": 1000.0, 1e6;
            cartridge.resonance_q "cartridge: quality factor": 0.1, 50.0;
            cartridge.mode_q "cartridge: quality factor": 0.1, 50.0;
            cartridge.crosstalk_right_into_left: -0.9, 0.9;
            cartridge.crosstalk_left_into_right: -0.9, 0.9;
            cartridge.crosstalk_corner_hz: 10.0, 1e9;
            cartridge.inductance_mh: 0.0, 10_000.0;
            chain.equaliser_left "chain.equaliser_*": -0.9, 10.0;
            chain.equaliser_right "chain.equaliser_*": -0.9, 10.0;
            chain.coupling_hz: 0.01, 1000.0;
            chain.skew_us: -1000.0, 1000.0;
            chain.gain_db: -60.0, 60.0;
            chain.load_kohm: 0.001, 1e6;
            chain.load_pf: 0.0, 1e6;
            chain.full_scale_cm_s: 0.1, 1e4;
            chain.noise_dbfs: -250.0, 0.0;
            chain.hum_dbfs: -250.0, 0.0;
            chain.hum_hz: 10.0, 1000.0;
            chain.dropouts_per_s: 0.0, 10.0;
            dirt.snr_db: -20.0, 200.0;
            dirt.noise_cm_s: 0.0, 100.0;
            dirt.rumble_cm_s: 0.0, 100.0;
            dirt.warp_mm: 0.0, 20.0;
            dirt.wow: 0.0, 0.05;
            dirt.flutter: 0.0, 0.05;
            dirt.flutter_hz: 0.1, 200.0;
            dirt.clicks_per_s: 0.0, 1000.0;
            dirt.click_cm_s: 0.0, 1000.0;
        }
        if let Some(arm) = self.arm {
            ranges! {
                arm.effective_length_mm: 50.0, 1000.0;
                arm.pivot_to_spindle_mm: 50.0, 1000.0;
                arm.offset_deg: -45.0, 45.0;
            }
        }
        Ok(())
    }

    /// What keys may be together: whether it is broken, the key to name, and what to do.
    #[rustfmt::skip]
    fn rules(&self) -> [(bool, &'static str, &'static str); 17] {
        let Self { programme: p, record: r, capture: c, cartridge: k, impairments: d, .. } = self;
        let is_word = |c: char| c.is_ascii_alphanumeric() || "-_.".contains(c);
        let is_stem = |name: &String| {
            !name.is_empty() && name.chars().all(is_word) && !name.starts_with('.')
        };
        let tones = match p.kind {
            ProgrammeKind::Tone => 1..=1,
            ProgrammeKind::Multitone => 2..=10_000,
            _ => 0..=0,
        };
        let bare = k.profile.is_none();
        let modes = [k.lateral_resonance_hz, k.vertical_resonance_hz].map(|hz| hz.is_some());
        let silent = p.kind == ProgrammeKind::Silence || p.peak_cm_s == 0.0;
        let rates = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];
        let out_of_reach = |arm: Arm| {
            let (length, pivot) = (arm.effective_length_mm, arm.pivot_to_spindle_mm);
            let reaches = |radius| length + pivot > radius && (length - pivot).abs() < radius;
            !c.radius_mm.array().into_iter().all(reaches)
        };
        [
            (!self.name.iter().all(is_stem), "name",
                "use letters, digits, '-', '_' and '.' only: it becomes a file name"),
            (p.low_hz >= p.high_hz, "programme.low_hz", "must be below programme.high_hz"),
            (!tones.contains(&p.frequencies_hz.len()), "programme.frequencies_hz",
                "a tone has one frequency, a multitone several, other kinds none"),
            (p.file.is_some() != (p.kind == ProgrammeKind::Wav), "programme.file",
                "give a file with kind = \"wav\", and only then"),
            (p.notes_per_s.is_some() && p.kind != ProgrammeKind::Music, "programme.notes_per_s",
                "belongs to kind = \"music\" only; remove it"),
            (!rates.contains(&c.sample_rate_hz), "capture.sample_rate_hz",
                "use 44100, 48000, 88200, 96000, 176400 or 192000"),
            (c.needle_drop && c.lead_in_s < 0.5, "capture.needle_drop",
                "needs capture.lead_in_s of at least 0.5"),
            (!bare && self.delay.is_some(), "delay",
                "with cartridge.profile the delay comes from the geometry; remove one of the two"),
            (bare && (k.frontal_radius_um, k.side_radius_um, k.contact_spacing_um) != (0.0, 0.0, 0.0),
                "cartridge.profile", "give the shape that the radii belong to"),
            (bare && (self.setup != Setup::default() || self.arm.is_some()), "cartridge.profile",
                "setup and arm turn a stylus; give its shape, or remove them"),
            (bare && (r.cut_rotation_deg, r.lathe_offset_mm) != (0.0, 0.0), "cartridge.profile",
                "a rotated cut is read at two contact points; give the stylus' shape, or use delay.path_um"),
            (k.resonance_q.is_some() && k.resonance_hz.is_none(), "cartridge.resonance_q",
                "needs cartridge.resonance_hz"),
            (modes[0] != modes[1], "cartridge.lateral_resonance_hz",
                "give the lateral and the vertical resonance together"),
            (k.mode_q.is_some() && !modes[0], "cartridge.mode_q",
                "needs the lateral and vertical resonance"),
            (self.arm.is_some_and(out_of_reach), "arm",
                "cannot reach capture.radius_mm; check the two lengths"),
            (d.snr_db.is_some() && d.noise_cm_s.is_some(), "dirt.noise_cm_s",
                "give this or dirt.snr_db, not both"),
            (d.snr_db.is_some() && silent, "dirt.snr_db",
                "silence has no signal to compare with; use dirt.noise_cm_s"),
        ]
    }
}

impl Cartridge {
    /// What the sizes of a tip may be by its shape.
    fn check_tip(&self) -> Result<(), RecipeError> {
        let (frontal, side) = (self.frontal_radius_um, self.side_radius_um);
        let spacing = self.contact_spacing_um;
        let Some(profile) = self.profile else {
            return Ok(());
        };
        within("cartridge.frontal_radius_um", frontal, 1.0, 500.0)?;
        if profile == Profile::Spherical {
            return match (side, spacing) {
                (0.0, 0.0) => Ok(()),
                _ => fail("cartridge.profile", "a ball has a frontal radius only"),
            };
        }
        within("cartridge.side_radius_um", side, 0.0, frontal)?;
        match profile {
            Profile::Line => within("cartridge.contact_spacing_um", spacing, 1.0, 200.0),
            _ if spacing == 0.0 => Ok(()),
            _ => fail(
                "cartridge.contact_spacing_um",
                "follows from the radii of an elliptical tip; remove it",
            ),
        }
    }
}

fn fail(key: &str, what: &str) -> Result<(), RecipeError> {
    Err(RecipeError::Value {
        key: key.to_owned(),
        what: what.to_owned(),
    })
}

fn within(key: &str, value: f64, low: f64, high: f64) -> Result<(), RecipeError> {
    match value.is_finite() && (low..=high).contains(&value) {
        true => Ok(()),
        false => fail(
            key,
            &format!("{value} is outside {low} to {high}; choose a value within"),
        ),
    }
}

/// A parser's error in our words: line, and for an unknown key the nearest one.
pub(super) fn explain(error: &toml::de::Error, text: Option<&str>) -> RecipeError {
    let (place, written) = match (error.span(), text) {
        (Some(span), Some(text)) => {
            let before = text.get(..span.start).unwrap_or(text);
            let line = before.matches('\n').count();
            let key = text.lines().nth(line).and_then(|l| l.split_once('='));
            let key = key.map_or_else(String::new, |(key, _)| format!("'{}': ", key.trim()));
            (format!("line {}: ", line + 1), key)
        }
        _ => (String::new(), String::new()),
    };
    let message = error.message().trim();
    // serde's wording: "unknown field `x`, expected one of `a`, `b`".
    let mut quoted = message.split('`').skip(1).step_by(2);
    if message.starts_with("unknown field")
        && let Some(key) = quoted.next()
        && let Some(nearest) = nearest(key, quoted)
    {
        return RecipeError::UnknownKey {
            place,
            key: key.to_owned(),
            nearest: nearest.to_owned(),
        };
    }
    RecipeError::Text(format!("{place}{written}{message}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAIN: &str = "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 1\n\
                         [capture]\nradius_mm = 72\nrpm = 33\nsample_rate_hz = 48000\n";

    #[test]
    fn the_shortest_recipe_reads() {
        let recipe = Recipe::parse(PLAIN).unwrap();
        assert_eq!(recipe.capture.rpm, 100.0 / 3.0);
        assert_eq!(recipe.capture.radius_mm, PerChannel::both(72.0));
        assert_eq!(recipe.chain, Chain::default());
    }

    #[test]
    fn unknown_keys_are_refused_with_line_and_nearest_name() {
        for (extra, key, nearest, line) in [
            ("radus_mm = 3\n", "radus_mm", "radius_mm", 9),
            (
                "[dirt]\nclick_per_s = 3\n",
                "click_per_s",
                "clicks_per_s",
                10,
            ),
            ("[cartridg]\n", "cartridg", "cartridge", 9),
        ] {
            match Recipe::parse(&format!("{PLAIN}{extra}")) {
                Err(RecipeError::UnknownKey {
                    place,
                    key: k,
                    nearest: n,
                }) => {
                    assert_eq!((k.as_str(), n.as_str()), (key, nearest));
                    assert_eq!(place, format!("line {line}: "));
                }
                other => panic!("{extra}: {other:?}"),
            }
        }
    }

    #[test]
    fn what_cannot_be_simulated_is_refused_by_name() {
        for (extra, named) in [
            (
                "[delay]\nus = 1\n[cartridge]\nprofile = \"spherical\"\nfrontal_radius_um = 18\n",
                "delay",
            ),
            ("[setup]\nrotation_deg = 3\n", "cartridge.profile"),
            ("[record]\ncut_rotation_deg = 3\n", "cartridge.profile"),
            ("[dirt]\nsnr_db = 30\nnoise_cm_s = 0.1\n", "dirt.noise_cm_s"),
            ("[dirt]\nwow = 0.2\n", "dirt.wow"),
            ("needle_drop = true\n", "capture.needle_drop"),
            (
                "[cartridge]\nlateral_resonance_hz = 20000\n",
                "cartridge.lateral_resonance_hz",
            ),
        ] {
            let message = Recipe::parse(&format!("{PLAIN}{extra}"))
                .unwrap_err()
                .to_string();
            assert!(message.starts_with(named), "{extra}: {message}");
        }
        let long =
            PLAIN.replace("duration_s = 1", "duration_s = 1000") + "[record]\ncut_rpm = 10\n";
        let message = Recipe::parse(&long).unwrap_err().to_string();
        assert!(
            message.starts_with("length of the programme at the cut"),
            "{message}"
        );
        let message = Recipe::parse(&PLAIN.replace("rpm = 33", "rpm = \"33,3\""))
            .unwrap_err()
            .to_string();
        assert!(message.contains("decimal"), "{message}");
    }
}
