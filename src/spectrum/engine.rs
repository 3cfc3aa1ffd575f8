//! The push engine: samples in blocks of any size, a snapshot at any time.

use super::frame::{FrameTransform, Scratch, sum_in_lanes};
use super::groups::Groups;
use super::quality::{self, BlockQuality, SignalQuality};
use super::{Bin, CrossSpectrum, Group, HIGHEST_HZ, Mark, window};
use rayon::prelude::*;
use std::collections::VecDeque;
use thiserror::Error;

/// Frames transformed together, in parallel; what is done with them is done in
/// their order, so the number has no effect on any result.
const BATCH: usize = 32;
/// Shares into which a batch is split for the threads, each with working memory
/// of its own.
const SHARES: usize = 8;
/// Band in which the level of the programme is judged, hertz: above hum and
/// rumble, below the noise of a quiet treble.
const LEVEL_BAND_HZ: (f64, f64) = (90.0, 16_000.0);
/// Programme quieter than this against the loudest second is left out of the
/// sums: -30 dB, where it could add a thousandth of the information.
const QUIET: f64 = 1e-3;
/// A stretch shorter than this, seconds, between silences is not programme but
/// a needle drop or a tick of the run-out groove (whose period is 1.33 s at
/// 45 rpm and 1.8 s at 33 1/3).
const SHORTEST_SECONDS: f64 = 1.0;
/// Time constant of the level, seconds.
const LEVEL_SECONDS: f64 = 0.5;
/// A frame whose right channel departs from what the left one foretells by this
/// factor more in power than in the frames around, both by itself and relative
/// to the programme, holds a click. The power of the departure, over a thousand
/// bins, scatters by about 5 % in noise.
const DEPARTS: f64 = 2.0;
/// A departure this far below the programme, -80 dB, is rounding, not a click.
const LEAST_DEPARTURE: f64 = 1e-8;
/// What the left channel foretells is learnt anew after this many frames.
const LEARN_EVERY: u64 = 64;
/// Frames around: the latest few seconds.
const AROUND: usize = 96;
/// Fewer frames than this say nothing of what is usual.
const FEWEST_AROUND: usize = 12;
/// More rejected frames than this fraction are programme of an impulsive kind.
const MOST_REJECTED: f64 = 0.45;

/// How a recording is to be taken in.
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
}

/// Takes samples in, gives cross-spectra out; memory does not grow.
pub struct Engine {
    settings: EngineSettings,
    frame_length: usize,
    bins: usize,
    level_bins: std::ops::Range<usize>,
    transform: FrameTransform,
    scratch: Vec<Scratch>,
    /// Samples not yet done with; the first belongs to frame `next_frame`.
    left: Vec<f32>,
    right: Vec<f32>,
    /// Samples still to be dropped of (left, right) for the alignment.
    skip: (u64, u64),
    next_frame: u64,
    products: Vec<f32>,
    blocks: Vec<(BlockQuality, Levels, f64)>,
    /// The block before the first of the batch.
    previous: BlockQuality,
    programme: Programme,
}

impl Engine {
    /// An engine that has seen nothing.
    pub fn new(settings: EngineSettings) -> Result<Self, SettingsError> {
        let rate = settings.sample_rate_hz;
        if !(8_000.0..=768_000.0).contains(&rate) {
            return Err(SettingsError::SampleRate(rate));
        }
        let frame_length = window::frame_length(rate);
        let bin = |hz: f64| (hz * frame_length as f64 / rate).round() as usize;
        let bins = (bin(HIGHEST_HZ) + 1).min(frame_length / 2);
        let level_bins = bin(LEVEL_BAND_HZ.0)..bin(LEVEL_BAND_HZ.1).min(bins);
        let ahead = settings.alignment;
        let transform = FrameTransform::new(frame_length, bins);
        Ok(Self {
            settings,
            frame_length,
            bins,
            level_bins: level_bins.clone(),
            scratch: (0..SHARES).map(|_| transform.scratch()).collect(),
            transform,
            left: Vec::new(),
            right: Vec::new(),
            skip: ((-ahead).max(0) as u64, ahead.max(0) as u64),
            next_frame: 0,
            products: vec![0.0; BATCH * 4 * bins],
            blocks: Vec::with_capacity(BATCH),
            previous: BlockQuality::default(),
            programme: Programme::new(rate, frame_length, bins, level_bins.clone(), settings.whole),
        })
    }

    fn hop(&self) -> usize {
        self.frame_length / 2
    }

