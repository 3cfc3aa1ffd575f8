//! The only home of the Fourier transform.

use super::Bin;
use super::window;
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

/// Turns one frame of both channels into its products by a single packed
/// complex transform `Z = FFT(L + iR)`, from which
/// `L_k = (Z_k + conj Z_(N-k)) / 2` and `R_k = (Z_k - conj Z_(N-k)) / 2i`.
pub(super) struct FrameTransform {
    fft: Arc<dyn Fft<f32>>,
    window: Vec<f32>,
    bins: usize,
}

/// Values taken together, so that the compiler uses vectors.
const LANES: usize = 8;

/// Sum of `term` over the indices `0..count`, in [`LANES`] running sums: single
/// precision keeps its digits and the compiler may use vectors.
#[inline(always)]
pub(super) fn sum_in_lanes(count: usize, term: impl Fn(usize) -> f32) -> f32 {
    let mut lanes = [0.0_f32; LANES];
    let whole = count - count % LANES;
    for start in (0..whole).step_by(LANES) {
        for (i, lane) in lanes.iter_mut().enumerate() {
            *lane += term(start + i);
        }
    }
    lanes.iter().sum::<f32>() + (whole..count).map(term).sum::<f32>()
}

/// Working memory of one thread.
pub(super) struct Scratch {
    frame: Vec<Complex<f32>>,
    fft: Vec<Complex<f32>>,
}

impl FrameTransform {
    pub fn new(length: usize, bins: usize) -> Self {
        Self {
            fft: FftPlanner::new().plan_fft_forward(length),
            window: window::window(length).iter().map(|w| *w as f32).collect(),
            bins,
        }
    }

    pub fn scratch(&self) -> Scratch {
        Scratch {
            frame: vec![Complex::default(); self.window.len()],
            fft: vec![Complex::default(); self.fft.get_inplace_scratch_len()],
        }
    }

    /// `products` is planar: `|L|^2`, `|R|^2`, `Re L conj R`, `Im L conj R`.
    pub fn products(
        &self,
        left: &[f32],
        right: &[f32],
        scratch: &mut Scratch,
        products: &mut [f32],
    ) {
        let length = self.window.len();
        for (((z, w), l), r) in scratch
            .frame
            .iter_mut()
            .zip(&self.window)
            .zip(left)
            .zip(right)
        {
            *z = Complex::new(l * w, r * w);
        }
        self.fft
            .process_with_scratch(&mut scratch.frame, &mut scratch.fft);
        let z = &scratch.frame;
        let (pl, rest) = products.split_at_mut(self.bins);
        let (pr, rest) = rest.split_at_mut(self.bins);
        let (re, im) = rest.split_at_mut(self.bins);
        (pl[0], pr[0]) = (z[0].re * z[0].re, z[0].im * z[0].im);
        (re[0], im[0]) = (z[0].re * z[0].im, 0.0);
        let ahead = &z[1..self.bins];
        let mirrored = &z[length - self.bins + 1..];
        let planes = [&mut pl[1..], &mut pr[1..], &mut re[1..], &mut im[1..]];
        separate(ahead, mirrored, planes);
    }
}

/// Products from `Z_k` (`ahead`) and `Z_(N-k)` (`mirrored`, backwards).
fn separate(ahead: &[Complex<f32>], mirrored: &[Complex<f32>], planes: [&mut [f32]; 4]) {
    let [pl, pr, re, im] = planes;
    let (whole, _) = ahead.as_chunks::<LANES>();
    let (_, whole_mirrored) = mirrored.as_rchunks::<LANES>();
    let mut done = 0;
    for (a, b) in whole.iter().zip(whole_mirrored.iter().rev()) {
        let span = done..done + LANES;
        let (pl, pr) = (&mut pl[span.clone()], &mut pr[span.clone()]);
        let (re, im) = (&mut re[span.clone()], &mut im[span]);
        for i in 0..LANES {
            let products = product(a[i], b[LANES - 1 - i]);
            (pl[i], pr[i], re[i], im[i]) = products;
        }
        done += LANES;
    }
    let rest = mirrored.iter().rev().skip(done);
    for (k, (a, b)) in ahead[done..].iter().zip(rest).enumerate() {
        let k = done + k;
        (pl[k], pr[k], re[k], im[k]) = product(*a, *b);
    }
}

#[inline(always)]
fn product(a: Complex<f32>, b: Complex<f32>) -> (f32, f32, f32, f32) {
    let (lr, li) = (0.5 * (a.re + b.re), 0.5 * (a.im - b.im));
    let (rr, ri) = (0.5 * (a.im + b.im), 0.5 * (b.re - a.re));
    (
        lr * lr + li * li,
        rr * rr + ri * ri,
        lr * rr + li * ri,
        li * rr - lr * ri,
    )
}

/// Generalised cross-correlation of weighted unit phasors: the real inverse
/// transform of `spectrum` (bin 0 first, one-sided) on a grid `oversampling`
/// times finer than the samples. Entry `i` is the value at a delay of
/// `i / oversampling` samples, negative delays from the end backwards. A
/// positive delay (right late) peaks at positive entries.
pub fn correlate(spectrum: &[Bin], length: usize, oversampling: usize) -> Vec<f64> {
    let size = length * oversampling;
    let mut planner = FftPlanner::<f64>::new();
    let fft = planner.plan_fft_forward(size);
    // sum over k of G_k exp(-i w_k t): a forward transform of G.
    let mut data = vec![Complex::default(); size];
    for (slot, bin) in data.iter_mut().zip(spectrum) {
        *slot = Complex::new(bin.re, bin.im);
    }
    fft.process(&mut data);
    data.into_iter().map(|v| v.re).collect()
}
