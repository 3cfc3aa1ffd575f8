//! `groovelag check`: outcomes and exit status, order, shards, files, and what
//! it says of jobs that cannot be used. All jobs are invented.

use groovelag::report::check::{CheckDocument, CheckLine};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

/// Runs the command in a folder, so that paths are as a user types them.
fn groovelag(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .current_dir(folder)
        .args(arguments)
        .output()
        .unwrap()
}

fn document(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&output.stderr)))
}

/// `(path, outcome, reason)` of every result.
fn results(output: &Output) -> Vec<(String, String, String)> {
    let text = |v: &Value| v.as_str().unwrap().to_owned();
    document(output)["results"]
        .as_array()
        .unwrap()
        .iter()
        .map(|r| (text(&r["path"]), text(&r["outcome"]), text(&r["reason"])))
        .collect()
}

fn write(folder: &Path, name: &str, content: impl AsRef<[u8]>) -> PathBuf {
    let path = folder.join(name);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(&path, content).unwrap();
    path
}

/// A job with one given delay. At 72 mm and 100/3 rpm a tip of 18 x 8 um turns
/// one degree into about 0.98 us, and what is not stated leaves the rotation a
/// standard uncertainty of a few tenths of a degree, most of it from the cut.
fn job(delay_us: f64, limits: &str) -> String {
    format!(
        "format = 1
[cartridge.a]
profile = \"elliptical\"
frontal_radius_um = 18
side_radius_um = 8
[record.r]
cut_rotation_deg = {{ value = 0, u = 0.3 }}
[chain.c]
skew_us = {{ value = 0, u = 0.001 }}
[setup.s]
mounting_deg = {{ value = 0, u = 0 }}
cartridge = \"a\"
[limits]
{limits}
[[capture]]
delay_us = {{ value = {delay_us}, u = 0.005 }}
radius_mm = {{ value = 72, u = 0.1 }}
rpm = 33
"
    )
}

#[test]
fn every_limit_has_its_outcome() {
    let folder = tempfile::tempdir().unwrap();
    let f = folder.path();
    write(f, "base.toml", job(1.0, ""));
    let base = groovelag(f, &["solve", "base.toml", "--json"]);
    write(f, "base.json", &base.stdout);
    write(
        f,
        "other.json",
        "{\"schema\": \"groovelag/plan/1\", \"setups\": []}",
    );
    let cases = [
        ("none", job(1.0, ""), "passed", "no limits stated"),
        // a few degrees of headroom, and none
        (
            "tolerance-in",
            job(1.0, "tolerance_deg = 5"),
            "passed",
            "rotation of 's'",
        ),
        (
            "tolerance-out",
            job(6.0, "tolerance_deg = 2"),
            "failed",
            "tolerance_deg = 2",
        ),
        (
            "tolerance-edge",
            job(1.0, "tolerance_deg = 1.1"),
            "undecided",
            "probability",
        ),
        (
            "tolerance-doubted",
            job(25.0, "tolerance_deg = 30"),
            "undecided",
            "implausible-rotation (serious)",
        ),
        // the cut alone leaves 0.3
        (
            "u-in",
            job(1.0, "standard_uncertainty_deg = 2"),
            "passed",
            "rotation",
        ),
        (
            "u-out",
            job(1.0, "standard_uncertainty_deg = 0.25"),
            "failed",
            "standard_uncertainty_deg = 0.25",
        ),
        (
            "expected-in",
            job(1.0, "expected_deg = 1.0"),
            "passed",
            "rotation",
        ),
        (
            "expected-out",
            job(1.0, "expected_deg = 4"),
            "failed",
            "expected_deg = 4",
        ),
        (
            "expected-loose",
            job(1.0, "expected_deg = { value = 4, u = 2 }"),
            "passed",
            "rotation",
        ),
        // 'arm-not-stated' is a note
        (
            "level-serious",
            job(1.0, "warning_level = \"serious\""),
            "passed",
            "",
        ),
        (
            "level-note",
            job(1.0, "warning_level = \"note\""),
            "failed",
            "arm-not-stated (note)",
        ),
        (
            "same",
            job(1.0, "baseline = \"base.json\""),
            "passed",
            "rotation",
        ),
        // 0.2 us are 40 standard uncertainties of a reading, and two thirds of
        // one of the cut, which is the same cut as before
        (
            "drifted",
            job(1.2, "baseline = \"base.json\""),
            "failed",
            "changed by",
        ),
        // one standard uncertainty of a reading
        (
            "again",
            job(1.005, "baseline = \"base.json\""),
            "passed",
            "",
        ),
        (
            "no-baseline",
            job(1.0, "baseline = \"no.json\""),
            "unusable",
            "'no.json'",
        ),
        (
            "not-a-solution",
            job(1.0, "baseline = \"other.json\""),
            "unusable",
            "groovelag/solution/1",
        ),
        (
            "other-setup",
            job(1.0, "baseline = \"base.json\"").replace("setup.s", "setup.t"),
            "unusable",
            "no setup 't'",
        ),
        (
            "planned",
            "format = 1\n[[capture]]\nplanned = true\nradius_mm = 72\nrpm = 33\n".to_owned(),
            "unusable",
            "nothing to check",
        ),
        // the worst of several counts
        (
            "two",
            job(1.0, "tolerance_deg = 1.1\nstandard_uncertainty_deg = 0.25"),
            "failed",
            "undecided whether conforming",
        ),
    ];
    for (name, text, outcome, words) in &cases {
        write(f, &format!("{name}.toml"), text);
        let output = groovelag(f, &["check", &format!("{name}.toml"), "--json"]);
        let (path, found, reason) = &results(&output)[0];
        println!("{name}: {found}: {reason}");
        assert_eq!(path, &format!("{name}.toml"));
        assert_eq!(found, outcome, "{name}: {reason}");
        assert!(reason.contains(words), "{name}: {reason}");
        let status = match *outcome {
            "passed" => 0,
            "unusable" => 2,
            _ => 1,
        };
        assert_eq!(output.status.code(), Some(status), "{name}");
        // solve says the same of what is not a matter of baselines
        if !text.contains("baseline") && *outcome != "unusable" {
            let solved = groovelag(f, &["solve", &format!("{name}.toml")]);
            assert_eq!(solved.status.code(), Some(status), "{name}: solve");
        }
    }
    // together: 2 wins over 1
    let all = groovelag(f, &["check", ".", "--json"]);
    assert_eq!(all.status.code(), Some(2));
    let d = document(&all);
    let count = |outcome| cases.iter().filter(|c| c.2 == outcome).count() as u64;
    // base.toml has no limits and passes
    assert_eq!(d["passed"], count("passed") + 1);
    assert_eq!(d["failed"], count("failed"));
    assert_eq!(d["undecided"], count("undecided"));
    assert_eq!(d["unusable"], count("unusable"));
    // the table says so too, within the terminal's width
    let table = String::from_utf8(groovelag(f, &["check", "."]).stdout).unwrap();
    assert!(table.ends_with(&format!(
        "{} passed, {} failed, {} undecided, {} unusable\n",
        count("passed") + 1,
        count("failed"),
        count("undecided"),
        count("unusable")
    )));
    assert!(table.lines().all(|l| l.chars().count() <= 80), "{table}");
}

