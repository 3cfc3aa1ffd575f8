//! Headers of WAV, RF64 and BW64 files.
//!
//! Layout after "Multimedia Programming Interface and Data Specifications 1.0"
//! (IBM and Microsoft, August 1991), EBU Tech 3306 (RF64), ITU-R BS.2088 (BW64)
//! and Microsoft's WAVE_FORMAT_EXTENSIBLE.

use super::chunks::{Chunks, Header, Sizes, StatedLength, field, lossy, unsupported};
use super::error::CaptureError;
use super::input::ByteSource;
use super::metadata::{MAX_CHUNK_BYTES, Metadata};
use super::pcm::Encoding;
use super::plain::{Format, MAX_CHANNELS};

/// Bytes of a "fmt " chunk that are looked at; WAVE_FORMAT_EXTENSIBLE has 40.
const FMT_BYTES: usize = 40;
/// The size that sends the reader of RF64 to "ds64".
const SEE_DS64: u64 = 0xffff_ffff;

/// Whether a data size is one that programs write before the end is known:
/// nothing, or as much as the field or a signed one can hold. ffmpeg writes
/// 0xffffffff into pipes, SoX 0x7ffff000 rounded down to whole frames, arecord
/// 0x80000000 (from memory); the windows of 4 KiB take in their like.
fn is_placeholder(size: u64, frame_bytes: u64) -> bool {
    let least = 0x7fff_f000 / frame_bytes * frame_bytes;
    size == 0 || (least..=0x8000_0000).contains(&size) || size >= 0xffff_f000
}

const TAG_PCM: u16 = 1;
const TAG_FLOAT: u16 = 3;
const TAG_EXTENSIBLE: u16 = 0xfffe;
/// Bytes 2 to 15 of a sub-format GUID that carries an ordinary format tag in
/// its first two (KSDATAFORMAT_SUBTYPE_WAVEFORMATEX).
const SUBTYPE_TAIL: [u8; 14] = [
    0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xaa, 0x00, 0x38, 0x9b, 0x71,
];

/// Whether these first bytes are those of a RIFF wave file; its form if so.
pub(super) fn form(head: &[u8]) -> Option<&'static str> {
    if head.get(8..12) != Some(b"WAVE") {
        return None;
    }
    match &head[..4] {
        b"RIFF" => Some("WAV"),
        b"RF64" => Some("RF64"),
        b"BW64" => Some("BW64"),
        _ => None,
    }
}

/// Reads the header, and the text after the samples where the source can seek.
/// The input stands at the first sample afterwards.
pub(super) fn read_header(
    input: &ByteSource,
    name: &str,
    container: &'static str,
) -> Result<Header, CaptureError> {
    let large = container != "WAV";
    let mut chunks = Chunks::new(input, name, Sizes::Riff, 12);
    let mut format: Option<Format> = None;
    let mut sizes = Vec::new();
    let mut metadata = Metadata::default();
    let mut found = None;
    while let Some((id, size)) = chunks.next()? {
        // In RF64 and BW64 the 64-bit size holds only where the 32-bit one says so.
        let size64 = if large && size == SEE_DS64 {
            sizes.iter().find(|(i, _)| *i == id).map(|(_, s)| *s)
        } else {
            None
        };
        if let Some(size) = size64 {
            chunks.ends_after(size);
        }
        match &id {
            b"fmt " => format = Some(read_format(&chunks.body(FMT_BYTES)?, name)?),
            b"ds64" if large => sizes = read_sizes(&chunks.body(MAX_CHUNK_BYTES)?),
            b"data" if found.is_none() => {
                let format = format.ok_or_else(|| {
                    chunks.damaged("its samples come before their description ('fmt ' chunk)")
                })?;
                let frame = format.frame_bytes();
                let riff_bytes = u64::from(u32::from_le_bytes(field(&input.head(), 4))) + 8;
                let stated = StatedLength {
                    bytes: size64.unwrap_or(size),
                    placeholder: match size64 {
                        // "ds64" of a recorder that never came back to fill it in.
                        Some(size) => size == 0 || size == u64::MAX,
                        None => is_placeholder(size, frame),
                    },
                    file_bytes: (!large).then_some(riff_bytes),
                };
                let start = input.position();
                let mut caveats = Vec::new();
                let bytes = chunks.extent(&stated, frame, &mut caveats)?;
                found = Some((start, Header::plain(container, format, bytes), caveats));
                match bytes {
                    Some(bytes) if input.length().is_some() => chunks.ends_after(bytes),
                    _ => break,
                }
            }
            b"bext" | b"iXML" | b"LIST" => metadata.add_riff(&id, &chunks.text_body()?),
            _ => {}
        }
    }
    let Some((start, header, caveats)) = found else {
        return Err(chunks.damaged("it has no samples ('data' chunk)"));
    };
    if input.length().is_some() {
        input.seek_to(start);
    }
    Ok(Header {
        metadata,
        caveats,
        ..header
    })
}

