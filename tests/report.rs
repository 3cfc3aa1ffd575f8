//! Pages and pictures as their readers meet them: their numbers against the
//! documents', their privacy, their accessibility, their size.

use crate::recordings;

use groovelag::report::solution::{SolutionDocument, solution_text};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

fn signals(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("test-signals")
        .join(name);
    path.to_string_lossy().into_owned()
}

fn run(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .current_dir(folder)
        .args(arguments)
        .output()
        .unwrap()
}

/// A capture of one signal on both inputs, with a little noise of each one's own.
fn fed_by_cable(path: &Path) -> String {
    let mut noise = generator();
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: 48_000,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut wav = hound::WavWriter::create(path, spec).unwrap();
    for _ in 0..12 * 48_000 {
        let common = 4e6 * noise();
        for _ in 0..2 {
            wav.write_sample((common + 4e3 * noise()) as i32).unwrap();
        }
    }
    wav.finalize().unwrap();
    path.to_string_lossy().into_owned()
}

/// A capture of one tone, the right channel 3 us late, with noise 60 dB below it.
fn one_tone(path: &Path, hertz: f64) -> String {
    let mut noise = generator();
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: 48_000,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut wav = hound::WavWriter::create(path, spec).unwrap();
    for k in 0..6 * 48_000 {
        let seconds = f64::from(k) / 48_000.0;
        for late in [0.0, 3e-6] {
            let tone = (std::f64::consts::TAU * hertz * (seconds - late)).sin();
            wav.write_sample((4e6 * tone + 1e4 * noise()) as i32)
                .unwrap();
        }
    }
    wav.finalize().unwrap();
    path.to_string_lossy().into_owned()
}

/// White noise within a half either way, by Knuth's MMIX generator.
fn generator() -> impl FnMut() -> f64 {
    let mut state = 1_u64;
    move || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 40) as f64 / 16_777_216.0 - 0.5
    }
}

/// Document and page of one run.
fn page(folder: &Path, arguments: &[&str]) -> (Value, String) {
    let mut all = arguments.to_vec();
    all.extend(["--json", "--force", "--report", "page.html"]);
    let output = run(folder, &all);
    let error = String::from_utf8_lossy(&output.stderr);
    assert!(
        matches!(output.status.code(), Some(0 | 1)),
        "{arguments:?}: {error}"
    );
    (
        serde_json::from_slice(&output.stdout).unwrap(),
        std::fs::read_to_string(folder.join("page.html")).unwrap(),
    )
}

/// Every command's document and page, with its name.
fn pages(folder: &Path) -> Vec<(&'static str, Value, String)> {
    let (example, job) = (signals("example.wav"), signals("workshop/job.toml"));
    let ball = signals("workshop/workshop-ball.wav");
    let cable = fed_by_cable(&folder.join("cable.wav"));
    let place = ["--radius", "72.1..71.9", "--rpm", "33"];
    let with = |first: &[&'static str], rest: &[&str]| -> Vec<String> {
        first.iter().chain(rest).map(|s| (*s).to_owned()).collect()
    };
    let commands: Vec<(&str, Vec<String>)> = vec![
        (
            "measure",
            with(
                &[
                    "measure",
                    "--tolerance",
                    "5",
                    "--arm",
                    "tangential",
                    "--stylus",
                    "elliptical:18x8",
                ],
                &[&[example.as_str()], &place[..]].concat(),
            ),
        ),
        (
            "ball",
            with(
                &["measure", "--stylus", "spherical:18"],
                &[&[ball.as_str()], &place[..]].concat(),
            ),
        ),
        ("solve", with(&["solve"], &[&job])),
        (
            "compare",
            with(
                &["compare", "--before", "found", "--after", "corrected"],
                &[&job],
            ),
        ),
        ("check", with(&["check"], &[&job])),
        (
            "calibrate",
            with(
                &[
                    "calibrate",
                    "-o",
                    "chain.toml",
                    "--date",
                    "2026-01-31",
                    "--common",
                ],
                &[&cable],
            ),
        ),
    ];
    commands
        .into_iter()
        .map(|(name, arguments)| {
            let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
            let (document, html) = page(folder, &arguments);
            (name, document, html)
        })
        .collect()
}

