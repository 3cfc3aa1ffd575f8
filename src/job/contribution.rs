//! What a variance consists of, by what brought each part: a recording, a calibration, a
//! knowledge file, the job, or the table of priors.

use super::description::Job;
use super::network::{KNOWN, Network, Parameter, RESPONSE, STATED, TRACING, id, known_in};
use super::scope::Scope;
use crate::adjust::Coefficients;
use std::collections::BTreeMap;

/// What brought a part of a variance.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Brought {
    /// A capture (its place in the job), by its readings and by unknowns of its own.
    Capture(usize),
    /// Recordings of one cartridge together, by what they leave open of its response, and by their tracing.
    Recordings,
    /// Captures of other cartridges, where a large job does not tell them one by one.
    OtherCartridges,
    /// A calibration, by the beginning of its document's SHA-256.
    Calibration(String),
    /// The change of this chain since its last calibration.
    Change(String),
    /// An included file, by its captures and by what it states, as [`known_in`] has it.
    Knowledge(String),
    /// What the job states with its uncertainty.
    Stated,
    /// What is assumed where the job states no uncertainty.
    Assumed,
}

/// Shares of the variance of a combination of unknowns, by what brought them; they add to 1.
/// Nothing where the variance is zero.
pub(super) fn shares(
    job: &Job,
    network: &Network,
    scope: &Scope<'_>,
    combination: &Coefficients,
) -> BTreeMap<Brought, f64> {
    let parts = scope.variance_parts(combination);
    let whole: f64 = parts.iter().map(|(_, part)| part).sum();
    let mut shares = BTreeMap::new();
    for (at, part) in parts.into_iter().filter(|(_, part)| *part > 0.0) {
        let brought = at.map_or(Brought::OtherCartridges, |at| brought(job, network, at));
        *shares.entry(brought).or_insert(0.0) += part / whole;
    }
    shares
}

/// What brought a block.
fn brought(job: &Job, network: &Network, at: usize) -> Brought {
    let words = &network.words[at];
    let mounting = network.mounting_origins.get(words);
    let block = &network.problem.blocks()[at];
    match (
        network.included[at],
        network.capture_of[at],
        mounting,
        block.unknowns(),
    ) {
        (Some(file), ..) => Brought::Knowledge(known_in(&job.knowledge[file].source)),
        (_, Some(at), ..) => Brought::Capture(at),
        (_, _, Some(origin), _) => by_origin(origin),
        _ if words == TRACING => Brought::Recordings,
        (_, _, _, [first, ..]) => by_prior(job, &network.parameters[*first]),
        _ => Brought::Assumed,
    }
}

/// What brought the prior of an unknown; of several that are known together, of any of them.
fn by_prior(job: &Job, parameter: &Parameter) -> Brought {
    let after = |prefix: &str| {
        let rest = parameter.id.strip_prefix(prefix)?;
        rest.split('.').next()
    };
    if let Some(at) = after("capture.").and_then(|n| n.parse::<usize>().ok()) {
        return Brought::Capture(at - 1);
    }
    if let Some(calibration) = after("calibration.") {
        return Brought::Calibration(calibration.to_owned());
    }
    let mut chains = job.chains.iter();
    let changed =
        chains.find(|(name, c)| c.beyond.is_some() && parameter.id == id::chain_skew(name));
    changed.map_or_else(
        || by_origin(&parameter.origin),
        |(name, _)| Brought::Change(name.clone()),
    )
}

fn by_origin(origin: &str) -> Brought {
    match origin {
        RESPONSE => Brought::Recordings,
        known if known.starts_with(KNOWN) => Brought::Knowledge(known.to_owned()),
        stated if stated.starts_with(STATED) => Brought::Stated,
        _ => Brought::Assumed,
    }
}
