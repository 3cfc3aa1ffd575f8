//! The tip as a solid in three dimensions, and its silhouette against each
//! wall, found by search.
//!
//! **Solid.** A ball of the side radius moved along a generator: a point
//! (spherical), a circle in the frontal plane (elliptical: a rounded disc), or
//! two arcs (line contact). No closed formula for the contact is used anywhere.
//!
//! **Coordinates.** Seen from above the stylus stands on the right-hand side of
//! the record: x upstream, y towards the outer wall (right channel), z up;
//! clockwise turns y towards -x. The walls rise at 45 degrees; the outward
//! normals are `(-y, -z) / sqrt 2` (left, inner) and `(y, -z) / sqrt 2`
//! (right, outer), the directions up the walls `(-y, z) / sqrt 2` and
//! `(y, z) / sqrt 2`.
//!
//! **Cut.** A flat cutting face turned by `e` makes each wall of straight lines
//! that lean along the groove by `tan e` per lateral distance. A wall is then a
//! cylinder along those lines, and against it the solid acts with its shadow
//! along them: coordinate along the groove plus or minus `tan e / sqrt 2` times
//! the distance up the wall from the bottom of the groove. Lateral and
//! vertical motion of the tip along the wall is the motion of the cutter along
//! it, so that to first order it cancels.

use super::recipe::Cartridge;
use crate::groove::Profile;
use crate::units::MICROMETRE;
use std::f64::consts::{FRAC_1_SQRT_2, FRAC_PI_4};

/// Half-width of the part of a generator arc that is searched, radians about
/// the 45 degree point.
const ARC_REACH: f64 = 0.6;

/// Points of the first scan along a generator arc.
const SCAN: usize = 33;

/// Nodes of a silhouette on each side of its vertex.
const HALF_NODES: usize = 64;

/// Half-width of a silhouette, as a fraction of the side radius: it ends where
/// its slope is about 3.
const SILHOUETTE_REACH: f64 = 0.95;

/// A golden-section step.
const GOLDEN: f64 = 0.618_033_988_749_894_9;

/// Largest value of a function near the best of an evenly spaced scan, refined
/// by golden sections; returns argument and value.
pub(super) fn search(
    from: f64,
    to: f64,
    scan: usize,
    sections: usize,
    f: impl Fn(f64) -> f64,
) -> (f64, f64) {
    let step = (to - from) / (scan - 1) as f64;
    let (best, _) = (0..scan).map(|i| (i, f(from + i as f64 * step))).fold(
        (0, f64::NEG_INFINITY),
        |most, next| {
            if next.1 > most.1 { next } else { most }
        },
    );
    let mut low = from + best.saturating_sub(1) as f64 * step;
    let mut high = from + (best + 1).min(scan - 1) as f64 * step;
    let mut inner = [high - GOLDEN * (high - low), low + GOLDEN * (high - low)];
    let mut values = inner.map(&f);
    for _ in 0..sections {
        if values[0] > values[1] {
            high = inner[1];
            inner = [high - GOLDEN * (high - low), inner[0]];
            values = [f(inner[0]), values[0]];
        } else {
            low = inner[0];
            inner = [inner[1], low + GOLDEN * (high - low)];
            values = [values[1], f(inner[1])];
        }
    }
    let at = if values[0] > values[1] { 0 } else { 1 };
    (inner[at], values[at])
}

/// One wall of the groove.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wall {
    /// Inner, left channel.
    Left,
    /// Outer, right channel.
    Right,
}

impl Wall {
    /// -1 for left, +1 for right: the sign of y.
    pub fn side(self) -> f64 {
        match self {
            Self::Left => -1.0,
            Self::Right => 1.0,
        }
    }
}

/// The tip upright and unturned: a ball moved along one arc per wall, all
/// lengths in metres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TipSurface {
    /// Radius of the ball, the side radius.
    pub edge_radius: f64,
    /// Radius of the generator arcs.
    pub arc_radius: f64,
    /// Lateral distance of each arc's centre from the middle, towards its own
    /// wall (negative where the arcs cross over).
    pub arc_offset: f64,
}

