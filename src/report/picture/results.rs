//! Rotations, budgets, unknowns and series.

use super::{Anchor, Axis, Dash, Ink, Mark, Marker, Panel, Picture, bounds, roomy, signed, span};
use crate::check::Outcome;
use crate::job::{
    ContactView, History, OverRadius, Series, SeriesPoint, StretchResult, UnknownUpdate,
};
use crate::report::check::CheckDocument;
use crate::report::text;
use crate::uncertainty::{BudgetLine, Direction, Quantity, plain, rounded, rounded_u};
use crate::units::DEGREE;

/// Height of a row with words above its bar.
const ROW: f64 = 40.0;
/// Rows shown at most; more are not read.
const MOST_ROWS: usize = 40;
/// Budget lines shown one by one.
const MOST_LINES: usize = 9;
/// Unknowns shown, those that learned most first.
const MOST_UNKNOWNS: usize = 14;
/// Share of the prior's uncertainty from which on nothing was learned.
const LEARNED: f64 = 0.98;

/// A panel of rows, counted from the top.
fn rows(count: usize, marks: Vec<Mark>) -> Panel {
    Panel {
        y: None,
        range: (-(count as f64), 0.0),
        height: ROW * count as f64,
        marks,
    }
}

/// Where the words and the bar of a row stand.
fn row(k: usize) -> (f64, f64) {
    let top = -(k as f64);
    (top - 0.3, top - 0.72)
}

/// Half the height of a bar's ends.
const CAP: f64 = 0.1;

/// A bar with ends.
fn interval(marks: &mut Vec<Mark>, (low, high): (f64, f64), y: f64, ink: Ink, dash: Dash) {
    marks.push(Mark::line(vec![(low, y), (high, y)], ink, dash));
    for x in [low, high] {
        marks.push(Mark::line(
            vec![(x, y - CAP), (x, y + CAP)],
            ink,
            Dash::Solid,
        ));
    }
}

/// Decimals that show an uncertainty with two digits, for a bound.
fn decimals(u: f64) -> usize {
    rounded_u(u).split_once('.').map_or(0, |(_, d)| d.len())
}

/// "+3.2 (+1.0 to +5.4) deg".
fn short(quantity: &Quantity) -> String {
    let d = decimals(quantity.standard_uncertainty);
    match bounds(quantity) {
        Some((low, high)) => format!(
            "{} ({} to {}) deg",
            signed(quantity.value, d),
            signed(low, d),
            signed(high, d)
        ),
        None => format!("{} deg, no finite band", signed(quantity.value, d)),
    }
}

fn shown(name: &str) -> &str {
    if name.is_empty() { "stylus" } else { name }
}

/// Rotations with their bands, one a row, against the tolerance.
pub fn rotations(list: &[(String, Quantity)], tolerance_deg: Option<f64>) -> Option<Picture> {
    rows_of_rotations(list, list.len(), tolerance_deg)
}

