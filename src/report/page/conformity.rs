//! What a tolerance says of the stylus to the body.

use super::numbers::{number, probability, size, uncertainty};
use super::parts::facts;
use crate::report::text::{self, coverage_percent};
use crate::uncertainty::{Conformity, DECIDED, Direction, Quantity, Verdict, plain, rounded_u};
use maud::{Markup, Render, html};

fn tolerance(pointer: &str, c: &Conformity) -> Markup {
    let (at, deg) = (format!("{pointer}/tolerance_deg"), c.tolerance_deg);
    html! { (number(&at, deg, &deg.to_string())) " degrees either way" }
}

/// What a verdict on the stylus to the body means, as the end of a sentence.
pub fn verdict(pointer: &str, c: &Conformity) -> Markup {
    let (word, of) = match c.verdict {
        Verdict::Conforming => ("within", " the tolerance of "),
        Verdict::NonConforming => ("outside", " the tolerance of "),
        Verdict::Undecided => ("undecided", " whether it is within the tolerance of "),
    };
    html! {
        "it is " strong { (word) } (of) (tolerance(pointer, c)) " (probability of conformity "
        (probability(&format!("{pointer}/probability"), c.probability)) ")"
    }
}

/// The statement of conformity with what JCGM 106 asks to be told: of the rotation at `pointer`, the verdict `at`
/// another place of the document.
pub fn statement(
    pointer: &str,
    at: &str,
    c: &Conformity,
    rotation: &Quantity,
    source: Option<&str>,
    of: &str,
) -> Markup {
    let rows = [
        (
            "Tolerance",
            html! { (tolerance(at, c)) "; from: " (source.unwrap_or("not stated")) },
        ),
        (
            "Measured value",
            html! {
                (size(pointer, rotation)) " degrees "
                (text::direction(Direction::of(rotation.value))) " seen from above"
            },
        ),
        (
            "Standard uncertainty",
            html! { (uncertainty(pointer, rotation)) " degrees" },
        ),
        ("Expanded uncertainty", expanded(rotation).render()),
        ("Decision rule", rule().render()),
        (
            "Probability of conformity",
            probability(&format!("{at}/probability"), c.probability),
        ),
        ("Statement", html! { strong { (c.verdict.word()) } }),
        ("Risk that the statement is wrong", risk(c).render()),
    ];
    html! {
        (facts(&format!("Conformity (JCGM 106){of}"), rows))
        p.note {
            "This is evidence for a conversation with the supplier. The maker's own inspection, or a microscope, decides, where it sees the same angle: that of the playing edges under tracking force."
        }
    }
}

fn expanded(rotation: &Quantity) -> String {
    match rotation.half_width() {
        Some(half) => format!(
            "U = {} degrees, coverage probability {} %, coverage factor k = {} (half the band over the standard uncertainty)",
            rounded_u(half),
            coverage_percent(rotation.interval.coverage),
            plain(half / rotation.standard_uncertainty, 2)
        ),
        None => "the band is not finite".to_owned(),
    }
}

fn rule() -> String {
    format!(
        "Conforming if the probability of conformity is at least {}, non-conforming if it is at most {1}, undecided between them, so that no statement is wrong with a probability above {1}. No guard band beyond that; JCGM 106:2012, tolerance interval with two limits.",
        plain(DECIDED, 2),
        plain(1.0 - DECIDED, 2)
    )
}

fn risk(c: &Conformity) -> String {
    match c.verdict {
        Verdict::Conforming => format!(
            "{} that it does not conform, if what is assumed holds (specific consumer's risk)",
            text::probability(1.0 - c.probability)
        ),
        Verdict::NonConforming => format!(
            "{} that it conforms, if what is assumed holds (specific producer's risk)",
            text::probability(c.probability)
        ),
        Verdict::Undecided => "none: nothing is stated either way".to_owned(),
    }
}
