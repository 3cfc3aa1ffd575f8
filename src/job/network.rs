//! Captures and priors into one least-squares problem.

use super::JobError;
use super::description::{
    ArmOf, CaptureSpec, Cartridge, Chain, Estimate, Job, PivotedArm, Record, Setup, Stated, Stretch,
};
use super::details::unit;
use super::priors::{self, DefaultPrior};
use crate::adjust::{Block, Coefficients, Evaluation, Problem, Solution, Unknown};
use crate::analysis::{Analysis, Evidence};
use crate::delay::phase::{EQUALISER, equaliser_term};
use crate::delay::{Information, Node, Owner, Side, Term, crosstalk_phase_term, is_response};
use crate::groove::{Arm, Conditions, Input, Profile, Tip};
use crate::uncertainty::Caveat;
use crate::units::{DEGREE, MICROSECOND, MILLIMETRE};
use ndarray::{Array1, Array2};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::f64::consts::PI;
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

/// Budget line of what is random in the captures' delays; every other line is a
/// quantity that several jobs may share.
pub const READINGS: &str = "random part of the delay readings";
/// Budget line of what repeated captures differ by.
pub(super) const SCATTER: &str = "scatter between drops";
/// Budget words of what tracing shows of the tip.
pub(super) const TRACING: &str = "tracing of the recordings";

mod expected;
mod tip_radius;

pub(super) use expected::{Expected, Readings, World};
pub use tip_radius::TracingSeen;

use tip_radius::TipRadius;

/// What a capture brings to a job.
#[derive(Debug, Clone, PartialEq)]
pub struct CaptureData {
    /// Information about the delay and the terms beside it.
    pub information: Information,
    /// Where along the analysed part the information lies.
    pub nodes: Vec<Node>,
    /// SHA-256 of the recording in hexadecimal; `None` for a given delay.
    pub sha256: Option<String>,
    /// Doubts raised while the recording was analysed.
    pub caveats: Vec<Caveat>,
    /// Priors of terms that come with the data, such as those of a
    /// calibration; the same block from several captures counts once.
    pub priors: Vec<TermPrior>,
    /// What tracing adds, where it was found.
    pub tracing: Option<TracingSeen>,
    /// What a report shows of the recording; plays no part in the adjustment.
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
    /// Standard deviation of the delay's random part, and of what the cartridge's response leaves
    /// of it, seconds; `None` of a delay that was given.
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

    /// What an analysed recording brings.
    pub fn of(analysis: &Analysis) -> Self {
        Self {
            information: analysis.estimate.with_crosstalk_phase.clone(),
            nodes: analysis.estimate.nodes.clone(),
            sha256: analysis.about.sha256.clone(),
            caveats: analysis.caveats.clone(),
            priors: Vec::new(),
            tracing: TracingSeen::of(analysis),
            evidence: Some(Arc::new(analysis.evidence())),
        }
    }

    /// A delay (seconds) that somebody gives, taken as the mean over the
    /// analysed part.
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
    /// Whether somebody stated its value, here or in an earlier job; what only
    /// the table of priors says is not stated.
    pub(super) fn is_stated(&self) -> bool {
        is_stated(&self.origin)
    }

    /// Whether it is the own of a capture that an included file holds.
    pub(super) fn is_included(&self) -> bool {
        self.id.starts_with(INCLUDED)
    }

    /// Unit of its figures, as its id ends; empty where it has none.
    pub(super) fn unit(&self) -> &'static str {
        unit(&self.id)
    }

    /// Whether it is read or set anew for every recording, or is the recording's own: then another
    /// measurement has another of it.
    pub(super) fn is_reading(&self) -> bool {
        let of_band = [".radius_mm[", ".turn_deg["];
        self.id.starts_with("speed_rpm[")
            || self.id.starts_with("capture.")
            || (of_band.iter().any(|key| self.id.contains(key)) && !self.is_included())
    }

    /// Whether somebody stated its uncertainty.
    pub(super) fn has_stated_uncertainty(&self) -> bool {
        self.origin.starts_with(STATED)
    }
}

/// Beginning of the ids of what is the own of included captures.
const INCLUDED: &str = "included.";

/// Beginnings of the origins of what somebody stated.
pub(super) const STATED: &str = "stated";
const VALUE_STATED: &str = "value stated";
pub(super) const KNOWN: &str = "stated in";

fn is_stated(origin: &str) -> bool {
    [STATED, VALUE_STATED]
        .iter()
        .any(|beginning| origin.starts_with(beginning))
}

/// Origin of what a recording tells of its cartridge's response.
pub(super) const RESPONSE: &str =
    "what gain and phase of the recording leave open, in standard deviations";

/// Origin of what an included file states.
pub(super) fn known_in(source: &str) -> String {
    format!("{KNOWN} '{source}'")
}

/// Names of the unknowns, in one place.
pub(super) mod id {
    pub fn rotation(setup: &str) -> String {
        format!("setup.{setup}.rotation_deg")
    }
    /// The setup of which this is the rotation.
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

/// Where a prior comes from that arrives with a recording.
const BROUGHT: &str = "the calibration of the chain, or the load that the job states";

/// Where a prior comes from, in words.
fn origin(stated: Stated, default: &DefaultPrior) -> String {
    match (stated.value, stated.u) {
        (_, Some(_)) => STATED.to_owned(),
        (Some(_), None) => format!("{VALUE_STATED}; its uncertainty: {}", default.origin),
        (None, None) => default.origin.to_owned(),
    }
}

/// What an unknown of a capture does to it.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Effect {
    /// Stands for this input.
    Input(Input),
    /// Adds to the radius, with these weights at the start and at the end of the part.
    Radius([f64; 2]),
    /// Adds to the tracking error in this way.
    Tracking(Course),
    /// Adds to the side radius with every hour of so many that the tip has been played.
    Wear(f64),
    /// Is a term of the information, on this side of where leads are swapped.
    Term(usize, Side),
}

/// A quantity of a capture: exact, or one of the job's unknowns.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Place {
    Exact(f64),
    Unknown(usize, f64),
}

/// The forward model of one capture.
#[derive(Debug, Clone)]
struct Observation {
    base: Conditions,
    radius: [f64; 2],
    nodes: Vec<Node>,
    terms: usize,
    /// Growth of the side radius by wear that is known exactly, metres.
    worn: f64,
    unknowns: Vec<usize>,
    effects: Vec<Effect>,
}

impl Observation {
    /// A capture of which no quantity is known yet.
    fn new(spec: &CaptureSpec, with: &Equipment<'_>, nodes: Vec<Node>, terms: usize) -> Self {
        let tip = Tip {
            profile: with.cartridge.tip(),
            size: [0.0; 3],
        };
        let arm = with.arm.map(|_| Arm {
            effective_length: 0.0,
            pivot_to_spindle: 0.0,
            offset: 0.0,
        });
        let nodes = match spec.radius {
            [start, end] if start == end => vec![Node {
                position: 0.5,
                weight: nodes.iter().map(|n| n.weight).sum(),
            }],
            _ => nodes,
        };
        Self {
            base: Conditions {
                rotation: 0.0,
                turn: 0.0,
                radius: spec.radius[0],
                rpm: spec.nominal_rpm(),
                tip,
                half_angle: 0.0,
                cut: 0.0,
                lathe_offset: 0.0,
                record_skew: 0.0,
                cut_rpm: with.record.cut_rpm.unwrap_or(priors::DEFAULT_CUT_RPM),
                cartridge_skew: 0.0,
                scale: 1.0,
                chain_skew: 0.0,
                arm,
                tracking: 0.0,
                swapped: spec.swapped,
            },
            radius: spec.radius,
            nodes,
            terms,
            worn: 0.0,
            unknowns: Vec::new(),
            effects: Vec::new(),
        }
    }

    /// Adds what a quantity does to it: an exact one once, an unknown at every evaluation.
    fn depends(&mut self, place: Place, effect: Effect) {
        let (Place::Exact(value) | Place::Unknown(_, value)) = place;
        match (effect, place) {
            (Effect::Input(input), _) => {
                if let Some(field) = self.base.input_mut(input) {
                    *field = value;
                }
            }
            (Effect::Radius(weights), Place::Exact(_)) => shift(&mut self.radius, weights, value),
            (Effect::Wear(hours), Place::Exact(_)) => self.worn += hours * value,
            _ => {}
        }
        if let Place::Unknown(k, _) = place {
            self.unknowns.push(k);
            self.effects.push(effect);
        }
    }

    /// The same where the last of the unknowns is added to that in the place `at`.
    fn evaluate_apart(&self, own: &[f64], at: usize) -> Evaluation {
        let (difference, own) = own.split_last().unwrap_or((&0.0, &[]));
        let mut moved = own.to_vec();
        moved[at] += difference;
        let mut seen = self.evaluate(&moved);
        let column = seen.jacobian.column(at).to_owned();
        // a column always has as many entries as the matrix rows
        let _ = seen.jacobian.push_column(column.view());
        seen
    }

