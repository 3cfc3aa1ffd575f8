//! A calibration: content, correction of a cross-spectrum, and remaining
//! uncertainty.

use super::response::{ResponseDirection, delay_by_slope, response};
use super::smooth;
use crate::delay::phase::{PhaseShape, PhaseTerm};
use crate::delay::{CartridgeResponse, EstimateSettings, Owner, Side, Term};
use crate::spectrum::Complex64;
use crate::spectrum::{Bin, CrossSpectrum};
use crate::uncertainty::{Caveat, Warning};
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// A value with its standard uncertainty, as written in documents.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Estimated {
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
}

/// A capture that the calibration was made from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct SourceFile {
    /// What was recorded: "common", "left-only" or "right-only".
    pub kind: String,
    /// Name as given.
    pub file: String,
    /// SHA-256 of the file, hexadecimal.
    pub sha256: String,
    /// Sample rate, hertz.
    pub sample_rate_hz: f64,
    /// Length as read, seconds.
    pub duration_s: f64,
}

/// The chain's response, right over left.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CommonResponse {
    /// One channel is inverted against the other; `phase_deg` leaves that out.
    pub inverted: bool,
    /// Time by which the right channel is late, microseconds.
    pub skew_us: Estimated,
    /// Gain of the right channel over the left where no part shapes it, dB.
    pub balance_db: Estimated,
    /// Difference of the equaliser's time constants, right minus left,
    /// percent: 3180, 318 and 75 us. Which channel is off cannot be told.
    pub equaliser_percent: Vec<Estimated>,
    /// Difference of inductance, load resistance and load capacitance, right
    /// minus left, percent: only where the signal passed the cartridge's coils.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub load_percent: Option<Vec<Estimated>>,
    /// Mean square of the residuals over what noise explains; allowed for.
    pub scatter: f64,
    /// Frequencies of the grid, hertz.
    pub hertz: Vec<f64>,
    /// Phase of right over left, degrees: negative where the right is late.
    pub phase_deg: Vec<f64>,
    /// Standard uncertainty of the phase, degrees.
    pub phase_u_deg: Vec<f64>,
    /// Gain of right over left, dB.
    pub gain_db: Vec<f64>,
    /// Standard uncertainty of the gain, dB.
    pub gain_u_db: Vec<f64>,
    /// Independent curves whose squares sum to the phase's variance, degrees.
    pub components_deg: Vec<Vec<f64>>,
}

/// The cartridge's crosstalk, both ways; complex ratios.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct Crosstalk {
    /// Separation of the cutter that made the single-channel bands, dB,
    /// positive. Its crosstalk was measured along with the cartridge's and
    /// cannot be told from it; phase unknown.
    pub cutter_separation_db: f64,
    /// As in [`CommonResponse`].
    pub scatter: f64,
    /// Standard uncertainty of the delay's scale from noise alone.
    pub scale_u: f64,
    /// Frequencies of the grid, hertz.
    pub hertz: Vec<f64>,
    /// Left into right, real part.
    pub left_into_right_re: Vec<f64>,
    /// Left into right, imaginary part.
    pub left_into_right_im: Vec<f64>,
    /// Standard uncertainty of each part of it.
    pub left_into_right_u: Vec<f64>,
    /// Right into left, real part.
    pub right_into_left_re: Vec<f64>,
    /// Right into left, imaginary part.
    pub right_into_left_im: Vec<f64>,
    /// Standard uncertainty of each part of it.
    pub right_into_left_u: Vec<f64>,
    /// Independent curves whose squares sum to the variance of the phase of
    /// `L conj(R)` that errors of the crosstalk leave, degrees.
    pub components_deg: Vec<Vec<f64>>,
}

/// Calibration of a chain, a cartridge, or both.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// Stable identifier: the first 12 hexadecimal digits of the SHA-256 of
    /// the document.
    pub id: String,
    /// Program that made it.
    pub program: String,
    /// Day on which the captures were made, as given.
    pub date: Option<String>,
    /// What it was made from.
    pub sources: Vec<SourceFile>,
    /// The chain's response, if it was measured.
    pub common: Option<CommonResponse>,
    /// The cartridge's crosstalk, if it was measured.
    pub crosstalk: Option<Crosstalk>,
    /// Its warnings.
    pub warnings: Vec<Caveat>,
    /// Identifier of the crosstalk, where it comes from test bands of the corrected pass instead of
    /// the document. Its cutter is then that of the record side.
    pub pass: Option<String>,
}

