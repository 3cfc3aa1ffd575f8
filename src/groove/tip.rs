//! Where a turned stylus touches the two walls.

use serde::{Deserialize, Serialize};
use std::ops::RangeInclusive;

/// Kinds of stylus.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Profile {
    /// A ball, which is not sensitive to its own rotation.
    Spherical,
    /// Bi-radial: a frontal radius and a smaller side radius.
    Elliptical,
    /// A fine edge over a long contact, given by the distance of its contacts.
    Line,
}

/// Sizes of the tips that are made, micrometres, so that 180 for 18.0 is not taken. All are
/// common practice, no source. Frontal radii: from the finest tips for microgrooves (some
/// 13) to the widest for worn coarse grooves (5 mil, 127), with a little room.
pub const FRONTAL_RADII_UM: RangeInclusive<f64> = 10.0..=130.0;
/// Side radii: from the finest edges (2 to 3) to coarse-groove ellipticals (1.2 mil, 30).
pub const SIDE_RADII_UM: RangeInclusive<f64> = 1.0..=40.0;
/// Distances between the contacts of line tips: as the frontal radii, times the square root
/// of two, at which a tip of that radius touches walls of 45 degrees.
pub const CONTACT_SPACINGS_UM: RangeInclusive<f64> = 14.0..=184.0;

/// A stylus tip: its profile and three sizes.
///
/// | profile | `size[0]` | `size[1]` | `size[2]` |
/// |---|---|---|---|
/// | spherical | ball radius | lever of a real, slightly flattened ball | path of that lever by the setup's own rotation |
/// | elliptical | frontal radius `R` | side radius `r` | shape term `q` |
/// | line | contact spacing `w` at 45 deg walls | side radius `r` | shape term `q` |
///
/// Lengths in metres. The shape term multiplies the path by `1 + q sin^2 z`:
/// it is zero for a disc with a rounded edge, and carries what is known about
/// other forms at large angles `z`. A ball's lever is nearly nothing, and the
/// setup's rotation, which such a tip cannot tell, would only multiply it: the
/// product is a size of its own, so that the model stays linear in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tip {
    /// Kind of stylus.
    pub profile: Profile,
    /// Sizes, as in the table above.
    pub size: [f64; 3],
}

/// A length in metres along the groove, with its derivatives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ContactLength {
    /// The length, metres.
    pub length: f64,
    /// Derivative with respect to the angle, metres per radian.
    pub d_angle: f64,
    /// Derivative with respect to the groove's half angle, metres per radian.
    pub d_half_angle: f64,
    /// Derivatives with respect to the three sizes.
    pub d_size: [f64; 3],
}

impl Tip {
    /// How far, along the groove, the left contact lies upstream of the right
    /// one when the tip is turned by `angle` (radians, clockwise) in a groove
    /// whose walls stand at `half_angle` from the vertical plane through it.
    ///
    /// Elliptical: the support points of a rounded disc, `2 cos a (R - r)
    /// sin z cos z / sqrt(cos^2 a cos^2 z + sin^2 a)`; line: `(w - 2 cos a r)
    /// sin z`; spherical: `lever sin z` and the fixed path (docs/method.md).
    pub fn path(&self, angle: f64, half_angle: f64) -> ContactLength {
        let (sin, cos) = angle.sin_cos();
        let (sin_a, cos_a) = half_angle.sin_cos();
        let [first, second, shape] = self.size;
        match self.profile {
            Profile::Spherical => ContactLength {
                length: second * sin + shape,
                d_angle: second * cos,
                d_half_angle: 0.0,
                d_size: [0.0, sin, 1.0],
            },
            Profile::Elliptical => {
                let root = (cos_a * cos_a * cos * cos + sin_a * sin_a).sqrt();
                let unit = 2.0 * cos_a * sin * cos / root;
                // d(root)/dz = -cos^2 a sin z cos z / root
                let d_unit = 2.0 * cos_a * (cos * cos - sin * sin) / root
                    + unit * cos_a * cos_a * sin * cos / (root * root);
                // d(root)/da = sin a cos a sin^2 z / root
                let d_unit_a = -2.0 * sin_a * sin * cos / root
                    - unit * sin_a * cos_a * sin * sin / (root * root);
                shaped(
                    first - second,
                    [unit, -unit],
                    (unit, d_unit, d_unit_a),
                    (angle, shape),
                )
            }
            Profile::Line => {
                let lever = first - 2.0 * cos_a * second;
                let mut contact = shaped(
                    lever,
                    [sin, -2.0 * cos_a * sin],
                    (sin, cos, 0.0),
                    (angle, shape),
                );
                contact.d_half_angle = 2.0 * sin_a * second * sin * (1.0 + shape * sin * sin);
                contact
            }
        }
    }