/// The same, the tolerance being that of the first `held` alone.
fn rows_of_rotations(
    list: &[(String, Quantity)],
    held: usize,
    tolerance_deg: Option<f64>,
) -> Option<Picture> {
    let list = &list[..list.len().min(MOST_ROWS)];
    if list.is_empty() {
        return None;
    }
    let extent = list.iter().flat_map(|(_, q)| {
        let (low, high) = bounds(q).unwrap_or((q.value, q.value));
        [low, high, q.value]
    });
    let tolerance = tolerance_deg.iter().flat_map(|t| [-t, *t]);
    let range = roomy(span(extent.chain(tolerance).chain([0.0])));
    let mut marks = Vec::new();
    let markers = [Marker::Dot, Marker::Triangle, Marker::Square, Marker::Ring];
    let mut words = Vec::new();
    for (k, (name, q)) in list.iter().enumerate() {
        let (title, y) = row(k);
        // beside the bar alone, so that no line crosses the words
        let (upper, lower) = (y + 0.22, y - 0.22);
        if let Some(t) = tolerance_deg.filter(|_| k < held) {
            let corners = vec![(-t, lower), (t, lower), (t, upper), (-t, upper)];
            marks.push(Mark::area(corners, Ink::Third).keyed("within the tolerance"));
            for x in [-t, t] {
                let edge = vec![(x, lower), (x, upper)];
                marks.push(Mark::line(edge, Ink::Third, Dash::Solid));
            }
        }
        let zero = vec![(0.0, lower), (0.0, upper)];
        marks.push(Mark::line(zero, Ink::Muted, Dash::Solid));
        let text = format!("{}: {}", shown(name), short(q));
        marks.push(Mark::words(
            (range.0, title),
            text.clone(),
            Anchor::Start,
            Ink::Text,
        ));
        if let Some(ends) = bounds(q) {
            interval(&mut marks, ends, y, Ink::First, Dash::Solid);
        }
        let marker = markers[k % markers.len()];
        marks.push(Mark::points(vec![(q.value, y, 0.0)], Ink::First, marker));
        words.push(text);
    }
    let limits = tolerance_deg.map_or_else(String::new, |t| {
        format!(" Tolerance: {t} degrees either way.")
    });
    Some(Picture {
        name: "rotations".to_owned(),
        title: "Rotations with their bands".to_owned(),
        caption: format!(
            "Clockwise seen from above is positive; bars are {} % bands.",
            plain(100.0 * list[0].1.interval.coverage, 0)
        ),
        description: format!("{}.{limits}", words.join("; ")),
        x: Axis::linear("rotation / degrees", range),
        top: None,
        panels: vec![rows(list.len(), marks)],
    })
}

/// Two setups of a comparison with the change between them.
pub fn comparison(
    (before, first): (&str, &Quantity),
    (after, second): (&str, &Quantity),
    change: &Quantity,
    tolerance_deg: Option<f64>,
) -> Option<Picture> {
    let list = [
        (format!("before, {}", shown(before)), *first),
        (format!("after, {}", shown(after)), *second),
        ("change".to_owned(), *change),
    ];
    // a tolerance holds for rotations, not for their change
    let mut picture = rows_of_rotations(&list, 2, tolerance_deg)?;
    picture.name = "before-after".to_owned();
    picture.title = "Before and after".to_owned();
    picture.caption.push_str(
        " What both setups share cancels in the change, so its band may be the narrower one.",
    );
    Some(picture)
}

/// What an uncertainty consists of. `of` says whose it is.
pub fn budget(lines: &[BudgetLine], suffix: &str, of: &str) -> Option<Picture> {
    if lines.is_empty() {
        return None;
    }
    let one_by_one = &lines[..lines.len().min(MOST_LINES)];
    let highest = one_by_one.iter().map(|l| l.share).fold(0.0, f64::max);
    // room for the words behind the longest bar
    let range = (0.0, 100.0 * highest * 1.4);
    let mut marks = Vec::new();
    let mut words = Vec::new();
    for (k, line) in one_by_one.iter().enumerate() {
        let (title, y) = row(k);
        let percent = plain(100.0 * line.share, 1);
        let figures = format!("{percent} %, {} deg", rounded_u(line.standard_uncertainty));
        marks.push(Mark::words(
            (0.0, title),
            &*line.source,
            Anchor::Start,
            Ink::Text,
        ));
        marks.push(Mark::Bar {
            from: (0.0, y - 0.14),
            to: (100.0 * line.share, y + 0.14),
            ink: Ink::First,
            key: None,
        });
        marks.push(Mark::words(
            (100.0 * line.share + 0.015 * range.1, y),
            figures.clone(),
            Anchor::Start,
            Ink::Muted,
        ));
        words.push(format!("{} {figures}", line.source));
    }
    let rest = lines.len() - one_by_one.len();
    let others = if rest > 0 {
        format!(" The table has more of the {rest} smaller ones.")
    } else {
        String::new()
    };
    Some(Picture {
        name: format!("budget{suffix}"),
        title: format!("What limits it{of}"),
        caption: format!("Share of the variance, and standard uncertainty contributed.{others}"),
        description: format!("{}.{others}", words.join("; ")),
        x: Axis::hidden(range),
        top: None,
        panels: vec![rows(one_by_one.len(), marks)],
    })
}

