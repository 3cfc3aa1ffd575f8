//! Results of one pass of a side beside the delays of its captures: crosstalk, noise, speed.

use super::description::{CaptureSpec, Estimate, Job};
use super::network::CaptureData;
use crate::analysis::FrequencyModulation;
use crate::chain::{Calibration, Crosstalk};
use crate::uncertainty::{Interval, Quantity, normal_coverage_factor, student_coverage_factor};
use crate::units::MILLIMETRE;
use serde::{Deserialize, Serialize};

/// Frequency at which the separation of channels is stated, hertz (IEC 60098, from memory).
const SEPARATION_HZ: f64 = 1000.0;

/// One pass of a side, as [`file::gather`](super::file::gather) reads it.
#[derive(Debug, Clone, PartialEq)]
pub struct Pass {
    /// One of its bands, described as a capture.
    pub spec: CaptureSpec,
    /// Its captures, counted from 0.
    pub captures: Vec<usize>,
    /// Crosstalk by its single-channel bands, or why there is none; `None` without such bands.
    pub crosstalk: Option<Result<CrosstalkResult, String>>,
    /// Its single-channel bands play in the channels that the job states.
    pub sides_told: bool,
    /// The correction of its captures, where it is not the chain's calibration alone.
    pub calibration: Option<Calibration>,
    /// Its unmodulated grooves.
    pub silent: Vec<Unmodulated>,
    /// Its tones.
    pub tones: Vec<MeasuredTone>,
    /// Speed by its coded marks, revolutions per minute.
    pub speed: Option<Estimate>,
}

/// A steady tone of a pass.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasuredTone {
    /// Name of the band.
    pub band: String,
    /// Mean frequency over whole revolutions, hertz.
    pub hertz: f64,
    /// Speed by its frequency, revolutions per minute.
    pub speed: Option<Estimate>,
    /// Its change once a revolution.
    pub change: Option<FrequencyModulation>,
    /// Radius in the middle of the band, metres.
    pub radius: Estimate,
}

impl Pass {
    /// A pass not yet read.
    pub(super) fn of(spec: &CaptureSpec) -> Self {
        Self {
            spec: spec.clone(),
            captures: Vec::new(),
            crosstalk: None,
            sides_told: false,
            calibration: None,
            silent: Vec::new(),
            tones: Vec::new(),
            speed: None,
        }
    }

    /// Whether a band belongs to it: the same recording, made in the same way.
    pub(super) fn holds(&self, spec: &CaptureSpec) -> bool {
        fn made(s: &CaptureSpec) -> impl PartialEq {
            let objects = [&s.setup, &s.record, &s.chain];
            (&s.source, s.channels, s.swapped, objects)
        }
        made(&self.spec) == made(spec)
    }

    /// Whether it has any results.
    pub(super) fn has_results(&self) -> bool {
        let beside = !self.silent.is_empty() || !self.tones.is_empty();
        self.crosstalk.is_some() || beside || self.speed.is_some()
    }
}

impl Job {
    /// The pass of which a capture is a band, if it has results of its own.
    pub(super) fn pass_of(&self, capture: usize) -> Option<&Pass> {
        self.passes.iter().find(|p| p.captures.contains(&capture))
    }
}

/// An unmodulated groove: mean squares of the left and the right channel, full scale 1.
#[derive(Debug, Clone, PartialEq)]
pub struct Unmodulated {
    /// Name of the band.
    pub band: String,
    /// Of everything.
    pub whole: [f64; 2],
    /// From 100 Hz to 15 kHz, clicks left out.
    pub within: [f64; 2],
}

/// Crosstalk by the single-channel bands of a pass.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct CrosstalkResult {
    /// Identifier by which captures share its errors.
    pub id: String,
    /// The bands.
    pub bands: Vec<String>,
    /// Whether it corrected the pass's captures; else the chain's stated calibration did.
    pub applied: bool,
    /// Separation of the channels at 1 kHz, dB: left into right, right into left, of cartridge and cutter
    /// together; null where it was not measured there.
    pub separation_db: Option<[f64; 2]>,
    /// The crosstalk over frequency, at the cartridge, as in a calibration file.
    pub measured: Crosstalk,
}

impl CrosstalkResult {
    pub(super) fn new(id: String, bands: Vec<String>, applied: bool, measured: Crosstalk) -> Self {
        let hertz = &measured.hertz;
        let known = hertz[0] <= SEPARATION_HZ && SEPARATION_HZ <= hertz[hertz.len() - 1];
        let separation_db = known.then(|| {
            let (right_into_left, left_into_right) = measured.at(SEPARATION_HZ);
            [left_into_right, right_into_left].map(|c| -20.0 * c.norm().log10())
        });
        Self {
            id,
            bands,
            applied,
            separation_db,
            measured,
        }
    }
}

