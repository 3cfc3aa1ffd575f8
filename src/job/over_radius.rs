//! A recording taken in stretches: measured and adjusted delay over the radius.

use super::description::Job;
use super::network::{CaptureData, tidy};
use super::scatter::SeriesPoint;
use super::solution::Solved;
use crate::adjust::Coefficients;
use crate::units::{MICROSECOND, MILLIMETRE};
use serde::{Deserialize, Serialize};

/// A stretch of a recording. Cartridge and equaliser terms are as adjusted, so measured minus
/// predicted shows noise and model errors.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct StretchResult {
    /// Number of the capture in the job, from 1.
    pub capture: usize,
    /// Radius at its start and its end, as stated, millimetres.
    pub radius_mm: [f64; 2],
    /// Delay, right after left, microseconds.
    pub delay_us: f64,
    /// Its standard uncertainty without the errors shared by the stretches, microseconds.
    pub own_u_us: f64,
    /// The adjusted delay, microseconds.
    pub predicted_us: f64,
    /// Its standard uncertainty, microseconds.
    pub predicted_u_us: f64,
}

impl StretchResult {
    /// Radius in its middle, millimetres.
    pub fn middle_mm(&self) -> f64 {
        0.5 * (self.radius_mm[0] + self.radius_mm[1])
    }

    /// Measured delay with its uncertainty, over the radius.
    pub fn measured(&self) -> SeriesPoint {
        self.at(self.delay_us, self.own_u_us)
    }

    /// Adjusted delay over the radius.
    pub fn predicted(&self) -> SeriesPoint {
        self.at(self.predicted_us, self.predicted_u_us)
    }

    fn at(&self, delay_us: f64, standard_uncertainty_us: f64) -> SeriesPoint {
        SeriesPoint {
            x: self.middle_mm(),
            delay_us,
            standard_uncertainty_us,
        }
    }
}

/// One recording's delay over the radius.
#[derive(Debug, Clone, PartialEq)]
pub struct OverRadius {
    /// The recording.
    pub file: String,
    /// Its stretches, in their order.
    pub stretches: Vec<StretchResult>,
}

impl OverRadius {
    /// Every recording of a job that was taken in stretches.
    pub fn of(job: &Job, data: &[Option<CaptureData>], solved: &Solved) -> Vec<Self> {
        let mut curves: Vec<Self> = Vec::new();
        for (at, (spec, data)) in job.captures.iter().zip(data).enumerate() {
            let (Some(stretch), Some(data)) = (spec.stretch(), data) else {
                continue;
            };
            if stretch.which == 0 || curves.is_empty() {
                let file = spec.file();
                curves.push(Self {
                    file: file.unwrap_or_else(|| spec.describe(at)),
                    stretches: Vec::new(),
                });
            }
            if let Some(curve) = curves.last_mut() {
                let result = solved.stretch(at, data, spec.radius);
                curve.stretches.extend(result);
            }
        }
        curves.retain(|curve| curve.stretches.len() > 1);
        curves
    }
}

impl Solved {
    fn stretch(&self, at: usize, data: &CaptureData, radius: [f64; 2]) -> Option<StretchResult> {
        let block = self.network.capture_blocks.get(at).copied().flatten()?;
        let block = &self.network.problem.blocks()[block];
        let unknowns = block.unknowns();
        let found = block.evaluate(&self.adjustment.values);
        let row = found.jacobian.row(0);
        let mut own = Coefficients::default();
        for (a, &i) in unknowns.iter().enumerate() {
            own.add(i, row[a]);
        }
        let variance = self.adjustment.variance(&own);
        // with the terms beside the delay as adjusted
        let information = &data.information;
        let weight = information.matrix[[0, 0]];
        let beside = (1..information.terms.len())
            .map(|k| information.matrix[[0, k]] * found.values[k])
            .sum::<f64>();
        Some(StretchResult {
            capture: at + 1,
            radius_mm: radius.map(|r| tidy(r / MILLIMETRE)),
            delay_us: (information.vector[0] - beside) / weight / MICROSECOND,
            own_u_us: weight.recip().sqrt() / MICROSECOND,
            predicted_us: found.values[0] / MICROSECOND,
            predicted_u_us: variance.max(0.0).sqrt() / MICROSECOND,
        })
    }
}
