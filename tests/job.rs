//! `solve`, `compare` and `plan` as a user or a script meets them.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

const JOB: &str = r#"
format = 1
title = "An invented job: two settings of an invented cartridge"

[cartridge.red]
profile = "elliptical"
frontal_radius_um = 18
side_radius_um = 8

[cartridge.ball]
profile = "spherical"
frontal_radius_um = 18

[record.A]
cut_rpm = 33

[chain.desk]

[arm.long]
effective_length_mm = 228.6
pivot_to_spindle_mm = 210.4
offset_deg = 24.1

[setup.before]
cartridge = "red"
arm = "long"

[setup.after]
cartridge = "red"
arm = "long"

[setup.sphere]
cartridge = "ball"

[limits]
tolerance_deg = 5

[[capture]]
delay_us = { value = 7.04, u = 0.005 }
setup = "before"
radius_mm = 70
rpm = 33

[[capture]]
delay_us = { value = 0.54, u = 0.005 }
setup = "after"
radius_mm = 70
rpm = 33

[[capture]]
delay_us = { value = -0.20, u = 0.005 }
setup = "sphere"
radius_mm = 70
rpm = 33
"#;

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().unwrap()
}

fn job_in(folder: &Path, text: &str) -> PathBuf {
    let path = folder.join("job.toml");
    std::fs::write(&path, text).unwrap();
    path
}

fn run(arguments: &[&str], path: &Path) -> Output {
    let (command, rest) = arguments.split_first().unwrap();
    Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .arg(command)
        .arg(path)
        .args(rest)
        .output()
        .unwrap()
}

fn json<T: schemars::JsonSchema>(output: &Output) -> serde_json::Value {
    let value: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let schema = serde_json::to_value(schemars::schema_for!(T)).unwrap();
    if let Err(e) = jsonschema::validate(&schema, &value) {
        panic!("{e}: {value:#}");
    }
    value
}

#[test]
fn solve_prints_what_the_contract_promises() {
    let folder = folder();
    let path = job_in(folder.path(), JOB);
    let output = run(&["solve", "--json"], &path);
    // seven degrees against five: a stated tolerance is not met
    assert_eq!(output.status.code(), Some(1), "{output:?}");
    let document = json::<groovelag::report::solution::SolutionDocument>(&output);
    assert_eq!(document["schema"], "groovelag/solution/1");
    assert_eq!(document["program"]["name"], "groovelag");
    for key in [
        "setups",
        "records",
        "cartridges",
        "chains",
        "captures",
        "unknowns",
        "correlations",
        "fit",
        "warnings",
    ] {
        assert!(!document[key].is_null(), "{key}");
    }
    let names: Vec<_> = document["setups"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| &s["name"])
        .collect();
    // as they were recorded, a spherical tip last
    assert_eq!(names, ["before", "after", "sphere"]);
    let q = &document["setups"][0]["rotation_deg"];
    for key in [
        "value",
        "standard_uncertainty",
        "lower",
        "upper",
        "coverage",
    ] {
        assert!(q[key].is_number(), "{key}");
    }
    assert_eq!(q["interval"], "finite");
    assert_eq!(document["captures"][0]["file"], "delay 1");
    // a later setup of the same cartridge counts
    assert_eq!(document["setups"][0]["superseded_by"], "after");
    assert!(document["setups"][0]["correction"].is_null());
    let alone = json::<groovelag::report::solution::SolutionDocument>(&run(
        &["solve", "--json"],
        &job_in(folder.path(), &found_alone()),
    ));
    let before = setup_before(&alone);
    assert_eq!(before["correction"]["direction"], "anticlockwise");
    assert!(before["superseded_by"].is_null());
    // to the groove = in the headshell + the arm's tracking error
    let value = |key: &str| before[key]["value"].as_f64().unwrap();
    let tracking = before["arm"]["tracking_error_deg"].as_f64().unwrap();
    let sum = value("headshell_deg") + tracking;
    assert!((value("rotation_deg") - sum).abs() < 1e-9, "{before}");
    let body = &before["stylus_to_body_deg"];
    assert!(
        body["standard_uncertainty"].as_f64()
            > before["headshell_deg"]["standard_uncertainty"].as_f64()
    );
}

/// The job before anything was turned.
fn found_alone() -> String {
    let from = JOB.find("[[capture]]\ndelay_us = { value = 0.54").unwrap();
    let to = JOB.find("[[capture]]\ndelay_us = { value = -0.20").unwrap();
    JOB[..from].to_owned() + &JOB[to..]
}

