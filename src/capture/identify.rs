//! What a file is, by its first bytes.

use super::aiff;
use super::caf;
use super::chunks::{Header, field, lossy, unsupported};
use super::error::CaptureError;
use super::flac;
use super::input::ByteSource;
use super::riff;

/// Bytes of an MP4 header ("moov" atom) that are searched for its code.
const MP4_HEADER_BYTES: usize = 1 << 20;

/// Reads the header of whatever recording `input` is; the input stands at the
/// first sample afterwards.
///
/// # Errors
///
/// With the reason, if it is none, or one that is not read.
pub(super) fn read_header(input: &ByteSource, name: &str) -> Result<Header, CaptureError> {
    let failed = |source| CaptureError::Read {
        name: name.to_owned(),
        frames: 0,
        source,
    };
    let mut head = input.head();
    let mut start = 0;
    if head.starts_with(b"ID3") {
        // An ID3v2 tag: ten bytes, the last four its size in seven bits each.
        let [a, b, c, d] = field::<4>(&head, 6).map(|byte| u64::from(byte & 0x7f));
        start = 10 + (a << 21 | b << 14 | c << 7 | d);
        input.skip(start).map_err(failed)?;
        head = vec![0; 4];
        let got = input.read_full(&mut head).map_err(failed)?;
        head.truncate(got);
        if head != b"fLaC" {
            return Err(lossy(name, "MP3 (or other MPEG audio, after an ID3 tag)"));
        }
    }
    if let Some(container) = riff::form(&head) {
        return riff::read_header(input, name, container);
    }
    match &head[..] {
        [b'f', b'L', b'a', b'C', ..] => {
            if start == 0 {
                input.skip(4).map_err(failed)?;
            }
            flac::read_header(input, name)
        }
        [
            b'F',
            b'O',
            b'R',
            b'M',
            _,
            _,
            _,
            _,
            b'A',
            b'I',
            b'F',
            b'F',
            ..,
        ] => aiff::read_header(input, name, false),
        [
            b'F',
            b'O',
            b'R',
            b'M',
            _,
            _,
            _,
            _,
            b'A',
            b'I',
            b'F',
            b'C',
            ..,
        ] => aiff::read_header(input, name, true),
        [b'c', b'a', b'f', b'f', ..] => caf::read_header(input, name),
        _ if head.get(4..8) == Some(b"ftyp") => Err(refuse_mp4(input, name)),
        _ => Err(refuse(&head, name)),
    }
}

/// Signatures of audio that is not read: at an offset, the bytes, what it is,
/// whether it is lossy.
const AUDIO: [(usize, &[u8], &str, bool); 21] = [
    (28, b"\x01vorbis", "Ogg Vorbis", true),
    (28, b"OpusHead", "Opus", true),
    (28, b"Speex   ", "Speex", true),
    (28, b"\x7fFLAC", "FLAC in an Ogg container", false),
    (0, b"OggS", "an Ogg container", false),
    (0, b"ADIF", "AAC", true),
    (
        0,
        b"\x30\x26\xb2\x75\x8e\x66\xcf\x11",
        "Windows Media Audio",
        true,
    ),
    (0, b"\x0b\x77", "AC-3", true),
    (0, b"\x7f\xfe\x80\x01", "DTS", true),
    (0, b"MPCK", "Musepack", true),
    (0, b"MP+", "Musepack", true),
    (
        0,
        b"\x1a\x45\xdf\xa3",
        "a Matroska or WebM container",
        false,
    ),
    (0, b"wvpk", "WavPack", false),
    (0, b"MAC ", "Monkey's Audio", false),
    (0, b"TTA1", "True Audio", false),
    (0, b"DSD ", "one-bit audio (DSF)", false),
    (0, b"FRM8", "one-bit audio (DSDIFF)", false),
    (0, b".snd", "a Sun AU file", false),
    (0, b"riff\x2e\x91\xcf\x11", "a Wave64 file", false),
    (0, b"RIFX", "a big-endian RIFX file", false),
    (0, b"MThd", "MIDI, which has no samples", false),
];

/// Signatures of other things that are given by mistake.
const OTHER: [(&[u8], &str); 15] = [
    (
        b"RIFF",
        "a RIFF file that is not WAV (a video or a picture)",
    ),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"GIF8", "a GIF picture"),
    (b"PK\x03\x04", "a ZIP archive; unpack it first"),
    (b"\x1f\x8b", "a gzip archive; unpack it first"),
    (b"7z\xbc\xaf", "a 7z archive; unpack it first"),
    (b"Rar!", "a RAR archive; unpack it first"),
    (b"\xfd7zXZ", "an XZ archive; unpack it first"),
    (b"BZh", "a bzip2 archive; unpack it first"),
    (b"\x7fELF", "a program"),
    (b"MZ", "a program"),
    (b"SQLite", "a database"),
    (
        b"<aup",
        "an audio editor's project; export the audio from it",
    ),
];

