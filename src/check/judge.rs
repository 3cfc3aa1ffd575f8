//! A solution held against its limits.

use super::Outcome;
use crate::job::{CaptureResult, Limits, SetupResult, Solution};
use crate::outside::{self, without_content};
use crate::uncertainty::{
    BudgetLine, IntervalShape, Level, Quantity, Verdict, normal_coverage_factor, plain, rounded,
    rounded_u,
};
use crate::units::DEGREE;
use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// The schema of a baseline.
const SCHEMA: &str = "groovelag/solution/1";

/// A change below this is rounding, degrees: a billionth, far above the
/// rounding of an adjustment (condition number times 1e-16) and far below
/// anything that a recording shows.
const ROUNDING_DEG: f64 = 1e-9;

/// An earlier result: rotations and captures of a document of `solve --json`.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Baseline {
    /// Name of its schema.
    schema: String,
    #[serde(default)]
    setups: Vec<Earlier>,
    #[serde(default)]
    captures: Vec<CaptureResult>,
    /// Where it was read from, for messages.
    #[serde(skip)]
    file: String,
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
struct Earlier {
    name: String,
    rotation_deg: Quantity,
    budget: Vec<BudgetLine>,
}

impl Baseline {
    /// Reads a document of `solve --json`.
    ///
    /// # Errors
    ///
    /// A message that names the file and the job's key.
    pub fn read(path: &Path) -> Result<Self, String> {
        let file = super::find::shown(path);
        let refuse = |reason: String| {
            format!(
                "[limits], 'baseline': '{file}' {reason}; make it with `groovelag solve JOB --json`"
            )
        };
        let bytes = outside::read(path).map_err(|e| refuse(format!("cannot be read ({e})")))?;
        let baseline: Self = serde_json::from_slice(&bytes).map_err(|e| {
            let e = without_content(&e.to_string());
            refuse(format!("is not a result of this program ({e})"))
        })?;
        if baseline.schema != SCHEMA {
            return Err(refuse(format!("does not have the schema '{SCHEMA}'")));
        }
        Ok(Self { file, ..baseline })
    }
}

/// Holds a solution against its limits: the worst outcome of them all, and why.
///
/// * `tolerance_deg`: the conformity of each stylus to its body (JCGM 106);
///   undecided where its verdict is.
/// * `standard_uncertainty_deg`: each rotation's standard uncertainty is at most
///   that.
/// * `expected_deg`: the difference from each rotation lies within its band. The
///   half-widths of the rotation's band and of the expected value's are added in
///   quadrature, side by side, which is exact for an exact expected value.
/// * `baseline`: the change of each rotation since then lies within the band of
///   the change. Two documents do not tell their covariance, so it is assumed
///   that equal budget lines of both (the cut of the same record, the radius of
///   the same tip, ...) are the same unknown quantity, which shifts both results
///   the same way: such a line contributes the difference of its two
///   contributions, so that a change hidden behind a wide prior is not excused.
///   Readings (delay, radius, speed, turn) are made anew with other recordings, so
///   they count in full, as independent, and so do lines that only one budget has.
///   Of the very same recordings the readings are the same as well.
/// * `warning_level`: no warning of that level or above.
///
/// A result in doubt is undecided, whatever the limits: only a warning level can
/// fail it.
///
/// A band that is not finite leaves expected value and baseline undecided. A
/// setup with a spherical tip, which cannot see its own rotation, is held
/// against nothing but the warnings.
///
/// # Errors
///
/// The baseline lacks a setup.
pub fn judge(
    limits: &Limits,
    baseline: Option<&Baseline>,
    solution: &Solution,
    coverage: f64,
) -> Result<(Outcome, String), String> {
    let mut found = Vec::new();
    let seeing: Vec<&SetupResult> = solution.setups.iter().filter(|s| !s.unobservable).collect();
    let judged = match solution.standing().is_doubted() {
        true => &[][..],
        false => &seeing[..],
    };
    for setup in judged {
        let mut own = Vec::new();
        own.extend(tolerance(setup));
        own.extend(standard_uncertainty(limits, setup));
        own.extend(expected(limits, setup, coverage));
        if let Some(baseline) = baseline {
            own.extend(change(baseline, setup, &solution.captures, coverage)?);
        }
        // one setup alone needs no name
        let name = match (solution.setups.len(), setup.name.as_str()) {
            (1, _) | (_, "") => String::new(),
            (_, name) => format!("setup '{name}': "),
        };
        found.extend(own.into_iter().map(|(o, text)| (o, name.clone() + &text)));
    }
    found.extend(warnings(limits, solution));
    found.extend(doubts(limits, solution));
    let outcome = found
        .iter()
        .map(|(outcome, _)| *outcome)
        .fold(Outcome::Passed, Outcome::max);
    if outcome != Outcome::Passed {
        let reasons: Vec<String> = found.into_iter().map(|(_, text)| text).collect();
        return Ok((outcome, reasons.join("; ")));
    }
    let rotations: Vec<String> = seeing.iter().map(|s| rotation(s)).collect();
    let mut reason = rotations.join(", ");
    if reason.is_empty() {
        reason.push_str("solved");
        if limits.of_rotations() {
            reason.push_str("; no stylus whose rotation could be checked against limits");
        }
    }
    if !limits.any() {
        reason.push_str("; no limits stated");
    }
    Ok((outcome, reason))
}

