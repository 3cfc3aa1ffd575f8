//! Small files: jobs, what they include, calibrations, baselines, recipes, defaults.

use std::fs::{File, OpenOptions};
use std::io::{self, Read};
use std::path::Path;
use thiserror::Error;

/// Largest small file read, bytes: some hundred thousand captures of a job, some ten
/// thousand in a result. What is larger is a recording given by mistake.
pub const LARGEST_BYTES: u64 = 16 << 20;

/// Why a small file cannot be used. No message holds anything of the file's content, since
/// a job may name any file that its reader can read.
#[derive(Debug, Error)]
pub enum ReadError {
    /// The system refused.
    #[error("{0}")]
    System(#[from] io::Error),
    /// A folder, a pipe, a device.
    #[error("it is {0}, not a file")]
    NoFile(&'static str),
    /// Longer than [`LARGEST_BYTES`].
    #[error(
        "larger than {} MiB, the most for such a file; is it a recording?",
        LARGEST_BYTES >> 20
    )]
    TooLong,
    /// Not UTF-8 in this line, counted from 1.
    #[error("line {0}: not text in UTF-8")]
    NotText(usize),
}

/// The bytes of a small file: a regular file, opened without waiting for anybody.
///
/// # Errors
///
/// When it is none, cannot be read or is longer than [`LARGEST_BYTES`].
pub fn read(path: &Path) -> Result<Vec<u8>, ReadError> {
    // before it is opened, since opening alone can do things to a device; and once more
    // afterwards, should the name lead elsewhere by then
    regular(&std::fs::metadata(path)?)?;
    let file = open_at_once(path)?;
    regular(&file.metadata()?)?;
    let mut bytes = Vec::new();
    file.take(LARGEST_BYTES + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > LARGEST_BYTES {
        return Err(ReadError::TooLong);
    }
    Ok(bytes)
}

/// The same as text.
///
/// # Errors
///
/// As [`read`], and when it is not UTF-8.
pub fn read_text(path: &Path) -> Result<String, ReadError> {
    String::from_utf8(read(path)?).map_err(|e| {
        let valid = &e.as_bytes()[..e.utf8_error().valid_up_to()];
        ReadError::NotText(1 + valid.iter().filter(|b| **b == b'\n').count())
    })
}

fn regular(about: &std::fs::Metadata) -> Result<(), ReadError> {
    if about.is_file() {
        Ok(())
    } else if about.is_dir() {
        Err(ReadError::NoFile("a folder"))
    } else {
        Err(ReadError::NoFile("a pipe or a device"))
    }
}

fn open_at_once(path: &Path) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.read(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.custom_flags(libc::O_NONBLOCK);
    }
    options.open(path)
}

/// A parser's message without what it quotes from the file: serde says "invalid type:
/// string "what stands there", expected a sequence", and what is expected is ours.
pub fn without_content(message: &str) -> String {
    const QUOTING: [&str; 4] = [
        "invalid type",
        "invalid value",
        "unknown field",
        "unknown variant",
    ];
    let message = message.trim();
    match QUOTING.iter().find(|kind| message.starts_with(**kind)) {
        Some(kind) => match message.rsplit_once(", expected ") {
            Some((_, expected)) => format!("{kind}, expected {expected}"),
            None => (*kind).to_owned(),
        },
        None => message.replace('\n', "; "),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn messages_quote_nothing() {
        #[derive(Debug, serde::Deserialize)]
        #[serde(deny_unknown_fields)]
        #[allow(dead_code)] // only its errors are looked at
        struct Form {
            level: crate::uncertainty::Level,
            numbers: Vec<f64>,
        }
        for text in [
            "numbers = 'secret, expected secret'\nlevel = 'note'",
            "numbers = ['secret']\nlevel = 'note'",
            "numbers = []\nlevel = 'secret'",
            "numbers = []\nsecret = 3",
            "secret",
            "root:secret:0",
            "secret = secret",
            "numbers = []\n\"secret\" = 1\n\"secret\" = 2",
            "[secret]\n[secret]",
        ] {
            let toml = toml::from_str::<Form>(text).unwrap_err();
            let message = without_content(toml.message());
            assert!(!message.contains("secret"), "{text}: {message}");
            assert!(!message.is_empty());
        }
        for text in ["{\"numbers\": \"secret\"}", "secret", "{\"secret\": 1}"] {
            let json = serde_json::from_str::<Form>(text).unwrap_err();
            let message = without_content(&json.to_string());
            assert!(!message.contains("secret"), "{text}: {message}");
        }
    }

    #[test]
    fn only_files_of_bounded_length_are_read() {
        let folder = tempfile::tempdir().unwrap();
        let at = folder.path();
        let long = at.join("long");
        let file = File::create(&long).unwrap();
        file.set_len(LARGEST_BYTES).unwrap();
        assert_eq!(read(&long).unwrap().len() as u64, LARGEST_BYTES);
        file.set_len(LARGEST_BYTES + 1).unwrap();
        assert!(matches!(read(&long), Err(ReadError::TooLong)));
        assert!(matches!(read(at), Err(ReadError::NoFile("a folder"))));
        assert!(matches!(read(&at.join("no")), Err(ReadError::System(_))));
        std::fs::write(at.join("text"), b"a\nb\n\xff").unwrap();
        assert!(matches!(
            read_text(&at.join("text")),
            Err(ReadError::NotText(3))
        ));
    }
}
