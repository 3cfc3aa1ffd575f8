//! The forward model: the delay as recorded, from all conditions that affect it.

use super::{Arm, Tip, groove_speed};

/// Everything the delay of one moment of one capture depends on; SI units.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Conditions {
    /// Rotation of the stylus in its setup, radians.
    pub rotation: f64,
    /// Known turn relative to the setup, radians.
    pub turn: f64,
    /// Radius of the groove, metres.
    pub radius: f64,
    /// Revolutions per minute while played.
    pub rpm: f64,
    /// The stylus.
    pub tip: Tip,
    /// Half of the groove's included angle, radians.
    pub half_angle: f64,
    /// Rotation of the cut, radians.
    pub cut: f64,
    /// Distance of the lathe's cutter from the radial line, metres.
    pub lathe_offset: f64,
    /// Time error between the cutter's channels, seconds at the cut.
    pub record_skew: f64,
    /// Revolutions per minute while cut.
    pub cut_rpm: f64,
    /// Time error between the cartridge's channels, seconds.
    pub cartridge_skew: f64,
    /// Factor of crosstalk and vertical response on the groove's delay.
    pub scale: f64,
    /// Time error behind the swap point, seconds.
    pub chain_skew: f64,
    /// The arm, where its dimensions are known.
    pub arm: Option<Arm>,
    /// Tracking error beside that of `arm`, radians: that of an arm whose
    /// dimensions are not known.
    pub tracking: f64,
    /// Whether the leads were swapped at the cartridge.
    pub swapped: bool,
}

/// Variables of the gradient, in the order of [`PredictedDelay::gradient`]. The
/// cutting speed and the swap are exact.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)] // the fields of `Conditions` and of its parts
pub enum ModelInput {
    Rotation,
    Turn,
    Radius,
    Rpm,
    Size0,
    Size1,
    Size2,
    HalfAngle,
    Cut,
    LatheOffset,
    RecordSkew,
    CartridgeSkew,
    Scale,
    ChainSkew,
    ArmLength,
    ArmPivot,
    ArmOffset,
    Tracking,
}

/// Number of [`ModelInput`]s.
pub const INPUTS: usize = 18;

/// A predicted delay with its gradient.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PredictedDelay {
    /// Delay as recorded, right after left, seconds.
    pub delay: f64,
    /// Derivatives by each [`ModelInput`], in seconds per SI unit.
    pub gradient: [f64; INPUTS],
}

impl Conditions {
    /// The field an input stands for; `None` for the arm's when there is no arm.
    pub fn input_mut(&mut self, input: ModelInput) -> Option<&mut f64> {
        let arm = self.arm.as_mut();
        Some(match input {
            ModelInput::Rotation => &mut self.rotation,
            ModelInput::Turn => &mut self.turn,
            ModelInput::Radius => &mut self.radius,
            ModelInput::Rpm => &mut self.rpm,
            ModelInput::Size0 => &mut self.tip.size[0],
            ModelInput::Size1 => &mut self.tip.size[1],
            ModelInput::Size2 => &mut self.tip.size[2],
            ModelInput::HalfAngle => &mut self.half_angle,
            ModelInput::Cut => &mut self.cut,
            ModelInput::LatheOffset => &mut self.lathe_offset,
            ModelInput::RecordSkew => &mut self.record_skew,
            ModelInput::CartridgeSkew => &mut self.cartridge_skew,
            ModelInput::Scale => &mut self.scale,
            ModelInput::ChainSkew => &mut self.chain_skew,
            ModelInput::ArmLength => &mut arm?.effective_length,
            ModelInput::ArmPivot => &mut arm?.pivot_to_spindle,
            ModelInput::ArmOffset => &mut arm?.offset,
            ModelInput::Tracking => &mut self.tracking,
        })
    }

