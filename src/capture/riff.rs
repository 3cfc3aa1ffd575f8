//! Headers of the RIFF family: WAV, RF64 and BW64.
//!
//! Layout after "Multimedia Programming Interface and Data Specifications 1.0"
//! (IBM and Microsoft, August 1991), EBU Tech 3306 (RF64), ITU-R BS.2088 (BW64)
//! and Microsoft's WAVE_FORMAT_EXTENSIBLE. What a header says about lengths is
//! only ever compared with the bytes that are there.

use super::error::CaptureError;
use super::input::Input;
use super::metadata::{self, MAX_CHUNK_BYTES, Metadata};
use super::pcm::Encoding;
use crate::uncertainty::Caveat;

/// Chunks before the samples. Common practice, no source: real files have fewer
/// than twenty; the limit keeps a hostile stream of empty chunks finite.
const MAX_CHUNKS: usize = 4096;
/// The most channels a file may have. Common practice, no source.
pub(super) const MAX_CHANNELS: u16 = 1024;
/// Bytes of a "fmt " chunk that are looked at; WAVE_FORMAT_EXTENSIBLE has 40.
const FMT_BYTES: usize = 40;
/// The data size of a header written before the end was known, as ffmpeg
/// writes it into pipes; in RF64 it sends the reader to "ds64".
const UNKNOWN: u64 = 0xffff_ffff;
/// The same as SoX writes it (rounded down to whole frames).
const UNKNOWN_SOX: u64 = 0x7fff_f000;
/// The same as arecord writes it (2 GiB; from memory).
const UNKNOWN_ARECORD: u64 = 0x8000_0000;

const TAG_PCM: u16 = 1;
const TAG_FLOAT: u16 = 3;
const TAG_EXTENSIBLE: u16 = 0xfffe;
/// Bytes 2 to 15 of a sub-format GUID that carries an ordinary format tag in
/// its first two (KSDATAFORMAT_SUBTYPE_WAVEFORMATEX).
const SUBTYPE_TAIL: [u8; 14] = [
    0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xaa, 0x00, 0x38, 0x9b, 0x71,
];

/// What a header says, checked.
#[derive(Debug)]
pub(super) struct Wave {
    pub(super) container: &'static str,
    pub(super) format: Format,
    /// Their length in bytes, capped by the file; none for a stream to its end.
    pub(super) data_bytes: Option<u64>,
    pub(super) metadata: Metadata,
    pub(super) caveats: Vec<Caveat>,
}

/// A "fmt " chunk, checked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Format {
    pub(super) encoding: Encoding,
    /// Valid bits of an integer, at most those of the container.
    pub(super) valid_bits: u16,
    pub(super) channels: u16,
    pub(super) sample_rate_hz: u32,
}

impl Format {
    /// Bytes of one frame.
    pub(super) fn frame_bytes(&self) -> u64 {
        self.encoding.bytes() as u64 * u64::from(self.channels)
    }
}

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

/// Reads the header up to the samples, and the metadata after them where the
/// source can seek. The input stands at the first sample afterwards.
pub(super) fn read_header(
    input: &Input,
    name: &str,
    container: &'static str,
) -> Result<Wave, CaptureError> {
    let head = input.head();
    let large = container != "WAV";
    let riff_size = u64::from(u32_at(&head, 4));
    let chunks = Chunks { input, name };
    chunks.skip(12)?;

    let mut format = None;
    let mut sizes = Vec::new();
    let mut metadata = Metadata::default();
    let mut caveats = Vec::new();
    let mut first_byte = None;
    for _ in 0..MAX_CHUNKS {
        let Some((id, size)) = chunks.header(&mut first_byte)? else {
            return Err(chunks.damaged("it ends before its samples begin (no 'data' chunk)"));
        };
        let size64 = if large && size == UNKNOWN {
            sizes.iter().find(|(i, _)| *i == id).map(|(_, s)| *s)
        } else {
            None
        };
        match &id {
            b"data" => {
                let format: Format = format.ok_or_else(|| {
                    chunks.damaged("its samples come before their description ('fmt ' chunk)")
                })?;
                let data_start = input.position();
                let data_bytes = extent(
                    input,
                    name,
                    &format,
                    riff_size,
                    size,
                    size64,
                    large,
                    &mut caveats,
                )?;
                if let (Some(length), Some(bytes)) = (input.length(), data_bytes) {
                    trailing_metadata(&chunks, data_start + bytes, length, &mut metadata)?;
                    input.seek_to(data_start);
                }
                return Ok(Wave {
                    container,
                    format,
                    data_bytes,
                    metadata,
                    caveats,
                });
            }
            b"fmt " => {
                let body = chunks.body(size, FMT_BYTES)?;
                format = Some(read_format(&body, name)?);
            }
            b"ds64" if large => sizes = read_sizes(&chunks.body(size, MAX_CHUNK_BYTES)?),
            _ => {
                let size = size64.unwrap_or(size);
                if metadata::is_kept(&id) {
                    metadata.add_chunk(&id, &chunks.body(size, MAX_CHUNK_BYTES)?);
                } else {
                    chunks.skip(size)?;
                }
                if size % 2 == 1 {
                    first_byte = chunks.pad()?;
                }
                continue;
            }
        }
        if size % 2 == 1 {
            first_byte = chunks.pad()?;
        }
    }
    Err(chunks.damaged(&format!("no samples within its first {MAX_CHUNKS} chunks")))
}

