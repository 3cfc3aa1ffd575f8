//! Builds one least-squares problem from captures and priors.

use super::JobError;
use super::description::{CaptureSpec, Estimate, Job, Stated};
use super::details::unit;
use super::priors::DefaultPrior;
use crate::adjust::{Coefficients, Minimum, Problem, Unknown};
use crate::analysis::{Analysis, Evidence};
use crate::delay::{Information, Node, Term, is_response};
use crate::groove::{Arm, Profile};
use crate::uncertainty::Caveat;
use ndarray::{Array1, Array2};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

/// Gauss-Legendre nodes and weights on 0..1, five points: the mean of a smooth
/// function along the analysed part (Abramowitz and Stegun, table 25.4,
/// mapped from -1..1).
const GAUSS_5: [(f64, f64); 5] = [
    (0.046_910_077_030_668, 0.118_463_442_528_094_5),
    (0.230_765_344_947_158_5, 0.239_314_335_249_683_2),
    (0.5, 0.284_444_444_444_444_4),
    (0.769_234_655_052_841_5, 0.239_314_335_249_683_2),
    (0.953_089_922_969_332, 0.118_463_442_528_094_5),
];

/// Budget line of the random part of the captures' delays; every other line is
/// a quantity that several jobs may share.
pub const READINGS: &str = "random part of the delay readings";
/// Budget line of the scatter between repeated captures.
pub(super) const SCATTER: &str = "scatter between drops";
/// Budget line of the tip radius by tracing distortion.
pub(super) const TRACING: &str = "tracing of the recordings";

mod blocks;
mod builder;
mod expected;
mod inputs;
mod observation;
mod tip_radius;

pub(super) use expected::{DataSource, Expected, LatticeDraw};
pub use tip_radius::TracingObservation;

pub(super) use builder::{Mounting, locate, tidy, turn_id};

use blocks::Blocks;
use builder::{Builder, PlacedCapture, included_words};
use observation::{FixedOrUnknown, Observation};

/// The data of a capture.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptureData {
    /// Information about the delay and the terms beside it.
    pub information: Information,
    /// Where along the analysed part the information lies.
    pub nodes: Vec<Node>,
    /// SHA-256 of the recording in hexadecimal; `None` for a given delay.
    pub sha256: Option<String>,
    /// Warnings raised while the recording was analysed.
    pub caveats: Vec<Caveat>,
    /// Priors of terms that come with the data, such as those of a
    /// calibration; the same block from several captures counts once.
    pub priors: Vec<TermPrior>,
    /// Tracing distortion, where it was found.
    pub tracing: Option<TracingObservation>,
    /// What a report shows of the recording; not used in the adjustment.
    pub evidence: Option<Arc<Evidence>>,
}

/// A prior on terms, with covariance.
#[derive(Debug, Clone, PartialEq)]
pub struct TermPrior {
    /// The terms; their owners must be a chain, a cartridge, a record side or a calibration.
    pub terms: Vec<Term>,
    /// Their values.
    pub values: Array1<f64>,
    /// Their covariance.
    pub covariance: Array2<f64>,
}

impl CaptureData {
    /// Standard deviations of the delay, seconds: random part, and part due to the cartridge's
    /// response; `None` for a delay that was given.
    pub(super) fn programme(&self) -> Option<[f64; 2]> {
        let weight = self.information.matrix[[0, 0]];
        let terms = self.information.terms.iter().enumerate();
        let parts = terms.filter(|(_, term)| is_response(term));
        let parts: Vec<f64> = parts
            .map(|(k, _)| self.information.matrix[[0, k]] / weight)
            .collect();
        let response = parts.iter().map(|part| part * part).sum::<f64>().sqrt();
        (!parts.is_empty()).then(|| [weight.recip().sqrt(), response])
    }

