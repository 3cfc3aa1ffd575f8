//! Estimates the delay of a cross-spectrum, or refuses with a reason.

use super::band::{BandBins, Clusters, unshared};
use super::cartridge::{self, CartridgeResponse, ResponseFit};
use super::coarse::{self, Coarse, CrossCorrelation};
use super::information::crosstalk_phase_term;
use super::jackknife::{GroupDelay, Jackknife, TimeGroup, jackknife};
use super::limits::{
    BAND_SHIFT_U, CHAIN_ALONE_S, LARGE_DISPERSION, LEAST_CROSSTALK_EFFECT, LEAST_DISAGREEMENT_S,
    MOST_BAND_SHIFT_U_S, MOST_STEPS, NARROW_HIGH_HZ, NARROWER, NOISE_BAND_HZ,
    NOISE_LIKELIHOOD_RATIO, PROGRAMME_COHERENCE, SHORTEST_S,
};
use super::phase::{self, FitError, PhaseFit, PhaseShape, PhaseTerm};
use super::step::step;
use super::{Information, Node};
use crate::spectrum::{self, Bin, CrossSpectrum, window};
use crate::uncertainty::{Caveat, Level, Warning};
use thiserror::Error;

/// Settings of the estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct EstimateSettings {
    /// Band used, hertz.
    pub band_hz: (f64, f64),
    /// Terms fitted beside the delay.
    pub terms: Vec<PhaseTerm>,
    /// Response model of the cartridge that the signal passed; `None` for a signal that
    /// passed none, or for an ideal one.
    pub cartridge: Option<CartridgeResponse>,
}

impl EstimateSettings {
    /// The default, for the recording of a groove by a cartridge of which nothing is known.
    pub fn of_groove() -> Self {
        Self {
            cartridge: Some(CartridgeResponse::UNKNOWN),
            ..Self::default()
        }
    }
}

impl Default for EstimateSettings {
    /// 100 Hz to 15 kHz, equaliser parts of 1 % in each channel (common
    /// practice for film capacitors and metal-film resistors, no source), an ideal cartridge.
    fn default() -> Self {
        Self {
            band_hz: spectrum::ANALYSIS_BAND_HZ,
            terms: phase::equaliser_terms(0.01),
            cartridge: None,
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
        "holds less than {needed:.0} s of continuous programme; record longer (30 s or more are better), or name the part with --from and --to"
    )]
    TooShort {
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
        "both channels are the same signal, surface noise included ({}): a mono switch, a strapped cartridge or a mix to mono leaves no timing to measure; record again in stereo with the mono switch off and the cartridge's four leads separate",
        if *difference_db < -200.0 { "they are identical".to_owned() } else { format!("they differ by {difference_db:.0} dB at most") }
    )]
    SameSignal {
        /// Power of what differs over what is common, dB.
        difference_db: f64,
    },
    /// The channels are unrelated.
    #[error(
        "the channels have nothing in common (highest correlation {peak:.3}, chance alone gives {chance:.3}): a mono-cut or identical-channel band is needed, on left and right of the same capture; exclude anything far louder than the band (the needle drop) with --from"
    )]
    NothingInCommon {
        /// Height of the correlation peak.
        peak: f64,
        /// Height that chance alone reaches.
        chance: f64,
    },
    /// The noise is too strong to distinguish one period from the next.
    #[error(
        "is too noisy to identify the right peak of the correlation (the second is {rival:.2} of the first); record longer, louder or with wider-band programme"
    )]
    Ambiguous {
        /// Height of the second peak over the first.
        rival: f64,
    },
    /// The band holds no usable bins.
    #[error(
        "the band {low_hz:.0} to {high_hz:.0} Hz holds no usable signal; choose another with --band"
    )]
    EmptyBand {
        /// Lower edge, Hz.
        low_hz: f64,
        /// Upper edge, Hz.
        high_hz: f64,
    },
    /// No part of the band has a phase that determines the delay.
    #[error(
        "no part of the band {low_hz:.0} to {high_hz:.0} Hz is coherent enough to measure a delay; record longer or louder, or use --band to choose a band where the programme is strong"
    )]
    NoInformation {
        /// Lower edge, Hz.
        low_hz: f64,
        /// Upper edge, Hz.
        high_hz: f64,
    },
    /// Two unknowns have proportional phases.
    #[error(
        "the delay cannot be separated from the other unknowns of the phase ({terms}): two of them shift it in the same way within the band; choose a wider band with --band, or state what is known of the chain"
    )]
    Singular {
        /// Names of the unknowns beside the delay.
        terms: String,
    },
    /// The fit of the phase did not converge.
    #[error(
        "the phase fit has not converged after {steps} steps: parts of the band contradict each other; select one kind of programme with --from and --to, or part of the band with --band"
    )]
    NotConverged {
        /// Steps taken.
        steps: usize,
    },
}

