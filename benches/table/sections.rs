//! The sections of the table.

use crate::interpreter::interpreter;
use crate::plot::Chart;
use crate::run::{end, interleaved, median, on_a_terminal, peak, resident, run, timed};
use crate::{Lab, Page, root, signal, table};
use groovelag::analysis::{self, Request};
use groovelag::capture::{self, Stereo};
use groovelag::delay;
use groovelag::job::{self, CaptureData, Details, Wanted};
use groovelag::report::page::{self, About};
use groovelag::simulate::{recipe::Recipe, render};
use groovelag::spectrum::{Engine, EngineSettings, correlate};
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use std::f64::consts::TAU;
use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

const RATE: u32 = 96_000;
const MB: f64 = 1e6;
/// Samples handed on at a time, as `measure` does.
const BLOCK: usize = 1 << 17;

fn ms(seconds: f64) -> String {
    match 1e3 * seconds {
        t if t < 10.0 => format!("{t:.1}"),
        t => format!("{t:.0}"),
    }
}

fn mb(bytes: u64) -> String {
    format!("{:.1}", bytes as f64 / MB)
}

fn times(ratio: f64) -> String {
    format!("{ratio:.2}")
}

/// An aim that is met up to a limit.
fn at_most(what: &str, found: f64, limit: f64, unit: &str) -> (String, String, bool) {
    (
        format!("{what}: at most {limit}{unit}"),
        format!("{found:.2}{unit}"),
        found <= limit,
    )
}

/// An aim that is met from a limit on.
fn at_least(what: &str, found: f64, limit: f64, unit: &str) -> (String, String, bool) {
    (
        format!("{what}: at least {limit}{unit}"),
        format!("{found:.2}{unit}"),
        found >= limit,
    )
}

/// Wall time and processor time of a command, medians of what `interleaved` gave.
type Cost = (f64, Option<f64>);

fn cost(mut command: Command) -> Box<dyn FnMut() -> Cost> {
    Box::new(move || {
        let run = run(&mut command);
        (run.wall_s, run.cpu_s)
    })
}

fn walls(costs: &[Cost]) -> f64 {
    median(costs.iter().map(|c| c.0))
}

/// The mean: medians of steps of 10 ms tell less.
fn cpus(costs: &[Cost]) -> String {
    let known: Option<Vec<f64>> = costs.iter().map(|c| c.1).collect();
    known.map_or("not known".to_owned(), |k| {
        ms(k.iter().sum::<f64>() / k.len() as f64)
    })
}

/// `measure` against reading and decoding.
pub fn wav(lab: &Lab) -> Page {
    let mut page = Page::default();
    for (rate, seconds) in [(RATE, lab.long_s()), (2 * RATE, lab.long_s() / 2)] {
        let path = match rate {
            RATE => lab.long(),
            _ => signal::recording(&lab.path("high.wav"), rate, seconds),
        };
        let path = path.as_path();
        let json = || {
            let mut command = lab.measure(path, 2);
            command.arg("--json");
            command
        };
        let floor = |work: fn(&Path)| -> Box<dyn FnMut() -> Cost + '_> {
            Box::new(move || (timed(|| work(path)), None))
        };
        let mut tasks: [Box<dyn FnMut() -> Cost + '_>; 5] = [
            floor(|path| {
                std::hint::black_box(signal::touch(path));
            }),
            floor(|path| {
                std::hint::black_box(signal::decode(path));
            }),
            cost(lab.measure(path, 1)),
            cost(lab.measure(path, 2)),
            cost(json()),
        ];
        let found = interleaved(lab.of(11, 3), &mut tasks);
        let decoding = walls(&found[1]);
        let peaks = [lab.measure(path, 1), lab.measure(path, 2), json()].map(|mut c| peak(&mut c));
        let mut rows = Vec::new();
        let names = [
            "reading alone, 1 MiB at a time, each byte touched",
            "decoding alone, 24 bits to single precision, one thread",
            "`measure --threads 1`",
            "`measure --threads 2`",
            "`measure --threads 2 --json`, with the file's SHA-256",
        ];
        for (k, (name, costs)) in names.iter().zip(&found).enumerate() {
            let wall = walls(costs);
            rows.push(vec![
                (*name).to_owned(),
                ms(wall),
                if k < 2 { String::new() } else { cpus(costs) },
                format!("{:.0}", seconds as f64 / wall),
                times(wall / decoding),
                if k < 2 {
                    String::new()
                } else {
                    mb(peaks[k - 2])
                },
            ]);
        }
        let _ = writeln!(
            page.text,
            "{seconds} s of 24 bits at {} kHz, WAV, {:.0} MB, medians of {} interleaved rounds:\n",
            rate / 1000,
            seconds as f64 * f64::from(rate) * signal::FRAME as f64 / MB,
            found[0].len(),
        );
        page.text += &table(
            &[
                "",
                "wall, ms",
                "processor, ms",
                "x real time",
                "of decoding",
                "peak, MB",
            ],
            &rows,
        );
        let (one, two) = (walls(&found[2]), walls(&found[3]));
        let name = format!("24/{}", rate / 1000);
        page.aims.extend([
            at_most(
                &format!("{name}, two threads, of decoding"),
                two / decoding,
                2.5,
                " x",
            ),
            at_most(
                &format!("{name}, one thread, of decoding"),
                one / decoding,
                4.5,
                " x",
            ),
            at_least(
                &format!("{name}, gain of the second core"),
                one / two,
                1.5,
                " x",
            ),
            at_most(
                &format!("{name}, peak memory"),
                peaks.into_iter().max().unwrap_or(0) as f64 / MB,
                24.0,
                " MB",
            ),
        ]);
        if rate != RATE {
            std::fs::remove_file(path).expect("our own file");
        }
    }
    page
}

