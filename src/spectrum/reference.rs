//! The slow, obvious oracle of the fast path: double precision, one real
//! transform a channel, one frame at a time, no parallelism. Every frame counts.

use super::{Bin, window};
use realfft::RealFftPlanner;

/// Sums the cross-spectral matrix over all whole frames of both channels;
/// one entry a bin from 0 Hz to half the sample rate.
pub fn cross_spectrum(left: &[f64], right: &[f64], frame_length: usize) -> Vec<Bin> {
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(frame_length);
    let weights = window::window(frame_length);
    let (mut l, mut r) = (fft.make_input_vec(), fft.make_input_vec());
    let (mut zl, mut zr) = (fft.make_output_vec(), fft.make_output_vec());
    let mut sums = vec![Bin::default(); frame_length / 2 + 1];
    let mut start = 0;
    while start + frame_length <= left.len().min(right.len()) {
        for n in 0..frame_length {
            l[n] = left[start + n] * weights[n];
            r[n] = right[start + n] * weights[n];
        }
        // The buffers were made by the plan itself, so their lengths fit.
        let done = fft
            .process(&mut l, &mut zl)
            .and(fft.process(&mut r, &mut zr));
        debug_assert!(done.is_ok());
        for (sum, (a, b)) in sums.iter_mut().zip(zl.iter().zip(&zr)) {
            let cross = a * b.conj();
            sum.add(&Bin {
                left: a.norm_sqr(),
                right: b.norm_sqr(),
                re: cross.re,
                im: cross.im,
            });
        }
        start += frame_length / 2;
    }
    sums
}
