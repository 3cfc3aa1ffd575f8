//! The page of two setups against each other.

use super::about::About;
use super::names::Names;
use super::numbers::{band, probability, quantity, size, turned};
use super::{Block, Page, Section, conformity, parts, statement};
use crate::job::{Comparison, SetupResult, Solution};
use crate::report::instruction::Situation;
use crate::report::picture;
use crate::report::sentence::capitalised;
use crate::report::text;
use crate::uncertainty::{Direction, rounded_u};
use maud::{Markup, Render, html};

/// The page of two setups against each other; `s` is the whole job's solution.
pub fn comparison(c: &Comparison, s: &Solution, about: &About<'_>) -> Page {
    let names = about.names();
    let setup = |name: &String| s.setups.iter().find(|x| x.name == *name);
    let (before, after) = (setup(&c.before), setup(&c.after));
    let advice = html! {
        @if let Some(after) = after {
            (parts::advice("/correction", &Situation {
                correction: c.correction.as_ref(),
                ..Situation::of(after, c.in_doubt.is_some())
            }))
        }
        (parts::cautions())
    };
    let picture = before.zip(after).and_then(|(b, a)| {
        let (b, a) = ((&*b.name, &b.rotation_deg), (&*a.name, &a.rotation_deg));
        picture::comparison(b, a, &c.change_deg, None)
    });
    let mut sections = Vec::from_iter(statement::section(about, &s.setups, &names));
    sections.push(evidence(c, before, after, about));
    sections.extend(about.closing(&c.warnings, &names));
    let title = [&c.after, &c.before].map(|name| names.text(name));
    about.with_advice_apart(Page {
        doubted: c.in_doubt.is_some(),
        title: format!("Stylus rotation, {} against {}", title[0], title[1]),
        answer: answer(c, after, &names),
        picture,
        advice: Some(advice),
        sections,
    })
}

fn answer(c: &Comparison, after: Option<&SetupResult>, names: &Names) -> Markup {
    html! {
        (parts::in_doubt(c.in_doubt.as_deref(), names))
        p.lead { (moved(c, names)) "." }
        p { (turned("Now the stylus", "/remaining_deg", &c.remaining_deg, true)) "." }
        @if let Some(after) = after && let Some(body) = &after.stylus_to_body_deg {
            (parts::to_the_body(
                text::turn(body),
                c.conformity.as_ref().map(|c| conformity::verdict("/conformity", c)),
                text::arm(&after.arm_of, after.arm.as_ref()),
            ))
        }
        @if let Some(due) = text::turn_due(c) {
            p { (capitalised(&due)) "." }
        }
        @if let Some(p) = c.probability_improved {
            p {
                "The rotation after is smaller in size than before with a probability of "
                (probability("/probability_improved", p)) "."
            }
        }
    }
}

/// How far the stylus has turned between two setups, as a sentence without its full stop.
fn moved(c: &Comparison, names: &Names) -> Markup {
    let (before, after) = (names.text(&c.before), names.text(&c.after));
    let (at, change) = ("/change_deg", &c.change_deg);
    match Direction::resolved(change) {
        Direction::NoneResolved => html! {
            "No change stands out from " em { (before) } " to " em { (after) } ": "
            (quantity(at, change, "degrees"))
        },
        way => html! {
            "From " em { (before) } " to " em { (after) } " the stylus has turned "
            strong { (size(at, change)) " degrees " (text::direction(way)) }
            " seen from above, " (band(at, change, "degrees"))
        },
    }
}

fn evidence(
    c: &Comparison,
    before: Option<&SetupResult>,
    after: Option<&SetupResult>,
    about: &About<'_>,
) -> Section {
    let mut contacts = Vec::new();
    for name in [&c.before, &c.after] {
        let mut views = about.details.contacts.iter().filter(|v| !v.cut);
        if let Some(view) = views.find(|v| v.name == *name) {
            contacts.push(picture::contact(view, &parts::suffix(contacts.len())));
        }
    }
    let row = |(what, setup): (&'static str, Option<&SetupResult>)| {
        let q = &setup?.rotation_deg;
        let (angle, u) = (text::angle(q), rounded_u(q.standard_uncertainty));
        let band = text::turn_band(q);
        let text = format!("{angle}, standard uncertainty {u} degrees, {band}");
        Some((what, text.render()))
    };
    let rows = [("Before", before), ("After", after)];
    let change = quantity("/change_deg", &c.change_deg, "degrees");
    let rows = rows.into_iter().filter_map(row).chain([("Change", change)]);
    let caption = "Rotations before and after; what both share cancels in the change";
    let budget = "What the uncertainty of the change consists of";
    let words = html! {
        (parts::facts(caption, rows))
        (parts::budget("degrees", "/change_budget", &c.change_budget, budget))
    };
    let mut pictures = about.shared_pictures();
    pictures.extend(after.and_then(|a| picture::budget(&a.budget, "", ": rotation after")));
    Section {
        heading: "Evidence",
        blocks: vec![
            Block::pictures(3, contacts),
            words.into(),
            Block::pictures(3, pictures),
        ],
    }
}
