//! What README and docs show is what the program does: every console block is
//! run, every job file parses, every link leads somewhere.
//!
//! Each document is tried in a folder of its own that holds `test-signals/` as
//! shipped, `band.wav`, `before.wav` and `after.wav` (invented recordings of
//! ours under the names that an owner would use), for calibration also
//! `cable.wav`, `left.wav` and `right.wav`, for a job of one pass `side.wav`, and every TOML block of the
//! document whose first line is a comment with a file name. Lines that begin
//! with `cargo` are not run here: they build or test the crate itself, and `.ci/run`
//! does so. `TRYCMD=overwrite cargo test --test docs console` writes new output
//! into the documents; look at what changed.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

#[path = "recordings/side.rs"]
mod side;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Every document, relative to the repository.
fn documents() -> Vec<PathBuf> {
    let mut found: Vec<PathBuf> = ["README.md", "DEVELOPERS.md", "test-signals/README.md"]
        .map(PathBuf::from)
        .to_vec();
    for folder in ["docs", "docs/validation"] {
        for entry in fs::read_dir(root().join(folder)).unwrap() {
            let name = entry.unwrap().file_name();
            if Path::new(&name).extension().is_some_and(|e| e == "md") {
                found.push(Path::new(folder).join(name));
            }
        }
    }
    found.sort();
    assert!(found.len() > 8, "{found:?}");
    found
}

fn read(document: &Path) -> String {
    fs::read_to_string(root().join(document)).unwrap()
}

/// Fenced blocks: information string and content.
fn blocks(text: &str) -> Vec<(String, String)> {
    let mut blocks = Vec::new();
    let mut open: Option<(String, String)> = None;
    for line in text.lines() {
        match (&mut open, line.strip_prefix("```")) {
            (None, Some(info)) => open = Some((info.trim().to_owned(), String::new())),
            (Some(_), Some(_)) => blocks.extend(open.take()),
            (Some((_, content)), None) => {
                content.push_str(line);
                content.push('\n');
            }
            (None, None) => {}
        }
    }
    assert!(open.is_none(), "a block is not closed");
    blocks
}

/// The name in the first line of a TOML block: `# job.toml`.
fn named(content: &str) -> Option<&str> {
    let name = content.lines().next()?.strip_prefix("# ")?;
    (name.ends_with(".toml") && !name.contains(' ')).then_some(name)
}

fn copy_folder(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy_folder(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).unwrap();
        }
    }
}

/// Simulates one signal to both inputs, and bands cut into one channel.
fn calibration_signals(at: &Path) {
    for (name, rest) in [
        ("cable", ""),
        (
            "left",
            "[record]\nmodulation = \"left\"\n[cartridge]\ncrosstalk_left_into_right = [0.05, 0]\n",
        ),
        (
            "right",
            "[record]\nmodulation = \"right\"\n[cartridge]\ncrosstalk_right_into_left = [0.05, 0]\n",
        ),
    ] {
        let text = format!(
            "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 8\n[capture]\nradius_mm = 72\nrpm = 33\nsample_rate_hz = 48000\n[delay]\nus = 0\n[chain]\nskew_us = 0.6\n{rest}"
        );
        let recipe = at.join(format!("{name}.recipe"));
        fs::write(&recipe, text).unwrap();
        let made = std::process::Command::new(env!("CARGO_BIN_EXE_groovelag"))
            .arg("simulate")
            .arg(&recipe)
            .arg("-o")
            .arg(at)
            .output()
            .unwrap();
        assert!(made.status.success(), "{made:?}");
    }
}

/// Documents with console blocks that are run; one that loses them all fails.
const SHOWN: &[&str] = &[
    "README.md",
    "docs/calibration.md",
    "docs/ci.md",
    "docs/laboratory.md",
    "docs/library.md",
    "docs/owner.md",
    "docs/page.md",
];