#[test]
fn a_folder_gives_defaults_key_by_key() {
    let folder = tempfile::tempdir().unwrap();
    let f = folder.path();
    let limits = |text: &str| format!("format = 1\n[limits]\n{text}\n");
    write(
        f,
        "groovelag.toml",
        limits("tolerance_deg = 0.1\nstandard_uncertainty_deg = 2"),
    );
    write(f, "a/groovelag.toml", limits("tolerance_deg = 9"));
    write(f, "b/groovelag.toml", limits("tolerance = 9"));
    write(f, "a/inner/near.toml", job(3.0, ""));
    write(f, "a/own.toml", job(3.0, "standard_uncertainty_deg = 0.01"));
    write(f, "b/below.toml", job(3.0, ""));
    write(f, "top.toml", job(3.0, ""));
    let find = |output: &Output, end: &str| {
        let list = results(output);
        list.into_iter().find(|r| r.0.ends_with(end)).unwrap()
    };
    let all = groovelag(f, &["check", ".", "--json"]);
    // the nearest wins, key by key; the job's own wins over all
    assert_eq!(find(&all, "near.toml").1, "passed");
    assert_eq!(find(&all, "top.toml").1, "failed");
    let own = find(&all, "own.toml");
    assert!(own.2.contains("standard_uncertainty_deg = 0.01"), "{own:?}");
    // a default that cannot be read concerns the jobs below it alone
    let below = find(&all, "below.toml");
    assert_eq!(below.1, "unusable");
    assert!(
        below.2.starts_with("b/groovelag.toml, line 3: ") && below.2.contains("'tolerance_deg'"),
        "{below:?}"
    );
    // the same from within a folder: the folders above count all the same
    let inside = groovelag(&f.join("a/inner"), &["check", "near.toml", "--json"]);
    assert_eq!(inside.status.code(), Some(0));
    let broken = groovelag(&f.join("b"), &["check", "below.toml", "--json"]);
    assert!(
        results(&broken)[0]
            .2
            .starts_with("groovelag.toml, line 3: ")
    );
}

/// A set with a bit of everything.
fn mixed(folder: &Path, count: usize) {
    for k in 0..count {
        let text = match k % 5 {
            0 => job(0.1 * k as f64, "tolerance_deg = 3"),
            1 => job(1.0, "tolerance_deg = 1.1"),
            2 => job(1.0, "").replace("rpm = 33", "rpm = 330"),
            // several setups and captures take longer, so that threads overtake
            _ => (0..6).fold(job(0.3, "standard_uncertainty_deg = 2"), |text, i| {
                format!(
                    "{text}[setup.s{i}]\n[[capture]]\nsetup = \"s{i}\"\ndelay_us = {{ value = {i}, u = 0.01 }}\nradius_mm = {}\nrpm = 45\n",
                    60 + i
                )
            })
            .replacen("radius_mm = { value = 72, u = 0.1 }", "setup = \"s\"\nradius_mm = 72", 1),
        };
        write(folder, &format!("{}/job-{k:03}.toml", k % 3), text);
    }
}

