//! `groovelag calibrate`: captures of known signals to a calibration.

use super::arguments;
use super::output::{self, Inputs, Kind, Progress};
use super::views::Views;
use super::{Common, Outcome};
use clap::Args;
use groovelag::analysis::{self, RecordingSpectrum, Request};
use groovelag::capture::{self, Source};
use groovelag::chain::{self, CalibrationCapture};
use groovelag::delay;
use groovelag::document::TomlKind;
use groovelag::report::{CalibrationReport, page, sketch};
use std::ffi::OsString;
use std::path::PathBuf;

/// Calibrate chain and crosstalk from captures of known signals
#[derive(Debug, Args)]
#[command(
    after_help = "--common is one signal fed by cable to both inputs; it measures the chain. The
other two are bands cut into one channel; they measure the cartridge's
crosstalk. Either kind may be given alone.

Example:
  groovelag calibrate --common cable.wav -o CHAIN.toml

Attenuate the signal to a few millivolts, keep the speakers muted, and follow
the maker's instructions first: docs/calibration.md."
)]
pub struct Calibrate {
    /// Capture of one signal fed to both inputs
    #[arg(long, value_name = "FILE")]
    common: Option<OsString>,
    /// Capture of a band in the left channel alone
    #[arg(long, value_name = "FILE", requires = "right_only")]
    left_only: Option<OsString>,
    /// Capture of a band in the right channel alone
    #[arg(long, value_name = "FILE", requires = "left_only")]
    right_only: Option<OsString>,
    /// The calibration to write
    #[arg(short, long, value_name = "CHAIN.toml")]
    output: PathBuf,
    /// Widest band to use, hertz [default: 70..20000]
    #[arg(long, value_name = "HZ..HZ", value_parser = arguments::band)]
    band: Option<(f64, f64)>,
    /// Day of the captures
    #[arg(long, value_name = "YYYY-MM-DD", value_parser = date)]
    date: Option<String>,
    /// Separation of the cutter of those bands
    #[arg(long, value_name = "DB", default_value_t = chain::DEFAULT_CUTTER_SEPARATION_DB, value_parser = separation)]
    cutter_separation: f64,
    /// Inductance of coils that the common signal passes through
    #[arg(long, value_name = "MH", requires = "common", value_parser = positive)]
    inductance_mh: Option<f64>,
    /// Load resistance after the coils
    #[arg(long, value_name = "KOHM", requires = "inductance_mh", default_value = "47", value_parser = positive)]
    load_kohm: f64,
    /// Load capacitance, cable included
    #[arg(long, value_name = "PF", requires = "inductance_mh", default_value = "200", value_parser = positive)]
    load_pf: f64,
    #[command(flatten)]
    shown: Common,
    #[command(flatten)]
    views: Views,
}

fn date(text: &str) -> Result<String, String> {
    let digits = |part: &str, length: usize| {
        (part.len() == length)
            .then(|| part.parse::<u32>().ok())
            .flatten()
    };
    let parts: Vec<&str> = text.split('-').collect();
    let valid = match parts[..] {
        [y, m, d] => {
            digits(y, 4).is_some()
                && digits(m, 2).is_some_and(|m| (1..=12).contains(&m))
                && digits(d, 2).is_some_and(|d| (1..=days(digits(y, 4), digits(m, 2))).contains(&d))
        }
        _ => false,
    };
    if valid {
        Ok(text.to_owned())
    } else {
        Err(format!("'{text}' is not a day such as 2026-01-31"))
    }
}

/// Days of a month.
fn days(year: Option<u32>, month: Option<u32>) -> u32 {
    let leap = year
        .is_some_and(|y| y.is_multiple_of(4) && (!y.is_multiple_of(100) || y.is_multiple_of(400)));
    match month {
        Some(2) if leap => 29,
        Some(2) => 28,
        Some(4 | 6 | 9 | 11) => 30,
        _ => 31,
    }
}

fn positive(text: &str) -> Result<f64, String> {
    let value = groovelag::units::parse_number(text, "a number").map_err(|e| e.to_string())?;
    if value > 0.0 && value <= 1e6 {
        Ok(value)
    } else {
        Err(format!("{value} is not above zero; give a positive number"))
    }
}

fn separation(text: &str) -> Result<f64, String> {
    let value = groovelag::units::parse_number(text, "a separation in dB such as 30")
        .map_err(|e| e.to_string())?;
    if chain::CUTTER_SEPARATIONS_DB.contains(&value) {
        Ok(value)
    } else {
        Err(format!(
            "a separation of {value} dB is not between 6 and 120; 25 to 35 is usual"
        ))
    }
}

impl Calibrate {
    /// Runs the command.
    pub fn run(&self) -> Result<Outcome, String> {
        const CALIBRATION: Kind = Kind::Toml(TomlKind::Calibration);
        let read = [&self.common, &self.left_only, &self.right_only];
        let inputs = Inputs::of(read.into_iter().flatten());
        output::check_free(&self.output, CALIBRATION, self.views.force)?;
        self.views.check_free(&inputs, &[Some(&self.output)])?;
        let common = self.common.as_ref().map(take_in).transpose()?;
        let left = self.left_only.as_ref().map(take_in).transpose()?;
        let right = self.right_only.as_ref().map(take_in).transpose()?;
        let coils = self
            .inductance_mh
            .and_then(|l| chain::load(l, self.load_kohm, self.load_pf));
        let made = chain::calibrate(&chain::CalibrationRequest {
            common: common.as_ref().map(input),
            single: left
                .as_ref()
                .map(input)
                .zip(right.as_ref().map(input))
                .map(|(l, r)| [l, r]),
            band_hz: self.band.unwrap_or(chain::DEFAULT_BAND_HZ),
            date: self.date.as_deref(),
            coils,
            cutter_separation_db: self.cutter_separation,
        })
        .map_err(|e| e.to_string())?;
        // what cannot be written does not cost the answer
        let mut written = vec![output::write_file(
            &self.output,
            made.toml.as_bytes(),
            CALIBRATION,
            self.views.force,
        )];
        let name = self.output.to_string_lossy().replace('\\', "/");
        let mut report = CalibrationReport::new(&made, &name, self.shown.coverage);
        for taken in [&common, &left, &right].into_iter().flatten() {
            report.warnings.extend(taken.caveats.iter().cloned());
        }
        if self.views.any() {
            written.push(self.views.write(&page::calibration(&report)));
        }
        if self.shown.json {
            output::print_json(&report)?;
        } else {
            let width = output::width();
            let mut text = report.text(width);
            if self.views.sketch {
                text.push('\n');
                text += &sketch::calibration(&report, width);
            }
            output::print(&text)?;
        }
        output::all(written)?;
        Ok(Outcome::Done)
    }
}

fn take_in(file: &OsString) -> Result<RecordingSpectrum, String> {
    let request = Request {
        source: Source::from_argument(file),
        options: capture::ReadOptions {
            hash: true,
            ..Default::default()
        },
        from_s: None,
        to_s: None,
        settings: delay::EstimateSettings::default(),
    };
    let mut progress = Progress::new();
    analysis::read_spectrum(&request, &mut |f| progress.show("reading", f))
        .map_err(|e| e.to_string())
}

fn input(taken: &RecordingSpectrum) -> CalibrationCapture<'_> {
    CalibrationCapture {
        file: &taken.info.file,
        sha256: taken.info.sha256.as_deref().unwrap_or(""),
        duration_s: taken.info.duration_s,
        spectrum: &taken.spectrum,
        identical: taken.identical,
    }
}
