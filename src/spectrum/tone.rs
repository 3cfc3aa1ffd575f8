//! The strongest tone of a recording: its frequency and its level.

use super::limits::{LOWEST_TONE_HZ, TONE_FRAME_S, TONE_REACH_HZ};
use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};
use std::f64::consts::PI;
use std::sync::Arc;

/// Least share of the power above 200 Hz of a single tone: other signals then change its level by less than
/// half a decibel.
const ALONE: f64 = 0.9;

/// A tone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    /// Its frequency, hertz.
    pub hertz: f64,
    /// Its peak, full scale 1, by the mean of the channels' powers.
    pub peak: f64,
    /// Its share of the power above 200 Hz.
    pub share: f64,
    /// Mean level of the frames above 200 Hz over their median, as a ratio of amplitudes.
    pub steadiness: f64,
}

impl Tone {
    /// Whether it is a single tone.
    pub fn is_alone(&self) -> bool {
        self.share >= ALONE
    }
}

/// Finds the strongest tone.
pub struct ToneProbe {
    rate_hz: f64,
    plan: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    bins: Vec<Complex<f64>>,
    /// Samples of an unfinished frame.
    rest: [Vec<f64>; 2],
    power: Vec<f64>,
    /// Power of each frame above 200 Hz.
    frames: Vec<f64>,
}

impl ToneProbe {
    /// A probe for a sample rate, hertz, without samples yet.
    pub fn new(rate_hz: f64) -> Self {
        let length = (TONE_FRAME_S * rate_hz) as usize;
        let plan = RealFftPlanner::new().plan_fft_forward(length);
        let bins = plan.make_output_vec();
        Self {
            rate_hz,
            window: (0..length)
                .map(|n| (PI * (n as f64 + 0.5) / length as f64).sin().powi(2))
                .collect(),
            power: vec![0.0; bins.len()],
            plan,
            bins,
            rest: Default::default(),
            frames: Vec::new(),
        }
    }

    /// Takes in a block: two channels of equal length, full scale 1.
    pub fn push(&mut self, left: &[f32], right: &[f32]) {
        for (rest, channel) in self.rest.iter_mut().zip([left, right]) {
            rest.extend(channel.iter().map(|s| f64::from(*s)));
        }
        while self.rest[0].len() >= self.window.len() {
            let lowest = (LOWEST_TONE_HZ * self.window.len() as f64 / self.rate_hz) as usize;
            let mut of_frame = 0.0;
            for rest in &mut self.rest {
                let frame = rest.drain(..self.window.len());
                let mut frame: Vec<f64> = frame.zip(&self.window).map(|(s, w)| s * w).collect();
                // the buffers were made by the plan itself, so their lengths fit
                let done = self.plan.process(&mut frame, &mut self.bins);
                debug_assert!(done.is_ok());
                let powers = self.power.iter_mut().zip(&self.bins);
                powers.for_each(|(p, b)| *p += 0.5 * b.norm_sqr());
                of_frame += self.bins[lowest..]
                    .iter()
                    .map(|b| b.norm_sqr())
                    .sum::<f64>();
            }
            self.frames.push(of_frame);
        }
    }

    /// The strongest tone so far; `None` before a frame is full, and where nothing sounds.
    pub fn found(&self) -> Option<Tone> {
        let (power, length) = (&self.power, self.window.len() as f64);
        let bin = |hertz: f64| (hertz * length / self.rate_hz) as usize;
        let peak =
            (bin(LOWEST_TONE_HZ)..power.len()).max_by(|a, b| power[*a].total_cmp(&power[*b]))?;
        let near = peak.saturating_sub(bin(TONE_REACH_HZ))
            ..(peak + bin(TONE_REACH_HZ) + 1).min(power.len());
        let sum: f64 = power[near.clone()].iter().sum();
        if sum <= 0.0 {
            return None;
        }
        let weighted: f64 = near.map(|k| k as f64 * power[k]).sum();
        // Parseval: of a sine of amplitude A, the bins hold A^2 / 4 of the window's power times the length
        let of_window: f64 = self.window.iter().map(|w| w * w).sum();
        let mut frames = self.frames.clone();
        let middle = frames.len() / 2;
        let count = frames.len() as f64;
        let mean = frames.iter().sum::<f64>() / count;
        let (_, median, _) = frames.select_nth_unstable_by(middle, f64::total_cmp);
        Some(Tone {
            share: sum / power[bin(LOWEST_TONE_HZ)..].iter().sum::<f64>(),
            steadiness: (mean / *median).sqrt(),
            hertz: weighted / sum * self.rate_hz / length,
            peak: (4.0 * sum / (count * length * of_window)).sqrt(),
        })
    }
}
