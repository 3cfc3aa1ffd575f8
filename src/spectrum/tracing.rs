//! Estimates the tracing distortion of a programme, and removes it.
//!
//! A tip of radius `r` along the groove follows, to second order, not the displacement
//! `a(x)` of a wall but `a + (r / 2) (da/dx)^2` (J. A. Pierce and F. V. Hunt, J.
//! Acoust. Soc. Am. 10, 1938, 14, from memory). The added part has the same sign on
//! both walls, where a lateral cut has opposite signs, so it moves the channels in
//! opposition:
//!
//! ```text
//! left = v + k d(v^2)/dt,   right = v - k d(v^2)/dt,   k = sqrt(2) r / (4 V^2)
//! ```
//!
//! with `v` the groove velocity (the recording, its playback equaliser undone) and
//! `V` the speed of the groove. For noise it averages out; for a voice, whose
//! harmonics are phase-locked, it does not, and biases the delay. But `v` is known,
//! so `k` is the only unknown, and is found by regression over some of the frames.

use super::distortion::{TracingDistortion, Work};
use super::engine::median;
use super::frame::{FrameTransform, Scratch};
use super::limits::{
    ANALYSIS_BAND_HZ, CHANGE_PER_S, COEFFICIENT_OUTLIER, FEWEST_IN_SEGMENT, MOST_CHANGE,
    NEIGHBOURS, SEGMENT_FRAMES, STRIDES, TRACING_CLICK_RATIO, TRACING_ROUNDS,
};
use super::window;
use crate::uncertainty::Warning;
use rustfft::num_complex::{Complex, Complex32};
use std::ops::Range;

/// The second-order part of tracing along a recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tracing {
    /// Coefficient in the middle, seconds times full scale.
    middle_s: f64,
    /// Its relative standard uncertainty by noise.
    relative_u: f64,
    /// Relative change of the groove's speed over half of the length, inwards positive.
    change: f64,
    /// First and last sample that the values come from.
    samples: (f64, f64),
    /// Power against the programme's, weighted by the square of frequency.
    power: f64,
}

impl Tracing {
    /// The coefficient `k` at a sample: the seconds that its unit of velocity, full scale at
    /// 1 kHz, takes. For a spherical tip of radius `r` metres it is `sqrt(2) r A / (4 V^2)`, where
    /// full scale stands for `A` and the groove passes at `V`, metres per second. It is
    /// negative where both channels are inverted.
    pub fn coefficient_s(&self, sample: f64) -> f64 {
        let (first, last) = self.samples;
        let half = 0.5 * (last - first);
        let place = (sample - first - half) / half.max(1.0);
        self.middle_s * (1.0 - self.change * place.clamp(-1.5, 1.5)).powi(-2)
    }

    /// Relative standard uncertainty of the coefficient by noise.
    pub fn relative_u(&self) -> f64 {
        self.relative_u
    }

    /// By how much the coefficient differs from another, relatively.
    pub fn differs_from(&self, other: &Self) -> f64 {
        (self.middle_s / other.middle_s - 1.0).abs()
    }

    /// Its power against the programme's, as a delay sees both: weighted by the square of
    /// frequency.
    pub(super) fn power(&self) -> f64 {
        self.power
    }

    /// Description in words.
    pub fn in_words(&self) -> String {
        format!(
            "the tip's radius adds opposed motion of the channels, {:.0} dB below the programme (tracing, second order)",
            -10.0 * self.power.max(1e-30).log10()
        )
    }
}

/// One frame of the regression, bin by bin: common signal, difference, and tracing
/// distortion for unit coefficient.
struct ProbedFrame {
    values: Vec<[Complex32; 3]>,
}

/// The coefficient by one segment.
#[derive(Debug, Clone, Copy)]
struct Segment {
    /// Middle of its frames, samples.
    sample: f64,
    coefficient: f64,
    variance: f64,
    /// Power of tracing distortion for a coefficient of 1, and of the programme.
    added: f64,
    shared: f64,
}

