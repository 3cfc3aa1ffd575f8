//! Where figures come from, and which nobody has tried on a real groove.

use crate::{Chapter, Outcome, Row, Table, columns, root};
use groovelag::job::{CaptureData, file, priors, solve};
use std::path::{Path, PathBuf};

/// Words that mark a comment as naming a source outside the project, in small letters.
const SOURCES: [&str; 27] = [
    "references.json",
    "id `",
    "ids `",
    "model.md",
    "gum h",
    "gum (",
    "jcgm",
    "nist",
    "iec 60098",
    "knapp",
    "nuttall",
    "bendat",
    "goodman",
    "welch",
    "azenkot",
    "baerwald",
    "lofgren",
    "stevenson",
    "paule",
    "busing",
    "greenwell",
    "scipy",
    "numpy",
    "libsndfile",
    "riaa",
    "lipshitz",
    "pierce",
];
/// Longest quotation of a comment in the table.
const QUOTED: usize = 320;

/// A published value as a test's comments name it.
struct Value {
    file: String,
    function: String,
    /// Rather than what tests of the file use.
    is_test: bool,
    words: String,
}

/// What stands for the function's name where a comment is about the file.
const WHOLE: &str = "the whole file";

/// Whether a function is a test by itself.
fn is_test(lines: &[&str], name: &str) -> bool {
    let at = lines.iter().position(|l| function(l) == Some(name));
    let before = |at: usize| lines[..at].iter().rev().take(3);
    at.is_some_and(|at| before(at).any(|l| l.trim() == "#[test]"))
}

