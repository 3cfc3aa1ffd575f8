//! The estimator on spectra made without noise, where everything it reports has
//! a closed form.

use super::band::{BandBins, Clusters, unbiased};
use super::coarse;
use super::jackknife::{TimeGroup, jackknife};
use super::phase::{self, Load, LoadPart, PhaseShape, Point};
use super::*;
use crate::spectrum::{Bin, Complex64, CrossSpectrum, Group, SignalQuality, window};
use crate::uncertainty::Level;
use approx::assert_relative_eq;
use std::f64::consts::{PI, TAU};

const RATE: f64 = 48_000.0;
const LENGTH: usize = 4096;
/// Hertz from bin to bin.
const STEP: f64 = RATE / LENGTH as f64;

/// A bin of unit power in both channels with this coherence and phase, times a
/// level.
fn bin(coherence: f64, phase: f64, level: f64) -> Bin {
    let (sin, cos) = phase.sin_cos();
    let shared = coherence.sqrt() * level;
    Bin {
        left: level,
        right: level,
        re: shared * cos,
        im: shared * sin,
    }
}

/// Groups of frames that follow each other; `of` gives a group's bin at a
/// frequency, for one frame.
fn made(groups: u64, frames: u64, of: impl Fn(u64, f64) -> Bin) -> CrossSpectrum {
    let group = |g: u64| Group {
        first_frame: g * frames,
        last_frame: (g + 1) * frames - 1,
        frames,
        bins: (0..LENGTH / 2)
            .map(|k| {
                let bin = of(g, k as f64 * STEP);
                let n = frames as f64;
                Bin {
                    left: n * bin.left,
                    right: n * bin.right,
                    re: n * bin.re,
                    im: n * bin.im,
                }
            })
            .collect(),
    };
    let samples = (groups * frames + 1) * LENGTH as u64 / 2;
    CrossSpectrum {
        sample_rate_hz: RATE,
        frame_length: LENGTH,
        alignment: 0,
        groups: (0..groups).map(group).collect(),
        quietest: crate::spectrum::Group::default(),
        span: (0, samples),
        origin: 0,
        quality: SignalQuality {
            samples,
            frames: groups * frames,
            loudest_power: 0.01,
            left_power: 0.01,
            right_power: 0.01,
            ..SignalQuality::default()
        },
    }
}

/// A delay with the coherence of 35 dB everywhere, 10 groups of 40 frames.
fn delayed(delay: f64) -> CrossSpectrum {
    made(10, 40, |_, f| bin(COHERENCE, TAU * f * delay, 1.0))
}

const COHERENCE: f64 = 0.999;

/// A delay whose left channel is louder by so many dB.
fn louder_left(db: f64) -> CrossSpectrum {
    let gain = 10f64.powf(db / 20.0);
    made(10, 40, |_, f| {
        let b = bin(COHERENCE, TAU * f * 5e-6, 1.0);
        Bin {
            left: b.left * gain * gain,
            re: b.re * gain,
            im: b.im * gain,
            ..b
        }
    })
}

fn no_terms() -> EstimateSettings {
    EstimateSettings {
        terms: Vec::new(),
        ..EstimateSettings::default()
    }
}

fn codes(estimate: &DelayEstimate) -> Vec<&str> {
    estimate.caveats.iter().map(|c| c.code.as_str()).collect()
}

#[test]
fn a_band_has_its_edges_and_places() {
    let spectrum = delayed(0.0);
    let band = BandBins::new(&spectrum, (100.0, 1000.0)).unwrap();
    // bins of 11.72 Hz: 9 lies at 105.5, 85 at 996.1
    assert_eq!(band.first, 9);
    assert_eq!(band.edges_hz(&spectrum), (9.0 * STEP, 85.0 * STEP));
    // frames 0..=39 of 400: their middle lies at 20.5 of 401 half frames... in
    // samples 19.5 hops + half a frame
    let hop = LENGTH as f64 / 2.0;
    let expected = (19.5 * hop + hop) / (401.0 * hop);
    assert_relative_eq!(band.position(&spectrum, 0, 39), expected, epsilon = 1e-12);
    let later = CrossSpectrum {
        span: (100 * 2048, 401 * 2048),
        ..spectrum
    };
    let expected = (219.5 + 1.0 - 100.0) / 301.0;
    assert_relative_eq!(band.position(&later, 200, 239), expected, epsilon = 1e-12);
    assert_eq!(band.position(&later, 0, 39), 0.0);
}

#[test]
fn figures_of_a_band_in_closed_form() {
    // Half of the bins loud and quite coherent, half quiet and less so.
    let of = |f: f64| match f < 550.0 {
        true => (0.9, 4.0, 9.0),
        false => (0.5, 1.0, 0.25),
    };
    let spectrum = made(10, 400, |_, f| {
        let (c, left, right) = of(f);
        let shared = f64::sqrt(c * left * right);
        Bin {
            left,
            right,
            re: shared,
            im: 0.0,
        }
    });
    let band = BandBins::new(&spectrum, (100.0, 1000.0)).unwrap();
    let all: Vec<(f64, f64, f64)> = (9..=85).map(|k| of(f64::from(k) * STEP)).collect();
    let sum = |part: fn(&(f64, f64, f64)) -> f64| all.iter().map(part).sum::<f64>();
    let (ll, rr) = (sum(|b| b.1), sum(|b| b.2));
    let re = sum(|b| (b.0 * b.1 * b.2).sqrt());
    assert_relative_eq!(
        band.difference_to_sum(),
        1.0 - re * re / (ll * rr),
        epsilon = 1e-12
    );
    // 4,000 frames: the coherence's bias is a few parts in ten thousand
    let signal = sum(|b| (b.1 * b.2 * b.0).sqrt());
    let noise = sum(|b| (b.1 * b.2).sqrt() * (1.0 - b.0.sqrt()));
    assert_relative_eq!(band.noise_to_signal(), noise / signal, max_relative = 2e-3);
    // weights are signal over noise in amplitude
    let n = spectrum.averages_per_bin();
    let weight = |c: f64| {
        let c = unbiased(c, n);
        (c / (1.0 - c)).sqrt()
    };
    let squares: f64 = all.iter().map(|b| weight(b.0).powi(2)).sum();
    let total: f64 = all.iter().map(|b| weight(b.0)).sum();
    assert_relative_eq!(
        band.chance(),
        6.5 * (0.5 * squares).sqrt() / total,
        max_relative = 1e-9
    );
    let point = band.points[0];
    assert_relative_eq!(
        point.information,
        2.0 * spectrum.averages_in_fit() * weight(0.9).powi(2),
        max_relative = 1e-9
    );
    assert_relative_eq!(
        coarse::weight(&point, band.averages),
        weight(0.9),
        max_relative = 1e-9
    );
}

#[test]
fn coherence_loses_its_bias() {
    assert_relative_eq!(unbiased(0.55, 10.0), 0.5, epsilon = 1e-12);
    assert_eq!(unbiased(0.05, 10.0), 0.0);
    assert_eq!(unbiased(1.0, 10.0), 1.0 - 1e-9);
}

/// One line among noise: coherent beyond chance when `-(n - 1) ln(1 - C)`
/// exceeds 25, `n` being fewer when its power lies in few groups.
#[test]
fn a_line_counts_by_its_averages() {
    let line = |margin: f64, groups_with_power: u64| {
        let n = window::independent_averages(400);
        let n = n * groups_with_power as f64 / 10.0;
        let coherence = 1.0 - (-25.0 * margin / (n - 1.0)).exp();
        let spectrum = made(10, 40, |g, f| {
            if (f - 100.0 * STEP).abs() < 0.1 {
                // a silent group still holds a trace
                let level = if g < groups_with_power { 1.0 } else { 1e-12 };
                bin(coherence, 0.0, level)
            } else {
                // noise, all of it in one group
                bin(1e-4, 0.0, if g == 0 { 1.0 } else { 1e-12 })
            }
        });
        let band = BandBins::new(&spectrum, (100.0, 15_000.0)).unwrap();
        band.has_coherent_line(&spectrum)
    };
    assert!(line(1.05, 10) && line(1.05, 3));
    assert!(!line(0.95, 10) && !line(0.95, 3));
}

#[test]
fn a_band_is_narrow_by_its_spread() {
    let lines = |a: usize, b: usize| {
        let spectrum = made(10, 40, |_, f| {
            let at = (f / STEP).round() as usize;
            bin(if at == a || at == b { 0.99 } else { 0.0 }, 0.0, 1.0)
        });
        BandBins::new(&spectrum, (100.0, 15_000.0))
            .unwrap()
            .is_narrow()
    };
    // half their distance over their mean: 0.0476 and 0.0566
    assert!(lines(100, 110));
    assert!(!lines(100, 112));
    assert!(lines(100, 100));
}

/// As many clusters carry the information as hold it, where they hold it alike.
#[test]
fn the_clusters_that_carry_are_counted() {
    let carrying = |high: f64| {
        let spectrum = made(10, 40, |_, f| {
            bin(if f < high { 0.9 } else { 0.0 }, 0.0, 1.0)
        });
        let band = BandBins::new(&spectrum, (100.0, 15_000.0)).unwrap();
        Clusters::new(&band, &[], 0.0, false).carrying()
    };
    // of flat power each ends at the first bin it may, eight after the one before: 157 of
    // 8 bins and the last of 16; those below 5 kHz are 52
    let all = 1272.0 * 1272.0 / (157.0 * 64.0 + 256.0);
    assert_relative_eq!(carrying(16_000.0), all, max_relative = 1e-3);
    assert_relative_eq!(carrying(5_000.0), 52.0, max_relative = 0.02);
}

