//! What was recorded, as a spectrum over the canvas of the cut.

use super::WorkFolders;
use super::plane::{Plane, PlaneBins};
use super::random::{Purpose, stream};
use super::recipe::{HIGHEST_HZ, Programme, ProgrammeKind, RecipeError};
use super::spectral::{SpectralGrid, rise};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use rayon::prelude::*;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::io;
use std::path::Path;

/// Rate at which programmes given as functions of time are sampled.
const RATE_HZ: u32 = 48_000;

/// Silence kept on both sides of the programme on its canvas, in seconds:
/// room for fades and for reading beyond the ends.
pub const GUARD_S: f64 = 0.25;

/// Bins above this frequency are empty.
pub const CEILING_HZ: f64 = 23_500.0;

/// Samples handled at a time.
const BLOCK: usize = 1 << 16;

/// Spectrum of a programme on the cut's canvas, up to [`CEILING_HZ`], of
/// arbitrary level.
#[derive(Debug)]
pub struct Spectrum {
    programme: Programme,
    seed: u64,
    canvas: SpectralGrid,
    /// The transform of a programme that is given in time.
    sampled: Option<Plane>,
}

impl Spectrum {
    /// The programme lasts `cut_s` seconds at the cut and starts [`GUARD_S`]
    /// into the canvas.
    ///
    /// # Errors
    /// When a WAV programme cannot be used, or there is no room to transform it.
    pub fn new(
        programme: &Programme,
        seed: u64,
        cut_s: f64,
        canvas: SpectralGrid,
        places: WorkFolders<'_>,
    ) -> Result<Self, RecipeError> {
        let mut sampled = match programme.kind {
            ProgrammeKind::Silence | ProgrammeKind::Pink => None,
            ProgrammeKind::Wav => Some(wav(programme, canvas, places)?),
            ProgrammeKind::Sweep => Some(sampled(canvas, sweep(programme, cut_s), places)?),
            ProgrammeKind::Tone | ProgrammeKind::Multitone => {
                Some(sampled(canvas, tones(programme, seed), places)?)
            }
            ProgrammeKind::Music => Some(music(programme, seed, cut_s, canvas, places)?),
        };
        if let Some(plane) = &mut sampled {
            plane.analyse(canvas.bin(CEILING_HZ))?;
        }
        Ok(Self {
            programme: programme.clone(),
            seed,
            canvas,
            sampled,
        })
    }

    /// What it is the spectrum of.
    pub fn canvas(&self) -> SpectralGrid {
        self.canvas
    }

    /// The bins from the first on.
    pub fn bins(&mut self) -> ProgrammeBins<'_> {
        let source = match (&mut self.sampled, self.programme.kind) {
            (Some(plane), _) => ProgrammeSource::Sampled(plane.bins()),
            (None, ProgrammeKind::Pink) => {
                ProgrammeSource::Pink(Box::new(stream(self.seed, Purpose::Programme, 0)))
            }
            _ => ProgrammeSource::Silence,
        };
        ProgrammeBins {
            programme: &self.programme,
            canvas: self.canvas,
            next: 0,
            source,
        }
    }
}

/// What bins are made of.
#[derive(Debug)]
enum ProgrammeSource<'a> {
    Silence,
    Pink(Box<ChaCha8Rng>),
    Sampled(PlaneBins<'a>),
}

/// See [`Spectrum::bins`].
#[derive(Debug)]
pub struct ProgrammeBins<'a> {
    programme: &'a Programme,
    canvas: SpectralGrid,
    next: usize,
    source: ProgrammeSource<'a>,
}

impl ProgrammeBins<'_> {
    /// The next bins; zero above [`CEILING_HZ`].
    pub fn next(&mut self, into: &mut [Complex64]) -> io::Result<()> {
        let first = self.next;
        self.next += into.len();
        let inside = self.canvas.bin(CEILING_HZ).saturating_sub(first);
        let (inside, above) = into.split_at_mut(inside.min(into.len()));
        above.fill(Complex64::ZERO);
        match &mut self.source {
            ProgrammeSource::Silence => inside.fill(Complex64::ZERO),
            ProgrammeSource::Sampled(bins) => bins.next(inside)?,
            ProgrammeSource::Pink(random) => {
                for (bin, value) in (first..).zip(inside.iter_mut()) {
                    let re: f64 = random.sample(StandardNormal);
                    let im: f64 = random.sample(StandardNormal);
                    *value = Complex64::new(re, im) / self.canvas.hertz(bin.max(1)).sqrt();
                }
            }
        }
        let bins = first..first + inside.len();
        inside
            .par_iter_mut()
            .zip(bins)
            .for_each(|(value, bin)| *value *= band(self.programme, self.canvas.hertz(bin)));
        Ok(())
    }
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

