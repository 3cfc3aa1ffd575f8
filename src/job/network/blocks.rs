//! The blocks of the adjustment.

use super::super::JobError;
use super::super::description::Estimate;
use super::builder::{JointPrior, Mounting, PlacedCapture};
use super::observation::{FixedOrUnknown, Observation};
use super::{Parameter, READINGS, TRACING};
use crate::adjust::{Block, Unknown};
use crate::delay::Information;
use ndarray::{Array1, Array2};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Blocks of a problem, with their budget lines and the included files that they come from.
#[derive(Default)]
pub(super) struct Blocks {
    pub(super) blocks: Vec<Block<'static>>,
    pub(super) words: Vec<String>,
    pub(super) included: Vec<Option<usize>>,
    /// Forward models of the job's own captures, in order.
    pub(super) observations: Vec<Arc<Observation>>,
}

impl Blocks {
    pub(super) fn push(&mut self, block: Block<'static>, words: String, file: Option<usize>) {
        self.blocks.push(block);
        self.words.push(words);
        self.included.push(file);
    }

    /// Adds the priors that came with data; returns their unknowns. `wrong` names an unknown whose prior
    /// has a bias, with this multiple of its standard uncertainty.
    pub(super) fn joint_priors(
        &mut self,
        parameters: &[Parameter],
        theirs: &BTreeMap<usize, usize>,
        priors: Vec<JointPrior>,
        wrong: Option<(usize, f64)>,
    ) -> Result<BTreeSet<usize>, JobError> {
        let mut covered = BTreeSet::new();
        for JointPrior {
            members,
            prior,
            words: of_all,
        } in priors
        {
            let Some(&first) = members.first() else {
                continue;
            };
            if members.iter().any(|k| covered.contains(k)) {
                continue;
            }
            covered.extend(&members);
            let words = &parameters[first].words;
            let label = match members.len() {
                1 => words.clone(),
                _ => of_all.unwrap_or_else(|| format!("{words} and what is known with it")),
            };
            let mut covariance = prior.covariance;
            if let Some((k, by)) = wrong
                && let Some(at) = members.iter().position(|&m| m == k)
            {
                covariance[[at, at]] *= 1.0 + by * by;
            }
            let block = Block::prior(label.clone(), members, prior.values, &covariance)?;
            self.push(block, label, theirs.get(&first).copied());
        }
        Ok(covered)
    }

    /// Adds the priors of mountings; a setup that stays mounted has one.
    pub(super) fn mountings<'a>(
        &mut self,
        mountings: impl Iterator<Item = &'a Mounting>,
    ) -> Result<(), JobError> {
        let mut mounted = BTreeSet::new();
        for mounting in mountings {
            let label = mounting.words();
            // rotation in the headshell = rotation to the body + mounting
            let Estimate { value, u } = mounting.known;
            let (unknowns, coefficients, value) = match mounting.rotation {
                FixedOrUnknown::Unknown(k, _) => {
                    if !mounted.insert((k, mounting.stylus)) && mounting.file.is_some() {
                        continue;
                    }
                    (vec![k, mounting.stylus], vec![1.0, -1.0], value)
                }
                FixedOrUnknown::Exact(rotation) => {
                    (vec![mounting.stylus], vec![-1.0], value - rotation)
                }
            };
            let block = Block::relation(label.clone(), unknowns, coefficients, value, u)?;
            self.push(block, label, mounting.file);
        }
        Ok(())
    }

    /// Adds the priors of all unknowns that have none yet.
    pub(super) fn priors(
        &mut self,
        parameters: &[Parameter],
        theirs: &BTreeMap<usize, usize>,
        covered: BTreeSet<usize>,
        wrong: Option<(usize, f64)>,
    ) -> Result<(), JobError> {
        let open = parameters.iter().enumerate();
        for (k, parameter) in open.filter(|(k, _)| !covered.contains(k)) {
            let off = wrong.map_or(0.0, |(at, by)| if at == k { by } else { 0.0 });
            let variance = parameter.prior.u.powi(2) * (1.0 + off * off);
            let block = Block::prior(
                parameter.words.clone(),
                vec![k],
                Array1::from_elem(1, parameter.prior.value),
                &Array2::from_elem((1, 1), variance),
            )?;
            self.push(block, parameter.words.clone(), theirs.get(&k).copied());
        }
        Ok(())
    }

    /// Adds a capture. With `foreseen` its reading is the prediction at these unknowns' starting values;
    /// with `apart` one of its unknowns is offset from that of the other captures by another unknown.
    pub(super) fn capture(
        &mut self,
        placed: PlacedCapture,
        foreseen: Option<&Vec<Unknown>>,
        apart: Option<(usize, usize, usize)>,
    ) -> Result<(), JobError> {
        let observation = Arc::new(placed.observation);
        let tracing = format!("tracing of {}", placed.label);
        let Information { matrix, vector, .. } = placed.data.information;
        let members = observation.unknowns.clone();
        let vector = match foreseen {
            Some(unknowns) => {
                let own: Vec<f64> = members.iter().map(|&k| unknowns[k].start).collect();
                matrix.dot(&observation.evaluate(&own).values)
            }
            None => vector,
        };
        let apart = apart.and_then(|(_, k, difference)| {
            let at = members.iter().position(|&other| other == k)?;
            Some((at, difference))
        });
        if placed.file.is_none() {
            self.observations.push(Arc::clone(&observation));
        }
        let block = match apart {
            None => Block::data(placed.label, members, matrix, &vector, move |own| {
                observation.evaluate(own)
            })?,
            Some((at, difference)) => {
                let members = [members, vec![difference]].concat();
                Block::data(placed.label, members, matrix, &vector, move |own| {
                    observation.evaluate_apart(own, at)
                })?
            }
        };
        self.push(block, READINGS.to_owned(), placed.file);
        if let Some(tip_radius) = placed.tip_radius {
            let block = tip_radius.block(tracing)?;
            self.push(block, TRACING.to_owned(), placed.file);
        }
        Ok(())
    }
}
