//! Traces the groove: displacement of the two channels by the stylus, over
//! playing time.

use super::curve::Curve;
use super::recipe::InjectedDelay;
use super::stylus::{Attitude, Silhouette, TipSurface, WallContact, contacts, search};
use super::turntable::Turntable;
use crate::units::{DEGREE, MICROMETRE, MICROSECOND};
use rayon::prelude::*;
use std::borrow::Cow;
use std::f64::consts::SQRT_2;
use std::ops::{Range, RangeInclusive};

/// Samples traced as one piece of work.
pub const PIECE: usize = 8192;

/// A stretch of the displacement of the two channels in metres: each is the motion of its
/// wall seen along the 45/45 axis times sqrt 2, so that a lateral cut gives both
/// the lateral displacement, and a vertical cut plus and minus the vertical
/// one.
#[derive(Debug, Clone, PartialEq)]
pub struct Traced {
    /// Index of the first sample.
    pub first: usize,
    /// Left channel, inner wall.
    pub left: Vec<f64>,
    /// Right channel, outer wall.
    pub right: Vec<f64>,
}

/// The pickup geometry.
#[derive(Debug, Clone, Copy)]
pub enum GroovePickup<'a> {
    /// Two points apart by an injected delay: the left one half the delay
    /// early, the right one half late.
    Points(InjectedDelay),
    /// A tip that rolls along both walls: each wall lets it come as near as the
    /// nearest place of its silhouette allows (an erosion), and the two walls
    /// together fix lateral and vertical position.
    Tip(&'a Contacts, Method),
}

/// A cut groove passing under the stylus.
#[derive(Debug, Clone, Copy)]
pub struct Passage<'a> {
    /// What reads it.
    pub reading: GroovePickup<'a>,
    /// Nodes of the groove per second of the cut.
    pub groove_rate_hz: u32,
    /// Motion of the left and right wall along their outward normals per
    /// modulation ([`super::cut::wall_gains`]).
    pub gains: [f64; 2],
    /// Time error of the cutter in seconds of the cut, right late.
    pub cutter_skew: f64,
    /// The record turning.
    pub table: &'a Turntable,
    /// Samples per second of play.
    pub rate_hz: u32,
}

impl Passage<'_> {
    fn time(&self, frame: usize) -> f64 {
        frame as f64 / f64::from(self.rate_hz)
    }

    /// Nodes of the groove that samples are read from, some more on both sides.
    pub fn nodes(&self, frames: Range<usize>) -> Range<usize> {
        // Beyond rounding: the derivative looks at whole nodes.
        const MARGIN: f64 = 8.0;
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for first in frames.clone().step_by(BLOCK) {
            let block = first..(first + BLOCK).min(frames.end);
            for wall in [0, 1] {
                let (place, reach) = match self.reading {
                    GroovePickup::Points(injected) => {
                        let place = |frame| self.point(injected, wall, frame);
                        ([place(block.start), place(block.end - 1)], 0.0)
                    }
                    GroovePickup::Tip(contacts, _) => {
                        let (place, metres) = self.vertex(contacts, wall, &block);
                        let place = [place(block.start), place(block.end - 1)];
                        (place, contacts.reach() / metres + 1.0)
                    }
                };
                low = low.min(place[0] - reach);
                high = high.max(place[1] + reach);
            }
        }
        (low - MARGIN).max(0.0) as usize..(high + MARGIN).max(0.0) as usize
    }

    /// Samples, from the nodes that [`Self::nodes`] names. Those of a
    /// [`PIECE`] belong together: start at a multiple of it.
    pub fn trace(&self, groove: &Curve, frames: Range<usize>) -> Traced {
        let fill = |wall: usize| {
            let mut samples = vec![0.0; frames.len()];
            if self.gains[wall] != 0.0 {
                samples
                    .par_chunks_mut(PIECE)
                    .enumerate()
                    .for_each(|(piece, chunk)| {
                        let first = frames.start + piece * PIECE;
                        match self.reading {
                            GroovePickup::Points(injected) => {
                                for (frame, sample) in (first..).zip(chunk.iter_mut()) {
                                    let place = self.point(injected, wall, frame);
                                    *sample = self.gains[wall] * groove.at(place)[0];
                                }
                            }
                            GroovePickup::Tip(contacts, method) => {
                                self.roll(groove, contacts, method, wall, first, chunk);
                            }
                        }
                        chunk.iter_mut().for_each(|v| *v *= SQRT_2 * SIDES[wall]);
                    });
            }
            samples
        };
        Traced {
            first: frames.start,
            left: fill(0),
            right: fill(1),
        }
    }

    /// Time error of the cutter at a wall.
    fn skew(&self, wall: usize) -> f64 {
        [0.0, self.cutter_skew][wall]
    }

    /// Node under the point that reads a wall.
    fn point(&self, injected: InjectedDelay, wall: usize, frame: usize) -> f64 {
        let (table, t) = (self.table, self.time(frame));
        let apart = injected.us * MICROSECOND * table.speed_ratio()
            + injected.path_um * MICROMETRE / table.cutting_speed(t);
        let time = table.cut_time(t) - 0.5 * SIDES[wall] * apart - self.skew(wall);
        time * f64::from(self.groove_rate_hz)
    }

    /// Node opposite the contact of the tip with a wall, for the samples of a
    /// block, and metres per node there.
    fn vertex(
        &self,
        contacts: &Contacts,
        wall: usize,
        block: &Range<usize>,
    ) -> (impl Fn(usize) -> f64, f64) {
        let rate = f64::from(self.groove_rate_hz);
        let middle = self.time(block.start + block.len() / 2);
        let metres = self.table.cutting_speed(middle) / rate;
        let skew = self.skew(wall);
        let place = move |frame: usize| {
            let t = self.time(frame);
            (self.table.cut_time(t) - skew) * rate + contacts.along(wall, t) / metres
        };
        (place, metres)
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
    tip: TipSurface,
    /// Azimuth and rake in radians.
    tilt: [f64; 2],
    start: f64,
    spacing: f64,
    /// Place of each wall's contact along the groove, at every knot.
    along: Vec<[f64; 2]>,
    /// Contacts with their silhouettes, from this knot on.
    first: usize,
    knots: Vec<[WallContact; 2]>,
}

