//! Writing results: standard output, and files that appear whole or not at all.

use groovelag::capture::STREAM_MARK;
use groovelag::document::TomlKind;
use groovelag::outside::{self, Identity, on_one_line, shown};
use groovelag::report::start;
use std::collections::{BTreeMap, BTreeSet};
use std::ffi::OsStr;
use std::fs::File;
use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError, mpsc};
use std::time::{Duration, Instant};

/// A kind of output, told by what stands in it. `--force` is for older results: it writes
/// over nothing that is not plainly one of the same kind, since a slip of the hand must not
/// cost what cannot be made again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A WAV file, beside which something tells that it is a result.
    Wav,
    /// A stream that was kept.
    Stream,
    /// A TOML file that is read again later.
    Toml(TomlKind),
    /// A job as `start` wrote it, with nothing changed by hand since.
    Started,
    /// Anything else: its beginning holds these words of this program's.
    Marked(&'static str),
}

/// A page.
pub const PAGE: Kind = Kind::Marked("<p class=\"made\">groovelag ");
/// A picture as SVG.
pub const SVG: Kind = Kind::Marked("<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" aria-");
/// A picture as PNG; the keyword and the text of a "tEXt" chunk (PNG, 11.3.4.3).
pub const PNG: Kind = Kind::Marked("Software\0groovelag");
/// The JUnit file of a check.
pub const JUNIT: Kind = Kind::Marked("<testsuites name=\"groovelag check\"");
/// The table of a check.
pub const CSV: Kind = Kind::Marked("path,outcome,reason");
/// The truth of a simulation.
pub const TRUTH: Kind = Kind::Marked("\"schema\": \"groovelag/");
/// A recording checklist.
pub const CHECKLIST: Kind = Kind::Marked("Recording checklist for ");
/// A manual page.
pub const MANUAL: Kind = Kind::Marked(".TH groovelag");

/// The words of a kind stand within so many bytes: behind the style sheet of a page.
const BEGINNING: u64 = 1 << 16;

/// How the recordings that are read begin; the first three are WAV.
const RECORDINGS: [&[u8; 4]; 6] = [b"RIFF", b"RF64", b"BW64", b"FORM", b"caff", b"fLaC"];

impl Kind {
    /// Why a regular file is no older result of this kind.
    fn is_other(self, path: &Path) -> io::Result<Option<String>> {
        let mut start = Vec::new();
        File::open(path)?.take(BEGINNING).read_to_end(&mut start)?;
        if start.is_empty() {
            return Ok(None);
        }
        let recording = RECORDINGS.iter().position(|r| start.starts_with(*r));
        let text = outside::read_text(path).ok();
        let toml = text.as_deref().and_then(TomlKind::of);
        let holds_bytes = |bytes: &[u8]| start.windows(bytes.len()).any(|w| w == bytes);
        let holds = |words: &str| holds_bytes(words.as_bytes());
        let is_ours = match self {
            Self::Wav => recording.is_some_and(|r| r < 3),
            Self::Stream => holds_bytes(STREAM_MARK),
            Self::Toml(kind) => toml == Some(kind),
            Self::Started => text.is_some_and(|t| start::is_as_written(&t)),
            Self::Marked(words) => recording.is_none() && toml.is_none() && holds(words),
        };
        Ok((!is_ours).then(|| match (recording, toml) {
            (Some(_), _) => "it is a recording".to_owned(),
            (_, Some(TomlKind::Job)) if self == Self::Started => {
                "it is a job that somebody has edited".to_owned()
            }
            (_, Some(toml)) => toml.to_string(),
            _ => "it is not an older result of this kind".to_owned(),
        }))
    }
}

/// Why something cannot be written.
fn failed(path: &Path, e: &io::Error) -> String {
    // the error of a temporary file names it, which tells nobody anything
    let e = e
        .get_ref()
        .map_or_else(|| e.to_string(), |_| e.kind().to_string());
    format!(
        "{} cannot be written ({e}); check that its folder exists, is writable and has room",
        path.display()
    )
}

/// Files that are not in their place yet: an interruption takes them away.
static UNPLACED: Mutex<BTreeSet<PathBuf>> = Mutex::new(BTreeSet::new());

/// How their names begin.
const UNPLACED_PREFIX: &str = ".groovelag-";

/// Takes away what a program that was killed left half-written in a folder which no other
/// command writes to at the time.
pub fn clear(folder: &Path) {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    for entry in entries {
        let ours = entry
            .file_name()
            .to_string_lossy()
            .starts_with(UNPLACED_PREFIX);
        if ours && entry.file_type().is_ok_and(|kind| kind.is_file()) {
            let _ = std::fs::remove_file(entry.path());
        }
    }
}

/// The list, which no panic leaves half-written.
fn all_unplaced() -> MutexGuard<'static, BTreeSet<PathBuf>> {
    UNPLACED.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What an interrupted command ends with: 128 and the number of the signal, as shells say it.
const INTERRUPTED: i32 = 130;

/// Ends the program as soon as somebody interrupts it, whatever it does at the time, with
/// nothing half-written left behind. Where interruptions are ignored (`nohup`), or cannot be
/// caught, they do what they did. `last` comes before the end.
pub fn end_on_interruption(mut last: impl FnMut() + Send + 'static) {
    let _ = ctrlc::try_set_handler(move || {
        last();
        // held to the end, so that nothing is placed any more
        let unplaced = all_unplaced();
        for path in unplaced.iter() {
            let _ = std::fs::remove_file(path);
        }
        std::process::exit(INTERRUPTED);
    });
}

/// A file that is not there yet, beside its place; in the list while it is that.
pub struct Unplaced(Option<tempfile::NamedTempFile>);

impl Unplaced {
    /// The file to be filled.
    pub fn file(&mut self) -> &mut File {
        let file = self.0.as_mut().expect("it is taken at the end alone");
        file.as_file_mut()
    }

    /// Puts it in its place; an older result there is gone only with `force`.
    pub fn place(mut self, path: &Path, force: bool) -> Result<File, String> {
        let mut list = all_unplaced();
        let file = self.0.take().expect("it is taken here alone");
        list.remove(file.path());
        let placed = if force {
            file.persist(path)
        } else {
            file.persist_noclobber(path)
        };
        placed.map_err(|e| match e.error.kind() {
            io::ErrorKind::AlreadyExists => exists(path),
            _ => failed(path, &e.error),
        })
    }
}

impl Drop for Unplaced {
    fn drop(&mut self) {
        if let Some(file) = self.0.take() {
            let mut list = all_unplaced();
            list.remove(file.path());
            // gone before anybody else sees the list
            drop(file);
        }
    }
}

/// A file to be filled by and by, beside `path`, which is in nobody's way until it is placed.
pub fn begin(path: &Path) -> Result<Unplaced, String> {
    unplaced(path).map_err(|e| failed(path, &e))
}

fn unplaced(path: &Path) -> io::Result<Unplaced> {
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let mut list = all_unplaced();
    let file = tempfile::Builder::new()
        .prefix(UNPLACED_PREFIX)
        .permissions_of_a_plain_file()
        .tempfile_in(folder)?;
    list.insert(file.path().to_owned());
    Ok(Unplaced(Some(file)))
}

/// Writes `bytes` to `path`, whole or not at all; over an older result only with `force`.
pub fn write_file(path: &Path, bytes: &[u8], kind: Kind, force: bool) -> Result<(), String> {
    write_with(path, kind, force, |file| {
        file.write_all(bytes).map_err(|e| failed(path, &e))
    })
}

/// Has `path` filled by `fill`, whole or not at all; over an older result only with `force`.
pub fn write_with<T>(
    path: &Path,
    kind: Kind,
    force: bool,
    fill: impl FnOnce(&mut File) -> Result<T, String>,
) -> Result<T, String> {
    check_free(path, kind, force)?;
    let mut file = unplaced(path).map_err(|e| failed(path, &e))?;
    let filled = fill(file.file())?;
    file.file().sync_all().map_err(|e| failed(path, &e))?;
    file.place(path, force)?;
    Ok(filled)
}

/// An empty file at `path`, to be filled while it is there: always a new one, so that
/// whatever else leads to an older one keeps that.
pub fn create_file(path: &Path, kind: Kind, force: bool) -> Result<File, String> {
    check_free(path, kind, force)?;
    let file = unplaced(path).map_err(|e| failed(path, &e))?;
    file.place(path, force)
}

/// Refuses to write over a file unless told to, and over what is no older result of the
/// kind even then; for before the work starts. A link is never replaced, nor written
/// through: what it leads to may be anything, a device or another program's pipe too.
pub fn check_free(path: &Path, kind: Kind, force: bool) -> Result<(), String> {
    let name = path.display();
    let Ok(about) = std::fs::symlink_metadata(path) else {
        return Ok(());
    };
    if !about.is_file() {
        let what = if about.is_dir() {
            "a folder"
        } else if about.is_symlink() {
            "a link, which is left as it is"
        } else {
            "not an ordinary file"
        };
        return Err(format!("{name} is {what}; name a file to write to"));
    }
    if !force {
        return Err(exists(path));
    }
    match kind.is_other(path) {
        Ok(None) => Ok(()),
        Ok(Some(what)) => Err(format!(
            "{name} would be lost: {what}. --force overwrites only older results; choose another name"
        )),
        Err(e) => Err(format!(
            "{name} exists and cannot be read ({e}); choose another name"
        )),
    }
}

/// Tells the user something beside the result.
pub fn note(text: &str) {
    say(&format!("groovelag: {}\n", shown(text)));
}

/// Writes to standard error what is safe already. Where nobody can be told, the exit status
/// has to do: `eprint!` would panic.
pub fn say(text: &str) {
    let _ = io::stderr().write_all(text.as_bytes());
}

/// The files that a command reads: it writes into none of them.
#[derive(Debug, Default)]
pub struct Inputs(BTreeMap<Identity, PathBuf>);

impl Inputs {
    /// The files of these names; `-` is standard input. What does not exist is passed over.
    pub fn of<P: AsRef<OsStr>>(names: impl IntoIterator<Item = P>) -> Self {
        let known = |name: P| {
            let name = name.as_ref();
            let identity = if name == "-" {
                identity_of(io::stdin())
            } else {
                Identity::of(Path::new(name))
            };
            Some((identity?, PathBuf::from(name)))
        };
        Self(names.into_iter().filter_map(known).collect())
    }

    /// Refuses outputs, and a standard output, that lead to one of the files read or to
    /// each other.
    pub fn spare<'a>(&self, outputs: impl IntoIterator<Item = &'a Path>) -> Result<(), String> {
        let mut taken: BTreeMap<Identity, String> = BTreeMap::new();
        if let Some(input) = identity_of(io::stdout()).and_then(|i| self.0.get(&i)) {
            return Err(format!(
                "standard output goes to {}, which is an input; send it elsewhere",
                title(input)
            ));
        }
        for output in outputs {
            let name = output.display().to_string();
            let Some(identity) = Identity::of(output) else {
                continue;
            };
            if let Some(input) = self.0.get(&identity) {
                return Err(format!(
                    "{name} is the input {}; choose another name for the output",
                    title(input)
                ));
            }
            if let Some(other) = taken.get(&identity) {
                return Err(if *other == name {
                    format!("{name} is named twice; give each output a file of its own")
                } else {
                    format!(
                        "{other} and {name} are the same file; give each output a file of its own"
                    )
                });
            }
            taken.insert(identity, name);
        }
        Ok(())
    }
}

