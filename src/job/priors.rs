//! The table of default priors, for values that are not stated.

use super::description::Estimate;
use crate::groove::Profile;
use crate::units::{DEGREE, MICROMETRE, MICROSECOND, MILLIMETRE};

/// A default prior, in the unit people use, with where it comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DefaultPrior {
    /// The quantity.
    pub what: &'static str,
    /// Value in `unit`.
    pub value: f64,
    /// Standard uncertainty in `unit`; zero is exact.
    pub u: f64,
    /// Unit.
    pub unit: &'static str,
    /// SI units in one `unit`.
    pub factor: f64,
    /// Where the figures come from.
    pub origin: &'static str,
}

impl DefaultPrior {
    /// In SI units.
    pub fn estimate(&self) -> Estimate {
        Estimate {
            value: self.value * self.factor,
            u: self.u * self.factor,
        }
    }
}

/// Speed of a cut when none is stated.
pub const DEFAULT_CUT_RPM: f64 = 100.0 / 3.0;

const COMMON: &str = "common practice, no source";

macro_rules! priors {
    ($($(#[$doc:meta])* $name:ident: $what:literal, $value:expr, $u:expr, $unit:literal, $factor:expr, $origin:expr;)*) => {
        $($(#[$doc])*
        pub const $name: DefaultPrior = DefaultPrior {
            what: $what, value: $value, u: $u, unit: $unit, factor: $factor, origin: $origin,
        };)*
        /// Every default prior, for documents.
        pub const TABLE: &[DefaultPrior] = &[$($name),*];
    };
}

priors! {
    /// Rotation of the stylus in the headshell.
    ROTATION: "rotation of the stylus in the headshell", 0.0, 20.0, "deg", DEGREE, "weak on purpose: four times the common tolerance of 5 deg";
    /// Mounting of a body aligned with a gauge.
    MOUNTING_BY_GAUGE: "mounting of the cartridge body, aligned with a gauge", 0.0, 1.0, "deg", DEGREE, COMMON;
    /// Mounting of a body that was turned on purpose, or of which nothing is known.
    MOUNTING_UNKNOWN: "mounting of the cartridge body, turned on purpose or stated as unknown", 0.0, 20.0, "deg", DEGREE, "as of the rotation in the headshell";
    /// Mounting of a body of which nothing is stated.
    MOUNTING_BY_EYE: "mounting of the cartridge body, aligned by eye or not stated", 0.0, 3.0, "deg", DEGREE, COMMON;
    /// Tracking error of an arm that is not stated: constant over the radius.
    TRACKING_COMMON: "tracking error of a pivoted arm that is not stated, at all radii", 0.0, 0.8, "deg", DEGREE, "overhang and offset set by hand; common practice, no source. With the part of each radius 1.2 deg";
    /// Tracking error of an arm that is not stated: part of one radius.
    TRACKING_RADIUS: "tracking error of a pivoted arm that is not stated, at one radius", 0.0, 0.9, "deg", DEGREE, "root mean square over a side of the published alignments of 9 and 12 inch arms (Lofgren 1938, Stevenson 1966)";
    /// Tracking error of an arm that is not stated: slope over the side.
    TRACKING_SLOPE: "tracking error of a pivoted arm that is not stated, from the middle of a side to its start", 0.0, 0.8, "deg", DEGREE, "as at all radii";
    /// Tracking error of an arm that is not stated: curvature over the side.
    TRACKING_BOW: "tracking error of a pivoted arm that is not stated, from the middle of a side to either end", 0.0, 3.0, "deg", DEGREE, "over a side its root mean square is that at one radius";
    /// Irregularity of a spiral between its ends.
    SPIRAL: "radius in the middle of a recording taken in stretches, whose start and end are stated", 0.0, 2.0, "mm", MILLIMETRE, "the pitch follows the music; common practice, no source. Of faster waves the k-th has 1/k of it";
    /// Rotation of a setup with a spherical tip.
    BALL_ROTATION: "rotation of a setup with a spherical tip", 0.0, 3.0, "deg", DEGREE, "no capture shows it; a cartridge is mounted by eye to about that; common practice, no source";
    /// Frontal radius when no profile is stated.
    GENERIC_FRONTAL: "frontal radius, no stylus stated", 18.0, 2.0, "um", MICROMETRE, "15 to 20 um are sold as elliptical; common practice, no source";
    /// Side radius when no profile is stated.
    GENERIC_SIDE: "side radius, no stylus stated", 8.0, 2.0, "um", MICROMETRE, "5 to 10 um are sold as elliptical; common practice, no source";
    /// Ball or frontal radius with a profile stated.
    FRONTAL: "frontal or ball radius", 18.0, 1.0, "um", MICROMETRE, "a size stated without its uncertainty is taken to +-1 um; a spherical tip unstated: 15 to 18 um preferred (IEC 98, secondary source)";
    /// Side radius of a stated elliptical.
    SIDE: "side radius", 8.0, 1.0, "um", MICROMETRE, COMMON;
    /// Contact spacing of a line contact.
    LINE_SPACING: "contact spacing of a line contact", 45.0, 5.0, "um", MICROMETRE, "unstated; the contacts of a groove about 55 um wide; common practice, no source";
    /// Contact spacing when its value is stated.
    LINE_SPACING_STATED: "contact spacing, stated", 45.0, 1.0, "um", MICROMETRE, COMMON;
    /// Side radius of a line contact.
    LINE_SIDE: "side radius of a line contact", 5.0, 1.0, "um", MICROMETRE, COMMON;
    /// Growth of a side radius by wear.
    WEAR: "growth of a side radius by wear, where playing hours are stated", 2.0, 1.0, "um per 1000 h", MICROMETRE / 1000.0, "a stylus is replaced after 500 to 1000 h, when its flats are some micrometres wide; common practice, no source";
    /// Lever of a real ball.
    BALL_LEVER: "lever of a spherical tip", 0.0, 1.0, "um", MICROMETRE, "real balls are not perfect; believed";
    /// Path of a spherical tip: product of its lever and its unobservable
    /// rotation, from whose uncertainties its own follows.
    BALL_PATH: "path left by a spherical tip", 0.0, 0.0, "um", MICROMETRE, "lever, as all captures have it, times the rotation, which none shows";
    /// Shape term of an elliptical tip.
    ELLIPTICAL_SHAPE: "shape term of an elliptical tip", 0.0, 0.1, "", 1.0, "a rounded disc and an ellipsoid of the same radii differ by 0.11 sin^2 (computed by brute force)";
    /// Shape term of a line contact.
    LINE_SHAPE: "shape term of a line contact", -0.5, 0.2, "", 1.0, "neglected frontal curvature of 35 to 70 um (computed by brute force)";
    /// Scale when no crosstalk is stated.
    SCALE: "scale by crosstalk and vertical response", 1.0, 0.08, "", 1.0, "two crosstalks of -25 dB with unknown signs: sqrt(2) 10^(-25/20)";
    /// Skew of a cartridge.
    CARTRIDGE_SKEW: "time skew of a cartridge", 0.0, 0.1, "us", MICROSECOND, "believed";
    /// Cut rotation of a record side.
    CUT: "cut rotation of a record side", 0.0, 0.5, "deg", DEGREE, COMMON;
    /// The part of a cut's rotation that the sides of one session share.
    CUT_OF_SESSION: "cut rotation, the part that record sides of one session share", 0.0, 0.4, "deg", DEGREE, "two sides of a disc are cut with one setting of the lathe; believed. With the part of each side 0.5 deg";
    /// The part of a cut's rotation that is a side's own in its session.
    CUT_OF_SIDE: "cut rotation, the part of each record side of a session", 0.0, 0.3, "deg", DEGREE, "believed; see the part that they share";
    /// Lathe offset: exact zero unless stated.
    LATHE_OFFSET: "lathe offset", 0.0, 0.0, "mm", MILLIMETRE, "not separable from the cut rotation at one radius, so it is zero unless stated";
    /// Lathe offset stated as a bare number.
    LATHE_OFFSET_STATED: "lathe offset, stated", 0.0, 0.25, "mm", MILLIMETRE, COMMON;
    /// Skew of a record side.
    RECORD_SKEW: "cutter time skew of a record side", 0.0, 0.1, "us", MICROSECOND, "0.1 to 0.5 us, believed; none with a lateral head";
    /// Included groove angle.
    GROOVE_ANGLE: "included groove angle", 90.0, 0.0, "deg", DEGREE, "nominal (IEC 98, from memory); its tolerance acts like the scale, whose prior covers it";
    /// Skew of a chain.
    CHAIN_SKEW: "time skew of a chain", 0.0, 0.5, "us", MICROSECOND, "0.1 to 1 us between converters, cables, amplifiers; believed";
    /// Radius of a capture.
    RADIUS: "radius of a capture", 70.0, 0.5, "mm", MILLIMETRE, "read with a ruler; common practice, no source";
    /// Velocity that full scale stands for, where it is stated.
    FULL_SCALE: "peak lateral velocity at 1 kHz that full scale stands for, stated: 6 % of it", 40.0, 2.4, "cm/s", 1e-2, "half a decibel, as test records state their levels; common practice, no source";
    /// Turn.
    TURN: "known turn", 0.0, 0.2, "deg", DEGREE, "read on a protractor; common practice, no source";
    /// Effective length of an arm.
    ARM_LENGTH: "effective length of an arm", 230.0, 0.5, "mm", MILLIMETRE, COMMON;
    /// Pivot to spindle.
    ARM_PIVOT: "pivot to spindle", 212.0, 0.5, "mm", MILLIMETRE, COMMON;
    /// Offset angle.
    ARM_OFFSET: "offset angle of an arm", 24.0, 0.5, "deg", DEGREE, COMMON;
    /// Part of a planned delay's uncertainty due to the cartridge's response.
    PLANNED_RESPONSE: "what a cartridge's response leaves of a planned delay", 0.0, 0.4, "us", MICROSECOND, "found in ordinary recordings: 0.2 to 0.5 us (the shipped workshop's)";
    /// Rotation of a planned setup.
    PLANNED_ROTATION: "rotation of a planned setup: half of such setups come out better than the plan says", 0.0, 5.0, "deg", DEGREE, "the tolerance commonly allowed: there it will be decided; common practice, no source";
    /// Random part of a planned delay.
    PLANNED_DELAY: "delay of a planned capture", 0.0, 0.005, "us", MICROSECOND, "30 s of wide-band programme at 35 dB reach a nanosecond; five leave room";
}

/// Relative standard uncertainty of [`FULL_SCALE`].
pub const FULL_SCALE_RELATIVE: f64 = FULL_SCALE.u / FULL_SCALE.value;

/// Where the uncertainty of a speed comes from.
pub const SPEED_ORIGIN: &str = "0.15 %, a third of what IEC 60098:2020, 5.6, allows a recording";

/// Relative standard uncertainty of a speed: 0.05 rpm at 33 1/3, 0.07 at 45
/// (0.15 %, a third of the 0.5 % that IEC 60098:2020, 5.6, allows a recording).
const SPEED_RELATIVE: f64 = 0.0015;

/// Component tolerance when none is stated: parts of 1 %, common practice.
pub const COMPONENT_TOLERANCE: f64 = 0.01;

/// Standard uncertainty of a nominal speed, in revolutions per minute.
pub fn speed_u(rpm: f64) -> f64 {
    // the two usual speeds rounded as people quote them
    if (rpm - 100.0 / 3.0).abs() < 1e-6 {
        0.05
    } else if (rpm - 45.0).abs() < 1e-6 {
        0.07
    } else {
        SPEED_RELATIVE * rpm
    }
}

/// Standard uncertainty of the scale for a channel separation of
/// `crosstalk_db` (negative): two crosstalks whose signs are unknown.
pub fn scale_u(crosstalk_db: f64) -> f64 {
    std::f64::consts::SQRT_2 * 10f64.powf(crosstalk_db / 20.0)
}

pub use crate::delay::phase::equaliser_u;

/// Priors of the three sizes of a tip (see [`crate::groove::Tip`]) for a
/// stated profile, `None` being a generic elliptical.
pub fn sizes(profile: Option<Profile>) -> [&'static DefaultPrior; 3] {
    match profile {
        None => [&GENERIC_FRONTAL, &GENERIC_SIDE, &ELLIPTICAL_SHAPE],
        Some(Profile::Elliptical) => [&FRONTAL, &SIDE, &ELLIPTICAL_SHAPE],
        Some(Profile::Spherical) => [&FRONTAL, &BALL_LEVER, &BALL_PATH],
        Some(Profile::Line) => [&LINE_SPACING, &LINE_SIDE, &LINE_SHAPE],
    }
}

/// Default of the rotation of a setup with this kind of stylus.
pub fn rotation(profile: Option<Profile>) -> &'static DefaultPrior {
    match profile {
        Some(Profile::Spherical) => &BALL_ROTATION,
        _ => &ROTATION,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_says_what_its_origins_say() {
        // -25 dB gives 0.08 (two digits), as the table's scale
        assert!((scale_u(-25.0) - SCALE.u).abs() < 0.0006);
        assert_eq!(speed_u(100.0 / 3.0), 0.05);
        assert!((speed_u(45.0) - SPEED_RELATIVE * 45.0).abs() < 0.003);
        for prior in TABLE {
            assert!(prior.u >= 0.0 && !prior.origin.is_empty(), "{}", prior.what);
        }
    }
}
