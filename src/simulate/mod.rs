//! Captures with known truth, from the geometry of groove and stylus.
//!
//! The stages, in the order in which the signal passes, each public and
//! testable alone:
//!
//! 1. [`recipe`]: the description, read from TOML and checked.
//! 2. [`programme`]: what was recorded, as a spectrum.
//! 3. [`cut`]: equalisation and level; displacement of the groove's walls as a
//!    [`curve`] that can be read anywhere.
//! 4. [`turntable`]: which part of the groove is under the stylus, how fast it
//!    passes and at what angle.
//! 5. [`trace`]: what the walls do to the solid of [`stylus`].
//! 6. [`disturbances`]: clicks, needle drop, warp.
//! 7. [`linear`]: generator, leads, [`equaliser`], noise, converter band, one
//!    2 x 2 matrix per frequency ([`spectral`]).
//! 8. [`store`]: hum, dropouts, clipping, dither, words.
//! 9. [`truth`]: what is known of the result.
//!
//! [`variations`] makes a whole set from one recipe.
//!
//! What is longer than the memory should hold, [`plane`] keeps on disk and transforms as a
//! whole: a capture of any length needs the same memory.
//!
//! Everything from 2 to 6 runs at an *inner rate* of at least 176.4 kHz, a
//! whole multiple of the file's. The groove's plan-view curvature is left out:
//! over the 20 um that a tip touches it is 3 nm at 60 mm radius. Tip, cantilever
//! and record are rigid.

pub mod curve;
pub mod cut;
pub mod disturbances;
pub mod equaliser;
pub mod linear;
pub mod plane;
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
use crate::units::{DEGREE, MICROMETRE, MICROSECOND, hexadecimal};
use plane::Plane;
use recipe::{InjectedDelay, Leads, Recipe, RecipeError};
use rustfft::num_complex::Complex64;
use sha2::{Digest, Sha256};
use spectral::SpectralGrid;
use std::io::{self, Cursor, Read, Seek, Write};
use std::ops::Range;
use std::path::Path;
use store::{Store, Wav};
use stylus::TipSurface;
use trace::{Contacts, GroovePickup, Method, Passage};
use truth::{Along, Truth};
use turntable::Turntable;

/// The inner rate is at least this, hertz: it carries what tracing adds above
/// the audible band.
const LEAST_INNER_RATE_HZ: u32 = 176_400;

/// Quiet kept after the capture so that filters settle before the canvas
/// closes on itself, seconds.
const SETTLE_S: f64 = 0.5;

/// Folders of a simulation.
#[derive(Debug, Clone, Copy)]
pub struct WorkFolders<'a> {
    /// Where a WAV programme's path starts.
    pub programmes: &'a Path,
    /// Where a long capture is kept while it is made, in files without a name that are gone
    /// with the process.
    pub scratch: &'a Path,
}

#[cfg(test)]
impl WorkFolders<'_> {
    /// For what fits into memory.
    fn test() -> Self {
        Self {
            programmes: Path::new(""),
            scratch: Path::new(""),
        }
    }
}

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
        let mut bytes = Vec::new();
        let mut write = || -> io::Result<()> {
            let mut wav = Wav::new(Cursor::new(&mut bytes), &self.truth.recipe)?;
            wav.write([&self.left, &self.right])?;
            wav.finish()
        };
        write().expect("memory does not fail");
        let truth = of_file(self.truth.clone(), stem, Sha256::digest(&bytes).as_slice());
        (bytes, truth)
    }
}

/// The truth with the name of its file and the digest of that.
fn of_file(truth: Truth, stem: &str, sha256: &[u8]) -> Truth {
    Truth {
        file: format!("{stem}.wav"),
        sha256: hexadecimal(sha256),
        ..truth
    }
}

/// Follows a checked recipe and holds the capture. `folder` is where a WAV programme's path
/// starts; what is long is kept in the system's folder for temporary files on the way.
///
/// # Errors
/// When the recipe does not pass [`Recipe::check`], its programme file
/// cannot be used, or there is no room.
pub fn render(recipe: &Recipe, folder: &Path) -> Result<Rendered, RecipeError> {
    let places = WorkFolders {
        programmes: folder,
        scratch: &std::env::temp_dir(),
    };
    let (mut left, mut right) = (Vec::new(), Vec::new());
    let truth = stream(recipe, places, &mut |_| (), &mut |[l, r]| {
        left.extend_from_slice(l);
        right.extend_from_slice(r);
        Ok(())
    })?;
    Ok(Rendered {
        left,
        right,
        sample_rate_hz: recipe.capture.sample_rate_hz,
        truth,
    })
}

