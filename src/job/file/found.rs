//! Locates the bands of a recording by its pauses or marks, and compares marks and tones with stated values.

use super::bands::side_part;
use super::{JobFileError, TestBand, resolve};
use crate::analysis;
use crate::capture::{self, CaptureError, ReadOptions, Stereo};
use crate::job::description::{CaptureSpec, DelaySource, Estimate, Job, LocatedBy, Record};
use crate::job::network::named;
use crate::job::pass::Pass;
use crate::job::priors;
use crate::side;
use crate::uncertainty::{Caveat, Warning, plain, rounded, rounded_u};
use std::collections::BTreeMap;
use std::path::Path;

/// Where bands are in one recording.
enum LocatedBands {
    /// Bands separated by pauses.
    Pauses(Vec<analysis::Span>),
    /// Bands of the side to be cut (none where no marks were found), and playing time over cutting time.
    Marks(Vec<Option<[f64; 2]>>, Option<Estimate>),
}

impl LocatedBands {
    fn read(
        by: LocatedBy,
        path: &Path,
        channels: Option<[usize; 2]>,
    ) -> Result<Self, CaptureError> {
        let source = capture::Source::Path(path.to_owned());
        let options = ReadOptions {
            channels,
            ..ReadOptions::default()
        };
        if by != LocatedBy::Marks {
            return Ok(Self::Pauses(analysis::bands(
                &source,
                &options,
                &mut |_| (),
            )?));
        }
        let mut recording = capture::open(&source, &options)?;
        let mut finder = side::Finder::new(recording.sample_rate_hz());
        let mut block = Stereo::default();
        while recording.read(&mut block, 1 << 16)? > 0 {
            finder.push(&block);
        }
        let duration_s = recording.position() as f64 / f64::from(recording.sample_rate_hz());
        let marks = finder.finish();
        let stretch = side::stretch(&marks).zip(side::stretch_u(&marks));
        Ok(Self::Marks(
            side::places(&marks, duration_s).to_vec(),
            stretch.map(|(value, u)| Estimate { value, u }),
        ))
    }

    /// Speed of a recording of a record side, by its marks.
    fn speed(&self, record: Option<&Record>) -> Option<Estimate> {
        let Self::Marks(_, Some(stretch)) = self else {
            return None;
        };
        Some(speed_by_ratio(
            record,
            stretch.value.recip(),
            stretch.u / stretch.value,
        ))
    }

    /// A warning where the marks contradict the stated speed of a capture.
    fn speed_contradiction(&self, spec: &CaptureSpec, record: Option<&Record>) -> Option<Caveat> {
        speed_disagrees(spec, self.speed(record)?, "its coded marks show")
    }

    /// Start and end of a capture's band, or why it was not found.
    fn span(&self, spec: &CaptureSpec) -> Result<[f64; 2], String> {
        let (name, by) = match &spec.band {
            Some(band) => (band.name.as_str(), band.found),
            None => ("", None),
        };
        match (self, by) {
            (Self::Pauses(found), Some(LocatedBy::Pauses(which, count))) => {
                let span = found.get(which).filter(|_| found.len() == count);
                let file = spec.file().unwrap_or_default();
                span.map(|s| [s.from_s, s.to_s])
                    .ok_or_else(|| wrong_count(&file, found, count))
            }
            (Self::Pauses(found), Some(LocatedBy::Before(which, count))) => {
                let beside = which.checked_sub(1).map(|before| found.get(before..=which));
                match beside.flatten().filter(|_| found.len() == count) {
                    Some([before, after]) => Ok([before.to_s + MARGIN_S, after.from_s - MARGIN_S]),
                    _ => Err(format!(
                        "the band '{name}' does not lie between two bands with programme"
                    )),
                }
            }
            (Self::Pauses(found), Some(LocatedBy::Stretch(stretch))) => {
                let whole = analysis::programme(found, &spec.file().unwrap_or_default())?;
                Ok(stretch.part([whole.from_s, whole.to_s]))
            }
            (Self::Marks(found, _), _) => {
                let place = side_part(name).and_then(|k| found[k]);
                // the fades at the ends, and what the marks may be off by
                let inner = place.map(|[from, to]| [from + MARGIN_S, to - MARGIN_S]);
                inner.ok_or_else(|| {
                    format!(
                        "the coded marks beside the band '{name}' are not in '{}', or the band is incomplete; record the whole side within 3 % of the speed of its cut, or list the bands it contains with 'from' and 'to'",
                        spec.file().unwrap_or_default()
                    )
                })
            }
            _ => Err(format!(
                "neither pauses nor marks locate the band '{name}'; state 'from' and 'to'"
            )),
        }
    }
}

