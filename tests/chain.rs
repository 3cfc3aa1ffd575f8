//! The chain: what calibration measures, what it undoes, and what it leaves,
//! on synthetic signals whose truth is exact by construction (periodic noise
//! made in the frequency domain) and on spectra without noise.

use groovelag::chain::{
    self, Calibrated, Calibration, CalibrationCapture, CalibrationRequest, CommonResponse,
    Crosstalk, Estimated, calibrate, document,
};
use groovelag::delay::phase::PhaseTerm;
use groovelag::delay::{EstimateSettings, estimate};
use groovelag::groove::{Conditions, Profile, Tip};
use groovelag::job::{
    self, CaptureData, CaptureSpec, Cartridge, Job, Setup, Stated, replace_priors,
};
use groovelag::spectrum::EQUALISER;
use groovelag::spectrum::{Bin, CrossSpectrum, Engine, EngineSettings, Group, SignalQuality};
use groovelag::units::{DEGREE, MILLIMETRE};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;
use std::collections::BTreeMap;
use std::f64::consts::TAU;

type Ratio = fn(f64) -> Complex64;

/// A chain and cartridge with their truth.
#[derive(Clone, Copy)]
struct Truth {
    /// Right channel late, seconds.
    skew: f64,
    /// Equaliser time constants, right minus left, logarithm.
    dlnt: [f64; 3],
    /// Right into left and left into right, over frequency.
    c1: Ratio,
    c2: Ratio,
}

impl Truth {
    /// Right over left.
    fn chain(&self, f: f64) -> Complex64 {
        let w = TAU * f;
        let mut h = Complex64::from_polar(1.0, -w * self.skew);
        for ((seconds, sign), d) in EQUALISER.iter().zip(self.dlnt) {
            let pole = |t: f64| Complex64::new(1.0, w * t);
            let ratio = pole(seconds * (-d / 2.0).exp()) / pole(seconds * (d / 2.0).exp());
            h *= if *sign > 0.0 { ratio } else { ratio.inv() };
        }
        h
    }
}

/// What reaches the walls, or the inputs.
#[derive(Clone, Copy, PartialEq)]
enum Fed {
    /// Mono groove: the right wall late by so many seconds.
    Groove(f64),
    Left,
    Right,
    /// One signal to both inputs, past the cartridge.
    Common,
}

fn gaussian(rng: &mut ChaCha8Rng) -> f64 {
    let (u, v): (f64, f64) = (rng.random(), rng.random());
    (-2.0 * (1.0 - u).ln()).sqrt() * (TAU * v).cos()
}

/// Pink programme from 20 Hz to 20 kHz with white noise on each wall (or
/// input) `snr_db` below it, through cartridge and chain, into a spectrum.
fn taken_in(truth: &Truth, fed: Fed, rate: f64, n: usize, snr_db: f64, seed: u64) -> CrossSpectrum {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let pink = |f: f64| {
        if (20.0..20_000.0).contains(&f) {
            1.0 / f.sqrt()
        } else {
            0.0
        }
    };
    let power: f64 = (1..n / 2)
        .map(|k| pink(k as f64 * rate / n as f64).powi(2))
        .sum();
    let noise = (power / (n / 2) as f64 * 10f64.powf(-snr_db / 10.0)).sqrt();
    let scale = 0.1 / (4.0 * power).sqrt();
    let mut left = vec![Complex64::default(); n];
    let mut right = left.clone();
    for k in 1..n / 2 {
        let f = k as f64 * rate / n as f64;
        let mut draw = || Complex64::new(gaussian(&mut rng), gaussian(&mut rng));
        let (z, a, b) = (draw() * pink(f), draw() * noise, draw() * noise);
        let (gl, gr) = match fed {
            Fed::Groove(delay) => (z, z * Complex64::from_polar(1.0, -TAU * f * delay)),
            Fed::Left => (z, Complex64::default()),
            Fed::Right => (Complex64::default(), z),
            Fed::Common => (z, z),
        };
        let (gl, gr) = (gl + a, gr + b);
        let (l, r) = if fed == Fed::Common {
            (gl, gr)
        } else {
            (gl + (truth.c1)(f) * gr, gr + (truth.c2)(f) * gl)
        };
        let r = r * truth.chain(f);
        left[k] = l * scale;
        right[k] = r * scale;
        left[n - k] = left[k].conj();
        right[n - k] = right[k].conj();
    }
    let fft = FftPlanner::new().plan_fft_inverse(n);
    fft.process(&mut left);
    fft.process(&mut right);
    let real = |z: Vec<Complex64>| -> Vec<f32> { z.iter().map(|v| v.re as f32).collect() };
    engine(&real(left), &real(right), rate)
}

fn engine(left: &[f32], right: &[f32], rate: f64) -> CrossSpectrum {
    let mut engine = Engine::new(EngineSettings {
        sample_rate_hz: rate,
        alignment: 0,
        whole: true,
    })
    .unwrap();
    engine.push(left, right);
    engine.snapshot()
}

fn input<'a>(file: &'a str, spectrum: &'a CrossSpectrum) -> CalibrationCapture<'a> {
    CalibrationCapture {
        file,
        sha256: "0000",
        duration_s: 1.0,
        spectrum,
        identical: false,
    }
}

fn request<'a>(
    common: Option<&'a CrossSpectrum>,
    single: Option<[&'a CrossSpectrum; 2]>,
) -> CalibrationRequest<'a> {
    CalibrationRequest {
        common: common.map(|s| input("common.wav", s)),
        single: single.map(|[l, r]| [input("left.wav", l), input("right.wav", r)]),
        band_hz: chain::DEFAULT_BAND_HZ,
        date: Some("2026-01-31"),
        coils: None,
        cutter_separation_db: chain::DEFAULT_CUTTER_SEPARATION_DB,
    }
}

/// Signals of cable quality: noise 75 dB down.
const CABLE_DB: f64 = 75.0;

