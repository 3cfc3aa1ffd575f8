//! Draws pictures, to SVG text and to PNG bytes, alike on every machine: text is
//! measured with the font that the crate brings, and no other is looked for.

use super::{Anchor, Axis, Dash, Ink, Mark, Marker, Panel, Picture};
use crate::outside::{on_one_line, shown};
use maud::{Markup, PreEscaped, html};
use plotters::element::DashedPathElement;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use std::collections::BTreeSet;
use std::sync::OnceLock;
use thiserror::Error;

/// Width of a picture, in units of about a pixel: narrow enough that words of
/// [`TEXT`] units stay readable on a phone.
const WIDTH: f64 = 440.0;
/// Steps per unit, since the backends know whole steps alone.
const STEPS: f64 = 4.0;
/// Height of words.
const TEXT: f64 = 13.0;
/// Height of a line of words.
const LINE: f64 = 19.0;
/// Room at the edges.
const EDGE: f64 = 8.0;
/// Room between panels.
const GAP: f64 = 12.0;
/// How thinly areas are laid.
const THIN: f64 = 0.16;

/// Name under which the font is registered and which an SVG asks for; viewers
/// without it take a sibling of the same widths, or a narrower one.
const FAMILY: &str = "DejaVu Sans, Verdana, sans-serif";

/// Colours on white. A page shows them in the colours of its reader, by these.
pub const INKS: &[(Ink, RGBColor)] = &[
    (Ink::Text, RGBColor(0x1b, 0x22, 0x28)),
    (Ink::Muted, RGBColor(0x4c, 0x58, 0x62)),
    (Ink::Grid, RGBColor(0xd3, 0xd9, 0xde)),
    (Ink::First, RGBColor(0x0b, 0x5a, 0x78)),
    (Ink::Second, RGBColor(0xa3, 0x41, 0x0d)),
    (Ink::Third, RGBColor(0x6b, 0x3f, 0xa0)),
];

/// Why a picture cannot be drawn.
#[derive(Debug, Error)]
#[error("the picture '{name}' cannot be drawn ({reason}); please report this")]
pub struct DrawError {
    name: String,
    reason: String,
}

fn colour(ink: Ink) -> RGBColor {
    INKS.iter()
        .find(|(i, _)| *i == ink)
        .map_or(BLACK, |(_, c)| *c)
}

/// Whether the bundled font is there to measure with; registered once.
fn font_ready() -> bool {
    static READY: OnceLock<bool> = OnceLock::new();
    *READY.get_or_init(|| {
        let bytes = include_bytes!("../font/DejaVuSans.ttf");
        plotters::style::register_font(FAMILY, FontStyle::Normal, bytes).is_ok()
    })
}

fn steps(units: f64) -> i32 {
    (units * STEPS).round() as i32
}

fn words_style(ink: Ink, horizontal: HPos) -> TextStyle<'static> {
    // the backends divide by 1.24 what they are asked for
    (FAMILY, TEXT * STEPS * 1.24)
        .into_font()
        .color(&colour(ink))
        .pos(Pos::new(horizontal, VPos::Center))
}

/// Width of words in units.
fn width_of(text: &str) -> f64 {
    (FAMILY, TEXT * STEPS * 1.24)
        .into_font()
        .layout_box(text)
        .map_or(0.0, |((x0, _), (x1, _))| f64::from(x1 - x0) / STEPS)
}

/// Where things stand, in units.
struct Layout {
    left: f64,
    right: f64,
    /// Per panel: top of its words, lines of its legend, top and bottom of its field.
    panels: Vec<(f64, Vec<Vec<usize>>, f64, f64)>,
    height: f64,
    /// Top of the first thing.
    top: f64,
}

/// Width of a legend's sample with its space.
const SAMPLE: f64 = 34.0;

