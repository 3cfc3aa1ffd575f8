//! What each part of the model buys: the same with it and without.

use crate::scene::{Scene, rms};
use crate::{Chapter, Outcome, Row, Table, columns};
use groovelag::chain::{Calibration, Crosstalk};
use groovelag::delay::{Estimate, Settings, estimate, phase};
use groovelag::groove::{Conditions, Profile, Tip, groove_speed};
use groovelag::job::{CaptureData, file, solve};
use groovelag::spectrum::{Bin, Complex64, CrossSpectrum, Group, SignalQuality, reference, window};
use groovelag::units::{DEGREE, MICROSECOND, MILLIMETRE};
use rayon::prelude::*;
use std::f64::consts::TAU;
use std::path::Path;

const NS: f64 = 1e9;

/// Root mean square error and the share inside the 95 % band.
fn summary(errors: &[(f64, f64)]) -> (f64, f64) {
    let all: Vec<f64> = errors.iter().map(|e| e.0).collect();
    let inside = errors
        .iter()
        .filter(|(e, u)| e.abs() <= 1.959964 * u)
        .count();
    (rms(&all) * NS, inside as f64 / errors.len() as f64)
}

/// Errors and uncertainties with a part and without it.
fn pair(with: &[(f64, f64)], without: &[(f64, f64)]) -> Outcome {
    let ((rms_with, in_with), (rms_without, in_without)) = (summary(with), summary(without));
    Outcome {
        cells: vec![
            format!("{rms_with:.2}"),
            format!("{rms_without:.2}"),
            format!("{:.0} %", 100.0 * in_with),
            format!("{:.0} %", 100.0 * in_without),
            with.len().to_string(),
        ],
        numbers: vec![rms_with, rms_without, in_with, in_without],
        fault: (in_with < in_without && rms_with > rms_without)
            .then(|| "the part makes it worse".to_owned()),
    }
}

/// Estimates of the same trials in two ways.
fn both(
    scene: &Scene,
    count: usize,
    with: impl Fn(&Path) -> Option<Estimate> + Sync,
    without: impl Fn(&Path) -> Option<(f64, f64)> + Sync,
) -> Outcome {
    let found: Vec<[(f64, f64); 2]> = (0..count as u64)
        .into_par_iter()
        .filter_map(|trial| {
            scene.with(trial, |path| {
                let with = with(path)?;
                let (delay, u) = without(path)?;
                let error = |d: f64| d - scene.delay;
                Some([
                    (error(with.delay_s), with.standard_uncertainty_s),
                    (error(delay), u),
                ])
            })
        })
        .collect();
    let of = |k: usize| -> Vec<(f64, f64)> { found.iter().map(|f| f[k]).collect() };
    pair(&of(0), &of(1))
}

fn usual(path: &Path) -> Option<Estimate> {
    crate::scene::measure(path, &Settings::default()).ok()
}

fn stated(estimate: &Estimate) -> (f64, f64) {
    (estimate.delay_s, estimate.standard_uncertainty_s)
}

/// The spectrum of every frame, none rejected, by the slow oracle.
fn every_frame(path: &Path) -> CrossSpectrum {
    const GROUPS: usize = 32;
    let mut reader = hound::WavReader::open(path).expect("a recording just written");
    let rate = f64::from(reader.spec().sample_rate);
    let samples: Vec<f64> = reader
        .samples::<f32>()
        .map(|s| f64::from(s.expect("a whole recording")))
        .collect();
    let channel = |k: usize| -> Vec<f64> { samples.iter().skip(k).step_by(2).copied().collect() };
    let (left, right) = (channel(0), channel(1));
    let length = window::frame_length(rate);
    let hop = length / 2;
    let frames = left.len() / hop - 1;
    let groups = (0..GROUPS)
        .map(|g| {
            let [first, end] = [g, g + 1].map(|g| g * frames / GROUPS);
            let span = first * hop..(end - 1) * hop + length;
            Group {
                first_frame: first as u64,
                last_frame: end as u64 - 1,
                frames: (end - first) as u64,
                bins: reference::cross_spectrum(&left[span.clone()], &right[span], length),
            }
        })
        .collect();
    CrossSpectrum {
        sample_rate_hz: rate,
        frame_length: length,
        alignment: 0,
        groups,
        span: (0, left.len() as u64),
        origin: 0,
        quality: SignalQuality {
            samples: left.len() as u64,
            frames: frames as u64,
            loudest_power: 0.01,
            left_power: 0.01,
            right_power: 0.01,
            ..SignalQuality::default()
        },
    }
}

