//! The analysis window.
//!
//! `w(n) = sin(pi/2 sin^2(pi (n + 1/2) / N))`, the slope function of the Vorbis I
//! specification (clause 1.3.2). Half a frame on, the inner sine becomes a
//! cosine and the outer one with it: at 50 % overlap the squares of
//! neighbouring windows add to one (it is power-complementary), so each sample carries the same weight in
//! the averaged spectrum (a Hann window at that overlap reaches 0.947 of the
//! Cramer-Rao bound, this one 1). Unlike a sine window it is smooth at its
//! ends, and its side lobes fall fast enough to keep rumble out of the band.

use std::f64::consts::{FRAC_PI_2, PI};

/// Advance from frame to frame over the frame length.
pub const HOP_FRACTION: f64 = 0.5;

/// Frame duration aimed at, seconds: bins of about 12 Hz, fine enough for the
/// slowest equaliser term (50 Hz) and for hum, long against any delay.
const FRAME_SECONDS: f64 = 0.0853;

/// Frame length for a sample rate: the power of two nearest to 85 ms.
pub fn frame_length(sample_rate_hz: f64) -> usize {
    1 << (FRAME_SECONDS * sample_rate_hz).log2().round().max(6.0) as u32
}

/// The window of `length` samples.
pub fn window(length: usize) -> Vec<f64> {
    (0..length)
        .map(|n| (FRAC_PI_2 * (PI * (n as f64 + 0.5) / length as f64).sin().powi(2)).sin())
        .collect()
}

/// Correlation of the spectra of two white-noise frames half a frame apart,
/// `sum w(n) w(n + N/2) / sum w(n)^2` = `J0(pi/2) / 2` = 0.2360: half a frame on
/// the inner sine becomes a cosine, so the product is `sin(pi sin^2 x) / 2`,
/// whose mean is Bessel's integral (DLMF 10.9.1; tests/references_spectrum.rs).
pub fn overlap_correlation() -> f64 {
    const STEPS: usize = 4096;
    let w = window(STEPS);
    let above: f64 = (0..STEPS / 2).map(|n| w[n] * w[n + STEPS / 2]).sum();
    above / w.iter().map(|v| v * v).sum::<f64>()
}

/// Equivalent number of independent averages of `frames` overlapped frames in
/// one bin: `K / (1 + 2 (1 - 1/K) rho^2)` (P. D. Welch, IEEE T-AU 15, 1967).
pub fn independent_averages(frames: u64) -> f64 {
    let k = frames as f64;
    if frames < 2 {
        return k;
    }
    k / (1.0 + 2.0 * (1.0 - 1.0 / k) * overlap_correlation().powi(2))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn squares_of_neighbours_add_to_one() {
        let w = window(4096);
        for n in 0..2048 {
            let sum = w[n].powi(2) + w[n + 2048].powi(2);
            // two roundings of a sine each
            assert!((sum - 1.0).abs() < 8.0 * f64::EPSILON, "{n}: {sum}");
        }
    }

    #[test]
    fn frame_lengths_are_powers_of_two_near_85_ms() {
        for (rate, length) in [
            (44_100.0, 4096),
            (48_000.0, 4096),
            (88_200.0, 8192),
            (96_000.0, 8192),
            (176_400.0, 16384),
            (192_000.0, 16384),
        ] {
            assert_eq!(frame_length(rate), length, "{rate}");
        }
    }

    /// Welch's formula with the Hann correlation 1/6 gives the values of
    /// references.json (id `welch`); here the same formula at this window's.
    #[test]
    fn overlap_correlation_by_quadrature() {
        // Simpson's rule on the continuous definition, independent of `window`.
        let f = |x: f64| {
            let s = FRAC_PI_2 * (PI * x).sin().powi(2);
            let c = FRAC_PI_2 * (PI * (x + 0.5)).sin().powi(2);
            s.sin() * c.sin()
        };
        let n = 1000;
        let h = 0.5 / n as f64;
        let mut sum = f(0.0) + f(0.5);
        for i in 1..n {
            sum += f(i as f64 * h) * if i % 2 == 1 { 4.0 } else { 2.0 };
        }
        let rho = sum * h / 3.0 / 0.5; // the mean square of w is 1/2
        assert!((overlap_correlation() - rho).abs() < 1e-9, "{rho}");
    }
}
