//! Recordings into blocks of stereo samples.
//!
//! [`open`] identifies a recording by its first bytes, checks that it can carry
//! timing, and returns a [`Recording`]: two planes of `f32`, full scale 1,
//! block by block, in memory that does not grow with the length.
//!
//! One layer of our own walks through the chunks of WAV, RF64, BW64, AIFF and
//! CAF files and unpacks plain samples in bulk: the forms that capture programs
//! write (samples in wider containers, lengths unknown or beyond 4 GiB, files
//! cut short) need it, and one reader for all of them is simpler than one more
//! for the plain ones. symphonia decodes FLAC and ALAC. hound, symphonia's own
//! containers and libraries of other languages are the witnesses in the tests.

mod aiff;
mod caf;
mod chunks;
mod error;
mod flac;
mod identify;
mod input;
mod metadata;
mod packets;
mod pcm;
mod plain;
mod raw;
mod riff;
mod save;

pub use error::CaptureError;
pub use input::ReadSeek;
pub use pcm::Encoding;
use raw::FormatEvidence;
pub use raw::{RawFormat, RawFormatError};
pub use save::{STREAM_MARK, StreamWriter};

use crate::uncertainty::{Caveat, Warning};
use chunks::{Coding, Header};
use input::ByteSource;
use packets::Packets;
use plain::{Format, PcmReader};
use std::ffi::OsStr;
use std::fs::File;
use std::io::{self, Read};
use std::path::PathBuf;
use std::sync::Arc;

/// Below this a recording is refused: telephone bandwidth. Common practice, no source.
pub const MIN_SAMPLE_RATE_HZ: u32 = 8_000;
/// Above this a recording is refused: the fastest converters in the trade.
/// Common practice, no source.
pub const MAX_SAMPLE_RATE_HZ: u32 = 768_000;
/// Where a recording comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Source {
    /// A file, or anything else with a name that can be read (a named pipe).
    Path(PathBuf),
    /// Standard input.
    StandardInput,
    /// A file held in memory, with a name for messages.
    Memory(String, Arc<[u8]>),
}

impl Source {
    /// `-` is standard input, anything else a path.
    pub fn from_argument(argument: &OsStr) -> Self {
        if argument == "-" {
            Self::StandardInput
        } else {
            Self::Path(PathBuf::from(argument))
        }
    }

    /// The name as given, with `/`; `-` for standard input. Names that are not
    /// Unicode are shown with replacement characters.
    pub fn name(&self) -> String {
        match self {
            Self::Path(path) if cfg!(windows) => path.to_string_lossy().replace('\\', "/"),
            Self::Path(path) => path.to_string_lossy().into_owned(),
            Self::StandardInput => "-".to_owned(),
            Self::Memory(name, _) => name.clone(),
        }
    }

    /// Samples held in memory, full scale 1, as a recording; `name` is for messages.
    /// Samples beyond the shorter channel are left out.
    ///
    /// # Errors
    ///
    /// When they are more than memory holds once more.
    pub fn of_samples(
        name: &str,
        sample_rate_hz: u32,
        left: &[f32],
        right: &[f32],
    ) -> io::Result<Self> {
        let mut file = StreamWriter::new(io::Cursor::new(Vec::new()), sample_rate_hz, None)?;
        file.write(&Stereo {
            left: left.to_vec(),
            right: right.to_vec(),
        })?;
        let bytes = file.finish()?.into_inner();
        Ok(Self::Memory(name.to_owned(), bytes.into()))
    }
}

/// How a recording is to be read.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ReadOptions {
    /// Which channels are left and right, counted from 1. Needed with more than
    /// two; two channels are left and right in this order otherwise.
    pub channels: Option<[usize; 2]>,
    /// The samples have no header but this form.
    pub raw: Option<RawFormat>,
    /// Whether [`Recording::sha256`] is wanted.
    pub hash: bool,
}

/// A block of samples: two planes of equal length, full scale 1.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Stereo {
    /// The left channel.
    pub left: Vec<f32>,
    /// The right channel.
    pub right: Vec<f32>,
}

impl Stereo {
    fn resize(&mut self, frames: usize) {
        self.left.resize(frames, 0.0);
        self.right.resize(frames, 0.0);
    }
}

/// An open recording, read from its start to its end.
pub struct Recording {
    name: String,
    /// The name in messages.
    title: String,
    container: &'static str,
    coding: String,
    bits: Option<u16>,
    channels: u16,
    sample_rate_hz: u32,
    frames: Option<u64>,
    metadata: Vec<(String, String)>,
    caveats: Vec<Caveat>,
    input: ByteSource,
    body: Decoder,
    /// Frames read or skipped.
    position: u64,
    ended: bool,
}

