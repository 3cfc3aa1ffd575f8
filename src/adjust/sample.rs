//! Draws from the joint distribution of the unknowns, to check linearised
//! results.

use super::linalg::Cholesky;
use super::problem::{AdjustError, MOST_UNKNOWNS, Minimum, Problem};
use ndarray::{Array1, Array2};
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};
use rayon::prelude::*;

/// Steps after which a draw is given up.
const ITERATIONS: usize = 50;

/// Draws per batch, solved on all threads.
const DRAWS_PER_BATCH: usize = 256;

/// A correction shorter than this, in scaled unknowns, ends the search for a
/// draw: far below what any number of draws resolves.
const STEP_TOLERANCE: f64 = 1e-7;

/// Weighted draws of the unknowns, of which those asked for are kept.
///
/// Each draw disturbs the normal equations by a normal deviate and solves
/// them anew (randomise, then optimise; Bardsley et al. 2014, from memory),
/// and its weight makes up for what that solution's density lacks of the
/// posterior's. For linear models with normal errors every weight is equal;
/// it is the propagation of distributions of JCGM 101:2008 with the adjustment
/// as the measurement model.
#[derive(Debug, Clone)]
pub struct Sample {
    /// Values kept, draw after draw.
    kept: Vec<f64>,
    /// Values kept per draw.
    width: usize,
    weights: Vec<f64>,
    /// Draws given up because no solution was found.
    pub failed: usize,
}

impl Sample {
    /// Makes `count` draws about `solution` from a seed and keeps the unknowns `wanted` of
    /// each, in that order; `progress` is told the fraction done.
    pub fn draw(
        problem: &Problem<'_>,
        solution: &Minimum,
        wanted: &[usize],
        count: usize,
        seed: u64,
        progress: &mut dyn FnMut(f64),
    ) -> Result<Self, AdjustError> {
        let unknowns = solution.values.len();
        if unknowns > MOST_UNKNOWNS {
            return Err(AdjustError::TooMany {
                unknowns,
                what: "draw from",
            });
        }
        let frozen = problem.frozen(&solution.values);
        let factor = Cholesky::new(&frozen.matrix(problem, &solution.values))
            .ok_or_else(|| problem.first_open(&solution.values))?;
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let n = solution.values.len();
        let mut kept = Vec::with_capacity(count * wanted.len());
        let mut logs = Vec::with_capacity(count);
        let mut failed = 0;
        for done in (0..count).step_by(DRAWS_PER_BATCH) {
            progress(done as f64 / count as f64);
            // deviates in a fixed order, so that results do not depend on threads
            let deviates: Vec<Vec<f64>> = (done..count.min(done + DRAWS_PER_BATCH))
                .map(|_| (0..n).map(|_| StandardNormal.sample(&mut random)).collect())
                .collect();
            let solved = deviates.par_iter().map(|z| {
                let disturbed = factor.colour(z);
                let (x, log_determinant) = frozen.solve(problem, &solution.values, &disturbed)?;
                let square: f64 = z.iter().map(|z| z * z).sum();
                let log = 0.5 * square - 0.5 * problem.chi_square(&x) - log_determinant;
                Some((x, log))
            });
            for draw in solved.collect::<Vec<_>>() {
                if let Some((x, log)) = draw {
                    kept.extend(wanted.iter().map(|&k| x[k]));
                    logs.push(log);
                } else {
                    failed += 1;
                }
            }
        }
        let largest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let weights: Vec<f64> = logs.iter().map(|l| (l - largest).exp()).collect();
        let total: f64 = weights.iter().sum();
        Ok(Self {
            kept,
            width: wanted.len(),
            weights: weights.into_iter().map(|w| w / total).collect(),
            failed,
        })
    }

    /// Number of equally weighted draws that would be worth as much.
    pub fn effective_size(&self) -> f64 {
        self.weights.iter().map(|w| w * w).sum::<f64>().recip()
    }

    /// The values kept of each draw.
    fn draws(&self) -> impl Iterator<Item = &[f64]> {
        self.kept.chunks(self.width.max(1))
    }

    /// Mean and standard deviation of a function of the unknowns kept.
    pub fn moments(&self, function: impl Fn(&[f64]) -> f64) -> (f64, f64) {
        let values: Vec<f64> = self.draws().map(function).collect();
        let mean: f64 = values.iter().zip(&self.weights).map(|(v, w)| v * w).sum();
        let variance: f64 = values
            .iter()
            .zip(&self.weights)
            .map(|(v, w)| w * (v - mean).powi(2))
            .sum();
        (mean, variance.sqrt())
    }