    /// The data of an analysed recording.
    pub fn of(analysis: &Analysis) -> Self {
        Self {
            information: analysis.estimate.with_crosstalk_phase.clone(),
            nodes: analysis.estimate.nodes.clone(),
            sha256: analysis.info.sha256.clone(),
            caveats: analysis.caveats.clone(),
            priors: Vec::new(),
            tracing: TracingObservation::of(analysis),
            evidence: Some(Arc::new(analysis.evidence())),
        }
    }

    /// A given delay (seconds), taken as the mean over the analysed part.
    pub fn of_delay(delay: f64, standard_uncertainty: f64) -> Self {
        Self {
            information: Information::of_delay(delay, standard_uncertainty),
            nodes: GAUSS_5
                .iter()
                .map(|&(position, weight)| Node { position, weight })
                .collect(),
            sha256: None,
            caveats: Vec::new(),
            priors: Vec::new(),
            tracing: None,
            evidence: None,
        }
    }
}

/// An unknown of a job.
#[derive(Debug, Clone, PartialEq)]
pub struct Parameter {
    /// Stable name, as in the job file: `record.A.cut_rotation_deg`.
    pub id: String,
    /// In the user's words: "cut rotation of record A".
    pub words: String,
    /// SI units in one unit of the id.
    pub factor: f64,
    /// Prior, in SI units.
    pub prior: Estimate,
    /// Where the prior comes from, in words.
    pub origin: String,
}

impl Parameter {
    /// Whether its value was stated, here or in an earlier job, as against a
    /// default of the table of priors.
    pub(super) fn is_stated(&self) -> bool {
        is_stated(&self.origin)
    }

    /// Whether it belongs to one capture of an included file.
    pub(super) fn is_included(&self) -> bool {
        self.id.starts_with(INCLUDED)
    }

    /// Unit of its figures, by the ending of its id; empty for a plain number.
    pub(super) fn unit(&self) -> &'static str {
        unit(&self.id)
    }

    /// Whether it is read or set anew for every recording, or belongs to the recording, so that
    /// its error differs between measurements.
    pub(super) fn is_reading(&self) -> bool {
        let of_band = [".radius_mm[", ".turn_deg["];
        self.id.starts_with("speed_rpm[")
            || self.id.starts_with("capture.")
            || (of_band.iter().any(|key| self.id.contains(key)) && !self.is_included())
    }

    /// Whether its uncertainty was stated.
    pub(super) fn has_stated_uncertainty(&self) -> bool {
        self.origin.starts_with(STATED)
    }
}

/// Prefix of the ids of unknowns that belong to included captures.
const INCLUDED: &str = "included.";

/// Prefixes of the origins of stated values.
pub(super) const STATED: &str = "stated";
const VALUE_STATED: &str = "value stated";
pub(super) const KNOWN: &str = "stated in";

fn is_stated(origin: &str) -> bool {
    [STATED, VALUE_STATED]
        .iter()
        .any(|beginning| origin.starts_with(beginning))
}

/// Origin of a cartridge's response as estimated from a recording.
pub(super) const RESPONSE: &str =
    "what gain and phase of the recording leave open, in standard deviations";

/// Origin of a value that an included file states.
pub(super) fn known_in(source: &str) -> String {
    format!("{KNOWN} '{source}'")
}

