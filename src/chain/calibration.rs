//! What a calibration holds, how it is undone in a cross-spectrum, and what it
//! leaves uncertain.

use super::response::{Direction, delay_by_slope, response};
use super::smooth;
use crate::delay::phase::{PhaseTerm, Shape};
use crate::delay::{Owner, Settings, Side, Term};
use crate::spectrum::Complex64;
use crate::spectrum::{Bin, CrossSpectrum};
use crate::uncertainty::Caveat;
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// A value with its standard uncertainty, as written in documents.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Estimated {
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
}

/// A capture that the calibration was made from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Common {
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Crosstalk {
    /// Separation of the cutter that made the single-channel bands, dB,
    /// positive. Its crosstalk was measured along with the cartridge's and
    /// cannot be told from it; phase unknown.
    pub cutter_separation_db: f64,
    /// As in [`Common`].
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

/// What is known of a chain, a cartridge, or both.
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
    pub common: Option<Common>,
    /// The cartridge's crosstalk, if it was measured.
    pub crosstalk: Option<Crosstalk>,
    /// Doubts that go with it.
    pub warnings: Vec<Caveat>,
}

/// Which of a job's priors a calibration replaces. What is `None` or `false`
/// was not measured and keeps its prior.
#[derive(Debug, Clone, PartialEq)]
pub struct PriorChanges {
    /// The chain's skew was measured: it is zero in corrected captures, its
    /// error being among the terms.
    pub chain_skew: bool,
    /// The equaliser's departures were measured, likewise.
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
    /// Nothing of the band was calibrated.
    #[error(
        "the calibration holds for {calibrated_low:.0} to {calibrated_high:.0} Hz and says nothing of {low:.0} to {high:.0} Hz; choose a band inside it with --band, or calibrate with wider-band signals"
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

/// A capture with its chain taken out.
#[derive(Debug, Clone)]
pub struct Corrected {
    /// The corrected spectrum.
    pub spectrum: CrossSpectrum,
    /// Settings with the band limited and the terms replaced.
    pub settings: Settings,
    /// What the calibration does not cover, and its own doubts.
    pub caveats: Vec<Caveat>,
}

impl Calibration {
    /// Band in which everything held was measured, hertz.
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
            Caveat::note(
                "calibrated-band",
                format!(
                    "analysed from {:.0} to {:.0} Hz, where the chain is calibrated, and not from {:.0} to {:.0} Hz",
                    limited.0, limited.1, band.0, band.1
                ),
            )
        });
        Ok((limited, caveat))
    }

    /// Undoes crosstalk and chain in a spectrum, whatever its sample rate.
    /// Beyond the calibrated band the values at its edges are used; see
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

    /// Errors left in the phase of a corrected capture whose delay is about
    /// `delay_s` (which turns what the cutter's crosstalk leaves).
    fn terms(&self, delay_s: f64) -> Vec<PhaseTerm> {
        let mut terms = Vec::new();
        if let Some(common) = &self.common {
            terms.extend(self.components(
                "calibration, chain",
                Side::BehindSwap,
                &common.hertz,
                &common.components_deg,
            ));
        }
        if let Some(crosstalk) = &self.crosstalk {
            terms.extend(self.components(
                "calibration, crosstalk",
                Side::BeforeSwap,
                &crosstalk.hertz,
                &crosstalk.components_deg,
            ));
            // The cutter's k1, k2 leave Im(k2 e^(i w t) - k1 e^(-i w t)):
            // Im(k2 - k1) cos(w t) + Re(k1 + k2) sin(w t). The latter is the
            // scale of the delay, `w t` at first, and what it is beyond that.
            let beyond: fn(f64) -> f64 = |turn| turn.sin() - turn;
            for (name, shape) in [
                ("cutter crosstalk in quadrature", f64::cos as fn(f64) -> f64),
                ("cutter crosstalk in phase, beyond the scale", beyond),
            ] {
                terms.push(PhaseTerm {
                    term: self.term(name.into(), Side::BeforeSwap),
                    prior_u: crosstalk.cutter(),
                    shape: Shape::Curve {
                        radians: crosstalk
                            .hertz
                            .iter()
                            .map(|f| shape(std::f64::consts::TAU * f * delay_s))
                            .collect(),
                        hertz: crosstalk.hertz.clone(),
                    },
                });
            }
        }
        terms
    }

    /// What priors are replaced, and by what.
    pub fn prior_changes(&self) -> PriorChanges {
        PriorChanges {
            chain_skew: self.common.is_some(),
            equaliser: self.common.is_some(),
            load: self
                .common
                .as_ref()
                .is_some_and(|c| c.load_percent.is_some()),
            scale_u: self.crosstalk.as_ref().map(|c| c.cutter().hypot(c.scale_u)),
            terms: self.terms(0.0),
        }
    }

    fn term(&self, name: String, side: Side) -> Term {
        Term {
            name,
            owner: Owner::Calibration(self.id.clone()),
            side,
        }
    }

    fn components<'a>(
        &'a self,
        name: &'a str,
        side: Side,
        hertz: &'a [f64],
        components: &'a [Vec<f64>],
    ) -> impl Iterator<Item = PhaseTerm> + 'a {
        components
            .iter()
            .enumerate()
            .map(move |(i, curve)| PhaseTerm {
                term: self.term(format!("{name} {}", i + 1), side),
                prior_u: 1.0,
                shape: Shape::Curve {
                    hertz: hertz.to_vec(),
                    radians: curve.iter().map(|d| d.to_radians()).collect(),
                },
            })
    }

    /// A capture with crosstalk and chain taken out, and the settings by which
    /// to estimate its delay: terms that were measured go, the calibration's
    /// errors come.
    pub fn correct(
        &self,
        spectrum: &CrossSpectrum,
        leads_swapped: bool,
        settings: &Settings,
    ) -> Result<Corrected, ApplyError> {
        let (band_hz, caveat) = self.limit(settings.band_hz)?;
        let changes = self.prior_changes();
        let measured = |shape: &Shape| match shape {
            Shape::Equaliser { .. } => changes.equaliser,
            Shape::Load { .. } => changes.load,
            _ => false,
        };
        let mut terms: Vec<PhaseTerm> = settings
            .terms
            .iter()
            .filter(|t| !measured(&t.shape))
            .cloned()
            .collect();
        let corrected = self.apply(spectrum, leads_swapped);
        let points = response(&corrected, Direction::RightOverLeft, band_hz);
        let ahead = spectrum.alignment as f64 / spectrum.sample_rate_hz;
        terms.extend(self.terms(delay_by_slope(&points) + ahead));
        let mut caveats = self.warnings.clone();
        caveats.extend(caveat);
        if leads_swapped {
            if self.crosstalk.is_some() && self.common.is_none() {
                caveats.push(Caveat::caution(
                    "crosstalk-through-unknown-chain",
                    "the crosstalk was calibrated without the chain's response and the leads are swapped since: it is exchanged as if the chain treated both channels alike; calibrate with --common too",
                ));
            }
            if changes.load {
                caveats.push(Caveat::caution(
                    "coils-in-chain-calibration",
                    "the chain was calibrated through the cartridge's coils and the leads are swapped: the coils' part has changed sides and is corrected with the wrong sign; calibrate with the leads as in the capture",
                ));
            }
        }
        Ok(Corrected {
            spectrum: corrected,
            settings: Settings { band_hz, terms },
            caveats,
        })
    }
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

impl Common {
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

    /// Standard uncertainty that the cutter's crosstalk leaves in the scale of
    /// the delay, `Re(k1 + k2)`, and in the phase, `Im(k2 - k1)`: with a
    /// magnitude of `m` each way at a phase unknown, each part of each has
    /// `m / sqrt 2`, and either combination `m`.
    pub fn cutter(&self) -> f64 {
        10f64.powf(-self.cutter_separation_db / 20.0)
    }
}
