//! Makes a calibration from captures of known signals.

mod common;
mod crosstalk;
mod curves;
#[cfg(test)]
mod tests;

use super::calibration::{Calibration, SourceFile};
use super::document;
use super::response::{ResponseDirection, ResponsePoint, response};
use crate::delay::phase::Load;
use crate::spectrum::CrossSpectrum;
use crate::uncertainty::{Caveat, Level, Warning};
use common::fit_common;
use crosstalk::fit_crosstalk;
use curves::around;
use std::ops::RangeInclusive;
use thiserror::Error;

/// Band calibrated by default, hertz: half an octave below the delay's band, up
/// to the highest frequency of a groove. Common practice, no source. Lower
/// down, a bin 30 Hz wide is centred below its nominal frequency where the
/// programme falls off, which from 50 Hz on put 0.03 % into the 3180 us of a
/// 1 % difference (measured on pink noise).
pub const DEFAULT_BAND_HZ: (f64, f64) = (70.0, 20_000.0);
/// Separation of the cutter of a test record, dB: cutter heads are quoted 25
/// to 35 dB over most of the band. Common practice, no source.
pub const DEFAULT_CUTTER_SEPARATION_DB: f64 = 30.0;
/// Range of cutter separations accepted, dB: from almost none to beyond what any recording could show.
pub const CUTTER_SEPARATIONS_DB: RangeInclusive<f64> = 6.0..=120.0;

/// Content of a capture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// One signal fed to both inputs.
    Common,
    /// A band cut into the left channel alone.
    LeftOnly,
    /// A band cut into the right channel alone.
    RightOnly,
}

impl Role {
    /// As in documents.
    pub fn name(self) -> &'static str {
        match self {
            Self::Common => "common",
            Self::LeftOnly => "left-only",
            Self::RightOnly => "right-only",
        }
    }
}

/// A capture to calibrate by.
#[derive(Debug, Clone, Copy)]
pub struct CalibrationCapture<'a> {
    /// Name as given.
    pub file: &'a str,
    /// SHA-256 of the file, hexadecimal.
    pub sha256: &'a str,
    /// Length as read, seconds.
    pub duration_s: f64,
    /// Its spectrum.
    pub spectrum: &'a CrossSpectrum,
    /// Whether its channels are one signal, to within one quantisation step.
    pub identical: bool,
}

/// Captures and settings of a calibration. At least the common signal or both
/// single-channel bands are needed.
#[derive(Debug, Clone, Copy)]
pub struct CalibrationRequest<'a> {
    /// One signal fed to both inputs.
    pub common: Option<CalibrationCapture<'a>>,
    /// Bands cut into the left and into the right channel alone.
    pub single: Option<[CalibrationCapture<'a>; 2]>,
    /// Widest band to calibrate, hertz.
    pub band_hz: (f64, f64),
    /// Date of the captures, as written to the file.
    pub date: Option<&'a str>,
    /// The common signal passed through the cartridge's coils into this load.
    pub coils: Option<Load>,
    /// Separation of the cutter of the single-channel bands, dB.
    pub cutter_separation_db: f64,
}

/// Result of a calibration.
#[derive(Debug, Clone)]
pub struct Calibrated {
    /// The calibration, exactly as its text reads.
    pub calibration: Calibration,
    /// Its text.
    pub toml: String,
    /// Power that the channels of the common capture do not share over what
    /// they share, dB below it.
    pub common_signal_to_noise_db: Option<f64>,
    /// Coherence of the common capture at the grid's frequencies, a sixth of
    /// an octave about each.
    pub coherence: Vec<f64>,
    /// Phase at the grid's frequencies as skew, equaliser, coupling and load
    /// parts alone make it, degrees.
    pub parts_deg: Vec<f64>,
    /// Warnings, including those of the calibration.
    pub caveats: Vec<Caveat>,
}

