//! `groovelag follow`: streams through pipes, fast and slow, whole and broken
//! off, against `groovelag measure` on the same samples.

use groovelag::capture::{self, ReadOptions, Source, Stereo};
use groovelag::report::{Measurement, PreviousStretch, StreamEstimate, last_word};
use groovelag::uncertainty::{Caveat, Conformity, Warning};
use serde_json::Value;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

const PLACE: [&str; 4] = ["--radius", "72", "--rpm", "33"];

fn start(command: &str, more: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .args([command, "-"])
        .args(more)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Runs a command on a stream; `piece` says how much is written at once, by the
/// number of the piece.
fn run(command: &str, more: &[&str], stream: &[u8], piece: fn(usize) -> usize) -> Output {
    let mut child = start(command, more);
    let mut input = child.stdin.take().unwrap();
    std::thread::scope(|scope| {
        scope.spawn(move || {
            let (mut at, mut number) = (0, 0);
            while at < stream.len() {
                let end = (at + piece(number)).min(stream.len());
                // A command that needs no more closes its end.
                if input.write_all(&stream[at..end]).is_err() {
                    return;
                }
                (at, number) = (end, number + 1);
            }
        });
        child.wait_with_output().unwrap()
    })
}

fn at_once(_: usize) -> usize {
    usize::MAX / 2
}

/// Odd pieces from 1 byte to 60 kB, with a pause now and then and one stall.
fn in_dribs(number: usize) -> usize {
    if number.is_multiple_of(40) {
        let pause = if number == 80 { 600 } else { 20 };
        std::thread::sleep(Duration::from_millis(pause));
    }
    1 + number * 7919 % 60_013 / (1 + number % 7 * 20)
}

fn lines(output: &Output) -> Vec<Value> {
    let text = std::str::from_utf8(&output.stdout).unwrap();
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line}")))
        .collect()
}

fn message(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn example() -> Vec<u8> {
    std::fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("test-signals/example.wav")).unwrap()
}

fn with<'a>(more: &[&'a str]) -> Vec<&'a str> {
    [&PLACE[..], more].concat()
}

/// The latest part lasts four seconds where no lead-in takes of it: the example's
/// five seconds of programme, twice.
#[test]
fn the_latest_part_lasts_four_seconds() {
    let mut reader = hound::WavReader::new(std::io::Cursor::new(example())).unwrap();
    let spec = reader.spec();
    let mut bytes = std::io::Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec).unwrap();
    let lead_in = 2 * spec.sample_rate as usize;
    let samples: Vec<i32> = reader.samples().map(Result::unwrap).collect();
    for sample in samples[lead_in..].repeat(2) {
        writer.write_sample(sample).unwrap();
    }
    writer.finalize().unwrap();
    let every = with(&["--json", "--all-updates"]);
    let all = lines(&run("follow", &every, bytes.get_ref(), at_once));
    let recent = &all[all.len() - 2]["recent"];
    let span = |k: usize| recent["span_s"][k].as_f64().unwrap();
    assert!((span(1) - span(0) - 4.0).abs() < 0.2, "{recent}");
}

