//! What a job will tell before anyone lifts the arm, and what to record next.

use super::description::{CaptureSpec, Cartridge, Chain, Estimate, Job, Setup, Source, Stated};
use super::network::{self, Angle, CaptureData, Expected, Network, Readings, id, named, tidy};
use super::scatter::Scatter;
use super::solution::{Solved, combination_budget};
use super::{JobError, priors};
use crate::adjust;
use crate::groove::Profile;
use crate::uncertainty::{BudgetLine, Quantity, Warning};
use crate::units::{DEGREE, MICROSECOND, MILLIMETRE};
use serde::{Deserialize, Serialize};

/// Turn of the candidate pair each way, degrees: well above the reading of a
/// protractor, within what a headshell allows (common practice, no source).
const TURN_DEG: f64 = 4.0;

/// Radius of the inner candidate, millimetres: near the end of a side, where
/// the groove is slowest and the delay largest (60.325 mm, IEC 98-1958).
const INNER_MM: f64 = 62.0;

/// Uncertainty of a chain's skew once both inputs were fed one signal:
/// the random part of one capture.
const CALIBRATED_SKEW: f64 = 0.005 * MICROSECOND;

/// A capture that takes less than this share off the uncertainty does not
/// help; common practice, no source.
const HELPS: f64 = 0.01;

/// Steps after which a plan that never reaches its goal ends; common
/// practice, no source.
const MOST_STEPS: usize = 20;

/// Coverage of the bands that are predicted: the default of `--coverage`.
pub const PLANNED_COVERAGE: f64 = 0.95;

/// Half of the band that a standard uncertainty makes, of a normal quantity.
fn half_band(u: f64) -> f64 {
    let band = Quantity::normal(0.0, u, PLANNED_COVERAGE).interval;
    band.upper.unwrap_or(0.0)
}

/// What a plan is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wanted {
    /// All candidates for the next capture, best first.
    Ranking,
    /// So many steps, each the best after those before it.
    Steps(usize),
    /// Steps until the standard uncertainty is at most this many degrees.
    Until(f64),
}

/// Predicted standard uncertainty of a setup's rotation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct PlannedSetup {
    /// Name of the setup.
    pub name: String,
    /// Its captures, recorded or planned.
    #[serde(default)]
    pub captures: usize,
    /// The rotation to the groove for which it is predicted, degrees: as found by what is recorded,
    /// as stated, or 5 degrees.
    #[serde(default)]
    pub rotation_deg: f64,
    /// Predicted standard uncertainty of the rotation to the groove, degrees.
    pub standard_uncertainty_deg: f64,
    /// Half of the 95 % band that it makes, degrees.
    pub half_band_deg: f64,
    /// Predicted standard uncertainty of the rotation to the cartridge body, degrees;
    /// null for a spherical tip, or where nothing is known of the mounting.
    pub stylus_to_body_standard_uncertainty_deg: Option<f64>,
    /// Predicted standard uncertainty of the rotation in the headshell, degrees.
    pub headshell_standard_uncertainty_deg: Option<f64>,
}

/// Predicted standard uncertainty of a record side's cut.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct PlannedRecord {
    /// Name of the record side.
    pub name: String,
    /// Predicted standard uncertainty of the rotation of its cut, degrees.
    pub standard_uncertainty_deg: f64,
    /// Half of the 95 % band that it makes, degrees.
    pub half_band_deg: f64,
}

/// A further capture and what it would do.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Suggestion {
    /// What to record.
    pub capture: String,
    /// Predicted standard uncertainty with it (and, in a sequence, with those
    /// before it): the root mean square over setups, spherical tips left out; over the
    /// cuts of the records where every tip is spherical.
    pub standard_uncertainty_deg: f64,
    /// Half of the 95 % band that it makes, degrees.
    pub half_band_deg: f64,
}

impl Suggestion {
    fn new(capture: String, u: f64) -> Self {
        Self {
            capture,
            standard_uncertainty_deg: u,
            half_band_deg: half_band(u),
        }
    }
}

