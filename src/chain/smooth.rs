//! Smooth curves through noisy points: a few known shapes and, where the data
//! require it, a smooth deviation from them.
//!
//! Each curve is `sum_j p_j b_j(f) + g(f)`: parameters shared by all curves and
//! a Gaussian process `g` over the logarithm of frequency (Matern covariance of
//! order 5/2, correlated over an octave), held by its values on a grid. The
//! size of `g` maximises the evidence, zero included, so that a curve is no
//! rougher than its data support (C. E. Rasmussen and C. K. I. Williams,
//! *Gaussian Processes for Machine Learning*, 2006, chapters 4 and 5; from
//! memory). Parameters and grid values are whitened, so all unknowns have unit
//! priors and the matrices are well conditioned.

use crate::adjust::Cholesky;
use crate::uncertainty::huber_limit;
use ndarray::{Array1, Array2};

/// Distance over which a deviation is correlated, in octaves. Equaliser parts,
/// coupling poles and coils shape a curve over octaves (believed).
const CORRELATED_OCTAVES: f64 = 1.0;
/// Sizes of the deviation tried, beside zero: standard deviations in the
/// curve's unit (radians, nepers or plain ratio).
const SIZES: [f64; 9] = [1e-5, 3e-5, 1e-4, 3e-4, 1e-3, 3e-3, 1e-2, 3e-2, 1e-1];
/// Maximum number of rounds of the search for the sizes, where curves share parameters.
const MOST_ROUNDS: usize = 3;

/// A grid of about six points an octave from `low` to `high` hertz, to a
/// hundredth of a hertz, at least four.
pub(super) fn grid(low: f64, high: f64) -> Vec<f64> {
    let steps = (6.0 * (high / low).log2()).round().max(3.0) as usize;
    (0..=steps)
        .map(|k| {
            let f = low * (high / low).powf(k as f64 / steps as f64);
            (f * 100.0).round() / 100.0
        })
        .collect()
}

/// Four neighbouring points of a grid of at least four, and their weights in
/// the value at `hertz`: Lagrange's cubic in the logarithm of frequency,
/// constant beyond the ends.
pub(super) fn weights(grid: &[f64], hertz: f64) -> (usize, [f64; 4]) {
    let last = grid.len() - 1;
    let f = hertz.clamp(grid[0], grid[last]);
    let above = grid.partition_point(|h| *h <= f);
    let start = above.saturating_sub(2).min(last - 3);
    let x = f.ln();
    let nodes: [f64; 4] = std::array::from_fn(|i| grid[start + i].ln());
    let weights = std::array::from_fn(|i| {
        (0..4)
            .filter(|j| *j != i)
            .map(|j| (x - nodes[j]) / (nodes[i] - nodes[j]))
            .product()
    });
    (start, weights)
}

/// One measured value.
#[derive(Debug, Clone)]
pub(super) struct CurveObservation {
    /// Index of its curve.
    pub curve: usize,
    /// Frequency, hertz.
    pub hertz: f64,
    /// Value and random error.
    pub value: f64,
    /// Standard deviation of its noise.
    pub u: f64,
}

/// Prior model: parameters, and their shapes on each curve.
pub(super) struct CurveModel<'a> {
    /// Prior standard uncertainty of each parameter (mean 0).
    pub prior_u: Vec<f64>,
    /// Number of curves.
    pub curves: usize,
    /// Value per unit of each parameter on a curve at a frequency, hertz.
    pub basis: &'a dyn Fn(usize, f64) -> Vec<f64>,
}

/// The fitted curves.
#[derive(Debug, Clone)]
pub(super) struct FittedCurves {
    /// Parameters and their standard uncertainties.
    pub parameters: Vec<(f64, f64)>,
    /// Values of each curve on the grid.
    pub curves: Vec<Vec<f64>>,
    /// Covariance of all curves' grid values, one curve after the other.
    pub covariance: Array2<f64>,
    /// Size of the smooth deviation of each curve, 0 for none.
    pub deviation: Vec<f64>,
    /// Mean square of the residuals over what noise explains, at least 1; the
    /// covariance allows for it.
    pub scatter: f64,
}

/// Normal equations of the data in unwhitened unknowns.
struct NormalEquations {
    matrix: Array2<f64>,
    vector: Array1<f64>,
}

