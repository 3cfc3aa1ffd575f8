//! The folder behind the page. It is the whole state: every request reads `job.toml` anew, so
//! that an editor, another command or a second window can change it in between, and a new
//! start goes on where the last one ended.

use crate::cli::arguments;
use crate::cli::output::{self, Kind as Output};
use crate::cli::solve::adjusted;
use groovelag::document::TomlKind;
use groovelag::job::{self, Basis, CaptureData, DelaySource, Details, Job, Wanted};
use groovelag::outside;
use groovelag::report::page;
use groovelag::report::solution::SolutionDocument;
use groovelag::report::start::{AnyArm, TipAnswer};
use groovelag::report::turntable::{
    Kind, Known, Next, Sheet, View, before_and_after, current, told, usual_turn,
};
use groovelag::uncertainty::{Warning, plain, rounded_u};
use groovelag::units::parse_number;
use std::collections::BTreeMap;
use std::fs::Metadata;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

/// The job's file.
pub const JOB: &str = "job.toml";
/// What `solve --json` prints.
pub const SOLUTION: &str = "solution.json";
/// What `solve --report` writes.
pub const EVIDENCE: &str = "evidence.html";

/// Coverage of the bands: the default of `--coverage`.
pub const COVERAGE: f64 = 0.95;

/// Where the files of a job that is put away go, with a number behind it.
const EARLIER: &str = "earlier";

/// Endings of the recordings that can be read.
const ENDINGS: [&str; 8] = ["wav", "wave", "bwf", "flac", "aif", "aiff", "caf", "m4a"];

/// Endings of formats with losses.
const LOSSY: [&str; 6] = ["mp3", "aac", "ogg", "oga", "opus", "wma"];

/// Further recordings of a job that somebody else keeps, named at most.
const SUGGESTIONS: usize = 4;

/// How a file is known again.
type Stamp = (PathBuf, Option<(u64, Option<SystemTime>)>);

/// A folder with what was found in it.
pub struct Desk {
    /// The folder, as given.
    folder: PathBuf,
    /// Recordings that have been read.
    read: BTreeMap<PathBuf, (Stamp, String, CaptureData)>,
    /// The last view, and what it was made from.
    seen: Option<(Vec<Stamp>, String, View)>,
}

/// What a recording is to be.
#[derive(Debug, Clone, PartialEq)]
pub enum Place {
    /// A further one, of a job that the page keeps.
    New(Kind, f64),
    /// One that the job names.
    Named(String),
}

/// A recording that is about to be made.
pub struct Listened {
    /// The job with this recording alone.
    pub job: Job,
    /// What it is, in words.
    pub what: String,
    /// Its file's name.
    pub file_name: String,
    /// Where that is.
    pub path: PathBuf,
    /// The file, still empty.
    pub file: std::fs::File,
}

/// A form, by its fields.
pub type Fields = BTreeMap<String, String>;

