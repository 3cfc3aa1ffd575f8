//! The result of one recording, as the only capture of a job.

use super::JobError;
use super::description::{ArmOf, Job};
use super::network::CaptureData;
use super::over_radius::{OverRadius, StretchResult};
use super::solution::{ArmParameters, ArmResult, Correction, LargestContribution, Solved, solve};
use crate::analysis::{Analysis, RecordingInfo};
use crate::delay::phase::PhaseTerm;
use crate::document::Program;
use crate::uncertainty::{BudgetLine, Caveat, Conformity, Direction, Quantity, Warning};
use crate::units::MICROSECOND;
use serde::{Deserialize, Serialize};

/// The document of `measure`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Measurement {
    /// First line of the result where it is in doubt, with the reason; null
    /// where it is not. In doubt, verdict, turn and probability are null.
    pub in_doubt: Option<String>,
    /// `groovelag/measurement/1`.
    #[cfg_attr(feature = "cli", schemars(extend("const" = Measurement::SCHEMA)))]
    pub schema: String,
    /// What made it.
    pub program: Program,
    /// The recording as given.
    pub file: String,
    /// SHA-256 of the recording, hexadecimal; null where it was not requested.
    pub sha256: Option<String>,
    /// Sample rate.
    pub sample_rate_hz: u32,
    /// Length of the recording.
    pub duration_s: f64,
    /// The part that was analysed, seconds from the start: start, end.
    pub analysed_s: [f64; 2],
    /// Delay of the right channel after the left, as recorded; of a recording taken in stretches,
    /// the mean over these.
    pub delay_us: Quantity,
    /// Rotation of the stylus to the groove at this radius, clockwise seen from
    /// above; null for a spherical tip, which is not sensitive to it.
    pub rotation_deg: Option<Quantity>,
    /// Rotation of the stylus to the cartridge body, to which a tolerance
    /// applies; null for a spherical tip.
    pub stylus_to_body_deg: Option<Quantity>,
    /// Rotation of the stylus in the headshell (to the body, plus the body's
    /// mounting), which a turn corrects; null for a spherical tip.
    pub headshell_deg: Option<Quantity>,
    /// A stated pivoted arm at this radius.
    pub arm: Option<ArmResult>,
    /// Of a recording taken in stretches, its delay over the radius; null of one taken as a whole.
    #[serde(default)]
    pub over_radius: Option<TakenInStretches>,
    /// Rotation of the record's cut, for a spherical tip.
    pub cut_rotation_deg: Option<Quantity>,
    /// Direction in which the stylus (with a spherical tip: the cut) is rotated.
    pub direction: Direction,
    /// Budget of the rotation (with a spherical tip: of the cut).
    pub budget: Vec<BudgetLine>,
    /// Doubts.
    pub warnings: Vec<Caveat>,
    /// Conformity to the tolerance; null if none was stated or a warning withholds it.
    pub conformity: Option<Conformity>,
    /// The turn to make; null if its direction is not significant or a warning withholds it.
    pub correction: Option<Correction>,
    /// The arm as stated.
    #[serde(skip)]
    pub arm_of: ArmOf,
    /// The quantity to know better in order to narrow the band of the turn.
    #[serde(skip)]
    pub narrows: LargestContribution,
    /// Whether the mounting is stated.
    #[serde(skip)]
    pub mounting_stated: bool,
    /// Whether exchanged channels would go undetected.
    #[serde(skip)]
    pub unchecked: bool,
}

impl Measurement {
    /// The document's schema identifier.
    pub const SCHEMA: &'static str = "groovelag/measurement/1";
}

/// Results of a recording taken in stretches, over the radius.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct TakenInStretches {
    /// Its stretches, in order.
    pub stretches: Vec<StretchResult>,
    /// Time skew of the recording chain, which does not depend on the groove's speed.
    pub chain_skew_us: Quantity,
    /// Overhang and offset angle of a stated pivoted arm.
    pub arm: Option<ArmParameters>,
}

/// A measurement and its inputs.
pub struct Measured {
    /// The document.
    pub measurement: Measurement,
    /// The job as solved.
    pub solved: Solved,
    /// The data of each capture.
    pub data: Vec<Option<CaptureData>>,
}

/// Solves `job` with one analysed recording as its only capture. `terms` are
/// priors from a calibration, in place of the defaults; `further` are warnings
/// beside those of the recording.
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
    // The capture's own warnings are listed without its name.
    let data = CaptureData {
        caveats: Vec::new(),
        ..CaptureData::of(analysis).with_priors(terms)
    };
    let doubts = analysis.caveats.iter().cloned().chain(further);
    let solved = solved(job, vec![data], coverage)?.with_warnings(doubts);
    let estimate = &analysis.estimate;
    let delay = Quantity::normal(estimate.delay_s, estimate.standard_uncertainty_s, coverage);
    let (from, to) = estimate.span_s;
    solved.measured(
        job,
        &analysis.info,
        [from, to],
        delay.scaled(MICROSECOND.recip()),
    )
}

