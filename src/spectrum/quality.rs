//! What is seen of the signal while it passes: clipping, dropouts, clicks.

/// Samples in a cell, the smallest stretch looked at: 0.7 ms at 96 kHz, about
/// the length of a click.
pub(super) const CELL: usize = 64;
/// A sample this near to full scale counts as clipped: one step of 16 bits.
const CLIPPED: f32 = 1.0 - 1.0 / 32_768.0;
/// A cell whose largest slope exceeds the median of its block's cells by this
/// factor stands out. Gaussian noise: the largest of a cell is about 2.4 sigma,
/// so the threshold lies near 10 sigma and noise does not reach it.
const STANDS_OUT: f32 = 4.0;
/// More cells than this fraction of a block standing out are programme, not a
/// click: clicks last a few milliseconds (common practice, no source).
const MOST_CLICK_CELLS: f64 = 0.15;

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
    /// Mean square of the left channel over the modulated part, full scale 1.
    pub left_power: f64,
    /// Mean square of the right channel.
    pub right_power: f64,
}

/// What one block of new samples (half a frame) looks like.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct BlockQuality {
    pub clipped: u32,
    pub dropouts: u32,
    pub click: bool,
    pub left_power: f32,
    pub right_power: f32,
}

/// Looks at one block. Clicks are short and steep: in the slope of the sum and
/// of the difference of the channels, a few cells stand out of their block's
/// median (a robust scale, so that one click cannot hide itself or another).
pub(super) fn inspect(left: &[f32], right: &[f32]) -> BlockQuality {
    let cells = left.len() / CELL;
    let mut steep_sum = Vec::with_capacity(cells);
    let mut steep_difference = Vec::with_capacity(cells);
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
        let (mut sum, mut difference) = ([0.0_f32; 8], [0.0_f32; 8]);
        for start in (0..CELL - 8).step_by(8) {
            for i in 0..8 {
                let dl = l[start + i + 1] - l[start + i];
                let dr = r[start + i + 1] - r[start + i];
                sum[i] = sum[i].max((dl + dr).abs());
                difference[i] = difference[i].max((dl - dr).abs());
            }
        }
        steep_sum.push(largest(sum));
        steep_difference.push(largest(difference));
    }
    quality.click = stands_out(&mut steep_sum) || stands_out(&mut steep_difference);
    quality.left_power = power_left / (cells * CELL).max(1) as f32;
    quality.right_power = power_right / (cells * CELL).max(1) as f32;
    quality
}

fn stands_out(cells: &mut [f32]) -> bool {
    if cells.len() < 4 {
        return false;
    }
    let middle = cells.len() / 2;
    let (_, median, _) = cells.select_nth_unstable_by(middle, f32::total_cmp);
    let threshold = *median * STANDS_OUT;
    let count = cells.iter().filter(|c| **c > threshold).count();
    count > 0 && (count as f64) <= MOST_CLICK_CELLS * cells.len() as f64
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
    fn noise_has_no_clicks_and_a_click_is_one() {
        let mut rejected = 0;
        for seed in 0..50 {
            let (l, r) = (noise(4096, seed), noise(4096, seed + 1000));
            rejected += u32::from(inspect(&l, &r).click);
        }
        assert_eq!(rejected, 0, "blocks of plain noise taken for clicks");
        let (mut l, r) = (noise(4096, 1), noise(4096, 2));
        for (i, v) in l[2000..2030].iter_mut().enumerate() {
            *v += 0.5 * (-(i as f32) / 6.0).exp();
        }
        assert!(inspect(&l, &r).click);
    }

    #[test]
    fn a_loud_onset_is_programme() {
        let mut l = noise(4096, 3);
        let mut r = noise(4096, 4);
        for i in 3000..4096 {
            l[i] *= 30.0;
            r[i] *= 30.0;
        }
        assert!(!inspect(&l, &r).click);
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
