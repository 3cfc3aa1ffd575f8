//! Second-order tracing distortion of a frame, see [`super::tracing`].

use super::frame::pack;
use super::limits::{ANALYSIS_BAND_HZ, VELOCITY_HZ};
use super::{EQUALISER, window};
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::num_complex::{Complex, Complex32, Complex64};
use rustfft::{Fft, FftPlanner};
use std::f64::consts::{PI, TAU};
use std::ops::Range;
use std::sync::Arc;

/// Frequency of unit gain, hertz.
const UNIT_GAIN_HZ: f64 = 1000.0;

/// The playback equaliser's response, 1 at [`UNIT_GAIN_HZ`].
fn equaliser(hertz: f64) -> Complex64 {
    let response = |hertz: f64| {
        let part = |seconds: f64| Complex::new(1.0, TAU * hertz * seconds);
        let [low, zero, high] = EQUALISER.map(|(seconds, _)| part(seconds));
        zero / (low * high)
    };
    response(hertz) / response(UNIT_GAIN_HZ).norm()
}

fn single(value: Complex64) -> Complex32 {
    Complex::new(value.re as f32, value.im as f32)
}

/// Spectra of `d(v^2)/dt`, where `v` is the groove velocity that the channels share,
/// as the recording holds it: through the equaliser again.
///
/// The frame is weighted by the root of the analysis window, so that the square is weighted
/// by the window itself; the equaliser's memory, 3 ms at most, is short against the
/// window. Between the transforms the samples lie so densely that squaring folds nothing
/// back.
pub(super) struct TracingDistortion {
    forward: Arc<dyn Fft<f32>>,
    to_time: Arc<dyn ComplexToReal<f32>>,
    to_frequency: Arc<dyn RealToComplex<f32>>,
    /// Half of the root of the analysis window.
    root: Vec<f32>,
    velocity: Range<usize>,
    /// First bin by which the channels' polarity is told: above rumble.
    polarity_from: usize,
    /// What makes velocities of samples, for each bin of the velocity's band.
    gains: Vec<Complex32>,
    /// Differentiation and the equaliser, for each bin from 0 Hz.
    filter: Vec<Complex32>,
    /// By how much the left channel is ahead of the middle, for each bin from 0 Hz.
    turns: Vec<Complex32>,
}

/// Working memory of one thread.
pub(super) struct Work {
    frame: Vec<Complex32>,
    spectrum: Vec<Complex32>,
    fft: Vec<Complex32>,
    velocity: Vec<Complex32>,
    samples: Vec<f32>,
    squares: Vec<Complex32>,
    real: Vec<Complex32>,
    /// The result, for each bin from 0 Hz.
    added: Vec<Complex32>,
}

impl Work {
    /// The latest result, for each bin from 0 Hz.
    pub fn added(&self) -> &[Complex32] {
        &self.added
    }
}

impl TracingDistortion {
    /// For frames of `length` samples whose right channel is `late` samples late.
    pub fn new(sample_rate_hz: f64, length: usize, bins: usize, late: f64) -> Self {
        let hertz = |bin: usize| bin as f64 * sample_rate_hz / length as f64;
        let bin = |hz: f64| (hz * length as f64 / sample_rate_hz).ceil() as usize;
        let top = bin(VELOCITY_HZ.1).min(length / 2);
        let velocity = bin(VELOCITY_HZ.0)..top;
        // squares reach twice as far
        let denser = if 4 * top > length { 2 } else { 1 };
        let size = denser * length;
        let mut planner = RealFftPlanner::new();
        let gain = |bin| single(equaliser(hertz(bin)).inv() / length as f64);
        let filter = |bin| {
            let slope = Complex::new(0.0, TAU * hertz(bin));
            single(slope * equaliser(hertz(bin)) / denser as f64)
        };
        let turn = |bin| {
            single(Complex::from_polar(
                1.0,
                PI * late * bin as f64 / length as f64,
            ))
        };
        Self {
            forward: FftPlanner::new().plan_fft_forward(length),
            to_time: planner.plan_fft_inverse(size),
            to_frequency: planner.plan_fft_forward(size),
            root: window::window(length)
                .iter()
                .map(|w| 0.5 * w.sqrt() as f32)
                .collect(),
            polarity_from: bin(ANALYSIS_BAND_HZ.0),
            gains: velocity.clone().map(gain).collect(),
            filter: (0..bins).map(filter).collect(),
            turns: (0..bins.max(top)).map(turn).collect(),
            velocity,
        }
    }

    pub fn work(&self) -> Work {
        let zeros = |count: usize| vec![Complex::default(); count];
        let (to_time, to_frequency) = (&self.to_time, &self.to_frequency);
        let scratch = to_time
            .get_scratch_len()
            .max(to_frequency.get_scratch_len());
        Work {
            frame: zeros(self.root.len()),
            spectrum: zeros(self.root.len()),
            fft: zeros(self.forward.get_outofplace_scratch_len()),
            velocity: to_time.make_input_vec(),
            samples: to_frequency.make_input_vec(),
            squares: to_frequency.make_output_vec(),
            real: zeros(scratch),
            added: zeros(self.filter.len()),
        }
    }

    /// By how much the left channel is ahead of the middle, for each bin from 0 Hz.
    pub fn turns(&self) -> &[Complex32] {
        &self.turns
    }

