//! Detects whether a recording has been through a lossy coder.
//!
//! Such a coder carries the difference of the channels by itself, or predicts it from their
//! sum, and drops of it what an ear would not miss: in bands of some hundred hertz and for
//! some tens of milliseconds nothing of it is left although the sum is loud. A groove never
//! does that: each wall has noise of its own, and what delay, crosstalk and unlike
//! sensitivities leave of the programme in the difference is loud where the programme is. So
//! among cells of frequency and time in which the sum has at least its median power, the
//! difference falls far below its own median as seldom as noise does, whose power over a
//! few bins follows a chi-square law.

use super::frame::{FrameTransform, Scratch};
use super::limits::{
    CLICK_SHARE, CODER_BAND_HZ, CODER_CELL_BINS, CODER_CELL_S, MISSING_OCTAVES, MOST_CODER_FRAMES,
};
use super::window;
use crate::uncertainty::{chi_square_below, chi_square_quantile};
use rustfft::num_complex::Complex32;

/// Steps of an octave in which powers are kept.
const STEPS: f32 = 4.0;

/// Examines the difference of the channels.
pub struct CoderProbe {
    transform: FrameTransform,
    scratch: Scratch,
    /// First bin, and number of cells.
    first: usize,
    cells: usize,
    /// The frame being gathered, and how many frames have begun.
    frame: (Vec<f32>, Vec<f32>),
    seen: usize,
    /// One frame in so many is kept.
    stride: usize,
    /// For each frame kept, and each cell of it, the powers of sum and difference.
    kept: Vec<u8>,
}

impl CoderProbe {
    /// A probe that has seen nothing of a recording of a sample rate in the engine's range.
    pub fn new(sample_rate_hz: f64) -> Self {
        let length = 1 << (CODER_CELL_S * sample_rate_hz).log2().round() as u32;
        let bin = |hz: f64| (hz * f64::from(length) / sample_rate_hz).round() as usize;
        let length = length as usize;
        let end = bin(CODER_BAND_HZ.1).min(length / 2 - 1);
        let transform = FrameTransform::new(length, end);
        Self {
            scratch: transform.scratch(),
            transform,
            first: bin(CODER_BAND_HZ.0),
            cells: end.saturating_sub(bin(CODER_BAND_HZ.0)) / CODER_CELL_BINS,
            frame: (Vec::new(), Vec::new()),
            seen: 0,
            stride: 1,
            kept: Vec::new(),
        }
    }

    /// Takes in a block: two channels of equal length, full scale 1.
    pub fn push(&mut self, mut left: &[f32], mut right: &[f32]) {
        while !left.is_empty() {
            let count = (self.transform.length() - self.frame.0.len()).min(left.len());
            let (now, later) = left.split_at(count);
            self.frame.0.extend_from_slice(now);
            left = later;
            let (now, later) = right.split_at(count);
            self.frame.1.extend_from_slice(now);
            right = later;
            if self.frame.0.len() == self.transform.length() {
                if self.seen.is_multiple_of(self.stride) {
                    self.look();
                }
                self.seen += 1;
                self.frame.0.clear();
                self.frame.1.clear();
            }
        }
    }

    fn look(&mut self) {
        let (left, right) = (&self.frame.0, &self.frame.1);
        if is_click(left, right) {
            return;
        }
        let z = self.transform.transform(left, right, &mut self.scratch);
        for cell in 0..self.cells {
            let (mut sum, mut difference) = (0.0, 0.0);
            for k in 0..CODER_CELL_BINS {
                let k = self.first + CODER_CELL_BINS * cell + k;
                // L = Z + Z*, i R = Z - Z*, with Z* of the mirrored bin
                let (a, b) = (z[k], z[z.len() - k].conj());
                let (l, r) = (a + b, Complex32::new(0.0, -1.0) * (a - b));
                sum += (l + r).norm_sqr();
                difference += (l - r).norm_sqr();
            }
            // from 2^-40 to 2^24 of full scale with the window's own scale left in
            let place = |power: f32| (STEPS * (power.log2() + 40.0)).clamp(0.0, 255.0) as u8;
            self.kept.extend([place(sum), place(difference)]);
        }
        if self.kept.len() == 2 * self.cells * MOST_CODER_FRAMES {
            let row = 2 * self.cells;
            let halved = self.kept.chunks(2 * row).flat_map(|two| &two[..row]);
            self.kept = halved.copied().collect();
            self.stride *= 2;
        }
    }

