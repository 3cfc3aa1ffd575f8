//! Captures of known signals into a calibration.

use super::calibration::{Calibration, Common, Crosstalk, Estimated, SourceFile};
use super::document;
use super::response::{Direction, ResponsePoint, delay_by_slope, intercept, response};
use super::smooth::{self, CurveModel, CurveObservation, Smooth};
use crate::adjust::symmetric_eigen;
use crate::delay::phase::{Load, LoadPart};
use crate::spectrum::{Complex64, CrossSpectrum, EQUALISER};
use crate::uncertainty::{Caveat, Level, Warning};
use ndarray::{Array1, Array2};
use std::f64::consts::{PI, TAU};
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
/// Separations of cutters understood, dB: from one that separates nothing to speak of to beyond what any
/// recording could show.
pub const CUTTER_SEPARATIONS_DB: RangeInclusive<f64> = 6.0..=120.0;

/// What a capture holds.
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
pub struct Input<'a> {
    /// Name as given.
    pub file: &'a str,
    /// SHA-256 of the file, hexadecimal.
    pub sha256: &'a str,
    /// Length as read, seconds.
    pub duration_s: f64,
    /// What was taken in of it.
    pub spectrum: &'a CrossSpectrum,
    /// Its channels are one signal, to within a step of their samples.
    pub identical: bool,
}

/// What to calibrate by. At least the common signal or both single-channel
/// bands are needed.
#[derive(Debug, Clone, Copy)]
pub struct Request<'a> {
    /// One signal fed to both inputs.
    pub common: Option<Input<'a>>,
    /// Bands cut into the left and into the right channel alone.
    pub single: Option<[Input<'a>; 2]>,
    /// Band to calibrate at most, hertz.
    pub band_hz: (f64, f64),
    /// Day of the captures, as it shall stand in the file.
    pub date: Option<&'a str>,
    /// The common signal passed through the cartridge's coils into this load.
    pub coils: Option<Load>,
    /// Separation of the cutter of the single-channel bands, dB.
    pub cutter_separation_db: f64,
}

/// What came out.
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
    /// Doubts, the calibration's own among them.
    pub caveats: Vec<Caveat>,
}

/// Why captures make no calibration.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum CalibrateError {
    /// Nothing was given.
    #[error(
        "nothing to calibrate by; give a capture of one signal fed to both inputs with --common, or bands cut into one channel alone with --left-only and --right-only, or all three"
    )]
    Nothing,
    /// No signal.
    #[error(
        "{file} holds no signal above -80 dB of full scale; feed the {role} signal and raise the recording level"
    )]
    Silent {
        /// The capture.
        file: String,
        /// What it should hold.
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
        /// What it was given as.
        role: &'static str,
        /// The louder channel.
        other: &'static str,
        /// How much louder, dB.
        difference_db: f64,
    },
    /// Both channels of a single-channel band carry signal.
    #[error(
        "{file} was given as the {role} band, but its channels differ by {difference_db:.1} dB only: it looks like a band cut into both channels; give a band of one channel"
    )]
    BothChannels {
        /// The capture.
        file: String,
        /// What it was given as.
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
    /// The channels of the common capture have little in common.
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
        "both channels of {file} are the same signal to the last digit, which two converters never deliver: it was mixed to mono, or one channel was copied, so that nothing of the chain is left in it; record in stereo, with mono switches and mixers off"
    )]
    SameSignal {
        /// The capture.
        file: String,
    },
    /// The common capture comes from a groove.
    #[error(
        "{file} looks like a recording of a groove, not of a signal fed to both inputs: noise of its own on each channel only {signal_to_noise_db:.0} dB down, and {sign}; calibrating by it would take the rotation itself for the chain's. Feed the signal by cable, with the level high enough for the noise to be {needed_db:.0} dB down"
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
    #[error("{file}: the response cannot be fitted; the recording is damaged or holds too little")]
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
/// An electrical signal has less noise than this, dB.
const ELECTRICAL_DB: f64 = Warning::CommonFromGroove.limit();
/// Skew beyond a chain's, seconds.
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

