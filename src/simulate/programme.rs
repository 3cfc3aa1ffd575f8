//! What was recorded, as a spectrum over the canvas of the cut.

use super::random::{Purpose, stream};
use super::recipe::{HIGHEST_HZ, Kind, Programme, RecipeError};
use super::spectral::{Canvas, analyse, rise};
use rand::RngExt;
use rand_distr::StandardNormal;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::path::Path;

/// Rate at which programmes given as functions of time are sampled.
const RATE_HZ: u32 = 48_000;

/// Silence kept on both sides of the programme on its canvas, in seconds:
/// room for fades and for reading beyond the ends.
pub const GUARD_S: f64 = 0.25;

/// Bins above this frequency are empty.
pub const CEILING_HZ: f64 = 23_500.0;

/// Spectrum of the programme on the cut's canvas, up to [`CEILING_HZ`], of
/// arbitrary level. The programme lasts `cut_s` seconds at the cut and starts
/// [`GUARD_S`] into the canvas. `folder` is where a WAV's path starts.
pub fn spectrum(
    programme: &Programme,
    seed: u64,
    cut_s: f64,
    canvas: Canvas,
    folder: &Path,
) -> Result<Vec<Complex64>, RecipeError> {
    let bins = canvas.bin(CEILING_HZ);
    let mut spectrum = match programme.kind {
        Kind::Silence => vec![Complex64::ZERO; bins],
        Kind::Pink => pink(seed, canvas, bins),
        Kind::Wav => wav(programme, canvas, folder)?,
        Kind::Sweep => sampled(canvas, sweep(programme, cut_s)),
        Kind::Tone | Kind::Multitone => sampled(canvas, tones(programme, seed)),
        Kind::Music => one(music(programme, seed, cut_s, canvas)),
    };
    spectrum.resize(bins, Complex64::ZERO);
    for (bin, value) in spectrum.iter_mut().enumerate() {
        *value *= band(programme, canvas.hertz(bin));
    }
    Ok(spectrum)
}

fn one(samples: Vec<f64>) -> Vec<Complex64> {
    let [spectrum] = analyse([samples]);
    spectrum
}

/// The programme's band: 1 from `low_hz` to `high_hz`, raised-cosine edges a
/// third of an octave wide in log frequency.
fn band(programme: &Programme, hertz: f64) -> f64 {
    if hertz <= 0.0 {
        return 0.0;
    }
    let below = 1.0 + 3.0 * (hertz / programme.low_hz).log2();
    let above_end = (programme.high_hz * 2f64.cbrt()).min(CEILING_HZ);
    let above = (above_end / hertz).ln() / (above_end / programme.high_hz).ln();
    rise(below)[0] * rise(above)[0]
}

fn pink(seed: u64, canvas: Canvas, bins: usize) -> Vec<Complex64> {
    let mut random = stream(seed, Purpose::Programme, 0);
    (0..bins)
        .map(|bin| {
            let re: f64 = random.sample(StandardNormal);
            let im: f64 = random.sample(StandardNormal);
            Complex64::new(re, im) / canvas.hertz(bin.max(1)).sqrt()
        })
        .collect()
}

/// Samples a function of the time since the programme's start, faded over the
/// outer part of the guards so that the canvas closes on itself.
fn sampled(canvas: Canvas, signal: impl Fn(f64) -> f64) -> Vec<Complex64> {
    let frames = canvas.frames(RATE_HZ);
    let fade = 0.5 * GUARD_S * f64::from(RATE_HZ);
    let samples: Vec<f64> = (0..frames)
        .map(|frame| {
            let edge = frame.min(frames - 1 - frame) as f64;
            rise(edge / fade)[0] * signal(frame as f64 / f64::from(RATE_HZ) - GUARD_S)
        })
        .collect();
    one(samples)
}

/// One logarithmic sweep; its end frequencies are held beyond its ends.
fn sweep(programme: &Programme, cut_s: f64) -> impl Fn(f64) -> f64 {
    let (low, high) = (programme.low_hz, programme.high_hz);
    let growth = (high / low).ln() / cut_s;
    move |t| {
        let inside = t.clamp(0.0, cut_s);
        let turns = low * ((growth * inside).exp() - 1.0) / growth
            + low * t.min(0.0)
            + high * (t - cut_s).max(0.0);
        (TAU * turns).sin()
    }
}

