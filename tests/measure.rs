//! From a recording to its result: simulated captures with known truth,
//! refusals, the command's documents, and the documents in docs/.

use groovelag::delay::{DelayEstimate, EstimateSettings, estimate};
use groovelag::simulate::{recipe::Recipe, render};
use groovelag::spectrum::{Engine, EngineSettings};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// A capture with an injected delay, and what `estimate` makes of it.
fn measured(keys: &str) -> (f64, DelayEstimate) {
    let mut tables = std::collections::BTreeMap::from([
        (
            "programme",
            "kind = \"pink\"\nlow_hz = 20\nhigh_hz = 20000\nduration_s = 30\n".to_owned(),
        ),
        (
            "capture",
            "radius_mm = 72\nrpm = 33\nsample_rate_hz = 96000\nword = \"int24\"\n".to_owned(),
        ),
        ("delay", "us = 3.0291\n".to_owned()),
        ("chain", String::new()),
        ("dirt", "snr_db = 35\n".to_owned()),
    ]);
    for key in keys.split(';').map(str::trim).filter(|k| !k.is_empty()) {
        let (table, line) = key.split_once('.').unwrap();
        let name = line.split('=').next().unwrap().trim();
        let text = tables.get_mut(table).unwrap();
        let kept: Vec<&str> = text
            .lines()
            .filter(|l| l.split('=').next().unwrap().trim() != name)
            .chain([line])
            .collect();
        *text = kept.join("\n") + "\n";
    }
    let recipe: String = tables
        .iter()
        .map(|(name, text)| format!("[{name}]\n{text}"))
        .collect();
    measured_by(&format!("format = 1\n{recipe}"))
}

fn measured_by(recipe: &str) -> (f64, DelayEstimate) {
    measured_after(recipe, |_, _, _| ())
}

/// The same, where something comes on top of the channels at this rate.
fn measured_after(
    recipe: &str,
    change: impl Fn(&mut [f64], &mut [f64], f64),
) -> (f64, DelayEstimate) {
    measured_with(&EstimateSettings::default(), recipe, change)
}

fn measured_with(
    settings: &EstimateSettings,
    recipe: &str,
    change: impl Fn(&mut [f64], &mut [f64], f64),
) -> (f64, DelayEstimate) {
    let parsed = Recipe::parse(recipe).unwrap_or_else(|e| panic!("{recipe}: {e}"));
    let mut rendered = render(&parsed, Path::new("")).unwrap();
    let rate = f64::from(rendered.sample_rate_hz);
    change(&mut rendered.left, &mut rendered.right, rate);
    let to_f32 = |v: &[f64]| v.iter().map(|x| *x as f32).collect::<Vec<f32>>();
    let mut engine = Engine::new(EngineSettings {
        sample_rate_hz: f64::from(rendered.sample_rate_hz),
        alignment: 0,
        whole: false,
    })
    .unwrap();
    engine.push(&to_f32(&rendered.left), &to_f32(&rendered.right));
    let estimate =
        estimate(&engine.snapshot(), settings).unwrap_or_else(|e| panic!("{recipe}: {e}"));
    (rendered.truth.delay_us.mean * 1e-6, estimate)
}

/// The table of issue 2: error within three standard uncertainties, and within
/// the stated nanoseconds where one is given.
#[test]
fn simulated_captures_give_their_delay() {
    let cases: &[(&str, Option<f64>)] = &[
        ("", Some(10.0)),
        ("capture.sample_rate_hz = 44100", Some(10.0)),
        ("capture.sample_rate_hz = 192000", Some(10.0)),
        ("capture.word = \"int16\"", Some(10.0)),
        ("dirt.snr_db = 18", None),
        ("dirt.snr_db = 45", Some(10.0)),
        ("programme.kind = \"music\"", Some(10.0)),
        (
            "programme.kind = \"sweep\"; programme.low_hz = 30; programme.high_hz = 18000",
            Some(10.0),
        ),
        (
            "programme.kind = \"tone\"; programme.frequencies_hz = [1000]",
            None,
        ),
        (
            "programme.kind = \"tone\"; programme.frequencies_hz = [315]",
            None,
        ),
        (
            "programme.kind = \"multitone\"; programme.frequencies_hz = [300, 1000, 3000, 10000]",
            None,
        ),
        (
            "chain.equaliser_left = [0.01, -0.01, 0.01]; chain.equaliser_right = [-0.01, 0.01, -0.01]",
            Some(30.0),
        ),
        (
            "programme.kind = \"tone\"; programme.frequencies_hz = [1000]; chain.equaliser_left = [0.01, -0.01, 0.01]; chain.equaliser_right = [-0.01, 0.01, -0.01]",
            None,
        ),
        ("dirt.clicks_per_s = 3", Some(20.0)),
        ("chain.hum_dbfs = -50", Some(20.0)),
        ("dirt.rumble_cm_s = 0.5", Some(20.0)),
        ("dirt.wow = 0.002", Some(20.0)),
        (
            "programme.kind = \"music\"; dirt.clicks_per_s = 3; dirt.rumble_cm_s = 0.5; dirt.wow = 0.002; chain.hum_dbfs = -50",
            Some(20.0),
        ),
        (
            "delay.us = 0; delay.path_um = 0.73; capture.radius_mm = [75, 70]",
            Some(10.0),
        ),
        ("delay.us = -12.5", Some(10.0)),
        ("capture.inverted = \"left\"", Some(10.0)),
    ];
    let mut failures = Vec::new();
    for (keys, most_ns) in cases {
        let (truth, e) = measured(keys);
        let error = e.delay_s - truth;
        println!(
            "{:8.2} ns, u {:8.2} ns: {keys}",
            error * 1e9,
            e.standard_uncertainty_s * 1e9
        );
        let near = most_ns.is_none_or(|m| error.abs() < m * 1e-9);
        if error.abs() > 3.0 * e.standard_uncertainty_s || !near {
            failures.push(*keys);
        }
    }
    assert!(failures.is_empty(), "{failures:?}");
}

