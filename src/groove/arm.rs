//! The pivoted arm.

/// A pivoted arm. Lengths in metres, angles in radians.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Arm {
    /// Pivot to stylus.
    pub effective_length: f64,
    /// Pivot to spindle.
    pub pivot_to_spindle: f64,
    /// Angle between the cartridge's axis and the line from pivot to stylus.
    pub offset: f64,
}

/// A tracking error in radians, clockwise positive, with its derivatives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct TrackingError {
    pub(super) angle: f64,
    pub(super) d_radius: f64,
    pub(super) d_effective_length: f64,
    pub(super) d_pivot_to_spindle: f64,
}

/// Offset angle from which an arm counts as one that has one, radians (5 degrees).
/// Common practice, no source.
const OFFSET: f64 = 5.0 * crate::units::DEGREE;

impl Arm {
    /// Whether its lengths may be right: an arm with an offset angle reaches beyond
    /// the spindle, so that its tracking error is small (Lofgren 1938; Baerwald
    /// 1941).
    pub fn is_consistent(&self) -> bool {
        self.offset < OFFSET || self.effective_length > self.pivot_to_spindle
    }

    /// Tracking error in radians at `radius` metres, clockwise positive:
    /// `offset - asin((r^2 + L^2 - D^2) / (2 r L))`. Not a number where the
    /// arm does not reach.
    pub fn tracking_error(&self, radius: f64) -> f64 {
        self.tracking(radius).angle
    }

    /// Radii in metres at which the tracking error is zero, the smaller first:
    /// the roots of `r^2 - 2 L sin(offset) r + L^2 - D^2`. `None` where the arm
    /// has none (no overhang to its offset angle, or too much).
    pub fn null_radii(&self) -> Option<[f64; 2]> {
        let (l, d) = (self.effective_length, self.pivot_to_spindle);
        let half_sum = l * self.offset.sin();
        let product = l * l - d * d;
        let root = (half_sum * half_sum - product).sqrt();
        let nulls = [half_sum - root, half_sum + root];
        (nulls[0] > 0.0).then_some(nulls)
    }

    /// Whether the stylus can reach `radius`.
    pub fn reaches(&self, radius: f64) -> bool {
        self.tracking_error(radius).is_finite()
    }

    /// Derivatives of the tracking error by radius, effective length and pivot to
    /// spindle (radians per metre) and by the offset angle.
    pub fn tracking_gradient(&self, radius: f64) -> [f64; 4] {
        let t = self.tracking(radius);
        [t.d_radius, t.d_effective_length, t.d_pivot_to_spindle, 1.0]
    }