/// `measure` against the decoder of FLAC.
pub fn flac(lab: &Lab) -> Page {
    let mut page = Page::default();
    let path = lab.path("long.flac");
    let made = Command::new("flac")
        .args(["--totally-silent", "-5", "-o"])
        .args([&path, &lab.long()])
        .status();
    if !made.is_ok_and(|status| status.success()) {
        page.text = "Left out: there is no `flac` on the path to make the file.\n\n".to_owned();
        return page;
    }
    let path = path.as_path();
    let alone = || {
        let source = capture::Source::Path(path.to_owned());
        let mut recording = capture::open(&source, &capture::ReadOptions::default()).expect("FLAC");
        let mut block = Stereo::default();
        while recording.read(&mut block, 1 << 16).expect("samples") > 0 {
            std::hint::black_box(&block);
        }
    };
    let mut tasks: [Box<dyn FnMut() -> Cost + '_>; 3] = [
        Box::new(|| (timed(alone), None)),
        cost(lab.measure(path, 1)),
        cost(lab.measure(path, 2)),
    ];
    let found = interleaved(lab.of(7, 3), &mut tasks);
    let decoding = walls(&found[0]);
    let names = [
        "the decoder alone",
        "`measure --threads 1`",
        "`measure --threads 2`",
    ];
    let rows: Vec<Vec<String>> = names
        .iter()
        .zip(&found)
        .map(|(name, costs)| {
            let wall = walls(costs);
            vec![
                (*name).to_owned(),
                ms(wall),
                format!("{:.0}", lab.long_s() as f64 / wall),
                times(wall / decoding),
            ]
        })
        .collect();
    let _ = writeln!(
        page.text,
        "The same {} s of 24/96 as FLAC (level 5, {:.0} MB; noise is the worst case), medians of {} rounds:\n",
        lab.long_s(),
        std::fs::metadata(path).map_or(0, |m| m.len()) as f64 / MB,
        found[0].len(),
    );
    page.text += &table(&["", "wall, ms", "x real time", "of the decoder"], &rows);
    page.text += &format!(
        "Peak memory of `measure --threads 2`: {} MB.\n\n",
        mb(peak(&mut lab.measure(path, 2)))
    );
    page.aims.push(at_most(
        "FLAC, two threads, of the decoder alone",
        walls(&found[2]) / decoding,
        1.15,
        " x",
    ));
    page
}

/// `measure` against programs in Python.
pub fn python(lab: &Lab) -> Page {
    let mut page = Page::default();
    let python = match interpreter(&root()) {
        Ok(python) => python,
        Err(reason) => {
            page.text = format!("Left out: {reason}.\n\n");
            return page;
        }
    };
    let recording = lab.long();
    let script = |name: &str| {
        let mut command = Command::new(&python);
        command.arg(root().join("benches/python").join(name));
        command.arg(&recording);
        command
    };
    let ours = || {
        let mut command = lab.measure(&recording, 2);
        command.arg("--json");
        command
    };
    // wall time, the seconds that the script itself counts, delay
    type Found = (f64, f64, f64);
    let found = |mut command: Command, seconds: &'static str, delay: &'static str| {
        move || -> Found {
            let run = run(&mut command);
            let value: serde_json::Value = serde_json::from_str(&run.output).expect("JSON");
            let number = |at: &str| value.pointer(at).and_then(serde_json::Value::as_f64);
            let delay = number(delay).expect("a delay");
            (run.wall_s, number(seconds).unwrap_or(run.wall_s), delay)
        }
    };
    let mut tasks: [Box<dyn FnMut() -> Found + '_>; 3] = [
        Box::new(found(ours(), "", "/delay_us/value")),
        Box::new(found(script("numpy_packed.py"), "/seconds", "/delay_us")),
        Box::new(found(script("scipy_csd.py"), "/seconds", "/delay_us")),
    ];
    let found = interleaved(3, &mut tasks);
    let mut text = lab.measure(&recording, 2);
    let two = median((0..5).map(|_| run(&mut text).wall_s));
    let mut rows = Vec::new();
    let mut peaks = [ours(), script("numpy_packed.py"), script("scipy_csd.py")];
    for (k, name) in [
        "`measure --threads 2 --json`",
        "[numpy](../benches/python/numpy_packed.py), packed transform, one thread",
        "[SciPy](../benches/python/scipy_csd.py), `csd` and `welch` by pieces",
    ]
    .into_iter()
    .enumerate()
    {
        let wall = median(found[k].iter().map(|f| f.0));
        let inside = median(found[k].iter().map(|f| f.1));
        rows.push(vec![
            name.to_owned(),
            ms(wall),
            ms(inside),
            format!("{:.1}", inside / two),
            format!("{:.6}", found[k][0].2),
            mb(peak(&mut peaks[k])),
        ]);
    }
    let _ = writeln!(
        page.text,
        "The same {} s of 24/96; the true delay is {:.6} us. The ratio is that of the time after the start of Python to `measure --threads 2` without `--json`, {} ms:\n",
        lab.long_s(),
        1e6 / f64::from(RATE),
        ms(two),
    );
    page.text += &table(
        &[
            "",
            "wall, ms",
            "without start, ms",
            "of `measure`",
            "delay, us",
            "peak, MB",
        ],
        &rows,
    );
    let ratio = |k: usize| median(found[k].iter().map(|f: &Found| f.1)) / two;
    page.aims.extend([
        at_least("numpy, of `measure` on two threads", ratio(1), 11.0, " x"),
        at_least("SciPy, of `measure` on two threads", ratio(2), 45.0, " x"),
    ]);
    page
}

/// How soon the program is there.
pub fn start(lab: &Lab) -> Page {
    let mut page = Page::default();
    let short = signal::recording(&lab.path("short.wav"), RATE, 10);
    let mut version = lab.program();
    version.arg("--version");
    let mut tasks = [cost(version), cost(lab.measure(&short, 2))];
    let found = interleaved(lab.of(51, 11), &mut tasks);
    let (version, capture) = (walls(&found[0]), walls(&found[1]));
    let rows = [
        vec!["`--version`".to_owned(), ms(version)],
        vec!["`measure`, 10 s of 24/96".to_owned(), ms(capture)],
    ];
    let _ = writeln!(page.text, "Medians of {} runs:\n", found[0].len());
    page.text += &table(&["", "wall, ms"], &rows);
    page.aims.extend([
        at_most("`--version`", 1e3 * version, 5.0, " ms"),
        at_most("a recording of 10 s", 1e3 * capture, 40.0, " ms"),
    ]);
    page
}

