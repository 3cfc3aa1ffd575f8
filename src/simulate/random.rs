//! Seeded randomness: every purpose, and every part of a long task, has a
//! stream of its own, so that neither threads nor other purposes change it.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// What random numbers are drawn for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u64)]
pub enum Purpose {
    /// The programme.
    Programme = 1,
    /// Noise of the left wall.
    LeftWall = 2,
    /// Noise of the right wall.
    RightWall = 3,
    /// Rumble.
    Rumble = 4,
    /// Clicks.
    Clicks = 5,
    /// Needle drop.
    Drop = 6,
    /// Converter noise.
    Converter = 7,
    /// Dropouts.
    Dropouts = 8,
    /// Dither.
    Dither = 9,
    /// Sampled variations.
    Variations = 10,
}

/// The generator of one part of one purpose.
pub fn stream(seed: u64, purpose: Purpose, part: usize) -> ChaCha8Rng {
    let mut generator = ChaCha8Rng::seed_from_u64(seed);
    generator.set_stream((purpose as u64) << 48 | part as u64);
    generator
}
