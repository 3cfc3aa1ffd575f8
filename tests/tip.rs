//! The tip measured by its own tracing: radii that the simulator rolled along the groove, shapes told
//! apart, contradictions, and bands that hold over drawn jobs.

use crate::tracing;
use groovelag::analysis::{self, Request};
use groovelag::capture::Source;
use groovelag::groove::{Profile, Tip};
use groovelag::job::{self, CaptureData, Job, Solution, TracingObservation};
use groovelag::simulate::{recipe::Recipe, render};
use groovelag::uncertainty::{Level, Warning};
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};
use rayon::prelude::*;
use std::f64::consts::{FRAC_PI_4, SQRT_2, TAU};

/// A job of one capture, whose cartridge is described by `tip`; full scale stands for 40 cm/s.
fn job(tip: &str, radius_mm: f64) -> Job {
    job_of(tip, &format!("{radius_mm}"))
}

/// The same, of a capture that goes on with these lines.
fn job_of(tip: &str, radius_mm: &str) -> Job {
    let text = format!(
        "format = 1
[cartridge.c]
{tip}
[setup.s]
arm = \"tangential\"
full_scale_cm_s = 40
[[capture]]
file = \"a.wav\"
radius_mm = {radius_mm}
rpm = 33"
    );
    job::file::parse(&text, "job.toml").unwrap()
}

/// What the tracing of a tip of this radius along the groove shows, relatively off by this much.
fn seen(radius_um: f64, radius_mm: f64, off: f64) -> TracingObservation {
    let speed = TAU * radius_mm * 1e-3 / 1.8;
    TracingObservation {
        coefficient_s: SQRT_2 * radius_um * 1e-6 * 0.4 / (4.0 * speed * speed) * (1.0 + off),
        relative_u: 0.001,
    }
}

fn solved(job: &Job, delay_us: f64, tracing: TracingObservation) -> Solution {
    let data = CaptureData {
        tracing: Some(tracing),
        ..CaptureData::of_delay(delay_us * 1e-6, 0.01e-6)
    };
    job::solve(job, &[Some(data)], 0.95).unwrap().solution
}

/// A programme that is a file: a voice.
const SPEECH: &str = "wav\"\nfile = \"speech.wav";

const ELLIPTICAL: &str = "profile = \"elliptical\"\nfrontal_radius_um = 18\nside_radius_um = 8";

/// A recording of a groove that a tip was rolled along, at 3 degrees.
fn simulated(
    tip: &str,
    radius_mm: f64,
    programme: (&str, f64),
    seconds: f64,
) -> analysis::Analysis {
    let radius_mm = format!("{radius_mm}");
    let (rate, left, right) = rendered(tip, &radius_mm, programme, seconds);
    let source = Source::of_samples("a", rate, &left, &right).unwrap();
    analysis::analyse(&Request::new(source), &mut |_| ()).unwrap()
}

/// Its sample rate and its channels.
fn rendered(
    tip: &str,
    radius_mm: &str,
    (kind, peak_cm_s): (&str, f64),
    seconds: f64,
) -> (u32, Vec<f32>, Vec<f32>) {
    let recipe = format!(
        "format = 1
seed = 7
[programme]
kind = \"{kind}\"
duration_s = {seconds}
peak_cm_s = {peak_cm_s}
[capture]
radius_mm = {radius_mm}
rpm = 33
sample_rate_hz = 96000
[cartridge]
{tip}
[setup]
rotation_deg = 3
[dirt]
snr_db = 40
noise_spectrum = \"surface\"
"
    );
    let recipe = Recipe::parse(&recipe).unwrap_or_else(|e| panic!("{recipe}: {e}"));
    let folder = tempfile::tempdir().unwrap();
    if kind == SPEECH {
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: tracing::RATE as u32,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let mut writer = hound::WavWriter::create(folder.path().join("speech.wav"), spec).unwrap();
        for sample in tracing::voice(7) {
            writer.write_sample(sample as f32).unwrap();
        }
        writer.finalize().unwrap();
    }
    let rendered = render(&recipe, folder.path()).unwrap();
    let single = |c: &[f64]| c.iter().map(|s| *s as f32).collect::<Vec<_>>();
    let (left, right) = (single(&rendered.left), single(&rendered.right));
    (rendered.sample_rate_hz, left, right)
}

