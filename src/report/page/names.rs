//! What a page may show of files and free text: names, never where they lie.

/// Ends a path in running text.
const ENDS: &[char] = &['\'', '"', ')', '(', ',', ';', '<', '>', '\n', '\t', ' '];

/// The last part of a path.
pub fn file_name(path: &str) -> &str {
    if path == "-" {
        return "standard input";
    }
    let path = path.trim_end_matches(['/', '\\']);
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

/// Knows the paths of a job and takes the folders out of text.
#[derive(Debug, Clone, Default)]
pub struct Names {
    paths: Vec<String>,
}

impl Names {
    /// Knows these paths, as given.
    pub fn new(paths: impl IntoIterator<Item = String>) -> Self {
        let mut paths: Vec<String> = paths
            .into_iter()
            .filter(|p| p.contains(['/', '\\']))
            .collect();
        // longer ones first: one may begin like another
        paths.sort_by_key(|p| std::cmp::Reverse(p.len()));
        Self { paths }
    }

    /// The name of a file.
    pub fn file(&self, path: &str) -> String {
        self.text(file_name(path))
    }

    /// Free text for the page: known paths and whatever else looks like an
    /// absolute path are cut down to the file's name.
    pub fn text(&self, text: &str) -> String {
        let mut text = text.to_owned();
        for path in &self.paths {
            text = text.replace(path.as_str(), file_name(path));
        }
        let mut out = String::new();
        let mut rest = text.as_str();
        let mut before = ' ';
        while let Some(c) = rest.chars().next() {
            let opens = before.is_whitespace() || "'\"(=:[<".contains(before);
            if opens && absolute(rest) {
                let end = rest.find(ENDS).unwrap_or(rest.len());
                let (path, after) = rest.split_at(end);
                out.push_str(file_name(path));
                before = 'x';
                rest = after;
                continue;
            }
            out.push(c);
            before = c;
            rest = &rest[c.len_utf8()..];
        }
        out
    }
}

/// Whether a path from the root of a system begins here.
fn absolute(text: &str) -> bool {
    let mut chars = text.chars();
    let (first, second, third) = (chars.next(), chars.next(), chars.next());
    let named = |c: Option<char>| c.is_some_and(|c| c.is_alphanumeric() || "._-~".contains(c));
    match first {
        Some('/') => named(second),
        Some('\\') => second == Some('\\'),
        Some(c) if c.is_ascii_alphabetic() => {
            second == Some(':') && matches!(third, Some('/' | '\\'))
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_do_not_show() {
        let names = Names::new(["my takes/side a.wav".to_owned(), "plain.wav".to_owned()]);
        for (text, shown) in [
            ("my takes/side a.wav: noisy", "side a.wav: noisy"),
            ("'/home/someone/x.wav' is odd", "'x.wav' is odd"),
            (
                "looked for (/srv/a/b.toml), line 3",
                "looked for (b.toml), line 3",
            ),
            ("C:\\Users\\someone\\x.wav:", "x.wav:"),
            ("L/R at 0.5 s/m and 3/4", "L/R at 0.5 s/m and 3/4"),
            ("a < b & c", "a < b & c"),
        ] {
            assert_eq!(names.text(text), shown);
        }
    }
}