/// Speed of a record, by its ratio to the speed of the cut and the ratio's relative standard uncertainty, to
/// which that of the cut's speed is added.
pub(super) fn speed_by_ratio(record: Option<&Record>, times: f64, relative_u: f64) -> Estimate {
    let cut_rpm = record.and_then(|r| r.cut_rpm).unwrap_or(side::RPM);
    let value = cut_rpm * times;
    Estimate {
        value,
        u: value * relative_u.hypot(priors::speed_u(cut_rpm) / cut_rpm),
    }
}

/// A warning where the measured speed contradicts the stated one.
pub(super) fn speed_disagrees(spec: &CaptureSpec, told: Estimate, by: &str) -> Option<Caveat> {
    let stated = spec.speed();
    let off = stated.apart_from(told);
    Warning::SpeedDisagrees.at(off, || {
        let shown = |e: Estimate| format!("{} rpm (u {})", rounded(e.value, e.u), rounded_u(e.u));
        format!(
            "'{}' is stated to be played at {}, but {by} {} (their ratio is {} relative standard uncertainties from 1): correct rpm, or cut_rpm of {}; if the turntable is off, state the rpm shown here",
            spec.file().unwrap_or_default(),
            shown(stated),
            shown(told),
            plain(off, 1),
            named("record", &spec.record)
        )
    })
}

/// Margin left out at both ends of a band located by marks, and of a pause, seconds.
const MARGIN_S: f64 = 0.2;

/// Locates captures and test bands whose times are not stated, collects them by pass, and warns where a
/// stated speed is contradicted. Reads each recording once.
pub(super) fn locate(job: &mut Job, job_file: &Path) -> Result<Vec<Caveat>, JobFileError> {
    let mut known: BTreeMap<_, LocatedBands> = BTreeMap::new();
    let mut caveats = Vec::new();
    let mut passes: Vec<Pass> = Vec::new();
    let captures = job.captures.iter_mut().enumerate();
    let captures = captures.map(|(at, spec)| (Some(at), true, spec));
    let others = job.test_bands.iter_mut().map(|band| {
        // the level that the job asks for depends on it
        let needed = band.band.velocity.value.is_some();
        (None, needed, &mut band.spec)
    });
    for (at, needed, spec) in captures.chain(others) {
        let (DelaySource::File(file), Some(band)) = (&spec.source, &spec.band) else {
            continue;
        };
        let path = resolve(job_file, file);
        // a missing file is reported where it is read
        if spec.stretch().is_none() && path.is_file() {
            if !passes.iter().any(|pass| pass.holds(spec)) {
                passes.push(Pass::of(spec));
            }
            let pass = passes.iter_mut().find(|pass| pass.holds(spec));
            pass.into_iter().for_each(|pass| pass.captures.extend(at));
        }
        let (Some(by), None, true) = (band.found, spec.from_s, path.is_file()) else {
            continue;
        };
        let content = |message: String| JobFileError::at(job_file, spec.line, message);
        let key = (path.clone(), spec.channels, by == LocatedBy::Marks);
        if !known.contains_key(&key) {
            let found = LocatedBands::read(by, &path, spec.channels);
            known.insert(key.clone(), found.map_err(|e| content(e.to_string()))?);
        }
        let found = &known[&key];
        let span = match found.span(spec) {
            Err(message) if needed => return Err(content(message)),
            other => other.ok(),
        };
        let record = job.records.get(&spec.record);
        // all of its bands state the same
        let caveat = found.speed_contradiction(spec, record);
        caveats.extend(caveat.filter(|c| !caveats.contains(c)));
        if let Some(pass) = passes.iter_mut().find(|pass| pass.holds(spec)) {
            pass.speed = pass.speed.or(found.speed(record));
        }
        [spec.from_s, spec.to_s] = [span.map(|s| s[0]), span.map(|s| s[1])];
    }
    job.passes = passes;
    Ok(caveats)
}