    /// Where, seen from above and before any turn, the tip touches a wall whose
    /// normal points `azimuth` radians anticlockwise from the line across the
    /// groove: metres across (towards the right channel's wall) and along
    /// (upstream). Over all azimuths that is the tip's outline at its contacts.
    /// Turned clockwise by `z` it touches the walls with what lies at the
    /// azimuths `z` and `z + pi`; the two are [`Tip::path`] apart along the groove
    /// (but for the shape term).
    pub fn outline(&self, azimuth: f64, half_angle: f64) -> [f64; 2] {
        let (sin, cos) = azimuth.sin_cos();
        let (sin_a, cos_a) = half_angle.sin_cos();
        let [first, second, _] = self.size;
        let (centre, radius) = match self.profile {
            Profile::Spherical => (0.0, first),
            Profile::Elliptical => {
                let root = (cos_a * cos_a * cos * cos + sin_a * sin_a).sqrt();
                ((first - second) * cos_a * cos / root, second)
            }
            // the centres of the two edges; no edge faces along the groove
            Profile::Line => {
                let side = if cos < 0.0 { -1.0 } else { 1.0 };
                (side * (0.5 * first - cos_a * second), second)
            }
        };
        [centre + radius * cos_a * cos, radius * cos_a * sin]
    }

    /// Distance between the two contact points across the groove: what a
    /// turned cut is weighed with. `2 cos a R` for spherical and elliptical
    /// tips (the walls' normals decide), the stated spacing for line contact.
    pub fn spacing(&self, half_angle: f64) -> ContactLength {
        let (sin_a, cos_a) = half_angle.sin_cos();
        match self.profile {
            Profile::Spherical | Profile::Elliptical => ContactLength {
                length: 2.0 * cos_a * self.size[0],
                d_angle: 0.0,
                d_half_angle: -2.0 * sin_a * self.size[0],
                d_size: [2.0 * cos_a, 0.0, 0.0],
            },
            Profile::Line => ContactLength {
                length: self.size[0],
                d_angle: 0.0,
                d_half_angle: 0.0,
                d_size: [1.0, 0.0, 0.0],
            },
        }
    }

    /// The lever at zero rotation, metres: derivative of the path with respect
    /// to the angle there; its own derivatives are those of the sizes and the
    /// half angle.
    pub fn lever(&self, half_angle: f64) -> ContactLength {
        let (sin_a, cos_a) = half_angle.sin_cos();
        let [first, second, _] = self.size;
        let (length, d_half_angle, d_size) = match self.profile {
            Profile::Spherical => (second, 0.0, [0.0, 1.0, 0.0]),
            Profile::Elliptical => (
                2.0 * cos_a * (first - second),
                -2.0 * sin_a * (first - second),
                [2.0 * cos_a, -2.0 * cos_a, 0.0],
            ),
            Profile::Line => (
                first - 2.0 * cos_a * second,
                2.0 * sin_a * second,
                [1.0, -2.0 * cos_a, 0.0],
            ),
        };
        ContactLength {
            length,
            d_angle: 0.0,
            d_half_angle,
            d_size,
        }
    }
}

