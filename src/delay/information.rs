//! Information of a capture, before any prior.

use ndarray::{Array1, Array2};
use serde::{Deserialize, Serialize};

/// The object that a parameter belongs to; captures that share the object share
/// the parameter.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub enum Owner {
    /// This capture alone.
    Capture,
    /// The chain behind the swap point.
    Chain,
    /// The cartridge.
    Cartridge,
    /// The record side, with its cutter.
    Record,
    /// A calibration, known by a stable identifier.
    Calibration(String),
}

/// Side of the swap point (the lead clips at the cartridge) on which a
/// parameter's cause lies. Before it, the effect changes sign with swapped
/// leads; behind it, it does not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub enum Side {
    /// Stylus, cartridge.
    BeforeSwap,
    /// Leads, amplifier, equaliser, converter.
    BehindSwap,
}

/// A named, owned parameter of a capture's phase.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Term {
    /// Stable name: "delay", "equaliser 318 us", ...
    pub name: String,
    /// What it belongs to.
    pub owner: Owner,
    /// Where its cause lies.
    pub side: Side,
}

/// Crosstalk phase: the nonlinear effect of crosstalk on a large delay. It already follows
/// the sign of the delay, so swapped leads do not change its sign again.
pub fn crosstalk_phase_term() -> Term {
    Term {
        name: "crosstalk bend".into(),
        owner: Owner::Cartridge,
        side: Side::BehindSwap,
    }
}

/// Information over named parameters: the data part of the negative
/// log-likelihood is, up to third order about `expansion`, `1/2 t' matrix t -
/// vector' t + constant` in the parameters `t`. The matrix may be singular (a
/// pure tone determines one combination only). The delay, in seconds, is always
/// the first term; it is the delay as recorded (right after left), whatever the
/// leads.
#[derive(Debug, Clone, PartialEq)]
pub struct Information {
    /// The parameters, delay first.
    pub terms: Vec<Term>,
    /// Point about which the phase was expanded, one value per term.
    pub expansion: Vec<f64>,
    /// Information matrix, one row and column per term.
    pub matrix: Array2<f64>,
    /// Information vector, one value per term.
    pub vector: Array1<f64>,
}

impl Information {
    /// A delay given as a value with its standard uncertainty, both in seconds,
    /// without information about any other term. An uncertainty that is not above
    /// zero gives no number, which [`crate::job::solve`] refuses.
    pub fn of_delay(delay: f64, standard_uncertainty: f64) -> Self {
        let weight = match standard_uncertainty {
            u if u > 0.0 => u.powi(-2),
            _ => f64::NAN,
        };
        Self {
            terms: vec![Term {
                name: "delay".into(),
                owner: Owner::Capture,
                side: Side::BehindSwap,
            }],
            expansion: vec![delay],
            matrix: Array2::from_elem((1, 1), weight),
            vector: Array1::from_elem(1, weight * delay),
        }
    }

    /// Of a fit of the delay and of terms: its values, its information, and the gradient there.
    pub(super) fn of_fit(
        terms: impl Iterator<Item = Term>,
        values: Array1<f64>,
        matrix: Array2<f64>,
        score: &Array1<f64>,
    ) -> Self {
        let delay = Self::of_delay(0.0, 1.0).terms.into_iter();
        Self {
            terms: delay.chain(terms).collect(),
            vector: matrix.dot(&values) + score,
            expansion: values.to_vec(),
            matrix,
        }
    }

    /// The same with one more term: `column` of the matrix with the others, `own` on the
    /// diagonal, and this entry of the vector.
    pub fn with_term(mut self, term: Term, column: &Array1<f64>, own: f64, vector: f64) -> Self {
        let n = self.terms.len();
        let old = self.matrix;
        self.matrix = Array2::from_shape_fn((n + 1, n + 1), |(i, j)| match (i == n, j == n) {
            (false, false) => old[[i, j]],
            (true, true) => own,
            (true, false) => column[j],
            (false, true) => column[i],
        });
        let entries = self.vector.iter().copied().chain([vector]);
        self.vector = entries.collect();
        self.terms.push(term);
        self.expansion.push(0.0);
        self
    }

    /// The same without a term that is known to be zero.
    pub fn without(mut self, term: &Term) -> Self {
        let Some(at) = self.terms.iter().position(|t| t == term) else {
            return self;
        };
        let kept: Vec<usize> = (0..self.terms.len()).filter(|&k| k != at).collect();
        self.terms.remove(at);
        self.expansion.remove(at);
        self.matrix = Array2::from_shape_fn((kept.len(), kept.len()), |(i, j)| {
            self.matrix[[kept[i], kept[j]]]
        });
        self.vector = kept.iter().map(|&k| self.vector[k]).collect();
        self
    }

    /// The information with the channels exchanged: every phase changes sign. The
    /// crosstalk phase follows the sign of the delay by itself.
    pub fn with_channels_exchanged(&self) -> Self {
        let crosstalk = crosstalk_phase_term();
        let sign = |k: usize| {
            if self.terms[k] == crosstalk {
                1.0
            } else {
                -1.0
            }
        };
        let n = self.terms.len();
        Self {
            terms: self.terms.clone(),
            expansion: (0..n).map(|k| sign(k) * self.expansion[k]).collect(),
            matrix: Array2::from_shape_fn((n, n), |(i, j)| sign(i) * sign(j) * self.matrix[[i, j]]),
            vector: (0..n).map(|k| sign(k) * self.vector[k]).collect(),
        }
    }

    /// The same with an independent error of the delay, of this standard uncertainty in
    /// seconds, integrated out as a further parameter.
    pub fn with_delay_error(mut self, standard_uncertainty: f64) -> Self {
        let column = self.matrix.column(0).to_owned();
        let weight = standard_uncertainty.powi(-2) + column[0];
        let vector = self.vector[0];
        self.vector.scaled_add(-vector / weight, &column);
        for (mut row, c) in self.matrix.rows_mut().into_iter().zip(&column) {
            row.scaled_add(-c / weight, &column);
        }
        self
    }
}

/// A moment of the analysed span with its share of the delay information: the
/// measured delay is the weighted mean of the delays at the nodes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Node {
    /// Position in the analysed span, 0 at its start, 1 at its end.
    pub position: f64,
    /// Weight; the weights of a capture add to 1.
    pub weight: f64,
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Two parameters of known covariance: that of the delay grows by the variance of
    /// the error, nothing else changes.
    #[test]
    fn an_error_of_the_delay_adds_to_its_variance_alone() {
        let covariance = [[4.0, 1.2], [1.2, 0.9]];
        let information = |[[a, b], [_, c]]: [[f64; 2]; 2]| {
            let d: f64 = a * c - b * b;
            ndarray::array![[c / d, -b / d], [-b / d, a / d]]
        };
        let values = ndarray::array![7.0, -0.4];
        let known = Information {
            matrix: information(covariance),
            vector: information(covariance).dot(&values),
            ..Information::of_delay(0.0, 1.0)
        };
        let loose = known.with_delay_error(3.0);
        let expected = information([[4.0 + 9.0, 1.2], [1.2, 0.9]]);
        for (found, expected) in loose.matrix.iter().zip(&expected) {
            assert_relative_eq!(*found, *expected, max_relative = 1e-12);
        }
        let expected = expected.dot(&values);
        for (found, expected) in loose.vector.iter().zip(&expected) {
            assert_relative_eq!(*found, *expected, max_relative = 1e-12);
        }
    }
}
