//! Streaming engine: takes samples in blocks of any size, gives a snapshot at any time.

use super::distortion::{TracingDistortion, Work};
use super::frame::{FrameTransform, LANES, Scratch, sum_of_lanes};
use super::groups::Groups;
use super::limits::{
    ACTIVITY_RATIO, CLICK_RATIO, COMMON_ERROR, HALF_WEIGHT_ERROR, IMPULSE_RATIO, LEAD_IN_RATIO,
    LEARN_AFTER, LEARN_FRACTION, LEARN_FROM, LEAST_ERROR, LEAST_RESIDUAL, LEVEL_BAND_HZ,
    LEVEL_CLAMP, LEVEL_S, LONG_PAUSE_S, MEDIAN_EVERY, MEDIAN_FRAMES, MOST_QUIET_FRAMES, PAUSE_S,
    PREDICTOR_ROUNDS, QUIET_SPREAD, SAMPLE_RATES_HZ, SHORTEST_LATER_S, SHORTEST_S,
};
use super::quality::{self, BlockQuality, SignalQuality};
use super::tracing::Tracing;
use super::{Bin, CrossSpectrum, Group, HIGHEST_HZ, RunningSums, window};
use crate::uncertainty::Warning;
use rayon::prelude::*;
use rustfft::num_complex::Complex64;
use std::collections::VecDeque;
use std::ops::Range;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use thiserror::Error;

/// Most frames transformed together, in parallel, while those before are taken
/// in, in their order: so the number has no effect on any result.
const BATCH: usize = 32;
/// Least number of frames passed to the threads: fewer are kept until more
/// arrive.
const FEWEST: usize = 8;

/// Settings of an engine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EngineSettings {
    /// Sample rate, hertz.
    pub sample_rate_hz: f64,
    /// Samples by which the right channel is advanced against the left, for
    /// delays that are not small against a frame; 0 for any stylus.
    pub alignment: i64,
    /// Whether everything pushed is the modulated part (the user said so), or
    /// the modulated part is to be found.
    pub whole: bool,
}

/// Settings that cannot be met.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum SettingsError {
    /// The sample rate is out of range.
    #[error("sample rate {0} Hz is not between 8000 and 768000 Hz")]
    SampleRate(f64),
    /// The alignment is larger than in any recording.
    #[error(
        "an alignment of {0} samples is more than a second; give less, since the channels of one recording lie closer"
    )]
    Alignment(i64),
}

/// Samples of one channel, not yet in frames.
struct Channel {
    /// Samples still to be dropped for the alignment.
    skip: u64,
    /// Samples from the start of the next frame on: those kept, and as many of
    /// the new ones as the frames that begin in them need.
    kept: Vec<f32>,
    /// How many of these are new.
    joined: usize,
}

impl Channel {
    fn advanced(samples: i64) -> Self {
        Self {
            skip: samples.max(0) as u64,
            kept: Vec::new(),
            joined: 0,
        }
    }

    /// Takes new samples in; returns those that the alignment leaves of them.
    fn join<'a>(&mut self, samples: &'a [f32], frame_length: usize) -> &'a [f32] {
        let dropped = self.skip.min(samples.len() as u64);
        self.skip -= dropped;
        let new = &samples[dropped as usize..];
        self.joined = new.len().min(frame_length);
        self.kept.extend_from_slice(&new[..self.joined]);
        new
    }

    fn stretch<'a>(&'a self, new: &'a [f32]) -> Samples<'a> {
        Samples {
            kept: &self.kept,
            before: self.kept.len() - self.joined,
            new,
        }
    }

    /// Keeps what comes after the first `done` samples.
    fn keep(&mut self, done: usize, new: &[f32]) {
        let before = self.kept.len() - self.joined;
        if done < before {
            self.kept.extend_from_slice(&new[self.joined..]);
            self.kept.drain(..done);
        } else {
            self.kept.clear();
            self.kept.extend_from_slice(&new[done - before..]);
        }
        self.joined = 0;
    }
}

/// The samples kept and the new ones, as one; no frame needs a copy of its own.
#[derive(Clone, Copy)]
struct Samples<'a> {
    kept: &'a [f32],
    /// Samples before the first new one.
    before: usize,
    new: &'a [f32],
}

impl<'a> Samples<'a> {
    fn len(&self) -> usize {
        self.before + self.new.len()
    }

    /// Samples from `start` on, at most a frame of them.
    fn frame(&self, start: usize, length: usize) -> &'a [f32] {
        match start.checked_sub(self.before) {
            Some(start) => &self.new[start..start + length],
            None => &self.kept[start..start + length],
        }
    }
}

/// Statistics of one frame, and of the half of its samples that is new.
#[derive(Debug, Clone, Copy, Default)]
struct FrameStatistics {
    block: BlockQuality,
    levels: FrameLevels,
    residual: f64,
    /// A click is squared in it.
    impulsive: bool,
}

/// Frames transformed together.
struct Batch {
    first_frame: u64,
    /// The block before the first frame, where no batch came before.
    before: Option<BlockQuality>,
    statistics: Vec<FrameStatistics>,
    /// Planes of each frame, see [`FrameTransform::products`].
    products: Vec<f32>,
    /// With what the residuals were computed.
    transfer: Arc<TransferFunction>,
}

impl Batch {
    fn empty(transfer: Arc<TransferFunction>) -> Self {
        Self {
            first_frame: 0,
            before: None,
            statistics: Vec::new(),
            products: Vec::new(),
            transfer,
        }
    }
}