/// Knots whose silhouettes are kept from the start: 8 MB.
const KEPT: usize = 2048;

/// Largest change of angle between knots, radians: between them contacts are
/// interpolated, and the place of a contact is linear in the angle to the
/// square of this.
const KNOT_ANGLE: f64 = 0.05 * DEGREE;

impl Contacts {
    /// Sets the tip into the groove at as many moments of the modulated part
    /// as its angle asks for. `tilt` is azimuth and rake in
    /// radians.
    pub fn new(tip: TipSurface, table: &Turntable, tilt: [f64; 2]) -> Self {
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
        let mut contacts = Self {
            tip,
            tilt,
            start,
            spacing: (end - start) / intervals.max(1) as f64,
            along: Vec::with_capacity(intervals + 1),
            first: 0,
            knots: Vec::new(),
        };
        for first in (0..=intervals).step_by(KEPT) {
            let last = (first + KEPT - 1).min(intervals);
            contacts.set(table, first..=last);
            let places = contacts.knots.iter().map(|[l, r]| [l.along, r.along]);
            contacts.along.extend(places);
        }
        contacts
    }

    /// Sets the tip in at some knots.
    fn set(&mut self, table: &Turntable, knots: RangeInclusive<usize>) {
        let [azimuth, rake] = self.tilt;
        self.first = *knots.start();
        self.knots = knots
            .into_par_iter()
            .map(|knot| {
                let t = self.start + self.spacing * knot as f64;
                let attitude = Attitude {
                    rotation: table.rotation(t),
                    azimuth,
                    rake,
                };
                contacts(self.tip, attitude, table.cut_rotation(t))
            })
            .collect();
    }

    /// Makes ready for what is traced between two moments; for a long capture silhouettes
    /// are not kept for all of it.
    pub fn between(&mut self, table: &Turntable, from: f64, to: f64) {
        let [(first, ..), (_, last, _)] = [from, to].map(|t| self.about(t));
        if first < self.first || last >= self.first + self.knots.len() {
            self.set(table, first..=last);
        }
    }

    /// The two knots about a moment and the part of the way between them.
    fn about(&self, t: f64) -> (usize, usize, f64) {
        let last = self.along.len() - 1;
        let position = ((t - self.start) / self.spacing).clamp(0.0, last as f64);
        let index = (position as usize).min(last);
        let next = (index + 1).min(last);
        (index, next, position - index as f64)
    }

    /// Place of a wall's contact along the groove at a moment.
    fn along(&self, wall: usize, t: f64) -> f64 {
        let (a, b, part) = self.about(t);
        let (a, b) = (self.along[a][wall], self.along[b][wall]);
        a + part * (b - a)
    }

