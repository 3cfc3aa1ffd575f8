//! What a job will tell before anyone lifts the arm, and what to record next.

mod candidates;

use super::budget::combination_budget;
use super::description::Job;
use super::network::{self, Angle, CaptureData, Expected, Linear, Network, Readings, World, id};
use super::scatter::Scatter;
use super::solution::Solved;
use super::{JobError, priors};
use crate::adjust::Coefficients;
use crate::groove::Profile;
use crate::uncertainty::{BudgetLine, Quantity, Warning};
use crate::units::DEGREE;
use candidates::{Candidate, candidates};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// A capture that takes less than this share off the uncertainty does not
/// help; common practice, no source.
const HELPS: f64 = 0.01;

/// Steps after which a plan that never reaches its goal ends; common
/// practice, no source.
pub const MOST_STEPS: usize = 20;

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
    /// as stated, or zero.
    #[serde(default)]
    pub rotation_deg: f64,
    /// Standard deviation of the rotations over which the median is taken, degrees: 5, or zero where the rotation
    /// is found or stated.
    #[serde(default)]
    pub rotation_spread_deg: f64,
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
    /// cuts of the records where every tip is spherical. Until a goal is reached it is the largest of them.
    pub standard_uncertainty_deg: f64,
    /// Half of the 95 % band that it makes, degrees.
    pub half_band_deg: f64,
    /// About how long it takes, minutes.
    #[serde(default)]
    pub minutes: f64,
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
    /// Over how many setups (or cuts) that is.
    #[serde(skip)]
    pub counted: usize,
    /// Whether every tip is spherical, so that the cuts are what is looked for.
    #[serde(skip)]
    pub qualifies: bool,
}