/// Rust files below a folder, in the order of their names.
fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut paths: Vec<PathBuf> = entries.map(|e| e.path()).collect();
    paths.sort();
    let mut found = Vec::new();
    for path in paths {
        if path.is_dir() && path.file_name().is_some_and(|n| n != "fuzz") {
            found.extend(rust_files(&path));
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
    found
}

/// Name of the function that a line begins, if it does.
fn function(line: &str) -> Option<&str> {
    let rest = line.trim_start().trim_start_matches("pub ");
    let rest = rest.strip_prefix("fn ")?;
    let end = rest.find(['(', '<'])?;
    Some(&rest[..end])
}

/// Comments that name a source, by the test they stand in or before.
fn values() -> Vec<Value> {
    let root = root();
    let mut found: Vec<Value> = Vec::new();
    for path in ["src", "tests"]
        .iter()
        .flat_map(|f| rust_files(&root.join(f)))
    {
        let name = path.strip_prefix(&root).expect("below the root");
        let name = name.to_string_lossy().replace('\\', "/");
        let text = std::fs::read_to_string(&path).unwrap_or_default();
        let lines: Vec<&str> = text.lines().collect();
        let whole = name.starts_with("tests/") || name.ends_with("tests.rs");
        let first = match whole {
            true => 0,
            false => match lines.iter().position(|l| l.trim() == "#[cfg(test)]") {
                Some(line) => line,
                None => continue,
            },
        };
        let mut at = first;
        let mut around = None;
        while at < lines.len() {
            around = function(lines[at]).or(around);
            let comment = |l: &str| l.trim_start().starts_with("//");
            if !comment(lines[at]) {
                at += 1;
                continue;
            }
            let documents = lines[at].trim_start().starts_with("///");
            let of_file = lines[at].trim_start().starts_with("//!");
            let mut words = String::new();
            while at < lines.len() && comment(lines[at]) {
                let bare = lines[at].trim_start().trim_start_matches('/');
                words += bare.trim_start_matches('!').trim();
                words.push(' ');
                at += 1;
            }
            let small = words.to_lowercase();
            if !SOURCES.iter().any(|s| small.contains(s)) {
                continue;
            }
            // a doc comment belongs to what follows it, another to where it stands
            let next = || lines[at..].iter().find_map(|l| function(l));
            let function = match (documents, of_file) {
                (_, true) => None,
                (true, _) => next(),
                _ => around.or_else(next),
            };
            let function = function.unwrap_or(WHOLE).to_owned();
            let same = |v: &&mut Value| v.file == name && v.function == function;
            match found.iter_mut().find(same) {
                Some(value) => value.words += &words,
                None => found.push(Value {
                    file: name.clone(),
                    is_test: is_test(&lines, &function),
                    function,
                    words,
                }),
            }
        }
    }
    found
}

/// The names under which the project's list of reference values holds them, as
/// a comment gives them: in backquotes after "id" or "ids".
fn ids(words: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut listing = false;
    for part in words.split_whitespace() {
        let bare = part.trim_matches(|c: char| !c.is_alphanumeric() && c != '_');
        if ["id", "ids", "entries"].contains(&bare) || part.contains("references.json") {
            listing = true;
        } else if part.contains('`') || bare.contains('_') {
            let name = part.trim_matches(|c: char| "(),.;:`\"".contains(c));
            let plain = name
                .chars()
                .all(|c| c.is_alphanumeric() || "_.*".contains(c));
            if listing && plain && !name.is_empty() && !found.contains(&name.to_owned()) {
                found.push(name.to_owned());
            }
        } else if bare != "and" {
            listing = false;
        }
    }
    found
}

fn shown(words: &str) -> String {
    let words = words.trim().replace('|', "\\|");
    match words.char_indices().nth(QUOTED) {
        Some((end, _)) => format!("{} ...", words[..end].trim_end()),
        None => words,
    }
}

fn value_rows() -> Vec<Row> {
    values()
        .into_iter()
        .map(|value| {
            let stem = value.file.trim_end_matches(".rs").replace('/', "-");
            let name = format!(
                "traceability/value-{stem}-{}",
                value.function.replace(['_', ' '], "-")
            );
            Row {
                id: name,
                // every comment that is touched would have to be kept anew
                short: false,
                run: Box::new(move |_| Outcome {
                    cells: vec![
                        format!("`{}`", value.file),
                        match value.is_test {
                            true => format!("`{}`", value.function),
                            false if value.function == WHOLE => WHOLE.to_owned(),
                            false => format!("tests that use `{}`", value.function),
                        },
                        shown(&value.words),
                        ids(&value.words).join(", "),
                    ],
                    ..Outcome::default()
                }),
            }
        })
        .collect()
}

/// What kind of origin a prior has, by its own words.
fn standing(origin: &str) -> &'static str {
    match origin {
        o if o.to_lowercase().contains("no source") => "practice",
        o if o.contains("believed") => "belief",
        o if o.contains("from memory") || o.contains("secondary") => "standard, from memory",
        o if o.contains("IEC") => "standard",
        o if ["brute force", "sqrt", "simulations"]
            .iter()
            .any(|w| o.contains(w)) =>
        {
            "computed"
        }
        _ => "choice",
    }
}

/// Further assumptions, which stand in the source: file, name, unit.
const CONSTANTS: [[&str; 3]; 11] = [
    ["src/job/calibration.rs", "LOAD_OHM", "ohm"],
    ["src/job/calibration.rs", "LOAD_FARAD", "F"],
    ["src/chain/build.rs", "DEFAULT_CUTTER_SEPARATION_DB", "dB"],
    ["src/chain/build/common.rs", "SKEW_PRIOR", "s (u)"],
    ["src/chain/build/common.rs", "EQUALISER_PRIOR", "(u)"],
    ["src/chain/build/common.rs", "LEVEL_PRIOR", "neper (u)"],
    ["src/chain/build/common.rs", "COUPLING_PRIOR", "rad/s (u)"],
    ["src/chain/build/common.rs", "LOAD_PRIOR", "(u)"],
    ["src/chain/smooth.rs", "CORRELATED_OCTAVES", "octaves"],
    ["src/spectrum/limits.rs", "CHANGE_PER_S", "per second (u)"],
    ["src/analysis/limits.rs", "COEFFICIENT_RELATIVE_U", "(u)"],
];

