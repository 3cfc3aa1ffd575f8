//! A result as one page for a browser: no script, nothing fetched, light and
//! dark, for a phone, a desk and for paper.
//!
//! A number that the JSON document of the same run also holds stands in a `data`
//! element with its full `value` and, in `data-json`, its place in the document;
//! `data-scale` says what it was multiplied by before it was rounded for reading.
//!
//! Functions that make HTML return [`Markup`], into which text goes as text: what it
//! holds of HTML is escaped by its type.

mod about;
mod calibration;
mod check;
mod comparison;
mod conditions;
mod conformity;
mod measurement;
mod names;
mod numbers;
mod parts;
mod solution;
mod statement;
mod together;

pub use about::About;
pub use calibration::calibration;
pub use check::check;
pub use comparison::comparison;
pub use measurement::measurement;
pub use solution::solution;

use super::picture::{self, DrawError, INKS, Ink, Picture};
use crate::document::Program;
use crate::outside::shown;
use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = include_str!("style.css");

/// What a page is allowed to do: to show itself.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'";

/// A page before it is written out.
#[derive(Debug, Clone)]
pub struct Page {
    /// What was done, for the heading.
    title: String,
    /// Whether the result is in doubt, which the answer then begins with.
    doubted: bool,
    /// The answer.
    answer: Markup,
    /// Its picture.
    picture: Option<Picture>,
    /// What to do.
    advice: Option<Markup>,
    /// Evidence and conditions.
    sections: Vec<Section>,
}

/// A part of a page.
#[derive(Debug, Clone)]
struct Section {
    heading: &'static str,
    blocks: Vec<Block>,
}

/// What a section is made of.
#[derive(Debug, Clone)]
enum Block {
    Words(Markup),
    /// Pictures beside each other, each with a heading of this level, 3 or 4, and what
    /// stands beside them.
    Figures(u8, Vec<Picture>, Markup),
}

impl Block {
    fn pictures(level: u8, list: Vec<Picture>) -> Self {
        Self::Figures(level, list, Markup::default())
    }
}

impl From<Markup> for Block {
    fn from(words: Markup) -> Self {
        Self::Words(words)
    }
}

impl Section {
    /// A section without pictures.
    fn of_words(heading: &'static str, words: Markup) -> Self {
        Self {
            heading,
            blocks: vec![words.into()],
        }
    }

    /// The section's name in the page.
    fn anchor(&self) -> String {
        self.heading.to_ascii_lowercase().replace(' ', "-")
    }

    fn html(&self) -> Result<Markup, DrawError> {
        Ok(html! {
            section id=(self.anchor()) {
                h2 { (self.heading) }
                @for block in &self.blocks {
                    @match block {
                        Block::Words(words) => (words),
                        Block::Figures(level, pictures, beside) => {
                            div.figures {
                                @for picture in pictures { (figure(picture, *level)?) }
                                (beside)
                            }
                        }
                    }
                }
            }
        })
    }
}

impl Page {
    /// A picture by itself: of a result in doubt, its heading says so.
    pub fn by_itself(&self, picture: &Picture) -> Picture {
        let said = |text: &str| match self.doubted {
            true => format!("In doubt: {text}"),
            false => text.to_owned(),
        };
        Picture {
            title: said(&picture.title),
            description: said(&picture.description),
            ..picture.clone()
        }
    }

    /// All pictures, the answer's first.
    pub fn pictures(&self) -> impl Iterator<Item = &Picture> {
        let blocks = self.sections.iter().flat_map(|s| &s.blocks);
        self.picture.iter().chain(blocks.flat_map(|b| match b {
            Block::Figures(_, list, _) => list.as_slice(),
            Block::Words(_) => &[],
        }))
    }

    /// The page as HTML.
    ///
    /// # Errors
    ///
    /// When a picture cannot be drawn.
    pub fn html(&self) -> Result<String, DrawError> {
        let page = html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    meta name="color-scheme" content="light dark";
                    meta http-equiv="Content-Security-Policy" content=(POLICY);
                    meta name="referrer" content="no-referrer";
                    title { (self.title) }
                    style { (PreEscaped(STYLE.to_owned() + &ink_rules())) }
                }
                body {
                    header {
                        h1 { (self.title) }
                        p.made { (program()) }
                    }
                    main { (self.content()?) }
                    footer {
                        p.small {
                            "Made by " (program()) ". This page is complete in itself and fetches nothing."
                        }
                    }
                }
            }
            "\n"
        };
        // whoever wrote what it says: nothing in it does more than be read
        Ok(shown(&page.into_string()))
    }

    fn content(&self) -> Result<Markup, DrawError> {
        Ok(html! {
            section.answer #answer {
                h2 { "Answer" }
                div { (self.answer) }
                @if let Some(picture) = &self.picture { (figure(picture, 3)?) }
            }
            @if let Some(advice) = &self.advice {
                section #what-to-do {
                    h2 { "What to do" }
                    (advice)
                }
            }
            nav.contents aria-label="Contents" {
                h2 { "Contents" }
                ul {
                    @for section in &self.sections {
                        li { a href={ "#" (section.anchor()) } { (section.heading) } }
                    }
                }
            }
            @for section in &self.sections { (section.html()?) }
        })
    }
}

/// The program and its version.
fn program() -> String {
    let program = Program::this();
    format!("{} {}", program.name, program.version)
}

/// A picture with heading and caption.
fn figure(picture: &Picture, level: u8) -> Result<Markup, DrawError> {
    Ok(html! {
        figure id=(picture.name) {
            @match level {
                3 => h3 { (picture.title) },
                _ => h4 { (picture.title) },
            }
            (picture::svg(picture, &format!("p-{}-", picture.name))?)
            figcaption { (picture.caption) }
        }
    })
}

/// Pictures are drawn in the colours of [`INKS`]; here they become the page's.
fn ink_rules() -> String {
    INKS.iter()
        .map(|(ink, colour)| {
            let name = match ink {
                Ink::Text => "ink",
                Ink::Muted => "muted",
                Ink::Grid => "line",
                Ink::First => "first",
                Ink::Second => "second",
                Ink::Third => "third",
            };
            let hex = format!("#{:02X}{:02X}{:02X}", colour.0, colour.1, colour.2);
            format!(
                "svg [fill=\"{hex}\"]{{fill:var(--{name})}}svg [stroke=\"{hex}\"]{{stroke:var(--{name})}}\n"
            )
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_stays_text() {
        let hostile = "a < b & \"c\"\u{1b}\u{202e}<script>";
        let page = Page {
            title: hostile.to_owned(),
            doubted: false,
            answer: html! { p title=(hostile) { (hostile) } },
            picture: None,
            advice: None,
            sections: Vec::new(),
        };
        let html = page.html().unwrap();
        let safe = "a &lt; b &amp; &quot;c&quot;\\u{1b}\\u{202e}&lt;script&gt;";
        assert_eq!(html.matches(safe).count(), 4);
        assert!(!html.contains("<script") && !html.contains(['\u{1b}', '\u{202e}']));
    }
}
