//! Text that capture programs put beside the samples, kept for the report.

use super::chunks::field;

/// Bytes of one chunk that are looked at. Common practice, no source: a "bext"
/// chunk has 602 bytes and its history, an "iXML" chunk some thousands.
pub(super) const MAX_CHUNK_BYTES: usize = 64 * 1024;
/// Bytes of text kept from one recording, names included. Common practice, no source.
const MAX_TEXT_BYTES: usize = 256 * 1024;

/// Text pairs in the order of the file.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Metadata {
    pairs: Vec<(String, String)>,
    bytes: usize,
}

/// Fields of a "bext" chunk: name, offset, length (EBU Tech 3285).
const BEXT: [(&str, usize, usize); 5] = [
    ("description", 0, 256),
    ("originator", 256, 32),
    ("originator reference", 288, 32),
    ("origination date", 320, 10),
    ("origination time", 330, 8),
];
/// Where the coding history of a "bext" chunk begins (EBU Tech 3285).
const BEXT_HISTORY: usize = 602;

/// Identifiers of a LIST INFO chunk (RIFF specification 1.0, chapter 2).
const INFO: [(&[u8; 4], &str); 13] = [
    (b"IARL", "archive"),
    (b"IART", "artist"),
    (b"ICMT", "comment"),
    (b"ICOP", "copyright"),
    (b"ICRD", "creation date"),
    (b"IENG", "engineer"),
    (b"IGNR", "genre"),
    (b"IKEY", "keywords"),
    (b"IMED", "medium"),
    (b"INAM", "title"),
    (b"IPRD", "product"),
    (b"ISFT", "software"),
    (b"ISRC", "source"),
];

/// Text chunks of AIFF (AIFF 1.3, "Text Chunks").
const AIFF: [(&[u8; 4], &str); 4] = [
    (b"NAME", "title"),
    (b"AUTH", "author"),
    (b"(c) ", "copyright"),
    (b"ANNO", "comment"),
];

impl Metadata {
    pub(super) fn into_pairs(self) -> Vec<(String, String)> {
        self.pairs
    }

    /// Keeps one pair, unless it is empty or would pass the limit.
    fn add(&mut self, name: &str, text: &str) {
        let text = text.trim();
        let bytes = name.len() + text.len();
        if !text.is_empty() && self.bytes + bytes <= MAX_TEXT_BYTES {
            self.bytes += bytes;
            self.pairs.push((name.to_owned(), text.to_owned()));
        }
    }

    /// Takes the text out of a RIFF chunk: "bext", "iXML" or "LIST".
    pub(super) fn add_riff(&mut self, id: &[u8; 4], body: &[u8]) {
        match id {
            b"bext" => {
                for (name, at, length) in BEXT {
                    let field = body.get(at..(at + length).min(body.len()));
                    self.add(&format!("bext {name}"), &text(field.unwrap_or_default()));
                }
                self.add(
                    "bext coding history",
                    &text(body.get(BEXT_HISTORY..).unwrap_or_default()),
                );
            }
            b"iXML" => self.add("iXML", &text(body)),
            b"LIST" if body.starts_with(b"INFO") => {
                let mut rest = &body[4..];
                while let Some((header, after)) = rest.split_first_chunk::<8>() {
                    let size = u32::from_le_bytes(field(header, 4)) as usize;
                    let value = &after[..size.min(after.len())];
                    let name = INFO.iter().find(|(id, _)| header.starts_with(*id));
                    match name {
                        Some((_, name)) => self.add(name, &text(value)),
                        None => self.add(&text(&header[..4]), &text(value)),
                    }
                    rest = after
                        .get(size.saturating_add(size % 2)..)
                        .unwrap_or_default();
                }
            }
            _ => {}
        }
    }

    /// Takes a text chunk of an AIFF file.
    pub(super) fn add_text(&mut self, id: &[u8; 4], body: &[u8]) {
        if let Some((_, name)) = AIFF.iter().find(|(known, _)| *known == id) {
            self.add(name, &text(body));
        }
    }

