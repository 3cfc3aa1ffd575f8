//! Reads the test bands of a pass: single-channel bands, unmodulated grooves, tones.

use super::super::description::{BandKind, CaptureSpec, DelaySource, Estimate, Job};
use super::super::network::named;
use super::super::pass::{CrosstalkResult, MeasuredTone, Pass, Unmodulated};
use super::super::priors;
use super::super::solution::is_usual_speed;
use super::found::{speed_by_ratio, speed_disagrees};
use super::{JobFileError, TestBand, resolve};
use crate::analysis::{self, RecordingSpectrum, Request};
use crate::capture;
use crate::chain::{self, Calibration, CalibrationCapture, Crosstalk, SEPARATED_DB, balance_db};
use crate::uncertainty::{Caveat, Warning, rounded, rounded_u};
use std::collections::BTreeMap;
use std::path::Path;

/// Reads the test bands of the job's passes. Their crosstalk is applied to passes through chains whose
/// `calibrations` state none. Returns warnings where a stated speed is contradicted.
pub(super) fn read(
    job: &mut Job,
    job_file: &Path,
    calibrations: &BTreeMap<String, Calibration>,
) -> Result<Vec<Caveat>, JobFileError> {
    let mut caveats = Vec::new();
    let mut passes = std::mem::take(&mut job.passes);
    for pass in &mut passes {
        let tones = job.test_bands.iter().filter_map(|band| {
            let own = pass.holds(&band.spec) && band.band.kind == BandKind::Tone;
            own.then(|| tone(band, pass, job, job_file))?
        });
        pass.tones = tones.collect();
        if pass.speed.is_none() {
            let told = pass.tones.iter().find_map(|tone| tone.speed);
            let by = "a tone of known frequency shows";
            caveats.extend(told.and_then(|told| speed_disagrees(&pass.spec, told, by)));
        }
        let stated = calibrations.get(&pass.spec.chain);
        let bands: Vec<_> = job
            .test_bands
            .iter()
            .filter(|b| pass.holds(&b.spec))
            .collect();
        let of_kind = |kind| bands.iter().copied().filter(move |b| b.band.kind == kind);
        let mut single = Singles::default();
        for band in of_kind(BandKind::Left).chain(of_kind(BandKind::Right)) {
            let Some(taken) = read_band(band, job_file)? else {
                continue;
            };
            check_kind(band, &taken).map_err(|message| band.error(job_file, message))?;
            single.take(band, taken, stated);
            pass.sides_told = true;
        }
        let cutter = job.records.get(&pass.spec.record);
        let cutter = cutter.and_then(|r| r.cutter_separation_db);
        caveats.extend(single.apply(pass, stated, cutter));
        let calibration = pass.calibration.as_ref().or(stated);
        for band in of_kind(BandKind::Silent) {
            let Some(taken) = read_band(band, job_file)? else {
                continue;
            };
            let quality = &taken.spectrum.quality;
            // as for the captures that it is compared with
            let corrected = calibration.map(|c| c.apply(&taken.spectrum, pass.spec.swapped));
            pass.silent.push(Unmodulated {
                band: band.name().to_owned(),
                whole: [quality.left_power, quality.right_power],
                within: corrected.as_ref().unwrap_or(&taken.spectrum).powers(),
            });
        }
    }
    passes.retain(Pass::has_results);
    job.passes = passes;
    Ok(caveats)
}

