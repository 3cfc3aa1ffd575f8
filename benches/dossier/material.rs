//! Real music and speech, from packages that are fetched when they are wanted.

use crate::interpreter::interpreter;
use crate::scene::{measure, measure_once, scratch};
use crate::{Chapter, Outcome, Row, Table, chances, columns, root};
use groovelag::delay::EstimateSettings;
use groovelag::simulate::recipe::Recipe;
use groovelag::simulate::render;
use rand::RngExt;
use serde_json::json;
use statrs::distribution::{Binomial, ChiSquared, ContinuousCDF, DiscreteCDF};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;

const NS: f64 = 1e9;
/// An error beyond this is a fault, whatever the band says, nanoseconds.
const FAR_NS: f64 = 50.0;
/// So is one beyond so many of its stated uncertainties: by chance one in 370 is,
/// so of the results here one in every third run.
const FAR: f64 = 3.0;
/// Noises per piece.
const SEEDS: u64 = 20;
/// Samples of the delaying method per sample of the file.
const OVERSAMPLING: f64 = 64.0;
/// Radii at which pieces are played, millimetres.
const RADII: [u32; 3] = [140, 100, 70];
/// Peak velocity of the cut, cm/s.
const PEAK_CM_S: f64 = 5.0;
/// Chance below which missing bands are a fault.
const CHANCE: f64 = 0.001;

/// An excerpt of a package.
struct Piece {
    name: &'static str,
    /// What it is, for the tables.
    what: &'static str,
    package: &'static str,
    licence: &'static str,
    /// Patterns of its files in the package.
    files: &'static [&'static str],
    start: u32,
    length: u32,
    /// Sample rate of the delayed files.
    rate: u32,
    /// Delay in samples at 64 times that rate.
    shift: i32,
    /// Turn of the invented tip when it is played, degrees.
    turn: f64,
}

impl Piece {
    fn is_speech(&self) -> bool {
        self.name.starts_with("speech")
    }
}

const SPEECH: &str = "GPL-2.0-or-later, (c) 2001-2011 A.-M. Mahfouf and others";

const PIECES: [Piece; 7] = [
    Piece {
        name: "rock",
        what: "rock, dense and wide-band",
        package: "fretsonfire-songs-sectoid",
        licence: "Expat, (c) 2006-2007 C. Viola Iborra",
        files: &["usr/share/games/fretsonfire/data/songs/sectoid/Metal madness/song.ogg"],
        start: 30,
        length: 20,
        rate: 48_000,
        shift: 19,
        turn: 3.0,
    },
    Piece {
        name: "ballad",
        what: "slow rock",
        package: "fretsonfire-songs-sectoid",
        licence: "Expat, (c) 2006-2007 C. Viola Iborra",
        files: &["usr/share/games/fretsonfire/data/songs/sectoid/Feelings/song.ogg"],
        start: 60,
        length: 12,
        rate: 96_000,
        shift: -23,
        turn: -2.0,
    },
    Piece {
        name: "orchestral",
        what: "orchestral",
        package: "hyperrogue-music",
        licence: "CC BY-SA 3.0, (c) W. Savino",
        files: &["usr/share/hyperrogue/music/hr-savino-palace.ogg"],
        start: 10,
        length: 20,
        rate: 48_000,
        shift: -7,
        turn: 5.0,
    },
    Piece {
        name: "quiet",
        what: "quiet, few harmonics",
        package: "hyperrogue-music",
        licence: "CC BY-SA 3.0, (c) S. Parrotte",
        files: &["usr/share/hyperrogue/music/hr3-crossroads.ogg"],
        start: 10,
        length: 20,
        rate: 48_000,
        shift: 11,
        turn: 1.0,
    },
    Piece {
        name: "speech-english",
        what: "spoken letters and syllables, pauses between",
        package: "klettres-data",
        licence: SPEECH,
        files: &["usr/share/klettres/en/*/*.ogg"],
        start: 0,
        length: 20,
        rate: 44_100,
        shift: 13,
        turn: -4.0,
    },
    Piece {
        name: "speech-french",
        what: "spoken letters and syllables, another voice",
        package: "klettres-data",
        licence: SPEECH,
        files: &["usr/share/klettres/fr/*/*.ogg"],
        start: 20,
        length: 20,
        rate: 48_000,
        shift: -16,
        turn: 2.5,
    },
    Piece {
        name: "speech-places",
        what: "spoken words (names of loudspeakers)",
        package: "alsa-utils",
        licence: "GPL-2.0, (c) 1998-2022 J. Kysela and others",
        files: &["usr/share/sounds/alsa/[FRS]*.wav"],
        start: 0,
        length: 11,
        rate: 48_000,
        shift: 3,
        turn: -1.0,
    },
];

