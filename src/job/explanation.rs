//! Contradictions between captures and stated values, and slips that would
//! explain them.
//!
//! Common slips are hypotheses about the same data: leads, speeds, turns, radii and
//! channels entered wrongly, a capture of another setup, cartridge, record or chain,
//! a wrong stated value. The scatter between drops is held fixed, so that no
//! hypothesis can explain a slip as scatter. A hypothesis *fits* where its
//! chi-square is not significant; those that fit are weighted by their evidence (the
//! integral of the likelihood over all unknowns, by Laplace's approximation) and by
//! the frequency of the slip.

use super::agreement;
use super::description::{CaptureSpec, Cartridge, Chain, DelaySource, Job, Record, Setup, Stated};
use super::network::{self, Alternative, CaptureData, DataSource, Network, named};
use super::pass::Pass;
use super::plan::unused_name;
use super::scope::{MOST_UNKNOWNS_IN_FULL, Scope};
use super::solution::SetupResult;
use crate::adjust::{self, BiasTest};
use crate::uncertainty::{Caveat, Warning, chi_square, normal_coverage_factor, plain, tail};
use crate::units::{DEGREE, MILLIMETRE};
use ndarray::Array1;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// Significance level of a contradiction: by chi-square, or by the residual of a capture (see
/// [`residual_limit`]). About one correct job in a thousand fails it by chance.
const CONTRADICTION_P: f64 = Warning::Contradiction.limit();

/// Number of residuals up to which each is tested at this warning's own level.
const RESIDUALS_AT_FULL_LEVEL: usize = 10;

/// Critical value of a normalised residual, two-sided, at this warning's level (normal law). Beyond
/// [`RESIDUALS_AT_FULL_LEVEL`] residuals the level of each is reduced so that the largest of all exceeds it no more often
/// than the largest of that number (Sidak 1967, from memory).
pub(super) fn residual_limit(warning: Warning, residuals: usize) -> f64 {
    let alone = warning.limit();
    let of_all = (-alone).ln_1p() * RESIDUALS_AT_FULL_LEVEL as f64;
    let of_each = -(of_all / residuals.max(RESIDUALS_AT_FULL_LEVEL) as f64).exp_m1();
    normal_coverage_factor(1.0 - of_each)
}

/// Significance level of a chi-square that is reported; a hypothesis with a
/// lower probability does not explain the data.
pub(super) const REPORTED_P: f64 = Warning::ChiSquareHigh.limit();

/// Joint probability of the hypotheses reported; common practice (95 %), no
/// source.
const REPORTED_PROBABILITY: f64 = 0.95;

/// Maximum number of explanations reported: more are no help. Common practice, no source.
const MOST_REPORTED: usize = 4;

/// Maximum number of captures examined for a slip of their own, the largest
/// residuals first. Common practice, no source.
const MOST_EXAMINED: usize = 12;

/// In a job of more unknowns than this no hypothesis is tried, since each needs
/// a full adjustment; captures with significant residuals are reported.
const MOST_UNKNOWNS: usize = 200;

/// Standard uncertainty of a free radius, metres: anywhere on a side.
const FREE_RADIUS_U: f64 = 30.0 * MILLIMETRE;

/// Standard uncertainty of a turn that was read wrongly, radians: a protractor's
/// mark or two (common practice, no source).
const FREE_TURN_U: f64 = 3.0 * DEGREE;

/// Bias of a wrong value, as a multiple of its standard uncertainty (common
/// practice, no source).
const WRONG_VALUE_FACTOR: f64 = 10.0;

/// Frequency of each kind of slip, per entry; common practice, no source. Only
/// their ratios matter.
mod frequency {
    /// A capture's leads, speed, turn or radius entered wrongly.
    pub const CAPTURE_ENTRY: f64 = 0.02;
    /// The same slip in all captures of a tip or a setup.
    pub const COMMON_ENTRY: f64 = 0.01;
    /// A capture of another object that the job has.
    pub const CONFUSED_OBJECT: f64 = 0.01;
    /// A capture of an object that the job does not have.
    pub const UNLISTED_OBJECT: f64 = 0.003;
    /// One capture with its channels exchanged, the others not.
    pub const EXCHANGED_CHANNELS: f64 = 0.002;
    /// A stated value that is wrong.
    pub const WRONG_STATED_VALUE: f64 = 0.01;
    /// An assumption that does not hold.
    pub const WRONG_ASSUMPTION: f64 = 0.003;
}