    /// What wrong leads would change in what it is predicted to read.
    fn change_by_leads(&self, own: &[f64]) -> Array1<f64> {
        let mut other = self.clone();
        other.base.swapped = !self.base.swapped;
        other.evaluate(own).values - self.evaluate(own).values
    }

    fn evaluate(&self, own: &[f64]) -> Evaluation {
        let mut values = Array1::zeros(self.terms);
        let mut jacobian = Array2::zeros((self.terms, own.len()));
        let mut conditions = self.base;
        let mut radius = self.radius;
        for (column, (&effect, &value)) in self.effects.iter().zip(own).enumerate() {
            match effect {
                Effect::Radius(weights) => shift(&mut radius, weights, value),
                Effect::Input(input) => {
                    if let Some(field) = conditions.input_mut(input) {
                        *field = value;
                    }
                }
                Effect::Tracking(_) => {}
                Effect::Wear(hours) => conditions.tip.size[1] += hours * value,
                Effect::Term(row, side) => {
                    let sign = match side {
                        Side::BeforeSwap if self.base.swapped => -1.0,
                        _ => 1.0,
                    };
                    values[row] += sign * value;
                    jacobian[[row, column]] += sign;
                }
            }
        }
        conditions.tip.size[1] += self.worn;
        for node in &self.nodes {
            let along = |[start, end]: [f64; 2]| start + (end - start) * node.position;
            conditions.radius = along(radius);
            let mut tracking_by_radius = 0.0;
            conditions.tracking = self.base.tracking;
            for (&effect, &value) in self.effects.iter().zip(own) {
                if let Effect::Tracking(course) = effect {
                    let [weight, slope] = course.at(conditions.radius);
                    conditions.tracking += weight * value;
                    tracking_by_radius += slope * value;
                }
            }
            let mut prediction = conditions.predict();
            prediction.gradient[Input::Radius as usize] +=
                tracking_by_radius * prediction.gradient[Input::Tracking as usize];
            values[0] += node.weight * prediction.delay;
            for (column, &effect) in self.effects.iter().enumerate() {
                let (input, weight) = match effect {
                    Effect::Input(input) => (input, 1.0),
                    Effect::Radius(weights) => (Input::Radius, along(weights)),
                    Effect::Tracking(course) => (Input::Tracking, course.at(conditions.radius)[0]),
                    Effect::Wear(hours) => (Input::Size1, hours),
                    Effect::Term(..) => continue,
                };
                jacobian[[0, column]] += node.weight * weight * prediction.gradient[input as usize];
            }
        }
        Evaluation { values, jacobian }
    }
}

/// Adds a change with its weights at both ends to the radii at both ends.
fn shift(radius: &mut [f64; 2], weights: [f64; 2], value: f64) {
    for (radius, weight) in radius.iter_mut().zip(weights) {
        *radius += weight * value;
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
    /// Per block, the capture of the job that it is.
    pub(super) capture_of: Vec<Option<usize>>,
    /// The captures of each setup that have data, in the job's order.
    captures_of: BTreeMap<String, Vec<usize>>,
    /// What each block is that is a capture of the job.
    observations: BTreeMap<usize, Arc<Observation>>,
    /// Per block, the included file that it is from: its captures, and what is theirs alone.
    pub(super) included: Vec<Option<usize>>,
    /// Blocks of what tracing shows of the tip, with the capture that each is of.
    pub(super) tip_radii: Vec<(usize, usize)>,
    /// Whether a ball is seen at an angle that is known, which tells its lever.
    has_turned_ball: bool,
    /// How many unknowns are the job's own; the rest belong to included captures.
    pub(super) own: usize,
    /// Prior blocks: budget words per block index.
    pub(super) words: Vec<String>,
    /// Those of them that are readings.
    pub(super) readings: BTreeSet<String>,
    pub(super) caveats: Vec<Caveat>,
    index: BTreeMap<String, usize>,
    /// What each setup's tracking error consists of.
    tracking: BTreeMap<String, Tracking>,
    /// Rotations in the headshell, by setup.
    rotations: BTreeMap<String, Place>,
    /// Rotations of the stylus to the body, by cartridge.
    bodies: BTreeMap<String, Body>,
    /// What is known of mountings, which are no unknowns of their own.
    pub(super) mountings: Vec<Mounting>,
    /// Where what is known of each mounting comes from, by its words.
    pub(super) mounting_origins: HashMap<String, String>,
}

/// One of the angles of a stylus.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Angle {
    /// To the groove, at the radius where the setup was first played.
    Groove,
    /// To the cartridge body.
    Body,
    /// In the headshell: to the body, and the body's mounting.
    Headshell,
}

/// A quantity that is linear in the unknowns: `row' x + offset`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Linear {
    /// Coefficients of the unknowns.
    pub row: Coefficients,
    /// What is added.
    pub offset: f64,
}

impl Linear {
    /// Its value at `x`.
    pub fn at(&self, x: &[f64]) -> f64 {
        self.row.at(x) + self.offset
    }

    fn add(&mut self, place: Place, coefficient: f64) {
        match place {
            Place::Exact(value) => self.offset += coefficient * value,
            Place::Unknown(k, _) => self.row.add(k, coefficient),
        }
    }
}

/// Where a setup's tracking error comes from.
#[derive(Debug, Clone, PartialEq)]
enum Tracking {
    /// Unknowns that add up, each with its weight.
    Sum(Vec<(Place, f64)>),
    /// An arm's effective length, pivot to spindle and offset, the changes of
    /// the radius with their weights, and the radius.
    Arm([Place; 3], Vec<(Place, f64)>, f64),
}

/// An arm, the radius, the arm's dimensions, and the radius's changes with their weights.
type ArmAt<'a> = (Arm, f64, [Place; 3], &'a [(Place, f64)]);

/// The rotation of a stylus to its body.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Body {
    /// An unknown.
    Unknown(usize),
    /// A rotation in the headshell, less a mounting known exactly.
    Mounted(Place, f64),
}

impl Body {
    fn unknown(&self) -> Option<usize> {
        match self {
            Self::Unknown(k) => Some(*k),
            Self::Mounted(..) => None,
        }
    }
}