impl Layout {
    fn new(picture: &Picture, titled: bool) -> Self {
        let axes = picture.panels.iter().filter_map(|p| p.y.as_ref());
        let widest = axes
            .flat_map(|axis| axis.ticks(5))
            .map(|t| width_of(&t.1))
            .fold(0.0, f64::max);
        // words of any width leave half of the picture to what is drawn
        let left = if widest > 0.0 {
            (EDGE + widest + 6.0).min(0.5 * WIDTH)
        } else {
            EDGE
        };
        let right = WIDTH - EDGE;
        let mut y = EDGE;
        if titled {
            y += LINE + 4.0;
        }
        let top = y;
        if picture.top.is_some() {
            y += 2.0 * LINE;
        }
        let mut panels = Vec::new();
        for (k, panel) in picture.panels.iter().enumerate() {
            if k > 0 {
                y += GAP;
            }
            let begin = y;
            if panel.y.as_ref().is_some_and(|a| !a.label.is_empty()) {
                y += LINE;
            }
            let legend = legend_lines(panel, right - EDGE);
            y += LINE * legend.len() as f64;
            let field = y + 3.0;
            y = field + panel.height;
            panels.push((begin, legend, field, y));
        }
        if !picture.x.label.is_empty() {
            y += 2.0 * LINE + 4.0;
        }
        Self {
            left,
            right,
            panels,
            height: y + EDGE,
            top,
        }
    }

    fn x(&self, axis: &Axis, value: f64) -> f64 {
        self.left + axis.place(value) * (self.right - self.left)
    }
}

/// Marks with words, broken into lines that fit.
fn legend_lines(panel: &Panel, room: f64) -> Vec<Vec<usize>> {
    let mut lines: Vec<Vec<usize>> = Vec::new();
    let mut used = f64::INFINITY;
    let mut seen = BTreeSet::new();
    for (k, mark) in panel.marks.iter().enumerate() {
        let Some(key) = mark.key().filter(|key| seen.insert(*key)) else {
            continue;
        };
        let width = SAMPLE + width_of(key) + 14.0;
        if used + width > room + 14.0 {
            lines.push(Vec::new());
            used = 0.0;
        }
        used += width;
        if let Some(line) = lines.last_mut() {
            line.push(k);
        }
    }
    lines
}

type Drawn<DB> = Result<(), DrawingAreaErrorKind<<DB as DrawingBackend>::ErrorType>>;

/// A drawing surface in units, the origin at the top left.
struct Surface<'a, DB: DrawingBackend> {
    area: &'a DrawingArea<DB, plotters::coord::Shift>,
}

