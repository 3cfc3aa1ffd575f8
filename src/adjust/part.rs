//! The part of a problem that contains a few unknowns, with the rest condensed into one block.
//!
//! A cartridge's unknowns share blocks with a few records, chains and speeds, and through these with all other
//! cartridges. The information of the others about the shared unknowns is taken as normal, from the adjustment
//! of all: then a band that has to be walked costs as much in a job of thousands of captures as in one of ten.

use super::coefficients::Coefficients;
use super::linalg::Cholesky;
use super::problem::{AdjustError, Block, Incidence, Linearisation, Minimum, Problem, Unknown};
use ndarray::{Array1, Array2};
use std::collections::{BTreeMap, BTreeSet};

/// Part of a problem, with the rest as one normal block.
pub struct SubProblem<'a> {
    /// Its unknowns and blocks, and a block for the rest.
    pub problem: Problem<'a>,
    /// Its minimum: the same values and covariance as in the whole.
    pub solution: Minimum,
    /// The whole's unknowns that it has.
    members: Vec<usize>,
    /// The whole's blocks that it has.
    blocks: Vec<usize>,
}

impl SubProblem<'_> {
    /// A combination of the whole's unknowns as one of its own; `None` where it holds others.
    pub fn combination(&self, whole: &Coefficients) -> Option<Coefficients> {
        let mut own = Coefficients::default();
        for (k, c) in whole.terms() {
            own.add(self.place(k)?, c);
        }
        Some(own)
    }

    /// Its own unknown that one of the whole's is.
    pub fn place(&self, whole: usize) -> Option<usize> {
        self.members.binary_search(&whole).ok()
    }

    /// Its own block that one of the whole's is.
    pub fn place_of(&self, block: usize) -> Option<usize> {
        self.blocks.binary_search(&block).ok()
    }

    /// The whole's block that one of its own is; `None` of the rest.
    pub fn block(&self, own: usize) -> Option<usize> {
        self.blocks.get(own).copied()
    }
}

impl Problem<'_> {
    /// The part that the unknowns `core` are in: every block that has one of them, what else is known of each
    /// unknown of these blocks alone, and the rest as it is about the `solution` of the whole.
    pub fn part<'b>(
        &'b self,
        solution: &Minimum,
        core: &[usize],
    ) -> Result<SubProblem<'b>, AdjustError> {
        let Incidence { joint, alone } = self.incidence();
        let blocks = self.blocks();
        let mut chosen: BTreeSet<usize> = core.iter().flat_map(|&k| joint[k].clone()).collect();
        let members: BTreeSet<usize> = chosen
            .iter()
            .flat_map(|&b| blocks[b].unknowns().iter().copied())
            .chain(core.iter().copied())
            .collect();
        chosen.extend(members.iter().flat_map(|&k| &alone[k]));
        let members: Vec<usize> = members.into_iter().collect();
        let place: BTreeMap<usize, usize> =
            members.iter().enumerate().map(|(at, &k)| (k, at)).collect();
        let is_shared = |k: usize| joint[k].iter().any(|b| !chosen.contains(b));
        let (shared, own): (Vec<usize>, Vec<usize>) =
            (0..members.len()).partition(|&at| is_shared(members[at]));
        let unknowns: Vec<Unknown> = members
            .iter()
            .map(|&k| Unknown {
                start: solution.values[k],
                ..self.unknowns()[k].clone()
            })
            .collect();
        let mut list: Vec<Block<'b>> = Vec::new();
        for &b in &chosen {
            let here = blocks[b].unknowns().iter().map(|k| place[k]).collect();
            list.push(blocks[b].on(here));
        }
        if !shared.is_empty() {
            list.push(rest(&unknowns, &list, &shared, &own, |a, b| {
                solution.covariance(members[a], members[b])
            })?);
        }
        let problem = Problem::new(unknowns, list);
        let solution = problem.solve()?;
        Ok(SubProblem {
            problem,
            solution,
            members,
            blocks: chosen.into_iter().collect(),
        })
    }
}

