//! Whether a result comes out the same once more.

use crate::document::Program;
use crate::job::{Basis, InputFile, InputKind};
use crate::outside::{self, on_one_line, shown, without_content};
use crate::report::solution::SolutionDocument;
use crate::report::text::wrapped;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::path::{Path, PathBuf};

/// Numbers that differ by less than this, relative to the larger one, differ by rounding: some
/// million times the rounding of one operation in double precision, and less than the last
/// digit that any result shows. Common practice, no source.
const ROUNDING: f64 = 1e-9;

/// The same for numbers near zero, in degrees, microseconds or micrometres (common practice, no
/// source).
const ROUNDING_NEAR_ZERO: f64 = 1e-9;

/// Places that are listed of those that differ: a screen (common practice, no source).
const MOST_LISTED: usize = 20;

/// What comparing a result with its like shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Agreement {
    /// Every number is the same to its last digit.
    Identical,
    /// Every number is the same within rounding.
    Rounding,
    /// It comes out otherwise.
    Different,
}

/// A file of which something else is there now.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ChangedInput {
    /// What it is to the job.
    pub kind: InputKind,
    /// Its name.
    pub file: String,
    /// SHA-256 that the result names; null where it knew no such file.
    pub sha256_then: Option<String>,
    /// SHA-256 now; null where the job has no such file any more.
    pub sha256_now: Option<String>,
}

/// A place of the document that comes out otherwise.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Difference {
    /// Where it stands (JSON Pointer, RFC 6901).
    pub place: String,
    /// What stands there.
    pub then: Value,
    /// What comes out now.
    pub now: Value,
}

/// What `verify --json` prints.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Verification {
    /// Name and version of the schema.
    #[schemars(extend("const" = "groovelag/verification/1"))]
    pub schema: String,
    /// What solved the job again.
    pub program: Program,
    /// What made the result.
    pub made_by: Program,
    /// The result's file, as given.
    pub result: String,
    /// Whether it comes out the same, from the same files.
    pub verified: bool,
    /// How it comes out.
    pub agreement: Agreement,
    /// Numbers compared.
    pub numbers: usize,
    /// Files that are not the same any more.
    pub changed_inputs: Vec<ChangedInput>,
    /// How many places come out otherwise.
    pub different: usize,
    /// The first of them.
    pub differences: Vec<Difference>,
}

/// A result that can be made again.
pub struct Claim {
    /// As it was read, with what no result of this program has.
    told: Value,
    made_by: Program,
    basis: Basis,
    path: PathBuf,
    /// The same as shown.
    file: String,
}

impl Claim {
    /// Reads what `solve --json` printed.
    ///
    /// # Errors
    ///
    /// When it is no such document, or one of an older version, without its basis.
    pub fn read(path: &Path) -> Result<Self, String> {
        let file = path.to_string_lossy().replace('\\', "/");
        let refuse = |reason: String| format!("{file}: {reason}");
        let bytes = outside::read(path).map_err(|e| refuse(format!("it cannot be read ({e})")))?;
        let strange = |e: serde_json::Error| {
            let e = without_content(&e.to_string());
            refuse(format!(
                "it is not what 'groovelag solve JOB --json' prints ({e})"
            ))
        };
        let told: Value = serde_json::from_slice(&bytes).map_err(strange)?;
        match told.get("schema").and_then(Value::as_str) {
            None | Some(SolutionDocument::SCHEMA) => {}
            Some(other) => {
                let other = shown(other);
                return Err(refuse(format!(
                    "it is of the schema '{other}'; verify takes '{}', which 'groovelag solve JOB --json' prints",
                    SolutionDocument::SCHEMA
                )));
            }
        }
        let document = SolutionDocument::deserialize(&told).map_err(strange)?;
        let basis = document.basis.ok_or_else(|| {
            refuse(
                "it does not say what it was made from (results of older versions do not); solve the job again with --json"
                    .to_owned(),
            )
        })?;
        Ok(Self {
            told,
            made_by: document.program,
            basis,
            path: path.to_owned(),
            file,
        })
    }

    /// The job that it was made from, beside the result.
    ///
    /// # Errors
    ///
    /// When the result names no job.
    pub fn job(&self) -> Result<PathBuf, String> {
        // a name alone: what a result says of folders is not followed
        let job = self.basis.job();
        let name = job.and_then(|job| Path::new(&job.file).file_name());
        let name =
            name.ok_or_else(|| format!("{}: it names no job file; name it with --job", self.file))?;
        Ok(self.path.with_file_name(name))
    }

    /// What the result was made from.
    pub fn basis(&self) -> &Basis {
        &self.basis
    }

