//! Analysis of a recording while it is made.
//!
//! [`Follower`] is [`super::analyse`] with a look at the state on the way: the
//! same engine takes the same samples in, so its end is the same to the last
//! digit, however often it was asked before.
//!
//! Programme that comes after a pause may be that of a stylus that was turned meanwhile. So
//! it is a stretch of its own, with an engine of its own, and the one before it stands
//! as it was when the pause began.

use super::limits::{
    AGREEING_JUDGEMENTS, JUDGE_STEPS, PAUSE_STEPS, RECENT_STEPS, STEPS_PER_SECOND,
};
use super::reread::{FrameRange, Reread, Spool};
use super::{
    Analysis, AnalysisError, ChainCorrection, RecordingInfo, RecordingSpectrum, estimate_corrected,
};
use crate::capture::{Recording, Stereo};
use crate::delay::{self, DelayEstimate, Refusal};
use crate::spectrum::{
    CLIPPED, CoderProbe, CrossSpectrum, Engine, EngineSettings, RecentSpectrum, SettingsError,
    Tracing, TracingProbe,
};
use crate::uncertainty::{Caveat, Level, Warning};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, VecDeque};

/// Warnings that tracing distortion can also cause: it changes the delay with the
/// programme, and makes frames outliers.
const CAUSED_BY_TRACING: [Warning; 4] = [
    Warning::Unsteady,
    Warning::Scatter,
    Warning::Misfit,
    Warning::Clicks,
];

/// Level of a stretch of signal, dB of full scale; null where there is nothing
/// but zeros.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct SignalLevel {
    /// Mean power of the left channel (a sine at full scale: -3.0).
    pub left_dbfs: Option<f64>,
    /// Mean power of the right channel.
    pub right_dbfs: Option<f64>,
    /// Highest sample of the left channel.
    pub left_peak_dbfs: Option<f64>,
    /// Highest sample of the right channel.
    pub right_peak_dbfs: Option<f64>,
    /// Samples at full scale, both channels together.
    pub clipped: u64,
}

/// Sums over samples.
#[derive(Debug, Clone, Copy, Default)]
struct LevelMeter {
    frames: u64,
    left: f64,
    right: f64,
    product: f64,
    peaks: [f32; 2],
    clipped: u64,
}

impl LevelMeter {
    fn add(&mut self, other: &Self) {
        self.frames += other.frames;
        self.left += other.left;
        self.right += other.right;
        self.product += other.product;
        self.peaks = [0, 1].map(|k: usize| self.peaks[k].max(other.peaks[k]));
        self.clipped += other.clipped;
    }

    fn push(&mut self, block: &Stereo) {
        self.frames += block.left.len() as u64;
        for (l, r) in block.left.iter().zip(&block.right) {
            let (left, right) = (f64::from(*l), f64::from(*r));
            self.left += left * left;
            self.right += right * right;
            self.product += left * right;
            self.peaks = [self.peaks[0].max(l.abs()), self.peaks[1].max(r.abs())];
            self.clipped += u64::from(l.abs() >= CLIPPED) + u64::from(r.abs() >= CLIPPED);
        }
    }

    fn powers(&self) -> [f64; 2] {
        [self.left, self.right].map(|sum| sum / self.frames.max(1) as f64)
    }

    fn signal(&self) -> SignalLevel {
        let db = |power: f64| (power > 0.0).then(|| 10.0 * power.log10());
        let [left, right] = self.powers().map(db);
        let [left_peak, right_peak] = self.peaks.map(|p| db(f64::from(p).powi(2)));
        SignalLevel {
            left_dbfs: left,
            right_dbfs: right,
            left_peak_dbfs: left_peak,
            right_peak_dbfs: right_peak,
            clipped: self.clipped,
        }
    }

