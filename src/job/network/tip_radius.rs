//! The tip's radius along the groove, as the tracing of a recording shows it.
//!
//! What tracing adds has the coefficient `k = sqrt(2) r A c / (4 V^2)`
//! ([`Tracing::coefficient_s`](crate::spectrum::Tracing::coefficient_s)): `r` the radius, `A` the peak
//! lateral velocity at 1 kHz that full scale stands for, `V` the speed of the groove, and `c` what
//! crosstalk and vertical response leave of a motion of the channels in opposition, which is their factor
//! on the groove's delay, too (to first order in the crosstalks).

use super::observation::{Effect, Observation, Place, shift};
use crate::adjust::{AdjustError, Block, Evaluation};
use crate::analysis::Analysis;
use crate::groove::{Input, Profile, groove_speed};
use ndarray::{Array1, Array2};
use serde::{Deserialize, Serialize};
use std::f64::consts::SQRT_2;

/// What the tracing of a recording shows.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TracingSeen {
    /// Its coefficient in the middle of the analysed part, seconds.
    pub coefficient_s: f64,
    /// Relative standard uncertainty of that by noise.
    pub relative_u: f64,
}

impl TracingSeen {
    /// What an analysed recording shows, if it shows any.
    pub(super) fn of(analysis: &Analysis) -> Option<Self> {
        let (coefficient_s, relative_u) = analysis.tracing_in_the_middle()?;
        Some(Self {
            coefficient_s,
            relative_u,
        })
    }

    /// Whether a recording can show it.
    pub(in crate::job) fn is_possible(&self) -> bool {
        [self.coefficient_s, self.relative_u]
            .iter()
            .all(|v| v.is_finite() && *v > 0.0)
    }
}

/// Relative standard uncertainty of the model: second order alone. The simulator's balls of 18 um at 60 mm and 6 cm/s,
/// the most that is usual, were found 4 % too large, ordinary ones 0.2 to 2 %; a line contact turned by 5
/// degrees 7 %, by its flanks.
const MODEL: f64 = 0.03;

/// The radius along the groove of which a tip's tracing tells: of a ball its own, else the side radius.
fn radius_input(profile: Profile) -> Input {
    match profile {
        Profile::Spherical => Input::Size0,
        _ => Input::Size1,
    }
}

/// The tracing of one recording as an observation of the radius along the groove.
#[derive(Debug, Clone)]
pub(super) struct TipRadius {
    seen: TracingSeen,
    radius_input: Input,
    observation: Observation,
    full_scale: Place,
}

impl TipRadius {
    pub fn new(
        seen: TracingSeen,
        profile: Profile,
        mut observation: Observation,
        full_scale: Place,
    ) -> Self {
        let radius_input = radius_input(profile);
        // the others do nothing to it
        let (unknowns, effects) = observation
            .unknowns
            .iter()
            .zip(&observation.effects)
            .filter(|(_, effect)| match effect {
                Effect::Input(input) => [radius_input, Input::Scale, Input::Rpm].contains(input),
                Effect::Radius(_) | Effect::Wear(_) => true,
                _ => false,
            })
            .unzip();
        observation.unknowns = unknowns;
        observation.effects = effects;
        Self {
            seen,
            radius_input,
            observation,
            full_scale,
        }
    }

    /// As a block of the problem: the coefficient predicted over the one that was seen, which is one.
    pub fn block(self, label: String) -> Result<Block<'static>, AdjustError> {
        let mut unknowns = self.observation.unknowns.clone();
        if let Place::Unknown(k, _) = self.full_scale {
            unknowns.push(k);
        }
        let weight = (self.seen.relative_u.powi(2) + MODEL * MODEL).recip();
        let information = Array2::from_elem((1, 1), weight);
        let vector = Array1::from_elem(1, weight);
        Block::data(label, unknowns, information, &vector, move |own| {
            self.evaluate(own)
        })
    }

    fn evaluate(&self, own: &[f64]) -> Evaluation {
        let mut conditions = self.observation.base;
        let mut radius = self.observation.radius;
        let effects = &self.observation.effects;
        for (effect, &value) in effects.iter().zip(own) {
            match *effect {
                Effect::Radius(weights) => shift(&mut radius, weights, value),
                Effect::Wear(hours) => conditions.tip.size[1] += hours * value,
                Effect::Input(input) => {
                    if let Some(field) = conditions.input_mut(input) {
                        *field = value;
                    }
                }
                _ => {}
            }
        }
        conditions.tip.size[1] += self.observation.worn;
        let full_scale = match (self.full_scale, own.last()) {
            (Place::Unknown(..), Some(&value)) => value,
            (Place::Exact(value) | Place::Unknown(_, value), _) => value,
        };
        let middle = |[start, end]: [f64; 2]| 0.5 * (start + end);
        let speed = groove_speed(middle(radius), conditions.rpm);
        let of_input = |conditions: &mut crate::groove::Conditions, input| {
            conditions.input_mut(input).map_or(f64::NAN, |v| *v)
        };
        let tip = of_input(&mut conditions, self.radius_input);
        let coefficient = SQRT_2 * tip * full_scale * conditions.scale / (4.0 * speed * speed);
        let ratio = coefficient / self.seen.coefficient_s;
        let by_effect = effects.iter().map(|effect| match *effect {
            Effect::Radius(weights) => -2.0 * ratio / middle(radius) * middle(weights),
            Effect::Wear(hours) => hours * ratio / tip,
            Effect::Input(Input::Rpm) => -2.0 * ratio / conditions.rpm,
            Effect::Input(input) => ratio / of_input(&mut conditions, input),
            _ => 0.0,
        });
        let mut row: Vec<f64> = by_effect.collect();
        if let Place::Unknown(..) = self.full_scale {
            row.push(ratio / full_scale);
        }
        Evaluation {
            values: Array1::from_elem(1, ratio),
            jacobian: Array1::from_vec(row).insert_axis(ndarray::Axis(0)),
        }
    }
}
