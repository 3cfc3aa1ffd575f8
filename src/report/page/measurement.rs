//! The page of one recording.

use super::about::About;
use super::names::Names;
use super::numbers::{quantity, size, turned, uncertainty};
use super::{Block, Page, Section, conformity, parts};
use crate::report::Measurement;
use crate::report::{picture, text};
use maud::{Markup, html};

/// The page of one recording.
pub fn measurement(m: &Measurement, about: &About<'_>) -> Page {
    let names = about.names();
    let mut contacts = about.contacts();
    let advice = match m.situation() {
        Some(situation) => html! {
            (parts::advice("/correction", &situation))
            (parts::cautions())
        },
        None => html! {
            p {
                "Nothing can be turned: the cut belongs to the record. State it in a job as the record's cut rotation, with its uncertainty, to take it out of other captures."
            }
        },
    };
    let mut sections = vec![evidence(m, about, &names)];
    sections.extend(about.closing(&m.warnings, &names));
    Page {
        doubted: m.in_doubt.is_some(),
        title: format!("Stylus rotation: {}", names.file(&m.file)),
        answer: answer(m, &names),
        picture: (!contacts.is_empty()).then(|| contacts.remove(0)),
        advice: Some(advice),
        sections,
    }
}

fn answer(m: &Measurement, names: &Names) -> Markup {
    html! {
        (parts::in_doubt(m.in_doubt.as_deref(), names))
        @if let Some(rotation) = &m.rotation_deg {
            p.lead { (turned("The stylus", "/rotation_deg", rotation, true)) "." }
            (parts::known_to("/rotation_deg", rotation))
        } @else if let Some(cut) = &m.cut_rotation_deg {
            p.lead { (turned("The record's own cut", "/cut_rotation_deg", cut, false)) "." }
        }
        @if let Some(curve) = &m.over_radius {
            p {
                "The recording was taken in " (curve.stretches.len()) " stretches, each at its radius, which also tell the chain's time skew, right after left: "
                (quantity("/over_radius/chain_skew_us", &curve.chain_skew_us, "us"))
                @if let Some(arm) = &curve.arm { "; the arm's " (text::arm_known(arm)) }
                "."
            }
        }
        @if let Some(body) = &m.stylus_to_body_deg {
            (parts::to_the_body(
                quantity("/stylus_to_body_deg", body, "degrees"),
                m.conformity.map(|c| conformity::verdict("/conformity", &c)),
                text::arm(&m.arm_of, m.arm.as_ref()),
            ))
        }
        @if m.rotation_deg.is_none() {
            p {
                "A spherical tip cannot see its own rotation: this is the rotation of the record's cut."
            }
        }
        p {
            "The channels are " (size("/delay_us", &m.delay_us)) " us apart, "
            @if m.delay_us.value < 0.0 { "left after right" } @else { "right after left" }
            " (standard uncertainty " (uncertainty("/delay_us", &m.delay_us)) " us by noise, equaliser parts, and what cartridges do to the phase)."
        }
    }
}

fn evidence(m: &Measurement, about: &About<'_>, names: &Names) -> Section {
    let budget = "What the uncertainty of the rotation consists of";
    let source = about.job.limits.tolerance_source.as_deref();
    let judged = html! {
        @if let (Some(c), Some(body)) = (&m.conformity, &m.stylus_to_body_deg) {
            (conformity::statement("/stylus_to_body_deg", "/conformity", c, body, source, ""))
            @if let Some(setup) = about.job.setups.values().next() {
                (about.mountings(&setup.cartridge, names))
            }
        }
    };
    Section {
        heading: "Evidence",
        blocks: vec![
            judged.into(),
            Block::Figures(
                3,
                picture::budget(&m.budget, "", "").into_iter().collect(),
                parts::budget("degrees", "/budget", &m.budget, budget),
            ),
            Block::pictures(3, about.shared_pictures()),
        ],
    }
}
