//! The tables of a job file as they are written: one field for each key, in the unit of its name. Their schema is
//! docs/schemas/job.json.

use super::bands::BandsOf;
use super::values::{
    ALONE, Channels, Count, Date, Day, FilePath, Format, LISTED, Located, NAMED, Number, OneOrMany,
    Quantity, Radius, Speed, Table, Text, Time, Value, count, in_range, table,
};
use crate::groove::Profile;
use crate::job::description::{Alignment, BandKind, STRETCHES};
use crate::uncertainty::Level;
use serde::de::{Error, IgnoredAny};
use serde::{Deserialize, Deserializer, Serialize};
use std::collections::BTreeMap;

/// A job file of groovelag (TOML). What is not stated has a prior; ranges are checked by the program.
#[derive(Deserialize)]
#[cfg_attr(
    feature = "cli",
    derive(schemars::JsonSchema),
    schemars(rename = "Job")
)]
#[serde(deny_unknown_fields)]
pub struct JobFile {
    /// The format of the file: always 1.
    #[serde(rename = "format")]
    _format: Format,
    /// What the job is called.
    pub(super) title: Option<Text>,
    /// Who did the work.
    pub(super) operator: Option<Text>,
    /// When it was done; what states no date of its own was made and read then.
    pub(super) date: Option<Text>,
    /// Free text.
    pub(super) note: Option<Text>,
    /// What a report says of its making.
    #[serde(default)]
    #[cfg_attr(feature = "cli", schemars(schema_with = "schema::report"))]
    pub(super) report: Option<Texts<ALONE>>,
    /// Instruments behind the figures that are stated.
    #[serde(default)]
    #[cfg_attr(feature = "cli", schemars(schema_with = "schema::instruments"))]
    pub(super) instrument: Vec<Texts<LISTED>>,
    /// Knowledge files of earlier jobs, relative to this file.
    pub(super) include: Option<OneOrMany<FilePath>>,
    /// Cartridges by name.
    #[serde(default)]
    pub(super) cartridge: BTreeMap<String, Table<CartridgeTable, NAMED>>,
    /// Record sides by name.
    #[serde(default)]
    pub(super) record: BTreeMap<String, Table<RecordTable, NAMED>>,
    /// Chains by name: everything after the cartridge's pins.
    #[serde(default)]
    pub(super) chain: BTreeMap<String, Table<ChainTable, NAMED>>,
    /// Pivoted arms by name.
    #[serde(default)]
    pub(super) arm: BTreeMap<String, Table<ArmTable, NAMED>>,
    /// Setups by name: states of alignment.
    #[serde(default)]
    pub(super) setup: BTreeMap<String, Table<SetupTable, NAMED>>,
    /// What the result is held against.
    pub(super) limits: Option<Table<LimitsTable>>,
    /// What a plan may ask for.
    #[serde(default, deserialize_with = "table")]
    pub(super) plan: Means,
    /// Captures, in order.
    #[serde(default)]
    pub(super) capture: Vec<Table<CaptureTable, LISTED>>,
}

/// What a folder gives to the jobs below it.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FolderFile {
    /// The format of the file: always 1.
    #[serde(rename = "format")]
    _format: Format,
    /// What results are held against.
    pub limits: Option<Table<LimitsTable>>,
}

/// A cartridge with its stylus.
#[derive(Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CartridgeTable {
    /// Kind of stylus; a generic elliptical if absent.
    pub profile: Option<Profile>,
    /// Frontal radius (ball radius of a spherical tip), micrometres.
    pub frontal_radius_um: Option<Quantity>,
    /// Side radius, micrometres; a spherical tip has none.
    pub side_radius_um: Option<Quantity>,
    /// Distance of the contact points of a line contact, micrometres.
    pub contact_spacing_um: Option<Quantity>,
    /// Lever of a spherical tip that is not quite a ball, micrometres.
    pub ball_lever_um: Option<Quantity>,
    /// Growth of the side radius by wear, micrometres in 1000 hours of playing; for setups that state their hours.
    pub wear_um_per_1000_h: Option<Quantity>,
    /// Crosstalk, dB: the channel separation as a negative number.
    pub crosstalk_db: Option<Located<Number>>,
    /// Time error between the channels, right late, microseconds.
    pub skew_us: Option<Quantity>,
    /// Inductance, millihenry.
    pub inductance_mh: Option<Quantity>,
    /// How far the stylus lies ahead of the line through the mounting holes, millimetres.
    pub holes_to_stylus_mm: Option<Located<Number>>,
    /// Serial number.
    pub serial: Option<Text>,
}