fn title(input: &Path) -> String {
    if input.as_os_str() == "-" {
        "standard input".to_owned()
    } else {
        input.display().to_string()
    }
}

/// The regular file to which a stream of the process leads, if it leads to one.
#[cfg(unix)]
fn identity_of(stream: impl std::os::fd::AsFd) -> Option<Identity> {
    let file = File::from(stream.as_fd().try_clone_to_owned().ok()?);
    let regular = file.metadata().is_ok_and(|about| about.is_file());
    regular.then(|| Identity::of_open(&file)).flatten()
}

/// The regular file to which a stream of the process leads: not told here.
#[cfg(not(unix))]
fn identity_of<S>(_: S) -> Option<Identity> {
    None
}

/// Writes one JSON document to standard output.
pub fn print_json(document: &impl serde::Serialize) -> Result<(), String> {
    let mut out = BufWriter::new(io::stdout().lock());
    let written = groovelag::document::write_json(document, &mut out);
    is_read(written.and_then(|()| out.flush())).map(|_| ())
}

/// The refusal to write over a file.
pub fn exists(path: &Path) -> String {
    format!(
        "{} already exists; choose another name or add --force",
        path.display()
    )
}

/// A temporary file is readable by its owner alone; a result is an ordinary file.
trait PlainFile {
    fn permissions_of_a_plain_file(&mut self) -> &mut Self;
}

