//! Converts the tables of a job file into a job: SI units, checked ranges, consistent values.

use super::JobFileError;
use super::bands::{self, Parts};
use super::consistent;
use super::slip::{FileError, SourceText};
use super::values::{FromScalar, LISTED, Located, NAMED, Scalar, Table, Text, number, quantity};
use super::written::{
    ArmTable, CaptureTable, CartridgeTable, ChainTable, JobFile, Leads, LimitsTable, RecordTable,
    SetupTable, Texts,
};
use crate::chain::CUTTER_SEPARATIONS_DB;
use crate::groove::{Arm, CONTACT_SPACINGS_UM, FRONTAL_RADII_UM, Profile, SIDE_RADII_UM, Tip};
use crate::job::calibration::FEWEST_REPEATS;
use crate::job::description::{
    ArmOf, CaptureSpec, Cartridge, Chain, DelaySource, Estimate, INSTRUMENT, Job, Limits,
    PivotedArm, REPORT, Record, Setup, Stated,
};
use crate::job::priors;
use crate::outside::nearest;
use crate::units::{DEGREE, MICROMETRE, MICROSECOND, MILLIMETRE};
use std::collections::{BTreeMap, BTreeSet};
use std::f64::consts::FRAC_PI_4;
use std::ops::RangeInclusive;

/// Henry in a millihenry, ohm in a kiloohm, farad in a picofarad.
const MILLIHENRY: f64 = 1e-3;
const KILOOHM: f64 = 1e3;
const PICOFARAD: f64 = 1e-12;

/// Metres per second in a centimetre per second.
pub(super) const CM_S: f64 = 0.01;

/// Hours of play accepted: up to three times the usual life of a stylus (1000 h; common practice, no source).
const PLAYED_HOURS: RangeInclusive<f64> = 0.0..=3000.0;

/// Reads the text of a job file into the job and the file as written.
pub fn read(source: &SourceText<'_>) -> Result<(Job, JobFile), JobFileError> {
    let file = source.read()?;
    let job = job(&file, source).map_err(|slip| source.refuse(slip))?;
    Ok((job, file))
}

fn job(file: &JobFile, source: &SourceText<'_>) -> Result<Job, FileError> {
    let names = ObjectNames::of(file);
    let mut job = Job {
        title: own(&file.title),
        operator: own(&file.operator),
        date: own(&file.date),
        note: own(&file.note),
        report: texts(&file.report, REPORT)?,
        cartridges: named(&file.cartridge, cartridge)?,
        records: named(&file.record, record)?,
        chains: named(&file.chain, chain)?,
        arms: named(&file.arm, arm)?,
        setups: named(&file.setup, |table| setup(table, &names, file))?,
        limits: limits(&file.limits)?,
        means: file.plan,
        ..Job::default()
    };
    add_undescribed(&mut job, file)?;
    for table in &file.instrument {
        let texts = texts([table], INSTRUMENT)?;
        if !texts.contains_key("name") {
            return Err(FileError::missing(table.at, "name"));
        }
        job.instruments.push(texts);
    }
    for table in &file.capture {
        let parts = Parts::of(&table.value)?;
        let spec = CaptureSpec {
            line: Some(source.line(table.at)),
            ..capture(table, &names)?
        };
        match parts {
            Parts::Bands(bands) => {
                let (captures, others) = bands.captures(&spec, &job, source)?;
                job.captures.extend(captures);
                job.test_bands.extend(others);
            }
            Parts::Stretches { at, number } => {
                let stretches = spec.in_stretches(number);
                let stretches = stretches.map_err(|reason| FileError::at(at, reason))?;
                job.captures.extend(stretches);
            }
            Parts::Whole => job.captures.push(spec),
        }
    }
    consistent::check(file, &job)?;
    Ok(job)
}

