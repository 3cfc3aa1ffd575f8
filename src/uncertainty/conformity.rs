//! Decisions against a tolerance (JCGM 106:2012).

use super::normal_cdf;
use serde::{Deserialize, Serialize};

/// Probability of conformity from which a verdict is given; between its
/// complement and it the verdict is "undecided". Common practice (95 %), no source.
pub const DECIDED: f64 = 0.95;

/// What a tolerance says of a result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Inside the tolerance with a probability of at least 0.95.
    Conforming,
    /// Outside the tolerance with a probability of at least 0.95.
    NonConforming,
    /// Neither.
    Undecided,
}

impl Verdict {
    /// As in statements and documents.
    pub fn word(self) -> &'static str {
        match self {
            Self::Conforming => "conforming",
            Self::NonConforming => "non-conforming",
            Self::Undecided => "undecided",
        }
    }
}

/// A conformity statement.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Conformity {
    /// The verdict.
    pub verdict: Verdict,
    /// Probability that the true value lies within the tolerance.
    pub probability: f64,
    /// The tolerance either way, degrees.
    pub tolerance_deg: f64,
}

impl Conformity {
    /// Whether the tolerance is kept with enough probability to say so.
    pub fn is_kept(&self) -> bool {
        self.verdict == Verdict::Conforming
    }

    /// The statement for a known probability of conformity.
    pub fn from_probability(probability: f64, tolerance_deg: f64) -> Self {
        let verdict = if probability >= DECIDED {
            Verdict::Conforming
        } else if probability <= 1.0 - DECIDED {
            Verdict::NonConforming
        } else {
            Verdict::Undecided
        };
        Self {
            verdict,
            probability,
            tolerance_deg,
        }
    }
}

/// Conformity of a normally distributed rotation to `+-tolerance_deg`
/// (JCGM 106:2012, 7.3, two-sided tolerance interval).
pub fn conformity(value_deg: f64, standard_uncertainty_deg: f64, tolerance_deg: f64) -> Conformity {
    let z = |limit: f64| normal_cdf((limit - value_deg) / standard_uncertainty_deg);
    Conformity::from_probability(z(tolerance_deg) - z(-tolerance_deg), tolerance_deg)
}