/// Unknowns before and after the captures, those that learned most first.
pub fn unknowns(list: &[UnknownUpdate]) -> Option<Picture> {
    let mut order: Vec<&UnknownUpdate> = list.iter().filter(|l| l.narrowed < LEARNED).collect();
    order.sort_by(|a, b| a.narrowed.total_cmp(&b.narrowed));
    order.truncate(MOST_UNKNOWNS);
    if order.is_empty() {
        return None;
    }
    let widest = order
        .iter()
        .map(|l| l.moved.abs() + l.narrowed)
        .fold(1.2, f64::max);
    let range = (-1.05 * widest, 1.05 * widest);
    let mut marks = vec![Mark::line(
        vec![(0.0, 0.0), (0.0, -(order.len() as f64))],
        Ink::Grid,
        Dash::Solid,
    )];
    let mut words = Vec::new();
    for (k, l) in order.iter().enumerate() {
        let (title, y) = row(k);
        let d = decimals(l.posterior.1);
        let unit = if l.unit.is_empty() { "" } else { " " };
        let text = format!(
            "{} u {}{unit}{}: {}",
            signed(l.posterior.0, d),
            plain(l.posterior.1, d),
            l.unit,
            l.words
        );
        marks.push(Mark::words(
            (range.0, title),
            text.clone(),
            Anchor::Start,
            Ink::Text,
        ));
        interval(&mut marks, (-1.0, 1.0), y + 0.06, Ink::Muted, Dash::Dotted);
        let ends = (l.moved - l.narrowed, l.moved + l.narrowed);
        interval(&mut marks, ends, y - 0.1, Ink::First, Dash::Solid);
        let at = vec![(l.moved, y - 0.1, 0.0)];
        marks.push(Mark::points(at, Ink::First, Marker::Dot));
        words.push(format!(
            "{text}, before {} u {}",
            signed(l.prior.0, decimals(l.prior.1)),
            rounded_u(l.prior.1)
        ));
    }
    // words for the legend
    marks.push(Mark::line(vec![(0.0, 0.0)], Ink::Muted, Dash::Dotted).keyed("before"));
    marks.push(Mark::line(vec![(0.0, 0.0)], Ink::First, Dash::Solid).keyed("after the captures"));
    let rest = list.len() - order.len();
    let others = if rest > 0 {
        format!(" {rest} more, of which little or nothing was learned, are in the table.")
    } else {
        String::new()
    };
    Some(Picture {
        name: "unknowns".to_owned(),
        title: "Each unknown before and after".to_owned(),
        caption: format!(
            "In standard uncertainties of the prior: a bar much shorter than the dotted one was measured, a bar as long was only assumed.{others}"
        ),
        description: format!("{}.{others}", words.join("; ")),
        x: Axis::linear("standard uncertainties of the prior", range),
        top: None,
        panels: vec![rows(order.len(), marks)],
    })
}

