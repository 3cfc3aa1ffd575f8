//! From what was typed to a list of jobs.

use super::DEFAULTS_FILE;
use crate::job::file;
use crate::outside::{self, on_one_line};
use globset::GlobBuilder;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::str::FromStr;
use toml::de::{DeTable, DeValue};

/// One entry of the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Item {
    /// A job file.
    Job {
        /// As given or found.
        path: PathBuf,
        /// The same for documents, with `/`.
        shown: String,
    },
    /// Something typed that leads to no job.
    Unusable {
        /// As typed.
        shown: String,
        /// Why not, and what to do.
        reason: String,
    },
}

impl Item {
    /// What to call it in documents.
    pub fn shown(&self) -> &str {
        match self {
            Self::Job { shown, .. } | Self::Unusable { shown, .. } => shown,
        }
    }

    /// The job file.
    pub fn path(&self) -> Option<&Path> {
        match self {
            Self::Job { path, .. } => Some(path),
            Self::Unusable { .. } => None,
        }
    }

    fn job(path: PathBuf) -> Self {
        let shown = shown(&path);
        Self::Job { path, shown }
    }

    fn unusable(argument: &Path, reason: String) -> Self {
        let shown = shown(argument);
        Self::Unusable {
            reason: format!("{shown}: {reason}"),
            shown,
        }
    }
}

/// A path for documents, the same in all of them: `/` between folders. Bytes that are no
/// UTF-8 are written as `\xNN`, and so is a backslash where it belongs to a name; characters
/// that steer a terminal are written as `\u{N}`. No two paths look alike.
pub(super) fn shown(path: &Path) -> String {
    let mut out = String::new();
    for chunk in path.as_os_str().as_encoded_bytes().utf8_chunks() {
        match cfg!(windows) {
            true => out += &on_one_line(&chunk.valid().replace('\\', "/")),
            false => out += &on_one_line(&chunk.valid().replace('\\', "\\x5c")),
        }
        for byte in chunk.invalid() {
            out += &format!("\\x{byte:02x}");
        }
    }
    out
}

/// A path as a glob sees it.
fn slashed(path: &Path) -> String {
    path.to_string_lossy().replace('\\', "/")
}

/// The jobs that files, folders and globs name, sorted by path, each once.
///
/// A file is taken as a job whatever it holds. A folder stands for the jobs
/// below it: files `*.toml` that are TOML with `format` and parts of a job, or
/// that are no valid TOML; `groovelag.toml`, calibrations, knowledge and
/// simulation recipes are passed over, and so is what begins with a dot, and
/// folders behind links, each of which `passed_over` is told. A glob (`*`, `?`, `[...]`, `{...}`, `**` for any depth) names
/// the jobs among the files that it matches. An argument that leads to nothing
/// is an entry of its own, which is unusable.
pub fn find(arguments: &[PathBuf], passed_over: &mut dyn FnMut(&Path)) -> Vec<Item> {
    let mut items = Vec::new();
    for argument in arguments {
        // './' in front says nothing, and would be in every path and message
        let plain = argument.strip_prefix(".").unwrap_or(argument);
        if argument.is_dir() {
            expand(argument, plain, &|_| true, &mut items, passed_over);
        } else if !argument.exists() && slashed(argument).contains(['*', '?', '[', '{']) {
            glob(argument, &mut items, passed_over);
        } else if argument.exists() {
            items.push(Item::job(plain.to_owned()));
        } else {
            items.push(Item::unusable(
                argument,
                "there is no such file or folder; check the path".to_owned(),
            ));
        }
    }
    items.sort_by(|a, b| a.shown().cmp(b.shown()));
    let mut seen = BTreeSet::new();
    items.retain(|item| {
        let real = item.path().and_then(|p| p.canonicalize().ok());
        seen.insert(real.unwrap_or_else(|| item.shown().into()))
    });
    items
}

fn glob(argument: &Path, items: &mut Vec<Item>, passed_over: &mut dyn FnMut(&Path)) {
    let pattern = slashed(argument.strip_prefix(".").unwrap_or(argument));
    let matcher = match GlobBuilder::new(&pattern).literal_separator(true).build() {
        Ok(glob) => glob.compile_matcher(),
        Err(e) => {
            let reason = format!("not a glob ({}); see `groovelag check --help`", e.kind());
            return items.push(Item::unusable(argument, reason));
        }
    };
    // the part without wildcards is where to look
    let fixed: PathBuf = Path::new(&pattern)
        .components()
        .take_while(|c| {
            !c.as_os_str()
                .to_string_lossy()
                .contains(['*', '?', '[', '{'])
        })
        .collect();
    let matches = |path: &Path| matcher.is_match(slashed(path));
    expand(argument, &fixed, &matches, items, passed_over);
}