    /// Warnings about the connection from the samples alone.
    fn faults(&self) -> Option<Caveat> {
        let signal = self.signal();
        let [left, right] = self.powers();
        let words = |dbfs: Option<f64>| {
            dbfs.map_or("nothing but zeros".to_owned(), |v| format!("{v:.0} dB"))
        };
        let (loud, quiet) = (left.max(right), left.min(right));
        let no_signal = Warning::NoSignal.at(loud, || {
            format!(
                "no signal (left {}, right {}, of full scale): check that the record plays and that the recorder takes the right input",
                words(signal.left_dbfs),
                words(signal.right_dbfs)
            )
        });
        let lost_channel = || {
            let lost = if left < right { "left" } else { "right" };
            Warning::LostChannel.at(10.0 * (loud / quiet).log10(), || {
                format!(
                    "lost channel: {lost} carries almost nothing (left {}, right {}, of full scale): check leads and inputs",
                    words(signal.left_dbfs),
                    words(signal.right_dbfs)
                )
            })
        };
        let same_signal = || {
            let difference = 1.0 - self.product * self.product / (self.left * self.right);
            Warning::SameSignal.at(difference, || {
                let difference_db = 10.0 * difference.max(1e-30).log10();
                Refusal::SameSignal { difference_db }.to_string()
            })
        };
        no_signal.or_else(lost_channel).or_else(same_signal)
    }
}

/// Warnings that noise may raise or clear at any moment; shown and withdrawn after
/// [`AGREEING_JUDGEMENTS`] equal judgements in a row.
#[derive(Debug, Default)]
struct DebouncedWarnings {
    judgements: usize,
    doubts: BTreeMap<Warning, DebouncedWarning>,
}

#[derive(Debug)]
struct DebouncedWarning {
    caveat: Caveat,
    shown: bool,
    /// Number of contrary judgements in a row.
    otherwise: usize,
}

impl DebouncedWarnings {
    fn judge(&mut self, found: Vec<Caveat>) {
        self.judgements += 1;
        for doubt in self.doubts.values_mut() {
            let agrees = found.iter().any(|c| c.code == doubt.caveat.code) == doubt.shown;
            doubt.otherwise = if agrees { 0 } else { doubt.otherwise + 1 };
        }
        for caveat in found {
            let doubt = self
                .doubts
                .entry(caveat.code)
                .or_insert_with(|| DebouncedWarning {
                    caveat: caveat.clone(),
                    shown: false,
                    otherwise: 1,
                });
            doubt.caveat = caveat;
        }
        for doubt in self.doubts.values_mut() {
            if doubt.otherwise >= AGREEING_JUDGEMENTS {
                doubt.shown = !doubt.shown;
                doubt.otherwise = 0;
            }
        }
        // one that is not shown and was not found again is forgotten
        self.doubts.retain(|_, d| d.shown || d.otherwise > 0);
    }

    /// Steps until the next judgement.
    fn interval(&self) -> u64 {
        match self.judgements < RECENT_STEPS {
            true => 1,
            false => JUDGE_STEPS,
        }
    }

    fn shown(&self) -> impl Iterator<Item = &Caveat> {
        let shown = self.doubts.values().filter(|doubt| doubt.shown);
        shown.map(|doubt| &doubt.caveat)
    }
}

/// The programme from one pause to the next.
struct PlayedStretch {
    engine: Engine,
    probe: TracingProbe,
    coder: CoderProbe,
    recent: RecentSpectrum,
    /// Samples of the stream before it.
    first: u64,
    /// Frames of programme at the last step, and steps since they grew.
    programme: (u64, u64),
    /// Whether part of it exceeded the signal threshold.
    heard: bool,
    /// First sample that counts: it changes when a lead-in is discarded.
    began: u64,
    /// Step of the last judgement.
    judged: u64,
    steady: DebouncedWarnings,
}

