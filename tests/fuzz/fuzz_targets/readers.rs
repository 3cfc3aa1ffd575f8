//! Bytes as a file.
#![no_main]

use groovelag::capture::{ReadOptions, Recording, Stereo, open_reader};
use libfuzzer_sys::fuzz_target;
use std::io::Cursor;

/// Frames looked at: hostile packets may stand for many samples.
const MOST: u64 = 1 << 18;

fn open(data: &[u8]) -> Option<Recording> {
    let options = ReadOptions {
        hash: true,
        ..ReadOptions::default()
    };
    let many = ReadOptions {
        channels: Some([3, 1]),
        ..options.clone()
    };
    let reader = || Cursor::new(data.to_vec());
    open_reader(reader(), "fuzz", &options)
        .or_else(|_| open_reader(reader(), "fuzz", &many))
        .ok()
}

/// Reads in blocks of `frames`.
fn read(mut recording: Recording, frames: usize) -> Stereo {
    let (mut all, mut block) = (Stereo::default(), Stereo::default());
    while recording.position() < MOST {
        match recording.read(&mut block, frames) {
            Ok(0) | Err(_) => break,
            Ok(got) => assert_eq!((got, got), (block.left.len(), block.right.len())),
        }
        assert!(block.left.iter().chain(&block.right).all(|v| v.is_finite()));
        all.left.extend_from_slice(&block.left);
        all.right.extend_from_slice(&block.right);
    }
    assert!(recording.sha256().is_ok_and(|hash| hash.is_some()));
    all
}

fuzz_target!(|data: &[u8]| {
    let Some(mut skipping) = open(data) else {
        return;
    };
    let whole = read(open(data).expect("opens twice"), 4099);
    let again = read(open(data).expect("opens twice"), 211);
    let common = whole.left.len().min(again.left.len());
    assert!(whole.left[..common] == again.left[..common]);
    assert!(whole.right[..common] == again.right[..common]);
    let half = whole.left.len() / 2;
    if skipping
        .skip(half as u64)
        .is_ok_and(|got| got == half as u64)
    {
        let mut block = Stereo::default();
        let got = skipping.read(&mut block, 100).unwrap_or(0);
        let count = got.min(whole.left.len() - half);
        assert!(block.left[..count] == whole.left[half..half + count]);
    }
});