impl<DB: DrawingBackend> Surface<'_, DB> {
    fn at((x, y): (f64, f64)) -> (i32, i32) {
        (steps(x), steps(y))
    }

    fn stroke(ink: Ink, width: f64) -> ShapeStyle {
        colour(ink).stroke_width(steps(width) as u32)
    }

    fn line(&self, points: &[(f64, f64)], ink: Ink, dash: Dash, width: f64) -> Drawn<DB> {
        let path: Vec<(i32, i32)> = points.iter().copied().map(Self::at).collect();
        let style = Self::stroke(ink, width);
        let (on, off) = match dash {
            Dash::Solid => return self.area.draw(&PathElement::new(path, style)),
            Dash::Dashed => (7.0, 4.0),
            Dash::Dotted => (1.5, 3.5),
        };
        let (on, off) = (steps(on), steps(off));
        self.area
            .draw(&DashedPathElement::new(path, on, off, style))
    }

    fn area(&self, points: &[(f64, f64)], ink: Ink) -> Drawn<DB> {
        let corners: Vec<(i32, i32)> = points.iter().copied().map(Self::at).collect();
        self.area
            .draw(&Polygon::new(corners, colour(ink).mix(THIN).filled()))
    }

    fn bar(&self, from: (f64, f64), to: (f64, f64), ink: Ink) -> Drawn<DB> {
        self.area.draw(&Rectangle::new(
            [Self::at(from), Self::at(to)],
            colour(ink).filled(),
        ))
    }

    fn marker(&self, at: (f64, f64), marker: Marker, ink: Ink) -> Drawn<DB> {
        let (x, y) = Self::at(at);
        let filled = colour(ink).filled();
        let corners = |list: &[(f64, f64)]| -> Vec<(i32, i32)> {
            list.iter()
                .map(|(dx, dy)| (x + steps(*dx), y + steps(*dy)))
                .collect()
        };
        match marker {
            Marker::Dot => self
                .area
                .draw(&Circle::new((x, y), steps(2.6) as u32, filled)),
            Marker::Ring => {
                let style = Self::stroke(ink, 1.3);
                self.area
                    .draw(&Circle::new((x, y), steps(2.8) as u32, style))
            }
            Marker::Triangle => self.area.draw(&Polygon::new(
                corners(&[(0.0, -4.2), (3.9, 3.0), (-3.9, 3.0)]),
                filled,
            )),
            Marker::Square => self.area.draw(&Polygon::new(
                corners(&[(-3.0, -3.0), (3.0, -3.0), (3.0, 3.0), (-3.0, 3.0)]),
                filled,
            )),
        }
    }

    fn words(&self, at: (f64, f64), text: &str, anchor: Anchor, ink: Ink) -> Drawn<DB> {
        let horizontal = match anchor {
            Anchor::Start => HPos::Left,
            Anchor::Middle => HPos::Center,
            Anchor::End => HPos::Right,
        };
        self.area.draw(&Text::new(
            on_one_line(text),
            Self::at(at),
            words_style(ink, horizontal),
        ))
    }
}

/// How a panel's values become places.
struct Field<'a> {
    layout: &'a Layout,
    x: &'a Axis,
    range: Axis,
    top: f64,
    bottom: f64,
}

impl Field<'_> {
    fn at(&self, (x, y): (f64, f64)) -> (f64, f64) {
        let up = self.range.place(y).clamp(0.0, 1.0);
        (
            self.layout
                .x(self.x, x)
                .clamp(self.layout.left, self.layout.right),
            self.bottom - up * (self.bottom - self.top),
        )
    }

    fn all(&self, points: &[(f64, f64)]) -> Vec<(f64, f64)> {
        points.iter().map(|p| self.at(*p)).collect()
    }
}

fn draw<DB: DrawingBackend>(
    picture: &Picture,
    layout: &Layout,
    area: &DrawingArea<DB, plotters::coord::Shift>,
    titled: bool,
) -> Drawn<DB> {
    let surface = Surface { area };
    if titled {
        let at = (EDGE, EDGE + 0.5 * LINE);
        surface.words(at, &picture.title, Anchor::Start, Ink::Text)?;
    }
    if let Some(top) = &picture.top {
        let y = layout.top;
        surface.words(
            (layout.right, y + 0.5 * LINE),
            &top.label,
            Anchor::End,
            Ink::Muted,
        )?;
        for (value, words) in top.ticks(5) {
            let x = layout.x(top, value);
            let half = 0.5 * width_of(&words);
            if x - half >= 0.0 && x + half <= WIDTH {
                surface.words((x, y + 1.5 * LINE), &words, Anchor::Middle, Ink::Muted)?;
            }
        }
    }
    for (panel, (begin, legend, top, bottom)) in picture.panels.iter().zip(&layout.panels) {
        let field = Field {
            layout,
            x: &picture.x,
            range: Axis::hidden(panel.y.as_ref().map_or(panel.range, |a| a.range)),
            top: *top,
            bottom: *bottom,
        };
        frame(&surface, picture, panel, &field)?;
        let mut y = begin + 0.5 * LINE;
        if let Some(axis) = panel.y.as_ref().filter(|a| !a.label.is_empty()) {
            surface.words((EDGE, y), &axis.label, Anchor::Start, Ink::Muted)?;
            y += LINE;
        }
        for line in legend {
            let mut x = EDGE;
            for &k in line {
                x = key(&surface, &panel.marks[k], (x, y))?;
            }
            y += LINE;
        }
        for mark in &panel.marks {
            draw_mark(&surface, mark, &field)?;
        }
    }
    if let (false, Some((_, _, _, bottom))) = (picture.x.label.is_empty(), layout.panels.last()) {
        let mut free = 0.0;
        for (value, words) in picture.x.ticks(6) {
            let x = layout.x(&picture.x, value);
            let half = 0.5 * width_of(&words);
            // words that would touch those before them, or leave the picture
            if x - half > free && x + half <= WIDTH {
                let at = (x, bottom + 4.0 + 0.5 * LINE);
                surface.words(at, &words, Anchor::Middle, Ink::Text)?;
                free = x + half + 4.0;
            }
        }
        let at = (layout.right, bottom + 2.0 + 1.5 * LINE);
        surface.words(at, &picture.x.label, Anchor::End, Ink::Muted)?;
    }
    area.present()
}

