//! The bands of a recording, told by the pauses between them.
//!
//! What parts two bands is the depth of the quietest moment between them, against the quieter
//! of the two: the persistence of a valley in the level over time (Edelsbrunner, Letscher and
//! Zomorodian 2002, "Topological persistence and simplification"). A band counts if every
//! valley beside it is as deep as [`DEPTH_DB`]; nothing is compared with full scale, nor with
//! the loudest band of all, so that quiet bands beside loud ones are bands.

use super::limits::{
    CELL_S, FRAME_CELLS, IGNORED_CELLS, LOWEST_HZ, SHORTEST_BAND_FRAMES, SHORTEST_PAUSE_FRAMES,
};
use crate::capture::{self, CaptureError, ReadOptions, Source, Stereo};
use crate::spectrum::LEAD_IN_RATIO;

/// Level of digital silence, as power.
const NOTHING: f64 = 1e-20;

/// Depth of a pause, dB: what plays there holds a hundredth of the information of what plays
/// beside it, as that of a lead-in does (`LEAD_IN_RATIO` in `spectrum`).
pub fn depth_db() -> f64 {
    -10.0 * LEAD_IN_RATIO.log10()
}

/// A modulated part of a recording between two pauses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// Its start, seconds.
    pub from_s: f64,
    /// Its end, seconds.
    pub to_s: f64,
}

/// Finds the bands of a recording, in their order. `progress` is told the fraction done,
/// where the length is known.
///
/// # Errors
///
/// When the recording cannot be read.
pub fn bands(
    source: &Source,
    options: &ReadOptions,
    progress: &mut dyn FnMut(f64),
) -> Result<Vec<Span>, CaptureError> {
    let mut recording = capture::open(source, options)?;
    let rate = f64::from(recording.sample_rate_hz());
    let mut meter = BandMeter::new(rate);
    let mut block = Stereo::default();
    while recording.read(&mut block, 1 << 16)? > 0 {
        meter.push(&block);
        if let Some(all) = recording.frames() {
            progress(recording.position() as f64 / all.max(1) as f64);
        }
    }
    let frame_s = (FRAME_CELLS * meter.cell) as f64 / rate;
    let whole = opening(
        &closing(&meter.levels, SHORTEST_PAUSE_FRAMES),
        SHORTEST_BAND_FRAMES,
    );
    let span = |[first, last]: [usize; 2]| Span {
        // the frames at the ends are pauses in part
        from_s: (first + 1) as f64 * frame_s,
        to_s: last as f64 * frame_s,
    };
    Ok(split_at_pauses(&whole, depth_db())
        .into_iter()
        .map(span)
        .collect())
}

/// All that plays: from the start of the first of the bands of `file` to the end of the last.
///
/// # Errors
///
/// In words, when nothing plays.
pub fn programme(bands: &[Span], file: &str) -> Result<Span, String> {
    let ends = bands.first().zip(bands.last());
    let whole = ends.map(|(first, last)| Span {
        from_s: first.from_s,
        to_s: last.to_s,
    });
    whole.ok_or_else(|| {
        format!(
            "'{file}' contains no programme to divide into stretches; state where it starts and ends, in seconds"
        )
    })
}

/// Levels of frames, dB, both channels together.
struct BandMeter {
    /// Samples in a cell.
    cell: usize,
    /// Two high passes of the first order in each channel: their factor, and what went in and
    /// came out last.
    factor: f64,
    passed: [[[f64; 2]; 2]; 2],
    power: f64,
    samples: usize,
    cells: Vec<f64>,
    levels: Vec<f64>,
}

impl BandMeter {
    fn new(rate: f64) -> Self {
        Self {
            cell: (CELL_S * rate).round() as usize,
            factor: (1.0 + std::f64::consts::TAU * LOWEST_HZ / rate).recip(),
            passed: Default::default(),
            power: 0.0,
            samples: 0,
            cells: Vec::with_capacity(FRAME_CELLS),
            levels: Vec::new(),
        }
    }

