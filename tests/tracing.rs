//! What tracing adds, on recordings made in the frequency domain with a known
//! coefficient, and on a simulated groove against the textbook's formula.

use groovelag::analysis::{self, Analysis, Request};
use groovelag::capture::{ReadOptions, Source};
use groovelag::delay::EstimateSettings;
use groovelag::simulate::{recipe::Recipe, render};
use groovelag::spectrum::{Tracing, TracingProbe};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;
use std::f64::consts::TAU;

pub const RATE: f64 = 48_000.0;
const SAMPLES: usize = 1 << 19;

/// Response of the playback equaliser, 1 at 1 kHz (IEC 60098).
fn equaliser(hertz: f64) -> Complex<f64> {
    let at = |f: f64| {
        let part = |seconds: f64| Complex::new(1.0, TAU * f * seconds);
        part(318e-6) / (part(3180e-6) * part(75e-6))
    };
    at(hertz) / at(1000.0).norm()
}

fn gaussian(rng: &mut ChaCha8Rng) -> f64 {
    let (u, v): (f64, f64) = (rng.random(), rng.random());
    (-2.0 * (1.0 - u).ln()).sqrt() * (TAU * v).cos()
}

/// Multiplies the spectrum of a periodic signal by a function of frequency.
fn filtered(signal: &[f64], by: impl Fn(f64) -> Complex<f64>) -> Vec<f64> {
    let n = signal.len();
    let mut planner = FftPlanner::new();
    let mut z: Vec<Complex<f64>> = signal.iter().map(|s| Complex::new(*s, 0.0)).collect();
    planner.plan_fft_forward(n).process(&mut z);
    z[0] = Complex::default();
    z[n / 2] = Complex::default();
    for k in 1..n / 2 {
        z[k] *= by(k as f64 * RATE / n as f64) / n as f64;
        z[n - k] = z[k].conj();
    }
    planner.plan_fft_inverse(n).process(&mut z);
    z.into_iter().map(|v| v.re).collect()
}

/// Pink noise to 11 kHz, of an rms of 0.03 (1.2 cm/s, if full scale is 40).
fn noise(seed: u64) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let white: Vec<f64> = (0..SAMPLES).map(|_| gaussian(&mut rng)).collect();
    level(filtered(&white, |f| match (50.0..11_000.0).contains(&f) {
        true => Complex::from(f.powf(-0.5)),
        false => Complex::default(),
    }))
}

/// A voice: harmonics of a pitch that wanders, locked in phase, in syllables of a
/// third of a second with pauses between.
pub fn voice(seed: u64) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (mut phase, mut drift) = (0.0_f64, 0.0_f64);
    let raw: Vec<f64> = (0..SAMPLES)
        .map(|n| {
            let t = n as f64 / RATE;
            drift += 0.002 * gaussian(&mut rng) - 1e-4 * drift;
            phase += TAU * (130.0 + 10.0 * drift) / RATE;
            let syllable = (TAU * 1.5 * t).sin().max(0.0).powi(2);
            let sum: f64 = (1..60)
                .map(|h| {
                    let h = f64::from(h);
                    (h * phase + 0.3 * h.sqrt()).sin() / (1.0 + (h / 6.0).powi(2))
                })
                .sum();
            sum * syllable
        })
        .collect();
    level(filtered(&raw, |f| Complex::from(f64::from(f < 11_000.0))))
}

fn level(signal: Vec<f64>) -> Vec<f64> {
    let power = signal.iter().map(|s| s * s).sum::<f64>() / signal.len() as f64;
    let scale = 0.03 / power.sqrt();
    signal.into_iter().map(|s| s * scale).collect()
}

/// What is recorded of a velocity in the groove.
#[derive(Clone, Copy)]
struct Recorded {
    /// Coefficient of tracing, seconds.
    k: f64,
    delay: f64,
    /// Standard deviation of each channel's white noise.
    noise: f64,
    clicks: usize,
    inverted: bool,
    seed: u64,
}

const PLAIN: Recorded = Recorded {
    k: 2e-5,
    delay: 3e-6,
    noise: 3e-4,
    clicks: 0,
    inverted: false,
    seed: 1,
};

