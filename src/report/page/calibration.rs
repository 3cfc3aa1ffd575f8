//! The page of a calibration.

use super::names::{Names, file_name};
use super::parts::{self, number, quantity};
use super::{Block, Page, Section};
use crate::report::calibration::{CalibrationReport, PartReport};
use crate::report::picture;
use crate::uncertainty::plain;
use std::fmt::Write as _;

/// The page of what a calibration found.
pub fn calibration(report: &CalibrationReport) -> Page {
    let sources = report.sources.iter().map(|s| s.file.clone());
    let names = Names::new(sources.chain([report.file.clone()]));
    let (answer, rows) = found(report);
    let advice = format!(
        "<p>Name <code>{}</code> as <code>calibration</code> of the chain in a job, or give it to <code>groovelag measure</code> with <code>--chain</code>. It holds for this chain at these settings: change a cable, a load or a gain, and calibrate again.</p>\n",
        names.html(file_name(&report.file))
    );
    let mut pictures = picture::calibration(report);
    let first = (!pictures.is_empty()).then(|| pictures.remove(0));
    let mut blocks = vec![Block::Figures(3, pictures)];
    blocks.push(Block::Html(parts::facts("What was found", &rows)));
    if let Some(c) = &report.common {
        let row = |(k, part): (usize, &PartReport)| {
            let at = format!("/common/parts/{k}/difference_percent");
            let difference = quantity(&at, &part.difference_percent, "%");
            vec![names.html(&part.part), difference]
        };
        blocks.push(Block::Html(parts::table(
            "Parts, right minus left; which channel is off cannot be told",
            &["Part", "difference"],
            &c.parts.iter().enumerate().map(row).collect::<Vec<_>>(),
        )));
    }
    Page {
        title: format!("Calibration: {}", names.html(file_name(&report.file))),
        doubted: false,
        answer,
        picture: first,
        advice,
        sections: vec![
            Section {
                heading: "Evidence".to_owned(),
                blocks,
            },
            Section {
                heading: "Doubts".to_owned(),
                blocks: vec![Block::Html(parts::caveats(&report.warnings, &names))],
            },
            Section {
                heading: "Conditions".to_owned(),
                blocks: vec![Block::Html(files(report, &names))],
            },
            Section {
                heading: "Method and meaning".to_owned(),
                blocks: vec![Block::Html("<p>The averaged cross-spectrum of captures of known signals gives the chain's phase and gain, right against left, and the cartridge's crosstalk. They are taken out of later captures, and what is left of them is part of the budget there. Whether they still hold is not in the figures: repeat the calibration when anything in the chain has changed.</p>\n".to_owned())],
            },
        ],
    }
}

/// What was found: the answer, and a table of its figures.
fn found(report: &CalibrationReport) -> (String, Vec<(&'static str, String)>) {
    let mut answer = String::new();
    let mut rows = Vec::new();
    if let Some(c) = &report.common {
        let (skew, balance) = (&c.skew_us, &c.balance_db);
        let order = if skew.value < 0.0 { "early" } else { "late" };
        let louder = if balance.value < 0.0 {
            "softer"
        } else {
            "louder"
        };
        let inverted = if c.inverted { " and inverted" } else { "" };
        let (of_skew, of_balance) = ("/common/skew_us", "/common/balance_db");
        let _ = writeln!(
            answer,
            "<p class=\"lead\">The right channel of the chain is <strong>{order} by {} us</strong> (standard uncertainty {} us), {louder} by {} dB{inverted}.</p>",
            parts::size(of_skew, skew),
            parts::uncertainty(of_skew, skew),
            parts::size(of_balance, balance),
        );
        rows.push(("Right channel late by", quantity(of_skew, skew, "us")));
        rows.push((
            "Right channel louder by",
            quantity(of_balance, balance, "dB"),
        ));
    }
    if let Some(c) = &report.crosstalk {
        let class = if answer.is_empty() {
            " class=\"lead\""
        } else {
            ""
        };
        let scale_u = parts::percent("/crosstalk/scale_u", c.scale_u, 2);
        let separation = number(
            "/crosstalk/cutter_separation_db",
            c.cutter_separation_db,
            &plain(c.cutter_separation_db, 1),
        );
        let _ = writeln!(
            answer,
            "<p{class}>The cartridge's crosstalk was measured; once it is corrected, the scale of the delay is known to {scale_u} %.</p>",
        );
        rows.extend([
            (
                "Scale of the delay, standard uncertainty left",
                format!("{scale_u} %"),
            ),
            (
                "Separation assumed for the cutter",
                format!("{separation} dB"),
            ),
        ]);
    }
    (answer, rows)
}

/// The calibration's own file, and those of its captures.
fn files(report: &CalibrationReport, names: &Names) -> String {
    let hash = |text: &str| format!("<span class=\"hash\">{text}</span>");
    let edges = [0, 1].map(|k| {
        let hz = report.band_hz[k];
        number(&format!("/band_hz/{k}"), hz, &plain(hz, 0))
    });
    let mut conditions = vec![
        ("Calibration", names.html(file_name(&report.file))),
        ("Identifier", hash(&names.html(&report.id))),
        ("Band", format!("{} Hz", edges.join(" to "))),
    ];
    if let Some(date) = &report.date {
        conditions.push(("Day of the captures", names.html(date)));
    }
    let mut files = parts::facts("Calibration", &conditions);
    for s in &report.sources {
        files.push_str(&parts::facts(
            &format!("Capture: {}", s.kind),
            &[
                ("File", names.html(file_name(&s.file))),
                ("SHA-256", hash(&names.html(&s.sha256))),
                ("Sample rate", format!("{} Hz", s.sample_rate_hz)),
                ("Length", format!("{} s", plain(s.duration_s, 1))),
            ],
        ));
    }
    files
}