/// Value of a constant as its file has it, and the comment above it or above the first
/// of its row.
fn constant(file: &str, name: &str) -> Option<(String, String)> {
    let text = std::fs::read_to_string(root().join(file)).ok()?;
    let lines: Vec<&str> = text.lines().collect();
    let declared = format!("const {name}: ");
    let at = lines.iter().position(|l| l.contains(&declared))?;
    let value = lines[at].split(" = ").nth(1)?.trim_end_matches(';');
    let is = |l: &&&str, what: &str| l.trim_start().starts_with(what);
    let above = lines[..at].iter().rev();
    let above = above.skip_while(|l| is(l, "const") || is(l, "pub const"));
    let mut comment: Vec<&str> = above.take_while(|l| is(l, "///")).copied().collect();
    comment.reverse();
    let words = comment
        .iter()
        .map(|l| l.trim().trim_start_matches("///").trim());
    Some((value.to_owned(), words.collect::<Vec<_>>().join(" ")))
}

fn prior_rows() -> Vec<Row> {
    let table = priors::TABLE.iter().map(|p| {
        let unit = if p.unit.is_empty() { "" } else { " " };
        let cells = [
            format!("{}{unit}{}", p.value, p.unit),
            format!("{}{unit}{}", p.u, p.unit),
        ];
        (
            p.what.to_owned(),
            cells,
            vec![p.value, p.u],
            p.origin.to_owned(),
        )
    });
    let rpm = priors::DEFAULT_CUT_RPM;
    let speeds = [rpm, 45.0, 78.26].map(|rpm| {
        let u = priors::speed_u(rpm);
        (
            format!("speed of {rpm:.2} rpm"),
            [format!("{rpm:.2} rpm"), format!("{u:.3} rpm")],
            vec![rpm, u],
            priors::SPEED_ORIGIN.to_owned(),
        )
    });
    let tolerance = priors::COMPONENT_TOLERANCE;
    let u = priors::equaliser_u(tolerance);
    let rest = [
        (
            "equaliser time constant, right over left".to_owned(),
            ["0".to_owned(), u.to_string()],
            vec![0.0, u],
            format!(
                "parts of {tolerance} (common practice, no source), four of them in quadrature"
            ),
        ),
        (
            "speed of the cut".to_owned(),
            [format!("{rpm:.2} rpm"), "0 rpm".to_owned()],
            vec![rpm, 0.0],
            "as most records are; exact".to_owned(),
        ),
    ];
    let constants = CONSTANTS.iter().map(|[file, name, unit]| {
        let (value, origin) = constant(file, name).unwrap_or_default();
        let what = format!("{} of {file}", name.to_lowercase().replace('_', " "));
        (
            what,
            [format!("{value} {unit}"), String::new()],
            value.replace('_', "").parse().into_iter().collect(),
            origin,
        )
    });
    let all = table.chain(speeds).chain(rest).chain(constants);
    all.map(|(what, [value, u], numbers, origin)| {
        let name: String = what
            .chars()
            .map(|c| {
                if c.is_alphanumeric() || c == '.' {
                    c
                } else {
                    '-'
                }
            })
            .collect();
        Row {
            id: format!("traceability/prior-{}", name.replace("--", "-")),
            short: true,
            run: Box::new(move |_| Outcome {
                cells: vec![
                    value.clone(),
                    u.clone(),
                    standing(&origin).to_owned(),
                    origin.clone(),
                ],
                numbers: numbers.clone(),
                fault: origin.is_empty().then(|| "no origin".to_owned()),
            }),
        }
    })
    .collect()
}

/// Something that no real groove has borne out yet.
struct Untried {
    name: &'static str,
    /// What is assumed.
    assumed: &'static str,
    /// What to do.
    experiment: &'static str,
    job: Option<Wanted>,
}

/// What a job of an experiment is to tell.
struct Wanted {
    /// The unknown, and another that it is the difference to.
    unknown: &'static str,
    less: Option<&'static str>,
    unit: &'static str,
    /// What is assumed of its size, in the unit of the unknown.
    size: f64,
}

