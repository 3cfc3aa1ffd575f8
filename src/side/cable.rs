//! The signal to feed into both phono inputs by cable, for a calibration of the chain.

use super::programme::{NoiseBins, recorded, rise};
use crate::capture::Stereo;

/// Band of its noise, hertz: what 44.1 kHz carry.
const BAND_HZ: [f64; 2] = [20.0, 18_000.0];
/// Largest sample, full scale 1: as far below as a converter's filter may overshoot.
const PEAK: f64 = 0.5;
/// Silence before, between and behind, seconds.
const PAUSE_S: u64 = 1;
/// Each polarity lasts so long, seconds: three periods of the noise.
const HALF_S: u64 = 30;
/// Fades, seconds: no thump in the bass.
const FADE_S: f64 = 0.5;

/// Noise for a phono input, the same in both channels, once in each polarity. It is recorded as a record is
/// (IEC 60098), so that the phono stage's equaliser makes pink noise of it.
pub struct Cable {
    rate_hz: u64,
    /// One period.
    noise: Vec<f32>,
    made: u64,
}

impl Cable {
    /// The signal at a sample rate, hertz.
    pub fn new(rate_hz: u32) -> Self {
        let bins = NoiseBins::new(BAND_HZ, 2, |hertz| hertz.sqrt().recip());
        let signals = bins.signals(rate_hz, 1.0, [&recorded, &recorded]);
        let largest = signals.iter().fold(0.0, |m: f64, v| m.max(v.re.abs()));
        let noise = signals.iter().map(|v| (PEAK * v.re / largest) as f32);
        Self {
            rate_hz: u64::from(rate_hz),
            noise: noise.collect(),
            made: 0,
        }
    }

    /// Frames in all.
    pub fn frames(&self) -> u64 {
        (3 * PAUSE_S + 2 * HALF_S) * self.rate_hz
    }

    /// The next frames, as many as asked for but at the end; none behind it.
    pub fn next(&mut self, frames: usize) -> Stereo {
        let count = (frames as u64).min(self.frames() - self.made);
        let samples: Vec<f32> = (self.made..self.made + count)
            .map(|frame| self.sample(frame))
            .collect();
        self.made += count;
        Stereo {
            right: samples.clone(),
            left: samples,
        }
    }

    fn sample(&self, frame: u64) -> f32 {
        let round = (PAUSE_S + HALF_S) * self.rate_hz;
        let Some(within) = (frame % round).checked_sub(PAUSE_S * self.rate_hz) else {
            return 0.0;
        };
        let polarity = match frame / round {
            0 => 1.0,
            _ => -1.0,
        };
        let at_s = within as f64 / self.rate_hz as f64;
        let fade = rise(at_s / FADE_S) * rise((HALF_S as f64 - at_s) / FADE_S);
        polarity * fade as f32 * self.noise[within as usize % self.noise.len()]
    }
}
