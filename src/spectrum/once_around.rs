//! Frequency of a tone on a turning record: its mean, and its modulation once per revolution.

use super::Complex64;
use super::limits::{NEIGHBOURING, ONCE_AROUND_CELL_S};
use std::f64::consts::TAU;

/// Frequency of a tone, and its modulation once per revolution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OnceAround {
    /// Its mean frequency over whole revolutions, hertz.
    pub hertz: f64,
    /// Its modulation once per revolution; `None` of too few revolutions.
    pub change: Option<FrequencyModulation>,
}

/// A relative change of frequency, in phase and in quadrature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrequencyModulation {
    /// Its peak.
    pub peak: f64,
    /// Standard uncertainty of either part, from neighbouring frequencies.
    pub u: f64,
    /// Degrees of freedom of that.
    pub degrees_of_freedom: f64,
}

/// Follows the phase of a tone of about a known frequency.
pub struct ToneFollower {
    rate_hz: f64,
    hertz: f64,
    window: Vec<f64>,
    /// Samples of unfinished cells, in each channel.
    rest: [Vec<f64>; 2],
    /// Samples that are done with.
    done: u64,
    before: Option<[Complex64; 2]>,
    /// Phase against the frequency, radians, at each cell.
    phases: Vec<f64>,
}

impl ToneFollower {
    /// For a tone of so many hertz in a recording of a sample rate, hertz.
    pub fn new(rate_hz: f64, hertz: f64) -> Self {
        let half = (ONCE_AROUND_CELL_S * rate_hz).round().max(1.0) as usize;
        let turn = |n: usize| TAU * (n as f64 + 0.5) / (2 * half) as f64;
        Self {
            rate_hz,
            hertz,
            window: (0..2 * half).map(|n| 0.5 - 0.5 * turn(n).cos()).collect(),
            rest: Default::default(),
            done: 0,
            before: None,
            phases: Vec::new(),
        }
    }

    /// Takes in a block: two channels of equal length.
    pub fn push(&mut self, left: &[f32], right: &[f32]) {
        for (rest, channel) in self.rest.iter_mut().zip([left, right]) {
            rest.extend(channel.iter().map(|s| f64::from(*s)));
        }
        let step = self.window.len() / 2;
        let mut from = 0;
        while self.rest[0].len() >= from + self.window.len() {
            let turn = -TAU * self.hertz / self.rate_hz;
            let now = [0, 1].map(|channel: usize| {
                let samples = self.rest[channel][from..].iter().zip(&self.window);
                let turned = samples.enumerate().map(|(n, (s, w))| {
                    let at = (self.done + (from + n) as u64) as f64;
                    Complex64::from_polar(s * w, turn * at)
                });
                turned.sum::<Complex64>()
            });
            // by the step of each channel, so that their polarity does not matter
            let step_of = |before: [Complex64; 2]| {
                let steps = now
                    .iter()
                    .zip(before)
                    .map(|(now, before)| now * before.conj());
                steps.sum::<Complex64>().arg()
            };
            let last = self.phases.last().copied().unwrap_or(0.0);
            self.phases.push(last + self.before.map_or(0.0, step_of));
            self.before = Some(now);
            from += step;
        }
        self.rest
            .iter_mut()
            .for_each(|rest| drop(rest.drain(..from)));
        self.done += from as u64;
    }

    /// The tone's frequency and modulation, for this number of revolutions per second; `None`
    /// of less than a revolution.
    pub fn turning(&self, per_s: f64) -> Option<OnceAround> {
        let cells_per_s = self.rate_hz / (self.window.len() / 2) as f64;
        let revolutions = ((self.phases.len() as f64 - 1.0) * per_s / cells_per_s).floor();
        let count = (revolutions * cells_per_s / per_s).round() as usize;
        let phases = self.phases.get(..count).filter(|p| p.len() > 2)?;
        let mut change = Complex64::ZERO;
        let mut trend = Trend::of(phases);
        // each leaves a little of itself in the other
        for _ in 0..ROUNDS {
            change = line(&trend.taken_out_of(phases), revolutions);
            trend = Trend::of(&without(phases, change, revolutions));
        }
        let left = trend.taken_out_of(phases);
        let noise = without(&left, change, revolutions);
        let [first, last] = NEIGHBOURING;
        let told = revolutions >= f64::from(2 * last + 1);
        let neighbours = (first..=last).flat_map(|k| [-1.0, 1.0].map(|sign| sign * f64::from(k)));
        let squares: f64 = neighbours
            .map(|k| line(&noise, revolutions + k).norm_sqr())
            .sum();
        // two parts of each, on both sides
        let parts = f64::from(4 * (last - first + 1));
        let hertz = self.hertz + trend.slope * cells_per_s / TAU;
        // what turns the phase by a radian changes the frequency by so much of it
        let relative = per_s / hertz;
        Some(OnceAround {
            hertz,
            change: told.then(|| FrequencyModulation {
                peak: relative * change.norm(),
                u: relative * (squares / parts).sqrt(),
                degrees_of_freedom: parts,
            }),
        })
    }
}

