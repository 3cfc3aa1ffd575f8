//! Captures with known truth, from the geometry of groove and stylus.
//!
//! The stages, in the order in which the signal passes, each public and
//! testable alone:
//!
//! 1. [`recipe`]: what is wanted, read from TOML and checked.
//! 2. [`programme`]: what was recorded, as a spectrum.
//! 3. [`cut`]: equalisation and level; displacement of the groove's walls as a
//!    [`curve`] that can be read anywhere.
//! 4. [`turntable`]: which part of the groove is under the stylus, how fast it
//!    passes and at what angle.
//! 5. [`trace`]: what the walls do to the solid of [`stylus`].
//! 6. [`dirt`]: clicks, needle drop, warp.
//! 7. [`linear`]: generator, leads, [`equaliser`], noise, converter band, one
//!    2 x 2 matrix per frequency ([`spectral`]).
//! 8. [`store`]: hum, dropouts, clipping, dither, words.
//! 9. [`truth`]: what is known of the result.
//!
//! [`variations`] makes a whole set from one recipe.
//!
//! Everything from 2 to 6 runs at an *inner rate* of at least 176.4 kHz, a
//! whole multiple of the file's. The groove's plan-view curvature is left out:
//! over the 20 um that a tip touches it is 3 nm at 60 mm radius. Tip, cantilever
//! and record are rigid.

pub mod curve;
pub mod cut;
pub mod dirt;
pub mod equaliser;
pub mod linear;
pub mod programme;
pub mod random;
pub mod recipe;
pub mod spectral;
pub mod store;
pub mod stylus;
pub mod trace;
pub mod truth;
pub mod turntable;
pub mod variations;

use crate::document::Program;
use crate::units::{DEGREE, MICROMETRE, MICROSECOND};
use recipe::{Leads, Recipe, RecipeError};
use sha2::{Digest, Sha256};
use spectral::Canvas;
use std::path::Path;
use stylus::Tip;
use trace::{Contacts, Method, Passage};
use truth::{Along, Truth};
use turntable::Turntable;

/// The inner rate is at least this, hertz: it carries what tracing adds above
/// the audible band.
const LEAST_INNER_RATE_HZ: u32 = 176_400;

/// Quiet kept after the capture so that filters settle before the canvas
/// closes on itself, seconds.
const SETTLE_S: f64 = 0.5;

/// A capture and what is known of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Rendered {
    /// Left channel as stored, as fractions of full scale.
    pub left: Vec<f64>,
    /// Right channel.
    pub right: Vec<f64>,
    /// Rate of both.
    pub sample_rate_hz: u32,
    /// The truth; its `file` and `sha256` are empty until [`Rendered::wav`].
    pub truth: Truth,
}

impl Rendered {
    /// The WAV file and the truth beside it, with the file's name (which is
    /// `stem` with `.wav`) and its SHA-256 filled in.
    pub fn wav(&self, stem: &str) -> (Vec<u8>, Truth) {
        let channels = [self.left.clone(), self.right.clone()];
        let bytes = store::wav(&channels, &self.truth.recipe);
        let truth = Truth {
            file: format!("{stem}.wav"),
            sha256: Sha256::digest(&bytes)
                .iter()
                .map(|byte| format!("{byte:02x}"))
                .collect(),
            ..self.truth.clone()
        };
        (bytes, truth)
    }
}