impl Recorded {
    fn of(&self, velocity: &[f64]) -> (Vec<f32>, Vec<f32>) {
        let squares: Vec<f64> = velocity.iter().map(|v| v * v).collect();
        let slope = filtered(&squares, |f| Complex::new(0.0, TAU * f));
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        let mut channel = |sign: f64| -> Vec<f32> {
            let traced: Vec<f64> = velocity
                .iter()
                .zip(&slope)
                .map(|(v, q)| v + sign * self.k * q)
                .collect();
            let turn = |f: f64| Complex::from_polar(1.0, sign * TAU * f * self.delay / 2.0);
            let mut channel = filtered(&traced, |f| equaliser(f) * turn(f));
            channel
                .iter_mut()
                .for_each(|s| *s += self.noise * gaussian(&mut rng));
            for _ in 0..self.clicks {
                let at = rng.random_range(0..SAMPLES - 64);
                let size = 0.2 * gaussian(&mut rng);
                for (i, s) in channel[at..at + 64].iter_mut().enumerate() {
                    *s += size * (-(i as f64) / 8.0).exp();
                }
            }
            let polarity = if self.inverted { sign } else { 1.0 };
            channel.iter().map(|s| (polarity * s) as f32).collect()
        };
        (channel(1.0), channel(-1.0))
    }
}

fn probed((left, right): &(Vec<f32>, Vec<f32>), block: usize) -> Option<Tracing> {
    let mut probe = TracingProbe::new(RATE, 0.0);
    for (l, r) in left.chunks(block).zip(right.chunks(block)) {
        probe.push(l, r);
    }
    probe.found()
}

fn middle(tracing: &Tracing) -> f64 {
    tracing.coefficient_s(SAMPLES as f64 / 2.0)
}

#[test]
fn the_coefficient_is_found_whatever_the_polarity() {
    let velocity = noise(1);
    let found = |recorded: Recorded| middle(&probed(&recorded.of(&velocity), 10_007).unwrap());
    let k = found(PLAIN);
    assert!((k / PLAIN.k - 1.0).abs() < 0.02, "{k:e}");
    let inverted = Recorded {
        inverted: true,
        ..PLAIN
    };
    let k = found(inverted);
    assert!((k / PLAIN.k - 1.0).abs() < 0.02, "inverted: {k:e}");
    let opposite = Recorded { k: -2e-5, ..PLAIN };
    let k = found(opposite);
    assert!((k / -PLAIN.k - 1.0).abs() < 0.02, "opposite: {k:e}");
}

#[test]
fn clicks_do_not_hide_it() {
    for (velocity, clicks) in [(noise(2), 10), (voice(2), 10), (voice(2), 30)] {
        for seed in 0..4 {
            let recorded = Recorded {
                clicks,
                seed,
                ..PLAIN
            };
            let tracing = probed(&recorded.of(&velocity), 10_007).expect("found");
            let k = middle(&tracing);
            assert!((k / PLAIN.k - 1.0).abs() < 0.1, "{clicks}, {seed}: {k:e}");
        }
    }
}

#[test]
fn nothing_is_found_where_there_is_nothing() {
    for seed in 0..12 {
        for velocity in [noise(seed), voice(seed)] {
            for clicks in [0, 10] {
                let recorded = Recorded {
                    k: 0.0,
                    clicks,
                    seed,
                    ..PLAIN
                };
                let found = probed(&recorded.of(&velocity), 10_007);
                assert_eq!(found, None, "{seed}, {clicks} clicks");
            }
        }
    }
}

#[test]
fn blocks_of_any_size_give_the_same() {
    let channels = PLAIN.of(&noise(4));
    let whole = probed(&channels, SAMPLES);
    assert!(whole.is_some());
    for block in [1 << 17, 4096, 997] {
        assert_eq!(probed(&channels, block), whole, "{block}");
    }
}

fn analysed(channels: &(Vec<f32>, Vec<f32>)) -> (Analysis, Analysis) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: RATE as u32,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    for (l, r) in channels.0.iter().zip(&channels.1) {
        writer.write_sample(*l).unwrap();
        writer.write_sample(*r).unwrap();
    }
    writer.finalize().unwrap();
    let request = Request {
        source: Source::Path(path),
        options: ReadOptions::default(),
        from_s: None,
        to_s: None,
        settings: EstimateSettings::default(),
    };
    let plain = analysis::read_spectrum(&request, &mut |_| ()).unwrap();
    let plain = analysis::estimate(plain, &request.settings).unwrap();
    (plain, analysis::analyse(&request, &mut |_| ()).unwrap())
}

