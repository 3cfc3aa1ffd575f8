//! The equalisation of microgroove records.

use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::sync::LazyLock;

/// Time constants in seconds (IEC 60098; RIAA 1954).
pub const TIME_CONSTANTS: [f64; 3] = [3180e-6, 318e-6, 75e-6];

/// Frequency in hertz at which the nominal gain is one.
pub const REFERENCE_HZ: f64 = 1000.0;

fn network(s: Complex64, off: [f64; 3]) -> Complex64 {
    let [t1, t2, t3] = [0, 1, 2].map(|i| TIME_CONSTANTS[i] * (1.0 + off[i]));
    (1.0 + s * t2) / ((1.0 + s * t1) * (1.0 + s * t3))
}

/// Playback response at `s = j w`, with each time constant off by a fraction;
/// the nominal network has the gain 1 at 1 kHz, a departing one keeps the
/// nominal scale.
pub fn playback(s: Complex64, off: [f64; 3]) -> Complex64 {
    static REFERENCE: LazyLock<f64> =
        LazyLock::new(|| network(Complex64::new(0.0, TAU * REFERENCE_HZ), [0.0; 3]).norm());
    network(s, off) / *REFERENCE
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_table() {
        // references.json "riaa_table": closed formula, dB re 1 kHz, +-0.001;
        // "riaa_phase": degrees at 1 kHz.
        let db = |hz: f64| {
            20.0 * playback(Complex64::new(0.0, TAU * hz), [0.0; 3])
                .norm()
                .log10()
        };
        for (hz, gain) in [
            (20.0, 19.2741),
            (100.0, 13.0885),
            (500.0, 2.6476),
            (1000.0, 0.0),
            (3150.0, -5.038),
            (10_000.0, -13.7343),
            (20_000.0, -19.6203),
        ] {
            assert!((db(hz) - gain).abs() < 0.001, "{hz}: {}", db(hz));
        }
        let phase = playback(Complex64::new(0.0, TAU * 1000.0), [0.0; 3])
            .arg()
            .to_degrees();
        assert!((phase + 48.953_827_621_690_09).abs() < 1e-12);
    }

    #[test]
    fn a_part_off_turns_the_phase_as_the_model_says() {
        // model.md, section 2: phase w T / (1 + w^2 T^2) per d ln T.
        let s = Complex64::new(0.0, TAU * 3000.0);
        for (i, t) in TIME_CONSTANTS.into_iter().enumerate() {
            let mut off = [0.0; 3];
            off[i] = 1e-6;
            let turn = (playback(s, off) / playback(s, [0.0; 3])).arg() / 1e-6;
            let wt = TAU * 3000.0 * t;
            let sign = if i == 1 { 1.0 } else { -1.0 };
            assert!((turn - sign * wt / (1.0 + wt * wt)).abs() < 2e-6);
        }
    }
}
