//! The converter and the file: noise, hum, dropouts, clipping, dither, words.

use super::dirt::touch_down;
use super::random::{Purpose, stream};
use super::recipe::{Recipe, Word};
use super::spectral::rise;
use rand::RngExt;
use rand_distr::StandardNormal;
use std::f64::consts::{SQRT_2, TAU};
use std::io::Cursor;

/// Harmonics of the hum, amplitude relative to the fundamental (common
/// practice, no source); the right channel picks up four fifths of the left's.
const HUM: [f64; 5] = [1.0, 0.5, 0.3, 0.1, 0.1];

/// Share of the hum in the left and right channel (common practice).
const HUM_SHARE: [f64; 2] = [1.0, 0.8];

/// What the file holds, and what was lost on the way.
#[derive(Debug, Clone, PartialEq)]
pub struct Stored {
    /// Samples exactly as stored, as fractions of full scale.
    pub channels: [Vec<f64>; 2],
    /// Samples beyond full scale per channel.
    pub clipped: [usize; 2],
    /// Number of dropouts.
    pub dropouts: usize,
}

/// Takes the converter's input (at least as long as the file) to stored words.
pub fn store(mut channels: [Vec<f64>; 2], recipe: &Recipe) -> Stored {
    let rate = f64::from(recipe.capture.sample_rate_hz);
    let frames = (recipe.length_s() * rate).round() as usize;
    let chain = &recipe.chain;

    let mut random = stream(recipe.seed, Purpose::Dropouts, 0);
    let dropouts: Vec<[usize; 2]> = (0..(chain.dropouts_per_s * recipe.length_s()).round()
        as usize)
        .map(|_| {
            let begin = random.random::<f64>() * recipe.length_s();
            let length = 0.002 + 0.018 * random.random::<f64>();
            [begin, begin + length].map(|t| (t * rate) as usize)
        })
        .collect();

    let touch = touch_down(recipe);
    let noise = chain.noise_dbfs.map(|db| 10f64.powf(db / 20.0));
    let hum = chain.hum_dbfs.map(|db| SQRT_2 * 10f64.powf(db / 20.0));
    let spoil = |channel: usize, samples: &mut Vec<f64>| {
        samples.truncate(frames);
        if touch > 0.0 {
            // No groove before the needle is down (a ramp of 2 ms).
            let down = ((touch + 0.002) * rate) as usize;
            for (i, sample) in samples.iter_mut().enumerate().take(down) {
                *sample *= rise((i as f64 / rate - touch) / 0.002)[0];
            }
        }
        if let Some(level) = hum {
            let level = level * HUM_SHARE[channel];
            for (i, sample) in samples.iter_mut().enumerate() {
                let phase = TAU * chain.hum_hz * i as f64 / rate;
                *sample += level
                    * (1..)
                        .zip(HUM)
                        .map(|(n, a)| a * (phase * f64::from(n)).sin())
                        .sum::<f64>();
            }
        }
        if let Some(level) = noise {
            let mut random = stream(recipe.seed, Purpose::Converter, channel);
            for sample in samples.iter_mut() {
                *sample += level * random.sample::<f64, _>(StandardNormal);
            }
        }
        for &[begin, end] in &dropouts {
            let end = end.min(samples.len());
            samples[begin.min(end)..end].fill(0.0);
        }
        quantise(samples, recipe, channel)
    };
    let [left, right] = &mut channels;
    let clipped = rayon::join(|| spoil(0, left), || spoil(1, right));
    Stored {
        channels,
        clipped: clipped.into(),
        dropouts: dropouts.len(),
    }
}

/// Bits of an integer word.
fn bits(word: Word) -> Option<u16> {
    match word {
        Word::Int16 => Some(16),
        Word::Int24 => Some(24),
        Word::Int32 => Some(32),
        Word::Float32 => None,
    }
}

/// Rounds to the word, clipping at full scale; returns the samples clipped.
fn quantise(samples: &mut [f64], recipe: &Recipe, channel: usize) -> usize {
    let mut clipped = 0;
    match bits(recipe.capture.word) {
        None => {
            for sample in samples.iter_mut() {
                clipped += usize::from(sample.abs() > 1.0);
                *sample = f64::from(sample.clamp(-1.0, 1.0) as f32);
            }
        }
        Some(bits) => {
            let full = f64::from(bits - 1).exp2();
            let mut random = stream(recipe.seed, Purpose::Dither, channel);
            for sample in samples.iter_mut() {
                let dither = if recipe.capture.dither {
                    random.random::<f64>() - random.random::<f64>()
                } else {
                    0.0
                };
                let word = (*sample * full + dither).round();
                let kept = word.clamp(-full, full - 1.0);
                clipped += usize::from(kept != word);
                *sample = kept / full;
            }
        }
    }
    clipped
}