/// Estimates second-order tracing distortion from some of the frames of a recording.
pub struct TracingProbe {
    sample_rate_hz: f64,
    transform: FrameTransform,
    scratch: Scratch,
    distortion: TracingDistortion,
    work: Work,
    band: Range<usize>,
    /// The frame being gathered, and where it begins.
    frame: (Vec<f32>, Vec<f32>),
    next: u64,
    stride: u64,
    position: u64,
    probed: Vec<ProbedFrame>,
    /// Where the first of these begins.
    from: u64,
    segments: Vec<Segment>,
}

impl TracingProbe {
    /// A probe that has seen nothing of a recording of a sample rate in the engine's
    /// range, whose right channel is late by `delay_s` seconds as far as is known.
    pub fn new(sample_rate_hz: f64, delay_s: f64) -> Self {
        let length = window::frame_length(sample_rate_hz);
        let bin = |hz: f64| (hz * length as f64 / sample_rate_hz).round() as usize;
        let band = bin(ANALYSIS_BAND_HZ.0)..bin(ANALYSIS_BAND_HZ.1).min(length / 2);
        let transform = FrameTransform::new(length, band.end);
        let late = delay_s * sample_rate_hz;
        let distortion = TracingDistortion::new(sample_rate_hz, length, band.end, late);
        Self {
            sample_rate_hz,
            scratch: transform.scratch(),
            work: distortion.work(),
            distortion,
            transform,
            band,
            frame: (Vec::new(), Vec::new()),
            next: 0,
            stride: STRIDES.0,
            position: 0,
            probed: Vec::new(),
            from: 0,
            segments: Vec::new(),
        }
    }

    /// Takes in a block: two channels of equal length, full scale 1.
    pub fn push(&mut self, left: &[f32], right: &[f32]) {
        let length = self.transform.length();
        let end = self.position + left.len() as u64;
        while self.next + (self.frame.0.len() as u64) < end {
            let start = self.next + self.frame.0.len() as u64 - self.position;
            let start = start as usize;
            let count = (length - self.frame.0.len()).min(left.len() - start);
            self.frame.0.extend_from_slice(&left[start..start + count]);
            self.frame.1.extend_from_slice(&right[start..start + count]);
            if self.frame.0.len() < length {
                break;
            }
            self.probe();
        }
        self.position = end;
    }

    fn probe(&mut self) {
        if self.probed.is_empty() {
            self.from = self.next;
        }
        let probed = self.look();
        self.probed.push(probed);
        self.frame.0.clear();
        self.frame.1.clear();
        if self.probed.len() == SEGMENT_FRAMES {
            self.end_segment();
            self.stride = (2 * self.stride).min(STRIDES.1);
        }
        self.next += self.stride * self.transform.length() as u64 / 2;
    }

    /// The frame gathered.
    fn look(&mut self) -> ProbedFrame {
        let (left, right) = (&self.frame.0, &self.frame.1);
        let sign = self.distortion.find(left, right, &mut self.work);
        let z = self.transform.transform(left, right, &mut self.scratch);
        let Range { start, end } = self.band;
        let mirrored = z[z.len() + 1 - end..=z.len() - start].iter().rev();
        let added = &self.work.added()[start..end];
        let turns = &self.distortion.turns()[start..end];
        let values = z[start..end].iter().zip(mirrored).zip(added).zip(turns);
        let values = values.map(|(((a, b), added), turn)| {
            let b = b.conj();
            let l = turn.conj() * (a + b);
            let r = turn * Complex32::new(0.0, -sign) * (a - b);
            [(l + r) * 0.5, (l - r) * 0.5, *added]
        });
        ProbedFrame {
            values: values.collect(),
        }
    }

    fn end_segment(&mut self) {
        let segment = self.segment();
        self.segments.extend(segment);
        self.probed.clear();
    }

    /// The coefficient by the frames since the last segment.
    fn segment(&self) -> Option<Segment> {
        if self.probed.len() < FEWEST_IN_SEGMENT {
            return None;
        }
        let middle = 0.5 * (self.from + self.next + self.transform.length() as u64) as f64;
        Some(Segment {
            sample: middle,
            ..regress(&self.probed)?
        })
    }

