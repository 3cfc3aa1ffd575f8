//! Several captures in one recording: its bands, named by times or found by their pauses.

use super::super::description::{
    Band, BandKind, BandOf, CaptureSpec, Estimate, FoundBy, Job, Record, STRETCHES, Source, Stated,
};
use super::super::network::named;
use super::super::pass::Pass;
use super::super::priors;
use super::level::TestBand;
use super::{Fields, JobFileError, SourceText, resolve};
use crate::analysis;
use crate::capture::{self, CaptureError, Options, Stereo};
use crate::side::{self, Content, PARTS};
use crate::uncertainty::{Caveat, Warning, plain, rounded, rounded_u};
use crate::units::{parse_seconds, written};
use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::path::Path;
use toml::de::DeValue;

/// Keys of `[record.X.band.NAME]`.
const BAND_KEYS: &[&str] = &["kind", "radius_mm", "velocity_cm_s", "frequency_hz"];
/// Frequencies of tones that are told, hertz: above hum, below what recordings leave out.
const TONES_HZ: RangeInclusive<f64> = 300.0..=15_000.0;
/// Keys of an entry of a capture's `bands`.
const ENTRY_KEYS: &[&str] = &["name", "from", "to", "radius_mm"];
/// What `bands` is instead of a list, to mean every band that the record describes, found by
/// pauses,
const BY_PAUSES: &str = "pauses";
/// or by the marks of the side to be cut.
const BY_MARKS: &str = "marks";
/// How a list is written.
const FORM: &str = "\"pauses\", \"marks\" (on the side that 'groovelag master' writes), or a list of bands: [{ name = \"outer\", from = \"0:12\", to = \"1:10\", radius_mm = 140 }]";

/// The bands of a record, by name.
pub(super) fn described(f: &mut Fields<'_>) -> Result<BTreeMap<String, Band>, JobFileError> {
    let mut bands = BTreeMap::new();
    for (name, mut f) in f.named("band", BAND_KEYS)? {
        let kind = f.choice(
            "kind",
            &[
                ("lateral", BandKind::Lateral),
                ("left", BandKind::Left),
                ("right", BandKind::Right),
                ("tone", BandKind::Tone),
                ("silent", BandKind::Silent),
            ],
        )?;
        let (radius, radius_u) = f.radius()?;
        let kind = kind.unwrap_or_default();
        let velocity = f.quantity("velocity_cm_s", 0.01, 0.1..=100.0)?;
        let frequency = f.number("frequency_hz", TONES_HZ)?;
        for (key, reason) in [
            ("velocity_cm_s", "the velocity of a tone tells the level"),
            ("frequency_hz", "the frequency of a tone tells the speed"),
        ] {
            if f.has(key) && kind != BandKind::Tone {
                let message = format!("{reason}; this band is not of the kind \"tone\"");
                return Err(f.error(key, &message));
            }
        }
        let band = Band {
            kind,
            radius,
            radius_u,
            velocity,
            frequency,
        };
        bands.insert(name, band);
    }
    Ok(bands)
}

/// The captures that a recording stands for.
pub(super) enum Parts<'a> {
    /// Itself.
    Whole,
    /// Its bands.
    Bands(Bands<'a>),
    /// Stretches of one length.
    Stretches(Stretches<'a>),
}

impl<'a> Parts<'a> {
    /// Reads what a capture says of it.
    pub fn read(f: &mut Fields<'a>) -> Result<Self, JobFileError> {
        let stretches = Stretches::read(f)?;
        Ok(match (Bands::read(f)?, stretches) {
            (Some(bands), _) => Self::Bands(bands),
            (None, Some(stretches)) => Self::Stretches(stretches),
            (None, None) => Self::Whole,
        })
    }
}

/// What a capture says of its stretches.
pub(super) struct Stretches<'a> {
    source: SourceText<'a>,
    at: usize,
    number: usize,
}