/// Follows a checked recipe. `folder` is where a WAV programme's path starts.
///
/// # Errors
/// When the recipe does not pass [`Recipe::check`] or its programme file
/// cannot be used.
pub fn render(recipe: &Recipe, folder: &Path) -> Result<Rendered, RecipeError> {
    recipe.check()?;
    let rate_hz = recipe.capture.sample_rate_hz;
    let inner_hz = rate_hz * LEAST_INNER_RATE_HZ.div_ceil(rate_hz);
    let table = Turntable::new(recipe);
    let canvas = Canvas::covering(recipe.length_s() + SETTLE_S);
    let frames = canvas.frames(inner_hz);

    let groove = {
        let cut_s = table.cut_s();
        let canvas = Canvas::covering(cut_s + 2.0 * programme::GUARD_S);
        let spectrum = programme::spectrum(&recipe.programme, recipe.seed, cut_s, canvas, folder)?;
        cut::cut(
            &spectrum,
            canvas,
            inner_hz,
            cut_s,
            recipe.record.equalisation,
            recipe.programme.peak_cm_s * 0.01,
        )
    };

    let passage = Passage {
        groove: &groove,
        gains: cut::wall_gains(recipe.record.modulation),
        cutter_skew: recipe.record.skew_us * MICROSECOND,
        table: &table,
        frames,
        rate_hz: inner_hz,
    };
    let put_in = recipe.delay.unwrap_or_default();
    let contacts = Tip::new(&recipe.cartridge).map(|tip| {
        let tilt = [recipe.setup.azimuth_deg, recipe.setup.rake_deg].map(|deg| deg * DEGREE);
        Contacts::new(tip, &table, tilt)
    });
    let mut traced = match &contacts {
        Some(contacts) => passage.roll(contacts, Method::Fast),
        None => passage.read_points(put_in),
    };
    let path = |t: f64| match &contacts {
        Some(contacts) => contacts.path(t),
        None => put_in.path_um * MICROMETRE,
    };
    let rms_velocity = groove.rms_velocity * table.speed_ratio();
    drop(groove);

    let late = |t: f64| put_in.us * MICROSECOND + path(t) / table.playing_speed(t);
    let clicks = dirt::add(&mut traced, recipe, &table, inner_hz, late);
    let wall_velocity = match (recipe.dirt.snr_db, recipe.dirt.noise_cm_s) {
        (Some(db), _) => rms_velocity * 10f64.powf(-db / 20.0),
        (None, noise) => noise.unwrap_or(0.0) * 0.01,
    };
    let noise = linear::StylusNoise {
        wall_velocity,
        spectrum: recipe.dirt.noise_spectrum,
        rumble_velocity: recipe.dirt.rumble_cm_s * 0.01,
        seed: recipe.seed,
    };
    let channels = linear::convert(traced, canvas, noise, recipe);
    let stored = store::store(channels, recipe);

    let [from, to] = table.modulated();
    let along = |value: &dyn Fn(f64) -> f64| Along::of(from, to, value);
    let groove_delay = |t: f64| {
        put_in.us
            + (path(t) / table.playing_speed(t)) / MICROSECOND
            + recipe.record.skew_us / table.speed_ratio()
    };
    let side = match recipe.capture.leads {
        Leads::Normal => 1.0,
        Leads::Swapped => -1.0,
    };
    let part = |i: usize| {
        (1.0 + recipe.chain.equaliser_right[i]).ln() - (1.0 + recipe.chain.equaliser_left[i]).ln()
    };
    let truth = Truth {
        schema: truth::SCHEMA,
        program: Program::this(),
        invented: true,
        file: String::new(),
        sha256: String::new(),
        sample_rate_hz: rate_hz,
        duration_s: stored.channels[0].len() as f64 / f64::from(rate_hz),
        modulated_s: [from, to],
        delay_us: along(&|t| {
            side * (groove_delay(t) + recipe.cartridge.skew_us) + recipe.chain.skew_us
        }),
        groove_delay_us: along(&groove_delay),
        path_um: along(&|t| path(t) / MICROMETRE),
        rotation_deg: contacts
            .is_some()
            .then(|| along(&|t| table.rotation(t) / DEGREE)),
        cut_rotation_deg: contacts
            .is_some()
            .then(|| along(&|t| table.cut_rotation(t) / DEGREE)),
        equaliser_right_minus_left: [part(0), part(1), part(2)],
        programme_rms_cm_s: rms_velocity * 100.0,
        noise_rms_cm_s: wall_velocity * 100.0,
        clicks,
        dropouts: stored.dropouts,
        clipped_samples: stored.clipped,
        seed: recipe.seed,
        recipe: recipe.clone(),
    };
    let [left, right] = stored.channels;
    Ok(Rendered {
        left,
        right,
        sample_rate_hz: rate_hz,
        truth,
    })
}
