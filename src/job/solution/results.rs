//! What a job's results consist of.

use super::correction::Correction;
use crate::adjust::Determined;
use crate::job::contribution::Brought;
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

/// What is known of a setup.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct SetupResult {
    /// Its name.
    pub name: String,
    /// Rotation of the stylus to the groove at the radius where the setup was
    /// first played, clockwise positive.
    pub rotation_deg: Quantity,
    /// Rotation of the stylus to the cartridge body, which a tolerance is about;
    /// null for a spherical tip, or where nothing is known of the mounting.
    pub stylus_to_body_deg: Option<Quantity>,
    /// Rotation of the stylus in the headshell (to the body, and the body's
    /// mounting), which a turn takes out.
    pub headshell_deg: Quantity,
    /// What brought the variance of the rotation to the groove, with its shares.
    #[serde(skip)]
    pub(in crate::job) brought: BTreeMap<Brought, f64>,
    /// A stated pivoted arm.
    pub arm: Option<ArmResult>,
    /// What the uncertainty of the rotation to the groove consists of.
    pub budget: Vec<BudgetLine>,
    /// What that of the rotation to the body consists of.
    pub stylus_to_body_budget: Vec<BudgetLine>,
    /// What each capture brings to the variance of the rotation to the groove, in their order;
    /// those without a part in it are left out, and of more than 50 the smaller ones.
    #[serde(default)]
    pub captures: Vec<CaptureShare>,
    /// Conformity to the tolerance, if one is stated and no doubt withholds it.
    pub conformity: Option<Conformity>,
    /// What to do, if the band says which way and no doubt withholds it.
    pub correction: Option<Correction>,
    /// A later setup of the same cartridge, whose turn counts.
    pub superseded_by: Option<String>,
    /// The turn at which both edges read together, from known turns.
    pub zero_setting_deg: Option<Quantity>,
    /// Whether the tip cannot see its own rotation, which then is only what
    /// was known before; neither conformity nor correction follow from it.
    #[serde(skip)]
    pub unobservable: bool,
    /// What is stated of the arm.
    #[serde(skip)]
    pub arm_of: ArmOf,
    /// Whether anything is stated of the mounting.
    #[serde(skip)]
    pub mounting_stated: bool,
    /// Whether leads entered the wrong way round in its captures would go unseen.
    #[serde(skip)]
    pub unchecked: bool,
    /// What the last recording leaves at the cartridge, which the angles here leave out.
    #[serde(skip)]
    pub left_behind: LeftBehind,
    /// Whether its arm is told to be set otherwise than stated.
    #[serde(skip)]
    pub misset_arm: bool,
    /// What would narrow the band of the turn.
    #[serde(skip)]
    pub narrows: Narrows,
}

/// What was changed for the last recording alone, and may still be there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct LeftBehind {
    /// The cartridge was turned by a known angle.
    pub turned: bool,
    /// The leads were the other way round.
    pub leads: bool,
}

/// What limits the band of the turn most, so that knowing it better narrows it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Narrows {
    /// The arm.
    Arm,
    /// The sizes of the tip, which are not stated.
    Tip,
    /// Everything else: further recordings help.
    #[default]
    Recordings,
}

/// What is known of a record side.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct RecordResult {
    /// Its name.
    pub name: String,
    /// Rotation of its cut.
    pub cut_rotation_deg: Quantity,
    /// What its uncertainty consists of; empty where it is exact.
    #[serde(default)]
    pub budget: Vec<BudgetLine>,
}

