//! The estimate at one moment.

use crate::analysis::follow::SignalLevel;
use crate::document::Program;
use crate::uncertainty::{Caveat, Direction, Outlook, Quantity};
use serde::{Deserialize, Serialize};

/// One document of `follow`: the state at one moment of the stream.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct StreamEstimate {
    /// `groovelag/estimate/1`.
    pub schema: String,
    /// What made it.
    pub program: Program,
    /// Seconds of stream so far.
    pub stream_s: f64,
    /// Which stretch of the stream the estimate is of, from 1: a pause, in which the stylus
    /// may have been turned, ends one.
    pub stretch: usize,
    /// Seconds of programme taken in, of this stretch.
    pub programme_s: f64,
    /// Groove radius at the end of the programme so far, as followed.
    pub radius_mm: f64,
    /// Offset between the channels as recorded so far; null: no estimate yet.
    pub delay_us: Option<Quantity>,
    /// Rotation of the stylus so far; null: no estimate yet, or a spherical tip.
    pub rotation_deg: Option<Quantity>,
    /// Rotation of the record's cut so far, for a spherical tip.
    pub cut_rotation_deg: Option<Quantity>,
    /// Direction in which the stylus (with a spherical tip: the cut) is rotated.
    pub direction: Direction,
    /// The stretch before; null: there was none, it gave no estimate, or the tip is
    /// spherical and cannot see a turn.
    pub before: Option<PreviousStretch>,
    /// The latest few seconds by themselves; null: they gave no estimate.
    pub recent: Option<RecentEstimate>,
    /// Level in the latest half second.
    pub signal: SignalLevel,
    /// Present warnings, the most serious first.
    pub health: Vec<Caveat>,
    /// Effect of more time on the uncertainty, in degrees; null: no estimate yet.
    pub outlook: Option<Outlook>,
}

/// The stretch before the latest pause, and what changed since.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct PreviousStretch {
    /// The seconds of stream meant: start, end.
    pub span_s: [f64; 2],
    /// Rotation of the stylus then.
    pub rotation_deg: Quantity,
    /// Rotation now minus rotation then; what both share, as record, cartridge and chain,
    /// cancels. Null: no estimate yet.
    pub change_deg: Option<Quantity>,
}

/// The latest few seconds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct RecentEstimate {
    /// The seconds of stream meant: start, end.
    pub span_s: [f64; 2],
    /// Offset between the channels.
    pub delay_us: Quantity,
    /// Rotation of the stylus; null for a spherical tip. Its uncertainty and band
    /// are those of noise alone: where nothing is turned, values differ by little
    /// more. What else is unknown is in the rotation so far.
    pub rotation_deg: Option<Quantity>,
    /// Rotation of the record's cut, for a spherical tip, in the same way.
    pub cut_rotation_deg: Option<Quantity>,
}

impl StreamEstimate {
    /// The document's schema identifier.
    pub const SCHEMA: &'static str = "groovelag/estimate/1";
}