impl Refusal {
    /// Both channels are one signal but for so much power of what they have in common.
    fn same_signal(difference: f64) -> Self {
        Self::SameSignal {
            difference_db: 10.0 * difference.max(1e-30).log10(),
        }
    }

    /// Why the phase fit fails, in terms of its settings.
    pub(super) fn of_fit(error: FitError, settings: &EstimateSettings) -> Self {
        let (low_hz, high_hz) = settings.band_hz;
        let names = settings.terms.iter().map(|t| t.term.name.as_str());
        match error {
            FitError::NoInformation => Self::NoInformation { low_hz, high_hz },
            FitError::Singular => Self::Singular {
                terms: names.collect::<Vec<_>>().join(", "),
            },
            FitError::NotConverged => Self::NotConverged { steps: MOST_STEPS },
        }
    }
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

/// Measured and fitted figures at one frequency, for pictures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePoint {
    /// Frequency, hertz.
    pub hertz: f64,
    /// Phase of `L conj(R)` as measured, inversion removed, radians.
    pub phase_rad: f64,
    /// Its standard uncertainty, radians; of an unknown phase that of a uniform
    /// distribution, `pi / sqrt(3)`.
    pub phase_u_rad: f64,
    /// Phase of the fitted model, radians.
    pub fitted_rad: f64,
    /// Standard uncertainty of that, from noise and the terms' priors, radians.
    pub fitted_u_rad: f64,
    /// Magnitude-squared coherence, bias removed.
    pub coherence: f64,
    /// Power of the left channel per bin and frame, dB of full scale squared.
    pub left_db: f64,
    /// Power of the right channel.
    pub right_db: f64,
}

/// The delay estimate of a capture.
#[derive(Debug, Clone, PartialEq)]
pub struct DelayEstimate {
    /// Offset of the right channel after the left, seconds.
    pub delay_s: f64,
    /// Standard uncertainty from noise and from the terms' priors, seconds.
    pub standard_uncertainty_s: f64,
    /// The part of it that is noise alone, seconds.
    pub random_s: f64,
    /// Fitted values of the terms, in their order.
    pub term_values: Vec<f64>,
    /// Information of the data, before priors.
    pub information: Information,
    /// The same with [`crosstalk_phase_term`](super::crosstalk_phase_term) as a further term, where the delay is large enough
    /// for it; the estimate itself takes that term to be zero.
    pub with_crosstalk_phase: Information,
    /// Distribution of the information along the span.
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
    /// Factor by which the jackknife's variance, along time, exceeds the analytic
    /// one (1 if it does not).
    pub dispersion: f64,
    /// The same of the residuals, along frequency. The larger of the two is
    /// applied.
    pub misfit: f64,
    /// Delay in a narrower band.
    pub band_shift: Option<BandShift>,
    /// Correlation near its peak.
    pub correlation: CrossCorrelation,
    /// Phase, coherence and spectra, on about a tenth of an octave.
    pub curve: Vec<CurvePoint>,
    /// Doubts.
    pub caveats: Vec<Caveat>,
}

impl DelayEstimate {
    /// The same with an independent error of the delay, of this standard uncertainty in
    /// seconds.
    pub fn with_delay_error(self, standard_uncertainty_s: f64) -> Self {
        let information = self.information.with_delay_error(standard_uncertainty_s);
        let with_crosstalk_phase = self
            .with_crosstalk_phase
            .with_delay_error(standard_uncertainty_s);
        Self {
            standard_uncertainty_s: self.standard_uncertainty_s.hypot(standard_uncertainty_s),
            information,
            with_crosstalk_phase,
            ..self
        }
    }
}

/// A band that holds one signal in both channels, and where its correlation has its peak.
struct CommonSignal {
    band: BandBins,
    /// Power of the left channel over the right, dB.
    balance_db: f64,
    coarse: Coarse,
    /// Whether offsets by whole periods of the signal fit equally well.
    narrow: bool,
    /// Delay by which the channels were aligned before, seconds.
    aligned: f64,
}