/// Delay over the radius of a recording taken in stretches, with the adjustment through it.
pub fn over_radius(curve: &OverRadius, suffix: &str, of: &str) -> Picture {
    let stretches = curve.stretches.iter();
    let edges = |p: &SeriesPoint| {
        let u = p.standard_uncertainty_us;
        (p.x, p.delay_us - u, p.delay_us + u)
    };
    let predicted: Vec<_> = stretches.clone().map(StretchResult::predicted).collect();
    let measured: Vec<_> = stretches.clone().map(StretchResult::measured).collect();
    let point = |p: &SeriesPoint| (p.x, p.delay_us, p.standard_uncertainty_us);
    let line: Vec<_> = predicted.iter().map(|p| (p.x, p.delay_us)).collect();
    let residuals: Vec<_> = measured
        .iter()
        .zip(&predicted)
        .map(|(m, p)| (m.x, m.delay_us - p.delay_us, m.standard_uncertainty_us))
        .collect();
    let largest = |values: &mut dyn Iterator<Item = f64>| values.fold(0.0, f64::max);
    let reach = 1.2 * largest(&mut residuals.iter().map(|r| r.1.abs() + r.2));
    let delays = roomy(span(predicted.iter().chain(&measured).flat_map(|p| {
        let u = p.standard_uncertainty_us;
        [p.delay_us - u, p.delay_us + u]
    })));
    let ends = stretches.clone().flat_map(|s| s.radius_mm);
    let stretched = |points| Mark::points(points, Ink::First, Marker::Dot).keyed("stretches");
    let upper = vec![
        Mark::Band {
            edges: predicted.iter().map(edges).collect(),
            ink: Ink::Second,
            key: Some("standard uncertainty as adjusted"),
        },
        Mark::line(line, Ink::Second, Dash::Dashed).keyed("as adjusted"),
        stretched(measured.iter().map(point).collect()),
    ];
    let words = measured.iter().zip(&predicted).map(|(m, p)| {
        format!(
            "{} us at {} mm, as adjusted {} us",
            rounded(m.delay_us, m.standard_uncertainty_us),
            plain(m.x, 1),
            rounded(p.delay_us, m.standard_uncertainty_us)
        )
    });
    Picture {
        name: format!("over-radius{suffix}"),
        title: format!("Delay over the radius{of}"),
        caption: "The groove's part grows towards the centre, where the groove is slower; that of chain and cartridge is the same everywhere. The cartridge's response is removed as adjusted. Bars: one standard uncertainty of each stretch by itself. Shading: one standard uncertainty of the adjusted delay, mostly shared by all stretches. Below: measured minus adjusted.".to_owned(),
        description: format!("{}.", words.collect::<Vec<_>>().join("; ")),
        x: Axis::linear("radius / mm", span(ends)),
        top: None,
        panels: vec![
            Panel {
                y: Some(Axis::linear("delay / us", delays)),
                range: delays,
                height: 170.0,
                marks: upper,
            },
            Panel {
                y: Some(Axis::linear("difference / us", (-reach, reach))),
                range: (-reach, reach),
                height: 90.0,
                marks: vec![stretched(residuals)],
            },
        ],
    }
}

/// Rotation of a cartridge's setups over time, with their bands.
pub fn over_time(history: &History, suffix: &str) -> Picture {
    let finite = || {
        let points = history.points.iter();
        points.filter_map(|p| Some((p, bounds(&p.rotation_deg)?)))
    };
    let times: Vec<f64> = history.points.iter().map(|p| p.time).collect();
    let degrees = roomy(span(finite().flat_map(|(_, (low, high))| [low, high, 0.0])));
    let (first, last) = span(times.clone());
    let mut marks = vec![Mark::line(
        vec![(first, 0.0), (last, 0.0)],
        Ink::Muted,
        Dash::Dotted,
    )];
    for (point, (low, high)) in finite() {
        let ends = vec![(point.time, low), (point.time, high)];
        marks.push(Mark::line(ends, Ink::First, Dash::Solid));
    }
    let line = history.points.iter();
    let line = line.map(|p| (p.time, p.rotation_deg.value)).collect();
    marks.push(Mark::line(line, Ink::First, Dash::Dotted));
    let values = finite().map(|(p, _)| (p.time, p.rotation_deg.value, 0.0));
    marks.push(Mark::points(values.collect(), Ink::First, Marker::Dot).keyed("setups"));
    for (point, (_, high)) in finite() {
        let anchor = match point.time < 0.5 * (first + last) {
            true => Anchor::Start,
            false => Anchor::End,
        };
        let words = format!(" {} ", shown(&point.setup));
        marks.push(Mark::words((point.time, high), words, anchor, Ink::Muted));
    }
    let words = history.points.iter().map(|p| {
        format!(
            "{} ({}): {}",
            shown(&p.setup),
            p.stated,
            short(&p.rotation_deg)
        )
    });
    let axis = match history.by_hours {
        true => "hours played".to_owned(),
        false => format!("days since {}", history.points[0].stated),
    };
    Picture {
        name: format!("over-time{suffix}"),
        title: format!("Rotation over time: {}", shown(&history.cartridge)),
        caption: format!(
            "Rotation of the stylus to the groove in each setup of the cartridge, clockwise positive. Bars: {} % bands. The setups share much of this uncertainty, such as the tip's sizes and a record's cut, so they move together: judge a change by compare, not by overlapping bars.",
            text::coverage_percent(history.points[0].rotation_deg.interval.coverage)
        ),
        description: format!("{}.", words.collect::<Vec<_>>().join("; ")),
        x: Axis::linear(&axis, roomy(span(times))),
        top: None,
        panels: vec![Panel {
            y: Some(Axis::linear("rotation / deg", degrees)),
            range: degrees,
            height: 190.0,
            marks,
        }],
    }
}