impl<'a> Stretches<'a> {
    fn read(f: &mut Fields<'a>) -> Result<Option<Self>, JobFileError> {
        const KEY: &str = "stretches";
        let Some(number) = f.count(KEY, STRETCHES)? else {
            return Ok(None);
        };
        for (key, instead) in [
            ("bands", "a recording is taken in bands or in stretches"),
            ("delay_us", "a delay belongs to one capture"),
        ] {
            if f.has(key) {
                return Err(f.error(key, &format!("'{key}' beside 'stretches': {instead}")));
            }
        }
        Ok(Some(Self {
            source: f.source,
            at: f.get(KEY).map_or(0, |value| value.span().start),
            number,
        }))
    }

    /// The captures that `spec` stands for.
    pub fn captures(&self, spec: &CaptureSpec) -> Result<Vec<CaptureSpec>, JobFileError> {
        let stretches = spec.in_stretches(self.number);
        stretches.map_err(|reason| self.source.at(self.at, reason))
    }
}

/// What a capture says of its bands.
pub(super) struct Bands<'a> {
    source: SourceText<'a>,
    /// Where it says so.
    at: usize,
    /// The list; none where the record's own bands are meant.
    list: Option<Vec<Entry>>,
    /// They are found by marks.
    marked: bool,
}

/// An entry of the list.
struct Entry {
    name: Option<String>,
    span: Option<[f64; 2]>,
    radius: Option<([f64; 2], Option<f64>)>,
    at: usize,
}

impl<'a> Bands<'a> {
    /// Reads a capture's `bands`, if it has any.
    fn read(f: &mut Fields<'a>) -> Result<Option<Self>, JobFileError> {
        const KEY: &str = "bands";
        let Some(value) = f.get(KEY) else {
            return Ok(None);
        };
        for (key, instead) in [
            ("radius_mm", "each band has its own radius"),
            ("from_s", "each band has its own times"),
            ("to_s", "each band has its own times"),
            ("delay_us", "a delay belongs to one capture"),
        ] {
            if f.has(key) {
                return Err(f.error(key, &format!("'{key}' beside 'bands': {instead}")));
            }
        }
        let list = match value.get_ref() {
            DeValue::String(text) if text == BY_PAUSES || text == BY_MARKS => None,
            DeValue::Array(items) if !items.is_empty() => {
                let entry = |item: &'a toml::Spanned<DeValue<'a>>| match item.get_ref() {
                    DeValue::Table(table) => {
                        let at = item.span().start;
                        let context = "an entry of 'bands'";
                        Entry::read(&mut f.source.fields(context, table, at, ENTRY_KEYS)?, at)
                    }
                    DeValue::String(name) => Ok(Entry {
                        name: Some(name.to_string()),
                        span: None,
                        radius: None,
                        at: item.span().start,
                    }),
                    _ => Err(f.wrong(KEY, FORM)),
                };
                Some(items.iter().map(entry).collect::<Result<_, _>>()?)
            }
            _ => return Err(f.wrong(KEY, FORM)),
        };
        let bands = Self {
            source: f.source,
            at: value.span().start,
            list,
            marked: matches!(value.get_ref(), DeValue::String(text) if text == BY_MARKS),
        };
        bands.check_spans()?;
        Ok(Some(bands))
    }

    /// Refuses times that are stated of some alone, or that overlap.
    fn check_spans(&self) -> Result<(), JobFileError> {
        let list = self.list.as_deref().unwrap_or_default();
        let without = list.iter().find(|e| e.span.is_none());
        if let (true, Some(entry)) = (list.iter().any(|e| e.span.is_some()), without) {
            return Err(self.source.at(
                entry.at,
                "this band has no 'from' and 'to', and another of the list has: state all of them, or none to have the bands found by their pauses",
            ));
        }
        let mut spans: Vec<_> = list.iter().filter_map(|e| e.span.zip(Some(e.at))).collect();
        spans.sort_by(|a, b| a.0[0].total_cmp(&b.0[0]));
        for pair in spans.windows(2) {
            let ([_, end], (next, at)) = (pair[0].0, pair[1]);
            if next[0] < end {
                return Err(self.source.at(
                    at,
                    &format!(
                        "this band begins at {} s, before another ends at {} s, so that a part would count twice; correct 'from' and 'to'",
                        written(next[0]),
                        written(end)
                    ),
                ));
            }
        }
        Ok(())
    }