#[test]
fn text_keeps_to_eighty_columns_and_says_what_to_do() {
    let folder = folder();
    let path = job_in(folder.path(), JOB);
    for arguments in [
        &["solve", "--monte-carlo", "500"][..],
        &["compare", "--before", "before", "--after", "after"],
        &["plan"],
        &["plan", "--steps", "3"],
    ] {
        let output = run(arguments, &path);
        let text = String::from_utf8(output.stdout).unwrap();
        assert!(!text.is_empty() && output.stderr.is_empty());
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
    }
    let path = job_in(folder.path(), &found_alone());
    let text = String::from_utf8(run(&["solve"], &path).stdout).unwrap();
    for words in [
        "clockwise seen from above (front of the cartridge towards the spindle)",
        "undecided to +-5 degrees, stylus to body",
        "mounting hole nearer the spindle",
        "null radii",
        "offset angle of arm long",
        "cannot see its own rotation",
    ] {
        let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(words), "{words}: {text}");
    }
    // where a ball alone qualifies a side, what limits its cut
    let ball = "format = 1\n[cartridge.b]\nprofile = \"spherical\"\n[record.A]\n[[capture]]\n\
        delay_us = { value = 1, u = 0.05 }\nradius_mm = 70\nrpm = 33\n";
    let path = job_in(folder.path(), ball);
    let text = String::from_utf8(run(&["solve"], &path).stdout).unwrap();
    let (cut, setup) = text.split_once("Setup").unwrap();
    assert!(
        cut.contains("What limits it") && cut.contains("of the chain"),
        "{text}"
    );
    assert!(!setup.contains("What limits it"), "{text}");
}

#[test]
fn compare_and_plan_documents() {
    let folder = folder();
    let path = job_in(folder.path(), JOB);
    let output = run(
        &[
            "compare", "--before", "before", "--after", "after", "--json",
        ],
        &path,
    );
    // the tolerance is undecided
    assert_eq!(output.status.code(), Some(1));
    let document = json::<groovelag::report::solution::ComparisonDocument>(&output);
    assert_eq!(document["schema"], "groovelag/comparison/1");
    assert!(document["probability_improved"].as_f64().unwrap() > 0.99);
    assert!(document["change_deg"]["value"].as_f64().unwrap() < -5.0);

    let output = run(&["plan", "--json"], &path);
    let document = json::<groovelag::report::solution::PlanDocument>(&output);
    assert_eq!(document["schema"], "groovelag/plan/1");
    let u: Vec<f64> = document["suggestions"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| s["standard_uncertainty_deg"].as_f64().unwrap())
        .collect();
    assert!(u.is_sorted() && !u.is_empty());
    // a goal out of reach is a limit not met
    assert_eq!(
        run(&["plan", "--until", "0.0001"], &path).status.code(),
        Some(1)
    );
    assert_eq!(
        run(&["plan", "--until", "10"], &path).status.code(),
        Some(0)
    );
}

#[test]
fn what_was_learned_goes_into_the_next_job() {
    let folder = folder();
    let path = job_in(folder.path(), JOB);
    let known = folder.path().join("known.toml");
    let export = ["solve", "--export-knowledge", known.to_str().unwrap()];
    assert_eq!(run(&export, &path).status.code(), Some(1));
    // not overwritten unless asked
    let again = run(&export, &path);
    assert_eq!(again.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&again.stderr).contains("--force"));
    let u = |path: &Path| {
        let output = run(&["solve", "--json"], path);
        let value: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        value["setups"][0]["rotation_deg"]["standard_uncertainty"]
            .as_f64()
            .unwrap()
    };
    let second = JOB
        .replace("format = 1", "format = 1\ninclude = [\"known.toml\"]")
        .replace("setup = \"sphere\"", "setup = \"after\"\nturn_deg = 4")
        .replace("value = -0.20", "value = 4.60");
    let with = job_in(folder.path(), &second);
    let informed = u(&with);
    let without = job_in(folder.path(), &second.replace("include", "note = \"\" #"));
    assert!(informed < u(&without));
}

