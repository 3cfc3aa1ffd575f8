//! The estimator beside general-purpose ones, on the same files.

use crate::interpreter::interpreter;
use crate::scene::{Scene, measure, rms, scratch};
use crate::{Chapter, Outcome, Row, Table, columns, root};
use groovelag::delay::{Settings, phase};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

const NS: f64 = 1e9;
const OTHERS: [&str; 3] = ["correlation", "phat", "slope"];

/// The delays that the other estimators find, by file.
fn others(folder: &Path) -> Result<BTreeMap<String, BTreeMap<String, f64>>, String> {
    let output = Command::new(interpreter(&root())?)
        .arg(root().join("benches/dossier/alternatives.py"))
        .arg(folder)
        .output()
        .map_err(|e| e.to_string())?;
    serde_json::from_slice(&output.stdout)
        .map_err(|e| format!("{e}: {}", String::from_utf8_lossy(&output.stderr)))
}

fn compared(scene: &Scene, systematic: bool, count: usize) -> Result<Outcome, String> {
    let folder = tempfile::tempdir_in(scratch()).map_err(|e| e.to_string())?;
    let settings = Settings::default();
    let name = |trial: u64| format!("{trial:04}.wav");
    let errors: Vec<Option<f64>> = (0..count as u64)
        .into_par_iter()
        .map(|trial| {
            let path = folder.path().join(name(trial));
            scene.write(trial, &path);
            let estimate = measure(&path, &settings).ok()?;
            Some(estimate.delay_s - scene.delay)
        })
        .collect();
    let refused = errors.iter().filter(|e| e.is_none()).count();
    let ours = rms(&errors.into_iter().flatten().collect::<Vec<_>>()) * NS;
    let found = others(folder.path())?;
    let theirs = OTHERS.map(|method| {
        let errors: Vec<f64> = found.values().map(|f| f[method] - scene.delay).collect();
        rms(&errors) * NS
    });
    let best = theirs.iter().copied().fold(f64::INFINITY, f64::min);
    let text = |v: f64| match v {
        v if v < 100.0 => format!("{v:.2}"),
        v => format!("{v:.0}"),
    };
    let mut cells = vec![text(ours)];
    cells.extend(theirs.map(text));
    cells.push(format!("{count} ({refused})"));
    let behind = systematic && ours >= best;
    Ok(Outcome {
        cells,
        numbers: vec![ours],
        fault: behind.then(|| format!("{ours:.2} ns, where a general method has {best:.2} ns")),
    })
}

/// The chapter.
pub fn chapter() -> Chapter {
    let clean = Scene::default();
    let unlike = phase::equaliser_u(0.01);
    // name, scene, whether something systematic is in it, trials of the short form
    let scenes: Vec<(&str, Scene, bool, usize)> = vec![
        (
            "clean-20dB",
            Scene {
                snr_db: 20.0,
                ..clean.clone()
            },
            false,
            0,
        ),
        ("clean-35dB", clean.clone(), false, 8),
        (
            "clean-50dB",
            Scene {
                snr_db: 50.0,
                ..clean.clone()
            },
            false,
            0,
        ),
        (
            "equaliser",
            Scene {
                equaliser_u: unlike,
                ..clean.clone()
            },
            true,
            16,
        ),
        (
            "hum",
            Scene {
                hum_db: Some(-20.0),
                ..clean.clone()
            },
            false,
            0,
        ),
        (
            "rumble",
            Scene {
                rumble_db: Some(-10.0),
                ..clean.clone()
            },
            true,
            0,
        ),
        (
            "clicks",
            Scene {
                clicks_per_s: 2.0,
                ..clean.clone()
            },
            true,
            8,
        ),
        (
            "lead-in",
            Scene {
                lead_in_s: 4.0,
                ..clean.clone()
            },
            false,
            0,
        ),
        (
            "all",
            Scene {
                equaliser_u: unlike,
                hum_db: Some(-20.0),
                rumble_db: Some(-10.0),
                clicks_per_s: 2.0,
                lead_in_s: 4.0,
                ..clean.clone()
            },
            true,
            8,
        ),
    ];
    let rows = scenes
        .into_iter()
        .map(|(name, scene, systematic, short)| Row {
            id: format!("alternatives/{name}"),
            short: short > 0,
            run: Box::new(move |form| {
                compared(&scene, systematic, form.of(60, short)).unwrap_or_else(|e| Outcome {
                    cells: vec![format!("not run: {e}")],
                    fault: Some(e),
                    ..Outcome::default()
                })
            }),
        })
        .collect();
    let price = [20.0, 30.0, 40.0, 50.0].map(|db| {
        let scene = Scene {
            snr_db: db,
            ..clean.clone()
        };
        Row {
            id: format!("alternatives/price-{db:.0}dB"),
            short: true,
            run: Box::new(move |_| {
                let with = scene.bound(&Settings::default());
                let alone = scene.bound(&Settings {
                    terms: Vec::new(),
                    ..Settings::default()
                });
                let price = with / alone;
                Outcome {
                    cells: vec![
                        format!("{:.3}", alone * NS),
                        format!("{:.3}", with * NS),
                        format!("{price:.2}"),
                    ],
                    numbers: vec![price],
                    fault: None,
                }
            }),
        }
    });
    Chapter {
        name: "alternatives",
        title: "Beside general-purpose estimators",
        text: "The same files read by this program and by SciPy (benches/dossier/alternatives.py): correlation \
with a parabola through its peak, the same after the phase transform, and the plain slope of the phase.",
        tables: vec![
            Table {
                title: "Root mean square error, ns".to_owned(),
                text: "5.5 s of pink noise at 48 kHz, 35 dB, a delay of 7.3 us, and what the row's name says: \
equaliser parts of 1 % drawn anew for each trial; hum 20 dB below the programme; rumble in antiphase 10 dB below it; \
two clicks a second at once in both channels, as static makes them; four seconds of lead-in with a hiss that both channels \
share, and a needle drop; or all of them. Asked: less than any other wherever something pulls the delay. Hum and a \
lead-in do not pull a slope that is weighted by coherence; there the difference is the price of the equaliser's terms, \
below."
                    .to_owned(),
                columns: columns(&["groovelag", "correlation", "phase transform", "phase slope", "trials (refused)"]),
                rows,
                plots: Vec::new(),
            },
            Table {
                title: "What the equaliser's terms cost".to_owned(),
                text: "On a clean recording with equal equalisers the terms are not needed, and widen the band. The \
bound with and without them, for 5.5 s; the row 'equaliser' above shows what they buy."
                    .to_owned(),
                columns: columns(&["slope alone, ns", "with the terms, ns", "ratio"]),
                rows: price.into(),
                plots: Vec::new(),
            },
        ],
    }
}
