//! The analysis window.
//!
//! The Kaiser-Bessel-derived window with alpha = 5 (ATSC A/52): the square root
//! of the running sum of a Kaiser window. It is power-complementary: at 50 %
//! overlap the squares of neighbouring windows add to one, so each sample
//! carries the same weight in the averaged spectrum (a Hann window at that
//! overlap reaches 0.947 of the Cramer-Rao bound, this one 1). Its side lobes
//! are 84 dB down at 8 bins and 94 dB at 12 (computed), so that rumble stays out
//! of the band and a spectral line stays within its own dozen bins.

use std::f64::consts::PI;
use std::sync::OnceLock;

/// Advance from frame to frame over the frame length.
pub const HOP_FRACTION: f64 = 0.5;

/// Frame duration aimed at, seconds: bins of about 12 Hz, fine enough for the
/// slowest equaliser term (50 Hz) and for hum, long against any delay.
const FRAME_SECONDS: f64 = 0.0853;

/// Frame length for a sample rate: the power of two nearest to 85 ms.
pub fn frame_length(sample_rate_hz: f64) -> usize {
    1 << (FRAME_SECONDS * sample_rate_hz).log2().round().max(6.0) as u32
}

/// Shape of the Kaiser window.
const ALPHA: f64 = 5.0;

/// The window of `length` samples (an even number).
pub fn window(length: usize) -> Vec<f64> {
    let half = length / 2;
    let kaiser = |n: usize| {
        let x = 2.0 * n as f64 / half as f64 - 1.0;
        bessel_i0(PI * ALPHA * (1.0 - x * x).max(0.0).sqrt())
    };
    let total: f64 = (0..=half).map(kaiser).sum();
    let mut sum = 0.0;
    let rising: Vec<f64> = (0..half)
        .map(|n| {
            sum += kaiser(n);
            (sum / total).sqrt()
        })
        .collect();
    rising.iter().chain(rising.iter().rev()).copied().collect()
}

/// Modified Bessel function of the first kind, order 0, by its power series
/// (Abramowitz and Stegun 9.6.12), for the arguments of a Kaiser window.
fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let (mut term, mut sum, mut k) = (1.0, 1.0, 1.0);
    while term > sum * f64::EPSILON {
        term *= quarter / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}

/// Correlation of the spectra of two white-noise frames half a frame apart,
/// `sum w(n) w(n + N/2) / sum w(n)^2`, computed from the window: 0.193.
pub fn overlap_correlation() -> f64 {
    const STEPS: usize = 1024;
    static CORRELATION: OnceLock<f64> = OnceLock::new();
    *CORRELATION.get_or_init(|| {
        let w = window(STEPS);
        let above: f64 = (0..STEPS / 2).map(|n| w[n] * w[n + STEPS / 2]).sum();
        above / w.iter().map(|v| v * v).sum::<f64>()
    })
}

/// What the window spreads of a spectral line over the bins beside it.
///
/// Entry `d` is the power in all bins up to `d` to one side of the line, over that in the
/// line's own bin: the sum of the envelope of the window's spectrum, whose value at a
/// distance is the largest within half a bin of it, wherever between two bins a line lies.
/// The envelope is 19 dB down at 2 and 3 bins, 41 at 5, 71 at 6, 92 at 12 and 113 at 44
/// (computed); the distance counts in bins, so it is the same at all rates.
pub fn spread() -> &'static [f64] {
    const STEPS: usize = 4096;
    const PER_BIN: usize = 8;
    static SPREAD: OnceLock<Vec<f64>> = OnceLock::new();
    SPREAD.get_or_init(|| {
        let powers = super::frame::powers(&window(STEPS), STEPS * PER_BIN);
        let mut sum = 0.0;
        (0..STEPS / 2)
            .map(|d| {
                let middle = d * PER_BIN;
                let near = middle.saturating_sub(PER_BIN / 2)..=middle + PER_BIN / 2;
                sum += powers[near].iter().fold(0.0, |a, b| f64::max(a, *b)) / powers[0];
                sum
            })
            .collect()
    })
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

    const NUMPY: [(usize, f64); 7] = [
        (0, 9.61610217874083e-05),
        (100, 0.0716488984953726),
        (256, 0.709305069423507),
        (400, 0.995470971030124),
        (511, 0.999999995376529),
        (512, 0.999999995376529),
        (900, 0.125686691086783),
    ];
    /// The envelope in decibels at distances in bins, from numpy 2.4's `fft` of the window,
    /// 32 values a bin.
    const NUMPY_ENVELOPE: [(usize, f64); 6] = [
        (1, -1.5),
        (3, -19.4),
        (5, -41.5),
        (8, -84.9),
        (12, -92.5),
        (40, -112.0),
    ];
    const NUMPY_OVERLAP: f64 = 0.19330032424989;

    #[test]
    fn squares_of_neighbours_add_to_one() {
        let w = window(4096);
        for n in 0..2048 {
            let sum = w[n].powi(2) + w[n + 2048].powi(2);
            // sums of a few thousand terms on both sides
            assert!((sum - 1.0).abs() < 4096.0 * f64::EPSILON, "{n}: {sum}");
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

    #[test]
    fn the_spread_of_a_line_agrees_with_numpy() {
        let spread = spread();
        assert_eq!(spread[0], 1.0);
        for (d, decibels) in NUMPY_ENVELOPE {
            let found = 10.0 * (spread[d] - spread[d - 1]).log10();
            // the top of a lobe between two of 8 values a bin, and what was rounded
            assert!((found - decibels).abs() < 0.3, "{d}: {found}");
        }
        // a line's neighbours on both sides, and the line, hold more than the sum of
        // squares of the window says, since an envelope does
        let w = window(4096);
        let sum: f64 = w.iter().sum();
        let whole = 4096.0 * w.iter().map(|v| v * v).sum::<f64>() / (sum * sum);
        let enveloped = 2.0 * spread[2047] - 1.0;
        assert!(
            enveloped > whole && enveloped < 2.0 * whole,
            "{enveloped} {whole}"
        );
    }

    /// numpy 2.4.6: `np.kaiser(513, 5 * np.pi)`, cumulated, square root.
    #[test]
    fn window_agrees_with_numpy() {
        let w = window(1024);
        for (n, value) in NUMPY {
            assert!((w[n] - value).abs() < 1e-12, "{n}: {}", w[n]);
        }
        assert!((overlap_correlation() - NUMPY_OVERLAP).abs() < 1e-12);
    }
}
