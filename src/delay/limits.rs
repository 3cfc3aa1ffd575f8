//! Decision limits of the delay estimate, each with its reason.
//!
//! Thresholds of warnings stand in [`crate::uncertainty::Warning`], priors of a cartridge's
//! response beside the causes in `cartridge`.

use super::cartridge::CROSSTALK_PHASE_U;

// Coarse offset

/// Largest offset searched, seconds. A stylus causes tens of microseconds; converters and file
/// editors can cause milliseconds.
pub(super) const REACH_S: f64 = 5e-3;
/// Lags per sample: fine enough that the phase fit starts within a tenth of a period of the highest
/// frequency.
pub(super) const OVERSAMPLING: usize = 4;
/// Peaks within a tenth of the highest are as good: those of a periodic programme differ by noise
/// alone, and of these the nearest to zero is the stylus's. A programme that does not repeat has
/// one such peak.
pub(super) const EQUAL_PEAK: f64 = 0.9;
/// Delays up to this are what a stylus can make, seconds; among equally good offsets of a
/// narrow-band signal they are preferred.
pub(super) const PLAUSIBLE_S: f64 = 60e-6;
/// Relative height from which their peak is accepted: tracing distortion of a few tones, in
/// anti-phase, lowers it and raises others. A programme that does not repeat has no such peak
/// but its own.
pub(super) const PLAUSIBLE_PEAK: f64 = 0.6;
/// Reach of the correlation that is kept on either side of its peak, seconds: some periods of the
/// frequencies that shape it.
pub(super) const KEPT_LAG_S: f64 = 2e-4;
/// Lags kept on either side at most: what a picture shows.
pub(super) const MOST_KEPT_LAGS: i64 = 100;

// Band and clusters

/// Bins in a cluster, about 140 Hz: as wide as the window's main lobe, so that a spectral line lies
/// within one.
pub(super) const CLUSTER_BINS: usize = 12;
/// How far a cluster's end may move to find the least power, bins: neighbours cannot meet.
pub(super) const CLUSTER_END_SHIFT: usize = 4;
/// A cluster counts when independent channels would show its coherence with odds of e^-9 at most:
/// one in ten thousand, among about a hundred clusters (Carter, Knapp & Nuttall 1973). Its phase
/// has then an information of more than 16 / rad^2, its gain of more than 8, so no later step has
/// a limit of its own.
pub(super) const CLUSTER_LOG_ODDS: f64 = 9.0;
/// By chance that happens in one of a hundred recordings, and a cluster high in the band
/// outweighs all of a weak programme. But a coherent cluster has a coherent neighbour, or is a
/// line far beyond chance: this limit applies to a cluster and its more coherent neighbour
/// together, one in ten million.
pub(super) const PAIR_LOG_ODDS: f64 = 16.0;
/// One line among a thousand bins is coherent beyond chance at odds of e^-25, 1e-11 (the same law).
pub(super) const LINE_LOG_ODDS: f64 = 25.0;
/// A bin widens a band when its information, 1/rad^2, is more than this: noise has as much in one
/// bin of 200 000, one recording in 200 (the same law; frames at half overlap count 0.93).
pub(super) const LEAST_BIN_INFORMATION: f64 = 12.0;
/// Largest share of leakage from lines outside a cluster in its common power. Above it the cluster
/// has the phase of these lines, not that of its own frequency.
pub(super) const MOST_LEAKAGE: f64 = 0.5;
/// A programme ends in a cliff when its power falls for good within this fraction of the
/// frequency: the slope of the usual filters of converters (common practice, no source).
pub(super) const CLIFF_GAP: f64 = 0.08;
/// The power on either side is that of so many hertz: wider than the window's main lobe.
pub(super) const CLIFF_WIDTH_HZ: f64 = 200.0;
/// The cliff's edge lies where the power has fallen to this share: by 3 dB, as a filter's.
pub(super) const CLIFF_EDGE: f64 = 0.5;
/// What ends is a line instead where the power before it is less than this share of its own, 20 dB
/// down, or where more than the second share of all power lies in it (common practice, no source).
pub(super) const LINE: (f64, f64) = (0.01, 0.3);

// Phase fit

