//! What the pages of measure, solve and compare have in common: a job.

use super::names::{Names, file_name};
use super::{Page, Section, conditions, parts};
use crate::job::{Basis, CaptureSpec, Details, Job, UnknownUpdate};
use crate::report::picture::{self, Picture};
use crate::uncertainty::{Caveat, rounded, rounded_u};
use maud::{Markup, html};

/// Setups whose pictures are shown.
pub const MOST_SETUPS: usize = 12;

/// What a page tells of a job beside its results.
#[derive(Debug, Clone, Copy)]
pub struct About<'a> {
    /// The job.
    pub job: &'a Job,
    /// Its file, if it has one; only the name is shown.
    pub file: Option<&'a str>,
    /// What a report shows beside the results.
    pub details: &'a Details,
    /// Coverage of the bands.
    pub coverage: f64,
    /// What the result was made from, where it comes from a job's file.
    pub basis: Option<&'a Basis>,
    /// Also show the text that the recordings carry.
    pub metadata: bool,
}

impl About<'_> {
    pub(super) fn names(&self) -> Names {
        let captures = self.job.captures.iter().filter_map(CaptureSpec::file);
        Names::new(captures.chain(self.file.map(str::to_owned)))
    }

    /// What the rotation of a cartridge's stylus to its body rests on that no recording shows.
    pub(super) fn mountings(&self, cartridge: &str, names: &Names) -> Markup {
        let of_cartridge = |l: &&UnknownUpdate| {
            let setup = l.id.strip_prefix("setup.");
            let setup = setup.and_then(|rest| rest.strip_suffix(".mounting_deg"));
            let setup = setup.and_then(|name| self.job.setups.get(name));
            setup.is_some_and(|setup| setup.cartridge == cartridge)
        };
        let mountings = self.details.unknowns.iter().filter(of_cartridge);
        let each = mountings.map(|l| {
            format!(
                "{} {}, standard uncertainty {} degrees ({})",
                names.text(&l.words),
                rounded(l.prior.0, l.prior.1),
                rounded_u(l.prior.1),
                names.text(&l.origin)
            )
        });
        let mut stated = each.collect::<Vec<_>>().join("; ");
        if stated.is_empty() {
            stated.push_str("its mounting, taken as exact");
        }
        html! {
            p.note {
                "It rests on what is known of the body beforehand, which no recording checks: "
                (stated) ". An error there is an error of the measured value of the same size."
            }
        }
    }

    /// Whether the page is a statement to others.
    pub(super) fn is_report(&self) -> bool {
        !(self.job.report.is_empty() && self.job.instruments.is_empty())
    }

    /// In a report to others, what the operator should do stands at the end, apart.
    pub(super) fn with_advice_apart(&self, mut page: Page) -> Page {
        let advice = page.advice.take_if(|_| self.is_report());
        page.sections.extend(advice.map(|advice| {
            let words = html! {
                p { "Advice that follows from the results; no part of them." }
                (advice)
            };
            Section::of_words("For the operator", words)
        }));
        page
    }

    /// What every page about a stylus ends with.
    pub(super) fn closing(&self, warnings: &[Caveat], names: &Names) -> Vec<Section> {
        let doubts = html! {
            (parts::caveats(warnings, names))
            p.paper { (parts::ON_PAPER) }
        };
        let recordings = parts::recordings(self.details, names);
        let rest = [
            Section::of_words("Doubts", doubts),
            conditions::section(self, names),
            parts::statements(),
        ];
        recordings.into_iter().chain(rest).collect()
    }

    /// Pictures of series and unknowns.
    pub(super) fn shared_pictures(&self) -> Vec<Picture> {
        let mut list = Vec::new();
        for (all, turns) in [(&self.details.turns, true), (&self.details.speeds, false)] {
            for (k, series) in all.iter().take(MOST_SETUPS).enumerate() {
                let of = match all.len() {
                    1 => String::new(),
                    _ => format!(": {}", series.setup),
                };
                list.push(picture::series(series, turns, &parts::suffix(k), &of));
            }
        }
        let curves = &self.details.over_radius;
        for (k, curve) in curves.iter().take(MOST_SETUPS).enumerate() {
            let of = match curves.len() {
                1 => String::new(),
                _ => format!(": {}", file_name(&curve.file)),
            };
            list.push(picture::over_radius(curve, &parts::suffix(k), &of));
        }
        let histories = self.details.history.iter().take(MOST_SETUPS).enumerate();
        list.extend(histories.map(|(k, history)| picture::over_time(history, &parts::suffix(k))));
        list.extend(picture::unknowns(&self.details.unknowns));
        list
    }

    pub(super) fn contacts(&self) -> Vec<Picture> {
        let contacts = self.details.contacts.iter().take(MOST_SETUPS).enumerate();
        contacts
            .map(|(k, view)| picture::contact(view, &parts::suffix(k)))
            .collect()
    }
}
