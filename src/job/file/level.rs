//! Test bands of a recording, and its level by a tone of known velocity among them.

use super::super::description::{Band, CaptureSpec, Estimate, Stated};
use super::super::network::named;
use super::super::priors;
use super::JobFileError;
use crate::analysis::{self, Tone};
use crate::capture::{ReadOptions, Source};
use crate::uncertainty::{Caveat, Warning, plain, rounded, rounded_u};
use std::path::Path;

/// A band of a recording that is not a capture: a tone, a single channel, an unmodulated groove.
#[derive(Debug, Clone, PartialEq)]
pub struct TestBand {
    /// Its description as a capture.
    pub spec: CaptureSpec,
    /// What is cut into it.
    pub band: Band,
}

/// Frequencies at which a tone is taken for one of 1 kHz, whose velocity the recording equaliser leaves as
/// it is: within 5 % it is within 0.2 dB (IEC 60098), and no turntable is further off.
const ABOUT_HZ: [f64; 2] = [950.0, 1050.0];

impl TestBand {
    /// Its name.
    pub(super) fn name(&self) -> &str {
        self.spec.band.as_ref().map_or("", |band| &band.name)
    }

    /// An error at its line of the job file.
    pub(super) fn error(&self, job_file: &Path, message: String) -> JobFileError {
        JobFileError::at(job_file, self.spec.line, message)
    }

    /// Its tone, if that is steady over the whole band.
    pub(super) fn tone(&self, path: &Path) -> Result<Tone, String> {
        let name = self.name();
        let source = Source::Path(path.to_owned());
        let span = self.spec.from_s.zip(self.spec.to_s);
        let tone = span.map_or(Ok(None), |(from, to)| {
            analysis::tone(&source, &self.options(), [from, to])
        });
        let Some(tone) = tone.map_err(|e| e.to_string())? else {
            return Err(format!(
                "the tone of the band '{name}' is not found; check its times, or leave out its velocity_cm_s"
            ));
        };
        let steady = (1.0 - priors::FULL_SCALE_RELATIVE..=1.0 + priors::FULL_SCALE_RELATIVE)
            .contains(&tone.steadiness);
        if !tone.is_alone() || !steady {
            return Err(format!(
                "the band '{name}' is not one steady tone from its start to its end; correct its times, or leave out its velocity_cm_s"
            ));
        }
        Ok(tone)
    }

    /// How its recording is read.
    pub(super) fn options(&self) -> ReadOptions {
        ReadOptions {
            channels: self.spec.channels,
            ..ReadOptions::default()
        }
    }

    /// Peak lateral velocity at 1 kHz that full scale stands for, metres per second.
    pub(super) fn full_scale(&self, path: &Path) -> Result<Stated, String> {
        let tone = self.tone(path)?;
        if !(ABOUT_HZ[0]..=ABOUT_HZ[1]).contains(&tone.hertz) {
            return Err(format!(
                "the tone of the band '{}' has {:.0} Hz, but a velocity gives the level only at 1 kHz; state velocity_cm_s for a tone of 1 kHz",
                self.name(),
                tone.hertz
            ));
        }
        let by = |v: f64| v / tone.peak;
        Ok(Stated {
            value: self.band.velocity.value.map(by),
            u: self.band.velocity.u.map(by),
        })
    }