#[test]
fn the_end_is_what_measure_says_however_the_stream_comes() {
    let stream = example();
    let measured = run("measure", &with(&["--json"]), &stream, at_once);
    let measured: Value = serde_json::from_slice(&measured.stdout).unwrap();
    let every = with(&["--json", "--all-updates"]);
    let fast = run("follow", &every, &stream, at_once);
    assert_eq!(fast.status.code(), Some(0), "{}", message(&fast));
    let slow = run("follow", &every, &stream, in_dribs);
    assert_eq!(fast.stdout, slow.stdout, "pace changes the result");
    let all = lines(&fast);
    let (last, updates) = all.split_last().unwrap();
    assert_eq!(last, &measured);

    // 6.2 s: every half second, without a gap
    let times: Vec<f64> = updates
        .iter()
        .map(|u| u["stream_s"].as_f64().unwrap())
        .collect();
    let expected: Vec<f64> = (1..=12).map(|n| f64::from(n) / 2.0).collect();
    assert_eq!(times, expected);
    let began = measured["analysed_s"][0].as_f64().unwrap();
    let first = updates.iter().find(|u| !u["delay_us"].is_null()).unwrap();
    assert!(first["stream_s"].as_f64().unwrap() <= began + 2.0);
    assert!(first["rotation_deg"]["value"].is_f64());
    // both values near the end are those of the whole, within their noise
    let near = updates.last().unwrap();
    let delay = |q: &Value| q["delay_us"]["value"].as_f64().unwrap();
    let recent = &near["recent"];
    let u = recent["delay_us"]["standard_uncertainty"].as_f64().unwrap();
    assert!((delay(recent) - delay(&measured)).abs() < 3.0 * u);
    assert!((delay(near) - delay(&measured)).abs() < 3.0 * u);
    let span = |k: usize| recent["span_s"][k].as_f64().unwrap();
    // the second of lead-in is known as such at 2.5 s; what came since then
    assert!((span(1) - span(0) - 3.5).abs() < 0.2, "{recent}");
    // the delay's 10 ns are 0.01 degrees, and what a cartridge's response leaves in the
    // equaliser's parts, 0.1 us, a tenth; the whole band has the cut's degree
    let noise = |q: &Value| q["rotation_deg"]["standard_uncertainty"].as_f64().unwrap();
    assert!(noise(recent) < 0.1 && noise(near) > 0.5, "{near}");
    let angle = |q: &Value| q["rotation_deg"]["value"].as_f64().unwrap();
    assert!((angle(recent) - angle(near)).abs() < 4.0 * noise(recent));
    assert_eq!(near["health"], Value::Array(Vec::new()));
    assert_eq!(near["outlook"]["prospect"], "reached");

    // Unasked, the clock leaves updates out; those shown say the same.
    let some = lines(&run("follow", &with(&["--json"]), &stream, at_once));
    assert!(some.len() > 1 && some.last() == all.last());
    assert!(some.iter().all(|line| all.contains(line)));

    // No terminal: the same lines without asking for them, no control codes.
    let unasked = run("follow", &with(&["--all-updates"]), &stream, at_once);
    assert!(unasked.stdout == fast.stdout, "other lines unasked");
    // What a terminal shows of the last of them.
    let near: StreamEstimate = serde_json::from_value(updates[11].clone()).unwrap();
    let block = near.block(80);
    for words in [
        "6.0 s of stream",
        "Rotation ",
        "Just now ",
        "Health      good",
        "More time ",
    ] {
        assert!(block.contains(words), "{block}");
    }
    assert!(block.lines().all(|line| line.chars().count() <= 80));
}

#[test]
fn the_radius_is_followed() {
    let stream = example();
    let json = |more: &[&str]| {
        let more = [more, &["--all-updates"]].concat();
        let output = run("follow", &more, &stream, at_once);
        assert_eq!(output.status.code(), Some(0), "{}", message(&output));
        lines(&output)
    };
    let measure = |radius: &str| -> Value {
        let arguments = ["--radius", radius, "--rpm", "33", "--json"];
        let output = run("measure", &arguments, &stream, at_once);
        serde_json::from_slice(&output.stdout).unwrap()
    };
    // by the length that the header tells
    let moved = json(&["--radius", "75..72", "--rpm", "33", "--json"]);
    let (last, updates) = moved.split_last().unwrap();
    assert_eq!(last, &measure("75..72"));
    let radius = |u: &Value| u["radius_mm"].as_f64().unwrap();
    let began = last["analysed_s"][0].as_f64().unwrap();
    let there = updates.last().unwrap();
    let gone = (there["recent"]["span_s"][1].as_f64().unwrap() - began) / (6.2 - began);
    assert!(
        (radius(there) - (75.0 - 3.0 * gone)).abs() < 1e-9,
        "{there}"
    );
    // by the pitch: 0.2 mm at 100/180 revolutions a second
    let pitched = json(&with(&["--pitch", "0.2", "--json"]));
    let last = pitched.last().unwrap();
    let [from, to] = [0, 1].map(|k| last["analysed_s"][k].as_f64().unwrap());
    let end = 72.0 - 0.2 * (100.0 / 3.0) / 60.0 * (to - from);
    assert_eq!(last, &measure(&format!("72..{end}")));
    assert_ne!(last["rotation_deg"], measure("72")["rotation_deg"]);
    // without either there is nothing to follow by
    let raw = [
        "--radius",
        "75..72",
        "--rpm",
        "33",
        "--raw",
        "s16le,48000,2",
    ];
    let refused = run("follow", &raw, &stream, at_once);
    assert_eq!(refused.status.code(), Some(2));
    assert!(
        message(&refused).contains("--pitch"),
        "{}",
        message(&refused)
    );
    let both = ["--radius", "75..72", "--rpm", "33", "--pitch", "0.1"];
    assert_eq!(
        run("follow", &both, &stream, at_once).status.code(),
        Some(2)
    );
}