/// What a picture of a series is called, and how it is read.
struct SeriesWords {
    name: &'static str,
    title: &'static str,
    caption: &'static str,
    axis: &'static str,
    /// Unit of what differs between the captures, and its decimals.
    unit: (&'static str, usize),
    found: &'static str,
}

const TURNS: SeriesWords = SeriesWords {
    name: "turns",
    title: "Delay against known turns",
    caption: "The turn at which both edges read together requires no knowledge of the tip; it includes the cut and all skews. The delays assume matched equaliser parts; the table of captures uses them as found. Bars and shading: one standard uncertainty.",
    axis: "turn from the setup / degrees",
    unit: ("degrees", 1),
    found: "zero crossing with its band",
};

const SPEEDS: SeriesWords = SeriesWords {
    name: "speeds",
    title: "Delay against reciprocal speed",
    caption: "The groove's part grows with the reciprocal of its speed; that of the electronics does not, and remains at infinite speed, at the left. The delays assume matched equaliser parts, so they and the skew differ from those of the tables, which use the parts as found. Bars and shading: one standard uncertainty.",
    axis: "reciprocal of the groove speed / s per m",
    unit: ("s/m", 3),
    found: "intercept: skew",
};

/// Delay against what differs between captures; turns or, if not, speeds.
pub fn series(series: &Series, turns: bool, suffix: &str, of: &str) -> Picture {
    let of_series = if turns { TURNS } else { SPEEDS };
    let line: Vec<_> = series.line.iter().map(|p| (p.x, p.delay_us)).collect();
    let edges = series.line.iter().map(|p| {
        let u = p.standard_uncertainty_us;
        (p.x, p.delay_us - u, p.delay_us + u)
    });
    let points = series.points.iter();
    let points: Vec<_> = points
        .map(|p| (p.x, p.delay_us, p.standard_uncertainty_us))
        .collect();
    let found = &series.found;
    let mut xs = span(line.iter().map(|p| p.0).chain(points.iter().map(|p| p.0)));
    let ys = roomy(span(line.iter().chain([&(0.0, 0.0)]).map(|p| p.1)));
    let ends = bounds(found);
    if turns {
        // the crossing is shown where it is not far off
        let (low, high) = ends.unwrap_or((found.value, found.value));
        let room = xs.1 - xs.0;
        xs = roomy((
            xs.0.min(low.max(xs.0 - room)),
            xs.1.max(high.min(xs.1 + room)),
        ));
    }
    let mut marks = vec![
        Mark::line(vec![(xs.0, 0.0), (xs.1, 0.0)], Ink::Muted, Dash::Solid),
        Mark::Band {
            edges: edges.collect(),
            ink: Ink::Second,
            key: None,
        },
        Mark::line(line, Ink::Second, Dash::Dashed).keyed("straight line"),
        Mark::points(points, Ink::First, Marker::Dot).keyed("captures"),
    ];
    if let Some((low, high)) = ends.filter(|_| turns) {
        let cap = 0.02 * (ys.1 - ys.0);
        let bar = vec![(low, 0.0), (high, 0.0)];
        let caps = [low, high].map(|x| vec![(x, -cap), (x, cap)]);
        let lines = std::iter::once(bar).chain(caps);
        marks.extend(lines.map(|line| Mark::line(line, Ink::Third, Dash::Solid)));
    }
    let at = match turns {
        true => (found.value, 0.0, 0.0),
        false => (0.0, found.value, found.standard_uncertainty),
    };
    marks.push(Mark::points(vec![at], Ink::Third, Marker::Square).keyed(of_series.found));
    let (unit, decimals) = of_series.unit;
    let data = series.points.iter().map(|p| {
        let delay = rounded(p.delay_us, p.standard_uncertainty_us);
        format!("{delay} us at {} {unit}", plain(p.x, decimals))
    });
    let data = data.collect::<Vec<_>>().join("; ");
    let result = match turns {
        true => format!("The line crosses zero at {}", short(found)),
        false => format!(
            "The line meets zero at {} us, standard uncertainty {} us",
            rounded(found.value, found.standard_uncertainty),
            rounded_u(found.standard_uncertainty)
        ),
    };
    Picture {
        name: format!("{}{suffix}", of_series.name),
        title: format!("{}{of}", of_series.title),
        caption: of_series.caption.to_owned(),
        description: format!("{result}. Captures: {data}."),
        x: Axis::linear(of_series.axis, xs),
        top: None,
        panels: vec![Panel {
            y: Some(Axis::linear("delay, right after left / us", ys)),
            range: ys,
            height: 190.0,
            marks,
        }],
    }
}

/// Height of the two lines of figures at the plan view's top, in the unit of
/// the drawing.
const PLAN_FIGURES: f64 = 46.0;
/// Half the width of the plan view at least, in contact distances.
const PLAN_HALF: f64 = 1.05;
/// Width and height of the plan view's field, in the unit of the drawing.
const PLAN: (f64, f64) = (424.0, 300.0);
/// A band narrower than this is drawn without edges, degrees.
const NARROW_DEG: f64 = 1.5;
/// Room below the tip for words, as a share of the height.
const PLAN_LOWER: f64 = 0.54;

/// The field of a plan view, micrometres, and what is drawn in it.
struct PlanView<'a> {
    view: &'a ContactView,
    /// Distance of the contacts across the groove.
    spacing: f64,
    /// Half its width, its lower and its upper end.
    half: f64,
    bottom: f64,
    top: f64,
    /// Length of the lines that show angles, from the middle.
    reach: f64,
    /// The drawing's unit, and the height of a line of words.
    unit: f64,
    line: f64,
    marks: Vec<Mark>,
}

