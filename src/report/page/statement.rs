//! The page as a statement to others: who measured what, for whom and how.

use super::Section;
use super::about::About;
use super::names::Names;
use super::parts::{facts, table};
use crate::job::{INSTRUMENT, REPORT, SetupResult};
use crate::report::text;
use maud::{Markup, html};
use std::collections::BTreeMap;

/// The key of a job's `[report]` that has a place of its own, for a signature.
const APPROVED: &str = "approved_by";

/// In place of what a job does not state.
const NOT_STATED: &str = "not stated";

/// Who measured what, for whom and how; nothing where the job says nothing of it.
pub fn section(about: &About<'_>, setups: &[SetupResult], names: &Names) -> Option<Section> {
    if !about.is_report() {
        return None;
    }
    let job = about.job;
    let said = |text: Option<&String>| text.map(|text| names.text(text));
    let stated = |text: Option<String>| text.unwrap_or_else(|| NOT_STATED.to_owned());
    let serials = job.cartridges.iter().filter_map(|(name, cartridge)| {
        let serial = cartridge.serial.as_ref()?;
        Some(names.text(&format!("{name}: serial {serial}")))
    });
    let serials: Vec<String> = serials.collect();
    let identified = !serials.is_empty();
    let mut rows = Vec::new();
    for (key, words) in REPORT.iter().filter(|(key, _)| *key != APPROVED) {
        let text = match job.report.get(*key) {
            None if *key == "traceability" && !job.instruments.is_empty() => {
                Some("by the instruments below".to_owned())
            }
            text => said(text),
        };
        rows.push((*words, text));
        // beside what is stated in words, so that both can be compared
        rows.extend(match *key {
            "item" => Some(("Serial numbers", identified.then(|| serials.join("; ")))),
            "arm" => Some(("Arm in the calculation", Some(arms(setups, names)))),
            "recorder" => Some(("Recordings as read", Some(as_read(about, names)))),
            _ => None,
        });
    }
    rows.push(("Date of measurement", said(job.date.as_ref())));
    rows.push(("Operator", said(job.operator.as_ref())));
    let open = rows.iter().filter(|(_, text)| text.is_none());
    let open: Vec<String> = open.map(|(what, _)| what.to_lowercase()).collect();
    let rows = rows.into_iter().map(|(what, text)| (what, stated(text)));
    let words = html! {
        (facts("Measurement report", rows))
        (instruments(&job.instruments, names))
        @if !open.is_empty() {
            p.note {
                "Not stated: " (open.join(", ")) ". A test report that follows ISO/IEC 17025:2017, 7.8.2, states what of these applies."
            }
        }
        p {
            "The results relate only to the item, the recordings and the conditions named here."
            @if !identified { " Nothing here identifies the item: no serial number is stated." }
            " What the job states (radii, speeds, turns, sizes, mounting, arm) was taken as stated."
        }
        p.approval {
            "Approved by: " (stated(said(job.report.get(APPROVED)))) ". Date and signature: " span {}
        }
    };
    Some(Section::of_words("Report", words))
}

/// The sample rates and forms of what was read.
fn as_read(about: &About<'_>, names: &Names) -> String {
    let captures = about.details.captures.iter();
    let read = captures.filter_map(|c| c.evidence.as_ref().map(|e| &e.info));
    let mut forms: Vec<String> = read
        .map(|about| format!("{}, {} Hz", about.description, about.sample_rate_hz))
        .collect();
    forms.sort();
    forms.dedup();
    match forms.is_empty() {
        true => "none: delays that were given".to_owned(),
        false => names.text(&forms.join("; ")),
    }
}

/// How each setup's arm entered the calculation.
fn arms(setups: &[SetupResult], names: &Names) -> String {
    let mut list: Vec<(String, Vec<&str>)> = Vec::new();
    for setup in setups.iter().filter(|s| !s.unobservable) {
        let words = text::arm(&setup.arm_of, setup.arm.as_ref())
            .unwrap_or_else(|| "not stated: a pivoted arm of unknown tracking error".to_owned());
        match list.iter_mut().find(|(known, _)| *known == words) {
            Some((_, of)) => of.push(&setup.name),
            None => list.push((words, vec![&setup.name])),
        }
    }
    let all_alike = list.len() == 1;
    let each = list.into_iter().map(|(words, of)| match all_alike {
        true => words,
        false => format!("{words} ({})", names.text(&of.join(", "))),
    });
    each.collect::<Vec<_>>().join("; ")
}

/// The instruments behind what is stated.
fn instruments(list: &[BTreeMap<String, String>], names: &Names) -> Markup {
    let row = |instrument: &BTreeMap<String, String>| {
        let texts = INSTRUMENT.iter().map(|(key, _)| instrument.get(*key));
        let shown = |text: Option<&String>| text.map_or(NOT_STATED.to_owned(), |t| names.text(t));
        texts.map(shown).collect::<Vec<_>>()
    };
    let head: Vec<&str> = INSTRUMENT.iter().map(|(_, words)| *words).collect();
    let caption = "Instruments behind the stated figures";
    html! { @if !list.is_empty() { (table(caption, &head, list.iter().map(row))) } }
}