    fn push(&mut self, block: &Stereo) {
        for (left, right) in block.left.iter().zip(&block.right) {
            for (sample, passes) in [left, right].into_iter().zip(&mut self.passed) {
                let mut value = f64::from(*sample);
                for [before, after] in passes {
                    *after = self.factor * (*after + value - *before);
                    *before = value;
                    value = *after;
                }
                self.power += value * value;
            }
            self.samples += 1;
            if self.samples == self.cell {
                self.cells.push(self.power / self.cell as f64);
                (self.power, self.samples) = (0.0, 0);
                self.frame();
            }
        }
    }

    fn frame(&mut self) {
        if self.cells.len() == FRAME_CELLS {
            let (_, power, _) = self
                .cells
                .select_nth_unstable_by(IGNORED_CELLS, |a, b| b.total_cmp(a));
            self.levels.push(10.0 * (*power + NOTHING).log10());
            self.cells.clear();
        }
    }
}

/// Each value replaced by the extreme one, by `pick`, from `before` places before to `after`
/// behind it.
fn extreme(values: &[f64], [before, after]: [usize; 2], pick: fn(f64, f64) -> f64) -> Vec<f64> {
    let all = values.len();
    (0..all)
        .map(|k| {
            let window = &values[k.saturating_sub(before)..all.min(k + after + 1)];
            window.iter().copied().fold(values[k], pick)
        })
        .collect()
}

/// Dips of fewer values than `length` filled: the closing of mathematical morphology (Serra
/// 1982, "Image analysis and mathematical morphology"). It moves no edge of what is longer.
fn closing(values: &[f64], length: usize) -> Vec<f64> {
    two_pass_extreme(values, length, f64::max, f64::min)
}

/// Peaks of fewer values than `length` cut off: the opening.
fn opening(values: &[f64], length: usize) -> Vec<f64> {
    two_pass_extreme(values, length, f64::min, f64::max)
}

/// One extreme over windows of `length` values, and the other of that over the mirrored windows.
fn two_pass_extreme(
    values: &[f64],
    length: usize,
    there: fn(f64, f64) -> f64,
    back: fn(f64, f64) -> f64,
) -> Vec<f64> {
    let (half, rest) = (length / 2, length - 1 - length / 2);
    extreme(&extreme(values, [half, rest], there), [rest, half], back)
}