/// The last part of a recording shows by itself what it shows within the whole, where the radius falls
/// from 100 to 60 mm, and the coefficient with it.
#[test]
fn a_part_shows_its_own_radius() {
    let (rate, left, right) = rendered(&tip("spherical", 18.0), "[100, 60]", ("pink", 3.0), 20.0);
    let all = Source::of_samples("a", rate, &left, &right).unwrap();
    let first = 6 * rate as usize;
    let part = Source::of_samples("a", rate, &left[first..], &right[first..]).unwrap();
    let analysed = |source, [from, to]: [f64; 2]| {
        let request = Request {
            from_s: Some(from),
            to_s: Some(to),
            ..Request::new(source)
        };
        let analysis = analysis::analyse(&request, &mut |_| ()).unwrap();
        analysis.tracing_in_the_middle().unwrap()
    };
    let (within, _) = analysed(all, [6.0, 19.0]);
    let (alone, _) = analysed(part, [0.0, 13.0]);
    assert!((within / alone - 1.0).abs() < 1e-9, "{within} {alone}");
}

/// The radius along the groove by a recording's tracing, micrometres, full scale being the
/// simulator's 40 cm/s.
fn radius_um(analysis: &analysis::Analysis, radius_mm: f64) -> Option<f64> {
    let (coefficient_s, _) = analysis.tracing_in_the_middle()?;
    Some(coefficient_s / seen(1.0, radius_mm, 0.0).coefficient_s)
}

fn tip(profile: &str, along_um: f64) -> String {
    match profile {
        "spherical" => format!("profile = \"spherical\"\nfrontal_radius_um = {along_um}"),
        "elliptical" => {
            format!("profile = \"elliptical\"\nfrontal_radius_um = 18\nside_radius_um = {along_um}")
        }
        _ => format!(
            "profile = \"line\"\nfrontal_radius_um = 60\nside_radius_um = {along_um}\ncontact_spacing_um = 40"
        ),
    }
}

/// A line contact turned by 3 degrees reads the walls 10 us apart, and its radius is found all the
/// same once that is known. The simulator knows nothing of the formula; turned flanks add
/// `60 um sin^2` of 2.1 degrees, 0.08 um.
#[test]
fn a_turned_line_contact_shows_its_radius() {
    let analysis = simulated(&tip("line", 4.0), 60.0, ("pink", 4.0), 8.0);
    let found = radius_um(&analysis, 60.0).unwrap();
    assert!((found - 4.08).abs() < 0.05, "{found}");
    // and through the job
    let line = "profile = \"line\"\ncontact_spacing_um = 40\nside_radius_um = 5";
    let job = job(line, 60.0);
    let data = CaptureData::of(&analysis);
    let solution = job::solve(&job, &[Some(data)], 0.95).unwrap().solution;
    let radius = solution.cartridges[0].radius_along_groove_um.unwrap();
    // 1 um before
    assert!(radius.standard_uncertainty < 0.5, "{radius:?}");
    assert!(radius.interval.contains(4.0), "{radius:?}");
}