fn calibrated(truth: &Truth, rate: f64, n: usize, seed: u64) -> Calibrated {
    let common = taken_in(truth, Fed::Common, rate, n, CABLE_DB, seed);
    let left = taken_in(truth, Fed::Left, rate, n, 40.0, seed + 1000);
    let right = taken_in(truth, Fed::Right, rate, n, 40.0, seed + 2000);
    calibrate(&request(Some(&common), Some([&left, &right]))).unwrap()
}

fn delay(spectrum: &CrossSpectrum, settings: &EstimateSettings) -> (f64, f64) {
    let e = estimate(spectrum, settings).unwrap();
    (e.delay_s, e.standard_uncertainty_s)
}

fn real(value: f64) -> Complex64 {
    Complex64::new(value, 0.0)
}

/// Each recipe's raw delay error stated; below 10 ns once calibrated. The last
/// one, equal 5 % at a delay of 3 us with all three, on 20 seeds. 11 s each: the
/// random part is 1.2 ns at 35 dB (Cramer-Rao), so 10 ns are systematic room.
#[test]
#[ignore = "a statistical proof: .ci/run runs it"]
fn a_simulated_chain_is_taken_out() {
    const SKEW: f64 = 0.6e-6;
    const DLNT: [f64; 3] = [0.01, -0.01, 0.01];
    let none: Ratio = |_| real(0.0);
    let equal: Ratio = |_| real(0.05);
    let less: Ratio = |_| real(0.02);
    let anti: Ratio = |_| real(-0.05);
    let turned: Ratio = |_| Complex64::from_polar(0.05, 0.4);
    // rising with frequency: a coupling pole at 5 kHz
    let rising: Ratio = |f| {
        let x = Complex64::new(0.0, f / 5000.0);
        0.06 * x / (real(1.0) + x)
    };
    let recipes: [(&str, Truth); 8] = [
        (
            "skew alone",
            Truth {
                skew: SKEW,
                dlnt: [0.0; 3],
                c1: none,
                c2: none,
            },
        ),
        (
            "equaliser alone",
            Truth {
                skew: 0.0,
                dlnt: DLNT,
                c1: none,
                c2: none,
            },
        ),
        (
            "unequal, in phase",
            Truth {
                skew: 0.0,
                dlnt: [0.0; 3],
                c1: equal,
                c2: less,
            },
        ),
        (
            "equal, anti-phase",
            Truth {
                skew: 0.0,
                dlnt: [0.0; 3],
                c1: anti,
                c2: anti,
            },
        ),
        (
            "opposite signs",
            Truth {
                skew: 0.0,
                dlnt: [0.0; 3],
                c1: equal,
                c2: anti,
            },
        ),
        (
            "complex, one way",
            Truth {
                skew: 0.0,
                dlnt: [0.0; 3],
                c1: none,
                c2: turned,
            },
        ),
        (
            "rising, one way, all three",
            Truth {
                skew: SKEW,
                dlnt: DLNT,
                c1: less,
                c2: rising,
            },
        ),
        (
            "equal, all three",
            Truth {
                skew: SKEW,
                dlnt: DLNT,
                c1: equal,
                c2: equal,
            },
        ),
    ];
    const DELAY: f64 = 3e-6;
    let (rate, n) = (48_000.0, 1 << 19);
    for (index, (name, truth)) in recipes.iter().enumerate() {
        let last = index + 1 == recipes.len();
        let seeds = if last { 20 } else { 2 };
        let mut raw_least = f64::INFINITY;
        let mut raw_most = 0.0_f64;
        let mut left_most = 0.0_f64;
        for seed in 0..seeds {
            let seed = 10_000 * index as u64 + seed;
            let groove = taken_in(truth, Fed::Groove(DELAY), rate, n, 35.0, seed);
            let made = calibrated(truth, rate, n, seed + 50);
            let settings = EstimateSettings::default();
            let raw = (delay(&groove, &settings).0 - DELAY).abs();
            let corrected = made.calibration.correct(&groove, false, &settings).unwrap();
            let (value, u) = delay(&corrected.spectrum, &corrected.settings);
            raw_least = raw_least.min(raw);
            raw_most = raw_most.max(raw);
            left_most = left_most.max((value - DELAY).abs());
            assert!((value - DELAY).abs() < 10e-9, "{name}: {value} +- {u}");
            assert!((value - DELAY).abs() < 4.0 * u, "{name}: {value} +- {u}");
        }
        println!(
            "{name}: raw error {:.0} to {:.0} ns, calibrated below {:.1} ns",
            raw_least * 1e9,
            raw_most * 1e9,
            left_most * 1e9
        );
        assert!(!last || raw_least > 300e-9, "{name}: {raw_least}");
    }
}

/// Equaliser deviations to 0.05 % in 60 s at 40 dB; they say what they are worth.
#[test]
fn equaliser_deviations_are_recovered() {
    let truth = Truth {
        skew: 0.6e-6,
        dlnt: [0.01, -0.013, 0.008],
        c1: |_| real(0.0),
        c2: |_| real(0.0),
    };
    for seed in 0..3 {
        let spectrum = taken_in(&truth, Fed::Common, 48_000.0, 60 * 48_000, 40.0, 77 + seed);
        let made = calibrate(&request(Some(&spectrum), None)).unwrap();
        let common = made.calibration.common.as_ref().unwrap();
        println!("{:?} {:?}", common.equaliser_percent, common.skew_us);
        for (e, d) in common.equaliser_percent.iter().zip(truth.dlnt) {
            assert!((e.value - 100.0 * d).abs() < 0.05, "{e:?} {d}");
            assert!((e.value - 100.0 * d).abs() < 4.0 * e.u, "{e:?} {d}");
        }
        assert!((common.skew_us.value - 0.6).abs() < 4.0 * common.skew_us.u);
        // and not worth less
        assert!((1e-5..3e-3).contains(&common.skew_us.u));
        assert!((1e-5..3e-3).contains(&common.balance_db.u));
        assert!(common.equaliser_percent.iter().all(|e| e.u < 0.03));
        // 40 dB is no cable: it says so, and no more than that
        assert!(made.caveats.iter().any(|c| c.code == "common-from-groove"));
    }
}