/// Lines to read values by, words at the left, and the edge.
fn frame<DB: DrawingBackend>(
    surface: &Surface<'_, DB>,
    picture: &Picture,
    panel: &Panel,
    field: &Field<'_>,
) -> Drawn<DB> {
    let (left, right) = (field.layout.left, field.layout.right);
    if !picture.x.label.is_empty() {
        for (value, _) in picture.x.ticks(6) {
            let x = field.layout.x(&picture.x, value);
            let line = [(x, field.top), (x, field.bottom)];
            surface.line(&line, Ink::Grid, Dash::Solid, 0.75)?;
        }
    }
    if let Some(axis) = &panel.y {
        // as many as there is room for
        let count = (panel.height / 30.0).clamp(3.0, 6.0) as usize;
        let ticks: Vec<(f64, String)> = axis
            .ticks(count)
            .into_iter()
            .map(|(value, words)| (field.at((picture.x.range.0, value)).1, words))
            .collect();
        for (y, _) in &ticks {
            surface.line(&[(left, *y), (right, *y)], Ink::Grid, Dash::Solid, 0.75)?;
        }
        for (y, words) in &ticks {
            surface.words((left - 5.0, *y), words, Anchor::End, Ink::Text)?;
        }
    }
    if !picture.x.label.is_empty() {
        let line = [(left, field.bottom), (right, field.bottom)];
        surface.line(&line, Ink::Text, Dash::Solid, 1.0)?;
    }
    Ok(())
}

/// An entry of the legend; returns where the next one begins.
fn key<DB: DrawingBackend>(
    surface: &Surface<'_, DB>,
    mark: &Mark,
    (x, y): (f64, f64),
) -> Result<f64, DrawingAreaErrorKind<DB::ErrorType>> {
    let (from, to) = (x, x + SAMPLE - 8.0);
    let corners = [
        (from, y - 5.0),
        (to, y - 5.0),
        (to, y + 5.0),
        (from, y + 5.0),
    ];
    match mark {
        Mark::Line { ink, dash, .. } => surface.line(&[(from, y), (to, y)], *ink, *dash, 1.6)?,
        Mark::Band { ink, .. } | Mark::Area { ink, .. } => {
            surface.area(&corners, *ink)?;
            for edge in [y - 5.0, y + 5.0] {
                surface.line(&[(from, edge), (to, edge)], *ink, Dash::Solid, 0.75)?;
            }
        }
        Mark::Bar { ink, .. } => surface.bar(corners[0], corners[2], *ink)?,
        Mark::Points { ink, marker, .. } => {
            surface.marker((0.5 * (from + to), y), *marker, *ink)?
        }
        Mark::Words { .. } => {}
    }
    let words = mark.key().unwrap_or_default();
    surface.words((x + SAMPLE, y), words, Anchor::Start, Ink::Text)?;
    Ok(x + SAMPLE + width_of(words) + 14.0)
}