/// Every shape, over the radii, levels and programmes that are usual: within 10 % everywhere (third
/// order, turned flanks), where tracing is found; within 16 % with a voice (own simulations), whose
/// pauses let the noise make a weak coefficient smaller.
#[test]
#[ignore = "some minutes: run by .ci/run"]
fn tips_show_their_radii() {
    let mut cases = Vec::new();
    for (profile, along_um) in [
        ("spherical", 18.0),
        ("spherical", 13.0),
        ("elliptical", 10.0),
        ("elliptical", 5.0),
        ("line", 6.0),
        ("line", 3.0),
    ] {
        for radius_mm in [60.0, 100.0, 140.0] {
            for level in [1.0, 5.0, 8.0] {
                for kind in ["pink", "music", SPEECH] {
                    cases.push((profile, along_um, radius_mm, level, kind));
                }
            }
        }
    }
    let found: Vec<_> = cases
        .into_par_iter()
        .map(|case @ (profile, along_um, radius_mm, level, kind)| {
            let tip = tip(profile, along_um);
            let analysis = simulated(&tip, radius_mm, (kind, level), 10.0);
            let found = radius_um(&analysis, radius_mm);
            (case, found.map(|found| found / along_um))
        })
        .collect();
    for (case, ratio) in &found {
        println!("{case:?}: {ratio:?}");
    }
    let off: Vec<_> = found
        .iter()
        .filter(|((.., kind), ratio)| {
            let limit = if *kind == SPEECH { 0.16 } else { 0.1 };
            ratio.is_some_and(|r: f64| (r - 1.0).abs() > limit)
        })
        .collect();
    assert!(off.is_empty(), "{off:?}");
    let told = found.iter().filter(|(_, ratio)| ratio.is_some()).count();
    assert!(told > 144, "{told} of {}", found.len());
}

/// The shape where none is stated: radii in the middle of each, and on the edge between two.
#[test]
fn an_unknown_tip_gets_probabilities() {
    for (radius_um, shape) in [(16.0, "spherical"), (8.5, "elliptical"), (3.5, "line")] {
        let solution = solved(&job("", 90.0), 1.0, seen(radius_um, 90.0, 0.0));
        let shapes = solution.cartridges[0].shape_probabilities.clone().unwrap();
        assert!(shapes[shape] > 0.8, "{radius_um}: {shapes:?}");
        assert!((shapes.values().sum::<f64>() - 1.0).abs() < 1e-12);
    }
    // a ball, which nobody said it is, cannot see its rotation
    let ball = solved(&job("", 90.0), 1.0, seen(16.0, 90.0, 0.0));
    let told = ball.warnings.iter().find(|w| w.code == Warning::TipRadius);
    let told = told.expect("a warning");
    assert_eq!(told.level, Level::Serious);
    assert!(told.message.contains("spherical"), "{}", told.message);
    let between = solved(&job("", 90.0), 1.0, seen(5.6, 90.0, 0.0));
    let shapes = between.cartridges[0].shape_probabilities.clone().unwrap();
    assert!(
        shapes["line"] > 0.2 && shapes["elliptical"] > 0.2,
        "{shapes:?}"
    );
    // a stated shape has none
    let stated = solved(&job(ELLIPTICAL, 90.0), 1.0, seen(8.0, 90.0, 0.0));
    assert_eq!(stated.cartridges[0].shape_probabilities, None);
}

/// A tip whose tracing tells twice the radius that is stated is named, and costs the verdict; where
/// the level is not stated, nothing is told.
#[test]
fn a_wrong_size_is_named() {
    let level = |solution: &Solution| {
        let mut warnings = solution.warnings.iter();
        warnings
            .find(|w| w.code == Warning::TipRadius)
            .map(|w| (w.level, w.message.clone()))
    };
    let right = solved(&job(ELLIPTICAL, 90.0), 1.0, seen(8.5, 90.0, 0.0));
    assert_eq!(level(&right), None);
    let wrong = solved(&job(ELLIPTICAL, 90.0), 1.0, seen(16.0, 90.0, 0.0));
    let (found, message) = level(&wrong).unwrap();
    assert_eq!(found, Level::Serious);
    assert!(
        message.contains("gives cartridge c a radius of 16.0 um"),
        "{message}"
    );
    assert!(message.contains("8.0 um (u 1.0) is stated"), "{message}");
    assert!(wrong.in_doubt.is_some());
    let mut silent = job(ELLIPTICAL, 90.0);
    for setup in silent.setups.values_mut() {
        setup.full_scale = job::Stated::default();
    }
    let unknown = solved(&silent, 1.0, seen(16.0, 90.0, 0.0));
    assert_eq!(level(&unknown), None);
}