/// The value of an attribute within a tag.
fn attribute<'a>(tag: &'a str, name: &str) -> Option<&'a str> {
    let (_, rest) = tag.split_once(&format!(" {name}=\""))?;
    rest.split_once('"').map(|(value, _)| value)
}

/// The opening tags of a kind: what stands between `<name` and `>`.
fn tags<'a>(html: &'a str, name: &str) -> Vec<&'a str> {
    html.split(&format!("<{name}"))
        .skip(1)
        .filter(|rest| rest.starts_with([' ', '>']))
        .map(|rest| rest.split_once('>').unwrap().0)
        .collect()
}

/// Holds every number that the page says is the document's against it; returns
/// the places that were held.
fn held(document: &Value, html: &str) -> Result<BTreeSet<String>, String> {
    let mut places = BTreeSet::new();
    for element in html.split("<data ").skip(1) {
        let (tag, rest) = element.split_once('>').unwrap();
        let tag = format!(" {tag}");
        let shown = rest.split_once("</data>").unwrap().0;
        let place = attribute(&tag, "data-json").unwrap();
        let value: f64 = attribute(&tag, "value").unwrap().parse().unwrap();
        let known = document.pointer(place).and_then(Value::as_f64);
        if known != Some(value) {
            return Err(format!(
                "{place}: {known:?} in the document, {value} on the page"
            ));
        }
        let scale: f64 = attribute(&tag, "data-scale").map_or(1.0, |s| s.parse().unwrap());
        let text = shown.replace('\u{2212}', "-");
        // what would round to certainty is words
        let words = [
            ("more than 99.9 %", value > 0.999),
            ("less than 0.1 %", value < 0.001),
        ];
        if let Some((_, true)) = words.iter().find(|(words, _)| *words == text) {
            places.insert(place.to_owned());
            continue;
        }
        let read: f64 = text
            .trim_start_matches('+')
            .parse()
            .map_err(|_| format!("{place}: '{shown}'"))?;
        let decimals = text.split_once('.').map_or(0, |(_, d)| d.len());
        // rounded to its last digit; a direction in words may stand for the sign
        let half = 0.5 * 10f64.powi(-(decimals as i32)) * (1.0 + 1e-9);
        let signed = text.starts_with(['-', '+']);
        let off = if signed {
            read - scale * value
        } else {
            read - scale * value.abs()
        };
        if off.abs() > half {
            return Err(format!("{place}: {value} is shown as {shown}"));
        }
        places.insert(place.to_owned());
    }
    Ok(places)
}

#[test]
fn numbers_on_a_page_are_those_of_the_document() {
    let folder = tempfile::tempdir().unwrap();
    let expected: BTreeMap<&str, &[&str]> = BTreeMap::from([
        (
            "measure",
            &[
                "/rotation_deg/value",
                "/rotation_deg/lower",
                "/rotation_deg/standard_uncertainty",
                "/conformity/probability",
                "/conformity/tolerance_deg",
                "/delay_us/value",
                "/budget/0/share",
                "/correction/turn_deg",
                "/correction/mounting_hole_mm",
            ][..],
        ),
        (
            "ball",
            &[
                "/cut_rotation_deg/value",
                "/cut_rotation_deg/upper",
                "/budget/0/standard_uncertainty",
            ],
        ),
        (
            "solve",
            &[
                "/setups/0/rotation_deg/value",
                "/setups/1/rotation_deg/upper",
                "/setups/0/zero_setting_deg/value",
                "/setups/0/conformity/probability",
                "/captures/7/predicted_us",
                "/captures/0/normalized_residual",
                "/records/0/cut_rotation_deg/value",
                "/cartridges/1/lever_um/value",
                "/chains/0/skew_us/value",
                "/fit/chi_square",
                "/basis/inputs/0/shares/found",
                "/basis/inputs/8/shares/corrected",
                "/basis/other_shares/assumed/found",
            ],
        ),
        (
            "compare",
            &[
                "/change_deg/value",
                "/change_deg/lower",
                "/remaining_deg/value",
                "/probability_improved",
            ],
        ),
        ("check", &["/passed", "/failed", "/undecided", "/unusable"]),
        (
            "calibrate",
            &[
                "/common/skew_us/value",
                "/common/balance_db/value",
                "/common/parts/2/difference_percent/value",
                "/band_hz/1",
            ],
        ),
    ]);
    for (name, document, html) in pages(folder.path()) {
        let places = held(&document, &html).unwrap_or_else(|e| panic!("{name}: {e}"));
        for place in expected[name] {
            assert!(
                places.contains(*place),
                "{name}: {place} is not on the page"
            );
        }
        // the comparison can fail: one digit of one number changed on the page
        let place = expected[name][0];
        let at = html.find(&format!("data-json=\"{place}\"")).unwrap();
        let digit = at + html[at..].find('>').unwrap() + 1;
        let digit = digit + html[digit..].find(|c: char| c.is_ascii_digit()).unwrap();
        let other = if &html[digit..=digit] == "7" {
            "3"
        } else {
            "7"
        };
        let wrong = format!("{}{other}{}", &html[..digit], &html[digit + 1..]);
        assert!(held(&document, &wrong).is_err(), "{name}");
    }
}