    /// Holds it against what comes out now.
    ///
    /// # Errors
    ///
    /// When a document holds what JSON cannot.
    pub fn verify(&self, now: &SolutionDocument) -> Result<Verification, serde_json::Error> {
        let inputs_now = now.basis.as_ref().map_or(&[][..], |basis| &basis.inputs);
        let changed_inputs = changed(&self.basis.inputs, inputs_now);
        // who made it and from which bytes is told by itself; the results come before the basis
        let parts = |mut all: Value| {
            let fields = all.as_object_mut();
            let basis = fields.and_then(|fields| {
                fields.remove("program");
                fields.remove("basis")
            });
            let mut basis = basis.unwrap_or_default();
            // files are compared by themselves, what they bring is a result
            let inputs = basis.get_mut("inputs").and_then(Value::as_array_mut);
            for input in inputs
                .into_iter()
                .flatten()
                .filter_map(Value::as_object_mut)
            {
                input.remove("file");
                input.remove("sha256");
            }
            [("", all), ("/basis", basis)]
        };
        let mut found = Compared::default();
        let now_parts = parts(serde_json::to_value(now)?);
        for ((place, then), (_, now)) in parts(self.told.clone()).iter().zip(&now_parts) {
            found.compare(place, then, now);
        }
        let agreement = match (found.different, found.rounded) {
            (0, 0) => Agreement::Identical,
            (0, _) => Agreement::Rounding,
            _ => Agreement::Different,
        };
        Ok(Verification {
            schema: "groovelag/verification/1".to_owned(),
            program: Program::this(),
            made_by: self.made_by.clone(),
            result: self.file.clone(),
            verified: agreement != Agreement::Different && changed_inputs.is_empty(),
            agreement,
            numbers: found.numbers,
            changed_inputs,
            different: found.different,
            differences: found.differences,
        })
    }
}

/// Files that are not the same then and now. Several may have the same name, in folders of
/// their own.
fn changed(then: &[InputFile], now: &[InputFile]) -> Vec<ChangedInput> {
    let of = |then: Option<&InputFile>, now: Option<&InputFile>, input: &InputFile| ChangedInput {
        kind: input.kind,
        file: input.file.clone(),
        sha256_then: then.and_then(|i| i.sha256.clone()),
        sha256_now: now.and_then(|i| i.sha256.clone()),
    };
    // what a file brings follows from the rest
    let without =
        |others: &[InputFile], input: &&InputFile| !others.iter().any(|o| o.is_same_file(input));
    let mut new: Vec<&InputFile> = now.iter().filter(|input| without(then, input)).collect();
    let mut list = Vec::new();
    for gone in then.iter().filter(|input| without(now, input)) {
        let like = |other: &&InputFile| other.kind == gone.kind && other.is_called_like(gone);
        let other = new.iter().position(like).map(|at| new.remove(at));
        list.push(of(Some(gone), other, gone));
    }
    list.extend(new.into_iter().map(|input| of(None, Some(input), input)));
    list
}

/// Two documents, number by number.
#[derive(Default)]
struct Compared {
    numbers: usize,
    rounded: usize,
    different: usize,
    differences: Vec<Difference>,
}

impl Compared {
    fn compare(&mut self, place: &str, then: &Value, now: &Value) {
        match (then, now) {
            (Value::Object(a), Value::Object(b)) => {
                let more = b.keys().filter(|key| !a.contains_key(*key));
                for key in a.keys().chain(more) {
                    let at = format!("{place}/{}", key.replace('~', "~0").replace('/', "~1"));
                    self.compare(&at, &then[key], &now[key]);
                }
            }
            (Value::Array(a), Value::Array(b)) if a.len() == b.len() => {
                for (k, (a, b)) in a.iter().zip(b).enumerate() {
                    self.compare(&format!("{place}/{k}"), a, b);
                }
            }
            (Value::Number(a), Value::Number(b)) => {
                self.numbers += 1;
                let (x, y) = (
                    a.as_f64().unwrap_or(f64::NAN),
                    b.as_f64().unwrap_or(f64::NAN),
                );
                let most = (ROUNDING * x.abs().max(y.abs())).max(ROUNDING_NEAR_ZERO);
                if a == b {
                } else if (x - y).abs() <= most {
                    self.rounded += 1;
                } else {
                    self.differ(place, then, now);
                }
            }
            _ if then == now => {}
            _ => self.differ(place, then, now),
        }
    }

    fn differ(&mut self, place: &str, then: &Value, now: &Value) {
        self.different += 1;
        if self.differences.len() < MOST_LISTED {
            self.differences.push(Difference {
                place: place.to_owned(),
                then: then.clone(),
                now: now.clone(),
            });
        }
    }
}

