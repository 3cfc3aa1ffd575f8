//! The converter and the file: noise, hum, dropouts, clipping, dither, words.

use super::disturbances::touch_down;
use super::random::{Purpose, stream};
use super::recipe::{Recipe, SampleFormat};
use super::spectral::rise;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use std::f64::consts::{SQRT_2, TAU};
use std::io::{self, Seek, Write};

/// Harmonics of the hum, amplitude relative to the fundamental (common
/// practice, no source); the right channel picks up four fifths of the left's.
const HUM: [f64; 5] = [1.0, 0.5, 0.3, 0.1, 0.1];

/// Share of the hum in the left and right channel (common practice).
const HUM_SHARE: [f64; 2] = [1.0, 0.8];

/// The converter and what impairs its output, sample by sample.
#[derive(Debug)]
pub struct Store<'a> {
    recipe: &'a Recipe,
    rate: f64,
    touch: f64,
    dropouts: Vec<[usize; 2]>,
    /// Noise and dither of each channel.
    random: [[ChaCha8Rng; 2]; 2],
    /// Samples so far.
    done: usize,
    clipped: [usize; 2],
}

impl<'a> Store<'a> {
    /// Before the first sample.
    pub fn new(recipe: &'a Recipe) -> Self {
        let rate = f64::from(recipe.capture.sample_rate_hz);
        let mut random = stream(recipe.seed, Purpose::Dropouts, 0);
        let dropouts = recipe.chain.dropouts_per_s * recipe.length_s();
        let dropouts = (0..dropouts.round() as usize)
            .map(|_| {
                let begin = random.random::<f64>() * recipe.length_s();
                let length = 0.002 + 0.018 * random.random::<f64>();
                [begin, begin + length].map(|t| (t * rate) as usize)
            })
            .collect();
        let random = [0, 1].map(|channel| {
            [Purpose::Converter, Purpose::Dither]
                .map(|purpose| stream(recipe.seed, purpose, channel))
        });
        Self {
            recipe,
            rate,
            touch: touch_down(recipe),
            dropouts,
            random,
            done: 0,
            clipped: [0; 2],
        }
    }

    /// Frames of the file.
    pub fn frames(&self) -> usize {
        (self.recipe.length_s() * self.rate).round() as usize
    }

    /// Number of dropouts.
    pub fn dropouts(&self) -> usize {
        self.dropouts.len()
    }

    /// Samples beyond full scale per channel so far.
    pub fn clipped(&self) -> [usize; 2] {
        self.clipped
    }

    /// Takes the next samples of the converter's input to stored words, as fractions of full
    /// scale.
    pub fn next(&mut self, channels: [&mut [f64]; 2]) {
        let first = self.done;
        self.done += channels[0].len();
        let (rate, touch) = (self.rate, self.touch);
        let (recipe, dropouts) = (self.recipe, &self.dropouts);
        let impair = |channel: usize, samples: &mut [f64], random: &mut [ChaCha8Rng; 2]| {
            let chain = &recipe.chain;
            if touch > 0.0 {
                // No groove before the needle is down (a ramp of 2 ms).
                let down = ((touch + 0.002) * rate) as usize;
                let high = down.saturating_sub(first);
                for (i, sample) in (first..).zip(samples.iter_mut().take(high)) {
                    *sample *= rise((i as f64 / rate - touch) / 0.002)[0];
                }
            }
            if let Some(db) = chain.hum_dbfs {
                let level = SQRT_2 * 10f64.powf(db / 20.0) * HUM_SHARE[channel];
                for (i, sample) in (first..).zip(samples.iter_mut()) {
                    let phase = TAU * chain.hum_hz * i as f64 / rate;
                    *sample += level
                        * (1..)
                            .zip(HUM)
                            .map(|(n, a)| a * (phase * f64::from(n)).sin())
                            .sum::<f64>();
                }
            }
            if let Some(db) = chain.noise_dbfs {
                let level = 10f64.powf(db / 20.0);
                for sample in samples.iter_mut() {
                    *sample += level * random[0].sample::<f64, _>(StandardNormal);
                }
            }
            for lost in dropouts {
                let [begin, end] = lost.map(|i| i.saturating_sub(first).min(samples.len()));
                samples[begin..end].fill(0.0);
            }
            quantise(samples, recipe, &mut random[1])
        };
        let [left, right] = channels;
        let [ours, theirs] = &mut self.random;
        let (l, r) = rayon::join(|| impair(0, left, ours), || impair(1, right, theirs));
        self.clipped = [self.clipped[0] + l, self.clipped[1] + r];
    }
}