/// "rotation 0.31 deg (u 0.42)", with the setup's name if it has one.
fn rotation(setup: &SetupResult) -> String {
    let q = &setup.rotation_deg;
    let of = match setup.name.as_str() {
        "" => "rotation".to_owned(),
        name => format!("rotation of '{name}'"),
    };
    if q.standard_uncertainty == 0.0 {
        return format!("{of} {} deg (taken as exact)", plain(q.value, 3));
    }
    format!(
        "{of} {} deg (u {})",
        rounded(q.value, q.standard_uncertainty),
        rounded_u(q.standard_uncertainty)
    )
}

type Finding = Option<(Outcome, String)>;

fn tolerance(setup: &SetupResult) -> Finding {
    let c = setup.conformity.as_ref()?;
    let (outcome, verdict) = match c.verdict {
        Verdict::Conforming => return None,
        Verdict::NonConforming => (Outcome::Failed, "non-conforming"),
        Verdict::Undecided => (Outcome::Undecided, "undecided whether conforming"),
    };
    let body = setup.stylus_to_body_deg.unwrap_or(setup.rotation_deg);
    let text = format!(
        "stylus to body{} {} deg (u {}): {verdict} to tolerance_deg = {} (probability of conformity {})",
        match setup.name.as_str() {
            "" => String::new(),
            name => format!(" of '{name}'"),
        },
        rounded(body.value, body.standard_uncertainty),
        rounded_u(body.standard_uncertainty),
        plain(c.tolerance_deg, 3),
        plain(c.probability, 3)
    );
    Some((outcome, text))
}

fn standard_uncertainty(limits: &Limits, setup: &SetupResult) -> Finding {
    let most = limits.standard_uncertainty? / DEGREE;
    let u = setup.rotation_deg.standard_uncertainty;
    (u > most).then(|| {
        let text = format!(
            "standard uncertainty {} deg is above standard_uncertainty_deg = {}",
            rounded_u(u),
            plain(most, 4)
        );
        (Outcome::Failed, text)
    })
}

fn expected(limits: &Limits, setup: &SetupResult, coverage: f64) -> Finding {
    let stated = limits.expected?;
    let (value, u) = (
        stated.value.unwrap_or(0.0) / DEGREE,
        stated.u.unwrap_or(0.0) / DEGREE,
    );
    let q = &setup.rotation_deg;
    let (IntervalShape::Finite, Some(lower), Some(upper)) =
        (q.interval.shape, q.interval.lower, q.interval.upper)
    else {
        let text = "the rotation's band is not finite, so expected_deg cannot be checked";
        return Some((Outcome::Undecided, text.to_owned()));
    };
    let difference = q.value - value;
    // the side of the rotation's band that faces the expected value
    let own = if difference > 0.0 {
        q.value - lower
    } else {
        upper - q.value
    };
    let band = own.hypot(normal_coverage_factor(coverage) * u);
    (difference.abs() > band + ROUNDING_DEG).then(|| {
        let text = format!(
            "{} differs from expected_deg = {} by {} deg, more than the {} % band of +-{} deg explains",
            rotation(setup),
            plain(value, 3),
            rounded(difference, q.standard_uncertainty.hypot(u)),
            plain(100.0 * coverage, 0),
            rounded_u(band),
        );
        (Outcome::Failed, text)
    })
}

fn change(
    baseline: &Baseline,
    setup: &SetupResult,
    captures: &[CaptureResult],
    coverage: f64,
) -> Result<Finding, String> {
    let earlier = baseline.setups.iter().find(|e| e.name == setup.name);
    let earlier = earlier.ok_or_else(|| {
        let known: Vec<&str> = baseline.setups.iter().map(|e| e.name.as_str()).collect();
        format!(
            "[limits], 'baseline': '{}' has no setup '{}' (it has: {}); make it again with `groovelag solve JOB --json`",
            baseline.file,
            setup.name,
            known.join(", ")
        )
    })?;
    let (now, then) = (&setup.rotation_deg, &earlier.rotation_deg);
    if now.interval.shape != IntervalShape::Finite || then.interval.shape != IntervalShape::Finite {
        let text =
            "a rotation's band is not finite, so the change since the baseline cannot be checked";
        return Ok(Some((Outcome::Undecided, text.to_owned())));
    }
    let anew = !same_recordings(captures, &baseline.captures);
    let u = change_uncertainty(&setup.budget, &earlier.budget, anew);
    let change = now.value - then.value;
    let band = normal_coverage_factor(coverage) * u;
    Ok((change.abs() > band + ROUNDING_DEG).then(|| {
        let text = format!(
            "{} has changed by {} deg since the baseline, more than the {} % band of +-{} deg explains",
            rotation(setup),
            rounded(change, u.max(ROUNDING_DEG)),
            plain(100.0 * coverage, 0),
            rounded_u(band),
        );
        (Outcome::Failed, text)
    }))
}