    /// Quantiles of a function of the unknowns kept.
    pub fn quantiles<const N: usize>(
        &self,
        function: impl Fn(&[f64]) -> f64,
        probabilities: [f64; N],
    ) -> [f64; N] {
        let mut sorted: Vec<(f64, f64)> = self
            .draws()
            .map(function)
            .zip(self.weights.iter().copied())
            .collect();
        sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut cumulative = Vec::with_capacity(sorted.len());
        let mut sum = 0.0;
        for &(_, w) in &sorted {
            cumulative.push(sum + 0.5 * w);
            sum += w;
        }
        probabilities.map(|p| {
            let i = cumulative.partition_point(|&c| c < p);
            match (i.checked_sub(1), sorted.get(i)) {
                (Some(before), Some(after)) => {
                    let t = (p - cumulative[before]) / (cumulative[i] - cumulative[before]);
                    sorted[before].0 + t * (after.0 - sorted[before].0)
                }
                (None, Some(first)) => first.0,
                _ => sorted.last().map_or(f64::NAN, |s| s.0),
            }
        })
    }
}

/// The normal equations with the Jacobian frozen at the minimum:
/// `sum J0' A (g(x) - target)`, in scaled unknowns.
pub(super) struct FrozenNormalEquations {
    /// `J0' A` per block, with columns in scaled unknowns.
    gains: Vec<Array2<f64>>,
}

impl Problem<'_> {
    fn frozen(&self, x: &[f64]) -> FrozenNormalEquations {
        FrozenNormalEquations {
            gains: self
                .blocks()
                .iter()
                .map(|block| {
                    let mut jacobian = block.evaluate(x).jacobian;
                    for (mut column, &k) in jacobian.columns_mut().into_iter().zip(block.unknowns())
                    {
                        column *= self.unknowns()[k].scale;
                    }
                    jacobian.t().dot(block.information())
                })
                .collect(),
        }
    }
}

impl FrozenNormalEquations {
    /// Value and matrix of derivatives at `x`.
    fn evaluate(&self, problem: &Problem<'_>, x: &[f64]) -> (Array1<f64>, Array2<f64>) {
        let n = x.len();
        let mut value = Array1::zeros(n);
        let mut matrix = Array2::zeros((n, n));
        for (block, gain) in problem.blocks().iter().zip(&self.gains) {
            let e = block.evaluate(x);
            let pull = gain.dot(&(&e.values - block.target()));
            let slope = gain.dot(&e.jacobian);
            for (a, &i) in block.unknowns().iter().enumerate() {
                value[i] += pull[a];
                for (b, &j) in block.unknowns().iter().enumerate() {
                    matrix[[i, j]] += slope[[a, b]] * problem.unknowns()[j].scale;
                }
            }
        }
        (value, matrix)
    }

    fn matrix(&self, problem: &Problem<'_>, x: &[f64]) -> Array2<f64> {
        self.evaluate(problem, x).1
    }

    /// Solves `value(x) = wanted` by Newton's method from `start`; also the
    /// logarithm of the determinant there. A step is shortened until the
    /// correction that the same matrix would make next is smaller (Deuflhard's
    /// natural monotonicity test, from memory), which does not mind that the
    /// equations differ in weight by many orders.
    fn solve(
        &self,
        problem: &Problem<'_>,
        start: &[f64],
        wanted: &Array1<f64>,
    ) -> Option<(Vec<f64>, f64)> {
        let (base, matrix) = self.evaluate(problem, start);
        // at the minimum the equations hold to rounding: keep what is left
        let wanted = wanted + &base;
        let mut x = start.to_vec();
        let mut lu = Lu::new(matrix)?;
        let mut step = lu.solve(&wanted - &base);
        for _ in 0..ITERATIONS {
            let mut fraction = 1.0;
            loop {
                let trial: Vec<f64> = (0..x.len())
                    .map(|i| x[i] + fraction * step[i] * problem.unknowns()[i].scale)
                    .collect();
                let (value, matrix) = self.evaluate(problem, &trial);
                let misfit = &wanted - &value;
                let next = lu.solve(misfit.clone());
                let (before, after) = (step.dot(&step), next.dot(&next));
                if after <= before * (1.0 - 0.5 * fraction)
                    || after < STEP_TOLERANCE * STEP_TOLERANCE
                {
                    x = trial;
                    lu = Lu::new(matrix)?;
                    if after < STEP_TOLERANCE * STEP_TOLERANCE {
                        return Some((x, lu.log_determinant));
                    }
                    step = lu.solve(misfit);
                    break;
                }
                if fraction < 1e-4 {
                    return None;
                }
                fraction *= 0.5;
            }
        }
        None
    }
}