/// The whole WAV file.
pub fn wav(channels: &[Vec<f64>; 2], recipe: &Recipe) -> Vec<u8> {
    let word = recipe.capture.word;
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: recipe.capture.sample_rate_hz,
        bits_per_sample: bits(word).unwrap_or(32),
        sample_format: if word == Word::Float32 {
            hound::SampleFormat::Float
        } else {
            hound::SampleFormat::Int
        },
    };
    let mut bytes = Vec::new();
    let full = bits(word).map_or(1.0, |bits| f64::from(bits - 1).exp2());
    let write = |bytes: &mut Vec<u8>| -> Result<(), hound::Error> {
        let mut writer = hound::WavWriter::new(Cursor::new(bytes), spec)?;
        for (&left, &right) in channels[0].iter().zip(&channels[1]) {
            for sample in [left, right] {
                match word {
                    Word::Float32 => writer.write_sample(sample as f32)?,
                    _ => writer.write_sample((sample * full) as i32)?,
                }
            }
        }
        writer.finalize()
    };
    // Memory does not fail, and the longest capture (240 s, 192 kHz, 8 bytes a
    // frame) stays below the format's 4 GiB.
    write(&mut bytes).expect("a WAV in memory");
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    fn recipe(extra: &str) -> Recipe {
        Recipe::parse(&format!(
            "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 1\n[capture]\n\
             radius_mm = 72\nrpm = 33\nsample_rate_hz = 48000\n{extra}"
        ))
        .unwrap()
    }

    #[test]
    fn words_round_clip_and_read_back() {
        for (word, bits) in [("int16", 16), ("int24", 24), ("int32", 32)] {
            let r = recipe(&format!("word = \"{word}\"\ndither = false\n"));
            let mut input = vec![0.0; 48_000];
            input[..5].copy_from_slice(&[0.25, -1.5, 1.5, 0.3, -1.0]);
            let stored = store([input, vec![0.0; 48_000]], &r);
            let full = f64::from(bits - 1).exp2();
            assert_eq!(stored.clipped, [2, 0]);
            assert_eq!(stored.channels[0][1..3], [-1.0, 1.0 - 1.0 / full]);
            assert!((stored.channels[0][3] - 0.3).abs() <= 0.5 / full);
            let bytes = wav(&stored.channels, &r);
            let back: Vec<i32> = hound::WavReader::new(Cursor::new(&bytes))
                .unwrap()
                .samples()
                .map(Result::unwrap)
                .collect();
            assert_eq!(back.len(), 96_000);
            for (i, frame) in back.chunks(2).enumerate() {
                assert_eq!(f64::from(frame[0]), stored.channels[0][i] * full);
            }
        }
    }

    #[test]
    fn dither_makes_the_error_triangular() {
        let r = recipe("word = \"int16\"\n");
        let stored = store([vec![0.3e-5; 48_000], vec![0.0; 48_000]], &r);
        let lsb = 1.0 / 32768.0;
        let n = 48_000.0;
        let mean = stored.channels[0].iter().sum::<f64>() / n;
        // Error of a dithered quantiser: mean 0, variance 1/4 step squared.
        assert!((mean - 0.3e-5).abs() < 4.0 * 0.5 * lsb / f64::sqrt(n));
        let square = stored.channels[1].iter().map(|v| v * v).sum::<f64>() / n;
        assert!((square / (lsb * lsb) - 0.25).abs() < 4.0 * 0.25 / f64::sqrt(n) * 1.5);
    }

    #[test]
    fn hum_and_dropouts_are_as_asked() {
        let r = recipe("word = \"float32\"\n[chain]\nhum_dbfs = -40\ndropouts_per_s = 3\n");
        let stored = store([vec![0.0; 48_000], vec![0.0; 48_000]], &r);
        assert_eq!(stored.dropouts, 3);
        let rms = |v: &[f64]| (v.iter().map(|x| x * x).sum::<f64>() / v.len() as f64).sqrt();
        let all: f64 = HUM.iter().map(|a| a * a).sum::<f64>().sqrt();
        // Dropouts take away up to 6 %.
        assert!((rms(&stored.channels[0]) / (0.01 * all) - 1.0).abs() < 0.07);
    }
}
