//! Documents and text of solve, compare and plan.

use super::instruction::Situation;
use super::text::{self, quantity, rotation, turn_band, wrapped};
use crate::document::Program;
use crate::job::{
    Basis, CartridgeResult, Comparison, KnowledgeAgreement, MOST_STEPS, PLANNED_COVERAGE, Plan,
    PlannedSetup, SetupResult, Solution, Wanted,
};
use crate::uncertainty::{
    BudgetLine, Caveat, DECIDED, Direction, Quantity, chi_square, plain, rounded_u, tail,
};
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
            #[schemars(extend("const" = $schema))]
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

/// What `solve --json` prints.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SolutionDocument {
    /// Name and version of the schema.
    #[schemars(extend("const" = SolutionDocument::SCHEMA))]
    pub schema: String,
    /// What made the document.
    pub program: Program,
    /// The results.
    #[serde(flatten)]
    pub content: Solution,
    /// What they were made from; absent from results of older versions.
    #[serde(default)]
    pub basis: Option<Basis>,
}

impl SolutionDocument {
    /// Name and version of the schema.
    pub const SCHEMA: &str = "groovelag/solution/1";

    /// The document of these results.
    pub fn new(content: Solution) -> Self {
        Self {
            schema: Self::SCHEMA.to_owned(),
            program: Program::this(),
            content,
            basis: None,
        }
    }

    /// The same with what they were made from.
    #[must_use]
    pub fn with_basis(self, basis: Basis) -> Self {
        Self {
            basis: Some(basis),
            ..self
        }
    }
}

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

/// Heading of a budget.
const LIMITS_IT: &str = "What limits it (share of the variance, contribution)";

/// The text of a solved job, composed for `width` columns; `title` as the job gives it.
pub fn solution_text(solution: &Solution, title: Option<&str>, width: usize) -> String {
    let mut out = text::in_doubt(solution.in_doubt.as_deref(), width);
    if let Some(title) = title {
        out += &wrapped("", title, width);
        out.push('\n');
    }
    let doubted = solution.standing().is_doubted();
    let (unobservable, observed): (Vec<_>, Vec<_>) =
        solution.setups.iter().partition(|s| s.unobservable);
    let qualifies = observed.is_empty();
    for setup in observed {
        out += &setup_text(setup, doubted, width);
        out.push('\n');
    }
    let item = |name: &str, text: String| wrapped("  ", &format!("{}: {text}", shown(name)), width);
    if !solution.records.is_empty() {
        out += &wrapped("", "Records: rotation of the cut", width);
        for r in &solution.records {
            out += &item(&r.name, cut(&r.cut_rotation_deg));
            if qualifies {
                out += &budget_text(LIMITS_IT, &r.budget, width);
            }
        }
        out.push('\n');
    }
    for setup in unobservable {
        out += &setup_text(setup, false, width);
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
    section(
        "Cartridges: lever at zero rotation (and zero hours), scale",
        solution
            .cartridges
            .iter()
            .map(|c| item(&c.name, cartridge(c)))
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
        "Arms: overhang and offset angle",
        solution
            .arms
            .iter()
            .map(|arm| item(&arm.name, text::arm_known(arm)))
            .collect(),
    );
    section(
        "Passes: results from their other bands and marks",
        solution
            .passes
            .iter()
            .flat_map(|pass| {
                let lines = text::pass(pass).into_iter();
                lines.map(|line| item(&pass.file, line))
            })
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
        format!(", probability of a larger one {}", tail(p))
    });
    out += &wrapped(
        "Fit: ",
        &format!("{}{p}", chi_square(fit.chi_square, fit.degrees_of_freedom)),
        width,
    );
    out += &caveats(&solution.warnings, width);
    if solution.setups.iter().any(|s| s.correction.is_some()) {
        out.push('\n');
        out += &wrapped("", text::CAUTIONS, width);
    }
    out
}

/// What is found of a cartridge.
fn cartridge(c: &CartridgeResult) -> String {
    let lever = quantity(&c.lever_um, "um");
    let mut words = format!("{lever}; scale {}", quantity(&c.scale, ""));
    if let Some(wear) = &c.wear_um_per_1000_h {
        let wear = quantity(wear, "um in 1000 hours");
        let _ = write!(words, "; wear of the side radius {wear}");
    }
    if let Some(radius) = &c.radius_along_groove_um {
        let radius = quantity(radius, "um");
        let _ = write!(words, "; radius along the groove {radius}");
    }
    if let Some(shapes) = &c.shape_probabilities {
        let each = shapes
            .iter()
            .map(|(shape, p)| format!("{shape} {}", plain(*p, 2)));
        let each = each.collect::<Vec<_>>().join(", ");
        let _ = write!(words, "; shape from its tracing, probability: {each}");
    }
    words
}

