//! The only home of the Fourier transform.

use super::tracing::SecondOrder;
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
    /// What tracing adds, before its filter.
    second: Vec<Complex<f32>>,
    common: Vec<f32>,
    opposed: Vec<f32>,
    squares: Vec<f32>,
}

impl Scratch {
    /// `Z` of the frame transformed last.
    pub fn spectrum(&self) -> &[Complex32] {
        &self.spectrum
    }

    /// The spectrum of its squared velocity.
    pub fn second(&self) -> &[Complex32] {
        &self.second
    }
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
            second: Vec::new(),
            common: Vec::new(),
            opposed: Vec::new(),
            squares: Vec::new(),
        }
    }

    fn transform(&self, left: &[f32], right: &[f32], scratch: &mut Scratch) {
        pack(&self.window, left, right, &mut scratch.frame);
        self.fft.process_outofplace_with_scratch(
            &mut scratch.frame,
            &mut scratch.spectrum,
            &mut scratch.fft,
        );
    }

    /// Transforms the channels, and the square of the velocity they share, the right one
    /// so many samples late; returns the sign by which they share it, -1 where one is
    /// inverted.
    pub fn with_second_order(
        &self,
        (second_order, late): (&SecondOrder, f32),
        (left, right): (&[f32], &[f32]),
        scratch: &mut Scratch,
    ) -> f32 {
        let length = self.window.len();
        let common = sum_of_lanes(length / LANES, |k, i| {
            left[k * LANES + i] * right[k * LANES + i]
        });
        let sign = 1.0_f32.copysign(common);
        for work in [
            &mut scratch.common,
            &mut scratch.opposed,
            &mut scratch.squares,
        ] {
            work.resize(length, 0.0);
        }
        scratch.second.resize(length, Complex::default());
        let work = [&mut scratch.common[..], &mut scratch.opposed[..]];
        second_order.squares((left, right), (sign, late), work, &mut scratch.squares);
        for (z, (w, square)) in scratch
            .frame
            .iter_mut()
            .zip(self.window.iter().zip(&scratch.squares))
        {
            *z = Complex::new(2.0 * w * square, 0.0);
        }
        self.fft.process_outofplace_with_scratch(
            &mut scratch.frame,
            &mut scratch.second,
            &mut scratch.fft,
        );
        self.transform(left, right, scratch);
        sign
    }

    /// `products` is planar: `|L|^2`, `|R|^2`, `Re L conj R`, `Im L conj R`.
    pub fn products(
        &self,
        left: &[f32],
        right: &[f32],
        scratch: &mut Scratch,
        products: &mut [f32],
    ) {
        self.transform(left, right, scratch);
        self.products_of(&scratch.spectrum, products);
    }

    /// The same without what tracing adds for a coefficient `k`, where the right channel is
    /// `late` samples late.
    pub fn products_without(
        &self,
        second_order: &SecondOrder,
        (k, late): (f32, f32),
        channels: (&[f32], &[f32]),
        scratch: &mut Scratch,
        products: &mut [f32],
    ) {
        let sign = self.with_second_order((second_order, late), channels, scratch);
        let z = &mut scratch.spectrum;
        let length = z.len();
        let turn = std::f32::consts::PI * late / length as f32;
        for bin in 1..self.bins {
            let added = scratch.second[bin] * second_order.filter()[bin] * (0.5 * k);
            let turned = Complex32::from_polar(1.0, turn * bin as f32);
            let (left, right) = (added * turned, added * turned.conj() * -sign);
            let i = Complex32::i();
            z[bin] -= left + i * right;
            z[length - bin] -= left.conj() + i * right.conj();
        }
        self.products_of(z, products);
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
fn pack(window: &[f32], left: &[f32], right: &[f32], packed: &mut [Complex<f32>]) {
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