/// A grid and constant columns.
fn flat(hertz: &[f64], value: f64) -> Vec<f64> {
    vec![value; hertz.len()]
}

fn bare(common: Option<CommonResponse>, crosstalk: Option<Crosstalk>) -> Calibration {
    Calibration {
        id: "test".into(),
        program: "test".into(),
        date: None,
        sources: Vec::new(),
        common,
        crosstalk,
        warnings: Vec::new(),
        pass: None,
    }
}

fn crosstalk(c1: Complex64, c2: Complex64) -> Crosstalk {
    let hertz = vec![20.0, 200.0, 2000.0, 20_000.0];
    Crosstalk {
        cutter_separation_db: 30.0,
        scatter: 1.0,
        scale_u: 0.0,
        left_into_right_re: flat(&hertz, c2.re),
        left_into_right_im: flat(&hertz, c2.im),
        left_into_right_u: flat(&hertz, 0.0),
        right_into_left_re: flat(&hertz, c1.re),
        right_into_left_im: flat(&hertz, c1.im),
        right_into_left_u: flat(&hertz, 0.0),
        components_deg: Vec::new(),
        hertz,
    }
}

fn identity_common() -> CommonResponse {
    let hertz = vec![20.0, 200.0, 2000.0, 20_000.0];
    let nothing = Estimated { value: 0.0, u: 0.0 };
    CommonResponse {
        inverted: false,
        skew_us: nothing,
        balance_db: nothing,
        equaliser_percent: vec![nothing; 3],
        load_percent: None,
        scatter: 1.0,
        phase_deg: flat(&hertz, 0.0),
        phase_u_deg: flat(&hertz, 0.0),
        gain_db: flat(&hertz, 0.0),
        gain_u_db: flat(&hertz, 0.0),
        components_deg: Vec::new(),
        hertz,
    }
}

/// A spectrum without noise, whose matrix per bin is given.
fn noiseless(rate: f64, length: usize, bin: impl Fn(f64) -> Bin) -> CrossSpectrum {
    CrossSpectrum {
        sample_rate_hz: rate,
        frame_length: length,
        alignment: 0,
        groups: vec![Group {
            first_frame: 0,
            last_frame: 99,
            frames: 100,
            bins: (0..length / 2)
                .map(|k| bin(k as f64 * rate / length as f64))
                .collect(),
        }],
        quietest: groovelag::spectrum::Group::default(),
        span: (0, 51 * length as u64),
        origin: 0,
        quality: SignalQuality {
            left_power: 0.01,
            right_power: 0.01,
            ..SignalQuality::default()
        },
    }
}

fn product(l: Complex64, r: Complex64) -> Bin {
    let cross = l * r.conj();
    Bin {
        left: l.norm_sqr(),
        right: r.norm_sqr(),
        re: cross.re,
        im: cross.im,
    }
}

/// model.md, section 2: crosstalk scales the delay by
/// Re[(1 - c1 c2) / ((1 + c1)(1 + c2))] and adds a phase, arg(1 + c1) -
/// arg(1 + c2) in this crate's L conj(R). By differences of a mixture made
/// without it, and undone by a calibration, both to 1e-6.
#[test]
fn crosstalk_follows_its_closed_form() {
    let i = Complex64::i();
    for (c1, c2) in [
        (real(0.05), real(0.05)),
        (real(-0.05), real(-0.05)),
        (real(0.05), real(-0.05)),
        (real(0.08), real(0.02)),
        (0.01 * i, 0.02 * i),
        (Complex64::new(0.03, -0.02), Complex64::new(-0.01, 0.04)),
    ] {
        let mixed = |theta: f64| {
            let late = Complex64::from_polar(1.0, -theta);
            product(real(1.0) + c1 * late, late + c2)
        };
        let scale = ((real(1.0) - c1 * c2) / ((real(1.0) + c1) * (real(1.0) + c2))).re;
        let added = (real(1.0) + c1).arg() - (real(1.0) + c2).arg();
        let h = 1e-4;
        let slope = (mixed(h).phase() - mixed(-h).phase()) / (2.0 * h);
        assert!((slope - scale).abs() < 1e-6, "{c1} {c2}: {slope} {scale}");
        assert!((mixed(0.0).phase() - added).abs() < 1e-6, "{c1} {c2}");
        let calibration = bare(None, Some(crosstalk(c1, c2)));
        let delay = 3e-6;
        let spectrum = noiseless(48_000.0, 1024, |f| mixed(TAU * f * delay));
        let undone = calibration.apply(&spectrum, false);
        for (k, bin) in undone.groups[0].bins.iter().enumerate() {
            let f = undone.frequency_hz(k);
            assert!(
                (bin.phase() - TAU * f * delay).abs() < 1e-6,
                "{c1} {c2} {f}"
            );
            assert!((bin.left - 1.0).abs() < 1e-6 && (bin.right - 1.0).abs() < 1e-6);
        }
        // leads swapped: the walls reach the other inputs, crosstalk with them
        let swapped = noiseless(48_000.0, 1024, |f| {
            let late = Complex64::from_polar(1.0, -TAU * f * delay);
            product(late + c2, real(1.0) + c1 * late)
        });
        let undone = calibration.apply(&swapped, true);
        for (k, bin) in undone.groups[0].bins.iter().enumerate() {
            let f = undone.frequency_hz(k);
            assert!((bin.phase() + TAU * f * delay).abs() < 1e-6, "swapped {f}");
        }
        // and with the right channel advanced by three samples before analysis
        let mut ahead = noiseless(48_000.0, 1024, |f| {
            let late = Complex64::from_polar(1.0, -TAU * f * delay);
            let advance = Complex64::from_polar(1.0, TAU * f * 3.0 / 48_000.0);
            product(real(1.0) + c1 * late, (late + c2) * advance)
        });
        ahead.alignment = 3;
        let undone = calibration.apply(&ahead, false);
        for k in 0..100 {
            let f = undone.frequency_hz(k);
            let expected = TAU * f * (delay - 3.0 / 48_000.0);
            assert!((undone.groups[0].bins[k].phase() - expected).abs() < 1e-6);
        }
    }
}

