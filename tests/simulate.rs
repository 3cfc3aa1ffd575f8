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
/// two within a band in hertz: Newton steps on the cross-spectrum, first of
/// its low part, where there is no ambiguity.
fn delay(capture: &Rendered, band: [f64; 2]) -> f64 {
    let (left, right) = (spectrum(&capture.left), spectrum(&capture.right));
    let step = f64::from(capture.sample_rate_hz) / left.len() as f64;
    let cross: Vec<(f64, Complex64)> = (0..left.len() / 2)
        .map(|bin| (bin as f64 * step, left[bin] * right[bin].conj()))
        .filter(|(hz, _)| (band[0]..band[1]).contains(hz))
        .map(|(hz, value)| (TAU * hz, value))
        .collect();
    let mut t = 0.0;
    for step in 0..20 {
        let (mut slope, mut bend) = (0.0, 0.0);
        let limit = TAU * if step < 5 { 4000.0 } else { band[1] };
        for &(w, value) in cross.iter().filter(|(w, _)| *w < limit) {
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
    for (kind, rate) in [
        ("kind = \"pink\"", 44_100),
        ("kind = \"pink\"", 96_000),
        ("kind = \"pink\"", 192_000),
        ("kind = \"sweep\"", 48_000),
        ("kind = \"music\"", 48_000),
        ("kind = \"tone\"\nfrequencies_hz = [3150]", 44_100),
        (
            "kind = \"multitone\"\nfrequencies_hz = [400, 1000, 7001.5]",
            48_000,
        ),
    ] {
        let capture = rendered(&recipe(
            &format!("{kind}\nduration_s = 1"),
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

/// A lightly modulated groove at the place of model.md, section 1: 60 mm,
/// 33 1/3 rpm, pink velocity to 12 kHz. Peak 0.5 cm/s: at the 3 cm/s used
/// there, what tracing adds in anti-phase moves the delay of a few seconds of
/// noise by some 5 ns, half a per cent of a degree.
fn light(tip: &str, degrees: f64, cut_degrees: f64) -> Rendered {
    rendered(&format!(
        "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 2\npeak_cm_s = 0.5\nhigh_hz = 12000\n\
         [record]\nequalisation = \"none\"\ncut_rotation_deg = {cut_degrees}\n[capture]\n\
         radius_mm = 60\nrpm = 33\nsample_rate_hz = 96000\nword = \"float32\"\n[cartridge]\n{tip}\n\
         [setup]\nrotation_deg = {degrees}\n"
    ))
}

const ELLIPTICAL: &str = "profile = \"elliptical\"\nfrontal_radius_um = 18\nside_radius_um = 8";
const SPHERICAL: &str = "profile = \"spherical\"\nfrontal_radius_um = 18";
const LINE: &str = "profile = \"line\"\nfrontal_radius_um = 50\nside_radius_um = 5\n\
                    contact_spacing_um = 45";

#[test]
fn a_turned_stylus_gives_the_delay_of_its_geometry() {
    let band = [40.0, 12_000.0];
    // model.md, section 1: a rounded disc rolled along such a groove and
    // cross-correlated there, without this code; the issue allows 0.5 %.
    for (degrees, us) in [(1.0, 1.176), (5.0, 5.870), (10.0, 11.631)] {
        let capture = light(ELLIPTICAL, degrees, 0.0);
        let found = delay(&capture, band) * 1e6;
        assert!((found / us - 1.0).abs() < 0.005, "{degrees}: {found} {us}");
        let truth = capture.truth.delay_us.mean;
        assert!(
            (found / truth - 1.0).abs() < 0.005,
            "{degrees}: {found} {truth}"
        );
    }
    // A line contact against model.md's formula, which is 0.2 to 0.5 % too
    // high at 5 degrees and 1 to 2 % at 10: those shares are taken off.
    for (degrees, high) in [(1.0, 0.0), (5.0, 0.0035), (10.0, 0.015)] {
        let capture = light(LINE, degrees, 0.0);
        let found = delay(&capture, band);
        let formula = (45e-6 - 2f64.sqrt() * 5e-6) * f64::sin(degrees.to_radians());
        let expected = formula * (1.0 - high) / (TAU * 0.060 / 1.8);
        assert!(
            (found / expected - 1.0).abs() < 0.005,
            "{degrees}: {found:e} {expected:e}"
        );
        let truth = capture.truth.delay_us.mean * 1e-6;
        assert!(
            (found / truth - 1.0).abs() < 0.005,
            "{degrees}: {found:e} {truth:e}"
        );
    }
    // A ball sees nothing of its own rotation, and an unturned tip has no
    // delay; the limit is 0.5 % of one degree of the elliptical.
    for (tip, degrees) in [(SPHERICAL, 10.0), (ELLIPTICAL, 0.0), (LINE, 0.0)] {
        let found = delay(&light(tip, degrees, 0.0), band);
        assert!(found.abs() < 0.005 * 1.176e-6, "{tip} {degrees}: {found:e}");
    }
}

#[test]
fn a_turned_cut_gives_the_delay_of_the_contact_spacing() {
    let band = [40.0, 12_000.0];
    // model.md, section 1: by tracing, elliptical -2.1205 us, sphere turned by
    // 3 degrees -2.119, formula -2.1215.
    for (tip, degrees, us) in [(ELLIPTICAL, 0.0, -2.1205), (SPHERICAL, 3.0, -2.119)] {
        let capture = light(tip, degrees, 1.0);
        let found = delay(&capture, band) * 1e6;
        assert!((found / us - 1.0).abs() < 0.005, "{tip}: {found}");
        assert!((capture.truth.delay_us.mean / -2.1215 - 1.0).abs() < 0.0005);
    }
    // Ten degrees of cut, by the model's formula with the full spacing.
    let found = delay(&light(SPHERICAL, 0.0, 10.0), band);
    let formula = -2f64.sqrt() * 18e-6 * f64::tan(10f64.to_radians()) / (TAU * 0.060 / 1.8);
    assert!(
        (found / formula - 1.0).abs() < 0.005,
        "{found:e} {formula:e}"
    );
}

/// Amplitudes of the harmonics of 1 or 3.15 kHz in both channels, from a
/// whole second of a tone cut at 5 cm/s.
fn harmonics(
    hz: usize,
    modulation: &str,
    radius: f64,
    tip_um: f64,
    peak: f64,
) -> [Vec<Complex64>; 2] {
    let capture = rendered(&format!(
        "format = 1\n[programme]\nkind = \"tone\"\nduration_s = 1.4\nfrequencies_hz = [{hz}]\n\
         peak_cm_s = {peak}\n[record]\nequalisation = \"none\"\nmodulation = \"{modulation}\"\n\
         [capture]\nradius_mm = {radius}\nrpm = 33\nsample_rate_hz = 192000\nword = \"float32\"\n\
         [chain]\nfull_scale_cm_s = 100\n\
         [cartridge]\nprofile = \"spherical\"\nfrontal_radius_um = {tip_um}\n"
    ));
    [&capture.left, &capture.right].map(|samples| {
        let n = 192_000;
        let bins = spectrum(&samples[38_400..38_400 + n]);
        (0..4).map(|k| bins[k * hz] * 2.0 / n as f64).collect()
    })
}

#[test]
fn one_wall_is_traced_as_theory_says() {
    // references.json, ids trace_f...: a wall of peak normal velocity 5 cm/s
    // traced by a ball; "exact" values, which differ from the first-order ones
    // of Lewis and Hunt 1941 (R A k^2 / 2 and 3/8 (R A k^2)^2 of the velocity)
    // by up to 5 %. Their tolerance 1e-4 is taken as relative to the
    // fundamental. Full motion of one channel is sqrt 2 times its wall's.
    for (hz, radius, tip, second, third) in [
        (1000, 146.05, 18.0, 0.010_851_533, 0.000_176_209),
        (1000, 60.325, 18.0, 0.062_685_560, 0.005_811_825),
        (1000, 60.325, 5.0, 0.017_464_883, 0.000_451_270),
        (3150, 146.05, 18.0, 0.034_152_486, 0.001_745_235),
    ] {
        let [left, right] = harmonics(hz, "left", radius, tip, 5.0 * 2f64.sqrt());
        let relative = |k: usize| left[k].norm() / left[1].norm();
        assert!(
            (relative(2) - second).abs() < 1e-4,
            "{hz} {radius}: {}",
            relative(2)
        );
        assert!(
            (relative(3) - third).abs() < 1e-4,
            "{hz} {radius}: {}",
            relative(3)
        );
        assert!(right.iter().all(|z| z.norm() == 0.0));
    }
}

#[test]
fn a_vertical_cut_has_second_harmonics_and_a_lateral_one_third() {
    // A vertical cut of amplitude a moves each wall by a / sqrt 2 along its
    // normal: the one-wall case above, both channels in anti-phase.
    let [left, right] = harmonics(1000, "vertical", 60.325, 18.0, 5.0 * 2f64.sqrt());
    assert!((left[2].norm() / left[1].norm() - 0.062_685_560).abs() < 1e-4);
    assert!((left[1] + right[1]).norm() < 1e-6 * left[1].norm());
    assert!((left[2] + right[2]).norm() < 1e-6 * left[1].norm());

    // references.json, id trace_lat: 5 cm/s lateral, 1 kHz, 60.325 mm, 18 um.
    let [left, right] = harmonics(1000, "lateral", 60.325, 18.0, 5.0);
    let sum: Vec<f64> = (0..4).map(|k| (left[k] + right[k]).norm()).collect();
    let difference: Vec<f64> = (0..4).map(|k| (left[k] - right[k]).norm()).collect();
    assert!((sum[3] / sum[1] - 0.002_975_978).abs() < 1e-4);
    // Even harmonics cancel in the lateral sum: they are in anti-phase between
    // the channels; odd ones are in phase. What is left is float rounding.
    assert!(sum[2] < 1e-6 * sum[1]);
    assert!(difference[1] < 1e-6 * sum[1] && difference[3] < 1e-6 * sum[1]);
    // Vertical amplitude at the second harmonic in micrometres; samples are
    // velocities as fractions of 1 m/s.
    let vertical_um = difference[2] / 2.0 / (TAU * 2000.0) * 1e6;
    assert!(
        (vertical_um / 0.177_681_15 - 1.0).abs() < 1e-3,
        "{vertical_um}"
    );
}

#[test]
fn an_arm_and_an_eccentric_record_turn_the_stylus() {
    let text = |rest: &str| {
        format!(
            "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 3.6\npeak_cm_s = 3\n\
             high_hz = 12000\n[capture]\nradius_mm = 70\nrpm = 33\nsample_rate_hz = 48000\n\
             word = \"float32\"\n[setup]\nrotation_deg = 2\n[cartridge]\n{ELLIPTICAL}\n{rest}"
        )
    };
    // model.md, section 1, arm: offset - asin((r^2 + L^2 - D^2) / (2 r L)).
    let capture = rendered(&text(
        "[arm]\neffective_length_mm = 230\npivot_to_spindle_mm = 214\noffset_deg = 25\n",
    ));
    let tracking = 25.0
        - f64::asin((70f64.powi(2) + 230f64.powi(2) - 214f64.powi(2)) / (2.0 * 70.0 * 230.0))
            .to_degrees();
    let rotation = capture.truth.rotation_deg.unwrap().mean;
    assert!((rotation - 2.0 - tracking).abs() < 1e-9);
    let found = delay(&capture, [40.0, 12_000.0]) * 1e6;
    assert!((found / capture.truth.delay_us.mean - 1.0).abs() < 0.005);

    // Two whole revolutions of an eccentric record: 0.41 deg up and down
    // cancel to what unequal loudness leaves of it (a tenth).
    let capture = rendered(&text("[record]\neccentricity_mm = 0.5\n"));
    let rotation = capture.truth.rotation_deg.unwrap();
    assert!((rotation.mean - 2.0).abs() < 1e-6);
    let found = delay(&capture, [40.0, 12_000.0]) * 1e6;
    let per_degree = capture.truth.delay_us.mean / 2.0;
    assert!(
        (found - capture.truth.delay_us.mean).abs() < 0.04 * per_degree,
        "{found}"
    );
}

/// Runs the program; exit status, standard output, standard error.
fn run(arguments: &[&str]) -> (Option<i32>, String, String) {
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .arg("simulate")
        .args(arguments)
        .output()
        .unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (
        output.status.code(),
        text(output.stdout),
        text(output.stderr),
    )
}

const SMALL: &str = "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 0.3\n[capture]\n\
                     radius_mm = 72\nrpm = 33\nsample_rate_hz = 48000\n[grid]\n\
                     delay.us = [1, -2]\n";

#[test]
fn the_command_writes_captures_with_their_truth_and_spares_what_is_there() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    std::fs::write(path("small.toml"), SMALL).unwrap();
    let arguments = [&path("small.toml"), "-o", &path("out"), "--json"];
    let (status, out, error) = run(&arguments);
    assert_eq!((status, error.as_str()), (Some(0), ""));
    let set: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(set["schema"], "groovelag/simulation-set/1");
    for (name, delay) in [("small-001", 1.0), ("small-002", -2.0)] {
        let truth = std::fs::read_to_string(path(&format!("out/{name}.truth.json"))).unwrap();
        let truth: serde_json::Value = serde_json::from_str(&truth).unwrap();
        assert!(set["captures"].as_array().unwrap().contains(&truth));
        assert_eq!(truth["schema"], "groovelag/simulation/1");
        assert_eq!(truth["delay_us"]["mean"], delay);
        let wav = std::fs::read(path(&format!("out/{name}.wav"))).unwrap();
        assert_eq!(truth["sha256"], hash(&wav));
    }

    let (status, out, error) = run(&arguments);
    assert_eq!((status, out.as_str()), (Some(2), ""));
    assert!(
        error.contains("small-001.wav") && error.contains("--force"),
        "{error}"
    );
    let (status, ..) = run(&[&arguments[..], &["--force"]].concat());
    assert_eq!(status, Some(0));
}

#[test]
fn unusable_recipes_end_with_one_message() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    for (text, words) in [
        (SMALL.replace("radius_mm", "radus_mm"), "'radius_mm'"),
        (SMALL.replace("format = 1", "format = 2"), "format"),
        (SMALL.replace("pink", "purple"), "purple"),
        (
            SMALL.replace("pink\"", "wav\"\nfile = \"none.wav\""),
            "none.wav",
        ),
        ("not toml".into(), "line 1"),
    ] {
        std::fs::write(path("bad.toml"), &text).unwrap();
        let (status, out, error) = run(&[&path("bad.toml"), "-o", &path("out")]);
        assert_eq!((status, out.as_str()), (Some(2), ""), "{text}");
        assert!(
            error.contains("bad.toml") && error.contains(words),
            "{error}"
        );
        assert!(!folder.path().join("out/bad-001.wav").exists());
    }
    let (status, _, error) = run(&[&path("missing.toml"), "-o", &path("out")]);
    assert_eq!(status, Some(2));
    assert!(error.contains("missing.toml"), "{error}");
}

fn hash(bytes: &[u8]) -> String {
    use sha2::{Digest, Sha256};
    Sha256::digest(bytes)
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect()
}

#[test]
fn the_committed_example_follows_from_its_recipe() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-signals");
    let text = std::fs::read_to_string(folder.join("example.toml")).unwrap();
    let made = rendered(&text);
    let wav = std::fs::read(folder.join("example.wav")).unwrap();
    let truth = std::fs::read_to_string(folder.join("example.truth.json")).unwrap();
    let truth: serde_json::Value = serde_json::from_str(&truth).unwrap();
    assert_eq!(truth["sha256"], hash(&wav));
    assert_eq!(truth["clipped_samples"], serde_json::json!([0, 0]));
    let stored: Vec<i32> = hound::WavReader::new(&wav[..])
        .unwrap()
        .samples()
        .map(Result::unwrap)
        .collect();
    assert_eq!(stored.len(), 2 * made.left.len());
    // Another platform's sine may round differently: one unit of the last bit.
    for (frame, (left, right)) in stored.chunks(2).zip(made.left.iter().zip(&made.right)) {
        assert!((f64::from(frame[0]) - left * 8_388_608.0).abs() <= 1.0);
        assert!((f64::from(frame[1]) - right * 8_388_608.0).abs() <= 1.0);
    }
}

#[test]
fn the_practitioners_set_has_24_captures() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-signals");
    let text = std::fs::read_to_string(folder.join("practitioners.toml")).unwrap();
    let set = groovelag::simulate::variations::expand(&text, "practitioners").unwrap();
    assert_eq!(set.len(), 24);
}
