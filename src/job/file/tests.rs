//! What a job file may say, and what is said where it says something else.

use super::*;
use crate::groove::Profile;
use crate::job::Stated;
use crate::units::{MICROMETRE, MILLIMETRE};

const GOOD: &str = r#"
format = 1
title = "an invented job"
date = 2026-02-03

[cartridge.red]
profile = "elliptical"
frontal_radius_um = { value = 18, u = 0.5 }
side_radius_um = 8
crosstalk_db = -25

[record.A]
cut_rotation_deg = { value = 0.1, u = 0.3 }
cut_rpm = 33

[setup.before]
cartridge = "red"

[[capture]]
delay_us = { value = 4.04, u = 0.005 }
radius_mm = [75, 70.5]
rpm = "100/3"
turn_deg = -4
leads = "swapped"

[[capture]]
file = 'audio\one.wav'
setup = "before"
radius_mm = { value = 72, u = 0.2 }
rpm = 45
"#;

fn message(text: &str) -> String {
    parse(text, "job.toml").unwrap_err().to_string()
}

/// A table within another is called by its path.
#[test]
fn a_table_is_named_by_its_path() {
    for (text, path) in [
        ("limits = 1", "[limits]"),
        ("[plan]\nminutes = 5", "[plan.minutes]"),
    ] {
        let error = parse(&format!("format = 1\n{text}\n"), "x").unwrap_err();
        assert!(
            error.to_string().ends_with(&format!("a table: {path}")),
            "{error}"
        );
    }
}

/// Hours of some setups alone would leave the others at none.
#[test]
fn hours_are_those_of_all_setups() {
    let text = "format = 1\n[cartridge.c]\nprofile = \"elliptical\"\n[setup.a]\ncartridge = \"c\"\nhours = 400\n[setup.b]\ncartridge = \"c\"\n";
    let error = parse(text, "x").unwrap_err().to_string();
    assert!(
        error.contains("setup 'a' of the same") && error.contains("line 7"),
        "{error}"
    );
    let all = text.replace("[setup.b]", "[setup.b]\nhours = 0");
    assert_eq!(parse(&all, "x").unwrap().setups["b"].hours, Some(0.0));
    // time goes on: fewer hours at a later day, or a day of mounting after the recording
    let dated = all.replace("hours = 0", "hours = 0\ndate = 2026-02-03")
        + "[[capture]]\nsetup = \"a\"\nradius_mm = 70\nrpm = 33\nplanned = true\ndate = 2026-01-03\n[[capture]]\nsetup = \"b\"\nradius_mm = 70\nrpm = 33\nplanned = true\n";
    let error = message(&dated);
    assert!(
        error.contains("line 7") && error.contains("on 2026-01-03 after 400; correct"),
        "{error}"
    );
    let later = dated.replace("hours = 0", "hours = 500");
    parse(&later, "x").unwrap();
    let mounted = later.replace("hours = 500", "hours = 500\nmounted = 2026-02-04");
    assert!(message(&mounted).contains("mounted on 2026-02-04, after its capture of 2026-02-03"));
    let long = all.replace("400", "30000");
    assert!(parse(&long, "x").unwrap_err().to_string().contains("3000"));
}

/// What is spelled in two ways is two things; a plan has at hand what the job has.
#[test]
fn tables_agree_with_each_other() {
    let job = |more: &str| {
        message(&format!(
            "format = 1\n[record.a]\nsession = \"Spring\"\n[record.b]\n{more}\n"
        ))
    };
    let error = job("session = \" spring\"");
    assert!(
        error.contains("line 4")
            && error.contains("session ' spring' differs from that of record 'a', 'Spring'"),
        "{error}"
    );
    assert!(job("side = \" \"").contains("its side is empty"));
    let error = job("[plan]\nrecord_sides = 1");
    assert!(
        error.contains("line 4")
            && error.contains("the job describes 2, but [plan] says record_sides = 1"),
        "{error}"
    );
    let balls = "[plan]\nspherical_cartridges = 0\n[cartridge.c]\nprofile = \"spherical\"";
    assert!(job(balls).contains("spherical_cartridges = 0"));
}