/// Follows a checked recipe into an empty WAV file, which is to be named `stem` with `.wav`,
/// in a memory that does not depend on its length; `progress` is told the part done.
///
/// # Errors
/// As [`render`], and when the file cannot be written.
pub fn write(
    recipe: &Recipe,
    places: WorkFolders<'_>,
    stem: &str,
    file: &mut (impl Read + Write + Seek),
    progress: &mut dyn FnMut(f64),
) -> Result<Truth, RecipeError> {
    let mut wav = Wav::new(io::BufWriter::new(&mut *file), recipe)?;
    let truth = stream(recipe, places, progress, &mut |words| wav.write(words))?;
    wav.finish()?;
    file.rewind()?;
    let mut digest = Sha256::new();
    let mut part = vec![0; 1 << 16];
    loop {
        match file.read(&mut part)? {
            0 => return Ok(of_file(truth, stem, digest.finalize().as_slice())),
            read => digest.update(&part[..read]),
        }
    }
}

/// Samples of a stretch that is worked on at once, of the inner rate or the file's.
const STRETCH: usize = 32 * trace::PIECE;

/// Parts of the whole that are done when the groove is cut and when it is traced (measured
/// with an elliptical tip at 96 kHz on two cores).
const DONE: [f64; 2] = [0.2, 0.7];

/// Follows a checked recipe and hands the words of both channels, as fractions of full
/// scale, to `take`, stretch by stretch.
fn stream(
    recipe: &Recipe,
    places: WorkFolders<'_>,
    progress: &mut dyn FnMut(f64),
    take: &mut dyn FnMut([&[f64]; 2]) -> io::Result<()>,
) -> Result<Truth, RecipeError> {
    recipe.check()?;
    let scratch = places.scratch;
    let rate_hz = recipe.capture.sample_rate_hz;
    let inner_hz = rate_hz * LEAST_INNER_RATE_HZ.div_ceil(rate_hz);
    let table = Turntable::new(recipe);
    let canvas = SpectralGrid::covering(recipe.length_s() + SETTLE_S);
    let frames = canvas.frames(inner_hz);

    progress(0.0);
    let cut_s = table.cut_s();
    let mut groove = {
        let canvas = SpectralGrid::covering(cut_s + 2.0 * programme::GUARD_S);
        let (programme, seed) = (&recipe.programme, recipe.seed);
        cut::GrooveModulation::cut(
            &mut programme::Spectrum::new(programme, seed, cut_s, canvas, places)?,
            inner_hz,
            cut_s,
            recipe.record.equalisation,
            recipe.programme.peak_cm_s * 0.01,
            scratch,
        )?
    };
    progress(DONE[0]);

    let mut pickup = Pickup::new(recipe, &table);
    let late = |t: f64| pickup.injected.us * MICROSECOND + pickup.lag(t);
    let disturbances = disturbances::Disturbances::new(recipe, &table, inner_hz, frames, late);

    let mut traced = Plane::new(frames, scratch)?;
    // A groove that runs faster than it was cut is read in shorter stretches.
    let pieces = (STRETCH / trace::PIECE).div_ceil(table.speed_ratio().ceil() as usize);
    for first in (0..frames).step_by(pieces * trace::PIECE) {
        let some = first..(first + pieces * trace::PIECE).min(frames);
        let passage = pickup.passage(some.clone(), inner_hz);
        let curve = groove.stretch(passage.nodes(some.clone()))?;
        let mut samples = passage.trace(&curve, some);
        disturbances.add(&mut samples);
        let both: Vec<Complex64> = samples
            .left
            .iter()
            .zip(&samples.right)
            .map(|(&left, &right)| Complex64::new(left, right))
            .collect();
        traced.write(first, &both)?;
        progress(DONE[0] + (DONE[1] - DONE[0]) * first as f64 / frames as f64);
    }
    let rms_velocity = groove.rms_velocity * table.speed_ratio();
    drop(groove);

    let wall_velocity = match (recipe.impairments.snr_db, recipe.impairments.noise_cm_s) {
        (Some(db), _) => rms_velocity * 10f64.powf(-db / 20.0),
        (None, noise) => noise.unwrap_or(0.0) * 0.01,
    };
    let noise = linear::StylusNoise {
        wall_velocity,
        spectrum: recipe.impairments.noise_spectrum,
        rumble_velocity: recipe.impairments.rumble_cm_s * 0.01,
        seed: recipe.seed,
    };
    progress(DONE[1]);
    let mut input = linear::convert(traced, canvas, noise, recipe, scratch)?;
    let mut store = Store::new(recipe);
    let stored = store.frames();
    for first in (0..stored).step_by(STRETCH) {
        let mut some = vec![Complex64::ZERO; STRETCH.min(stored - first)];
        input.read(first, &mut some)?;
        let mut left: Vec<f64> = some.iter().map(|z| z.re).collect();
        let mut right: Vec<f64> = some.iter().map(|z| z.im).collect();
        store.next([&mut left, &mut right]);
        take([&left, &right])?;
    }
    progress(1.0);

    Ok(pickup.truth(&disturbances, &store, [rms_velocity, wall_velocity]))
}

