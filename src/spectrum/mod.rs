//! Blocks of samples into 2 x 2 cross-spectral matrices.
//!
//! [`Engine`] takes samples in blocks of any size, in one pass and bounded
//! memory, and can be asked for a [`CrossSpectrum`] at any time. The frames are
//! weighted by a power-complementary window at 50 % overlap, so that every
//! sample counts alike and no data are wasted (see [`window`]). The sums are
//! kept in time-ordered groups, which serve the jackknife and the map from
//! time to radius. [`RecentSpectrum`] is the part of the latest few seconds;
//! [`mod@reference`] is the slow oracle of the fast path.

mod coder;
mod distortion;
mod engine;
mod frame;
mod groups;
mod limits;
mod once_around;
mod quality;
mod recent;
pub mod reference;
mod tone;
mod tracing;
pub mod window;

pub use coder::CoderProbe;
pub use engine::{Engine, EngineSettings, SettingsError};
pub use frame::correlate;
pub use groups::Group;
pub(crate) use limits::{ANALYSIS_BAND_HZ, LEAD_IN_RATIO, SHORTEST_S};
pub use limits::{CLIPPED, HIGHEST_HZ};
pub use once_around::{FrequencyModulation, OnceAround, ToneFollower};
pub use quality::SignalQuality;
pub use recent::{RecentSpectrum, RunningSums};

/// Complex numbers as the transforms have them.
pub use rustfft::num_complex::Complex64;
pub use tone::{Tone, ToneProbe};
pub use tracing::{Tracing, TracingProbe};

/// Time constants of the playback equaliser, seconds (IEC 60098; RIAA 1954),
/// with the sign of the phase that a longer one adds to `L conj(R)` when it is
/// the right channel's: poles (1) delay the right channel, the zero (-1) advances it.
pub const EQUALISER: [(f64, f64); 3] = [(3180e-6, 1.0), (318e-6, -1.0), (75e-6, 1.0)];

/// Sums over the frames of one bin: `|L|^2`, `|R|^2` and `L conj(R)`, with
/// full scale 1 and the window's own scale left in (it cancels everywhere).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Bin {
    /// Sum of `|L|^2`.
    pub left: f64,
    /// Sum of `|R|^2`.
    pub right: f64,
    /// Real part of the sum of `L conj(R)`.
    pub re: f64,
    /// Imaginary part of the sum of `L conj(R)`.
    pub im: f64,
}

impl Bin {
    /// Adds another bin's sums.
    pub fn add(&mut self, other: &Self) {
        self.left += other.left;
        self.right += other.right;
        self.re += other.re;
        self.im += other.im;
    }

    /// Magnitude-squared coherence as estimated (biased upwards), 0 to 1.
    pub fn coherence(&self) -> f64 {
        let power = self.left * self.right;
        if power > 0.0 {
            ((self.re * self.re + self.im * self.im) / power).min(1.0)
        } else {
            0.0
        }
    }

    /// Phase of `L conj(R)`, radians.
    pub fn phase(&self) -> f64 {
        self.im.atan2(self.re)
    }
}

/// The averaged cross-spectral matrix of a recording, in time-ordered groups.
#[derive(Debug, Clone)]
pub struct CrossSpectrum {
    /// Sample rate, hertz.
    pub sample_rate_hz: f64,
    /// Frame length, samples; bin `k` lies at `k * sample_rate_hz / frame_length`.
    pub frame_length: usize,
    /// Samples by which the right channel was advanced before analysis.
    pub alignment: i64,
    /// Groups in the order of time.
    pub groups: Vec<Group>,
    /// The quietest frames, programme or not, digital silence left out; some forty seconds
    /// at most.
    pub quietest: Group,
    /// First and last sample of the modulated part, counted from the first
    /// sample pushed.
    pub span: (u64, u64),
    /// Samples of the recording before the first sample pushed.
    pub origin: u64,
    /// Quality of the signal.
    pub quality: SignalQuality,
}

impl CrossSpectrum {
    /// Number of bins, the first at 0 Hz.
    pub fn bins(&self) -> usize {
        self.groups.first().map_or(0, |g| g.bins.len())
    }

    /// Frequency of a bin, hertz.
    pub fn frequency_hz(&self, bin: usize) -> f64 {
        bin as f64 * self.sample_rate_hz / self.frame_length as f64
    }

    /// Frames averaged.
    pub fn frames(&self) -> u64 {
        self.groups.iter().map(|g| g.frames).sum()
    }

    /// Sum of all groups, in their order.
    pub fn total(&self) -> Vec<Bin> {
        let mut total = vec![Bin::default(); self.bins()];
        for group in &self.groups {
            for (sum, bin) in total.iter_mut().zip(&group.bins) {
                sum.add(bin);
            }
        }
        total
    }

    /// The sum of this and a later part of the same recording, with no more groups than either may have.
    #[must_use]
    pub fn joined(mut self, other: Self) -> Self {
        self.span = (self.span.0.min(other.span.0), self.span.1.max(other.span.1));
        self.origin = self.origin.min(other.origin);
        self.quietest.join(&other.quietest);
        self.quality = self.quality.joined(&other.quality);
        self.groups.extend(other.groups);
        groups::bound(&mut self.groups);
        self
    }

    /// The same with the channels exchanged.
    #[must_use]
    pub fn exchanged(mut self) -> Self {
        let groups = self.groups.iter_mut().chain([&mut self.quietest]);
        for bin in groups.flat_map(|group| &mut group.bins) {
            (bin.left, bin.right, bin.im) = (bin.right, bin.left, -bin.im);
        }
        let quality = &mut self.quality;
        (quality.left_power, quality.right_power) = (quality.right_power, quality.left_power);
        self.alignment = -self.alignment;
        self
    }

    /// A bin's sum for a mean square of 1: of a one-sided spectrum `N sum(w^2) / 2`
    /// a frame, and the squares of a power-complementary window sum to `N / 2`.
    pub fn full_scale(&self) -> f64 {
        self.frames() as f64 * (self.frame_length as f64 / 2.0).powi(2)
    }

    /// Mean squares of the left and the right channel from 100 Hz to 15 kHz, above hum and rumble, in
    /// the frames that are summed: without clicks. Full scale is 1.
    pub fn powers(&self) -> [f64; 2] {
        let (low, high) = ANALYSIS_BAND_HZ;
        let mut sums = [0.0; 2];
        for (k, bin) in self.total().iter().enumerate() {
            if (low..=high).contains(&self.frequency_hz(k)) {
                sums[0] += bin.left;
                sums[1] += bin.right;
            }
        }
        sums.map(|sum| sum / self.full_scale().max(f64::MIN_POSITIVE))
    }

    /// Share of the programme's samples that are at full scale: half a frame of each
    /// channel is new in every frame.
    pub fn clipped_share(&self) -> f64 {
        let samples = self.quality.frames.max(1) * self.frame_length as u64;
        self.quality.clipped as f64 / samples as f64
    }

    /// Independent averages behind one bin of the total: the frames corrected
    /// for their overlap (Welch 1967), see [`window::overlap_correlation`].
    pub fn averages_per_bin(&self) -> f64 {
        window::independent_averages(self.frames())
    }

    /// Independent averages per bin where neighbouring bins are used together,
    /// as in a phase fit: time times bandwidth. Half a frame each at 50 %
    /// overlap, since the window is power-complementary.
    pub fn averages_in_fit(&self) -> f64 {
        self.frames() as f64 * window::HOP_FRACTION
    }
}
