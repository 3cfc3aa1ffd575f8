//! The samples of the side, and their demands on lathe and groove.

use super::marks::{self, code};
use super::{Content, Cue, FADE_S, PARTS, TONE_DBFS, TONE_VELOCITY, Walls, last_mark_s, length_s};
use crate::capture::Stereo;
use crate::spectrum::{Complex64, EQUALISER};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rustfft::FftPlanner;
use std::f64::consts::{PI, TAU};

/// The noise repeats after so many seconds.
const PERIOD_S: f64 = 10.0;
/// Band of the lateral noise, hertz.
const BAND_HZ: [f64; 2] = [40.0, 16_000.0];
/// Band of the noise of one wall: its bass would move the cutter up and down.
const SINGLE_BAND_HZ: [f64; 2] = [200.0, 16_000.0];
/// From here on the velocity of the noise falls as below, by 3 dB an octave, in place of being
/// lifted by the recording equaliser: its treble is what bends the groove most.
const CORNER_HZ: f64 = 1.0 / (TAU * 75e-6);
/// Root mean square of the noise as a lateral velocity at 1 kHz would have it, m/s: what keeps
/// the innermost band within the curvature of the largest tip with a fifth to spare.
const NOISE_VELOCITY: f64 = 0.0098;
/// Peak velocity of the marks at their highest frequency, m/s.
const MARK_VELOCITY: f64 = 0.04;
/// Seed of the noise's phases.
const SEED: u64 = 60_098;

/// Full scale as lateral velocity at 1 kHz, m/s.
fn full_scale() -> f64 {
    TONE_VELOCITY / 10f64.powf(TONE_DBFS / 20.0)
}

/// What the lathe's equaliser (IEC 60098) makes of a frequency, against 1 kHz.
pub(super) fn recorded(hertz: f64) -> Complex64 {
    let network = |hertz: f64| {
        EQUALISER
            .iter()
            .fold(Complex64::ONE, |product, (seconds, sign)| {
                product * Complex64::new(1.0, TAU * hertz * seconds).powf(*sign)
            })
    };
    network(hertz) / network(1000.0).norm()
}

/// A raised cosine from 0 to 1.
pub(super) fn rise(x: f64) -> f64 {
    0.5 - 0.5 * (PI * x.clamp(0.0, 1.0)).cos()
}

/// Peak and rms figures of a part as cut: lateral motion (for a single channel: motion of its
/// wall). SI units.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Peaks {
    /// Largest sample in the file, full scale 1.
    pub file: f64,
    /// Root mean square in the file.
    pub file_rms: f64,
    /// Peak velocity.
    pub velocity: f64,
    /// Root mean square velocity.
    pub velocity_rms: f64,
    /// Peak acceleration.
    pub acceleration: f64,
    /// Root mean square acceleration: with it goes the current of the cutter head.
    pub acceleration_rms: f64,
    /// Peak displacement.
    pub displacement: f64,
}

/// Makes the samples of the side.
pub struct SideSignal {
    rate_hz: u32,
    /// One period of the noise of both walls, and of that of one.
    noise: [Vec<f32>; 2],
    peaks: [Peaks; 2],
    /// Marks by their number, from the first on.
    cues: [Cue; PARTS.len()],
    /// Samples made so far.
    made: u64,
}

/// Peak and root mean square.
fn size(values: impl Iterator<Item = f64> + Clone) -> [f64; 2] {
    let count = values.clone().count().max(1) as f64;
    let power: f64 = values.clone().map(|v| v * v).sum();
    let peak = values.fold(0.0, |peak: f64, v| peak.max(v.abs()));
    [peak, (power / count).sqrt()]
}

/// One period of noise, by its bins.
pub(super) struct NoiseBins(Vec<(f64, Complex64)>);

