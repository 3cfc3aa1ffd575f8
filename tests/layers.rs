//! Holds the layering: which module may use which, and where the outside
//! libraries with one home live. It reads the source under src/, comments,
//! strings and test modules aside.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// The arrows: a module, and what it may use of the others. A module that is
/// not listed, or an arrow that is not here, fails the test; adding one is a
/// decision to be made in this table.
const ARROWS: &[(&str, &[&str])] = &[
    // what comes from outside: nearly everybody reads or shows some of it
    ("outside", &[]),
    ("document", &["outside"]),
    ("units", &[]),
    ("uncertainty", &["units"]),
    ("capture", &["units", "uncertainty"]),
    ("spectrum", &["units", "uncertainty"]),
    ("groove", &["units", "uncertainty"]),
    // the side to be cut: synthesises, and correlates marks
    ("side", &["capture", "spectrum"]),
    ("adjust", &["uncertainty"]),
    ("delay", &["spectrum", "adjust", "uncertainty", "units"]),
    (
        "chain",
        &[
            "spectrum",
            "adjust",
            "delay",
            "document",
            "outside",
            "uncertainty",
            "units",
        ],
    ),
    (
        "analysis",
        &[
            "capture",
            "spectrum",
            "delay",
            "chain",
            "uncertainty",
            "units",
        ],
    ),
    (
        "job",
        &[
            "analysis",
            "side",
            "adjust",
            "groove",
            "delay",
            "chain",
            "document",
            "outside",
            "uncertainty",
            "capture",
            "units",
        ],
    ),
    (
        "session",
        &[
            "job",
            "analysis",
            "chain",
            "delay",
            "document",
            "capture",
            "uncertainty",
            "units",
        ],
    ),
    ("check", &["job", "outside", "uncertainty", "units"]),
    (
        "simulate",
        &[
            "groove",
            "capture",
            "document",
            "outside",
            "uncertainty",
            "units",
        ],
    ),
    (
        "report",
        &[
            "document",
            "outside",
            "check",
            "session",
            "job",
            "analysis",
            "simulate",
            "side",
            "chain",
            "delay",
            "groove",
            "spectrum",
            "capture",
            "adjust",
            "uncertainty",
            "units",
        ],
    ),
];

/// Outside libraries with a home of their own. `cli` stands for the binary:
/// src/cli and src/main.rs.
const HOMES: &[(&str, &[&str])] = &[
    ("clap", &["cli"]),
    ("clap_complete", &["cli"]),
    ("clap_mangen", &["cli"]),
    // analysis transforms in one place; the simulator synthesises with its own
    ("rustfft", &["spectrum", "simulate", "side"]),
    ("realfft", &["spectrum"]),
    ("hound", &["capture", "simulate"]),
    ("symphonia", &["capture", "simulate"]),
    ("maud", &["report"]),
    ("plotters", &["report"]),
    ("png", &["report"]),
    ("quick_junit", &["report"]),
    ("globset", &["check"]),
    // the page at the turntable: nothing else serves, waits or needs a secret
    ("tokio", &["cli"]),
    ("hyper", &["cli"]),
    ("hyper_util", &["cli"]),
    ("http_body_util", &["cli"]),
    ("getrandom", &["cli"]),
];

/// One source file and the module it belongs to.
struct Source {
    path: String,
    /// "spectrum", "delay", ...; "cli" for the binary; "lib" for src/lib.rs.
    module: String,
    /// Modules between the crate's root and what stands in this file.
    depth: usize,
    text: String,
}

impl Source {
    /// `path` relative to src/, with `/`.
    fn new(path: &str, text: String) -> Self {
        let parts: Vec<&str> = path.trim_end_matches(".rs").split('/').collect();
        let module = match parts[0] {
            "main" => "cli",
            other => other,
        };
        let inner = parts.last() == Some(&"mod") || parts[0] == "lib" || parts[0] == "main";
        Self {
            path: path.to_owned(),
            module: module.to_owned(),
            depth: parts.len() - usize::from(inner),
            text,
        }
    }
}