/// A peak within 60 us is taken where it has 0.6 of the height of one further off.
#[test]
fn a_stylus_peak_may_be_lower() {
    // this share of the bins, scattered among them, is late by 50 us, the rest by 1 ms
    let found = |share: f64| {
        let points: Vec<Point> = (9..1280)
            .map(|k| {
                let w = TAU * f64::from(k) * STEP;
                let among = (f64::from(k) * 0.618_034).fract() < share;
                Point {
                    w,
                    phase: w * if among { 50e-6 } else { 1e-3 },
                    information: 1e4,
                }
            })
            .collect();
        coarse::find(&points, 9, LENGTH, RATE, 100.0).delay
    };
    let near = |a: f64, b: f64| (a - b).abs() < 6e-6;
    // 0.38 over 0.62 is 0.61, 0.36 over 0.64 is 0.56
    assert!(near(found(0.38), 50e-6), "{}", found(0.38));
    assert!(near(found(0.36), 1e-3), "{}", found(0.36));
}

/// Clusters end where the power is least, and their sums are turned back by the
/// coarse delay and the inversion.
#[test]
fn clusters_end_in_valleys_and_turn_back() {
    let delay = 150e-6;
    let valleys = [19, 34];
    let spectrum = made(10, 40, |_, f| {
        let at = (f / STEP).round() as usize;
        let level = if valleys.contains(&at) { 0.1 } else { 1.0 };
        bin(COHERENCE, TAU * f * delay + PI, level)
    });
    let band = BandBins::new(&spectrum, (9.0 * STEP - 1.0, 38.0 * STEP + 1.0)).unwrap();
    assert_eq!(band.bins.len(), 30);
    let clusters = Clusters::new(&band, &[], delay, true);
    let sums = clusters.sums(&band.bins);
    // 10 bins, 15 with a valley first, 5 with another
    let powers: Vec<f64> = sums.iter().map(|s| s.left / 400.0).collect();
    assert_eq!(powers.len(), 3);
    for (power, expected) in powers.iter().zip([10.0, 14.1, 4.1]) {
        assert_relative_eq!(power, &expected, epsilon = 1e-9);
    }
    for sum in &sums {
        assert_relative_eq!(sum.re, COHERENCE.sqrt() * sum.left, max_relative = 1e-9);
        assert!(sum.im.abs() < 1e-9 * sum.re);
    }
    // the frequency of a cluster is that of its bins, weighted by their power
    let bins = (9..19).map(|k| f64::from(k) * STEP).sum::<f64>() / 10.0;
    assert_relative_eq!(clusters.points[0].w, TAU * bins, max_relative = 1e-12);
}

/// An end lies where the product of the powers is least, not their sum, and no
/// further than its reach from a dozen bins on.
/// Where a programme ends in a cliff, the band ends 8 % and 24 bins (two clusters) before
/// it; a line has nothing before it that could be left.
#[test]
fn a_cliff_ends_the_programme() {
    // the level of each bin of the spectrum; bins of 11.72 Hz, 18 of them are 200 Hz
    let ends = |level: &dyn Fn(usize) -> f64| {
        let spectrum = made(10, 40, |_, f| {
            bin(0.9, 0.0, level((f / STEP).round() as usize))
        });
        let band = BandBins::new(&spectrum, (100.0, 15_000.0)).unwrap();
        let ends = band.ends_hz.map(|hz| (hz / STEP).round() as usize);
        // the band is cut there
        assert_eq!(ends.unwrap_or(1281), band.first + band.bins.len());
        ends
    };
    let until = |edge: usize, beyond: f64| move |k: usize| if k < edge { 1.0 } else { beyond };
    // the cliff is at bin 800, where half of 200 Hz is gone 8 bins before: 8 % of 792 is
    // 64, and 24; 9 bins, half of 200 Hz, lead back
    assert_eq!(ends(&until(800, 1e-6)), Some(792 + 9 - 64 - 24));
    assert_eq!(ends(&until(400, 1e-6)), Some(392 + 9 - 32 - 24));
    // 39.2 dB are no cliff, 41 dB are one, whose edge is not sought within what falls short
    assert_eq!(ends(&until(800, 1.2e-4)), None);
    assert_eq!(ends(&until(800, 0.8e-4)), Some(800 - 15 + 18));
    // the last 18 bins of the band, which ends at bin 1280, must lie beyond
    assert!(ends(&until(1263, 1e-6)).is_some());
    assert_eq!(ends(&until(1264, 1e-6)), None);
    // a slope within 8 % and 24 bins is as good, a longer one is none
    let slope = |bins: f64| {
        move |k: usize| {
            let down = (k as f64 - 600.0) / bins;
            10f64.powf(-6.0 * down.clamp(0.0, 1.0))
        }
    };
    assert!(ends(&slope(60.0)).is_some());
    assert_eq!(ends(&slope(300.0)), None);
    // programme that comes back
    let back = |k: usize| {
        if (1100..1280).contains(&k) {
            1.0
        } else {
            until(600, 1e-6)(k)
        }
    };
    assert_eq!(ends(&back), None);
    // one line: all of its 18 bins are kept
    assert_eq!(ends(&|k| if k == 400 { 1.0 } else { 1e-6 }), Some(400 + 18));
    // most of the power before the cliff
    let loud_end = |k: usize| {
        if (340..400).contains(&k) {
            20.0
        } else {
            until(400, 1e-6)(k)
        }
    };
    assert_eq!(ends(&loud_end), Some(399 + 18));
}

/// A cluster whose coherence chance could make counts where a neighbour is coherent too,
/// a line far beyond chance by itself.
#[test]
fn a_cluster_by_itself_must_be_far_beyond_chance() {
    let clusters = |spectrum: &CrossSpectrum| {
        let band = BandBins::new(spectrum, (100.0, 15_000.0)).unwrap();
        (band.averages, Clusters::new(&band, &[], 0.0, false).points)
    };
    let (averages, flat) = clusters(&delayed(0.0));
    let hertz = |k: usize| flat[k].w / TAU;
    let (at, width) = (
        flat.len() / 2,
        hertz(flat.len() / 2 + 1) - hertz(flat.len() / 2),
    );
    let n = averages * (width / STEP).round();
    // odds of e^-x by chance: (1 - C)^(n - 1)
    let coherence = |x: f64| 1.0 - (-x / (n - 1.0)).exp();
    let information = |odds: f64, clusters_wide: f64| {
        let middle = hertz(at) + 0.5 * (clusters_wide - 1.0) * width;
        let spectrum = made(10, 40, |_, f| {
            let among = (f - middle).abs() < 0.5 * clusters_wide * width;
            let low = f < 2_000.0;
            bin(
                if low {
                    0.5
                } else if among {
                    coherence(odds)
                } else {
                    0.0
                },
                0.0,
                1.0,
            )
        });
        let (_, points) = clusters(&spectrum);
        points[at].information
    };
    assert_eq!(information(8.0, 1.0), 0.0);
    assert_eq!(information(15.0, 1.0), 0.0);
    assert!(information(17.0, 1.0) > 20.0);
    assert_eq!(information(7.0, 2.0), 0.0);
    assert!(information(9.5, 2.0) > 10.0);
}

#[test]
fn ends_lie_at_the_least_product_within_reach() {
    let powers = |at: usize| match at {
        19 => (0.02, 1.0),
        22 => (0.2, 0.2),
        27 => (0.01, 0.01),
        _ => (1.0, 1.0),
    };
    let spectrum = made(10, 40, |_, f| {
        let (left, right) = powers((f / STEP).round() as usize);
        let re = COHERENCE.sqrt() * f64::sqrt(left * right);
        let im = 0.0;
        Bin {
            left,
            right,
            re,
            im,
        }
    });
    let band = BandBins::new(&spectrum, (9.0 * STEP - 1.0, 48.0 * STEP + 1.0)).unwrap();
    let clusters = Clusters::new(&band, &[], 0.0, false);
    let sums = clusters.sums(&band.bins);
    let lefts: Vec<f64> = sums.iter().map(|s| s.left / 400.0).collect();
    // ends at 10 (19), 18 (27) and, all being alike, the first within reach: 26
    let expected = [10.0, 6.0 + 0.02 + 0.2, 7.01, 14.0];
    assert_eq!(lefts.len(), expected.len());
    for (left, expected) in lefts.iter().zip(expected) {
        assert_relative_eq!(left, &expected, epsilon = 1e-9);
    }
}