    /// The captures that `spec` stands for, those of its bands that are cut laterally; and its other bands.
    pub fn captures(
        &self,
        spec: &CaptureSpec,
        job: &Job,
    ) -> Result<(Vec<CaptureSpec>, Vec<TestBand>), JobFileError> {
        let nothing = Record::default();
        let record = job.records.get(&spec.record).unwrap_or(&nothing);
        let (bands, spans): (Vec<_>, Vec<_>) = match &self.list {
            None => (self.of(record, &spec.record)?, Vec::new()),
            Some(list) => {
                let mut bands = Vec::new();
                for (k, entry) in list.iter().enumerate() {
                    bands.push(self.entry(k, entry, record)?);
                }
                (bands, list.iter().filter_map(|e| e.span).collect())
            }
        };
        let mut names: Vec<_> = bands.iter().map(|(name, ..)| name).collect();
        names.sort();
        if let Some(twice) = names.windows(2).find(|pair| pair[0] == pair[1]) {
            return Err(self.source.at(
                self.at,
                &format!("two bands are called '{}'; call them differently", twice[0]),
            ));
        }
        let heard = |band: &Band| band.kind != BandKind::Silent;
        let count = bands.iter().filter(|(_, band, _)| heard(band)).count();
        let (mut captures, mut others) = (Vec::new(), Vec::new());
        let mut which = 0;
        for (k, (name, band, at)) in bands.iter().enumerate() {
            let span = spans.get(k);
            let of_band = CaptureSpec {
                band: Some(BandOf {
                    name: name.clone(),
                    found: match (span, self.marked) {
                        (Some(_), _) => None,
                        (None, true) => Some(FoundBy::Marks),
                        (None, false) if heard(band) => Some(FoundBy::Pauses(which, count)),
                        (None, false) => Some(FoundBy::Before(which, count)),
                    },
                }),
                radius: band.radius,
                radius_u: band.radius_u,
                from_s: span.map(|s| s[0]),
                to_s: span.map(|s| s[1]),
                line: Some(self.source.line(*at)),
                ..spec.clone()
            };
            if band.kind == BandKind::Lateral {
                captures.push(of_band);
            } else {
                let of_side = || side_tone(name).filter(|_| self.marked);
                others.push(TestBand {
                    spec: of_band,
                    band: Band {
                        frequency: band.frequency.or_else(of_side),
                        ..*band
                    },
                });
            }
            which += usize::from(heard(band));
        }
        if captures.is_empty() {
            return Err(self.source.at(
                self.at,
                "none of these bands is lateral, and others tell no rotation; list one that is",
            ));
        }
        Ok((captures, others))
    }

    /// Every band that a record describes, as a recording brings them: from the outside in.
    fn of(&self, record: &Record, name: &str) -> Result<Vec<(String, Band, usize)>, JobFileError> {
        if record.bands.is_empty() {
            let called = match name.is_empty() {
                true => String::new(),
                false => format!(" '{name}'"),
            };
            return Err(self.source.at(
                self.at,
                &format!(
                    "the record{called} describes no bands to be found; add [record.X.band.NAME] with radius_mm for each, or list them: bands = [{{ radius_mm = 140 }}, ...]"
                ),
            ));
        }
        let all = record.bands.iter();
        let strange = record.bands.keys().find(|name| side_part(name).is_none());
        if let (true, Some(strange)) = (self.marked, strange) {
            let known = PARTS.map(|part| part.name).join(", ");
            return Err(self.source.at(
                self.at,
                &format!(
                    "the band '{strange}' of record '{name}' has no marks; the side that 'groovelag master' writes has: {known}"
                ),
            ));
        }
        let mut all: Vec<_> = all.map(|(n, b)| (n.clone(), *b, self.at)).collect();
        all.sort_by(|a, b| b.1.radius[0].total_cmp(&a.1.radius[0]));
        Ok(all)
    }

