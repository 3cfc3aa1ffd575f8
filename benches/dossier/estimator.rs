//! The delay estimator against its bound.

use crate::plot::Chart;
use crate::scene::{Scene, Word, moments, rms};
use crate::{Chapter, Form, Outcome, Row, Table, columns};
use groovelag::analysis::AnalysisError;
use groovelag::delay::{EstimateSettings, phase};
use rayon::prelude::*;
use statrs::distribution::{ChiSquared, ContinuousCDF};
use std::collections::BTreeMap;
use std::sync::Mutex;

const NS: f64 = 1e9;

/// Parts of 1 % in each channel, as the estimator assumes by default.
pub fn prior_u() -> f64 {
    phase::equaliser_u(0.01)
}

/// The part of a scene that every table starts from: clean, with equaliser
/// parts drawn from the prior, as the bound takes them.
fn base() -> Scene {
    Scene {
        equaliser_u: prior_u(),
        ..Scene::default()
    }
}

/// What the trials of one scene gave.
#[derive(Clone)]
pub struct Trials {
    /// Error and stated standard uncertainty, seconds.
    pub given: Vec<(f64, f64)>,
    /// Band in which each of them was read, hertz.
    bands_hz: Vec<(f64, f64)>,
    /// Why the others were refused: the first words of each reason.
    refused: BTreeMap<String, usize>,
}

impl Trials {
    /// Runs them, or gives those that another row has run.
    pub fn of(scene: &Scene, count: usize) -> Self {
        static KNOWN: Mutex<BTreeMap<(String, usize), Trials>> = Mutex::new(BTreeMap::new());
        let key = (scene.row.clone(), count);
        let known = KNOWN.lock().expect("one thread").get(&key).cloned();
        known.unwrap_or_else(|| {
            let trials = Self::run(scene, count);
            let mut known = KNOWN.lock().expect("one thread");
            known.entry(key).or_insert(trials).clone()
        })
    }

    fn run(scene: &Scene, count: usize) -> Self {
        let settings = EstimateSettings::default();
        let results: Vec<_> = (0..count as u64)
            .into_par_iter()
            .map(|trial| scene.measure(trial, &settings))
            .collect();
        let mut trials = Self {
            given: Vec::new(),
            bands_hz: Vec::new(),
            refused: BTreeMap::new(),
        };
        for result in results {
            match result {
                Ok(e) => {
                    let error = e.delay_s - scene.delay;
                    trials.given.push((error, e.standard_uncertainty_s));
                    trials.bands_hz.push(e.band_hz);
                }
                Err(AnalysisError::Refused { refusal, .. }) => {
                    let reason = refusal.to_string();
                    let words = reason.split([':', ';', '(']).next().unwrap_or_default();
                    *trials.refused.entry(words.trim().to_owned()).or_default() += 1;
                }
                Err(other) => *trials.refused.entry(other.to_string()).or_default() += 1,
            }
        }
        trials
    }

    fn refused(&self) -> usize {
        self.refused.values().sum()
    }

    /// The bound of each in the band in which it was read, seconds.
    fn bounds(&self, scene: &Scene) -> Vec<f64> {
        let mut known: Vec<((f64, f64), f64)> = Vec::new();
        let mut bound = |band_hz: (f64, f64)| {
            if let Some((_, bound)) = known.iter().find(|(band, _)| *band == band_hz) {
                return *bound;
            }
            let settings = EstimateSettings {
                band_hz,
                ..EstimateSettings::default()
            };
            known.push((band_hz, scene.bound(&settings)));
            known[known.len() - 1].1
        };
        self.bands_hz.iter().map(|band| bound(*band)).collect()
    }

    fn share_within(&self, k: f64) -> f64 {
        let inside = self.given.iter().filter(|(e, u)| e.abs() <= k * u).count();
        inside as f64 / self.given.len().max(1) as f64
    }
}

/// What is asked of a row's efficiency and bias.
#[derive(Clone, Copy)]
struct Aims {
    efficiency: bool,
    bias: bool,
    /// Against the bound of the band that was read.
    as_read: bool,
}

const HEADS: [&str; 8] = [
    "bias, ns (standard error)",
    "standard deviation, ns",
    "stated u, ns (mean)",
    "bound, ns",
    "efficiency (95 % limits)",
    "inside the 95 % band",
    "trials (refused)",
    "finds out below",
];

