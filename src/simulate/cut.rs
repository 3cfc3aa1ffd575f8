//! Programme into groove: equalisation at the cut, velocity into
//! displacement, level.

use super::curve::Curve;
use super::equaliser::playback;
use super::programme::GUARD_S;
use super::recipe::{Equalisation, Modulation};
use super::spectral::{Canvas, rise, synthesise};
use rayon::prelude::*;
use rustfft::num_complex::Complex64;
use std::f64::consts::{FRAC_1_SQRT_2, TAU};

/// Fade at both ends of the programme, in seconds of the cut.
pub const FADE_S: f64 = 0.05;

/// The modulation of a mono groove against time at the cut.
#[derive(Debug, Clone)]
pub struct Groove {
    /// Displacement in metres of the signal as modulated (lateral, vertical,
    /// or of one channel), node spacing one sample of `rate_hz`.
    pub displacement: Curve,
    /// Nodes per second of the cut.
    pub rate_hz: u32,
    /// Root mean square velocity of that signal over the programme, m/s.
    pub rms_velocity: f64,
}

/// Cuts a programme of `cut_s` seconds to a peak velocity in m/s.
pub fn cut(
    spectrum: &[Complex64],
    canvas: Canvas,
    rate_hz: u32,
    cut_s: f64,
    equalisation: Equalisation,
    peak_velocity: f64,
) -> Groove {
    let rate = f64::from(rate_hz);
    let frames = canvas.frames(rate_hz);
    let velocity: Vec<Complex64> = spectrum
        .iter()
        .enumerate()
        .map(|(bin, &value)| match equalisation {
            Equalisation::Microgroove => value / playback(omega(canvas, bin), [0.0; 3]),
            Equalisation::None => value,
        })
        .collect();
    // Displacement and its first two derivatives per node spacing.
    let derivatives = [0, 1, 2].map(|order| {
        let factor = |s: Complex64| match order {
            0 => s.inv(),
            1 => Complex64::from(1.0 / rate),
            _ => s / (rate * rate),
        };
        velocity
            .iter()
            .enumerate()
            .skip(1)
            .map(|(bin, &value)| value * factor(omega(canvas, bin)))
            .collect::<Vec<_>>()
    });
    let [y, dy, ddy] = synthesise(
        derivatives.map(|bins| [vec![Complex64::ZERO], bins].concat()),
        frames,
    );
    let nodes = y
        .into_par_iter()
        .zip(dy)
        .zip(ddy)
        .map(|((y, dy), ddy)| [y, dy, ddy])
        .collect();
    let mut displacement = Curve::new(nodes);
    let fade = FADE_S * rate;
    let (begin, end) = (GUARD_S * rate, (GUARD_S + cut_s) * rate);
    displacement.multiply(|node| {
        let up = rise((node as f64 - begin) / fade);
        let down = rise((end - node as f64) / fade);
        // The fades do not overlap: one of the two is constant.
        if down == [1.0, 0.0, 0.0] {
            [up[0], up[1] / fade, up[2] / (fade * fade)]
        } else {
            [down[0] * up[0], -down[1] / fade, down[2] / (fade * fade)]
        }
    });
    let programme = &displacement.nodes()[begin as usize..=(end as usize).min(frames - 1)];
    let peak = programme
        .iter()
        .fold(0.0, |most: f64, n| most.max(n[1].abs()));
    let power: f64 = programme.iter().map(|n| n[1] * n[1]).sum();
    let rms = (power / programme.len() as f64).sqrt();
    let scale = if peak > 0.0 {
        peak_velocity / (peak * rate)
    } else {
        0.0
    };
    displacement.scale(scale);
    Groove {
        displacement,
        rate_hz,
        rms_velocity: rms * rate * scale,
    }
}

/// `j w` of a bin.
fn omega(canvas: Canvas, bin: usize) -> Complex64 {
    Complex64::new(0.0, TAU * canvas.hertz(bin))
}

/// How far each wall moves along its outward normal per unit of the modulated
/// signal: left (inner), right (outer).
///
/// With the record plane's coordinates y towards the outer wall and z up, the
/// outward normals are (-y, -z) / sqrt 2 and (y, -z) / sqrt 2.
pub fn wall_gains(modulation: Modulation) -> [f64; 2] {
    match modulation {
        Modulation::Lateral => [-FRAC_1_SQRT_2, FRAC_1_SQRT_2],
        Modulation::Vertical => [-FRAC_1_SQRT_2, -FRAC_1_SQRT_2],
        Modulation::Left => [-FRAC_1_SQRT_2, 0.0],
        Modulation::Right => [0.0, FRAC_1_SQRT_2],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::programme;
    use std::path::Path;

    #[test]
    fn a_tone_has_the_displacement_of_its_velocity() {
        let canvas = Canvas::covering(1.5);
        let p: super::super::recipe::Programme =
            toml::from_str("kind = \"tone\"\nduration_s = 1\nfrequencies_hz = [1000]").unwrap();
        let s = programme::spectrum(&p, 1, 1.0, canvas, Path::new("")).unwrap();
        for equalisation in [Equalisation::None, Equalisation::Microgroove] {
            let groove = cut(&s, canvas, 192_000, 1.0, equalisation, 0.05);
            let node = (0.7 * 192e3) as usize..(0.8 * 192e3) as usize;
            let peak = |k: usize| {
                groove.displacement.nodes()[node.clone()]
                    .iter()
                    .fold(0.0, |most: f64, n| most.max(n[k].abs()))
            };
            // 0.05 m/s at 1 kHz: amplitude v / (2 pi f), as in the published
            // "A_um": 7.9577 of references.json, trace_f1000_vp0.05. Sampled
            // 192 times a turn the peak is missed by up to (pi / 192)^2 / 2.
            assert!((peak(0) / 7.957_747_154_594_769e-6 - 1.0).abs() < 3e-4);
            assert!((peak(1) * 192e3 / 0.05 - 1.0).abs() < 3e-4);
            assert!((groove.rms_velocity / 0.05 * 2f64.sqrt() - 1.0).abs() < 0.05);
        }
    }

    #[test]
    fn silence_stays_silent() {
        let canvas = Canvas::covering(1.0);
        let groove = cut(&[], canvas, 192_000, 0.5, Equalisation::None, 0.05);
        assert_eq!(groove.rms_velocity, 0.0);
        assert!(groove.displacement.nodes().iter().all(|n| *n == [0.0; 3]));
    }
}