fn of_recordings() -> Table {
    let base = Scene::default();
    let unlike = phase::equaliser_u(0.01);
    let row = |name: &str, short: bool, run: Box<dyn Fn(usize) -> Outcome>| Row {
        id: format!("ablation/{name}"),
        short,
        run: Box::new(move |form| run(form.of(100, 20))),
    };
    let equaliser = Scene {
        equaliser_u: unlike,
        ..base.clone()
    };
    let clicks = Scene {
        clicks_per_s: 2.0,
        ..base.clone()
    };
    let wobble = Scene {
        period: 1 << 16,
        periods: 20,
        wobble_s: 20e-9,
        ..base
    };
    Table {
        title: "Parts of the estimator".to_owned(),
        text: "5.5 s of pink noise at 48 kHz, 35 dB. `equaliser`: parts of 1 % drawn anew for each trial, the \
terms fitted or not. `clicks`: two a second in both channels at once, frames with a click rejected or (slow oracle) \
summed. `jackknife`: 20 stretches of 1.4 s whose delays scatter by 20 ns, the \
band with the scatter between groups or from the averaged coherence alone; the delay is the same."
            .to_owned(),
        columns: columns(&[
            "error with, ns",
            "error without, ns",
            "inside 95 % with",
            "inside 95 % without",
            "trials",
        ]),
        rows: vec![
            row(
                "equaliser",
                true,
                Box::new(move |count| {
                    let bare = Settings {
                        terms: Vec::new(),
                        ..Settings::default()
                    };
                    both(&equaliser, count, usual, |path| {
                        let found = crate::scene::measure(path, &bare).ok()?;
                        Some(stated(&found))
                    })
                }),
            ),
            row(
                "clicks",
                true,
                Box::new(move |count| {
                    both(&clicks, count, usual, |path| {
                        let found = estimate(&every_frame(path), &Settings::default()).ok()?;
                        Some(stated(&found))
                    })
                }),
            ),
            row(
                "jackknife",
                false,
                Box::new(move |count| {
                    both(&wobble, count, usual, |path| {
                        let e = usual(path)?;
                        let added = e.random_s.powi(2) * (1.0 - e.dispersion.recip());
                        let u = (e.standard_uncertainty_s.powi(2) - added).max(0.0).sqrt();
                        Some((e.delay_s, u))
                    })
                }),
            ),
        ],
        plots: Vec::new(),
    }
}

/// A noiseless spectrum of a groove's delay through crosstalk: `c1` of the right
/// channel into the left, `c2` of the left into the right.
fn through_crosstalk(delay: f64, c1: Complex64, c2: Complex64) -> CrossSpectrum {
    const RATE: f64 = 48_000.0;
    let length = window::frame_length(RATE);
    let one = Complex64::new(1.0, 0.0);
    let bins = (0..length / 2).map(|k| {
        let f = k as f64 * RATE / length as f64;
        let late = Complex64::from_polar(1.0, -TAU * f * delay);
        let (l, r) = (one + c1 * late, late + c2);
        let cross = l * r.conj();
        // a thousandth of noise each, which the estimator wants
        let noise = 1e-3;
        Bin {
            left: 1000.0 * (l.norm_sqr() + noise),
            right: 1000.0 * (r.norm_sqr() + noise),
            re: 1000.0 * cross.re,
            im: 1000.0 * cross.im,
        }
    });
    let bins: Vec<Bin> = bins.collect();
    let groups = (0..8)
        .map(|g| Group {
            first_frame: 1000 * g,
            last_frame: 1000 * g + 999,
            frames: 1000,
            bins: bins.clone(),
        })
        .collect();
    CrossSpectrum {
        sample_rate_hz: RATE,
        frame_length: length,
        alignment: 0,
        groups,
        span: (0, 8001 * length as u64 / 2),
        origin: 0,
        quality: SignalQuality {
            samples: 8001 * length as u64 / 2,
            frames: 8000,
            loudest_power: 0.01,
            left_power: 0.01,
            right_power: 0.01,
            ..SignalQuality::default()
        },
    }
}

