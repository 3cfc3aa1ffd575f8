//! Samples in packets of a lossless code, decoded by symphonia.
//!
//! Containers and metadata are read by our own layer, so that the library sees
//! nothing but frames: what a hostile header says never reaches it.

use super::chunks::field;
use super::error::CaptureError;
use super::input::ByteSource;
use super::pcm::FULL_SCALE;
use std::io::{self, Read, Seek, SeekFrom};
use symphonia::core::audio::{Audio, GenericAudioBufferRef};
use symphonia::core::codecs::audio::well_known::{CODEC_ID_ALAC, CODEC_ID_FLAC};
use symphonia::core::codecs::audio::{AudioCodecParameters, AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::{FormatOptions, FormatReader};
use symphonia::core::io::{MediaSource, MediaSourceStream};
use symphonia::core::packet::Packet;
use symphonia::core::units::{Duration, Timestamp};
use symphonia::default::codecs::{AlacDecoder, FlacDecoder};
use symphonia::default::formats::FlacReader;

/// Packets one after the other, each with its number of frames.
enum Demux {
    /// Nothing yet: a stream is not read before it is asked for.
    Flac(Box<[u8; 34]>, ByteSource),
    FlacOpen(Box<FlacReader<'static>>),
    Alac(AlacTable, ByteSource),
}

/// The samples of a packet file.
pub(super) struct Packets {
    demux: Demux,
    decoder: Box<dyn AudioDecoder>,
    channels: [usize; 2],
    left: Vec<f32>,
    right: Vec<f32>,
    /// Frames of the planes already handed out.
    taken: usize,
    /// Packets that could not be decoded and are silent.
    pub(super) damaged: u64,
    /// The last of them that came in a row.
    damaged_run: u32,
}

/// After so many damaged packets in a row the recording ends. Common practice,
/// no source: some seconds; it bounds what a hostile table of packets can ask for.
const MAX_DAMAGED_RUN: u32 = 64;

/// The description of an ALAC stream and its table of packets.
pub(super) struct AlacTable {
    /// The 24 bytes that the decoder needs.
    config: [u8; 24],
    /// Sizes of the packets, as numbers of seven bits a byte.
    sizes: Vec<u8>,
    at: usize,
    packets: u64,
    frames: u64,
    /// Frames at the start that the encoder put there.
    priming: u64,
}

impl AlacTable {
    /// Bytes of a table: four hours at 768 kHz have 2.7 million packets of
    /// three bytes each.
    pub(super) const MAX_TABLE_BYTES: usize = 16 << 20;
    /// Frames in a packet; encoders write 4096.
    const MAX_PACKET_FRAMES: u32 = 65536;

    /// `cookie` and `table` are the bodies of "kuki" and "pakt".
    pub(super) fn new(
        name: &str,
        cookie: &[u8],
        table: &[u8],
        packet_frames: u32,
    ) -> Result<Self, CaptureError> {
        let damaged = |what: &str| CaptureError::Damaged {
            name: name.to_owned(),
            what: what.to_owned(),
        };
        let mut config = cookie;
        // Older files wrap the description in atoms: 'frma', then 'alac'.
        for atom in [b"frma", b"alac"] {
            if config.get(4..8) == Some(atom) {
                config = &config[config.len().min(12)..];
            }
        }
        if config.len() < 24 {
            return Err(damaged(
                "its ALAC description ('kuki' chunk) is missing or too short",
            ));
        }
        let config: [u8; 24] = field(config, 0);
        let length = u32::from_be_bytes(field(&config, 0));
        let depth = config[5];
        let possible = [16, 20, 24, 32].contains(&depth)
            && (1..=8).contains(&config[9])
            && (1..=Self::MAX_PACKET_FRAMES).contains(&length)
            && length == packet_frames;
        if !possible {
            return Err(damaged("its ALAC description contradicts itself"));
        }
        if table.len() < 24 {
            return Err(damaged(
                "its table of packets ('pakt' chunk) is missing or too short",
            ));
        }
        Ok(Self {
            config,
            sizes: table[24..].to_vec(),
            at: 0,
            packets: u64::from_be_bytes(field(table, 0)),
            frames: u64::from_be_bytes(field(table, 8)) & (i64::MAX as u64),
            priming: u64::from(u32::from_be_bytes(field(table, 16)) & (i32::MAX as u32)),
        })
    }

    pub(super) fn channels(&self) -> u16 {
        u16::from(self.config[9])
    }

    pub(super) fn bits(&self) -> u16 {
        u16::from(self.config[5])
    }

    pub(super) fn frames(&self) -> u64 {
        self.frames
    }

    fn packet_frames(&self) -> u32 {
        u32::from_be_bytes(field(&self.config, 0))
    }

    /// The size of the next packet; none at the end of the table.
    fn next_size(&mut self) -> Option<u64> {
        self.packets = self.packets.checked_sub(1)?;
        let mut size = 0u64;
        loop {
            let byte = *self.sizes.get(self.at)?;
            self.at += 1;
            size = size.checked_mul(128)? + u64::from(byte & 0x7f);
            if byte & 0x80 == 0 {
                return Some(size);
            }
        }
    }

    fn next_packet(&mut self, input: &ByteSource) -> Result<Option<Packet>, Error> {
        // Nothing needs more than the samples themselves and some bytes.
        let limit = u64::from(self.packet_frames()) * u64::from(self.channels()) * 4 + 1024;
        let Some(size) = self.next_size().filter(|size| *size <= limit) else {
            return Ok(None);
        };
        let mut data = vec![0; size as usize];
        if input.read_full(&mut data)? < data.len() {
            return Ok(None);
        }
        let frames = Duration::from(u64::from(self.packet_frames()));
        Ok(Some(Packet::new(0, Timestamp::new(0), frames, data)))
    }
}

impl Packets {
    /// FLAC frames that begin where `input` stands; `info` is the stream
    /// information block.
    pub(super) fn flac(
        input: ByteSource,
        info: [u8; 34],
        channels: [usize; 2],
    ) -> Result<Self, Error> {
        let mut parameters = AudioCodecParameters::new();
        parameters
            .for_codec(CODEC_ID_FLAC)
            .with_extra_data(Box::new(info));
        let decoder =
            FlacDecoder::try_new(&parameters, &AudioDecoderOptions::default().verify(true))?;
        Ok(Self::new(
            Demux::Flac(Box::new(info), input),
            Box::new(decoder),
            channels,
        ))
    }

    /// ALAC packets that begin where `input` stands.
    pub(super) fn alac(
        input: ByteSource,
        table: AlacTable,
        channels: [usize; 2],
    ) -> Result<Self, Error> {
        let mut parameters = AudioCodecParameters::new();
        parameters
            .for_codec(CODEC_ID_ALAC)
            .with_extra_data(Box::new(table.config));
        let decoder = AlacDecoder::try_new(&parameters, &AudioDecoderOptions::default())?;
        let priming = table.priming;
        let mut packets = Self::new(Demux::Alac(table, input), Box::new(decoder), channels);
        packets.skip(priming)?;
        Ok(packets)
    }

    fn new(demux: Demux, decoder: Box<dyn AudioDecoder>, channels: [usize; 2]) -> Self {
        Self {
            demux,
            decoder,
            channels,
            left: Vec::new(),
            right: Vec::new(),
            taken: 0,
            damaged: 0,
            damaged_run: 0,
        }
    }

    /// By how much the header may tell more frames than there are: some writers
    /// of ALAC count whole packets.
    pub(super) fn slack(&self) -> u64 {
        match &self.demux {
            Demux::Alac(table, _) => u64::from(table.packet_frames()),
            Demux::Flac(..) | Demux::FlacOpen(_) => 1,
        }
    }

    /// Whether all samples decoded are those that were encoded, by the MD5 in the header
    /// (RFC 9639, 8.2); true where there is none.
    pub(super) fn verified(&mut self) -> bool {
        self.decoder.finalize().verify_ok.unwrap_or(true)
    }

    /// Fills both planes, of equal length, as far as the packets go.
    pub(super) fn read(&mut self, left: &mut [f32], right: &mut [f32]) -> io::Result<usize> {
        let mut done = 0;
        while done < left.len() && self.fill()? {
            let count = (self.left.len() - self.taken).min(left.len() - done);
            let from = self.taken..self.taken + count;
            left[done..done + count].copy_from_slice(&self.left[from.clone()]);
            right[done..done + count].copy_from_slice(&self.right[from]);
            self.taken += count;
            done += count;
        }
        Ok(done)
    }

    /// Passes over frames by decoding them; fewer only at the end.
    pub(super) fn skip(&mut self, frames: u64) -> io::Result<u64> {
        let mut done = 0;
        while done < frames && self.fill()? {
            let count = ((self.left.len() - self.taken) as u64).min(frames - done);
            self.taken += count as usize;
            done += count;
        }
        Ok(done)
    }

    /// Decodes the next packet once the last is used up; false at the end.
    fn fill(&mut self) -> io::Result<bool> {
        while self.taken == self.left.len() {
            if self.damaged_run >= MAX_DAMAGED_RUN {
                return Ok(false);
            }
            let packet = match self.next_packet() {
                Ok(Some(packet)) => packet,
                // A stream that breaks off ends there; the number of frames
                // tells whether any are missing.
                Ok(None) | Err(Error::DecodeError(_)) => return Ok(false),
                Err(Error::IoError(e)) if e.kind() == io::ErrorKind::UnexpectedEof => {
                    return Ok(false);
                }
                Err(Error::IoError(e)) => return Err(e),
                Err(_) => return Ok(false),
            };
            self.left.clear();
            self.right.clear();
            self.taken = 0;
            let planes = match self.decoder.decode(&packet) {
                Ok(GenericAudioBufferRef::S32(buffer)) => buffer
                    .plane(self.channels[0])
                    .zip(buffer.plane(self.channels[1])),
                _ => None,
            };
            let scaled = |plane: &[i32], to: &mut Vec<f32>| {
                to.extend(plane.iter().map(|v| *v as f32 * FULL_SCALE));
            };
            match planes {
                Some((left, right)) => {
                    self.damaged_run = 0;
                    scaled(left, &mut self.left);
                    scaled(right, &mut self.right);
                }
                None => {
                    // Silence keeps the time; no lossless packet is longer.
                    let frames = packet
                        .dur
                        .get()
                        .min(u64::from(AlacTable::MAX_PACKET_FRAMES));
                    self.damaged += 1;
                    self.damaged_run += 1;
                    self.left.resize(frames as usize, 0.0);
                    self.right.resize(frames as usize, 0.0);
                }
            }
        }
        Ok(true)
    }

    fn next_packet(&mut self) -> Result<Option<Packet>, Error> {
        if let Demux::Flac(info, input) = &self.demux {
            let source = FlacSource::new(info, input.clone());
            let stream = MediaSourceStream::new(Box::new(source), Default::default());
            let reader = FlacReader::try_new(stream, FormatOptions::default())?;
            self.demux = Demux::FlacOpen(Box::new(reader));
        }
        match &mut self.demux {
            Demux::FlacOpen(reader) => reader.next_packet(),
            Demux::Alac(table, input) => table.next_packet(input),
            Demux::Flac(..) => Ok(None),
        }
    }
}

/// A FLAC stream with nothing but its stream information before the frames.
struct FlacSource {
    header: [u8; 42],
    position: usize,
    input: ByteSource,
}

impl FlacSource {
    fn new(info: &[u8; 34], input: ByteSource) -> Self {
        let mut header = [0; 42];
        header[..4].copy_from_slice(b"fLaC");
        // The last metadata block, of type 0 and 34 bytes.
        header[4..8].copy_from_slice(&[0x80, 0, 0, 34]);
        header[8..].copy_from_slice(info);
        Self {
            header,
            position: 0,
            input,
        }
    }
}

impl Read for FlacSource {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let rest = &self.header[self.position..];
        if rest.is_empty() {
            return self.input.read_some(buffer);
        }
        let count = rest.len().min(buffer.len());
        buffer[..count].copy_from_slice(&rest[..count]);
        self.position += count;
        Ok(count)
    }
}

impl Seek for FlacSource {
    fn seek(&mut self, _: SeekFrom) -> io::Result<u64> {
        Err(io::ErrorKind::Unsupported.into())
    }
}

impl MediaSource for FlacSource {
    fn is_seekable(&self) -> bool {
        false
    }

    fn byte_len(&self) -> Option<u64> {
        None
    }
}