    /// A band of the list: what it says itself, or what the record says of that name.
    fn entry(
        &self,
        k: usize,
        entry: &Entry,
        record: &Record,
    ) -> Result<(String, Band, usize), JobFileError> {
        let name = entry.name.clone();
        let name = name.unwrap_or_else(|| (k + 1).to_string());
        let known = record.bands.get(&name);
        let (radius, radius_u) = match (entry.radius, known) {
            (Some(own), _) => own,
            (None, Some(known)) => (known.radius, known.radius_u),
            (None, None) => {
                return Err(self.source.at(
                    entry.at,
                    &format!(
                        "the band '{name}' has no radius; add radius_mm, or describe the band in the record: [record.X.band.NAME]"
                    ),
                ));
            }
        };
        let band = Band {
            kind: known.map_or(BandKind::Lateral, |known| known.kind),
            radius,
            radius_u,
            velocity: known.map_or(Stated::default(), |known| known.velocity),
            frequency: known.and_then(|known| known.frequency),
        };
        Ok((name, band, entry.at))
    }
}

impl Entry {
    fn read(f: &mut Fields<'_>, at: usize) -> Result<Self, JobFileError> {
        let times = [f.time("from")?, f.time("to")?];
        let span = match times {
            [None, None] => None,
            [Some(from), Some(to)] if from < to => Some([from, to]),
            [Some(_), Some(_)] => return Err(f.error("to", "'to' must be later than 'from'")),
            [None, _] => return Err(f.missing("from")),
            [_, None] => return Err(f.missing("to")),
        };
        let radius = match f.has("radius_mm") {
            true => Some(f.radius()?),
            false => None,
        };
        Ok(Self {
            name: f.text("name")?,
            span,
            radius,
            at,
        })
    }
}

impl Fields<'_> {
    /// A time from the start of a recording: seconds, or `"m:ss"` between quotes.
    pub fn time(&self, key: &str) -> Result<Option<f64>, JobFileError> {
        let Some(value) = self.get(key) else {
            return Ok(None);
        };
        let seconds = match value.get_ref() {
            DeValue::String(text) => {
                parse_seconds(text).map_err(|e| self.error(key, &format!("'{key}': {e}")))?
            }
            other => self.value(key, other)?,
        };
        match (0.0..=1e6).contains(&seconds) {
            true => Ok(Some(seconds)),
            false => Err(self.error(
                key,
                &format!("'{key}' = {seconds} s is not a time within a recording"),
            )),
        }
    }
}

/// Which part of the side to be cut a band is.
fn side_part(name: &str) -> Option<usize> {
    PARTS.iter().position(|part| part.name == name)
}

/// The tone of a part of the side to be cut, hertz.
fn side_tone(name: &str) -> Option<f64> {
    match PARTS[side_part(name)?].content {
        Content::Tone(hertz) => Some(hertz),
        _ => None,
    }
}

/// Where bands are in one recording.
enum Found {
    /// Those that pauses part.
    Pauses(Vec<analysis::Span>),
    /// Those of the side to be cut, none where its marks do not tell; and how much longer than the cut it
    /// lasted.
    Marks(Vec<Option<[f64; 2]>>, Option<Estimate>),
}