/// `measure` or `follow` on a stream of raw samples.
fn streaming(lab: &Lab, command: &str, threads: usize) -> Child {
    lab.command(command, Path::new("-"), threads)
        .args(["--json", "--raw", "s24le,96000,2"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the program")
}

/// Reads what a child prints, with the times at which it came.
fn lines(child: &mut Child, begun: Instant) -> std::thread::JoinHandle<Vec<(f64, String)>> {
    let output = BufReader::new(child.stdout.take().expect("its output"));
    std::thread::spawn(move || {
        let lines = output.lines().map_while(Result::ok);
        lines.map(|l| (begun.elapsed().as_secs_f64(), l)).collect()
    })
}

/// `follow` at full speed, and for an hour.
pub fn follow(lab: &Lab) -> Page {
    let mut page = Page::default();
    let mut minute = Vec::new();
    signal::Noise::new().fill(&mut minute, 60 * u64::from(RATE));
    let minute = minute.as_slice();

    let at_once = |command: &'static str, threads: usize| -> Box<dyn FnMut() -> Cost + '_> {
        Box::new(move || {
            let begun = Instant::now();
            let mut child = streaming(lab, command, threads);
            let lines = lines(&mut child, begun);
            let mut input = child.stdin.take().expect("its input");
            input.write_all(minute).expect("a reader");
            drop(input);
            let cpu = end(&mut child);
            let wall = begun.elapsed().as_secs_f64();
            lines.join().expect("lines");
            (wall, cpu)
        })
    };
    let mut tasks = [
        at_once("measure", 1),
        at_once("follow", 1),
        at_once("measure", 2),
        at_once("follow", 2),
    ];
    let found = interleaved(lab.of(7, 3), &mut tasks);
    drop(tasks);
    let mut rows = Vec::new();
    for (k, name) in ["`measure -`", "`follow -`"].into_iter().enumerate() {
        for threads in [1, 2] {
            let costs = &found[2 * (threads - 1) + k];
            rows.push(vec![
                name.to_owned(),
                threads.to_string(),
                ms(walls(costs)),
                cpus(costs),
                format!("{:.0}", 60.0 / walls(costs)),
            ]);
        }
    }
    page.text = format!(
        "A minute of 24/96 through a pipe, as fast as it is taken, medians of {} rounds:\n\n",
        found[0].len()
    );
    page.text += &table(
        &["", "threads", "wall, ms", "processor, ms", "x real time"],
        &rows,
    );

    // an hour, and more
    let moments: &[u64] = lab.of(&[1, 10, 20, 30, 40, 50, 60, 120, 180, 240], &[1, 3, 6]);
    let mut child = streaming(lab, "follow", 2);
    let begun = Instant::now();
    let reader = lines(&mut child, begun);
    let mut input = child.stdin.take().expect("its input");
    let mut seen = Vec::new();
    for k in 1..=*moments.last().unwrap_or(&1) {
        input.write_all(minute).expect("a reader");
        if moments.contains(&k) {
            let wall = begun.elapsed().as_secs_f64();
            seen.extend(resident(child.id()).map(|(most, now)| (k, wall, most, now)));
        }
    }
    drop(input);
    end(&mut child);
    reader.join().expect("lines");
    page.text += "The minute again and again, in one stream on two threads:\n\n";
    let rows: Vec<Vec<String>> = seen
        .iter()
        .map(|(k, wall, most, now)| vec![k.to_string(), format!("{wall:.1}"), mb(*now), mb(*most)])
        .collect();
    page.text += &table(
        &[
            "minutes of stream",
            "after, s",
            "memory now, MB",
            "peak so far, MB",
        ],
        &rows,
    );
    for (first, last) in [(10, 60), (120, 240)] {
        let peak = |minute| seen.iter().find(|s| s.0 == minute).map(|s| s.2 as f64);
        if let (Some(early), Some(late)) = (peak(first), peak(last)) {
            let what = format!("growth of the peak from minute {first} to {last}");
            page.aims
                .push(at_most(&what, (late - early) / MB, 1.0, " MB"));
        }
    }
    page.aims.push(at_most(
        "`follow` at full speed, two threads, of `measure`",
        walls(&found[3]) / walls(&found[2]),
        2.0,
        " x",
    ));
    page
}

/// `follow` in real time.
pub fn played(lab: &Lab) -> Page {
    let mut page = Page::default();
    let seconds = lab.of(60, 10);
    let mut stream = Vec::new();
    signal::Noise::new().fill(&mut stream, seconds as u64 * u64::from(RATE));
    let begun = Instant::now();
    let mut child = streaming(lab, "follow", 2);
    let reader = lines(&mut child, begun);
    let mut input = child.stdin.take().expect("its input");
    let piece = Duration::from_millis(50);
    let bytes = RATE as usize / 20 * signal::FRAME as usize;
    for (k, samples) in stream.chunks(bytes).enumerate() {
        // a sound card hands over what it has recorded
        let due = piece * (k as u32 + 1);
        std::thread::sleep(due.saturating_sub(begun.elapsed()));
        input.write_all(samples).expect("a reader");
    }
    drop(input);
    let cpu = end(&mut child);
    let lines = reader.join().expect("lines");
    let first = lines.iter().find_map(|(at, line)| {
        let value: serde_json::Value = serde_json::from_str(line).ok()?;
        let stream = value["stream_s"].as_f64()?;
        value["delay_us"].is_object().then_some((stream, *at))
    });
    let (taken, at) = first.expect("an estimate");
    let _ = writeln!(
        page.text,
        "{seconds} s in real time, in pieces of 50 ms: {} lines, the first estimate from {taken:.2} s of stream, shown {at:.2} s after the start; {} s of processor time.\n",
        lines.len(),
        cpu.map_or("unknown".to_owned(), |c| format!("{c:.2}")),
    );
    page.aims
        .push(at_most("first estimate", at, 2.0, " s of signal"));
    if let Some(cpu) = cpu {
        let share = 100.0 * cpu / seconds as f64;
        page.aims
            .push(at_most("in real time", share, 5.0, " % of a core"));
    }
    page
}

/// A band beyond 4 GiB.
pub fn beyond(lab: &Lab) -> Page {
    let mut page = Page::default();
    let path = lab.path("beyond.wav");
    let from = signal::beyond_4_gib(&path);
    let measure = |with: &[String]| {
        let mut command = lab.measure(&path, 2);
        command.args(with);
        command
    };
    let from_to = [
        "--from".to_owned(),
        from.to_string(),
        "--to".to_owned(),
        (from + 60.0).to_string(),
    ];
    let mut rows = Vec::new();
    let mut most = 0;
    let ways: &[(&str, &[String])] = &[
        ("`--from` and `--to`", &from_to),
        ("`--from`", &from_to[..2]),
        ("neither: the band is found", &[]),
    ];
    for (name, with) in &ways[..lab.of(3, 2)] {
        let wall = run(&mut measure(with)).wall_s;
        let bytes = peak(&mut measure(with));
        most = most.max(bytes);
        rows.push(vec![(*name).to_owned(), format!("{wall:.2}"), mb(bytes)]);
    }
    page.text = "6 GiB of RF64, 16 bits at 96 kHz (4 h 40 min), silent but for a minute that begins at 5 GiB; one run each, on two threads:\n\n".to_owned();
    page.text += &table(&["given", "wall, s", "peak, MB"], &rows);
    page.aims
        .push(at_most("peak memory", most as f64 / MB, 64.0, " MB"));
    std::fs::remove_file(&path).expect("our own file");
    page
}

/// Straight line by least squares of relative deviations: value at 0, slope,
/// largest relative deviation.
fn affine(points: &[(f64, f64)]) -> (f64, f64, f64) {
    let sum = |f: &dyn Fn(f64, f64) -> f64| points.iter().map(|(x, y)| f(*x, *y)).sum::<f64>();
    let w = sum(&|_, y| y.powi(-2));
    let wx = sum(&|x, y| x / y.powi(2));
    let wxx = sum(&|x, y| (x / y).powi(2));
    let wy = sum(&|_, y| 1.0 / y);
    let wxy = sum(&|x, y| x / y);
    let slope = (w * wxy - wx * wy) / (w * wxx - wx * wx);
    let start = (wy - slope * wx) / w;
    let most = points
        .iter()
        .map(|(x, y)| ((start + slope * x) / y - 1.0).abs())
        .fold(0.0, f64::max);
    (start, slope, most)
}

/// Cost against length.
pub fn length(lab: &Lab) -> Page {
    let mut page = Page::default();
    let lengths: &[u64] = lab.of(
        &[10, 30, 60, 120, 300, 600, 1200, 1800, 3600, 5400, 7200],
        &[10, 60, 300, 600],
    );
    let path = signal::recording(&lab.path("side.wav"), RATE, *lengths.last().unwrap_or(&10));
    let path = path.as_path();
    let mut tasks: Vec<Box<dyn FnMut() -> Cost + '_>> = Vec::new();
    for seconds in lengths {
        let mut measure = cost(lab.measure(path, 2));
        tasks.push(Box::new(move || {
            signal::cut(path, RATE, *seconds);
            measure()
        }));
    }
    let found = interleaved(lab.of(5, 3), &mut tasks);
    drop(tasks);
    let mut rows = Vec::new();
    let mut points = Vec::new();
    for (seconds, costs) in lengths.iter().zip(&found) {
        signal::cut(path, RATE, *seconds);
        let bytes = peak(&mut lab.measure(path, 2));
        let (wall, length) = (walls(costs), *seconds as f64);
        points.push((length, wall));
        rows.push(vec![
            seconds.to_string(),
            ms(wall),
            format!("{:.3}", 1e3 * wall / length),
            format!("{:.0}", length / wall),
            mb(bytes),
        ]);
    }
    let long: Vec<(f64, f64)> = points.iter().copied().filter(|p| p.0 >= 300.0).collect();
    let (begin, slope, most) = affine(&long);
    page.text = format!(
        "24/96, WAV, two threads, medians of {} interleaved rounds:\n\n",
        found[0].len()
    );
    page.text += &table(
        &[
            "length, s",
            "wall, ms",
            "ms a second",
            "x real time",
            "peak, MB",
        ],
        &rows,
    );
    let _ = writeln!(
        page.text,
        "A straight line through the lengths from 300 s up: {} ms and {:.3} ms a second.\n",
        signed_ms(begin),
        1e3 * slope
    );
    page.aims.push(at_most(
        "largest departure from a straight line, from 300 s up",
        100.0 * most,
        5.0,
        " %",
    ));
    page.charts.push((
        "length",
        Chart {
            title: "measure against the length of a 24/96 recording".to_owned(),
            x: "length, minutes".to_owned(),
            y: "wall time, s".to_owned(),
            log_x: false,
            log_y: false,
            lines: vec![
                (
                    "measured".to_owned(),
                    points.iter().map(|p| (p.0 / 60.0, p.1)).collect(),
                ),
                (
                    "straight line from 5 minutes up".to_owned(),
                    long.iter()
                        .map(|p| (p.0 / 60.0, begin + slope * p.0))
                        .collect(),
                ),
            ],
        },
    ));
    if let Some(text) = progress(&lab.measure(path, 2), lab.of(11, 3)) {
        page.text += &text;
    }
    std::fs::remove_file(path).expect("our own file");
    page
}

/// What it costs that a command shows its progress; none where no `script` makes
/// terminals.
fn progress(measure: &Command, rounds: usize) -> Option<String> {
    Command::new("script").arg("--version").output().ok()?;
    let on = |shown| {
        let mut command = on_a_terminal(measure, shown);
        move || {
            let run = run(&mut command);
            (run.wall_s, run.output.matches('\r').count())
        }
    };
    let mut tasks: [Box<dyn FnMut() -> (f64, usize)>; 2] =
        [Box::new(on(true)), Box::new(on(false))];
    let found = interleaved(rounds, &mut tasks);
    let [shown, hidden] = [0, 1].map(|k| median(found[k].iter().map(|f| f.0)));
    let mut spread: Vec<f64> = found[1].iter().map(|f| f.0).collect();
    spread.sort_by(f64::total_cmp);
    let line_ends = |k: usize| found[k].iter().map(|f: &(f64, usize)| f.1).max();
    let drawn = line_ends(0)?.saturating_sub(line_ends(1)?);
    Some(format!(
        "On a terminal the longest of these shows its progress, {drawn} times: {} ms; with that thrown away {} ms ({} to {} ms; {rounds} interleaved rounds).\n\n",
        ms(shown),
        ms(hidden),
        ms(spread[0]),
        ms(spread[spread.len() - 1]),
    ))
}

/// Milliseconds with a true minus.
fn signed_ms(seconds: f64) -> String {
    format!("{:.1}", 1e3 * seconds + 0.0).replace('-', "\u{2212}")
}

/// A request for all of a recording.
fn request(path: &Path) -> Request {
    Request {
        source: capture::Source::Path(path.to_owned()),
        options: capture::ReadOptions::default(),
        from_s: None,
        to_s: None,
        settings: delay::EstimateSettings::default(),
    }
}

/// The stages of the library by themselves.
pub fn stages(lab: &Lab) -> Page {
    let path = lab.long();
    let path = path.as_path();
    let seconds = lab.long_s();
    let on = |threads: usize| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .expect("threads")
    };
    let (one, two) = (on(1), on(2));
    // the same half minute again and again: memory does not hold it all
    let piece_s = seconds.min(30);
    let mut piece = Stereo::default();
    capture::open(&request(path).source, &capture::ReadOptions::default())
        .and_then(|mut recording| recording.read(&mut piece, (piece_s * u64::from(RATE)) as usize))
        .expect("samples");
    let spectrum = || {
        let mut engine = Engine::new(EngineSettings {
            sample_rate_hz: f64::from(RATE),
            alignment: 0,
            whole: false,
        })
        .expect("a rate");
        for _ in 0..seconds / piece_s {
            let blocks = piece.left.chunks(BLOCK).zip(piece.right.chunks(BLOCK));
            blocks.for_each(|(left, right)| engine.push(left, right));
        }
        engine.snapshot()
    };
    let found = one.install(spectrum);
    let total = found.total();
    let settings = delay::EstimateSettings::default();
    let workshop = root().join("test-signals/workshop/job.toml");
    let mut job = job::file::read(&workshop).expect("the job");
    let (data, _) = job::file::gather(&mut job, &workshop, |reading| {
        analysis::analyse(&request(&reading.path), &mut |_| ()).map(|a| CaptureData::of(&a))
    })
    .expect("its recordings");
    let solved = job::solve(&job, &data, 0.95).expect("a solution");
    let page_of = |solved: &job::Solved| {
        let about = About {
            job: &job,
            file: Some("job.toml"),
            details: &Details::of(&job, &data, solved),
            coverage: 0.95,
            basis: None,
            metadata: false,
        };
        page::solution(&solved.solution, &about).html()
    };
    let recipe = std::fs::read_to_string(root().join("test-signals/example.toml"));
    let recipe = Recipe::parse(&recipe.expect("the example")).expect("its recipe");
    let whole = || analysis::analyse(&request(path), &mut |_| ()).expect("an estimate");
    fn timing<'a, T>(work: impl Fn() -> T + 'a) -> Box<dyn FnMut() -> f64 + 'a> {
        Box::new(move || {
            timed(|| {
                std::hint::black_box(work());
            })
        })
    }
    let names = [
        "reading alone",
        "decoding alone",
        "decoding, by the library's reader",
        "transforms, products and sums alone, one thread",
        "spectrum, one thread: the same, clicks, programme, groups",
        "spectrum, two threads",
        "correlation",
        "delay: correlation, phase fit, jackknife",
        "adjustment of the workshop's eight captures, bands of all unknowns",
        "Monte Carlo of the same, 10,000 draws",
        "plan of its next capture",
        "report of the same, pictures drawn",
        "simulation of the example, 6 s with tracing",
        "whole chain to the delay, one thread",
        "whole chain, two threads",
    ];
    let mut tasks: [Box<dyn FnMut() -> f64 + '_>; 15] = [
        timing(|| signal::touch(path)),
        timing(|| signal::decode(path)),
        timing(|| {
            let recording = capture::open(&request(path).source, &capture::ReadOptions::default());
            let (mut recording, mut block) = (recording.expect("a file"), Stereo::default());
            while recording.read(&mut block, BLOCK).expect("samples") > 0 {
                std::hint::black_box(&block);
            }
        }),
        timing(|| signal::transforms_alone(&piece, (seconds * u64::from(RATE) / 4096) as usize)),
        timing(|| one.install(spectrum)),
        timing(|| two.install(spectrum)),
        timing(|| correlate(&total, found.frame_length, 4)),
        timing(|| delay::estimate(&found, &settings)),
        timing(|| job::solve(&job, &data, 0.95)),
        timing(|| two.install(|| job::monte_carlo(&job, &solved, 10_000, &mut |_| ()))),
        timing(|| two.install(|| job::plan(&job, Wanted::Ranking))),
        timing(|| page_of(&solved)),
        timing(|| two.install(|| render(&recipe, Path::new("")))),
        timing(|| one.install(whole)),
        timing(|| two.install(whole)),
    ];
    let costs = interleaved(lab.of(7, 3), &mut tasks);
    let walls: Vec<f64> = costs.iter().map(|c| median(c.iter().copied())).collect();
    let rows: Vec<Vec<String>> = names
        .iter()
        .zip(&walls)
        .map(|(name, wall)| {
            vec![
                (*name).to_owned(),
                match 1e3 * wall {
                    t if t < 1.0 => format!("{t:.2}"),
                    _ => ms(*wall),
                },
                times(wall / walls[1]),
                times(wall / walls[0]),
            ]
        })
        .collect();
    let mut page = Page {
        text: format!(
            "Stages called in one process; what takes samples takes {seconds} s of 24/96; medians of {} interleaved rounds:\n\n",
            costs[0].len()
        ),
        ..Page::default()
    };
    page.text += &table(&["stage", "ms", "of decoding", "of reading"], &rows);
    page
}