/// Where the samples come from.
enum Decoder {
    Plain(PcmReader),
    Packets(Packets),
}

/// Opens a file or standard input.
///
/// # Errors
///
/// When the source cannot be opened, is no recording, or is one in which no
/// timing can be measured (lossy, one channel, no samples).
pub fn open(source: &Source, options: &ReadOptions) -> Result<Recording, CaptureError> {
    let name = source.name();
    let failed = |source| CaptureError::Open {
        name: title(&name),
        source,
    };
    let input = match source {
        Source::StandardInput => ByteSource::stream(Box::new(io::stdin()), options.hash),
        Source::Memory(_, bytes) => {
            ByteSource::seekable(Box::new(io::Cursor::new(bytes.clone())), options.hash)
        }
        Source::Path(path) => {
            let kind = std::fs::metadata(path).map_err(failed)?;
            if kind.is_dir() {
                return Err(CaptureError::Directory { name });
            }
            let file = File::open(path).map_err(failed)?;
            if kind.is_file() {
                ByteSource::seekable(Box::new(file), options.hash)
            } else {
                ByteSource::stream(Box::new(file), options.hash)
            }
        }
    };
    open_input(input.map_err(failed)?, name, options)
}

/// Opens bytes that can seek; `name` is for messages.
///
/// # Errors
///
/// As [`open`].
pub fn open_reader(
    reader: impl ReadSeek + Send + Sync + 'static,
    name: &str,
    options: &ReadOptions,
) -> Result<Recording, CaptureError> {
    let input = ByteSource::seekable(Box::new(reader), options.hash);
    open_input(
        input.map_err(|e| failed_open(name, e))?,
        name.to_owned(),
        options,
    )
}

/// Opens bytes that come one after the other; `name` is for messages.
///
/// # Errors
///
/// As [`open`].
pub fn open_stream(
    reader: impl Read + Send + Sync + 'static,
    name: &str,
    options: &ReadOptions,
) -> Result<Recording, CaptureError> {
    let input = ByteSource::stream(Box::new(reader), options.hash);
    open_input(
        input.map_err(|e| failed_open(name, e))?,
        name.to_owned(),
        options,
    )
}

fn failed_open(name: &str, source: io::Error) -> CaptureError {
    CaptureError::Open {
        name: title(name),
        source,
    }
}

/// The name in messages.
fn title(name: &str) -> String {
    match name {
        "-" => "standard input".to_owned(),
        name => name.to_owned(),
    }
}

fn open_input(
    input: ByteSource,
    name: String,
    options: &ReadOptions,
) -> Result<Recording, CaptureError> {
    let title = title(&name);
    let head = input.head();
    if head.is_empty() {
        return Err(CaptureError::Empty { name: title });
    }
    let header = match options.raw {
        Some(raw) => {
            let format = Format {
                encoding: raw.encoding,
                big_endian: false,
                valid_bits: 8 * raw.encoding.bytes() as u16,
                channels: raw.channels,
                sample_rate_hz: raw.sample_rate_hz,
            };
            let mut header = Header::plain("raw samples", format, input.length());
            if riff::form(&head).is_some() || head.starts_with(b"fLaC") {
                header.caveats.push(Warning::RawWithHeader.seen(
                    "read as samples without a header, as asked, but it begins like a WAV or FLAC \
                     file; leave --raw away",
                ));
            }
            header
        }
        None => identify::read_header(&input, &title)?,
    };
    let mut caveats = header.caveats;
    check_rate(&title, header.sample_rate_hz, &mut caveats)?;
    let channels = choose_channels(&title, header.channels, options.channels)?;
    if header.frames == Some(0) {
        return Err(CaptureError::Empty { name: title });
    }
    let damaged = |error: symphonia::core::errors::Error| CaptureError::Damaged {
        name: title.clone(),
        what: error.to_string(),
    };
    let (coding, body) = match header.coding {
        Coding::Plain(format) => (
            match header.bits {
                Some(bits) => format!("{bits}-bit integer"),
                None => format!("{}-bit float", 8 * format.encoding.bytes()),
            },
            Decoder::Plain({
                let plain = PcmReader::new(input.clone(), format, channels);
                match options.raw {
                    Some(_) => plain.doubted(),
                    None => plain,
                }
            }),
        ),
        Coding::Flac(info) => (
            format!("{}-bit", header.bits.unwrap_or(0)),
            Decoder::Packets(Packets::flac(input.clone(), info, channels).map_err(damaged)?),
        ),
        Coding::Alac(table) => (
            format!("{}-bit ALAC", table.bits()),
            Decoder::Packets(Packets::alac(input.clone(), table, channels).map_err(damaged)?),
        ),
    };
    Ok(Recording {
        name,
        title,
        container: header.container,
        coding,
        bits: header.bits,
        channels: header.channels,
        sample_rate_hz: header.sample_rate_hz,
        frames: header.frames,
        metadata: header.metadata.into_pairs(),
        caveats,
        input,
        body,
        position: 0,
        ended: false,
    })
}