/// What is known of a cartridge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct CartridgeResult {
    /// Its name.
    pub name: String,
    /// Lever at zero rotation in a 90 degree groove, micrometres.
    pub lever_um: Quantity,
    /// What its uncertainty consists of; empty where it is exact.
    #[serde(default)]
    pub lever_budget: Vec<BudgetLine>,
    /// Factor on the groove's delay.
    pub scale: Quantity,
    /// Growth of the side radius by wear, micrometres in 1000 hours; null where no hours are stated.
    #[serde(default)]
    pub wear_um_per_1000_h: Option<Quantity>,
    /// Radius of the tip along the groove, micrometres: of a spherical tip its own, else its side radius.
    /// By what is stated and by tracing; null where tracing tells nothing.
    #[serde(default)]
    pub radius_along_groove_um: Option<Quantity>,
    /// Probability of each shape by the radius that tracing tells, where none is stated; each is taken as
    /// likely as another before.
    #[serde(default)]
    pub shape_probabilities: Option<BTreeMap<String, f64>>,
}

/// What is known of a chain.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct ChainResult {
    /// Its name.
    pub name: String,
    /// Time error of the right channel against the left, microseconds.
    pub skew_us: Quantity,
}

/// What is known of a pivoted arm that is stated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct ArmKnown {
    /// Its name.
    pub name: String,
    /// How far the stylus reaches beyond the spindle: effective length less pivot to spindle, millimetres.
    pub overhang_mm: Quantity,
    /// What was stated of it.
    pub overhang_stated_mm: f64,
    /// How far to move the stylus away from the pivot, millimetres (negative: towards it), for the overhang
    /// that was stated; null where its band contains that one, or where a doubt withholds it.
    #[serde(default)]
    pub overhang_correction_mm: Option<f64>,
    /// Offset angle, degrees.
    pub offset_deg: Quantity,
    /// What was stated of it.
    pub offset_stated_deg: f64,
}

/// How one capture fits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct CaptureResult {
    /// Which, in the job's order, from 1.
    #[serde(default)]
    pub capture: usize,
    /// Its file, or what it is.
    pub file: String,
    /// SHA-256 of the recording; null for a given delay, or of a stream.
    #[serde(default)]
    pub sha256: Option<String>,
    /// Delay as recorded; random part and equaliser terms only.
    pub delay_us: Quantity,
    /// Delay as adjusted.
    pub predicted_us: f64,
    /// Measured minus predicted by everything else, over its standard
    /// uncertainty; null where nothing else says anything about it.
    pub normalized_residual: Option<f64>,
}

/// What a capture brings to a variance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct CaptureShare {
    /// Which, in the job's order, from 1.
    pub capture: usize,
    /// Its share of the variance, 0 to 1.
    pub share: f64,
}

/// What determines an unknown.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct UnknownResult {
    /// Its stable name.
    pub name: String,
    /// Where its value comes from.
    pub determined_by: Determined,
}

/// A pair of unknowns that the job can hardly tell apart.
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

/// How well everything fits together.
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
    /// Why the result is in doubt, as its first line; null where it is not.
    /// Then verdicts, turns and probabilities are null.
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
    pub arms: Vec<ArmKnown>,
    /// Per pass with bands that are no captures, or with coded marks: what these tell.
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
    /// Slips that would explain why captures and stated values do not agree, the most
    /// probable first; empty where they agree, or where none fits.
    pub explanations: Vec<Explanation>,
    /// Doubts.
    pub warnings: Vec<Caveat>,
}

impl Solution {
    /// What the warnings leave of it.
    pub fn standing(&self) -> Standing<'_> {
        Standing::of(&self.warnings)
    }

    /// The same findings with further warnings, the most serious first, and with
    /// what all of them leave of verdicts and turns.
    pub(super) fn with(&self, further: impl IntoIterator<Item = Caveat>) -> Self {
        let mut warnings = self.warnings.clone();
        warnings.extend(further);
        warnings.sort_by_key(|w| std::cmp::Reverse(w.level));
        let standing = Standing::of(&warnings);
        let arms = self.arms.iter().map(|arm| ArmKnown {
            overhang_correction_mm: standing.allow(arm.overhang_correction_mm),
            ..arm.clone()
        });
        let arms: Vec<ArmKnown> = arms.collect();
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
