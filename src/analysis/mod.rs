//! Analyses a recording: reads it, computes its cross-spectrum, estimates the delay.

mod bands;
mod evidence;
pub mod follow;
mod limits;
mod reread;

pub use bands::{Span, bands, depth_db, programme};
pub use evidence::{Evidence, StretchDelay};
pub use reread::refine;

/// What [`tone`] and [`once_around`] find.
pub use crate::spectrum::{FrequencyModulation, OnceAround, Tone};

use reread::{FrameRange, Processing, Reread, Spool};

use crate::capture::{self, CaptureError, Recording, Source, Stereo};
use crate::chain::{ApplyError, Calibration};
use crate::delay::{self, DelayEstimate, Refusal};
use crate::spectrum::{
    CoderProbe, CrossSpectrum, Engine, EngineSettings, SettingsError, ToneFollower, ToneProbe,
    Tracing, TracingProbe,
};
use crate::uncertainty::{Caveat, Level, Warning};
use crate::units::hexadecimal;
use thiserror::Error;

/// Samples read at a time, per channel.
const BLOCK: usize = 1 << 17;

/// Recording and settings of an analysis.
#[derive(Debug, Clone)]
pub struct Request {
    /// The recording.
    pub source: Source,
    /// Options for reading it.
    pub options: capture::ReadOptions,
    /// Start of the part to analyse, seconds; detected if absent.
    pub from_s: Option<f64>,
    /// End of the part to analyse, seconds.
    pub to_s: Option<f64>,
    /// How to estimate.
    pub settings: delay::EstimateSettings,
}

impl Request {
    /// The whole of a recording of a groove by an unknown cartridge.
    pub fn new(source: Source) -> Self {
        Self {
            source,
            options: capture::ReadOptions::default(),
            from_s: None,
            to_s: None,
            settings: delay::EstimateSettings::of_groove(),
        }
    }
}

/// The strongest tone in a part of a recording, from and to so many seconds; `None` where there is none.
///
/// # Errors
///
/// When the recording cannot be read.
pub fn tone(
    source: &Source,
    options: &capture::ReadOptions,
    span_s: [f64; 2],
) -> Result<Option<Tone>, CaptureError> {
    let mut recording = capture::open(source, options)?;
    let mut probe = ToneProbe::new(f64::from(recording.sample_rate_hz()));
    let push = &mut |block: &Stereo| probe.push(&block.left, &block.right);
    for_each_block(&mut recording, span_s, push)?;
    Ok(probe.found())
}

/// Frequency and once-per-revolution modulation of a tone of about so many hertz in a part of a
/// recording, at so many revolutions per second; `None` of less than a revolution.
///
/// # Errors
///
/// When the recording cannot be read.
pub fn once_around(
    source: &Source,
    options: &capture::ReadOptions,
    span_s: [f64; 2],
    [hertz, per_s]: [f64; 2],
) -> Result<Option<OnceAround>, CaptureError> {
    let mut recording = capture::open(source, options)?;
    let mut follower = ToneFollower::new(f64::from(recording.sample_rate_hz()), hertz);
    let push = &mut |block: &Stereo| follower.push(&block.left, &block.right);
    for_each_block(&mut recording, span_s, push)?;
    Ok(follower.turning(per_s))
}

/// Passes a part of a recording, from and to so many seconds, to a function block by block.
fn for_each_block(
    recording: &mut Recording,
    [from_s, to_s]: [f64; 2],
    push: &mut dyn FnMut(&Stereo),
) -> Result<(), CaptureError> {
    let rate = f64::from(recording.sample_rate_hz());
    let mut position = recording.skip((from_s * rate) as u64)?;
    let end = (to_s * rate) as u64;
    let mut block = Stereo::default();
    while position < end {
        let wanted = (end - position).min(BLOCK as u64) as usize;
        let got = recording.read(&mut block, wanted)?;
        if got == 0 {
            break;
        }
        push(&block);
        position += got as u64;
    }
    Ok(())
}