/// The same for a recording taken in [stretches](super::CaptureSpec::in_stretches): `job` has a capture
/// for each, and `data` its data, with priors.
///
/// # Errors
///
/// When the job has not as many captures as there are data, which come from recordings, or cannot
/// be solved.
pub fn measure_stretches(
    job: &Job,
    data: Vec<CaptureData>,
    coverage: f64,
) -> Result<Measured, JobError> {
    let count = JobError::DataCount {
        captures: job.captures.len(),
        data: data.len(),
    };
    let evidence = |data: Option<&CaptureData>| data.and_then(|d| d.evidence.clone());
    let ends = evidence(data.first()).zip(evidence(data.last()));
    let (first, last) = ends.ok_or(count)?;
    let mut solved = solved(job, data, coverage)?;
    let captures = &solved.solved.solution.captures;
    let mean = |of: fn(&Quantity) -> f64| {
        let sum: f64 = captures.iter().map(|c| of(&c.delay_us)).sum();
        sum / captures.len() as f64
    };
    // most of the uncertainty is the cartridge's response, which all stretches share
    let delay = Quantity::normal(
        mean(|q| q.value),
        mean(|q| q.standard_uncertainty),
        coverage,
    );
    let solution = &solved.solved.solution;
    let skew_us = solution.chains.first().map(|chain| chain.skew_us);
    let curve = OverRadius::of(job, &solved.data, &solved.solved);
    solved.over_radius = curve
        .into_iter()
        .next()
        .zip(skew_us)
        .map(|(curve, skew_us)| TakenInStretches {
            stretches: curve.stretches,
            chain_skew_us: skew_us,
            arm: solution.arms.first().cloned(),
        });
    solved.measured(job, &first.info, [first.span_s.0, last.span_s.1], delay)
}

/// A job of one recording, solved.
struct OfOneRecording {
    solved: Solved,
    data: Vec<Option<CaptureData>>,
    over_radius: Option<TakenInStretches>,
}

fn solved(job: &Job, data: Vec<CaptureData>, coverage: f64) -> Result<OfOneRecording, JobError> {
    if job.captures.len() != data.len() {
        return Err(JobError::DataCount {
            captures: job.captures.len(),
            data: data.len(),
        });
    }
    let data: Vec<_> = data.into_iter().map(Some).collect();
    Ok(OfOneRecording {
        solved: solve(job, &data, coverage)?,
        data,
        over_radius: None,
    })
}

impl OfOneRecording {
    fn with_warnings(self, further: impl IntoIterator<Item = Caveat>) -> Self {
        Self {
            solved: self.solved.with_warnings(further),
            ..self
        }
    }

    fn measured(
        self,
        job: &Job,
        about: &RecordingInfo,
        analysed_s: [f64; 2],
        delay_us: Quantity,
    ) -> Result<Measured, JobError> {
        let spec = &job.captures[0];
        let Self {
            solved,
            data,
            over_radius,
        } = self;
        let solution = &solved.solution;
        let setups = &solution.setups;
        let setup = setups.iter().find(|s| s.name == spec.setup);
        let setup = setup.unwrap_or(&setups[0]);
        let cut = match setup.unobservable {
            true => Some(solved.cut(&spec.record)?),
            false => None,
        };
        let sees = |quantity: Quantity| Some(quantity).filter(|_| !setup.unobservable);
        // With a single capture the priors always matter, and the budget lists
        // them.
        let unspoken = [Warning::CarriedByPriors, Warning::ChiSquareLow];
        let warnings = solution.warnings.iter();
        let measurement = Measurement {
            in_doubt: solution.in_doubt.clone(),
            schema: Measurement::SCHEMA.to_owned(),
            program: Program::this(),
            file: about.file.clone(),
            sha256: about.sha256.clone(),
            sample_rate_hz: about.sample_rate_hz,
            duration_s: about.duration_s,
            analysed_s,
            delay_us,
            rotation_deg: sees(setup.rotation_deg),
            stylus_to_body_deg: setup.stylus_to_body_deg,
            headshell_deg: sees(setup.headshell_deg),
            arm: setup.arm,
            over_radius,
            cut_rotation_deg: cut.as_ref().map(|(cut, _)| *cut),
            direction: Direction::resolved(
                cut.as_ref().map_or(&setup.rotation_deg, |(cut, _)| cut),
            ),
            budget: cut.map_or_else(|| setup.budget.clone(), |(_, budget)| budget),
            warnings: warnings
                .filter(|w| !unspoken.contains(&w.code))
                .cloned()
                .collect(),
            conformity: setup.conformity,
            correction: setup.correction,
            arm_of: setup.arm_of.clone(),
            narrows: setup.largest_contribution,
            mounting_stated: setup.mounting_stated,
            unchecked: data.len() == 1 || setup.exchange_undetectable,
        };
        Ok(Measured {
            measurement,
            solved,
            data,
        })
    }
}
