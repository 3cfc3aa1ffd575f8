//! What must not change, or only change its sign: symmetries of recordings,
//! spectra, grooves and jobs, over random draws with fixed seeds.
//!
//! None of these needs to know the right answer, so each holds whatever the
//! estimator or the model is; a wrong sign, a forgotten factor or a side that is
//! treated unlike the other breaks them.

use groovelag::adjust::symmetric_eigen;
use groovelag::delay::{DelayEstimate, EstimateSettings, estimate, phase};
use groovelag::groove::{Arm, Conditions, INPUTS, ModelInput, Profile, Tip, groove_speed};
use groovelag::job::{
    self, Alignment, ArmOf, CaptureData, CaptureSpec, Cartridge, Chain, DelaySource, Job,
    PivotedArm, Record, Setup, Solved, Stated,
};
use groovelag::spectrum::{CrossSpectrum, EQUALISER, Engine, EngineSettings};
use groovelag::uncertainty::Quantity;
use groovelag::units::{DEGREE, MICROMETRE, MICROSECOND, MILLIMETRE};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;
use std::f64::consts::{FRAC_PI_4, TAU};

/// Draws of each property.
const DRAWS: u64 = 30;

fn random(seed: u64, draw: u64) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(draw);
    rng
}

fn uniform(rng: &mut ChaCha8Rng, low: f64, high: f64) -> f64 {
    low + (high - low) * rng.random::<f64>()
}

fn gaussian(rng: &mut ChaCha8Rng) -> f64 {
    let (u, v): (f64, f64) = (rng.random(), rng.random());
    (-2.0 * (1.0 - u).ln()).sqrt() * (TAU * v).cos()
}

fn pick<T: Copy>(rng: &mut ChaCha8Rng, from: &[T]) -> T {
    from[rng.random_range(0..from.len())]
}

// Recordings and spectra.

const RATE: f64 = 48_000.0;
/// Half of the analysis' frame at this rate.
const HOP: usize = 2048;
/// Frames of a recording: a power of two, so that groups of frames are the same
/// counted from either end.
const FRAMES: usize = 64;

#[derive(Debug, Clone)]
struct Recording {
    left: Vec<f32>,
    right: Vec<f32>,
}

/// Noise whose spectrum falls as `f^-s`, s between 0 and 1, delayed by up to 60
/// us and with equaliser parts as the estimator expects them; white noise of
/// its own in each channel, 15 to 50 dB down.
fn recording(rng: &mut ChaCha8Rng) -> Recording {
    let n = (FRAMES + 1) * HOP;
    let delay = uniform(rng, -60e-6, 60e-6);
    let slope = uniform(rng, 0.0, 1.0);
    let noise = 10f64.powf(uniform(rng, -50.0, -15.0) / 20.0);
    let deviations = EQUALISER.map(|_| phase::equaliser_u(0.01) * gaussian(rng));
    let i = Complex::<f64>::i();
    let mut packed = vec![Complex::<f64>::default(); n];
    let mut power = 0.0;
    for k in 1..n / 2 {
        let f = k as f64 * RATE / n as f64;
        let z = Complex::new(gaussian(rng), gaussian(rng)) * f.powf(-slope / 2.0);
        if !(20.0..20_000.0).contains(&f) {
            continue;
        }
        power += 2.0 * z.norm_sqr();
        let mut turn = -TAU * f * delay;
        for ((seconds, sign), deviation) in EQUALISER.iter().zip(deviations) {
            let wt = TAU * f * seconds;
            turn -= sign * deviation * wt / (1.0 + wt * wt);
        }
        let right = z * Complex::from_polar(1.0, turn);
        packed[k] = z + i * right;
        packed[n - k] = z.conj() + i * right.conj();
    }
    FftPlanner::new().plan_fft_inverse(n).process(&mut packed);
    let scale = 0.1 / power.sqrt();
    let mut own = || 0.1 * noise * gaussian(rng);
    Recording {
        left: packed
            .iter()
            .map(|v| (v.re * scale + own()) as f32)
            .collect(),
        right: packed
            .iter()
            .map(|v| (v.im * scale + own()) as f32)
            .collect(),
    }
}

impl Recording {
    fn swapped(&self) -> Self {
        Self {
            left: self.right.clone(),
            right: self.left.clone(),
        }
    }

    fn reversed(&self) -> Self {
        let reverse = |samples: &[f32]| samples.iter().rev().copied().collect();
        Self {
            left: reverse(&self.left),
            right: reverse(&self.right),
        }
    }

    fn scaled(&self, left: f32, right: f32) -> Self {
        Self {
            left: self.left.iter().map(|v| v * left).collect(),
            right: self.right.iter().map(|v| v * right).collect(),
        }
    }

    fn padded(&self, before: usize, after: usize) -> Self {
        let pad = |samples: &[f32]| {
            let mut padded = vec![0.0; before];
            padded.extend_from_slice(samples);
            padded.resize(before + samples.len() + after, 0.0);
            padded
        };
        Self {
            left: pad(&self.left),
            right: pad(&self.right),
        }
    }

    fn spectrum(&self) -> CrossSpectrum {
        let mut engine = engine();
        engine.push(&self.left, &self.right);
        engine.snapshot()
    }

    fn estimate(&self) -> DelayEstimate {
        estimate(&self.spectrum(), &EstimateSettings::default()).unwrap()
    }
}

fn engine() -> Engine {
    Engine::new(EngineSettings {
        sample_rate_hz: RATE,
        alignment: 0,
        whole: false,
    })
    .unwrap()
}

/// How far a delay may move when the single-precision transforms round
/// otherwise, in standard uncertainties by noise. A transform of 4096 points
/// leaves rounding of about 2^-24 sqrt(12) = 2e-7 of a frame's root mean square, white
/// over the bins; the recordings' own white noise is 3e-3 of it at least, and moves the
/// delay by one standard uncertainty. Their ratio, for the difference of two
/// roundings, times five for chance.
const ROUNDED: f64 = 5.0 * std::f64::consts::SQRT_2 * 2e-7 / 3.2e-3;