/// Calibrates.
pub fn calibrate(request: &Request) -> Result<Calibrated, CalibrateError> {
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
        let points = response(input.spectrum, Direction::RightOverLeft, request.band_hz);
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
    // What is used is what the file says, to the last digit.
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

fn source(input: &Input, role: Role) -> SourceFile {
    SourceFile {
        kind: role.name().to_owned(),
        file: input.file.to_owned(),
        sha256: input.sha256.to_owned(),
        sample_rate_hz: input.spectrum.sample_rate_hz,
        duration_s: input.duration_s,
    }
}

fn not_silent(input: &Input, role: Role) -> Result<(), CalibrateError> {
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

fn quality(input: &Input) -> Option<Caveat> {
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

fn check_single(left: &Input, right: &Input) -> Result<(), CalibrateError> {
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
fn check_common(input: &Input, points: &[ResponsePoint]) -> Result<f64, CalibrateError> {
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

/// The longest usable run of bins about the best one: where the error within a
/// third of an octave is below `limit`. It ends with bins such that a third of an octave
/// of their like would do: beyond a signal's end its last bins serve no further.
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

/// Priors of the response's parameters, wide against anything that works: skew
/// (seconds), three equaliser parts and the level (nepers), difference of
/// coupling poles (radians per second; 20 % of 30 Hz is 38), load parts.
const SKEW_PRIOR: f64 = 1e-4;
const EQUALISER_PRIOR: f64 = 0.1;
const LEVEL_PRIOR: f64 = 2.0;
const COUPLING_PRIOR: f64 = 50.0;
const LOAD_PRIOR: f64 = 0.1;
/// Decibels in a neper.
const NEPER_DB: f64 = 20.0 * std::f64::consts::LOG10_E;
const LOAD_PARTS: [LoadPart; 3] = [
    LoadPart::Inductance,
    LoadPart::Resistance,
    LoadPart::Capacitance,
];

/// Phase (curve 0) and gain (curve 1) of right over left per unit of each
/// parameter.
fn response_basis(coils: Option<Load>, curve: usize, hertz: f64) -> Vec<f64> {
    let w = TAU * hertz;
    let mut row = Vec::with_capacity(9);
    row.push(if curve == 0 { -w } else { 0.0 });
    for (seconds, sign) in EQUALISER {
        // d ln 1/(1 + i w T) / d ln T = -(x^2 + i x) / (1 + x^2), x = w T
        let x = w * seconds;
        let part = if curve == 0 { x } else { x * x };
        row.push(-sign * part / (1.0 + x * x));
    }
    row.push(if curve == 0 { 0.0 } else { 1.0 });
    row.push(if curve == 0 { 1.0 / w } else { 0.0 });
    if let Some(load) = coils {
        for part in LOAD_PARTS {
            let (gain, phase) = load.log_derivative(part, w);
            row.push(if curve == 0 { phase } else { gain });
        }
    }
    row
}

fn fit_common(
    input: &Input,
    points: &[ResponsePoint],
    coils: Option<Load>,
    snr_db: f64,
) -> Result<(Common, Vec<f64>, Vec<Caveat>), CalibrateError> {
    let spectrum = input.spectrum;
    let averages = spectrum.averages_in_fit();
    let errors: Vec<f64> = points
        .iter()
        .map(|p| limited(p).relative_error(averages))
        .collect();
    let band = usable(input.file, points, &errors, USABLE_PHASE)?;
    let inside = |p: &ResponsePoint| band.0 <= p.hertz && p.hertz <= band.1;
    let (points, errors): (Vec<ResponsePoint>, Vec<f64>) = points
        .iter()
        .zip(&errors)
        .filter(|(p, _)| inside(p))
        .map(|(p, e)| (*p, *e))
        .unzip();
    let skew = delay_by_slope(&points);
    let inverted = intercept(&points, skew).re < 0.0;
    let offset = if inverted { PI } else { 0.0 };
    let mut observations = Vec::with_capacity(2 * points.len());
    for (p, u) in points.iter().zip(&errors) {
        let expected = offset - TAU * p.hertz * skew;
        let turned = p.transfer * Complex64::from_polar(1.0, -expected);
        observations.push(CurveObservation {
            curve: 0,
            hertz: p.hertz,
            value: turned.arg() + expected - offset,
            u: *u,
        });
        observations.push(CurveObservation {
            curve: 1,
            hertz: p.hertz,
            value: p.symmetric_gain.max(f64::MIN_POSITIVE).ln(),
            u: *u,
        });
    }
    let mut prior_u = vec![SKEW_PRIOR];
    prior_u.extend([EQUALISER_PRIOR; 3]);
    prior_u.extend([LEVEL_PRIOR, COUPLING_PRIOR]);
    if coils.is_some() {
        prior_u.extend([LOAD_PRIOR; 3]);
    }
    let hertz = smooth::grid(band.0, band.1);
    let model = CurveModel {
        prior_u,
        curves: 2,
        basis: &|curve, hertz| response_basis(coils, curve, hertz),
    };
    let fit = smooth::fit(&observations, &hertz, &model, per_point(spectrum)).ok_or_else(|| {
        CalibrateError::NoFit {
            file: input.file.to_owned(),
        }
    })?;
    let estimated = |j: usize, factor: f64| Estimated {
        value: fit.parameters[j].0 * factor,
        u: fit.parameters[j].1 * factor,
    };
    let warnings = doubts(input, fit.parameters[0].0, inverted, snr_db, &fit)?;
    let n = hertz.len();
    let deviation = |k: usize| fit.covariance[[k, k]].max(0.0).sqrt();
    let phase = Array2::from_shape_fn((n, n), |at| fit.covariance[at]);
    let parts = hertz
        .iter()
        .map(|f| {
            let row = response_basis(coils, 0, *f);
            let sum: f64 = row.iter().zip(&fit.parameters).map(|(b, p)| b * p.0).sum();
            sum.to_degrees()
        })
        .collect();
    Ok((
        Common {
            inverted,
            skew_us: estimated(0, 1e6),
            balance_db: estimated(4, NEPER_DB),
            equaliser_percent: (1..4).map(|j| estimated(j, 100.0)).collect(),
            load_percent: coils.map(|_| (6..9).map(|j| estimated(j, 100.0)).collect()),
            scatter: fit.scatter,
            phase_deg: fit.curves[0].iter().map(|p| p.to_degrees()).collect(),
            phase_u_deg: (0..n).map(|k| deviation(k).to_degrees()).collect(),
            gain_db: fit.curves[1].iter().map(|g| g * NEPER_DB).collect(),
            gain_u_db: (n..2 * n).map(|k| deviation(k) * NEPER_DB).collect(),
            components_deg: components(&phase),
            hertz,
        },
        parts,
        warnings,
    ))
}

/// Signs that the common capture is none, and other doubts.
fn doubts(
    input: &Input,
    skew: f64,
    inverted: bool,
    snr_db: f64,
    fit: &Smooth,
) -> Result<Vec<Caveat>, CalibrateError> {
    let file = input.file;
    let quality = &input.spectrum.quality;
    let clicks = quality.rejected as f64 / quality.frames.max(1) as f64;
    let mut list = Vec::new();
    if Warning::CommonFromGroove.level(snr_db).is_some() {
        let sign = if skew.abs() > CHAIN_SKEW_S {
            Some(format!(
                "a delay of {:.1} us between the channels, more than a chain makes",
                skew * 1e6
            ))
        } else if clicks > RECORD_CLICKS {
            Some(format!("clicks in {:.1} % of its segments", 100.0 * clicks))
        } else {
            None
        };
        if let Some(sign) = sign {
            return Err(CalibrateError::Groove {
                file: file.to_owned(),
                signal_to_noise_db: snr_db,
                sign,
                needed_db: ELECTRICAL_DB,
            });
        }
        list.push(Warning::CommonFromGroove.seen(
            format!(
                "{file} looks like a recording of a groove, or of a signal at far too low a level: each channel has noise of its own only {snr_db:.0} dB down, where a signal fed by cable reaches {ELECTRICAL_DB:.0} dB; if it is a groove, discard this calibration, which takes the rotation itself for the chain's"
            ),
        ));
    }
    let samples = skew * input.spectrum.sample_rate_hz;
    list.extend(Warning::ImplausibleSkew.at(skew.abs(), || {
        let beside = (samples.round() - samples) / input.spectrum.sample_rate_hz;
        let whole = match Warning::ImplausibleSkew.level(beside.abs()) {
            None => format!("; it is {samples:.2} samples, and whole samples are a buffer's slip or a setting of the interface"),
            Some(_) => String::new(),
        };
        format!(
            "{file}: the right channel is {:.2} us {} than the left, more than a chain makes{whole}. Calibrate once more after starting the recorder anew: the same skew both times is the interface's and is taken out, another one is not",
            skew.abs() * 1e6,
            if skew > 0.0 { "later" } else { "earlier" }
        )
    }));
    if inverted {
        list.push(Warning::InvertedPolarity.seen(
            format!("{file}: one channel is inverted against the other; the calibration undoes it, but check the leads"),
        ));
    }
    list.extend(Warning::Scatter.at(fit.scatter, || {
        format!("{file}: the response scatters {:.1} times more than its noise explains (hum, or lines in the spectrum?); its errors allow for it", fit.scatter.sqrt())
    }));
    list.extend(Warning::PhaseShape.at(fit.deviation[0], || {
        format!("{file}: the phase deviates by some {:.1} deg from what skew and equaliser parts can make; the fitted differences of parts are to be read with care, the correction is not affected", fit.deviation[0].to_degrees())
    }));
    Ok(list)
}

/// Curves, degrees, whose outer products sum to the covariance (radians^2)
/// but for a ten-thousandth of its trace: its principal components. Smooth
/// curves have few, so a pivoted Cholesky factor finds the space and leaves a
/// small matrix for the eigenvalues.
fn components(covariance: &Array2<f64>) -> Vec<Vec<f64>> {
    let factor = pivoted_factor(covariance);
    let k = factor.len();
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    let small = Array2::from_shape_fn((k, k), |(i, j)| dot(&factor[i], &factor[j]));
    let (values, vectors) = symmetric_eigen(&small);
    let mut order: Vec<usize> = (0..k).collect();
    order.sort_by(|a, b| values[*b].total_cmp(&values[*a]));
    let total: f64 = covariance.diag().sum();
    let mut held = 0.0;
    let mut list = Vec::new();
    for c in order {
        if list.len() >= MOST_COMPONENTS || held >= KEPT_VARIANCE * total || values[c] <= 0.0 {
            break;
        }
        held += values[c];
        let mut curve: Vec<f64> = (0..covariance.nrows())
            .map(|row| (0..k).map(|i| factor[i][row] * vectors[[i, c]]).sum())
            .collect();
        // A component's sign is arbitrary: positive at the top.
        let sign = if curve.last().is_some_and(|v| *v < 0.0) {
            -1.0
        } else {
            1.0
        };
        for v in &mut curve {
            *v = (sign * *v).to_degrees();
        }
        list.push(curve);
    }
    list
}

/// Columns of a lower factor of a covariance, largest remaining variance
/// first, until a millionth of the trace is left (H. Harbrecht, M. Peters, R.
/// Schneider, Appl. Numer. Math. 62, 2012; from memory).
fn pivoted_factor(covariance: &Array2<f64>) -> Vec<Vec<f64>> {
    let n = covariance.nrows();
    let mut left: Vec<f64> = covariance.diag().to_vec();
    let total: f64 = left.iter().sum();
    let mut columns: Vec<Vec<f64>> = Vec::new();
    while columns.len() < n && left.iter().map(|d| d.max(0.0)).sum::<f64>() > 1e-6 * total {
        let Some(pivot) = (0..n).max_by(|a, b| left[*a].total_cmp(&left[*b])) else {
            break;
        };
        if left[pivot] <= 0.0 {
            break;
        }
        let root = left[pivot].sqrt();
        let column: Vec<f64> = (0..n)
            .map(|i| {
                let known: f64 = columns.iter().map(|c| c[i] * c[pivot]).sum();
                (covariance[[i, pivot]] - known) / root
            })
            .collect();
        for (d, c) in left.iter_mut().zip(&column) {
            *d -= c * c;
        }
        left[pivot] = 0.0;
        columns.push(column);
    }
    columns
}

/// Mean of a property of points a sixth of an octave about each frequency.
fn around(
    hertz: &[f64],
    points: &[ResponsePoint],
    property: fn(&ResponsePoint) -> f64,
) -> Vec<f64> {
    let half = 2f64.powf(1.0 / 12.0);
    hertz
        .iter()
        .map(|f| {
            let near: Vec<f64> = points
                .iter()
                .filter(|p| f / half <= p.hertz && p.hertz <= f * half)
                .map(property)
                .collect();
            let nearest = || {
                points
                    .iter()
                    .min_by(|a, b| (a.hertz - f).abs().total_cmp(&(b.hertz - f).abs()))
                    .map_or(0.0, property)
            };
            if near.is_empty() {
                nearest()
            } else {
                near.iter().sum::<f64>() / near.len() as f64
            }
        })
        .collect()
}

/// One way of crosstalk: parts on the grid with their covariances.
struct OneWay {
    values: Vec<Complex64>,
    covariance: [Array2<f64>; 2],
    scatter: f64,
}

impl OneWay {
    /// Of each value, the mean of its parts'.
    fn u(&self) -> Vec<f64> {
        let [re, im] = &self.covariance;
        let mean = |k: usize| (re[[k, k]] + im[[k, k]]) / 2.0;
        let each = (0..self.values.len()).map(mean);
        each.map(|variance| variance.max(0.0).sqrt()).collect()
    }
}

fn fit_crosstalk(
    request: &Request,
    left: &Input,
    right: &Input,
    common: Option<&Common>,
) -> Result<Crosstalk, CalibrateError> {
    // Driven over driving channel is H c2 with the left channel driving and
    // c1 / H with the right.
    let measure = |input: &Input, direction: Direction| {
        let points = response(input.spectrum, direction, request.band_hz);
        let points = points.into_iter().map(|p| {
            let chain = match (common, direction) {
                (None, _) => Complex64::new(1.0, 0.0),
                (Some(c), Direction::RightOverLeft) => c.at(p.hertz),
                (Some(c), Direction::LeftOverRight) => c.at(p.hertz).inv(),
            };
            ResponsePoint {
                transfer: p.transfer / chain,
                symmetric_gain: p.symmetric_gain / chain.norm(),
                ..p
            }
        });
        points.collect::<Vec<ResponsePoint>>()
    };
    let usable_part = |input: &Input, points: &[ResponsePoint]| {
        let averages = input.spectrum.averages_in_fit();
        let error = |p: &ResponsePoint| {
            // where noise is most of what drives, it is the noise that is told
            let programme = (1.0 - 2.0 * noise_share(p)).max(0.0);
            limited(p).part_error(averages) / programme
        };
        let errors: Vec<f64> = points.iter().map(error).collect();
        let band = usable(input.file, points, &errors, USABLE_RATIO)?;
        Ok((errors, band))
    };
    let found = [
        measure(left, Direction::RightOverLeft),
        measure(right, Direction::LeftOverRight),
    ];
    let left_points = without_noise(&found[0], &found[1]);
    let right_points = without_noise(&found[1], &found[0]);
    let (left_errors, left_band) = usable_part(left, &left_points)?;
    let (right_errors, right_band) = usable_part(right, &right_points)?;
    let mut band = (left_band.0.max(right_band.0), left_band.1.min(right_band.1));
    if let Some(c) = common {
        // beyond it the chain's part in the ratio is not known
        band = (
            band.0.max(c.hertz[0]),
            band.1.min(c.hertz[c.hertz.len() - 1]),
        );
    }
    if band.1 < 2.0 * band.0 {
        return Err(CalibrateError::NoCommonBand {
            low_hz: band.0,
            high_hz: band.1,
        });
    }
    let hertz = smooth::grid(band.0, band.1);
    let mut to_right = one_way(left, &left_points, &left_errors, &hertz)?;
    let mut to_left = one_way(right, &right_points, &right_errors, &hertz)?;
    let shares = [&left_points, &right_points].map(|points| {
        let within = |p: &&ResponsePoint| band.0 <= p.hertz && p.hertz <= band.1;
        let points: Vec<ResponsePoint> = points.iter().filter(within).copied().collect();
        around(&hertz, &points, noise_share)
    });
    to_right.add_unknown_noise(&shares[0], &to_left.values);
    to_left.add_unknown_noise(&shares[1], &to_right.values);
    let (c1, c2) = (&to_left, &to_right);
    let parts =
        |way: &OneWay| -> (Vec<f64>, Vec<f64>) { way.values.iter().map(|c| (c.re, c.im)).unzip() };
    let (left_into_right_re, left_into_right_im) = parts(c2);
    let (right_into_left_re, right_into_left_im) = parts(c1);
    Ok(Crosstalk {
        cutter_separation_db: request.cutter_separation_db,
        scatter: c1.scatter.max(c2.scatter),
        scale_u: scale_variance(&hertz, c1, c2).max(0.0).sqrt(),
        left_into_right_re,
        left_into_right_im,
        left_into_right_u: to_right.u(),
        right_into_left_re,
        right_into_left_im,
        right_into_left_u: to_left.u(),
        components_deg: components(&phase_covariance(c1, c2)),
        hertz,
    })
}

/// Power of the driven wall's own noise over that of the driving channel: what the driving channel does not explain
/// of the driven one.
fn noise_share(p: &ResponsePoint) -> f64 {
    p.symmetric_gain.powi(2) * (1.0 - p.coherence)
}

/// Takes out what crosstalk the other way carries of that noise back into the driving channel: with `n` its share, the
/// ratio found is `c2 + n c1*`, and `c1 + m c2*` where the `other` channel drives.
fn without_noise(points: &[ResponsePoint], other: &[ResponsePoint]) -> Vec<ResponsePoint> {
    let nearest = |hertz: f64| {
        let at = other.partition_point(|q| q.hertz < hertz);
        let near = &other[at.saturating_sub(1)..other.len().min(at + 1)];
        let off = |q: &&ResponsePoint| (q.hertz - hertz).abs();
        near.iter().min_by(|a, b| off(a).total_cmp(&off(b)))
    };
    let corrected = |p: &ResponsePoint| {
        let (n, of_other) = (noise_share(p), nearest(p.hertz));
        let (m, back) = of_other.map_or((0.0, Complex64::ZERO), |q| (noise_share(q), q.transfer));
        ResponsePoint {
            transfer: (p.transfer - back.conj() * n) / (1.0 - n * m).max(f64::EPSILON),
            ..*p
        }
    };
    points.iter().map(corrected).collect()
}

impl OneWay {
    /// Adds what is not known of [`without_noise`], where the noise has such shares on the grid. Noise of the
    /// electronics comes behind the crosstalk and is not carried, and how much of the noise is the groove's is not
    /// known: what was taken out has the standard uncertainty of a part between none and all, about all
    /// (rectangular law, GUM 4.3.7), at all frequencies alike.
    fn add_unknown_noise(&mut self, shares: &[f64], back: &[Complex64]) {
        for (k, part) in [|c: &Complex64| c.re, |c: &Complex64| c.im]
            .iter()
            .enumerate()
        {
            let out: Vec<f64> = shares.iter().zip(back).map(|(n, c)| n * part(c)).collect();
            for ((i, j), entry) in self.covariance[k].indexed_iter_mut() {
                *entry += out[i] * out[j] / 3.0;
            }
        }
    }
}

/// Covariance of the corrected phase, at no delay, that errors `d1`, `d2` of the
/// crosstalk (right into left, left into right) make: they turn it by
/// `Im[(d2 (1 + c1) - d1 (1 + c2)) / (1 - c1 c2)]`.
fn phase_covariance(c1: &OneWay, c2: &OneWay) -> Array2<f64> {
    let one = Complex64::new(1.0, 0.0);
    let factors: Vec<(Complex64, Complex64)> = c1
        .values
        .iter()
        .zip(&c2.values)
        .map(|(c1, c2)| {
            let d = one - c1 * c2;
            ((one + c1) / d, (one + c2) / d)
        })
        .collect();
    let n = factors.len();
    Array2::from_shape_fn((n, n), |(i, j)| {
        let (a_i, b_i) = factors[i];
        let (a_j, b_j) = factors[j];
        a_i.im * a_j.im * c2.covariance[0][[i, j]]
            + a_i.re * a_j.re * c2.covariance[1][[i, j]]
            + b_i.im * b_j.im * c1.covariance[0][[i, j]]
            + b_i.re * b_j.re * c1.covariance[1][[i, j]]
    })
}

/// Variance of the delay's scale, which is off by about `Re(d1 + d2)`, weighted
/// as a phase slope is, by frequency squared.
fn scale_variance(hertz: &[f64], c1: &OneWay, c2: &OneWay) -> f64 {
    let weights: Array1<f64> = hertz.iter().map(|f| f * f).collect();
    let weights = &weights / weights.sum();
    weights.dot(&(&c1.covariance[0] + &c2.covariance[0]).dot(&weights))
}

fn one_way(
    input: &Input,
    points: &[ResponsePoint],
    errors: &[f64],
    hertz: &[f64],
) -> Result<OneWay, CalibrateError> {
    let model = CurveModel {
        prior_u: vec![1.0],
        curves: 1,
        basis: &|_, _| vec![1.0],
    };
    let (low, high) = (hertz[0], hertz[hertz.len() - 1]);
    let fit = |part: fn(&Complex64) -> f64| {
        let observations: Vec<CurveObservation> = points
            .iter()
            .zip(errors)
            .filter(|(p, _)| low <= p.hertz && p.hertz <= high)
            .map(|(p, u)| CurveObservation {
                curve: 0,
                hertz: p.hertz,
                value: part(&p.transfer),
                u: *u,
            })
            .collect();
        smooth::fit(&observations, hertz, &model, per_point(input.spectrum)).ok_or_else(|| {
            CalibrateError::NoFit {
                file: input.file.to_owned(),
            }
        })
    };
    let (re, im) = (fit(|c| c.re)?, fit(|c| c.im)?);
    Ok(OneWay {
        values: re.curves[0]
            .iter()
            .zip(&im.curves[0])
            .map(|(re, im)| Complex64::new(*re, *im))
            .collect(),
        scatter: re.scatter.max(im.scatter),
        covariance: [re.covariance, im.covariance],
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::{Bin, Group, SignalQuality};

    /// Two curves of sizes 3 and 1 on a smooth background come back, and what
    /// they span sums to the covariance.
    #[test]
    fn components_rebuild_the_covariance() {
        let n = 40;
        let curve = |c: usize, i: usize| {
            let x = i as f64 / n as f64;
            [
                3.0 * x,
                (std::f64::consts::PI * x).sin(),
                0.1 * (7.0 * x).cos(),
            ][c]
        };
        let covariance = Array2::from_shape_fn((n, n), |(i, j)| {
            (0..3).map(|c| curve(c, i) * curve(c, j)).sum::<f64>()
        });
        let list = components(&covariance);
        assert!(list.len() <= 3);
        for i in 0..n {
            let variance: f64 = list.iter().map(|c| c[i].to_radians().powi(2)).sum();
            // 1e-4 of the trace is left out at most
            let missing = covariance[[i, i]] - variance;
            assert!(
                missing.abs() < 1e-4 * covariance.diag().sum(),
                "{i}: {missing}"
            );
        }
        assert!(components(&Array2::zeros((5, 5))).is_empty());
    }

    /// A component that holds the share asked for is enough, and each is positive
    /// at the top.
    #[test]
    fn components_are_as_few_as_needed() {
        let n = 12;
        let wave = |c: usize, i: usize| (TAU * (c * (i + 1)) as f64 / n as f64).cos();
        let made = |small: f64| {
            components(&Array2::from_shape_fn((n, n), |(i, j)| {
                wave(1, i) * wave(1, j) + small * wave(2, i) * wave(2, j)
            }))
        };
        // cosines of whole periods are orthogonal: shares 1 and `small`
        let one = made(5e-5);
        assert_eq!(one.len(), 1);
        for (i, v) in one[0].iter().enumerate() {
            assert!((v.to_radians() - wave(1, i)).abs() < 1e-12, "{v}");
        }
        let two = made(0.25);
        assert_eq!(two.len(), 2);
        for (i, v) in two[1].iter().enumerate() {
            assert!((v.to_radians() - 0.5 * wave(2, i)).abs() < 1e-12, "{v}");
        }
        // whatever sign the eigenvectors have
        for shift in 0..16 {
            let turned = |c: usize, i: usize| (c as f64 * i as f64 * 0.3 + f64::from(shift)).sin();
            let list = components(&Array2::from_shape_fn((n, n), |(i, j)| {
                turned(1, i) * turned(1, j) + turned(2, i) * turned(2, j)
            }));
            assert_eq!(list.len(), 2);
            assert!(list.iter().all(|c| c[n - 1] >= 0.0), "{shift}: {list:?}");
        }
        // many of one size: no more than are kept at most
        assert_eq!(components(&Array2::eye(12)).len(), MOST_COMPONENTS);
    }

    /// A hundred frames, every bin alike.
    fn spectrum(bin: Bin) -> CrossSpectrum {
        CrossSpectrum {
            sample_rate_hz: 48_000.0,
            frame_length: 1024,
            alignment: 0,
            groups: vec![Group {
                first_frame: 0,
                last_frame: 99,
                frames: 100,
                bins: vec![bin; 512],
            }],
            quietest: crate::spectrum::Group::default(),
            span: (0, 51 * 1024),
            origin: 0,
            quality: SignalQuality::default(),
        }
    }

    fn input(spectrum: &CrossSpectrum) -> Input<'_> {
        Input {
            file: "capture.wav",
            sha256: "",
            duration_s: 1.0,
            spectrum,
            identical: false,
        }
    }

    fn flat(hertz: f64, coherence: f64) -> ResponsePoint {
        ResponsePoint {
            hertz,
            transfer: Complex64::new(0.5, 0.0),
            symmetric_gain: 0.5,
            coherence,
            driving_power: 1.0,
        }
    }

    /// The run of bins is found by counting those within a third of an octave.
    #[test]
    fn the_usable_band_is_the_longest_run_of_small_errors() {
        let limit = 0.01;
        let points: Vec<ResponsePoint> = (1..=2000).map(|k| flat(10.0 * k as f64, 0.9)).collect();
        let many = |hertz: f64| {
            let sixth = 2f64.powf(1.0 / 6.0);
            let within = |p: &&ResponsePoint| hertz / sixth <= p.hertz && p.hertz <= hertz * sixth;
            points.iter().filter(within).count()
        };
        // 100.5 bins of ten times the limit are just enough
        let mut errors = vec![limit * 100.5f64.sqrt(); points.len()];
        let low = points.iter().find(|p| many(p.hertz) > 100).unwrap().hertz;
        assert!((2900.0..4500.0).contains(&low), "{low}");
        let found = usable("f", &points, &errors, limit).unwrap();
        assert_eq!(found, (low, 20_000.0));
        // a bin whose error is not known brings nothing, and harms nothing
        errors[1000] = 0.0;
        assert_eq!(usable("f", &points, &errors, limit).unwrap(), found);
        // a gap leaves the longer run, in octaves, not in hertz
        let mut errors = vec![0.5 * limit; points.len()];
        for (p, e) in points.iter().zip(&mut errors) {
            if (400.0..=4000.0).contains(&p.hertz) {
                *e = 1.0;
            }
        }
        let (low, high) = usable("f", &points, &errors, limit).unwrap();
        // bins at 390 and 4010 Hz serve a sixth of an octave about them, and no band ends in a gap
        assert_eq!((low, high), (10.0, 390.0));
        // no octave
        let few = vec![limit * 250f64.sqrt(); points.len()];
        let error = usable("f", &points[..1400], &few[..1400], limit).unwrap_err();
        let first = points.iter().find(|p| many(p.hertz) > 250).unwrap().hertz;
        let CalibrateError::NarrowBand {
            low_hz, high_hz, ..
        } = error
        else {
            panic!("{error}");
        };
        assert_eq!(low_hz, first);
        assert!(high_hz > first && high_hz < 2.0 * first, "{high_hz}");
        let none = usable("f", &points, &vec![1.0; points.len()], limit).unwrap_err();
        assert!(none.to_string().contains("from 0 to 0 Hz"), "{none}");
    }

    /// Logarithmic derivatives of the response by differences of complex numbers.
    #[test]
    fn the_basis_is_the_response_of_each_part() {
        let coils = Load {
            inductance_h: 0.5,
            resistance_ohm: 47e3,
            capacitance_f: 200e-12,
        };
        // right over left: what the right channel's part differs by
        let response = |p: &[f64; 9], w: f64| {
            let pole = |t: f64| Complex64::new(1.0, w * t).inv();
            let equaliser = |d: [f64; 3]| {
                pole(3180e-6 * d[0].exp()) / pole(318e-6 * d[1].exp()) * pole(75e-6 * d[2].exp())
            };
            let coil = |d: [f64; 3]| {
                let [l, r, c] = [0.5, 47e3, 200e-12];
                let [l, r, c] = [l * d[0].exp(), r * d[1].exp(), c * d[2].exp()];
                Complex64::new(1.0 - w * w * l * c, w * l / r).inv()
            };
            // a coupling pole of some 20 Hz, right, against the left one's zero
            let coupling = Complex64::new(1.0, -p[5] / w);
            Complex64::from_polar(p[4].exp(), -w * p[0]) * equaliser([p[1], p[2], p[3]])
                / equaliser([0.0; 3])
                * (coil([p[6], p[7], p[8]]) / coil([0.0; 3]))
                / coupling
        };
        for hertz in [80.0, 500.0, 2122.0, 15_000.0] {
            let w = TAU * hertz;
            for j in 0..9 {
                let h = [1e-9, 1e-5, 1e-5, 1e-5, 1e-5, 1e-2, 1e-5, 1e-5, 1e-5][j];
                let at = |x: f64| {
                    let mut p = [0.0; 9];
                    p[j] = x;
                    response(&p, w).ln()
                };
                let slope = (at(h) - at(-h)) / (2.0 * h);
                for (curve, expected) in [(0, slope.im), (1, slope.re)] {
                    let row = response_basis(Some(coils), curve, hertz);
                    // the differences' own rounding beside
                    let limit = 1e-6 * expected.abs() + 1e-14 / h;
                    assert!(
                        (row[j] - expected).abs() < limit,
                        "{hertz} Hz, part {j}, curve {curve}: {} {expected}",
                        row[j]
                    );
                    assert_eq!(response_basis(None, curve, hertz), row[..6]);
                }
            }
        }
    }

    #[test]
    fn coherence_is_averaged_about_a_frequency() {
        let points: Vec<ResponsePoint> = (1..=100)
            .map(|k| flat(100.0 * f64::from(k), (f64::from(k) / 100.0).powi(2)))
            .collect();
        // a sixth of an octave about 5 kHz: 4.72 to 5.30 kHz
        let mean = (48..=52).map(|k| f64::from(k * k)).sum::<f64>() / 5e4;
        // none within 236 to 265 Hz: the nearest; none at all
        for (hertz, expected) in [(5000.0, mean), (251.0, 9e-4), (249.0, 4e-4)] {
            let found = around(&[hertz], &points, |p| p.coherence)[0];
            assert!((found - expected).abs() < 1e-12, "{hertz}: {found}");
        }
        assert_eq!(around(&[5000.0], &[], |p| p.coherence), [0.0]);
    }

    /// A response of one coherence has the ratio of shared to own power.
    #[test]
    fn errors_and_ratios_of_flat_coherence() {
        // shared over own: sqrt C / (1 - sqrt C) in power
        let power = |left: f64, right: f64, coherence: f64| Bin {
            left,
            right,
            re: (coherence * left * right).sqrt(),
            im: 0.0,
        };
        let checked = |bin| {
            let spectrum = spectrum(bin);
            let input = input(&spectrum);
            let points = response(&spectrum, Direction::RightOverLeft, (70.0, 20e3));
            check_common(&input, &points)
        };
        for root in [0.999f64, 0.98] {
            let db = checked(power(1.0, 2.0, root * root)).unwrap();
            let expected = 10.0 * (root / (1.0 - root)).log10();
            assert!((db - expected).abs() < 1e-9, "{db} {expected}");
        }
        // what rounding alone would leave
        let db = checked(power(1.0, 1.0, 1.0)).unwrap();
        assert!((db - 90.0).abs() < 1e-9, "{db}");
        // 0.96 to 0.04 is 13.8 dB, 15 are needed
        let error = checked(power(1.0, 1.0, 0.96 * 0.96)).unwrap_err();
        assert!(
            matches!(&error, CalibrateError::NotCommon { signal_to_noise_db, .. }
                if (signal_to_noise_db - 10.0 * 24f64.log10()).abs() < 1e-9),
            "{error}"
        );
        // 11 dB are a balance, 13 a channel that is missing
        for (db, quiet) in [(13.0, "left"), (-13.0, "right")] {
            let error = checked(power(1.0, 10f64.powf(db / 10.0), 1.0)).unwrap_err();
            assert!(
                matches!(&error, CalibrateError::OneSided { quiet: q, difference_db, .. }
                    if *q == quiet && (difference_db - 13.0).abs() < 1e-9),
                "{error}"
            );
        }
        assert!(checked(power(1.0, 10f64.powf(1.1), 1.0)).is_ok());
        let p = limited(&flat(1000.0, 1.0));
        let least = (1e-9f64 / 100.0).sqrt();
        assert!((p.relative_error(50.0) - least).abs() < 1e-6 * least);
        assert!((p.part_error(50.0) - 0.5 * least).abs() < 1e-6 * least);
        let silent = ResponsePoint {
            symmetric_gain: 0.0,
            ..flat(1000.0, 0.5)
        };
        assert!(limited(&silent).part_error(50.0) > 0.0);
    }

    /// What two single-channel bands are taken for, by how far the right channel of each
    /// is above its left one, dB.
    #[test]
    fn single_channel_bands_are_known_by_their_levels() {
        let checked = |left_db: f64, right_db: f64| {
            let of = |db: f64| {
                spectrum(Bin {
                    left: 1.0,
                    right: 10f64.powf(db / 10.0),
                    ..Bin::default()
                })
            };
            let (left, right) = (of(left_db), of(right_db));
            check_single(&input(&left), &input(&right)).map_err(|e| match e {
                CalibrateError::Exchanged { .. } => "exchanged",
                CalibrateError::WrongChannel { other, .. } => other,
                CalibrateError::BothChannels { role, .. } => role,
                _ => "something else",
            })
        };
        for (left_db, right_db, expected) in [
            (-20.0, 20.0, Ok(())),
            (-6.1, 6.1, Ok(())),
            (6.1, -6.1, Err("exchanged")),
            (20.0, 20.0, Err("right")),
            (20.0, 0.0, Err("right")),
            (-20.0, -20.0, Err("left")),
            (-5.9, 20.0, Err(Role::LeftOnly.name())),
            (5.9, -20.0, Err(Role::LeftOnly.name())),
            (-20.0, 5.9, Err(Role::RightOnly.name())),
            (-20.0, -5.9, Err(Role::RightOnly.name())),
        ] {
            assert_eq!(checked(left_db, right_db), expected, "{left_db} {right_db}");
        }
    }

    /// Single-channel bands that share less than an octave calibrate nothing.
    #[test]
    fn single_channel_bands_must_share_an_octave() {
        // crosstalk 40 dB down between two frequencies, noise of 14 dB elsewhere
        let of = |left_drives: bool, low: f64, high: f64| {
            let mut made = spectrum(Bin::default());
            for k in 0..made.bins() {
                let (driven, re) = match (low..=high).contains(&made.frequency_hz(k)) {
                    true => (1e-4, 0.009_999),
                    false => (25.0, 0.0),
                };
                let (left, right) = match left_drives {
                    true => (1.0, driven),
                    false => (driven, 1.0),
                };
                made.groups[0].bins[k] = Bin {
                    left,
                    right,
                    re,
                    im: 0.0,
                };
            }
            made
        };
        let fitted = |from: f64| {
            let (left, right) = (of(true, 300.0, 3000.0), of(false, from, 12e3));
            let single = [input(&left), input(&right)];
            let request = Request {
                common: None,
                single: Some(single),
                band_hz: (70.0, 20e3),
                date: None,
                coils: None,
                cutter_separation_db: 45.0,
            };
            fit_crosstalk(&request, &single[0], &single[1], None).map(|_| ())
        };
        // what either covers itself, and no bin beyond
        let error = fitted(2000.0).unwrap_err();
        assert!(
            matches!(error, CalibrateError::NoCommonBand { low_hz, high_hz }
                if (2000.0..2050.0).contains(&low_hz) && (2950.0..=3000.0).contains(&high_hz)),
            "{error}"
        );
        assert_eq!(fitted(1000.0), Ok(()));
    }

    /// One way of crosstalk whose errors are a known pair of curves.
    fn way(values: Vec<Complex64>, errors: &[Complex64]) -> OneWay {
        let n = values.len();
        let outer = |part: fn(&Complex64) -> f64| {
            Array2::from_shape_fn((n, n), |(i, j)| part(&errors[i]) * part(&errors[j]))
        };
        OneWay {
            values,
            covariance: [outer(|e| e.re), outer(|e| e.im)],
            scatter: 1.0,
        }
    }

    /// Phase of the corrected channels at a phase `t` of the right wall, by the
    /// matrices themselves.
    fn corrected(c: [Complex64; 2], wrong: [Complex64; 2], t: f64) -> f64 {
        let (left, right) = (Complex64::new(1.0, 0.0), Complex64::from_polar(1.0, -t));
        let (l, r) = (left + c[0] * right, right + c[1] * left);
        let m = [c[0] + wrong[0], c[1] + wrong[1]];
        ((l - m[0] * r) * (r - m[1] * l).conj()).arg()
    }

    /// Four independent curves of errors, each by differences of the correction.
    #[test]
    fn errors_of_the_crosstalk_turn_the_phase() {
        let n = 5;
        let at =
            |k: usize, a: f64, b: f64| Complex64::new(a + 0.01 * k as f64, b - 0.02 * k as f64);
        let list = |a: f64, b: f64| (0..n).map(|k| at(k, a, b)).collect::<Vec<_>>();
        let (c1, c2) = (list(0.05, 0.07), list(-0.03, 0.11));
        let (d1, d2) = (list(0.4, 0.9), list(-0.7, 0.2));
        let covariance = phase_covariance(&way(c1.clone(), &d1), &way(c2.clone(), &d2));
        let h = 1e-6;
        let turned = |source: usize, k: usize| {
            let error = |sign: f64| match source {
                0 => [
                    Complex64::new(sign * h * d1[k].re, 0.0),
                    Complex64::default(),
                ],
                1 => [
                    Complex64::new(0.0, sign * h * d1[k].im),
                    Complex64::default(),
                ],
                2 => [
                    Complex64::default(),
                    Complex64::new(sign * h * d2[k].re, 0.0),
                ],
                _ => [
                    Complex64::default(),
                    Complex64::new(0.0, sign * h * d2[k].im),
                ],
            };
            let phase = |sign: f64| corrected([c1[k], c2[k]], error(sign), 0.0);
            (phase(1.0) - phase(-1.0)) / (2.0 * h)
        };
        for i in 0..n {
            for j in 0..n {
                let expected: f64 = (0..4).map(|s| turned(s, i) * turned(s, j)).sum();
                let found = covariance[[i, j]];
                assert!(
                    (found - expected).abs() < 1e-8,
                    "{i} {j}: {found} {expected}"
                );
            }
        }
    }

    /// Errors that are alike in both ways and over frequency change the slope by
    /// their sum; of two bands the higher one counts by its square.
    #[test]
    fn errors_of_the_crosstalk_scale_the_delay() {
        let none = vec![Complex64::default(); 2];
        let (d1, d2) = (Complex64::new(2e-4, 5e-4), Complex64::new(3e-4, -4e-4));
        let slope = |d: [Complex64; 2]| {
            let h = 1e-5;
            let zero = [Complex64::default(); 2];
            (corrected(zero, d, h) - corrected(zero, d, -h)) / (2.0 * h) - 1.0
        };
        let of = |first: [Complex64; 2], second: [Complex64; 2]| {
            let c1 = way(none.clone(), &first);
            let c2 = way(none.clone(), &second);
            scale_variance(&[1000.0, 3000.0], &c1, &c2)
        };
        let zero = Complex64::default();
        let alone = [slope([d1, zero]), slope([zero, d2])];
        let expected = alone[0].powi(2) + alone[1].powi(2);
        let found = of([d1; 2], [d2; 2]);
        assert!(
            (found - expected).abs() < 1e-3 * expected,
            "{found} {expected}"
        );
        // a tenth and nine tenths
        let found = of([zero, d1], [zero; 2]);
        assert!((found - (0.9 * d1.re).powi(2)).abs() < 1e-15, "{found}");
        let found = of([d1, zero], [zero; 2]);
        assert!((found - (0.1 * d1.re).powi(2)).abs() < 1e-15, "{found}");
    }

    /// Noise of either wall behind a crosstalk matrix, multiplied out (`m s m*` with `s` the powers of the walls): the
    /// ratios lose what noise adds to them, and are uncertain by what is taken out, over the square root of three.
    #[test]
    fn crosstalk_of_noise_is_taken_out() {
        let (c1, c2) = (Complex64::new(0.04, -0.03), Complex64::new(0.02, 0.05));
        // powers of the driving wall's programme, and of the noises of left and right
        let points = [(1.0, 0.0, 0.0), (1.0, 0.02, 0.03), (1.0, 0.5, 0.3)];
        let mut found = [Vec::new(), Vec::new()];
        for (hertz, (programme, left, right)) in [1e3, 2e3, 3e3].into_iter().zip(points) {
            for (way, walls) in [[left + programme, right], [left, right + programme]]
                .into_iter()
                .enumerate()
            {
                let ll = walls[0] + c1.norm_sqr() * walls[1];
                let rr = walls[1] + c2.norm_sqr() * walls[0];
                let rl = c2 * walls[0] + c1.conj() * walls[1];
                let (driving, driven, across) = match way {
                    0 => (ll, rr, rl),
                    _ => (rr, ll, rl.conj()),
                };
                found[way].push(ResponsePoint {
                    transfer: across / driving,
                    symmetric_gain: f64::sqrt(driven / driving),
                    ..flat(hertz, across.norm_sqr() / (driving * driven))
                });
            }
        }
        let corrected = [
            without_noise(&found[0], &found[1]),
            without_noise(&found[1], &found[0]),
        ];
        for (of, found, exact) in [
            (&corrected[0], &found[0], c2),
            (&corrected[1], &found[1], c1),
        ] {
            for (k, point) in of.iter().enumerate() {
                // to third order in the crosstalk
                let error = (point.transfer - exact).norm();
                assert!(error < 2e-4, "{k}: {point:?}");
            }
            assert!((found[2].transfer - exact).norm() > 0.005);
        }
        // of a part between none and all, about all
        let mut to_right = way(vec![c2; 3], &[Complex64::ZERO; 3]);
        to_right.add_unknown_noise(&[0.0, 0.1, 1.0], &[c1; 3]);
        let u = to_right.u();
        for (k, share) in [0.0, 0.1, 1.0].into_iter().enumerate() {
            let rectangular = share * c1.norm() / 3f64.sqrt();
            assert!((u[k] - rectangular / 2f64.sqrt()).abs() < 1e-12, "{u:?}");
        }
    }

    /// What lies beyond the grid has no say in its ends.
    #[test]
    fn crosstalk_is_fitted_within_its_grid() {
        let spectrum = spectrum(Bin::default());
        let input = input(&spectrum);
        let inside = 200.0..=8000.0;
        let points: Vec<ResponsePoint> = (1..=300)
            .map(|k| {
                let hertz = 50.0 * f64::from(k);
                let far = if inside.contains(&hertz) { 1.0 } else { 10.0 };
                ResponsePoint {
                    transfer: Complex64::new(0.05 * far, -0.02 * far),
                    ..flat(hertz, 0.9)
                }
            })
            .collect();
        let hertz = smooth::grid(200.0, 8000.0);
        let errors = vec![1e-3; points.len()];
        let made = one_way(&input, &points, &errors, &hertz).unwrap();
        for value in &made.values {
            assert!(
                (value - Complex64::new(0.05, -0.02)).norm() < 1e-6,
                "{value}"
            );
        }
        // both parts have one error, and so has either on average
        for (k, u) in made.u().iter().enumerate() {
            let variance = made.covariance[0][[k, k]];
            assert!((u * u - variance).abs() < 1e-9 * variance, "{u} {variance}");
        }
    }

    #[test]
    fn roles_are_named_as_in_documents() {
        let names = [Role::Common, Role::LeftOnly, Role::RightOnly].map(Role::name);
        assert_eq!(names, ["common", "left-only", "right-only"]);
    }
}
