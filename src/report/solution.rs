//! Documents and text of solve, compare and plan.

use super::text::{DEFAULT_WIDTH, band, quantity, rotation, sense, wrapped};
use crate::document::Program;
use crate::job::{Comparison, Plan, SetupResult, Solution};
use crate::uncertainty::{BudgetLine, Caveat, Level, Quantity, Verdict, plain, rounded_u};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt::Write as _;

/// Budget lines below this share are added up in the text (never in the
/// document).
const SHOWN_SHARE: f64 = 0.01;

/// Text broken for the usual terminal.
fn wrap(first: &str, text: &str) -> String {
    wrapped(first, text, DEFAULT_WIDTH)
}

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

/// The text of a solved job; `title` as the job gives it.
pub fn solution_text(solution: &Solution, title: Option<&str>) -> String {
    let mut out = String::new();
    if let Some(title) = title {
        out += &wrap("", title);
        out.push('\n');
    }
    for setup in &solution.setups {
        out += &setup_text(setup);
        out.push('\n');
    }
    let mut section = |heading: &str, lines: Vec<String>| {
        if !lines.is_empty() {
            let _ = writeln!(out, "{heading}");
            for line in lines {
                out += &line;
            }
            out.push('\n');
        }
    };
    let item = |name: &str, text: String| wrap("  ", &format!("{}: {text}", shown(name)));
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
                wrap(
                    "  ",
                    &format!(
                        "{}: {} us (u {}), {} us, {residual}",
                        c.file,
                        plain(d.value, 4),
                        rounded_u(d.standard_uncertainty),
                        plain(c.predicted_us, 4),
                    ),
                )
            })
            .collect(),
    );
    let fit = &solution.fit;
    let p = fit.p_value.map_or_else(String::new, |p| {
        format!(", probability of a larger one {}", plain(p, 3))
    });
    out += &wrap(
        "Fit: ",
        &format!(
            "chi-square {} with {} degrees of freedom{p}",
            plain(fit.chi_square, 1),
            fit.degrees_of_freedom
        ),
    );
    out += &caveats(&solution.warnings);
    out
}

fn shown(name: &str) -> &str {
    if name.is_empty() { "(not named)" } else { name }
}

fn setup_text(setup: &SetupResult) -> String {
    let mut out = format!("Setup {}\n", shown(&setup.name));
    out += &wrap("  Rotation      ", &rotation(&setup.rotation_deg));
    out += &wrap(
        "  Known to      ",
        &format!(
            "{}, standard uncertainty {} deg",
            band(&setup.rotation_deg, "deg"),
            rounded_u(setup.rotation_deg.standard_uncertainty)
        ),
    );
    if let Some(c) = &setup.conformity {
        let verdict = match c.verdict {
            Verdict::Conforming => "conforming",
            Verdict::NonConforming => "non-conforming",
            Verdict::Undecided => "undecided",
        };
        out += &wrap(
            "  Tolerance     ",
            &format!(
                "{verdict} to +-{} deg; probability of conformity {}",
                c.tolerance_deg,
                plain(c.probability, 3)
            ),
        );
    }
    out += &wrap("  What to do    ", &what_to_do(setup));
    if let Some(zero) = &setup.zero_setting_deg {
        out += &wrap(
            "  Zero setting  ",
            &format!(
                "both edges read together when turned by {} (cut and skews included, tip shape immaterial)",
                quantity(zero, "deg")
            ),
        );
    }
    out += &budget_text(&setup.budget);
    out
}

fn what_to_do(setup: &SetupResult) -> String {
    if setup.blind {
        return "nothing: a spherical tip cannot see its own rotation; its captures tell the record's cut (below)".to_owned();
    }
    let Some(c) = &setup.correction else {
        return "nothing yet: the band does not say which way to turn. A narrower band needs more captures; 'plan' says which".to_owned();
    };
    let mut text = format!(
        "turn the cartridge {} deg {}, the stylus staying where it is; one mounting hole moves {} mm against the other.",
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

fn budget_text(lines: &[BudgetLine]) -> String {
    if lines.is_empty() {
        return String::new();
    }
    let mut out = String::from("  What limits it (share of the variance, contribution)\n");
    let mut rest = 0.0;
    for line in lines {
        if line.share < SHOWN_SHARE {
            rest += line.share;
            continue;
        }
        out += &wrap(
            &format!(
                "    {:>5.1} %  {:>7} deg  ",
                100.0 * line.share,
                rounded_u(line.standard_uncertainty)
            ),
            &line.source,
        );
    }
    if rest > 0.0 {
        let _ = writeln!(
            out,
            "    {:>5.1} %               everything else",
            100.0 * rest
        );
    }
    out
}

fn caveats(warnings: &[Caveat]) -> String {
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
        out += &wrap("  ", &format!("{level}: {}", w.message));
    }
    out
}

/// The text of a comparison.
pub fn comparison_text(c: &Comparison) -> String {
    let mut out = wrap(
        "Change      ",
        &format!(
            "from '{}' to '{}': {}",
            c.before,
            c.after,
            quantity(&c.change_deg, "deg")
        ),
    );
    out += &wrap("Remaining   ", &rotation(&c.remaining_deg));
    out += &wrap("Known to    ", &band(&c.remaining_deg, "deg"));
    out += &wrap(
        "Improved    ",
        &format!(
            "with probability {} (the rotation after is smaller in size than before)",
            plain(c.probability_improved, 3)
        ),
    );
    out += &caveats(&c.warnings);
    out
}

/// The text of a plan; `sequence` when the suggestions follow one another.
pub fn plan_text(plan: &Plan, sequence: bool) -> String {
    let mut out = String::from("Predicted standard uncertainty of the rotation\n");
    for setup in &plan.setups {
        out += &wrap(
            "  ",
            &format!(
                "{}: {} deg",
                shown(&setup.name),
                rounded_u(setup.standard_uncertainty_deg)
            ),
        );
    }
    out.push('\n');
    if plan.suggestions.is_empty() {
        out += &wrap(
            "",
            "No further capture of those that were tried would take a hundredth off it.",
        );
        return out;
    }
    out += if sequence {
        "What to record, in this order, and the uncertainty reached\n"
    } else {
        "What to record next, best first, and the uncertainty reached\n"
    };
    for (k, s) in plan.suggestions.iter().enumerate() {
        out += &wrap(
            &format!(
                "  {:>2}  {:>7} deg  ",
                k + 1,
                rounded_u(s.standard_uncertainty_deg)
            ),
            &s.capture,
        );
    }
    out
}
