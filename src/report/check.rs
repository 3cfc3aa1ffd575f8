//! Documents, table, JUnit XML and CSV of a check.

use super::text::wrapped;
use crate::check::{Checked, CheckedSetup, Outcome};
use crate::document::{self, Program};
use crate::outside::{on_one_line, shown};
use quick_junit::{NonSuccessKind, Report, TestCase, TestCaseStatus, TestSuite};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// Name of the JUnit report and of its one suite.
const NAME: &str = "groovelag check";

/// Columns of the outcome in the table: the longest word and a blank.
const OUTCOME_COLUMNS: usize = 10;

/// What `check --json` prints.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CheckDocument {
    /// Name and version of the schema.
    #[schemars(extend("const" = "groovelag/check/1"))]
    pub schema: String,
    /// What made the document.
    pub program: Program,
    /// How many jobs passed.
    pub passed: usize,
    /// How many failed.
    pub failed: usize,
    /// How many are undecided.
    pub undecided: usize,
    /// How many cannot be used.
    pub unusable: usize,
    /// Every job, in the order of their paths.
    pub results: Vec<Checked>,
    /// Why it ends early and how many there were to be, where it does.
    #[serde(skip)]
    broken_off: Option<(&'static str, usize)>,
}

/// One line of what `check --jsonl` prints.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CheckLine {
    /// Name and version of the schema.
    #[schemars(extend("const" = CheckLine::SCHEMA))]
    pub schema: String,
    /// What made the line.
    pub program: Program,
    /// The job.
    #[serde(flatten)]
    pub result: Checked,
}

impl CheckLine {
    /// Name and version of the line's schema.
    pub const SCHEMA: &str = "groovelag/check-line/1";
}

/// Figures of a setup in files for other programs.
const FIGURES: [&str; 14] = [
    "rotation_deg",
    "rotation_u_deg",
    "rotation_lower_deg",
    "rotation_upper_deg",
    "stylus_to_body_deg",
    "stylus_to_body_u_deg",
    "verdict",
    "probability_of_conformity",
    "p_value",
    "stylus_to_body_lower_deg",
    "stylus_to_body_upper_deg",
    "tolerance_deg",
    "coverage",
    "in_doubt",
];

/// Every setup of a job; of a job without any, the job itself.
fn each_setup(result: &Checked) -> Vec<Option<&CheckedSetup>> {
    match result.setups.is_empty() {
        true => vec![None],
        false => result.setups.iter().map(Some).collect(),
    }
}

