//! Predicts the uncertainty of a job before recording, and suggests further recordings.

mod candidates;

use super::budget::combination_budget;
use super::description::Job;
use super::network::{
    self, Angle, CaptureData, DataSource, Expected, LatticeDraw, Linear, Network, id,
};
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

/// Least relative reduction of the uncertainty for a suggestion; common
/// practice, no source.
const LEAST_GAIN: f64 = 0.01;

/// Maximum number of steps of a plan that does not reach its goal; common
/// practice, no source.
pub const MOST_STEPS: usize = 20;

/// Coverage of the bands that are predicted: the default of `--coverage`.
pub const PLANNED_COVERAGE: f64 = 0.95;

/// Half of the band that a standard uncertainty makes, of a normal quantity.
fn half_band(u: f64) -> f64 {
    let band = Quantity::normal(0.0, u, PLANNED_COVERAGE).interval;
    band.upper.unwrap_or(0.0)
}

/// The request for a plan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wanted {
    /// All candidates for the next capture, best first.
    Ranking,
    /// This number of steps, each the best after those before it.
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
    /// The rotation to the groove for which it is predicted, degrees: as measured, as stated, or
    /// zero.
    #[serde(default)]
    pub rotation_deg: f64,
    /// Standard deviation of the rotations over which the median is taken, degrees: 5, or zero where the
    /// rotation is measured or stated.
    #[serde(default)]
    pub rotation_spread_deg: f64,
    /// Predicted standard uncertainty of the rotation to the groove, degrees.
    pub standard_uncertainty_deg: f64,
    /// Half of the 95 % band, degrees.
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
    /// Half of the 95 % band, degrees.
    pub half_band_deg: f64,
}

/// A further capture and its effect.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Suggestion {
    /// What to record.
    pub capture: String,
    /// Predicted standard uncertainty with it (and, in a sequence, with those
    /// before it): the root mean square over setups, spherical tips left out; over the
    /// cuts of the records where every tip is spherical. Until a goal is reached it is the largest of them.
    pub standard_uncertainty_deg: f64,
    /// Half of the 95 % band, degrees.
    pub half_band_deg: f64,
    /// Time it takes, minutes, roughly.
    #[serde(default)]
    pub minutes: f64,
}

/// A plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Plan {
    /// Why the recorded part is in doubt, and with it the plan; null where it is not.
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
    /// Budget of the setup (or cut) with the largest uncertainty, largest contribution first: of the job as
    /// it stands in a ranking, else after the whole sequence.
    #[serde(default)]
    pub limits: Vec<BudgetLine>,
    /// Notes, in words.
    #[serde(default)]
    pub notes: Vec<String>,
    /// Standard uncertainty after the whole sequence; in a ranking, of the job as
    /// it stands.
    #[serde(skip)]
    pub reached_deg: f64,
    /// Over how many setups (or cuts) that is.
    #[serde(skip)]
    pub counted: usize,
    /// Whether every tip is spherical, so that the cuts are measured.
    #[serde(skip)]
    pub qualifies: bool,
}

/// Predicts a job before anything is recorded: the median of its standard uncertainties over draws of unstated
/// rotations and of levers of spherical tips. Ranks candidates, for every tip: the other speed, swapped leads,
/// a turn each way, an inner radius, another record side, a repeat; a further spherical tip on the record, a
/// calibration of the chain with one signal on both inputs, more accurate radii and turns. The job's
/// [`Means`](super::Means) exclude what its owner cannot do.
pub fn plan(job: &Job, wanted: Wanted) -> Result<Plan, JobError> {
    PlanBasis::default().plan(job, wanted)
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
    let known = PlanBasis::of(job, data, solved);
    let plan = known.plan(job, wanted)?;
    Ok(Plan {
        in_doubt: solved.solution.in_doubt.clone(),
        recorded: data.iter().flatten().count(),
        notes: one_tone(data).into_iter().collect(),
        ..plan
    })
}

