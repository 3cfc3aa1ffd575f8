//! What every JSON document has in common.

use crate::outside::{SafeJson, in_json};
use serde::{Deserialize, Serialize};
use std::io::{self, Write};

/// The program that made a document.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Program {
    /// `groovelag`.
    pub name: String,
    /// Its version.
    pub version: String,
}

impl Program {
    /// This program.
    pub fn this() -> Self {
        Self {
            name: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        }
    }
}

/// A document as one JSON text with a line break at its end.
pub fn json<T: Serialize>(document: &T) -> Result<String, serde_json::Error> {
    serde_json::to_string_pretty(document).map(|text| in_json(&text).into_owned() + "\n")
}

/// Writes the same piece by piece: a large document is never held as a whole.
pub fn write_json<T: Serialize>(document: &T, writer: impl Write) -> io::Result<()> {
    let mut safe = SafeJson(writer);
    serde_json::to_writer_pretty(&mut safe, document)?;
    safe.write_all(b"\n")
}

/// A document as one line of JSON with a line break at its end.
pub fn json_line<T: Serialize>(document: &T) -> Result<String, serde_json::Error> {
    serde_json::to_string(document).map(|text| in_json(&text).into_owned() + "\n")
}

/// The kinds of TOML file that people may mistake for one another, told by their tables.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TomlKind {
    /// A job.
    Job,
    /// A recipe.
    Recipe,
    /// A calibration.
    Calibration,
    /// Knowledge of an earlier job.
    Knowledge,
}

impl TomlKind {
    /// What a text is; `None` where it is not TOML, or could be anything.
    pub fn of(text: &str) -> Option<Self> {
        let table: toml::Table = text.parse().ok()?;
        let has = |keys: &[&str]| keys.iter().any(|k| table.contains_key(*k));
        if has(&["programme"]) {
            Some(Self::Recipe)
        } else if has(&["kind"]) && has(&["job", "covariance"]) {
            Some(Self::Knowledge)
        } else if has(&["program"]) && has(&["common", "crosstalk", "source"]) {
            Some(Self::Calibration)
        } else if has(&["setup", "limits"])
            || table.get("capture").is_some_and(toml::Value::is_array)
        {
            Some(Self::Job)
        } else {
            None
        }
    }
}

impl std::fmt::Display for TomlKind {
    /// What it is, and what it is for.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Job => "it is a job, for groovelag solve",
            Self::Recipe => "it is a recipe, for groovelag simulate",
            Self::Calibration => {
                "it is a calibration, for --chain, or in a job for [chain.NAME] calibration"
            }
            Self::Knowledge => "it is knowledge of an earlier job; a job takes it in by include",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kinds_of_toml() {
        for (text, kind) in [
            ("[programme]\nkind = 'pink'", Some(TomlKind::Recipe)),
            ("kind = 'x'\ncovariance = []", Some(TomlKind::Knowledge)),
            ("kind = 'x'\njob = []", Some(TomlKind::Knowledge)),
            ("program = 'x'\n[common]", Some(TomlKind::Calibration)),
            ("[[capture]]\nfile = 'a.wav'", Some(TomlKind::Job)),
            ("[capture]\nrpm = 33", None),
            ("not TOML", None),
        ] {
            assert_eq!(TomlKind::of(text), kind, "{text}");
        }
    }
}