/// One side of one record.
#[derive(Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct RecordTable {
    /// Rotation of the cut, degrees, clockwise positive.
    pub cut_rotation_deg: Option<Quantity>,
    /// Distance of the cutter from the radial line, millimetres.
    pub lathe_offset_mm: Option<Quantity>,
    /// Time error between the cutter's channels, right late, microseconds at the cut.
    pub skew_us: Option<Quantity>,
    /// Speed of the cut, revolutions per minute; 33 means 100/3.
    pub cut_rpm: Option<Speed>,
    /// Included angle of the groove, degrees.
    pub groove_angle_deg: Option<Quantity>,
    /// Separation of the cutter's channels, dB.
    pub cutter_separation_db: Option<Located<Number>>,
    /// The session in which it was cut: sides of one session share a part of their cut.
    pub session: Option<Text>,
    /// What stands on its label.
    pub label: Option<Text>,
    /// Which side it is.
    pub side: Option<Text>,
    /// Its bands by name.
    #[serde(default)]
    pub band: BTreeMap<String, Table<BandTable, NAMED>>,
}

/// One band of a record side.
#[derive(Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct BandTable {
    /// What is cut into it; lateral if absent.
    #[serde(default)]
    pub kind: BandKind,
    /// Radius, millimetres, or the two at start and end.
    pub radius_mm: Radius,
    /// Peak lateral velocity of a tone, cm/s: it gives the level of a recording.
    pub velocity_cm_s: Option<Quantity>,
    /// Frequency of a tone at the speed of the cut, hertz: it gives the speed.
    pub frequency_hz: Option<Located<Number>>,
}

/// Everything after the cartridge's pins.
#[derive(Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ChainTable {
    /// Time error between the channels, right late, microseconds.
    pub skew_us: Option<Quantity>,
    /// Tolerance of the equaliser's components, a fraction.
    pub component_tolerance: Option<Located<Number>>,
    /// Load resistance, kiloohm.
    pub load_kohm: Option<Quantity>,
    /// Load capacitance, picofarad.
    pub load_pf: Option<Quantity>,
    /// Calibration files, oldest first, relative to this file.
    pub calibration: Option<Located<OneOrMany<FilePath>>>,
    /// Standard uncertainty of the skew's change after its calibration, microseconds.
    pub stability_us: Option<Located<Number>>,
}

/// A pivoted arm; others need no table.
#[derive(Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct ArmTable {
    /// Pivot to stylus, millimetres.
    pub effective_length_mm: Quantity,
    /// Pivot to spindle, millimetres.
    pub pivot_to_spindle_mm: Quantity,
    /// Offset angle, degrees.
    pub offset_deg: Quantity,
}

/// One state of alignment.
#[derive(Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SetupTable {
    /// Name of its cartridge; the only one if absent.
    pub cartridge: Option<Located<Text>>,
    /// Name of its arm, or one of "unknown", "tangential", "null-radius"; unknown if absent.
    pub arm: Option<Located<Text>>,
    /// What is known beforehand of the stylus's rotation in the headshell, degrees, clockwise positive.
    pub rotation_deg: Option<Quantity>,
    /// Rotation of the cartridge body in the headshell, degrees, clockwise positive.
    pub mounting_deg: Option<Quantity>,
    /// How the body was aligned.
    pub aligned: Option<Alignment>,
    /// Peak lateral velocity at 1 kHz that full scale stands for in its recordings, cm/s.
    pub full_scale_cm_s: Option<Quantity>,
    /// Hours that the stylus had been played by then, since its side radius was as stated.
    pub hours: Option<Located<Number>>,
    /// The day of its captures, unless they state one; that of the job if absent.
    pub date: Option<Day>,
    /// The day it was mounted, where it stays mounted beyond the job.
    pub mounted: Option<Day>,
}

/// The limits that a result is checked against.
#[derive(Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct LimitsTable {
    /// Tolerance on the rotation of the stylus to the cartridge body either way, degrees.
    pub tolerance_deg: Option<Located<Number>>,
    /// Whose tolerance it is and where that is written.
    pub tolerance_source: Option<Located<Text>>,
    /// Largest turn that the headshell allows, degrees.
    pub max_turn_deg: Option<Located<Number>>,
    /// Largest standard uncertainty of a rotation, degrees.
    pub standard_uncertainty_deg: Option<Located<Number>>,
    /// Lowest level of a warning that fails a check.
    pub warning_level: Option<Level>,
    /// Expected rotation, degrees.
    pub expected_deg: Option<Quantity>,
    /// Result of an earlier run, relative to this file.
    pub baseline: Option<FilePath>,
}