/// 95 % limits of an efficiency found by so many degrees of freedom, over what was found:
/// `(n - 1) s^2 / sigma^2` is chi-square.
fn limits(freedom: f64) -> [f64; 2] {
    let chi = ChiSquared::new(freedom).expect("degrees of freedom");
    [0.025, 0.975].map(|p| chi.inverse_cdf(p) / freedom)
}

/// A true efficiency below this misses the criterion in 19 of 20 runs.
fn found_out(freedom: f64) -> f64 {
    let chi = ChiSquared::new(freedom).expect("degrees of freedom");
    LEAST_EFFICIENCY * chi.inverse_cdf(0.05) / chi.inverse_cdf(0.975)
}

/// What the upper limit of an efficiency must reach.
const LEAST_EFFICIENCY: f64 = 0.95;
/// Largest bias of a minute at 35 dB, nanoseconds.
const MOST_BIAS_NS: f64 = 0.1;

/// A row: trials of a scene against its bound.
fn against_bound(scene: &Scene, count: usize, aims: Aims) -> Outcome {
    let trials = Trials::of(scene, count);
    if trials.given.len() < 3 {
        let reasons: Vec<&String> = trials.refused.keys().collect();
        let mut cells = vec![String::new(); HEADS.len() - 2];
        cells.push(format!("{count} ({}: {reasons:?})", trials.refused()));
        cells.push(String::new());
        return Outcome {
            cells,
            numbers: vec![trials.refused() as f64],
            fault: aims.efficiency.then(|| "refused".to_owned()),
        };
    }
    let errors: Vec<f64> = trials.given.iter().map(|t| t.0).collect();
    let (bias, deviation) = moments(&errors);
    let n = errors.len() as f64;
    let stated = trials.given.iter().map(|t| t.1).sum::<f64>() / n;
    let whole = scene.bound(&EstimateSettings::default());
    // errors in units of the bound, so that trials of unlike bands are judged together
    let bounds = match aims.as_read {
        true => trials.bounds(scene),
        false => vec![whole; errors.len()],
    };
    let in_bounds: Vec<f64> = errors.iter().zip(&bounds).map(|(e, b)| e / b).collect();
    let efficiency = moments(&in_bounds).1.powi(-2);
    let bound = rms(&bounds);
    let highest = trials.bands_hz.iter().map(|band| band.1);
    let (lowest, highest) = (
        highest.clone().fold(f64::INFINITY, f64::min),
        highest.fold(0.0, f64::max),
    );
    let limits = limits(n - 1.0).map(|l| efficiency * l);
    let error = deviation / n.sqrt();
    let inside = trials.share_within(1.959964);
    let mut faults = Vec::new();
    if aims.efficiency && limits[1] < LEAST_EFFICIENCY {
        faults.push(format!(
            "efficiency at most {:.3}, {LEAST_EFFICIENCY} is asked",
            limits[1]
        ));
    }
    if aims.bias && (bias.abs() + 1.959964 * error) * NS > MOST_BIAS_NS {
        faults.push(format!("bias {:.3} ns +- {:.3} ns", bias * NS, error * NS));
    }
    // 99.9 % limits of a binomial share, for trials enough
    let limit = 3.290527 * (0.95 * 0.05 / n).sqrt();
    if aims.efficiency && (inside - 0.95).abs() > limit + 0.5 / n {
        faults.push(format!("{:.1} % inside the 95 % band", 100.0 * inside));
    }
    Outcome {
        cells: vec![
            format!("{:+.3} ({:.3})", bias * NS, error * NS),
            format!("{:.3}", deviation * NS),
            format!("{:.3}", stated * NS),
            match aims.as_read {
                true => format!(
                    "{:.3} as read, up to {lowest:.0} to {highest:.0} Hz; whole {:.3}",
                    bound * NS,
                    whole * NS
                ),
                false => format!("{:.3}", bound * NS),
            },
            format!("{efficiency:.2} ({:.2} to {:.2})", limits[0], limits[1]),
            format!("{:.1} %", 100.0 * inside),
            format!("{count} ({})", trials.refused()),
            format!("{:.2}", found_out(n - 1.0)),
        ],
        numbers: vec![deviation * NS, stated * NS, bound * NS],
        fault: (!faults.is_empty()).then(|| faults.join("; ")),
    }
}

