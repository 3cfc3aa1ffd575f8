//! Small dense linear algebra.

use ndarray::linalg::general_mat_mul;
use ndarray::{Array1, Array2, ArrayView1, ArrayView2, ArrayViewMut1, Axis, Slice};
use rayon::prelude::*;

/// Cholesky factor of a symmetric positive definite matrix.
#[derive(Debug, Clone)]
pub struct Cholesky {
    rows: usize,
    /// Lower triangle, row by row.
    factor: Vec<f64>,
}

impl Cholesky {
    /// Factors `matrix`, of which the lower triangle is read; `None` unless
    /// positive definite.
    pub fn new(matrix: &Array2<f64>) -> Option<Self> {
        let rows = matrix.nrows();
        let factor = vec![0.0; rows * rows];
        Self { rows, factor }.renewed(matrix)
    }

    /// The factor of another matrix of this size, in the same place.
    pub fn renewed(mut self, matrix: &Array2<f64>) -> Option<Self> {
        let n = self.rows;
        for i in 0..n {
            let (above, row) = self.factor.split_at_mut(i * n);
            for j in 0..i {
                let other = &above[j * n..][..=j];
                row[j] = (matrix[[i, j]] - dot(&row[..j], &other[..j])) / other[j];
            }
            let left: f64 = matrix[[i, i]] - dot(&row[..i], &row[..i]);
            if left > 0.0 && left.is_finite() {
                row[i] = left.sqrt();
            } else {
                return None;
            }
        }
        Some(self)
    }

    /// A row of the factor, up to its diagonal.
    fn row(&self, i: usize) -> &[f64] {
        &self.factor[i * self.rows..][..=i]
    }

    /// Solves `matrix x = right`.
    pub fn solve(&self, right: &Array1<f64>) -> Array1<f64> {
        self.backward(self.forward(right.view()))
    }

    /// Solves `factor y = right`, which whitens a vector whose covariance is the matrix.
    pub fn forward(&self, right: ArrayView1<'_, f64>) -> Array1<f64> {
        let mut y = right.to_vec();
        for i in 0..self.rows {
            let row = self.row(i);
            y[i] = (y[i] - dot(&row[..i], &y[..i])) / row[i];
        }
        Array1::from_vec(y)
    }

    /// Solves `factor^T x = y`.
    pub fn backward(&self, mut y: Array1<f64>) -> Array1<f64> {
        for i in (0..self.rows).rev() {
            let row = self.row(i);
            y[i] /= row[i];
            let value = y[i];
            for (y, r) in y.iter_mut().zip(&row[..i]) {
                *y -= r * value;
            }
        }
        y
    }

    /// The inverse of the matrix, symmetric to the last bit.
    pub fn inverse(&self) -> Array2<f64> {
        let n = self.rows;
        let mut inverse = Array2::zeros((n, n));
        let mut unit = Array1::zeros(n);
        for k in 0..n {
            unit[k] = 1.0;
            inverse.row_mut(k).assign(&self.solve(&unit));
            unit[k] = 0.0;
        }
        for i in 0..n {
            for j in 0..i {
                let mean = 0.5 * (inverse[[i, j]] + inverse[[j, i]]);
                inverse[[i, j]] = mean;
                inverse[[j, i]] = mean;
            }
        }
        inverse
    }

    /// The smallest entry of the factor's diagonal.
    pub fn least_pivot(&self) -> f64 {
        let diagonal = (0..self.rows).map(|i| self.row(i)[i]);
        diagonal.fold(f64::INFINITY, f64::min)
    }

    /// Natural logarithm of the matrix's determinant.
    pub fn log_determinant(&self) -> f64 {
        2.0 * (0..self.rows).map(|i| self.row(i)[i].ln()).sum::<f64>()
    }

    /// `factor * z`: with `z` standard normal, a draw whose covariance is the
    /// matrix.
    pub fn colour(&self, z: &[f64]) -> Array1<f64> {
        (0..z.len()).map(|i| dot(self.row(i), &z[..=i])).collect()
    }
}

/// Columns that are factored together: a panel of them stays in a processor's nearest memory.
const PANEL: usize = 64;