impl NoiseBins {
    /// Noise in a band, hertz, of a size over frequency.
    pub fn new(band_hz: [f64; 2], stream: u64, size: impl Fn(f64) -> f64) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(SEED);
        random.set_stream(stream);
        let highest = (band_hz[1] * 1.2 * PERIOD_S) as usize;
        let bins = (1..=highest)
            .map(|bin| {
                let hertz = bin as f64 / PERIOD_S;
                let phase = random.random_range(0.0..TAU);
                // edges a sixth of an octave wide to either side
                let edge = |ratio: f64| rise(3.0 * ratio.log2() + 0.5);
                let band = edge(hertz / band_hz[0]) * edge(band_hz[1] / hertz);
                (hertz, Complex64::from_polar(band * size(hertz), phase))
            })
            .collect();
        Self(bins)
    }

    /// Two real signals that responses make of it with a root mean square of `rms`, the second as
    /// imaginary part.
    pub fn signals(
        &self,
        rate_hz: u32,
        rms: f64,
        of: [&dyn Fn(f64) -> Complex64; 2],
    ) -> Vec<Complex64> {
        let power: f64 = self.0.iter().map(|(_, b)| 2.0 * b.norm_sqr()).sum();
        let scale = rms / power.sqrt();
        let length = (PERIOD_S * f64::from(rate_hz)) as usize;
        let mut all = vec![Complex64::ZERO; length];
        for (bin, (hertz, value)) in self.0.iter().enumerate() {
            let [a, b] = of.map(|of| scale * value * of(*hertz));
            let i = Complex64::i();
            all[bin + 1] = a + i * b;
            all[length - bin - 1] = a.conj() + i * b.conj();
        }
        let mut planner = FftPlanner::new();
        planner.plan_fft_inverse(length).process(&mut all);
        all
    }
}

/// One period of noise in a band, full scale 1, and what it reaches.
fn noise(rate_hz: u32, band_hz: [f64; 2], stream: u64) -> (Vec<f32>, Peaks) {
    let bins = NoiseBins::new(band_hz, stream, |hertz| {
        1.0 / hertz.sqrt() / (hertz / CORNER_HZ).hypot(1.0)
    });
    let s = |hertz: f64| Complex64::new(0.0, TAU * hertz);
    let signals = |of: [&dyn Fn(f64) -> Complex64; 2]| bins.signals(rate_hz, NOISE_VELOCITY, of);
    let first = signals([&|_| Complex64::ONE, &recorded]);
    let second = signals([&|hz| recorded(hz) * s(hz), &|hz| recorded(hz) / s(hz)]);
    let [file, file_rms] = size(first.iter().map(|v| v.re / full_scale()));
    let [velocity, velocity_rms] = size(first.iter().map(|v| v.im));
    let [acceleration, acceleration_rms] = size(second.iter().map(|v| v.re));
    let [displacement, _] = size(second.iter().map(|v| v.im));
    let peaks = Peaks {
        file,
        file_rms,
        velocity,
        velocity_rms,
        acceleration,
        acceleration_rms,
        displacement,
    };
    let samples = first.iter().map(|v| (v.re / full_scale()) as f32);
    (samples.collect(), peaks)
}

/// Amplitude in the file of a sine that is cut with a peak velocity.
fn amplitude(hertz: f64, velocity: f64) -> f64 {
    velocity / recorded(hertz).norm() / full_scale()
}

/// What a sine reaches.
fn sine(hertz: f64, velocity: f64) -> Peaks {
    let rms = std::f64::consts::FRAC_1_SQRT_2;
    let file = amplitude(hertz, velocity);
    let acceleration = TAU * hertz * velocity;
    Peaks {
        file,
        file_rms: rms * file,
        velocity,
        velocity_rms: rms * velocity,
        acceleration,
        acceleration_rms: rms * acceleration,
        displacement: velocity / (TAU * hertz),
    }
}

impl SideSignal {
    /// The side at a sample rate.
    pub fn new(rate_hz: u32) -> Self {
        let (both, both_peaks) = noise(rate_hz, BAND_HZ, 0);
        let (one, one_peaks) = noise(rate_hz, SINGLE_BAND_HZ, 1);
        Self {
            rate_hz,
            noise: [both, one],
            peaks: [both_peaks, one_peaks],
            cues: Cue::all(),
            made: 0,
        }
    }

    /// Frames in all.
    pub fn frames(&self) -> u64 {
        (length_s() * f64::from(self.rate_hz)).round() as u64
    }

    /// What a part reaches, as lateral motion, or as motion of the one wall along itself.
    pub fn peaks(&self, cue: &Cue) -> Peaks {
        match (cue.part.content, cue.part.walls) {
            (Content::Silence, _) => Peaks::default(),
            (Content::Tone(hertz), _) => sine(hertz, TONE_VELOCITY),
            (Content::Noise, Walls::Both) => self.peaks[0],
            // a lateral velocity moves each wall by its part across the wall
            (Content::Noise, _) => {
                let across = std::f64::consts::FRAC_1_SQRT_2;
                let p = self.peaks[1];
                Peaks {
                    velocity: across * p.velocity,
                    velocity_rms: across * p.velocity_rms,
                    acceleration: across * p.acceleration,
                    acceleration_rms: across * p.acceleration_rms,
                    displacement: across * p.displacement,
                    ..p
                }
            }
        }
    }