const UNTRIED: [Untried; 19] = [
    Untried {
        name: "tracing",
        assumed: "what a tip's radius adds to the programme has the form of second order, k d(v^2)/dt, in a plastic groove as between rigid bodies; it is found and taken out, which moves the delay of a \
voice by up to 0.1 deg",
        experiment: "speech or music and pink noise on one side, at the same radius, by the same tip: with tracing taken out their delays must agree within their bands (`groovelag compare`); \
and k, which each recording's note gives in dB, must grow as the inverse square of the groove's speed from outside to inside",
        job: None,
    },
    Untried {
        name: "clicks",
        assumed: "frames with a click on one wall or on both are found by their prediction residual and left out; what is not found moves the delay by less than its band (own simulations)",
        experiment: "one band before and after cleaning, and before and after a scratch across it: the delays must agree within their bands",
        job: None,
    },
    Untried {
        name: "elliptical-shape",
        assumed: "a real elliptical lies between a rounded disc and an ellipsoid of the same radii: shape term 0 +- 0.1 (computed)",
        experiment: "an elliptical turned as far as it will go on a fine stage; several tips",
        job: Some(Wanted {
            unknown: "cartridge.fine.shape",
            less: None,
            unit: "",
            size: 0.1,
        }),
    },
    Untried {
        name: "lathe-offset",
        assumed: "the cutting face passes within 0.5 mm of the radial line (common practice, no source); unstated, it is taken for zero",
        experiment: "cuts of one side under a spherical tip at three radii: a rotation of the cutter counts as one over speed, an offset as one over radius beside it",
        job: Some(Wanted {
            unknown: "record.side.lathe_offset_mm",
            less: None,
            unit: "mm",
            size: 0.5,
        }),
    },
    Untried {
        name: "cut-spread",
        assumed: "cuts of record sides spread by 0.5 deg about zero (common practice, no source); this limits an ordinary reading",
        experiment: "one spherical tip on a dozen sides of several lathes, leads swapped on some; the spread of the cuts found, of which the prediction is one",
        job: Some(Wanted {
            unknown: "record.side-01.cut_rotation_deg",
            less: None,
            unit: "deg",
            size: 0.5,
        }),
    },
    Untried {
        name: "cutter-skew",
        assumed: "a cutter's channels are 0.1 us apart, up to 0.5 us (believed); a lateral head has none",
        experiment: "one side under a spherical tip at three radii and two speeds, leads swapped; sides of lateral and of stereo heads",
        job: Some(Wanted {
            unknown: "record.side.skew_us",
            less: None,
            unit: "us",
            size: 0.1,
        }),
    },
    Untried {
        name: "cartridge-skew",
        assumed: "a cartridge's channels are 0.1 us apart (believed)",
        experiment: "two sides under a spherical tip at two radii and two speeds, leads swapped; repeated with other cartridges",
        job: Some(Wanted {
            unknown: "cartridge.ball.skew_us",
            less: None,
            unit: "us",
            size: 0.1,
        }),
    },
    Untried {
        name: "ball-lever",
        assumed: "a real spherical tip has a lever of 0 +- 1 um (believed)",
        experiment: "a spherical tip turned by known angles at one place of one side; several tips",
        job: Some(Wanted {
            unknown: "cartridge.ball.ball_lever_um",
            less: None,
            unit: "um",
            size: 1.0,
        }),
    },
    Untried {
        name: "crosstalk-scale",
        assumed: "crosstalk and unlike vertical response multiply the groove's delay by 1 +- 0.08; the crosstalk matrix of single-channel bands corrects it",
        experiment: "a tip measured under an electron microscope, turned on a fine stage; the slope against its lever is the scale, to be compared with that of `calibrate --left-only --right-only`",
        job: Some(Wanted {
            unknown: "cartridge.red.scale",
            less: None,
            unit: "",
            size: 0.08,
        }),
    },
    Untried {
        name: "contact-force",
        assumed: "the contacts are where rigid bodies touch; playing force and the give of the record do not move them along the groove",
        experiment: "one tip on a fine stage at 12 and at 25 mN; the difference of its effective side radii",
        job: Some(Wanted {
            unknown: "cartridge.at-12mN.side_radius_um",
            less: Some("cartridge.at-25mN.side_radius_um"),
            unit: "um",
            size: 1.0,
        }),
    },
    Untried {
        name: "wear",
        assumed: "a worn tip is described by its radii with 1 um each",
        experiment: "one tip on a fine stage, new and after 500 hours; the difference of its effective side radii",
        job: Some(Wanted {
            unknown: "cartridge.new.side_radius_um",
            less: Some("cartridge.after-500h.side_radius_um"),
            unit: "um",
            size: 1.0,
        }),
    },
    Untried {
        name: "line-shape",
        assumed: "a line contact departs from its formula by -0.5 +- 0.2 sin^2 of the angle (computed for frontal curvatures of 35 to 70 um)",
        experiment: "a line contact turned as far as it will go on a fine stage",
        job: Some(Wanted {
            unknown: "cartridge.fine.shape",
            less: None,
            unit: "",
            size: 0.5,
        }),
    },
    Untried {
        name: "bias-yaw",
        assumed: "a wrong bias force yaws the cantilever by 0.2 to 0.4 deg (believed), which is part of the measurand",
        experiment: "the same groove without, with the usual and with twice the usual bias force; `compare` of the setups",
        job: Some(Wanted {
            unknown: "setup.double.rotation_deg",
            less: Some("setup.none.rotation_deg"),
            unit: "deg",
            size: 0.3,
        }),
    },
    Untried {
        name: "azimuth-rake",
        assumed: "rake of 5 deg with an azimuth of 2 deg adds 0.175 deg to an elliptical tip (computed)",
        experiment: "the same groove upright and tilted; `compare` of the setups",
        job: Some(Wanted {
            unknown: "setup.tilted.rotation_deg",
            less: Some("setup.upright.rotation_deg"),
            unit: "deg",
            size: 0.175,
        }),
    },
    Untried {
        name: "readings",
        assumed: "radius +- 0.5 mm, turn +- 0.2 deg, speed as the priors' table has it (common practice, no source)",
        experiment: "three persons read radii and turns that a microscope's stage has set; speed by counting turns against a clock for an hour",
        job: None,
    },
    Untried {
        name: "chain-skew",
        assumed: "a chain's channels are 0.5 us apart (believed); load, cutter separation and how fast a response changes with frequency as the constants of `chain` have them",
        experiment: "`groovelag calibrate --common` with one signal on both inputs of a dozen phono stages and converters, each on two days; the spread of what it finds",
        job: None,
    },
    Untried {
        name: "equaliser-parts",
        assumed: "equaliser parts of 1 % (common practice, no source)",
        experiment: "`groovelag calibrate --common` with one signal on both inputs of several amplifiers; the spread of the time constants it fits",
        job: None,
    },
    Untried {
        name: "resonance-phase",
        assumed: "tip resonances of the two generators alike enough up to 15 kHz; otherwise 180 to 570 ns (computed for 2 % at 16 kHz)",
        experiment: "`groovelag measure` of one wide-band recording with --band 100..8000 and 100..15000, leads normal and swapped: what flips and grows with the band is the cartridge's",
        job: None,
    },
    Untried {
        name: "wall-noise",
        assumed: "surface noise of the two walls is independent; recordings whose channels differ by less than -65 dB are refused as one signal",
        experiment: "an unmodulated groove of several pressings: coherence, and levels of sum and difference of the channels, by frequency (noise in antiphase: see *vertical-noise* of the [alternatives](alternatives.md))",
        job: None,
    },
];