/// Eight stretches have level and crosstalk in common, so they contradict the stated radius no less than
/// one recording; and a side whose grooves would lie one in another is in doubt.
#[test]
fn stretches_share_what_limits_their_radius() {
    let side = |radii: &str, radius_um: f64| {
        let times = "from_s = \"0:03\"\nto_s = \"9:03\"\nstretches = 8";
        let job = job_of(ELLIPTICAL, &format!("{radii}\n{times}"));
        let of = |spec: &job::CaptureSpec| {
            let radius_mm = 500.0 * (spec.radius[0] + spec.radius[1]);
            Some(CaptureData {
                tracing: Some(seen(radius_um, radius_mm, 0.0)),
                ..CaptureData::of_delay(0.0, 0.01e-6)
            })
        };
        let data: Vec<_> = job.captures.iter().map(of).collect();
        job::solve(&job, &data, 0.95).unwrap().solution
    };
    let level = |solution: &Solution, code: Warning| {
        let of_code: Vec<_> = solution
            .warnings
            .iter()
            .filter(|w| w.code == code)
            .collect();
        assert!(of_code.len() < 2, "{of_code:?}");
        of_code.first().map(|w| w.level)
    };
    let usual = side("[145, 62]", 8.0);
    assert_eq!(level(&usual, Warning::TipRadius), None);
    assert_eq!(level(&usual, Warning::GroovePitch), None);
    let other = side("[145, 62]", 16.0);
    assert_eq!(level(&other, Warning::TipRadius), Some(Level::Serious));
    let narrow = side("[145, 144]", 8.0);
    assert_eq!(level(&narrow, Warning::GroovePitch), Some(Level::Serious));
}

/// Jobs of one capture whose truths are drawn from what is known before: bands of the radius along the
/// groove and of the rotation hold, and the radius is known better than before.
#[test]
fn bands_hold_over_drawn_tips() {
    let draws = 400;
    let held: Vec<[bool; 2]> = (0..draws)
        .into_par_iter()
        .map(|seed| {
            let mut chance = ChaCha8Rng::seed_from_u64(seed);
            let mut normal = |u: f64| -> f64 {
                let z: f64 = StandardNormal.sample(&mut chance);
                u * z
            };
            let (frontal, side) = (18.0 + normal(1.0), 8.0 + normal(1.0));
            let (scale, level) = (1.0 + normal(0.08), 1.0 + normal(0.06));
            let skews = normal(0.1) + normal(0.1) + normal(0.5);
            let (cut, shape) = (normal(0.5), normal(0.1));
            let (radius_mm, rpm) = (90.0 + normal(0.5), 100.0 / 3.0 + normal(0.05));
            let model = normal(0.03);
            let rotation = chance.random_range(-6.0..6.0);
            let tip = Tip {
                profile: Profile::Elliptical,
                size: [frontal * 1e-6, side * 1e-6, shape],
            };
            let speed = TAU * radius_mm * 1e-3 * rpm / 60.0;
            let path = tip.path(f64::to_radians(rotation), FRAC_PI_4).length
                - tip.spacing(FRAC_PI_4).length * f64::to_radians(cut).tan();
            let delay_us = skews + 1e6 * scale / speed * path;
            let tracing = TracingObservation {
                coefficient_s: SQRT_2 * side * 1e-6 * 0.4 * level * scale / (4.0 * speed * speed)
                    * (1.0 + model),
                relative_u: 0.001,
            };
            let solution = solved(&job(ELLIPTICAL, 90.0), delay_us, tracing);
            let radius = solution.cartridges[0].radius_along_groove_um.unwrap();
            assert!(radius.standard_uncertainty < 0.75, "{radius:?}");
            let turned = solution.setups[0].rotation_deg;
            [
                radius.interval.contains(side),
                turned.interval.contains(rotation),
            ]
        })
        .collect();
    for (k, what) in ["radius", "rotation"].into_iter().enumerate() {
        let count = held.iter().filter(|h| h[k]).count();
        // binomial, 95 % of 400: 380 with a standard deviation of 4.4
        println!("{what}: {count} of {draws}");
        assert!((363..=397).contains(&count), "{what}: {count} of {draws}");
    }
}