impl Network {
    /// An angle of a setup's stylus, linearised at `x`; `None` where the job says
    /// nothing of it (a spherical tip's rotation to the body).
    pub fn angle(&self, job: &Job, setup: &str, angle: Angle, x: &[f64]) -> Option<Linear> {
        let mut linear = Linear::default();
        match angle {
            Angle::Headshell => linear.add(*self.rotations.get(setup)?, 1.0),
            Angle::Body => match *self.bodies.get(&job.setups.get(setup)?.cartridge)? {
                Body::Unknown(k) => linear.row.add(k, 1.0),
                Body::Mounted(place, mounting) => {
                    linear.add(place, 1.0);
                    linear.offset -= mounting;
                }
            },
            Angle::Groove => {
                linear.add(*self.rotations.get(setup)?, 1.0);
                match self.tracking.get(setup) {
                    None => {}
                    Some(Tracking::Sum(places)) => {
                        for (place, weight) in places {
                            linear.add(*place, *weight);
                        }
                    }
                    Some(Tracking::Arm(..)) => {
                        let (arm, radius, dimensions, changes) = self.arm(setup, x)?;
                        let [of_radius, of_dimensions @ ..] = arm.tracking_gradient(radius);
                        linear.offset += arm.tracking_error(radius);
                        let changes = changes.iter().map(|(p, weight)| (*p, weight * of_radius));
                        for (place, slope) in
                            dimensions.into_iter().zip(of_dimensions).chain(changes)
                        {
                            if let Place::Unknown(k, _) = place {
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

    /// A setup's arm and the radius where it was first played, as they are at `x`, with what they
    /// depend on.
    fn arm(&self, setup: &str, x: &[f64]) -> Option<ArmAt<'_>> {
        let Some(Tracking::Arm(dimensions, changes, radius)) = self.tracking.get(setup) else {
            return None;
        };
        let value = |place: Place| match place {
            Place::Exact(value) => value,
            Place::Unknown(k, _) => x[k],
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

    /// Whether a capture of the setup tells its rotation to the groove.
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

    /// What wrong leads would change in what the capture of this block is predicted to read at `x`.
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

/// What a capture was made with.
struct Equipment<'a> {
    setup: &'a Setup,
    cartridge: &'a Cartridge,
    record: &'a Record,
    chain: &'a Chain,
    /// The arm, if its dimensions are stated, with its name.
    arm: Option<(&'a str, &'a PivotedArm)>,
}

impl<'a> Equipment<'a> {
    fn of(job: &'a Job, at: usize, spec: &CaptureSpec) -> Result<Self, JobError> {
        let setup = find(&job.setups, &spec.setup, "setup", at, spec)?;
        Ok(Self {
            setup,
            cartridge: find(&job.cartridges, &setup.cartridge, "cartridge", at, spec)?,
            record: find(&job.records, &spec.record, "record", at, spec)?,
            chain: find(&job.chains, &spec.chain, "chain", at, spec)?,
            arm: match setup.arm_name() {
                Some(name) => Some((name, find(&job.arms, name, "arm", at, spec)?)),
                None => None,
            },
        })
    }

    /// Whether the tip can see its own rotation.
    fn sees_rotation(&self) -> bool {
        self.cartridge.tip() != Profile::Spherical
    }
}

/// An input of the forward model as the job has it: the last part of its id, its words, what is
/// stated, and what is assumed else.
type Row<'a> = (Input, &'a str, &'a str, Stated, &'a DefaultPrior);

struct Builder<'a> {
    /// The job whose captures are being placed.
    job: &'a Job,
    /// What it is of, where it is an included one.
    included: Option<Included<'a>>,
    /// Standard deviation of the scatter between drops, seconds.
    scatter: f64,
    /// What all captures together tell of balls' levers, by their ids.
    levers: &'a Levers,
    parameters: Vec<Parameter>,
    index: BTreeMap<String, usize>,
    /// What the job itself holds to be exact.
    exact: BTreeMap<String, f64>,
    /// Unknowns of included captures alone, with their file.
    theirs: BTreeMap<usize, usize>,
    tracking: BTreeMap<String, Tracking>,
    /// Priors that came with the data.
    brought: Vec<Brought>,
    /// Ids of unknowns with such priors.
    seen: BTreeSet<Vec<String>>,
}

/// A prior of several unknowns together.
struct Brought {
    members: Vec<usize>,
    prior: TermPrior,
    /// Its words in a budget, where those of the first do not serve.
    words: Option<String>,
}

/// A job that is being included.
#[derive(Clone, Copy)]
struct Included<'a> {
    by: &'a Job,
    /// Which file, in the order of the job, and its name.
    file: usize,
    source: &'a str,
    /// Which of all included jobs.
    number: usize,
}

/// What included jobs bring.
#[derive(Default)]
struct Earlier {
    captures: Vec<Placed>,
    mountings: Vec<Mounting>,
    /// Rotations of styli to their bodies, which have no prior but through the mountings.
    styli: BTreeSet<usize>,
}

/// A capture placed among the unknowns.
struct Placed {
    observation: Observation,
    data: CaptureData,
    /// What its tracing shows, where the level is stated.
    tip_radius: Option<TipRadius>,
    label: String,
    /// The file that it is from.
    file: Option<usize>,
}

/// A cartridge body in the headshell: rotation there less rotation of the stylus
/// to the body, with what is known of the difference.
pub(super) struct Mounting {
    setup: String,
    /// The included file that it is from.
    file: Option<usize>,
    rotation: Place,
    stylus: usize,
    pub(super) known: Estimate,
    pub(super) origin: String,
}

impl Mounting {
    pub(super) fn id(&self) -> String {
        format!("setup.{}.mounting_deg", self.setup)
    }

    pub(super) fn words(&self) -> String {
        let of = named("setup", &self.setup);
        format!("mounting of the cartridge body ({of})")
    }

    /// As a combination of unknowns.
    pub(super) fn linear(&self) -> Linear {
        let mut linear = Linear::default();
        linear.add(self.rotation, 1.0);
        linear.row.add(self.stylus, -1.0);
        linear
    }
}

impl<'a> Builder<'a> {
    fn new(job: &'a Job, scatter: f64, levers: &'a Levers) -> Self {
        Self {
            job,
            included: None,
            scatter,
            levers,
            parameters: Vec::new(),
            index: BTreeMap::new(),
            exact: BTreeMap::new(),
            theirs: BTreeMap::new(),
            tracking: BTreeMap::new(),
            brought: Vec::new(),
            seen: BTreeSet::new(),
        }
    }
}

impl Builder<'_> {
    /// The name that an unknown of the job being placed has for all of them; `None` where it is that job's
    /// own. What a calibration leaves of a chain, or of a cartridge's crosstalk, is another
    /// quantity than the whole, and a setup that stays mounted is known by its day.
    fn shared(&self, id: &str) -> Option<String> {
        let Some(of) = self.included else {
            return Some(id.to_owned());
        };
        let (kind, rest) = id.split_once('.')?;
        let (name, key) = rest.rsplit_once('.')?;
        let beside = |whose: Option<&String>, here: Option<Option<&String>>| match (whose, here) {
            (whose, Some(here)) if whose == here => String::new(),
            (None, None) => String::new(),
            (whose, _) => format!("[{}]", whose.map_or("as it is", String::as_str)),
        };
        let suffix = match (kind, key) {
            ("record", _) if id.contains(".radius_mm[") => return None,
            ("record" | "arm" | "calibration", _) => String::new(),
            ("chain", _) => beside(
                self.job.chains.get(name)?.corrected_by.as_ref(),
                of.by.chains.get(name).map(|c| c.corrected_by.as_ref()),
            ),
            ("cartridge", key) if key == "scale" || key == crosstalk_phase_term().name => beside(
                self.job.cartridges.get(name)?.corrected_by.as_ref(),
                (of.by.cartridges.get(name)).map(|c| c.corrected_by.as_ref()),
            ),
            ("cartridge", _) => String::new(),
            ("setup", "rotation_deg" | "ball_path_um") => {
                let day = self.job.setups.get(name)?.mounted.as_ref();
                day?;
                beside(day, of.by.setups.get(name).map(|s| s.mounted.as_ref()))
            }
            _ => return None,
        };
        Some(format!("{id}{suffix}"))
    }

    /// The unknown called `id`, made when it is new; exact when its
    /// uncertainty is zero. What an earlier job stated stands in for what this one would
    /// only assume.
    fn place(
        &mut self,
        id: String,
        words: impl FnOnce() -> String,
        factor: f64,
        prior: Estimate,
        origin: impl Into<String>,
    ) -> Place {
        let origin = origin.into();
        let shared = self.shared(&id);
        let origin = match self.included {
            Some(of) if is_stated(&origin) => known_in(of.source),
            _ => origin,
        };
        let name = match (&shared, self.included) {
            (Some(shared), _) => shared.clone(),
            (None, Some(of)) => format!("{INCLUDED}{}.{id}", of.number),
            (None, None) => id,
        };
        if let Some(&k) = self.index.get(&name) {
            let known = &mut self.parameters[k];
            if origin.starts_with(KNOWN) && !known.is_stated() {
                known.prior = prior;
                known.origin = origin;
            }
            return Place::Unknown(k, known.prior.value);
        }
        if self.included.is_none() && prior.u == 0.0 {
            self.exact.insert(name.clone(), prior.value);
        }
        if let Some(&value) = self.exact.get(&name) {
            return Place::Exact(value);
        }
        if prior.u == 0.0 {
            return Place::Exact(prior.value);
        }
        let k = self.parameters.len();
        self.index.insert(name.clone(), k);
        let words = match (shared, self.included) {
            (None, Some(of)) => {
                self.theirs.insert(k, of.file);
                format!("{}, in '{}'", words(), of.source)
            }
            _ => words(),
        };
        self.parameters.push(Parameter {
            id: name,
            words,
            factor,
            prior,
            origin,
        });
        Place::Unknown(k, prior.value)
    }

    fn stated(
        &mut self,
        id: String,
        words: impl FnOnce() -> String,
        stated: Stated,
        default: &DefaultPrior,
    ) -> Place {
        let origin = origin(stated, default);
        self.place(id, words, default.factor, stated.or(default), origin)
    }

    /// The setup's own unknowns, which exist even without captures.
    fn rotation(&mut self, name: &str, setup: &Setup) -> Place {
        let cartridge = self.job.cartridges.get(&setup.cartridge);
        let default = priors::rotation(cartridge.and_then(|c| c.profile));
        self.stated(
            id::rotation(name),
            || {
                format!(
                    "what was known of the rotation of {} before",
                    named("setup", name)
                )
            },
            setup.rotation,
            default,
        )
    }

    /// The rotations of styli to their bodies, and what is known of the mountings
    /// that tie them to the rotations in the headshell.
    fn bodies(
        &mut self,
        rotations: &BTreeMap<String, Place>,
    ) -> (BTreeMap<String, Body>, Vec<Mounting>) {
        let job = self.job;
        let first = job.first_captures();
        let recorded = |name: &str| first.get(name).copied().unwrap_or(usize::MAX);
        let mut setups: Vec<(&String, &Setup)> = job.setups.iter().collect();
        setups.sort_by_key(|(name, _)| recorded(name));
        let mut bodies: BTreeMap<String, Body> = BTreeMap::new();
        let mut mountings = Vec::new();
        for (name, setup) in setups {
            let cartridge = job.cartridges.get(&setup.cartridge);
            if cartridge.is_some_and(|c| c.profile == Some(Profile::Spherical)) {
                continue;
            }
            let first = !bodies.contains_key(&setup.cartridge);
            let Some((stated, default)) = setup.mounting(first) else {
                continue;
            };
            let (known, rotation) = (stated.or(default), rotations[name]);
            if known.u == 0.0 {
                bodies
                    .entry(setup.cartridge.clone())
                    .or_insert(Body::Mounted(rotation, known.value));
                continue;
            }
            let of = named("cartridge", &setup.cartridge);
            let place = self.place(
                id::stylus_to_body(&setup.cartridge),
                || format!("rotation of the stylus to the body of {of}"),
                DEGREE,
                Estimate::zero(priors::ROTATION.estimate().u.hypot(known.u)),
                "follows from the rotation in the headshell and the mounting",
            );
            if let Place::Unknown(stylus, _) = place {
                bodies
                    .entry(setup.cartridge.clone())
                    .or_insert(Body::Unknown(stylus));
                mountings.push(Mounting {
                    setup: name.clone(),
                    file: None,
                    rotation,
                    stylus,
                    known,
                    origin: origin(stated, default),
                });
            }
        }
        (bodies, mountings)
    }

    /// What is not known of the radius: of a part, one change; of a stretch, those of the start and
    /// the end of its recording, and how the spiral between them wanders.
    /// Weights are those at these two shares of it.
    fn radii(&mut self, spec: &CaptureSpec, share: [f64; 2]) -> Vec<(Place, [f64; 2])> {
        let Some(stretch) = spec.stretch() else {
            let place = self.radius(spec, spec.radius, ("", "radius"), priors::RADIUS, 1.0);
            return vec![(place, [1.0; 2])];
        };
        let whole = stretch.whole(spec.radius);
        let mut list = Vec::new();
        for (part, words, weights) in [
            (".start", "first of the radii", share.map(|s| 1.0 - s)),
            (".end", "last of the radii", share),
        ] {
            let place = self.radius(spec, whole, (part, words), priors::RADIUS, 1.0);
            list.push((place, weights));
        }
        // the pitch wanders as the music does: a Brownian bridge in its own waves (Karhunen and
        // Loeve), each a part of the first
        for wave in 1..=WAVES.min(stretch.of) {
            let (k, id) = (wave as f64, format!(".wave[{wave}]"));
            let words = format!("groove pitch, wave {wave}, between the radii");
            let place = self.radius(spec, whole, (&id, &words), priors::SPIRAL, k.recip());
            list.push((place, share.map(|s| (k * PI * s).sin())));
        }
        list
    }

    /// A change of a radius that is read, or that goes from the first of a `span` to the other.
    fn radius(
        &mut self,
        spec: &CaptureSpec,
        span: [f64; 2],
        (part, words): (&str, &str),
        default: DefaultPrior,
        share: f64,
    ) -> Place {
        let span = span_mm(span);
        let date = self.job.read_on(spec);
        let read = default == priors::RADIUS;
        let stated = Stated {
            value: Some(spec.radius[0]),
            u: spec.radius_u.filter(|_| read),
        };
        self.place(
            format!(
                "record.{}.radius_mm[{span}{}]{part}",
                spec.record,
                suffix(spec.radius_u, date)
            ),
            || {
                let on_record = named("record", &spec.record);
                format!("{words} {span} mm on {on_record}{}", aside(date))
            },
            MILLIMETRE,
            Estimate::zero(stated.u.unwrap_or(share * default.estimate().u)),
            match read {
                true => origin(stated, &default),
                false => default.origin.to_owned(),
            },
        )
    }

    /// The tracking error of an arm of which nothing is stated: what all radii have in common, and
    /// what is this radius's own; of a stretch, how the error goes over its recording.
    fn unstated_tracking(&mut self, spec: &CaptureSpec) -> Vec<(Place, Course)> {
        let mut part = |key: &str, words: &str, default| {
            let words = || format!("tracking error of the arm, not stated: {words}");
            let id = format!("tracking_deg{key}");
            self.stated(id, words, Stated::default(), default)
        };
        let common = part("", "overhang and offset", &priors::TRACKING_COMMON);
        let mut parts = vec![(common, Course::Even)];
        if spec.stretch().is_some() {
            let slope = part(".slope", "slope over the radius", &priors::TRACKING_SLOPE);
            let bow = part(".bow", "bow over the radius", &priors::TRACKING_BOW);
            parts.extend([(slope, Course::Slope), (bow, Course::Bow)]);
        } else {
            let span = span_mm(spec.radius);
            let (key, words) = (format!("[{span}]"), format!("at {span} mm"));
            let own = part(&key, &words, &priors::TRACKING_RADIUS);
            parts.push((own, Course::Even));
        }
        parts
    }

    /// The inputs that one thing of the job has, in their order.
    fn inputs<'r>(
        &mut self,
        kind: &str,
        name: &str,
        rows: impl IntoIterator<Item = Row<'r>>,
    ) -> Vec<(Input, Place)> {
        let of = named(kind, name);
        let placed = rows.into_iter().map(|(input, key, what, stated, default)| {
            let (id, words) = (format!("{kind}.{name}.{key}"), || format!("{what} of {of}"));
            (input, self.stated(id, words, stated, default))
        });
        placed.collect()
    }

    /// The turn that the job states. The reference is exact: it is what the others are turned from.
    fn turn(&mut self, spec: &CaptureSpec) -> Place {
        let job = self.job;
        let turn = spec.turn.value.unwrap_or(0.0);
        let default = DefaultPrior {
            u: if turn == 0.0 { 0.0 } else { priors::TURN.u },
            ..priors::TURN
        };
        let words = || {
            let (turn, date) = (tidy(turn / DEGREE), aside(job.read_on(spec)));
            format!(
                "turn of {turn} deg in {}{date}",
                named("setup", &spec.setup)
            )
        };
        self.stated(turn_id(job, spec), words, spec.turn, &default)
    }

    /// The speed that was played at.
    fn speed(&mut self, spec: &CaptureSpec) -> Place {
        let (rpm, date) = (spec.nominal_rpm(), self.job.read_on(spec));
        let (u, origin) = match spec.rpm.u {
            Some(u) => (u, STATED.to_owned()),
            None => (
                priors::speed_u(rpm),
                format!("nominal speed; its uncertainty: {}", priors::SPEED_ORIGIN),
            ),
        };
        let rounded = tidy(rpm);
        self.place(
            format!("speed_rpm[{rounded}{}]", suffix(spec.rpm.u, date)),
            || format!("speed {rounded} rpm{}", aside(date)),
            1.0,
            Estimate { value: rpm, u },
            origin,
        )
    }

    /// The sizes of the tip, and what a ball's shape does at a rotation that it cannot see.
    fn tip(&mut self, spec: &CaptureSpec, with: &Equipment<'_>) -> Vec<(Input, Place)> {
        let c = with.cartridge;
        let [first, second, third] = priors::sizes(c.profile);
        let spacing = match c.contact_spacing.value {
            Some(_) => &priors::LINE_SPACING_STATED,
            None => first,
        };
        let side = (
            Input::Size1,
            "side_radius_um",
            "side radius",
            c.side_radius,
            second,
        );
        let shape = (
            Input::Size2,
            "shape",
            "tip shape at large angles",
            c.shape,
            third,
        );
        #[rustfmt::skip]
        let sizes = match c.tip() {
            Profile::Spherical => vec![
                (Input::Size0, "frontal_radius_um", "ball radius", c.frontal_radius, first),
                (Input::Size1, id::BALL_LEVER, "lever left on the ball", c.ball_lever, second),
            ],
            Profile::Elliptical => vec![
                (Input::Size0, "frontal_radius_um", "frontal radius", c.frontal_radius, first),
                side, shape,
            ],
            Profile::Line => vec![
                (Input::Size0, "contact_spacing_um", "contact spacing", c.contact_spacing, spacing),
                side, shape,
            ],
        };
        let mut sizes = self.inputs("cartridge", &with.setup.cartridge, sizes);
        if !with.sees_rotation() {
            let stated = c.ball_lever.or(&priors::BALL_LEVER);
            let known = self.levers.get(&id::ball_lever(&with.setup.cartridge));
            let lever = *known.unwrap_or(&stated);
            let rotation = with.setup.rotation.or(&priors::BALL_ROTATION);
            let of_setup = named("setup", &spec.setup);
            let path = self.place(
                format!("setup.{}.ball_path_um", spec.setup),
                || format!("ball that is not quite round, rotation unknown ({of_setup})"),
                priors::BALL_PATH.factor,
                Estimate::zero(rotation.u * lever.u.hypot(lever.value)),
                priors::BALL_PATH.origin,
            );
            sizes.push((Input::Size2, path));
        }
        sizes
    }

    /// What a cartridge does beside its tip.
    fn generator(&mut self, name: &str, c: &Cartridge) -> Vec<(Input, Place)> {
        #[rustfmt::skip]
        let rows = [
            (Input::Scale, id::SCALE, "crosstalk and vertical response", scale(c), &priors::SCALE),
            (Input::CartridgeSkew, "skew_us", "time skew", c.skew, &priors::CARTRIDGE_SKEW),
        ];
        self.inputs("cartridge", name, rows)
    }

    /// How a record side was cut.
    fn cut(&mut self, name: &str, r: &Record) -> Vec<(Input, Place)> {
        let lathe = match r.lathe_offset.value {
            Some(_) => &priors::LATHE_OFFSET_STATED,
            None => &priors::LATHE_OFFSET,
        };
        let half = |of: f64| of / 2.0;
        let Stated { value, u } = r.groove_angle;
        let half_angle = Stated {
            value: value.map(half),
            u: u.map(half),
        };
        let angle = DefaultPrior {
            value: half(priors::GROOVE_ANGLE.value),
            u: half(priors::GROOVE_ANGLE.u),
            ..priors::GROOVE_ANGLE
        };
        #[rustfmt::skip]
        let rows = [
            (Input::Cut, id::CUT, "cut rotation", r.cut_rotation, &priors::CUT),
            (Input::LatheOffset, "lathe_offset_mm", "lathe offset", r.lathe_offset, lathe),
            (Input::HalfAngle, "groove_half_angle_deg", "groove angle", half_angle, &angle),
            (Input::RecordSkew, "skew_us", "cutter time skew", r.skew, &priors::RECORD_SKEW),
        ];
        self.inputs("record", name, rows)
    }

    /// The time skew of a chain, or what a calibration leaves of it.
    fn chain_skew(&mut self, name: &str, chain: &Chain) -> Place {
        let (skew, from) = chain.skew_known();
        let words = match chain.beyond {
            Some(_) => "change since its calibration of",
            None => "time skew of",
        };
        let words = || format!("{words} {}", named("chain", name));
        self.place(id::chain_skew(name), words, MICROSECOND, skew, from)
    }

    /// The dimensions of an arm.
    fn dimensions(&mut self, name: &str, arm: &PivotedArm) -> Vec<(Input, Place)> {
        #[rustfmt::skip]
        let rows = [
            (Input::ArmLength, id::ARM_LENGTH, "effective length", arm.effective_length, &priors::ARM_LENGTH),
            (Input::ArmPivot, id::ARM_PIVOT, "pivot to spindle", arm.pivot_to_spindle, &priors::ARM_PIVOT),
            (Input::ArmOffset, id::ARM_OFFSET, "offset angle", arm.offset, &priors::ARM_OFFSET),
        ];
        self.inputs("arm", name, rows)
    }

    /// The unknowns of a capture's tracking error beside the `dimensions` of a stated arm. Where its setup was
    /// first played is kept, since the rotation to the groove is told there.
    fn tracking(
        &mut self,
        spec: &CaptureSpec,
        arm: &ArmOf,
        dimensions: &[(Input, Place)],
    ) -> Vec<(Place, Course)> {
        let reference = spec.reference();
        let (courses, there) = match (arm, dimensions) {
            (ArmOf::Unknown, _) => {
                let courses = self.unstated_tracking(spec);
                let there = courses.iter();
                let there = there.map(|(place, course)| (*place, course.at(reference)[0]));
                let there = there.collect();
                (courses, Tracking::Sum(there))
            }
            (_, &[(_, length), (_, pivot), (_, offset)]) => {
                let there = self.radii(spec, [0.5; 2]).into_iter();
                let there = there.map(|(place, [weight, _])| (place, weight)).collect();
                let dimensions = [length, pivot, offset];
                (Vec::new(), Tracking::Arm(dimensions, there, reference))
            }
            _ => return Vec::new(),
        };
        self.tracking.entry(spec.setup.clone()).or_insert(there);
        courses
    }

    /// The forward model of a capture: what it was made with, each quantity exact or an unknown.
    fn observation(
        &mut self,
        at: usize,
        spec: &CaptureSpec,
        with: &Equipment<'_>,
        nodes: Vec<Node>,
        terms: &[Term],
    ) -> Result<Observation, JobError> {
        let rotation = match with.sees_rotation() {
            // it would only multiply a lever that is nearly nothing: see `Tip`
            false => Place::Exact(with.setup.rotation.or(&priors::BALL_ROTATION).value),
            true => self.rotation(&spec.setup, with.setup),
        };
        // the unknowns stand in the order in which they are placed here
        let mut inputs = vec![(Input::Rotation, rotation), (Input::Turn, self.turn(spec))];
        let radii = self.radii(spec, spec.stretch().map_or([0.5; 2], Stretch::share));
        inputs.push((Input::Rpm, self.speed(spec)));
        inputs.extend(self.tip(spec, with));
        inputs.extend(self.generator(&with.setup.cartridge, with.cartridge));
        inputs.extend(self.cut(&spec.record, with.record));
        inputs.push((Input::ChainSkew, self.chain_skew(&spec.chain, with.chain)));
        let arm = with.arm.map(|(name, arm)| self.dimensions(name, arm));
        let arm = arm.unwrap_or_default();
        let tracking = match with.sees_rotation() {
            true => self.tracking(spec, &with.setup.arm, &arm),
            false => Vec::new(),
        };

        let mut observation = Observation::new(spec, with, nodes, terms.len());
        for (input, place) in inputs.into_iter().chain(arm) {
            observation.depends(place, Effect::Input(input));
        }
        for (place, weights) in radii {
            observation.depends(place, Effect::Radius(weights));
        }
        for (place, course) in tracking {
            observation.depends(place, Effect::Tracking(course));
        }
        if let (Some(hours), true) = (with.setup.hours, with.sees_rotation()) {
            let name = &with.setup.cartridge;
            let wear = self.stated(
                id::wear(name),
                || format!("wear of {}", named("cartridge", name)),
                with.cartridge.wear,
                &priors::WEAR,
            );
            observation.depends(wear, Effect::Wear(hours));
        }
        if let (Some(arm), Some((name, _))) = (observation.base.arm, with.arm)
            && let Some(&out) = spec.radius.iter().find(|&&r| !arm.reaches(r))
        {
            return Err(JobError::OutOfReach {
                capture: self.name(at, spec),
                arm: name.to_owned(),
                radius_mm: out / MILLIMETRE,
            });
        }
        let scatter = self.place(
            format!("capture.{}.scatter_us", at + 1),
            || SCATTER.to_owned(),
            MICROSECOND,
            Estimate::zero(self.scatter),
            "scatter of the job's own repeated captures",
        );
        observation.depends(scatter, Effect::Term(0, Side::BehindSwap));
        for (row, term) in terms.iter().enumerate().skip(1) {
            let (id, words) = term_name(term, spec, with.setup, at);
            let (prior, origin) = term_prior(term, with);
            let place = self.place(id, || words, 1.0, prior, origin);
            if let Place::Exact(_) = place {
                return Err(JobError::TermWithoutPrior {
                    capture: self.name(at, spec),
                    term: term.name.clone(),
                });
            }
            observation.depends(place, Effect::Term(row, term.side));
        }
        Ok(observation)
    }

    /// What is known together of the cuts of each session: each is a part that all share and one of its
    /// own. Cuts that are stated keep what is stated; the others are as these let expect (the conditional normal
    /// distribution).
    fn sessions(&mut self, job: &Job) {
        let mut sessions: BTreeMap<&str, BTreeMap<String, Stated>> = BTreeMap::new();
        let included = job.knowledge.iter().flat_map(|k| &k.parts);
        let jobs = [job].into_iter().chain(included.map(|part| &part.job));
        for (name, record) in jobs.flat_map(|job| &job.records) {
            if let Some(session) = &record.session {
                let sides = sessions.entry(session).or_default();
                let cut = sides.entry(id::cut(name)).or_default();
                if cut.value.is_none() {
                    *cut = record.cut_rotation;
                }
            }
        }
        let variance = |prior: DefaultPrior| prior.estimate().u.powi(2);
        let [shared, own] = [priors::CUT_OF_SESSION, priors::CUT_OF_SIDE].map(variance);
        for (session, ids) in sessions {
            // what is stated of sides that nothing is recorded of, or stated exactly, is no unknown
            let aside: Vec<Estimate> = ids
                .iter()
                .filter(|(id, stated)| !self.index.contains_key(*id) && stated.value.is_some())
                .map(|(_, stated)| stated.or(&priors::CUT))
                .collect();
            let unknowns = ids.keys().filter_map(|id| self.index.get(id).copied());
            let (mut members, open): (Vec<usize>, Vec<usize>) =
                unknowns.partition(|&k| self.parameters[k].is_stated());
            if open.is_empty() {
                continue;
            }
            let stated = members.iter().map(|&k| self.parameters[k].prior);
            let known: Vec<Estimate> = stated.chain(aside).collect();
            // of n cuts that are known, each tells this much of the shared part
            let gain = shared / (own + known.len() as f64 * shared);
            let sum: f64 = known.iter().map(|s| s.value).sum();
            let variances: Vec<f64> = known.iter().map(|s| s.u * s.u).collect();
            let common = gain * own + gain * gain * variances.iter().sum::<f64>();
            let stated = members.len();
            for &k in &open {
                self.parameters[k].prior = Estimate {
                    value: gain * sum,
                    u: (common + own).sqrt(),
                };
            }
            members.extend(open);
            let values = members.iter().map(|&k| self.parameters[k].prior.value);
            let values = Array1::from_iter(values);
            let covariance =
                Array2::from_shape_fn((members.len(), members.len()), |(a, b)| {
                    match (a < stated, b < stated) {
                        (true, true) if a == b => variances[a],
                        (true, true) => 0.0,
                        (true, false) => gain * variances[a],
                        (false, true) => gain * variances[b],
                        (false, false) => common + if a == b { own } else { 0.0 },
                    }
                });
            let terms = Vec::new();
            let prior = TermPrior {
                terms,
                values,
                covariance,
            };
            let words = Some(format!(
                "cut rotations of session {session}, their shared part and their own"
            ));
            self.brought.push(Brought {
                members,
                prior,
                words,
            });
        }
    }

    /// Makes the unknown that a file's value of another differs by: file, that other and this one.
    fn difference(&mut self, file: usize, id: &str, by: f64) -> Option<(usize, usize, usize)> {
        let k = *self.index.get(id)?;
        let of = &self.parameters[k];
        let difference = Parameter {
            id: format!("difference.{id}"),
            words: format!("difference of the {}", of.words),
            factor: of.factor,
            prior: Estimate::zero(by * of.prior.u),
            origin: "nothing is known of it before".to_owned(),
        };
        self.parameters.push(difference);
        Some((file, k, self.parameters.len() - 1))
    }

    fn name(&self, at: usize, spec: &CaptureSpec) -> String {
        match self.included {
            Some(of) => format!("{} of '{}'", locate(at, spec), of.source),
            None => locate(at, spec),
        }
    }

    /// A capture of the job being placed, with what its data bring.
    fn placed(
        &mut self,
        at: usize,
        spec: &CaptureSpec,
        mut data: CaptureData,
    ) -> Result<Placed, JobError> {
        let read = data
            .information
            .matrix
            .iter()
            .chain(&data.information.vector);
        if !read.copied().all(f64::is_finite) {
            return Err(JobError::Delay(self.name(at, spec)));
        }
        let with = Equipment::of(self.job, at, spec)?;
        if crosstalk_phase_u(with.cartridge) == 0.0 {
            data.information = data.information.without(&crosstalk_phase_term());
        }
        // priors that came with the data make their terms' unknowns first
        for prior in &data.priors {
            let names: Vec<_> = prior
                .terms
                .iter()
                .map(|t| term_name(t, spec, with.setup, at))
                .collect();
            let shared = |(id, _): &(String, String)| self.shared(id).unwrap_or_default();
            if !self.seen.insert(names.iter().map(shared).collect()) {
                continue;
            }
            let mut members = Vec::new();
            for (k, (id, words)) in names.into_iter().enumerate() {
                let own = Estimate {
                    value: prior.values[k],
                    u: prior.covariance[[k, k]].sqrt(),
                };
                if let Place::Unknown(at, _) = self.place(id, || words, 1.0, own, BROUGHT) {
                    members.push(at);
                }
            }
            if members.len() == prior.terms.len() {
                self.brought.push(Brought {
                    members,
                    prior: prior.clone(),
                    words: None,
                });
            }
        }
        let terms = &data.information.terms;
        let observation = self.observation(at, spec, &with, data.nodes.clone(), terms)?;
        Ok(Placed {
            tip_radius: self.tip_radius(spec, &with, &data, &observation),
            observation,
            label: self.name(at, spec),
            file: self.included.map(|of| of.file),
            data,
        })
    }

    /// What a capture's tracing shows of the tip, where its setup states the level.
    fn tip_radius(
        &mut self,
        spec: &CaptureSpec,
        with: &Equipment<'_>,
        data: &CaptureData,
        observation: &Observation,
    ) -> Option<TipRadius> {
        let (seen, stated) = (data.tracing?, with.setup.full_scale);
        let default = DefaultPrior {
            u: priors::FULL_SCALE_RELATIVE * stated.value? / priors::FULL_SCALE.factor,
            ..priors::FULL_SCALE
        };
        let words = || {
            let of_setup = named("setup", &spec.setup);
            format!("velocity that full scale stands for in {of_setup}")
        };
        let id = format!("setup.{}.full_scale_cm_s", spec.setup);
        let full_scale = self.stated(id, words, stated, &default);
        let (tip, observation) = (with.cartridge.tip(), observation.clone());
        Some(TipRadius::new(seen, tip, observation, full_scale))
    }

    /// Places the job's own captures; `None` for those that are not recorded.
    fn own_captures(&mut self, readings: Readings<'_>) -> Result<Vec<Option<Placed>>, JobError> {
        let job = self.job;
        let captures = job.captures.iter().enumerate();
        let placed = captures.map(|(at, spec)| {
            let data = match readings {
                Readings::Real(data) => data.get(at).cloned().flatten(),
                Readings::Predicted(expected, _) => Some(expected.data(at, spec)),
            };
            data.map(|data| self.placed(at, spec, data)).transpose()
        });
        placed.collect()
    }

    /// Places the captures of included jobs.
    fn earlier(&mut self) -> Result<Earlier, JobError> {
        let by = self.job;
        let own = std::mem::take(&mut self.tracking);
        let mut earlier = Earlier::default();
        let mut tips: BTreeMap<&str, (Profile, &str)> = BTreeMap::new();
        let mut identities: BTreeMap<_, (&str, &str)> = BTreeMap::new();
        let own_words = by.identities().into_iter();
        identities.extend(own_words.map(|(k, n, w, value)| ((k, n, w), (value, "this job"))));
        let here = by.cartridges.iter();
        tips.extend(here.map(|(name, c)| (name.as_str(), (c.tip(), "this job"))));
        let parts = by.knowledge.iter().enumerate();
        let parts = parts.flat_map(|(file, k)| k.parts.iter().map(move |part| (file, k, part)));
        for (number, (file, known, part)) in parts.enumerate() {
            let source = known.source.as_str();
            for (kind, name, what, value) in part.job.identities() {
                let key = (kind, name, what);
                let &mut (known, other) = identities.entry(key).or_insert((value, source));
                if known != value {
                    return Err(JobError::OtherThing {
                        thing: format!("{kind} '{name}'"),
                        what,
                        here: format!("'{value}' in '{source}'"),
                        there: format!("'{known}' in {other}"),
                    });
                }
            }
            for (name, cartridge) in &part.job.cartridges {
                let tip = cartridge.tip();
                let (profile, other) = *tips.entry(name).or_insert((tip, source));
                if profile != tip {
                    return Err(JobError::OtherTip {
                        cartridge: name.clone(),
                        file: source.to_owned(),
                        other: other.to_owned(),
                    });
                }
            }
            self.job = &part.job;
            self.scatter = part.scatter;
            self.included = Some(Included {
                by,
                file,
                source,
                number: number + 1,
            });
            let setups = part.job.setups.iter();
            let rotations: BTreeMap<String, Place> = setups
                .map(|(name, setup)| (name.clone(), self.rotation(name, setup)))
                .collect();
            let (bodies, mountings) = self.bodies(&rotations);
            earlier
                .styli
                .extend(bodies.values().filter_map(Body::unknown));
            earlier
                .mountings
                .extend(mountings.into_iter().map(|m| Mounting {
                    file: Some(file),
                    ..m
                }));
            for (at, (spec, data)) in part.job.captures.iter().zip(&part.data).enumerate() {
                let placed = self.placed(at, spec, data.clone())?;
                earlier.captures.push(placed);
            }
        }
        self.tracking = own;
        Ok(earlier)
    }
}

/// Prior of a term by its name, and where it comes from; zero uncertainty means that none is known
/// here (a block that comes with the data may still cover it).
fn term_prior(term: &Term, with: &Equipment<'_>) -> (Estimate, &'static str) {
    if *term == crosstalk_phase_term() {
        let u = crosstalk_phase_u(with.cartridge);
        return (Estimate::zero(u), "crosstalk: as that of the scale");
    }
    if is_response(term) {
        return (Estimate::zero(1.0), RESPONSE);
    }
    let mut parts = EQUALISER.iter();
    let is_part = term.owner == Owner::Chain
        && parts.any(|(seconds, _)| equaliser_term(*seconds).name == term.name);
    let tolerance = with.chain.component_tolerance;
    let u = match is_part {
        true => priors::equaliser_u(tolerance.unwrap_or(priors::COMPONENT_TOLERANCE)),
        false => 0.0,
    };
    (
        Estimate::zero(u),
        "tolerance of the equaliser's parts: stated, or 1 % (common practice, no source)",
    )
}

/// Name of the unknown that a capture's turn is.
pub(super) fn turn_id(job: &Job, spec: &CaptureSpec) -> String {
    let degrees = tidy(spec.turn.value.unwrap_or(0.0) / DEGREE);
    format!(
        "setup.{}.turn_deg[{degrees}{}]",
        spec.setup,
        suffix(spec.turn.u, job.read_on(spec))
    )
}

/// Waves that the spiral between two radii is taken to have. A Brownian bridge has
/// `sum 1/k^2` of variance in all; what these leave is a fourteenth, 0.7 mm.
const WAVES: usize = 8;

/// The outermost and the innermost modulated groove, millimetres, that the published alignments are
/// for (Lofgren 1938, Stevenson 1966).
const SIDE_RADII_MM: [f64; 2] = [146.05, 60.325];

/// How a part of the tracking error of an arm that is not stated goes over a side. Its sine is
/// `r / 2L + (L^2 - D^2) / 2Lr` ([`Arm::tracking_error`]): whatever the arm, a constant, `r` and `1/r` leave
/// next to nothing (tested). These are taken as
/// even, a slope and a bow about the geometric mean of outermost and innermost groove, 1 at the ends
/// beyond their mean; that of the bow is a third.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Course {
    Even,
    Slope,
    Bow,
}

impl Course {
    /// The weight at a radius, and its derivative, per metre.
    fn at(self, radius: f64) -> [f64; 2] {
        let [outer, inner] = SIDE_RADII_MM.map(|mm| mm * MILLIMETRE);
        let middle = (outer * inner).sqrt();
        let parts = |r: f64| [r / middle, middle / r];
        let [a, b] = parts(radius);
        let [end_a, end_b] = parts(outer);
        match self {
            Self::Even => [1.0, 0.0],
            Self::Slope => [a - b, (a + b) / radius].map(|of| of / (end_a - end_b)),
            Self::Bow => {
                let [value, slope] =
                    [a + b - 2.0, (a - b) / radius].map(|of| of / (end_a + end_b - 2.0));
                [value - 1.0 / 3.0, slope]
            }
        }
    }
}

/// A radius, or two, in millimetres as a person writes it.
fn span_mm(radius: [f64; 2]) -> String {
    let [start, end] = radius.map(|r| tidy(r / MILLIMETRE));
    if start == end {
        format!("{start}")
    } else {
        format!("{start}..{end}")
    }
}

impl Chain {
    /// What is known of the skew in corrected captures, and where that comes from.
    pub(super) fn skew_known(&self) -> (Estimate, String) {
        let default = &priors::CHAIN_SKEW;
        let stated = || (self.skew.or(default), origin(self.skew, default));
        self.beyond.clone().unwrap_or_else(stated)
    }
}

impl Cartridge {
    /// Its kind of tip: elliptical where none is stated.
    fn tip(&self) -> Profile {
        self.profile.unwrap_or(Profile::Elliptical)
    }
}

/// A cartridge's scale, as far as it is stated.
fn scale(cartridge: &Cartridge) -> Stated {
    Stated {
        u: cartridge
            .scale
            .u
            .or(cartridge.crosstalk_db.map(priors::scale_u)),
        ..cartridge.scale
    }
}

/// Prior standard uncertainty of the phase that crosstalk makes: as large as that of the
/// scale, of which most is crosstalk; apart from it, since the scale has other causes, and
/// crosstalk differs with frequency.
fn crosstalk_phase_u(cartridge: &Cartridge) -> f64 {
    scale(cartridge).or(&priors::SCALE).u
}

/// Id and words of a term's unknown.
fn term_name(term: &Term, spec: &CaptureSpec, setup: &Setup, at: usize) -> (String, String) {
    let (owner, words) = match &term.owner {
        // a budget names no file: pages are shown to others
        Owner::Capture => (format!("capture.{}", at + 1), format!("capture {}", at + 1)),
        Owner::Chain => (format!("chain.{}", spec.chain), named("chain", &spec.chain)),
        Owner::Cartridge => (
            format!("cartridge.{}", setup.cartridge),
            named("cartridge", &setup.cartridge),
        ),
        Owner::Record => (
            format!("record.{}", spec.record),
            named("record", &spec.record),
        ),
        Owner::Calibration(id) => (format!("calibration.{id}"), format!("calibration {id}")),
    };
    (
        format!("{owner}.{}", term.name),
        format!("{} of {words}", term.name),
    )
}

/// How to call a capture in a message.
pub(super) fn locate(at: usize, spec: &CaptureSpec) -> String {
    let what = format!("capture {} ({}", at + 1, spec.describe(at));
    match spec.line {
        Some(line) => format!("{what}, line {line})"),
        None => what + ")",
    }
}

/// Stated uncertainties and other dates make unknowns of their own: the same radius read
/// twice, with different care or on different days, is two readings.
fn suffix(u: Option<f64>, date: Option<&str>) -> String {
    let u = u.map_or_else(String::new, |u| format!(" u {u:e}"));
    u + &date.map_or_else(String::new, |date| format!(" on {date}"))
}

/// The date of a reading, where it has one of its own, after its words.
fn aside(date: Option<&str>) -> String {
    date.map_or_else(String::new, |date| format!(" ({date})"))
}

/// A number as people write it, free of the rounding of unit conversion.
pub(super) fn tidy(value: f64) -> f64 {
    (value * 1e6).round() / 1e6 + 0.0
}

fn find<'a, T>(
    map: &'a BTreeMap<String, T>,
    name: &str,
    kind: &'static str,
    at: usize,
    spec: &CaptureSpec,
) -> Result<&'a T, JobError> {
    map.get(name).ok_or_else(|| JobError::Missing {
        capture: locate(at, spec),
        kind,
        name: name.to_owned(),
        known: map.keys().cloned().collect::<Vec<_>>().join(", "),
    })
}