/// Turns the lower triangle of a symmetric matrix into its Cholesky factor, panel by panel (Golub and Van Loan,
/// Matrix Computations, 4.2.9, from memory), and counts the pivots above `floor`; the columns of others become zero.
pub(super) fn factor_in_place(matrix: &mut Array2<f64>, floor: f64) -> usize {
    let n = matrix.nrows();
    let mut pivots = 0;
    for start in (0..n).step_by(PANEL) {
        let width = PANEL.min(n - start);
        let (_, mut below) = matrix.view_mut().split_at(Axis(0), start);
        let of_panel = Slice::from(start..start + width);
        let mut panel = below.slice_axis(Axis(1), of_panel).to_owned();
        let (mut triangle, mut rest) = panel.view_mut().split_at(Axis(0), width);
        let mut inverses = vec![0.0; width];
        for i in 0..width {
            let (above, mut row) = triangle.view_mut().split_at(Axis(0), i);
            let mut row = row.row_mut(0);
            reduce(
                row.view_mut().split_at(Axis(0), i).0,
                above.view(),
                &inverses,
            );
            let left = row[i] - row.iter().take(i).map(|v| v * v).sum::<f64>();
            row[i] = left;
            if left > floor && left.is_finite() {
                pivots += 1;
                row[i] = left.sqrt();
                inverses[i] = row[i].recip();
            }
        }
        let rows: Vec<_> = rest.axis_iter_mut(Axis(0)).collect();
        rows.into_par_iter()
            .with_min_len(PANEL)
            .for_each(|row| reduce(row, triangle.view(), &inverses));
        below.slice_axis_mut(Axis(1), of_panel).assign(&panel);
        // subtracts the panel's update from the rest, in stripes of rows up to the diagonal
        let rest = panel.slice_axis(Axis(0), Slice::from(width..));
        let (_, mut below) = below.split_at(Axis(0), width);
        let stripes: Vec<_> = below.axis_chunks_iter_mut(Axis(0), PANEL).collect();
        stripes
            .into_par_iter()
            .enumerate()
            .for_each(|(k, mut stripe)| {
                let end = k * PANEL + stripe.nrows();
                let own = rest.slice_axis(Axis(0), Slice::from(k * PANEL..end));
                let others = rest.slice_axis(Axis(0), Slice::from(..end));
                let first = start + width;
                let mut target = stripe.slice_axis_mut(Axis(1), Slice::from(first..first + end));
                general_mat_mul(-1.0, &own, &others.t(), 1.0, &mut target);
            });
    }
    pivots
}

/// Solves a row of a factor by the rows above it, whose diagonal has these inverses.
fn reduce(mut row: ArrayViewMut1<'_, f64>, above: ArrayView2<'_, f64>, inverses: &[f64]) {
    for j in 0..row.len() {
        let known = row.iter().zip(above.row(j)).take(j);
        let sum: f64 = known.map(|(a, b)| a * b).sum();
        row[j] = (row[j] - sum) * inverses[j];
    }
}

/// The inverse of a lower triangular matrix, by halves: `[A 0; B C]` has `[A' 0; -C' B A' C']`, with a prime for
/// an inverse.
pub(super) fn triangular_inverse(factor: ArrayView2<'_, f64>) -> Array2<f64> {
    let n = factor.nrows();
    if n == 1 {
        return factor.mapv(f64::recip);
    }
    let half = n / 2;
    let (upper, lower) = factor.split_at(Axis(0), half);
    let (b, c) = lower.split_at(Axis(1), half);
    let (first, last) = rayon::join(
        || triangular_inverse(upper.split_at(Axis(1), half).0),
        || triangular_inverse(c),
    );
    let mut inverse = Array2::zeros((n, n));
    let (mut above, below) = inverse.view_mut().split_at(Axis(0), half);
    above
        .slice_axis_mut(Axis(1), Slice::from(..half))
        .assign(&first);
    let (mut across, mut corner) = below.split_at(Axis(1), half);
    corner.assign(&last);
    general_mat_mul(-1.0, &last, &b.dot(&first), 0.0, &mut across);
    inverse
}

/// A product of two vectors, in four running sums, which the processor takes together.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    let (a, a_rest) = a.as_chunks::<4>();
    let (b, b_rest) = b.as_chunks::<4>();
    for (a, b) in a.iter().zip(b) {
        for k in 0..4 {
            sums[k] += a[k] * b[k];
        }
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(a, b)| a * b).sum();
    sums.iter().sum::<f64>() + rest
}