fn draw_mark<DB: DrawingBackend>(
    surface: &Surface<'_, DB>,
    mark: &Mark,
    field: &Field<'_>,
) -> Drawn<DB> {
    match mark {
        Mark::Line {
            points, ink, dash, ..
        } => {
            let width = match ink {
                Ink::Grid => 0.75,
                Ink::Muted => 1.0,
                _ => 1.6,
            };
            surface.line(&field.all(points), *ink, *dash, width)
        }
        Mark::Band { edges, ink, .. } => {
            let lower: Vec<_> = edges.iter().map(|e| field.at((e.0, e.1))).collect();
            let upper: Vec<_> = edges.iter().map(|e| field.at((e.0, e.2))).collect();
            let mut outline = lower.clone();
            outline.extend(upper.iter().rev());
            surface.area(&outline, *ink)?;
            surface.line(&lower, *ink, Dash::Solid, 0.6)?;
            surface.line(&upper, *ink, Dash::Solid, 0.6)
        }
        Mark::Points {
            points,
            ink,
            marker,
            ..
        } => {
            for (x, y, half) in points.iter().filter(|p| p.2 > 0.0) {
                let bar = [field.at((*x, y - half)), field.at((*x, y + half))];
                surface.line(&bar, *ink, Dash::Solid, 0.9)?;
            }
            let inside = |y: f64| (-1e-9..=1.0 + 1e-9).contains(&field.range.place(y));
            for (x, y, _) in points.iter().filter(|p| inside(p.1)) {
                surface.marker(field.at((*x, *y)), *marker, *ink)?;
            }
            Ok(())
        }
        Mark::Area { points, ink, .. } => surface.area(&field.all(points), *ink),
        Mark::Bar { from, to, ink, .. } => surface.bar(field.at(*from), field.at(*to), *ink),
        Mark::Words {
            at,
            text,
            anchor,
            ink,
        } => {
            let (x, y) = field.at(*at);
            let text = match anchor {
                Anchor::Start => fitting(text, WIDTH - x),
                _ => text.clone(),
            };
            surface.words((x, y), &text, *anchor, *ink)
        }
    }
}

/// As much of a text as there is room for: what it begins and ends with, since names differ at their ends and
/// figures stand there.
fn fitting(text: &str, room: f64) -> String {
    let mut shown = on_one_line(text);
    let whole: Vec<char> = shown.chars().collect();
    let mut kept = whole.len();
    while width_of(&shown) > room && kept > 0 {
        kept -= 1;
        let [first, last] = [kept.div_ceil(2), whole.len() - kept / 2];
        shown =
            String::from_iter(&whole[..first]) + "\u{2026}" + &String::from_iter(&whole[last..]);
    }
    shown
}

fn to_svg(picture: &Picture, titled: bool) -> Result<(Markup, (u32, u32)), DrawError> {
    let failed = |reason: String| DrawError {
        name: picture.name.clone(),
        reason,
    };
    if !font_ready() {
        return Err(failed("the font is damaged".to_owned()));
    }
    let layout = Layout::new(picture, titled);
    let size = (steps(WIDTH) as u32, steps(layout.height) as u32);
    let mut text = String::new();
    {
        let area = SVGBackend::with_string(&mut text, size).into_drawing_area();
        draw(picture, &layout, &area, titled).map_err(|e| failed(e.to_string()))?;
    }
    // what the backend puts before and after is ours to say
    let body = text.split_once('\n').map_or("", |(_, rest)| rest);
    let body = body.trim_end().trim_end_matches("</svg>");
    Ok((PreEscaped(compact(body)), size))
}

