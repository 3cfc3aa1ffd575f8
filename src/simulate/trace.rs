//! Reading the groove: what the two walls do to the stylus, as displacement
//! of the two channels against playing time.

use super::cut::Groove;
use super::recipe::PutIn;
use super::stylus::{Attitude, Contact, Silhouette, Tip, contacts, search};
use super::turntable::Turntable;
use crate::units::{DEGREE, MICROMETRE, MICROSECOND};
use rayon::prelude::*;
use std::borrow::Cow;
use std::f64::consts::SQRT_2;

/// Samples traced as one piece of work.
const PIECE: usize = 8192;

/// Displacement of the two channels in metres: each is the motion of its wall
/// seen along the 45/45 axis times sqrt 2, so that a lateral cut gives both
/// the lateral displacement, and a vertical cut plus and minus the vertical
/// one.
#[derive(Debug, Clone, PartialEq)]
pub struct Traced {
    /// Left channel, inner wall.
    pub left: Vec<f64>,
    /// Right channel, outer wall.
    pub right: Vec<f64>,
}

/// A cut groove passing under the stylus.
#[derive(Debug, Clone, Copy)]
pub struct Passage<'a> {
    /// The modulation.
    pub groove: &'a Groove,
    /// Motion of the left and right wall along their outward normals per
    /// modulation ([`super::cut::wall_gains`]).
    pub gains: [f64; 2],
    /// Time error of the cutter in seconds of the cut, right late.
    pub cutter_skew: f64,
    /// The record turning.
    pub table: &'a Turntable,
    /// Samples wanted.
    pub frames: usize,
    /// Samples per second of play.
    pub rate_hz: u32,
}

impl Passage<'_> {
    /// Reads both walls at two points apart by a delay put in by hand: the
    /// left one half the delay early, the right one half late.
    pub fn read_points(&self, put_in: PutIn) -> Traced {
        let table = self.table;
        self.walls(|wall, skew, piece, start| {
            let side = SIDES[wall];
            for (offset, sample) in piece.iter_mut().enumerate() {
                let t = (start + offset) as f64 / f64::from(self.rate_hz);
                let apart = put_in.us * MICROSECOND * table.speed_ratio()
                    + put_in.path_um * MICROMETRE / table.cutting_speed(t);
                let time = table.cut_time(t) - 0.5 * side * apart - skew;
                let place = time * f64::from(self.groove.rate_hz);
                *sample = self.gains[wall] * self.groove.displacement.at(place)[0];
            }
        })
    }

    /// Both channels from what happens at each wall. `work` gets the wall, its
    /// time error, the samples to fill with motion along the outward normal,
    /// and the index of the first. Pieces are fixed, so threads change nothing.
    fn walls(&self, work: impl Fn(usize, f64, &mut [f64], usize) + Sync) -> Traced {
        let fill = |wall: usize, skew: f64| {
            let mut samples = vec![0.0; self.frames];
            if self.gains[wall] != 0.0 {
                samples
                    .par_chunks_mut(PIECE)
                    .enumerate()
                    .for_each(|(piece, chunk)| {
                        work(wall, skew, chunk, piece * PIECE);
                        chunk.iter_mut().for_each(|v| *v *= SQRT_2 * SIDES[wall]);
                    });
            }
            samples
        };
        Traced {
            left: fill(0, 0.0),
            right: fill(1, self.cutter_skew),
        }
    }
}

/// Outward is towards the left on the left wall.
const SIDES: [f64; 2] = [-1.0, 1.0];

/// How contact is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Method {
    /// Newton steps where the silhouette is everywhere more curved than the
    /// groove, so that there is one contact only; erosion elsewhere.
    Fast,
    /// Erosion everywhere: the lowest of all places of the silhouette. The
    /// oracle of the fast path.
    Erosion,
}

