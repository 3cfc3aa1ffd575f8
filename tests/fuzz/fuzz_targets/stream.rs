//! Bytes as standard input, in dribs and drabs.
#![no_main]

use groovelag::capture::{RawFormat, ReadOptions, Stereo, open_stream};
use libfuzzer_sys::fuzz_target;
use std::io::{Cursor, Read};

/// Frames looked at: hostile packets may stand for many samples.
const MOST: u64 = 1 << 18;
const RAW: [&str; 6] = [
    "u8,44100,2",
    "s16le,48000,2",
    "s24le,96000,2",
    "s32le,96000,3",
    "f32le,192000,2",
    "f64le,192000,2",
];

struct Dribs(Cursor<Vec<u8>>, usize);

impl Read for Dribs {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        self.1 = self.1 * 5 % 1021 + 1;
        if self.1 % 7 == 0 {
            return Err(std::io::ErrorKind::Interrupted.into());
        }
        let count = buffer.len().min(self.1);
        self.0.read(&mut buffer[..count])
    }
}

fuzz_target!(|data: &[u8]| {
    let Some((choice, data)) = data.split_first() else {
        return;
    };
    let raw: Option<RawFormat> = RAW
        .get(usize::from(*choice))
        .map(|text| text.parse().expect("a known description"));
    let options = ReadOptions {
        channels: (*choice & 0x80 != 0).then_some([2, 1]),
        raw,
        hash: *choice & 0x40 != 0,
    };
    let stream = Dribs(Cursor::new(data.to_vec()), usize::from(*choice));
    let Ok(mut recording) = open_stream(stream, "-", &options) else {
        return;
    };
    let mut block = Stereo::default();
    let _ = recording.skip(u64::from(*choice));
    while recording.position() < MOST {
        match recording.read(&mut block, 1013) {
            Ok(0) | Err(_) => break,
            Ok(got) => assert_eq!((got, got), (block.left.len(), block.right.len())),
        }
        assert!(block.left.iter().chain(&block.right).all(|v| v.is_finite()));
    }
    assert!(recording.sha256().is_ok());
});
