//! Pages of measure, solve and compare.

use super::names::{Names, escaped, file_name};
use super::parts::{self, number, quantity};
use super::{Block, Page, Section};
use crate::job::{ARM_NOT_STATED, Comparison, Details, Job, SetupResult, Solution, Source};
use crate::report::Measurement;
use crate::report::picture::{self, Picture};
use crate::uncertainty::{Caveat, Direction, Quantity, plain, rounded, rounded_u};
use std::fmt::Write as _;

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
    /// Also show the text that the recordings carry.
    pub metadata: bool,
}

impl About<'_> {
    fn names(&self) -> Names {
        let captures = self.job.captures.iter().filter_map(|c| match &c.source {
            Source::File(path) => Some(path.to_string_lossy().replace('\\', "/")),
            _ => None,
        });
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
            + "<h3>What was assumed</h3>\n"
            + &parts::priors(&self.details.unknowns, names);
        Section {
            heading: "Conditions".to_owned(),
            blocks: vec![Block::Html(html)],
        }
    }

    /// What every page about a stylus ends with.
    fn closing(&self, warnings: &[Caveat], names: &Names) -> Vec<Section> {
        let mut list = Vec::new();
        list.extend(parts::recordings(self.details, names));
        list.push(Section {
            heading: "Doubts".to_owned(),
            blocks: vec![Block::Html(parts::caveats(warnings, names))],
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
    let mut answer = String::new();
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
        let mut sentence = parts::turned(subject, pointer, q, at_the_arm);
        if let Some(c) = &m.conformity {
            let _ = write!(sentence, "; {}", parts::verdict("/conformity", c));
        }
        let _ = writeln!(answer, "<p class=\"lead\">{sentence}.</p>");
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
        "<p>The channels are {} us apart, {order} (standard uncertainty {} us by noise and equaliser parts).</p>",
        number(
            "/delay_us/value",
            m.delay_us.value,
            &rounded(m.delay_us.value.abs(), m.delay_us.standard_uncertainty)
        ),
        number(
            "/delay_us/standard_uncertainty",
            m.delay_us.standard_uncertainty,
            &rounded_u(m.delay_us.standard_uncertainty)
        ),
    );
    answer.push_str(&doubted(&m.warnings));
    let advice = match &m.rotation_deg {
        Some(rotation) => {
            parts::advice(
                "/correction",
                m.correction.as_ref(),
                rotation,
                m.conformity.as_ref(),
                m.warnings.iter().any(|w| w.code == ARM_NOT_STATED),
            ) + &parts::cautions()
        }
        None => "<p>Nothing can be turned: the cut belongs to the record. State it in a job as the record's cut rotation, with its uncertainty, to take it out of other captures.</p>\n".to_owned(),
    };
    let mut sections = Vec::new();
    let mut blocks = Vec::new();
    if let (Some(c), Some(rotation)) = (&m.conformity, &m.rotation_deg) {
        blocks.push(Block::Html(parts::conformity(
            "/rotation_deg",
            "/conformity",
            c,
            rotation,
            "",
        )));
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
        title: format!("Stylus rotation: {}", names.html(file_name(&m.file))),
        answer,
        picture: (!contacts.is_empty()).then(|| contacts.remove(0)),
        advice,
        sections,
    }
}

/// A pointer to serious doubts, which belong beside the answer.
fn doubted(warnings: &[Caveat]) -> String {
    let serious = warnings
        .iter()
        .filter(|w| w.level == crate::uncertainty::Level::Serious)
        .count();
    match serious {
        0 => String::new(),
        1 => "<p class=\"note\"><strong>There is a serious doubt:</strong> do not use the result before it is resolved (see <a href=\"#doubts\">Doubts</a>).</p>\n".to_owned(),
        n => format!("<p class=\"note\"><strong>There are {n} serious doubts:</strong> do not use the result before they are resolved (see <a href=\"#doubts\">Doubts</a>).</p>\n"),
    }
}

/// What to call a setup in a sentence.
fn subject(setup: &SetupResult, several: bool, names: &Names) -> String {
    match (several, setup.name.as_str()) {
        (false, _) | (_, "") => "The stylus".to_owned(),
        (true, name) => format!("In setup <em>{}</em> the stylus", names.html(name)),
    }
}

/// The page of a solved job.
pub fn solution(s: &Solution, about: &About<'_>) -> Page {
    let names = about.names();
    let seeing: Vec<(usize, &SetupResult)> = s
        .setups
        .iter()
        .enumerate()
        .filter(|(_, setup)| !setup.blind)
        .collect();
    let several = seeing.len() > 1;
    let mut answer = String::new();
    let mut advice = String::new();
    if several {
        let all: Vec<String> = seeing
            .iter()
            .map(|(k, setup)| {
                let at = format!("/setups/{k}/rotation_deg");
                let figure = parts::turned_briefly(&at, &setup.rotation_deg);
                format!("<em>{}</em> {figure}", names.html(&setup.name))
            })
            .collect();
        let _ = writeln!(
            answer,
            "<p class=\"lead\">Rotation of the stylus seen from above: {}.</p>",
            all.join("; ")
        );
    }
    for (k, setup) in &seeing {
        let at = format!("/setups/{k}");
        let mut sentence = parts::turned(
            &subject(setup, several, &names),
            &format!("{at}/rotation_deg"),
            &setup.rotation_deg,
            true,
        );
        if let Some(c) = &setup.conformity {
            let _ = write!(
                sentence,
                "; {}",
                parts::verdict(&format!("{at}/conformity"), c)
            );
        }
        let class = if several { "" } else { " class=\"lead\"" };
        let _ = writeln!(answer, "<p{class}>{sentence}.</p>");
        if several {
            let _ = writeln!(advice, "<h3>Setup {}</h3>", names.html(&setup.name));
        }
        advice.push_str(&parts::advice(
            &format!("{at}/correction"),
            setup.correction.as_ref(),
            &setup.rotation_deg,
            setup.conformity.as_ref(),
            setup.to_groove,
        ));
        if let Some(zero) = &setup.zero_setting_deg {
            let _ = writeln!(
                advice,
                "<p>By the captures at known turns alone, both edges read together at a turn of {} from the setup (cut and skews included).</p>",
                quantity(&format!("{at}/zero_setting_deg"), zero, "degrees")
            );
        }
    }
    if seeing.is_empty() {
        for (k, record) in s.records.iter().enumerate() {
            let subject = format!("The cut of record <em>{}</em>", names.html(&record.name));
            let at = format!("/records/{k}/cut_rotation_deg");
            let sentence = parts::turned(&subject, &at, &record.cut_rotation_deg, false);
            let _ = writeln!(answer, "<p class=\"lead\">{sentence}.</p>");
        }
        answer.push_str("<p>No capture was made with a tip that can see its own rotation: they tell the cuts of the records.</p>\n");
    } else {
        advice.push_str(&parts::cautions());
    }
    answer.push_str(&doubted(&s.warnings));

    let mut contacts = about.contacts();
    let tolerance = s
        .setups
        .iter()
        .find_map(|x| x.conformity)
        .map(|c| c.tolerance_deg);
    let picture = if several {
        let list: Vec<(String, Quantity)> = seeing
            .iter()
            .map(|(_, setup)| (setup.name.clone(), setup.rotation_deg))
            .collect();
        picture::rotations(&list, tolerance)
    } else if contacts.is_empty() {
        None
    } else {
        Some(contacts.remove(0))
    };

    let mut sections = Vec::new();
    let mut blocks = Vec::new();
    if !contacts.is_empty() {
        blocks.push(Block::Figures(3, contacts));
    }
    for (n, (k, setup)) in seeing.iter().enumerate() {
        let at = format!("/setups/{k}");
        let of = if several {
            format!(": setup {}", setup.name)
        } else {
            String::new()
        };
        if several {
            let heading = format!("<h3>Setup {}</h3>\n", names.html(&setup.name));
            blocks.push(Block::Html(heading));
        }
        if let Some(c) = &setup.conformity {
            blocks.push(Block::Html(parts::conformity(
                &format!("{at}/rotation_deg"),
                &format!("{at}/conformity"),
                c,
                &setup.rotation_deg,
                &of,
            )));
        }
        let picture = picture::budget(&setup.budget, &parts::suffix(n), &of);
        blocks.push(Block::Beside(
            if several { 4 } else { 3 },
            picture.filter(|_| n < MOST_SETUPS).map(Box::new),
            parts::budget(
                &format!("{at}/budget"),
                &setup.budget,
                &format!("What the uncertainty of the rotation consists of{of}"),
            ),
        ));
    }
    sections.push(Section {
        heading: "Evidence".to_owned(),
        blocks,
    });
    sections.push(together(s, about, &names));
    sections.extend(about.closing(&s.warnings, &names));
    let title = match &about.job.title {
        Some(title) => names.html(title),
        None => format!(
            "Stylus rotation: {}",
            names.html(file_name(about.file.unwrap_or("job")))
        ),
    };
    Page {
        title,
        answer,
        picture,
        advice,
        sections,
    }
}

/// What all captures tell together: series, unknowns, objects, fit.
fn together(s: &Solution, about: &About<'_>, names: &Names) -> Section {
    let mut blocks = vec![Block::Figures(3, about.shared_pictures())];
    let mut rows: Vec<Vec<String>> = Vec::new();
    let mut add = |what: String, text: String| rows.push(vec![what, text]);
    let named = |kind: &str, name: &str| match name {
        "" => kind.to_owned(),
        name => format!("{kind} {}", names.html(name)),
    };
    for (k, r) in s.records.iter().enumerate() {
        add(
            format!("{}: rotation of the cut", named("Record", &r.name)),
            quantity(
                &format!("/records/{k}/cut_rotation_deg"),
                &r.cut_rotation_deg,
                "degrees",
            ),
        );
    }
    for (k, c) in s.cartridges.iter().enumerate() {
        let at = format!("/cartridges/{k}");
        let name = named("Cartridge", &c.name);
        add(
            format!("{name}: lever at zero rotation"),
            quantity(&format!("{at}/lever_um"), &c.lever_um, "um"),
        );
        add(
            format!("{name}: scale by crosstalk"),
            quantity(&format!("{at}/scale"), &c.scale, ""),
        );
    }
    for (k, c) in s.chains.iter().enumerate() {
        add(
            format!("{}: time skew", named("Chain", &c.name)),
            quantity(&format!("/chains/{k}/skew_us"), &c.skew_us, "us"),
        );
    }
    blocks.push(Block::Html(parts::table(
        "Records, cartridges and chains",
        &["Quantity", "value"],
        &rows,
    )));
    let rows: Vec<Vec<String>> = s
        .captures
        .iter()
        .enumerate()
        .map(|(k, c)| {
            let at = format!("/captures/{k}");
            let u = c.delay_us.standard_uncertainty;
            vec![
                names.html(file_name(&c.file)),
                number(
                    &format!("{at}/delay_us/value"),
                    c.delay_us.value,
                    &rounded(c.delay_us.value, u),
                ),
                number(
                    &format!("{at}/delay_us/standard_uncertainty"),
                    u,
                    &rounded_u(u),
                ),
                number(
                    &format!("{at}/predicted_us"),
                    c.predicted_us,
                    &rounded(c.predicted_us, u),
                ),
                c.normalized_residual.map_or_else(
                    || "unchecked".to_owned(),
                    |r| number(&format!("{at}/normalized_residual"), r, &plain(r, 1)),
                ),
            ]
        })
        .collect();
    blocks.push(Block::Html(parts::table(
        "How each capture fits",
        &[
            "Capture",
            "delay / us",
            "standard uncertainty / us",
            "as adjusted / us",
            "normalised residual",
        ],
        &rows,
    )));
    let fit = &s.fit;
    let p = fit.p_value.map_or_else(String::new, |p| {
        format!(
            "; by chance it would be larger with a probability of {}",
            number("/fit/p_value", p, &plain(p, 3))
        )
    });
    blocks.push(Block::Html(format!(
        "<p>Fit of the whole: chi-square {} with {} degrees of freedom{p}.</p>\n",
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

/// The page of two setups against each other; `s` is the whole job's solution.
pub fn comparison(c: &Comparison, s: &Solution, about: &About<'_>) -> Page {
    let names = about.names();
    let before = s.setups.iter().find(|x| x.name == c.before);
    let after = s.setups.iter().find(|x| x.name == c.after);
    let change = &c.change_deg;
    let moved = match Direction::resolved(change) {
        Direction::NoneResolved => format!(
            "No change stands out from <em>{}</em> to <em>{}</em>: {}",
            names.html(&c.before),
            names.html(&c.after),
            quantity("/change_deg", change, "degrees"),
        ),
        way => format!(
            "From <em>{}</em> to <em>{}</em> the stylus has turned <strong>{} degrees {}</strong> seen from above, {}",
            names.html(&c.before),
            names.html(&c.after),
            number(
                "/change_deg/value",
                change.value,
                &rounded(change.value.abs(), change.standard_uncertainty)
            ),
            crate::report::text::direction(way),
            parts::band("/change_deg", change, "degrees"),
        ),
    };
    let mut answer = format!(
        "<p class=\"lead\">{moved}.</p>\n<p>{}.</p>\n<p>The rotation after is smaller in size than before with a probability of {}.</p>\n",
        parts::turned("Now the stylus", "/remaining_deg", &c.remaining_deg, true),
        number(
            "/probability_improved",
            c.probability_improved,
            &plain(c.probability_improved, 3)
        ),
    );
    answer.push_str(&doubted(&c.warnings));
    // the document of a comparison has no correction, so its figures are plain
    let advice = match after.and_then(|a| a.correction) {
        Some(t) => format!(
            "<p>What remains asks for a turn of {} degrees {}. Then measure again.</p>\n",
            rounded(t.turn_deg.abs(), c.remaining_deg.standard_uncertainty),
            crate::report::text::sense(t.direction),
        ),
        None => "<p>Nothing more for now: what remains is not told from zero. A narrower band needs more captures; <code>groovelag plan</code> says which help most.</p>\n".to_owned(),
    } + &parts::cautions();
    let tolerance = after.and_then(|a| a.conformity).map(|x| x.tolerance_deg);
    let picture = before.zip(after).and_then(|(b, a)| {
        picture::comparison(
            (&b.name, &b.rotation_deg),
            (&a.name, &a.rotation_deg),
            change,
            tolerance,
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
                "{} degrees, standard uncertainty {} degrees, {}",
                rounded(q.value, q.standard_uncertainty),
                rounded_u(q.standard_uncertainty),
                escaped(&crate::report::text::band(q, "degrees"))
            );
            Some((what, text))
        })
        .chain([("Change", quantity("/change_deg", change, "degrees"))])
        .collect();
    blocks.push(Block::Html(parts::facts(
        "Rotations before and after; what both share cancels in the change",
        &rows,
    )));
    let mut pictures = about.shared_pictures();
    if let Some(a) = after {
        pictures.extend(picture::budget(&a.budget, "", ": rotation after"));
    }
    blocks.push(Block::Figures(3, pictures));
    let mut sections = vec![Section {
        heading: "Evidence".to_owned(),
        blocks,
    }];
    sections.extend(about.closing(&c.warnings, &names));
    Page {
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
