//! Sparse symmetric matrices and their factors.
//!
//! Most unknowns of a job belong to one capture or cartridge and share blocks only with a few
//! others. Eliminated first, they cost almost nothing, and leave a small full matrix.

use super::linalg::{factor_in_place, triangular_inverse};
use ndarray::{Array1, Array2};
use std::collections::BTreeSet;
use std::sync::Arc;

/// Minimum degree, as a share of the remaining unknowns, from which the remainder is treated as a full matrix:
/// elimination would fill it soon anyway. It affects only the time.
const FULL_SHARE: f64 = 0.1;

/// Nonzero pattern of a symmetric matrix and its Cholesky factor, with the
/// elimination order.
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
    /// The place from which on the matrix is full.
    full: usize,
    /// Entries updated by eliminating each column: for each of its rows before `full`, the index of the entry
    /// of that row with itself and with each of the later ones (see [`Pattern::entry`]).
    targets: Vec<u32>,
}

impl Pattern {
    /// The pattern of `n` unknowns in which the members of each group are
    /// coupled. The elimination order is that of minimum degree (George and Liu
    /// 1989, from memory).
    pub fn new<'a>(n: usize, groups: impl Iterator<Item = &'a [usize]>) -> Self {
        let mut met = vec![BTreeSet::new(); n];
        for group in groups {
            for &i in group {
                met[i].extend(group.iter().copied().filter(|&j| j != i));
            }
        }
        let mut queue: BTreeSet<(usize, usize)> = (0..n).map(|i| (met[i].len(), i)).collect();
        let mut order = Vec::with_capacity(n);
        while let Some((count, i)) = queue.pop_first() {
            if count as f64 >= FULL_SHARE * queue.len() as f64 {
                queue.insert((count, i));
                break;
            }
            // its neighbours are coupled from now on
            let neighbours: Vec<usize> = met[i].iter().copied().collect();
            for &j in &neighbours {
                queue.remove(&(met[j].len(), j));
                met[j].remove(&i);
                met[j].extend(neighbours.iter().copied().filter(|&k| k != j));
                queue.insert((met[j].len(), j));
            }
            order.push(i);
        }
        let full = order.len();
        order.extend(queue.into_iter().map(|(_, i)| i));
        let mut place = vec![0; n];
        for (at, &i) in order.iter().enumerate() {
            place[i] = at;
        }
        let mut starts = vec![0];
        let mut rows = Vec::new();
        for &i in &order[..full] {
            // what is left of its neighbours was eliminated after it
            let mut column: Vec<usize> = met[i].iter().map(|&j| place[j]).collect();
            column.sort_unstable();
            rows.extend(column);
            starts.push(rows.len());
        }
        // of the full part one list serves all columns
        rows.extend(full..n);
        for k in full..n {
            starts.push(starts[k] + n - 1 - k);
        }
        let mut pattern = Self {
            order,
            place,
            starts,
            rows,
            full,
            targets: Vec::new(),
        };
        let targets = (0..full).flat_map(|k| {
            let column = pattern.column(k);
            let looked_up = (0..column.len()).take_while(|&b| column[b] < pattern.full);
            looked_up.flat_map(move |b| column[b..].iter().map(move |&row| (row, column[b])))
        });
        let targets = targets.map(|(row, column)| pattern.at(row, column) as u32);
        pattern.targets = targets.collect();
        pattern
    }

    fn len(&self) -> usize {
        self.order.len()
    }

    fn column(&self, k: usize) -> &[usize] {
        match k >= self.full {
            true => &self.rows[self.rows.len() - (self.len() - 1 - k)..],
            false => &self.rows[self.starts[k]..self.starts[k + 1]],
        }
    }

    /// Size of the final full matrix.
    pub fn size_of_full(&self) -> usize {
        self.len() - self.full
    }

    /// How many rows of a column have their entries' indices in `targets`.
    fn looked_up(&self, k: usize) -> usize {
        self.column(k).partition_point(|&row| row < self.full)
    }

    /// Index of the entry at two places, `row >= column`: the diagonal first, then the columns.
    fn find(&self, row: usize, column: usize) -> Option<usize> {
        if row == column {
            return Some(row);
        }
        let within = match column >= self.full {
            true => row - column - 1,
            false => self.column(column).binary_search(&row).ok()?,
        };
        Some(self.len() + self.starts[column] + within)
    }

    fn at(&self, row: usize, column: usize) -> usize {
        self.find(row, column).expect("an entry of the pattern")
    }

    /// Index into [`Symmetric::values`] of the entry of two unknowns of a group.
    pub fn entry(&self, i: usize, j: usize) -> usize {
        self.entry_of(i, j).expect("an entry of the pattern")
    }

    /// The same of any two unknowns; `None` where they are never coupled.
    pub fn entry_of(&self, i: usize, j: usize) -> Option<usize> {
        let (a, b) = (self.place[i], self.place[j]);
        self.find(a.max(b), a.min(b))
    }

    /// The pairs of unknowns that have an entry in the pattern, fill-in included.
    pub fn pairs(&self) -> impl Iterator<Item = (usize, usize)> {
        let unknowns = self.order.iter().enumerate();
        unknowns.flat_map(move |(k, &i)| {
            let rows = self.column(k).iter();
            rows.map(move |&row| (i, self.order[row]))
        })
    }

    /// A matrix of zeros.
    pub fn zeros(&self) -> Symmetric {
        Symmetric {
            values: vec![0.0; self.len() + self.starts[self.len()]],
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
    #[cfg(test)]
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
    pub fn factor(mut self, pattern: &Arc<Pattern>) -> Option<Factor> {
        let pivots = self.eliminate(pattern, 0.0);
        (pivots == pattern.len()).then_some(Factor {
            pattern: Arc::clone(pattern),
            values: self.values,
        })
    }

    /// Rank of a positive semidefinite matrix: its pivots above `floor`.
    pub fn rank(mut self, pattern: &Pattern, floor: f64) -> usize {
        self.eliminate(pattern, floor)
    }

    /// The lower triangle of the full part.
    fn full(&self, pattern: &Pattern) -> Array2<f64> {
        let size = pattern.size_of_full();
        let mut full = Array2::zeros((size, size));
        for j in 0..size {
            full[[j, j]] = self.values[pattern.full + j];
            let column = &self.values[pattern.len() + pattern.starts[pattern.full + j]..];
            for (i, value) in (j + 1..size).zip(column) {
                full[[i, j]] = *value;
            }
        }
        full
    }

    fn set_full(&mut self, pattern: &Pattern, full: &Array2<f64>) {
        let size = full.nrows();
        for j in 0..size {
            self.values[pattern.full + j] = full[[j, j]];
            let column = &mut self.values[pattern.len() + pattern.starts[pattern.full + j]..];
            for (i, value) in (j + 1..size).zip(column) {
                *value = full[[i, j]];
            }
        }
    }

    /// The first unknown without information beyond that of the unknowns eliminated before it.
    pub fn first_open(mut self, pattern: &Pattern) -> Option<usize> {
        let before = self.values.clone();
        self.eliminate(pattern, 0.0);
        // positive pivots have become their roots
        let pivot = |value: f64| if value > 0.0 { value * value } else { value };
        let left = |k: &usize| pivot(self.values[*k]) / before[*k];
        let place = (0..pattern.len()).min_by(|a, b| left(a).total_cmp(&left(b)));
        place.map(|k| pattern.order[k])
    }

    /// Replaces it by its factor and counts the pivots above `floor`. Columns of other pivots are
    /// skipped, as zero in a semidefinite matrix.
    fn eliminate(&mut self, pattern: &Pattern, floor: f64) -> usize {
        let n = pattern.len();
        let mut targets = pattern.targets.iter();
        let mut pivots = 0;
        for k in 0..pattern.full {
            let rows = pattern.column(k);
            let looked_up = pattern.looked_up(k);
            let pivot = self.values[k];
            if !(pivot > floor && pivot.is_finite()) {
                (0..looked_up).for_each(|b| targets.by_ref().take(rows.len() - b).for_each(drop));
                continue;
            }
            pivots += 1;
            let root = pivot.sqrt();
            self.values[k] = root;
            let span = n + pattern.starts[k]..n + pattern.starts[k + 1];
            // everything it changes lies in later columns, or on the diagonal
            let (values, later) = self.values.split_at_mut(span.end);
            let (diagonal, values) = values.split_at_mut(n);
            let column = &mut values[span.start - n..];
            for (value, &row) in column.iter_mut().zip(rows) {
                *value /= root;
                diagonal[row] -= *value * *value;
            }
            for b in 0..rows.len() {
                let (left, below) = (column[b], &column[b + 1..]);
                if b < looked_up {
                    // the row with itself first, which is on the diagonal
                    targets.next();
                    for (value, &target) in below.iter().zip(targets.by_ref()) {
                        later[target as usize - span.end] -= left * value;
                    }
                } else {
                    let first = n + pattern.starts[rows[b]] - span.end;
                    for (value, row) in below.iter().zip(&rows[b + 1..]) {
                        later[first + row - rows[b] - 1] -= left * value;
                    }
                }
            }
        }
        let mut full = self.full(pattern);
        pivots += factor_in_place(&mut full, floor);
        self.set_full(pattern, &full);
        pivots
    }
}

/// The Cholesky factor of a [`Symmetric`] matrix.
#[derive(Debug)]
pub struct Factor {
    pattern: Arc<Pattern>,
    values: Vec<f64>,
}

impl Factor {
    /// Its nonzero pattern.
    pub fn pattern(&self) -> &Arc<Pattern> {
        &self.pattern
    }

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
            // a unit vector stays zero up to its place
            if y[k] == 0.0 {
                continue;
            }
            y[k] /= self.values[k];
            let value = y[k];
            self.column(k).for_each(|(r, v)| y[r] -= v * value);
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

    /// The entries of the inverse that lie in the pattern, by those of later columns (Takahashi, Fagan and
    /// Chin 1973; Erisman and Tinney 1975, from memory): with `M = L L'` and `Z` the inverse,
    /// `Z_ik = -sum_j Z_ij L_jk / L_kk` over the rows `j` of column `k`, and
    /// `Z_kk = (1 / L_kk - sum_j Z_jk L_jk) / L_kk`.
    pub fn selected_inverse(&self) -> Symmetric {
        let pattern = &self.pattern;
        let n = pattern.len();
        let mut inverse = pattern.zeros();
        let of_factor = Symmetric {
            values: self.values.clone(),
        };
        let full = of_factor.full(pattern);
        if !full.is_empty() {
            let root = triangular_inverse(full.view());
            inverse.set_full(pattern, &root.t().dot(&root));
        }
        let mut targets = pattern.targets.as_slice();
        for k in (0..pattern.full).rev() {
            let rows = pattern.column(k);
            let looked_up = pattern.looked_up(k);
            let own = n + pattern.starts[k]..n + pattern.starts[k + 1];
            let column = &self.values[own.clone()];
            let count: usize = (0..looked_up).map(|b| rows.len() - b).sum();
            let (before, here) = targets.split_at(targets.len() - count);
            targets = before;
            let mut here = here.iter();
            let (values, later) = inverse.values.split_at_mut(own.end);
            let (diagonal, values) = values.split_at_mut(n);
            let sums = &mut values[own.start - n..];
            for b in 0..rows.len() {
                sums[b] += diagonal[rows[b]] * column[b];
                let first = n + pattern.starts[rows[b]];
                if b < looked_up {
                    here.next();
                }
                for a in b + 1..rows.len() {
                    let at = match b < looked_up {
                        true => here.next().map_or(0, |&target| target as usize),
                        false => first + rows[a] - rows[b] - 1,
                    };
                    let entry = later[at - own.end];
                    sums[a] += entry * column[b];
                    sums[b] += entry * column[a];
                }
            }
            let pivot = self.values[k];
            let mut left = pivot.recip();
            for (sum, value) in sums.iter_mut().zip(column) {
                *sum /= -pivot;
                left -= *sum * value;
            }
            diagonal[k] = left / pivot;
        }
        inverse
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
        let pattern = Arc::new(Pattern::new(6, groups.into_iter()));
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
        let (inverse, whole) = (factor.selected_inverse(), expected.inverse());
        for i in 0..6 {
            near(inverse.values[pattern.entry(i, i)], whole[[i, i]]);
        }
        assert!(pattern.pairs().count() >= 6);
        for (i, j) in pattern.pairs() {
            near(inverse.values[pattern.entry(i, j)], whole[[i, j]]);
        }
        near(factor.log_determinant(), expected.log_determinant());
    }

    /// Many objects of a few unknowns each on a few shared ones, as a job of many cartridges is.
    #[test]
    fn objects_on_shared_unknowns_agree_with_the_dense_factor() {
        let (shared, objects) = (9, 40);
        let n = shared + 3 * objects;
        let groups: Vec<Vec<usize>> = (0..2 * objects)
            .map(|k| {
                let own = shared + 3 * (k / 2);
                vec![
                    own,
                    own + 1,
                    own + 1 + k % 2,
                    (7 * k) % shared,
                    (5 * k + 1) % shared,
                ]
            })
            .map(|group| BTreeSet::from_iter(group).into_iter().collect())
            .collect();
        let pattern = Arc::new(Pattern::new(n, groups.iter().map(Vec::as_slice)));
        // the shared ones are left to the end, and some column before has rows of either kind
        assert!(pattern.full > objects && pattern.full < n);
        assert!(!pattern.targets.is_empty());
        let mut matrix = pattern.zeros();
        for i in 0..n {
            matrix.values[pattern.entry(i, i)] = 1.0 + 0.1 * (i % 7) as f64;
        }
        for (k, group) in groups.iter().enumerate() {
            let row = |i: usize| 1.0 + ((3 * i + 5 * k) % 11) as f64 / 11.0;
            for (a, &i) in group.iter().enumerate() {
                for &j in &group[..=a] {
                    matrix.values[pattern.entry(i, j)] += row(i) * row(j);
                }
            }
        }
        let whole = Cholesky::new(&matrix.dense(&pattern)).unwrap();
        let factor = matrix.factor(&pattern).unwrap();
        let (inverse, expected) = (factor.selected_inverse(), whole.inverse());
        let own = (0..n).map(|i| (i, i));
        for (i, j) in pattern.pairs().chain(own) {
            // the condition number is below 1e3
            let found = inverse.values[pattern.entry(i, j)];
            assert!((found - expected[[i, j]]).abs() < 1e-12, "{i} {j} {found}");
        }
        let right = Array1::from_shape_fn(n, |i| (i as f64).sin());
        let difference = factor.solve(&right) - whole.solve(&right);
        assert!(difference.iter().all(|d| d.abs() < 1e-12));
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
        let pattern = Arc::new(Pattern::new(2, [[0, 1].as_slice()].into_iter()));
        let mut matrix = pattern.zeros();
        matrix.values = vec![1.0, 1.0, 2.0];
        assert!(matrix.factor(&pattern).is_none());
        let mut matrix = pattern.zeros();
        matrix.values = vec![f64::NAN, 1.0, 0.0];
        assert!(matrix.factor(&pattern).is_none());
    }
}