/// Fits the curves; `per_point` is the ratio by which noise that neighbours
/// share lowers the mean square of single residuals below one. `None` when
/// arithmetic fails (values that are not finite).
pub(super) fn fit(
    observations: &[CurveObservation],
    grid: &[f64],
    model: &CurveModel,
    per_point: f64,
) -> Option<FittedCurves> {
    let parameters = model.prior_u.len();
    let nodes = grid.len();
    let unknowns = parameters + model.curves * nodes;
    let rows: Vec<Vec<(usize, f64)>> = observations
        .iter()
        .map(|o| {
            let mut row: Vec<(usize, f64)> = (model.basis)(o.curve, o.hertz)
                .into_iter()
                .enumerate()
                .filter(|b| b.1 != 0.0)
                .collect();
            let (start, weights) = weights(grid, o.hertz);
            let first = parameters + o.curve * nodes + start;
            row.extend(weights.iter().enumerate().map(|(i, w)| (first + i, *w)));
            row
        })
        .collect();
    let factor = deviation_factor(grid)?;
    let mut weights = vec![1.0; observations.len()];
    let mut scatter = 1.0;
    let mut found = None;
    // The second pass knows the scatter of the first and leaves outliers aside.
    for _ in 0..2 {
        let normal = normal_equations(observations, &rows, &weights, scatter, unknowns);
        let whitened = Whitened::new(&normal, &factor, model, nodes);
        let deviation = whitened.most_probable(model.curves)?;
        let solved = whitened.solve(&deviation)?;
        let z = &solved.unknowns;
        let normalised: Vec<f64> = observations
            .iter()
            .zip(&rows)
            .map(|(o, row)| {
                let fitted: f64 = row.iter().map(|(i, b)| b * z[*i]).sum();
                (o.value - fitted) / o.u
            })
            .collect();
        let limit = huber_limit(normalised.iter().copied());
        let kept: f64 = normalised.iter().map(|r| r.abs().min(limit).powi(2)).sum();
        let free = observations.len() as f64 - solved.effective;
        scatter = (kept / free.max(1.0) * per_point).max(1.0);
        weights = normalised
            .iter()
            .map(|r| (limit / r.abs().max(limit)).min(1.0))
            .collect();
        found = Some((solved, deviation));
    }
    let (solved, deviation) = found?;
    let (z, covariance) = (solved.unknowns, solved.covariance);
    // Grid values are linear in the unknowns.
    let mut map = Array2::<f64>::zeros((model.curves * nodes, unknowns));
    for curve in 0..model.curves {
        for (g, hertz) in grid.iter().enumerate() {
            let row = curve * nodes + g;
            for (j, b) in (model.basis)(curve, *hertz).into_iter().enumerate() {
                map[[row, j]] = b;
            }
            map[[row, parameters + row]] = 1.0;
        }
    }
    let values = map.dot(&z);
    Some(FittedCurves {
        parameters: (0..parameters)
            .map(|j| (z[j], covariance[[j, j]].sqrt()))
            .collect(),
        curves: (0..model.curves)
            .map(|c| (0..nodes).map(|g| values[c * nodes + g]).collect())
            .collect(),
        covariance: map.dot(&covariance).dot(&map.t()),
        deviation,
        scatter,
    })
}

fn normal_equations(
    observations: &[CurveObservation],
    rows: &[Vec<(usize, f64)>],
    weights: &[f64],
    scatter: f64,
    unknowns: usize,
) -> NormalEquations {
    let mut normal = NormalEquations {
        matrix: Array2::zeros((unknowns, unknowns)),
        vector: Array1::zeros(unknowns),
    };
    for ((o, row), weight) in observations.iter().zip(rows).zip(weights) {
        let q = weight / (o.u * o.u * scatter);
        for &(i, a) in row {
            normal.vector[i] += q * a * o.value;
            for &(j, b) in row {
                normal.matrix[[i, j]] += q * a * b;
            }
        }
    }
    normal
}