/// Cost against the sample rate.
pub fn rate(lab: &Lab) -> Page {
    let mut page = Page::default();
    let seconds = lab.of(120, 20);
    let rates = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];
    let mut files = Vec::new();
    for rate in rates {
        files.push(signal::recording(
            &lab.path(&format!("{rate}.wav")),
            rate,
            seconds,
        ));
    }
    let mut tasks = Vec::new();
    for file in &files {
        tasks.extend([cost(lab.measure(file, 1)), cost(lab.measure(file, 2))]);
    }
    let found = interleaved(lab.of(9, 3), &mut tasks);
    drop(tasks);
    let mut rows = Vec::new();
    let mut lines = [Vec::new(), Vec::new()];
    for (k, rate) in rates.iter().enumerate() {
        let walls = [0, 1].map(|t| walls(&found[2 * k + t]));
        let samples = seconds as f64 * f64::from(*rate);
        for (line, wall) in lines.iter_mut().zip(walls) {
            line.push((f64::from(*rate) / 1e3, 1e3 * wall / seconds as f64));
        }
        rows.push(vec![
            format!("{}", f64::from(*rate) / 1e3),
            ms(walls[0]),
            ms(walls[1]),
            format!("{:.1}", 1e9 * walls[0] / samples),
            format!("{:.1}", 1e9 * walls[1] / samples),
            format!("{:.0}", seconds as f64 / walls[1]),
        ]);
    }
    page.text = format!(
        "{seconds} s of 24 bits, WAV, medians of {} interleaved rounds:\n\n",
        found[0].len()
    );
    page.text += &table(
        &[
            "kHz",
            "one thread, ms",
            "two, ms",
            "one, ns a frame of samples",
            "two, ns",
            "x real time, two",
        ],
        &rows,
    );
    let [one, two] = lines;
    page.charts.push((
        "rate",
        Chart {
            title: "measure against the sample rate".to_owned(),
            x: "sample rate, kHz".to_owned(),
            y: "wall time, ms a second".to_owned(),
            log_x: false,
            log_y: false,
            lines: vec![
                ("one thread".to_owned(), one),
                ("two threads".to_owned(), two),
            ],
        },
    ));
    page
}