#[test]
fn order_and_bytes_do_not_depend_on_threads_or_runs() {
    let folder = tempfile::tempdir().unwrap();
    let f = folder.path();
    mixed(f, 40);
    let run = |threads: &str, name: &str| {
        let (junit, csv) = (format!("{name}.xml"), format!("{name}.csv"));
        let out = groovelag(
            f,
            &[
                "check",
                "0",
                "1",
                "2",
                "--json",
                "--threads",
                threads,
                "--junit",
                &junit,
                "--csv",
                &csv,
            ],
        );
        assert_eq!(out.status.code(), Some(2));
        let read = |p: &str| std::fs::read(f.join(p)).unwrap();
        (out.stdout, read(&junit), read(&csv))
    };
    let one = run("1", "one");
    assert_eq!(one, run("3", "three"));
    assert_eq!(one, run("3", "again"));
    assert_eq!(one, run("8", "eight"));
    let list: CheckDocument = serde_json::from_slice(&one.0).unwrap();
    assert!(list.results.is_sorted_by(|a, b| a.path < b.path));
    assert_eq!(list.results.len(), 40);
    // arguments in another order, twice, and by glob are the same set
    let other = groovelag(f, &["check", "2", "./1", "0", "0/*.toml", "--json"]);
    assert_eq!(other.stdout, one.0);
    // JSON Lines are the same results, in the same order
    for threads in ["1", "3"] {
        let lines = groovelag(f, &["check", ".", "--jsonl", "--threads", threads]);
        let lines: Vec<groovelag::check::Checked> = String::from_utf8(lines.stdout)
            .unwrap()
            .lines()
            .map(|l| serde_json::from_str(l).unwrap())
            .collect();
        assert_eq!(lines, list.results);
    }
    // CSV read back
    let mut reader = csv::Reader::from_reader(&one.2[..]);
    let columns = "path,outcome,reason,setup,rotation_deg,rotation_u_deg,rotation_lower_deg,rotation_upper_deg,stylus_to_body_deg,stylus_to_body_u_deg,verdict,probability_of_conformity,p_value,stylus_to_body_lower_deg,stylus_to_body_upper_deg,tolerance_deg,coverage,in_doubt";
    assert_eq!(
        reader.headers().unwrap(),
        columns.split(',').collect::<Vec<_>>()
    );
    let mut rows = reader.records().map(Result::unwrap);
    let junit = String::from_utf8(one.1.clone()).unwrap();
    for result in &list.results {
        for k in 0..result.setups.len().max(1) {
            let row = rows.next().unwrap();
            let row: Vec<&str> = row.iter().collect();
            let job = [result.path.as_str(), result.outcome.word(), &result.reason];
            assert_eq!(row[..3], job);
            assert_eq!(row[17], result.in_doubt.as_deref().unwrap_or(""));
            let Some(setup) = result.setups.get(k) else {
                assert!(row[3..17].iter().all(|field| field.is_empty()), "{row:?}");
                continue;
            };
            let number = |at: usize| row[at].parse::<f64>().ok();
            let body = setup.stylus_to_body_deg.map(|q| q.interval);
            assert_eq!(number(13), body.and_then(|band| band.lower));
            assert_eq!(number(14), body.and_then(|band| band.upper));
            assert_eq!(number(15), setup.conformity.map(|c| c.tolerance_deg));
            assert_eq!(number(16), Some(setup.rotation_deg.interval.coverage));
            assert_eq!(row[3], setup.name);
            assert_eq!(number(4), Some(setup.rotation_deg.value));
            assert_eq!(number(6), setup.rotation_deg.interval.lower);
            assert_eq!(number(11), setup.conformity.map(|c| c.probability));
            assert_eq!(number(12), result.p_value);
            let property = format!(
                "name=\"{}: {}: rotation_deg\" value=\"{:?}\"",
                result.path, setup.name, setup.rotation_deg.value
            );
            assert!(junit.contains(&property), "{property}");
        }
    }
    assert!(rows.next().is_none());
    assert_eq!(list.results.iter().map(|r| r.setups.len()).max(), Some(7));
    // an existing file is left alone without --force
    let refused = groovelag(f, &["check", "0", "--junit", "one.xml"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("--force"));
    assert!(refused.stdout.is_empty(), "nothing is checked then");
    assert_eq!(std::fs::read(f.join("one.xml")).unwrap(), one.1);
}

#[test]
fn shards_together_are_the_whole() {
    let folder = tempfile::tempdir().unwrap();
    let f = folder.path();
    mixed(f, 17);
    let whole = groovelag(f, &["check", ".", "--jsonl"]).stdout;
    let mut union: Vec<String> = Vec::new();
    for k in 1..=4 {
        let shard = format!("{k}/4");
        let part = groovelag(f, &["check", ".", "--jsonl", "--shard", &shard]).stdout;
        union.extend(String::from_utf8(part).unwrap().lines().map(str::to_owned));
    }
    union.sort_unstable();
    let mut whole: Vec<String> = String::from_utf8(whole)
        .unwrap()
        .lines()
        .map(str::to_owned)
        .collect();
    whole.sort_unstable();
    assert_eq!(union, whole);
    // a part with nothing in it is no failure
    let empty = groovelag(f, &["check", "0/job-000.toml", "--shard", "2/2", "--json"]);
    assert_eq!(empty.status.code(), Some(0));
    let usage = groovelag(f, &["check", ".", "--shard", "3/2"]);
    assert_eq!(usage.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&usage.stderr).contains("2/8"));
}

#[test]
fn fail_fast_stops_at_the_first_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let f = folder.path();
    for k in 0..20 {
        let limits = if k == 7 || k == 9 {
            "tolerance_deg = 0.5"
        } else {
            ""
        };
        write(f, &format!("{k:02}.toml"), job(4.0, limits));
    }
    for threads in ["1", "3"] {
        let out = groovelag(
            f,
            &["check", ".", "--fail-fast", "--json", "--threads", threads],
        );
        let list = results(&out);
        assert_eq!(list.len(), 8);
        assert_eq!(list[7].1, "failed");
        assert_eq!(out.status.code(), Some(1));
    }
    let all = groovelag(f, &["check", ".", "--keep-going", "--json"]);
    assert_eq!(results(&all).len(), 20);
}

