//! What a variance consists of, by what brought each part: a recording, a calibration, a
//! knowledge file, or the job and the table of priors.

use super::description::Job;
use super::network::{LEARNED, Network, id};
use crate::adjust;
use ndarray::Array1;
use std::collections::BTreeMap;

/// What brought a part of a variance.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Brought {
    /// A capture (its place in the job), by its readings and by unknowns of its own.
    Capture(usize),
    /// A calibration, by the beginning of its document's SHA-256.
    Calibration(String),
    /// The change of this chain since its last calibration.
    Change(String),
    /// Knowledge of earlier captures, by the origin that its unknowns have.
    Knowledge(String),
    /// What the job states, and what is assumed where it states nothing.
    Job,
}

/// Shares of the variance of a combination of unknowns, by what brought them; they add to 1.
/// Nothing where the variance is zero.
pub(super) fn shares(
    job: &Job,
    network: &Network,
    adjustment: &adjust::Solution,
    combination: &Array1<f64>,
) -> BTreeMap<Brought, f64> {
    let parts = network.problem.variance_parts(adjustment, combination);
    let whole: f64 = parts.iter().sum();
    let mut capture_of = vec![None; parts.len()];
    for (at, block) in network.capture_blocks.iter().enumerate() {
        if let Some(block) = block {
            capture_of[*block] = Some(at);
        }
    }
    let mut shares = BTreeMap::new();
    let blocks = network.problem.blocks().iter().zip(capture_of);
    for ((block, capture), part) in blocks.zip(parts).filter(|(_, part)| *part > 0.0) {
        let brought = match capture {
            Some(at) => Brought::Capture(at),
            None => by_prior(job, network, block.unknowns()),
        };
        *shares.entry(brought).or_insert(0.0) += part / whole;
    }
    shares
}

/// Where the prior of these unknowns comes from.
fn by_prior(job: &Job, network: &Network, unknowns: &[usize]) -> Brought {
    let mut parameters = unknowns.iter().map(|&k| &network.parameters[k]);
    let Some(first) = parameters.next() else {
        return Brought::Job;
    };
    // the job states what ties unknowns of different origins: a mounting
    if parameters.any(|p| p.origin != first.origin) {
        return Brought::Job;
    }
    if first.origin.starts_with(LEARNED) {
        return Brought::Knowledge(first.origin.clone());
    }
    let after = |prefix: &str| {
        let rest = first.id.strip_prefix(prefix)?;
        rest.split('.').next()
    };
    if let Some(at) = after("capture.").and_then(|n| n.parse::<usize>().ok()) {
        return Brought::Capture(at - 1);
    }
    if let Some(calibration) = after("calibration.") {
        return Brought::Calibration(calibration.to_owned());
    }
    let mut chains = job.chains.iter();
    let changed = chains.find(|(name, c)| c.beyond.is_some() && first.id == id::chain_skew(name));
    changed.map_or(Brought::Job, |(name, _)| Brought::Change(name.clone()))
}