/// Samples a function of the time since the programme's start, faded over the
/// outer part of the guards so that the canvas closes on itself.
fn sampled(
    canvas: SpectralGrid,
    signal: impl Fn(f64) -> f64 + Sync,
    places: WorkFolders<'_>,
) -> io::Result<Plane> {
    let frames = canvas.frames(RATE_HZ);
    let fade = 0.5 * GUARD_S * f64::from(RATE_HZ);
    let mut plane = Plane::new(frames, places.scratch)?;
    for first in (0..frames).step_by(BLOCK) {
        let samples: Vec<Complex64> = (first..(first + BLOCK).min(frames))
            .into_par_iter()
            .map(|frame| {
                let edge = frame.min(frames - 1 - frame) as f64;
                let value = signal(frame as f64 / f64::from(RATE_HZ) - GUARD_S);
                (rise(edge / fade)[0] * value).into()
            })
            .collect();
        plane.write(first, &samples)?;
    }
    Ok(plane)
}

/// Samples that others are still added to, on their way into a plane.
struct OverlapBuffer {
    plane: Plane,
    first: usize,
    open: Vec<f64>,
}

impl OverlapBuffer {
    fn new(plane: Plane) -> Self {
        Self {
            plane,
            first: 0,
            open: Vec::new(),
        }
    }

    /// The samples from an index on, at most so many, to be added to.
    fn from(&mut self, begin: usize, length: usize) -> &mut [f64] {
        let end = (begin + length).min(self.plane.len());
        let open = end.saturating_sub(self.first).max(self.open.len());
        self.open.resize(open, 0.0);
        let from = (begin - self.first).min(open);
        &mut self.open[from..(from + length).min(open)]
    }

    /// Nothing is added to samples before this one any more.
    fn done(&mut self, before: usize) -> io::Result<()> {
        while self.first + BLOCK <= before && self.open.len() >= BLOCK {
            let samples: Vec<Complex64> = self.open.drain(..BLOCK).map(Complex64::from).collect();
            self.plane.write(self.first, &samples)?;
            self.first += BLOCK;
        }
        Ok(())
    }

    fn finish(mut self) -> io::Result<Plane> {
        let samples: Vec<Complex64> = self.open.iter().map(|v| (*v).into()).collect();
        self.plane.write(self.first, &samples)?;
        Ok(self.plane)
    }
}