/// The walk from chunk to chunk.
struct Chunks<'a> {
    input: &'a Input,
    name: &'a str,
}

impl Chunks<'_> {
    fn damaged(&self, what: &str) -> CaptureError {
        CaptureError::Damaged {
            name: self.name.to_owned(),
            what: what.to_owned(),
        }
    }

    fn read(&self, buffer: &mut [u8]) -> Result<usize, CaptureError> {
        self.input
            .read_full(buffer)
            .map_err(|source| CaptureError::Read {
                name: self.name.to_owned(),
                frames: 0,
                source,
            })
    }

    fn skip(&self, bytes: u64) -> Result<(), CaptureError> {
        self.input
            .skip(bytes)
            .map(drop)
            .map_err(|source| CaptureError::Read {
                name: self.name.to_owned(),
                frames: 0,
                source,
            })
    }

    /// The next identifier and size; none at the end. `first` is a byte of it
    /// already taken by [`Self::pad`].
    fn header(&self, first: &mut Option<u8>) -> Result<Option<([u8; 4], u64)>, CaptureError> {
        let mut header = [0; 8];
        let from = match first.take() {
            Some(byte) => {
                header[0] = byte;
                1
            }
            None => 0,
        };
        if self.read(&mut header[from..])? < 8 - from {
            return Ok(None);
        }
        let [a, b, c, d, ..] = header;
        Ok(Some(([a, b, c, d], u64::from(u32_at(&header, 4)))))
    }

    /// The first bytes of a chunk, at most `cap`; the rest is passed over. The
    /// buffer grows with what is really there, whatever the size says.
    fn body(&self, size: u64, cap: usize) -> Result<Vec<u8>, CaptureError> {
        let mut body = vec![0; size.min(cap as u64) as usize];
        let got = self.read(&mut body)?;
        body.truncate(got);
        self.skip(size - got as u64)?;
        Ok(body)
    }

    /// The pad byte after a chunk of odd size. It is zero; anything else is
    /// the beginning of the next chunk, from a writer that does not pad.
    fn pad(&self) -> Result<Option<u8>, CaptureError> {
        let mut byte = [0];
        self.read(&mut byte)?;
        Ok(Some(byte[0]).filter(|b| *b != 0))
    }
}

