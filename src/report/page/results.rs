//! Pages of measure, solve and compare.

use super::names::{Names, escaped, file_name};
use super::parts::{self, number, quantity};
use super::{Block, Page, Section};
use crate::job::{
    Basis, CaptureResult, CaptureSpec, Comparison, Details, INSTRUMENT, InputFile, Job, REPORT,
    SetupResult, Solution, UnknownUpdate,
};
use crate::report::Measurement;
use crate::report::instruction::{Situation, capitalised};
use crate::report::picture::{self, Picture};
use crate::report::text::{self, WHILE_IN_DOUBT};
use crate::uncertainty::{Caveat, Direction, Quantity, plain, rounded, rounded_u, tail};
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// The key of a job's `[report]` that has a place of its own, for a signature.
const APPROVED: &str = "approved_by";

/// Setups whose pictures are shown.
const MOST_SETUPS: usize = 12;

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
    fn names(&self) -> Names {
        let captures = self.job.captures.iter().filter_map(CaptureSpec::file);
        Names::new(captures.chain(self.file.map(str::to_owned)))
    }

    /// Files, settings, priors.
    fn conditions(&self, names: &Names, extra: Vec<(&str, String)>) -> Section {
        let mut rows = Vec::new();
        if let Some(file) = self.file {
            rows.push(("Job", names.html(file_name(file))));
        }
        let job = self.job;
        for (what, text) in [
            ("Title", &job.title),
            ("Operator", &job.operator),
            ("Date", &job.date),
            ("Note", &job.note),
        ] {
            if let Some(text) = text {
                rows.push((what, names.html(text)));
            }
        }
        for (name, cartridge) in &job.cartridges {
            if let Some(serial) = &cartridge.serial {
                let text = format!("{name}: serial {serial}");
                rows.push(("Cartridge", names.html(text.trim_start_matches(": "))));
            }
        }
        for (name, record) in &job.records {
            let texts: Vec<&str> = [&record.label, &record.side]
                .into_iter()
                .flatten()
                .map(String::as_str)
                .collect();
            if !texts.is_empty() {
                let text = format!("{name}: {}", texts.join(", "));
                rows.push(("Record", names.html(&text)));
            }
        }
        rows.push((
            "Coverage of the bands",
            format!("{} %", parts::coverage_percent(self.coverage)),
        ));
        rows.extend(extra);
        let html = parts::facts("Job and settings", &rows)
            + "<h3>Captures</h3>\n"
            + &parts::captures(self.details, names, self.metadata)
            + &self
                .basis
                .map_or_else(String::new, |basis| shares(basis, names))
            + "<h3>What was assumed</h3>\n"
            + &parts::priors(&self.details.unknowns, names);
        Section {
            heading: "Conditions".to_owned(),
            blocks: vec![Block::Html(html)],
        }
    }

    /// Who measured what, for whom and how; nothing where the job says nothing of it.
    fn report(&self, setups: &[SetupResult], names: &Names) -> Option<Section> {
        let job = self.job;
        if !self.is_report() {
            return None;
        }
        let said = |text: Option<&String>| {
            text.map_or_else(|| "not stated".to_owned(), |text| names.html(text))
        };
        let serials = job.cartridges.iter().filter_map(|(name, cartridge)| {
            let serial = cartridge.serial.as_ref()?;
            Some(names.html(&format!("{name}: serial {serial}")))
        });
        let serials: Vec<String> = serials.collect();
        let not_stated = || said(None);
        let row = |(key, words): &(&str, &'static str)| match job.report.get(*key) {
            None if *key == "traceability" && !job.instruments.is_empty() => {
                (*words, "by the instruments below".to_owned())
            }
            text => (*words, said(text)),
        };
        let keys = REPORT.iter().filter(|(key, _)| *key != APPROVED);
        let mut rows: Vec<(&str, String)> = keys.map(row).collect();
        let identified = !serials.is_empty();
        let serials = match identified {
            true => serials.join("; "),
            false => not_stated(),
        };
        // beside what is stated in words, so that both can be compared
        let mut beside = |key: &str, words, text| {
            let stated = REPORT.iter().find(|(known, _)| *known == key);
            let at = rows
                .iter()
                .position(|(w, _)| stated.is_some_and(|(_, s)| s == w));
            rows.insert(at.map_or(0, |at| at + 1), (words, text));
        };
        beside("item", "Serial numbers", serials);
        beside("arm", "Arm in the calculation", arms(setups, names));
        beside("recorder", "Recordings as read", self.as_read(names));
        rows.push(("Date of measurement", said(job.date.as_ref())));
        rows.push(("Operator", said(job.operator.as_ref())));
        let open: Vec<String> = rows
            .iter()
            .filter(|(_, text)| *text == not_stated())
            .map(|(what, _)| what.to_lowercase())
            .collect();
        let incomplete = match open.is_empty() {
            true => String::new(),
            false => format!(
                "<p class=\"note\">Not stated: {}. A test report that follows ISO/IEC 17025:2017, 7.8.2, states what of these applies.</p>\n",
                open.join(", ")
            ),
        };
        let html = parts::facts("Measurement report", &rows)
            + &instruments(&job.instruments, names)
            + &incomplete
            + &format!(
                "<p>The results relate only to the item, the recordings and the conditions named here.{} What the job states (radii, speeds, turns, sizes, mounting, arm) was taken as stated.</p>\n<p class=\"approval\">Approved by: {}. Date and signature: <span></span></p>\n",
                match identified {
                    true => "",
                    false => " Nothing here identifies the item: no serial number is stated.",
                },
                said(job.report.get(APPROVED))
            );
        Some(Section {
            heading: "Report".to_owned(),
            blocks: vec![Block::Html(html)],
        })
    }

    /// What the rotation of a cartridge's stylus to its body rests on that no recording shows.
    fn mountings(&self, cartridge: &str, names: &Names) -> String {
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
                names.html(&l.words),
                rounded(l.prior.0, l.prior.1),
                rounded_u(l.prior.1),
                names.html(&l.origin)
            )
        });
        let mut stated = each.collect::<Vec<_>>().join("; ");
        if stated.is_empty() {
            stated.push_str("its mounting, taken as exact");
        }
        format!(
            "<p class=\"note\">It rests on what is known of the body beforehand, which no recording checks: {stated}. An error there is an error of the measured value of the same size.</p>\n"
        )
    }

    /// What tells a setup's stylus to the body, where it is told at this one of `all`, and its zero setting.
    fn evidence(
        &self,
        at: &str,
        setup: &SetupResult,
        all: &[SetupResult],
        names: &Names,
    ) -> Vec<Block> {
        let mut blocks = Vec::new();
        let several = all.iter().filter(|s| !s.unobservable).count() > 1;
        let of = self.job.setups.get(&setup.name);
        let cartridge = of.map_or("", |of| &of.cartridge);
        let of_cartridge = match of {
            Some(of) if several => format!(": cartridge {}", of.cartridge),
            _ => String::new(),
        };
        let judged = setup.conformity.as_ref();
        let judged = judged.filter(|_| self.judged(setup, all));
        if let (Some(c), Some(body)) = (judged, &setup.stylus_to_body_deg) {
            let caption = format!(
                "What the uncertainty of the rotation to the body consists of{of_cartridge}"
            );
            let html = [
                parts::conformity(
                    &format!("{at}/stylus_to_body_deg"),
                    &format!("{at}/conformity"),
                    c,
                    body,
                    self.job.limits.tolerance_source.as_deref(),
                    &of_cartridge,
                ),
                self.mountings(cartridge, names),
                parts::budget(
                    &format!("{at}/stylus_to_body_budget"),
                    &setup.stylus_to_body_budget,
                    &caption,
                ),
            ];
            blocks.extend(html.map(Block::Html));
        }
        if let Some(zero) = &setup.zero_setting_deg {
            let zero = quantity(&format!("{at}/zero_setting_deg"), zero, "degrees");
            let mut text = text::zero_setting(&zero);
            if !self.is_report() {
                text += text::ZERO_IS_NO_ADVICE;
            }
            blocks.push(Block::Html(format!("<p>{text}.</p>\n")));
        }
        blocks
    }

    /// The sample rates and forms of what was read.
    fn as_read(&self, names: &Names) -> String {
        let captures = self.details.captures.iter();
        let read = captures.filter_map(|c| c.evidence.as_ref().map(|e| &e.info));
        let mut forms: Vec<String> = read
            .map(|about| format!("{}, {} Hz", about.description, about.sample_rate_hz))
            .collect();
        forms.sort();
        forms.dedup();
        match forms.is_empty() {
            true => "none: delays that were given".to_owned(),
            false => names.html(&forms.join("; ")),
        }
    }

    /// Whether the page is a statement to others.
    fn is_report(&self) -> bool {
        !(self.job.report.is_empty() && self.job.instruments.is_empty())
    }

    /// Whether the stylus to the body, which is one angle for all setups of a cartridge, is
    /// told at this setup: the first that has it.
    fn judged(&self, setup: &SetupResult, all: &[SetupResult]) -> bool {
        let cartridge = |s: &SetupResult| self.job.setups.get(&s.name).map(|s| &s.cartridge);
        let first = all
            .iter()
            .find(|s| !s.unobservable && cartridge(s) == cartridge(setup));
        first.is_none_or(|first| first.name == setup.name)
    }

    /// In a report to others, what the operator should do stands at the end, apart.
    fn stand_apart(&self, advice: &mut String, sections: &mut Vec<Section>) {
        if self.is_report() && !advice.is_empty() {
            sections.push(Section {
                heading: "For the operator".to_owned(),
                blocks: vec![
                    Block::Html(
                        "<p>Advice that follows from the results; no part of them.</p>\n"
                            .to_owned(),
                    ),
                    Block::Html(std::mem::take(advice)),
                ],
            });
        }
    }

    /// What every page about a stylus ends with.
    fn closing(&self, warnings: &[Caveat], names: &Names) -> Vec<Section> {
        let mut list = Vec::new();
        list.extend(parts::recordings(self.details, names));
        list.push(Section {
            heading: "Doubts".to_owned(),
            blocks: vec![Block::Html(
                parts::caveats(warnings, names) + parts::ON_PAPER,
            )],
        });
        list.push(self.conditions(names, Vec::new()));
        list.push(parts::statements());
        list
    }

    /// Pictures of series and unknowns.
    fn shared_pictures(&self) -> Vec<Picture> {
        let mut list = Vec::new();
        for (all, turns) in [(&self.details.turns, true), (&self.details.speeds, false)] {
            for (k, series) in all.iter().take(MOST_SETUPS).enumerate() {
                let of = if all.len() > 1 {
                    format!(": {}", series.setup)
                } else {
                    String::new()
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

    fn contacts(&self) -> Vec<Picture> {
        let contacts = self.details.contacts.iter().take(MOST_SETUPS).enumerate();
        contacts
            .map(|(k, view)| picture::contact(view, &parts::suffix(k)))
            .collect()
    }
}

/// The page of one recording.
pub fn measurement(m: &Measurement, about: &About<'_>) -> Page {
    let names = about.names();
    let mut contacts = about.contacts();
    let angle = m.rotation_deg.as_ref().or(m.cut_rotation_deg.as_ref());
    let mut answer = in_doubt(m.in_doubt.as_deref(), &names);
    let pointer = if m.rotation_deg.is_some() {
        "/rotation_deg"
    } else {
        "/cut_rotation_deg"
    };
    if let Some(q) = angle {
        let (subject, at_the_arm) = match m.rotation_deg {
            Some(_) => ("The stylus", true),
            None => ("The record's own cut", false),
        };
        let sentence = parts::turned(subject, pointer, q, at_the_arm);
        let _ = writeln!(answer, "<p class=\"lead\">{sentence}.</p>");
    }
    if let Some(rotation) = &m.rotation_deg {
        answer.push_str(&known_to("/rotation_deg", rotation));
    }
    if let Some(curve) = &m.over_radius {
        let mut told = vec![format!(
            "the chain's time skew, right after left: {}",
            quantity("/over_radius/chain_skew_us", &curve.chain_skew_us, "us")
        )];
        told.extend(curve.arm.iter().map(|arm| escaped(&text::arm_known(arm))));
        let told = told.join("; the arm's ");
        let _ = writeln!(
            answer,
            "<p>The recording was taken in {} stretches, each at its radius, which also tell {told}.</p>",
            curve.stretches.len()
        );
    }
    if let Some(body) = &m.stylus_to_body_deg {
        answer.push_str(&to_the_body(
            &quantity("/stylus_to_body_deg", body, "degrees"),
            m.conformity.map(|c| parts::verdict("/conformity", &c)),
            text::arm(&m.arm_of, m.arm.as_ref()),
        ));
    }
    if m.rotation_deg.is_none() {
        answer.push_str("<p>A spherical tip cannot see its own rotation: this is the rotation of the record's cut.</p>\n");
    }
    let order = if m.delay_us.value < 0.0 {
        "left after right"
    } else {
        "right after left"
    };
    let _ = writeln!(
        answer,
        "<p>The channels are {} us apart, {order} (standard uncertainty {} us by noise, equaliser parts, and what cartridges do to the phase).</p>",
        parts::size("/delay_us", &m.delay_us),
        parts::uncertainty("/delay_us", &m.delay_us),
    );
    let advice = match m.situation() {
        Some(situation) => parts::advice("/correction", &situation) + &parts::cautions(),
        None => "<p>Nothing can be turned: the cut belongs to the record. State it in a job as the record's cut rotation, with its uncertainty, to take it out of other captures.</p>\n".to_owned(),
    };
    let mut sections = Vec::new();
    let mut blocks = Vec::new();
    if let (Some(c), Some(rotation)) = (&m.conformity, &m.stylus_to_body_deg) {
        blocks.push(Block::Html(parts::conformity(
            "/stylus_to_body_deg",
            "/conformity",
            c,
            rotation,
            about.job.limits.tolerance_source.as_deref(),
            "",
        )));
        for setup in about.job.setups.values().take(1) {
            blocks.push(Block::Html(about.mountings(&setup.cartridge, &names)));
        }
    }
    blocks.push(Block::Beside(
        3,
        picture::budget(&m.budget, "", "").map(Box::new),
        parts::budget(
            "/budget",
            &m.budget,
            "What the uncertainty of the rotation consists of",
        ),
    ));
    blocks.push(Block::Figures(3, about.shared_pictures()));
    sections.push(Section {
        heading: "Evidence".to_owned(),
        blocks,
    });
    sections.extend(about.closing(&m.warnings, &names));
    Page {
        doubted: m.in_doubt.is_some(),
        title: format!("Stylus rotation: {}", names.html(file_name(&m.file))),
        answer,
        picture: (!contacts.is_empty()).then(|| contacts.remove(0)),
        advice,
        sections,
    }
}

/// The first line of a result that is in doubt.
fn in_doubt(doubt: Option<&str>, names: &Names) -> String {
    doubt.map_or_else(String::new, |doubt| {
        format!(
            "<p class=\"doubt\" role=\"alert\"><strong>{}</strong></p>\n<p>{WHILE_IN_DOUBT}</p>\n",
            names.html(doubt)
        )
    })
}

/// The standard uncertainty of a rotation.
fn known_to(pointer: &str, rotation: &Quantity) -> String {
    let shown = parts::uncertainty(pointer, rotation);
    format!("<p>Standard uncertainty of the rotation to the groove: {shown} degrees.</p>\n")
}

/// The rotation to the body with what the tolerance says of it, and the arm.
fn to_the_body(body: &str, verdict: Option<String>, arm: Option<String>) -> String {
    let verdict = verdict.map_or_else(String::new, |verdict| format!("; {verdict}"));
    let arm = arm.map_or_else(String::new, |arm| format!(" The arm: {}.", escaped(&arm)));
    format!(
        "<p>Relative to the cartridge body, the angle that a tolerance applies to: {body}{verdict}.{arm}</p>\n"
    )
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
        true => escaped(&words),
        false => format!("{} ({})", escaped(&words), names.html(&of.join(", "))),
    });
    each.collect::<Vec<_>>().join("; ")
}

/// The instruments behind what is stated.
fn instruments(list: &[BTreeMap<String, String>], names: &Names) -> String {
    if list.is_empty() {
        return String::new();
    }
    let head: Vec<&str> = INSTRUMENT.iter().map(|(_, words)| *words).collect();
    let cell = |instrument: &BTreeMap<String, String>, key| {
        let text = instrument.get(key);
        text.map_or_else(|| "not stated".to_owned(), |text| names.html(text))
    };
    let row = |instrument| {
        INSTRUMENT
            .iter()
            .map(|(key, _)| cell(instrument, *key))
            .collect()
    };
    let rows: Vec<Vec<String>> = list.iter().map(row).collect();
    parts::table("Instruments behind the stated figures", &head, &rows)
}

/// What to call a setup in a sentence.
fn subject(setup: &SetupResult, several: bool, names: &Names) -> String {
    match (several, setup.name.as_str()) {
        (false, _) | (_, "") => "The stylus".to_owned(),
        (true, name) => format!("In setup <em>{}</em> the stylus", names.html(name)),
    }
}

/// A setup whose stylus shows its rotation: its place in the document, and itself.
type Seeing<'a> = (String, &'a SetupResult);

