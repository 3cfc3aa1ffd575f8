//! What is meant badly, or done by a slip: nothing is lost, nothing hangs, nothing leaks.
//! One row for each case. Whatever a case does, every file that was there before stays as
//! it was, down to the link; only what is new may be new.

#![cfg(unix)]

use std::collections::BTreeMap;
use std::fs;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

/// Longer than any of it takes on a machine that does other things beside.
const HUNG: Duration = Duration::from_secs(120);

/// What must never be seen: the content of a file that is none of ours.
const SECRET: &str = "hunter2";

/// A title that steers a terminal, turns the reading order and is no XML.
const NASTY: &str = r"a\u001b[2J\u001b]0;x\u0007\u009b31m\u202eb\u2066\uffff\tc";

/// The same characters, as they must not come out.
fn steers(c: char) -> bool {
    !matches!(c, '\n' | '\t') && groovelag::outside::is_unsafe(c)
}

/// A shell command in the folder, with $G the program; standard input closed.
fn sh(at: &Path, command: &str) -> Output {
    let child = Command::new("sh")
        .args(["-c", command])
        .current_dir(at)
        .env("G", env!("CARGO_BIN_EXE_groovelag"))
        .env_remove("COLUMNS")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn();
    let mut child = child.unwrap();
    let mut taken: Vec<_> = [
        Box::new(child.stdout.take().unwrap()) as Box<dyn Read + Send>,
        Box::new(child.stderr.take().unwrap()),
    ]
    .into_iter()
    .map(|mut stream| {
        std::thread::spawn(move || {
            let mut bytes = Vec::new();
            stream.read_to_end(&mut bytes).map(|_| bytes).unwrap()
        })
    })
    .collect();
    let began = Instant::now();
    let status = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status;
        }
        if began.elapsed() > HUNG {
            child.kill().unwrap();
            panic!("{command}: hangs");
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    let stderr = taken.pop().unwrap().join().unwrap();
    let stdout = taken.pop().unwrap().join().unwrap();
    Output {
        status,
        stdout,
        stderr,
    }
}

/// What stands under each name: bytes of a file, target of a link, nothing of others.
fn everything(at: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut all = BTreeMap::new();
    for entry in fs::read_dir(at).unwrap() {
        let path = entry.unwrap().path();
        let kind = fs::symlink_metadata(&path).unwrap().file_type();
        let holds = if kind.is_symlink() {
            fs::read_link(&path)
                .unwrap()
                .into_os_string()
                .into_encoded_bytes()
        } else if kind.is_file() {
            fs::read(&path).unwrap()
        } else {
            format!("{kind:?}").into_bytes()
        };
        all.insert(path, holds);
    }
    all
}

const HEAD: &str = "format = 1\n";
const DELAY: &str = "[[capture]]\ndelay_us = { value = 4, u = 0.01 }\nradius_mm = 72\nrpm = 33\n";

