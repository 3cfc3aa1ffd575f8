//! The page of a solved job.

use super::about::{About, MOST_SETUPS};
use super::names::Names;
use super::numbers::{quantity, turned, turned_briefly};
use super::{Block, Page, Section, conformity, parts, statement, together};
use crate::job::{SetupResult, Solution};
use crate::report::instruction::Situation;
use crate::report::{picture, text};
use maud::{Markup, html};

/// The page of a solved job.
pub fn solution(s: &Solution, about: &About<'_>) -> Page {
    let names = about.names();
    let setups = s.setups.iter().enumerate();
    let seeing = setups.filter(|(_, setup)| !setup.unobservable);
    let seeing = seeing.map(|(k, s)| (format!("/setups/{k}"), s)).collect();
    let job = Job {
        s,
        about,
        names: &names,
        seeing,
    };
    let mut contacts = about.contacts();
    let picture = if job.several() {
        let list = job.seeing.iter();
        let list = list.map(|(_, setup)| (setup.name.clone(), setup.rotation_deg));
        // a tolerance is about another angle, that to the body
        picture::rotations(&list.collect::<Vec<_>>(), None)
    } else {
        (!contacts.is_empty()).then(|| contacts.remove(0))
    };
    let mut blocks = Vec::new();
    if !contacts.is_empty() {
        blocks.push(Block::pictures(3, contacts));
    }
    blocks.extend((0..job.seeing.len()).flat_map(|n| job.evidence(n)));
    let mut sections = Vec::from_iter(statement::section(about, &s.setups, &names));
    sections.push(Section {
        heading: "Evidence",
        blocks,
    });
    sections.push(together::section(s, about, &names));
    sections.extend(about.closing(&s.warnings, &names));
    let file = about.file.unwrap_or("job");
    about.with_advice_apart(Page {
        doubted: s.in_doubt.is_some(),
        title: match &about.job.title {
            Some(title) => names.text(title),
            None => format!("Stylus rotation: {}", names.file(file)),
        },
        answer: html! {
            (parts::in_doubt(s.in_doubt.as_deref(), &names))
            @if job.seeing.is_empty() { (job.cuts()) } @else { (job.rotations()) }
        },
        picture,
        advice: (!job.seeing.is_empty()).then(|| job.advice()),
        sections,
    })
}

/// A solved job and what is told of it.
struct Job<'a> {
    s: &'a Solution,
    about: &'a About<'a>,
    names: &'a Names,
    /// Setups whose stylus shows its rotation: the place in the document, and the setup.
    seeing: Vec<(String, &'a SetupResult)>,
}