    /// What the marks reach at most: at their highest frequency, and in displacement at their
    /// lowest.
    pub fn mark_peaks() -> Peaks {
        let [low, high] = marks::BAND_HZ;
        let top = sine(high, MARK_VELOCITY);
        let bottom = top.file / amplitude(low, 1.0);
        Peaks {
            displacement: top.displacement.max(sine(low, bottom).displacement),
            ..top
        }
    }

    /// The next frames, as many as asked for but at the end; none behind it.
    pub fn next(&mut self, frames: usize) -> Stereo {
        let left = self.frames() - self.made;
        let count = (frames as u64).min(left) as usize;
        let mut block = Stereo {
            left: vec![0.0; count],
            right: vec![0.0; count],
        };
        let first = self.made;
        let rate = f64::from(self.rate_hz);
        let ends = self.cues.len();
        for number in 0..=ends {
            let mark_s = self.cues.get(number).map_or_else(last_mark_s, |c| c.mark_s);
            let loud = amplitude(marks::BAND_HZ[1], MARK_VELOCITY);
            for (slot, rising) in code(number).into_iter().enumerate() {
                let from_s = mark_s + slot as f64 * marks::SLOT_S;
                let chirp = |_: usize, at_s: f64| loud * marks::chirp(rising, at_s).re;
                fill(
                    &mut block,
                    [first, rate as u64],
                    from_s,
                    marks::CHIRP_S,
                    Walls::Both,
                    chirp,
                );
            }
        }
        for cue in self.cues {
            let [from_s, to_s] = cue.span_s;
            let of_both = cue.part.walls == Walls::Both;
            let noise = &self.noise[usize::from(!of_both)];
            let sample = |k: usize, at_s: f64| {
                let value = match cue.part.content {
                    Content::Tone(hertz) => {
                        amplitude(hertz, TONE_VELOCITY) * (TAU * hertz * at_s).sin()
                    }
                    Content::Noise => f64::from(noise[k % noise.len()]),
                    Content::Silence => 0.0,
                };
                value * rise(at_s / FADE_S) * rise((to_s - from_s - at_s) / FADE_S)
            };
            let place = [first, u64::from(self.rate_hz)];
            fill(
                &mut block,
                place,
                from_s,
                to_s - from_s,
                cue.part.walls,
                sample,
            );
        }
        self.made += count as u64;
        block
    }
}