/// A row: all trials of several scenes, each in its own bound.
fn together(scenes: &[Scene], count: usize) -> Outcome {
    let (mut freedom, mut squares, mut inside, mut n) = (0.0, 0.0, 0.0, 0.0);
    for scene in scenes {
        let trials = Trials::of(scene, count);
        let errors: Vec<f64> = trials.given.iter().map(|t| t.0).collect();
        let (_, deviation) = moments(&errors);
        let given = errors.len() as f64;
        freedom += given - 1.0;
        squares += (given - 1.0) * (deviation / scene.bound(&EstimateSettings::default())).powi(2);
        inside += trials.share_within(1.959964) * given;
        n += given;
    }
    let efficiency = freedom / squares;
    let limits = limits(freedom).map(|l| efficiency * l);
    let none = String::new;
    let least = limits[1] < LEAST_EFFICIENCY;
    Outcome {
        cells: vec![
            none(),
            none(),
            none(),
            none(),
            format!("{efficiency:.3} ({:.3} to {:.3})", limits[0], limits[1]),
            format!("{:.1} %", 100.0 * inside / n),
            format!("{n}"),
            format!("{:.2}", found_out(freedom)),
        ],
        numbers: vec![efficiency],
        fault: least.then(|| format!("efficiency at most {:.3}", limits[1])),
    }
}

/// A row by its name, scene, and numbers of trials of either form (0: not in
/// the short one).
fn row(table: &str, name: &str, scene: Scene, long: usize, short: usize, aims: Aims) -> Row {
    let id = format!("estimator/{table}-{name}");
    let scene = Scene {
        row: id.clone(),
        ..scene
    };
    Row {
        id,
        short: short > 0,
        run: Box::new(move |form: Form| against_bound(&scene, form.of(long, short), aims)),
    }
}

const BOTH: Aims = Aims {
    efficiency: true,
    bias: false,
    as_read: false,
};
const AS_READ: Aims = Aims {
    as_read: true,
    ..BOTH
};
const BIAS: Aims = Aims {
    efficiency: false,
    bias: true,
    as_read: false,
};
const NONE: Aims = Aims {
    efficiency: false,
    bias: false,
    as_read: false,
};

/// Trials of a row of the first table.
const TRIALS: usize = 400;

fn snr() -> Table {
    let levels = [
        0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0,
    ];
    let asked = |db: f64| db >= 10.0;
    let mut rows: Vec<Row> = levels
        .iter()
        .map(|&db| {
            let scene = Scene {
                snr_db: db,
                ..base()
            };
            let aims = if asked(db) { BOTH } else { NONE };
            let short = if db == 10.0 || db == 35.0 { 100 } else { 0 };
            row("snr", &format!("{db:.0}"), scene, TRIALS, short, aims)
        })
        .collect();
    let of = |db: &f64| Scene {
        row: format!("estimator/snr-{db:.0}"),
        snr_db: *db,
        ..base()
    };
    let scenes: Vec<Scene> = levels.iter().filter(|db| asked(**db)).map(of).collect();
    rows.push(Row {
        id: "estimator/snr-together".to_owned(),
        short: false,
        run: Box::new(move |_| together(&scenes, TRIALS)),
    });
    Table {
        title: "Signal-to-noise ratio".to_owned(),
        text: format!(
            "5.5 s of pink noise at 48 kHz, a delay of 7.3 us, white noise in each channel; the \
equaliser parts of each trial are drawn from the prior that the estimator assumes (1 % a part), as the \
bound does. Asked from 10 dB up: an upper limit of the efficiency of at least {LEAST_EFFICIENCY}, and the share \
inside the 95 % band within its 99.9 % binomial limits. *Efficiency* is the variance of the bound over that found; the last \
column is the true efficiency below which a row with so many trials would miss that criterion in 19 of 20 runs. The last row takes \
those from 10 dB up together."
        ),
        columns: columns(&HEADS),
        rows,
        plots: vec![(
            "estimator-snr".to_owned(),
            Box::new(move |rows| {
                let line = |name: &str, k: usize| {
                    let points = rows.iter().zip(levels).filter(|(o, _)| o.numbers.len() > k);
                    (
                        name.to_owned(),
                        points.map(|(o, db)| (db, o.numbers[k])).collect(),
                    )
                };
                Chart {
                    title: "Scatter of the delay against its bound".to_owned(),
                    x: "signal-to-noise ratio, dB".to_owned(),
                    y: "standard deviation, ns".to_owned(),
                    log_x: false,
                    log_y: true,
                    lines: vec![
                        line("found", 0),
                        line("stated", 1),
                        line("Cramer-Rao bound", 2),
                    ],
                }
            }),
        )],
    }
}

