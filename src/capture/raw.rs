//! Samples without a header, described by the user.

use super::pcm::{Encoding, swap_bytes};
use super::plain::Format;
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
            return Err(refuse("it needs three parts separated by commas"));
        };
        let encoding = match encoding {
            "u8" => Encoding::Unsigned8,
            "s16le" => Encoding::Signed16,
            "s24le" => Encoding::Signed24,
            "s32le" => Encoding::Signed32,
            "f32le" => Encoding::Float32,
            "f64le" => Encoding::Float64,
            _ => return Err(refuse("the encoding is unknown")),
        };
        let sample_rate_hz = rate
            .parse()
            .map_err(|_| refuse("the sample rate is not a whole number of hertz"))?;
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

/// Bytes of samples without a header that are looked at: several seconds, so that a quiet
/// lead-in is not all. Common practice, no source.
const LOOKED_AT: usize = 4 << 20;
/// Fewer samples of a channel than this tell nothing: the limits below are then five
/// standard deviations of chance away.
const ENOUGH: usize = 1000;
/// The mean square of the steps from one random value to the next is twice their variance,
/// give or take `2 / sqrt(n)` of it (J. von Neumann, Ann. Math. Stat. 12, 1941, from
/// memory); bytes in the wrong place are random. 1.5 to 2.5 is more than five standard
/// deviations either side; of sounds, all but treble about a quarter of the sample rate
/// step less or more.
const RANDOM: std::ops::RangeInclusive<f64> = 1.5..=2.5;
/// A reading that steps this much less is the better one. Where the reading asked for is
/// right and by itself random (white noise), all others are at best as random, and would be
/// 2.5 times less with odds of one in a million.
const BETTER: f64 = 4.0;
/// Magnitudes that samples in floating point have: of 32 random bits 45 of 256 do, so that
/// all of a thousand never will; and whole numbers that cross zero do not there.
const FLOATS: std::ops::RangeInclusive<f64> = 1e-12..=16.0;

/// The first bytes of samples whose form somebody has told.
pub(super) struct FormatEvidence {
    told: Format,
    bytes: Vec<u8>,
}

impl FormatEvidence {
    pub(super) fn new(told: Format) -> Self {
        Self {
            told,
            bytes: Vec::new(),
        }
    }

    pub(super) fn add(&mut self, bytes: &[u8]) {
        let room = LOOKED_AT - self.bytes.len();
        self.bytes
            .extend_from_slice(&bytes[..bytes.len().min(room)]);
    }

    /// A reading of the same bytes that fits them far better than the one told, in words.
    pub(super) fn better(&self) -> Option<String> {
        let words = |(encoding, big_endian): (Encoding, bool)| {
            let kind = match encoding {
                Encoding::Float32 | Encoding::Float64 => "floating-point",
                _ => "integer",
            };
            let order = match (encoding.bytes(), big_endian) {
                (1, _) => "",
                (_, true) => ", big-endian",
                (_, false) => ", little-endian",
            };
            format!("{}-bit {kind}{order}", 8 * encoding.bytes())
        };
        let told = (self.told.encoding, self.told.big_endian);
        if told.0 == Encoding::Signed32 && self.are_floats() {
            return Some(words((Encoding::Float32, told.1)));
        }
        let roughness = self.roughness(told)?;
        // eight bits are passed over: those of 16 quiet ones are no longer random
        let readings = [
            Encoding::Signed16,
            Encoding::Signed24,
            Encoding::Signed32,
            Encoding::Float32,
            Encoding::Float64,
        ]
        .into_iter()
        .flat_map(|encoding| [(encoding, false), (encoding, true)]);
        let fits = |(reading, found): &((Encoding, bool), f64)| match reading.0.bytes() {
            // of a narrower reading one channel would be lower bytes, which are random
            narrower if narrower < told.0.bytes() => *found < *RANDOM.start(),
            _ => RANDOM.contains(&roughness) && BETTER * found < roughness,
        };
        readings
            .filter_map(|reading| Some((reading, self.roughness(reading)?)))
            .filter(fits)
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(reading, _)| words(reading))
    }

    /// Samples of a channel of frames in another reading.
    fn samples(&self, (encoding, big_endian): (Encoding, bool), channel: usize) -> Vec<f64> {
        let width = encoding.bytes();
        let frame = width * usize::from(self.told.channels);
        let samples = self.bytes.chunks_exact(frame).map(|frame| {
            let mut bytes = [0; 8];
            let bytes = &mut bytes[..width];
            bytes.copy_from_slice(&frame[channel * width..(channel + 1) * width]);
            if big_endian {
                swap_bytes(bytes, width);
            }
            encoding.value(bytes)
        });
        samples.collect()
    }

    /// Mean square of the steps over the variance, of the rougher of the first two
    /// channels; none where there is nothing to tell it by.
    fn roughness(&self, reading: (Encoding, bool)) -> Option<f64> {
        let of = |channel| {
            let samples = self.samples(reading, channel);
            let count = samples.len() as f64;
            let mean = samples.iter().sum::<f64>() / count;
            let variance = samples.iter().map(|v| (v - mean).powi(2)).sum::<f64>();
            let steps = samples.windows(2).map(|w| (w[1] - w[0]).powi(2));
            let ratio = steps.sum::<f64>() / variance;
            // numbers beyond all bounds step from one to the next like chance
            let ratio = if variance.is_finite() { ratio } else { 2.0 };
            (samples.len() >= ENOUGH && variance > 0.0).then_some(ratio)
        };
        Some(f64::max(of(0)?, of(1)?))
    }

    fn are_floats(&self) -> bool {
        let reading = (Encoding::Float32, self.told.big_endian);
        let samples = self.samples(reading, 0);
        let sounding = || samples.iter().filter(|v| **v != 0.0);
        sounding().count() >= ENOUGH && sounding().all(|v| FLOATS.contains(&v.abs()))
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