/// The same where the coarse delay, which is turned out of the bins before they
/// are summed in clusters, falls on the next lag, a quarter of a sample away:
/// over half a cluster (70 Hz) that is 2.3e-3 rad, so its second order, 2.6e-6 rad,
/// against the 1e-4 rad by which the phase of a cluster scatters at 50 dB.
const NEXT_LAG: f64 = 2.6e-6 / 1e-4;

#[track_caller]
fn assert_same(what: &str, sign: f64, a: &DelayEstimate, b: &DelayEstimate) {
    let coarse = |e: &DelayEstimate| e.correlation.delays[e.correlation.delays.len() / 2];
    let same_lag = (coarse(a) - sign * coarse(b)).abs() < 1e-9;
    let limit = if same_lag { ROUNDED } else { NEXT_LAG };
    let moved = (a.delay_s - sign * b.delay_s).abs() / a.random_s;
    let band = (a.standard_uncertainty_s / b.standard_uncertainty_s - 1.0).abs();
    assert!(moved <= limit, "{what}: moved by {moved:e} u, {same_lag}");
    assert!(band <= limit, "{what}: bands differ by {band:e}");
}

#[test]
fn swapped_channels_turn_the_delay_over() {
    for draw in 0..DRAWS {
        let recording = recording(&mut random(1, draw));
        let (a, b) = (recording.estimate(), recording.swapped().estimate());
        assert_same("swapped", -1.0, &a, &b);
        for (a, b) in a.term_values.iter().zip(&b.term_values) {
            // of a prior of 0.02
            assert!((a + b).abs() < 0.02 * ROUNDED, "{a} {b}");
        }
    }
}

#[test]
fn time_reversed_turns_the_delay_over() {
    for draw in 0..DRAWS {
        let recording = recording(&mut random(2, draw));
        let (a, b) = (recording.estimate(), recording.reversed().estimate());
        assert_same("reversed", -1.0, &a, &b);
    }
}

#[test]
fn gain_changes_nothing() {
    for draw in 0..DRAWS {
        let mut rng = random(3, draw);
        let recording = recording(&mut rng);
        let a = recording.estimate();
        // a power of two is exact in every step
        let power = pick(&mut rng, &[0.03125, 0.25, 0.5, 2.0]);
        let both = recording.scaled(power, power).estimate();
        assert_eq!(a.delay_s, both.delay_s);
        assert_eq!(a.information, both.information);
        let gain = uniform(&mut rng, 0.01, 3.0) as f32;
        assert_same("both", 1.0, &a, &recording.scaled(gain, gain).estimate());
        let gain = uniform(&mut rng, 0.1, 3.0) as f32;
        let one = recording.scaled(1.0, gain).estimate();
        assert_same("one", 1.0, &a, &one);
    }
}

#[test]
fn polarity_of_both_channels_changes_nothing_and_of_one_is_said() {
    for draw in 0..DRAWS {
        let recording = recording(&mut random(4, draw));
        let a = recording.estimate();
        let both = recording.scaled(-1.0, -1.0).estimate();
        assert_eq!(a, both);
        for one in [recording.scaled(-1.0, 1.0), recording.scaled(1.0, -1.0)] {
            let one = one.estimate();
            assert!(one.inverted && !a.inverted);
            assert_same("one inverted", 1.0, &a, &one);
        }
    }
}

/// The cross-spectrum alone, where nothing is rounded again: conjugated it is
/// that of swapped channels.
#[test]
fn conjugated_spectra_turn_everything_over() {
    for draw in 0..DRAWS {
        let spectrum = recording(&mut random(5, draw)).spectrum();
        let mut conjugate = spectrum.clone();
        for bin in conjugate.groups.iter_mut().flat_map(|g| &mut g.bins) {
            (bin.left, bin.right, bin.im) = (bin.right, bin.left, -bin.im);
        }
        let a = estimate(&spectrum, &EstimateSettings::default()).unwrap();
        let b = estimate(&conjugate, &EstimateSettings::default()).unwrap();
        // only sums of some thousand terms in another order, squared by the
        // condition of the fit (below 1e3)
        let near = |a: f64, b: f64, scale: f64| {
            assert!((a - b).abs() <= 1e-9 * scale, "{a} {b} of {scale}");
        };
        near(a.delay_s, -b.delay_s, a.random_s);
        near(a.random_s, b.random_s, a.random_s);
        near(a.dispersion, b.dispersion, 1.0);
        near(a.reduced_chi_square, b.reduced_chi_square, 1.0);
        for (a, b) in a.along.iter().zip(&b.along) {
            near(a.delay_s, -b.delay_s, a.standard_uncertainty_s);
            near(a.weight, b.weight, 1.0);
        }
        for (a, b) in a.curve.iter().zip(&b.curve) {
            near(a.phase_rad, -b.phase_rad, 1.0);
            near(a.fitted_rad, -b.fitted_rad, 1.0);
            near(a.coherence, b.coherence, 1.0);
            near(a.left_db, b.right_db, 1.0);
        }
        let shift = |e: &DelayEstimate| e.band_shift.unwrap();
        near(shift(&a).shift_s, -shift(&b).shift_s, a.random_s);
    }
}

