//! Errors in a file with their place: line, table and key, worded for the author of the file.

use super::JobFileError;
use super::values::Format;
use crate::outside::nearest;
use crate::units::{QuantityError, parse_number};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde::de::value::{self, MapDeserializer};
use toml::de::{DeTable, DeValue, Deserializer, ValueDeserializer};

/// An error and its position.
#[derive(Debug)]
pub struct FileError {
    /// Offset of its first byte.
    at: usize,
    message: String,
    /// Whether the message continues after the name of the key.
    of_key: bool,
}

impl FileError {
    /// About the key whose value is at this position: `must be a number`.
    pub fn of_key(at: usize, message: impl Into<String>) -> Self {
        Self {
            at,
            message: message.into(),
            of_key: true,
        }
    }

    /// About this position, in a sentence of its own.
    pub fn at(at: usize, message: impl Into<String>) -> Self {
        Self {
            of_key: false,
            ..Self::of_key(at, message)
        }
    }

    /// An unknown key at this position.
    pub fn unknown(at: usize, key: &str, known: &[&str]) -> Self {
        let known = known.join("`, `");
        Self::of_key(
            at,
            format!("unknown field `{key}`, expected one of `{known}`"),
        )
    }

    /// A key that is missing from the table at this position.
    pub fn missing(at: usize, key: &str) -> Self {
        Self::at(at, format!("'{key}' is missing; add it"))
    }
}

/// Messages for a value in place of a table, of a named table, or of a list of tables.
pub const NO_TABLE: &str = "must be a table";
pub const NO_NAME: &str = "needs a name";
pub const NO_LIST: &str = "must be a list of tables";

const ARM_WITHOUT_TABLE: &str = "an arm without tracking error needs no table (write arm = \"tangential\" or \"null-radius\" in its setup); ";

/// A file's text, kind and name.
pub struct SourceText<'a> {
    text: &'a str,
    path: &'a str,
    what: &'static str,
    /// Offsets of line starts, without the first.
    starts: Vec<usize>,
}

impl<'a> SourceText<'a> {
    pub fn new(text: &'a str, path: &'a str, what: &'static str) -> Self {
        // editors on some systems start a file with a byte order mark
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let starts = text.match_indices('\n').map(|(at, _)| at + 1).collect();
        Self {
            text,
            path,
            what,
            starts,
        }
    }

    /// The line of a byte, counted from 1.
    pub fn line(&self, at: usize) -> usize {
        1 + self.starts.partition_point(|start| *start <= at)
    }

    /// The error at a byte.
    pub fn error(&self, at: usize, message: String) -> JobFileError {
        JobFileError::Content {
            path: self.path.to_owned(),
            line: self.line(at),
            message,
        }
    }

    /// The tables of the file. Reports an unknown format first, then keys at the top level.
    pub fn read<T: DeserializeOwned>(&self) -> Result<T, JobFileError> {
        let table = DeTable::parse(self.text).map_err(|e| self.syntax(&e))?;
        if let Some(format) = table.get_ref().get("format") {
            let read = Format::deserialize(ValueDeserializer::from(format.clone()));
            read.map_err(|e| self.refuse(FileError::of_key(format.span().start, e.message())))?;
        }
        for key in table.get_ref().keys() {
            if let Some(said) = unknown::<T>(key.get_ref()) {
                return Err(self.refuse(FileError::of_key(key.span().start, said)));
            }
        }
        T::deserialize(Deserializer::from(table)).map_err(|e| {
            let at = e.span().map_or(0, |s| s.start);
            self.refuse(FileError::of_key(at, e.message()))
        })
    }

    /// Converts to the public error, with line, table and key.
    pub fn refuse(&self, slip: FileError) -> JobFileError {
        // parsed again, since reading consumes it
        let table = DeTable::parse(self.text).map(|table| DeValue::Table(table.into_inner()));
        let top = KeyPath {
            own: self.what.to_owned(),
            ..KeyPath::default()
        };
        let place = table
            .ok()
            .and_then(|table| self.find(&table, slip.at, &top));
        let place = place.unwrap_or(top);
        let message = match slip.of_key {
            true => place.of_key(&slip.message),
            false => format!("{}: {}", place.own, slip.message),
        };
        self.error(slip.at, message)
    }

    /// The innermost key or value that begins at a byte, within a value whose position is known.
    fn find(&self, value: &DeValue<'_>, at: usize, outer: &KeyPath) -> Option<KeyPath> {
        let (top, own) = (outer.path.is_empty(), &outer.own);
        match value {
            DeValue::Table(table) => table.iter().find_map(|(key, value)| {
                let (name, span) = (key.get_ref(), value.span());
                let path = if top {
                    name.to_string()
                } else {
                    format!("{}.{name}", outer.path)
                };
                let inline = self
                    .text
                    .get(span.clone())
                    .is_some_and(|t| t.starts_with('{'));
                let place = KeyPath {
                    key: name.to_string(),
                    within: own.clone(),
                    own: match value.get_ref() {
                        DeValue::Table(_) if inline && !top => format!("{own}, '{name}'"),
                        DeValue::Table(_) => format!("[{path}]"),
                        _ => own.clone(),
                    },
                    path,
                };
                let found = self.find(value.get_ref(), at, &place);
                found.or_else(|| {
                    [key.span().start, span.start]
                        .contains(&at)
                        .then_some(place)
                })
            }),
            DeValue::Array(list) => list.iter().find_map(|item| {
                let place = KeyPath {
                    own: match *own == self.what {
                        true => format!("[[{}]]", outer.path),
                        false => format!("{own}, an entry of '{}'", outer.key),
                    },
                    ..outer.clone()
                };
                let found = self.find(item.get_ref(), at, &place);
                found.or_else(|| (item.span().start == at).then_some(place))
            }),
            _ => None,
        }
    }

