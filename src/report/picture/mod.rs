//! Pictures: what is drawn is described here, how it is drawn in the part `draw`.
//!
//! A [`Picture`] is a list of panels with one horizontal axis; a panel is a list
//! of marks in the units of its axes. One function makes each picture of what
//! the results carry; none computes a result.

mod axis;
mod calibration;
mod draw;
mod recording;
mod results;

pub use axis::{Axis, Scale};
pub use calibration::calibration;
pub(super) use draw::svg;
pub use draw::{DrawError, INKS, png_file, svg_file};
pub use recording::recording;
pub use results::{
    budget, comparison, contact, outcomes, over_radius, over_time, rotations, series, unknowns,
};

use crate::uncertainty::{Quantity, plain};

/// A picture of a result.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// Its name on the command line.
    pub name: String,
    /// Heading.
    pub title: String,
    /// What it shows and how to read it.
    pub caption: String,
    /// The same for those who do not see it, with its figures.
    pub description: String,
    /// What it is drawn over.
    pub x: Axis,
    /// A second scale over the top: where the first panel begins and ends on it.
    pub top: Option<Axis>,
    /// Panels, from the top.
    pub panels: Vec<Panel>,
}

/// One field of a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// Vertical axis; `None` for rows that carry their own words.
    pub y: Option<Axis>,
    /// Lowest and highest value drawn where there is no axis.
    pub range: (f64, f64),
    /// Height, in units of about a pixel.
    pub height: f64,
    /// What is in it, the hindmost first.
    pub marks: Vec<Mark>,
}

/// Colours, by their use.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// Words and frames.
    Text,
    /// Lesser words, references.
    Muted,
    /// Lines to read values by.
    Grid,
    /// First series.
    First,
    /// Second series.
    Second,
    /// Third series.
    Third,
}

/// How a line is broken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dash {
    /// Not at all.
    Solid,
    /// Long pieces.
    Dashed,
    /// Short pieces.
    Dotted,
}

/// The shape of a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Marker {
    /// Filled circle.
    Dot,
    /// Open circle.
    Ring,
    /// Filled triangle.
    Triangle,
    /// Filled square.
    Square,
}

/// Where a text stands from its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// To the right of it.
    Start,
    /// About it.
    Middle,
    /// To the left of it.
    End,
}

/// Something drawn, in the units of the axes. `key` names it in the legend.
#[derive(Debug, Clone, PartialEq)]
pub enum Mark {
    /// A line through points.
    Line {
        /// Its points.
        points: Vec<(f64, f64)>,
        /// Its colour.
        ink: Ink,
        /// How it is broken.
        dash: Dash,
        /// Its words in the legend.
        key: Option<&'static str>,
    },
    /// The area between two curves: abscissa, lower, upper.
    Band {
        /// Its edges.
        edges: Vec<(f64, f64, f64)>,
        /// Its colour.
        ink: Ink,
        /// Its words in the legend.
        key: Option<&'static str>,
    },
    /// Points with a bar of this half length: abscissa, ordinate, half.
    Points {
        /// The points; a half length of 0 draws no bar.
        points: Vec<(f64, f64, f64)>,
        /// Their colour.
        ink: Ink,
        /// Their shape.
        marker: Marker,
        /// Their words in the legend.
        key: Option<&'static str>,
    },
    /// A closed area.
    Area {
        /// Its corners.
        points: Vec<(f64, f64)>,
        /// Its colour, laid thinly.
        ink: Ink,
        /// Its words in the legend.
        key: Option<&'static str>,
    },
    /// A bar of full colour between two corners.
    Bar {
        /// One corner.
        from: (f64, f64),
        /// The opposite one.
        to: (f64, f64),
        /// Its colour.
        ink: Ink,
        /// Its words in the legend.
        key: Option<&'static str>,
    },
    /// Words.
    Words {
        /// Where.
        at: (f64, f64),
        /// What.
        text: String,
        /// On which side of that.
        anchor: Anchor,
        /// Their colour.
        ink: Ink,
    },
}