impl PlayedStretch {
    fn new(sample_rate_hz: u32, first: u64) -> Result<Self, SettingsError> {
        let rate = f64::from(sample_rate_hz);
        Ok(Self {
            engine: Engine::new(EngineSettings {
                sample_rate_hz: rate,
                alignment: 0,
                whole: false,
            })?,
            probe: TracingProbe::new(rate, 0.0),
            coder: CoderProbe::new(rate),
            recent: RecentSpectrum::new(RECENT_STEPS),
            first,
            programme: (0, 0),
            heard: false,
            began: 0,
            judged: 0,
            steady: DebouncedWarnings::default(),
        })
    }

    fn push(&mut self, block: &Stereo) {
        self.engine.push(&block.left, &block.right);
        self.probe.push(&block.left, &block.right);
        self.coder.push(&block.left, &block.right);
    }

    /// Ends a step; says whether programme has grown in it.
    fn step(&mut self) -> bool {
        let mark = self.engine.running_sums();
        let frames = mark.quality().frames;
        let grew = frames != self.programme.0;
        self.programme = (frames, if grew { 0 } else { self.programme.1 + 1 });
        if mark.began() != self.began {
            // what was judged was the lead-in
            self.began = mark.began();
            self.steady = DebouncedWarnings::default();
        }
        self.recent.push(mark);
        grew
    }

    fn has_programme(&self) -> bool {
        self.programme.0 > 0
    }

    fn pauses(&self) -> bool {
        self.has_programme() && self.programme.1 >= PAUSE_STEPS
    }

    fn snapshot(&mut self) -> CrossSpectrum {
        CrossSpectrum {
            origin: self.first,
            ..self.engine.snapshot()
        }
    }

    /// Its state after `end` samples of the stream.
    fn held(&mut self, end: u64) -> StretchSnapshot {
        StretchSnapshot {
            spectrum: self.snapshot(),
            tracing: self.probe.found(),
            coded: super::coded(&self.coder),
            part: FrameRange {
                first: self.first,
                end,
                whole: false,
            },
        }
    }
}

/// A stretch as it was at some moment.
struct StretchSnapshot {
    spectrum: CrossSpectrum,
    tracing: Option<Tracing>,
    coded: Option<Caveat>,
    part: FrameRange,
}

/// State of a stream at one moment.
#[derive(Debug)]
pub struct StreamState {
    /// Seconds of stream.
    pub stream_s: f64,
    /// Number of the stretch, from 1: one more after each pause.
    pub stretch: usize,
    /// Where in the stream it begins, seconds.
    pub from_s: f64,
    /// Seconds of programme taken in.
    pub programme_s: f64,
    /// The analysis of this stretch so far, or why there is none yet.
    pub so_far: Result<Analysis, AnalysisError>,
    /// The same of the latest few seconds; `None` without an estimate, or if not requested.
    pub recent: Option<Result<Analysis, AnalysisError>>,
    /// Level in the latest half second.
    pub signal: SignalLevel,
    /// What is wrong now, the most serious first; empty: nothing.
    pub health: Vec<Caveat>,
}

/// Final result of a stream.
#[derive(Debug)]
pub struct StreamEnd {
    /// The last stretch: what [`super::read_spectrum`] gives of the same samples.
    pub last: RecordingSpectrum,
    /// The stretch before it, if there was one.
    pub before: Option<RecordingSpectrum>,
}

/// Analyses a recording while it is made, and gives intermediate results.
pub struct Follower {
    /// What is known of the recording beside its samples.
    info: RecordingInfo,
    caveats: Vec<Caveat>,
    frames: Option<u64>,
    bits: Option<u16>,
    settings: delay::EstimateSettings,
    spool: Spool,
    /// The stretch that plays, or played before the pause.
    now: PlayedStretch,
    /// It as it was when the pause began, until there is a new one.
    paused: Option<StretchSnapshot>,
    /// A possible new stretch.
    next: Option<PlayedStretch>,
    /// The stretch before, and the number of this one.
    before: Option<StretchSnapshot>,
    number: usize,
    /// Level in the step that is going on, and in the latest ones.
    step: LevelMeter,
    latest: VecDeque<LevelMeter>,
    position: u64,
    steps: u64,
}