/// The caveat of a recording that ends before its header says, if it does.
fn truncated(promised: u64, there: u64) -> Option<Caveat> {
    let missing = promised.saturating_sub(there);
    Warning::TruncatedFile.at(missing as f64, || {
        format!(
            "the recording is cut short: its header promises {promised} frames and {there} are \
             there; those were used. Copy or record it again if the rest matters"
        )
    })
}

fn check_rate(name: &str, rate: u32, caveats: &mut Vec<Caveat>) -> Result<(), CaptureError> {
    if !(MIN_SAMPLE_RATE_HZ..=MAX_SAMPLE_RATE_HZ).contains(&rate) {
        return Err(CaptureError::SampleRate {
            name: name.to_owned(),
            rate_hz: u64::from(rate),
        });
    }
    caveats.extend(Warning::LowSampleRate.at(f64::from(rate), || {
        format!(
            "a sample rate of {rate} Hz keeps little of the high frequencies that carry the \
             timing; record at 44100 Hz or more, best at 96000 Hz"
        )
    }));
    caveats.extend(Warning::HighSampleRate.at(f64::from(rate), || {
        format!("a sample rate of {rate} Hz is above the 192000 Hz this program is tested for")
    }));
    Ok(())
}

/// The two channels to read, counted from 0.
fn choose_channels(
    name: &str,
    channels: u16,
    asked: Option<[usize; 2]>,
) -> Result<[usize; 2], CaptureError> {
    let name = || name.to_owned();
    if channels == 1 {
        return Err(CaptureError::OneChannel { name: name() });
    }
    match asked {
        Some([left, right]) => {
            let possible = 1..=usize::from(channels);
            if left == right || !possible.contains(&left) || !possible.contains(&right) {
                return Err(CaptureError::NoSuchChannels {
                    name: name(),
                    asked: [left, right],
                    channels,
                });
            }
            Ok([left - 1, right - 1])
        }
        None if channels == 2 => Ok([0, 1]),
        None => Err(CaptureError::ChooseChannels {
            name: name(),
            channels,
        }),
    }
}

impl Recording {
    /// The name as given, with `/`; `-` for standard input.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Frames per second.
    pub fn sample_rate_hz(&self) -> u32 {
        self.sample_rate_hz
    }

    /// Frames in all, where the header tells, capped by the real size of a
    /// file. A stream may still end earlier (with a caveat).
    pub fn frames(&self) -> Option<u64> {
        self.frames
    }

    /// Channels in the recording, of which two are read.
    pub fn channels(&self) -> u16 {
        self.channels
    }

    /// Valid bits of integer samples; none for floating point.
    pub fn bits(&self) -> Option<u16> {
        self.bits
    }

    /// Container, coding, channels and rate in words, for example
    /// "WAV, 24-bit integer, 2 channels, 96000 Hz".
    pub fn description(&self) -> String {
        format!(
            "{}, {}, {} channels, {} Hz",
            self.container, self.coding, self.channels, self.sample_rate_hz
        )
    }

    /// Text beside the samples as pairs of name and text, in the order of the
    /// file; their size is capped.
    pub fn metadata(&self) -> &[(String, String)] {
        &self.metadata
    }

    /// Warnings about the recording; final after its end.
    pub fn caveats(&self) -> &[Caveat] {
        &self.caveats
    }

    /// Whether it can be opened again from its start: a file can, a stream cannot.
    pub fn can_seek(&self) -> bool {
        self.input.length().is_some()
    }

    /// Frames read or skipped so far.
    pub fn position(&self) -> u64 {
        self.position
    }