fn tones(programme: &Programme, seed: u64) -> impl Fn(f64) -> f64 {
    let mut random = stream(seed, Purpose::Programme, 0);
    let tones: Vec<(f64, f64)> = programme
        .frequencies_hz
        .iter()
        .map(|&hz| (TAU * hz, TAU * random.random::<f64>()))
        .collect();
    move |t| tones.iter().map(|(w, phase)| (w * t + phase).sin()).sum()
}

/// Invented music: notes of a pentatonic scale with harmonics that decay the
/// faster the higher they are, a 3 ms attack, and a burst of noise at the
/// onset. All figures are a composer's choice, no source.
fn music(programme: &Programme, seed: u64, cut_s: f64, canvas: Canvas) -> Vec<f64> {
    const SCALE: [i32; 5] = [0, 3, 5, 7, 10];
    const ATTACK_S: f64 = 0.003;
    const BURST_S: f64 = 0.006;
    const NOTE_S: f64 = 1.2;
    let rate = f64::from(RATE_HZ);
    let mut random = stream(seed, Purpose::Programme, 0);
    let mut samples = vec![0.0; canvas.frames(RATE_HZ)];
    let notes = (programme.notes_per_s.unwrap_or(6.0) * cut_s).ceil() as usize;
    for note in 0..notes {
        // Spread evenly with jitter, so that no stretch stays empty.
        let onset_s = GUARD_S + (note as f64 + random.random::<f64>()) * cut_s / notes as f64;
        let step = SCALE[random.random_range(0..SCALE.len())] + 12 * random.random_range(0..4);
        let fundamental = 110.0 * (f64::from(step) / 12.0).exp2();
        let loudness = 0.4 + 0.6 * random.random::<f64>();
        let begin = (onset_s * rate) as usize;
        let room = samples.len().saturating_sub(begin);
        let attack = |i: usize| rise(i as f64 / rate / ATTACK_S)[0];
        let harmonics = ((programme.high_hz / fundamental) as usize).min(40);
        for harmonic in 1..=harmonics {
            let hz = fundamental * harmonic as f64;
            let decay_s = 0.5 / (1.0 + hz / 1500.0);
            let length = ((6.0 * decay_s).min(NOTE_S) * rate) as usize;
            let level = loudness * (harmonic as f64).powf(-1.1) * (0.5 + random.random::<f64>());
            let turn = Complex64::from_polar((-1.0 / (decay_s * rate)).exp(), TAU * hz / rate);
            let mut state = Complex64::from_polar(level, TAU * random.random::<f64>());
            for (i, sample) in samples[begin..][..length.min(room)].iter_mut().enumerate() {
                *sample += attack(i) * state.re;
                state *= turn;
            }
        }
        let length = (6.0 * BURST_S * rate) as usize;
        for (i, sample) in samples[begin..][..length.min(room)].iter_mut().enumerate() {
            let noise: f64 = random.sample(StandardNormal);
            *sample += 0.3 * loudness * noise * (-(i as f64) / (BURST_S * rate)).exp();
        }
    }
    samples
}

/// A WAV file's mean over channels, from its start, at its own rate.
fn wav(
    programme: &Programme,
    canvas: Canvas,
    folder: &Path,
) -> Result<Vec<Complex64>, RecipeError> {
    let path = folder.join(programme.file.as_deref().unwrap_or(Path::new("")));
    let fail = |what: String| RecipeError::Programme {
        file: path.display().to_string(),
        what,
    };
    let mut reader = hound::WavReader::open(&path)
        .map_err(|error| fail(format!("{error}; give an integer or 32-bit float WAV file")))?;
    let spec = reader.spec();
    if !spec.sample_rate.is_multiple_of(10) || f64::from(spec.sample_rate) < 8_000.0 {
        return Err(fail(format!(
            "its sample rate {} Hz must be a multiple of 10 and at least 8000; resample it",
            spec.sample_rate
        )));
    }
    let channels = usize::from(spec.channels).max(1);
    let begin = (GUARD_S * f64::from(spec.sample_rate)).round() as usize;
    let mut samples = vec![0.0; canvas.frames(spec.sample_rate)];
    let room = samples.len().saturating_sub(begin) * channels;
    let mut place = |index: usize, value: f64| samples[begin + index / channels] += value;
    let outcome = match spec.sample_format {
        hound::SampleFormat::Float => reader
            .samples::<f32>()
            .take(room)
            .enumerate()
            .try_for_each(|(index, sample)| sample.map(|value| place(index, f64::from(value)))),
        hound::SampleFormat::Int => reader
            .samples::<i32>()
            .take(room)
            .enumerate()
            .try_for_each(|(index, sample)| sample.map(|value| place(index, f64::from(value)))),
    };
    outcome.map_err(|error| fail(format!("{error}; the file is damaged")))?;
    if samples.iter().any(|value| !value.is_finite()) {
        return Err(fail("holds samples that are not numbers".into()));
    }
    if samples.iter().all(|&value| value == 0.0) {
        return Err(fail("is silent; use kind = \"silence\" for that".into()));
    }
    Ok(one(samples))
}