/// Two benches play one side; what they learned is added, and a third job includes both or the sum.
#[test]
fn what_several_jobs_learned_adds_up() {
    let folder = folder();
    let at = |name: &str| in_folder(&folder, name);
    // a ball, leads swapped and another speed: the cut makes a delay of `cut_us` at 33 rpm
    let bench = |name: &str, cut_us: f64| {
        let captures = [
            (cut_us, 33, ""),
            (-cut_us, 33, "leads = \"swapped\""),
            (cut_us / 1.35, 45, ""),
        ];
        let captures = captures.map(|(us, rpm, leads)| {
            let us = us + 0.35;
            format!("[[capture]]\ndelay_us = {{ value = {us}, u = 0.005 }}\nradius_mm = 70\nrpm = {rpm}\n{leads}\n")
        });
        let text = format!(
            "format = 1\n[cartridge.ball-{name}]\nprofile = \"spherical\"\nfrontal_radius_um = 18\n[record.A]\ncut_rpm = 33\n[chain.desk-{name}]\n[setup.sphere]\ncartridge = \"ball-{name}\"\n{}",
            captures.concat()
        );
        let path = job_in(folder.path(), &text);
        let out = run(
            &["solve", "--export-knowledge", &at(&format!("{name}.toml"))],
            &path,
        );
        assert_eq!(out.status.code(), Some(0), "{out:?}");
    };
    bench("one", -1.4);
    bench("two", -1.3);
    bench("far", 1.4);
    let merge = |arguments: &[&str]| {
        Command::new(env!("CARGO_BIN_EXE_groovelag"))
            .arg("merge")
            .args(arguments)
            .current_dir(folder.path())
            .output()
            .unwrap()
    };
    let out = merge(&["one.toml", "two.toml", "-o", "sum.toml"]);
    let text = String::from_utf8(out.stdout).unwrap();
    assert_eq!(out.status.code(), Some(0), "{text}");
    assert!(text.contains("cut rotation of record A: "), "{text}");
    let u = |include: &str| {
        let text = JOB
            .split("[setup.sphere]")
            .next()
            .unwrap()
            .replace("format = 1", &format!("format = 1\ninclude = [{include}]"))
            + "\n[[capture]]\ndelay_us = { value = 2, u = 0.005 }\nsetup = \"before\"\nradius_mm = 70\nrpm = 33\n";
        let out = run(&["solve", "--json"], &job_in(folder.path(), &text));
        let message = String::from_utf8_lossy(&out.stderr).into_owned();
        let value: serde_json::Value = serde_json::from_slice(&out.stdout).map_err(|_| message)?;
        let u = &value["records"][0]["cut_rotation_deg"]["standard_uncertainty"];
        Ok::<_, String>(u.as_f64().unwrap())
    };
    let (one, both) = (
        u("\"one.toml\"").unwrap(),
        u("\"one.toml\", \"two.toml\"").unwrap(),
    );
    assert!(both < 0.9 * one, "{both} {one}");
    let sum = u("\"sum.toml\"").unwrap();
    assert!((sum / both - 1.0).abs() < 1e-6, "{sum} {both}");
    let twice = u("\"one.toml\", \"sum.toml\"").unwrap_err();
    assert!(
        twice.contains("line 3") && twice.contains("'one.toml' and 'sum.toml'"),
        "{twice}"
    );
    // contradicting: named and withheld
    let out = merge(&["one.toml", "far.toml", "-o", "not.toml"]);
    let text = String::from_utf8(out.stdout).unwrap();
    assert_eq!(out.status.code(), Some(1), "{text}");
    assert!(
        text.starts_with("In doubt: the cut rotation of record A in 'far.toml' differs by -")
            && text.contains("they disagree"),
        "{text}"
    );
    assert!(!folder.path().join("not.toml").exists());
    assert_eq!(merge(&["one.toml", "one.toml"]).status.code(), Some(2));
    // some captures alone, from a single file
    let only = [
        "sum.toml",
        "--only",
        "cartridge.ball-one",
        "-o",
        "ball.toml",
    ];
    assert_eq!(merge(&only).status.code(), Some(0));
    assert!((u("\"ball.toml\"").unwrap() / one - 1.0).abs() < 1e-6);
    let out = merge(&["sum.toml", "--only", "record.B"]);
    assert_eq!(out.status.code(), Some(2));
    let message = String::from_utf8(out.stderr).unwrap();
    assert!(
        message.contains("'record.B', only with ") && message.contains("leave the file out"),
        "{message}"
    );
    // the order of the files changes nothing
    assert_eq!(
        merge(&["two.toml", "one.toml", "-o", "mus.toml"])
            .status
            .code(),
        Some(0)
    );
    let content = |name: &str| std::fs::read_to_string(at(name)).unwrap();
    assert_eq!(content("mus.toml"), content("sum.toml"));
}

/// A day of mounting that no included file knows is refused, and a figure stated otherwise is told.
/// A network in three shards, two of which are solved at once by processes of their own and exported: the job that
/// includes them knows the records as the job of everything does.
#[test]
fn a_network_is_the_sum_of_its_shards() {
    let folder = folder();
    const THINGS: &str = "[record.A]\n[record.B]\n[chain.desk]\nskew_us = { value = 0, u = 0.1 }\n";
    // invented: rotations from -3 to 3 degrees, cuts of 0.4 and -0.3, read to 0.05 us
    let cartridges = |shard: usize| {
        let each = (0..4).map(|k| {
            let name = format!("{shard}{k}");
            let rotation = f64::from(((5 * shard + 3 * k) % 7) as u8) - 3.0;
            let mut text = format!("[cartridge.{name}]\nprofile = \"elliptical\"\n[setup.{name}]\ncartridge = \"{name}\"\narm = \"tangential\"\n");
            for (record, cut) in [("A", 0.4f64), ("B", -0.3)] {
                for rpm in [33.0, 45.0] {
                    let speed = std::f64::consts::TAU * rpm / 60.0 * 0.1;
                    let us = 10.0 * (rotation + cut).to_radians() / speed;
                    text += &format!("[[capture]]\nsetup = \"{name}\"\nrecord = \"{record}\"\nrpm = {rpm}\nradius_mm = 100\ndelay_us = {{ value = {us}, u = 0.05 }}\n");
                }
            }
            text
        });
        each.collect::<String>()
    };
    let job = |head: &str, shards: &[usize]| {
        let all: String = shards.iter().map(|&shard| cartridges(shard)).collect();
        format!("format = 1\n{head}{THINGS}{all}")
    };
    let program = |arguments: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_groovelag"));
        command.args(arguments).current_dir(folder.path());
        command
    };
    let write = |name: &str, text: String| std::fs::write(folder.path().join(name), text).unwrap();
    let shards = [1, 2].map(|shard| {
        let (name, part) = (format!("shard-{shard}.toml"), format!("part-{shard}.toml"));
        write(&name, job("", &[shard]));
        let mut solve = program(&["solve", &name, "--export-knowledge", &part]);
        solve.stdout(std::process::Stdio::null()).spawn().unwrap()
    });
    for mut shard in shards {
        assert_eq!(shard.wait().unwrap().code(), Some(0));
    }
    write(
        "sum.toml",
        job("include = [\"part-1.toml\", \"part-2.toml\"]\n", &[0]),
    );
    write("whole.toml", job("", &[0, 1, 2]));
    // a job without captures is about those that it includes
    write(
        "included.toml",
        "format = 1\ninclude = [\"part-1.toml\", \"part-2.toml\"]\n".to_owned(),
    );
    write("both.toml", job("", &[1, 2]));
    let cuts = |name: &str| {
        let out = program(&["solve", name, "--json"]).output().unwrap();
        let value: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
        let records = value["records"].as_array().unwrap().clone();
        records
            .iter()
            .map(|r| {
                let of = |key: &str| r["cut_rotation_deg"][key].as_f64().unwrap();
                [of("value"), of("standard_uncertainty")]
            })
            .collect::<Vec<_>>()
    };
    for (parts, whole) in [("sum.toml", "whole.toml"), ("included.toml", "both.toml")] {
        let (sum, whole) = (cuts(parts), cuts(whole));
        assert_eq!((sum.len(), whole.len()), (2, 2));
        for ([value, u], [of_whole, u_of_whole]) in sum.into_iter().zip(whole) {
            assert!(
                (value - of_whole).abs() < 0.01 * u_of_whole,
                "{parts}: {value} {of_whole}"
            );
            assert!(
                (u / u_of_whole - 1.0).abs() < 0.01,
                "{parts}: {u} {u_of_whole}"
            );
        }
    }
}

