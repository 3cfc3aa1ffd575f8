//! `CHAIN.toml`, format 1: a calibration that a person can read and edit (the
//! cutter's separation, for instance).

use super::calibration::{Calibration, CommonResponse, Crosstalk, Estimated, SourceFile};
use crate::document::TomlKind;
use crate::outside::{self, ReadError, without_content};
use crate::uncertainty::{Caveat, Level};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fmt::Write as _;
use std::path::Path;
use thiserror::Error;

/// Why a calibration cannot be read. Every message names the file.
#[derive(Debug, Error)]
pub enum DocumentError {
    /// The file cannot be read.
    #[error("{file}: {source}; give the CHAIN.toml that groovelag calibrate wrote")]
    Read {
        /// The file.
        file: String,
        /// The reason.
        source: ReadError,
    },
    /// It is another file of this program's.
    #[error("{file} is not a calibration: {kind}")]
    OtherKind {
        /// The file.
        file: String,
        /// Its kind.
        kind: TomlKind,
    },
    /// It is not TOML, or a field is missing, unknown or of the wrong type.
    #[error("{file}: {message}; restore the field, or calibrate again")]
    Syntax {
        /// The file.
        file: String,
        /// What is wrong, with the field's name.
        message: String,
    },
    /// A field has an impossible value.
    #[error("{file}: {field} {problem}; restore the field, or calibrate again")]
    Field {
        /// The file.
        file: String,
        /// The field, with its table.
        field: String,
        /// What is wrong.
        problem: String,
    },
}

/// Hexadecimal digits of a document's SHA-256 that identify it.
pub(crate) const ID_LENGTH: usize = 12;

/// The file as it is written.
#[derive(Debug, Deserialize, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(deny_unknown_fields)]
pub struct CalibrationFile {
    /// Always 1.
    format: i64,
    /// The program that wrote it.
    program: String,
    /// Day of the captures.
    #[serde(default)]
    date: Option<String>,
    /// Warnings about the calibration; every capture that it corrects carries them.
    #[serde(default)]
    warning: Vec<Caveat>,
    /// The captures it was made from.
    #[serde(default)]
    source: Vec<SourceFile>,
    /// The chain's response, right over left.
    #[serde(default)]
    common: Option<CommonResponse>,
    /// The cartridge's crosstalk.
    #[serde(default)]
    crosstalk: Option<Crosstalk>,
}

/// Reads a calibration from a file.
pub fn read(path: &Path) -> Result<Calibration, DocumentError> {
    let file = path.to_string_lossy().replace('\\', "/");
    let text = outside::read_text(path).map_err(|source| DocumentError::Read {
        file: file.clone(),
        source,
    })?;
    from_toml(&text, &file)
}

/// Reads a calibration from its text; `file` is for messages.
pub fn from_toml(text: &str, file: &str) -> Result<Calibration, DocumentError> {
    let document: CalibrationFile = toml::from_str(text).map_err(|e| match TomlKind::of(text) {
        Some(kind) if kind != TomlKind::Calibration => DocumentError::OtherKind {
            file: file.to_owned(),
            kind,
        },
        _ => DocumentError::Syntax {
            file: file.to_owned(),
            message: one_line(&e, text),
        },
    })?;
    check(&document).map_err(|(field, problem)| DocumentError::Field {
        file: file.to_owned(),
        field,
        problem,
    })?;
    let hash = Sha256::digest(text.as_bytes());
    Ok(Calibration {
        id: crate::units::hexadecimal(&hash)[..ID_LENGTH].to_owned(),
        program: document.program,
        date: document.date,
        sources: document.source,
        common: document.common,
        crosstalk: document.crosstalk,
        warnings: document.warning,
        pass: None,
    })
}

