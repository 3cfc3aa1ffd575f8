//! Candidates for the next recording.

use super::{PredictedUncertainties, qualifies, spherical, unused_name};
use crate::job::description::{
    CaptureSpec, Cartridge, Chain, DelaySource, Estimate, Job, Setup, Stated,
};
use crate::job::network::{named, tidy};
use crate::job::priors;
use crate::units::{DEGREE, MICROSECOND, MILLIMETRE};
use std::collections::{BTreeMap, BTreeSet};

/// Turns of the candidate pair each way, degrees: from well above the reading of a
/// protractor to what a headshell allows where nothing is stated (common practice, no source).
const TURNS_DEG: [f64; 3] = [4.0, 2.0, 8.0];

/// Standard uncertainties of turns and radii that are read with care: a vernier or a long pointer,
/// and a rule with a lens (common practice, no source).
const CAREFUL_TURN_U: f64 = 0.05 * DEGREE;
const CAREFUL_RADIUS_U: f64 = 0.2 * MILLIMETRE;

/// Radius of the inner candidate, millimetres: near the end of a side, where
/// the groove is slowest and the delay largest (60.325 mm, IEC 98-1958).
const INNER_MM: f64 = 62.0;

/// Uncertainty of a chain's skew once both inputs were fed one signal:
/// the random part of one capture.
const CALIBRATED_SKEW_U: f64 = 0.005 * MICROSECOND;

/// A candidate for the next step.
pub(super) struct Candidate {
    /// Its kind, whatever its size and accuracy; a plan names one candidate of each kind.
    pub kind: String,
    pub words: String,
    /// The job including it.
    pub job: Job,
    pub minutes: f64,
}

/// Maximum number of captures from which candidates are derived: those of the setups with the largest
/// uncertainty. Each needs some fifteen adjustments.
const MOST_BASE_CAPTURES: usize = 12;

/// All candidates that the job's means allow, from uncertainties as of `now`.
pub(super) fn candidates(job: &Job, now: &PredictedUncertainties) -> Vec<Candidate> {
    let mut found = Vec::new();
    let mut bases = representatives(job);
    if bases.len() > MOST_BASE_CAPTURES {
        let known: BTreeMap<&str, f64> = now
            .counted(job)
            .map(|s| (s.name.as_str(), s.standard_uncertainty_deg))
            .collect();
        let u = |capture: &CaptureSpec| known.get(capture.setup.as_str()).copied().unwrap_or(0.0);
        bases.sort_by(|a, b| u(b).total_cmp(&u(a)));
        bases.truncate(MOST_BASE_CAPTURES);
    }
    for base in bases {
        further_captures(job, &base, &mut found);
        other_sides(job, &base, now, &mut found);
    }
    for (name, chain) in &job.chains {
        let Estimate { value, u } = chain.skew.or(&priors::CHAIN_SKEW);
        if u <= CALIBRATED_SKEW_U || !is_allowed(job.means.calibration) {
            continue;
        }
        let mut calibrated = job.clone();
        let chain = Chain {
            skew: Stated::with_u(value, CALIBRATED_SKEW_U),
            ..chain.clone()
        };
        calibrated.chains.insert(name.clone(), chain);
        let of = named("chain", name);
        let words = format!("calibration of {of} with one signal on both inputs");
        found.push(Candidate {
            kind: words.clone(),
            words,
            job: calibrated,
            minutes: job.means.minutes.calibration,
        });
    }
    found.extend(better_radii(job));
    // two setups may ask for the same
    let mut seen = BTreeSet::new();
    found.retain(|c| seen.insert(c.words.clone()));
    found
}

/// Everything that the job does not exclude is at hand.
fn is_allowed(stated: Option<bool>) -> bool {
    stated.unwrap_or(true)
}