/// The priors of a job that a calibration replaces. A quantity that is `None`
/// or `false` was not measured and keeps its prior.
#[derive(Debug, Clone, PartialEq)]
pub struct PriorChanges {
    /// The chain's skew was measured: it is zero in corrected captures, its
    /// error being among the terms.
    pub chain_skew: bool,
    /// The equaliser's deviations were measured, likewise.
    pub equaliser: bool,
    /// Inductance and load were measured, likewise.
    pub load: bool,
    /// Standard uncertainty of the cartridge's scale of delay (about one) in
    /// corrected captures: the cutter's crosstalk in phase, and noise.
    pub scale_u: Option<f64>,
    /// Errors left in the phase: named, owned by the calibration, so that
    /// captures corrected by it share them.
    pub terms: Vec<PhaseTerm>,
}

/// Why a calibration cannot be used for a capture.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum ApplyError {
    /// No part of the band was calibrated.
    #[error(
        "the calibration covers {calibrated_low:.0} to {calibrated_high:.0} Hz and not {low:.0} to {high:.0} Hz; choose a band inside it with --band, or calibrate with wider-band signals"
    )]
    NoOverlap {
        /// Lower edge calibrated, Hz.
        calibrated_low: f64,
        /// Upper edge calibrated, Hz.
        calibrated_high: f64,
        /// Lower edge wanted, Hz.
        low: f64,
        /// Upper edge wanted, Hz.
        high: f64,
    },
}

/// A capture corrected for its chain.
#[derive(Debug, Clone)]
pub struct Corrected {
    /// The corrected spectrum.
    pub spectrum: CrossSpectrum,
    /// Settings with the band limited and the terms replaced.
    pub settings: EstimateSettings,
    /// Warnings about the part that it does not cover, and its own.
    pub caveats: Vec<Caveat>,
}

impl Calibration {
    /// Band in which all of its content was measured, hertz.
    pub fn band_hz(&self) -> (f64, f64) {
        let common = self.common.iter().map(|c| &c.hertz);
        let crosstalk = self.crosstalk.iter().map(|c| &c.hertz);
        common
            .chain(crosstalk)
            .filter_map(|h| Some((*h.first()?, *h.last()?)))
            .fold((0.0, f64::INFINITY), |band, (low, high)| {
                (low.max(band.0), high.min(band.1))
            })
    }

    /// The part of `band` that is calibrated, hertz, with a caveat when it is
    /// noticeably less.
    pub fn limit(&self, band: (f64, f64)) -> Result<((f64, f64), Option<Caveat>), ApplyError> {
        let calibrated = self.band_hz();
        let limited = (band.0.max(calibrated.0), band.1.min(calibrated.1));
        if limited.0 >= limited.1 {
            return Err(ApplyError::NoOverlap {
                calibrated_low: calibrated.0,
                calibrated_high: calibrated.1,
                low: band.0,
                high: band.1,
            });
        }
        let caveat = (limited != band).then(|| {
            Warning::CalibratedBand.seen(
                format!(
                    "analysed from {:.0} to {:.0} Hz, where the chain is calibrated, instead of from {:.0} to {:.0} Hz",
                    limited.0, limited.1, band.0, band.1
                ),
            )
        });
        Ok((limited, caveat))
    }

    /// Corrects a spectrum of any sample rate for crosstalk and chain. Beyond
    /// the calibrated band the values at its edges are used; see
    /// [`Self::limit`]. With swapped leads the crosstalk of the cartridge,
    /// which lies before the swap point, is exchanged.
    pub fn apply(&self, spectrum: &CrossSpectrum, leads_swapped: bool) -> CrossSpectrum {
        let inverses: Vec<[[Complex64; 2]; 2]> = (0..spectrum.bins())
            .map(|k| {
                let hertz = spectrum.frequency_hz(k);
                let mut inverse = self.inverse(hertz, leads_swapped);
                if spectrum.alignment != 0 {
                    // The right channel was advanced: R there is R e^(i w a).
                    let turn = std::f64::consts::TAU * hertz * spectrum.alignment as f64
                        / spectrum.sample_rate_hz;
                    inverse[0][1] *= Complex64::from_polar(1.0, -turn);
                    inverse[1][0] *= Complex64::from_polar(1.0, turn);
                }
                inverse
            })
            .collect();
        let mut corrected = spectrum.clone();
        for group in &mut corrected.groups {
            for (bin, inverse) in group.bins.iter_mut().zip(&inverses) {
                *bin = transformed(bin, inverse);
            }
        }
        corrected
    }