impl<'a> PlanView<'a> {
    fn of(view: &'a ContactView) -> Self {
        let [left, right] = view.contacts_um;
        let spacing = right[0] - left[0];
        // a round tip needs more, to leave room for the figures above it
        let highest = view.outline_um.iter().fold(0.0_f64, |m, p| m.max(p[1]));
        let room = 1.0 - PLAN_LOWER - PLAN_FIGURES / PLAN.1;
        let tall = f64::max(2.0 * PLAN_HALF * spacing * PLAN.1 / PLAN.0, highest / room);
        let unit = tall / PLAN.1;
        Self {
            view,
            spacing,
            half: 0.5 * tall * PLAN.0 / PLAN.1,
            bottom: -PLAN_LOWER * tall,
            top: (1.0 - PLAN_LOWER) * tall,
            reach: 0.86 * spacing,
            unit,
            line: 19.0 * unit,
            marks: Vec::new(),
        }
    }

    /// A direction turned clockwise from the line across, on either side.
    fn arm(&self, degrees: f64) -> [(f64, f64); 2] {
        let (sin, cos) = (degrees * DEGREE).sin_cos();
        let reach = self.reach;
        [(-reach * cos, reach * sin), (reach * cos, -reach * sin)]
    }

    fn line(&mut self, points: impl Into<Vec<(f64, f64)>>, ink: Ink, dash: Dash) {
        self.marks.push(Mark::line(points.into(), ink, dash));
    }

    fn words(&mut self, at: (f64, f64), words: impl Into<String>, anchor: Anchor, ink: Ink) {
        self.marks.push(Mark::words(at, words, anchor, ink));
    }

    /// The groove's walls beside the contacts.
    fn walls(&mut self) {
        let (half, bottom, top) = (self.half, self.bottom, self.top);
        let [left, right] = self.view.contacts_um.map(|at| at[0]);
        for [from, to] in [[-half, left], [right, half]] {
            let corners = vec![(from, bottom), (to, bottom), (to, top), (from, top)];
            self.marks.push(Mark::area(corners, Ink::Muted));
        }
        for x in [left, right] {
            self.line([(x, bottom), (x, top)], Ink::Muted, Dash::Solid);
        }
    }