    /// The TOML parser's message, with a hint for common mistakes.
    fn syntax(&self, error: &toml::de::Error) -> JobFileError {
        let at = error.span().map_or(0, |s| s.start);
        let line = self.text.lines().nth(self.line(at) - 1).unwrap_or("");
        let value = line.split_once('=').map_or("", |(_, v)| v.trim());
        let decimal_comma = parse_number(value.split('#').next().unwrap_or("").trim(), "a number");
        let hint = if let Err(QuantityError::DecimalComma(_, right)) = decimal_comma {
            format!("write a decimal point: {right}")
        } else if let Some(right) = self.comma_before(at) {
            format!("write a decimal point: {right}")
        } else if line.contains('\\') {
            "write paths with '/' or between single quotes".to_owned()
        } else {
            error.message().trim().replace('\n', "; ")
        };
        self.error(at, format!("not valid TOML: {hint}"))
    }

    /// The number with a decimal point, if one with a decimal comma ends or
    /// stands at this place, as in `{ value = 18,5 }`.
    fn comma_before(&self, at: usize) -> Option<String> {
        let digit = |c: &char| c.is_ascii_digit();
        let (before, after) = self.text.split_at_checked(at)?;
        let last: String = before.chars().rev().take_while(digit).collect();
        let whole = before[..before.len() - last.len()].strip_suffix(',')?;
        let first: String = whole.chars().rev().take_while(digit).collect();
        let fraction = last.chars().rev().chain(after.chars().take_while(digit));
        let fraction: String = fraction.collect();
        if first.is_empty() || fraction.is_empty() {
            return None;
        }
        let first: String = first.chars().rev().collect();
        Some(format!("{first}.{fraction}"))
    }
}

/// A place in a file.
#[derive(Clone, Default)]
struct KeyPath {
    /// The key at this position, or that of the list around it.
    key: String,
    /// All keys on the path to it.
    path: String,
    /// Header of the key's table: `[cartridge.red]`.
    within: String,
    /// Header of the table at this position; as above where there is none.
    own: String,
}

impl KeyPath {
    /// Rewords serde's message about the key at this position.
    fn of_key(&self, said: &str) -> String {
        let Self {
            key,
            path,
            within,
            own,
        } = self;
        let (what, expected) = said.rsplit_once(", expected ").unwrap_or((said, ""));
        let known: Vec<&str> = expected.split('`').skip(1).step_by(2).collect();
        let (start, quoted) = what.split_once(" `").unwrap_or((what, ""));
        let quoted = quoted.strip_suffix('`').unwrap_or(quoted);
        let near = |word| nearest(word, known.iter().copied());
        let must = |be: &str| format!("{within}: '{key}' must be {be}");
        let tables = || {
            must(&format!(
                "a list of tables with double brackets: [[{path}]]"
            ))
        };
        match (start, expected) {
            ("missing field", _) => match quoted {
                "format" => "the file starts with 'format = 1'; add that line".to_owned(),
                "value" => {
                    format!("{within}: '{key}' has no value; write {{ value = ..., u = ... }}")
                }
                _ => format!("{own}: '{quoted}' is missing; add it"),
            },
            ("unknown field", _) => {
                let advice = match near(key) {
                    Some(near) => format!("did you mean '{near}'?"),
                    None => format!("known here: {}", known.join(", ")),
                };
                let arm = if within.starts_with("[arm.") && within.ends_with(']') {
                    ARM_WITHOUT_TABLE
                } else {
                    ""
                };
                format!("unknown key '{key}' in {within}; {arm}{advice}")
            }
            ("unknown variant", _) => {
                let near = near(quoted).map(|near| format!("; did you mean \"{near}\"?"));
                let (known, near) = (known.join("\", \""), near.unwrap_or_default());
                must(&format!("one of \"{known}\", and is \"{quoted}\"{near}"))
            }
            (NO_NAME, _) => {
                let kind = path
                    .strip_suffix(key)
                    .unwrap_or_default()
                    .trim_end_matches('.');
                format!("[{kind}] needs a name: write [{kind}.NAME]")
            }
            (NO_LIST, _) | (_, "a sequence") => tables(),
            (NO_TABLE, _) => must(&format!("a table: [{path}]")),
            (_, "") if what.starts_with("wanted") => must("text between quotes"),
            (_, "a boolean") => must("true or false, without quotes"),
            (_, "a map" | "a spanned value") => must(&format!("tables with a name: [{path}.NAME]")),
            (_, "") if what.ends_with("number overflowed") => must("a finite number"),
            (_, "") if said.starts_with(':') => format!("{within}: '{key}'{said}"),
            (_, "") => format!("{within}: '{key}' {said}"),
            (_, other) => must(other),
        }
    }
}

/// serde's message for an unknown key.
pub fn unknown<T: DeserializeOwned>(key: &str) -> Option<String> {
    let alone = MapDeserializer::<_, value::Error>::new([(key, ())].into_iter());
    let said = T::deserialize(alone).err()?.to_string();
    said.starts_with("unknown field").then_some(said)
}