    /// Takes in a block: two channels of equal length, full scale 1.
    pub fn push(&mut self, left: &[f32], right: &[f32]) {
        let count = left.len().min(right.len());
        self.programme.samples += count as u64;
        for (channel, buffer, skip) in [
            (left, &mut self.left, &mut self.skip.0),
            (right, &mut self.right, &mut self.skip.1),
        ] {
            let dropped = (*skip).min(count as u64) as usize;
            *skip -= dropped as u64;
            buffer.extend_from_slice(&channel[dropped..count]);
        }
        let (batch, hop) = (BATCH * self.hop() + self.hop(), self.hop());
        let mut start = 0;
        while self.left.len().min(self.right.len()) >= start + batch {
            self.process(start, BATCH);
            start += BATCH * hop;
        }
        if start > 0 {
            self.left.drain(..start);
            self.right.drain(..start);
        }
    }

    /// Transforms `count` frames from `start` on and takes them in, in order.
    fn process(&mut self, start: usize, count: usize) {
        let (hop, length, bins) = (self.frame_length / 2, self.frame_length, self.bins);
        let (left, right, transform) = (&self.left, &self.right, &self.transform);
        let first = self.next_frame == 0;
        let products = &mut self.products[..count * 4 * bins];
        self.blocks.resize(count, Default::default());
        let band = self.level_bins.clone();
        let foretold = &self.programme.foretold;
        let learnt = foretold.learnt;
        let share = count.div_ceil(SHARES);
        products
            .par_chunks_mut(share * 4 * bins)
            .zip(self.blocks.par_chunks_mut(share))
            .zip(&mut self.scratch)
            .enumerate()
            .for_each(|(k, ((products, blocks), scratch))| {
                let frames = products.chunks_exact_mut(4 * bins).zip(blocks);
                for (i, (products, (block, levels, departure))) in frames.enumerate() {
                    let at = start + (k * share + i) * hop;
                    let (left, right) = (&left[at..at + length], &right[at..at + length]);
                    transform.products(left, right, scratch, products);
                    *block = quality::inspect(&left[hop..], &right[hop..]);
                    *levels = Levels::of(products, bins, band.clone());
                    *departure = foretold.departure(products);
                }
            });
        if first {
            self.previous = quality::inspect(&left[start..start + hop], &right[start..start + hop]);
        }
        for i in 0..count {
            let (block, levels, departure) = self.blocks[i];
            // what was foretold with is out of date once more has been learnt
            let departure = Some(departure).filter(|_| self.programme.foretold.learnt == learnt);
            let power = f64::from(block.left_power.max(block.right_power));
            self.programme.loudest_power = self.programme.loudest_power.max(power);
            let spoilt = self.previous.dropouts > 0 || block.dropouts > 0;
            let frame = Frame {
                index: self.next_frame,
                levels,
                departure,
                spoilt,
                block,
            };
            self.programme
                .take(frame, &self.products[i * 4 * bins..(i + 1) * 4 * bins]);
            self.next_frame += 1;
            self.previous = block;
        }
    }

    /// What is known so far. Frames that are complete are taken in first.
    pub fn snapshot(&mut self) -> CrossSpectrum {
        self.complete();
        let quality = self.programme.quality();
        CrossSpectrum {
            sample_rate_hz: self.settings.sample_rate_hz,
            frame_length: self.frame_length,
            alignment: self.settings.alignment,
            groups: self.programme.groups(quality.rejection_undone),
            span: self.span(),
            origin: 0,
            quality,
        }
    }

    /// The sums known so far, for [`Recent`](super::Recent): a
    /// [snapshot](Self::snapshot) without its groups, and far cheaper.
    pub fn mark(&mut self) -> Mark {
        self.complete();
        let quality = self.programme.quality();
        let mut mark = Mark {
            total: vec![Bin::default(); self.bins],
            frames: 0,
            last_frame: 0,
            span: self.span(),
            quality,
        };
        for group in self.programme.counted(quality.rejection_undone) {
            mark.frames += group.frames;
            mark.last_frame = mark.last_frame.max(group.last_frame);
            for (sum, bin) in mark.total.iter_mut().zip(&group.bins) {
                sum.add(bin);
            }
        }
        mark
    }

    /// Takes in the frames that are complete.
    fn complete(&mut self) {
        let (hop, available) = (self.hop(), self.left.len().min(self.right.len()));
        let count = (available / hop).saturating_sub(1);
        if count > 0 {
            self.process(0, count);
            self.left.drain(..count * hop);
            self.right.drain(..count * hop);
        }
    }

