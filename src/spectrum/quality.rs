//! What is seen of the samples while they pass: clipping, dropouts, level.

/// Samples in a cell, the smallest stretch looked at: 0.7 ms at 96 kHz.
pub(super) const CELL: usize = 64;
/// A sample this near to full scale counts as clipped: one step of 16 bits.
pub const CLIPPED: f32 = 1.0 - 1.0 / 32_768.0;

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
    /// Of these, frames rejected for a click or a dropout.
    pub rejected: u64,
    /// Rejected frames were so many that they were taken back as programme.
    pub rejection_undone: bool,
    /// Mean square of the louder channel in the loudest block of all, full
    /// scale 1, whether programme or not.
    pub loudest_power: f64,
    /// Mean square of the left channel over the modulated part, full scale 1.
    pub left_power: f64,
    /// Mean square of the right channel.
    pub right_power: f64,
}

impl SignalQuality {
    /// What was seen since an earlier moment of the same signal; the loudest
    /// frame is that of the whole, since maxima cannot be taken apart.
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
            loudest_power: left_power.max(right_power),
            left_power,
            right_power,
        }
    }
}

/// What one block of new samples (half a frame) looks like.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct BlockQuality {
    pub clipped: u32,
    pub dropouts: u32,
    pub left_power: f32,
    pub right_power: f32,
}

/// Looks at one block.
pub(super) fn inspect(left: &[f32], right: &[f32]) -> BlockQuality {
    let cells = left.len() / CELL;
    let mut quality = BlockQuality::default();
    let (mut power_left, mut power_right) = (0.0_f32, 0.0_f32);
    for (l, r) in left.chunks_exact(CELL).zip(right.chunks_exact(CELL)) {
        let (mut top_l, mut top_r) = ([0.0_f32; 8], [0.0_f32; 8]);
        let (mut sq_l, mut sq_r) = ([0.0_f32; 8], [0.0_f32; 8]);
        for (l, r) in l.chunks_exact(8).zip(r.chunks_exact(8)) {
            for i in 0..8 {
                top_l[i] = top_l[i].max(l[i].abs());
                top_r[i] = top_r[i].max(r[i].abs());
                sq_l[i] += l[i] * l[i];
                sq_r[i] += r[i] * r[i];
            }
        }
        let largest = |lanes: [f32; 8]| lanes.into_iter().fold(0.0_f32, f32::max);
        let (peak_l, peak_r) = (largest(top_l), largest(top_r));
        power_left += sq_l.iter().sum::<f32>();
        power_right += sq_r.iter().sum::<f32>();
        if peak_l >= CLIPPED || peak_r >= CLIPPED {
            quality.clipped += l.iter().chain(r).filter(|v| v.abs() >= CLIPPED).count() as u32;
        }
        if peak_l == 0.0 || peak_r == 0.0 {
            quality.dropouts += 1;
        }
    }
    quality.left_power = power_left / (cells * CELL).max(1) as f32;
    quality.right_power = power_right / (cells * CELL).max(1) as f32;
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
