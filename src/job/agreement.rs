//! Agreement of knowledge files on the unknowns that they share.

use super::description::Job;
use super::explanation::residual_limit;
use super::knowledge::conflicting_figures;
use super::network::{self, Alternative, DataSource, Parameter};
use super::{JobError, Knowledge, PLANNED_COVERAGE};
use crate::uncertainty::{Caveat, Warning, normal_coverage_factor, plain, rounded, rounded_u};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// Prior standard uncertainty of a difference, as a multiple of the unknown's: it shrinks a difference known as
/// well as the prior by at most one percent.
const DIFFERENCE_PRIOR_FACTOR: f64 = 10.0;

/// Largest ratio of the posterior to this prior for a difference that captures determine.
const DETERMINED_RATIO: f64 = 0.5;

/// Difference of an unknown's value in one file from that in the other files, with all
/// other shared unknowns in common.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Equivalence {
    /// The unknown.
    pub id: String,
    /// In words.
    pub words: String,
    /// Unit of the figures; empty where they have none.
    pub unit: String,
    /// The file's value minus that of the other files.
    pub difference: f64,
    /// Its standard uncertainty.
    pub standard_uncertainty: f64,
    /// Its expanded uncertainty, half of the band.
    pub expanded_uncertainty: f64,
    /// Magnitude of the difference over its expanded uncertainty: the normalised error `|E_n|` (ISO/IEC 17043,
    /// from memory); above 1 they disagree.
    pub normalised_error: f64,
    /// Prior standard uncertainty of the unknown.
    pub prior_standard_uncertainty: f64,
}

impl Equivalence {
    /// The difference in words: "cut rotation of record A: 0.12 deg, u 0.08 deg, E_n 0.77".
    pub fn line(&self) -> String {
        let u = self.standard_uncertainty;
        let unit = match self.unit.as_str() {
            "" => String::new(),
            unit => format!(" {unit}"),
        };
        let verdict = if self.normalised_error > 1.0 {
            ": they disagree"
        } else {
            ""
        };
        format!(
            "{}: {}{unit}, u {}{unit}, E_n {}{verdict}",
            self.words,
            rounded(self.difference, u),
            rounded_u(u),
            plain(self.normalised_error, 2),
        )
    }
}

/// Comparison of a file with the others.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct FileComparison {
    /// The file.
    pub file: String,
    /// Every unknown that both sides determine.
    pub equivalences: Vec<Equivalence>,
}

/// How well files agree, each with the others.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct KnowledgeAgreement {
    /// First line, where their combination is in doubt, with the reason; null where it is not.
    pub in_doubt: Option<String>,
    /// Their names.
    pub files: Vec<String>,
    /// Number of captures in all of them.
    pub captures: usize,
    /// Each file compared with the others; of two files, only the second.
    pub compared: Vec<FileComparison>,
    /// Warnings: stated values that differ.
    #[serde(default)]
    pub warnings: Vec<Caveat>,
}

impl KnowledgeAgreement {
    /// Of `list`, in bands of this coverage. The normalised error is that of comparisons between
    /// laboratories (`E_n` of ISO 13528, from memory), with the joint covariance of what
    /// they share. Files contradict each other where a difference is as large as one that
    /// captures of a job may not have.
    ///
    /// # Errors
    ///
    /// When the files cannot be adjusted together.
    pub fn of(list: &[Knowledge], coverage: f64) -> Result<Self, JobError> {
        let mut compared = Vec::new();
        // of two files either says the same as the other
        for at in usize::from(list.len() <= 2)..list.len() {
            let others = [&list[..at], &list[at + 1..]].concat();
            compared.push(FileComparison {
                file: list[at].source.clone(),
                equivalences: equivalences(&list[at], others, coverage)?,
            });
        }
        Ok(Self {
            in_doubt: disagreement(&compared).map(|words| format!("In doubt: {words}")),
            files: list.iter().map(|k| k.source.clone()).collect(),
            captures: list.iter().map(|k| k.captures().count()).sum(),
            compared,
            warnings: conflicting_figures(&including(list)),
        })
    }
}

