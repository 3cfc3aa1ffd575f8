//! Marginal distribution of one combination of unknowns, where the linearised
//! one is not accurate enough.

use super::coefficients::Coefficients;
use super::problem::{AdjustError, Minimum, Problem};
use super::sparse::Factor;
use crate::uncertainty::{Interval, normal_cdf};

/// Points per standard uncertainty, near the centre, at which the cost is
/// minimised. The logarithm of the density is nearly a parabola on that scale.
const POINTS_PER_U: f64 = 1.5;

/// The same for a walk that several combinations share, since they are curved
/// over it.
const SHARED_POINTS_PER_U: f64 = 3.0;

/// The spacing grows outwards: the point at `t` on a uniform scale lies at `u
/// sinh(GROWTH t) / GROWTH`, since wide distributions are smooth.
const GROWTH: f64 = 0.5;

/// Grid points per such point, between which the logarithm is interpolated.
const REFINEMENT: usize = 4;

/// The walk outwards ends where the logarithm of the density has fallen this
/// far below its largest value: the tails beyond hold less than 1e-5.
const TAIL_FALL: f64 = 12.0;

/// Where the logarithm falls by more than this from one point to the next, the
/// next is taken nearer: more than a normal distribution's falls before its
/// [`TAIL_FALL`], and little enough for a cubic.
const MOST_FALL_PER_STEP: f64 = 7.0;

/// Maximum number of halvings of the step: beyond it the density has an edge.
const HALVINGS: usize = 8;

/// Maximum number of points on either side: hundreds of standard uncertainties
/// even in the shorter steps.
const MOST_POINTS: usize = 40;

/// Maximum number of steps of a grid.
const MOST_GRID_STEPS: f64 = 1000.0;

/// A quantile is found to this share of the span in which all probability lies: far below its own error.
const ROOT_TOLERANCE: f64 = 1e-12;

/// Steps that the search may need beyond bisection; usually it needs a third of those of bisection.
const EXTRA_ROOT_STEPS: i32 = 6;

/// Parts into which a step of the uniform scale is split for a mixture.
const MIXTURE_PARTS: usize = 16;

/// Distribution of one combination of unknowns.
///
/// It is found by walking outwards along a combination: at each point the cost
/// is minimised under the constraint, and the spread within it is taken into
/// account by the determinant of the normal matrix. That is Laplace's
/// approximation of the marginal posterior (Tierney and Kadane 1986, from
/// memory); with normal priors and a linear model it is exact.
#[derive(Debug, Clone, PartialEq)]
pub struct Marginal {
    form: DensityForm,
}

#[derive(Debug, Clone, PartialEq)]
enum DensityForm {
    /// Of the combination walked along: a uniform grid of the scale `t`.
    Grid {
        centre: f64,
        u: f64,
        /// The scale at the first grid point, and per step.
        start: f64,
        step: f64,
        /// Cumulative probability at the grid points; first 0, last 1.
        cumulative: Vec<f64>,
        /// Probability per step at the grid points: the cumulative's slope.
        density: Vec<f64>,
    },
    /// Of another combination: weights, means and standard deviations of normal
    /// distributions.
    Mixture(Vec<[f64; 3]>),
}

/// Points of a walk, from the lowest to the highest.
struct Walk<T> {
    centre: f64,
    u: f64,
    /// Where each point lies on the uniform scale; the centre at 0.
    places: Vec<f64>,
    /// Logarithm of the density at each point, the largest being 0.
    logs: Vec<f64>,
    /// Notes taken at each point.
    notes: Vec<T>,
}