/// Clicks of both walls that the record's own skew does not delay pass for programme,
/// and the weights of the fit settle slowly: in more than fifty steps.
#[test]
fn a_fit_that_settles_slowly_is_found() {
    let (truth, e) = measured_by(
        "format = 1\nseed = 2\n[programme]\nkind = \"pink\"\nduration_s = 30\n\
         [capture]\nradius_mm = 72\nrpm = 33\nsample_rate_hz = 96000\n\
         [record]\nskew_us = 3\n[dirt]\nsnr_db = 35\nclicks_per_s = 3\n",
    );
    // a hundredth of the delay: so much of the power is such clicks'
    let error = (e.delay_s - truth).abs();
    assert!(error < 0.03e-6, "{error}");
}

/// Crosstalk of -25 dB carries noise from wall to wall, which has no delay. Above a programme that ends at 3 kHz it is
/// all there is, and coherent: it must not shorten the delay. What crosstalk does to the programme's own delay, 11 %
/// of it, is the scale's.
#[test]
fn noise_through_crosstalk_is_no_programme() {
    for seed in [1, 2] {
        let recipe = format!(
            "format = 1\nseed = {seed}\n[programme]\nkind = \"pink\"\nduration_s = 30\npeak_cm_s = 5\nhigh_hz = 3000\n\
             [capture]\nradius_mm = 72\nrpm = 33\nsample_rate_hz = 48000\n\
             [cartridge]\nprofile = \"elliptical\"\nfrontal_radius_um = 18\nside_radius_um = 8\n\
             crosstalk_left_into_right = [0.056, 0]\ncrosstalk_right_into_left = [0.056, 0]\n\
             [setup]\nrotation_deg = 5\n[dirt]\nsnr_db = 20\nnoise_spectrum = \"surface\"\n"
        );
        let (truth, e) = measured_with(&EstimateSettings::of_groove(), &recipe, |_, _, _| ());
        let error = e.delay_s - truth * (1.0 - 2.0 * 0.056);
        assert!(truth > 4.8e-6, "{truth}");
        // without noise in the model 2.2 and 3.2 us, with a stated uncertainty of 1.6 and 1.4 us
        assert!(e.standard_uncertainty_s < 1e-6, "{e:?}");
        assert!(error.abs() < e.standard_uncertainty_s, "{error:e} {e:?}");
    }
}

#[test]
fn lead_in_needle_drop_and_run_out_are_left_out() {
    for kind in ["pink", "music"] {
        let (_, e) = measured(&format!(
            "programme.kind = \"{kind}\"; programme.duration_s = 8; capture.lead_in_s = 6; capture.run_out_s = 5; capture.needle_drop = true"
        ));
        let hop = 0.05; // half a frame of 85 ms, rounded up
        assert!(
            (e.span_s.0 - 6.0).abs() < 3.0 * hop,
            "{kind}: {:?}",
            e.span_s
        );
        assert!(
            (e.span_s.1 - 14.0).abs() < 3.0 * hop,
            "{kind}: {:?}",
            e.span_s
        );
    }
    assert!(
        measured("capture.inverted = \"right\"; programme.duration_s = 3")
            .1
            .inverted
    );
}

