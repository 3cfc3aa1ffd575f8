//! Statements beside a value: standard uncertainty, coverage interval, budget,
//! warnings, conformity.

mod conformity;
mod outlook;
mod quantile;
mod robust;
mod rounding;
mod standing;
mod warning;

pub use conformity::{Conformity, DECIDED, Verdict, conformity};
pub use outlook::{NEGLIGIBLE_SHARE, Outlook, Prospect, outlook};
pub use quantile::{
    chi_square_below, chi_square_quantile, chi_square_upper_tail, normal_cdf,
    normal_coverage_factor, normal_quantile, student_coverage_factor,
};

pub(crate) use robust::huber_limit;
pub use rounding::{chi_square, plain, rounded, rounded_u, tail};
pub use standing::Standing;
pub use warning::{Definition, Rule, Warning};

use serde::{Deserialize, Serialize};

/// The shape of a coverage interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum IntervalShape {
    /// `lower..upper`.
    Finite,
    /// Everything outside `lower..upper` (a ratio whose denominator may be zero).
    Outer,
    /// The whole line: the data exclude nothing.
    All,
}

/// A coverage interval with its coverage probability.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Interval {
    /// Which side of the bounds belongs to it.
    #[serde(rename = "interval")]
    pub shape: IntervalShape,
    /// Lower bound, in the unit of the quantity; null for the whole line.
    pub lower: Option<f64>,
    /// Upper bound; null for the whole line.
    pub upper: Option<f64>,
    /// Coverage probability, for example 0.95.
    pub coverage: f64,
}

impl Interval {
    /// `lower..upper`.
    pub fn finite(lower: f64, upper: f64, coverage: f64) -> Self {
        Self {
            shape: IntervalShape::Finite,
            lower: Some(lower),
            upper: Some(upper),
            coverage,
        }
    }
    /// Everything outside `lower..upper`.
    pub fn outer(lower: f64, upper: f64, coverage: f64) -> Self {
        Self {
            shape: IntervalShape::Outer,
            lower: Some(lower),
            upper: Some(upper),
            coverage,
        }
    }
    /// The whole line.
    pub fn all(coverage: f64) -> Self {
        Self {
            shape: IntervalShape::All,
            lower: None,
            upper: None,
            coverage,
        }
    }
    /// Whether `value` lies in the interval.
    pub fn contains(&self, value: f64) -> bool {
        match (self.shape, self.lower, self.upper) {
            (IntervalShape::Finite, Some(lower), Some(upper)) => lower <= value && value <= upper,
            (IntervalShape::Outer, Some(lower), Some(upper)) => value <= lower || upper <= value,
            _ => true,
        }
    }
    /// The same interval for the quantity plus `offset`.
    pub fn shifted(self, offset: f64) -> Self {
        Self {
            lower: self.lower.map(|v| v + offset),
            upper: self.upper.map(|v| v + offset),
            ..self
        }
    }
    /// The same interval in another unit (`factor` positive).
    pub fn scaled(self, factor: f64) -> Self {
        Self {
            lower: self.lower.map(|v| v * factor),
            upper: self.upper.map(|v| v * factor),
            ..self
        }
    }
}

/// A value with its standard uncertainty and coverage interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Quantity {
    /// Best estimate.
    pub value: f64,
    /// One standard deviation.
    pub standard_uncertainty: f64,
    /// Coverage interval.
    #[serde(flatten)]
    pub interval: Interval,
}

impl Quantity {
    /// A normally distributed quantity: `value +- k u`.
    pub fn normal(value: f64, standard_uncertainty: f64, coverage: f64) -> Self {
        let half = normal_coverage_factor(coverage) * standard_uncertainty;
        Self {
            value,
            standard_uncertainty,
            interval: Interval::finite(value - half, value + half, coverage),
        }
    }
    /// Half the width of a finite band: its expanded uncertainty where it is
    /// symmetric (GUM 6.2.1).
    pub fn half_width(&self) -> Option<f64> {
        match (
            self.interval.shape,
            self.interval.lower,
            self.interval.upper,
        ) {
            (IntervalShape::Finite, Some(lower), Some(upper)) => Some(0.5 * (upper - lower)),
            _ => None,
        }
    }
    /// The same quantity in another unit (`factor` positive).
    pub fn scaled(self, factor: f64) -> Self {
        Self {
            value: self.value * factor,
            standard_uncertainty: self.standard_uncertainty * factor,
            interval: self.interval.scaled(factor),
        }
    }
}

