//! The validation dossier, `docs/validation/`: how the program was tried, with
//! every table and plot made by this run.
//!
//! ```text
//! cargo bench --bench dossier                  all of it, written to docs/validation
//! cargo bench --bench dossier -- --short       in minutes, held against the last short run kept
//! cargo bench --bench dossier -- --short --keep  the same, kept as the new one
//! cargo bench --bench dossier -- estimator/snr-5  that row; if none is called so, those whose names begin so
//! cargo bench --bench dossier -- --seed 7       with other chances
//! ```
//!
//! The page of a chapter is written when all of its rows were run. A row is a function of its name and the seed alone, so any of them can be
//! run again by itself. Another seed changes the head of the pages that it makes. A row whose criterion is missed makes the run fail.

mod ablation;
mod alternatives;
#[path = "../../tests/bound/mod.rs"]
mod bound;
mod coverage;
mod estimator;
#[path = "../python/interpreter.rs"]
mod interpreter;
mod material;
mod played;
mod plot;
mod scene;
mod slips;
mod traceability;

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};
use std::sync::OnceLock;

/// Seed of every random number in the dossier, if no other is asked for.
const SEED: u64 = 20_261_126;
static ASKED_SEED: OnceLock<u64> = OnceLock::new();

/// The seed of this run.
fn seed() -> u64 {
    *ASKED_SEED.get_or_init(|| SEED)
}

/// The chances of one trial of a row: no two rows, and no two trials, share any.
pub fn chances(row: &str, trial: u64) -> ChaCha8Rng {
    let hash = Sha256::digest(row.as_bytes());
    let of_row = u64::from_le_bytes(hash[..8].try_into().expect("eight bytes"));
    let mut rng = ChaCha8Rng::seed_from_u64(seed() ^ of_row);
    rng.set_stream(trial);
    rng
}

/// Numbers of a short run may differ by this fraction from those kept: other
/// processors round the single-precision transforms otherwise.
const DRIFT: f64 = 1e-3;

/// What a row found.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    /// Its cells, after the row's name.
    pub cells: Vec<String>,
    /// Its figures, for plots and to tell drift by.
    pub numbers: Vec<f64>,
    /// How it misses its criterion, if it does.
    pub fault: Option<String>,
}

/// How much is to be tried.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// For a release, up to an hour.
    Long,
    /// For every change, minutes.
    Short,
}

impl Form {
    /// One number or the other.
    pub fn of(self, long: usize, short: usize) -> usize {
        match self {
            Self::Long => long,
            Self::Short => short,
        }
    }
}

/// One row of a table.
pub struct Row {
    /// `chapter/table-row`, by which it can be run again.
    pub id: String,
    /// Whether the short run has it too.
    pub short: bool,
    /// Runs it.
    pub run: Box<dyn Fn(Form) -> Outcome>,
}

/// A plot of a table: the file's stem and what draws it.
pub type Plot = (String, Box<dyn Fn(&[Outcome]) -> plot::Chart>);

/// One table.
pub struct Table {
    /// Heading.
    pub title: String,
    /// What was done and what follows, before the table.
    pub text: String,
    /// Heads of the columns after the row's name.
    pub columns: Vec<String>,
    /// Rows.
    pub rows: Vec<Row>,
    /// Plots.
    pub plots: Vec<Plot>,
}

/// One page.
pub struct Chapter {
    /// Stem of the page's file, and the first part of its rows' names.
    pub name: &'static str,
    /// Heading.
    pub title: &'static str,
    /// Opening words.
    pub text: &'static str,
    /// Tables.
    pub tables: Vec<Table>,
}

/// The columns of a table from their heads.
pub fn columns(heads: &[&str]) -> Vec<String> {
    heads.iter().map(|head| (*head).to_owned()).collect()
}

/// What the arguments ask for.
struct Asked {
    form: Form,
    keep: bool,
    only: Vec<String>,
}