impl PlainFile for tempfile::Builder<'_, '_> {
    #[cfg(unix)]
    fn permissions_of_a_plain_file(&mut self) -> &mut Self {
        use std::os::unix::fs::PermissionsExt;
        // The umask takes away what the user does not want.
        self.permissions(std::fs::Permissions::from_mode(0o666))
    }
    #[cfg(not(unix))]
    fn permissions_of_a_plain_file(&mut self) -> &mut Self {
        self
    }
}

/// Writes text for people, or a document, to standard output; a closed pipe is no error.
/// What a file or an argument brought into it must not steer the terminal.
pub fn print(text: &str) -> Result<(), String> {
    print_as_it_is(&shown(text)).map(|_| ())
}

/// Writes to standard output what is safe already, and says whether anybody still reads there.
pub fn print_as_it_is(text: &str) -> Result<bool, String> {
    let mut out = io::stdout().lock();
    is_read(out.write_all(text.as_bytes()).and_then(|()| out.flush()))
}

/// Whether anybody still reads what was written to standard output.
fn is_read(written: io::Result<()>) -> Result<bool, String> {
    match written {
        Ok(()) => Ok(true),
        Err(e) if e.kind() == io::ErrorKind::BrokenPipe => Ok(false),
        Err(e) => Err(format!("cannot write to standard output ({e})")),
    }
}

