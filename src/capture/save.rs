//! A WAV file that is whole at every moment while it is being written.

use super::Stereo;
use std::io::{self, Seek, SeekFrom, Write};

/// Bytes before the samples: RIFF, a place for "ds64", "fmt " and "data".
const HEADER_BYTES: u64 = 12 + 36 + 24 + 8;

/// What stands in the place kept for "ds64" while that is not needed, so that a file can be
/// told from one that another program wrote.
pub const STREAM_MARK: &[u8; 28] = b"stream kept by groovelag    ";

/// Writes a stream of stereo blocks as it comes.
///
/// After each block the header is true to what has been written, so that an
/// interruption costs at most the block in hand. Beyond 4 GiB the file becomes
/// RF64 in place (EBU Tech 3306: a "JUNK" chunk is kept for "ds64").
pub struct StreamWriter<W: Write + Seek> {
    out: W,
    sample_rate_hz: u32,
    coding: StoredCoding,
    data_bytes: u64,
    bytes: Vec<u8>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum StoredCoding {
    Signed16,
    Signed24,
    Float32,
}

impl<W: Write + Seek> StreamWriter<W> {
    /// Begins a file in an empty `out`. `bits` are those of the samples to come
    /// ([`super::Recording::bits`]): up to 24 they are kept as integers, else as
    /// 32-bit float; either way the file reads back exactly as the blocks were.
    ///
    /// # Errors
    ///
    /// When writing fails.
    pub fn new(out: W, sample_rate_hz: u32, bits: Option<u16>) -> io::Result<Self> {
        let mut writer = Self {
            out,
            sample_rate_hz,
            coding: match bits {
                Some(..=16) => StoredCoding::Signed16,
                Some(..=24) => StoredCoding::Signed24,
                _ => StoredCoding::Float32,
            },
            data_bytes: 0,
            bytes: Vec::new(),
        };
        writer.write_header()?;
        Ok(writer)
    }

    /// Appends a block.
    ///
    /// # Errors
    ///
    /// When writing fails.
    pub fn write(&mut self, block: &Stereo) -> io::Result<()> {
        self.bytes.clear();
        for (left, right) in block.left.iter().zip(&block.right) {
            for sample in [left, right] {
                match self.coding {
                    // Saturating; exact for what was read from as many bits.
                    StoredCoding::Signed16 => {
                        let value = (sample * 32_768.0) as i16;
                        self.bytes.extend_from_slice(&value.to_le_bytes());
                    }
                    StoredCoding::Signed24 => {
                        let value = (sample * 8_388_608.0) as i32;
                        let value = value.clamp(-8_388_608, 8_388_607);
                        self.bytes.extend_from_slice(&value.to_le_bytes()[..3]);
                    }
                    StoredCoding::Float32 => self.bytes.extend_from_slice(&sample.to_le_bytes()),
                }
            }
        }
        let end = HEADER_BYTES + self.data_bytes;
        self.out.seek(SeekFrom::Start(end))?;
        self.out.write_all(&self.bytes)?;
        self.data_bytes += self.bytes.len() as u64;
        self.write_header()
    }

    /// Ends the file and gives back what it was written to.
    ///
    /// # Errors
    ///
    /// When writing fails.
    pub fn finish(mut self) -> io::Result<W> {
        self.out.flush()?;
        Ok(self.out)
    }

