//! Recordings whose delay is exact by construction: noise made in the frequency
//! domain, one channel turned in phase, with whatever disturbs a real one.
//!
//! Nothing of the crate's own simulation is used here, so that an error in it
//! could not hide.

use crate::bound::{Pink, bound};
use crate::chances;
use groovelag::analysis::{self, AnalysisError, Request};
use groovelag::capture::{ReadOptions, Source};
use groovelag::delay::{DelayEstimate, EstimateSettings};
use groovelag::spectrum::EQUALISER;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;
use std::f64::consts::TAU;
use std::path::{Path, PathBuf};

/// How samples are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Word {
    /// 16-bit integers, rounded.
    Int16,
    /// 24-bit integers, rounded.
    Int24,
    /// Single precision.
    Float,
}

impl Word {
    /// One step, full scale 1; none for floating point.
    fn step(self) -> f64 {
        match self {
            Self::Int16 => 2f64.powi(-15),
            Self::Int24 => 2f64.powi(-23),
            Self::Float => 0.0,
        }
    }
}

/// A recording to be made.
#[derive(Debug, Clone)]
pub struct Scene {
    /// The row it is for: each draws its own chances.
    pub row: String,
    /// Root mean square of the programme, full scale 1.
    pub level: f64,
    /// Sample rate, hertz.
    pub rate: f64,
    /// Samples of the programme's period, a power of two.
    pub period: usize,
    /// Periods: the programme repeats, its noise does not.
    pub periods: usize,
    /// Delay of the right channel, seconds.
    pub delay: f64,
    /// Standard deviation of the equaliser parts' deviations between the
    /// channels, drawn anew for each trial; d ln T.
    pub equaliser_u: f64,
    /// Pink programme between these, hertz.
    pub band_hz: (f64, f64),
    /// Programme over the white noise of a channel, dB over the whole band.
    pub snr_db: f64,
    /// Hum of each channel, dB over the programme.
    pub hum_db: Option<f64>,
    /// Rumble in antiphase (vertical), 4 to 30 Hz, dB over the programme.
    pub rumble_db: Option<f64>,
    /// How fast it falls beyond 30 Hz: by so many times 6 dB an octave.
    pub rumble_poles: usize,
    /// Clicks a second, at once in both channels: static, switching.
    pub clicks_per_s: f64,
    /// Seconds of lead-in with hiss that both channels share, and a needle drop.
    pub lead_in_s: f64,
    /// Standard deviation of the delay from one period to the next, seconds.
    pub wobble_s: f64,
    /// How it is stored.
    pub word: Word,
}

impl Default for Scene {
    /// 5.5 s of clean pink noise at 48 kHz, 7.3 us, 35 dB.
    fn default() -> Self {
        Self {
            row: String::new(),
            level: 0.1,
            rate: 48_000.0,
            period: 1 << 18,
            periods: 1,
            delay: 7.3e-6,
            equaliser_u: 0.0,
            band_hz: (20.0, 20_000.0),
            snr_db: 35.0,
            hum_db: None,
            rumble_db: None,
            rumble_poles: 4,
            clicks_per_s: 0.0,
            lead_in_s: 0.0,
            wobble_s: 0.0,
            word: Word::Float,
        }
    }
}