/// White noise from a counter (SplitMix64), -1 to 1.
fn noise(stream: u64, n: usize) -> f64 {
    let mut z = (n as u64 ^ stream.rotate_left(32)).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (z ^ (z >> 31)) as f64 / u64::MAX as f64 * 2.0 - 1.0
}

/// A groove's two channels with noise of their own, 20 dB down.
fn groove(n: usize) -> [f64; 2] {
    let common = 0.3 * noise(1, n) + 0.1 * noise(1, n + 1);
    [
        common + 0.03 * noise(2, n),
        common + 0.03 * noise(3, n) + 0.01 * noise(1, n + 1),
    ]
}

const RAW: &str = "s16le,48000,2";

/// Raw 16-bit samples at 48 kHz.
fn raw(seconds: f64, make: impl Fn(usize) -> [f64; 2]) -> Vec<u8> {
    (0..(seconds * 48_000.0) as usize)
        .flat_map(make)
        .flat_map(|v| ((v * 32_767.0) as i16).to_le_bytes())
        .collect()
}

#[test]
fn the_health_of_the_signal_is_told_in_words_while_it_plays() {
    let later = |n: usize| n > 3 * 48_000;
    type Case<'a> = (&'a str, &'a str, Vec<u8>, Option<i32>);
    let cases: [Case; 9] = [
        (
            "same-signal",
            "mono switch",
            raw(3.0, |n| [groove(n)[0]; 2]),
            Some(2),
        ),
        (
            "lost-channel",
            "right carries almost nothing",
            raw(3.0, |n| [groove(n)[0], 0.0]),
            Some(2),
        ),
        (
            "lost-channel",
            "left carries almost nothing",
            raw(3.0, |n| [0.003 * groove(n)[0], groove(n)[1]]),
            Some(2),
        ),
        (
            "no-signal",
            "nothing but zeros",
            raw(3.0, |_| [0.0, 0.0]),
            Some(2),
        ),
        (
            "nothing-in-common",
            "mono-cut",
            raw(3.0, |n| [0.3 * noise(8, n), 0.3 * noise(9, n)]),
            Some(2),
        ),
        (
            "inverted-polarity",
            "inverted against the other",
            raw(3.0, |n| [groove(n)[0], -groove(n)[1]]),
            Some(0),
        ),
        (
            "clipping",
            "lower the recording level",
            raw(3.0, |n| groove(n).map(|v| (3.0 * v).clamp(-1.0, 1.0))),
            Some(0),
        ),
        // faults that come while it plays
        (
            "end-of-side",
            "end of the side",
            raw(7.0, |n| {
                if later(n) {
                    [0.0005 * noise(5, n); 2]
                } else {
                    groove(n)
                }
            }),
            Some(0),
        ),
        (
            "same-signal",
            "mono switch",
            raw(6.0, |n| {
                if later(n) {
                    [groove(n)[0]; 2]
                } else {
                    groove(n)
                }
            }),
            Some(0),
        ),
    ];
    for (code, words, stream, status) in &cases {
        let arguments = with(&["--raw", RAW, "--json"]);
        let every = [&arguments[..], &["--all-updates"]].concat();
        let output = run("follow", &every, stream, at_once);
        assert_eq!(
            output.status.code(),
            *status,
            "{code}: {}",
            message(&output)
        );
        let mut updates = lines(&output);
        if *status == Some(0) {
            updates.pop();
        } else {
            let measured = run("measure", &arguments, stream, at_once);
            assert_eq!(message(&output), message(&measured));
        }
        let health = updates.last().unwrap()["health"].as_array().unwrap();
        let found = health.iter().find(|c| c["code"] == *code);
        let found = found.unwrap_or_else(|| panic!("{code}: {health:?}"));
        let said = found["message"].as_str().unwrap();
        assert!(said.contains(words), "{code}: {said}");
    }
    let good = run(
        "follow",
        &with(&["--raw", RAW, "--json", "--all-updates"]),
        &raw(4.0, groove),
        at_once,
    );
    let good = lines(&good);
    assert_eq!(good[0]["health"][0]["code"], "waiting");
    for update in &good[3..8] {
        assert_eq!(update["health"], Value::Array(Vec::new()), "{update}");
    }
    // a peak of 0.44 of full scale at most; powers of uniform noise: (0.3^2 + 0.1^2 +
    // 0.03^2) / 3, which 24000 samples know to a percent
    let signal = &good[5]["signal"];
    let left = signal["left_dbfs"].as_f64().unwrap();
    assert!(
        (left - 10.0 * (0.1009_f64 / 3.0).log10()).abs() < 0.15,
        "{left}"
    );
    let peak = signal["left_peak_dbfs"].as_f64().unwrap();
    assert!((-8.2..=20.0 * 0.43_f64.log10()).contains(&peak), "{peak}");
}

