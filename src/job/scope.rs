//! What of an adjustment the results of a cartridge are told from.

use super::JobError;
use super::network::Network;
use crate::adjust::{self, Coefficients, Marginal, Part, Problem};
use ndarray::Array1;
use std::borrow::Cow;

/// In a job of more unknowns than this, what a cartridge's results consist of is told by its own captures and
/// by all others together, and only unknowns that meet are asked for their correlation, so that each cartridge
/// costs as much as in a small job. No value or uncertainty depends on it.
pub(super) const MOST_TOLD_WHOLE: usize = 1_000;

/// The whole adjustment, and the part of it that a cartridge is in.
pub(super) struct Scope<'a> {
    network: &'a Network,
    adjustment: &'a adjust::Solution,
    part: Option<Part<'a>>,
}

impl<'a> Scope<'a> {
    /// All of an adjustment.
    pub(super) fn whole(network: &'a Network, adjustment: &'a adjust::Solution) -> Self {
        Self {
            network,
            adjustment,
            part: None,
        }
    }

    /// With the part that these unknowns are in, from which their distributions are found. Where rounding does
    /// not let it be told from the rest, the whole is as right.
    pub(super) fn around(self, core: &[usize]) -> Self {
        let part = self.network.problem.part(self.adjustment, core);
        Self {
            part: part.ok().filter(|_| !core.is_empty()),
            ..self
        }
    }

    /// The problem and its minimum, and these combinations in its unknowns: the part, where it has all of them.
    fn within<'b>(
        &'b self,
        combinations: &'b [&Coefficients],
    ) -> (
        &'b Problem<'a>,
        &'b adjust::Solution,
        Vec<Cow<'b, Coefficients>>,
    ) {
        let own = self.part.as_ref().and_then(|part| {
            let own = combinations
                .iter()
                .map(|c| part.combination(c).map(Cow::Owned));
            Some((&part.problem, &part.solution, own.collect::<Option<_>>()?))
        });
        own.unwrap_or_else(|| {
            let all = combinations.iter().map(|c| Cow::Borrowed(*c));
            (&self.network.problem, self.adjustment, all.collect())
        })
    }

    /// What each block brings to the variance of a combination, by its index in the network. In a large job
    /// those that are not near it are told together, as `None`.
    pub(super) fn variance_parts(&self, combination: &Coefficients) -> Vec<(Option<usize>, f64)> {
        let problem = &self.network.problem;
        if self.network.parameters.len() > MOST_TOLD_WHOLE {
            let own = self.part.as_ref();
            if let Some((part, own)) = own.and_then(|p| Some((p, p.combination(combination)?))) {
                let parts = part.problem.variance_parts(&part.solution, &own);
                let parts = parts.into_iter().enumerate();
                return parts.map(|(at, value)| (part.block(at), value)).collect();
            }
            let mut terms = combination.terms();
            if let (Some((k, by)), None) = (terms.next(), terms.next()) {
                let parts = problem.variance_parts_near(self.adjustment, k);
                return parts.into_iter().map(|(at, v)| (at, v * by * by)).collect();
            }
        }
        let parts = problem.variance_parts(self.adjustment, combination);
        let parts = parts.into_iter().enumerate();
        parts.map(|(at, value)| (Some(at), value)).collect()
    }

    /// How far biases of the targets of blocks, by their indices in the network, move unknowns: those of the
    /// part, or all.
    pub(super) fn shift<'b>(
        &self,
        biases: impl Iterator<Item = (usize, &'b Array1<f64>)> + Clone,
    ) -> impl Fn(usize) -> Option<f64> {
        let mut own = Vec::new();
        if let Some(part) = &self.part {
            own.extend(
                biases
                    .clone()
                    .map_while(|(at, bias)| Some((part.place_of(at)?, bias))),
            );
        }
        let part = self
            .part
            .as_ref()
            .filter(|_| own.len() == biases.clone().count());
        let moved = match part {
            Some(part) => part.problem.shift(&part.solution, own),
            None => self.network.problem.shift(self.adjustment, biases),
        };
        move |k| match part {
            Some(part) => Some(moved[part.place(k)?]),
            None => moved.get(k).copied(),
        }
    }

    /// The marginal of a combination within bounds.
    pub(super) fn marginal(
        &self,
        combination: &Coefficients,
        bounds: (f64, f64),
    ) -> Result<Marginal, JobError> {
        let combinations = [combination];
        let (problem, solution, own) = self.within(&combinations);
        Ok(Marginal::new(problem, solution, &own[0], bounds)?)
    }

    /// Those of several that depend on `along`, at the price of one walk along that.
    pub(super) fn marginals_through(
        &self,
        along: &Coefficients,
        targets: &[Coefficients],
    ) -> Result<Vec<Marginal>, JobError> {
        let all: Vec<&Coefficients> = targets.iter().chain([along]).collect();
        let (problem, solution, mut own) = self.within(&all);
        let along = own.pop().unwrap_or_default();
        let targets: Vec<Coefficients> = own.into_iter().map(Cow::into_owned).collect();
        Ok(Marginal::through(problem, solution, &along, &targets)?)
    }
}