    /// The matrix that takes (L, R) of a file back to the two walls.
    fn inverse(&self, hertz: f64, leads_swapped: bool) -> [[Complex64; 2]; 2] {
        let one = Complex64::new(1.0, 0.0);
        let chain = self.common.as_ref().map_or(one, |c| one / c.at(hertz));
        let (c1, c2) = match &self.crosstalk {
            None => (Complex64::default(), Complex64::default()),
            Some(c) => {
                let (right_into_left, left_into_right) = c.at(hertz);
                if leads_swapped {
                    (left_into_right, right_into_left)
                } else {
                    (right_into_left, left_into_right)
                }
            }
        };
        let scale = one / (one - c1 * c2);
        [
            [scale, -(scale * c1 * chain)],
            [-(scale * c2), scale * chain],
        ]
    }

    /// Errors left in the phase of a corrected capture whose delay at the
    /// cartridge is about `delay_s` (which turns what the cutter's crosstalk
    /// leaves).
    fn terms(&self, delay_s: f64) -> Vec<PhaseTerm> {
        let mut terms = Vec::new();
        if let Some(common) = &self.common {
            terms.extend(components(
                &self.id,
                "calibration, chain",
                Side::BehindSwap,
                &common.hertz,
                &common.components_deg,
            ));
        }
        if let Some(crosstalk) = &self.crosstalk {
            terms.extend(components(
                self.crosstalk_id(),
                "calibration, crosstalk",
                Side::BeforeSwap,
                &crosstalk.hertz,
                &crosstalk.components_deg,
            ));
            let cutter = match self.pass {
                Some(_) => Owner::Record,
                None => Owner::Calibration(self.id.clone()),
            };
            terms.extend(
                crosstalk
                    .cutter_terms(delay_s)
                    .map(|(name, prior_u, radians)| PhaseTerm {
                        term: Term {
                            name: name.into(),
                            owner: cutter.clone(),
                            side: Side::BeforeSwap,
                        },
                        prior_u,
                        shape: PhaseShape::Curve {
                            radians,
                            hertz: crosstalk.hertz.clone(),
                        },
                    }),
            );
        }
        terms
    }

    /// The priors that it replaces.
    pub fn prior_changes(&self) -> PriorChanges {
        PriorChanges {
            chain_skew: self.common.is_some(),
            equaliser: self.common.is_some(),
            load: self
                .common
                .as_ref()
                .is_some_and(|c| c.load_percent.is_some()),
            scale_u: self.crosstalk.as_ref().map(Crosstalk::scale_with_cutter_u),
            terms: self.terms(0.0),
        }
    }

    /// Its part for the chain alone, if any.
    pub fn chain_alone(&self) -> Option<Self> {
        self.common.as_ref()?;
        Some(Self {
            crosstalk: None,
            ..self.clone()
        })
    }

    /// Identifier by which captures share the errors of its crosstalk.
    pub fn crosstalk_id(&self) -> &str {
        self.pass.as_deref().unwrap_or(&self.id)
    }

    /// A capture corrected for crosstalk and chain, with the settings for its
    /// delay estimate: measured terms are replaced by the calibration's errors.
    pub fn correct(
        &self,
        spectrum: &CrossSpectrum,
        leads_swapped: bool,
        settings: &EstimateSettings,
    ) -> Result<Corrected, ApplyError> {
        let (band_hz, caveat) = self.limit(settings.band_hz)?;
        let changes = self.prior_changes();
        let measured = |shape: &PhaseShape| match shape {
            PhaseShape::Equaliser { .. } => changes.equaliser,
            PhaseShape::Load { .. } => changes.load,
            _ => false,
        };
        let mut terms: Vec<PhaseTerm> = settings
            .terms
            .iter()
            .filter(|t| !measured(&t.shape))
            .cloned()
            .collect();
        let corrected = self.apply(spectrum, leads_swapped);
        let points = response(&corrected, ResponseDirection::RightOverLeft, band_hz);
        let ahead = spectrum.alignment as f64 / spectrum.sample_rate_hz;
        let delay = delay_by_slope(&points) + ahead;
        terms.extend(self.terms(if leads_swapped { -delay } else { delay }));
        let mut caveats = self.warnings.clone();
        caveats.extend(caveat);
        if leads_swapped {
            if self.crosstalk.is_some() && self.common.is_none() {
                caveats.push(Warning::CrosstalkThroughUnknownChain.seen(
                    "the crosstalk was calibrated without the chain's response and the leads are swapped since: it is exchanged as if the chain treated both channels alike; calibrate with --common too",
                ));
            }
            if changes.load {
                caveats.push(Warning::CoilsInChainCalibration.seen(
                    "the chain was calibrated through the cartridge's coils and the leads are swapped: the coils' part has changed sides and is corrected with the wrong sign; calibrate with the leads as in the capture",
                ));
            }
        }
        Ok(Corrected {
            spectrum: corrected,
            settings: EstimateSettings {
                band_hz,
                terms,
                // corrected terms are no longer unknown
                cartridge: settings.cartridge.map(|cartridge| CartridgeResponse {
                    coils: cartridge.coils && !changes.load,
                    crosstalk: cartridge.crosstalk && self.crosstalk.is_none(),
                }),
            },
            caveats,
        })
    }
}