impl Follower {
    /// Begins with a recording of which nothing has been read.
    ///
    /// # Errors
    ///
    /// When its sample rate is out of range.
    pub fn new(
        recording: &Recording,
        settings: delay::EstimateSettings,
    ) -> Result<Self, AnalysisError> {
        Ok(Self {
            caveats: recording.caveats().to_vec(),
            frames: recording.frames(),
            bits: recording.bits(),
            spool: Spool::new(recording),
            ..Self::of(RecordingInfo::of(recording, 0), settings)?
        })
    }

    /// Begins with samples to come, which have no file; `name` is for messages. Nothing is
    /// kept of them for a second reading.
    ///
    /// # Errors
    ///
    /// When the sample rate is out of range.
    pub fn live(
        name: &str,
        sample_rate_hz: u32,
        settings: delay::EstimateSettings,
    ) -> Result<Self, AnalysisError> {
        let about = RecordingInfo {
            file: name.to_owned(),
            sha256: None,
            description: String::new(),
            metadata: Vec::new(),
            sample_rate_hz,
            duration_s: 0.0,
        };
        Self::of(about, settings)
    }

    fn of(about: RecordingInfo, settings: delay::EstimateSettings) -> Result<Self, AnalysisError> {
        let now = PlayedStretch::new(about.sample_rate_hz, 0).map_err(|error| {
            AnalysisError::Settings {
                file: about.file.clone(),
                error,
            }
        })?;
        Ok(Self {
            info: about,
            caveats: Vec::new(),
            frames: None,
            bits: None,
            settings,
            spool: Spool::none(),
            now,
            paused: None,
            next: None,
            before: None,
            number: 1,
            step: LevelMeter::default(),
            latest: VecDeque::new(),
            position: 0,
            steps: 0,
        })
    }

    /// Sample rate, hertz.
    pub fn sample_rate_hz(&self) -> u32 {
        self.info.sample_rate_hz
    }

    /// Valid bits of integer samples, see [`Recording::bits`].
    pub fn bits(&self) -> Option<u16> {
        self.bits
    }

    /// Length of the recording in seconds, where its header tells.
    pub fn length_s(&self) -> Option<f64> {
        self.frames
            .map(|frames| frames as f64 / f64::from(self.info.sample_rate_hz))
    }

    /// Which stretch plays, or has paused: from 1, one more after each pause.
    pub fn stretch(&self) -> usize {
        self.number
    }

    /// Whether the programme pauses.
    pub fn pauses(&self) -> bool {
        self.now.pauses()
    }

    /// Where in the stream this stretch begins, seconds.
    pub fn from_s(&self) -> f64 {
        self.now.first as f64 / f64::from(self.info.sample_rate_hz)
    }

    /// Frames until the step that is going on is done.
    pub fn to_next_step(&self) -> usize {
        let end =
            ((self.steps + 1) * u64::from(self.info.sample_rate_hz)).div_ceil(STEPS_PER_SECOND);
        (end - self.position) as usize
    }

    /// Takes in the next block; says whether a step of half a second is done.
    /// Blocks that end with a [step](Self::to_next_step) keep the steps equal. What the latest
    /// seconds say of the signal's health, seen `through` a calibration, is judged at fixed
    /// steps, so that it does not depend on who looks when.
    pub fn push(&mut self, block: &Stereo, through: Option<ChainCorrection>) -> bool {
        for stretch in std::iter::once(&mut self.now).chain(&mut self.next) {
            stretch.push(block);
        }
        self.spool.push(block);
        self.step.push(block);
        self.position += block.left.len() as u64;
        let rate = u64::from(self.info.sample_rate_hz);
        let done = self.position * STEPS_PER_SECOND >= (self.steps + 1) * rate;
        if done {
            self.steps += 1;
            let step = std::mem::take(&mut self.step);
            self.latest.push_back(step);
            if self.latest.len() > RECENT_STEPS {
                self.latest.pop_front();
            }
            self.follow_pauses();
            self.judge(through);
        }
        done
    }