/// Adds the objects that captures need and the job does not describe: one of each kind, with default priors.
fn add_undescribed(job: &mut Job, file: &JobFile) -> Result<(), FileError> {
    fn one<T: Default>(map: &mut BTreeMap<String, T>) {
        if map.is_empty() {
            map.insert(String::new(), T::default());
        }
    }
    if let Some(capture) = file.capture.first() {
        one(&mut job.records);
        one(&mut job.chains);
        if job.setups.is_empty() {
            let cartridges: Vec<_> = job.cartridges.keys().map(String::as_str).collect();
            if cartridges.len() > 1 {
                return Err(FileError::at(
                    capture.at,
                    format!(
                        "the job has several cartridges and no setup; add [setup.NAME] with cartridge = one of: {}",
                        cartridges.join(", ")
                    ),
                ));
            }
            let cartridge = cartridges.concat();
            job.setups.insert(
                String::new(),
                Setup {
                    cartridge,
                    ..Setup::default()
                },
            );
        }
    }
    if !job.setups.is_empty() {
        one(&mut job.cartridges);
    }
    Ok(())
}

/// Value of a key, if present.
fn own<T: Clone + Into<R>, R>(key: &Option<T>) -> Option<R> {
    key.clone().map(Into::into)
}

/// The texts of tables that hold only texts.
fn texts<'a, const STANDS: u8>(
    tables: impl IntoIterator<Item = &'a Texts<STANDS>>,
    known: &[(&str, &str)],
) -> Result<BTreeMap<String, String>, FileError> {
    let known: Vec<_> = known.iter().map(|(key, _)| *key).collect();
    let texts = tables.into_iter().flat_map(|table| &table.value);
    let texts = texts.map(|(Located { value: key, at }, text)| {
        if !known.contains(&key.as_str()) {
            return Err(FileError::unknown(*at, key, &known));
        }
        let read = Text::from_scalar(Scalar::of(text.value.clone()));
        let text = read.map_err(|e| FileError::of_key(text.at, e))?;
        Ok((key.clone(), text.0))
    });
    texts.collect()
}

/// Reads each of the tables with names.
fn named<T, R>(
    tables: &BTreeMap<String, Table<T, NAMED>>,
    read: impl Fn(&Table<T, NAMED>) -> Result<R, FileError>,
) -> Result<BTreeMap<String, R>, FileError> {
    let each = tables.iter();
    each.map(|(name, table)| Ok((name.clone(), read(table)?)))
        .collect()
}

/// The names of all objects of each kind; an object that is not described is called "".
struct ObjectNames<'a>(BTreeMap<&'static str, BTreeSet<&'a str>>);

impl<'a> ObjectNames<'a> {
    fn of(file: &'a JobFile) -> Self {
        fn keys<T>(tables: &BTreeMap<String, T>) -> BTreeSet<&str> {
            match tables.is_empty() {
                true => BTreeSet::from([""]),
                false => tables.keys().map(String::as_str).collect(),
            }
        }
        let arms = file.arm.keys().map(String::as_str);
        Self(BTreeMap::from([
            ("cartridge", keys(&file.cartridge)),
            ("record", keys(&file.record)),
            ("chain", keys(&file.chain)),
            ("arm", arms.chain(SPECIAL_ARMS).collect()),
            ("setup", keys(&file.setup)),
        ]))
    }

    /// The name given by a key, or the only name of its kind where the key is absent.
    fn chosen(
        &self,
        kind: &str,
        key: &Option<Located<Text>>,
        table: usize,
    ) -> Result<String, FileError> {
        let known = &self.0[kind];
        match key {
            Some(Located {
                value: Text(name), ..
            }) if known.contains(name.as_str()) => Ok(name.clone()),
            Some(Located {
                value: Text(name),
                at,
            }) => {
                let near = nearest(name, known.iter().copied());
                let near = near.map(|near| format!("did you mean '{near}'? Otherwise "));
                let or = match kind {
                    "arm" => format!(", or write one of {}", SPECIAL_ARMS.join(", ")),
                    _ => String::new(),
                };
                Err(FileError::at(
                    *at,
                    format!(
                        "there is no {kind} '{name}' in this job; {}add [{kind}.{name}]{or}",
                        near.unwrap_or_default()
                    ),
                ))
            }
            None if known.len() == 1 => Ok(known.first().copied().unwrap_or_default().to_owned()),
            None => Err(FileError::at(
                table,
                format!(
                    "no {kind} is named, and the job has several; add {kind} = one of: {}",
                    known.iter().copied().collect::<Vec<_>>().join(", ")
                ),
            )),
        }
    }
}