/// The parser's message with the line it happened on, and the key there if the file is
/// plainly a calibration: of any other nothing is repeated.
fn one_line(error: &toml::de::Error, text: &str) -> String {
    let message = without_content(error.message());
    let ours = TomlKind::of(text) == Some(TomlKind::Calibration);
    match error.span() {
        // A missing field is reported for its whole table, whose first line
        // is its heading.
        Some(span) => {
            let before = text.get(..span.start).unwrap_or("");
            let line = before.matches('\n').count() + 1;
            let shown = text.lines().nth(line - 1).unwrap_or("").trim();
            let key = shown.split('=').next().unwrap_or("").trim();
            if ours {
                format!("line {line} ({key}): {message}")
            } else {
                format!("line {line}: {message}")
            }
        }
        None => message,
    }
}

type KeyProblem = (String, String);

fn check(document: &CalibrationFile) -> Result<(), KeyProblem> {
    if document.format != 1 {
        return Err((
            "format".into(),
            format!("is {}, but this program reads 1", document.format),
        ));
    }
    if document.common.is_none() && document.crosstalk.is_none() {
        return Err((
            "common, crosstalk".into(),
            "are both missing, so nothing is calibrated".into(),
        ));
    }
    if let Some(common) = &document.common {
        check_common(common)?;
    }
    if let Some(crosstalk) = &document.crosstalk {
        check_crosstalk(crosstalk)?;
    }
    Ok(())
}

fn check_common(c: &CommonResponse) -> Result<(), KeyProblem> {
    grid("common.hertz", &c.hertz)?;
    let n = c.hertz.len();
    column("common.phase_deg", &c.phase_deg, n, false)?;
    column("common.phase_u_deg", &c.phase_u_deg, n, true)?;
    column("common.gain_db", &c.gain_db, n, false)?;
    column("common.gain_u_db", &c.gain_u_db, n, true)?;
    for curve in &c.components_deg {
        column("common.components_deg", curve, n, false)?;
    }
    three("common.equaliser_percent", &c.equaliser_percent)?;
    if let Some(load) = &c.load_percent {
        three("common.load_percent", load)?;
    }
    estimated("common.skew_us", &c.skew_us)?;
    estimated("common.balance_db", &c.balance_db)?;
    at_least("common.scatter", c.scatter, 1.0)
}

fn check_crosstalk(c: &Crosstalk) -> Result<(), KeyProblem> {
    grid("crosstalk.hertz", &c.hertz)?;
    let n = c.hertz.len();
    for (name, values, size) in [
        ("crosstalk.left_into_right_re", &c.left_into_right_re, false),
        ("crosstalk.left_into_right_im", &c.left_into_right_im, false),
        ("crosstalk.left_into_right_u", &c.left_into_right_u, true),
        ("crosstalk.right_into_left_re", &c.right_into_left_re, false),
        ("crosstalk.right_into_left_im", &c.right_into_left_im, false),
        ("crosstalk.right_into_left_u", &c.right_into_left_u, true),
    ] {
        column(name, values, n, size)?;
        if values.iter().any(|v| v.abs() >= 1.0) {
            return Err((
                name.into(),
                "holds a value of one or more, which is not crosstalk".into(),
            ));
        }
    }
    for curve in &c.components_deg {
        column("crosstalk.components_deg", curve, n, false)?;
    }
    at_least("crosstalk.scatter", c.scatter, 1.0)?;
    at_least("crosstalk.scale_u", c.scale_u, 0.0)?;
    at_least(
        "crosstalk.cutter_separation_db",
        c.cutter_separation_db,
        0.0,
    )
}

fn grid(name: &str, hertz: &[f64]) -> Result<(), KeyProblem> {
    column(name, hertz, hertz.len(), true)?;
    if hertz.len() < 4 {
        return Err((
            name.into(),
            format!("has {} values; at least 4 are needed", hertz.len()),
        ));
    }
    if hertz[0] <= 0.0 || hertz.windows(2).any(|w| w[0] >= w[1]) {
        return Err((name.into(), "must be above zero and rise".into()));
    }
    Ok(())
}