/// Tracing distortion to be removed from each frame.
struct TracingRemoval {
    distortion: TracingDistortion,
    tracing: Tracing,
    /// Working memory, one for each thread.
    work: Vec<Mutex<Work>>,
}

/// The working memory of a thread, which a panic elsewhere cannot leave half changed in a
/// way that matters.
fn locked<T>(memory: &Mutex<T>) -> MutexGuard<'_, T> {
    memory.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Processing of each frame by itself, on any thread.
struct Transformer {
    transform: FrameTransform,
    bins: usize,
    band: LevelBand,
    /// Distortion to be removed.
    tracing: Option<TracingRemoval>,
    /// Working memory, one for each thread.
    scratch: Vec<Mutex<Scratch>>,
}

impl Transformer {
    fn new(frame_length: usize, bins: usize, band: LevelBand) -> Self {
        let transform = FrameTransform::new(frame_length, bins);
        let scratch = || Mutex::new(transform.scratch());
        Self {
            scratch: std::iter::repeat_with(scratch)
                .take(rayon::current_num_threads())
                .collect(),
            transform,
            bins,
            band,
            tracing: None,
        }
    }

    fn frame_length(&self) -> usize {
        self.transform.length()
    }

    /// Fills a batch, whose first frame and transfer are set, from the frames of a
    /// stretch.
    fn fill(&self, batch: &mut Batch, left: Samples, right: Samples, frames: Range<usize>) {
        let (length, planes) = (self.frame_length(), 4 * self.bins);
        let hop = length / 2;
        let inspect =
            |start: usize| quality::inspect(left.frame(start, hop), right.frame(start, hop));
        batch.before = (batch.first_frame == 0).then(|| inspect(frames.start * hop));
        batch
            .statistics
            .resize(frames.len(), FrameStatistics::default());
        batch.products.resize(frames.len() * planes, 0.0);
        let transfer = &batch.transfer;
        // samples that came before the stretch
        let before = batch.first_frame as usize * hop - frames.start * hop;
        let each = batch.products.par_chunks_exact_mut(planes);
        let each = each.zip(&mut batch.statistics).zip(frames).with_max_len(1);
        each.for_each(|((products, statistics), frame)| {
            let start = frame * hop;
            let thread = rayon::current_thread_index().unwrap_or(0) % self.scratch.len();
            let mut scratch = locked(&self.scratch[thread]);
            let channels = [left.frame(start, length), right.frame(start, length)];
            let impulsive = match &self.tracing {
                None => {
                    let [left, right] = channels;
                    self.transform.products(left, right, &mut scratch, products);
                    false
                }
                Some(removal) => {
                    let middle = (before + start + hop) as f64;
                    let k = removal.tracing.coefficient_s(middle) as f32;
                    let share = self.transform.products_without(
                        (&removal.distortion, k),
                        channels,
                        (&mut scratch, &mut locked(&removal.work[thread])),
                        products,
                    );
                    f64::from(share) > IMPULSE_RATIO * removal.tracing.power()
                }
            };
            *statistics = FrameStatistics {
                block: inspect(start + hop),
                levels: self.band.levels(products),
                residual: transfer.residual(products),
                impulsive,
            };
        });
    }
}

/// Computes cross-spectra of samples, in bounded memory.
pub struct Engine {
    settings: EngineSettings,
    left: Channel,
    right: Channel,
    transformer: Transformer,
    /// Frames transformed and not yet taken in, and room for the next ones.
    batch: Batch,
    spare: Batch,
    activity: Activity,
}

impl Engine {
    /// An engine without samples yet.
    pub fn new(settings: EngineSettings) -> Result<Self, SettingsError> {
        let rate = settings.sample_rate_hz;
        if !SAMPLE_RATES_HZ.contains(&rate) {
            return Err(SettingsError::SampleRate(rate));
        }
        if settings.alignment.unsigned_abs() as f64 > rate {
            return Err(SettingsError::Alignment(settings.alignment));
        }
        let frame_length = window::frame_length(rate);
        let bin = |hz: f64| (hz * frame_length as f64 / rate).round() as usize;
        let bins = (bin(HIGHEST_HZ) + 1).min(frame_length / 2);
        let band = LevelBand::new(bin(LEVEL_BAND_HZ.0)..bin(LEVEL_BAND_HZ.1).min(bins));
        let activity = Activity::new(rate, frame_length, bins, band.clone(), settings.whole);
        let batch = || Batch::empty(activity.predictor.transfer.clone());
        Ok(Self {
            settings,
            left: Channel::advanced(-settings.alignment),
            right: Channel::advanced(settings.alignment),
            batch: batch(),
            spare: batch(),
            transformer: Transformer::new(frame_length, bins, band),
            activity,
        })
    }

    /// The same engine, which also removes tracing distortion, for a right channel late
    /// by about `delay_s` seconds. To be called before any sample is pushed, and without
    /// alignment.
    pub fn without(mut self, tracing: Tracing, delay_s: f64) -> Self {
        let length = self.transformer.frame_length();
        let rate = self.settings.sample_rate_hz;
        let late = delay_s * rate;
        let distortion = TracingDistortion::new(rate, length, self.transformer.bins, late);
        let work = || Mutex::new(distortion.work());
        self.transformer.tracing = Some(TracingRemoval {
            work: std::iter::repeat_with(work)
                .take(self.transformer.scratch.len())
                .collect(),
            distortion,
            tracing,
        });
        self
    }