    fn write_header(&mut self) -> io::Result<()> {
        let width: u16 = match self.coding {
            StoredCoding::Signed16 => 2,
            StoredCoding::Signed24 => 3,
            StoredCoding::Float32 => 4,
        };
        let tag: u16 = if self.coding == StoredCoding::Float32 {
            3
        } else {
            1
        };
        let riff_bytes = HEADER_BYTES - 8 + self.data_bytes;
        let small = u32::try_from(riff_bytes).is_ok();
        // In RF64 the 32-bit sizes say "see ds64".
        let size = |bytes: u64| {
            u32::try_from(bytes)
                .ok()
                .filter(|_| small)
                .unwrap_or(u32::MAX)
        };
        let mut header = Vec::with_capacity(HEADER_BYTES as usize);
        header.extend_from_slice(if small { b"RIFF" } else { b"RF64" });
        header.extend_from_slice(&size(riff_bytes).to_le_bytes());
        header.extend_from_slice(b"WAVE");
        header.extend_from_slice(if small { b"JUNK" } else { b"ds64" });
        header.extend_from_slice(&28u32.to_le_bytes());
        let frames = self.data_bytes / (2 * u64::from(width));
        if small {
            header.extend_from_slice(STREAM_MARK);
        } else {
            for value in [riff_bytes, self.data_bytes, frames] {
                header.extend_from_slice(&value.to_le_bytes());
            }
            header.extend_from_slice(&0u32.to_le_bytes());
        }
        header.extend_from_slice(b"fmt ");
        header.extend_from_slice(&16u32.to_le_bytes());
        header.extend_from_slice(&tag.to_le_bytes());
        header.extend_from_slice(&2u16.to_le_bytes());
        header.extend_from_slice(&self.sample_rate_hz.to_le_bytes());
        let per_second = self.sample_rate_hz.wrapping_mul(2 * u32::from(width));
        header.extend_from_slice(&per_second.to_le_bytes());
        header.extend_from_slice(&(2 * width).to_le_bytes());
        header.extend_from_slice(&(8 * width).to_le_bytes());
        header.extend_from_slice(b"data");
        header.extend_from_slice(&size(self.data_bytes).to_le_bytes());
        debug_assert_eq!(header.len() as u64, HEADER_BYTES);
        self.out.seek(SeekFrom::Start(0))?;
        self.out.write_all(&header)?;
        self.out.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::super::{ReadOptions, open_reader};
    use super::*;
    use std::io::Cursor;

    /// Every value that 16 bits have, and their neighbours in more bits.
    fn block(scale: f32) -> Stereo {
        let left: Vec<f32> = (-32768..32768).map(|v| v as f32 / 32768.0).collect();
        let right = left
            .iter()
            .map(|v| (v * 0.5 + scale).clamp(-1.0, 0.999))
            .collect();
        Stereo { left, right }
    }

    fn read_back(bytes: Vec<u8>) -> (Stereo, &'static str) {
        let mut recording =
            open_reader(Cursor::new(bytes), "saved", &ReadOptions::default()).unwrap();
        let mut all = Stereo::default();
        recording.read(&mut all, 1 << 20).unwrap();
        assert_eq!(recording.read(&mut Stereo::default(), 1).unwrap(), 0);
        assert!(recording.caveats().is_empty(), "{:?}", recording.caveats());
        (all, recording.container)
    }

    #[test]
    fn a_file_is_whole_after_every_block_and_reads_back_exactly() {
        // A step of the last bit of each width.
        for (bits, scale) in [
            (Some(16), 0.0),
            (Some(24), 1.0 / 8_388_608.0),
            (Some(32), 1.0 / 67_108_864.0),
            (None, 1.0 / 67_108_864.0),
        ] {
            let mut block = block(scale);
            if bits == Some(16) {
                block.right = block.left.iter().rev().copied().collect();
            }
            if bits == Some(24) {
                let full = 8_388_608.0;
                block
                    .right
                    .iter_mut()
                    .for_each(|v| *v = (*v * full).round() / full);
            }
            let mut writer = StreamWriter::new(Cursor::new(Vec::new()), 96_000, bits).unwrap();
            for blocks in 1..3 {
                writer.write(&block).unwrap();
                // As if the program ended here.
                let (all, container) = read_back(writer.out.get_ref().clone());
                assert_eq!(container, "WAV");
                assert_eq!(all.left.len(), blocks * 65536);
                assert_eq!(all.left[(blocks - 1) * 65536..], block.left);
                assert_eq!(all.right[(blocks - 1) * 65536..], block.right);
            }
            let bytes = writer.finish().unwrap().into_inner();
            // hound as the independent reader.
            let mut witness = hound::WavReader::new(Cursor::new(bytes)).unwrap();
            assert_eq!(witness.spec().sample_rate, 96_000);
            assert_eq!(witness.duration(), 2 * 65536);
            if bits == Some(16) {
                assert_eq!(witness.samples::<i16>().nth(2).unwrap().unwrap(), -32767);
            }
        }
    }

    #[test]
    fn beyond_4_gib_the_file_is_rf64() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("long.wav");
        let file = std::fs::File::create(&path).unwrap();
        let mut writer = StreamWriter::new(file, 192_000, Some(24)).unwrap();
        // As after hours of recording; the file is sparse.
        writer.data_bytes = (1 << 32) / 6 * 6 - 600;
        let first = writer.data_bytes / 6;
        let block = Stereo {
            left: vec![0.25; 1000],
            right: vec![-0.5; 1000],
        };
        writer.write(&block).unwrap();
        writer.finish().unwrap();
        let source = super::super::Source::Path(path);
        let mut recording = super::super::open(&source, &ReadOptions::default()).unwrap();
        assert_eq!(recording.container, "RF64");
        assert_eq!(recording.frames(), Some(first + 1000));
        assert_eq!(recording.skip(first).unwrap(), first);
        let mut read = Stereo::default();
        assert_eq!(recording.read(&mut read, 2000).unwrap(), 1000);
        assert_eq!(read, block);
        assert!(recording.caveats().is_empty());
    }
}
