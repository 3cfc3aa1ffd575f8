//! The part of an adjustment from which the results of a cartridge are computed.

use super::JobError;
use super::network::Network;
use crate::adjust::{self, Coefficients, Marginal, Problem, SubProblem};
use ndarray::Array1;
use std::borrow::Cow;

/// In a job of more unknowns than this, the budgets of a cartridge list its own captures, and all others as
/// one line, and correlations are computed only between unknowns that share a block. So the cost per cartridge
/// is that of a small job. No value or uncertainty depends on it.
pub(super) const MOST_UNKNOWNS_IN_FULL: usize = 1_000;

/// The whole adjustment, and the part that contains a cartridge.
pub(super) struct Scope<'a> {
    network: &'a Network,
    adjustment: &'a adjust::Minimum,
    part: Option<SubProblem<'a>>,
}

impl<'a> Scope<'a> {
    /// All of an adjustment.
    pub(super) fn whole(network: &'a Network, adjustment: &'a adjust::Minimum) -> Self {
        Self {
            network,
            adjustment,
            part: None,
        }
    }

    /// With the part that contains these unknowns, from which their distributions are computed. Where rounding
    /// prevents separating it, the whole is used instead.
    pub(super) fn around(self, core: &[usize]) -> Self {
        let part = self.network.problem.part(self.adjustment, core);
        Self {
            part: part.ok().filter(|_| !core.is_empty()),
            ..self
        }
    }