/// The head of an invented job, and a capture of it.
const JOB: &str = "format = 1\n[cartridge.a]\nprofile = \"elliptical\"\nfrontal_radius_um = 18\nside_radius_um = 8\n";

fn capture(what: &str, k: usize) -> String {
    // grooves of one side, outside to inside and again
    let radius = 140 - k % 70;
    format!("[[capture]]\n{what}\nradius_mm = {radius}\nrpm = 33\n")
}

fn delay(k: usize) -> String {
    format!(
        "delay_us = {{ value = {:.3}, u = 0.005 }}",
        3.0 + 1e-3 * (k % 100) as f64
    )
}

/// Cost against the number of jobs and of captures.
pub fn jobs(lab: &Lab) -> Page {
    let mut page = Page::default();
    let rounds = lab.of(5, 3);
    // jobs
    let counts: &[usize] = lab.of(&[10, 30, 100, 300, 1000, 2000], &[10, 100]);
    let mut tasks = Vec::new();
    for count in counts {
        let folder = lab.path(&format!("jobs-{count}"));
        std::fs::create_dir_all(&folder).expect("a folder");
        for k in 0..*count {
            let text = format!(
                "{JOB}[limits]\ntolerance_deg = 5\n{}",
                capture(&delay(k), k)
            );
            std::fs::write(folder.join(format!("{k:04}.toml")), text).expect("space");
        }
        for threads in ["1", "2"] {
            let mut command = lab.program();
            command.arg("check").arg(&folder);
            command.args(["--threads", threads]);
            tasks.push(cost(command));
        }
    }
    let found = interleaved(rounds, &mut tasks);
    let mut rows = Vec::new();
    let mut lines = [Vec::new(), Vec::new()];
    let mut last = 0.0;
    for (k, count) in counts.iter().enumerate() {
        let walls = [0, 1].map(|t| walls(&found[2 * k + t]));
        for (line, wall) in lines.iter_mut().zip(walls) {
            line.push((*count as f64, 1e3 * wall));
        }
        rows.push(vec![
            count.to_string(),
            ms(walls[0]),
            ms(walls[1]),
            format!("{:.2}", 1e3 * walls[1] / *count as f64),
        ]);
        last = walls[1];
    }
    page.text =
        format!("`check` of jobs with one given delay each, medians of {rounds} rounds:\n\n");
    page.text += &table(
        &["jobs", "one thread, ms", "two, ms", "two, ms a job"],
        &rows,
    );
    page.aims
        .extend((!lab.quick).then(|| at_most("2000 jobs on two threads", last, 5.0, " s")));
    let [one, two] = lines;
    page.charts.push((
        "jobs",
        Chart {
            title: "check against the number of jobs".to_owned(),
            x: "jobs".to_owned(),
            y: "wall time, ms".to_owned(),
            log_x: true,
            log_y: true,
            lines: vec![
                ("one thread".to_owned(), one),
                ("two threads".to_owned(), two),
            ],
        },
    ));

    // captures of one job: delays given, and recordings
    let recorded_s = 30;
    let take = signal::recording(&lab.path("take.wav"), RATE, recorded_s);
    let most = lab.of(50, 8);
    for k in 0..most {
        std::fs::copy(&take, lab.path(&format!("take-{k}.wav"))).expect("space");
    }
    let counts: Vec<usize> = [1, 2, 5, 10, 20, 50]
        .into_iter()
        .filter(|c| *c <= most)
        .collect();
    let mut tasks = Vec::new();
    for count in &counts {
        for recorded in [false, true] {
            let captures: String = (0..*count)
                .map(|k| match recorded {
                    true => capture(&format!("file = \"take-{k}.wav\""), k),
                    false => capture(&delay(k), k),
                })
                .collect();
            let job = lab.path(&format!("captures-{count}-{recorded}.toml"));
            std::fs::write(&job, format!("{JOB}{captures}")).expect("space");
            let mut command = lab.program();
            command.arg("solve").arg(&job).args(["--threads", "2"]);
            tasks.push(cost(command));
        }
    }
    let found = interleaved(rounds, &mut tasks);
    let mut rows = Vec::new();
    let mut lines = [Vec::new(), Vec::new()];
    for (k, count) in counts.iter().enumerate() {
        let walls = [0, 1].map(|t| walls(&found[2 * k + t]));
        for (line, wall) in lines.iter_mut().zip(walls) {
            line.push((*count as f64, 1e3 * wall));
        }
        rows.push(vec![
            count.to_string(),
            ms(walls[0]),
            ms(walls[1]),
            format!("{:.1}", 1e3 * walls[1] / *count as f64),
        ]);
    }
    let _ = writeln!(
        page.text,
        "`solve` of one job, two threads, delays given or recordings of {recorded_s} s of 24/96, medians of {rounds} rounds:\n"
    );
    page.text += &table(
        &[
            "captures",
            "delays, ms",
            "recordings, ms",
            "recordings, ms each",
        ],
        &rows,
    );
    let [delays, recordings] = lines;
    page.charts.push((
        "captures",
        Chart {
            title: "solve against the number of captures".to_owned(),
            x: "captures".to_owned(),
            y: "wall time, ms".to_owned(),
            log_x: true,
            log_y: true,
            lines: vec![
                ("delays given".to_owned(), delays),
                ("recordings of 30 s".to_owned(), recordings),
            ],
        },
    ));
    page
}