/// Whether two results are from the same recordings, or the same delays as given.
fn same_recordings(now: &[CaptureResult], then: &[CaptureResult]) -> bool {
    let same = |a: &CaptureResult, b: &CaptureResult| match (&a.sha256, &b.sha256) {
        (None, None) => a.file == b.file && a.delay_us.value == b.delay_us.value,
        (a, b) => a == b,
    };
    now.len() == then.len() && now.iter().zip(then).all(|(a, b)| same(a, b))
}

/// Standard uncertainty of the difference of two results with these budgets,
/// under the assumption stated at [`judge`]; `anew` says that the readings were made anew.
fn change_uncertainty(now: &[BudgetLine], then: &[BudgetLine], anew: bool) -> f64 {
    let mut shared: BTreeMap<&str, f64> = BTreeMap::new();
    let mut variance = 0.0;
    // an earlier version's document does not say which lines are readings
    let readings = now.iter().chain(then).filter(|line| line.reading);
    let readings: BTreeSet<&str> = readings.map(|line| line.source.as_str()).collect();
    for (lines, sign) in [(now, 1.0), (then, -1.0)] {
        for line in lines {
            if anew && readings.contains(line.source.as_str()) {
                variance += line.standard_uncertainty.powi(2);
            } else {
                *shared.entry(&line.source).or_default() += sign * line.standard_uncertainty;
            }
        }
    }
    variance += shared.values().map(|c| c * c).sum::<f64>();
    variance.sqrt()
}

fn warnings(limits: &Limits, solution: &Solution) -> Finding {
    let codes = codes(solution, limits.warning_level?);
    (!codes.is_empty()).then(|| {
        let text = format!(
            "warnings at or above warning_level: {}; `groovelag solve` explains them",
            codes.join(", ")
        );
        (Outcome::Failed, text)
    })
}

/// A result that is not to be used meets no limit for certain.
fn doubts(limits: &Limits, solution: &Solution) -> Finding {
    let codes = codes(solution, Level::Serious);
    (limits.warning_level.is_none() && !codes.is_empty()).then(|| {
        let text = format!(
            "do not use it until this is resolved: {}; `groovelag solve` explains",
            codes.join(", ")
        );
        (Outcome::Undecided, text)
    })
}

/// Codes of the warnings of a level or above, each once.
fn codes(solution: &Solution, lowest: Level) -> Vec<String> {
    let mut codes: Vec<String> = Vec::new();
    for w in solution.warnings.iter().filter(|w| w.level >= lowest) {
        let level = match w.level {
            Level::Note => "note",
            Level::Caution => "caution",
            Level::Serious => "serious",
        };
        let text = format!("{} ({level})", w.code);
        if !codes.contains(&text) {
            codes.push(text);
        }
    }
    codes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uncertainty::budget;

    /// The variance of a difference of two sums of independent contributions,
    /// worked by hand: readings 0.03 and 0.04 give 0.05; the cut is common and
    /// cancels but for 0.5 - 0.38 = 0.12; together 0.13. Of the same recordings the
    /// readings leave 0.01.
    #[test]
    fn what_both_share_cancels() {
        let of = |readings: f64, cut: f64| {
            let lines = [("radius", readings), ("cut rotation of record A", cut)];
            let mut lines = budget(lines.map(|(name, u): (&str, f64)| (name.to_owned(), u * u)));
            for line in &mut lines {
                line.reading = line.source == "radius";
            }
            lines
        };
        let (now, then) = (of(0.03, 0.5), of(0.04, 0.38));
        let u = change_uncertainty(&now, &then, true);
        assert!((u - 0.13).abs() < 1e-15, "{u}");
        let u = change_uncertainty(&now, &then, false);
        assert!((u - 0.01f64.hypot(0.12)).abs() < 1e-15, "{u}");
        // a document that does not tell readings
        let untold = then.into_iter().map(|line| BudgetLine {
            reading: false,
            ..line
        });
        let u = change_uncertainty(&now, &untold.collect::<Vec<_>>(), true);
        assert!((u - 0.13).abs() < 1e-15, "{u}");
        assert_eq!(change_uncertainty(&of(0.0, 0.5), &of(0.0, 0.5), true), 0.0);
        // what only one of them has counts in full
        let alone = change_uncertainty(&of(0.0, 0.5), &[], true);
        assert!((alone - 0.5).abs() < 1e-15, "{alone}");
    }
}