/// A plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Plan {
    /// Why what is recorded is in doubt, and with it the plan; null where it is not.
    #[serde(default)]
    pub in_doubt: Option<String>,
    /// Captures whose recordings or delays the plan builds on.
    #[serde(default)]
    pub recorded: usize,
    /// Predicted uncertainties of the job as it stands.
    pub setups: Vec<PlannedSetup>,
    /// Predicted uncertainties of the cuts of the records that are played.
    pub records: Vec<PlannedRecord>,
    /// What to record next, best first; empty when nothing will help.
    pub suggestions: Vec<Suggestion>,
    /// What then limits the setup (or cut) known least: as the job stands in a ranking, else once all of the
    /// sequence have been followed. Largest first.
    #[serde(default)]
    pub limits: Vec<BudgetLine>,
    /// What to know beside it, in words.
    #[serde(default)]
    pub notes: Vec<String>,
    /// The figure of the suggestions once all of a sequence have been followed; as
    /// the job stands in a ranking.
    #[serde(skip)]
    pub reached_deg: f64,
    /// Whether every tip is spherical, so that the cuts are what is looked for.
    #[serde(skip)]
    pub qualifies: bool,
}

/// Predicts a job before anything is recorded, linearised at the
/// prior means (a rotation that is not stated at 5 degrees, where the tolerance
/// commonly lies), and looks for the captures that would help most among:
/// the other speed, swapped leads, a turn of 4 degrees each way, a spherical
/// tip on the record, an inner radius, another record side, a calibration of
/// the chain with one signal on both inputs, a repeat.
pub fn plan(job: &Job, wanted: Wanted) -> Result<Plan, JobError> {
    Known::default().plan(job, wanted)
}

/// The same for a job that is recorded in part: from the rotations and everything else that `solved`
/// found in `data` (both as of [`solve`](super::solve)), so that a setup's standard uncertainty as the job
/// stands is that of its result where nothing is planned. A record side is expected to be recorded as well
/// as it was.
pub fn plan_further(
    job: &Job,
    data: &[Option<CaptureData>],
    solved: &Solved,
    wanted: Wanted,
) -> Result<Plan, JobError> {
    let known = Known::of(job, data, solved);
    let plan = known.plan(job, wanted)?;
    Ok(Plan {
        in_doubt: solved.solution.in_doubt.clone(),
        recorded: data.iter().flatten().count(),
        notes: one_tone(data).into_iter().collect(),
        ..plan
    })
}

/// What to know where all that is recorded is a tone: its phase is the path over the wavelength, which no
/// speed changes, so what is left to tell of the path is what the electronics do between two frequencies.
fn one_tone(data: &[Option<CaptureData>]) -> Option<String> {
    let recordings = || data.iter().flatten().filter(|d| d.sha256.is_some());
    let narrow = |data: &CaptureData| data.caveats.iter().any(|c| c.code == Warning::NarrowBand);
    (recordings().next().is_some() && recordings().all(narrow)).then(|| {
        "What is recorded is a single tone or a narrow band. The path makes the same phase of it at every speed, so another speed teaches next to nothing; a band of wide-band programme does.".to_owned()
    })
}

/// What a plan builds on.
#[derive(Default)]
struct Known<'a> {
    expected: Expected<'a>,
    /// Scatter between drops, seconds.
    scatter: f64,
}

impl<'a> Known<'a> {
    fn of(job: &Job, data: &'a [Option<CaptureData>], solved: &Solved) -> Self {
        let unseen = |id: &String| {
            let mut setups = job.setups.keys().filter(|name| *id == id::rotation(name));
            setups.any(|name| {
                let mut captures = job.captures.iter().zip(data);
                !captures.any(|(c, data)| c.setup == *name && data.is_some())
            })
        };
        let parameters = solved.network.parameters.iter();
        let values = parameters.zip(&solved.adjustment.values);
        let values = values
            .filter(|(p, _)| !unseen(&p.id))
            .map(|(p, value)| (p.id.clone(), *value));
        let programme = job.captures.iter().zip(data);
        let programme = programme.filter_map(|(capture, data)| {
            Some((capture.record.clone(), data.as_ref()?.programme()?))
        });
        Self {
            expected: Expected {
                found: data,
                values: values.collect(),
                programme: programme.collect(),
            },
            scatter: Scatter::between_drops(job, data).deviation(),
        }
    }