/// Description of a recording.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordingInfo {
    /// The recording's name, as given, with `/`.
    pub file: String,
    /// SHA-256 of the file, if requested.
    pub sha256: Option<String>,
    /// Container, coding, channels and rate in words.
    pub description: String,
    /// Text metadata: name and text.
    pub metadata: Vec<(String, String)>,
    /// Sample rate, hertz.
    pub sample_rate_hz: u32,
    /// Length of the recording as read, seconds.
    pub duration_s: f64,
}

impl RecordingInfo {
    /// The description of a recording of which `read` frames were read.
    fn of(recording: &Recording, read: u64) -> Self {
        let frames = recording.frames().unwrap_or(read).max(read);
        Self {
            file: recording.name().to_owned(),
            sha256: None,
            description: recording.description(),
            metadata: recording.metadata().to_vec(),
            sample_rate_hz: recording.sample_rate_hz(),
            duration_s: frames as f64 / f64::from(recording.sample_rate_hz()),
        }
    }
}

/// Result of an analysis.
#[derive(Debug, Clone)]
pub struct Analysis {
    /// The recording.
    pub info: RecordingInfo,
    /// The averaged cross-spectral matrix.
    pub spectrum: CrossSpectrum,
    /// Its delay estimate.
    pub estimate: DelayEstimate,
    /// Tracing distortion, where it was found.
    pub tracing: Option<Tracing>,
    /// Warnings about the recording and the estimate.
    pub caveats: Vec<Caveat>,
}

/// Why an analysis fails. Every message names the recording.
#[derive(Debug, Error)]
pub enum AnalysisError {
    /// It cannot be read.
    #[error(transparent)]
    Capture(#[from] CaptureError),
    /// Its delay cannot be estimated.
    #[error("{file}: {refusal}{doubts}")]
    Refused {
        /// The recording.
        file: String,
        /// The reason.
        refusal: Refusal,
        /// Serious warnings about the recording, each after "; also: ".
        doubts: String,
    },
    /// Its sample rate is out of range.
    #[error("{file}: {error}")]
    Settings {
        /// The recording.
        file: String,
        /// The reason.
        error: SettingsError,
    },
    /// Its band was not calibrated.
    #[error("{file}: {error}")]
    Calibration {
        /// The recording.
        file: String,
        /// The reason.
        error: ApplyError,
    },
    /// The part asked for is empty or beyond the end.
    #[error(
        "{file}: nothing to analyse from {from_s} s to {}: the recording lasts {duration_s:.2} s; choose times within it (--from and --to, or from_s and to_s of a job)",
        if to_s.is_finite() { format!("{to_s} s") } else { "the end".to_owned() }
    )]
    EmptySpan {
        /// The recording.
        file: String,
        /// Start asked for, seconds.
        from_s: f64,
        /// End asked for, seconds (infinite: the end).
        to_s: f64,
        /// Length, seconds.
        duration_s: f64,
    },
}

/// The spectrum of a recording, with its description and warnings.
#[derive(Debug, Clone)]
pub struct RecordingSpectrum {
    /// The averaged cross-spectral matrix.
    pub spectrum: CrossSpectrum,
    /// The recording.
    pub info: RecordingInfo,
    /// Warnings about the recording.
    pub caveats: Vec<Caveat>,
    /// Tracing distortion, where it was estimated and not yet removed.
    pub tracing: Option<Tracing>,
    /// Whether both channels are one signal over the whole recording, to within one quantisation step.
    pub identical: bool,
    /// The part that was read.
    part: FrameRange,
    /// How it can be read again.
    reread: Option<Reread>,
}