/// A needle drop as loud as the programme and louder, of all frequencies, within the first
/// second of the lead-in: it must not be taken for programme that makes the lead-in count.
#[test]
fn a_loud_needle_drop_is_left_out() {
    for (loudness, opposed) in [(0.3, false), (1.0, false), (0.3, true), (1.0, true)] {
        let recipe = "format = 1\nseed = 9\n[programme]\nkind = \"music\"\nduration_s = 8\n[capture]\nradius_mm = 70\nrpm = 33\nlead_in_s = 4\nsample_rate_hz = 48000\n[cartridge]\nprofile = \"elliptical\"\nfrontal_radius_um = 18\nside_radius_um = 8\n[setup]\nrotation_deg = 3\n[dirt]\nsnr_db = 40\n";
        let (truth, e) = measured_after(recipe, |left, right, rate| {
            let start = (0.5 * rate) as usize;
            for k in 0..(3.0 * rate) as usize {
                let thump = loudness * noise(4, k) * (-12.0 * k as f64 / rate).exp();
                left[start + k] += thump;
                right[start + k] += if opposed { -thump } else { thump };
            }
        });
        assert!(e.span_s.0 > 3.5, "{loudness} {opposed}: {:?}", e.span_s);
        let error = (e.delay_s - truth).abs();
        assert!(
            error < 4.0 * e.standard_uncertainty_s,
            "{loudness} {opposed}: {error:e}"
        );
    }
}

fn groovelag(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .args(arguments)
        .output()
        .unwrap()
}

/// Samples held in memory give a library user what the command gives of the file, tracing
/// taken out (of the third file, which a ball plays loud near the middle).
#[test]
fn samples_in_memory_give_what_the_command_gives() {
    use groovelag::{analysis, capture, job};
    let folder = tempfile::tempdir().unwrap();
    let traced = "format = 1
[programme]
kind = \"pink\"
duration_s = 10
peak_cm_s = 6
[capture]
radius_mm = 62
rpm = 33
sample_rate_hz = 96000
[cartridge]
profile = \"spherical\"
frontal_radius_um = 18
[chain]
skew_us = 2
[dirt]
snr_db = 45
";
    let recipe = folder.path().join("traced.toml");
    std::fs::write(&recipe, traced).unwrap();
    let made = groovelag(&[
        "simulate",
        recipe.to_str().unwrap(),
        "-o",
        folder.path().to_str().unwrap(),
    ]);
    assert!(made.status.success(), "{made:?}");
    for file in [
        repository("test-signals/example.wav"),
        repository("test-signals/workshop/workshop-found.wav"),
        folder
            .path()
            .join("traced.wav")
            .to_str()
            .unwrap()
            .to_owned(),
    ] {
        let shown = groovelag(&["measure", &file, "--radius", "70", "--rpm", "33", "--json"]);
        let shown = json(&shown);
        let on_disk = capture::Source::Path(file.clone().into());
        let mut recording = capture::open(&on_disk, &capture::ReadOptions::default()).unwrap();
        let mut samples = capture::Stereo::default();
        recording.read(&mut samples, 1 << 22).unwrap();
        let rate = recording.sample_rate_hz();
        let source =
            capture::Source::of_samples("take", rate, &samples.left, &samples.right).unwrap();
        let request = analysis::Request::new(source);
        let analysis = analysis::analyse(&request, &mut |_| ()).unwrap();
        let stated = "format = 1\n[[capture]]\nfile = \"take\"\nradius_mm = 70\nrpm = 33\n";
        let job = job::file::parse(stated, "the job").unwrap();
        let measured = job::measure(&job, &analysis, &[], 0.95, []).unwrap();
        let measured = serde_json::to_value(&measured.measurement).unwrap();
        for same in [
            "delay_us",
            "rotation_deg",
            "stylus_to_body_deg",
            "in_doubt",
            "analysed_s",
        ] {
            assert_eq!(measured[same], shown[same], "{file}: {same}");
        }
        let codes = |document: &serde_json::Value| -> Vec<String> {
            let warnings = document["warnings"].as_array().unwrap().iter();
            warnings.map(|w| w["code"].to_string()).collect()
        };
        assert_eq!(codes(&measured), codes(&shown), "{file}");
        assert!(
            !file.contains("traced.wav") || codes(&shown).contains(&"\"tracing\"".to_owned()),
            "{shown}"
        );
    }
}

/// A side in miniature (24 s from 145 to 62 mm, tangential), in stretches: what the command says of
/// it is what a job says, and holds the truth. The first and the last delay are those of the
/// groove's speed there, four degrees of the tip's lever.
#[test]
fn stretches_of_a_recording_are_those_of_a_job() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let side = "format = 1
[programme]
kind = \"pink\"
duration_s = 24
peak_cm_s = 6
[capture]
radius_mm = [145, 62]
rpm = 33
sample_rate_hz = 44100
[cartridge]
profile = \"elliptical\"
frontal_radius_um = 18
side_radius_um = 8
[setup]
rotation_deg = 4
[chain]
skew_us = 0.35
[dirt]
snr_db = 40
";
    std::fs::write(path("side.toml"), side).unwrap();
    let made = groovelag(&["simulate", &path("side.toml"), "-o", &path("")]);
    assert!(made.status.success(), "{made:?}");
    let job = "format = 1