/// Says the same in fewer bytes: lines of one style that follow each other
/// become one path, dots as well, and what all words share is said once. The
/// backend writes an element a line, words on the line after their opening tag.
fn compact(body: &str) -> String {
    let family = format!(" font-family=\"{FAMILY}\"");
    let body = body
        .replace(" opacity=\"1\"", "")
        .replace(&family, "")
        .replace("\">\n", "\">")
        .replace("\n</text>", "</text>");
    let mut out = format!("<g{family} font-size=\"{}\">\n", TEXT * STEPS);
    let (mut style, mut path) = (String::new(), String::new());
    for line in body.lines().chain([""]) {
        let piece = polyline(line).or_else(|| dot(line));
        if !path.is_empty() && piece.as_ref().is_none_or(|(s, _)| *s != style) {
            out += &format!("<path fill=\"none\" {style} d=\"{path}\"/>\n");
            path.clear();
        }
        if let Some((own, points)) = piece {
            style = own;
            path += &points;
        } else if !line.is_empty() {
            out += &without_size(line);
            out.push('\n');
        }
    }
    out + "</g>\n"
}

/// Style and path of a line.
fn polyline(line: &str) -> Option<(String, String)> {
    let rest = line.strip_prefix("<polyline fill=\"none\" ")?;
    let (style, points) = rest.split_once(" points=\"")?;
    let points = points.strip_suffix("\"/>")?.trim_end();
    (!style.contains("opacity")).then(|| (style.to_owned(), format!("M{points}")))
}

/// A filled circle as a point of a round pen.
fn dot(line: &str) -> Option<(String, String)> {
    let rest = line.strip_prefix("<circle cx=\"")?;
    let (x, rest) = rest.split_once("\" cy=\"")?;
    let (y, rest) = rest.split_once("\" r=\"")?;
    let (r, rest) = rest.split_once("\" fill=\"")?;
    let (fill, rest) = rest.split_once('"')?;
    let width = 2 * r.parse::<u32>().ok()?;
    rest.contains("stroke=\"none\"").then(|| {
        (
            format!("stroke=\"{fill}\" stroke-width=\"{width}\" stroke-linecap=\"round\""),
            format!("M{x},{y}h0"),
        )
    })
}

/// Words without their size, which all have in common.
fn without_size(line: &str) -> String {
    match line.split_once(" font-size=\"") {
        Some((before, after)) if line.starts_with("<text") => {
            let after = after.split_once('"').map_or("", |(_, rest)| rest);
            format!("{before}{after}")
        }
        _ => line.to_owned(),
    }
}

/// Name and alternative in words; `id` begins their names.
fn named(picture: &Picture, id: &str) -> Markup {
    html! {
        title id={ (id) "t" } { (shown(&picture.title)) }
        desc id={ (id) "d" } { (shown(&picture.description)) }
    }
}

/// The picture for a page: no title in it, since the page has a heading; with its
/// alternative in words. `id` begins names that are unique in the page.
///
/// # Errors
///
/// When the backend fails, which it has no reason to.
pub fn svg(picture: &Picture, id: &str) -> Result<Markup, DrawError> {
    let (body, (width, height)) = to_svg(picture, false)?;
    Ok(html! {
        svg role="img" aria-labelledby={ (id) "t " (id) "d" } viewBox={ "0 0 " (width) " " (height) } {
            (named(picture, id))
            (body)
        }
    })
}

/// The picture as a file of its own, on white.
///
/// # Errors
///
/// When the backend fails, which it has no reason to.
pub fn svg_file(picture: &Picture) -> Result<String, DrawError> {
    let (body, (width, height)) = to_svg(picture, true)?;
    let [wide, high] = [width, height].map(|length| f64::from(length) / STEPS);
    let svg = html! {
        svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="t d" width=(wide)
            height=(high) viewBox={ "0 0 " (width) " " (height) } {
            (named(picture, ""))
            rect width=(width) height=(height) fill="#FFFFFF" {}
            (body)
        }
        "\n"
    };
    Ok(svg.into_string())
}