    /// Half-width of the silhouettes, which is one for all.
    fn reach(&self) -> f64 {
        self.knots[0]
            .iter()
            .filter_map(|contact| contact.silhouette.as_ref())
            .fold(0.0, |most, s| s.reach().max(most))
    }

    /// Silhouette against a wall at a moment.
    fn silhouette(&self, wall: usize, t: f64) -> Option<Cow<'_, Silhouette>> {
        let (a, b, part) = self.about(t);
        let at = |knot: usize| self.knots[knot - self.first][wall].silhouette.as_ref();
        let (a, b) = (at(a)?, at(b)?);
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
const TRUSTED_CURVATURE: f64 = 0.9;

/// Newton stops after a step below this, metres. The depth is then wrong by
/// the third-order term, the slope of the curvature (some 2e10 per square metre
/// for 8 um) times its cube over 6: 3e-20 m.
const NEWTON_STEP_M: f64 = 2e-10;

/// Places scanned in an erosion and golden sections after it.
const EROSION: [usize; 2] = [65, 25];

/// A wall against a silhouette at one moment.
struct ContactProblem<'a> {
    groove: &'a Curve,
    silhouette: &'a Silhouette,
    gain: f64,
    /// Node of the groove opposite the vertex.
    place: f64,
    /// Nodes per metre.
    density: f64,
}