impl CommonSignal {
    /// Refuses a recording whose channels share no signal, or are one signal.
    fn find(spectrum: &CrossSpectrum, band_hz: (f64, f64)) -> Result<Self, Refusal> {
        let quality = &spectrum.quality;
        let (rate, frame) = (spectrum.sample_rate_hz, spectrum.frame_length);
        if Warning::NoSignal.level(quality.loudest_power).is_some() {
            return Err(Refusal::Silence {
                floor_dbfs: 10.0 * Warning::NoSignal.limit().log10(),
            });
        }
        let seconds = spectrum.averages_in_fit() * frame as f64 / rate;
        if seconds < SHORTEST_S {
            return Err(Refusal::TooShort {
                needed: spectrum::SHORTEST_S,
            });
        }
        let band = BandBins::new(spectrum, band_hz)?;
        let balance_db = 10.0 * (band.power(|b| b.left) / band.power(|b| b.right)).log10();
        if balance_db.is_nan() || Warning::LostChannel.level(balance_db.abs()).is_some() {
            let silent = if balance_db > 0.0 { "right" } else { "left" };
            return Err(Refusal::OneChannel {
                silent,
                difference_db: balance_db.abs(),
            });
        }
        let difference = band.difference_to_sum();
        if Warning::SameSignal.level(difference).is_some() && !quality.traced {
            return Err(Refusal::same_signal(difference));
        }
        let coarse = coarse::find(&band.points, band.first, frame, rate, band.averages);
        let chance = band.chance();
        // Where few bins carry all power, any phases align at some lag: then the
        // coherence decides.
        if coarse.peak <= chance && !band.has_coherent_line(spectrum) {
            return Err(Refusal::NothingInCommon {
                peak: coarse.peak,
                chance,
            });
        }
        // A periodic signal has equal peaks by nature, noise has them by chance.
        let below = (1.0 - coarse.rival) / coarse.chance;
        let ambiguous = Warning::Ambiguous.level(below).is_some();
        let narrow = band.is_narrow() || (ambiguous && band.has_coherent_line(spectrum));
        if !narrow && ambiguous {
            return Err(Refusal::Ambiguous {
                rival: coarse.rival,
            });
        }
        Ok(Self {
            band,
            balance_db,
            coarse,
            narrow,
            aligned: spectrum.alignment as f64 / rate,
        })
    }

    /// Delay removed before the phase is fitted, seconds.
    fn base(&self) -> f64 {
        self.aligned + self.coarse.delay
    }
}

/// The phase of a band with its fitted model.
struct Fitted {
    /// The band, corrected for the cartridge's response.
    clusters: Clusters,
    fit: PhaseFit,
    /// The joint fit of gain and phase; `None` for a signal that passed no cartridge.
    joint: Option<ResponseFit>,
    /// Delay along the span, beside what was taken out.
    along: Vec<GroupDelay>,
    /// Factors of the variance, as in [`DelayEstimate`].
    dispersion: f64,
    misfit: f64,
}

impl Fitted {
    fn new(
        spectrum: &CrossSpectrum,
        settings: &EstimateSettings,
        signal: &CommonSignal,
    ) -> Result<Self, Refusal> {
        let (band, coarse, terms) = (&signal.band, &signal.coarse, &settings.terms);
        let refused = |error| Refusal::of_fit(error, settings);
        let mut clusters = Clusters::new(band, terms, coarse.delay, coarse.inverted);
        let fit = |of: &Clusters, start: &[f64], spread| {
            phase::fit(&of.points, &of.design, terms, start, spread).map_err(refused)
        };
        let first = fit(&clusters, &vec![0.0; terms.len() + 1], 1.0)?;
        let groups = stretches(spectrum, band, &clusters);
        let (jack, along) = jackknife(&groups, &clusters.points, &clusters.design, &first);
        let dispersion = jack.map_or(1.0, |jack| dispersion(&jack, &first));
        let respond = |cartridge: CartridgeResponse| {
            // a term of its own stands for the coils
            let loaded = terms
                .iter()
                .any(|t| matches!(t.shape, PhaseShape::Load { .. }));
            let coils = cartridge.coils && !loaded;
            let joint = cartridge::fit(
                &clusters,
                terms,
                &first,
                (
                    CartridgeResponse { coils, ..cartridge },
                    first.values[0] + signal.base(),
                ),
                dispersion,
            );
            joint.ok_or_else(|| refused(FitError::Singular))
        };
        let joint = settings.cartridge.map(respond).transpose()?;
        for (point, unshared) in clusters.points.iter_mut().zip(&clusters.unshared) {
            let made = joint.as_ref().map(|joint| joint.phase(point.w, *unshared));
            point.phase -= made.unwrap_or(0.0);
        }
        let misfit = joint.as_ref().map_or_else(|| first.misfit(), |j| j.misfit);
        Ok(Self {
            fit: fit(&clusters, &first.values.to_vec(), dispersion.max(misfit))?,
            clusters,
            joint,
            along,
            dispersion,
            misfit,
        })
    }

    /// The factor of the variance that is applied.
    fn spread(&self) -> f64 {
        self.dispersion.max(self.misfit)
    }