/// Puts what lasts some seconds from a time on into a block, whose first frame and sample rate
/// are given, as far as it lies there. `sample` is told which sample it is, and when, from its
/// start on.
fn fill(
    block: &mut Stereo,
    [first, rate]: [u64; 2],
    from_s: f64,
    seconds: f64,
    walls: Walls,
    sample: impl Fn(usize, f64) -> f64,
) {
    let begin = (from_s * rate as f64).round() as u64;
    let end = begin + (seconds * rate as f64).round() as u64;
    let last = first + block.left.len() as u64;
    for frame in begin.max(first)..end.min(last) {
        let k = (frame - begin) as usize;
        let value = sample(k, k as f64 / rate as f64) as f32;
        let at = (frame - first) as usize;
        if walls != Walls::Right {
            block.left[at] = value;
        }
        if walls != Walls::Left {
            block.right[at] = value;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::{CutLimits, pitch_mm, radius_mm};
    use super::*;

    const RATE: u32 = 48_000;

    /// The recording equaliser is the inverse of the published playback table (dB re 1 kHz).
    #[test]
    fn the_recording_equaliser_is_that_of_the_standard() {
        for (hertz, playback_db) in [
            (20.0, 19.2741),
            (100.0, 13.0885),
            (1000.0, 0.0),
            (10_000.0, -13.7343),
            (20_000.0, -19.6203),
        ] {
            let db = 20.0 * recorded(hertz).norm().log10();
            assert!((db + playback_db).abs() < 1e-3, "{hertz}: {db}");
        }
    }

    /// What the parts reach stays within the limits, wherever they are cut.
    #[test]
    fn every_part_is_within_what_lathe_and_groove_allow() {
        let signal = SideSignal::new(96_000);
        let marks = (SideSignal::mark_peaks(), radius_mm(length_s()), Walls::Both);
        let parts = Cue::all().map(|cue| (signal.peaks(&cue), cue.radius_mm()[1], cue.part.walls));
        for (peaks, radius, walls) in parts.into_iter().chain([marks]) {
            // the lateral part of a wall's own motion, and the vertical one
            let share = match walls {
                Walls::Both => 1.0,
                _ => std::f64::consts::FRAC_1_SQRT_2,
            };
            assert!(peaks.file < 0.9, "{peaks:?}");
            assert!(
                share * peaks.velocity <= CutLimits::velocity(radius),
                "{peaks:?}"
            );
            assert!(
                share * peaks.acceleration <= 0.85 * CutLimits::acceleration(radius),
                "{peaks:?} {radius}"
            );
            assert!(peaks.displacement <= CutLimits::DISPLACEMENT_M);
            if walls != Walls::Both {
                assert!(
                    share * peaks.displacement <= CutLimits::VERTICAL_M,
                    "{peaks:?}"
                );
            }
        }
        // neighbours that swing towards each other leave 100 um for groove and land
        assert!(pitch_mm() * 1e-3 - 2.0 * CutLimits::DISPLACEMENT_M > 100e-6);
    }

    /// The samples themselves: times, walls, levels and slew, cut by a filter in time that knows
    /// nothing of the spectra that the noise was made of.
    #[test]
    fn the_samples_are_as_the_cue_sheet_says() {
        let mut signal = SideSignal::new(RATE);
        let mut all = Stereo::default();
        loop {
            let block = signal.next(100_003);
            if block.left.is_empty() {
                break;
            }
            all.left.extend(block.left);
            all.right.extend(block.right);
        }
        let rate = f64::from(RATE);
        assert_eq!(all.left.len() as u64, signal.frames());
        let whole = |s: f64| (s * rate) as usize;
        for cue in Cue::all() {
            let span = whole(cue.span_s[0] + 0.1)..whole(cue.span_s[1] - 0.1);
            let rms = |samples: &[f32]| {
                let [peak, rms] = size(samples[span.clone()].iter().map(|v| f64::from(*v)));
                (peak, rms)
            };
            let ((left_peak, left), (_, right)) = (rms(&all.left), rms(&all.right));
            let told = signal.peaks(&cue);
            let near = |a: f64, b: f64| (a - b).abs() <= 0.02 * b;
            match cue.part.walls {
                Walls::Both => {
                    assert!(near(left, told.file_rms) && left == right, "{cue:?}");
                    assert!(left_peak <= told.file * 1.001);
                }
                Walls::Left => assert!(near(left, told.file_rms) && right == 0.0),
                Walls::Right => assert!(near(right, told.file_rms) && left == 0.0),
            }
            // silent before and behind
            for at in [cue.span_s[0] - 0.5, cue.span_s[1] + 0.5] {
                assert_eq!(all.left[whole(at)..][..whole(0.3)], [0.0; 14_400][..]);
            }
        }
    }

    /// The spectrum of the noise as cut falls by 3 dB an octave on both sides of the corner.
    #[test]
    fn the_noise_is_pink_in_velocity_above_the_corner() {
        let (samples, _) = noise(RATE, BAND_HZ, 0);
        let length = samples.len();
        let mut data: Vec<Complex64> = samples
            .iter()
            .map(|v| Complex64::new(f64::from(*v), 0.0))
            .collect();
        FftPlanner::new()
            .plan_fft_forward(length)
            .process(&mut data);
        let velocity = |from: f64, to: f64| {
            let bins = (from * PERIOD_S) as usize..(to * PERIOD_S) as usize;
            let power: f64 = bins
                .map(|bin| (data[bin] * recorded(bin as f64 / PERIOD_S)).norm_sqr())
                .sum();
            10.0 * power.log10()
        };
        // octaves hold equal powers where the density falls by 3 dB an octave
        let octaves = [6000.0, 3000.0].map(|from| velocity(from, 2.0 * from));
        assert!((octaves[0] - octaves[1]).abs() < 0.6, "{octaves:?}");
        assert!(velocity(19_000.0, 23_000.0) < octaves[0] - 100.0);
    }
}
