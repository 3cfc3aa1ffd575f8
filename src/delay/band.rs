//! The band in use, bin by bin and in clusters of bins.

use super::Refusal;
use super::cartridge::Gain;
use super::limits::{
    CLIFF_EDGE, CLIFF_GAP, CLIFF_WIDTH_HZ, CLUSTER_BINS, CLUSTER_END_SHIFT, CLUSTER_LOG_ODDS,
    LEAST_BIN_INFORMATION, LINE, LINE_LOG_ODDS, MOST_LEAKAGE, PAIR_LOG_ODDS,
};
use super::phase::{PhaseTerm, Point};
use crate::spectrum::{Bin, CrossSpectrum, window};
use crate::uncertainty::Warning;
use ndarray::Array2;
use std::ops::Range;

/// The bins of the band, summed over all groups.
pub(super) struct BandBins {
    /// Index of the first bin.
    pub first: usize,
    /// The bins.
    pub bins: Vec<Bin>,
    /// The same as phases with their information.
    pub points: Vec<Point>,
    /// Independent averages per bin in a fit.
    pub averages: f64,
    /// Frequency at which the programme ends abruptly within the requested band, hertz.
    pub ends_hz: Option<f64>,
    /// Bins of the whole spectrum in which what the channels share has a maximum, and
    /// how much that is.
    lines: Vec<(usize, f64)>,
}

impl BandBins {
    pub fn new(spectrum: &CrossSpectrum, (low_hz, high_hz): (f64, f64)) -> Result<Self, Refusal> {
        let count = spectrum.bins();
        let in_band = |k: &usize| (low_hz..=high_hz).contains(&spectrum.frequency_hz(*k));
        let first = (1..count).find(in_band);
        let last = (1..count).rev().find(in_band);
        let (Some(first), Some(last)) = (first, last) else {
            return Err(Refusal::EmptyBand { low_hz, high_hz });
        };
        let total = spectrum.total();
        let lines = lines(&total);
        let mut bins = total[first..=last].to_vec();
        let step_hz = spectrum.frequency_hz(1);
        let ends = end_of_programme(&bins, first, step_hz);
        bins.truncate(ends.unwrap_or(bins.len()));
        let averages = spectrum.averages_in_fit();
        let points = bins
            .iter()
            .enumerate()
            .map(|(i, bin)| {
                let coherence = unbiased(bin.coherence(), spectrum.averages_per_bin());
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
            ends_hz: ends.map(|end| spectrum.frequency_hz(first + end)),
            lines,
        })
    }

    /// Share of the common power in a range of bins that leaked there from lines
    /// elsewhere, those of negative frequency included.
    fn spread_into(&self, range: &Range<usize>) -> f64 {
        let spread = window::spread();
        let up_to = |distance: usize| spread[distance.min(spread.len() - 1)];
        let (from, to) = (self.first + range.start, self.first + range.end);
        let spreads = |&(line, power): &(usize, f64)| {
            let direct = match line {
                _ if line < from => up_to(to - 1 - line) - up_to(from - 1 - line),
                _ if line >= to => up_to(line - from) - up_to(line - to),
                _ => 0.0,
            };
            power * (direct + up_to(line + to - 1) - up_to(line + from - 1))
        };
        self.lines.iter().map(spreads).sum()
    }

    pub fn edges_hz(&self, spectrum: &CrossSpectrum) -> (f64, f64) {
        (
            spectrum.frequency_hz(self.first),
            spectrum.frequency_hz(self.first + self.bins.len() - 1),
        )
    }

    pub fn power(&self, of: impl Fn(&Bin) -> f64) -> f64 {
        self.bins.iter().map(of).sum()
    }

