//! Writing results: standard output, and files that appear whole or not at all.

use groovelag::document::TomlKind;
use std::fs::File;
use std::io::{self, Read, Write};
use std::path::Path;

/// A kind of output. `--force` is for older results: it writes over no recording and over
/// no job or other file of this program's that is of another kind, since a slip of the hand
/// must not cost what cannot be made again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A WAV file.
    Wav,
    /// A TOML file that is read again later.
    Toml(TomlKind),
    /// A page, a picture, a table.
    Other,
}

/// How the recordings that are read begin.
const RECORDINGS: [&[u8; 4]; 6] = [b"RIFF", b"RF64", b"BW64", b"FORM", b"caff", b"fLaC"];
/// A longer file is no TOML of this program's.
const LONGEST_TOML: u64 = 1 << 22;

/// Why a file that exists is none that this kind of output may write over.
fn is_other(path: &Path, kind: Kind) -> io::Result<Option<String>> {
    let mut start = [0; 4];
    let mut file = File::open(path)?;
    let length = file.metadata()?.len();
    if length < start.len() as u64 {
        return Ok(None);
    }
    file.read_exact(&mut start)?;
    if RECORDINGS.contains(&&start) {
        return Ok((kind != Kind::Wav).then(|| "it is a recording".to_owned()));
    }
    if length > LONGEST_TOML {
        return Ok(None);
    }
    let text = std::fs::read(path)?;
    let is = std::str::from_utf8(&text).ok().and_then(TomlKind::of);
    Ok(is
        .filter(|is| kind != Kind::Toml(*is))
        .map(|is| is.to_string()))
}

/// Writes `bytes` to `path`, whole or not at all; over an older result only with `force`.
pub fn write_file(path: &Path, bytes: &[u8], kind: Kind, force: bool) -> Result<(), String> {
    let name = path.display();
    check_free(path, kind, force)?;
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let failed = |e: io::Error| {
        // the error of a temporary file names it, which tells nobody anything
        let e = e
            .get_ref()
            .map_or_else(|| e.to_string(), |_| e.kind().to_string());
        format!(
            "{name} cannot be written ({e}); check that its folder exists, may be written to and has room"
        )
    };
    let mut file = tempfile::Builder::new()
        .prefix(".groovelag-")
        .permissions_of_a_plain_file()
        .tempfile_in(folder)
        .map_err(failed)?;
    file.write_all(bytes)
        .and_then(|()| file.as_file().sync_all())
        .map_err(failed)?;
    if force {
        file.persist(path).map_err(|e| failed(e.error))?;
    } else {
        file.persist_noclobber(path)
            .map_err(|e| match e.error.kind() {
                io::ErrorKind::AlreadyExists => exists(path),
                _ => failed(e.error),
            })?;
    }
    Ok(())
}

/// Refuses to write over a file unless told to, and over what is no older result even then;
/// for before the work starts.
pub fn check_free(path: &Path, kind: Kind, force: bool) -> Result<(), String> {
    let name = path.display();
    let Ok(about) = std::fs::metadata(path) else {
        return Ok(());
    };
    if !about.is_file() {
        let what = if about.is_dir() {
            "a folder"
        } else {
            "no ordinary file"
        };
        return Err(format!("{name} is {what}; name a file to write to"));
    }
    if !force {
        return Err(exists(path));
    }
    match is_other(path, kind) {
        Ok(None) => Ok(()),
        Ok(Some(what)) => Err(format!(
            "{name} would be lost: {what}. --force writes over older results alone; choose another name"
        )),
        Err(e) => Err(format!(
            "{name} exists and cannot be looked into ({e}); choose another name"
        )),
    }
}

/// Tells the user something beside the result.
pub fn note(text: &str) {
    eprintln!("groovelag: {}", harmless(text));
}

/// Writes one JSON document to standard output.
pub fn print_json(document: &impl serde::Serialize) -> Result<(), String> {
    print(&groovelag::document::json(document).map_err(|e| e.to_string())?)
}

/// The refusal to write over a file.
pub fn exists(path: &Path) -> String {
    format!(
        "{} exists already; choose another name or add --force",
        path.display()
    )
}

/// The text with control characters written out, line breaks and tabs aside.
pub fn harmless(text: &str) -> String {
    let written = |c: char| match c {
        '\n' | '\t' => c.to_string(),
        c if c.is_control() => c.escape_default().to_string(),
        c => c.to_string(),
    };
    text.chars().map(written).collect()
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

/// Writes to standard output; a closed pipe is no error.
pub fn print(text: &str) -> Result<(), String> {
    print_to_reader(text).map(|_| ())
}

/// Writes to standard output and says whether anybody still reads there.
pub fn print_to_reader(text: &str) -> Result<bool, String> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Ok(()) => Ok(true),
        Err(e) if e.kind() == io::ErrorKind::BrokenPipe => Ok(false),
        Err(e) => Err(format!("standard output cannot be written ({e})")),
    }
}

/// Progress on standard error, on a terminal only, from half a second on.
pub struct Progress {
    started: std::time::Instant,
    shown: Option<u32>,
    on: bool,
}

impl Progress {
    /// Nothing is shown yet.
    pub fn new() -> Self {
        use std::io::IsTerminal;
        Self {
            started: std::time::Instant::now(),
            shown: None,
            on: io::stderr().is_terminal(),
        }
    }

    /// Shows a fraction done.
    pub fn show(&mut self, what: &str, fraction: f64) {
        let percent = (100.0 * fraction) as u32;
        if self.on && self.started.elapsed().as_millis() > 500 && self.shown != Some(percent) {
            self.shown = Some(percent);
            // twenty marks of five per cent each
            let done = "#".repeat(percent as usize / 5);
            eprint!("\r\x1b[K{what} [{done:.<20}] {percent} %");
        }
    }
}

impl Progress {
    /// Takes what is shown off the screen, for a line of output in its place.
    pub fn clear(&mut self) {
        if self.shown.take().is_some() {
            eprint!("\r\x1b[K");
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.clear();
    }
}

/// Columns of the terminal, within reason; 80 where there is none.
pub fn width() -> usize {
    terminal_size::terminal_size()
        .map_or(groovelag::report::text::DEFAULT_WIDTH, |(w, _)| {
            usize::from(w.0)
        })
        .clamp(40, 120)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn control_characters_are_written_out() {
        assert_eq!(
            harmless("a\u{1b}[2J\tb\nµ\u{9b}"),
            "a\\u{1b}[2J\tb\nµ\\u{9b}"
        );
    }
}