/// A cut with its direction in words.
fn cut(quantity: &Quantity) -> String {
    let value = match Direction::resolved(quantity) {
        Direction::NoneResolved => rotation(quantity),
        _ => format!("{} seen from above", text::angle(quantity)),
    };
    format!(
        "{value}, u {}, {}",
        rounded_u(quantity.standard_uncertainty),
        turn_band(quantity)
    )
}

fn shown(name: &str) -> &str {
    if name.is_empty() { "(not named)" } else { name }
}

fn setup_text(setup: &SetupResult, doubted: bool, width: usize) -> String {
    let mut out = format!("Setup {}\n", shown(&setup.name));
    if setup.unobservable {
        let known = turn_band(&setup.rotation_deg);
        return out
            + &wrapped(
                "  ",
                &format!(
                    "a spherical tip cannot see its own rotation ({known}, as before); its captures determine the cut above"
                ),
                width,
            );
    }
    out += &wrapped("  Rotation      ", &rotation(&setup.rotation_deg), width);
    out += &wrapped("                ", &known_to(&setup.rotation_deg), width);
    if let Some(body) = &setup.stylus_to_body_deg {
        out += &wrapped("  To the body   ", &text::brief(body), width);
        out += &wrapped("                ", &known_to(body), width);
    }
    if let Some(arm) = text::arm(&setup.arm_of, setup.arm.as_ref()) {
        out += &wrapped("  Arm           ", &arm, width);
    }
    if let Some(c) = &setup.conformity {
        out += &wrapped("  Tolerance     ", &text::conformity(c), width);
    }
    let instruction = Situation::of(setup, doubted).instruction();
    out += &wrapped("  What to do    ", &instruction.text(), width);
    out += &budget_text(LIMITS_IT, &setup.budget, width);
    if setup.conformity.is_some() {
        let heading = "What limits the rotation to the body, to which the tolerance applies";
        out += &budget_text(heading, &setup.stylus_to_body_budget, width);
    }
    if let Some(zero) = &setup.zero_setting_deg {
        let [before, after] = text::ZERO_SETTING;
        let zero = before.to_owned() + &text::turn(zero) + after + text::ZERO_IS_NO_ADVICE;
        out += &wrapped("  ", &zero, width);
    }
    out
}

/// A band with its standard uncertainty.
fn known_to(quantity: &Quantity) -> String {
    format!(
        "{}, standard uncertainty {} degrees",
        turn_band(quantity),
        rounded_u(quantity.standard_uncertainty)
    )
}

fn budget_text(heading: &str, lines: &[BudgetLine], width: usize) -> String {
    if lines.is_empty() {
        return String::new();
    }
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
    format!("\nCaveats\n{}", text::caveats(warnings, width))
}

/// The text of a comparison, composed for `width` columns.
/// `after` is the later setup.
pub fn comparison_text(c: &Comparison, after: &SetupResult, width: usize) -> String {
    let mut out = text::in_doubt(c.in_doubt.as_deref(), width);
    let mut line = |label: &str, text: &str| out += &text::labelled(label, text, width);
    let change = &c.change_deg;
    let between = format!("from '{}' to '{}'", c.before, c.after);
    let moved = match Direction::resolved(change) {
        Direction::NoneResolved => text::brief(change),
        _ => format!("{} seen from above", text::angle(change)),
    };
    line("Change", &format!("{moved}, {between}"));
    line(
        "",
        &format!(
            "{}, standard uncertainty {} degrees",
            turn_band(change),
            rounded_u(change.standard_uncertainty)
        ),
    );
    if let Some(due) = text::turn_due(c) {
        line("", &due);
    }
    line("Remaining", &rotation(&c.remaining_deg));
    line("", &turn_band(&c.remaining_deg));
    if let Some(body) = &after.stylus_to_body_deg {
        let band = turn_band(body);
        line("To the body", &format!("{}, {band}", text::brief(body)));
    }
    if let Some(arm) = text::arm(&after.arm_of, after.arm.as_ref()) {
        line("Arm", &arm);
    }
    if let Some(conformity) = &c.conformity {
        line("Tolerance", &text::conformity(conformity));
    }
    if let Some(p) = c.probability_improved {
        let verdict = if p >= DECIDED {
            format!(
                "yes: smaller than before, with a probability of {}",
                text::probability(p)
            )
        } else if p <= 1.0 - DECIDED {
            format!(
                "no: larger than before, with a probability of {}",
                text::probability(1.0 - p)
            )
        } else {
            format!(
                "undecided: smaller than before with a probability of {}",
                text::probability(p)
            )
        };
        line("Improved", &verdict);
    }
    let situation = Situation {
        correction: c.correction.as_ref(),
        ..Situation::of(after, c.in_doubt.is_some())
    };
    line("What to do", &situation.instruction().text());
    out += &caveats(&c.warnings, width);
    if c.correction.is_some() {
        out.push('\n');
        out += &wrapped("", text::CAUTIONS, width);
    }
    out
}

