//! From the solved network to results in the user's terms.

use super::description::{Job, Source};
use super::network::{self, CaptureData, Network, Readings, id};
use super::scatter::{Comparable, Scatter};
use super::{JobError, Knowledge, calibration, outliers, priors};
use crate::adjust::{self, Determined, Marginal, Termination};
use crate::delay::Information;
use crate::groove::{Profile, Tip};
use crate::uncertainty::{
    BudgetLine, Caveat, Conformity, Direction, Quantity, Warning, budget, conformity, is_doubted,
    plain,
};
use crate::units::{DEGREE, MICROMETRE, MICROSECOND, MILLIMETRE};
use ndarray::{Array1, Array2};
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::f64::consts::FRAC_PI_2;

/// Distance of a cartridge's mounting holes, millimetres: half an inch, the
/// trade's standard (common practice, no source).
const MOUNTING_HOLES_MM: f64 = 12.7;

/// Turn that a headshell allows when none is stated, degrees (common
/// practice, no source).
const DEFAULT_MAX_TURN_DEG: f64 = 8.0;

/// Correlation from which a pair of unknowns is named (issue 4).
const NAMED_CORRELATION: f64 = 0.9;

/// Radii that records are cut at, millimetres: 30 cm ones from 146 to 60 or a little less,
/// smaller ones to 53 (common practice, no source).
const USUAL_RADII_MM: std::ops::RangeInclusive<f64> = 50.0..=150.0;

/// Whether records are played at this speed, revolutions per minute, give or take 5 % that
/// a turntable may be off or was set to.
pub fn is_usual_speed(rpm: f64) -> bool {
    [50.0 / 3.0, 100.0 / 3.0, 45.0, 78.26]
        .iter()
        .any(|usual| (rpm / usual - 1.0).abs() <= 0.05)
}

/// A chi-square that chance exceeds, or stays below, less often than this is
/// doubted; common practice, no source.
const DOUBTED_P: f64 = 0.01;

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
/// A stylus turned further than this is doubted, degrees: several times what
/// makers allow. Common practice, no source.
const IMPLAUSIBLE_DEG: f64 = 15.0;
/// An adjustment that did not settle and led beyond a right angle is no result.
const LOST_DEG: f64 = 90.0;

/// Code of the note that a rotation contains the arm's tracking error.
pub const ARM_NOT_STATED: Warning = Warning::ArmNotStated;

/// What to do about a rotation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Correction {
    /// Turn to make, degrees, clockwise positive.
    pub turn_deg: f64,
    /// The same in words.
    pub direction: Direction,
    /// How far one mounting hole moves against the other, millimetres.
    pub mounting_hole_mm: f64,
    /// Rotation expected to remain, degrees.
    pub remaining_deg: f64,
}

/// The correction of a rotation by the opposite turn, limited by what the
/// headshell allows. `None` while the band does not say which way.
pub fn correction(rotation_deg: &Quantity, max_turn_deg: Option<f64>) -> Option<Correction> {
    if Direction::resolved(rotation_deg) == Direction::NoneResolved {
        return None;
    }
    let limit = max_turn_deg.unwrap_or(DEFAULT_MAX_TURN_DEG);
    let turn_deg = (-rotation_deg.value).clamp(-limit, limit);
    Some(Correction {
        turn_deg,
        direction: Direction::of(turn_deg),
        mounting_hole_mm: MOUNTING_HOLES_MM * (turn_deg * DEGREE).sin().abs(),
        remaining_deg: rotation_deg.value + turn_deg,
    })
}

/// What is known of a setup.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SetupResult {
    /// Its name.
    pub name: String,
    /// Rotation of the stylus, clockwise positive.
    pub rotation_deg: Quantity,
    /// What its uncertainty consists of.
    pub budget: Vec<BudgetLine>,
    /// Conformity to the tolerance, if one is stated.
    pub conformity: Option<Conformity>,
    /// What to do, if the band says which way.
    pub correction: Option<Correction>,
    /// The turn at which both edges read together, from known turns.
    pub zero_setting_deg: Option<Quantity>,
    /// Whether the tip cannot see its own rotation, which then is only what
    /// was known before; neither conformity nor correction follow from it.
    #[serde(skip)]
    pub blind: bool,
    /// Whether no arm is stated, so that the rotation contains the arm's tracking error.
    #[serde(skip)]
    pub to_groove: bool,
}

