//! Everything linear between the stylus and the converter, as one 2 x 2
//! matrix per frequency: generator, leads, load, equaliser, coupling, skew,
//! gain, and the converter's band limit.

use super::equaliser::playback;
use super::plane::Plane;
use super::random::{Purpose, stream};
use super::recipe::{
    Cartridge, Chain, Equalisation, Inverted, Leads, NoiseSpectrum, PerChannel, Recipe, Setup,
};
use super::spectral::{SpectralGrid, rise};
use crate::units::{DEGREE, MICROSECOND};
use rand::RngExt;
use rand_distr::StandardNormal;
use rayon::prelude::*;
use rustfft::num_complex::Complex64;
use std::f64::consts::TAU;
use std::io;
use std::path::Path;

/// A 2 x 2 matrix: rows are outputs, columns inputs, left before right.
pub type Matrix = [[Complex64; 2]; 2];

/// Bins computed as one piece of work, each with its own random stream.
const PIECE: usize = 1 << 14;

/// The band in which wall noise is stated, hertz.
pub const NOISE_BAND_HZ: [f64; 2] = [20.0, 20_000.0];

/// Corner below which surface-like noise rises (common practice, no source).
const SURFACE_CORNER_HZ: f64 = 1000.0;

/// Band of the rumble, hertz (common practice, no source).
const RUMBLE_BAND_HZ: [f64; 2] = [4.0, 30.0];

/// Second-order resonance, 1 at low frequency.
fn resonance(s: Complex64, hz: f64, q: f64) -> Complex64 {
    let w = TAU * hz;
    w * w / (s * s + s * (w / q) + w * w)
}

/// Default quality factor of a tip resonance (within 1.2 to 2.5; common practice, no source).
const RESONANCE_Q: f64 = 2.0;

/// What the generator makes of stylus velocity (channels left, right on the
/// record's 45/45 axes), at `s = j w`: unlike lateral and vertical response,
/// axes tilted with the body, tip resonance, crosstalk, gain, skew.
pub fn generator(s: Complex64, cartridge: &Cartridge, setup: &Setup) -> Matrix {
    let one = Complex64::ONE;
    let q = cartridge.mode_q.unwrap_or(RESONANCE_Q);
    let mode = |hz: Option<f64>| hz.map_or(one, |hz| resonance(s, hz, q));
    let lateral = mode(cartridge.lateral_resonance_hz);
    let vertical = mode(cartridge.vertical_resonance_hz);
    // Lateral y and vertical z seen on axes tilted by the azimuth, then back
    // to the body's 45/45 channels.
    let (sin, cos) = (setup.azimuth_deg * DEGREE).sin_cos();
    let along = |y: f64, z: f64| {
        let (y, z) = (lateral * y, vertical * z);
        let (yb, zb) = (y * cos - z * sin, y * sin + z * cos);
        [yb + zb, yb - zb]
    };
    let from_left = along(0.5, 0.5);
    let from_right = along(0.5, -0.5);
    let q = cartridge
        .resonance_q
        .unwrap_or(PerChannel::both(RESONANCE_Q))
        .array();
    let tip = cartridge.resonance_hz.map_or([one; 2], |hz| {
        [resonance(s, hz.left, q[0]), resonance(s, hz.right, q[1])]
    });
    let clean = [
        [from_left[0] * tip[0], from_right[0] * tip[0]],
        [from_left[1] * tip[1], from_right[1] * tip[1]],
    ];
    let rising = cartridge
        .crosstalk_corner_hz
        .map_or(one, |hz| 1.0 + s / (TAU * hz));
    let leak = |[re, im]: [f64; 2]| Complex64::new(re, im) * rising;
    let mix = [
        [one, leak(cartridge.crosstalk_right_into_left)],
        [leak(cartridge.crosstalk_left_into_right), one],
    ];
    let gain = cartridge
        .gain_db
        .unwrap_or(PerChannel::both(0.0))
        .array()
        .map(decibels);
    let late = late(s, cartridge.skew_us);
    let out = [gain[0] * one, gain[1] * late];
    let mixed = product(&mix, &clean);
    [0, 1].map(|row| [0, 1].map(|column| out[row] * mixed[row][column]))
}