/// How far the samples go, from the sizes in the header and the real length.
#[allow(clippy::too_many_arguments)] // the header's figures, used once
fn extent(
    input: &Input,
    name: &str,
    format: &Format,
    riff_size: u64,
    size: u64,
    size64: Option<u64>,
    large: bool,
    caveats: &mut Vec<Caveat>,
) -> Result<Option<u64>, CaptureError> {
    let frame = format.frame_bytes();
    let stated = size64.unwrap_or(size);
    let placeholder = match size64 {
        // "ds64" of a recorder that never came back to fill it in.
        Some(s) => s == 0 || s == u64::MAX,
        None => {
            [0, UNKNOWN, UNKNOWN_ARECORD].contains(&size)
                || size == UNKNOWN_SOX / frame * frame
                || size == UNKNOWN_SOX
        }
    };
    let Some(length) = input.length() else {
        return Ok(if placeholder { None } else { Some(stated) });
    };
    let start = input.position();
    let there = length.saturating_sub(start);
    let to_the_end = Some(there);
    if placeholder {
        // The sizes may be meant: an empty recording closed properly, or one
        // whose length happens to be the placeholder.
        let meant = if stated == 0 {
            !large && (riff_size + 8).abs_diff(length) <= 1
        } else {
            stated <= there && ends_properly(input, name, start + stated, length)?
        };
        if meant {
            return Ok(Some(stated));
        }
        if there > 0 {
            caveats.push(Caveat::note(
                "length-not-in-header",
                "the header does not tell the length, as of a recording from a pipe or one that \
                 was interrupted; read to the end of the file",
            ));
        }
        return Ok(to_the_end);
    }
    if stated > there {
        if stated / frame > there / frame {
            caveats.push(super::truncated(stated / frame, there / frame));
        }
        return Ok(to_the_end);
    }
    // A writer that passed 4 GiB unawares left the size modulo 2^32.
    if !large && there > u64::from(u32::MAX) && !ends_properly(input, name, start + stated, length)?
    {
        caveats.push(Caveat::caution(
            "wrapped-length",
            "the file is larger than 4 GiB and its header cannot tell the length; read to the end \
             of the file. Record such lengths as RF64",
        ));
        return Ok(to_the_end);
    }
    Ok(Some(stated))
}

/// Whether a chunk that ends at `position` is followed by the end of the file
/// or by something that looks like another chunk.
fn ends_properly(
    input: &Input,
    name: &str,
    position: u64,
    length: u64,
) -> Result<bool, CaptureError> {
    let back = input.position();
    let chunks = Chunks { input, name };
    let mut proper = length - position.min(length) < 8;
    // With the pad byte and without.
    for start in [position + position % 2, position] {
        input.seek_to(start);
        if let Some((id, size)) = chunks.header(&mut None)? {
            let plain = id.iter().all(|b| b.is_ascii_graphic() || *b == b' ');
            proper |= plain && size <= length - start;
        }
    }
    input.seek_to(back);
    Ok(proper)
}

/// Collects metadata after the samples; whatever is wrong there is ignored,
/// since nothing depends on it.
fn trailing_metadata(
    chunks: &Chunks,
    end: u64,
    length: u64,
    metadata: &mut Metadata,
) -> Result<(), CaptureError> {
    chunks.input.seek_to(end + end % 2);
    for _ in 0..MAX_CHUNKS {
        if chunks.input.position() >= length {
            break;
        }
        let Some((id, size)) = chunks.header(&mut None)? else {
            break;
        };
        if metadata::is_kept(&id) {
            metadata.add_chunk(&id, &chunks.body(size, MAX_CHUNK_BYTES)?);
        } else {
            chunks.skip(size)?;
        }
        chunks.skip(size % 2)?;
    }
    Ok(())
}

/// The 64-bit sizes of a "ds64" chunk by chunk identifier: "data", then the
/// table. (The RIFF size is of no use here, the sample count is redundant.)
fn read_sizes(body: &[u8]) -> Vec<([u8; 4], u64)> {
    let mut sizes = Vec::new();
    if let Some(size) = u64_at(body, 8) {
        sizes.push((*b"data", size));
    }
    let entries = body.get(28..).unwrap_or_default().as_chunks::<12>().0;
    for entry in entries.iter().take(u32_at(body, 24) as usize) {
        let [a, b, c, d, ..] = *entry;
        sizes.push(([a, b, c, d], u64_at(entry, 4).unwrap_or(0)));
    }
    sizes
}