impl TipSurface {
    /// From a checked recipe; `None` without a profile.
    pub fn new(cartridge: &Cartridge) -> Option<Self> {
        let frontal = cartridge.frontal_radius_um * MICROMETRE;
        let side = cartridge.side_radius_um * MICROMETRE;
        let spacing = cartridge.contact_spacing_um * MICROMETRE;
        Some(match cartridge.profile? {
            Profile::Spherical => Self {
                edge_radius: frontal,
                arc_radius: 0.0,
                arc_offset: 0.0,
            },
            Profile::Elliptical => Self {
                edge_radius: side,
                arc_radius: frontal - side,
                arc_offset: 0.0,
            },
            // The 45 degree point of an upright flank is half the spacing out.
            Profile::Line => Self {
                edge_radius: side,
                arc_radius: frontal - side,
                arc_offset: 0.5 * spacing - frontal * FRAC_1_SQRT_2,
            },
        })
    }

    /// Point of a wall's generator arc at an angle from straight down.
    fn generator(&self, wall: Wall, angle: f64) -> [f64; 3] {
        let (sin, cos) = angle.sin_cos();
        [
            0.0,
            wall.side() * (self.arc_offset + self.arc_radius * sin),
            -self.arc_radius * cos,
        ]
    }
}

/// How the solid stands, radians.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Attitude {
    /// About the vertical, clockwise seen from above.
    pub rotation: f64,
    /// About the groove; positive brings the top towards the outer side.
    pub azimuth: f64,
    /// About the radial line; positive brings the top upstream.
    pub rake: f64,
}

impl Attitude {
    /// Rake, then azimuth, then rotation applied to a point.
    pub fn turn(&self, [x, y, z]: [f64; 3]) -> [f64; 3] {
        let (sin, cos) = self.rake.sin_cos();
        let (x, z) = (x * cos + z * sin, z * cos - x * sin);
        let (sin, cos) = self.azimuth.sin_cos();
        let (y, z) = (y * cos + z * sin, z * cos - y * sin);
        let (sin, cos) = self.rotation.sin_cos();
        [x * cos - y * sin, x * sin + y * cos, z]
    }
}

/// A tip seen by one wall.
struct WallProjection {
    tip: TipSurface,
    attitude: Attitude,
    wall: Wall,
    /// Lean of the wall's lines along the groove per distance up the wall.
    lean: f64,
}

impl WallProjection {
    /// Ball centre on the generator: along the groove in the shadow, and along
    /// the wall's outward normal, from the tip's origin.
    fn centre(&self, angle: f64) -> [f64; 2] {
        let [x, y, z] = self.attitude.turn(self.tip.generator(self.wall, angle));
        let outward = self.wall.side() * y;
        let up_wall = (outward + z) * FRAC_1_SQRT_2;
        [x + self.lean * up_wall, (outward - z) * FRAC_1_SQRT_2]
    }

    /// Height of the shadow along the normal at a place along the groove, and
    /// its slope there.
    fn height(&self, along: f64) -> [f64; 2] {
        let square = 1.0 + self.lean * self.lean;
        let root = |angle: f64| {
            let [x, n] = self.centre(angle);
            let rest = self.tip.edge_radius.powi(2) - (along - x).powi(2) / square;
            (x, n, rest)
        };
        let value = |angle: f64| {
            let (_, n, rest) = root(angle);
            if rest < 0.0 {
                f64::NEG_INFINITY
            } else {
                n + rest.sqrt()
            }
        };
        let (angle, height) = search(
            FRAC_PI_4 - ARC_REACH,
            FRAC_PI_4 + ARC_REACH,
            SCAN,
            40,
            value,
        );
        let (x, _, rest) = root(angle);
        [height, -(along - x) / square / rest.sqrt()]
    }

    /// The place along the groove where the shadow is highest, and that
    /// height.
    fn vertex(&self) -> [f64; 2] {
        let (angle, n) = search(
            FRAC_PI_4 - ARC_REACH,
            FRAC_PI_4 + ARC_REACH,
            SCAN,
            60,
            |angle| self.centre(angle)[1],
        );
        [self.centre(angle)[0], n + self.tip.edge_radius]
    }
}

/// Depth of a silhouette below its vertex, tabulated about the vertex.
#[derive(Debug, Clone, PartialEq)]
pub struct Silhouette {
    /// Depth in metres and slope at equally spaced nodes.
    nodes: Vec<[f64; 2]>,
    /// Distance of the nodes in metres.
    step: f64,
    /// Nodes per metre.
    density: f64,
}

impl Silhouette {
    fn new(nodes: Vec<[f64; 2]>, step: f64) -> Self {
        Self {
            nodes,
            step,
            density: 1.0 / step,
        }
    }

    /// Half-width in metres.
    #[inline]
    pub fn reach(&self) -> f64 {
        self.step * HALF_NODES as f64
    }

