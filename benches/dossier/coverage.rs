//! Do the bands hold what they say? Truths are drawn from the priors that a job
//! states, the delays follow from the geometry, and the job is solved.

use crate::plot::Chart;
use crate::{Chapter, Outcome, Row, SEED, Table, columns};
use groovelag::groove::{Conditions, Profile, Tip};
use groovelag::job::{CaptureData, CaptureSpec, Job, Parameter, file, solve};
use groovelag::units::{DEGREE, MICROSECOND};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal, StudentT};
use rayon::prelude::*;
use statrs::distribution::{ChiSquared, ContinuousCDF};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

/// Random part of each delay.
const READING_U: f64 = 0.005 * MICROSECOND;
/// Coverages that are tried.
const COVERAGES: [f64; 4] = [0.50, 0.68, 0.95, 0.99];
/// Classes of a rank histogram.
const CLASSES: usize = 20;

/// The unknowns that are judged: their ids and what the tables call them.
const JUDGED: [(&str, &str); 5] = [
    ("setup.E.rotation_deg", "rotation"),
    ("record.R.cut_rotation_deg", "cut"),
    ("cartridge.E.side_radius_um", "lever"),
    ("chain.C.skew_us", "skew"),
    ("delay", "delay"),
];

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

/// The captures of a method, one per line: setup, speed, turn, leads.
fn job(captures: &[(&str, f64, f64, bool)]) -> Job {
    let mut text = OBJECTS.to_owned();
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
type Truth = BTreeMap<String, f64>;

/// The delay of a capture as the geometry has it.
fn delay(spec: &CaptureSpec, truth: &Truth) -> f64 {
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
        swapped: spec.swapped,
    };
    conditions.predict().delay
}

/// Draws a truth, as the job assumes or otherwise.
type Draw = fn(&[Parameter], &mut ChaCha8Rng) -> Truth;
/// How readings scatter, in standard uncertainties; one value for each capture.
type Noise = fn(usize, &mut ChaCha8Rng) -> Vec<f64>;

fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// A truth, each unknown drawn by itself.
fn each(
    parameters: &[Parameter],
    rng: &mut ChaCha8Rng,
    draw: impl Fn(&Parameter, &mut ChaCha8Rng) -> f64,
) -> Truth {
    let of = |p: &Parameter| (p.id.clone(), draw(p, rng));
    parameters.iter().map(of).collect()
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
fn trial(job: &Job, seed: u64, draw: Draw, noise: Noise) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    rng.set_stream(seed);
    let given = |delays: &[f64]| -> Vec<Option<CaptureData>> {
        let of = |d: &f64| Some(CaptureData::of_delay(*d, READING_U));
        delays.iter().map(of).collect()
    };
    // The unknowns and their priors do not depend on the readings.
    let blank = vec![0.0; job.captures.len()];
    let parameters = solve(job, &given(&blank), 0.95).expect("a job that can be solved");
    let truth = draw(&parameters.network.parameters, &mut rng);
    let exact: Vec<f64> = job.captures.iter().map(|c| delay(c, &truth)).collect();
    let scatter = noise(exact.len(), &mut rng);
    let delays: Vec<f64> = exact
        .iter()
        .zip(scatter)
        .map(|(d, z)| d + READING_U * z)
        .collect();
    let solved = solve(job, &given(&delays), 0.95).expect("a job that can be solved");
    JUDGED
        .iter()
        .map(|(id, _)| match truth.get(*id) {
            Some(truth) => {
                let found = solved.distribution(id).expect("a distribution");
                found.map_or(f64::NAN, |d| d.cumulative(*truth))
            }
            // of the first reading, by itself
            None => {
                let z = (exact[0] - delays[0]) / READING_U;
                statrs::distribution::Normal::standard().cdf(z)
            }
        })
        .collect()
}

/// Ranks of all trials of a method, which the tables share.
fn ranks_of(method: &'static str, job: &Job, count: usize) -> Ranks {
    static KNOWN: Mutex<BTreeMap<(&str, usize), Ranks>> = Mutex::new(BTreeMap::new());
    let mut known = KNOWN.lock().expect("no other thread");
    let made = || Arc::new(trials(job, count, as_stated, independent));
    known.entry((method, count)).or_insert_with(made).clone()
}