#[test]
fn the_correlation_has_its_peak_and_its_scale() {
    let delay = 3.0 / (4.0 * RATE);
    for (rate, inverted) in [(RATE, false), (192_000.0, true)] {
        let turn = if inverted { PI } else { 0.0 };
        // bins of the same width at either rate
        let length = (LENGTH as f64 * rate / RATE) as usize;
        let points: Vec<Point> = (9..1280)
            .map(|k| {
                let w = TAU * f64::from(k) * STEP;
                Point {
                    w,
                    phase: w * delay + turn,
                    information: 800.0,
                }
            })
            .collect();
        let found = coarse::find(&points, 9, length, rate, 100.0);
        assert_relative_eq!(found.delay, delay, max_relative = 1e-12);
        assert_eq!(found.inverted, inverted);
        assert_relative_eq!(found.peak, 1.0, epsilon = 1e-9);
        // weights all alike: sqrt(sum w^2 / I) / sum w
        let chance = (1271.0_f64 / 800.0).sqrt() / 1271.0;
        assert_relative_eq!(found.chance, chance, max_relative = 1e-9);
        // side lobes of a band of 15 kHz: 0.22 at the first
        assert!((0.15..0.25).contains(&found.rival), "{}", found.rival);
        // 0.2 ms either way, every lag at 48 kHz, every other at 192 kHz
        let (every, count) = if rate == RATE { (1.0, 77) } else { (2.0, 153) };
        let CrossCorrelation { delays, values } = &found.correlation;
        assert_eq!((delays.len(), values.len()), (count, count));
        let step = every / (4.0 * rate);
        assert_relative_eq!(delays[1] - delays[0], step, max_relative = 1e-6);
        assert_relative_eq!(delays[count / 2], delay, max_relative = 1e-9);
        let sign = if inverted { -1.0 } else { 1.0 };
        assert_relative_eq!(values[count / 2], sign, epsilon = 1e-9);
    }
}

/// Everything that an estimate says, where the spectrum is exact.
#[test]
fn an_estimate_without_noise_is_exact() {
    // on a lag of the correlation, so that the clusters turn back exactly
    let delay = 2.0 / (4.0 * RATE);
    let mut spectrum = delayed(delay);
    spectrum.origin = 96_000;
    spectrum.alignment = 3;
    let estimate = estimate(&spectrum, &no_terms()).unwrap();
    let truth = delay + 3.0 / RATE;
    assert_relative_eq!(estimate.delay_s, truth, max_relative = 1e-9);
    assert_eq!(estimate.span_s.0, 2.0);
    assert_relative_eq!(estimate.span_s.1, 2.0 + 401.0 * 2048.0 / RATE);
    assert!(estimate.term_values.is_empty() && !estimate.inverted);
    // The bound: sum over bins of 2 n C / (1 - C) w^2, bias removed.
    let band = BandBins::new(&spectrum, no_terms().band_hz).unwrap();
    let clusters = Clusters::new(&band, &[], delay, false);
    let information: f64 = clusters
        .points
        .iter()
        .map(|p| p.information * p.w * p.w)
        .sum();
    let u = information.sqrt().recip();
    assert_relative_eq!(estimate.standard_uncertainty_s, u, max_relative = 1e-9);
    assert_relative_eq!(estimate.random_s, u, max_relative = 1e-9);
    assert_eq!(estimate.dispersion, 1.0);
    // data alone: matrix times expansion is the vector
    let known = &estimate.information;
    assert_relative_eq!(known.expansion[0], truth, max_relative = 1e-9);
    assert_relative_eq!(known.matrix[[0, 0]], information, max_relative = 1e-9);
    assert_relative_eq!(known.vector[0], information * truth, max_relative = 1e-9);
    // ten groups alike
    assert_eq!((estimate.along.len(), estimate.nodes.len()), (10, 10));
    for (g, part) in estimate.along.iter().enumerate() {
        assert_relative_eq!(part.weight, 0.1, max_relative = 1e-9);
        assert_relative_eq!(part.delay_s, truth, max_relative = 1e-9);
        assert_relative_eq!(
            part.standard_uncertainty_s,
            u * 10f64.sqrt(),
            max_relative = 1e-6
        );
        let position = (40.0 * g as f64 + 20.5) / 401.0;
        assert_relative_eq!(part.position, position, max_relative = 1e-9);
        assert_eq!(estimate.nodes[g].position, part.position);
    }
    let peak = estimate.correlation.delays[estimate.correlation.delays.len() / 2];
    assert!((peak - truth).abs() <= 0.5 / (4.0 * RATE));
    assert_relative_eq!(
        estimate.noise_to_signal,
        COHERENCE.sqrt().recip() - 1.0,
        max_relative = 1e-2
    );
    // A narrower band of the same: no shift, and the difference of variances.
    let shift = estimate.band_shift.unwrap();
    assert_eq!(shift.upper_hz, 8_000.0);
    assert!(shift.shift_s.abs() < 1e-15);
    let below = clusters.points.iter().filter(|p| p.w <= TAU * 8_000.0);
    let narrow: f64 = below.map(|p| p.information * p.w * p.w).sum();
    assert_relative_eq!(
        shift.standard_uncertainty_s,
        (narrow.recip() - information.recip()).sqrt(),
        max_relative = 1e-9
    );
    // The curve lies on the line, the coarse delay and alignment aside.
    assert!(estimate.curve.len() > 60);
    let mut before = 0.0;
    for point in &estimate.curve {
        let line = TAU * point.hertz * delay;
        assert!((point.phase_rad - line).abs() < 1e-9, "{}", point.hertz);
        assert_relative_eq!(point.fitted_rad, line, max_relative = 1e-8);
        assert_relative_eq!(
            point.fitted_u_rad,
            TAU * point.hertz * u,
            max_relative = 1e-9
        );
        assert_relative_eq!(point.coherence, COHERENCE, epsilon = 1e-5);
        // frames of unit power, of which a mean square of 1 has N^2 / 4 in a bin
        let level = -20.0 * (LENGTH as f64 / 2.0).log10();
        assert!((point.left_db - level).abs() < 1e-9 && (point.right_db - level).abs() < 1e-9);
        // points of a tenth of an octave, or a bin where that is narrower
        assert!(point.hertz > before);
        before = point.hertz;
    }
    let first = &estimate.curve[0];
    let information = band.points[0].information;
    assert_relative_eq!(
        first.phase_u_rad,
        information.sqrt().recip(),
        max_relative = 1e-9
    );
    let last = estimate.curve.last().unwrap();
    assert!(last.phase_u_rad < 0.2 * first.phase_u_rad);
    assert!(codes(&estimate).is_empty(), "{:?}", estimate.caveats);
}

/// The mirror of the exact estimate: inverted, earlier, in a lower band.
#[test]
fn an_inverted_channel_is_told_and_allowed_for() {
    let delay = -4.1e-6;
    let spectrum = made(10, 40, |_, f| bin(COHERENCE, TAU * f * delay + PI, 1.0));
    let settings = EstimateSettings {
        band_hz: (100.0, 6_000.0),
        ..no_terms()
    };
    let estimate = estimate(&spectrum, &settings).unwrap();
    assert!(estimate.inverted);
    assert_relative_eq!(estimate.delay_s, delay, max_relative = 1e-9);
    assert_eq!(codes(&estimate), ["inverted-polarity"]);
    assert_eq!(estimate.band_shift.unwrap().upper_hz, 3_000.0);
    for point in &estimate.curve {
        let line = TAU * point.hertz * delay;
        assert!((point.phase_rad - line).abs() < 1e-9);
    }
    // the narrower band is half of what is not well above 8 kHz
    let settings = EstimateSettings {
        band_hz: (100.0, 9_000.0),
        ..no_terms()
    };
    let shift = super::estimate(&spectrum, &settings).unwrap().band_shift;
    assert_eq!(shift.unwrap().upper_hz, 4_500.0);
    // half of this band is less than twice its lower edge
    let settings = EstimateSettings {
        band_hz: (2_000.0, 6_000.0),
        ..no_terms()
    };
    assert!(
        super::estimate(&spectrum, &settings)
            .unwrap()
            .band_shift
            .is_none()
    );
}

#[test]
fn what_cannot_be_measured_is_refused_at_its_limit() {
    let refusal = |s: &CrossSpectrum| estimate(s, &no_terms()).err();
    // 0.75 s of programme: 17.6 half frames of 4096 at 48 kHz
    let seconds = |frames| made(6, frames, |_, f| bin(COHERENCE, TAU * f * 5e-6, 1.0));
    assert_eq!(
        refusal(&seconds(2)),
        Some(Refusal::TooShort { needed: 1.0 })
    );
    assert_eq!(refusal(&seconds(3)), None);
    let mut quiet = delayed(5e-6);
    quiet.quality.loudest_power = 0.9e-8;
    assert!(matches!(
        refusal(&quiet),
        Some(Refusal::Silence { floor_dbfs }) if (floor_dbfs + 80.0).abs() < 1e-9
    ));
    quiet.quality.loudest_power = 1.1e-8;
    assert_eq!(refusal(&quiet), None);
    // levels 34 and 36 dB apart, either way
    assert_eq!(refusal(&louder_left(34.0)), None);
    assert_eq!(refusal(&louder_left(-34.0)), None);
    for (db, channel) in [(36.0, "right"), (-36.0, "left")] {
        let Some(Refusal::OneChannel {
            silent,
            difference_db,
        }) = refusal(&louder_left(db))
        else {
            panic!("{db}");
        };
        assert_eq!(silent, channel);
        assert_relative_eq!(difference_db, 36.0, max_relative = 1e-9);
    }
    // channels that differ by 1e-7 and by 1e-6 of their power
    let alike = |difference: f64| made(10, 40, |_, f| bin(1.0 - difference, TAU * f * 1e-9, 1.0));
    let Some(Refusal::SameSignal { difference_db }) = refusal(&alike(1e-7)) else {
        panic!("the same signal");
    };
    assert!((difference_db + 70.0).abs() < 0.5, "{difference_db}");
    assert_eq!(refusal(&alike(1e-6)), None);
    // their noise alike, and a delay that a chain can make: within 0.7 us
    let shared = |delay: f64| made(10, 40, |_, f| bin(1.0 - 2e-7, TAU * f * delay, 1.0));
    assert!(matches!(
        refusal(&shared(0.5e-6)),
        Some(Refusal::SameSignal { .. })
    ));
    let told = estimate(&shared(0.9e-6), &no_terms()).unwrap();
    assert_eq!(codes(&told), ["shared-noise"]);
    // nothing in common: phases without order
    let unrelated = made(10, 40, |_, f| bin(0.002, 1e5 * f * f, 1.0));
    assert!(matches!(
        refusal(&unrelated),
        Some(Refusal::NothingInCommon { .. })
    ));
    let nowhere = EstimateSettings {
        band_hz: (30_000.0, 40_000.0),
        ..no_terms()
    };
    assert!(matches!(
        estimate(&delayed(5e-6), &nowhere),
        Err(Refusal::EmptyBand { .. })
    ));
}