/// `lever * unit * (1 + q sin^2 z)` with its derivatives, where `unit` comes
/// with those by angle and half angle, and `d_lever` are the derivatives of
/// `lever * unit` by the first two sizes.
fn shaped(
    lever: f64,
    d_lever: [f64; 2],
    (unit, d_unit, d_unit_a): (f64, f64, f64),
    (angle, shape): (f64, f64),
) -> ContactLength {
    let (sin, cos) = angle.sin_cos();
    let form = 1.0 + shape * sin * sin;
    ContactLength {
        length: lever * unit * form,
        d_angle: lever * (d_unit * form + unit * shape * 2.0 * sin * cos),
        d_half_angle: lever * d_unit_a * form,
        d_size: [
            d_lever[0] * form,
            d_lever[1] * form,
            lever * unit * sin * sin,
        ],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{DEGREE, MICROMETRE};
    use approx::assert_relative_eq;
    use std::f64::consts::FRAC_PI_4;

    fn elliptical(frontal_um: f64, side_um: f64) -> Tip {
        Tip {
            profile: Profile::Elliptical,
            size: [frontal_um * MICROMETRE, side_um * MICROMETRE, 0.0],
        }
    }

    /// Brute force, no closed formula: among the points of a toroidal edge
    /// (side radius `r` about an arc of radius `R - r` whose centre lies
    /// `centre` to the side) find the one that reaches farthest against a
    /// 45 degree wall, on either side, and take their distance along the
    /// groove. All in micrometres.
    fn search(centre: f64, frontal: f64, side: f64, angle: f64) -> f64 {
        let support = |sign: f64| {
            // point of the arc at elevation phi, then of the tube at (phi, psi)
            let point = |phi: f64, psi: f64| {
                let across = centre + (frontal - side) * phi.cos() + side * psi.cos() * phi.cos();
                let down = (frontal - side) * phi.sin() + side * psi.cos() * phi.sin();
                let ahead = side * psi.sin();
                // turned by `angle` about the vertical
                let lateral = sign * across;
                (
                    lateral * angle.cos() - ahead * angle.sin(),
                    lateral * angle.sin() + ahead * angle.cos(),
                    down,
                )
            };
            let reach = |phi: f64, psi: f64| {
                let (x, _, down) = point(phi, psi);
                (sign * x + down) * std::f64::consts::FRAC_1_SQRT_2
            };
            // a grid that shrinks about its best point
            let (mut phi, mut psi) = (FRAC_PI_4, 0.0);
            let mut half = 0.7;
            while half > 1e-9 {
                let mut best = (f64::NEG_INFINITY, phi, psi);
                for i in -20..=20 {
                    for j in -20..=20 {
                        let (p, q) = (
                            phi + half * f64::from(i) / 20.0,
                            psi + half * f64::from(j) / 20.0,
                        );
                        if reach(p, q) > best.0 {
                            best = (reach(p, q), p, q);
                        }
                    }
                }
                (phi, psi) = (best.1, best.2);
                half /= 4.0;
            }
            point(phi, psi).1
        };
        support(1.0) - support(-1.0)
    }

    /// The search finds the maximum of `reach` to its rounding (1e-16 of some
    /// 20 um), so the points to the square root of that, times the size:
    /// about 1e-7 um.
    const SEARCH_UM: f64 = 2e-6;

    #[test]
    fn elliptical_path_equals_the_searched_support_points() {
        for (frontal, side) in [(18.0, 8.0), (18.0, 5.0), (15.0, 7.6)] {
            for degrees in [1.0, 5.0, 10.0, 20.0, -7.0] {
                let angle = degrees * DEGREE;
                let searched = search(0.0, frontal, side, angle);
                let path = elliptical(frontal, side).path(angle, FRAC_PI_4).length / MICROMETRE;
                assert!(
                    (path - searched).abs() < SEARCH_UM,
                    "{frontal} {side} {degrees}: {path} {searched}"
                );
            }
        }
    }

    /// model.md section 1, table found elsewhere by a 2,000,001-point search;
    /// one unit of its last digit, since a search has a grid (18 x 8 at 20 deg
    /// is 4.68425 by the formula, 4.6843 there).
    #[test]
    fn elliptical_path_agrees_with_the_published_table() {
        for (frontal, side, row) in [
            (18.0, 8.0, [0.2468, 1.2302, 2.4369, 4.6843]),
            (18.0, 5.0, [0.3208, 1.5993, 3.1680, 6.0895]),
            (15.0, 7.6, [0.1826, 0.9104, 1.8033, 3.4663]),
        ] {
            for (degrees, expected) in [1.0, 5.0, 10.0, 20.0].into_iter().zip(row) {
                let path = elliptical(frontal, side).path(degrees * DEGREE, FRAC_PI_4);
                assert!((path.length / MICROMETRE - expected).abs() < 1e-4);
            }
        }
    }

    /// The ellipsoid of the same radii (model.md: 1.2292 / 2.4286 / 4.6209)
    /// lies within two standard uncertainties of the shape term, 0.1.
    #[test]
    fn shape_term_covers_the_ellipsoid() {
        for (degrees, ellipsoid) in [(5.0, 1.2292), (10.0, 2.4286), (20.0, 4.6209)] {
            let mut tip = elliptical(18.0, 8.0);
            tip.size[2] = -0.1 * 1.2;
            let path = tip.path(degrees * DEGREE, FRAC_PI_4).length / MICROMETRE;
            // q = -0.12 reproduces it within 0.1 % of the path
            assert_relative_eq!(path, ellipsoid, max_relative = 1e-3);
        }
    }

    /// A real line contact has a frontal curvature of 35 to 70 um, which the
    /// formula neglects: model.md says it is 0.2 to 0.5, 1 to 2 and 4 to 8
    /// percent too high at 5, 10 and 20 deg. The shape term -0.5 +- 0.2 holds it.
    #[test]
    fn line_path_against_the_searched_support_points() {
        let (spacing, side) = (45.0, 4.0);
        for frontal in [35.0, 50.0, 70.0] {
            let centre = spacing / 2.0 - frontal * FRAC_PI_4.cos();
            for degrees in [1.0, 5.0, 10.0, 20.0] {
                let angle: f64 = degrees * DEGREE;
                let searched = search(centre, frontal, side, angle);
                let path = |shape: f64| {
                    let tip = Tip {
                        profile: Profile::Line,
                        size: [spacing * MICROMETRE, side * MICROMETRE, shape],
                    };
                    tip.path(angle, FRAC_PI_4).length / MICROMETRE
                };
                let needed = (searched / path(0.0) - 1.0) / angle.sin().powi(2);
                assert!(
                    (needed + 0.5).abs() < 2.0 * 0.2,
                    "{frontal} {degrees}: {needed}"
                );
                assert!((path(needed) - searched).abs() < SEARCH_UM);
            }
        }
    }

    /// The drawing agrees with the model: the two points of the outline that
    /// touch, turned with the tip, lie `path` apart, to a few roundings of f64.
    #[test]
    fn the_outline_touches_where_the_path_says() {
        let size = |a: f64, b: f64| [a * MICROMETRE, b * MICROMETRE, 0.0];
        for (profile, size) in [
            (Profile::Elliptical, size(18.0, 8.0)),
            (Profile::Line, size(45.0, 5.0)),
            (Profile::Spherical, size(18.0, 0.0)),
        ] {
            let tip = Tip { profile, size };
            for degrees in [-15.0, -3.0, 0.0, 2.0, 20.0] {
                let z: f64 = degrees * DEGREE;
                let along = |azimuth: f64| {
                    let [across, along] = tip.outline(azimuth, FRAC_PI_4);
                    along * z.cos() - across * z.sin()
                };
                let drawn = along(z + std::f64::consts::PI) - along(z);
                let path = tip.path(z, FRAC_PI_4).length;
                let size = tip.size[0];
                assert!(
                    (drawn - path).abs() < 16.0 * f64::EPSILON * size,
                    "{profile:?} {degrees}: {drawn} {path}"
                );
            }
        }
    }

    #[test]
    fn a_ball_sees_nothing_and_spacing_is_the_full_distance() {
        let ball = Tip {
            profile: Profile::Spherical,
            size: [18.0 * MICROMETRE, 0.0, 0.0],
        };
        assert_eq!(ball.path(0.3, FRAC_PI_4).length, 0.0);
        // model.md: 25.5 um for 18 um frontal radius, 14.1 um lever for 18 x 8
        let spacing = ball.spacing(FRAC_PI_4).length / MICROMETRE;
        assert!((spacing - 25.4558).abs() < 1e-4);
        let lever = elliptical(18.0, 8.0).lever(FRAC_PI_4).length / MICROMETRE;
        assert!((lever - 14.1421).abs() < 1e-4);
        // +-2.5 deg of half angle: 4.4 % (model.md, two digits)
        let wide = ball.spacing(FRAC_PI_4 - 2.5 * DEGREE).length / MICROMETRE;
        assert!((wide / spacing - 1.044).abs() < 1.5e-3);
    }

    #[test]
    fn lever_is_the_slope_of_the_path_at_zero() {
        for tip in [
            elliptical(18.0, 8.0),
            Tip {
                profile: Profile::Line,
                size: [45e-6, 4e-6, -0.5],
            },
            Tip {
                profile: Profile::Spherical,
                size: [18e-6, 1e-6, 0.0],
            },
        ] {
            let lever = tip.lever(0.8).length;
            assert_relative_eq!(lever, tip.path(0.0, 0.8).d_angle, max_relative = 1e-14);
        }
    }

    /// Derivatives of lever and spacing: both are linear in the sizes, and `2 cos a` of lengths
    /// in the half angle, so a central difference over h is off by h^2 / 6 of the value.
    #[test]
    fn derivatives_of_lever_and_spacing() {
        let (half_angle, h) = (0.8, 1e-3);
        for (profile, size) in [
            (Profile::Elliptical, [18e-6, 7e-6, 0.1]),
            (Profile::Line, [45e-6, 4e-6, -0.5]),
            (Profile::Spherical, [18e-6, 1e-6, 0.2e-6]),
        ] {
            let tip = Tip { profile, size };
            for of in [Tip::lever, Tip::spacing] {
                let here = of(&tip, half_angle);
                let near = |found: f64, expected: f64, scale: f64| {
                    assert!(
                        (found - expected).abs() <= h * h * scale,
                        "{profile:?}: {found} {expected}"
                    );
                };
                let turned = of(&tip, half_angle + h).length - of(&tip, half_angle - h).length;
                near(here.d_half_angle, turned / (2.0 * h), 50e-6);
                for k in 0..3 {
                    let moved = |by: f64| {
                        let mut other = tip;
                        other.size[k] += by;
                        of(&other, half_angle).length
                    };
                    let slope = (moved(1e-6) - moved(-1e-6)) / 2e-6;
                    near(here.d_size[k], slope, 1.0);
                }
                assert_eq!(here.d_angle, 0.0);
            }
        }
    }
}
