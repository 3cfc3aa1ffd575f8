//! Headers of AIFF and AIFF-C files.
//!
//! Layout after "Audio Interchange File Format 1.3" (Apple, 1989) and the
//! draft "AIFF-C" (Apple, 1991).

use super::chunks::{Chunks, Header, Sizes, StatedLength, field, lossy, unsupported, whole_rate};
use super::error::CaptureError;
use super::input::ByteSource;
use super::metadata::Metadata;
use super::pcm::Encoding;
use super::plain::{Format, MAX_CHANNELS};

/// Bytes of a "COMM" chunk that are looked at: 18, and the code of AIFF-C.
const COMM_BYTES: usize = 22;
/// Bytes of samples in a header written before the end was known, as SoX writes
/// it into pipes (rounded down to whole frames).
const UNKNOWN_SOX: u64 = 0x7f00_0000;

/// Reads the header, and what follows the samples where the source can seek.
/// The input stands at the first sample afterwards.
pub(super) fn read_header(
    input: &ByteSource,
    name: &str,
    compressed_form: bool,
) -> Result<Header, CaptureError> {
    let mut chunks = Chunks::new(input, name, Sizes::Iff, 12);
    let mut format = None;
    let mut metadata = Metadata::default();
    let mut caveats = Vec::new();
    let mut found = None;
    while let Some((id, size)) = chunks.next()? {
        match &id {
            b"COMM" => {
                format = Some(read_format(
                    &chunks.body(COMM_BYTES)?,
                    name,
                    compressed_form,
                )?)
            }
            b"SSND" if found.is_none() => {
                let offset = u64::from(u32::from_be_bytes(field(&chunks.body(8)?, 0)));
                chunks.skip(offset)?;
                let form_bytes = u64::from(u32::from_be_bytes(field(&input.head(), 4))) + 8;
                // The description may come later; one byte a frame will do here.
                let frame = format.map_or(1, |f: Format| f.frame_bytes());
                let bytes = size.saturating_sub(8 + offset);
                let stated = StatedLength {
                    bytes,
                    placeholder: bytes == 0
                        || size == u64::from(u32::MAX)
                        || bytes == UNKNOWN_SOX / frame * frame,
                    file_bytes: Some(form_bytes),
                };
                let start = input.position();
                let bytes = chunks.extent(&stated, frame, &mut caveats)?;
                found = Some((start, bytes));
                match bytes {
                    Some(bytes) if input.length().is_some() => {
                        chunks.ends_after(bytes);
                    }
                    _ => break,
                }
            }
            b"NAME" | b"AUTH" | b"(c) " | b"ANNO" => {
                metadata.add_text(&id, &chunks.text_body()?);
            }
            _ => {}
        }
    }
    let Some((start, bytes)) = found else {
        return Err(chunks.damaged("it has no samples ('SSND' chunk)"));
    };
    let Some(format) = format else {
        return Err(chunks.damaged("its samples have no description ('COMM' chunk)"));
    };
    if input.length().is_some() {
        input.seek_to(start);
    }
    let container = if compressed_form { "AIFF-C" } else { "AIFF" };
    Ok(Header {
        metadata,
        caveats,
        ..Header::plain(container, format, bytes)
    })
}

/// Reads a "COMM" chunk.
fn read_format(body: &[u8], name: &str, compressed_form: bool) -> Result<Format, CaptureError> {
    let damaged = |what: String| CaptureError::Damaged {
        name: name.to_owned(),
        what,
    };
    let needed = if compressed_form { COMM_BYTES } else { 18 };
    if body.len() < needed {
        return Err(damaged(format!(
            "its 'COMM' chunk has {} bytes where {needed} are needed",
            body.len()
        )));
    }
    let channels = u16::from_be_bytes(field(body, 0));
    let bits = u16::from_be_bytes(field(body, 6));
    let code: [u8; 4] = if compressed_form {
        field(body, 18)
    } else {
        *b"NONE"
    };
    let big_endian = match &code.to_ascii_lowercase()[..] {
        b"none" | b"twos" | b"in24" | b"in32" | b"fl32" | b"fl64" => true,
        b"sowt" | b"42ni" | b"42n1" | b"23ni" => false,
        b"raw " if bits == 8 => false,
        b"ima4" => return Err(unsupported(name, "ADPCM, four bits a sample")),
        b"alaw" => return Err(unsupported(name, "A-law, eight bits a sample")),
        b"ulaw" => return Err(unsupported(name, "mu-law, eight bits a sample")),
        b"mac3" | b"mac6" => return Err(lossy(name, "MACE (in AIFF-C)")),
        b"qdmc" | b"qdm2" => return Err(lossy(name, "QDesign (in AIFF-C)")),
        b".mp3" => return Err(lossy(name, "MP3 (in AIFF-C)")),
        _ => {
            let shown = code.escape_ascii();
            return Err(unsupported(name, &format!("samples in the code '{shown}'")));
        }
    };
    if channels == 0 || channels > MAX_CHANNELS {
        return Err(damaged(format!(
            "its header states {channels} channels; 1 to {MAX_CHANNELS} are possible"
        )));
    }
    let (encoding, valid_bits) = match (&code.to_ascii_lowercase()[..], bits) {
        (b"fl32", _) => (Encoding::Float32, 32),
        (b"fl64", _) => (Encoding::Float64, 64),
        // These codes tell their width themselves ("42n1" as libsndfile writes it).
        (b"in24" | b"42ni" | b"42n1", _) => (Encoding::Signed24, 24),
        (b"in32" | b"23ni", _) => (Encoding::Signed32, 32),
        (b"raw ", _) => (Encoding::Unsigned8, 8),
        (_, 1..=8) => (Encoding::Signed8, bits),
        (_, 9..=16) => (Encoding::Signed16, bits),
        (_, 17..=24) => (Encoding::Signed24, bits),
        (_, 25..=32) => (Encoding::Signed32, bits),
        _ => return Err(damaged(format!("its header states {bits} bits per sample"))),
    };
    Ok(Format {
        encoding,
        big_endian,
        valid_bits,
        channels,
        sample_rate_hz: whole_rate(name, extended(field(body, 8)))?,
    })
}

/// A number in the 80-bit extended format of IEEE 754: sign and exponent (bias
/// 16383) in two bytes, 64 bits with an explicit leading one.
fn extended(bytes: [u8; 10]) -> f64 {
    let [a, b, mantissa @ ..] = bytes;
    let exponent = i32::from(u16::from_be_bytes([a, b]) & 0x7fff) - 16383 - 63;
    let value = u64::from_be_bytes(mantissa) as f64 * 2f64.powi(exponent);
    if a & 0x80 == 0 { value } else { -value }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn extended_numbers_are_read() {
        // AIFF 1.3, appendix: 44100 Hz is 400E AC44 0000 0000 0000.
        assert_eq!(
            extended([0x40, 0x0e, 0xac, 0x44, 0, 0, 0, 0, 0, 0]),
            44100.0
        );
        assert_eq!(extended([0x3f, 0xff, 0x80, 0, 0, 0, 0, 0, 0, 0]), 1.0);
        assert_eq!(extended([0xc0, 0x00, 0xc0, 0, 0, 0, 0, 0, 0, 0]), -3.0);
        assert_eq!(extended([0; 10]), 0.0);
        assert!(!extended([0x7f, 0xff, 0xff, 0, 0, 0, 0, 0, 0, 0]).is_finite());
    }
}
