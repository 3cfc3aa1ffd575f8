//! Many jobs checked. The aims: 2,000 jobs with given delays in under 5 s on
//! two cores; 200 one-minute captures with memory below 200 MB. Besides the
//! times, the peak of memory is printed where the system tells it.

use divan::Bencher;
use groovelag::analysis::{self, Request};
use groovelag::capture;
use groovelag::check::{Defaults, Item, Options, Outcome, find, run};
use groovelag::job::CaptureData;
use groovelag::job::file::RecordingToRead;
use std::fmt::Write as _;
use std::path::Path;

fn main() {
    divan::main();
    // Linux: the largest resident set so far
    if let Ok(status) = std::fs::read_to_string("/proc/self/status")
        && let Some(line) = status.lines().find(|l| l.starts_with("VmHWM"))
    {
        println!("peak memory {}", line.trim_start_matches("VmHWM:").trim());
    }
}

/// Invented jobs in folders of a hundred, each with defaults.
fn jobs(root: &Path, count: usize, capture: &str) {
    for k in 0..count {
        let folder = root.join(format!("{:02}", k / 100));
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(
            folder.join("groovelag.toml"),
            "format = 1\n[limits]\ntolerance_deg = 5\nwarning_level = \"serious\"\n",
        )
        .unwrap();
        let mut text = String::from(
            "format = 1
[cartridge.a]
profile = \"elliptical\"
frontal_radius_um = 18
side_radius_um = 8
[limits]
standard_uncertainty_deg = 2
",
        );
        let _ = writeln!(
            text,
            "[[capture]]\n{}\nradius_mm = 72\nrpm = 33",
            capture.replace('#', &format!("{:.3}", k as f64 * 1e-3))
        );
        std::fs::write(folder.join(format!("{k:04}.toml")), text).unwrap();
    }
}

fn read(reading: &RecordingToRead<'_>) -> Result<CaptureData, String> {
    let (spec, path) = (reading.capture, reading.path.as_path());
    let request = Request {
        source: capture::Source::Path(path.to_owned()),
        options: capture::ReadOptions {
            hash: true,
            ..Default::default()
        },
        from_s: spec.from_s,
        to_s: spec.to_s,
        settings: Default::default(),
    };
    analysis::analyse(&request, &mut |_| ())
        .map(|a| CaptureData::of(&a))
        .map_err(|e| e.to_string())
}

fn check_all(root: &Path) -> usize {
    let items = find(&[root.to_owned()], &mut |_| ());
    let defaults = Defaults::read(items.iter().filter_map(Item::path));
    let options = Options {
        coverage: 0.95,
        require_limits: false,
        fail_fast: false,
        threads: rayon::current_num_threads(),
    };
    let results = run(&items, &defaults, &options, &read, &mut |_| Ok(())).unwrap();
    let usable = |r: &&groovelag::check::Checked| r.outcome != Outcome::Unusable;
    assert_eq!(results.iter().filter(usable).count(), items.len());
    items.len()
}

/// Delays given.
#[divan::bench(args = [500, 2000], sample_count = 3, sample_size = 1)]
fn delays(bencher: Bencher, count: usize) {
    let folder = tempfile::tempdir().unwrap();
    jobs(folder.path(), count, "delay_us = { value = #, u = 0.005 }");
    bencher.bench_local(|| assert_eq!(check_all(folder.path()), count));
}

/// One-minute captures of noise at 96 kHz and 24 bit: one recording, read and
/// analysed as often as there are jobs.
#[divan::bench(args = [200], sample_count = 1, sample_size = 1)]
fn captures(bencher: Bencher, count: usize) {
    let folder = tempfile::tempdir().unwrap();
    let wav = folder.path().join("minute.wav");
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: 96_000,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(&wav, spec).unwrap();
    // noise from a counter (SplitMix64), with a little of its own per channel
    let noise = |n: u64| {
        let mut z = n.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    };
    for n in 0..60 * 96_000u64 {
        let common = noise(n);
        for channel in 1..=2u64 {
            let own = noise(n + (channel << 40));
            let sample = 0.2 * common + 0.01 * own;
            writer
                .write_sample((sample * f64::from(1 << 23)) as i32)
                .unwrap();
        }
    }
    writer.finalize().unwrap();
    jobs(folder.path(), count, "file = \"../minute.wav\"");
    bencher.bench_local(|| assert_eq!(check_all(folder.path()), count));
}