/// A delay by whole samples, injected by moving one channel, adds itself.
#[test]
fn whole_samples_add_themselves() {
    for draw in 0..DRAWS {
        let mut rng = random(6, draw);
        let spectrum = recording(&mut rng).spectrum();
        let samples = pick(&mut rng, &[-3.0, -2.0, -1.0, 1.0, 2.0, 3.0]);
        let mut turned = spectrum.clone();
        for group in &mut turned.groups {
            for (k, bin) in group.bins.iter_mut().enumerate() {
                let turn = TAU * k as f64 * samples / turned.frame_length as f64;
                let z = Complex::new(bin.re, bin.im) * Complex::from_polar(1.0, turn);
                (bin.re, bin.im) = (z.re, z.im);
            }
        }
        let a = estimate(&spectrum, &EstimateSettings::default()).unwrap();
        let b = estimate(&turned, &EstimateSettings::default()).unwrap();
        let moved = b.delay_s - a.delay_s - samples / RATE;
        assert!(moved.abs() < 1e-6 * a.random_s, "{moved} {}", a.random_s);
    }
}

#[test]
fn blocks_of_any_size_are_bit_identical() {
    for draw in 0..DRAWS {
        let mut rng = random(7, draw);
        let recording = recording(&mut rng);
        let whole = recording.spectrum();
        let mut engine = engine();
        let mut at = 0;
        while at < recording.left.len() {
            let largest = pick(&mut rng, &[3, 1000, 30_000]);
            let end = (at + rng.random_range(1..=largest)).min(recording.left.len());
            engine.push(&recording.left[at..end], &recording.right[at..end]);
            at = end;
            // looking at it in between leaves no trace
            if rng.random_bool(0.05) {
                let _ = engine.snapshot();
            }
        }
        let split = engine.snapshot();
        assert_eq!(whole.groups, split.groups);
        assert_eq!(whole.quality, split.quality);
        assert_eq!(whole.span, split.span);
    }
}

/// Silence before and after, in whole steps of the analysis: the same frames count
/// (those that lie half in the silence are rejected), and a plain slope
/// stays to the last bits. Frames fall into other groups, so the jackknife's factor `q` on
/// the data's variance may differ, and with it how data weigh against the priors of the
/// terms: `d t / d ln q = (C P v)_0`, at most `u sqrt(v' P v)` (Cauchy and Schwarz).
#[test]
fn silence_around_the_programme_changes_nothing() {
    let plain = EstimateSettings {
        terms: Vec::new(),
        ..EstimateSettings::default()
    };
    let settings = EstimateSettings::default();
    for draw in 0..DRAWS {
        let mut rng = random(8, draw);
        let recording = recording(&mut rng);
        let (before, after) = (rng.random_range(1..40), rng.random_range(1..40));
        let padded = recording.padded(before * HOP, after * HOP);
        let (a, b) = (recording.spectrum(), padded.spectrum());
        let of = |s: &CrossSpectrum| estimate(s, &plain).unwrap();
        let (plain_a, plain_b) = (of(&a), of(&b));
        let moved = (plain_a.delay_s - plain_b.delay_s).abs();
        assert!(moved < 1e-9 * plain_a.random_s, "{moved}");
        let of = |s: &CrossSpectrum| estimate(s, &settings).unwrap();
        let (a, b) = (of(&a), of(&b));
        let factor = (a.dispersion / b.dispersion).ln().abs();
        let parts = a.term_values.iter().zip(&settings.terms);
        let size: f64 = parts.map(|(v, t)| (v / t.prior_u).powi(2)).sum();
        let u = a.standard_uncertainty_s.max(b.standard_uncertainty_s);
        let moved = (a.delay_s - b.delay_s).abs();
        // the bound is of first order; a tenth for the rest
        let limit = 1.1 * u * factor * size.sqrt() + 1e-6 * u;
        assert!(moved < limit, "{moved} {limit}");
    }
}

/// Any length of silence: frames stand elsewhere, and up to half a frame at either end,
/// two steps in sixty-five, counts more or less than before. So the delays
/// differ with at most the variance of so much of the data, as a mean square over the
/// draws, within 99.9 % of chi-square (59.70 for 30 draws; SciPy 1.17.1, chi2.ppf).
#[test]
fn silence_of_any_length_moves_the_delay_by_the_ends_alone() {
    let share = 2.0 / (FRAMES + 1) as f64;
    let mut sum = 0.0;
    for draw in 0..DRAWS {
        let mut rng = random(9, draw);
        let recording = recording(&mut rng);
        let length = |rng: &mut ChaCha8Rng| rng.random_range(1..90_000);
        let padded = recording.padded(length(&mut rng), length(&mut rng));
        let (a, b) = (recording.estimate(), padded.estimate());
        sum += ((a.delay_s - b.delay_s) / a.random_s).powi(2);
    }
    assert!(sum < 59.70 * share, "{sum}");
}

// Grooves.

fn tip(rng: &mut ChaCha8Rng) -> Tip {
    let um = |rng: &mut ChaCha8Rng, low, high| uniform(rng, low, high) * MICROMETRE;
    let profile = pick(
        rng,
        &[Profile::Spherical, Profile::Elliptical, Profile::Line],
    );
    let size = match profile {
        Profile::Spherical => [um(rng, 12.0, 20.0), um(rng, -2.0, 2.0), um(rng, -0.2, 0.2)],
        Profile::Elliptical => [
            um(rng, 14.0, 20.0),
            um(rng, 4.0, 10.0),
            uniform(rng, -0.2, 0.2),
        ],
        Profile::Line => [
            um(rng, 35.0, 60.0),
            um(rng, 3.0, 8.0),
            uniform(rng, -0.8, 0.0),
        ],
    };
    Tip { profile, size }
}