fn cartridge(
    Table { value: table, .. }: &Table<CartridgeTable, NAMED>,
) -> Result<Cartridge, FileError> {
    let CartridgeTable {
        profile,
        frontal_radius_um,
        side_radius_um,
        contact_spacing_um,
        ..
    } = table;
    let is = |one| *profile == Some(one);
    for (key, fits) in [
        (frontal_radius_um, !is(Profile::Line)),
        (side_radius_um, !is(Profile::Spherical)),
        (contact_spacing_um, is(Profile::Line)),
        (&table.ball_lever_um, is(Profile::Spherical)),
        (&table.wear_um_per_1000_h, !is(Profile::Spherical)),
    ] {
        if let (Some(key), false) = (key, fits) {
            return Err(FileError::of_key(
                key.at,
                "does not describe this profile; a spherical tip has frontal_radius_um and ball_lever_um, an elliptical one frontal_radius_um and side_radius_um, a line contact contact_spacing_um and side_radius_um; a tip with a side radius may have wear_um_per_1000_h",
            ));
        }
    }
    // both may be exchanged: that is reported first
    let radii = *SIDE_RADII_UM.start()..=*FRONTAL_RADII_UM.end();
    let side = quantity(side_radius_um, MICROMETRE, radii.clone())?;
    let frontal = quantity(frontal_radius_um, MICROMETRE, radii)?;
    let contact_spacing = quantity(contact_spacing_um, MICROMETRE, CONTACT_SPACINGS_UM)?;
    let lever = |profile, size: Stated| {
        let size = [size.value?, side.value?, 0.0];
        Some(Tip { profile, size }.lever(FRAC_PI_4).length)
    };
    for (key, exchanged, message) in [
        (
            side_radius_um,
            lever(Profile::Elliptical, frontal).is_some_and(|l| l < 0.0),
            "the side radius exceeds the frontal radius; are the two exchanged?",
        ),
        (
            contact_spacing_um,
            lever(Profile::Line, contact_spacing).is_some_and(|l| l <= 0.0),
            "the contact spacing does not exceed the side radius by a factor of the square root of two; are the two exchanged?",
        ),
    ] {
        if let (Some(key), true) = (key, exchanged) {
            return Err(FileError::at(key.at, message));
        }
    }
    let holes_to_stylus = number(&table.holes_to_stylus_mm, -30.0..=30.0)?;
    Ok(Cartridge {
        profile: *profile,
        frontal_radius: quantity(frontal_radius_um, MICROMETRE, FRONTAL_RADII_UM)?,
        side_radius: quantity(side_radius_um, MICROMETRE, SIDE_RADII_UM)?,
        contact_spacing,
        ball_lever: quantity(&table.ball_lever_um, MICROMETRE, -10.0..=10.0)?,
        wear: quantity(&table.wear_um_per_1000_h, priors::WEAR.factor, 0.0..=100.0)?,
        crosstalk_db: number(&table.crosstalk_db, -120.0..=-1.0)?,
        skew: quantity(&table.skew_us, MICROSECOND, -1000.0..=1000.0)?,
        inductance: quantity(&table.inductance_mh, MILLIHENRY, 0.0..=10_000.0)?,
        holes_to_stylus: holes_to_stylus.map(|mm| mm * MILLIMETRE),
        serial: own(&table.serial),
        ..Cartridge::default()
    })
}