[cartridge.c]
profile = \"elliptical\"
frontal_radius_um = 18
side_radius_um = 8
[setup.s]
arm = \"tangential\"
[[capture]]
file = \"side.wav\"
radius_mm = [145, 62]
rpm = 33
stretches = 4
";
    std::fs::write(path("job.toml"), job).unwrap();
    let solved = json(&groovelag(&["solve", &path("job.toml"), "--json"]));
    let page = path("page.html");
    let (side, command) = (path("side.wav"), "--radius 145..62 --rpm 33 --stretches");
    let situation = "--stylus elliptical:18x8 --arm tangential --json --report";
    let mut arguments = vec!["measure", side.as_str()];
    arguments.extend(command.split(' ').chain(["4"]).chain(situation.split(' ')));
    arguments.push(&page);
    let measured = json(&groovelag(&arguments));
    let number = |v: &serde_json::Value| v.as_f64().unwrap();
    let same = |a: &serde_json::Value, b: &serde_json::Value| {
        let off = (number(&a["value"]) - number(&b["value"])).abs();
        assert!(off < 1e-6 * number(&b["standard_uncertainty"]), "{a} {b}");
    };
    let curve = &measured["over_radius"];
    same(
        &measured["rotation_deg"],
        &solved["setups"][0]["rotation_deg"],
    );
    same(&curve["chain_skew_us"], &solved["chains"][0]["skew_us"]);
    let inside = |q: &serde_json::Value, truth: f64| {
        let (lower, upper) = (number(&q["lower"]), number(&q["upper"]));
        assert!(lower < truth && truth < upper, "{q}");
    };
    inside(&measured["rotation_deg"], 4.0);
    inside(&curve["chain_skew_us"], 0.35);
    // 0.5 us before
    let u = number(&curve["chain_skew_us"]["standard_uncertainty"]);
    assert!(u < 0.4, "{u}");
    let stretches = curve["stretches"].as_array().unwrap();
    assert_eq!(stretches.len(), 4);
    for (k, stretch) in stretches.iter().enumerate() {
        let capture = &solved["captures"][k];
        assert_eq!(stretch["predicted_us"], capture["predicted_us"]);
        // the equation of docs/method.md at the stretch's middle
        let radius = 145.0 - 83.0 * (k as f64 + 0.5) / 4.0;
        let speed = std::f64::consts::TAU * radius * 1e-3 / 1.8;
        let tip = groovelag::groove::Tip {
            profile: groovelag::groove::Profile::Elliptical,
            size: [18e-6, 8e-6, 0.0],
        };
        let path = tip.path(4_f64.to_radians(), std::f64::consts::FRAC_PI_4);
        let expected = 0.35 + 1e6 * path.length / speed;
        let found = number(&stretch["delay_us"]);
        let u = number(&measured["delay_us"]["standard_uncertainty"]);
        assert!(
            (found - expected).abs() < 3.0 * u,
            "{k}: {found} {expected} {u}"
        );
    }
    let shown = std::fs::read_to_string(page).unwrap();
    assert!(shown.contains("<figure id=\"over-radius\">"));
    // the shading is in the legend
    assert!(
        shown.contains(">standard uncertainty as adjusted<"),
        "{shown}"
    );
    let refused = |more: &[&str], says: &str| {
        let mut arguments = vec!["measure"];
        arguments.extend(more);
        arguments.extend(["--rpm", "33", "--stretches", "4"]);
        let said = groovelag(&arguments);
        let message = String::from_utf8_lossy(&said.stderr).into_owned();
        assert!(
            !said.status.success() && message.contains(says),
            "{message}"
        );
    };
    refused(&[&side, "--radius", "145"], "different radii");
    refused(
        &[&side, "--radius", "62..145"],
        "larger of the two radii first",
    );
    refused(
        &[&side, "--radius", "145..62", "--from", "3"],
        "both start and end",
    );
    refused(&["-", "--radius", "145..62"], "save it to a file");
    refused(
        &[&side, "--radius", "145..62", "--bands"],
        "'--bands' cannot be used with:\n  --radius <MM[..MM]>\n  --rpm <N>\n  --stretches <N>\n",
    );
}

fn json(output: &Output) -> serde_json::Value {
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&output.stderr)))
}

fn repository(path: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join(path)
        .to_str()
        .unwrap()
        .to_owned()
}

