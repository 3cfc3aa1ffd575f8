//! What one pass of a test record tells beside its lateral bands, as a user meets it: the simulator rolls a tip
//! along a short side of that kind, with known crosstalk, eccentricity and noise.

use super::side::{
    BANDS, CROSSTALK, ECCENTRICITY_MM, PAUSE_S, RATE, ROTATION_DEG, part, record, samples, write,
};
use groovelag::capture::Stereo;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};
use std::sync::OnceLock;

fn run(at: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .current_dir(at)
        .args(arguments)
        .output()
        .unwrap()
}

fn solved(at: &Path, job: &str) -> Value {
    let out = run(at, &["solve", job, "--json"]);
    serde_json::from_slice(&out.stdout)
        .unwrap_or_else(|_| panic!("{}", String::from_utf8_lossy(&out.stderr)))
}

fn refusal(at: &Path, job: &str) -> String {
    let out = run(at, &["solve", job]);
    assert_eq!(out.status.code(), Some(2), "{out:?}");
    String::from_utf8(out.stderr).unwrap()
}

/// The recording that most tests read, made once.
fn folder() -> &'static Path {
    static MADE: OnceLock<tempfile::TempDir> = OnceLock::new();
    let made = MADE.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        record(folder.path(), "side", "");
        folder
    });
    made.path()
}

/// A job of one pass whose record has these bands; `more` is added at its end, in the capture.
fn job(at: &Path, name: &str, bands: &[(&str, &str)], more: &str) {
    let mut text = "format = 1\n[cartridge.c]\nprofile = \"elliptical\"\nfrontal_radius_um = 18\n\
         side_radius_um = 8\n[setup.s]\ncartridge = \"c\"\narm = \"tangential\"\n[chain.desk]\n"
        .to_owned();
    if name.contains("calibrated") {
        text += "calibration = \"CHAIN.toml\"\n";
    }
    for (band, kind) in bands {
        let (_, _, radius, _) = BANDS.iter().find(|b| b.0 == *band).unwrap();
        text += &format!("[record.r.band.{band}]\nkind = \"{kind}\"\nradius_mm = {radius}\n");
        if *kind == "tone" {
            text += "frequency_hz = 3150\n";
        }
    }
    text += &format!(
        "[[capture]]\nfile = \"side.wav\"\nsetup = \"s\"\nrecord = \"r\"\nrpm = 33\n{more}\n"
    );
    fs::write(at.join(name), text).unwrap();
}

const ALL: [(&str, &str); 6] = [
    ("tone", "tone"),
    ("outer", "lateral"),
    ("left", "left"),
    ("right", "right"),
    ("silent", "silent"),
    ("inner", "lateral"),
];

fn rotation(result: &Value) -> [f64; 4] {
    let rotation = &result["setups"][0]["rotation_deg"];
    ["value", "standard_uncertainty", "lower", "upper"].map(|k| rotation[k].as_f64().unwrap())
}

fn numbers(value: &Value) -> Vec<f64> {
    let list = value.as_array().unwrap().iter();
    list.map(|v| v.as_f64().unwrap()).collect()
}

/// Start and end of a band in the recording, as it was put together.
fn place(band: &str) -> [f64; 2] {
    let mut at = PAUSE_S;
    for (name, _, _, seconds) in BANDS {
        if name == band {
            return [at, at + seconds];
        }
        at += seconds + PAUSE_S;
    }
    panic!("{band}");
}

/// Mean square of each channel from 100 Hz to 15 kHz, by one transform of all samples (Parseval).
fn powers(samples: &Stereo) -> [f64; 2] {
    let all = samples.left.iter().zip(&samples.right);
    let mut data: Vec<Complex64> = all
        .map(|(l, r)| Complex64::new(f64::from(*l), f64::from(*r)))
        .collect();
    let n = data.len();
    FftPlanner::new().plan_fft_forward(n).process(&mut data);
    let bin = |hertz: f64| (hertz * n as f64 / f64::from(RATE)) as usize;
    let mut sums = [0.0; 2];
    for k in bin(100.0)..bin(15_000.0) {
        let (a, b) = (data[k], data[n - k].conj());
        sums[0] += (0.5 * (a + b)).norm_sqr();
        sums[1] += (0.5 * (a - b)).norm_sqr();
    }
    sums.map(|sum| 2.0 * sum / (n as f64).powi(2))
}