    /// A pause ends with programme that lasts as long as any that counts.
    fn follow_pauses(&mut self) {
        let grew = self.now.step();
        let silent = |meter: &LevelMeter| {
            let [left, right] = meter.powers();
            Warning::NoSignal.level(left.max(right)).is_some()
        };
        self.now.heard |= grew && !self.latest.back().is_none_or(silent);
        if let Some(next) = &mut self.next {
            next.step();
        }
        if self.now.pauses() {
            // what had begun was the needle's drop, or the arm's lift
            self.next = None;
            if self.paused.is_none() {
                self.paused = Some(self.now.held(self.position));
            }
        } else if grew && self.paused.is_some() && self.next.is_none() {
            // the rate was accepted at the start
            self.next = PlayedStretch::new(self.info.sample_rate_hz, self.position).ok();
        }
        if let Some(next) = self.next.take_if(|next| next.has_programme()) {
            self.now = next;
            self.before = self.paused.take();
            self.number += 1;
        }
    }

    /// Judges the latest seconds, if it is time to.
    fn judge(&mut self, through: Option<ChainCorrection>) {
        let due = self.now.judged + self.now.steady.interval();
        if self.steps < due {
            return;
        }
        let Some(recent) = self.recent() else {
            return;
        };
        if let Some(found) = doubts(&self.estimate(recent, through)) {
            self.now.judged = self.steps;
            self.now.steady.judge(found);
        }
    }

    /// The spectrum of the latest seconds.
    fn recent(&mut self) -> Option<CrossSpectrum> {
        if self.next.is_some() {
            return None;
        }
        let like = self.now.snapshot();
        self.now.recent.spectrum(&like)
    }

    /// The stretch so far. While it is not decided whether a pause has ended, as it was when
    /// the pause began.
    fn so_far(&mut self) -> CrossSpectrum {
        match (&self.paused, &self.next) {
            (Some(paused), Some(_)) => paused.spectrum.clone(),
            _ => self.now.snapshot(),
        }
    }

    /// What tracing adds is taken out at the end, when the recording is read again; so what it
    /// alone may bring about is no doubt before.
    fn estimate(
        &self,
        spectrum: CrossSpectrum,
        through: Option<ChainCorrection>,
    ) -> Result<Analysis, AnalysisError> {
        let mut analysis = estimate_corrected(self.taken(spectrum), &self.settings, through)?;
        if self.now.probe.found().is_some() {
            let stays = |caveat: &Caveat| !CAUSED_BY_TRACING.contains(&caveat.code);
            analysis.caveats.retain(stays);
            analysis.estimate.caveats.retain(stays);
        }
        Ok(analysis)
    }

    fn taken(&self, spectrum: CrossSpectrum) -> RecordingSpectrum {
        RecordingSpectrum {
            spectrum,
            info: RecordingInfo {
                duration_s: self.seconds(),
                ..self.info.clone()
            },
            caveats: self.caveats.clone(),
            tracing: None,
            identical: false,
            part: FrameRange::default(),
            reread: None,
        }
    }

    fn seconds(&self) -> f64 {
        self.position as f64 / f64::from(self.info.sample_rate_hz)
    }

    /// The stretch before this one, if there was one and it gave an estimate.
    pub fn before(&self, through: Option<ChainCorrection>) -> Option<Analysis> {
        let before = self.before.as_ref()?;
        self.estimate(before.spectrum.clone(), through).ok()
    }

    /// Level in the latest half second.
    pub fn signal(&self) -> SignalLevel {
        self.latest.back().copied().unwrap_or_default().signal()
    }