/// How an uncertainty was evaluated (JCGM 100:2008, 4.2 and 4.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub enum Evaluation {
    /// Type A: by statistics of the job's own readings.
    A,
    /// Type B: otherwise; stated values, earlier results or general knowledge.
    #[default]
    B,
}

impl Evaluation {
    /// As in budgets.
    pub fn word(self) -> &'static str {
        match self {
            Self::A => "A",
            Self::B => "B",
        }
    }
}

/// One line of an uncertainty budget.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct BudgetLine {
    /// What contributes, in the user's words.
    pub source: String,
    /// How it was evaluated.
    #[serde(default)]
    pub evaluation: Evaluation,
    /// Its contribution to the result, in the result's unit: |gain| times u.
    pub standard_uncertainty: f64,
    /// Its share of the result's variance, 0 to 1; the shares add to 1.
    pub share: f64,
    /// Whether it is read or set anew for every recording (delay, radius, speed, turn), so that only a
    /// result from the same recordings shares its error.
    #[serde(default)]
    pub reading: bool,
}

/// Makes budget lines of variance contributions: squared, summed to the total variance, largest
/// first (ties keep their order), each as of type B. A contribution below the rounding error of
/// the sum is left out: it is the residue of a cancellation.
pub fn budget(contributions: impl IntoIterator<Item = (String, f64)>) -> Vec<BudgetLine> {
    let mut lines: Vec<(String, f64)> = contributions.into_iter().filter(|c| c.1 > 0.0).collect();
    lines.sort_by(|a, b| b.1.total_cmp(&a.1));
    let total: f64 = lines.iter().map(|c| c.1).sum();
    lines.retain(|c| total + c.1 > total);
    lines
        .into_iter()
        .map(|(source, variance)| BudgetLine {
            source,
            evaluation: Evaluation::B,
            standard_uncertainty: variance.sqrt(),
            share: variance / total,
            reading: false,
        })
        .collect()
}

/// Severity of a caveat.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Level {
    /// Worth knowing.
    Note,
    /// The result may be less accurate than its band states.
    Caution,
    /// Do not use the result before this is resolved.
    Serious,
}

/// A warning with advice.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Caveat {
    /// Stable identifier, kebab-case.
    pub code: Warning,
    /// Its severity.
    pub level: Level,
    /// The observation, with figures, and what to do.
    pub message: String,
}

impl Caveat {
    /// A caveat of the lowest level.
    pub fn note(code: Warning, message: impl Into<String>) -> Self {
        Self {
            code,
            level: Level::Note,
            message: message.into(),
        }
    }
    /// A caveat of the middle level.
    pub fn caution(code: Warning, message: impl Into<String>) -> Self {
        Self {
            code,
            level: Level::Caution,
            message: message.into(),
        }
    }
    /// A caveat of the highest level.
    pub fn serious(code: Warning, message: impl Into<String>) -> Self {
        Self {
            code,
            level: Level::Serious,
            message: message.into(),
        }
    }
}

/// Which way a rotation goes, seen from above.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub enum Direction {
    /// Positive.
    #[serde(rename = "clockwise")]
    Clockwise,
    /// Negative.
    #[serde(rename = "anticlockwise")]
    Anticlockwise,
    /// The band contains zero.
    #[serde(rename = "none resolved")]
    NoneResolved,
}

impl Direction {
    /// The direction of a signed angle whose sign is taken as certain.
    pub fn of(angle: f64) -> Self {
        if angle < 0.0 {
            Self::Anticlockwise
        } else {
            Self::Clockwise
        }
    }
    /// The direction that a band resolves.
    pub fn resolved(quantity: &Quantity) -> Self {
        if quantity.interval.contains(0.0) {
            Self::NoneResolved
        } else {
            Self::of(quantity.value)
        }
    }
}
