//! Headers of CAF files.
//!
//! Layout after "Apple Core Audio Format Specification 1.0" (Apple, 2005).

use super::chunks::{
    Chunks, Coding, Header, Sizes, StatedLength, field, lossy, unsupported, whole_rate,
};
use super::error::CaptureError;
use super::input::ByteSource;
use super::metadata::Metadata;
use super::packets::AlacTable;
use super::pcm::Encoding;
use super::plain::{Format, MAX_CHANNELS};

/// Bytes of the audio description.
const DESC_BYTES: usize = 32;
/// Bytes of an ALAC description ("magic cookie") that are looked at: 24, or 48
/// with the atoms around it that older files have.
const COOKIE_BYTES: usize = 64;

/// An audio description.
struct Description {
    rate: f64,
    code: [u8; 4],
    flags: u32,
    packet_bytes: u32,
    packet_frames: u32,
    channels: u32,
    bits: u32,
}

/// Reads the header, and what follows the samples where the source can seek.
/// The input stands at the first sample afterwards.
pub(super) fn read_header(input: &ByteSource, name: &str) -> Result<Header, CaptureError> {
    let mut chunks = Chunks::new(input, name, Sizes::Caf, 8);
    let mut description = None;
    let mut metadata = Metadata::default();
    let mut caveats = Vec::new();
    let mut found = None;
    let (mut cookie, mut table) = (Vec::new(), Vec::new());
    while let Some((id, size)) = chunks.next()? {
        match &id {
            b"desc" => description = Some(read_description(&chunks.body(DESC_BYTES)?)),
            b"kuki" => cookie = chunks.body(COOKIE_BYTES)?,
            b"pakt" => {
                let cap = AlacTable::MAX_TABLE_BYTES;
                table = chunks.body(cap)?;
                if size > cap as u64 {
                    return Err(chunks.damaged("its table of packets is unreasonably long"));
                }
            }
            b"info" => metadata.add_caf(&chunks.text_body()?),
            b"data" if found.is_none() => {
                let Some(description) = &description else {
                    return Err(
                        chunks.damaged("its samples come before their description ('desc' chunk)")
                    );
                };
                // The edit count.
                chunks.body(4)?;
                let stated = StatedLength {
                    bytes: size.saturating_sub(4),
                    placeholder: size > i64::MAX as u64,
                    file_bytes: None,
                };
                let start = input.position();
                let frame = u64::from(description.packet_bytes.max(1));
                let bytes = chunks.extent(&stated, frame, &mut caveats)?;
                found = Some((start, bytes));
                match bytes {
                    Some(bytes) if input.length().is_some() => chunks.ends_after(bytes),
                    _ => break,
                }
            }
            _ => {}
        }
    }
    let (Some((start, bytes)), Some(description)) = (found, description) else {
        return Err(chunks.damaged("it has no samples ('data' chunk)"));
    };
    if input.length().is_some() {
        input.seek_to(start);
    }
    let header = match &description.code {
        b"lpcm" => Header::plain("CAF", read_format(&description, name)?, bytes),
        b"alac" => {
            let table = AlacTable::new(name, &cookie, &table, description.packet_frames)?;
            Header {
                container: "CAF",
                channels: table.channels(),
                sample_rate_hz: whole_rate(name, description.rate)?,
                bits: Some(table.bits()),
                frames: Some(table.frames()),
                coding: Coding::Alac(table),
                metadata: Metadata::default(),
                caveats: Vec::new(),
            }
        }
        b"ima4" => return Err(unsupported(name, "ADPCM, four bits a sample")),
        b"alaw" => return Err(unsupported(name, "A-law, eight bits a sample")),
        b"ulaw" => return Err(unsupported(name, "mu-law, eight bits a sample")),
        b"aac " | b"aace" | b"aach" | b"aacl" | b"aacp" => {
            return Err(lossy(name, "AAC (in CAF)"));
        }
        b".mp1" | b".mp2" => return Err(lossy(name, "MPEG audio (in CAF)")),
        b".mp3" => return Err(lossy(name, "MP3 (in CAF)")),
        b"opus" => return Err(lossy(name, "Opus (in CAF)")),
        b"ac-3" => return Err(lossy(name, "AC-3 (in CAF)")),
        b"MAC3" | b"MAC6" => return Err(lossy(name, "MACE (in CAF)")),
        code => {
            let shown = code.escape_ascii();
            return Err(unsupported(name, &format!("samples in the code '{shown}'")));
        }
    };
    Ok(Header {
        metadata,
        caveats,
        ..header
    })
}

fn read_description(body: &[u8]) -> Description {
    let u32_at = |at| u32::from_be_bytes(field(body, at));
    Description {
        rate: f64::from_be_bytes(field(body, 0)),
        code: field(body, 8),
        flags: u32_at(12),
        packet_bytes: u32_at(16),
        packet_frames: u32_at(20),
        channels: u32_at(24),
        bits: u32_at(28),
    }
}

/// The form of plain samples.
fn read_format(description: &Description, name: &str) -> Result<Format, CaptureError> {
    let Description {
        flags,
        packet_bytes,
        channels,
        bits,
        ..
    } = *description;
    let contradiction = CaptureError::Damaged {
        name: name.to_owned(),
        what: format!(
            "its header contradicts itself: {bits} bits in {channels} channels and {packet_bytes} \
             bytes a frame"
        ),
    };
    if channels == 0
        || channels > u32::from(MAX_CHANNELS)
        || packet_bytes % channels != 0
        || bits == 0
        || description.packet_frames != 1
    {
        return Err(contradiction);
    }
    let container = packet_bytes / channels;
    let float = flags & 1 != 0;
    let encoding = match (float, container) {
        (false, 1) => Encoding::Signed8,
        (false, 2) => Encoding::Signed16,
        (false, 3) => Encoding::Signed24,
        (false, 4) => Encoding::Signed32,
        (true, 4) => Encoding::Float32,
        (true, 8) => Encoding::Float64,
        _ => return Err(unsupported(name, &format!("samples of {container} bytes"))),
    };
    if bits > 8 * container {
        return Err(contradiction);
    }
    Ok(Format {
        encoding,
        big_endian: flags & 2 == 0,
        valid_bits: bits as u16,
        channels: channels as u16,
        sample_rate_hz: whole_rate(name, description.rate)?,
    })
}