/// model.md's table: 0.905 for equal real 0.05, 1.005 for antisymmetric.
#[test]
fn crosstalk_scales_as_tabulated() {
    let scale = |c1: f64, c2: f64| (1.0 - c1 * c2) / ((1.0 + c1) * (1.0 + c2));
    assert!((scale(0.05, 0.05) - 0.905).abs() < 5e-4);
    assert!((scale(0.05, -0.05) - 1.005).abs() < 5e-4);
}

/// A calibration that holds the identity leaves every bit of the spectrum, and
/// so of whatever is printed of it.
#[test]
fn an_identity_changes_nothing() {
    let truth = Truth {
        skew: 0.1e-6,
        dlnt: [0.0; 3],
        c1: |_| real(0.03),
        c2: |_| real(0.01),
    };
    let spectrum = taken_in(&truth, Fed::Groove(2e-6), 44_100.0, 1 << 17, 35.0, 5);
    let zero = real(0.0);
    for calibration in [
        bare(Some(identity_common()), None),
        bare(None, Some(crosstalk(zero, zero))),
        bare(Some(identity_common()), Some(crosstalk(zero, zero))),
    ] {
        // through its document, as a user has it
        let calibration = document::from_toml(&document::to_toml(&calibration), "x").unwrap();
        for swapped in [false, true] {
            let same = calibration.apply(&spectrum, swapped);
            assert_eq!(same.groups, spectrum.groups);
            let settings = EstimateSettings::default();
            assert_eq!(
                estimate(&same, &settings).unwrap(),
                estimate(&spectrum, &settings).unwrap()
            );
        }
    }
}

/// Made at 48 kHz, used at 96 kHz and at 44.1 kHz.
#[test]
fn another_sample_rate_is_interpolated() {
    let truth = Truth {
        skew: 0.6e-6,
        dlnt: [0.01, -0.01, 0.01],
        c1: |_| real(0.04),
        c2: |f| Complex64::new(0.03, 0.02 * f / 20_000.0),
    };
    let made = calibrated(&truth, 48_000.0, 1 << 19, 3);
    for rate in [44_100.0, 96_000.0] {
        let groove = taken_in(&truth, Fed::Groove(3e-6), rate, 1 << 20, 35.0, 9);
        let corrected = made
            .calibration
            .correct(&groove, false, &EstimateSettings::default())
            .unwrap();
        let (value, _) = delay(&corrected.spectrum, &corrected.settings);
        println!("{rate}: {:.2} ns", (value - 3e-6) * 1e9);
        assert!((value - 3e-6).abs() < 10e-9, "{rate}: {value}");
    }
}

/// Only what was measured is corrected: terms that were not stay.
#[test]
fn only_what_was_measured_is_replaced() {
    let truth = Truth {
        skew: 0.6e-6,
        dlnt: [0.01, -0.01, 0.01],
        c1: |_| real(0.05),
        c2: |_| real(0.05),
    };
    let n = 1 << 18;
    let common = taken_in(&truth, Fed::Common, 48_000.0, n, CABLE_DB, 1);
    let left = taken_in(&truth, Fed::Left, 48_000.0, n, 40.0, 2);
    let right = taken_in(&truth, Fed::Right, 48_000.0, n, 40.0, 3);
    let groove = taken_in(&truth, Fed::Groove(3e-6), 48_000.0, n, 35.0, 4);
    let settings = EstimateSettings::default();
    let equaliser = |terms: &[PhaseTerm]| {
        terms
            .iter()
            .filter(|t| t.term.name.starts_with("equaliser"))
            .count()
    };

    let made = calibrate(&request(Some(&common), None))
        .unwrap()
        .calibration;
    let changes = made.prior_changes();
    assert!(changes.chain_skew && changes.equaliser && changes.scale_u.is_none());
    let corrected = made.correct(&groove, false, &settings).unwrap();
    assert_eq!(equaliser(&corrected.settings.terms), 0);
    // equal crosstalk of 5 % is left: 0.9049 of the delay (closed form)
    let (value, u) = delay(&corrected.spectrum, &corrected.settings);
    let scale = (1.0 - 0.0025) / (1.05 * 1.05);
    assert!((value - 3e-6 * scale).abs() < 10e-9, "{value} +- {u}");

    let made = calibrate(&request(None, Some([&left, &right]))).unwrap();
    assert!(
        made.caveats
            .iter()
            .any(|c| c.code == "chain-not-calibrated")
    );
    let changes = made.calibration.prior_changes();
    assert!(!changes.chain_skew && !changes.equaliser);
    // 10^(-30/20) = 0.0316 for the cutter, and next to nothing for noise
    assert!((changes.scale_u.unwrap() - 0.0316).abs() < 0.001);
    let corrected = made.calibration.correct(&groove, false, &settings).unwrap();
    assert_eq!(equaliser(&corrected.settings.terms), 3);
    // the chain's skew is left, and the crosstalk measured through it is exact
    let (value, u) = delay(&corrected.spectrum, &corrected.settings);
    assert!((value - 3.6e-6).abs() < 3.0 * u.max(5e-9), "{value} +- {u}");
}

