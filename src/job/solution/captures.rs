//! Results of captures, and correlated unknowns.

use super::AdjustedJob;
use super::results::{CaptureResult, Correlation};
use crate::adjust;
use crate::delay::Information;
use crate::job::network::CaptureData;
use crate::job::scope::MOST_UNKNOWNS_IN_FULL;
use crate::uncertainty::Quantity;
use crate::units::MICROSECOND;
use ndarray::Array2;

/// Correlation coefficient from which a pair of unknowns is reported (common practice, no source).
const NAMED_CORRELATION: f64 = 0.9;

impl AdjustedJob<'_> {
    pub(super) fn captures(&self, data: &[Option<CaptureData>]) -> Vec<CaptureResult> {
        let problem = &self.network.problem;
        let mut results = Vec::new();
        for (at, spec) in self.job.captures.iter().enumerate() {
            let (Some(Some(data)), Some(block)) = (data.get(at), self.network.capture_blocks[at])
            else {
                continue;
            };
            let own = &problem.blocks()[block];
            let (delay, u) = self.marginal_delay(&data.information, own);
            let predicted = own.evaluate(&self.adjustment.values).values[0];
            results.push(CaptureResult {
                capture: at + 1,
                file: spec.describe(at),
                sha256: data.sha256.clone(),
                delay_us: Quantity::normal(delay, u, self.coverage).scaled(MICROSECOND.recip()),
                predicted_us: predicted / MICROSECOND,
                normalized_residual: problem
                    .bias_test(self.adjustment, block, 0)
                    .map(|t| t.normalised),
            });
        }
        results
    }

    /// Delay of one capture by itself: its information joined with the priors
    /// of the terms beside the delay.
    pub(super) fn marginal_delay(
        &self,
        information: &Information,
        block: &adjust::Block<'_>,
    ) -> (f64, f64) {
        let n = information.terms.len();
        let mut matrix = information.matrix.clone();
        let mut vector = information.vector.clone();
        // the unknowns of the terms are the block's last
        let unknowns = block.unknowns();
        let first = unknowns.len() + 1 - n;
        for (row, &k) in (1..n).zip(&unknowns[first..]) {
            let prior = self.network.parameters[k].prior;
            let weight = prior.u.powi(-2);
            matrix[[row, row]] += weight;
            // the delay as recorded has the sign of the leads
            let sign = block.evaluate(&self.adjustment.values).jacobian[[row, first + row - 1]];
            vector[row] += weight * sign * prior.value;
        }
        // scaled to a unit diagonal: seconds stand beside plain numbers
        let size = matrix.diag().mapv(f64::sqrt);
        let scaled = Array2::from_shape_fn((n, n), |(i, j)| matrix[[i, j]] / (size[i] * size[j]));
        match adjust::Cholesky::new(&scaled) {
            Some(factor) => {
                let inverse = factor.inverse();
                let value = inverse.row(0).dot(&(&vector / &size)) / size[0];
                (value, inverse[[0, 0]].sqrt() / size[0])
            }
            None => (block.target()[0], f64::INFINITY),
        }
    }

    pub(super) fn correlations(&self) -> Vec<Correlation> {
        let n = self.network.own;
        let u: Vec<f64> = (0..n).map(|k| self.adjustment.uncertainty(k)).collect();
        let mut pairs = Vec::new();
        let mut tell = |i: usize, j: usize, covariance: f64| {
            let coefficient = covariance / (u[i] * u[j]);
            if coefficient.abs() > NAMED_CORRELATION {
                pairs.push(Correlation {
                    first: self.network.parameters[i].id.clone(),
                    second: self.network.parameters[j].id.clone(),
                    coefficient,
                });
            }
        };
        if n > MOST_UNKNOWNS_IN_FULL {
            let met = self.adjustment.pairs().map(|(i, j)| (i.min(j), i.max(j)));
            let own = met.filter(|&(_, j)| j < n);
            own.for_each(|(i, j)| tell(i, j, self.adjustment.covariance(i, j)));
        } else {
            for i in 0..n {
                let of_all = self.adjustment.covariances(i);
                (i + 1..n).for_each(|j| tell(i, j, of_all[j]));
            }
        }
        pairs.sort_by(|a, b| b.coefficient.abs().total_cmp(&a.coefficient.abs()));
        pairs
    }
}
