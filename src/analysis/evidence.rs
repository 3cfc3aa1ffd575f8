//! Figures of a recording for reports, of bounded size.

use super::limits::LEAST_SHARE;
use super::{Analysis, RecordingInfo};
use crate::delay::{CrossCorrelation, CurvePoint};

/// The delay of one stretch of a recording.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StretchDelay {
    /// Middle of the stretch, seconds from the start of the recording.
    pub second_s: f64,
    /// The same in the analysed span, 0 to 1.
    pub position: f64,
    /// Delay, right after left, seconds.
    pub delay_s: f64,
    /// Standard uncertainty of that by noise, seconds.
    pub standard_uncertainty_s: f64,
}

/// Conditions and curves of a recording, for the pictures and the conditions of
/// a report. At most some hundred points a curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// The recording.
    pub info: RecordingInfo,
    /// The part analysed, seconds from the start: start, end.
    pub span_s: (f64, f64),
    /// Mean squares of the left and the right channel from 100 Hz to 15 kHz, clicks left out, full
    /// scale 1.
    pub powers_within: [f64; 2],
    /// Band used, hertz.
    pub band_hz: (f64, f64),
    /// The channels have opposite polarity, which was taken out.
    pub inverted: bool,
    /// Delay, right after left, seconds.
    pub delay_s: f64,
    /// Its standard uncertainty from noise and equaliser terms, seconds.
    pub standard_uncertainty_s: f64,
    /// Ratio of common signal to difference, decibels; `None` without any
    /// difference.
    pub signal_to_noise_db: Option<f64>,
    /// Residual mean square of the phase over what noise explains.
    pub reduced_chi_square: f64,
    /// Phase, coherence and spectra over frequency.
    pub curve: Vec<CurvePoint>,
    /// Delay along the recording.
    pub along: Vec<StretchDelay>,
    /// Correlation near its peak.
    pub correlation: CrossCorrelation,
}

impl Analysis {
    /// The coefficient of tracing in the middle of the analysed part, and its relative standard
    /// uncertainty by noise; `None` where no tracing was found.
    pub fn tracing_in_the_middle(&self) -> Option<(f64, f64)> {
        let tracing = self.tracing?;
        let (start, end) = self.estimate.span_s;
        // its samples are counted from where the reading began
        let middle = 0.5 * (start + end) * f64::from(self.info.sample_rate_hz);
        let sample = middle - self.spectrum.origin as f64;
        Some((tracing.coefficient_s(sample).abs(), tracing.relative_u()))
    }

    /// Its figures for a report.
    pub fn evidence(&self) -> Evidence {
        let estimate = &self.estimate;
        let (start, end) = estimate.span_s;
        let least = LEAST_SHARE / estimate.along.len().max(1) as f64;
        let informative = estimate
            .along
            .iter()
            .filter(|g| g.standard_uncertainty_s.is_finite() && g.weight >= least);
        Evidence {
            info: self.info.clone(),
            span_s: estimate.span_s,
            powers_within: self.spectrum.powers(),
            band_hz: estimate.band_hz,
            inverted: estimate.inverted,
            delay_s: estimate.delay_s,
            standard_uncertainty_s: estimate.standard_uncertainty_s,
            signal_to_noise_db: (estimate.noise_to_signal > 0.0)
                .then(|| -10.0 * estimate.noise_to_signal.log10()),
            reduced_chi_square: estimate.reduced_chi_square,
            curve: estimate.curve.clone(),
            along: informative
                .map(|g| StretchDelay {
                    second_s: start + g.position * (end - start),
                    position: g.position,
                    delay_s: g.delay_s,
                    standard_uncertainty_s: g.standard_uncertainty_s,
                })
                .collect(),
            correlation: estimate.correlation.clone(),
        }
    }
}
