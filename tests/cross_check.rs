//! Our cross-spectrum and delay against SciPy's on the same recording.
//!
//! tests/cross-check/spectrum.py ran `scipy.signal.csd`, `welch` and
//! `coherence` and a plain weighted least-squares fit of the phase
//! (`scipy.optimize.least_squares`); its results are committed with the
//! versions used, and `.ci/run` makes them again.

use groovelag::adjust::Cholesky;
use groovelag::delay::{EstimateSettings, estimate};
use groovelag::spectrum::{CrossSpectrum, Engine, EngineSettings, window};
use serde::Deserialize;
use std::path::{Path, PathBuf};

#[derive(Deserialize)]
struct SciPy {
    first_frame: usize,
    last_frame: usize,
    sample_rate_hz: f64,
    frame_length: usize,
    frames: u64,
    overlap_correlation: f64,
    bin: Vec<usize>,
    left: Vec<f64>,
    right: Vec<f64>,
    re: Vec<f64>,
    im: Vec<f64>,
    coherence: Vec<f64>,
    delay_us: f64,
    standard_uncertainty_us: f64,
    terms: Vec<f64>,
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/cross-check")
}

fn scipy() -> SciPy {
    let text = std::fs::read_to_string(folder().join("scipy.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

/// The analysed frames of the recording, full scale 1 (16 bits).
fn samples(of: &SciPy) -> (Vec<f32>, Vec<f32>) {
    let mut reader = hound::WavReader::open(folder().join("capture.wav")).unwrap();
    assert_eq!(reader.spec().bits_per_sample, 16);
    let all: Vec<f32> = reader
        .samples::<i16>()
        .map(|s| f32::from(s.unwrap()) / 32_768.0)
        .collect();
    let frames = &all[2 * of.first_frame..2 * of.last_frame];
    let channel = |c: usize| frames.iter().skip(c).step_by(2).copied().collect();
    (channel(0), channel(1))
}

fn spectrum(of: &SciPy, left: &[f32], right: &[f32]) -> CrossSpectrum {
    let mut engine = Engine::new(EngineSettings {
        sample_rate_hz: of.sample_rate_hz,
        alignment: 0,
        whole: true,
    })
    .unwrap();
    engine.push(left, right);
    engine.snapshot()
}

/// A transform in single precision errs by up to eps log2 N of the rms of its
/// input (Higham, Accuracy and Stability of Numerical Algorithms, 24.1); one
/// transform carries both channels. SciPy computes in double precision.
#[test]
fn cross_spectrum_and_coherence_agree_with_scipy() {
    let theirs = scipy();
    let (left, right) = samples(&theirs);
    let ours = spectrum(&theirs, &left, &right);
    assert_eq!(ours.frame_length, theirs.frame_length);
    assert_eq!(ours.frames(), theirs.frames);
    let total = ours.total();
    let length = theirs.frame_length;
    let mean_square =
        |v: &[f32]| v.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / v.len() as f64;
    // The window is SciPy's own; its correlation at half a frame is listed with
    // twelve digits.
    let w = window::window(length);
    let (early, late) = w.split_at(length / 2);
    let above: f64 = early.iter().zip(late).map(|(a, b)| a * b).sum();
    let rho = above / w.iter().map(|v| v * v).sum::<f64>();
    assert!((rho - theirs.overlap_correlation).abs() < 1e-11, "{rho}");
    // Parseval: the mean over bins of |X|^2 is the windowed sum of squares.
    let window_power: f64 = w.iter().map(|v| v * v).sum();
    let loudest =
        (mean_square(&left).max(mean_square(&right)) * window_power * theirs.frames as f64).sqrt();
    let error = f64::from(f32::EPSILON) * (length as f64).log2() * loudest;
    for (i, &k) in theirs.bin.iter().enumerate() {
        let bin = total[k];
        let (l, r) = (theirs.left[i].sqrt(), theirs.right[i].sqrt());
        let allowed = 2.0 * error * (l + r + error);
        for (a, b) in [
            (bin.left, theirs.left[i]),
            (bin.right, theirs.right[i]),
            (bin.re, theirs.re[i]),
            (bin.im, theirs.im[i]),
        ] {
            assert!((a - b).abs() < allowed, "bin {k}: {a} {b}, {allowed}");
        }
        // |G12|^2 / (G11 G22): each of the four factors to allowed over itself
        let allowed = 4.0 * allowed / theirs.left[i].min(theirs.right[i]);
        let difference = bin.coherence() - theirs.coherence[i];
        assert!(
            difference.abs() < allowed,
            "bin {k}: {difference} {allowed}"
        );
    }
}

/// The delay by our robust fit over clusters of bins and by SciPy's plain one over
/// single bins. Both are near the bound, so they scatter against each other only
/// by what they fall short of it. Single bins weigh by 1 / (1 - C), estimated
/// from n averages and so with a relative variance of 1/n, which costs 1/n of the
/// information; Huber's weights at 4 sigma cost 0.1 % at most. The scatter is
/// the root of that, and three times it is allowed. The stated uncertainties differ
/// by the bias of 1 / (1 - C), 2/n of the information; twice that is allowed. The
/// slowest term's shape falls by half within the lowest cluster, which costs some
/// tenth of its information: the terms may differ by three times the root. The
/// dispersion, which SciPy's fit has not, is taken out of ours first.
#[test]
fn delay_agrees_with_scipy() {
    let theirs = scipy();
    let (left, right) = samples(&theirs);
    let settings = EstimateSettings::default();
    let ours = estimate(&spectrum(&theirs, &left, &right), &settings).unwrap();
    let mut matrix = &ours.information.matrix * ours.dispersion;
    let vector = &ours.information.vector * ours.dispersion;
    for (j, term) in settings.terms.iter().enumerate() {
        matrix[[j + 1, j + 1]] += term.prior_u.powi(-2);
    }
    // scaled to a unit diagonal: seconds stand beside plain numbers
    let scale = matrix.diag().mapv(|v| v.sqrt().recip());
    for ((i, j), v) in matrix.indexed_iter_mut() {
        *v *= scale[i] * scale[j];
    }
    let factor = Cholesky::new(&matrix).unwrap();
    let values = factor.solve(&(&vector * &scale)) * &scale;
    let covariance = factor.inverse();
    let u = |j: usize| covariance[[j, j]].sqrt() * scale[j];
    println!(
        "ours {:.6} u {:.6}, SciPy {:.6} u {:.6} us; dispersion {:.3}",
        values[0] * 1e6,
        u(0) * 1e6,
        theirs.delay_us,
        theirs.standard_uncertainty_us,
        ours.dispersion
    );
    let n = theirs.frames as f64 / 2.0;
    let scatter = 3.0 * (1.0 / n + 1e-3).sqrt();
    let difference = values[0] * 1e6 - theirs.delay_us;
    assert!(difference.abs() < scatter * theirs.standard_uncertainty_us);
    for (j, term) in theirs.terms.iter().enumerate() {
        assert!(
            (values[j + 1] - term).abs() < u(j + 1),
            "{j}: {values} {term}"
        );
    }
    let ratio = u(0) * 1e6 / theirs.standard_uncertainty_us;
    assert!((ratio - 1.0).abs() < 2.0 / n, "{ratio}");
}