/// Further captures like `base`.
fn further_captures(job: &Job, base: &CaptureSpec, found: &mut Vec<Candidate>) {
    let (means, minutes) = (&job.means, job.means.minutes);
    let of_setup = named("setup", &base.setup);
    let on_record = named("record", &base.record);
    let is_ball = spherical(job, &base.setup);
    let with = |captures: Vec<CaptureSpec>| {
        let mut candidate = job.clone();
        candidate.captures.extend(captures);
        candidate
    };
    let mut offer = |kind: &str, words: String, job: Job, minutes: f64| {
        found.push(Candidate {
            kind: format!("{of_setup} {on_record} {kind}"),
            words,
            job,
            minutes,
        });
    };
    if !job.captures.iter().any(|c| c.setup == base.setup) {
        let radius = tidy(base.radius[0] / MILLIMETRE);
        let words = format!("{of_setup}, which is not recorded yet, on {on_record} at {radius} mm");
        let time = minutes.recording + minutes.mounting;
        offer("first", words, with(vec![base.clone()]), time);
        return;
    }
    if is_allowed(means.other_speed) {
        let (other, shown) = match (base.nominal_rpm() - 45.0).abs() < 1.0 {
            true => (100.0 / 3.0, "33 1/3"),
            false => (45.0, "45"),
        };
        let capture = CaptureSpec {
            rpm: Stated::number(other),
            ..base.clone()
        };
        let words = format!("{of_setup} at {shown} rpm on {on_record}");
        offer("speed", words, with(vec![capture]), minutes.recording);
    }
    if is_allowed(means.swapped_leads) {
        let leads = if base.swapped { "normal" } else { "swapped" };
        let words = format!("{of_setup} with the leads {leads} at the cartridge");
        let capture = CaptureSpec {
            swapped: !base.swapped,
            ..base.clone()
        };
        let time = minutes.recording + minutes.leads;
        offer("leads", words, with(vec![capture]), time);
    }
    let most = job.limits.max_turn.unwrap_or(f64::INFINITY);
    let turns = TURNS_DEG.iter().filter(|turn| **turn * DEGREE <= most);
    for turn in turns.filter(|_| is_allowed(means.turn)) {
        for (u, care) in [(None, ""), (Some(CAREFUL_TURN_U), ", read to 0.05 deg")] {
            let turned = |sign: f64| CaptureSpec {
                turn: Stated {
                    value: Some(sign * turn * DEGREE),
                    u,
                },
                ..base.clone()
            };
            let words = format!("{of_setup} turned by {turn} deg each way{care} (two captures)");
            let time = 2.0 * (minutes.recording + minutes.turn);
            offer("turn", words, with(vec![turned(-1.0), turned(1.0)]), time);
        }
    }
    let inner = (INNER_MM + 3.0) * MILLIMETRE;
    if base.radius.iter().all(|&r| r > inner) {
        let capture = CaptureSpec {
            radius: [INNER_MM * MILLIMETRE; 2],
            ..base.clone()
        };
        let words = format!("{of_setup} at {INNER_MM} mm on {on_record}");
        offer("radius", words, with(vec![capture]), minutes.recording);
    }
    let more = |taken: usize, most: Option<usize>| most.is_none_or(|most| taken < most);
    if more(job.records.len(), means.record_sides) {
        let mut another = job.clone();
        let record = unused_name("another side", &another.records);
        another.records.insert(record.clone(), Default::default());
        another.captures.push(CaptureSpec {
            record,
            ..base.clone()
        });
        let words = format!("{of_setup} on another record side");
        offer("side", words, another, minutes.recording);
    }
    let words = format!("{of_setup} once more on {on_record}, as before");
    offer("again", words, with(vec![base.clone()]), minutes.recording);
    let balls = job.setups.keys().filter(|name| spherical(job, name));
    if (!is_ball || qualifies(job)) && more(balls.clone().count(), means.spherical_cartridges) {
        let which = if balls.count() > 0 { "another" } else { "a" };
        let radius = tidy(base.radius[0] / MILLIMETRE);
        let words = format!("{which} cartridge with a spherical tip on {on_record} at {radius} mm");
        let time = minutes.recording + minutes.mounting;
        offer("ball", words, with_ball(job, base), time);
    }
}