/// The text with comments, strings and characters blanked, lines kept.
fn code_only(text: &str) -> String {
    let bytes: Vec<char> = text.chars().collect();
    let mut out = String::with_capacity(text.len());
    let mut i = 0;
    let starts = |i: usize, pattern: &str| {
        pattern
            .chars()
            .enumerate()
            .all(|(j, c)| bytes.get(i + j) == Some(&c))
    };
    let blank = |out: &mut String, c: char| out.push(if c == '\n' { '\n' } else { ' ' });
    while i < bytes.len() {
        let word_before = i > 0 && (bytes[i - 1].is_alphanumeric() || bytes[i - 1] == '_');
        let end = if starts(i, "//") {
            (i..bytes.len())
                .find(|j| bytes[*j] == '\n')
                .unwrap_or(bytes.len())
        } else if starts(i, "/*") {
            let (mut depth, mut j) = (1, i + 2);
            while j < bytes.len() && depth > 0 {
                if starts(j, "/*") {
                    depth += 1;
                    j += 1;
                } else if starts(j, "*/") {
                    depth -= 1;
                    j += 1;
                }
                j += 1;
            }
            j
        } else if !word_before && (starts(i, "r\"") || starts(i, "r#")) {
            let hashes = (i + 1..bytes.len())
                .take_while(|j| bytes[*j] == '#')
                .count();
            if bytes.get(i + 1 + hashes) == Some(&'"') {
                let close = format!("\"{}", "#".repeat(hashes));
                let body = i + 2 + hashes;
                (body..bytes.len())
                    .find(|j| starts(*j, &close))
                    .map_or(bytes.len(), |j| j + 1 + hashes)
            } else {
                i
            }
        } else if bytes[i] == '"' {
            let mut j = i + 1;
            while j < bytes.len() && bytes[j] != '"' {
                j += 1 + usize::from(bytes[j] == '\\');
            }
            j + 1
        } else if bytes[i] == '\'' && bytes.get(i + 1) == Some(&'\\') {
            let mut j = i + 3;
            while j < bytes.len() && bytes[j] != '\'' {
                j += 1;
            }
            j + 1
        } else if bytes[i] == '\'' && bytes.get(i + 2) == Some(&'\'') {
            i + 3
        } else {
            i
        };
        if end > i {
            for c in &bytes[i..end.min(bytes.len())] {
                blank(&mut out, *c);
            }
            i = end;
        } else {
            out.push(bytes[i]);
            i += 1;
        }
    }
    out
}

/// Identifiers, `::` and single characters, each with its line.
fn tokens(code: &str) -> Vec<(usize, String)> {
    let mut list = Vec::new();
    for (line, text) in code.lines().enumerate() {
        let mut rest = text.trim_start();
        while let Some(c) = rest.chars().next() {
            let length = if c.is_alphanumeric() || c == '_' {
                rest.find(|c: char| !(c.is_alphanumeric() || c == '_'))
                    .unwrap_or(rest.len())
            } else if rest.starts_with("::") {
                2
            } else {
                c.len_utf8()
            };
            list.push((line + 1, rest[..length].to_owned()));
            rest = rest[length..].trim_start();
        }
    }
    list
}

/// Drops `#[cfg(test)]` items: what they use is no arrow of the product.
fn without_tests(tokens: Vec<(usize, String)>) -> Vec<(usize, String)> {
    const MARK: [&str; 7] = ["#", "[", "cfg", "(", "test", ")", "]"];
    let mut kept = Vec::new();
    let mut i = 0;
    while i < tokens.len() {
        let marked =
            tokens.len() - i >= MARK.len() && MARK.iter().zip(&tokens[i..]).all(|(m, t)| *m == t.1);
        if !marked {
            kept.push(tokens[i].clone());
            i += 1;
            continue;
        }
        i += MARK.len();
        let mut depth = 0;
        while i < tokens.len() {
            match tokens[i].1.as_str() {
                "{" => depth += 1,
                "}" => depth -= 1,
                _ => {}
            }
            let ends = depth == 0 && (tokens[i].1 == "}" || tokens[i].1 == ";");
            i += 1;
            if ends {
                break;
            }
        }
    }
    kept
}

/// The first names after a path root at `tokens[at..]` (which stands behind the
/// `::`): one, or those of a group in braces.
fn names_after(tokens: &[(usize, String)], at: usize) -> Vec<(usize, String)> {
    match tokens.get(at) {
        Some((_, brace)) if brace == "{" => {
            let (mut depth, mut expect, mut names) = (0, false, Vec::new());
            for (line, token) in &tokens[at..] {
                match token.as_str() {
                    "{" => {
                        depth += 1;
                        expect = depth == 1;
                    }
                    "}" => depth -= 1,
                    "," => expect = depth == 1,
                    name if expect => {
                        names.push((*line, name.to_owned()));
                        expect = false;
                    }
                    _ => {}
                }
                if depth == 0 {
                    break;
                }
            }
            names
        }
        Some(one) => vec![one.clone()],
        None => Vec::new(),
    }
}

/// Every violation in the sources, as `path:line: what`.
fn violations(sources: &[Source]) -> Vec<String> {
    let modules: BTreeSet<&str> = ARROWS.iter().map(|a| a.0).collect();
    let mut list = Vec::new();
    for source in sources {
        let tokens = without_tests(tokens(&code_only(&source.text)));
        let mut complain = |line: usize, what: String| {
            list.push(format!("src/{}:{line}: {what}", source.path));
        };
        let home = source.module.as_str();
        let allowed = ARROWS.iter().find(|a| a.0 == home).map(|a| a.1);
        if allowed.is_none() && home != "cli" && home != "lib" {
            complain(1, format!("module {home} is not in the table of arrows"));
        }
        for (i, (line, token)) in tokens.iter().enumerate() {
            if let Some((_, homes)) = HOMES.iter().find(|h| h.0 == token)
                && !homes.contains(&home)
            {
                complain(*line, format!("{token} outside {}", homes.join(", ")));
            }
            let is_path = tokens.get(i + 1).is_some_and(|t| t.1 == "::");
            let continues = i > 0 && tokens[i - 1].1 == "::";
            if !is_path || continues {
                continue;
            }
            let root = match token.as_str() {
                "crate" => Some(i + 2),
                "groovelag" => {
                    if home != "cli" {
                        complain(*line, "the library does not name itself".into());
                    }
                    None
                }
                "super" => {
                    let mut supers = 1;
                    while tokens.get(i + 2 * supers).is_some_and(|t| t.1 == "super") {
                        supers += 1;
                    }
                    (supers >= source.depth).then_some(i + 2 * supers)
                }
                _ => None,
            };
            let Some(root) = root else { continue };
            for (line, name) in names_after(&tokens, root) {
                let other = modules.contains(name.as_str()) && name != home;
                let fits = match allowed {
                    Some(allowed) => !other || allowed.contains(&name.as_str()),
                    None => home == "lib" || name == "cli" || name.starts_with('{'),
                };
                if !fits {
                    complain(line, format!("{home} may not use {name}"));
                }
            }
        }
    }
    list
}

