//! From the solved network to results in the user's terms.

use super::budget::{self, MOST_LINES, combination_budget};
use super::contribution::{Brought, shares};
use super::description::{
    Alignment, ArmOf, CaptureSpec, Cartridge, Job, PivotedArm, Setup, Source,
};
use super::explanation::{DOUBTED_P, Examined, Explanation};
use super::network::{
    self, Angle, CaptureData, Linear, Network, Parameter, READINGS, Readings, id,
};
use super::pass::PassResult;
use super::scatter::{Comparable, Scatter};
use super::scope::{MOST_TOLD_WHOLE, Scope};
use super::{JobError, Knowledge, calibration, priors};
use crate::adjust::{self, Coefficients, Determined, Marginal, Termination};
use crate::delay::Information;
use crate::groove::{Profile, Tip};
use crate::uncertainty::{
    BudgetLine, Caveat, Conformity, Direction, Quantity, Standing, Warning, chi_square, conformity,
    plain, tail,
};
use crate::units::{DEGREE, MICROMETRE, MICROSECOND, MILLIMETRE};
use ndarray::Array2;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::f64::consts::{FRAC_PI_2, FRAC_PI_4};

/// Distance of a cartridge's mounting holes, millimetres: half an inch, the
/// trade's standard (common practice, no source).
const MOUNTING_HOLES_MM: f64 = 12.7;

/// How far the stylus lies ahead of the line through the mounting holes where
/// nothing is stated, millimetres (common practice, no source).
const HOLES_TO_STYLUS_MM: f64 = 9.5;

/// Turn that a headshell allows when none is stated, degrees (common
/// practice, no source).
const DEFAULT_MAX_TURN_DEG: f64 = 8.0;

/// Correlation from which a pair of unknowns is named (issue 4).
const NAMED_CORRELATION: f64 = 0.9;

/// Whether records are played at this speed, revolutions per minute, or near it.
pub fn is_usual_speed(rpm: f64) -> bool {
    [50.0 / 3.0, 100.0 / 3.0, 45.0, 78.26]
        .iter()
        .any(|usual| (rpm / usual - 1.0).abs() <= Warning::UnusualSpeed.limit())
}

/// Up to this many unknowns every band comes from the unknown's own marginal
/// distribution; above it only where [`LARGE_ANGLE_DEG`] asks for it, and where
/// [`RELATIVE_LEVER`] does, the setups of a cartridge share one walk along its
/// lever.
const ALWAYS_MARGINAL: usize = 32;

/// Relative standard uncertainty of scale times lever above which the
/// linearised band is not used (model.md, section 3: about a tenth; half of
/// that is taken, since the error grows with its square).
const RELATIVE_LEVER: f64 = 0.05;

/// Rotation above which the linearised band is not used, degrees: beyond it
/// the path bends away from its tangent by more than 2 %.
const LARGE_ANGLE_DEG: f64 = 10.0;
/// An adjustment that did not settle and led beyond a right angle is no result.
const LOST_DEG: f64 = 90.0;

/// Code of the note that nothing is stated of the arm.
pub const ARM_NOT_STATED: Warning = Warning::ArmNotStated;

/// What to do about a rotation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Correction {
    /// Turn to make, degrees, clockwise positive.
    pub turn_deg: f64,
    /// The same in words.
    pub direction: Direction,
    /// How far one mounting hole moves against the other, along the arm, millimetres.
    pub mounting_hole_mm: f64,
    /// How far both mounting holes move sideways in a turn about the stylus,
    /// millimetres, towards the spindle positive.
    pub mounting_holes_sideways_mm: f64,
    /// How far the stylus is taken to lie ahead of the holes, millimetres.
    pub holes_to_stylus_mm: f64,
    /// Rotation in the headshell expected to remain, degrees.
    pub remaining_deg: f64,
}

