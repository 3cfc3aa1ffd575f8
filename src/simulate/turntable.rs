//! Where in the groove the stylus is: playing time into time of the cut,
//! radius, speeds, and the angle at which the groove runs past.

use super::programme::GUARD_S;
use super::recipe::{Arm, Recipe};
use crate::units::{DEGREE, MILLIMETRE};
use std::f64::consts::TAU;

/// A periodic change of speed: `amplitude * sin(w t + phase)`, fractional.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Unsteadiness {
    amplitude: f64,
    w: f64,
    phase: f64,
}

/// The record turning under the arm. Times are seconds of the capture.
#[derive(Debug, Clone, PartialEq)]
pub struct Turntable {
    lead_s: f64,
    duration_s: f64,
    radius: [f64; 2],
    w_play: f64,
    w_cut: f64,
    lathe_offset: f64,
    cut_rotation: f64,
    rotation: f64,
    eccentricity: f64,
    arm: Option<Arm>,
    unsteady: [Unsteadiness; 3],
}

impl Turntable {
    /// From a checked recipe.
    pub fn new(recipe: &Recipe) -> Self {
        let c = &recipe.capture;
        let w_play = TAU * c.rpm / 60.0;
        let radius = c.radius_mm.array().map(|mm| mm * MILLIMETRE);
        let eccentricity = recipe.record.eccentricity_mm * MILLIMETRE;
        let mean_radius = 0.5 * (radius[0] + radius[1]);
        Self {
            lead_s: c.lead_in_s,
            duration_s: recipe.programme.duration_s,
            radius,
            w_play,
            w_cut: TAU * recipe.cut_rpm() / 60.0,
            lathe_offset: recipe.record.lathe_offset_mm * MILLIMETRE,
            cut_rotation: recipe.record.cut_rotation_deg * DEGREE,
            rotation: recipe.setup.rotation_deg * DEGREE,
            eccentricity,
            arm: recipe.arm,
            unsteady: [
                Unsteadiness {
                    amplitude: recipe.impairments.wow,
                    w: w_play,
                    phase: 0.0,
                },
                Unsteadiness {
                    amplitude: recipe.impairments.flutter,
                    w: TAU * recipe.impairments.flutter_hz,
                    phase: 0.0,
                },
                // A groove centred off the spindle by e passes at the distance
                // r + e cos(w t) from the spindle, so that much faster, and
                // its tangent is turned by (e / r) sin(w t).
                Unsteadiness {
                    amplitude: eccentricity / mean_radius,
                    w: w_play,
                    phase: TAU / 4.0,
                },
            ],
        }
    }

    /// Start and end of the modulated part.
    pub fn modulated(&self) -> [f64; 2] {
        [self.lead_s, self.lead_s + self.duration_s]
    }

    /// Seconds of the cut per second of play, on average.
    pub fn speed_ratio(&self) -> f64 {
        self.w_play / self.w_cut
    }

    /// Length of the programme at the cut.
    pub fn cut_s(&self) -> f64 {
        self.duration_s * self.speed_ratio()
    }

    /// Time on the cut's canvas that passes the stylus at a playing time.
    pub fn cut_time(&self, t: f64) -> f64 {
        let played: f64 = t - self.lead_s
            + self
                .unsteady
                .iter()
                .filter(|u| u.amplitude != 0.0)
                .map(|u| u.amplitude / u.w * (u.phase.cos() - (u.w * t + u.phase).cos()))
                .sum::<f64>();
        GUARD_S + played * self.speed_ratio()
    }

    /// Radius in metres, linear over the modulated part and held beyond it.
    pub fn radius(&self, t: f64) -> f64 {
        let part = ((t - self.lead_s) / self.duration_s).clamp(0.0, 1.0);
        self.radius[0] + (self.radius[1] - self.radius[0]) * part
    }

    /// Groove speed at the stylus in m/s, unsteadiness left out.
    pub fn playing_speed(&self, t: f64) -> f64 {
        self.radius(t) * self.w_play
    }

    /// Groove speed at the cutter when it cut what now passes, m/s.
    pub fn cutting_speed(&self, t: f64) -> f64 {
        self.radius(t) * self.w_cut
    }