    /// Middle of a group in the span, 0 to 1.
    pub fn position(&self, spectrum: &CrossSpectrum, first: u64, last: u64) -> f64 {
        let hop = spectrum.frame_length as f64 / 2.0;
        let middle = (first + last) as f64 / 2.0 * hop + spectrum.frame_length as f64 / 2.0;
        let (start, end) = (spectrum.span.0 as f64, spectrum.span.1 as f64);
        ((middle - start) / (end - start)).clamp(0.0, 1.0)
    }

    /// Power of `R - g L` over that of `g L` for the best gain g of either sign.
    pub fn difference_to_sum(&self) -> f64 {
        let (ll, rr) = (self.power(|b| b.left), self.power(|b| b.right));
        let re = self.power(|b| b.re);
        (1.0 - re * re / (ll * rr)).max(0.0)
    }

    /// Power not shared over power shared, with the coherence's bias removed.
    pub fn noise_to_signal(&self) -> f64 {
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

    /// The level that a correlation peak of independent channels stays below.
    pub fn chance(&self) -> f64 {
        let mut squares = 0.0;
        let mut total = 0.0;
        for point in &self.points {
            let weight = super::coarse::weight(point, self.averages);
            squares += weight * weight;
            total += weight;
        }
        // Random phases: the real part of the sum has half its power.
        let limit = const { Warning::NothingInCommon.limit() };
        (limit * (0.5 * squares).sqrt() / f64::max(total, f64::MIN_POSITIVE)).min(1.0)
    }

    /// Whether the bin with most information is coherent beyond chance. Its
    /// averages are counted by where its power lies in time: a burst in few
    /// groups is few averages.
    pub fn has_coherent_line(&self, spectrum: &CrossSpectrum) -> bool {
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
        odds(self.bins[best].coherence(), n) > LINE_LOG_ODDS
    }

    /// Whether the information lies in so narrow a band that offsets by whole
    /// periods fit equally well.
    pub fn is_narrow(&self) -> bool {
        let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
        for p in &self.points {
            // noise-only bins must not widen a line
            let weight = if p.information > LEAST_BIN_INFORMATION {
                p.information
            } else {
                0.0
            };
            sum += weight;
            first += weight * p.w;
            second += weight * p.w * p.w;
        }
        let mean = first / sum;
        let relative = (second / sum - mean * mean).max(0.0).sqrt() / mean;
        Warning::NarrowBand.level(relative).is_some()
    }
}

/// Bins in which the cross-spectrum has a maximum: lines, or the grain of noise.
fn lines(bins: &[Bin]) -> Vec<(usize, f64)> {
    let shared: Vec<f64> = bins.iter().map(|b| b.re.hypot(b.im)).collect();
    let triples = shared.windows(3).enumerate();
    triples
        .filter(|(_, s)| s[1] >= s[0] && s[1] > s[2])
        .map(|(k, s)| (k + 1, s[1]))
        .collect()
}

/// The bin, counted from the band's first, from which on a programme that ends in a
/// cliff is left out: power of a stretch of bins above which, some way on, nothing
/// comes within 40 dB of it. An upsampled recording
/// ends so, and what lies beyond are images, alike in both channels but of reversed
/// phase; so do a coder's upper limit and what the window spreads of a line.
fn end_of_programme(bins: &[Bin], first: usize, step_hz: f64) -> Option<usize> {
    let width = (CLIFF_WIDTH_HZ / step_hz).ceil() as usize;
    let mut sums = vec![0.0];
    for bin in bins {
        sums.push(sums[sums.len() - 1] + bin.left + bin.right);
    }
    let count = bins.len().checked_sub(width)?;
    // power of each stretch, and the largest of those from each one on
    let power: Vec<f64> = (0..=count).map(|k| sums[k + width] - sums[k]).collect();
    let mut beyond = power.clone();
    for k in (0..count).rev() {
        beyond[k] = beyond[k].max(beyond[k + 1]);
    }
    let gap = |k: usize| (CLIFF_GAP * (first + k) as f64).ceil() as usize + 2 * CLUSTER_BINS;
    let last = (0..count).rev().find(|&k| {
        let far = k + width + gap(k + width);
        far <= count && power[k] * const { Warning::ProgrammeEnds.limit() } > beyond[far]
    })?;
    // the cliff's upper edge: half of what there was before it; and a filter's slope
    // is as wide below the edge, and leaves images there too
    let whole = last + width;
    let before = last.saturating_sub(gap(last));
    let edge = (before..=last).find(|&k| power[k] < CLIFF_EDGE * power[before]);
    let end = edge.map_or(whole, |edge| (edge + width / 2).saturating_sub(gap(edge)));
    // a line has next to nothing before it, or all the power, and ends with its stretch
    let loudest = power[before..=last].iter().copied().fold(0.0, f64::max);
    let is_line =
        power[before] < LINE.0 * loudest || sums[whole] - sums[end] > LINE.1 * sums[whole];
    Some(if is_line { whole } else { end })
}

/// How unlikely so much coherence is in `n` averages of independent channels, as minus the natural
/// logarithm of the probability `(1 - C)^(n - 1)` (Carter, Knapp & Nuttall 1973).
fn odds(coherence: f64, n: f64) -> f64 {
    -(n - 1.0) * (1.0 - coherence).max(1e-300).ln()
}

/// Removes the bias of a coherence estimate from `n` averages: for small true
/// coherence its mean is `1/n` (Carter, Knapp & Nuttall 1973).
pub(super) fn unbiased(coherence: f64, n: f64) -> f64 {
    // Single-precision transforms leave 1e-9 of the power unexplained.
    ((coherence - 1.0 / n) / (1.0 - 1.0 / n)).clamp(0.0, 1.0 - 1e-9)
}

/// The band in clusters of bins, each one point of the phase fit.
///
/// Energy that the window spreads to neighbouring bins keeps the phase of the
/// frequency it comes from: across the main lobe of a spectral line the phase is
/// constant, whatever the delay. So neighbouring bins are summed before a phase is
/// taken, and the sum is given the frequency (and the terms' shapes) that the same sum
/// has. The ends of clusters lie where the power is least. A cluster that holds little
/// more than leakage from a line outside it has no information of its own.
pub(super) struct Clusters {
    /// First bin of each cluster, counted from the band's first; one more at
    /// the end.
    ends: Vec<usize>,
    /// Turns applied to the bins before they are summed, as (cos, sin): the
    /// inversion and the coarse delay.
    turns: Vec<(f64, f64)>,
    /// One point a cluster.
    pub points: Vec<Point>,
    /// Gains of the same clusters, left over right.
    pub gains: Vec<Gain>,
    /// Power that the channels do not share over what they share.
    pub unshared: Vec<f64>,
    /// Shapes of the delay and the terms: one row a point.
    pub design: Array2<f64>,
}

impl Clusters {
    /// Clusters of a band whose phase has been turned back by `delay` and, if
    /// `inverted`, by half a turn.
    pub fn new(band: &BandBins, terms: &[PhaseTerm], delay: f64, inverted: bool) -> Self {
        let sign = if inverted { -1.0 } else { 1.0 };
        let turns: Vec<(f64, f64)> = band
            .points
            .iter()
            .map(|p| {
                let (sin, cos) = (p.w * delay).sin_cos();
                (sign * cos, sign * sin)
            })
            .collect();
        let ends = ends(&band.bins);
        let mut clusters = Self {
            ends,
            turns,
            points: Vec::new(),
            gains: Vec::new(),
            unshared: Vec::new(),
            design: Array2::zeros((0, 0)),
        };
        let sums = clusters.sums(&band.bins);
        clusters.design = Array2::zeros((sums.len(), terms.len() + 1));
        let averages: Vec<f64> = clusters
            .ends
            .windows(2)
            .map(|ends| band.averages * (ends[1] - ends[0]) as f64)
            .collect();
        // Chance coherence must not count as information: many clusters of noise
        // would outweigh one line.
        let odds: Vec<f64> = sums
            .iter()
            .zip(&averages)
            .map(|(sum, n)| odds(sum.coherence(), *n))
            .collect();
        let neighbour = |k: usize| {
            let before = k.checked_sub(1).map_or(0.0, |k| odds[k]);
            before.max(odds.get(k + 1).copied().unwrap_or(0.0))
        };
        for (k, sum) in sums.iter().enumerate() {
            let range = clusters.ends[k]..clusters.ends[k + 1];
            let own = || band.spread_into(&range) < MOST_LEAKAGE * sum.re.hypot(sum.im);
            let beyond_chance =
                odds[k] > CLUSTER_LOG_ODDS && odds[k] + neighbour(k) > PAIR_LOG_ODDS;
            let coherence = if beyond_chance && own() {
                unbiased(sum.coherence(), averages[k])
            } else {
                0.0
            };
            let mut total = 0.0;
            for bin in range {
                let weight = band.bins[bin].re.hypot(band.bins[bin].im);
                let w = band.points[bin].w;
                total += weight;
                let mut row = clusters.design.row_mut(k);
                row[0] += weight * w;
                for (j, term) in terms.iter().enumerate() {
                    row[j + 1] += weight * term.shape.at(w);
                }
            }
            let mut row = clusters.design.row_mut(k);
            row /= f64::max(total, f64::MIN_POSITIVE);
            let information = 2.0 * averages[k] * coherence / (1.0 - coherence);
            clusters.points.push(Point {
                w: row[0],
                phase: sum.phase(),
                information,
            });
            let powers = (sum.left, sum.right);
            clusters
                .gains
                .push(Gain::of(powers, information, averages[k]));
            clusters.unshared.push(unshared(coherence));
        }
        clusters
    }