/// A kind of slip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Slip {
    /// Leads swapped or not, other than stated.
    Leads,
    /// Another speed.
    Speed,
    /// Turns with the other sign.
    TurnSign,
    /// A turn read wrongly.
    Turn,
    /// A capture made in another setup.
    Setup,
    /// A capture made with another cartridge.
    Cartridge,
    /// A capture of another record or side.
    Record,
    /// Left and right exchanged.
    Channels,
    /// Another radius.
    Radius,
    /// A chain that changed.
    Chain,
    /// A value that is wrong.
    Value,
}

/// One explanation of the data.
struct Hypothesis {
    slip: Slip,
    /// The capture it is about, if it is about one.
    capture: Option<usize>,
    /// In words, after "if".
    words: String,
    frequency: f64,
    job: Job,
    /// Captures whose channels were exchanged.
    exchanged: Vec<usize>,
    /// An unknown whose prior is wrong.
    wrong: Option<String>,
}

/// An explanation that fits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Explanation {
    /// Its kind.
    pub slip: Slip,
    /// The capture it is about (counted from 0), if it is about one.
    pub capture: Option<usize>,
    /// In words, after "it would fit if".
    pub words: String,
    /// Its probability among those that fit.
    pub probability: f64,
}

/// A solved job, to be examined.
pub(super) struct Examined<'a> {
    pub(super) job: &'a Job,
    pub(super) data: &'a [Option<CaptureData>],
    pub(super) scatter: f64,
    pub(super) network: &'a Network,
    pub(super) adjustment: &'a adjust::Minimum,
}