    /// Phase that the cartridge's response makes where so much power is not shared, over what is; radians.
    fn response(&self, w: f64, unshared: f64) -> f64 {
        let made = self.joint.as_ref().map(|joint| joint.phase(w, unshared));
        made.unwrap_or(0.0)
    }

    /// Information of the data, without and with the crosstalk phase term.
    fn information(&self, terms: &[PhaseTerm], base: f64) -> (Information, Information) {
        match &self.joint {
            // crosstalk is among the causes of the response
            Some(joint) => {
                let known = joint.information(terms, base);
                (known.clone(), known)
            }
            None => {
                let fit = &self.fit;
                let terms = terms.iter().map(|t| t.term.clone());
                let mut values = fit.values.clone();
                values[0] += base;
                let known = Information::of_fit(terms, values, fit.information.clone(), &fit.score);
                (known.clone(), self.with_crosstalk_phase(known))
            }
        }
    }
}

/// The cross-spectra of the stretches of time.
fn stretches(spectrum: &CrossSpectrum, band: &BandBins, clusters: &Clusters) -> Vec<TimeGroup> {
    let range = band.first..band.first + band.bins.len();
    let frames: u64 = spectrum.groups.iter().map(|g| g.frames).sum();
    let groups = spectrum.groups.iter().map(|g| TimeGroup {
        position: band.position(spectrum, g.first_frame, g.last_frame),
        time: g.frames as f64 / frames as f64,
        bins: clusters.sums(&g.bins[range.clone()]),
    });
    groups.collect()
}

/// Factor by which the jackknife's variance exceeds that of noise, as the analytic information of a
/// fit has it. It is itself uncertain: as a Student distribution it has the variance
/// nu / (nu - 2) times larger (JCGM 101, 6.4.9.4).
fn dispersion(jack: &Jackknife, fit: &PhaseFit) -> f64 {
    let (nu, analytic) = (jack.degrees_of_freedom, fit.random_variance());
    let student = if nu > 3.0 { nu / (nu - 2.0) } else { 3.0 };
    if jack.variance > analytic {
        student * jack.variance / analytic
    } else {
        1.0
    }
}

/// Estimates the delay of a cross-spectrum.
pub fn estimate(
    spectrum: &CrossSpectrum,
    settings: &EstimateSettings,
) -> Result<DelayEstimate, Refusal> {
    let seconds_at = |sample| (spectrum.origin + sample) as f64 / spectrum.sample_rate_hz;
    let terms = &settings.terms;
    let signal = CommonSignal::find(spectrum, settings.band_hz)?;
    let (band, coarse, base) = (&signal.band, &signal.coarse, signal.base());
    let fitted = Fitted::new(spectrum, settings, &signal)?;
    let (fit, joint) = (&fitted.fit, fitted.joint.as_ref());

    let delay_s = fit.values[0] + base;
    let covariance = joint.map_or(&fit.covariance, |j| &j.covariance);
    let noise_to_signal = band.noise_to_signal();
    let shares_noise = Warning::SharedNoise.level(noise_to_signal).is_some();
    if shares_noise && !spectrum.quality.traced && delay_s.abs() < CHAIN_ALONE_S {
        return Err(Refusal::same_signal(noise_to_signal));
    }
    let (information, with_crosstalk_phase) = fitted.information(terms, base);
    let along = fitted.along.iter().map(|g| GroupDelay {
        delay_s: g.delay_s + base,
        standard_uncertainty_s: g.standard_uncertainty_s * fitted.dispersion.sqrt(),
        ..*g
    });
    let nodes = along.clone().filter(|g| g.weight > 0.0).map(|g| Node {
        position: g.position,
        weight: g.weight,
    });
    let delays = coarse.correlation.delays.iter();
    let mut estimate = DelayEstimate {
        delay_s,
        standard_uncertainty_s: covariance[[0, 0]].sqrt(),
        random_s: joint.map_or_else(|| fit.random_variance().sqrt(), |j| j.noise_s),
        term_values: fit.values.iter().skip(1).copied().collect(),
        with_crosstalk_phase,
        information,
        nodes: nodes.collect(),
        along: along.collect(),
        inverted: coarse.inverted,
        band_hz: band.edges_hz(spectrum),
        span_s: (seconds_at(spectrum.span.0), seconds_at(spectrum.span.1)),
        noise_to_signal,
        reduced_chi_square: fit.reduced_chi_square,
        dispersion: fitted.dispersion,
        misfit: fitted.misfit,
        band_shift: fitted.band_shift(terms, settings.band_hz),
        correlation: CrossCorrelation {
            delays: delays.map(|d| d + signal.aligned).collect(),
            values: coarse.correlation.values.clone(),
        },
        curve: fitted.curve(terms, &signal, spectrum.full_scale()),
        caveats: Vec::new(),
    };
    estimate.caveats = caveats(&estimate, spectrum, &signal, &fitted);
    Ok(estimate)
}