/// Errors of a calibration that captures share by its identifier, one of each curve.
fn components<'a>(
    id: &'a str,
    name: &'a str,
    side: Side,
    hertz: &'a [f64],
    components: &'a [Vec<f64>],
) -> impl Iterator<Item = PhaseTerm> + 'a {
    components
        .iter()
        .enumerate()
        .map(move |(i, curve)| PhaseTerm {
            term: Term {
                name: format!("{name} {}", i + 1),
                owner: Owner::Calibration(id.to_owned()),
                side,
            },
            prior_u: 1.0,
            shape: PhaseShape::Curve {
                hertz: hertz.to_vec(),
                radians: curve.iter().map(|d| d.to_radians()).collect(),
            },
        })
}

/// `W S W^H` of the Hermitian matrix of a bin.
fn transformed(bin: &Bin, w: &[[Complex64; 2]; 2]) -> Bin {
    let cross = Complex64::new(bin.re, bin.im);
    let power = |row: &[Complex64; 2]| {
        row[0].norm_sqr() * bin.left
            + row[1].norm_sqr() * bin.right
            + 2.0 * (row[0] * row[1].conj() * cross).re
    };
    let [a, b] = w;
    let z = a[0] * b[1].conj() * cross
        + a[1] * b[0].conj() * cross.conj()
        + a[0] * b[0].conj() * bin.left
        + a[1] * b[1].conj() * bin.right;
    Bin {
        left: power(a),
        right: power(b),
        re: z.re,
        im: z.im,
    }
}

fn interpolated(hertz: &[f64], columns: [&[f64]; 2], at: f64) -> [f64; 2] {
    let (start, weights) = smooth::weights(hertz, at);
    columns.map(|column| {
        weights
            .iter()
            .zip(&column[start..])
            .map(|(w, v)| w * v)
            .sum()
    })
}

impl CommonResponse {
    /// The response, right over left, at a frequency in hertz.
    pub fn at(&self, hertz: f64) -> Complex64 {
        let [phase, gain_db] = interpolated(&self.hertz, [&self.phase_deg, &self.gain_db], hertz);
        let sign = if self.inverted { -1.0 } else { 1.0 };
        sign * Complex64::from_polar(10f64.powf(gain_db / 20.0), phase.to_radians())
    }
}

impl Crosstalk {
    /// Right into left and left into right at a frequency in hertz.
    pub fn at(&self, hertz: f64) -> (Complex64, Complex64) {
        let pair = |re: &[f64], im: &[f64]| {
            let [re, im] = interpolated(&self.hertz, [re, im], hertz);
            Complex64::new(re, im)
        };
        (
            pair(&self.right_into_left_re, &self.right_into_left_im),
            pair(&self.left_into_right_re, &self.left_into_right_im),
        )
    }

    /// Difference of the delay's scale by this crosstalk from that by another, with its standard uncertainty by
    /// noise and both cutters, taken as independent: `Re(c1 + c2)`, weighted as a phase slope is, by frequency
    /// squared, over what both hold. `None` where they have no band in common.
    pub fn scale_beyond(&self, other: &Self) -> Option<(f64, f64)> {
        let held = |hertz: &&f64| {
            let of = &other.hertz;
            of[0] <= **hertz && **hertz <= of[of.len() - 1]
        };
        let (mut weights, mut sum) = (0.0, 0.0);
        for hertz in self.hertz.iter().filter(held) {
            let [own, others] = [self, other].map(|c| {
                let (c1, c2) = c.at(*hertz);
                (c1 + c2).re
            });
            weights += hertz.powi(2);
            sum += hertz.powi(2) * (own - others);
        }
        let u = self
            .scale_with_cutter_u()
            .hypot(other.scale_with_cutter_u());
        (weights > 0.0).then(|| (sum / weights, u))
    }