    /// Effective number of clusters that carry the information: the number of equal
    /// shares with the same sum of squares.
    pub fn carrying(&self) -> f64 {
        let (sum, squares) = self.points.iter().fold((0.0, 0.0), |(sum, squares), p| {
            (sum + p.information, squares + p.information.powi(2))
        });
        sum * sum / squares.max(f64::MIN_POSITIVE)
    }

    /// The clusters' sums of a band's bins, turned.
    pub fn sums(&self, bins: &[Bin]) -> Vec<Bin> {
        self.ends
            .windows(2)
            .map(|ends| {
                let mut sum = Bin::default();
                let range = ends[0]..ends[1];
                for (bin, (cos, sin)) in bins[range.clone()].iter().zip(&self.turns[range]) {
                    sum.add(&Bin {
                        left: bin.left,
                        right: bin.right,
                        re: bin.re * cos + bin.im * sin,
                        im: bin.im * cos - bin.re * sin,
                    });
                }
                sum
            })
            .collect()
    }
}

/// Power that the channels do not share over what they share, of a coherence without bias; 0 of none, which tells nothing.
pub(super) fn unshared(coherence: f64) -> f64 {
    match coherence > 0.0 {
        true => coherence.sqrt().recip() - 1.0,
        false => 0.0,
    }
}

/// Ends of clusters: every dozen bins, moved to the least power nearby; of both
/// channels' powers the product, so that no gain moves an end.
fn ends(bins: &[Bin]) -> Vec<usize> {
    let power = |k: &usize| bins[*k].left * bins[*k].right;
    let mut ends = vec![0];
    let mut next = CLUSTER_BINS;
    while next + CLUSTER_BINS - CLUSTER_END_SHIFT <= bins.len() {
        let end = (next - CLUSTER_END_SHIFT..=(next + CLUSTER_END_SHIFT).min(bins.len() - 1))
            .min_by(|a, b| power(a).total_cmp(&power(b)))
            .unwrap_or(next);
        ends.push(end);
        next = end + CLUSTER_BINS;
    }
    ends.push(bins.len());
    ends
}