/// Why a form is not taken: the field, and what is wrong.
pub type Wrong = (&'static str, String);

impl Desk {
    /// The desk of a folder.
    pub fn new(folder: PathBuf) -> Self {
        Self {
            folder,
            read: BTreeMap::new(),
            seen: None,
        }
    }

    /// The folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    fn job_file(&self) -> PathBuf {
        self.folder.join(JOB)
    }

    fn shown(&self) -> String {
        self.folder.to_string_lossy().replace('\\', "/")
    }

    /// The job as it stands in the folder, its text, and the sheet if the page keeps it.
    fn job(&self) -> Result<Option<(Job, String, Option<Sheet>)>, String> {
        let path = self.job_file();
        if !path.try_exists().unwrap_or(true) {
            return Ok(None);
        }
        let job = job::file::read(&path).map_err(|e| e.to_string())?;
        let text = outside::read_text(&path).map_err(|e| format!("{JOB}: {e}"))?;
        let sheet = Sheet::read(&text, &job);
        Ok(Some((job, text, sheet)))
    }

    fn stamps(&self, job: &Job) -> Vec<Stamp> {
        let inputs = job::file::inputs(job, &self.job_file());
        inputs.into_iter().map(stamp).collect()
    }

    /// What the page shows.
    pub fn view(&mut self) -> View {
        let shown = self.shown();
        let nothing = Known {
            folder: &shown,
            job: None,
            sheet: None,
            missing: &[],
            next: &[],
        };
        let (job, text, sheet) = match self.job() {
            Ok(Some(found)) => found,
            Ok(None) => {
                let first = Sheet::first();
                let next = &first;
                return View::waiting(&Known { next, ..nothing });
            }
            Err(message) => {
                let view = View {
                    asked: None,
                    ..View::waiting(&nothing)
                };
                return view.with_trouble(message);
            }
        };
        let stamps = self.stamps(&job);
        if let Some((_, _, view)) = self
            .seen
            .as_ref()
            .filter(|(s, t, _)| *s == stamps && *t == text)
        {
            return view.clone();
        }
        let view = self.computed(&job, sheet.as_ref(), &shown);
        // the results beside the job are no inputs, so these are still its stamps
        self.seen = Some((stamps, text, view.clone()));
        view
    }

    /// Solves what has been recorded, and writes the results beside it.
    fn computed(&mut self, job: &Job, sheet: Option<&Sheet>, shown: &str) -> View {
        let path = self.job_file();
        let is_missing = |source: &DelaySource| match source {
            DelaySource::File(file) => !job::file::resolve(&path, file).is_file(),
            _ => false,
        };
        let missing: Vec<bool> = job.captures.iter().map(|c| is_missing(&c.source)).collect();
        let mut present = job.clone();
        present.captures.retain(|c| !is_missing(&c.source));
        let known = |next| Known {
            folder: shown,
            job: Some(job),
            sheet,
            missing: &missing,
            next,
        };
        let offered = |turn_is_due| match sheet {
            Some(sheet) => sheet.next(turn_is_due),
            None => Ok(awaited(job, &missing)),
        };
        let first = match offered(false) {
            Ok(next) => next,
            Err(message) => return View::waiting(&known(&[])).with_trouble(message),
        };
        if present
            .captures
            .iter()
            .all(|c| c.source == DelaySource::Planned)
        {
            return View::waiting(&known(&first));
        }
        let read = std::mem::take(&mut self.read);
        let cache = std::sync::Mutex::new(read);
        let adjusted = adjusted(present, &path, COVERAGE, &|reading| {
            read_once(reading, &cache)
        });
        self.read = cache.into_inner().unwrap_or_default();
        let (present, data, solved) = match adjusted {
            Ok(adjusted) => adjusted,
            Err(message) => return View::waiting(&known(&first)).with_trouble(message),
        };
        let solution = &solved.solution;
        let turn_is_due = current(&present, solution).is_some_and(|s| s.correction.is_some());
        let next = offered(turn_is_due).unwrap_or(first);
        let comparison = before_and_after(&present, solution)
            .and_then(|(before, after)| job::compare(&present, &solved, &before, &after).ok());
        let mut view = View::solved(&known(&next), &present, solution, comparison.as_ref());
        let details = Details::of(&present, &data, &solved);
        let basis = Basis::of(&present, &path, &data, &solved, None).map_err(|e| e.to_string());
        let evidence = page::solution(
            solution,
            &page::About {
                job: &present,
                file: Some(JOB),
                details: &details,
                coverage: solved.coverage,
                basis: basis.as_ref().ok(),
                metadata: false,
            },
        );
        let evidence = evidence.html().map_err(|e| e.to_string());
        let written = evidence.and_then(|html| {
            let file = self.folder.join(EVIDENCE);
            output::write_file(&file, html.as_bytes(), output::PAGE, true)
        });
        let document = basis.and_then(|basis| {
            let document = SolutionDocument::new(solved.solution).with_basis(basis);
            groovelag::document::json(&document).map_err(|e| e.to_string())
        });
        let document = document.and_then(|json| {
            let file = self.folder.join(SOLUTION);
            output::write_file(&file, json.as_bytes(), output::TRUTH, true)
        });
        if let Err(message) = output::all([written, document]) {
            view = view.with_trouble(message);
        }
        view
    }

    /// Takes what is played from a form.
    pub fn state(&mut self, fields: &Fields) -> Result<View, Wrong> {
        let job = self.job().map_err(|message| ("", message))?;
        let takes = match job {
            None => Vec::new(),
            Some((_, _, Some(sheet))) => sheet.takes,
            Some((_, _, None)) => return Err(("", KEPT_BY_HAND.to_owned())),
        };
        let sheet = Sheet {
            takes,
            ..asked(fields)?
        };
        self.write(&sheet).map_err(|message| ("", message))?;
        Ok(self.view())
    }

    fn write(&self, sheet: &Sheet) -> Result<(), String> {
        let text = sheet.text();
        // what the page cannot read it does not write
        job::file::parse(&text, JOB).map_err(|e| e.to_string())?;
        let file = self.job_file();
        output::write_file(&file, text.as_bytes(), Output::Toml(TomlKind::Job), true)
    }

    /// Where a recording would go, before it is taken.
    pub fn place(&self, query: &Fields) -> Result<Place, String> {
        let get = |key: &str| query.get(key).map_or("", String::as_str);
        let (job, _, sheet) = self.job()?.ok_or("Say first what is played.")?;
        match sheet {
            Some(sheet) => {
                let kind = Kind::of(get("kind")).filter(|kind| sheet.takes_next(*kind));
                let kind =
                    kind.ok_or("Such a recording does not come next; load the page anew.")?;
                let turn = match get("turn") {
                    "" => usual_turn(),
                    turn => turn.to_owned(),
                };
                let turn = arguments::positive_degrees(&turn)?;
                ending(get("name"))?;
                Ok(Place::New(kind, turn))
            }
            None => {
                let name = get("kind").strip_prefix("named:").unwrap_or("");
                let missing = |c: &job::CaptureSpec| matches!(&c.source, DelaySource::File(f) if f.to_str() == Some(name));
                let plain = Path::new(name).file_name().is_some_and(|n| n == name);
                if plain && job.captures.iter().any(missing) {
                    Ok(Place::Named(name.to_owned()))
                } else {
                    Err(KEPT_BY_HAND.to_owned())
                }
            }
        }
    }

    /// What is to be listened to: the job with this recording alone, what it is called, and
    /// the file that it goes into, which is there once this returns.
    pub fn listen(&self, place: &Place) -> Result<Listened, String> {
        let (job, _, sheet) = self.job()?.ok_or("Say first what is played.")?;
        let (file_name, what, job) = match place {
            Place::Named(name) => (name.clone(), name.clone(), job),
            Place::New(kind, turn) => {
                let sheet = sheet.ok_or(KEPT_BY_HAND)?;
                let file_name = self.free(&sheet.stem(*kind), "wav");
                let text = sheet.with(*kind, &file_name, *turn).text();
                let job = job::file::parse(&text, JOB).map_err(|e| e.to_string())?;
                (file_name, sheet.name(*kind), job)
            }
        };
        if ending(&file_name)? != "wav" {
            return Err(format!(
                "The job asks for {file_name}, and what is recorded here is a WAV file. Record it with another program, and add the file."
            ));
        }
        let is_it = |c: &job::CaptureSpec| matches!(&c.source, DelaySource::File(f) if f.to_str() == Some(&file_name));
        let capture = job.captures.iter().find(|c| is_it(c)).cloned();
        let capture = capture.ok_or("The job is gone; load the page anew.")?;
        let mut job = job;
        job.setups.retain(|name, _| *name == capture.setup);
        job.captures = vec![capture];
        let path = self.folder.join(&file_name);
        let file = output::create_file(&path, Output::Stream, false)?;
        Ok(Listened {
            job,
            what,
            file_name,
            path,
            file,
        })
    }

    /// Makes a recording that lies in the folder part of the job.
    pub fn keep(&mut self, place: &Place, file_name: &str) -> Result<View, String> {
        let path = self.folder.join(file_name);
        let kept = self.readable(&path);
        let listed = kept.and_then(|()| match place {
            Place::Named(_) => Ok(()),
            Place::New(kind, turn) => {
                let (_, _, sheet) = self.job()?.ok_or("The job is gone; load the page anew.")?;
                let sheet = sheet.ok_or(KEPT_BY_HAND)?;
                self.write(&sheet.with(*kind, file_name, *turn))
            }
        });
        listed.map_err(|e| {
            let e = e.replace(&*path.to_string_lossy(), file_name);
            let e = e.trim_end_matches('.');
            format!("{e}. The recording lies in the folder as {file_name}.")
        })?;
        Ok(self.view())
    }

    /// Puts a whole recording where it belongs; nothing is written over.
    pub fn take(
        &mut self,
        place: &Place,
        name: &str,
        file: output::Unplaced,
    ) -> Result<View, String> {
        match place {
            Place::Named(named) => {
                let path = self.folder.join(named);
                file.place(&path, false)?;
                self.readable(&path)?;
            }
            Place::New(kind, turn) => {
                let (_, _, sheet) = self.job()?.ok_or("The job is gone; load the page anew.")?;
                let sheet = sheet.ok_or(KEPT_BY_HAND)?;
                if !sheet.takes_next(*kind) {
                    return Err("Another window was faster; load the page anew.".to_owned());
                }
                let file_name = self.free(&sheet.stem(*kind), ending(name)?);
                let path = self.folder.join(&file_name);
                file.place(&path, false)?;
                let sheet = sheet.with(*kind, &file_name, *turn);
                self.readable(&path)
                    .and_then(|()| self.write(&sheet))
                    .map_err(|message| {
                        // it came from the browser a moment ago, where it still is
                        let _ = std::fs::remove_file(&path);
                        // and has the name that it has there
                        message.replace(&*path.to_string_lossy(), name)
                    })?;
            }
        }
        Ok(self.view())
    }

    /// Whether a recording can be used at all.
    fn readable(&self, path: &Path) -> Result<(), String> {
        let request =
            groovelag::analysis::Request::new(groovelag::capture::Source::Path(path.to_owned()));
        groovelag::analysis::analyse_corrected(&request, None, &mut |_| ())
            .map(|_| ())
            .map_err(|e| e.to_string())
    }

    /// A name that no file has.
    fn free(&self, stem: &str, ending: &str) -> String {
        let mut count = 1;
        loop {
            let name = match count {
                1 => format!("{stem}.{ending}"),
                n => format!("{stem}-no{n}.{ending}"),
            };
            if self.folder.join(&name).symlink_metadata().is_err() {
                return name;
            }
            count += 1;
        }
    }

    /// Takes a recording off the list; the file stays.
    pub fn leave_out(&mut self, file: &str) -> Result<View, String> {
        let (_, _, sheet) = self.job()?.ok_or("There is no job here.")?;
        let mut sheet = sheet.ok_or(KEPT_BY_HAND)?;
        sheet.takes.retain(|take| take.file != file);
        self.write(&sheet)?;
        Ok(self.view())
    }

    /// Moves everything of the job into a folder of its own, where it can be opened again, so
    /// that the page begins anew. Where one file cannot be moved, all of them stay.
    pub fn put_away(&mut self) -> Result<View, String> {
        let (_, _, sheet) = self.job()?.ok_or("There is no job here.")?;
        let sheet = sheet.ok_or(KEPT_BY_HAND)?;
        let mut count = 1;
        let away = loop {
            let folder = self.folder.join(format!("{EARLIER}-{count}"));
            match std::fs::create_dir(&folder) {
                Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => count += 1,
                made => break made.map(|()| folder),
            }
        };
        let failed = |e| format!("The job cannot be put away ({e}). It stays where it is.");
        let away = away.map_err(failed)?;
        // those that were left out as well
        let entries = std::fs::read_dir(&self.folder).map_err(failed)?;
        let names = entries
            .flatten()
            .map(|e| e.file_name().to_string_lossy().into_owned());
        let recordings = names.filter(|name| Sheet::is_recording(name) && ending(name).is_ok());
        let listed = sheet.takes.into_iter().map(|take| take.file);
        let mut all: Vec<String> = recordings.chain(listed).collect();
        all.extend([SOLUTION, EVIDENCE, JOB].map(str::to_owned));
        all.retain(|name| self.folder.join(name).symlink_metadata().is_ok());
        all.sort_unstable();
        all.dedup();
        for (moved, name) in all.iter().enumerate() {
            if let Err(e) = std::fs::rename(self.folder.join(name), away.join(name)) {
                for name in &all[..moved] {
                    let _ = std::fs::rename(away.join(name), self.folder.join(name));
                }
                let _ = std::fs::remove_dir(&away);
                return Err(failed(e));
            }
        }
        Ok(self.view())
    }
}

