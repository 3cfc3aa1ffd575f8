//! The chain's response by one signal fed to both inputs.

use super::curves::components;
use super::{
    CHAIN_SKEW_S, CalibrateError, CalibrationCapture, ELECTRICAL_DB, RECORD_CLICKS, USABLE_PHASE,
    limited, per_point, usable,
};
use crate::chain::calibration::{CommonResponse, Estimated};
use crate::chain::response::{ResponsePoint, delay_by_slope, intercept};
use crate::chain::smooth::{self, CurveModel, CurveObservation, FittedCurves};
use crate::delay::phase::{Load, LoadPart};
use crate::spectrum::{Complex64, EQUALISER};
use crate::uncertainty::{Caveat, Warning};
use ndarray::Array2;
use std::f64::consts::{PI, TAU};

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
pub(super) fn response_basis(coils: Option<Load>, curve: usize, hertz: f64) -> Vec<f64> {
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

pub(super) fn fit_common(
    input: &CalibrationCapture,
    points: &[ResponsePoint],
    coils: Option<Load>,
    snr_db: f64,
) -> Result<(CommonResponse, Vec<f64>, Vec<Caveat>), CalibrateError> {
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
        CommonResponse {
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

/// Warnings: signs that the common capture is not one signal, and others.
fn doubts(
    input: &CalibrationCapture,
    skew: f64,
    inverted: bool,
    snr_db: f64,
    fit: &FittedCurves,
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
                "{file} looks like a recording of a groove, or of a signal at far too low a level: each channel has noise of its own only {snr_db:.0} dB down, where a signal fed by cable reaches {ELECTRICAL_DB:.0} dB; if it is a groove, discard this calibration, which counts the rotation itself as the chain's"
            ),
        ));
    }
    let samples = skew * input.spectrum.sample_rate_hz;
    list.extend(Warning::ImplausibleSkew.at(skew.abs(), || {
        let beside = (samples.round() - samples) / input.spectrum.sample_rate_hz;
        let whole = match Warning::ImplausibleSkew.level(beside.abs()) {
            None => format!("; it is {samples:.2} samples, and whole samples mean a buffer slip or a setting of the interface"),
            Some(_) => String::new(),
        };
        format!(
            "{file}: the right channel is {:.2} us {} than the left, more than a chain makes{whole}. Restart the recorder and calibrate again: if the skew is the same, it belongs to the interface and is corrected; if not, a buffer slipped",
            skew.abs() * 1e6,
            if skew > 0.0 { "later" } else { "earlier" }
        )
    }));
    if inverted {
        list.push(Warning::InvertedPolarity.seen(
            format!("{file}: one channel is inverted against the other; the calibration corrects this, but check the leads"),
        ));
    }
    list.extend(Warning::Scatter.at(fit.scatter, || {
        format!("{file}: the response scatters {:.1} times more than its noise explains (hum, or lines in the spectrum?); its errors allow for it", fit.scatter.sqrt())
    }));
    list.extend(Warning::PhaseShape.at(fit.deviation[0], || {
        format!("{file}: the phase deviates by some {:.1} deg from what skew and equaliser parts can cause; read the fitted differences of parts with care; the correction is not affected", fit.deviation[0].to_degrees())
    }));
    Ok(list)
}
