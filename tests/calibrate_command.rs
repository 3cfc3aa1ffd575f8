//! `groovelag calibrate`, `measure --chain` and a job's calibration, as a user
//! runs them, on synthetic recordings.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::path::Path;
use std::process::{Command, Output};

const RATE: u32 = 48_000;
const FRAMES: usize = 1 << 19;
const DELAY: f64 = 3e-6;
const SKEW: f64 = 0.6e-6;

/// Walls or inputs (left, right) times pink programme, noise on each, then
/// equal crosstalk (unless fed by cable) and a late right channel.
fn record(path: &Path, walls: [f64; 2], crosstalk: f64, delay: f64, snr_db: f64, seed: u64) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let (mut left, mut right) = (
        vec![Complex64::default(); FRAMES],
        vec![Complex64::default(); FRAMES],
    );
    let step = f64::from(RATE) / FRAMES as f64;
    let pink = |f: f64| {
        if (20.0..20_000.0).contains(&f) {
            f.sqrt().recip()
        } else {
            0.0
        }
    };
    let power: f64 = (1..FRAMES / 2).map(|k| pink(k as f64 * step).powi(2)).sum();
    let noise = (power / (FRAMES / 2) as f64 * 10f64.powf(-snr_db / 10.0)).sqrt();
    for k in 1..FRAMES / 2 {
        let f = k as f64 * step;
        let mut draw = || {
            let (u, v): (f64, f64) = (rng.random(), rng.random());
            Complex64::from_polar((-2.0 * (1.0 - u).ln()).sqrt(), TAU * v)
        };
        let (z, a, b) = (draw() * pink(f), draw() * noise, draw() * noise);
        let gl = z * walls[0] + a;
        let gr = z * walls[1] * Complex64::from_polar(1.0, -TAU * f * delay) + b;
        let scale = 0.1 / (4.0 * power).sqrt();
        left[k] = (gl + gr * crosstalk) * scale;
        right[k] = (gr + gl * crosstalk) * Complex64::from_polar(scale, -TAU * f * SKEW);
        left[FRAMES - k] = left[k].conj();
        right[FRAMES - k] = right[k].conj();
    }
    let fft = FftPlanner::new().plan_fft_inverse(FRAMES);
    fft.process(&mut left);
    fft.process(&mut right);
    let mut wav = hound::WavWriter::create(
        path,
        hound::WavSpec {
            channels: 2,
            sample_rate: RATE,
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        },
    )
    .unwrap();
    for (l, r) in left.iter().zip(&right) {
        for v in [l.re, r.re] {
            wav.write_sample((v * 8_388_607.0).round() as i32).unwrap();
        }
    }
    wav.finalize().unwrap();
}

fn run(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .current_dir(folder)
        .args(arguments)
        .output()
        .unwrap()
}

