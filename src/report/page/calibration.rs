//! The page of a calibration.

use super::names::{Names, file_name};
use super::parts::{self, number, quantity};
use super::{Block, Page, Section};
use crate::report::CalibrationReport;
use crate::report::picture;
use crate::uncertainty::{plain, rounded, rounded_u};
use std::fmt::Write as _;

/// The page of what a calibration found.
pub fn calibration(report: &CalibrationReport) -> Page {
    let sources = report.sources.iter().map(|s| s.file.clone());
    let names = Names::new(sources.chain([report.file.clone()]));
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
        let _ = writeln!(
            answer,
            "<p class=\"lead\">The right channel of the chain is <strong>{order} by {} us</strong> (standard uncertainty {} us), {louder} by {} dB{inverted}.</p>",
            number(
                "/common/skew_us/value",
                skew.value,
                &rounded(skew.value.abs(), skew.standard_uncertainty)
            ),
            number(
                "/common/skew_us/standard_uncertainty",
                skew.standard_uncertainty,
                &rounded_u(skew.standard_uncertainty)
            ),
            number(
                "/common/balance_db/value",
                balance.value,
                &rounded(balance.value.abs(), balance.standard_uncertainty)
            ),
        );
        rows.push((
            "Right channel late by",
            quantity("/common/skew_us", skew, "us"),
        ));
        rows.push((
            "Right channel louder by",
            quantity("/common/balance_db", balance, "dB"),
        ));
    }
    if let Some(c) = &report.crosstalk {
        let class = if answer.is_empty() {
            " class=\"lead\""
        } else {
            ""
        };
        let _ = writeln!(
            answer,
            "<p{class}>The cartridge's crosstalk was measured; once it is corrected, the scale of the delay is known to {} %.</p>",
            parts::percent("/crosstalk/scale_u", c.scale_u, 2),
        );
        rows.push((
            "Scale of the delay, standard uncertainty left",
            format!("{} %", parts::percent("/crosstalk/scale_u", c.scale_u, 2)),
        ));
        rows.push((
            "Separation assumed for the cutter",
            format!(
                "{} dB",
                number(
                    "/crosstalk/cutter_separation_db",
                    c.cutter_separation_db,
                    &plain(c.cutter_separation_db, 1)
                )
            ),
        ));
    }
    let advice = format!(
        "<p>Name <code>{}</code> as <code>calibration</code> of the chain in a job, or give it to <code>groovelag measure</code> with <code>--chain</code>. It holds for this chain at these settings: change a cable, a load or a gain, and calibrate again.</p>\n",
        names.html(file_name(&report.file))
    );
    let mut pictures = picture::calibration(report);
    let first = (!pictures.is_empty()).then(|| pictures.remove(0));
    let mut blocks = vec![Block::Figures(3, pictures)];
    blocks.push(Block::Html(parts::facts("What was found", &rows)));
    if let Some(c) = &report.common {
        let part_rows: Vec<Vec<String>> = c
            .parts
            .iter()
            .enumerate()
            .map(|(k, part)| {
                vec![
                    names.html(&part.part),
                    quantity(
                        &format!("/common/parts/{k}/difference_percent"),
                        &part.difference_percent,
                        "%",
                    ),
                ]
            })
            .collect();
        blocks.push(Block::Html(parts::table(
            "Parts, right minus left; which channel is off cannot be told",
            &["Part", "difference"],
            &part_rows,
        )));
    }
    let mut conditions = vec![
        ("Calibration", names.html(file_name(&report.file))),
        (
            "Identifier",
            format!("<span class=\"hash\">{}</span>", names.html(&report.id)),
        ),
        (
            "Band",
            format!(
                "{} to {} Hz",
                number(
                    "/band_hz/0",
                    report.band_hz[0],
                    &plain(report.band_hz[0], 0)
                ),
                number(
                    "/band_hz/1",
                    report.band_hz[1],
                    &plain(report.band_hz[1], 0)
                )
            ),
        ),
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
                (
                    "SHA-256",
                    format!("<span class=\"hash\">{}</span>", names.html(&s.sha256)),
                ),
                ("Sample rate", format!("{} Hz", s.sample_rate_hz)),
                ("Length", format!("{} s", plain(s.duration_s, 1))),
            ],
        ));
    }
    Page {
        title: format!("Calibration: {}", names.html(file_name(&report.file))),
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
                blocks: vec![Block::Html(files)],
            },
            Section {
                heading: "Method and meaning".to_owned(),
                blocks: vec![Block::Html("<p>The averaged cross-spectrum of captures of known signals gives the chain's phase and gain, right against left, and the cartridge's crosstalk. They are taken out of later captures, and what is left of them is part of the budget there. Whether they still hold is not in the figures: repeat the calibration when anything in the chain has changed.</p>\n".to_owned())],
            },
        ],
    }
}
