//! Samples without a header, described by the user.

use super::pcm::Encoding;
use std::str::FromStr;
use thiserror::Error;

/// Samples without a header: interleaved, little-endian.
///
/// Written `ENCODING,RATE,CHANNELS`, for example `s24le,96000,2`. The encodings
/// are `u8`, `s16le`, `s24le` (three bytes), `s32le`, `f32le` and `f64le`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RawFormat {
    /// How one sample is stored.
    pub encoding: Encoding,
    /// Frames per second.
    pub sample_rate_hz: u32,
    /// Samples per frame, at least 1.
    pub channels: u16,
}

/// Why a description of raw samples was not understood.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error(
    "'{0}' does not describe raw samples: {1}; write ENCODING,RATE,CHANNELS such as \
     s24le,96000,2 with the encoding u8, s16le, s24le, s32le, f32le or f64le"
)]
pub struct RawFormatError(String, &'static str);

impl FromStr for RawFormat {
    type Err = RawFormatError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let refuse = |why| RawFormatError(text.to_owned(), why);
        let parts: Vec<&str> = text.split(',').map(str::trim).collect();
        let [encoding, rate, channels] = parts[..] else {
            return Err(refuse("three parts with commas between are expected"));
        };
        let encoding = match encoding {
            "u8" => Encoding::Unsigned8,
            "s16le" => Encoding::Signed16,
            "s24le" => Encoding::Signed24,
            "s32le" => Encoding::Signed32,
            "f32le" => Encoding::Float32,
            "f64le" => Encoding::Float64,
            _ => return Err(refuse("the encoding is not known")),
        };
        let sample_rate_hz = rate
            .parse()
            .map_err(|_| refuse("the sample rate is no whole number of hertz"))?;
        let channels = channels
            .parse()
            .ok()
            .filter(|c| (1..=super::plain::MAX_CHANNELS).contains(c))
            .ok_or_else(|| refuse("the number of channels is not between 1 and 1024"))?;
        Ok(Self {
            encoding,
            sample_rate_hz,
            channels,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn descriptions_are_read_and_refused() {
        assert_eq!(
            "s24le,96000,2".parse(),
            Ok(RawFormat {
                encoding: Encoding::Signed24,
                sample_rate_hz: 96000,
                channels: 2
            })
        );
        assert!("f32le, 44100 ,8".parse::<RawFormat>().is_ok());
        for wrong in [
            "",
            "s24le",
            "s24le,96000",
            "s24,96000,2",
            "s24le,96k,2",
            "s24le,96000,0",
            "s24le,96000,2,1",
            "u8,-1,2",
        ] {
            let message = wrong.parse::<RawFormat>().unwrap_err().to_string();
            assert!(message.contains("s24le,96000,2"), "{message}");
        }
    }
}