    /// Takes in a block: two channels of equal length, full scale 1.
    pub fn push(&mut self, left: &[f32], right: &[f32]) {
        let count = left.len().min(right.len());
        self.activity.samples += count as u64;
        self.advance(&left[..count], &right[..count], FEWEST);
    }

    /// Transforms the frames that new samples complete, if there are so many at
    /// least, and takes those transformed before in.
    fn advance(&mut self, left: &[f32], right: &[f32], fewest: usize) {
        let length = self.transformer.frame_length();
        let new = [self.left.join(left, length), self.right.join(right, length)];
        let (left, right) = (self.left.stretch(new[0]), self.right.stretch(new[1]));
        let available = left.len().min(right.len());
        let frames = (available / (length / 2)).saturating_sub(1);
        let frames = if frames < fewest { 0 } else { frames };
        for start in (0..frames).step_by(BATCH) {
            let range = start..frames.min(start + BATCH);
            self.spare.transfer = self.activity.predictor.transfer.clone();
            let (transformer, activity) = (&self.transformer, &mut self.activity);
            let (batch, spare) = (&self.batch, &mut self.spare);
            spare.first_frame = batch.first_frame + batch.statistics.len() as u64;
            rayon::join(
                || activity.take_all(batch),
                || transformer.fill(spare, left, right, range),
            );
            std::mem::swap(&mut self.batch, &mut self.spare);
        }
        let done = frames * length / 2;
        self.left.keep(done, new[0]);
        self.right.keep(done, new[1]);
    }

    /// The cross-spectrum so far, including all complete frames.
    pub fn snapshot(&mut self) -> CrossSpectrum {
        self.complete();
        let quality = self.quality();
        CrossSpectrum {
            sample_rate_hz: self.settings.sample_rate_hz,
            frame_length: self.transformer.frame_length(),
            alignment: self.settings.alignment,
            groups: self.activity.groups(quality.rejection_undone),
            quietest: self.activity.quietest.found.clone(),
            span: self.span(),
            origin: 0,
            quality,
        }
    }

    /// The sums known so far, for [`RecentSpectrum`](super::RecentSpectrum): a
    /// [snapshot](Self::snapshot) without its groups, and far cheaper.
    pub fn running_sums(&mut self) -> RunningSums {
        self.complete();
        let quality = self.quality();
        let mut mark = RunningSums {
            total: vec![Bin::default(); self.transformer.bins],
            frames: 0,
            last_frame: 0,
            span: self.span(),
            quality,
        };
        for group in self.activity.counted(quality.rejection_undone) {
            mark.frames += group.frames;
            mark.last_frame = mark.last_frame.max(group.last_frame);
            for (sum, bin) in mark.total.iter_mut().zip(&group.bins) {
                sum.add(bin);
            }
        }
        mark
    }

    fn quality(&self) -> SignalQuality {
        SignalQuality {
            traced: self.transformer.tracing.is_some(),
            ..self.activity.quality()
        }
    }

    /// Takes in the frames that are complete.
    fn complete(&mut self) {
        self.advance(&[], &[], 1);
        self.activity.take_all(&self.batch);
        self.batch.first_frame += self.batch.statistics.len() as u64;
        self.batch.statistics.clear();
        self.batch.before = None;
    }

    /// First and last sample of the modulated part.
    fn span(&self) -> (u64, u64) {
        let length = self.transformer.frame_length() as u64;
        match self.activity.sums.span {
            _ if self.settings.whole => (0, self.activity.samples),
            None => (0, 0),
            Some((first, last)) => (first * length / 2, last * length / 2 + length),
        }
    }
}

/// The activity detector: decides frame by frame what is programme, and sums it.
///
/// A frame is programme when its level (the common power of the channels) is
/// within 30 dB of the loudest so far. A stretch of programme is buffered
/// until it has lasted a second, or 0.3 s once programme has begun, so that needle
/// drops and run-out ticks do not count. When a stretch is 20 dB louder than all
/// before it, what came before was lead-in, and is forgotten.
struct Activity {
    whole: bool,
    bins: usize,
    /// Frames in the shortest stretch that counts, first and later on.
    shortest: usize,
    shortest_later: usize,
    /// Quiet frames that end a stretch, and those that end the beginning of a part
    /// that is named.
    pause: usize,
    long_pause: usize,
    /// Weight of a new level in the running one.
    smoothing: f64,
    /// Running and loudest level of what counts.
    counted: RunningLevel,
    /// The stretch buffered, and the same levels of it.
    buffered: Vec<(Frame, Vec<f32>)>,
    buffered_level: RunningLevel,
    /// Whether a stretch that counts is running, and its latest quiet frames.
    running: bool,
    quiet: usize,
    /// The block before the next frame.
    previous: BlockQuality,
    predictor: Predictor,
    /// Prediction residuals of the latest frames.
    around: VecDeque<(f64, f64)>,
    /// Medians of these, and how many there were in all.
    usual: (f64, f64),
    noticed: u64,
    /// The two frames counted last, the latest first.
    earlier: [Option<CountedFrame>; 2],
    /// Products of the last two frames of the batch before.
    carried: Vec<Vec<f32>>,
    sums: FrameSums,
    quietest: QuietestStretch,
    samples: u64,
    loudest_power: f64,
}

#[derive(Debug, Clone, Copy, Default)]
struct RunningLevel {
    smoothed: f64,
    loudest: f64,
}