/// A network of invented cartridges on records, each cartridge with ten delays: five sides at two speeds.
fn network(cartridges: usize) -> String {
    const SIDES: usize = 5;
    let records = cartridges / 10 + SIDES;
    let mut random = ChaCha8Rng::seed_from_u64(cartridges as u64);
    let mut normal = |u: f64| -> f64 { u * random.sample::<f64, _>(StandardNormal) };
    let cuts: Vec<f64> = (0..records).map(|_| normal(0.5)).collect();
    let mut text = "format = 1\n[chain.C]\nskew_us = { value = 0, u = 0.1 }\n".to_owned();
    for record in 0..records {
        let _ = writeln!(text, "[record.R{record}]");
    }
    let mut captures = String::new();
    for k in 0..cartridges {
        let _ = writeln!(
            text,
            "[cartridge.K{k}]\nprofile = \"elliptical\"\n[setup.S{k}]\ncartridge = \"K{k}\"\narm = \"tangential\""
        );
        let (rotation, skew, scale) = (normal(4.0), normal(0.1), 1.0 + normal(0.05));
        for side in 0..SIDES {
            // every side meets other ones in the hands of other cartridges
            let record = (k * 7 + side * (1 + k % 3)) % records;
            for rpm in [100.0 / 3.0, 45.0] {
                let speed = TAU * rpm / 60.0 * 0.1;
                let path = 10e-6 * scale * (rotation + cuts[record]).to_radians();
                // half of what is stated, so that none of thousands departs by chance
                let delay = 1e6 * path / speed + skew + normal(0.025);
                let _ = writeln!(
                    captures,
                    "[[capture]]\nsetup = \"S{k}\"\nrecord = \"R{record}\"\nrpm = {}\nradius_mm = 100\ndelay_us = {{ value = {delay:.4}, u = 0.05 }}",
                    if rpm < 40.0 { "\"100/3\"" } else { "45" }
                );
            }
        }
    }
    text + &captures
}

