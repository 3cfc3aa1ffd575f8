//! A recording to its estimate: read, take in, estimate.

mod evidence;
pub mod follow;

pub use evidence::{Evidence, Moment};

use crate::capture::{self, CaptureError, Recording, Source, Stereo};
use crate::chain::{ApplyError, Calibration};
use crate::delay::{self, Estimate, Refusal};
use crate::spectrum::{
    CrossSpectrum, Engine, EngineSettings, SettingsError, Tracing, TracingProbe,
};
use crate::uncertainty::Caveat;
use thiserror::Error;

/// Samples read at a time, per channel.
const BLOCK: usize = 1 << 17;
/// A delay of more samples than this is small against a frame no longer (its
/// loss of coherence would be that of noise 50 dB down), so the recording is
/// taken in again with the channels aligned.
const FAR_SAMPLES: f64 = 8.0;
/// What tracing adds is taken out by the delay known so far; when the delay moves by more
/// than this, seconds, then again by the new one, so many times at most.
const SETTLED_S: f64 = 0.2e-6;
const MOST_READINGS: usize = 3;
/// Relative standard uncertainty of its coefficient, which the noise in the velocity
/// makes too small, and by as much of what it moved the delay may be wrong (own
/// simulations: 1 to 4 %).
const COEFFICIENT: f64 = 0.03;
/// What tracing moves the delay by beyond its second order, as a fraction of the delay:
/// 4e-4 at peaks of 5 cm/s, 1e-3 at 8 cm/s (own simulations, 3 and 6 degrees, 100 mm).
const THIRD_ORDER: f64 = 5e-4;

/// What is to be analysed, and how.
#[derive(Debug, Clone)]
pub struct Request {
    /// The recording.
    pub source: Source,
    /// How to read it.
    pub options: capture::Options,
    /// Start of the part to analyse, seconds; by default it is found.
    pub from_s: Option<f64>,
    /// End of the part to analyse, seconds.
    pub to_s: Option<f64>,
    /// How to estimate.
    pub settings: delay::Settings,
}

/// What came out.
#[derive(Debug, Clone)]
pub struct Analysis {
    /// The recording's name, as given, with `/`.
    pub file: String,
    /// SHA-256 of the file, if it was asked for.
    pub sha256: Option<String>,
    /// Container, coding, channels and rate in words.
    pub description: String,
    /// Text that the recording carries: name and text.
    pub metadata: Vec<(String, String)>,
    /// Sample rate, hertz.
    pub sample_rate_hz: u32,
    /// Length of the recording as read, seconds.
    pub duration_s: f64,
    /// The averaged cross-spectral matrix.
    pub spectrum: CrossSpectrum,
    /// What it says of the delay.
    pub estimate: Estimate,
    /// Doubts about the recording and the estimate.
    pub caveats: Vec<Caveat>,
}