#[test]
fn what_knowledge_contradicts_is_told() {
    let folder = folder();
    let job = |include: &str, day: &str, side_um: f64, delay_us: f64| {
        let text = format!(
            "format = 1\n{include}\n[cartridge.c]\nprofile = \"elliptical\"\nfrontal_radius_um = 18\nside_radius_um = {side_um}\n[setup.s]\nmounted = {day}\n[[capture]]\ndelay_us = {{ value = {delay_us}, u = 0.005 }}\nradius_mm = 70\nrpm = 33\n"
        );
        job_in(folder.path(), &text)
    };
    let known = in_folder(&folder, "known.toml");
    let export = ["solve", "--export-knowledge", &known];
    let out = run(&export, &job("", "2026-02-03", 8.0, 3.0));
    assert_eq!(out.status.code(), Some(0), "{out:?}");
    let include = "include = [\"known.toml\"]";
    let out = run(&["solve"], &job(include, "2026-02-04", 8.0, 3.1));
    assert_eq!(out.status.code(), Some(2));
    let message = String::from_utf8(out.stderr).unwrap();
    for words in ["line 7", "mounted on 2026-02-04", "mounted on 2026-02-03"] {
        assert!(message.contains(words), "{message}");
    }
    let told = |side_um| {
        let out = run(
            &["solve", "--json"],
            &job(include, "2026-02-03", side_um, 3.1),
        );
        let value: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
        let warnings = value["warnings"].as_array().unwrap().clone();
        let mut of_figure = warnings
            .into_iter()
            .filter(|w| w["code"] == "stated-otherwise");
        let first = of_figure.next();
        assert_eq!(of_figure.next(), None);
        first.map(|w| w["message"].as_str().unwrap().to_owned())
    };
    assert_eq!(told(8.0), None);
    let message = told(5.0).unwrap();
    assert!(
        message.starts_with("side radius of cartridge c: 5 um by this job and 8 by known.toml"),
        "{message}"
    );
    // a setup that is carried on has its captures there
    let compared = |include: &str| {
        let text = format!(
            "format = 1\n{include}\n[cartridge.c]\nprofile = \"elliptical\"\n[setup.s]\nmounted = 2026-02-03\n[setup.t]\n[[capture]]\ndelay_us = {{ value = 1, u = 0.005 }}\nsetup = \"t\"\nradius_mm = 70\nrpm = 33\n"
        );
        let path = job_in(folder.path(), &text);
        let out = run(&["compare", "--before", "s", "--after", "t"], &path);
        let said = String::from_utf8_lossy(&out.stdout).into_owned();
        assert!(said.contains("Change"), "{out:?}");
        said.contains("setup 's' has no captures")
    };
    assert!(compared("") && !compared(include));
}