    fn adjusted(&self, job: &Job) -> Result<(Network, adjust::Solution), JobError> {
        let network = network::network(job, Readings::Predicted(&self.expected), self.scatter)?;
        let solution = network.problem.linearised()?;
        Ok((network, solution))
    }

    fn predict(&self, job: &Job) -> Result<Prediction, JobError> {
        let (network, solution) = self.adjusted(job)?;
        Ok(Prediction::of(job, &network, &solution))
    }

    fn plan(&self, job: &Job, wanted: Wanted) -> Result<Plan, JobError> {
        let now = self.predict(job)?;
        let mut current = now.overall(job);
        let mut suggestions = Vec::new();
        let mut last = job.clone();
        match wanted {
            Wanted::Ranking => {
                for (capture, candidate) in candidates(job) {
                    let value = self.predict(&candidate)?.overall(job);
                    if value < (1.0 - HELPS) * current {
                        suggestions.push(Suggestion::new(capture, value));
                    }
                }
                suggestions.sort_by(|a, b| {
                    a.standard_uncertainty_deg
                        .total_cmp(&b.standard_uncertainty_deg)
                });
            }
            Wanted::Steps(_) | Wanted::Until(_) => {
                let (steps, goal) = match wanted {
                    Wanted::Until(goal) => (MOST_STEPS, goal),
                    Wanted::Steps(steps) => (steps, 0.0),
                    Wanted::Ranking => (0, 0.0),
                };
                for _ in 0..steps {
                    if current <= goal {
                        break;
                    }
                    let mut best: Option<(f64, String, Job)> = None;
                    for (capture, candidate) in candidates(&last) {
                        let value = self.predict(&candidate)?.overall(&last);
                        if best.as_ref().is_none_or(|b| value < b.0) {
                            best = Some((value, capture, candidate));
                        }
                    }
                    let Some((value, capture, next)) = best else {
                        break;
                    };
                    if value > (1.0 - HELPS) * current {
                        break;
                    }
                    suggestions.push(Suggestion::new(capture, value));
                    current = value;
                    last = next;
                }
            }
        }
        Ok(Plan {
            in_doubt: None,
            recorded: 0,
            setups: now.setups,
            records: now.records,
            suggestions,
            limits: self.limits(&last)?,
            notes: Vec::new(),
            reached_deg: current,
            qualifies: qualifies(job),
        })
    }

    /// The budget of the setup that is known least; of the cut known least where every tip is spherical.
    fn limits(&self, job: &Job) -> Result<Vec<BudgetLine>, JobError> {
        let (network, solution) = self.adjusted(job)?;
        let prediction = Prediction::of(job, &network, &solution);
        let row = if qualifies(job) {
            let by_u = |a: &&PlannedRecord, b: &&PlannedRecord| {
                let u = |r: &PlannedRecord| r.standard_uncertainty_deg;
                u(a).total_cmp(&u(b))
            };
            let worst = prediction.records.iter().max_by(by_u);
            let unknown = worst.and_then(|r| network.unknown(&id::cut(&r.name)));
            unknown.map(|k| network.unit(k))
        } else {
            let counted = prediction.counted(job);
            let worst = counted.max_by(|a, b| {
                let u = |s: &PlannedSetup| s.standard_uncertainty_deg;
                u(a).total_cmp(&u(b))
            });
            let of =
                |s: &PlannedSetup| network.angle(job, &s.name, Angle::Groove, &solution.values);
            worst.and_then(of).map(|angle| angle.row)
        };
        Ok(row.map_or_else(Vec::new, |row| {
            combination_budget(&network, &solution, &(row / DEGREE))
        }))
    }
}

/// What a job will tell.
struct Prediction {
    setups: Vec<PlannedSetup>,
    records: Vec<PlannedRecord>,
}

