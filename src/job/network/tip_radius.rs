//! Observation of the tip's radius along the groove by tracing distortion.
//!
//! Tracing distortion has the coefficient `k = sqrt(2) r A c / (4 V^2)`
//! ([`Tracing::coefficient_s`](crate::spectrum::Tracing::coefficient_s)): `r` the radius, `A` the peak
//! lateral velocity at 1 kHz that full scale stands for, `V` the speed of the groove, and `c` the factor
//! by which crosstalk and vertical response reduce a motion of the channels in opposition, which is also
//! their factor on the groove's delay (to first order in the crosstalks).

use super::observation::{Effect, FixedOrUnknown, Observation, shift};
use crate::adjust::{AdjustError, Block, Linearisation};
use crate::analysis::Analysis;
use crate::groove::{ModelInput, Profile, groove_speed};
use ndarray::{Array1, Array2};
use serde::{Deserialize, Serialize};
use std::f64::consts::SQRT_2;

/// Tracing distortion of a recording.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct TracingObservation {
    /// Its coefficient in the middle of the analysed part, seconds.
    pub coefficient_s: f64,
    /// Its relative standard uncertainty by noise.
    pub relative_u: f64,
}

impl TracingObservation {
    /// That of an analysed recording, if any was found.
    pub(super) fn of(analysis: &Analysis) -> Option<Self> {
        let (coefficient_s, relative_u) = analysis.tracing_in_the_middle()?;
        Some(Self {
            coefficient_s,
            relative_u,
        })
    }

    /// Whether a recording with these data can show it.
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

/// The radius along the groove that tracing depends on: the radius of a spherical tip, else the side radius.
fn radius_input(profile: Profile) -> ModelInput {
    match profile {
        Profile::Spherical => ModelInput::Size0,
        _ => ModelInput::Size1,
    }
}

/// The tracing of one recording as an observation of the radius along the groove.
#[derive(Debug, Clone)]
pub(super) struct TipRadius {
    seen: TracingObservation,
    radius_input: ModelInput,
    observation: Observation,
    full_scale: FixedOrUnknown,
}

impl TipRadius {
    pub fn new(
        seen: TracingObservation,
        profile: Profile,
        mut observation: Observation,
        full_scale: FixedOrUnknown,
    ) -> Self {
        let radius_input = radius_input(profile);
        // it does not depend on the others
        let (unknowns, effects) = observation
            .unknowns
            .iter()
            .zip(&observation.effects)
            .filter(|(_, effect)| match effect {
                Effect::Input(input) => {
                    [radius_input, ModelInput::Scale, ModelInput::Rpm].contains(input)
                }
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

    /// As a block of the problem: predicted over measured coefficient, with the target one.
    pub fn block(self, label: String) -> Result<Block<'static>, AdjustError> {
        let mut unknowns = self.observation.unknowns.clone();
        if let FixedOrUnknown::Unknown(k, _) = self.full_scale {
            unknowns.push(k);
        }
        let weight = (self.seen.relative_u.powi(2) + MODEL * MODEL).recip();
        let information = Array2::from_elem((1, 1), weight);
        let vector = Array1::from_elem(1, weight);
        Block::data(label, unknowns, information, &vector, move |own| {
            self.evaluate(own)
        })
    }

    fn evaluate(&self, own: &[f64]) -> Linearisation {
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
            (FixedOrUnknown::Unknown(..), Some(&value)) => value,
            (FixedOrUnknown::Exact(value) | FixedOrUnknown::Unknown(_, value), _) => value,
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
            Effect::Input(ModelInput::Rpm) => -2.0 * ratio / conditions.rpm,
            Effect::Input(input) => ratio / of_input(&mut conditions, input),
            _ => 0.0,
        });
        let mut row: Vec<f64> = by_effect.collect();
        if let FixedOrUnknown::Unknown(..) = self.full_scale {
            row.push(ratio / full_scale);
        }
        Linearisation {
            values: Array1::from_elem(1, ratio),
            jacobian: Array1::from_vec(row).insert_axis(ndarray::Axis(0)),
        }
    }
}
