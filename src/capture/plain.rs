//! Interleaved samples as they are, read and unpacked in bulk.

use super::input::ByteSource;
use super::pcm::{self, Encoding, Picks};
use super::raw::FormatEvidence;
use std::io;

/// Bytes unpacked at a time: stays in the second-level cache. Measured flat
/// from 30 to 100 kB.
const PIECE_BYTES: usize = 64 * 1024;
/// The most channels a file may have. Common practice, no source.
pub(super) const MAX_CHANNELS: u16 = 1024;

/// The form of interleaved samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Format {
    pub(super) encoding: Encoding,
    pub(super) big_endian: bool,
    /// Valid bits of an integer, at most those of the container; the lower
    /// bits are unused.
    pub(super) valid_bits: u16,
    /// From 1 to [`MAX_CHANNELS`].
    pub(super) channels: u16,
    pub(super) sample_rate_hz: u32,
}

impl Format {
    /// Bytes of one frame, at least 1.
    pub(super) fn frame_bytes(&self) -> u64 {
        self.encoding.bytes() as u64 * u64::from(self.channels)
    }
}

/// The samples of a RIFF file or a headerless one.
pub(super) struct PcmReader {
    input: ByteSource,
    format: Format,
    picks: Picks,
    piece: Vec<u8>,
    /// Whether bits that the header calls unused were seen in use.
    pub(super) low_bits: bool,
    /// Samples that were no finite number.
    pub(super) non_finite: u64,
    /// Samples unpacked, of both channels.
    pub(super) unpacked: u64,
    /// The first bytes of samples without a header, to be judged in the end.
    pub(super) evidence: Option<FormatEvidence>,
}

impl PcmReader {
    /// `input` stands at the first sample; `channels` are counted from 0.
    pub(super) fn new(input: ByteSource, format: Format, channels: [usize; 2]) -> Self {
        let frame = format.frame_bytes() as usize;
        let width = format.encoding.bytes();
        Self {
            input,
            format,
            picks: Picks {
                frame,
                left: channels[0] * width,
                right: channels[1] * width,
            },
            piece: vec![0; (PIECE_BYTES / frame).max(1) * frame],
            low_bits: false,
            non_finite: 0,
            unpacked: 0,
            evidence: None,
        }
    }

    /// The same, which judges from its samples whether its form can be right.
    pub(super) fn doubted(mut self) -> Self {
        self.evidence = Some(FormatEvidence::new(self.format));
        self
    }

    /// Fills both planes, of equal length, as far as the source goes.
    pub(super) fn read(&mut self, left: &mut [f32], right: &mut [f32]) -> io::Result<usize> {
        let frame = self.picks.frame;
        let mut done = 0;
        while done < left.len() {
            let want = ((left.len() - done) * frame).min(self.piece.len());
            let got = self.input.read_full(&mut self.piece[..want])?;
            let bytes = &mut self.piece[..got / frame * frame];
            if let Some(evidence) = &mut self.evidence {
                evidence.add(bytes);
            }
            if self.format.big_endian {
                pcm::swap_bytes(bytes, self.format.encoding.bytes());
            }
            let next = done + got / frame;
            let encoding = self.format.encoding;
            self.non_finite += pcm::unpack(
                encoding,
                bytes,
                self.picks,
                &mut left[done..next],
                &mut right[done..next],
            );
            self.low_bits |= pcm::uses_low_bits(bytes, encoding.bytes(), self.format.valid_bits);
            self.unpacked += 2 * (next - done) as u64;
            done = next;
            if got < want {
                break;
            }
        }
        Ok(done)
    }

    /// Passes over whole frames; fewer only at the end.
    pub(super) fn skip(&mut self, frames: u64) -> io::Result<u64> {
        let frame = self.picks.frame as u64;
        Ok(self.input.skip(frames.saturating_mul(frame))? / frame)
    }
}
