//! Do the bands hold what they say? Truths are drawn from the priors that a job
//! states, the delays follow from the geometry, and the job is solved.

use crate::estimator::{Trials, prior_u};
use crate::played::Played;
use crate::plot::Chart;
use crate::scene::Scene;
use crate::{Chapter, Outcome, Row, Table, chances, columns};
use groovelag::adjust::{Coefficients, Marginal};
use groovelag::groove::{Conditions, Profile, Tip, groove_speed};
use groovelag::job::{CaptureData, CaptureSpec, Job, Parameter, Solved, file, priors, solve};
use groovelag::simulate::stylus;
use groovelag::units::{DEGREE, MICROSECOND};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal, StudentT};
use rayon::prelude::*;
use statrs::distribution::{ChiSquared, ContinuousCDF, Normal};
use std::collections::BTreeMap;
use std::f64::consts::{FRAC_1_SQRT_2, SQRT_2};
use std::sync::{Arc, Mutex};

/// Random part of each delay.
pub const READING_U: f64 = 0.005 * MICROSECOND;
/// Coverages that are tried.
const COVERAGES: [f64; 4] = [0.50, 0.68, 0.95, 0.99];
/// 99.99 % limits of a binomial share, in standard deviations: some 150 are looked at.
const LIMIT: f64 = 3.890592;
/// Classes of a rank histogram.
const CLASSES: usize = 20;

/// What is judged: its name in the tables, and the unknowns it is a sum of, each times
/// a factor. An elliptical's lever is the root of two times its frontal less its side radius.
const JUDGED: [(&str, &[(&str, f64)]); 5] = [
    (
        "rotation",
        &[
            ("setup.E.rotation_deg", 1.0),
            ("tracking_deg", 1.0),
            ("tracking_deg[70]", 1.0),
        ],
    ),
    ("cut", &[("record.R.cut_rotation_deg", 1.0)]),
    (
        "lever",
        &[
            ("cartridge.E.frontal_radius_um", SQRT_2),
            ("cartridge.E.side_radius_um", -SQRT_2),
        ],
    ),
    ("skew", &[("chain.C.skew_us", 1.0)]),
    ("body", &[("cartridge.E.stylus_to_body_deg", 1.0)]),
];

/// The probability that a solved job gives to values of one of [`JUDGED`] below the truth.
fn rank(solved: &Solved, judged: &[(&str, f64)], truth: &Truth) -> f64 {
    if let [(id, 1.0)] = judged {
        let found = solved.distribution(id).expect("a distribution");
        return found.map_or(f64::NAN, |d| d.cumulative(truth[*id]));
    }
    let network = &solved.network;
    let mut sum = Coefficients::default();
    for (id, factor) in judged {
        sum.add(network.unknown(id).expect("an unknown"), *factor);
    }
    let everywhere = (f64::NEG_INFINITY, f64::INFINITY);
    let found = Marginal::new(&network.problem, &solved.adjustment, &sum, everywhere);
    let exact = judged.iter().map(|(id, factor)| factor * truth[*id]).sum();
    found.expect("a distribution").cumulative(exact)
}

/// An invented elliptical and an invented ball, each in a setup, one record side
/// and one chain; every prior stated, so that it can be drawn from.
const OBJECTS: &str = "format = 1
[cartridge.E]
profile = \"elliptical\"
frontal_radius_um = { value = 18, u = 1 }
side_radius_um = { value = 8, u = 1 }
[cartridge.S]
profile = \"spherical\"
frontal_radius_um = { value = 16, u = 1 }
[record.R]
cut_rotation_deg = { value = 0, u = 0.5 }
skew_us = { value = 0, u = 0.1 }
[chain.C]
skew_us = { value = 0, u = 0.5 }
[setup.E]
cartridge = \"E\"
rotation_deg = { value = 0, u = 5 }
[setup.S]
cartridge = \"S\"
rotation_deg = { value = 0, u = 3 }
";

