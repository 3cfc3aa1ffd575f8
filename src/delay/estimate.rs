//! From a cross-spectrum to an estimate, or a refusal with its reason.

use super::coarse::{self, Correlation};
use super::jackknife::{GroupDelay, jackknife};
use super::phase::{self, Fit, PhaseTerm, Point};
use super::{Information, Node, Owner, Side, Term};
use crate::spectrum::{Bin, CrossSpectrum};
use crate::uncertainty::Caveat;
use ndarray::Array1;
use thiserror::Error;

/// Lower edge of the band by default, hertz: above hum and rumble, low enough
/// to see the equaliser's slow terms.
pub const DEFAULT_LOW_HZ: f64 = 100.0;
/// Upper edge by default, hertz: below the tip resonance of common cartridges
/// (15 to 25 kHz, common practice, no source).
pub const DEFAULT_HIGH_HZ: f64 = 15_000.0;
/// Upper edge of the narrower band whose delay is compared with the whole's.
const NARROW_HIGH_HZ: f64 = 8_000.0;

/// How to estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Band used, hertz.
    pub band_hz: (f64, f64),
    /// Terms fitted beside the delay.
    pub terms: Vec<PhaseTerm>,
}

impl Default for Settings {
    /// 100 Hz to 15 kHz, equaliser parts of 1 % in each channel (common
    /// practice for film capacitors and metal-film resistors, no source).
    fn default() -> Self {
        Self {
            band_hz: (DEFAULT_LOW_HZ, DEFAULT_HIGH_HZ),
            terms: phase::equaliser_terms(0.01),
        }
    }
}

/// Why a recording cannot be used, and what to do.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum Refusal {
    /// No programme, or none above the floor.
    #[error(
        "holds no signal above {floor_dbfs:.0} dB of full scale; record a modulated band and raise the recording level"
    )]
    Silence {
        /// Level below which a recording counts as silent, dB of full scale.
        floor_dbfs: f64,
    },
    /// The programme is too short.
    #[error(
        "holds {seconds:.2} s of programme; at least {needed:.1} s are needed, and 30 s or more are better"
    )]
    TooShort {
        /// Seconds of programme found.
        seconds: f64,
        /// Seconds needed.
        needed: f64,
    },
    /// One channel carries next to nothing.
    #[error(
        "the {silent} channel is {difference_db:.0} dB below the other: only one channel carries signal; check leads and inputs, and record both channels of a mono-cut band"
    )]
    OneChannel {
        /// "left" or "right".
        silent: &'static str,
        /// Level difference, dB.
        difference_db: f64,
    },
    /// Both channels are one signal.
    #[error(
        "both channels are the same signal, surface noise included (they differ by {difference_db:.0} dB at most): a mono switch, a strapped cartridge or a mix to mono leaves no timing to measure; record again in stereo with the mono switch off and the cartridge's four leads separate"
    )]
    SameSignal {
        /// Power of what differs over what is common, dB.
        difference_db: f64,
    },
    /// The channels are unrelated.
    #[error(
        "the channels have nothing in common (highest correlation {peak:.3}, chance alone gives {chance:.3}): a mono-cut or identical-channel band is needed, on left and right of the same capture"
    )]
    NothingInCommon {
        /// Height of the correlation peak.
        peak: f64,
        /// Height that chance alone reaches.
        chance: f64,
    },
    /// The noise is too strong to tell one period from the next.
    #[error(
        "is too noisy to tell which peak of the correlation is the right one (the second is {rival:.2} of the first); record longer, louder or with wider-band programme"
    )]
    Ambiguous {
        /// Height of the second peak over the first.
        rival: f64,
    },
    /// The band holds no usable bins.
    #[error(
        "the band {low_hz:.0} to {high_hz:.0} Hz holds no signal to measure by; choose another with --band"
    )]
    EmptyBand {
        /// Lower edge, Hz.
        low_hz: f64,
        /// Upper edge, Hz.
        high_hz: f64,
    },
}

