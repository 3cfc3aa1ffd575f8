//! Several captures in one recording: its bands, with stated times or to be located, or stretches.

use super::content::CM_S;
use super::level::TestBand;
use super::slip::{FileError, SourceText};
#[cfg(feature = "cli")]
use super::values::Either;
use super::values::{
    Located, NAMED, Radius, Scalar, Table, Text, Time, Value, number, place, quantity,
};
use super::written::{BandTable, CaptureTable};
use crate::job::description::{
    Band, BandKind, BandOf, CaptureSpec, Job, LocatedBy, Record, Stated,
};
use crate::side::{Content, PARTS};
use crate::units::written;
use serde::de::{Error, IgnoredAny, IntoDeserializer, value};
use serde::{Deserialize, Deserializer};
use std::ops::RangeInclusive;

/// Range of tone frequencies accepted, hertz: above hum, below the upper limit of recordings.
const TONES_HZ: RangeInclusive<f64> = 300.0..=15_000.0;
/// Values that `bands` may have.
const FORM: &str = "must be \"pauses\", \"marks\" (on the side that 'groovelag master' writes), or a list of bands: [{ name = \"outer\", from = \"0:12\", to = \"1:10\", radius_mm = 140 }]";

/// A band of a record.
pub(super) fn described(
    Table { value: table, .. }: &Table<BandTable, NAMED>,
) -> Result<Band, FileError> {
    let of_tone = [
        (
            place(&table.velocity_cm_s),
            "a tone's velocity gives the level",
        ),
        (
            place(&table.frequency_hz),
            "a tone's frequency gives the speed",
        ),
    ];
    for (key, reason) in of_tone {
        if let (Some(at), true) = (key, table.kind != BandKind::Tone) {
            let message = format!("{reason}; this band is not of the kind \"tone\"");
            return Err(FileError::at(at, message));
        }
    }
    let (radius, radius_u) = table.radius_mm.metres();
    Ok(Band {
        kind: table.kind,
        radius,
        radius_u,
        velocity: quantity(&table.velocity_cm_s, CM_S, 0.1..=100.0)?,
        frequency: number(&table.frequency_hz, TONES_HZ)?,
    })
}

/// Value of `bands`: how they are located, or a list.
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema), schemars(untagged))]
pub enum BandsOf {
    /// Every band that the record describes, located in the recording.
    Found(By),
    /// A list of bands.
    Listed(#[cfg_attr(feature = "cli", schemars(length(min = 1)))] Vec<Located<Listed>>),
}

/// How bands are found.
#[derive(Clone, Copy, PartialEq, Eq, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum By {
    /// By the pauses between them.
    Pauses,
    /// By the marks of the side that `groovelag master` writes.
    Marks,
}

impl<'de> Deserialize<'de> for BandsOf {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let by = |text: String| By::deserialize(text.into_deserializer());
        match Value::<Vec<_>, IgnoredAny>::deserialize(deserializer)? {
            Value::Scalar(Scalar::List(list)) if !list.is_empty() => Ok(Self::Listed(list)),
            Value::Scalar(Scalar::Text(text)) => by(text)
                .map(Self::Found)
                .map_err(|_: value::Error| D::Error::custom(FORM)),
            _ => Err(D::Error::custom(FORM)),
        }
    }
}

// A band of the list: its name alone, or a table.
#[cfg_attr(
    feature = "cli",
    derive(schemars::JsonSchema),
    schemars(with = "Either<String, ListedBand>")
)]
pub struct Listed(ListedBand);

/// A band of a recording.
#[derive(Default, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
struct ListedBand {
    /// Its name, which the record may describe; its number in the list if absent.
    name: Option<Text>,
    /// Where it starts, seconds or "m:ss"; bands are found by their pauses if absent.
    from: Option<Located<Time>>,
    /// Where it ends, seconds or "m:ss".
    to: Option<Located<Time>>,
    /// Radius, millimetres, or the two at start and end; that of the record's band if absent.
    radius_mm: Option<Radius>,
}

impl<'de> Deserialize<'de> for Listed {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        match Value::<IgnoredAny, ListedBand>::deserialize(deserializer)? {
            Value::Table(band) => Ok(Self(band)),
            Value::Scalar(Scalar::Text(name)) => Ok(Self(ListedBand {
                name: Some(Text(name)),
                ..ListedBand::default()
            })),
            Value::Scalar(_) => Err(D::Error::custom(FORM)),
        }
    }
}