    /// The result so far, if any.
    pub fn found(&self) -> Option<Tracing> {
        let segments: Vec<Segment> = self
            .segments
            .iter()
            .copied()
            .chain(self.segment())
            .collect();
        let sum = |of: &dyn Fn(&Segment) -> f64| segments.iter().map(of).sum::<f64>();
        let weight = sum(&|s| s.variance.recip());
        let mean = sum(&|s| s.coefficient / s.variance) / weight;
        let limit = const { Warning::Tracing.limit() };
        if segments.is_empty() || mean * mean * weight < limit * limit {
            return None;
        }
        let samples = (segments[0].sample, segments.last()?.sample);
        let (middle_s, change) = along(&segments, self.sample_rate_hz, mean);
        let tracing = Tracing {
            middle_s,
            relative_u: (mean * mean * weight).sqrt().recip(),
            change,
            samples,
            power: 0.0,
        };
        let added = |s: &Segment| s.added * tracing.coefficient_s(s.sample).powi(2);
        Some(Tracing {
            power: sum(&added) / sum(&|s| s.shared),
            ..tracing
        })
    }
}

/// Coefficient in the middle, and change of speed: `k / (1 - c u)^2` with `u` from -1 to
/// 1 along the segments, fitted to their values and to what is known of `c` by Gauss and
/// Newton's steps from the mean. The radius, and so the speed, changes steadily.
fn along(segments: &[Segment], sample_rate_hz: f64, mean: f64) -> (f64, f64) {
    let [first, .., last] = segments else {
        return (mean, 0.0);
    };
    let (first, half) = (first.sample, 0.5 * (last.sample - first.sample));
    let prior = (CHANGE_PER_S * half / sample_rate_hz).powi(-2);
    let (mut middle, mut change) = (mean, 0.0_f64);
    for _ in 0..10 {
        let (mut aa, mut ab, mut ar) = (0.0, 0.0, 0.0);
        let (mut bb, mut br) = (prior, -prior * change);
        for s in segments {
            let u = (s.sample - first - half) / half;
            let speed = 1.0 - change * u;
            let (a, b) = (speed.powi(-2), 2.0 * middle * u * speed.powi(-3));
            let rest = s.coefficient - middle * a;
            aa += a * a / s.variance;
            ab += a * b / s.variance;
            bb += b * b / s.variance;
            ar += a * rest / s.variance;
            br += b * rest / s.variance;
        }
        let determinant = aa * bb - ab * ab;
        if determinant <= 0.0 {
            return (mean, 0.0);
        }
        middle += (bb * ar - ab * br) / determinant;
        change = (change + (aa * br - ab * ar) / determinant).clamp(-MOST_CHANGE, MOST_CHANGE);
    }
    (middle, change)
}

/// Sums of one bin over frames: `|S|^2`, `D conj S`, `Q conj S`, `|Q|^2`,
/// `Re D conj Q` and `|D|^2`.
#[derive(Clone, Copy, Default)]
struct BinSums {
    ss: f64,
    ds: Complex<f64>,
    qs: Complex<f64>,
    qq: f64,
    dq: f64,
    dd: f64,
    /// `|Q|^2` before anything is taken out.
    added: f64,
}

impl BinSums {
    /// Takes out what follows the shared signal: gain, delay and crosstalk of the bin,
    /// whatever they are.
    fn projected(self) -> Self {
        let ss = self.ss.max(f64::MIN_POSITIVE);
        Self {
            added: self.qq,
            qq: (self.qq - self.qs.norm_sqr() / ss).max(0.0),
            dq: self.dq - (self.ds * self.qs.conj()).re / ss,
            dd: (self.dd - self.ds.norm_sqr() / ss).max(0.0),
            ..self
        }
    }

    /// Power that a coefficient leaves unexplained.
    fn rest(&self, k: f64) -> f64 {
        (self.dd - 2.0 * k * self.dq + k * k * self.qq).max(0.0)
    }
}