    /// The wedge that the band covers, on both sides.
    fn band(&mut self, low: f64, high: f64) {
        let steps = (0..=12).map(|k| low + (high - low) * f64::from(k) / 12.0);
        let edges: Vec<_> = steps.map(|degrees| self.arm(degrees)).collect();
        for side in 0..2 {
            let edge = edges.iter().map(|arm| arm[side]);
            let wedge = std::iter::once((0.0, 0.0)).chain(edge).collect();
            let wedge = Mark::area(wedge, Ink::Second).keyed("band of the angle");
            self.marks.push(wedge);
        }
        // edges of a narrow band would run into the line between them
        if high - low > NARROW_DEG {
            for edge in [low, high] {
                self.line(self.arm(edge), Ink::Second, Dash::Dotted);
            }
        }
    }

    /// The tip's outline, its line at the angle, and its contacts.
    fn tip(&mut self) {
        let view = self.view;
        let mut outline: Vec<_> = view.outline_um.iter().map(|&[x, y]| (x, y)).collect();
        self.marks.push(Mark::area(outline.clone(), Ink::First));
        outline.extend(outline.first().copied());
        self.line(outline, Ink::First, Dash::Solid);
        let across = vec![(-self.reach, 0.0), (self.reach, 0.0)];
        let across =
            Mark::line(across, Ink::Text, Dash::Dashed).keyed("straight across the groove");
        let words = if view.cut {
            "cut at one moment"
        } else {
            "line of the edges"
        };
        let turned = self.arm(view.angle_deg.value).to_vec();
        let turned = Mark::line(turned, Ink::Second, Dash::Solid).keyed(words);
        self.marks.extend([across, turned]);
        for ([x, y], marker) in view
            .contacts_um
            .into_iter()
            .zip([Marker::Dot, Marker::Triangle])
        {
            self.marks
                .push(Mark::points(vec![(x, y, 0.0)], Ink::Text, marker));
        }
    }

    /// What lies where, and the figures.
    fn labels(&mut self, figures: Vec<String>) {
        let (line, edge) = (self.line, self.half - 4.0 * self.unit);
        let (top, bottom) = (self.top, self.bottom);
        let left = ["left channel", "inner wall"].map(str::to_owned).to_vec();
        let right = ["right channel", "outer wall"].map(str::to_owned).to_vec();
        for (x, anchor, ink, lines) in [
            (-edge, Anchor::Start, Ink::Text, left),
            (edge, Anchor::End, Ink::Text, right),
            (0.0, Anchor::Middle, Ink::Second, figures),
        ] {
            for (k, words) in lines.into_iter().enumerate() {
                self.words((x, top - (0.7 + k as f64) * line), words, anchor, ink);
            }
        }
        let spindle = (-edge, bottom + 0.7 * line);
        self.words(spindle, "\u{2190} spindle", Anchor::Start, Ink::Text);
        // the groove draws the stylus away from the arm's pivot
        let front = (!self.view.cut).then_some("cartridge's front \u{2193}");
        let downwards = std::iter::once("record moves \u{2193}").chain(front);
        for (k, words) in downwards.enumerate() {
            let at = (0.0, bottom + (1.7 - k as f64) * line);
            self.words(at, words, Anchor::Middle, Ink::Text);
        }
    }

    /// A length to measure by.
    fn scale(&mut self) {
        let (unit, line, right) = (self.unit, self.line, self.view.contacts_um[1][0]);
        let room = 0.5 * (self.half - right) + 0.25 * self.spacing;
        let length = [50.0, 20.0, 10.0, 5.0].into_iter().find(|l| *l < room);
        let length = length.unwrap_or(5.0);
        let (from, to) = (self.half - 6.0 * unit - length, self.half - 6.0 * unit);
        let y = self.bottom + 0.45 * line;
        self.line([(from, y), (to, y)], Ink::Text, Dash::Solid);
        for x in [from, to] {
            let cap = [(x, y - 3.0 * unit), (x, y + 3.0 * unit)];
            self.line(cap, Ink::Text, Dash::Solid);
        }
        let middle = (0.5 * (from + to), y + 0.75 * line);
        let words = format!("{} um", plain(length, 0));
        self.words(middle, words, Anchor::Middle, Ink::Text);
    }
}