/// From the generators to the inputs: an inverted generator, leads swapped or
/// not, and each generator's inductance against the load of the input it is
/// connected to.
pub fn leads(s: Complex64, recipe: &Recipe) -> Matrix {
    let sign = match recipe.capture.inverted {
        Inverted::None => [1.0, 1.0],
        Inverted::Left => [-1.0, 1.0],
        Inverted::Right => [1.0, -1.0],
    };
    let inductance = recipe
        .cartridge
        .inductance_mh
        .map(|mh| mh.array().map(|l| l * 1e-3));
    let load = &recipe.chain;
    let connect = |input: usize, generator: usize| {
        let loaded = inductance.map_or(Complex64::ONE, |l| {
            let l = l[generator];
            let c = load.load_pf.array()[input] * 1e-12;
            let r = load.load_kohm.array()[input] * 1e3;
            1.0 / (1.0 + s * s * l * c + s * l / r)
        });
        loaded * sign[generator]
    };
    let zero = Complex64::ZERO;
    match recipe.capture.leads {
        Leads::Normal => [[connect(0, 0), zero], [zero, connect(1, 1)]],
        Leads::Swapped => [[zero, connect(0, 1)], [connect(1, 0), zero]],
    }
}

/// From the inputs to the converter, per channel: equaliser, coupling pole,
/// gain, skew; 1 at full scale.
pub fn chain(s: Complex64, chain: &Chain, equalisation: Equalisation) -> [Complex64; 2] {
    let parts = [chain.equaliser_left, chain.equaliser_right];
    let late = [Complex64::ONE, late(s, chain.skew_us)];
    [0, 1].map(|channel| {
        let mut response = playback(s, parts[channel]);
        if equalisation == Equalisation::None {
            response /= playback(s, [0.0; 3]);
        }
        if let Some(hz) = chain.coupling_hz {
            response *= s / (s + TAU * hz.array()[channel]);
        }
        let full_scale = chain.full_scale_cm_s * 0.01;
        response * decibels(chain.gain_db.array()[channel]) / full_scale * late[channel]
    })
}

fn decibels(db: f64) -> f64 {
    if db == 0.0 {
        return 1.0;
    }
    10f64.powf(db / 20.0)
}

/// A delay in microseconds.
fn late(s: Complex64, us: f64) -> Complex64 {
    if us == 0.0 {
        Complex64::ONE
    } else {
        (-s * us * MICROSECOND).exp()
    }
}

fn product(a: &Matrix, b: &Matrix) -> Matrix {
    [0, 1].map(|row| [0, 1].map(|column| a[row][0] * b[0][column] + a[row][1] * b[1][column]))
}

/// Velocity to stored signal at one frequency in hertz.
pub fn response(hertz: f64, recipe: &Recipe) -> Matrix {
    let s = Complex64::new(0.0, TAU * hertz);
    let before = product(
        &leads(s, recipe),
        &generator(s, &recipe.cartridge, &recipe.setup),
    );
    let behind = chain(s, &recipe.chain, recipe.record.equalisation);
    [0, 1].map(|row| before[row].map(|value| value * behind[row]))
}

/// Power density of wall noise relative to its value at high frequency.
fn noise_shape(spectrum: NoiseSpectrum, hertz: f64) -> f64 {
    match spectrum {
        NoiseSpectrum::White => 1.0,
        NoiseSpectrum::Surface => (SURFACE_CORNER_HZ / hertz.max(NOISE_BAND_HZ[0])).max(1.0),
    }
}

/// Noises that enter at the stylus.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StylusNoise {
    /// Root mean square wall noise per channel within [`NOISE_BAND_HZ`], m/s.
    pub wall_velocity: f64,
    /// Spectrum of that noise.
    pub spectrum: NoiseSpectrum,
    /// Root mean square vertical rumble, m/s.
    pub rumble_velocity: f64,
    /// Seed.
    pub seed: u64,
}