/// The [`FIGURES`] of a setup, or of a job without any, with all their digits; empty where
/// there are none.
fn figures(result: &Checked, setup: Option<&CheckedSetup>) -> [(&'static str, String); 14] {
    let number = |v: Option<f64>| v.map_or_else(String::new, |v| format!("{v:?}"));
    let rotation = setup.map(|s| &s.rotation_deg);
    let body = setup.and_then(|s| s.stylus_to_body_deg.as_ref());
    let conformity = setup.and_then(|s| s.conformity);
    let found = [
        number(rotation.map(|q| q.value)),
        number(rotation.map(|q| q.standard_uncertainty)),
        number(rotation.and_then(|q| q.interval.lower)),
        number(rotation.and_then(|q| q.interval.upper)),
        number(body.map(|q| q.value)),
        number(body.map(|q| q.standard_uncertainty)),
        conformity.map_or("", |c| c.verdict.word()).to_owned(),
        number(conformity.map(|c| c.probability)),
        number(result.p_value),
        number(body.and_then(|q| q.interval.lower)),
        number(body.and_then(|q| q.interval.upper)),
        number(conformity.map(|c| c.tolerance_deg)),
        number(rotation.map(|q| q.interval.coverage)),
        result.in_doubt.clone().unwrap_or_default(),
    ];
    let mut found = found.into_iter();
    FIGURES.map(|what| (what, found.next().unwrap_or_default()))
}

/// Why a file of results cannot be made.
#[derive(Debug, Error)]
#[error("the {kind} cannot be made: {reason}")]
pub struct CheckFileError {
    kind: &'static str,
    reason: String,
}

impl CheckDocument {
    /// The document of these results.
    pub fn new(results: Vec<Checked>) -> Self {
        let count = |outcome| results.iter().filter(|r| r.outcome == outcome).count();
        Self {
            schema: "groovelag/check/1".to_owned(),
            program: Program::this(),
            passed: count(Outcome::Passed),
            failed: count(Outcome::Failed),
            undecided: count(Outcome::Undecided),
            unusable: count(Outcome::Unusable),
            results,
            broken_off: None,
        }
    }

    /// The same as the first results of `all`, after which it ended early: `why`.
    #[must_use]
    pub fn broken_off(self, why: &'static str, all: usize) -> Self {
        Self {
            broken_off: Some((why, all)),
            ..self
        }
    }

    /// The last line of the table.
    pub fn summary(&self) -> String {
        format!(
            "{} passed, {} failed, {} undecided, {} unusable\n",
            self.passed, self.failed, self.undecided, self.unusable
        )
    }

    /// JUnit XML: one suite, one case per job named by its path. Failed and
    /// undecided are failures with that type, unusable is an error. No times,
    /// so that equal results are equal bytes.
    ///
    /// # Errors
    ///
    /// What the library says.
    pub fn junit(&self) -> Result<String, CheckFileError> {
        let mut suite = TestSuite::new(NAME);
        if let Some((why, all)) = self.broken_off {
            let words = format!("{why}: {} of {all} jobs were checked", self.results.len());
            suite.add_property(("incomplete", words.as_str()));
        }
        // figures stand with the suite: the strictest of the usual schemas knows none of a case
        for result in &self.results {
            for setup in each_setup(result) {
                let stated = figures(result, setup).into_iter();
                // a backslash of its own is none of an escape
                let name = setup.map_or_else(String::new, |s| s.name.replace('\\', "\\x5c"));
                for (what, figure) in stated.filter(|(_, figure)| !figure.is_empty()) {
                    let of = [result.path.as_str(), &name, what].map(on_one_line);
                    suite.add_property((of.join(": ").as_str(), shown(&figure).as_str()));
                }
            }
        }
        for result in &self.results {
            let kind = match result.outcome {
                Outcome::Passed => None,
                Outcome::Failed | Outcome::Undecided => Some(NonSuccessKind::Failure),
                Outcome::Unusable => Some(NonSuccessKind::Error),
            };
            // XML has no control characters, and the library takes an escape character for the
            // beginning of a terminal's colour and drops what follows
            let status = match kind {
                None => TestCaseStatus::success(),
                Some(kind) => {
                    let mut status = TestCaseStatus::non_success(kind);
                    status
                        .set_type(result.outcome.word())
                        .set_message(shown(&result.reason));
                    status
                }
            };
            let mut case = TestCase::new(on_one_line(&result.path), status);
            case.set_classname(NAME);
            if kind.is_none() {
                case.set_system_out(shown(&result.reason));
            }
            suite.add_test_case(case);
        }
        let mut report = Report::new(NAME);
        report.add_test_suite(suite);
        let text = report.to_string().map_err(|e| CheckFileError {
            kind: "JUnit file",
            reason: e.to_string(),
        })?;
        // The strictest of the usual schemas (junit-10.xsd of the xUnit plugin)
        // knows no 'skipped' on <testsuites>, which comes first; we skip nothing.
        Ok(text.replacen(" skipped=\"0\"", "", 1))
    }

    /// CSV with a header: path, outcome, reason, and the figures of a setup. A job of several
    /// setups has a line for each, one without any has one line.
    ///
    /// # Errors
    ///
    /// What the library says.
    pub fn csv(&self) -> Result<Vec<u8>, CheckFileError> {
        let failed = |reason: String| CheckFileError {
            kind: "CSV file",
            reason,
        };
        let mut writer = csv::Writer::from_writer(Vec::new());
        let mut write = |job: [&str; 3], setup: &str, figures: &[String]| {
            let fields = job.into_iter().chain([setup]);
            let fields = fields.chain(figures.iter().map(String::as_str));
            writer
                .write_record(fields)
                .map_err(|e| failed(e.to_string()))
        };
        let columns = FIGURES.map(str::to_owned);
        write(["path", "outcome", "reason"], "setup", &columns)?;
        for r in &self.results {
            let job = [r.path.as_str(), r.outcome.word(), &r.reason];
            for setup in each_setup(r) {
                let figures = figures(r, setup).map(|(_, figure)| figure);
                write(job, setup.map_or("", |s| &s.name), &figures)?;
            }
        }
        writer.into_inner().map_err(|e| failed(e.to_string()))
    }
}

/// One job of the table: outcome, path and the reason below.
pub fn checked_text(result: &Checked, width: usize) -> String {
    let outcome = result.outcome.word();
    let indent = " ".repeat(OUTCOME_COLUMNS);
    let path = on_one_line(&result.path);
    format!("{outcome:<OUTCOME_COLUMNS$}{path}\n") + &wrapped(&indent, &result.reason, width)
}

/// One job as a line of JSON.
///
/// # Errors
///
/// What the library says.
pub fn checked_json_line(result: &Checked) -> Result<String, serde_json::Error> {
    document::json_line(&CheckLine {
        schema: CheckLine::SCHEMA.to_owned(),
        program: Program::this(),
        result: result.clone(),
    })
}