/// Extrapolation is refused or said.
#[test]
fn the_band_is_limited_to_what_was_calibrated() {
    let calibration = bare(Some(identity_common()), None);
    assert_eq!(
        calibration.limit((100.0, 15_000.0)),
        Ok(((100.0, 15_000.0), None))
    );
    let ((low, high), caveat) = calibration.limit((10.0, 30_000.0)).unwrap();
    assert_eq!((low, high), (20.0, 20_000.0));
    assert_eq!(caveat.unwrap().code, "calibrated-band");
    let refused = calibration
        .limit((21_000.0, 22_000.0))
        .unwrap_err()
        .to_string();
    assert!(refused.contains("--band"), "{refused}");
}

/// Every field of a calibration, when missing, is named; damage is named too.
#[test]
fn damaged_calibrations_are_refused_by_field() {
    let good = document::to_toml(&bare(
        Some(identity_common()),
        Some(crosstalk(real(0.05), real(0.02))),
    ));
    document::from_toml(&good, "CHAIN.toml").unwrap();
    let value: toml::Table = good.parse().unwrap();
    let mut tried = 0;
    for table in ["common", "crosstalk"] {
        for key in value[table].as_table().unwrap().keys() {
            let mut broken = value.clone();
            broken[table].as_table_mut().unwrap().remove(key);
            let error = document::from_toml(&broken.to_string(), "CHAIN.toml")
                .unwrap_err()
                .to_string();
            assert!(
                error.starts_with("CHAIN.toml") && error.contains(&format!("`{key}`")),
                "{error}"
            );
            let mut broken = value.clone();
            broken[table][key] = toml::Value::String("?".into());
            let error = document::from_toml(&broken.to_string(), "CHAIN.toml")
                .unwrap_err()
                .to_string();
            assert!(error.contains(key.as_str()), "{error}");
            tried += 2;
            // columns of another length, and numbers that are none
            if key != "equaliser_percent" && key != "components_deg" && value[table][key].is_array()
            {
                for damage in [vec![1.0, 2.0], vec![1.0, 2.0, f64::NAN, 4.0], vec![]] {
                    let mut broken = value.clone();
                    broken[table][key] =
                        toml::Value::Array(damage.into_iter().map(toml::Value::Float).collect());
                    let error = document::from_toml(&broken.to_string(), "CHAIN.toml")
                        .unwrap_err()
                        .to_string();
                    let names = if key == "hertz" { "" } else { key.as_str() };
                    assert!(error.contains(names), "{key}: {error}");
                    tried += 1;
                }
            }
        }
    }
    assert_eq!(tried, 80);
    for (from, to, names) in [
        ("format = 1", "format = 2", "format is 2"),
        ("[crosstalk]", "[crossstalk]", "crossstalk"),
        ("scatter = 1.0", "scatter = 0.5", "common.scatter"),
        (
            "cutter_separation_db = 30",
            "cutter_separation_db = -30",
            "cutter_separation_db",
        ),
        ("20.0, 200.0", "20.0, 20.0", "hertz"),
        (
            "skew_us = { value = 0.0, u = 0.0 }",
            "skew_us = { value = 0.0, u = -1.0 }",
            "skew_us",
        ),
    ] {
        assert!(good.contains(from), "{from}\n{good}");
        let error = document::from_toml(&good.replacen(from, to, 1), "CHAIN.toml")
            .unwrap_err()
            .to_string();
        assert!(error.contains(names), "{error}");
    }
    // what is neither is no calibration
    let error = document::from_toml("format = 1\nprogram = \"x\"\n", "CHAIN.toml").unwrap_err();
    assert!(error.to_string().contains("common, crosstalk"));
}

/// Each misuse has its message, with the file's name.
#[test]
fn misuse_is_recognised() {
    let truth = Truth {
        skew: 0.3e-6,
        dlnt: [0.0; 3],
        c1: |_| real(0.05),
        c2: |_| real(0.05),
    };
    let n = 1 << 18;
    let take = |fed, snr_db, seed| taken_in(&truth, fed, 48_000.0, n, snr_db, seed);
    let left = take(Fed::Left, 40.0, 1);
    let right = take(Fed::Right, 40.0, 2);
    let groove = take(Fed::Groove(4e-6), 40.0, 3);
    let aligned = take(Fed::Groove(0.2e-6), 40.0, 4);
    let common = take(Fed::Common, CABLE_DB, 5);
    let silent = engine(&vec![0.0; n], &vec![0.0; n], 48_000.0);
    let message = |common, single| calibrate(&request(common, single)).unwrap_err().to_string();

    let text = message(None, Some([&right, &left]));
    assert!(
        text.contains("exchange --left-only and --right-only") && text.contains("left.wav"),
        "{text}"
    );
    let text = message(None, Some([&right, &right]));
    assert!(
        text.starts_with("left.wav") && text.contains("right channel"),
        "{text}"
    );
    let text = message(None, Some([&left, &left]));
    assert!(
        text.starts_with("right.wav") && text.contains("left channel"),
        "{text}"
    );
    let text = message(None, Some([&groove, &right]));
    assert!(text.contains("both channels"), "{text}");
    let text = message(Some(&groove), None);
    assert!(
        text.contains("looks like a recording of a groove"),
        "{text}"
    );
    let text = message(Some(&left), None);
    assert!(text.contains("single-channel band"), "{text}");
    let text = message(Some(&silent), None);
    assert!(text.contains("no signal"), "{text}");
    let text = message(None, Some([&silent, &right]));
    assert!(text.starts_with("left.wav holds no signal"), "{text}");
    assert!(message(None, None).contains("--common"));
    // a well aligned groove shows by its noise alone: said, and kept in the file
    let made = calibrate(&request(Some(&aligned), None)).unwrap();
    assert!(
        made.calibration
            .warnings
            .iter()
            .any(|c| c.code == "common-from-groove")
    );
    // and with clicks as well it is refused
    let mut clicking = aligned.clone();
    clicking.quality.rejected = clicking.quality.frames / 100;
    let text = message(Some(&clicking), None);
    assert!(
        text.contains("clicks in") && text.contains("noise"),
        "{text}"
    );
    // a good one has no doubts
    let made = calibrate(&request(Some(&common), Some([&left, &right]))).unwrap();
    assert_eq!(made.caveats, Vec::new());
    // an inverted channel is undone and said
    let mut inverted = common.clone();
    for bin in inverted.groups.iter_mut().flat_map(|g| &mut g.bins) {
        (bin.re, bin.im) = (-bin.re, -bin.im);
    }
    let made = calibrate(&request(Some(&inverted), None)).unwrap();
    assert!(made.caveats.iter().any(|c| c.code == "inverted-polarity"));
    let upright = made.calibration.apply(&inverted, false);
    assert!(upright.groups[0].bins[100].re > 0.0);
}

