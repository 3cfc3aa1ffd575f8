//! Bulk unpacking of interleaved samples into two planes; full scale is 1.
//!
//! The loops carry no branch and no call per sample, so that the compiler
//! vectorises them.

/// How one sample is stored, in either byte order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Encoding {
    /// 8 bits, offset binary: 128 is zero.
    Unsigned8,
    /// 8 bits, two's complement.
    Signed8,
    /// 16 bits, two's complement.
    Signed16,
    /// 24 bits in three bytes, two's complement.
    Signed24,
    /// 32 bits, two's complement; also fewer valid bits, justified to the left.
    Signed32,
    /// IEEE 754 single precision.
    Float32,
    /// IEEE 754 double precision.
    Float64,
}

impl Encoding {
    /// Bytes that one sample takes.
    pub fn bytes(self) -> usize {
        match self {
            Self::Unsigned8 | Self::Signed8 => 1,
            Self::Signed16 => 2,
            Self::Signed24 => 3,
            Self::Signed32 | Self::Float32 => 4,
            Self::Float64 => 8,
        }
    }

    /// Bits of a whole number; none for floating point.
    pub fn integer_bits(self) -> Option<u16> {
        match self {
            Self::Float32 | Self::Float64 => None,
            integer => Some(8 * integer.bytes() as u16),
        }
    }
}

impl Encoding {
    /// The value of one little-endian sample, in any scale; 0 for what is no number.
    pub(super) fn value(self, bytes: &[u8]) -> f64 {
        let mut wide = [0; 8];
        let width = self.bytes();
        wide[8 - width..].copy_from_slice(&bytes[..width]);
        let value = match self {
            Self::Unsigned8 => f64::from(bytes[0]),
            Self::Float32 => f64::from(f32::from_bits((u64::from_le_bytes(wide) >> 32) as u32)),
            Self::Float64 => f64::from_bits(u64::from_le_bytes(wide)),
            // two's complement, justified to the left
            _ => i64::from_le_bytes(wide) as f64,
        };
        if value.is_nan() { 0.0 } else { value }
    }
}

/// Where the two wanted samples lie in a frame, in bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Picks {
    pub(super) frame: usize,
    pub(super) left: usize,
    pub(super) right: usize,
}

/// 2^-31: a left-justified 32-bit integer to full scale 1. A power of two, so
/// that nothing is rounded but the conversion of more than 24 bits to `f32`.
pub(super) const FULL_SCALE: f32 = 1.0 / (1u32 << 31) as f32;

/// Turns big-endian samples of `width` bytes into little-endian ones.
pub(super) fn swap_bytes(bytes: &mut [u8], width: usize) {
    fn swap<const W: usize>(bytes: &mut [u8]) {
        for sample in bytes.as_chunks_mut::<W>().0 {
            sample.reverse();
        }
    }
    match width {
        2 => swap::<2>(bytes),
        3 => swap::<3>(bytes),
        4 => swap::<4>(bytes),
        8 => swap::<8>(bytes),
        _ => {}
    }
}

/// Unpacks as many whole little-endian frames as the shortest of the three slices holds.
/// Returns the number of samples that were no finite number; they become 0.
pub(super) fn unpack(
    encoding: Encoding,
    bytes: &[u8],
    picks: Picks,
    left: &mut [f32],
    right: &mut [f32],
) -> u64 {
    let integer = |v: i32| v as f32 * FULL_SCALE;
    match encoding {
        Encoding::Unsigned8 => pick(bytes, picks, left, right, |[a]: [u8; 1]| {
            integer(i32::from_le_bytes([0, 0, 0, a ^ 0x80]))
        }),
        Encoding::Signed8 => pick(bytes, picks, left, right, |[a]: [u8; 1]| {
            integer(i32::from_le_bytes([0, 0, 0, a]))
        }),
        Encoding::Signed16 => pick(bytes, picks, left, right, |[a, b]: [u8; 2]| {
            integer(i32::from_le_bytes([0, 0, a, b]))
        }),
        Encoding::Signed24 => {
            let value = |[a, b, c]: [u8; 3]| integer(i32::from_le_bytes([0, a, b, c]));
            if picks == Picks::stereo(3) {
                let done = stereo_24(bytes, left, right);
                pick(
                    &bytes[6 * done..],
                    picks,
                    &mut left[done..],
                    &mut right[done..],
                    value,
                );
            } else {
                pick(bytes, picks, left, right, value);
            }
        }
        Encoding::Signed32 => pick(bytes, picks, left, right, |sample: [u8; 4]| {
            integer(i32::from_le_bytes(sample))
        }),
        Encoding::Float32 => pick(bytes, picks, left, right, f32::from_le_bytes),
        Encoding::Float64 => pick(bytes, picks, left, right, |sample: [u8; 8]| {
            f64::from_le_bytes(sample) as f32
        }),
    }
    match encoding {
        Encoding::Float32 | Encoding::Float64 => {
            silence_non_finite(left) + silence_non_finite(right)
        }
        _ => 0,
    }
}