impl RunningLevel {
    fn starting(level: f64) -> Self {
        Self {
            smoothed: level,
            loudest: level,
        }
    }
    fn follow(&mut self, level: f64, smoothing: f64) {
        let level = level.min(LEVEL_CLAMP * self.smoothed);
        self.smoothed += smoothing * (level - self.smoothed);
        self.loudest = self.loudest.max(self.smoothed);
    }
    fn audible(&self, level: f64) -> bool {
        level > 0.0 && level >= ACTIVITY_RATIO * self.loudest
    }
}

/// The quietest frames of all, digital silence left out: where nothing plays, they are
/// the noise of groove and electronics.
#[derive(Debug)]
struct QuietestStretch {
    power: f64,
    found: Group,
}

impl QuietestStretch {
    fn new(bins: usize) -> Self {
        Self {
            power: f64::INFINITY,
            found: Group::new(0, bins),
        }
    }

    fn take(&mut self, frame: &Frame, products: &[f32]) {
        let power = frame.levels.right;
        if frame.rejected || power <= 0.0 || power > QUIET_SPREAD * self.power {
            return;
        }
        if power * QUIET_SPREAD < self.power {
            self.power = power;
            self.found = Group::new(frame.index, self.found.bins.len());
        }
        if self.found.frames < MOST_QUIET_FRAMES {
            self.found.frames += 1;
            self.found.last_frame = frame.index;
            self.found.sum(products, 1.0);
        }
    }
}

/// A frame's figures for the activity detector, beside its products.
#[derive(Debug, Clone, Copy)]
struct Frame {
    index: u64,
    levels: FrameLevels,
    /// Prediction residual, if it is that of the latest predictor.
    residual: Option<f64>,
    rejected: bool,
    block: BlockQuality,
}

/// How a frame was counted.
#[derive(Debug, Clone, Copy)]
struct CountedFrame {
    index: u64,
    /// Its prediction residual is an outlier.
    unusual: bool,
    /// It is among the clean ones.
    clean: bool,
}

/// Level of one frame, weighted by frequency, which makes pink noise flat.
#[derive(Debug, Clone, Copy, Default)]
struct FrameLevels {
    /// Magnitudes of the cross-spectrum, summed coherently over stretches of
    /// about a kilohertz, so that noise of each wall alone counts a tenth.
    common: f64,
    /// Power of the right channel.
    right: f64,
}

/// The band in which levels are judged, in whole [`LANES`] of bins.
#[derive(Debug, Clone)]
struct LevelBand {
    first: usize,
    /// Weight of each bin: its index.
    weights: Vec<[f32; LANES]>,
}

impl LevelBand {
    fn new(range: Range<usize>) -> Self {
        let lanes = range.clone().step_by(LANES).take(range.len() / LANES);
        Self {
            first: range.start,
            weights: lanes
                .map(|bin| std::array::from_fn(|i| (bin + i) as f32))
                .collect(),
        }
    }

    /// The planes `|L|^2`, `|R|^2`, `Re L conj R`, `Im L conj R` in the band.
    fn planes<'a>(&self, products: &'a [f32]) -> [&'a [[f32; LANES]]; 4] {
        let bins = products.len() / 4;
        let lanes = |i: usize| products[i * bins + self.first..].as_chunks().0;
        [0, 1, 2, 3].map(|i| &lanes(i)[..self.weights.len()])
    }

    #[inline(never)]
    fn levels(&self, products: &[f32]) -> FrameLevels {
        const STRETCH: usize = 96 / LANES;
        let [_, right, re, im] = self.planes(products);
        let weighted = |weights: &[[f32; LANES]], values: &[[f32; LANES]]| {
            let values = &values[..weights.len()];
            sum_of_lanes(weights.len(), |k, i| weights[k][i] * values[k][i])
        };
        let stretches = re.chunks(STRETCH).zip(im.chunks(STRETCH));
        FrameLevels {
            common: stretches
                .zip(self.weights.chunks(STRETCH))
                .map(|((re, im), weights)| {
                    f64::from(weighted(weights, re).hypot(weighted(weights, im)))
                })
                .sum(),
            right: f64::from(weighted(&self.weights, right)),
        }
    }
}

/// Predicts the right channel from the left one: the transfer function
/// `H = E[R conj L] / E[|L|^2]` of each bin.
struct TransferFunction {
    band: LevelBand,
    /// Weight of each bin: by frequency, and by how well it is predicted.
    weights: Vec<[f32; LANES]>,
    /// Factors of `|L|^2`, `Re L conj R` and `Im L conj R` in the power of what
    /// is not predicted.
    factors: [Vec<[f32; LANES]>; 3],
}