/// Rounds in which trend and line are told from each other: each leaves some hundredths of the last.
const ROUNDS: usize = 5;

/// Parts of a line of so many periods in all of the values: `2 / n` times their sum, turned back.
fn line(values: &[f64], periods: f64) -> Complex64 {
    let step = TAU * periods / values.len() as f64;
    let turned = values.iter().enumerate();
    let sum: Complex64 = turned
        .map(|(n, v)| Complex64::from_polar(*v, -step * n as f64))
        .sum();
    2.0 * sum / values.len() as f64
}

/// Values less a line.
fn without(values: &[f64], parts: Complex64, periods: f64) -> Vec<f64> {
    let step = TAU * periods / values.len() as f64;
    let of = |(n, v): (usize, &f64)| v - (parts * Complex64::from_polar(1.0, step * n as f64)).re;
    values.iter().enumerate().map(of).collect()
}

/// A mean, a slope, and an even change of it.
struct Trend {
    mean: f64,
    slope: f64,
    curvature: f64,
    /// Mean square of the places from the middle.
    spread: f64,
}

impl Trend {
    /// By least squares: about the middle the three are orthogonal.
    fn of(values: &[f64]) -> Self {
        let n = values.len() as f64;
        let at = |k: usize| k as f64 - 0.5 * (n - 1.0);
        let spread = (n * n - 1.0) / 12.0;
        let [mut sum, mut first, mut second, mut squares] = [0.0; 4];
        for (k, value) in values.iter().enumerate() {
            let bent = at(k).powi(2) - spread;
            sum += value;
            first += value * at(k);
            second += value * bent;
            squares += bent * bent;
        }
        Self {
            mean: sum / n,
            slope: first / (n * spread),
            curvature: second / squares,
            spread,
        }
    }

    /// Values less the trend.
    fn taken_out_of(&self, values: &[f64]) -> Vec<f64> {
        let middle = 0.5 * (values.len() as f64 - 1.0);
        let of = |(k, v): (usize, &f64)| {
            let at = k as f64 - middle;
            v - (self.mean + self.slope * at + self.curvature * (at * at - self.spread))
        };
        values.iter().enumerate().map(of).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};

    /// Half a minute of 3150 Hz at 0.4 % over speed and drifting, with a change once a revolution of
    /// 33 1/3 rpm, noise 30 dB down, the right channel inverted.
    fn seen(change: f64, phase: f64, seed: u64, seconds: f64) -> OnceAround {
        let (rate, per_s) = (16_000.0, 1.004 * 100.0 / 180.0);
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let mut follower = ToneFollower::new(rate, 3155.0);
        let mut turns = 0.0;
        let samples: Vec<f64> = (0..(seconds * rate) as usize)
            .map(|n| {
                let t = n as f64 / rate;
                let once = change * (TAU * per_s * t + phase).sin();
                turns += 3150.0 * 1.004 * (1.0 + once + 1e-5 * (t - 0.5 * seconds)) / rate;
                0.2 * (TAU * turns).sin() + 0.02 * random.random_range(-0.5..0.5)
            })
            .collect();
        let left: Vec<f32> = samples.iter().map(|s| *s as f32).collect();
        let right: Vec<f32> = left.iter().map(|s| -s).collect();
        for (l, r) in left.chunks(777).zip(right.chunks(777)) {
            follower.push(l, r);
        }
        follower.turning(per_s).unwrap()
    }

    #[test]
    fn a_change_once_around_is_told() {
        for (change, phase) in [(2e-3, 0.0), (1e-3, 1.5), (3e-4, 4.0)] {
            let seen = seen(change, phase, 5, 30.0);
            let FrequencyModulation { peak: found, u, .. } = seen.change.unwrap();
            assert!((found - change).abs() < 4.0 * u, "{change}: {found} {u}");
            assert!(u < 0.02 * change, "{change}: {found} {u}");
            assert!((seen.hertz / 3162.6 - 1.0).abs() < 2e-5, "{}", seen.hertz);
        }
    }

    /// With nothing there, the square of what is found has the mean of two parts of one uncertainty each.
    #[test]
    fn noise_alone_is_within_its_uncertainty() {
        let ratios: Vec<f64> = (0..60)
            .map(|seed| {
                let change = seen(0.0, 0.0, seed, 30.0).change.unwrap();
                assert_eq!(change.degrees_of_freedom, 16.0);
                (change.peak / change.u).powi(2) / 2.0
            })
            .collect();
        // an F ratio of 2 and 16 degrees of freedom: mean 8/7, standard deviation 1.32 (of its law)
        let mean = ratios.iter().sum::<f64>() / 60.0;
        let law = 8.0 / 7.0;
        assert!((mean - law).abs() < 4.0 * 1.32 / 60f64.sqrt(), "{mean}");
    }

    #[test]
    fn few_revolutions_tell_the_frequency_alone() {
        let seen = seen(1e-3, 0.0, 1, 12.0);
        assert_eq!(seen.change, None);
        assert!((seen.hertz / 3162.6 - 1.0).abs() < 2e-5, "{}", seen.hertz);
    }
}