    /// Channel separation on the grid, dB: left into right, right into left.
    pub fn separation_db(&self) -> [Vec<f64>; 2] {
        let db = |re: &[f64], im: &[f64]| {
            re.iter()
                .zip(im)
                .map(|(re, im)| -20.0 * re.hypot(*im).max(1e-9).log10())
                .collect()
        };
        [
            db(&self.left_into_right_re, &self.left_into_right_im),
            db(&self.right_into_left_re, &self.right_into_left_im),
        ]
    }

    /// Phase errors of a corrected capture due to the cutter's crosstalk:
    /// names, standard uncertainties and curves, radians per unit.
    ///
    /// With `k1` (right into left) and `k2` of the cutter the bands show
    /// `m1 = (c1 + k1) / (1 + c2 k1)` and `m2` likewise; correcting a delay of
    /// phase `t` by them leaves, with `e = exp(-i t)`,
    /// `L conj R ~ conj(e) (1 - k1 e + m1 k2) conj(1 - k2 conj(e) + m2 k1)`, whose
    /// phase beyond `t` is, to second order in `k`,
    /// `Im(k2 conj(e) - k1 e + m1 k2 - m2 k1) + Im(k2^2 conj(e)^2 - k1^2 e^2) / 2`.
    /// What is proportional to `t` in it belongs to the scale of the delay and is
    /// left out here.
    fn cutter_terms(&self, delay_s: f64) -> impl Iterator<Item = (&'static str, f64, Vec<f64>)> {
        let part = self.cutter() / 2f64.sqrt();
        let second = self.cutter().powi(2) / 2f64.sqrt();
        let curve = |shape: fn(f64, Complex64, Complex64) -> f64| {
            let turn = |hertz: f64| std::f64::consts::TAU * hertz * delay_s;
            let at = |&hertz: &f64| {
                let (m1, m2) = self.at(hertz);
                shape(turn(hertz), m1, m2)
            };
            self.hertz.iter().map(at).collect()
        };
        [
            (
                "cutter crosstalk in phase, right into left",
                part,
                curve(|t, _, m2| t.sin() - t - m2.im),
            ),
            (
                "cutter crosstalk in phase, left into right",
                part,
                curve(|t, m1, _| t.sin() - t + m1.im),
            ),
            (
                "cutter crosstalk in quadrature, right into left",
                part,
                curve(|t, _, m2| -t.cos() - m2.re),
            ),
            (
                "cutter crosstalk in quadrature, left into right",
                part,
                curve(|t, m1, _| t.cos() + m1.re),
            ),
            (
                "cutter crosstalk squared, in phase",
                second,
                curve(|t, _, _| (2.0 * t).sin() - 2.0 * t),
            ),
            (
                "cutter crosstalk squared, in quadrature",
                second,
                curve(|t, _, _| (2.0 * t).cos()),
            ),
        ]
        .into_iter()
    }

    /// Standard uncertainty of the delay's scale, by noise and the cutter.
    fn scale_with_cutter_u(&self) -> f64 {
        self.cutter().hypot(self.scale_u)
    }

