//! The same audio in every form gives identical samples.

use groovelag::capture::{self, Options, Recording, Source, Stereo};
use std::path::Path;

/// Frames in every test file: prime, so that no block divides it.
const FRAMES: usize = 10_007;

/// A 16-bit stereo signal without any symmetry: a multiplicative sequence
/// (Knuth's MMIX constants), so that swaps, signs and offsets all show.
fn samples() -> Vec<i16> {
    let mut state = 2026u64;
    (0..2 * FRAMES)
        .map(|_| {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 48) as i16
        })
        .collect()
}

fn read_all(recording: &mut Recording, block_frames: usize) -> Stereo {
    let (mut all, mut block) = (Stereo::default(), Stereo::default());
    while recording.read(&mut block, block_frames).unwrap() > 0 {
        all.left.extend_from_slice(&block.left);
        all.right.extend_from_slice(&block.right);
    }
    all
}

fn open(path: &Path) -> Recording {
    capture::open(&Source::Path(path.to_owned()), &Options::default()).unwrap()
}

fn write_hound(path: &Path, bits: u16, format: hound::SampleFormat) {
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: 96_000,
        bits_per_sample: bits,
        sample_format: format,
    };
    let mut writer = hound::WavWriter::create(path, spec).unwrap();
    for sample in samples() {
        match format {
            hound::SampleFormat::Int => writer
                .write_sample(i32::from(sample) << (bits - 16))
                .unwrap(),
            hound::SampleFormat::Float => writer.write_sample(f32::from(sample) / 32768.0).unwrap(),
        }
    }
    writer.finalize().unwrap();
}

#[test]
fn every_width_that_hound_writes_gives_the_same_samples() {
    let folder = tempfile::tempdir().unwrap();
    let expected: Vec<f32> = samples().iter().map(|s| f32::from(*s) / 32768.0).collect();
    for (bits, format) in [
        (16, hound::SampleFormat::Int),
        (24, hound::SampleFormat::Int),
        (32, hound::SampleFormat::Int),
        (32, hound::SampleFormat::Float),
    ] {
        let path = folder.path().join("take.wav");
        write_hound(&path, bits, format);
        for block in [1009, 4096, 1 << 20] {
            let mut recording = open(&path);
            assert_eq!(recording.sample_rate_hz(), 96_000);
            assert_eq!(recording.frames(), Some(FRAMES as u64));
            let all = read_all(&mut recording, block);
            for (k, (l, r)) in all.left.iter().zip(&all.right).enumerate() {
                assert_eq!(
                    (*l, *r),
                    (expected[2 * k], expected[2 * k + 1]),
                    "{bits} {k}"
                );
            }
            assert_eq!(all.left.len(), FRAMES);
            assert!(recording.caveats().is_empty(), "{:?}", recording.caveats());
        }
    }
}
