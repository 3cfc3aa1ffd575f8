//! The results of a job.

use super::correction::Correction;
use crate::adjust::Determined;
use crate::job::contribution::VarianceSource;
use crate::job::description::ArmOf;
use crate::job::explanation::Explanation;
use crate::job::pass::PassResult;
use crate::uncertainty::{BudgetLine, Caveat, Conformity, Quantity, Standing};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A stated pivoted arm where a setup was first played.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct ArmResult {
    /// Radius, millimetres.
    pub radius_mm: f64,
    /// Tracking error there, degrees, clockwise positive.
    pub tracking_error_deg: f64,
    /// Radii without tracking error; null where the arm has none.
    pub null_radii_mm: Option<[f64; 2]>,
}

/// Result of a setup.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct SetupResult {
    /// Its name.
    pub name: String,
    /// Rotation of the stylus to the groove at the radius where the setup was
    /// first played, clockwise positive.
    pub rotation_deg: Quantity,
    /// Rotation of the stylus to the cartridge body, to which a tolerance
    /// applies; null for a spherical tip, or where nothing is known of the
    /// mounting.
    pub stylus_to_body_deg: Option<Quantity>,
    /// Rotation of the stylus in the headshell (to the body, plus the body's
    /// mounting), which a turn corrects.
    pub headshell_deg: Quantity,
    /// Shares of the variance of the rotation to the groove, by source.
    #[serde(skip)]
    pub(in crate::job) variance_shares: BTreeMap<VarianceSource, f64>,
    /// A stated pivoted arm.
    pub arm: Option<ArmResult>,
    /// Uncertainty budget of the rotation to the groove.
    pub budget: Vec<BudgetLine>,
    /// Uncertainty budget of the rotation to the body.
    pub stylus_to_body_budget: Vec<BudgetLine>,
    /// Share of each capture in the variance of the rotation to the groove, in order; captures
    /// without a share are left out, and of more than 50 the smaller ones.
    #[serde(default)]
    pub captures: Vec<CaptureShare>,
    /// Conformity to the tolerance; null if none is stated or a warning withholds it.
    pub conformity: Option<Conformity>,
    /// The turn to make; null if its direction is not significant or a warning withholds it.
    pub correction: Option<Correction>,
    /// A later setup of the same cartridge; its turn is the one to make.
    pub superseded_by: Option<String>,
    /// The turn at which the total delay is zero, from captures at known turns.
    pub zero_setting_deg: Option<Quantity>,
    /// Whether the tip is not sensitive to its own rotation, which then is its
    /// prior; neither conformity nor correction follow from it.
    #[serde(skip)]
    pub unobservable: bool,
    /// The arm as stated.
    #[serde(skip)]
    pub arm_of: ArmOf,
    /// Whether the mounting is stated.
    #[serde(skip)]
    pub mounting_stated: bool,
    /// Whether swapped leads, or exchanged channels, in its captures would go undetected.
    #[serde(skip)]
    pub exchange_undetectable: bool,
    /// Changes made for the last recording that may still be in place; the angles here exclude them.
    #[serde(skip)]
    pub temporary_changes: TemporaryChanges,
    /// Whether a correction of its arm is advised.
    #[serde(skip)]
    pub misset_arm: bool,
    /// The quantity to know better in order to narrow the band of the turn.
    #[serde(skip)]
    pub largest_contribution: LargestContribution,
}

/// A change made for the last recording alone that may still be in place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct TemporaryChanges {
    /// The cartridge was turned by a known angle.
    pub turned: bool,
    /// The leads were the other way round.
    pub leads: bool,
}

/// The largest contribution to the band of the turn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum LargestContribution {
    /// The arm.
    Arm,
    /// The sizes of the tip, which are not stated.
    Tip,
    /// Everything else: further recordings help.
    #[default]
    Recordings,
}

/// Result of a record side.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct RecordResult {
    /// Its name.
    pub name: String,
    /// Rotation of its cut.
    pub cut_rotation_deg: Quantity,
    /// Its uncertainty budget; empty where it is exact.
    #[serde(default)]
    pub budget: Vec<BudgetLine>,
}

/// Result of a cartridge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct CartridgeResult {
    /// Its name.
    pub name: String,
    /// Lever at zero rotation in a 90 degree groove, micrometres.
    pub lever_um: Quantity,
    /// Its uncertainty budget; empty where it is exact.
    #[serde(default)]
    pub lever_budget: Vec<BudgetLine>,
    /// Factor on the groove's delay.
    pub scale: Quantity,
    /// Growth of the side radius by wear, micrometres in 1000 hours; null where no hours are stated.
    #[serde(default)]
    pub wear_um_per_1000_h: Option<Quantity>,
    /// Radius of the tip along the groove, micrometres: the radius of a spherical tip, else the side
    /// radius. By the stated value and by tracing; null where tracing was not measured.
    #[serde(default)]
    pub radius_along_groove_um: Option<Quantity>,
    /// Probability of each shape by the radius measured by tracing, where no shape is stated, with equal
    /// prior probabilities.
    #[serde(default)]
    pub shape_probabilities: Option<BTreeMap<String, f64>>,
}