/// The delay in a narrower band against the whole.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BandShift {
    /// Upper edge of the narrower band, hertz.
    pub upper_hz: f64,
    /// Delay in the narrower band minus that in the whole, seconds.
    pub shift_s: f64,
    /// Standard uncertainty of that, from noise and equaliser terms, seconds.
    pub standard_uncertainty_s: f64,
}

/// What a frequency looked like, for pictures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePoint {
    /// Frequency, hertz.
    pub hertz: f64,
    /// Phase of `L conj(R)` as measured, inversion removed, radians.
    pub phase_rad: f64,
    /// Its standard uncertainty, radians.
    pub phase_u_rad: f64,
    /// Phase of the fitted model, radians.
    pub fitted_rad: f64,
    /// Magnitude-squared coherence, bias removed.
    pub coherence: f64,
    /// Power of the left channel per bin and frame, dB of full scale squared.
    pub left_db: f64,
    /// Power of the right channel.
    pub right_db: f64,
}

/// What a capture says.
#[derive(Debug, Clone, PartialEq)]
pub struct Estimate {
    /// Offset of the right channel after the left, seconds.
    pub delay_s: f64,
    /// Standard uncertainty from noise and from the terms' priors, seconds.
    pub standard_uncertainty_s: f64,
    /// The part of it that is noise alone, seconds.
    pub random_s: f64,
    /// Fitted values of the terms, in their order.
    pub term_values: Vec<f64>,
    /// Everything the data know, before priors.
    pub information: Information,
    /// Where in the span the information lies.
    pub nodes: Vec<Node>,
    /// Delay along the span.
    pub along: Vec<GroupDelay>,
    /// The channels have opposite polarity.
    pub inverted: bool,
    /// Band used, hertz.
    pub band_hz: (f64, f64),
    /// Span of the modulated part, seconds from the first sample.
    pub span_s: (f64, f64),
    /// Power that the channels do not share over what they share, in the band.
    pub noise_to_signal: f64,
    /// Residual mean square over what noise explains.
    pub reduced_chi_square: f64,
    /// Factor by which the jackknife's variance exceeds the analytic one (1 if
    /// it does not); it is applied.
    pub dispersion: f64,
    /// Delay in a narrower band.
    pub band_shift: Option<BandShift>,
    /// Correlation near its peak.
    pub correlation: Correlation,
    /// Phase, coherence and spectra, on about a tenth of an octave.
    pub curve: Vec<CurvePoint>,
    /// Doubts.
    pub caveats: Vec<Caveat>,
}

/// Mean power below which a recording is silent: -80 dB of full scale, some
/// steps of 16 bits.
const SILENT_POWER: f64 = 1e-8;
/// Least programme, seconds.
const SHORTEST_S: f64 = 0.75;
/// Channels further apart in level are one channel (35 dB: no cartridge, and no
/// balance control in its range, does that).
const ONE_CHANNEL_DB: f64 = 35.0;
/// Below this power of the difference (gain matched) over the sum the channels
/// are one signal. Surface noise of the best pressing is some 60 dB down and
/// unlike on the walls (believed), and a delay of 0.1 us differs by -54 dB.
const SAME_SIGNAL: f64 = 3e-7;
/// Noise this far down cannot be a groove's: the noise itself is common.
const SHARED_NOISE: f64 = 2.5e-7;
/// Delay that a chain alone can make between the channels of one strapped
/// signal, seconds.
const CHAIN_ALONE_S: f64 = 0.7e-6;
/// A correlation peak must exceed what chance gives by this many standard
/// deviations of noise; over the thousand lags searched one in a million does.
const DETECTED: f64 = 6.5;
/// The like for one line among a thousand bins: odds of e^-25.
const LINE_DETECTED: f64 = 25.0;