    /// Looks at what is known after a [step](Self::push), and if asked at the latest seconds by
    /// themselves; no step needs it.
    pub fn look(&mut self, through: Option<ChainCorrection>, with_recent: bool) -> StreamState {
        let so_far = self.so_far();
        let programme_s = so_far.averages_in_fit() * so_far.frame_length as f64
            / f64::from(self.info.sample_rate_hz);
        let recent = with_recent.then(|| self.recent()).flatten();
        StreamState {
            stream_s: self.seconds(),
            stretch: self.number,
            from_s: self.from_s(),
            programme_s,
            so_far: self.estimate(so_far, through),
            recent: recent.map(|spectrum| self.estimate(spectrum, through)),
            signal: self.signal(),
            health: self.health(),
        }
    }

    fn health(&self) -> Vec<Caveat> {
        let latest = |steps: usize| {
            let mut meter = LevelMeter::default();
            let newest = self.latest.iter().rev().take(steps);
            newest.for_each(|step| meter.add(step));
            meter
        };
        // a rest is no fault of the connection: one lasts as long as a pause; and once there was
        // programme, silence is a pause
        let heard = self.now.heard;
        let faults = latest(PAUSE_STEPS as usize).faults().into_iter();
        let mut list: Vec<Caveat> = faults
            .filter(|c| !(heard && c.code == Warning::NoSignal))
            .collect();
        let clipped = latest(RECENT_STEPS).clipped;
        list.extend(Warning::Clipping.at(clipped as f64, || {
            format!(
                "clipping: {clipped} samples at full scale in the latest {} seconds; lower the recording level",
                RECENT_STEPS as u64 / STEPS_PER_SECOND
            )
        }));
        let silent_s = self.now.programme.1 as f64 / STEPS_PER_SECOND as f64;
        if self.now.pauses() {
            list.extend(Warning::EndOfSide.at(silent_s, || {
                format!(
                    "no programme for {silent_s:.1} s: the end of the side, a lifted arm or, if the record plays on, a loose lead. The result so far stands; what plays next starts a new one"
                )
            }));
        } else if !heard && list.is_empty() {
            list.push(
                Warning::Waiting
                    .seen("waiting for programme: it counts once it has lasted a second"),
            );
        }
        list.extend(self.now.steady.shown().cloned());
        let mut seen = std::collections::BTreeSet::new();
        list.retain(|caveat| seen.insert(caveat.code));
        list.sort_by_key(|caveat| std::cmp::Reverse(caveat.level));
        list
    }

    /// Ends with the recording as it is at its end, or, of a recording that was
    /// broken off, with `None`.
    ///
    /// # Errors
    ///
    /// When the rest of the recording cannot be read for its hash.
    pub fn end(mut self, recording: Option<Recording>) -> Result<StreamEnd, AnalysisError> {
        let last = match (self.paused.take(), &self.next) {
            (Some(paused), Some(_)) => paused,
            _ => self.now.held(u64::MAX),
        };
        let taken = match recording {
            Some(recording) => super::described(recording, last.spectrum, self.position)?,
            None => self.taken(last.spectrum),
        };
        let kept = self.spool.finish();
        let reread = |part| kept.clone().map(|kept| Reread::Kept(kept, part));
        let before = self.before.map(|held| RecordingSpectrum {
            spectrum: held.spectrum,
            info: taken.info.clone(),
            caveats: taken.caveats.iter().cloned().chain(held.coded).collect(),
            tracing: held.tracing,
            identical: false,
            part: held.part,
            reread: reread(held.part),
        });
        let last = RecordingSpectrum {
            caveats: taken.caveats.into_iter().chain(last.coded).collect(),
            tracing: last.tracing,
            part: last.part,
            reread: reread(last.part),
            ..taken
        };
        Ok(StreamEnd { last, before })
    }
}

/// What an analysis says of the signal as it is now; `None` where time alone is missing.
fn doubts(analysis: &Result<super::Analysis, AnalysisError>) -> Option<Vec<Caveat>> {
    match analysis {
        Ok(analysis) => Some(
            of_estimate(&analysis.estimate)
                .filter(|caveat| caveat.level >= Level::Caution)
                .cloned()
                .collect(),
        ),
        Err(AnalysisError::Refused { refusal, .. }) => of_refusal(refusal).map(|c| vec![c]),
        Err(error) => Some(vec![Warning::NoEstimate.seen(error.to_string())]),
    }
}