/// Result of a chain.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct ChainResult {
    /// Its name.
    pub name: String,
    /// Time error of the right channel against the left, microseconds.
    pub skew_us: Quantity,
}

/// Result of a stated pivoted arm.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct ArmParameters {
    /// Its name.
    pub name: String,
    /// Overhang: effective length minus pivot to spindle, millimetres.
    pub overhang_mm: Quantity,
    /// Its stated value.
    pub overhang_stated_mm: f64,
    /// Movement of the stylus away from the pivot, millimetres (negative: towards it), that gives the
    /// stated overhang; null where the band contains the stated one, or where a warning withholds it.
    #[serde(default)]
    pub overhang_correction_mm: Option<f64>,
    /// Offset angle, degrees.
    pub offset_deg: Quantity,
    /// Its stated value.
    pub offset_stated_deg: f64,
}

/// How one capture fits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct CaptureResult {
    /// Number of the capture in the job, from 1.
    #[serde(default)]
    pub capture: usize,
    /// Its file, or a description.
    pub file: String,
    /// SHA-256 of the recording; null for a given delay, or of a stream.
    #[serde(default)]
    pub sha256: Option<String>,
    /// Delay as recorded; random part and equaliser terms only.
    pub delay_us: Quantity,
    /// Delay as adjusted.
    pub predicted_us: f64,
    /// Measured minus predicted by all other information, over its standard
    /// uncertainty; null where no other information predicts it.
    pub normalized_residual: Option<f64>,
}

/// Share of a capture in a variance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct CaptureShare {
    /// Number of the capture in the job, from 1.
    pub capture: usize,
    /// Its share of the variance, 0 to 1.
    pub share: f64,
}

/// Source of an unknown's value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct UnknownResult {
    /// Its stable name.
    pub name: String,
    /// Source of its value.
    pub determined_by: Determined,
}

/// A pair of strongly correlated unknowns.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Correlation {
    /// One.
    pub first: String,
    /// The other.
    pub second: String,
    /// Their correlation coefficient.
    pub coefficient: f64,
}

/// Goodness of fit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Fit {
    /// Sum of squared normalised residuals of captures and priors.
    pub chi_square: f64,
    /// Its degrees of freedom.
    pub degrees_of_freedom: usize,
    /// Probability of a larger one by chance; null without degrees of freedom.
    pub p_value: Option<f64>,
}

/// All results of a job.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Solution {
    /// First line of the result where it is in doubt, with the reason; null
    /// where it is not. In doubt, verdicts, turns and probabilities are null.
    pub in_doubt: Option<String>,
    /// Per setup.
    pub setups: Vec<SetupResult>,
    /// Per record side.
    pub records: Vec<RecordResult>,
    /// Per cartridge.
    pub cartridges: Vec<CartridgeResult>,
    /// Per chain.
    pub chains: Vec<ChainResult>,
    /// Per stated pivoted arm that a capture was made with.
    #[serde(default)]
    pub arms: Vec<ArmParameters>,
    /// Per pass with test bands or coded marks: their results.
    #[serde(default)]
    pub passes: Vec<PassResult>,
    /// Per capture that has been read.
    pub captures: Vec<CaptureResult>,
    /// Per unknown.
    pub unknowns: Vec<UnknownResult>,
    /// Pairs correlated above 0.9.
    pub correlations: Vec<Correlation>,
    /// Fit as a whole.
    pub fit: Fit,
    /// Slips that would explain a contradiction between captures and stated values,
    /// the most probable first; empty where there is none, or where no slip fits.
    pub explanations: Vec<Explanation>,
    /// Doubts.
    pub warnings: Vec<Caveat>,
}

impl Solution {
    /// Standing of the result, by its warnings.
    pub fn standing(&self) -> Standing<'_> {
        Standing::of(&self.warnings)
    }

    /// The same results with further warnings, the most serious first, which may
    /// withhold verdicts and turns.
    pub(super) fn with(&self, further: impl IntoIterator<Item = Caveat>) -> Self {
        let mut warnings = self.warnings.clone();
        warnings.extend(further);
        warnings.sort_by_key(|w| std::cmp::Reverse(w.level));
        let standing = Standing::of(&warnings);
        let arms = self.arms.iter().map(|arm| ArmParameters {
            overhang_correction_mm: standing.allow(arm.overhang_correction_mm),
            ..arm.clone()
        });
        let arms: Vec<ArmParameters> = arms.collect();
        let misset = |setup: &SetupResult| {
            let mut misset = arms.iter().filter(|a| a.overhang_correction_mm.is_some());
            misset.any(|arm| setup.arm_of == ArmOf::Pivoted(arm.name.clone()))
        };
        let setups = self.setups.iter().map(|setup| SetupResult {
            conformity: standing.allow(setup.conformity),
            correction: standing.allow(setup.correction),
            misset_arm: misset(setup),
            ..setup.clone()
        });
        Self {
            in_doubt: standing.in_doubt(),
            setups: setups.collect(),
            arms,
            warnings,
            ..self.clone()
        }
    }
}