impl<T> Walk<T> {
    /// `None` where not one constrained minimum beside the centre was found (a
    /// problem at the limit of double precision).
    fn new(
        problem: &Problem<'_>,
        solution: &Minimum,
        combination: &Coefficients,
        (lowest, highest): (f64, f64),
        points_per_u: f64,
        note: impl Fn(&Minimum, &Factor) -> T,
    ) -> Result<Option<Self>, AdjustError> {
        // how all unknowns move with the combination, by regression
        let with = solution.gain(combination);
        let variance: f64 = combination.terms().map(|(k, c)| c * with[k]).sum();
        let u = variance.sqrt();
        let centre = combination.at(&solution.values);
        let log_density = |s: &Minimum| -0.5 * (s.chi_square + s.log_determinant);
        let (at_centre, factor) = problem.solve_within(solution.values.clone(), combination)?;
        let mut peak = log_density(&at_centre);
        let mut failed = false;
        let mut walk = |sign: f64| {
            let mut found: Vec<(f64, f64, T)> = Vec::new();
            // distances from the centre and the unknowns there, latest last
            let mut path = vec![(0.0, at_centre.values.clone())];
            let mut before = log_density(&at_centre);
            let (mut t, mut step) = (0.0, sign / points_per_u);
            let mut halvings = 0;
            let bound = if sign > 0.0 { highest } else { lowest };
            let end = sign * unstretched((bound - centre) / u).abs();
            while found.len() < MOST_POINTS {
                // the last step goes up to the bound; a short step after a full
                // one would make the cubic through both inaccurate elsewhere
                if sign * (end - t) < 1.5 * step.abs() {
                    step = end - t;
                }
                if step.abs() < 1e-6 {
                    break;
                }
                let departure = u * stretched(t + step);
                let (last, x) = &path[path.len() - 1];
                let near = (departure - last) / variance;
                let near = x.iter().zip(&with).map(|(x, w)| x + near * w).collect();
                // a distant starting point may leave the model's domain: then use the near one
                let solved = match path.len() {
                    1 => problem.solve_within(near, combination),
                    _ => problem
                        .solve_within(extrapolated(&path, departure), combination)
                        .or_else(|_| problem.solve_within(near, combination)),
                };
                let density = solved
                    .as_ref()
                    .map_or(f64::NEG_INFINITY, |(s, _)| log_density(s));
                if before - density > MOST_FALL_PER_STEP && halvings < HALVINGS {
                    halvings += 1;
                    step *= 0.5;
                    continue;
                }
                let Ok((solved, factor)) = solved else {
                    failed |= found.is_empty();
                    break;
                };
                t += step;
                before = density;
                found.push((t, density, note(&solved, &factor)));
                if path.len() == 3 {
                    path.remove(0);
                }
                path.push((departure, solved.values));
                peak = peak.max(density);
                if density < peak - TAIL_FALL {
                    break;
                }
            }
            found
        };
        let below = walk(-1.0);
        let above = walk(1.0);
        let middle = (0.0, log_density(&at_centre), note(&at_centre, &factor));
        let mut walk = Self {
            centre,
            u,
            places: Vec::new(),
            logs: Vec::new(),
            notes: Vec::new(),
        };
        for (place, log, note) in below.into_iter().rev().chain([middle]).chain(above) {
            walk.places.push(place);
            walk.logs.push(log - peak);
            walk.notes.push(note);
        }
        Ok(Some(walk).filter(|w| !failed && w.logs.len() > 1))
    }

    /// A uniform grid over the walk with `parts` to a full step, more where the
    /// walk took shorter ones: its start, its step and the last index.
    fn grid(&self, parts: usize) -> (f64, f64, usize) {
        let shortest = self
            .places
            .windows(2)
            .map(|w| w[1] - w[0])
            .fold(f64::INFINITY, f64::min);
        let (start, end) = (self.places[0], self.places[self.places.len() - 1]);
        let last = ((end - start) / shortest).round() * parts as f64;
        // the tail beyond an edge is empty and needs no resolution
        let last = last.min(MOST_GRID_STEPS * parts as f64);
        (start, (end - start) / last, last as usize)
    }

    /// Values known at the points, on that grid.
    fn refine(&self, values: &[f64], parts: usize) -> Vec<f64> {
        let (start, step, last) = self.grid(parts);
        let nodes: Vec<f64> = self.places.iter().map(|&t| stretched(t)).collect();
        let at = |i: usize| stretched(start + step * i as f64);
        (0..=last)
            .map(|i| interpolated(&nodes, values, at(i)))
            .collect()
    }

