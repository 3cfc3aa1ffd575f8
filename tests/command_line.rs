//! Help that fits a screen, nearest options, completions and manual pages.

use std::path::Path;
use std::process::{Command, Output};

fn groovelag(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .current_dir(folder)
        .args(arguments)
        .output()
        .unwrap()
}

fn stdout(arguments: &[&str]) -> String {
    let output = groovelag(Path::new("."), arguments);
    assert!(output.status.success(), "{arguments:?}: {output:?}");
    String::from_utf8(output.stdout).unwrap()
}

const COMMANDS: &[&str] = &[
    "start",
    "measure",
    "solve",
    "compare",
    "plan",
    "merge",
    "page",
    "calibrate",
    "check",
    "verify",
    "simulate",
    "master",
    "follow",
    "completions",
    "manual",
];

/// Lines of a screen that are left beside a prompt: common practice.
const LINES: usize = 40;

#[test]
fn help_fits_a_screen_and_has_an_example() {
    let mut all = vec![stdout(&["--help"]), stdout(&["-h"])];
    for command in COMMANDS {
        assert!(
            all[0].contains(&format!("\n  {command} ")),
            "{command} is not in the list"
        );
        all.push(stdout(&[command, "--help"]));
        all.push(stdout(&[command, "-h"]));
    }
    for help in &all {
        let lines = help.lines().count();
        assert!(lines <= LINES, "{lines} lines:\n{help}");
        assert!(help.contains("Example"), "{help}");
        for line in help.lines() {
            assert!(line.chars().count() <= 80, "{line}\nin\n{help}");
        }
    }
}

#[test]
fn a_slip_gets_the_nearest_option_or_command() {
    for (arguments, nearest) in [
        (&["mesure"][..], "'measure'"),
        (
            &["measure", "a.wav", "--radus", "72", "--rpm", "33"],
            "'--radius'",
        ),
        (
            &["solve", "a.toml", "--monte-crlo", "1000"],
            "--monte-carlo",
        ),
        (&["check", "a", "--jsnl"], "--jsonl"),
        (&["completions", "bsh"], "'bash'"),
        (
            &["measure", "a.wav", "--diameter", "144", "--rpm", "33"],
            "--radius d144",
        ),
        (
            &["measure", "a.wav", "--stylus", "eliptical:18x8"],
            "'elliptical'",
        ),
    ] {
        let output = groovelag(Path::new("."), arguments);
        let error = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        assert!(error.contains(nearest), "{arguments:?}: {error}");
    }
}

#[test]
fn completions_know_every_command_and_option() {
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let script = stdout(&["completions", shell]);
        for word in COMMANDS.iter().chain(&["radius", "export-knowledge"]) {
            assert!(script.contains(word), "{shell}: {word}");
        }
    }
}

#[test]
fn manual_pages_are_written_whole_and_not_over_others() {
    assert!(stdout(&["manual"]).contains(".TH groovelag 1"));
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let write = |more: &[&str]| groovelag(at, &[&["manual", "-o", "man/man1"], more].concat());
    assert!(write(&[]).status.success());
    for command in COMMANDS {
        let page = at.join(format!("man/man1/groovelag-{command}.1"));
        let page = std::fs::read_to_string(&page).unwrap();
        assert!(
            page.contains(".SH SYNOPSIS") && page.contains("Example"),
            "{page}"
        );
    }
    let pages = std::fs::read_dir(at.join("man/man1")).unwrap().count();
    assert_eq!(pages, COMMANDS.len() + 1);
    let again = write(&[]);
    assert_eq!(again.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&again.stderr).contains("--force"));
    assert!(write(&["--force"]).status.success());
}

/// `--force` is for an older result: a recording or a job under that name stays.
#[test]
fn nothing_but_an_older_result_is_written_over() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-signals/example.wav");
    std::fs::copy(&source, at.join("band.wav")).unwrap();
    let recording = std::fs::read(&source).unwrap();
    let job = "format = 1\n[cartridge.red]\nprofile = \"elliptical\"\n[record.A]\n[chain.x]\n[setup.found]\n[[capture]]\nfile = \"band.wav\"\nradius_mm = 72\nrpm = 33\n";
    std::fs::write(at.join("job.toml"), job).unwrap();
    let place = ["--radius", "72", "--rpm", "33"];
    let measure =
        |more: &[&str]| groovelag(at, &[&["measure", "band.wav"], &place[..], more].concat());
    let refused = |output: Output, says: &str| {
        let error = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{error}");
        assert!(error.contains(says), "{error}");
        assert_eq!(std::fs::read(at.join("band.wav")).unwrap(), recording);
        assert_eq!(std::fs::read_to_string(at.join("job.toml")).unwrap(), job);
    };
    refused(
        measure(&["--report", "band.wav", "--force"]),
        "it is a recording",
    );
    refused(measure(&["--report", ".", "--force"]), "is a folder");
    let solve = |more: &[&str]| groovelag(at, &[&["solve", "job.toml"], more].concat());
    refused(
        solve(&["--export-knowledge", "job.toml", "--force"]),
        "it is a job",
    );
    refused(
        groovelag(at, &["check", "job.toml", "--csv", "job.toml", "--force"]),
        "it is a job",
    );
    refused(
        groovelag(
            at,
            &[
                &["follow", "band.wav", "--save", "./band.wav", "--force"],
                &place[..],
            ]
            .concat(),
        ),
        "is the input",
    );
    let recipe = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-signals/example.toml");
    std::fs::copy(recipe, at.join("band.toml")).unwrap();
    refused(
        groovelag(at, &["simulate", "band.toml", "-o", ".", "--force"]),
        "may be a recording",
    );
    std::fs::copy(&source, at.join("side.wav")).unwrap();
    refused(groovelag(at, &["master", "-o", "."]), "--force");
    refused(
        groovelag(at, &["master", "-o", ".", "--force"]),
        "somebody has edited",
    );
    std::fs::remove_file(at.join("job.toml")).unwrap();
    let master = groovelag(at, &["master", "-o", ".", "--force"]);
    std::fs::write(at.join("job.toml"), job).unwrap();
    refused(master, "may be a recording");
    // an older page is what --force is for
    assert!(measure(&["--report", "page.html"]).status.success());
    let again = measure(&["--report", "page.html"]);
    refused(again, "--force");
    assert!(
        measure(&["--report", "page.html", "--force"])
            .status
            .success()
    );
}

#[test]
fn files_of_the_wrong_kind_are_told_from_one_another() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for (arguments, says) in [
        (
            &["solve", "test-signals/example.toml"][..],
            "it is a recipe, for groovelag simulate",
        ),
        (
            &["simulate", "test-signals/workshop/job.toml", "-o", "target"],
            "it is a job, for groovelag solve",
        ),
        (
            &[
                "measure",
                "x.wav",
                "--radius",
                "72",
                "--rpm",
                "33",
                "--chain",
                "test-signals/example.toml",
            ],
            "is not a calibration: it is a recipe",
        ),
    ] {
        let output = groovelag(root, arguments);
        let error = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{error}");
        assert!(error.contains(says), "{error}");
    }
}

#[test]
fn a_recording_is_not_compared_with_itself() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let file = "test-signals/example.wav";
    let output = groovelag(
        root,
        &["compare", file, file, "--radius", "72", "--rpm", "33"],
    );
    let error = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{error}");
    assert!(error.contains("the same recording"), "{error}");
}