/// The JUnit file, read by the general reader of its library and held against
/// what junit-10.xsd allows (Jenkins xUnit plugin, src/main/resources/org/
/// jenkinsci/plugins/xunit/types/model/xsd/junit-10.xsd): elements, their
/// order, and their attributes. `.ci/run` need not be at hand for that: our
/// file uses five elements.
#[test]
fn junit_is_read_by_others() {
    let folder = tempfile::tempdir().unwrap();
    let f = folder.path();
    mixed(f, 10);
    // characters that XML minds
    write(f, "a & b <\"'>.toml", "format = 1\ntitle = <&>\"'\n");
    // the library would take this for a terminal's colour and drop the rest
    write(
        f,
        "escape.toml",
        "format = 1\n[record.A]\n\"a\\u001b]b\" = 1\n",
    );
    groovelag(f, &["check", ".", "--junit", "check.xml", "--json"]);
    let text = std::fs::read_to_string(f.join("check.xml")).unwrap();
    let list = results(&groovelag(f, &["check", ".", "--json"]));
    let report = quick_junit::Report::deserialize_from_str(&text);
    let report = report.unwrap_or_else(|e| panic!("{e}\n{text}"));
    assert_eq!(report.tests, list.len());
    let suite = &report.test_suites[0];
    let count = |of: &[&str]| list.iter().filter(|r| of.contains(&r.1.as_str())).count();
    assert_eq!(suite.failures, count(&["failed", "undecided"]));
    assert_eq!(suite.errors, count(&["unusable"]));
    assert!(count(&["undecided"]) > 0 && count(&["unusable"]) > 1 && count(&["passed"]) > 0);
    for (case, (path, outcome, reason)) in suite.test_cases.iter().zip(&list) {
        assert_eq!(case.name.as_str(), path);
        match &case.status {
            quick_junit::TestCaseStatus::NonSuccess { message, ty, .. } => {
                assert_eq!(ty.as_ref().unwrap().as_str(), outcome);
                let written = reason.replace('\u{1b}', "\\u{1b}");
                assert_eq!(message.as_ref().unwrap().as_str(), written);
            }
            _ => assert_eq!(outcome, "passed"),
        }
    }
    // element, attributes required, attributes allowed, children allowed
    type Rule = (
        &'static str,
        &'static [&'static str],
        &'static [&'static str],
        &'static [&'static str],
    );
    const SCHEMA: &[Rule] = &[
        (
            "testsuites",
            &[],
            &["name", "time", "tests", "failures", "errors"],
            &["testsuite"],
        ),
        (
            "testsuite",
            &["name", "tests", "failures", "errors"],
            &[
                "group",
                "time",
                "skipped",
                "timestamp",
                "hostname",
                "id",
                "package",
                "file",
            ],
            &[
                "testsuite",
                "properties",
                "testcase",
                "system-out",
                "system-err",
            ],
        ),
        (
            "testcase",
            &["name"],
            &["time", "classname", "group"],
            &["skipped", "error", "failure", "system-out", "system-err"],
        ),
        ("failure", &[], &["type", "message"], &[]),
        ("error", &[], &["type", "message"], &[]),
        ("system-out", &[], &[], &[]),
        ("properties", &[], &[], &["property"]),
        ("property", &["name", "value"], &[], &[]),
    ];
    let holds = |text: &str| -> Result<(), String> {
        for (parent, name, attributes) in elements(text) {
            let rule = SCHEMA
                .iter()
                .find(|r| r.0 == name)
                .ok_or(format!("unknown element {name}"))?;
            for required in rule.1 {
                if !attributes.iter().any(|a| a == required) {
                    return Err(format!("{name} lacks {required}"));
                }
            }
            for a in &attributes {
                if !rule.1.contains(&a.as_str()) && !rule.2.contains(&a.as_str()) {
                    return Err(format!("{name} has {a}"));
                }
            }
            match SCHEMA.iter().find(|r| r.0 == parent) {
                Some(rule) if !rule.3.contains(&name.as_str()) => {
                    return Err(format!("{name} in {parent}"));
                }
                None if name != "testsuites" => return Err(format!("{name} at the top")),
                _ => {}
            }
        }
        Ok(())
    };
    assert_eq!(holds(&text), Ok(()));
    for (from, to) in [
        ("<testsuites ", "<testsuites skipped=\"0\" "),
        ("<testcase name=", "<testcase title="),
        ("<failure ", "<failure line=\"1\" "),
        ("system-out", "stdout"),
    ] {
        assert!(text.contains(from), "{from}");
        assert!(holds(&text.replace(from, to)).is_err(), "{to}");
    }
    assert!(!text.contains("time"), "no times, so that runs are equal");
}

/// `(parent, name, attributes)` of every element of well-formed XML without
/// comments or CDATA.
fn elements(text: &str) -> Vec<(String, String, Vec<String>)> {
    let mut open: Vec<String> = Vec::new();
    let mut list = Vec::new();
    let mut rest = text;
    while let Some(at) = rest.find('<') {
        rest = &rest[at + 1..];
        // '>' may stand in a quoted value
        let mut quoted = false;
        let end = rest
            .find(|c| {
                quoted ^= c == '"';
                c == '>' && !quoted
            })
            .expect("a tag ends");
        let tag = &rest[..end];
        rest = &rest[end + 1..];
        if tag.starts_with('?') {
            continue;
        }
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop().as_deref(), Some(name));
            continue;
        }
        let inner = tag.trim_end_matches('/');
        let (name, mut values) = inner.split_once(' ').unwrap_or((inner, ""));
        let mut attributes = Vec::new();
        while let Some((key, after)) = values.split_once("=\"") {
            attributes.push(key.trim().to_owned());
            values = after.split_once('"').expect("a value ends").1;
        }
        list.push((
            open.last().cloned().unwrap_or_default(),
            name.trim().to_owned(),
            attributes,
        ));
        if !tag.ends_with('/') {
            open.push(name.trim().to_owned());
        }
    }
    assert!(open.is_empty());
    list
}