fn json(output: &Output) -> serde_json::Value {
    assert_eq!(
        output.stderr,
        b"",
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    serde_json::from_slice(&output.stdout).unwrap()
}

fn refusal(output: &Output) -> String {
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(output.stdout, b"");
    let text = String::from_utf8(output.stderr.clone()).unwrap();
    assert_eq!(text.lines().count(), 1, "{text}");
    text
}

#[test]
fn a_calibration_is_made_used_and_refused() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    record(&at.join("cable.wav"), [1.0, 1.0], 0.0, 0.0, 75.0, 1);
    record(&at.join("left.wav"), [1.0, 0.0], 0.05, 0.0, 40.0, 2);
    record(&at.join("right.wav"), [0.0, 1.0], 0.05, 0.0, 40.0, 3);
    record(&at.join("band.wav"), [1.0, 1.0], 0.05, DELAY, 35.0, 4);
    let all = [
        "calibrate",
        "--common",
        "cable.wav",
        "--left-only",
        "left.wav",
        "--right-only",
        "right.wav",
        "-o",
        "CHAIN.toml",
        "--date",
        "2026-01-31",
    ];
    let made = run(at, &all);
    assert!(
        made.status.success(),
        "{}",
        String::from_utf8_lossy(&made.stderr)
    );
    let text = String::from_utf8(made.stdout).unwrap();
    println!("{text}");
    for says in ["Late by", "75 us", "separation", "26.0"] {
        assert!(text.contains(says), "{says} in\n{text}");
    }
    // not over a file that exists
    assert!(refusal(&run(at, &all)).contains("--force"));
    let document = json(&run(at, &[&all[..], &["--json", "--force"]].concat()));
    assert_eq!(document["schema"], "groovelag/calibration/1");
    assert_eq!(document["date"], "2026-01-31");
    let skew = document["common"]["skew_us"]["value"].as_f64().unwrap();
    assert!((skew - 0.6).abs() < 0.002, "{skew}");
    let separation = &document["crosstalk"]["curve"][20]["left_into_right"]["separation_db"];
    // 20 lg 0.05 = -26.02 dB
    assert!((separation.as_f64().unwrap() - 26.02).abs() < 0.1);

    let measure = [
        "measure", "band.wav", "--radius", "70", "--rpm", "33", "--json",
    ];
    let plain = json(&run(at, &measure));
    let calibrated = json(&run(
        at,
        &[&measure[..], &["--chain", "CHAIN.toml"]].concat(),
    ));
    let delay = |d: &serde_json::Value| d["delay_us"]["value"].as_f64().unwrap();
    println!(
        "plain {} us, calibrated {} us",
        delay(&plain),
        delay(&calibrated)
    );
    assert!((delay(&plain) - 3.0).abs() > 0.3);
    // What the coils may do to the phase is in u, 0.2 us; these channels have none, so that
    // noise alone moves the delay, by a small part of it.
    let delay_u = |d: &serde_json::Value| d["delay_us"]["standard_uncertainty"].as_f64().unwrap();
    assert!((delay(&calibrated) - 3.0).abs() < 0.25 * delay_u(&calibrated));
    assert!(delay_u(&calibrated) < 0.25 && delay_u(&calibrated) < delay_u(&plain));
    let u = |d: &serde_json::Value| d["rotation_deg"]["standard_uncertainty"].as_f64().unwrap();
    println!(
        "rotation u: plain {} deg, calibrated {} deg",
        u(&plain),
        u(&calibrated)
    );
    assert!(u(&calibrated) < u(&plain));
    let budget = calibrated["budget"].as_array().unwrap();
    assert!(
        budget
            .iter()
            .any(|b| b["source"].as_str().unwrap().contains("calibration"))
    );
    let shares: f64 = budget.iter().map(|b| b["share"].as_f64().unwrap()).sum();
    assert!((shares - 1.0).abs() < 1e-9);

    // the same through a job, twice: what the calibration leaves is shared
    let job = |captures: usize| {
        let capture = "[[capture]]\nfile = \"band.wav\"\nsetup = \"s\"\nrecord = \"r\"\nchain = \"c\"\nradius_mm = 70\nrpm = 33\n";
        let head = "format = 1\n[cartridge.k]\n[record.r]\n[chain.c]\ncalibration = \"CHAIN.toml\"\n[setup.s]\ncartridge = \"k\"\n";
        std::fs::write(
            at.join("job.toml"),
            head.to_owned() + &capture.repeat(captures),
        )
        .unwrap();
        run(at, &["solve", "job.toml", "--json"])
    };
    let solved = json(&job(1));
    let of =
        |d: &serde_json::Value, key: &str| d["setups"][0]["rotation_deg"][key].as_f64().unwrap();
    let measured = |key: &str| calibrated["rotation_deg"][key].as_f64().unwrap();
    assert!((of(&solved, "value") - measured("value")).abs() < 1e-6);
    assert!((of(&solved, "standard_uncertainty") - measured("standard_uncertainty")).abs() < 1e-6);

    // the file's share of the variance, and a change of the chain from day to day
    let good = std::fs::read_to_string(at.join("CHAIN.toml")).unwrap();
    let shares = |d: &serde_json::Value| -> BTreeMap<String, f64> {
        let inputs = d["basis"]["inputs"].as_array().unwrap();
        let share = |i: &serde_json::Value| {
            (
                i["file"].as_str().unwrap().to_owned(),
                i["shares"]["s"].as_f64().unwrap(),
            )
        };
        inputs.iter().map(share).collect()
    };
    let of_files = shares(&solved);
    let other = |key: &str| solved["basis"]["other_shares"][key]["s"].as_f64().unwrap();
    let all = of_files.values().sum::<f64>() + other("assumed") + other("recordings_together");
    assert!(
        (all - 1.0).abs() < 1e-9 && other("assumed") > 0.0,
        "{of_files:?}"
    );
    let calibration: f64 = solved["setups"][0]["budget"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|line| line["source"].as_str().unwrap().contains("calibration"))
        .map(|line| line["share"].as_f64().unwrap())
        .sum();
    assert!((of_files["CHAIN.toml"] - calibration).abs() < 1e-9 && calibration > 0.0);
    let skew = json(&run(at, &["solve", "job.toml", "--json"]))["chains"][0]["skew_us"].clone();
    assert_eq!(
        (
            skew["value"].as_f64(),
            skew["standard_uncertainty"].as_f64()
        ),
        (Some(0.0), Some(0.0))
    );
    let text = std::fs::read_to_string(at.join("job.toml")).unwrap();
    let with = |chain: &str| {
        std::fs::write(
            at.join("job.toml"),
            text.replace("calibration = \"CHAIN.toml\"", chain),
        )
        .unwrap();
        run(at, &["solve", "job.toml", "--json"])
    };
    let stated = json(&with("calibration = \"CHAIN.toml\"\nstability_us = 0.5"));
    let now = |d: &serde_json::Value| {
        d["basis"]["unknowns"]
            .as_array()
            .unwrap()
            .iter()
            .find(|u| u["name"] == "chain.c.skew_us")
            .cloned()
    };
    let change = now(&stated).unwrap();
    assert_eq!(change["prior_standard_uncertainty"], 0.5);
    assert!(
        change["words"]
            .as_str()
            .unwrap()
            .starts_with("change since its calibration")
    );
    assert!(of(&stated, "standard_uncertainty") > of(&solved, "standard_uncertainty"));
    assert!(shares(&stated)["CHAIN.toml"] > of_files["CHAIN.toml"]);
    // four days, the last as before: Student's t distribution with three degrees of freedom,
    // by hand for 0.3, 0.1, 0.2 and 0 above the last: mean 0.15, u = sqrt(0.05 (1 + 1/4))
    let line = good.lines().find(|l| l.starts_with("skew_us = ")).unwrap();
    let (_, rest) = line.split_once("value = ").unwrap();
    let (figure, _) = rest.split_once(',').unwrap();
    let skew: f64 = figure.parse().unwrap();
    let days: Vec<String> = [0.3, 0.1, 0.2, 0.0]
        .iter()
        .enumerate()
        .map(|(k, more)| {
            let name = format!("day-{k}.toml");
            let own = line.replace(figure, &(skew + more).to_string());
            let other = good.replacen(line, &own, 1);
            std::fs::write(at.join(&name), other).unwrap();
            format!("\"{name}\"")
        })
        .collect();
    let repeated = json(&with(&format!("calibration = [{}]", days.join(", "))));
    let change = now(&repeated).unwrap();
    assert!(
        (change["prior"].as_f64().unwrap() - 0.15).abs() < 1e-9,
        "{change}"
    );
    let u = change["prior_standard_uncertainty"].as_f64().unwrap();
    assert!((u - 0.0625f64.sqrt()).abs() < 1e-9, "{change}");
    for (chain, words) in [
        (
            "calibration = [\"day-0.toml\", \"day-1.toml\"]",
            "takes at least 4",
        ),
        ("stability_us = 0.1", "no calibration is named"),
    ] {
        let text = refusal(&with(chain));
        assert!(text.contains(words), "{text}");
    }

    // a delay that is given is no recording: nothing corrects it
    let given = text.replace("file = \"band.wav\"", "delay_us = { value = 3.6, u = 0.1 }");
    std::fs::write(at.join("job.toml"), given).unwrap();
    let given = json(&run(at, &["solve", "job.toml", "--json"]));
    let mut warnings = given["warnings"].as_array().unwrap().iter();
    assert!(warnings.any(|w| w["code"] == "delay-taken-as-corrected"));

    // damage is named, by file and field
    std::fs::write(
        at.join("CHAIN.toml"),
        good.replace("phase_u_deg", "phase_v_deg"),
    )
    .unwrap();
    let text = refusal(&run(
        at,
        &[&measure[..], &["--chain", "CHAIN.toml"]].concat(),
    ));
    assert!(
        text.contains("CHAIN.toml") && text.contains("phase_v_deg"),
        "{text}"
    );
    assert!(refusal(&job(1)).contains("phase_v_deg"));
    // exchanged bands
    let text = refusal(&run(
        at,
        &[
            "calibrate",
            "--left-only",
            "right.wav",
            "--right-only",
            "left.wav",
            "-o",
            "X.toml",
        ],
    ));
    assert!(
        text.contains("exchange --left-only and --right-only"),
        "{text}"
    );
    assert!(!at.join("X.toml").exists());
    // a groove for a cable
    let text = refusal(&run(
        at,
        &["calibrate", "--common", "band.wav", "-o", "X.toml"],
    ));
    assert!(
        text.contains("looks like a recording of a groove"),
        "{text}"
    );
    let text = refusal(&run(at, &["calibrate", "-o", "X.toml"]));
    assert!(text.contains("--common"), "{text}");
}