/// Estimates the delay of a cross-spectrum.
pub fn estimate(spectrum: &CrossSpectrum, settings: &Settings) -> Result<Estimate, Refusal> {
    let rate = spectrum.sample_rate_hz;
    let quality = &spectrum.quality;
    let seconds_at = |sample: u64| (spectrum.origin + sample) as f64 / rate;
    let span_s = (seconds_at(spectrum.span.0), seconds_at(spectrum.span.1));
    if quality.left_power.max(quality.right_power) < SILENT_POWER {
        return Err(Refusal::Silence {
            floor_dbfs: 10.0 * SILENT_POWER.log10(),
        });
    }
    let seconds = spectrum.averages_in_fit() * spectrum.frame_length as f64 / rate;
    if seconds < SHORTEST_S {
        return Err(Refusal::TooShort {
            seconds,
            needed: SHORTEST_S,
        });
    }
    let band = Band::new(spectrum, settings.band_hz)?;
    let balance_db = 10.0 * (band.power(|b| b.left) / band.power(|b| b.right)).log10();
    if balance_db.is_nan() || balance_db.abs() > ONE_CHANNEL_DB {
        let silent = if balance_db > 0.0 { "right" } else { "left" };
        return Err(Refusal::OneChannel {
            silent,
            difference_db: balance_db.abs(),
        });
    }
    let difference = band.difference_to_sum();
    if difference < SAME_SIGNAL {
        return Err(Refusal::SameSignal {
            difference_db: 10.0 * difference.max(1e-30).log10(),
        });
    }
    let coarse = coarse::find(
        &band.points,
        band.first,
        spectrum.frame_length,
        rate,
        band.averages,
    );
    let narrow = band.is_narrow();
    let chance = band.chance();
    // A line alone correlates with anything at some lag; it must be coherent.
    let related = if narrow {
        band.has_coherent_line(spectrum)
    } else {
        coarse.peak >= chance
    };
    if !related {
        return Err(Refusal::NothingInCommon {
            peak: coarse.peak,
            chance,
        });
    }
    if !narrow && coarse.rival > 1.0 - 4.0 * coarse.chance {
        return Err(Refusal::Ambiguous {
            rival: coarse.rival,
        });
    }

    let sign = if coarse.inverted { -1.0 } else { 1.0 };
    let points = band.upright(sign);
    let empty = Refusal::EmptyBand {
        low_hz: settings.band_hz.0,
        high_hz: settings.band_hz.1,
    };
    let terms = &settings.terms;
    let mut start = vec![0.0; terms.len() + 1];
    start[0] = coarse.delay;
    let first = phase::fit(&points, terms, &start, 1.0).ok_or_else(|| empty.clone())?;
    let design = phase::design(&points, terms);
    let groups: Vec<(f64, &[Bin])> = spectrum
        .groups
        .iter()
        .map(|g| {
            (
                band.position(spectrum, g.first_frame, g.last_frame),
                &g.bins[band.range()],
            )
        })
        .collect();
    let (jack, along) = jackknife(&groups, &band.bins, &points, &design, &first, sign);
    // Variance of the delay from noise alone, as the analytic information has it.
    let gain = first.covariance.row(0);
    let analytic = gain.dot(&first.information.dot(&gain));
    // The jackknife's variance is itself uncertain: as a Student distribution it
    // has the variance nu / (nu - 2) times larger (JCGM 101, 6.4.9.4).
    let dispersion = jack.as_ref().map_or(1.0, |j| {
        let nu = j.degrees_of_freedom;
        let student = if nu > 3.0 { nu / (nu - 2.0) } else { 3.0 };
        if j.variance > analytic {
            student * j.variance / analytic
        } else {
            1.0
        }
    });
    let fit = phase::fit(
        &points,
        terms,
        first.values.as_slice().unwrap_or(&start),
        dispersion,
    )
    .ok_or(empty)?;

    let offset = spectrum.alignment as f64 / rate;
    let delay_s = fit.values[0] + offset;
    let variance = fit.covariance[[0, 0]];
    let gain = fit.covariance.row(0);
    let random = gain.dot(&fit.information.dot(&gain));
    let noise_to_signal = band.noise_to_signal();
    if noise_to_signal < SHARED_NOISE && delay_s.abs() < CHAIN_ALONE_S {
        return Err(Refusal::SameSignal {
            difference_db: 10.0 * noise_to_signal.max(1e-30).log10(),
        });
    }
    let band_shift = band_shift(&points, terms, &fit, settings.band_hz, dispersion);
    let nodes = along
        .iter()
        .filter(|g| g.weight > 0.0)
        .map(|g| Node {
            position: g.position,
            weight: g.weight,
        })
        .collect();
    let mut estimate = Estimate {
        delay_s,
        standard_uncertainty_s: variance.sqrt(),
        random_s: random.sqrt(),
        term_values: fit.values.iter().skip(1).copied().collect(),
        information: information(&fit, terms, offset),
        nodes,
        along: along
            .iter()
            .map(|g| GroupDelay {
                delay_s: g.delay_s + offset,
                ..*g
            })
            .collect(),
        inverted: coarse.inverted,
        band_hz: band.edges_hz(spectrum),
        span_s,
        noise_to_signal,
        // A bin by itself has more averages than it brings to a fit together
        // with its neighbours, which share its noise.
        reduced_chi_square: fit.reduced_chi_square * spectrum.averages_per_bin()
            / spectrum.averages_in_fit(),
        dispersion,
        band_shift,
        correlation: Correlation {
            delays: coarse
                .correlation
                .delays
                .iter()
                .map(|d| d + offset)
                .collect(),
            values: coarse.correlation.values,
        },
        curve: curve(&band, &points, &design, &fit, spectrum.frames() as f64),
        caveats: Vec::new(),
    };
    estimate.caveats = caveats(&estimate, spectrum, narrow, balance_db);
    compare_estimators(&points, &design, &fit, &mut estimate.caveats);
    Ok(estimate)
}

