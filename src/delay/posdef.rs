//! Inverse of a small symmetric positive definite matrix.

use ndarray::Array2;

/// The inverse by a Cholesky factorisation of the matrix scaled to a unit
/// diagonal; `None` if it is not positive definite to rounding.
pub(super) fn inverse(matrix: &Array2<f64>) -> Option<Array2<f64>> {
    let n = matrix.nrows();
    let scale: Vec<f64> = (0..n).map(|i| matrix[[i, i]].sqrt().recip()).collect();
    if scale.iter().any(|s| !s.is_finite()) {
        return None;
    }
    let mut factor = Array2::<f64>::zeros((n, n));
    for i in 0..n {
        for j in 0..=i {
            let mut sum = matrix[[i, j]] * scale[i] * scale[j];
            for k in 0..j {
                sum -= factor[[i, k]] * factor[[j, k]];
            }
            if i == j {
                if sum < n as f64 * f64::EPSILON {
                    return None;
                }
                factor[[i, i]] = sum.sqrt();
            } else {
                factor[[i, j]] = sum / factor[[j, j]];
            }
        }
    }
    let mut inverse = Array2::<f64>::zeros((n, n));
    for column in 0..n {
        let mut x = vec![0.0; n];
        for i in column..n {
            let mut sum = f64::from(u8::from(i == column));
            for k in column..i {
                sum -= factor[[i, k]] * x[k];
            }
            x[i] = sum / factor[[i, i]];
        }
        for i in (0..n).rev() {
            let mut sum = x[i];
            for k in i + 1..n {
                sum -= factor[[k, i]] * x[k];
            }
            x[i] = sum / factor[[i, i]];
        }
        for i in 0..n {
            inverse[[i, column]] = x[i] * scale[i] * scale[column];
        }
    }
    Some(inverse)
}
