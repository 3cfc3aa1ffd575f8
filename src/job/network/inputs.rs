//! The unknowns of each object that a capture is made with.

use super::super::description::{
    ArmOf, CaptureSpec, Cartridge, Chain, Estimate, PivotedArm, Record, Stated,
};
use super::super::priors::{self, DefaultPrior};
use super::builder::{Builder, Equipment, Row, append_date, scale, suffix, tidy, turn_id};
use super::observation::FixedOrUnknown;
use super::{STATED, TrackingModel, id, named, origin};
use crate::groove::{ModelInput, Profile};
use crate::units::{DEGREE, MICROSECOND, MILLIMETRE};
use std::f64::consts::PI;

/// Number of terms of the expansion of the spiral between two radii. A Brownian
/// bridge has the total variance `sum 1/k^2`; the terms left out have a fourteenth
/// of it, 0.7 mm.
const SPIRAL_TERMS: usize = 8;

/// Radii of the outermost and innermost modulated groove of the published alignments, millimetres
/// (Lofgren 1938, Stevenson 1966).
const SIDE_RADII_MM: [f64; 2] = [146.05, 60.325];

/// Basis functions of the tracking error over the radius, for an arm that is not stated. The error's sine is
/// `r / 2L + (L^2 - D^2) / 2Lr` ([`Arm::tracking_error`]), so a constant, `r` and `1/r` represent any arm
/// almost exactly (tested). The basis is a constant, a slope and a curvature about the geometric mean of the
/// outermost and innermost groove. Slope and curvature are 1 at these ends above their mean; the mean of the
/// curvature is a third.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum TrackingBasis {
    Even,
    Slope,
    Bow,
}

impl TrackingBasis {
    /// Its value at a radius, and the derivative per metre.
    pub(super) fn at(self, radius: f64) -> [f64; 2] {
        let [outer, inner] = SIDE_RADII_MM.map(|mm| mm * MILLIMETRE);
        let middle = (outer * inner).sqrt();
        let parts = |r: f64| [r / middle, middle / r];
        let [a, b] = parts(radius);
        let [end_a, end_b] = parts(outer);
        match self {
            Self::Even => [1.0, 0.0],
            Self::Slope => [a - b, (a + b) / radius].map(|of| of / (end_a - end_b)),
            Self::Bow => {
                let [value, slope] =
                    [a + b - 2.0, (a - b) / radius].map(|of| of / (end_a + end_b - 2.0));
                [value - 1.0 / 3.0, slope]
            }
        }
    }
}

/// A radius, or two, in millimetres as shown to the user.
fn span_mm(radius: [f64; 2]) -> String {
    let [start, end] = radius.map(|r| tidy(r / MILLIMETRE));
    if start == end {
        format!("{start}")
    } else {
        format!("{start}..{end}")
    }
}