impl TransferFunction {
    /// Power of `R - H L`, weighted: with `S = L conj R` that is
    /// `|R|^2 + |H|^2 |L|^2 - 2 Re(H S)`, where `conj H` has the phase of `S`. What a
    /// delay of the frame's own explains is taken off, as an eccentric record makes it: a
    /// phase of `k d` in bin `k` changes it by `d B + d^2 A` with `A` the sum of `k^2
    /// |H|^2 |L|^2` and `B` that of `2 k Im(H S)`, at best by `-B^2 / 4 A`.
    #[inline(never)]
    fn residual(&self, products: &[f32]) -> f64 {
        let weights = &self.weights;
        let bins = &self.band.weights[..weights.len()];
        // one length for all, so that no index is checked
        let [left, right, re, im] = self.band.planes(products).map(|p| &p[..weights.len()]);
        let [of_left, of_re, of_im] = self.factors.each_ref().map(|f| &f[..weights.len()]);
        let (mut sums, mut ahead, mut squares) = ([0.0; LANES], [0.0; LANES], [0.0; LANES]);
        for k in 0..weights.len() {
            for i in 0..LANES {
                let common = of_re[k][i] * re[k][i] + of_im[k][i] * im[k][i];
                let across = of_re[k][i] * im[k][i] - of_im[k][i] * re[k][i];
                let power = of_left[k][i] * left[k][i];
                let rest = right[k][i] + (power + common);
                let moment = weights[k][i] * bins[k][i];
                sums[i] += weights[k][i] * rest;
                ahead[i] += moment * across;
                squares[i] += moment * bins[k][i] * power;
            }
        }
        let [sum, ahead, square] =
            [sums, ahead, squares].map(|s: [f32; LANES]| s.iter().sum::<f32>());
        let explained = 0.25 * ahead * ahead / square.max(f32::MIN_POSITIVE);
        f64::from((sum - explained).max(0.0))
    }
}

/// Learns the transfer function from the frames counted.
struct Predictor {
    /// Sums of `|L|^2`, `|R|^2`, `Re L conj R` and `Im L conj R`.
    sums: [Vec<[f64; LANES]>; 4],
    /// Sum of the frames' weights.
    frames: f64,
    /// The same sum from which to learn anew.
    learn_at: f64,
    transfer: Arc<TransferFunction>,
}

impl Predictor {
    fn new(band: LevelBand) -> Self {
        let width = band.weights.len();
        Self {
            learn_at: LEARN_AFTER,
            sums: [(); 4].map(|()| vec![[0.0; LANES]; width]),
            frames: 0.0,
            transfer: Arc::new(TransferFunction {
                weights: band.weights.clone(),
                factors: [(); 3].map(|()| vec![[0.0; LANES]; width]),
                band,
            }),
        }
    }

    /// Forgets the sums, not what was learnt from them.
    fn clear(&mut self) {
        for sums in &mut self.sums {
            sums.fill([0.0; LANES]);
        }
        self.frames = 0.0;
    }

    #[inline(never)]
    fn add(&mut self, products: &[f32], weight: f64) {
        self.frames += weight;
        let planes = self.transfer.band.planes(products);
        for (sums, values) in self.sums.iter_mut().zip(planes) {
            for (sum, value) in sums.iter_mut().zip(values) {
                for (sum, value) in sum.iter_mut().zip(value) {
                    *sum += weight * f64::from(*value);
                }
            }
        }
    }

    /// Learns from the sums. A bin's own transfer function has a mean square error,
    /// relative: with `C` its coherence and `n` averages, noise of the left channel
    /// lowers it by `1 - sqrt C`, and chance moves it by `(1 - C) / (2 n C)` (Bendat
    /// & Piersol, as in `chain::response`). Where that says little, what all bins
    /// have in common says it: one gain and one delay.
    fn learn(&mut self) {
        self.learn_at = self.frames + LEARN_AFTER.max(LEARN_FRACTION * self.frames);
        let averages = 0.5 * self.frames;
        let least = f64::MIN_POSITIVE;
        let own: Vec<(Complex64, f64)> = (0..self.sums[0].len() * LANES)
            .map(|bin| {
                let [left, right, re, im] = self.sums.each_ref().map(|s| s.as_flattened()[bin]);
                let coherence = (re * re + im * im) / (left * right).max(least);
                let chance = (1.0 - coherence).max(0.0) / (2.0 * averages * coherence).max(least);
                let error = (1.0 - coherence.sqrt()).powi(2) + chance;
                let value = Complex64::new(re, im) / left.max(least);
                (value, (error + LEAST_ERROR).recip())
            })
            .collect();
        let pairs = own.windows(2);
        let advance: Complex64 = pairs
            .map(|p| p[1].0 * p[0].0.conj() * p[0].1.min(p[1].1))
            .sum();
        let turn = |bin: usize| Complex64::from_polar(1.0, advance.arg() * bin as f64);
        let (sum, weights) = own.iter().enumerate().fold(
            (Complex64::default(), least),
            |(sum, weights), (bin, (value, weight))| {
                (sum + value * turn(bin).conj() * weight, weights + weight)
            },
        );
        let gain = sum / weights;
        let common = COMMON_ERROR.recip();
        self.transfer = self.transfer_of(|bin| {
            let (value, weight) = own[bin];
            let all = weight + common;
            let value = (value * weight + gain * turn(bin) * common) / all;
            (value.re, value.im, (1.0 + HALF_WEIGHT_ERROR / all).recip())
        });
    }