/// The folder of a Debian package's contents, fetched when it is wanted first.
fn package(name: &str) -> Result<PathBuf, String> {
    let packages = root().join("target/cross-check/packages");
    let place = packages.join(name);
    if place.is_dir() {
        return Ok(packages);
    }
    std::fs::create_dir_all(&packages).map_err(|e| e.to_string())?;
    let run = |program: &str, arguments: &[&str]| {
        let output = Command::new(program)
            .args(arguments)
            .current_dir(&packages)
            .output()
            .map_err(|e| format!("{program}: {e}"))?;
        match output.status.success() {
            true => Ok(()),
            false => Err(format!("{program} {arguments:?}: {}", output.status)),
        }
    };
    run("apt-get", &["download", "-q", name]).or_else(|_| {
        run("apt-get", &["update", "-q"])?;
        run("apt-get", &["download", "-q", name])
    })?;
    let part = format!("{name}.part");
    let unpack = format!("dpkg-deb -x {name}_*.deb {part} && mv {part} {name}");
    run("sh", &["-c", &unpack])?;
    Ok(packages)
}

/// Runs `material.py` on a piece.
fn prepare(piece: &Piece, mode: &str, work: &Path) -> Result<(), String> {
    let description = json!({
        "row": piece.name, "package": piece.package, "files": piece.files, "start": piece.start,
        "length": piece.length, "rate": piece.rate, "shift": piece.shift,
    });
    let output = Command::new(interpreter(&root())?)
        .arg(root().join("benches/dossier/material.py"))
        .args([mode, &description.to_string()])
        .arg(package(piece.package)?)
        .arg(work)
        .arg(SEEDS.to_string())
        .output()
        .map_err(|e| e.to_string())?;
    match output.status.success() {
        true => Ok(()),
        false => Err(String::from_utf8_lossy(&output.stderr).trim().to_owned()),
    }
}

/// One result against its truth, seconds.
#[derive(Clone, Copy)]
struct Judged {
    error: f64,
    u: f64,
    /// Delay of a degree of rotation, where there is a stylus.
    degree: Option<f64>,
    /// Error and uncertainty with what tracing adds left in, where there is a stylus.
    left_in: Option<(f64, f64)>,
}

impl Judged {
    fn inside(self) -> bool {
        // the 95 % band of the delay
        self.error.abs() <= 1.959_964 * self.u
    }

    fn is_far(self) -> bool {
        self.error.abs() * NS > FAR_NS || self.error.abs() > FAR * self.u
    }
}

type Found = Result<Vec<Judged>, String>;

/// What a run has found already, so that the rows that judge all pieces together
/// need not measure them again.
static FOUND: Mutex<BTreeMap<String, Found>> = Mutex::new(BTreeMap::new());

fn once(key: &str, find: impl FnOnce() -> Found) -> Found {
    let known = FOUND.lock().expect("one thread").get(key).cloned();
    known.unwrap_or_else(|| {
        let found = find();
        FOUND
            .lock()
            .expect("one thread")
            .insert(key.to_owned(), found.clone());
        found
    })
}

fn folder() -> Result<tempfile::TempDir, String> {
    tempfile::tempdir_in(scratch()).map_err(|e| e.to_string())
}