fn record(Table { value: table, .. }: &Table<RecordTable, NAMED>) -> Result<Record, FileError> {
    Ok(Record {
        cut_rotation: quantity(&table.cut_rotation_deg, DEGREE, -30.0..=30.0)?,
        lathe_offset: quantity(&table.lathe_offset_mm, MILLIMETRE, -10.0..=10.0)?,
        skew: quantity(&table.skew_us, MICROSECOND, -1000.0..=1000.0)?,
        cut_rpm: table.cut_rpm.as_ref().and_then(|key| key.stated().value),
        groove_angle: quantity(&table.groove_angle_deg, DEGREE, 30.0..=150.0)?,
        cutter_separation_db: number(&table.cutter_separation_db, CUTTER_SEPARATIONS_DB)?,
        session: own(&table.session),
        label: own(&table.label),
        side: own(&table.side),
        bands: named(&table.band, bands::described)?,
    })
}

fn chain(Table { value: table, .. }: &Table<ChainTable, NAMED>) -> Result<Chain, FileError> {
    let calibrations = table.calibration.as_ref().map(|key| &key.value.0);
    let stability = number(&table.stability_us, 0.0..=100.0)?;
    if let (Some(key), None) = (&table.stability_us, &table.calibration) {
        return Err(FileError::of_key(
            key.at,
            "is the change of the skew after a calibration, but no calibration is named; name it as 'calibration', or state the skew with its uncertainty as skew_us",
        ));
    }
    if let Some(key) = &table.calibration {
        let count = key.value.0.len();
        if count == 0 {
            return Err(FileError::of_key(
                key.at,
                "must be a file, or a list of files",
            ));
        }
        if count > 1 && (stability.is_some() || count < FEWEST_REPEATS) {
            return Err(FileError::at(
                key.at,
                format!(
                    "several calibrations measure how much the chain changes between them, which takes at least {FEWEST_REPEATS}, oldest first; with fewer, name only the last one and state 'stability_us', the standard uncertainty of that change"
                ),
            ));
        }
    }
    Ok(Chain {
        skew: quantity(&table.skew_us, MICROSECOND, -10_000.0..=10_000.0)?,
        component_tolerance: number(&table.component_tolerance, 1e-9..=0.5)?,
        load_resistance: quantity(&table.load_kohm, KILOOHM, 0.001..=10_000.0)?,
        load_capacitance: quantity(&table.load_pf, PICOFARAD, 0.0..=100_000.0)?,
        calibrations: calibrations
            .into_iter()
            .flatten()
            .map(|file| file.value.0.clone())
            .collect(),
        stability: stability.map(|us| us * MICROSECOND),
        beyond: None,
        corrected_by: None,
    })
}

fn arm(Table { value: table, .. }: &Table<ArmTable, NAMED>) -> Result<PivotedArm, FileError> {
    let arm = PivotedArm {
        effective_length: quantity(&table.effective_length_mm, MILLIMETRE, 100.0..=1000.0)?,
        pivot_to_spindle: quantity(&table.pivot_to_spindle_mm, MILLIMETRE, 50.0..=1000.0)?,
        offset: quantity(&table.offset_deg, DEGREE, -60.0..=60.0)?,
    };
    let stated = |stated: Stated| stated.value.unwrap_or_default();
    let shape = Arm {
        effective_length: stated(arm.effective_length),
        pivot_to_spindle: stated(arm.pivot_to_spindle),
        offset: stated(arm.offset),
    };
    if !shape.is_consistent() {
        return Err(FileError::at(
            table.effective_length_mm.at,
            "an arm with an offset angle overhangs the spindle, so its effective length exceeds pivot to spindle; are the two exchanged?",
        ));
    }
    Ok(arm)
}

/// Arms that need no dimensions, as setups name them.
const SPECIAL_ARMS: [&str; 3] = ["unknown", "tangential", "null-radius"];

fn setup(
    Table { value: table, at }: &Table<SetupTable, NAMED>,
    names: &ObjectNames<'_>,
    file: &JobFile,
) -> Result<Setup, FileError> {
    let arm = match &table.arm {
        None => None,
        key => Some(names.chosen("arm", key, *at)?),
    };
    Ok(Setup {
        cartridge: names.chosen("cartridge", &table.cartridge, *at)?,
        arm: match arm.as_deref() {
            Some(name) if file.arm.contains_key(name) => ArmOf::Pivoted(name.to_owned()),
            Some("tangential") => ArmOf::Tangential,
            Some("null-radius") => ArmOf::NullRadius,
            _ => ArmOf::Unknown,
        },
        rotation: quantity(&table.rotation_deg, DEGREE, -60.0..=60.0)?,
        mounting: quantity(&table.mounting_deg, DEGREE, -60.0..=60.0)?,
        alignment: table.aligned,
        full_scale: quantity(&table.full_scale_cm_s, CM_S, 0.1..=10_000.0)?,
        hours: number(&table.hours, PLAYED_HOURS)?,
        date: own(&table.date),
        mounted: own(&table.mounted),
    })
}

