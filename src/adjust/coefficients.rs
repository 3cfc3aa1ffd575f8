//! Sparse linear combinations of unknowns.

use ndarray::Array1;

/// A linear combination of unknowns, most of them with coefficient zero.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Coefficients {
    /// Unknowns, ascending, with their coefficients.
    terms: Vec<(usize, f64)>,
}

impl Coefficients {
    /// One unknown alone.
    pub fn unit(unknown: usize) -> Self {
        Self {
            terms: vec![(unknown, 1.0)],
        }
    }

    /// Adds to the coefficient of an unknown.
    pub fn add(&mut self, unknown: usize, coefficient: f64) {
        match self.place(unknown) {
            Ok(at) => self.terms[at].1 += coefficient,
            Err(at) => self.terms.insert(at, (unknown, coefficient)),
        }
    }

    fn place(&self, unknown: usize) -> Result<usize, usize> {
        self.terms.binary_search_by_key(&unknown, |&(k, _)| k)
    }

    /// The coefficient of an unknown.
    pub fn coefficient(&self, unknown: usize) -> f64 {
        self.place(unknown).map_or(0.0, |at| self.terms[at].1)
    }

    /// Unknowns with their coefficients, none of which is zero.
    pub fn terms(&self) -> impl Iterator<Item = (usize, f64)> + Clone {
        let terms = self.terms.iter().copied();
        terms.filter(|&(_, coefficient)| coefficient != 0.0)
    }

    /// Whether all coefficients are zero.
    pub fn is_zero(&self) -> bool {
        self.terms().next().is_none()
    }

    /// Its value at `x`, the values of all unknowns.
    pub fn at(&self, x: &[f64]) -> f64 {
        self.terms.iter().map(|&(k, c)| c * x[k]).sum()
    }

    /// `factor` times it.
    pub fn scaled(&self, factor: f64) -> Self {
        let terms = self.terms.iter().map(|&(k, c)| (k, factor * c));
        Self {
            terms: terms.collect(),
        }
    }

    /// The difference from another.
    pub fn minus(&self, other: &Self) -> Self {
        let mut difference = self.clone();
        for (k, c) in other.terms() {
            difference.add(k, -c);
        }
        difference
    }

    /// The coefficients of all of `n` unknowns.
    pub(super) fn dense(&self, n: usize) -> Array1<f64> {
        let mut dense = Array1::zeros(n);
        for &(k, c) in &self.terms {
            dense[k] = c;
        }
        dense
    }
}

/// From the coefficients of all unknowns.
impl FromIterator<f64> for Coefficients {
    fn from_iter<I: IntoIterator<Item = f64>>(coefficients: I) -> Self {
        let terms = coefficients.into_iter().enumerate();
        Self {
            terms: terms.filter(|&(_, c)| c != 0.0).collect(),
        }
    }
}

impl<const N: usize> From<[f64; N]> for Coefficients {
    fn from(coefficients: [f64; N]) -> Self {
        coefficients.into_iter().collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn combinations_add_up() {
        let mut one = Coefficients::unit(3);
        one.add(1, 2.0);
        one.add(3, 0.5);
        assert_eq!(one, Coefficients::from([0.0, 2.0, 0.0, 1.5]));
        assert_eq!(one.at(&[9.0, 1.0, 9.0, 2.0]), 5.0);
        assert_eq!(one.scaled(2.0).coefficient(3), 3.0);
        assert_eq!(one.coefficient(0), 0.0);
        let nothing = one.minus(&one);
        assert!(nothing.is_zero() && !one.is_zero());
        assert_eq!(nothing.dense(5), Array1::<f64>::zeros(5));
        assert_eq!(one.dense(4).to_vec(), [0.0, 2.0, 0.0, 1.5]);
    }
}
