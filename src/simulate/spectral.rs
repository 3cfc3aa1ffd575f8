//! Whole-length transforms: the simulator's linear stages act on the spectrum
//! of a whole capture, so any response is applied exactly and a change of rate
//! is a change of length.

use realfft::RealFftPlanner;
use rustfft::num_complex::Complex64;

/// A stretch of time whose length is a whole number of tenths of a second, so
/// that it holds a whole number of samples, with small prime factors, at every
/// rate used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Canvas {
    tenths: usize,
}

impl Canvas {
    /// The shortest canvas of at least this many seconds whose number of
    /// tenths has no prime factor above 5.
    pub fn covering(seconds: f64) -> Self {
        let mut tenths = (seconds * 10.0).ceil().max(1.0) as usize;
        let smooth = |mut n: usize| {
            for prime in [2, 3, 5] {
                while n.is_multiple_of(prime) {
                    n /= prime;
                }
            }
            n == 1
        };
        while !smooth(tenths) {
            tenths += 1;
        }
        Self { tenths }
    }

    /// Length in seconds.
    pub fn seconds(self) -> f64 {
        self.tenths as f64 / 10.0
    }

    /// Length in samples at a rate that is a multiple of 10 Hz.
    pub fn frames(self, rate_hz: u32) -> usize {
        rate_hz as usize / 10 * self.tenths
    }

    /// Frequency of a bin in hertz.
    pub fn hertz(self, bin: usize) -> f64 {
        bin as f64 / self.seconds()
    }

    /// First bin at or above a frequency.
    pub fn bin(self, hertz: f64) -> usize {
        (hertz * self.seconds()).ceil() as usize
    }
}

/// Spectra of real signals of one length, divided by it: bin k of `a cos(2 pi
/// k n / N)` is `a / 2`, at any rate.
pub fn analyse<const N: usize>(signals: [Vec<f64>; N]) -> [Vec<Complex64>; N] {
    let length = signals.first().map_or(0, Vec::len);
    let plan = RealFftPlanner::new().plan_fft_forward(length);
    let scale = 1.0 / length as f64;
    each(signals, |mut input| {
        let mut spectrum = plan.make_output_vec();
        // Fails only for wrong buffer lengths.
        plan.process(&mut input, &mut spectrum)
            .expect("signals of one length");
        spectrum.iter_mut().for_each(|bin| *bin *= scale);
        spectrum
    })
}

/// The real signals of spectra as [`analyse`] gives them, at any number of
/// samples: missing bins are zero, surplus ones are left out.
pub fn synthesise<const N: usize>(spectra: [Vec<Complex64>; N], frames: usize) -> [Vec<f64>; N] {
    let plan = RealFftPlanner::new().plan_fft_inverse(frames);
    each(spectra, |mut input| {
        input.resize(frames / 2 + 1, Complex64::ZERO);
        input[0].im = 0.0;
        if frames.is_multiple_of(2)
            && let Some(nyquist) = input.last_mut()
        {
            *nyquist = Complex64::ZERO;
        }
        let mut samples = plan.make_output_vec();
        plan.process(&mut input, &mut samples)
            .expect("buffers made to the plan's length");
        samples
    })
}

/// Works on several things at once.
fn each<T: Send, U: Send, const N: usize>(things: [T; N], work: impl Fn(T) -> U + Sync) -> [U; N] {
    let mut done: [Option<U>; N] = [const { None }; N];
    rayon::scope(|scope| {
        for (thing, done) in things.into_iter().zip(&mut done) {
            let work = &work;
            scope.spawn(move |_| *done = Some(work(thing)));
        }
    });
    done.map(|thing| thing.expect("the scope waits for all"))
}

/// Raised cosine from 0 to 1 as `x` goes from 0 to 1, with its first and
/// second derivative.
pub fn rise(x: f64) -> [f64; 3] {
    use std::f64::consts::PI;
    if x <= 0.0 {
        [0.0; 3]
    } else if x >= 1.0 {
        [1.0, 0.0, 0.0]
    } else {
        let (sin, cos) = (PI * x).sin_cos();
        [0.5 - 0.5 * cos, 0.5 * PI * sin, 0.5 * PI * PI * cos]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn canvases_are_long_enough_and_smooth() {
        for seconds in [0.01, 1.3, 29.95, 30.0, 101.01] {
            let canvas = Canvas::covering(seconds);
            assert!(canvas.seconds() >= seconds && canvas.seconds() < 1.25 * seconds + 0.1);
            assert_eq!(
                canvas.frames(44_100) as f64,
                (canvas.seconds() * 44_100.0).round()
            );
        }
        assert_eq!(Canvas::covering(0.65).tenths, 8);
    }

    #[test]
    fn a_change_of_length_is_a_change_of_rate() {
        let tone = |n: usize| -> Vec<f64> {
            (0..n)
                .map(|i| (std::f64::consts::TAU * 7.0 * i as f64 / n as f64 + 0.3).cos())
                .collect()
        };
        let [spectrum] = analyse([tone(60)]);
        assert!((spectrum[7].norm() - 0.5).abs() < 1e-15);
        for (a, b) in synthesise([spectrum], 300)[0].iter().zip(tone(300)) {
            // Some 6 + 9 butterflies with a few rounding units each.
            assert!((a - b).abs() < 64.0 * f64::EPSILON);
        }
    }
}