    /// Depth, slope, and second derivative at a distance from the vertex that
    /// lies within the reach (held at its ends): cubic Hermite polynomials.
    #[inline]
    pub fn at(&self, distance: f64) -> [f64; 3] {
        let position = distance * self.density + HALF_NODES as f64;
        let index = (position.max(0.0) as usize).min(2 * HALF_NODES - 1);
        let u = position - index as f64;
        let [f0, d0] = self.nodes[index];
        let [f1, d1] = self.nodes[index + 1];
        let (d0, d1) = (d0 * self.step, d1 * self.step);
        let rise = f1 - f0;
        let c2 = 3.0 * rise - 2.0 * d0 - d1;
        let c3 = d0 + d1 - 2.0 * rise;
        [
            f0 + u * (d0 + u * (c2 + u * c3)),
            (d0 + u * (2.0 * c2 + u * 3.0 * c3)) * self.density,
            (2.0 * c2 + u * 6.0 * c3) * (self.density * self.density),
        ]
    }

    /// Smallest mean curvature between neighbouring nodes, 1/m.
    pub fn least_curvature(&self) -> f64 {
        self.nodes
            .windows(2)
            .map(|pair| (pair[1][1] - pair[0][1]) / self.step)
            .fold(f64::INFINITY, f64::min)
    }

    /// Part of the way from one silhouette to another of the same tip.
    pub fn between(&self, other: &Self, part: f64) -> Self {
        let mix = |a: f64, b: f64| a + part * (b - a);
        let nodes = self.nodes.iter().zip(&other.nodes);
        let mixed = nodes.map(|(a, b)| [mix(a[0], b[0]), mix(a[1], b[1])]);
        Self::new(mixed.collect(), self.step)
    }
}

/// Where and with what shape the tip meets one unmodulated wall.
#[derive(Debug, Clone, PartialEq)]
pub struct WallContact {
    /// Place of the contact along the groove, metres upstream of the tip's
    /// axis, as time of the cut sees it (lean of the cut included).
    pub along: f64,
    /// The silhouette about it; `None` for a knife edge.
    pub silhouette: Option<Silhouette>,
}

/// Sets a tip into an unmodulated groove cut with a face turned by
/// `cut_rotation` and finds its contacts, left then right.
pub fn contacts(tip: TipSurface, attitude: Attitude, cut_rotation: f64) -> [WallContact; 2] {
    let shadow = |wall: Wall| WallProjection {
        tip,
        attitude,
        wall,
        // Clockwise, the right part of the face is downstream: what it cuts at
        // x was recorded when the cutter's middle was at x + y tan e.
        lean: wall.side() * cut_rotation.tan() * FRAC_1_SQRT_2,
    };
    let shadows = [shadow(Wall::Left), shadow(Wall::Right)];
    let vertices = [shadows[0].vertex(), shadows[1].vertex()];
    [0, 1].map(|wall| {
        let [x, height] = vertices[wall];
        // Resting on both walls, the origin is as far up this wall as the
        // tip's height towards the other.
        let up_wall = vertices[1 - wall][1];
        let silhouette = (tip.edge_radius > 0.0).then(|| {
            let step = SILHOUETTE_REACH * tip.edge_radius / HALF_NODES as f64;
            let nodes = (0..=2 * HALF_NODES)
                .map(|node| {
                    let distance = (node as f64 - HALF_NODES as f64) * step;
                    let [h, slope] = shadows[wall].height(x + distance);
                    [height - h, -slope]
                })
                .collect();
            Silhouette::new(nodes, step)
        });
        WallContact {
            along: x + shadows[wall].lean * up_wall,
            silhouette,
        }
    })
}

