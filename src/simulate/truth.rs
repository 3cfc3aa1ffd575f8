//! True values of a simulated capture.

use super::recipe::Recipe;
use crate::document::Program;
use serde::Serialize;

/// Name and version of the truth document.
pub const SCHEMA: &str = "groovelag/simulation/1";

/// A quantity that may change along the modulated part.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Along {
    /// Mean over the modulated part in time.
    pub mean: f64,
    /// At its start.
    pub start: f64,
    /// At its end.
    pub end: f64,
}

impl Along {
    /// Follows a function of time from `from` to `to` (seconds).
    pub fn of(from: f64, to: f64, value: impl Fn(f64) -> f64) -> Self {
        // Midpoints of many steps: what varies once per revolution is then
        // averaged as a long capture averages it.
        const STEPS: usize = 4096;
        let step = (to - from) / STEPS as f64;
        let start = value(from);
        // Deviations from the start, so that a constant keeps its digits.
        let sum: f64 = (0..STEPS)
            .map(|i| value(from + (i as f64 + 0.5) * step) - start)
            .sum();
        Self {
            mean: start + sum / STEPS as f64,
            start,
            end: value(to),
        }
    }
}

/// The truth beside a capture.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Truth {
    /// [`SCHEMA`].
    pub schema: &'static str,
    /// Who wrote it.
    pub program: Program,
    /// Marks the capture as made up.
    pub invented: bool,
    /// File name of the WAV beside this document.
    pub file: String,
    /// SHA-256 of that file, hexadecimal.
    pub sha256: String,
    /// Rate of the file.
    pub sample_rate_hz: u32,
    /// Length of the file.
    pub duration_s: f64,
    /// Start and end of the modulated part.
    pub modulated_s: [f64; 2],
    /// Offset between the channels as recorded, right late: groove, cutter,
    /// generators and chain together, swapped leads regarded. What equaliser
    /// parts, loads, resonances and crosstalk add depends on frequency and is
    /// not in it; those are in `recipe`.
    pub delay_us: Along,
    /// The part of the delay that comes from the groove, before the leads.
    pub groove_delay_us: Along,
    /// Path along the groove between the two contacts (left upstream positive),
    /// including those of the cut and of an injected delay.
    pub path_um: Along,
    /// Stylus rotation relative to the groove, arm tracking included,
    /// clockwise positive; absent without a stylus.
    pub rotation_deg: Option<Along>,
    /// Rotation of the cut, lathe offset included; absent without a stylus.
    pub cut_rotation_deg: Option<Along>,
    /// Logarithm of the time constants 3180, 318, 75 us, right minus left.
    pub equaliser_right_minus_left: [f64; 3],
    /// Root mean square velocity of the programme in the groove, cm/s.
    pub programme_rms_cm_s: f64,
    /// Root mean square wall noise per channel, 20 Hz to 20 kHz, cm/s.
    pub noise_rms_cm_s: f64,
    /// Clicks injected.
    pub clicks: usize,
    /// Dropouts injected.
    pub dropouts: usize,
    /// Samples clipped, left and right.
    pub clipped_samples: [usize; 2],
    /// Seed of everything random.
    pub seed: u64,
    /// All inputs, defaults filled in.
    pub recipe: Recipe,
}

/// What `simulate --json` prints: the truth of every capture of a recipe.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct TruthSet {
    /// `groovelag/simulation-set/1`.
    pub schema: &'static str,
    /// Who made it.
    pub program: Program,
    /// Every capture, in the order of the recipe.
    pub captures: Vec<Truth>,
}

impl TruthSet {
    /// The document of these captures.
    pub fn new(captures: Vec<Truth>) -> Self {
        Self {
            schema: "groovelag/simulation-set/1",
            program: Program::this(),
            captures,
        }
    }
}