/// The tip's contacts with unmodulated walls along the capture.
#[derive(Debug, Clone, PartialEq)]
pub struct Contacts {
    start: f64,
    spacing: f64,
    knots: Vec<[Contact; 2]>,
}

/// Largest change of angle between knots, radians: between them contacts are
/// interpolated, and the place of a contact is linear in the angle to the
/// square of this.
const KNOT_ANGLE: f64 = 0.05 * DEGREE;

impl Contacts {
    /// Sets the tip into the groove at as many moments of the modulated part
    /// as its angle asks for. `tilt` is azimuth and rake in
    /// radians.
    pub fn new(tip: Tip, table: &Turntable, [azimuth, rake]: [f64; 2]) -> Self {
        let [start, end] = table.modulated();
        let angles = |t: f64| [table.rotation(t), table.cut_rotation(t)];
        let intervals = if table.angles_change() {
            // Total change of both angles over the modulated part.
            const STEPS: usize = 10_000;
            let at = |i: usize| angles(start + (end - start) * i as f64 / STEPS as f64);
            let total: f64 = (0..STEPS)
                .map(|i| {
                    let (a, b) = (at(i), at(i + 1));
                    (a[0] - b[0]).abs() + (a[1] - b[1]).abs()
                })
                .sum();
            // Twice, since a swinging angle changes unevenly.
            (2.0 * total / KNOT_ANGLE).ceil().max(1.0) as usize
        } else {
            0
        };
        let spacing = (end - start) / intervals.max(1) as f64;
        let knots = (0..=intervals)
            .into_par_iter()
            .map(|knot| {
                let [rotation, cut_rotation] = angles(start + spacing * knot as f64);
                let attitude = Attitude {
                    rotation,
                    azimuth,
                    rake,
                };
                contacts(tip, attitude, cut_rotation)
            })
            .collect();
        Self {
            start,
            spacing,
            knots,
        }
    }

    /// The two knots about a moment and the part of the way between them.
    fn about(&self, t: f64) -> (&[Contact; 2], &[Contact; 2], f64) {
        let last = self.knots.len() - 1;
        let position = ((t - self.start) / self.spacing).clamp(0.0, last as f64);
        let index = (position as usize).min(last);
        let next = (index + 1).min(last);
        (
            &self.knots[index],
            &self.knots[next],
            position - index as f64,
        )
    }

    /// Place of a wall's contact along the groove at a moment.
    fn along(&self, wall: usize, t: f64) -> f64 {
        let (a, b, part) = self.about(t);
        a[wall].along + part * (b[wall].along - a[wall].along)
    }

    /// Silhouette against a wall at a moment.
    fn silhouette(&self, wall: usize, t: f64) -> Option<Cow<'_, Silhouette>> {
        let (a, b, part) = self.about(t);
        let (a, b) = (a[wall].silhouette.as_ref()?, b[wall].silhouette.as_ref()?);
        Some(if part == 0.0 {
            Cow::Borrowed(a)
        } else {
            Cow::Owned(a.between(b, part))
        })
    }

    /// Distance along the groove between the two contacts at a moment, metres,
    /// left upstream positive.
    pub fn path(&self, t: f64) -> f64 {
        self.along(0, t) - self.along(1, t)
    }
}

/// Samples that share one silhouette and one test of curvature: a third of a
/// millisecond.
const BLOCK: usize = 64;

/// Share of the silhouette's least curvature up to which Newton steps are
/// trusted; the groove's curvature is looked up at nodes, between which it
/// may be a little larger.
const TRUSTED: f64 = 0.9;

/// Newton stops after a step below this, metres. The depth is then wrong by
/// the third-order term, the slope of the curvature (some 2e10 per square metre
/// for 8 um) times its cube over 6: 3e-20 m.
const CLOSE: f64 = 2e-10;

/// Places scanned in an erosion and golden sections after it.
const EROSION: [usize; 2] = [65, 25];

