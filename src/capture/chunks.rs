//! The walk through a file made of chunks: RIFF, IFF and CAF differ only in
//! how a chunk's size is written. What a header says about lengths is only ever
//! compared with the bytes that are there.

use super::error::CaptureError;
use super::input::ByteSource;
use super::metadata::{MAX_CHUNK_BYTES, Metadata};
use super::plain::Format;
use crate::uncertainty::{Caveat, Warning};

/// Chunks in one file. Common practice, no source: real files have fewer than
/// twenty; the limit keeps a hostile stream of empty chunks finite.
const MAX_CHUNKS: usize = 4096;

/// How the size of a chunk is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sizes {
    /// RIFF: 32 bits, little-endian, chunks padded to even lengths.
    Riff,
    /// IFF (AIFF): 32 bits, big-endian, chunks padded to even lengths.
    Iff,
    /// CAF: 64 bits, big-endian, no padding.
    Caf,
}

/// What a header says, checked.
pub(super) struct Header {
    pub(super) container: &'static str,
    pub(super) coding: Coding,
    pub(super) channels: u16,
    pub(super) sample_rate_hz: u32,
    /// Valid bits of integers.
    pub(super) bits: Option<u16>,
    /// Where known; capped by the real size of a file of plain samples.
    pub(super) frames: Option<u64>,
    pub(super) metadata: Metadata,
    pub(super) caveats: Vec<Caveat>,
}

/// How the samples are coded, with what the reader of that code needs.
pub(super) enum Coding {
    /// Interleaved samples as they are.
    Plain(Format),
    /// FLAC frames; the stream information block.
    Flac([u8; 34]),
    /// ALAC packets.
    Alac(super::packets::AlacTable),
}

impl Header {
    /// The header of plain samples, `data_bytes` long (none: to the end).
    pub(super) fn plain(container: &'static str, format: Format, data_bytes: Option<u64>) -> Self {
        Self {
            container,
            coding: Coding::Plain(format),
            channels: format.channels,
            sample_rate_hz: format.sample_rate_hz,
            bits: format.encoding.integer_bits().map(|_| format.valid_bits),
            frames: data_bytes.map(|bytes| bytes / format.frame_bytes()),
            metadata: Metadata::default(),
            caveats: Vec::new(),
        }
    }
}

/// The walk from chunk to chunk.
pub(super) struct Chunks<'a> {
    pub(super) input: &'a ByteSource,
    pub(super) name: &'a str,
    sizes: Sizes,
    /// Where the current chunk ends, without its pad byte.
    end: u64,
    /// Whether a pad byte follows.
    padded: bool,
    count: usize,
}

/// The length of the samples as the header states it.
pub(super) struct StatedLength {
    /// Bytes of samples.
    pub(super) bytes: u64,
    /// Whether that is what programs write when they cannot know.
    pub(super) placeholder: bool,
    /// The length of the whole file according to its header.
    pub(super) file_bytes: Option<u64>,
}

impl<'a> Chunks<'a> {
    /// Begins behind the `start` bytes of the file header.
    pub(super) fn new(input: &'a ByteSource, name: &'a str, sizes: Sizes, start: u64) -> Self {
        Self {
            input,
            name,
            sizes,
            end: start,
            padded: false,
            count: 0,
        }
    }

    pub(super) fn damaged(&self, what: impl Into<String>) -> CaptureError {
        CaptureError::Damaged {
            name: self.name.to_owned(),
            what: what.into(),
        }
    }

    /// Passes over what is left of the current chunk and reads the header of
    /// the next; none at the end, or where no chunk can be recognised.
    pub(super) fn next(&mut self) -> Result<Option<([u8; 4], u64)>, CaptureError> {
        self.count += 1;
        if self.count > MAX_CHUNKS {
            return Ok(None);
        }
        self.skip(self.end.saturating_sub(self.input.position()))?;
        let mut header = [0; 12];
        let mut filled = 0;
        if self.padded {
            // The pad byte is zero; anything else is the beginning of the next
            // chunk, from a writer that does not pad.
            filled = self.read(&mut header[..1])?;
            filled *= usize::from(header[0] != 0);
        }
        let length = if self.sizes == Sizes::Caf { 12 } else { 8 };
        filled += self.read(&mut header[filled..length])?;
        let [a, b, c, d, size @ ..] = header;
        let id = [a, b, c, d];
        if filled < length || !id.iter().all(|byte| (b' '..=b'~').contains(byte)) {
            return Ok(None);
        }
        let [e, f, g, h, ..] = size;
        let size = match self.sizes {
            Sizes::Riff => u64::from(u32::from_le_bytes([e, f, g, h])),
            Sizes::Iff => u64::from(u32::from_be_bytes([e, f, g, h])),
            Sizes::Caf => u64::from_be_bytes(size),
        };
        self.ends_after(size);
        Ok(Some((id, size)))
    }

    /// The current chunk has `size` bytes from here.
    pub(super) fn ends_after(&mut self, size: u64) {
        self.end = self.input.position().saturating_add(size);
        self.padded = size % 2 == 1 && self.sizes != Sizes::Caf;
    }