/// The page of a solved job.
pub fn solution(s: &Solution, about: &About<'_>) -> Page {
    let names = about.names();
    let setups = s.setups.iter().enumerate();
    let seeing = setups.filter(|(_, setup)| !setup.unobservable);
    let seeing: Vec<Seeing<'_>> = seeing.map(|(k, s)| (format!("/setups/{k}"), s)).collect();
    let several = seeing.len() > 1;
    let answer = match seeing.is_empty() {
        true => cuts(s, &names),
        false => rotations(s, &seeing, about, &names),
    };
    let mut contacts = about.contacts();
    let picture = if several {
        let list = seeing.iter();
        let list = list.map(|(_, setup)| (setup.name.clone(), setup.rotation_deg));
        // a tolerance is about another angle, that to the body
        picture::rotations(&list.collect::<Vec<_>>(), None)
    } else {
        (!contacts.is_empty()).then(|| contacts.remove(0))
    };
    let mut blocks = Vec::new();
    if !contacts.is_empty() {
        blocks.push(Block::Figures(3, contacts));
    }
    let mut advice = String::new();
    let doubted = s.standing().is_doubted();
    for (n, (at, setup)) in seeing.iter().enumerate() {
        if several {
            let heading = format!("<h3>Setup {}</h3>\n", names.html(&setup.name));
            advice.push_str(&heading);
            blocks.push(Block::Html(heading));
        }
        let situation = Situation::of(setup, doubted);
        advice.push_str(&parts::advice(&format!("{at}/correction"), &situation));
        blocks.extend(about.evidence(at, setup, &s.setups, &names));
        let of = match several {
            true => format!(": setup {}", setup.name),
            false => String::new(),
        };
        let picture = picture::budget(&setup.budget, &parts::suffix(n), &of);
        blocks.push(Block::Beside(
            if several { 4 } else { 3 },
            picture.filter(|_| n < MOST_SETUPS).map(Box::new),
            parts::budget(
                &format!("{at}/budget"),
                &setup.budget,
                &format!("What the uncertainty of the rotation to the groove consists of{of}"),
            ),
        ));
    }
    if !seeing.is_empty() {
        advice.push_str(&parts::cautions());
    }
    let mut sections: Vec<Section> = about.report(&s.setups, &names).into_iter().collect();
    sections.push(Section {
        heading: "Evidence".to_owned(),
        blocks,
    });
    sections.push(together(s, about, &names));
    sections.extend(about.closing(&s.warnings, &names));
    about.stand_apart(&mut advice, &mut sections);
    let title = match &about.job.title {
        Some(title) => names.html(title),
        None => format!(
            "Stylus rotation: {}",
            names.html(file_name(about.file.unwrap_or("job")))
        ),
    };
    Page {
        doubted: s.in_doubt.is_some(),
        title,
        answer: in_doubt(s.in_doubt.as_deref(), &names) + &answer,
        picture,
        advice,
        sections,
    }
}