/// The setup of `base` on the other record sides of the job and its included files, the best known first.
fn other_sides(
    job: &Job,
    base: &CaptureSpec,
    now: &PredictedUncertainties,
    found: &mut Vec<Candidate>,
) {
    let of_setup = named("setup", &base.setup);
    let included = job.knowledge.iter().flat_map(|k| &k.parts);
    let included = included.flat_map(|part| part.job.records.keys());
    let names: BTreeSet<&String> = job.records.keys().chain(included).collect();
    let played = |name: &String| {
        let mut captures = job.captures.iter();
        captures.any(|c| c.setup == base.setup && c.record == *name)
    };
    let u = |name: &String| {
        let known = now.records.iter().find(|r| r.name == *name);
        let stated = || job.records.get(name)?.cut_rotation.u;
        let stated = stated().map_or(priors::CUT.u, |u| u / DEGREE);
        known.map_or(stated, |r| r.standard_uncertainty_deg)
    };
    let mut names: Vec<&String> = names.into_iter().filter(|name| !played(name)).collect();
    names.sort_by(|a, b| u(a).total_cmp(&u(b)));
    for name in names.into_iter().take(MOST_BASE_CAPTURES) {
        let mut candidate = job.clone();
        candidate.records.entry(name.clone()).or_default();
        candidate.captures.push(CaptureSpec {
            record: name.clone(),
            ..base.clone()
        });
        let radius = tidy(base.radius[0] / MILLIMETRE);
        let on_record = named("record", name);
        found.push(Candidate {
            kind: format!("{of_setup} on a side of the job"),
            words: format!("{of_setup} on {on_record} at {radius} mm"),
            job: candidate,
            minutes: job.means.minutes.recording,
        });
    }
}

/// Planned captures with more accurate radii.
fn better_radii(job: &Job) -> Option<Candidate> {
    let mut better = job.clone();
    let planned = better.captures.iter_mut();
    let planned = planned.filter(|c| c.source == DelaySource::Planned);
    let mut count = 0;
    for capture in planned {
        let u = capture.radius_u.unwrap_or(priors::RADIUS.estimate().u);
        if u > CAREFUL_RADIUS_U {
            capture.radius_u = Some(CAREFUL_RADIUS_U);
            count += 1;
        }
    }
    (count > 0).then(|| Candidate {
        kind: "radii".to_owned(),
        words: format!("the radii of the {count} planned captures read to 0.2 mm"),
        job: better,
        minutes: job.means.minutes.reading * f64::from(count),
    })
}

/// The job with a capture like `base` by another cartridge, with a spherical tip.
fn with_ball(job: &Job, base: &CaptureSpec) -> Job {
    let mut ball = job.clone();
    let cartridge = unused_name("spherical", &ball.cartridges);
    let setup = unused_name("spherical", &ball.setups);
    ball.captures.push(CaptureSpec {
        setup: setup.clone(),
        turn: Stated::default(),
        ..base.clone()
    });
    let tip = Cartridge {
        profile: Some(crate::groove::Profile::Spherical),
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

/// One capture per setup and record, planned anew: the first at zero turn. For a setup that is not played yet,
/// the job's first capture.
fn representatives(job: &Job) -> Vec<CaptureSpec> {
    let mut found: Vec<CaptureSpec> = Vec::new();
    let anew = |capture: &CaptureSpec| CaptureSpec {
        source: DelaySource::Planned,
        line: None,
        turn: Stated::default(),
        ..capture.clone()
    };
    for capture in &job.captures {
        let mut known = found.iter();
        if !known.any(|f| f.setup == capture.setup && f.record == capture.record) {
            found.push(anew(capture));
        }
    }
    if let Some(first) = job.captures.first() {
        let mut setups: Vec<&String> = job.setups.keys().collect();
        setups.retain(|name| !job.captures.iter().any(|c| c.setup == **name));
        found.extend(setups.into_iter().map(|name| CaptureSpec {
            setup: name.clone(),
            swapped: false,
            ..anew(first)
        }));
    }
    found
}