/// Names of the unknowns, in one place.
pub(super) mod id {
    pub fn rotation(setup: &str) -> String {
        format!("setup.{setup}.rotation_deg")
    }
    /// The setup whose rotation this id names.
    pub fn setup_of_rotation(id: &str) -> Option<&str> {
        id.strip_prefix("setup.")?.strip_suffix(".rotation_deg")
    }
    pub fn stylus_to_body(cartridge: &str) -> String {
        format!("cartridge.{cartridge}.stylus_to_body_deg")
    }
    pub const CUT: &str = "cut_rotation_deg";
    pub fn cut(record: &str) -> String {
        format!("record.{record}.{CUT}")
    }
    /// The radius along the groove: of a ball its own, else the side radius.
    pub fn radius_along(cartridge: &str, profile: Option<super::Profile>) -> String {
        let key = match profile {
            Some(super::Profile::Spherical) => "frontal_radius_um",
            _ => "side_radius_um",
        };
        format!("cartridge.{cartridge}.{key}")
    }
    pub const BALL_LEVER: &str = "ball_lever_um";
    pub fn ball_lever(cartridge: &str) -> String {
        format!("cartridge.{cartridge}.{BALL_LEVER}")
    }
    /// Growth of the side radius.
    pub const WEAR: &str = "wear_um_per_1000_h";
    pub fn wear(cartridge: &str) -> String {
        format!("cartridge.{cartridge}.{WEAR}")
    }
    pub const SCALE: &str = "scale";
    pub fn scale(cartridge: &str) -> String {
        format!("cartridge.{cartridge}.{SCALE}")
    }
    pub fn chain_skew(chain: &str) -> String {
        format!("chain.{chain}.skew_us")
    }
    pub const ARM_LENGTH: &str = "effective_length_mm";
    pub const ARM_PIVOT: &str = "pivot_to_spindle_mm";
    pub const ARM_OFFSET: &str = "offset_deg";
    /// One of these of an arm.
    pub fn arm(arm: &str, key: &str) -> String {
        format!("arm.{arm}.{key}")
    }
}

/// "record A", or "the record" when the name is empty.
pub(super) fn named(kind: &str, name: &str) -> String {
    if name.is_empty() {
        format!("the {kind}")
    } else {
        format!("{kind} {name}")
    }
}

/// Where a prior comes from, in words.
fn origin(stated: Stated, default: &DefaultPrior) -> String {
    match (stated.value, stated.u) {
        (_, Some(_)) => STATED.to_owned(),
        (Some(_), None) => format!("{VALUE_STATED}; its uncertainty: {}", default.origin),
        (None, None) => default.origin.to_owned(),
    }
}

/// A job as a least-squares problem.
pub struct Network {
    /// The unknowns, in the problem's order.
    pub parameters: Vec<Parameter>,
    /// The problem.
    pub problem: Problem<'static>,
    /// Per capture of the job, its block; `None` where it has no data.
    pub(super) capture_blocks: Vec<Option<usize>>,
    /// Per block, the capture of the job that it stands for.
    pub(super) capture_of: Vec<Option<usize>>,
    /// The captures of each setup that have data, in the job's order.
    captures_of: BTreeMap<String, Vec<usize>>,
    /// The forward model of each block that is a capture of the job.
    observations: BTreeMap<usize, Arc<Observation>>,
    /// Per block, the included file that it comes from: its captures, and the unknowns that only they have.
    pub(super) included: Vec<Option<usize>>,
    /// Blocks of tip radius observations by tracing, with the capture of each.
    pub(super) tip_radii: Vec<(usize, usize)>,
    /// Whether a spherical tip was played at a known turn, which determines its lever.
    has_turned_ball: bool,
    /// Number of the job's own unknowns; the rest belong to included captures.
    pub(super) own: usize,
    /// Prior blocks: budget words per block index.
    pub(super) words: Vec<String>,
    /// Prior blocks that are readings.
    pub(super) readings: BTreeSet<String>,
    pub(super) caveats: Vec<Caveat>,
    index: BTreeMap<String, usize>,
    /// Model of each setup's tracking error.
    tracking: BTreeMap<String, TrackingModel>,
    /// Rotations in the headshell, by setup.
    rotations: BTreeMap<String, FixedOrUnknown>,
    /// Rotations of the stylus to the body, by cartridge.
    bodies: BTreeMap<String, StylusToBody>,
    /// Prior knowledge of mountings, which are differences of unknowns.
    pub(super) mountings: Vec<Mounting>,
    /// Origin of the prior of each mounting, by its words.
    pub(super) mounting_origins: HashMap<String, String>,
}