/// A piece delayed by whole samples of a finer grid, under several noises.
fn delayed(piece: &Piece) -> Found {
    once(&format!("delayed {}", piece.name), || {
        let work = folder()?;
        prepare(piece, "delayed", work.path())?;
        let truth = f64::from(piece.shift) / (OVERSAMPLING * f64::from(piece.rate));
        (1..=SEEDS)
            .map(|seed| {
                let path = work.path().join(format!("{seed}.wav"));
                let e = measure(&path, &EstimateSettings::default()).map_err(|e| e.to_string())?;
                Ok(Judged {
                    error: e.delay_s - truth,
                    u: e.standard_uncertainty_s,
                    degree: None,
                    left_in: None,
                })
            })
            .collect()
    })
}

/// What is on the record and behind it beside the programme.
const DIRT: &str = "
[chain]
equaliser_left = [0.004, -0.006, 0.003]
equaliser_right = [-0.003, 0.004, 0.006]
[dirt]
snr_db = 35
noise_spectrum = \"surface\"
clicks_per_s = 0.5
";

/// A piece cut in mono to a peak velocity and played with an invented turned tip.
fn played(piece: &Piece, radius: u32, peak_cm_s: f64, dirt: &str) -> Found {
    let key = format!("played {} {radius} {peak_cm_s} {dirt}", piece.name);
    once(&key, || {
        let work = folder()?;
        prepare(piece, "mono", work.path())?;
        let text = format!(
            r#"
format = 1
seed = {}
[programme]
kind = "wav"
file = "mono.wav"
duration_s = {}
peak_cm_s = {peak_cm_s}
[capture]
radius_mm = {radius}
rpm = "100/3"
sample_rate_hz = 96000
[cartridge]
profile = "elliptical"
frontal_radius_um = 18
side_radius_um = 8
[setup]
rotation_deg = {}
{dirt}
"#,
            chances(&key, 0).random::<u32>(),
            piece.length - 1,
            piece.turn
        );
        let recipe = Recipe::parse(&text).map_err(|e| e.to_string())?;
        let rendered = render(&recipe, work.path()).map_err(|e| e.to_string())?;
        let (bytes, truth) = rendered.wav("played");
        let degree = truth.groove_delay_us.mean * 1e-6 / piece.turn;
        let path = work.path().join("played.wav");
        std::fs::write(&path, bytes).map_err(|e| e.to_string())?;
        let settings = EstimateSettings::default();
        let e = measure(&path, &settings).map_err(|e| e.to_string())?;
        let once = measure_once(&path, &settings).map_err(|e| e.to_string())?;
        let truth = truth.delay_us.mean * 1e-6;
        Ok(vec![Judged {
            error: e.delay_s - truth,
            u: e.standard_uncertainty_s,
            degree: Some(degree),
            left_in: Some((once.delay_s - truth, once.standard_uncertainty_s)),
        }])
    })
}

/// What a row says of one piece.
fn outcome(piece: &Piece, found: Found) -> Outcome {
    let what = format!("{}; {}", piece.what, piece.package);
    let found = match found {
        Ok(found) => found,
        Err(e) => {
            return Outcome {
                cells: vec![what, format!("not run: {e}")],
                fault: Some(e),
                ..Outcome::default()
            };
        }
    };
    let n = found.len() as f64;
    let u = found.iter().map(|r| r.u).sum::<f64>() / n * NS;
    let far = found.iter().filter(|r| r.is_far()).count();
    let worst = found.iter().map(|r| r.error * NS);
    let worst = worst.max_by(|a, b| a.abs().total_cmp(&b.abs()));
    let worst = format!("{:+.2}", worst.unwrap_or_default());
    let mut cells = vec![what];
    if found.len() > 1 {
        cells.push(scatter(&found));
    }
    cells.push(worst);
    let degrees = |r: &Judged| Some(format!("{:+.3}", r.error / r.degree?));
    cells.extend(found.iter().filter_map(degrees));
    cells.extend([format!("{u:.2}"), inside(&found)]);
    let left_in = |r: &Judged| {
        let (error, u) = r.left_in?;
        Some(format!("{:+.2}, {:.2}", error * NS, u * NS))
    };
    cells.extend(found.iter().filter_map(left_in));
    Outcome {
        cells,
        numbers: vec![u],
        fault: (far > 0).then(|| format!("{far} of {n} too far from the truth")),
    }
}

