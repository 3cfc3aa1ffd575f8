//! The frequency response from one channel to the other, bin by bin, with
//! coherence and random errors.
//!
//! The response is the estimate of the first kind, cross-spectrum over the
//! power of the driving channel, which noise in the driven channel does not
//! bias. Where noise is alike in both channels the [`symmetric_gain`] is the
//! better estimate of the magnitude: its bias cancels.
//!
//! Random errors after J. S. Bendat and A. G. Piersol, *Random Data*, 4th ed.,
//! 2010, chapter 9 (the phase error also in the 2nd ed., p. 317), with `C` the
//! coherence (magnitude squared) and `n` independent averages:
//! relative gain and phase in radians `sqrt((1 - C) / (2 n C))`, coherence
//! `sqrt(2 C / n) (1 - C)`.
//!
//! [`symmetric_gain`]: ResponsePoint::symmetric_gain

use crate::spectrum::{Bin, Complex64, CrossSpectrum};
use std::f64::consts::TAU;

/// The driving channel and the responding channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ResponseDirection {
    /// Right over left: the left channel drives.
    RightOverLeft,
    /// Left over right: the right channel drives.
    LeftOverRight,
}

/// The response at one bin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ResponsePoint {
    /// Frequency, hertz.
    pub hertz: f64,
    /// Driven over driving channel; a late driven channel has negative phase.
    pub transfer: Complex64,
    /// Square root of driven over driving power: the magnitude of the
    /// response where noise is alike in both channels.
    pub symmetric_gain: f64,
    /// Coherence (magnitude squared) as estimated, 0 to 1.
    pub coherence: f64,
    /// Power of the driving channel, mean over frames (full scale squared,
    /// window's scale left in).
    pub driving_power: f64,
}

impl ResponsePoint {
    /// Magnitude of the response.
    pub fn gain(&self) -> f64 {
        self.transfer.norm()
    }

    /// Phase of the response, radians; negative when the driven channel is late.
    pub fn phase(&self) -> f64 {
        self.transfer.arg()
    }

    /// Random error of the phase, radians, and of the gain, relative, from
    /// `averages` independent ones.
    pub fn relative_error(&self, averages: f64) -> f64 {
        ((1.0 - self.coherence) / (2.0 * averages * self.coherence)).sqrt()
    }

    /// Random error of the real and of the imaginary part of the response;
    /// unlike the relative one it exists without any coherence.
    pub fn part_error(&self, averages: f64) -> f64 {
        self.symmetric_gain * ((1.0 - self.coherence) / (2.0 * averages)).sqrt()
    }

    /// Random error of the coherence.
    pub fn coherence_error(&self, averages: f64) -> f64 {
        (2.0 * self.coherence / averages).sqrt() * (1.0 - self.coherence)
    }
}

/// The response at the bins from `band.0` to `band.1` hertz (but 0 Hz) in which
/// the driving channel has power.
pub fn response(
    spectrum: &CrossSpectrum,
    direction: ResponseDirection,
    band: (f64, f64),
) -> Vec<ResponsePoint> {
    let frames = spectrum.frames().max(1) as f64;
    spectrum
        .total()
        .iter()
        .enumerate()
        .skip(1)
        .filter_map(|(k, bin)| {
            let hertz = spectrum.frequency_hz(k);
            let inside = band.0 <= hertz && hertz <= band.1;
            inside.then(|| point(hertz, bin, direction, frames))?
        })
        .collect()
}

fn point(
    hertz: f64,
    bin: &Bin,
    direction: ResponseDirection,
    frames: f64,
) -> Option<ResponsePoint> {
    // The bin holds L conj(R).
    let (driving, driven, cross) = match direction {
        ResponseDirection::RightOverLeft => (bin.left, bin.right, Complex64::new(bin.re, -bin.im)),
        ResponseDirection::LeftOverRight => (bin.right, bin.left, Complex64::new(bin.re, bin.im)),
    };
    (driving > 0.0).then(|| ResponsePoint {
        hertz,
        transfer: cross / driving,
        symmetric_gain: (driven / driving).sqrt(),
        coherence: bin.coherence(),
        driving_power: driving / frames,
    })
}

/// Weight of a bin by its coherent signal-to-noise ratio, limited as in the
/// generalised cross-correlation.
fn weight(p: &ResponsePoint) -> f64 {
    (p.coherence / (1.0 - p.coherence).max(1e-2)).min(1e2)
}

/// Mean of the response's directions with a delay taken out: its angle is the
/// intercept of the phase, its real part negative for an inverted channel.
pub(super) fn intercept(points: &[ResponsePoint], delay_s: f64) -> Complex64 {
    points
        .iter()
        .map(|p| {
            let turned = p.transfer * Complex64::from_polar(1.0, TAU * p.hertz * delay_s);
            turned / turned.norm().max(f64::MIN_POSITIVE) * weight(p)
        })
        .sum()
}

