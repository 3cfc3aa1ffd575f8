//! Runs programs and tells what they cost.

use std::ffi::OsStr;
use std::io::Read;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Ticks a second in which Linux states processor time to programs.
const TICKS: f64 = 100.0;

/// What a run cost.
pub struct Run {
    pub wall_s: f64,
    /// Processor time of all its threads, to 10 ms; none without /proc.
    pub cpu_s: Option<f64>,
    pub output: String,
}

/// Runs a program to its end, and keeps what it prints.
pub fn run(command: &mut Command) -> Run {
    let begun = Instant::now();
    let mut child = command.stdout(Stdio::piped()).spawn().expect("a program");
    let mut output = String::new();
    let mut pipe = child.stdout.take().expect("its output");
    pipe.read_to_string(&mut output).expect("its output");
    let cpu_s = end(&mut child);
    Run {
        wall_s: begun.elapsed().as_secs_f64(),
        cpu_s,
        output,
    }
}

/// Waits for a child that is about to end, and returns its processor time.
pub fn end(child: &mut Child) -> Option<f64> {
    // the times of a process that has ended stand until its parent has asked
    let cpu = loop {
        match state(child.id()) {
            Some(('Z', cpu)) => break Some(cpu),
            Some(_) => std::thread::yield_now(),
            None => break None,
        }
    };
    let status = child.wait().expect("an end");
    // 1 says that a limit is not met
    let fine = status.code().is_some_and(|code| code < 2);
    assert!(fine, "a program failed: {status}");
    cpu
}

/// State and processor seconds of a process, by Linux.
fn state(id: u32) -> Option<(char, f64)> {
    let text = std::fs::read_to_string(format!("/proc/{id}/stat")).ok()?;
    let fields: Vec<&str> = text.rsplit_once(") ")?.1.split(' ').collect();
    let ticks = |k: usize| fields.get(k)?.parse::<f64>().ok();
    // fields 3, 14 and 15 of proc_pid_stat(5)
    Some((fields[0].chars().next()?, (ticks(11)? + ticks(12)?) / TICKS))
}

/// Processor seconds of this program and the children that it has waited for.
pub fn own_cpu_s() -> Option<f64> {
    let text = std::fs::read_to_string("/proc/self/stat").ok()?;
    let fields = text.rsplit_once(") ")?.1.split(' ').skip(11).take(4);
    let ticks: f64 = fields.filter_map(|f| f.parse::<f64>().ok()).sum();
    Some(ticks / TICKS)
}

/// Processor seconds that all programs together have used.
pub fn all_cpu_s() -> Option<f64> {
    let text = std::fs::read_to_string("/proc/stat").ok()?;
    let fields: Vec<f64> = text
        .lines()
        .next()?
        .split_whitespace()
        .filter_map(|f| f.parse().ok())
        .collect();
    // user, nice, system, then idle, waiting, interrupts, and stolen time
    Some((fields[..3].iter().sum::<f64>() + fields[5..8].iter().sum::<f64>()) / TICKS)
}

/// Resident set of a process in bytes: the largest so far, and now; none once it
/// has ended.
pub fn resident(id: u32) -> Option<(u64, u64)> {
    let text = std::fs::read_to_string(format!("/proc/{id}/status")).ok()?;
    let bytes = |key: &str| {
        let line = text.lines().find_map(|l| l.strip_prefix(key))?;
        Some(1024 * line.trim().trim_end_matches(" kB").parse::<u64>().ok()?)
    };
    Some((bytes("VmHWM:")?, bytes("VmRSS:")?))
}

/// Largest resident set of a whole run, asked for every millisecond.
pub fn peak(command: &mut Command) -> u64 {
    let mut child = command.stdout(Stdio::null()).spawn().expect("a program");
    let mut most = 0;
    while let Some((so_far, _)) = resident(child.id()) {
        most = so_far;
        std::thread::sleep(Duration::from_millis(1));
    }
    assert!(child.wait().expect("an end").success());
    most
}

/// A command on a terminal of its own, by `script` of util-linux: with its
/// standard error there, where it shows its progress, or thrown away.
pub fn on_a_terminal(command: &Command, shown: bool) -> Command {
    let words = std::iter::once(command.get_program()).chain(command.get_args());
    let quoted = |word: &OsStr| format!("'{}'", word.to_string_lossy().replace('\'', r"'\''"));
    let mut line: String = words.map(|word| quoted(word) + " ").collect();
    if !shown {
        line += "2>/dev/null";
    }
    let mut terminal = Command::new("script");
    terminal.args(["--quiet", "--return", "--command", &line, "/dev/null"]);
    terminal.stdin(Stdio::null());
    terminal
}

/// Runs each task once a round, and returns the results of each.
pub fn interleaved<T>(rounds: usize, tasks: &mut [Box<dyn FnMut() -> T + '_>]) -> Vec<Vec<T>> {
    let mut results: Vec<Vec<T>> = tasks.iter().map(|_| Vec::new()).collect();
    for _ in 0..rounds {
        for (task, results) in tasks.iter_mut().zip(&mut results) {
            results.push(task());
        }
    }
    results
}

pub fn median(values: impl IntoIterator<Item = f64>) -> f64 {
    let mut values: Vec<f64> = values.into_iter().collect();
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    match values.len() % 2 {
        1 => values[half],
        _ => (values[half - 1] + values[half]) / 2.0,
    }
}

/// Wall time of a function.
pub fn timed<T>(work: impl FnOnce() -> T) -> f64 {
    let begun = Instant::now();
    std::hint::black_box(work());
    begun.elapsed().as_secs_f64()
}