fn read(folder: &Path, prefix: &str, into: &mut Vec<Source>) {
    let mut entries: Vec<PathBuf> = fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    entries.sort();
    for path in entries {
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        if path.is_dir() {
            // src/<module>/tests/ holds test modules
            if name != "tests" {
                read(&path, &format!("{prefix}{name}/"), into);
            }
        } else if name.ends_with(".rs") && name != "tests.rs" {
            let text = fs::read_to_string(&path).unwrap();
            into.push(Source::new(&format!("{prefix}{name}"), text));
        }
    }
}

#[test]
fn arrows_run_one_way() {
    let mut sources = Vec::new();
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    read(&root, "", &mut sources);
    let seen: BTreeSet<&str> = sources.iter().map(|s| s.module.as_str()).collect();
    for (module, _) in ARROWS {
        assert!(seen.contains(module), "no module {module} under src/");
    }
    let list = violations(&sources);
    assert!(list.is_empty(), "\n{}", list.join("\n"));
}

#[test]
fn the_table_has_no_circle() {
    // Modules whose arrows all lead to modules already placed can be placed.
    let mut placed: BTreeSet<&str> = BTreeSet::new();
    for _ in ARROWS {
        for (module, uses) in ARROWS {
            if uses.iter().all(|u| placed.contains(u)) {
                placed.insert(module);
            }
        }
    }
    assert_eq!(placed.len(), ARROWS.len(), "only {placed:?} have an order");
}

#[test]
fn planted_violations_are_found() {
    let found = |path: &str, text: &str| violations(&[Source::new(path, text.to_owned())]);
    for (path, text, what) in [
        ("groove/tip.rs", "use crate::spectrum::Bin;", "spectrum"),
        (
            "groove/tip.rs",
            "fn f() { crate::capture::open() }",
            "capture",
        ),
        (
            "groove/tip.rs",
            "use super::super::delay::estimate;",
            "delay",
        ),
        ("units.rs", "use super::job;", "job"),
        (
            "delay/mod.rs",
            "use crate::{\n    spectrum::{Bin, window},\n    groove::Tip,\n};",
            "groove",
        ),
        ("adjust/problem.rs", "use crate::units::DEGREE;", "units"),
        ("report/text.rs", "use groovelag::job;", "itself"),
        ("report/text.rs", "use clap::Parser;", "clap"),
        ("delay/coarse.rs", "use rustfft::FftPlanner;", "rustfft"),
        ("job/mod.rs", "let r = hound::WavReader::open(p);", "hound"),
        ("cli/mod.rs", "use crate::job::Job;", "job"),
        ("main.rs", "use crate::delay::estimate;", "delay"),
        ("plots/mod.rs", "", "not in the table"),
        // a test module ends where its brace does
        (
            "groove/tip.rs",
            "#[cfg(test)]\nmod tests { fn f() {} }\nuse crate::job::Job;",
            "job",
        ),
    ] {
        let list = found(path, text);
        assert_eq!(list.len(), 1, "{path}: {text}: {list:?}");
        assert!(list[0].contains(what), "{list:?}");
    }
    for (path, text) in [
        ("delay/mod.rs", "use crate::spectrum::{Bin, window};"),
        (
            "delay/phase.rs",
            "use super::posdef;\nuse crate::delay::Term;",
        ),
        (
            "groove/tip.rs",
            "/// See [`crate::delay`].\n// use crate::job::Job;",
        ),
        (
            "groove/tip.rs",
            "const A: &str = \"crate::job::\"; let c = '\"'; /* crate::job::x */",
        ),
        (
            "groove/tip.rs",
            "#[cfg(test)]\nmod tests {\n use crate::simulate::x;\n use rustfft::Fft;\n}",
        ),
        (
            "cli/mod.rs",
            "use clap::Parser;\nuse groovelag::job::Job;\nuse crate::cli::x;",
        ),
        ("lib.rs", "pub mod capture;"),
    ] {
        let list = found(path, text);
        assert!(list.is_empty(), "{path}: {text}: {list:?}");
    }
}