    /// Finds the spectrum; returns the sign by which the channels share their signal, -1
    /// where one is inverted.
    pub fn find(&self, left: &[f32], right: &[f32], work: &mut Work) -> f32 {
        pack(&self.root, left, right, &mut work.frame);
        self.forward.process_outofplace_with_scratch(
            &mut work.frame,
            &mut work.spectrum,
            &mut work.fft,
        );
        let z = &work.spectrum;
        // bins ahead, and those that mirror them
        let channels = |range: Range<usize>| {
            let mirrored = z[z.len() + 1 - range.end..=z.len() - range.start]
                .iter()
                .rev();
            z[range].iter().zip(mirrored).map(|(a, b)| {
                let b = b.conj();
                (a + b, Complex32::new(0.0, -1.0) * (a - b))
            })
        };
        let shared: f32 = channels(self.polarity_from..self.velocity.end)
            .map(|(l, r)| l.re * r.re + l.im * r.im)
            .sum();
        let sign = 1.0_f32.copysign(shared);
        work.velocity.fill(Complex::default());
        let factors = self.gains.iter().zip(&self.turns[self.velocity.clone()]);
        let sources = channels(self.velocity.clone()).zip(factors);
        let velocities = &mut work.velocity[self.velocity.clone()];
        for (velocity, ((l, r), (gain, turn))) in velocities.iter_mut().zip(sources) {
            *velocity = (l * turn.conj() + r * turn * sign) * gain * 0.5;
        }
        // the buffers were made by the plans themselves, so their lengths fit
        let done = self.to_time.process_with_scratch(
            &mut work.velocity,
            &mut work.samples,
            &mut work.real,
        );
        debug_assert!(done.is_ok());
        work.samples.iter_mut().for_each(|v| *v *= *v);
        let done = self.to_frequency.process_with_scratch(
            &mut work.samples,
            &mut work.squares,
            &mut work.real,
        );
        debug_assert!(done.is_ok());
        let squares = work.squares.iter().zip(&self.filter);
        for (added, (square, filter)) in work.added.iter_mut().zip(squares) {
            *added = square * filter;
        }
        sign
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use realfft::RealFftPlanner;

    /// Tones in the groove, through an equaliser of another writing and with a delay: what
    /// is found is the transform of what the derivative of their square is, tone by tone.
    #[test]
    fn the_square_of_the_velocity_is_that_of_tones() {
        for (rate, late) in [(44_100.0, 0.3), (48_000.0, 0.0), (96_000.0, -0.5)] {
            let length = window::frame_length(rate);
            let bins = length / 2;
            let width = rate / length as f64;
            let tones: [f64; 4] = [97.3, 170.2, 310.0, 0.4 * 17_000.0 / width].map(|b| b * width);
            let response = |f: f64| {
                // magnitude and phase of each part by itself
                let parts = [(318e-6, 1.0), (3180e-6, -1.0), (75e-6, -1.0)];
                let of = |f: f64| {
                    parts.iter().fold((0.0, 0.0), |(log, phase), (t, sign)| {
                        let wt = TAU * f * t;
                        (log + sign * wt.hypot(1.0).ln(), phase + sign * wt.atan())
                    })
                };
                ((of(f).0 - of(1000.0).0).exp(), of(f).1)
            };
            let sum_of = |list: &[(f64, f64, f64)], shift: f64| -> Vec<f64> {
                let at = |n: usize| {
                    let t = (n as f64 + shift) / rate;
                    let tone =
                        |(f, size, phase): &(f64, f64, f64)| size * (TAU * f * t + phase).cos();
                    list.iter().map(tone).sum()
                };
                (0..length).map(at).collect()
            };
            let recorded = tones.map(|f| {
                let (size, phase) = response(f);
                (f, size, phase)
            });
            let single = |v: Vec<f64>| v.into_iter().map(|v| v as f32).collect::<Vec<_>>();
            let left = single(sum_of(&recorded, 0.5 * late));
            let right = single(sum_of(&recorded, -0.5 * late));
            let second = TracingDistortion::new(rate, length, bins, late);
            let mut work = second.work();
            assert_eq!(second.find(&left, &right, &mut work), 1.0);
            // cos a cos b = (cos(a + b) + cos(a - b)) / 2; the derivative adds a quarter turn
            let mut squared = Vec::new();
            for a in tones {
                for b in tones {
                    for f in [a + b, a - b] {
                        if f != 0.0 {
                            let (size, phase) = response(f.abs());
                            let phase = phase.copysign(f * phase.signum());
                            squared.push((f, 0.5 * TAU * f * size, phase + PI / 2.0));
                        }
                    }
                }
            }
            let mut fft = RealFftPlanner::<f64>::new()
                .plan_fft_forward(length)
                .make_output_vec();
            let weights = window::window(length);
            let mut expected: Vec<f64> = sum_of(&squared, 0.0);
            expected.iter_mut().zip(&weights).for_each(|(s, w)| *s *= w);
            RealFftPlanner::<f64>::new()
                .plan_fft_forward(length)
                .process(&mut expected, &mut fft)
                .unwrap();
            let band = (100.0 / width) as usize..(15_000.0 / width) as usize;
            let (mut error, mut power) = (0.0, 0.0);
            for bin in band {
                let found = work.added()[bin];
                let found = Complex::new(f64::from(found.re), f64::from(found.im));
                error += (found - fft[bin]).norm_sqr();
                power += fft[bin].norm_sqr();
            }
            let db = 10.0 * f64::log10(error / power);
            assert!(db < -40.0, "{rate}: {db} dB");
        }
    }
}