    /// Minus the decimal logarithm of the probability that as much of the difference is
    /// missing by chance.
    pub fn unlikely(&self) -> f64 {
        let missing = (f64::from(STEPS) * MISSING_OCTAVES) as u8;
        let row = 2 * self.cells;
        let (mut looked, mut found) = (0.0, 0.0);
        for cell in 0..self.cells {
            let column = |which: usize| -> Vec<u8> {
                let values = self.kept.iter().skip(2 * cell + which);
                values.step_by(row).copied().collect()
            };
            let (sums, differences) = (column(0), column(1));
            let (loud, usual) = (median(sums.clone()), median(differences.clone()));
            // nothing counts as missing where there is almost no signal
            let Some(below) = usual.checked_sub(missing) else {
                continue;
            };
            for (sum, difference) in sums.into_iter().zip(differences) {
                if sum >= loud {
                    looked += 1.0;
                    found += f64::from(u8::from(difference < below));
                }
            }
        }
        if found == 0.0 {
            return 0.0;
        }
        let freedom = freedom(self.transform.length());
        let usual = chi_square_quantile(0.5, freedom);
        let by_chance = chi_square_below(usual * (-MISSING_OCTAVES).exp2(), freedom);
        // a Poisson count is as large or larger: a chi-square law of twice as many degrees
        -chi_square_below(2.0 * looked * by_chance, 2.0 * found)
            .max(f64::MIN_POSITIVE)
            .log10()
    }
}

/// Whether half of a frame's treble lies within an eighth of it: a click that both channels have
/// alike, as a spike of the mains, is loud in the sum and adds nothing to the difference.
fn is_click(left: &[f32], right: &[f32]) -> bool {
    let sum: Vec<f32> = left.iter().zip(right).map(|(l, r)| l + r).collect();
    let part = (sum.len() / 16).max(1);
    // twice differentiated, which leaves the treble
    let parts = sum.chunks(part).map(|part| {
        let bends = part.windows(3).map(|w| w[0] - 2.0 * w[1] + w[2]);
        bends.map(|b| f64::from(b * b)).sum::<f64>()
    });
    let parts: Vec<f64> = parts.collect();
    let whole: f64 = parts.iter().sum();
    parts
        .windows(2)
        .any(|two| two[0] + two[1] > CLICK_SHARE * whole)
}