    /// The density on that grid, per step of the scale; not normalised.
    fn density(&self, parts: usize) -> Vec<f64> {
        let (start, step, _) = self.grid(parts);
        let logs = self.refine(&self.logs, parts);
        let per_step =
            |(i, log): (usize, &f64)| log.exp() * (GROWTH * (start + step * i as f64)).cosh();
        logs.iter().enumerate().map(per_step).collect()
    }
}

impl Marginal {
    /// The marginal of `combination' x` around `solution`, within
    /// `lowest..highest`.
    pub fn new(
        problem: &Problem<'_>,
        solution: &Minimum,
        combination: &Coefficients,
        bounds: (f64, f64),
    ) -> Result<Self, AdjustError> {
        let Some(walk) = Walk::new(
            problem,
            solution,
            combination,
            bounds,
            POINTS_PER_U,
            |_, _| (),
        )?
        else {
            return Ok(Self::normal(solution, combination));
        };
        let mut density = walk.density(REFINEMENT);
        let (cumulative, total) = cumulate(&density);
        density.iter_mut().for_each(|d| *d /= total);
        let (start, step, _) = walk.grid(REFINEMENT);
        Ok(Self {
            form: DensityForm::Grid {
                centre: walk.centre,
                u: walk.u,
                start,
                step,
                cumulative,
                density,
            },
        })
    }

    /// The marginals of several combinations (`targets`) at the price of one
    /// walk along `along`, on which they depend: at each of its points a target
    /// is normal about its constrained minimum, and its marginal is the mixture
    /// (nested Laplace approximation: Rue, Martino and Chopin 2009, from
    /// memory, in its plainest form). Right where the problem is nearly linear
    /// once `along` is fixed.
    pub fn through(
        problem: &Problem<'_>,
        solution: &Minimum,
        along: &Coefficients,
        targets: &[Coefficients],
    ) -> Result<Vec<Self>, AdjustError> {
        let everywhere = (f64::NEG_INFINITY, f64::INFINITY);
        let scaled_along = problem.scaled(along);
        let note = |s: &Minimum, factor: &Factor| -> Vec<[f64; 2]> {
            let with_along = factor.solve(&scaled_along);
            let of_along = scaled_along.dot(&with_along);
            let moments = |target: &Coefficients| {
                let mean = target.at(&s.values);
                let scaled = problem.scaled(target);
                let shared = scaled.dot(&with_along);
                let variance = scaled.dot(&factor.solve(&scaled)) - shared * shared / of_along;
                [mean, variance.max(0.0)]
            };
            targets.iter().map(moments).collect()
        };
        let Some(walk) = Walk::new(
            problem,
            solution,
            along,
            everywhere,
            SHARED_POINTS_PER_U,
            note,
        )?
        else {
            return Ok(targets.iter().map(|t| Self::normal(solution, t)).collect());
        };
        let density = walk.density(MIXTURE_PARTS);
        let total: f64 = density.iter().sum();
        let mixture = |k: usize| {
            let of = |which: usize| -> Vec<f64> {
                let known: Vec<f64> = walk.notes.iter().map(|n| n[k][which]).collect();
                walk.refine(&known, MIXTURE_PARTS)
            };
            let (means, variances) = (of(0), of(1));
            let last = means.len() - 1;
            let parts = (0..=last).map(|i| {
                // each stands for a stretch of means, taken as uniform
                let stretch = 0.5 * (means[(i + 1).min(last)] - means[i.saturating_sub(1)]);
                let variance = variances[i].max(0.0) + stretch * stretch / 12.0;
                [density[i] / total, means[i], variance.sqrt()]
            });
            Self {
                form: DensityForm::Mixture(parts.collect()),
            }
        };
        Ok((0..targets.len()).map(mixture).collect())
    }

    /// The normal distribution of the linearised problem.
    fn normal(solution: &Minimum, combination: &Coefficients) -> Self {
        let centre = combination.at(&solution.values);
        let u = solution.variance(combination).sqrt();
        Self {
            form: DensityForm::Mixture(vec![[1.0, centre, u]]),
        }
    }