/// Eigenvalues and eigenvectors (columns) of a small symmetric matrix by
/// Jacobi's rotations, which are slow and accurate.
pub fn symmetric_eigen(matrix: &Array2<f64>) -> (Array1<f64>, Array2<f64>) {
    let n = matrix.nrows();
    let mut a = matrix.clone();
    let mut vectors = Array2::eye(n);
    // Convergence is quadratic; a dozen sweeps suffice at any size (Golub and
    // Van Loan, Matrix Computations, 8.5; from memory), 60 is a stop.
    for _ in 0..60 {
        let off: f64 = (0..n)
            .flat_map(|i| (0..i).map(move |j| (i, j)))
            .map(|(i, j)| a[[i, j]] * a[[i, j]])
            .sum();
        let diagonal: f64 = a.diag().iter().map(|d| d * d).sum();
        if off <= f64::EPSILON * f64::EPSILON * diagonal {
            break;
        }
        for p in 0..n {
            for q in p + 1..n {
                if a[[p, q]] == 0.0 {
                    continue;
                }
                let theta = (a[[q, q]] - a[[p, p]]) / (2.0 * a[[p, q]]);
                let t = theta.signum() / (theta.abs() + theta.hypot(1.0));
                let t = if theta == 0.0 { 1.0 } else { t };
                let c = 1.0 / t.hypot(1.0);
                let s = t * c;
                for k in 0..n {
                    let (kp, kq) = (a[[k, p]], a[[k, q]]);
                    a[[k, p]] = c * kp - s * kq;
                    a[[k, q]] = s * kp + c * kq;
                }
                for k in 0..n {
                    let (pk, qk) = (a[[p, k]], a[[q, k]]);
                    a[[p, k]] = c * pk - s * qk;
                    a[[q, k]] = s * pk + c * qk;
                    let (vp, vq) = (vectors[[k, p]], vectors[[k, q]]);
                    vectors[[k, p]] = c * vp - s * vq;
                    vectors[[k, q]] = s * vp + c * vq;
                }
            }
        }
    }
    (a.diag().to_owned(), vectors)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use ndarray::array;

    fn matrix() -> Array2<f64> {
        array![
            [4.0, 0.0, 2.0, 0.0],
            [0.0, 3.0, 0.0, -1.0],
            [2.0, 0.0, 5.0, 1.0],
            [0.0, -1.0, 1.0, 6.0]
        ]
    }

    #[test]
    fn factor_solves_inverts_and_measures() {
        let a = matrix();
        let factor = Cholesky::new(&a).unwrap();
        let identity = a.dot(&factor.inverse());
        for i in 0..4 {
            for j in 0..4 {
                let expected = if i == j { 1.0 } else { 0.0 };
                // condition number below 5, a few roundings
                assert!((identity[[i, j]] - expected).abs() < 1e-14);
            }
        }
        // determinant by hand: expansion along the first row, 4 * 82 - 2 * 34
        assert_relative_eq!(factor.log_determinant(), 260f64.ln(), max_relative = 1e-14);
        // colouring unit vectors gives columns whose outer products add to a
        let mut sum = Array2::<f64>::zeros((4, 4));
        for k in 0..4 {
            let mut z = [0.0; 4];
            z[k] = 1.0;
            let x = factor.colour(&z);
            for i in 0..4 {
                for j in 0..4 {
                    sum[[i, j]] += x[i] * x[j];
                }
            }
        }
        assert!((&sum - &a).iter().all(|d| d.abs() < 1e-14));
    }

    /// Larger than a panel, and no multiple of it.
    #[test]
    fn panels_make_the_same_factor() {
        for n in [1, 63, 64, 150] {
            let of = |i: usize, j: usize| ((7 * i + 3 * j) % 13) as f64 / 13.0;
            let matrix = Array2::from_shape_fn((n, n), |(i, j)| {
                of(i, j) + of(j, i) + if i == j { 2.0 * n as f64 } else { 0.0 }
            });
            let expected = Cholesky::new(&matrix).unwrap();
            let mut factor = matrix.clone();
            assert_eq!(factor_in_place(&mut factor, 0.0), n);
            for i in 0..n {
                for (found, expected) in factor.row(i).iter().zip(expected.row(i)) {
                    assert!((found - expected).abs() < 1e-12, "{n} {i}");
                }
                factor
                    .row_mut(i)
                    .iter_mut()
                    .skip(i + 1)
                    .for_each(|v| *v = 0.0);
            }
            let inverse = triangular_inverse(factor.view());
            let whole = inverse.t().dot(&inverse);
            assert!((whole - expected.inverse()).iter().all(|d| d.abs() < 1e-12));
        }
        // of rank 2, whatever the panel
        let mut singular = Array2::from_shape_fn((100, 100), |(i, j)| 1.0 + (i * j) as f64 / 1e4);
        assert_eq!(factor_in_place(&mut singular, 1e-9), 2);
    }

    #[test]
    fn an_indefinite_matrix_has_no_factor() {
        assert!(Cholesky::new(&array![[1.0, 2.0], [2.0, 1.0]]).is_none());
        assert!(Cholesky::new(&array![[f64::NAN]]).is_none());
    }

    #[test]
    fn eigenvalues_rebuild_the_matrix() {
        let a = matrix();
        let (values, vectors) = symmetric_eigen(&a);
        let rebuilt = vectors.dot(&Array2::from_diag(&values)).dot(&vectors.t());
        assert!((&rebuilt - &a).iter().all(|d| d.abs() < 1e-14));
        // a singular matrix has a zero
        let (values, _) = symmetric_eigen(&array![[1.0, 2.0], [2.0, 4.0]]);
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        assert!(sorted[0].abs() < 1e-15);
        assert_relative_eq!(sorted[1], 5.0, max_relative = 1e-15);
    }

    /// Eigenvalues have the matrix' unit, eigenvectors none; a power of two is exact.
    #[test]
    fn eigenvalues_scale_with_the_matrix() {
        let (values, vectors) = symmetric_eigen(&matrix());
        for scale in [2f64.powi(-60), 2f64.powi(60)] {
            let (other, same) = symmetric_eigen(&(scale * matrix()));
            assert_eq!(other, scale * &values);
            assert_eq!(same, vectors);
        }
    }
}
