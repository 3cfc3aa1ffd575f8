//! The result of one recording, as the only capture of a job.

use super::JobError;
use super::description::{ArmOf, Job};
use super::network::CaptureData;
use super::solution::{ArmResult, Correction, Narrows, Solved, solve};
use crate::analysis::Analysis;
use crate::delay::phase::PhaseTerm;
use crate::document::Program;
use crate::uncertainty::{BudgetLine, Caveat, Conformity, Direction, Quantity, Warning};
use crate::units::MICROSECOND;
use serde::{Deserialize, Serialize};

/// The document of `measure`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Measurement {
    /// Why the result is in doubt, as its first line; null where it is not.
    /// Then verdict, turn and probability are null.
    pub in_doubt: Option<String>,
    /// `groovelag/measurement/1`.
    #[cfg_attr(feature = "cli", schemars(extend("const" = Measurement::SCHEMA)))]
    pub schema: String,
    /// What made it.
    pub program: Program,
    /// The recording as given.
    pub file: String,
    /// SHA-256 of the recording, hexadecimal; null where it was not asked for.
    pub sha256: Option<String>,
    /// Sample rate.
    pub sample_rate_hz: u32,
    /// Length of the recording.
    pub duration_s: f64,
    /// The part that was analysed, seconds from the start: start, end.
    pub analysed_s: [f64; 2],
    /// Offset between the channels as recorded, right after left.
    pub delay_us: Quantity,
    /// Rotation of the stylus to the groove at this radius, clockwise seen from
    /// above; null for a spherical tip, which cannot see it.
    pub rotation_deg: Option<Quantity>,
    /// Rotation of the stylus to the cartridge body, which a tolerance is about;
    /// null for a spherical tip.
    pub stylus_to_body_deg: Option<Quantity>,
    /// Rotation of the stylus in the headshell (to the body, and the body's
    /// mounting), which a turn takes out; null for a spherical tip.
    pub headshell_deg: Option<Quantity>,
    /// A stated pivoted arm at this radius.
    pub arm: Option<ArmResult>,
    /// Rotation of the record's cut, for a spherical tip.
    pub cut_rotation_deg: Option<Quantity>,
    /// Which way the stylus (with a spherical tip: the cut) is turned.
    pub direction: Direction,
    /// Budget of the rotation (with a spherical tip: of the cut).
    pub budget: Vec<BudgetLine>,
    /// Doubts.
    pub warnings: Vec<Caveat>,
    /// Against the tolerance, if one was stated and no doubt withholds it.
    pub conformity: Option<Conformity>,
    /// What to do, if the band says which way and no doubt withholds it.
    pub correction: Option<Correction>,
    /// What is stated of the arm.
    #[serde(skip)]
    pub arm_of: ArmOf,
    /// What would narrow the band of the turn.
    #[serde(skip)]
    pub narrows: Narrows,
    /// Whether anything is stated of the mounting.
    #[serde(skip)]
    pub mounting_stated: bool,
}

impl Measurement {
    /// The document's schema identifier.
    pub const SCHEMA: &'static str = "groovelag/measurement/1";
}

/// A measurement and what it was made from.
pub struct Measured {
    /// The document.
    pub measurement: Measurement,
    /// The job as solved.
    pub solved: Solved,
    /// What the recording says.
    pub data: CaptureData,
}

/// What one analysed recording says of the rotation, as the only capture of `job`.
/// `terms` are priors that a calibration gives, in place of those assumed;
/// `further` are warnings that the recording itself does not tell.
///
/// # Errors
///
/// When the job has not exactly one capture, or cannot be solved.
pub fn measure(
    job: &Job,
    analysis: &Analysis,
    terms: &[PhaseTerm],
    coverage: f64,
    further: impl IntoIterator<Item = Caveat>,
) -> Result<Measured, JobError> {
    let [spec] = &job.captures[..] else {
        return Err(JobError::DataCount {
            captures: job.captures.len(),
            data: 1,
        });
    };
    // The capture's own doubts are listed here as they are, not by capture.
    let data = CaptureData {
        caveats: Vec::new(),
        ..CaptureData::of(analysis).with_priors(terms)
    };
    let solved = solve(job, &[Some(data.clone())], coverage)?;
    let solved = solved.with_warnings(analysis.caveats.iter().cloned().chain(further));
    let estimate = &analysis.estimate;
    let solution = &solved.solution;
    let setups = &solution.setups;
    let setup = setups.iter().find(|s| s.name == spec.setup);
    let setup = setup.unwrap_or(&setups[0]);
    let cut = match setup.blind {
        true => Some(solved.cut(&spec.record)?),
        false => None,
    };
    let sees = |quantity: Quantity| Some(quantity).filter(|_| !setup.blind);
    // That priors carry a single capture goes without saying, and the budget
    // says which.
    let unspoken = [Warning::CarriedByPriors, Warning::ChiSquareLow];
    let warnings = solution.warnings.iter();
    let measurement = Measurement {
        in_doubt: solution.in_doubt.clone(),
        schema: Measurement::SCHEMA.to_owned(),
        program: Program::this(),
        file: analysis.about.file.clone(),
        sha256: analysis.about.sha256.clone(),
        sample_rate_hz: analysis.about.sample_rate_hz,
        duration_s: analysis.about.duration_s,
        analysed_s: [estimate.span_s.0, estimate.span_s.1],
        delay_us: Quantity::normal(estimate.delay_s, estimate.standard_uncertainty_s, coverage)
            .scaled(MICROSECOND.recip()),
        rotation_deg: sees(setup.rotation_deg),
        stylus_to_body_deg: setup.stylus_to_body_deg,
        headshell_deg: sees(setup.headshell_deg),
        arm: setup.arm,
        cut_rotation_deg: cut.as_ref().map(|(cut, _)| *cut),
        direction: Direction::resolved(cut.as_ref().map_or(&setup.rotation_deg, |(cut, _)| cut)),
        budget: cut.map_or_else(|| setup.budget.clone(), |(_, budget)| budget),
        warnings: warnings
            .filter(|w| !unspoken.contains(&w.code))
            .cloned()
            .collect(),
        conformity: setup.conformity,
        correction: setup.correction,
        arm_of: setup.arm_of.clone(),
        narrows: setup.narrows,
        mounting_stated: setup.mounting_stated,
    };
    Ok(Measured {
        measurement,
        solved,
        data,
    })
}