/// Why a recording gives no estimate. Every message names the recording.
#[derive(Debug, Error)]
pub enum AnalysisError {
    /// It cannot be read.
    #[error(transparent)]
    Capture(#[from] CaptureError),
    /// It is read, but cannot be used.
    #[error("{file} {refusal}")]
    Refused {
        /// The recording.
        file: String,
        /// The reason.
        refusal: Refusal,
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
        "{file}: nothing to analyse from {from_s} s to {to_s} s: the recording lasts {duration_s:.2} s; choose other times with --from and --to"
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

/// A spectrum with what its recording tells beside it.
#[derive(Debug, Clone)]
pub struct TakenIn {
    /// The averaged cross-spectral matrix.
    pub spectrum: CrossSpectrum,
    /// The recording's name.
    pub file: String,
    /// SHA-256 of the file, if asked for.
    pub sha256: Option<String>,
    /// Container, coding, channels and rate in words.
    pub description: String,
    /// Text that the recording carries.
    pub metadata: Vec<(String, String)>,
    /// Sample rate, hertz.
    pub sample_rate_hz: u32,
    /// Length as read, seconds.
    pub duration_s: f64,
    /// Doubts about the recording.
    pub caveats: Vec<Caveat>,
    /// What tracing adds, where it is to be found and was not taken out.
    pub tracing: Option<Tracing>,
}

/// What is done to a recording while it is taken in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Treatment {
    /// Nothing; tracing is looked for.
    Plain,
    /// The right channel is advanced by so many samples.
    Aligned(i64),
    /// What tracing adds is taken out, where the right channel is late by about so many
    /// seconds.
    Without(Tracing, f64),
}

/// Reads a recording and averages its cross-spectral matrix. `progress` is
/// told the fraction done, where the length is known.
pub fn take_in(
    request: &Request,
    treatment: Treatment,
    progress: &mut (dyn FnMut(f64) + Send),
) -> Result<TakenIn, AnalysisError> {
    let mut recording = capture::open(&request.source, &request.options)?;
    let rate = f64::from(recording.sample_rate_hz());
    let whole = request.from_s.is_some() || request.to_s.is_some();
    let mut engine = Engine::new(EngineSettings {
        sample_rate_hz: rate,
        alignment: match treatment {
            Treatment::Aligned(samples) => samples,
            _ => 0,
        },
        whole,
    })
    .map_err(|error| AnalysisError::Settings {
        file: recording.name().to_owned(),
        error,
    })?;
    if let Treatment::Without(tracing, delay_s) = treatment {
        engine = engine.without(tracing, delay_s);
    }
    let mut probe = (treatment == Treatment::Plain).then(|| TracingProbe::new(rate));
    let first = (request.from_s.unwrap_or(0.0) * rate).round() as u64;
    let end = request.to_s.map_or(u64::MAX, |s| (s * rate).round() as u64);
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
                    if let Some(probe) = &mut probe {
                        probe.push(&block.left, &block.right);
                    }
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
    if position <= first && whole {
        return Err(AnalysisError::EmptySpan {
            file: recording.name().to_owned(),
            from_s: request.from_s.unwrap_or(0.0),
            to_s: request.to_s.unwrap_or(f64::INFINITY),
            duration_s: recording.frames().unwrap_or(position).max(position) as f64 / rate,
        });
    }
    let mut spectrum = engine.snapshot();
    spectrum.origin = first;
    let mut taken = described(recording, spectrum, position)?;
    taken.tracing = probe.and_then(TracingProbe::found);
    if let Treatment::Without(tracing, _) = treatment {
        taken.caveats.push(Caveat::note(
            "tracing",
            format!(
                "the tip's radius adds to the programme what moves the channels in opposition, {:.0} dB below it (tracing, second order); it was taken out",
                -tracing.level_db()
            ),
        ));
    }
    Ok(taken)
}

fn described(
    mut recording: Recording,
    spectrum: CrossSpectrum,
    position: u64,
) -> Result<TakenIn, AnalysisError> {
    let sha256 = recording
        .sha256()?
        .map(|h| h.iter().map(|b| format!("{b:02x}")).collect());
    let frames = recording.frames().unwrap_or(position).max(position);
    Ok(TakenIn {
        spectrum,
        file: recording.name().to_owned(),
        sha256,
        description: recording.description(),
        metadata: recording.metadata().to_vec(),
        sample_rate_hz: recording.sample_rate_hz(),
        duration_s: frames as f64 / f64::from(recording.sample_rate_hz()),
        caveats: recording.caveats().to_vec(),
        tracing: None,
    })
}

/// The calibration that a recording's chain and crosstalk are taken out by.
#[derive(Debug, Clone, Copy)]
pub struct Through<'a> {
    /// What is known of chain and crosstalk.
    pub calibration: &'a Calibration,
    /// The leads were swapped at the cartridge.
    pub leads_swapped: bool,
}

/// Analyses a recording from its first byte to its estimate.
pub fn analyse(
    request: &Request,
    progress: &mut (dyn FnMut(f64) + Send),
) -> Result<Analysis, AnalysisError> {
    analyse_through(request, None, progress)
}

/// Analyses a recording and takes out what a calibration knows of its chain.
pub fn analyse_through(
    request: &Request,
    through: Option<Through>,
    progress: &mut (dyn FnMut(f64) + Send),
) -> Result<Analysis, AnalysisError> {
    let conclude = |taken| conclude_through(taken, &request.settings, through);
    let taken = take_in(request, Treatment::Plain, progress)?;
    let tracing = taken.tracing;
    let mut analysis = conclude(taken)?;
    if request.source == Source::StandardInput {
        return Ok(analysis);
    }
    let samples = analysis.estimate.delay_s * f64::from(analysis.sample_rate_hz);
    if samples.abs() > FAR_SAMPLES {
        let aligned = Treatment::Aligned(samples.round() as i64);
        return conclude(take_in(request, aligned, progress)?);
    }
    let Some(tracing) = tracing else {
        return Ok(analysis);
    };
    let plain_s = analysis.estimate.delay_s;
    let mut delay_s = plain_s;
    for _ in 0..MOST_READINGS {
        let without = Treatment::Without(tracing, delay_s);
        analysis = conclude(take_in(request, without, progress)?)?;
        let moved = analysis.estimate.delay_s - delay_s;
        delay_s = analysis.estimate.delay_s;
        if moved.abs() < SETTLED_S {
            break;
        }
    }
    let error = (THIRD_ORDER * delay_s).hypot(COEFFICIENT * (delay_s - plain_s));
    analysis.estimate = analysis.estimate.with_delay_error(error);
    Ok(analysis)
}

/// The estimate of a recording that has been taken in, its chain taken out.
pub fn conclude_through(
    mut taken: TakenIn,
    settings: &delay::Settings,
    through: Option<Through>,
) -> Result<Analysis, AnalysisError> {
    let Some(through) = through else {
        return conclude(taken, settings);
    };
    let corrected = through
        .calibration
        .correct(&taken.spectrum, through.leads_swapped, settings)
        .map_err(|error| AnalysisError::Calibration {
            file: taken.file.clone(),
            error,
        })?;
    taken.spectrum = corrected.spectrum;
    taken.caveats.extend(corrected.caveats);
    conclude(taken, &corrected.settings)
}

/// The estimate of a recording that has been taken in.
pub fn conclude(taken: TakenIn, settings: &delay::Settings) -> Result<Analysis, AnalysisError> {
    let estimate =
        delay::estimate(&taken.spectrum, settings).map_err(|refusal| AnalysisError::Refused {
            file: taken.file.clone(),
            refusal,
        })?;
    let mut caveats = taken.caveats;
    caveats.extend(estimate.caveats.iter().cloned());
    caveats.extend(taken.tracing.map(|tracing| {
        Caveat::note(
            "tracing-left",
            format!(
                "the tip's radius adds to the programme what moves the channels in opposition, {:.0} dB below it (tracing, second order), and the delay may move with it; `groovelag measure` of a file takes it out",
                -tracing.level_db()
            ),
        )
    }));
    Ok(Analysis {
        file: taken.file,
        sha256: taken.sha256,
        description: taken.description,
        metadata: taken.metadata,
        sample_rate_hz: taken.sample_rate_hz,
        duration_s: taken.duration_s,
        spectrum: taken.spectrum,
        estimate,
        caveats,
    })
}
