//! Recordings built by hand, byte by byte, for the tests of the readers.

#![allow(dead_code)] // each test program uses its own part

use groovelag::capture::{self, CaptureError, ReadOptions, Recording, Source, Stereo};
use std::fs::File;
use std::io::{Cursor, Read, Seek, SeekFrom, Write};
use std::path::Path;

/// Frames in most test files: prime, so that no block divides it.
pub const FRAMES: usize = 10_007;

/// A 16-bit stereo signal without any symmetry, interleaved: a multiplicative
/// sequence (Knuth's MMIX constants), so that swaps, signs and offsets all show.
pub fn samples(frames: usize) -> Vec<i16> {
    let mut state = 2026u64;
    (0..2 * frames)
        .map(|_| {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 48) as i16
        })
        .collect()
}

/// The same as planes with full scale 1.
pub fn planes(samples: &[i16]) -> Stereo {
    let plane = |channel| {
        let of_channel = samples.iter().skip(channel).step_by(2);
        of_channel.map(|s| f32::from(*s) / 32768.0).collect()
    };
    Stereo {
        left: plane(0),
        right: plane(1),
    }
}

/// How a sample is laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layout {
    /// Integers, left-justified in so many bytes, little-endian.
    Integer(usize),
    /// Single precision.
    Float,
    /// Double precision.
    Double,
}

/// Samples of 16 bits in another layout; nothing is lost.
pub fn encode(samples: &[i16], layout: Layout) -> Vec<u8> {
    let mut bytes = Vec::new();
    for sample in samples {
        match layout {
            Layout::Integer(width) => {
                let wide = (i32::from(*sample) << 16).to_le_bytes();
                bytes.extend_from_slice(&wide[4 - width..]);
            }
            Layout::Float => {
                bytes.extend_from_slice(&(f32::from(*sample) / 32768.0).to_le_bytes());
            }
            Layout::Double => {
                bytes.extend_from_slice(&(f64::from(*sample) / 32768.0).to_le_bytes());
            }
        }
    }
    bytes
}

/// Reverses each sample of `width` bytes.
pub fn swapped(mut bytes: Vec<u8>, width: usize) -> Vec<u8> {
    bytes.chunks_exact_mut(width).for_each(<[u8]>::reverse);
    bytes
}

/// A RIFF chunk with its pad byte.
pub fn chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend_from_slice(&(body.len() as u32).to_le_bytes());
    bytes.extend_from_slice(body);
    if body.len() % 2 == 1 {
        bytes.push(0);
    }
    bytes
}

/// A "fmt " body of 16 bytes.
pub fn fmt(tag: u16, channels: u16, rate: u32, container: u16, bits: u16) -> Vec<u8> {
    let align = channels * container;
    let mut body = Vec::new();
    body.extend_from_slice(&tag.to_le_bytes());
    body.extend_from_slice(&channels.to_le_bytes());
    body.extend_from_slice(&rate.to_le_bytes());
    body.extend_from_slice(&(rate.wrapping_mul(u32::from(align))).to_le_bytes());
    body.extend_from_slice(&align.to_le_bytes());
    body.extend_from_slice(&bits.to_le_bytes());
    body
}

