//! The text of one recording's result.

use super::instruction::Situation;
use super::text;
use crate::job::{ARM_NOT_STATED, Measurement, TemporaryChanges};
use crate::uncertainty::{Direction, Quantity, Standing, plain, rounded, rounded_u};

impl Measurement {
    /// The result in plain words, composed for `width` columns.
    pub fn text(&self, width: usize) -> String {
        let mut out = text::in_doubt(self.in_doubt.as_deref(), width);
        out.push_str(&self.angles(width));
        out.push_str(&self.beside(width));
        out.push_str(&self.delay(width));
        out.push_str(&self.over_radius(width));
        let instruction = self.situation().map(|s| s.instruction().text());
        out.push_str(&self.advice(instruction, width));
        out.push_str(&self.recording(width));
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

    /// The rotations, or with a spherical tip that of the cut.
    pub(super) fn angles(&self, width: usize) -> String {
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
        out
    }

    /// The rotation to the body, and the arm.
    pub(super) fn beside(&self, width: usize) -> String {
        let mut out = String::new();
        if let Some(body) = &self.stylus_to_body_deg {
            out.push_str(&text::labelled(
                "To the body",
                &format!("{}, {}", text::brief(body), text::turn_band(body)),
                width,
            ));
        }
        if let Some(arm) = text::arm(&self.arm_of, self.arm.as_ref()) {
            out.push_str(&text::labelled("Arm", &arm, width));
        }
        out
    }

    /// The delay.
    pub(super) fn delay(&self, width: usize) -> String {
        let delay = &self.delay_us;
        let order = if delay.value < 0.0 {
            "left after right"
        } else {
            "right after left"
        };
        text::labelled(
            "Delay",
            &format!(
                "{} us, {order}; standard uncertainty {} us (noise, equaliser parts and the cartridge's phase response)",
                rounded(delay.value.abs(), delay.standard_uncertainty),
                rounded_u(delay.standard_uncertainty)
            ),
            width,
        )
    }

    /// What a recording taken in stretches tells over the radius.
    fn over_radius(&self, width: usize) -> String {
        let Some(curve) = &self.over_radius else {
            return String::new();
        };
        let mut out = String::new();
        let mut label = "Stretches";
        for s in &curve.stretches {
            let words = format!(
                "{} to {} mm: {} us, adjusted {} us",
                plain(s.radius_mm[0], 1),
                plain(s.radius_mm[1], 1),
                rounded(s.delay_us, s.own_u_us),
                rounded(s.predicted_us, s.own_u_us),
            );
            out.push_str(&text::labelled(label, &words, width));
            label = "";
        }
        let skew = &curve.chain_skew_us;
        let skew = format!(
            "{} us, right after left; standard uncertainty {} us",
            rounded(skew.value, skew.standard_uncertainty),
            rounded_u(skew.standard_uncertainty)
        );
        out.push_str(&text::labelled("Chain skew", &skew, width));
        if let Some(arm) = &curve.arm {
            out.push_str(&text::labelled("Arm found", &text::arm_known(arm), width));
        }
        out
    }

    /// What to do, and the verdict where a tolerance was stated.
    pub(super) fn advice(&self, instruction: Option<String>, width: usize) -> String {
        let mut out = String::new();
        if let Some(instruction) = instruction {
            out.push_str(&text::labelled("What to do", &instruction, width));
        }
        if let Some(c) = &self.conformity {
            out.push_str(&text::labelled("Tolerance", &text::conformity(c), width));
        }
        out
    }

    /// What was analysed.
    pub(super) fn recording(&self, width: usize) -> String {
        text::labelled(
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
        )
    }

    /// What the instruction is made of; `None` for a spherical tip.
    pub fn situation(&self) -> Option<Situation<'_>> {
        Some(Situation {
            in_doubt: Standing::of(&self.warnings).is_doubted(),
            headshell_deg: self.headshell_deg.as_ref()?,
            correction: self.correction.as_ref(),
            kept: self.conformity.is_some_and(|c| c.is_kept()),
            arm_unknown: self.warnings.iter().any(|w| w.code == ARM_NOT_STATED),
            mounting_stated: self.mounting_stated,
            unchecked: self.unchecked,
            left_behind: TemporaryChanges::default(),
            misset_arm: false,
            narrows: self.narrows,
            single: true,
            groove_deg: self.rotation_deg.as_ref(),
            body_deg: self.stylus_to_body_deg.as_ref(),
            superseded_by: None,
        })
    }

    fn angle(&self, out: &mut String, label: &str, quantity: &Quantity, width: usize) {
        let place = match self.direction {
            Direction::NoneResolved => String::new(),
            _ if label == "Cut" => " seen from above".to_owned(),
            d => format!(" seen from above ({})", text::direction_at_the_arm(d)),
        };
        out.push_str(&text::labelled(
            label,
            &(text::brief(quantity) + &place),
            width,
        ));
        out.push_str(&text::labelled("", &text::turn_band(quantity), width));
    }
}