/// Budget line of what an included file brings of its own.
fn included_words(source: &str) -> String {
    format!("captures of '{source}'")
}

/// Blocks of a problem, with their budget lines and the included files that they are from.
#[derive(Default)]
struct Blocks {
    blocks: Vec<Block<'static>>,
    words: Vec<String>,
    included: Vec<Option<usize>>,
    /// Of the job's own captures, in their order.
    observations: Vec<Arc<Observation>>,
}

impl Blocks {
    fn push(&mut self, block: Block<'static>, words: String, file: Option<usize>) {
        self.blocks.push(block);
        self.words.push(words);
        self.included.push(file);
    }

    /// Priors that came with data; returns the unknowns that have one. `wrong` is an unknown whose prior is
    /// off by an error of so many times its standard uncertainty.
    fn brought(
        &mut self,
        parameters: &[Parameter],
        theirs: &BTreeMap<usize, usize>,
        brought: Vec<Brought>,
        wrong: Option<(usize, f64)>,
    ) -> Result<BTreeSet<usize>, JobError> {
        let mut covered = BTreeSet::new();
        for Brought {
            members,
            prior,
            words: of_all,
        } in brought
        {
            let Some(&first) = members.first() else {
                continue;
            };
            if members.iter().any(|k| covered.contains(k)) {
                continue;
            }
            covered.extend(&members);
            let words = &parameters[first].words;
            let label = match members.len() {
                1 => words.clone(),
                _ => of_all.unwrap_or_else(|| format!("{words} and what is known with it")),
            };
            let mut covariance = prior.covariance;
            if let Some((k, by)) = wrong
                && let Some(at) = members.iter().position(|&m| m == k)
            {
                covariance[[at, at]] *= 1.0 + by * by;
            }
            let block = Block::prior(label.clone(), members, prior.values, &covariance)?;
            self.push(block, label, theirs.get(&first).copied());
        }
        Ok(covered)
    }

