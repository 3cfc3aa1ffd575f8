//! The page of a check.

use super::names::Names;
use super::parts::{self, number};
use super::{Block, Page, Section};
use crate::check::{Checked, Outcome};
use crate::report::check::CheckDocument;
use crate::report::picture;

/// Jobs that are listed; more make the page heavy, and CSV serves them better.
const MOST_JOBS: usize = 1000;

/// The page of many jobs against their limits.
pub fn check(document: &CheckDocument) -> Page {
    let folder = common_folder(&document.results);
    let names = Names::default();
    let count = |key: &str, n: usize| number(&format!("/{key}"), n as f64, &n.to_string());
    let all = document.results.len();
    let answer = format!(
        "<p class=\"lead\">Of {all} jobs <strong>{} passed</strong>; {} failed, {} are undecided and {} cannot be used.</p>\n",
        count("passed", document.passed),
        count("failed", document.failed),
        count("undecided", document.undecided),
        count("unusable", document.unusable),
    );
    let advice = if document.passed == all {
        "<p>Nothing: every stated limit is met.</p>\n"
    } else {
        "<p>Look at the reasons below. A failed job needs its setup or its limit looked at, an undecided one a narrower band (<code>groovelag plan</code> says how), an unusable one its files. <code>groovelag solve JOB --report FILE.html</code> makes the page of one job.</p>\n"
    };
    // those to look at come first, in the order of their paths
    let mut order: Vec<&Checked> = document.results.iter().collect();
    order.sort_by_key(|r| match r.outcome {
        Outcome::Unusable => 0,
        Outcome::Failed => 1,
        Outcome::Undecided => 2,
        Outcome::Passed => 3,
    });
    let rows: Vec<Vec<String>> = order
        .iter()
        .take(MOST_JOBS)
        .map(|r| {
            let path = r.path.strip_prefix(&folder).unwrap_or(&r.path);
            let reason = r.reason.replace(&folder, "");
            vec![
                names.html(path),
                r.outcome.word().to_owned(),
                format!("<span class=\"origin\">{}</span>", names.html(&reason)),
            ]
        })
        .collect();
    let mut html = parts::table(
        "Jobs, those to look at first",
        &["Job", "outcome", "reason"],
        &rows,
    );
    if all > MOST_JOBS {
        html.push_str(&format!(
            "<p>{} more are not listed here; <code>--csv</code> and <code>--json</code> list all.</p>\n",
            all - MOST_JOBS
        ));
    }
    Page {
        title: "Check of jobs against their limits".to_owned(),
        doubted: false,
        answer,
        picture: Some(picture::outcomes(document)),
        advice: advice.to_owned(),
        sections: vec![
            Section {
                heading: "Evidence".to_owned(),
                blocks: vec![Block::Html(html)],
            },
            parts::statements(),
        ],
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