fn median(mut values: Vec<u8>) -> u8 {
    if values.is_empty() {
        return 0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable(middle).1
}

/// Degrees of freedom of a cell's power: twice its bins, less for what the window makes
/// neighbours share (the chi-square law with the same mean and variance).
fn freedom(length: usize) -> f64 {
    let squares: Vec<f64> = window::window(length).iter().map(|w| w * w).collect();
    let whole: f64 = squares.iter().sum();
    let shared = |apart: usize| {
        let turn = 2.0 * std::f64::consts::PI * apart as f64 / length as f64;
        let parts = squares.iter().enumerate().map(|(n, w)| {
            let (sine, cosine) = (turn * n as f64).sin_cos();
            (w * cosine, w * sine)
        });
        let (re, im) = parts.fold((0.0, 0.0), |(a, b), (c, d)| (a + c, b + d));
        (re * re + im * im) / (whole * whole)
    };
    let bins = CODER_CELL_BINS as f64;
    let pairs =
        (1..CODER_CELL_BINS).map(|apart| 2.0 * (CODER_CELL_BINS - apart) as f64 * shared(apart));
    2.0 * bins * bins / (bins + pairs.sum::<f64>())
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    fn noise(seed: u64, count: usize) -> Vec<f32> {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..count)
            .map(|_| StandardNormal.sample(&mut random))
            .collect()
    }

    /// The law holds for noise: cells fall below their median as often as it says.
    #[test]
    fn powers_of_noise_follow_the_law() {
        let mut probe = CoderProbe::new(48_000.0);
        let (left, right) = (noise(1, 4_000_000), noise(2, 4_000_000));
        probe.push(&left, &right);
        let freedom = freedom(1024);
        assert!((8.0..14.0).contains(&freedom), "{freedom}");
        // a quarter of the median, which is a step of the scale
        let row = 2 * probe.cells;
        let (mut all, mut low) = (0.0, 0.0);
        for cell in 0..probe.cells {
            let column = probe.kept.iter().skip(2 * cell + 1).step_by(row);
            let column: Vec<u8> = column.copied().collect();
            let usual = median(column.clone());
            all += column.len() as f64;
            low += column.iter().filter(|v| **v + 8 < usual).count() as f64;
        }
        let usual = chi_square_quantile(0.5, freedom);
        // steps are a quarter of an octave, so the limit lies between these
        let law = |octaves: f64| all * chi_square_below(usual * (-octaves).exp2(), freedom);
        assert!(
            low < law(1.7) && low > law(2.6),
            "{low} of {all}: {} {}",
            law(1.7),
            law(2.6)
        );
        assert!(probe.unlikely() < 3.0, "{}", probe.unlikely());
    }

    /// Any blocks, and any length, give the same; what is missing is found.
    #[test]
    fn what_is_missing_is_found() {
        let (one, two) = (noise(3, 3_000_000), noise(4, 3_000_000));
        let right: Vec<f32> = one.iter().zip(&two).map(|(a, b)| a + 0.01 * b).collect();
        let mut whole = CoderProbe::new(96_000.0);
        whole.push(&one, &right);
        assert!(whole.unlikely() < 3.0, "{}", whole.unlikely());
        let mut blocks = CoderProbe::new(96_000.0);
        for (l, r) in one.chunks(1013).zip(right.chunks(1013)) {
            blocks.push(l, r);
        }
        assert_eq!(blocks.kept, whole.kept);
        // every fiftieth frame without its difference
        let mut coded = right.clone();
        for (frame, one) in coded.chunks_mut(2048).zip(one.chunks(2048)).step_by(50) {
            frame.copy_from_slice(one);
        }
        let mut probe = CoderProbe::new(96_000.0);
        probe.push(&one, &coded);
        assert!(probe.unlikely() > 20.0, "{}", probe.unlikely());
        // clicks that both channels have alike, in quiet passages
        let pairs = one.iter().zip(&two).enumerate();
        let (left, right): (Vec<f32>, Vec<f32>) = pairs
            .map(|(at, (a, b))| {
                let gain = if at / 8192 % 2 == 0 { 1.0 } else { 0.01 };
                let click = if at % 16_384 == 12_000 { 20.0 } else { 0.0 };
                (gain * a + click, 1.05 * gain * a + 0.003 * b + click)
            })
            .unzip();
        let mut clicks = CoderProbe::new(96_000.0);
        clicks.push(&left, &right);
        assert!(clicks.unlikely() < 3.0, "{}", clicks.unlikely());
        // an hour is no more than its part
        let mut long = CoderProbe::new(8_000.0);
        for _ in 0..40 {
            long.push(&one[..1_000_000], &right[..1_000_000]);
        }
        assert!(long.stride > 1 && long.kept.len() <= 2 * long.cells * MOST_CODER_FRAMES);
        assert!(long.unlikely() < 3.0, "{}", long.unlikely());
    }
}