fn read_all(path: &Path) -> Stereo {
    let mut recording =
        capture::open(&Source::Path(path.to_owned()), &ReadOptions::default()).unwrap();
    let mut all = Stereo::default();
    recording.read(&mut all, 1 << 24).unwrap();
    assert!(recording.caveats().is_empty(), "{:?}", recording.caveats());
    all
}

/// Killed at some moment, without warning: what is kept is a whole file, and the
/// beginning of the stream.
#[test]
fn the_kept_file_is_whole_whenever_the_program_dies() {
    let folder = tempfile::tempdir().unwrap();
    let stream = raw(4.0, groove);
    for (k, share) in [0.31, 0.62, 0.87].into_iter().enumerate() {
        let path = folder.path().join(format!("kept-{k}.wav"));
        let kept = path.to_str().unwrap();
        let mut child = start("follow", &with(&["--raw", RAW, "--save", kept, "--json"]));
        let part = (stream.len() as f64 * share) as usize;
        let mut input = child.stdin.take().unwrap();
        input.write_all(&stream[..part]).unwrap();
        // The first update has come, more may be on the way.
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().unwrap())
            .read_line(&mut line)
            .unwrap();
        child.kill().unwrap();
        child.wait().unwrap();
        let all = read_all(&path);
        let frames = all.left.len();
        assert!((24_000..=part / 4).contains(&frames), "{frames}");
        for (n, (left, right)) in all.left.iter().zip(&all.right).enumerate() {
            let [l, r] = [0, 2].map(|at| {
                let bytes = [stream[4 * n + at], stream[4 * n + at + 1]];
                f32::from(i16::from_le_bytes(bytes)) / 32_768.0
            });
            assert_eq!((l, r), (*left, *right), "frame {n}");
        }
    }
}

/// Ctrl-C: a clean end, with the result of what had come.
#[cfg(unix)]
#[test]
fn an_interruption_ends_with_the_result_so_far() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kept.wav");
    let kept = path.to_str().unwrap();
    let keep = ["--raw", RAW, "--save", kept, "--json", "--all-updates"];
    let mut child = start("follow", &with(&keep));
    let mut input = child.stdin.take().unwrap();
    input.write_all(&raw(5.2, groove)).unwrap();
    let mut output = BufReader::new(child.stdout.take().unwrap());
    let mut line = String::new();
    // ten updates, then silence: the stream stalls
    for _ in 0..10 {
        line.clear();
        output.read_line(&mut line).unwrap();
    }
    let update: Value = serde_json::from_str(&line).unwrap();
    assert_eq!(update["stream_s"], 5.0);
    let sent = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status()
        .unwrap();
    assert!(sent.success());
    line.clear();
    output.read_line(&mut line).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(0));
    drop(input);
    let last: Value = serde_json::from_str(&line).unwrap();
    let mut measured = Command::new(env!("CARGO_BIN_EXE_groovelag"));
    let measured = measured.args(["measure", kept]).args(with(&["--json"]));
    let mut measured: Value = serde_json::from_slice(&measured.output().unwrap().stdout).unwrap();
    // The name differs, and of a stream without an end there is no hash.
    assert_eq!(
        (&last["file"], &last["sha256"]),
        (&"-".into(), &Value::Null)
    );
    measured["file"] = "-".into();
    measured["sha256"] = Value::Null;
    assert_eq!(last, measured);
}

