//! What earlier jobs have learned, with its covariance.

use super::description::Estimate;
use super::network::Parameter;
use ndarray::{Array1, Array2};
use std::collections::BTreeMap;

/// Posteriors of an earlier job, used as priors of this one.
#[derive(Debug, Clone, PartialEq)]
pub struct Knowledge {
    /// Where it was read from, as given.
    pub source: String,
    /// Stable ids of what is known, such as `record.A.cut_rotation_deg`.
    pub ids: Vec<String>,
    /// Values, each in the unit its id ends in.
    pub values: Vec<f64>,
    /// Covariance in those units.
    pub covariance: Array2<f64>,
    /// SHA-256 of the recordings it was learned from.
    pub captures: Vec<String>,
}

impl Knowledge {
    /// What is known of `id`, in the unit of the id.
    pub(super) fn estimate(&self, id: &str) -> Option<Estimate> {
        let k = self.ids.iter().position(|i| i == id)?;
        Some(Estimate {
            value: self.values[k],
            u: self.covariance[[k, k]].sqrt(),
        })
    }

    /// The part of it that concerns a job's parameters, as one prior block in
    /// SI units: parameters, values, covariance.
    pub(super) fn blocks(
        &self,
        index: &BTreeMap<String, usize>,
        parameters: &[Parameter],
    ) -> Option<(Vec<usize>, Array1<f64>, Array2<f64>)> {
        let (own, members): (Vec<usize>, Vec<usize>) = self
            .ids
            .iter()
            .enumerate()
            .filter_map(|(k, id)| Some((k, *index.get(id)?)))
            .unzip();
        if members.is_empty() {
            return None;
        }
        let factor = |k: usize| parameters[members[k]].factor;
        let values = (0..own.len())
            .map(|k| self.values[own[k]] * factor(k))
            .collect();
        let covariance = Array2::from_shape_fn((own.len(), own.len()), |(i, j)| {
            self.covariance[[own[i], own[j]]] * factor(i) * factor(j)
        });
        Some((members, values, covariance))
    }
}
