//! A recording followed while it comes.
//!
//! [`Follower`] is [`super::analyse`] with a look at the state on the way: the
//! same engine takes the same samples in, so its end is the same to the last
//! digit, however often it was asked before.

use super::again::{Keeper, Part};
use super::{About, AnalysisError, TakenIn, Through, conclude_through};
use crate::capture::{Recording, Stereo};
use crate::delay::{self, Estimate, Refusal};
use crate::spectrum::{CLIPPED, CrossSpectrum, Engine, EngineSettings, Recent, TracingProbe};
use crate::uncertainty::{Caveat, Level, Warning};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Steps a second of stream, at each of which it can be looked at.
pub const STEPS_PER_SECOND: u64 = 2;
/// Steps that make the short-term value: 4 s, short enough to watch a turn take
/// effect, and eight groups, of which the jackknife needs six.
const RECENT_STEPS: usize = 8;

/// Level of a stretch of signal, dB of full scale; null where there is nothing
/// but zeros.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct Signal {
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

/// Sums over the samples since the last look.
#[derive(Debug, Clone, Copy, Default)]
struct Meter {
    frames: u64,
    left: f64,
    right: f64,
    product: f64,
    peaks: [f32; 2],
    clipped: u64,
}

impl Meter {
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

    fn signal(&self) -> Signal {
        let db = |power: f64| (power > 0.0).then(|| 10.0 * power.log10());
        let [left, right] = self.powers().map(db);
        let [left_peak, right_peak] = self.peaks.map(|p| db(f64::from(p).powi(2)));
        Signal {
            left_dbfs: left,
            right_dbfs: right,
            left_peak_dbfs: left_peak,
            right_peak_dbfs: right_peak,
            clipped: self.clipped,
        }
    }

