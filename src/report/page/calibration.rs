//! The page of a calibration.

use super::names::Names;
use super::numbers::{number, percent, quantity, size, uncertainty};
use super::parts::{caveats, facts, hash, table};
use super::{Block, Page, Section};
use crate::report::calibration::{CalibrationReport, PartReport};
use crate::report::picture;
use crate::uncertainty::plain;
use maud::{Markup, Render, html};

/// The page of what a calibration found.
pub fn calibration(report: &CalibrationReport) -> Page {
    let sources = report.sources.iter().map(|s| s.file.clone());
    let names = Names::new(sources.chain([report.file.clone()]));
    let file = names.file(&report.file);
    let advice = html! {
        p {
            "Name " code { (file) } " as " code { "calibration" } " of the chain in a job, or give it to " code { "groovelag measure" } " with " code { "--chain" } ". It holds for this chain at these settings: change a cable, a load or a gain, and calibrate again."
        }
    };
    let method = html! {
        p {
            "The averaged cross-spectrum of captures of known signals gives the chain's phase and gain, right against left, and the cartridge's crosstalk. They are taken out of later captures, and what is left of them is part of the budget there. Whether they still hold is not in the figures: repeat the calibration when anything in the chain has changed."
        }
    };
    let mut pictures = picture::calibration(report);
    let first = (!pictures.is_empty()).then(|| pictures.remove(0));
    Page {
        title: format!("Calibration: {file}"),
        doubted: false,
        answer: answer(report),
        picture: first,
        advice: Some(advice),
        sections: vec![
            Section {
                heading: "Evidence",
                blocks: vec![Block::pictures(3, pictures), found(report, &names).into()],
            },
            Section::of_words("Doubts", caveats(&report.warnings, &names)),
            Section::of_words("Conditions", files(report, &names)),
            Section::of_words("Method and meaning", method),
        ],
    }
}

fn scale_u(scale_u: f64) -> Markup {
    html! { (percent("/crosstalk/scale_u", scale_u, 2)) " %" }
}

/// What was found, in a sentence or two.
fn answer(report: &CalibrationReport) -> Markup {
    html! {
        @if let Some(c) = &report.common {
            p.lead {
                "The right channel of the chain is "
                strong {
                    @if c.skew_us.value < 0.0 { "early" } @else { "late" }
                    " by " (size("/common/skew_us", &c.skew_us)) " us"
                }
                " (standard uncertainty " (uncertainty("/common/skew_us", &c.skew_us)) " us), "
                @if c.balance_db.value < 0.0 { "softer" } @else { "louder" }
                " by " (size("/common/balance_db", &c.balance_db)) " dB"
                @if c.inverted { " and inverted" }
                "."
            }
        }
        @if let Some(c) = &report.crosstalk {
            p class=[report.common.is_none().then_some("lead")] {
                "The cartridge's crosstalk was measured; once it is corrected, the scale of the delay is known to " (scale_u(c.scale_u)) "."
            }
        }
    }
}

/// The same and more as tables.
fn found(report: &CalibrationReport, names: &Names) -> Markup {
    let mut rows = Vec::new();
    if let Some(c) = &report.common {
        let skew = quantity("/common/skew_us", &c.skew_us, "us");
        let balance = quantity("/common/balance_db", &c.balance_db, "dB");
        rows.push(("Right channel late by", skew));
        rows.push(("Right channel louder by", balance));
    }
    if let Some(c) = &report.crosstalk {
        let (at, db) = ("/crosstalk/cutter_separation_db", c.cutter_separation_db);
        let separation = html! { (number(at, db, &plain(db, 1))) " dB" };
        rows.push((
            "Scale of the delay, standard uncertainty left",
            scale_u(c.scale_u),
        ));
        rows.push(("Separation assumed for the cutter", separation));
    }
    let part = |(k, part): (usize, &PartReport)| {
        let at = format!("/common/parts/{k}/difference_percent");
        let difference = quantity(&at, &part.difference_percent, "%");
        [names.text(&part.part).render(), difference]
    };
    let caption = "Parts, right minus left; which channel is off cannot be told";
    let head = ["Part", "difference"];
    html! {
        (facts("What was found", rows))
        @if let Some(c) = &report.common {
            (table(caption, &head, c.parts.iter().enumerate().map(part)))
        }
    }
}

/// The calibration's own file, and those of its captures.
fn files(report: &CalibrationReport, names: &Names) -> Markup {
    let edge = |k: usize| {
        let hz = report.band_hz[k];
        number(&format!("/band_hz/{k}"), hz, &plain(hz, 0))
    };
    let mut conditions = vec![
        ("Calibration", names.file(&report.file).render()),
        ("Identifier", hash(&names.text(&report.id))),
        ("Band", html! { (edge(0)) " to " (edge(1)) " Hz" }),
    ];
    let date = report.date.as_ref();
    conditions.extend(date.map(|date| ("Day of the captures", names.text(date).render())));
    html! {
        (facts("Calibration", conditions))
        @for s in &report.sources {
            (facts(&format!("Capture: {}", s.kind), [
                ("File", names.file(&s.file).render()),
                ("SHA-256", hash(&names.text(&s.sha256))),
                ("Sample rate", html! { (s.sample_rate_hz) " Hz" }),
                ("Length", html! { (plain(s.duration_s, 1)) " s" }),
            ]))
        }
    }
}