#[test]
fn a_page_is_whole_private_and_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let repository = env!("CARGO_MANIFEST_DIR");
    for (name, _, html) in pages(folder.path()) {
        // nothing is fetched and nothing runs
        let lower = html.to_lowercase();
        for never in [
            "<script",
            " src=",
            "url(",
            "@import",
            "<link",
            "<iframe",
            "<object",
            "http:",
            "https:",
            "//",
            "javascript:",
        ] {
            assert!(!lower.contains(never), "{name}: {never}");
        }
        for target in html.split("href=\"").skip(1) {
            let id = target.split('"').next().unwrap().strip_prefix('#').unwrap();
            assert!(html.contains(&format!(" id=\"{id}\"")), "{name}: #{id}");
        }
        // no folder of ours
        assert!(!html.contains(repository), "{name}");
        assert!(!html.contains("test-signals"), "{name}");
        assert!(!html.contains(&*folder.path().to_string_lossy()), "{name}");
        // every picture has a name and a description with figures
        let pictures = tags(&html, "svg");
        assert!(!pictures.is_empty());
        for tag in &pictures {
            assert_eq!(attribute(tag, "role"), Some("img"), "{name}");
            let [title, description] = ["-t", "-d"].map(|end| {
                let ids = attribute(tag, "aria-labelledby").unwrap();
                let id = ids.split(' ').find(|id| id.ends_with(end)).unwrap();
                let (_, rest) = html.split_once(&format!("id=\"{id}\">")).unwrap();
                rest.split_once('<').unwrap().0
            });
            assert!(title.len() > 5 && description.len() > 20, "{name}: {title}");
            assert!(
                description.contains(|c: char| c.is_ascii_digit()),
                "{name}: {description}"
            );
        }
        // ids are unique
        let ids: Vec<&str> = html
            .split(" id=\"")
            .skip(1)
            .map(|r| r.split('"').next().unwrap())
            .collect();
        assert_eq!(
            ids.iter().collect::<BTreeSet<_>>().len(),
            ids.len(),
            "{name}"
        );
        // headings begin with one h1 and never skip a level downwards
        let mut level = 0;
        for (at, _) in html.match_indices("<h") {
            let Some(next) = html[at + 2..].chars().next().and_then(|c| c.to_digit(10)) else {
                continue;
            };
            assert!(next <= level + 1, "{name}: h{next} after h{level}");
            assert!(next > 1 || level == 0, "{name}: a second h1");
            level = next;
        }
        // tables have heads, and every head says of what
        for table in html.split("<table").skip(1) {
            let table = table.split("</table>").next().unwrap();
            assert!(table.contains("<caption>"), "{name}");
            let heads = tags(table, "th");
            assert!(!heads.is_empty(), "{name}");
            assert!(
                heads.iter().all(|h| attribute(h, "scope").is_some()),
                "{name}"
            );
        }
        assert!(html.contains("<html lang=\"en\">") && html.contains("name=\"viewport\""));
    }
}

#[test]
fn a_page_about_a_tolerance_says_what_a_supplier_must_know() {
    let folder = tempfile::tempdir().unwrap();
    let example = signals("example.wav");
    let arguments = [
        "measure",
        &example,
        "--radius",
        "72",
        "--rpm",
        "33",
        "--tolerance",
        "5",
    ];
    let (_, html) = page(folder.path(), &arguments);
    for says in [
        "JCGM 106",
        "Tolerance",
        "Measured value",
        "Expanded uncertainty",
        "Decision rule",
        "Probability of conformity",
        "The maker's own inspection, or a microscope, decides",
        "SHA-256",
        "effective angle",
    ] {
        assert!(html.contains(says), "{says}");
    }
    // the order: answer, what to do, evidence, conditions
    let order = [
        "id=\"answer\"",
        "id=\"what-to-do\"",
        "id=\"evidence\"",
        "id=\"conditions\"",
    ];
    let places: Vec<usize> = order.iter().map(|id| html.find(id).unwrap()).collect();
    assert!(places.is_sorted());
}

