//! The frame of whole-length transforms: the simulator's linear stages act on the spectrum
//! of a whole capture ([`super::plane`]), so any response is applied exactly and a change of
//! rate is a change of length.

/// A stretch of time whose length is a whole number of tenths of a second, so
/// that it holds a whole number of samples, with small prime factors, at every
/// rate used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SpectralGrid {
    tenths: usize,
}

impl SpectralGrid {
    /// The shortest canvas of at least this many seconds whose number of
    /// tenths has no prime factor above 5.
    pub fn covering(seconds: f64) -> Self {
        let mut tenths = (seconds * 10.0).ceil().max(1.0) as usize;
        let smooth = |mut n: usize| {
            for prime in [2, 3, 5] {
                while n.is_multiple_of(prime) {
                    n /= prime;
                }
            }
            n == 1
        };
        while !smooth(tenths) {
            tenths += 1;
        }
        Self { tenths }
    }

    /// Length in seconds.
    pub fn seconds(self) -> f64 {
        self.tenths as f64 / 10.0
    }

    /// Length in samples at a rate that is a multiple of 10 Hz.
    pub fn frames(self, rate_hz: u32) -> usize {
        rate_hz as usize / 10 * self.tenths
    }

    /// Frequency of a bin in hertz.
    pub fn hertz(self, bin: usize) -> f64 {
        bin as f64 / self.seconds()
    }

    /// First bin at or above a frequency.
    pub fn bin(self, hertz: f64) -> usize {
        (hertz * self.seconds()).ceil() as usize
    }
}

/// Raised cosine from 0 to 1 as `x` goes from 0 to 1, with its first and
/// second derivative.
pub fn rise(x: f64) -> [f64; 3] {
    use std::f64::consts::PI;
    if x <= 0.0 {
        [0.0; 3]
    } else if x >= 1.0 {
        [1.0, 0.0, 0.0]
    } else {
        let (sin, cos) = (PI * x).sin_cos();
        [0.5 - 0.5 * cos, 0.5 * PI * sin, 0.5 * PI * PI * cos]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn canvases_are_long_enough_and_smooth() {
        for seconds in [0.01, 1.3, 29.95, 30.0, 101.01] {
            let canvas = SpectralGrid::covering(seconds);
            assert!(canvas.seconds() >= seconds && canvas.seconds() < 1.25 * seconds + 0.1);
            assert_eq!(
                canvas.frames(44_100) as f64,
                (canvas.seconds() * 44_100.0).round()
            );
        }
        assert_eq!(SpectralGrid::covering(0.65).tenths, 8);
    }
}