impl ContactProblem<'_> {
    /// Gap between wall and tip (up to a constant) at a distance from the
    /// vertex, with its first and second derivative.
    #[inline]
    fn gap(&self, distance: f64) -> [f64; 3] {
        let [y, dy, ddy] = self.groove.at(self.place + distance * self.density);
        let [p, dp, ddp] = self.silhouette.at(distance);
        let slope = self.gain * self.density;
        [
            self.gain * y + p,
            slope * dy + dp,
            slope * self.density * ddy + ddp,
        ]
    }

    /// Newton's method from a starting point; `None` if it does not converge within reach.
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
            if step.abs() < NEWTON_STEP_M {
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
    /// Motion of a wall along its outward normal under a tip that rolls along it,
    /// from the sample `start` on.
    fn roll(
        &self,
        groove: &Curve,
        contacts: &Contacts,
        method: Method,
        wall: usize,
        start: usize,
        piece: &mut [f64],
    ) {
        for (block, samples) in piece.chunks_mut(BLOCK).enumerate() {
            let first = start + block * BLOCK;
            let frames = first..first + samples.len();
            let (place, metres) = self.vertex(contacts, wall, &frames);
            let middle = self.time(first + samples.len() / 2);
            let silhouette = contacts.silhouette(wall, middle);
            let reach = silhouette.as_ref().map_or(0.0, |s| s.reach() / metres) + 1.0;
            let bend = groove.largest_second(place(first) - reach, place(frames.end - 1) + reach);
            if bend == 0.0 {
                continue;
            }
            let gain = self.gains[wall];
            let single = silhouette.as_ref().is_some_and(|s| {
                gain.abs() * bend / (metres * metres) < TRUSTED_CURVATURE * s.least_curvature()
            });
            let density = 1.0 / metres;
            // The contact's last two places, to guess the next.
            let mut places = [0.0; 2];
            for (offset, sample) in samples.iter_mut().enumerate() {
                let place = place(first + offset);
                let Some(silhouette) = &silhouette else {
                    *sample = gain * groove.at(place)[0];
                    continue;
                };
                let pressing = ContactProblem {
                    groove,
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
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::WorkFolders;
    use crate::simulate::cut::{self, GrooveModulation};
    use crate::simulate::programme::Spectrum;
    use crate::simulate::recipe::Recipe;
    use crate::simulate::spectral::SpectralGrid;

    const FRAMES: usize = 100_000;

    /// A pink programme that a tip rolls along, and how it does, by method and sign.
    fn scene<T>(tip: &str, peak: f64, use_it: impl Fn(&dyn Fn(Method, f64) -> Traced) -> T) -> T {
        let recipe = Recipe::parse(&format!(
            "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 0.5\npeak_cm_s = {peak}\n\
             [capture]\nradius_mm = 60\nrpm = 33\nsample_rate_hz = 96000\n[setup]\n\
             rotation_deg = 0\n[cartridge]\n{tip}\n"
        ))
        .unwrap();
        let table = Turntable::new(&recipe);
        let canvas = SpectralGrid::covering(1.0);
        let mut spectrum =
            Spectrum::new(&recipe.programme, 1, 0.5, canvas, WorkFolders::test()).unwrap();
        let equalisation = recipe.record.equalisation;
        let peak = peak * 0.01;
        let scratch = WorkFolders::test().scratch;
        let mut groove =
            GrooveModulation::cut(&mut spectrum, 192_000, 0.5, equalisation, peak, scratch)
                .unwrap();
        let whole = groove.stretch(0..usize::MAX).unwrap();
        let contacts = Contacts::new(
            TipSurface::new(&recipe.cartridge).unwrap(),
            &table,
            [0.0; 2],
        );
        use_it(&|method, sign| {
            let passage = Passage {
                reading: GroovePickup::Tip(&contacts, method),
                groove_rate_hz: 192_000,
                gains: cut::wall_gains(recipe.record.modulation).map(|gain| sign * gain),
                cutter_skew: 0.0,
                table: &table,
                rate_hz: 192_000,
            };
            passage.trace(&whole, 0..FRAMES)
        })
    }

    /// A stretch is traced as it is in the whole, from the nodes that are asked for.
    #[test]
    fn stretches_are_as_the_whole() {
        let recipe = Recipe::parse(
            "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 0.5\npeak_cm_s = 20\n\
             [record]\ncut_rpm = 45\neccentricity_mm = 1\nskew_us = 20\n[capture]\n\
             radius_mm = [60, 50]\nrpm = 33\nlead_in_s = 0.1\nsample_rate_hz = 96000\n\
             [dirt]\nwow = 0.05\nflutter = 0.05\nflutter_hz = 200\n[setup]\nrotation_deg = 9\n\
             [cartridge]\nprofile = \"spherical\"\nfrontal_radius_um = 25\n",
        )
        .unwrap();
        let table = Turntable::new(&recipe);
        let canvas = SpectralGrid::covering(1.0);
        let mut spectrum = Spectrum::new(
            &recipe.programme,
            1,
            table.cut_s(),
            canvas,
            WorkFolders::test(),
        )
        .unwrap();
        let equalisation = recipe.record.equalisation;
        let scratch = WorkFolders::test().scratch;
        let cut_s = table.cut_s();
        let mut groove =
            GrooveModulation::cut(&mut spectrum, 192_000, cut_s, equalisation, 0.2, scratch)
                .unwrap();
        let whole = groove.stretch(0..usize::MAX).unwrap();
        let contacts = Contacts::new(
            TipSurface::new(&recipe.cartridge).unwrap(),
            &table,
            [0.0; 2],
        );
        let injected = InjectedDelay {
            us: 50.0,
            path_um: -40.0,
        };
        for reading in [
            GroovePickup::Tip(&contacts, Method::Erosion),
            GroovePickup::Tip(&contacts, Method::Fast),
            GroovePickup::Points(injected),
        ] {
            let passage = Passage {
                reading,
                groove_rate_hz: 192_000,
                gains: cut::wall_gains(recipe.record.modulation),
                cutter_skew: 20e-6,
                table: &table,
                rate_hz: 192_000,
            };
            let frames = 20 * PIECE;
            let expected = passage.trace(&whole, 0..frames);
            assert!(expected.right.iter().any(|v| v.abs() > 1e-6));
            for first in (0..frames).step_by(2 * PIECE) {
                let some = first..first + 2 * PIECE;
                let nodes = passage.nodes(some.clone());
                assert!(nodes.len() < 4 * PIECE, "{nodes:?}");
                let curve = groove.stretch(nodes).unwrap();
                let traced = passage.trace(&curve, some.clone());
                assert_eq!(traced.left, expected.left[some.clone()]);
                assert_eq!(traced.right, expected.right[some]);
            }
        }
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
            let worst = scene(tip, peak, |roll| {
                let fast = roll(Method::Fast, 1.0);
                let slow = roll(Method::Erosion, 1.0);
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
            |roll| {
                let traced = roll(Method::Fast, 1.0);
                assert_eq!(traced.left, traced.right);
            },
        );
        // A rounded edge adds even harmonics in anti-phase; the walls are
        // still mirror images: what one does to a programme, the other does to
        // its negative.
        scene(ELLIPTICAL, 5.0, |roll| {
            let traced = roll(Method::Fast, 1.0);
            let mirrored = roll(Method::Fast, -1.0);
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