impl Fitted {
    /// The information with a term for the crosstalk phase of a large delay.
    ///
    /// Crosstalk a and b into left and right makes of the phase p = w t that of
    /// `(1 + a exp(-i p)) (b + exp(i p))`, to first order `p - (a + b) sin p`: a delay shorter by
    /// the factor `1 - (a + b)` where p is small, and no shorter on the whole where p is large.
    /// Beside the factor there is left the phase `(a + b) (p - sin p)`. The term's
    /// unit is that of a + b.
    fn with_crosstalk_phase(&self, known: Information) -> Information {
        let Self { clusters, fit, .. } = self;
        let delay = known.expansion[0];
        let n = known.terms.len();
        let mut column = ndarray::Array1::<f64>::zeros(n);
        let (mut own, mut score) = (0.0, 0.0);
        let rows = clusters.points.iter().zip(clusters.design.rows());
        for ((point, row), weight) in rows.zip(&fit.weights) {
            let phase = point.w * delay;
            let shape = phase - phase.sin();
            let information = weight * point.information / self.spread();
            column.scaled_add(information * shape, &row);
            own += information * shape * shape;
            score += information * shape * phase::wrap(point.phase - row.dot(&fit.values));
        }
        let (size, least) = LEAST_CROSSTALK_EFFECT;
        let moved = fit.covariance.row(0).dot(&column);
        if (size * moved).abs() < least {
            return known;
        }
        // the crosstalk phase itself is expanded about zero
        let expansion = ndarray::Array1::from(known.expansion.clone());
        let vector = column.dot(&expansion) + score;
        known.with_term(crosstalk_phase_term(), &column, own, vector)
    }

    /// The delay in a narrower band minus that of the whole; `None` where it is not significant evidence.
    fn band_shift(&self, terms: &[PhaseTerm], (low_hz, high_hz): (f64, f64)) -> Option<BandShift> {
        let Self { clusters, fit, .. } = self;
        let upper_hz = if high_hz > NARROWER * NARROW_HIGH_HZ {
            NARROW_HIGH_HZ
        } else {
            high_hz / 2.0
        };
        if upper_hz < 2.0 * low_hz {
            return None;
        }
        let top = std::f64::consts::TAU * upper_hz;
        // Points stand in the order of frequency.
        let below = clusters.points.iter().take_while(|p| p.w <= top).count();
        let columns = clusters.design.ncols();
        let design = ndarray::Array2::from_shape_fn((below, columns), |at| clusters.design[at]);
        let (points, start) = (&clusters.points[..below], fit.values.to_vec());
        let narrow = phase::fit(points, &design, terms, &start, self.spread()).ok()?;
        // The narrower band's data are part of the whole's, so the variance of the
        // difference is the difference of the variances (Hausman 1978).
        let variance = narrow.covariance[[0, 0]] - fit.covariance[[0, 0]];
        (variance > 0.0 && variance.sqrt() < MOST_BAND_SHIFT_U_S).then(|| BandShift {
            upper_hz,
            shift_s: narrow.values[0] - fit.values[0],
            standard_uncertainty_s: variance.sqrt(),
        })
    }

    /// Correlation after the fitted phase is removed peaks at zero, if phase fit
    /// and correlation agree: one scoring step from zero with weights of their own
    /// (coherence, limited), not the fit's.
    fn compare_estimators(&self) -> Option<Caveat> {
        let Self { clusters, fit, .. } = self;
        let (mut slope, mut curvature, mut variance) = (0.0, 0.0, 0.0);
        for (point, row) in clusters.points.iter().zip(clusters.design.rows()) {
            // a cluster that may be coherent by chance has none
            if point.information <= 0.0 {
                continue;
            }
            let residual = phase::wrap(point.phase - row.dot(&fit.values));
            let weight = (point.information / (1.0 + point.information)).min(1.0);
            slope += weight * point.w * residual.sin();
            curvature += weight * point.w * point.w;
            variance += weight * weight * point.w * point.w / point.information;
        }
        if curvature <= 0.0 {
            return None;
        }
        let difference = slope / curvature;
        let u = (variance * fit.reduced_chi_square.max(1.0)).sqrt() / curvature;
        let u = u.hypot(fit.covariance[[0, 0]].sqrt());
        let caveat = Warning::EstimatorsDisagree.at(difference.abs() / u, || {
        format!(
            "correlation and phase slope differ by {:.1} ns, more than noise explains ({:.1} ns): something outside the model shapes the phase; compare another band with --band",
            difference * 1e9,
            u * 1e9
        )
    });
        caveat.filter(|_| difference.abs() > LEAST_DISAGREEMENT_S)
    }
}