/// Reads a "fmt " chunk.
fn read_format(body: &[u8], name: &str) -> Result<Format, CaptureError> {
    let damaged = |what: String| CaptureError::Damaged {
        name: name.to_owned(),
        what,
    };
    if body.len() < 16 {
        return Err(damaged(format!(
            "its 'fmt ' chunk has {} bytes where 16 are needed",
            body.len()
        )));
    }
    let (mut tag, channels) = (u16_at(body, 0), u16_at(body, 2));
    let (rate, align, bits) = (u32_at(body, 4), u16_at(body, 12), u16_at(body, 14));
    let mut valid = bits;
    if tag == TAG_EXTENSIBLE {
        if body.len() < FMT_BYTES {
            return Err(damaged(format!(
                "its extended 'fmt ' chunk has {} bytes where {FMT_BYTES} are needed",
                body.len()
            )));
        }
        if body[26..FMT_BYTES] != SUBTYPE_TAIL {
            return Err(unsupported_code(name, "a WAV sub-format of its own kind"));
        }
        tag = u16_at(body, 24);
        // Zero valid bits are written by some programs and mean all of them.
        valid = match u16_at(body, 18) {
            0 => bits,
            valid => valid,
        };
    }
    if tag != TAG_PCM && tag != TAG_FLOAT {
        return Err(refused_tag(name, tag));
    }
    if channels == 0 || channels > MAX_CHANNELS {
        return Err(damaged(format!(
            "its header tells {channels} channels; 1 to {MAX_CHANNELS} are possible"
        )));
    }
    let container = align / channels;
    if align % channels != 0
        || container == 0
        || u32::from(valid) > 8 * u32::from(container)
        || valid == 0
    {
        return Err(damaged(format!(
            "its header contradicts itself: {valid} bits in {channels} channels and {align} bytes a frame"
        )));
    }
    let encoding = match (tag, container) {
        (TAG_PCM, 1) => Encoding::Unsigned8,
        (TAG_PCM, 2) => Encoding::Signed16,
        (TAG_PCM, 3) => Encoding::Signed24,
        (TAG_PCM, 4) => Encoding::Signed32,
        (TAG_FLOAT, 4) => Encoding::Float32,
        (TAG_FLOAT, 8) => Encoding::Float64,
        _ => {
            let kind = if tag == TAG_PCM {
                "integers"
            } else {
                "floating-point numbers"
            };
            return Err(unsupported_code(
                name,
                &format!("{kind} of {container} bytes"),
            ));
        }
    };
    Ok(Format {
        encoding,
        valid_bits: valid,
        channels,
        sample_rate_hz: rate,
    })
}

fn unsupported_code(name: &str, code: &str) -> CaptureError {
    CaptureError::Unsupported {
        name: name.to_owned(),
        what: format!("holds {code}, which this program does not read"),
        remedy: "export it as WAV with 16, 24 or 32-bit samples, or as FLAC".to_owned(),
    }
}

/// The refusal of a format tag, with its reason. Tags after mmreg.h (Microsoft).
fn refused_tag(name: &str, tag: u16) -> CaptureError {
    let lossy = match tag {
        0x0050 => "MPEG audio (in WAV)",
        0x0055 => "MP3 (in WAV)",
        0x00ff | 0x1600 | 0x1601 | 0x1602 | 0x1610 | 0x706d | 0x4143 => "AAC (in WAV)",
        0x0160..=0x0163 => "Windows Media Audio (in WAV)",
        0x0092 | 0x2000 => "AC-3 (in WAV)",
        0x0008 | 0x2001 => "DTS (in WAV)",
        0x566f | 0x674f..=0x6751 | 0x676f..=0x6771 => "Vorbis (in WAV)",
        0x704f => "Opus (in WAV)",
        0x0270 => "ATRAC3 (in WAV)",
        _ => {
            let code = match tag {
                0x0002 | 0x0011 => "ADPCM, four bits a sample,".to_owned(),
                0x0006 => "A-law, eight bits a sample,".to_owned(),
                0x0007 => "mu-law, eight bits a sample,".to_owned(),
                0x0031 => "GSM 6.10 speech code".to_owned(),
                _ => format!("samples under the format tag 0x{tag:04x}"),
            };
            return unsupported_code(name, &code);
        }
    };
    CaptureError::Lossy {
        name: name.to_owned(),
        codec: lossy.to_owned(),
    }
}

/// Little-endian fields; 0 where the bytes end.
pub(super) fn u16_at(bytes: &[u8], at: usize) -> u16 {
    bytes
        .get(at..)
        .and_then(|b| b.first_chunk())
        .map_or(0, |b| u16::from_le_bytes(*b))
}

pub(super) fn u32_at(bytes: &[u8], at: usize) -> u32 {
    bytes
        .get(at..)
        .and_then(|b| b.first_chunk())
        .map_or(0, |b| u32::from_le_bytes(*b))
}

fn u64_at(bytes: &[u8], at: usize) -> Option<u64> {
    bytes
        .get(at..)
        .and_then(|b| b.first_chunk())
        .map(|b| u64::from_le_bytes(*b))
}