/// Factors of a square matrix by elimination with partial pivoting.
struct Lu {
    factors: Array2<f64>,
    rows: Vec<usize>,
    log_determinant: f64,
}

impl Lu {
    /// `None` when singular.
    fn new(mut a: Array2<f64>) -> Option<Self> {
        let n = a.nrows();
        let mut rows: Vec<usize> = (0..n).collect();
        let mut log_determinant = 0.0;
        for k in 0..n {
            let pivot = (k..n).max_by(|&p, &q| a[[p, k]].abs().total_cmp(&a[[q, k]].abs()))?;
            if a[[pivot, k]] == 0.0 || !a[[pivot, k]].is_finite() {
                return None;
            }
            if pivot != k {
                for j in 0..n {
                    a.swap([pivot, j], [k, j]);
                }
                rows.swap(pivot, k);
            }
            log_determinant += a[[k, k]].abs().ln();
            for i in k + 1..n {
                let factor = a[[i, k]] / a[[k, k]];
                a[[i, k]] = factor;
                if factor != 0.0 {
                    for j in k + 1..n {
                        let change = factor * a[[k, j]];
                        a[[i, j]] -= change;
                    }
                }
            }
        }
        Some(Self {
            factors: a,
            rows,
            log_determinant,
        })
    }

    fn solve(&self, right: Array1<f64>) -> Array1<f64> {
        let a = &self.factors;
        let n = right.len();
        let mut x: Array1<f64> = self.rows.iter().map(|&i| right[i]).collect();
        for i in 0..n {
            let sum: f64 = (0..i).map(|j| a[[i, j]] * x[j]).sum();
            x[i] -= sum;
        }
        for i in (0..n).rev() {
            let sum: f64 = (i + 1..n).map(|j| a[[i, j]] * x[j]).sum();
            x[i] = (x[i] - sum) / a[[i, i]];
        }
        x
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Block, Linearisation, Unknown};
    use super::*;
    use ndarray::array;

    fn unknown(start: f64, scale: f64) -> Unknown {
        Unknown {
            name: "x".into(),
            start,
            scale,
        }
    }

    /// By hand: cumulative weights at the middle of each draw's own, straight lines
    /// between.
    #[test]
    fn figures_of_three_weighted_draws() {
        let sample = Sample {
            kept: vec![4.0, 1.0, 2.0],
            width: 1,
            weights: vec![0.25, 0.5, 0.25],
            failed: 0,
        };
        assert_eq!(sample.moments(|x| x[0]), (2.0, 1.5f64.sqrt()));
        assert_eq!(sample.effective_size(), 1.0 / 0.375);
        let quantiles = sample.quantiles(|x| 10.0 * x[0], [0.05, 0.25, 0.4375, 0.75, 0.99]);
        assert_eq!(quantiles, [10.0, 10.0, 15.0, 30.0, 40.0]);
    }

    /// Data that contradict a prior by a hundred of its u are as improbable as can be
    /// counted, yet the draws are weighed against each other: by hand, 50 and the root of
    /// a half.
    #[test]
    fn draws_of_what_is_improbable_have_weights() {
        let prior = Block::prior("p", vec![0], array![0.0], &array![[1.0]]).unwrap();
        let data = Block::data("d", vec![0], array![[1.0]], &array![100.0], |x| {
            Linearisation {
                values: array![x[0]],
                jacobian: array![[1.0]],
            }
        })
        .unwrap();
        let problem = Problem::new(vec![unknown(0.0, 1.0)], vec![prior, data]);
        let solution = problem.solve().unwrap();
        let sample = Sample::draw(&problem, &solution, &[0], 1000, 5, &mut |_| ()).unwrap();
        assert!((sample.effective_size() - 1000.0).abs() < 1e-3);
        let (mean, deviation) = sample.moments(|x| x[0]);
        assert!(
            (mean - 50.0).abs() < 4.0 * 0.5f64.sqrt() / 1000f64.sqrt(),
            "{mean}"
        );
        assert!((deviation - 0.5f64.sqrt()).abs() < 0.07, "{deviation}");
    }