/// Two samples between converters, several turns of phase at the top of the band.
#[test]
fn a_skew_of_several_turns_is_measured() {
    for skew in [41.7e-6, -104.2e-6] {
        let chain = |f: f64| Complex64::from_polar(1.1, -TAU * f * skew);
        let spectrum = noiseless(48_000.0, 1024, |f| product(real(1.0), chain(f)));
        let made = calibrate(&request(Some(&spectrum), None)).unwrap();
        let common = made.calibration.common.unwrap();
        // 1e-4 of the document's digits
        assert!(
            (common.skew_us.value - 1e6 * skew).abs() < 1e-3,
            "{:?}",
            common.skew_us
        );
        for f in [100.0, 3456.0, 19_000.0] {
            let off = common.at(f) / chain(f);
            assert!((off - real(1.0)).norm() < 1e-3, "{skew} {f}: {off}");
        }
    }
}

/// Phase and gain of single bins off by five standard deviations, up and down in
/// turn: the errors allow for it, and it is said.
#[test]
fn scatter_of_the_response_widens_its_errors() {
    let coherence = 1.0 - 1e-4;
    // 100 frames are 50 averages where bins are used together
    let u = (1e-4f64 / (2.0 * 50.0 * coherence)).sqrt();
    let step = 48_000.0 / 1024.0;
    let made = |sigmas: f64| {
        let spectrum = noiseless(48_000.0, 1024, |f| {
            let sign = if (f / step).round() % 2.0 == 0.0 {
                1.0
            } else {
                -1.0
            };
            let off = sigmas * u * sign;
            let bin = product(real(1.0), Complex64::from_polar(off.exp(), off));
            Bin {
                re: bin.re * coherence.sqrt(),
                im: bin.im * coherence.sqrt(),
                ..bin
            }
        });
        let per_point = spectrum.averages_per_bin() / spectrum.averages_in_fit();
        (
            calibrate(&request(Some(&spectrum), None)).unwrap(),
            per_point,
        )
    };
    let ((still, _), (scattered, per_point)) = (made(0.0), made(5.0));
    let of = |made: &Calibrated| made.calibration.common.clone().unwrap();
    let (still_common, common) = (of(&still), of(&scattered));
    assert_eq!(still_common.scatter, 1.0);
    // of some 850 values, phases and gains, a dozen unknowns take their share
    let expected = 25.0 * per_point;
    assert!(
        (common.scatter / expected - 1.0).abs() < 0.05,
        "{}",
        common.scatter
    );
    let ratio = common.balance_db.u / still_common.balance_db.u;
    assert!((ratio / common.scatter.sqrt() - 1.0).abs() < 0.1, "{ratio}");
    let said = |made: &Calibrated| made.caveats.iter().any(|c| c.code == "scatter");
    assert!(said(&scattered) && !said(&still));
}

/// What is calculated is what the file says.
#[test]
fn a_calibration_reads_back_as_written() {
    let truth = Truth {
        skew: 0.6e-6,
        dlnt: [0.01, -0.01, 0.01],
        c1: |_| real(0.05),
        c2: |_| real(-0.02),
    };
    let made = calibrated(&truth, 44_100.0, 1 << 18, 8);
    let read = document::from_toml(&made.toml, "CHAIN.toml").unwrap();
    assert_eq!(read, made.calibration);
    assert_eq!(document::to_toml(&read), made.toml);
    assert_eq!(read.id.len(), 12);
    assert_eq!(read.sources.len(), 3);
    println!("{}", made.toml);
}

/// One complex-Wishart draw of `looks` looks with covariance `s` (left power,
/// right power, cross), by Bartlett's decomposition (N. R. Goodman, Ann. Math.
/// Stat. 34, 1963).
fn wishart(rng: &mut ChaCha8Rng, looks: f64, s: (f64, f64, Complex64)) -> Bin {
    use rand_distr::{Distribution, Gamma};
    let first = Gamma::new(looks, 1.0).unwrap().sample(rng).sqrt();
    let second = Gamma::new(looks - 1.0, 1.0).unwrap().sample(rng).sqrt();
    let between = Complex64::new(gaussian(rng), gaussian(rng)) / 2f64.sqrt();
    // lower factor of [s_ll, s_lr; s_lr*, s_rr]
    let a = s.0.sqrt();
    let b = s.2.conj() / a;
    let c = (s.1 - b.norm_sqr()).max(0.0).sqrt();
    let l = a * first;
    let r = b * first + c * between;
    let cross = l * r.conj();
    Bin {
        left: l * l,
        right: r.norm_sqr() + (c * second).powi(2),
        re: cross.re,
        im: cross.im,
    }
}

/// Truth of one draw: all that the priors leave open.
struct Drawn {
    delay: f64,
    chain: Truth,
    c: [Complex64; 2],
    cutter: [Complex64; 2],
}