/// Killed at any moment, a file of results is there whole or not at all.
#[test]
fn killed_at_any_moment_nothing_half_written_remains() {
    let folder = tempfile::tempdir().unwrap();
    let f = folder.path();
    for k in 0..60 {
        write(
            f,
            &format!("jobs/{k:02}.toml"),
            job(1.0, "tolerance_deg = 5"),
        );
    }
    let start = |out: &Path| {
        Command::new(env!("CARGO_BIN_EXE_groovelag"))
            .current_dir(f)
            .args(["check", "jobs", "--jsonl", "--junit"])
            .arg(out.join("check.xml"))
            .arg("--csv")
            .arg(out.join("check.csv"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap()
    };
    let whole = f.join("whole");
    std::fs::create_dir(&whole).unwrap();
    let began = Instant::now();
    assert_eq!(start(&whole).wait().unwrap().code(), Some(0));
    let took = began.elapsed();
    let expected = |name: &str| std::fs::read(whole.join(name)).unwrap();
    let mut killed = 0;
    // over the whole run, and densely around its end, where files are written
    let moments = (0..8)
        .map(|k| 0.12 * f64::from(k))
        .chain((0..16).map(|k| 0.9 + 0.02 * f64::from(k)));
    for (k, moment) in moments.enumerate() {
        let out = f.join(format!("killed-{k}"));
        std::fs::create_dir(&out).unwrap();
        let mut child = start(&out);
        std::thread::sleep(Duration::from_secs_f64(took.as_secs_f64() * moment));
        child.kill().unwrap();
        killed += u32::from(child.wait().unwrap().code().is_none());
        for entry in std::fs::read_dir(&out).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_str().unwrap().to_owned();
            // a name that nobody asked for and that no later run reads
            if name.starts_with(".groovelag-") {
                continue;
            }
            assert!(
                std::fs::read(&path).unwrap() == expected(&name),
                "{name} is half written, killed at {moment}"
            );
        }
    }
    assert!(killed > 0, "every run was over before it was killed");
}

/// The schemas in docs/schemas are those of the types, and real output passes
/// them. GROOVELAG_UPDATE=1 writes them anew.
#[test]
fn schemas_are_published_and_hold() {
    let folder = tempfile::tempdir().unwrap();
    let f = folder.path();
    mixed(f, 10);
    let whole = document(&groovelag(f, &["check", ".", "--json"]));
    let lines = groovelag(f, &["check", ".", "--jsonl"]).stdout;
    let line = String::from_utf8(lines).unwrap();
    let line: Value = serde_json::from_str(line.lines().next().unwrap()).unwrap();
    let documents = [
        (
            "check",
            schemars::schema_for!(CheckDocument),
            whole,
            "schema",
        ),
        (
            "check-line",
            schemars::schema_for!(CheckLine),
            line,
            "schema",
        ),
    ];
    for (name, schema, document, key) in documents {
        let schema = serde_json::to_value(schema).unwrap();
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("docs/schemas/{name}.json"));
        let text = serde_json::to_string_pretty(&schema).unwrap() + "\n";
        if std::env::var_os("GROOVELAG_UPDATE").is_some() {
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(&path, &text).unwrap();
        }
        let published = std::fs::read_to_string(&path).unwrap_or_default();
        assert_eq!(
            published,
            text,
            "{} is stale: run with GROOVELAG_UPDATE=1",
            path.display()
        );
        let validator = jsonschema::validator_for(&schema).unwrap();
        assert!(validator.is_valid(&document), "{name}: {document}");
        let mut broken = document.clone();
        broken.as_object_mut().unwrap().remove(key);
        assert!(!validator.is_valid(&broken), "{name} excludes nothing");
    }
}

/// A good job that uses most keys; each malformed one differs by one slip.
const GOOD: &str = "format = 1
title = \"invented\"
[cartridge.red]
profile = \"elliptical\"
frontal_radius_um = { value = 18, u = 0.5 }
side_radius_um = 8
crosstalk_db = -25
[record.A]
cut_rotation_deg = { value = 0.1, u = 0.3 }
[chain.rack]
skew_us = 0
[arm.long]
effective_length_mm = 230
pivot_to_spindle_mm = 212
offset_deg = 23
[setup.now]
cartridge = \"red\"
arm = \"long\"
rotation_deg = { value = 0, u = 5 }
[limits]
tolerance_deg = 15
warning_level = \"serious\"
[[capture]]
delay_us = { value = 1.0, u = 0.005 }
setup = \"now\"
record = \"A\"
radius_mm = 72
rpm = 33
turn_deg = 0
leads = \"normal\"
";

