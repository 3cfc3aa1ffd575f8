//! The bytes of a recording: a regular file, which can seek, or a stream.

use sha2::{Digest, Sha256};
use std::io::{self, Read, Seek, SeekFrom};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Bytes kept from the start, so that the kind of file can be told before a
/// reader begins: more than any signature and the first page of an Ogg stream.
pub(super) const HEAD_BYTES: usize = 512;
/// Bytes per read when nothing but the hash or the position wants them.
const SKIP_BYTES: usize = 64 * 1024;

/// What a byte source must do to be seekable.
pub trait ReadSeek: Read + Seek {}
impl<T: Read + Seek> ReadSeek for T {}

enum Bytes {
    Seekable(Box<dyn ReadSeek + Send + Sync>),
    Stream(Box<dyn Read + Send + Sync>),
}

struct State {
    bytes: Bytes,
    /// Length of a seekable source.
    length: Option<u64>,
    /// The first bytes, already taken from the source.
    head: Vec<u8>,
    /// Where the next read begins.
    position: u64,
    /// Where the source itself stands.
    source_position: u64,
    /// The hash and the number of bytes in it. A byte enters when it is next in
    /// line, so that seeking does no harm; `finish_hash` reads what is missing.
    hash: Option<(Sha256, u64)>,
}

/// A handle on the bytes; clones share one position.
#[derive(Clone)]
pub(super) struct ByteSource(Arc<Mutex<State>>);

impl ByteSource {
    pub(super) fn seekable(
        mut source: Box<dyn ReadSeek + Send + Sync>,
        hash: bool,
    ) -> io::Result<Self> {
        let length = source.seek(SeekFrom::End(0))?;
        source.seek(SeekFrom::Start(0))?;
        Self::with_head(Bytes::Seekable(source), Some(length), hash)
    }

    pub(super) fn stream(source: Box<dyn Read + Send + Sync>, hash: bool) -> io::Result<Self> {
        Self::with_head(Bytes::Stream(source), None, hash)
    }

    fn with_head(bytes: Bytes, length: Option<u64>, hash: bool) -> io::Result<Self> {
        let mut state = State {
            bytes,
            length,
            head: Vec::new(),
            position: 0,
            source_position: 0,
            hash: None,
        };
        let mut head = vec![0; HEAD_BYTES];
        let got = state.read_full(&mut head)?;
        head.truncate(got);
        state.head = head;
        state.position = 0;
        state.hash = hash.then(|| (Sha256::new(), 0));
        Ok(Self(Arc::new(Mutex::new(state))))
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // A panic elsewhere cannot leave the state half changed in a way that matters.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The first bytes (at most [`HEAD_BYTES`]), wherever the position is.
    pub(super) fn head(&self) -> Vec<u8> {
        self.state().head.clone()
    }

    /// Length in bytes, of a seekable source.
    pub(super) fn length(&self) -> Option<u64> {
        self.state().length
    }

    pub(super) fn position(&self) -> u64 {
        self.state().position
    }

    /// Fills `buffer` as far as the source goes; fewer bytes mean its end.
    pub(super) fn read_full(&self, buffer: &mut [u8]) -> io::Result<usize> {
        self.state().read_full(buffer)
    }

    /// One read; fewer bytes than asked for mean nothing, none mean the end.
    pub(super) fn read_some(&self, buffer: &mut [u8]) -> io::Result<usize> {
        self.state().read_some(buffer)
    }

    /// Moves on by `bytes`, by seeking where that is possible; returns how far
    /// it went, which is less only at the end.
    pub(super) fn skip(&self, bytes: u64) -> io::Result<u64> {
        let mut state = self.state();
        if let Some(length) = state.length {
            let step = bytes.min(length.saturating_sub(state.position));
            state.position += step;
            return Ok(step);
        }
        let mut buffer = vec![0; SKIP_BYTES];
        let mut done = 0;
        while done < bytes {
            let want = (bytes - done).min(SKIP_BYTES as u64) as usize;
            let got = state.read_full(&mut buffer[..want])?;
            done += got as u64;
            if got < want {
                break;
            }
        }
        Ok(done)
    }

    /// Goes to a position of a seekable source.
    pub(super) fn seek_to(&self, position: u64) {
        self.state().position = position;
    }

    /// Reads what the hash has not seen yet and ends it.
    pub(super) fn finish_hash(&self) -> io::Result<Option<[u8; 32]>> {
        let mut state = self.state();
        let Some((_, hashed)) = state.hash else {
            return Ok(None);
        };
        if state.length.is_some() {
            state.position = hashed;
        }
        let mut buffer = vec![0; SKIP_BYTES];
        while state.read_full(&mut buffer)? > 0 {}
        Ok(state.hash.take().map(|(hash, _)| hash.finalize().into()))
    }
}

impl State {
    fn read_some(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let got = if self.position < self.head.len() as u64 {
            let head = &self.head[self.position as usize..];
            let count = head.len().min(buffer.len());
            buffer[..count].copy_from_slice(&head[..count]);
            count
        } else {
            self.read_source(buffer)?
        };
        if let Some((hash, hashed)) = &mut self.hash
            && (self.position..self.position + got as u64).contains(hashed)
        {
            let new = &buffer[(*hashed - self.position) as usize..got];
            hash.update(new);
            *hashed += new.len() as u64;
        }
        self.position += got as u64;
        Ok(got)
    }

    fn read_source(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        loop {
            let result = match &mut self.bytes {
                Bytes::Seekable(source) => {
                    if self.source_position != self.position {
                        self.source_position = source.seek(SeekFrom::Start(self.position))?;
                    }
                    source.read(buffer)
                }
                Bytes::Stream(source) => source.read(buffer),
            };
            match result {
                Ok(got) => {
                    self.source_position += got as u64;
                    return Ok(got);
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
    }

    fn read_full(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut filled = 0;
        while filled < buffer.len() {
            match self.read_some(&mut buffer[filled..])? {
                0 => break,
                got => filled += got,
            }
        }
        Ok(filled)
    }
}