fn known_crosstalk(c1: Complex64, c2: Complex64) -> Calibration {
    let hertz = vec![20.0, 200.0, 2_000.0, 20_000.0];
    let flat = |v: f64| vec![v; hertz.len()];
    Calibration {
        id: "invented".to_owned(),
        program: "dossier".to_owned(),
        date: None,
        sources: Vec::new(),
        common: None,
        crosstalk: Some(Crosstalk {
            cutter_separation_db: 40.0,
            scatter: 1.0,
            scale_u: 0.0,
            left_into_right_re: flat(c2.re),
            left_into_right_im: flat(c2.im),
            left_into_right_u: flat(0.0),
            right_into_left_re: flat(c1.re),
            right_into_left_im: flat(c1.im),
            right_into_left_u: flat(0.0),
            components_deg: Vec::new(),
            hertz,
        }),
        warnings: Vec::new(),
    }
}

/// Error of one delay with and without, in nanoseconds.
fn plain(with: f64, without: f64, unit: &str) -> Outcome {
    Outcome {
        cells: vec![
            format!("{with:+.3} {unit}"),
            format!("{without:+.3} {unit}"),
        ],
        numbers: vec![with, without],
        fault: (with.abs() > without.abs()).then(|| "the part makes it worse".to_owned()),
    }
}

fn crosstalk(name: &str, c1: Complex64, c2: Complex64) -> Row {
    Row {
        id: format!("ablation/crosstalk-{name}"),
        short: true,
        run: Box::new(move |_| {
            let delay = 5e-6;
            let spectrum = through_crosstalk(delay, c1, c2);
            let of = |s: &CrossSpectrum| {
                let found = estimate(s, &Settings::default()).expect("a delay");
                (found.delay_s - delay) * NS
            };
            let undone = known_crosstalk(c1, c2).apply(&spectrum, false);
            plain(of(&undone), of(&spectrum), "ns")
        }),
    }
}

/// Mean delay of a band from one radius to another, by steps.
fn mean_delay(conditions: Conditions, from: f64, to: f64) -> f64 {
    const STEPS: usize = 10_000;
    let of = |k: usize| {
        let part = (k as f64 + 0.5) / STEPS as f64;
        let radius = from + (to - from) * part;
        Conditions {
            radius,
            ..conditions
        }
        .predict()
        .delay
    };
    (0..STEPS).map(of).sum::<f64>() / STEPS as f64
}

/// An invented elliptical at 5 degrees, nothing else in the way.
fn plain_conditions() -> Conditions {
    Conditions {
        rotation: 5.0 * DEGREE,
        turn: 0.0,
        radius: 70.0 * MILLIMETRE,
        rpm: 100.0 / 3.0,
        tip: Tip {
            profile: Profile::Elliptical,
            size: [18e-6, 8e-6, 0.0],
        },
        half_angle: 45.0 * DEGREE,
        cut: 0.0,
        lathe_offset: 0.0,
        record_skew: 0.0,
        cut_rpm: 100.0 / 3.0,
        cartridge_skew: 0.0,
        scale: 1.0,
        chain_skew: 0.0,
        arm: None,
        swapped: false,
    }
}

