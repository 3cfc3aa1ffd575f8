//! Reading a recording into planes, against only reading its bytes.
//!
//! Files of one minute of 96 kHz stereo in a temporary directory, warm in the
//! page cache. `floor` reads the bytes in the same pieces and looks at none of
//! them; FLAC is compared with the decoder alone and needs `flac` on the path.

use divan::counter::BytesCount;
use divan::{Bencher, black_box};
use groovelag::capture::{ReadOptions, Source, Stereo, open};
use std::fs::File;
use std::io::{Read, Write};
use std::path::PathBuf;
use std::sync::OnceLock;
use tempfile::TempDir;

const FRAMES: u32 = 60 * 96_000;
/// Frames asked for at a time.
const BLOCK: usize = 16_384;
const FORMS: [(&str, u16, u16); 5] = [
    ("pcm16", 1, 2),
    ("pcm24", 1, 3),
    ("pcm32", 1, 4),
    ("float32", 3, 4),
    ("float64", 3, 8),
];

fn main() {
    divan::main();
}

fn folder() -> &'static TempDir {
    static FOLDER: OnceLock<TempDir> = OnceLock::new();
    FOLDER.get_or_init(|| tempfile::tempdir().expect("a temporary directory"))
}

/// Writes the recording once: correlated noise, so that FLAC has its usual work.
fn file(form: &str) -> PathBuf {
    let path = folder().path().join(format!("{form}.wav"));
    if path.exists() {
        return path;
    }
    let (_, tag, width) = *FORMS.iter().find(|f| f.0 == form).expect("a known form");
    let data = FRAMES * 2 * u32::from(width);
    let mut bytes = Vec::with_capacity(data as usize + 44);
    bytes.extend_from_slice(b"RIFF");
    bytes.extend_from_slice(&(data + 36).to_le_bytes());
    bytes.extend_from_slice(b"WAVEfmt \x10\0\0\0");
    for value in [tag, 2] {
        bytes.extend_from_slice(&value.to_le_bytes());
    }
    bytes.extend_from_slice(&96_000u32.to_le_bytes());
    bytes.extend_from_slice(&(96_000 * 2 * u32::from(width)).to_le_bytes());
    for value in [2 * width, 8 * width] {
        bytes.extend_from_slice(&value.to_le_bytes());
    }
    bytes.extend_from_slice(b"data");
    bytes.extend_from_slice(&data.to_le_bytes());
    let mut state = 1u64;
    let mut level = [0f64; 2];
    for k in 0..2 * FRAMES as usize {
        state = state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        let white = (state >> 40) as f64 / 16_777_216.0 - 0.5;
        let sample = &mut level[k % 2];
        *sample = 0.97 * *sample + 0.1 * white;
        let integer = ((*sample * 2f64.powi(31)) as i32).to_le_bytes();
        match (tag, width) {
            (1, _) => bytes.extend_from_slice(&integer[4 - usize::from(width)..]),
            (_, 4) => bytes.extend_from_slice(&(*sample as f32).to_le_bytes()),
            _ => bytes.extend_from_slice(&sample.to_le_bytes()),
        }
    }
    let mut out = File::create(&path).expect("a file");
    out.write_all(&bytes).expect("space for the file");
    path
}

fn bytes_of(path: &PathBuf) -> BytesCount {
    BytesCount::new(std::fs::metadata(path).expect("the file").len())
}

#[divan::bench(args = FORMS.map(|f| f.0))]
fn floor(bencher: Bencher, form: &str) {
    let path = file(form);
    let mut piece = vec![0; 64 * 1024];
    bencher.counter(bytes_of(&path)).bench_local(|| {
        let mut file = File::open(&path).expect("the file");
        while file.read(&mut piece).expect("bytes") > 0 {
            black_box(&piece);
        }
    });
}

#[divan::bench(args = FORMS.map(|f| f.0))]
fn decode(bencher: Bencher, form: &str) {
    let path = file(form);
    let count = bytes_of(&path);
    read_through(bencher.counter(count), path, false);
}

#[divan::bench]
fn decode_and_hash_pcm24(bencher: Bencher) {
    let path = file("pcm24");
    let count = bytes_of(&path);
    read_through(bencher.counter(count), path, true);
}

fn read_through(bencher: Bencher, path: PathBuf, hash: bool) {
    let options = ReadOptions {
        hash,
        ..ReadOptions::default()
    };
    let source = Source::Path(path);
    let mut block = Stereo::default();
    bencher.bench_local(|| {
        let mut recording = open(&source, &options).expect("a recording");
        while recording.read(&mut block, BLOCK).expect("samples") > 0 {
            black_box(&block);
        }
        recording.sha256().expect("bytes")
    });
}

fn flac() -> Option<PathBuf> {
    let path = folder().path().join("pcm24.flac");
    if !path.exists() {
        let done = std::process::Command::new("flac")
            .args(["-s", "-5"])
            .arg(file("pcm24"))
            .status();
        if !done.is_ok_and(|status| status.success()) {
            println!("no flac on the path; FLAC is not compared");
            return None;
        }
    }
    Some(path)
}

#[divan::bench(sample_count = 10)]
fn flac_decode(bencher: Bencher) {
    if let Some(path) = flac() {
        read_through(bencher, path, false);
    }
}

#[divan::bench(sample_count = 10)]
fn flac_library_alone(bencher: Bencher) {
    use symphonia::core::formats::TrackType;
    use symphonia::core::io::MediaSourceStream;
    let Some(path) = flac() else { return };
    bencher.bench_local(|| {
        let file = Box::new(File::open(&path).expect("the file"));
        let stream = MediaSourceStream::new(file, Default::default());
        let mut format = symphonia::default::get_probe()
            .probe(
                &Default::default(),
                stream,
                Default::default(),
                Default::default(),
            )
            .expect("FLAC");
        let track = format
            .first_track_known_codec(TrackType::Audio)
            .expect("a track");
        let parameters = track
            .codec_params
            .as_ref()
            .and_then(|p| p.audio())
            .expect("audio")
            .clone();
        let mut decoder = symphonia::default::get_codecs()
            .make_audio_decoder(&parameters, &Default::default())
            .expect("a decoder");
        while let Ok(Some(packet)) = format.next_packet() {
            black_box(decoder.decode(&packet).expect("samples").frames());
        }
    });
}