impl Drawn {
    /// Covariance of (L, R) at a frequency for what is fed, each wall (or
    /// input) with noise of its own.
    fn covariance(&self, fed: Fed, f: f64, snr: f64) -> (f64, f64, Complex64) {
        let one = real(1.0);
        let wall = match fed {
            Fed::Groove(_) => [one, Complex64::from_polar(1.0, -TAU * f * self.delay)],
            Fed::Left => [one, self.cutter[1]],
            Fed::Right => [self.cutter[0], one],
            Fed::Common => [one, one],
        };
        let (c1, c2) = if fed == Fed::Common {
            (Complex64::default(), Complex64::default())
        } else {
            (self.c[0], self.c[1])
        };
        let h = self.chain.chain(f);
        let rows = [[one, c1], [h * c2, h]];
        let of = |i: usize, j: usize| {
            let signal = |k: usize| rows[k][0] * wall[0] + rows[k][1] * wall[1];
            let noise = rows[i][0] * rows[j][0].conj() + rows[i][1] * rows[j][1].conj();
            signal(i) * signal(j).conj() + noise / snr
        };
        (of(0, 0).re, of(1, 1).re, of(0, 1))
    }

    fn spectrum(&self, rng: &mut ChaCha8Rng, fed: Fed, snr: fn(f64) -> f64) -> CrossSpectrum {
        let (rate, frame_length) = (48_000.0, 1024_usize);
        // groups serve the delay's jackknife; a calibration sums them all
        let (groups, frames) = match fed {
            Fed::Groove(_) => (24_u64, 20_u64),
            _ => (1, 480),
        };
        CrossSpectrum {
            sample_rate_hz: rate,
            frame_length,
            alignment: 0,
            groups: (0..groups)
                .map(|g| Group {
                    first_frame: g * frames,
                    last_frame: (g + 1) * frames - 1,
                    frames,
                    bins: (0..frame_length / 2)
                        .map(|k| {
                            let f = k as f64 * rate / frame_length as f64;
                            let s = self.covariance(fed, f, snr(f));
                            wishart(rng, frames as f64 / 2.0, s)
                        })
                        .collect(),
                })
                .collect(),
            quietest: groovelag::spectrum::Group::default(),
            span: (0, 480 * 512 + 512),
            origin: 0,
            quality: SignalQuality {
                loudest_power: 0.01,
                left_power: 0.01,
                right_power: 0.01,
                frames: 480,
                ..Default::default()
            },
        }
    }

    /// What the corrected delay is of the true one: the cutter's crosstalk is
    /// taken for the cartridge's, so the correction goes too far by it.
    fn scale(&self) -> f64 {
        let [c1, c2] = self.c;
        let [k1, k2] = self.cutter;
        let one = real(1.0);
        // what the bands show, as ratios of the recorded channels
        let m1 = (k1 + c1) / (one + c2 * k1);
        let m2 = (k2 + c2) / (one + c1 * k2);
        let phase = |theta: f64| {
            let late = Complex64::from_polar(1.0, -theta);
            let (l, r) = (one + c1 * late, late + c2);
            ((l - m1 * r) * (r - m2 * l).conj()).arg()
        };
        (phase(1e-4) - phase(-1e-4)) / 2e-4
    }
}

fn drawn(rng: &mut ChaCha8Rng, delay: f64) -> Drawn {
    let cutter = 10f64.powf(-chain::DEFAULT_CUTTER_SEPARATION_DB / 20.0) / 2f64.sqrt();
    let mut complex = |u: f64| Complex64::new(u * gaussian(rng), u * gaussian(rng));
    let c = [complex(0.03), complex(0.03)];
    let cutter = [complex(cutter), complex(cutter)];
    let tolerance = 2f64.sqrt() * 0.01;
    Drawn {
        delay,
        chain: Truth {
            skew: 0.5e-6 * gaussian(rng),
            dlnt: [0.0; 3].map(|_: f64| tolerance * gaussian(rng)),
            c1: |_| Complex64::default(),
            c2: |_| Complex64::default(),
        },
        c,
        cutter,
    }
}

/// Prior of the rotation in the draws: delays of some 6 us, and up to 15.
const ROTATION_U: f64 = 5.0 * DEGREE;

/// The job of one capture of a generic elliptical with a calibrated chain.
fn job(calibration: &Calibration) -> Job {
    let mut job = Job::default();
    let name = String::new;
    job.cartridges.insert(name(), Cartridge::default());
    job.records.insert(name(), job::Record::default());
    job.chains.insert(name(), job::Chain::default());
    job.setups.insert(
        name(),
        Setup {
            rotation: Stated {
                value: Some(0.0),
                u: Some(ROTATION_U),
            },
            ..Default::default()
        },
    );
    job.captures.push(CaptureSpec {
        source: job::DelaySource::File("groove.wav".into()),
        band: None,
        setup: name(),
        record: name(),
        chain: name(),
        radius: [70.0 * MILLIMETRE; 2],
        radius_u: None,
        rpm: Stated::number(100.0 / 3.0),
        turn: Stated::default(),
        swapped: false,
        channels: None,
        from_s: None,
        to_s: None,
        date: None,
        note: None,
        line: None,
    });
    replace_priors(&mut job, &BTreeMap::from([(name(), calibration.clone())]));
    job
}

/// A groove and stylus drawn from the priors of [`job`]; what the crosstalk
/// and the chain do comes with the spectrum.
fn groove(rng: &mut ChaCha8Rng) -> Conditions {
    use groovelag::job::priors;
    let mut draw = |p: &priors::DefaultPrior| {
        let e = p.estimate();
        e.value + e.u * gaussian(rng)
    };
    let size = priors::sizes(None).map(&mut draw);
    let (cut, record_skew) = (draw(&priors::CUT), draw(&priors::RECORD_SKEW));
    let (radius, cartridge_skew) = (draw(&priors::RADIUS), draw(&priors::CARTRIDGE_SKEW));
    Conditions {
        rotation: ROTATION_U * gaussian(rng),
        turn: 0.0,
        radius,
        rpm: 100.0 / 3.0 + priors::speed_u(100.0 / 3.0) * gaussian(rng),
        tip: Tip {
            profile: Profile::Elliptical,
            size,
        },
        half_angle: 45.0 * DEGREE,
        cut,
        lathe_offset: 0.0,
        record_skew,
        cut_rpm: priors::DEFAULT_CUT_RPM,
        cartridge_skew,
        scale: 1.0,
        chain_skew: 0.0,
        arm: None,
        tracking: 0.0,
        swapped: false,
    }
}