/// Adds the jobs below `folder` that match, or an entry that says there is none.
fn expand(
    argument: &Path,
    folder: &Path,
    matches: &dyn Fn(&Path) -> bool,
    items: &mut Vec<Item>,
    passed_over: &mut dyn FnMut(&Path),
) {
    let before = items.len();
    walk(folder, matches, items, passed_over);
    if items.len() == before {
        items.push(Item::unusable(
            argument,
            "there is no job here (a file *.toml with 'format = 1' and [[capture]]); check the path"
                .to_owned(),
        ));
    }
}

fn walk(
    folder: &Path,
    matches: &dyn Fn(&Path) -> bool,
    items: &mut Vec<Item>,
    passed_over: &mut dyn FnMut(&Path),
) {
    let listed = match folder.as_os_str().is_empty() {
        true => Path::new("."),
        false => folder,
    };
    let entries = match std::fs::read_dir(listed) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return,
        Err(e) => {
            let reason = format!("the folder cannot be read ({e}); check its permissions");
            return items.push(Item::unusable(folder, reason));
        }
    };
    for entry in entries.flatten() {
        if entry.file_name().to_string_lossy().starts_with('.') {
            continue;
        }
        let path = folder.join(entry.file_name());
        if entry.file_type().is_ok_and(|t| t.is_dir()) {
            walk(&path, matches, items, passed_over);
        } else if path.is_dir() {
            passed_over(&path);
        } else if path.extension().is_some_and(|e| e == "toml")
            && entry.file_name() != DEFAULTS_FILE
            && matches(&path)
            && is_job(&path)
        {
            items.push(Item::job(path));
        }
    }
}

/// Whether a TOML file found in a folder is to be taken as a job. One that is
/// not valid or says nothing is: a broken job must not vanish from the list.
fn is_job(path: &Path) -> bool {
    const PARTS: [&str; 6] = ["capture", "cartridge", "record", "chain", "setup", "limits"];
    let Ok(text) = outside::read_text(path) else {
        return true;
    };
    let text = text.strip_prefix('\u{feff}').unwrap_or(&text);
    let Ok(table) = DeTable::parse(text) else {
        return true;
    };
    let table = table.get_ref();
    let captures = matches!(
        table.get("capture").map(|v| v.get_ref()),
        Some(DeValue::Array(_))
    );
    // nothing, or nothing but what a job has
    if table.keys().all(|key| file::is_key(key.get_ref())) {
        return true;
    }
    let parts = table.get("format").is_some() && PARTS.iter().any(|p| table.get(*p).is_some());
    // a simulation recipe has [capture] as well, and what was recorded
    captures || (parts && table.get("programme").is_none())
}

/// A part of the list: entries 1, 1 + N, 1 + 2N, ... for `1/N`. The list is
/// sorted by path, so every machine that is given the same paths of the same
/// files splits it the same way; the N parts are disjoint and together
/// everything.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shard {
    index: usize,
    count: usize,
}

impl FromStr for Shard {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let parts = text.split_once('/');
        let number = |t: &str| t.trim().parse::<usize>().ok().filter(|n| *n > 0);
        match parts.map(|(k, n)| (number(k), number(n))) {
            Some((Some(index), Some(count))) if index <= count => Ok(Self { index, count }),
            _ => Err(format!(
                "'{text}' is not a shard K/N (counted from 1); write one such as 2/8"
            )),
        }
    }
}

