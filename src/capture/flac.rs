//! Headers of FLAC files, after RFC 9639.

use super::chunks::{Coding, Header, field};
use super::error::CaptureError;
use super::input::ByteSource;
use super::metadata::{MAX_CHUNK_BYTES, Metadata};

/// Metadata blocks in one file. Common practice, no source: real files have
/// fewer than ten; the limit keeps a hostile stream of empty blocks finite.
const MAX_BLOCKS: usize = 4096;

/// Reads the metadata blocks from `start`, where "fLaC" stands. The input stands
/// at the first frame afterwards.
pub(super) fn read_header(input: &ByteSource, name: &str) -> Result<Header, CaptureError> {
    let damaged = |what: &str| CaptureError::Damaged {
        name: name.to_owned(),
        what: what.to_owned(),
    };
    let failed = |source| CaptureError::Read {
        name: name.to_owned(),
        frames: 0,
        source,
    };
    let mut info: Option<[u8; 34]> = None;
    let mut metadata = Metadata::default();
    for _ in 0..MAX_BLOCKS {
        let mut head = [0; 4];
        if input.read_full(&mut head).map_err(failed)? < head.len() {
            return Err(damaged("it ends within its metadata"));
        }
        let [kind, size @ ..] = head;
        let [a, b, c] = size;
        let size = u32::from_be_bytes([0, a, b, c]) as usize;
        let wanted = match kind & 0x7f {
            0 | 4 => size.min(MAX_CHUNK_BYTES),
            _ => 0,
        };
        let mut body = vec![0; wanted];
        let got = input.read_full(&mut body).map_err(failed)?;
        body.truncate(got);
        input.skip((size - wanted) as u64).map_err(failed)?;
        match kind & 0x7f {
            0 if info.is_none() => {
                info =
                    Some(*body.first_chunk().ok_or_else(|| {
                        damaged("its stream information has fewer than 34 bytes")
                    })?);
            }
            4 => metadata.add_vorbis(&body),
            _ => {}
        }
        if kind & 0x80 != 0 {
            let info = info.ok_or_else(|| damaged("it has no stream information"))?;
            return Ok(describe(info, metadata));
        }
    }
    Err(damaged("no samples within its first 4096 metadata blocks"))
}

/// Takes the fields out of a stream information block (RFC 9639, section 8.2):
/// 20 bits of sample rate, 3 of channels less one, 5 of bits less one and 36 of
/// frames, 0 if unknown.
fn describe(info: [u8; 34], metadata: Metadata) -> Header {
    let fields = u64::from_be_bytes(field(&info, 10));
    let frames = fields & ((1 << 36) - 1);
    Header {
        container: "FLAC",
        channels: (fields >> 41 & 7) as u16 + 1,
        sample_rate_hz: (fields >> 44) as u32,
        bits: Some((fields >> 36 & 31) as u16 + 1),
        frames: (frames > 0).then_some(frames),
        coding: Coding::Flac(info),
        metadata,
        caveats: Vec::new(),
    }
}
