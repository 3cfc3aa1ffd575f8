//! The warnings: docs/warnings.md is made from their table, and every one of them is
//! asserted by a test. GROOVELAG_UPDATE=1 writes the document anew.

use groovelag::uncertainty::{Level, Rule, Warning};
use std::fs;
use std::path::{Path, PathBuf};

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn word(level: Level) -> &'static str {
    match level {
        Level::Note => "note",
        Level::Caution => "caution",
        Level::Serious => "serious",
    }
}

/// A number as people write it: with a power of ten where many zeros would lead.
fn number(value: f64) -> String {
    match value.abs() {
        0.0 => "0".into(),
        v if v >= 1e-3 => format!("{value}"),
        _ => format!("{value:e}"),
    }
}

fn levels_and_thresholds(rule: Rule) -> [String; 2] {
    let each = |levels: &[(Level, f64)], side: &str| {
        let words: Vec<&str> = levels.iter().map(|l| word(l.0)).collect();
        let numbers: Vec<String> = levels.iter().map(|l| number(l.1)).collect();
        [
            words.join(", "),
            format!("{side} {}", numbers.join(&format!(", {side} "))),
        ]
    };
    match rule {
        Rule::Seen(level) => [word(level).into(), "seen or not".into()],
        Rule::Above(levels) => each(levels, "above"),
        Rule::Below(levels) => each(levels, "below"),
        Rule::Outside(level, least, most) => [
            word(level).into(),
            format!("outside {} to {}", number(least), number(most)),
        ],
    }
}

fn document() -> String {
    let mut text = String::from(
        "# Warnings

Every doubt that a document, a page or the terminal shows has a code, a level and a message. A
*note* is worth knowing. A *caution* says that the result may be less good than its band. A
*serious* one says not to use the result before it is resolved: no verdict and no turn is given,
and the exit status is 1.

This table is made from the program's own (`uncertainty::Warning`), which is what decides. *u* is
the standard uncertainty of the result that the warning stands beside. A threshold must be passed;
of several, each belongs to the level in the same place.

| code | level | judged by | threshold | law or source | effect on the result | what to do |
|---|---|---|---|---|---|---|
",
    );
    for warning in Warning::ALL {
        let d = warning.definition();
        let [levels, thresholds] = levels_and_thresholds(d.rule);
        text += &format!(
            "| `{}` | {levels} | {} | {thresholds} | {} | {} | {} |\n",
            d.code, d.statistic, d.law, d.effect, d.advice
        );
    }
    text
}

#[test]
fn the_document_is_the_table() {
    let text = document();
    let path = root().join("docs/warnings.md");
    if std::env::var_os("GROOVELAG_UPDATE").is_some() {
        fs::write(&path, &text).unwrap();
    }
    let published = fs::read_to_string(&path).unwrap_or_default();
    assert_eq!(published, text, "stale: run with GROOVELAG_UPDATE=1");
    // what is said stays within its cell
    for row in text.lines().filter(|l| l.starts_with("| `")) {
        assert_eq!(row.matches('|').count(), 8, "{row}");
        assert!(!row.contains("|  |"), "{row}");
    }
}

fn rust_files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            rust_files(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

/// The source under src (this table's own aside) without tests, and all tests, each from its
/// `#[test]` to the next.
fn source_and_tests() -> (String, Vec<String>) {
    let mut files = Vec::new();
    rust_files(&root().join("src"), &mut files);
    rust_files(&root().join("tests"), &mut files);
    let table = root().join("src/uncertainty/warning.rs");
    let (mut source, mut tests) = (String::new(), Vec::new());
    for path in files {
        if path == table || path.ends_with("tests/warnings.rs") {
            continue;
        }
        let text = fs::read_to_string(&path).unwrap();
        let mut parts = text.split("#[test]");
        let before = parts.next().unwrap();
        if path.starts_with(root().join("src")) {
            source += before.split("#[cfg(test)]").next().unwrap();
        }
        tests.extend(parts.map(str::to_owned));
    }
    (source, tests)
}

/// Whether a text names a warning, as a variant or by its code.
fn names(text: &str, warning: Warning) -> bool {
    let variant = format!("Warning::{warning:?}");
    let whole = |rest: &str| !rest.starts_with(|c: char| c.is_alphanumeric());
    let quoted = format!("\"{warning}\"");
    text.match_indices(&variant)
        .any(|(at, _)| whole(&text[at + variant.len()..]))
        || text.contains(&quoted)
}

#[test]
fn every_warning_is_raised_and_asserted() {
    let (source, tests) = source_and_tests();
    let asserting: Vec<&String> = tests.iter().filter(|t| t.contains("assert")).collect();
    assert!(asserting.len() > 300, "{}", asserting.len());
    let raised = |w: &Warning| names(&source, *w);
    let asserted = |w: &Warning| asserting.iter().any(|t| names(t, *w));
    let idle: Vec<&Warning> = Warning::ALL.iter().filter(|w| !raised(w)).collect();
    assert!(idle.is_empty(), "never raised: {idle:?}");
    let untested: Vec<&Warning> = Warning::ALL.iter().filter(|w| !asserted(w)).collect();
    assert!(untested.is_empty(), "without a test: {untested:?}");
}
