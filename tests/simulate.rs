//! Simulated captures against their truth, and the physical groove against
//! published theory. The delay is found here by a small estimator of the
//! test's own (cross-spectrum of the whole capture), not by the library's.

use groovelag::simulate::{Rendered, recipe::Recipe, render};
use rustfft::{FftPlanner, num_complex::Complex64};
use std::f64::consts::TAU;
use std::path::Path;

fn rendered(text: &str) -> Rendered {
    let recipe = Recipe::parse(text).unwrap_or_else(|error| panic!("{error}\n{text}"));
    render(&recipe, Path::new("")).unwrap()
}

fn spectrum(samples: &[f64]) -> Vec<Complex64> {
    let mut data: Vec<Complex64> = samples.iter().map(|&x| x.into()).collect();
    FftPlanner::new()
        .plan_fft_forward(data.len())
        .process(&mut data);
    data
}

/// Delay of right after left in seconds that maximises the correlation of the
/// two within a band in hertz: Newton steps on the cross-spectrum.
fn delay(capture: &Rendered, band: [f64; 2]) -> f64 {
    let (left, right) = (spectrum(&capture.left), spectrum(&capture.right));
    let step = f64::from(capture.sample_rate_hz) / left.len() as f64;
    let cross: Vec<(f64, Complex64)> = (0..left.len() / 2)
        .map(|bin| (bin as f64 * step, left[bin] * right[bin].conj()))
        .filter(|(hz, _)| (band[0]..band[1]).contains(hz))
        .map(|(hz, value)| (TAU * hz, value))
        .collect();
    let mut t = 0.0;
    for _ in 0..20 {
        let (mut slope, mut bend) = (0.0, 0.0);
        for &(w, value) in &cross {
            let turned = value * Complex64::from_polar(1.0, -w * t);
            slope += w * turned.im;
            bend += w * w * turned.re;
        }
        t += slope / bend;
    }
    t
}

/// A quiet recipe of flat equalisation with what is asked for.
fn recipe(kind: &str, capture: &str, rest: &str) -> String {
    format!(
        "format = 1\n[programme]\n{kind}\n[record]\nequalisation = \"none\"\n[capture]\n\
         radius_mm = 60\nrpm = 33\nword = \"float32\"\n{capture}\n{rest}"
    )
}

#[test]
fn a_delay_put_in_comes_out() {
    // Float words are rounded to 2^-24; over 10^5 samples the delay is far
    // below the 2 ps allowed (interpolation, see simulate::curve).
    for kind in [
        "kind = \"pink\"\nduration_s = 2",
        "kind = \"sweep\"\nduration_s = 2",
        "kind = \"music\"\nduration_s = 2",
        "kind = \"tone\"\nduration_s = 2\nfrequencies_hz = [3150]",
        "kind = \"multitone\"\nduration_s = 2\nfrequencies_hz = [400, 1000, 7001.5]",
    ] {
        for rate in [44_100, 96_000, 192_000] {
            let capture = rendered(&recipe(
                kind,
                &format!("sample_rate_hz = {rate}"),
                "[delay]\nus = 3.0291\n",
            ));
            assert_eq!(capture.truth.delay_us.mean, 3.0291);
            let found = delay(&capture, [40.0, 15_000.0]);
            assert!(
                (found - 3.0291e-6).abs() < 2e-12,
                "{kind} {rate}: {found:e}"
            );
        }
    }
}

#[test]
fn a_path_follows_the_radius_and_the_speed() {
    for (rpm, cut) in [("33", "33"), ("45", "33"), ("45", "45")] {
        let capture = rendered(&format!(
            "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 4\nhigh_hz = 12000\n[record]\n\
             cut_rpm = {cut}\nskew_us = 0.5\n[capture]\nradius_mm = [75, 65]\nrpm = {rpm}\n\
             sample_rate_hz = 48000\nword = \"float32\"\n[delay]\npath_um = 1.2302\n"
        ));
        let speed = |radius: f64| TAU * radius * if rpm == "33" { 100.0 / 180.0 } else { 0.75 };
        let skew = 0.5e-6 * if rpm == cut { 1.0 } else { 100.0 / 135.0 };
        let truth = capture.truth.delay_us;
        for (value, radius) in [(truth.start, 0.075), (truth.end, 0.065)] {
            assert!((value * 1e-6 - 1.2302e-6 / speed(radius) - skew).abs() < 1e-15);
        }
        // Unweighted by level the mean over time; noise of equal level
        // throughout weighs it within the spread of its energy (2 s, 1 %).
        let found = delay(&capture, [40.0, 15_000.0]);
        let spread = (truth.end - truth.start).abs() * 1e-6;
        assert!(
            (found - truth.mean * 1e-6).abs() < 0.02 * spread,
            "{found:e}"
        );
    }
}