impl Found {
    fn read(by: FoundBy, path: &Path, channels: Option<[usize; 2]>) -> Result<Self, CaptureError> {
        let source = capture::Source::Path(path.to_owned());
        let options = Options {
            channels,
            ..Options::default()
        };
        if by != FoundBy::Marks {
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

    /// The speed that the marks tell of a recording of a record side.
    fn speed(&self, record: Option<&Record>) -> Option<Estimate> {
        let Self::Marks(_, Some(stretch)) = self else {
            return None;
        };
        Some(turned(
            record,
            stretch.value.recip(),
            stretch.u / stretch.value,
        ))
    }

    /// What the marks say against the speed at which a capture is said to be played.
    fn against_speed(&self, spec: &CaptureSpec, record: Option<&Record>) -> Option<Caveat> {
        speed_disagrees(spec, self.speed(record)?, "its coded marks tell")
    }

    /// Start and end of a capture's band, or why it has none.
    fn span(&self, spec: &CaptureSpec) -> Result<[f64; 2], String> {
        let (name, by) = match &spec.band {
            Some(band) => (band.name.as_str(), band.found),
            None => ("", None),
        };
        match (self, by) {
            (Self::Pauses(found), Some(FoundBy::Pauses(which, count))) => {
                let span = found.get(which).filter(|_| found.len() == count);
                let file = spec.file().unwrap_or_default();
                span.map(|s| [s.from_s, s.to_s])
                    .ok_or_else(|| miscounted(&file, found, count))
            }
            (Self::Pauses(found), Some(FoundBy::Before(which, count))) => {
                let beside = which.checked_sub(1).map(|before| found.get(before..=which));
                match beside.flatten().filter(|_| found.len() == count) {
                    Some([before, after]) => Ok([before.to_s + MARGIN_S, after.from_s - MARGIN_S]),
                    _ => Err(format!(
                        "the band '{name}' does not lie between two bands that are heard"
                    )),
                }
            }
            (Self::Pauses(found), Some(FoundBy::Stretch(stretch))) => {
                let whole = analysis::programme(found, &spec.file().unwrap_or_default())?;
                Ok(stretch.part([whole.from_s, whole.to_s]))
            }
            (Self::Marks(found, _), _) => {
                let place = side_part(name).and_then(|k| found[k]);
                // the fades at the ends, and what the marks may be off by
                let inner = place.map(|[from, to]| [from + MARGIN_S, to - MARGIN_S]);
                inner.ok_or_else(|| {
                    format!(
                        "the coded marks beside the band '{name}' are not in '{}', or the band is not there as a whole; record the whole side at the speed of its cut (within 3 % of it marks are told), or list the bands that are there with 'from' and 'to'",
                        spec.file().unwrap_or_default()
                    )
                })
            }
            _ => Err(format!(
                "the band '{name}' is found neither by pauses nor by marks"
            )),
        }
    }
}

/// Speed of a record that turns so many times as fast as at its cut, with a relative standard uncertainty beside
/// that of the cut's own speed.
pub(super) fn turned(record: Option<&Record>, times: f64, relative_u: f64) -> Estimate {
    let cut_rpm = record.and_then(|r| r.cut_rpm).unwrap_or(side::RPM);
    let value = cut_rpm * times;
    Estimate {
        value,
        u: value * relative_u.hypot(priors::speed_u(cut_rpm) / cut_rpm),
    }
}

/// What is told of the speed against that at which a capture is said to be played.
pub(super) fn speed_disagrees(spec: &CaptureSpec, told: Estimate, by: &str) -> Option<Caveat> {
    let stated = spec.speed();
    let off = stated.apart_from(told);
    Warning::SpeedDisagrees.at(off, || {
        let shown = |e: Estimate| format!("{} rpm (u {})", rounded(e.value, e.u), rounded_u(e.u));
        format!(
            "'{}' is said to be played at {}, and {by} {} (their ratio is {} relative standard uncertainties from 1): correct rpm, or cut_rpm of {}; where the turntable is off, state rpm as they tell it",
            spec.file().unwrap_or_default(),
            shown(stated),
            shown(told),
            plain(off, 1),
            named("record", &spec.record)
        )
    })
}

/// Left out at the ends of a band that marks tell, and of a pause, seconds.
const MARGIN_S: f64 = 0.2;

/// Gives captures and test bands their times where these are to be found, puts together what belongs to one
/// pass, and tells what speaks against stated speeds. Each recording is read once for that.
pub(super) fn locate(job: &mut Job, job_file: &Path) -> Result<Vec<Caveat>, JobFileError> {
    let mut known: BTreeMap<_, Found> = BTreeMap::new();
    let mut caveats = Vec::new();
    let mut passes: Vec<Pass> = Vec::new();
    let captures = job.captures.iter_mut().enumerate();
    let captures = captures.map(|(at, spec)| (Some(at), true, spec));
    let others = job.test_bands.iter_mut().map(|band| {
        // without it the level that the job asks for is not known
        let needed = band.band.velocity.value.is_some();
        (None, needed, &mut band.spec)
    });
    for (at, needed, spec) in captures.chain(others) {
        let (Source::File(file), Some(band)) = (&spec.source, &spec.band) else {
            continue;
        };
        let path = resolve(job_file, file);
        // what is not there is told where it is to be read
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
        let content = |message: String| JobFileError::Content {
            path: job_file.to_string_lossy().replace('\\', "/"),
            line: spec.line.unwrap_or(1),
            message,
        };
        let key = (path.clone(), spec.channels, by == FoundBy::Marks);
        if !known.contains_key(&key) {
            let found = Found::read(by, &path, spec.channels);
            known.insert(key.clone(), found.map_err(|e| content(e.to_string()))?);
        }
        let found = &known[&key];
        let span = match found.span(spec) {
            Err(message) if needed => return Err(content(message)),
            other => other.ok(),
        };
        let record = job.records.get(&spec.record);
        // its bands all say the same
        let caveat = found.against_speed(spec, record);
        caveats.extend(caveat.filter(|c| !caveats.contains(c)));
        if let Some(pass) = passes.iter_mut().find(|pass| pass.holds(spec)) {
            pass.speed = pass.speed.or(found.speed(record));
        }
        [spec.from_s, spec.to_s] = [span.map(|s| s[0]), span.map(|s| s[1])];
    }
    job.passes = passes;
    Ok(caveats)
}

/// Gives setups that state no level the one that a tone in their recordings tells, and says where a tone
/// tells another.
pub(super) fn levels(job: &mut Job, job_file: &Path) -> Result<Vec<Caveat>, JobFileError> {
    let mut caveats = Vec::new();
    let with_velocity = |band: &&TestBand| band.band.velocity.value.is_some();
    for level in job.test_bands.iter().filter(with_velocity) {
        let (Source::File(file), Some(setup)) =
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
            Some(_) => caveats.extend(level.against(setup.full_scale, told)),
        }
    }
    Ok(caveats)
}

/// Most bands that a message lists.
const MOST_LISTED: usize = 12;

/// What to say where pauses part a recording into another number of bands.
fn miscounted(file: &str, found: &[analysis::Span], count: usize) -> String {
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
        "{count} bands are to be found in '{}', and pauses (a second or longer, {} dB below what plays beside them) part it into {}: {}{more} s. State 'from' and 'to' of each band, or list what is there",
        file,
        analysis::depth_db(),
        found.len(),
        spans.join(", ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::file::parse;
    use crate::uncertainty::Level;
    use crate::units::MILLIMETRE;

    /// The marks of the side cut at 33 1/3 tell the speed to 0.15 %, which is the cut's; what is stated is
    /// known to as much.
    #[test]
    fn a_speed_that_marks_contradict_is_doubted() {
        let stretch = Estimate {
            value: 1.0,
            u: 3e-6,
        };
        let found = Found::Marks(Vec::new(), Some(stretch));
        let seen = |rpm: Stated, cut_rpm| {
            let spec = CaptureSpec {
                rpm,
                ..job("bands = \"pauses\"").unwrap().captures[0].clone()
            };
            let record = Record {
                cut_rpm,
                ..Record::default()
            };
            found.against_speed(&spec, Some(&record))
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
                    "tell 33.333 rpm (u 0.050)",
                ] {
                    assert!(caveat.message.contains(words), "{}", caveat.message);
                }
            }
        }
        assert_eq!(
            Found::Marks(Vec::new(), None)
                .against_speed(&job("bands = \"pauses\"").unwrap().captures[0], None),
            None
        );
    }