#[test]
fn what_is_unusable_is_named_with_its_line() {
    let folder = folder();
    let missing = JOB.replacen(
        "delay_us = { value = 7.04, u = 0.005 }",
        "file = \"no.wav\"",
        1,
    );
    for (text, words) in [
        (missing.as_str(), "line 38: there is no recording 'no.wav'"),
        (&JOB.replace("[limits]", "[limit]"), "did you mean 'limits'"),
        (
            &JOB.replace("setup = \"after\"", "setup = \"later\""),
            "there is no setup 'later'",
        ),
        ("", "format = 1"),
        (
            &JOB.replace("= 18\nside_radius_um = 8", "= 8\nside_radius_um = 18"),
            "the side radius exceeds the frontal radius",
        ),
        (
            &JOB.replace("side_radius_um = 8", "side_radius_um = 0.3"),
            "side_radius_um",
        ),
        (
            &JOB.replace("228.6", "210.4")
                .replace("mm = 210.4\noffset", "mm = 228.6\noffset"),
            "exceeds pivot to spindle",
        ),
        (&JOB[..JOB.find("[[capture]]").unwrap()], "no capture"),
        (
            &JOB.replace("value = 7.04", "value = 3000"),
            "did not converge",
        ),
    ] {
        let path = job_in(folder.path(), text);
        let output = run(&["solve"], &path);
        assert_eq!(output.status.code(), Some(2), "{words}");
        let message = String::from_utf8(output.stderr).unwrap();
        assert!(
            message.contains(words) && message.contains("job.toml"),
            "{message}"
        );
        assert_eq!(message.trim_end().lines().count(), 1);
        assert!(output.stdout.is_empty());
    }
    let output = run(
        &["compare", "--before", "x", "--after", "after"],
        &job_in(folder.path(), JOB),
    );
    assert!(String::from_utf8_lossy(&output.stderr).contains("there is no setup 'x'"));
}

fn setup_before(document: &serde_json::Value) -> &serde_json::Value {
    let setups = document["setups"].as_array().unwrap();
    setups.iter().find(|s| s["name"] == "before").unwrap()
}

#[test]
fn a_goal_that_is_reached_needs_nothing() {
    let folder = folder();
    let output = run(&["plan", "--until", "30"], &job_in(folder.path(), JOB));
    assert_eq!(output.status.code(), Some(0));
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.contains("goal is reached already"), "{text}");
}

/// Turns of 4 degrees whose signs are exchanged ask for a lever that no tip has; a
/// delay of 25 us asks for a rotation that hardly any stylus has. Neither gives
/// advice or a verdict.
#[test]
fn what_no_stylus_is_gets_no_advice() {
    let folder = folder();
    let capture = |delay: f64, turn: f64| {
        format!(
            "[[capture]]\ndelay_us = {{ value = {delay}, u = 0.005 }}\nsetup = \"before\"\nradius_mm = 70\nrpm = 33\nturn_deg = {turn}\n\n"
        )
    };
    let head = &JOB[..JOB.find("[[capture]]").unwrap()];
    let of = |captures: &[(f64, f64)]| {
        let captures: String = captures.iter().map(|c| capture(c.0, c.1)).collect();
        let path = job_in(folder.path(), &(head.to_owned() + &captures));
        json::<groovelag::report::solution::SolutionDocument>(&run(&["solve", "--json"], &path))
    };
    let right = of(&[(3.0, 0.0), (7.05, 4.0), (-1.05, -4.0)]);
    assert!(setup_before(&right)["correction"].is_object(), "{right}");
    for (captures, code) in [
        (
            &[(3.0, 0.0), (7.05, -4.0), (-1.05, 4.0)][..],
            "impossible-lever",
        ),
        (&[(25.0, 0.0)], "implausible-rotation"),
    ] {
        let wrong = of(captures);
        let before = setup_before(&wrong);
        assert!(before["correction"].is_null(), "{wrong}");
        assert!(before["conformity"].is_null(), "{wrong}");
        assert!(
            wrong["in_doubt"]
                .as_str()
                .unwrap()
                .starts_with("In doubt: ")
        );
        let warnings = wrong["warnings"].as_array().unwrap();
        let found = warnings.iter().find(|w| w["code"] == code);
        assert_eq!(found.unwrap()["level"], "serious", "{wrong}");
    }
    let output = run(
        &["solve"],
        &job_in(folder.path(), &(head.to_owned() + &capture(25.0, 0.0))),
    );
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.starts_with("In doubt: "), "{text}");
    // a picture by itself says so, too, and a plan from there
    for (delay_us, doubted) in [(25.0, true), (3.0, false)] {
        let job = job_in(folder.path(), &(head.to_owned() + &capture(delay_us, 0.0)));
        let picture = in_folder(&folder, &format!("{delay_us}.svg"));
        let written = run(&["solve", "--plot", &format!("rotations={picture}")], &job);
        assert_ne!(written.status.code(), Some(2), "{written:?}");
        let svg = std::fs::read_to_string(picture).unwrap();
        assert_eq!(svg.contains("In doubt: "), doubted, "{delay_us}");
        let plan = String::from_utf8(run(&["plan"], &job).stdout).unwrap();
        let words = plan.split_whitespace().collect::<Vec<_>>().join(" ");
        assert_eq!(words.contains("do not act on them"), doubted, "{plan}");
    }
    assert!(
        text.contains("Turn nothing until the doubt is resolved"),
        "{text}"
    );
}