/// A voice moves the delay by what tracing adds, and does not once that is taken out.
/// Over seeds the errors are as large as their uncertainties say: the sum of their squares
/// is below the 99.9 % point of chi-square.
#[test]
fn a_voice_no_longer_moves_the_delay() {
    let (mut before, mut after, mut normalised) = (0.0, 0.0, 0.0);
    const SEEDS: u64 = 8;
    for seed in 0..SEEDS {
        let recorded = Recorded {
            clicks: 3,
            seed,
            inverted: seed % 2 == 1,
            delay: if seed % 4 < 2 { 3e-6 } else { -3e-6 },
            ..PLAIN
        };
        let channels = recorded.of(&voice(100 + seed));
        let (plain, without) = analysed(&channels);
        let code = |a: &Analysis, code: &str| a.caveats.iter().any(|c| c.code == code);
        assert!(code(&plain, "tracing-left") && code(&without, "tracing"));
        before += (plain.estimate.delay_s - recorded.delay).powi(2);
        let error = without.estimate.delay_s - recorded.delay;
        after += error * error;
        normalised += (error / without.estimate.standard_uncertainty_s).powi(2);
    }
    let rms = |sum: f64| (sum / SEEDS as f64).sqrt() * 1e9;
    assert!(
        rms(before) > 10.0 * rms(after),
        "{} {}",
        rms(before),
        rms(after)
    );
    // 99.9 % of chi-square with 8 degrees of freedom (tables; NIST handbook 1.3.6.7.4)
    assert!(normalised < 26.125, "{normalised}");
}

/// Without noise the channels share all but what tracing adds; it shows that they are two
/// walls, and no mono switch, though the delay is small and nothing else differs.
#[test]
fn what_tracing_adds_shows_two_walls() {
    let silent = Recorded {
        noise: 1e-8,
        delay: 0.2e-6,
        ..PLAIN
    };
    let (_, without) = analysed(&silent.of(&noise(9)));
    assert!(without.caveats.iter().all(|c| c.code != "shared-noise"));
    let error = without.estimate.delay_s - silent.delay;
    assert!(error.abs() < 1e-9, "{error:e}");
}

/// Where none is found, a recording is read once, and nothing changes.
#[test]
fn without_tracing_nothing_changes() {
    let (plain, analysed) = analysed(&Recorded { k: 0.0, ..PLAIN }.of(&voice(7)));
    assert_eq!(plain.estimate, analysed.estimate);
    assert_eq!(plain.caveats, analysed.caveats);
}

/// The simulator rolls the tip along the groove point by point and knows nothing of the
/// formula: `sqrt(2) r A / (4 V^2)`, full scale being 40 cm/s (its default). It follows from
/// the displacement `a + (r / 2) (da/dx)^2` of J. A. Pierce and F. V. Hunt, J. Acoust. Soc. Am. 10,
/// 1938, 14 (from memory), on walls at 45 degrees.
#[test]
fn a_simulated_sphere_has_the_textbook_coefficient() {
    for (tip_um, radius_mm) in [(18.0, 120.0), (10.0, 70.0)] {
        let text = format!(
            r#"
format = 1
seed = 5
[programme]
kind = "pink"
duration_s = 8
peak_cm_s = 3
[capture]
radius_mm = {radius_mm}
rpm = "100/3"
sample_rate_hz = 48000
[cartridge]
profile = "spherical"
frontal_radius_um = {tip_um}
"#
        );
        let recipe = Recipe::parse(&text).unwrap();
        let rendered = render(&recipe, std::path::Path::new(".")).unwrap();
        let single = |c: &[f64]| c.iter().map(|s| *s as f32).collect::<Vec<_>>();
        let channels = (single(&rendered.left), single(&rendered.right));
        let k = middle(&probed(&channels, 10_007).unwrap());
        let speed = TAU * 100.0 / 180.0 * radius_mm * 1e-3;
        let expected = 2.0_f64.sqrt() * tip_um * 1e-6 * 0.4 / (4.0 * speed * speed);
        assert!((k / expected - 1.0).abs() < 0.03, "{k:e}, {expected:e}");
    }
}