/// Stylus (or cut) and groove seen from above, to scale.
pub fn contact(view: &ContactView, suffix: &str) -> Picture {
    let angle = &view.angle_deg;
    let d = decimals(angle.standard_uncertainty);
    let mut band_words = "no finite band".to_owned();
    let figure = signed(angle.value, d);
    let mut figures = vec![match Direction::resolved(angle) {
        Direction::NoneResolved => format!("{figure} deg"),
        way => format!("{figure} deg, {}", text::direction(way)),
    }];
    let mut plan = PlanView::of(view);
    plan.walls();
    if let Some((low, high)) = bounds(angle) {
        let ends = format!("{} to {}", signed(low, d), signed(high, d));
        let percent = plain(100.0 * angle.interval.coverage, 0);
        band_words = format!("{percent} % band {ends} degrees");
        figures.push(ends);
        plan.band(low, high);
    }
    plan.tip();
    plan.labels(figures);
    plan.scale();
    let name = match (view.cut, view.name.as_str()) {
        (_, "") => String::new(),
        (false, name) => format!(": setup {name}"),
        (true, name) => format!(": record {name}"),
    };
    let lead = if view.path_um < 0.0 { "right" } else { "left" };
    let apart = plain(view.path_um.abs(), 2);
    let (what, of, caption) = match view.cut {
        true => (
            "cut",
            "Cut",
            format!(
                "A spherical tip between the walls at the height of its contacts, and the line that the cutter wrote at one moment, turned by the measured angle. Its two ends lie {apart} um apart along the groove."
            ),
        ),
        false => (
            "stylus",
            "Stylus",
            format!(
                "The tip's outline where it touches, between the walls at that height, turned by the measured angle. The {lead} contact reads first: it lies {apart} um ahead along the groove. The cartridge's front is below."
            ),
        ),
    };
    Picture {
        name: format!("contact{suffix}"),
        title: format!("{of} and groove seen from above, to scale{name}"),
        caption,
        description: format!(
            "Plan view: the {what} is drawn turned {} seen from above, {band_words}. The contacts are {} um apart across the groove; the {lead} one lies {apart} um upstream of the other.",
            text::angle(angle),
            plain(plan.spacing, 1),
        ),
        x: Axis::hidden((-plan.half, plan.half)),
        top: None,
        panels: vec![Panel {
            y: None,
            range: (plan.bottom, plan.top),
            height: PLAN.1,
            marks: plan.marks,
        }],
    }
}

/// How many jobs ended how.
pub fn outcomes(document: &CheckDocument) -> Picture {
    let counts = [
        (Outcome::Passed, document.passed, Ink::First),
        (Outcome::Undecided, document.undecided, Ink::Third),
        (Outcome::Failed, document.failed, Ink::Second),
        (Outcome::Unusable, document.unusable, Ink::Muted),
    ];
    let most = counts.iter().map(|c| c.1).max().unwrap_or(0).max(1) as f64;
    let range = (0.0, 1.2 * most);
    let mut marks = Vec::new();
    for (k, (outcome, count, ink)) in counts.iter().enumerate() {
        let (title, y) = row(k);
        marks.push(Mark::words(
            (0.0, title),
            outcome.word(),
            Anchor::Start,
            Ink::Text,
        ));
        marks.push(Mark::Bar {
            from: (0.0, y - 0.14),
            to: (*count as f64, y + 0.14),
            ink: *ink,
            key: None,
        });
        marks.push(Mark::words(
            (*count as f64 + 0.02 * most, y),
            count.to_string(),
            Anchor::Start,
            Ink::Text,
        ));
    }
    let words: Vec<String> = counts
        .iter()
        .map(|(outcome, count, _)| format!("{count} {}", outcome.word()))
        .collect();
    Picture {
        name: "outcomes".to_owned(),
        title: "Outcomes".to_owned(),
        caption: "Undecided: neither met nor missed for certain; narrow the band to decide."
            .to_owned(),
        description: format!("{}.", words.join(", ")),
        x: Axis::hidden(range),
        top: None,
        panels: vec![rows(counts.len(), marks)],
    }
}