impl Builder<'_> {
    /// The unknown errors of the radius: for a part, one; for a stretch, those at the start and the
    /// end of its recording, and the irregularity of the spiral between them. Weights are taken at
    /// these two fractions of the recording.
    pub(super) fn radii(
        &mut self,
        spec: &CaptureSpec,
        share: [f64; 2],
    ) -> Vec<(FixedOrUnknown, [f64; 2])> {
        let Some(stretch) = spec.stretch() else {
            let place = self.radius(spec, spec.radius, ("", "radius"), priors::RADIUS, 1.0);
            return vec![(place, [1.0; 2])];
        };
        let whole = stretch.whole(spec.radius);
        let mut list = Vec::new();
        for (part, words, weights) in [
            (".start", "first of the radii", share.map(|s| 1.0 - s)),
            (".end", "last of the radii", share),
        ] {
            let place = self.radius(spec, whole, (part, words), priors::RADIUS, 1.0);
            list.push((place, weights));
        }
        // the pitch varies with the music: a Brownian bridge in its Karhunen-Loeve expansion,
        // each term relative to the first
        for wave in 1..=SPIRAL_TERMS.min(stretch.of) {
            let (k, id) = (wave as f64, format!(".wave[{wave}]"));
            let words = format!("groove pitch, wave {wave}, between the radii");
            let place = self.radius(spec, whole, (&id, &words), priors::SPIRAL, k.recip());
            list.push((place, share.map(|s| (k * PI * s).sin())));
        }
        list
    }

    /// The error of a radius that is read, or that goes from one end of a `span` to the other.
    pub(super) fn radius(
        &mut self,
        spec: &CaptureSpec,
        span: [f64; 2],
        (part, words): (&str, &str),
        default: DefaultPrior,
        share: f64,
    ) -> FixedOrUnknown {
        let span = span_mm(span);
        let date = self.job.reading_date(spec);
        let read = default == priors::RADIUS;
        let stated = Stated {
            value: Some(spec.radius[0]),
            u: spec.radius_u.filter(|_| read),
        };
        self.place(
            format!(
                "record.{}.radius_mm[{span}{}]{part}",
                spec.record,
                suffix(spec.radius_u, date)
            ),
            || {
                let on_record = named("record", &spec.record);
                format!("{words} {span} mm on {on_record}{}", append_date(date))
            },
            MILLIMETRE,
            Estimate::zero(stated.u.unwrap_or(share * default.estimate().u)),
            match read {
                true => origin(stated, &default),
                false => default.origin.to_owned(),
            },
        )
    }

    /// The tracking error of an arm that is not stated: a part common to all radii, and a part of
    /// this radius; for a stretch, the error's variation over its recording.
    fn unstated_tracking(&mut self, spec: &CaptureSpec) -> Vec<(FixedOrUnknown, TrackingBasis)> {
        let mut part = |key: &str, words: &str, default| {
            let words = || format!("tracking error of the arm, not stated: {words}");
            let id = format!("tracking_deg{key}");
            self.stated(id, words, Stated::default(), default)
        };
        let common = part("", "overhang and offset", &priors::TRACKING_COMMON);
        let mut parts = vec![(common, TrackingBasis::Even)];
        if spec.stretch().is_some() {
            let slope = part(".slope", "slope over the radius", &priors::TRACKING_SLOPE);
            let bow = part(".bow", "bow over the radius", &priors::TRACKING_BOW);
            parts.extend([(slope, TrackingBasis::Slope), (bow, TrackingBasis::Bow)]);
        } else {
            let span = span_mm(spec.radius);
            let (key, words) = (format!("[{span}]"), format!("at {span} mm"));
            let own = part(&key, &words, &priors::TRACKING_RADIUS);
            parts.push((own, TrackingBasis::Even));
        }
        parts
    }

    /// The inputs of one object of the job, in order.
    pub(super) fn inputs<'r>(
        &mut self,
        kind: &str,
        name: &str,
        rows: impl IntoIterator<Item = Row<'r>>,
    ) -> Vec<(ModelInput, FixedOrUnknown)> {
        let of = named(kind, name);
        let placed = rows.into_iter().map(|(input, key, what, stated, default)| {
            let (id, words) = (format!("{kind}.{name}.{key}"), || format!("{what} of {of}"));
            (input, self.stated(id, words, stated, default))
        });
        placed.collect()
    }

    /// The turn that the job states. Zero is exact: it is the reference of the others.
    pub(super) fn turn(&mut self, spec: &CaptureSpec) -> FixedOrUnknown {
        let job = self.job;
        let turn = spec.turn.value.unwrap_or(0.0);
        let default = DefaultPrior {
            u: if turn == 0.0 { 0.0 } else { priors::TURN.u },
            ..priors::TURN
        };
        let words = || {
            let (turn, date) = (tidy(turn / DEGREE), append_date(job.reading_date(spec)));
            format!(
                "turn of {turn} deg in {}{date}",
                named("setup", &spec.setup)
            )
        };
        self.stated(turn_id(job, spec), words, spec.turn, &default)
    }

    /// The speed while played.
    pub(super) fn speed(&mut self, spec: &CaptureSpec) -> FixedOrUnknown {
        let (rpm, date) = (spec.nominal_rpm(), self.job.reading_date(spec));
        let (u, origin) = match spec.rpm.u {
            Some(u) => (u, STATED.to_owned()),
            None => (
                priors::speed_u(rpm),
                format!("nominal speed; its uncertainty: {}", priors::SPEED_ORIGIN),
            ),
        };
        let rounded = tidy(rpm);
        self.place(
            format!("speed_rpm[{rounded}{}]", suffix(spec.rpm.u, date)),
            || format!("speed {rounded} rpm{}", append_date(date)),
            1.0,
            Estimate { value: rpm, u },
            origin,
        )
    }

    /// The sizes of the tip, and the path of a spherical tip's residual lever at its unobservable rotation.
    pub(super) fn tip(
        &mut self,
        spec: &CaptureSpec,
        with: &Equipment<'_>,
    ) -> Vec<(ModelInput, FixedOrUnknown)> {
        let c = with.cartridge;
        let [first, second, third] = priors::sizes(c.profile);
        let spacing = match c.contact_spacing.value {
            Some(_) => &priors::LINE_SPACING_STATED,
            None => first,
        };
        let side = (
            ModelInput::Size1,
            "side_radius_um",
            "side radius",
            c.side_radius,
            second,
        );
        let shape = (
            ModelInput::Size2,
            "shape",
            "tip shape at large angles",
            c.shape,
            third,
        );
        #[rustfmt::skip]
        let sizes = match c.tip() {
            Profile::Spherical => vec![
                (ModelInput::Size0, "frontal_radius_um", "ball radius", c.frontal_radius, first),
                (ModelInput::Size1, id::BALL_LEVER, "lever left on the ball", c.ball_lever, second),
            ],
            Profile::Elliptical => vec![
                (ModelInput::Size0, "frontal_radius_um", "frontal radius", c.frontal_radius, first),
                side, shape,
            ],
            Profile::Line => vec![
                (ModelInput::Size0, "contact_spacing_um", "contact spacing", c.contact_spacing, spacing),
                side, shape,
            ],
        };
        let mut sizes = self.inputs("cartridge", &with.setup.cartridge, sizes);
        if !with.is_rotation_sensitive() {
            let stated = c.ball_lever.or(&priors::BALL_LEVER);
            let known = self.levers.get(&id::ball_lever(&with.setup.cartridge));
            let lever = *known.unwrap_or(&stated);
            let rotation = with.setup.rotation.or(&priors::BALL_ROTATION);
            let of_setup = named("setup", &spec.setup);
            let path = self.place(
                format!("setup.{}.ball_path_um", spec.setup),
                || format!("ball that is not quite round, rotation unknown ({of_setup})"),
                priors::BALL_PATH.factor,
                Estimate::zero(rotation.u * lever.u.hypot(lever.value)),
                priors::BALL_PATH.origin,
            );
            sizes.push((ModelInput::Size2, path));
        }
        sizes
    }

    /// The inputs of a cartridge beside its tip.
    pub(super) fn generator(
        &mut self,
        name: &str,
        c: &Cartridge,
    ) -> Vec<(ModelInput, FixedOrUnknown)> {
        #[rustfmt::skip]
        let rows = [
            (ModelInput::Scale, id::SCALE, "crosstalk and vertical response", scale(c), &priors::SCALE),
            (ModelInput::CartridgeSkew, "skew_us", "time skew", c.skew, &priors::CARTRIDGE_SKEW),
        ];
        self.inputs("cartridge", name, rows)
    }

    /// The inputs of a record side: how it was cut.
    pub(super) fn cut(&mut self, name: &str, r: &Record) -> Vec<(ModelInput, FixedOrUnknown)> {
        let lathe = match r.lathe_offset.value {
            Some(_) => &priors::LATHE_OFFSET_STATED,
            None => &priors::LATHE_OFFSET,
        };
        let half = |of: f64| of / 2.0;
        let Stated { value, u } = r.groove_angle;
        let half_angle = Stated {
            value: value.map(half),
            u: u.map(half),
        };
        let angle = DefaultPrior {
            value: half(priors::GROOVE_ANGLE.value),
            u: half(priors::GROOVE_ANGLE.u),
            ..priors::GROOVE_ANGLE
        };
        #[rustfmt::skip]
        let rows = [
            (ModelInput::Cut, id::CUT, "cut rotation", r.cut_rotation, &priors::CUT),
            (ModelInput::LatheOffset, "lathe_offset_mm", "lathe offset", r.lathe_offset, lathe),
            (ModelInput::HalfAngle, "groove_half_angle_deg", "groove angle", half_angle, &angle),
            (ModelInput::RecordSkew, "skew_us", "cutter time skew", r.skew, &priors::RECORD_SKEW),
        ];
        self.inputs("record", name, rows)
    }

    /// The time skew of a chain, or its change since a calibration.
    pub(super) fn chain_skew(&mut self, name: &str, chain: &Chain) -> FixedOrUnknown {
        let (skew, from) = chain.skew_prior();
        let words = match chain.beyond {
            Some(_) => "change since its calibration of",
            None => "time skew of",
        };
        let words = || format!("{words} {}", named("chain", name));
        self.place(id::chain_skew(name), words, MICROSECOND, skew, from)
    }

    /// The dimensions of an arm.
    pub(super) fn dimensions(
        &mut self,
        name: &str,
        arm: &PivotedArm,
    ) -> Vec<(ModelInput, FixedOrUnknown)> {
        #[rustfmt::skip]
        let rows = [
            (ModelInput::ArmLength, id::ARM_LENGTH, "effective length", arm.effective_length, &priors::ARM_LENGTH),
            (ModelInput::ArmPivot, id::ARM_PIVOT, "pivot to spindle", arm.pivot_to_spindle, &priors::ARM_PIVOT),
            (ModelInput::ArmOffset, id::ARM_OFFSET, "offset angle", arm.offset, &priors::ARM_OFFSET),
        ];
        self.inputs("arm", name, rows)
    }

    /// The unknowns of a capture's tracking error beside the `dimensions` of a stated arm. Keeps the radius
    /// where its setup was first played, at which the rotation to the groove is reported.
    pub(super) fn tracking(
        &mut self,
        spec: &CaptureSpec,
        arm: &ArmOf,
        dimensions: &[(ModelInput, FixedOrUnknown)],
    ) -> Vec<(FixedOrUnknown, TrackingBasis)> {
        let reference = spec.reference();
        let (courses, there) = match (arm, dimensions) {
            (ArmOf::Unknown, _) => {
                let courses = self.unstated_tracking(spec);
                let there = courses.iter();
                let there = there.map(|(place, course)| (*place, course.at(reference)[0]));
                let there = there.collect();
                (courses, TrackingModel::Sum(there))
            }
            (_, &[(_, length), (_, pivot), (_, offset)]) => {
                let there = self.radii(spec, [0.5; 2]).into_iter();
                let there = there.map(|(place, [weight, _])| (place, weight)).collect();
                let dimensions = [length, pivot, offset];
                (Vec::new(), TrackingModel::Arm(dimensions, there, reference))
            }
            _ => return Vec::new(),
        };
        self.tracking.entry(spec.setup.clone()).or_insert(there);
        courses
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::adjust::Cholesky;
    use crate::groove::Arm;
    use ndarray::{Array1, Array2};

    /// A constant, a slope and a curvature represent real arms' tracking errors over a side almost
    /// exactly: the alignments for 60 to 146 mm of Lofgren (1938) and Stevenson (1966), as in
    /// `groove::arm`, and arms misaligned by a millimetre and half a degree.
    #[test]
    fn the_courses_hold_what_an_arm_does() {
        let courses = [
            TrackingBasis::Even,
            TrackingBasis::Slope,
            TrackingBasis::Bow,
        ];
        for (length, overhang, offset) in [
            (228.6, 18.173388612678593, 24.127574774906975),
            (228.6, 16.056985475229055, 22.878046875966373),
            (230.0, 18.053311467362676 + 1.0, 23.97146185629655 - 0.5),
            (240.0, 17.241388988100425 - 1.0, 22.914257801433884 + 0.5),
        ] {
            let arm = Arm {
                effective_length: length * MILLIMETRE,
                pivot_to_spindle: (length - overhang) * MILLIMETRE,
                offset: offset * DEGREE,
            };
            let radii: Vec<f64> = (0..17)
                .map(|k| (62.0 + 5.0 * f64::from(k)) * MILLIMETRE)
                .collect();
            let design = Array2::from_shape_fn((17, 3), |(k, c)| courses[c].at(radii[k])[0]);
            let errors: Array1<f64> = radii.iter().map(|&r| arm.tracking_error(r)).collect();
            let factor = Cholesky::new(&design.t().dot(&design)).unwrap();
            let left = &errors - &design.dot(&factor.solve(&design.t().dot(&errors)));
            let rms = (left.dot(&left) / 17.0).sqrt();
            assert!(rms < 0.004 * DEGREE, "{length}: {} degrees", rms / DEGREE);
        }
        // the derivative, by a difference
        for course in courses {
            let step = 1e-6;
            let [high, low] = [step, -step].map(|d| course.at(0.1 + d)[0]);
            assert!(
                ((high - low) / (2.0 * step) - course.at(0.1)[1]).abs() < 1e-6,
                "{course:?}"
            );
        }
    }
}