#[test]
fn nothing_is_overwritten_unasked() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kept.wav");
    std::fs::write(&path, example()).unwrap();
    let kept = path.to_str().unwrap();
    let stream = raw(2.0, groove);
    let arguments = with(&["--raw", RAW, "--save", kept]);
    let refused = run("follow", &arguments, &stream, at_once);
    assert_eq!(refused.status.code(), Some(2));
    assert!(message(&refused).contains("--force"));
    // a recording that another program made is nobody's older stream
    let forced = [&arguments[..], &["--force"]].concat();
    let refused = run("follow", &forced, &stream, at_once);
    assert_eq!(refused.status.code(), Some(2));
    assert!(message(&refused).contains("it is a recording"));
    assert_eq!(std::fs::read(&path).unwrap(), example());
    std::fs::remove_file(&path).unwrap();
    assert_eq!(
        run("follow", &arguments, &raw(1.5, groove), at_once)
            .status
            .code(),
        Some(0)
    );
    let done = run("follow", &forced, &stream, at_once);
    assert_eq!(done.status.code(), Some(0), "{}", message(&done));
    assert_eq!(read_all(&path).left.len(), 96_000);
    let nowhere = folder.path().join("none/kept.wav");
    let arguments = with(&["--raw", RAW, "--save", nowhere.to_str().unwrap()]);
    let refused = run("follow", &arguments, &stream, at_once);
    assert_eq!(refused.status.code(), Some(2));
    assert!(
        message(&refused).contains("folder"),
        "{}",
        message(&refused)
    );
}

/// What tracing does to the delay of music is taken out at the end, and is no doubt of the
/// signal before.
#[test]
fn tracing_is_no_doubt_while_it_plays() {
    let folder = tempfile::tempdir().unwrap();
    let recipe = "format = 1\nname = \"take\"\nseed = 7\n[programme]\nkind = \"music\"\nduration_s = 12\npeak_cm_s = 6\n[capture]\nradius_mm = 66\nrpm = 33\nsample_rate_hz = 44100\n[cartridge]\nprofile = \"elliptical\"\nfrontal_radius_um = 18\nside_radius_um = 7\n[setup]\nrotation_deg = 5\n[dirt]\nsnr_db = 38\n";
    std::fs::write(folder.path().join("recipe.toml"), recipe).unwrap();
    let made = Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .current_dir(folder.path())
        .args(["simulate", "recipe.toml", "-o", "."])
        .output()
        .unwrap();
    assert!(made.status.success(), "{}", message(&made));
    let stream = std::fs::read(folder.path().join("take.wav")).unwrap();
    let arguments = ["--radius", "66", "--rpm", "33", "--all-updates"];
    let all = lines(&run("follow", &arguments, &stream, at_once));
    let (last, updates) = all.split_last().unwrap();
    let codes = |list: &Value| -> Vec<String> {
        let list = list.as_array().unwrap().iter();
        list.map(|w| w["code"].as_str().unwrap().to_owned())
            .collect()
    };
    assert!(
        codes(&last["warnings"]).contains(&"tracing".to_owned()),
        "{last}"
    );
    assert!(updates.len() > 20);
    for update in updates {
        let health = codes(&update["health"]);
        assert!(health.iter().all(|code| code == "waiting"), "{update}");
    }
}

#[test]
fn a_closed_output_is_a_clean_end() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kept.wav");
    for format in [&["--json"][..], &[]] {
        let kept = ["--save", path.to_str().unwrap(), "--force", "--raw", RAW];
        let mut child = start("follow", &with(&[&kept, format].concat()));
        let mut input = child.stdin.take().unwrap();
        let mut output = BufReader::new(child.stdout.take().unwrap());
        let stream = raw(4.0, groove);
        input.write_all(&stream[..stream.len() / 4]).unwrap();
        let mut line = String::new();
        output.read_line(&mut line).unwrap();
        assert!(!line.is_empty());
        drop(output);
        // The program may be gone before everything is written.
        let _ = input.write_all(&stream[stream.len() / 4..]);
        drop(input);
        let end = child.wait_with_output().unwrap();
        assert_eq!(end.status.code(), Some(0), "{}", message(&end));
        assert!(end.stderr.is_empty(), "{}", message(&end));
        assert!(read_all(&path).left.len() >= 24_000);
    }
}