/// A "fmt " body of WAVE_FORMAT_EXTENSIBLE.
pub fn fmt_extensible(tag: u16, channels: u16, rate: u32, container: u16, valid: u16) -> Vec<u8> {
    let mut body = fmt(0xfffe, channels, rate, container, 8 * container);
    body.extend_from_slice(&22u16.to_le_bytes());
    body.extend_from_slice(&valid.to_le_bytes());
    body.extend_from_slice(&3u32.to_le_bytes());
    body.extend_from_slice(&tag.to_le_bytes());
    body.extend_from_slice(&[0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
    body
}

/// A RIFF file of chunks.
pub fn riff(chunks: &[Vec<u8>]) -> Vec<u8> {
    let body = chunks.concat();
    let mut bytes = b"RIFF".to_vec();
    bytes.extend_from_slice(&(body.len() as u32 + 4).to_le_bytes());
    bytes.extend_from_slice(b"WAVE");
    bytes.extend(body);
    bytes
}

/// A plain 16-bit file of `samples(frames)` at 96 kHz; the samples begin at byte 44.
pub fn wav16(frames: usize) -> Vec<u8> {
    let data = encode(&samples(frames), Layout::Integer(2));
    riff(&[
        chunk(b"fmt ", &fmt(1, 2, 96_000, 2, 16)),
        chunk(b"data", &data),
    ])
}

/// An RF64 or BW64 file of 16-bit `data`, with sizes in "ds64" alone.
pub fn rf64(form: &[u8; 4], data: &[u8], stated: u64) -> Vec<u8> {
    let mut sizes = Vec::new();
    for value in [stated + 72, stated, stated / 4] {
        sizes.extend_from_slice(&value.to_le_bytes());
    }
    sizes.extend_from_slice(&0u32.to_le_bytes());
    let mut bytes = form.to_vec();
    bytes.extend_from_slice(&[0xff; 4]);
    bytes.extend_from_slice(b"WAVE");
    bytes.extend(chunk(b"ds64", &sizes));
    bytes.extend(chunk(b"fmt ", &fmt(1, 2, 96_000, 2, 16)));
    bytes.extend_from_slice(b"data\xff\xff\xff\xff");
    bytes.extend_from_slice(data);
    bytes
}

/// A sparse RF64 file, 16-bit stereo at 96 kHz, `frames` long and silent but for
/// `band`, which begins at frame `at`.
pub fn sparse_rf64(path: &Path, frames: u64, at: u64, band: &[i16]) {
    let header = rf64(b"RF64", &[], 4 * frames);
    let start = header.len() as u64;
    let mut file = File::create(path).unwrap();
    file.write_all(&header).unwrap();
    file.set_len(start + 4 * frames).unwrap();
    file.seek(SeekFrom::Start(start + 4 * at)).unwrap();
    file.write_all(&encode(band, Layout::Integer(2))).unwrap();
}

/// An IFF chunk with its pad byte.
pub fn iff_chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut bytes = chunk(id, body);
    bytes[4..8].reverse();
    bytes
}

/// A "COMM" body at 96 kHz; `code` makes it AIFF-C.
pub fn comm(channels: u16, frames: u32, bits: u16, code: Option<&[u8; 4]>) -> Vec<u8> {
    let mut body = channels.to_be_bytes().to_vec();
    body.extend_from_slice(&frames.to_be_bytes());
    body.extend_from_slice(&bits.to_be_bytes());
    // 96000 = 1.46484375 x 2^16 in the 80-bit format.
    body.extend_from_slice(&[0x40, 0x0f, 0xbb, 0x80, 0, 0, 0, 0, 0, 0]);
    if let Some(code) = code {
        body.extend_from_slice(code);
        body.extend_from_slice(&[0, 0]);
    }
    body
}

/// A "SSND" body.
pub fn ssnd(data: &[u8]) -> Vec<u8> {
    [&[0; 8], data].concat()
}

/// An AIFF or AIFF-C file of chunks.
pub fn aiff(form: &[u8; 4], chunks: &[Vec<u8>]) -> Vec<u8> {
    let body = chunks.concat();
    let mut bytes = b"FORM".to_vec();
    bytes.extend_from_slice(&(body.len() as u32 + 4).to_be_bytes());
    bytes.extend_from_slice(form);
    bytes.extend(body);
    bytes
}

/// A CAF chunk.
pub fn caf_chunk(id: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend_from_slice(&(body.len() as u64).to_be_bytes());
    bytes.extend_from_slice(body);
    bytes
}

/// A CAF audio description at 96 kHz.
pub fn caf_desc(code: &[u8; 4], flags: u32, fields: [u32; 4]) -> Vec<u8> {
    let mut body = 96_000f64.to_be_bytes().to_vec();
    body.extend_from_slice(code);
    body.extend_from_slice(&flags.to_be_bytes());
    for field in fields {
        body.extend_from_slice(&field.to_be_bytes());
    }
    caf_chunk(b"desc", &body)
}

/// A CAF file of chunks.
pub fn caf(chunks: &[Vec<u8>]) -> Vec<u8> {
    [b"caff\0\x01\0\0".to_vec(), chunks.concat()].concat()
}

/// Bits, most significant first.
#[derive(Default)]
pub struct Bits {
    pub bytes: Vec<u8>,
    used: u32,
}

impl Bits {
    pub fn put(&mut self, value: u32, count: u32) {
        for k in (0..count).rev() {
            if self.used.is_multiple_of(8) {
                self.bytes.push(0);
            }
            let last = self.bytes.len() - 1;
            self.bytes[last] |= ((value >> k & 1) as u8) << (7 - self.used % 8);
            self.used += 1;
        }
    }
}

/// A cyclic redundancy check without reflection and with zero start.
fn crc(bytes: &[u8], width: u32, polynomial: u32) -> u32 {
    bytes.iter().fold(0u32, |mut state, byte| {
        state ^= u32::from(*byte) << (width - 8);
        for _ in 0..8 {
            let top = state >> (width - 1) & 1;
            state = ((state << 1) ^ (top * polynomial)) & ((1 << width) - 1);
        }
        state
    })
}

/// A FLAC stream of 16-bit stereo at 96 kHz with verbatim subframes (RFC 9639);
/// `stated` frames in its header, `blocks` of metadata before the frames.
pub fn flac(samples: &[i16], stated: u64, blocks: &[(u8, &[u8])]) -> Vec<u8> {
    const BLOCK: usize = 1024;
    let mut info = Vec::new();
    info.extend_from_slice(&(BLOCK as u16).to_be_bytes());
    info.extend_from_slice(&(BLOCK as u16).to_be_bytes());
    info.extend_from_slice(&[0; 6]);
    let fields = 96_000u64 << 44 | 1 << 41 | 15 << 36 | stated;
    info.extend_from_slice(&fields.to_be_bytes());
    info.extend_from_slice(&[0; 16]);
    let mut bytes = b"fLaC".to_vec();
    let all: Vec<(u8, &[u8])> = [(0, &info[..])]
        .into_iter()
        .chain(blocks.iter().copied())
        .collect();
    for (k, (kind, body)) in all.iter().enumerate() {
        let last = if k + 1 == all.len() { 0x80 } else { 0 };
        bytes.push(kind | last);
        bytes.extend_from_slice(&(body.len() as u32).to_be_bytes()[1..]);
        bytes.extend_from_slice(body);
    }
    for (number, block) in samples.chunks(2 * BLOCK).enumerate() {
        let mut frame = Bits::default();
        frame.put(0b11_1111_1111_1110, 14);
        frame.put(0, 2);
        // Block size in 16 bits at the end of the header, rate from the stream
        // information, two independent channels, 16 bits.
        frame.put(0b0111_0000, 8);
        frame.put(0b0001_1000, 8);
        assert!(number < 128, "the frame number is written in one byte");
        frame.put(number as u32, 8);
        frame.put((block.len() / 2 - 1) as u32, 16);
        let check = crc(&frame.bytes, 8, 0x07);
        frame.put(check, 8);
        for channel in 0..2 {
            frame.put(0b0000_0010, 8);
            for sample in block.iter().skip(channel).step_by(2) {
                frame.put(u32::from(*sample as u16), 16);
            }
        }
        let check = crc(&frame.bytes, 16, 0x8005);
        frame.put(check, 16);
        bytes.extend(frame.bytes);
    }
    bytes
}

/// A CAF file of ALAC packets, 16-bit stereo at 96 kHz, uncompressed ("escape")
/// frames after the published ALAC sources of Apple (2011; from memory).
pub fn alac_caf(samples: &[i16]) -> Vec<u8> {
    const PACKET: usize = 4000;
    let mut cookie = (PACKET as u32).to_be_bytes().to_vec();
    cookie.extend_from_slice(&[0, 16, 40, 10, 14, 2, 0, 255]);
    cookie.extend_from_slice(&[0; 8]);
    cookie.extend_from_slice(&96_000u32.to_be_bytes());
    let (mut data, mut sizes) = (vec![0; 4], Vec::new());
    for block in samples.chunks(2 * PACKET) {
        let partial = block.len() < 2 * PACKET;
        let mut packet = Bits::default();
        packet.put(1, 3);
        packet.put(0, 4 + 12);
        packet.put(u32::from(partial), 1);
        packet.put(0, 2);
        packet.put(1, 1);
        if partial {
            packet.put((block.len() / 2) as u32, 32);
        }
        for sample in block {
            packet.put(u32::from(*sample as u16), 16);
        }
        packet.put(7, 3);
        let size = packet.bytes.len();
        sizes.extend_from_slice(&[0x80 | (size >> 7 & 0x7f) as u8, (size & 0x7f) as u8]);
        assert!(size < 1 << 14, "two bytes of seven bits");
        data.extend(packet.bytes);
    }
    let mut table = ((sizes.len() / 2) as u64).to_be_bytes().to_vec();
    table.extend_from_slice(&((samples.len() / 2) as u64).to_be_bytes());
    table.extend_from_slice(&[0; 8]);
    table.extend(sizes);
    caf(&[
        caf_desc(b"alac", 0, [0, PACKET as u32, 2, 0]),
        caf_chunk(b"kuki", &cookie),
        caf_chunk(b"data", &data),
        caf_chunk(b"pakt", &table),
    ])
}

/// Every lossless form, built by hand, of the same 16-bit samples.
pub fn forms(frames: usize) -> Vec<(String, Vec<u8>)> {
    let samples = samples(frames);
    let mut forms = Vec::new();
    let layouts = [
        (Layout::Integer(2), 1, 2, vec![16]),
        // 20 bits in three bytes and 24 in four are left-justified.
        (Layout::Integer(3), 1, 3, vec![24, 20]),
        (Layout::Integer(4), 1, 4, vec![32, 24]),
        (Layout::Float, 3, 4, vec![32]),
        (Layout::Double, 3, 8, vec![64]),
    ];
    for (layout, tag, container, valid) in layouts {
        let data = chunk(b"data", &encode(&samples, layout));
        for valid in valid {
            let plain = chunk(b"fmt ", &fmt(tag, 2, 96_000, container, valid));
            let extensible = chunk(b"fmt ", &fmt_extensible(tag, 2, 96_000, container, valid));
            forms.push((
                format!("WAV {layout:?} {valid}"),
                riff(&[plain, data.clone()]),
            ));
            forms.push((
                format!("WAV extensible {layout:?} {valid}"),
                riff(&[extensible, data.clone()]),
            ));
        }
    }
    let le16 = encode(&samples, Layout::Integer(2));
    for form in [b"RF64", b"BW64"] {
        forms.push((format!("{form:?}"), rf64(form, &le16, le16.len() as u64)));
    }
    let frames32 = frames as u32;
    for (width, bits) in [(2, 16), (3, 24), (3, 20), (4, 32)] {
        let data = swapped(encode(&samples, Layout::Integer(width)), width);
        let body = [
            iff_chunk(b"COMM", &comm(2, frames32, bits, None)),
            iff_chunk(b"SSND", &ssnd(&data)),
        ];
        forms.push((format!("AIFF {bits}"), aiff(b"AIFF", &body)));
        let late = [body[1].clone(), body[0].clone()];
        forms.push((
            format!("AIFF {bits}, description last"),
            aiff(b"AIFF", &late),
        ));
    }
    let compressed: [(&[u8; 4], u16, Layout, usize, bool); 8] = [
        (b"NONE", 16, Layout::Integer(2), 2, true),
        (b"twos", 16, Layout::Integer(2), 2, true),
        (b"sowt", 16, Layout::Integer(2), 2, false),
        (b"sowt", 24, Layout::Integer(3), 3, false),
        (b"in24", 24, Layout::Integer(3), 3, true),
        (b"in32", 32, Layout::Integer(4), 4, true),
        (b"fl32", 32, Layout::Float, 4, true),
        (b"fl64", 64, Layout::Double, 8, true),
    ];
    for (code, bits, layout, width, big) in compressed {
        let data = encode(&samples, layout);
        let data = if big { swapped(data, width) } else { data };
        let body = [
            iff_chunk(b"FVER", &[0xa2, 0x80, 0x51, 0x40]),
            iff_chunk(b"COMM", &comm(2, frames32, bits, Some(code))),
            iff_chunk(b"SSND", &ssnd(&data)),
        ];
        let name = format!("AIFF-C {} {bits}", code.escape_ascii());
        forms.push((name, aiff(b"AIFC", &body)));
    }
    for (layout, width, bits, float) in [
        (Layout::Integer(2), 2, 16, 0),
        (Layout::Integer(3), 3, 24, 0),
        (Layout::Integer(4), 4, 24, 0),
        (Layout::Integer(4), 4, 32, 0),
        (Layout::Float, 4, 32, 1),
        (Layout::Double, 8, 64, 1),
    ] {
        for little in [0, 2] {
            let data = encode(&samples, layout);
            let data = if little == 0 {
                swapped(data, width)
            } else {
                data
            };
            let width = width as u32;
            let desc = caf_desc(b"lpcm", float | little, [2 * width, 1, 2, bits]);
            let data = [&[0; 4], &data[..]].concat();
            let mut unknown = caf_chunk(b"data", &data);
            unknown[4..12].fill(0xff);
            let name = format!("CAF {layout:?} {bits} {little}");
            forms.push((
                name.clone(),
                caf(&[desc.clone(), caf_chunk(b"data", &data)]),
            ));
            forms.push((format!("{name}, length unknown"), caf(&[desc, unknown])));
        }
    }
    let stated = frames as u64;
    forms.push(("FLAC".into(), flac(&samples, stated, &[])));
    forms.push(("FLAC, length unknown".into(), flac(&samples, 0, &[])));
    let padding = [0; 70_000];
    forms.push((
        "FLAC with metadata".into(),
        flac(&samples, stated, &[(1, &padding), (6, b"x")]),
    ));
    let tagged = [
        b"ID3\x04\0\0\0\0\x01\x01".to_vec(),
        vec![0; 129],
        flac(&samples, stated, &[]),
    ];
    forms.push(("FLAC after ID3".into(), tagged.concat()));
    forms.push(("ALAC".into(), alac_caf(&samples)));
    forms
}

/// Opens bytes as a file.
pub fn open_bytes(bytes: &[u8], options: &ReadOptions) -> Result<Recording, CaptureError> {
    capture::open_reader(Cursor::new(bytes.to_vec()), "take", options)
}

/// Opens bytes as a stream that comes in dribs and drabs.
pub fn open_dribs(bytes: &[u8], options: &ReadOptions) -> Result<Recording, CaptureError> {
    capture::open_stream(Dribs::new(bytes), "-", options)
}

/// Opens a file.
pub fn open_path(path: &Path) -> Result<Recording, CaptureError> {
    capture::open(&Source::Path(path.to_owned()), &ReadOptions::default())
}

/// All samples, in blocks.
pub fn read_all(recording: &mut Recording, block_frames: usize) -> Stereo {
    let (mut all, mut block) = (Stereo::default(), Stereo::default());
    loop {
        let got = recording.read(&mut block, block_frames).unwrap();
        assert_eq!((block.left.len(), block.right.len()), (got, got));
        if got == 0 {
            return all;
        }
        all.left.extend_from_slice(&block.left);
        all.right.extend_from_slice(&block.right);
    }
}

/// A reader that gives one to some bytes at a time and is interrupted now and then.
pub struct Dribs {
    bytes: Cursor<Vec<u8>>,
    turn: usize,
}

impl Dribs {
    pub fn new(bytes: &[u8]) -> Self {
        Self {
            bytes: Cursor::new(bytes.to_vec()),
            turn: 0,
        }
    }
}

impl Read for Dribs {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        self.turn += 1;
        if self.turn.is_multiple_of(5) {
            return Err(std::io::ErrorKind::Interrupted.into());
        }
        let count = buffer.len().min(1 + self.turn % 997);
        self.bytes.read(&mut buffer[..count])
    }
}