/// The most probable significant difference of the file that differs most, in words.
fn disagreement(compared: &[FileComparison]) -> Option<String> {
    let all = compared.iter();
    let all = all.flat_map(|c| c.equivalences.iter().map(move |e| (&c.file, e)));
    let limit = residual_limit(Warning::Contradiction, all.clone().count());
    let beyond = all.filter(|(_, e)| e.difference.abs() > limit * e.standard_uncertainty);
    let far = |e: &Equivalence| e.difference.abs() / e.standard_uncertainty;
    let (file, _) = beyond
        .clone()
        .max_by(|a, b| far(a.1).total_cmp(&far(b.1)))?;
    // the one that agrees best with the prior
    let odd = |e: &Equivalence| e.difference.abs() / e.prior_standard_uncertainty;
    let of_file = beyond.filter(|(of, _)| *of == file);
    let (_, found) = of_file.min_by(|a, b| odd(a.1).total_cmp(&odd(b.1)))?;
    Some(format!(
        "the {} in '{file}' differs by {} {} from the other files, {} times its expanded uncertainty",
        found.words,
        rounded(found.difference, found.standard_uncertainty),
        found.unit,
        plain(found.normalised_error, 1),
    ))
}

/// The most plausible difference of contradictory files, or jobs within a file; `None` where
/// there is none.
pub(super) fn contradiction(list: &[Knowledge]) -> Option<String> {
    let jobs: Vec<Knowledge> = list.iter().flat_map(Knowledge::jobs).collect();
    let agreement = KnowledgeAgreement::of(&jobs, PLANNED_COVERAGE).ok()?;
    disagreement(&agreement.compared)
}

/// A job that only includes them.
fn including(list: &[Knowledge]) -> Job {
    Job {
        knowledge: list.to_vec(),
        ..Job::default()
    }
}

/// Comparison of one file with the others.
fn equivalences(
    one: &Knowledge,
    mut list: Vec<Knowledge>,
    coverage: f64,
) -> Result<Vec<Equivalence>, JobError> {
    let names = |list: &[Knowledge]| {
        let network = network::network(&including(list), DataSource::Real(&[]), 0.0)?;
        let parameters = network.parameters.into_iter();
        let lasting = parameters.filter(|p| !p.is_included());
        Ok::<_, JobError>(lasting.collect::<Vec<Parameter>>())
    };
    let shared: BTreeSet<String> = names(&list)?.into_iter().map(|p| p.id).collect();
    list.push(one.clone());
    let job = including(&list);
    let factor = normal_coverage_factor(coverage);
    let mut found = Vec::new();
    for parameter in names(std::slice::from_ref(one))? {
        if !shared.contains(&parameter.id) {
            continue;
        }
        let doubt = Alternative::Value(list.len() - 1, &parameter.id, DIFFERENCE_PRIOR_FACTOR);
        let network = network::with_alternative(&job, DataSource::Real(&[]), 0.0, doubt)?;
        let Some(difference) = network.parameters.last() else {
            continue;
        };
        let (k, unit) = (network.parameters.len() - 1, difference.factor);
        let solution = network.problem.solve()?;
        let u = solution.uncertainty(k);
        if u > DETERMINED_RATIO * difference.prior.u {
            continue;
        }
        let (value, u) = (solution.values[k] / unit, u / unit);
        found.push(Equivalence {
            unit: parameter.unit().to_owned(),
            id: parameter.id,
            words: parameter.words,
            difference: value,
            standard_uncertainty: u,
            expanded_uncertainty: factor * u,
            normalised_error: value.abs() / (factor * u),
            prior_standard_uncertainty: parameter.prior.u / parameter.factor,
        });
    }
    Ok(found)
}
