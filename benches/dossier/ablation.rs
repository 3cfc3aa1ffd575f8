//! What each part of the model buys: the same with it and without.

use crate::played::{Played, SECONDS};
use crate::scene::{Scene, rms};
use crate::{Chapter, Outcome, Row, Table, columns};
use groovelag::analysis::{Analysis, ChainCorrection};
use groovelag::chain;
use groovelag::delay::{DelayEstimate, EstimateSettings, estimate, phase};
use groovelag::groove::{Profile, Tip, groove_speed};
use groovelag::job::{CaptureData, file, solve};
use groovelag::spectrum::{CrossSpectrum, Group, SignalQuality, reference, window};
use groovelag::units::{DEGREE, MILLIMETRE};
use rayon::prelude::*;
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
        fault: (in_with < in_without || rms_with > rms_without)
            .then(|| "the part makes it worse".to_owned()),
    }
}

/// Estimates of the same trials in two ways.
fn both(
    scene: &Scene,
    count: usize,
    with: impl Fn(&Path) -> Option<DelayEstimate> + Sync,
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

fn usual(path: &Path) -> Option<DelayEstimate> {
    crate::scene::measure(path, &EstimateSettings::default()).ok()
}

fn stated(estimate: &DelayEstimate) -> (f64, f64) {
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
        quietest: Group::default(),
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
        run: Box::new(move |form| run(form.of(200, 20))),
    };
    let equaliser = Scene {
        row: "ablation/equaliser".to_owned(),
        equaliser_u: unlike,
        ..base.clone()
    };
    let clicks = Scene {
        row: "ablation/clicks".to_owned(),
        clicks_per_s: 2.0,
        ..base.clone()
    };
    let wobble = Scene {
        row: "ablation/jackknife".to_owned(),
        period: 1 << 16,
        periods: 20,
        wobble_s: 20e-9,
        ..base
    };
    Table {
        title: "Parts of the estimator".to_owned(),
        text: "Pink noise at 48 kHz, 35 dB, 5.5 s if nothing else is said. `equaliser`: parts of 1 % drawn anew for each trial, the \
terms fitted or not. `clicks`: two a second in both channels at once, frames with a click rejected or (slow oracle) \
summed. `jackknife`: 20 stretches of 1.4 s, 27 s together, whose delays scatter by 20 ns, the \
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
                    let bare = EstimateSettings {
                        terms: Vec::new(),
                        ..EstimateSettings::default()
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
                        let found = estimate(&every_frame(path), &EstimateSettings::default()).ok()?;
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

/// Error with and without, in one unit.
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

/// An invented elliptical of 18 x 8 um at a rotation; the cartridge's further keys.
fn elliptical(degrees: f64, further: &str) -> String {
    format!(
        "[setup]
rotation_deg = {degrees}
[cartridge]
profile = \"elliptical\"
frontal_radius_um = 18
side_radius_um = 8
{further}"
    )
}

/// Crosstalk at the lead clips: `c1` of the right channel into the left, `c2` of the left
/// into the right. It is calibrated by two single-channel bands of the same cartridge, of a
/// cutter that separates them wholly, and then taken out.
fn crosstalk(name: &str, c1: [f64; 2], c2: [f64; 2]) -> Row {
    Row {
        id: format!("ablation/crosstalk-{name}"),
        short: name == "unequal",
        run: Box::new(move |_| {
            let tables = |modulation: &str| {
                let leaks = format!(
                    "crosstalk_right_into_left = {c1:?}
crosstalk_left_into_right = {c2:?}
"
                );
                let cartridge = elliptical(5.0, &leaks);
                format!(
                    "[record]
modulation = \"{modulation}\"
[dirt]
snr_db = 45
{cartridge}"
                )
            };
            let single = [(1, "left"), (2, "right")]
                .map(|(seed, wall)| Played::at_70_mm(seed, &tables(wall)).taken());
            let [left, right] = single.each_ref().map(|taken| chain::CalibrationCapture {
                file: "band",
                sha256: "",
                duration_s: taken.info.duration_s,
                spectrum: &taken.spectrum,
                identical: taken.identical,
            });
            let made = chain::calibrate(&chain::CalibrationRequest {
                common: None,
                single: Some([left, right]),
                band_hz: chain::DEFAULT_BAND_HZ,
                date: None,
                coils: None,
                // the simulated cutter leaks nothing
                cutter_separation_db: 120.0,
            })
            .expect("a calibration");
            let error = |through: Option<ChainCorrection>| {
                let (analysis, truth) = Played::at_70_mm(3, &tables("lateral")).analysis(through);
                (analysis.estimate.delay_s - truth) * NS
            };
            let with = error(Some(ChainCorrection {
                calibration: &made.calibration,
                leads_swapped: false,
            }));
            plain(with, error(None), "ns")
        }),
    }
}

/// Speed of the groove at 70 mm, 33 1/3 rpm, metres per second.
fn speed() -> f64 {
    groove_speed(70.0 * MILLIMETRE, 100.0 / 3.0)
}

/// The rotation that a job of one recording finds, degrees; nothing but the rotation is
/// uncertain in it.
fn rotation_found(analysis: &Analysis, radius_mm: &str) -> f64 {
    let text = format!(
        "format = 1
[cartridge.E]
profile = \"elliptical\"
frontal_radius_um = {{ value = 18, u = 0 }}
side_radius_um = {{ value = 8, u = 0 }}
skew_us = {{ value = 0, u = 0 }}
crosstalk_db = -120
[record.R]
cut_rotation_deg = {{ value = 0, u = 0 }}
skew_us = {{ value = 0, u = 0 }}
[chain.C]
skew_us = {{ value = 0, u = 0 }}
[setup.S]
cartridge = \"E\"
[[capture]]
delay_us = {{ value = 0, u = 0.001 }}
setup = \"S\"
record = \"R\"
chain = \"C\"
radius_mm = {radius_mm}
rpm = 33
"
    );
    let job = file::parse(&text, "job.toml").expect("a job as the guide describes it");
    let data = [Some(CaptureData::of(analysis))];
    let solved = solve(&job, &data, 0.95).expect("a job that can be solved");
    solved.solution.setups[0].rotation_deg.value
}

fn of_models() -> Table {
    let radius = |name: &str, from: f64, to: f64| Row {
        id: format!("ablation/radius-{name}"),
        short: false,
        run: Box::new(move |_| {
            let span = format!("[{from}, {to}]");
            let recording = Played {
                seed: 3,
                seconds: 30.0,
                radius_mm: &span,
                rpm: 33,
                tables: &elliptical(5.0, ""),
            };
            let (analysis, _) = recording.analysis(None);
            let with = rotation_found(&analysis, &span);
            let without = rotation_found(&analysis, &format!("{}", 0.5 * (from + to)));
            plain(with - 5.0, without - 5.0, "deg")
        }),
    };
    let contact = |degrees: f64| Row {
        id: format!("ablation/contact-{degrees:.0}deg"),
        short: degrees == 10.0,
        run: Box::new(move |_| {
            let tables = elliptical(degrees, "");
            let (analysis, _) = Played::at_70_mm(4, &tables).analysis(None);
            let path = analysis.estimate.delay_s * speed();
            let tip = Tip {
                profile: Profile::Elliptical,
                size: [18e-6, 8e-6, 0.0],
            };
            let half_angle = 45.0 * DEGREE;
            let small = path / tip.lever(half_angle).length;
            // the exact relation, by halving
            let (mut low, mut high) = (0.0, 45.0 * DEGREE);
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                match tip.path(middle, half_angle).length < path {
                    true => low = middle,
                    false => high = middle,
                }
            }
            let error = |found: f64| found / DEGREE - degrees;
            plain(error(low), error(small), "deg")
        }),
    };
    let mut rows = vec![
        crosstalk("equal", [0.05, 0.0], [0.05, 0.0]),
        crosstalk("opposite", [0.05, 0.0], [-0.05, 0.0]),
        crosstalk("unequal", [0.08, 0.0], [0.02, 0.0]),
        crosstalk("turned", [0.04, 0.03], [-0.01, 0.02]),
        radius("side", 140.0, 62.0),
        radius("band", 75.0, 70.0),
    ];
    rows.extend([2.0, 5.0, 10.0, 20.0, 30.0].map(contact));
    Table {
        title: "Parts of the model".to_owned(),
        text: format!(
            "Recordings of the simulated groove (pink noise, {SECONDS} s at 48 kHz and 70 mm if nothing else is said), whose contacts a search finds; \
an invented elliptical of 18 x 8 um, turned by 5 degrees. `crosstalk`: of the row's kind (five per cent is \u{2212}26 dB), calibrated by single-channel bands \
of the same cartridge (45 dB of noise, a cutter without leakage), taken out and left in. `radius`: 30 s played from one radius to the other, both stated or their \
middle alone. `contact` (without noise, as `radius` is): the row's rotation, by the exact contact and by the lever at zero (small angles)."
        ),
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
        text: "The same recordings with a part of the model and without it. A row in which the part makes it worse would be a fault.",
        tables: vec![of_recordings(), of_models()],
    }
}
