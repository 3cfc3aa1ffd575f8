//! Cross-spectra and what is inferred from them, against published formulas
//! and values, and the fast path against its oracle. The source stands beside
//! each check; `id` names the entry of the project's list of reference values
//! (references.json) it was taken from.

use groovelag::delay::phase::{PhaseShape, PhaseTerm};
use groovelag::delay::{DelayEstimate, EstimateSettings, Owner, Side, Term, estimate};
use groovelag::spectrum::{
    Bin, CrossSpectrum, Engine, EngineSettings, Group, SignalQuality, reference, window,
};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;
use std::f64::consts::TAU;

fn gaussian(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

fn mean_and_variance(list: &[f64]) -> (f64, f64) {
    let n = list.len() as f64;
    let mean = list.iter().sum::<f64>() / n;
    let variance = list.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
    (mean, variance)
}

/// Standard deviation of a sample variance, from the fourth central moment.
fn sd_of_variance(list: &[f64]) -> f64 {
    let n = list.len() as f64;
    let (mean, variance) = mean_and_variance(list);
    let fourth = list.iter().map(|v| (v - mean).powi(4)).sum::<f64>() / n;
    ((fourth - variance * variance) / n).sqrt()
}

/// Welch's equivalent number of averages at 50 % overlap (P. D. Welch, IEEE
/// T-AU 15, 1967; id `welch`): the values are for a Hann window, rho = 1/6 (id
/// `hann_rho`). Ours has another rho, so what it adds to 1/K is rescaled by
/// the squares of the two.
#[test]
fn welch_equivalent_averages() {
    // Hann's rho by the formula of id `hann_rho`, at a hop of half a frame.
    let x = 0.5;
    let hann =
        ((1.0 - x) * (1.0 + (TAU * x).cos() / 2.0) + 3.0 * (TAU * x).sin() / (2.0 * TAU)) / 1.5;
    assert!((hann - 1.0 / 6.0).abs() < 1e-15);
    let ratio = (hann / window::overlap_correlation()).powi(2);
    for (frames, hann_averages) in [
        (7_u64, 6.681_818_181_818_182),
        (63, 59.734_113_712_374_58),
        (1000, 947.418_285_172_903_8),
    ] {
        let k = frames as f64;
        let added = k / window::independent_averages(frames) - 1.0;
        let as_hann = k / (1.0 + added * ratio);
        assert!((as_hann / hann_averages - 1.0).abs() < 1e-12, "{frames}");
        assert!(window::independent_averages(frames) < k);
    }
    assert_eq!(window::independent_averages(1), 1.0);
}

/// The same by experiment, window and overlap as shipped: the relative
/// variance of an averaged periodogram of white noise is 1 / averages.
#[test]
fn averages_by_experiment() {
    const LENGTH: usize = 64;
    const FRAMES: usize = 7;
    let mut rng = ChaCha8Rng::seed_from_u64(71);
    let mut power = Vec::new();
    for _ in 0..2500 {
        let samples = LENGTH / 2 * (FRAMES + 1);
        let left: Vec<f64> = (0..samples).map(|_| gaussian(&mut rng)).collect();
        let right: Vec<f64> = (0..samples).map(|_| gaussian(&mut rng)).collect();
        let bins = reference::cross_spectrum(&left, &right, LENGTH);
        // every fourth bin: of a power-complementary window the correlation
        // between bins an even number apart is nil
        for bin in bins[4..LENGTH / 2 - 3].iter().step_by(4) {
            power.extend([bin.left, bin.right]);
        }
    }
    let (mean, variance) = mean_and_variance(&power);
    let averages = mean * mean / variance;
    // variance is known to sd_of_variance, the mean far better
    let sd = averages * sd_of_variance(&power) / variance;
    let expected = window::independent_averages(FRAMES as u64);
    println!("averages {averages:.3} +- {sd:.3}, expected {expected:.3}");
    assert!((averages - expected).abs() < 3.0 * sd);
    // and the experiment can tell it from no correlation, and from K / 2
    assert!((averages - FRAMES as f64).abs() > 5.0 * sd);
    assert!((averages - FRAMES as f64 / 2.0).abs() > 5.0 * sd);
}

/// Sums over `n` independent draws of two channels of coherence `c`.
fn draw(n: usize, c: f64, rng: &mut ChaCha8Rng) -> Bin {
    let (shared, own) = (c.sqrt().sqrt(), (1.0 - c.sqrt()).sqrt());
    let mut sum = Bin::default();
    for _ in 0..n {
        let mut z = || (gaussian(rng), gaussian(rng));
        let (s, a, b) = (z(), z(), z());
        let l = (shared * s.0 + own * a.0, shared * s.1 + own * a.1);
        let r = (shared * s.0 + own * b.0, shared * s.1 + own * b.1);
        sum.add(&Bin {
            left: l.0 * l.0 + l.1 * l.1,
            right: r.0 * r.0 + r.1 * r.1,
            re: l.0 * r.0 + l.1 * r.1,
            im: l.1 * r.0 - l.0 * r.1,
        });
    }
    sum
}

/// Mean and variance of an estimated coherence: exact values (Carter, Knapp &
/// Nuttall, IEEE T-AU 21, 1973; ids `msc_C0.0_n32`, `msc_C0.3_n32`,
/// `msc_C0.5_n16`, `msc_C0.9_n32`).
#[test]
fn bias_and_variance_of_coherence() {
    for (i, (c, n, mean, variance)) in [
        (0.0, 32, 0.031_25, 0.000_917_376_893_939_393_6),
        (0.3, 32, 0.315_598_542_487_537, 0.008_799_642_813_282_008),
        (0.5, 16, 0.516_629_952_821_424, 0.014_809_996_916_916_757),
        (
            0.9,
            32,
            0.900_331_058_755_257_3,
            0.000_587_961_297_734_307_4,
        ),
    ]
    .into_iter()
    .enumerate()
    {
        let mut rng = ChaCha8Rng::seed_from_u64(100 + i as u64);
        let list: Vec<f64> = (0..20_000)
            .map(|_| draw(n, c, &mut rng).coherence())
            .collect();
        let (m, v) = mean_and_variance(&list);
        let sd = (v / list.len() as f64).sqrt();
        assert!((m - mean).abs() < 3.0 * sd, "C {c}: mean {m}, {mean}");
        // The bias itself is seen, not only the mean.
        assert!(m - c > 5.0 * sd || c > 0.8, "C {c}: {m}");
        assert!(
            (v - variance).abs() < 3.0 * sd_of_variance(&list),
            "C {c}: {v}, {variance}"
        );
    }
}

/// 95 % threshold of coherence where there is none, 1 - 0.05^(1/(n-1)) (id
/// `msc_thr`): one draw in twenty exceeds it.
#[test]
fn threshold_of_no_coherence() {
    for (n, threshold) in [
        (8, 0.348_163_655_131_160_9),
        (16, 0.181_036_272_522_084_65),
        (32, 0.092_114_059_947_323_69),
        (64, 0.046_438_451_483_938_215),
    ] {
        let mut rng = ChaCha8Rng::seed_from_u64(n as u64);
        const DRAWS: usize = 10_000;
        let above = (0..DRAWS)
            .filter(|_| draw(n, 0.0, &mut rng).coherence() > threshold)
            .count() as f64;
        let sd = (DRAWS as f64 * 0.05 * 0.95).sqrt();
        assert!(
            (above - 0.05 * DRAWS as f64).abs() < 3.0 * sd,
            "{n}: {above}"
        );
    }
}

/// Standard deviation of a cross-spectrum's phase, sqrt((1 - C) / (2 n C))
/// (Bendat & Piersol, Random Data, 2nd ed., p. 317; id `phase_sd`: 0.02357 at
/// C = 0.9, n = 100). It is the first term in 1/n: the next is some 1/n of it.
#[test]
fn phase_scatter() {
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let list: Vec<f64> = (0..20_000)
        .map(|_| draw(100, 0.9, &mut rng).phase())
        .collect();
    let (mean, variance) = mean_and_variance(&list);
    let sd = variance.sqrt();
    let published = 0.023_570_226_039_551_58;
    let tolerance = 3.0 * sd_of_variance(&list) / (2.0 * sd) + published / 100.0;
    assert!((sd - published).abs() < tolerance, "{sd}");
    assert!(mean.abs() < 3.0 * sd / (list.len() as f64).sqrt(), "{mean}");
}

/// A cross-spectral matrix of the coherence `c` in every bin of `band_hz`, with
/// the phase of `delay`, without scatter: 0.1 s frames, so bins 10 Hz apart,
/// `seconds` of them at half a frame of hop.
fn flat(c: f64, seconds: f64, delay: f64) -> CrossSpectrum {
    let (rate, frame_length) = (48_000.0, 4800_usize);
    let frames = (seconds * 20.0).round() as u64;
    let gamma = c.sqrt();
    let bins = (0..=2200)
        .map(|k| {
            let phase = TAU * 10.0 * f64::from(k) * delay;
            Bin {
                left: frames as f64,
                right: frames as f64,
                re: frames as f64 * gamma * phase.cos(),
                im: frames as f64 * gamma * phase.sin(),
            }
        })
        .collect();
    CrossSpectrum {
        sample_rate_hz: rate,
        frame_length,
        alignment: 0,
        origin: 0,
        groups: vec![Group {
            first_frame: 0,
            last_frame: frames - 1,
            frames,
            bins,
        }],
        quietest: groovelag::spectrum::Group::default(),
        span: (0, (frames + 1) * frame_length as u64 / 2),
        quality: SignalQuality {
            loudest_power: 0.01,
            left_power: 0.01,
            right_power: 0.01,
            frames,
            ..Default::default()
        },
    }
}

fn plain(band_hz: (f64, f64)) -> EstimateSettings {
    EstimateSettings {
        band_hz,
        terms: Vec::new(),
        ..EstimateSettings::default()
    }
}

/// By how much a stated standard uncertainty may exceed its bound, relative. The
/// estimator takes out the bias of an estimated coherence, which these matrices
/// have not: 1 / (N C) of the information for clusters of N averages, eight bins
/// or more of `averages` each. And it gives a cluster of bins, 200 Hz at
/// most, one frequency: a loss of 200^2 / 12 over the mean square frequency.
fn shortfall(c: f64, averages: f64, f1: f64, f2: f64) -> f64 {
    let mean_square = (f2.powi(3) - f1.powi(3)) / (3.0 * (f2 - f1));
    (1.0 / (8.0 * averages * c) + 200.0 * 200.0 / 12.0 / mean_square) / 2.0
}

fn delay_information(e: &DelayEstimate) -> f64 {
    e.information.matrix[[0, 0]]
}

/// The Cramer-Rao bound of a delay between two noisy channels of flat
/// coherence C on f1..f2 over T seconds, 3 (1-C) / (8 pi^2 T C (f2^3 - f1^3))
/// (Knapp & Carter, IEEE T-ASSP 24, 1976; ids `crlb`, `crlb_C0.5_500_5000_T10_us`,
/// `crlb_C0.99_1000_8000_T30_us`, `crlb_C0.9_0_10000_T1_us`), against the
/// information that the estimator reports for such matrices. It sums over bins
/// where the bound integrates; for a parabola the sum with both ends exceeds
/// the integral by exactly (f1^2 + f2^2) / 2 + df (f2 - f1) / 6 (Euler-Maclaurin).
#[test]
fn information_is_the_cramer_rao_bounds() {
    for (c, f1, f2, seconds, us) in [
        (0.9, 500.0, 5000.0, 10.0, 0.058_144_247_708_776_35),
        (0.5, 500.0, 5000.0, 10.0, 0.174_432_743_126_329_1),
        (0.99, 1000.0, 8000.0, 30.0, 0.005_003_536_663_627_541),
        (0.9, 0.0, 10_000.0, 1.0, 0.064_974_733_436_139_67),
    ] {
        let e = estimate(&flat(c, seconds, 3e-6), &plain((f1, f2))).unwrap();
        let df = 10.0;
        let integral = (f2 * f2 * f2 - f1 * f1 * f1) / (3.0 * df);
        let ends = (f1 * f1 + f2 * f2) / 2.0 + df * (f2 - f1) / 6.0;
        let bound = 1e6 / (delay_information(&e) * integral / (integral + ends)).sqrt();
        // Never better than the bound, but for rounding.
        let excess = bound / us - 1.0;
        let allowed = shortfall(c, 10.0 * seconds, f1, f2);
        assert!(
            (-1e-9..allowed).contains(&excess),
            "{c} {f1} {f2}: {excess} {allowed}"
        );
        // Without scatter and without terms beside it the delay is exact, and
        // its stated uncertainty is the bound.
        assert!((e.delay_s - 3e-6).abs() < 1e-14, "{}", e.delay_s);
        let stated = e.standard_uncertainty_s * delay_information(&e).sqrt();
        assert!((stated - 1.0).abs() < 1e-9, "{stated}");
    }
}

/// Phase-slope delay through the origin and with a free intercept over 500,
/// 510, ... 5000 Hz at C = 0.9, n = 100 (A. G. Piersol, IEEE T-ASSP 29, 1981,
/// id `piersol`; Azenkot & Gertner, IEEE T-ASSP, 1985, id `piersol_int`). The
/// intercept is a term of constant phase, with a prior too wide to matter.
#[test]
fn phase_slope_through_the_origin_and_with_an_intercept() {
    let spectrum = flat(0.9, 10.0, -2e-6);
    let through = estimate(&spectrum, &plain((500.0, 5000.0))).unwrap();
    let us = through.standard_uncertainty_s * 1e6;
    let excess = us / 0.058_056_218_928_590_815 - 1.0;
    let allowed = shortfall(0.9, 100.0, 500.0, 5000.0);
    assert!((-1e-9..allowed).contains(&excess), "{excess}");
    let intercept = EstimateSettings {
        band_hz: (500.0, 5000.0),
        terms: vec![PhaseTerm {
            term: Term {
                name: "intercept".into(),
                owner: Owner::Capture,
                side: Side::BehindSwap,
            },
            prior_u: 1e3,
            shape: PhaseShape::Curve {
                hertz: vec![1000.0],
                radians: vec![1.0],
            },
        }],
        ..EstimateSettings::default()
    };
    let free = estimate(&spectrum, &intercept).unwrap();
    let us = free.standard_uncertainty_s * 1e6;
    // The prior's 1e-6 / rad^2 beside the data's 4e5 does not matter; what
    // counts is now the spread of frequencies, a fifth of their mean square.
    let excess = us / 0.135_678_413_557_532_3 - 1.0;
    let allowed = shortfall(0.9, 100.0, 500.0, 5000.0) * 6.0;
    assert!((-1e-9..allowed).contains(&excess), "{excess}");
    assert!((free.delay_s + 2e-6).abs() < 1e-14);
}

/// Two channels of noise that falls by `slope_db` an octave from 200 Hz on, the
/// right 3 us late, each with noise of its own 45 dB below that falls by
/// `noise_slope_db`: periodic, made in the frequency domain.
fn noisy(slope_db: f64, noise_slope_db: f64, samples: usize, seed: u64) -> (Vec<f32>, Vec<f32>) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let hertz = |k: usize| k as f64 * 48_000.0 / samples as f64;
    let mut falling = |slope: f64, level_db: f64| -> Vec<Complex<f64>> {
        let shape = |k| 10_f64.powf(-slope / 20.0 * (hertz(k) / 200.0).max(1.0).log2());
        let power: f64 = (1..samples / 2).map(|k| 4.0 * shape(k) * shape(k)).sum();
        let scale = 10_f64.powf(level_db / 20.0) / power.sqrt();
        (0..samples / 2)
            .map(|k| Complex::new(gaussian(&mut rng), gaussian(&mut rng)) * shape(k) * scale)
            .collect()
    };
    let signal = falling(slope_db, -20.0);
    let own = [(); 2].map(|()| falling(noise_slope_db, -65.0));
    let fft = FftPlanner::new().plan_fft_inverse(samples);
    let finish = |noise: &[Complex<f64>], delay: f64| -> Vec<f32> {
        let mut z = vec![Complex::default(); samples];
        for k in 1..samples / 2 {
            z[k] = noise[k] + signal[k] * Complex::from_polar(1.0, -TAU * hertz(k) * delay);
            z[samples - k] = z[k].conj();
        }
        fft.process(&mut z);
        z.iter().map(|v| v.re as f32).collect()
    };
    (finish(&own[0], 0.0), finish(&own[1], 3e-6))
}