    /// First and last sample of the modulated part.
    fn span(&self) -> (u64, u64) {
        let hop = self.hop() as u64;
        match self.programme.sums.span {
            _ if self.settings.whole => (0, self.programme.samples),
            None => (0, 0),
            Some((first, last)) => (first * hop, last * hop + self.frame_length as u64),
        }
    }
}

/// Decides frame by frame what is programme, and sums it.
///
/// A frame is programme when its level (the common power of the channels) is
/// within 30 dB of the loudest so far. A stretch of programme is held back
/// until it has lasted a second, so that needle drops and run-out ticks do not
/// count. When a stretch is 30 dB louder than all before it, what came before
/// was lead-in, and is forgotten.
struct Programme {
    whole: bool,
    bins: usize,
    /// Frames in the shortest stretch that counts.
    shortest: usize,
    /// Weight of a new level in the running one.
    smoothing: f64,
    /// Running and loudest level of what counts.
    counted: Level,
    /// The same of the stretch held back.
    held: Vec<(Frame, Vec<f32>)>,
    held_level: Level,
    /// Whether a stretch that counts is running, and its quiet frames of late.
    running: bool,
    quiet: usize,
    foretold: Foretold,
    /// Departures of the latest frames from what was foretold.
    around: VecDeque<(f64, f64)>,
    sums: Sums,
    samples: u64,
    loudest_power: f64,
}

#[derive(Debug, Clone, Copy, Default)]
struct Level {
    smoothed: f64,
    loudest: f64,
}

impl Level {
    fn starting(level: f64) -> Self {
        Self {
            smoothed: level,
            loudest: level,
        }
    }
    fn follow(&mut self, level: f64, smoothing: f64) {
        self.smoothed += smoothing * (level - self.smoothed);
        self.loudest = self.loudest.max(self.smoothed);
    }
    fn audible(&self, level: f64) -> bool {
        level > 0.0 && level >= QUIET * self.loudest
    }
}

/// A frame as the programme sees it, beside its products.
#[derive(Debug, Clone, Copy)]
struct Frame {
    index: u64,
    levels: Levels,
    /// Departure from what is foretold, if known by the latest that was learnt.
    departure: Option<f64>,
    spoilt: bool,
    block: BlockQuality,
}

/// How loud one frame is, weighted by frequency, which makes pink noise flat.
#[derive(Debug, Clone, Copy, Default)]
struct Levels {
    /// Magnitudes of the cross-spectrum, summed coherently over stretches of
    /// about a kilohertz, so that noise of each wall alone counts a tenth.
    common: f64,
    /// Power of the right channel.
    right: f64,
}

impl Levels {
    fn of(products: &[f32], bins: usize, band: std::ops::Range<usize>) -> Self {
        const STRETCH: usize = 96;
        let first = band.start;
        let plane = |i: usize| &products[i * bins..(i + 1) * bins][band.clone()];
        let (right, re, im) = (plane(1), plane(2), plane(3));
        let weighted = |stretch: usize, values: &[f32]| -> f32 {
            let start = first + stretch * STRETCH;
            sum_in_lanes(values.len(), |i| (start + i) as f32 * values[i])
        };
        let stretches = re.chunks(STRETCH).zip(im.chunks(STRETCH)).enumerate();
        Self {
            common: stretches
                .map(|(i, (re, im))| f64::from(weighted(i, re).hypot(weighted(i, im))))
                .sum(),
            right: f64::from(weighted(0, right)),
        }
    }
}

/// What the left channel foretells of the right one, learnt from the frames
/// counted: the transfer function `H = E[R conj L] / E[|L|^2]` of each bin.
struct Foretold {
    band: std::ops::Range<usize>,
    /// Sums of `|L|^2`, `Re L conj R` and `Im L conj R`.
    sums: [Vec<f64>; 3],
    /// `Re conj H`, `Im conj H` and `|H|^2`.
    transfer: [Vec<f32>; 3],
    /// How often it was learnt.
    learnt: u64,
}

impl Foretold {
    fn new(band: std::ops::Range<usize>) -> Self {
        let width = band.len();
        Self {
            band,
            sums: [(); 3].map(|()| vec![0.0; width]),
            transfer: [(); 3].map(|()| vec![0.0; width]),
            learnt: 0,
        }
    }

    /// Nothing is known any more.
    fn forget(&mut self) {
        let learnt = self.learnt + 1;
        *self = Self::new(self.band.clone());
        self.learnt = learnt;
    }

