//! The delay estimator against its bound.

use crate::plot::Chart;
use crate::scene::{Scene, Word, moments};
use crate::{Chapter, Form, Outcome, Row, Table, columns};
use groovelag::delay::{Settings, phase};
use rayon::prelude::*;
use statrs::distribution::{ChiSquared, ContinuousCDF};

const NS: f64 = 1e9;

/// Parts of 1 % in each channel, as the estimator assumes by default.
fn prior_u() -> f64 {
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
struct Trials {
    /// Error and stated standard uncertainty, seconds.
    given: Vec<(f64, f64)>,
    refused: usize,
}

impl Trials {
    fn of(scene: &Scene, settings: &Settings, count: usize) -> Self {
        let results: Vec<_> = (0..count as u64)
            .into_par_iter()
            .map(|trial| scene.measure(trial, settings).ok())
            .collect();
        let given: Vec<(f64, f64)> = results
            .iter()
            .flatten()
            .map(|e| (e.delay_s - scene.delay, e.standard_uncertainty_s))
            .collect();
        Self {
            refused: results.len() - given.len(),
            given,
        }
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
}

const HEADS: [&str; 7] = [
    "bias, ns (standard error)",
    "standard deviation, ns",
    "stated u, ns (mean)",
    "bound, ns",
    "efficiency (95 % limits)",
    "inside the 95 % band",
    "trials (refused)",
];

/// A row: trials of a scene against its bound.
fn against_bound(scene: &Scene, count: usize, aims: Aims) -> Outcome {
    let settings = Settings::default();
    let trials = Trials::of(scene, &settings, count);
    if trials.given.len() < 3 {
        return Outcome {
            cells: vec![
                String::new(),
                String::new(),
                String::new(),
                String::new(),
                String::new(),
                String::new(),
                format!("{count} ({})", trials.refused),
            ],
            numbers: vec![trials.refused as f64],
            fault: aims.efficiency.then(|| "refused".to_owned()),
        };
    }
    let errors: Vec<f64> = trials.given.iter().map(|t| t.0).collect();
    let (bias, deviation) = moments(&errors);
    let n = errors.len() as f64;
    let stated = trials.given.iter().map(|t| t.1).sum::<f64>() / n;
    let bound = scene.bound(&settings);
    let efficiency = (bound / deviation).powi(2);
    // (n - 1) s^2 / sigma^2 is chi-square
    let chi = ChiSquared::new(n - 1.0).expect("degrees of freedom");
    let limits = [0.025, 0.975].map(|p| efficiency * chi.inverse_cdf(p) / (n - 1.0));
    let error = deviation / n.sqrt();
    let inside = trials.share_within(1.959964);
    let mut faults = Vec::new();
    if aims.efficiency && limits[1] < 0.95 {
        faults.push(format!(
            "efficiency at most {:.3}, 0.95 is asked",
            limits[1]
        ));
    }
    if aims.bias && bias.abs() * NS > 0.1 + 3.3 * error * NS {
        faults.push(format!("bias {:.3} ns", bias * NS));
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
            format!("{:.3}", bound * NS),
            format!("{efficiency:.2} ({:.2} to {:.2})", limits[0], limits[1]),
            format!("{:.1} %", 100.0 * inside),
            format!("{count} ({})", trials.refused),
        ],
        numbers: vec![deviation * NS, stated * NS, bound * NS],
        fault: (!faults.is_empty()).then(|| faults.join("; ")),
    }
}

/// A row by its name, scene, and numbers of trials of either form (0: not in
/// the short one).
fn row(table: &str, name: &str, scene: Scene, long: usize, short: usize, aims: Aims) -> Row {
    Row {
        id: format!("estimator/{table}-{name}"),
        short: short > 0,
        run: Box::new(move |form: Form| against_bound(&scene, form.of(long, short), aims)),
    }
}

const BOTH: Aims = Aims {
    efficiency: true,
    bias: false,
};
const NONE: Aims = Aims {
    efficiency: false,
    bias: false,
};

fn snr() -> Table {
    let levels = [
        0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0,
    ];
    Table {
        title: "Signal-to-noise ratio".to_owned(),
        text: "5.5 s of pink noise at 48 kHz, a delay of 7.3 us, white noise in each channel; the \
equaliser parts of each trial are drawn from the prior that the estimator assumes (1 % a part), as the \
bound does. Asked from 10 dB up: an upper limit of the efficiency of at least 0.95, and the share \
inside the 95 % band within its 99.9 % binomial limits."
            .to_owned(),
        columns: columns(&HEADS),
        rows: levels
            .map(|db| {
                let scene = Scene { snr_db: db, ..base() };
                let aims = if db >= 10.0 { BOTH } else { NONE };
                let short = if db == 10.0 || db == 35.0 { 100 } else { 0 };
                row("snr", &format!("{db:.0}"), scene, 400, short, aims)
            })
            .into(),
        plots: vec![(
            "estimator-snr".to_owned(),
            Box::new(move |rows| {
                let line = |name: &str, k: usize| {
                    let points = rows.iter().zip(levels).filter(|(o, _)| o.numbers.len() > k);
                    (name.to_owned(), points.map(|(o, db)| (db, o.numbers[k])).collect())
                };
                Chart {
                    title: "Scatter of the delay against its bound".to_owned(),
                    x: "signal-to-noise ratio, dB".to_owned(),
                    y: "standard deviation, ns".to_owned(),
                    log_x: false,
                    log_y: true,
                    lines: vec![line("found", 0), line("stated", 1), line("Cramer-Rao bound", 2)],
                }
            }),
        )],
    }
}

fn threshold() -> Table {
    let levels = [0.0, -3.0, -6.0, -9.0, -12.0, -15.0, -18.0, -24.0];
    Table {
        title: "Where it breaks down".to_owned(),
        text: "The same with more noise than signal. Below a threshold the correlation's true peak is \
no longer its highest (Barankin's region); then a result must be refused, not wrong. A result further \
than six of its own standard uncertainties from the truth counts as wrong."
            .to_owned(),
        columns: columns(&["refused", "inside the 95 % band, of those given", "wrong", "trials"]),
        rows: levels
            .map(|db| {
                let scene = Scene { snr_db: db, ..base() };
                Row {
                    id: format!("estimator/threshold{db:+.0}"),
                    short: db == -6.0 || db == -24.0,
                    run: Box::new(move |form| {
                        let count = form.of(400, 60);
                        let trials = Trials::of(&scene, &Settings::default(), count);
                        let given = trials.given.len();
                        let wrong = given as f64 * (1.0 - trials.share_within(6.0));
                        let share = |part: f64| 100.0 * part / count as f64;
                        Outcome {
                            cells: vec![
                                format!("{:.1} %", share(trials.refused as f64)),
                                match given {
                                    0 => "none given".to_owned(),
                                    _ => format!("{:.1} %", 100.0 * trials.share_within(1.959964)),
                                },
                                format!("{:.0}", wrong),
                                count.to_string(),
                            ],
                            numbers: vec![trials.refused as f64, wrong],
                            fault: (wrong > 0.5).then(|| format!("{wrong:.0} results are wrong")),
                        }
                    }),
                }
            })
            .into(),
        plots: Vec::new(),
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
        ("1.4s", 1 << 16, 1, 400, 100),
        ("2.7s", 1 << 17, 1, 400, 0),
        ("11s", 1 << 18, 2, 200, 0),
        ("1min", 1 << 18, 11, 100, 0),
        ("5min", 1 << 18, 55, 40, 0),
        ("20min", 1 << 18, 220, 24, 0),
    ];
    let words = [
        ("int16", Word::Int16),
        ("int24", Word::Int24),
        ("float", Word::Float),
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
            "Programme up to the frequency named, at 35 dB over all of the band; the bound is of the same band.",
            bands
                .map(|hz| {
                    let scene = Scene {
                        band_hz: (20.0, hz),
                        ..base()
                    };
                    row("band", &format!("{hz:.0}Hz"), scene, 200, 0, NONE)
                })
                .into(),
        ),
        table(
            "Duration",
            "At 35 dB. The programme of longer ones repeats every 5.5 s, the noise does not.",
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
            "At 35 dB over the whole band to half the rate, so higher rates have less noise within the programme's band; the bound has, too.",
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
            "At 50 dB; rounding alone of 16 bits lies 82 dB below the programme.",
            words
                .map(|(name, word)| {
                    let scene = Scene {
                        word,
                        snr_db: 50.0,
                        ..base()
                    };
                    row("word", name, scene, 200, 0, BOTH)
                })
                .into(),
        ),
        table(
            "Bias",
            "A minute at 35 dB with both channels' equalisers alike. Asked: a bias below 0.1 ns; it is judged with 3.3 standard errors of room. The scatter is below the bound here, which allows for unlike parts.",
            vec![row(
                "bias",
                "1min",
                Scene {
                    periods: 11,
                    equaliser_u: 0.0,
                    ..Scene::default()
                },
                300,
                0,
                Aims {
                    efficiency: false,
                    bias: true,
                },
            )],
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
and priors (benches/dossier/bound.rs).",
        tables,
    }
}
