//! Two setups against each other.

use super::budget::combination_budget;
use super::description::Job;
use super::knowledge::continues_mounting;
use super::network::Angle;
use super::solution::{Correction, Solved, take_band};
use super::{JobError, priors};
use crate::adjust::{Coefficients, Marginal};
use crate::uncertainty::{BudgetLine, Caveat, Conformity, Quantity, Standing, Warning, normal_cdf};
use crate::units::DEGREE;
use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// Change between two setups.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Comparison {
    /// Why the result is in doubt, as its first line; null where it is not.
    pub in_doubt: Option<String>,
    /// Name of the earlier setup.
    pub before: String,
    /// Name of the later setup.
    pub after: String,
    /// Rotation in the headshell after minus before: the turn that was made.
    /// Shared errors cancel.
    pub change_deg: Quantity,
    /// Rotation to the groove after.
    pub remaining_deg: Quantity,
    /// Probability that the rotation to the groove is smaller in magnitude after
    /// than before; null where a warning withholds it.
    pub probability_improved: Option<f64>,
    /// The turn that was due: the opposite of the rotation that a turn could have corrected
    /// before. Null where its band contains zero, or where a warning withholds it.
    #[serde(default)]
    pub due_deg: Option<f64>,
    /// Rotation of the stylus to the cartridge body after; null where nothing is known of the
    /// mounting.
    #[serde(default)]
    pub stylus_to_body_deg: Option<Quantity>,
    /// Conformity of the setup after; null if no tolerance is stated or a warning withholds it.
    #[serde(default)]
    pub conformity: Option<Conformity>,
    /// Uncertainty budget of the change.
    #[serde(default)]
    pub change_budget: Vec<BudgetLine>,
    /// Doubts.
    pub warnings: Vec<Caveat>,
    /// The turn to make in the setup after; null where there is none, or where a
    /// warning withholds it.
    pub correction: Option<Correction>,
}

/// Compares two setups of a solved job with their joint covariance.
pub fn compare(
    job: &Job,
    solved: &Solved,
    before: &str,
    after: &str,
) -> Result<Comparison, JobError> {
    if before == after {
        return Err(JobError::SameSetup(before.to_owned()));
    }
    let of = |name: &str| {
        let result = solved.solution.setups.iter().find(|s| s.name == name);
        result.ok_or_else(|| JobError::NoSetup {
            name: name.to_owned(),
            known: job.setups.keys().cloned().collect::<Vec<_>>().join(", "),
        })
    };
    let (first, second) = (of(before)?, of(after)?);
    let x = &solved.adjustment.values;
    let angle = |name: &str, angle: Angle| {
        let found = solved.network.angle(job, name, angle, x);
        found.unwrap_or_default().row.scaled(DEGREE.recip())
    };
    let joint = |x: &Coefficients, y: &Coefficients| solved.adjustment.covariance_of(x, y);
    let difference = angle(after, Angle::Headshell).minus(&angle(before, Angle::Headshell));
    let mut change_deg = Quantity::normal(
        second.headshell_deg.value - first.headshell_deg.value,
        joint(&difference, &difference).sqrt(),
        solved.coverage,
    );
    if change_deg.standard_uncertainty > 0.0 {
        // in degrees; exact parts are added afterwards
        let offset = change_deg.value - difference.at(x);
        let bounds = (-PI / DEGREE - offset, PI / DEGREE - offset);
        let problem = &solved.network.problem;
        let marginal = Marginal::new(problem, &solved.adjustment, &difference, bounds)?;
        take_band(&mut change_deg, &marginal, offset);
    }
    let (a, b) = (angle(before, Angle::Groove), angle(after, Angle::Groove));
    let (value_before, value_after) = (first.rotation_deg.value, second.rotation_deg.value);
    let mut warnings = solved.solution.warnings.clone();
    for name in [before, after] {
        let captured = job
            .captures
            .iter()
            .zip(&solved.network.capture_blocks)
            .any(|(c, block)| c.setup == name && block.is_some());
        if !captured && !continues_mounting(job, name) {
            warnings.push(Caveat::caution(
                Warning::SetupWithoutCaptures,
                format!(
                    "setup '{name}' has no captures: its rotation is only what was known before ({} deg by default)",
                    priors::ROTATION.u
                ),
            ));
        }
    }
    let standing = Standing::of(&warnings);
    let probability = probability_smaller(
        (value_before, value_after),
        (joint(&a, &a), joint(&a, &b), joint(&b, &b)),
    );
    Ok(Comparison {
        in_doubt: standing.in_doubt(),
        before: before.to_owned(),
        after: after.to_owned(),
        change_deg,
        remaining_deg: second.rotation_deg,
        probability_improved: standing.allow(Some(probability)),
        due_deg: standing.allow(
            Some(-first.headshell_deg.value)
                .filter(|_| !first.headshell_deg.interval.contains(0.0)),
        ),
        stylus_to_body_deg: second.stylus_to_body_deg,
        conformity: standing.allow(second.conformity),
        change_budget: combination_budget(&solved.network, &solved.adjustment, &difference),
        correction: standing.allow(second.correction),
        warnings,
    })
}