    /// Rotation in radians of the stylus relative to the groove's tangent:
    /// setup, arm tracking at this radius, eccentric groove.
    pub fn rotation(&self, t: f64) -> f64 {
        let radius = self.radius(t);
        let tracking = self.arm.map_or(0.0, |arm| tracking(arm, radius));
        let yaw = self.eccentricity / radius * (self.w_play * t).sin();
        self.rotation + tracking + yaw
    }

    /// Rotation in radians of the cutting face relative to the radial line.
    pub fn cut_rotation(&self, t: f64) -> f64 {
        self.cut_rotation + (self.lathe_offset / self.radius(t)).asin()
    }

    /// Whether [`Self::rotation`] and [`Self::cut_rotation`] change at all.
    pub fn angles_change(&self) -> bool {
        let spiral = self.radius[0] != self.radius[1];
        self.eccentricity != 0.0 || spiral && (self.arm.is_some() || self.lathe_offset != 0.0)
    }
}

/// Tracking error of an arm at a radius in metres, radians, clockwise
/// positive, from the triangle of spindle, pivot and stylus: the head's
/// direction against the groove's tangent.
pub fn tracking(arm: Arm, radius: f64) -> f64 {
    // Seen from above, spindle at the origin, stylus on the positive x axis,
    // so the groove's tangent is the y axis; pivot on its two circles.
    let length = arm.effective_length_mm * MILLIMETRE;
    let distance = arm.pivot_to_spindle_mm * MILLIMETRE;
    let x = (distance.powi(2) + radius.powi(2) - length.powi(2)) / (2.0 * radius);
    let y = (distance.powi(2) - x.powi(2)).max(0.0).sqrt();
    // Angle of the arm, stylus seen from the pivot, against the tangent.
    let arm_angle = (radius - x).atan2(y);
    arm.offset_deg * DEGREE - arm_angle
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_published_alignment_tracks_at_its_null_radii() {
        // Baerwald 1941 / Lofgren A: null radii 66.00 and 120.89 mm for the
        // IEC groove radii 60.325 and 146.05 mm. The arm that has them
        // follows from r1 r2 = L^2 - D^2 and r1 + r2 = 2 L sin(offset).
        let (r1, r2, length) = (66.00, 120.89, 230.0);
        let arm = Arm {
            effective_length_mm: length,
            pivot_to_spindle_mm: (length * length - r1 * r2).sqrt(),
            offset_deg: ((r1 + r2) / (2.0 * length)).asin().to_degrees(),
        };
        for r in [r1, r2] {
            assert!(tracking(arm, r * 1e-3).abs() < 1e-12);
        }
        // Between the null radii the head points outwards of the tangent too
        // little, beyond them too much; model.md's formula, one radius.
        let r: f64 = 90.0;
        let d2 = arm.pivot_to_spindle_mm.powi(2);
        let formula = arm.offset_deg.to_radians()
            - ((r * r + length * length - d2) / (2.0 * r * length)).asin();
        assert!((tracking(arm, r * 1e-3) - formula).abs() < 1e-12);
        assert!(formula > 0.01);
    }

    #[test]
    fn cut_time_integrates_the_speed() {
        let recipe = Recipe::parse(
            "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 10\n[record]\ncut_rpm = 33\n\
             eccentricity_mm = 0.5\n[capture]\nradius_mm = [75, 70]\nrpm = 45\nlead_in_s = 1\n\
             sample_rate_hz = 48000\n[dirt]\nwow = 0.002\nflutter = 0.001\n",
        )
        .unwrap();
        let table = Turntable::new(&recipe);
        assert_eq!(table.modulated(), [1.0, 11.0]);
        assert!((table.speed_ratio() - 1.35).abs() < 1e-15);
        let h = 1e-4;
        for t in [1.0, 3.3, 7.0] {
            let speed = (table.cut_time(t + h) - table.cut_time(t - h)) / (2.0 * h) / 1.35;
            let w = TAU * 0.75;
            let expected = 1.0
                + 0.002 * (w * t).sin()
                + 0.001 * (TAU * 7.0 * t).sin()
                + 0.5 / 72.5 * (w * t).cos();
            assert!((speed - expected).abs() < 1e-6, "{speed} {expected}");
        }
        assert!((table.radius(6.0) - 0.0725).abs() < 1e-15);
        assert!((table.playing_speed(20.0) - 0.070 * TAU * 0.75).abs() < 1e-15);
    }
}
