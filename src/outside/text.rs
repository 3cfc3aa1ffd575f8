//! Text of others: titles, names, notes, metadata, names of files.

use std::borrow::Cow;
use std::io::{self, Write};

/// Whether a character can do more than be read: a control character (Unicode category Cc,
/// with which ECMA-48 begins its escape sequences), a mark that turns the direction of
/// reading (`Bidi_Control`, UAX #9) or ends a line unseen (Zl, Zp), or a noncharacter
/// (U+FFFE and U+FFFF are no characters of XML 1.0, section 2.2).
pub fn is_unsafe(c: char) -> bool {
    c.is_control()
        || matches!(c,
            '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
        || matches!(c, '\u{2028}' | '\u{2029}')
        || u32::from(c) & 0xfffe == 0xfffe
}

/// The word of `known` that was meant: the nearest by edit distance, if near enough to be a slip of the pen, a third of
/// the letters (common practice, no source).
pub fn nearest<'k>(word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    let known = known.into_iter().filter(|k| !k.is_empty());
    known
        .map(|k| (strsim::damerau_levenshtein(word, k), k))
        .min()
        .filter(|&(distance, k)| distance <= 1 + k.chars().count() / 3)
        .map(|(_, k)| k)
}

/// The text with unsafe characters written out as `\u{1b}`, line breaks and tabs aside.
pub fn shown(text: &str) -> String {
    written_out(&text.replace("\r\n", "\n"), &['\n', '\t'])
}

/// The same for a name or another piece of a line: line breaks and tabs are written out too.
pub fn on_one_line(text: &str) -> String {
    written_out(text, &[])
}

fn written_out(text: &str, legal: &[char]) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if is_unsafe(c) && !legal.contains(&c) {
            out.extend(c.escape_default());
        } else {
            out.push(c);
        }
    }
    out
}

/// A JSON text that says the same with unsafe characters as JSON's own escapes, so that it
/// may be shown on a terminal. JSON has them within strings alone, line breaks and tabs
/// aside (RFC 8259, section 7).
pub fn in_json(json: &str) -> Cow<'_, str> {
    let legal = |c: char| !is_unsafe(c) || matches!(c, '\n' | '\t' | '\r');
    if json.chars().all(legal) {
        return Cow::Borrowed(json);
    }
    let mut out = String::with_capacity(json.len());
    for c in json.chars() {
        if !legal(c) {
            for unit in c.encode_utf16(&mut [0; 2]) {
                out += &format!("\\u{unit:04x}");
            }
        } else {
            out.push(c);
        }
    }
    Cow::Owned(out)
}

/// Passes JSON on to a writer, as [`in_json`] has it. What is written at a time must be whole characters, as a
/// serialiser writes it.
pub struct SafeJson<W>(pub W);

impl<W: Write> Write for SafeJson<W> {
    fn write(&mut self, piece: &[u8]) -> io::Result<usize> {
        let text =
            str::from_utf8(piece).map_err(|e| io::Error::new(io::ErrorKind::InvalidData, e))?;
        self.0.write_all(in_json(text).as_bytes())?;
        Ok(piece.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NASTY: &str = "a\u{1b}[2J\tb\r\n\u{9b}\u{202e}\u{2028}\u{ffff}\u{1fffe}µ";

    #[test]
    fn what_steers_is_written_out() {
        assert_eq!(
            shown(NASTY),
            "a\\u{1b}[2J\tb\n\\u{9b}\\u{202e}\\u{2028}\\u{ffff}\\u{1fffe}µ"
        );
        assert_eq!(on_one_line("a\tb\nc"), "a\\tb\\nc");
        // every character is either kept or written in harmless ones
        for c in (0..=0x10ffff).filter_map(char::from_u32) {
            let text = on_one_line(&c.to_string());
            assert!(!text.contains(is_unsafe), "{c:?}");
            assert_eq!(text.chars().eq([c]), !is_unsafe(c), "{c:?}");
        }
    }

    #[test]
    fn json_says_the_same() {
        let written = serde_json::to_string_pretty(&[NASTY]).unwrap();
        assert!(written.contains('\u{202e}'));
        let safe = in_json(&written);
        let mut passed_on = Vec::new();
        crate::document::write_json(&[NASTY], &mut passed_on).unwrap();
        assert_eq!(String::from_utf8(passed_on).unwrap(), format!("{safe}\n"));
        assert!(!safe.chars().any(|c| c != '\n' && is_unsafe(c)), "{safe}");
        let read: Vec<String> = serde_json::from_str(&safe).unwrap();
        assert_eq!(read, [NASTY]);
    }
}