/// Reads a recording and averages its cross-spectral matrix. `progress` is
/// told the fraction done, where the length is known.
pub fn read_spectrum(
    request: &Request,
    progress: &mut (dyn FnMut(f64) + Send),
) -> Result<RecordingSpectrum, AnalysisError> {
    let mut recording = capture::open(&request.source, &request.options)?;
    let rate = f64::from(recording.sample_rate_hz());
    let part = FrameRange {
        first: (request.from_s.unwrap_or(0.0) * rate).round() as u64,
        end: request.to_s.map_or(u64::MAX, |s| (s * rate).round() as u64),
        whole: request.from_s.is_some() || request.to_s.is_some(),
    };
    let mut spool = (!recording.can_seek()).then(|| Spool::new(&recording));
    let mut probe = TracingProbe::new(rate, 0.0);
    let mut coder = CoderProbe::new(rate);
    let mut identity = SameSignalProbe::new(&recording);
    let engine = engine(&recording, part.whole, Processing::Plain)?;
    let mut also = |block: &Stereo| {
        probe.push(&block.left, &block.right);
        coder.push(&block.left, &block.right);
        identity.push(block);
        if let Some(spool) = &mut spool {
            spool.push(block);
        }
    };
    let (spectrum, position) = averaged(&mut recording, engine, part, &mut also, progress)?;
    if position <= part.first && part.whole {
        return Err(AnalysisError::EmptySpan {
            file: recording.name().to_owned(),
            from_s: request.from_s.unwrap_or(0.0),
            to_s: request.to_s.unwrap_or(f64::INFINITY),
            duration_s: recording.frames().unwrap_or(position).max(position) as f64 / rate,
        });
    }
    let reread = match spool {
        Some(spool) => {
            let all = FrameRange {
                whole: part.whole,
                ..FrameRange::default()
            };
            spool.finish().map(|kept| Reread::Kept(kept, all))
        }
        None => Some(Reread::Source(
            request.source.clone(),
            request.options.clone(),
        )),
    };
    let mut taken = RecordingSpectrum {
        tracing: probe.found(),
        identical: identity.remains(),
        part,
        reread,
        ..described(recording, spectrum, position)?
    };
    taken.caveats.extend(coded(&coder));
    Ok(taken)
}

/// Whether channels are one signal, in the same polarity or the other, but for the rounding of their
/// samples, which the noise of the best converters exceeds.
struct SameSignalProbe {
    /// A step of the samples.
    step: f32,
    /// So far, by polarity.
    same: [bool; 2],
}

impl SameSignalProbe {
    fn new(recording: &Recording) -> Self {
        // samples are held in single precision
        let bits = recording.bits().unwrap_or(24).clamp(1, 24);
        Self {
            step: 2f32.powi(1 - i32::from(bits)),
            same: [true; 2],
        }
    }

    /// Costs nothing once a sample differed.
    fn push(&mut self, block: &Stereo) {
        for (same, sign) in self.same.iter_mut().zip([1.0, -1.0]) {
            let mut samples = block.left.iter().zip(&block.right);
            *same = *same && samples.all(|(l, r)| (l - sign * r).abs() <= self.step);
        }
    }

    fn remains(&self) -> bool {
        self.same.contains(&true)
    }
}

/// The warning about a lossy coder, if one was detected.
fn coded(probe: &CoderProbe) -> Option<Caveat> {
    Warning::LossyCoder.at(probe.unlikely(), || {
        "while the programme is loud, the difference of the channels vanishes at moments, by chance in less than one recording in a million: a lossy coder (MP3, AAC, Ogg, Opus) or noise reduction was used, which changes the delay; record again without it".to_owned()
    })
}

/// An engine for a recording.
fn engine(
    recording: &Recording,
    whole: bool,
    treatment: Processing,
) -> Result<Engine, AnalysisError> {
    let engine = Engine::new(EngineSettings {
        sample_rate_hz: f64::from(recording.sample_rate_hz()),
        alignment: match treatment {
            Processing::Aligned(samples) => samples,
            _ => 0,
        },
        whole,
    })
    .map_err(|error| AnalysisError::Settings {
        file: recording.name().to_owned(),
        error,
    })?;
    Ok(match treatment {
        Processing::Without(tracing, delay_s) => engine.without(tracing, delay_s),
        _ => engine,
    })
}

