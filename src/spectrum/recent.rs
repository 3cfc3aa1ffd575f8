//! The latest few seconds of a running spectrum.

use super::{Bin, CrossSpectrum, Group, SignalQuality};
use std::collections::VecDeque;

/// The sums at one moment, as [`Engine::running_sums`](super::Engine::running_sums) gives them.
#[derive(Debug, Clone)]
pub struct RunningSums {
    pub(super) total: Vec<Bin>,
    pub(super) frames: u64,
    /// The last frame counted.
    pub(super) last_frame: u64,
    pub(super) span: (u64, u64),
    pub(super) quality: SignalQuality,
}

impl RunningSums {
    /// First sample that counts: it changes when a lead-in is discarded.
    pub fn began(&self) -> u64 {
        self.span.0
    }

    /// Signal quality so far.
    pub fn quality(&self) -> &SignalQuality {
        &self.quality
    }
}

/// The difference between moments of one [`super::Engine`].
///
/// Sums only grow, so what came in between two moments is the difference of their
/// totals (a frame beside a click may be taken out again a little later; a bin that
/// is less for it is left empty): no second engine, and memory for a few totals alone. The
/// rounding of that difference is 1e-16 of the total, which after a day is still
/// far below the 1e-9 of the single-precision transforms.
#[derive(Debug, Clone)]
pub struct RecentSpectrum {
    marks: VecDeque<RunningSums>,
    steps: usize,
}

impl RecentSpectrum {
    /// The spectrum over the latest `steps` sums (at least 1).
    pub fn new(steps: usize) -> Self {
        Self {
            marks: VecDeque::with_capacity(steps + 1),
            steps: steps.max(1),
        }
    }

    /// Adds sums of the same engine, later than those before.
    pub fn push(&mut self, mark: RunningSums) {
        // The engine forgets a lead-in, and may take rejected frames back.
        let grown = self.marks.back().is_none_or(|before| {
            before.frames == 0
                || before.span.0 == mark.span.0
                    && before.frames <= mark.frames
                    && before.quality.rejection_undone == mark.quality.rejection_undone
        });
        if !grown {
            self.marks.clear();
        }
        while self.marks.len() > self.steps {
            self.marks.pop_front();
        }
        self.marks.push_back(mark);
    }

    /// The spectrum of the samples between the sums, one group for each
    /// interval with frames; `None` without frames. `like` is the latest
    /// snapshot.
    pub fn spectrum(&self, like: &CrossSpectrum) -> Option<CrossSpectrum> {
        let (first, last) = (self.marks.front()?, self.marks.back()?);
        if first.frames == last.frames {
            return None;
        }
        let pairs = self.marks.iter().zip(self.marks.iter().skip(1));
        let groups: Vec<Group> = pairs
            .filter(|(a, b)| b.frames > a.frames)
            .map(|(a, b)| Group {
                first_frame: match a.frames == 0 {
                    true => like.groups.first().map_or(0, |g| g.first_frame),
                    false => a.last_frame + 1,
                },
                last_frame: b.last_frame,
                frames: b.frames - a.frames,
                bins: difference(&a.total, &b.total),
            })
            .collect();
        let hop = like.frame_length as u64 / 2;
        let start = groups.first()?.first_frame * hop;
        Some(CrossSpectrum {
            groups,
            quietest: Group::default(),
            span: (start.max(last.span.0), last.span.1),
            quality: last.quality.since(&first.quality),
            ..*like
        })
    }
}

fn difference(before: &[Bin], after: &[Bin]) -> Vec<Bin> {
    after
        .iter()
        .zip(before)
        .map(|(after, before)| {
            if after.left < before.left || after.right < before.right {
                return Bin::default();
            }
            Bin {
                left: after.left - before.left,
                right: after.right - before.right,
                re: after.re - before.re,
                im: after.im - before.im,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::{Engine, EngineSettings};
    use super::*;
    use rand::{RngExt, SeedableRng};

    fn engine() -> Engine {
        Engine::new(EngineSettings {
            sample_rate_hz: 48_000.0,
            alignment: 0,
            whole: false,
        })
        .unwrap()
    }

    /// The recent sums and all sums before them are the whole; powers and counts
    /// as well.
    #[test]
    fn earlier_and_recent_make_the_whole() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(11);
        let mut block = |level: f32| -> Vec<f32> {
            (0..24_000)
                .map(|_| level * (rng.random::<f32>() - 0.5))
                .collect()
        };
        let (mut engine, mut recent) = (engine(), RecentSpectrum::new(4));
        let mut before = None;
        for step in 0..12 {
            let mut left = block(if step < 8 { 0.1 } else { 0.4 });
            let right = left.clone();
            if step == 10 {
                left[7] = 1.0;
            }
            engine.push(&left, &right);
            let snapshot = engine.snapshot();
            recent.push(engine.running_sums());
            if step == 7 {
                before = Some(snapshot);
            } else if step == 11 {
                let before = before.as_ref().unwrap();
                let part = recent.spectrum(&snapshot).unwrap();
                assert_eq!(part.frames() + before.frames(), snapshot.frames());
                assert_eq!(part.groups.len(), 4);
                assert_eq!(part.quality.clipped, 1);
                assert_eq!(part.span.1, snapshot.span.1);
                // four steps of half a second, less what a frame reaches over
                let seconds = (part.span.1 - part.span.0) as f64 / 48_000.0;
                assert!((seconds - 2.0).abs() < 0.1, "{seconds}");
                for ((part, before), all) in part
                    .total()
                    .iter()
                    .zip(before.total())
                    .zip(snapshot.total())
                {
                    // a sum of a difference: a few roundings of the larger
                    let error = (part.left + before.left - all.left).abs();
                    assert!(error <= 16.0 * f64::EPSILON * all.left);
                }
                // uniform noise of width 0.4 has the variance 0.4^2 / 12; 2 s of
                // it scatter by a third of a percent
                let expected = 0.4_f64.powi(2) / 12.0;
                let found = part.quality.right_power;
                assert!((found / expected - 1.0).abs() < 0.02, "{found}");
            }
        }
    }

    #[test]
    fn nothing_new_is_nothing() {
        let (mut engine, mut recent) = (engine(), RecentSpectrum::new(3));
        for step in 0..8 {
            let level = if step < 4 { 0.1 } else { 0.0 };
            let block: Vec<f32> = (0..24_000)
                .map(|n| level * (n as f32 * 0.37).sin())
                .collect();
            engine.push(&block, &block);
            let snapshot = engine.snapshot();
            recent.push(engine.running_sums());
            let part = recent.spectrum(&snapshot);
            // the last frame with a tone in it also holds silence and is left out
            assert_eq!(part.is_some(), (2..6).contains(&step), "{step}");
        }
    }
}
