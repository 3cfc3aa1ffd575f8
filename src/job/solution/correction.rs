//! The turn that corrects a rotation.

use crate::uncertainty::{Direction, Quantity};
use crate::units::DEGREE;
use serde::{Deserialize, Serialize};

/// Distance of a cartridge's mounting holes, millimetres: half an inch, the
/// trade's standard (common practice, no source).
const MOUNTING_HOLES_MM: f64 = 12.7;

/// How far the stylus lies ahead of the line through the mounting holes where
/// nothing is stated, millimetres (common practice, no source).
const HOLES_TO_STYLUS_MM: f64 = 9.5;

/// Turn that a headshell allows when none is stated, degrees (common
/// practice, no source).
const DEFAULT_MAX_TURN_DEG: f64 = 8.0;

/// What to do about a rotation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Correction {
    /// Turn to make, degrees, clockwise positive as seen from above.
    pub turn_deg: f64,
    /// The same in words.
    pub direction: Direction,
    /// Movement of one mounting hole against the other, along the arm, millimetres.
    pub mounting_hole_mm: f64,
    /// Sideways movement of both mounting holes in a turn about the stylus,
    /// millimetres, positive towards the spindle.
    pub mounting_holes_sideways_mm: f64,
    /// Distance assumed from the line through the holes forward to the stylus, millimetres.
    pub holes_to_stylus_mm: f64,
    /// Rotation in the headshell expected to remain, degrees.
    pub remaining_deg: f64,
}

/// The correction of a rotation in the headshell: the opposite turn about the
/// stylus, limited to what the headshell allows. `None` where the turn would not
/// be significant: the band contains zero, or the turn is smaller than half of the
/// band, so that it may as well lead away from zero.
///
/// A hole that lies `b` behind the stylus and `s` towards the spindle moves, with a
/// turn `a` clockwise seen from above, `s sin a` towards the arm's pivot and
/// `b sin a` away from the spindle (but for terms in `1 - cos a`, a hundredth of a
/// millimetre).
pub fn correction(
    headshell_deg: &Quantity,
    max_turn_deg: Option<f64>,
    holes_to_stylus_mm: Option<f64>,
) -> Option<Correction> {
    let half = headshell_deg.half_width()?;
    if headshell_deg.interval.contains(0.0) || headshell_deg.value.abs() <= half {
        return None;
    }
    let limit = max_turn_deg.unwrap_or(DEFAULT_MAX_TURN_DEG);
    let turn_deg = (-headshell_deg.value).clamp(-limit, limit);
    let holes_to_stylus_mm = holes_to_stylus_mm.unwrap_or(HOLES_TO_STYLUS_MM);
    let sine = (turn_deg * DEGREE).sin();
    Some(Correction {
        turn_deg,
        direction: Direction::of(turn_deg),
        mounting_hole_mm: MOUNTING_HOLES_MM * sine.abs(),
        mounting_holes_sideways_mm: -holes_to_stylus_mm * sine,
        holes_to_stylus_mm,
        remaining_deg: headshell_deg.value + turn_deg,
    })
}
