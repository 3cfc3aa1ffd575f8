//! The conditions of a result: the job, its files, what each brings, and what was assumed.

use super::Section;
use super::about::{About, MOST_SETUPS};
use super::names::Names;
use super::numbers::{percent, pointer_part};
use super::parts::{facts, hash, origin, table};
use crate::adjust::Determined;
use crate::job::{Basis, CaptureDetails, Details, InputFile, UnknownUpdate};
use crate::report::text::coverage_percent;
use crate::uncertainty::{plain, rounded, rounded_u};
use maud::{Markup, Render, html};
use std::collections::BTreeMap;

/// Texts of a recording that are shown, and how much of each.
const MOST_TEXTS: usize = 30;
const MOST_CHARACTERS: usize = 200;

/// Files, settings, priors.
pub fn section(about: &About<'_>, names: &Names) -> Section {
    let words = html! {
        (settings(about, names))
        h3 { "Captures" }
        (captures(about.details, names))
        (files(about.details, names))
        @if about.metadata { (texts(about.details, names)) }
        @if let Some(basis) = about.basis { (shares(basis, names)) }
        h3 { "What was assumed" }
        (priors(&about.details.unknowns, names))
    };
    Section::of_words("Conditions", words)
}

fn settings(about: &About<'_>, names: &Names) -> Markup {
    let job = about.job;
    let mut rows = Vec::new();
    rows.extend(about.file.map(|file| ("Job", names.file(file))));
    for (what, text) in [
        ("Title", &job.title),
        ("Operator", &job.operator),
        ("Date", &job.date),
        ("Note", &job.note),
    ] {
        rows.extend(text.as_ref().map(|text| (what, names.text(text))));
    }
    for (name, cartridge) in &job.cartridges {
        if let Some(serial) = &cartridge.serial {
            let text = format!("{name}: serial {serial}");
            rows.push(("Cartridge", names.text(text.trim_start_matches(": "))));
        }
    }
    for (name, record) in &job.records {
        let texts = [&record.label, &record.side].into_iter().flatten();
        let texts: Vec<&str> = texts.map(String::as_str).collect();
        if !texts.is_empty() {
            let text = format!("{name}: {}", texts.join(", "));
            rows.push(("Record", names.text(&text)));
        }
    }
    let coverage = format!("{} %", coverage_percent(about.coverage));
    rows.push(("Coverage of the bands", coverage));
    facts("Job and settings", rows)
}

/// The file of a capture, if it has one.
fn file(c: &CaptureDetails, names: &Names) -> String {
    match &c.evidence {
        Some(_) => names.file(&c.file),
        None => format!("none: a delay that was given ({})", names.text(&c.file)),
    }
}

fn captures(details: &Details, names: &Names) -> Markup {
    let row = |c: &CaptureDetails| {
        let objects = c.objects.iter().filter(|name| !name.is_empty());
        let objects: Vec<String> = objects.map(|name| names.text(name)).collect();
        let [start, end] = c.radius_mm;
        [
            html! { (c.capture) ". " (file(c, names)) },
            objects.join(", ").render(),
            html! { (start) @if start != end { " to " (end) } },
            plain(c.rpm, 2).render(),
            c.turn_deg.render(),
            html! {
                @if c.swapped { "leads swapped" } @else { "leads normal" }
                @if let Some(note) = &c.note { "; " (names.text(note)) }
            },
        ]
    };
    let head = [
        "File",
        "setup, record, chain",
        "radius / mm",
        "speed / rpm",
        "turn / degrees",
        "leads and note",
    ];
    let rows = details.captures.iter().map(row);
    table("How each capture was made", &head, rows)
}

/// What was read of each file; nothing where no capture has one.
fn files(details: &Details, names: &Names) -> Markup {
    let row = |c: &CaptureDetails| {
        let e = c.evidence.as_ref()?;
        let (start, end) = e.span_s;
        Some([
            file(c, names).render(),
            names.text(&e.info.description).render(),
            e.info.sample_rate_hz.render(),
            html! {
                (plain(start, 2)) " to " (plain(end, 2)) " of " (plain(e.info.duration_s, 2))
            },
            html! { (plain(e.band_hz.0, 0)) " to " (plain(e.band_hz.1, 0)) },
            hash(e.info.sha256.as_deref().unwrap_or(STREAM)),
        ])
    };
    let rows: Vec<_> = details.captures.iter().filter_map(row).collect();
    let head = [
        "File",
        "form",
        "sample rate / Hz",
        "analysed / s",
        "band / Hz",
        "SHA-256",
    ];
    html! { @if !rows.is_empty() { (table("What was read", &head, rows)) } }
}

