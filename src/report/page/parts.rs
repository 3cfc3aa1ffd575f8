//! Pieces that several pages share.

use super::names::{Names, file_name};
use super::numbers::{number, percent, sentence, uncertainty};
use super::{Block, Section, program};
use crate::job::{CaptureDetails, Details};
use crate::report::instruction::Situation;
use crate::report::picture;
use crate::report::sentence::{Sentence, whole};
use crate::report::text::{self, WHILE_IN_DOUBT};
use crate::uncertainty::{BudgetLine, Caveat, Evaluation, Level, Quantity, plain, rounded_u};
use maud::{Markup, Render, html};

/// Recordings whose pictures are shown; the others stand in the table alone.
const MOST_RECORDINGS: usize = 10;

/// Lines of a budget below this share are counted, not listed.
const SMALL_SHARE: f64 = 0.01;

/// The first line of a result that is in doubt.
pub fn in_doubt(doubt: Option<&str>, names: &Names) -> Markup {
    html! {
        @if let Some(doubt) = doubt {
            p.doubt role="alert" { strong { (names.text(doubt)) } }
            p { (WHILE_IN_DOUBT) }
        }
    }
}

/// The standard uncertainty of a rotation.
pub fn known_to(pointer: &str, rotation: &Quantity) -> Markup {
    html! {
        p {
            "Standard uncertainty of the rotation to the groove: " (uncertainty(pointer, rotation))
            " degrees."
        }
    }
}

/// The rotation to the body with what the tolerance says of it, and the arm.
pub fn to_the_body(body: impl Render, verdict: Option<Markup>, arm: Option<String>) -> Markup {
    html! {
        p {
            "Relative to the cartridge body, the angle that a tolerance applies to: " (body)
            @if let Some(verdict) = verdict { "; " (verdict) }
            "."
            @if let Some(arm) = arm { " The arm: " (arm) "." }
        }
    }
}

/// What to do about a setup; `pointer` is where the document has the correction.
pub fn advice(pointer: &str, situation: &Situation<'_>) -> Markup {
    let instruction = situation.instruction();
    let told = |pieces: Sentence| sentence(pointer, &whole(pieces));
    let order = told(instruction.reasoned());
    html! {
        @for warning in instruction.before { p.note { (told(warning)) } }
        p.order { strong { (order) } }
        @if !instruction.after.is_empty() {
            ul {
                @for how in instruction.after { li { (told(how)) } }
            }
        }
    }
}

/// Cautions and what the figure is not, for every page about a stylus.
pub fn cautions() -> Markup {
    html! { p.note { (text::CAUTIONS) } }
}

/// A table of two columns: what, and its value.
pub fn facts<'a>(caption: &str, rows: impl IntoIterator<Item = (&'a str, impl Render)>) -> Markup {
    html! {
        div.table {
            table.two {
                caption { (caption) }
                tbody {
                    @for (what, value) in rows { tr { th scope="row" { (what) } td { (value) } } }
                }
            }
        }
    }
}

