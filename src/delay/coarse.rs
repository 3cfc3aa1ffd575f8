//! Coarse estimate of the delay, by generalised cross-correlation.

use super::limits::{
    EQUAL_PEAK, KEPT_LAG_S, MOST_KEPT_LAGS, OVERSAMPLING, PLAUSIBLE_PEAK, PLAUSIBLE_S, REACH_S,
};
use super::phase::Point;
use crate::spectrum::{Bin, correlate};

/// The cross-correlation near its peak, for pictures and checks.
#[derive(Debug, Clone, PartialEq)]
pub struct CrossCorrelation {
    /// Delay of each value, seconds.
    pub delays: Vec<f64>,
    /// Correlation, 1 for perfectly alike channels; negative when inverted.
    pub values: Vec<f64>,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Coarse {
    /// Offset, seconds.
    pub delay: f64,
    /// One channel is inverted.
    pub inverted: bool,
    /// Height of the peak, 0 to 1, and the standard deviation of the correlation of independent channels.
    pub peak: f64,
    pub chance: f64,
    /// Second highest peak, relative to the highest.
    pub rival: f64,
    pub correlation: CrossCorrelation,
}

/// Weight of a bin: the amplitude of its signal over its noise, between the
/// phase transform (1) and maximum likelihood (the power ratio; Knapp & Carter
/// 1976). So a line of hum does not mask the programme, nor the anti-phase
/// harmonics of tracing distortion a tone.
pub(super) fn weight(point: &Point, averages: f64) -> f64 {
    (point.information / (2.0 * averages)).sqrt()
}

/// Finds the offset from points at the bins `first_bin..`, of a frame of
/// `frame_length` samples at `sample_rate_hz`; `averages` per bin.
pub(super) fn find(
    points: &[Point],
    first_bin: usize,
    frame_length: usize,
    sample_rate_hz: f64,
    averages: f64,
) -> Coarse {
    let weight = |p: &Point| weight(p, averages);
    let mut spectrum = vec![Bin::default(); first_bin + points.len()];
    for (bin, p) in spectrum[first_bin..].iter_mut().zip(points) {
        (bin.re, bin.im) = (weight(p) * p.phase.cos(), weight(p) * p.phase.sin());
    }
    // without any information every height is zero
    let total = f64::max(points.iter().map(weight).sum(), f64::MIN_POSITIVE);
    let lags = correlate(&spectrum, frame_length, OVERSAMPLING);
    let step = 1.0 / (sample_rate_hz * OVERSAMPLING as f64);
    let reach = ((REACH_S / step) as usize).min(lags.len() / 2 - 1) as i64;
    let value = |lag: i64| lags[lag.rem_euclid(lags.len() as i64) as usize] / total;
    let peaks: Vec<(i64, f64)> = (-reach..=reach)
        .map(|lag| (lag, value(lag)))
        .filter(|&(lag, v)| v.abs() >= value(lag - 1).abs() && v.abs() > value(lag + 1).abs())
        .collect();
    let highest = peaks.iter().map(|p| p.1.abs()).fold(0.0, f64::max);
    let chance = (points
        .iter()
        .map(|p| weight(p).powi(2) / p.information.max(1.0))
        .sum::<f64>())
    .sqrt()
        / total;
    let cost = |&(lag, v): &(i64, f64)| {
        let seconds = lag as f64 * step;
        seconds.abs() + if v < 0.0 { PLAUSIBLE_S } else { 0.0 }
    };
    let best = peaks
        .iter()
        .filter(|&&(lag, v)| {
            let plausible = (lag as f64 * step).abs() <= PLAUSIBLE_S;
            let enough = if plausible {
                PLAUSIBLE_PEAK
            } else {
                EQUAL_PEAK
            };
            v.abs() >= highest * enough
        })
        .min_by(|a, b| cost(a).total_cmp(&cost(b)))
        .copied()
        .unwrap_or((0, value(0)));
    let rival = peaks
        .iter()
        .filter(|p| p.0 != best.0)
        .map(|p| p.1.abs() / highest)
        .fold(0.0, f64::max);
    let shown = ((KEPT_LAG_S / step) as i64).min(reach);
    // at high rates some lags are skipped, the peak never
    let every = 1 + shown / MOST_KEPT_LAGS;
    let lags_shown = (-shown / every..=shown / every).map(|k| best.0 + k * every);
    Coarse {
        delay: best.0 as f64 * step,
        inverted: best.1 < 0.0,
        peak: best.1.abs(),
        chance,
        rival,
        correlation: CrossCorrelation {
            delays: lags_shown.clone().map(|l| l as f64 * step).collect(),
            values: lags_shown.map(value).collect(),
        },
    }
}