/// What is replaced by what, the line that the message names (0: none), and
/// words that it says.
const SLIPS: &[(&str, &str, usize, &[&str])] = &[
    // types
    ("\"invented\"", "5", 2, &["'title'", "text between quotes"]),
    (
        "_um = 8",
        "_um = \"8\"",
        6,
        &["'side_radius_um'", "without quotes"],
    ),
    (
        "_deg = 15",
        "_deg = true",
        21,
        &["'tolerance_deg'", "number"],
    ),
    ("rpm = 33", "rpm = [33]", 28, &["'rpm'", "number"]),
    ("= 72", "= [75, 72, 70]", 27, &["'radius_mm'", "[75, 70]"]),
    (
        "= 72",
        "= \"72 mm\"",
        27,
        &["'radius_mm'", "without quotes"],
    ),
    ("= \"normal\"", "= true", 30, &["'leads'", "quotes"]),
    (
        "delay_us = { value = 1.0, u = 0.005 }",
        "planned = \"yes\"",
        24,
        &["'planned'", "true"],
    ),
    ("= \"now\"", "= 3", 25, &["'setup'", "quotes"]),
    ("[chain.rack]", "[chain]", 11, &["[chain.NAME]"]),
    ("[[capture]]", "[capture]", 23, &["[[capture]]"]),
    ("[limits]", "[[limits]]", 20, &["'limits'", "[limits]"]),
    ("[cartridge.red]", "cartridge = \"red\"\n[x]", 4, &["'x'"]),
    // units
    (
        "{ value = 18, u = 0.5 }",
        "0.000018",
        5,
        &["'frontal_radius_um'", "between"],
    ),
    (
        "= 72",
        "= 0.072",
        27,
        &["'radius_mm'", "between 20 and 250"],
    ),
    ("= 72", "= 7.2", 27, &["'radius_mm'", "out of range"]),
    (
        "rpm = 33",
        "rpm = 0.5556",
        28,
        &["'rpm'", "not a record speed"],
    ),
    (
        "value = 1.0",
        "value = 1000000",
        24,
        &["'delay_us'", "out of range"],
    ),
    (
        "frontal_radius_um",
        "frontal_radius_mm",
        5,
        &["unknown key", "'frontal_radius_um'"],
    ),
    // ranges
    ("= -25", "= 25", 7, &["'crosstalk_db'", "out of range"]),
    (
        "[chain.rack]",
        "cutter_separation_db = -25\n[chain.rack]",
        10,
        &["'cutter_separation_db'", "out of range"],
    ),
    (
        "[chain.rack]",
        "[record.A.band.t]\nkind = \"tone\"\nradius_mm = 140\nfrequency_hz = 3.15\n[chain.rack]",
        13,
        &["'frequency_hz'", "out of range"],
    ),
    (
        "[chain.rack]",
        "[record.A.band.t]\nradius_mm = 140\nfrequency_hz = 3150\n[chain.rack]",
        12,
        &["not of the kind \"tone\""],
    ),
    (
        "_deg = 15",
        "_deg = 0",
        21,
        &["'tolerance_deg'", "out of range"],
    ),
    (
        "_deg = 15",
        "_deg = -5",
        21,
        &["'tolerance_deg'", "out of range"],
    ),
    (
        "turn_deg = 0",
        "turn_deg = 90",
        29,
        &["'turn_deg'", "out of range"],
    ),
    (
        "rpm = 33",
        "rpm = 450",
        28,
        &["'rpm'", "not a record speed"],
    ),
    ("rpm = 33", "rpm = \"100/0\"", 28, &["rpm", "100/3"]),
    ("= 23\n", "= 123\n", 15, &["'offset_deg'", "out of range"]),
    (
        "= 230",
        "= 330",
        0,
        &["line 23", "does not reach", "arm 'long'"],
    ),
    (
        "leads = \"normal\"",
        "from_s = 5\nto_s = 5",
        31,
        &["to_s", "later"],
    ),
    // names twice
    (
        "title = \"invented\"",
        "title = \"a\"\ntitle = \"b\"",
        3,
        &["duplicate key"],
    ),
    (
        "[record.A]",
        "[record.A]\n[record.A]",
        9,
        &["duplicate key"],
    ),
    (
        "[record.A]",
        "[record.\"A\"]\n[record.A]",
        9,
        &["duplicate key"],
    ),
    ("[limits]", "[limits]\n[limits]", 21, &["duplicate key"]),
    // references to nothing
    ("= \"red\"", "= \"rde\"", 17, &["cartridge 'rde'", "'red'"]),
    (
        "= \"long\"",
        "= \"short\"",
        18,
        &["arm 'short'", "[arm.short]"],
    ),
    (
        "= \"now\"",
        "= \"later\"",
        25,
        &["setup 'later'", "[setup.later]"],
    ),
    ("= \"A\"", "= \"B\"", 26, &["record 'B'"]),
    ("turn_deg = 0", "chain = \"shelf\"", 29, &["chain 'shelf'"]),
    (
        "delay_us = { value = 1.0, u = 0.005 }",
        "file = \"no.wav\"",
        23,
        &["'no.wav'", "'file'"],
    ),
    (
        "delay_us = { value = 1.0, u = 0.005 }",
        "file = \".\"",
        23,
        &["'.'", "'file'"],
    ),
    (
        "format = 1",
        "format = 1\ninclude = \"no.toml\"",
        2,
        &["'no.toml'"],
    ),
    (
        "_deg = 15",
        "_deg = 15\nbaseline = \"no.json\"",
        0,
        &["'baseline'", "'no.json'"],
    ),
    // what is missing, or said twice
    ("rpm = 33\n", "", 23, &["'rpm' is missing"]),
    ("radius_mm = 72\n", "", 23, &["'radius_mm' is missing"]),
    ("offset_deg = 23\n", "", 12, &["'offset_deg' is missing"]),
    (
        ", u = 0.005",
        "",
        24,
        &["'delay_us'", "standard uncertainty"],
    ),
    ("value = 1.0, ", "", 24, &["'delay_us'", "no value"]),
    ("turn_deg = 0", "planned = true", 23, &["exactly one of"]),
    ("format = 1\n", "", 1, &["format = 1"]),
    ("format = 1", "format = 2", 1, &["reads format = 1"]),
    (
        "format = 1",
        "format = \"1\"",
        1,
        &["'format'", "without quotes"],
    ),
    // circles
    (
        "format = 1",
        "format = 1\ninclude = \"job.toml\"",
        2,
        &["'job.toml'", "knowledge"],
    ),
    (
        "_deg = 15",
        "_deg = 15\nbaseline = \"job.toml\"",
        0,
        &["'baseline'", "not a result"],
    ),
    // numbers that are none, or too large
    ("rpm = 33", "rpm = nan", 28, &["'rpm'", "finite"]),
    ("= 72", "= inf", 27, &["'radius_mm'", "finite"]),
    ("value = 1.0", "value = -nan", 24, &["'delay_us'", "finite"]),
    ("u = 0.3", "u = nan", 9, &["'u'", "finite"]),
    (
        "u = 0.5",
        "u = -0.5",
        5,
        &["'frontal_radius_um'", "negative"],
    ),
    (
        "u = 0.005",
        "u = 0",
        24,
        &["'delay_us'", "greater than zero"],
    ),
    ("u = 0.005", "u = -0.005", 24, &["'delay_us'", "negative"]),
    ("u = 0.005", "u = 1e-300", 24, &["'delay_us'", "between"]),
    (
        "u = 0.3",
        "u = 1e300",
        9,
        &["'cut_rotation_deg'", "between"],
    ),
    ("= 72", "= 1e999", 27, &["'radius_mm'", "finite"]),
    (
        "rpm = 33",
        "rpm = 99999999999999999999999999",
        28,
        &["'rpm'"],
    ),
    // paths with backslashes
    (
        "delay_us = { value = 1.0, u = 0.005 }",
        "file = \"audio\\no.wav\"",
        24,
        &["single quotes"],
    ),
    (
        "delay_us = { value = 1.0, u = 0.005 }",
        "file = 'audio\\no.wav'",
        23,
        &["no recording", "audio/no.wav"],
    ),
    // decimal commas
    ("= 72", "= 72,5", 27, &["decimal point: 72.5"]),
    ("rpm = 33", "rpm = \"33,3\"", 28, &["rpm", "33.3"]),
    ("_um = 8", "_um = \"8,5\"", 6, &["'side_radius_um'", "8.5"]),
    ("value = 18", "value = 18,5", 5, &["decimal point: 18.5"]),
    // keys and words that are not known
    (
        "u = 0.3",
        "sigma = 0.3",
        9,
        &["unknown key 'sigma'", "'cut_rotation_deg'"],
    ),
    (
        "[[capture]]",
        "[[captures]]",
        23,
        &["unknown key 'captures'", "'capture'"],
    ),
    (
        "\"serious\"",
        "\"grave\"",
        22,
        &["'warning_level'", "\"caution\""],
    ),
    (
        "\"elliptical\"",
        "\"conical\"",
        4,
        &["'profile'", "\"spherical\""],
    ),
    (
        "\"elliptical\"",
        "\"spherical\"",
        6,
        &["'side_radius_um'", "does not describe"],
    ),
    // TOML that is none
    ("\"invented\"", "\"invented", 2, &["not valid TOML"]),
    ("\"invented\"", "invented", 2, &["not valid TOML"]),
    ("[record.A]", "[record.A", 8, &["not valid TOML"]),
    ("title = \"invented\"", "title", 2, &["not valid TOML"]),
];