/// The noise of an unmodulated groove, left and right channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct NoiseResult {
    /// The band.
    pub band: String,
    /// Root mean square of everything against full scale, dB, rumble, hum and clicks included; null of
    /// a channel without any signal.
    pub level_dbfs: [Option<f64>; 2],
    /// The same from 100 Hz to 15 kHz, above rumble and hum, without clicks, and corrected for crosstalk like
    /// the captures.
    pub level_within_dbfs: [Option<f64>; 2],
    /// That level below the captures of the pass, in the same band, dB.
    pub below_programme_db: [Option<f64>; 2],
}

/// Speed and eccentricity by a tone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct ToneResult {
    /// The band.
    pub band: String,
    /// Mean frequency over whole revolutions.
    pub hertz: f64,
    /// Speed, where the frequency at the cut is stated; the uncertainty is that of the cut's speed.
    pub speed_rpm: Option<Quantity>,
    /// Peak change of the frequency once a revolution, percent; null of too few revolutions.
    pub once_around_percent: Option<Quantity>,
    /// Eccentricity of the hole, millimetres, assuming a steady turntable.
    pub eccentricity_mm: Option<Quantity>,
}

/// Results of one pass beside its captures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct PassResult {
    /// The recording.
    pub file: String,
    /// Its captures, in the job's order, from 1.
    pub captures: Vec<usize>,
    /// Crosstalk by its single-channel bands; null where there is none.
    pub crosstalk: Option<CrosstalkResult>,
    /// Why it is null, where there are such bands.
    pub crosstalk_missing: Option<String>,
    /// Noise of its unmodulated grooves.
    pub noise: Vec<NoiseResult>,
    /// Its steady tones.
    pub tones: Vec<ToneResult>,
    /// Speed by its coded marks, revolutions per minute; the uncertainty is that of the cut's speed.
    pub speed_rpm: Option<Quantity>,
}

impl PassResult {
    /// Results of the passes of a job; `data` as given to [`solve`](super::solve).
    pub(super) fn all(job: &Job, data: &[Option<CaptureData>], coverage: f64) -> Vec<Self> {
        let of = |pass: &Pass| {
            let programme = programme(pass, data);
            let (crosstalk, crosstalk_missing) = match pass.crosstalk.clone() {
                Some(Ok(told)) => (Some(told), None),
                Some(Err(reason)) => (None, Some(reason)),
                None => (None, None),
            };
            Self {
                file: pass.spec.file().unwrap_or_default(),
                captures: pass.captures.iter().map(|at| at + 1).collect(),
                crosstalk,
                crosstalk_missing,
                noise: pass.silent.iter().map(|s| s.told(programme)).collect(),
                tones: pass.tones.iter().map(|t| t.told(coverage)).collect(),
                speed_rpm: pass.speed.map(|s| Quantity::normal(s.value, s.u, coverage)),
            }
        };
        job.passes.iter().map(of).collect()
    }
}

/// Mean squares of the channels over the captures of a pass, from 100 Hz to 15 kHz.
fn programme(pass: &Pass, data: &[Option<CaptureData>]) -> Option<[f64; 2]> {
    let read = pass
        .captures
        .iter()
        .filter_map(|at| data.get(*at)?.as_ref());
    let evidence = read.filter_map(|d| d.evidence.as_ref());
    let powers: Vec<[f64; 2]> = evidence.map(|e| e.powers_within).collect();
    let mean = |k: usize| powers.iter().map(|p| p[k]).sum::<f64>() / powers.len() as f64;
    (!powers.is_empty()).then(|| [mean(0), mean(1)])
}

impl Unmodulated {
    fn told(&self, programme: Option<[f64; 2]>) -> NoiseResult {
        let db = |power: f64| (power > 0.0).then(|| 10.0 * power.log10());
        let below = |k: usize| Some(db(programme?[k])? - db(self.within[k])?);
        NoiseResult {
            band: self.band.clone(),
            level_dbfs: self.whole.map(db),
            level_within_dbfs: self.within.map(db),
            below_programme_db: [below(0), below(1)],
        }
    }
}

impl MeasuredTone {
    fn told(&self, coverage: f64) -> ToneResult {
        // a magnitude, never negative, from two components of this size, each with this uncertainty
        let size = |change: FrequencyModulation, each: f64, each_u: f64| {
            let k = student_coverage_factor(coverage, change.degrees_of_freedom);
            let [by_noise, by_factor] = [each * change.u, each_u * change.peak];
            let half = (k * by_noise).hypot(normal_coverage_factor(coverage) * by_factor);
            let value = each * change.peak;
            Quantity {
                value,
                standard_uncertainty: by_noise.hypot(by_factor),
                interval: Interval::finite((value - half).max(0.0), value + half, coverage),
            }
        };
        let [radius, radius_u] = [self.radius.value, self.radius.u].map(|r| r / MILLIMETRE);
        ToneResult {
            band: self.band.clone(),
            hertz: self.hertz,
            speed_rpm: self.speed.map(|s| Quantity::normal(s.value, s.u, coverage)),
            once_around_percent: self.change.map(|c| size(c, 100.0, 0.0)),
            eccentricity_mm: self.change.map(|c| size(c, radius, radius_u)),
        }
    }
}
