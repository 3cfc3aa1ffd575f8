//! Covariances of curves as their principal components, and means about frequencies.

use super::{KEPT_VARIANCE, MOST_COMPONENTS};
use crate::adjust::symmetric_eigen;
use crate::chain::response::ResponsePoint;
use ndarray::Array2;

/// Curves, degrees, whose outer products sum to the covariance (radians^2)
/// but for a ten-thousandth of its trace: its principal components. Smooth
/// curves have few, so a pivoted Cholesky factor finds the space and leaves a
/// small matrix for the eigenvalues.
pub(super) fn components(covariance: &Array2<f64>) -> Vec<Vec<f64>> {
    let factor = pivoted_factor(covariance);
    let k = factor.len();
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
    let small = Array2::from_shape_fn((k, k), |(i, j)| dot(&factor[i], &factor[j]));
    let (values, vectors) = symmetric_eigen(&small);
    let mut order: Vec<usize> = (0..k).collect();
    order.sort_by(|a, b| values[*b].total_cmp(&values[*a]));
    let total: f64 = covariance.diag().sum();
    let mut held = 0.0;
    let mut list = Vec::new();
    for c in order {
        if list.len() >= MOST_COMPONENTS || held >= KEPT_VARIANCE * total || values[c] <= 0.0 {
            break;
        }
        held += values[c];
        let mut curve: Vec<f64> = (0..covariance.nrows())
            .map(|row| (0..k).map(|i| factor[i][row] * vectors[[i, c]]).sum())
            .collect();
        // A component's sign is arbitrary: positive at the top.
        let sign = if curve.last().is_some_and(|v| *v < 0.0) {
            -1.0
        } else {
            1.0
        };
        for v in &mut curve {
            *v = (sign * *v).to_degrees();
        }
        list.push(curve);
    }
    list
}

/// Columns of a lower factor of a covariance, largest remaining variance
/// first, until a millionth of the trace is left (H. Harbrecht, M. Peters, R.
/// Schneider, Appl. Numer. Math. 62, 2012; from memory).
fn pivoted_factor(covariance: &Array2<f64>) -> Vec<Vec<f64>> {
    let n = covariance.nrows();
    let mut left: Vec<f64> = covariance.diag().to_vec();
    let total: f64 = left.iter().sum();
    let mut columns: Vec<Vec<f64>> = Vec::new();
    while columns.len() < n && left.iter().map(|d| d.max(0.0)).sum::<f64>() > 1e-6 * total {
        let Some(pivot) = (0..n).max_by(|a, b| left[*a].total_cmp(&left[*b])) else {
            break;
        };
        if left[pivot] <= 0.0 {
            break;
        }
        let root = left[pivot].sqrt();
        let column: Vec<f64> = (0..n)
            .map(|i| {
                let known: f64 = columns.iter().map(|c| c[i] * c[pivot]).sum();
                (covariance[[i, pivot]] - known) / root
            })
            .collect();
        for (d, c) in left.iter_mut().zip(&column) {
            *d -= c * c;
        }
        left[pivot] = 0.0;
        columns.push(column);
    }
    columns
}

/// Mean of a property of points a sixth of an octave about each frequency.
pub(super) fn around(
    hertz: &[f64],
    points: &[ResponsePoint],
    property: fn(&ResponsePoint) -> f64,
) -> Vec<f64> {
    let half = 2f64.powf(1.0 / 12.0);
    hertz
        .iter()
        .map(|f| {
            let near: Vec<f64> = points
                .iter()
                .filter(|p| f / half <= p.hertz && p.hertz <= f * half)
                .map(property)
                .collect();
            let nearest = || {
                points
                    .iter()
                    .min_by(|a, b| (a.hertz - f).abs().total_cmp(&(b.hertz - f).abs()))
                    .map_or(0.0, property)
            };
            if near.is_empty() {
                nearest()
            } else {
                near.iter().sum::<f64>() / near.len() as f64
            }
        })
        .collect()
}