/// The text of the caveat with this code, if there is one.
fn caveat(document: &serde_json::Value, code: &str) -> Option<String> {
    let list = document["warnings"].as_array().unwrap();
    let found = list.iter().find(|w| w["code"] == code)?;
    assert_ne!(found["level"], "note", "{found}");
    Some(found["message"].as_str().unwrap().to_owned())
}

/// Slips that leave a plausible result: knowledge of another record, repeats that are none,
/// a diameter in place of a radius, a radius in place of a speed.
#[test]
fn slips_that_leave_a_result_are_pointed_out() {
    let folder = folder();
    let path = job_in(folder.path(), JOB);
    run(
        &[
            "solve",
            "--export-knowledge",
            &in_folder(&folder, "known.toml"),
        ],
        &path,
    );
    let document = |text: &str| {
        let path = job_in(folder.path(), text);
        json::<groovelag::report::solution::SolutionDocument>(&run(&["solve", "--json"], &path))
    };
    let alone = JOB
        .split("[[capture]]")
        .take(2)
        .collect::<Vec<_>>()
        .join("[[capture]]");
    let included = |record: &str| {
        let other = alone.replace("[record.A]", &format!("[record.{record}]"));
        format!("include = \"known.toml\"\n{other}")
    };
    let unused = caveat(&document(&included("B")), "knowledge-unused").unwrap();
    assert!(unused.contains("record A"), "{unused}");
    assert_eq!(caveat(&document(&included("A")), "knowledge-unused"), None);

    // leads that were swapped and not entered: two captures of one state, 9 us apart
    let other = "\n[[capture]]\ndelay_us = { value = -2, u = 0.005 }\nsetup = \"before\"\nradius_mm = 70\nrpm = 33\n";
    let scatter = caveat(
        &document(&format!("{alone}{other}")),
        "scatter-between-drops",
    )
    .unwrap();
    assert!(
        scatter.contains("capture 1") && scatter.contains("capture 2"),
        "{scatter}"
    );

    let place = |radius: &str, rpm: &str| {
        let other = alone.replace("radius_mm = 70", &format!("radius_mm = {radius}"));
        document(&other.replace("rpm = 33\n", &format!("rpm = {rpm}\n")))
    };
    let entered = place("144", "72");
    assert_eq!(caveat(&entered, "unusual-radius"), None);
    assert!(caveat(&entered, "unusual-speed").unwrap().contains("72"));
    let entered = place("36", "44.5");
    assert!(caveat(&entered, "unusual-radius").unwrap().contains("36"));
    assert_eq!(caveat(&entered, "unusual-speed"), None);
}

fn in_folder(folder: &tempfile::TempDir, name: &str) -> String {
    folder.path().join(name).to_string_lossy().into_owned()
}

/// Where every tip is spherical, the cut is what a plan is about.
#[test]
fn a_plan_to_qualify_a_record_is_about_its_cut() {
    let folder = folder();
    let text = "format = 1\n[cartridge.ball]\nprofile = \"spherical\"\n[record.A]\n[chain.x]\n[setup.ball]\n[[capture]]\nplanned = true\nradius_mm = 70\nrpm = 33\n";
    let path = job_in(folder.path(), text);
    let plan = |more: &[&str]| run(&[&["plan"], more].concat(), &path);
    let document = json::<groovelag::report::solution::PlanDocument>(&plan(&["--json"]));
    let now = document["records"][0]["standard_uncertainty_deg"]
        .as_f64()
        .unwrap();
    assert!((0.1..0.5).contains(&now), "{now}");
    let best = &document["suggestions"][0];
    assert!(
        best["standard_uncertainty_deg"].as_f64().unwrap() < now,
        "{document:#}"
    );
    let out = plan(&["--until", "0.01"]);
    let text = String::from_utf8_lossy(&out.stdout);
    assert_eq!(out.status.code(), Some(1));
    assert!(
        text.contains("of the cut") && text.contains("do not reach the goal"),
        "{text}"
    );
    // nothing has been recorded: there is nothing to solve
    let solved = run(&["solve"], &path);
    assert_eq!(solved.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&solved.stderr).contains("groovelag plan"));
}

#[test]
fn what_cannot_be_compared_is_refused() {
    let folder = folder();
    let path = job_in(folder.path(), JOB);
    for (arguments, says) in [
        (
            &["--before", "before", "--after", "before"][..],
            "name two setups",
        ),
        (
            &["--before", "before", "--after", "after", "--radius", "70"],
            "--radius is for two recordings",
        ),
    ] {
        let output = run(&[&["compare"], arguments].concat(), &path);
        let error = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{error}");
        assert!(error.contains(says), "{error}");
    }
    // the wrong way round it is worse, and says so
    let swapped = run(
        &["compare", "--before", "after", "--after", "before"],
        &path,
    );
    let text = String::from_utf8_lossy(&swapped.stdout);
    assert!(text.contains("no: larger"), "{text}");
}