#[test]
fn equal_channels_are_equal_and_swaps_keep_what_is_behind() {
    let pink = "kind = \"pink\"\nduration_s = 1";
    let same = rendered(&recipe(pink, "sample_rate_hz = 48000", ""));
    assert_eq!(same.left, same.right);
    assert!(same.left.iter().any(|x| x.abs() > 0.01));

    let rest = "[delay]\nus = 2\n[cartridge]\nskew_us = 0.7\n[chain]\nskew_us = 0.4\n";
    for (leads, expected) in [("normal", 3.1), ("swapped", -2.3)] {
        let capture = rendered(&recipe(
            pink,
            &format!("sample_rate_hz = 48000\nleads = \"{leads}\""),
            rest,
        ));
        assert!((capture.truth.delay_us.mean - expected).abs() < 1e-12);
        let found = delay(&capture, [40.0, 15_000.0]);
        assert!((found - expected * 1e-6).abs() < 2e-12, "{found:e}");
    }
}

#[test]
fn recording_and_playback_are_flat() {
    // Issue: 0.01 dB, 20 Hz to 20 kHz. Tones of equal strength before the cut
    // come out equally strong; low tones last long enough to be told apart.
    let capture = rendered(
        "format = 1\n[programme]\nkind = \"multitone\"\nduration_s = 8\nlow_hz = 20\n\
         high_hz = 20000\nfrequencies_hz = [20, 50, 400, 1000, 3150, 10000, 20000]\n[capture]\n\
         radius_mm = 60\nrpm = 33\nsample_rate_hz = 96000\nword = \"float32\"\n",
    );
    // Seven seconds hold whole periods of all; Hann keeps the fades' skirts out.
    let n = 7 * 96_000;
    let part: Vec<f64> = capture.left[48_000..48_000 + n]
        .iter()
        .enumerate()
        .map(|(i, x)| x * (1.0 - (TAU * i as f64 / n as f64).cos()))
        .collect();
    let bins = spectrum(&part);
    let level = |hz: usize| 20.0 * bins[hz * 7].norm().log10();
    for hz in [20, 50, 400, 3150, 10_000, 20_000] {
        let off = level(hz) - level(1000);
        assert!(off.abs() < 0.01, "{hz} Hz: {off} dB");
    }
}

#[test]
fn dirt_is_as_dirty_as_asked_and_the_seed_decides() {
    let text = |seed: u64| {
        format!(
            "seed = {seed}\n{}",
            recipe(
                "kind = \"pink\"\nduration_s = 4",
                "sample_rate_hz = 96000\nlead_in_s = 2\nneedle_drop = true\nrun_out_s = 1",
                "[dirt]\nsnr_db = 35\nclicks_per_s = 3\nrumble_cm_s = 0.1\nwow = 0.002\n\
                 [chain]\nhum_dbfs = -60\nnoise_dbfs = -90\n",
            )
        )
    };
    let a = rendered(&text(1));
    assert_eq!(a, rendered(&text(1)));
    assert_ne!(a.left, rendered(&text(2)).left);
    assert_eq!(a.truth.modulated_s, [2.0, 6.0]);
    let ratio = a.truth.programme_rms_cm_s / a.truth.noise_rms_cm_s;
    assert!((20.0 * ratio.log10() - 35.0).abs() < 1e-9);

    // Noise alone, measured in the run-out: the stated rms within 20 Hz to
    // 20 kHz, relative standard deviation 1 / sqrt(2 B T), four of them.
    let quiet = rendered(&recipe(
        "kind = \"silence\"\nduration_s = 2",
        "sample_rate_hz = 96000",
        "[dirt]\nnoise_cm_s = 0.1\n[chain]\nfull_scale_cm_s = 1\n",
    ));
    for samples in [&quiet.left, &quiet.right] {
        let bins = spectrum(samples);
        let n = samples.len() as f64;
        let power: f64 = bins[40..40_000]
            .iter()
            .map(|z| 2.0 * z.norm_sqr() / (n * n))
            .sum();
        let off = power.sqrt() / 0.1 - 1.0;
        assert!(off.abs() < 4.0 / f64::sqrt(2.0 * 20e3 * 2.0), "{off}");
    }
}

#[test]
fn threads_change_nothing() {
    let text = recipe(
        "kind = \"pink\"\nduration_s = 1",
        "sample_rate_hz = 48000",
        "[dirt]\nsnr_db = 30\n[delay]\nus = 1\n",
    );
    let with = |threads: usize| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap()
            .install(|| rendered(&text))
    };
    assert_eq!(with(1), with(3));
}
