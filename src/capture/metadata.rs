//! Text that capture programs put beside the samples, kept for the report.

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

/// Whether a RIFF chunk of this name holds text that is kept.
pub(super) fn is_kept(id: &[u8; 4]) -> bool {
    [b"bext", b"iXML", b"LIST"].contains(&id)
}

impl Metadata {
    pub(super) fn into_pairs(self) -> Vec<(String, String)> {
        self.pairs
    }

    /// Keeps one pair, unless it is empty or would pass the limit.
    pub(super) fn add(&mut self, name: &str, text: &str) {
        let text = text.trim();
        let bytes = name.len() + text.len();
        if !text.is_empty() && self.bytes + bytes <= MAX_TEXT_BYTES {
            self.bytes += bytes;
            self.pairs.push((name.to_owned(), text.to_owned()));
        }
    }

    /// Takes the text out of a RIFF chunk.
    pub(super) fn add_chunk(&mut self, id: &[u8; 4], body: &[u8]) {
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
                    let size = super::riff::u32_at(header, 4) as usize;
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
        metadata.add_chunk(b"bext", &bext);
        metadata.add_chunk(b"LIST", b"INFOICMT\x03\0\0\0abc\0INAM\x04\0\0\0t\x1b[m");
        metadata.add_chunk(b"LIST", b"INFOICMT\xff\xff\xff\xffshort");
        metadata.add_chunk(b"LIST", b"adtl");
        metadata.add_chunk(b"bext", b"cut");
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
