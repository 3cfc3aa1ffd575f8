//! The estimator beside general-purpose ones, on the same files.

use crate::interpreter::interpreter;
use crate::scene::{Scene, measure, rms, scratch};
use crate::{Chapter, Outcome, Row, Table, columns, root};
use groovelag::delay::{EstimateSettings, phase};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

const NS: f64 = 1e9;
const TRIALS: usize = 200;
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
    let settings = EstimateSettings::default();
    let name = |trial: u64| format!("{trial:04}.wav");
    let results: Vec<Option<(f64, f64)>> = (0..count as u64)
        .into_par_iter()
        .map(|trial| {
            let path = folder.path().join(name(trial));
            scene.write(trial, &path);
            let estimate = measure(&path, &settings).ok()?;
            let u = estimate.standard_uncertainty_s;
            Some((estimate.delay_s - scene.delay, u))
        })
        .collect();
    let given: Vec<(f64, f64)> = results.iter().flatten().copied().collect();
    let refused = count - given.len();
    let ours = rms(&given.iter().map(|g| g.0).collect::<Vec<_>>()) * NS;
    let stated = given.iter().map(|g| g.1).sum::<f64>() / given.len() as f64 * NS;
    let inside = given
        .iter()
        .filter(|(e, u)| e.abs() <= 1.959964 * u)
        .count();
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
    let mut cells = vec![text(ours), text(stated)];
    cells.push(format!("{inside} of {}", given.len()));
    cells.extend(theirs.map(text));
    cells.push(format!("{:.2}", ours / best));
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
    let through = Scene {
        equaliser_u: phase::equaliser_u(0.01),
        ..clean.clone()
    };
    let noisy = |snr_db: f64| Scene {
        snr_db,
        ..clean.clone()
    };
    let hum = |of: &Scene| Scene {
        hum_db: Some(-20.0),
        ..of.clone()
    };
    let rumble = |of: &Scene| Scene {
        rumble_db: Some(-10.0),
        ..of.clone()
    };
    let clicks = |of: &Scene| Scene {
        clicks_per_s: 2.0,
        ..of.clone()
    };
    let lead_in = |of: &Scene| Scene {
        lead_in_s: 4.0,
        ..of.clone()
    };
    let vertical = Scene {
        rumble_poles: 1,
        ..rumble(&clean)
    };
    let all = hum(&rumble(&clicks(&lead_in(&through))));
    // name, scene, whether something systematic is in it, trials of the short form
    let scenes: Vec<(&str, Scene, bool, usize)> = vec![
        ("clean-20dB", noisy(20.0), false, 0),
        ("clean-35dB", clean.clone(), false, 8),
        ("clean-50dB", noisy(50.0), false, 0),
        ("equaliser", through.clone(), true, 16),
        ("hum", hum(&through), true, 0),
        ("rumble", rumble(&through), true, 0),
        ("vertical-noise", vertical, true, 0),
        ("clicks", clicks(&clean), true, 8),
        ("lead-in", lead_in(&through), true, 0),
        ("hum-alone", hum(&clean), false, 0),
        ("rumble-alone", rumble(&clean), false, 0),
        ("lead-in-alone", lead_in(&clean), false, 0),
        ("all", all, true, 8),
    ];
    let rows = scenes
        .into_iter()
        .map(|(name, scene, systematic, short)| {
            let row = format!("alternatives/{name}");
            (Scene { row, ..scene }, systematic, short)
        })
        .map(|(scene, systematic, short)| Row {
            id: scene.row.clone(),
            short: short > 0,
            run: Box::new(move |form| {
                compared(&scene, systematic, form.of(TRIALS, short)).unwrap_or_else(|e| Outcome {
                    cells: vec![format!("not run: {e}")],
                    fault: Some(e),
                    ..Outcome::default()
                })
            }),
        })
        .collect();
    let price = [20.0, 30.0, 40.0, 50.0].map(|db| {
        let scene = noisy(db);
        Row {
            id: format!("alternatives/price-{db:.0}dB"),
            short: true,
            run: Box::new(move |_| {
                let with = scene.bound(&EstimateSettings::default());
                let alone = scene.bound(&EstimateSettings {
                    terms: Vec::new(),
                    ..EstimateSettings::default()
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
equaliser parts of 1 % drawn anew for each trial; hum 20 dB below the programme; rumble in antiphase 10 dB below it, 4 to 30 Hz and falling by 24 dB an octave; noise of both walls in antiphase of the same power that falls by 6 dB an octave, and so reaches into the whole band; \
two clicks a second at once in both channels, as static makes them; four seconds of lead-in with a hiss that both channels \
share, and a needle drop; *all*: all of these but the vertical noise. Every chain has an equaliser, so *hum*, *rumble* and *lead-in* come through one, as *all* does; those *alone* do not. Asked: less than any other wherever something pulls the delay (*equaliser*, *hum*, *rumble*, *vertical-noise*, \
*clicks*, *lead-in*, *all*). The plain slope, weighted by coherence, is pulled by neither hum nor rumble nor a lead-in alone, and by nothing in a clean recording: on those rows it is \
ahead, and the last column is the price of the equaliser's terms, which it does without (1.29 by the bounds, next table). It reads 100 Hz to 15 kHz as the program does, the other two all frequencies. The phase transform (of averaged spectra) weighs all \
bins alike, those of little programme as well. **Vertical noise is not in the program's model**: what both walls share in antiphase stands against the programme in the cross-spectrum and makes \
the delay look longer by its share of the power; the misfit widens the band, not by enough."
                    .to_owned(),
                columns: columns(&[
                    "groovelag",
                    "its stated u (mean)",
                    "inside its 95 % band",
                    "correlation",
                    "phase transform",
                    "phase slope",
                    "groovelag over the best of these",
                    "trials (refused)",
                ]),
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