/// Setup, speed, turn, and whether the leads are swapped.
type Shot = (&'static str, f64, f64, bool);

/// The job of some captures.
fn job(captures: &[Shot]) -> Job {
    job_of(OBJECTS, captures)
}

fn job_of(objects: &str, captures: &[Shot]) -> Job {
    let mut text = objects.to_owned();
    for (setup, rpm, turn, swapped) in captures {
        text += &format!(
            "[[capture]]
delay_us = {{ value = 0, u = 0.005 }}
setup = \"{setup}\"
record = \"R\"
chain = \"C\"
radius_mm = {{ value = 70, u = 0.5 }}
rpm = {rpm}
turn_deg = {turn}
leads = \"{}\"
",
            if *swapped { "swapped" } else { "normal" }
        );
    }
    file::parse(&text, "job.toml").expect("a job as the guide describes it")
}

/// The methods: their names and captures.
fn methods() -> Vec<(&'static str, Job)> {
    let one = ("E", 33.0, 0.0, false);
    let fast = ("E", 45.0, 0.0, false);
    let swapped = ("E", 33.0, 0.0, true);
    let ball = ("S", 33.0, 0.0, false);
    let turns = [("E", 33.0, -4.0, false), one, ("E", 33.0, 4.0, false)];
    let all = [
        &turns[..],
        &[
            fast,
            swapped,
            ball,
            ("S", 45.0, 0.0, false),
            ("S", 33.0, 0.0, true),
        ],
    ]
    .concat();
    vec![
        ("one-capture", job(&[one])),
        ("two-speeds", job(&[one, fast])),
        ("swapped-leads", job(&[one, swapped])),
        ("known-turns", job(&turns)),
        ("turns-and-speeds", job(&[&turns[..], &[fast]].concat())),
        ("ball", job(&[one, ball])),
        ("everything", job(&all)),
    ]
}

/// A truth: each unknown by its id, in SI units.
pub type Truth = BTreeMap<String, f64>;

/// The delay of a capture as the geometry has it.
pub fn delay(spec: &CaptureSpec, truth: &Truth) -> f64 {
    let of = |id: String, exact: f64| truth.get(&id).copied().unwrap_or(exact);
    // unknowns that a value tells apart, as 'speed_rpm[45]'
    let like = |start: &str, exact: f64| {
        let mut found = truth
            .range(start.to_owned()..)
            .take_while(|(id, _)| id.starts_with(start));
        found.next().map_or(exact, |(_, v)| *v)
    };
    let (setup, ball) = (spec.setup.as_str(), spec.setup == "S");
    let rpm = spec.nominal_rpm();
    let size = |key: &str| of(format!("cartridge.{setup}.{key}"), 0.0);
    let tip = match ball {
        true => Tip {
            profile: Profile::Spherical,
            size: [
                size("frontal_radius_um"),
                size("ball_lever_um"),
                of("setup.S.ball_path_um".to_owned(), 0.0),
            ],
        },
        false => Tip {
            profile: Profile::Elliptical,
            size: [
                size("frontal_radius_um"),
                size("side_radius_um"),
                size("shape"),
            ],
        },
    };
    let turn = spec.turn.value.unwrap_or(0.0);
    let conditions = Conditions {
        // a ball's own rotation is in its path
        rotation: match ball {
            true => 0.0,
            false => of("setup.E.rotation_deg".to_owned(), 0.0),
        },
        turn: like(
            &format!("setup.{setup}.turn_deg[{:.0}", turn / DEGREE),
            turn,
        ),
        radius: spec.radius[0] + like("record.R.radius_mm[", 0.0),
        rpm: like(
            &format!("speed_rpm[{}", if rpm < 40.0 { "33" } else { "45" }),
            rpm,
        ),
        tip,
        half_angle: 45.0 * DEGREE,
        cut: of("record.R.cut_rotation_deg".to_owned(), 0.0),
        lathe_offset: 0.0,
        record_skew: of("record.R.skew_us".to_owned(), 0.0),
        cut_rpm: 100.0 / 3.0,
        cartridge_skew: of(format!("cartridge.{setup}.skew_us"), 0.0),
        scale: of(format!("cartridge.{setup}.scale"), 1.0),
        chain_skew: of("chain.C.skew_us".to_owned(), 0.0),
        arm: None,
        tracking: of("tracking_deg".to_owned(), 0.0) + like("tracking_deg[", 0.0),
        swapped: spec.swapped,
    };
    let level = conditions.predict().delay;
    let Some(azimuth) = truth.get("azimuth").filter(|_| !ball) else {
        return level;
    };
    // an arm that is not level: by how much further the contacts lie apart that the
    // simulation's search finds
    let rounded = stylus::TipSurface {
        edge_radius: tip.size[1],
        arc_radius: tip.size[0] - tip.size[1],
        arc_offset: 0.0,
    };
    let path = |azimuth: f64, rake: f64| {
        let attitude = stylus::Attitude {
            rotation: conditions.rotation + conditions.turn,
            azimuth,
            rake,
        };
        stylus::path(&stylus::contacts(rounded, attitude, conditions.cut))
    };
    let further = path(*azimuth, truth["rake"]) - path(0.0, 0.0);
    let side = if conditions.swapped { -1.0 } else { 1.0 };
    level + side * conditions.scale * further / groove_speed(conditions.radius, rpm)
}

/// Draws a truth, as the job assumes or otherwise.
type Draw = fn(&[Parameter], &mut ChaCha8Rng) -> Truth;
/// How readings scatter, in standard uncertainties; one value for each capture.
type Noise = fn(usize, &mut ChaCha8Rng) -> Vec<f64>;

pub fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// A truth, each unknown drawn by itself.
fn each(
    parameters: &[Parameter],
    rng: &mut ChaCha8Rng,
    draw: impl Fn(&Parameter, &mut ChaCha8Rng) -> f64,
) -> Truth {
    let of = |p: &Parameter| (p.id.clone(), draw(p, rng));
    let mut truth: Truth = parameters.iter().map(of).collect();
    // what a rotation in the headshell consists of
    let headshell = truth.get("setup.E.rotation_deg").copied();
    let body = truth.get_mut("cartridge.E.stylus_to_body_deg");
    if let Some((headshell, body)) = headshell.zip(body) {
        *body = headshell - priors::MOUNTING_BY_EYE.estimate().u * normal(rng);
    }
    truth
}

fn prior(p: &Parameter, rng: &mut ChaCha8Rng) -> f64 {
    p.prior.value + p.prior.u * normal(rng)
}

fn as_stated(parameters: &[Parameter], rng: &mut ChaCha8Rng) -> Truth {
    each(parameters, rng, prior)
}

fn independent(count: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    (0..count).map(|_| normal(rng)).collect()
}

/// The probability that a solved job gives to values below the truth, for each
/// of [`JUDGED`].
fn trial(row: &str, job: &Job, seed: u64, (draw, noise, u): How) -> Vec<f64> {
    let mut rng = chances(row, seed);
    let given = |delays: &[f64]| -> Vec<Option<CaptureData>> {
        let of = |d: &f64| Some(CaptureData::of_delay(*d, u));
        delays.iter().map(of).collect()
    };
    // The unknowns and their priors do not depend on the readings.
    let blank = vec![0.0; job.captures.len()];
    let parameters = solve(job, &given(&blank), 0.95).expect("a job that can be solved");
    let truth = draw(&parameters.network.parameters, &mut rng);
    let exact: Vec<f64> = job.captures.iter().map(|c| delay(c, &truth)).collect();
    let scatter = noise(exact.len(), &mut rng);
    let delays: Vec<f64> = exact.iter().zip(scatter).map(|(d, z)| d + u * z).collect();
    let solved = solve(job, &given(&delays), 0.95).expect("a job that can be solved");
    JUDGED
        .iter()
        .map(|(_, sum)| rank(&solved, sum, &truth))
        .collect()
}

/// How truths are drawn and readings scatter, and the standard uncertainty stated of a
/// reading, seconds.
type How = (Draw, Noise, f64);

/// Ranks of all trials of a method, which the tables share.
fn ranks_of(method: &'static str, job: &Job, count: usize) -> Ranks {
    static KNOWN: Mutex<BTreeMap<(&str, usize), Ranks>> = Mutex::new(BTreeMap::new());
    let mut known = KNOWN.lock().expect("no other thread");
    let row = format!("coverage/{method}");
    let made = || {
        Arc::new(trials(
            &row,
            job,
            count,
            (as_stated, independent, READING_U),
        ))
    };
    known.entry((method, count)).or_insert_with(made).clone()
}

/// Ranks per judged unknown.
type Ranks = Arc<Vec<Vec<f64>>>;

/// Ranks of all trials, per judged unknown.
fn trials(row: &str, job: &Job, count: usize, how: How) -> Vec<Vec<f64>> {
    let ranks: Vec<Vec<f64>> = (0..count as u64)
        .into_par_iter()
        .map(|seed| trial(row, job, seed, how))
        .collect();
    (0..JUDGED.len())
        .map(|k| ranks.iter().map(|r| r[k]).collect())
        .collect()
}

fn inside(ranks: &[f64], coverage: f64) -> f64 {
    let tail = 0.5 * (1.0 - coverage);
    let count = ranks
        .iter()
        .filter(|r| (tail..=1.0 - tail).contains(*r))
        .count();
    count as f64 / ranks.len() as f64
}

fn histogram(ranks: &[f64]) -> [usize; CLASSES] {
    let mut counts = [0; CLASSES];
    for rank in ranks {
        counts[((rank * CLASSES as f64) as usize).min(CLASSES - 1)] += 1;
    }
    counts
}

/// Probability that even ranks would scatter more than these.
fn evenness(ranks: &[f64]) -> f64 {
    let expected = ranks.len() as f64 / CLASSES as f64;
    let sum: f64 = histogram(ranks)
        .iter()
        .map(|&n| (n as f64 - expected).powi(2) / expected)
        .sum();
    1.0 - ChiSquared::new((CLASSES - 1) as f64)
        .expect("degrees of freedom")
        .cdf(sum)
}

/// Judged in the tables, by unknown.
fn assumed(method: &'static str, job: Job, unknown: usize) -> Row {
    let name = JUDGED[unknown].0;
    Row {
        id: format!("coverage/{method}-{name}"),
        short: method == "everything" || method == "one-capture",
        run: Box::new(move |form| {
            let count = form.of(2000, 400);
            judged(&ranks_of(method, &job, count)[unknown])
        }),
    }
}

/// Heads of the columns of [`judged`].
const HEADS: [&str; 7] = [
    "inside 50 %",
    "inside 68 %",
    "inside 95 %",
    "inside 99 %",
    "ranks, 0 to 1",
    "p of evenness",
    "jobs",
];

/// Shares inside the bands, and the ranks, against what they should be.
fn judged(ranks: &[f64]) -> Outcome {
    let shares = COVERAGES.map(|c| inside(ranks, c));
    let even = evenness(ranks);
    let n = ranks.len() as f64;
    let mut faults: Vec<String> = COVERAGES
        .iter()
        .zip(shares)
        .filter(|(c, share)| (share - **c).abs() > LIMIT * (*c * (1.0 - *c) / n).sqrt())
        .map(|(c, share)| format!("{:.1} % inside the {:.0} % band", 100.0 * share, 100.0 * c))
        .collect();
    if even < 1e-4 {
        faults.push(format!("ranks are uneven (p = {even:.1e})"));
    }
    let mut cells: Vec<String> = shares.map(|s| format!("{:.1} %", 100.0 * s)).into();
    cells.push(bars(&histogram(ranks)));
    cells.push(format!("{even:.3}"));
    cells.push(ranks.len().to_string());
    Outcome {
        cells,
        numbers: shares.into(),
        fault: (!faults.is_empty()).then(|| faults.join("; ")),
    }
}

/// Bands of the delay: recordings through the program, against their exact delay.
fn of_delays() -> Table {
    let base = Scene {
        equaliser_u: prior_u(),
        ..Scene::default()
    };
    let scenes = [
        ("35dB", base.clone()),
        (
            "10dB",
            Scene {
                snr_db: 10.0,
                ..base.clone()
            },
        ),
        (
            "1.4s",
            Scene {
                period: 1 << 16,
                ..base.clone()
            },
        ),
        (
            "500us",
            Scene {
                delay: 500e-6,
                ..base.clone()
            },
        ),
        (
            "disturbed",
            Scene {
                hum_db: Some(-20.0),
                rumble_db: Some(-10.0),
                clicks_per_s: 2.0,
                lead_in_s: 4.0,
                ..base
            },
        ),
    ];
    let rows = scenes.map(|(name, scene)| {
        let id = format!("coverage/delay-{name}");
        let scene = Scene {
            row: id.clone(),
            ..scene
        };
        Row {
            id,
            short: name == "35dB",
            run: Box::new(move |form| {
                let trials = Trials::of(&scene, form.of(2000, 200));
                let below = |(error, u): &(f64, f64)| Normal::standard().cdf(-error / u);
                judged(&trials.given.iter().map(below).collect::<Vec<_>>())
            }),
        }
    });
    Table {
        title: "Bands of the delay".to_owned(),
        text: "Recordings of pink noise at 48 kHz with an exact delay (as in [the estimator's page](estimator.md)) go through the program as files, each with \
a programme, noise and equaliser parts (1 %) of its own: 5.5 s at 35 dB and 7.3 us, and what the row's name says; *disturbed*: by hum, rumble, \
clicks and a lead-in as in [the alternatives](alternatives.md), where a disturbance stands as well for which the band does not allow (vertical noise). Of 1.4 s, whose scatter few stretches show, the band \
is somewhat wider than need be."
            .to_owned(),
        columns: columns(&HEADS),
        rows: rows.into(),
        plots: Vec::new(),
    }
}

/// One job of recordings: the groove is simulated, the recordings are read, the job is
/// solved. Ranks of rotation and cut.
fn played(row: &str, trial: u64, shots: &[Shot]) -> [f64; 2] {
    let mut rng = chances(row, trial);
    let mut draw = |value: f64, u: f64| value + u * normal(&mut rng);
    let (rotation, cut) = (draw(0.0, 5.0), draw(0.0, 0.5));
    let (frontal, side, ball) = (draw(18.0, 1.0), draw(8.0, 1.0), draw(16.0, 1.0));
    let radius = draw(70.0, 0.5);
    let (record, chain) = (draw(0.0, 0.1), draw(0.0, 0.5));
    let equaliser: [[f64; 3]; 2] =
        [(); 2].map(|()| [(); 3].map(|()| draw(0.0, prior_u() * FRAC_1_SQRT_2)));
    // a cartridge's own: skew, and real crosstalk that scales the delay by (1 - c) / (1 + c)
    let cartridges = [(); 2].map(|()| {
        let scale = draw(1.0, priors::SCALE.u);
        (
            draw(0.0, priors::CARTRIDGE_SKEW.u),
            (1.0 - scale) / (1.0 + scale),
        )
    });
    // an arm that is not stated turns the groove against the headshell
    let tracking = [priors::TRACKING_COMMON, priors::TRACKING_RADIUS].map(|p| draw(0.0, p.u));
    let job = job(shots);
    let data: Vec<Option<CaptureData>> = shots
        .iter()
        .enumerate()
        .map(|(k, (setup, rpm, turn, swapped))| {
            let ball_plays = *setup == "S";
            let (skew, leak) = cartridges[usize::from(ball_plays)];
            let tip = match ball_plays {
                true => format!("profile = \"spherical\"\nfrontal_radius_um = {ball}"),
                false => format!(
                    "profile = \"elliptical\"\nfrontal_radius_um = {frontal}\nside_radius_um = {side}"
                ),
            };
            let leads = if *swapped { "swapped" } else { "normal" };
            let tables = format!(
                "leads = \"{leads}\"
[record]
cut_rotation_deg = {cut}
skew_us = {record}
[cartridge]
{tip}
skew_us = {skew}
crosstalk_right_into_left = [{leak}, 0]
crosstalk_left_into_right = [{leak}, 0]
[setup]
rotation_deg = {}
[chain]
skew_us = {chain}
equaliser_left = {:?}
equaliser_right = {:?}
[dirt]
snr_db = 35
noise_spectrum = \"surface\"
clicks_per_s = 0.5
",
                rotation + tracking[0] + tracking[1] + turn,
                equaliser[0],
                equaliser[1],
            );
            let recording = Played {
                seed: trial * 100 + k as u64,
                seconds: 2.5,
                radius_mm: &radius.to_string(),
                rpm: *rpm as u32,
                tables: &tables,
            };
            Some(CaptureData::of(&recording.analysis(None).0))
        })
        .collect();
    let solved = solve(&job, &data, 0.95).expect("a job that can be solved");
    [
        (0, vec![rotation, tracking[0], tracking[1]]),
        (1, vec![cut]),
    ]
    .map(|(k, truths)| {
        let sum = JUDGED[k].1;
        let named = sum.iter().zip(truths);
        let truth = named.map(|((id, _), truth)| ((*id).to_owned(), truth * DEGREE));
        rank(&solved, sum, &truth.collect())
    })
}

/// Bands of jobs of recordings.
fn of_recordings() -> Table {
    let one = ("E", 33.0, 0.0, false);
    let methods: [(&str, Vec<Shot>, usize); 3] = [
        ("one-capture", vec![one], 400),
        (
            "known-turns",
            vec![("E", 33.0, -4.0, false), one, ("E", 33.0, 4.0, false)],
            200,
        ),
        (
            "swapped-and-ball",
            vec![one, ("E", 33.0, 0.0, true), ("S", 33.0, 0.0, false)],
            200,
        ),
    ];
    let mut rows = Vec::new();
    for (unknown, what) in ["rotation", "cut"].iter().enumerate() {
        for (method, shots, count) in methods.clone() {
            rows.push(Row {
                id: format!("coverage/played-{method}-{what}"),
                short: false,
                run: Box::new(move |_| {
                    static KNOWN: Mutex<BTreeMap<&str, Vec<[f64; 2]>>> =
                        Mutex::new(BTreeMap::new());
                    let row = format!("coverage/played-{method}");
                    let made = || {
                        let trials = (0..count as u64).into_par_iter();
                        trials.map(|trial| played(&row, trial, &shots)).collect()
                    };
                    let mut known = KNOWN.lock().expect("one thread");
                    let ranks = known.entry(method).or_insert_with(made);
                    let ranks: Vec<f64> = ranks.iter().map(|r| r[unknown]).collect();
                    let too_few = COVERAGES.iter().any(|c| {
                        let limit = LIMIT * (c * (1.0 - c) / ranks.len() as f64).sqrt();
                        inside(&ranks, *c) < c - limit
                    });
                    let outcome = judged(&ranks);
                    Outcome {
                        // wider than need be is no fault here
                        fault: outcome.fault.filter(|_| too_few),
                        ..outcome
                    }
                }),
            });
        }
    }
    Table {
        title: "From recording to band".to_owned(),
        text: "The same from end to end: rotation, cut, tips, skews, crosstalk, radius and equaliser parts are drawn as above; the simulation, which finds contacts by search and \
knows none of the program's formulas, plays 2.5 s of pink noise with surface noise 35 dB down and a click every two seconds; the recordings are read and the job is solved. Speeds, turns, \
the tip's shape and above all the ball's roundness are exact here, where the job allows for some, so the bands must hold no less than they say, and may hold far more where the job allows for a ball that is not quite round; evenness is not asked."
            .to_owned(),
        columns: columns(&HEADS),
        rows,
        plots: Vec::new(),
    }
}

/// A histogram in one line of text, its mean at half height.
fn bars(counts: &[usize; CLASSES]) -> String {
    const HEIGHTS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let mean = counts.iter().sum::<usize>() as f64 / CLASSES as f64;
    counts
        .iter()
        .map(|&n| HEIGHTS[((n as f64 / mean * 3.5) as usize).min(7)])
        .collect()
}

/// Something that is not as the job assumes.
struct Wrong {
    name: &'static str,
    what: &'static str,
    advice: &'static str,
    job: Job,
    how: How,
}

/// Priors twice as wide as stated, for ids with this part in them.
macro_rules! twice {
    ($part:literal) => {
        |parameters, rng| {
            each(parameters, rng, |p, rng| {
                let factor = if p.id.contains($part) { 2.0 } else { 1.0 };
                p.prior.value + factor * p.prior.u * normal(rng)
            })
        }
    };
}

/// Three degrees of freedom, scaled to the stated standard deviation.
fn heavy_tails(parameters: &[Parameter], rng: &mut ChaCha8Rng) -> Truth {
    let student = StudentT::new(3.0).expect("degrees of freedom");
    each(parameters, rng, |p, rng| {
        let t: f64 = student.sample(rng);
        p.prior.value + p.prior.u * t / 3f64.sqrt()
    })
}

fn uniform(parameters: &[Parameter], rng: &mut ChaCha8Rng) -> Truth {
    each(parameters, rng, |p, rng| {
        p.prior.value + p.prior.u * 12f64.sqrt() * (rng.random::<f64>() - 0.5)
    })
}

/// Crosstalk of one sign: the scale 2 u off.
fn scale_off(parameters: &[Parameter], rng: &mut ChaCha8Rng) -> Truth {
    each(parameters, rng, |p, rng| {
        let off = if p.id.ends_with(".scale") {
            2.0 * p.prior.u
        } else {
            0.0
        };
        prior(p, rng) + off
    })
}

/// The tip of another form: its side radius 3 um more, its shape term -0.5.
fn other_shape(parameters: &[Parameter], rng: &mut ChaCha8Rng) -> Truth {
    each(parameters, rng, |p, rng| match p.id.as_str() {
        "cartridge.E.side_radius_um" => 11e-6,
        "cartridge.E.shape" => -0.5,
        _ => prior(p, rng),
    })
}

/// Turns are 15 % larger than read.
fn misread(parameters: &[Parameter], rng: &mut ChaCha8Rng) -> Truth {
    each(parameters, rng, |p, rng| {
        let turn = p.id.contains(".turn_deg[");
        prior(p, rng) + if turn { 0.15 * p.prior.value } else { 0.0 }
    })
}

/// An arm that is not level: azimuth spreads by 2 degrees, rake by 5.
fn unlevel(parameters: &[Parameter], rng: &mut ChaCha8Rng) -> Truth {
    let mut truth = as_stated(parameters, rng);
    truth.insert("azimuth".to_owned(), 2.0 * DEGREE * normal(rng));
    truth.insert("rake".to_owned(), 5.0 * DEGREE * normal(rng));
    truth
}

/// A correction for equal crosstalk of five per cent, which scales the delay by 0.905,
/// applied the wrong way: what is left is off by 0.905 twice.
fn wrong_sign(parameters: &[Parameter], rng: &mut ChaCha8Rng) -> Truth {
    each(parameters, rng, |p, rng| {
        let off = if p.id.ends_with(".scale") {
            0.905 * 0.905 - 1.0
        } else {
            0.0
        };
        prior(p, rng) + off
    })
}

/// A ball whose path is what it is: its lever times its rotation.
fn real_ball(parameters: &[Parameter], rng: &mut ChaCha8Rng) -> Truth {
    let mut truth = as_stated(parameters, rng);
    let of = |id: &str| truth.get(id).copied().unwrap_or(0.0);
    let path = of("cartridge.S.ball_lever_um") * of("setup.S.rotation_deg").sin();
    truth.insert("setup.S.ball_path_um".to_owned(), path);
    truth
}

/// All readings share their error.
fn shared(count: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    vec![normal(rng); count]
}

fn ten_times(count: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    (0..count).map(|_| 10.0 * normal(rng)).collect()
}

/// A method by its name.
fn method(name: &str) -> Job {
    let mut all = methods().into_iter();
    all.find(|(known, _)| *known == name).expect("a method").1
}

/// One reading again and again, where nothing else is as uncertain as the readings.
fn repeats() -> Job {
    let exact = OBJECTS
        .replace(
            "value = 0, u = 0.5 }\nskew_us = { value = 0, u = 0.1 }",
            "value = 0, u = 0.02 }\nskew_us = { value = 0, u = 0.01 }",
        )
        .replace(
            "[chain.C]\nskew_us = { value = 0, u = 0.5 }",
            "[chain.C]\nskew_us = { value = 0, u = 0.01 }",
        )
        .replace(
            "frontal_radius_um = { value = 18, u = 1 }",
            "frontal_radius_um = { value = 18, u = 0.1 }",
        )
        .replace(
            "u = 1 }\n[cartridge.S]",
            "u = 0.1 }\nskew_us = { value = 0, u = 0.01 }\ncrosstalk_db = -60\n[cartridge.S]",
        );
    job_of(&exact, &[("E", 33.0, 0.0, false); 5])
}

/// One capture, its crosstalk calibrated to -40 dB, which leaves the scale 1.4 %.
fn calibrated(shots: &[Shot]) -> Job {
    job_of(
        &OBJECTS.replacen("[cartridge.S]", "crosstalk_db = -40\n[cartridge.S]", 1),
        shots,
    )
}

/// One capture of a tip of which nothing is stated but its kind.
fn unstated() -> Job {
    let objects = OBJECTS
        .replace("profile = \"elliptical\"\n", "")
        .replace("frontal_radius_um = { value = 18, u = 1 }\n", "")
        .replace("side_radius_um = { value = 8, u = 1 }\n", "");
    job_of(&objects, &[("E", 33.0, 0.0, false)])
}

fn wrongs() -> Vec<Wrong> {
    let one = || method("one-capture");
    let turns = || method("known-turns");
    let ball = || method("ball");
    let everything = || method("everything");
    let wrong = |name, what, advice, job, draw: Draw| Wrong {
        name,
        what,
        advice,
        job,
        how: (draw, independent, READING_U),
    };
    let same = "the same with every method in the job";
    let with_turns = "the same with known turns";
    let mut list = vec![
        wrong(
            "cut-spread",
            "cuts spread twice as far as stated",
            "qualify the record, or play a ball on it",
            one(),
            twice!("cut_rotation"),
        ),
        wrong(
            "cut-spread-everything",
            same,
            "the ball measures the cut as far as its own lever allows",
            everything(),
            twice!("cut_rotation"),
        ),
        wrong(
            "skew-spread",
            "the chain's skew spreads twice as far",
            "swap the leads or calibrate: then it is measured",
            one(),
            twice!("chain.C.skew"),
        ),
        wrong(
            "skew-spread-everything",
            same,
            "none: the job measures the skew",
            everything(),
            twice!("chain.C.skew"),
        ),
        wrong(
            "all-spreads",
            "every prior twice too narrow",
            "state wider uncertainties when in doubt",
            one(),
            twice!(""),
        ),
        wrong(
            "all-spreads-everything",
            same,
            "methods save what they measure (chain, cut); here the ball's lever and the cartridges' skews, which none measures, decide",
            everything(),
            twice!(""),
        ),
        wrong(
            "heavy-tails",
            "every prior a Student t of 3 degrees of freedom, of the stated standard deviation",
            "its 99 % band is what fails; take a wider one where much depends on it",
            one(),
            heavy_tails,
        ),
        wrong(
            "uniform",
            "every prior uniform, of the stated standard deviation",
            "none: the wide bands hold more than they say",
            one(),
            uniform,
        ),
        wrong(
            "scale-off",
            "crosstalk of one sign: the scale two u from its prior",
            "calibrate crosstalk, or use known turns, which show the scale",
            one(),
            scale_off,
        ),
        wrong("scale-off-turns", with_turns, "none", turns(), scale_off),
        wrong(
            "crosstalk-sign",
            "equal crosstalk of five per cent corrected the wrong way; 1.4 per cent stated of the scale",
            "check a calibration by a known turn: the turn must come out as it was made",
            calibrated(&[("E", 33.0, 0.0, false)]),
            wrong_sign,
        ),
        wrong(
            "crosstalk-sign-turns",
            with_turns,
            "the turns mend most of it, where the side radius leaves room",
            calibrated(&[
                ("E", 33.0, -4.0, false),
                ("E", 33.0, 0.0, false),
                ("E", 33.0, 4.0, false),
            ]),
            wrong_sign,
        ),
        wrong(
            "other-shape",
            "a tip of other form than stated: side radius 11 um, shape term \u{2212}0.5",
            "leave out what is not known (next row), or use known turns",
            one(),
            other_shape,
        ),
        wrong(
            "other-shape-unstated",
            "the same tip, of which nothing is stated",
            "better, as more is allowed for; known turns are better still",
            unstated(),
            other_shape,
        ),
        wrong(
            "other-shape-turns",
            with_turns,
            "the turns mend most of it",
            turns(),
            other_shape,
        ),
        wrong(
            "real-ball",
            "the ball's path a product of lever and rotation, taken for normal",
            "none where the ball is one of several limits",
            ball(),
            real_ball,
        ),
        wrong(
            "real-ball-everything",
            "the same with every method in the job, where the ball is the limit",
            "believe the 95 % band more than those of 50 and 99 %",
            everything(),
            real_ball,
        ),
        wrong(
            "unlevel-arm",
            "an arm that is not level: azimuth spreads by 2 deg and rake by 5 deg, which turns the contacts (found by search)",
            "level the arm before a measurement that is to be sure to some tenths of a degree",
            one(),
            unlevel,
        ),
        wrong(
            "unlevel-arm-everything",
            same,
            "the same",
            everything(),
            unlevel,
        ),
        wrong(
            "misread-turns",
            "turns 15 % larger than read, all alike",
            "read the turns with care, both ways from zero",
            turns(),
            misread,
        ),
    ];
    let scattered = |name, what, advice, job, noise: Noise, u| Wrong {
        name,
        what,
        advice,
        job,
        how: (as_stated, noise, u),
    };
    list.extend([
        scattered(
            "repeats-independent",
            "five repeats of 0.3 us each where nothing else is as uncertain; as stated, for the next row",
            "none; what repeats scatter by is estimated from them, which widens the band somewhat",
            repeats(),
            independent,
            0.3 * MICROSECOND,
        ),
        scattered(
            "repeats-correlated",
            "the same, but the repeats share their error whole (one worn place, one drift)",
            "repeats of one place are one reading: repeat at other places, with other leads, on other days",
            repeats(),
            shared,
            0.3 * MICROSECOND,
        ),
        scattered(
            "noisy",
            "readings scatter by 50 ns, 5 ns is stated",
            "the fit's chi-square shows it: take its warning seriously",
            everything(),
            ten_times,
            READING_U,
        ),
    ]);
    list
}

/// When assumptions are wrong.
fn of_wrong() -> Table {
    let rows = wrongs()
        .into_iter()
        .map(|wrong| {
            let id = format!("coverage/wrong-{}", wrong.name);
            Row {
                id: id.clone(),
                short: wrong.name == "all-spreads",
                run: Box::new(move |form| {
                    let ranks = trials(&id, &wrong.job, form.of(2000, 200), wrong.how);
                    let rotation = &ranks[0];
                    let mut cells = vec![wrong.what.to_owned()];
                    let shares = COVERAGES.map(|c| inside(rotation, c));
                    cells.extend(shares.map(|s| format!("{:.1} %", 100.0 * s)));
                    cells.push(bars(&histogram(rotation)));
                    cells.push(wrong.advice.to_owned());
                    Outcome {
                        cells,
                        numbers: shares.into(),
                        fault: None,
                    }
                }),
            }
        })
        .collect();
    Table {
        title: "When the assumptions are wrong".to_owned(),
        text: "How far the rotation's bands fail when the world is not as the job states; 2,000 jobs each, of one capture if nothing else is said. \
Nothing is asked of these rows: they say what to beware of. (By chance alone a share of 95 % comes out between 94.0 and 96.0 in 19 of 20.) The picture has the rows in the order of the table, counted from 1."
            .to_owned(),
        columns: columns(&["what is wrong", "inside 50 %", "inside 68 %", "inside 95 %", "inside 99 %", "ranks, 0 to 1", "advice"]),
        rows,
        plots: vec![(
            "coverage-wrong".to_owned(),
            Box::new(|rows| Chart {
                title: "Truths inside the rotation's 95 % band, assumptions wrong".to_owned(),
                x: "row of the table".to_owned(),
                y: "inside, %".to_owned(),
                log_x: false,
                log_y: false,
                lines: vec![
                    (
                        "found".to_owned(),
                        rows.iter().enumerate().map(|(k, o)| (k as f64 + 1.0, 100.0 * o.numbers[2])).collect(),
                    ),
                    (
                        "stated".to_owned(),
                        vec![(1.0, 95.0), (rows.len() as f64, 95.0)],
                    ),
                ],
            }),
        )],
    }
}

/// The chapter.
pub fn chapter() -> Chapter {
    let mut tables = Vec::new();
    for (unknown, (name, _)) in JUDGED.iter().enumerate() {
        let rows = methods()
            .into_iter()
            .map(|(method, job)| assumed(method, job, unknown))
            .collect();
        let what = match *name {
            "lever" => "elliptical's lever",
            "skew" => "chain's skew",
            other => other,
        };
        tables.push(Table {
            title: format!("Bands of the {what}"),
            text: String::new(),
            columns: columns(&HEADS),
            rows,
            plots: Vec::new(),
        });
    }
    tables.extend([of_delays(), of_recordings(), of_wrong()]);
    Chapter {
        name: "coverage",
        title: "Bands",
        text: "Jobs whose truths are drawn from the priors that they state. The delays follow from the geometry, by the same formulas that the job is solved with, and 5 ns of noise: so the \
first tables try the solver and its bands, not the geometry, which [has checks of its own](traceability.md) and is found by search in *From recording to band*. Per method 2,000 jobs, whose unknowns are \
judged table by table. The share of truths inside each band must lie within its 99.99 % binomial limits, and the truths' ranks in their distributions must \
be even (simulation-based calibration: Talts and others 2018, from memory); in a histogram are twenty classes, the mean at half height and whatever is twice the mean or more at full height. The 99.99 % limits are wide because some 150 shares are looked at: of 2,000 jobs a 95 % band may hold 93.1 to 96.9 %, of 200 only less than 89.0 % would be a fault.

Every job has an invented elliptical of 18 +- 1 by 8 +- 1 um whose rotation is 0 +- 5 degrees before (far narrower than what is assumed where nothing is stated, 20, so that there is something to \
be wrong about), an invented ball of 16 +- 1 um, one record side with a cut of 0 +- 0.5 degrees and a cutter's skew of 0 +- 0.1 us, and one chain of 0 +- 0.5 us; what is not named is as \
[assumed by default](traceability.md). All captures are at 70 +- 0.5 mm. *one-capture*: the elliptical at 33 1/3 rpm; *two-speeds*: with 45 rpm; *swapped-leads*: with the leads swapped; *known-turns*: at \
-4, 0 and 4 degrees; *turns-and-speeds*: these and 45 rpm; *ball*: the elliptical and the ball; *everything*: turns, 45 rpm, swapped leads, and the ball at both speeds and with swapped leads.",
        tables,
    }
}