    const HEAD: &str = "format = 1
[record.side.band.outer]
radius_mm = [141, 135]
[record.side.band.right]
kind = \"right\"
radius_mm = 120
[record.side.band.hush]
kind = \"silent\"
radius_mm = 100
[record.side.band.inner]
radius_mm = { value = 70, u = 0.2 }
";

    fn job(capture: &str) -> Result<Job, String> {
        let text = format!("{HEAD}[[capture]]\nfile = 'takes/side.wav'\nrpm = 33\n{capture}\n");
        parse(&text, "job.toml").map_err(|e| e.to_string())
    }

    #[test]
    fn a_recording_is_as_many_captures_as_it_has_lateral_bands() {
        let job = job("bands = \"pauses\"\nleads = \"swapped\"").unwrap();
        let [outer, inner] = &job.captures[..] else {
            panic!("{:?}", job.captures)
        };
        assert_eq!(outer.describe(0), "takes/side.wav, band outer");
        assert_eq!(inner.describe(1), "takes/side.wav, band inner");
        assert_eq!(inner.file().as_deref(), Some("takes/side.wav"));
        assert_eq!(outer.radius, [141.0, 135.0].map(|r| r * MILLIMETRE));
        assert_eq!(inner.radius_u, Some(0.2 * MILLIMETRE));
        assert!(outer.swapped && inner.swapped);
        // outer, right and inner are heard, from the outside in; the silent groove is not
        let found = |c: &CaptureSpec| c.band.as_ref().unwrap().found;
        let pauses = |k| Some(FoundBy::Pauses(k, 3));
        assert_eq!((found(outer), found(inner)), (pauses(0), pauses(2)));
        assert_eq!((outer.from_s, outer.line), (None, Some(15)));
    }