/// A caveat stands on one side of its limit and not on the other.
#[test]
fn doubts_begin_at_their_limits() {
    let of = |change: &dyn Fn(&mut CrossSpectrum)| {
        let mut spectrum = delayed(5e-6);
        change(&mut spectrum);
        estimate(&spectrum, &no_terms()).unwrap()
    };
    let has = |e: &DelayEstimate, code: &str| e.caveats.iter().find(|c| c.code == code).cloned();
    // 400 frames of 2048 new samples in two channels: 1.6 million
    for (clipped, level) in [
        (100, Level::Note),
        (300, Level::Caution),
        (16_000, Level::Caution),
        (17_000, Level::Serious),
    ] {
        let found = of(&|s| s.quality.clipped = clipped);
        let caveat = has(&found, "clipped").unwrap();
        assert_eq!(caveat.level, level, "{clipped}");
        let percent = 100.0 * clipped as f64 / (400.0 * 4096.0);
        assert!(caveat.message.contains(&format!("{percent:.3} %")));
    }
    for (rejected, level) in [(39, Level::Note), (41, Level::Caution)] {
        let found = of(&|s| s.quality.rejected = rejected);
        let caveat = has(&found, "clicks").unwrap();
        assert_eq!(caveat.level, level, "{rejected}");
        let percent = format!("({:.1} %)", rejected as f64 / 4.0);
        assert!(caveat.message.contains(&percent), "{}", caveat.message);
    }
    assert!(has(&of(&|s| s.quality.dropouts = 1), "dropouts").is_some());
    assert!(
        has(
            &of(&|s| s.quality.rejection_undone = true),
            "impulsive-programme"
        )
        .is_some()
    );
    for (samples, there) in [(4, false), (5, true), (-6, true)] {
        // 4 samples are 83 us, 5 are 104
        let found = of(&|s| s.alignment = samples);
        assert_eq!(
            has(&found, "implausible-delay").is_some(),
            there,
            "{samples}"
        );
    }
    // power shared over power not: C = (s / (s + n))^2
    for (db, code) in [(11.0, "noisy"), (2.0, "not-mono")] {
        let s: f64 = 10f64.powf(db / 10.0);
        let coherence = (s / (1.0 + s)).powi(2);
        let noisy = made(40, 100, |_, f| bin(coherence, TAU * f * 5e-6, 1.0));
        let found = estimate(&noisy, &no_terms()).unwrap();
        assert_eq!(codes(&found), [code], "{db}");
        assert!(
            has(&found, code)
                .unwrap()
                .message
                .contains(&format!("{db:.0} dB"))
        );
    }
    // further apart than a mono cut's channels, and as those of a band cut into one
    for (db, level, words) in [
        (2.9, None, ""),
        (
            3.1,
            Some(Level::Note),
            "3.1 dB in level, which does not change",
        ),
        (-3.1, Some(Level::Note), "3.1 dB"),
        (11.9, Some(Level::Note), "11.9 dB"),
        (
            25.0,
            Some(Level::Serious),
            "25.0 dB in level, as in a band cut into one channel",
        ),
        (-25.0, Some(Level::Serious), "25.0 dB"),
    ] {
        let found = estimate(&louder_left(db), &no_terms()).unwrap();
        let caveat = has(&found, "balance");
        assert_eq!(caveat.as_ref().map(|c| c.level), level, "{db}");
        assert!(caveat.is_none_or(|c| c.message.contains(words)));
    }
}

/// Scatter that is large both against noise and by itself is steps or drifts.
#[test]
fn steps_are_told_from_scatter() {
    let wobble = [0.3, -0.5, 0.1, 0.6, -0.2, -0.4, 0.5, -0.4, 0.2, -0.2];
    let of = |scale: f64, coherence: f64| {
        let spectrum = made(10, 40, |g, f| {
            let delay = 5e-6 + scale * wobble[g as usize];
            bin(coherence, TAU * f * delay, 1.0)
        });
        let found = estimate(&spectrum, &no_terms()).unwrap();
        let code = ["scatter", "unsteady"].map(|c| codes(&found).contains(&c));
        (found, code)
    };
    // the scatter's uncertainty is 0.147 of its scale, see `scatter_widens_the_band`, and that
    // of one of the ten stretches 0.465
    let (found, code) = of(0.6e-6, COHERENCE);
    assert!(found.standard_uncertainty_s * 10f64.sqrt() < 0.3e-6 && found.dispersion > 25.0);
    assert_eq!(code, [true, false]);
    for (scale, level) in [
        (0.7e-6, crate::uncertainty::Level::Caution),
        (1.4e-6, crate::uncertainty::Level::Serious),
    ] {
        let (found, code) = of(scale, COHERENCE);
        assert!(found.standard_uncertainty_s * 10f64.sqrt() > 0.3e-6 && found.dispersion > 25.0);
        assert_eq!(code, [false, true]);
        let caveat = found.caveats.iter().find(|c| c.code == "unsteady");
        assert_eq!(caveat.unwrap().level, level, "{scale}");
    }
    // more noise than that
    let (found, code) = of(3e-6, 0.022);
    assert!(found.standard_uncertainty_s > 0.3e-6);
    assert!(
        (2.0..25.0).contains(&found.dispersion),
        "{}",
        found.dispersion
    );
    assert_eq!(code, [true, false]);
}

/// Four clusters of a wide band are a few tones, six are not.
#[test]
fn few_tones_are_told() {
    // no multiples of one another, which would be one periodic tone
    let all = [610.0, 2900.0, 6170.0, 12_310.0, 1490.0, 9410.0];
    let few = |tones: usize| {
        let spectrum = made(10, 40, |_, f| {
            let line = all[..tones].iter().any(|t| (f - t).abs() < 1.5 * STEP);
            let (coherence, level) = if line { (0.9, 1.0) } else { (0.0, 1e-3) };
            bin(coherence, TAU * f * 5e-6, level)
        });
        codes(&estimate(&spectrum, &no_terms()).unwrap()).contains(&"few-tones")
    };
    assert!(few(4));
    assert!(!few(6));
}

/// A phase bent above 8 kHz: the narrower band disagrees, and so does the
/// correlation.
#[test]
fn a_bent_phase_shows() {
    let bent = |amount: f64| {
        let spectrum = made(10, 4000, |_, f| {
            let bend = amount * (f / 15_000.0).powi(4);
            bin(COHERENCE, TAU * f * 5e-6 + bend, 1.0)
        });
        estimate(&spectrum, &no_terms()).unwrap()
    };
    let straight = bent(0.0);
    assert!(codes(&straight).is_empty());
    let found = bent(0.01);
    let shift = found.band_shift.unwrap();
    // least squares of the bend by w, both weighted alike: over a band to F the
    // slope is amount / (2 pi 15 kHz) (F / 15 kHz)^3 times 3 / 6
    let slope = |to: f64| 0.01 / (TAU * 15_000.0) * (to / 15_000.0).powi(3) * 0.5;
    assert_relative_eq!(found.delay_s - 5e-6, slope(15_000.0), max_relative = 0.02);
    assert_relative_eq!(
        shift.shift_s,
        slope(8_000.0) - slope(15_000.0),
        max_relative = 0.03
    );
    // the shift is 0.5 (1 - (8 / 15)^3) of amount / (2 pi 15 kHz): 0.95 and 1.13 us
    use crate::uncertainty::Level;
    for (amount, level) in [
        (0.01, Level::Caution),
        (0.21, Level::Caution),
        (0.25, Level::Serious),
    ] {
        let found = bent(amount);
        let caveat = found.caveats.iter().find(|c| c.code == "band-shift");
        assert_eq!(caveat.map(|c| c.level), Some(level), "{amount}");
    }
}

/// Half a period of a tone does not fit into its plausible range: nearest zero.
#[test]
fn a_tone_is_narrow() {
    let delay = 8e-6;
    let tone = made(20, 400, |_, f| {
        let at = (f / STEP).round() as usize;
        let coherence = if (267..=269).contains(&at) {
            0.999
        } else {
            1e-4
        };
        let level = if coherence > 0.5 { 1e4 } else { 1.0 };
        bin(coherence, TAU * 268.0 * STEP * delay, level)
    });
    let found = estimate(&tone, &no_terms()).unwrap();
    assert!(codes(&found).contains(&"narrow-band"));
    assert_relative_eq!(found.delay_s, delay, max_relative = 1e-3);
}