fn column(name: &str, values: &[f64], length: usize, size: bool) -> Result<(), KeyProblem> {
    if values.len() != length {
        return Err((
            name.into(),
            format!("has {} values where hertz has {length}", values.len()),
        ));
    }
    match values
        .iter()
        .position(|v| !v.is_finite() || (size && *v < 0.0))
    {
        Some(i) => Err((
            name.into(),
            format!(
                "holds {} at place {}, not a finite {}number",
                values[i],
                i + 1,
                if size { "non-negative " } else { "" }
            ),
        )),
        None => Ok(()),
    }
}

fn three(name: &str, values: &[Estimated]) -> Result<(), KeyProblem> {
    if values.len() != 3 {
        return Err((name.into(), format!("has {} entries, not 3", values.len())));
    }
    values.iter().try_for_each(|v| estimated(name, v))
}

fn estimated(name: &str, quantity: &Estimated) -> Result<(), KeyProblem> {
    at_least(&format!("{name}.u"), quantity.u, 0.0)?;
    at_least(&format!("{name}.value"), quantity.value, f64::MIN)
}

fn at_least(name: &str, value: f64, limit: f64) -> Result<(), KeyProblem> {
    if value.is_finite() && value >= limit {
        Ok(())
    } else {
        let below = if limit == f64::MIN {
            String::new()
        } else {
            format!(" of {limit} or more")
        };
        Err((
            name.into(),
            format!("is {value}, not a finite number{below}"),
        ))
    }
}

/// Digits behind the point: a millionth of a degree is a third of a picosecond
/// at 10 kHz; ratios to 1e-9.
const DIGITS: usize = 6;
const RATIO_DIGITS: usize = 9;
/// Values in a line.
const COLUMNS: usize = 8;

/// Writes a calibration; [`from_toml`] of it gives the same but for rounding
/// and the identifier.
pub fn to_toml(c: &Calibration) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = write_document(&mut out, c);
    out
}

fn write_document(out: &mut String, c: &Calibration) -> std::fmt::Result {
    writeln!(
        out,
        "# Calibration of everything between groove and file, for measure --chain and for"
    )?;
    writeln!(
        out,
        "# [chain.NAME] calibration in a job. Made by groovelag calibrate.\n"
    )?;
    writeln!(out, "format = 1")?;
    writeln!(out, "program = {}", quoted(&c.program))?;
    if let Some(date) = &c.date {
        writeln!(out, "date = {}", quoted(date))?;
    }
    for w in &c.warnings {
        writeln!(out, "\n[[warning]]")?;
        writeln!(out, "code = {}", quoted(w.code.as_str()))?;
        writeln!(out, "level = {}", quoted(level(w.level)))?;
        writeln!(out, "message = {}", quoted(&w.message))?;
    }
    for s in &c.sources {
        writeln!(out, "\n[[source]]")?;
        writeln!(out, "kind = {}", quoted(&s.kind))?;
        writeln!(out, "file = {}", quoted(&s.file))?;
        writeln!(out, "sha256 = {}", quoted(&s.sha256))?;
        writeln!(out, "sample_rate_hz = {}", float(s.sample_rate_hz, 0))?;
        writeln!(out, "duration_s = {}", float(s.duration_s, 3))?;
    }
    if let Some(common) = &c.common {
        write_common(out, common)?;
    }
    if let Some(crosstalk) = &c.crosstalk {
        write_crosstalk(out, crosstalk)?;
    }
    Ok(())
}