/// The correction of a rotation in the headshell by the opposite turn about the
/// stylus, limited by what the headshell allows. `None` while the turn lies within
/// what the band leaves open: where the band contains zero, or where the turn is
/// smaller than half of the band, so that it may as well lead away from zero.
///
/// A hole that lies `b` behind the stylus and `s` towards the spindle moves, with a
/// turn `a` clockwise seen from above, `s sin a` towards the arm's pivot and
/// `b sin a` away from the spindle (but for terms in `1 - cos a`, a hundredth of a
/// millimetre).
pub fn correction(
    headshell_deg: &Quantity,
    max_turn_deg: Option<f64>,
    holes_to_stylus_mm: Option<f64>,
) -> Option<Correction> {
    let half = headshell_deg.half_width()?;
    if headshell_deg.interval.contains(0.0) || headshell_deg.value.abs() <= half {
        return None;
    }
    let limit = max_turn_deg.unwrap_or(DEFAULT_MAX_TURN_DEG);
    let turn_deg = (-headshell_deg.value).clamp(-limit, limit);
    let holes_to_stylus_mm = holes_to_stylus_mm.unwrap_or(HOLES_TO_STYLUS_MM);
    let sine = (turn_deg * DEGREE).sin();
    Some(Correction {
        turn_deg,
        direction: Direction::of(turn_deg),
        mounting_hole_mm: MOUNTING_HOLES_MM * sine.abs(),
        mounting_holes_sideways_mm: -holes_to_stylus_mm * sine,
        holes_to_stylus_mm,
        remaining_deg: headshell_deg.value + turn_deg,
    })
}

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
    pub(super) brought: BTreeMap<Brought, f64>,
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
    fn with(&self, further: impl IntoIterator<Item = Caveat>) -> Self {
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

/// A solved job: the network, its minimum, and the results.
pub struct Solved {
    /// The least-squares problem with its named parameters.
    pub network: Network,
    /// Its minimum.
    pub adjustment: adjust::Solution,
    /// Coverage of the bands.
    pub coverage: f64,
    /// Results in the user's terms.
    pub solution: Solution,
    /// The same before the warnings had their say.
    findings: Solution,
}

/// Adjusts a job. `data` holds one entry per capture of the job, `None` for
/// those that are not recorded yet; bands have the given `coverage`.
pub fn solve(job: &Job, data: &[Option<CaptureData>], coverage: f64) -> Result<Solved, JobError> {
    if !(coverage > 0.0 && coverage < 1.0) {
        return Err(JobError::Coverage(coverage));
    }
    if data.len() != job.captures.len() {
        return Err(JobError::DataCount {
            captures: job.captures.len(),
            data: data.len(),
        });
    }
    refuse_known(job, data)?;
    let scatter = Scatter::between_drops(job, data);
    let network = network::network(job, Readings::Real(data), scatter.deviation())?;
    let adjustment = network.problem.solve()?;
    let lost = |name: &String| {
        let rotation = network.unknown(&id::rotation(name));
        rotation.is_some_and(|k| adjustment.values[k].abs() > LOST_DEG * DEGREE)
    };
    if adjustment.termination == Termination::IterationLimit && job.setups.keys().any(lost) {
        return Err(JobError::NotSettled {
            delays: largest_delay(job, data),
        });
    }
    let view = View {
        job,
        network: &network,
        adjustment: &adjustment,
        coverage,
    };
    let mut findings = view.findings(data)?;
    let deviation = scatter.deviation();
    let comparable = Comparable {
        job,
        data,
        scatter: deviation,
        network: &network,
    };
    for setup in &mut findings.setups {
        let turns = comparable.turns(&setup.name, coverage);
        setup.zero_setting_deg = turns.map(|t| t.found);
    }
    let examined = Examined {
        job,
        data,
        scatter: deviation,
        network: &network,
        adjustment: &adjustment,
    };
    let (mut warnings, explanations) = examined.findings();
    findings.explanations = explanations;
    let unchecked = examined.unchecked(&findings.setups);
    for setup in &mut findings.setups {
        setup.unchecked = unchecked.contains(&setup.name);
    }
    // of a single recording it goes without saying
    if !unchecked.is_empty() && data.iter().flatten().count() > 1 {
        let of = unchecked.iter().map(|name| network::named("setup", name));
        warnings.push(Warning::Unchecked.seen(format!(
            "nothing tells left from right in the captures of {}: leads entered the wrong way round in all of them, or exchanged channels, would go unseen. Make sure of them; a recording with a known turn tells, except with a spherical tip",
            of.collect::<Vec<_>>().join(" and ")
        )));
    }
    warnings.append(&mut findings.warnings);
    // where one capture is at fault, what it brings about is not told as well
    let contradicts = warnings.iter().any(|w| w.code == Warning::Contradiction);
    let of_one = findings
        .explanations
        .first()
        .is_some_and(|e| e.capture.is_some());
    if contradicts && of_one {
        let follows = [Warning::ImplausibleRotation, Warning::ImpossibleLever];
        warnings.retain(|w| !follows.contains(&w.code));
    }
    warnings.extend(scatter.caveat(job));
    warnings.extend(same_recording(job, data));
    warnings.extend(calibration::cross_check(job, data, deviation, coverage)?);
    findings.warnings = warnings;
    Ok(Solved {
        network,
        adjustment,
        coverage,
        solution: findings.with([]),
        findings,
    })
}

/// The largest delay that was read, in words.
fn largest_delay(job: &Job, data: &[Option<CaptureData>]) -> String {
    let delays = data.iter().enumerate().filter_map(|(at, data)| {
        let information = &data.as_ref()?.information;
        let delay = information.vector[0] / information.matrix[[0, 0]];
        Some((at, delay / MICROSECOND))
    });
    let largest = delays.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
    largest.map_or_else(String::new, |(at, us)| {
        let capture = network::locate(at, &job.captures[at]);
        format!(" (the largest delay: {us:.1} us, {capture})")
    })
}

/// What is turned, and read in a single capture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turned<'a> {
    /// The stylus in this setup.
    Stylus(&'a str),
    /// The cut of this record side.
    Cut(&'a str),
}

/// The best value of a rotation, degrees, with an uncertainty (and band) that is
/// the readings' alone: what values of the same stylus, record and chain scatter
/// by. One adjustment and no more, for values that follow each other; `None`
/// where it is exact or not part of the job.
pub fn reading(
    job: &Job,
    data: &[Option<CaptureData>],
    turned: Turned,
    coverage: f64,
) -> Result<Option<Quantity>, JobError> {
    let network = network::network(job, Readings::Real(data), 0.0)?;
    let adjustment = network.problem.solve()?;
    let angle = match turned {
        Turned::Stylus(setup) => network.angle(job, setup, Angle::Groove, &adjustment.values),
        Turned::Cut(record) => network.unknown(&id::cut(record)).map(|k| Linear {
            row: Coefficients::unit(k),
            offset: 0.0,
        }),
    };
    let Some(angle) = angle.filter(|a| !a.row.is_zero()) else {
        return Ok(None);
    };
    let factor = DEGREE.recip();
    let lines = combination_budget(&network, &adjustment, &angle.row.scaled(factor));
    let noise = lines.iter().find(|line| line.source == READINGS);
    Ok(Some(Quantity::normal(
        angle.at(&adjustment.values) * factor,
        noise.map_or(0.0, |line| line.standard_uncertainty),
        coverage,
    )))
}

/// Refuses recordings that the job's knowledge was learned from.
fn refuse_known(job: &Job, data: &[Option<CaptureData>]) -> Result<(), JobError> {
    for (at, data) in data.iter().enumerate() {
        let Some(hash) = data.as_ref().and_then(|d| d.sha256.as_ref()) else {
            continue;
        };
        let holds = |known: &&Knowledge| {
            let mut captures = known.captures();
            captures.any(|(_, data)| data.sha256.as_ref() == Some(hash))
        };
        if let Some(knowledge) = job.knowledge.iter().find(holds) {
            return Err(JobError::AlreadyUsed {
                capture: network::locate(at, &job.captures[at]),
                file: knowledge.source.clone(),
            });
        }
    }
    Ok(())
}

/// The same part of a recording under two entries counts twice.
fn same_recording(job: &Job, data: &[Option<CaptureData>]) -> Vec<Caveat> {
    let mut seen: BTreeMap<&String, Vec<usize>> = BTreeMap::new();
    let mut caveats = Vec::new();
    let span = |at: usize| {
        let spec = &job.captures[at];
        [
            spec.from_s.unwrap_or(0.0),
            spec.to_s.unwrap_or(f64::INFINITY),
        ]
    };
    let overlap = |a: usize, b: usize| {
        let ([from, to], [other_from, other_to]) = (span(a), span(b));
        from.max(other_from) < to.min(other_to)
    };
    for (at, data) in data.iter().enumerate() {
        let spec = &job.captures[at];
        let Some(hash) = data.as_ref().and_then(|d| d.sha256.as_ref()) else {
            continue;
        };
        let before = seen.entry(hash).or_default();
        let twice = before.iter().copied().find(|&other| overlap(other, at));
        before.push(at);
        if let Some(first) = twice {
            caveats.push(Caveat::serious(
                Warning::SameRecordingTwice,
                format!(
                    "{} and {} take the same part of one recording, so it counts twice; remove one, or part them by from_s and to_s",
                    network::locate(first, &job.captures[first]),
                    network::locate(at, spec)
                ),
            ));
        }
    }
    caveats
}

impl Solved {
    /// The same with further warnings, which then have their say like the others.
    pub fn with_warnings(mut self, further: impl IntoIterator<Item = Caveat>) -> Self {
        self.findings.warnings.extend(further);
        self.solution = self.findings.with([]);
        self
    }

    /// The cut of a record side, degrees, with its budget.
    pub fn cut(&self, record: &str) -> Result<(Quantity, Vec<BudgetLine>), JobError> {
        let known = self.quantity(&id::cut(record))?;
        let exact = || {
            let cut = self.solution.records.iter().find(|r| r.name == record);
            cut.map_or(Quantity::normal(0.0, 0.0, self.coverage), |r| {
                r.cut_rotation_deg
            })
        };
        Ok(known.unwrap_or_else(|| (exact(), Vec::new())))
    }

    /// The distribution of an unknown by its id, in SI units, which
    /// [`quantity`](Self::quantity) takes its band from; `None` where it is
    /// exact or not part of the job.
    pub fn distribution(&self, id: &str) -> Result<Option<Marginal>, JobError> {
        self.network
            .unknown(id)
            .map(|k| marginal(&self.network, &self.adjustment, k))
            .transpose()
    }

    /// Any unknown by its id, in the unit of the id, with its budget; `None`
    /// where it is exact or not part of the job.
    pub fn quantity(&self, id: &str) -> Result<Option<(Quantity, Vec<BudgetLine>)>, JobError> {
        let Some(k) = self.network.unknown(id) else {
            return Ok(None);
        };
        let factor = self.network.parameters[k].factor.recip();
        let mut quantity = Quantity::normal(
            self.adjustment.values[k],
            self.adjustment.uncertainty(k),
            self.coverage,
        );
        let marginal = marginal(&self.network, &self.adjustment, k)?;
        take_band(&mut quantity, &marginal, 0.0);
        let unit = Coefficients::unit(k).scaled(factor);
        let lines = combination_budget(&self.network, &self.adjustment, &unit);
        Ok(Some((quantity.scaled(factor), lines)))
    }
}

/// Gives a quantity the band of its marginal, moved by `offset`. The minimum of a
/// distribution so skew that its band leaves it out is no best value: the median is.
pub(super) fn take_band(quantity: &mut Quantity, marginal: &Marginal, offset: f64) {
    let coverage = quantity.interval.coverage;
    quantity.interval = marginal.interval(coverage).shifted(offset);
    if !quantity.interval.contains(quantity.value) {
        quantity.value = marginal.quantile(0.5) + offset;
    }
}

/// The distribution of an unknown, in SI units.
fn marginal(
    network: &Network,
    adjustment: &adjust::Solution,
    k: usize,
) -> Result<Marginal, JobError> {
    // angles end at a right angle; everything else is free
    let bounds = if network.parameters[k].id.ends_with("_deg") {
        (-FRAC_PI_2, FRAC_PI_2)
    } else {
        (f64::NEG_INFINITY, f64::INFINITY)
    };
    Ok(Marginal::new(
        &network.problem,
        adjustment,
        &Coefficients::unit(k),
        bounds,
    )?)
}

/// What captures bring to a variance: by their readings, and by unknowns of their own.
fn capture_shares(brought: &BTreeMap<Brought, f64>) -> Vec<CaptureShare> {
    let share = |(brought, share): (&Brought, &f64)| match brought {
        Brought::Capture(at) => Some(CaptureShare {
            capture: at + 1,
            share: *share,
        }),
        _ => None,
    };
    let mut all: Vec<CaptureShare> = brought.iter().filter_map(share).collect();
    if all.len() > MOST_LINES {
        all.sort_by(|a, b| b.share.total_cmp(&a.share));
        all.truncate(MOST_LINES);
        all.sort_by_key(|share| share.capture);
    }
    all
}

/// A job beside its minimum.
pub(super) struct View<'a> {
    pub(super) job: &'a Job,
    pub(super) network: &'a Network,
    pub(super) adjustment: &'a adjust::Solution,
    pub(super) coverage: f64,
}

impl View<'_> {
    fn findings(&self, data: &[Option<CaptureData>]) -> Result<Solution, JobError> {
        let mut warnings = self.network.caveats.clone();
        let mut of_cartridges: BTreeMap<&String, Vec<&String>> = BTreeMap::new();
        of_cartridges.extend(self.job.cartridges.keys().map(|name| (name, Vec::new())));
        for (name, setup) in &self.job.setups {
            of_cartridges
                .entry(&setup.cartridge)
                .or_default()
                .push(name);
        }
        let results = of_cartridges.into_par_iter();
        let results = results.map(|(name, setups)| self.of_cartridge(name, &setups));
        let results = results.collect::<Result<Vec<_>, JobError>>()?;
        let (setups, cartridges): (Vec<_>, Vec<_>) = results.into_iter().unzip();
        let mut setups: Vec<SetupResult> = setups.into_iter().flatten().collect();
        let first = self.job.first_captures();
        // as they were recorded; those that cannot see their rotation last
        setups.sort_by(|a, b| a.name.cmp(&b.name));
        setups.sort_by_key(|s| {
            (
                s.unobservable,
                first.get(s.name.as_str()).copied().unwrap_or(usize::MAX),
            )
        });
        let (determined, rank) = self.network.problem.determination(self.adjustment);
        let captures = self.captures(data);
        let later = setups.iter().filter_map(|s| s.superseded_by.clone());
        self.general_warnings(rank, &later.collect(), &mut warnings);
        Ok(Solution {
            in_doubt: None,
            setups,
            records: self
                .job
                .records
                .iter()
                .map(|(name, record)| {
                    let exact = record.cut_rotation.or(&priors::CUT).value;
                    Ok(RecordResult {
                        name: name.clone(),
                        cut_rotation_deg: self.parameter(&id::cut(name), exact, DEGREE)?,
                        budget: self
                            .network
                            .unknown(&id::cut(name))
                            .map_or_else(Vec::new, |k| {
                                let degrees = Coefficients::unit(k).scaled(DEGREE.recip());
                                combination_budget(self.network, self.adjustment, &degrees)
                            }),
                    })
                })
                .collect::<Result<_, JobError>>()?,
            cartridges: cartridges.into_iter().flatten().collect(),
            chains: self
                .job
                .chains
                .iter()
                .map(|(name, chain)| {
                    let exact = chain.skew_known().0.value;
                    Ok(ChainResult {
                        name: name.clone(),
                        skew_us: self.parameter(&id::chain_skew(name), exact, MICROSECOND)?,
                    })
                })
                .collect::<Result<_, JobError>>()?,
            arms: self
                .job
                .arms
                .iter()
                .filter_map(|(name, arm)| self.arm(name, arm).transpose())
                .collect::<Result<_, _>>()?,
            passes: PassResult::all(self.job, data, self.coverage),
            captures,
            unknowns: self.network.parameters[..self.network.own]
                .iter()
                .zip(determined)
                .map(|(parameter, determined_by)| UnknownResult {
                    name: parameter.id.clone(),
                    determined_by,
                })
                .collect(),
            correlations: self.correlations(),
            fit: Fit {
                chi_square: self.adjustment.chi_square,
                degrees_of_freedom: self.adjustment.degrees_of_freedom,
                p_value: self.adjustment.p_value,
            },
            explanations: Vec::new(),
            warnings,
        })
    }

    fn is_small(&self) -> bool {
        self.network.parameters.len() <= ALWAYS_MARGINAL
    }

    /// What is known of an arm; `None` where no recording was made with it.
    fn arm(&self, name: &str, arm: &PivotedArm) -> Result<Option<ArmKnown>, JobError> {
        let played = |c: &CaptureSpec| {
            let of = self.job.setups.get(&c.setup).and_then(Setup::arm_name);
            c.source != Source::Planned && of.is_some_and(|of| of == name)
        };
        if !self.job.captures.iter().any(played) {
            return Ok(None);
        }
        let [length, pivot] = [
            (arm.effective_length, &priors::ARM_LENGTH),
            (arm.pivot_to_spindle, &priors::ARM_PIVOT),
        ]
        .map(|(stated, default)| stated.or(default).value);
        let offset = arm.offset.or(&priors::ARM_OFFSET).value;
        let mut overhang = Linear::default();
        for (part, exact, sign) in [(id::ARM_LENGTH, length, 1.0), (id::ARM_PIVOT, pivot, -1.0)] {
            match self.network.unknown(&id::arm(name, part)) {
                Some(k) => overhang.row.add(k, sign),
                None => overhang.offset += sign * exact,
            }
        }
        let u = self.adjustment.variance(&overhang.row).sqrt();
        let value = overhang.at(&self.adjustment.values);
        let overhang_mm = Quantity::normal(value, u, self.coverage).scaled(MILLIMETRE.recip());
        let overhang_stated_mm = (length - pivot) / MILLIMETRE;
        let off = !overhang_mm.interval.contains(overhang_stated_mm);
        Ok(Some(ArmKnown {
            name: name.to_owned(),
            overhang_mm,
            overhang_stated_mm,
            overhang_correction_mm: off.then_some(overhang_stated_mm - overhang_mm.value),
            offset_deg: self.parameter(&id::arm(name, id::ARM_OFFSET), offset, DEGREE)?,
            offset_stated_deg: offset / DEGREE,
        }))
    }

    /// An unknown in its unit, or the exact value it has.
    pub(super) fn parameter(
        &self,
        id: &str,
        exact: f64,
        factor: f64,
    ) -> Result<Quantity, JobError> {
        let quantity = match self.network.unknown(id) {
            Some(k) => {
                let marginal = self.is_small().then(|| self.marginal(k)).transpose()?;
                self.quantity(k, marginal.as_ref())
            }
            None => Quantity::normal(exact, 0.0, self.coverage),
        };
        Ok(quantity.scaled(factor.recip()))
    }

    /// An unknown in SI units, with the band of its marginal where given.
    fn quantity(&self, k: usize, marginal: Option<&Marginal>) -> Quantity {
        let u = self.adjustment.uncertainty(k);
        let mut quantity = Quantity::normal(self.adjustment.values[k], u, self.coverage);
        if let Some(marginal) = marginal {
            take_band(&mut quantity, marginal, 0.0);
        }
        quantity
    }

    fn marginal(&self, k: usize) -> Result<Marginal, JobError> {
        marginal(self.network, self.adjustment, k)
    }

    /// The angles of a setup's stylus.
    fn angles(&self, name: &str) -> [Option<Linear>; 3] {
        [Angle::Groove, Angle::Body, Angle::Headshell].map(|angle| {
            self.network
                .angle(self.job, name, angle, &self.adjustment.values)
        })
    }

    /// What is known of a cartridge and of its setups.
    fn of_cartridge(
        &self,
        name: &String,
        setups: &[&String],
    ) -> Result<(Vec<SetupResult>, Option<CartridgeResult>), JobError> {
        let mut scope = Scope::whole(self.network, self.adjustment);
        if !self.is_small() {
            scope = scope.around(&self.network.of_cartridge(name, setups));
        }
        let cartridge = self.job.cartridges.get(name);
        let shared = match cartridge {
            Some(_) if !self.is_small() => self.marginals_by_lever(name, setups, &scope)?,
            _ => BTreeMap::new(),
        };
        let of_setup = |setup: &&String| {
            let later = self.later_setup(setup, setups);
            self.setup(setup, &scope, shared.get(*setup), later)
        };
        let results = setups.iter().map(of_setup).collect::<Result<_, _>>()?;
        let cartridge = cartridge.map(|_| self.cartridge(name, &scope));
        Ok((results, cartridge.transpose()?))
    }

    /// Marginals of the angles of a cartridge's setups where its lever is poorly known.
    fn marginals_by_lever<'b>(
        &self,
        cartridge: &str,
        setups: &[&'b String],
        scope: &Scope<'_>,
    ) -> Result<BTreeMap<&'b String, [Option<Marginal>; 3]>, JobError> {
        let mut found: BTreeMap<&String, [Option<Marginal>; 3]> = BTreeMap::new();
        let (along, u) = self.relative_lever(cartridge, setups);
        if u <= RELATIVE_LEVER {
            return Ok(found);
        }
        // every angle of every setup that is not known exactly
        let mut targets = Vec::new();
        let mut places = Vec::new();
        for &name in setups {
            for (which, angle) in self.angles(name).into_iter().enumerate() {
                if let Some(angle) = angle.filter(|a| self.variance(a) > 0.0) {
                    places.push((name, which));
                    targets.push(angle.row);
                }
            }
        }
        if targets.is_empty() {
            return Ok(found);
        }
        let marginals = scope.marginals_through(&along, &targets)?;
        for ((name, which), marginal) in places.into_iter().zip(marginals) {
            found.entry(name).or_default()[which] = Some(marginal);
        }
        Ok(found)
    }

    fn variance(&self, angle: &Linear) -> f64 {
        self.adjustment.variance(&angle.row)
    }

    /// An angle in degrees with its band; `shared` is its marginal in a large job.
    /// The marginal comes with it where one was made, in radians and without the
    /// angle's offset.
    fn degrees(
        &self,
        scope: &Scope<'_>,
        angle: &Linear,
        shared: Option<&Marginal>,
    ) -> Result<(Quantity, Option<Marginal>), JobError> {
        let value = angle.at(&self.adjustment.values);
        let variance = self.variance(angle);
        let mut quantity = Quantity::normal(value, variance.sqrt(), self.coverage);
        let large = value.abs() > LARGE_ANGLE_DEG * DEGREE;
        let marginal = match shared {
            _ if variance <= 0.0 => None,
            Some(marginal) => Some(marginal.clone()),
            None if self.is_small() || large => {
                let bounds = (-FRAC_PI_2 - angle.offset, FRAC_PI_2 - angle.offset);
                Some(scope.marginal(&angle.row, bounds)?)
            }
            None => None,
        };
        if let Some(marginal) = &marginal {
            take_band(&mut quantity, marginal, angle.offset);
        }
        Ok((quantity.scaled(DEGREE.recip()), marginal))
    }

    fn setup(
        &self,
        name: &str,
        scope: &Scope<'_>,
        shared: Option<&[Option<Marginal>; 3]>,
        superseded_by: Option<String>,
    ) -> Result<SetupResult, JobError> {
        let limits = &self.job.limits;
        let setup = &self.job.setups[name];
        let cartridge = self.job.cartridges.get(&setup.cartridge);
        let unobservable = cartridge.is_some_and(|c| c.profile == Some(Profile::Spherical));
        let [groove, body, headshell] = self.angles(name);
        let known = |which: usize| shared.and_then(|s| s[which].as_ref());
        let groove = groove.unwrap_or_default();
        let (rotation_deg, _) = self.degrees(scope, &groove, known(0))?;
        let headshell = headshell.unwrap_or_default();
        let (headshell_deg, _) = self.degrees(scope, &headshell, known(2))?;
        let body = body
            .filter(|_| !unobservable)
            .map(|angle| Ok::<_, JobError>((self.degrees(scope, &angle, known(1))?, angle)))
            .transpose()?;
        let in_degrees = |angle: &Linear| angle.row.scaled(DEGREE.recip());
        let budget = |angle: &Linear| budget::lines(self.network, scope, &in_degrees(angle));
        let conformity = limits.tolerance.zip(body.as_ref()).map(
            |(tolerance, ((quantity, marginal), angle))| match marginal {
                Some(m) => Conformity::from_probability(
                    m.cumulative(tolerance - angle.offset)
                        - m.cumulative(-tolerance - angle.offset),
                    network::tidy(tolerance / DEGREE),
                ),
                None => conformity(
                    quantity.value,
                    quantity.standard_uncertainty,
                    network::tidy(tolerance / DEGREE),
                ),
            },
        );
        let max_turn = limits.max_turn.map(|t| t / DEGREE);
        let holes = cartridge.and_then(|c| c.holes_to_stylus);
        let correction = correction(&headshell_deg, max_turn, holes.map(|m| m / MILLIMETRE))
            .filter(|_| !unobservable && superseded_by.is_none());
        let arm = self.network.pivoted_arm(name, &self.adjustment.values);
        let brought = shares(self.job, self.network, scope, &groove.row);
        Ok(SetupResult {
            name: name.to_owned(),
            budget: budget(&groove),
            captures: capture_shares(&brought),
            brought,
            stylus_to_body_budget: body.as_ref().map_or_else(Vec::new, |(_, a)| budget(a)),
            rotation_deg,
            stylus_to_body_deg: body.map(|((quantity, _), _)| quantity),
            headshell_deg,
            arm: arm
                .filter(|_| !unobservable)
                .map(|(arm, radius)| ArmResult {
                    radius_mm: radius / MILLIMETRE,
                    tracking_error_deg: arm.tracking_error(radius) / DEGREE,
                    null_radii_mm: arm.null_radii().map(|r| r.map(|r| r / MILLIMETRE)),
                }),
            conformity,
            correction,
            superseded_by,
            zero_setting_deg: None,
            unobservable,
            arm_of: setup.arm.clone(),
            mounting_stated: setup.mounting(false).is_some()
                && setup.alignment != Some(Alignment::Unknown),
            unchecked: false,
            left_behind: self.left_behind(name),
            misset_arm: false,
            // where a turn is advised, nobody asks
            narrows: match correction {
                Some(_) => Narrows::default(),
                None => self.narrows(scope, &setup.cartridge, &headshell),
            },
        })
    }

    /// Words of a report that name another kind of arm than a setup.
    fn words_of_the_arm(&self, warnings: &mut Vec<Caveat>) {
        let Some(said) = self.job.report.get("arm") else {
            return;
        };
        let lower = said.to_lowercase();
        let names = ["pivot", "tangential"].map(|kind| lower.contains(kind));
        let other = |arm: &ArmOf| match (arm, names) {
            (ArmOf::Tangential, [true, false]) => Some("tangential"),
            (ArmOf::Pivoted(_) | ArmOf::NullRadius, [false, true]) => Some("pivoted"),
            _ => None,
        };
        for (name, setup) in &self.job.setups {
            if let Some(calculated) = other(&setup.arm) {
                warnings.push(Warning::ReportDiffers.seen(format!(
                    "[report] calls the arm '{said}', and {} is calculated with a {calculated} one; correct the one that is wrong",
                    network::named("setup", name)
                )));
            }
        }
    }

    /// What the last recording of the setup leaves at the cartridge, if nothing came after it.
    fn left_behind(&self, name: &str) -> LeftBehind {
        let blocks = &self.network.capture_blocks[..self.job.captures.len()];
        let last = blocks.iter().rposition(Option::is_some);
        let own = self.network.captures_of(name);
        let of = |at: &usize| &self.job.captures[*at];
        let first = own.first().map(of);
        let last = own.last().filter(|at| Some(**at) == last).map(of);
        LeftBehind {
            turned: last.is_some_and(|c| c.turn.value.is_some_and(|turn| turn != 0.0)),
            leads: last
                .zip(first)
                .is_some_and(|(last, first)| last.swapped != first.swapped),
        }
    }

    /// What would narrow the band of what a turn takes out: the largest part of its variance.
    fn narrows(&self, scope: &Scope<'_>, cartridge: &str, headshell: &Linear) -> Narrows {
        let blocks = self.network.problem.blocks();
        let own = format!("cartridge.{cartridge}.");
        let (mut arm, mut tip, mut rest) = (0.0, 0.0, 0.0);
        for (at, part) in scope.variance_parts(&headshell.row) {
            let prior = at.map(|at| &blocks[at]);
            let prior = prior.filter(|block| block.kind() == adjust::Kind::Prior);
            let of = |what: &dyn Fn(&Parameter) -> bool| {
                let mut unknowns = prior.iter().flat_map(|block| block.unknowns());
                unknowns.any(|&k| what(&self.network.parameters[k]))
            };
            let sizes = ["_radius_um", ".contact_spacing_um", ".shape"];
            let is_size = |p: &Parameter| {
                p.id.starts_with(&own) && sizes.iter().any(|end| p.id.ends_with(end))
            };
            if of(&|p| p.id.starts_with("arm.") || p.id.starts_with("tracking_deg")) {
                arm += part;
            } else if of(&|p| is_size(p) && !p.is_stated()) {
                tip += part;
            } else {
                rest += part;
            }
        }
        if arm > tip && arm > rest {
            Narrows::Arm
        } else if tip > rest {
            Narrows::Tip
        } else {
            Narrows::Recordings
        }
    }

    /// The last setup of the same cartridge, out of all of its `setups`, that was recorded after this one.
    fn later_setup(&self, name: &str, setups: &[&String]) -> Option<String> {
        let recorded = |name: &str| self.network.captures_of(name).first().copied();
        let own = recorded(name)?;
        let others = setups.iter();
        others
            .filter_map(|&other| Some((recorded(other)?, other)))
            .filter(|(at, _)| *at > own)
            .max()
            .map(|(_, other)| other.clone())
    }

    fn tip_unknowns(&self, cartridge: &str) -> [Option<usize>; 2] {
        let of = |keys: &[&str]| {
            keys.iter().find_map(|key| {
                self.network
                    .unknown(&format!("cartridge.{cartridge}.{key}"))
            })
        };
        [
            of(&["frontal_radius_um", "contact_spacing_um"]),
            of(&["side_radius_um", "ball_lever_um"]),
        ]
    }

    /// A cartridge's tip as stated or assumed (the shape term left out).
    fn stated_tip(&self, cartridge: &Cartridge) -> Tip {
        let defaults = priors::sizes(cartridge.profile);
        let profile = cartridge.profile.unwrap_or(Profile::Elliptical);
        let [first, second] = match profile {
            Profile::Spherical => [cartridge.frontal_radius, cartridge.ball_lever],
            Profile::Elliptical => [cartridge.frontal_radius, cartridge.side_radius],
            Profile::Line => [cartridge.contact_spacing, cartridge.side_radius],
        };
        let size = [
            first.or(defaults[0]).value,
            second.or(defaults[1]).value,
            0.0,
        ];
        Tip { profile, size }
    }

    /// A cartridge's tip as adjusted (the shape term left out).
    pub(super) fn tip(&self, name: &str) -> Tip {
        let mut tip = self.stated_tip(&self.job.cartridges[name]);
        for (size, unknown) in tip.size.iter_mut().zip(self.tip_unknowns(name)) {
            if let Some(at) = unknown {
                *size = self.adjustment.values[at];
            }
        }
        tip
    }

    /// Lever in a 90 degree groove after so many hours of playing, metres, with its gradient over all unknowns.
    fn lever(&self, name: &str, hours: f64) -> (f64, Coefficients) {
        let wear = self.network.unknown(&id::wear(name));
        let mut tip = self.tip(name);
        if tip.profile != Profile::Spherical {
            let exact = || self.job.cartridges[name].wear.or(&priors::WEAR).value;
            tip.size[1] += hours * wear.map_or_else(exact, |k| self.adjustment.values[k]);
        }
        let lever = tip.lever(FRAC_PI_4);
        let unknowns = self.tip_unknowns(name);
        let mut gradient = Coefficients::default();
        for (unknown, slope) in unknowns.into_iter().zip(lever.d_size) {
            if let Some(at) = unknown {
                gradient.add(at, slope);
            }
        }
        if let Some(k) = wear {
            gradient.add(k, hours * lever.d_size[1]);
        }
        (lever.length, gradient)
    }

    /// Logarithm of scale times lever, at the most hours of the cartridge: its gradient over all unknowns, and
    /// its standard uncertainty.
    fn relative_lever(&self, cartridge: &str, setups: &[&String]) -> (Coefficients, f64) {
        let hours = setups.iter().filter_map(|s| self.job.setups[*s].hours);
        let hours = hours.fold(0.0, f64::max);
        let (lever, gradient) = self.lever(cartridge, hours);
        let mut gradient = gradient.scaled(lever.recip());
        if let Some(k) = self.network.unknown(&id::scale(cartridge)) {
            gradient.add(k, self.adjustment.values[k].recip());
        }
        let variance = self.adjustment.variance(&gradient);
        (gradient, variance.sqrt())
    }

    fn cartridge(&self, name: &str, scope: &Scope<'_>) -> Result<CartridgeResult, JobError> {
        let (length, gradient) = self.lever(name, 0.0);
        let variance = self.adjustment.variance(&gradient);
        let mut lever = Quantity::normal(length, variance.sqrt(), self.coverage);
        if self.is_small() && variance > 0.0 {
            // of the sizes' combination that the lever is nearly linear in
            let everywhere = (f64::NEG_INFINITY, f64::INFINITY);
            let problem = &self.network.problem;
            let marginal = Marginal::new(problem, self.adjustment, &gradient, everywhere)?;
            take_band(
                &mut lever,
                &marginal,
                length - gradient.at(&self.adjustment.values),
            );
        }
        let exact = self.job.cartridges[name].scale.or(&priors::SCALE).value;
        Ok(CartridgeResult {
            name: name.to_owned(),
            lever_um: lever.scaled(MICROMETRE.recip()),
            lever_budget: match variance > 0.0 {
                true => budget::lines(self.network, scope, &gradient.scaled(MICROMETRE.recip())),
                false => Vec::new(),
            },
            scale: self.parameter(&id::scale(name), exact, 1.0)?,
            wear_um_per_1000_h: match self.network.unknown(&id::wear(name)) {
                Some(_) => Some(self.parameter(&id::wear(name), 0.0, priors::WEAR.factor)?),
                None => None,
            },
            radius_along_groove_um: self.radius_along_groove(name)?,
            shape_probabilities: self.shape_probabilities(name),
        })
    }

    fn captures(&self, data: &[Option<CaptureData>]) -> Vec<CaptureResult> {
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
    fn marginal_delay(&self, information: &Information, block: &adjust::Block<'_>) -> (f64, f64) {
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
            // the sign of the swap belongs to the delay as recorded
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

    fn correlations(&self) -> Vec<Correlation> {
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
        if n > MOST_TOLD_WHOLE {
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

    /// What no stylus has or does.
    fn impossible(&self, warnings: &mut Vec<Caveat>) {
        for (name, setup) in &self.job.setups {
            let Some(k) = self.network.unknown(&id::rotation(name)) else {
                continue;
            };
            let degrees = self.adjustment.values[k] / DEGREE;
            let cartridge = self.job.cartridges.get(&setup.cartridge);
            let unobservable = cartridge.is_some_and(|c| c.profile == Some(Profile::Spherical));
            if unobservable {
                continue;
            }
            warnings.extend(Warning::ImplausibleRotation.at(degrees.abs(), || {
                let of = network::named("setup", name);
                format!(
                    "the stylus of {of} is turned {:.0} degrees {}, which hardly any is: a recorder or an editor that shifts one channel by a single sample makes 10 us at 96 kHz and 21 us at 48 kHz, so record again by other means; then check radius, speed and stylus",
                    degrees.abs(),
                    if degrees > 0.0 { "clockwise" } else { "anticlockwise" },
                )
            }));
        }
        for (name, cartridge) in &self.job.cartridges {
            let (lever, _) = self.lever(name, 0.0);
            let stated = self.stated_tip(cartridge).lever(FRAC_PI_4).length;
            if lever <= 0.0 && stated > 0.0 && cartridge.profile != Some(Profile::Spherical) {
                let of = network::named("cartridge", name);
                warnings.push(Caveat::serious(
                    Warning::ImpossibleLever,
                    format!(
                        "the captures ask {of} for a lever of {:.1} um, and a tip's is positive: turns stated with the other sign (clockwise seen from above is positive), or leads or speeds stated the wrong way, ask for that",
                        lever / MICROMETRE
                    ),
                ));
            }
        }
    }

    /// Captures at radii and speeds that records hardly have, which are slips more often.
    fn unusual_places(&self, warnings: &mut Vec<Caveat>) {
        for (at, spec) in self.job.captures.iter().enumerate() {
            let capture = || network::locate(at, spec);
            let mm = spec.radius.map(|r| r / MILLIMETRE);
            // an uncertainty is stated by somebody who has looked twice
            let unusual = mm
                .into_iter()
                .find(|r| Warning::UnusualRadius.level(*r).is_some());
            let unusual = unusual.filter(|_| spec.radius_u.is_none()).and_then(|radius| {
                Warning::UnusualRadius.at(radius, || {
                    format!(
                        "{} is said to lie at a radius of {}: records are cut from 50 to 150 mm from the spindle. A diameter is twice the radius; of a larger disc, state the radius in a job with its uncertainty",
                        capture(),
                        if mm[0] == mm[1] {
                            format!("{} mm", plain(mm[0], 1))
                        } else {
                            format!("{} to {} mm", plain(mm[0], 1), plain(mm[1], 1))
                        }
                    )
                })
            });
            warnings.extend(unusual);
            let rpm = spec.nominal_rpm();
            if let (Some(stretch), Some((from, to))) = (spec.stretch(), spec.from_s.zip(spec.to_s))
                && stretch.which == 0
            {
                let pitch = (mm[0] - mm[1]).abs() / ((to - from) * rpm / 60.0);
                warnings.extend(Warning::GroovePitch.at(pitch, || {
                    format!(
                        "the radii of {} are {} mm apart for each revolution, which no record's grooves are over a side; check both radii, the speed, and where the recording starts and ends",
                        capture(),
                        plain(pitch, 3)
                    )
                }));
            }
            if !is_usual_speed(rpm) {
                warnings.push(Caveat::caution(
                    Warning::UnusualSpeed,
                    format!(
                        "{} is said to be played at {} rpm, which is none of 16 2/3, 33 1/3, 45 and 78; check the entry",
                        capture(),
                        plain(rpm, 2)
                    ),
                ));
            }
        }
    }

    /// What was included and concerns no capture: a name may be misspelt.
    fn unused_knowledge(&self, warnings: &mut Vec<Caveat>) {
        if self.job.captures.is_empty() {
            return;
        }
        for knowledge in &self.job.knowledge {
            let own = &self.network.parameters[..self.network.own];
            let used = |thing: &String| {
                let of = |p: &Parameter| p.id.strip_prefix(thing)?.strip_prefix('.').map(drop);
                own.iter().any(|p| of(p).is_some())
            };
            let things = knowledge.things();
            let is_record = |thing: &&String| thing.starts_with("record.");
            if !things.iter().filter(is_record).any(used) {
                let of = things.iter().filter(|thing| !used(thing));
                let of: Vec<String> = of.map(|thing| thing.replacen('.', " ", 1)).collect();
                warnings.push(Caveat::caution(
                    Warning::KnowledgeUnused,
                    format!(
                        "'{}' knows of {}, which no capture of this job uses; check the names",
                        knowledge.source,
                        of.join(", ")
                    ),
                ));
            }
        }
    }

    /// `later` are the setups that came after another one of the same cartridge.
    pub(super) fn general_warnings(
        &self,
        rank: usize,
        later: &BTreeSet<String>,
        warnings: &mut Vec<Caveat>,
    ) {
        let job = self.job;
        if self.adjustment.termination == Termination::IterationLimit {
            warnings.push(Caveat::serious(
                Warning::NotConverged,
                "the adjustment did not settle; check the values given, above all radii, speeds and turns",
            ));
        }
        self.impossible(warnings);
        self.tips_that_trace_otherwise(warnings);
        for (name, cartridge) in &job.cartridges {
            let of = network::named("cartridge", name);
            match cartridge.profile {
                None => warnings.push(Caveat::note(
                    Warning::GenericStylus,
                    format!(
                        "no stylus is stated for {of}; a generic elliptical of 18 +- 2 by 8 +- 2 um is assumed. State its profile and radii for a narrower band"
                    ),
                )),
                Some(Profile::Spherical) => warnings.push(Caveat::note(
                    Warning::SphericalTip,
                    format!(
                        "{of} has a spherical tip, which cannot see its own rotation: its captures tell the record's cut, and the rotation given for it is only what was known before"
                    ),
                )),
                _ => {}
            }
        }
        self.unusual_places(warnings);
        self.unused_knowledge(warnings);
        self.words_of_the_arm(warnings);
        let without_arm: Vec<String> = job
            .setups
            .iter()
            .filter(|(name, s)| s.arm == ArmOf::Unknown && self.network.is_tracked(name))
            .map(|(name, _)| network::named("setup", name))
            .collect();
        if !without_arm.is_empty() {
            warnings.push(Caveat::note(
                ARM_NOT_STATED,
                format!(
                    "nothing is stated of the arm for {}: its tracking error at the radius played is taken as 0 +- {} deg, which widens the turn and the rotation to the body",
                    without_arm.join(", "),
                    plain(priors::TRACKING_COMMON.u.hypot(priors::TRACKING_RADIUS.u), 1)
                ),
            ));
        }
        let aligned = |name: &&String| {
            let aligned = job.setups[*name].alignment;
            aligned.is_some_and(|a| a != Alignment::Unknown)
        };
        let anew: Vec<String> = later
            .iter()
            .filter(aligned)
            .map(|later| network::named("setup", later))
            .collect();
        if !anew.is_empty() {
            warnings.push(Warning::AlignedAnew.seen(format!(
                "an alignment of the body is stated for {}, after an earlier setup of the same cartridge. If the body was turned on purpose in between, take that out: an alignment says nothing of it then",
                anew.join(" and ")
            )));
        }
        let planned = job
            .captures
            .iter()
            .filter(|c| c.source == Source::Planned)
            .count();
        if planned > 0 {
            warnings.push(Caveat::note(
                Warning::PlannedCaptures,
                format!("{planned} planned captures are not recorded yet and play no part"),
            ));
        }
        let n = self.network.parameters.len();
        if rank < n {
            warnings.push(Caveat::note(
                Warning::CarriedByPriors,
                format!(
                    "the captures alone determine {rank} of {n} unknowns or combinations of them; priors carry the rest ('unknowns' in the JSON document says what each rests on)"
                ),
            ));
        }
        let fit = self.adjustment;
        if let Some(p) = fit.p_value {
            let facts = format!(
                "{} (probability of a larger one {})",
                chi_square(fit.chi_square, fit.degrees_of_freedom),
                tail(p)
            );
            // priors of the table are wide on purpose
            let stated = self
                .network
                .parameters
                .iter()
                .any(Parameter::has_stated_uncertainty);
            if p > 1.0 - DOUBTED_P && fit.degrees_of_freedom > 1 && stated {
                warnings.push(Caveat::note(
                    Warning::ChiSquareLow,
                    format!(
                        "the captures and priors agree better than their uncertainties make likely: {facts}. An uncertainty may be stated too large"
                    ),
                ));
            }
        }
    }
}