/// Of equally high peaks the nearest to zero counts, an inverted one only where
/// it is nearer by more than 60 us.
#[test]
fn an_upright_peak_is_preferred() {
    // a tone of 3141 Hz, so peaks 159 us apart, every other inverted
    let hertz = 268.0 * STEP;
    let tone = |delay: f64| {
        let spectrum = made(20, 400, |_, f| {
            let line = (f - hertz).abs() < 1.5 * STEP;
            let (coherence, level) = if line { (0.999, 1e4) } else { (1e-4, 1.0) };
            bin(coherence, TAU * hertz * delay, level)
        });
        estimate(&spectrum, &no_terms()).unwrap()
    };
    // upright at 100 us, inverted at -59 us
    let found = tone(100e-6);
    assert_relative_eq!(found.delay_s, 100e-6, max_relative = 1e-3);
    assert!(!found.inverted);
    // upright at 120 us, inverted at -39 us
    let found = tone(120e-6);
    assert_relative_eq!(found.delay_s, 120e-6 - 0.5 / hertz, max_relative = 1e-3);
    assert!(found.inverted);
}

/// Harmonics of one tone over the whole band: not narrow, and yet known modulo
/// a period only.
#[test]
fn a_periodic_programme_is_told() {
    let delay = 6e-6;
    let harmonics = made(20, 400, |_, f| {
        let order = (f / (40.0 * STEP)).round();
        let line = order > 0.0 && (f - order * 40.0 * STEP).abs() < 0.5 * STEP;
        let (coherence, level) = if line { (0.999, 1e4) } else { (1e-4, 1.0) };
        bin(coherence, TAU * order * 40.0 * STEP * delay, level)
    });
    let found = estimate(&harmonics, &no_terms()).unwrap();
    assert!(
        codes(&found).contains(&"narrow-band"),
        "{:?}",
        found.caveats
    );
    assert_relative_eq!(found.delay_s, delay, max_relative = 1e-3);
}

/// A bend where the fit's weights fall and the correlation's do not: the two
/// differ by what the definition says.
#[test]
fn correlation_and_slope_are_compared() {
    // averages; coherence and bend of the treble, whose points hold some 14 per
    // square radian in the second case, and weigh less for it
    for (frames, coherence, bend) in [(4000, 0.5, 0.02), (40, 0.0085, 0.3)] {
        let of = |bend: f64| {
            made(10, frames, |_, f| {
                let (coherence, bent) = match f < 8_000.0 {
                    true => (0.999, 0.0),
                    false => (coherence, bend),
                };
                bin(coherence, TAU * f * 2.0 / (4.0 * RATE) + bent, 1.0)
            })
        };
        let spectrum = of(bend);
        let found = estimate(&spectrum, &no_terms()).unwrap();
        let said = found
            .caveats
            .iter()
            .find(|c| c.code == "estimators-disagree");
        let said = &said.expect("a disagreement").message;
        // the step left by the fit, by its weights
        let band = BandBins::new(&spectrum, no_terms().band_hz).unwrap();
        let base = 2.0 / (4.0 * RATE);
        let clusters = Clusters::new(&band, &[], base, false);
        let slope = found.delay_s - base;
        let (mut sum, mut squares, mut noise) = (0.0, 0.0, 0.0);
        for point in clusters.points.iter().filter(|p| p.information >= 12.0) {
            let weight = point.information / (1.0 + point.information);
            sum += weight * point.w * (point.phase - point.w * slope).sin();
            squares += (weight * point.w * point.w).abs();
            noise += (weight * point.w).powi(2) / point.information;
        }
        let fitted = found.standard_uncertainty_s / found.dispersion.max(found.misfit).sqrt();
        let scatter = found.reduced_chi_square.max(1.0);
        let u = ((noise * scatter).sqrt() / squares).hypot(fitted);
        let figures = format!(
            "{:.1} ns, more than noise explains ({:.1} ns)",
            1e9 * sum / squares,
            1e9 * u
        );
        assert!(said.contains(&figures), "{said} | {figures}");
        let straight = estimate(&of(0.0), &no_terms()).unwrap();
        assert!(!codes(&straight).contains(&"estimators-disagree"));
    }
}

/// Two peaks of one height, of noise and not of a tone.
#[test]
fn equal_peaks_of_noise_are_refused() {
    // coherence of every bin below what chance makes a line
    let echoes = made(40, 100, |_, f| {
        let opposed = (TAU * f * 100e-6).cos() < 0.0;
        bin(0.006, if opposed { PI } else { 0.0 }, 1.0)
    });
    let refused = estimate(&echoes, &no_terms());
    assert!(
        matches!(refused, Err(Refusal::Ambiguous { rival }) if rival > 0.95),
        "{refused:?}"
    );
}

/// The curve drawn through the phases has delay and equaliser parts in it.
#[test]
fn the_curve_holds_all_terms() {
    let parts = [0.004, -0.006, 0.005];
    let settings = EstimateSettings::default();
    let phase_at = |w: f64| {
        let shapes = crate::spectrum::EQUALISER.iter().zip(parts);
        let turned: f64 = shapes
            .map(|((seconds, sign), d)| d * sign * w * seconds / (1.0 + (w * seconds).powi(2)))
            .sum();
        w * 4e-6 + turned
    };
    // so many averages that the priors have no say
    let spectrum = made(10, 400_000, |_, f| bin(COHERENCE, phase_at(TAU * f), 1.0));
    let found = estimate(&spectrum, &settings).unwrap();
    assert_eq!(found.term_values.len(), 3);
    for (value, part) in found.term_values.iter().zip(parts) {
        assert_relative_eq!(*value, part, max_relative = 0.02);
    }
    for point in &found.curve {
        let expected = phase_at(TAU * point.hertz);
        assert!((point.fitted_rad - expected).abs() < 2e-6, "{point:?}");
        assert!((point.phase_rad - expected).abs() < 2e-6, "{point:?}");
    }
}

/// The jackknife against its definition on delays that are injected: two points
/// of equal information, each group with a delay of its own and a trend.
#[test]
fn the_jackknife_sees_scatter_and_not_a_trend() {
    let w = TAU * 1000.0;
    let wobble = [0.3, -0.5, 0.1, 0.6, -0.2, -0.4, 0.5, -0.4];
    let of = |trend: f64, scatter: f64, off: f64, base: f64| {
        let groups: Vec<TimeGroup> = wobble
            .iter()
            .enumerate()
            .map(|(g, z)| {
                let x = (g as f64 + 0.5) / 8.0;
                let delay = base + trend * (x - 0.5) + scatter * z;
                TimeGroup {
                    position: x,
                    time: 0.125,
                    bins: vec![bin(COHERENCE, w * delay, 1.0)],
                }
            })
            .collect();
        let points = [Point {
            w,
            phase: w * base,
            information: 1e6,
        }];
        let design = ndarray::array![[w]];
        let mut fit = phase::fit(&points, &design, &[], &[base], 1.0).unwrap();
        fit.values[0] += off;
        jackknife(&groups, &points, &design, &fit)
    };
    // whatever the phase of the whole
    for base in [0.0, 1e-4] {
        let (still, shares) = of(1e-7, 0.0, 0.0, base);
        let still = still.unwrap();
        assert!(still.variance < 1e-24, "{}", still.variance);
        // groups of equal share: eight, two lost to the line
        assert_relative_eq!(still.degrees_of_freedom, 6.0, epsilon = 1e-6);
        for (g, share) in shares.iter().enumerate() {
            assert_relative_eq!(share.weight, 0.125, max_relative = 1e-6);
            let delay = base + 1e-7 * ((g as f64 + 0.5) / 8.0 - 0.5);
            assert!((share.delay_s - delay).abs() < 1e-13);
            let own = 1e6 * w * w / 8.0;
            assert_relative_eq!(
                share.standard_uncertainty_s,
                own.sqrt().recip(),
                max_relative = 1e-6
            );
        }
    }
    let scatter = 1e-8;
    let found = of(0.0, scatter, 0.0, 0.0).0.unwrap();
    // by hand: residuals of the wobble about its line, m = 1/8 each:
    // n / (n - 1) sum m^2 r^2 / (1 - m)
    let x: Vec<f64> = (0..8).map(|g| (f64::from(g) + 0.5) / 8.0 - 0.5).collect();
    let mean = wobble.iter().sum::<f64>() / 8.0;
    let slope = x.iter().zip(wobble).map(|(x, z)| x * z).sum::<f64>()
        / x.iter().map(|x| x * x).sum::<f64>();
    let squares: f64 = x
        .iter()
        .zip(wobble)
        .map(|(x, z)| (z - mean - slope * x).powi(2))
        .sum();
    let expected = scatter * scatter * 8.0 / 7.0 * squares / 64.0 / (7.0 / 8.0);
    assert_relative_eq!(found.variance, expected, max_relative = 1e-4);
    // scatter about the line does not depend on where the fit stands
    let off = of(0.0, scatter, 1e-8, 0.0).0.unwrap();
    assert_relative_eq!(off.variance, expected, max_relative = 1e-3);
    let fewer = of(0.0, 0.0, 0.0, 0.0).1;
    assert_eq!(fewer.len(), 8);
}