/// The captures that a recording holds.
pub(super) enum Parts<'a> {
    /// Itself.
    Whole,
    /// Its bands.
    Bands(&'a Located<BandsOf>),
    /// This number of stretches of equal length, and the position of the key.
    Stretches { at: usize, number: usize },
}

impl<'a> Parts<'a> {
    /// Reads the keys of a capture.
    pub fn of(table: &'a CaptureTable) -> Result<Self, FileError> {
        let delay = (place(&table.delay_us), "a delay belongs to one capture");
        let beside_stretches = [
            (
                place(&table.bands),
                "a recording is divided into bands or stretches, not both",
            ),
            delay,
        ];
        let beside_bands = [
            (place(&table.radius_mm), "each band has its own radius"),
            (place(&table.from_s), "each band has its own times"),
            (place(&table.to_s), "each band has its own times"),
            delay,
        ];
        let (what, others) = match (&table.stretches, &table.bands) {
            (Some(_), _) => ("stretches", &beside_stretches[..]),
            (None, Some(_)) => ("bands", &beside_bands[..]),
            (None, None) => return Ok(Self::Whole),
        };
        for (key, instead) in others {
            if let Some(at) = key {
                return Err(FileError::of_key(
                    *at,
                    format!("beside '{what}': {instead}"),
                ));
            }
        }
        Ok(match (&table.stretches, &table.bands) {
            (Some(Located { value, at }), _) => Self::Stretches {
                at: *at,
                number: value.0,
            },
            (None, Some(bands)) => Self::Bands(bands),
            (None, None) => Self::Whole,
        })
    }
}

/// Start and end of each band of a list, seconds, if they are stated.
fn spans(list: &[Located<Listed>]) -> Result<Vec<[f64; 2]>, FileError> {
    let mut spans = Vec::new();
    for Located {
        value: Listed(band),
        at,
    } in list
    {
        match (&band.from, &band.to) {
            (None, None) => {}
            (Some(from), Some(to)) if from.value.0 < to.value.0 => {
                spans.push(([from.value.0, to.value.0], *at));
            }
            (Some(_), Some(to)) => {
                return Err(FileError::of_key(to.at, "must be later than 'from'"));
            }
            (None, Some(_)) => return Err(FileError::missing(*at, "from")),
            (Some(_), None) => return Err(FileError::missing(*at, "to")),
        }
    }
    let without = list.iter().find(|band| band.value.0.from.is_none());
    if let (false, Some(band)) = (spans.is_empty(), without) {
        return Err(FileError::at(
            band.at,
            "this band has no 'from' and 'to', but another in the list does: state them for all bands, or for none to find the bands by their pauses",
        ));
    }
    let mut in_order = spans.clone();
    in_order.sort_by(|a, b| a.0[0].total_cmp(&b.0[0]));
    for pair in in_order.windows(2) {
        let ([_, end], (next, at)) = (pair[0].0, pair[1]);
        if next[0] < end {
            let [next, end] = [next[0], end].map(written);
            return Err(FileError::at(
                at,
                format!(
                    "this band begins at {next} s, before another ends at {end} s, so part of it would count twice; correct 'from' and 'to'"
                ),
            ));
        }
    }
    Ok(spans.into_iter().map(|(span, _)| span).collect())
}