    /// The next bytes of the current chunk, at most `cap`; fewer where the
    /// chunk or the file ends. The buffer grows with what is there.
    pub(super) fn body(&self, cap: usize) -> Result<Vec<u8>, CaptureError> {
        let left = self.end.saturating_sub(self.input.position());
        let want = left.min(cap as u64) as usize;
        let mut body = Vec::new();
        while body.len() < want {
            let from = body.len();
            body.resize(want.min(from + MAX_CHUNK_BYTES), 0);
            let got = self.read(&mut body[from..])?;
            if from + got < body.len() {
                body.truncate(from + got);
                break;
            }
        }
        Ok(body)
    }

    /// The body of a chunk of text.
    pub(super) fn text_body(&self) -> Result<Vec<u8>, CaptureError> {
        self.body(MAX_CHUNK_BYTES)
    }

    fn read(&self, buffer: &mut [u8]) -> Result<usize, CaptureError> {
        let read = self.input.read_full(buffer);
        read.map_err(|e| self.failed(e))
    }

    pub(super) fn skip(&self, bytes: u64) -> Result<u64, CaptureError> {
        self.input.skip(bytes).map_err(|e| self.failed(e))
    }

    fn failed(&self, source: std::io::Error) -> CaptureError {
        CaptureError::Read {
            name: self.name.to_owned(),
            frames: 0,
            source,
        }
    }

    /// How far the samples that begin here go: bytes, none to the end of a
    /// stream.
    pub(super) fn extent(
        &self,
        stated: &StatedLength,
        frame_bytes: u64,
        caveats: &mut Vec<Caveat>,
    ) -> Result<Option<u64>, CaptureError> {
        let Some(length) = self.input.length() else {
            return Ok((!stated.placeholder).then_some(stated.bytes));
        };
        let start = self.input.position();
        let there = length.saturating_sub(start);
        let fits = stated.bytes <= there;
        // A writer that passed 4 GiB unawares left the size modulo 2^32.
        let beyond = Warning::WrappedLength.level(there as f64).is_some();
        let wrapped = self.sizes != Sizes::Caf && beyond;
        if stated.placeholder {
            // The size may be meant all the same: an empty recording closed
            // properly, or one whose length happens to be the placeholder.
            let meant = match stated.bytes {
                0 => stated.file_bytes.is_some_and(|b| b.abs_diff(length) <= 1),
                bytes => fits && self.ends_properly(start + bytes, length)?,
            };
            if !meant && there > 0 {
                caveats.push(Warning::LengthNotInHeader.seen(
                    "the header does not state the length, as in a recording from a pipe or one \
                     that was interrupted; read to the end of the file",
                ));
            }
            return Ok(Some(if meant { stated.bytes } else { there }));
        }
        if !fits {
            let frames = stated.bytes / frame_bytes;
            caveats.extend(super::truncated(frames, there / frame_bytes));
            return Ok(Some(there));
        }
        if wrapped && !self.ends_properly(start + stated.bytes, length)? {
            caveats.push(Warning::WrappedLength.seen(
                "the file is larger than 4 GiB and its header cannot state the length; read to \
                 the end of the file. Record such lengths as RF64",
            ));
            return Ok(Some(there));
        }
        Ok(Some(stated.bytes))
    }

    /// Whether a chunk that ends at `position` is followed by the end of the
    /// file or by something that looks like another chunk.
    fn ends_properly(&self, position: u64, length: u64) -> Result<bool, CaptureError> {
        let back = self.input.position();
        let mut proper = length.saturating_sub(position) < 8;
        // With the pad byte and without.
        for start in [position + position % 2, position] {
            self.input.seek_to(start);
            let mut ahead = Self::new(self.input, self.name, self.sizes, start);
            if let Some((_, size)) = ahead.next()? {
                proper |= size <= length.saturating_sub(start);
            }
        }
        self.input.seek_to(back);
        Ok(proper)
    }
}

/// The refusal of a code that is not read.
pub(super) fn unsupported(name: &str, code: &str) -> CaptureError {
    CaptureError::Unsupported {
        name: name.to_owned(),
        what: format!("holds {code}, which this program does not read"),
        remedy: "export it as WAV with 16, 24 or 32-bit samples, or as FLAC".to_owned(),
    }
}

/// The refusal of a lossy code.
pub(super) fn lossy(name: &str, codec: impl Into<String>) -> CaptureError {
    CaptureError::Lossy {
        name: name.to_owned(),
        codec: codec.into(),
    }
}

/// A field of a header; zeros where the bytes end.
pub(super) fn field<const N: usize>(bytes: &[u8], at: usize) -> [u8; N] {
    let found = bytes.get(at..).and_then(|rest| rest.first_chunk());
    found.copied().unwrap_or([0; N])
}

/// A sample rate written as a floating-point number.
pub(super) fn whole_rate(name: &str, rate: f64) -> Result<u32, CaptureError> {
    if rate.fract() != 0.0 && (1.0..f64::from(u32::MAX)).contains(&rate) {
        return Err(CaptureError::Unsupported {
            name: name.to_owned(),
            what: format!("has a sample rate of {rate} Hz, which is not a whole number"),
            remedy: "export it again with the rate at which it was recorded".to_owned(),
        });
    }
    // Saturating; what is out of range is refused by value later.
    Ok(rate as u32)
}
