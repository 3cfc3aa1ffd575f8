//! The distribution of one unknown with everything else taken account of,
//! where the linearised one will not do.

use super::problem::{AdjustError, Problem, Solution};
use crate::uncertainty::Interval;

/// Grid points per standard uncertainty. The density is smooth on that scale,
/// and the trapezoidal rule converges faster than any power of the step there.
const POINTS_PER_U: f64 = 4.0;

/// The walk outwards ends where the logarithm of the density has fallen this
/// far below its largest value: the tails beyond hold less than 1e-6.
const DEPTH: f64 = 16.0;

/// Grid points either side at most, which is 50 standard uncertainties.
const REACH: usize = 200;

/// Density of one unknown on a uniform grid.
///
/// At each point the other unknowns are minimised over and their spread is
/// taken into account by the determinant of their normal matrix: Laplace's
/// approximation of the marginal posterior (Tierney and Kadane 1986, from
/// memory). With normal priors and a linear model it is exact.
#[derive(Debug, Clone, PartialEq)]
pub struct Marginal {
    start: f64,
    step: f64,
    /// Cumulative probability at the grid points; first 0, last 1.
    cumulative: Vec<f64>,
}

impl Marginal {
    /// The marginal of unknown `k` around `solution`, within `lowest..highest`.
    pub fn new(
        problem: &Problem<'_>,
        solution: &Solution,
        k: usize,
        (lowest, highest): (f64, f64),
    ) -> Result<Self, AdjustError> {
        let u = solution.covariance[[k, k]].sqrt();
        let step = u / POINTS_PER_U;
        let centre = solution.values[k];
        let log_density = |s: &Solution| -0.5 * (s.chi_square + s.log_determinant);
        let at_centre = problem.solve_with_fixed(solution.values.clone(), k)?;
        let mut peak = log_density(&at_centre);
        let mut walk = |sign: f64| {
            let mut found: Vec<f64> = Vec::new();
            // regression of the other unknowns on this one: the first guess
            let mut x = at_centre.values.clone();
            let mut slope: Vec<f64> = (0..x.len())
                .map(|i| sign * step * solution.covariance[[i, k]] / (u * u))
                .collect();
            for i in 1..=REACH {
                let value = centre + sign * step * i as f64;
                if !(lowest..=highest).contains(&value) {
                    break;
                }
                let guess = |slope: &[f64]| -> Vec<f64> {
                    let mut guess: Vec<f64> = x.iter().zip(slope).map(|(x, d)| x + d).collect();
                    guess[k] = value;
                    guess
                };
                // a far guess may leave the model's domain: then start where we are
                let solved = problem
                    .solve_with_fixed(guess(&slope), k)
                    .or_else(|_| problem.solve_with_fixed(guess(&vec![0.0; slope.len()]), k));
                let Ok(solved) = solved else { break };
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
        let density: Vec<f64> = logs.iter().map(|l| (l - peak).exp()).collect();
        Ok(Self {
            start,
            step,
            cumulative: cumulate(&density),
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

    /// Monotone cubic through the cumulative's grid points, `t` in 0..1 of
    /// interval `i`; slopes limited as by Fritsch and Carlson (1980).
    fn between(&self, i: usize, t: f64) -> f64 {
        let c = &self.cumulative;
        let rise = |j: usize| c[j + 1] - c[j];
        let slope = |j: usize| {
            if j == 0 || j + 1 == c.len() {
                0.0
            } else {
                let (left, right) = (rise(j - 1), rise(j));
                (0.5 * (left + right)).min(3.0 * left.min(right))
            }
        };
        let (m0, m1) = (slope(i), slope(i + 1));
        let d = rise(i);
        c[i] + t * (m0 + t * ((3.0 * d - 2.0 * m0 - m1) + t * (m0 + m1 - 2.0 * d)))
    }
}

/// Cumulative probability at the grid points: the integral over each step by
/// the four-point rule (13 (f0 + f1) - f_-1 - f_2) / 24, zero beyond the ends.
fn cumulate(density: &[f64]) -> Vec<f64> {
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
    cumulative
}
