//! Programme into groove: equalisation at the cut, velocity into
//! displacement, level.

use super::curve::Curve;
use super::equaliser::playback;
use super::plane::Plane;
use super::programme::{CEILING_HZ, GUARD_S, Spectrum};
use super::recipe::{Equalisation, Modulation};
use super::spectral::rise;
use rayon::prelude::*;
use rustfft::num_complex::Complex64;
use std::f64::consts::{FRAC_1_SQRT_2, TAU};
use std::io;
use std::ops::Range;
use std::path::Path;

/// Fade at both ends of the programme, in seconds of the cut.
pub const FADE_S: f64 = 0.05;

/// The modulation of a mono groove against time at the cut.
#[derive(Debug)]
pub struct GrooveModulation {
    /// Displacement, and its first derivative per node spacing, before fades and level.
    rising: Plane,
    /// Its second derivative, at nodes of even number left and odd number right.
    bending: Plane,
    /// Nodes per second of the cut.
    pub rate_hz: u32,
    /// Root mean square velocity of the signal as modulated (lateral, vertical,
    /// or of one channel) over the programme, m/s.
    pub rms_velocity: f64,
    /// First and last node of the programme.
    programme: [f64; 2],
    /// Metres per unit of the planes.
    scale: f64,
}

/// Nodes looked at together.
const BLOCK: usize = 1 << 18;

/// Nodes whose power is summed as one piece of work.
const PIECE: usize = 1 << 13;

impl GrooveModulation {
    /// Cuts a programme of `cut_s` seconds to a peak velocity in m/s.
    ///
    /// # Errors
    /// When there is no room in the folder `scratch`.
    pub fn cut(
        spectrum: &mut Spectrum,
        rate_hz: u32,
        cut_s: f64,
        equalisation: Equalisation,
        peak_velocity: f64,
        scratch: &Path,
    ) -> io::Result<Self> {
        let rate = f64::from(rate_hz);
        let canvas = spectrum.canvas();
        // Two real signals, as factors of the spectrum of velocity at `j w`.
        let mut plane = |rate_hz: u32, factors: &(dyn Fn(Complex64) -> [Complex64; 2] + Sync)| {
            let mut source = spectrum.bins();
            let fill = |first: usize, left: &mut [Complex64], right: &mut [Complex64]| {
                source.next(left)?;
                let bins = left.par_iter_mut().zip(right).enumerate();
                bins.for_each(|(bin, (left, right))| {
                    if first + bin == 0 || *left == Complex64::ZERO {
                        return *left = Complex64::ZERO;
                    }
                    let s = Complex64::new(0.0, TAU * canvas.hertz(first + bin));
                    let velocity = match equalisation {
                        Equalisation::Microgroove => *left / playback(s, [0.0; 3]),
                        Equalisation::None => *left,
                    };
                    [*left, *right] = factors(s).map(|factor| velocity * factor);
                });
                Ok(())
            };
            let (length, bins) = (canvas.frames(rate_hz), canvas.bin(CEILING_HZ));
            let mut plane = Plane::of_spectra(length, scratch, bins, fill)?;
            plane.synthesise().map(|()| plane)
        };
        let rising = plane(rate_hz, &|s| [s.inv(), Complex64::from(1.0 / rate)])?;
        // Nodes of even and odd number, the latter a node earlier: half the rate still
        // carries the programme.
        let bending = plane(rate_hz / 2, &|s| {
            let second = s / (rate * rate);
            [second, second * Complex64::cis(s.im / rate)]
        })?;
        let mut groove = Self {
            rising,
            bending,
            rate_hz,
            rms_velocity: 0.0,
            programme: [GUARD_S * rate, (GUARD_S + cut_s) * rate],
            scale: 1.0,
        };
        let [peak, rms] = groove.level()?;
        groove.scale = if peak > 0.0 {
            peak_velocity / (peak * rate)
        } else {
            0.0
        };
        groove.rms_velocity = rms * rate * groove.scale;
        Ok(groove)
    }

    /// Peak and root mean square of the velocity over the programme, before level and per
    /// node spacing.
    fn level(&mut self) -> io::Result<[f64; 2]> {
        let [begin, end] = self.programme.map(|node| node as usize);
        let end = end.min(self.rising.len() - 1) + 1;
        let (mut peak, mut power) = (0.0f64, 0.0);
        for first in (begin..end).step_by(BLOCK) {
            let mut part = vec![Complex64::ZERO; BLOCK.min(end - first)];
            self.rising.read(first, &mut part)?;
            let pieces = part.par_chunks(PIECE).enumerate().map(|(piece, nodes)| {
                let (mut peak, mut power) = (0.0f64, 0.0);
                for (node, Complex64 { re: y, im: dy }) in (first + piece * PIECE..).zip(nodes) {
                    let [w, dw, _] = self.window(node);
                    let slope = dw * y + w * dy;
                    peak = peak.max(slope.abs());
                    power += slope * slope;
                }
                [peak, power]
            });
            // summed in their order
            for [some, more] in pieces.collect::<Vec<_>>() {
                peak = peak.max(some);
                power += more;
            }
        }
        Ok([peak, (power / (end - begin) as f64).sqrt()])
    }

