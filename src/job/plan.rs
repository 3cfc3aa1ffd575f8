//! What a job will tell before anyone lifts the arm, and what to record next.

use super::description::{CaptureSpec, Cartridge, Chain, Estimate, Job, Setup, Source, Stated};
use super::network::{self, Angle, Readings, id, named, tidy};
use super::{JobError, priors};
use crate::groove::Profile;
use crate::uncertainty::Quantity;
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
    /// Predicted standard uncertainty, degrees.
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
    /// Predicted uncertainties of the job as it stands.
    pub setups: Vec<PlannedSetup>,
    /// Predicted uncertainties of the cuts of the records that are played.
    pub records: Vec<PlannedRecord>,
    /// What to record next, best first; empty when nothing will help.
    pub suggestions: Vec<Suggestion>,
    /// The figure of the suggestions once all of a sequence have been followed; as
    /// the job stands in a ranking.
    #[serde(skip)]
    pub reached_deg: f64,
    /// Whether every tip is spherical, so that the cuts are what is looked for.
    #[serde(skip)]
    pub qualifies: bool,
}

/// Predicts a job from its planned and given captures, linearised at the
/// prior means (a rotation that is not stated at 5 degrees, where the tolerance
/// commonly lies), and looks for the captures that would help most among:
/// the other speed, swapped leads, a turn of 4 degrees each way, a spherical
/// tip on the record, an inner radius, another record side, a calibration of
/// the chain with one signal on both inputs, a repeat.
pub fn plan(job: &Job, wanted: Wanted) -> Result<Plan, JobError> {
    let now = predict(job)?;
    let mut current = now.overall(job);
    let mut suggestions = Vec::new();
    match wanted {
        Wanted::Ranking => {
            for (capture, candidate) in candidates(job) {
                let value = predict(&candidate)?.overall(job);
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
            let mut job = job.clone();
            for _ in 0..steps {
                if current <= goal {
                    break;
                }
                let mut best: Option<(f64, String, Job)> = None;
                for (capture, candidate) in candidates(&job) {
                    let value = predict(&candidate)?.overall(&job);
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
                job = next;
            }
        }
    }
    Ok(Plan {
        setups: now.setups,
        records: now.records,
        suggestions,
        reached_deg: current,
        qualifies: qualifies(job),
    })
}

/// What a job will tell.
struct Prediction {
    setups: Vec<PlannedSetup>,
    records: Vec<PlannedRecord>,
}

fn predict(job: &Job) -> Result<Prediction, JobError> {
    let network = network::network(job, Readings::Predicted, 0.0)?;
    let solution = network.problem.linearised()?;
    let degrees = |id: String| {
        let unknown = network.unknown(&id);
        unknown.map_or(0.0, |k| solution.covariance[[k, k]].sqrt() / DEGREE)
    };
    Ok(Prediction {
        setups: job
            .setups
            .keys()
            .map(|name| {
                let angle = network.angle(job, name, Angle::Groove, &solution.values);
                let variance = angle.map_or(0.0, |a| a.row.dot(&solution.covariance.dot(&a.row)));
                let u = variance.sqrt() / DEGREE;
                let of = |angle: Angle| {
                    let angle = network.angle(job, name, angle, &solution.values)?;
                    let variance = angle.row.dot(&solution.covariance.dot(&angle.row));
                    Some(variance.sqrt() / DEGREE)
                };
                PlannedSetup {
                    stylus_to_body_standard_uncertainty_deg: of(Angle::Body),
                    headshell_standard_uncertainty_deg: of(Angle::Headshell),
                    name: name.clone(),
                    standard_uncertainty_deg: u,
                    half_band_deg: half_band(u),
                }
            })
            .collect(),
        records: job
            .records
            .keys()
            .filter(|name| job.captures.iter().any(|c| c.record == **name))
            .map(|name| {
                let u = degrees(id::cut(name));
                PlannedRecord {
                    name: name.clone(),
                    standard_uncertainty_deg: u,
                    half_band_deg: half_band(u),
                }
            })
            .collect(),
    })
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
    /// Root mean square over the setups of `job` whose tips can see their rotation; over
    /// the cuts of its records if there is none. A candidate may have brought further ones.
    fn overall(&self, job: &Job) -> f64 {
        let counted: Vec<f64> = if qualifies(job) {
            let records = self.records.iter();
            records
                .filter(|r| job.captures.iter().any(|c| c.record == r.name))
                .map(|r| r.standard_uncertainty_deg)
                .collect()
        } else {
            let setups = self.setups.iter();
            setups
                .filter(|s| job.setups.contains_key(&s.name) && !spherical(job, &s.name))
                .map(|s| s.standard_uncertainty_deg)
                .collect()
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
        let rpm = base.nominal_rpm();
        let other = if (rpm - 45.0).abs() < 1.0 {
            100.0 / 3.0
        } else {
            45.0
        };
        let shown = if other == 45.0 { "45" } else { "33 1/3" };
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
        let mut ball = job.clone();
        let name = fresh("spherical", &ball.cartridges);
        ball.cartridges.insert(
            name.clone(),
            Cartridge {
                profile: Some(Profile::Spherical),
                ..Cartridge::default()
            },
        );
        let setup = fresh("spherical", &ball.setups);
        ball.setups.insert(
            setup.clone(),
            Setup {
                cartridge: name,
                ..Setup::default()
            },
        );
        ball.captures.push(CaptureSpec {
            setup,
            turn: Stated::default(),
            ..base.clone()
        });
        offer(
            format!(
                "{} cartridge with a spherical tip on {on_record} at {} mm",
                if has_ball { "another" } else { "a" },
                tidy(base.radius[0] / MILLIMETRE)
            ),
            ball,
        );
    }
    for (name, chain) in &job.chains {
        let Estimate { value, u } = chain.skew.or(&priors::CHAIN_SKEW);
        if u > CALIBRATED_SKEW {
            let mut calibrated = job.clone();
            calibrated.chains.insert(
                name.clone(),
                Chain {
                    skew: Stated::with_u(value, CALIBRATED_SKEW),
                    ..chain.clone()
                },
            );
            offer(
                format!(
                    "calibration of {} with one signal on both inputs",
                    named("chain", name)
                ),
                calibrated,
            );
        }
    }
    found
}

/// One capture per setup and record: the first that is not turned. Of spherical tips only
/// where there are no others.
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