    /// Derivative with respect to the offset is 1 and left out.
    pub(super) fn tracking(&self, radius: f64) -> TrackingError {
        let (r, l, d) = (radius, self.effective_length, self.pivot_to_spindle);
        let sine = (r * r + l * l - d * d) / (2.0 * r * l);
        // d(asin s) = ds / sqrt(1 - s^2)
        let slope = -1.0 / (1.0 - sine * sine).sqrt();
        TrackingError {
            angle: self.offset - sine.asin(),
            d_radius: slope * (1.0 / l - sine / r),
            d_effective_length: slope * (1.0 / r - sine / l),
            d_pivot_to_spindle: slope * -d / (r * l),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{DEGREE, MILLIMETRE};

    fn arm(length_mm: f64, overhang_mm: f64, offset_deg: f64) -> Arm {
        Arm {
            effective_length: length_mm * MILLIMETRE,
            pivot_to_spindle: (length_mm - overhang_mm) * MILLIMETRE,
            offset: offset_deg * DEGREE,
        }
    }

    /// Alignments for 60.325 to 146.05 mm (Lofgren 1938, two ways; Stevenson 1966) of
    /// five lengths: error at the ends and between (references.json, ids `arm_*`,
    /// `S_null`); the sign there is the opposite of ours. Tolerance as stated there.
    #[test]
    fn tracking_error_agrees_with_published_alignments() {
        for (length, overhang, offset, radii, errors) in [
            (
                228.6,
                18.173388612678593,
                24.127574774906975,
                [60.325, 89.3230161831161, 146.05],
                [0.7845430668991042, -1.1270628248289327, 1.9081186790522437],
            ),
            (
                228.6,
                18.689557944094474,
                24.127574774906975,
                [60.325, 90.52936714621575, 146.05],
                [1.2825164523590082, -0.7981904189245732, 2.1154961878120346],
            ),
            (
                228.6,
                16.056985475229055,
                22.878046875966373,
                [60.325, 84.16309747581185, 146.05],
                [0.0, -1.275398421329669, 2.305849567587785],
            ),
            (
                230.0,
                18.053311467362676,
                23.97146185629655,
                [60.325, 89.3230161831161, 146.05],
                [0.7787847341166128, -1.118911180160051, 1.8939857597772125],
            ),
            (
                230.0,
                18.565769838217392,
                23.97146185629655,
                [60.325, 90.52936714621579, 146.05],
                [1.273065536108664, -0.7924031648234546, 2.0998003934080565],
            ),
            (
                230.0,
                15.951937585791285,
                22.73096313261165,
                [60.325, 84.16309747581185, 146.05],
                [0.0, -1.266350250233895, 2.2890504582739446],
            ),
            (
                240.0,
                17.241388988100425,
                22.914257801433884,
                [60.325, 89.32301618311605, 146.05],
                [0.7401688773221053, -1.064178581643496, 1.7992823030821832],
            ),
            (
                240.0,
                17.72891847092285,
                22.914257801433884,
                [60.325, 90.52936714621579, 146.05],
                [1.2097082603510678, -0.7535536922877171, 1.9946396800430897],
            ),
            (
                240.0,
                15.2410779896002,
                21.73438822193058,
                [60.325, 84.16309747581194, 146.05],
                [0.0, -1.2055017717045082, 2.1763250241349645],
            ),
            (
                250.0,
                16.50182274811911,
                21.94887040000955,
                [60.325, 89.32301618311605, 146.05],
                [0.705458490774685, -1.0148851129291785, 1.7142613445734973],
            ),
            (
                250.0,
                16.96688285974102,
                21.94887040000955,
                [60.325, 90.52936714621579, 146.05],
                [1.1527892919958447, -0.7185763097302917, 1.900252657533315],
            ),
            (
                250.0,
                14.592750699395452,
                20.823611400323408,
                [60.325, 84.16309747581194, 146.05],
                [0.0, -1.15056111384812, 2.074900643528512],
            ),
            (
                304.8,
                13.382020492985362,
                17.8530832449255,
                [60.325, 89.32301618311597, 146.05],
                [0.5633231365030937, -0.8121690663919701, 1.3670356943385968],
            ),
            (
                304.8,
                13.754516124874954,
                17.8530832449255,
                [60.325, 90.52936714621579, 146.05],
                [0.9199838417617237, -0.5748366865481636, 1.5149703755211767],
            ),
            (
                304.8,
                11.85015271675428,
                16.952465642489894,
                [60.325, 84.1630974758119, 146.05],
                [0.0, -0.923358986191225, 1.6586831488643412],
            ),
        ] {
            let arm = arm(length, overhang, offset);
            for (radius_mm, error_deg) in radii.into_iter().zip(errors) {
                let found = arm.tracking_error(radius_mm * MILLIMETRE) / DEGREE;
                let at = (length, radius_mm);
                assert!((found + error_deg).abs() < 1e-3, "{at:?}: {found}");
            }
        }
    }

    /// Null radii of Lofgren A for 60.325 .. 146.05 mm (references.json,
    /// A_null): the error vanishes there, for any effective length.
    #[test]
    fn null_radii() {
        let arms = [
            arm(228.6, 18.173388612678593, 24.127574774906975),
            arm(304.8, 13.382020492985362, 17.8530832449255),
        ];
        for arm in arms {
            for radius_mm in [65.99804637417564, 120.89147570845614] {
                let found = arm.tracking_error(radius_mm * MILLIMETRE) / DEGREE;
                // rounding of asin and the table's 16 digits
                assert!(found.abs() < 1e-9, "{radius_mm}: {found}");
            }
            let nulls = arm.null_radii().unwrap().map(|r| r / MILLIMETRE);
            assert!((nulls[0] - 65.99804637417564).abs() < 1e-9, "{nulls:?}");
            assert!((nulls[1] - 120.89147570845614).abs() < 1e-9, "{nulls:?}");
        }
    }

    /// Null radii of other alignments (references.json, ids `B_null`, `A_DIN`,
    /// `A_IEC1964`): two nulls make the arm by `r1 r2 = L^2 - D^2` and
    /// `r1 + r2 = 2 L sin(offset)`, whatever its length.
    #[test]
    fn an_arm_made_of_its_nulls_has_them() {
        for [first, second] in [
            [70.28537741017635, 116.60414467245545],
            [63.102939254325875, 119.17314528797169],
            [66.00551059909368, 121.03760619085337],
        ] {
            for length in [228.6f64, 304.8] {
                let arm = Arm {
                    effective_length: length,
                    pivot_to_spindle: (length * length - first * second).sqrt(),
                    offset: ((first + second) / (2.0 * length)).asin(),
                };
                for radius in [first, second] {
                    let found = arm.tracking_error(radius);
                    // a dozen roundings of f64, of squares of the length
                    assert!(found.abs() < 1e-14, "{radius}: {found}");
                }
                // between them the arm turns the tip anticlockwise, beyond clockwise
                assert!(arm.tracking_error(0.5 * (first + second)) > 1e-3);
                assert!(arm.tracking_error(first - 10.0) < -1e-3);
                assert!(arm.tracking_error(second + 10.0) < -1e-3);
            }
        }
    }

    /// The alignment of least largest error over radius, without small angles (id
    /// `exact_minimax`, 230 mm): its nulls to 0.002 mm, which is 0.0003 deg.
    #[test]
    fn the_exact_minimax_alignment() {
        let arm = arm(230.0, 18.07198, 23.99045);
        for radius_mm in [65.9748, 121.054] {
            let found = arm.tracking_error(radius_mm * MILLIMETRE) / DEGREE;
            assert!(found.abs() < 5e-4, "{radius_mm}: {found}");
        }
    }

    #[test]
    fn an_arm_that_does_not_reach() {
        let arm = arm(228.6, 18.0, 24.0);
        assert!(arm.reaches(0.07));
        // more overhang than its offset angle makes up for
        assert_eq!(super::Arm { offset: 0.1, ..arm }.null_radii(), None);
        assert!(!arm.reaches(0.5));
        assert!(!arm.reaches(0.01));
    }

    /// An offset asks for overhang; a straight arm has none to ask for.
    #[test]
    fn an_offset_arm_reaches_beyond_the_spindle() {
        for (overhang_mm, offset_deg, expected) in [
            (17.0, 24.0, true),
            (-17.0, 24.0, false),
            (0.0, 24.0, false),
            (-17.0, 0.0, true),
            (17.0, 0.0, true),
        ] {
            let arm = arm(230.0, overhang_mm, offset_deg);
            assert_eq!(arm.is_consistent(), expected, "{overhang_mm} {offset_deg}");
        }
    }
}