fn conditions(rng: &mut ChaCha8Rng) -> Conditions {
    let deg = |rng: &mut ChaCha8Rng, most: f64| uniform(rng, -most, most) * DEGREE;
    let us = |rng: &mut ChaCha8Rng| uniform(rng, -0.5, 0.5) * MICROSECOND;
    Conditions {
        rotation: deg(rng, 20.0),
        turn: deg(rng, 5.0),
        radius: uniform(rng, 58.0, 146.0) * MILLIMETRE,
        rpm: uniform(rng, 16.0, 80.0),
        tip: tip(rng),
        half_angle: FRAC_PI_4 + deg(rng, 3.0),
        cut: deg(rng, 3.0),
        lathe_offset: uniform(rng, -2.0, 2.0) * MILLIMETRE,
        record_skew: us(rng),
        cut_rpm: uniform(rng, 16.0, 80.0),
        cartridge_skew: us(rng),
        scale: uniform(rng, 0.7, 1.2),
        chain_skew: us(rng),
        arm: rng.random_bool(0.5).then(|| Arm {
            effective_length: uniform(rng, 220.0, 240.0) * MILLIMETRE,
            pivot_to_spindle: uniform(rng, 205.0, 218.0) * MILLIMETRE,
            offset: uniform(rng, 0.0, 25.0) * DEGREE,
        }),
        tracking: deg(rng, 2.0),
        swapped: rng.random(),
    }
}

/// A few dozen roundings of f64, of terms that may cancel: relative to the sum
/// of the delay's parts.
fn assert_near(what: &str, found: f64, expected: f64, scale: f64) {
    assert!(
        (found - expected).abs() <= 64.0 * f64::EPSILON * scale.abs(),
        "{what}: {found} {expected}"
    );
}

/// What a delay may consist of, seconds: the scale of its rounding.
fn size(c: &Conditions) -> f64 {
    c.tip.size[0] / groove_speed(c.radius, c.rpm)
        + c.record_skew.abs() * c.cut_rpm / c.rpm
        + c.cartridge_skew.abs()
        + c.chain_skew.abs()
}

/// Seen in a mirror that stands on the record, every angle and skew turns over,
/// the arm pivots on the other side, and so does the delay; the derivatives by
/// what turned over stay, the others turn over.
#[test]
fn clockwise_and_anticlockwise_mirror_each_other() {
    for draw in 0..20 * DRAWS {
        let c = conditions(&mut random(20, draw));
        let mut mirrored = c;
        let mut odd = vec![
            ModelInput::Rotation,
            ModelInput::Turn,
            ModelInput::Tracking,
            ModelInput::Cut,
            ModelInput::LatheOffset,
            ModelInput::RecordSkew,
            ModelInput::CartridgeSkew,
            ModelInput::ChainSkew,
        ];
        if c.tip.profile == Profile::Spherical {
            // a path, not a shape
            odd.push(ModelInput::Size2);
        }
        if c.arm.is_some() {
            odd.extend([
                ModelInput::ArmLength,
                ModelInput::ArmPivot,
                ModelInput::ArmOffset,
            ]);
        }
        for &input in &odd {
            let field = mirrored.input_mut(input).unwrap();
            *field = -*field;
        }
        let (here, there) = (c.predict(), mirrored.predict());
        assert_near("delay", there.delay, -here.delay, size(&c));
        for k in 0..INPUTS {
            let sign = if odd.iter().any(|i| *i as usize == k) {
                1.0
            } else {
                -1.0
            };
            let (a, b) = (here.gradient[k], there.gradient[k]);
            assert_near(&format!("gradient {k}"), b, sign * a, a);
        }
    }
}

/// At twice the speed the groove's part of the delay halves, exactly: a factor
/// of two is no rounding. What is constant in time stays; a skew of the cutter is
/// part of the groove unless the cut is as much faster.
#[test]
fn doubling_the_speed_halves_the_grooves_part() {
    for draw in 0..20 * DRAWS {
        let mut c = conditions(&mut random(21, draw));
        let constant = c.chain_skew + if c.swapped { -1.0 } else { 1.0 } * c.cartridge_skew;
        let fast = Conditions {
            rpm: 2.0 * c.rpm,
            ..c
        };
        let (slow, quick) = (c.predict().delay, fast.predict().delay);
        assert_near(
            "with skews",
            quick - constant,
            0.5 * (slow - constant),
            size(&c),
        );
        (c.chain_skew, c.cartridge_skew) = (0.0, 0.0);
        let fast = Conditions {
            rpm: 2.0 * c.rpm,
            ..c
        };
        assert_eq!(fast.predict().delay, 0.5 * c.predict().delay);
        c.record_skew *= 0.0;
        let wide = Conditions {
            radius: 2.0 * c.radius,
            lathe_offset: 2.0 * c.lathe_offset,
            arm: None,
            ..c
        };
        let narrow = Conditions { arm: None, ..c };
        assert_eq!(wide.predict().delay, 0.5 * narrow.predict().delay);
        assert_eq!(
            groove_speed(c.radius, 2.0 * c.rpm),
            2.0 * groove_speed(c.radius, c.rpm)
        );
    }
}

/// Swapping leads turns over what lies before the swap point and nothing else;
/// the scale acts on the groove and nothing else; lengths have no unit.
#[test]
fn swap_scale_and_unit_of_length() {
    for draw in 0..20 * DRAWS {
        let mut rng = random(22, draw);
        let c = conditions(&mut rng);
        let swapped = Conditions {
            swapped: !c.swapped,
            ..c
        };
        let sum = c.predict().delay + swapped.predict().delay;
        assert_near("swap", sum, 2.0 * c.chain_skew, 2.0 * size(&c));

        let groove = |scale: f64| {
            let only = Conditions {
                scale,
                record_skew: 0.0,
                cartridge_skew: 0.0,
                chain_skew: 0.0,
                ..c
            };
            only.predict().delay
        };
        let factor = uniform(&mut rng, 0.5, 2.0);
        assert_near("scale", groove(factor), factor * groove(1.0), size(&c));

        // everything in other units of length
        let mut large = c;
        for input in [
            ModelInput::Radius,
            ModelInput::Size0,
            ModelInput::Size1,
            ModelInput::LatheOffset,
            ModelInput::ArmLength,
            ModelInput::ArmPivot,
        ] {
            if let Some(field) = large.input_mut(input) {
                *field *= 1000.0;
            }
        }
        if c.tip.profile == Profile::Spherical {
            large.tip.size[2] *= 1000.0;
        }
        // an arm's sines cancel squares of lengths: a thousand roundings
        assert_near(
            "length",
            large.predict().delay,
            c.predict().delay,
            16.0 * size(&c),
        );
    }
}

