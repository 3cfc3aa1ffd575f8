//! Invented recordings: two channels of one noise, the right one a sample
//! later, each with a little noise of its own.

use groovelag::capture::Stereo;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;
use std::fs::File;
use std::io::{BufWriter, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Bytes of the header of [`recording`].
const HEADER: u64 = 44;
/// Bytes of a frame of two channels of 24 bits.
pub const FRAME: u64 = 6;
/// Bytes read at a time where nothing else says how many.
const PIECE: usize = 1 << 20;

/// A source of frames without end.
pub struct Noise {
    state: u64,
    common: f64,
}

impl Noise {
    pub fn new() -> Self {
        Self {
            state: 1,
            common: 0.0,
        }
    }

    /// Uniform, -0.5 to 0.5 (the multiplier of Knuth's MMIX).
    fn uniform(&mut self) -> f64 {
        self.state = self
            .state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (self.state >> 40) as f64 / 16_777_216.0 - 0.5
    }

    /// The next frame as 24-bit samples: low-passed noise as music falls off,
    /// with 52 dB to the channels' own.
    pub fn frame(&mut self) -> [i32; 2] {
        let before = self.common;
        self.common = 0.8 * before + 0.25 * self.uniform();
        let own = [self.uniform(), self.uniform()];
        [
            0.6 * self.common + 5e-4 * own[0],
            0.5 * before + 5e-4 * own[1],
        ]
        .map(|v| (v * 8_388_608.0) as i32)
    }

    /// Appends so many frames of 24-bit samples.
    pub fn fill(&mut self, bytes: &mut Vec<u8>, frames: u64) {
        for _ in 0..frames {
            for sample in self.frame() {
                bytes.extend_from_slice(&sample.to_le_bytes()[..3]);
            }
        }
    }
}

/// A WAV header for so many bytes of 24-bit stereo.
fn header(rate: u32, data: u64) -> Vec<u8> {
    let data = u32::try_from(data).expect("less than 4 GiB");
    let mut bytes = b"RIFF".to_vec();
    bytes.extend_from_slice(&(data + 36).to_le_bytes());
    bytes.extend_from_slice(b"WAVEfmt \x10\0\0\0\x01\0\x02\0");
    for value in [rate, rate * FRAME as u32] {
        bytes.extend_from_slice(&value.to_le_bytes());
    }
    bytes.extend_from_slice(b"\x06\0\x18\0data");
    bytes.extend_from_slice(&data.to_le_bytes());
    bytes
}

/// Writes 24-bit stereo.
pub fn recording(path: &Path, rate: u32, seconds: u64) -> PathBuf {
    let mut file = BufWriter::new(File::create(path).expect("a file"));
    let bytes = seconds * u64::from(rate) * FRAME;
    file.write_all(&header(rate, bytes)).expect("space");
    let mut noise = Noise::new();
    let mut second = Vec::new();
    for _ in 0..seconds {
        second.clear();
        noise.fill(&mut second, rate.into());
        file.write_all(&second).expect("space for the recording");
    }
    file.flush().expect("space");
    path.to_owned()
}

/// Lets a recording's header say that it ends earlier; what follows is left.
pub fn cut(path: &Path, rate: u32, seconds: u64) {
    let bytes = seconds * u64::from(rate) * FRAME;
    let mut file = File::options().write(true).open(path).expect("a file");
    file.write_all(&header(rate, bytes)).expect("a header");
}

/// Six GiB of 16-bit stereo at 96 kHz, silent but for a minute at 5 GiB; the
/// silence takes no room on most file systems. Returns where the minute begins.
pub fn beyond_4_gib(path: &Path) -> f64 {
    const RATE: u64 = 96_000;
    let (bytes, at) = (6u64 << 30, 5u64 << 30);
    let mut head = b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0".to_vec();
    for value in [bytes + 72, bytes, bytes / 4] {
        head.extend_from_slice(&value.to_le_bytes());
    }
    head.extend_from_slice(b"\0\0\0\0fmt \x10\0\0\0\x01\0\x02\0");
    for value in [RATE as u32, 4 * RATE as u32] {
        head.extend_from_slice(&value.to_le_bytes());
    }
    head.extend_from_slice(b"\x04\0\x10\0data\xff\xff\xff\xff");
    let start = head.len() as u64;
    let mut file = File::create(path).expect("a file");
    file.write_all(&head).expect("space");
    file.set_len(start + bytes)
        .expect("a file system with holes");
    file.seek(SeekFrom::Start(start + at)).expect("a place");
    let mut noise = Noise::new();
    let minute: Vec<u8> = (0..60 * RATE)
        .flat_map(|_| noise.frame())
        .flat_map(|sample| ((sample >> 8) as i16).to_le_bytes())
        .collect();
    file.write_all(&minute).expect("space");
    (at / 4) as f64 / RATE as f64
}

/// The read-only floor: each byte is read, in pieces, and touched.
pub fn touch(path: &Path) -> u64 {
    let mut piece = vec![0; PIECE];
    let mut file = File::open(path).expect("a recording");
    let mut sum = 0u64;
    loop {
        let got = file.read(&mut piece).expect("bytes");
        if got == 0 {
            return sum;
        }
        let (words, rest) = piece[..got].as_chunks::<8>();
        for word in words {
            sum = sum.wrapping_add(u64::from_le_bytes(*word));
        }
        sum = rest.iter().fold(sum, |s, b| s.wrapping_add(u64::from(*b)));
    }
}

/// The decode-only floor: pieces that stay in the cache, 24 bits to single
/// precision in two planes, by whole words so that it is vectorised.
pub fn decode(path: &Path) -> f32 {
    const FRAMES: usize = 1 << 14;
    const FULL_SCALE: f32 = 1.0 / (1u32 << 31) as f32;
    const TOP: u32 = 0xffff_ff00;
    let mut piece = vec![0; FRAMES * FRAME as usize];
    let (mut left, mut right) = (vec![0f32; FRAMES], vec![0f32; FRAMES]);
    let mut file = File::open(path).expect("a recording");
    file.seek(SeekFrom::Start(HEADER)).expect("samples");
    let mut sum = 0.0;
    loop {
        let mut got = 0;
        while got < piece.len() {
            match file.read(&mut piece[got..]).expect("samples") {
                0 => break,
                more => got += more,
            }
        }
        if got == 0 {
            return sum;
        }
        let planes = left.as_chunks_mut::<4>().0.iter_mut();
        let planes = planes.zip(right.as_chunks_mut::<4>().0);
        for (group, (left, right)) in piece[..got].as_chunks::<24>().0.iter().zip(planes) {
            let words = group.as_chunks::<4>().0;
            let w: [u32; 6] = std::array::from_fn(|k| u32::from_le_bytes(words[k]));
            let samples = [
                w[0] << 8,
                (w[0] >> 16 | w[1] << 16) & TOP,
                (w[1] >> 8 | w[2] << 24) & TOP,
                w[2] & TOP,
                w[3] << 8,
                (w[3] >> 16 | w[4] << 16) & TOP,
                (w[4] >> 8 | w[5] << 24) & TOP,
                w[5] & TOP,
            ];
            for k in 0..4 {
                left[k] = samples[2 * k] as i32 as f32 * FULL_SCALE;
                right[k] = samples[2 * k + 1] as i32 as f32 * FULL_SCALE;
            }
        }
        // so that the planes are wanted
        sum += std::hint::black_box(&left)[got / 24] + std::hint::black_box(&right)[got / 24];
    }
}

/// Packed transforms of half-overlapped frames of 8192, their products and sums, for so many
/// frames out of `samples`, and nothing else: what any program of this kind has to do.
pub fn transforms_alone(samples: &Stereo, frames: usize) -> f64 {
    const LENGTH: usize = 8192;
    const HALF: usize = LENGTH / 2;
    let fft = FftPlanner::<f32>::new().plan_fft_forward(LENGTH);
    let window: Vec<f32> = (0..LENGTH)
        .map(|n| (std::f32::consts::PI * (n as f32 + 0.5) / LENGTH as f32).sin())
        .collect();
    let zeros = |count: usize| vec![Complex::<f32>::default(); count];
    let (mut frame, mut spectrum) = (zeros(LENGTH), zeros(LENGTH));
    let mut scratch = zeros(fft.get_outofplace_scratch_len());
    let mut sums = [(); 4].map(|()| vec![0.0_f32; HALF - 1]);
    let mut totals = [(); 4].map(|()| vec![0.0_f64; HALF - 1]);
    let starts = (0..=samples.left.len() - LENGTH).step_by(HALF).cycle();
    for (count, start) in starts.take(frames).enumerate() {
        let (left, right) = (&samples.left[start..], &samples.right[start..]);
        for (z, ((w, l), r)) in frame.iter_mut().zip(window.iter().zip(left).zip(right)) {
            *z = Complex::new(l * w, r * w);
        }
        fft.process_outofplace_with_scratch(&mut frame, &mut spectrum, &mut scratch);
        let (ahead, mirrored) = (&spectrum[1..HALF], &spectrum[HALF + 1..]);
        let [a_sq, b_sq, re, im] = sums.each_mut().map(|sum| &mut sum[..HALF - 1]);
        for k in 0..HALF - 1 {
            let (a, b) = (ahead[k], mirrored[HALF - 2 - k]);
            a_sq[k] += a.norm_sqr();
            b_sq[k] += b.norm_sqr();
            re[k] += a.re * b.re - a.im * b.im;
            im[k] += a.re * b.im + a.im * b.re;
        }
        if (count + 1).is_multiple_of(32) {
            for (total, sum) in totals.iter_mut().flatten().zip(sums.iter_mut().flatten()) {
                *total += f64::from(std::mem::take(sum));
            }
        }
    }
    totals.iter().flatten().sum()
}
