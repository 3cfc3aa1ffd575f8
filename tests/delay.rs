//! The delay estimator on synthetic signals whose delay is exact by
//! construction: periodic noise made in the frequency domain.

mod bound;

use bound::{Pink, bound};
use groovelag::delay::{Estimate, Refusal, Settings, estimate, phase};
use groovelag::spectrum::{Engine, EngineSettings};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;
use std::f64::consts::TAU;

/// A pair of channels: pink noise from 20 Hz to 20 kHz, the right one late by
/// `delay` and its equaliser parts longer by `dlnt`, each with white noise of
/// its own at `snr_db` before equalisation... here simply white.
struct Synthetic {
    rate: f64,
    samples: usize,
    delay: f64,
    dlnt: [f64; 3],
    snr_db: f64,
    seed: u64,
}

fn gaussian(rng: &mut ChaCha8Rng) -> f64 {
    let (u, v): (f64, f64) = (rng.random(), rng.random());
    (-2.0 * (1.0 - u).ln()).sqrt() * (TAU * v).cos()
}

fn synthesise(s: &Synthetic) -> (Vec<f32>, Vec<f32>) {
    let n = s.samples;
    let mut rng = ChaCha8Rng::seed_from_u64(s.seed);
    let mut left = vec![Complex::<f64>::default(); n];
    let mut right = left.clone();
    let mut power = 0.0;
    for k in 1..n / 2 {
        let f = k as f64 * s.rate / n as f64;
        let (a, b) = (gaussian(&mut rng), gaussian(&mut rng));
        if !(20.0..20_000.0).contains(&f) {
            continue;
        }
        let z = Complex::new(a, b) / f.sqrt();
        power += 2.0 * z.norm_sqr();
        let w = TAU * f;
        let mut turn = -w * s.delay;
        for ((seconds, sign), d) in phase::EQUALISER.iter().zip(s.dlnt) {
            let wt = w * seconds;
            turn -= sign * d * wt / (1.0 + wt * wt);
        }
        left[k] = z;
        right[k] = z * Complex::from_polar(1.0, turn);
        left[n - k] = left[k].conj();
        right[n - k] = right[k].conj();
    }
    let fft = FftPlanner::new().plan_fft_inverse(n);
    fft.process(&mut left);
    fft.process(&mut right);
    let scale = 0.1 / power.sqrt();
    let sigma = 0.1 * 10f64.powf(-s.snr_db / 20.0);
    let mut finish = |z: &[Complex<f64>]| -> Vec<f32> {
        z.iter()
            .map(|v| (v.re * scale + sigma * gaussian(&mut rng)) as f32)
            .collect()
    };
    let l = finish(&left);
    let r = finish(&right);
    (l, r)
}

fn run(left: &[f32], right: &[f32], rate: f64) -> Result<Estimate, Refusal> {
    let mut engine = Engine::new(EngineSettings {
        sample_rate_hz: rate,
        alignment: 0,
        whole: false,
    })
    .unwrap();
    for (l, r) in left.chunks(10_007).zip(right.chunks(10_007)) {
        engine.push(l, r);
    }
    estimate(&engine.snapshot(), &Settings::default())
}