/// What a plan may ask for: what is at hand, and how long each thing takes. What is not stated is at hand.
#[derive(Debug, Clone, Copy, PartialEq, Default, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct Means {
    /// Spherical cartridges, those of the job among them.
    #[serde(deserialize_with = "count::<0, 1000, _>")]
    pub spherical_cartridges: Option<usize>,
    /// Record sides, those of the job among them.
    #[serde(deserialize_with = "count::<1, 1000, _>")]
    pub record_sides: Option<usize>,
    /// Whether the turntable has another speed.
    pub other_speed: Option<bool>,
    /// Whether the leads may be swapped at the cartridge.
    pub swapped_leads: Option<bool>,
    /// Whether the cartridge may be turned by a known angle.
    pub turn: Option<bool>,
    /// Whether one signal can be fed to both inputs.
    pub calibration: Option<bool>,
    /// How long each thing takes.
    #[serde(deserialize_with = "table")]
    pub minutes: Minutes,
}

/// How long each thing takes, minutes; common practice, no source, where nothing is stated.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(default, deny_unknown_fields)]
pub struct Minutes {
    /// A recording.
    #[serde(deserialize_with = "minutes")]
    pub recording: f64,
    /// Swapping the leads.
    #[serde(deserialize_with = "minutes")]
    pub leads: f64,
    /// Setting a turn, and reading it.
    #[serde(deserialize_with = "minutes")]
    pub turn: f64,
    /// Mounting another cartridge.
    #[serde(deserialize_with = "minutes")]
    pub mounting: f64,
    /// A calibration of the chain.
    #[serde(deserialize_with = "minutes")]
    pub calibration: f64,
    /// Reading a radius with care.
    #[serde(deserialize_with = "minutes")]
    pub reading: f64,
}

impl Default for Minutes {
    fn default() -> Self {
        Self {
            recording: 3.0,
            leads: 5.0,
            turn: 5.0,
            mounting: 20.0,
            calibration: 10.0,
            reading: 1.0,
        }
    }
}

/// Up to a day.
fn minutes<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
    let Number(minutes) = Number::deserialize(deserializer)?;
    in_range(minutes, &(0.0..=1440.0)).map_err(D::Error::custom)
}

/// One capture, or a recording of several.
#[derive(Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CaptureTable {
    /// Its recording, relative to this file; or `delay_us`, or `planned`.
    pub file: Option<FilePath>,
    /// A delay as recorded, right late, microseconds, with its standard uncertainty.
    pub delay_us: Option<Quantity>,
    /// Whether it is only planned.
    #[serde(default)]
    pub planned: bool,
    /// Name of its setup; the only one if absent.
    pub setup: Option<Located<Text>>,
    /// Name of its record side; the only one if absent.
    pub record: Option<Located<Text>>,
    /// Name of its chain; the only one if absent.
    pub chain: Option<Located<Text>>,
    /// Radius, millimetres, or the two at start and end of the analysed part.
    pub radius_mm: Option<Radius>,
    /// Speed while played, revolutions per minute; 33 means 100/3.
    pub rpm: Speed,
    /// Known turn relative to the setup, degrees, clockwise positive.
    pub turn_deg: Option<Quantity>,
    /// The leads at the cartridge; normal if absent.
    #[serde(default)]
    pub leads: Leads,
    /// Which channels of the recording are left and right, counted from 1.
    pub channels: Option<Channels>,
    /// Start of the analysed part, seconds or `"m:ss"`.
    pub from_s: Option<Located<Time>>,
    /// End of the analysed part, seconds or `"m:ss"`.
    pub to_s: Option<Located<Time>>,
    /// The day on which it was made and read; that of its setup if absent.
    pub date: Option<Day>,
    /// Its bands, each of which is a capture.
    pub bands: Option<Located<BandsOf>>,
    /// Number of equal stretches that it is divided into, each of which is a capture.
    pub stretches: Option<Located<Count<{ *STRETCHES.start() }, { *STRETCHES.end() }>>>,
    /// Free text.
    pub note: Option<Text>,
}

/// The leads at the cartridge.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Leads {
    /// As they should be.
    #[default]
    Normal,
    /// Left and right exchanged.
    Swapped,
}

/// Texts by key.
pub type Texts<const STANDS: u8> =
    Table<BTreeMap<Located<String>, Located<Value<IgnoredAny, Date>>>, STANDS>;

/// Schemas of the tables of texts, whose keys stand with what they mean.
#[cfg(feature = "cli")]
mod schema {
    use crate::job::description::{INSTRUMENT, REPORT};
    use schemars::{Schema, SchemaGenerator, json_schema};

    fn texts(keys: &[(&str, &str)]) -> Schema {
        let text = |(key, means): &(&str, &str)| {
            let text = json_schema!({ "type": "string", "description": means });
            ((*key).to_owned(), text.into())
        };
        let keys: serde_json::Map<_, _> = keys.iter().map(text).collect();
        json_schema!({ "type": "object", "properties": keys, "additionalProperties": false })
    }

    pub fn report(_: &mut SchemaGenerator) -> Schema {
        texts(REPORT)
    }

    pub fn instruments(_: &mut SchemaGenerator) -> Schema {
        json_schema!({ "type": "array", "items": texts(INSTRUMENT) })
    }
}