fn information(fit: &Fit, terms: &[PhaseTerm], offset: f64) -> Information {
    let delay = Term {
        name: "delay".into(),
        owner: Owner::Capture,
        side: Side::BehindSwap,
    };
    let mut values = fit.values.clone();
    values[0] += offset;
    Information {
        terms: std::iter::once(delay)
            .chain(terms.iter().map(|t| t.term.clone()))
            .collect(),
        expansion: values.to_vec(),
        matrix: fit.information.clone(),
        vector: fit.information.dot(&values) + &fit.score,
    }
}

/// The bins of the band, summed over all groups.
struct Band {
    first: usize,
    bins: Vec<Bin>,
    points: Vec<Point>,
    averages: f64,
}

impl Band {
    fn new(spectrum: &CrossSpectrum, (low_hz, high_hz): (f64, f64)) -> Result<Self, Refusal> {
        let count = spectrum.bins();
        let in_band = |k: &usize| (low_hz..=high_hz).contains(&spectrum.frequency_hz(*k));
        let first = (1..count).find(in_band);
        let last = (1..count).rev().find(in_band);
        let (Some(first), Some(last)) = (first, last) else {
            return Err(Refusal::EmptyBand { low_hz, high_hz });
        };
        let bins = spectrum.total()[first..=last].to_vec();
        let averages = spectrum.averages_in_fit();
        let independent = spectrum.averages_per_bin();
        let points = bins
            .iter()
            .enumerate()
            .map(|(i, bin)| {
                let coherence = unbiased(bin.coherence(), independent);
                Point {
                    w: std::f64::consts::TAU * spectrum.frequency_hz(first + i),
                    phase: bin.phase(),
                    information: 2.0 * averages * coherence / (1.0 - coherence),
                }
            })
            .collect();
        Ok(Self {
            first,
            bins,
            points,
            averages,
        })
    }

    fn range(&self) -> std::ops::Range<usize> {
        self.first..self.first + self.bins.len()
    }

    fn edges_hz(&self, spectrum: &CrossSpectrum) -> (f64, f64) {
        (
            spectrum.frequency_hz(self.first),
            spectrum.frequency_hz(self.first + self.bins.len() - 1),
        )
    }

    fn power(&self, of: impl Fn(&Bin) -> f64) -> f64 {
        self.bins.iter().map(of).sum()
    }

    /// Middle of a group in the span, 0 to 1.
    fn position(&self, spectrum: &CrossSpectrum, first: u64, last: u64) -> f64 {
        let hop = spectrum.frame_length as f64 / 2.0;
        let middle = (first + last) as f64 / 2.0 * hop + spectrum.frame_length as f64 / 2.0;
        let (start, end) = (spectrum.span.0 as f64, spectrum.span.1 as f64);
        ((middle - start) / (end - start)).clamp(0.0, 1.0)
    }