impl Located<BandsOf> {
    /// The captures that `spec` holds (its laterally cut bands), and its other bands.
    pub(super) fn captures(
        &self,
        spec: &CaptureSpec,
        job: &Job,
        source: &SourceText<'_>,
    ) -> Result<(Vec<CaptureSpec>, Vec<TestBand>), FileError> {
        let nothing = Record::default();
        let record = job.records.get(&spec.record).unwrap_or(&nothing);
        let (bands, spans) = match &self.value {
            BandsOf::Found(_) => (self.found(record, &spec.record)?, Vec::new()),
            BandsOf::Listed(list) => {
                let bands = list.iter().enumerate();
                let bands: Result<_, _> = bands.map(|(k, band)| listed(k, band, record)).collect();
                (bands?, spans(list)?)
            }
        };
        let mut names: Vec<_> = bands.iter().map(|(name, ..)| name).collect();
        names.sort();
        if let Some(twice) = names.windows(2).find(|pair| pair[0] == pair[1]) {
            return Err(FileError::at(
                self.at,
                format!(
                    "two bands are called '{}'; give them different names",
                    twice[0]
                ),
            ));
        }
        let marked = self.marked();
        let heard = |band: &Band| band.kind != BandKind::Silent;
        let count = bands.iter().filter(|(_, band, _)| heard(band)).count();
        let (mut captures, mut others) = (Vec::new(), Vec::new());
        let mut which = 0;
        for (k, (name, band, at)) in bands.iter().enumerate() {
            let span = spans.get(k);
            let of_band = CaptureSpec {
                band: Some(BandOf {
                    name: name.clone(),
                    found: match (span, marked) {
                        (Some(_), _) => None,
                        (None, true) => Some(LocatedBy::Marks),
                        (None, false) if heard(band) => Some(LocatedBy::Pauses(which, count)),
                        (None, false) => Some(LocatedBy::Before(which, count)),
                    },
                }),
                radius: band.radius,
                radius_u: band.radius_u,
                from_s: span.map(|s| s[0]),
                to_s: span.map(|s| s[1]),
                line: Some(source.line(*at)),
                ..spec.clone()
            };
            if band.kind == BandKind::Lateral {
                captures.push(of_band);
            } else {
                let of_side = || side_tone(name).filter(|_| marked);
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
            return Err(FileError::at(
                self.at,
                "none of these bands is lateral, and only lateral bands give a rotation; list one",
            ));
        }
        Ok((captures, others))
    }

    /// Every band that a record describes, in playing order: from the outside in.
    fn found(&self, record: &Record, name: &str) -> Result<Vec<(String, Band, usize)>, FileError> {
        if record.bands.is_empty() {
            let called = match name.is_empty() {
                true => String::new(),
                false => format!(" '{name}'"),
            };
            return Err(FileError::at(
                self.at,
                format!(
                    "the record{called} describes no bands; add [record.X.band.NAME] with radius_mm for each, or list them: bands = [{{ radius_mm = 140 }}, ...]"
                ),
            ));
        }
        let all = record.bands.iter();
        let strange = record.bands.keys().find(|name| side_part(name).is_none());
        if let (true, Some(strange)) = (self.marked(), strange) {
            let known = PARTS.map(|part| part.name).join(", ");
            return Err(FileError::at(
                self.at,
                format!(
                    "the band '{strange}' of record '{name}' has no marks; the side that 'groovelag master' writes has: {known}"
                ),
            ));
        }
        let mut all: Vec<_> = all.map(|(n, b)| (n.clone(), *b, self.at)).collect();
        all.sort_by(|a, b| b.1.radius[0].total_cmp(&a.1.radius[0]));
        Ok(all)
    }

    fn marked(&self) -> bool {
        matches!(self.value, BandsOf::Found(By::Marks))
    }
}

/// A band of a list, completed from the record's band of that name.
fn listed(
    k: usize,
    Located { value, at }: &Located<Listed>,
    record: &Record,
) -> Result<(String, Band, usize), FileError> {
    let Listed(ListedBand {
        name, radius_mm, ..
    }) = value;
    let name = name
        .as_ref()
        .map_or_else(|| (k + 1).to_string(), |name| name.0.clone());
    let known = record.bands.get(&name);
    let (radius, radius_u) = match (radius_mm, known) {
        (Some(own), _) => own.metres(),
        (None, Some(known)) => (known.radius, known.radius_u),
        (None, None) => {
            return Err(FileError::at(
                *at,
                format!(
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
    Ok((name, band, *at))
}

/// Which part of the side to be cut a band is.
pub(super) fn side_part(name: &str) -> Option<usize> {
    PARTS.iter().position(|part| part.name == name)
}

/// The tone of a part of the side to be cut, hertz.
fn side_tone(name: &str) -> Option<f64> {
    match PARTS[side_part(name)?].content {
        Content::Tone(hertz) => Some(hertz),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::job::file::parse;
    use crate::units::MILLIMETRE;

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
        let pauses = |k| Some(LocatedBy::Pauses(k, 3));
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
                "in a recording",
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