#[test]
fn console_blocks_do_what_they_show() {
    let mut tried = BTreeSet::new();
    let mut failed = Vec::new();
    for document in documents() {
        let text = read(&document);
        if !text.contains("\n```console") {
            continue;
        }
        let folder = tempfile::tempdir().unwrap();
        let at = folder.path();
        let signals = root().join("test-signals");
        copy_folder(&signals, &at.join("test-signals"));
        for (from, name) in [
            ("example.wav", "band.wav"),
            ("workshop/workshop-found.wav", "before.wav"),
            ("workshop/workshop-corrected.wav", "after.wav"),
        ] {
            fs::copy(signals.join(from), at.join(name)).unwrap();
        }
        if text.contains("solve side.toml") {
            side::record(at, "side", "");
        }
        if text.contains("cable.wav") {
            calibration_signals(at);
        }
        for (info, content) in blocks(&text) {
            if let ("toml", Some(name)) = (info.as_str(), named(&content)) {
                fs::create_dir_all(at.join(name).parent().unwrap()).unwrap();
                fs::write(at.join(name), content).unwrap();
            }
        }
        let copy = at.join("document.md");
        fs::write(&copy, &text).unwrap();
        // trycmd runs a document where the process stands; this test alone
        // cares where that is
        std::env::set_current_dir(at).unwrap();
        println!("{}", document.display());
        let outcome = std::panic::catch_unwind(|| {
            trycmd::TestCases::new()
                .register_bin("groovelag", Path::new(env!("CARGO_BIN_EXE_groovelag")))
                .register_bin("cargo", trycmd::schema::Bin::Ignore)
                .case("document.md")
                .run();
        });
        failed.extend(outcome.is_err().then(|| document.clone()));
        std::env::set_current_dir(root()).unwrap();
        let after = fs::read_to_string(&copy).unwrap();
        if after != text {
            fs::write(root().join(&document), after).unwrap();
        }
        tried.insert(document.to_string_lossy().replace('\\', "/"));
    }
    assert!(failed.is_empty(), "{failed:?} show something else");
    assert_eq!(tried, SHOWN.iter().map(|s| (*s).to_owned()).collect());
}

/// Commands that build the crate are those of `.ci/run`, or of these.
#[test]
fn cargo_lines_are_known() {
    let ci = fs::read_to_string(root().join(".ci/run")).unwrap();
    for document in documents() {
        for (info, content) in blocks(&read(&document)) {
            if info != "console" {
                continue;
            }
            for line in content.lines().filter(|l| l.starts_with("$ cargo")) {
                let command = line.trim_start_matches("$ ");
                assert!(
                    ci.contains(&format!("step {command}\n")),
                    "{}: '{command}' is tried nowhere; add it to .ci/run",
                    document.display()
                );
            }
        }
    }
}

#[test]
fn jobs_in_the_documents_are_jobs() {
    let mut jobs = 0;
    for document in documents() {
        for (info, content) in blocks(&read(&document)) {
            if info == "toml" && content.lines().any(|l| l == "format = 1") {
                let misspelt = named(&content).is_some_and(|n| n.starts_with("misspelt"));
                let parsed = groovelag::job::file::parse(&content, &document.to_string_lossy());
                assert_eq!(parsed.is_err(), misspelt, "{parsed:?}");
                jobs += usize::from(!misspelt);
            }
        }
    }
    assert!(jobs >= 4, "{jobs}");
}

/// GitHub's name for a heading's anchor.
fn anchor(heading: &str) -> String {
    heading
        .trim()
        .to_lowercase()
        .chars()
        .filter_map(|c| match c {
            ' ' => Some('-'),
            '-' | '_' => Some(c),
            c if c.is_alphanumeric() => Some(c),
            _ => None,
        })
        .collect()
}

fn anchors(text: &str) -> BTreeSet<String> {
    outside_blocks(text)
        .lines()
        .filter(|l| l.starts_with('#'))
        .map(|l| anchor(l.trim_start_matches('#')))
        .collect()
}

/// The text without fenced blocks and inline code.
fn outside_blocks(text: &str) -> String {
    let mut inside = false;
    let mut out = String::new();
    for line in text.lines() {
        if line.starts_with("```") {
            inside = !inside;
        } else if !inside {
            let parts: Vec<&str> = line.split('`').collect();
            out.extend(parts.iter().step_by(2).copied());
            out.push('\n');
        }
    }
    out
}