/// Writes 16-bit stereo (or mono) made sample by sample.
fn wav(
    folder: &Path,
    name: &str,
    seconds: f64,
    channels: u16,
    make: impl Fn(usize) -> [f64; 2],
) -> String {
    let path: PathBuf = folder.join(name);
    let spec = hound::WavSpec {
        channels,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    for n in 0..(seconds * 48_000.0) as usize {
        for value in &make(n)[..usize::from(channels)] {
            writer.write_sample((value * 32_767.0) as i16).unwrap();
        }
    }
    writer.finalize().unwrap();
    path.to_str().unwrap().to_owned()
}

/// White noise from a counter (SplitMix64), -1 to 1.
fn noise(stream: u64, n: usize) -> f64 {
    let mut z = (n as u64 ^ stream.rotate_left(32)).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (z ^ (z >> 31)) as f64 / u64::MAX as f64 * 2.0 - 1.0
}

#[test]
fn every_refusal_names_the_file_and_the_remedy() {
    let folder = tempfile::tempdir().unwrap();
    let f = folder.path();
    let tick = |n: usize| 0.3 * noise(1, n);
    let cases = [
        (
            wav(f, "same.wav", 3.0, 2, |n| [tick(n), tick(n)]),
            "mono switch",
        ),
        (
            wav(f, "strapped.wav", 3.0, 2, |n| [tick(n), 0.8 * tick(n)]),
            "mono switch",
        ),
        (
            wav(f, "unrelated.wav", 3.0, 2, |n| [tick(n), 0.3 * noise(2, n)]),
            "mono-cut",
        ),
        (
            wav(f, "tones.wav", 3.0, 2, |n| {
                let t = n as f64 / 48_000.0 * std::f64::consts::TAU;
                [
                    0.3 * (1000.0 * t).sin() + 0.001 * noise(4, n),
                    0.3 * (1310.0 * t).sin() + 0.001 * noise(5, n),
                ]
            }),
            "mono-cut",
        ),
        (
            wav(f, "silence.wav", 3.0, 2, |_| [0.0, 0.0]),
            "recording level",
        ),
        (
            wav(f, "short.wav", 0.4, 2, |n| {
                [tick(n), tick(n) + 0.01 * noise(3, n)]
            }),
            "30 s",
        ),
        (
            wav(f, "one.wav", 3.0, 2, |n| [tick(n), 0.001 * noise(3, n)]),
            "check leads",
        ),
        (wav(f, "mono.wav", 3.0, 1, |n| [tick(n), 0.0]), "channel"),
        (
            f.join("missing.wav").to_str().unwrap().to_owned(),
            "check the name",
        ),
    ];
    for (path, remedy) in &cases {
        let output = groovelag(&["measure", path, "--radius", "72", "--rpm", "33"]);
        let message = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{path}: {message}");
        assert!(output.stdout.is_empty());
        assert!(message.contains(path.as_str()), "{path}: {message}");
        assert!(message.contains(remedy), "{path}: {message}");
        assert!(!message.contains("panicked"), "{message}");
    }
    let usage = groovelag(&["measure", &cases[0].0, "--radius", "72,5", "--rpm", "33"]);
    assert_eq!(usage.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&usage.stderr).contains("72.5"));
}

/// Channels that are mixed share the noise of a lead-in too, at once, where quiet programme
/// has its delay. A blend by `b` makes a correlation of `2 b / (1 + b^2)` of noises that are equal.
#[test]
fn a_blend_shows_in_the_noise() {
    let folder = tempfile::tempdir().unwrap();
    let rate = 48_000.0;
    // programme whose right channel is late by 2.5 us (sampling theorem, Hann window), and
    // noise of each wall
    const TAPS: isize = 32;
    let late: Vec<f64> = (-TAPS..=TAPS)
        .map(|k| {
            let x = std::f64::consts::PI * (k as f64 - 2.5e-6 * rate);
            let window = (x / (TAPS + 1) as f64 / 2.0).cos().powi(2);
            window * x.sin() / x
        })
        .collect();
    let programme = |n: usize| {
        let at = |k: isize| noise(1, (n as isize - k).max(0) as usize);
        let right = late.iter().zip(-TAPS..).map(|(h, k)| h * at(k)).sum();
        [at(0), right]
    };
    let of_walls = |n: usize| [2, 3].map(|wall| 0.001 * noise(wall, n));
    let told = |name: &str, lead_in: f64, blend: f64| -> Option<String> {
        let path = wav(folder.path(), name, 7.0, 2, |n| {
            let gain = if (n as f64) < 2.5 * rate {
                lead_in
            } else {
                0.3
            };
            let [p, w] = [programme(n), of_walls(n)];
            let [l, r] = [0, 1].map(|c| gain * p[c] + w[c]);
            [l + blend * r, r + blend * l]
        });
        let output = groovelag(&["measure", &path, "--radius", "72", "--rpm", "33", "--json"]);
        let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        let warnings = document["warnings"].as_array().unwrap();
        let blend = warnings.iter().find(|w| w["code"] == "blend")?;
        Some(blend["level"].as_str().unwrap().to_owned())
    };
    assert_eq!(told("walls.wav", 0.0, 0.0), None);
    assert_eq!(told("usual.wav", 0.0, 0.05), None);
    assert_eq!(told("blend.wav", 0.0, 0.1).as_deref(), Some("serious"));
    assert_eq!(told("strong.wav", 0.0, 0.32).as_deref(), Some("serious"));
    // a quiet beginning
    assert_eq!(told("quiet.wav", 0.003, 0.0), None);
    assert_eq!(told("quiet-alone.wav", 0.03, 0.0), None);
}