    /// Power of `R - g L` over that of `g L` for the best gain g of either sign.
    fn difference_to_sum(&self) -> f64 {
        let (ll, rr) = (self.power(|b| b.left), self.power(|b| b.right));
        let re = self.power(|b| b.re);
        (1.0 - re * re / (ll * rr)).max(0.0)
    }

    /// Power not shared over power shared, with the coherence's bias removed.
    fn noise_to_signal(&self) -> f64 {
        let (mut noise, mut signal) = (0.0, 0.0);
        for (bin, point) in self.bins.iter().zip(&self.points) {
            let snr = point.information / (2.0 * self.averages);
            let coherence = snr / (1.0 + snr);
            // per channel: shared power |G12|, the rest is its own
            let both = (bin.left * bin.right).sqrt();
            signal += both * coherence.sqrt();
            noise += both * (1.0 - coherence.sqrt());
        }
        noise / signal.max(f64::MIN_POSITIVE)
    }

    /// The height that a correlation peak of unrelated channels stays below.
    fn chance(&self) -> f64 {
        let mut squares = 0.0;
        let mut total = 0.0;
        for point in &self.points {
            let weight = (point.information / (2.0 * self.averages)).min(100.0);
            squares += weight * weight;
            total += weight;
        }
        // Random phases: the real part of the sum has half its power.
        (DETECTED * (0.5 * squares).sqrt() / f64::max(total, f64::MIN_POSITIVE)).min(1.0)
    }

    /// Whether the bin with most information is coherent beyond chance. Its
    /// averages are counted by where its power lies in time: a burst in few
    /// groups is few averages. Under independence the coherence exceeds `C` with
    /// probability `(1 - C)^(n - 1)` (Carter, Knapp & Nuttall 1973).
    fn has_coherent_line(&self, spectrum: &CrossSpectrum) -> bool {
        let information = |k: &usize| self.points[*k].information;
        let Some(best) =
            (0..self.points.len()).max_by(|a, b| information(a).total_cmp(&information(b)))
        else {
            return false;
        };
        let (sum, squares) = spectrum
            .groups
            .iter()
            .fold((0.0, 0.0), |(sum, squares), g| {
                let bin = &g.bins[self.first + best];
                let power = (bin.left * bin.right).sqrt();
                (sum + power, squares + power * power)
            });
        let share = sum * sum / squares / spectrum.groups.len() as f64;
        let n = (spectrum.averages_per_bin() * share).max(1.0);
        let incoherent = (1.0 - self.bins[best].coherence()).max(1e-300);
        -(n - 1.0) * incoherent.ln() > LINE_DETECTED
    }

    /// Whether the information sits in so narrow a band that offsets of whole
    /// periods fit alike.
    fn is_narrow(&self) -> bool {
        let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
        for p in &self.points {
            // noise-only bins must not widen a line
            let weight = if p.information > 12.0 {
                p.information
            } else {
                0.0
            };
            sum += weight;
            first += weight * p.w;
            second += weight * p.w * p.w;
        }
        let mean = first / sum;
        (second / sum - mean * mean).max(0.0).sqrt() < 0.05 * mean
    }

    fn upright(&self, sign: f64) -> Vec<Point> {
        let turn = if sign < 0.0 {
            std::f64::consts::PI
        } else {
            0.0
        };
        self.points
            .iter()
            .map(|p| Point {
                phase: phase::wrap(p.phase - turn),
                ..*p
            })
            .collect()
    }
}

/// Removes the bias of a coherence estimate from `n` averages: for small true
/// coherence its mean is `1/n` (Carter, Knapp & Nuttall 1973).
fn unbiased(coherence: f64, n: f64) -> f64 {
    // Single-precision transforms leave 1e-9 of the power unexplained.
    ((coherence - 1.0 / n) / (1.0 - 1.0 / n)).clamp(0.0, 1.0 - 1e-9)
}