/// Lower Cholesky factor of the unit deviation's covariance on the grid.
fn deviation_factor(grid: &[f64]) -> Option<Array2<f64>> {
    let n = grid.len();
    let correlation = Array2::from_shape_fn((n, n), |(i, j)| {
        let octaves = (grid[i] / grid[j]).log2().abs();
        let r = 5f64.sqrt() * octaves / CORRELATED_OCTAVES;
        (1.0 + r + r * r / 3.0) * (-r).exp()
    });
    // The last term keeps rounding from making the matrix indefinite.
    let factor = Cholesky::new(&(correlation + 1e-9 * Array2::<f64>::eye(n)))?;
    let mut lower = Array2::zeros((n, n));
    for k in 0..n {
        let mut unit = vec![0.0; n];
        unit[k] = 1.0;
        lower.column_mut(k).assign(&factor.colour(&unit));
    }
    Some(lower)
}

/// The data's normal equations in whitened unknowns of unit priors, with
/// deviations of unit size; `x = transform y`.
struct Whitened {
    transform: Array2<f64>,
    matrix: Array2<f64>,
    vector: Array1<f64>,
    parameters: usize,
    nodes: usize,
}

/// The solution for given sizes of the deviations.
struct CurveSolution {
    unknowns: Array1<f64>,
    covariance: Array2<f64>,
    /// Unknowns that the data determine, in all.
    effective: f64,
}

impl Whitened {
    fn new(
        normal: &NormalEquations,
        factor: &Array2<f64>,
        model: &CurveModel,
        nodes: usize,
    ) -> Self {
        let parameters = model.prior_u.len();
        let unknowns = parameters + model.curves * nodes;
        let mut transform = Array2::zeros((unknowns, unknowns));
        for (j, u) in model.prior_u.iter().enumerate() {
            transform[[j, j]] = *u;
        }
        for curve in 0..model.curves {
            let at = parameters + curve * nodes;
            for i in 0..nodes {
                for j in 0..=i {
                    transform[[at + i, at + j]] = factor[[i, j]];
                }
            }
        }
        Self {
            matrix: transform.t().dot(&normal.matrix).dot(&transform),
            vector: transform.t().dot(&normal.vector),
            transform,
            parameters,
            nodes,
        }
    }

    /// Unknowns in use with their sizes: curves without deviation have none.
    fn active(&self, deviation: &[f64]) -> Vec<(usize, f64)> {
        let mut list: Vec<(usize, f64)> = (0..self.parameters).map(|j| (j, 1.0)).collect();
        for (curve, size) in deviation.iter().enumerate() {
            if *size > 0.0 {
                let first = self.parameters + curve * self.nodes;
                list.extend((first..first + self.nodes).map(|k| (k, *size)));
            }
        }
        list
    }

    fn posterior(&self, active: &[(usize, f64)]) -> Option<(Cholesky, Array1<f64>)> {
        let matrix = Array2::from_shape_fn((active.len(), active.len()), |(i, j)| {
            let ((a, u), (b, v)) = (active[i], active[j]);
            self.matrix[[a, b]] * u * v + if i == j { 1.0 } else { 0.0 }
        });
        let vector = active.iter().map(|(a, u)| self.vector[*a] * u).collect();
        Some((Cholesky::new(&matrix)?, vector))
    }

    /// Twice the negative logarithm of the probability of the data, up to a
    /// constant.
    fn improbability(&self, deviation: &[f64]) -> Option<f64> {
        let (cholesky, vector) = self.posterior(&self.active(deviation))?;
        Some(cholesky.log_determinant() - vector.dot(&cholesky.solve(&vector)))
    }

    fn solve(&self, deviation: &[f64]) -> Option<CurveSolution> {
        let active = self.active(deviation);
        let (cholesky, vector) = self.posterior(&active)?;
        let (solution, inverse) = (cholesky.solve(&vector), cholesky.inverse());
        let columns = Array2::from_shape_fn((self.transform.nrows(), active.len()), |(i, j)| {
            self.transform[[i, active[j].0]] * active[j].1
        });
        Some(CurveSolution {
            unknowns: columns.dot(&solution),
            covariance: columns.dot(&inverse).dot(&columns.t()),
            effective: active.len() as f64 - inverse.diag().sum(),
        })
    }