/// Frequency of a band's tone and its once-per-revolution change; `None` where it is no steady tone.
fn tone(band: &TestBand, pass: &Pass, job: &Job, job_file: &Path) -> Option<MeasuredTone> {
    let DelaySource::File(file) = &band.spec.source else {
        return None;
    };
    let path = resolve(job_file, file);
    let heard = band.tone(&path).ok()?.hertz;
    let nominal = band.band.frequency;
    let record = job.records.get(&pass.spec.record);
    let speed = |hertz: f64| Some(speed_by_ratio(record, hertz / nominal?, 0.0));
    let about = pass.speed.or_else(|| speed(heard));
    let rpm = about.unwrap_or(pass.spec.speed()).value;
    let span_s = band.spec.from_s.zip(band.spec.to_s)?;
    let found = analysis::once_around(
        &capture::Source::Path(path),
        &band.options(),
        span_s.into(),
        [heard, rpm / 60.0],
    );
    let found = found.ok().flatten()?;
    Some(MeasuredTone {
        band: band.name().to_owned(),
        hertz: found.hertz,
        // another tone than the one described tells no speed
        speed: speed(found.hertz).filter(|s| is_usual_speed(s.value)),
        change: found.change,
        radius: Estimate {
            value: 0.5 * (band.band.radius[0] + band.band.radius[1]),
            u: band.band.radius_u.unwrap_or(priors::RADIUS.estimate().u),
        },
    })
}

/// Spectrum of a band; `None` for a band of another kind, or one that was not located.
fn read_band(band: &TestBand, job_file: &Path) -> Result<Option<RecordingSpectrum>, JobFileError> {
    let (DelaySource::File(file), Some(_)) = (&band.spec.source, band.spec.from_s) else {
        return Ok(None);
    };
    let path = resolve(job_file, file);
    // what is not there is told where it is to be read
    if band.band.kind == BandKind::Tone || !path.is_file() {
        return Ok(None);
    }
    let mut request = Request::new(capture::Source::Path(path));
    request.options.channels = band.spec.channels;
    (request.from_s, request.to_s) = (band.spec.from_s, band.spec.to_s);
    let taken = analysis::read_spectrum(&request, &mut |_| ());
    taken
        .map(Some)
        .map_err(|e| band.error(job_file, e.to_string()))
}

/// Checks that a single-channel band carries signal only in the channel that the job states.
fn check_kind(band: &TestBand, taken: &RecordingSpectrum) -> Result<(), String> {
    let right = (band.band.kind == BandKind::Right) != band.spec.swapped;
    let (kind, [own, other]) = match (band.band.kind, right) {
        (BandKind::Right, true) => ("right", ["right", "left"]),
        (BandKind::Right, false) => ("right", ["left", "right"]),
        (_, true) => ("left", ["right", "left"]),
        (_, false) => ("left", ["left", "right"]),
    };
    let right_over_left = balance_db(&taken.spectrum);
    let above = if right {
        right_over_left
    } else {
        -right_over_left
    };
    let leads = if band.spec.swapped {
        "swapped"
    } else {
        "normal"
    };
    let what = format!(
        "the band '{}' in '{}' is described as \"{kind}\", so with leads = \"{leads}\" the {own} channel plays it",
        band.name(),
        band.spec.file().unwrap_or_default()
    );
    if above > SEPARATED_DB {
        Ok(())
    } else if above < -SEPARATED_DB {
        Err(format!(
            "{what}, but the {other} channel is {:.0} dB above: left and right are exchanged somewhere; correct 'leads' or 'channels' of the capture, or 'kind' of the band",
            -above
        ))
    } else {
        Err(format!(
            "{what} alone, but its channels differ by only {:.1} dB: it looks like a band cut into both channels; correct the band's 'kind' or position",
            above.abs()
        ))
    }
}

/// Single-channel bands of a pass, left and right as at the cartridge.
#[derive(Default)]
struct Singles {
    names: [Vec<String>; 2],
    taken: [Option<RecordingSpectrum>; 2],
}

impl Singles {
    /// Adds a band, corrected for the chain as far as it is calibrated, with swapped leads undone.
    fn take(
        &mut self,
        band: &TestBand,
        mut taken: RecordingSpectrum,
        stated: Option<&Calibration>,
    ) {
        if let Some(common) = stated.and_then(Calibration::chain_alone) {
            taken.spectrum = common.apply(&taken.spectrum, band.spec.swapped);
        }
        if band.spec.swapped {
            taken.spectrum = taken.spectrum.exchanged();
        }
        let channel = usize::from(band.band.kind == BandKind::Right);
        self.names[channel].push(band.name().to_owned());
        let held = &mut self.taken[channel];
        *held = Some(match held.take() {
            Some(mut first) => {
                first.spectrum = first.spectrum.joined(taken.spectrum);
                first.info.duration_s += taken.info.duration_s;
                first
            }
            None => taken,
        });
    }