fn threshold() -> Table {
    let levels = [0.0, -3.0, -6.0, -9.0, -12.0, -15.0, -18.0, -21.0, -24.0];
    Table {
        title: "Where it breaks down".to_owned(),
        text: "The same with more noise than signal. Below a threshold the correlation's true peak is \
no longer its highest (Barankin's region); then a result must be refused, not wrong. A result further \
than six of its own standard uncertainties from the truth counts as wrong, and the share inside the 95 % band must be no lower than its \
99.99 % binomial limit. *Efficiency* is as in the table above, of the results that were given: from about -5 dB down it falls, as stretches of the spectrum drown one after another and are no longer counted; the \
stated u grows with it."
            .to_owned(),
        columns: columns(&[
            "refused",
            "why",
            "error of those given, rms, ns",
            "stated u, ns (mean)",
            "bound, ns",
            "efficiency",
            "inside the 95 % band",
            "wrong",
            "trials",
        ]),
        rows: levels
            .map(|db| {
                let id = format!("estimator/threshold{db:+.0}");
                let scene = Scene {
                    row: id.clone(),
                    snr_db: db,
                    ..base()
                };
                Row {
                    id,
                    short: db == -6.0 || db == -18.0 || db == -24.0,
                    run: Box::new(move |form| below(&scene, form.of(1000, 60))),
                }
            })
            .into(),
        plots: Vec::new(),
    }
}

/// A row of the threshold's table.
fn below(scene: &Scene, count: usize) -> Outcome {
    let trials = Trials::of(scene, count);
    let given = trials.given.len() as f64;
    let wrong = (given * (1.0 - trials.share_within(6.0))).round();
    let inside = trials.share_within(1.959964);
    let reasons: Vec<&str> = trials.refused.keys().map(String::as_str).collect();
    let errors: Vec<f64> = trials.given.iter().map(|t| t.0 * NS).collect();
    let stated = trials.given.iter().map(|t| t.1).sum::<f64>() / given * NS;
    let bound = scene.bound(&EstimateSettings::default());
    let of_given = |text: String| match given {
        0.0 => String::new(),
        _ => text,
    };
    let too_few = inside < 0.95 - 3.890592 * (0.95 * 0.05 / given.max(1.0)).sqrt();
    let fault = match (wrong > 0.0, given > 0.0 && too_few) {
        (true, _) => Some(format!("{wrong:.0} results are wrong")),
        (_, true) => Some(format!("{:.1} % inside the 95 % band", 100.0 * inside)),
        _ => None,
    };
    Outcome {
        cells: vec![
            format!("{:.1} %", 100.0 * trials.refused() as f64 / count as f64),
            reasons.join("; "),
            of_given(format!("{:.0}", rms(&errors))),
            of_given(format!("{stated:.0}")),
            format!("{:.0}", bound * NS),
            of_given(format!("{:.2}", (bound * NS / rms(&errors)).powi(2))),
            of_given(format!("{:.1} %", 100.0 * inside)),
            format!("{wrong:.0}"),
            count.to_string(),
        ],
        numbers: vec![trials.refused() as f64, wrong],
        fault,
    }
}