    /// What is known of mountings; what stays mounted is mounted once.
    fn mountings<'a>(
        &mut self,
        mountings: impl Iterator<Item = &'a Mounting>,
    ) -> Result<(), JobError> {
        let mut mounted = BTreeSet::new();
        for mounting in mountings {
            let label = mounting.words();
            // rotation in the headshell = rotation to the body + mounting
            let Estimate { value, u } = mounting.known;
            let (unknowns, coefficients, value) = match mounting.rotation {
                Place::Unknown(k, _) => {
                    if !mounted.insert((k, mounting.stylus)) && mounting.file.is_some() {
                        continue;
                    }
                    (vec![k, mounting.stylus], vec![1.0, -1.0], value)
                }
                Place::Exact(rotation) => (vec![mounting.stylus], vec![-1.0], value - rotation),
            };
            let block = Block::relation(label.clone(), unknowns, coefficients, value, u)?;
            self.push(block, label, mounting.file);
        }
        Ok(())
    }

    /// The priors of all unknowns that have none yet.
    fn priors(
        &mut self,
        parameters: &[Parameter],
        theirs: &BTreeMap<usize, usize>,
        covered: BTreeSet<usize>,
        wrong: Option<(usize, f64)>,
    ) -> Result<(), JobError> {
        let open = parameters.iter().enumerate();
        for (k, parameter) in open.filter(|(k, _)| !covered.contains(k)) {
            let off = wrong.map_or(0.0, |(at, by)| if at == k { by } else { 0.0 });
            let variance = parameter.prior.u.powi(2) * (1.0 + off * off);
            let block = Block::prior(
                parameter.words.clone(),
                vec![k],
                Array1::from_elem(1, parameter.prior.value),
                &Array2::from_elem((1, 1), variance),
            )?;
            self.push(block, parameter.words.clone(), theirs.get(&k).copied());
        }
        Ok(())
    }

    /// A capture. With `foreseen` it reads what is predicted where these unknowns start; with `apart` one of
    /// its unknowns differs from everybody else's, by another.
    fn capture(
        &mut self,
        placed: Placed,
        foreseen: Option<&Vec<Unknown>>,
        apart: Option<(usize, usize, usize)>,
    ) -> Result<(), JobError> {
        let observation = Arc::new(placed.observation);
        let tracing = format!("tracing of {}", placed.label);
        let Information { matrix, vector, .. } = placed.data.information;
        let members = observation.unknowns.clone();
        let vector = match foreseen {
            Some(unknowns) => {
                let own: Vec<f64> = members.iter().map(|&k| unknowns[k].start).collect();
                matrix.dot(&observation.evaluate(&own).values)
            }
            None => vector,
        };
        let apart = apart.and_then(|(_, k, difference)| {
            let at = members.iter().position(|&other| other == k)?;
            Some((at, difference))
        });
        if placed.file.is_none() {
            self.observations.push(Arc::clone(&observation));
        }
        let block = match apart {
            None => Block::data(placed.label, members, matrix, &vector, move |own| {
                observation.evaluate(own)
            })?,
            Some((at, difference)) => {
                let members = [members, vec![difference]].concat();
                Block::data(placed.label, members, matrix, &vector, move |own| {
                    observation.evaluate_apart(own, at)
                })?
            }
        };
        self.push(block, READINGS.to_owned(), placed.file);
        if let Some(tip_radius) = placed.tip_radius {
            let block = tip_radius.block(tracing)?;
            self.push(block, TRACING.to_owned(), placed.file);
        }
        Ok(())
    }
}

