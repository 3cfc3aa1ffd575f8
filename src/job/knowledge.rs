//! What earlier jobs have learned, with its covariance.

use super::description::Estimate;
use super::network::Parameter;
use crate::outside::without_content;
use ndarray::{Array1, Array2};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use thiserror::Error;

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

/// Why a knowledge file cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error(
    "'{file}' is not a knowledge file of format 1 ({reason}); write one with 'solve --export-knowledge'"
)]
pub struct KnowledgeError {
    file: String,
    reason: String,
}

/// The file as written.
#[derive(Debug, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct KnowledgeFile {
    /// Always 1.
    format: u32,
    /// Always "groovelag knowledge".
    kind: String,
    /// SHA-256 of the recordings it was learned from.
    captures: Vec<String>,
    /// What is known, such as `record.A.cut_rotation_deg`.
    ids: Vec<String>,
    /// Values, each in the unit its id ends in.
    values: Vec<f64>,
    /// Covariance: the lower triangle, row by row.
    covariance: Vec<Vec<f64>>,
}

const FORMAT: u32 = 1;
const KIND: &str = "groovelag knowledge";

impl Knowledge {
    /// Reads the text of a knowledge file; `file` serves the messages.
    pub fn parse(text: &str, file: &str) -> Result<Self, KnowledgeError> {
        let refuse = |reason: &str| KnowledgeError {
            file: file.to_owned(),
            reason: reason.to_owned(),
        };
        let read: KnowledgeFile =
            toml::from_str(text).map_err(|e| refuse(&without_content(e.message())))?;
        if read.format != FORMAT || read.kind != KIND {
            return Err(refuse("its format or kind is another"));
        }
        let n = read.ids.len();
        let triangle = read.covariance.len() == n
            && read
                .covariance
                .iter()
                .enumerate()
                .all(|(i, r)| r.len() == i + 1);
        if read.values.len() != n || !triangle {
            return Err(refuse("ids, values and covariance differ in length"));
        }
        let numbers = read.values.iter().chain(read.covariance.iter().flatten());
        let variances = read.covariance.iter().filter_map(|r| r.last());
        if !numbers.into_iter().all(|v| v.is_finite()) || variances.into_iter().any(|&v| v <= 0.0) {
            return Err(refuse("a value is not finite or a variance not positive"));
        }
        Ok(Self {
            source: file.to_owned(),
            covariance: Array2::from_shape_fn((n, n), |(i, j)| read.covariance[i.max(j)][i.min(j)]),
            ids: read.ids,
            values: read.values,
            captures: read.captures,
        })
    }

    /// The text of its file.
    pub fn to_text(&self) -> String {
        let file = KnowledgeFile {
            format: FORMAT,
            kind: KIND.to_owned(),
            captures: self.captures.clone(),
            ids: self.ids.clone(),
            values: self.values.clone(),
            covariance: (0..self.ids.len())
                .map(|i| (0..=i).map(|j| self.covariance[[i, j]]).collect())
                .collect(),
        };
        // tables of finite numbers and text always have a TOML form
        toml::to_string(&file).unwrap_or_default()
    }

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