// The ceiling leaves the raised-cosine edge of the highest programme room.
const _: () = assert!(HIGHEST_HZ < CEILING_HZ && CEILING_HZ < RATE_HZ as f64 / 2.0);

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::spectral::synthesise;

    fn programme(text: &str) -> Programme {
        toml::from_str(text).unwrap()
    }

    #[test]
    fn pink_noise_falls_as_one_over_f() {
        let canvas = Canvas::covering(10.0);
        let p = programme("kind = \"pink\"\nduration_s = 9.5");
        let s = spectrum(&p, 5, 9.5, canvas, Path::new("")).unwrap();
        // Power per octave is equal; an octave of n bins has a relative
        // standard deviation 1 / sqrt(n): four of them are the tolerance.
        let octave = |from: f64| -> f64 {
            s[canvas.bin(from)..canvas.bin(2.0 * from)]
                .iter()
                .map(|z| z.norm_sqr())
                .sum()
        };
        let reference = octave(6000.0);
        for from in [100.0f64, 500.0, 2000.0] {
            let tolerance = 4.0 / (from * 10.0).sqrt();
            assert!((octave(from) / reference - 1.0).abs() < tolerance, "{from}");
        }
        assert_eq!(s[canvas.bin(20_500.0)], Complex64::ZERO);
    }

    #[test]
    fn a_tone_is_pure_and_a_sweep_ends_where_it_should() {
        let canvas = Canvas::covering(2.5);
        let p = programme("kind = \"tone\"\nduration_s = 2\nfrequencies_hz = [1000]");
        let s = spectrum(&p, 5, 2.0, canvas, Path::new("")).unwrap();
        let loudest = (0..s.len()).max_by(|&a, &b| s[a].norm().total_cmp(&s[b].norm()));
        assert_eq!(loudest, Some(canvas.bin(1000.0)));

        let p = programme("kind = \"sweep\"\nduration_s = 2\nlow_hz = 100\nhigh_hz = 10000");
        let s = spectrum(&p, 5, 2.0, canvas, Path::new("")).unwrap();
        let [samples] = synthesise([s], canvas.frames(48_000));
        let crossings = |from_s: f64, to_s: f64| {
            let part =
                &samples[((GUARD_S + from_s) * 48e3) as usize..((GUARD_S + to_s) * 48e3) as usize];
            part.windows(2)
                .filter(|w| w[0] < 0.0 && w[1] >= 0.0)
                .count() as f64
                / (to_s - from_s)
        };
        // Mean frequency over a stretch of a logarithmic sweep, to one turn.
        let mean = |a: f64, b: f64| {
            let k = 100f64.ln() / 2.0;
            100.0 * ((k * b).exp() - (k * a).exp()) / k / (b - a)
        };
        for (a, b) in [(0.1, 0.3), (0.9, 1.1), (1.8, 1.98)] {
            assert!((crossings(a, b) - mean(a, b)).abs() <= 1.01 / (b - a));
        }
    }

    #[test]
    fn music_is_seeded_and_has_no_empty_stretch() {
        let canvas = Canvas::covering(4.5);
        let p = programme("kind = \"music\"\nduration_s = 4");
        let a = music(&p, 1, 4.0, canvas);
        assert_eq!(a, music(&p, 1, 4.0, canvas));
        assert_ne!(a, music(&p, 2, 4.0, canvas));
        let start = (GUARD_S * 48e3) as usize + 24_000;
        for part in a[start..start + 3 * 48_000].chunks(24_000) {
            assert!(part.iter().any(|v| v.abs() > 0.1));
        }
    }
}