/// First value of each band, and the first one behind it.
fn split_at_pauses(levels: &[f64], depth: f64) -> Vec<[usize; 2]> {
    let mut bands = Vec::new();
    // of the band that is running: where to look for it, and its highest level
    let mut running = levels.first().map(|level| (0, *level));
    // of the pause: its lowest level and where
    let mut lowest = (0, f64::INFINITY);
    let mut end = |(from, peak): (usize, f64), to: usize| {
        let within = |k: &usize| levels[*k] > peak - depth;
        let first = (from..to).find(within).unwrap_or(from);
        let last = (from..to).rev().find(within).unwrap_or(first);
        bands.push([first, last + 1]);
    };
    for (k, level) in levels.iter().copied().enumerate() {
        match &mut running {
            Some((_, peak)) if level > *peak - depth => *peak = peak.max(level),
            Some(band) => {
                end(*band, k);
                running = None;
                lowest = (k, level);
            }
            None if level < lowest.1 => lowest = (k, level),
            None if level >= lowest.1 + depth => running = Some((lowest.0, level)),
            None => {}
        }
    }
    if let Some(band) = running {
        end(band, levels.len());
    }
    bands
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt, SeedableRng};

    const RATE: u32 = 16_000;

    /// Noise of each stretch: seconds, decibels, and whether the right channel is silent.
    fn recording(stretches: &[(f64, f64, bool)], clicks_per_s: f64) -> Source {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let (mut left, mut right) = (Vec::new(), Vec::new());
        for &(seconds, db, left_only) in stretches {
            let gain = 10f64.powf(db / 20.0) * 3f64.sqrt();
            for _ in 0..(seconds * f64::from(RATE)) as usize {
                let hum = 0.01 * (left.len() as f64 * 0.02).sin();
                let common = gain * rng.random_range(-1.0..1.0);
                let click = match rng.random::<f64>() < clicks_per_s / f64::from(RATE) {
                    true => 0.5,
                    false => 0.0,
                };
                let mut wall = || 1e-3 * rng.random_range(-1.0..1.0) + hum;
                left.push((common + click + wall()) as f32);
                right.push(((if left_only { 0.0 } else { common }) + wall()) as f32);
            }
        }
        Source::of_samples("invented", RATE, &left, &right).unwrap()
    }

    fn found(source: &Source) -> Vec<Span> {
        bands(source, &ReadOptions::default(), &mut |_| ()).unwrap()
    }

    #[test]
    fn bands_are_found_by_their_pauses() {
        // a lead-in; bands of unlike levels, one of a single channel; a pause within the
        // programme that is too short; a needle drop that is no band; a run-out
        let quiet = -90.0;
        let source = recording(
            &[
                (3.0, quiet, false),
                (0.5, -10.0, false),
                (3.0, quiet, false),
                (12.0, -12.0, false),
                (2.0, quiet, false),
                (8.0, -24.0, true),
                (1.5, quiet, false),
                (5.0, -30.0, false),
                (0.7, quiet, false),
                (5.0, -30.0, false),
                (4.0, quiet, false),
            ],
            5.0,
        );
        let spans = found(&source);
        let truth = [(6.5, 18.5), (20.5, 28.5), (30.0, 40.7)];
        assert_eq!(spans.len(), truth.len(), "{spans:?}");
        for (span, (from, to)) in spans.iter().zip(truth) {
            // within the band, and no more than two frames of it left out
            assert!(
                (from..from + 0.21).contains(&span.from_s),
                "{span:?} {from}"
            );
            assert!((to - 0.21..=to).contains(&span.to_s), "{span:?} {to}");
        }
    }

    /// What plays without a pause is one band, whatever its level does.
    #[test]
    fn steps_and_shallow_dips_part_nothing() {
        let source = recording(
            &[
                (6.0, -10.0, false),
                (6.0, -25.0, false),
                (2.0, -26.0, false),
                (6.0, -12.0, false),
            ],
            0.0,
        );
        assert_eq!(found(&source).len(), 1);
        // and so is digital silence on both sides of it, or nothing at all
        let silence = Source::of_samples("nothing", RATE, &[0.0; 90_000], &[0.0; 90_000]).unwrap();
        assert_eq!(found(&silence).len(), 1);
    }

    /// A valley parts where it is as deep as asked from either side, and nowhere else.
    #[test]
    fn valleys_are_measured_from_their_lower_side() {
        let levels = [
            0.0, 0.0, -30.0, -15.0, -30.0, -45.0, -8.0, -20.0, -8.0, -60.0,
        ];
        assert_eq!(split_at_pauses(&levels, 20.0), [[0, 2], [6, 9]]);
        assert_eq!(split_at_pauses(&levels, 14.9), [[0, 2], [3, 4], [6, 9]]);
        assert_eq!(split_at_pauses(&levels, 11.9).len(), 4);
        assert_eq!(split_at_pauses(&[], 20.0), Vec::<[usize; 2]>::new());
        // short dips are filled and short peaks cut, and edges stay
        let step = [0.0, 0.0, 0.0, 0.0, 5.0, 5.0, 1.0, 5.0, 5.0, 0.0, 0.0, 9.0];
        let filled = [0.0, 0.0, 0.0, 0.0, 5.0, 5.0, 5.0, 5.0, 5.0, 0.0, 0.0, 9.0];
        assert_eq!(closing(&step, 2), filled);
        assert_eq!(
            opening(&filled, 2)[4..],
            [5.0, 5.0, 5.0, 5.0, 5.0, 0.0, 0.0, 0.0]
        );
    }
}
