//! `groovelag master`: a side to be cut.

use super::Outcome;
use super::output::{self, Kind, Progress};
use clap::Args;
use groovelag::capture::{Stereo, StreamWriter};
use groovelag::document::TomlKind;
use groovelag::outside;
use groovelag::report::cutting;
use groovelag::side::{Cable, SideSignal};
use std::io::{Seek, Write};
use std::path::{Path, PathBuf};

/// Write a test side to be cut, or the calibration signal
#[derive(Debug, Args)]
#[command(
    after_help = "Writes side.wav (some ten minutes, flat: the lathe applies the recording
equalisation), cue-sheet.txt, cue-sheet.csv, instructions.txt, and job.toml,
which describes the bands of the side for later recordings of it.

Example:
  groovelag master -o master

The cutting engineer decides: levels stay within what a lathe and a groove
usually allow, and instructions.txt states the limits used."
)]
pub struct Master {
    /// Folder for the files; created if missing
    #[arg(short, long, value_name = "DIR")]
    output: PathBuf,
    /// Sample rate: 44100, 48000, 88200, 96000
    #[arg(long, value_name = "HZ", default_value = "96000", value_parser = rate)]
    rate: u32,
    /// Write cable.wav instead, the signal for calibrate --common
    #[arg(long)]
    cable: bool,
    /// Overwrite an older master
    #[arg(long)]
    force: bool,
}

/// Sample rates that cutting rooms take.
const RATES: [u32; 4] = [44_100, 48_000, 88_200, 96_000];

fn rate(text: &str) -> Result<u32, String> {
    let found = text.trim().parse().ok().filter(|r| RATES.contains(r));
    found.ok_or_else(|| {
        format!(
            "'{text}' is not one of {}",
            RATES.map(|r| r.to_string()).join(", ")
        )
    })
}

/// Frames made at a time.
const BLOCK: usize = 1 << 17;

const CUE_SHEET: Kind = Kind::Marked(cutting::CUE_SHEET);
const CUE_TABLE: Kind = Kind::Marked(cutting::CUE_TABLE);
const INSTRUCTIONS: Kind = Kind::Marked(cutting::INSTRUCTIONS);

impl Master {
    /// Runs the command.
    pub fn run(&self) -> Result<Outcome, String> {
        if self.cable {
            return self.write_cable();
        }
        const WAV: &str = "side.wav";
        let wav = self.output.join(WAV);
        let mut signal = SideSignal::new(self.rate);
        let papers = [
            ("cue-sheet.txt", CUE_SHEET, cutting::cue_sheet(&signal, WAV)),
            ("cue-sheet.csv", CUE_TABLE, cutting::cue_table(&signal)),
            (
                "instructions.txt",
                INSTRUCTIONS,
                cutting::instructions(&signal, WAV, self.rate),
            ),
            ("job.toml", Kind::Toml(TomlKind::Job), cutting::job()),
        ];
        output::check_free(&wav, Kind::Wav, self.force)?;
        for (name, kind, _) in &papers {
            output::check_free(&self.output.join(name), *kind, self.force)?;
        }
        let job = self.output.join("job.toml");
        if job.exists() && outside::read_text(&job).ok() != Some(cutting::job()) {
            return Err(format!(
                "{} is a job that somebody has edited; choose another folder",
                job.display()
            ));
        }
        if wav.exists() && !self.output.join(papers[0].0).exists() {
            return Err(format!(
                "{} exists without the cue sheet of a master beside it, so it may be a recording; choose another folder",
                wav.display()
            ));
        }
        self.make_folder()?;
        let frames = signal.frames();
        self.write(&wav, frames, &mut || signal.next(BLOCK))?;
        let mut names = vec![WAV];
        for (name, kind, text) in &papers {
            output::write_file(&self.output.join(name), text.as_bytes(), *kind, self.force)?;
            names.push(name);
        }
        output::print(&format!(
            "{}: {}\nThe cutting engineer decides: give them the whole folder, starting with instructions.txt.\n",
            self.output.display(),
            names.join(", ")
        ))?;
        Ok(Outcome::Done)
    }

    /// The signal for a calibration by cable.
    fn write_cable(&self) -> Result<Outcome, String> {
        let wav = self.output.join("cable.wav");
        output::check_free(&wav, Kind::Wav, self.force)?;
        self.make_folder()?;
        let mut cable = Cable::new(self.rate);
        let frames = cable.frames();
        self.write(&wav, frames, &mut || cable.next(BLOCK))?;
        output::print(&format!(
            "{}: {} s of noise that a phono stage makes pink
(IEC 60098), once in each polarity. Mute speakers and headphones, and follow the
makers' instructions. Attenuate it to a few millivolts and feed it to both phono
inputs at once: docs/calibration.md shows how. Begin with the source's level at
its lowest, and raise it until the recording peaks as a record does. Record it
whole, and run 'groovelag calibrate --common'.\n",
            wav.display(),
            frames / u64::from(self.rate)
        ))?;
        Ok(Outcome::Done)
    }

    fn make_folder(&self) -> Result<(), String> {
        std::fs::create_dir_all(&self.output).map_err(|e| {
            format!(
                "{}: {e}; choose a folder that can be written",
                self.output.display()
            )
        })
    }

    /// Writes so many frames, block by block.
    fn write(
        &self,
        wav: &Path,
        frames: u64,
        next: &mut dyn FnMut() -> Stereo,
    ) -> Result<(), String> {
        let mut progress = Progress::new();
        output::write_with(wav, Kind::Wav, self.force, |file| {
            let failed = |e: std::io::Error| {
                format!(
                    "{} cannot be written ({e}); free some disk space",
                    wav.display()
                )
            };
            let mut writer = StreamWriter::new(file, self.rate, Some(24)).map_err(failed)?;
            let mut made = 0;
            loop {
                let block = next();
                if block.left.is_empty() {
                    break;
                }
                writer.write(&block).map_err(failed)?;
                made += block.left.len();
                progress.show("writing the signal", made as f64 / frames as f64);
            }
            let file = writer.finish().map_err(failed)?;
            file.flush().and_then(|()| file.rewind()).map_err(failed)
        })
    }
}