/// Predicts a job before anything is recorded: the median of its standard uncertainties where rotations that are
/// not stated, and the levers of balls, are drawn from what is known of them. Looks for what would help most
/// among, for every tip: the other speed, swapped leads, a turn each way, an inner radius, another
/// record side, a repeat; a further spherical tip on the record, a calibration of the
/// chain with one signal on both inputs, radii and turns that are read better. The job's
/// [`Means`](super::Means) leave out what its owner cannot do.
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
        "What is recorded is a single tone or a narrow band. The path shifts its phase equally at every speed, so another speed adds almost nothing; record wide-band programme.".to_owned()
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
        let levers = solved.network.levers_at(&solved.adjustment);
        let programme = job.captures.iter().zip(data);
        let programme = programme.filter_map(|(capture, data)| {
            Some((capture.record.clone(), data.as_ref()?.programme()?))
        });
        Self {
            expected: Expected {
                found: data,
                values: values.collect(),
                programme: programme.collect(),
                levers,
            },
            scatter: Scatter::between_drops(job, data).deviation(),
        }
    }

    fn network(&self, job: &Job, world: World) -> Result<Network, JobError> {
        network::network(
            job,
            Readings::Predicted(&self.expected, world),
            self.scatter,
        )
    }

    /// Whether a setup's rotation is neither stated nor found.
    fn is_open(&self, job: &Job, setup: &str) -> bool {
        let unstated = job.setups[setup].rotation.value.is_none();
        unstated && !self.expected.values.contains_key(&id::rotation(setup))
    }

    /// The draws that a prediction is the median of: one where nothing is drawn.
    fn worlds(&self, job: &Job) -> Vec<World> {
        let mut setups = job.setups.keys();
        let drawn = setups.any(|name| spherical(job, name) || self.is_open(job, name));
        World::all()
            .take(if drawn { usize::MAX } else { 1 })
            .collect()
    }

    fn in_world(&self, job: &Job, world: World, angles: &[Angle]) -> Result<Prediction, JobError> {
        Prediction::of(job, &self.network(job, world)?, angles)
    }

    fn predict(&self, job: &Job) -> Result<Prediction, JobError> {
        let worlds = self.worlds(job).into_par_iter();
        let worlds = worlds.map(|world| self.in_world(job, world, &ANGLES));
        let mut median = Prediction::median(worlds.collect::<Result<_, JobError>>()?);
        for setup in &mut median.setups {
            if !spherical(job, &setup.name) && self.is_open(job, &setup.name) {
                setup.rotation_deg = 0.0;
                setup.rotation_spread_deg = priors::PLANNED_ROTATION.u;
            }
        }
        Ok(median)
    }

    /// What each candidate of the `last` job reaches where nothing is drawn, best first: of those that
    /// differ only in how far or how well something is done, the first that does as well as any.
    fn tried(&self, job: &Job, last: &Job, figure: Figure) -> Result<Vec<Candidate>, JobError> {
        let now = self.in_world(last, World::default(), &[Angle::Groove])?;
        let candidates = candidates(last, &now).into_par_iter().map(|candidate| {
            let prediction = self.in_world(&candidate.job, World::default(), &[Angle::Groove])?;
            Ok((prediction.figure(job, figure), candidate))
        });
        let mut tried: Vec<(f64, Candidate)> = Vec::new();
        for (value, candidate) in candidates.collect::<Result<Vec<_>, JobError>>()? {
            let same = tried.iter_mut().find(|(_, c)| c.kind == candidate.kind);
            match same {
                Some(best) if value < (1.0 - HELPS) * best.0 => *best = (value, candidate),
                Some(_) => {}
                None => tried.push((value, candidate)),
            }
        }
        tried.sort_by(|a, b| a.0.total_cmp(&b.0));
        Ok(tried.into_iter().map(|(_, candidate)| candidate).collect())
    }

    fn plan(&self, job: &Job, wanted: Wanted) -> Result<Plan, JobError> {
        let now = self.predict(job)?;
        let figure = match wanted {
            Wanted::Until(_) => Figure::Largest,
            Wanted::Ranking | Wanted::Steps(_) => Figure::RootMeanSquare,
        };
        let mut current = now.figure(job, figure);
        let mut suggestions = Vec::new();
        let mut last = job.clone();
        let suggested = |u: f64, candidate: &Candidate| Suggestion {
            capture: candidate.words.clone(),
            standard_uncertainty_deg: u,
            half_band_deg: half_band(u),
            minutes: candidate.minutes,
        };
        let (steps, goal) = match wanted {
            Wanted::Until(goal) => (MOST_STEPS, goal),
            Wanted::Steps(steps) => (steps, 0.0),
            Wanted::Ranking => {
                for candidate in self.tried(job, job, figure)? {
                    let u = self.predict(&candidate.job)?.figure(job, figure);
                    if u < (1.0 - HELPS) * current {
                        suggestions.push(suggested(u, &candidate));
                    }
                }
                suggestions.sort_by(|a, b| {
                    a.standard_uncertainty_deg
                        .total_cmp(&b.standard_uncertainty_deg)
                });
                (0, 0.0)
            }
        };
        for _ in 0..steps {
            if current <= goal {
                break;
            }
            let Some(best) = self.tried(job, &last, figure)?.into_iter().next() else {
                break;
            };
            let u = self.predict(&best.job)?.figure(job, figure);
            if u > (1.0 - HELPS) * current {
                break;
            }
            suggestions.push(suggested(u, &best));
            (current, last) = (u, best.job);
        }
        let counted = match qualifies(job) {
            true => now.records.len(),
            false => now.counted(job).count(),
        };
        Ok(Plan {
            in_doubt: None,
            recorded: 0,
            setups: now.setups,
            records: now.records,
            suggestions,
            limits: self.limits(job, &last)?,
            notes: Vec::new(),
            reached_deg: current,
            counted,
            qualifies: qualifies(job),
        })
    }

    /// The budget of the setup that is known least; of the cut known least where every tip is spherical. It is
    /// that of the draw in the middle, once `last` is recorded.
    fn limits(&self, job: &Job, last: &Job) -> Result<Vec<BudgetLine>, JobError> {
        let prediction = self.predict(last)?;
        let u = |s: &PlannedSetup| s.standard_uncertainty_deg;
        let counted = prediction.counted(job);
        let setup = counted.max_by(|a, b| u(a).total_cmp(&u(b)));
        let u = |r: &PlannedRecord| r.standard_uncertainty_deg;
        let records = prediction.records.iter();
        let record = records.max_by(|a, b| u(a).total_cmp(&u(b)));
        let mut budgets = Vec::new();
        for world in self.worlds(last) {
            let network = self.network(last, world)?;
            let solution = network.problem.linearised()?;
            let row = if qualifies(job) {
                record.and_then(|r| network.unknown(&id::cut(&r.name)).map(Coefficients::unit))
            } else {
                let of =
                    |s: &PlannedSetup| network.angle(job, &s.name, Angle::Groove, &solution.values);
                setup.and_then(of).map(|angle| angle.row)
            };
            let Some(row) = row else {
                return Ok(Vec::new());
            };
            let variance = solution.variance(&row);
            let lines = combination_budget(&network, &solution, &row.scaled(DEGREE.recip()));
            budgets.push((variance, lines));
        }
        budgets.sort_by(|a, b| a.0.total_cmp(&b.0));
        let middle = budgets.len() / 2;
        Ok(budgets.swap_remove(middle).1)
    }
}

/// What a plan makes as small as it can.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Figure {
    /// Over the setups.
    RootMeanSquare,
    /// A goal is one for every setup.
    Largest,
}

