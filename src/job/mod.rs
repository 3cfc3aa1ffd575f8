//! Captures and priors into rotations, cuts, levers and skews.
//!
//! A [`Job`] names cartridges, record sides, chains, arms and setups and lists
//! the captures made with them. Every capture provides its
//! [information](crate::delay::Information); [`solve`] adjusts all of them
//! together with the priors and returns results, uncertainty budgets and
//! corrections. A single capture and a large laboratory job are the same
//! computation.
//!
//! # What is shared
//!
//! Captures on the same record side with the same stated radius share one
//! radius; equal nominal speeds share one speed throughout the job; captures of
//! one setup with the same stated turn share one turn, and a turn of zero is
//! exact, being the reference of the others. All that holds for one date: on
//! another, radius, speed and turn are new readings. Each property of a
//! cartridge, record side, chain or arm is a single unknown.
//!
//! # What outlives a job
//!
//! Captures of earlier jobs are included as they are ([`Knowledge`]): records, cartridges, chains and arms of
//! the same name are the same thing, radii, speeds, turns and setups are each job's own. A setup
//! that states the day it was mounted is that of other jobs with its name and day.
//!
//! # What is not stated
//!
//! Every quantity that is not stated has a default prior; [`priors::TABLE`]
//! holds them with their origins. An uncertainty of zero makes a quantity
//! exact.
//!
//! # Three angles
//!
//! The delay depends on the rotation of the stylus to the groove. That angle is
//! the sum of the stylus's rotation to the cartridge body, of the body's in the
//! headshell (mounting), and of the arm's tracking error at the radius played. A
//! supplier's tolerance applies to the first, a turn can correct the first two
//! together, and the third belongs to the arm. All three are unknowns of every
//! job.

mod agreement;
mod basis;
mod budget;
mod calibration;
mod comparison;
mod contribution;
mod description;
mod details;
mod explanation;
pub mod file;
mod history;
mod knowledge;
mod measurement;
mod monte_carlo;
mod network;
mod over_radius;
mod pass;
mod plan;
pub mod priors;
mod scatter;
mod scope;
mod solution;
mod tip;

pub use agreement::{Equivalence, FileComparison, KnowledgeAgreement};
pub use basis::{AdjustedUnknown, Basis, InputFile, InputKind, OtherShares};
pub use calibration::{calibrations, replace_priors};
pub use comparison::{Comparison, compare};
pub use description::{
    Alignment, ArmOf, Band, BandKind, BandOf, CaptureSpec, Cartridge, Chain, DelaySource, Estimate,
    INSTRUMENT, Job, Limits, LocatedBy, PivotedArm, REPORT, Record, STRETCHES, Setup, Stated,
    Stretch,
};
pub use details::{CaptureDetails, ContactView, Details, UnknownUpdate};
pub use explanation::{Explanation, Slip};
pub use file::JobFileError;
pub use file::{Means, Minutes};
pub use history::{History, HistoryPoint};
pub use knowledge::{
    Knowledge, KnowledgeError, KnowledgeFile, KnowledgePart, KnownCapture, KnownJob, KnownTerms,
};
pub use measurement::{Measured, Measurement, TakenInStretches, measure, measure_stretches};
pub use monte_carlo::monte_carlo;
pub use network::{
    Angle, CaptureData, Linear, Network, Parameter, READINGS, TermPrior, TracingObservation,
};
pub use over_radius::{OverRadius, StretchResult};
pub use pass::{CrosstalkResult, NoiseResult, Pass, PassResult, Unmodulated};
pub use plan::{
    MOST_STEPS, PLANNED_COVERAGE, Plan, PlannedSetup, Suggestion, Wanted, plan, plan_further,
};
pub use scatter::{Series, SeriesPoint};
pub use solution::{
    ARM_NOT_STATED, ArmParameters, ArmResult, CaptureResult, CartridgeResult, ChainResult,
    Correction, Correlation, Fit, LargestContribution, RecordResult, RotationOf, SetupResult,
    Solution, Solved, TemporaryChanges, UnknownResult, correction, is_usual_speed, reading, solve,
};

use crate::adjust::AdjustError;
use thiserror::Error;