/// Reads a part of a recording through an engine, and shows each block to another as
/// well; returns the spectrum, and where the reading ended.
fn averaged(
    recording: &mut Recording,
    mut engine: Engine,
    part: FrameRange,
    also: &mut (dyn FnMut(&Stereo) + Send),
    progress: &mut (dyn FnMut(f64) + Send),
) -> Result<(CrossSpectrum, u64), AnalysisError> {
    let FrameRange { first, end, .. } = part;
    let all = recording
        .frames()
        .map_or(f64::INFINITY, |all| all.min(end) as f64);
    let mut position = recording.skip(first)?;
    let wanted = |position: u64| end.saturating_sub(position).min(BLOCK as u64) as usize;
    let (mut block, mut next) = (Stereo::default(), Stereo::default());
    let mut got = match position >= first {
        true => recording.read(&mut block, wanted(position))?,
        false => 0,
    };
    // inside the pool, which else would be entered anew for each block
    rayon::scope(|_| {
        while got > 0 {
            position += got as u64;
            // one block is taken in while the next is read
            let ((), read) = rayon::join(
                || {
                    also(&block);
                    engine.push(&block.left, &block.right);
                },
                || recording.read(&mut next, wanted(position)),
            );
            got = read?;
            std::mem::swap(&mut block, &mut next);
            progress((position as f64 / all).min(1.0));
        }
        Ok::<(), CaptureError>(())
    })?;
    let mut spectrum = engine.snapshot();
    spectrum.origin = first;
    Ok((spectrum, position))
}

fn described(
    mut recording: Recording,
    spectrum: CrossSpectrum,
    position: u64,
) -> Result<RecordingSpectrum, AnalysisError> {
    let sha256 = recording.sha256()?.map(|h| hexadecimal(&h));
    Ok(RecordingSpectrum {
        spectrum,
        info: RecordingInfo {
            sha256,
            ..RecordingInfo::of(&recording, position)
        },
        caveats: recording.caveats().to_vec(),
        tracing: None,
        identical: false,
        part: FrameRange::default(),
        reread: None,
    })
}

/// The calibration that corrects a recording for chain and crosstalk.
#[derive(Debug, Clone, Copy)]
pub struct ChainCorrection<'a> {
    /// The calibration of chain and crosstalk.
    pub calibration: &'a Calibration,
    /// The leads were swapped at the cartridge.
    pub leads_swapped: bool,
}

/// Analyses a recording from its first byte to its estimate.
pub fn analyse(
    request: &Request,
    progress: &mut (dyn FnMut(f64) + Send),
) -> Result<Analysis, AnalysisError> {
    analyse_corrected(request, None, progress)
}

/// Analyses a recording, corrected for its chain by a calibration.
pub fn analyse_corrected(
    request: &Request,
    through: Option<ChainCorrection>,
    progress: &mut (dyn FnMut(f64) + Send),
) -> Result<Analysis, AnalysisError> {
    let taken = read_spectrum(request, progress)?;
    refine(taken, &request.settings, through, progress)
}

/// Estimates the delay of a spectrum, corrected for its chain.
pub fn estimate_corrected(
    mut taken: RecordingSpectrum,
    settings: &delay::EstimateSettings,
    through: Option<ChainCorrection>,
) -> Result<Analysis, AnalysisError> {
    let Some(through) = through else {
        return estimate(taken, settings);
    };
    let corrected = through
        .calibration
        .correct(&taken.spectrum, through.leads_swapped, settings)
        .map_err(|error| AnalysisError::Calibration {
            file: taken.info.file.clone(),
            error,
        })?;
    taken.spectrum = corrected.spectrum;
    taken.caveats.extend(corrected.caveats);
    estimate(taken, &corrected.settings)
}

/// Estimates the delay of a spectrum.
pub fn estimate(
    taken: RecordingSpectrum,
    settings: &delay::EstimateSettings,
) -> Result<Analysis, AnalysisError> {
    let estimate =
        delay::estimate(&taken.spectrum, settings).map_err(|refusal| AnalysisError::Refused {
            file: taken.info.file.clone(),
            refusal,
            doubts: taken
                .caveats
                .iter()
                .filter(|caveat| caveat.level == Level::Serious)
                .map(|caveat| format!("; also: {}", caveat.message))
                .collect(),
        })?;
    let mut caveats = taken.caveats;
    caveats.extend(estimate.caveats.iter().cloned());
    caveats.extend(taken.tracing.map(|tracing| {
        let words = tracing.in_words();
        let message = format!(
            "{words}, which may change the delay; it can be removed from a file, or from a stream if the temporary folder has room"
        );
        Warning::TracingLeft.seen(message)
    }));
    Ok(Analysis {
        info: taken.info,
        spectrum: taken.spectrum,
        estimate,
        tracing: taken.tracing,
        caveats,
    })
}