/// 2,000 complex-Wishart draws of groove, common signal and single-channel
/// bands, the truth drawn from the priors: the 95 % bands of the calibrated
/// delay and of the rotation hold it within the 99.9 % limits of a binomial
/// count, and the rotation's band is narrower than without a calibration.
#[test]
#[ignore = "a statistical proof: .ci/run runs it"]
fn the_calibrated_bands_cover_over_wishart_draws() {
    use rayon::prelude::*;
    const DRAWS: u64 = 2000;
    let counted: Vec<(bool, bool)> = (0..DRAWS)
        .into_par_iter()
        .map(|draw| {
            let mut rng = ChaCha8Rng::seed_from_u64(31_000 + draw);
            let conditions = groove(&mut rng);
            let truth = drawn(&mut rng, conditions.predict().delay);
            let pink: fn(f64) -> f64 = |f| 2e7 / (f + 10.0);
            let common = truth.spectrum(&mut rng, Fed::Common, |f| 1e11 / (f + 10.0));
            let left = truth.spectrum(&mut rng, Fed::Left, pink);
            let right = truth.spectrum(&mut rng, Fed::Right, pink);
            let groove = truth.spectrum(&mut rng, Fed::Groove(truth.delay), pink);
            let made = calibrate(&request(Some(&common), Some([&left, &right]))).unwrap();
            let corrected = made
                .calibration
                .correct(&groove, false, &EstimateSettings::default())
                .unwrap();
            let e = estimate(&corrected.spectrum, &corrected.settings).unwrap();
            let off = e.delay_s - truth.delay * truth.scale();
            let data = CaptureData {
                information: e.information.clone(),
                nodes: e.nodes.clone(),
                sha256: None,
                caveats: Vec::new(),
                priors: Vec::new(),
                tracing: None,
                evidence: None,
            }
            .with_priors(&made.calibration.prior_changes().terms);
            let solved = job::solve(&job(&made.calibration), &[Some(data)], 0.95).unwrap();
            let rotation = solved.solution.setups[0].rotation_deg;
            (
                off.abs() < 1.959_964 * e.standard_uncertainty_s,
                rotation.interval.contains(conditions.rotation / DEGREE),
            )
        })
        .collect();
    let share = |of: fn(&(bool, bool)) -> bool| {
        counted.iter().filter(|c| of(c)).count() as f64 / DRAWS as f64
    };
    let (delays, rotations) = (share(|c| c.0), share(|c| c.1));
    // The same delay, 6 us, with nothing, and with chain and crosstalk known.
    let u = |calibration: &Calibration| {
        let mut job = job(calibration);
        if let Some(setup) = job.setups.get_mut("") {
            setup.rotation = Stated::default();
        }
        let data = CaptureData::of_delay(6e-6, 5e-9);
        let solved = job::solve(&job, &[Some(data)], 0.95).unwrap();
        solved.solution.setups[0].rotation_deg.standard_uncertainty
    };
    let zero = real(0.0);
    let plain_u = u(&bare(None, None));
    let calibrated_u = u(&bare(Some(identity_common()), Some(crosstalk(zero, zero))));
    println!(
        "delays inside {delays}, rotations inside {rotations}; u at 6 us {calibrated_u:.3} deg, uncalibrated {plain_u:.3} deg"
    );
    // 3.29 standard deviations of a binomial share of 0.95
    let limit = 3.29 * (0.95 * 0.05 / DRAWS as f64).sqrt();
    assert!((delays - 0.95).abs() < limit, "{delays}");
    assert!((rotations - 0.95).abs() < limit, "{rotations}");
    assert!(calibrated_u < plain_u);
}

/// A phase that neither skew nor equaliser parts make is told, and none is not.
#[test]
fn a_phase_of_another_shape_is_told() {
    let coherence: f64 = 1.0 - 1e-6;
    let told = |radians: f64| {
        let spectrum = noiseless(48_000.0, 4096, |f| {
            // a bump of an octave about 2 kHz
            let octaves = (f.max(1.0) / 2000.0).log2();
            let phase = radians * (-octaves * octaves).exp();
            let bin = product(real(1.0), Complex64::from_polar(1.0, phase));
            Bin {
                re: bin.re * coherence.sqrt(),
                im: bin.im * coherence.sqrt(),
                ..bin
            }
        });
        let made = calibrate(&request(Some(&spectrum), None)).unwrap();
        made.caveats.iter().any(|c| c.code == "phase-shape")
    };
    assert!(told(0.5));
    assert!(!told(0.0));
}

/// A skew that is stated and calibrated is the calibration's, and that is said.
#[test]
fn a_calibration_replaces_what_is_stated() {
    let calibration = bare(Some(identity_common()), None);
    let replaced = |skew: Stated| {
        let chain = job::Chain {
            skew,
            ..job::Chain::default()
        };
        let mut job = Job {
            chains: [("C".to_owned(), chain)].into(),
            ..Job::default()
        };
        let known = BTreeMap::from([("C".to_owned(), calibration.clone())]);
        let caveats = replace_priors(&mut job, &known);
        let beyond = job.chains["C"].beyond.as_ref().map(|(beyond, _)| *beyond);
        assert_eq!(beyond, Some(job::Estimate::exact(0.0)));
        caveats.iter().any(|c| c.code == "calibration-replaces")
    };
    assert!(replaced(Stated::number(1e-6)));
    assert!(!replaced(Stated::default()));
}