/// An error of its own widens the estimate and what it knows alike.
#[test]
fn an_error_of_its_own_adds_to_the_delay() {
    let found = estimate(&delayed(5e-6), &no_terms()).unwrap();
    let u = found.standard_uncertainty_s;
    let loose = found.clone().with_delay_error(3.0 * u);
    assert_eq!(loose.delay_s, found.delay_s);
    assert_relative_eq!(
        loose.standard_uncertainty_s,
        10f64.sqrt() * u,
        max_relative = 1e-12
    );
    let known = loose.information.matrix[[0, 0]].sqrt().recip();
    assert_relative_eq!(known, loose.standard_uncertainty_s, max_relative = 1e-9);
}

/// Scatter beyond the noise widens the band by Student's factor.
#[test]
fn scatter_widens_the_band() {
    let wobble = [0.3, -0.5, 0.1, 0.6, -0.2, -0.4, 0.5, -0.4, 0.2, -0.2];
    let scattered = made(10, 40, |g, f| {
        let delay = 5e-6 + 2e-8 * wobble[g as usize];
        bin(COHERENCE, TAU * f * delay, 1.0)
    });
    let found = estimate(&scattered, &no_terms()).unwrap();
    let still = estimate(&delayed(5e-6), &no_terms()).unwrap();
    assert!(codes(&found).contains(&"scatter"), "{:?}", found.caveats);
    let ratio = found.standard_uncertainty_s / still.standard_uncertainty_s;
    assert_relative_eq!(ratio, found.dispersion.sqrt(), max_relative = 1e-2);
    // eight degrees of freedom: 8 / 6 of the variance of the mean, which is
    // n / (n - 1) sum m^2 r^2 / (1 - m) about the line
    let x: Vec<f64> = (0..10).map(|g| f64::from(g) - 4.5).collect();
    let mean = wobble.iter().sum::<f64>() / 10.0;
    let slope = x.iter().zip(wobble).map(|(x, z)| x * z).sum::<f64>()
        / x.iter().map(|x| x * x).sum::<f64>();
    let squares: f64 = x
        .iter()
        .zip(wobble)
        .map(|(x, z)| (2e-8 * (z - mean - slope * x)).powi(2))
        .sum();
    let variance = 8.0 / 6.0 * 10.0 / 9.0 * squares / 100.0 / 0.9;
    assert_relative_eq!(
        found.standard_uncertainty_s,
        variance.sqrt(),
        max_relative = 0.02
    );
    for (part, z) in found.along.iter().zip(wobble) {
        assert!((part.delay_s - 5e-6 - 2e-8 * z).abs() < 1e-10);
        assert_relative_eq!(
            part.standard_uncertainty_s,
            still.standard_uncertainty_s * (10.0 * found.dispersion).sqrt(),
            max_relative = 1e-2
        );
    }
}

/// Phases off the model by three sigmas, up and down in turn: as much wider is
/// the band; by one sigma, it stays.
#[test]
fn misfit_widens_the_band() {
    let of = |sigmas: f64| {
        let mut points: Vec<Point> = (1..=100)
            .map(|k| Point {
                w: TAU * 150.0 * f64::from(k),
                phase: sigmas * if k % 2 == 0 { 1e-3 } else { -1e-3 },
                information: 1e6,
            })
            .collect();
        // what chance may have made has no information, and is not counted
        points[99].information = 0.0;
        let design = ndarray::Array2::from_shape_fn((100, 1), |(k, _)| points[k].w);
        phase::fit(&points, &design, &[], &[0.0], 1.0).unwrap()
    };
    let off = of(3.0);
    assert_eq!(off.points, 99);
    assert_relative_eq!(off.misfit(), 9.0, max_relative = 0.01);
    assert_eq!(of(1.0).misfit(), 1.0);
    // scipy 1.17.1: chi2.isf(1e-3, 99) / 99 = 1.49
    assert_eq!(of(1.21).misfit(), 1.0);
    assert!(of(1.23).misfit() > 1.5);
}

/// What all stretches of time share is seen along frequency alone.
#[test]
fn a_misfit_shows_in_the_estimate() {
    let rippled = |amount: f64| {
        let spectrum = made(10, 40, |_, f| {
            let ripple = amount * (f / 140.0).sin();
            bin(COHERENCE, TAU * f * 5e-6 + ripple, 1.0)
        });
        estimate(&spectrum, &no_terms()).unwrap()
    };
    let (still, found) = (rippled(0.0), rippled(0.01));
    assert_eq!((still.misfit, found.dispersion), (1.0, 1.0));
    assert!(codes(&found).contains(&"misfit"), "{:?}", found.caveats);
    assert!(!codes(&still).contains(&"misfit"));
    let ratio = found.standard_uncertainty_s / still.standard_uncertainty_s;
    assert_relative_eq!(ratio, found.misfit.sqrt(), max_relative = 1e-2);
}

/// Few points far off the model lose weight, and do not move the delay.
#[test]
fn outlying_points_lose_their_weight() {
    let truth = 3e-6;
    let mut points: Vec<Point> = (1..=60)
        .map(|k| {
            let w = TAU * 200.0 * f64::from(k);
            Point {
                w,
                phase: w * truth,
                information: 1e6,
            }
        })
        .collect();
    let design = ndarray::Array2::from_shape_fn((60, 1), |(k, _)| points[k].w);
    points[30].phase += 0.05;
    // opposed: more than a quarter turn off
    points[40].phase += 2.0;
    let fit = phase::fit(&points, &design, &[], &[0.0], 1.0).unwrap();
    // all others fit exactly, so the scale is the noise's: 4 of 50 sigmas kept
    assert_relative_eq!(fit.weights[30], 4.0 / 50.0, max_relative = 0.05);
    assert_eq!((fit.weights[40], fit.weights[20]), (0.0, 1.0));
    assert!((fit.values[0] - truth).abs() < 1e-8);
    // 59 sizes, one of them limited to 4
    assert!((fit.reduced_chi_square - 16.0 / 59.0).abs() < 0.05);
    // half the information under twice the dispersion
    let doubled = phase::fit(&points, &design, &[], &[0.0], 2.0).unwrap();
    assert_relative_eq!(
        doubled.covariance[[0, 0]],
        2.0 * fit.covariance[[0, 0]],
        max_relative = 1e-3
    );
    // A term is pulled to its prior where the data say as much.
    let terms = [phase::PhaseTerm {
        term: phase::equaliser_term(75e-6),
        prior_u: 0.01,
        shape: PhaseShape::Delay,
    }];
    let point = |phase| Point {
        w: 1.0,
        phase,
        information: 1e4,
    };
    let design = ndarray::array![[1.0, 0.0], [0.0, 1.0]];
    let two = [point(0.0), point(0.02)];
    let fit = phase::fit(&two, &design, &terms, &[0.0, 0.0], 1.0).unwrap();
    assert_relative_eq!(fit.values[1], 0.01, max_relative = 1e-3);
    assert!(fit.values[0].abs() < 1e-12);
}

/// Shapes against differences of what they are derivatives of.
#[test]
fn shapes_are_derivatives() {
    let load = Load {
        inductance_h: 0.5,
        resistance_ohm: 47e3,
        capacitance_f: 300e-12,
    };
    let response = |l: &Load, w: f64| {
        let one = rustfft::num_complex::Complex64::new(1.0, 0.0);
        let s = rustfft::num_complex::Complex64::new(0.0, w);
        one / (one
            + s * s * l.inductance_h * l.capacitance_f
            + s * l.inductance_h / l.resistance_ohm)
    };
    let w = TAU * 9_000.0;
    for part in [
        LoadPart::Inductance,
        LoadPart::Resistance,
        LoadPart::Capacitance,
    ] {
        let scaled = |by: f64| {
            let mut load = load;
            match part {
                LoadPart::Inductance => load.inductance_h *= by,
                LoadPart::Resistance => load.resistance_ohm *= by,
                LoadPart::Capacitance => load.capacitance_f *= by,
            }
            response(&load, w).ln()
        };
        let h = 1e-5_f64;
        let slope = (scaled(h.exp()) - scaled((-h).exp())) / (2.0 * h);
        let (gain, phase) = load.log_derivative(part, w);
        assert_relative_eq!(gain, slope.re, max_relative = 1e-6);
        assert_relative_eq!(phase, slope.im, max_relative = 1e-6);
        let shape = PhaseShape::Load { load, part };
        assert_relative_eq!(shape.at(w), -slope.im, max_relative = 1e-6);
    }
    // two parts in each of two channels
    assert_relative_eq!(phase::equaliser_u(0.01), 0.02);
    assert_eq!(PhaseShape::Delay.at(w), w);
    let curve = PhaseShape::Curve {
        hertz: vec![100.0, 1000.0, 10_000.0],
        radians: vec![1.0, 3.0, -1.0],
    };
    let at = |hertz: f64| curve.at(TAU * hertz);
    assert_relative_eq!(at(10f64.powf(2.5)), 2.0, max_relative = 1e-9);
    assert_relative_eq!(at(10f64.powf(3.25)), 2.0, max_relative = 1e-9);
    assert_eq!((at(50.0), at(20_000.0)), (1.0, -1.0));
    assert_relative_eq!(at(1000.0), 3.0, max_relative = 1e-9);
}

#[test]
fn a_given_delay_is_information() {
    let given = Information::of_delay(2e-6, 5e-9);
    assert_relative_eq!(given.matrix[[0, 0]], 4e16, max_relative = 1e-12);
    assert_relative_eq!(given.vector[0], 8e10, max_relative = 1e-12);
    assert_eq!(given.expansion, [2e-6]);
}