    /// Probability that the combination is at most `value`.
    pub fn cumulative(&self, value: f64) -> f64 {
        match &self.form {
            DensityForm::Grid {
                centre,
                u,
                start,
                step,
                cumulative,
                density,
            } => {
                let last = cumulative.len() - 1;
                let t = unstretched((value - centre) / u);
                let at = (t - start) / step;
                if at <= 0.0 {
                    return 0.0;
                }
                if at >= last as f64 {
                    return 1.0;
                }
                let i = at as usize;
                monotone(
                    [cumulative[i], cumulative[i + 1]],
                    [density[i], density[i + 1]],
                    at - i as f64,
                )
            }
            DensityForm::Mixture(parts) => parts
                .iter()
                .map(|[weight, mean, u]| weight * normal_cdf((value - mean) / u))
                .sum(),
        }
    }

    /// Bounds beyond which the probability is negligible.
    fn ends(&self) -> (f64, f64) {
        match &self.form {
            DensityForm::Grid {
                centre,
                u,
                start,
                step,
                cumulative,
                ..
            } => {
                let last = start + step * (cumulative.len() - 1) as f64;
                (centre + u * stretched(*start), centre + u * stretched(last))
            }
            DensityForm::Mixture(parts) => parts.iter().fold(
                (f64::INFINITY, f64::NEG_INFINITY),
                // beyond nine standard deviations lies less than 1e-18
                |(low, high), [_, mean, u]| (low.min(mean - 9.0 * u), high.max(mean + 9.0 * u)),
            ),
        }
    }

    /// The value below which lies the probability `p`.
    pub fn quantile(&self, p: f64) -> f64 {
        let (low, high) = self.ends();
        root(|x| self.cumulative(x) - p, low, high)
    }

    /// The interval with equal probability on either side.
    pub fn interval(&self, coverage: f64) -> Interval {
        let tail = 0.5 * (1.0 - coverage);
        Interval::finite(self.quantile(tail), self.quantile(1.0 - tail), coverage)
    }
}

/// Where a function that rises from below zero to above it does so, to [`ROOT_TOLERANCE`]: by the ITP method
/// (Oliveira and Takahashi 2020, from memory), whose steps follow the secant and are at most [`EXTRA_ROOT_STEPS`] more than
/// those of halving.
fn root(function: impl Fn(f64) -> f64, mut low: f64, mut high: f64) -> f64 {
    let steps = ROOT_TOLERANCE.log2().abs().ceil() as i32 + EXTRA_ROOT_STEPS;
    let span = high - low;
    let (mut below, mut above) = (function(low).min(0.0), function(high).max(0.0));
    for step in 0..=steps {
        let width = high - low;
        let middle = 0.5 * (low + high);
        if width <= ROOT_TOLERANCE * span || below == above {
            break;
        }
        let secant = (above * low - below * high) / (above - below);
        // a little towards the middle, so that both ends move; and within what halving would have left
        let towards = (middle - secant).signum();
        let by = f64::max(0.2 * width * (width / span), 0.5 * ROOT_TOLERANCE * span);
        let truncated = secant + towards * f64::min(by, (middle - secant).abs());
        let leeway = f64::max(
            span * 0.5f64.powi(step - EXTRA_ROOT_STEPS) - 0.5 * width,
            0.0,
        );
        let next = middle + (truncated - middle).clamp(-leeway, leeway);
        let value = function(next);
        match value < 0.0 {
            true => (low, below) = (next, value),
            false => (high, above) = (next, value),
        }
    }
    0.5 * (low + high)
}

/// Cubic with the cumulative's values and slopes at both ends of an interval,
/// `t` in 0..1; slopes are limited to three rises, which keeps it monotone
/// (Fritsch and Carlson 1980, from memory).
fn monotone([from, to]: [f64; 2], slopes: [f64; 2], t: f64) -> f64 {
    let rise = to - from;
    let [m0, m1] = slopes.map(|m| m.min(3.0 * rise));
    from + t * (m0 + t * ((3.0 * rise - 2.0 * m0 - m1) + t * (m0 + m1 - 2.0 * rise)))
}

/// Where the point `t` of the uniform scale lies, in standard uncertainties.
fn stretched(t: f64) -> f64 {
    (GROWTH * t).sinh() / GROWTH
}

/// The point of the uniform scale at `x` standard uncertainties.
fn unstretched(x: f64) -> f64 {
    (GROWTH * x).asinh() / GROWTH
}