/// Standard uncertainty of what an experiment is to tell: before it and, predicted at
/// the prior means, after.
fn predicted(name: &str, wanted: &Wanted) -> Result<(f64, f64), String> {
    let path = root().join(format!("docs/validation/experiments/{name}.toml"));
    let text = std::fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))?;
    let job = file::parse(&text, &path.to_string_lossy()).map_err(|e| e.to_string())?;
    // the covariance at the prior means does not depend on what is read
    let u = priors::PLANNED_DELAY.estimate().u;
    let data = vec![Some(CaptureData::of_delay(0.0, u)); job.captures.len()];
    let solved = solve(&job, &data, 0.95).map_err(|e| e.to_string())?;
    let network = &solved.network;
    let linearised = network.problem.linearised().map_err(|e| e.to_string())?;
    let place = |id: &str| {
        let k = network.unknown(id).ok_or(format!("{name} has no {id}"))?;
        Ok::<_, String>((
            k,
            network.parameters[k].factor,
            network.parameters[k].prior.u,
        ))
    };
    let (k, factor, prior) = place(wanted.unknown)?;
    let (mut before, mut after) = (prior * prior, linearised.covariance(k, k));
    if let Some(less) = wanted.less {
        let (j, _, prior) = place(less)?;
        before += prior * prior;
        after += linearised.covariance(j, j) - 2.0 * linearised.covariance(j, k);
    }
    Ok((before.sqrt() / factor, after.sqrt() / factor))
}