/// Distance along the groove between the contacts of one wall and the other,
/// metres, positive when the left one is upstream: right late.
pub fn path(contacts: &[WallContact; 2]) -> f64 {
    contacts[0].along - contacts[1].along
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::DEGREE;

    fn tip(text: &str) -> TipSurface {
        TipSurface::new(&toml::from_str(text).unwrap()).unwrap()
    }

    fn elliptical(frontal: f64, side: f64) -> TipSurface {
        tip(&format!(
            "profile = \"elliptical\"\nfrontal_radius_um = {frontal}\nside_radius_um = {side}"
        ))
    }

    fn turned(degrees: f64) -> Attitude {
        Attitude {
            rotation: degrees * DEGREE,
            azimuth: 0.0,
            rake: 0.0,
        }
    }

    #[test]
    fn turned_ellipticals_as_the_model_found_them() {
        // model.md, section 1: search for support points of a rounded disc,
        // micrometres, four decimals.
        for (frontal, side, expected) in [
            (18.0, 8.0, [0.2468, 1.2302, 2.4369, 4.6843]),
            (18.0, 5.0, [0.3208, 1.5993, 3.1680, 6.0895]),
            (15.0, 7.6, [0.1826, 0.9104, 1.8033, 3.4663]),
        ] {
            let tip = elliptical(frontal, side);
            for (degrees, um) in [1.0, 5.0, 10.0, 20.0].into_iter().zip(expected) {
                let found = path(&contacts(tip, turned(degrees), 0.0)) / MICROMETRE;
                assert!(
                    (found - um).abs() < 1e-4,
                    "{frontal} {side} {degrees}: {found}"
                );
            }
        }
    }

    #[test]
    fn a_ball_measures_the_cut_alone() {
        let ball = tip("profile = \"spherical\"\nfrontal_radius_um = 18");
        for degrees in [0.0, 3.0, 20.0] {
            assert_eq!(path(&contacts(ball, turned(degrees), 0.0)), 0.0);
            // model.md: minus spacing sqrt2 R times tan of the cut.
            let found = path(&contacts(ball, turned(degrees), 2.0 * DEGREE));
            let expected = -2f64.sqrt() * 18e-6 * (2.0 * DEGREE).tan();
            assert!((found / expected - 1.0).abs() < 1e-12, "{found:e}");
        }
    }

    #[test]
    fn a_line_contact_swings_its_edges() {
        // model.md: (w - sqrt2 r) sin z, 0.2 to 0.5 % too high at 5 degrees
        // and 1 to 2 % at 10 for frontal radii of 35 to 70 um.
        for (frontal, at5, at10) in [(35.0, 0.002, 0.010), (70.0, 0.005, 0.020)] {
            let line = tip(&format!(
                "profile = \"line\"\nfrontal_radius_um = {frontal}\nside_radius_um = 5\n\
                 contact_spacing_um = 45"
            ));
            let formula = |z: f64| (45.0 - 2f64.sqrt() * 5.0) * (z * DEGREE).sin();
            for (degrees, excess) in [(5.0, at5), (10.0, at10)] {
                let found = path(&contacts(line, turned(degrees), 0.0)) / MICROMETRE;
                let high = formula(degrees) / found - 1.0;
                // The model's two figures bound a range; a third either way.
                assert!(
                    (high / excess - 1.0).abs() < 0.34,
                    "{frontal} {degrees}: {high}"
                );
            }
        }
    }

    #[test]
    fn rake_and_azimuth_together_act_as_a_rotation() {
        // model.md: 5 degrees of rake with 2 of azimuth, 0.175 deg elliptical.
        let tip = elliptical(18.0, 8.0);
        let tilted = Attitude {
            rotation: 0.0,
            azimuth: 2.0 * DEGREE,
            rake: 5.0 * DEGREE,
        };
        let per_degree = path(&contacts(tip, turned(1.0), 0.0));
        let effective = path(&contacts(tip, tilted, 0.0)) / per_degree;
        assert!((effective.abs() - 0.175).abs() < 0.0015, "{effective}");
        let one = Attitude {
            rake: 0.0,
            ..tilted
        };
        assert!(path(&contacts(tip, one, 0.0)).abs() < 1e-12);
    }

    #[test]
    fn a_silhouette_of_a_ball_is_a_circle() {
        let ball = tip("profile = \"spherical\"\nfrontal_radius_um = 18");
        let [left, right] = contacts(ball, turned(7.0), 0.0);
        assert_eq!(left, right);
        let silhouette = left.silhouette.unwrap();
        assert!((silhouette.reach() / 17.1e-6 - 1.0).abs() < 1e-12);
        let r: f64 = 18e-6;
        for um in [-9.0, -3.3, 0.0, 0.1, 6.0] {
            let d: f64 = um * 1e-6;
            let [depth, slope, bend] = silhouette.at(d);
            let root = (r * r - d * d).sqrt();
            // Cubic Hermite on steps of r / 67: h^4 / 384 times the fourth
            // derivative, below 20 / r^3 to half the radius.
            assert!((depth - (r - root)).abs() < 3e-9 * r, "{um}");
            assert!((slope - d / root).abs() < 1e-6, "{um}");
            assert!((bend - r * r / root.powi(3)).abs() < 2e-3 / r, "{um}");
        }
        assert!((silhouette.least_curvature() * r - 1.0).abs() < 1e-3);
    }
}