/// A coder with losses leaves nothing of the difference for moments; here every fortieth
/// block of 21 ms, while the programme is loud.
#[test]
fn a_coder_shows_in_what_it_leaves_out() {
    let folder = tempfile::tempdir().unwrap();
    let told = |name: &str, coded: bool| -> Option<String> {
        let path = wav(folder.path(), name, 8.0, 2, |n| {
            let programme = 0.2 * noise(1, n);
            let walls = [2, 3].map(|wall| programme + 0.004 * noise(wall, n));
            match coded && n / 1024 % 40 == 20 {
                true => [0.5 * (walls[0] + walls[1]); 2],
                false => walls,
            }
        });
        let output = groovelag(&["measure", &path, "--radius", "72", "--rpm", "33", "--json"]);
        let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        let warnings = document["warnings"].as_array().unwrap();
        let found = warnings.iter().find(|w| w["code"] == "lossy-coder")?;
        Some(found["level"].as_str().unwrap().to_owned())
    };
    assert_eq!(told("plain.wav", false), None);
    assert_eq!(told("coded.wav", true).as_deref(), Some("serious"));
}

/// The document is the same to the last byte, however many threads make it.
#[test]
fn threads_change_no_byte_of_the_document() {
    let wav = repository("test-signals/example.wav");
    let with = |threads: &str, more: &[&str]| {
        let mut arguments = vec!["measure", wav.as_str(), "--radius", "72", "--rpm", "33"];
        arguments.extend(["--json", "--threads", threads]);
        arguments.extend(more);
        let output = groovelag(&arguments);
        assert!(output.status.success(), "{output:?}");
        output.stdout
    };
    let one = with("1", &[]);
    assert!(String::from_utf8_lossy(&one).contains("\"delay_us\": {"));
    for threads in ["2", "3", "7"] {
        assert!(with(threads, &[]) == one, "{threads} threads");
    }
    // and a tenth of a second less does change it
    assert!(with("1", &["--to", "6"]) != with("1", &["--to", "5.9"]));
}

/// The shipped example: the document's figures hold together and its band holds
/// the simulated truth.
#[test]
fn the_example_is_measured() {
    let wav = repository("test-signals/example.wav");
    let truth: serde_json::Value = serde_json::from_str(
        &std::fs::read_to_string(repository("test-signals/example.truth.json")).unwrap(),
    )
    .unwrap();
    let options = [
        "--radius",
        "72",
        "--rpm",
        "33",
        "--stylus",
        "elliptical:18x8",
    ];
    let run = |more: &[&str]| {
        let mut arguments = vec!["measure", wav.as_str()];
        arguments.extend(options);
        arguments.extend(more);
        groovelag(&arguments)
    };
    let output = run(&["--json", "--tolerance", "5"]);
    let document = json(&output);
    assert_eq!(document["schema"], "groovelag/measurement/1");
    assert_eq!(document["sha256"], truth["sha256"]);
    let number = |v: &serde_json::Value| v.as_f64().unwrap();
    let delay = &document["delay_us"];
    let error = number(&delay["value"]) - number(&truth["delay_us"]["mean"]);
    assert!(
        error.abs() < 3.0 * number(&delay["standard_uncertainty"]),
        "{error}"
    );
    let rotation = &document["rotation_deg"];
    assert_eq!(rotation["interval"], "finite");
    let true_rotation = number(&truth["rotation_deg"]["mean"]);
    assert!(
        number(&rotation["lower"]) < true_rotation && true_rotation < number(&rotation["upper"])
    );
    // The budget closes.
    let squares: f64 = document["budget"]
        .as_array()
        .unwrap()
        .iter()
        .map(|line| number(&line["standard_uncertainty"]).powi(2))
        .sum();
    let u = number(&rotation["standard_uncertainty"]);
    assert!((squares / (u * u) - 1.0).abs() < 1e-9, "{squares} {u}");
    // Exit status 1 unless conforming, as the verdict says.
    let conforming = document["conformity"]["verdict"] == "conforming";
    assert_eq!(output.status.code(), Some(if conforming { 0 } else { 1 }));
    // Text in the contract's order.
    let text = String::from_utf8(run(&[]).stdout).unwrap();
    let order = [
        "Rotation",
        "95 % band",
        "Delay",
        "What to do",
        "What limits it",
        "effective angle",
    ];
    let places: Vec<usize> = order
        .iter()
        .map(|w| text.find(w).unwrap_or_else(|| panic!("{w} in {text}")))
        .collect();
    assert!(places.windows(2).all(|w| w[0] < w[1]), "{text}");
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
    // A spherical tip tells the cut.
    let ball = json(&groovelag(&[
        "measure",
        &wav,
        "--radius",
        "72",
        "--rpm",
        "33",
        "--stylus",
        "spherical:18",
        "--json",
    ]));
    assert!(ball["rotation_deg"].is_null() && ball["cut_rotation_deg"].is_object());
    // Standard input gives the same as the file.
    let piped = Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .args(["measure", "-", "--json"])
        .args(options)
        .stdin(std::fs::File::open(&wav).unwrap())
        .output()
        .unwrap();
    assert_eq!(json(&piped)["delay_us"], document["delay_us"]);
}

