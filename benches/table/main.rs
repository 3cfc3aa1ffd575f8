//! The performance table, `docs/performance.md`: the shipped program against
//! what reading, decoding, numpy and SciPy cost, and its cost against length,
//! rate, jobs and captures, networks.
//!
//! ```text
//! cargo bench --bench table                    all sections, printed
//! cargo bench --bench table -- --write         written into docs/performance.md too
//! cargo bench --bench table -- --quick         shorter recordings, fewer rounds
//! cargo bench --bench table -- wav flac        these sections alone
//! cargo bench --bench table -- --instructions  instructions by callgrind alone
//! ```
//!
//! Recordings are made in the folder for temporary files, of which the longest
//! takes 4.2 GB.

#[path = "../python/interpreter.rs"]
mod interpreter;
#[path = "../dossier/plot.rs"]
mod plot;
mod run;
mod sections;
mod signal;

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};
use std::time::Instant;

/// What a section found.
#[derive(Default)]
pub struct Page {
    /// Tables and words.
    pub text: String,
    /// What was aimed at, what was found, and whether that is enough.
    pub aims: Vec<(String, String, bool)>,
    /// Plots: the file's stem and the chart.
    pub charts: Vec<(&'static str, plot::Chart)>,
}

/// Where the measuring is done.
pub struct Lab {
    folder: tempfile::TempDir,
    /// Shorter recordings and fewer rounds.
    pub quick: bool,
}

impl Lab {
    /// A file in the temporary folder.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// One number or the other.
    pub fn of<T>(&self, long: T, quick: T) -> T {
        if self.quick { quick } else { long }
    }

    /// The shipped program.
    pub fn program(&self) -> Command {
        Command::new(env!("CARGO_BIN_EXE_groovelag"))
    }

    /// The shipped program on a recording, or on standard input (`-`).
    pub fn command(&self, command: &str, recording: &Path, threads: usize) -> Command {
        let mut program = self.program();
        program.arg(command).arg(recording);
        program.args(["--radius", "72", "--rpm", "33"]);
        program.args(["--threads", &threads.to_string()]);
        program
    }

    /// `measure` on a recording.
    pub fn measure(&self, recording: &Path, threads: usize) -> Command {
        self.command("measure", recording, threads)
    }

    /// Seconds of [`Lab::long`].
    pub fn long_s(&self) -> u64 {
        self.of(600, 60)
    }

    /// Ten minutes at 24 bits and 96 kHz.
    pub fn long(&self) -> PathBuf {
        let path = self.path("long.wav");
        match path.exists() {
            true => path,
            false => signal::recording(&path, 96_000, self.long_s()),
        }
    }
}

/// The folder of the crate.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).to_owned()
}

/// A table in Markdown.
pub fn table(heads: &[&str], rows: &[Vec<String>]) -> String {
    let mut text = format!(
        "| {} |\n|{}\n",
        heads.join(" | "),
        "---|".repeat(heads.len())
    );
    for row in rows {
        let _ = writeln!(text, "| {} |", row.join(" | "));
    }
    text + "\n"
}

