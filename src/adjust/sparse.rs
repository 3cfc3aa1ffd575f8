//! Symmetric matrices of which most is zero, and their factors.
//!
//! Most unknowns of a job belong to one capture and meet only the few that the
//! capture shares with others. Eliminated first, they cost next to nothing.

use super::linalg::inverse;
use ndarray::{Array1, Array2};
use std::collections::BTreeSet;

/// Where a symmetric matrix and its Cholesky factor may differ from zero, and
/// in which order it is eliminated.
#[derive(Debug)]
pub struct Pattern {
    /// Elimination order: the unknown at each place.
    order: Vec<usize>,
    /// The place of each unknown.
    place: Vec<usize>,
    /// First value of each column below the diagonal, and the end.
    starts: Vec<usize>,
    /// Places of the rows below the diagonal, column after column.
    rows: Vec<usize>,
    /// What eliminating each column changes: for each pair of its rows in
    /// turn, the index of their entry (see [`Pattern::entry`]).
    targets: Vec<u32>,
}

impl Pattern {
    /// The pattern of `n` unknowns in which those of a group meet one another.
    /// The order takes whichever unknown meets fewest others next (minimum
    /// degree; George and Liu 1989, from memory).
    pub fn new<'a>(n: usize, groups: impl Iterator<Item = &'a [usize]>) -> Self {
        let mut met = vec![BTreeSet::new(); n];
        for group in groups {
            for &i in group {
                met[i].extend(group.iter().copied().filter(|&j| j != i));
            }
        }
        let mut queue: BTreeSet<(usize, usize)> = (0..n).map(|i| (met[i].len(), i)).collect();
        let mut order = Vec::with_capacity(n);
        while let Some((_, i)) = queue.pop_first() {
            // those it meets meet one another from now on
            let neighbours: Vec<usize> = met[i].iter().copied().collect();
            for &j in &neighbours {
                queue.remove(&(met[j].len(), j));
                met[j].remove(&i);
                met[j].extend(neighbours.iter().copied().filter(|&k| k != j));
                queue.insert((met[j].len(), j));
            }
            order.push(i);
        }
        let mut place = vec![0; n];
        for (at, &i) in order.iter().enumerate() {
            place[i] = at;
        }
        let mut starts = vec![0];
        let mut rows = Vec::new();
        for &i in &order {
            // what is left of its neighbours was eliminated after it
            let mut column: Vec<usize> = met[i].iter().map(|&j| place[j]).collect();
            column.sort_unstable();
            rows.extend(column);
            starts.push(rows.len());
        }
        let mut pattern = Self {
            order,
            place,
            starts,
            rows,
            targets: Vec::new(),
        };
        let targets = (0..n).flat_map(|k| {
            let column = pattern.column(k);
            (0..column.len()).flat_map(move |a| (0..=a).map(move |b| (column[a], column[b])))
        });
        let targets = targets.map(|(row, column)| pattern.at(row, column) as u32);
        pattern.targets = targets.collect();
        pattern
    }

    fn len(&self) -> usize {
        self.order.len()
    }

    fn column(&self, k: usize) -> &[usize] {
        &self.rows[self.starts[k]..self.starts[k + 1]]
    }

    /// Index of the entry at two places, `row >= column`, which must be in the
    /// pattern: the diagonal first, then the columns.
    fn at(&self, row: usize, column: usize) -> usize {
        if row == column {
            return row;
        }
        let within = self.column(column).binary_search(&row);
        self.len() + self.starts[column] + within.expect("an entry of the pattern")
    }

    /// Index into [`Symmetric::values`] of the entry of two unknowns of a group.
    pub fn entry(&self, i: usize, j: usize) -> usize {
        let (a, b) = (self.place[i], self.place[j]);
        self.at(a.max(b), a.min(b))
    }

    /// A matrix of zeros.
    pub fn zeros(&self) -> Symmetric {
        Symmetric {
            values: vec![0.0; self.len() + self.rows.len()],
        }
    }
}

/// The values of a symmetric matrix in the order of its [`Pattern`].
#[derive(Debug, Clone)]
pub struct Symmetric {
    /// The diagonal in elimination order, then the columns below it.
    pub values: Vec<f64>,
}

impl Symmetric {
    /// The diagonal, in elimination order.
    pub fn diagonal(&self, pattern: &Pattern) -> &[f64] {
        &self.values[..pattern.len()]
    }

