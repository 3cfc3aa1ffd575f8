//! How many times faster than real time a 96 kHz capture with full tracing is
//! made. Ten seconds of it; divide by the time shown.

use groovelag::simulate::{recipe::Recipe, render};
use std::path::Path;

fn main() {
    divan::main();
}

const RECIPE: &str = r#"
format = 1
[programme]
kind = "pink"
duration_s = 10
[capture]
radius_mm = [75, 70]
rpm = 33
sample_rate_hz = 96000
[cartridge]
profile = "elliptical"
frontal_radius_um = 18
side_radius_um = 8
[setup]
rotation_deg = 3
[arm]
effective_length_mm = 230
pivot_to_spindle_mm = 214
offset_deg = 24
[dirt]
snr_db = 35
clicks_per_s = 3
"#;

/// Level in cm/s: quiet, usual, and so loud that the tip bridges in places.
#[divan::bench(args = [3.0, 5.0, 10.0], sample_count = 3, sample_size = 1)]
fn traced(bencher: divan::Bencher, peak: f64) {
    let mut recipe = Recipe::parse(RECIPE).expect("the recipe above");
    recipe.programme.peak_cm_s = peak;
    bencher.bench(|| render(&recipe, Path::new("")));
}

/// The same without a stylus: everything but tracing.
#[divan::bench(sample_count = 3, sample_size = 1)]
fn put_in(bencher: divan::Bencher) {
    let mut recipe = Recipe::parse(RECIPE).expect("the recipe above");
    recipe.cartridge = Default::default();
    recipe.setup = Default::default();
    recipe.arm = None;
    bencher.bench(|| render(&recipe, Path::new("")));
}