/// Why a calibration fails.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum CalibrateError {
    /// Nothing was given.
    #[error(
        "nothing to calibrate with; give a capture of one signal fed to both inputs with --common, or bands cut into one channel alone with --left-only and --right-only, or all three"
    )]
    Nothing,
    /// No signal.
    #[error(
        "{file} holds no signal above -80 dB of full scale; feed the {role} signal and raise the recording level"
    )]
    Silent {
        /// The capture.
        file: String,
        /// Its expected content.
        role: &'static str,
    },
    /// The two single-channel files are exchanged.
    #[error(
        "{left} looks like the right-only band and {right} like the left-only one (their right channels are {left_db:.0} and {right_db:.0} dB above their left ones); exchange --left-only and --right-only, or check that left and right are not exchanged in the chain"
    )]
    Exchanged {
        /// File given as left-only.
        left: String,
        /// File given as right-only.
        right: String,
        /// Right over left in the first, dB.
        left_db: f64,
        /// Right over left in the second, dB.
        right_db: f64,
    },
    /// One single-channel file is of the other channel.
    #[error(
        "{file} was given as the {role} band, but its {other} channel is {difference_db:.0} dB above: it looks like a band of the other channel; give the right file"
    )]
    WrongChannel {
        /// The capture.
        file: String,
        /// Its stated content.
        role: &'static str,
        /// The louder channel.
        other: &'static str,
        /// How much louder, dB.
        difference_db: f64,
    },
    /// Both channels of a single-channel band carry signal.
    #[error(
        "{file} was given as the {role} band, but its channels differ by only {difference_db:.1} dB: it looks like a band cut into both channels; give a band of one channel"
    )]
    BothChannels {
        /// The capture.
        file: String,
        /// Its stated content.
        role: &'static str,
        /// Level difference, dB.
        difference_db: f64,
    },
    /// One channel of the common capture is missing.
    #[error(
        "{file} was given as a signal common to both inputs, but its {quiet} channel is {difference_db:.0} dB below the other: it looks like a single-channel band or a loose lead; feed one signal to both inputs"
    )]
    OneSided {
        /// The capture.
        file: String,
        /// The quieter channel.
        quiet: &'static str,
        /// How much quieter, dB.
        difference_db: f64,
    },
    /// The channels of the common capture have low coherence.
    #[error(
        "{file} was given as a signal common to both inputs, but what its channels share is only {signal_to_noise_db:.0} dB above what they do not; feed one signal to both inputs by cable"
    )]
    NotCommon {
        /// The capture.
        file: String,
        /// Shared over not shared, dB.
        signal_to_noise_db: f64,
    },
    /// The common capture was mixed to mono.
    #[error(
        "both channels of {file} are the same signal to the last digit, which two converters never deliver: it was mixed to mono, or one channel was copied, so it contains nothing of the chain; record in stereo, with mono switches and mixers off"
    )]
    SameSignal {
        /// The capture.
        file: String,
    },
    /// The common capture comes from a groove.
    #[error(
        "{file} looks like a recording of a groove, not of a signal fed to both inputs: each channel has noise of its own only {signal_to_noise_db:.0} dB down, and {sign}; calibrating with it would count the rotation itself as the chain's. Feed the signal by cable, with the level high enough for the noise to be {needed_db:.0} dB down"
    )]
    Groove {
        /// The capture.
        file: String,
        /// Shared over not shared, dB.
        signal_to_noise_db: f64,
        /// The other sign.
        sign: String,
        /// Ratio of an electrical signal, dB.
        needed_db: f64,
    },
    /// The signal does not cover an octave of the band.
    #[error(
        "{file} holds a usable signal only from {low_hz:.0} to {high_hz:.0} Hz of the band; at least an octave is needed: use pink noise, a sweep or other wide-band programme, longer or louder"
    )]
    NarrowBand {
        /// The capture.
        file: String,
        /// Lower edge, Hz.
        low_hz: f64,
        /// Upper edge, Hz.
        high_hz: f64,
    },
    /// Bands of the captures do not overlap by an octave.
    #[error(
        "the captures share no octave of band: usable from {low_hz:.0} to {high_hz:.0} Hz only"
    )]
    NoCommonBand {
        /// Lower edge, Hz.
        low_hz: f64,
        /// Upper edge, Hz.
        high_hz: f64,
    },
    /// The fit failed.
    #[error(
        "{file}: the response cannot be fitted; the recording is damaged or too short; record it again"
    )]
    NoFit {
        /// The capture.
        file: String,
    },
}

/// Band in which levels are compared, hertz: within any programme.
const LEVEL_BAND_HZ: (f64, f64) = (200.0, 8_000.0);
/// A single-channel band has at least this level difference, dB: worse
/// separation is no stereo cartridge. Common practice, no source.
pub const SEPARATED_DB: f64 = 6.0;
/// Channels of a common signal differ by less, dB.
const BALANCED_DB: f64 = Warning::Balance.threshold(Level::Serious);
/// Below this the channels are not one signal, dB.
const COMMON_DB: f64 = 15.0;
/// Signal-to-noise ratio of an electrical signal, at least, dB.
const ELECTRICAL_DB: f64 = Warning::CommonFromGroove.limit();
/// Largest plausible skew of a chain, seconds.
const CHAIN_SKEW_S: f64 = Warning::ImplausibleSkew.limit();
/// More segments with clicks than this are a record's: one in 200.
const RECORD_CLICKS: f64 = 0.005;
/// Error of the phase, radians, that a third of an octave must reach to count
/// as calibrated.
const USABLE_PHASE: f64 = 0.01;
/// The same of each part of a crosstalk ratio.
const USABLE_RATIO: f64 = 0.005;
/// Single-precision transforms leave 1e-9 of the power unexplained.
const LEAST_INCOHERENCE: f64 = 1e-9;
/// Share of the variance that the components kept must hold, and their number
/// at most.
const KEPT_VARIANCE: f64 = 0.9999;
const MOST_COMPONENTS: usize = 8;