#[test]
fn a_job_is_read_as_written() {
    let job = parse(&format!("\u{feff}{GOOD}"), "job.toml").unwrap();
    assert_eq!(job.date.as_deref(), Some("2026-02-03"));
    let red = &job.cartridges["red"];
    assert_eq!(red.profile, Some(Profile::Elliptical));
    assert_eq!(
        red.frontal_radius,
        Stated::with_u(18.0 * MICROMETRE, 0.5 * MICROMETRE)
    );
    assert_eq!(red.side_radius, Stated::number(8.0 * MICROMETRE));
    let [first, second] = &job.captures[..] else {
        panic!("two captures")
    };
    assert_eq!(first.radius, [75.0 * MILLIMETRE, 70.5 * MILLIMETRE]);
    assert_eq!(first.rpm, Stated::number(100.0 / 3.0));
    assert!(first.swapped && !second.swapped);
    assert_eq!(
        (first.setup.as_str(), first.record.as_str()),
        ("before", "A")
    );
    // no chain is described: there is one of which nothing is known
    assert_eq!(first.chain, "");
    assert_eq!((first.line, second.line), (Some(19), Some(26)));
    assert_eq!(second.describe(1), "audio/one.wav");
    let DelaySource::File(path) = &second.source else {
        panic!("a file")
    };
    assert_eq!(
        resolve(Path::new("jobs/job.toml"), path),
        Path::new("jobs/audio/one.wav")
    );
}

/// Every refusal names file and line, what is wrong, and what to do.
#[test]
fn slips_of_the_pen_are_named() {
    let edited = |from: &str, to: &str| {
        assert!(GOOD.contains(from), "{from}");
        message(&GOOD.replacen(from, to, 1))
    };
    for (from, to, line, words) in [
        ("side_radius_um", "side_radus_um", 9, "'side_radius_um'"),
        ("rpm = 45", "speed = 45", 30, "unknown key 'speed'"),
        (
            "[cartridge.red]",
            "[arm.a]\ntype = \"tangential\"\n[cartridge.red]",
            7,
            "write arm = \"tangential\"",
        ),
        ("[cartridge.red]", "[cartrige.red]", 6, "'cartridge'"),
        (
            "cartridge = \"red\"",
            "cartridge = \"rde\"",
            17,
            "did you mean 'red'",
        ),
        (
            "setup = \"before\"",
            "setup = \"afterwards\"",
            28,
            "add [setup.afterwards]",
        ),
        ("rpm = 45", "rpm = 450", 30, "not a record speed"),
        ("rpm = 45", "rpm = nan", 30, "finite"),
        (
            "rpm = 45",
            "rpm = 45\ndate = \"3 May\"",
            31,
            "a day, such as 2026-02-03",
        ),
        ("rpm = 45", "rpm = 45\ndate = 2026-02-30", 31, "TOML"),
        (
            "cartridge = \"red\"",
            "date = 2026-02-03T12:00:00",
            17,
            "[setup.before]: 'date' must be a day",
        ),
        ("= -25", "= 25", 10, "out of range"),
        ("u = 0.5", "u = -0.5", 8, "negative"),
        ("value = 72", "value = \"72,5\"", 29, "72.5"),
        ("{ value = 72, u = 0.2 }", "72,5", 29, "decimal point: 72.5"),
        (
            "'audio\\one.wav'",
            "\"audio\\one.wav\"",
            27,
            "single quotes",
        ),
        ("\"swapped\"", "\"reversed\"", 24, "\"normal\", \"swapped\""),
        ("format = 1", "format = 2", 2, "reads format = 1"),
        ("format = 1\n", "", 1, "format = 1"),
        (", u = 0.005", "", 20, "standard uncertainty"),
    ] {
        let message = edited(from, to);
        assert!(
            message.starts_with(&format!("job.toml, line {line}: ")) && message.contains(words),
            "{to}: {message}"
        );
    }
    let both = edited("turn_deg = -4", "planned = true");
    assert!(both.contains("exactly one of"), "{both}");
    let two = edited("[setup.before]", "[setup.after]\n[setup.before]");
    assert!(
        two.contains("several") && two.contains("after, before"),
        "{two}"
    );
    let sphere = edited("\"elliptical\"", "\"spherical\"");
    assert!(
        sphere.contains("'side_radius_um' does not describe"),
        "{sphere}"
    );
}