/// A folder with a recording, jobs and traps.
fn scene() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    fs::copy(root.join("test-signals/example.wav"), at.join("in.wav")).unwrap();
    let other = "test-signals/workshop/workshop-corrected.wav";
    fs::copy(root.join(other), at.join("other.wav")).unwrap();
    let write = |name: &str, text: &str| fs::write(at.join(name), text).unwrap();
    write("secret", &format!("root:{SECRET}:0:0\n"));
    write("secret.toml", &format!("{SECRET} = \"{SECRET}\"\n"));
    write("secret.json", &format!("{{ \"schema\": \"{SECRET}\" }}\n"));
    write("notes.html", "<p>by hand</p>\n");
    write("photo.png", "\u{89}PNG\r\n\u{1a}\nby hand");
    write("table.csv", "a,b\n1,2\n");
    write("hand.toml", &format!("{HEAD}{DELAY}"));
    write("hand-checklist.txt", "bread, milk\n");
    write(
        "recipe.toml",
        "format = 1\nname = \"in\"\n[programme]\nkind = \"wav\"\nfile = \"in.wav\"\nduration_s = 1\n[capture]\nradius_mm = 72\nrpm = 33\nsample_rate_hz = 48000\n[delay]\nus = 1\n",
    );
    fs::write(
        at.join("in.truth.json"),
        "{ \"schema\": \"groovelag/simulation/1\" }",
    )
    .unwrap();
    for (name, text) in [
        (
            "job.toml",
            format!("{HEAD}[[capture]]\nfile = \"in.wav\"\nradius_mm = 72\nrpm = 33\n"),
        ),
        (
            "nasty.toml",
            format!(
                "{HEAD}title = \"{NASTY}\"\nnote = \"{NASTY}\"\n[setup.\"{NASTY}\"]\n[record.\"{NASTY}\"]\nlabel = \"{NASTY}\"\n[limits]\ntolerance_deg = 0.001\n[[capture]]\nfile = \"in.wav\"\nnote = \"{NASTY}\"\nradius_mm = 72\nrpm = 33\n"
            ),
        ),
        ("nasty-key.toml", format!("{HEAD}\"{NASTY}\" = 1\n")),
        (
            "include-pipe.toml",
            format!("{HEAD}include = [\"pipe\"]\n{DELAY}"),
        ),
        (
            "include-zero.toml",
            format!("{HEAD}include = [\"/dev/zero\"]\n{DELAY}"),
        ),
        (
            "include-secret.toml",
            format!("{HEAD}include = [\"secret\"]\n{DELAY}"),
        ),
        (
            "include-secret-2.toml",
            format!("{HEAD}include = [\"secret.toml\"]\n{DELAY}"),
        ),
        (
            "include-many.toml",
            format!("{HEAD}include = [{}]\n{DELAY}", "\"x\",".repeat(1_000_000)),
        ),
        (
            "chain-pipe.toml",
            format!("{HEAD}{DELAY}[chain.a]\ncalibration = \"pipe\"\n"),
        ),
        (
            "chain-secret.toml",
            format!("{HEAD}{DELAY}[chain.a]\ncalibration = \"secret\"\n"),
        ),
        (
            "chain-secret-2.toml",
            format!("{HEAD}{DELAY}[chain.a]\ncalibration = \"secret.toml\"\n"),
        ),
        (
            "base-pipe.toml",
            format!("{HEAD}{DELAY}[limits]\nbaseline = \"pipe\"\n"),
        ),
        (
            "base-secret.toml",
            format!("{HEAD}{DELAY}[limits]\nbaseline = \"secret\"\n"),
        ),
        (
            "base-secret-2.toml",
            format!("{HEAD}{DELAY}[limits]\nbaseline = \"secret.json\"\n"),
        ),
        (
            "two-setups.toml",
            format!(
                "{HEAD}[setup.a]\n[setup.b]\n{0}setup = \"a\"\n{0}setup = \"b\"\n",
                DELAY
            ),
        ),
        ("many-setups.toml", many_setups(10_000)),
    ] {
        write(name, &text);
    }
    for (name, target) in [
        ("link-to-hand.html", "notes.html"),
        ("link-to-full.html", "/dev/full"),
        ("link-to-open.html", "/proc/self/fd/1"),
        ("link-to-pipe.wav", "pipe"),
        ("link-to-nothing.html", "nothing"),
        ("soft.wav", "in.wav"),
    ] {
        std::os::unix::fs::symlink(target, at.join(name)).unwrap();
    }
    fs::hard_link(at.join("in.wav"), at.join("hard.wav")).unwrap();
    fs::create_dir(at.join("trap")).unwrap();
    for pipe in ["pipe", "trap/pipe.toml"] {
        let made = Command::new("mkfifo").arg(at.join(pipe)).status().unwrap();
        assert!(made.success());
    }
    folder
}

fn many_setups(count: usize) -> String {
    let setups = (0..count).map(|k| format!("[setup.s{k}]\n"));
    let captures = (0..count).map(|k| format!("{DELAY}setup = \"s{k}\"\n"));
    HEAD.to_owned() + &setups.chain(captures).collect::<String>()
}

/// A shell command, its exit status, and what it says on standard error or output.
type Row = (&'static str, i32, &'static str);

const PLACE: &str = "--radius 72 --rpm 33";

