//! Where results go: standard output, and files that appear whole or not at all.

use std::io::{self, Write as _};
use std::path::Path;

/// Writes text to standard output; a reader that has gone away is no error.
pub fn print(text: &str) -> Result<(), String> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => Err(format!("standard output: {e}")),
        _ => Ok(()),
    }
}

/// Writes one JSON document to standard output.
pub fn print_json(document: &impl serde::Serialize) -> Result<(), String> {
    let mut text = serde_json::to_string_pretty(document)
        .map_err(|e| format!("the result cannot be written as JSON: {e}"))?;
    text.push('\n');
    print(&text)
}

/// Refuses to overwrite a file unless told to; called before the work starts.
pub fn check_free(path: &Path, force: bool) -> Result<(), String> {
    if !force && path.exists() {
        return Err(format!(
            "{} exists; give another name, or --force to overwrite it",
            path.display()
        ));
    }
    Ok(())
}

/// Writes a file by way of a temporary one beside it.
pub fn write_whole(path: &Path, text: &str, force: bool) -> Result<(), String> {
    check_free(path, force)?;
    let refuse = |e: &dyn std::fmt::Display| format!("{}: {e}; check the folder", path.display());
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let mut file = tempfile::NamedTempFile::new_in(folder).map_err(|e| refuse(&e))?;
    file.write_all(text.as_bytes()).map_err(|e| refuse(&e))?;
    let kept = if force {
        file.persist(path).map(drop)
    } else {
        file.persist_noclobber(path).map(drop)
    };
    kept.map_err(|e| refuse(&e.error))
}