    /// The crosstalk of the pass, and a warning where it contradicts that of the chain's calibration.
    fn apply(
        self,
        pass: &mut Pass,
        stated: Option<&Calibration>,
        cutter_db: Option<f64>,
    ) -> Option<Caveat> {
        let (left, right) = match &self.taken {
            [Some(left), Some(right)] => (left, right),
            [None, None] => return None,
            [left, _] => {
                let [here, missing] = match left {
                    Some(_) => ["left", "right"],
                    None => ["right", "left"],
                };
                pass.crosstalk = Some(Err(format!(
                    "the recording holds a band of the {here} channel alone but none of the {missing} one; crosstalk is corrected in both directions or not at all"
                )));
                return None;
            }
        };
        let common = stated.and_then(Calibration::chain_alone);
        let (low, high) = chain::DEFAULT_BAND_HZ;
        let (from, to) = common.as_ref().map_or((low, high), Calibration::band_hz);
        let file = pass.spec.file().unwrap_or_default();
        let called = self
            .names
            .each_ref()
            .map(|names| format!("{file}, band {}", names.join(" and ")));
        let made = chain::calibrate(&chain::CalibrationRequest {
            common: None,
            single: Some([input(left, &called[0]), input(right, &called[1])]),
            band_hz: (low.max(from), high.min(to)),
            date: None,
            coils: None,
            cutter_separation_db: cutter_db.unwrap_or(chain::DEFAULT_CUTTER_SEPARATION_DB),
        });
        let made = match made {
            Ok(made) => made.calibration,
            Err(error) => {
                pass.crosstalk = Some(Err(error.to_string()));
                return None;
            }
        };
        let measured = made.crosstalk.clone()?;
        let held = stated.and_then(|stated| stated.crosstalk.as_ref());
        let disagrees = held.and_then(|held| crosstalk_disagrees(&pass.spec, &measured, held));
        let applied = held.is_none();
        let told = CrosstalkResult::new(made.id.clone(), self.names.concat(), applied, measured);
        pass.crosstalk = Some(Ok(told));
        // the chain is that of the pass itself
        let mut warnings = made.warnings.clone();
        warnings.retain(|w| w.code != Warning::ChainNotCalibrated);
        let base = stated.cloned().unwrap_or(Calibration {
            warnings: Vec::new(),
            ..made.clone()
        });
        pass.calibration = applied.then(|| Calibration {
            crosstalk: made.crosstalk,
            pass: Some(made.id),
            warnings: [base.warnings.clone(), warnings].concat(),
            ..base
        });
        disagrees
    }
}

/// A warning where the calibration of the chain states another crosstalk.
fn crosstalk_disagrees(spec: &CaptureSpec, told: &Crosstalk, stated: &Crosstalk) -> Option<Caveat> {
    let (beyond, u) = told.scale_beyond(stated)?;
    Warning::CrosstalkDisagrees.at(beyond.abs() / u, || {
        format!(
            "'{}': the crosstalk of its single-channel bands shortens the delay by {} % (u {} %, both cutters included) more than the calibration of {}, which is used. Was it made with this cartridge as aligned now? Calibrate again, or leave its crosstalk out so that the pass's own is used",
            spec.file().unwrap_or_default(),
            rounded(100.0 * beyond, 100.0 * u),
            rounded_u(100.0 * u),
            named("chain", &spec.chain),
        )
    })
}

fn input<'a>(taken: &'a RecordingSpectrum, file: &'a str) -> CalibrationCapture<'a> {
    CalibrationCapture {
        file,
        sha256: "",
        duration_s: taken.info.duration_s,
        spectrum: &taken.spectrum,
        identical: taken.identical,
    }
}
