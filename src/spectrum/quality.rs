//! Signal quality: clipping, dropouts, level.

use super::frame::LANES;
use super::limits::{CELL, CLIPPED};

/// Counts kept while a signal passes.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SignalQuality {
    /// Samples taken in, per channel.
    pub samples: u64,
    /// Samples at full scale, both channels together.
    pub clipped: u64,
    /// Cells of exact zeros in one channel or both inside the programme.
    pub dropouts: u64,
    /// Frames with programme in them.
    pub frames: u64,
    /// The number of these that were rejected for a click or a dropout.
    pub rejected: u64,
    /// So many frames were rejected that the rejection was undone.
    pub rejection_undone: bool,
    /// Tracing distortion was removed: it was present, so the signal comes from two walls.
    pub traced: bool,
    /// Mean square of the louder channel in the loudest block of all, full
    /// scale 1, whether programme or not.
    pub loudest_power: f64,
    /// Mean square of the left channel over the modulated part, full scale 1.
    pub left_power: f64,
    /// Mean square of the right channel.
    pub right_power: f64,
}

impl SignalQuality {
    /// The quality of two parts of a signal together.
    pub(super) fn joined(&self, other: &Self) -> Self {
        let frames = self.frames + other.frames;
        let mean = |of: fn(&Self) -> f64| {
            let sum = of(self) * self.frames as f64 + of(other) * other.frames as f64;
            sum / frames.max(1) as f64
        };
        Self {
            samples: self.samples + other.samples,
            clipped: self.clipped + other.clipped,
            dropouts: self.dropouts + other.dropouts,
            frames,
            rejected: self.rejected + other.rejected,
            rejection_undone: self.rejection_undone || other.rejection_undone,
            traced: self.traced || other.traced,
            loudest_power: self.loudest_power.max(other.loudest_power),
            left_power: mean(|q| q.left_power),
            right_power: mean(|q| q.right_power),
        }
    }

    /// The quality since an earlier moment of the same signal; for the loudest
    /// block, the mean of the louder channel, since maxima cannot be taken apart.
    pub(super) fn since(&self, earlier: &Self) -> Self {
        let frames = self.frames.saturating_sub(earlier.frames);
        let sum = |q: &Self, power: f64| power * q.frames as f64;
        let mean = |of: fn(&Self) -> f64| {
            (sum(self, of(self)) - sum(earlier, of(earlier))).max(0.0) / frames.max(1) as f64
        };
        let (left_power, right_power) = (mean(|q| q.left_power), mean(|q| q.right_power));
        Self {
            samples: self.samples.saturating_sub(earlier.samples),
            clipped: self.clipped.saturating_sub(earlier.clipped),
            dropouts: self.dropouts.saturating_sub(earlier.dropouts),
            frames,
            rejected: self.rejected.saturating_sub(earlier.rejected),
            rejection_undone: self.rejection_undone,
            traced: self.traced,
            loudest_power: left_power.max(right_power),
            left_power,
            right_power,
        }
    }
}

/// Quality of one block of new samples (half a frame).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct BlockQuality {
    pub clipped: u32,
    pub dropouts: u32,
    pub left_power: f32,
    pub right_power: f32,
}

/// The larger one, by a comparison alone: unlike `f32::max` one instruction.
fn larger(a: f32, b: f32) -> f32 {
    if b > a { b } else { a }
}

/// Cells looked at together.
const CELLS: usize = 64;

/// Largest square of each cell of one channel, and the sum of all squares.
#[inline(never)]
fn squares(samples: &[f32]) -> ([f32; CELLS], f32) {
    let (mut peaks, mut sums) = ([0.0; CELLS], [0.0_f32; LANES]);
    for (cell, peak) in samples.as_chunks::<CELL>().0.iter().zip(&mut peaks) {
        let mut top = [0.0_f32; LANES];
        for values in cell.as_chunks::<LANES>().0 {
            for i in 0..LANES {
                let square = values[i] * values[i];
                top[i] = larger(top[i], square);
                sums[i] += square;
            }
        }
        *peak = top.into_iter().fold(0.0, larger);
    }
    (peaks, sums.iter().sum())
}

/// Inspects one block. Everything is computed from the squares, so the samples
/// are read once; those of a cell that clips, twice.
pub(super) fn inspect(left: &[f32], right: &[f32]) -> BlockQuality {
    let mut quality = BlockQuality::default();
    let whole = |samples: &[f32]| samples.len() / CELL * CELL;
    let (left, right) = (&left[..whole(left)], &right[..whole(right)]);
    let parts = left.chunks(CELLS * CELL).zip(right.chunks(CELLS * CELL));
    for (l, r) in parts {
        let ((l_peaks, l_sum), (r_peaks, r_sum)) = (squares(l), squares(r));
        quality.left_power += l_sum;
        quality.right_power += r_sum;
        let cells = l.chunks_exact(CELL).zip(r.chunks_exact(CELL));
        for ((l, r), peaks) in cells.zip(l_peaks.into_iter().zip(r_peaks)) {
            let (least, most) = (peaks.0.min(peaks.1), peaks.0.max(peaks.1));
            // a square is rounded, so that one of `CLIPPED` is surely found
            if most >= CLIPPED * CLIPPED {
                quality.clipped += l.iter().chain(r).filter(|v| v.abs() >= CLIPPED).count() as u32;
            }
            quality.dropouts += u32::from(least == 0.0);
        }
    }
    let samples = left.len().max(1) as f32;
    quality.left_power /= samples;
    quality.right_power /= samples;
    quality
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(n: usize, seed: u64) -> Vec<f32> {
        use rand::{RngExt, SeedableRng};
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..n)
            .map(|_| (0..12).map(|_| rng.random::<f32>()).sum::<f32>() * 0.01 - 0.06)
            .collect()
    }

    #[test]
    fn clipping_and_dropouts_are_counted() {
        let mut l = noise(4096, 5);
        let r = noise(4096, 6);
        l[17] = 1.0;
        l[18] = -1.0;
        l[1024..1024 + 2 * CELL].fill(0.0);
        let quality = inspect(&l, &r);
        assert_eq!((quality.clipped, quality.dropouts), (2, 2));
    }
}