/// The refusal of everything else.
fn refuse(head: &[u8], name: &str) -> CaptureError {
    for (at, signature, what, is_lossy) in AUDIO {
        if head
            .get(at..)
            .is_some_and(|rest| rest.starts_with(signature))
        {
            return match is_lossy {
                true => lossy(name, what),
                false => unsupported(name, what),
            };
        }
    }
    if let Some(codec) = mpeg(head) {
        return lossy(name, codec);
    }
    let other = OTHER
        .iter()
        .find(|(signature, _)| head.starts_with(signature));
    let found = match other {
        Some((_, what)) => (*what).to_owned(),
        None if head.iter().all(|byte| *byte == 0) => "nothing but zeros".to_owned(),
        None if is_text(head) => "text".to_owned(),
        None => {
            let first: Vec<String> = head.iter().take(8).map(|b| format!("{b:02x}")).collect();
            format!("bytes without a known signature ({})", first.join(" "))
        }
    };
    CaptureError::NotAudio {
        name: name.to_owned(),
        found,
    }
}

fn is_text(head: &[u8]) -> bool {
    // A character may be cut at the end of the head.
    let valid = match std::str::from_utf8(head) {
        Ok(text) => text,
        Err(error) if error.error_len().is_none() => {
            std::str::from_utf8(&head[..error.valid_up_to()]).unwrap_or_default()
        }
        Err(_) => return false,
    };
    !valid.is_empty() && !valid.chars().any(|c| c.is_control() && !c.is_whitespace())
}

/// A frame header of MPEG audio or AAC (ISO/IEC 11172-3, 2.4.1.3; ISO/IEC
/// 13818-7, 6.2): eleven or twelve ones, then fields of which some values are
/// reserved.
fn mpeg(head: &[u8]) -> Option<&'static str> {
    let [first, second, third, ..] = *head else {
        return None;
    };
    if first != 0xff || second & 0xe0 != 0xe0 {
        return None;
    }
    if second & 0xf6 == 0xf0 {
        return Some("AAC");
    }
    let reserved = second & 0x18 == 0x08 || third >> 4 == 15 || third & 0x0c == 0x0c;
    match second >> 1 & 3 {
        _ if reserved => None,
        1 => Some("MP3"),
        2 => Some("MPEG audio, layer 2"),
        3 => Some("MPEG audio, layer 1"),
        _ => None,
    }
}

/// MP4 holds lossy and lossless codes; says which, where it can be found.
fn refuse_mp4(input: &ByteSource, name: &str) -> CaptureError {
    match mp4_code(input).as_ref() {
        Some(b"alac") => CaptureError::Unsupported {
            name: name.to_owned(),
            what: "is ALAC in an MP4 container, which this program does not read".to_owned(),
            remedy: "convert it to WAV, FLAC or CAF; nothing is lost".to_owned(),
        },
        Some(b"fLaC") => CaptureError::Unsupported {
            name: name.to_owned(),
            what: "is FLAC in an MP4 container, which this program does not read".to_owned(),
            remedy: "convert it to WAV or FLAC; nothing is lost".to_owned(),
        },
        Some(b"mp4a") => lossy(name, "AAC (in MP4)"),
        Some(b"Opus") => lossy(name, "Opus (in MP4)"),
        Some(b"ac-3" | b"ec-3") => lossy(name, "AC-3 (in MP4)"),
        _ => unsupported(name, "an MP4 container"),
    }
}

/// The code of the first track: the four characters after the first "stsd" (ISO/IEC
/// 14496-12, 8.5.2) in the "moov" atom.
fn mp4_code(input: &ByteSource) -> Option<[u8; 4]> {
    let length = input.length()?;
    let mut at = 0u64;
    // A "moov" atom comes within the first few.
    for _ in 0..64 {
        input.seek_to(at);
        let mut header = [0; 16];
        let got = input.read_full(&mut header).ok()?;
        if got < 8 {
            return None;
        }
        let size = match u32::from_be_bytes(field(&header, 0)) {
            0 => length,
            1 => u64::from_be_bytes(field(&header, 8)),
            size => u64::from(size),
        };
        if &header[4..8] == b"moov" {
            let cap = length.saturating_sub(at).min(MP4_HEADER_BYTES as u64);
            let mut body = vec![0; cap as usize];
            let got = input.read_full(&mut body).ok()?;
            let found = body[..got].windows(4).position(|w| w == b"stsd")?;
            return body.get(found + 16..)?.first_chunk().copied();
        }
        at = at.checked_add(size.max(8))?;
    }
    None
}