    /// The delay as recorded (docs/method.md):
    /// `chain + s (cartridge + record rpm_cut / rpm + scale / speed
    /// (path(rotation + turn + tracking) - spacing tan(cut + asin(d / r))))`,
    /// `s` being -1 with swapped leads.
    pub fn predict(&self) -> PredictedDelay {
        let sign = if self.swapped { -1.0 } else { 1.0 };
        let speed = groove_speed(self.radius, self.rpm);
        let tracking = self.arm.map(|arm| arm.tracking(self.radius));
        let angle = self.rotation + self.turn + self.tracking + tracking.map_or(0.0, |t| t.angle);
        let path = self.tip.path(angle, self.half_angle);
        let spacing = self.tip.spacing(self.half_angle);

        let sine = self.lathe_offset / self.radius;
        let d_asin = 1.0 / (1.0 - sine * sine).sqrt();
        let tangent = (self.cut + sine.asin()).tan();
        // d(spacing tan) / d(cut)
        let d_cut = spacing.length * (1.0 + tangent * tangent);

        let offset = path.length - spacing.length * tangent;
        let factor = sign * self.scale / speed;
        let groove = factor * offset;
        let ratio = self.cut_rpm / self.rpm;
        let delay =
            self.chain_skew + sign * (self.cartridge_skew + self.record_skew * ratio) + groove;

        let mut gradient = [0.0; INPUTS];
        let mut set = |input: ModelInput, value: f64| gradient[input as usize] = value;
        set(ModelInput::Rotation, factor * path.d_angle);
        set(ModelInput::Turn, factor * path.d_angle);
        set(ModelInput::Tracking, factor * path.d_angle);
        let through_arm = tracking.map_or(0.0, |t| t.d_radius) * path.d_angle;
        let through_lathe = d_cut * d_asin * sine / self.radius;
        set(
            ModelInput::Radius,
            factor * (through_arm + through_lathe) - groove / self.radius,
        );
        set(
            ModelInput::Rpm,
            -groove / self.rpm - sign * self.record_skew * ratio / self.rpm,
        );
        for (k, input) in [ModelInput::Size0, ModelInput::Size1, ModelInput::Size2]
            .into_iter()
            .enumerate()
        {
            set(
                input,
                factor * (path.d_size[k] - spacing.d_size[k] * tangent),
            );
        }
        set(
            ModelInput::HalfAngle,
            factor * (path.d_half_angle - spacing.d_half_angle * tangent),
        );
        set(ModelInput::Cut, -factor * d_cut);
        set(
            ModelInput::LatheOffset,
            -factor * d_cut * d_asin / self.radius,
        );
        set(ModelInput::RecordSkew, sign * ratio);
        set(ModelInput::CartridgeSkew, sign);
        set(ModelInput::Scale, sign / speed * offset);
        set(ModelInput::ChainSkew, 1.0);
        if let Some(t) = tracking {
            set(
                ModelInput::ArmLength,
                factor * path.d_angle * t.d_effective_length,
            );
            set(
                ModelInput::ArmPivot,
                factor * path.d_angle * t.d_pivot_to_spindle,
            );
            set(ModelInput::ArmOffset, factor * path.d_angle);
        }
        PredictedDelay { delay, gradient }
    }
}

#[cfg(test)]
mod tests {
    use super::super::Profile;
    use super::*;
    use crate::units::{DEGREE, MICROSECOND};

    fn conditions(tip: Tip) -> Conditions {
        Conditions {
            rotation: 4.0 * DEGREE,
            turn: -1.5 * DEGREE,
            radius: 0.070,
            rpm: 45.0,
            tip,
            half_angle: 44.0 * DEGREE,
            cut: 0.7 * DEGREE,
            lathe_offset: 0.3e-3,
            record_skew: 0.2e-6,
            cut_rpm: 100.0 / 3.0,
            cartridge_skew: 0.1e-6,
            scale: 1.05,
            chain_skew: -0.4e-6,
            arm: Some(Arm {
                effective_length: 0.2286,
                pivot_to_spindle: 0.2104,
                offset: 24.0 * DEGREE,
            }),
            tracking: 0.3 * DEGREE,
            swapped: true,
        }
    }

    fn tip(profile: Profile) -> Tip {
        let size = match profile {
            Profile::Spherical => [18e-6, 1e-6, 0.1e-6],
            Profile::Elliptical => [18e-6, 8e-6, 0.1],
            Profile::Line => [45e-6, 4e-6, -0.5],
        };
        Tip { profile, size }
    }

    fn moved(mut c: Conditions, input: ModelInput, by: f64) -> Conditions {
        *c.input_mut(input).unwrap() += by;
        c
    }