    /// Standard uncertainty that the cutter's crosstalk leaves in the scale of
    /// the delay, `Re(k1 + k2)`, and in the phase, `Im(k2 - k1)`: with a
    /// magnitude of `m` each way at a phase unknown, each part of each has
    /// `m / sqrt 2`, and either combination `m`.
    pub fn cutter(&self) -> f64 {
        10f64.powf(-self.cutter_separation_db / 20.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};
    use std::f64::consts::TAU;

    const HERTZ: [f64; 4] = [200.0, 2000.0, 8000.0, 16_000.0];

    fn crosstalk(values: impl Fn(f64) -> (Complex64, Complex64)) -> Crosstalk {
        let (right_into_left, left_into_right): (Vec<_>, Vec<_>) =
            HERTZ.iter().map(|f| values(*f)).unzip();
        let re = |list: &[Complex64]| list.iter().map(|c| c.re).collect();
        let im = |list: &[Complex64]| list.iter().map(|c| c.im).collect();
        Crosstalk {
            cutter_separation_db: 30.0,
            scatter: 1.0,
            scale_u: 0.006,
            hertz: HERTZ.to_vec(),
            left_into_right_re: re(&left_into_right),
            left_into_right_im: im(&left_into_right),
            left_into_right_u: vec![0.0; 4],
            right_into_left_re: re(&right_into_left),
            right_into_left_im: im(&right_into_left),
            right_into_left_u: vec![0.0; 4],
            components_deg: vec![vec![1.0, 2.0, 3.0, 4.0], vec![0.1; 4]],
        }
    }

    fn calibration(crosstalk: Crosstalk) -> Calibration {
        Calibration {
            id: "0123456789ab".to_owned(),
            program: String::new(),
            date: None,
            sources: Vec::new(),
            common: None,
            crosstalk: Some(crosstalk),
            warnings: Vec::new(),
            pass: None,
        }
    }

    /// A chain that does nothing, its coils' load known or not.
    fn common(load: bool) -> CommonResponse {
        let nothing = Estimated { value: 0.0, u: 0.0 };
        CommonResponse {
            inverted: false,
            skew_us: nothing,
            balance_db: nothing,
            equaliser_percent: vec![nothing; 3],
            load_percent: load.then(|| vec![nothing; 3]),
            scatter: 1.0,
            hertz: HERTZ.to_vec(),
            phase_deg: vec![0.0; 4],
            phase_u_deg: vec![0.0; 4],
            gain_db: vec![0.0; 4],
            gain_u_db: vec![0.0; 4],
            components_deg: vec![vec![0.5; 4]],
        }
    }

    /// A delay whose coherence is 90 %, so that weights are of one size.
    fn delayed(rate: f64, rest: f64, alignment: i64) -> CrossSpectrum {
        CrossSpectrum {
            sample_rate_hz: rate,
            frame_length: 1024,
            alignment: alignment as _,
            groups: vec![crate::spectrum::Group {
                first_frame: 0,
                last_frame: 99,
                frames: 100,
                bins: (0..512)
                    .map(|k| {
                        let w = TAU * f64::from(k) * rate / 1024.0;
                        let cross = Complex64::from_polar(0.9f64.sqrt(), w * rest);
                        Bin {
                            left: 1.0,
                            right: 1.0,
                            re: cross.re,
                            im: cross.im,
                        }
                    })
                    .collect(),
            }],
            quietest: crate::spectrum::Group::default(),
            span: (0, 51 * 1024),
            origin: 0,
            quality: crate::spectrum::SignalQuality::default(),
        }
    }

    #[test]
    fn separation_is_in_decibels() {
        let made = crosstalk(|_| (Complex64::new(0.006, 0.008), Complex64::new(0.0, -0.1)));
        let [to_right, to_left] = made.separation_db();
        for (right, left) in to_right.iter().zip(&to_left) {
            assert!((right - 20.0).abs() < 1e-12, "{right}");
            assert!((left - 40.0).abs() < 1e-12, "{left}");
        }
        // none is no infinity
        let none = crosstalk(|_| (Complex64::default(), Complex64::default()));
        assert_eq!(none.separation_db()[0], [180.0; 4]);
        assert!((made.cutter() - 0.031_622_776_601).abs() < 1e-12);
    }

    /// Cutter heads drawn at 30 dB and a phase unknown, the cartridge solved from
    /// what the bands show, the correction made with the matrices themselves: the
    /// scatter of the phase is that of the terms, where they are large and where
    /// they are small. What is proportional to the delay is the scale's.
    #[test]
    fn cutters_leave_the_phase_that_the_terms_say() {
        let shown = |f: f64| (Complex64::new(0.02, 3e-6 * f), Complex64::new(-0.04, 0.03));
        let made = crosstalk(shown);
        let one = Complex64::new(1.0, 0.0);
        let part = made.cutter() / 2f64.sqrt();
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(4);
        let mut normal = || {
            let (u, v): (f64, f64) = (rng.random(), rng.random());
            (-2.0 * (1.0 - u).ln()).sqrt() * (TAU * v).cos()
        };
        const DRAWS: usize = 40_000;
        let cutters: Vec<[Complex64; 2]> = (0..DRAWS)
            .map(|_| [(); 2].map(|()| part * Complex64::new(normal(), normal())))
            .collect();
        for delay in [-9e-6, 0.0, 4e-6, 15e-6] {
            let terms: Vec<_> = made.cutter_terms(delay).collect();
            for (k, f) in HERTZ.iter().enumerate() {
                let (m1, m2) = shown(*f);
                let left = |[k1, k2]: [Complex64; 2], t: f64| {
                    // m1 = (c1 + k1) / (1 + c2 k1) and m2 likewise
                    let (mut c1, mut c2) = (m1, m2);
                    for _ in 0..20 {
                        (c1, c2) = (m1 * (one + c2 * k1) - k1, m2 * (one + c1 * k2) - k2);
                    }
                    let late = Complex64::from_polar(1.0, -t);
                    let (l, r) = (one + c1 * late, late + c2);
                    let phase = ((l - m1 * r) * (r - m2 * l).conj()).arg();
                    (phase - t + 0.5 * TAU).rem_euclid(TAU) - 0.5 * TAU
                };
                let t = TAU * f * delay;
                let square: f64 = cutters
                    .iter()
                    .map(|c| {
                        let scale = (left(*c, 1e-4) - left(*c, -1e-4)) / 2e-4;
                        (left(*c, t) - scale * t).powi(2)
                    })
                    .sum();
                let scatter = (square / DRAWS as f64).sqrt();
                let said: f64 = terms.iter().map(|(_, u, c)| (u * c[k]).powi(2)).sum();
                // a scatter of so many draws is known to 0.4 %; third order is left out
                let said = said.sqrt();
                assert!(
                    (scatter - said).abs() < 0.02 * said,
                    "{delay} s, {f} Hz: {scatter} {said}"
                );
            }
        }
    }

    /// Each first-order term is the phase of its own part of the cutter's crosstalk,
    /// the second-order ones the curvature.
    #[test]
    fn each_term_is_of_its_part() {
        let shown = (Complex64::new(0.02, 0.05), Complex64::new(-0.04, 0.03));
        let made = crosstalk(|_| shown);
        let (m1, m2) = shown;
        let one = Complex64::new(1.0, 0.0);
        let delay = 7e-6;
        let terms: Vec<_> = made.cutter_terms(delay).collect();
        let m = 10f64.powf(-1.5);
        for (k, f) in HERTZ.iter().enumerate() {
            let t = TAU * f * delay;
            // the walls as corrected: 1 - k1 e + m1 k2 and its like, by the matrices
            let phase = |k1: Complex64, k2: Complex64| {
                let late = Complex64::from_polar(1.0, -t);
                let (c1, c2) = (m1 - k1, m2 - k2);
                let (l, r) = (one + c1 * late, late + c2);
                ((l - m1 * r) * (r - m2 * l).conj() / late.conj()).arg()
            };
            let zero = Complex64::default();
            let h = 1e-5;
            let (re, im) = (Complex64::new(h, 0.0), Complex64::new(0.0, h));
            let parts = [(re, zero), (zero, re), (im, zero), (zero, im)];
            for ((name, u, curve), (k1, k2)) in terms.iter().zip(parts) {
                let slope = (phase(k1, k2) - phase(-k1, -k2)) / (2.0 * h);
                let in_phase = name.contains("in phase");
                let expected = if in_phase { slope - t } else { slope };
                // products of the crosstalks themselves, 0.3 %, are left out
                assert!(
                    (curve[k] - expected).abs() < 5e-3,
                    "{name}, {f} Hz: {} {expected}",
                    curve[k]
                );
                assert!((u - m / 2f64.sqrt()).abs() < 1e-12, "{name}");
            }
            for (_, u, curve) in &terms[4..] {
                assert!((u - m * m / 2f64.sqrt()).abs() < 1e-12);
                assert_eq!(curve.len(), HERTZ.len());
            }
        }
        assert_eq!(terms.len(), 6);
    }

    /// The errors that a calibration leaves go with every capture corrected by it.
    #[test]
    fn terms_are_named_owned_and_sided() {
        let zero = Complex64::default();
        let made = calibration(crosstalk(|_| (zero, zero)));
        let changes = made.prior_changes();
        assert!(!changes.chain_skew && !changes.equaliser && !changes.load);
        let scale = (1e-3f64 + 0.006 * 0.006).sqrt();
        assert!((changes.scale_u.unwrap() - scale).abs() < 1e-12);
        let names: Vec<&str> = changes.terms.iter().map(|t| t.term.name.as_str()).collect();
        assert_eq!(
            names[..2],
            ["calibration, crosstalk 1", "calibration, crosstalk 2"]
        );
        assert_eq!(names.len(), 8);
        for t in &changes.terms {
            assert_eq!(t.term.owner, Owner::Calibration("0123456789ab".to_owned()));
            assert_eq!(t.term.side, Side::BeforeSwap);
        }
        assert_eq!(changes.terms[0].prior_u, 1.0);
        let expected = PhaseShape::Curve {
            hertz: HERTZ.to_vec(),
            radians: [1f64, 2.0, 3.0, 4.0].map(f64::to_radians).to_vec(),
        };
        assert_eq!(changes.terms[0].shape, expected);
        // the chain's lie behind the swap of leads
        let made = Calibration {
            common: Some(common(true)),
            crosstalk: None,
            ..made
        };
        let changes = made.prior_changes();
        assert!(changes.chain_skew && changes.equaliser && changes.load);
        assert_eq!(changes.scale_u, None);
        assert_eq!(changes.terms.len(), 1);
        assert_eq!(changes.terms[0].term.name, "calibration, chain 1");
        assert_eq!(changes.terms[0].term.side, Side::BehindSwap);
    }

    /// With swapped leads a correction whose side of the swap is not known is doubted.
    #[test]
    fn swapped_leads_ask_for_a_chain_that_is_known() {
        let zero = Complex64::default();
        let spectrum = delayed(48_000.0, 5e-6, 0);
        let (chain, coils) = (
            "crosstalk-through-unknown-chain",
            "coils-in-chain-calibration",
        );
        for (common, with_crosstalk, swapped, expected) in [
            (None, true, false, &[][..]),
            (None, true, true, &[chain]),
            (Some(common(false)), true, true, &[]),
            (Some(common(false)), false, true, &[]),
            (Some(common(true)), false, true, &[coils]),
            (Some(common(true)), true, false, &[]),
        ] {
            let mut made = calibration(crosstalk(|_| (zero, zero)));
            made.common = common;
            made.crosstalk = made.crosstalk.filter(|_| with_crosstalk);
            let corrected = made
                .correct(&spectrum, swapped, &EstimateSettings::default())
                .unwrap();
            let found: Vec<&str> = corrected.caveats.iter().map(|c| c.code.as_str()).collect();
            let about_leads = |c: &&str| [chain, coils].contains(c);
            let found: Vec<&str> = found.into_iter().filter(about_leads).collect();
            assert_eq!(
                found, expected,
                "{:?} {with_crosstalk} {swapped}",
                made.common
            );
        }
    }

    /// Terms are turned by the delay at the cartridge, whichever channel was
    /// advanced before the analysis, and the other way round with swapped leads.
    #[test]
    fn terms_turn_with_the_delay_at_the_cartridge() {
        let zero = Complex64::default();
        let made = calibration(crosstalk(|_| (zero, zero)));
        let (rate, samples) = (48_000.0, 3i64);
        let delay = samples as f64 / rate - 5e-6;
        let settings = EstimateSettings::default();
        for (alignment, swapped) in [(0, false), (samples, false), (samples, true)] {
            let rest = delay - alignment as f64 / rate;
            let spectrum = delayed(rate, rest, alignment);
            let corrected = made.correct(&spectrum, swapped, &settings).unwrap();
            // without a common signal the equaliser's terms stay
            assert_eq!(
                corrected.settings.terms.len(),
                settings.terms.len() + made.prior_changes().terms.len()
            );
            let term = corrected.settings.terms.last().unwrap();
            let PhaseShape::Curve { radians, .. } = &term.shape else {
                panic!("{term:?}");
            };
            let turned = if swapped { -delay } else { delay };
            for (f, value) in HERTZ.iter().zip(radians) {
                let expected = (2.0 * TAU * f * turned).cos();
                assert!((value - expected).abs() < 1e-9, "{f}: {value} {expected}");
            }
            // the sine tells the sign
            let term = &corrected.settings.terms[corrected.settings.terms.len() - 2];
            let PhaseShape::Curve { radians, .. } = &term.shape else {
                panic!("{term:?}");
            };
            let x = 2.0 * TAU * HERTZ[2] * turned;
            assert!((radians[2] - (x.sin() - x)).abs() < 1e-8);
        }
    }
}
