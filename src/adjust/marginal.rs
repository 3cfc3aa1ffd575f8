//! The distribution of one combination of unknowns with everything else taken
//! account of,
//! where the linearised one will not do.

use super::problem::{AdjustError, Problem, Solution};
use crate::uncertainty::Interval;
use ndarray::Array1;

/// Points per standard uncertainty at which the cost is minimised. The
/// logarithm of the density is nearly a parabola on that scale.
const POINTS_PER_U: f64 = 1.5;

/// Grid points per such point, between which the logarithm is interpolated.
const REFINEMENT: usize = 4;

/// The walk outwards ends where the logarithm of the density has fallen this
/// far below its largest value: the tails beyond hold less than 1e-5.
const DEPTH: f64 = 12.0;

/// Points either side at most, which is 50 standard uncertainties.
const REACH: usize = 75;

/// Density of one combination of unknowns on a uniform grid.
///
/// At each point the cost is minimised under the constraint and the spread
/// within it is taken into account by the determinant of the normal matrix: Laplace's
/// approximation of the marginal posterior (Tierney and Kadane 1986, from
/// memory). With normal priors and a linear model it is exact.
#[derive(Debug, Clone, PartialEq)]
pub struct Marginal {
    start: f64,
    step: f64,
    /// Cumulative probability at the grid points; first 0, last 1.
    cumulative: Vec<f64>,
    /// Probability per step at the grid points: the cumulative's slope.
    density: Vec<f64>,
}

impl Marginal {
    /// The marginal of `combination' x` around `solution`, within
    /// `lowest..highest`.
    pub fn new(
        problem: &Problem<'_>,
        solution: &Solution,
        combination: &Array1<f64>,
        (lowest, highest): (f64, f64),
    ) -> Result<Self, AdjustError> {
        // how all unknowns move with the combination, by regression
        let with = solution.covariance.dot(combination);
        let variance = combination.dot(&with);
        let step = variance.sqrt() / POINTS_PER_U;
        let centre: f64 = combination
            .iter()
            .zip(&solution.values)
            .map(|(c, x)| c * x)
            .sum();
        let log_density = |s: &Solution| -0.5 * (s.chi_square + s.log_determinant);
        let at_centre = problem.solve_within(solution.values.clone(), combination)?;
        let mut peak = log_density(&at_centre);
        let mut failed = false;
        let mut walk = |sign: f64| {
            let mut found: Vec<f64> = Vec::new();
            let mut x = at_centre.values.clone();
            let by_regression: Vec<f64> = with.iter().map(|w| sign * step * w / variance).collect();
            let mut slope = by_regression.clone();
            for i in 1..=REACH {
                let value = centre + sign * step * i as f64;
                if !(lowest..=highest).contains(&value) {
                    break;
                }
                let guess = |slope: &[f64]| x.iter().zip(slope).map(|(x, d)| x + d).collect();
                // a far guess may leave the model's domain: then the near one
                let solved = problem
                    .solve_within(guess(&slope), combination)
                    .or_else(|_| problem.solve_within(guess(&by_regression), combination));
                let Ok(solved) = solved else {
                    failed |= i == 1;
                    break;
                };
                slope = solved.values.iter().zip(&x).map(|(a, b)| a - b).collect();
                x.clone_from(&solved.values);
                let density = log_density(&solved);
                peak = peak.max(density);
                found.push(density);
                if density < peak - DEPTH {
                    break;
                }
            }
            found
        };
        let below = walk(-1.0);
        let above = walk(1.0);
        let start = centre - step * below.len() as f64;
        let logs: Vec<f64> = below
            .into_iter()
            .rev()
            .chain([log_density(&at_centre)])
            .chain(above)
            .collect();
        // Not one constrained minimum beside the centre (a problem at the limit of
        // double precision): the normal distribution about the solution.
        let (logs, start) = if failed || logs.len() < 2 {
            peak = 0.0;
            let reach = (5.0 * POINTS_PER_U) as i64;
            let normal = |i: i64| -0.5 * (i as f64 / POINTS_PER_U).powi(2);
            (
                (-reach..=reach).map(normal).collect(),
                centre - step * reach as f64,
            )
        } else {
            (logs, start)
        };
        let logs = refine(&logs);
        let step = step / REFINEMENT as f64;
        let mut density: Vec<f64> = logs.iter().map(|l| (l - peak).exp()).collect();
        let (cumulative, total) = cumulate(&density);
        density.iter_mut().for_each(|d| *d /= total);
        Ok(Self {
            start,
            step,
            cumulative,
            density,
        })
    }