/// A note where only tones are recorded: the phase of a tone is the path over the wavelength, whatever
/// the speed, so another speed separates the path only from the electronics' response.
fn one_tone(data: &[Option<CaptureData>]) -> Option<String> {
    let recordings = || data.iter().flatten().filter(|d| d.sha256.is_some());
    let narrow = |data: &CaptureData| data.caveats.iter().any(|c| c.code == Warning::NarrowBand);
    (recordings().next().is_some() && recordings().all(narrow)).then(|| {
        "What is recorded is a single tone or a narrow band. The path shifts its phase equally at every speed, so another speed adds almost nothing; record wide-band programme.".to_owned()
    })
}

/// The basis of a plan.
#[derive(Default)]
struct PlanBasis<'a> {
    expected: Expected<'a>,
    /// Scatter between drops, seconds.
    scatter: f64,
}

impl<'a> PlanBasis<'a> {
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

    fn network(&self, job: &Job, world: LatticeDraw) -> Result<Network, JobError> {
        network::network(
            job,
            DataSource::Predicted(&self.expected, world),
            self.scatter,
        )
    }

    /// Whether a setup's rotation is neither stated nor measured.
    fn is_unknown(&self, job: &Job, setup: &str) -> bool {
        let unstated = job.setups[setup].rotation.value.is_none();
        unstated && !self.expected.values.contains_key(&id::rotation(setup))
    }

    /// The draws over which a prediction is the median: one where nothing is drawn.
    fn draws(&self, job: &Job) -> Vec<LatticeDraw> {
        let mut setups = job.setups.keys();
        let drawn = setups.any(|name| spherical(job, name) || self.is_unknown(job, name));
        LatticeDraw::all()
            .take(if drawn { usize::MAX } else { 1 })
            .collect()
    }

    fn for_draw(
        &self,
        job: &Job,
        world: LatticeDraw,
        angles: &[Angle],
    ) -> Result<PredictedUncertainties, JobError> {
        PredictedUncertainties::of(job, &self.network(job, world)?, angles)
    }

    fn predict(&self, job: &Job) -> Result<PredictedUncertainties, JobError> {
        let worlds = self.draws(job).into_par_iter();
        let worlds = worlds.map(|world| self.for_draw(job, world, &ANGLES));
        let mut median = PredictedUncertainties::median(worlds.collect::<Result<_, JobError>>()?);
        for setup in &mut median.setups {
            if !spherical(job, &setup.name) && self.is_unknown(job, &setup.name) {
                setup.rotation_deg = 0.0;
                setup.rotation_spread_deg = priors::PLANNED_ROTATION.u;
            }
        }
        Ok(median)
    }