/// Bits of an integer word.
fn bits(word: SampleFormat) -> Option<u16> {
    match word {
        SampleFormat::Int16 => Some(16),
        SampleFormat::Int24 => Some(24),
        SampleFormat::Int32 => Some(32),
        SampleFormat::Float32 => None,
    }
}

/// Rounds to the word, clipping at full scale; returns the samples clipped.
fn quantise(samples: &mut [f64], recipe: &Recipe, random: &mut ChaCha8Rng) -> usize {
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

/// Writes words, as [`Store`] gives them, to a WAV file.
pub struct Wav<W: Write + Seek> {
    writer: hound::WavWriter<W>,
    word: SampleFormat,
}

impl<W: Write + Seek> Wav<W> {
    /// Before the first word. The longest capture ([`super::recipe::LONGEST_S`], 192 kHz,
    /// 8 bytes a frame) stays below the format's 4 GiB.
    pub fn new(out: W, recipe: &Recipe) -> io::Result<Self> {
        let word = recipe.capture.word;
        let spec = hound::WavSpec {
            channels: 2,
            sample_rate: recipe.capture.sample_rate_hz,
            bits_per_sample: bits(word).unwrap_or(32),
            sample_format: if word == SampleFormat::Float32 {
                hound::SampleFormat::Float
            } else {
                hound::SampleFormat::Int
            },
        };
        let writer = hound::WavWriter::new(out, spec).map_err(plain)?;
        Ok(Self { writer, word })
    }

    /// Adds frames.
    pub fn write(&mut self, [left, right]: [&[f64]; 2]) -> io::Result<()> {
        let full = bits(self.word).map_or(1.0, |bits| f64::from(bits - 1).exp2());
        for (&left, &right) in left.iter().zip(right) {
            for sample in [left, right] {
                match self.word {
                    SampleFormat::Float32 => self.writer.write_sample(sample as f32),
                    _ => self.writer.write_sample((sample * full) as i32),
                }
                .map_err(plain)?;
            }
        }
        Ok(())
    }

    /// Completes the header.
    pub fn finish(self) -> io::Result<()> {
        self.writer.finalize().map_err(plain)
    }
}

/// The words fit by construction, so what goes wrong is the writing.
fn plain(error: hound::Error) -> io::Error {
    match error {
        hound::Error::IoError(error) => error,
        other => io::Error::other(other),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn recipe(extra: &str) -> Recipe {
        Recipe::parse(&format!(
            "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 1\n[capture]\n\
             radius_mm = 72\nrpm = 33\nsample_rate_hz = 48000\n{extra}"
        ))
        .unwrap()
    }

    /// What was stored, in stretches of any length.
    struct Stored {
        channels: [Vec<f64>; 2],
        clipped: [usize; 2],
        dropouts: usize,
    }

    fn store(mut channels: [Vec<f64>; 2], recipe: &Recipe) -> Stored {
        let mut store = Store::new(recipe);
        assert_eq!(store.frames(), channels[0].len());
        let [left, right] = &mut channels;
        for (left, right) in left.chunks_mut(777).zip(right.chunks_mut(777)) {
            store.next([left, right]);
        }
        Stored {
            clipped: store.clipped(),
            dropouts: store.dropouts(),
            channels,
        }
    }

    fn wav(channels: &[Vec<f64>; 2], recipe: &Recipe) -> Vec<u8> {
        let mut bytes = Vec::new();
        let mut wav = Wav::new(Cursor::new(&mut bytes), recipe).unwrap();
        for (left, right) in channels[0].chunks(777).zip(channels[1].chunks(777)) {
            wav.write([left, right]).unwrap();
        }
        wav.finish().unwrap();
        bytes
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