/// An arm's offset is a turn; at no tracking error it does nothing.
#[test]
fn an_offset_turns_the_stylus() {
    for draw in 0..20 * DRAWS {
        let c = conditions(&mut random(23, draw));
        let Some(arm) = c.arm else { continue };
        let tracking = arm.tracking_error(c.radius);
        let without = Conditions {
            arm: None,
            turn: c.turn + tracking,
            ..c
        };
        let (with, without) = (c.predict(), without.predict());
        assert_near("arm", with.delay, without.delay, size(&c));
        assert_eq!(
            with.gradient[ModelInput::ArmOffset as usize],
            with.gradient[ModelInput::Rotation as usize]
        );
        let more = Arm {
            offset: arm.offset + 0.01,
            ..arm
        };
        assert_near(
            "offset",
            more.tracking_error(c.radius) - tracking,
            0.01,
            1.0,
        );
    }
}

// Jobs.

/// Quantities stated with their uncertainty.
fn stated(value: f64, u: f64, unit: f64) -> Stated {
    Stated::with_u(value * unit, u * unit)
}

/// A job of one to three setups on one or two record sides, everything stated,
/// with what its captures read: delays predicted from a truth drawn from the
/// priors.
fn random_job(rng: &mut ChaCha8Rng) -> (Job, Vec<Option<CaptureData>>) {
    let mut job = Job::default();
    let mut truth = Vec::new();
    let draw = |rng: &mut ChaCha8Rng, s: Stated| s.value.unwrap() + s.u.unwrap() * gaussian(rng);
    for name in ["A", "B"] {
        let record = Record {
            cut_rotation: stated(uniform(rng, -0.5, 0.5), 0.5, DEGREE),
            lathe_offset: stated(uniform(rng, -0.3, 0.3), 0.25, MILLIMETRE),
            skew: stated(uniform(rng, -0.1, 0.1), 0.1, MICROSECOND),
            cut_rpm: Some(pick(rng, &[100.0 / 3.0, 45.0])),
            groove_angle: stated(90.0, 1.0, DEGREE),
            ..Record::default()
        };
        job.records.insert(name.to_owned(), record);
        let chain = Chain {
            skew: stated(uniform(rng, -0.3, 0.3), 0.5, MICROSECOND),
            ..Chain::default()
        };
        job.chains.insert(name.to_owned(), chain);
    }
    for name in ["one", "two", "three"].iter().take(rng.random_range(1..=3)) {
        let profile = pick(
            rng,
            &[Profile::Spherical, Profile::Elliptical, Profile::Line],
        );
        let cartridge = Cartridge {
            profile: Some(profile),
            frontal_radius: stated(uniform(rng, 15.0, 19.0), 1.0, MICROMETRE),
            side_radius: stated(uniform(rng, 5.0, 9.0), 1.0, MICROMETRE),
            contact_spacing: stated(uniform(rng, 40.0, 50.0), 1.0, MICROMETRE),
            ball_lever: stated(0.0, 1.0, MICROMETRE),
            shape: match profile {
                Profile::Spherical => Stated::default(),
                _ => stated(uniform(rng, -0.5, 0.1), 0.1, 1.0),
            },
            scale: stated(1.0, 0.08, 1.0),
            skew: stated(uniform(rng, -0.1, 0.1), 0.1, MICROSECOND),
            ..Cartridge::default()
        };
        job.cartridges.insert((*name).to_owned(), cartridge);
        let setup = Setup {
            cartridge: (*name).to_owned(),
            arm: ArmOf::Tangential,
            rotation: stated(uniform(rng, -6.0, 6.0), 5.0, DEGREE),
            ..Setup::default()
        };
        truth.push((name, draw(rng, setup.rotation)));
        job.setups.insert((*name).to_owned(), setup);
    }
    let mut data = Vec::new();
    let mut add = |rng: &mut ChaCha8Rng, (name, rotation): (&str, f64)| {
        let (record, chain) = (pick(rng, &["A", "B"]), pick(rng, &["A", "B"]));
        let rpm = pick(rng, &[100.0 / 3.0, 45.0]);
        // no two captures repeat each other, so no scatter is estimated
        let radius = uniform(rng, 60.0, 140.0) * MILLIMETRE;
        let turn = pick(rng, &[-4.0, 0.0, 0.0, 4.0]) * DEGREE;
        let spec = CaptureSpec {
            source: DelaySource::Planned,
            band: None,
            setup: name.to_owned(),
            record: record.to_owned(),
            chain: chain.to_owned(),
            radius: [radius; 2],
            radius_u: Some(0.5 * MILLIMETRE),
            rpm: Stated::with_u(rpm, 0.0015 * rpm),
            turn: Stated::with_u(turn, if turn == 0.0 { 0.0 } else { 0.2 * DEGREE }),
            swapped: rng.random(),
            channels: None,
            from_s: None,
            to_s: None,
            date: None,
            note: None,
            line: None,
        };
        let cartridge = &job.cartridges[name];
        let value = |s: Stated| s.value.unwrap();
        let profile = cartridge.profile.unwrap();
        let size = match profile {
            Profile::Spherical => [value(cartridge.frontal_radius), 0.0, 0.0],
            Profile::Elliptical => [
                value(cartridge.frontal_radius),
                value(cartridge.side_radius),
                value(cartridge.shape),
            ],
            Profile::Line => [
                value(cartridge.contact_spacing),
                value(cartridge.side_radius),
                value(cartridge.shape),
            ],
        };
        let sides = &job.records[record];
        let predicted = Conditions {
            rotation,
            turn,
            radius,
            rpm,
            tip: Tip { profile, size },
            half_angle: FRAC_PI_4,
            cut: value(sides.cut_rotation),
            lathe_offset: value(sides.lathe_offset),
            record_skew: value(sides.skew),
            cut_rpm: sides.cut_rpm.unwrap(),
            cartridge_skew: value(cartridge.skew),
            scale: 1.0,
            chain_skew: value(job.chains[chain].skew),
            arm: None,
            tracking: 0.0,
            swapped: spec.swapped,
        }
        .predict();
        let u = 0.005 * MICROSECOND;
        let delay = predicted.delay + u * gaussian(rng);
        data.push(Some(CaptureData::of_delay(delay, u)));
        job.captures.push(spec);
    };
    for (name, rotation) in &truth {
        for _ in 0..rng.random_range(1..=4) {
            add(rng, (**name, *rotation));
        }
    }
    (job, data)
}