/// Correlation of the channels' noise in the quietest stretch; `None` where what both share
/// there may be programme, which has the programme's phase at every frequency, whatever
/// cartridge and chain make of it.
fn noise_correlation(spectrum: &CrossSpectrum) -> Option<f64> {
    let quietest = &spectrum.quietest;
    if spectrum.alignment != 0 {
        return None;
    }
    let averages = quietest.frames as f64 * window::HOP_FRACTION;
    let (mut bins, mut at_once, mut delayed) = (0.0, 0.0, 0.0);
    let programmes = spectrum.total();
    for (k, (bin, programme)) in quietest.bins.iter().zip(&programmes).enumerate() {
        if programme.coherence() < PROGRAMME_COHERENCE {
            continue;
        }
        let common = programme.re.hypot(programme.im);
        let frequency_hz = spectrum.frequency_hz(k);
        let power = (bin.left * bin.right).sqrt();
        if !(NOISE_BAND_HZ.0..NOISE_BAND_HZ.1).contains(&frequency_hz) || power <= 0.0 {
            continue;
        }
        bins += 1.0;
        at_once += bin.re / power;
        delayed += (bin.re * programme.re + bin.im * programme.im) / (common * power);
    }
    if bins == 0.0 {
        return None;
    }
    let correlation = at_once / bins;
    // each bin's correlation has a variance of 1 / (2 averages) in either part
    let log_ratio = 2.0 * averages * correlation * (at_once - delayed);
    (log_ratio > NOISE_LIKELIHOOD_RATIO.ln()).then_some(correlation)
}

/// All warnings about an estimate.
fn caveats(
    estimate: &DelayEstimate,
    spectrum: &CrossSpectrum,
    signal: &CommonSignal,
    fitted: &Fitted,
) -> Vec<Caveat> {
    let mut list = of_recording(estimate, spectrum, signal);
    list.extend(of_common_part(estimate, spectrum.quality.traced));
    list.extend(noise_correlation(spectrum).and_then(|shared| {
        Warning::Blend.at(shared, || {
            format!("where nothing plays, the channels' noise is {:.0} % common: a blend, unusual crosstalk or a joint-stereo coder mixes the channels, so the delay reads short by about as much", 100.0 * shared)
        })
    }));
    let balance_db = signal.balance_db;
    list.extend(Warning::Balance.level(balance_db.abs()).map(|level| {
        let says = match level {
            Level::Serious => "as in a band cut into one channel, whose crosstalk carries no delay; choose a mono-cut band, or if it is one, set the gains alike",
            _ => "which does not change the delay; check azimuth, bias and gain",
        };
        Caveat {
            code: Warning::Balance,
            level,
            message: format!("the channels differ by {:.1} dB in level, {says}", balance_db.abs()),
        }
    }));
    list.extend(along_recording(estimate, spectrum.sample_rate_hz));
    list.extend(over_frequency(estimate, signal, fitted));
    list
}

/// Warnings about the recording.
fn of_recording(
    estimate: &DelayEstimate,
    spectrum: &CrossSpectrum,
    signal: &CommonSignal,
) -> Vec<Caveat> {
    let mut list = Vec::new();
    let quality = &spectrum.quality;
    list.extend(Warning::ImplausibleDelay.at(estimate.delay_s.abs(), || {
        format!(
            "no stylus causes a delay of {:.0} us: the recorder or an editor shifted the channels; find out where before using the result",
            estimate.delay_s * 1e6
        )
    }));
    if estimate.inverted {
        list.push(Warning::InvertedPolarity.seen(
            "one channel is inverted against the other; the delay allows for it, but check the colours of the four leads at the cartridge",
        ));
    }
    if signal.narrow {
        list.push(Warning::NarrowBand.seen(
            "the signal is periodic or a narrow band: the delay is known modulo a period, the value nearest to zero is given, and equaliser terms cannot be separated from it; use wide-band programme",
        ));
    }
    let share = spectrum.clipped_share();
    list.extend(Warning::Clipped.at(share, || {
        format!(
            "{} samples are at full scale ({:.3} %); lower the recording level",
            quality.clipped,
            100.0 * share
        )
    }));
    list.extend(Warning::Dropouts.at(quality.dropouts as f64, || {
        format!(
            "{} stretches of exact silence inside the programme; they were left out; check the recorder for lost buffers",
            quality.dropouts
        )
    }));
    let share = quality.rejected as f64 / quality.frames.max(1) as f64;
    list.extend(Warning::Clicks.at(share, || {
        format!(
            "{} of {} segments left out for clicks ({:.1} %); clean the record if this seems high",
            quality.rejected,
            quality.frames,
            100.0 * share
        )
    }));
    if quality.rejection_undone {
        list.push(Warning::ImpulsiveProgramme.seen(
            "nearly half of the segments look like clicks, so all were kept: the programme is impulsive or the record badly worn; choose smoother programme",
        ));
    }
    list
}