    /// Uncertainty with each candidate for the `last` job, without draws, best first. Of candidates
    /// that differ only in size or accuracy, keeps the first that is as good as any.
    fn rank_candidates(
        &self,
        job: &Job,
        last: &Job,
        figure: Objective,
    ) -> Result<Vec<Candidate>, JobError> {
        let now = self.for_draw(last, LatticeDraw::default(), &[Angle::Groove])?;
        let candidates = candidates(last, &now).into_par_iter().map(|candidate| {
            let prediction =
                self.for_draw(&candidate.job, LatticeDraw::default(), &[Angle::Groove])?;
            Ok((prediction.objective(job, figure), candidate))
        });
        let mut tried: Vec<(f64, Candidate)> = Vec::new();
        for (value, candidate) in candidates.collect::<Result<Vec<_>, JobError>>()? {
            let same = tried.iter_mut().find(|(_, c)| c.kind == candidate.kind);
            match same {
                Some(best) if value < (1.0 - LEAST_GAIN) * best.0 => *best = (value, candidate),
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
            Wanted::Until(_) => Objective::Largest,
            Wanted::Ranking | Wanted::Steps(_) => Objective::RootMeanSquare,
        };
        let mut current = now.objective(job, figure);
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
                for candidate in self.rank_candidates(job, job, figure)? {
                    let u = self.predict(&candidate.job)?.objective(job, figure);
                    if u < (1.0 - LEAST_GAIN) * current {
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
            let Some(best) = self.rank_candidates(job, &last, figure)?.into_iter().next() else {
                break;
            };
            let u = self.predict(&best.job)?.objective(job, figure);
            if u > (1.0 - LEAST_GAIN) * current {
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

    /// The budget of the setup with the largest uncertainty (of the cut, where every tip is spherical), for
    /// the median draw, after `last` is recorded.
    fn limits(&self, job: &Job, last: &Job) -> Result<Vec<BudgetLine>, JobError> {
        let prediction = self.predict(last)?;
        let u = |s: &PlannedSetup| s.standard_uncertainty_deg;
        let counted = prediction.counted(job);
        let setup = counted.max_by(|a, b| u(a).total_cmp(&u(b)));
        let u = |r: &PlannedRecord| r.standard_uncertainty_deg;
        let records = prediction.records.iter();
        let record = records.max_by(|a, b| u(a).total_cmp(&u(b)));
        let mut budgets = Vec::new();
        for world in self.draws(last) {
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

/// The figure that a plan minimises.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Objective {
    /// Over the setups.
    RootMeanSquare,
    /// The largest over the setups: a goal applies to each.
    Largest,
}

/// Predicted uncertainties of a job.
struct PredictedUncertainties {
    setups: Vec<PlannedSetup>,
    records: Vec<PlannedRecord>,
}

/// Angles of a setup that a plan predicts, that to the groove first.
const ANGLES: [Angle; 3] = [Angle::Groove, Angle::Body, Angle::Headshell];

impl PredictedUncertainties {
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

    /// The played setups of `job` whose tips are sensitive to their rotation; all such setups
    /// while none is played.
    fn counted<'a>(&'a self, job: &'a Job) -> impl Iterator<Item = &'a PlannedSetup> {
        let none = !job.captures.iter().any(|c| !spherical(job, &c.setup));
        self.setups.iter().filter(move |s| {
            let played = job.captures.iter().any(|c| c.setup == s.name);
            job.setups.contains_key(&s.name) && !spherical(job, &s.name) && (played || none)
        })
    }
}

impl Plan {
    /// Half of the band of the first setup's rotation, degrees, or of the cut of the
    /// first record where every tip is spherical.
    pub fn half_band_deg(&self, setup: &str) -> Option<f64> {
        if self.qualifies {
            return self.records.first().map(|r| r.half_band_deg);
        }
        let found = self.setups.iter().find(|s| s.name == setup);
        found.map(|s| s.half_band_deg)
    }
}

impl PredictedUncertainties {
    /// The figure over the setups of `job` that count, or over its cuts where every tip is
    /// spherical. A candidate may have added others.
    fn objective(&self, job: &Job, figure: Objective) -> f64 {
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
            Objective::RootMeanSquare => (squares / counted.len().max(1) as f64).sqrt(),
            Objective::Largest => counted.into_iter().fold(0.0, f64::max),
        }
    }
}

/// Whether every tip of the job is spherical: then it measures only cuts.
fn qualifies(job: &Job) -> bool {
    job.setups.keys().all(|name| spherical(job, name))
}

fn spherical(job: &Job, setup: &str) -> bool {
    job.setups
        .get(setup)
        .and_then(|s| job.cartridges.get(&s.cartridge))
        .is_some_and(|c| c.profile == Some(Profile::Spherical))
}

/// A name not in use, derived from the wanted one.
pub(super) fn unused_name<T>(wish: &str, taken: &std::collections::BTreeMap<String, T>) -> String {
    let mut name = wish.to_owned();
    let mut k = 1;
    while taken.contains_key(&name) {
        k += 1;
        name = format!("{wish} {k}");
    }
    name
}