/// The polynomial through `nodes` (positions and values) at `x` (Lagrange), as
/// the weights of the nodes.
fn lagrange(nodes: &[f64], x: f64) -> impl Iterator<Item = f64> {
    nodes.iter().enumerate().map(move |(a, &own)| {
        let others = nodes.iter().enumerate().filter(|&(b, _)| b != a);
        others
            .map(|(_, &other)| (x - other) / (own - other))
            .product()
    })
}

/// The unknowns at a further distance from the centre, by the polynomial through the path.
fn extrapolated(path: &[(f64, Vec<f64>)], departure: f64) -> Vec<f64> {
    let nodes: Vec<f64> = path.iter().map(|(d, _)| *d).collect();
    let mut x = vec![0.0; path[0].1.len()];
    for (weight, (_, values)) in lagrange(&nodes, departure).zip(path) {
        x.iter_mut().zip(values).for_each(|(x, v)| *x += weight * v);
    }
    x
}

/// The cubic through the four of `nodes` (ascending) nearest to `x` (fewer at the
/// ends of a short list). Where the four values are monotone, it is limited to
/// the values on either side, since it would overshoot at an edge.
fn interpolated(nodes: &[f64], values: &[f64], x: f64) -> f64 {
    let after = nodes.partition_point(|&n| n <= x).clamp(1, nodes.len() - 1);
    let first = after.saturating_sub(2).min(nodes.len().saturating_sub(4));
    let span = first..(first + 4).min(nodes.len());
    let four = &values[span.clone()];
    let value = lagrange(&nodes[span], x)
        .zip(four)
        .map(|(w, y)| w * y)
        .sum::<f64>();
    let (left, right) = (values[after - 1], values[after]);
    if four.is_sorted() || four.iter().rev().is_sorted() {
        value.clamp(left.min(right), left.max(right))
    } else {
        value
    }
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

#[cfg(test)]
mod tests {
    use super::super::{Block, Unknown};
    use super::*;
    use approx::assert_relative_eq;
    use ndarray::array;

    /// A grid has its parts to the shortest step, and an end to them.
    #[test]
    fn a_grid_is_as_fine_as_the_walk_and_no_finer_than_is_of_use() {
        let grid = |places: &[f64], parts: usize| {
            let walk = Walk {
                centre: 0.0,
                u: 1.0,
                places: places.to_vec(),
                logs: vec![0.0; places.len()],
                notes: vec![(); places.len()],
            };
            walk.grid(parts)
        };
        assert_eq!(grid(&[-1.0, 0.0, 2.0], 4), (-1.0, 0.25, 12));
        assert_eq!(grid(&[0.0, 1e-6, 3.0], 4), (0.0, 3.0 / 4000.0, 4000));
    }

    /// A constant density, by hand: the rule reaches one point beyond each step, where
    /// there is nothing beyond the ends.
    #[test]
    fn steps_of_a_constant_density_cumulate() {
        let (cumulative, sum) = cumulate(&[1.0; 5]);
        assert_relative_eq!(sum, 49.0 / 12.0, max_relative = 1e-15);
        let expected = [0.0, 25.0, 49.0, 73.0, 98.0].map(|v| v / 98.0);
        assert_eq!(cumulative.len(), expected.len());
        for (found, expected) in cumulative.iter().zip(expected) {
            assert_relative_eq!(*found, expected, max_relative = 1e-15);
        }
    }

    /// Roots of a smooth function, of a step and of one that is flat on both sides of it, and few calls for a smooth
    /// one. The last is the tenth percentile by Python 3.11's `statistics.NormalDist`, in thousandths.
    #[test]
    fn roots_are_found_in_few_steps() {
        let calls = std::cell::Cell::new(0);
        let counted = |f: fn(f64) -> f64| {
            let calls = &calls;
            move |x: f64| {
                calls.set(calls.get() + 1);
                f(x)
            }
        };
        let near = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-11, "{found}");
        near(
            root(counted(|x| x.exp() - 2.0), -5.0, 5.0),
            std::f64::consts::LN_2,
        );
        assert!(calls.get() < 20, "{}", calls.get());
        near(
            root(counted(|x| if x < 0.3 { -0.9 } else { 0.1 }), -5.0, 5.0),
            0.3,
        );
        near(
            root(counted(|x| normal_cdf(x / 1e-3) - 0.1), -5.0, 5.0),
            -1.2815515655446004e-3,
        );
        assert!(calls.get() < 150, "{}", calls.get());
    }

    /// A combination of two independent priors: its mean and variance by hand.
    #[test]
    fn the_linearised_distribution_of_a_combination() {
        let unknown = |start: f64| Unknown {
            name: "x".into(),
            start,
            scale: 1.0,
        };
        let prior = |k: usize, value: f64, u: f64| {
            Block::prior("p", vec![k], array![value], &array![[u * u]]).unwrap()
        };
        let blocks = vec![prior(0, 5.0, 0.3), prior(1, -2.0, 0.4)];
        let problem = Problem::new(vec![unknown(1.0), unknown(1.0)], blocks);
        let solution = problem.solve().unwrap();
        let found = Marginal::normal(&solution, &Coefficients::from([2.0, -3.0]));
        let u = f64::hypot(2.0 * 0.3, 3.0 * 0.4);
        assert_relative_eq!(found.quantile(0.5), 16.0, max_relative = 1e-9);
        let expected = 16.0 + 1.959963984540054 * u;
        assert_relative_eq!(found.quantile(0.975), expected, max_relative = 1e-9);
    }

    /// What is walked along is known at each point, so the parts of its mixture are
    /// as wide as the stretch from half way before to half way behind, uniform.
    #[test]
    fn parts_of_a_mixture_fill_the_walk() {
        let unknown = || Unknown {
            name: "x".into(),
            start: 0.0,
            scale: 1.0,
        };
        let prior = |k| Block::prior("p", vec![k], array![0.0], &array![[1.0]]).unwrap();
        let problem = Problem::new(vec![unknown(), unknown()], vec![prior(0), prior(1)]);
        let solution = problem.solve().unwrap();
        let along = Coefficients::unit(0);
        let targets = [along.clone(), Coefficients::from([1.0, 1.0])];
        let found = Marginal::through(&problem, &solution, &along, &targets).unwrap();
        let parts = |k: usize| match &found[k].form {
            DensityForm::Mixture(parts) => parts.clone(),
            _ => panic!("no mixture"),
        };
        let (own, sum) = (parts(0), parts(1));
        assert!(own.len() > 100, "{}", own.len());
        for i in 1..own.len() - 1 {
            let stretch = 0.5 * (own[i + 1][1] - own[i - 1][1]);
            let expected = (stretch * stretch / 12.0).sqrt();
            assert!(stretch > 0.0);
            assert_relative_eq!(own[i][2], expected, max_relative = 1e-6, epsilon = 1e-12);
            // the other unknown's spread beside
            assert_relative_eq!(sum[i][2], expected.hypot(1.0), max_relative = 1e-6);
        }
    }

    /// Quantiles of mixtures in any unit: of one normal distribution, and of two
    /// far apart, where the median lies between and the upper part has its own.
    #[test]
    fn quantiles_of_mixtures_have_no_unit() {
        for unit in [1e-6, 1.0, 1e4] {
            let of = |parts: &[[f64; 3]]| Marginal {
                form: DensityForm::Mixture(
                    parts
                        .iter()
                        .map(|&[w, mean, u]| [w, mean * unit, u * unit])
                        .collect(),
                ),
            };
            // scipy 1.17.1: norm.ppf(0.975) = 1.959963984540054
            let one = of(&[[1.0, 5.0, 2.0]]);
            let expected = 5.0 + 2.0 * 1.959963984540054;
            assert_relative_eq!(one.quantile(0.975), expected * unit, max_relative = 1e-9);
            let two = of(&[[0.5, -100.0, 1.0], [0.5, 100.0, 3.0]]);
            let expected = 100.0 + 3.0 * 1.959963984540054;
            assert_relative_eq!(two.quantile(0.9875), expected * unit, max_relative = 1e-9);
            let expected = -100.0 - 1.959963984540054;
            assert_relative_eq!(two.quantile(0.0125), expected * unit, max_relative = 1e-9);
        }
    }
}
