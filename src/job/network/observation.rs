//! The forward model of one capture, and the effect of its unknowns.

use super::super::description::CaptureSpec;
use super::super::priors::{self};
use super::builder::Equipment;
use super::inputs::TrackingBasis;
use crate::adjust::Linearisation;
use crate::delay::{Node, Side};
use crate::groove::{Arm, Conditions, ModelInput, Tip};
use ndarray::{Array1, Array2};

/// Effect of an unknown on a capture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Effect {
    /// It is this input.
    Input(ModelInput),
    /// Adds to the radius, with these weights at the start and at the end of the part.
    Radius([f64; 2]),
    /// Adds to the tracking error with this basis function.
    Tracking(TrackingBasis),
    /// Adds to the side radius for each of this many hours of play.
    Wear(f64),
    /// It is a term of the information, on this side of the swap point.
    Term(usize, Side),
}

/// A quantity of a capture: exact, or one of the job's unknowns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum FixedOrUnknown {
    Exact(f64),
    Unknown(usize, f64),
}

/// The forward model of one capture.
#[derive(Debug, Clone)]
pub(super) struct Observation {
    pub(super) base: Conditions,
    pub(super) radius: [f64; 2],
    pub(super) nodes: Vec<Node>,
    pub(super) terms: usize,
    /// Growth of the side radius by wear that is known exactly, metres.
    pub(super) worn: f64,
    pub(super) unknowns: Vec<usize>,
    pub(super) effects: Vec<Effect>,
}

impl Observation {
    /// A capture without any quantity yet.
    pub(super) fn new(
        spec: &CaptureSpec,
        with: &Equipment<'_>,
        nodes: Vec<Node>,
        terms: usize,
    ) -> Self {
        let tip = Tip {
            profile: with.cartridge.tip(),
            size: [0.0; 3],
        };
        let arm = with.arm.map(|_| Arm {
            effective_length: 0.0,
            pivot_to_spindle: 0.0,
            offset: 0.0,
        });
        let nodes = match spec.radius {
            [start, end] if start == end => vec![Node {
                position: 0.5,
                weight: nodes.iter().map(|n| n.weight).sum(),
            }],
            _ => nodes,
        };
        Self {
            base: Conditions {
                rotation: 0.0,
                turn: 0.0,
                radius: spec.radius[0],
                rpm: spec.nominal_rpm(),
                tip,
                half_angle: 0.0,
                cut: 0.0,
                lathe_offset: 0.0,
                record_skew: 0.0,
                cut_rpm: with.record.cut_rpm.unwrap_or(priors::DEFAULT_CUT_RPM),
                cartridge_skew: 0.0,
                scale: 1.0,
                chain_skew: 0.0,
                arm,
                tracking: 0.0,
                swapped: spec.swapped,
            },
            radius: spec.radius,
            nodes,
            terms,
            worn: 0.0,
            unknowns: Vec::new(),
            effects: Vec::new(),
        }
    }

    /// Adds a quantity: an exact one once, an unknown at every evaluation.
    pub(super) fn depends(&mut self, place: FixedOrUnknown, effect: Effect) {
        let (FixedOrUnknown::Exact(value) | FixedOrUnknown::Unknown(_, value)) = place;
        match (effect, place) {
            (Effect::Input(input), _) => {
                if let Some(field) = self.base.input_mut(input) {
                    *field = value;
                }
            }
            (Effect::Radius(weights), FixedOrUnknown::Exact(_)) => {
                shift(&mut self.radius, weights, value)
            }
            (Effect::Wear(hours), FixedOrUnknown::Exact(_)) => self.worn += hours * value,
            _ => {}
        }
        if let FixedOrUnknown::Unknown(k, _) = place {
            self.unknowns.push(k);
            self.effects.push(effect);
        }
    }

    /// The same where the last unknown is a difference, added to that at index `at`.
    pub(super) fn evaluate_apart(&self, own: &[f64], at: usize) -> Linearisation {
        let (difference, own) = own.split_last().unwrap_or((&0.0, &[]));
        let mut moved = own.to_vec();
        moved[at] += difference;
        let mut seen = self.evaluate(&moved);
        let column = seen.jacobian.column(at).to_owned();
        // a column always has as many entries as the matrix rows
        let _ = seen.jacobian.push_column(column.view());
        seen
    }

    /// Change of the predicted delay if its leads were wrongly stated.
    pub(super) fn change_by_leads(&self, own: &[f64]) -> Array1<f64> {
        let mut other = self.clone();
        other.base.swapped = !self.base.swapped;
        other.evaluate(own).values - self.evaluate(own).values
    }

    pub(super) fn evaluate(&self, own: &[f64]) -> Linearisation {
        let mut values = Array1::zeros(self.terms);
        let mut jacobian = Array2::zeros((self.terms, own.len()));
        let mut conditions = self.base;
        let mut radius = self.radius;
        for (column, (&effect, &value)) in self.effects.iter().zip(own).enumerate() {
            match effect {
                Effect::Radius(weights) => shift(&mut radius, weights, value),
                Effect::Input(input) => {
                    if let Some(field) = conditions.input_mut(input) {
                        *field = value;
                    }
                }
                Effect::Tracking(_) => {}
                Effect::Wear(hours) => conditions.tip.size[1] += hours * value,
                Effect::Term(row, side) => {
                    let sign = match side {
                        Side::BeforeSwap if self.base.swapped => -1.0,
                        _ => 1.0,
                    };
                    values[row] += sign * value;
                    jacobian[[row, column]] += sign;
                }
            }
        }
        conditions.tip.size[1] += self.worn;
        for node in &self.nodes {
            let along = |[start, end]: [f64; 2]| start + (end - start) * node.position;
            conditions.radius = along(radius);
            let mut tracking_by_radius = 0.0;
            conditions.tracking = self.base.tracking;
            for (&effect, &value) in self.effects.iter().zip(own) {
                if let Effect::Tracking(course) = effect {
                    let [weight, slope] = course.at(conditions.radius);
                    conditions.tracking += weight * value;
                    tracking_by_radius += slope * value;
                }
            }
            let mut prediction = conditions.predict();
            prediction.gradient[ModelInput::Radius as usize] +=
                tracking_by_radius * prediction.gradient[ModelInput::Tracking as usize];
            values[0] += node.weight * prediction.delay;
            for (column, &effect) in self.effects.iter().enumerate() {
                let (input, weight) = match effect {
                    Effect::Input(input) => (input, 1.0),
                    Effect::Radius(weights) => (ModelInput::Radius, along(weights)),
                    Effect::Tracking(course) => {
                        (ModelInput::Tracking, course.at(conditions.radius)[0])
                    }
                    Effect::Wear(hours) => (ModelInput::Size1, hours),
                    Effect::Term(..) => continue,
                };
                jacobian[[0, column]] += node.weight * weight * prediction.gradient[input as usize];
            }
        }
        Linearisation { values, jacobian }
    }
}

/// Adds a change to the radii at both ends, with its weight at each.
pub(super) fn shift(radius: &mut [f64; 2], weights: [f64; 2], value: f64) {
    for (radius, weight) in radius.iter_mut().zip(weights) {
        *radius += weight * value;
    }
}