impl Prediction {
    fn of(job: &Job, network: &Network, solution: &adjust::Solution) -> Self {
        let setups = job.setups.keys().map(|name| {
            let angle = |angle| network.angle(job, name, angle, &solution.values);
            let u = |which: Angle| {
                let row = angle(which)?.row;
                Some(row.dot(&solution.covariance.dot(&row)).sqrt() / DEGREE)
            };
            let groove = u(Angle::Groove).unwrap_or(0.0);
            let rotation = angle(Angle::Groove).map_or(0.0, |a| a.at(&solution.values));
            PlannedSetup {
                name: name.clone(),
                captures: job.captures.iter().filter(|c| c.setup == *name).count(),
                rotation_deg: rotation / DEGREE,
                standard_uncertainty_deg: groove,
                half_band_deg: half_band(groove),
                stylus_to_body_standard_uncertainty_deg: u(Angle::Body),
                headshell_standard_uncertainty_deg: u(Angle::Headshell),
            }
        });
        let played = |name: &&String| job.captures.iter().any(|c| c.record == **name);
        let records = job.records.keys().filter(played).map(|name| {
            let unknown = network.unknown(&id::cut(name));
            let u = unknown.map_or(0.0, |k| solution.covariance[[k, k]].sqrt() / DEGREE);
            PlannedRecord {
                name: name.clone(),
                standard_uncertainty_deg: u,
                half_band_deg: half_band(u),
            }
        });
        Self {
            setups: setups.collect(),
            records: records.collect(),
        }
    }

    /// The setups of `job` whose tips can see their rotation, and which are played: all of them
    /// while none is.
    fn counted<'a>(&'a self, job: &'a Job) -> impl Iterator<Item = &'a PlannedSetup> {
        let none = !job.captures.iter().any(|c| !spherical(job, &c.setup));
        self.setups.iter().filter(move |s| {
            let played = job.captures.iter().any(|c| c.setup == s.name);
            job.setups.contains_key(&s.name) && !spherical(job, &s.name) && (played || none)
        })
    }
}

impl Plan {
    /// Half of the band of what the first setup's tip can see, degrees: its rotation, or
    /// the cut of the first record where every tip is spherical.
    pub fn half_band_deg(&self, setup: &str) -> Option<f64> {
        if self.qualifies {
            return self.records.first().map(|r| r.half_band_deg);
        }
        let found = self.setups.iter().find(|s| s.name == setup);
        found.map(|s| s.half_band_deg)
    }
}

impl Prediction {
    /// Root mean square over the setups of `job` that count; over
    /// the cuts of its records where every tip is spherical. A candidate may have brought further ones.
    fn overall(&self, job: &Job) -> f64 {
        let counted: Vec<f64> = if qualifies(job) {
            let records = self.records.iter();
            records
                .filter(|r| job.captures.iter().any(|c| c.record == r.name))
                .map(|r| r.standard_uncertainty_deg)
                .collect()
        } else {
            let setups = self.counted(job);
            setups.map(|s| s.standard_uncertainty_deg).collect()
        };
        let squares: f64 = counted.iter().map(|u| u * u).sum();
        (squares / counted.len().max(1) as f64).sqrt()
    }
}

/// Whether every tip of the job is spherical: then it tells of the cuts alone.
fn qualifies(job: &Job) -> bool {
    job.setups.keys().all(|name| spherical(job, name))
}

fn spherical(job: &Job, setup: &str) -> bool {
    job.setups
        .get(setup)
        .and_then(|s| job.cartridges.get(&s.cartridge))
        .is_some_and(|c| c.profile == Some(Profile::Spherical))
}