    /// Takes the median over some frames in each bin, on which the loudest click among them
    /// has no more influence than any other frame.
    fn learn_from_most<'a>(&mut self, frames: impl Iterator<Item = &'a [f32]>) {
        let planes: Vec<_> = frames.map(|p| self.transfer.band.planes(p)).collect();
        let mut values = Vec::with_capacity(planes.len());
        let mut median = |plane: usize, k: usize, i: usize| {
            let ratio =
                |p: &[&[[f32; LANES]]; 4]| p[plane][k][i] / p[0][k][i].max(f32::MIN_POSITIVE);
            values.clear();
            values.extend(planes.iter().map(ratio));
            let middle = values.len() / 2;
            f64::from(*values.select_nth_unstable_by(middle, f32::total_cmp).1)
        };
        let transfer = self.transfer_of(|bin| {
            let (k, i) = (bin / LANES, bin % LANES);
            (median(2, k, i), median(3, k, i), 1.0)
        });
        self.transfer = transfer;
    }

    /// A transfer function by the real and imaginary part of its conjugate and the
    /// trust in them, for the bins of the band.
    fn transfer_of(&self, mut of: impl FnMut(usize) -> (f64, f64, f64)) -> Arc<TransferFunction> {
        let band = self.transfer.band.clone();
        let mut weights = band.weights.clone();
        let mut factors = [(); 3].map(|()| vec![[0.0; LANES]; weights.len()]);
        for k in 0..weights.len() {
            for i in 0..LANES {
                let (re, im, trust) = of(k * LANES + i);
                weights[k][i] *= trust as f32;
                factors[0][k][i] = (re * re + im * im) as f32;
                factors[1][k][i] = (-2.0 * re) as f32;
                factors[2][k][i] = (-2.0 * im) as f32;
            }
        }
        Arc::new(TransferFunction {
            band,
            weights,
            factors,
        })
    }
}

/// The upper median of some values.
pub(super) fn median(values: impl Iterator<Item = f64>) -> f64 {
    quantile(values, 2)
}

/// What one in `parts` of the values lies below.
fn quantile(values: impl Iterator<Item = f64>, parts: usize) -> f64 {
    let mut values: Vec<f64> = values.collect();
    let at = values.len() / parts;
    *values.select_nth_unstable_by(at, f64::total_cmp).1
}

/// The frames counted so far.
struct FrameSums {
    clean: Groups,
    rejected: Groups,
    span: Option<(u64, u64)>,
    /// Dropouts of the newest block, counted when programme follows it.
    newest_dropouts: u32,
    quality: SignalQuality,
}

impl FrameSums {
    fn new(origin: u64, bins: usize) -> Self {
        Self {
            clean: Groups::new(origin, bins),
            rejected: Groups::new(origin, bins),
            span: None,
            newest_dropouts: 0,
            quality: SignalQuality::default(),
        }
    }

    fn add(&mut self, frame: &Frame, products: &[f32]) {
        let Frame {
            index: frame,
            rejected,
            block,
            ..
        } = *frame;
        let follows = self.span.is_some_and(|(_, last)| last + 1 == frame);
        let quality = &mut self.quality;
        quality.dropouts += if follows {
            u64::from(self.newest_dropouts)
        } else {
            0
        };
        self.newest_dropouts = if follows { block.dropouts } else { 0 };
        quality.frames += 1;
        quality.rejected += u64::from(rejected);
        quality.clipped += u64::from(block.clipped);
        quality.left_power += f64::from(block.left_power);
        quality.right_power += f64::from(block.right_power);
        self.span = Some((self.span.map_or(frame, |s| s.0), frame));
        let groups = if rejected {
            &mut self.rejected
        } else {
            &mut self.clean
        };
        groups.add(frame, products);
    }

    /// Rejects a frame that was counted as clean.
    fn reject(&mut self, frame: u64, products: &[f32]) {
        self.clean.remove(frame, products);
        self.rejected.add(frame, products);
        self.quality.rejected += 1;
    }
}

impl Activity {
    fn new(rate: f64, frame_length: usize, bins: usize, band: LevelBand, whole: bool) -> Self {
        let hop_seconds = frame_length as f64 * window::HOP_FRACTION / rate;
        let frames = |seconds: f64| seconds / hop_seconds;
        Self {
            whole,
            bins,
            shortest: frames(SHORTEST_S).round() as usize,
            shortest_later: frames(SHORTEST_LATER_S).round() as usize,
            pause: frames(PAUSE_S).ceil() as usize,
            long_pause: frames(LONG_PAUSE_S).ceil() as usize,
            smoothing: 1.0 - (-hop_seconds / LEVEL_S).exp(),
            counted: RunningLevel::default(),
            buffered: Vec::new(),
            buffered_level: RunningLevel::default(),
            running: false,
            quiet: 0,
            previous: BlockQuality::default(),
            predictor: Predictor::new(band),
            around: VecDeque::with_capacity(MEDIAN_FRAMES),
            usual: (0.0, 0.0),
            noticed: 0,
            earlier: [None; 2],
            carried: Vec::new(),
            sums: FrameSums::new(0, bins),
            quietest: QuietestStretch::new(bins),
            samples: 0,
            loudest_power: 0.0,
        }
    }

    /// Takes in a batch, frame by frame.
    fn take_all(&mut self, batch: &Batch) {
        if batch.statistics.is_empty() {
            return;
        }
        self.previous = batch.before.unwrap_or(self.previous);
        let carried = std::mem::take(&mut self.carried);
        let products = batch.products.chunks_exact(4 * self.bins);
        let products: Vec<&[f32]> = carried
            .iter()
            .map(Vec::as_slice)
            .chain(products.take(batch.statistics.len()))
            .collect();
        for (k, (statistics, index)) in batch.statistics.iter().zip(batch.first_frame..).enumerate()
        {
            let at = carried.len() + k;
            let (products, two_before) = (products[at], at.checked_sub(2).map(|i| products[i]));
            let block = statistics.block;
            let power = f64::from(block.left_power.max(block.right_power));
            self.loudest_power = self.loudest_power.max(power);
            // a residual is out of date once the predictor has learnt more
            let current = Arc::ptr_eq(&batch.transfer, &self.predictor.transfer);
            let frame = Frame {
                index,
                levels: statistics.levels,
                residual: current.then_some(statistics.residual),
                rejected: self.previous.dropouts > 0 || block.dropouts > 0 || statistics.impulsive,
                block,
            };
            self.quietest.take(&frame, products);
            self.take(frame, products, two_before);
            self.previous = block;
        }
        let last = &products[products.len().saturating_sub(2)..];
        self.carried = last.iter().map(|p| p.to_vec()).collect();
    }