/// Said where the job is somebody else's work.
const KEPT_BY_HAND: &str =
    "job.toml was written or changed by hand, so the page leaves it as it is; change it there.";

/// How a file is known again: by its length and the time of its last change.
fn stamp(path: PathBuf) -> Stamp {
    let about = std::fs::metadata(&path).ok();
    let about = about.map(|a: Metadata| (a.len(), a.modified().ok()));
    (path, about)
}

/// Reads a recording, unless it was read before.
fn read_once(
    reading: &job::file::RecordingToRead<'_>,
    cache: &std::sync::Mutex<BTreeMap<PathBuf, (Stamp, String, CaptureData)>>,
) -> Result<CaptureData, String> {
    // what a calibration or a load says may have changed without the recording
    let plain = reading.through.is_none() && reading.load_terms.is_empty();
    let capture = reading.capture;
    let part = format!(
        "{:?} {:?} {:?}",
        capture.from_s, capture.to_s, capture.channels
    );
    let stamp = stamp(reading.path.clone());
    let lock = || {
        cache
            .lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    };
    if let Some((_, _, data)) = lock()
        .get(&reading.path)
        .filter(|(s, p, _)| plain && *s == stamp && *p == part)
    {
        return Ok(data.clone());
    }
    let data = reading.read(&mut |_| ()).map_err(|e| e.to_string())?;
    if plain {
        lock().insert(reading.path.clone(), (stamp, part, data.clone()));
    }
    Ok(data)
}