/// A tenth of what the cutter's own crosstalk (30 dB) leaves of the cartridge's.
fn crosstalk_limit() -> f64 {
    0.1 * 10f64.powf(-30.0 / 20.0)
}

fn crosstalk_is_found(told: &serde_json::Value) {
    let limit = crosstalk_limit();
    for (way, [re, im]) in ["left_into_right", "right_into_left"].iter().zip(CROSSTALK) {
        let part = |p: &str| numbers(&told["measured"][format!("{way}_{p}")]);
        for (found_re, found_im) in part("re").iter().zip(part("im")) {
            let off = (found_re - re).hypot(found_im - im);
            assert!(off < limit, "{way}: {off}");
        }
    }
}

#[test]
fn one_pass_tells_crosstalk_noise_and_speed() {
    let at = folder();
    job(at, "all.toml", &ALL, "bands = \"pauses\"");
    let result = solved(at, "all.toml");
    let [pass] = &result["passes"].as_array().unwrap()[..] else {
        panic!("{}", result["passes"]);
    };
    assert_eq!(pass["file"], "side.wav");
    assert_eq!(numbers(&pass["captures"]), [1.0, 2.0]);

    // crosstalk both ways
    let told = &pass["crosstalk"];
    assert_eq!(told["applied"], true);
    assert_eq!(told["bands"], serde_json::json!(["left", "right"]));
    crosstalk_is_found(told);
    for (db, [re, im]) in numbers(&told["separation_db"]).iter().zip(CROSSTALK) {
        let truth = -20.0 * re.hypot(im).log10();
        assert!(
            (db - truth).abs() < 20.0 * (1.0 + crosstalk_limit() / 0.04).log10(),
            "{db}"
        );
    }

    // the rotation is nearer, and better known, than without these bands
    let lateral = [("outer", "lateral"), ("inner", "lateral")];
    let [a, b] = [place("outer"), place("inner")];
    let times = format!(
        "bands = [{{ name = \"outer\", from = {}, to = {} }}, {{ name = \"inner\", from = {}, to = {} }}]",
        a[0], a[1], b[0], b[1]
    );
    job(at, "lateral.toml", &lateral, &times);
    let plain = solved(at, "lateral.toml");
    assert_eq!(plain["passes"].as_array().unwrap().len(), 0);
    let ([with, u, lower, upper], [without, u_without, ..]) = (rotation(&result), rotation(&plain));
    assert!(
        lower < ROTATION_DEG && ROTATION_DEG < upper,
        "{lower} {upper}"
    );
    println!("rotation {with} u {u}; without these bands {without} u {u_without}");
    assert!((with - ROTATION_DEG).abs() < (without - ROTATION_DEG).abs());
    assert!(u < u_without);
    let scale = |r: &Value| r["cartridges"][0]["scale"]["standard_uncertainty"].as_f64();
    // as assumed, and as the cutter's 30 dB leave it
    assert!((scale(&plain).unwrap() / 0.08 - 1.0).abs() < 0.01);
    assert!(scale(&result).unwrap() < 0.032);

    // what the bands brought is the recording's; all shares together are the whole
    let mut sum = 0.0;
    for input in result["basis"]["inputs"].as_array().unwrap() {
        sum += input["shares"]["s"].as_f64().unwrap_or(0.0);
    }
    for other in ["assumed", "recordings_together", "other_cartridges"] {
        sum += result["basis"]["other_shares"][other]["s"]
            .as_f64()
            .unwrap_or(0.0);
    }
    assert!((sum - 1.0).abs() < 1e-9, "{sum}");

    // the noise, against one transform of the samples themselves
    let recording = samples(&at.join("side.wav"));
    let [left, right] = powers(&part(&recording, place("silent")));
    let programme = [a, b].map(|span| powers(&part(&recording, span)));
    let noise = &pass["noise"][0];
    assert_eq!(noise["band"], "silent");
    for (k, power) in [left, right].into_iter().enumerate() {
        let db = |power: f64| 10.0 * power.log10();
        let level = noise["level_within_dbfs"][k].as_f64().unwrap();
        let below = noise["below_programme_db"][k].as_f64().unwrap();
        // crosstalk adds to what both walls have alike
        let [re, im] = CROSSTALK[1 - k];
        let shared = (1.0 + re).powi(2) + im.powi(2);
        let truth = db(0.5 * (programme[0][k] + programme[1][k]) / shared) - db(power);
        println!(
            "noise {level} dBFS, {below} dB; by one transform {} and {truth}",
            db(power)
        );
        // the same samples, but for half a frame of some 30 ms at either end of 12 s, and the band's edges
        assert!((level - db(power)).abs() < 0.05);
        assert!((below - truth).abs() < 0.1);
    }

    // speed and eccentricity by the tone
    let tone = &pass["tones"][0];
    let rpm = tone["speed_rpm"]["value"].as_f64().unwrap();
    assert!((rpm / (100.0 / 3.0) - 1.0).abs() < 1e-4, "{rpm}");
    let off = &tone["eccentricity_mm"];
    let [value, u] = ["value", "standard_uncertainty"].map(|k| off[k].as_f64().unwrap());
    println!("eccentricity {value} mm, u {u}");
    assert!((value - ECCENTRICITY_MM).abs() < 4.0 * u, "{value} {u}");
    assert_eq!(pass["speed_rpm"], Value::Null);

    // in words
    let text = String::from_utf8(run(at, &["solve", "all.toml"]).stdout).unwrap();
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in [
        "crosstalk from the bands left, right: separation at 1 kHz",
        "removed from the captures of this pass",
        "band silent: noise from 100 Hz to 15 kHz",
        "band tone: 3150.",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
}

/// The same bands cut out and given to `calibrate` tell the same; stated, its file wins.
#[test]
fn a_pass_tells_what_calibrate_does() {
    let at = folder();
    job(at, "same.toml", &ALL, "bands = \"pauses\"");
    let result = solved(at, "same.toml");
    let recording = samples(&at.join("side.wav"));
    let list = serde_json::from_slice::<Value>(
        &run(at, &["measure", "side.wav", "--bands", "--json"]).stdout,
    );
    let list = list.unwrap();
    // the list hears what the job describes; a silent band is a pause
    let kinds = list["bands"].as_array().unwrap().iter();
    let kinds: Vec<&Value> = kinds.map(|band| &band["kind"]).collect();
    assert_eq!(kinds, ["tone", "lateral", "left", "right", "lateral"]);
    for (k, name) in [(2, "left-cut.wav"), (3, "right-cut.wav")] {
        let span = numbers(&list["bands"][k]["span_s"]);
        write(&at.join(name), &[&part(&recording, [span[0], span[1]])]);
    }
    let calibrate = [
        "calibrate",
        "--left-only",
        "left-cut.wav",
        "--right-only",
        "right-cut.wav",
        "-o",
        "CHAIN.toml",
        "--force",
    ];
    let made = run(at, &calibrate);
    assert!(made.status.success(), "{made:?}");
    let text = fs::read_to_string(at.join("CHAIN.toml")).unwrap();
    let file: toml::Value = toml::from_str(&text).unwrap();
    let told = &result["passes"][0]["crosstalk"]["measured"];
    let column = |key: &str| -> Vec<f64> {
        let list = file["crosstalk"][key].as_array().unwrap().iter();
        list.map(|v| v.as_float().unwrap()).collect()
    };
    assert_eq!(numbers(&told["hertz"]), column("hertz"));
    // the same samples, frame by frame
    for way in ["left_into_right", "right_into_left"] {
        for part in ["re", "im", "u"] {
            let key = format!("{way}_{part}");
            assert_eq!(numbers(&told[&key]), column(&key), "{key}");
        }
    }
    job(
        at,
        "calibrated.toml",
        &ALL,
        "bands = \"pauses\"\nchain = \"desk\"",
    );
    let stated = solved(at, "calibrated.toml");
    assert_eq!(stated["passes"][0]["crosstalk"]["applied"], false);
    let ([a, u, ..], [b, u_stated, ..]) = (rotation(&result), rotation(&stated));
    assert!(
        (a - b).abs() < 0.01 * u && (u / u_stated - 1.0).abs() < 0.01,
        "{a} {b} {u} {u_stated}"
    );
    let level = |result: &Value| {
        let warnings = result["warnings"].as_array().unwrap().iter();
        let mut own = warnings.filter(|w| w["code"] == "crosstalk-disagrees");
        own.next().map(|w| w["level"].clone())
    };
    assert_eq!(level(&stated), None);
    // two cutters of 30 dB: u of the difference is 0.045, so that 0.12 more in the scale is doubted, 0.2 seriously
    let lower = |by: f64| {
        let key = "left_into_right_re";
        let mut other = file.clone();
        for re in other["crosstalk"][key].as_array_mut().unwrap() {
            *re = (re.as_float().unwrap() - by).into();
        }
        fs::write(at.join("CHAIN.toml"), toml::to_string(&other).unwrap()).unwrap();
        solved(at, "calibrated.toml")
    };
    assert_eq!(level(&lower(0.12)), Some("caution".into()));
    let result = lower(0.2);
    assert_eq!(level(&result), Some("serious".into()));
    assert!(result["in_doubt"].is_string());
}

/// Bands that are not of the kind that the record says, or leads stated wrongly, are refused with what to correct.
#[test]
fn bands_of_another_kind_are_refused() {
    let at = folder();
    let with = |left: &'static str, outer: &'static str| {
        let mut bands = ALL;
        (bands[1].1, bands[2].1) = (outer, left);
        bands
    };
    let by_pauses = "bands = \"pauses\"";
    job(at, "lateral-left.toml", &with("left", "left"), by_pauses);
    let message = refusal(at, "lateral-left.toml");
    let words = "the band 'outer' in 'side.wav' is described as \"left\"";
    assert!(
        message.contains(words) && message.contains("cut into both channels"),
        "{message}"
    );
    job(at, "right-left.toml", &with("right", "lateral"), by_pauses);
    let message = refusal(at, "right-left.toml");
    assert!(
        message.contains("the band 'left' in 'side.wav'"),
        "{message}"
    );
    assert!(
        message.contains("the left channel is") && message.contains("'leads'"),
        "{message}"
    );
    job(
        at,
        "swapped.toml",
        &ALL,
        &format!("{by_pauses}\nleads = \"swapped\""),
    );
    let message = refusal(at, "swapped.toml");
    assert!(
        message.contains("left and right are exchanged somewhere"),
        "{message}"
    );
    // a band of one channel alone tells no crosstalk, and that is said
    let bands: Vec<_> = ALL.into_iter().filter(|b| b.0 != "right").collect();
    let span = |name: &str| {
        let [from, to] = place(name);
        format!("{{ name = \"{name}\", from = {from}, to = {to} }}")
    };
    let list: Vec<String> = bands.iter().map(|(name, _)| span(name)).collect();
    job(
        at,
        "half.toml",
        &bands,
        &format!("bands = [{}]", list.join(", ")),
    );
    let half = solved(at, "half.toml");
    assert_eq!(half["passes"][0]["crosstalk"], Value::Null);
    let reason = half["passes"][0]["crosstalk_missing"].as_str().unwrap();
    assert!(
        reason.contains("a band of the left channel alone"),
        "{reason}"
    );
    let scale = half["cartridges"][0]["scale"]["standard_uncertainty"].as_f64();
    assert!((scale.unwrap() / 0.08 - 1.0).abs() < 0.01);
}

/// With swapped leads the crosstalk is told as it is at the cartridge, and the rotation is the same.
#[test]
fn swapped_leads_exchange_the_bands() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    record(at, "side", "leads = \"swapped\"");
    job(
        at,
        "swapped.toml",
        &ALL,
        "bands = \"pauses\"\nleads = \"swapped\"",
    );
    let result = solved(at, "swapped.toml");
    let told = &result["passes"][0]["crosstalk"];
    crosstalk_is_found(told);
    let [value, u, lower, upper] = rotation(&result);
    println!("rotation {value} u {u}");
    assert!(lower < ROTATION_DEG && ROTATION_DEG < upper);
    // and wrong leads would not go unseen
    let codes = result["warnings"].as_array().unwrap().iter();
    assert!(codes.map(|w| &w["code"]).all(|code| code != "unchecked"));
}