/// Mean, standard deviation, mean stated uncertainty, and how often the 95 %
/// band holds the truth, over seeds.
fn over_seeds(make: impl Fn(u64) -> Synthetic, seeds: u64) -> (f64, f64, f64, usize) {
    let list: Vec<(f64, f64)> = (0..seeds)
        .map(|seed| {
            let s = make(seed);
            let (l, r) = synthesise(&s);
            let e = run(&l, &r, s.rate).unwrap();
            (e.delay_s - s.delay, e.standard_uncertainty_s)
        })
        .collect();
    let n = seeds as f64;
    let mean = list.iter().map(|e| e.0).sum::<f64>() / n;
    let sd = (list.iter().map(|e| (e.0 - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let stated = list.iter().map(|e| e.1).sum::<f64>() / n;
    let inside = list.iter().filter(|e| e.0.abs() < 1.959_964 * e.1).count();
    (mean, sd, stated, inside)
}

/// Efficiency and bias: 200 seeds of 5.5 s at three signal-to-noise ratios. A
/// standard deviation from 200 draws is itself uncertain by 5 %, so 1.1 of the
/// bound is two of its standard deviations.
#[test]
fn scatter_is_at_the_cramer_rao_bound_and_the_mean_unbiased() {
    for snr_db in [18.0, 35.0] {
        let make = |seed| Synthetic {
            rate: 48_000.0,
            samples: 1 << 18,
            delay: 3.0291e-6,
            dlnt: [0.0; 3],
            snr_db,
            seed,
        };
        let of = Pink {
            seconds: f64::from(1 << 18) / 48_000.0,
            rate: 48_000.0,
            band_hz: (20.0, 20_000.0),
            snr_db,
        };
        let bound = bound(&of, &Settings::default());
        let (mean, sd, stated, inside) = over_seeds(make, 200);
        println!(
            "SNR {snr_db} dB: sd {:.3} ns, bound {:.3} ns, stated {:.3} ns, mean error {:.3} ns, inside {inside}",
            sd * 1e9,
            bound * 1e9,
            stated * 1e9,
            mean * 1e9
        );
        assert!(sd < 1.1 * bound, "{snr_db}: {sd} against {bound}");
        // 99.9 % binomial limits of 200 draws at 0.95
        // (scipy.stats.binom.ppf, SciPy 1.17.1).
        assert!((179..=198).contains(&inside), "{snr_db}: {inside} of 200");
        assert!(mean.abs() < 3.0 * sd / 200f64.sqrt(), "{snr_db}: {mean}");
        assert!(
            stated > 0.95 * bound && stated < 1.15 * bound,
            "{snr_db}: {stated}"
        );
    }
}

/// Equaliser parts off by 1 % in opposite senses: within 30 ns, where the
/// phase slope without the terms is tens of nanoseconds off.
#[test]
fn equaliser_departures_are_told_from_the_delay() {
    for (seed, dlnt) in [
        [0.01, -0.01, 0.01],
        [-0.01, 0.01, 0.01],
        [0.01, 0.01, -0.01],
    ]
    .into_iter()
    .enumerate()
    {
        let s = Synthetic {
            rate: 96_000.0,
            samples: 1 << 20,
            delay: 3.0291e-6,
            dlnt,
            snr_db: 35.0,
            seed: seed as u64,
        };
        let (l, r) = synthesise(&s);
        let with = run(&l, &r, s.rate).unwrap();
        assert!((with.delay_s - s.delay).abs() < 3.0 * with.standard_uncertainty_s);
        assert!((with.delay_s - s.delay).abs() < 30e-9);
        let mut engine = Engine::new(EngineSettings {
            sample_rate_hz: s.rate,
            alignment: 0,
            whole: false,
        })
        .unwrap();
        engine.push(&l, &r);
        let plain = Settings {
            terms: Vec::new(),
            ..Settings::default()
        };
        let without = estimate(&engine.snapshot(), &plain).unwrap();
        assert!(
            (without.delay_s - s.delay).abs() > 10e-9,
            "{}",
            without.delay_s
        );
    }
}

/// 2,000 complex-Wishart spectral matrices, by Bartlett's decomposition
/// (N. R. Goodman, Ann. Math. Stat. 34, 1963, for the complex case), with
/// equaliser departures drawn from the prior: the 95 % band holds the truth in
/// 94 to 98 % of them.
#[test]
fn the_band_covers_over_wishart_draws() {
    use groovelag::spectrum::{Bin, CrossSpectrum, Group, SignalQuality};
    use rand_distr::{Distribution, Gamma, StandardNormal};
    let settings = Settings::default();
    let (rate, frame_length) = (48_000.0, 1024_usize);
    let (groups, frames) = (24_u64, 20_u64);
    let looks = frames as f64 / 2.0;
    let mut rng = ChaCha8Rng::seed_from_u64(2026);
    let first = Gamma::new(looks, 1.0).unwrap();
    let second = Gamma::new(looks - 1.0, 1.0).unwrap();
    let mut inside = 0;
    const DRAWS: usize = 2000;
    for _ in 0..DRAWS {
        let delay = 5e-6;
        let d: Vec<f64> = settings
            .terms
            .iter()
            .map(|t| {
                let z: f64 = StandardNormal.sample(&mut rng);
                z * t.prior_u
            })
            .collect();
        let truth: Vec<(f64, f64)> = (0..frame_length / 2)
            .map(|k| {
                let f = k as f64 * rate / frame_length as f64;
                let w = TAU * f;
                let snr = 3000.0 / (f + 10.0);
                let phase = w * delay
                    + settings
                        .terms
                        .iter()
                        .zip(&d)
                        .map(|(t, d)| d * t.shape.at(w))
                        .sum::<f64>();
                (snr / (1.0 + snr), phase)
            })
            .collect();
        let groups = (0..groups)
            .map(|g| Group {
                first_frame: g * frames,
                last_frame: (g + 1) * frames - 1,
                frames,
                bins: truth
                    .iter()
                    .map(|&(gamma, phase)| {
                        // matrix [1, gamma e^{i phase}; ., 1] = A A^H with
                        // A = [1 0; gamma e^{-i phase} s]
                        let s = (1.0 - gamma * gamma).sqrt();
                        let t11 = first.sample(&mut rng).sqrt();
                        let t22 = second.sample(&mut rng).sqrt();
                        let (x, y): (f64, f64) = (
                            StandardNormal.sample(&mut rng),
                            StandardNormal.sample(&mut rng),
                        );
                        let t21 = Complex::new(x, y) / 2f64.sqrt();
                        let b = Complex::from_polar(gamma * t11, -phase) + t21 * s;
                        let cross = t11 * b.conj();
                        Bin {
                            left: t11 * t11,
                            right: b.norm_sqr() + (s * t22).powi(2),
                            re: cross.re,
                            im: cross.im,
                        }
                    })
                    .collect(),
            })
            .collect();
        let spectrum = CrossSpectrum {
            sample_rate_hz: rate,
            frame_length,
            alignment: 0,
            groups,
            span: (0, 480 * 512 + 512),
            origin: 0,
            quality: SignalQuality {
                loudest_power: 0.01,
                left_power: 0.01,
                right_power: 0.01,
                frames: 480,
                ..Default::default()
            },
        };
        let e = estimate(&spectrum, &settings).unwrap();
        inside += usize::from((e.delay_s - delay).abs() < 1.959_964 * e.standard_uncertainty_s);
    }
    let share = inside as f64 / DRAWS as f64;
    println!("inside {share}");
    assert!((0.94..=0.98).contains(&share), "{share}");
}