    fn planes<'a>(&self, products: &'a [f32]) -> [&'a [f32]; 4] {
        let bins = products.len() / 4;
        [0, 1, 2, 3].map(|i| &products[i * bins..(i + 1) * bins][self.band.clone()])
    }

    fn add(&mut self, products: &[f32]) {
        let [left, _, re, im] = self.planes(products);
        for (sums, values) in self.sums.iter_mut().zip([left, re, im]) {
            for (sum, value) in sums.iter_mut().zip(values) {
                *sum += f64::from(*value);
            }
        }
    }

    fn learn(&mut self) {
        let [left, re, im] = &self.sums;
        let [h_re, h_im, h_sq] = &mut self.transfer;
        for i in 0..left.len() {
            let scale = left[i].max(f64::MIN_POSITIVE).recip();
            let (re, im) = (re[i] * scale, im[i] * scale);
            h_re[i] = re as f32;
            h_im[i] = im as f32;
            h_sq[i] = (re * re + im * im) as f32;
        }
        self.learnt += 1;
    }

    /// Power of `R - H L`, weighted by frequency: with `S = L conj R` that is
    /// `|R|^2 + |H|^2 |L|^2 - 2 Re(H S)`, where `conj H` has the phase of `S`.
    fn departure(&self, products: &[f32]) -> f64 {
        let width = self.band.len();
        // one length for all, so that no index is checked
        let [left, right, re, im] = self.planes(products).map(|plane| &plane[..width]);
        let [h_re, h_im, h_sq] = self.transfer.each_ref().map(|plane| &plane[..width]);
        let first = self.band.start;
        let sum = sum_in_lanes(width, |i| {
            let common = h_re[i] * re[i] + h_im[i] * im[i];
            (first + i) as f32 * (right[i] + h_sq[i] * left[i] - 2.0 * common)
        });
        f64::from(sum.max(0.0))
    }
}

/// What counts so far.
struct Sums {
    clean: Groups,
    spoilt: Groups,
    span: Option<(u64, u64)>,
    /// Dropouts of the newest block, counted when programme follows it.
    newest_dropouts: u32,
    quality: SignalQuality,
}

impl Sums {
    fn new(origin: u64, bins: usize) -> Self {
        Self {
            clean: Groups::new(origin, bins),
            spoilt: Groups::new(origin, bins),
            span: None,
            newest_dropouts: 0,
            quality: SignalQuality::default(),
        }
    }

    fn add(&mut self, frame: &Frame, products: &[f32]) {
        let Frame {
            index: frame,
            spoilt,
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
        quality.rejected += u64::from(spoilt);
        quality.clipped += u64::from(block.clipped);
        quality.left_power += f64::from(block.left_power);
        quality.right_power += f64::from(block.right_power);
        self.span = Some((self.span.map_or(frame, |s| s.0), frame));
        let groups = if spoilt {
            &mut self.spoilt
        } else {
            &mut self.clean
        };
        groups.add(frame, products);
    }
}

impl Programme {
    fn new(
        rate: f64,
        frame_length: usize,
        bins: usize,
        band: std::ops::Range<usize>,
        whole: bool,
    ) -> Self {
        let hop_seconds = frame_length as f64 * window::HOP_FRACTION / rate;
        Self {
            whole,
            bins,
            shortest: (SHORTEST_SECONDS / hop_seconds).round() as usize,
            smoothing: 1.0 - (-hop_seconds / LEVEL_SECONDS).exp(),
            counted: Level::default(),
            held: Vec::new(),
            held_level: Level::default(),
            running: false,
            quiet: 0,
            foretold: Foretold::new(band),
            around: VecDeque::with_capacity(AROUND),
            sums: Sums::new(0, bins),
            samples: 0,
            loudest_power: 0.0,
        }
    }

    fn take(&mut self, frame: Frame, products: &[f32]) {
        let level = frame.levels.common;
        if !self.held.is_empty() {
            if self.held_level.audible(level) {
                self.quiet = 0;
                return self.hold(frame, products);
            }
            self.quiet += 1;
            if self.whole || !self.paused() {
                return;
            }
            self.held.clear();
        }
        let louder_by_far = QUIET * level > self.counted.loudest;
        if self.running && (self.whole || !louder_by_far) {
            if self.counted.audible(level) {
                self.quiet = 0;
                let departure = self.departure(&frame, products);
                self.notice(departure);
                self.count(frame, departure, products);
                self.foretold.add(products);
                // at the end of a batch, unless a snapshot cut one short
                if (frame.index + 1).is_multiple_of(LEARN_EVERY) {
                    self.foretold.learn();
                }
            } else {
                self.quiet += 1;
                self.running = self.whole || !self.paused();
            }
        } else if self.counted.audible(level) {
            self.quiet = 0;
            self.hold(frame, products);
        }
    }