    #[test]
    fn bands_are_named_by_times() {
        let job = job("bands = [
  { name = \"inner\", from = \"1:10\", to = 130.5 },
  { name = \"right\", from = 40, to = 60 },
  { from = 2, to = 30, radius_mm = 138 },
]")
        .unwrap();
        let seen: Vec<_> = job
            .captures
            .iter()
            .map(|c| (c.describe(0), c.radius[0] / MILLIMETRE, c.from_s, c.to_s))
            .collect();
        let of = |name: &str| format!("takes/side.wav, band {name}");
        assert_eq!(seen[0], (of("inner"), 70.0, Some(70.0), Some(130.5)));
        assert_eq!((seen[1].0.clone(), seen[1].2), (of("3"), Some(2.0)));
        assert!((seen[1].1 - 138.0).abs() < 1e-9 && seen.len() == 2);
        assert_eq!(job.captures[1].line, Some(18));
        assert_eq!(job.captures[0].band.as_ref().unwrap().found, None);
    }

    #[test]
    fn what_is_wrong_with_bands_is_said_where_it_stands() {
        for (capture, line, words) in [
            ("bands = 3", 15, "'bands' must be \"pauses\""),
            ("bands = []", 15, "list of bands"),
            ("bands = \"pause\"", 15, "list of bands"),
            ("bands = \"marks\"", 15, "has no marks"),
            ("bands = [{}]", 15, "'1' has no radius"),
            ("bands = [\"outre\"]", 15, "'outre' has no radius"),
            ("bands = [\"right\"]", 15, "none of these bands is lateral"),
            (
                "bands = [\"inner\", \"inner\"]",
                15,
                "two bands are called 'inner'",
            ),
            ("bands = [{ radius = 3 }]", 15, "did you mean 'radius_mm'"),
            ("bands = [{ radius_mm = 3 }]", 15, "out of range"),
            (
                "bands = [\n{ from = 9, to = 3, radius_mm = 70 }]",
                16,
                "later than 'from'",
            ),
            (
                "bands = [\n{ from = 9, radius_mm = 70 }]",
                16,
                "'to' is missing",
            ),
            (
                "bands = [\n{ from = \"1;30\", to = 300, radius_mm = 70 }]",
                16,
                "m:ss",
            ),
            (
                "bands = [\n{ from = -1, to = 300, radius_mm = 70 }]",
                16,
                "within a recording",
            ),
            (
                "bands = [{ from = 1, to = 9, radius_mm = 70 },\n\"inner\"]",
                16,
                "no 'from' and 'to'",
            ),
            (
                "bands = [{ from = 1, to = 9, radius_mm = 70 },\n{ from = 8, to = 12, radius_mm = 69 }]",
                16,
                "count twice",
            ),
            ("radius_mm = 70\nbands = \"pauses\"", 15, "its own radius"),
            ("from_s = 70\nbands = \"pauses\"", 15, "its own times"),
        ] {
            let message = job(capture).unwrap_err();
            let place = format!("job.toml, line {line}: ");
            assert!(
                message.starts_with(&place) && message.contains(words),
                "{capture}: {message}"
            );
        }
        let none = parse(
            "format = 1\n[[capture]]\nfile = 'a.wav'\nrpm = 33\nbands = \"pauses\"",
            "x",
        );
        let message = none.unwrap_err().to_string();
        assert!(message.contains("describes no bands"), "{message}");
        let kind = parse(
            "format = 1\n[record.a.band.b]\nkind = \"both\"\nradius_mm = 70",
            "x",
        );
        let message = kind.unwrap_err().to_string();
        assert!(
            message.contains("line 3") && message.contains("[record.a.band.b]"),
            "{message}"
        );
    }
}
