//! A step of the delay along a recording.

use super::GroupDelay;
use super::limits::{LEAST_STEP_SAMPLES, STEP_P};
use crate::uncertainty::student_coverage_factor;

/// Samples lost or repeated in one channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Step {
    /// Where in the span, 0 to 1.
    pub position: f64,
    /// Change of the right channel's delay, samples.
    pub samples: f64,
}

/// The most significant step beside a straight line over time, if it is significant and
/// at least half a sample.
///
/// Least squares of a line and a step at each of the places between two stretches; the
/// ratio of the step to its standard uncertainty, by the scatter that the three leave, is
/// Student's t with three degrees of freedom less than there are stretches. Of all places
/// the largest is taken, so each has its part of the probability (Bonferroni).
pub(super) fn step(along: &[GroupDelay], sample_rate_hz: f64) -> Option<Step> {
    let counted: Vec<&GroupDelay> = along.iter().filter(|g| g.weight > 0.0).collect();
    let places = counted.len().checked_sub(1)?;
    let degrees = places as f64 - 2.0;
    if degrees < 1.0 {
        return None;
    }
    // weighted sums of the products of two columns
    let dot = |a: &dyn Fn(usize) -> f64, b: &dyn Fn(usize) -> f64| -> f64 {
        let each = counted.iter().enumerate();
        each.map(|(k, g)| a(k) * b(k) / g.standard_uncertainty_s.powi(2))
            .sum()
    };
    let whole = dot(&|_| 1.0, &|_| 1.0);
    let middle = dot(&|k| counted[k].position, &|_| 1.0) / whole;
    let time = |k: usize| counted[k].position - middle;
    let spread = dot(&time, &time);
    // what a line leaves of a column
    let left = |of: &dyn Fn(usize) -> f64| -> Vec<f64> {
        let (mean, slope) = (dot(of, &|_| 1.0) / whole, dot(of, &time) / spread);
        (0..counted.len())
            .map(|k| of(k) - mean - slope * time(k))
            .collect()
    };
    let delays = left(&|k| counted[k].delay_s);
    let all = dot(&|k| delays[k], &|k| delays[k]);
    let (place, size, t) = (1..=places)
        .map(|place| {
            let after = left(&|k| f64::from(u8::from(k >= place)));
            let own = dot(&|k| after[k], &|k| after[k]);
            let size = dot(&|k| after[k], &|k| delays[k]) / own;
            let scatter = (all - size * size * own).max(0.0) / degrees;
            (place, size, size.abs() * (own / scatter).sqrt())
        })
        .filter(|(.., t)| !t.is_nan())
        .max_by(|a, b| a.2.total_cmp(&b.2))?;
    let limit = student_coverage_factor(1.0 - STEP_P / places as f64, degrees);
    let samples = size * sample_rate_hz;
    (t > limit && samples.abs() > LEAST_STEP_SAMPLES).then(|| Step {
        position: 0.5 * (counted[place - 1].position + counted[place].position),
        samples,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};

    const RATE: f64 = 96_000.0;

    /// Stretches of equal weight, with noise of 0.2 us on a drift of 1 us.
    fn stretches(count: usize, seed: u64, step: impl Fn(usize) -> f64) -> Vec<GroupDelay> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        (0..count)
            .map(|k| {
                let position = (k as f64 + 0.5) / count as f64;
                let noise = (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0;
                GroupDelay {
                    position,
                    delay_s: 3e-6 + 1e-6 * position + 0.2e-6 * noise + step(k),
                    standard_uncertainty_s: 0.2e-6,
                    weight: 1.0 / count as f64,
                }
            })
            .collect()
    }

    #[test]
    fn a_lost_sample_is_found_where_it_was_lost() {
        for (lost, at) in [(1.0, 20), (-1.0, 4), (3.0, 36)] {
            let along = stretches(40, 7, |k| if k >= at { lost / RATE } else { 0.0 });
            let found = step(&along, RATE).unwrap();
            assert!(
                (found.position - at as f64 / 40.0).abs() < 1e-9,
                "{found:?}"
            );
            // 0.2 us of noise over four stretches at least: 0.1 us, five times
            assert!(
                (found.samples - lost).abs() < 5.0 * 0.1e-6 * RATE,
                "{found:?}"
            );
        }
    }

    /// No step, a third of a sample, and a wave as an eccentric record makes it are none.
    #[test]
    fn what_is_no_lost_sample_is_not_taken_for_one() {
        for seed in 0..300 {
            assert_eq!(step(&stretches(40, seed, |_| 0.0), RATE), None, "{seed}");
        }
        let third = |k: usize| if k >= 20 { 0.33 / RATE } else { 0.0 };
        assert_eq!(step(&stretches(40, 1, third), RATE), None);
        let wave = |k: usize| 4e-6 * (k as f64 * 0.9).sin();
        assert_eq!(step(&stretches(40, 1, wave), RATE), None);
        assert_eq!(step(&stretches(3, 1, third), RATE), None);
        // a first stretch with next to no programme, far off by its noise
        let mut along = stretches(40, 1, |k| if k == 0 { 1e-4 } else { 0.0 });
        assert!(step(&along, RATE).is_some());
        along[0].standard_uncertainty_s = 5e-5;
        assert_eq!(step(&along, RATE), None);
        assert_eq!(step(&[], RATE), None);
    }
}
