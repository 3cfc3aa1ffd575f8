//! Recordings of the simulated groove, whose contacts are found by search and know
//! none of the formulas by which they are read.

use crate::scene::{request, scratch};
use groovelag::analysis::{self, Analysis, ChainCorrection, RecordingSpectrum, Request};
use groovelag::delay::EstimateSettings;
use groovelag::simulate::recipe::Recipe;
use groovelag::simulate::render;
use groovelag::units::MICROSECOND;

/// Seconds of programme in each.
pub const SECONDS: f64 = 4.0;

/// Its recipe: pink noise at 48 kHz.
fn recipe(played: &Played) -> Recipe {
    let Played {
        seed,
        seconds,
        radius_mm,
        rpm,
        tables,
    } = played;
    let rpm = if *rpm == 33 { "100/3" } else { "45" };
    let text = format!(
        "format = 1
seed = {seed}
[programme]
kind = \"pink\"
duration_s = {seconds}
[capture]
radius_mm = {radius_mm}
rpm = \"{rpm}\"
sample_rate_hz = 48000
word = \"float32\"
{tables}"
    );
    Recipe::parse(&text).expect("a recipe as its guide describes it")
}

/// One recording to be made.
pub struct Played<'a> {
    /// Seed of its programme and noise.
    pub seed: u64,
    /// Length, seconds.
    pub seconds: f64,
    /// `radius` or `[start, end]`, millimetres.
    pub radius_mm: &'a str,
    /// 33 (1/3) or 45.
    pub rpm: u32,
    /// Further keys of `[capture]`, and the other tables of its recipe.
    pub tables: &'a str,
}

impl<'a> Played<'a> {
    /// A short one at 70 mm.
    pub fn at_70_mm(seed: u64, tables: &'a str) -> Self {
        Self {
            seed,
            seconds: SECONDS,
            radius_mm: "70",
            rpm: 33,
            tables,
        }
    }

    /// Renders it, stores it for a moment, and gives it to `then`, with its true mean
    /// delay in seconds.
    fn with<T>(&self, then: impl FnOnce(&Request, f64) -> T) -> T {
        let recipe = recipe(self);
        let folder = tempfile::tempdir_in(scratch()).expect("a temporary folder");
        let rendered = render(&recipe, folder.path()).expect("a recipe that can be followed");
        let (bytes, truth) = rendered.wav("played");
        let path = folder.path().join("played.wav");
        std::fs::write(&path, bytes).expect("room for a temporary file");
        let request = request(&path, &EstimateSettings::default());
        then(&request, truth.delay_us.mean * MICROSECOND)
    }

    /// The program's analysis of it, and its true mean delay in seconds.
    pub fn analysis(&self, through: Option<ChainCorrection>) -> (Analysis, f64) {
        self.with(|request, truth| {
            let read = analysis::analyse_corrected(request, through, &mut |_| ());
            (read.expect("a recording without faults"), truth)
        })
    }

    /// Its spectrum as taken in.
    pub fn taken(&self) -> RecordingSpectrum {
        let read = |request: &Request, _| analysis::read_spectrum(request, &mut |_| ());
        self.with(read).expect("a recording without faults")
    }
}