fn solved(job: &Job, data: &[Option<CaptureData>]) -> Solved {
    job::solve(job, data, 0.95).unwrap()
}

/// An adjustment stops when its step is short against its uncertainty, and a
/// band is a quantile found on a grid; the same job told otherwise ends within
/// this of its uncertainty.
const STOPS: f64 = 1e-6;

#[track_caller]
fn assert_quantity(what: &str, sign: f64, factor: f64, a: &Quantity, b: &Quantity) {
    let (lower, upper) = (a.interval.lower.unwrap(), a.interval.upper.unwrap());
    let ends = if sign > 0.0 {
        [lower, upper]
    } else {
        [-upper, -lower]
    };
    let found = [
        b.value,
        b.standard_uncertainty,
        b.interval.lower.unwrap(),
        b.interval.upper.unwrap(),
    ];
    let expected = [sign * a.value, a.standard_uncertainty, ends[0], ends[1]];
    for (found, expected) in found.into_iter().zip(expected) {
        // a side that no capture was made on is known as well as it was stated
        let scale = match a.standard_uncertainty {
            0.0 => a.value.abs(),
            u => u,
        };
        let moved = (found - factor * expected).abs() / (factor * scale);
        assert!(moved < STOPS, "{what}: {moved:e} {a:?} {b:?}");
    }
}

/// Every result of two jobs whose angles and skews are the same up to `sign`,
/// and whose times are the same up to `time`.
#[track_caller]
fn assert_solutions(sign: f64, time: f64, a: &Solved, b: &Solved) {
    let (a, b) = (&a.solution, &b.solution);
    assert_eq!(a.setups.len(), b.setups.len());
    for s in &a.setups {
        let other = b.setups.iter().find(|o| o.name == s.name).unwrap();
        assert_quantity("rotation", sign, 1.0, &s.rotation_deg, &other.rotation_deg);
    }
    for r in &a.records {
        let other = b.records.iter().find(|o| o.name == r.name).unwrap();
        let (a, b) = (&r.cut_rotation_deg, &other.cut_rotation_deg);
        assert_quantity("cut", sign, 1.0, a, b);
    }
    for c in &a.chains {
        let other = b.chains.iter().find(|o| o.name == c.name).unwrap();
        assert_quantity("skew", sign, time, &c.skew_us, &other.skew_us);
    }
    for c in &a.cartridges {
        let other = b.cartridges.iter().find(|o| o.name == c.name).unwrap();
        assert_quantity("scale", 1.0, 1.0, &c.scale, &other.scale);
    }
    assert!((a.fit.chi_square - b.fit.chi_square).abs() < STOPS * (1.0 + a.fit.chi_square));
    assert_eq!(a.fit.degrees_of_freedom, b.fit.degrees_of_freedom);
}

fn negated(s: Stated) -> Stated {
    Stated {
        value: s.value.map(|v| -v),
        ..s
    }
}

fn delays(data: &[Option<CaptureData>], factor: f64) -> Vec<Option<CaptureData>> {
    data.iter()
        .map(|d| {
            let information = &d.as_ref()?.information;
            let weight = information.matrix[[0, 0]];
            let delay = information.vector[0] / weight;
            let u = weight.sqrt().recip();
            Some(CaptureData::of_delay(factor * delay, factor.abs() * u))
        })
        .collect()
}

#[test]
fn a_mirrored_job_has_the_mirrored_solution() {
    for draw in 0..DRAWS {
        let (job, data) = random_job(&mut random(30, draw));
        let mut mirrored = job.clone();
        for record in mirrored.records.values_mut() {
            record.cut_rotation = negated(record.cut_rotation);
            record.lathe_offset = negated(record.lathe_offset);
            record.skew = negated(record.skew);
        }
        for chain in mirrored.chains.values_mut() {
            chain.skew = negated(chain.skew);
        }
        for cartridge in mirrored.cartridges.values_mut() {
            cartridge.skew = negated(cartridge.skew);
        }
        for setup in mirrored.setups.values_mut() {
            setup.rotation = negated(setup.rotation);
        }
        for capture in &mut mirrored.captures {
            capture.turn = negated(capture.turn);
        }
        let there = delays(&data, -1.0);
        assert_solutions(-1.0, 1.0, &solved(&job, &data), &solved(&mirrored, &there));
    }
}