fn band_shift(
    points: &[Point],
    terms: &[PhaseTerm],
    fit: &Fit,
    (low_hz, high_hz): (f64, f64),
    dispersion: f64,
) -> Option<BandShift> {
    let upper_hz = if high_hz > 1.3 * NARROW_HIGH_HZ {
        NARROW_HIGH_HZ
    } else {
        high_hz / 2.0
    };
    if upper_hz < 2.0 * low_hz {
        return None;
    }
    let top = std::f64::consts::TAU * upper_hz;
    let below: Vec<Point> = points.iter().filter(|p| p.w <= top).copied().collect();
    let narrow = phase::fit(&below, terms, fit.values.as_slice()?, dispersion)?;
    // The narrower band's data are part of the whole's, so the variance of the
    // difference is the difference of the variances (Hausman 1978).
    let variance = narrow.covariance[[0, 0]] - fit.covariance[[0, 0]];
    (variance > 0.0 && variance.sqrt() < 1e-6).then(|| BandShift {
        upper_hz,
        shift_s: narrow.values[0] - fit.values[0],
        standard_uncertainty_s: variance.sqrt(),
    })
}

/// Correlation after the fitted phase is removed peaks at zero, if phase fit
/// and correlation agree: one scoring step from zero with weights of their own
/// (coherence, limited), not the fit's.
fn compare_estimators(
    points: &[Point],
    design: &ndarray::Array2<f64>,
    fit: &Fit,
    caveats: &mut Vec<Caveat>,
) {
    let (mut slope, mut curvature, mut variance) = (0.0, 0.0, 0.0);
    for (point, row) in points.iter().zip(design.rows()) {
        if point.information < 12.0 {
            continue;
        }
        let residual = phase::wrap(point.phase - row.dot(&fit.values));
        let weight = (point.information / (1.0 + point.information)).min(1.0);
        slope += weight * point.w * residual.sin();
        curvature += weight * point.w * point.w;
        variance += weight * weight * point.w * point.w / point.information;
    }
    if curvature <= 0.0 {
        return;
    }
    let difference = slope / curvature;
    let u = (variance * fit.reduced_chi_square.max(1.0)).sqrt() / curvature;
    let u = u.hypot(fit.covariance[[0, 0]].sqrt());
    if difference.abs() > 4.0 * u && difference.abs() > 1e-9 {
        caveats.push(Caveat::caution(
            "estimators-disagree",
            format!(
                "correlation and phase slope differ by {:.1} ns, more than noise explains ({:.1} ns): something shapes the phase that the model does not know; compare another band with --band",
                difference * 1e9,
                u * 1e9
            ),
        ));
    }
}

