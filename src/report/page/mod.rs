//! A result as one page for a browser: no script, nothing fetched, light and
//! dark, for a phone, a desk and for paper.
//!
//! A number that the JSON document of the same run also holds stands in a `data`
//! element with its full `value` and, in `data-json`, its place in the document;
//! `data-scale` says what it was multiplied by before it was rounded for reading.

mod calibration;
mod check;
mod names;
mod parts;
mod results;

pub use calibration::calibration;
pub use check::check;
pub use results::{About, comparison, measurement, solution};

use super::picture::{self, DrawError, INKS, Ink, Picture};
use crate::document::Program;
use std::fmt::Write as _;

const STYLE: &str = include_str!("style.css");

/// A page before it is written out.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    /// What was done, for the heading.
    title: String,
    /// Whether the result is in doubt, which the answer then begins with.
    doubted: bool,
    /// The answer, as HTML.
    answer: String,
    /// Its picture.
    picture: Option<Picture>,
    /// What to do, as HTML.
    advice: String,
    /// Evidence and conditions.
    sections: Vec<Section>,
}

/// A part of a page.
#[derive(Debug, Clone, PartialEq)]
struct Section {
    heading: String,
    blocks: Vec<Block>,
}

/// What a section is made of.
#[derive(Debug, Clone, PartialEq)]
enum Block {
    Html(String),
    /// Pictures beside each other, each with a heading of this level.
    Figures(u8, Vec<Picture>),
    /// A picture with HTML beside it, the heading of this level.
    Beside(u8, Option<Box<Picture>>, String),
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
            Block::Figures(_, list) => list.as_slice(),
            Block::Beside(_, picture, _) => {
                picture.as_deref().map_or(&[][..], std::slice::from_ref)
            }
            Block::Html(_) => &[],
        }))
    }

    /// The page as HTML.
    ///
    /// # Errors
    ///
    /// When a picture cannot be drawn.
    pub fn html(&self) -> Result<String, DrawError> {
        let program = Program::this();
        let mut out = format!(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<meta name=\"color-scheme\" content=\"light dark\">\n<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n<meta name=\"referrer\" content=\"no-referrer\">\n<title>{title}</title>\n<style>\n{STYLE}{}</style>\n</head>\n<body>\n<header>\n<h1>{title}</h1>\n<p class=\"made\">{} {}</p>\n</header>\n<main>\n",
            ink_rules(),
            program.name,
            program.version,
            title = self.title,
        );
        let _ = write!(
            out,
            "<section class=\"answer\" id=\"answer\">\n<h2>Answer</h2>\n<div>\n{}</div>\n",
            self.answer
        );
        if let Some(picture) = &self.picture {
            figure(&mut out, picture, 3)?;
        }
        out.push_str("</section>\n");
        if !self.advice.is_empty() {
            let _ = write!(
                out,
                "<section id=\"what-to-do\">\n<h2>What to do</h2>\n{}</section>\n",
                self.advice
            );
        }
        out.push_str("<nav class=\"contents\" aria-label=\"Contents\">\n<h2>Contents</h2>\n<ul>\n");
        for section in &self.sections {
            let _ = writeln!(
                out,
                "<li><a href=\"#{}\">{}</a></li>",
                anchor(&section.heading),
                section.heading
            );
        }
        out.push_str("</ul>\n</nav>\n");
        for section in &self.sections {
            let _ = write!(
                out,
                "<section id=\"{}\">\n<h2>{}</h2>\n",
                anchor(&section.heading),
                section.heading
            );
            for block in &section.blocks {
                match block {
                    Block::Html(html) => out.push_str(html),
                    Block::Beside(level, picture, html) => {
                        out.push_str("<div class=\"figures\">\n");
                        if let Some(picture) = picture {
                            figure(&mut out, picture, *level)?;
                        }
                        out.push_str(html);
                        out.push_str("</div>\n");
                    }
                    Block::Figures(level, list) => {
                        out.push_str("<div class=\"figures\">\n");
                        for picture in list {
                            figure(&mut out, picture, *level)?;
                        }
                        out.push_str("</div>\n");
                    }
                }
            }
            out.push_str("</section>\n");
        }
        let _ = write!(
            out,
            "</main>\n<footer>\n<p class=\"small\">Made by {} {}. This page is complete in itself and fetches nothing.</p>\n</footer>\n</body>\n</html>\n",
            program.name, program.version
        );
        Ok(out)
    }
}

/// A heading as the name of a place in the page.
fn anchor(heading: &str) -> String {
    heading
        .chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() {
                c.to_ascii_lowercase()
            } else {
                '-'
            }
        })
        .collect()
}

/// A picture with heading and caption.
fn figure(out: &mut String, picture: &Picture, level: u8) -> Result<(), DrawError> {
    let drawn = picture::svg(picture, &format!("p-{}", picture.name))?;
    let _ = write!(
        out,
        "<figure id=\"{}\">\n<h{level}>{}</h{level}>\n{drawn}<figcaption>{}</figcaption>\n</figure>\n",
        picture.name,
        names::escaped(&picture.title),
        names::escaped(&picture.caption),
    );
    Ok(())
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