impl Asked {
    /// Whether this row of all is wanted: a name is that of one row, or the beginning of
    /// several.
    fn wants(&self, row: &Row, all: &BTreeSet<&str>) -> bool {
        let means = |o: &String| {
            *o == row.id || (row.id.starts_with(o.as_str()) && !all.contains(o.as_str()))
        };
        let named = self.only.is_empty() || self.only.iter().any(means);
        named && (self.form == Form::Long || row.short)
    }
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).to_owned()
}

fn main() -> ExitCode {
    let mut asked = Asked {
        form: Form::Long,
        keep: false,
        only: Vec::new(),
    };
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            // cargo says so
            "--bench" => {}
            "--short" => asked.form = Form::Short,
            "--keep" => asked.keep = true,
            "--seed" => match arguments.next().map(|n| n.parse()) {
                Some(Ok(seed)) => _ = ASKED_SEED.set(seed),
                _ => {
                    eprintln!("--seed is followed by a whole number");
                    return ExitCode::from(2);
                }
            },
            other if other.starts_with('-') => {
                eprintln!("{other} is not known: --short, --keep, --seed, or names of rows");
                return ExitCode::from(2);
            }
            name => asked.only.push(name.to_owned()),
        }
    }
    let chapters = [
        estimator::chapter(),
        alternatives::chapter(),
        coverage::chapter(),
        slips::chapter(),
        ablation::chapter(),
        material::chapter(),
        traceability::chapter(),
    ];
    let every_row = || {
        chapters
            .iter()
            .flat_map(|c| &c.tables)
            .flat_map(|t| &t.rows)
    };
    let all: BTreeSet<&str> = every_row().map(|row| row.id.as_str()).collect();
    if all.len() != every_row().count() {
        eprintln!("two rows have one name");
        return ExitCode::FAILURE;
    }
    if asked.form == Form::Short && seed() != SEED {
        eprintln!(
            "the short form is held against figures of its own seed; leave out --seed or --short"
        );
        return ExitCode::from(2);
    }
    let mut results = BTreeMap::new();
    let rows = chapters.iter().flat_map(|c| &c.tables).flat_map(|t| {
        let heads = &t.columns;
        t.rows.iter().map(move |row| (heads, row))
    });
    for (heads, row) in rows.filter(|(_, row)| asked.wants(row, &all)) {
        let begun = std::time::Instant::now();
        let outcome = (row.run)(asked.form);
        println!("{} ({:.1} s)", row.id, begun.elapsed().as_secs_f64());
        for (head, cell) in heads.iter().zip(&outcome.cells) {
            println!("    {head}: {cell}");
        }
        results.insert(row.id.clone(), outcome);
    }
    if results.is_empty() {
        eprintln!("no row is called that; the pages in docs/validation name them");
        return ExitCode::from(2);
    }
    let mut faults: Vec<String> = results
        .iter()
        .filter_map(|(id, o)| o.fault.as_ref().map(|f| format!("{id}: {f}")))
        .collect();
    if asked.form == Form::Short {
        faults.extend(drift(&results, &asked));
    } else {
        let known = |said: Option<String>| said.unwrap_or_else(|| "not known".to_owned());
        let run = format!(
            "Made by `cargo bench --bench dossier` at commit {}, seed {}; {}; {}.\n",
            known(commit()),
            seed(),
            machine(),
            known(said_by("rustc", &["--version"])),
        );
        let whole = |c: &&Chapter| {
            let mut rows = c.tables.iter().flat_map(|t| &t.rows);
            rows.all(|row| results.contains_key(&row.id))
        };
        for chapter in chapters.iter().filter(whole) {
            write(chapter, &results, &run);
        }
    }
    for fault in &faults {
        eprintln!("FAULT {fault}");
    }
    println!("{} rows, {} faults", results.len(), faults.len());
    match faults.is_empty() {
        true => ExitCode::SUCCESS,
        false => ExitCode::FAILURE,
    }
}