    /// Takes the text out of the "info" chunk of a CAF file: a count, then
    /// names and texts that end in zero bytes.
    pub(super) fn add_caf(&mut self, body: &[u8]) {
        let mut parts = body.get(4..).unwrap_or_default().split(|byte| *byte == 0);
        while let (Some(name), Some(value)) = (parts.next(), parts.next()) {
            self.add(&text(name), &text(value));
        }
    }

    /// Takes the text out of a Vorbis comment, as FLAC has it (RFC 9639, section
    /// 8.6): the writer's name, a count, then NAME=text, each with its length.
    pub(super) fn add_vorbis(&mut self, body: &[u8]) {
        fn next<'a>(rest: &mut &'a [u8]) -> Option<&'a [u8]> {
            let (length, after) = rest.split_first_chunk::<4>()?;
            let (value, after) = after.split_at_checked(u32::from_le_bytes(*length) as usize)?;
            *rest = after;
            Some(value)
        }
        let mut rest = body;
        self.add("software", &text(next(&mut rest).unwrap_or_default()));
        rest = rest.get(4..).unwrap_or_default();
        while let Some(comment) = next(&mut rest) {
            if let Some((name, value)) = text(comment).split_once('=') {
                self.add(&name.to_lowercase(), value);
            }
        }
    }
}

/// Text up to the first zero byte: UTF-8 where it is, else Latin-1; control
/// characters other than line ends and tabs are dropped, since the text is
/// shown on terminals.
fn text(bytes: &[u8]) -> String {
    let bytes = bytes.split(|b| *b == 0).next().unwrap_or_default();
    let text = match std::str::from_utf8(bytes) {
        Ok(text) => text.to_owned(),
        Err(_) => bytes.iter().map(|b| char::from(*b)).collect(),
    };
    text.chars()
        .filter(|c| !c.is_control() || matches!(c, '\n' | '\t'))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_taken_and_capped() {
        let mut bext = vec![0; 602];
        bext[..5].copy_from_slice(b"Side\xe9");
        bext[256..260].copy_from_slice(b"deck");
        bext[320..330].copy_from_slice(b"2026-01-02");
        bext.extend(b"A=PCM\r\n");
        let mut metadata = Metadata::default();
        metadata.add_riff(b"bext", &bext);
        metadata.add_riff(b"LIST", b"INFOICMT\x03\0\0\0abc\0INAM\x04\0\0\0t\x1b[m");
        metadata.add_riff(b"LIST", b"INFOICMT\xff\xff\xff\xffshort");
        metadata.add_riff(b"LIST", b"adtl");
        metadata.add_riff(b"bext", b"cut");
        let pairs = |name, text: &str| (String::from(name), text.to_owned());
        assert_eq!(
            metadata.clone().into_pairs(),
            [
                pairs("bext description", "Side\u{e9}"),
                pairs("bext originator", "deck"),
                pairs("bext origination date", "2026-01-02"),
                pairs("bext coding history", "A=PCM"),
                pairs("comment", "abc"),
                pairs("title", "t[m"),
                pairs("comment", "short"),
                pairs("bext description", "cut"),
            ]
        );
        let mut metadata = Metadata::default();
        metadata.add_text(b"ANNO", b"a side");
        metadata.add_caf(b"\0\0\0\x02note\0one\0title\0two\0");
        metadata.add_vorbis(b"\x01\0\0\0w\x02\0\0\0\x05\0\0\0A=b=c\xff\0\0\0B=d");
        assert_eq!(
            metadata.clone().into_pairs(),
            [
                pairs("comment", "a side"),
                pairs("note", "one"),
                pairs("title", "two"),
                pairs("software", "w"),
                pairs("a", "b=c"),
            ]
        );
        let long = "x".repeat(MAX_CHUNK_BYTES);
        for _ in 0..10 {
            metadata.add("iXML", &long);
        }
        let kept: usize = metadata
            .into_pairs()
            .iter()
            .map(|p| p.0.len() + p.1.len())
            .sum();
        assert!(kept <= MAX_TEXT_BYTES);
    }
}