/// Makes the network of a job.
pub(super) fn network(
    job: &Job,
    readings: Readings<'_>,
    scatter: f64,
) -> Result<Network, JobError> {
    with_doubt(job, readings, scatter, Doubt::None)
}

/// What is not taken for granted in a network.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Doubt<'a> {
    /// Nothing.
    None,
    /// The prior of this unknown is off by an error of its own, with a standard uncertainty of
    /// so many times that of the prior.
    Prior(&'a str, f64),
    /// This included file is about another value of this unknown than everything else, and neither is
    /// known well: how much they differ is the last unknown, and it and the value have so many
    /// times the prior's standard uncertainty.
    Value(usize, &'a str, f64),
}

/// The same, one thing in doubt.
///
/// The path of a ball is its lever times its rotation, and both may be nothing: there the tangent of the
/// product vanishes, and an adjustment of both would take the path for known. Given the lever, it
/// is proportional to the rotation, of which no capture tells anything. So it is an unknown of its own
/// whose variance is that of the rotation times the mean square of the lever by all captures: those at
/// known turns tell the lever, whatever the path.
pub(super) fn with_doubt(
    job: &Job,
    readings: Readings<'_>,
    scatter: f64,
    doubt: Doubt<'_>,
) -> Result<Network, JobError> {
    let network = build(job, readings, scatter, doubt, &Levers::new())?;
    match network.has_turned_ball {
        true => build(job, readings, scatter, doubt, &network.levers(readings)?),
        false => Ok(network),
    }
}

/// What is known of balls' levers, metres, by their ids.
type Levers = BTreeMap<String, Estimate>;

impl Network {
    fn balls(&self) -> impl Iterator<Item = (&String, usize)> {
        let of_ball = |id: &str| id.rsplit('.').next() == Some(id::BALL_LEVER);
        let unknowns = self.index.iter().filter(move |(id, _)| of_ball(id));
        unknowns.map(|(id, &k)| (id, k))
    }

    /// What an adjustment found of the levers of its balls.
    pub(super) fn levers_at(&self, solution: &Solution) -> Levers {
        let found = |k: usize| Estimate {
            value: solution.values[k],
            u: solution.uncertainty(k),
        };
        self.balls().map(|(id, k)| (id.clone(), found(k))).collect()
    }

    /// What it tells of the levers of its balls.
    fn levers(&self, readings: Readings<'_>) -> Result<Levers, JobError> {
        let (expected, world) = match readings {
            Readings::Real(_) => return Ok(self.levers_at(&self.problem.solve()?)),
            Readings::Predicted(expected, world) => (expected, world),
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

/// Most setups of one cartridge: their bands are found together, at a cost that grows with their square. So many
/// took 52 s and 3 GB (two cores); common practice, no source, that nobody waits longer.
const MOST_SETUPS: usize = 2_000;

/// Puts the network together.
fn build(
    job: &Job,
    readings: Readings<'_>,
    scatter: f64,
    doubt: Doubt<'_>,
    levers: &Levers,
) -> Result<Network, JobError> {
    let mut setups_of: BTreeMap<&str, usize> = BTreeMap::new();
    for setup in job.setups.values() {
        *setups_of.entry(&setup.cartridge).or_default() += 1;
    }
    if let Some((cartridge, &setups)) = setups_of.iter().find(|(_, n)| **n > MOST_SETUPS) {
        return Err(JobError::TooManySetups {
            cartridge: named("cartridge", cartridge),
            setups,
            most: MOST_SETUPS,
        });
    }
    let mut builder = Builder::new(job, scatter, levers);
    let setups = job.setups.iter();
    let rotations: BTreeMap<String, Place> = setups
        .map(|(name, setup)| (name.clone(), builder.rotation(name, setup)))
        .collect();
    let (bodies, mountings) = builder.bodies(&rotations);
    let placed = builder.own_captures(readings)?;
    let own_caveats = |(spec, at): (&CaptureSpec, usize)| {
        let caveats = placed[at].iter().flat_map(|p| &p.data.caveats);
        let with_name = |c: &Caveat| Caveat {
            message: format!("{}: {}", spec.describe(at), c.message),
            ..c.clone()
        };
        caveats.map(with_name).collect::<Vec<_>>()
    };
    let caveats = job.captures.iter().zip(0..).flat_map(own_caveats).collect();
    let own = builder.parameters.len();
    let earlier = builder.earlier()?;
    builder.sessions(job);
    let apart = match doubt {
        Doubt::Value(file, id, by) => builder.difference(file, id, by),
        _ => None,
    };
    let Builder {
        parameters,
        index,
        tracking,
        theirs,
        brought,
        ..
    } = builder;
    let known = |e: &Estimate| e.value.is_finite() && e.u.is_finite() && e.u >= 0.0;
    if let Some(wrong) = parameters.iter().find(|p| !known(&p.prior)) {
        return Err(JobError::Prior {
            unknown: wrong.id.clone(),
            value: wrong.prior.value,
            u: wrong.prior.u,
        });
    }
    let mut unknowns: Vec<Unknown> = parameters
        .iter()
        .map(|p| Unknown {
            name: p.words.clone(),
            start: p.prior.value,
            scale: p.prior.u,
        })
        .collect();
    if let Readings::Predicted(expected, world) = readings {
        for (unknown, parameter) in unknowns.iter_mut().zip(&parameters) {
            if let Some(start) = expected.start(job, parameter, world) {
                unknown.start = start;
            }
        }
    }

    let wrong = match doubt {
        Doubt::Prior(id, by) | Doubt::Value(_, id, by) => index.get(id).map(|k| (*k, by)),
        Doubt::None => None,
    };
    let styli = bodies.values().filter_map(Body::unknown);
    let styli = styli.chain(earlier.styli).collect();
    let mut list = Blocks::default();
    let covered = list.brought(&parameters, &theirs, brought, wrong)?;
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
            Readings::Predicted(expected, _) => {
                placed.file.is_none() && expected.found(at).is_none()
            }
            Readings::Real(_) => false,
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::adjust::Cholesky;

    /// A constant, a slope and a bow leave next to nothing of real arms' tracking errors over a side: the
    /// alignments of 60 to 146 mm of Lofgren (1938) and Stevenson (1966), as in `groove::arm`, and
    /// arms set a millimetre and half a degree off.
    #[test]
    fn the_courses_hold_what_an_arm_does() {
        let courses = [Course::Even, Course::Slope, Course::Bow];
        for (length, overhang, offset) in [
            (228.6, 18.173388612678593, 24.127574774906975),
            (228.6, 16.056985475229055, 22.878046875966373),
            (230.0, 18.053311467362676 + 1.0, 23.97146185629655 - 0.5),
            (240.0, 17.241388988100425 - 1.0, 22.914257801433884 + 0.5),
        ] {
            let arm = Arm {
                effective_length: length * MILLIMETRE,
                pivot_to_spindle: (length - overhang) * MILLIMETRE,
                offset: offset * DEGREE,
            };
            let radii: Vec<f64> = (0..17)
                .map(|k| (62.0 + 5.0 * f64::from(k)) * MILLIMETRE)
                .collect();
            let design = Array2::from_shape_fn((17, 3), |(k, c)| courses[c].at(radii[k])[0]);
            let errors: Array1<f64> = radii.iter().map(|&r| arm.tracking_error(r)).collect();
            let factor = Cholesky::new(&design.t().dot(&design)).unwrap();
            let left = &errors - &design.dot(&factor.solve(&design.t().dot(&errors)));
            let rms = (left.dot(&left) / 17.0).sqrt();
            assert!(rms < 0.004 * DEGREE, "{length}: {} degrees", rms / DEGREE);
        }
        // the derivative, by a difference
        for course in courses {
            let step = 1e-6;
            let [high, low] = [step, -step].map(|d| course.at(0.1 + d)[0]);
            assert!(
                ((high - low) / (2.0 * step) - course.at(0.1)[1]).abs() < 1e-6,
                "{course:?}"
            );
        }
    }
}