fn engine(left: &[f32], right: &[f32], block: usize) -> CrossSpectrum {
    let mut engine = Engine::new(EngineSettings {
        sample_rate_hz: 48_000.0,
        alignment: 0,
        whole: true,
    })
    .unwrap();
    for (l, r) in left.chunks(block).zip(right.chunks(block)) {
        engine.push(l, r);
    }
    engine.snapshot()
}

/// The fast path (one packed single-precision transform a frame, double sums)
/// against the oracle (double precision throughout, a transform a channel):
/// bins to the error of a single-precision transform, the delay to 1 ps on white
/// noise and on one that falls by 6 dB an octave, about as music does.
///
/// Where such a programme stands 60 dB and more above white noise, the products'
/// rounding (6e-8 each, over the root of 127 frames) is 1 % of 1 - C, so parts of
/// the band weigh 1 % more or less, and the delay moves by some 1 % of its own
/// uncertainty; 2 % are allowed.
#[test]
fn fast_path_against_the_oracle() {
    for (slope_db, noise_slope_db, seed) in [(0.0, 0.0, 1), (6.0, 6.0, 2), (6.0, 0.0, 3)] {
        let (left, right) = noisy(slope_db, noise_slope_db, 1 << 18, seed);
        let fast = engine(&left, &right, 10_007);
        let wide = |v: &[f32]| v.iter().map(|x| f64::from(*x)).collect::<Vec<_>>();
        let slow = reference::cross_spectrum(&wide(&left), &wide(&right), fast.frame_length);
        let total = fast.total();
        assert_eq!(
            fast.frames() as usize,
            (1 << 18) / 2048 - 1,
            "frames left out"
        );
        let length = fast.frame_length as f64;
        // A transform in single precision errs by up to eps log2 N of the rms
        // of its input (Higham, Accuracy and Stability, 24.1), and the packed
        // one mixes both channels; all frames erring alike is the worst case.
        let error = f64::from(f32::EPSILON) * length.log2();
        let rms = |of: fn(&Bin) -> f64| (slow.iter().map(of).sum::<f64>() / length * 2.0).sqrt();
        let loudest = rms(|b| b.left).max(rms(|b| b.right));
        for (k, (a, b)) in total.iter().zip(&slow).enumerate().skip(1) {
            let allowed =
                error * loudest * 2.0 * (b.left.sqrt() + b.right.sqrt() + error * loudest);
            for (x, y) in [
                (a.left, b.left),
                (a.right, b.right),
                (a.re, b.re),
                (a.im, b.im),
            ] {
                assert!(
                    (x - y).abs() < allowed,
                    "{slope_db} bin {k}: {x} {y} {allowed}"
                );
            }
        }
        let single = |bins: Vec<Bin>| CrossSpectrum {
            groups: vec![Group {
                first_frame: 0,
                last_frame: fast.frames() - 1,
                frames: fast.frames(),
                bins,
            }],
            ..fast.clone()
        };
        let by_fast = estimate(&single(total.clone()), &EstimateSettings::default()).unwrap();
        let by_slow = estimate(
            &single(slow[..total.len()].to_vec()),
            &EstimateSettings::default(),
        )
        .unwrap();
        let difference = by_fast.delay_s - by_slow.delay_s;
        println!(
            "{slope_db}, noise {noise_slope_db} dB/octave: {:.1} fs, u {:.1} ps",
            difference * 1e15,
            by_slow.standard_uncertainty_s * 1e12
        );
        let allowed = if slope_db == noise_slope_db {
            1e-12
        } else {
            0.02 * by_slow.standard_uncertainty_s
        };
        assert!(difference.abs() < allowed, "{slope_db}: {difference}");
    }
}

/// No block size and no number of threads changes a bit of any sum, nor of
/// the estimate.
#[test]
fn bit_identical_for_any_block_size_and_thread_count() {
    let (left, right) = noisy(6.0, 6.0, 300_000, 3);
    let whole = engine(&left, &right, left.len());
    let expected = estimate(&whole, &EstimateSettings::default()).unwrap();
    let compare = |other: &CrossSpectrum, what: &str| {
        assert_eq!(other.groups, whole.groups, "{what}");
        assert_eq!(other.quality, whole.quality, "{what}");
        assert_eq!(other.span, whole.span, "{what}");
        assert_eq!(
            estimate(other, &EstimateSettings::default()).unwrap(),
            expected,
            "{what}"
        );
    };
    for block in [1, 63, 4096, 10_007, 131_072] {
        compare(&engine(&left, &right, block), &format!("blocks of {block}"));
    }
    for threads in [1, 2, 3, 7] {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        let other = pool.install(|| engine(&left, &right, 10_007));
        compare(&other, &format!("{threads} threads"));
    }
    // A changed sample does change the sums: the comparison can fail.
    let mut touched = left.clone();
    touched[150_000] += 1e-3;
    assert_ne!(engine(&touched, &right, 4096).groups, whole.groups);
}