/// Why a job cannot be used.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum JobError {
    /// A capture refers to something that the job does not describe.
    #[error(
        "{capture} names the {kind} '{name}', which the job does not describe; add [{kind}.{name}] or use one of: {known}"
    )]
    Missing {
        /// The capture, with its line.
        capture: String,
        /// Kind of object.
        kind: &'static str,
        /// The name used.
        name: String,
        /// The names there are.
        known: String,
    },
    /// The arm cannot reach the radius.
    #[error(
        "{capture}: the arm '{arm}' does not reach a radius of {radius_mm} mm; check its effective length and pivot to spindle"
    )]
    OutOfReach {
        /// The capture, with its line.
        capture: String,
        /// Name of the arm.
        arm: String,
        /// The radius.
        radius_mm: f64,
    },
    /// A capture has a term whose size nothing limits.
    #[error("{capture} depends on '{term}', for which no prior is known; supply one with the data")]
    TermWithoutPrior {
        /// The capture, with its line.
        capture: String,
        /// The term.
        term: String,
    },
    /// A recording is already part of an included knowledge file.
    #[error(
        "{capture} was already used for '{file}', which the job includes; remove one of them, or its information counts twice"
    )]
    AlreadyUsed {
        /// The capture, with its line.
        capture: String,
        /// The knowledge file.
        file: String,
    },
    /// Two descriptions of one cartridge have other kinds of stylus.
    #[error(
        "'{file}' has another kind of stylus (profile) for the cartridge '{cartridge}' than {other}; state the same in both, or give one of them another name"
    )]
    OtherTip {
        /// Name of the cartridge.
        cartridge: String,
        /// An included file.
        file: String,
        /// What it contradicts.
        other: String,
    },
    /// Two things have one name.
    #[error(
        "the {what} of the {thing} is {here} and {there}; if these are different things, rename one, otherwise correct the {what}"
    )]
    NameConflict {
        /// Kind and name.
        thing: String,
        /// The property that differs.
        what: &'static str,
        /// As an included file has it.
        here: String,
        /// As another, or the job, has it.
        there: String,
    },
    /// A cartridge has too many setups.
    #[error(
        "the {setups} setups of {cartridge} are too many to adjust together; the most is {most}: split the job, and include in one what the others have learned"
    )]
    TooManySetups {
        /// In words.
        cartridge: String,
        /// Its setups.
        setups: usize,
        /// The most.
        most: usize,
    },
    /// More draws than the memory limit allows.
    #[error(
        "{count} draws of {setups} setups are too many; the most for this job is {most}; a million give two digits of a band"
    )]
    TooManyDraws {
        /// Draws asked for.
        count: usize,
        /// Setups whose rotation is drawn.
        setups: usize,
        /// Most draws.
        most: usize,
    },
    /// Data and captures do not belong together.
    #[error(
        "the job has {captures} captures but there are data for {data}; give one entry for each capture"
    )]
    DataCount {
        /// Captures of the job.
        captures: usize,
        /// Entries of data.
        data: usize,
    },
    /// The coverage of the bands is not a probability.
    #[error("a band cannot cover {0}; give a probability between 0 and 1, such as 0.95")]
    Coverage(f64),
    /// A prior is not a finite value with a valid uncertainty.
    #[error(
        "'{unknown}' is stated as {value} with a standard uncertainty of {u} (SI units); both must be finite, and the uncertainty must not be negative"
    )]
    Prior {
        /// Name of the unknown.
        unknown: String,
        /// The value stated.
        value: f64,
        /// The uncertainty stated.
        u: f64,
    },
    /// A given delay is not a finite value with a valid uncertainty.
    #[error(
        "{0}: give its delay and standard uncertainty as finite numbers, the uncertainty above zero"
    )]
    Delay(String),
    /// A setup asked for is not in the job.
    #[error("there is no setup '{name}' in this job; it has: {known}")]
    NoSetup {
        /// The name asked for.
        name: String,
        /// The names there are.
        known: String,
    },
    /// A setup was to be compared with itself.
    #[error("'{0}' is both before and after; name two setups")]
    SameSetup(String),
    /// The adjustment did not converge.
    #[error(
        "the adjustment did not converge, so there is no result{delays}; check radii, speeds, turns and tips, and whether a recorder or an editor shifted the channels"
    )]
    NotConverged {
        /// The largest delay read, in words.
        delays: String,
    },
    /// The adjustment failed.
    #[error("{0}")]
    Adjust(#[from] AdjustError),
}

#[cfg(test)]
mod tests;

#[cfg(test)]
mod coverage_tests;

#[cfg(test)]
mod knowledge_tests;