/// Twice as fast, cut and played, every time is half as long and no angle
/// differs: a time has no unit. Nor has a length.
#[test]
fn jobs_have_no_unit_of_time_or_length() {
    for draw in 0..DRAWS {
        let mut rng = random(31, draw);
        let (job, data) = random_job(&mut rng);
        let here = solved(&job, &data);
        let times = |s: Stated, factor: f64| Stated {
            value: s.value.map(|v| factor * v),
            u: s.u.map(|u| factor * u),
        };

        let factor = uniform(&mut rng, 0.3, 3.0);
        let mut fast = job.clone();
        for record in fast.records.values_mut() {
            record.skew = times(record.skew, 1.0 / factor);
            record.cut_rpm = record.cut_rpm.map(|v| factor * v);
        }
        for chain in fast.chains.values_mut() {
            chain.skew = times(chain.skew, 1.0 / factor);
        }
        for cartridge in fast.cartridges.values_mut() {
            cartridge.skew = times(cartridge.skew, 1.0 / factor);
        }
        for capture in &mut fast.captures {
            capture.rpm = times(capture.rpm, factor);
        }
        let there = delays(&data, 1.0 / factor);
        assert_solutions(1.0, 1.0 / factor, &here, &solved(&fast, &there));

        let mut large = job.clone();
        for record in large.records.values_mut() {
            record.lathe_offset = times(record.lathe_offset, factor);
        }
        for cartridge in large.cartridges.values_mut() {
            for length in [
                &mut cartridge.frontal_radius,
                &mut cartridge.side_radius,
                &mut cartridge.contact_spacing,
                &mut cartridge.ball_lever,
            ] {
                *length = times(*length, factor);
            }
        }
        for capture in &mut large.captures {
            capture.radius = capture.radius.map(|r| factor * r);
            capture.radius_u = capture.radius_u.map(|u| factor * u);
        }
        assert_solutions(1.0, 1.0, &here, &solved(&large, &data));
    }
}

/// The order of captures and the names of things say nothing.
#[test]
fn order_and_names_change_nothing() {
    for draw in 0..DRAWS {
        let mut rng = random(32, draw);
        let (job, data) = random_job(&mut rng);
        let mut order: Vec<usize> = (0..data.len()).collect();
        for k in (1..order.len()).rev() {
            order.swap(k, rng.random_range(0..=k));
        }
        let mut other = job.clone();
        other.captures = order.iter().map(|&k| job.captures[k].clone()).collect();
        let there: Vec<_> = order.iter().map(|&k| data[k].clone()).collect();
        let here = solved(&job, &data);
        assert_solutions(1.0, 1.0, &here, &solved(&other, &there));

        // cartridges under names that sort the other way round
        let renamed = |name: &str| match name {
            "one" => "z",
            "two" => "y",
            _ => "x",
        };
        other.cartridges = job
            .cartridges
            .iter()
            .map(|(name, c)| (renamed(name).to_owned(), c.clone()))
            .collect();
        for setup in other.setups.values_mut() {
            setup.cartridge = renamed(&setup.cartridge).to_owned();
        }
        let there = solved(&other, &there);
        for s in &here.solution.setups {
            let same = there.solution.setups.iter().find(|o| o.name == s.name);
            assert_quantity(
                "renamed",
                1.0,
                1.0,
                &s.rotation_deg,
                &same.unwrap().rotation_deg,
            );
        }
    }
}

/// One more capture adds a positive semidefinite matrix to the information, so
/// linearised at a fixed point no variance of any combination grows: the
/// covariance before less that after has no negative eigenvalue. That is exact. The bands
/// of `solve` are approximately so: its minimum moves with the data, and
/// repeated captures that scatter more than they should widen all.
#[test]
fn one_more_capture_never_widens() {
    for draw in 0..DRAWS {
        let (job, data) = random_job(&mut random(33, draw));
        let of = |count: usize| {
            let mut part = job.clone();
            part.captures.truncate(count);
            let solved = solved(&part, &data[..count]);
            let linearised = solved.network.problem.linearised().unwrap();
            (solved.network.parameters, linearised)
        };
        let (mut before, mut solution) = of(1);
        for count in 2..=data.len() {
            let (after, next) = of(count);
            let place = |id: &str| after.iter().position(|p| p.id == id).unwrap();
            let places: Vec<usize> = before.iter().map(|p| place(&p.id)).collect();
            // in units of the priors' standard uncertainties
            let gain = ndarray::Array2::from_shape_fn((places.len(), places.len()), |(i, j)| {
                let less = solution.covariance(i, j) - next.covariance(places[i], places[j]);
                less / (before[i].prior.u * before[j].prior.u)
            });
            let (eigenvalues, _) = symmetric_eigen(&gain);
            let (low, high) = eigenvalues
                .iter()
                .fold((f64::MAX, f64::MIN), |(l, h), &e| (l.min(e), h.max(e)));
            // inverses of matrices whose condition is that of 0.005 us against
            // skews of 0.5 us and scales of 8 % of some 10 us: 1e6 roundings
            assert!(low > -1e6 * f64::EPSILON, "{low}");
            assert!(high > 0.0);
            (before, solution) = (after, next);
        }
    }
}

/// The same for a plan, repeated captures and arms included.
#[test]
fn one_more_planned_capture_never_widens() {
    for draw in 0..DRAWS {
        let mut rng = random(34, draw);
        let (mut job, _) = random_job(&mut rng);
        let arm = PivotedArm {
            effective_length: Stated::number(230.0 * MILLIMETRE),
            pivot_to_spindle: Stated::number(212.0 * MILLIMETRE),
            offset: Stated::number(24.0 * DEGREE),
        };
        job.arms.insert("arm".to_owned(), arm);
        for setup in job.setups.values_mut() {
            setup.arm = match rng.random_bool(0.5) {
                true => ArmOf::Pivoted("arm".to_owned()),
                false => ArmOf::Unknown,
            };
        }
        job.captures.extend(job.captures.clone());
        let of = |count: usize| {
            let mut part = job.clone();
            part.captures.truncate(count);
            job::plan(&part, job::Wanted::Steps(0)).unwrap().setups
        };
        let mut before = of(1);
        for count in 2..=job.captures.len() {
            let after = of(count);
            for (b, a) in before.iter().zip(&after) {
                assert_eq!(a.name, b.name);
                let (a, b) = (a.standard_uncertainty_deg, b.standard_uncertainty_deg);
                assert!(a <= b * (1.0 + 1e-9), "{a} after {b}");
            }
            before = after;
        }
    }
}