    /// Whether the quiet frames of late make a pause: a tenth of the shortest
    /// stretch, 0.1 s.
    fn paused(&self) -> bool {
        self.quiet * 10 > self.shortest
    }

    fn hold(&mut self, frame: Frame, products: &[f32]) {
        if self.held.is_empty() {
            self.held_level = Level::starting(frame.levels.common);
        } else if !frame.spoilt {
            self.held_level.follow(frame.levels.common, self.smoothing);
        }
        let departure = None;
        self.held
            .push((Frame { departure, ..frame }, products.to_vec()));
        if self.held.len() >= self.shortest {
            let held = std::mem::take(&mut self.held);
            let first = &held[0].0;
            if QUIET * self.held_level.loudest > self.counted.loudest {
                self.sums = Sums::new(first.index, self.bins);
                self.counted = Level::starting(first.levels.common);
                self.around.clear();
                self.foretold.forget();
            }
            self.running = true;
            self.learn(&held);
            for (frame, products) in held {
                let departure = self.departure(&frame, &products);
                self.count(frame, departure, &products);
            }
        }
    }

    /// Learns from frames just held back, all at once.
    fn learn(&mut self, held: &[(Frame, Vec<f32>)]) {
        for (_, products) in held {
            self.foretold.add(products);
        }
        self.foretold.learn();
        for (frame, products) in held {
            self.notice(self.departure(frame, products));
        }
    }

    /// The departure of a frame from what is foretold: by itself, and relative
    /// to the programme.
    fn departure(&self, frame: &Frame, products: &[f32]) -> (f64, f64) {
        let foretold = || self.foretold.departure(products);
        let departure = frame.departure.unwrap_or_else(foretold);
        (departure, departure / frame.levels.right)
    }

    /// Remembers what is usual.
    fn notice(&mut self, departure: (f64, f64)) {
        if self.around.len() == AROUND {
            self.around.pop_front();
        }
        self.around.push_back(departure);
    }

    fn is_unusual(&self, departure: (f64, f64)) -> bool {
        if self.around.len() < FEWEST_AROUND {
            return false;
        }
        let median = |of: fn(&(f64, f64)) -> f64| {
            let mut values: Vec<f64> = self.around.iter().map(of).collect();
            let middle = values.len() / 2;
            *values.select_nth_unstable_by(middle, f64::total_cmp).1
        };
        departure.1 > LEAST_DEPARTURE
            && departure.0 > DEPARTS * median(|a| a.0)
            && departure.1 > DEPARTS * median(|a| a.1)
    }

    fn count(&mut self, mut frame: Frame, departure: (f64, f64), products: &[f32]) {
        frame.spoilt |= self.is_unusual(departure);
        if !frame.spoilt {
            self.counted.follow(frame.levels.common, self.smoothing);
        }
        self.sums.add(&frame, products);
    }

    /// What was seen so far.
    fn quality(&self) -> SignalQuality {
        let mut quality = self.sums.quality;
        quality.samples = self.samples;
        quality.loudest_power = self.loudest_power;
        let frames = quality.frames.max(1) as f64;
        quality.left_power /= frames;
        quality.right_power /= frames;
        if quality.rejected as f64 > MOST_REJECTED * quality.frames as f64 {
            quality.rejection_undone = true;
            quality.rejected = 0;
        }
        quality
    }

    /// The groups that count: clean ones, and spoilt ones if their rejection is
    /// undone.
    fn counted(&self, undone: bool) -> impl Iterator<Item = &Group> {
        let spoilt = self.sums.spoilt.iter().filter(move |_| undone);
        self.sums.clean.iter().chain(spoilt)
    }

    /// The same, joined where they overlap and in the order of time.
    fn groups(&self, undone: bool) -> Vec<Group> {
        let mut groups: Vec<Group> = Vec::new();
        for group in self.counted(undone) {
            let overlaps = |g: &&mut Group| {
                g.first_frame <= group.last_frame && group.first_frame <= g.last_frame
            };
            match groups.iter_mut().find(overlaps) {
                Some(same) => same.join(group),
                None => groups.push(group.clone()),
            }
        }
        groups.sort_by_key(|g| g.first_frame);
        groups
    }
}