/// What the rest says of the `shared` unknowns: their information by all, less what `blocks` bring after
/// the elimination of their `own` unknowns, with the gradient that holds against theirs.
fn rest<'b>(
    unknowns: &[Unknown],
    blocks: &[Block<'_>],
    shared: &[usize],
    own: &[usize],
    covariance: impl Fn(usize, usize) -> f64,
) -> Result<Block<'b>, AdjustError> {
    const LABEL: &str = "what all other captures say";
    let open = || AdjustError::Matrix {
        block: LABEL.to_owned(),
        what: "information matrix",
    };
    // in scaled unknowns, so that units do not matter
    let scale = |at: usize| unknowns[at].scale;
    let n = unknowns.len();
    let x: Vec<f64> = unknowns.iter().map(|u| u.start).collect();
    let mut normal = Array2::<f64>::zeros((n, n));
    let mut gradient = Array1::<f64>::zeros(n);
    for block in blocks {
        let Linearisation { values, jacobian } = block.evaluate(&x);
        let weighted = block.information().dot(&jacobian);
        let information = jacobian.t().dot(&weighted);
        let pull = weighted.t().dot(&(&values - block.target()));
        for (a, &i) in block.unknowns().iter().enumerate() {
            gradient[i] += scale(i) * pull[a];
            for (b, &j) in block.unknowns().iter().enumerate() {
                normal[[i, j]] += scale(i) * scale(j) * information[[a, b]];
            }
        }
    }
    let among = |rows: &[usize], columns: &[usize]| {
        Array2::from_shape_fn((rows.len(), columns.len()), |(a, b)| {
            normal[[rows[a], columns[b]]]
        })
    };
    let known = Array2::from_shape_fn((shared.len(), shared.len()), |(a, b)| {
        let (i, j) = (shared[a], shared[b]);
        covariance(i, j) / (scale(i) * scale(j))
    });
    let mut left = Cholesky::new(&known).ok_or_else(open)?.inverse();
    left -= &among(shared, shared);
    if !own.is_empty() {
        let factor = Cholesky::new(&among(own, own)).ok_or_else(open)?;
        let across = among(own, shared);
        let mut solved = Array2::zeros(across.dim());
        for (column, mut into) in across.columns().into_iter().zip(solved.columns_mut()) {
            into.assign(&factor.solve(&column.to_owned()));
        }
        left += &across.t().dot(&solved);
    }
    let information = Array2::from_shape_fn(left.dim(), |(a, b)| {
        // symmetric to the last bit
        0.5 * (left[[a, b]] + left[[b, a]]) / (scale(shared[a]) * scale(shared[b]))
    });
    let here: Array1<f64> = shared.iter().map(|&at| x[at]).collect();
    let held: Array1<f64> = shared.iter().map(|&at| gradient[at] / scale(at)).collect();
    let vector = information.dot(&here) + held;
    Block::known(LABEL, shared.to_vec(), information, &vector)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Twelve objects of one unknown and two readings each, on three shared scales: each part has the whole's
    /// values and covariance, and a target outside it is refused.
    #[test]
    fn a_part_has_the_posterior_of_the_whole() {
        let unknown = |name: String| Unknown {
            name,
            start: 0.1,
            scale: 0.5,
        };
        let mut unknowns: Vec<Unknown> = (0..3).map(|k| unknown(format!("scale {k}"))).collect();
        let mut blocks = Vec::new();
        let one = |value: f64| Array1::from_elem(1, value);
        let prior = |k: usize, u: f64| {
            Block::prior(
                format!("prior {k}"),
                vec![k],
                one(0.0),
                &Array2::from_elem((1, 1), u * u),
            )
        };
        for k in 0..3 {
            blocks.push(prior(k, 0.5).unwrap());
        }
        for object in 0..12 {
            let own = unknowns.len();
            unknowns.push(unknown(format!("object {object}")));
            blocks.push(prior(own, 2.0).unwrap());
            for reading in 0..2 {
                let shared = (object + reading) % 3;
                let value = 0.3 * f64::from(object as u8) - 0.2 * f64::from(reading as u8);
                let weight = 25.0;
                let block = Block::data(
                    format!("reading {object} {reading}"),
                    vec![own, shared],
                    Array2::from_elem((1, 1), weight),
                    &one(weight * value),
                    |x| Linearisation {
                        // bent a little, as a lever is
                        values: Array1::from_elem(1, x[0] * (1.0 + 0.1 * x[1]) + x[1]),
                        jacobian: ndarray::array![[1.0 + 0.1 * x[1], 1.0 + 0.1 * x[0]]],
                    },
                );
                blocks.push(block.unwrap());
            }
        }
        let whole = Problem::new(unknowns, blocks);
        let solution = whole.solve().unwrap();
        for object in [0, 7] {
            let k = 3 + object;
            let part = whole.part(&solution, &[k]).unwrap();
            assert_eq!(
                part.members,
                [object % 3, (object + 1) % 3, k]
                    .into_iter()
                    .collect::<BTreeSet<_>>()
                    .into_iter()
                    .collect::<Vec<_>>()
            );
            for (a, &i) in part.members.iter().enumerate() {
                assert_relative_eq!(part.solution.values[a], solution.values[i], epsilon = 1e-9);
                for (b, &j) in part.members.iter().enumerate() {
                    let (here, there) = (part.solution.covariance(a, b), solution.covariance(i, j));
                    assert_relative_eq!(here, there, max_relative = 1e-7);
                }
            }
            let mut row = Coefficients::unit(k).scaled(2.0);
            let own = part.combination(&row).unwrap();
            assert_eq!(own.terms().map(|(_, c)| c).sum::<f64>(), 2.0);
            row.add(3 + (object + 1) % 12, 1.0);
            assert!(part.combination(&row).is_none());
        }
    }
}