/// One of the angles of a stylus.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Angle {
    /// Stylus to groove, at the radius where the setup was first played.
    Groove,
    /// Stylus to cartridge body.
    Body,
    /// Stylus in the headshell: to the body, plus the body's mounting.
    Headshell,
}

/// A quantity that is linear in the unknowns: `row' x + offset`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Linear {
    /// Coefficients of the unknowns.
    pub row: Coefficients,
    /// Constant part.
    pub offset: f64,
}

impl Linear {
    /// Its value at `x`.
    pub fn at(&self, x: &[f64]) -> f64 {
        self.row.at(x) + self.offset
    }

    fn add(&mut self, place: FixedOrUnknown, coefficient: f64) {
        match place {
            FixedOrUnknown::Exact(value) => self.offset += coefficient * value,
            FixedOrUnknown::Unknown(k, _) => self.row.add(k, coefficient),
        }
    }
}

/// Where a setup's tracking error comes from.
#[derive(Debug, Clone, PartialEq)]
enum TrackingModel {
    /// Unknowns that add up, each with its weight.
    Sum(Vec<(FixedOrUnknown, f64)>),
    /// An arm's effective length, pivot to spindle and offset, the changes of
    /// the radius with their weights, and the radius.
    Arm([FixedOrUnknown; 3], Vec<(FixedOrUnknown, f64)>, f64),
}

/// An arm, the radius, the arm's dimensions, and the radius's changes with their weights.
type ArmAt<'a> = (Arm, f64, [FixedOrUnknown; 3], &'a [(FixedOrUnknown, f64)]);

/// The rotation of a stylus to its body.
#[derive(Debug, Clone, Copy, PartialEq)]
enum StylusToBody {
    /// An unknown.
    Unknown(usize),
    /// A rotation in the headshell, less a mounting known exactly.
    Mounted(FixedOrUnknown, f64),
}

impl StylusToBody {
    fn unknown(&self) -> Option<usize> {
        match self {
            Self::Unknown(k) => Some(*k),
            Self::Mounted(..) => None,
        }
    }
}

impl Network {
    /// An angle of a setup's stylus, linearised at `x`; `None` where it is not in
    /// the job (a spherical tip's rotation to the body).
    pub fn angle(&self, job: &Job, setup: &str, angle: Angle, x: &[f64]) -> Option<Linear> {
        let mut linear = Linear::default();
        match angle {
            Angle::Headshell => linear.add(*self.rotations.get(setup)?, 1.0),
            Angle::Body => match *self.bodies.get(&job.setups.get(setup)?.cartridge)? {
                StylusToBody::Unknown(k) => linear.row.add(k, 1.0),
                StylusToBody::Mounted(place, mounting) => {
                    linear.add(place, 1.0);
                    linear.offset -= mounting;
                }
            },
            Angle::Groove => {
                linear.add(*self.rotations.get(setup)?, 1.0);
                match self.tracking.get(setup) {
                    None => {}
                    Some(TrackingModel::Sum(places)) => {
                        for (place, weight) in places {
                            linear.add(*place, *weight);
                        }
                    }
                    Some(TrackingModel::Arm(..)) => {
                        let (arm, radius, dimensions, changes) = self.arm(setup, x)?;
                        let [of_radius, of_dimensions @ ..] = arm.tracking_gradient(radius);
                        linear.offset += arm.tracking_error(radius);
                        let changes = changes.iter().map(|(p, weight)| (*p, weight * of_radius));
                        for (place, slope) in
                            dimensions.into_iter().zip(of_dimensions).chain(changes)
                        {
                            if let FixedOrUnknown::Unknown(k, _) = place {
                                linear.row.add(k, slope);
                                linear.offset -= slope * x[k];
                            }
                        }
                    }
                }
            }
        }
        Some(linear)
    }