/// Several things that had to be done, of which none holds up the others: what went wrong,
/// in one message.
pub fn all(done: impl IntoIterator<Item = Result<(), String>>) -> Result<(), String> {
    let wrong: Vec<String> = done.into_iter().filter_map(Result::err).collect();
    if wrong.is_empty() {
        Ok(())
    } else {
        Err(wrong.join(". "))
    }
}

/// Whether a terminal on `stream` understands where to put the cursor: one that calls
/// itself dumb does not (terminfo).
pub fn has_cursor(stream: &impl io::IsTerminal) -> bool {
    stream.is_terminal() && std::env::var_os("TERM").is_none_or(|term| term != "dumb")
}

/// How long anybody waits without a word (common practice, no source).
const PATIENCE: Duration = Duration::from_secs(2);

/// Does what cannot tell how far it is. A terminal is told what takes its time, and how long
/// it has taken.
pub fn patiently<T>(what: &str, work: impl FnOnce() -> T) -> T {
    let (working, done) = mpsc::channel::<()>();
    std::thread::scope(|scope| {
        let tell = move || {
            let started = Instant::now();
            let mut wait = PATIENCE;
            while done.recv_timeout(wait) == Err(mpsc::RecvTimeoutError::Timeout) {
                let seconds = started.elapsed().as_secs();
                let line = format!("{what}: {seconds} s so far; Ctrl-C to end");
                let line: String = line.chars().take(width().saturating_sub(1)).collect();
                say(&format!("\r\x1b[K{line}"));
                wait = Duration::from_secs(1);
            }
            if wait < PATIENCE {
                say("\r\x1b[K");
            }
        };
        // where no thread can be made there is no word
        let telling = has_cursor(&io::stderr())
            .then(|| std::thread::Builder::new().spawn_scoped(scope, tell));
        let result = work();
        drop((working, telling));
        result
    })
}