fn untried_rows() -> Vec<Row> {
    let row = |untried: &'static Untried| Row {
        id: format!("traceability/untried-{}", untried.name),
        short: true,
        run: Box::new(move |_| {
            let mut cells = vec![untried.assumed.to_owned(), untried.experiment.to_owned()];
            let Some(wanted) = &untried.job else {
                cells.extend(["none: recordings alone".to_owned(), String::new()]);
                return Outcome {
                    cells,
                    ..Outcome::default()
                };
            };
            let file = format!("[{0}.toml](experiments/{0}.toml)", untried.name);
            match predicted(untried.name, wanted) {
                Err(fault) => Outcome {
                    cells: [cells, vec![file, fault.clone()]].concat(),
                    numbers: Vec::new(),
                    fault: Some(fault),
                },
                Ok((before, after)) => {
                    let unit = if wanted.unit.is_empty() { "" } else { " " };
                    cells.push(file);
                    let less = wanted.less.map(|l| format!(" less `{l}`"));
                    cells.push(format!(
                        "`{}`{}: {before:.3} to {after:.3}{unit}{}, of {}",
                        wanted.unknown,
                        less.unwrap_or_default(),
                        wanted.unit,
                        wanted.size
                    ));
                    let decides = after <= 0.5 * wanted.size;
                    Outcome {
                        cells,
                        numbers: vec![before, after],
                        fault: (!decides)
                            .then(|| format!("{after:.3} cannot decide about {}", wanted.size)),
                    }
                }
            }
        }),
    };
    UNTRIED.iter().map(row).collect()
}

/// Published values that were collected and that no test uses: name, value, reason.
const UNUSED: [[&str; 3]; 10] = [
    [
        "unbounded-interval",
        "(-Inf, -282.0006) and (393.1267, Inf), where a slope is not significant (tests of a package beside Greenwell and Schubert Kabban 2014)",
        "its data were not collected; that such intervals are told is tested by their definition, point for point",
    ],
    [
        "windows",
        "side lobes, overlap and bandwidth of eleven windows (Heinzel, Rudiger and Schilling 2002)",
        "the program has one window, of another family; its values are held against numpy",
    ],
    [
        "sizes-of-records",
        "outer and inner diameters, pitches, finishing grooves (IEC 98, DIN 45547, JIS S8502), 78 rpm at 50 and 60 Hz",
        "radius and speed are stated by the user; only limits that no record passes are checked",
    ],
    [
        "tips-by-standard",
        "ranges of tip radius and included angle, vertical modulation angle of 20 degrees (IEC 98, IEC 60098)",
        "ranges, not results; the priors' table names those it leans on",
    ],
    [
        "conventions",
        "right channel on the outer wall, lateral motion in phase, mono on both walls, direction of rotation (IEC 60098)",
        "facts without a number; signs by them are held by the geometry's tests",
    ],
    [
        "other-equalisation",
        "the further pole of 7950 us, and levels that are not normalised at 1 kHz",
        "alike in both channels, they drop out of a delay",
    ],
    [
        "contents-of-test-records",
        "bands and levels of DIN 45541, DIN 45544; AES17 and IEC 60386 by name",
        "which band is recorded is the user's choice",
    ],
    [
        "harmonic-of-tracking-error",
        "second harmonic by Baerwald 1941; speed from the pitch of a tone",
        "the program computes neither",
    ],
    [
        "rectangular-sums",
        "JCGM 101:2008, 9.2.3, 9.2.4 and the logarithm of a rectangular quantity; GUM H.3.5 and H.3.6",
        "all priors are normal; 9.2.2, 9.3, H.1, H.2 and H.3 are tested",
    ],
    [
        "layout-of-long-files",
        "the placeholder of 28 bytes and the rule of 32-bit sizes (EBU Tech 3306, ITU-R BS.2088)",
        "tested by files of independent writers, without a number to compare",
    ],
];