/// The signal that the program writes, through a phono stage with unlike parts and a converter's skew
/// (written here once more, from IEC 60098): its recording is pink, and calibrates what was injected.
#[test]
fn the_cable_signal_calibrates_a_chain() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let made = run(at, &["master", "--cable", "-o", ".", "--rate", "48000"]);
    assert!(made.status.success(), "{made:?}");
    let mut reader = hound::WavReader::open(at.join("cable.wav")).unwrap();
    let samples: Vec<f64> = reader
        .samples::<i32>()
        .map(|s| f64::from(s.unwrap()) / 8_388_608.0)
        .collect();
    let [left, right] = [0, 1].map(|c| {
        samples
            .iter()
            .copied()
            .skip(c)
            .step_by(2)
            .collect::<Vec<f64>>()
    });
    assert_eq!(left, right);
    let rate = RATE as usize;
    assert_eq!(left.len(), 63 * rate);
    let peak = left.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
    assert!((peak - 0.5).abs() < 1e-3, "{peak}");
    // both polarities alike, silence around them, soft ends
    let (first, second) = (&left[rate..31 * rate], &left[32 * rate..62 * rate]);
    assert!(first.iter().zip(second).all(|(a, b)| (a + b).abs() < 3e-7));
    assert!(
        left[..rate]
            .iter()
            .chain(&left[62 * rate..])
            .all(|v| *v == 0.0)
    );
    assert!(first[..50].iter().all(|v| v.abs() < 1e-3));
    // poles at 3180 and 75 us, a zero at 318 us
    let n = left.len();
    let step = f64::from(RATE) / n as f64;
    let played = |late: f64, seventy_five: f64, seed: u64| {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut z: Vec<Complex64> = left.iter().map(|v| Complex64::from(*v)).collect();
        FftPlanner::new().plan_fft_forward(n).process(&mut z);
        z[0] = Complex64::default();
        z[n / 2] = Complex64::default();
        for k in 1..n / 2 {
            let f = k as f64 * step;
            let part = |seconds: f64| Complex64::new(1.0, TAU * f * seconds);
            let stage = part(318e-6) / (part(3180e-6) * part(seventy_five));
            z[k] *= stage * Complex64::from_polar(1.0 / n as f64, -TAU * f * late);
            z[n - k] = z[k].conj();
        }
        let spectrum = z.clone();
        FftPlanner::new().plan_fft_inverse(n).process(&mut z);
        let rms = (z.iter().map(|v| v.re * v.re).sum::<f64>() / n as f64).sqrt();
        let hiss = 10f64.powf(-75.0 / 20.0) * rms * 3f64.sqrt();
        let noisy = z.iter().map(|v| v.re + hiss * rng.random_range(-1.0..1.0));
        (noisy.collect::<Vec<f64>>(), spectrum, rms)
    };
    let (l, spectrum, rms) = played(0.0, 75e-6, 1);
    let (r, ..) = played(SKEW, 75e-6 * 1.01, 2);
    let octaves = [63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0].map(|centre| {
        let bin = |f: f64| (f / step) as usize;
        let band = bin(centre / 2f64.sqrt())..bin(centre * 2f64.sqrt());
        10.0 * spectrum[band]
            .iter()
            .map(|v| v.norm_sqr())
            .sum::<f64>()
            .log10()
    });
    for level in octaves {
        assert!((level - octaves[4]).abs() < 0.3, "{octaves:?}");
    }
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: RATE,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let calibrated = |l: &[f64], r: &[f64]| {
        let mut wav = hound::WavWriter::create(at.join("recorded.wav"), spec).unwrap();
        for (l, r) in l.iter().zip(r) {
            for v in [l, r] {
                let sample = (v * 0.1 / rms * 8_388_607.0).round() as i32;
                wav.write_sample(sample).unwrap();
            }
        }
        wav.finalize().unwrap();
        let file = ["calibrate", "--common", "recorded.wav", "-o", "C.toml"];
        run(at, &[&file[..], &["--json", "--force"]].concat())
    };
    let said = |found: &serde_json::Value| -> Vec<String> {
        let warnings = found["warnings"].as_array().unwrap().iter();
        let code = |w: &serde_json::Value| w["code"].as_str().unwrap().to_owned();
        warnings.map(code).collect()
    };
    let found = json(&calibrated(&l, &r));
    println!("{found}");
    assert_eq!(said(&found), Vec::<String>::new());
    // the right channel one sample late, as a buffer that slipped leaves it
    let slipped = json(&calibrated(&l[1..], &r));
    assert_eq!(said(&slipped), ["implausible-skew"]);
    let message = slipped["warnings"][0]["message"].as_str().unwrap();
    assert!(
        message.contains("21.43 us later") && message.contains("1.03 samples"),
        "{message}"
    );
    // a mix to mono, and one of the other polarity, hold nothing of two converters
    let turned: Vec<f64> = l.iter().map(|v| -v).collect();
    for other in [&l, &turned] {
        let text = refusal(&calibrated(&l, other));
        assert!(text.contains("the same signal to the last digit"), "{text}");
    }
    let skew = &found["common"]["skew_us"];
    let number = |v: &serde_json::Value| v.as_f64().unwrap();
    let off = number(&skew["value"]) - 0.6;
    assert!(off.abs() < 0.01, "{skew}");
    let parts = found["common"]["parts"].as_array().unwrap();
    let part = parts.iter().find(|p| p["part"] == "75 us").unwrap();
    assert!(
        (number(&part["difference_percent"]["value"]) - 1.0).abs() < 0.05,
        "{part}"
    );
}