/// A wall against a silhouette at one moment.
struct Pressing<'a> {
    groove: &'a Groove,
    silhouette: &'a Silhouette,
    gain: f64,
    /// Node of the groove opposite the vertex.
    place: f64,
    /// Nodes per metre.
    density: f64,
}

impl Pressing<'_> {
    /// Gap between wall and tip (up to a constant) at a distance from the
    /// vertex, with its first and second derivative.
    #[inline]
    fn gap(&self, distance: f64) -> [f64; 3] {
        let [y, dy, ddy] = self
            .groove
            .displacement
            .at(self.place + distance * self.density);
        let [p, dp, ddp] = self.silhouette.at(distance);
        let slope = self.gain * self.density;
        [
            self.gain * y + p,
            slope * dy + dp,
            slope * self.density * ddy + ddp,
        ]
    }

    /// Newton from a guess; `None` if it does not settle inside.
    fn newton(&self, guess: f64) -> Option<(f64, f64)> {
        let reach = self.silhouette.reach();
        let mut distance = guess;
        for _ in 0..8 {
            let [gap, slope, bend] = self.gap(distance);
            let step = slope / bend;
            distance -= step;
            if !(distance.abs() < reach && bend > 0.0) {
                return None;
            }
            if step.abs() < CLOSE {
                // To second order the gap at the new place.
                return Some((distance, gap - 0.5 * slope * step));
            }
        }
        None
    }

    /// The least gap of all.
    fn erosion(&self) -> (f64, f64) {
        let reach = self.silhouette.reach();
        let [scan, sections] = EROSION;
        let (at, least) = search(-reach, reach, scan, sections, |d| -self.gap(d)[0]);
        (at, -least)
    }
}