/// Regresses the difference of the channels on tracing distortion. Bins are weighted by
/// their noise, frames by how little impulsive they are. Frames with clicks are rejected:
/// first, one by one, those that disagree with the rest, in the order of their influence,
/// then those with a large residual.
fn regress(frames: &[ProbedFrame]) -> Option<Segment> {
    let mut weights: Vec<f64> = frames.iter().map(ProbedFrame::smoothness).collect();
    loop {
        let count = weights.iter().filter(|w| **w > 0.0).count();
        if count < FEWEST_IN_SEGMENT {
            return None;
        }
        // their scale is free: the mean is 1
        let scale = count as f64 / weights.iter().sum::<f64>();
        weights.iter_mut().for_each(|w| *w *= scale);
        let sums = summed(frames, &weights);
        let (k, noise) = weighted_regression(&sums, count);
        let residuals: Vec<FrameResidual> = frames
            .iter()
            .zip(&weights)
            .map(|(frame, weight)| frame.residual(&sums, &noise, k, *weight))
            .collect();
        let disagreeing =
            (0..frames.len()).filter(|i| weights[*i] > 0.0 && !residuals[*i].agrees(k));
        let pull = |i: &usize| residuals[*i].score.abs();
        if let Some(worst) = disagreeing.max_by(|a, b| pull(a).total_cmp(&pull(b))) {
            weights[worst] = 0.0;
            continue;
        }
        let usual = TRACING_CLICK_RATIO * median(residuals.iter().map(|s| s.power));
        let impulsive = |i: &usize| weights[*i] > 0.0 && residuals[*i].power > usual;
        let clicks: Vec<usize> = (0..frames.len()).filter(impulsive).collect();
        if !clicks.is_empty() {
            clicks.iter().for_each(|i| weights[*i] = 0.0);
            continue;
        }
        let power: f64 = residuals.iter().map(|s| s.weight).sum();
        // by the noise, and by how frames differ, as what is left need be no noise
        let chance: f64 = residuals
            .iter()
            .zip(&weights)
            .map(|(s, w)| 0.5 * s.weight * w)
            .sum();
        let scatter: f64 = residuals.iter().map(|s| s.score * s.score).sum();
        let scatter = scatter * count as f64 / (count as f64 - 1.0);
        let segment = Segment {
            sample: 0.0,
            coefficient: k,
            variance: chance.max(scatter) / (power * power),
            added: by_frequency(&sums, |s| s.added),
            shared: by_frequency(&sums, |s| s.ss),
        };
        return (k.is_finite() && segment.variance > 0.0).then_some(segment);
    }
}

/// Sum weighted by the square of frequency, as a delay sees the bins. The band begins
/// so near to 0 Hz that the index in it will do.
fn by_frequency(sums: &[BinSums], of: fn(&BinSums) -> f64) -> f64 {
    let weighted = |(bin, sum): (usize, &BinSums)| (bin as f64).powi(2) * of(sum);
    sums.iter().enumerate().map(weighted).sum()
}

/// The coefficient and the noise of each bin, in turns.
fn weighted_regression(sums: &[BinSums], frames: usize) -> (f64, Vec<f64>) {
    let (mut k, mut noise) = (0.0, Vec::new());
    for _ in 0..TRACING_ROUNDS {
        noise = noise_of(sums, k, frames);
        let weighted = |of: fn(&BinSums) -> f64| -> f64 {
            sums.iter().zip(&noise).map(|(s, n)| of(s) / n).sum()
        };
        k = weighted(|s| s.dq) / weighted(|s| s.qq);
    }
    (k, noise)
}

fn summed(frames: &[ProbedFrame], weights: &[f64]) -> Vec<BinSums> {
    let mut sums = vec![BinSums::default(); frames[0].values.len()];
    for (frame, weight) in frames.iter().zip(weights).filter(|(_, w)| **w > 0.0) {
        for (sum, [s, d, q]) in sums.iter_mut().zip(frame.values()) {
            sum.ss += weight * s.norm_sqr();
            sum.ds += weight * d * s.conj();
            sum.qs += weight * q * s.conj();
            sum.qq += weight * q.norm_sqr();
            sum.dq += weight * (d * q.conj()).re;
            sum.dd += weight * d.norm_sqr();
        }
    }
    sums.into_iter().map(BinSums::projected).collect()
}