    /// A setup's arm and the radius where it was first played, at `x`, with the quantities that
    /// they depend on.
    fn arm(&self, setup: &str, x: &[f64]) -> Option<ArmAt<'_>> {
        let Some(TrackingModel::Arm(dimensions, changes, radius)) = self.tracking.get(setup) else {
            return None;
        };
        let value = |place: FixedOrUnknown| match place {
            FixedOrUnknown::Exact(value) => value,
            FixedOrUnknown::Unknown(k, _) => x[k],
        };
        let &[length, pivot, offset] = dimensions;
        let arm = Arm {
            effective_length: value(length),
            pivot_to_spindle: value(pivot),
            offset: value(offset),
        };
        let change: f64 = changes.iter().map(|(p, weight)| weight * value(*p)).sum();
        Some((arm, radius + change, *dimensions, changes))
    }

    /// Whether a capture of the setup determines its rotation to the groove.
    pub(super) fn is_tracked(&self, setup: &str) -> bool {
        self.tracking.contains_key(setup)
    }

    /// A stated pivoted arm of a setup as adjusted, with the radius (metres) where
    /// the setup was first played.
    pub fn pivoted_arm(&self, setup: &str, x: &[f64]) -> Option<(Arm, f64)> {
        self.arm(setup, x).map(|(arm, radius, ..)| (arm, radius))
    }

    /// Index of an unknown by its id; `None` where it is exact or unused.
    pub fn unknown(&self, id: &str) -> Option<usize> {
        self.index.get(id).copied()
    }

    /// Change of this block's predicted delay at `x` if its leads were wrongly stated.
    pub(super) fn change_by_leads(&self, block: usize, x: &[f64]) -> Option<Array1<f64>> {
        let observation = self.observations.get(&block)?;
        let own: Vec<f64> = observation.unknowns.iter().map(|&k| x[k]).collect();
        Some(observation.change_by_leads(&own))
    }

    /// The captures of a setup that have data, in the job's order.
    pub(super) fn captures_of(&self, setup: &str) -> &[usize] {
        self.captures_of.get(setup).map_or(&[], Vec::as_slice)
    }

    /// The unknowns of a cartridge and of its setups.
    pub(super) fn of_cartridge(&self, cartridge: &str, setups: &[&String]) -> Vec<usize> {
        let prefixes = setups.iter().map(|name| format!("setup.{name}."));
        let prefixes = prefixes.chain([format!("cartridge.{cartridge}.")]);
        let unknowns = prefixes.flat_map(|prefix| {
            let from = self.index.range(prefix.clone()..);
            from.take_while(move |(id, _)| id.starts_with(&prefix))
                .map(|(_, &k)| k)
        });
        unknowns.collect()
    }
}

/// Builds the network of a job.
pub(super) fn network(
    job: &Job,
    readings: DataSource<'_>,
    scatter: f64,
) -> Result<Network, JobError> {
    with_alternative(job, readings, scatter, Alternative::None)
}