impl Shard {
    /// This part of a list.
    pub fn of<T>(self, list: Vec<T>) -> Vec<T> {
        list.into_iter()
            .skip(self.index - 1)
            .step_by(self.count)
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(items: &[Item], root: &Path) -> Vec<String> {
        let root = shown(root) + "/";
        items.iter().map(|i| i.shown().replace(&root, "")).collect()
    }

    fn found(arguments: &[PathBuf]) -> Vec<Item> {
        find(arguments, &mut |_| ())
    }

    #[cfg(unix)]
    #[test]
    fn no_two_paths_look_alike_and_links_are_named() {
        use std::os::unix::ffi::OsStrExt;
        let of = |bytes: &[u8]| shown(Path::new(std::ffi::OsStr::from_bytes(bytes)));
        assert_eq!(of(b"a/b\xff.toml"), "a/b\\xff.toml");
        assert_eq!(of(b"a\\b.toml"), "a\\x5cb.toml");
        assert_eq!(of(b"a\x1bb.toml"), "a\\u{1b}b.toml");
        assert_eq!(of(b"a\\u{1b}b.toml"), "a\\x5cu{1b}b.toml");
        assert_eq!(of("\u{e9}\u{fffd}.toml".as_bytes()), "\u{e9}\u{fffd}.toml");
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path();
        std::fs::create_dir(root.join("jobs")).unwrap();
        std::fs::write(root.join("jobs/a.toml"), "format = 1\n[limits]\n").unwrap();
        std::os::unix::fs::symlink(root, root.join("jobs/round")).unwrap();
        let mut links = Vec::new();
        let list = find(&[root.join("jobs")], &mut |link| {
            links.push(link.to_owned())
        });
        assert_eq!((list.len(), links), (1, vec![root.join("jobs/round")]));
    }

    #[test]
    fn jobs_are_found_sorted_and_once() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path();
        let write = |name: &str, text: &str| {
            let path = root.join(name);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(&path, text).unwrap();
        };
        let job = "format = 1\n[[capture]]\nplanned = true\n";
        write("b.toml", job);
        write("a/z.toml", job);
        write("a/deep/y.toml", job);
        write("a/broken.toml", "format = \n");
        write("a/cut-off.toml", "# a job, but for its contents\n");
        write("a/header.toml", "format = 1\ntitle = \"cut off\"\n");
        write("a/part.toml", "[record.A]\n");
        write("a/forgot.toml", "[[capture]]\nplanned = true\n");
        write("a/slip.toml", "format = 1\n[[captures]]\n[record.A]\n");
        write("a/groovelag.toml", "format = 1\n[limits]\n");
        write("a/recipe.toml", "format = 1\n[programme]\n[capture]\n");
        write("a/chain.toml", "format = 1\nprogram = \"x\"\n[common]\n");
        write("a/known.toml", "format = 1\nkind = \"x\"\ncaptures = []\n");
        write("a/Cargo.toml", "[package]\nname = \"x\"\n");
        write("a/notes.txt", "x");
        write(".hidden/x.toml", job);
        write("empty/notes.txt", "x");
        let all = found(&[root.to_owned()]);
        assert_eq!(
            names(&all, root),
            [
                "a/broken.toml",
                "a/cut-off.toml",
                "a/deep/y.toml",
                "a/forgot.toml",
                "a/header.toml",
                "a/part.toml",
                "a/slip.toml",
                "a/z.toml",
                "b.toml"
            ]
        );
        // the same files by other ways, in another order, are the same list
        let twice = [
            root.join("b.toml"),
            root.join("a/../b.toml"),
            root.join("a"),
            root.join("a/**/*.toml"),
            root.join("a/z.toml"),
        ];
        assert_eq!(names(&found(&twice), root).len(), 9);
        assert_eq!(
            names(&found(&[root.join("a/?.toml")]), root),
            ["a/z.toml"],
            "'*' and '?' stay within a folder"
        );
        for (argument, words) in [
            ("missing.toml", "no such file"),
            ("empty", "no job here"),
            ("x*.toml", "no job here"),
            ("a/[z.toml", "not a glob"),
        ] {
            let list = found(&[root.join(argument)]);
            let [Item::Unusable { reason, .. }] = &list[..] else {
                panic!("{argument}: {list:?}");
            };
            assert!(reason.contains(words), "{argument}: {reason}");
        }
        // a file that is named is checked, whatever it holds
        assert_eq!(found(&[root.join("a/recipe.toml")]).len(), 1);
    }

    #[test]
    fn shards_are_disjoint_and_together_everything() {
        let list: Vec<usize> = (0..23).collect();
        for count in 1..=30 {
            let mut union: Vec<usize> = (1..=count)
                .flat_map(|index| Shard { index, count }.of(list.clone()))
                .collect();
            union.sort_unstable();
            assert_eq!(union, list);
        }
        assert_eq!("2/8".parse(), Ok(Shard { index: 2, count: 8 }));
        for text in ["0/8", "9/8", "2", "2/", "a/b", "-1/3", "1/0", ""] {
            assert!(text.parse::<Shard>().is_err(), "{text}");
        }
    }
}