/// What a job that somebody else keeps asks for, and what would narrow its band.
fn awaited(job: &Job, missing: &[bool]) -> Vec<Next> {
    let next = |kind, what, how: &str| Next {
        kind,
        what,
        how: how.to_owned(),
        band: None,
        half_deg: None,
        best: false,
        turn: None,
        caution: false,
    };
    let asked = job.captures.iter().zip(missing).enumerate();
    let mut list: Vec<Next> = asked
        .filter(|(_, (_, missing))| **missing)
        .map(|(k, (capture, _))| {
            let file = capture.file().unwrap_or_else(|| capture.describe(k));
            let plain = Path::new(&file)
                .file_name()
                .is_some_and(|n| n == file.as_str());
            next(plain.then(|| format!("named:{file}")), told(capture), &file)
        })
        .collect();
    let plan = job::plan(job, Wanted::Ranking).ok();
    let suggestions = plan.into_iter().flat_map(|plan| plan.suggestions);
    list.extend(suggestions.take(SUGGESTIONS).map(|s| Next {
        band: Some(format!("±{}°", rounded_u(s.half_band_deg))),
        ..next(None, s.capture, "Add it to job.toml")
    }));
    list
}

/// The ending of a recording's name, if such recordings can be read.
fn ending(name: &str) -> Result<&'static str, String> {
    let given = name
        .rsplit_once('.')
        .map(|(_, ending)| ending.to_lowercase());
    let known = ENDINGS.into_iter().find(|e| given.as_deref() == Some(*e));
    known.ok_or_else(|| {
        if given.as_deref().is_some_and(|given| LOSSY.contains(&given)) {
            return format!(
                ".{} is a format with losses, which move the offset between the channels, and converting the file does not bring that back. Record again as WAV or FLAC.",
                given.unwrap_or_default()
            );
        }
        format!(
            "Recordings end in .{}; this file does not. Save it as WAV or FLAC.",
            ENDINGS.join(", .")
        )
    })
}

