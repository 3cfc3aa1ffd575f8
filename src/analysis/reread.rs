//! Reads a recording again, with the results of the first reading.

use super::limits::{
    ALIGN_BEYOND_SAMPLES, COEFFICIENT_RELATIVE_U, CONVERGED_S, MOST_READINGS, MOST_SPOOLED_BYTES,
};
use super::{
    Analysis, AnalysisError, ChainCorrection, RecordingSpectrum, averaged, engine,
    estimate_corrected,
};
use crate::capture::{self, CaptureError, ReadOptions, Recording, Source, Stereo, StreamWriter};
use crate::delay;
use crate::spectrum::{Tracing, TracingProbe};
use crate::uncertainty::{Caveat, Warning};
use std::fs::File;
use std::sync::Arc;

/// Part of a recording, in frames.
#[derive(Debug, Clone, Copy)]
pub(super) struct FrameRange {
    pub first: u64,
    pub end: u64,
    /// Whether the user named the part, so that it is modulated throughout.
    pub whole: bool,
}

impl Default for FrameRange {
    /// The whole recording.
    fn default() -> Self {
        Self {
            first: 0,
            end: u64::MAX,
            whole: false,
        }
    }
}

/// Processing of a recording while its spectrum is computed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Processing {
    /// Nothing.
    Plain,
    /// The right channel is advanced by this number of samples.
    Aligned(i64),
    /// Tracing distortion is removed, for a right channel late by about so many
    /// seconds.
    Without(Tracing, f64),
}

/// How a recording can be read again.
#[derive(Debug, Clone)]
pub(super) enum Reread {
    Source(Source, ReadOptions),
    /// The spooled part of a stream, and the range to read from it.
    Kept(Arc<File>, FrameRange),
}

/// Spools a stream to an unnamed temporary file, which the system removes with the
/// process. Without room nothing is kept.
pub(super) struct Spool {
    writer: Option<StreamWriter<File>>,
    bytes: u64,
}

impl Spool {
    pub fn new(recording: &Recording) -> Self {
        let file = tempfile::tempfile();
        let writer = file
            .and_then(|file| StreamWriter::new(file, recording.sample_rate_hz(), recording.bits()));
        Self {
            writer: writer.ok(),
            bytes: 0,
        }
    }

    /// Keeps nothing.
    pub fn none() -> Self {
        Self {
            writer: None,
            bytes: 0,
        }
    }

    pub fn push(&mut self, block: &Stereo) {
        self.bytes += 8 * block.left.len() as u64;
        if let Some(writer) = &mut self.writer
            && (self.bytes > MOST_SPOOLED_BYTES || writer.write(block).is_err())
        {
            self.writer = None;
        }
    }

    /// The spooled samples.
    pub fn finish(self) -> Option<Arc<File>> {
        self.writer?.finish().ok().map(Arc::new)
    }
}

/// A recording to read again, with its settings and description.
struct Rereading<'a> {
    reread: Reread,
    part: FrameRange,
    caveats: Vec<Caveat>,
    settings: &'a delay::EstimateSettings,
    through: Option<ChainCorrection<'a>>,
}

impl Rereading<'_> {
    /// Replaces the analysis by that of the recording read again with this processing.
    fn analysis(
        &self,
        before: Analysis,
        treatment: Processing,
        progress: &mut (dyn FnMut(f64) + Send),
    ) -> Result<Analysis, AnalysisError> {
        let Analysis {
            spectrum,
            info: about,
            ..
        } = before;
        // only one of them at a time
        drop(spectrum);
        let (mut recording, part) = match &self.reread {
            Reread::Source(source, options) => {
                let options = ReadOptions {
                    hash: false,
                    ..options.clone()
                };
                (capture::open(source, &options)?, self.part)
            }
            Reread::Kept(kept, part) => {
                let failed = |source| CaptureError::Open {
                    name: about.file.clone(),
                    source,
                };
                let kept = kept.try_clone().map_err(failed)?;
                let recording = capture::open_reader(kept, &about.file, &ReadOptions::default())?;
                (recording, *part)
            }
        };
        let engine = engine(&recording, part.whole, treatment)?;
        let mut probe = match treatment {
            Processing::Without(_, delay_s) => Some(TracingProbe::new(
                f64::from(recording.sample_rate_hz()),
                delay_s,
            )),
            _ => None,
        };
        let mut also = |block: &Stereo| {
            if let Some(probe) = &mut probe {
                probe.push(&block.left, &block.right);
            }
        };
        let (mut spectrum, _) = averaged(&mut recording, engine, part, &mut also, progress)?;
        spectrum.origin = self.part.first;
        let mut caveats = self.caveats.clone();
        if let Processing::Without(tracing, _) = treatment {
            let message = format!("{}; it was removed", tracing.in_words());
            caveats.push(Warning::Tracing.seen(message));
        }
        let taken = RecordingSpectrum {
            spectrum,
            info: about,
            caveats,
            tracing: None,
            identical: false,
            part: self.part,
            reread: None,
        };
        let analysis = estimate_corrected(taken, self.settings, self.through)?;
        Ok(Analysis {
            tracing: probe.and_then(|probe| probe.found()),
            ..analysis
        })
    }
}

/// The analysis of a recording from its first spectrum. Reads it again where the delay
/// is large, or to remove tracing distortion, which requires the delay.
pub fn refine(
    mut taken: RecordingSpectrum,
    settings: &delay::EstimateSettings,
    through: Option<ChainCorrection>,
    progress: &mut (dyn FnMut(f64) + Send),
) -> Result<Analysis, AnalysisError> {
    let Some(reread) = taken.reread.take() else {
        return estimate_corrected(taken, settings, through);
    };
    let rereading = Rereading {
        reread,
        part: taken.part,
        caveats: taken.caveats.clone(),
        settings,
        through,
    };
    let tracing = taken.tracing;
    let mut analysis = estimate_corrected(taken, settings, through)?;
    let samples = analysis.estimate.delay_s * f64::from(analysis.info.sample_rate_hz);
    if samples.abs() > ALIGN_BEYOND_SAMPLES {
        let aligned = Processing::Aligned(samples.round() as i64);
        return rereading.analysis(analysis, aligned, progress);
    }
    let Some(mut tracing) = tracing else {
        return Ok(analysis);
    };
    let plain_s = analysis.estimate.delay_s;
    let mut delay_s = plain_s;
    for _ in 0..MOST_READINGS {
        let without = Processing::Without(tracing, delay_s);
        analysis = rereading.analysis(analysis, without, progress)?;
        let moved = analysis.estimate.delay_s - delay_s;
        delay_s = analysis.estimate.delay_s;
        // with the delay known, its coefficient is known better
        let known = analysis.tracing.unwrap_or(tracing);
        let changed = known.differs_from(&tracing);
        tracing = known;
        if moved.abs() < CONVERGED_S && changed < COEFFICIENT_RELATIVE_U {
            break;
        }
    }
    analysis.tracing = Some(tracing);
    let error = COEFFICIENT_RELATIVE_U * (delay_s - plain_s).abs();
    analysis.estimate = analysis.estimate.with_delay_error(error);
    Ok(analysis)
}