/// What stands in a wrong form is told by its table, its key and the right form: what follows `format = 1` (lines
/// parted by |), the line, and what is said.
const WRONG_FORMS: &str = r#"
limits = [5] ; 2 ; the job: 'limits' must be a table: [limits]
report = 2026-01-01 ; 2 ; the job: 'report' must be a table: [report]
[plan]|minutes = [1, 1, 1, 1, 1, 1] ; 3 ; must be a table: [plan.minutes]
cartridge = 3 ; 2 ; must be tables with a name: [cartridge.NAME]
[setup]|cartridge = "a" ; 3 ; [setup] needs a name: write [setup.NAME]
[setup]|date = 2026-01-01 ; 3 ; [setup] needs a name: write [setup.NAME]
[record.A.band]|kind = "tone" ; 3 ; write [record.A.band.NAME]
capture = [3] ; 2 ; a list of tables with double brackets: [[capture]]
[capture]|rpm = 33 ; 2 ; a list of tables with double brackets: [[capture]]
[report]|numbr = 3 ; 3 ; unknown key 'numbr' in [report]; did you mean 'number'
[report]|number = 3 ; 3 ; [report]: 'number' must be text between quotes
[[instrument]]|serial = "1" ; 2 ; [[instrument]]: 'name' is missing
[cartridge.a]|profile = 3 ; 3 ; [cartridge.a]: 'profile' must be text between quotes
[cartridge.a]|skew_us = [1, 0.5] ; 3 ; 'skew_us' must be one number; with its standard uncertainty it is { value =
[cartridge.a]|skew_us = 2026-01-01 ; 3 ; [cartridge.a]: 'skew_us' must be a finite number
[cartridge.a]|skew_us = 1e999 ; 3 ; [cartridge.a]: 'skew_us' must be a finite number
[cartridge.a]|skew_us = { u = 1 } ; 3 ; [cartridge.a]: 'skew_us' has no value
[cartridge.a]|skew_us = { value = 1, v = 1 } ; 3 ; unknown key 'v' in [cartridge.a], 'skew_us'
[cartridge.a.skew_us]|value = 1|v = 1 ; 4 ; unknown key 'v' in [cartridge.a.skew_us]
[plan]|turn = 1 ; 3 ; [plan]: 'turn' must be true or false, without quotes
[plan]|record_sides = 1.5 ; 3 ; [plan]: 'record_sides' must be a whole number
[setup.a]|"ho`urs" = 1 ; 3 ; unknown key 'ho`urs' in [setup.a]; did you mean 'hours'
[setup.a]|aligned = "`, expected `a`" ; 3 ; "gauge", "eye", "unknown", and is "`, expected `a`"
include = "b\tc" ; 2 ; the job: 'include' has a control character
[[capture]]|planned = true|rpm = 33 ; 2 ; [[capture]]: 'radius_mm' is missing
[cartridge.a]|[cartridge.b]|[[capture]]|planned = true|rpm = 33|radius_mm = 70 ; 4 ; add [setup.NAME] with cartridge
"#;

#[test]
fn wrong_forms_are_named() {
    for row in WRONG_FORMS.trim().lines() {
        let cells: Vec<&str> = row.splitn(3, " ; ").collect();
        let message = message(&format!("format = 1\n{}", cells[0].replace('|', "\n")));
        let place = format!("job.toml, line {}: ", cells[1]);
        assert!(
            message.starts_with(&place) && message.contains(cells[2]),
            "{row}: {message}"
        );
    }
    // a later format is told before what is new in it
    let later = message("format = 2\nnews = 3\n[capture]\nnew = 3\n");
    assert!(
        later.ends_with("'format' = 2 is unknown; this version reads format = 1"),
        "{later}"
    );
}

#[test]
fn nothing_makes_the_reader_panic() {
    for text in [
        "",
        "=",
        "format",
        "format = 1\ncapture = 3",
        "format = 1\n[[setup]]",
        "format = 1\n[setup]\ncartridge = 1",
        "format = 1\ninclude = 3",
        "format = 1\n[cartridge.a]\nskew_us = {}",
        "format = 1\n[cartridge.a]\nskew_us = []",
        "format = 99999999999999999999999",
        "format = 1\n[[capture]]",
        "format = 1\n[[capture]]\nplanned = true\nradius_mm = [1]\nrpm = 33",
    ] {
        assert!(parse(text, "job.toml").is_err(), "{text}");
    }
    // every shortening of a good file is read or refused
    for (end, _) in GOOD.char_indices() {
        let _ = parse(&GOOD[..end], "job.toml");
    }
}

#[test]
fn what_cannot_be_read_is_named() {
    let error = read(Path::new("no/such/job.toml")).unwrap_err();
    assert!(error.to_string().starts_with("no/such/job.toml: "));
}