    /// JCGM 101:2008 9.3, mass calibration, with its rectangular quantities
    /// replaced by normal ones of the same variance; a nonlinear model without
    /// redundancy. Reference: the exact second-order standard deviation,
    /// sqrt(first order^2 + product term^2), the product being of two
    /// independent centred quantities.
    #[test]
    fn draws_know_what_linearisation_does_not() {
        // mass = a + b + product, product = 1e5 * (air - 1.2) * (1 / w - 1 / r)
        let u_air = 0.1 / 3f64.sqrt();
        let u_density = 1000.0 / 3f64.sqrt() / 8000f64.powi(2);
        let prior = |k: usize, value: f64, u: f64| {
            Block::prior("p", vec![k], array![value], &array![[u * u]]).unwrap()
        };
        let tie = Block::data("tie", vec![0, 1, 2, 3], array![[1e10]], &array![0.0], |x| {
            Linearisation {
                values: array![x[1] + 1e5 * x[2] * x[3] - x[0]],
                jacobian: array![[-1.0, 1.0, 1e5 * x[3], 1e5 * x[2]]],
            }
        })
        .unwrap();
        let u_sum = 0.05f64.hypot(0.02);
        let blocks = vec![
            prior(1, 1.234, u_sum),
            prior(2, 0.0, u_air),
            prior(3, 0.0, u_density),
            tie,
        ];
        let unknowns = vec![
            unknown(1.234, 0.1),
            unknown(1.234, u_sum),
            unknown(0.0, u_air),
            unknown(0.0, u_density),
        ];
        let problem = Problem::new(unknowns, blocks);
        let solution = problem.solve().unwrap();
        // GUM first order: 0.0539 (JCGM 101 table 5)
        assert!((solution.uncertainty(0) - 0.0538516).abs() < 1e-6);
        let sample = Sample::draw(&problem, &solution, &[0], 10_000, 7, &mut |_| ()).unwrap();
        assert_eq!(sample.failed, 0);
        let (mean, u) = sample.moments(|x| x[0]);
        // GUM second order: 0.0750 (same table)
        let expected = u_sum.hypot(1e5 * u_air * u_density);
        assert!((expected - 0.075).abs() < 1e-4);
        // four standard errors of a standard deviation, which is larger here
        // than the normal 1 / sqrt(2 n) by the product's kurtosis: factor 2
        assert!(
            (u / expected - 1.0).abs() < 4.0 * 2.0 / (2.0 * 10_000f64).sqrt(),
            "{u}"
        );
        assert!(
            (mean - 1.234).abs() < 4.0 * expected / 10_000f64.sqrt(),
            "{mean}"
        );
    }

    /// Two unknowns, one product observed: the posterior on a grid is the
    /// reference.
    #[test]
    fn weights_make_the_draws_the_posterior() {
        let prior = |k: usize, value: f64, u: f64| {
            Block::prior("p", vec![k], array![value], &array![[u * u]]).unwrap()
        };
        let product = Block::data("d", vec![0, 1], array![[100.0]], &array![400.0], |x| {
            Linearisation {
                values: array![x[0] * x[1]],
                jacobian: array![[x[1], x[0]]],
            }
        })
        .unwrap();
        let problem = Problem::new(
            vec![unknown(1.0, 1.0), unknown(4.0, 3.0)],
            vec![prior(0, 1.0, 0.2), prior(1, 4.0, 3.0), product],
        );
        let solution = problem.solve().unwrap();
        let sample = Sample::draw(&problem, &solution, &[1], 20_000, 3, &mut |_| ()).unwrap();
        let found = sample.quantiles(|x| x[0], [0.025, 0.5, 0.975]);
        // midpoint rule over +-8 u of both
        let mut density = vec![0.0; 4000];
        for (i, d) in density.iter_mut().enumerate() {
            let b = -20.0 + 48.0 * (i as f64 + 0.5) / 4000.0;
            for j in 0..400 {
                let a = -0.6 + 3.2 * (f64::from(j) + 0.5) / 400.0;
                *d += (-0.5 * problem.chi_square(&[a, b])).exp();
            }
        }
        let total: f64 = density.iter().sum();
        let mut sum = 0.0;
        let mut expected = Vec::new();
        for (i, d) in density.iter().enumerate() {
            let next = sum + d / total;
            for p in [0.025, 0.5, 0.975] {
                if sum < p && p <= next {
                    expected.push(-20.0 + 48.0 * (i as f64 + 0.5) / 4000.0);
                }
            }
            sum = next;
        }
        let (_, u) = sample.moments(|x| x[0]);
        for (found, expected) in found.into_iter().zip(expected) {
            // 4 sqrt(p (1 - p) / n) / density: at most 0.11 u at 2.5 %
            assert!(
                (found - expected).abs() < 0.12 * u,
                "{found} {expected} {u}"
            );
        }
        // the far lower tail of this skewed case is what linearisation misses
        let linear = solution.values[1] + 1.96 * solution.uncertainty(1);
        assert!((found[2] - linear).abs() > 0.2 * u);
    }
}