/// In place of a SHA-256.
const STREAM: &str = "none: it was a stream";

/// The text that recordings carry; nothing where they carry none.
fn texts(details: &Details, names: &Names) -> Markup {
    let of_capture = |c: &CaptureDetails| {
        let texts = c.evidence.iter().flat_map(|e| &e.info.metadata);
        let row = |(name, text): &(String, String)| {
            let text: String = text.chars().take(MOST_CHARACTERS).collect();
            [file(c, names), names.text(name), names.text(&text)]
        };
        texts.take(MOST_TEXTS).map(row).collect::<Vec<_>>()
    };
    let rows: Vec<_> = details.captures.iter().flat_map(of_capture).collect();
    let head = ["File", "field", "text"];
    html! { @if !rows.is_empty() { (table("Text in the files", &head, rows)) } }
}

/// Every file behind the result, with what it brings to the variance of each rotation.
fn shares(basis: &Basis, names: &Names) -> Markup {
    let first = basis.inputs.iter().take(1);
    let setups = first.flat_map(|i| i.shares.keys()).take(MOST_SETUPS);
    let setups: Vec<&String> = setups.collect();
    let heads = setups.iter().map(|setup| match setup.as_str() {
        "" => "share / %".to_owned(),
        name => format!("{} / %", names.text(name)),
    });
    let mut head = vec!["File".to_owned()];
    head.extend(heads);
    head.push("SHA-256".to_owned());
    let row = |what: String, at: String, shares: &BTreeMap<String, f64>, sha256: &str| {
        let cells = setups.iter().map(|setup| {
            let share = shares.get(*setup).copied().unwrap_or_default();
            percent(&format!("{at}/{}", pointer_part(setup)), share, 1)
        });
        let mut row = vec![what.render()];
        row.extend(cells);
        row.push(hash(sha256));
        row
    };
    let of_file = |(k, input): (usize, &InputFile)| {
        let what = format!("{}: {}", input.kind.word(), names.file(&input.file));
        let at = format!("/basis/inputs/{k}/shares");
        let sha256 = input.sha256.as_deref().unwrap_or(STREAM);
        row(what, at, &input.shares, sha256)
    };
    let others = &basis.other_shares;
    let told_apart = others.other_cartridges.values().any(|s| *s > 0.0);
    let told_apart = told_apart.then_some((
        "captures of other cartridges",
        "other_cartridges",
        &others.other_cartridges,
    ));
    let others = [
        (
            "what the recordings together leave open of the cartridges' responses",
            "recordings_together",
            &others.recordings_together,
        ),
        (
            "what is assumed where the job states no uncertainty",
            "assumed",
            &others.assumed,
        ),
    ]
    .into_iter()
    .chain(told_apart)
    .map(|(what, key, shares)| {
        let at = format!("/basis/other_shares/{key}");
        row(what.to_owned(), at, shares, "")
    });
    let caption = "The files, and what each brings to the variance of the rotation to the groove; the job brings what it states with an uncertainty";
    let of_files = basis.inputs.iter().enumerate().map(of_file);
    table(caption, &head, of_files.chain(others))
}

/// Every unknown with its prior and where that comes from.
fn priors(list: &[UnknownUpdate], names: &Names) -> Markup {
    let figure = |(value, u): (f64, f64), unit: &str| {
        html! { (rounded(value, u)) " u " (rounded_u(u)) " " (unit) }
    };
    let row = |l: &UnknownUpdate| {
        let from = match l.determined_by {
            Determined::Data => "captures",
            Determined::Prior => "assumption",
            Determined::Both => "both",
        };
        [
            names.text(&l.words).render(),
            figure(l.prior, l.unit),
            figure(l.posterior, l.unit),
            from.render(),
            origin(&names.text(&l.origin)),
        ]
    };
    let head = [
        "Quantity",
        "before",
        "after",
        "known from",
        "origin of what was assumed",
    ];
    let caption = "What was assumed before, and what is known after (value, standard uncertainty)";
    table(caption, &head, list.iter().map(row))
}