#[test]
fn what_is_wanted_ends_it() {
    let stream = raw(8.0, groove);
    let until = |wanted: &str| {
        run(
            "follow",
            &with(&["--raw", RAW, "--json", "--until", wanted]),
            &stream,
            at_once,
        )
    };
    // the default priors alone leave about a degree
    let enough = until("10");
    assert_eq!(enough.status.code(), Some(0), "{}", message(&enough));
    let enough = lines(&enough);
    let [.., update, last] = &enough[..] else {
        panic!("{enough:?}")
    };
    assert!(update["stream_s"].as_f64().unwrap() <= 2.0);
    assert_eq!(update["outlook"]["prospect"], "reached");
    assert_eq!(last["schema"], "groovelag/measurement/1");
    assert_eq!(last["duration_s"], update["stream_s"]);
    let never = until("0.01");
    assert_eq!(never.status.code(), Some(1), "{}", message(&never));
    let never = lines(&never);
    let outlook = &never[never.len() - 2]["outlook"];
    assert_eq!(outlook["prospect"], "out-of-reach");
    assert!(outlook["seconds"].is_null() && outlook["remaining"].as_f64().unwrap() > 0.5);
}

#[test]
fn unusable_streams_get_one_message() {
    let wav = example();
    let cases: [(&[u8], &str); 6] = [
        (b"", "no samples"),
        (&wav[..10], "standard input"),
        (&wav[..40], "standard input"),
        (&wav[..68], "no samples"),
        (b"ID3\x04\0\0\0\0\0\0\xff\xfb", "lossy"),
        (b"a letter to the editor", "text"),
    ];
    for (stream, says) in cases {
        let output = run("follow", &with(&["--json"]), stream, at_once);
        assert_eq!(output.status.code(), Some(2));
        assert!(output.stdout.is_empty());
        let message = message(&output);
        assert!(message.contains(says), "{message}");
        assert!(message.starts_with("groovelag: ") && message.lines().count() == 1);
    }
    // cut short in the middle: the caveat of measure
    let half = &wav[..wav.len() / 2];
    let last = lines(&run("follow", &with(&["--json"]), half, at_once))
        .pop()
        .unwrap();
    let warnings = last["warnings"].as_array().unwrap();
    assert!(warnings.iter().any(|w| w["code"] == "truncated-file"));
    // a file by its name
    let mut child = Command::new(env!("CARGO_BIN_EXE_groovelag"));
    let output = child
        .args(["follow", "missing.wav"])
        .args(PLACE)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(message(&output).contains("missing.wav"));
}

/// Three stretches of a record, the arm lifted in between and the stylus turned each time: a
/// recording as a session at the turntable leaves it. All is simulated and invented.
fn session(folder: &Path, truths: &[f64]) -> Vec<u8> {
    let mut recipe = String::from(
        "format = 1\nname = \"set\"\n[programme]\nkind = \"pink\"\nduration_s = 13\n\
         [record]\ncut_rpm = 33\ncut_rotation_deg = 0.3\n\
         [capture]\nradius_mm = 70\nrpm = 33\nsample_rate_hz = 48000\n\
         [cartridge]\nprofile = \"elliptical\"\nfrontal_radius_um = 18\nside_radius_um = 8\n\
         [chain]\nskew_us = 0.2\n[dirt]\nsnr_db = 36\n",
    );
    for (k, truth) in truths.iter().enumerate() {
        recipe += &format!("[[variation]]\nname = \"{k}\"\nsetup.rotation_deg = {truth:.1}\n");
    }
    std::fs::write(folder.join("recipe.toml"), recipe).unwrap();
    let made = Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .current_dir(folder)
        .args(["simulate", "recipe.toml", "-o", "."])
        .output()
        .unwrap();
    assert!(made.status.success(), "{}", message(&made));
    let part = |k: usize| read_all(&folder.join(format!("set-{k}.wav")));
    let mut samples = Vec::new();
    for k in 0..truths.len() {
        let Stereo { left, right } = part(k);
        samples.extend(left.iter().zip(&right).flat_map(|(l, r)| [*l, *r]));
        // the arm is up for 5 s: noise of the amplifier, and the needle's drop
        for n in 0..5 * 48_000 {
            let drop = if n == 4 * 48_000 { 0.3 } else { 0.0 };
            samples.extend([10, 11].map(|c| (1e-4 * noise(c, n) + drop) as f32));
        }
    }
    samples.truncate(samples.len() - 2 * 5 * 48_000);
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: 48_000,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = std::io::Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec).unwrap();
    for sample in samples {
        writer.write_sample((sample * 8_388_608.0) as i32).unwrap();
    }
    writer.finalize().unwrap();
    bytes.into_inner()
}