/// Makes a calibration.
pub fn calibrate(request: &CalibrationRequest) -> Result<Calibrated, CalibrateError> {
    if request.common.is_none() && request.single.is_none() {
        return Err(CalibrateError::Nothing);
    }
    let mut caveats = Vec::new();
    let mut sources = Vec::new();
    let mut common_snr = None;
    let (mut coherence, mut parts_deg) = (Vec::new(), Vec::new());
    let mut common = None;
    if let Some(input) = &request.common {
        not_silent(input, Role::Common)?;
        sources.push(source(input, Role::Common));
        let points = response(
            input.spectrum,
            ResponseDirection::RightOverLeft,
            request.band_hz,
        );
        let snr_db = check_common(input, &points)?;
        common_snr = Some(snr_db);
        let (fitted, parts, warnings) = fit_common(input, &points, request.coils, snr_db)?;
        parts_deg = parts;
        coherence = around(&fitted.hertz, &points, |p| p.coherence);
        caveats.extend(warnings);
        common = Some(fitted);
    }
    let mut crosstalk = None;
    if let Some([left, right]) = &request.single {
        not_silent(left, Role::LeftOnly)?;
        not_silent(right, Role::RightOnly)?;
        check_single(left, right)?;
        sources.push(source(left, Role::LeftOnly));
        sources.push(source(right, Role::RightOnly));
        crosstalk = Some(fit_crosstalk(request, left, right, common.as_ref())?);
        if common.is_none() {
            caveats.push(Warning::ChainNotCalibrated.seen(
                "without a common signal the crosstalk is that of cartridge and chain together: use it with the same chain and leads",
            ));
        }
    }
    for c in request.common.iter().chain(request.single.iter().flatten()) {
        caveats.extend(quality(c));
    }
    let toml = document::to_toml(&Calibration {
        id: String::new(),
        program: format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
        date: request.date.map(str::to_owned),
        sources,
        common,
        crosstalk,
        warnings: caveats.clone(),
        pass: None,
    });
    // The values used are those written to the file, to the last digit.
    let calibration =
        document::from_toml(&toml, "calibration").map_err(|_| CalibrateError::NoFit {
            file: request
                .common
                .iter()
                .chain(request.single.iter().flatten())
                .map(|i| i.file)
                .collect::<Vec<_>>()
                .join(", "),
        })?;
    Ok(Calibrated {
        calibration,
        toml,
        common_signal_to_noise_db: common_snr,
        coherence,
        parts_deg,
        caveats,
    })
}

fn source(input: &CalibrationCapture, role: Role) -> SourceFile {
    SourceFile {
        kind: role.name().to_owned(),
        file: input.file.to_owned(),
        sha256: input.sha256.to_owned(),
        sample_rate_hz: input.spectrum.sample_rate_hz,
        duration_s: input.duration_s,
    }
}

fn not_silent(input: &CalibrationCapture, role: Role) -> Result<(), CalibrateError> {
    let quality = &input.spectrum.quality;
    let loudest = quality.left_power.max(quality.right_power);
    if Warning::NoSignal.level(loudest).is_some() {
        return Err(CalibrateError::Silent {
            file: input.file.to_owned(),
            role: role.name(),
        });
    }
    Ok(())
}

fn quality(input: &CalibrationCapture) -> Option<Caveat> {
    Warning::Clipped.at(input.spectrum.clipped_share(), || {
        format!(
            "{}: {} samples are at full scale; lower the level and record again",
            input.file, input.spectrum.quality.clipped
        )
    })
}

/// Right over left in the level band, 200 Hz to 8 kHz, dB.
pub fn balance_db(spectrum: &CrossSpectrum) -> f64 {
    let (mut left, mut right) = (0.0, 0.0);
    for (k, bin) in spectrum.total().iter().enumerate() {
        if (LEVEL_BAND_HZ.0..=LEVEL_BAND_HZ.1).contains(&spectrum.frequency_hz(k)) {
            left += bin.left;
            right += bin.right;
        }
    }
    10.0 * (f64::max(right, f64::MIN_POSITIVE) / f64::max(left, f64::MIN_POSITIVE)).log10()
}

