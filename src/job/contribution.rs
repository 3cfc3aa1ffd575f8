//! Shares of a variance by source: a recording, a calibration, a knowledge file, the
//! job, or the table of priors.

use super::description::Job;
use super::network::{KNOWN, Network, Parameter, RESPONSE, STATED, TRACING, id, known_in};
use super::scope::Scope;
use crate::adjust::Coefficients;
use std::collections::BTreeMap;

/// Source of a share of a variance.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum VarianceSource {
    /// A capture (its index in the job), by its readings and by unknowns of its own.
    Capture(usize),
    /// Recordings of one cartridge together: its response, as far as they leave it unknown, and their
    /// tracing.
    Recordings,
    /// Captures of other cartridges, where a large job does not list them.
    OtherCartridges,
    /// A calibration, by the beginning of its document's SHA-256.
    Calibration(String),
    /// The change of this chain since its last calibration.
    Change(String),
    /// An included file, by its captures and its stated values, in the words of [`known_in`].
    Knowledge(String),
    /// Values that the job states with an uncertainty.
    Stated,
    /// Default priors.
    Assumed,
}

/// Shares of the variance of a combination of unknowns, by source; they add to 1. Empty
/// where the variance is zero.
pub(super) fn shares(
    job: &Job,
    network: &Network,
    scope: &Scope<'_>,
    combination: &Coefficients,
) -> BTreeMap<VarianceSource, f64> {
    let parts = scope.variance_parts(combination);
    let whole: f64 = parts.iter().map(|(_, part)| part).sum();
    let mut shares = BTreeMap::new();
    for (at, part) in parts.into_iter().filter(|(_, part)| *part > 0.0) {
        let brought = at.map_or(VarianceSource::OtherCartridges, |at| {
            source_of_block(job, network, at)
        });
        *shares.entry(brought).or_insert(0.0) += part / whole;
    }
    shares
}

/// Source of a block.
fn source_of_block(job: &Job, network: &Network, at: usize) -> VarianceSource {
    let words = &network.words[at];
    let mounting = network.mounting_origins.get(words);
    let block = &network.problem.blocks()[at];
    match (
        network.included[at],
        network.capture_of[at],
        mounting,
        block.unknowns(),
    ) {
        (Some(file), ..) => VarianceSource::Knowledge(known_in(&job.knowledge[file].source)),
        (_, Some(at), ..) => VarianceSource::Capture(at),
        (_, _, Some(origin), _) => source_by_origin(origin),
        _ if words == TRACING => VarianceSource::Recordings,
        (_, _, _, [first, ..]) => source_of_prior(job, &network.parameters[*first]),
        _ => VarianceSource::Assumed,
    }
}

/// Source of an unknown's prior; for a joint prior, that of any of its unknowns.
fn source_of_prior(job: &Job, parameter: &Parameter) -> VarianceSource {
    let after = |prefix: &str| {
        let rest = parameter.id.strip_prefix(prefix)?;
        rest.split('.').next()
    };
    if let Some(at) = after("capture.").and_then(|n| n.parse::<usize>().ok()) {
        return VarianceSource::Capture(at - 1);
    }
    if let Some(calibration) = after("calibration.") {
        return VarianceSource::Calibration(calibration.to_owned());
    }
    let mut chains = job.chains.iter();
    let changed =
        chains.find(|(name, c)| c.beyond.is_some() && parameter.id == id::chain_skew(name));
    changed.map_or_else(
        || source_by_origin(&parameter.origin),
        |(name, _)| VarianceSource::Change(name.clone()),
    )
}

fn source_by_origin(origin: &str) -> VarianceSource {
    match origin {
        RESPONSE => VarianceSource::Recordings,
        known if known.starts_with(KNOWN) => VarianceSource::Knowledge(known.to_owned()),
        stated if stated.starts_with(STATED) => VarianceSource::Stated,
        _ => VarianceSource::Assumed,
    }
}