/// A cartridge whose channels see 4 % of one another, turned by known angles about -6 degrees:
/// at delays of up to 9 us crosstalk is no mere factor, and without its bend the captures
/// contradict each other by what the equaliser's terms make of it (chi-square 75 for 24).
#[test]
fn captures_with_crosstalk_and_large_delays_agree() {
    use groovelag::simulate::{render, variations};
    let folder = folder();
    let recipe = r#"
format = 1
seed = 41
[programme]
kind = "pink"
duration_s = 6
[record]
cut_rotation_deg = 0.3
[capture]
radius_mm = 70
rpm = 33
sample_rate_hz = 48000
[cartridge]
profile = "elliptical"
frontal_radius_um = 18
side_radius_um = 8
crosstalk_right_into_left = [0.04, 0.0]
crosstalk_left_into_right = [0.04, 0.0]
[setup]
rotation_deg = -6.2
[chain]
skew_us = 0.3
[dirt]
snr_db = 35
[[variation]]
name = "found"
[[variation]]
name = "swapped"
capture.leads = "swapped"
[[variation]]
name = "back"
setup.rotation_deg = -10.2
[[variation]]
name = "on"
setup.rotation_deg = -2.2
"#;
    for recipe in variations::expand(recipe, "x").unwrap() {
        let name = recipe.name.clone().unwrap();
        let rendered = render(&recipe, Path::new("")).unwrap();
        let file = folder.path().join(format!("{name}.wav"));
        std::fs::write(file, rendered.wav(&name).0).unwrap();
    }
    let capture = |name: &str, more: &str| {
        format!("[[capture]]\nfile = \"{name}.wav\"\nradius_mm = 70\nrpm = 33\n{more}\n")
    };
    let job = [
        "format = 1\n[cartridge.red]\nprofile = \"elliptical\"\nfrontal_radius_um = 18\nside_radius_um = 8\n[record.A]\n[chain.x]\n[setup.found]\n".to_owned(),
        capture("x-found", ""),
        capture("x-swapped", "leads = \"swapped\""),
        capture("x-back", "turn_deg = -4"),
        capture("x-on", "turn_deg = 4"),
    ]
    .concat();
    let path = job_in(folder.path(), &job);
    let document =
        json::<groovelag::report::solution::SolutionDocument>(&run(&["solve", "--json"], &path));
    let p = document["fit"]["p_value"].as_f64().unwrap();
    assert!(p > 0.01, "{p}: {document:#}");
    // the bend is among the causes of the cartridge's response, which is an unknown of the job
    let unknowns = document["unknowns"].as_array().unwrap();
    let named = |name: &str| unknowns.iter().any(|u| u["name"] == name);
    assert!(named("cartridge.red.phase response") && named("capture.1.phase response"));
    let rotation = &document["setups"][0]["rotation_deg"];
    let (low, high) = (
        rotation["lower"].as_f64().unwrap(),
        rotation["upper"].as_f64().unwrap(),
    );
    assert!(low < -6.2 && -6.2 < high, "{rotation}");
}

/// `channels` says which channels are left and right; exchanged ones turn the delay over, and
/// a capture whose channels were exchanged is explained so, with nothing else beside it.
#[test]
fn exchanged_channels_are_found_and_put_right() {
    let folder = folder();
    let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-signals/workshop");
    for entry in std::fs::read_dir(&shipped).unwrap() {
        let path = entry.unwrap().path();
        std::fs::copy(&path, folder.path().join(path.file_name().unwrap())).unwrap();
    }
    let job = std::fs::read_to_string(shipped.join("job.toml")).unwrap();
    let solved = |job: &str| {
        let output = run(&["solve", "--json"], &job_in(folder.path(), job));
        json::<groovelag::report::solution::SolutionDocument>(&output)
    };
    let turned = "file = \"workshop-found-turned-on.wav\"\n";
    let exchanged = job.replace(turned, &format!("{turned}channels = [2, 1]\n"));
    let (right, wrong) = (solved(&job), solved(&exchanged));
    let delay = |document: &serde_json::Value| {
        document["captures"][2]["delay_us"]["value"]
            .as_f64()
            .unwrap()
    };
    let (there, back) = (delay(&right), delay(&wrong));
    assert!((there + back).abs() < 1e-3, "{there} {back}");
    let doubt = wrong["in_doubt"].as_str().unwrap();
    assert!(doubt.contains("remove channels = [2, 1]"), "{doubt}");
    let serious = wrong["warnings"].as_array().unwrap().iter();
    let serious: Vec<_> = serious.filter(|w| w["level"] == "serious").collect();
    assert_eq!(serious.len(), 1, "{serious:?}");
    // a comparison withholds what is due as well
    let compared = |job: &str| {
        let options = [
            "compare",
            "--before",
            "found",
            "--after",
            "corrected",
            "--json",
        ];
        let output = run(&options, &job_in(folder.path(), job));
        json::<groovelag::report::solution::ComparisonDocument>(&output)
    };
    assert!(compared(&job)["due_deg"].is_number());
    let doubted = compared(&exchanged);
    assert!(doubted["due_deg"].is_null() && doubted["conformity"].is_null());
    for wrong in ["[2]", "[0, 1]", "\"2,1\"", "[1.5, 2]"] {
        let job = job.replace(turned, &format!("{turned}channels = {wrong}\n"));
        let output = run(&["solve"], &job_in(folder.path(), &job));
        let message = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(message.contains("channels = [2, 1]"), "{wrong}: {message}");
    }
}