/// Cost against the number of cartridges in one network.
pub fn networks(lab: &Lab) -> Page {
    let mut page = Page::default();
    let counts: &[usize] = lab.of(&[25, 50, 100, 200, 400, 800, 1600, 3200, 10_000], &[25, 50]);
    let mut rows = Vec::new();
    let mut last: Option<(usize, f64)> = None;
    let mut growth: f64 = 0.0;
    for &count in counts {
        let job = lab.path(&format!("network-{count}.toml"));
        std::fs::write(&job, network(count)).expect("space");
        let solve = || {
            let mut command = lab.program();
            command.arg("solve").arg(&job).arg("--json");
            command
        };
        let rounds = if count > 5_000 { 1 } else { 3 };
        let wall_s = median((0..rounds).map(|_| run(&mut solve()).wall_s));
        let peak = peak(&mut solve());
        let doublings = |last: usize| (count as f64 / last as f64).log2();
        let of_last = last.map(|(last, s)| (wall_s / s).powf(doublings(last).recip()));
        // shorter ones are made up of starting the program
        if count > 100 {
            growth = growth.max(of_last.unwrap_or(0.0));
        }
        rows.push(vec![
            count.to_string(),
            (10 * count).to_string(),
            format!("{wall_s:.2}"),
            of_last.map_or(String::new(), times),
            mb(peak),
        ]);
        last = Some((count, wall_s));
        page.aims.extend(match count {
            400 => vec![at_most(
                "4000 captures of 400 cartridges",
                wall_s,
                10.0,
                " s",
            )],
            10_000 => vec![
                at_most("100,000 captures of 10,000 cartridges", wall_s, 60.0, " s"),
                at_most("their memory", peak as f64 / MB, 2000.0, " MB"),
            ],
            _ => Vec::new(),
        });
    }
    page.aims.extend((!lab.quick).then(|| {
        at_most(
            "growth per doubling, from 1000 captures on",
            growth,
            2.2,
            "",
        )
    }));
    page.text = "`solve --json` of one network, ten given delays for each cartridge on records that the cartridges share, two threads; medians of three runs, the last a single one:\n\n".to_owned();
    page.text += &table(
        &[
            "cartridges",
            "captures",
            "wall, s",
            "growth per doubling",
            "peak, MB",
        ],
        &rows,
    );
    page.text += &beside_scipy(lab, lab.of(&[400, 3200], &[25]));
    page
}