impl Examined<'_> {
    /// Warnings about the fit (a contradiction, or significant residuals), and the
    /// slips that would explain it, the most probable first.
    pub(super) fn findings(&self) -> (Vec<Caveat>, Vec<Explanation>) {
        // away from the minimum residuals are meaningless, and only a chi-square far too
        // large is tested
        let settled = self.adjustment.termination != adjust::Termination::IterationLimit;
        let suspects = if settled {
            self.bias_tests()
        } else {
            Vec::new()
        };
        let beyond = |limit: f64| {
            suspects
                .iter()
                .filter(move |s| s.1.normalised.abs() > limit)
        };
        let p = self.adjustment.p_value.unwrap_or(1.0);
        let limit = |warning| residual_limit(warning, suspects.len());
        let named: Vec<_> = beyond(limit(Warning::Outlier)).collect();
        let tried = self.network.parameters.len() <= MOST_UNKNOWNS;
        let files = tried.then_some(&self.job.knowledge);
        let between_files = files.and_then(|files| agreement::contradiction(files));
        let contradicts = p < CONTRADICTION_P
            || between_files.is_some()
            || beyond(limit(Warning::Contradiction)).next().is_some();
        if !contradicts && named.is_empty() && p >= REPORTED_P {
            return (Vec::new(), Vec::new());
        }
        let explanations = if tried {
            self.explanations()
        } else {
            Vec::new()
        };
        let cause = in_words(&explanations, tried);
        let facts = format!(
            "{}, probability {}",
            chi_square(
                self.adjustment.chi_square,
                self.adjustment.degrees_of_freedom
            ),
            tail(p)
        );
        // the residuals of other captures follow from the one at fault
        let fault = explanations.first().and_then(|e| e.capture);
        let mut named = named;
        if fault.is_some() {
            named.retain(|(at, _)| Some(*at) == fault);
        }
        let departures: Vec<String> = named
            .iter()
            .map(|(at, test)| self.prediction_residual(*at, test))
            .collect();
        let caveats = if contradicts {
            let worst = departures.first().cloned();
            let grounds = [facts].into_iter().chain(worst).chain(between_files);
            let mut grounds: Vec<String> = grounds.collect();
            // contradictions first
            if p >= CONTRADICTION_P {
                grounds.reverse();
            }
            vec![Caveat::serious(
                Warning::Contradiction,
                format!(
                    "the captures and what is stated contradict each other. {cause} ({})",
                    grounds.join("; ")
                ),
            )]
        } else if departures.is_empty() {
            vec![Caveat::caution(
                Warning::ChiSquareHigh,
                format!(
                    "the captures and what is stated agree less well than their uncertainties allow ({facts}). {cause} Nothing was rescaled: an uncertainty may be stated too small, or a part of the equaliser may be beyond its tolerance"
                ),
            )]
        } else {
            let outlier =
                |departure| Caveat::caution(Warning::Outlier, format!("{departure}. {cause}"));
            departures.into_iter().map(outlier).collect()
        };
        (caveats, explanations)
    }

    /// Setups for which swapped leads or exchanged channels in all captures would go
    /// undetected: chi-square would not be significant, while a rotation would be wrong by
    /// more than its band.
    pub(super) fn undetectable_exchanges(&self, setups: &[SetupResult]) -> Vec<String> {
        let problem = &self.network.problem;
        let x = &self.adjustment.values;
        let rotations: Vec<(usize, f64)> = setups
            .iter()
            .filter(|s| !s.unobservable)
            .filter_map(|s| {
                let unknown = self.network.unknown(&network::id::rotation(&s.name))?;
                Some((unknown, s.rotation_deg.half_width()? * DEGREE))
            })
            .collect();
        let own_unknowns = |setup: &SetupResult| {
            let cartridge = &self.job.setups[&setup.name].cartridge;
            self.network.of_cartridge(cartridge, &[&setup.name])
        };
        let hidden = |setup: &SetupResult| {
            let own = self.network.captures_of(&setup.name).iter();
            let own = own.filter_map(|&at| self.network.capture_blocks[at]);
            let own: Vec<usize> = own.collect();
            let changes = own
                .iter()
                .filter_map(|&at| self.network.change_by_leads(at, x));
            let changes: Vec<Array1<f64>> = changes.collect();
            let biases = own.iter().copied().zip(&changes);
            // in a large job, effects on other cartridges are not computed
            let scope = Scope::whole(self.network, self.adjustment);
            let scope = match self.network.parameters.len() > MOST_UNKNOWNS_IN_FULL {
                true => scope.around(&own_unknowns(setup)),
                false => scope,
            };
            let moved = scope.shift(biases.clone());
            let moved = |k: usize| moved(k).unwrap_or(0.0);
            // increase of chi-square at the new minimum: c'W (c - J moved)
            let left = biases.map(|(at, change)| {
                let block = &problem.blocks()[at];
                let along: Array1<f64> = block.unknowns().iter().map(|&k| moved(k)).collect();
                let residual = change - &block.evaluate(x).jacobian.dot(&along);
                change.dot(&block.information().dot(&residual))
            });
            // a single-channel band identifies left and right
            let told = |pass: &Pass| pass.sides_told && pass.spec.setup == setup.name;
            !own.is_empty()
                && !self.job.passes.iter().any(told)
                && Warning::Unchecked.level(left.sum()).is_some()
                && rotations.iter().any(|&(k, half)| moved(k).abs() > half)
        };
        let each = setups.par_iter();
        each.filter(|setup| hidden(setup))
            .map(|s| s.name.clone())
            .collect()
    }

    fn prediction_residual(&self, at: usize, test: &BiasTest) -> String {
        format!(
            "{} differs from everything else by {} standard uncertainties",
            network::locate(at, &self.job.captures[at]),
            plain(test.normalised.abs(), 1)
        )
    }

    /// Bias tests of captures, the largest residual first.
    fn bias_tests(&self) -> Vec<(usize, BiasTest)> {
        let blocks = self.network.capture_blocks.iter().enumerate();
        let mut tests: Vec<(usize, BiasTest)> = blocks
            .filter_map(|(at, block)| {
                let problem = &self.network.problem;
                Some((at, problem.bias_test(self.adjustment, (*block)?, 0)?))
            })
            .collect();
        tests.sort_by(|a, b| b.1.normalised.abs().total_cmp(&a.1.normalised.abs()));
        tests
    }

    /// The explanations that fit, the most probable first, up to a joint
    /// probability of [`REPORTED_PROBABILITY`].
    pub(super) fn explanations(&self) -> Vec<Explanation> {
        let hypotheses = self.hypotheses();
        let mut fitting: Vec<(f64, Explanation)> = hypotheses
            .into_par_iter()
            .filter_map(|hypothesis| self.weigh(hypothesis))
            .collect();
        fitting.sort_by(|a, b| b.0.total_cmp(&a.0));
        let Some(best) = fitting.first().map(|f| f.0) else {
            return Vec::new();
        };
        let total: f64 = fitting.iter().map(|(log, _)| (log - best).exp()).sum();
        let mut told = 0.0;
        fitting
            .into_iter()
            .take(MOST_REPORTED)
            .map_while(|(log, explanation)| {
                let probability = (log - best).exp() / total;
                let needed = told < REPORTED_PROBABILITY;
                told += probability;
                needed.then_some(Explanation {
                    probability,
                    ..explanation
                })
            })
            .collect()
    }

    /// Logarithm of a hypothesis's evidence times frequency, with its words;
    /// `None` where it does not fit.
    fn weigh(&self, hypothesis: Hypothesis) -> Option<(f64, Explanation)> {
        let mut data = self.data.to_vec();
        for &at in &hypothesis.exchanged {
            if let Some(data) = data[at].as_mut() {
                data.information = data.information.with_channels_exchanged();
            }
        }
        let network = network::with_alternative(
            &hypothesis.job,
            DataSource::Real(&data),
            self.scatter,
            match &hypothesis.wrong {
                Some(id) => Alternative::Prior(id, WRONG_VALUE_FACTOR),
                None => Alternative::None,
            },
        )
        .ok()?;
        let solution = network.problem.solve().ok()?;
        if solution.termination == adjust::Termination::IterationLimit {
            return None;
        }
        if solution.p_value.is_some_and(|p| p < REPORTED_P) {
            return None;
        }
        let mut words = hypothesis.words;
        match (hypothesis.slip, hypothesis.capture) {
            (Slip::Radius, Some(at)) => {
                let moved = network
                    .parameters
                    .iter()
                    .position(|p| p.id.contains(".radius_mm[") && p.prior.u == FREE_RADIUS_U)
                    .map_or(0.0, |k| solution.values[k]);
                let radius = self.job.captures[at].radius;
                let middle_mm = (0.5 * (radius[0] + radius[1]) + moved) / MILLIMETRE;
                if Warning::UnusualRadius.level(middle_mm).is_some() {
                    return None;
                }
                words += &format!(" about {middle_mm:.0} mm");
            }
            (Slip::Turn, Some(at)) => {
                let turn = network::turn_id(&hypothesis.job, &hypothesis.job.captures[at]);
                let found = network.unknown(&turn).map(|k| solution.values[k] / DEGREE);
                words += &format!(" about {} degrees", plain(found?, 1));
            }
            _ => {}
        }
        let log = network.problem.log_evidence(&solution) + hypothesis.frequency.ln();
        log.is_finite().then_some((
            log,
            Explanation {
                slip: hypothesis.slip,
                capture: hypothesis.capture,
                words,
                probability: 0.0,
            },
        ))
    }

    fn hypotheses(&self) -> Vec<Hypothesis> {
        let mut list = List {
            job: self.job,
            hypotheses: Vec::new(),
        };
        let mut order: Vec<usize> = self.bias_tests().into_iter().map(|s| s.0).collect();
        order.extend((0..self.job.captures.len()).filter(|at| self.data[*at].is_some()));
        let mut examined: Vec<usize> = Vec::new();
        for at in order {
            // stretches share speed, leads and turn of their recording
            let by_itself = self.job.captures[at].stretch().is_none();
            if by_itself && !examined.contains(&at) && examined.len() < MOST_EXAMINED {
                examined.push(at);
            }
        }
        for &at in &examined {
            list.capture_slips(at);
        }
        list.common_slips();
        for (k, known) in self.job.knowledge.iter().enumerate().take(MOST_EXAMINED) {
            for thing in known.objects() {
                let (kind, name) = thing.split_once('.').unwrap_or_default();
                let slip = match kind {
                    "record" => Slip::Record,
                    "cartridge" => Slip::Cartridge,
                    "chain" => Slip::Chain,
                    _ => continue,
                };
                let of = named(kind, name);
                let words = format!("{of} in '{}' were another {kind}", known.source);
                list.add(slip, None, words, frequency::UNLISTED_OBJECT, |job| {
                    job.knowledge[k].rename(kind, name);
                });
            }
        }
        for parameter in &self.network.parameters[..self.network.own] {
            let stated = parameter.is_stated();
            let ball = parameter.id.ends_with(network::id::BALL_LEVER);
            let skew = parameter.id.ends_with(".skew_us");
            let own = ["setup.", "capture.", "speed_rpm", "tracking_deg"];
            let of_capture = parameter.id.contains(".radius_mm[")
                || own.iter().any(|p| parameter.id.starts_with(p));
            if of_capture || !(stated || skew || ball) {
                continue;
            }
            list.add(
                Slip::Value,
                None,
                if stated {
                    format!("the stated {} is wrong", parameter.words)
                } else {
                    format!("the {} is larger than assumed", parameter.words)
                },
                if stated {
                    frequency::WRONG_STATED_VALUE
                } else {
                    frequency::WRONG_ASSUMPTION
                },
                |_| {},
            );
            if let Some(last) = list.hypotheses.last_mut() {
                last.wrong = Some(parameter.id.clone());
            }
        }
        list.hypotheses
    }
}