/// One recording of several bands is as many captures: found by their pauses they tell what
/// captures with the same times do, and the file is one input. Everything is invented.
#[test]
fn bands_of_one_recording_are_captures() {
    use groovelag::capture::{self, ReadOptions, Source, Stereo, StreamWriter};
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-signals/example.wav");
    let mut recording = capture::open(&Source::Path(example), &ReadOptions::default()).unwrap();
    let mut band = Stereo::default();
    recording.read(&mut band, 1 << 20).unwrap();
    let silence = Stereo {
        left: vec![0.0; 96_000],
        right: vec![0.0; 96_000],
    };
    let left_only = Stereo {
        left: band.left.clone(),
        right: band.left.iter().map(|v| 0.03 * v).collect(),
    };
    let file = std::fs::File::create(at.join("side.wav")).unwrap();
    let mut writer = StreamWriter::new(file, 48_000, Some(24)).unwrap();
    for part in [&silence, &band, &silence, &left_only, &silence, &band] {
        writer.write(part).unwrap();
    }
    writer.finish().unwrap();

    let run = |arguments: &[&str]| {
        let out = Command::new(env!("CARGO_BIN_EXE_groovelag"))
            .current_dir(at)
            .args(arguments)
            .output()
            .unwrap();
        let error = String::from_utf8_lossy(&out.stderr).into_owned();
        let json = serde_json::from_slice::<serde_json::Value>(&out.stdout);
        (json.unwrap_or_default(), error)
    };
    let (list, _) = run(&["measure", "side.wav", "--bands", "--json"]);
    assert_eq!(list["schema"], "groovelag/bands/1");
    let schema = schemars::generate::SchemaSettings::default()
        .for_serialize()
        .into_generator()
        .into_root_schema_for::<groovelag::report::bands::BandList>();
    super::schemas::holds(
        "bands",
        &schema.into(),
        std::slice::from_ref(&list),
        "schema",
    );
    let bands = list["bands"].as_array().unwrap();
    let length = band.left.len() as f64 / 48_000.0;
    let spans: Vec<[f64; 2]> = bands
        .iter()
        .map(|b| [0, 1].map(|k| b["span_s"][k].as_f64().unwrap()))
        .collect();
    assert_eq!(spans.len(), 3, "{spans:?}");
    for (k, [from, to]) in spans.iter().enumerate() {
        let begin = 2.0 + k as f64 * (2.0 + length);
        // the example has a lead-in and a run-out of its own
        assert!(*from >= begin && *from < begin + 0.6, "{spans:?}");
        assert!(
            *to <= begin + length + 1e-9 && *to > begin + length - 0.6,
            "{spans:?}"
        );
    }

    let head = "format = 1\n[record.a.band.outer]\nradius_mm = 72\n[record.a.band.left]\n\
                kind = \"left\"\nradius_mm = 71\n[record.a.band.inner]\nradius_mm = 70\n";
    let by_pauses = "[[capture]]\nfile = \"side.wav\"\nrpm = 33\nbands = \"pauses\"\n";
    std::fs::write(at.join("pauses.toml"), format!("{head}{by_pauses}")).unwrap();
    let capture = |[from, to]: [f64; 2], radius: f64| {
        format!(
            "[[capture]]\nfile = \"side.wav\"\nrpm = 33\nradius_mm = {radius}\nfrom_s = {from}\nto_s = {to}\n"
        )
    };
    let by_times = capture(spans[0], 72.0) + &capture(spans[2], 70.0);
    std::fs::write(at.join("times.toml"), format!("{head}{by_times}")).unwrap();
    let (found, error) = run(&["solve", "pauses.toml", "--json"]);
    let (stated, _) = run(&["solve", "times.toml", "--json"]);
    let captures = found["captures"]
        .as_array()
        .unwrap_or_else(|| panic!("{error}"));
    assert_eq!(captures[0]["file"], "side.wav, band outer");
    assert_eq!(captures[1]["file"], "side.wav, band inner");
    assert_eq!(found["setups"], stated["setups"]);
    for (k, capture) in captures.iter().enumerate() {
        assert_eq!(capture["delay_us"], stated["captures"][k]["delay_us"]);
    }
    let inputs = found["basis"]["inputs"].as_array().unwrap();
    let names: Vec<_> = inputs.iter().map(|i| i["file"].as_str().unwrap()).collect();
    assert_eq!(names, ["pauses.toml", "side.wav"]);

    std::fs::write(at.join("result.json"), found.to_string()).unwrap();
    let (verified, error) = run(&["verify", "result.json", "--json"]);
    assert_eq!(verified["verified"], true, "{error}");

    // another number of bands than there are is told with what is there
    let fewer = format!("{head}[record.a.band.more]\nradius_mm = 60\n{by_pauses}");
    std::fs::write(at.join("fewer.toml"), fewer).unwrap();
    let (_, error) = run(&["solve", "fewer.toml"]);
    assert!(
        error.contains("4 bands are expected in 'side.wav'") && error.contains("into 3"),
        "{error}"
    );
}