/// Probability that `|after| < |before|` for two jointly normal quantities
/// with variances and covariance `(before, joint, after)`.
///
/// That is `(before - after)(before + after) > 0`: difference and sum have the
/// same sign. Integrated over the difference by the trapezoidal rule, which
/// converges faster than any power of its step for such an integrand.
fn probability_smaller((before, after): (f64, f64), (vb, vab, va): (f64, f64, f64)) -> f64 {
    let (mean_d, mean_s) = (before - after, before + after);
    let (var_d, var_s) = (vb + va - 2.0 * vab, vb + va + 2.0 * vab);
    let covariance = vb - va;
    let sign = |d: f64, positive: f64| if d > 0.0 { positive } else { 1.0 - positive };
    if var_d <= 0.0 {
        let positive = if var_s > 0.0 {
            normal_cdf(mean_s / var_s.sqrt())
        } else {
            f64::from(u8::from(mean_s > 0.0))
        };
        return sign(mean_d, positive);
    }
    // one of the two exact: no integral is needed
    let inside = |mean: f64, variance: f64, limit: f64| {
        let u = variance.sqrt();
        normal_cdf((limit - mean) / u) - normal_cdf((-limit - mean) / u)
    };
    if vb <= 0.0 {
        return inside(after, va, before.abs());
    }
    if va <= 0.0 {
        return 1.0 - inside(before, vb, after.abs());
    }
    let u_d = var_d.sqrt();
    let slope = covariance / var_d;
    let rest = (var_s - slope * covariance).max(0.0).sqrt();
    // +-8 standard deviations hold all but 1e-15; the integrand has a corner
    // at d = 0, so either side of it is integrated by itself
    const STEPS: usize = 400;
    let side = |from: f64, to: f64| -> f64 {
        if to <= from {
            return 0.0;
        }
        let h = (to - from) / STEPS as f64;
        let f = |d: f64| {
            let z = (d - mean_d) / u_d;
            let s = mean_s + slope * (d - mean_d);
            let positive = if rest > 1e-12 * var_s.sqrt() {
                normal_cdf(s / rest)
            } else {
                f64::from(u8::from(s > 0.0))
            };
            let middle = 0.5 * (from + to);
            (-0.5 * z * z).exp() * sign(middle, positive)
        };
        // Simpson: the ends of a side do not vanish
        let inner: f64 = (1..STEPS)
            .map(|i| (if i % 2 == 1 { 4.0 } else { 2.0 }) * f(from + h * i as f64))
            .sum();
        h / 3.0 * (f(from) + inner + f(to))
    };
    let (low, high) = (mean_d - 8.0 * u_d, mean_d + 8.0 * u_d);
    let total = side(low, high.min(0.0)) + side(low.max(0.0), high);
    total / (u_d * std::f64::consts::TAU.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Cases that are known in closed form: one of the two exact, and two
    /// centred independent quantities (2/pi atan of the ratio of deviations).
    #[test]
    fn probability_of_improvement() {
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-6, "{a} {b}");
        // |x| < 3 with x ~ N(1, 2)
        near(
            probability_smaller((3.0, 1.0), (0.0, 0.0, 4.0)),
            normal_cdf(1.0) - normal_cdf(-2.0),
        );
        near(
            probability_smaller((0.0, 0.0), (9.0, 0.0, 1.0)),
            2.0 / PI * 3f64.atan(),
        );
        near(
            probability_smaller((5.0, 1.0), (1.0, 1.0, 1.0)),
            normal_cdf(3.0),
        );
        near(probability_smaller((1.0, 1.0), (0.5, 0.2, 0.5)), 0.5);
        assert_eq!(probability_smaller((2.0, 1.0), (0.0, 0.0, 0.0)), 1.0);
        assert_eq!(probability_smaller((1.0, 2.0), (0.0, 0.0, 0.0)), 0.0);
    }
}