/// Crosstalk worked out in full, `(1 + a e^-ip)(b + e^ip)`, at a delay of 9 us: with the
/// bend as a term the delay is that of small phases, `t (1 - a b) / ((1 + a)(1 + b))` by the
/// slope at p = 0, and the bend is a + b to first order. Without it the delay is wrong by
/// tens of nanoseconds. (By hand; d/dp of the argument at p = 0.)
#[test]
fn crosstalk_bends_a_large_delay() {
    use crate::adjust::Cholesky;
    let (t, a, b) = (9e-6, 0.03, 0.05);
    let crossed = |delay: f64| {
        made(10, 40, move |_, f| {
            let p = TAU * f * delay;
            // (1 + a e^-ip)(b + e^ip) = a + b + e^ip + a b e^-ip
            let re = a + b + p.cos() + a * b * p.cos();
            let im = p.sin() - a * b * p.sin();
            bin(COHERENCE, im.atan2(re), 1.0)
        })
    };
    for sign in [1.0, -1.0] {
        let e = estimate(&crossed(sign * t), &no_terms()).unwrap();
        let known = &e.with_crosstalk_phase;
        assert_eq!(known.terms[1..], [crosstalk_phase_term()]);
        // scaled to a unit diagonal: seconds stand beside plain numbers
        let size = known.matrix.diag().mapv(f64::sqrt);
        let scaled = ndarray::Array2::from_shape_fn((2, 2), |(i, j)| {
            known.matrix[[i, j]] / (size[i] * size[j])
        });
        let solved = Cholesky::new(&scaled)
            .unwrap()
            .solve(&(&known.vector / &size))
            / &size;
        let small = sign * t * (1.0 - a * b) / ((1.0 + a) * (1.0 + b));
        assert!((solved[0] - small).abs() < 6e-9, "{} {small}", solved[0]);
        assert!((e.delay_s - small).abs() > 30e-9, "{} {small}", e.delay_s);
        assert!((solved[1] / (a + b) - 1.0).abs() < 0.25, "{}", solved[1]);
        // a bend that is known to be none leaves what there was
        assert_eq!(
            known.clone().without(&crosstalk_phase_term()),
            e.information
        );
    }
    // at a small delay there is nothing to bend
    let e = estimate(&crossed(0.2e-6), &no_terms()).unwrap();
    assert_eq!(e.with_crosstalk_phase, e.information);
}

/// Noise that is too quiet for a groove is spoken of where there is hardly a delay (that of
/// one signal on both inputs), and not where a stylus must have made one.
#[test]
fn noise_too_quiet_for_a_groove_is_told() {
    let of = |noise: f64, delay: f64| {
        let spectrum = made(10, 40, move |_, f| {
            bin(1.0 - 2.0 * noise, TAU * f * delay, 1.0)
        });
        let found = estimate(&spectrum, &no_terms()).unwrap();
        codes(&found).contains(&"quiet-noise")
    };
    assert!(of(3e-6, 0.2e-6));
    assert!(!of(3e-6, 2e-6));
    assert!(!of(3e-5, 0.2e-6));
}

/// Parts of the band that move the walls in opposition: below a frequency, where rumble
/// lies: nothing is said of little, a caution of a tenth.
#[test]
fn parts_of_the_band_in_opposition_are_told() {
    use crate::uncertainty::Level;
    let of = |below_hz: f64| {
        let spectrum = made(10, 40, move |_, f| {
            let turned = if f < below_hz { PI } else { 0.0 };
            bin(COHERENCE, TAU * f * 3e-6 + turned, 1.0)
        });
        let found = estimate(&spectrum, &no_terms()).unwrap();
        let caveat = found.caveats.iter().find(|c| c.code == "opposed-walls");
        caveat.map(|c| c.level)
    };
    assert_eq!(of(400.0), None);
    assert_eq!(of(1_500.0), Some(Level::Caution));
}

/// The phase fit fails in three ways, and says which.
#[test]
fn a_failed_fit_says_how() {
    use phase::FitError;
    let fit = |of: &[(f64, f64, f64)], terms: &[phase::PhaseTerm], start: &[f64]| {
        let point = |&(w, phase, information): &(f64, f64, f64)| Point {
            w,
            phase,
            information,
        };
        let points: Vec<Point> = of.iter().map(point).collect();
        // every term turns the phase as a delay does
        let columns = terms.len() + 1;
        let design = ndarray::Array2::from_shape_fn((points.len(), columns), |(k, _)| points[k].w);
        phase::fit(&points, &design, terms, start, 1.0).map(|fit| fit.values[0])
    };
    let failed = |result: Result<f64, FitError>| result.unwrap_err();
    // nothing coherent
    assert_eq!(
        failed(fit(&[(1.0, 0.1, 0.0)], &[], &[0.0])),
        FitError::NoInformation
    );
    // a term alike to the delay: told from it by a prior alone
    let alike = |prior_u: f64| phase::PhaseTerm {
        term: phase::equaliser_term(75e-6),
        prior_u,
        shape: PhaseShape::Delay,
    };
    let points = [(1.0, 0.1, 1e6), (1.3, 0.13, 1e6), (0.7, 0.07, 2e6)];
    assert_eq!(
        failed(fit(&points, &[alike(f64::INFINITY)], &[0.0, 0.0])),
        FitError::Singular
    );
    let held = fit(&points, &[alike(0.1)], &[0.0, 0.0]).unwrap();
    assert_relative_eq!(held, 0.1, max_relative = 1e-6);
    // Two points a quarter turn off, one on either side: of what a step leaves all but
    // the cosine of their residual is left after the next, 1 - 1e-4.
    let off = |short: f64| {
        let a = PI / 2.0 - short;
        fit(&[(1.0, a, 1e8), (1.0, -a, 1e8)], &[], &[1e-5])
    };
    assert_eq!(failed(off(1e-4)), FitError::NotConverged);
    // a cosine of a half: 1e-5 is 7e-11, a millionth of u, after 17 steps
    assert!(off(PI / 3.0).unwrap().abs() < 1e-9);
}

/// A refusal of the fit says what it was and what to do.
#[test]
fn a_failed_fit_is_refused_by_its_reason() {
    use phase::FitError;
    // coherent in few averages: less than chance makes in a cluster, but all phases agree
    let faint = made(6, 3, |_, f| bin(0.061, TAU * f * 5e-6, 1.0));
    assert_eq!(
        estimate(&faint, &no_terms()),
        Err(Refusal::NoInformation {
            low_hz: 100.0,
            high_hz: 15_000.0
        })
    );
    let settings = EstimateSettings {
        terms: vec![phase::PhaseTerm {
            prior_u: f64::INFINITY,
            shape: PhaseShape::Delay,
            ..phase::equaliser_terms(0.01)[0].clone()
        }],
        ..EstimateSettings::default()
    };
    let alike = estimate(&delayed(5e-6), &settings).unwrap_err();
    assert_eq!(
        alike,
        Refusal::Singular {
            terms: "equaliser 3180 us".into()
        }
    );
    let restless = Refusal::of_fit(FitError::NotConverged, &settings);
    assert_eq!(restless, Refusal::NotConverged { steps: 100 });
    for (refusal, advice) in [
        (
            estimate(&faint, &no_terms()).unwrap_err(),
            "longer or louder",
        ),
        (alike, "a wider band"),
        (restless, "--from and --to"),
    ] {
        let words = refusal.to_string();
        assert!(words.contains(advice), "{words}");
    }
}

/// Lines as the window shows them: each of a power over the noise of a bin and at a
/// frequency, with the phase of that frequency wherever the window spreads it.
fn lines_in_noise(lines: &[(f64, f64)], delay: f64) -> CrossSpectrum {
    const STEPS: usize = 512;
    let shape = window::window(STEPS);
    let sum: f64 = shape.iter().sum();
    // the window is symmetrical about its middle; further off than it is sampled for, a line
    // is below the noise
    let spread = |bins: f64| {
        let bins = bins.clamp(-200.0, 200.0);
        let middle = 0.5 * (STEPS as f64 - 1.0);
        let angle = |n: usize| TAU * bins * (n as f64 - middle) / STEPS as f64;
        let of: f64 = (0..STEPS).map(|n| shape[n] * angle(n).cos()).sum();
        (of / sum).powi(2)
    };
    let bins: Vec<Bin> = (0..LENGTH / 2)
        .map(|k| {
            let noise = Bin {
                left: 1.0,
                right: 1.0,
                ..Bin::default()
            };
            lines.iter().fold(noise, |mut all, &(hertz, power)| {
                let power = power * spread(k as f64 - hertz / STEP);
                all.add(&bin(1.0, TAU * hertz * delay, power));
                all
            })
        })
        .collect();
    made(10, 40, |_, f| bins[(f / STEP).round() as usize])
}

/// The skirts of a line have its phase, not that of the frequencies they lie at. One line
/// 80 dB above noise, 112 dB above that of a bin, tells the delay, for which no prior is, and
/// none of the equaliser's terms, which have one.
#[test]
fn skirts_of_a_line_say_nothing_of_their_own() {
    let delay = 2.6e-6;
    for tones in [
        &[(300.0, 1.6e11)][..],
        &[(1000.0, 1.6e11)],
        &[(3150.0, 1.6e11)],
        &[(300.0, 1.6e11), (1000.0, 1.6e11), (3150.0, 1.6e11)],
    ] {
        let found = estimate(&lines_in_noise(tones, delay), &EstimateSettings::default()).unwrap();
        // the first end may cut off what lies 4 bins (35 dB) from a line: 4 bins times
        // 3e-4 of its power move the frequency, of 25 bins at least, by 5e-5 of it
        let error = found.delay_s - delay;
        assert!(error.abs() < 5e-5 * delay, "{tones:?}: {error:e}");
    }
}

