//! The Fourier transform of the channels (that of a squared velocity is in
//! [`super::distortion`]).

use super::distortion::{TracingDistortion, Work};
use super::{Bin, window};
use rustfft::num_complex::{Complex, Complex32};
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

/// Turns one frame of both channels into its products by a single packed
/// complex transform `Z = FFT((L + iR) / 2)`, from which
/// `L_k = Z_k + conj Z_(N-k)` and `R_k = (Z_k - conj Z_(N-k)) / i`.
pub(super) struct FrameTransform {
    fft: Arc<dyn Fft<f32>>,
    /// Half of the analysis window.
    window: Vec<f32>,
    bins: usize,
}

/// Working memory of one thread.
pub(super) struct Scratch {
    frame: Vec<Complex<f32>>,
    spectrum: Vec<Complex<f32>>,
    fft: Vec<Complex<f32>>,
}

impl FrameTransform {
    pub fn new(length: usize, bins: usize) -> Self {
        let half = |w: &f64| 0.5 * *w as f32;
        Self {
            fft: FftPlanner::new().plan_fft_forward(length),
            window: window::window(length).iter().map(half).collect(),
            bins,
        }
    }

    /// Samples in a frame.
    pub fn length(&self) -> usize {
        self.window.len()
    }

    pub fn scratch(&self) -> Scratch {
        let zeros = |count: usize| vec![Complex::default(); count];
        Scratch {
            frame: zeros(self.window.len()),
            spectrum: zeros(self.window.len()),
            fft: zeros(self.fft.get_outofplace_scratch_len()),
        }
    }

    /// `Z` of a frame.
    pub fn transform<'a>(
        &self,
        left: &[f32],
        right: &[f32],
        scratch: &'a mut Scratch,
    ) -> &'a mut [Complex32] {
        pack(&self.window, left, right, &mut scratch.frame);
        self.fft.process_outofplace_with_scratch(
            &mut scratch.frame,
            &mut scratch.spectrum,
            &mut scratch.fft,
        );
        &mut scratch.spectrum
    }

    /// `products` is planar: `|L|^2`, `|R|^2`, `Re L conj R`, `Im L conj R`.
    pub fn products(
        &self,
        left: &[f32],
        right: &[f32],
        scratch: &mut Scratch,
        products: &mut [f32],
    ) {
        let z = self.transform(left, right, scratch);
        self.products_of(z, products);
    }

    /// The same without second-order tracing distortion of coefficient `k`. Returns
    /// its power over the programme's, both weighted by the square of frequency.
    pub fn products_without(
        &self,
        (distortion, k): (&TracingDistortion, f32),
        [left, right]: [&[f32]; 2],
        (scratch, work): (&mut Scratch, &mut Work),
        products: &mut [f32],
    ) -> f32 {
        let sign = distortion.find(left, right, work);
        let z = self.transform(left, right, scratch);
        let length = z.len();
        let (mut programme, mut removed) = (0.0, 0.0);
        let bins = work.added().iter().zip(distortion.turns()).enumerate();
        for (bin, (added, turn)) in bins.skip(1) {
            // half of what is in either channel
            let added = added * (0.5 * k);
            let (left, right) = (added * turn, added * turn.conj() * -sign);
            let i = Complex32::i();
            let weight = (bin * bin) as f32;
            programme += weight * (z[bin].norm_sqr() + z[length - bin].norm_sqr());
            removed += weight * 4.0 * added.norm_sqr();
            z[bin] -= left + i * right;
            z[length - bin] -= left.conj() + i * right.conj();
        }
        self.products_of(z, products);
        removed / programme.max(f32::MIN_POSITIVE)
    }

    fn products_of(&self, z: &[Complex32], products: &mut [f32]) {
        let (left, rest) = products.split_at_mut(self.bins);
        let (right, rest) = rest.split_at_mut(self.bins);
        let (re, im) = rest.split_at_mut(self.bins);
        let (l, r) = (2.0 * z[0].re, 2.0 * z[0].im);
        (left[0], right[0], re[0], im[0]) = (l * l, r * r, l * r, 0.0);
        separate(
            &z[1..self.bins],
            &z[z.len() - self.bins + 1..],
            [&mut left[1..], &mut right[1..], &mut re[1..], &mut im[1..]],
        );
    }
}

/// `w (L + iR)`.
#[inline(never)]
pub(super) fn pack(window: &[f32], left: &[f32], right: &[f32], packed: &mut [Complex<f32>]) {
    let samples = window.iter().zip(left).zip(right);
    for (z, ((w, l), r)) in packed.iter_mut().zip(samples) {
        *z = Complex::new(l * w, r * w);
    }
}

/// Products from `Z_k` (`ahead`) and `Z_(N-k)` (`mirrored`, backwards). By index
/// and with lengths known to be equal: so the compiler uses vectors, as it does
/// not through iterators (measured three times as fast).
#[inline(never)]
fn separate(ahead: &[Complex<f32>], mirrored: &[Complex<f32>], planes: [&mut [f32]; 4]) {
    let count = ahead.len();
    let mirrored = &mirrored[..count];
    let [left, right, re, im] = planes.map(|plane| &mut plane[..count]);
    for k in 0..count {
        let (a, b) = (ahead[k], mirrored[count - 1 - k]);
        let (l_re, l_im) = (a.re + b.re, a.im - b.im);
        let (r_re, r_im) = (a.im + b.im, b.re - a.re);
        left[k] = l_re * l_re + l_im * l_im;
        right[k] = r_re * r_re + r_im * r_im;
        re[k] = l_re * r_re + l_im * r_im;
        im[k] = l_im * r_re - l_re * r_im;
    }
}

/// Values taken together, so that the compiler uses vectors. Functions with such
/// loops are never inlined: in the midst of other code the compiler took single
/// values for vectors at times, many times as slow (measured).
pub(super) const LANES: usize = 8;

/// Sum of the terms of each lane of each of `count` vectors, in as many running
/// sums as there are lanes: so single precision keeps its digits.
#[inline(always)]
pub(super) fn sum_of_lanes(count: usize, term: impl Fn(usize, usize) -> f32) -> f32 {
    let mut sums = [0.0_f32; LANES];
    for k in 0..count {
        for (i, sum) in sums.iter_mut().enumerate() {
            *sum += term(k, i);
        }
    }
    sums.iter().sum()
}

/// Powers of the spectrum of real samples, at as many frequencies as `size` has.
pub(super) fn powers(samples: &[f64], size: usize) -> Vec<f64> {
    let mut data = vec![Complex::default(); size];
    for (slot, sample) in data.iter_mut().zip(samples) {
        slot.re = *sample;
    }
    FftPlanner::new().plan_fft_forward(size).process(&mut data);
    data.iter().map(Complex::norm_sqr).collect()
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