/// What is played, from the fields of the form.
fn asked(fields: &Fields) -> Result<Sheet, Wrong> {
    let get = |key: &str| fields.get(key).map_or("", |text| text.trim());
    let radius = match get("radius") {
        "" => {
            Err("Measure it with a ruler, from the middle of the spindle to the groove.".to_owned())
        }
        text => arguments::radii(text),
    };
    let radius = radius.map_err(|e| ("radius", e))?;
    for mm in [radius.start_mm, radius.end_mm] {
        if Warning::UnusualRadius.level(mm).is_some() {
            let words = format!(
                "Records are cut from 50 to 150 mm from the spindle, so this is no radius. A diameter of {0} mm is written d{0}. A larger disc needs a job that is written by hand.",
                plain(mm, 0)
            );
            return Err(("radius", words));
        }
    }
    let rpm = arguments::rpm(get("rpm")).map_err(|e| ("rpm", e))?;
    let tip = match (get("shape"), get("sizes")) {
        (shape, "") => arguments::stylus(shape),
        ("unknown" | "", _) => Err("Choose the shape that these sizes belong to.".to_owned()),
        (shape, sizes) => {
            let sizes = sizes.replace(['×', '/'], "x").replace("µm", "um");
            arguments::tip(shape, &sizes.replace(' ', ""))
        }
    };
    let tip: TipAnswer = tip.map_err(|e| ("sizes", e))?;
    let arm: AnyArm = match get("arm") {
        "pivoted" => {
            let numbers = ["effective", "pivot", "offset"].map(get);
            if numbers.contains(&"") {
                Err(
                    "Type all three, as the arm's maker states them, or choose another line above."
                        .to_owned(),
                )
            } else {
                arguments::arm(&numbers.join("/"))
            }
        }
        other => arguments::arm(other),
    }
    .map_err(|e| ("effective", e))?;
    let aligned = arguments::aligned(get("aligned")).map_err(|e| ("aligned", e))?;
    let tolerance_deg = match get("tolerance") {
        "" => None,
        text => {
            let value = parse_number(text, "a number of degrees").map_err(|e| e.to_string());
            Some(
                value
                    .and_then(|_| arguments::positive_degrees(text))
                    .map_err(|e| ("tolerance", e))?,
            )
        }
    };
    Ok(Sheet {
        arm,
        aligned,
        tolerance_deg,
        ..Sheet::new(tip, rpm, [radius.start_mm, radius.end_mm])
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_understood_or_named() {
        let fields = |changes: &[(&str, &str)]| {
            let usual = [
                ("radius", "72"),
                ("rpm", "33"),
                ("shape", "elliptical"),
                ("sizes", "0.7 x 0.3 mil"),
                ("arm", "unknown"),
                ("aligned", "eye"),
            ];
            let all = usual.iter().chain(changes);
            all.map(|(k, v)| ((*k).to_owned(), (*v).to_owned()))
                .collect::<Fields>()
        };
        let sheet = asked(&fields(&[])).unwrap();
        assert_eq!(sheet.radius_mm, [72.0; 2]);
        let TipAnswer::Elliptical(Some((frontal, side))) = sheet.tip else {
            panic!("{:?}", sheet.tip)
        };
        assert!((frontal - 17.78).abs() < 1e-9 && (side - 7.62).abs() < 1e-9);
        let arm = [
            ("arm", "pivoted"),
            ("effective", "229"),
            ("pivot", "211"),
            ("offset", "24"),
        ];
        assert!(matches!(
            asked(&fields(&arm)).unwrap().arm,
            AnyArm::Pivoted(_)
        ));
        let inches = asked(&fields(&[("radius", "d5.7in"), ("tolerance", "5")])).unwrap();
        assert!((inches.radius_mm[0] - 72.39).abs() < 1e-9 && inches.tolerance_deg == Some(5.0));
        for (change, field, says) in [
            (("radius", ""), "radius", "ruler"),
            (("radius", "72,5"), "radius", "decimal point"),
            (("radius", "2.8"), "radius", "in"),
            (("radius", "166"), "radius", "d166"),
            (("rpm", "72"), "", ""),
            (("rpm", "331"), "rpm", "not a speed"),
            (("sizes", "18x8x2"), "sizes", ""),
            (
                ("sizes", "187"),
                "sizes",
                "give two sizes joined by 'x', the frontal radius first",
            ),
            (
                ("sizes", "180x80"),
                "sizes",
                "no tip has a frontal radius of 180 um",
            ),
            (("shape", "unknown"), "sizes", "shape"),
            (("arm", "pivoted"), "effective", "all three"),
            (("aligned", ""), "aligned", "gauge"),
            (("tolerance", "0"), "tolerance", "between"),
        ] {
            match asked(&fields(&[change])) {
                Ok(_) => assert_eq!(field, "", "{change:?}"),
                Err((wrong, message)) => {
                    assert_eq!(wrong, field, "{message}");
                    assert!(message.contains(says), "{message}");
                }
            }
        }
    }

    #[test]
    fn names_end_as_recordings_do() {
        assert_eq!(ending("Take 1.WAV"), Ok("wav"));
        assert_eq!(ending("../../a.b.flac"), Ok("flac"));
        for name in ["", "wav", "a.mp3", "a.wav.exe", "a."] {
            assert!(ending(name).unwrap_err().contains("WAV"), "{name}");
        }
    }
}