/// The warning about the channels' common signal: too little, or so much that they may be one signal.
fn of_common_part(estimate: &DelayEstimate, traced: bool) -> Option<Caveat> {
    let snr_db = -10.0 * estimate.noise_to_signal.log10();
    let not_mono = || {
        Warning::NotMono.at(snr_db, || {
            format!("the channels share little more than half of their power ({snr_db:.0} dB common to different): this looks like stereo programme, much hum or noise, or a fault; use a mono-cut band")
        })
    };
    let noisy = || {
        Warning::Noisy.at(snr_db, || {
            format!("what the channels share is only {snr_db:.0} dB above what they do not: a worn groove, or not a pure mono cut; clean the record, or choose another band")
        })
    };
    let shared = || {
        Warning::SharedNoise.at(estimate.noise_to_signal, || {
            format!("the channels share even their noise ({snr_db:.0} dB): the walls of a groove have independent noise, so this may be a mono switch or a strapped cartridge with a skewed chain; check both")
        })
    };
    let quiet = || {
        Warning::QuietNoise.at(estimate.noise_to_signal, || {
            format!("the channels differ by no more than noise {snr_db:.0} dB below the programme, quieter than most grooves, and by little delay, as one signal on both inputs would; make sure that there is no mono switch and no strapped cartridge")
        })
    };
    let one_signal = || {
        let small = estimate.delay_s.abs() < CHAIN_ALONE_S;
        shared()
            .or_else(|| quiet().filter(|_| small))
            .filter(|_| !traced)
    };
    not_mono().or_else(noisy).or_else(one_signal)
}

/// Warnings about the stability of the delay along the recording.
fn along_recording(estimate: &DelayEstimate, sample_rate_hz: f64) -> Vec<Caveat> {
    let mut list = Vec::new();
    if let Some(step) = step(&estimate.along, sample_rate_hz) {
        let (from, to) = estimate.span_s;
        list.push(Warning::LostSamples.seen(format!(
            "at {:.1} s the delay steps by {:.1} samples and stays there: a recorder lost or repeated samples in one channel; record again by other means, or measure a part on one side of the step (measure --from, --to)",
            from + step.position * (to - from),
            step.samples
        )));
    }
    // what stretches scatter by, the jackknife's factor in it
    let counted = estimate.along.iter().filter(|g| g.weight > 0.0);
    let of_each: Vec<f64> = counted.map(|g| g.standard_uncertainty_s.powi(-2)).collect();
    let apart = (of_each.len() as f64 / of_each.iter().sum::<f64>()).sqrt();
    let unsteady = || {
        Warning::Unsteady.at(apart, || {
            format!("the delay changes along the recording, by {:.0} times more than its noise explains. A needle drop or another band causes this (measure a part by itself: measure --from, --to), and so does a recorder that loses or adds samples in one channel or has two clocks (record again by other means). The picture of the delay along the recording shows where", estimate.dispersion.sqrt())
        })
    };
    let scatter = || {
        Warning::Scatter.at(estimate.dispersion, || {
            format!("the delay scatters {:.1} times more along the recording than its noise explains; the band allows for it", estimate.dispersion.sqrt())
        })
    };
    let steps = (estimate.dispersion > LARGE_DISPERSION)
        .then(unsteady)
        .flatten();
    list.extend(steps.or_else(scatter));
    list
}