    /// What the samples alone say of the connection.
    fn faults(&self, signal: &Signal) -> Option<Caveat> {
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
                    "lost channel: {lost} carries next to nothing (left {}, right {}, of full scale): check leads and inputs",
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

/// What is known at one moment.
#[derive(Debug)]
pub struct Moment {
    /// Seconds of stream.
    pub stream_s: f64,
    /// Seconds of programme taken in.
    pub programme_s: f64,
    /// The analysis so far, or why there is none yet.
    pub so_far: Result<super::Analysis, AnalysisError>,
    /// The same of the latest few seconds; `None` if they brought nothing.
    pub recent: Option<Result<super::Analysis, AnalysisError>>,
    /// Level since the look before.
    pub signal: Signal,
    /// What is wrong now, the most serious first; empty: nothing.
    pub health: Vec<Caveat>,
}

/// Takes a recording in and can be asked on the way.
pub struct Follower {
    /// What is known of the recording beside its samples.
    taken: TakenIn,
    frames: Option<u64>,
    bits: Option<u16>,
    settings: delay::Settings,
    engine: Engine,
    probe: TracingProbe,
    keeper: Keeper,
    recent: Recent,
    meter: Meter,
    position: u64,
    steps: u64,
    /// Frames of programme at the last step, and steps since they grew.
    programme: (u64, u64),
}

impl Follower {
    /// Begins with a recording of which nothing has been read.
    ///
    /// # Errors
    ///
    /// When its sample rate is out of range.
    pub fn new(recording: &Recording, settings: delay::Settings) -> Result<Self, AnalysisError> {
        let rate = recording.sample_rate_hz();
        let mut engine = Engine::new(EngineSettings {
            sample_rate_hz: f64::from(rate),
            alignment: 0,
            whole: false,
        })
        .map_err(|error| AnalysisError::Settings {
            file: recording.name().to_owned(),
            error,
        })?;
        Ok(Self {
            taken: TakenIn {
                spectrum: engine.snapshot(),
                about: About::of(recording, 0),
                caveats: recording.caveats().to_vec(),
                tracing: None,
                part: Part::default(),
                again: None,
            },
            frames: recording.frames(),
            bits: recording.bits(),
            settings,
            engine,
            probe: TracingProbe::new(f64::from(rate)),
            keeper: Keeper::new(recording),
            recent: Recent::new(RECENT_STEPS),
            meter: Meter::default(),
            position: 0,
            steps: 0,
            programme: (0, 0),
        })
    }

    /// Sample rate, hertz.
    pub fn sample_rate_hz(&self) -> u32 {
        self.taken.about.sample_rate_hz
    }

    /// Valid bits of integer samples, see [`Recording::bits`].
    pub fn bits(&self) -> Option<u16> {
        self.bits
    }

    /// Length of the recording in seconds, where its header tells.
    pub fn length_s(&self) -> Option<f64> {
        self.frames
            .map(|frames| frames as f64 / f64::from(self.taken.about.sample_rate_hz))
    }

    /// Takes in the next block; says whether a step of half a second is done.
    /// Blocks that are short against a step keep the steps equal.
    pub fn push(&mut self, block: &Stereo) -> bool {
        self.engine.push(&block.left, &block.right);
        self.probe.push(&block.left, &block.right);
        self.keeper.push(block);
        self.meter.push(block);
        self.position += block.left.len() as u64;
        let rate = u64::from(self.taken.about.sample_rate_hz);
        let done = self.position * STEPS_PER_SECOND >= (self.steps + 1) * rate;
        if done {
            self.steps += 1;
            let mark = self.engine.mark();
            let frames = mark.quality().frames;
            self.programme = match self.programme {
                (before, unchanged) if before == frames => (before, unchanged + 1),
                _ => (frames, 0),
            };
            self.recent.push(mark);
        }
        done
    }

    fn taken(&self, spectrum: CrossSpectrum) -> TakenIn {
        TakenIn {
            spectrum,
            about: About {
                duration_s: self.seconds(),
                ..self.taken.about.clone()
            },
            caveats: self.taken.caveats.clone(),
            tracing: None,
            part: Part::default(),
            again: None,
        }
    }

    fn seconds(&self) -> f64 {
        self.position as f64 / f64::from(self.taken.about.sample_rate_hz)
    }

    /// Looks at what is known after a [step](Self::push); no step needs it.
    pub fn look(&mut self, through: Option<Through>) -> Moment {
        let snapshot = self.engine.snapshot();
        let programme_s = snapshot.averages_in_fit() * snapshot.frame_length as f64
            / f64::from(self.taken.about.sample_rate_hz);
        let conclude = |taken| conclude_through(taken, &self.settings, through);
        let recent = self.recent.spectrum(&snapshot);
        let recent = recent.map(|spectrum| conclude(self.taken(spectrum)));
        let so_far = conclude(self.taken(snapshot));
        let meter = std::mem::take(&mut self.meter);
        let signal = meter.signal();
        let health = self.health(&meter, &so_far, recent.as_ref());
        Moment {
            stream_s: self.seconds(),
            programme_s,
            so_far,
            recent,
            signal,
            health,
        }
    }

    fn health(
        &self,
        meter: &Meter,
        so_far: &Result<super::Analysis, AnalysisError>,
        recent: Option<&Result<super::Analysis, AnalysisError>>,
    ) -> Vec<Caveat> {
        let mut list: Vec<Caveat> = meter.faults(&meter.signal()).into_iter().collect();
        list.extend(Warning::Clipping.at(meter.clipped as f64, || {
            format!(
                "clipping: {} samples at full scale just now; lower the recording level",
                meter.clipped
            )
        }));
        let (programme, unchanged) = self.programme;
        let paused = unchanged as f64 / STEPS_PER_SECOND as f64;
        if programme > 0 {
            list.extend(Warning::EndOfSide.at(paused, || {
                format!(
                    "no programme for {paused:.1} s: the end of the side, or a pause; the result so far stands"
                )
            }));
        } else if list.is_empty() {
            list.push(
                Warning::Waiting
                    .seen("waiting for programme: it counts once it has lasted a second"),
            );
        }
        // The latest seconds speak for what is so now, else all of them.
        match recent.unwrap_or(so_far) {
            Ok(analysis) => list.extend(
                of_estimate(&analysis.estimate)
                    .filter(|caveat| caveat.level >= Level::Caution)
                    .cloned(),
            ),
            Err(AnalysisError::Refused { refusal, .. }) => list.extend(of_refusal(refusal)),
            Err(error) => list.push(Warning::NoEstimate.seen(error.to_string())),
        }
        let mut seen = std::collections::BTreeSet::new();
        list.retain(|caveat| seen.insert(caveat.code));
        list.sort_by_key(|caveat| std::cmp::Reverse(caveat.level));
        list
    }

    /// Ends with the recording as it is at its end, or, of a recording that was
    /// broken off, with `None`: what [`super::take_in`] gives of the same samples.
    ///
    /// # Errors
    ///
    /// When the rest of the recording cannot be read for its hash.
    pub fn end(mut self, recording: Option<Recording>) -> Result<TakenIn, AnalysisError> {
        let spectrum = self.engine.snapshot();
        let taken = match recording {
            Some(recording) => super::described(recording, spectrum, self.position)?,
            None => self.taken(spectrum),
        };
        Ok(TakenIn {
            tracing: self.probe.found(),
            again: self.keeper.finish(),
            ..taken
        })
    }
}

/// What an estimate says of the signal as it is now; clipping is judged from the
/// samples, and the meter's words are of this half second.
fn of_estimate(estimate: &Estimate) -> impl Iterator<Item = &Caveat> {
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
    use crate::capture::{self, Options, Source};
    use crate::chain::ApplyError;

    /// A refusal is a serious doubt of its own, unless only time is missing; and so is any
    /// other failure.
    #[test]
    fn what_fails_is_a_serious_doubt() {
        let path =
            std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("test-signals/example.wav");
        let recording = capture::open(&Source::Path(path), &Options::default()).unwrap();
        let follower = Follower::new(&recording, delay::Settings::default()).unwrap();
        // half a second of which nothing is wrong
        let mut meter = Meter::default();
        meter.push(&Stereo {
            left: vec![0.1, 0.2],
            right: vec![0.2, 0.1],
        });
        let told = |error: AnalysisError| {
            let health = follower.health(&meter, &Err(error), None);
            let serious = health.into_iter().filter(|c| c.level == Level::Serious);
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
}