    /// Displacement in metres of the signal as modulated, node spacing one
    /// sample of [`Self::rate_hz`], at some nodes, cut off at the groove's ends.
    pub fn stretch(&mut self, nodes: Range<usize>) -> io::Result<Curve> {
        let end = nodes.end.min(self.rising.len());
        let nodes = nodes.start.min(end)..end;
        let mut rising = vec![Complex64::ZERO; nodes.len()];
        self.rising.read(nodes.start, &mut rising)?;
        let pairs = nodes.start / 2..end.div_ceil(2);
        let mut bending = vec![Complex64::ZERO; pairs.len()];
        self.bending.read(pairs.start, &mut bending)?;
        let faded = rising
            .par_iter()
            .zip(nodes.clone())
            .map(|(&Complex64 { re: y, im: dy }, node)| {
                let Complex64 { re: even, im: odd } = bending[node / 2 - pairs.start];
                let ddy = if node % 2 == 0 { even } else { odd };
                let [w, dw, ddw] = self.window(node);
                [w * y, dw * y + w * dy, ddw * y + 2.0 * dw * dy + w * ddy]
                    .map(|value| value * self.scale)
            })
            .collect();
        Ok(Curve::new(nodes.start, faded))
    }

    /// The fades at a node, with first and second derivative per node spacing.
    fn window(&self, node: usize) -> [f64; 3] {
        let fade = FADE_S * f64::from(self.rate_hz);
        let [begin, end] = self.programme;
        let up = rise((node as f64 - begin) / fade);
        let down = rise((end - node as f64) / fade);
        // The fades do not overlap: one of the two is constant.
        if down == [1.0, 0.0, 0.0] {
            [up[0], up[1] / fade, up[2] / (fade * fade)]
        } else {
            [down[0] * up[0], -down[1] / fade, down[2] / (fade * fade)]
        }
    }
}

/// How far each wall moves along its outward normal per unit of the modulated
/// signal: left (inner), right (outer).
///
/// With the record plane's coordinates y towards the outer wall and z up, the
/// outward normals are (-y, -z) / sqrt 2 and (y, -z) / sqrt 2.
pub fn wall_gains(modulation: Modulation) -> [f64; 2] {
    match modulation {
        Modulation::Lateral => [-FRAC_1_SQRT_2, FRAC_1_SQRT_2],
        Modulation::Vertical => [-FRAC_1_SQRT_2, -FRAC_1_SQRT_2],
        Modulation::Left => [-FRAC_1_SQRT_2, 0.0],
        Modulation::Right => [0.0, FRAC_1_SQRT_2],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::WorkFolders;
    use crate::simulate::spectral::SpectralGrid;

    fn groove(programme: &str, equalisation: Equalisation, cut_s: f64) -> GrooveModulation {
        let canvas = SpectralGrid::covering(1.5);
        let p: super::super::recipe::Programme = toml::from_str(programme).unwrap();
        let mut s = Spectrum::new(&p, 1, cut_s, canvas, WorkFolders::test()).unwrap();
        GrooveModulation::cut(&mut s, 192_000, cut_s, equalisation, 0.05, Path::new("")).unwrap()
    }

    #[test]
    fn a_tone_has_the_displacement_of_its_velocity() {
        let tone = "kind = \"tone\"\nduration_s = 1\nfrequencies_hz = [1000]";
        for equalisation in [Equalisation::None, Equalisation::Microgroove] {
            let mut groove = groove(tone, equalisation, 1.0);
            let part = groove.stretch((0.7 * 192e3) as usize..(0.8 * 192e3) as usize);
            let part = part.unwrap();
            let peak = |k: usize| {
                part.nodes()
                    .iter()
                    .fold(0.0, |most: f64, n| most.max(n[k].abs()))
            };
            // 0.05 m/s at 1 kHz: amplitude v / (2 pi f), as in the published
            // "A_um": 7.9577 of references.json, trace_f1000_vp0.05. Sampled
            // 192 times a turn the peak is missed by up to (pi / 192)^2 / 2.
            assert!((peak(0) / 7.957_747_154_594_769e-6 - 1.0).abs() < 3e-4);
            assert!((peak(1) * 192e3 / 0.05 - 1.0).abs() < 3e-4);
            assert!((groove.rms_velocity / 0.05 * 2f64.sqrt() - 1.0).abs() < 0.05);
        }
    }

    #[test]
    fn silence_stays_silent() {
        let silence = "kind = \"silence\"\nduration_s = 0.5";
        let mut groove = groove(silence, Equalisation::None, 0.5);
        assert_eq!(groove.rms_velocity, 0.0);
        let all = groove.stretch(0..usize::MAX).unwrap();
        assert_eq!(all.nodes().len(), 288_000);
        assert!(all.nodes().iter().all(|n| *n == [0.0; 3]));
    }
}
