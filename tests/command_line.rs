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
    "calibrate",
    "check",
    "simulate",
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
