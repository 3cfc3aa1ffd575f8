//! Clicks, needle drop and warp: things with a physical shape, added to the
//! traced displacement.

use super::random::{Purpose, stream};
use super::recipe::Recipe;
use super::spectral::rise;
use super::trace::Traced;
use super::turntable::Turntable;
use crate::units::{MICROMETRE, MILLIMETRE};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use std::f64::consts::TAU;

/// Range of half-widths of what makes a click: dust and scratches (common
/// practice, no source).
const CLICK_WIDTH: [f64; 2] = [15.0 * MICROMETRE, 60.0 * MICROMETRE];

/// Spread of the logarithm of click strengths (common practice, no source).
const CLICK_SPREAD: f64 = 0.5;

/// When the stylus touches the record, seconds of the capture; 0 without a
/// needle drop.
pub fn touch_down(recipe: &Recipe) -> f64 {
    if recipe.capture.needle_drop {
        0.5 * recipe.capture.lead_in_s
    } else {
        0.0
    }
}

/// Where and how large a bump is.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Bump {
    /// Moments at which it passes the left and the right contact.
    at: [f64; 2],
    /// Height at each.
    height: [f64; 2],
    /// Half-width in seconds.
    width: f64,
}

/// What lies on a record and bends it.
#[derive(Debug, Clone, PartialEq)]
pub struct Disturbances {
    rate_hz: f64,
    /// Samples of the whole.
    frames: usize,
    clicks: Vec<Bump>,
    /// When the needle drops, and what the tip scrapes over then.
    drop: Option<(f64, Vec<Bump>)>,
    /// Height, and angular frequency.
    warp: Option<(f64, f64)>,
    /// End of the capture in seconds.
    end: f64,
}

impl Disturbances {
    /// The disturbances of a recipe in a capture of `frames` samples. What lies
    /// across both walls reaches the right one `late(t)` seconds after the left one, as
    /// the groove itself does.
    pub fn new(
        recipe: &Recipe,
        table: &Turntable,
        rate_hz: u32,
        frames: usize,
        late: impl Fn(f64) -> f64,
    ) -> Self {
        let from = touch_down(recipe);
        let end = recipe.length_s();
        let bump = |t, strength, random: &mut ChaCha8Rng| {
            bump((t, late(t)), strength, table.playing_speed(t), random)
        };
        let mut random = stream(recipe.seed, Purpose::Clicks, 0);
        let clicks = (recipe.impairments.clicks_per_s * (end - from)).round() as usize;
        let clicks = (0..clicks).map(|_| {
            let t = from + (end - from) * random.random::<f64>();
            bump(t, recipe.impairments.click_cm_s * 0.01, &mut random)
        });
        let clicks = clicks.collect();
        let drop = recipe.capture.needle_drop.then(|| {
            let mut random = stream(recipe.seed, Purpose::Drop, 0);
            let scrapes = (0..8).map(|_| {
                let t = from + 0.05 * random.random::<f64>();
                bump(t, 0.1, &mut random)
            });
            (from, scrapes.collect())
        });
        let warp = (recipe.impairments.warp_mm > 0.0).then(|| {
            let height = 0.5 * recipe.impairments.warp_mm * MILLIMETRE;
            (height, TAU * recipe.capture.rpm / 60.0)
        });
        Self {
            rate_hz: f64::from(rate_hz),
            frames,
            clicks,
            drop,
            warp,
            end,
        }
    }

    /// Number of clicks.
    pub fn clicks(&self) -> usize {
        self.clicks.len()
    }

    /// Adds to a stretch what lies in it.
    pub fn add(&self, traced: &mut Traced) {
        let rate = self.rate_hz;
        for bump in &self.clicks {
            bump.add(traced, rate);
        }
        let frames = traced.first..traced.first + traced.left.len();
        let both = |traced: &mut Traced, frame: usize, height: f64| {
            traced.left[frame - frames.start] += height;
            traced.right[frame - frames.start] -= height;
        };
        if let Some((from, scrapes)) = &self.drop {
            // The arm bounces on its suspension: about 12 Hz, a tenth of a second,
            // 0.1 mm (common practice, no source), and the tip scrapes.
            let begin = (from * rate) as usize;
            let end = begin + (1.0 * rate) as usize;
            for frame in begin.max(frames.start)..end.min(frames.end) {
                let t = (frame - begin) as f64 / rate;
                let bounce = 1e-4 * rise(t / 0.02)[0] * (-t / 0.1).exp() * (TAU * 12.0 * t).sin();
                both(traced, frame, bounce);
            }
            for scrape in scrapes {
                scrape.add(traced, rate);
            }
        }
        if let Some((height, w)) = self.warp {
            let total = self.frames as f64 / rate;
            for frame in frames.clone() {
                let t = frame as f64 / rate;
                let fade = rise(t / 0.1)[0] * rise((total - t) / (total - self.end))[0];
                both(traced, frame, height * fade * (w * t).sin());
            }
        }
    }
}