    /// The problem, its minimum, and these combinations in its unknowns: of the part, where it contains all
    /// of them.
    fn within<'b>(
        &'b self,
        combinations: &'b [&Coefficients],
    ) -> (
        &'b Problem<'a>,
        &'b adjust::Minimum,
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

    /// Contribution of each block to the variance of a combination, by its index in the network. In a large
    /// job the blocks outside the part are summed, as `None`.
    pub(super) fn variance_parts(&self, combination: &Coefficients) -> Vec<(Option<usize>, f64)> {
        let problem = &self.network.problem;
        let is_large = self.network.parameters.len() > MOST_UNKNOWNS_IN_FULL;
        let part = self.part.as_ref().filter(|_| is_large);
        if let Some((part, own)) = part.and_then(|p| Some((p, p.combination(combination)?))) {
            let parts = part.problem.variance_parts(&part.solution, &own);
            let parts = parts.into_iter().enumerate();
            return parts.map(|(at, value)| (part.block(at), value)).collect();
        }
        let mut terms = combination.terms();
        if let (true, Some((k, by)), None) = (is_large, terms.next(), terms.next()) {
            let parts = problem.variance_parts_near(self.adjustment, k);
            return parts.into_iter().map(|(at, v)| (at, v * by * by)).collect();
        }
        let parts = problem.variance_parts(self.adjustment, combination);
        (0..).map(Some).zip(parts).collect()
    }

    /// Shift of the unknowns (those of the part, or all) by biases of the targets of blocks, by their
    /// indices in the network.
    pub(super) fn shift<'b>(
        &self,
        biases: impl Iterator<Item = (usize, &'b Array1<f64>)> + Clone,
    ) -> impl Fn(usize) -> Option<f64> {
        let own = self.part.as_ref().and_then(|part| {
            let own = biases.clone();
            let own = own.map(|(at, bias)| Some((part.place_of(at)?, bias)));
            let own: Vec<_> = own.collect::<Option<_>>()?;
            Some((part, part.problem.shift(&part.solution, own)))
        });
        let (part, moved) = match own {
            Some((part, moved)) => (Some(part), moved),
            None => (None, self.network.problem.shift(self.adjustment, biases)),
        };
        move |k| {
            moved
                .get(part.map_or(Some(k), |part| part.place(k))?)
                .copied()
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

    /// The marginals of several combinations that depend on `along`, from one walk along it.
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

#[cfg(test)]
mod tests {
    use super::super::network::{Angle, CaptureData, id};
    use super::super::{DelaySource, file, solve};
    use super::*;
    use std::fmt::Write as _;

    /// Invented: so many cartridges, each with two sides at two speeds.
    fn job(cartridges: usize) -> String {
        let mut text = "format = 1\n[chain.C]\n".to_owned();
        (0..9).for_each(|side| text += &format!("[record.R{side}]\n"));
        for k in 0..cartridges {
            let _ = writeln!(
                text,
                "[cartridge.K{k}]\nprofile = \"elliptical\"\n[setup.S{k}]\ncartridge = \"K{k}\"\narm = \"tangential\""
            );
            for (side, rpm, us) in [(k % 9, 33.0, 0.6), ((2 * k + 1) % 9, 45.0, 0.4)] {
                let us = us * ((k % 11) as f64 - 5.0);
                let _ = writeln!(
                    text,
                    "[[capture]]\nsetup = \"S{k}\"\nrecord = \"R{side}\"\nrpm = {rpm}\nradius_mm = 100\ndelay_us = {{ value = {us}, u = 0.05 }}"
                );
            }
        }
        text
    }

    /// The contributions of captures near a cartridge or a side in a large job equal those of the whole, and
    /// the sum of the rest makes up the difference.
    #[test]
    fn a_part_has_the_contributions_of_the_whole() {
        let job = file::parse(&job(160), "large").unwrap();
        let given = |source: &DelaySource| match source {
            DelaySource::Delay(d) => Some(CaptureData::of_delay(d.value, d.u)),
            _ => None,
        };
        let data: Vec<_> = job.captures.iter().map(|c| given(&c.source)).collect();
        let solved = solve(&job, &data, 0.95).unwrap();
        let (network, adjustment) = (&solved.network, &solved.adjustment);
        assert!(network.parameters.len() > MOST_UNKNOWNS_IN_FULL);
        let (name, setup) = ("K7", "S7".to_owned());
        let near = Scope::whole(network, adjustment).around(&network.of_cartridge(name, &[&setup]));
        let angle = network.angle(&job, &setup, Angle::Groove, &adjustment.values);
        let cut = Coefficients::unit(network.unknown(&id::cut("R3")).unwrap());
        for (scope, row) in [
            (&near, angle.unwrap().row),
            (&Scope::whole(network, adjustment), cut),
        ] {
            let whole = network.problem.variance_parts(adjustment, &row);
            let total: f64 = whole.iter().sum();
            let told = scope.variance_parts(&row);
            assert!(told.len() < whole.len() / 2);
            let mut rest = total;
            for &(at, part) in &told {
                let expected = at.map_or(rest, |at| whole[at]);
                assert!(
                    (part - expected).abs() < 1e-7 * total,
                    "{at:?} {part} {expected}"
                );
                rest -= part;
            }
            assert!(rest.abs() < 1e-7 * total);
            assert!((adjustment.variance(&row) / total - 1.0).abs() < 1e-7);
        }
        // wrong leads in both captures of the setup
        let blocks = network.captures_of(&setup).iter();
        let blocks: Vec<usize> = blocks
            .map(|&at| network.capture_blocks[at].unwrap())
            .collect();
        let change = |&at: &usize| network.change_by_leads(at, &adjustment.values).unwrap();
        let changes: Vec<_> = blocks.iter().map(change).collect();
        let biases = || blocks.iter().copied().zip(&changes);
        let whole = network.problem.shift(adjustment, biases());
        let moved = near.shift(biases());
        let own = network.of_cartridge(name, &[&setup]);
        let largest = own.iter().map(|&k| whole[k].abs()).fold(0.0, f64::max);
        assert!(largest > 0.0);
        for k in own {
            assert!((moved(k).unwrap() - whole[k]).abs() < 1e-7 * largest);
        }
        // results use it: every budget adds up
        let of_setup = solved
            .solution
            .setups
            .iter()
            .find(|s| s.name == setup)
            .unwrap();
        let shares: f64 = of_setup.budget.iter().map(|line| line.share).sum();
        assert!((shares - 1.0).abs() < 1e-9);
        assert!((of_setup.variance_shares.values().sum::<f64>() - 1.0).abs() < 1e-9);
        assert_eq!(of_setup.captures.len(), 2);
    }
}