/// Warnings about the fit of the phase over frequency.
fn over_frequency(estimate: &DelayEstimate, signal: &CommonSignal, fitted: &Fitted) -> Vec<Caveat> {
    let mut list = Vec::new();
    list.extend(Warning::Misfit.at(estimate.misfit, || {
        format!("over frequency, the phase differs {:.1} times more from its model than noise explains, as with tracing, resonance or crosstalk; the band allows for it", estimate.misfit.sqrt())
    }));
    if let Some(shift) = estimate.band_shift
        && shift.shift_s.abs()
            > BAND_SHIFT_U
                * shift
                    .standard_uncertainty_s
                    .hypot(estimate.standard_uncertainty_s)
    {
        list.extend(Warning::BandShift.at(shift.shift_s.abs(), || {
            format!(
                "the delay up to {:.0} kHz differs by {:.0} ns from that of the whole band ({:.0} ns expected): resonance, crosstalk or load shape the phase; the difference indicates an error that the band does not include",
                shift.upper_hz / 1e3,
                shift.shift_s * 1e9,
                shift.standard_uncertainty_s * 1e9
            )
        }));
    }
    if !signal.narrow {
        let (carrying, opposed) = (fitted.clusters.carrying(), fitted.fit.opposed);
        list.extend(Warning::FewTones.at(carrying, || {
            "the programme is a few tones: where tracing adds a harmonic of one to another, the phase moves by more than the band allows; use noise or music".into()
        }));
        list.extend(Warning::OpposedWalls.at(opposed, || {
            format!(
                "in {:.0} % of the band or more the channels move in opposition to the rest: vertical noise, rumble or stereo programme where the programme is weak. The delay is biased near such parts. Use --band to select where the programme is strong, or louder programme",
                100.0 * opposed
            )
        }));
    }
    list.extend(signal.band.ends_hz.map(|hertz| {
        Warning::ProgrammeEnds.seen(
            format!("the programme ends at {:.1} kHz, 40 dB above everything beyond, so the band ends there: a coder's limit, an upsampled recording, or a few tones", hertz / 1e3),
        )
    }));
    list.extend(fitted.joint.as_ref().and_then(|joint| {
        Warning::UnusualResponse.at(joint.ordinary, || {
            "over frequency, phase and gain of the channels differ as no coil, resonance or crosstalk of an ordinary cartridge explains: a blend or coder in the recording's past, unusually strong crosstalk, or a fault. The delay may be off by several of its uncertainties".into()
        })
    }));
    list.extend(fitted.compare_estimators());
    list
}

/// Standard deviation of an angle that may lie anywhere on the circle, radians: of the
/// rectangular distribution from -pi to pi (JCGM 100:2008, 4.3.7).
const ANY_ANGLE: f64 = std::f64::consts::PI / 1.732_050_807_568_877_2;

impl Fitted {
    /// The band on a grid of a tenth of an octave, powers over `full_scale`.
    fn curve(
        &self,
        terms: &[PhaseTerm],
        signal: &CommonSignal,
        full_scale: f64,
    ) -> Vec<CurvePoint> {
        let (fit, band, points) = (&self.fit, &signal.band, &signal.band.points);
        let Coarse {
            delay, inverted, ..
        } = signal.coarse;
        let ratio = 2.0_f64.powf(0.1);
        let turn = if inverted { std::f64::consts::PI } else { 0.0 };
        let fitted = |w: f64, unshared: f64| {
            let shapes = terms.iter().zip(fit.values.iter().skip(1));
            let known = w * (delay + fit.values[0]) + self.response(w, unshared);
            known + shapes.map(|(t, d)| d * t.shape.at(w)).sum::<f64>()
        };
        let fitted_u = |w: f64| {
            let shapes = terms.iter().map(|t| t.shape.at(w));
            let row: ndarray::Array1<f64> = std::iter::once(w).chain(shapes).collect();
            row.dot(&fit.covariance.dot(&row)).sqrt()
        };
        let mut list = Vec::new();
        let mut start = 0;
        while start < points.len() {
            let mut end = start + 1;
            while end < points.len() && points[end].w < points[start].w * ratio {
                end += 1;
            }
            let information: f64 = points[start..end].iter().map(|p| p.information).sum();
            let snr = information / (end - start) as f64 / (2.0 * band.averages);
            let coherence = snr / (1.0 + snr);
            let noise = unshared(coherence);
            // residual phase, averaged by information, on the fit at the middle
            let residual: f64 = points[start..end]
                .iter()
                .map(|p| p.information * phase::wrap(p.phase - turn - fitted(p.w, noise)))
                .sum::<f64>()
                / information.max(f64::MIN_POSITIVE);
            let mean = |of: fn(&Bin) -> f64| {
                let sum: f64 = band.bins[start..end].iter().map(of).sum();
                10.0 * (sum / (end - start) as f64 / full_scale).max(1e-30).log10()
            };
            let w = points[(start + end - 1) / 2].w;
            let middle = fitted(w, noise);
            list.push(CurvePoint {
                hertz: w / std::f64::consts::TAU,
                phase_rad: middle + residual,
                phase_u_rad: information.sqrt().recip().min(ANY_ANGLE),
                fitted_rad: middle,
                fitted_u_rad: fitted_u(w),
                coherence,
                left_db: mean(|b| b.left),
                right_db: mean(|b| b.right),
            });
            start = end;
        }
        list
    }
}