/// A bump on the left wall, the right wall, the floor, or both sides alike:
/// Gaussian along the groove, with the given median peak velocity.
fn bump((t, late): (f64, f64), strength: f64, speed: f64, random: &mut ChaCha8Rng) -> Bump {
    let spread: f64 = random.sample(StandardNormal);
    let peak = strength * (CLICK_SPREAD * spread).exp();
    let width = random.random_range(CLICK_WIDTH[0]..CLICK_WIDTH[1]) / speed;
    // A Gaussian of height a and half-width w has the peak slope a / (w e^0.5).
    let height = peak * width * 0.5f64.exp();
    let walls = match random.random_range(0..4) {
        0 => [1.0, 0.0],
        1 => [0.0, -1.0],
        2 => [1.0, -1.0],
        _ => [1.0, 1.0],
    };
    let sign = if random.random::<bool>() { 1.0 } else { -1.0 };
    Bump {
        at: [t, t + late],
        height: walls.map(|wall| wall * sign * height),
        width,
    }
}

impl Bump {
    fn add(&self, traced: &mut Traced, rate: f64) {
        let reach = 6.0 * self.width;
        let start = traced.first;
        for ((side, t), height) in [&mut traced.left, &mut traced.right]
            .into_iter()
            .zip(self.at)
            .zip(self.height)
        {
            let first = ((t - reach) * rate).max(0.0) as usize;
            let last = ((t + reach) * rate).max(0.0) as usize;
            for frame in first.max(start)..last.min(start + side.len()) {
                let x = (frame as f64 / rate - t) / self.width;
                side[frame - start] += height * (-0.5 * x * x).exp();
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scene(dirt: &str) -> (Recipe, Turntable, Traced) {
        let recipe = Recipe::parse(&format!(
            "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 4\n[capture]\n\
             radius_mm = 72\nrpm = 33\nsample_rate_hz = 48000\n[dirt]\n{dirt}"
        ))
        .unwrap();
        let table = Turntable::new(&recipe);
        let silent = vec![0.0; 4 * 192_000];
        let traced = Traced {
            first: 0,
            left: silent.clone(),
            right: silent,
        };
        (recipe, table, traced)
    }

    /// Adds the disturbances in two stretches; the number of clicks.
    fn add(
        traced: &mut Traced,
        recipe: &Recipe,
        table: &Turntable,
        rate_hz: u32,
        late: impl Fn(f64) -> f64,
    ) -> usize {
        let frames = traced.left.len();
        let disturbances = Disturbances::new(recipe, table, rate_hz, frames, late);
        let half = frames / 2 - 7;
        let mut behind = Traced {
            first: half,
            left: traced.left.split_off(half),
            right: traced.right.split_off(half),
        };
        disturbances.add(traced);
        disturbances.add(&mut behind);
        traced.left.append(&mut behind.left);
        traced.right.append(&mut behind.right);
        disturbances.clicks()
    }

    #[test]
    fn clicks_are_counted_and_as_strong_as_asked() {
        let (recipe, table, mut traced) = scene("clicks_per_s = 3\nclick_cm_s = 10\n");
        assert_eq!(add(&mut traced, &recipe, &table, 192_000, |_| 0.0), 12);
        let peak = |samples: &[f64]| {
            samples
                .windows(2)
                .map(|w| (w[1] - w[0]).abs() * 192e3)
                .fold(0.0, f64::max)
        };
        // The strongest of 12 lies within e^(+-3 spread) of the median.
        let strongest = peak(&traced.left).max(peak(&traced.right));
        assert!((0.1..0.45).contains(&strongest), "{strongest}");
    }

    /// What lies across the groove is read as the groove is, three samples late here.
    #[test]
    fn clicks_of_both_walls_carry_the_delay() {
        let (recipe, table, mut traced) = scene("clicks_per_s = 8\n");
        let late = |_| 3.0 / 192e3;
        add(&mut traced, &recipe, &table, 192_000, late);
        let (mut alone, mut both) = (0, 0);
        let top = traced
            .left
            .iter()
            .fold(0.0, |most: f64, v| most.max(v.abs()));
        for (l, r) in traced.left.iter().zip(&traced.right[3..]) {
            if l.abs().max(r.abs()) < 1e-3 * top {
                continue;
            }
            match l.abs().min(r.abs()) / l.abs().max(r.abs()) {
                0.0 => alone += 1,
                share => {
                    both += 1;
                    assert!((share - 1.0).abs() < 1e-6, "{l} {r}");
                }
            }
        }
        assert!(alone > 0 && both > 0, "{alone} {both}");
    }

    #[test]
    fn a_warp_is_vertical() {
        let (recipe, table, mut traced) = scene("warp_mm = 1\n");
        add(&mut traced, &recipe, &table, 192_000, |_| 0.0);
        assert!(traced.left.iter().zip(&traced.right).all(|(l, r)| *l == -r));
        let top = traced.left.iter().fold(0.0, |most: f64, v| most.max(*v));
        assert!((top - 0.5e-3).abs() < 1e-9);
    }
}