/// The text of a plan.
pub fn plan_text(plan: &Plan, wanted: Wanted, width: usize) -> String {
    let mut out = text::in_doubt(plan.in_doubt.as_deref(), width);
    let percent = text::coverage_percent(PLANNED_COVERAGE);
    let mut list = |heading: &str, entries: Vec<(&String, Option<(f64, f64)>)>| {
        out += &wrapped("", heading, width);
        for (name, known) in entries {
            let known = known.map_or("no capture yet".to_owned(), |(half, u)| {
                format!("+-{} deg, u {} deg", rounded_u(half), rounded_u(u))
            });
            out += &wrapped("  ", &format!("{}: {known}", shown(name)), width);
        }
        out.push('\n');
    };
    let known = match plan.recorded {
        0 => "median over 0 +- 5 degrees where none is stated".to_owned(),
        n => format!(
            "as found from {n} of the captures, median over 0 +- 5 degrees where nothing is recorded or stated"
        ),
    };
    if plan.qualifies {
        list(
            &format!("Predicted {percent} % band of the rotation of the cut"),
            plan.records
                .iter()
                .map(|r| (&r.name, Some((r.half_band_deg, r.standard_uncertainty_deg))))
                .collect(),
        );
    } else {
        let band = |s: &PlannedSetup| {
            (s.captures > 0).then_some((s.half_band_deg, s.standard_uncertainty_deg))
        };
        list(
            &format!("Predicted {percent} % band of the rotation ({known})"),
            plan.setups.iter().map(|s| (&s.name, band(s))).collect(),
        );
    }
    for note in &plan.notes {
        out += &wrapped("", note, width);
        out.push('\n');
    }
    let reached = matches!(wanted, Wanted::Until(goal) if plan.reached_deg <= goal);
    if plan.suggestions.is_empty() {
        out += if reached {
            "The goal is reached already: record nothing further.\n"
        } else {
            "None of the further captures tried would reduce it by a hundredth.\n"
        };
        if !reached {
            out += &limits(plan, width);
        }
        return out;
    }
    let order = match wanted {
        Wanted::Ranking => "next, best first,",
        _ => "in this order,",
    };
    let of = match (plan.counted, wanted) {
        (0 | 1, _) => "",
        (_, Wanted::Until(_)) => " where least is known",
        _ => " (root mean square over all of them)",
    };
    let heading = format!("What to record {order} and the band reached{of}");
    out += &wrapped("", &heading, width);
    for (k, s) in plan.suggestions.iter().enumerate() {
        out += &wrapped(
            &format!(
                "  {:>2}  {:>8} deg, u {:>6}  ",
                k + 1,
                format!("+-{}", rounded_u(s.half_band_deg)),
                rounded_u(s.standard_uncertainty_deg)
            ),
            &format!("{}, {:.0} min", s.capture, s.minutes),
            width,
        );
    }
    if wanted != Wanted::Ranking {
        let minutes: f64 = plan.suggestions.iter().map(|s| s.minutes).sum();
        out += &format!("Together about {minutes:.0} min.\n");
    }
    if let (Wanted::Until(goal), false) = (wanted, reached) {
        out += &wrapped(
            "",
            &format!(
                "These captures do not reach the goal, a standard uncertainty u of {goal} deg (at most {MOST_STEPS} steps are planned)."
            ),
            width,
        );
        out += &limits(plan, width);
    }
    out
}

document!(
    /// What `merge --json` prints.
    AgreementDocument,
    KnowledgeAgreement,
    "groovelag/agreement/1"
);

/// The text of `merge`.
pub fn agreement_text(found: &KnowledgeAgreement, width: usize) -> String {
    let mut out = String::new();
    if let Some(doubt) = &found.in_doubt {
        out += &wrapped("", &format!("{doubt}."), width);
        out.push('\n');
    }
    out += &format!(
        "Files: {}, captures: {}\n",
        found.files.len(),
        found.captures
    );
    for compared in &found.compared {
        let heading = format!(
            "{} against the others: difference, its standard uncertainty, normalised error E_n (size of the difference over its expanded uncertainty)",
            compared.file
        );
        out.push('\n');
        out += &wrapped("", &heading, width);
        if compared.equivalences.is_empty() {
            out += "  no quantity that both determine\n";
        }
        for equivalence in &compared.equivalences {
            out += &wrapped("  ", &equivalence.line(), width);
        }
    }
    out + &caveats(&found.warnings, width)
}

/// Lines of a budget that a plan names: what takes out more is seldom one thing. Common practice, no source.
const MOST_LIMITS: usize = 3;

/// What limits a plan whose goal is out of reach, or which nothing betters.
fn limits(plan: &Plan, width: usize) -> String {
    let lines = plan.limits.iter().take(MOST_LIMITS);
    let lines: Vec<String> = lines
        .map(|line| format!("{} ({:.0} %)", line.source, 100.0 * line.share))
        .collect();
    if lines.is_empty() {
        return String::new();
    }
    let said = format!(
        "What then limits it, with its share of the variance: {}.",
        lines.join("; ")
    );
    wrapped("", &said, width)
}