#[test]
fn malformed_jobs_are_named_with_line_and_field() {
    let folder = tempfile::tempdir().unwrap();
    let f = folder.path();
    write(f, "job.toml", GOOD);
    let good = groovelag(f, &["check", "job.toml", "--json"]);
    assert_eq!(results(&good)[0].1, "passed", "{:?}", results(&good));
    // a byte order mark and line ends of other systems are no slips
    for text in [format!("\u{feff}{GOOD}"), GOOD.replace('\n', "\r\n")] {
        write(f, "job.toml", text);
        let output = groovelag(f, &["check", "job.toml", "--json"]);
        assert_eq!(output.status.code(), Some(0), "{:?}", results(&output));
    }
    let utf16: Vec<u8> = std::iter::once(0xfeff)
        .chain(GOOD.encode_utf16())
        .flat_map(u16::to_le_bytes)
        .collect();
    let latin: Vec<u8> = GOOD
        .replace("invented", "invent\u{e9}")
        .chars()
        .map(|c| c as u8)
        .collect();
    let raw: Vec<(&str, Vec<u8>, usize, &[&str])> = vec![
        ("UTF-16", utf16, 1, &["UTF-8"]),
        ("Latin-1", latin, 2, &["UTF-8"]),
        (
            "a byte order mark inside",
            GOOD.replace("[record", "\u{feff}[record").into(),
            8,
            &["not valid TOML"],
        ),
        (
            "NUL",
            GOOD.replace("invented", "in\0vented").into(),
            2,
            &["not valid TOML"],
        ),
        ("empty", Vec::new(), 1, &["format = 1"]),
        (
            "a recording",
            b"RIFF\xff\xff\xff\xffWAVEfmt ".to_vec(),
            1,
            &["UTF-8"],
        ),
        (
            "line ends of old",
            GOOD.replace('\n', "\r").into(),
            1,
            &["not valid TOML"],
        ),
        (
            "a recipe",
            "format = 1\n[programme]\nkind = \"pink\"\n".into(),
            2,
            &["'programme'"],
        ),
        (
            "deep",
            format!("format = 1\nnote = {}", "[".repeat(100_000)).into(),
            2,
            &["TOML"],
        ),
        ("long", vec![b'#'; (16 << 20) + 1], 0, &["16 MiB"]),
        (
            "no captures",
            "format = 1\n[record.A]\n".into(),
            0,
            &["[[capture]]"],
        ),
    ];
    let slips = SLIPS.iter().map(|(from, to, line, words)| {
        assert!(GOOD.contains(from), "{from}");
        (*to, GOOD.replacen(from, to, 1).into_bytes(), *line, *words)
    });
    let mut failures = Vec::new();
    let mut count = 0;
    for (what, bytes, line, words) in slips.chain(raw) {
        count += 1;
        write(f, "job.toml", bytes);
        let output = groovelag(f, &["check", "job.toml", "--json"]);
        let errors = String::from_utf8_lossy(&output.stderr).into_owned();
        if output.stdout.is_empty() {
            failures.push(format!("{what}: {errors}"));
            continue;
        }
        let (_, outcome, reason) = results(&output).remove(0);
        println!("{what:?}: {reason}");
        let start = match line {
            0 => "job.toml: ".to_owned(),
            n => format!("job.toml, line {n}: "),
        };
        let said = words.iter().all(|w| reason.contains(w));
        let status = output.status.code() == Some(2);
        if outcome != "unusable"
            || !status
            || !errors.is_empty()
            || !reason.starts_with(&start)
            || !said
        {
            failures.push(format!(
                "{what}: {outcome}: {reason} {errors}, wanted {start}{words:?}"
            ));
        }
    }
    assert!(failures.is_empty(), "\n{}", failures.join("\n"));
    assert!(count >= 40);
}