/// Knowing more never widens the band of the same quantity, predicted about the same
/// values: an arm by its dimensions (at a null radius, so that its tracking error is as
/// assumed of an unknown one), at a null radius or tangential against an arm that is
/// unknown, and a body aligned with a gauge against one aligned by eye.
#[test]
fn knowing_more_never_widens() {
    for draw in 0..200 {
        let mut rng = random(36, draw);
        let (mut job, _) = random_job(&mut rng);
        let length = uniform(&mut rng, 222.0, 300.0);
        // two null radii make an arm (see `references.json`, ids `A_null` and others)
        let nulls = [
            uniform(&mut rng, 62.0, 72.0),
            uniform(&mut rng, 115.0, 122.0),
        ];
        let pivot = (length * length - nulls[0] * nulls[1]).sqrt();
        let arm = PivotedArm {
            effective_length: Stated::number(length * MILLIMETRE),
            pivot_to_spindle: Stated::number(pivot * MILLIMETRE),
            offset: Stated::number(((nulls[0] + nulls[1]) / (2.0 * length)).asin()),
        };
        job.arms.insert("arm".to_owned(), arm);
        for capture in &mut job.captures {
            capture.radius = [pick(&mut rng, &nulls) * MILLIMETRE; 2];
        }
        let found = |arm: ArmOf, alignment: Option<Alignment>| {
            let mut job = job.clone();
            for setup in job.setups.values_mut() {
                setup.arm = arm.clone();
                setup.alignment = alignment;
            }
            let plan = job::plan(&job, job::Wanted::Steps(0)).unwrap();
            let setups = plan.setups.into_iter();
            let seeing = setups.filter_map(|s| {
                Some([
                    s.stylus_to_body_standard_uncertainty_deg?,
                    s.headshell_standard_uncertainty_deg?,
                ])
            });
            seeing.collect::<Vec<_>>()
        };
        let unknown = found(ArmOf::Unknown, None);
        for more in [
            found(ArmOf::Pivoted("arm".to_owned()), None),
            found(ArmOf::NullRadius, None),
            found(ArmOf::Tangential, None),
        ] {
            assert_eq!(unknown.len(), more.len());
            for (less, more) in unknown.iter().zip(&more) {
                assert!(more[0] < less[0] && more[1] < less[1], "{more:?} {less:?}");
            }
        }
        let gauge = found(ArmOf::Unknown, Some(Alignment::Gauge));
        for (less, more) in unknown.iter().zip(&gauge) {
            assert!(more[0] < less[0], "{more:?} {less:?}");
        }
    }
}

/// A job file says the same in different words: numbers in other notations,
/// tables inline or with dotted keys, keys and tables in another order.
#[test]
fn equal_statements_make_equal_jobs() {
    for draw in 0..DRAWS {
        let mut rng = random(35, draw);
        // hundredths, so that every notation is the same decimal
        let mut number = |low: i64, high: i64| rng.random_range(low..=high);
        let hundredths: Vec<i64> = [
            number(1500, 2000),
            number(300, 900),
            number(-300, 300),
            number(-500, 500),
            number(6000, 14_000),
            number(-900, 900),
        ]
        .to_vec();
        let plain = |k: usize| {
            let h = hundredths[k];
            let sign = if h < 0 { "-" } else { "" };
            format!("{sign}{}.{:02}", h.abs() / 100, h.abs() % 100)
        };
        let scientific = |k: usize| format!("{}e-2", hundredths[k]);
        let one = format!(
            r#"
format = 1
[cartridge.red]
profile = "elliptical"
frontal_radius_um = {{ value = {}, u = 1 }}
side_radius_um = {}
[cartridge.ball]
profile = "spherical"
[record.A]
cut_rotation_deg = {{ value = {}, u = 0.5 }}
cut_rpm = 33
[chain.desk]
[setup.now]
cartridge = "red"
rotation_deg = {{ value = {}, u = 5 }}
[setup.sphere]
cartridge = "ball"
[limits]
tolerance_deg = 5
[[capture]]
delay_us = {{ value = {}, u = 0.005 }}
setup = "now"
radius_mm = {}
rpm = 33
[[capture]]
delay_us = {{ value = -0.20, u = 0.005 }}
setup = "sphere"
radius_mm = [75, 70]
rpm = 45
leads = "normal"
turn_deg = 0
"#,
            plain(0),
            plain(1),
            plain(2),
            plain(3),
            plain(5),
            plain(4),
        );
        let other = format!(
            r#"
format = 1
capture = [
  {{ rpm = "100/3", radius_mm = {}, chain = "desk", record = "A", setup = "now", delay_us = {{ u = 5e-3, value = {} }} }},
  {{ turn_deg = 0.0, rpm = 45.0, radius_mm = [7.5e1, 70.0], setup = "sphere", delay_us = {{ value = -2e-1, u = 0.5e-2 }} }},
]
limits.tolerance_deg = 0.5e1
setup.sphere = {{ cartridge = "ball" }}
setup.now = {{ rotation_deg = {{ u = 5.0, value = {} }}, cartridge = "red" }}
chain = {{ desk = {{}} }}
record.A = {{ cut_rpm = "100/3", cut_rotation_deg = {{ value = {}, u = 50e-2 }} }}
[cartridge]
ball.profile = "spherical"
red.side_radius_um = {}
red.profile = "elliptical"
red.frontal_radius_um.u = 1.0
red.frontal_radius_um.value = {}
"#,
            scientific(4),
            scientific(5),
            scientific(3),
            scientific(2),
            scientific(1),
            scientific(0),
        );
        let read = |text: &str| {
            let mut job = job::file::parse(text, "job.toml").unwrap();
            for capture in &mut job.captures {
                capture.line = None;
            }
            job
        };
        assert_eq!(read(&one), read(&other));
    }
}
