//! Files of independent writers (tests/cross-check/make_audio.py) are read as
//! their names say. Needs the directory in GROOVELAG_INDEPENDENT_AUDIO.

use crate::recordings;

use groovelag::capture::{self, CaptureError, ReadOptions, Recording, Stereo};
use recordings::{open_path, read_all};
use std::path::{Path, PathBuf};

const VARIABLE: &str = "GROOVELAG_INDEPENDENT_AUDIO";

/// Left-justified 32-bit integers, interleaved.
fn reference(folder: &Path, bits: &str) -> Stereo {
    let bytes = std::fs::read(folder.join(format!("reference-{bits}"))).unwrap();
    let (words, _) = bytes.as_chunks::<4>();
    // At most 24 bits are in use: nothing is rounded.
    let real = |word: &[u8; 4]| (f64::from(i32::from_le_bytes(*word)) / 2f64.powi(31)) as f32;
    Stereo {
        left: words.iter().step_by(2).map(real).collect(),
        right: words.iter().skip(1).step_by(2).map(real).collect(),
    }
}

fn as_stream(path: &Path) -> Result<Recording, CaptureError> {
    let file = std::fs::File::open(path).unwrap();
    capture::open_stream(file, "-", &ReadOptions::default())
}

#[test]
fn files_of_independent_writers_are_read_as_their_names_say() {
    let Some(folder) = std::env::var_os(VARIABLE).map(PathBuf::from) else {
        println!("skipped: {VARIABLE} names no directory made by tests/cross-check/make_audio.py");
        return;
    };
    let mut names: Vec<String> = std::fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| !name.starts_with("reference-"))
        .collect();
    names.sort();
    assert!(
        names.len() >= 80,
        "libsndfile alone writes more than {}",
        names.len()
    );
    let mut wrong = Vec::new();
    for name in &names {
        if let Err(what) = check(&folder, name) {
            wrong.push(format!("{name}: {what}"));
        }
    }
    println!("{} files were read", names.len());
    assert!(
        wrong.is_empty(),
        "{} of {}:\n{}",
        wrong.len(),
        names.len(),
        wrong.join("\n")
    );
}

fn check(folder: &Path, name: &str) -> Result<(), String> {
    let path = folder.join(name);
    let refusal = match name.split('-').next().unwrap_or_default() {
        "lossy" => |e: &CaptureError| matches!(e, CaptureError::Lossy { .. }),
        "mono" => |e: &CaptureError| matches!(e, CaptureError::OneChannel { .. }),
        "other" => |e: &CaptureError| matches!(e, CaptureError::Unsupported { .. }),
        _ => return check_samples(folder, name),
    };
    match open_path(&path) {
        Ok(recording) => Err(format!("taken for {}", recording.description())),
        Err(error) if refusal(&error) => Ok(()),
        Err(error) => Err(format!("refused for another reason: {error}")),
    }
}

fn check_samples(folder: &Path, name: &str) -> Result<(), String> {
    let path = folder.join(name);
    let cut = name.strip_prefix("cut-");
    let bits = cut.unwrap_or(name).split('-').next().unwrap_or_default();
    let expected = reference(folder, bits);
    let mut kinds = vec![open_path(&path)];
    // ALAC keeps its table of packets at the end of the file.
    if !name.contains("alac") {
        kinds.push(as_stream(&path));
    }
    for recording in kinds {
        let mut recording = recording.map_err(|e| e.to_string())?;
        if recording.sample_rate_hz() != 96_000 {
            return Err(format!("{} Hz", recording.sample_rate_hz()));
        }
        let read = read_all(&mut recording, 65536);
        let codes: Vec<&str> = recording
            .caveats()
            .iter()
            .map(|c| c.code.as_str())
            .collect();
        let frames = read.left.len();
        let all = expected.left.len();
        // Cut at 61 %; FLAC is not cut at the same share of its frames.
        let whole = if cut.is_some() {
            frames.min(all / 2)
        } else {
            all
        };
        let enough = if cut.is_some() {
            frames < all && frames > all / 2
        } else {
            frames == all
        };
        if !enough {
            return Err(format!("{frames} frames of {all}"));
        }
        if read.left[..whole] != expected.left[..whole]
            || read.right[..whole] != expected.right[..whole]
        {
            return Err("other samples".to_owned());
        }
        if cut.is_some() != codes.contains(&"truncated-file") {
            return Err(format!("caveats {codes:?}"));
        }
        let harmless = ["truncated-file", "length-not-in-header", "damaged-packets"];
        if !codes.iter().all(|code| harmless.contains(code))
            || (cut.is_none() && codes.contains(&"damaged-packets"))
        {
            return Err(format!("caveats {codes:?}"));
        }
    }
    Ok(())
}