/// What is known of a record side.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RecordResult {
    /// Its name.
    pub name: String,
    /// Rotation of its cut.
    pub cut_rotation_deg: Quantity,
}

/// What is known of a cartridge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CartridgeResult {
    /// Its name.
    pub name: String,
    /// Lever at zero rotation in a 90 degree groove, micrometres.
    pub lever_um: Quantity,
    /// Factor on the groove's delay.
    pub scale: Quantity,
}

/// What is known of a chain.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ChainResult {
    /// Its name.
    pub name: String,
    /// Time error of the right channel against the left, microseconds.
    pub skew_us: Quantity,
}

/// How one capture fits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CaptureResult {
    /// Its file, or what it is.
    pub file: String,
    /// Delay as recorded; random part and equaliser terms only.
    pub delay_us: Quantity,
    /// Delay as adjusted.
    pub predicted_us: f64,
    /// Measured minus predicted by everything else, over its standard
    /// uncertainty; null where nothing else says anything about it.
    pub normalized_residual: Option<f64>,
}

/// What determines an unknown.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct UnknownResult {
    /// Its stable name.
    pub name: String,
    /// Where its value comes from.
    pub determined_by: Determined,
}

/// A pair of unknowns that the job can hardly tell apart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Correlation {
    /// One.
    pub first: String,
    /// The other.
    pub second: String,
    /// Their correlation coefficient.
    pub coefficient: f64,
}

/// How well everything fits together.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Fit {
    /// Sum of squared normalised residuals of captures and priors.
    pub chi_square: f64,
    /// Its degrees of freedom.
    pub degrees_of_freedom: usize,
    /// Probability of a larger one by chance; null without degrees of freedom.
    pub p_value: Option<f64>,
}

/// All results of a job.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Solution {
    /// Per setup.
    pub setups: Vec<SetupResult>,
    /// Per record side.
    pub records: Vec<RecordResult>,
    /// Per cartridge.
    pub cartridges: Vec<CartridgeResult>,
    /// Per chain.
    pub chains: Vec<ChainResult>,
    /// Per capture that has been read.
    pub captures: Vec<CaptureResult>,
    /// Per unknown.
    pub unknowns: Vec<UnknownResult>,
    /// Pairs correlated above 0.9.
    pub correlations: Vec<Correlation>,
    /// Fit as a whole.
    pub fit: Fit,
    /// Doubts.
    pub warnings: Vec<Caveat>,
}