fn unused_rows() -> Vec<Row> {
    let row = |[name, value, reason]: &[&str; 3]| {
        let cells = vec![(*value).to_owned(), (*reason).to_owned()];
        Row {
            id: format!("traceability/unused-{name}"),
            short: false,
            run: Box::new(move |_| Outcome {
                cells: cells.clone(),
                ..Outcome::default()
            }),
        }
    };
    UNUSED.iter().map(row).collect()
}

/// The chapter.
pub fn chapter() -> Chapter {
    Chapter {
        name: "traceability",
        title: "Where figures come from",
        text: "Published values and the tests that hold the program to them; default priors and their origins; and \
what has not been tried on a real groove, with the experiment that would try it.",
        tables: vec![
            Table {
                title: "Published values and their tests".to_owned(),
                text: "An index, collected by this run from the comments of the tests: every one that names a source outside the \
project. That the tests pass is not shown here but by `cargo test`, which runs with every change; each has its value and tolerance beside the comment. A name in the last column is that of the value in \
the project's list of reference values, where the comment gives it; that list and *model.md*, the project's design note, whose figures were computed by other programs than this, are no part of the repository. A test that is \
named runs with `cargo test NAME`, a file of `tests` with `cargo test --test FILE`."
                    .to_owned(),
                columns: columns(&["file", "test", "what the comment says", "names"]),
                rows: value_rows(),
                plots: Vec::new(),
            },
            Table {
                title: "Published values that no test uses".to_owned(),
                text: "Of the same list, by hand, with the reason.".to_owned(),
                columns: columns(&["value", "why"]),
                rows: unused_rows(),
                plots: Vec::new(),
            },
            Table {
                title: "Default priors and their origins".to_owned(),
                text: "What is assumed where nothing is stated, from the program's own table (src/job/priors.rs), and below it what stands as a constant in other places, with the comment there. \
*Practice* is common practice without a source, *belief* has neither source nor measurement: these two deserve a laboratory's attention first. *Choice* is weak on purpose or follows \
from other rows."
                    .to_owned(),
                columns: columns(&["value", "standard uncertainty", "kind", "origin"]),
                rows: prior_rows(),
                plots: Vec::new(),
            },
            Table {
                title: "Not tried on real grooves".to_owned(),
                text: "**Nothing in this dossier was measured on a record.** Signals were computed, grooves simulated; music and \
speech are real, what plays them is not. The rows are what the bands rest on and no groove has borne out yet. Each job can be \
planned (`groovelag plan docs/validation/experiments/NAME.toml`), recorded and solved; its names are invented. The last column names the unknown that is wanted, which \
`groovelag solve NAME.toml --json` lists under `unknowns`, with its standard uncertainty before and after, predicted at the prior means, and the size that is assumed. Asked: half of that size \
at most, or the experiment would decide nothing. What drops of the stylus and days differ by comes on top of the prediction.

**How to run them.** Mute the amplifier before the cartridge is touched, guard the stylus, stay within the maker's playing force and angles, and see the cautions of the [laboratory's guide](../laboratory.md); a line contact far off its \
angle, a high force or many plays in a row wear a groove: take a side that may be lost. Play a mono or lateral band of pink noise or dense music of 30 s or more (40 Hz to 15 kHz, peaks of about 5 cm/s) at 96 kHz and 24 bits, five drops a line of the job \
(a capture of its own each), in an order that is not the job's, half of them on another day; turn about the stylus, and let the cartridge settle. Write down record, place, force, temperature, instruments with their uncertainty, and who did it (`title`, `note`, \
and each capture's own `note`). The assumption is refuted where what is found differs from it by more than twice the uncertainty found, borne out where that is also at most half of the assumed size. Nothing was found is a result: publish it too."
                    .to_owned(),
                columns: columns(&["assumed", "experiment", "job", "predicted"]),
                rows: untried_rows(),
                plots: Vec::new(),
            },
        ],
    }
}