/// The worked job of the README: every truth of its recipe lies in its band.
#[test]
fn the_workshop_job_finds_its_truth() {
    let document = json(&groovelag(&[
        "solve",
        &repository("test-signals/workshop/job.toml"),
        "--json",
    ]));
    let holds = |q: &serde_json::Value, truth: f64, what: &str| {
        let (lower, upper) = (q["lower"].as_f64().unwrap(), q["upper"].as_f64().unwrap());
        println!("{what}: {lower} .. {upper}, truth {truth}");
        assert!(lower < truth && truth < upper, "{what}: {q}");
    };
    for setup in document["setups"].as_array().unwrap() {
        match setup["name"].as_str().unwrap() {
            "found" => holds(&setup["rotation_deg"], 3.2, "found"),
            "corrected" => holds(&setup["rotation_deg"], 0.25, "corrected"),
            _ => {}
        }
    }
    holds(&document["records"][0]["cut_rotation_deg"], -0.4, "cut");
    holds(&document["chains"][0]["skew_us"], 0.35, "chain");
}

/// The schemas in docs/schemas are those of the types, and real output passes
/// them. GROOVELAG_UPDATE=1 writes them anew.
#[test]
fn schemas_are_published_and_hold() {
    use groovelag::report::{self, solution};
    let job = repository("test-signals/workshop/job.toml");
    let wav = repository("test-signals/example.wav");
    let documents = [
        (
            "measurement",
            serde_json::to_value(schemars::schema_for!(report::Measurement)).unwrap(),
            groovelag(&["measure", &wav, "--radius", "72", "--rpm", "33", "--json"]),
        ),
        (
            "solution",
            serde_json::to_value(schemars::schema_for!(solution::SolutionDocument)).unwrap(),
            groovelag(&["solve", &job, "--json"]),
        ),
        (
            "comparison",
            serde_json::to_value(schemars::schema_for!(solution::ComparisonDocument)).unwrap(),
            groovelag(&[
                "compare",
                &job,
                "--before",
                "found",
                "--after",
                "corrected",
                "--json",
            ]),
        ),
        (
            "plan",
            serde_json::to_value(schemars::schema_for!(solution::PlanDocument)).unwrap(),
            groovelag(&["plan", &job, "--json"]),
        ),
    ];
    for (name, schema, output) in documents {
        let path = repository(&format!("docs/schemas/{name}.json"));
        let text = serde_json::to_string_pretty(&schema).unwrap() + "\n";
        if std::env::var_os("GROOVELAG_UPDATE").is_some() {
            std::fs::write(&path, &text).unwrap();
        }
        let published = std::fs::read_to_string(&path).unwrap_or_default();
        assert_eq!(
            published, text,
            "{path} is stale: run with GROOVELAG_UPDATE=1"
        );
        let validator = jsonschema::validator_for(&schema).unwrap();
        let document = json(&output);
        assert!(
            validator.is_valid(&document),
            "{name}: {:?}",
            validator.validate(&document)
        );
        let mut broken = document.clone();
        broken.as_object_mut().unwrap().remove("schema");
        assert!(
            !validator.is_valid(&broken),
            "{name}: the schema excludes nothing"
        );
    }
}

/// docs/uncertainty.md states every default prior as the program has it.
#[test]
fn the_table_of_defaults_is_the_programs() {
    let page = std::fs::read_to_string(repository("docs/uncertainty.md")).unwrap();
    for prior in groovelag::job::priors::TABLE {
        let line = format!(
            "| {} | {:?} | {:?} | {} | {} |",
            prior.what, prior.value, prior.u, prior.unit, prior.origin
        );
        assert!(page.contains(&line), "docs/uncertainty.md lacks: {line}");
    }
}