impl Solution {
    /// Takes advice and verdicts back where a serious doubt stands.
    pub fn heed_doubts(&mut self) {
        if is_doubted(&self.warnings) {
            for setup in &mut self.setups {
                setup.correction = None;
                setup.conformity = setup.conformity.map(Conformity::withheld);
            }
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
}

/// Adjusts a job. `data` holds one entry per capture of the job, `None` for
/// those that are not recorded yet; bands have the given `coverage`.
pub fn solve(job: &Job, data: &[Option<CaptureData>], coverage: f64) -> Result<Solved, JobError> {
    refuse_known(job, data)?;
    let scatter = Scatter::between_drops(job, data);
    let network = network::network(job, Readings::Real(data), scatter.deviation)?;
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
    let mut solution = view.solution(data)?;
    let comparable = Comparable {
        job,
        data,
        scatter: scatter.deviation,
    };
    for setup in &mut solution.setups {
        let turns = comparable.turns(&setup.name, coverage);
        setup.zero_setting_deg = turns.map(|t| t.found);
    }
    solution.warnings.extend(scatter.caveat(job));
    solution.warnings.extend(same_recording(job, data));
    solution.warnings.extend(calibration::cross_check(
        job,
        data,
        scatter.deviation,
        coverage,
    )?);
    solution
        .warnings
        .extend(outliers::find(job, data, &scatter, &network, &adjustment));
    solution
        .warnings
        .sort_by_key(|w| std::cmp::Reverse(w.level));
    solution.heed_doubts();
    Ok(Solved {
        network,
        adjustment,
        coverage,
        solution,
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
    let Some(k) = network.unknown(&match turned {
        Turned::Stylus(setup) => id::rotation(setup),
        Turned::Cut(record) => id::cut(record),
    }) else {
        return Ok(None);
    };
    let adjustment = network.problem.solve()?;
    let factor = network.parameters[k].factor.recip();
    let lines = unknown_budget(&network, &adjustment, k, factor);
    let noise = lines.iter().find(|line| line.source == network::READINGS);
    Ok(Some(Quantity::normal(
        adjustment.values[k] * factor,
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
        if let Some(knowledge) = job.knowledge.iter().find(|k| k.captures.contains(hash)) {
            return Err(JobError::AlreadyUsed {
                capture: network::locate(at, &job.captures[at]),
                file: knowledge.source.clone(),
            });
        }
    }
    Ok(())
}

/// The same recording under two entries counts twice.
fn same_recording(job: &Job, data: &[Option<CaptureData>]) -> Vec<Caveat> {
    let mut seen = std::collections::BTreeMap::new();
    let mut caveats = Vec::new();
    for (at, data) in data.iter().enumerate() {
        let spec = &job.captures[at];
        let Some(hash) = data.as_ref().and_then(|d| d.sha256.clone()) else {
            continue;
        };
        let span = (spec.from_s.map(f64::to_bits), spec.to_s.map(f64::to_bits));
        if let Some(first) = seen.insert((hash, span), at) {
            caveats.push(Caveat::serious(
                Warning::SameRecordingTwice,
                format!(
                    "{} and {} are the same recording and the same span, so it counts twice; remove one",
                    network::locate(first, &job.captures[first]),
                    network::locate(at, spec)
                ),
            ));
        }
    }
    caveats
}

impl Solved {
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

    /// What the job has learned about records, cartridges, chains and arms,
    /// for later jobs; `data` as given to [`solve`].
    pub fn knowledge(&self, job: &Job, data: &[Option<CaptureData>]) -> Knowledge {
        let lasting = ["record.", "cartridge.", "chain.", "arm.", "calibration."];
        let members: Vec<usize> = (0..self.network.parameters.len())
            .filter(|&k| {
                let id = &self.network.parameters[k].id;
                // a radius belongs to a band, not to what is known of the record
                lasting.iter().any(|p| id.starts_with(p)) && !id.contains(".radius_mm[")
            })
            .collect();
        let factor = |k: usize| self.network.parameters[k].factor;
        let mut captures: Vec<String> = job
            .knowledge
            .iter()
            .flat_map(|k| k.captures.iter().cloned())
            .chain(data.iter().flatten().filter_map(|d| d.sha256.clone()))
            .collect();
        captures.sort();
        captures.dedup();
        Knowledge {
            source: String::new(),
            ids: members
                .iter()
                .map(|&k| self.network.parameters[k].id.clone())
                .collect(),
            values: members
                .iter()
                .map(|&k| self.adjustment.values[k] / factor(k))
                .collect(),
            covariance: Array2::from_shape_fn((members.len(), members.len()), |(i, j)| {
                let (i, j) = (members[i], members[j]);
                self.adjustment.covariance[[i, j]] / (factor(i) * factor(j))
            }),
            captures,
        }
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
            self.adjustment.covariance[[k, k]].sqrt(),
            self.coverage,
        );
        quantity.interval = marginal(&self.network, &self.adjustment, k)?.interval(self.coverage);
        let lines = unknown_budget(&self.network, &self.adjustment, k, factor);
        Ok(Some((quantity.scaled(factor), lines)))
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
        &network.unit(k),
        bounds,
    )?)
}

fn unknown_budget(
    network: &Network,
    adjustment: &adjust::Solution,
    k: usize,
    factor: f64,
) -> Vec<BudgetLine> {
    combination_budget(network, adjustment, &(network.unit(k) * factor))
}

/// Budget of any combination of unknowns; equal words are added together.
pub(super) fn combination_budget(
    network: &Network,
    adjustment: &adjust::Solution,
    combination: &Array1<f64>,
) -> Vec<BudgetLine> {
    let parts = network.problem.variance_parts(adjustment, combination);
    let mut lines: Vec<(String, f64)> = Vec::new();
    for (words, part) in network.words.iter().zip(parts) {
        match lines.iter_mut().find(|(w, _)| w == words) {
            Some(line) => line.1 += part,
            None => lines.push((words.clone(), part)),
        }
    }
    budget(lines)
}

/// A job beside its minimum.
pub(super) struct View<'a> {
    pub(super) job: &'a Job,
    pub(super) network: &'a Network,
    pub(super) adjustment: &'a adjust::Solution,
    pub(super) coverage: f64,
}

impl View<'_> {
    fn solution(&self, data: &[Option<CaptureData>]) -> Result<Solution, JobError> {
        let mut warnings = self.network.caveats.clone();
        let shared = self.marginals_by_lever()?;
        let mut names: Vec<&String> = self.job.setups.keys().collect();
        // as they were recorded; those that cannot see their rotation last
        let blind = |name: &String| {
            let cartridge = self.job.cartridges.get(&self.job.setups[name].cartridge);
            cartridge.is_some_and(|c| c.profile == Some(Profile::Spherical))
        };
        let recorded = |name: &String| {
            let first = self.job.captures.iter().position(|c| c.setup == *name);
            first.unwrap_or(usize::MAX)
        };
        names.sort_by_key(|name| (blind(name), recorded(name)));
        let setups = names
            .into_par_iter()
            .map(|name| self.setup(name, shared.get(name)))
            .collect::<Result<Vec<_>, _>>()?;
        let (determined, rank) = self.network.problem.determination(self.adjustment);
        let captures = self.captures(data);
        self.general_warnings(rank, &mut warnings);
        Ok(Solution {
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
                    })
                })
                .collect::<Result<_, JobError>>()?,
            cartridges: self
                .job
                .cartridges
                .keys()
                .map(|name| self.cartridge(name))
                .collect::<Result<_, _>>()?,
            chains: self
                .job
                .chains
                .iter()
                .map(|(name, chain)| {
                    let exact = chain.skew.or(&priors::CHAIN_SKEW).value;
                    Ok(ChainResult {
                        name: name.clone(),
                        skew_us: self.parameter(&id::chain_skew(name), exact, MICROSECOND)?,
                    })
                })
                .collect::<Result<_, JobError>>()?,
            captures,
            unknowns: self
                .network
                .parameters
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
            warnings,
        })
    }

    fn is_small(&self) -> bool {
        self.network.parameters.len() <= ALWAYS_MARGINAL
    }

    /// An unknown in its unit, or the exact value it has.
    fn parameter(&self, id: &str, exact: f64, factor: f64) -> Result<Quantity, JobError> {
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
        let u = self.adjustment.covariance[[k, k]].sqrt();
        let mut quantity = Quantity::normal(self.adjustment.values[k], u, self.coverage);
        if let Some(marginal) = marginal {
            quantity.interval = marginal.interval(self.coverage);
        }
        quantity
    }

    fn marginal(&self, k: usize) -> Result<Marginal, JobError> {
        marginal(self.network, self.adjustment, k)
    }

    /// In a large job: marginals of the rotations whose cartridge has a poorly
    /// known lever, by setup.
    fn marginals_by_lever(&self) -> Result<BTreeMap<String, Marginal>, JobError> {
        if self.is_small() {
            return Ok(BTreeMap::new());
        }
        let cartridges: Vec<&String> = self.job.cartridges.keys().collect();
        let by_cartridge = cartridges.into_par_iter().map(|cartridge| {
            let (along, u) = self.relative_lever(cartridge);
            let unknown = |name: &String| self.network.unknown(&id::rotation(name));
            let setups = self
                .job
                .setups
                .iter()
                .filter(|(_, s)| s.cartridge == *cartridge);
            let (names, targets): (Vec<String>, Vec<Array1<f64>>) = setups
                .filter_map(|(name, _)| Some((name.clone(), self.network.unit(unknown(name)?))))
                .unzip();
            if u <= RELATIVE_LEVER || targets.is_empty() {
                return Ok(Vec::new());
            }
            let problem = &self.network.problem;
            let marginals = Marginal::through(problem, self.adjustment, &along, &targets)?;
            Ok(names.into_iter().zip(marginals).collect())
        });
        let by_cartridge = by_cartridge.collect::<Result<Vec<_>, JobError>>()?;
        Ok(by_cartridge.into_iter().flatten().collect())
    }

    fn setup(&self, name: &str, shared: Option<&Marginal>) -> Result<SetupResult, JobError> {
        let limits = &self.job.limits;
        let setup = &self.job.setups[name];
        let blind = self
            .job
            .cartridges
            .get(&setup.cartridge)
            .is_some_and(|c| c.profile == Some(Profile::Spherical));
        let tolerance = limits.tolerance.filter(|_| !blind);
        let Some(k) = self.network.unknown(&id::rotation(name)) else {
            let profile = self
                .job
                .cartridges
                .get(&setup.cartridge)
                .and_then(|c| c.profile);
            let exact = setup.rotation.or(priors::rotation(profile)).value / DEGREE;
            return Ok(SetupResult {
                name: name.to_owned(),
                rotation_deg: Quantity::normal(exact, 0.0, self.coverage),
                budget: Vec::new(),
                conformity: tolerance.map(|tolerance| {
                    let inside = if exact.abs() * DEGREE <= tolerance {
                        1.0
                    } else {
                        0.0
                    };
                    Conformity::from_probability(inside, tolerance / DEGREE)
                }),
                correction: None,
                zero_setting_deg: None,
                blind,
                to_groove: setup.arm.is_none(),
            });
        };
        let large = (self.adjustment.values[k] / DEGREE).abs() > LARGE_ANGLE_DEG;
        let marginal = match shared {
            Some(marginal) => Some(marginal.clone()),
            None if self.is_small() || large => Some(self.marginal(k)?),
            None => None,
        };
        let rotation = self.quantity(k, marginal.as_ref());
        let rotation_deg = rotation.scaled(DEGREE.recip());
        Ok(SetupResult {
            name: name.to_owned(),
            budget: unknown_budget(self.network, self.adjustment, k, DEGREE.recip()),
            conformity: tolerance.map(|tolerance| match &marginal {
                Some(m) => Conformity::from_probability(
                    m.cumulative(tolerance) - m.cumulative(-tolerance),
                    tolerance / DEGREE,
                ),
                None => conformity(
                    rotation_deg.value,
                    rotation_deg.standard_uncertainty,
                    tolerance / DEGREE,
                ),
            }),
            correction: correction(&rotation_deg, limits.max_turn.map(|t| t / DEGREE))
                .filter(|_| !blind),
            rotation_deg,
            zero_setting_deg: None,
            blind,
            to_groove: setup.arm.is_none(),
        })
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

    /// A cartridge's tip as adjusted (the shape term left out).
    pub(super) fn tip(&self, name: &str) -> Tip {
        let cartridge = &self.job.cartridges[name];
        let defaults = priors::sizes(cartridge.profile);
        let profile = cartridge.profile.unwrap_or(Profile::Elliptical);
        let stated = match profile {
            Profile::Spherical => [cartridge.frontal_radius, cartridge.ball_lever],
            Profile::Elliptical => [cartridge.frontal_radius, cartridge.side_radius],
            Profile::Line => [cartridge.contact_spacing, cartridge.side_radius],
        };
        let unknowns = self.tip_unknowns(name);
        let mut size = [0.0; 3];
        for (k, unknown) in unknowns.into_iter().enumerate() {
            size[k] = match unknown {
                Some(at) => self.adjustment.values[at],
                None => stated[k].or(defaults[k]).value,
            };
        }
        Tip { profile, size }
    }

    /// Lever in a 90 degree groove, metres, with its gradient over all unknowns.
    fn lever(&self, name: &str) -> (f64, Array1<f64>) {
        let lever = self.tip(name).lever(std::f64::consts::FRAC_PI_4);
        let unknowns = self.tip_unknowns(name);
        let mut gradient = Array1::zeros(self.network.parameters.len());
        for (unknown, slope) in unknowns.into_iter().zip(lever.d_size) {
            if let Some(at) = unknown {
                gradient[at] = slope;
            }
        }
        (lever.length, gradient)
    }

    /// Logarithm of scale times lever: its gradient over all unknowns, and its
    /// standard uncertainty.
    fn relative_lever(&self, cartridge: &str) -> (Array1<f64>, f64) {
        let (lever, mut gradient) = self.lever(cartridge);
        gradient /= lever;
        if let Some(k) = self.network.unknown(&id::scale(cartridge)) {
            gradient[k] = self.adjustment.values[k].recip();
        }
        let variance = gradient.dot(&self.adjustment.covariance.dot(&gradient));
        (gradient, variance.sqrt())
    }

    fn cartridge(&self, name: &str) -> Result<CartridgeResult, JobError> {
        let (length, gradient) = self.lever(name);
        let variance = gradient.dot(&self.adjustment.covariance.dot(&gradient));
        let mut lever = Quantity::normal(length, variance.sqrt(), self.coverage);
        if self.is_small() && variance > 0.0 {
            // of the sizes' combination that the lever is nearly linear in
            let everywhere = (f64::NEG_INFINITY, f64::INFINITY);
            let problem = &self.network.problem;
            let marginal = Marginal::new(problem, self.adjustment, &gradient, everywhere)?;
            let sizes: f64 = gradient
                .iter()
                .zip(&self.adjustment.values)
                .map(|(g, x)| g * x)
                .sum();
            lever.interval = marginal.interval(self.coverage).shifted(length - sizes);
        }
        let exact = self.job.cartridges[name].scale.or(&priors::SCALE).value;
        Ok(CartridgeResult {
            name: name.to_owned(),
            lever_um: lever.scaled(MICROMETRE.recip()),
            scale: self.parameter(&id::scale(name), exact, 1.0)?,
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
                file: spec.describe(at),
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
        let c = &self.adjustment.covariance;
        let n = c.nrows();
        let mut pairs = Vec::new();
        for i in 0..n {
            for j in i + 1..n {
                let coefficient = c[[i, j]] / (c[[i, i]] * c[[j, j]]).sqrt();
                if coefficient.abs() > NAMED_CORRELATION {
                    pairs.push(Correlation {
                        first: self.network.parameters[i].id.clone(),
                        second: self.network.parameters[j].id.clone(),
                        coefficient,
                    });
                }
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
            let blind = self.job.cartridges.get(&setup.cartridge);
            let blind = blind.is_some_and(|c| c.profile == Some(Profile::Spherical));
            if degrees.abs() > IMPLAUSIBLE_DEG && !blind {
                let of = network::named("setup", name);
                warnings.push(Caveat::serious(
                    Warning::ImplausibleRotation,
                    format!(
                        "{of} is turned by {degrees:.0} degrees, which hardly any stylus is: a recorder or an editor that shifts one channel by a single sample makes 10 us at 96 kHz and 21 us at 48 kHz, so record again by other means; then check radius, speed and stylus"
                    ),
                ));
            }
        }
        for (name, cartridge) in &self.job.cartridges {
            let (lever, _) = self.lever(name);
            if lever <= 0.0 && cartridge.profile != Some(Profile::Spherical) {
                let of = network::named("cartridge", name);
                warnings.push(Caveat::serious(
                    Warning::ImpossibleLever,
                    format!(
                        "the captures ask {of} for a lever of {:.1} um, and a tip's is positive: every turn seems to be stated with the other sign (clockwise seen from above is positive), or all leads or speeds the wrong way",
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
            if !mm.iter().all(|r| USUAL_RADII_MM.contains(r)) {
                warnings.push(Caveat::caution(
                    Warning::UnusualRadius,
                    format!(
                        "{} is said to lie at a radius of {}: records are cut from 50 to 150 mm from the spindle. Check the entry; a diameter is twice the radius",
                        capture(),
                        if mm[0] == mm[1] {
                            format!("{} mm", plain(mm[0], 1))
                        } else {
                            format!("{} to {} mm", plain(mm[0], 1), plain(mm[1], 1))
                        }
                    ),
                ));
            }
            let rpm = spec.nominal_rpm();
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

    /// What was included and concerns nothing here: a name may be misspelt.
    fn unused_knowledge(&self, warnings: &mut Vec<Caveat>) {
        for knowledge in &self.job.knowledge {
            let used = |id: &&String| self.network.unknown(id).is_some();
            let records = || knowledge.ids.iter().filter(|id| id.starts_with("record."));
            let misses_records = records().next().is_some() && records().find(used).is_none();
            if misses_records || !knowledge.ids.iter().any(|id| used(&id)) {
                let mut of: Vec<String> = knowledge
                    .ids
                    .iter()
                    .filter(|id| !used(id))
                    .filter_map(|id| id.rsplit_once('.'))
                    .map(|(object, _)| object.replacen('.', " ", 1))
                    .collect();
                of.dedup();
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

    fn general_warnings(&self, rank: usize, warnings: &mut Vec<Caveat>) {
        let job = self.job;
        if self.adjustment.termination == Termination::IterationLimit {
            warnings.push(Caveat::serious(
                Warning::NotConverged,
                "the adjustment did not settle; check the values given, above all radii, speeds and turns",
            ));
        }
        self.impossible(warnings);
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
        let without_arm: Vec<&str> = job
            .setups
            .iter()
            .filter(|(_, s)| s.arm.is_none())
            .map(|(name, _)| name.as_str())
            .collect();
        if !without_arm.is_empty() {
            warnings.push(Caveat::note(
                ARM_NOT_STATED,
                format!(
                    "no arm is stated for {}: the rotation is that relative to the groove at the radius played and contains the arm's tracking error there",
                    without_arm
                        .iter()
                        .map(|n| network::named("setup", n))
                        .collect::<Vec<_>>()
                        .join(", ")
                ),
            ));
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
                    "the captures alone determine {rank} of {n} unknowns or combinations of them; priors carry the rest ('unknowns' in the JSON document says which)"
                ),
            ));
        }
        let fit = self.adjustment;
        if let Some(p) = fit.p_value {
            let facts = format!(
                "chi-square {:.1} with {} degrees of freedom (probability {p:.2e})",
                fit.chi_square, fit.degrees_of_freedom
            );
            if p < DOUBTED_P {
                warnings.push(Caveat::caution(
                    Warning::ChiSquareHigh,
                    format!(
                        "the captures and priors do not agree within their uncertainties: {facts}. Nothing was rescaled; look for a wrong entry, an uncertainty stated too small, or equaliser parts beyond their tolerance"
                    ),
                ));
            } else if p > 1.0 - DOUBTED_P && fit.degrees_of_freedom > 1 {
                warnings.push(Caveat::note(
                    Warning::ChiSquareLow,
                    format!(
                        "the captures and priors agree better than their uncertainties let expect: {facts}. Some uncertainty may be stated too large"
                    ),
                ));
            }
        }
    }
}