/// Root mean square of the errors, in nanoseconds and in their uncertainties.
fn scatter(found: &[Judged]) -> String {
    let n = found.len() as f64;
    let rms = (found.iter().map(|r| r.error * r.error).sum::<f64>() / n).sqrt() * NS;
    format!("{rms:.2}, {:.2} u", (squares(found) / n).sqrt())
}

/// Sum of the squares of the errors, each in its uncertainty.
fn squares(found: &[Judged]) -> f64 {
    found.iter().map(|r| (r.error / r.u).powi(2)).sum()
}

fn inside(found: &[Judged]) -> String {
    let inside = found.iter().filter(|r| r.inside()).count();
    format!("{inside} of {}", found.len())
}

/// Pieces together: whether as many bands hold the truth as should, and whether
/// the errors are as large as their uncertainties say. Noises of one piece share
/// what the piece does, so they are not quite independent; that makes the
/// judgement the stricter.
fn together(what: &str, all: impl Iterator<Item = Found>) -> Outcome {
    let all: Result<Vec<_>, String> = all.collect();
    let all = match all {
        Ok(all) => all.concat(),
        Err(e) => {
            return Outcome {
                cells: vec![what.to_owned(), format!("not run: {e}")],
                fault: Some(e),
                ..Outcome::default()
            };
        }
    };
    let n = all.len() as u64;
    let missed = all.iter().filter(|r| !r.inside()).count() as u64;
    let by_chance = Binomial::new(0.05, n).expect("a share");
    // so many misses or more
    let so_few = match missed {
        0 => 1.0,
        m => by_chance.sf(m - 1),
    };
    let by_chance = ChiSquared::new(n as f64).expect("a number");
    let so_large = by_chance.sf(squares(&all));
    let piece = format!(
        "{what}; chance of so few bands {so_few:.3}, of errors so large {so_large:.3}, so small {:.3}",
        1.0 - so_large
    );
    // columns without an entry: the worst error, or that in degrees, and u
    let none = String::new;
    let mut cells = vec![piece, scatter(&all), none(), none(), inside(&all)];
    let left_in: Option<Vec<(f64, f64)>> = all.iter().map(|r| r.left_in).collect();
    cells.extend(left_in.map(|list| {
        let of = |(error, u)| Judged {
            error,
            u,
            degree: None,
            left_in: None,
        };
        let list: Vec<Judged> = list.into_iter().map(of).collect();
        format!("{}; {}", scatter(&list), inside(&list))
    }));
    Outcome {
        cells,
        numbers: vec![missed as f64],
        fault: (so_few.min(so_large) < CHANCE).then(|| {
            format!(
                "{missed} of {n} bands miss the truth; errors {}",
                scatter(&all)
            )
        }),
    }
}

fn row(id: String, run: impl Fn() -> Outcome + 'static) -> Row {
    Row {
        id,
        short: false,
        run: Box::new(move |_| run()),
    }
}