fn write_common(out: &mut String, c: &CommonResponse) -> std::fmt::Result {
    writeln!(
        out,
        "\n# The chain's response, right over left, to one signal fed to both inputs."
    )?;
    writeln!(out, "[common]")?;
    writeln!(out, "inverted = {}", c.inverted)?;
    writeln!(out, "skew_us = {}", quantity(&c.skew_us))?;
    writeln!(out, "balance_db = {}", quantity(&c.balance_db))?;
    writeln!(
        out,
        "# Differences of the equaliser's 3180, 318 and 75 us, right minus left; which\n# channel is off is unknown."
    )?;
    quantities(out, "equaliser_percent", &c.equaliser_percent)?;
    if let Some(load) = &c.load_percent {
        writeln!(
            out,
            "# The same for coil inductance, load resistance and load capacitance."
        )?;
        quantities(out, "load_percent", load)?;
    }
    writeln!(out, "scatter = {}", float(c.scatter, 4))?;
    column_of(out, "hertz", &c.hertz, 2)?;
    writeln!(out, "# Negative where the right channel is late.")?;
    column_of(out, "phase_deg", &c.phase_deg, DIGITS)?;
    column_of(out, "phase_u_deg", &c.phase_u_deg, DIGITS)?;
    column_of(out, "gain_db", &c.gain_db, DIGITS)?;
    column_of(out, "gain_u_db", &c.gain_u_db, DIGITS)?;
    writeln!(
        out,
        "# Independent errors of the phase, shared by all captures corrected by this file."
    )?;
    curves(out, "components_deg", &c.components_deg)
}

fn write_crosstalk(out: &mut String, c: &Crosstalk) -> std::fmt::Result {
    writeln!(
        out,
        "\n# The cartridge's crosstalk, complex ratios, from bands cut into one channel alone."
    )?;
    writeln!(out, "[crosstalk]")?;
    writeln!(
        out,
        "# These figures include the cutter's own crosstalk; its separation is a prior\n# (common practice, no source). Enter a better figure here if you know one."
    )?;
    writeln!(
        out,
        "cutter_separation_db = {}",
        float(c.cutter_separation_db, 1)
    )?;
    writeln!(out, "scatter = {}", float(c.scatter, 4))?;
    writeln!(out, "scale_u = {}", float(c.scale_u, RATIO_DIGITS))?;
    column_of(out, "hertz", &c.hertz, 2)?;
    for (name, values) in [
        ("left_into_right_re", &c.left_into_right_re),
        ("left_into_right_im", &c.left_into_right_im),
        ("left_into_right_u", &c.left_into_right_u),
        ("right_into_left_re", &c.right_into_left_re),
        ("right_into_left_im", &c.right_into_left_im),
        ("right_into_left_u", &c.right_into_left_u),
    ] {
        column_of(out, name, values, RATIO_DIGITS)?;
    }
    writeln!(
        out,
        "# Independent errors that the noise of these figures leaves in a corrected phase."
    )?;
    curves(out, "components_deg", &c.components_deg)
}

/// A number with at most `digits` behind the point, and never "-0".
fn float(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    };
    let text = if text == "-0" { "0".to_owned() } else { text };
    if text.contains('.') {
        text
    } else {
        text + ".0"
    }
}

fn quantity(q: &Estimated) -> String {
    format!(
        "{{ value = {}, u = {} }}",
        float(q.value, DIGITS),
        float(q.u, DIGITS)
    )
}

fn quantities(out: &mut String, name: &str, list: &[Estimated]) -> std::fmt::Result {
    writeln!(out, "{name} = [")?;
    for q in list {
        writeln!(out, "  {},", quantity(q))?;
    }
    writeln!(out, "]")
}

fn values(out: &mut String, values: &[f64], digits: usize, indent: &str) -> std::fmt::Result {
    for line in values.chunks(COLUMNS) {
        let line: Vec<String> = line.iter().map(|v| float(*v, digits)).collect();
        writeln!(out, "{indent}{},", line.join(", "))?;
    }
    Ok(())
}

fn column_of(out: &mut String, name: &str, list: &[f64], digits: usize) -> std::fmt::Result {
    writeln!(out, "{name} = [")?;
    values(out, list, digits, "  ")?;
    writeln!(out, "]")
}

fn curves(out: &mut String, name: &str, list: &[Vec<f64>]) -> std::fmt::Result {
    writeln!(out, "{name} = [")?;
    for curve in list {
        writeln!(out, "  [")?;
        values(out, curve, DIGITS, "    ")?;
        writeln!(out, "  ],")?;
    }
    writeln!(out, "]")
}

fn level(level: Level) -> &'static str {
    match level {
        Level::Note => "note",
        Level::Caution => "caution",
        Level::Serious => "serious",
    }
}

/// A TOML string.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}