/// An alternative hypothesis about one value of the network.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Alternative<'a> {
    /// Nothing.
    None,
    /// The prior of this unknown has a bias, whose standard uncertainty is this multiple of
    /// the prior's.
    Prior(&'a str, f64),
    /// This included file has its own value of this unknown. The difference is the last unknown; it
    /// and the value have this multiple of the prior's standard uncertainty.
    Value(usize, &'a str, f64),
}

/// The same, under an alternative hypothesis.
///
/// The path of a spherical tip is lever times rotation. Both may be zero: there the product has no
/// gradient, and an adjustment of both would take the path as known. Given the lever, the path is
/// proportional to the rotation, which no capture determines. So the path is an unknown of its own. Its
/// variance is that of the rotation times the mean square of the lever by all captures; captures at
/// known turns determine the lever, whatever the path.
pub(super) fn with_alternative(
    job: &Job,
    readings: DataSource<'_>,
    scatter: f64,
    doubt: Alternative<'_>,
) -> Result<Network, JobError> {
    let network = build(job, readings, scatter, doubt, &Levers::new())?;
    match network.has_turned_ball {
        true => build(job, readings, scatter, doubt, &network.levers(readings)?),
        false => Ok(network),
    }
}

/// Levers of spherical tips, metres, by id.
type Levers = BTreeMap<String, Estimate>;

impl Network {
    fn balls(&self) -> impl Iterator<Item = (&String, usize)> {
        let of_ball = |id: &str| id.rsplit('.').next() == Some(id::BALL_LEVER);
        let unknowns = self.index.iter().filter(move |(id, _)| of_ball(id));
        unknowns.map(|(id, &k)| (id, k))
    }

    /// Levers of spherical tips as adjusted.
    pub(super) fn levers_at(&self, solution: &Minimum) -> Levers {
        let found = |k: usize| Estimate {
            value: solution.values[k],
            u: solution.uncertainty(k),
        };
        self.balls().map(|(id, k)| (id.clone(), found(k))).collect()
    }

    /// Levers of spherical tips by an adjustment.
    fn levers(&self, readings: DataSource<'_>) -> Result<Levers, JobError> {
        let (expected, world) = match readings {
            DataSource::Real(_) => return Ok(self.levers_at(&self.problem.solve()?)),
            DataSource::Predicted(expected, world) => (expected, world),
        };
        let solution = self.problem.linearised()?;
        let levers = self.balls().map(|(id, k)| {
            let left = solution.uncertainty(k);
            let lever = expected.lever(id, self.parameters[k].prior, left, world);
            (id.clone(), lever)
        });
        Ok(levers.collect())
    }
}

/// Maximum number of setups of one cartridge. Their intervals are found together, at a cost that grows with the
/// square of the number; this many took 52 s and 3 GB (two cores). The limit is common practice, no source.
const MOST_SETUPS: usize = 2_000;

/// Refuses more than [`MOST_SETUPS`] setups of one cartridge.
fn check_setups(job: &Job) -> Result<(), JobError> {
    let mut setups_of: BTreeMap<&str, usize> = BTreeMap::new();
    for setup in job.setups.values() {
        *setups_of.entry(&setup.cartridge).or_default() += 1;
    }
    match setups_of.iter().find(|(_, n)| **n > MOST_SETUPS) {
        Some((cartridge, &setups)) => Err(JobError::TooManySetups {
            cartridge: named("cartridge", cartridge),
            setups,
            most: MOST_SETUPS,
        }),
        None => Ok(()),
    }
}

/// Warnings of the job's own captures, each by its name.
fn own_caveats(job: &Job, placed: &[Option<PlacedCapture>]) -> Vec<Caveat> {
    let named = |(at, spec): (usize, &CaptureSpec)| {
        let caveats = placed[at].iter().flat_map(|p| &p.data.caveats);
        let with_name = |c: &Caveat| Caveat {
            message: format!("{}: {}", spec.describe(at), c.message),
            ..c.clone()
        };
        caveats.map(with_name).collect::<Vec<_>>()
    };
    job.captures.iter().enumerate().flat_map(named).collect()
}

/// The unknowns, each starting at its prior, or in a prediction at its expected value.
fn unknowns(
    job: &Job,
    parameters: &[Parameter],
    readings: DataSource<'_>,
) -> Result<Vec<Unknown>, JobError> {
    let each = parameters.iter().map(|p| {
        let Estimate { value, u } = p.prior;
        if !(value.is_finite() && u.is_finite() && u >= 0.0) {
            return Err(JobError::Prior {
                unknown: p.id.clone(),
                value,
                u,
            });
        }
        let start = match readings {
            DataSource::Predicted(expected, world) => expected.start(job, p, world),
            DataSource::Real(_) => None,
        };
        Ok(Unknown {
            name: p.words.clone(),
            start: start.unwrap_or(value),
            scale: u,
        })
    });
    each.collect()
}

/// Assembles the network.
fn build(
    job: &Job,
    readings: DataSource<'_>,
    scatter: f64,
    doubt: Alternative<'_>,
    levers: &Levers,
) -> Result<Network, JobError> {
    check_setups(job)?;
    let mut builder = Builder::new(job, scatter, levers);
    let setups = job.setups.iter();
    let rotations: BTreeMap<String, FixedOrUnknown> = setups
        .map(|(name, setup)| (name.clone(), builder.rotation(name, setup)))
        .collect();
    let (bodies, mountings) = builder.bodies(&rotations);
    let placed = builder.own_captures(readings)?;
    let caveats = own_caveats(job, &placed);
    let own = builder.parameters.len();
    let earlier = builder.included_captures()?;
    builder.sessions(job);
    let apart = match doubt {
        Alternative::Value(file, id, by) => builder.difference(file, id, by),
        _ => None,
    };
    let Builder {
        parameters,
        index,
        tracking,
        included_only: theirs,
        joint_priors: brought,
        ..
    } = builder;
    let unknowns = unknowns(job, &parameters, readings)?;
    let wrong = match doubt {
        Alternative::Prior(id, by) | Alternative::Value(_, id, by) => {
            index.get(id).map(|k| (*k, by))
        }
        Alternative::None => None,
    };
    let styli = bodies.values().filter_map(StylusToBody::unknown);
    let styli = styli.chain(earlier.styli).collect();
    let mut list = Blocks::default();
    let covered = list.joint_priors(&parameters, &theirs, brought, wrong)?;
    list.mountings(mountings.iter().chain(&earlier.mountings))?;
    list.priors(&parameters, &theirs, &covered | &styli, wrong)?;
    let mut capture_blocks = Vec::new();
    let mut tip_radii = Vec::new();
    let mut has_turned_ball = false;
    let earlier = earlier.captures.into_iter().map(Some);
    for (at, placed) in placed.into_iter().chain(earlier).enumerate() {
        let Some(placed) = placed else {
            capture_blocks.push(None);
            continue;
        };
        let foreseen = match readings {
            DataSource::Predicted(expected, _) => {
                placed.file.is_none() && expected.recorded(at).is_none()
            }
            DataSource::Real(_) => false,
        };
        if placed.file.is_none() {
            capture_blocks.push(Some(list.blocks.len()));
        }
        let apart = apart.filter(|(file, ..)| placed.file == Some(*file));
        let tells_radius = placed.file.is_none() && placed.tip_radius.is_some();
        let base = &placed.observation.base;
        has_turned_ball |=
            base.tip.profile == Profile::Spherical && base.rotation + base.turn != 0.0;
        list.capture(placed, foreseen.then_some(&unknowns), apart)?;
        tip_radii.extend(tells_radius.then(|| (list.blocks.len() - 1, at)));
    }
    let mut capture_of = vec![None; list.blocks.len()];
    let mut captures_of: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for (at, (spec, block)) in job.captures.iter().zip(&capture_blocks).enumerate() {
        if let Some(block) = *block {
            capture_of[block] = Some(at);
            captures_of.entry(spec.setup.clone()).or_default().push(at);
        }
    }
    let read = capture_blocks.iter().flatten().copied();
    let observations = read.zip(list.observations).collect();
    let included = list
        .included
        .iter()
        .map(|file| Some(&job.knowledge[(*file)?]));
    let words = list.words.into_iter().zip(included);
    let words = words.map(|(words, file)| file.map_or(words, |k| included_words(&k.source)));
    let of_unknowns = parameters.iter().filter(|p| p.is_reading());
    let readings = of_unknowns
        .map(|p| p.words.clone())
        .chain([READINGS.to_owned()])
        .collect();
    Ok(Network {
        readings,
        parameters,
        words: words.collect(),
        problem: Problem::new(unknowns, list.blocks),
        capture_blocks,
        capture_of,
        captures_of,
        observations,
        tip_radii,
        has_turned_ball,
        included: list.included,
        own,
        caveats,
        index,
        tracking,
        rotations,
        bodies,
        mounting_origins: mountings
            .iter()
            .map(|m| (m.words(), m.origin.clone()))
            .collect(),
        mountings,
    })
}
