//! The page of a check.

use super::names::Names;
use super::numbers::number;
use super::parts::{self, origin, table};
use super::{Page, Section};
use crate::check::{Checked, Outcome};
use crate::report::check::CheckDocument;
use crate::report::picture;
use maud::{Render, html};

/// Jobs that are listed; more make the page heavy, and CSV serves them better.
const MOST_JOBS: usize = 1000;

/// The page of many jobs against their limits.
pub fn check(document: &CheckDocument) -> Page {
    let folder = common_folder(&document.results);
    let names = Names::default();
    let count = |key: &str, n: usize| number(&format!("/{key}"), n as f64, &n.to_string());
    let all = document.results.len();
    let answer = html! {
        p.lead {
            "Of " (all) " jobs " strong { (count("passed", document.passed)) " passed" } "; "
            (count("failed", document.failed)) " failed, "
            (count("undecided", document.undecided)) " are undecided and "
            (count("unusable", document.unusable)) " cannot be used."
        }
    };
    let advice = html! {
        @if document.passed == all {
            p { "Nothing: every stated limit is met." }
        } @else {
            p {
                "Look at the reasons below. A failed job needs its setup or its limit looked at, an undecided one a narrower band (" code { "groovelag plan" } " says how), an unusable one its files. " code { "groovelag solve JOB --report FILE.html" }
                " makes the page of one job."
            }
        }
    };
    // those to look at come first, in the order of their paths
    let mut order: Vec<&Checked> = document.results.iter().collect();
    order.sort_by_key(|r| match r.outcome {
        Outcome::Unusable => 0,
        Outcome::Failed => 1,
        Outcome::Undecided => 2,
        Outcome::Passed => 3,
    });
    let row = |r: &&Checked| {
        let path = r.path.strip_prefix(&folder).unwrap_or(&r.path);
        let reason = r.reason.replace(&folder, "");
        [
            names.text(path).render(),
            r.outcome.word().render(),
            origin(&names.text(&reason)),
        ]
    };
    let head = ["Job", "outcome", "reason"];
    let rows = order.iter().take(MOST_JOBS).map(row);
    let evidence = html! {
        (table("Jobs, those to look at first", &head, rows))
        @if all > MOST_JOBS {
            p {
                (all - MOST_JOBS) " more are not listed here; " code { "--csv" } " and "
                code { "--json" } " list all."
            }
        }
    };
    Page {
        title: "Check of jobs against their limits".to_owned(),
        doubted: false,
        answer,
        picture: Some(picture::outcomes(document)),
        advice: Some(advice),
        sections: vec![Section::of_words("Evidence", evidence), parts::statements()],
    }
}

/// The folder, with its slash, that all jobs have in common where their paths
/// are absolute; nothing else is taken off.
fn common_folder(results: &[Checked]) -> String {
    let absolute = |r: &Checked| std::path::Path::new(&r.path).is_absolute();
    let Some(first) = results.first().filter(|_| results.iter().all(absolute)) else {
        return String::new();
    };
    let mut end = first.path.len();
    for r in results {
        let same = first
            .path
            .bytes()
            .zip(r.path.bytes())
            .take_while(|(a, b)| a == b);
        end = end.min(same.count());
    }
    let cut = first.path.as_bytes()[..end]
        .iter()
        .rposition(|b| *b == b'/');
    cut.map_or_else(String::new, |at| first.path[..=at].to_owned())
}