/// What an estimate says of the signal as it is now; clipping is judged from the
/// samples by themselves.
fn of_estimate(estimate: &DelayEstimate) -> impl Iterator<Item = &Caveat> {
    estimate
        .caveats
        .iter()
        .filter(|c| c.code != Warning::Clipped)
}

/// A refusal as a doubt; none where time alone is missing.
fn of_refusal(refusal: &Refusal) -> Option<Caveat> {
    let (code, subject) = match refusal {
        Refusal::Silence { .. } | Refusal::TooShort { .. } => return None,
        Refusal::OneChannel { .. } => (Warning::LostChannel, "lost channel: "),
        Refusal::SameSignal { .. } => (Warning::SameSignal, ""),
        Refusal::NothingInCommon { .. } => (Warning::NothingInCommon, ""),
        Refusal::Ambiguous { .. } => (Warning::Ambiguous, "the signal "),
        Refusal::EmptyBand { .. } | Refusal::NoInformation { .. } => (Warning::EmptyBand, ""),
        Refusal::Singular { .. } | Refusal::NotConverged { .. } => (Warning::NoEstimate, ""),
    };
    Some(code.seen(format!("{subject}{refusal}")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chain::ApplyError;

    /// A refusal is a serious doubt of its own, unless only time is missing; and so is any
    /// other failure.
    #[test]
    fn what_fails_is_a_serious_doubt() {
        let told = |error: AnalysisError| {
            let found = doubts(&Err(error)).into_iter().flatten();
            let serious = found.filter(|c| c.level == Level::Serious);
            serious.map(|c| c.code).collect::<Vec<_>>()
        };
        let refused = |refusal: Refusal| {
            told(AnalysisError::Refused {
                file: "x".into(),
                refusal,
                doubts: String::new(),
            })
        };
        let (low_hz, high_hz) = (100.0, 200.0);
        assert!(refused(Refusal::TooShort { needed: 1.0 }).is_empty());
        assert_eq!(
            refused(Refusal::Ambiguous { rival: 0.99 }),
            [Warning::Ambiguous]
        );
        assert_eq!(
            refused(Refusal::EmptyBand { low_hz, high_hz }),
            [Warning::EmptyBand]
        );
        let error = ApplyError::NoOverlap {
            calibrated_low: 1000.0,
            calibrated_high: 2000.0,
            low: low_hz,
            high: high_hz,
        };
        let file = "x".into();
        assert_eq!(
            told(AnalysisError::Calibration { file, error }),
            [Warning::NoEstimate]
        );
    }

    /// A doubt that comes and goes is shown throughout or not at all; one that lasts is
    /// shown, and withdrawn once it is gone.
    #[test]
    fn doubts_do_not_flicker() {
        let noisy = || vec![Caveat::caution(Warning::Noisy, "noisy")];
        let mut steady = DebouncedWarnings::default();
        let mut shown = |found: Vec<Caveat>| {
            steady.judge(found);
            steady.shown().count()
        };
        for _ in 0..10 {
            assert_eq!((shown(noisy()), shown(Vec::new())), (0, 0));
        }
        for k in 1..=AGREEING_JUDGEMENTS {
            assert_eq!(shown(noisy()), usize::from(k == AGREEING_JUDGEMENTS));
        }
        for _ in 0..10 {
            assert_eq!((shown(Vec::new()), shown(noisy())), (1, 1));
        }
        for k in 1..=AGREEING_JUDGEMENTS {
            assert_eq!(shown(Vec::new()), usize::from(k < AGREEING_JUDGEMENTS));
        }
        // begins anew
        assert_eq!(shown(noisy()), 0);
    }
}