    fn take(&mut self, frame: Frame, products: &[f32], two_before: Option<&[f32]>) {
        let level = frame.levels.common;
        if !self.buffered.is_empty() {
            if self.buffered_level.audible(level) {
                self.quiet = 0;
                return self.buffer(frame, products);
            }
            self.quiet += 1;
            let pause = match self.whole {
                true => self.long_pause,
                false => self.pause,
            };
            if self.quiet < pause {
                return;
            }
            self.buffered.clear();
        }
        let louder_by_far = LEAD_IN_RATIO * level > self.counted.loudest;
        if self.running && (self.whole || !louder_by_far) {
            if self.counted.audible(level) {
                self.quiet = 0;
                self.accept(frame, products, two_before);
            } else {
                self.quiet += 1;
                self.running = self.whole || !self.paused();
            }
        } else if self.counted.audible(level) {
            self.quiet = 0;
            self.buffer(frame, products);
        }
    }

    /// Whether the quiet frames of late make a pause.
    fn paused(&self) -> bool {
        self.quiet >= self.pause
    }

    fn buffer(&mut self, frame: Frame, products: &[f32]) {
        if self.buffered.is_empty() {
            self.buffered_level = RunningLevel::starting(frame.levels.common);
        } else if !frame.rejected {
            self.buffered_level
                .follow(frame.levels.common, self.smoothing);
        }
        let residual = None;
        self.buffered
            .push((Frame { residual, ..frame }, products.to_vec()));
        // the first programme, or what makes a lead-in of all that came before; by the
        // median, as a needle drop may be far louder
        let usual = median(self.buffered.iter().map(|(frame, _)| frame.levels.common));
        let begins = LEAD_IN_RATIO * usual > self.counted.loudest;
        let shortest = if begins {
            self.shortest
        } else {
            self.shortest_later
        };
        if self.buffered.len() < shortest {
            return;
        }
        self.running = true;
        let buffered = std::mem::take(&mut self.buffered);
        if begins {
            let first = &buffered[0].0;
            self.sums = FrameSums::new(first.index, self.bins);
            self.earlier = [None; 2];
            // the first that counts may be the lead-in, with a needle drop in half of it
            let first_of_all = self.counted.loudest == 0.0;
            let levels = buffered.iter().map(|(frame, _)| frame.levels.common);
            self.counted = RunningLevel::starting(if first_of_all {
                quantile(levels, 4)
            } else {
                usual
            });
            self.predictor = Predictor::new(self.predictor.transfer.band.clone());
            self.learn(&buffered);
        }
        for (k, (frame, products)) in buffered.iter().enumerate() {
            let two_before = k.checked_sub(2).map(|i| buffered[i].1.as_slice());
            if begins {
                let residual = self.residual(frame, products);
                self.count(*frame, residual, products, two_before);
            } else {
                self.accept(*frame, products, two_before);
            }
        }
    }

    /// Counts a frame of running programme, and learns from it.
    fn accept(&mut self, frame: Frame, products: &[f32], two_before: Option<&[f32]>) {
        let residual = self.residual(&frame, products);
        self.note_residual(residual);
        let clean = self.count(frame, residual, products, two_before);
        if clean && frame.index.is_multiple_of(LEARN_FROM) {
            self.predictor.add(products, 1.0);
        }
        if self.predictor.frames >= self.predictor.learn_at {
            self.predictor.learn();
        }
    }

    /// Learns from frames just buffered, all at once: the median predictor tells first which
    /// hold a click, and each round tells it better.
    fn learn(&mut self, buffered: &[(Frame, Vec<f32>)]) {
        self.predictor
            .learn_from_most(buffered.iter().map(|(_, p)| p.as_slice()));
        for _ in 0..PREDICTOR_ROUNDS {
            self.update_usual_levels(buffered);
            self.predictor.clear();
            for (frame, products) in buffered {
                let residual = self.residual(frame, products);
                // a larger residual has no more influence
                let weight = match self.is_unusual(residual) {
                    true => CLICK_RATIO * self.usual.0 / residual.0,
                    false => 1.0,
                };
                self.predictor.add(products, weight);
            }
            self.predictor.learn();
        }
        self.update_usual_levels(buffered);
    }

    fn update_usual_levels(&mut self, buffered: &[(Frame, Vec<f32>)]) {
        self.around.clear();
        for (frame, products) in buffered {
            self.note_residual(self.residual(frame, products));
        }
        self.find_usual();
    }

    /// The prediction residual of a frame: its power by itself, and relative to the programme.
    fn residual(&self, frame: &Frame, products: &[f32]) -> (f64, f64) {
        let computed = || self.predictor.transfer.residual(products);
        let residual = frame.residual.unwrap_or_else(computed);
        (residual, residual / frame.levels.right)
    }

    /// Adds a residual to the recent ones.
    fn note_residual(&mut self, residual: (f64, f64)) {
        if self.around.len() == MEDIAN_FRAMES {
            self.around.pop_front();
        }
        self.around.push_back(residual);
        self.noticed += 1;
        if self.noticed.is_multiple_of(MEDIAN_EVERY) {
            self.find_usual();
        }
    }