/// The factor of the same normal equations here and by scipy.sparse, and what both say of uncertainties.
fn beside_scipy(lab: &Lab, counts: &[usize]) -> String {
    /// Unknowns compared.
    const COMPARED: usize = 50;
    let python = match interpreter(&root()) {
        Ok(python) => python,
        Err(reason) => return format!("SciPy left out: {reason}.\n\n"),
    };
    let mut rows = Vec::new();
    for &count in counts {
        let job = job::file::parse(&network(count), "network").expect("a job");
        let given = |c: &job::CaptureSpec| match &c.source {
            job::DelaySource::Delay(d) => Some(CaptureData::of_delay(d.value, d.u)),
            _ => None,
        };
        let data: Vec<_> = job.captures.iter().map(given).collect();
        let solved = job::solve(&job, &data, 0.95).expect("a solution");
        let (problem, adjustment) = (&solved.network.problem, &solved.adjustment);
        let n = adjustment.values.len();
        let entries = problem.normal_matrix(&adjustment.values);
        let mut text = format!(
            "%%MatrixMarket matrix coordinate real symmetric\n{n} {n} {}\n",
            entries.len()
        );
        for (i, j, value) in &entries {
            let _ = writeln!(text, "{} {} {value:e}", i + 1, j + 1);
        }
        let file = lab.path("normal.mtx");
        std::fs::write(&file, text).expect("space");
        let compared: Vec<usize> = (0..COMPARED).map(|k| k * n / COMPARED).collect();
        let start = Instant::now();
        let own = problem.linearised().expect("a neighbourhood");
        let factored = start.elapsed().as_secs_f64();
        let start = Instant::now();
        std::hint::black_box(own.uncertainty(0));
        let inverted = start.elapsed().as_secs_f64();
        let mut command = Command::new(&python);
        command
            .arg(root().join("benches/python/scipy_network.py"))
            .arg(&file);
        command.args(compared.iter().map(usize::to_string));
        let found: serde_json::Value =
            serde_json::from_str(&run(&mut command).output).expect("JSON");
        let number = |key: &str| found[key].as_f64().expect("a number");
        let apart = compared.iter().enumerate().map(|(at, &k)| {
            let theirs = found["uncertainties"][at].as_f64().expect("a number");
            (theirs / adjustment.uncertainty(k) - 1.0).abs()
        });
        rows.push(vec![
            (10 * count).to_string(),
            n.to_string(),
            ms(factored),
            ms(inverted),
            ms(number("factor_s")),
            format!("{} x {}", n, ms(number("solution_s"))),
            format!("{:.0e}", apart.fold(0.0, f64::max)),
        ]);
    }
    let mut text = format!(
        "The same normal equations by scipy.sparse (SuperLU, minimum degree; [script](../benches/python/scipy_network.py)). Here the factor has the making of the equations with it, and all variances and covariances of unknowns that meet come from one selected inverse; SciPy solves once for each unknown. Uncertainties of {COMPARED} unknowns are compared:\n\n"
    );
    text += &table(
        &[
            "captures",
            "unknowns",
            "factor here, ms",
            "selected inverse here, ms",
            "SciPy's factor, ms",
            "SciPy's variances, ms",
            "largest difference",
        ],
        &rows,
    );
    text
}

/// Instructions that callgrind counts of a program; its report goes to `report`.
fn instructions_of(program: &Path, arguments: &[&str], report: &Path) -> Option<u64> {
    let output = Command::new("valgrind")
        .arg("--tool=callgrind")
        .arg(format!("--callgrind-out-file={}", report.display()))
        .arg(program)
        .args(arguments)
        .output()
        .ok()?;
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    let line = text.lines().find_map(|l| l.split_once("Collected :"))?;
    line.1.trim().parse().ok()
}

/// The program of the same profile with the names of its functions kept.
fn with_names() -> Option<PathBuf> {
    let target = root().join("target/names");
    let built = Command::new(std::env::var_os("CARGO")?)
        .args(["build", "--release", "--bin", "groovelag"])
        .args(["--config", "profile.release.package.groovelag.strip='none'"])
        .arg("--target-dir")
        .arg(&target)
        .current_dir(root())
        .status();
    built
        .is_ok_and(|status| status.success())
        .then(|| target.join("release/groovelag"))
}

/// Instructions, which noise does not touch.
pub fn instructions(lab: &Lab) -> Page {
    let mut page = Page::default();
    let shipped = Path::new(env!("CARGO_BIN_EXE_groovelag"));
    let report = lab.path("callgrind");
    let count = |program: &Path, path: &Path| {
        let recording = path.to_string_lossy().into_owned();
        let arguments = [
            "measure",
            &recording,
            "--radius",
            "72",
            "--rpm",
            "33",
            "--threads",
            "1",
        ];
        instructions_of(program, &arguments, &report)
    };
    let Some(version) = instructions_of(shipped, &["--version"], &report) else {
        page.text = "Left out: there is no `valgrind` on the path.\n\n".to_owned();
        return page;
    };
    let mut rows = vec![vec!["`--version`".to_owned(), millions(version)]];
    let mut counts = Vec::new();
    for seconds in [10, 20] {
        let path = signal::recording(&lab.path(&format!("{seconds}.wav")), RATE, seconds);
        let found = count(shipped, &path).expect("a count");
        counts.push(found);
        rows.push(vec![
            format!("`measure --threads 1`, {seconds} s of 24/96"),
            millions(found),
        ]);
    }
    rows.push(vec![
        "each second more".to_owned(),
        millions((counts[1] - counts[0]) / 10),
    ]);
    page.text = table(&["", "million instructions"], &rows);
    let names = with_names().and_then(|program| {
        let total = count(&program, &lab.path("20.wav"))?;
        let output = Command::new("callgrind_annotate")
            .args(["--inclusive=yes", "--threshold=100"])
            .arg(&report)
            .output()
            .ok()?;
        Some((total, String::from_utf8_lossy(&output.stdout).into_owned()))
    });
    if let Some((total, text)) = names {
        let rows: Vec<Vec<String>> = hot(&text, total)
            .into_iter()
            .map(|(name, share)| vec![format!("`{name}`"), format!("{share:.1}")])
            .collect();
        page.text += "Of the 20 s, by function with what is called from there (the same profile, with names kept):\n\n";
        page.text += &table(&["function", "% of the instructions"], &rows);
    }
    page
}

fn millions(count: u64) -> String {
    format!("{:.1}", count as f64 / 1e6)
}

/// Our functions, the transform and copies, by their share, down to 1 %. A line is
/// `COUNT (SHARE%)  FILE:FUNCTION [OBJECT]`.
fn hot(text: &str, total: u64) -> Vec<(String, f64)> {
    let mut found: Vec<(String, f64)> = Vec::new();
    for line in text.lines() {
        let Some((count, rest)) = line.trim().split_once(" (") else {
            continue;
        };
        let Ok(count) = count.replace(',', "").parse::<f64>() else {
            continue;
        };
        let function = rest
            .split_once(") ")
            .and_then(|(_, r)| r.split_once(':'))
            .map_or("", |(_, f)| f.split(" [").next().unwrap_or(f));
        let ours = function.starts_with("groovelag::") && !function.contains("::cli::");
        let transform = function.starts_with("<rustfft::") && function.contains("::process");
        let copies = function.starts_with("__mem");
        let share = 100.0 * count / total as f64;
        if share >= 1.0 && (ours || transform || copies) && !function.ends_with("main") {
            found.push((function.to_owned(), share));
        }
    }
    found
}