    /// Replaces the content of `block` by the next `frames` frames and returns
    /// their number: fewer only before the end, 0 at the end. Waits for a
    /// stream to bring them.
    ///
    /// # Errors
    ///
    /// When the source fails, or ends without any samples.
    pub fn read(&mut self, block: &mut Stereo, frames: usize) -> Result<usize, CaptureError> {
        let want = self.remaining().map_or(frames, |left| {
            usize::try_from(left).unwrap_or(usize::MAX).min(frames)
        });
        block.resize(want);
        let got = match &mut self.body {
            Decoder::Plain(plain) => plain.read(&mut block.left, &mut block.right),
            Decoder::Packets(packets) => packets.read(&mut block.left, &mut block.right),
        };
        let got = got.map_err(|e| self.failed(e))?;
        block.resize(got);
        self.advance(got as u64, got < frames)?;
        Ok(got)
    }

    /// Passes over `frames` frames, by seeking where the samples lie plainly in
    /// a file; returns their number, which is less only before the end.
    ///
    /// # Errors
    ///
    /// When the source fails, or ends without any samples.
    pub fn skip(&mut self, frames: u64) -> Result<u64, CaptureError> {
        let want = self.remaining().map_or(frames, |left| left.min(frames));
        let got = match &mut self.body {
            Decoder::Plain(plain) => plain.skip(want),
            Decoder::Packets(packets) => packets.skip(want),
        };
        let got = got.map_err(|e| self.failed(e))?;
        self.advance(got, got < frames)?;
        Ok(got)
    }

    /// Frames still to come, where that is known.
    fn remaining(&self) -> Option<u64> {
        match self.ended {
            true => Some(0),
            false => self.frames.map(|all| all - self.position.min(all)),
        }
    }

    fn failed(&self, source: io::Error) -> CaptureError {
        CaptureError::Read {
            name: self.title.clone(),
            frames: self.position,
            source,
        }
    }

    /// Counts frames; at the end says what only the end can tell.
    fn advance(&mut self, frames: u64, at_end: bool) -> Result<(), CaptureError> {
        self.position += frames;
        if !at_end || self.ended {
            return Ok(());
        }
        self.ended = true;
        if self.position == 0 {
            return Err(CaptureError::Empty {
                name: self.title.clone(),
            });
        }
        let slack = match &self.body {
            Decoder::Plain(_) => 1,
            Decoder::Packets(packets) => packets.slack(),
        };
        let short = self
            .frames
            .filter(|all| all.saturating_sub(self.position) >= slack);
        self.caveats
            .extend(short.and_then(|all| truncated(all, self.position)));
        match &mut self.body {
            Decoder::Plain(plain) => {
                let count = plain.non_finite;
                if count > 0 && count == plain.unpacked {
                    return Err(CaptureError::NoNumbers {
                        name: self.title.clone(),
                    });
                }
                if let Some(better) = plain.evidence.as_ref().and_then(FormatEvidence::better) {
                    self.caveats.push(Warning::RawMisread.seen(format!(
                        "read as --raw asks, the samples jump at random from one to the \
                         next, read as {better} they do not: the encoding, the number of channels \
                         or the order of bytes is another; correct --raw, or convert the recording \
                         to WAV"
                    )));
                }
                self.caveats
                    .extend(Warning::NonFiniteSamples.at(count as f64, || {
                        format!(
                            "{count} samples are not numbers (NaN or infinite) and were taken as \
                         silence; export the recording again"
                        )
                    }));
                if plain.low_bits {
                    self.caveats.push(Warning::UnusedBitsInUse.seen(format!(
                        "the header states {} valid bits, but lower ones are in use; the level \
                         may be wrong. Export the recording as plain 16, 24 or 32-bit WAV",
                        self.bits.unwrap_or(0)
                    )));
                }
            }
            Decoder::Packets(packets) => {
                let count = packets.damaged;
                let verified = packets.verified();
                self.caveats
                    .extend(Warning::DamagedPackets.at(count as f64, || {
                    format!(
                        "{count} packets of samples are damaged and were taken as silence; copy \
                         or record the file again"
                    )
                }));
                if count == 0 && short.is_none() && !verified {
                    self.caveats.push(Warning::ChecksumDisagrees.seen(
                        "the samples are not those that were encoded: their MD5 disagrees with the \
                         one in the header; copy or record the file again",
                    ));
                }
            }
        }
        Ok(())
    }

    /// The SHA-256 of all bytes of the file (of a stream: to its end), if
    /// [`ReadOptions::hash`] asked for it. Reads what has not been read yet and
    /// ends the recording.
    ///
    /// # Errors
    ///
    /// When the source fails.
    pub fn sha256(&mut self) -> Result<Option<[u8; 32]>, CaptureError> {
        self.ended = true;
        self.input.finish_hash().map_err(|e| self.failed(e))
    }
}