/// Turns traced displacement at an inner rate, left and right of a plane, into the
/// converter's input at the file's rate, adding the noises that enter at the stylus. Full
/// scale is 1.
///
/// # Errors
/// When there is no room in the folder `scratch`.
pub fn convert(
    mut traced: Plane,
    canvas: SpectralGrid,
    noise: StylusNoise,
    recipe: &Recipe,
    scratch: &Path,
) -> io::Result<Plane> {
    let rate_hz = recipe.capture.sample_rate_hz;
    let nyquist = f64::from(rate_hz) / 2.0;
    let bins = canvas.bin(nyquist);
    traced.analyse(bins)?;
    let mut spectra = traced.spectra();

    // A real signal of bins a_k has the mean square 2 sum |a_k|^2; a complex
    // normal bin of scale s has the mean square 2 s^2.
    let weight: f64 = (canvas.bin(NOISE_BAND_HZ[0])..canvas.bin(NOISE_BAND_HZ[1]))
        .map(|bin| noise_shape(noise.spectrum, canvas.hertz(bin)))
        .sum();
    let scale = noise.wall_velocity / (4.0 * weight).sqrt();
    let rumble_bins = canvas.bin(RUMBLE_BAND_HZ[0])..canvas.bin(RUMBLE_BAND_HZ[1]);
    let rumble_scale = noise.rumble_velocity / (4.0 * rumble_bins.len() as f64).sqrt();

    // Spectra from a bin on, all of one piece; its noises are drawn from its first bin on.
    let work = |first: usize, left: &mut [Complex64], right: &mut [Complex64]| {
        let piece = first / PIECE;
        let draws = |purpose| {
            let mut random = stream(noise.seed, purpose, piece);
            move || {
                let re: f64 = random.sample(StandardNormal);
                let im: f64 = random.sample(StandardNormal);
                Complex64::new(re, im)
            }
        };
        let mut wall = [draws(Purpose::LeftWall), draws(Purpose::RightWall)];
        let mut rumble = draws(Purpose::Rumble);
        let mut noises = |bin: usize| {
            let mut velocity = [Complex64::ZERO; 2];
            if scale > 0.0 {
                let level = scale * noise_shape(noise.spectrum, canvas.hertz(bin)).sqrt();
                velocity = [0, 1].map(|side| wall[side]() * level);
            }
            let rumbles = rumble_scale > 0.0 && rumble_bins.contains(&bin);
            (velocity, rumbles.then(|| rumble() * rumble_scale))
        };
        for bin in piece * PIECE..first {
            noises(bin);
        }
        for ((left, right), bin) in left.iter_mut().zip(right).zip(first..) {
            let hertz = canvas.hertz(bin);
            let s = Complex64::new(0.0, TAU * hertz);
            let (wall, vertical) = noises(bin);
            let mut velocity = [*left * s + wall[0], *right * s + wall[1]];
            if let Some(vertical) = vertical {
                velocity[0] += vertical;
                velocity[1] -= vertical;
            }
            let m = response(hertz, recipe);
            // The converter's own band limit: a raised cosine from 0.90 of
            // half the rate up (common practice, no source), zero phase.
            let limit = rise((nyquist - hertz) / (0.1 * nyquist))[0];
            *left = (m[0][0] * velocity[0] + m[0][1] * velocity[1]) * limit;
            *right = (m[1][0] * velocity[0] + m[1][1] * velocity[1]) * limit;
        }
    };
    let fill = |first: usize, left: &mut [Complex64], right: &mut [Complex64]| {
        spectra.next(left, right)?;
        // the rest of a piece that has begun, and whole ones
        let rest = (PIECE - first % PIECE).min(left.len());
        let (left, lefts) = left.split_at_mut(rest);
        let (right, rights) = right.split_at_mut(rest);
        rayon::join(
            || work(first, left, right),
            || {
                lefts
                    .par_chunks_mut(PIECE)
                    .zip(rights.par_chunks_mut(PIECE))
                    .enumerate()
                    .for_each(|(k, (left, right))| work(first + rest + k * PIECE, left, right));
            },
        );
        Ok(())
    };
    let mut plane = Plane::of_spectra(canvas.frames(rate_hz), scratch, bins, fill)?;
    drop(traced);
    plane.synthesise()?;
    Ok(plane)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn recipe(extra: &str) -> Recipe {
        Recipe::parse(&format!(
            "format = 1\n[programme]\nkind = \"pink\"\nduration_s = 1\n{extra}"
        ))
        .unwrap()
    }

    const CAPTURE: &str = "[capture]\nradius_mm = 72\nrpm = 33\nsample_rate_hz = 48000\n";

    #[test]
    fn ideal_channels_are_equal_and_separate() {
        let r = recipe(CAPTURE);
        for hz in [20.0, 1000.0, 20_000.0] {
            let m = response(hz, &r);
            assert_eq!(m[0][0], m[1][1]);
            // Left and right leave the 45/45 sums exactly.
            assert_eq!([m[0][1], m[1][0]], [Complex64::ZERO; 2]);
        }
        let m = response(1000.0, &r);
        assert!((m[0][0].norm() * 0.40 - 1.0).abs() < 4.0 * f64::EPSILON);
    }

    #[test]
    fn recording_and_playback_are_flat() {
        // 0.01 dB is the limit; both are closed formulas, so the
        // difference is rounding alone.
        for k in 0..=300 {
            let hz = 20.0 * 1000f64.powf(f64::from(k) / 300.0);
            let s = Complex64::new(0.0, TAU * hz);
            let both = playback(s, [0.0; 3]) / playback(s, [0.0; 3]);
            assert!((20.0 * both.norm().log10()).abs() < 1e-12);
        }
    }

    #[test]
    fn swapping_leads_moves_what_is_before_and_keeps_what_is_behind() {
        let parts = "[cartridge]\nskew_us = 2\ngain_db = [1, 0]\n[chain]\nskew_us = 0.5\n\
                     equaliser_right = [0, 0, 0.01]\n";
        let normal = recipe(&format!("{CAPTURE}{parts}"));
        let swapped = recipe(&format!("{CAPTURE}leads = \"swapped\"\n{parts}"));
        let hz = 5000.0;
        let (n, s) = (response(hz, &normal), response(hz, &swapped));
        assert_eq!([s[0][0], s[1][1]], [Complex64::ZERO; 2]);
        let w = Complex64::new(0.0, TAU * hz);
        let behind = chain(w, &normal.chain, Equalisation::Microgroove);
        let before = generator(w, &normal.cartridge, &normal.setup);
        for (value, expected) in [
            (n[0][0], behind[0] * before[0][0]),
            (n[1][1], behind[1] * before[1][1]),
            (s[0][1], behind[0] * before[1][1]),
            (s[1][0], behind[1] * before[0][0]),
        ] {
            assert!((value - expected).norm() < 1e-14 * expected.norm());
        }
    }

    #[test]
    fn unlike_vertical_response_scales_the_delay() {
        // model.md, section 2: tip resonances 20 kHz (vertical) and 15 kHz
        // (lateral), quality factor 2: the delay is scaled by 0.93 to 8 kHz
        // and 0.73 to 15 kHz. A small delay is difference over sum of the
        // channels; a pink programme weighs it with f |sum|^2. The model's
        // programme is not stated exactly: 0.02.
        let r = recipe(&format!(
            "{CAPTURE}[cartridge]\nlateral_resonance_hz = 15000\nvertical_resonance_hz = 20000\n"
        ));
        for (top, expected) in [(8000, 0.93), (15_000, 0.73)] {
            let (mut scaled, mut plain) = (0.0, 0.0);
            for hz in (40..top).step_by(10).map(f64::from) {
                let m = generator(Complex64::new(0.0, TAU * hz), &r.cartridge, &r.setup);
                assert_eq!(m[0][1], m[1][0]);
                let sum = m[0][0] + m[0][1];
                let difference = m[0][0] - m[0][1];
                let weight = hz * sum.norm_sqr();
                scaled += weight * (difference / sum).re;
                plain += weight;
            }
            let scale = scaled / plain;
            assert!((scale - expected).abs() < 0.02, "{top}: {scale}");
        }
    }

    #[test]
    fn a_load_of_the_model_has_the_models_phase() {
        let r = recipe(&format!(
            "{CAPTURE}[cartridge]\ninductance_mh = [500, 505]\n[chain]\nload_pf = 200\n"
        ));
        let hz = 3000.0;
        let w = TAU * hz;
        let m = leads(Complex64::new(0.0, w), &r);
        let expected = 1.0 / Complex64::new(1.0 - w * w * 0.505 * 200e-12, w * 0.505 / 47e3);
        assert!((m[1][1] - expected).norm() < 1e-14);
        // 1 % of inductance: 120 ns (model.md), here at one frequency.
        let late = -(m[1][1] / m[0][0]).arg() / w;
        assert!((late - 120e-9).abs() < 30e-9, "{late:e}");
    }
}
