//! One pass of a short test record, with known truth: the simulator rolls a tip along each of its bands.

#![allow(dead_code)] // each test program uses its own part

use groovelag::capture::{self, ReadOptions, Source, Stereo, StreamWriter};
use std::fs;
use std::path::Path;
use std::process::Command;

pub const RATE: u32 = 48_000;
pub const ROTATION_DEG: f64 = 4.0;
pub const ECCENTRICITY_MM: f64 = 0.4;
/// Left into right, right into left.
pub const CROSSTALK: [[f64; 2]; 2] = [[0.05, -0.012], [0.04, 0.01]];
/// Seconds between the bands.
pub const PAUSE_S: f64 = 2.0;
/// Bands in their order: name, kind in a job, radius, seconds.
pub const BANDS: [(&str, &str, f64, f64); 6] = [
    ("tone", "tone", 140.0, 24.0),
    ("outer", "lateral", 130.0, 14.0),
    ("left", "left", 120.0, 12.0),
    ("right", "right", 115.0, 12.0),
    ("silent", "silent", 110.0, 12.0),
    ("inner", "lateral", 80.0, 14.0),
];

pub fn samples(path: &Path) -> Stereo {
    let source = Source::Path(path.to_owned());
    let mut recording = capture::open(&source, &ReadOptions::default()).unwrap();
    let (mut all, mut block) = (Stereo::default(), Stereo::default());
    while recording.read(&mut block, 1 << 16).unwrap() > 0 {
        all.left.extend(&block.left);
        all.right.extend(&block.right);
    }
    all
}

pub fn part(of: &Stereo, [from, to]: [f64; 2]) -> Stereo {
    let span = (from * f64::from(RATE)).round() as usize..(to * f64::from(RATE)).round() as usize;
    Stereo {
        left: of.left[span.clone()].to_vec(),
        right: of.right[span].to_vec(),
    }
}

pub fn write(path: &Path, parts: &[&Stereo]) {
    let file = fs::File::create(path).unwrap();
    let mut writer = StreamWriter::new(file, RATE, Some(24)).unwrap();
    parts.iter().for_each(|part| writer.write(part).unwrap());
    writer.finish().unwrap();
}

/// Rolls the tip along the bands, and puts them into one recording with unmodulated groove between them; `extra`
/// is added to the recipe.
pub fn record(at: &Path, name: &str, extra: &str) {
    let mut text = format!(
        "format = 1\nseed = 7\n[programme]\nkind = \"pink\"\nduration_s = 12\npeak_cm_s = 8\n\
         [record]\neccentricity_mm = {ECCENTRICITY_MM}\n[cartridge]\nprofile = \"elliptical\"\n\
         frontal_radius_um = 18\nside_radius_um = 8\ncrosstalk_left_into_right = {:?}\n\
         crosstalk_right_into_left = {:?}\n[setup]\nrotation_deg = {ROTATION_DEG}\n\
         [dirt]\nnoise_cm_s = 0.03\n[capture]\nradius_mm = 100\nrpm = 33\n\
         sample_rate_hz = {RATE}\n{extra}\n",
        CROSSTALK[0], CROSSTALK[1]
    );
    for (band, kind, radius, seconds) in BANDS {
        text += &format!(
            "[[variation]]\nname = \"{band}\"\ncapture.radius_mm = {radius}\n\
             programme.duration_s = {seconds}\n"
        );
        text += match kind {
            "left" => "record.modulation = \"left\"\n",
            "right" => "record.modulation = \"right\"\n",
            "silent" => "programme.kind = \"silence\"\n",
            "tone" => "programme.kind = \"tone\"\nprogramme.frequencies_hz = [3150]\n",
            _ => "",
        };
    }
    fs::write(at.join(format!("{name}.recipe")), text).unwrap();
    let made = Command::new(env!("CARGO_BIN_EXE_groovelag"))
        .current_dir(at)
        .args(["simulate", &format!("{name}.recipe"), "-o", name])
        .output()
        .unwrap();
    assert!(made.status.success(), "{made:?}");
    let parts: Vec<Stereo> = BANDS
        .iter()
        .map(|(band, ..)| samples(&at.join(name).join(format!("{name}-{band}.wav"))))
        .collect();
    let pause = part(&parts[4], [1.0, 1.0 + PAUSE_S]);
    let mut all: Vec<&Stereo> = vec![&pause];
    for part in &parts {
        all.extend([part, &pause]);
    }
    write(&at.join(format!("{name}.wav")), &all);
}