#[test]
fn what_plays_after_a_pause_is_an_estimate_of_its_own() {
    let folder = tempfile::tempdir().unwrap();
    let truths = [6.0, 3.0, 0.2];
    let stream = session(folder.path(), &truths);
    let more = [
        "--radius",
        "70",
        "--rpm",
        "33",
        "--stylus",
        "elliptical:18x8",
        "--json",
        "--all-updates",
    ];
    let output = run("follow", &more, &stream, at_once);
    assert_eq!(output.status.code(), Some(0), "{}", message(&output));
    let all = lines(&output);
    let (last, updates) = all.split_last().unwrap();
    let number = |q: &Value, key: &str| q[key].as_f64().unwrap_or_else(|| panic!("{key}: {q}"));
    let holds = |q: &Value, truth: f64| number(q, "lower") < truth && truth < number(q, "upper");

    // each stretch has its own figure; the one before and the change stand beside it
    for (k, truth) in truths.iter().enumerate() {
        let of_stretch = updates.iter().filter(|u| u["stretch"] == k + 1);
        let end = of_stretch.clone().next_back().unwrap();
        assert!(holds(&end["rotation_deg"], *truth), "{end}");
        let before = &end["before"];
        let Some(earlier) = k.checked_sub(1).map(|k| truths[k]) else {
            assert!(before.is_null(), "{before}");
            continue;
        };
        let change = &before["change_deg"];
        assert!(holds(&before["rotation_deg"], earlier), "{before}");
        assert!(holds(change, truth - earlier), "{before}");
        // record and chain, most of the rotation's uncertainty, cancel in it
        let u = |q: &Value| number(q, "standard_uncertainty");
        assert!(u(change) < 0.5 * u(&end["rotation_deg"]), "{before}");
        // nothing of the stretch before is taken along
        let first = of_stretch.clone().find(|u| !u["rotation_deg"].is_null());
        let first = &first.unwrap()["rotation_deg"];
        let moved = number(first, "value") - number(&end["rotation_deg"], "value");
        assert!(moved.abs() < 0.1 * (truth - earlier).abs(), "{first} {end}");
    }

    // the last word is of what played last, and advises no turn; the first stretch by
    // itself would have had one
    assert!(holds(&last["rotation_deg"], 0.2), "{last}");
    assert!(last["correction"].is_null(), "{last}");
    assert!(number(last, "duration_s") > 48.0);
    let from = last["analysed_s"][0].as_f64().unwrap();
    assert!((36.0..40.0).contains(&from), "{last}");
    let early = updates.iter().rfind(|u| u["stretch"] == 1).unwrap();
    assert!(number(&early["rotation_deg"], "lower") > 0.0);

    // the body may have been turned in the pause, so that the gauge no longer speaks for it
    let gauge = [&more[..6], &["--json", "--aligned", "gauge"]].concat();
    let by_gauge = lines(&run("follow", &gauge, &stream, at_once));
    let body = |document: &Value| document["stylus_to_body_deg"].clone();
    assert!(body(last).is_object());
    assert_eq!(body(by_gauge.last().unwrap()), body(last));

    // a doubt that comes stays for as long as judgements take to agree (4 s)
    let codes = |u: &Value| -> Vec<String> {
        let health = u["health"].as_array().unwrap().iter();
        health
            .map(|c| c["code"].as_str().unwrap().to_owned())
            .collect()
    };
    let lengths = |code: &str| -> Vec<usize> {
        let shown: Vec<bool> = updates
            .iter()
            .map(|u| codes(u).iter().any(|c| c == code))
            .collect();
        let runs = shown.chunk_by(|a, b| a == b);
        runs.filter(|run| run[0]).map(<[bool]>::len).collect()
    };
    let pauses = lengths("end-of-side");
    assert_eq!(pauses.len(), 2, "{pauses:?}");
    let others: std::collections::BTreeSet<String> = updates.iter().flat_map(codes).collect();
    for code in others.iter().filter(|c| *c != "waiting") {
        assert!(
            lengths(code).iter().all(|n| *n >= 4),
            "{code}: {:?}",
            lengths(code)
        );
    }

    // what a terminal shows
    let screen: StreamEstimate = serde_json::from_value(updates.last().unwrap().clone()).unwrap();
    let block = screen.block(80);
    println!("{block}");
    for words in ["Before ", "Now ", "Change ", "Health "] {
        assert!(block.contains(words), "{words}: {block}");
    }
    assert!(block.lines().count() < 24, "{block}");
    let measured: Measurement = serde_json::from_value(last.clone()).unwrap();
    let text = last_word(&measured, screen.before.as_ref(), 80);
    println!("{text}");
    let place = |words: &str| {
        text.find(words)
            .unwrap_or_else(|| panic!("{words}: {text}"))
    };
    assert!(place("Before ") < place("Change ") && place("Change ") < place("Rotation "));
    assert!(
        place("Rotation ") < place("What to do  Leave the cartridge as it is"),
        "{text}"
    );
}