/// Ctrl-C: what was done is in the files, which say that it is not all.
#[cfg(unix)]
#[test]
fn an_interruption_leaves_what_was_done() {
    let folder = tempfile::tempdir().unwrap();
    let f = folder.path();
    write(f, "a.toml", job(0.1, "tolerance_deg = 3"));
    // long enough to be interrupted: some hundred setups
    let long = (0..150).fold(job(0.3, ""), |text, i| {
        format!(
            "{text}[setup.s{i}]\n[[capture]]\nsetup = \"s{i}\"\ndelay_us = {{ value = {}, u = 0.01 }}\nradius_mm = 70\nrpm = 45\n",
            i % 5
        )
    });
    let long = long.replacen(
        "radius_mm = { value = 72, u = 0.1 }",
        "setup = \"s0\"\nradius_mm = 72",
        1,
    );
    for k in 0..6 {
        write(f, &format!("b{k}.toml"), long.clone());
    }
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .current_dir(f)
        .args([
            "check",
            ".",
            "--threads",
            "1",
            "--jsonl",
            "--junit",
            "x.xml",
            "--csv",
            "x.csv",
        ])
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let mut first = String::new();
    let out = child.stdout.take().unwrap();
    std::io::BufRead::read_line(&mut std::io::BufReader::new(out), &mut first).unwrap();
    let pid = child.id().to_string();
    std::process::Command::new("kill")
        .args(["-INT", &pid])
        .status()
        .unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(130), "{first}");
    let junit = std::fs::read_to_string(f.join("x.xml")).unwrap();
    assert!(
        junit.contains("name=\"incomplete\" value=\"interrupted: "),
        "{junit}"
    );
    assert!(
        junit.contains("of 7 jobs were checked") && junit.contains("a.toml"),
        "{junit}"
    );
    assert!(
        std::fs::read_to_string(f.join("x.csv"))
            .unwrap()
            .contains("a.toml")
    );
}

/// Limits can be asked for; a default that leads nowhere is no default.
#[cfg(unix)]
#[test]
fn limits_are_required_and_broken_defaults_are_said() {
    let folder = tempfile::tempdir().unwrap();
    let f = folder.path();
    write(f, "a.toml", job(0.1, ""));
    assert_eq!(groovelag(f, &["check", "a.toml"]).status.code(), Some(0));
    let required = groovelag(f, &["check", "a.toml", "--require-limits"]);
    assert_eq!(required.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&required.stdout).contains("--require-limits"));
    // limits of a rotation that no stylus of the job can see
    let ball = job(0.1, "tolerance_deg = 3").replacen(
        "profile = \"elliptical\"\nfrontal_radius_um = 18\nside_radius_um = 8",
        "profile = \"spherical\"",
        1,
    );
    assert!(ball.contains("spherical"), "{ball}");
    write(f, "ball.toml", ball);
    for (option, code) in [(&[][..], 0), (&["--require-limits"], 1)] {
        let arguments = [&["check", "ball.toml"], option].concat();
        let output = groovelag(f, &arguments);
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        assert_eq!(output.status.code(), Some(code), "{text}");
        assert!(text.contains("no stylus whose rotation"), "{text}");
    }
    for made in ["link", "folder", "pipe"] {
        let defaults = f.join("groovelag.toml");
        match made {
            "link" => std::os::unix::fs::symlink("nowhere", &defaults).unwrap(),
            "folder" => std::fs::create_dir(&defaults).unwrap(),
            _ => assert!(
                std::process::Command::new("mkfifo")
                    .arg(&defaults)
                    .status()
                    .unwrap()
                    .success()
            ),
        }
        let broken = groovelag(f, &["check", "a.toml"]);
        assert_eq!(broken.status.code(), Some(2), "{made}");
        assert!(
            String::from_utf8_lossy(&broken.stdout).contains("groovelag.toml"),
            "{made}"
        );
        match made {
            "folder" => std::fs::remove_dir(&defaults).unwrap(),
            _ => std::fs::remove_file(&defaults).unwrap(),
        }
    }
}