impl Job<'_> {
    fn several(&self) -> bool {
        self.seeing.len() > 1
    }

    fn heading(&self, setup: &SetupResult) -> Markup {
        html! { @if self.several() { h3 { "Setup " (self.names.text(&setup.name)) } } }
    }

    /// What to do about each setup.
    fn advice(&self) -> Markup {
        let doubted = self.s.standing().is_doubted();
        html! {
            @for (at, setup) in &self.seeing {
                (self.heading(setup))
                (parts::advice(&format!("{at}/correction"), &Situation::of(setup, doubted)))
            }
            (parts::cautions())
        }
    }

    /// The answer of a job: the rotation of each setup.
    fn rotations(&self) -> Markup {
        html! {
            @if self.several() {
                p.lead {
                    "Rotation of the stylus to the groove, seen from above: "
                    @for (k, (at, setup)) in self.seeing.iter().enumerate() {
                        @if k > 0 { "; " }
                        em { (self.names.text(&setup.name)) } " "
                        (turned_briefly(&format!("{at}/rotation_deg"), &setup.rotation_deg))
                    }
                    "."
                }
            }
            @for (at, setup) in &self.seeing {
                @let to_groove = format!("{at}/rotation_deg");
                p class=[(!self.several()).then_some("lead")] {
                    (turned(self.subject(setup), &to_groove, &setup.rotation_deg, true)) "."
                }
                (parts::known_to(&to_groove, &setup.rotation_deg))
                @if self.is_judged(setup) && let Some(body) = &setup.stylus_to_body_deg {
                    @let verdict = setup.conformity.as_ref();
                    (parts::to_the_body(
                        quantity(&format!("{at}/stylus_to_body_deg"), body, "degrees"),
                        verdict.map(|c| conformity::verdict(&format!("{at}/conformity"), c)),
                        text::arm(&setup.arm_of, setup.arm.as_ref()),
                    ))
                }
            }
        }
    }

    /// What to call a setup in a sentence.
    fn subject(&self, setup: &SetupResult) -> Markup {
        html! {
            @if self.several() && !setup.name.is_empty() {
                "In setup " em { (self.names.text(&setup.name)) } " the stylus"
            } @else { "The stylus" }
        }
    }

    /// The answer of a job without a tip that sees its rotation: the cuts of its records.
    fn cuts(&self) -> Markup {
        html! {
            @for (k, record) in self.s.records.iter().enumerate() {
                @let subject = html! { "The cut of record " em { (self.names.text(&record.name)) } };
                @let at = format!("/records/{k}/cut_rotation_deg");
                p.lead { (turned(subject, &at, &record.cut_rotation_deg, false)) "." }
            }
            p { "No capture was made with a tip that can see its own rotation: they tell the cuts of the records." }
        }
    }

    /// What the rotation of one of the setups rests on.
    fn evidence(&self, n: usize) -> [Block; 2] {
        let (at, setup) = &self.seeing[n];
        let (level, of) = match self.several() {
            true => (4, format!(": setup {}", setup.name)),
            false => (3, String::new()),
        };
        let words = html! {
            (self.heading(setup))
            (self.to_the_body(at, setup))
            @if let Some(zero) = &setup.zero_setting_deg {
                p {
                    (text::ZERO_SETTING[0])
                    (quantity(&format!("{at}/zero_setting_deg"), zero, "degrees"))
                    (text::ZERO_SETTING[1])
                    @if !self.about.is_report() { (text::ZERO_IS_NO_ADVICE) }
                    "."
                }
            }
        };
        let picture = picture::budget(&setup.budget, &parts::suffix(n), &of);
        let picture = picture.filter(|_| n < MOST_SETUPS).into_iter().collect();
        let caption = format!("What the uncertainty of the rotation to the groove consists of{of}");
        let at = format!("{at}/budget");
        let budget = parts::budget("degrees", &at, &setup.budget, &caption);
        [words.into(), Block::Figures(level, picture, budget)]
    }

    /// What a tolerance says of the stylus to the body, where that is told at this setup.
    fn to_the_body(&self, at: &str, setup: &SetupResult) -> Markup {
        let job = self.about.job;
        let cartridge = job.setups.get(&setup.name).map(|of| &of.cartridge);
        let of = cartridge.filter(|_| self.several());
        let of = of.map_or_else(String::new, |cartridge| format!(": cartridge {cartridge}"));
        let cartridge = cartridge.map_or("", String::as_str);
        let source = job.limits.tolerance_source.as_deref();
        let (body, verdict) = (
            format!("{at}/stylus_to_body_deg"),
            format!("{at}/conformity"),
        );
        let caption = format!("What the uncertainty of the rotation to the body consists of{of}");
        let (lines, budget) = (
            &setup.stylus_to_body_budget,
            format!("{at}/stylus_to_body_budget"),
        );
        html! {
            @if self.is_judged(setup)
                && let (Some(c), Some(q)) = (&setup.conformity, &setup.stylus_to_body_deg)
            {
                (conformity::statement(&body, &verdict, c, q, source, &of))
                (self.about.mountings(cartridge, self.names))
                (parts::budget("degrees", &budget, lines, &caption))
            }
        }
    }

    /// Whether the stylus to the body, which is one angle for all setups of a cartridge, is
    /// told at this setup: the first that has it.
    fn is_judged(&self, setup: &SetupResult) -> bool {
        let cartridge = |s: &SetupResult| Some(&self.about.job.setups.get(&s.name)?.cartridge);
        let mut setups = self.seeing.iter().map(|(_, s)| s);
        let first = setups.find(|s| cartridge(s) == cartridge(setup));
        first.is_none_or(|first| first.name == setup.name)
    }
}
