//! Uncertainty budgets: contributions to a variance, in words.

use super::network::{Network, READINGS, SCATTER};
use super::scope::Scope;
use crate::adjust::{self, Coefficients};
use crate::uncertainty::{BudgetLine, Evaluation, budget};
use std::collections::HashMap;

/// Budget line for contributions that a large job does not list separately.
pub(super) const OTHERS: &str = "all other captures, together";

/// Maximum number of lines of a budget, and of captures of a setup, listed separately: what a page holds. The
/// smallest beyond them are summed.
pub(super) const MOST_LINES: usize = 50;

/// Budget of any combination of unknowns.
pub(super) fn combination_budget(
    network: &Network,
    adjustment: &adjust::Minimum,
    combination: &Coefficients,
) -> Vec<BudgetLine> {
    lines(network, &Scope::whole(network, adjustment), combination)
}

/// The same from a scope; lines with equal words are summed.
pub(super) fn lines(
    network: &Network,
    scope: &Scope<'_>,
    combination: &Coefficients,
) -> Vec<BudgetLine> {
    let mut lines: Vec<(String, f64)> = Vec::new();
    let mut places: HashMap<&str, usize> = HashMap::new();
    for (block, part) in scope.variance_parts(combination) {
        let words = block.map_or(OTHERS, |at| &network.words[at]);
        let at = *places.entry(words).or_insert(lines.len());
        match lines.get_mut(at) {
            Some(line) => line.1 += part,
            None => lines.push((words.to_owned(), part)),
        }
    }
    let mut lines = budget(lines);
    for line in &mut lines {
        if [READINGS, SCATTER].contains(&line.source.as_str()) {
            line.evaluation = Evaluation::A;
        }
        line.reading = network.readings.contains(&line.source);
    }
    shortened(lines)
}

/// The largest lines of a budget, and all others in one line of readings and one of the rest.
pub(super) fn shortened(mut lines: Vec<BudgetLine>) -> Vec<BudgetLine> {
    if lines.len() <= MOST_LINES {
        return lines;
    }
    // each of the two sums several lines, or is the line itself
    let small = lines.split_off(MOST_LINES - 2);
    for (reading, what) in [(true, "readings"), (false, "contributions")] {
        let of_kind: Vec<&BudgetLine> = small.iter().filter(|l| l.reading == reading).collect();
        lines.extend(match of_kind[..] {
            [] => None,
            [one] => Some(one.clone()),
            [largest, ..] => {
                let variance = |l: &&BudgetLine| l.standard_uncertainty.powi(2);
                Some(BudgetLine {
                    source: format!("{} smaller {what}, together", of_kind.len()),
                    evaluation: largest.evaluation,
                    standard_uncertainty: of_kind.iter().map(variance).sum::<f64>().sqrt(),
                    share: of_kind.iter().map(|l| l.share).sum(),
                    reading,
                })
            }
        });
    }
    lines
}