/// Progress on standard error, on a terminal only, from half a second on.
pub struct Progress {
    started: Instant,
    shown: Option<u32>,
    on: bool,
}

impl Progress {
    /// Nothing is shown yet.
    pub fn new() -> Self {
        Self {
            started: Instant::now(),
            shown: None,
            on: has_cursor(&io::stderr()),
        }
    }

    /// Shows a fraction done.
    pub fn show(&mut self, what: &str, fraction: f64) {
        let percent = (100.0 * fraction) as u32;
        if self.on && self.started.elapsed().as_millis() > 500 && self.shown != Some(percent) {
            self.shown = Some(percent);
            say(&format!("\r\x1b[K{}", bar(what, percent, width())));
        }
    }

    /// Takes what is shown off the screen, for a line of output in its place.
    pub fn clear(&mut self) {
        if self.shown.take().is_some() {
            say("\r\x1b[K");
        }
    }
}

/// One line of progress, shorter than the terminal is wide: a longer one could not be
/// taken back.
fn bar(what: &str, percent: u32, width: usize) -> String {
    // twenty marks of five per cent each
    let done = "#".repeat(percent as usize / 5);
    let tail = format!(" [{done:.<20}] {percent} %");
    let tail = if 2 * tail.len() > width {
        format!(" {percent} %")
    } else {
        tail
    };
    let room = width.saturating_sub(tail.len() + 1);
    let what = on_one_line(what);
    // the end of a path says more than its beginning
    let skipped = what.chars().count().saturating_sub(room);
    what.chars().skip(skipped).chain(tail.chars()).collect()
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.clear();
    }
}

/// Columns of the terminal: what `COLUMNS` says, else what the terminal says, within reason;
/// 80 where nobody does. The reader of a line longer than 120 characters loses the next
/// one's beginning; below 20 there is no room for a word (common practice, no source).
pub fn width() -> usize {
    let stated = std::env::var("COLUMNS").ok();
    stated
        .and_then(|columns| columns.trim().parse().ok())
        .filter(|columns| *columns > 0)
        .or_else(|| terminal_size::terminal_size().map(|(w, _)| usize::from(w.0)))
        .unwrap_or(groovelag::report::text::DEFAULT_WIDTH)
        .clamp(20, 120)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn progress_fits_its_line() {
        assert_eq!(
            bar("reading", 50, 80),
            "reading [##########..........] 50 %"
        );
        let name = "a/long/path/to\u{1b}[2J/a/recording.wav";
        for width in [20, 40, 60, 80] {
            let line = bar(name, 100, width);
            assert!(line.chars().count() < width, "{width}: {line}");
            assert!(line.contains(".wav") && line.ends_with(" 100 %"), "{line}");
        }
        assert!(bar(name, 0, 120).contains("\\u{1b}"));
    }

    #[test]
    fn failures_are_named_together() {
        let wrong = |text: &str| Err(text.to_owned());
        assert_eq!(all([Ok(()), Ok(())]), Ok(()));
        assert_eq!(all([wrong("a"), Ok(()), wrong("b")]), wrong("a. b"));
    }
}