fn gaussian(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

fn ratio(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

impl Scene {
    /// Length of the programme, seconds.
    pub fn seconds(&self) -> f64 {
        (self.period * self.periods) as f64 / self.rate
    }

    /// The bound of its delay, seconds.
    pub fn bound(&self, settings: &EstimateSettings) -> f64 {
        // rounding is white noise of a twelfth of a step's square (Widrow 1956, from memory)
        let rounding = self.word.step().powi(2) / 12.0 / self.level.powi(2);
        let noise = ratio(-self.snr_db).powi(2) + rounding;
        let of = Pink {
            seconds: self.seconds(),
            rate: self.rate,
            band_hz: self.band_hz,
            snr_db: -10.0 * noise.log10(),
        };
        bound(&of, settings)
    }

    /// One period of both channels, with a delay.
    fn period(&self, rng: &mut ChaCha8Rng, delay: f64) -> [Vec<f64>; 2] {
        let n = self.period;
        let deviations = EQUALISER.map(|_| self.equaliser_u * gaussian(rng));
        let i = Complex::<f64>::i();
        let mut packed = vec![Complex::<f64>::default(); n];
        let mut power = 0.0;
        for k in 1..n / 2 {
            let f = k as f64 * self.rate / n as f64;
            if f < self.band_hz.0 || f >= self.band_hz.1 {
                continue;
            }
            let z = Complex::new(gaussian(rng), gaussian(rng)) / f.sqrt();
            power += 2.0 * z.norm_sqr();
            let w = TAU * f;
            let mut turn = -w * delay;
            for ((seconds, sign), deviation) in EQUALISER.iter().zip(deviations) {
                let wt = w * seconds;
                turn -= sign * deviation * wt / (1.0 + wt * wt);
            }
            let right = z * Complex::from_polar(1.0, turn);
            // left + i right, both real
            packed[k] = z + i * right;
            packed[n - k] = z.conj() + i * right.conj();
        }
        FftPlanner::new().plan_fft_inverse(n).process(&mut packed);
        let scale = self.level / power.sqrt();
        [
            packed.iter().map(|v| v.re * scale).collect(),
            packed.iter().map(|v| v.im * scale).collect(),
        ]
    }

    /// Power that white noise of power 1 leaves in the sections of the rumble, over their
    /// share of a sample: `C(2 n - 2, n - 1) / 2^(2 n - 1)`.
    fn section_power(&self) -> f64 {
        (1..self.rumble_poles).fold(0.5, |power, n| {
            power * (2.0 * n as f64 - 1.0) / (2.0 * n as f64)
        })
    }

    /// Writes one trial's recording.
    pub fn write(&self, trial: u64, path: &Path) {
        let mut rng = chances(&self.row, trial);
        let programme = rng.clone();
        let level = self.level;
        let mut period = self.period(&mut rng, self.delay);
        let sigma = level * ratio(-self.snr_db);
        let lead = (self.lead_in_s * self.rate) as usize;
        let total = lead + self.period * self.periods;
        let bits = match self.word {
            Word::Int16 => 16,
            Word::Int24 => 24,
            Word::Float => 32,
        };
        let spec = hound::WavSpec {
            channels: 2,
            sample_rate: self.rate as u32,
            bits_per_sample: bits,
            sample_format: match self.word {
                Word::Float => hound::SampleFormat::Float,
                _ => hound::SampleFormat::Int,
            },
        };
        let mut writer = hound::WavWriter::create(path, spec).expect("a temporary file");
        let phases: [[f64; 4]; 2] = [(); 2].map(|()| [(); 4].map(|()| TAU * rng.random::<f64>()));
        let (mut sections, mut slow) = (vec![0.0f64; self.rumble_poles], 0.0f64);
        let mut click = ([0.0f64; 2], 0usize);
        let chance = self.clicks_per_s / self.rate;
        for n in 0..total {
            let time = n as f64 / self.rate;
            if self.wobble_s > 0.0 && n >= lead && (n - lead).is_multiple_of(self.period) {
                let delay = self.delay + self.wobble_s * gaussian(&mut rng);
                period = self.period(&mut programme.clone(), delay);
            }
            // a band of 4 to 30 Hz: one-pole sections on white noise
            let rumbles = self.rumble_db.map_or(0.0, |db| {
                let mut value = gaussian(&mut rng);
                let share = TAU * 30.0 / self.rate;
                for section in &mut sections {
                    *section += share * (value - *section);
                    value = *section;
                }
                slow += TAU * 4.0 / self.rate * (value - slow);
                level * ratio(db) * (value - slow) / (share * self.section_power()).sqrt()
            });
            let hiss = match n < lead {
                // electronics, common to both channels
                true => 0.003 * level * gaussian(&mut rng),
                false => 0.0,
            };
            let drop = match n < lead {
                // the needle: a thump of both walls halfway through the lead-in
                true => {
                    let since = time - 0.5 * self.lead_in_s;
                    match since > 0.0 {
                        true => 4.0 * level * (-since / 0.01).exp() * (TAU * 300.0 * since).sin(),
                        false => 0.0,
                    }
                }
                false => 0.0,
            };
            if chance > 0.0 && n >= lead && rng.random::<f64>() < chance {
                let sign = if rng.random::<bool>() { 1.0 } else { -1.0 };
                let height = sign * 5.0 * level;
                click = ([height, height * (0.7 + 0.3 * rng.random::<f64>())], n);
            }
            for channel in 0..2 {
                let programme = match n < lead {
                    true => 0.0,
                    false => period[channel][(n - lead) % self.period],
                };
                let hum = self.hum_db.map_or(0.0, |db| {
                    let parts = phases[channel].iter().zip([1.0, 2.0, 3.0, 5.0]);
                    let sum: f64 = parts
                        .map(|(phase, order)| (TAU * 50.0 * order * time + phase).sin() / order)
                        .sum();
                    level * ratio(db) * std::f64::consts::SQRT_2 * sum
                });
                let (heights, begun) = click;
                let height = heights[channel];
                let age = (n - begun) as f64 / self.rate;
                let clicks = match height != 0.0 && age < 2e-3 {
                    true => height * (-age / 1.5e-4).exp() * (TAU * 6_000.0 * age).cos(),
                    false => 0.0,
                };
                let side = if channel == 0 { 1.0 } else { -1.0 };
                let value = programme
                    + hum
                    + clicks
                    + side * rumbles
                    + hiss
                    + drop
                    + sigma * gaussian(&mut rng);
                match self.word {
                    Word::Float => writer.write_sample(value as f32),
                    _ => {
                        let full = f64::from(1i32 << (bits - 1));
                        let whole = (value * full).round().clamp(-full, full - 1.0);
                        writer.write_sample(whole as i32)
                    }
                }
                .expect("room for a temporary file");
            }
        }
        writer.finalize().expect("room for a temporary file");
    }

    /// Makes one trial's recording, gives it to `then`, and removes it.
    pub fn with<T>(&self, trial: u64, then: impl FnOnce(&Path) -> T) -> T {
        let file = tempfile::Builder::new()
            .suffix(".wav")
            .tempfile_in(scratch())
            .expect("a temporary file");
        self.write(trial, file.path());
        then(file.path())
    }

    /// One trial through the crate, from the file to the estimate.
    pub fn measure(
        &self,
        trial: u64,
        settings: &EstimateSettings,
    ) -> Result<DelayEstimate, AnalysisError> {
        self.with(trial, |path| measure(path, settings))
    }
}

/// What the crate is asked for a recording.
pub fn request(path: &Path, settings: &EstimateSettings) -> Request {
    Request {
        source: Source::Path(path.to_owned()),
        options: ReadOptions::default(),
        from_s: None,
        to_s: None,
        settings: settings.clone(),
    }
}

/// A recording through the crate.
pub fn measure(path: &Path, settings: &EstimateSettings) -> Result<DelayEstimate, AnalysisError> {
    analysis::analyse(&request(path, settings), &mut |_| ()).map(|a| a.estimate)
}

/// The same as read once, with what tracing adds left in it.
pub fn measure_once(
    path: &Path,
    settings: &EstimateSettings,
) -> Result<DelayEstimate, AnalysisError> {
    let taken = analysis::read_spectrum(&request(path, settings), &mut |_| ())?;
    analysis::estimate(taken, settings).map(|a| a.estimate)
}

/// Where recordings are made for a moment: in memory where the system has that.
pub fn scratch() -> PathBuf {
    let memory = Path::new("/dev/shm");
    match memory.is_dir() {
        true => memory.to_owned(),
        false => std::env::temp_dir(),
    }
}

/// Mean and standard deviation.
pub fn moments(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    (mean, (squares / (n - 1.0)).sqrt())
}

/// Root mean square.
pub fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}
