//! Converts the solved network to results in the user's terms.

mod captures;
mod cartridge;
mod correction;
mod results;
mod setup;
mod warnings;

use super::budget::combination_budget;
use super::description::{CaptureSpec, DelaySource, Job, PivotedArm, Setup};
use super::explanation::Examined;
use super::network::{self, Angle, CaptureData, DataSource, Linear, Network, READINGS, id};
use super::pass::PassResult;
use super::scatter::{Comparable, Scatter};
use super::scope::Scope;
use super::{JobError, Knowledge, calibration, priors};
use crate::adjust::{self, Coefficients, Marginal, Termination};
use crate::uncertainty::{BudgetLine, Caveat, Quantity, Warning};
use crate::units::{DEGREE, MICROSECOND, MILLIMETRE};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::f64::consts::FRAC_PI_2;
use warnings::same_recording;

pub use correction::{Correction, correction};
pub use results::{
    ArmParameters, ArmResult, CaptureResult, CartridgeResult, ChainResult, Correlation, Fit,
    LargestContribution, RecordResult, SetupResult, Solution, TemporaryChanges, UnknownResult,
};
pub use warnings::{ARM_NOT_STATED, is_usual_speed};

/// Up to this many unknowns every band comes from the unknown's own marginal
/// distribution; above it only where [`LARGE_ANGLE_DEG`] asks for it, and where
/// [`RELATIVE_LEVER`] does, the setups of a cartridge share one walk along its
/// lever.
const ALWAYS_MARGINAL: usize = 32;

/// Rotation above which the linearised band is not used, degrees: beyond it
/// the path bends away from its tangent by more than 2 %.
const LARGE_ANGLE_DEG: f64 = 10.0;

/// Limit of a result without convergence, degrees: beyond a right angle it is refused.
const UNCONVERGED_LIMIT_DEG: f64 = 90.0;

/// A solved job: the network, its minimum, and the results.
pub struct Solved {
    /// The least-squares problem with its named parameters.
    pub network: Network,
    /// Its minimum.
    pub adjustment: adjust::Minimum,
    /// Coverage of the bands.
    pub coverage: f64,
    /// Results in the user's terms.
    pub solution: Solution,
    /// The same before warnings withhold anything.
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
    let network = network::network(job, DataSource::Real(data), scatter.deviation())?;
    let adjustment = network.problem.solve()?;
    let lost = |name: &String| {
        let rotation = network.unknown(&id::rotation(name));
        rotation.is_some_and(|k| adjustment.values[k].abs() > UNCONVERGED_LIMIT_DEG * DEGREE)
    };
    if adjustment.termination == Termination::IterationLimit && job.setups.keys().any(lost) {
        return Err(JobError::NotConverged {
            delays: largest_delay(job, data),
        });
    }
    let view = AdjustedJob {
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
    let unchecked = examined.undetectable_exchanges(&findings.setups);
    for setup in &mut findings.setups {
        setup.exchange_undetectable = unchecked.contains(&setup.name);
    }
    // with a single recording this is always so
    if !unchecked.is_empty() && data.iter().flatten().count() > 1 {
        let of = unchecked.iter().map(|name| network::named("setup", name));
        warnings.push(Warning::Unchecked.seen(format!(
            "nothing distinguishes left from right in the captures of {}: leads entered the wrong way round in all of them, or exchanged channels, would go unseen. Check them; a recording with a known turn shows it, except with a spherical tip",
            of.collect::<Vec<_>>().join(" and ")
        )));
    }
    warnings.append(&mut findings.warnings);
    // where one capture is at fault, its consequences are not reported too
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

/// The rotation read by a single capture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RotationOf<'a> {
    /// The stylus in this setup.
    Stylus(&'a str),
    /// The cut of this record side.
    Cut(&'a str),
}

/// The best value of a rotation, degrees, with the uncertainty (and band) of the
/// readings alone: the scatter of values of the same stylus, record and chain.
/// Costs one adjustment, for successive values; `None` where the rotation is
/// exact or not part of the job.
pub fn reading(
    job: &Job,
    data: &[Option<CaptureData>],
    turned: RotationOf,
    coverage: f64,
) -> Result<Option<Quantity>, JobError> {
    let network = network::network(job, DataSource::Real(data), 0.0)?;
    let adjustment = network.problem.solve()?;
    let angle = match turned {
        RotationOf::Stylus(setup) => network.angle(job, setup, Angle::Groove, &adjustment.values),
        RotationOf::Cut(record) => network.unknown(&id::cut(record)).map(|k| Linear {
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

impl Solved {
    /// The same with further warnings, which can withhold results like the others.
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

/// Gives a quantity the band of its marginal, shifted by `offset`. Where the
/// distribution is so skewed that the band excludes the minimum, the best value is
/// the median.
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
    adjustment: &adjust::Minimum,
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

/// A job and its adjustment.
pub(super) struct AdjustedJob<'a> {
    pub(super) job: &'a Job,
    pub(super) network: &'a Network,
    pub(super) adjustment: &'a adjust::Minimum,
    pub(super) coverage: f64,
}

impl AdjustedJob<'_> {
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
        // in recording order; tips not sensitive to their rotation last
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
                    let exact = chain.skew_prior().0.value;
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

    /// Result of an arm; `None` where no recording was made with it.
    fn arm(&self, name: &str, arm: &PivotedArm) -> Result<Option<ArmParameters>, JobError> {
        let played = |c: &CaptureSpec| {
            let of = self.job.setups.get(&c.setup).and_then(Setup::arm_name);
            c.source != DelaySource::Planned && of.is_some_and(|of| of == name)
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
        Ok(Some(ArmParameters {
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
}