/// Pickup of the two channels: at the contacts of a stylus, or with an injected delay.
struct Pickup<'a> {
    recipe: &'a Recipe,
    table: &'a Turntable,
    injected: InjectedDelay,
    contacts: Option<Contacts>,
}

impl<'a> Pickup<'a> {
    fn new(recipe: &'a Recipe, table: &'a Turntable) -> Self {
        let tilt = [recipe.setup.azimuth_deg, recipe.setup.rake_deg].map(|deg| deg * DEGREE);
        Self {
            recipe,
            table,
            injected: recipe.delay.unwrap_or_default(),
            contacts: TipSurface::new(&recipe.cartridge).map(|tip| Contacts::new(tip, table, tilt)),
        }
    }

    /// How much further down the groove the right channel is read, metres.
    fn path(&self, t: f64) -> f64 {
        match &self.contacts {
            Some(contacts) => contacts.path(t),
            None => self.injected.path_um * MICROMETRE,
        }
    }

    /// By how much it is later for that, seconds.
    fn lag(&self, t: f64) -> f64 {
        self.path(t) / self.table.playing_speed(t)
    }

    /// The groove under the stylus for some samples of the inner rate.
    fn passage(&mut self, some: Range<usize>, rate_hz: u32) -> Passage<'_> {
        if let Some(contacts) = &mut self.contacts {
            let [from, to] = [some.start, some.end].map(|i| i as f64 / f64::from(rate_hz));
            contacts.between(self.table, from, to);
        }
        Passage {
            reading: match &self.contacts {
                Some(contacts) => GroovePickup::Tip(contacts, Method::Fast),
                None => GroovePickup::Points(self.injected),
            },
            groove_rate_hz: rate_hz,
            gains: cut::wall_gains(self.recipe.record.modulation),
            cutter_skew: self.recipe.record.skew_us * MICROSECOND,
            table: self.table,
            rate_hz,
        }
    }

    /// What is known of the capture, with the rms velocities of programme and wall noise.
    fn truth(
        &self,
        disturbances: &disturbances::Disturbances,
        store: &Store,
        [programme, noise]: [f64; 2],
    ) -> Truth {
        let Self { recipe, table, .. } = *self;
        let [from, to] = table.modulated();
        let along = |value: &dyn Fn(f64) -> f64| Along::of(from, to, value);
        let groove_delay = |t: f64| {
            self.injected.us
                + self.lag(t) / MICROSECOND
                + recipe.record.skew_us / table.speed_ratio()
        };
        let side = match recipe.capture.leads {
            Leads::Normal => 1.0,
            Leads::Swapped => -1.0,
        };
        let part = |i: usize| {
            let [right, left] = [recipe.chain.equaliser_right, recipe.chain.equaliser_left];
            (1.0 + right[i]).ln() - (1.0 + left[i]).ln()
        };
        let has_tip = self.contacts.is_some();
        let rate_hz = recipe.capture.sample_rate_hz;
        Truth {
            schema: truth::SCHEMA,
            program: Program::this(),
            invented: true,
            file: String::new(),
            sha256: String::new(),
            sample_rate_hz: rate_hz,
            duration_s: store.frames() as f64 / f64::from(rate_hz),
            modulated_s: [from, to],
            delay_us: along(&|t| {
                side * (groove_delay(t) + recipe.cartridge.skew_us) + recipe.chain.skew_us
            }),
            groove_delay_us: along(&groove_delay),
            path_um: along(&|t| self.path(t) / MICROMETRE),
            rotation_deg: has_tip.then(|| along(&|t| table.rotation(t) / DEGREE)),
            cut_rotation_deg: has_tip.then(|| along(&|t| table.cut_rotation(t) / DEGREE)),
            equaliser_right_minus_left: [0, 1, 2].map(part),
            programme_rms_cm_s: programme * 100.0,
            noise_rms_cm_s: noise * 100.0,
            clicks: disturbances.clicks(),
            dropouts: store.dropouts(),
            clipped_samples: store.clipped(),
            seed: recipe.seed,
            recipe: recipe.clone(),
        }
    }
}