fn check_single(
    left: &CalibrationCapture,
    right: &CalibrationCapture,
) -> Result<(), CalibrateError> {
    let (left_db, right_db) = (balance_db(left.spectrum), balance_db(right.spectrum));
    if left_db > SEPARATED_DB && right_db < -SEPARATED_DB {
        return Err(CalibrateError::Exchanged {
            left: left.file.to_owned(),
            right: right.file.to_owned(),
            left_db,
            right_db,
        });
    }
    for (input, role, other, difference_db) in [
        (left, Role::LeftOnly, "right", left_db),
        (right, Role::RightOnly, "left", -right_db),
    ] {
        let (file, role) = (input.file.to_owned(), role.name());
        if difference_db > SEPARATED_DB {
            return Err(CalibrateError::WrongChannel {
                file,
                role,
                other,
                difference_db,
            });
        }
        if difference_db > -SEPARATED_DB {
            return Err(CalibrateError::BothChannels {
                file,
                role,
                difference_db: difference_db.abs(),
            });
        }
    }
    Ok(())
}

/// The signal-to-noise ratio of a capture that is one signal, dB.
fn check_common(
    input: &CalibrationCapture,
    points: &[ResponsePoint],
) -> Result<f64, CalibrateError> {
    if input.identical {
        return Err(CalibrateError::SameSignal {
            file: input.file.to_owned(),
        });
    }
    let difference_db = balance_db(input.spectrum);
    if difference_db.abs() > BALANCED_DB {
        return Err(CalibrateError::OneSided {
            file: input.file.to_owned(),
            quiet: if difference_db > 0.0 { "left" } else { "right" },
            difference_db: difference_db.abs(),
        });
    }
    let (mut shared, mut own) = (0.0, 0.0);
    for p in points {
        let both = p.driving_power * p.symmetric_gain;
        shared += both * p.coherence.sqrt();
        own += both * (1.0 - p.coherence.sqrt());
    }
    let ratio = f64::max(own, LEAST_INCOHERENCE * shared) / f64::max(shared, f64::MIN_POSITIVE);
    let signal_to_noise_db = -10.0 * ratio.log10();
    if signal_to_noise_db < COMMON_DB {
        return Err(CalibrateError::NotCommon {
            file: input.file.to_owned(),
            signal_to_noise_db,
        });
    }
    Ok(signal_to_noise_db)
}

/// The longest usable run of bins about the best one: where the error within a third of
/// an octave is below `limit`. The bins at its ends are themselves accurate enough over
/// a third of an octave: beyond a signal's upper limit its last bins do not count.
fn usable(
    file: &str,
    points: &[ResponsePoint],
    errors: &[f64],
    limit: f64,
) -> Result<(f64, f64), CalibrateError> {
    let mut sums = vec![0.0];
    for e in errors {
        sums.push(sums[sums.len() - 1] + if *e > 0.0 { e.powi(-2) } else { 0.0 });
    }
    let half = 2f64.powf(1.0 / 6.0);
    let (good, by_itself): (Vec<bool>, Vec<bool>) = points
        .iter()
        .enumerate()
        .map(|(k, p)| {
            let from = points.partition_point(|q| q.hertz < p.hertz / half);
            let to = points.partition_point(|q| q.hertz <= p.hertz * half);
            let of_its_like = (to - from) as f64 * (sums[k + 1] - sums[k]);
            let enough = |sum: f64| sum * limit * limit > 1.0;
            (enough(sums[to] - sums[from]), enough(of_its_like))
        })
        .unzip();
    let mut best: Option<(usize, usize)> = None;
    let mut start = 0;
    while start < good.len() {
        let length = good[start..].iter().take_while(|g| **g).count();
        let octaves = |(a, b): (usize, usize)| points[b].hertz / points[a].hertz;
        let run = start..start + length;
        let own = |k: &usize| by_itself[*k];
        if let Some(run) = run.clone().find(own).zip(run.rev().find(own))
            && best.is_none_or(|b| octaves(run) > octaves(b))
        {
            best = Some(run);
        }
        start += length + 1;
    }
    let (low_hz, high_hz) = best.map_or((0.0, 0.0), |(a, b)| (points[a].hertz, points[b].hertz));
    if high_hz < 2.0 * low_hz || low_hz == 0.0 {
        return Err(CalibrateError::NarrowBand {
            file: file.to_owned(),
            low_hz,
            high_hz,
        });
    }
    Ok((low_hz, high_hz))
}

/// A point whose coherence claims no more than single-precision transforms can,
/// so that its errors are those of a fit's averages, never zero nor infinite.
fn limited(p: &ResponsePoint) -> ResponsePoint {
    ResponsePoint {
        coherence: p
            .coherence
            .clamp(f64::MIN_POSITIVE, 1.0 - LEAST_INCOHERENCE),
        symmetric_gain: p.symmetric_gain.max(f64::MIN_POSITIVE),
        ..*p
    }
}

/// Factor that brings the mean square of single bins' residuals to one, their
/// errors being those of bins used together.
fn per_point(spectrum: &CrossSpectrum) -> f64 {
    spectrum.averages_per_bin() / spectrum.averages_in_fit()
}