    /// The diagonal, in elimination order.
    pub fn diagonal_mut(&mut self, pattern: &Pattern) -> &mut [f64] {
        &mut self.values[..pattern.len()]
    }

    /// `x' M x`.
    pub fn quadratic(&self, pattern: &Pattern, x: &Array1<f64>) -> f64 {
        let n = pattern.len();
        (0..n)
            .map(|k| {
                let own = x[pattern.order[k]];
                let below = pattern
                    .column(k)
                    .iter()
                    .zip(&self.values[n + pattern.starts[k]..]);
                let others: f64 = below.map(|(&r, v)| v * x[pattern.order[r]]).sum();
                own * (own * self.values[k] + 2.0 * others)
            })
            .sum()
    }

    /// The whole matrix, in the unknowns' own order.
    pub fn dense(&self, pattern: &Pattern) -> Array2<f64> {
        let n = pattern.len();
        let mut dense = Array2::zeros((n, n));
        for k in 0..n {
            let i = pattern.order[k];
            dense[[i, i]] = self.values[k];
            let below = pattern
                .column(k)
                .iter()
                .zip(&self.values[n + pattern.starts[k]..]);
            for (&r, &v) in below {
                dense[[i, pattern.order[r]]] = v;
                dense[[pattern.order[r], i]] = v;
            }
        }
        dense
    }

    /// Its Cholesky factor; `None` unless positive definite.
    pub fn factor(mut self, pattern: &Pattern) -> Option<Factor<'_>> {
        let pivots = self.eliminate(pattern, 0.0);
        (pivots == pattern.len()).then_some(Factor {
            pattern,
            values: self.values,
        })
    }

    /// Rank of a positive semidefinite matrix: its pivots above `floor`.
    pub fn rank(mut self, pattern: &Pattern, floor: f64) -> usize {
        self.eliminate(pattern, floor)
    }

    /// Turns it into its factor and counts the pivots above `floor`. The columns of others are left
    /// out, as what is zero in a semidefinite matrix.
    fn eliminate(&mut self, pattern: &Pattern, floor: f64) -> usize {
        let n = pattern.len();
        let mut targets = pattern.targets.as_slice();
        let (diagonal, below) = (0..n, n);
        let mut pivots = 0;
        for k in diagonal {
            let pivot = self.values[k];
            if !(pivot > floor && pivot.is_finite()) {
                let rows = pattern.column(k).len();
                targets = &targets[rows * (rows + 1) / 2..];
                continue;
            }
            pivots += 1;
            let root = pivot.sqrt();
            self.values[k] = root;
            let span = below + pattern.starts[k]..below + pattern.starts[k + 1];
            // everything it changes lies in later columns
            let (values, later) = self.values.split_at_mut(span.end);
            let column = &mut values[span.clone()];
            column.iter_mut().for_each(|v| *v /= root);
            for a in 0..column.len() {
                let (own, rest) = targets.split_at(a + 1);
                targets = rest;
                let left = values[span.start + a];
                // the pair of a row with itself is on the diagonal
                for (b, &target) in own[..a].iter().enumerate() {
                    later[target as usize - span.end] -= left * values[span.start + b];
                }
                values[own[a] as usize] -= left * left;
            }
        }
        pivots
    }
}

/// The Cholesky factor of a [`Symmetric`] matrix.
#[derive(Debug)]
pub struct Factor<'a> {
    pattern: &'a Pattern,
    values: Vec<f64>,
}

impl Factor<'_> {
    fn column(&self, k: usize) -> impl Iterator<Item = (usize, f64)> {
        let values = &self.values[self.pattern.len() + self.pattern.starts[k]..];
        self.pattern
            .column(k)
            .iter()
            .copied()
            .zip(values.iter().copied())
    }

    /// Solves `M x = right`.
    pub fn solve(&self, right: &Array1<f64>) -> Array1<f64> {
        let n = self.pattern.len();
        let mut y: Vec<f64> = self.pattern.order.iter().map(|&i| right[i]).collect();
        for k in 0..n {
            y[k] /= self.values[k];
            let value = y[k];
            // a unit vector stays zero up to its place
            if value != 0.0 {
                self.column(k).for_each(|(r, v)| y[r] -= v * value);
            }
        }
        for k in (0..n).rev() {
            let sum: f64 = self.column(k).map(|(r, v)| v * y[r]).sum();
            y[k] = (y[k] - sum) / self.values[k];
        }
        let mut x = Array1::zeros(n);
        for (value, &i) in y.into_iter().zip(&self.pattern.order) {
            x[i] = value;
        }
        x
    }

    /// The inverse of the matrix, symmetric to the last bit.
    pub fn inverse(&self) -> Array2<f64> {
        inverse(self.pattern.len(), |right| self.solve(right))
    }

    /// The diagonal of the inverse.
    pub fn inverse_diagonal(&self) -> Vec<f64> {
        let n = self.pattern.len();
        let mut unit = Array1::zeros(n);
        let of = |k: usize| {
            unit[k] = 1.0;
            let value = self.solve(&unit)[k];
            unit[k] = 0.0;
            value
        };
        (0..n).map(of).collect()
    }

    /// Natural logarithm of the matrix's determinant.
    pub fn log_determinant(&self) -> f64 {
        let diagonal = &self.values[..self.pattern.len()];
        2.0 * diagonal.iter().map(|d| d.ln()).sum::<f64>()
    }
}

