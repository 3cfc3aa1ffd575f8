//! The result of one recording.

use super::text;
use crate::document::Program;
use crate::job::{ARM_NOT_STATED, Correction};
use crate::uncertainty::{
    BudgetLine, Caveat, Conformity, Direction, Quantity, is_doubted, rounded, rounded_u,
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The document of `measure`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Measurement {
    /// `groovelag/measurement/1`.
    pub schema: String,
    /// What made it.
    pub program: Program,
    /// The recording as given.
    pub file: String,
    /// SHA-256 of the recording, hexadecimal; null where it was not asked for.
    pub sha256: Option<String>,
    /// Sample rate.
    pub sample_rate_hz: u32,
    /// Length of the recording.
    pub duration_s: f64,
    /// The part that was analysed, seconds from the start: start, end.
    pub analysed_s: [f64; 2],
    /// Offset between the channels as recorded, right after left.
    pub delay_us: Quantity,
    /// Rotation of the stylus, clockwise seen from above; null for a spherical
    /// tip, which cannot see it.
    pub rotation_deg: Option<Quantity>,
    /// Rotation of the record's cut, for a spherical tip.
    pub cut_rotation_deg: Option<Quantity>,
    /// Which way the stylus (with a spherical tip: the cut) is turned.
    pub direction: Direction,
    /// Budget of the rotation (with a spherical tip: of the cut).
    pub budget: Vec<BudgetLine>,
    /// Doubts.
    pub warnings: Vec<Caveat>,
    /// Against the tolerance, if one was stated.
    pub conformity: Option<Conformity>,
    /// What to do, if the band says which way.
    pub correction: Option<Correction>,
}

impl Measurement {
    /// The document's schema identifier.
    pub const SCHEMA: &'static str = "groovelag/measurement/1";

    /// The result in plain words, composed for `width` columns.
    pub fn text(&self, width: usize) -> String {
        let mut out = String::new();
        if let Some(rotation) = &self.rotation_deg {
            self.angle(&mut out, "Rotation", rotation, width);
        }
        if let Some(cut) = &self.cut_rotation_deg {
            self.angle(&mut out, "Cut", cut, width);
            out.push_str(&text::labelled(
                "",
                "A spherical tip cannot see its own rotation: this is the rotation of the record's own cut.",
                width,
            ));
        }
        let delay = &self.delay_us;
        let order = if delay.value < 0.0 {
            "left after right"
        } else {
            "right after left"
        };
        out.push_str(&text::labelled(
            "Delay",
            &format!(
                "{} us, {order}; standard uncertainty {} us (noise and equaliser parts alone)",
                rounded(delay.value.abs(), delay.standard_uncertainty),
                rounded_u(delay.standard_uncertainty)
            ),
            width,
        ));
        if let Some(rotation) = &self.rotation_deg {
            out.push_str(&text::labelled(
                "What to do",
                &text::correction(
                    self.correction.as_ref(),
                    rotation,
                    self.conformity.is_some_and(|c| c.is_kept()),
                    self.warnings.iter().any(|w| w.code == ARM_NOT_STATED),
                ),
                width,
            ));
        }
        if let Some(c) = &self.conformity {
            let verdict = if is_doubted(&self.warnings) {
                text::UNDECIDED.to_owned()
            } else {
                text::conformity(c)
            };
            out.push_str(&text::labelled("Tolerance", &verdict, width));
        }
        out.push_str(&text::labelled(
            "Recording",
            &format!(
                "{}, {} Hz; analysed from {:.1} s to {:.1} s of {:.1} s",
                self.file,
                self.sample_rate_hz,
                self.analysed_s[0],
                self.analysed_s[1],
                self.duration_s
            ),
            width,
        ));
        let heading = "What limits it (standard uncertainty, share of the variance)";
        out.push('\n');
        out.push_str(&text::wrapped("", heading, width));
        out.push_str(&text::budget(&self.budget, "deg", width));
        if !self.warnings.is_empty() {
            out.push_str("\nCaveats\n");
            out.push_str(&text::caveats(&self.warnings, width));
        }
        out.push('\n');
        out.push_str(&text::wrapped("", text::MEASURAND, width));
        if self.correction.is_some() {
            out.push_str(&text::wrapped("", text::CAUTIONS, width));
        }
        out
    }

    fn angle(&self, out: &mut String, label: &str, quantity: &Quantity, width: usize) {
        let place = match self.direction {
            Direction::NoneResolved => {
                "seen from above; the band contains zero, so no direction is resolved".to_owned()
            }
            _ if label == "Cut" => "seen from above".to_owned(),
            d => format!("seen from above ({})", text::direction_at_the_arm(d)),
        };
        out.push_str(&text::labelled(
            label,
            &format!("{} {place}", text::angle(quantity)),
            width,
        ));
        out.push_str(&text::labelled(
            "",
            &text::turn_band(quantity, "degrees"),
            width,
        ));
        if is_doubted(&self.warnings) {
            out.push_str(&text::labelled("", text::IN_DOUBT, width));
        }
    }
}