    /// Against a sixth-order central difference: its truncation error is
    /// h^6 / 140 of the seventh derivative; with steps of 1e-2 of each
    /// quantity's own scale it stays below 1e-8 of the derivative's scale.
    #[test]
    fn gradient_against_a_high_order_difference() {
        let steps = [
            (ModelInput::Rotation, 1e-2),
            (ModelInput::Turn, 1e-2),
            (ModelInput::Radius, 1e-3),
            (ModelInput::Rpm, 0.3),
            (ModelInput::Size0, 1e-7),
            (ModelInput::Size1, 1e-7),
            (ModelInput::Size2, 1e-2),
            (ModelInput::HalfAngle, 1e-2),
            (ModelInput::Cut, 1e-2),
            (ModelInput::LatheOffset, 1e-4),
            (ModelInput::RecordSkew, 1e-8),
            (ModelInput::CartridgeSkew, 1e-8),
            (ModelInput::Scale, 1e-2),
            (ModelInput::ChainSkew, 1e-8),
            (ModelInput::ArmLength, 1e-3),
            (ModelInput::ArmPivot, 1e-3),
            (ModelInput::ArmOffset, 1e-2),
            (ModelInput::Tracking, 1e-2),
        ];
        assert_eq!(steps.len(), INPUTS);
        for profile in [Profile::Spherical, Profile::Elliptical, Profile::Line] {
            for swapped in [false, true] {
                let base = Conditions {
                    swapped,
                    ..conditions(tip(profile))
                };
                let gradient = base.predict().gradient;
                for (input, mut h) in steps {
                    if profile == Profile::Spherical && input == ModelInput::Size2 {
                        h = 1e-7; // a length there
                    }
                    let f = |k: f64| moved(base, input, k * h).predict().delay;
                    let difference = ((f(3.0) - f(-3.0)) - 9.0 * (f(2.0) - f(-2.0))
                        + 45.0 * (f(1.0) - f(-1.0)))
                        / (60.0 * h);
                    let scale = gradient[input as usize].abs().max(1e-7 / h * 1e-2);
                    assert!(
                        (gradient[input as usize] - difference).abs() < 1e-8 * scale,
                        "{profile:?} {input:?}: {} {difference}",
                        gradient[input as usize]
                    );
                }
            }
        }
    }

    /// model.md section 1: 1 deg of cut gives -2.1215 us at 60 mm, 33 1/3 rpm,
    /// whatever the rotation of a ball; section 2: 1 deg of an 18 x 8
    /// elliptical at 70 mm is 1.01 us.
    #[test]
    fn sizes_stated_by_the_model() {
        let mut c = conditions(Tip {
            profile: Profile::Spherical,
            size: [18e-6, 0.0, 0.0],
        });
        (c.rpm, c.radius, c.half_angle) = (100.0 / 3.0, 0.060, 45.0 * DEGREE);
        (c.cut, c.lathe_offset) = (1.0 * DEGREE, 0.0);
        (c.record_skew, c.cartridge_skew, c.chain_skew, c.scale) = (0.0, 0.0, 0.0, 1.0);
        (c.arm, c.tracking, c.swapped) = (None, 0.0, false);
        let delay = |c: &Conditions| c.predict().delay / MICROSECOND;
        assert!((delay(&c) + 2.1215).abs() < 0.51e-4);

        c.tip = tip(Profile::Elliptical);
        c.tip.size[2] = 0.0;
        (c.cut, c.radius) = (0.0, 0.070);
        (c.rotation, c.turn) = (1.0 * DEGREE, 0.0);
        assert!((delay(&c) - 1.01).abs() < 0.005);
        // positive rotation, positive delay; swapped leads turn it over
        c.swapped = true;
        assert!((delay(&c) + 1.01).abs() < 0.005);
    }

    /// Delays of a span of 25.4558 um at an angle, `s sin(angle) / v`, computed outside
    /// (references.json, ids `tau_25.4558_*`; stated to 1e-5
    /// us): a line contact without side radius is such a span.
    #[test]
    fn delays_of_a_turned_span() {
        let mut c = conditions(Tip {
            profile: Profile::Line,
            size: [25.4558e-6, 0.0, 0.0],
        });
        (c.cut, c.lathe_offset, c.turn, c.scale) = (0.0, 0.0, 0.0, 1.0);
        (c.record_skew, c.cartridge_skew, c.chain_skew) = (0.0, 0.0, 0.0);
        (c.arm, c.tracking, c.swapped) = (None, 0.0, false);
        for (degrees, radius_mm, rpm, us) in [
            (0.5, 146.05, 100.0 / 3.0, 0.43573223050711185),
            (0.5, 60.325, 100.0 / 3.0, 1.0549306633330076),
            (0.5, 60.325, 45.0, 0.7814301209874132),
            (1.0, 146.05, 100.0 / 3.0, 0.8714312783178646),
            (1.0, 60.325, 100.0 / 3.0, 2.109780989611672),
            (1.0, 60.325, 45.0, 1.5628007330456832),
            (2.0, 146.05, 100.0 / 3.0, 1.7425971102266093),
            (2.0, 60.325, 100.0 / 3.0, 4.218919319496001),
            (2.0, 60.325, 45.0, 3.12512542184889),
            (5.0, 146.05, 100.0 / 3.0, 4.351849161218392),
            (5.0, 60.325, 100.0 / 3.0, 10.536055864002421),
            (5.0, 60.325, 45.0, 7.80448582518698),
        ] {
            (c.rotation, c.radius, c.rpm) = (degrees * DEGREE, radius_mm * 1e-3, rpm);
            let found = c.predict().delay / MICROSECOND;
            assert!(
                (found - us).abs() < 1e-5,
                "{degrees} {radius_mm} {rpm}: {found}"
            );
        }
    }
}