/// However much there is to say, it fits 80 x 24 and ends with the answer.
#[test]
fn the_last_word_fits_the_screen() {
    let stream = example();
    let output = run(
        "follow",
        &with(&[
            "--json",
            "--arm",
            "tangential",
            "--stylus",
            "elliptical:18x8",
        ]),
        &stream,
        at_once,
    );
    let last = lines(&output).pop().unwrap();
    let mut measured: Measurement = serde_json::from_value(last).unwrap();
    measured.correction.as_mut().unwrap().turn_deg = -8.0;
    measured.correction.as_mut().unwrap().remaining_deg = 3.0;
    let rotation = measured.rotation_deg.unwrap();
    measured.conformity = Some(Conformity::from_probability(0.5, 5.0));
    let before = PreviousStretch {
        span_s: [1.0, 2.0],
        rotation_deg: rotation,
        change_deg: Some(rotation),
    };
    let long = "a doubt of many words, ".repeat(12);
    for doubts in 0..12 {
        if doubts > 0 {
            let caveat = Caveat::caution(Warning::Noisy, long.clone());
            measured.warnings.push(caveat);
        }
        let text = last_word(&measured, Some(&before), 80);
        assert!(text.lines().count() < 24, "{text}");
        assert!(
            text.lines().all(|line| line.chars().count() <= 80),
            "{text}"
        );
        for words in ["Change ", "Rotation ", "What to do", "Tolerance", "mute"] {
            assert!(text.contains(words), "{words}: {text}");
        }
        // the verdict, with nothing behind it
        let verdict = &text[text.find("Tolerance").unwrap()..];
        assert!(verdict.trim_end().ends_with("106)"), "{text}");
    }
}

/// docs/schemas/estimate.json is the type's, and every line passes it.
/// GROOVELAG_UPDATE=1 writes it anew.
#[test]
fn the_schema_is_published_and_holds() {
    let schema = schemars::schema_for!(groovelag::report::StreamEstimate);
    let schema = serde_json::to_value(schema).unwrap();
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/schemas/estimate.json");
    let text = serde_json::to_string_pretty(&schema).unwrap() + "\n";
    if std::env::var_os("GROOVELAG_UPDATE").is_some() {
        std::fs::write(&path, &text).unwrap();
    }
    let published = std::fs::read_to_string(&path).unwrap_or_default();
    assert_eq!(published, text, "stale: run with GROOVELAG_UPDATE=1");
    let validator = jsonschema::validator_for(&schema).unwrap();
    let every = with(&["--json", "--all-updates"]);
    let mut updates = lines(&run("follow", &every, &example(), at_once));
    updates.pop();
    for update in &updates {
        assert!(validator.is_valid(update), "{update}");
        assert_eq!(update["schema"], groovelag::report::StreamEstimate::SCHEMA);
    }
    let mut broken = updates[0].clone();
    broken.as_object_mut().unwrap().remove("signal");
    assert!(!validator.is_valid(&broken), "the schema excludes nothing");
}

/// A pitch that leads off the record is a serious doubt of the last word.
#[test]
fn a_pitch_may_lead_off_the_record() {
    // 2.8 revolutions of 2 mm from 24 mm end at 18 mm, and from 30 mm at 24
    for (radius, there) in [("24", true), ("30", false)] {
        let arguments = ["--radius", radius, "--rpm", "33", "--pitch", "2", "--json"];
        let output = run("follow", &arguments, &example(), at_once);
        let lines = lines(&output);
        let warnings = lines.last().unwrap()["warnings"].as_array().unwrap();
        let found = warnings
            .iter()
            .find(|w| w["code"] == "radius-off-the-record");
        assert_eq!(found.is_some(), there, "{radius}: {warnings:?}");
        assert!(found.is_none_or(|w| w["level"] == "serious"));
    }
}