impl Picks {
    /// Two adjacent channels of `bytes` each and no others.
    pub(super) fn stereo(bytes: usize) -> Self {
        Self {
            frame: 2 * bytes,
            left: 0,
            right: bytes,
        }
    }
}

#[inline(always)]
fn pick<const W: usize>(
    bytes: &[u8],
    picks: Picks,
    left: &mut [f32],
    right: &mut [f32],
    value: impl Fn([u8; W]) -> f32,
) {
    let planes = left.iter_mut().zip(right);
    if picks == Picks::stereo(W) {
        let (samples, _) = bytes.as_chunks::<W>();
        let (frames, _) = samples.as_chunks::<2>();
        for (frame, (left, right)) in frames.iter().zip(planes) {
            *left = value(frame[0]);
            *right = value(frame[1]);
        }
    } else {
        for (frame, (left, right)) in bytes.chunks_exact(picks.frame).zip(planes) {
            let sample = |at: usize| frame[at..].first_chunk().copied().unwrap_or([0; W]);
            *left = value(sample(picks.left));
            *right = value(sample(picks.right));
        }
    }
}

/// Four frames of 24-bit stereo are six 32-bit words: whole words shift and
/// mask where single bytes would not vectorise (measured 2.6 times as fast).
/// Returns the number of frames done.
fn stereo_24(bytes: &[u8], left: &mut [f32], right: &mut [f32]) -> usize {
    const TOP: u32 = 0xffff_ff00;
    let (groups, _) = bytes.as_chunks::<24>();
    let (left, _) = left.as_chunks_mut::<4>();
    let (right, _) = right.as_chunks_mut::<4>();
    let done = 4 * groups.len().min(left.len()).min(right.len());
    for ((group, left), right) in groups.iter().zip(left).zip(right) {
        let (words, _) = group.as_chunks::<4>();
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
    done
}

/// Replaces what is no finite number by 0 and counts it.
pub(super) fn silence_non_finite(plane: &mut [f32]) -> u64 {
    let mut count = 0u64;
    for chunk in plane.chunks_mut(256) {
        let mut bad = 0u32;
        for sample in chunk {
            let finite = sample.is_finite();
            bad += u32::from(!finite);
            *sample = if finite { *sample } else { 0.0 };
        }
        count += u64::from(bad);
    }
    count
}

/// Whether any sample (of any channel) uses bits below the `valid` ones of its
/// container, which a left-justified sample leaves at zero.
pub(super) fn uses_low_bits(bytes: &[u8], container: usize, valid: u16) -> bool {
    let unused = (8 * container).saturating_sub(usize::from(valid));
    if unused == 0 || unused >= 32 {
        return false;
    }
    fn used<const W: usize>(bytes: &[u8]) -> u32 {
        let samples = bytes.as_chunks::<W>().0;
        samples.iter().fold(0, |seen, sample| {
            let word: [u8; 4] = std::array::from_fn(|k| if k < W { sample[k] } else { 0 });
            seen | u32::from_le_bytes(word)
        })
    }
    let seen = match container {
        1 => used::<1>(bytes),
        2 => used::<2>(bytes),
        3 => used::<3>(bytes),
        _ => used::<4>(bytes),
    };
    seen & ((1 << unused) - 1) != 0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The definition, one sample at a time.
    fn slow(encoding: Encoding, sample: &[u8]) -> f64 {
        let signed = |bytes: &[u8]| {
            let magnitude: i64 = bytes
                .iter()
                .enumerate()
                .map(|(k, b)| i64::from(*b) << (8 * k))
                .sum();
            let full = 1i64 << (8 * bytes.len() - 1);
            let value = if magnitude >= full {
                magnitude - 2 * full
            } else {
                magnitude
            };
            value as f64 / full as f64
        };
        match encoding {
            Encoding::Unsigned8 => (f64::from(sample[0]) - 128.0) / 128.0,
            Encoding::Float32 => f64::from(f32::from_le_bytes(sample.try_into().unwrap())),
            Encoding::Float64 => f64::from_le_bytes(sample.try_into().unwrap()),
            _ => signed(sample),
        }
    }

    const ALL: [Encoding; 7] = [
        Encoding::Unsigned8,
        Encoding::Signed8,
        Encoding::Signed16,
        Encoding::Signed24,
        Encoding::Signed32,
        Encoding::Float32,
        Encoding::Float64,
    ];

    /// Bytes from a multiplicative sequence (Knuth's MMIX constants), finite as floats.
    fn bytes(count: usize, encoding: Encoding) -> Vec<u8> {
        let mut state = 7u64;
        let mut all: Vec<u8> = (0..count)
            .map(|_| {
                state = state
                    .wrapping_mul(6364136223846793005)
                    .wrapping_add(1442695040888963407);
                (state >> 56) as u8
            })
            .collect();
        let width = encoding.bytes();
        if encoding.integer_bits().is_none() {
            // An exponent well inside single precision.
            for sample in all.chunks_exact_mut(width) {
                sample[width - 1] = 0x3f;
                if width == 8 {
                    sample[width - 2] |= 0x80;
                }
            }
        }
        all
    }

    #[test]
    fn every_encoding_and_pick_matches_the_definition() {
        // A prime number of frames leaves every remainder of the wide loops.
        const FRAMES: usize = 1009;
        for encoding in ALL {
            let width = encoding.bytes();
            for (channels, left, right) in [(2, 0, 1), (2, 1, 0), (3, 2, 0), (5, 3, 4)] {
                let data = bytes(FRAMES * width * channels, encoding);
                let picks = Picks {
                    frame: width * channels,
                    left: width * left,
                    right: width * right,
                };
                let (mut l, mut r) = (vec![9.0; FRAMES], vec![9.0; FRAMES]);
                assert_eq!(unpack(encoding, &data, picks, &mut l, &mut r), 0);
                for (k, frame) in data.chunks_exact(width * channels).enumerate() {
                    for (plane, channel) in [(&l, left), (&r, right)] {
                        let sample = &frame[width * channel..width * (channel + 1)];
                        // Rounding to single precision once is all that may differ.
                        assert_eq!(plane[k], slow(encoding, sample) as f32, "{encoding:?} {k}");
                    }
                }
            }
        }
    }

    #[test]
    fn swapping_reverses_each_sample() {
        for width in [1, 2, 3, 4, 8] {
            let mut bytes: Vec<u8> = (0..24).collect();
            swap_bytes(&mut bytes, width);
            for (k, sample) in bytes.chunks(width).enumerate() {
                let expected: Vec<u8> = (0..width).rev().map(|b| (k * width + b) as u8).collect();
                assert_eq!(sample, expected);
            }
        }
    }

    #[test]
    fn what_is_not_finite_is_counted_and_silenced() {
        let samples = [
            f64::NAN,
            0.5,
            f64::INFINITY,
            -0.25,
            1e300,
            -1.0,
            0.0,
            f64::NEG_INFINITY,
        ];
        let data: Vec<u8> = samples.iter().flat_map(|s| s.to_le_bytes()).collect();
        let (mut l, mut r) = (vec![9.0; 4], vec![9.0; 4]);
        // 1e300 is finite, but not in single precision.
        assert_eq!(
            unpack(Encoding::Float64, &data, Picks::stereo(8), &mut l, &mut r),
            4
        );
        assert_eq!((l, r), (vec![0.0; 4], vec![0.5, -0.25, -1.0, 0.0]));
    }

    #[test]
    fn low_bits_in_use_are_seen() {
        // 24 valid bits in four bytes: the lowest byte stays zero.
        assert!(!uses_low_bits(&[0, 1, 2, 3, 0, 4, 5, 6], 4, 24));
        assert!(uses_low_bits(&[0, 1, 2, 3, 1, 4, 5, 6], 4, 24));
        // 20 in three: the lowest four bits.
        assert!(!uses_low_bits(&[0xf0, 255, 255], 3, 20));
        assert!(uses_low_bits(&[0x08, 0, 0], 3, 20));
        assert!(!uses_low_bits(&[255; 8], 4, 32));
    }
}