/// Whether a result comes out the same, in words.
pub fn text(v: &Verification, width: usize) -> String {
    let mut out = wrapped(
        "",
        &match v.agreement {
            Agreement::Identical => format!(
                "The result is the same: all {} numbers, to the last digit.",
                v.numbers
            ),
            Agreement::Rounding => format!(
                "The result is the same: all {} numbers, within rounding.",
                v.numbers
            ),
            Agreement::Different => format!(
                "The result is not the same: {} ({} numbers were compared).",
                match v.different {
                    1 => "1 place differs".to_owned(),
                    n => format!("{n} places differ"),
                },
                v.numbers
            ),
        },
        width,
    );
    let files = match v.changed_inputs.as_slice() {
        [] => "Every file has the SHA-256 that the result names.".to_owned(),
        [_] => "One file differs from the one that the result names:".to_owned(),
        list => format!(
            "{} files differ from those that the result names:",
            list.len()
        ),
    };
    out += &wrapped("", &files, width);
    for c in &v.changed_inputs {
        let what = match (&c.sha256_then, &c.sha256_now) {
            (Some(_), None) => "the job no longer names it",
            (None, Some(_)) => "not among the files of the result",
            _ => "it has changed",
        };
        let file = on_one_line(&c.file);
        out += &wrapped("  ", &format!("{} {file}: {what}", c.kind.word()), width);
    }
    if v.program != v.made_by {
        let made = format!("{} {}", v.made_by.name, v.made_by.version);
        let words = format!(
            "The result was made by {}; this is {}.",
            shown(&made),
            v.program.version
        );
        out += &wrapped("", &words, width);
    }
    for d in &v.differences {
        let place = on_one_line(&d.place);
        let (then, now) = (shown(&d.then.to_string()), shown(&d.now.to_string()));
        out += &wrapped("  ", &format!("{place}: {then}, now {now}"), width);
    }
    if v.different > v.differences.len() {
        let more = format!("and {} more", v.different - v.differences.len());
        out += &wrapped("  ", &more, width);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn every_number_and_word_counts() {
        let then = json!({ "a": [1.0, 2.0], "b": { "c": "x", "d": null }, "e/f": 1e-12 });
        let compared = |now: Value| {
            let mut found = Compared::default();
            found.compare("", &then, &now);
            let places: Vec<_> = found.differences.iter().map(|d| d.place.clone()).collect();
            (found.numbers, found.rounded, places)
        };
        assert_eq!(compared(then.clone()), (3, 0, vec![]));
        let rounded =
            json!({ "a": [1.0, 2.000_000_001], "b": { "c": "x", "d": null }, "e/f": 0.0 });
        assert_eq!(compared(rounded), (3, 2, vec![]));
        let other = json!({ "a": [1.0, 2.000_000_1], "b": { "c": "y" }, "e/f": 1.0, "g": 1 });
        let places = ["/a/1", "/b/c", "/e~1f", "/g"].map(str::to_owned);
        assert_eq!(compared(other), (3, 0, places.to_vec()));
        let shorter = json!({ "a": [1.0], "b": { "c": "x", "d": null }, "e/f": 1e-12 });
        assert_eq!(compared(shorter).2, ["/a"]);
    }

    #[test]
    fn files_are_known_by_kind_and_name() {
        let input = |kind, file: &str, hash: &str| InputFile {
            kind,
            file: file.to_owned(),
            sha256: Some(hash.to_owned()),
            shares: std::collections::BTreeMap::new(),
        };
        let then = [
            input(InputKind::Job, "job.toml", "1"),
            input(InputKind::Recording, "a.wav", "2"),
            input(InputKind::Recording, "b.wav", "3"),
        ];
        assert_eq!(changed(&then, &then), []);
        let alike = ["1", "2"].map(|hash| input(InputKind::Recording, "a.wav", hash));
        assert_eq!(changed(&alike, &alike), []);
        let now = [
            input(InputKind::Job, "job.toml", "1"),
            input(InputKind::Recording, "a.wav", "9"),
            input(InputKind::Calibration, "b.wav", "3"),
        ];
        let found = changed(&then, &now);
        let told: Vec<_> = found
            .iter()
            .map(|c| {
                (
                    c.file.as_str(),
                    c.sha256_then.as_deref(),
                    c.sha256_now.as_deref(),
                )
            })
            .collect();
        let expected = [
            ("a.wav", Some("2"), Some("9")),
            ("b.wav", Some("3"), None),
            ("b.wav", None, Some("3")),
        ];
        assert_eq!(told, expected);
    }
}