type Section = (&'static str, fn(&Lab) -> Page);

const SECTIONS: &[Section] = &[
    ("wav", sections::wav),
    ("stages", sections::stages),
    ("flac", sections::flac),
    ("python", sections::python),
    ("start", sections::start),
    ("follow", sections::follow),
    ("played", sections::played),
    ("beyond", sections::beyond),
    ("length", sections::length),
    ("rate", sections::rate),
    ("jobs", sections::jobs),
    ("networks", sections::networks),
    (INSTRUCTIONS, sections::instructions),
];

/// The section that is run only where it is named: it tells nothing of time.
const INSTRUCTIONS: &str = "instructions";

fn main() -> ExitCode {
    let (mut quick, mut keep, mut names) = (false, false, Vec::new());
    for argument in std::env::args().skip(1) {
        match argument.as_str() {
            // cargo says so
            "--bench" => {}
            "--quick" => quick = true,
            "--write" => keep = true,
            "--instructions" => names.push(INSTRUCTIONS.to_owned()),
            name if SECTIONS.iter().any(|s| s.0 == name) => names.push(name.to_owned()),
            other => {
                let known: Vec<&str> = SECTIONS.iter().map(|s| s.0).collect();
                eprintln!(
                    "{other} is not known: --quick, --write, --instructions, or of {}",
                    known.join(", ")
                );
                return ExitCode::from(2);
            }
        }
    }
    if keep && quick {
        eprintln!("a quick run is not for the documents; leave out --quick or --write");
        return ExitCode::from(2);
    }
    let lab = Lab {
        folder: tempfile::tempdir().expect("a temporary folder"),
        quick,
    };
    let wanted = |name: &str| match names.is_empty() {
        true => name != INSTRUCTIONS,
        false => names.iter().any(|n| n == name),
    };
    let commit = commit();
    for (name, run) in SECTIONS.iter().filter(|s| wanted(s.0)) {
        let before = (Instant::now(), run::all_cpu_s(), run::own_cpu_s());
        let page = run(&lab);
        let text = words(&page, &machine(before, &commit));
        println!("## {name}\n\n{text}");
        if keep {
            write(name, &text, &page);
        }
    }
    ExitCode::SUCCESS
}

/// The commit that is measured, before the document is written.
fn commit() -> String {
    let output = Command::new("git")
        .args(["describe", "--always", "--dirty", "--exclude=*"])
        .current_dir(root())
        .output();
    output
        .map(|o| String::from_utf8_lossy(&o.stdout).trim().to_owned())
        .unwrap_or_default()
}

/// The machine, its state since `before`, and the program.
fn machine((begun, all, own): (Instant, Option<f64>, Option<f64>), commit: &str) -> String {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let read = |path: &str| std::fs::read_to_string(path).unwrap_or_default();
    let (cpu, memory) = (read("/proc/cpuinfo"), read("/proc/meminfo"));
    let model = cpu
        .lines()
        .find_map(|l| l.strip_prefix("model name")?.split_once(": "))
        .map_or("unnamed processor", |m| m.1);
    let memory = memory
        .lines()
        .find_map(|l| {
            let kib = l.strip_prefix("MemTotal:")?.trim().strip_suffix(" kB")?;
            Some(format!(
                ", {:.0} GiB",
                kib.parse::<f64>().ok()? / 1_048_576.0
            ))
        })
        .unwrap_or_default();
    let others = || {
        let all = run::all_cpu_s()? - all?;
        let own = run::own_cpu_s()? - own?;
        let share = (all - own).max(0.0) / (begun.elapsed().as_secs_f64() * cores as f64);
        Some(format!(
            "; other programs had {:.0} % of it meanwhile",
            100.0 * share
        ))
    };
    format!(
        "{model}, {cores} cores{memory}, {}{}; commit {commit}.",
        std::env::consts::OS,
        others().unwrap_or_default()
    )
}

/// A section as Markdown.
fn words(page: &Page, machine: &str) -> String {
    let mut text = page.text.clone();
    if !page.aims.is_empty() {
        let rows: Vec<Vec<String>> = page
            .aims
            .iter()
            .map(|(aim, found, met)| {
                let met = if *met { "met" } else { "**not met**" };
                vec![aim.clone(), found.clone(), met.to_owned()]
            })
            .collect();
        text += &table(&["aim", "found", ""], &rows);
    }
    for (stem, chart) in &page.charts {
        let _ = write!(text, "![{}](performance/{stem}.svg)\n\n", chart.title);
    }
    text + machine + "\n"
}

/// Puts a section into its place in the document.
fn write(name: &str, text: &str, page: &Page) {
    let docs = root().join("docs");
    let path = docs.join("performance.md");
    let old = std::fs::read_to_string(&path).expect("docs/performance.md");
    let (begin, end) = (
        format!("<!-- {name} -->\n"),
        format!("<!-- end of {name} -->\n"),
    );
    let (head, rest) = old.split_once(&begin).expect("the section's beginning");
    let (_, tail) = rest.split_once(&end).expect("the section's end");
    std::fs::write(&path, format!("{head}{begin}\n{text}\n{end}{tail}")).expect("docs");
    if !page.charts.is_empty() {
        std::fs::create_dir_all(docs.join("performance")).expect("docs");
    }
    for (stem, chart) in &page.charts {
        let file = docs.join("performance").join(format!("{stem}.svg"));
        std::fs::write(file, chart.svg()).expect("docs");
    }
}