/// Power of the noise in each bin and frame, smoothed over its neighbours.
fn noise_of(sums: &[BinSums], k: f64, frames: usize) -> Vec<f64> {
    let rests: Vec<f64> = sums.iter().map(|s| s.rest(k)).collect();
    (0..rests.len())
        .map(|bin| {
            let range = bin.saturating_sub(NEIGHBOURS)..(bin + NEIGHBOURS + 1).min(rests.len());
            let count = range.len() as f64 * (frames as f64 - 1.0);
            (rests[range].iter().sum::<f64>() / count).max(f64::MIN_POSITIVE)
        })
        .collect()
}

/// Residual of one frame.
struct FrameResidual {
    /// Power of the residual, over the noise.
    power: f64,
    /// Its part in the normal equation of the coefficient, and what it adds to its
    /// weight.
    score: f64,
    weight: f64,
    /// Standard uncertainty of its own coefficient.
    u: f64,
}

impl FrameResidual {
    /// Whether its own coefficient agrees with that of all.
    fn agrees(&self, k: f64) -> bool {
        (self.score / self.weight).abs()
            <= COEFFICIENT_OUTLIER.0 * self.u + COEFFICIENT_OUTLIER.1 * k.abs()
    }
}

impl ProbedFrame {
    /// Shared, opposed and added, of each bin.
    fn values(&self) -> impl Iterator<Item = [Complex<f64>; 3]> {
        let double = |v: Complex32| Complex::new(f64::from(v.re), f64::from(v.im));
        self.values.iter().map(move |values| values.map(double))
    }

    /// The square of the programme's power over the power of what tracing would add:
    /// small where a click is squared.
    fn smoothness(&self) -> f64 {
        let (shared, added) = self
            .values()
            .fold((0.0, 0.0), |(s, q), [shared, _, added]| {
                (s + shared.norm_sqr(), q + added.norm_sqr())
            });
        match added > 0.0 {
            true => shared * shared / added,
            false => 0.0,
        }
    }

    fn residual(&self, sums: &[BinSums], noise: &[f64], k: f64, weight: f64) -> FrameResidual {
        let mut residual = FrameResidual {
            power: 0.0,
            score: 0.0,
            weight: 0.0,
            u: 0.0,
        };
        for ((sum, noise), [s, d, q]) in sums.iter().zip(noise).zip(self.values()) {
            let ss = sum.ss.max(f64::MIN_POSITIVE);
            let added = q - sum.qs / ss * s;
            let rest = d - sum.ds / ss * s - added * k;
            residual.power += rest.norm_sqr() / noise;
            residual.score += (rest * added.conj()).re / noise;
            residual.weight += added.norm_sqr() / noise;
        }
        FrameResidual {
            u: (0.5 / residual.weight).sqrt(),
            score: weight * residual.score,
            weight: weight * residual.weight,
            ..residual
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn segments(seconds: f64, k: f64, change: f64, u: f64) -> Vec<Segment> {
        (0..=10)
            .map(|i| {
                let place = f64::from(i) / 5.0 - 1.0;
                Segment {
                    sample: 48_000.0 * seconds * f64::from(i) / 10.0,
                    // up and down by one standard uncertainty in turn
                    coefficient: k / (1.0 - change * place).powi(2)
                        + if i % 2 == 0 { u } else { -u },
                    variance: u.max(1e-3 * k).powi(2),
                    added: 1.0,
                    shared: 1.0,
                }
            })
            .collect()
    }

    #[test]
    fn a_side_is_followed_inwards() {
        // 146 mm to 60 mm in 20 minutes
        let change = (146.0 - 60.0) / (146.0 + 60.0);
        let side = segments(1200.0, 2e-5, change, 0.0);
        let (middle, found) = along(&side, 48_000.0, 3e-5);
        assert_relative_eq!(middle, 2e-5, max_relative = 1e-3);
        assert_relative_eq!(found, change, max_relative = 1e-3);
    }

    /// In ten seconds no groove changes by much, whatever the values scatter.
    #[test]
    fn a_short_recording_has_one_coefficient() {
        let mut short = segments(10.0, 2e-5, 0.0, 2e-5);
        short[10].coefficient = 9e-5;
        let (middle, change) = along(&short, 48_000.0, 2e-5);
        assert!(change.abs() < 0.01, "{change}");
        assert!((middle / 2e-5 - 1.0).abs() < 0.5, "{middle:e}");
    }
}