fn one_by_one() -> Vec<Table> {
    let table = |title: &str, text: &str, rows: Vec<Row>| Table {
        title: title.to_owned(),
        text: text.to_owned(),
        columns: columns(&HEADS),
        rows,
        plots: Vec::new(),
    };
    let delays = [0.0, 0.1, 1.0, 10.0, 50.0, 100.0, 200.0, 500.0, -500.0];
    let bands = [1_000.0, 2_000.0, 4_000.0, 8_000.0, 16_000.0];
    let rates: [f64; 5] = [44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0];
    // name, period, periods, long, short
    let lengths = [
        ("1.1s", 52_800, 1, 400, 0),
        ("1.4s", 1 << 16, 1, 400, 100),
        ("2.7s", 1 << 17, 1, 400, 0),
        ("11s", 1 << 18, 2, 400, 0),
        ("1min", 1 << 18, 11, 200, 0),
        ("5min", 1 << 18, 55, 100, 0),
        ("20min", 1 << 18, 220, 40, 0),
    ];
    let words = [
        ("int16", Word::Int16, 0.1),
        ("int24", Word::Int24, 0.1),
        ("float", Word::Float, 0.1),
        ("int16-quiet", Word::Int16, 0.001),
        ("int24-quiet", Word::Int24, 0.001),
    ];
    vec![
        table(
            "Delay",
            "Delays in microseconds, at 35 dB. Beyond eight samples the channels are aligned by whole samples and read again.",
            delays
                .map(|us| {
                    let scene = Scene {
                        delay: us * 1e-6,
                        ..base()
                    };
                    let short = if us == 500.0 { 60 } else { 0 };
                    row("delay", &format!("{us}us"), scene, 200, short, BOTH)
                })
                .into(),
        ),
        table(
            "Bandwidth",
            "Programme up to the frequency named, at 35 dB over all of the band. Where it ends 40 dB above all that follows (1 and 2 kHz here; of the others, whose power is spread wider, the noise stands higher), as a coder's or a resampler's does, \
the program leaves out the last 8 % and 280 Hz, where such filters leave images: the result says in which band it was read. Efficiency is asked in the band in which each recording was read, the bound of the whole stands beside it: \
**of a programme that ends at 2 kHz and below more than half of the information is given up**, on purpose.",
            bands
                .map(|hz| {
                    let scene = Scene {
                        band_hz: (20.0, hz),
                        ..base()
                    };
                    row("band", &format!("{hz:.0}Hz"), scene, TRIALS, 0, AS_READ)
                })
                .into(),
        ),
        table(
            "Duration",
            "At 35 dB. The programme of longer ones repeats every 5.5 s, the noise does not. Less than a second of programme, in whole frames, is refused, so 1.1 s is the shortest.",
            lengths
                .map(|(name, period, periods, long, short)| {
                    let scene = Scene {
                        period,
                        periods,
                        ..base()
                    };
                    row("length", name, scene, long, short, BOTH)
                })
                .into(),
        ),
        table(
            "Sample rate",
            "At 35 dB, so higher rates have less noise within the programme's band; the bound has, too. 5.5 s, at 44.1 and 88.2 kHz 5.9 s.",
            rates
                .map(|rate| {
                    let samples = (5.46 * rate).log2().round() as u32;
                    let scene = Scene {
                        rate,
                        period: 1 << samples,
                        ..base()
                    };
                    row("rate", &format!("{rate:.0}Hz"), scene, 200, 0, BOTH)
                })
                .into(),
        ),
        table(
            "Word length",
            "At 50 dB, programme 20 dB below full scale (rms) and, *quiet*, 60 dB below it, where rounding to 16 bits is \
9 dB louder than the noise; the bound counts rounding as white noise.",
            words
                .map(|(name, word, level)| {
                    let scene = Scene {
                        word,
                        level,
                        snr_db: 50.0,
                        ..base()
                    };
                    row("word", name, scene, 200, 0, BOTH)
                })
                .into(),
        ),
        table(
            "Bias",
            "A minute at 35 dB with both channels' equalisers alike, at 48 and at 192 kHz. Asked: a bias below 0.1 ns; its 95 % limits must lie within that.",
            [
                ("1min", 48_000.0, 18, 1200),
                ("1min-192kHz", 192_000.0, 20, 300),
            ]
            .map(|(name, rate, period, trials)| {
                let scene = Scene {
                    rate,
                    period: 1 << period,
                    periods: 11,
                    ..Scene::default()
                };
                row("bias", name, scene, trials, 0, BIAS)
            })
            .into(),
        ),
    ]
}

/// The chapter.
pub fn chapter() -> Chapter {
    let mut tables = vec![snr(), threshold()];
    tables.extend(one_by_one());
    Chapter {
        name: "estimator",
        title: "The delay estimator",
        text: "Recordings whose delay is exact by construction (noise made in the frequency domain) go \
through the program as files. Their scatter is held against the Cramer-Rao bound of the same parameters \
and priors (tests/bound/mod.rs), in the band that the program reads if no other is asked for, 100 Hz to 15 kHz; the programme is pink noise from 20 Hz to 20 kHz. Signal-to-noise ratios are of its power to that of white noise \
up to half the sample rate. A delay is positive where the right channel is late. A standard error is that of the mean. What is asked of the first table is asked of those of delay, bandwidth, duration, rate and word length as well.",
        tables,
    }
}