/// Sets the level of setups that state none from a tone in their recordings, and warns where a tone
/// contradicts a stated level.
pub(super) fn levels(job: &mut Job, job_file: &Path) -> Result<Vec<Caveat>, JobFileError> {
    let mut caveats = Vec::new();
    let with_velocity = |band: &&TestBand| band.band.velocity.value.is_some();
    for level in job.test_bands.iter().filter(with_velocity) {
        let (DelaySource::File(file), Some(setup)) =
            (&level.spec.source, job.setups.get_mut(&level.spec.setup))
        else {
            continue;
        };
        let path = resolve(job_file, file);
        if !path.is_file() {
            continue;
        }
        let told = level
            .full_scale(&path)
            .map_err(|message| level.error(job_file, message))?;
        match setup.full_scale.value {
            None => setup.full_scale = told,
            Some(_) => caveats.extend(level.level_contradiction(setup.full_scale, told)),
        }
    }
    Ok(caveats)
}

/// Most bands that a message lists.
const MOST_LISTED: usize = 12;

/// The message where a recording has another number of bands than expected.
fn wrong_count(file: &str, found: &[analysis::Span], count: usize) -> String {
    let spans: Vec<String> = found
        .iter()
        .take(MOST_LISTED)
        .map(|s| format!("{:.1} to {:.1}", s.from_s, s.to_s))
        .collect();
    let more = match found.len() > MOST_LISTED {
        true => ", ...",
        false => "",
    };
    format!(
        "{count} bands are expected in '{}', but pauses (a second or longer, {} dB below their neighbours) divide it into {}: {}{more} s. State 'from' and 'to' of each band, or list the bands it contains",
        file,
        analysis::depth_db(),
        found.len(),
        spans.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::Stated;
    use crate::job::file::parse;
    use crate::uncertainty::Level;

    fn capture() -> CaptureSpec {
        let text = "format = 1\n[[capture]]\nfile = 'takes/side.wav'\nrpm = 33\nradius_mm = 70\n";
        parse(text, "job.toml").unwrap().captures.remove(0)
    }

    /// The marks of the side cut at 33 1/3 tell the speed to 0.15 %, which is the cut's; what is stated is
    /// known to as much.
    #[test]
    fn a_speed_that_marks_contradict_is_doubted() {
        let stretch = Estimate {
            value: 1.0,
            u: 3e-6,
        };
        let found = LocatedBands::Marks(Vec::new(), Some(stretch));
        let seen = |rpm: Stated, cut_rpm| {
            let spec = CaptureSpec { rpm, ..capture() };
            let record = Record {
                cut_rpm,
                ..Record::default()
            };
            found.speed_contradiction(&spec, Some(&record))
        };
        let third = 100.0 / 3.0;
        for (rpm, cut_rpm, level) in [
            (Stated::number(third), None, None),
            // 0.7 and 0.84 % are 3.29 and 3.89 times 0.21 %
            (Stated::number(1.0065 * third), None, None),
            (Stated::number(1.0075 * third), None, Some(Level::Caution)),
            (Stated::number(1.009 * third), None, Some(Level::Serious)),
            (Stated::number(45.0), None, Some(Level::Serious)),
            (Stated::number(45.0), Some(45.0), None),
            (Stated::with_u(1.009 * third, 0.02 * third), None, None),
        ] {
            let caveat = seen(rpm, cut_rpm);
            assert_eq!(caveat.as_ref().map(|c| c.level), level, "{rpm:?}");
            if rpm == Stated::number(45.0) && cut_rpm.is_none() {
                let caveat = caveat.unwrap();
                assert_eq!(caveat.code, Warning::SpeedDisagrees);
                for words in [
                    "'takes/side.wav'",
                    "45.000 rpm (u 0.070)",
                    "show 33.333 rpm (u 0.050)",
                ] {
                    assert!(caveat.message.contains(words), "{}", caveat.message);
                }
            }
        }
        assert_eq!(
            LocatedBands::Marks(Vec::new(), None).speed_contradiction(&capture(), None),
            None
        );
    }
}
