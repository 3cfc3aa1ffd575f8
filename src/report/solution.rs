//! Documents and text of solve, compare and plan.

use super::text::{WITHHELD, band, quantity, rotation, sense, wrapped};
use crate::document::Program;
use crate::job::{Comparison, Plan, SetupResult, Solution, Wanted};
use crate::uncertainty::{BudgetLine, Caveat, Level, Quantity, Verdict, plain, rounded_u};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt::Write as _;

/// Budget lines below this share are added up in the text (never in the
/// document).
const SHOWN_SHARE: f64 = 0.01;

macro_rules! document {
    ($(#[$doc:meta])* $name:ident, $content:ty, $schema:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
        pub struct $name {
            /// Name and version of the schema.
            pub schema: String,
            /// What made the document.
            pub program: Program,
            /// The results.
            #[serde(flatten)]
            pub content: $content,
        }

        impl $name {
            /// The document of these results.
            pub fn new(content: $content) -> Self {
                Self {
                    schema: $schema.to_owned(),
                    program: Program::this(),
                    content,
                }
            }
        }
    };
}

document!(
    /// What `solve --json` prints.
    SolutionDocument,
    Solution,
    "groovelag/solution/1"
);
document!(
    /// What `compare --json` prints.
    ComparisonDocument,
    Comparison,
    "groovelag/comparison/1"
);
document!(
    /// What `plan --json` prints.
    PlanDocument,
    Plan,
    "groovelag/plan/1"
);

/// The text of a solved job, composed for `width` columns; `title` as the job gives it.
pub fn solution_text(solution: &Solution, title: Option<&str>, width: usize) -> String {
    let mut out = String::new();
    if let Some(title) = title {
        out += &wrapped("", title, width);
        out.push('\n');
    }
    for setup in &solution.setups {
        out += &setup_text(setup, width);
        out.push('\n');
    }
    let mut section = |heading: &str, lines: Vec<String>| {
        if !lines.is_empty() {
            out += &wrapped("", heading, width);
            for line in lines {
                out += &line;
            }
            out.push('\n');
        }
    };
    let item = |name: &str, text: String| wrapped("  ", &format!("{}: {text}", shown(name)), width);
    section(
        "Records: rotation of the cut",
        solution
            .records
            .iter()
            .map(|r| item(&r.name, quantity(&r.cut_rotation_deg, "deg")))
            .collect(),
    );
    section(
        "Cartridges: lever at zero rotation, scale",
        solution
            .cartridges
            .iter()
            .map(|c| {
                let lever = quantity(&c.lever_um, "um");
                item(
                    &c.name,
                    format!("{lever}; scale {}", quantity(&c.scale, "")),
                )
            })
            .collect(),
    );
    section(
        "Chains: time skew",
        solution
            .chains
            .iter()
            .map(|c| item(&c.name, quantity(&c.skew_us, "us")))
            .collect(),
    );
    section(
        "Captures: delay as recorded, as adjusted, normalised residual",
        solution
            .captures
            .iter()
            .map(|c| {
                let residual = c
                    .normalized_residual
                    .map_or_else(|| "unchecked".to_owned(), |r| plain(r, 1));
                let d = &c.delay_us;
                wrapped(
                    "  ",
                    &format!(
                        "{}: {} us (u {}), {} us, {residual}",
                        c.file,
                        plain(d.value, 4),
                        rounded_u(d.standard_uncertainty),
                        plain(c.predicted_us, 4),
                    ),
                    width,
                )
            })
            .collect(),
    );
    let fit = &solution.fit;
    let p = fit.p_value.map_or_else(String::new, |p| {
        format!(", probability of a larger one {}", plain(p, 3))
    });
    out += &wrapped(
        "Fit: ",
        &format!(
            "chi-square {} with {} degrees of freedom{p}",
            plain(fit.chi_square, 1),
            fit.degrees_of_freedom
        ),
        width,
    );
    out += &caveats(&solution.warnings, width);
    out
}

fn shown(name: &str) -> &str {
    if name.is_empty() { "(not named)" } else { name }
}

fn setup_text(setup: &SetupResult, width: usize) -> String {
    let mut out = format!("Setup {}\n", shown(&setup.name));
    out += &wrapped("  Rotation      ", &rotation(&setup.rotation_deg), width);
    out += &wrapped(
        "  Known to      ",
        &format!(
            "{}, standard uncertainty {} deg",
            band(&setup.rotation_deg, "deg"),
            rounded_u(setup.rotation_deg.standard_uncertainty)
        ),
        width,
    );
    if let Some(c) = &setup.conformity {
        let verdict = match c.verdict {
            Verdict::Conforming => "conforming",
            Verdict::NonConforming => "non-conforming",
            Verdict::Undecided => "undecided",
        };
        out += &wrapped(
            "  Tolerance     ",
            &format!(
                "{verdict} to +-{} deg; probability of conformity {}",
                c.tolerance_deg,
                plain(c.probability, 3)
            ),
            width,
        );
    }
    out += &wrapped("  What to do    ", &what_to_do(setup), width);
    if let Some(zero) = &setup.zero_setting_deg {
        out += &wrapped(
            "  Zero setting  ",
            &format!(
                "both edges read together when turned by {} (cut and skews included, tip shape immaterial)",
                quantity(zero, "deg")
            ),
            width,
        );
    }
    out += &budget_text(&setup.budget, width);
    out
}

fn what_to_do(setup: &SetupResult) -> String {
    if setup.blind {
        return "nothing: a spherical tip cannot see its own rotation; its captures tell the record's cut (below)".to_owned();
    }
    let kept = setup.conformity.is_some_and(|c| c.is_kept());
    let Some(c) = &setup.correction else {
        return if kept {
            "nothing: the tolerance is kept, and the band does not say which way a turn would go"
        } else if !setup.rotation_deg.interval.contains(0.0) {
            WITHHELD
        } else {
            "nothing yet: the band does not say which way to turn. A narrower band needs more captures; 'plan' says which"
        }
        .to_owned();
    };
    let mut text = format!(
        "{}turn the cartridge {} deg {}, the stylus staying where it is; one mounting hole moves {} mm against the other.",
        if kept {
            "the tolerance is kept; to take out what was found, "
        } else {
            ""
        },
        rounded_u(c.turn_deg.abs()),
        sense(c.direction),
        plain(c.mounting_hole_mm, 2),
    );
    let left = Quantity {
        value: c.remaining_deg,
        interval: crate::uncertainty::Interval {
            lower: setup.rotation_deg.interval.lower.map(|v| v + c.turn_deg),
            upper: setup.rotation_deg.interval.upper.map(|v| v + c.turn_deg),
            ..setup.rotation_deg.interval
        },
        ..setup.rotation_deg
    };
    if c.remaining_deg.abs() > 1e-9 {
        let _ = write!(
            text,
            " The headshell allows no more: {} deg remain.",
            plain(c.remaining_deg, 2)
        );
    }
    let _ = write!(text, " Afterwards: {}.", band(&left, "deg"));
    text
}

fn budget_text(lines: &[BudgetLine], width: usize) -> String {
    if lines.is_empty() {
        return String::new();
    }
    let heading = "What limits it (share of the variance, contribution)";
    let mut out = wrapped("  ", heading, width);
    let mut rest = 0.0;
    for line in lines {
        if line.share < SHOWN_SHARE {
            rest += line.share;
            continue;
        }
        let figures = format!(
            "    {:>5.1} %  {:>7} deg  ",
            100.0 * line.share,
            rounded_u(line.standard_uncertainty)
        );
        if width < 2 * figures.len() {
            // too narrow for two columns
            out += &format!("{}\n", figures.trim_end());
            out += &wrapped("      ", &line.source, width);
        } else {
            out += &wrapped(&figures, &line.source, width);
        }
    }
    if rest > 0.0 {
        // under the names, where they have a column of their own
        let gap = if width < 52 { 2 } else { 15 };
        let figure = format!("    {:>5.1} %{:gap$}", 100.0 * rest, "");
        out += &wrapped(&figure, "everything else", width);
    }
    out
}

fn caveats(warnings: &[Caveat], width: usize) -> String {
    if warnings.is_empty() {
        return String::new();
    }
    let mut out = String::from("\nCaveats\n");
    for w in warnings {
        let level = match w.level {
            Level::Note => "note",
            Level::Caution => "caution",
            Level::Serious => "serious",
        };
        out += &wrapped("  ", &format!("{level}: {}", w.message), width);
    }
    out
}

/// The text of a comparison, composed for `width` columns.
pub fn comparison_text(c: &Comparison, width: usize) -> String {
    let mut out = wrapped(
        "Change      ",
        &format!(
            "from '{}' to '{}': {}",
            c.before,
            c.after,
            quantity(&c.change_deg, "deg")
        ),
        width,
    );
    out += &wrapped("Remaining   ", &rotation(&c.remaining_deg), width);
    out += &wrapped("Known to    ", &band(&c.remaining_deg, "deg"), width);
    out += &wrapped(
        "Improved    ",
        &format!(
            "with probability {} (the rotation after is smaller in size than before)",
            plain(c.probability_improved, 3)
        ),
        width,
    );
    out += &caveats(&c.warnings, width);
    out
}

/// The text of a plan.
pub fn plan_text(plan: &Plan, wanted: Wanted, width: usize) -> String {
    let mut out = String::from("Predicted standard uncertainty of the rotation\n");
    for setup in &plan.setups {
        out += &wrapped(
            "  ",
            &format!(
                "{}: {} deg",
                shown(&setup.name),
                rounded_u(setup.standard_uncertainty_deg)
            ),
            width,
        );
    }
    out.push('\n');
    if plan.suggestions.is_empty() {
        if matches!(wanted, Wanted::Until(goal) if plan.reached_deg <= goal) {
            out += "That is the goal already: nothing further is needed.\n";
            return out;
        }
        out += &wrapped(
            "",
            "No further capture of those that were tried would take a hundredth off it.",
            width,
        );
        return out;
    }
    out += if wanted != Wanted::Ranking {
        "What to record, in this order, and the uncertainty reached\n"
    } else {
        "What to record next, best first, and the uncertainty reached\n"
    };
    for (k, s) in plan.suggestions.iter().enumerate() {
        out += &wrapped(
            &format!(
                "  {:>2}  {:>7} deg  ",
                k + 1,
                rounded_u(s.standard_uncertainty_deg)
            ),
            &s.capture,
            width,
        );
    }
    out
}