/// One logarithmic sweep; its end frequencies are held beyond its ends.
fn sweep(programme: &Programme, cut_s: f64) -> impl Fn(f64) -> f64 + Sync {
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

fn tones(programme: &Programme, seed: u64) -> impl Fn(f64) -> f64 + Sync {
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
fn music(
    programme: &Programme,
    seed: u64,
    cut_s: f64,
    canvas: SpectralGrid,
    places: WorkFolders<'_>,
) -> io::Result<Plane> {
    const SCALE: [i32; 5] = [0, 3, 5, 7, 10];
    const ATTACK_S: f64 = 0.003;
    const BURST_S: f64 = 0.006;
    const NOTE_S: f64 = 1.2;
    let rate = f64::from(RATE_HZ);
    let mut random = stream(seed, Purpose::Programme, 0);
    let mut tape = OverlapBuffer::new(Plane::new(canvas.frames(RATE_HZ), places.scratch)?);
    let notes = (programme.notes_per_s.unwrap_or(6.0) * cut_s).ceil() as usize;
    for note in 0..notes {
        // Spread evenly with jitter, so that no stretch stays empty.
        let onset_s = |late: f64| GUARD_S + (note as f64 + late) * cut_s / notes as f64;
        tape.done((onset_s(0.0) * rate) as usize)?;
        let onset_s = onset_s(random.random::<f64>());
        let step = SCALE[random.random_range(0..SCALE.len())] + 12 * random.random_range(0..4);
        let fundamental = 110.0 * (f64::from(step) / 12.0).exp2();
        let loudness = 0.4 + 0.6 * random.random::<f64>();
        let begin = (onset_s * rate) as usize;
        let attack = |i: usize| rise(i as f64 / rate / ATTACK_S)[0];
        let harmonics = ((programme.high_hz / fundamental) as usize).min(40);
        for harmonic in 1..=harmonics {
            let hz = fundamental * harmonic as f64;
            let decay_s = 0.5 / (1.0 + hz / 1500.0);
            let length = ((6.0 * decay_s).min(NOTE_S) * rate) as usize;
            let level = loudness * (harmonic as f64).powf(-1.1) * (0.5 + random.random::<f64>());
            let turn = Complex64::from_polar((-1.0 / (decay_s * rate)).exp(), TAU * hz / rate);
            let mut state = Complex64::from_polar(level, TAU * random.random::<f64>());
            for (i, sample) in tape.from(begin, length).iter_mut().enumerate() {
                *sample += attack(i) * state.re;
                state *= turn;
            }
        }
        let length = (6.0 * BURST_S * rate) as usize;
        for (i, sample) in tape.from(begin, length).iter_mut().enumerate() {
            let noise: f64 = random.sample(StandardNormal);
            *sample += 0.3 * loudness * noise * (-(i as f64) / (BURST_S * rate)).exp();
        }
    }
    tape.finish()
}

/// A WAV file's sum over channels, from its start, at its own rate.
fn wav(
    programme: &Programme,
    canvas: SpectralGrid,
    places: WorkFolders<'_>,
) -> Result<Plane, RecipeError> {
    let path = places
        .programmes
        .join(programme.file.as_deref().unwrap_or(Path::new("")));
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
    let begin = (GUARD_S * f64::from(spec.sample_rate)).round() as usize;
    let tape = OverlapBuffer::new(Plane::new(canvas.frames(spec.sample_rate), places.scratch)?);
    let channels = usize::from(spec.channels).max(1);
    let damaged = |error| fail(format!("{error}; the file is damaged; export it again"));
    let (plane, least, most) = match spec.sample_format {
        hound::SampleFormat::Float => {
            let samples = reader.samples::<f32>().map(|s| s.map(f64::from));
            taped(samples, begin, channels, tape)?.map_err(damaged)?
        }
        hound::SampleFormat::Int => {
            let samples = reader.samples::<i32>().map(|s| s.map(f64::from));
            taped(samples, begin, channels, tape)?.map_err(damaged)?
        }
    };
    if !(least.is_finite() && most.is_finite()) {
        return Err(fail(
            "holds samples that are not numbers; export it again".into(),
        ));
    }
    if least == 0.0 && most == 0.0 {
        return Err(fail("is silent; use kind = \"silence\" for that".into()));
    }
    Ok(plane)
}

/// Frames, their channels added up, on a tape from `begin` on, as many as it has room for,
/// with the least and the largest of them. Not a number is both.
fn taped(
    mut samples: impl Iterator<Item = Result<f64, hound::Error>>,
    begin: usize,
    channels: usize,
    mut tape: OverlapBuffer,
) -> io::Result<Result<(Plane, f64, f64), hound::Error>> {
    let (mut least, mut most) = (0.0f64, 0.0f64);
    for at in begin..tape.plane.len() {
        let mut sum = 0.0;
        for place in 0..channels {
            match samples.next() {
                Some(Ok(value)) => sum += value,
                Some(Err(error)) => return Ok(Err(error)),
                None if place == 0 => return tape.finish().map(|p| Ok((p, least, most))),
                None => break,
            }
        }
        if sum.is_nan() {
            (least, most) = (sum, sum);
        }
        // a sum that is no number stays: nothing is less or more than it
        if sum < least {
            least = sum;
        }
        if sum > most {
            most = sum;
        }
        tape.from(at, 1)[0] = sum;
        tape.done(at)?;
    }
    tape.finish().map(|plane| Ok((plane, least, most)))
}

// The ceiling leaves the raised-cosine edge of the highest programme room.
const _: () = assert!(HIGHEST_HZ < CEILING_HZ && CEILING_HZ < RATE_HZ as f64 / 2.0);

#[cfg(test)]
mod tests {
    use super::*;

    fn programme(text: &str) -> Programme {
        toml::from_str(text).unwrap()
    }

    /// All bins, taken in stretches of any length.
    fn spectrum(p: &Programme, seed: u64, cut_s: f64, canvas: SpectralGrid) -> Vec<Complex64> {
        let mut all = vec![Complex64::ONE; canvas.frames(48_000) / 2];
        let mut spectrum = Spectrum::new(p, seed, cut_s, canvas, WorkFolders::test()).unwrap();
        let mut bins = spectrum.bins();
        for some in all.chunks_mut(10_007) {
            bins.next(some).unwrap();
        }
        all
    }

    fn in_time(mut plane: Plane) -> Vec<f64> {
        let mut samples = vec![Complex64::ONE; plane.len()];
        plane.read(0, &mut samples).unwrap();
        samples.iter().map(|z| z.re).collect()
    }

    #[test]
    fn pink_noise_falls_as_one_over_f() {
        let canvas = SpectralGrid::covering(10.0);
        let p = programme("kind = \"pink\"\nduration_s = 9.5");
        let s = spectrum(&p, 5, 9.5, canvas);
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
        let canvas = SpectralGrid::covering(2.5);
        let p = programme("kind = \"tone\"\nduration_s = 2\nfrequencies_hz = [1000]");
        let s = spectrum(&p, 5, 2.0, canvas);
        let loudest = (0..s.len()).max_by(|&a, &b| s[a].norm().total_cmp(&s[b].norm()));
        assert_eq!(loudest, Some(canvas.bin(1000.0)));

        let p = programme("kind = \"sweep\"\nduration_s = 2\nlow_hz = 100\nhigh_hz = 10000");
        let s = spectrum(&p, 5, 2.0, canvas);
        let fill = |bin: usize, left: &mut [Complex64], _: &mut [Complex64]| {
            left.copy_from_slice(&s[bin..][..left.len()]);
            Ok(())
        };
        let length = canvas.frames(48_000);
        let mut plane = Plane::of_spectra(length, Path::new(""), length / 2, fill).unwrap();
        plane.synthesise().unwrap();
        let samples = in_time(plane);
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

    /// Two channels at a rate below that of the other programmes, an odd number of samples
    /// on the canvas: the sum of the channels at its frequency, nothing above half the rate.
    #[test]
    fn a_wav_is_read_at_its_own_rate() {
        let folder = tempfile::tempdir().unwrap();
        let spec = hound::WavSpec {
            channels: 2,
            sample_rate: 22_050,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let mut file = hound::WavWriter::create(folder.path().join("p.wav"), spec).unwrap();
        for n in 0..3 * 22_050 {
            let value = (TAU * 1000.0 * f64::from(n) / 22_050.0).cos() as f32;
            file.write_sample(0.5 * value).unwrap();
            file.write_sample(0.25 * value).unwrap();
        }
        file.finalize().unwrap();
        let canvas = SpectralGrid::covering(2.5);
        assert!(canvas.frames(22_050) % 2 == 1);
        let p = programme("kind = \"wav\"\nfile = \"p.wav\"\nduration_s = 2");
        let places = WorkFolders {
            programmes: folder.path(),
            ..WorkFolders::test()
        };
        let mut all = vec![Complex64::ONE; canvas.bin(20_000.0)];
        let mut spectrum = Spectrum::new(&p, 1, 2.0, canvas, places).unwrap();
        spectrum.bins().next(&mut all).unwrap();
        let (low, high) = all.split_at(canvas.bin(11_030.0));
        // a tone of 2.25 s on a canvas of 2.5 s
        let loudest = canvas.bin(1000.0);
        assert!((low[loudest].norm() - 0.5 * 0.75 * 2.25 / 2.5).abs() < 1e-3);
        assert!(low.iter().all(|z| z.norm() <= low[loudest].norm()));
        assert!(high.iter().all(|z| *z == Complex64::ZERO));
    }

    #[test]
    fn music_is_seeded_and_has_no_empty_stretch() {
        let canvas = SpectralGrid::covering(4.5);
        let p = programme("kind = \"music\"\nduration_s = 4");
        let music = |seed| in_time(music(&p, seed, 4.0, canvas, WorkFolders::test()).unwrap());
        let a = music(1);
        assert_eq!(a, music(1));
        assert_ne!(a, music(2));
        let start = (GUARD_S * 48e3) as usize + 24_000;
        for part in a[start..start + 3 * 48_000].chunks(24_000) {
            assert!(part.iter().any(|v| v.abs() > 0.1));
        }
    }
}
