//! Geometry of stylus, groove, arm and lathe, independent of audio.
//!
//! Every function returns its derivatives beside its value, because the
//! adjustment needs both and they share their work. All quantities are SI,
//! all angles radians, clockwise positive seen from above.

mod arm;
mod forward;
mod tip;

pub use arm::Arm;
pub use forward::{Conditions, INPUTS, ModelInput, PredictedDelay};
pub use tip::{CONTACT_SPACINGS_UM, ContactLength, FRONTAL_RADII_UM, Profile, SIDE_RADII_UM, Tip};

/// Groove speed in metres per second at `radius` metres and `rpm` revolutions
/// per minute: `2 pi radius rpm / 60`.
pub fn groove_speed(radius: f64, rpm: f64) -> f64 {
    std::f64::consts::TAU * radius * rpm / 60.0
}

/// Rotation of the cut, in radians, that a lathe makes whose cutter passes the
/// centre at a distance of `offset` metres: `asin(offset / radius)`.
/// Not a number when the offset exceeds the radius.
pub fn lathe_rotation(offset: f64, radius: f64) -> f64 {
    (offset / radius).asin()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{DEGREE, MILLIMETRE};
    use approx::assert_relative_eq;

    /// references.json, entries v_*: v = 2 pi r n / 60, computed outside.
    #[test]
    fn groove_speed_agrees_with_the_table() {
        for (radius_mm, rpm, speed) in [
            (146.05, 100.0 / 3.0, 0.5098106745075437),
            (146.05, 45.0, 0.688244410585184),
            (60.325, 100.0 / 3.0, 0.21057397425311591),
            (60.325, 78.26086956521739, 0.4943910699855764),
            (57.5, 45.0, 0.2709623663721196),
        ] {
            assert_relative_eq!(
                groove_speed(radius_mm * MILLIMETRE, rpm),
                speed,
                max_relative = 1e-12 // a dozen roundings of f64
            );
        }
    }

    /// model.md section 1: 0.5 mm is 0.41 deg at 70 mm (two digits given).
    #[test]
    fn half_a_millimetre_off_the_radial_line() {
        let angle = lathe_rotation(0.5 * MILLIMETRE, 70.0 * MILLIMETRE);
        assert!((angle / DEGREE - 0.41).abs() < 0.005);
        assert!(lathe_rotation(2.0, 1.0).is_nan());
    }
}