/// The chapter.
pub fn chapter() -> Chapter {
    let heads = columns(&[
        "piece",
        "errors, rms, ns and u",
        "worst, ns",
        "stated u, ns (mean)",
        "inside the 95 % band",
    ]);
    let played_heads = columns(&[
        "piece",
        "error, ns",
        "error, deg",
        "stated u, ns",
        "inside the 95 % band",
        "with tracing left in: error, u, ns",
    ]);
    let mut moved: Vec<Row> = PIECES
        .iter()
        .map(|piece| {
            let id = format!("material/delayed-{}", piece.name);
            row(id, || outcome(piece, delayed(piece)))
        })
        .collect();
    moved.push(row("material/delayed-together".to_owned(), || {
        together("all of them", PIECES.iter().map(delayed))
    }));
    let mut turned: Vec<Row> = Vec::new();
    for piece in &PIECES {
        for radius in RADII {
            let id = format!("material/played-{}-{radius}mm", piece.name);
            turned.push(row(id, move || {
                outcome(piece, played(piece, radius, PEAK_CM_S, DIRT))
            }));
        }
    }
    for speech in [false, true] {
        let what = if speech { "speech" } else { "music" };
        turned.push(row(format!("material/played-together-{what}"), move || {
            let some = PIECES.iter().filter(|p| p.is_speech() == speech);
            let all = some.flat_map(|p| RADII.map(|r| played(p, r, PEAK_CM_S, DIRT)));
            together(what, all)
        }));
    }
    let mut levels: Vec<Row> = Vec::new();
    for piece in PIECES
        .iter()
        .filter(|p| ["rock", "speech-french"].contains(&p.name))
    {
        for peak in [0.5, 1.5, 5.0] {
            let id = format!("material/level-{}-{peak}cm", piece.name);
            levels.push(row(id, move || {
                outcome(piece, played(piece, 100, peak, ""))
            }));
        }
    }
    let mut licences: BTreeMap<&str, &str> = BTreeMap::new();
    for piece in &PIECES {
        let known = licences.entry(piece.package).or_insert(piece.licence);
        if *known != piece.licence {
            *known = "CC BY-SA 3.0, (c) W. Savino and S. Parrotte";
        }
    }
    let licences: Vec<String> = licences
        .iter()
        .map(|(package, licence)| format!("{package} ({licence})"))
        .collect();
    Chapter {
        name: "material",
        title: "Real music and speech",
        text: "Excerpts of freely licensed music and of spoken words, from packages of Debian that are fetched for the \
run and not kept in the repository (benches/dossier/material.rs names them, with their licences). They were recorded and coded by \
others; made mono here, they are a programme like any other. What a real groove does to them is not in this.",
        tables: vec![
            Table {
                title: "Delayed by another method".to_owned(),
                text: format!(
                    "SciPy brings each excerpt to 64 times its rate and moves one channel by whole samples there, so the delay \
is exact by construction; white noise, 35 dB down, is each channel's own, in {SEEDS} draws (benches/dossier/material.py). Asked: \
no error above {FAR_NS:.0} ns or {FAR} of its stated u, and together as many bands that hold the truth as a binomial law allows and errors no larger than chi-square does \
(either in less than one of a thousand trials would be a fault). Packages: {}.",
                    licences.join("; ")
                ),
                columns: heads,
                rows: moved,
                plots: Vec::new(),
            },
            Table {
                title: "Played through the simulated groove".to_owned(),
                text: format!(
                    "The same excerpts cut in mono with peaks of {PEAK_CM_S} cm/s and played at three radii, 33 1/3 rpm, by an invented 18 x 8 um elliptical tip \
turned by -4 to 5 degrees; surface noise 35 dB down, a click every two seconds, equaliser parts off by up to 0.6 %, 96 kHz. The tip touches the \
walls where a search finds it does, so tracing distorts as it does at each radius. The truth is the simulation's own. Asked: the same as above. The last column is the \
same recording read once, with what tracing adds left in it: at small radii that, and not the noise, is what limits music and speech."
                ),
                columns: played_heads.clone(),
                rows: turned,
                plots: Vec::new(),
            },
            Table {
                title: "Without noise".to_owned(),
                text: "At 100 mm without any noise, click or unequal parts, by the peak velocity of the cut: what is left is the model's own. \
Tracing moves the two walls in opposition by what is of second order in the modulation; a voice's harmonics, locked in phase to its pitch, do \
not let it average out, so it shows as a delay where it is left in. It grows with the level but for the frames that are taken for \
clicks because of it."
                    .to_owned(),
                columns: played_heads,
                rows: levels,
                plots: Vec::new(),
            },
        ],
    }
}
