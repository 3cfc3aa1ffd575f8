//! Why a recording cannot be used: each message names the file, what is wrong
//! and what to do.

use std::io;
use thiserror::Error;

/// Why a recording cannot be opened or read.
///
/// `name` is the file as it was given, or "standard input".
#[derive(Debug, Error)]
pub enum CaptureError {
    /// The operating system refused.
    #[error("{name}: cannot be opened ({source}); check the name and the permissions")]
    Open {
        /// The recording.
        name: String,
        /// What the system said.
        source: io::Error,
    },
    /// A directory was named.
    #[error("{name}: is a directory; name one recording in it")]
    Directory {
        /// The recording.
        name: String,
    },
    /// The bytes could not be read to their end.
    #[error(
        "{name}: reading failed after {frames} frames ({source}); \
         check the disk or the connection, or copy the file and try again"
    )]
    Read {
        /// The recording.
        name: String,
        /// Whole frames read before.
        frames: u64,
        /// What the system said.
        source: io::Error,
    },
    /// Not audio, as far as the first bytes tell.
    #[error(
        "{name}: not a recording: found {found}; \
         give a WAV, FLAC, AIFF, CAF or ALAC file, or use --raw for samples without a header"
    )]
    NotAudio {
        /// The recording.
        name: String,
        /// What was found instead.
        found: String,
    },
    /// A lossy code.
    #[error(
        "{name}: {codec} is a lossy format, and joint-stereo coding destroys the timing between \
         the channels; record again as WAV or FLAC (converting this file does not bring the \
         timing back)"
    )]
    Lossy {
        /// The recording.
        name: String,
        /// The code that was found.
        codec: String,
    },
    /// Audio, but in a form that is not read.
    #[error("{name}: {what}; {remedy}")]
    Unsupported {
        /// The recording.
        name: String,
        /// What was found.
        what: String,
        /// What to do.
        remedy: String,
    },
    /// A header that contradicts itself or ends too early.
    #[error("{name}: damaged file: {what}; copy or export it again")]
    Damaged {
        /// The recording.
        name: String,
        /// What is wrong.
        what: String,
    },
    /// One channel only.
    #[error(
        "{name}: has one channel, but the measurement is the timing between two; record left and right into one stereo file"
    )]
    OneChannel {
        /// The recording.
        name: String,
    },
    /// More than two channels and no choice made.
    #[error(
        "{name}: has {channels} channels; which two are left and right of the cartridge? \
         Give --channels LEFT,RIGHT, counted from 1 (for example --channels {},{channels})",
        channels - 1
    )]
    ChooseChannels {
        /// The recording.
        name: String,
        /// How many there are.
        channels: u16,
    },
    /// A choice of channels that the file does not have.
    #[error(
        "{name}: --channels {},{} cannot be taken from {channels} channels; \
         name two different ones from 1 to {channels}",
        asked[0],
        asked[1]
    )]
    NoSuchChannels {
        /// The recording.
        name: String,
        /// What was asked for, counted from 1.
        asked: [usize; 2],
        /// How many there are.
        channels: u16,
    },
    /// A sample rate that no recording of a record has.
    #[error(
        "{name}: a sample rate of {rate_hz} Hz is outside {min} to {max} Hz; \
         record at 44100 Hz to 192000 Hz",
        min = super::MIN_SAMPLE_RATE_HZ,
        max = super::MAX_SAMPLE_RATE_HZ
    )]
    SampleRate {
        /// The recording.
        name: String,
        /// The rate in the header.
        rate_hz: u64,
    },
    /// A good header with no samples behind it.
    #[error("{name}: holds no samples; was the recording stopped before it began?")]
    Empty {
        /// The recording.
        name: String,
    },
    /// Samples, but none that is a number.
    #[error(
        "{name}: its samples are not numbers (all are NaN or infinite); \
         export the recording again, best as 24-bit integers"
    )]
    NoNumbers {
        /// The recording.
        name: String,
    },
}