    /// A warning where it contradicts a level known otherwise.
    pub(super) fn level_contradiction(&self, known: Stated, told: Stated) -> Option<Caveat> {
        let estimate = |stated: Stated| {
            let value = stated.value?;
            let u = stated.u.unwrap_or(priors::FULL_SCALE_RELATIVE * value);
            Some(Estimate { value, u })
        };
        let (known, told) = estimate(known).zip(estimate(told))?;
        let off = known.apart_from(told);
        Warning::LevelDisagrees.at(off, || {
            let shown = |e: Estimate| {
                let [v, u] = [e.value, e.u].map(|v| v / priors::FULL_SCALE.factor);
                format!("{} cm/s (u {})", rounded(v, u), rounded_u(u))
            };
            format!(
                "full scale of {} is {} from the tone of {}, but {} as stated or from another tone (their ratio is {} relative standard uncertainties from 1): correct full_scale_cm_s or velocity_cm_s, or leave full_scale_cm_s out; recordings with different gains need setups of their own",
                named("setup", &self.spec.setup),
                shown(told),
                self.spec.describe(0),
                shown(known),
                plain(off, 1)
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use crate::job::file::{gather, parse};
    use crate::job::{CaptureData, Job};
    use crate::uncertainty::{Caveat, Level, Warning};
    use std::f64::consts::TAU;
    use std::path::Path;

    /// Two seconds of a tone in both channels, rumble below it, then two of noise.
    fn recorded(folder: &Path, hertz: f64, peaks: [f64; 2]) {
        let spec = hound::WavSpec {
            channels: 2,
            sample_rate: 48_000,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let mut wav = hound::WavWriter::create(folder.join("a.wav"), spec).unwrap();
        let mut state = 1_u32;
        for n in 0..4 * 48_000 {
            let t = f64::from(n) / 48_000.0;
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let noise = f64::from(state >> 8) / f64::from(1 << 24) - 0.5;
            for peak in peaks {
                let tone = peak * (TAU * hertz * t).sin() + 0.3 * (TAU * 12.0 * t).sin();
                let sample = if t < 2.0 { tone + 0.001 * noise } else { noise };
                wav.write_sample(sample as f32).unwrap();
            }
        }
        wav.finalize().unwrap();
    }

    fn job(stated: &str) -> Job {
        let text = format!(
            "format = 1
[record.r.band.level]
kind = \"tone\"
radius_mm = 140
velocity_cm_s = {{ value = 5, u = 0.2 }}
[record.r.band.wide]
radius_mm = 120
[setup.s]
{stated}
[[capture]]
file = \"a.wav\"
record = \"r\"
setup = \"s\"
rpm = 33
bands = [{{ name = \"level\", from = 0.1, to = 1.9 }}, {{ name = \"wide\", from = 2.1, to = 3.9 }}]"
        );
        parse(&text, "job.toml").unwrap()
    }

    fn gathered(folder: &Path, job: &mut Job) -> Result<Vec<Caveat>, String> {
        let read = |_: &super::super::RecordingToRead<'_>| {
            Ok::<_, String>(CaptureData::of_delay(0.0, 1e-6))
        };
        gather(job, &folder.join("job.toml"), read)
            .map(|(_, caveats)| caveats)
            .map_err(|e| e.to_string())
    }

    /// 5 cm/s at a peak of 0.25 (in the mean of the channels' powers) is 20 cm/s at full scale; a level that
    /// is stated stays.
    #[test]
    fn a_tone_calibrates_the_level() {
        let folder = tempfile::tempdir().unwrap();
        let at = folder.path();
        recorded(at, 1007.0, [0.24, 0.2596]);
        let mut told = job("");
        assert_eq!(told.captures.len(), 1);
        gathered(at, &mut told).unwrap();
        let full_scale = told.setups["s"].full_scale;
        let value = full_scale.value.unwrap();
        assert!((value - 0.20).abs() < 0.0005, "{value}");
        let u = full_scale.u.unwrap();
        assert!((u / value - 0.04).abs() < 1e-9, "{u}");
        let mut stated = job("full_scale_cm_s = 33");
        gathered(at, &mut stated).unwrap();
        assert_eq!(stated.setups["s"].full_scale.value, Some(0.33));
    }

    /// The tone tells 20 cm/s to 4 %. What is stated to 2 % is off by `ln(stated / 20)` over 4.47 %: by
    /// 3.29 of it at 23.17 and 17.26, by 3.89 at 23.80 and 16.81.
    #[test]
    fn a_level_that_a_tone_contradicts_is_doubted() {
        let folder = tempfile::tempdir().unwrap();
        let at = folder.path();
        recorded(at, 1007.0, [0.24, 0.2596]);
        for (stated, level) in [
            (20.0, None),
            (23.0, None),
            (23.5, Some(Level::Caution)),
            (17.0, Some(Level::Caution)),
            (24.0, Some(Level::Serious)),
            (40.0, Some(Level::Serious)),
        ] {
            let u = 0.02 * stated;
            let level_line = format!("full_scale_cm_s = {{ value = {stated}, u = {u} }}");
            let found = gathered(at, &mut job(&level_line)).unwrap();
            let seen = found.iter().find(|c| c.code == Warning::LevelDisagrees);
            assert_eq!(seen.map(|c| c.level), level, "{stated}: {found:?}");
            if stated == 40.0 {
                let message = &seen.unwrap().message;
                for words in [
                    "setup s",
                    "a.wav, band level",
                    "20.00 cm/s (u 0.80)",
                    "40.00 cm/s (u 0.80)",
                ] {
                    assert!(message.contains(words), "{message}");
                }
            }
        }
    }

    #[test]
    fn other_tones_calibrate_no_level() {
        let folder = tempfile::tempdir().unwrap();
        let at = folder.path();
        recorded(at, 3150.0, [0.25, 0.25]);
        let message = gathered(at, &mut job("")).unwrap_err();
        assert!(message.contains("has 3150 Hz"), "{message}");
        assert!(message.contains("line 15"), "{message}");
        // a band that reaches into what follows the tone
        recorded(at, 1000.0, [0.25, 0.25]);
        let mut late = job("");
        late.test_bands[0].spec.to_s = Some(3.9);
        let message = gathered(at, &mut late).unwrap_err();
        assert!(message.contains("not one steady tone"), "{message}");
        let wrong = "format = 1\n[record.r.band.a]\nradius_mm = 140\nvelocity_cm_s = 5";
        let message = parse(wrong, "job.toml").unwrap_err().to_string();
        assert!(message.contains("not of the kind"), "{message}");
    }
}