impl Mark {
    fn line(points: Vec<(f64, f64)>, ink: Ink, dash: Dash) -> Self {
        Self::Line {
            points,
            ink,
            dash,
            key: None,
        }
    }

    fn points(points: Vec<(f64, f64, f64)>, ink: Ink, marker: Marker) -> Self {
        Self::Points {
            points,
            ink,
            marker,
            key: None,
        }
    }

    fn area(points: Vec<(f64, f64)>, ink: Ink) -> Self {
        Self::Area {
            points,
            ink,
            key: None,
        }
    }

    fn words(at: (f64, f64), text: impl Into<String>, anchor: Anchor, ink: Ink) -> Self {
        Self::Words {
            at,
            text: text.into(),
            anchor,
            ink,
        }
    }

    fn key(&self) -> Option<&'static str> {
        match self {
            Self::Line { key, .. }
            | Self::Band { key, .. }
            | Self::Points { key, .. }
            | Self::Area { key, .. }
            | Self::Bar { key, .. } => *key,
            Self::Words { .. } => None,
        }
    }

    fn keyed(mut self, words: &'static str) -> Self {
        match &mut self {
            Self::Line { key, .. }
            | Self::Band { key, .. }
            | Self::Points { key, .. }
            | Self::Area { key, .. }
            | Self::Bar { key, .. } => *key = Some(words),
            Self::Words { .. } => {}
        }
        self
    }
}

/// Names of pictures with what they show, for `--plot help`.
pub const NAMES: &[(&str, &str)] = &[
    (
        "contact",
        "stylus and groove seen from above, to scale, turned by the angle with its band",
    ),
    (
        "rotations",
        "the rotation of every setup with its band, against the tolerance",
    ),
    ("budget", "contributions to the uncertainty"),
    ("unknowns", "each unknown before and after the adjustment"),
    ("turns", "delay against known turns, with the zero crossing"),
    (
        "speeds",
        "delay against the reciprocal of the groove's speed, with the skew as intercept",
    ),
    (
        "over-radius",
        "delay over the radius of a recording taken in stretches, with the fitted curve",
    ),
    (
        "over-time",
        "rotation of a cartridge's setups over their dates or the hours played",
    ),
    ("before-after", "two setups with their bands"),
    (
        "phase",
        "phase against frequency with fit, its band and residuals",
    ),
    ("spectra", "spectra of both channels and their coherence"),
    (
        "along",
        "delay along the recording, and over the radius where it changes",
    ),
    ("correlation", "correlation of the channels near its peak"),
    (
        "chain-phase",
        "calibration: phase of the right channel against the left",
    ),
    (
        "chain-gain",
        "calibration: gain of the right channel against the left, and coherence",
    ),
    (
        "separation",
        "calibration: channel separation over frequency",
    ),
    (
        "outcomes",
        "check: how many jobs passed, failed, are undecided or unusable",
    ),
];

/// The lowest and highest of some values, which span something.
fn span(values: impl IntoIterator<Item = f64>) -> (f64, f64) {
    let (low, high) = values
        .into_iter()
        .filter(|v| v.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
            (l.min(v), h.max(v))
        });
    if low > high {
        (-1.0, 1.0)
    } else if low == high {
        (low - 0.5, high + 0.5)
    } else {
        (low, high)
    }
}

/// A span with a margin of a twentieth on both sides.
fn roomy((low, high): (f64, f64)) -> (f64, f64) {
    let margin = 0.05 * (high - low);
    (low - margin, high + margin)
}

/// A number with its sign and a true minus.
fn signed(value: f64, decimals: usize) -> String {
    let text = plain(value.abs(), decimals);
    if text.trim_matches(['0', '.']).is_empty() {
        text
    } else if value < 0.0 {
        format!("\u{2212}{text}")
    } else {
        format!("+{text}")
    }
}

/// The bounds of a finite band.
fn bounds(quantity: &Quantity) -> Option<(f64, f64)> {
    let interval = &quantity.interval;
    match (interval.shape, interval.lower, interval.upper) {
        (crate::uncertainty::IntervalShape::Finite, Some(l), Some(u)) => Some((l, u)),
        _ => None,
    }
}