/// A report to others has what ISO/IEC 17025:2017, 7.8.2, lists (from memory), in the job's
/// words, and says what is missing.
#[test]
fn a_report_says_who_measured_what_and_by_which_means() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job.toml");
    let text = "format = 1\noperator = \"A. Nonymous\"\n[report]\nnumber = \"2026-007\"\narm = \"9 inches\"\n\
         [[instrument]]\nname = \"steel rule\"\nmeasures = \"radius\"\ncertificate = \"invented 4711\"\n\
         [limits]\ntolerance_deg = 5\ntolerance_source = \"an invented data sheet\"\n\
         [setup.s]\narm = \"tangential\"\nmounting_deg = { value = 0, u = 0.1 }\n\
         [[capture]]\ndelay_us = { value = 1, u = 0.01 }\nradius_mm = 70\nrpm = 33\n";
    std::fs::write(&job, text).unwrap();
    let (document, html) = page(folder.path(), &["solve", &job.to_string_lossy()]);
    for says in [
        "2026-007",
        "A. Nonymous",
        "9 inches",
        "tangential: no tracking error",
        "none: delays that were given",
        "Nothing here identifies the item",
        "which no recording checks: mounting of the cartridge body",
        "<caption>Instruments behind the stated figures</caption>",
        "invented 4711",
        "either way; from: an invented data sheet",
        "(specific consumer's risk)",
        "Not stated: laboratory, address, customer, item,",
        "Approved by: not stated",
        "<h2>For the operator</h2>",
    ] {
        assert!(html.contains(says), "{says}");
    }
    // the verdict is about the angle to the body, and stands with it
    let (_, body) = html.split_once("Relative to the cartridge body").unwrap();
    let (body, _) = body.split_once("</p>").unwrap();
    assert!(
        body.contains("<strong>within</strong> the tolerance"),
        "{body}"
    );
    let stated = &document["basis"]["stated"];
    assert_eq!(stated["instrument.1.certificate"], "invented 4711");
    assert_eq!(stated["limits.tolerance_source"], "an invented data sheet");
    // readings are evaluated by statistics, what is assumed is not
    let budget = document["setups"][0]["budget"].as_array().unwrap();
    for line in budget {
        let readings = line["source"] == "random part of the delay readings";
        assert_eq!(line["evaluation"] == "A", readings, "{line}");
    }
    assert!(budget.iter().any(|line| line["evaluation"] == "A"));
    // a mounting without uncertainty is one of the statements too
    std::fs::write(&job, text.replace("u = 0.1 }", "u = 0 }")).unwrap();
    let (_, exact) = page(folder.path(), &["solve", &job.to_string_lossy()]);
    assert!(exact.contains("which no recording checks: its mounting, taken as exact."));
    // words that contradict the calculation cost the verdict
    let contradiction = text.replace("9 inches", "pivoted, 9 inches");
    std::fs::write(&job, contradiction).unwrap();
    let doubted = run(folder.path(), &["solve", &job.to_string_lossy(), "--json"]);
    assert_eq!(doubted.status.code(), Some(1));
    let doubted: Value = serde_json::from_slice(&doubted.stdout).unwrap();
    assert!(doubted["setups"][0]["conformity"].is_null());
    let mut codes = doubted["warnings"].as_array().unwrap().iter();
    assert!(codes.any(|w| w["code"] == "report-differs"));
    for (wrong, words) in [
        (
            text.replace("name = \"steel rule\"\n", ""),
            "'name' is missing",
        ),
        (text.replace("tolerance_deg = 5\n", ""), "none is stated"),
    ] {
        std::fs::write(&job, wrong).unwrap();
        let refused = run(folder.path(), &["solve", &job.to_string_lossy()]);
        assert_eq!(refused.status.code(), Some(2));
        assert!(
            String::from_utf8_lossy(&refused.stderr).contains(words),
            "{words}"
        );
    }
}