    fn find_usual(&mut self) {
        let around = self.around.iter();
        self.usual = (
            median(around.clone().map(|a| a.0)),
            median(around.map(|a| a.1)),
        );
    }

    fn is_unusual(&self, residual: (f64, f64)) -> bool {
        residual.1 > LEAST_RESIDUAL
            && residual.0 > CLICK_RATIO * self.usual.0
            && residual.1 > CLICK_RATIO * self.usual.1
    }

    /// Whether the frame before is an outlier and its neighbours are not: a click in its
    /// middle reaches the edge of one of them, where it is not detected. Then both are
    /// rejected, the earlier one here. At the ends of a stretch, where half a frame is
    /// missing, the end itself may be the outlier.
    fn follows_a_lone_click(&mut self, index: u64, two_before: Option<&[f32]>) -> bool {
        let [Some(one), Some(two)] = self.earlier else {
            return false;
        };
        let adjacent = one.index + 1 == index && two.index + 2 == index;
        let alone = adjacent && one.unusual && !two.unusual;
        if let (true, true, Some(products)) = (alone, two.clean, two_before) {
            self.sums.reject(two.index, products);
        }
        alone
    }

    /// Counts a frame; returns whether it is clean.
    fn count(
        &mut self,
        mut frame: Frame,
        residual: (f64, f64),
        products: &[f32],
        two_before: Option<&[f32]>,
    ) -> bool {
        let unusual = self.is_unusual(residual);
        let beside = !unusual && self.follows_a_lone_click(frame.index, two_before);
        frame.rejected |= unusual || beside;
        let clean = !frame.rejected;
        if clean {
            self.counted.follow(frame.levels.common, self.smoothing);
        }
        self.sums.add(&frame, products);
        let counted = CountedFrame {
            index: frame.index,
            unusual,
            clean,
        };
        self.earlier = [Some(counted), self.earlier[0]];
        clean
    }

    /// Signal quality so far.
    fn quality(&self) -> SignalQuality {
        let mut quality = self.sums.quality;
        quality.samples = self.samples;
        quality.loudest_power = self.loudest_power;
        let frames = quality.frames.max(1) as f64;
        quality.left_power /= frames;
        quality.right_power /= frames;
        if quality.rejected as f64
            > const { Warning::ImpulsiveProgramme.limit() } * quality.frames as f64
        {
            quality.rejection_undone = true;
            quality.rejected = 0;
        }
        quality
    }

    /// The groups that count: clean ones, and rejected ones if their rejection is
    /// undone.
    fn counted(&self, undone: bool) -> impl Iterator<Item = &Group> {
        let rejected = self.sums.rejected.iter().filter(move |_| undone);
        self.sums.clean.iter().chain(rejected)
    }

    /// The same, joined, in the order of time.
    fn groups(&self, undone: bool) -> Vec<Group> {
        let clean = self.sums.clean.clone();
        match undone {
            true => clean.with(self.sums.rejected.clone()).into_list(),
            false => clean.into_list(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};

    const BINS: usize = 1200;

    /// Planes of a frame from its two spectra.
    fn products(left: &[Complex64], right: &[Complex64]) -> Vec<f32> {
        let plane = |of: fn(&Complex64, &Complex64) -> f64| {
            let pairs = left.iter().zip(right);
            pairs.map(move |(l, r)| of(l, r) as f32).collect::<Vec<_>>()
        };
        [
            plane(|l, _| l.norm_sqr()),
            plane(|_, r| r.norm_sqr()),
            plane(|l, r| (l * r.conj()).re),
            plane(|l, r| (l * r.conj()).im),
        ]
        .concat()
    }

    fn noise(rng: &mut rand_chacha::ChaCha8Rng) -> Vec<Complex64> {
        let mut draw = || (0..6).map(|_| rng.random::<f64>()).sum::<f64>() - 3.0;
        (0..BINS).map(|_| Complex64::new(draw(), draw())).collect()
    }

    /// The residual is next to nothing in a frame whose right channel is a few samples later
    /// than predicted; it is the noise in a frame with noise, whatever the predictor, and all of
    /// its power in a frame with nothing in common.
    #[test]
    fn a_delay_explains_itself_and_nothing_more() {
        let band = LevelBand::new(8..BINS);
        let predictor = Predictor::new(band);
        let transfer = predictor.transfer_of(|_| (1.0, 0.0, 1.0));
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(3);
        for _ in 0..50 {
            let (left, other) = (noise(&mut rng), noise(&mut rng));
            let of = |right: &[Complex64]| transfer.residual(&products(&left, right));
            let all = of(&other);
            let turned = |d: f64| -> Vec<Complex64> {
                let turn = |k: usize| Complex64::from_polar(1.0, -d * k as f64);
                left.iter().enumerate().map(|(k, l)| l * turn(k)).collect()
            };
            // 0.1 rad at the top of the band
            let late = turned(0.1 / BINS as f64);
            assert!(of(&late) < 1e-4 * all, "{} {all}", of(&late));
            for share in [0.1, 3.0] {
                let mixed = late.iter().zip(&other).map(|(l, o)| l + o * share);
                let expected = share
                    * share
                    * transfer.residual(&products(&vec![Complex64::default(); BINS], &other));
                let found = of(&mixed.collect::<Vec<_>>());
                assert!((found / expected - 1.0).abs() < 0.05, "{found} {expected}");
            }
        }
    }
}