/// Ranks per judged unknown.
type Ranks = Arc<Vec<Vec<f64>>>;

/// Ranks of all trials, per judged unknown.
fn trials(job: &Job, count: usize, draw: Draw, noise: Noise) -> Vec<Vec<f64>> {
    let ranks: Vec<Vec<f64>> = (0..count as u64)
        .into_par_iter()
        .map(|seed| trial(job, seed, draw, noise))
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
    let name = JUDGED[unknown].1;
    Row {
        id: format!("coverage/{method}-{name}"),
        short: method == "everything" || method == "one-capture",
        run: Box::new(move |form| {
            let count = form.of(2000, 400);
            let ranks = &ranks_of(method, &job, count)[unknown];
            let shares = COVERAGES.map(|c| inside(ranks, c));
            let even = evenness(ranks);
            let n = count as f64;
            let mut faults: Vec<String> = COVERAGES
                .iter()
                .zip(shares)
                .filter(|(c, share)| {
                    // 99.99 % limits of a binomial share: 140 are looked at
                    (share - **c).abs() > 3.890592 * (*c * (1.0 - *c) / n).sqrt()
                })
                .map(|(c, share)| {
                    format!("{:.1} % inside the {:.0} % band", 100.0 * share, 100.0 * c)
                })
                .collect();
            if even < 1e-4 {
                faults.push(format!("ranks are uneven (p = {even:.1e})"));
            }
            let mut cells: Vec<String> = shares.map(|s| format!("{:.1} %", 100.0 * s)).into();
            cells.push(bars(&histogram(ranks)));
            cells.push(format!("{even:.3}"));
            Outcome {
                cells,
                numbers: shares.into(),
                fault: (!faults.is_empty()).then(|| faults.join("; ")),
            }
        }),
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
    method: usize,
    draw: Draw,
    noise: Noise,
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

/// A headshell that leans: turns are 15 % larger than read.
fn unlevel(parameters: &[Parameter], rng: &mut ChaCha8Rng) -> Truth {
    each(parameters, rng, |p, rng| {
        let turn = p.id.contains(".turn_deg[");
        prior(p, rng) + if turn { 0.15 * p.prior.value } else { 0.0 }
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

fn correlated(count: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    // all readings share an error of ten times their own
    let shared = 10.0 * normal(rng);
    (0..count).map(|_| shared + normal(rng)).collect()
}

fn ten_times(count: usize, rng: &mut ChaCha8Rng) -> Vec<f64> {
    (0..count).map(|_| 10.0 * normal(rng)).collect()
}

/// Indices into [`methods`].
const ONE: usize = 0;
const TURNS: usize = 3;
const BALL: usize = 5;
const EVERYTHING: usize = 6;

fn wrongs() -> Vec<Wrong> {
    let wrong = |name, what, advice, method, draw, noise| Wrong {
        name,
        what,
        advice,
        method,
        draw,
        noise,
    };
    vec![
        wrong(
            "cut-spread",
            "cuts spread twice as far as stated",
            "qualify the record, or play a ball on it",
            ONE,
            twice!("cut_rotation") as Draw,
            independent as Noise,
        ),
        wrong(
            "skew-spread",
            "the chain's skew spreads twice as far",
            "swap the leads or calibrate: then it is measured",
            ONE,
            twice!("chain.C.skew"),
            independent,
        ),
        wrong(
            "skew-spread-everything",
            "the same with every method in the job",
            "nothing to do: the job measures the skew",
            EVERYTHING,
            twice!("chain.C.skew"),
            independent,
        ),
        wrong(
            "all-spreads",
            "every prior twice too narrow",
            "state wider uncertainties when in doubt",
            ONE,
            twice!(""),
            independent,
        ),
        wrong(
            "all-spreads-everything",
            "the same with every method in the job",
            "what is measured is safe, what is only stated is not",
            EVERYTHING,
            twice!(""),
            independent,
        ),
        wrong(
            "heavy-tails",
            "every prior a Student t of 3 degrees of freedom, of the stated standard deviation",
            "look at the 99 % band: its tails are what fails first",
            ONE,
            heavy_tails,
            independent,
        ),
        wrong(
            "uniform",
            "every prior uniform, of the stated standard deviation",
            "nothing to do",
            ONE,
            uniform,
            independent,
        ),
        wrong(
            "scale-off",
            "crosstalk of one sign: the scale two u from its prior",
            "calibrate crosstalk, or use known turns, which show the scale",
            ONE,
            scale_off,
            independent,
        ),
        wrong(
            "scale-off-turns",
            "the same with known turns",
            "nothing to do",
            TURNS,
            scale_off,
            independent,
        ),
        wrong(
            "other-shape",
            "a tip of other form than stated: side radius 11 um, shape term \u{2212}0.5",
            "leave the stylus unstated, or use known turns",
            ONE,
            other_shape,
            independent,
        ),
        wrong(
            "other-shape-turns",
            "the same with known turns",
            "nothing to do",
            TURNS,
            other_shape,
            independent,
        ),
        wrong(
            "real-ball",
            "the ball's path a product of lever and rotation, taken for normal",
            "believe the 95 % band, not the 50 and 99 %",
            BALL,
            real_ball,
            independent,
        ),
        wrong(
            "real-ball-everything",
            "the same with every method in the job",
            "the same",
            EVERYTHING,
            real_ball,
            independent,
        ),
        wrong(
            "unlevel-turns",
            "turns 15 % larger than read, all alike",
            "read the turns with care, both ways from zero",
            TURNS,
            unlevel,
            independent,
        ),
        wrong(
            "correlated",
            "readings share an error of 50 ns",
            "swap leads within the same session; repeat on another day",
            TURNS,
            as_stated,
            correlated,
        ),
        wrong(
            "noisy",
            "readings scatter by 50 ns, 5 ns is stated",
            "the fit's chi-square shows it: take its warning seriously",
            EVERYTHING,
            as_stated,
            ten_times,
        ),
    ]
}

/// The chapter.
pub fn chapter() -> Chapter {
    let mut tables = Vec::new();
    for (unknown, (_, name)) in JUDGED.iter().enumerate() {
        let rows = methods()
            .into_iter()
            .map(|(method, job)| assumed(method, job, unknown))
            .collect();
        let what = match *name {
            "lever" => "lever (side radius of the elliptical)",
            other => other,
        };
        tables.push(Table {
            title: format!("Bands of the {what}"),
            text: match *name {
                "delay" => "The random part of the first reading by itself.".to_owned(),
                _ => String::new(),
            },
            columns: columns(&[
                "inside 50 %",
                "inside 68 %",
                "inside 95 %",
                "inside 99 %",
                "ranks, 0 to 1",
                "p of evenness",
            ]),
            rows,
            plots: Vec::new(),
        });
    }
    let rows = wrongs()
        .into_iter()
        .map(|wrong| Row {
            id: format!("coverage/wrong-{}", wrong.name),
            short: false,
            run: Box::new(move |form| {
                let (_, job) = methods().swap_remove(wrong.method);
                let ranks = trials(&job, form.of(2000, 200), wrong.draw, wrong.noise);
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
        })
        .collect();
    tables.push(Table {
        title: "When the assumptions are wrong".to_owned(),
        text: "How far the rotation's bands fail when the world is not as the job states; 2,000 jobs each. \
Nothing is asked of these rows: they say what to beware of."
            .to_owned(),
        columns: columns(&["what is wrong", "inside 50 %", "inside 68 %", "inside 95 %", "inside 99 %", "ranks", "advice"]),
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
    });
    Chapter {
        name: "coverage",
        title: "Bands",
        text: "Jobs whose truths are drawn from the priors that they state; the delays follow from the \
geometry (groove::Conditions, not the network that solves them), with 5 ns of noise. Per method 2,000 jobs. The share \
of truths inside each band must lie within its 99.99 % binomial limits, and the truths' ranks in their distributions must \
be even (simulation-based calibration: Talts and others 2018, from memory).",
        tables,
    }
}