/// The 64-bit sizes of a "ds64" chunk by chunk identifier: "data", then the
/// table. (The RIFF size is of no use here, the sample count is redundant.)
fn read_sizes(body: &[u8]) -> Vec<([u8; 4], u64)> {
    let mut sizes = Vec::new();
    if body.len() >= 16 {
        sizes.push((*b"data", u64::from_le_bytes(field(body, 8))));
    }
    let entries = body.get(28..).unwrap_or_default().as_chunks::<12>().0;
    let count = u32::from_le_bytes(field(body, 24)) as usize;
    for entry in entries.iter().take(count) {
        sizes.push((field(entry, 0), u64::from_le_bytes(field(entry, 4))));
    }
    sizes
}

/// Reads a "fmt " chunk.
fn read_format(body: &[u8], name: &str) -> Result<Format, CaptureError> {
    let damaged = |what: String| CaptureError::Damaged {
        name: name.to_owned(),
        what,
    };
    let u16_at = |at| u16::from_le_bytes(field(body, at));
    if body.len() < 16 {
        return Err(damaged(format!(
            "its 'fmt ' chunk has {} bytes where 16 are needed",
            body.len()
        )));
    }
    let (mut tag, channels, align, bits) = (u16_at(0), u16_at(2), u16_at(12), u16_at(14));
    let mut valid = bits;
    if tag == TAG_EXTENSIBLE {
        if body.len() < FMT_BYTES {
            return Err(damaged(format!(
                "its extended 'fmt ' chunk has {} bytes where {FMT_BYTES} are needed",
                body.len()
            )));
        }
        if body[26..FMT_BYTES] != SUBTYPE_TAIL {
            return Err(unsupported(name, "an unknown WAV sub-format"));
        }
        tag = u16_at(24);
        // Zero valid bits are written by some programs and mean all of them.
        valid = match u16_at(18) {
            0 => bits,
            valid => valid,
        };
    }
    if tag != TAG_PCM && tag != TAG_FLOAT {
        return Err(refused_tag(name, tag));
    }
    if channels == 0 || channels > MAX_CHANNELS {
        return Err(damaged(format!(
            "its header states {channels} channels; 1 to {MAX_CHANNELS} are possible"
        )));
    }
    let container = align / channels;
    if align % channels != 0 || valid == 0 || u32::from(valid) > 8 * u32::from(container) {
        return Err(damaged(format!(
            "its header contradicts itself: {valid} bits in {channels} channels and {align} \
             bytes a frame"
        )));
    }
    let encoding = match (tag, container) {
        (TAG_PCM, 1) => Encoding::Unsigned8,
        (TAG_PCM, 2) => Encoding::Signed16,
        (TAG_PCM, 3) => Encoding::Signed24,
        (TAG_PCM, 4) => Encoding::Signed32,
        (TAG_FLOAT, 4) => Encoding::Float32,
        (TAG_FLOAT, 8) => Encoding::Float64,
        (TAG_PCM, _) => return Err(unsupported(name, &format!("integers of {container} bytes"))),
        _ => {
            return Err(unsupported(
                name,
                &format!("floating point of {container} bytes"),
            ));
        }
    };
    Ok(Format {
        encoding,
        big_endian: false,
        valid_bits: valid,
        channels,
        sample_rate_hz: u32::from_le_bytes(field(body, 4)),
    })
}

/// The refusal of a format tag, with its reason. Tags after mmreg.h (Microsoft).
fn refused_tag(name: &str, tag: u16) -> CaptureError {
    let codec = match tag {
        0x0050 => "MPEG audio (in WAV)",
        0x0055 => "MP3 (in WAV)",
        0x00ff | 0x1600 | 0x1601 | 0x1602 | 0x1610 | 0x706d | 0x4143 => "AAC (in WAV)",
        0x0160..=0x0163 => "Windows Media Audio (in WAV)",
        0x0092 | 0x2000 => "AC-3 (in WAV)",
        0x0008 | 0x2001 => "DTS (in WAV)",
        0x566f | 0x674f..=0x6751 | 0x676f..=0x6771 => "Vorbis (in WAV)",
        0x704f => "Opus (in WAV)",
        0x0270 => "ATRAC3 (in WAV)",
        0x0002 | 0x0011 => return unsupported(name, "ADPCM, four bits a sample"),
        0x0006 => return unsupported(name, "A-law, eight bits a sample"),
        0x0007 => return unsupported(name, "mu-law, eight bits a sample"),
        _ => return unsupported(name, &format!("samples under the format tag 0x{tag:04x}")),
    };
    lossy(name, codec)
}