/// The picture as a PNG file, on white.
///
/// # Errors
///
/// When the backend or the encoder fails, which they have no reason to.
pub fn png_file(picture: &Picture) -> Result<Vec<u8>, DrawError> {
    let failed = |reason: String| DrawError {
        name: picture.name.clone(),
        reason,
    };
    if !font_ready() {
        return Err(failed("the font is damaged".to_owned()));
    }
    let layout = Layout::new(picture, true);
    let size = (steps(WIDTH) as u32, steps(layout.height) as u32);
    let mut pixels = vec![0xff; 3 * (size.0 * size.1) as usize];
    {
        let backend = BitMapBackend::with_buffer(&mut pixels, size);
        draw(picture, &layout, &backend.into_drawing_area(), true)
            .map_err(|e| failed(e.to_string()))?;
    }
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, size.0, size.1);
    encoder.set_color(png::ColorType::Rgb);
    encoder
        .add_text_chunk("Software".to_owned(), env!("CARGO_PKG_NAME").to_owned())
        .and_then(|()| encoder.write_header())
        .and_then(|mut writer| writer.write_image_data(&pixels))
        .map_err(|e| failed(e.to_string()))?;
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values of any size leave room to draw in.
    #[test]
    fn the_widest_numbers_leave_half_of_the_picture() {
        for high in [1.0, 1e30, 1e300] {
            let range = (-high, high);
            let picture = Picture {
                name: "wide".to_owned(),
                title: "Wide numbers".to_owned(),
                caption: String::new(),
                description: String::new(),
                x: Axis::hertz((100.0, 15_000.0)),
                top: None,
                panels: vec![Panel {
                    y: Some(Axis::linear("volts", range)),
                    range,
                    height: 100.0,
                    marks: vec![Mark::line(
                        vec![(100.0, -high), (15_000.0, high)],
                        Ink::First,
                        Dash::Solid,
                    )],
                }],
            };
            let layout = Layout::new(&picture, false);
            assert!(layout.right - layout.left > 0.4 * WIDTH, "{high}");
            assert!(svg(&picture, "t").is_ok(), "{high}");
        }
    }

    /// Both ends of a long name stay, and what fits is whole.
    #[test]
    fn long_words_lose_their_middle() {
        assert!(font_ready());
        let text = format!("setup {} 17: +3.2 deg", "very ".repeat(40));
        let shown = fitting(&text, 200.0);
        assert!(
            width_of(&shown) <= 200.0 && width_of(&shown) > 180.0,
            "{shown}"
        );
        assert!(shown.starts_with("setup very") && shown.ends_with("17: +3.2 deg"));
        assert_eq!(fitting("setup 17", 200.0), "setup 17");
        assert_eq!(fitting(&text, 0.0).chars().count(), 1);
    }

    #[test]
    fn words_of_an_axis_stay_within_the_picture() {
        for range in [(-1.505, 1.505), (-1.2, 1.6), (-1000.0, 1000.0), (0.0, 0.05)] {
            let picture = Picture {
                name: "axis".to_owned(),
                title: "An axis".to_owned(),
                caption: String::new(),
                description: String::new(),
                x: Axis::linear("volts", range),
                top: Some(Axis::linear("millimetres", range)),
                panels: vec![Panel {
                    y: None,
                    range: (-1.0, 0.0),
                    height: 20.0,
                    marks: Vec::new(),
                }],
            };
            let drawn = svg(&picture, "t").unwrap();
            let words: Vec<(f64, &str)> = drawn
                .0
                .lines()
                .filter(|line| line.contains("text-anchor=\"middle\""))
                .filter_map(|line| line.strip_prefix("<text x=\""))
                .map(|rest| {
                    let x = rest.split('"').next().unwrap().parse().unwrap();
                    let text = rest.split_once('>').unwrap().1;
                    (x, text.trim_end_matches("</text>"))
                })
                .collect();
            assert!(words.len() >= 6, "{range:?}: {words:?}");
            for (x, text) in words {
                let half = 0.5 * width_of(text) * STEPS;
                assert!(x - half >= 0.0, "{range:?}: {text} from {}", x - half);
                assert!(x + half <= WIDTH * STEPS, "{range:?}: {text}");
            }
        }
    }
}
