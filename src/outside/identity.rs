//! Which names lead to one file.

use std::ffi::OsString;
use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

/// What a name leads to: two names are of one file exactly when their identities are equal.
/// On Unix that is the device and the number of the file on it, whatever links lead there;
/// elsewhere the path with all links resolved.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Identity {
    /// Something that exists, by device and number.
    Node(u64, u64),
    /// Something that exists, by its path.
    Path(PathBuf),
    /// Something yet to be made: where, and its name there.
    Entry(Box<Identity>, OsString),
}

impl Identity {
    /// What a path leads to; `None` where not even its folder exists.
    pub fn of(path: &Path) -> Option<Self> {
        if let Ok(existing) = Self::existing(path) {
            return Some(existing);
        }
        let folder = match path.parent()? {
            here if here.as_os_str().is_empty() => Path::new("."),
            folder => folder,
        };
        let folder = Self::existing(folder).ok()?;
        Some(Self::Entry(Box::new(folder), path.file_name()?.to_owned()))
    }

    /// What is open; `None` where the system does not tell.
    #[cfg(unix)]
    pub fn of_open(file: &File) -> Option<Self> {
        file.metadata().ok().map(|about| Self::node(&about))
    }

    /// What is open; `None` where the system does not tell.
    #[cfg(not(unix))]
    pub fn of_open(_: &File) -> Option<Self> {
        None
    }

    #[cfg(unix)]
    fn existing(path: &Path) -> io::Result<Self> {
        std::fs::metadata(path).map(|about| Self::node(&about))
    }

    #[cfg(not(unix))]
    fn existing(path: &Path) -> io::Result<Self> {
        path.canonicalize().map(Self::Path)
    }

    #[cfg(unix)]
    fn node(about: &std::fs::Metadata) -> Self {
        use std::os::unix::fs::MetadataExt;
        Self::Node(about.dev(), about.ino())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_file_has_one_identity() {
        let folder = tempfile::tempdir().unwrap();
        let at = folder.path();
        std::fs::write(at.join("a"), "x").unwrap();
        std::fs::write(at.join("b"), "x").unwrap();
        std::fs::create_dir(at.join("d")).unwrap();
        let of = |name: &str| Identity::of(&at.join(name));
        assert_eq!(of("a"), of("d/../a"));
        assert_ne!(of("a"), of("b"));
        // before they exist
        assert_eq!(of("new"), of("d/../new"));
        assert_ne!(of("new"), of("d/new"));
        assert_eq!(of("none/new"), None);
        #[cfg(unix)]
        {
            std::fs::hard_link(at.join("a"), at.join("hard")).unwrap();
            std::os::unix::fs::symlink("a", at.join("soft")).unwrap();
            assert_eq!(of("a"), of("hard"));
            assert_eq!(of("a"), of("soft"));
            let open = File::open(at.join("hard")).unwrap();
            assert_eq!(Identity::of_open(&open), of("a"));
        }
    }
}