/// The limits that a result is checked against.
pub fn limits(table: &Option<Table<LimitsTable>>) -> Result<Limits, FileError> {
    let degrees = |v: Option<f64>| v.map(|v| v * DEGREE);
    let Some(Table { value: table, .. }) = table else {
        return Ok(Limits::default());
    };
    if let (Some(source), None) = (&table.tolerance_source, &table.tolerance_deg) {
        return Err(FileError::of_key(
            source.at,
            "says where a tolerance comes from, but none is stated; add tolerance_deg",
        ));
    }
    let expected = quantity(&table.expected_deg, DEGREE, -60.0..=60.0)?;
    Ok(Limits {
        tolerance: degrees(number(&table.tolerance_deg, 1e-6..=90.0)?),
        tolerance_source: table
            .tolerance_source
            .as_ref()
            .map(|key| key.value.0.clone()),
        max_turn: degrees(number(&table.max_turn_deg, 0.0..=90.0)?),
        standard_uncertainty: degrees(number(&table.standard_uncertainty_deg, 1e-6..=90.0)?),
        warning_level: table.warning_level,
        expected: table.expected_deg.as_ref().map(|_| expected),
        baseline: own(&table.baseline),
    })
}

fn capture(
    Table { value: table, at }: &Table<CaptureTable, LISTED>,
    names: &ObjectNames<'_>,
) -> Result<CaptureSpec, FileError> {
    let file = table.file.as_ref().map(|file| &file.0);
    let source = match (file, &table.delay_us, table.planned) {
        (Some(file), None, false) if !file.as_os_str().is_empty() => {
            DelaySource::File(file.clone())
        }
        (None, Some(key), false) => match quantity(key, MICROSECOND, -10_000.0..=10_000.0)? {
            Stated {
                value: Some(value),
                u: Some(u),
            } if u > 0.0 => DelaySource::Delay(Estimate { value, u }),
            _ => {
                return Err(FileError::of_key(
                    key.at,
                    "needs its standard uncertainty, greater than zero: delay_us = { value = 4.0, u = 0.005 }",
                ));
            }
        },
        (None, None, true) => DelaySource::Planned,
        _ => {
            return Err(FileError::at(
                *at,
                "a capture needs exactly one of: file = \"...\", delay_us = { value, u }, planned = true",
            ));
        }
    };
    let (radius, radius_u) = match (&table.radius_mm, &table.bands) {
        (Some(key), _) => key.metres(),
        // each of them has its own
        (None, Some(_)) => Default::default(),
        (None, None) => return Err(FileError::missing(*at, "radius_mm")),
    };
    if let (Some(from), Some(to)) = (&table.from_s, &table.to_s)
        && from.value.0 >= to.value.0
    {
        return Err(FileError::of_key(to.at, "must be later than 'from_s'"));
    }
    Ok(CaptureSpec {
        source,
        band: None,
        setup: names.chosen("setup", &table.setup, *at)?,
        record: names.chosen("record", &table.record, *at)?,
        chain: names.chosen("chain", &table.chain, *at)?,
        radius,
        radius_u,
        rpm: table.rpm.stated(),
        turn: quantity(&table.turn_deg, DEGREE, -60.0..=60.0)?,
        swapped: table.leads == Leads::Swapped,
        channels: own(&table.channels),
        from_s: table.from_s.as_ref().map(|key| key.value.0),
        to_s: table.to_s.as_ref().map(|key| key.value.0),
        date: own(&table.date),
        note: own(&table.note),
        line: None,
    })
}