/// Runs rows and holds that nothing that was there has changed, that nothing secret and
/// nothing that steers a terminal is said.
fn hold(rows: &[Row]) {
    let folder = scene();
    let at = folder.path();
    let before = everything(at);
    let mut wrong = Vec::new();
    for (command, status, says) in rows {
        let command = command.replace("PLACE", PLACE);
        let output = sh(at, &command);
        let text = [&output.stdout[..], &output.stderr].concat();
        let text = String::from_utf8_lossy(&text);
        let mut complain = |what: &str| {
            let shown: String = text.chars().take(600).collect();
            wrong.push(format!(
                "{command}\n    {what}: {:?} {shown}",
                output.status.code()
            ));
        };
        if output.status.code() != Some(*status) {
            complain("status");
        }
        // where lines are broken does not matter
        let words: Vec<&str> = text.split_whitespace().collect();
        let one_line = words.join(" ");
        if !text.contains(says) && !one_line.contains(says) {
            complain(&format!("does not say '{says}'"));
        }
        if text.contains(SECRET) || text.contains("panicked") {
            complain("leaks or panics");
        }
        if text.contains(steers) {
            complain("steers the terminal");
        }
        let after = everything(at);
        for (path, holds) in &before {
            if after.get(path) != Some(holds) {
                complain(&format!("{} is lost", path.display()));
                fs::remove_file(path).ok();
                fs::write(path, holds).unwrap();
            }
        }
        for new in after.keys().filter(|path| !before.contains_key(*path)) {
            if new.is_file() && !new.to_string_lossy().contains("kept-") {
                fs::remove_file(new).unwrap();
            }
        }
    }
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn what_is_read_is_never_written_over() {
    hold(&[
        (
            "$G follow - PLACE --save in.wav --force < in.wav",
            2,
            "is the input",
        ),
        (
            "$G follow - PLACE --save hard.wav --force < in.wav",
            2,
            "is the input",
        ),
        (
            "$G follow in.wav PLACE --save hard.wav --force",
            2,
            "is the input",
        ),
        (
            "$G follow soft.wav PLACE --save in.wav --force",
            2,
            "is the input",
        ),
        (
            "$G measure - PLACE < in.wav >> in.wav",
            2,
            "standard output goes to",
        ),
        (
            "$G measure hard.wav PLACE --json >> in.wav",
            2,
            "standard output goes to",
        ),
        (
            "$G measure in.wav PLACE --report in.wav --force",
            2,
            "it is a recording",
        ),
        (
            "$G measure in.wav PLACE --plot turns=a.svg --plot phase=./a.svg",
            2,
            "the same file",
        ),
        (
            "$G measure in.wav PLACE --report a.svg --plot phase=./a.svg",
            2,
            "the same file",
        ),
        (
            "$G solve job.toml --export-knowledge job.toml --force",
            2,
            "it is a job",
        ),
        (
            "$G solve job.toml --report hard.wav --force",
            2,
            "it is a recording",
        ),
        ("$G check job.toml --csv job.toml --force", 2, "it is a job"),
        (
            "$G check job.toml --csv a.txt --junit ./a.txt",
            2,
            "the same file",
        ),
        (
            "$G check job.toml --csv in.wav --force",
            2,
            "it is a recording",
        ),
        // what goes to standard output has no kind that would keep it out of these
        (
            "$G check job.toml --jsonl >> in.wav",
            2,
            "standard output goes to",
        ),
        (
            "$G solve job.toml --export-knowledge k.toml > o; sed '1a include = [\"k.toml\"]' hand.toml > i.toml; $G check i.toml >> k.toml",
            2,
            "standard output goes to",
        ),
        (
            "$G calibrate --common in.wav -o hard.wav --force",
            2,
            "it is a recording",
        ),
        (
            "$G compare in.wav hard.wav PLACE --report soft.wav --force",
            2,
            "is a link",
        ),
        ("$G simulate recipe.toml -o . --force", 2, "is the input"),
        (
            "$G solve job.toml --export-knowledge k.toml > o; sed '1a include = [\"k.toml\"]' hand.toml > i.toml; cp k.toml l; $G solve i.toml --export-knowledge ./k.toml --force; s=$?; cmp k.toml l || s=9; exit $s",
            2,
            "is the input",
        ),
        ("$G start hand.toml --force PLACE", 2, "somebody has edited"),
    ]);
}

#[test]
fn force_replaces_older_results_alone() {
    hold(&[
        (
            "$G measure in.wav PLACE --report notes.html --force",
            2,
            "not an older result",
        ),
        (
            "$G measure in.wav PLACE --plot phase=photo.png --force",
            2,
            "not an older result",
        ),
        (
            "$G check hand.toml --csv table.csv --force",
            2,
            "not an older result",
        ),
        (
            "$G check hand.toml --junit notes.html --force",
            2,
            "not an older result",
        ),
        (
            "$G start new.toml --force PLACE; $G start hand.toml --force PLACE",
            2,
            "would be lost",
        ),
        (
            "$G follow in.wav PLACE --save notes.html --force",
            2,
            "not an older result",
        ),
        (
            "$G follow in.wav PLACE --save other.wav --force",
            2,
            "it is a recording",
        ),
        (
            "$G measure in.wav PLACE --report link-to-hand.html --force",
            2,
            "is a link",
        ),
        (
            "$G measure in.wav PLACE --report link-to-full.html --force",
            2,
            "is a link",
        ),
        (
            "$G measure in.wav PLACE --report link-to-open.html --force > kept-1",
            2,
            "is a link",
        ),
        (
            "$G measure in.wav PLACE --report link-to-nothing.html --force",
            2,
            "is a link",
        ),
        (
            "$G measure in.wav PLACE --report /dev/stdout --force > kept-1",
            2,
            "is a link",
        ),
        (
            "$G measure in.wav PLACE --report /dev/fd/3 --force 3> kept-1",
            2,
            "is a link",
        ),
        (
            "$G measure in.wav PLACE --report /dev/null --force",
            2,
            "not an ordinary file",
        ),
        (
            "$G measure in.wav PLACE --report pipe --force",
            2,
            "not an ordinary file",
        ),
        (
            "$G follow in.wav PLACE --save link-to-pipe.wav --force",
            2,
            "is a link",
        ),
        // and does replace them
        (
            "$G measure in.wav PLACE --report a.html && $G measure in.wav PLACE --report a.html --force",
            0,
            "",
        ),
        (
            "$G measure in.wav PLACE --plot phase=a.png && $G measure in.wav PLACE --plot phase=a.png --force",
            0,
            "",
        ),
        (
            "$G measure in.wav PLACE --plot phase=a.svg && $G measure in.wav PLACE --plot phase=a.svg --force",
            0,
            "",
        ),
        (
            "$G check hand.toml --csv a --junit b && $G check hand.toml --csv a --junit b --force",
            0,
            "passed",
        ),
        (
            "$G start a.toml PLACE && $G start a.toml --force PLACE",
            0,
            "",
        ),
        (
            "$G start a.toml PLACE && sed -i s/72/73/ a.toml && $G start a.toml --force PLACE",
            2,
            "somebody has edited",
        ),
        (
            "$G follow in.wav PLACE --save a.wav > b && $G follow in.wav PLACE --save a.wav --force > b",
            0,
            "",
        ),
        // what else leads to an older file keeps it
        (
            "$G follow in.wav PLACE --save a.wav > b && ln a.wav c.wav && cp c.wav d.wav && $G follow in.wav PLACE --to 3 --save a.wav --force > b; cmp c.wav d.wav",
            0,
            "",
        ),
    ]);
}

#[test]
fn small_files_are_files_and_small() {
    hold(&[
        ("$G solve pipe", 2, "it is a pipe or a device"),
        ("$G solve /dev/zero", 2, "it is a pipe or a device"),
        ("$G solve .", 2, "it is a folder"),
        ("$G solve in.wav", 2, "not text in UTF-8"),
        ("$G plan include-pipe.toml", 2, "it is a pipe or a device"),
        (
            "ulimit -v 1000000; $G solve include-zero.toml",
            2,
            "it is a pipe or a device",
        ),
        ("$G solve include-many.toml", 2, "the most is 1000"),
        ("$G solve chain-pipe.toml", 2, "it is a pipe or a device"),
        ("$G check base-pipe.toml", 2, "it is a pipe or a device"),
        ("$G check trap", 2, "it is a pipe or a device"),
        (
            "cp hand.toml trap/; mkfifo trap/groovelag.toml; $G check trap/hand.toml; s=$?; rm trap/groovelag.toml trap/hand.toml; exit $s",
            2,
            "it is a pipe or a device",
        ),
        ("$G simulate pipe -o x", 2, "it is a pipe or a device"),
        (
            "$G measure in.wav PLACE --chain pipe",
            2,
            "it is a pipe or a device",
        ),
        (
            "head -c 20000000 /dev/zero > big; $G measure in.wav PLACE --chain big",
            2,
            "16 MiB",
        ),
        // nothing of what they hold is said
        ("$G solve include-secret.toml", 2, "is not a knowledge file"),
        (
            "$G solve include-secret-2.toml",
            2,
            "is not a knowledge file",
        ),
        ("$G solve chain-secret.toml", 2, "line 1"),
        ("$G solve chain-secret-2.toml", 2, "line 1"),
        (
            "$G check base-secret.toml",
            2,
            "is not a result of this program",
        ),
        ("$G check base-secret-2.toml", 2, "does not have the schema"),
        ("$G measure in.wav PLACE --chain secret", 2, "line 1"),
        ("$G simulate secret -o x", 2, ""),
    ]);
}

#[test]
fn text_of_others_steers_nothing() {
    hold(&[
        ("$G solve nasty.toml", 1, r"\u{1b}[2J"),
        ("$G solve nasty.toml --sketch", 1, r"\u{202e}"),
        ("$G solve nasty.toml --json", 1, r"\u202e"),
        ("$G plan nasty.toml", 0, ""),
        ("$G check nasty.toml", 1, r"\u{1b}"),
        ("$G check nasty.toml --jsonl", 1, r"\u202e"),
        ("$G solve nasty-key.toml", 2, r"\u{1b}"),
        (
            r"cp nasty.toml $(printf 'a\033[2Jbb').toml; $G check *bb.toml; s=$?; rm *bb.toml; exit $s",
            1,
            r"a\u{1b}[2Jbb.toml",
        ),
        (
            r"cp hand.toml $(printf 'a\342\200\256bb').toml; $G check *bb.toml --junit j.xml; cat j.xml; rm *bb.toml",
            0,
            r"a\u{202e}bb.toml",
        ),
        (
            "f=\"$(printf 'x\\nfailed    y.toml')\"; cp hand.toml \"$f\"; $G check \"$f\"; s=$?; rm \"$f\"; exit $s",
            0,
            r"x\nfailed",
        ),
        (r"$G measure $(printf 'a\033[2Jb').wav PLACE", 2, r"\u{1b}"),
        (
            r"$G measure in.wav --radius $(printf '\033[2J') --rpm 33",
            2,
            "",
        ),
        (r"$G $(printf '\033[2Jmeasure')", 2, ""),
        (
            "$G solve nasty.toml --report a.html --plot budget=a.svg > /dev/null; cat a.html",
            0,
            "<title>",
        ),
        (
            "$G solve nasty.toml --plot phase=a.svg > /dev/null; cat a.svg",
            0,
            "</svg>",
        ),
        (
            "$G check nasty.toml --junit a.xml > /dev/null; cat a.xml",
            0,
            "</testsuites>",
        ),
        (
            "cp in.wav b.wav; printf 'LIST\\024\\0\\0\\0INFOINAM\\010\\0\\0\\0a\\033[2Jbc\\0' >> b.wav; $G measure b.wav PLACE --report a.html --report-metadata > /dev/null; cat a.html",
            0,
            "<title>",
        ),
    ]);
}

#[test]
fn work_is_bounded() {
    hold(&[
        (
            "$G solve two-setups.toml --monte-carlo 10000000",
            2,
            "the most for this job is 2500000",
        ),
        (
            "$G solve many-setups.toml",
            2,
            "setups of the cartridge are too many",
        ),
        (
            "$G plan many-setups.toml",
            2,
            "setups of the cartridge are too many",
        ),
        (
            "$G compare many-setups.toml --before s1 --after s2",
            2,
            "setups of the cartridge are too many",
        ),
        (
            "$G check many-setups.toml",
            2,
            "setups of the cartridge are too many",
        ),
        ("$G check include-many.toml", 2, "the most is 1000"),
        (
            "sed 's/duration_s = 1/duration_s = 1e12/' recipe.toml > kept-long.toml; $G simulate kept-long.toml -o out",
            2,
            "outside 0.2 to 1800",
        ),
        // as a whole in memory, this took 0.6 GB
        (
            "sed -e 's/duration_s = 1/duration_s = 60/' -e 's/\"in\"/\"kept-60\"/' recipe.toml > kept-60.toml; ulimit -v 400000; $G simulate kept-60.toml -o . && rm kept-60*",
            0,
            "delay 1.0000 us",
        ),
        ("$G simulate recipe.toml -o secret/out", 2, "can be written"),
        (
            "ulimit -v 400000; $G check hand.toml --threads 256",
            2,
            "cannot start the threads",
        ),
        ("$G check hand.toml --threads 64", 0, "passed"),
    ]);
}

/// A job whose adjustment takes longer than anybody waits.
fn long_job() -> String {
    many_setups(1500)
        + "[[capture]]\ndelay_us = { value = 5, u = 0.01 }\nradius_mm = 72\nrpm = 45\nsetup = \"s0\"\n"
}

/// An interruption in the midst of it ends a command at once and leaves nothing behind.
#[test]
fn an_interruption_ends_at_once() {
    let folder = scene();
    let at = folder.path();
    fs::write(at.join("long.toml"), long_job()).unwrap();
    let recipe = fs::read_to_string(at.join("recipe.toml")).unwrap();
    let recipe = recipe.replace("= 1\n[capture]", "= 900\n[capture]");
    let recipe = recipe.replace("\"in\"", "\"long\"");
    fs::write(at.join("long-recipe.toml"), recipe).unwrap();
    fs::create_dir(at.join("out")).unwrap();
    let before = [everything(at), everything(&at.join("out"))];
    for command in [
        "solve long.toml --export-knowledge k.toml --report r.html",
        "solve two-setups.toml --monte-carlo 2500000",
        "plan long.toml",
        "compare long.toml --before s1 --after s2 --report r.html",
        "check long.toml --junit j.xml",
        "simulate long-recipe.toml -o out",
    ] {
        let mut child = Command::new(env!("CARGO_BIN_EXE_groovelag"))
            .args(command.split(' '))
            .current_dir(at)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // in the midst of its work, with the file begun where one is filled bit by bit
        let begins = Instant::now();
        let in_the_midst = |out: &Path| {
            begins.elapsed() > Duration::from_millis(300)
                && (!command.starts_with("simulate") || !everything(out).is_empty())
        };
        while !in_the_midst(&at.join("out")) {
            assert!(begins.elapsed() < HUNG, "{command}");
            std::thread::sleep(Duration::from_millis(5));
        }
        assert!(child.try_wait().unwrap().is_none(), "{command}: too short");
        let pid = child.id().to_string();
        let killed = Command::new("kill").args(["-INT", &pid]).status().unwrap();
        assert!(killed.success());
        let interrupted = Instant::now();
        let status = loop {
            if let Some(status) = child.try_wait().unwrap() {
                break status;
            }
            if interrupted.elapsed() > HUNG {
                child.kill().unwrap();
                panic!("{command}: hangs");
            }
            std::thread::sleep(Duration::from_millis(5));
        };
        // a second, and another for a machine that does other things beside
        let took = interrupted.elapsed();
        assert!(took < Duration::from_secs(2), "{command}: {took:?}");
        assert_eq!(status.code(), Some(130), "{command}");
        if command.starts_with("check") {
            // nothing was done, and the file says so
            let junit = at.join("j.xml");
            let text = fs::read_to_string(&junit).unwrap();
            assert!(
                text.contains("interrupted: 0 of 1 jobs were checked"),
                "{text}"
            );
            fs::remove_file(junit).unwrap();
        }
        let after = [everything(at), everything(&at.join("out"))];
        assert_eq!(after, before, "{command}");
    }
}

/// A terminal is told what takes its time; elsewhere nothing is said.
#[test]
fn a_long_adjustment_says_so() {
    let folder = scene();
    let at = folder.path();
    fs::write(at.join("long.toml"), long_job()).unwrap();
    for command in ["solve", "plan"] {
        let command = format!("timeout -s INT 5 $G {command} long.toml");
        let on_a_terminal = sh(at, &format!("TERM=xterm script -qec '{command}' /dev/null"));
        let text = String::from_utf8_lossy(&on_a_terminal.stdout);
        assert!(text.contains("ing: 2 s so far; Ctrl-C to end"), "{text}");
        let elsewhere = sh(at, &command);
        assert_eq!(
            [elsewhere.stdout, elsewhere.stderr],
            [b"", b""],
            "{command}"
        );
    }
}

#[test]
fn an_answer_is_not_lost_with_its_page() {
    hold(&[
        ("$G measure in.wav PLACE --report no/a.html", 2, "Rotation"),
        (
            "$G measure in.wav PLACE --report no/a.html --json 2> /dev/null",
            2,
            "\"rotation_deg\"",
        ),
        (
            "$G measure in.wav PLACE --plot phase=no/a.svg",
            2,
            "no/a.svg cannot be written",
        ),
        ("$G measure in.wav PLACE --plot turns=a.svg", 2, "Rotation"),
        (
            "$G solve job.toml --export-knowledge no/k.toml --report no/a.html",
            2,
            "no/k.toml cannot be written",
        ),
        (
            "$G solve job.toml --export-knowledge no/k.toml 2> /dev/null",
            2,
            "deg",
        ),
        (
            "$G compare in.wav other.wav PLACE --report no/a.html",
            2,
            "no/a.html cannot be written",
        ),
        (
            "$G check hand.toml --junit no/a.xml --csv no/a.csv",
            2,
            "1 passed",
        ),
        (
            "$G check hand.toml --junit no/a.xml --csv ok.csv --report no/a.html; cat ok.csv",
            0,
            "hand.toml,passed",
        ),
        // a file may have 200 blocks of 512 bytes, a third of a second of the stream
        (
            "trap '' XFSZ; ulimit -f 200; $G follow - PLACE --save kept.wav < in.wav 2> /dev/null",
            2,
            "groovelag/measurement/1",
        ),
        (
            "trap '' XFSZ; ulimit -f 200; $G follow - PLACE --save kept.wav < in.wav > /dev/null",
            2,
            "kept.wav cannot be written",
        ),
        (
            "trap '' XFSZ; ulimit -f 8; $G measure in.wav PLACE --report a.html; s=$?; ls -A a.html .groovelag* 2> /dev/null && s=9; exit $s",
            2,
            "a.html cannot be written",
        ),
        // where nobody can be told what is wrong, the status tells
        ("$G solve nothing.toml 2> /dev/full", 2, ""),
        ("$G measure in.wav 2> /dev/full", 2, ""),
        (
            "$G measure in.wav PLACE --report no/a.html 2> /dev/full",
            2,
            "Rotation",
        ),
        (
            "$G measure in.wav PLACE > /dev/full",
            2,
            "cannot write to standard output",
        ),
    ]);
}

/// What a terminal is sent, with `TERM` and `COLUMNS` as given. `script` gives the program
/// one.
fn on_a_terminal(variables: &str, command: &str) -> String {
    let folder = scene();
    let command = command.replace("PLACE", PLACE);
    let output = sh(
        folder.path(),
        &format!("{variables} script -qec '{command}' /dev/null"),
    );
    String::from_utf8_lossy(&output.stdout).into_owned()
}

#[test]
fn a_terminal_gets_what_it_can_show() {
    let follow = "$G follow in.wav PLACE --all-updates";
    let moved = on_a_terminal("TERM=xterm", follow);
    assert!(moved.contains("\u{1b}["), "{moved}");
    let dumb = on_a_terminal("TERM=dumb", follow);
    assert!(!dumb.contains('\u{1b}'), "{dumb}");
    assert!(
        dumb.contains("Following") && dumb.contains("Rotation"),
        "{dumb}"
    );
    // the table of what limits the result needs 46
    for columns in [50, 70, 100] {
        let text = on_a_terminal(&format!("COLUMNS={columns}"), "$G measure in.wav PLACE");
        // progress is taken off the line before the next piece
        let lines = text.lines().flat_map(|line| line.split("\r\u{1b}[K"));
        let longest = lines.map(|l| l.trim_end().chars().count()).max();
        assert!(longest <= Some(columns), "{columns}: {longest:?}\n{text}");
        assert!(
            longest > Some(columns / 2),
            "{columns}: {longest:?}\n{text}"
        );
    }
}

/// The stream that is kept is in the file while it comes, though it is another file than
/// the older one.
#[test]
fn a_kept_stream_is_there_at_once() {
    let folder = scene();
    let at = folder.path();
    let mut child = Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .args(["follow", "-", "--save", "kept.wav"])
        .args(PLACE.split(' '))
        .current_dir(at)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let stream = fs::read(at.join("in.wav")).unwrap();
    let mut input = child.stdin.take().unwrap();
    input.write_all(&stream[..stream.len() / 2]).unwrap();
    let began = Instant::now();
    while fs::metadata(at.join("kept.wav")).map_or(0, |m| m.len()) < stream.len() as u64 / 4 {
        assert!(began.elapsed() < HUNG);
        std::thread::sleep(Duration::from_millis(10));
    }
    drop(input);
    assert!(child.wait().unwrap().code().is_some());
}