/// The 24 captures of test-signals/practitioners.toml through estimator and
/// job: the true rotation (with a spherical tip: the true cut) lies in the
/// stated 95 % band, and docs/practitioners.md holds the figures.
/// GROOVELAG_UPDATE=1 writes the page anew.
#[test]
fn practitioners_captures_give_their_rotation() {
    use groovelag::analysis::{self, Request};
    use groovelag::capture::{self, Source};
    use groovelag::groove::Profile;
    use groovelag::job::{self, CaptureData, CaptureSpec, Cartridge, Job, Setup, Stated};
    use groovelag::simulate::{recipe, variations};
    use rayon::prelude::*;
    let text = std::fs::read_to_string(repository("test-signals/practitioners.toml")).unwrap();
    let recipes = variations::expand(&text, "practitioners").unwrap();
    assert_eq!(recipes.len(), 24);
    let folder = tempfile::tempdir().unwrap();
    let name = String::new;
    let rows: Vec<(String, bool)> = recipes
        .par_iter()
        .map(|recipe| {
            let title = recipe.name.clone().unwrap();
            let rendered = render(recipe, Path::new("")).unwrap();
            let file = folder.path().join(format!("{title}.wav"));
            std::fs::write(&file, rendered.wav(&title).0).unwrap();
            let request = Request {
                source: Source::Path(file),
                options: capture::ReadOptions::default(),
                from_s: None,
                to_s: None,
                settings: EstimateSettings::default(),
            };
            let analysis = analysis::analyse(&request, &mut |_| ())
                .unwrap_or_else(|e| panic!("{title}: {e}"));
            let e = &analysis.estimate;
            let um = |v: f64| Stated::number(v * 1e-6);
            let profile = recipe.cartridge.profile.unwrap();
            let line = profile == Profile::Line;
            let mut job = Job::default();
            job.cartridges.insert(
                name(),
                Cartridge {
                    profile: Some(profile),
                    frontal_radius: if line { Stated::default() } else { um(recipe.cartridge.frontal_radius_um) },
                    side_radius: um(recipe.cartridge.side_radius_um),
                    contact_spacing: if line { um(recipe.cartridge.contact_spacing_um) } else { Stated::default() },
                    ..Default::default()
                },
            );
            job.records.insert(name(), job::Record::default());
            job.chains.insert(name(), job::Chain::default());
            job.setups.insert(name(), Setup::default());
            job.captures.push(CaptureSpec {
                source: job::DelaySource::File(PathBuf::from(&title)),
                band: None,
                setup: name(),
                record: name(),
                chain: name(),
                radius: recipe.capture.radius_mm.array().map(|mm| mm * 1e-3),
                radius_u: None,
                rpm: Stated::number(recipe.capture.rpm),
                turn: Stated::default(),
                swapped: recipe.capture.leads == recipe::Leads::Swapped,
                channels: None,
                from_s: None,
                to_s: None,
                date: None,
                note: None,
                line: None,
            });
            let data = CaptureData::of(&analysis);
            let solved = job::solve(&job, &[Some(data)], 0.95).unwrap();
            let truth = &rendered.truth;
            let (what, angle, true_angle) = if profile == Profile::Spherical {
                ("cut", solved.cut("").unwrap().0, truth.cut_rotation_deg.as_ref().unwrap().mean)
            } else {
                ("rotation", solved.solution.setups[0].rotation_deg, truth.rotation_deg.as_ref().unwrap().mean)
            };
            let row = format!(
                "| {title} | {:.4} | {:.4} | {:.4} | {what} | {true_angle:.2} | {:.2} | {:.2} to {:.2} |",
                truth.delay_us.mean,
                e.delay_s * 1e6,
                e.standard_uncertainty_s * 1e6,
                angle.value,
                angle.interval.lower.unwrap(),
                angle.interval.upper.unwrap()
            );
            println!("{row}");
            (row, angle.interval.contains(true_angle))
        })
        .collect();
    let outside: Vec<&String> = rows.iter().filter(|r| !r.1).map(|r| &r.0).collect();
    assert!(outside.is_empty(), "{outside:#?}");
    let path = repository("docs/practitioners.md");
    if std::env::var_os("GROOVELAG_UPDATE").is_some() {
        let rows: Vec<&str> = rows.iter().map(|r| r.0.as_str()).collect();
        let page = format!(
            "# Practitioners' table\n\nThe 24 invented captures of `test-signals/practitioners.toml`, each measured alone:\ndelay in microseconds, right after left; angles in degrees, clockwise seen from\nabove, relative to the groove (the arm's tracking error included); 95 % bands.\nThe delay in the first column is that of groove, generators and chain; crosstalk,\nresonances and equaliser parts come on top in the captures that have them. The\nbands are wide because one capture cannot tell the stylus from the record's cut.\n\nMade by `GROOVELAG_UPDATE=1 cargo test --test main practitioners`, which also\nfails when a true angle lies outside its band.\n\n| capture | true delay | measured | u | angle | true | measured | band |\n|---|---|---|---|---|---|---|---|\n{}\n",
            rows.join("\n")
        );
        std::fs::write(&path, page).unwrap();
    }
    let page = std::fs::read_to_string(&path).unwrap_or_default();
    for recipe in &recipes {
        let row = format!("| {} |", recipe.name.as_ref().unwrap());
        assert!(page.contains(&row), "{path} lacks {row}");
    }
}
