//! `groovelag start`: its job is taken by `plan` as it is, and by `solve` once
//! the recordings exist. The recordings are simulated; all is invented.

use std::path::Path;
use std::process::{Command, Output, Stdio};

fn groovelag(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .current_dir(folder)
        .args(arguments)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

fn said(output: &Output) -> (Option<i32>, String, String) {
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    (
        output.status.code(),
        text(&output.stdout),
        text(&output.stderr),
    )
}

fn json(output: &Output) -> serde_json::Value {
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&output.stderr)))
}

const ALL: &[&str] = &[
    "start",
    "mine.toml",
    "--radius",
    "70",
    "--rpm",
    "33",
    "--stylus",
    "elliptical:18x8",
    "--captures",
    "speed,swapped,turned,ball",
];

/// What the job asks for, simulated: file, what differs from the first.
const RECORDINGS: &[(&str, &str)] = &[
    ("found", ""),
    ("found-other-speed", "capture.rpm = 45\n"),
    ("found-swapped", "capture.leads = \"swapped\"\n"),
    ("turned-on", "setup.rotation_deg = 6.5\n"),
    ("turned-back", "setup.rotation_deg = -1.5\n"),
    ("ball", ""),
    // after the turn: in the job as remarks
    ("after", "setup.rotation_deg = -0.3\n"),
];

#[test]
fn the_job_is_planned_as_it_is_and_solved_once_recorded() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let (status, out, error) = said(&groovelag(at, ALL));
    assert_eq!((status, error.as_str()), (Some(0), ""), "{out}");
    let read = |name: &str| std::fs::read_to_string(at.join(name)).unwrap();
    let (job, list) = (read("mine.toml"), read("mine-checklist.txt"));
    println!("{out}\n{job}\n{list}");
    // what is printed fits a page and a line
    for text in [&out, &job, &list] {
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
    }
    assert!(list.lines().count() <= 60, "the checklist fits a page");

    // planned as written; the promised band is what the plan says
    let plan = json(&groovelag(at, &["plan", "mine.toml", "--json"]));
    let found = plan["setups"].as_array().unwrap();
    let found = found.iter().find(|s| s["name"] == "found").unwrap();
    let u = found["standard_uncertainty_deg"].as_f64().unwrap();
    let band = groovelag::uncertainty::rounded_u(u * 1.959964); // normal, 95 %
    for text in [&out, &job, &list] {
        assert!(text.contains(&format!("+-{band} deg")), "+-{band}: {text}");
    }

    // the job names every recording, and the checklist asks for each
    let recipe = "format = 1\nname = \"set\"\n[programme]\nkind = \"pink\"\nduration_s = 4\n\
                  [record]\ncut_rpm = 33\ncut_rotation_deg = 0.3\n\
                  [capture]\nradius_mm = 70\nrpm = 33\nsample_rate_hz = 48000\n\
                  [cartridge]\nfrontal_radius_um = 18\n\
                  [setup]\nrotation_deg = 2.5\n[chain]\nskew_us = 0.3\n[dirt]\nsnr_db = 36\n";
    let mut text = recipe.to_owned();
    for (name, differs) in RECORDINGS {
        let tip = match *name {
            "ball" => "cartridge.profile = \"spherical\"\n",
            _ => "cartridge.profile = \"elliptical\"\ncartridge.side_radius_um = 8\n",
        };
        text += &format!("[[variation]]\nname = \"{name}\"\n{tip}{differs}");
    }
    std::fs::write(at.join("recipe.toml"), text).unwrap();
    let made = groovelag(at, &["simulate", "recipe.toml", "-o", "."]);
    assert!(made.status.success(), "{:?}", said(&made));
    for (name, _) in RECORDINGS {
        let file = format!("{name}.wav");
        assert!(job.contains(&format!("file = \"{file}\"")), "{file}\n{job}");
        assert!(list.contains(&file));
        std::fs::rename(at.join(format!("set-{name}.wav")), at.join(file)).unwrap();
    }
    assert_eq!(job.matches("[[capture]]").count(), RECORDINGS.len());

    // solved; the truth is 2.5 degrees, and the band is about the promised one
    let solution = json(&groovelag(at, &["solve", "mine.toml", "--json"]));
    let setups = solution["setups"].as_array().unwrap();
    let rotation = &setups.iter().find(|s| s["name"] == "found").unwrap()["rotation_deg"];
    let get = |key: &str| rotation[key].as_f64().unwrap();
    println!("{rotation}");
    assert!(get("lower") < 2.5 && 2.5 < get("upper"), "{rotation}");
    // predicted at the prior's means and at 5 degrees: same size, not same digits
    let reached = get("standard_uncertainty");
    assert!(reached < 1.3 * u && reached > 0.6 * u, "{reached}, {u}");

    // after the turn the remarks become the job's: what was recorded before still counts
    let (before, after) = job.split_at(job.find("# [setup.after]").unwrap());
    // but for the check sum at the end
    let lines = after.lines().take_while(|l| !l.is_empty());
    let after: Vec<&str> = lines
        .map(|l| l.strip_prefix('#').unwrap().trim_start())
        .collect();
    std::fs::write(
        at.join("mine.toml"),
        format!("{before}{}\n", after.join("\n")),
    )
    .unwrap();
    let compare = [
        "compare",
        "mine.toml",
        "--before",
        "found",
        "--after",
        "after",
    ];
    let change = json(&groovelag(at, &[&compare[..], &["--json"]].concat()));
    let get = |what: &str, key: &str| change[what][key].as_f64().unwrap();
    let holds = |what: &str, truth: f64| get(what, "lower") < truth && truth < get(what, "upper");
    assert!(
        holds("change_deg", -2.8) && holds("remaining_deg", -0.3),
        "{change}"
    );
    // one recording more, in the place of six: the band is that of all of them
    let remains = get("remaining_deg", "standard_uncertainty");
    assert!(remains < 1.1 * reached, "{remains}, {reached}");
}