/// A cluster counts where what it shares is well over twice what a line outside spreads there.
#[test]
fn a_cluster_counts_where_most_is_its_own() {
    // near the end of the band, so that what is far below it is not cut off
    let at = 1270;
    let spread = window::spread();
    let counted = |times: f64| {
        let spectrum = made(10, 40, |_, f| {
            let k = (f / STEP).round() as usize;
            match k.abs_diff(at) {
                0 => bin(1.0, 0.0, 1.0),
                d if d < 20 => bin(0.0, 0.0, 1e-12),
                d => bin(1.0, 0.0, times * (spread[d] - spread[d - 1])),
            }
        });
        let band = BandBins::new(&spectrum, (100.0, 15_000.0)).unwrap();
        let points = Clusters::new(&band, &[], 0.0, false).points;
        // where the line of negative frequency is further off by far
        let among = |p: &&Point| (700.0..1200.0).contains(&(p.w / TAU / STEP));
        let (all, counted): (Vec<&Point>, Vec<&Point>) = points
            .iter()
            .filter(among)
            .partition(|p| p.information == 0.0);
        (all.len(), counted.len())
    };
    let (left_out, counted_in) = counted(1.8);
    assert!(left_out > 30 && counted_in == 0, "{left_out} {counted_in}");
    let (left_out, counted_in) = counted(3.0);
    assert!(left_out == 0 && counted_in > 30, "{left_out} {counted_in}");
}

/// What is opposed counts by number and by information: a line of hum, however strong, or a
/// weak treble, however wide, is not the band.
#[test]
fn opposition_counts_by_number_and_information() {
    let share = |opposed: usize, strong: f64| {
        let points: Vec<Point> = (0..100)
            .map(|k| Point {
                w: 1.0 + 1e-3 * k as f64,
                phase: if k < opposed { 3.0 } else { 0.0 },
                information: if k < opposed { strong } else { 1e4 },
            })
            .collect();
        let design = ndarray::Array2::from_shape_fn((100, 1), |(k, _)| points[k].w);
        phase::fit(&points, &design, &[], &[0.0], 1.0)
            .unwrap()
            .opposed
    };
    assert_relative_eq!(share(1, 1e9), 0.01);
    assert_relative_eq!(share(40, 1e2), 4e3 / 6.04e5, max_relative = 1e-9);
    assert_relative_eq!(share(20, 1e4), 0.2, max_relative = 1e-9);
}

/// A recording of a delay through channels of which the left one answers `ratio` times the right.
fn through(delay: f64, ratio: impl Fn(f64) -> Complex64) -> CrossSpectrum {
    made(10, 40, |_, f| {
        let z = if f > 0.0 { ratio(f) } else { 1.0.into() };
        let even = bin(COHERENCE, TAU * f * delay + z.arg(), 1.0);
        Bin {
            left: even.left * z.norm_sqr(),
            right: even.right,
            re: even.re * z.norm(),
            im: even.im * z.norm(),
        }
    })
}

fn resonance(f: f64, at: f64, q: f64) -> Complex64 {
    Complex64::new(1.0 - (f / at).powi(2), f / at / q).inv()
}

fn coil(f: f64, [l, r, c]: [f64; 3]) -> Complex64 {
    let w = TAU * f;
    Complex64::new(1.0 - w * w * l * c, w * l / r).inv()
}

/// What usual cartridges do, each by its own exact response, none with the values that the
/// table of causes has: the delay stays within its band, and nearer than without the causes,
/// where the same recording is off by more than 20 u.
#[test]
fn what_a_cartridge_does_is_within_the_band() {
    let delay = 3e-6;
    let nominal = [0.45, 47e3, 220e-12];
    let crosstalk = |f: f64, size: f64, at: f64| resonance(f, at, 1.7) * size;
    type Response = Box<dyn Fn(f64) -> Complex64>;
    let coupling = |f: f64, size: f64, corner: f64| size / Complex64::new(1.0, -corner / f);
    let cases: [(&str, Response); 5] = [
        (
            "coil",
            Box::new(move |f| coil(f, [0.459, 47e3, 220e-12]) / coil(f, nominal)),
        ),
        (
            "load",
            Box::new(move |f| coil(f, [0.45, 47e3, 232e-12]) / coil(f, nominal)),
        ),
        (
            "tip",
            Box::new(|f| resonance(f, 18.4e3, 1.9) / resonance(f, 18e3, 1.9)),
        ),
        (
            "crosstalk",
            Box::new(move |f| {
                let turn = Complex64::from_polar(1.0, -TAU * f * delay);
                (crosstalk(f, 0.02, 9.4e3) * turn + 1.0)
                    / (crosstalk(f, -0.02, 12.3e3) * turn.conj() + 1.0)
            }),
        ),
        // of first order, -23 dB at 10 kHz and into one channel more than into the other
        (
            "coupling",
            Box::new(move |f| {
                let turn = Complex64::from_polar(1.0, -TAU * f * delay);
                (coupling(f, 0.1, 10e3) * turn + 1.0)
                    / (coupling(f, -0.03, 7e3) * turn.conj() + 1.0)
            }),
        ),
    ];
    for (name, ratio) in cases {
        let spectrum = through(delay, ratio);
        let error = |settings: &EstimateSettings| {
            let found = estimate(&spectrum, settings).unwrap();
            let error = found.delay_s - delay;
            (
                error.abs(),
                found.standard_uncertainty_s,
                codes(&found).contains(&"unusual-response"),
            )
        };
        let (plain, plain_u, _) = error(&EstimateSettings::default());
        let (joint, u, unusual) = error(&EstimateSettings::of_groove());
        println!("{name}: {plain:.2e} +- {plain_u:.1e}, {joint:.2e} +- {u:.1e}");
        assert!(plain > 20.0 * plain_u, "{name}: {plain} {plain_u}");
        assert!(
            joint < 2.0 * u && u < 1e-6 && !unusual,
            "{name}: {joint} {u} {unusual}"
        );
        assert!(joint < plain, "{name}: {joint} {plain}");
    }
}

/// Where nothing is unlike, the delay keeps its value, and the band what phase and gain cannot
/// show. What is handed over gives the same uncertainty under the priors of its terms.
#[test]
fn an_even_cartridge_leaves_what_cannot_be_seen() {
    let settings = EstimateSettings::of_groove();
    for delay in [3e-6, -3e-6] {
        let found = estimate(&delayed(delay), &settings).unwrap();
        let u = found.standard_uncertainty_s;
        assert!(
            (found.delay_s - delay).abs() < 0.25 * u,
            "{}",
            found.delay_s
        );
        assert!((0.1e-6..0.4e-6).contains(&u), "{u}");
        let known = &found.information;
        let owners: Vec<&Owner> = known.terms.iter().map(|t| &t.owner).skip(4).collect();
        assert_eq!(owners, [&Owner::Cartridge, &Owner::Capture]);
        assert!(known.terms.iter().skip(4).all(is_response));
        let mut matrix = known.matrix.clone();
        for (k, term) in settings.terms.iter().enumerate() {
            matrix[[k + 1, k + 1]] += term.prior_u.powi(-2);
        }
        matrix[[4, 4]] += 1.0;
        matrix[[5, 5]] += 1.0;
        // in units of their own, so that the inverse is exact to rounding
        let scale: Vec<f64> = matrix.diag().iter().map(|d| d.sqrt()).collect();
        let scaled = ndarray::Array2::from_shape_fn(matrix.dim(), |(i, j)| {
            matrix[[i, j]] / (scale[i] * scale[j])
        });
        let factor = crate::adjust::Cholesky::new(&scaled).unwrap();
        let vector = known
            .vector
            .iter()
            .zip(&scale)
            .map(|(v, s)| v / s)
            .collect();
        let solved = factor.solve(&vector)[0] / scale[0];
        let variance = factor.inverse()[[0, 0]] / (scale[0] * scale[0]);
        approx::assert_relative_eq!(variance.sqrt(), u, max_relative = 1e-5);
        assert!(
            (solved - found.delay_s).abs() < 1e-3 * u,
            "{solved} {}",
            found.delay_s
        );
    }
}

/// A phase that turns to and fro in three octaves, without a gain, has no cause of the table.
#[test]
fn a_response_without_a_cause_is_told() {
    let bent = |size: f64| {
        let ratio = move |f: f64| Complex64::from_polar(1.0, size * (0.3 * TAU * f.log2()).sin());
        estimate(&through(3e-6, ratio), &EstimateSettings::of_groove()).unwrap()
    };
    assert!(codes(&bent(0.03)).contains(&"unusual-response"));
    assert!(!codes(&bent(0.001)).contains(&"unusual-response"));
    // without a cartridge there is no such question
    let ideal = estimate(&delayed(3e-6), &EstimateSettings::default()).unwrap();
    assert!(!codes(&ideal).contains(&"unusual-response"));
    assert_eq!(ideal.information.terms.len(), 4);
}
