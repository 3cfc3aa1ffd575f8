//! Uncertainty budgets: what a variance consists of, in words.

use super::network::{Network, READINGS, SCATTER};
use super::scope::Scope;
use crate::adjust::{self, Coefficients};
use crate::uncertainty::{BudgetLine, Evaluation, budget};
use std::collections::HashMap;

/// Words for what a budget does not tell one by one in a large job.
pub(super) const OTHERS: &str = "all other captures, together";

/// Lines of a budget, and captures of a setup, that are told one by one: what a page holds. The smallest beyond
/// them are told together.
pub(super) const MOST_LINES: usize = 50;

/// Budget of any combination of unknowns.
pub(super) fn combination_budget(
    network: &Network,
    adjustment: &adjust::Solution,
    combination: &Coefficients,
) -> Vec<BudgetLine> {
    lines(network, &Scope::whole(network, adjustment), combination)
}

/// The same, told from a scope; equal words are added together.
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
    // so that each of the two stands for several, or is the line itself
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