/// A table with a head; the first cell of a row heads it.
pub fn table<Row: IntoIterator<Item: Render>>(
    caption: &str,
    head: &[impl Render],
    rows: impl IntoIterator<Item = Row>,
) -> Markup {
    html! {
        div.table role="region" tabindex="0" aria-label=(caption) {
            table {
                caption { (caption) }
                thead { tr { @for words in head { th scope="col" { (words) } } } }
                tbody {
                    @for row in rows {
                        tr {
                            @for (k, cell) in row.into_iter().enumerate() {
                                @if k == 0 { th scope="row" { (cell) } }
                                @else { td.n { (cell) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// The cell of a SHA-256 or another identifier.
pub fn hash(text: &str) -> Markup {
    html! { span.hash { (text) } }
}

/// The cell of a longer text: where something comes from.
pub fn origin(text: &str) -> Markup {
    html! { span.origin { (text) } }
}

/// A budget in a unit as a table; nothing where it is empty.
pub fn budget(unit: &str, pointer: &str, lines: &[BudgetLine], caption: &str) -> Markup {
    if lines.is_empty() {
        return Markup::default();
    }
    let (large, small): (Vec<_>, Vec<_>) = lines
        .iter()
        .enumerate()
        .partition(|(_, line)| line.share >= SMALL_SHARE || line.evaluation == Evaluation::A);
    let row = |(k, line): &(usize, &BudgetLine)| {
        let (at, u) = (format!("{pointer}/{k}"), line.standard_uncertainty);
        [
            line.source.render(),
            line.evaluation.word().render(),
            number(&format!("{at}/standard_uncertainty"), u, &rounded_u(u)),
            percent(&format!("{at}/share"), line.share, 1),
        ]
    };
    let variance = |(_, line): &(usize, &BudgetLine)| line.standard_uncertainty.powi(2);
    let together = (!small.is_empty()).then(|| {
        let share = small.iter().map(|(_, l)| l.share).sum::<f64>();
        [
            html! { (small.len()) " smaller ones together" },
            Markup::default(),
            rounded_u(small.iter().map(variance).sum::<f64>().sqrt()).render(),
            plain(100.0 * share, 1).render(),
        ]
    });
    let head = [
        "Contribution",
        "type",
        &format!("standard uncertainty / {unit}"),
        "share of the variance / %",
    ];
    table(caption, &head, large.iter().map(row).chain(together))
}

/// Doubts, the most serious first.
pub fn caveats(list: &[Caveat], names: &Names) -> Markup {
    if list.is_empty() {
        return html! { p { "None." } };
    }
    let level = |caveat: &Caveat| match caveat.level {
        Level::Note => "Note",
        Level::Caution => "Caution",
        Level::Serious => "Serious",
    };
    html! {
        ul {
            @for alike in text::grouped(list) {
                li {
                    strong { (level(alike[0])) ":" } " " (names.text(&alike[0].message))
                    @if alike.len() > 1 {
                        details {
                            summary { (alike.len() - 1) " more of this kind" }
                            ul { @for c in &alike[1..] { li { (names.text(&c.message)) } } }
                        }
                    }
                }
            }
        }
    }
}

/// What paper leaves out, for whoever has nothing else.
pub const ON_PAPER: &str = "On paper only the phase of each recording is drawn, and of notes of one kind the first stands alone; the page on a screen has them all.";

/// The pictures of recordings, a heading each where there are several.
pub fn recordings(details: &Details, names: &Names) -> Option<Section> {
    let captures = details.captures.iter();
    let seen: Vec<&CaptureDetails> = captures.filter(|c| c.evidence.is_some()).collect();
    let mut blocks = Vec::new();
    let heading = match seen.as_slice() {
        [] => return None,
        [capture] => {
            let pictures = picture::recording(capture, "", "");
            blocks.push(Block::pictures(3, pictures));
            "The recording"
        }
        _ => {
            for (k, capture) in seen.iter().take(MOST_RECORDINGS).enumerate() {
                let name = file_name(&capture.file);
                blocks.push(html! { h3 { (names.text(name)) } }.into());
                let pictures = picture::recording(capture, &suffix(k), &format!(": {name}"));
                blocks.push(Block::pictures(4, pictures));
            }
            "The recordings"
        }
    };
    if seen.len() > MOST_RECORDINGS {
        let others = seen.len() - MOST_RECORDINGS;
        blocks.push(
            html! {
                p {
                    "The pictures of the other " (others) " recordings are left out to keep the page small; solve them in jobs of their own to see them."
                }
            }
            .into(),
        );
    }
    Some(Section { heading, blocks })
}

/// Tells the second and later pictures of a kind from the first.
pub fn suffix(k: usize) -> String {
    match k {
        0 => String::new(),
        k => format!("-{}", k + 1),
    }
}

/// How a rotation is found, and how far that can be trusted.
const METHOD: &str = "Both channels of each recording are cut into overlapping frames; frames with clicks, silence or unmodulated groove are left out. The averaged cross-spectrum gives the phase between the channels over frequency; a delay and the unequal parts of the equaliser are fitted to it, weighted by coherence. Delay times groove speed is a length along the groove; the tip's geometry turns it into an angle. All captures and everything assumed are adjusted together by least squares; bands follow JCGM 100 (GUM) and, where the model is not linear, its marginal distribution. In the budgets, type A is evaluated by statistics of the job's own readings, type B by other means (JCGM 100:2008, 4.2 and 4.3); every quantity enters with a normal distribution. The method was tried on simulated grooves and by independent generators; no real groove has been measured against a microscope or another laboratory yet. Turns entered with the wrong sign in all captures, together with leads entered the wrong way round in all, mirror the result unseen.";

/// Method, versions, and what the figure is and is not.
pub fn statements() -> Section {
    let words = html! {
        h3 { "What the figure is" }
        p { (text::MEASURAND) }
        h3 { "How it was found" }
        p { (METHOD) }
        h3 { "Versions" }
        p {
            (program()) ". The same input gives the same page, byte for byte: to check this page, make it again with " code { "groovelag solve JOB --report FILE" } " and compare the two files. " code { "groovelag verify" } " checks the JSON document of the same job, not this page."
        }
    };
    Section::of_words("Method and meaning", words)
}
