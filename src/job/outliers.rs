//! Captures that do not fit, and the mistake that would explain each.

use super::description::{CaptureSpec, Job, Stated};
use super::network::{self, CaptureData, Network, Readings};
use super::scatter::Scatter;
use crate::adjust;
use crate::uncertainty::{Caveat, Warning};
use crate::units::{MICROSECOND, MILLIMETRE};

/// Normalised residual from which a capture is named: chance alone exceeds it
/// once in a thousand (Baarda 1968, from memory).
const NAMED: f64 = 3.29;

/// At most so many captures are examined; with more the job as a whole is at
/// fault, which chi-square says. Common practice, no source.
const EXAMINED: usize = 5;

/// An explanation must bring the residual below this.
const EXPLAINED: f64 = 2.0;

/// Standard uncertainty that lets a radius go anywhere on a side, metres:
/// bands lie between 55 and 147 mm.
const FREE_RADIUS: f64 = 30.0 * MILLIMETRE;

/// Names the outliers of a solved job.
pub(super) fn find(
    job: &Job,
    data: &[Option<CaptureData>],
    scatter: &Scatter,
    network: &Network,
    solution: &adjust::Solution,
) -> Vec<Caveat> {
    let mut suspects: Vec<(usize, adjust::BiasTest)> = network
        .capture_blocks
        .iter()
        .enumerate()
        .filter_map(|(at, block)| Some((at, network.problem.bias_test(solution, (*block)?, 0)?)))
        .filter(|(_, test)| test.normalised.abs() > NAMED)
        .collect();
    suspects.sort_by(|a, b| b.1.normalised.abs().total_cmp(&a.1.normalised.abs()));
    let mut caveats = Vec::new();
    for (at, test) in suspects.into_iter().take(EXAMINED) {
        // the slip must also be the better account as a whole
        let better = Judge::ChiSquare(0.5 * solution.chi_square);
        let advice = match explanation(job, data, at, better) {
            Some(cause) => format!("it would fit if {cause}; check that entry"),
            None => "no single slip explains it (leads, speed, radius, sign of the turn were tried); listen to the recording, or leave it out".to_owned(),
        };
        caveats.push(Caveat::caution(
            Warning::Outlier,
            format!(
                "{} reads {:+.3} us against what everything else says, {:.1} standard uncertainties: {advice}",
                network::locate(at, &job.captures[at]),
                test.leave_one_out / MICROSECOND,
                test.normalised.abs()
            ),
        ));
    }
    caveats.extend(among_repeats(job, data, scatter));
    caveats
}

/// A slip in one of several repeats looks like scatter between drops: which
/// one, corrected, takes the scatter away and fits?
fn among_repeats(job: &Job, data: &[Option<CaptureData>], scatter: &Scatter) -> Option<Caveat> {
    if scatter.deviation == 0.0 {
        return None;
    }
    let calm = Judge::Scatter(0.1 * scatter.deviation);
    (0..job.captures.len())
        .filter(|&at| data.get(at).is_some_and(Option::is_some))
        .find_map(|at| Some((at, explanation(job, data, at, calm)?)))
        .map(|(at, cause)| {
            Caveat::caution(
                Warning::Outlier,
                format!(
                    "repeated captures scatter by {:.3} us, which would go away if {} were entered wrongly: it would fit if {cause}; check that entry",
                    scatter.deviation / MICROSECOND,
                    network::locate(at, &job.captures[at]),
                ),
            )
        })
}

/// What a slip must do to be believed, beside fitting itself.
#[derive(Clone, Copy)]
enum Judge {
    /// Bring chi-square below this.
    ChiSquare(f64),
    /// Bring the scatter between drops below this, in seconds.
    Scatter(f64),
}

/// The single slip at capture `at` that accounts for the data best, in words;
/// `accept` judges chi-square and scatter with it.
fn explanation(job: &Job, data: &[Option<CaptureData>], at: usize, judge: Judge) -> Option<String> {
    let spec = &job.captures[at];
    // the slip in words; `None` is another radius, which the adjustment finds
    let leads = if spec.swapped {
        "not swapped"
    } else {
        "swapped"
    };
    let mut hypotheses: Vec<(Option<String>, CaptureSpec)> = vec![(
        Some(format!("its leads were {leads}")),
        CaptureSpec {
            swapped: !spec.swapped,
            ..spec.clone()
        },
    )];
    for (words, rpm) in [("33 1/3", 100.0 / 3.0), ("45", 45.0)] {
        if (spec.nominal_rpm() - rpm).abs() > 1.0 {
            hypotheses.push((
                Some(format!("it was played at {words} rpm")),
                CaptureSpec {
                    rpm: Stated::number(rpm),
                    ..spec.clone()
                },
            ));
        }
    }
    if let Some(turn) = spec.turn.value.filter(|&t| t != 0.0) {
        hypotheses.push((
            Some("its turn had the other sign".to_owned()),
            CaptureSpec {
                turn: Stated {
                    value: Some(-turn),
                    ..spec.turn
                },
                ..spec.clone()
            },
        ));
    }
    // any radius would part two repeats
    if let Judge::ChiSquare(_) = judge {
        hypotheses.push((
            None,
            CaptureSpec {
                radius_u: Some(FREE_RADIUS),
                ..spec.clone()
            },
        ));
    }
    let mut best: Option<(f64, String)> = None;
    for (words, changed) in hypotheses {
        let mut other = job.clone();
        other.captures[at] = changed;
        let scatter = Scatter::between_drops(&other, data).deviation;
        if let Judge::Scatter(limit) = judge
            && scatter > limit
        {
            continue;
        }
        let Ok(network) = network::network(&other, Readings::Real(data), scatter) else {
            continue;
        };
        let Ok(solution) = network.problem.solve() else {
            continue;
        };
        let test = network.capture_blocks[at]
            .and_then(|block| network.problem.bias_test(&solution, block, 0));
        // without a check left, the free radius has simply absorbed the misfit
        let fits = test.is_none_or(|t| t.normalised.abs() < EXPLAINED);
        let better = match judge {
            Judge::ChiSquare(limit) => solution.chi_square < limit,
            Judge::Scatter(_) => true,
        };
        if !fits || !better {
            continue;
        }
        let words = match words {
            Some(words) => words,
            None => {
                let moved = network
                    .parameters
                    .iter()
                    .position(|p| p.id.contains(".radius_mm[") && p.prior.u == FREE_RADIUS)
                    .map_or(0.0, |k| solution.values[k]);
                let middle_mm = (0.5 * (spec.radius[0] + spec.radius[1]) + moved) / MILLIMETRE;
                // a band cannot lie on the label or beyond the edge
                if !(50.0..=150.0).contains(&middle_mm) {
                    continue;
                }
                format!("its radius were about {middle_mm:.0} mm")
            }
        };
        if best
            .as_ref()
            .is_none_or(|(least, _)| solution.chi_square < *least)
        {
            best = Some((solution.chi_square, words));
        }
    }
    best.map(|(_, words)| words)
}