/// Every candidate as words and as the job with it.
fn candidates(job: &Job) -> Vec<(String, Job)> {
    let mut found: Vec<(String, Job)> = Vec::new();
    let has_ball = job.setups.keys().any(|name| spherical(job, name));
    let mut offer = |words: String, candidate: Job| {
        if !found.iter().any(|(w, _)| *w == words) {
            found.push((words, candidate));
        }
    };
    let with = |captures: Vec<CaptureSpec>| {
        let mut candidate = job.clone();
        candidate.captures.extend(captures);
        candidate
    };
    for base in representatives(job) {
        let base = CaptureSpec {
            source: Source::Planned,
            line: None,
            ..base
        };
        let of_setup = named("setup", &base.setup);
        let on_record = named("record", &base.record);
        let (other, shown) = match (base.nominal_rpm() - 45.0).abs() < 1.0 {
            true => (100.0 / 3.0, "33 1/3"),
            false => (45.0, "45"),
        };
        offer(
            format!("{of_setup} at {shown} rpm on {on_record}"),
            with(vec![CaptureSpec {
                rpm: Stated::number(other),
                ..base.clone()
            }]),
        );
        let leads = if base.swapped { "normal" } else { "swapped" };
        offer(
            format!("{of_setup} with the leads {leads} at the cartridge"),
            with(vec![CaptureSpec {
                swapped: !base.swapped,
                ..base.clone()
            }]),
        );
        let turned = |sign: f64| CaptureSpec {
            turn: Stated::number(sign * TURN_DEG * DEGREE),
            ..base.clone()
        };
        offer(
            format!("{of_setup} turned by {TURN_DEG} deg each way (two captures)"),
            with(vec![turned(-1.0), turned(1.0)]),
        );
        if base
            .radius
            .iter()
            .all(|&r| r > (INNER_MM + 3.0) * MILLIMETRE)
        {
            offer(
                format!("{of_setup} at {INNER_MM} mm on {on_record}"),
                with(vec![CaptureSpec {
                    radius: [INNER_MM * MILLIMETRE; 2],
                    ..base.clone()
                }]),
            );
        }
        let mut another = job.clone();
        let record = fresh("another side", &another.records);
        another.records.insert(record.clone(), Default::default());
        another.captures.push(CaptureSpec {
            record,
            ..base.clone()
        });
        offer(format!("{of_setup} on another record side"), another);
        offer(
            format!("{of_setup} once more on {on_record}, as before"),
            with(vec![base.clone()]),
        );
        let radius = tidy(base.radius[0] / MILLIMETRE);
        let tip = "cartridge with a spherical tip";
        let which = if has_ball { "another" } else { "a" };
        offer(
            format!("{which} {tip} on {on_record} at {radius} mm"),
            with_ball(job, &base),
        );
    }
    for (name, chain) in &job.chains {
        let Estimate { value, u } = chain.skew.or(&priors::CHAIN_SKEW);
        if u > CALIBRATED_SKEW {
            let mut calibrated = job.clone();
            let chain = Chain {
                skew: Stated::with_u(value, CALIBRATED_SKEW),
                ..chain.clone()
            };
            calibrated.chains.insert(name.clone(), chain);
            let of = named("chain", name);
            offer(
                format!("calibration of {of} with one signal on both inputs"),
                calibrated,
            );
        }
    }
    found
}

/// The job with a capture like `base` by another cartridge, with a spherical tip.
fn with_ball(job: &Job, base: &CaptureSpec) -> Job {
    let mut ball = job.clone();
    let cartridge = fresh("spherical", &ball.cartridges);
    let setup = fresh("spherical", &ball.setups);
    ball.captures.push(CaptureSpec {
        setup: setup.clone(),
        turn: Stated::default(),
        ..base.clone()
    });
    let tip = Cartridge {
        profile: Some(Profile::Spherical),
        ..Cartridge::default()
    };
    ball.cartridges.insert(cartridge.clone(), tip);
    let mounted = Setup {
        cartridge,
        ..Setup::default()
    };
    ball.setups.insert(setup, mounted);
    ball
}

/// One capture per setup and record: the first that is not turned. Of spherical tips only
/// where there are no others. Where no other tip is played yet, it is the first capture with each.
fn representatives(job: &Job) -> Vec<CaptureSpec> {
    let mut found: Vec<CaptureSpec> = Vec::new();
    for capture in &job.captures {
        let new = !found
            .iter()
            .any(|f| f.setup == capture.setup && f.record == capture.record);
        if new && (qualifies(job) || !spherical(job, &capture.setup)) {
            found.push(CaptureSpec {
                turn: Stated::default(),
                ..capture.clone()
            });
        }
    }
    if let (true, Some(first)) = (found.is_empty(), job.captures.first()) {
        let unplayed = job.setups.keys().filter(|name| !spherical(job, name));
        found.extend(unplayed.map(|name| CaptureSpec {
            setup: name.clone(),
            turn: Stated::default(),
            ..first.clone()
        }));
    }
    found
}

/// A name that is not taken yet, made of a wish.
pub(super) fn fresh<T>(wish: &str, taken: &std::collections::BTreeMap<String, T>) -> String {
    let mut name = wish.to_owned();
    let mut k = 1;
    while taken.contains_key(&name) {
        k += 1;
        name = format!("{wish} {k}");
    }
    name
}