/// Every answer gives a job that `plan` takes.
#[test]
fn every_answer_gives_a_job() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let mut number = 0;
    for stylus in [
        "unknown",
        "spherical",
        "elliptical",
        "line",
        "spherical:18",
        "elliptical:18x8",
        "line:40x5",
    ] {
        for (arm, aligned, radius, rpm) in [
            ("unknown", "eye", "2 7/8 in", "45"),
            ("229/211/24", "gauge", "75..70", "33"),
            ("tangential", "gauge", "72", "33"),
            ("null-radius", "eye", "66", "33"),
        ] {
            for captures in ["none", "ball,turned,swapped,speed,speed"] {
                number += 1;
                let name = format!("{number}.toml");
                let made = groovelag(
                    at,
                    &[
                        "start",
                        &name,
                        "--stylus",
                        stylus,
                        "--arm",
                        arm,
                        "--aligned",
                        aligned,
                        "--radius",
                        radius,
                        "--rpm",
                        rpm,
                        "--captures",
                        captures,
                    ],
                );
                let (status, out, error) = said(&made);
                assert_eq!((status, error.as_str()), (Some(0), ""), "{name}: {stylus}");
                assert!(out.contains("Next"));
                let planned = groovelag(at, &["plan", &name]);
                let job = std::fs::read_to_string(at.join(&name)).unwrap();
                assert_eq!(
                    planned.status.code(),
                    Some(0),
                    "{:?}\n{job}",
                    said(&planned)
                );
                let of_arm = match arm {
                    "unknown" => "The arm is not stated",
                    "229/211/24" => "\narm = \"mine\"",
                    word => &format!("\narm = \"{word}\""),
                };
                assert!(job.contains(of_arm), "{job}");
                let by_gauge = job.contains("\naligned = \"gauge\"");
                assert_eq!(by_gauge, aligned == "gauge", "{job}");
                assert_eq!(
                    job.matches("\n[[capture]]").count(),
                    if captures == "none" { 1 } else { 6 }
                );
            }
        }
    }
}

#[test]
fn nothing_is_overwritten_and_what_is_missing_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    for (arguments, names) in [
        (&["start"][..], "--radius and --rpm"),
        (&["start", "--rpm", "33"], "--radius is missing"),
        (&["start", "--radius", "70"], "--rpm is missing"),
        (
            &["start", "mine.txt", "--radius", "70", "--rpm", "33"],
            ".toml",
        ),
        (
            &[
                "start",
                "--radius",
                "70",
                "--rpm",
                "33",
                "--captures",
                "sped",
            ],
            "swapped",
        ),
        (
            &[
                "start",
                "--radius",
                "70",
                "--rpm",
                "33",
                "--stylus",
                "eliptical",
            ],
            "did you mean 'elliptical'",
        ),
    ] {
        let (status, out, error) = said(&groovelag(at, arguments));
        assert_eq!((status, out.as_str()), (Some(2), ""), "{arguments:?}");
        assert!(error.contains(names), "{arguments:?}: {error}");
    }
    assert_eq!(std::fs::read_dir(at).unwrap().count(), 0);

    // neither the job nor the checklist, and not one of them alone
    let older = "Recording checklist for another.toml\n";
    std::fs::write(at.join("mine-checklist.txt"), older).unwrap();
    let (status, _, error) = said(&groovelag(at, ALL));
    assert_eq!(status, Some(2));
    assert!(error.contains("mine-checklist.txt") && error.contains("--force"));
    assert!(!at.join("mine.toml").exists());
    let forced = groovelag(at, &[ALL, &["--force"]].concat());
    assert_eq!(forced.status.code(), Some(0), "{:?}", said(&forced));
    assert!(at.join("mine.toml").exists());
}