/// Delay of the driven channel, seconds, good enough to unwrap the phase by:
/// the phase's advance from bin to bin, then its slope.
pub(super) fn delay_by_slope(points: &[ResponsePoint]) -> f64 {
    let [first, second, ..] = points else {
        return 0.0;
    };
    let mut advance = Complex64::default();
    for pair in points.windows(2) {
        let step = pair[1].transfer * pair[0].transfer.conj();
        let weight = weight(&pair[0]).min(weight(&pair[1]));
        advance += step / step.norm().max(f64::MIN_POSITIVE) * weight;
    }
    let coarse = -advance.arg() / (TAU * (second.hertz - first.hertz));
    // A straight line with an intercept of its own: crosstalk in quadrature and
    // inversion turn all frequencies alike.
    let mean = intercept(points, coarse).conj();
    let (mut sw, mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for p in points {
        let (q, w) = (weight(p), TAU * p.hertz);
        let angle = (p.transfer * Complex64::from_polar(1.0, w * coarse) * mean).arg();
        sw += q;
        sx += q * w;
        sy += q * angle;
        sxx += q * w * w;
        sxy += q * w * angle;
    }
    let spread = sw * sxx - sx * sx;
    coarse
        - if spread > 0.0 {
            (sw * sxy - sx * sy) / spread
        } else {
            0.0
        }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// references.json, id `phase_sd`: C = 0.9, n = 100 (Bendat & Piersol, 2nd
    /// ed., p. 317), and `msc_C0.5_n16`: relative variance of the coherence.
    #[test]
    fn random_errors_as_published() {
        let point = |coherence: f64| ResponsePoint {
            hertz: 1000.0,
            transfer: Complex64::new(coherence.sqrt(), 0.0),
            symmetric_gain: 1.0,
            coherence,
            driving_power: 1.0,
        };
        let phase = point(0.9).relative_error(100.0);
        assert!((phase - 0.023_570_226_039_551_58).abs() < 1e-9, "{phase}");
        // var 2 C (1 - C)^2 / n = 0.015625 at C = 0.5, n = 16
        let coherence = point(0.5).coherence_error(16.0);
        assert!((coherence.powi(2) - 0.015_625).abs() < 1e-15);
        // parts and relative error are one statement: part = |H| * relative
        let p = point(0.9);
        assert!((p.part_error(100.0) - p.gain() * phase).abs() < 1e-12);
    }

    #[test]
    fn delays_and_inversion_are_found_by_the_slope() {
        for delay in [-11.3e-6, -0.6e-6, 0.0, 3e-6, 40e-6] {
            for sign in [1.0, -1.0] {
                let points: Vec<ResponsePoint> = (8..1500)
                    .map(|k| {
                        let hertz = 11.7 * f64::from(k);
                        ResponsePoint {
                            hertz,
                            transfer: sign * Complex64::from_polar(0.9, -TAU * hertz * delay),
                            symmetric_gain: 0.9,
                            coherence: 0.999,
                            driving_power: 1.0,
                        }
                    })
                    .collect();
                let found = delay_by_slope(&points);
                assert!((found - delay).abs() < 1e-12, "{found} {delay}");
                assert_eq!(intercept(&points, found).re < 0.0, sign < 0.0);
            }
        }
    }

    #[test]
    fn both_directions_of_one_bin() {
        // L = 2, R = 1 late by an eighth of a turn: L conj(R) = 2 e^{+i pi/4}
        let h = std::f64::consts::FRAC_1_SQRT_2;
        let bin = Bin {
            left: 4.0,
            right: 1.0,
            re: 2.0 * h,
            im: 2.0 * h,
        };
        let eighth = std::f64::consts::FRAC_PI_4;
        let right = point(1000.0, &bin, ResponseDirection::RightOverLeft, 16.0).unwrap();
        assert_eq!(right.driving_power, 0.25);
        assert!((right.transfer - Complex64::from_polar(0.5, -eighth)).norm() < 1e-15);
        let left = point(1000.0, &bin, ResponseDirection::LeftOverRight, 1.0).unwrap();
        assert!((left.transfer - Complex64::from_polar(2.0, eighth)).norm() < 1e-15);
        assert!((left.symmetric_gain - 2.0).abs() < 1e-15);
    }

    /// A bent phase under unlike weights: the slope of weighted least squares, here
    /// from centred sums, and the weighted sum of the directions.
    #[test]
    fn slope_and_intercept_are_weighted() {
        let delay = 3e-6;
        // coherent over not: 1 and 9
        let coherence = |k: i32| if k % 3 == 0 { 0.9 } else { 0.5 };
        let bend = |hertz: f64| 0.2 * (hertz / 5e3).powi(2);
        let points: Vec<ResponsePoint> = (8..400)
            .map(|k| {
                let hertz = 11.7 * f64::from(k);
                let phase = bend(hertz) - TAU * hertz * delay;
                ResponsePoint {
                    hertz,
                    transfer: Complex64::from_polar(f64::from(k), phase),
                    symmetric_gain: 1.0,
                    coherence: coherence(k),
                    driving_power: 1.0,
                }
            })
            .collect();
        let weights: Vec<f64> = (8..400)
            .map(|k| coherence(k) / (1.0 - coherence(k)))
            .collect();
        let mean = |of: &dyn Fn(&ResponsePoint) -> f64| {
            let sum: f64 = points.iter().zip(&weights).map(|(p, w)| w * of(p)).sum();
            sum / weights.iter().sum::<f64>()
        };
        let w_mean = mean(&|p| TAU * p.hertz);
        let covariance = mean(&|p| (TAU * p.hertz - w_mean) * bend(p.hertz));
        let variance = mean(&|p| (TAU * p.hertz - w_mean).powi(2));
        let found = delay_by_slope(&points);
        let expected = delay - covariance / variance;
        assert!((found - expected).abs() < 1e-15, "{found} {expected}");
        let two = [points[0], points[1]];
        let [first, second] = [(0, 0.3), (1, -0.2)].map(|(k, angle)| ResponsePoint {
            transfer: Complex64::from_polar(if k == 0 { 2.0 } else { 0.1 }, angle),
            ..two[k]
        });
        let expected =
            Complex64::from_polar(weights[0], 0.3) + Complex64::from_polar(weights[1], -0.2);
        assert!((intercept(&[first, second], 0.0) - expected).norm() < 1e-12);
    }
}