/// Targets of `[text](target)`, which may be broken over lines.
fn links(text: &str) -> Vec<String> {
    let text = outside_blocks(text);
    text.match_indices("](")
        .filter_map(|(at, _)| {
            let rest = &text[at + 2..];
            rest.find(')').map(|end| rest[..end].trim().to_owned())
        })
        .collect()
}

/// What is wrong with the links of a text that stands at `document`.
fn dead(document: &Path, text: &str) -> Vec<String> {
    let mut dead = Vec::new();
    for link in links(text) {
        if link.starts_with("https://") || link.starts_with("http://") {
            continue;
        }
        let (path, fragment) = link.split_once('#').unwrap_or((&link, ""));
        let target = if path.is_empty() {
            root().join(document)
        } else {
            root().join(document.parent().unwrap()).join(path)
        };
        let lands = if fragment.is_empty() {
            target.exists()
        } else {
            fs::read_to_string(&target).is_ok_and(|t| anchors(&t).contains(fragment))
        };
        if !lands {
            dead.push(format!("{}: {link}", document.display()));
        }
    }
    dead
}

#[test]
fn links_lead_somewhere() {
    let mut all = Vec::new();
    for document in documents() {
        all.extend(dead(&document, &read(&document)));
    }
    assert!(all.is_empty(), "{all:#?}");
    // and the search can find a dead one
    let planted = "[a](no.md) [b](method.md#nowhere) [c](method.md) `[d](no.md)`";
    assert_eq!(dead(Path::new("docs/x.md"), planted).len(), 2);
}

/// Every document in docs can be reached from the README.
#[test]
fn every_document_is_linked_from_the_readme() {
    let links_of = |page: &str| links(&read(Path::new(page)));
    for document in documents() {
        let name = document.to_string_lossy().replace('\\', "/");
        let (list, link) = match name.strip_prefix("docs/validation/") {
            Some(page) if page != "README.md" => ("docs/validation/README.md", page),
            _ => ("README.md", name.as_str()),
        };
        let linked = name == "README.md" || links_of(list).iter().any(|l| l == link);
        assert!(linked, "{name} is not linked in {list}");
    }
    // its list names each once; the text above may name them too
    let text = read(Path::new("README.md"));
    let list = text.split_once("\n## Documents\n").unwrap().1;
    let mut once = BTreeSet::new();
    for link in self::links(list) {
        assert!(once.insert(link.clone()), "{link} is listed twice");
    }
}

/// docs/licences.md lists the packages of Cargo.lock, all of them from
/// crates.io. `tests/cross-check/licences.py` writes it and holds the licences
/// against what is allowed.
#[test]
fn licences_are_listed() {
    let lock: toml::Table =
        toml::from_str(&fs::read_to_string(root().join("Cargo.lock")).unwrap()).unwrap();
    let mut locked = BTreeSet::new();
    for package in lock["package"].as_array().unwrap() {
        let [name, version] = ["name", "version"].map(|k| package[k].as_str().unwrap());
        if name == "groovelag" {
            continue;
        }
        assert_eq!(
            package.get("source").and_then(toml::Value::as_str),
            Some("registry+https://github.com/rust-lang/crates.io-index"),
            "{name}"
        );
        locked.insert(format!("{name} {version}"));
    }
    let listed: BTreeSet<String> = read(Path::new("docs/licences.md"))
        .lines()
        .filter_map(|line| {
            let cells: Vec<&str> = line.split('|').map(str::trim).collect();
            (cells.len() > 4 && cells[2].starts_with(|c: char| c.is_ascii_digit()))
                .then(|| format!("{} {}", cells[1], cells[2]))
        })
        .collect();
    let differ: Vec<&String> = locked.symmetric_difference(&listed).collect();
    assert!(
        differ.is_empty(),
        "run tests/cross-check/licences.py: {differ:?}"
    );
}