    /// Probability that the unknown is at most `value`.
    pub fn cumulative(&self, value: f64) -> f64 {
        let last = self.cumulative.len() - 1;
        let at = (value - self.start) / self.step;
        if at <= 0.0 {
            return 0.0;
        }
        if at >= last as f64 {
            return 1.0;
        }
        let i = at as usize;
        self.between(i, at - i as f64)
    }

    /// The value below which lies the probability `p`.
    pub fn quantile(&self, p: f64) -> f64 {
        let last = self.cumulative.len() - 1;
        let i = self.cumulative.partition_point(|&c| c < p).clamp(1, last) - 1;
        let (mut low, mut high) = (0.0, 1.0);
        // halving to the last bit of the fraction
        for _ in 0..f64::MANTISSA_DIGITS {
            let middle = 0.5 * (low + high);
            if self.between(i, middle) < p {
                low = middle;
            } else {
                high = middle;
            }
        }
        self.start + self.step * (i as f64 + 0.5 * (low + high))
    }

    /// The interval with equal probability on either side.
    pub fn interval(&self, coverage: f64) -> Interval {
        let tail = 0.5 * (1.0 - coverage);
        Interval::finite(self.quantile(tail), self.quantile(1.0 - tail), coverage)
    }

    /// Cubic with the cumulative's values and slopes at both ends of interval
    /// `i`, `t` in 0..1; slopes are limited to three rises, which keeps it
    /// monotone (Fritsch and Carlson 1980, from memory).
    fn between(&self, i: usize, t: f64) -> f64 {
        let start = self.cumulative[i];
        let rise = self.cumulative[i + 1] - start;
        let m0 = self.density[i].min(3.0 * rise);
        let m1 = self.density[i + 1].min(3.0 * rise);
        start + t * (m0 + t * ((3.0 * rise - 2.0 * m0 - m1) + t * (m0 + m1 - 2.0 * rise)))
    }
}

/// Puts points between by the cubic through the four nearest (fewer at the
/// ends of a short list).
fn refine(logs: &[f64]) -> Vec<f64> {
    let last = logs.len() - 1;
    let mut fine = Vec::with_capacity(last * REFINEMENT + 1);
    for i in 0..last {
        let first = i.saturating_sub(1).min(last.saturating_sub(3));
        let nodes = &logs[first..=(first + 3).min(last)];
        for k in 0..REFINEMENT {
            let t = (i - first) as f64 + k as f64 / REFINEMENT as f64;
            let value = nodes.iter().enumerate().map(|(a, &y)| {
                let others = (0..nodes.len()).filter(|&b| b != a);
                others.fold(y, |w, b| w * (t - b as f64) / (a as f64 - b as f64))
            });
            fine.push(value.sum());
        }
    }
    fine.push(logs[last]);
    fine
}

/// Cumulative probability at the grid points: the integral over each step by
/// the four-point rule (13 (f0 + f1) - f_-1 - f_2) / 24, zero beyond the ends.
/// Also the total before division.
fn cumulate(density: &[f64]) -> (Vec<f64>, f64) {
    let at = |i: isize| -> f64 {
        usize::try_from(i)
            .ok()
            .and_then(|i| density.get(i))
            .copied()
            .unwrap_or(0.0)
    };
    let mut sum = 0.0;
    let mut cumulative = vec![0.0];
    for i in 0..density.len() as isize - 1 {
        let part = (13.0 * (at(i) + at(i + 1)) - at(i - 1) - at(i + 2)) / 24.0;
        sum += part.max(0.0);
        cumulative.push(sum);
    }
    for c in &mut cumulative {
        *c /= sum;
    }
    (cumulative, sum)
}