/// The answer of a job: the rotation of each setup.
fn rotations(s: &Solution, seeing: &[Seeing<'_>], about: &About<'_>, names: &Names) -> String {
    let several = seeing.len() > 1;
    let mut answer = String::new();
    if several {
        let each = seeing.iter().map(|(at, setup)| {
            let figure = parts::turned_briefly(&format!("{at}/rotation_deg"), &setup.rotation_deg);
            format!("<em>{}</em> {figure}", names.html(&setup.name))
        });
        let _ = writeln!(
            answer,
            "<p class=\"lead\">Rotation of the stylus to the groove, seen from above: {}.</p>",
            each.collect::<Vec<_>>().join("; ")
        );
    }
    for (at, setup) in seeing {
        let (to_groove, rotation) = (format!("{at}/rotation_deg"), &setup.rotation_deg);
        let subject = subject(setup, several, names);
        let sentence = parts::turned(&subject, &to_groove, rotation, true);
        let class = if several { "" } else { " class=\"lead\"" };
        let _ = writeln!(answer, "<p{class}>{sentence}.</p>");
        answer.push_str(&known_to(&to_groove, rotation));
        // the body's angle is one for all setups of a cartridge
        let judged = about.judged(setup, &s.setups);
        if let Some(body) = setup.stylus_to_body_deg.as_ref().filter(|_| judged) {
            let verdict = setup.conformity.as_ref();
            let body = quantity(&format!("{at}/stylus_to_body_deg"), body, "degrees");
            answer.push_str(&to_the_body(
                &body,
                verdict.map(|c| parts::verdict(&format!("{at}/conformity"), c)),
                text::arm(&setup.arm_of, setup.arm.as_ref()),
            ));
        }
    }
    answer
}

/// The answer of a job without a tip that sees its rotation: the cuts of its records.
fn cuts(s: &Solution, names: &Names) -> String {
    let mut answer = String::new();
    for (k, record) in s.records.iter().enumerate() {
        let subject = format!("The cut of record <em>{}</em>", names.html(&record.name));
        let at = format!("/records/{k}/cut_rotation_deg");
        let sentence = parts::turned(&subject, &at, &record.cut_rotation_deg, false);
        let _ = writeln!(answer, "<p class=\"lead\">{sentence}.</p>");
    }
    answer
        + "<p>No capture was made with a tip that can see its own rotation: they tell the cuts of the records.</p>\n"
}

/// What all captures tell together: series, unknowns, objects, fit.
fn together(s: &Solution, about: &About<'_>, names: &Names) -> Section {
    let mut blocks = vec![
        Block::Figures(3, about.shared_pictures()),
        Block::Html(things(s, names)),
        Block::Html(passes(s, names)),
    ];
    for (k, r) in s.records.iter().enumerate() {
        blocks.push(Block::Html(parts::budget(
            &format!("/records/{k}/budget"),
            &r.budget,
            &format!("What the uncertainty of the cut consists of: {}", r.name),
        )));
    }
    for (k, c) in s.cartridges.iter().enumerate() {
        blocks.push(Block::Html(parts::budget_in(
            "um",
            &format!("/cartridges/{k}/lever_budget"),
            &c.lever_budget,
            &format!("What the uncertainty of the lever consists of: {}", c.name),
        )));
    }
    blocks.push(Block::Html(fits(s, names)));
    blocks.push(Block::Html("<p class=\"note\">Normalised residual: the delay less what all other captures and assumptions predict for it, over the standard uncertainty of that difference. The delay as adjusted contains this capture too, and what was found of its phase terms, so the difference of the two columns may have another size and sign.</p>\n".to_owned()));
    let fit = &s.fit;
    let p = fit.p_value.map_or_else(String::new, |p| {
        format!(
            "; the probability of a larger one by chance is {}",
            match p < f64::EPSILON {
                true => tail(p),
                false => number("/fit/p_value", p, &tail(p)),
            }
        )
    });
    blocks.push(Block::Html(format!(
        "<p>Fit of the whole, captures and assumptions: chi-square {} with {} degrees of freedom{p}. A small chi-square proves little: most of what it counts is assumptions, which are wide on purpose.</p>\n",
        number("/fit/chi_square", fit.chi_square, &plain(fit.chi_square, 1)),
        number(
            "/fit/degrees_of_freedom",
            fit.degrees_of_freedom as f64,
            &fit.degrees_of_freedom.to_string()
        ),
    )));
    Section {
        heading: "All captures together".to_owned(),
        blocks,
    }
}

/// What was found of records, cartridges, chains and arms.
fn things(s: &Solution, names: &Names) -> String {
    let mut rows: Vec<Vec<String>> = Vec::new();
    let mut add = |(kind, name): (&str, &str), what: &str, value: String| {
        let of = match name {
            "" => kind.to_owned(),
            name => format!("{kind} {}", names.html(name)),
        };
        rows.push(vec![format!("{of}: {what}"), value]);
    };
    for (k, r) in s.records.iter().enumerate() {
        let at = format!("/records/{k}/cut_rotation_deg");
        let cut = quantity(&at, &r.cut_rotation_deg, "degrees");
        add(("Record", &r.name), "rotation of the cut", cut);
    }
    for (k, c) in s.cartridges.iter().enumerate() {
        let (of, at) = (("Cartridge", c.name.as_str()), format!("/cartridges/{k}"));
        let found = |key: &str, found, unit| quantity(&format!("{at}/{key}"), found, unit);
        let lever = found("lever_um", &c.lever_um, "um");
        add(of, "lever at zero rotation", lever);
        add(of, "scale by crosstalk", found("scale", &c.scale, ""));
        if let Some(wear) = &c.wear_um_per_1000_h {
            let wear = found("wear_um_per_1000_h", wear, "um in 1000 h");
            add(of, "growth of the side radius by wear", wear);
        }
        if let Some(radius) = &c.radius_along_groove_um {
            let radius = found("radius_along_groove_um", radius, "um");
            add(of, "radius of the tip along the groove", radius);
        }
        for (shape, p) in c.shape_probabilities.iter().flatten() {
            let what = format!("probability that its tip is {shape}, by tracing");
            let at = format!("{at}/shape_probabilities/{shape}");
            add(of, &what, number(&at, *p, &plain(*p, 2)));
        }
    }
    for (k, c) in s.chains.iter().enumerate() {
        let skew = quantity(&format!("/chains/{k}/skew_us"), &c.skew_us, "us");
        add(("Chain", &c.name), "time skew, right after left", skew);
    }
    for (k, a) in s.arms.iter().enumerate() {
        let (of, at) = (("Arm", a.name.as_str()), format!("/arms/{k}"));
        let overhang = quantity(&format!("{at}/overhang_mm"), &a.overhang_mm, "mm");
        add(of, "overhang", overhang);
        let offset = quantity(&format!("{at}/offset_deg"), &a.offset_deg, "deg");
        add(of, "offset angle", offset);
    }
    let head = ["Quantity", "value"];
    parts::table("Records, cartridges, chains and arms", &head, &rows)
}

/// What the other bands and the marks of passes tell, as a table; nothing where there are none.
fn passes(s: &Solution, names: &Names) -> String {
    let mut rows: Vec<Vec<String>> = Vec::new();
    for (k, pass) in s.passes.iter().enumerate() {
        let at = format!("/passes/{k}");
        let file = names.html(file_name(&pass.file));
        let mut add = |what: &str, value: String| {
            rows.push(vec![format!("{file}: {}", names.html(what)), value]);
        };
        if let Some(rpm) = &pass.speed_rpm {
            let speed = quantity(&format!("{at}/speed_rpm"), rpm, "rpm");
            add("speed by its marks", speed);
        }
        for (n, tone) in pass.tones.iter().enumerate() {
            let told = [
                ("speed_rpm", "speed", &tone.speed_rpm, "rpm"),
                (
                    "once_around_percent",
                    "change of the frequency once around, to either side",
                    &tone.once_around_percent,
                    "%",
                ),
                (
                    "eccentricity_mm",
                    "hole off its centre, where the turntable turns evenly",
                    &tone.eccentricity_mm,
                    "mm",
                ),
            ];
            for (key, words, value, unit) in told {
                if let Some(q) = value {
                    let shown = quantity(&format!("{at}/tones/{n}/{key}"), q, unit);
                    add(&format!("{words}, by the band {}", tone.band), shown);
                }
            }
        }
        let channels = |at: &str, values: [Option<f64>; 2]| {
            let shown = values.into_iter().enumerate().map(|(c, v)| {
                v.map_or_else(
                    || "-".to_owned(),
                    |v| number(&format!("{at}/{c}"), v, &plain(v, 1)),
                )
            });
            shown.collect::<Vec<_>>().join(" and ") + " dB"
        };
        if let Some(told) = &pass.crosstalk {
            let used = match told.applied {
                true => "taken out of its captures",
                false => "not used: the chain states a calibration",
            };
            let what = format!(
                "separation at 1 kHz, left into right and right into left, by the bands {} ({used})",
                told.bands.join(", ")
            );
            let db = told.separation_db.map_or([None; 2], |db| db.map(Some));
            add(
                &what,
                channels(&format!("{at}/crosstalk/separation_db"), db),
            );
        }
        if let Some(reason) = &pass.crosstalk_missing {
            add("crosstalk", format!("not told: {}", names.html(reason)));
        }
        for (n, noise) in pass.noise.iter().enumerate() {
            let at = format!("{at}/noise/{n}/below_programme_db");
            let what = format!(
                "noise of the band {}, left and right, below the captures, from 100 Hz to 15 kHz",
                noise.band
            );
            add(&what, channels(&at, noise.below_programme_db));
        }
    }
    match rows.is_empty() {
        true => String::new(),
        false => parts::table(
            "What other bands and marks of a pass tell",
            &["Quantity", "value"],
            &rows,
        ),
    }
}

/// How each capture fits, as a table.
fn fits(s: &Solution, names: &Names) -> String {
    let row = |(k, c): (usize, &CaptureResult)| {
        let at = format!("/captures/{k}");
        let (delay, u) = (c.delay_us.value, c.delay_us.standard_uncertainty);
        let (of_delay, predicted) = (format!("{at}/delay_us"), format!("{at}/predicted_us"));
        let residual = c.normalized_residual;
        vec![
            format!("{}. {}", c.capture, names.html(file_name(&c.file))),
            number(&format!("{of_delay}/value"), delay, &rounded(delay, u)),
            parts::uncertainty(&of_delay, &c.delay_us),
            number(&predicted, c.predicted_us, &rounded(c.predicted_us, u)),
            residual.map_or_else(
                || "unchecked".to_owned(),
                |r| number(&format!("{at}/normalized_residual"), r, &plain(r, 1)),
            ),
        ]
    };
    let rows: Vec<_> = s.captures.iter().enumerate().map(row).collect();
    let head = [
        "Capture",
        "delay as recorded / us",
        "standard uncertainty / us",
        "delay as adjusted / us",
        "normalised residual",
    ];
    parts::table("How each capture fits", &head, &rows)
}

/// Every file behind the result, with what it brings to the variance of each rotation.
fn shares(basis: &Basis, names: &Names) -> String {
    let setups: Vec<&String> = basis
        .inputs
        .iter()
        .take(1)
        .flat_map(|i| i.shares.keys())
        .take(MOST_SETUPS)
        .collect();
    let heads: Vec<String> = setups
        .iter()
        .map(|setup| match setup.as_str() {
            "" => "share / %".to_owned(),
            name => format!("{} / %", names.html(name)),
        })
        .collect();
    let head: Vec<&str> = ["File"]
        .into_iter()
        .chain(heads.iter().map(String::as_str))
        .chain(["SHA-256"])
        .collect();
    let row = |what: String, at: &str, shares: &BTreeMap<String, f64>, hash: &str| {
        let cells = setups.iter().map(|setup| {
            let share = shares.get(*setup).copied().unwrap_or_default();
            parts::percent(&format!("{at}/{}", pointer_part(setup)), share, 1)
        });
        let hash = format!("<span class=\"hash\">{hash}</span>");
        [what]
            .into_iter()
            .chain(cells)
            .chain([hash])
            .collect::<Vec<String>>()
    };
    let of_file = |(k, input): (usize, &InputFile)| {
        let what = format!(
            "{}: {}",
            input.kind.word(),
            names.html(file_name(&input.file))
        );
        let hash = input.sha256.as_deref().unwrap_or("none: it was a stream");
        row(
            what,
            &format!("/basis/inputs/{k}/shares"),
            &input.shares,
            hash,
        )
    };
    let mut rows: Vec<Vec<String>> = basis.inputs.iter().enumerate().map(of_file).collect();
    let others = &basis.other_shares;
    let told_apart = [(
        "captures of other cartridges",
        "other_cartridges",
        &others.other_cartridges,
    )];
    let told_apart = told_apart
        .into_iter()
        .filter(|(.., shares)| shares.values().any(|s| *s > 0.0));
    for (what, key, shares) in [
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
    {
        rows.push(row(
            what.to_owned(),
            &format!("/basis/other_shares/{key}"),
            shares,
            "",
        ));
    }
    parts::table(
        "The files, and what each brings to the variance of the rotation to the groove; the job brings what it states with an uncertainty",
        &head,
        &rows,
    )
}

/// A name within a JSON Pointer (RFC 6901) within an attribute.
fn pointer_part(name: &str) -> String {
    escaped(&name.replace('~', "~0").replace('/', "~1"))
}

/// How far the stylus has turned between two setups, as a sentence without its full stop.
fn moved(c: &Comparison, names: &Names) -> String {
    let (before, after) = (names.html(&c.before), names.html(&c.after));
    let (at, change) = ("/change_deg", &c.change_deg);
    match Direction::resolved(change) {
        Direction::NoneResolved => format!(
            "No change stands out from <em>{before}</em> to <em>{after}</em>: {}",
            quantity(at, change, "degrees"),
        ),
        way => format!(
            "From <em>{before}</em> to <em>{after}</em> the stylus has turned <strong>{} degrees {}</strong> seen from above, {}",
            parts::size(at, change),
            text::direction(way),
            parts::band(at, change, "degrees"),
        ),
    }
}

/// The page of two setups against each other; `s` is the whole job's solution.
pub fn comparison(c: &Comparison, s: &Solution, about: &About<'_>) -> Page {
    let names = about.names();
    let before = s.setups.iter().find(|x| x.name == c.before);
    let after = s.setups.iter().find(|x| x.name == c.after);
    let change = &c.change_deg;
    let moved = moved(c, &names);
    let mut answer = in_doubt(c.in_doubt.as_deref(), &names);
    let _ = writeln!(
        answer,
        "<p class=\"lead\">{moved}.</p>\n<p>{}.</p>",
        parts::turned("Now the stylus", "/remaining_deg", &c.remaining_deg, true),
    );
    if let Some(body) = after.and_then(|after| after.stylus_to_body_deg) {
        let body = text::turn(&body);
        let arm = after.and_then(|after| text::arm(&after.arm_of, after.arm.as_ref()));
        let verdict = c.conformity.as_ref();
        answer.push_str(&to_the_body(
            &escaped(&body),
            verdict.map(|c| parts::verdict("/conformity", c)),
            arm,
        ));
    }
    if let Some(due) = text::turn_due(c) {
        let _ = writeln!(answer, "<p>{}.</p>", escaped(&capitalised(&due)));
    }
    if let Some(p) = c.probability_improved {
        let _ = writeln!(
            answer,
            "<p>The rotation after is smaller in size than before with a probability of {}.</p>",
            parts::probability("/probability_improved", p),
        );
    }
    let mut advice = after.map_or_else(String::new, |after| {
        let situation = Situation {
            correction: c.correction.as_ref(),
            ..Situation::of(after, c.in_doubt.is_some())
        };
        parts::advice("/correction", &situation)
    }) + &parts::cautions();
    let picture = before.zip(after).and_then(|(b, a)| {
        picture::comparison(
            (&b.name, &b.rotation_deg),
            (&a.name, &a.rotation_deg),
            change,
            None,
        )
    });
    let mut contacts = Vec::new();
    for name in [&c.before, &c.after] {
        let views = about.details.contacts.iter();
        if let Some(view) = views.filter(|v| !v.cut).find(|v| v.name == *name) {
            contacts.push(picture::contact(view, &parts::suffix(contacts.len())));
        }
    }
    let mut blocks = vec![Block::Figures(3, contacts)];
    let rows: Vec<(&str, String)> = [("Before", before), ("After", after)]
        .into_iter()
        .filter_map(|(what, setup)| {
            let q = &setup?.rotation_deg;
            let text = format!(
                "{}, standard uncertainty {} degrees, {}",
                text::angle(q),
                rounded_u(q.standard_uncertainty),
                text::turn_band(q)
            );
            Some((what, text))
        })
        .chain([("Change", quantity("/change_deg", change, "degrees"))])
        .collect();
    blocks.push(Block::Html(parts::facts(
        "Rotations before and after; what both share cancels in the change",
        &rows,
    )));
    blocks.push(Block::Html(parts::budget(
        "/change_budget",
        &c.change_budget,
        "What the uncertainty of the change consists of",
    )));
    let mut pictures = about.shared_pictures();
    if let Some(a) = after {
        pictures.extend(picture::budget(&a.budget, "", ": rotation after"));
    }
    blocks.push(Block::Figures(3, pictures));
    let mut sections: Vec<Section> = about.report(&s.setups, &names).into_iter().collect();
    sections.push(Section {
        heading: "Evidence".to_owned(),
        blocks,
    });
    sections.extend(about.closing(&c.warnings, &names));
    about.stand_apart(&mut advice, &mut sections);
    Page {
        doubted: c.in_doubt.is_some(),
        title: format!(
            "Stylus rotation, {} against {}",
            names.html(&c.after),
            names.html(&c.before)
        ),
        answer,
        picture,
        advice,
        sections,
    }
}