/// Most steps of the fit: twice what its slowest part, the weights, may take.
pub(super) const MOST_STEPS: usize = 2 * WEIGHING_STEPS;
/// After so many steps the weights stay as they are: among many outliers they converge slowly, by
/// a quarter a step, or go round in a circle.
pub(super) const WEIGHING_STEPS: usize = 50;
/// The fit has converged when no value moves by more than this share of its uncertainty: far below
/// the last digit of any u.
pub(super) const CONVERGED_U: f64 = 1e-6;
/// Significance level of a misfit.
pub(super) const MISFIT_P: f64 = 1e-3;
/// A combination of a response's strengths is not looked at again when it is less likely than this
/// beside the best: all 1458 together then weigh less than two thousandths.
pub(super) const LEAST_RELATIVE_LIKELIHOOD: f64 = 1e-6;
/// Directions in which the unknowns, at their largest, move the data by less than this share of the
/// noise's standard deviation are left out: in quadrature with the noise, a two-thousandth of it.
pub(super) const NEGLIGIBLE_DEVIATION: f64 = 0.03;
/// Number of relinearisations of the response, beside the two that set the weights. More had no
/// effect: in six strong crosstalks (throw-away fit with the same table) four and eight times
/// agreed to 0.01 us.
pub(super) const RELINEARISATIONS: usize = 2;
/// The crosstalk phase counts when a coefficient of the first size moves the delay by the second,
/// seconds: a ten-thousandth of a degree. Common practice, no source.
pub(super) const LEAST_CROSSTALK_EFFECT: (f64, f64) = (CROSSTALK_PHASE_U, 1e-10);

// Along the recording

/// Least programme, seconds: what is left of the shortest stretch that counts, 1 s, when some of
/// its frames are rejected.
pub(super) const SHORTEST_S: f64 = 0.75;
/// A group counts in the jackknife with more than this share of the information: the others' delay
/// is noise, and they weigh nothing.
pub(super) const LEAST_GROUP_SHARE: f64 = 1e-6;
/// Fewest groups of a jackknife: a line over time takes two of their degrees of freedom, and with
/// four left its standard uncertainty is known to a third (normal law, `1 / sqrt(2 n)`).
pub(super) const FEWEST_GROUPS: usize = 6;
/// Significance level of a step, over all places examined in a recording.
pub(super) const STEP_P: f64 = 1e-6;
/// A recorder loses or repeats whole samples; a step of less than half a sample has another
/// cause, such as an eccentric record. A step of one seems longer by up to a fifth at 48 kHz,
/// where it turns the treble by a radian (measured).
pub(super) const LEAST_STEP_SAMPLES: f64 = 0.5;
/// A variance beyond what noise explains, over that of noise, from which a large one is of steps or
/// drifts: standard deviations of five times the noise. Common practice, no source.
pub(super) const LARGE_DISPERSION: f64 = 25.0;

// Doubts about the estimate

/// Delay that a chain alone can make between the channels of one strapped signal, seconds. Common
/// practice, no source.
pub(super) const CHAIN_ALONE_S: f64 = 0.7e-6;
/// Upper edge of the narrower band whose delay is compared with the whole's, hertz: below what
/// resonances of 15 to 25 kHz shape most. Common practice, no source.
pub(super) const NARROW_HIGH_HZ: f64 = 8_000.0;
/// That edge is taken where the whole band reaches beyond it by more than this factor; otherwise
/// half of the whole's, and where that spans no octave, none. Common practice, no source.
pub(super) const NARROWER: f64 = 1.3;
/// The comparison says something where its own standard uncertainty, seconds, is less: that of the
/// serious level of its warning.
pub(super) const MOST_BAND_SHIFT_U_S: f64 = 1e-6;
/// Standard uncertainties by which the delays of two bands must differ: chance alone makes 27 in
/// ten thousand do so (normal law).
pub(super) const BAND_SHIFT_U: f64 = 3.0;
/// A smaller difference between estimators does not matter, seconds: a thousandth of a degree.
/// Common practice, no source.
pub(super) const LEAST_DISAGREEMENT_S: f64 = 1e-9;
/// Band in which the noise of a quiet stretch is judged, hertz: above hum and rumble, below the top
/// octave, where recorders differ. Common practice, no source.
pub(super) const NOISE_BAND_HZ: (f64, f64) = (1_000.0, 15_000.0);
/// Least ratio of the likelihood of simultaneous noise in both channels to that of quiet
/// programme with its delay. Common practice, no source.
pub(super) const NOISE_LIKELIHOOD_RATIO: f64 = 1e3;
/// Coherence of the programme from which a frequency's phase is known well enough to tell programme
/// by it: to a quarter of a radian in a single frame (Bendat and Piersol, Random Data, 9.2, from
/// memory).
pub(super) const PROGRAMME_COHERENCE: f64 = 0.9;