fn caveats(
    estimate: &Estimate,
    spectrum: &CrossSpectrum,
    narrow: bool,
    balance_db: f64,
) -> Vec<Caveat> {
    let mut list = Vec::new();
    let quality = &spectrum.quality;
    let frames = quality.frames.max(1) as f64;
    if estimate.inverted {
        list.push(Caveat::caution(
            "inverted-polarity",
            "one channel is inverted against the other; the delay allows for it, but check the colours of the four leads at the cartridge",
        ));
    }
    if narrow {
        list.push(Caveat::caution(
            "narrow-band",
            "the signal is a single line or a narrow band: the delay is known modulo a period, the value nearest to zero is given, and equaliser terms cannot be told from it; wide-band programme is better",
        ));
    }
    if quality.clipped > 0 {
        let share = quality.clipped as f64 / (2.0 * frames * spectrum.frame_length as f64 / 2.0);
        let message = format!(
            "{} samples are at full scale ({:.3} %); lower the recording level",
            quality.clipped,
            100.0 * share
        );
        list.push(if share > 1e-4 {
            Caveat::caution("clipped", message)
        } else {
            Caveat::note("clipped", message)
        });
    }
    if quality.dropouts > 0 {
        list.push(Caveat::caution(
            "dropouts",
            format!(
                "{} stretches of exact silence inside the programme; they were left out; check the recorder for lost buffers",
                quality.dropouts
            ),
        ));
    }
    if quality.rejected > 0 {
        let share = quality.rejected as f64 / frames;
        let message = format!(
            "{} of {} segments left out for clicks ({:.1} %); clean the record if this is much",
            quality.rejected,
            quality.frames,
            100.0 * share
        );
        list.push(if share > 0.1 {
            Caveat::caution("clicks", message)
        } else {
            Caveat::note("clicks", message)
        });
    }
    if quality.rejection_undone {
        list.push(Caveat::caution(
            "impulsive-programme",
            "nearly half of the segments look like clicks, so all were kept: the programme is impulsive or the record badly worn; choose smoother programme",
        ));
    }
    let snr_db = -10.0 * estimate.noise_to_signal.log10();
    if snr_db < 3.0 {
        list.push(Caveat::serious(
            "not-mono",
            format!("the channels share little more than half of their power ({snr_db:.0} dB common to different): this looks like stereo programme or a fault; use a mono-cut band"),
        ));
    } else if snr_db < 12.0 {
        list.push(Caveat::caution(
            "noisy",
            format!("what the channels share is only {snr_db:.0} dB above what they do not: worn groove, or not a pure mono cut"),
        ));
    } else if estimate.noise_to_signal < SHARED_NOISE {
        list.push(Caveat::serious(
            "shared-noise",
            format!("the channels share even their noise ({snr_db:.0} dB): a groove has noise of its own on each wall, so this may be a mono switch or a strapped cartridge with a skewed chain"),
        ));
    }
    if balance_db.abs() > 3.0 {
        list.push(Caveat::note(
            "balance",
            format!("the channels differ by {:.1} dB in level; this does not move the delay, but check azimuth, bias and gain", balance_db.abs()),
        ));
    }
    if estimate.dispersion > 2.0 {
        list.push(Caveat::note(
            "scatter",
            format!("the delay scatters {:.1} times more along the recording than its noise explains; the band allows for it", estimate.dispersion.sqrt()),
        ));
    }
    if let Some(shift) = estimate.band_shift
        && shift.shift_s.abs() > 3.0 * shift.standard_uncertainty_s
        && shift.shift_s.abs() > 10e-9
    {
        list.push(Caveat::caution(
            "band-shift",
            format!(
                "the delay up to {:.0} kHz differs by {:.0} ns from that of the whole band ({:.0} ns expected): resonance, crosstalk or load shape the phase; its size is a measure of what the band does not know",
                shift.upper_hz / 1e3,
                shift.shift_s * 1e9,
                shift.standard_uncertainty_s * 1e9
            ),
        ));
    }
    list
}

/// The band on a grid of a tenth of an octave, cross-spectra summed.
fn curve(
    band: &Band,
    points: &[Point],
    design: &ndarray::Array2<f64>,
    fit: &Fit,
    frames: f64,
) -> Vec<CurvePoint> {
    let ratio = 2.0_f64.powf(0.1);
    let mut list = Vec::new();
    let mut start = 0;
    while start < points.len() {
        let mut end = start + 1;
        while end < points.len() && points[end].w < points[start].w * ratio {
            end += 1;
        }
        let fitted: Array1<f64> = design.dot(&fit.values);
        let middle = (start + end - 1) / 2;
        let information: f64 = points[start..end].iter().map(|p| p.information).sum();
        // residual phase, averaged by information, on the fit at the middle
        let residual: f64 = (start..end)
            .map(|k| points[k].information * phase::wrap(points[k].phase - fitted[k]))
            .sum::<f64>()
            / information.max(f64::MIN_POSITIVE);
        let snr = information / (end - start) as f64 / (2.0 * band.averages);
        let mean = |of: fn(&Bin) -> f64| {
            let sum: f64 = band.bins[start..end].iter().map(of).sum();
            10.0 * (sum / (end - start) as f64 / frames).max(1e-30).log10()
        };
        list.push(CurvePoint {
            hertz: points[middle].w / std::f64::consts::TAU,
            phase_rad: fitted[middle] + residual,
            phase_u_rad: information.max(f64::MIN_POSITIVE).sqrt().recip(),
            fitted_rad: fitted[middle],
            coherence: snr / (1.0 + snr),
            left_db: mean(|b| b.left),
            right_db: mean(|b| b.right),
        });
        start = end;
    }
    list
}