    /// The sizes of the deviations of largest evidence: curve after curve,
    /// repeated until none changes.
    fn most_probable(&self, curves: usize) -> Option<Vec<f64>> {
        let mut deviation = vec![0.0; curves];
        let mut best = self.improbability(&deviation)?;
        for _ in 0..MOST_ROUNDS {
            let before = deviation.clone();
            for curve in 0..curves {
                for size in SIZES {
                    let mut tried = deviation.clone();
                    tried[curve] = size;
                    let value = self.improbability(&tried)?;
                    if value < best {
                        best = value;
                        deviation = tried;
                    }
                }
            }
            if deviation == before {
                break;
            }
        }
        Some(deviation)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grids_have_six_points_an_octave() {
        let audio = grid(20.0, 20_480.0);
        assert_eq!(audio.len(), 61);
        assert_eq!((audio[6], audio[12], audio[60]), (40.0, 80.0, 20_480.0));
        assert_eq!(audio[1], 22.45);
        assert_eq!(grid(1000.0, 1100.0).len(), 4);
    }

    /// A cubic of the logarithm comes back between the points, the ends beyond them.
    #[test]
    fn interpolation_is_cubic() {
        let points = grid(100.0, 1600.0);
        let cubic = |f: f64| {
            let x = (f / 400.0).ln();
            2.0 - x + 3.0 * x * x - 0.5 * x * x * x
        };
        let at = |f: f64| {
            let (start, weights) = weights(&points, f);
            let near = weights.iter().zip(&points[start..]);
            near.map(|(w, h)| w * cubic(*h)).sum::<f64>()
        };
        for f in [100.0, 105.0, 399.0, 400.0, 1213.0, 1590.0, 1600.0] {
            assert!((at(f) - cubic(f)).abs() < 1e-12, "{f}");
        }
        assert!((at(3.0) - cubic(100.0)).abs() < 1e-12);
        assert!((at(9e3) - cubic(1600.0)).abs() < 1e-12);
        // between the points about it
        assert_eq!(weights(&points, points[7] * 1.01).0, 6);
    }

    /// Residuals of twice their size about a constant: a mean square of 4 on one
    /// unknown fewer, halved as neighbours share noise; the errors allow for it.
    #[test]
    fn scatter_is_the_mean_square_of_residuals() {
        let points = grid(100.0, 1600.0);
        let n = 400;
        let observations: Vec<CurveObservation> = (0..n)
            .map(|k| CurveObservation {
                curve: 0,
                hertz: 100.0 + 3.0 * f64::from(k),
                value: 5.0 + if k % 2 == 0 { 0.02 } else { -0.02 },
                u: 0.01,
            })
            .collect();
        let model = CurveModel {
            prior_u: vec![100.0],
            curves: 1,
            basis: &|_, _| vec![1.0],
        };
        let made = fit(&observations, &points, &model, 0.5).unwrap();
        assert_eq!(made.deviation, [0.0]);
        assert!(
            (made.scatter - 2.0 * 400.0 / 399.0).abs() < 1e-6,
            "{}",
            made.scatter
        );
        let (value, u) = made.parameters[0];
        assert!((value - 5.0).abs() < 1e-6, "{value}");
        let expected = 0.01 * (made.scatter / 400.0).sqrt();
        assert!((u - expected).abs() < 1e-6 * expected, "{u} {expected}");
        assert!((made.covariance[[3, 7]] - u * u).abs() < 1e-9 * u * u);
        // one far outside has no say
        let mut outlying = observations;
        outlying[100].value = 9.0;
        let again = fit(&outlying, &points, &model, 0.5).unwrap();
        assert!(
            (again.parameters[0].0 - 5.0).abs() < 2e-3,
            "{:?}",
            again.parameters
        );
        // and counts in the scatter as what is just within the limit
        let limit = huber_limit(std::iter::repeat_n(2.0, 400));
        let expected = 0.5 * (399.0 * 4.0 + limit * limit) / 399.0;
        assert!(
            (again.scatter - expected).abs() < 0.01 * expected,
            "{} {expected}",
            again.scatter
        );
    }

    /// The same by dense matrices over the observations: `K = B P B' + s^2 W C W' +
    /// N`, the most probable sizes by trying all, mean and covariance of the curves
    /// conditioned on the data.
    #[test]
    fn the_fit_is_that_of_a_dense_process() {
        let points = grid(200.0, 1600.0);
        let nodes = points.len();
        let basis = |curve: usize, hertz: f64| {
            if curve == 0 {
                vec![hertz / 1000.0, 0.0]
            } else {
                vec![0.3, 1.0]
            }
        };
        let prior_u = [0.5, 0.3];
        let observations: Vec<CurveObservation> = (0..60)
            .map(|k| {
                let hertz = 210.0 + 44.0 * f64::from(k / 2);
                let wave = (5.0 * (hertz / 400.0).ln()).sin();
                let noise = 1e-3 * f64::from((7 * k) % 5 - 2);
                CurveObservation {
                    curve: k as usize % 2,
                    hertz,
                    // the first departs from its shapes, the second does not
                    value: if k % 2 == 0 {
                        0.2 * hertz / 1000.0 + 0.02 * wave + noise
                    } else {
                        0.2 + noise
                    },
                    u: 2e-3,
                }
            })
            .collect();
        let model = CurveModel {
            prior_u: prior_u.to_vec(),
            curves: 2,
            basis: &basis,
        };
        let made = fit(&observations, &points, &model, 1.0).unwrap();
        assert_eq!(made.scatter, 1.0);

        // shapes and deviations at observations, then at the grid
        let places: Vec<(usize, f64)> = observations
            .iter()
            .map(|o| (o.curve, o.hertz))
            .chain((0..2).flat_map(|c| points.iter().map(move |f| (c, *f))))
            .collect();
        let matern = |a: f64, b: f64| {
            let r = 5f64.sqrt() * (a / b).log2().abs();
            (1.0 + r + r * r / 3.0) * (-r).exp() + if a == b { 1e-9 } else { 0.0 }
        };
        let between = |(curve, f): (usize, f64), (other, g): (usize, f64), sizes: [f64; 2]| {
            let shapes: f64 = basis(curve, f)
                .iter()
                .zip(basis(other, g))
                .zip(prior_u)
                .map(|((b, c), u)| b * c * u * u)
                .sum();
            if curve != other {
                return shapes;
            }
            let ((i, v), (j, w)) = (weights(&points, f), weights(&points, g));
            let mut deviation = 0.0;
            for (a, v) in v.iter().enumerate() {
                for (b, w) in w.iter().enumerate() {
                    deviation += v * w * matern(points[i + a], points[j + b]);
                }
            }
            shapes + sizes[curve].powi(2) * deviation
        };
        let n = observations.len();
        let data: Array1<f64> = observations.iter().map(|o| o.value).collect();
        let dense = |sizes: [f64; 2]| {
            Array2::from_shape_fn((n, n), |(i, j)| {
                let noise = if i == j {
                    observations[i].u.powi(2)
                } else {
                    0.0
                };
                between(places[i], places[j], sizes) + noise
            })
        };
        let mut best = (f64::INFINITY, [0.0; 2]);
        let tried: Vec<f64> = std::iter::once(0.0).chain(SIZES).collect();
        for first in &tried {
            for second in &tried {
                let cholesky = Cholesky::new(&dense([*first, *second])).unwrap();
                let value = data.dot(&cholesky.solve(&data)) + cholesky.log_determinant();
                if value < best.0 {
                    best = (value, [*first, *second]);
                }
            }
        }
        assert_eq!(made.deviation, best.1);
        assert!(best.1[0] > 0.0);
        let cholesky = Cholesky::new(&dense(best.1)).unwrap();
        let inverse = cholesky.inverse();
        let cross = Array2::from_shape_fn((2 * nodes, n), |(g, i)| {
            between(places[n + g], places[i], best.1)
        });
        let gain = cross.dot(&inverse);
        let mean = gain.dot(&data);
        let reduced = gain.dot(&cross.t());
        for g in 0..2 * nodes {
            let found = made.curves[g / nodes][g % nodes];
            assert!((found - mean[g]).abs() < 1e-7, "{g}: {found} {}", mean[g]);
            for h in 0..2 * nodes {
                let expected = between(places[n + g], places[n + h], best.1) - reduced[[g, h]];
                let found = made.covariance[[g, h]];
                assert!(
                    (found - expected).abs() < 1e-9,
                    "{g} {h}: {found} {expected}"
                );
            }
        }
    }
}