#[cfg(test)]
mod tests {
    use super::super::linalg::Cholesky;
    use super::*;
    use approx::assert_relative_eq;

    /// Against the dense factor, on an arrow with a loop: 0 and 1 belong to the
    /// group of 4, 2 and 3 to that of 4 and 5.
    #[test]
    fn agrees_with_the_dense_factor() {
        let groups: [&[usize]; 4] = [&[0, 1, 4], &[2, 5], &[3, 4, 5], &[5]];
        let pattern = Pattern::new(6, groups.into_iter());
        let mut matrix = pattern.zeros();
        for i in 0..6 {
            matrix.values[pattern.entry(i, i)] = 3.0 + i as f64;
        }
        let mut value = 0.3;
        for group in groups {
            for (a, &i) in group.iter().enumerate() {
                for &j in &group[..a] {
                    value *= -1.1;
                    matrix.values[pattern.entry(i, j)] += value;
                }
            }
        }
        let dense = matrix.dense(&pattern);
        assert_eq!(dense[[0, 2]], 0.0);
        assert_eq!(dense[[4, 0]], dense[[0, 4]]);
        assert_ne!(dense[[4, 0]], 0.0);
        let right = Array1::from_shape_fn(6, |i| 1.0 - 0.4 * i as f64);
        assert_relative_eq!(
            matrix.quadratic(&pattern, &right),
            right.dot(&dense.dot(&right)),
            max_relative = 1e-14
        );
        let expected = Cholesky::new(&dense).unwrap();
        let factor = matrix.factor(&pattern).unwrap();
        // a few roundings; the condition number is below 10
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-14, "{a} {b}");
        for (a, b) in factor.solve(&right).iter().zip(&expected.solve(&right)) {
            near(*a, *b);
        }
        for (a, b) in factor.inverse().iter().zip(&expected.inverse()) {
            near(*a, *b);
        }
        for (a, b) in factor
            .inverse_diagonal()
            .iter()
            .zip(expected.inverse().diag())
        {
            near(*a, *b);
        }
        near(factor.log_determinant(), expected.log_determinant());
    }

    /// Sums of outer products: as many as are independent.
    #[test]
    fn rank_counts_what_is_independent() {
        let group: &[usize] = &[0, 1, 2, 3];
        let pattern = Pattern::new(4, [group].into_iter());
        let rows = [[1.0, 2.0, 0.0, 1.0], [0.0, 1.0, -1.0, 0.5]];
        let third = [2.0, 5.0, -1.0, 2.5];
        for (extra, expected) in [([0.0; 4], 2), (third, 2), ([0.0, 0.0, 0.0, 1.0], 3)] {
            let mut matrix = pattern.zeros();
            for row in rows.into_iter().chain([extra]) {
                for i in 0..4 {
                    for j in 0..=i {
                        matrix.values[pattern.entry(i, j)] += row[i] * row[j];
                    }
                }
            }
            assert_eq!(matrix.rank(&pattern, 1e-9), expected);
        }
    }

    #[test]
    fn an_indefinite_matrix_has_no_factor() {
        let pattern = Pattern::new(2, [[0, 1].as_slice()].into_iter());
        let mut matrix = pattern.zeros();
        matrix.values = vec![1.0, 1.0, 2.0];
        assert!(matrix.factor(&pattern).is_none());
        let mut matrix = pattern.zeros();
        matrix.values = vec![f64::NAN, 1.0, 0.0];
        assert!(matrix.factor(&pattern).is_none());
    }
}