/// A job of one delay whose radius is stated so; the rotation found, degrees.
fn rotation_found(delay: f64, radius_mm: &str) -> f64 {
    let text = format!(
        "format = 1
[cartridge.E]
profile = \"elliptical\"
frontal_radius_um = {{ value = 18, u = 0 }}
side_radius_um = {{ value = 8, u = 0 }}
[[capture]]
delay_us = {{ value = {}, u = 0.0001 }}
radius_mm = {radius_mm}
rpm = 33
",
        delay / MICROSECOND
    );
    let job = file::parse(&text, "job.toml").expect("a job as the guide describes it");
    let data = [Some(CaptureData::of_delay(delay, 1e-10))];
    let solved = solve(&job, &data, 0.95).expect("a job that can be solved");
    solved.solution.setups[0].rotation_deg.value
}

fn of_models() -> Table {
    let radius = |name: &str, from: f64, to: f64| {
        Row {
            id: format!("ablation/radius-{name}"),
            short: true,
            run: Box::new(move |_| {
                let delay = mean_delay(plain_conditions(), from * MILLIMETRE, to * MILLIMETRE);
                // the prior draws both alike: compare with one radius exactly
                let at = |r: f64| mean_delay(plain_conditions(), r * MILLIMETRE, r * MILLIMETRE);
                let middle = 0.5 * (from + to);
                let reference = rotation_found(at(middle), &format!("{middle}"));
                let with = rotation_found(delay, &format!("[{from}, {to}]"));
                let without = rotation_found(delay, &format!("{middle}"));
                plain(with - reference, without - reference, "deg")
            }),
        }
    };
    let contact = |degrees: f64| Row {
        id: format!("ablation/contact-{degrees:.0}deg"),
        short: true,
        run: Box::new(move |_| {
            let truth = degrees * DEGREE;
            let conditions = Conditions {
                rotation: truth,
                ..plain_conditions()
            };
            let speed = groove_speed(conditions.radius, conditions.rpm);
            let path = conditions.predict().delay * speed;
            let small = path / conditions.tip.lever(conditions.half_angle).length;
            // the exact relation, by halving
            let (mut low, mut high) = (0.0, 45.0 * DEGREE);
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                match conditions.tip.path(middle, conditions.half_angle).length < path {
                    true => low = middle,
                    false => high = middle,
                }
            }
            plain((low - truth) / DEGREE, (small - truth) / DEGREE, "deg")
        }),
    };
    let complex = Complex64::new;
    let mut rows = vec![
        crosstalk("equal", complex(0.05, 0.0), complex(0.05, 0.0)),
        crosstalk("opposite", complex(0.05, 0.0), complex(-0.05, 0.0)),
        crosstalk("unequal", complex(0.08, 0.0), complex(0.02, 0.0)),
        crosstalk("turned", complex(0.04, 0.03), complex(-0.01, 0.02)),
        radius("side", 140.0, 62.0),
        radius("band", 75.0, 70.0),
    ];
    rows.extend([2.0, 5.0, 10.0, 20.0, 30.0].map(contact));
    Table {
        title: "Parts of the model".to_owned(),
        text: "`crosstalk`: a delay of 5 us through crosstalk of the row's kind (five per cent is \u{2212}26 dB), with \
its calibration and without. `radius`: rotation from one mean delay of a band, its radii given from start to end or as \
their middle. `contact`: rotation from the path by the exact contact or by the lever at zero (small angles), 18 x 8 um."
            .to_owned(),
        columns: columns(&["error with", "error without"]),
        rows,
        plots: Vec::new(),
    }
}

/// The chapter.
pub fn chapter() -> Chapter {
    Chapter {
        name: "ablation",
        title: "What each part buys",
        text: "The same recordings, spectra and delays with a part of the model and without it.",
        tables: vec![of_recordings(), of_models()],
    }
}