/// What a job will tell.
struct Prediction {
    setups: Vec<PlannedSetup>,
    records: Vec<PlannedRecord>,
}

/// What a plan predicts of a setup, its rotation to the groove first.
const ANGLES: [Angle; 3] = [Angle::Groove, Angle::Body, Angle::Headshell];

impl Prediction {
    /// These `angles` of all setups, that to the groove first, and all cuts.
    fn of(job: &Job, network: &Network, angles: &[Angle]) -> Result<Self, JobError> {
        let unknowns = network.problem.unknowns().iter();
        let x: Vec<f64> = unknowns.map(|u| u.start).collect();
        let played = |name: &&String| job.captures.iter().any(|c| c.record == **name);
        let records: Vec<&String> = job.records.keys().filter(played).collect();
        let of_setups = job.setups.keys().map(|name| {
            let of = angles.iter();
            let of = of.map(|&angle| network.angle(job, name, angle, &x));
            of.collect::<Vec<_>>()
        });
        let of_setups: Vec<Vec<Option<Linear>>> = of_setups.collect();
        let cuts = records.iter().map(|name| network.unknown(&id::cut(name)));
        let cuts: Vec<Option<usize>> = cuts.collect();
        let rows = of_setups.iter().flatten().flatten().map(|a| a.row.clone());
        let rows = rows.chain(cuts.iter().flatten().map(|&k| Coefficients::unit(k)));
        let solution = network.problem.linearised()?;
        let mut u = rows.map(|row| solution.variance(&row).sqrt() / DEGREE);
        let mut setups = Vec::new();
        for (name, of) in job.setups.keys().zip(&of_setups) {
            let each: Vec<Option<f64>> = of
                .iter()
                .map(|angle| angle.as_ref().and_then(|_| u.next()))
                .collect();
            let of_angle = |k: usize| each.get(k).copied().flatten();
            let groove = of_angle(0).unwrap_or(0.0);
            let rotation = of.first().and_then(Option::as_ref);
            setups.push(PlannedSetup {
                name: name.clone(),
                captures: job.captures.iter().filter(|c| c.setup == *name).count(),
                rotation_deg: rotation.map_or(0.0, |a| a.at(&x)) / DEGREE,
                rotation_spread_deg: 0.0,
                standard_uncertainty_deg: groove,
                half_band_deg: half_band(groove),
                stylus_to_body_standard_uncertainty_deg: of_angle(1),
                headshell_standard_uncertainty_deg: of_angle(2),
            });
        }
        let of_cut = |(name, cut): (&&String, &Option<usize>)| {
            let u = cut.and_then(|_| u.next()).unwrap_or(0.0);
            PlannedRecord {
                name: (*name).clone(),
                standard_uncertainty_deg: u,
                half_band_deg: half_band(u),
            }
        };
        let records = records.iter().zip(&cuts).map(of_cut).collect();
        Ok(Self { setups, records })
    }

    /// The medians of all uncertainties.
    fn median(worlds: Vec<Self>) -> Self {
        let middle = |values: &dyn Fn(&Self) -> Option<f64>| {
            let mut values: Vec<f64> = worlds.iter().filter_map(values).collect();
            values.sort_by(f64::total_cmp);
            values.get(values.len() / 2).copied()
        };
        let setups = worlds.first().map_or(0, |first| first.setups.len());
        let records = worlds.first().map_or(0, |first| first.records.len());
        let setups = (0..setups).map(|k| {
            let of = |u: fn(&PlannedSetup) -> Option<f64>| middle(&move |w| u(&w.setups[k]));
            let u = of(|s| Some(s.standard_uncertainty_deg)).unwrap_or(0.0);
            PlannedSetup {
                standard_uncertainty_deg: u,
                half_band_deg: half_band(u),
                stylus_to_body_standard_uncertainty_deg: of(|s| {
                    s.stylus_to_body_standard_uncertainty_deg
                }),
                headshell_standard_uncertainty_deg: of(|s| s.headshell_standard_uncertainty_deg),
                ..worlds[0].setups[k].clone()
            }
        });
        let records = (0..records).map(|k| {
            let u = middle(&move |w| Some(w.records[k].standard_uncertainty_deg)).unwrap_or(0.0);
            PlannedRecord {
                standard_uncertainty_deg: u,
                half_band_deg: half_band(u),
                ..worlds[0].records[k].clone()
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
    /// Of the setups of `job` that count; of the
    /// cuts of its records where every tip is spherical. A candidate may have brought further ones.
    fn figure(&self, job: &Job, figure: Figure) -> f64 {
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
        match figure {
            Figure::RootMeanSquare => (squares / counted.len().max(1) as f64).sqrt(),
            Figure::Largest => counted.into_iter().fold(0.0, f64::max),
        }
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
