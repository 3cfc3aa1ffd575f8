//! Reading the groove: what the two walls do to the stylus, as displacement
//! of the two channels against playing time.

use super::cut::Groove;
use super::recipe::PutIn;
use super::turntable::Turntable;
use crate::units::{MICROMETRE, MICROSECOND};
use rayon::prelude::*;
use std::f64::consts::SQRT_2;

/// Samples traced as one piece of work.
const PIECE: usize = 8192;

/// Displacement of the two channels in metres: each is the motion of its wall
/// seen along the 45/45 axis times sqrt 2, so that a lateral cut gives both
/// the lateral displacement, and a vertical cut plus and minus the vertical
/// one.
#[derive(Debug, Clone, PartialEq)]
pub struct Traced {
    /// Left channel, inner wall.
    pub left: Vec<f64>,
    /// Right channel, outer wall.
    pub right: Vec<f64>,
}

/// Reads both walls at two points apart by a delay put in by hand: the left
/// one half the delay early, the right one half late.
pub fn read_points(
    groove: &Groove,
    gains: [f64; 2],
    cutter_skew: f64,
    table: &Turntable,
    put_in: PutIn,
    frames: usize,
    rate_hz: u32,
) -> Traced {
    let wall = |gain: f64, side: f64, skew: f64| {
        each(frames, |piece, start| {
            for (offset, sample) in piece.iter_mut().enumerate() {
                let t = (start + offset) as f64 / f64::from(rate_hz);
                let apart = put_in.us * MICROSECOND * table.speed_ratio()
                    + put_in.path_um * MICROMETRE / table.cutting_speed(t);
                let time = table.cut_time(t) - 0.5 * side * apart - skew;
                *sample = SQRT_2
                    * gain
                    * side
                    * groove.displacement.at(time * f64::from(groove.rate_hz))[0];
            }
        })
    };
    Traced {
        left: wall(gains[0], -1.0, 0.0),
        right: wall(gains[1], 1.0, cutter_skew),
    }
}

/// Fills samples piece by piece; pieces are fixed, so threads change nothing.
fn each(frames: usize, work: impl Fn(&mut [f64], usize) + Sync) -> Vec<f64> {
    let mut samples = vec![0.0; frames];
    samples
        .par_chunks_mut(PIECE)
        .enumerate()
        .for_each(|(piece, chunk)| work(chunk, piece * PIECE));
    samples
}