/// Relative luminance and contrast as WCAG 2.2 defines them.
fn contrast(a: &str, b: &str) -> f64 {
    let luminance = |hex: &str| {
        let channel = |k: usize| {
            let c = f64::from(u8::from_str_radix(&hex[1 + 2 * k..3 + 2 * k], 16).unwrap()) / 255.0;
            if c <= 0.04045 {
                c / 12.92
            } else {
                ((c + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * channel(0) + 0.7152 * channel(1) + 0.0722 * channel(2)
    };
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

#[test]
fn words_and_lines_stand_out_from_what_they_stand_on() {
    // two pairs that WebAIM's checker gives: 21 and 4.48 (#777777 on white)
    assert!((contrast("#ffffff", "#000000") - 21.0).abs() < 1e-9);
    assert!((contrast("#777777", "#ffffff") - 4.48).abs() < 0.005);
    let folder = tempfile::tempdir().unwrap();
    let (_, html) = page(folder.path(), &["check", &signals("workshop/job.toml")]);
    let style = html
        .split_once("<style>")
        .unwrap()
        .1
        .split_once("</style>")
        .unwrap()
        .0;
    let mut schemes = 0;
    for block in style.split(":root{").skip(1) {
        let block = block.split_once('}').unwrap().0;
        let colours: BTreeMap<&str, &str> = block
            .split(';')
            .filter_map(|d| d.trim().split_once(':'))
            .collect();
        for paper in ["--paper", "--panel"] {
            for ink in ["--ink", "--muted", "--first", "--second", "--third"] {
                let found = contrast(colours[ink], colours[paper]);
                assert!(found >= 4.5, "{ink} on {paper}: {found:.2} in {block}");
            }
        }
        schemes += 1;
    }
    // light, dark, print
    assert_eq!(schemes, 3);
    // pictures by themselves are on white
    let (_, html) = page(folder.path(), &["solve", &signals("workshop/job.toml")]);
    let used: BTreeSet<&str> = ["fill=\"#", "stroke=\"#"]
        .iter()
        .flat_map(|key| html.split(key).skip(1).map(|rest| &rest[..6]))
        .collect();
    for colour in used {
        // the lines to read values by are no information
        if colour != "D3D9DE" {
            assert!(
                contrast(&format!("#{colour}"), "#ffffff") >= 4.5,
                "{colour}"
            );
            let rule = format!("svg [fill=\"#{colour}\"]");
            assert!(html.contains(&rule), "{colour} has no colour of the page");
        }
    }
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let job = signals("workshop/job.toml");
    let files = ["page.html", "phase.svg", "turns.svg", "contact.png"];
    let made: Vec<Vec<Vec<u8>>> = ["1", "2"]
        .iter()
        .map(|threads| {
            let folder = tempfile::tempdir().unwrap();
            let output = run(
                folder.path(),
                &[
                    "solve",
                    &job,
                    "--threads",
                    threads,
                    "--report",
                    "page.html",
                    "--plot",
                    "phase=phase.svg",
                    "--plot",
                    "turns=turns.svg",
                    "--plot",
                    "contact=contact.png",
                ],
            );
            assert_eq!(
                output.status.code(),
                Some(0),
                "{}",
                String::from_utf8_lossy(&output.stderr)
            );
            files
                .iter()
                .map(|f| std::fs::read(folder.path().join(f)).unwrap())
                .collect()
        })
        .collect();
    for (k, file) in files.iter().enumerate() {
        assert!(made[0][k] == made[1][k], "{file} differs");
    }
    let png = &made[0][3];
    assert_eq!(&png[..8], b"\x89PNG\r\n\x1a\n");
    // width of 440 units at 4 steps a unit
    assert_eq!(u32::from_be_bytes(png[16..20].try_into().unwrap()), 1760);
    let svg = String::from_utf8(made[0][1].clone()).unwrap();
    assert!(svg.starts_with("<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\""));
    assert!(svg.contains("<title id=\"t\">Phase against frequency"));
}

#[test]
fn files_appear_whole_or_not_at_all() {
    let folder = tempfile::tempdir().unwrap();
    let example = signals("example.wav");
    let place = ["measure", &example, "--radius", "72", "--rpm", "33"];
    let with = |more: &[&str]| run(folder.path(), &[&place[..], more].concat());
    let refused = |output: Output, says: &str| {
        let error = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{error}");
        assert!(error.contains(says), "{error}");
    };
    // a picture that these data do not support: the others are not written either
    refused(
        with(&["--report", "a.html", "--plot", "turns=b.svg"]),
        "this result has no picture 'turns'; choose from: contact, budget",
    );
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    refused(with(&["--plot", "dial=b.svg"]), "no picture 'dial'");
    refused(with(&["--plot", "phase=b.pdf"]), "must end in .svg or .png");
    refused(
        with(&["--plot", "phase=b.svg", "--plot", "along=b.svg"]),
        "named twice",
    );
    let older = "<p class=\"made\">groovelag 0.0.1</p>";
    std::fs::write(folder.path().join("a.html"), older).unwrap();
    refused(with(&["--report", "a.html"]), "already exists");
    assert_eq!(
        std::fs::read_to_string(folder.path().join("a.html")).unwrap(),
        older
    );
    assert!(with(&["--report", "a.html", "--force"]).status.success());
    let written = std::fs::read_to_string(folder.path().join("a.html")).unwrap();
    assert!(written.starts_with("<!DOCTYPE html>") && written.ends_with("</html>\n"));
}

#[test]
fn help_lists_every_picture_of_every_page() {
    let folder = tempfile::tempdir().unwrap();
    let output = run(folder.path(), &["solve", "--plot", "help"]);
    assert!(output.status.success());
    let help = String::from_utf8(output.stdout).unwrap();
    for (name, _, html) in pages(folder.path()) {
        for figure in tags(&html, "figure") {
            let id = attribute(figure, "id").unwrap();
            let kind = id.trim_end_matches(|c: char| c.is_ascii_digit());
            let kind = if kind == id {
                id
            } else {
                kind.trim_end_matches('-')
            };
            let listed = help
                .lines()
                .any(|l| l.split_whitespace().next() == Some(kind));
            assert!(listed, "{name}: {id}");
        }
    }
}

/// A WAV file that says who made it and where.
fn signed_recording(path: &Path) {
    let example = std::fs::read(signals("example.wav")).unwrap();
    let artist = recordings::chunk(b"IART", b"Somebody Unnamed\0");
    let info = [b"INFO".to_vec(), artist].concat();
    let mut bytes = example;
    bytes.extend(recordings::chunk(b"LIST", &info));
    let size = (bytes.len() - 8) as u32;
    bytes[4..8].copy_from_slice(&size.to_le_bytes());
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn folders_and_originators_stay_private() {
    let folder = tempfile::tempdir().unwrap();
    let secret = folder.path().join("secret place");
    std::fs::create_dir(&secret).unwrap();
    let wav = secret.join("band.wav");
    signed_recording(&wav);
    let job = |file: &Path, name: &str| -> PathBuf {
        let path = secret.join(name);
        let text = format!(
            "format = 1\nnote = \"from {0}\"\n[cartridge.c]\n[record.r]\n[chain.k]\n[setup.s]\ncartridge = \"c\"\n[[capture]]\nfile = \"{0}\"\nsetup = \"s\"\nrecord = \"r\"\nchain = \"k\"\nradius_mm = 72\nrpm = 33\n",
            file.display()
        );
        std::fs::write(&path, text).unwrap();
        path
    };
    let good = job(&wav, "job.toml");
    let broken = job(&secret.join("missing.wav"), "broken.toml");
    let text = |path: &Path| path.to_string_lossy().into_owned();
    let (wav, good, broken) = (text(&wav), text(&good), text(&broken));
    let place = ["--radius", "72", "--rpm", "33"];
    let shown = |arguments: &[&str]| {
        let mut all = arguments.to_vec();
        all.extend(["--force", "--report", "page.html"]);
        run(folder.path(), &all);
        let html = std::fs::read_to_string(folder.path().join("page.html")).unwrap();
        std::fs::remove_file(folder.path().join("page.html")).unwrap();
        html
    };
    let measure = [&["measure", &wav][..], &place].concat();
    let cable = fed_by_cable(&secret.join("cable.wav"));
    for (arguments, name) in [
        (measure.clone(), "band.wav"),
        (vec!["solve", &good], "band.wav"),
        (vec!["check", &good, &broken], "broken.toml"),
        (
            vec!["calibrate", "-o", "c.toml", "--common", &cable],
            "cable.wav",
        ),
    ] {
        let html = shown(&arguments);
        assert!(html.contains(name), "{arguments:?}");
        assert!(!html.contains("secret"), "{arguments:?}");
        assert!(!html.contains("Unnamed"), "{arguments:?}");
    }
    let asked = shown(&[&measure[..], &["--report-metadata"]].concat());
    assert!(asked.contains("Somebody Unnamed") && !asked.contains("secret"));
}

/// An hour from standard input, at a low rate to be quick: the page has no more
/// points than that of a minute.
#[test]
fn a_page_of_an_hour_stays_small() {
    const RATE: usize = 16_000;
    let folder = tempfile::tempdir().unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .current_dir(folder.path())
        .args([
            "measure",
            "-",
            "--radius",
            "146..60",
            "--rpm",
            "33",
            "--raw",
            "s16le,16000,2",
        ])
        .args(["--band", "100..7000", "--report", "page.html"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = child.stdin.take().unwrap();
    let mut noise = generator();
    for _ in 0..60 * 60 {
        let mut second = Vec::with_capacity(4 * RATE);
        for _ in 0..RATE {
            let common = 16_000.0 * noise();
            for _ in 0..2 {
                let value = (common + 600.0 * noise()) as i16;
                second.extend_from_slice(&value.to_le_bytes());
            }
        }
        input.write_all(&second).unwrap();
    }
    drop(input);
    let output = child.wait_with_output().unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let html = std::fs::read_to_string(folder.path().join("page.html")).unwrap();
    assert!(html.contains("of 3600.00"));
    assert!(html.contains("id=\"along\""));
    // a tenth of what is allowed, since one recording is a tenth of those shown
    assert!(html.len() < 100_000, "{} bytes", html.len());
}

#[test]
fn text_is_composed_for_its_terminal() {
    let folder = tempfile::tempdir().unwrap();
    let job = signals("workshop/job.toml");
    let output = run(folder.path(), &["solve", &job, "--json"]);
    let document: SolutionDocument = serde_json::from_slice(&output.stdout).unwrap();
    let mut heights = Vec::new();
    for width in [40, 80, 120] {
        let text = solution_text(&document.content, Some("Title"), width);
        for line in text.lines() {
            // a name that is longer than a line cannot be broken
            let unbroken = line.split_whitespace().any(|w| w.len() > 16);
            assert!(line.chars().count() <= width || unbroken, "{width}: {line}");
        }
        heights.push(text.lines().count());
    }
    assert!(heights.is_sorted_by(|a, b| a > b), "{heights:?}");
}

#[test]
fn sketches_are_drawn_on_request_alone() {
    let folder = tempfile::tempdir().unwrap();
    let (example, job) = (signals("example.wav"), signals("workshop/job.toml"));
    let cable = fed_by_cable(&folder.path().join("cable.wav"));
    let blocks = |c: char| ('\u{2580}'..='\u{259f}').contains(&c);
    for arguments in [
        vec!["measure", &example, "--radius", "72", "--rpm", "33"],
        vec!["solve", &job],
        vec!["compare", &job, "--before", "found", "--after", "corrected"],
        vec!["check", &job],
        vec!["calibrate", "--force", "-o", "c.toml", "--common", &cable],
    ] {
        let text = |more: &[&str]| {
            let output = run(folder.path(), &[&arguments[..], more].concat());
            String::from_utf8(output.stdout).unwrap()
        };
        let (plain, sketched) = (text(&[]), text(&["--sketch"]));
        assert!(!plain.contains(blocks), "{arguments:?}");
        assert!(sketched.contains(blocks), "{arguments:?}: {sketched}");
        assert!(sketched.starts_with(&plain), "{arguments:?}");
    }
}

/// Nothing is known of the phase beside a tone; its page and its picture are drawn all the
/// same, with bars that reach no further than a circle goes.
#[test]
fn a_tone_has_its_page_and_its_picture() {
    let folder = tempfile::tempdir().unwrap();
    let place = ["--radius", "72", "--rpm", "33"];
    for hertz in [300.0, 1000.0, 3150.0] {
        let tone = one_tone(&folder.path().join("tone.wav"), hertz);
        let measure = [&["measure", tone.as_str()][..], &place].concat();
        let (_, html) = page(folder.path(), &measure);
        assert!(html.contains("Phase against frequency"), "{hertz}");
        let plot = [&measure[..], &["--plot", "phase=phase.svg", "--force"]].concat();
        let drawn = run(folder.path(), &plot);
        assert!(matches!(drawn.status.code(), Some(0 | 1)), "{drawn:?}");
        let svg = std::fs::read_to_string(folder.path().join("phase.svg")).unwrap();
        let numbers = svg.split(['>', '<']).filter_map(|text| {
            let text = text.replace('\u{2212}', "-");
            text.parse::<f64>().ok()
        });
        // the standard deviation of any angle is 104 degrees, a residual at most 180
        let largest = numbers.map(f64::abs).fold(0.0, f64::max);
        assert!(largest > 0.0 && largest < 1000.0, "{hertz}: {largest}");
    }
}

/// Text with single blanks, tags of HTML and its entities taken out.
fn flat(text: &str) -> String {
    let mut out = String::new();
    let mut inside = false;
    for c in text.chars() {
        match c {
            '<' => inside = true,
            '>' => inside = false,
            '\u{2212}' => out.push('-'),
            _ if !inside => out.push(c),
            _ => {}
        }
    }
    let out = out.replace("&#39;", "'").replace("&quot;", "\"");
    let out = out
        .replace("&gt;", ">")
        .replace("&lt;", "<")
        .replace("&amp;", "&");
    out.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Text and page give the same instruction, sentence by sentence: a turn, a large turn, a
/// setup that a later one supersedes, nothing to turn, and a result in doubt.
#[test]
fn text_and_page_instruct_alike() {
    let folder = tempfile::tempdir().unwrap();
    let capture = |setup: &str, delay: f64, turn: f64| {
        format!(
            "[[capture]]\ndelay_us = {{ value = {delay}, u = 0.005 }}\nsetup = \"{setup}\"\nradius_mm = 70\nrpm = 33\nturn_deg = {turn}\n"
        )
    };
    let head = "format = 1\n[limits]\ntolerance_deg = 5\n[cartridge.a]\nprofile = \"elliptical\"\nfrontal_radius_um = 18\nside_radius_um = 8\n[setup.x]\narm = \"tangential\"\naligned = \"gauge\"\n";
    for (more, captures, orders) in [
        ("", capture("x", 4.0, 0.0), vec!["Turn the cartridge 4"]),
        ("", capture("x", 8.0, 0.0), vec!["A turn this large"]),
        (
            "",
            capture("x", 0.3, 0.0),
            vec!["Leave the cartridge as it is: the stylus may"],
        ),
        (
            "",
            capture("x", 4.0, 0.0) + &capture("x", 8.1, 4.0) + &capture("x", 0.0, -4.0),
            vec!["The last recording was made with the cartridge turned by a known angle"],
        ),
        (
            "[setup.y]\narm = \"tangential\"\n",
            capture("x", 4.0, 0.0) + &capture("y", 0.2, 0.0),
            vec!["Nothing here: setup 'y' was recorded later"],
        ),
        (
            "",
            capture("x", 4.0, 0.0) + &capture("x", 7.9, -4.0) + &capture("x", 0.1, 4.0),
            vec!["Turn nothing until the doubt is resolved"],
        ),
    ] {
        std::fs::write(
            folder.path().join("job.toml"),
            format!("{head}{more}{captures}"),
        )
        .unwrap();
        let arguments = ["solve", "job.toml", "--report", "page.html", "--force"];
        let output = run(folder.path(), &arguments);
        let text = String::from_utf8(output.stdout).unwrap();
        let page = std::fs::read_to_string(folder.path().join("page.html")).unwrap();
        let advice = page.split("id=\"what-to-do\"").nth(1).unwrap();
        let advice = flat(&advice[..advice.find("</section>").unwrap()]);
        for order in orders {
            assert!(flat(&text).contains(order), "{order}: {text}");
        }
        // every instruction of the text, up to what follows it there
        let instructions: Vec<&str> = text.split("  What to do    ").skip(1).collect();
        assert!(!instructions.is_empty(), "{text}");
        for instruction in instructions {
            let whole = &instruction[..instruction.find("\n  What limits it").unwrap()];
            for sentence in flat(whole).split(". ") {
                let sentence = sentence.trim_end_matches('.');
                assert!(advice.contains(sentence), "{sentence}\nis not in\n{advice}");
            }
        }
        let doubted = text.starts_with("In doubt: ");
        assert_eq!(page.contains("class=\"doubt\""), doubted);
    }
}