/// Explanations in a sentence; `tried`: whether any were looked for.
fn in_words(explanations: &[Explanation], tried: bool) -> String {
    let words: Vec<&str> = explanations.iter().map(|e| e.words.as_str()).collect();
    match words[..] {
        _ if !tried => {
            "The job is too large to try every slip: check the captures with the largest residuals.".to_owned()
        }
        [] => "No single slip explains it (leads, speed, turns, radius, setup, cartridge, record, channels, chain and stated values were tried): repeat the capture with the largest residual, or leave it out.".to_owned(),
        [one] => format!("They would agree if {one}: check that."),
        [best, ref others @ ..] => format!(
            "They would agree if {best}; the data cannot distinguish that from: {}. Check these.",
            others.join("; or: ")
        ),
    }
}

/// The hypotheses of a job.
struct List<'a> {
    job: &'a Job,
    hypotheses: Vec<Hypothesis>,
}

impl List<'_> {
    fn add(
        &mut self,
        slip: Slip,
        capture: Option<usize>,
        words: String,
        frequency: f64,
        change: impl FnOnce(&mut Job),
    ) {
        let mut job = self.job.clone();
        change(&mut job);
        self.hypotheses.push(Hypothesis {
            slip,
            capture,
            words,
            frequency,
            job,
            exchanged: Vec::new(),
            wrong: None,
        });
    }

    /// Slips in one capture.
    fn capture_slips(&mut self, at: usize) {
        let job = self.job;
        let spec = &job.captures[at];
        let of = network::locate(at, spec);
        let entry =
            |change: fn(&mut CaptureSpec)| move |job: &mut Job| change(&mut job.captures[at]);
        let leads = if spec.swapped {
            "not swapped"
        } else {
            "swapped"
        };
        let words = format!("the leads of {of} were {leads}");
        self.add(
            Slip::Leads,
            Some(at),
            words,
            frequency::CAPTURE_ENTRY,
            entry(|c| c.swapped = !c.swapped),
        );
        for (name, rpm) in [("33 1/3", 100.0 / 3.0), ("45", 45.0), ("78", 78.26)] {
            if (spec.nominal_rpm() / rpm - 1.0).abs() > Warning::UnusualSpeed.limit() {
                let words = format!("{of} was played at {name} rpm");
                self.add(
                    Slip::Speed,
                    Some(at),
                    words,
                    frequency::CAPTURE_ENTRY,
                    |job| {
                        job.captures[at].rpm = Stated::number(rpm);
                    },
                );
            }
        }
        let turn = spec.turn.value.unwrap_or(0.0);
        if turn != 0.0 {
            let words = format!("the turn of {of} had the other sign");
            self.add(
                Slip::TurnSign,
                Some(at),
                words,
                frequency::CAPTURE_ENTRY,
                |job| {
                    job.captures[at].turn.value = Some(-turn);
                },
            );
        }
        let words = format!("the turn of {of} was");
        self.add(
            Slip::Turn,
            Some(at),
            words,
            frequency::CAPTURE_ENTRY,
            |job| {
                job.captures[at].turn = Stated::with_u(turn, FREE_TURN_U);
            },
        );
        let words = format!("the radius of {of} was");
        self.add(
            Slip::Radius,
            Some(at),
            words,
            frequency::CAPTURE_ENTRY,
            entry(|c| c.radius_u = Some(FREE_RADIUS_U)),
        );
        let entry = match self.job.captures[at].channels {
            Some([2, 1]) => "remove channels = [2, 1] from the capture",
            _ => "add channels = [2, 1] to the capture",
        };
        let words = format!("left and right of {of} were exchanged (if so, {entry})");
        self.add(
            Slip::Channels,
            Some(at),
            words,
            frequency::EXCHANGED_CHANNELS,
            |_| {},
        );
        if let Some(last) = self.hypotheses.last_mut() {
            last.exchanged = vec![at];
        }
        self.other_objects(at, &of);
    }

    /// The capture made with other objects than stated.
    fn other_objects(&mut self, at: usize, of: &str) {
        let job = self.job;
        let spec = &job.captures[at];
        let Some(own) = job.setups.get(&spec.setup) else {
            return;
        };
        for (name, setup) in &job.setups {
            if *name == spec.setup {
                continue;
            }
            let (slip, what) = if setup.cartridge == own.cartridge {
                (Slip::Setup, named("setup", name))
            } else {
                (Slip::Cartridge, named("cartridge", &setup.cartridge))
            };
            let words = format!("{of} was made with {what}");
            self.add(slip, Some(at), words, frequency::CONFUSED_OBJECT, |job| {
                job.captures[at].setup.clone_from(name);
            });
        }
        for name in job.records.keys().filter(|n| **n != spec.record) {
            let words = format!("{of} was of {}", named("record", name));
            self.add(
                Slip::Record,
                Some(at),
                words,
                frequency::CONFUSED_OBJECT,
                |job| {
                    job.captures[at].record.clone_from(name);
                },
            );
        }
        let in_its_own_setup = |job: &mut Job, cartridge: String| {
            let name = unused_name("another", &job.setups);
            let setup = Setup {
                cartridge,
                arm: own.arm.clone(),
                ..Setup::default()
            };
            job.setups.insert(name.clone(), setup);
            job.captures[at].setup = name;
        };
        let words =
            format!("{of} was made in another setup than the others, the cartridge having moved");
        self.add(
            Slip::Setup,
            Some(at),
            words,
            frequency::UNLISTED_OBJECT,
            |job| {
                in_its_own_setup(job, own.cartridge.clone());
            },
        );
        let words = format!("{of} was made with a cartridge that the job does not have");
        self.add(
            Slip::Cartridge,
            Some(at),
            words,
            frequency::UNLISTED_OBJECT,
            |job| {
                let name = unused_name("another", &job.cartridges);
                job.cartridges.insert(name.clone(), Cartridge::default());
                in_its_own_setup(job, name);
            },
        );
        let words = format!("{of} was of a record or side that the job does not have");
        self.add(
            Slip::Record,
            Some(at),
            words,
            frequency::UNLISTED_OBJECT,
            |job| {
                let name = unused_name("another", &job.records);
                job.records.insert(name.clone(), Record::default());
                job.captures[at].record = name;
            },
        );
    }

    /// Slips common to several captures.
    fn common_slips(&mut self) {
        let job = self.job;
        let of_cartridge = |spec: &CaptureSpec, cartridge: &str| {
            let setup = job.setups.get(&spec.setup);
            setup.is_some_and(|s| s.cartridge == cartridge)
        };
        for cartridge in job.cartridges.keys() {
            let several = |c: &&CaptureSpec| of_cartridge(c, cartridge);
            if job.captures.iter().filter(several).count() < 2 {
                continue;
            }
            let of = named("cartridge", cartridge);
            let words = format!("the leads of {of} were the other way round in all its captures");
            self.add(Slip::Leads, None, words, frequency::COMMON_ENTRY, |job| {
                let captures = job.captures.iter_mut();
                for capture in captures.filter(|c| of_cartridge(c, cartridge)) {
                    capture.swapped = !capture.swapped;
                }
            });
        }
        for setup in job.setups.keys() {
            let turned =
                |c: &CaptureSpec| c.setup == *setup && c.turn.value.is_some_and(|t| t != 0.0);
            if job.captures.iter().filter(|c| turned(c)).count() < 2 {
                continue;
            }
            let words = format!("all turns of {} had the other sign", named("setup", setup));
            self.add(
                Slip::TurnSign,
                None,
                words,
                frequency::COMMON_ENTRY,
                |job| {
                    for capture in job.captures.iter_mut().filter(|c| turned(c)) {
                        capture.turn.value = capture.turn.value.map(|t| -t);
                    }
                },
            );
        }
        let words = "left and right were exchanged in all captures".to_owned();
        self.add(Slip::Channels, None, words, frequency::COMMON_ENTRY, |_| {});
        if let Some(last) = self.hypotheses.last_mut() {
            last.exchanged = (0..job.captures.len()).collect();
        }
        for chain in job.chains.keys() {
            let through: Vec<usize> = (0..job.captures.len())
                .filter(|&at| job.captures[at].chain == *chain)
                .filter(|&at| job.captures[at].source != DelaySource::Planned)
                .collect();
            // as many changes as usual in a session
            for &at in through.iter().skip(1).take(MOST_EXAMINED) {
                let words = format!(
                    "{} had changed from {} on",
                    named("chain", chain),
                    network::locate(at, &job.captures[at])
                );
                let frequency = frequency::COMMON_ENTRY / through.len() as f64;
                self.add(Slip::Chain, Some(at), words, frequency, |job| {
                    let name = unused_name("another", &job.chains);
                    let changed = Chain {
                        skew: Stated::default(),
                        ..job.chains[chain].clone()
                    };
                    job.chains.insert(name.clone(), changed);
                    for &later in through.iter().filter(|&&later| later >= at) {
                        job.captures[later].chain.clone_from(&name);
                    }
                });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// Against Python 3.11's `statistics.NormalDist`: up to ten by each alone, then such that the job's chance
    /// stays that of ten.
    #[test]
    fn residuals_of_large_jobs_have_a_stricter_level() {
        for (residuals, serious, named) in [
            (1, 3.8906, 3.2905),
            (10, 3.8906, 3.2905),
            (20, 4.056, 3.481),
            (100, 4.417, 3.890),
            (2_000, 5.026, 4.565),
            (100_000, 5.731, 5.327),
        ] {
            let limit = |warning| residual_limit(warning, residuals);
            assert_abs_diff_eq!(limit(Warning::Contradiction), serious, epsilon = 6e-4);
            assert_abs_diff_eq!(limit(Warning::Outlier), named, epsilon = 6e-4);
        }
    }
}