impl Passage<'_> {
    /// Rolls the tip along both walls: each wall lets it come as near as the
    /// nearest place of its silhouette allows (an erosion), and the two walls
    /// together fix lateral and vertical position.
    pub fn roll(&self, contacts: &Contacts, method: Method) -> Traced {
        let rate = f64::from(self.groove.rate_hz);
        let time = |frame: usize| frame as f64 / f64::from(self.rate_hz);
        self.walls(|wall, skew, piece, start| {
            for (block, samples) in piece.chunks_mut(BLOCK).enumerate() {
                let first = start + block * BLOCK;
                let middle = time(first + samples.len() / 2);
                let metres = self.table.cutting_speed(middle) / rate;
                let place = |frame: usize| {
                    let t = time(frame);
                    (self.table.cut_time(t) - skew) * rate + contacts.along(wall, t) / metres
                };
                let silhouette = contacts.silhouette(wall, middle);
                let reach = silhouette.as_ref().map_or(0.0, |s| s.reach() / metres) + 1.0;
                let bend = self.groove.displacement.largest_second(
                    place(first) - reach,
                    place(first + samples.len() - 1) + reach,
                );
                if bend == 0.0 {
                    continue;
                }
                let gain = self.gains[wall];
                let single = silhouette.as_ref().is_some_and(|s| {
                    gain.abs() * bend / (metres * metres) < TRUSTED * s.least_curvature()
                });
                let density = 1.0 / metres;
                // The contact's last two places, to guess the next.
                let mut places = [0.0; 2];
                for (offset, sample) in samples.iter_mut().enumerate() {
                    let place = place(first + offset);
                    let Some(silhouette) = &silhouette else {
                        *sample = gain * self.groove.displacement.at(place)[0];
                        continue;
                    };
                    let pressing = Pressing {
                        groove: self.groove,
                        silhouette,
                        gain,
                        place,
                        density,
                    };
                    let guess = 2.0 * places[1] - places[0];
                    let newton = (method == Method::Fast && single)
                        .then(|| pressing.newton(guess))
                        .flatten();
                    let (at, gap) = newton.unwrap_or_else(|| pressing.erosion());
                    places = [if offset == 0 { at } else { places[1] }, at];
                    *sample = gap;
                }
            }
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::recipe::Recipe;
    use crate::simulate::spectral::Canvas;
    use crate::simulate::{cut, programme};
    use std::path::Path;

    /// Rolls a pink programme and hands over the passage.
    fn scene<T>(tip: &str, peak: f64, use_it: impl Fn(&Passage, &Contacts) -> T) -> T {
        let recipe = Recipe::parse(&format!(
            "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 0.5\npeak_cm_s = {peak}\n\
             [capture]\nradius_mm = 60\nrpm = 33\nsample_rate_hz = 96000\n[setup]\n\
             rotation_deg = 0\n[cartridge]\n{tip}\n"
        ))
        .unwrap();
        let table = Turntable::new(&recipe);
        let canvas = Canvas::covering(1.0);
        let spectrum =
            programme::spectrum(&recipe.programme, 1, 0.5, canvas, Path::new("")).unwrap();
        let equalisation = recipe.record.equalisation;
        let groove = cut::cut(&spectrum, canvas, 192_000, 0.5, equalisation, peak * 0.01);
        let passage = Passage {
            groove: &groove,
            gains: cut::wall_gains(recipe.record.modulation),
            cutter_skew: 0.0,
            table: &table,
            frames: 100_000,
            rate_hz: 192_000,
        };
        let contacts = Contacts::new(Tip::new(&recipe.cartridge).unwrap(), &table, [0.0; 2]);
        use_it(&passage, &contacts)
    }

    const ELLIPTICAL: &str = "profile = \"elliptical\"\nfrontal_radius_um = 18\nside_radius_um = 8";

    #[test]
    fn the_fast_path_finds_what_erosion_finds() {
        // Quiet, loud (erosion takes over in places), and with a blunt tip.
        for (tip, peak) in [
            (ELLIPTICAL, 3.0),
            (ELLIPTICAL, 20.0),
            ("profile = \"spherical\"\nfrontal_radius_um = 18", 5.0),
        ] {
            let worst = scene(tip, peak, |passage, contacts| {
                let fast = passage.roll(contacts, Method::Fast);
                let slow = passage.roll(contacts, Method::Erosion);
                assert!(fast.left.iter().any(|v| v.abs() > 1e-6));
                let pairs = fast.left.iter().zip(&slow.left);
                pairs
                    .chain(fast.right.iter().zip(&slow.right))
                    .map(|(a, b)| (a - b).abs())
                    .fold(0.0, f64::max)
            });
            // Places are rounded to a unit of 1e5 nodes, while the groove moves
            // by peak / rate per node; the search's own end (6e-6 of two
            // steps of 0.54 um) costs 1e-18 m at most.
            let tolerance = 1e-18 + 4.0 * f64::EPSILON * 1e5 * peak * 0.01 / 192e3;
            assert!(worst < tolerance, "{tip} {peak}: {worst:e} {tolerance:e}");
        }
    }

    #[test]
    fn an_unturned_tip_hears_both_walls_alike() {
        // A knife edge reads both walls identically, bit for bit.
        scene(
            "profile = \"line\"\nfrontal_radius_um = 50\ncontact_spacing_um = 45",
            5.0,
            |p, c| {
                let traced = p.roll(c, Method::Fast);
                assert_eq!(traced.left, traced.right);
            },
        );
        // A rounded edge adds even harmonics in anti-phase; the walls are
        // still mirror images: what one does to a programme, the other does to
        // its negative.
        scene(ELLIPTICAL, 5.0, |passage, contacts| {
            let traced = passage.roll(contacts, Method::Fast);
            let mirrored = Passage {
                gains: passage.gains.map(|g| -g),
                ..*passage
            }
            .roll(contacts, Method::Fast);
            assert_ne!(traced.left, traced.right);
            assert!(
                traced
                    .left
                    .iter()
                    .zip(&mirrored.right)
                    .all(|(a, b)| *a == -b)
            );
        });
    }
}