/// Holds the figures of a short run against those kept, or keeps them.
fn drift(results: &BTreeMap<String, Outcome>, asked: &Asked) -> Vec<String> {
    let path = root().join("docs/validation/short.json");
    let numbers: BTreeMap<&String, &Vec<f64>> =
        results.iter().map(|(id, o)| (id, &o.numbers)).collect();
    if asked.keep {
        let text = serde_json::to_string_pretty(&numbers).expect("numbers");
        std::fs::write(&path, text + "\n").expect("docs/validation can be written");
        return Vec::new();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_else(|_| "{}".to_owned());
    let kept: BTreeMap<String, Vec<f64>> = serde_json::from_str(&kept).expect("short.json");
    let agrees = |a: &[f64], b: &[f64]| {
        a.len() == b.len()
            && a.iter()
                .zip(b)
                .all(|(a, b)| (a - b).abs() <= DRIFT * a.abs().max(b.abs()) + 1e-9)
    };
    let gone = kept
        .keys()
        .filter(|id| asked.only.is_empty() && !numbers.contains_key(id))
        .map(|id| format!("{id} was kept and is no row of the short form any more"));
    let gone: Vec<String> = gone.collect();
    numbers
        .into_iter()
        .filter(|(id, found)| kept.get(*id).is_none_or(|k| !agrees(k, found)))
        .map(|(id, found)| {
            format!(
                "{id}: {found:?}, where {:?} was kept; if that is meant, run with --short --keep",
                kept.get(id)
            )
        })
        .chain(gone)
        .collect()
}

/// The commit that is tried. Pages that a run before has written are no part of what is
/// tried.
fn commit() -> Option<String> {
    let commit = said_by("git", &["describe", "--always", "--exclude=*"])?;
    let changed = ["status", "--porcelain", "--", ".", ":!docs/validation"];
    Some(match said_by("git", &changed) {
        None => commit,
        Some(_) => format!("{commit}-dirty"),
    })
}

/// Another program's output, if there is any.
fn said_by(program: &str, arguments: &[&str]) -> Option<String> {
    let output = Command::new(program)
        .args(arguments)
        .current_dir(root())
        .output()
        .ok()?;
    let text = String::from_utf8_lossy(&output.stdout).trim().to_owned();
    (!text.is_empty()).then_some(text)
}

/// The processor's name, where the system tells it.
fn machine() -> String {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let info = std::fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
    let model = info
        .lines()
        .find_map(|l| l.strip_prefix("model name")?.split_once(": "))
        .map_or("unnamed processor", |m| m.1);
    format!("{model}, {cores} cores, {}", std::env::consts::OS)
}

/// Writes a page.
fn write(chapter: &Chapter, results: &BTreeMap<String, Outcome>, run: &str) {
    let folder = root().join("docs/validation");
    std::fs::create_dir_all(&folder).expect("docs can be written");
    let save = |name: &str, text: &str| {
        std::fs::write(folder.join(name), text).expect("docs/validation can be written");
    };
    let mut page = format!("# {}\n\n{}\n\n{run}\n", chapter.title, chapter.text.trim());
    for table in &chapter.tables {
        let _ = write!(page, "## {}\n\n{}\n\n", table.title, table.text.trim());
        let _ = writeln!(page, "| row | {} |", table.columns.join(" | "));
        let _ = writeln!(page, "|{}", "---|".repeat(table.columns.len() + 1));
        let mut outcomes = Vec::new();
        for row in &table.rows {
            let outcome = &results[&row.id];
            let name = row.id.split_once('/').map_or("", |n| n.1);
            let _ = writeln!(page, "| {name} | {} |", outcome.cells.join(" | "));
            outcomes.push(outcome.clone());
        }
        let first = table.rows.first().map_or("", |r| r.id.as_str());
        let _ = write!(
            page,
            "\nAny row again: `cargo bench --bench dossier -- {first}`, with its own name after `{}/`.\n\n",
            chapter.name
        );
        for row in &table.rows {
            if let Some(fault) = &results[&row.id].fault {
                let _ = write!(page, "**Criterion missed**, {}: {fault}\n\n", row.id);
            }
        }
        for (stem, draw) in &table.plots {
            let chart = draw(&outcomes);
            save(&format!("{stem}.svg"), &chart.svg());
            let _ = write!(page, "![{}]({stem}.svg)\n\n", chart.title);
        }
    }
    save(
        &format!("{}.md", chapter.name),
        &format!("{}\n", page.trim_end()),
    );
}
