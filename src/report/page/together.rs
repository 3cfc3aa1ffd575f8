//! What all captures of a job tell together: series, unknowns, objects, fit.

use super::about::About;
use super::names::Names;
use super::numbers::{number, quantity, uncertainty};
use super::parts::{budget, table};
use super::{Block, Section};
use crate::job::{CaptureResult, PassResult, Solution};
use crate::uncertainty::{plain, rounded, tail};
use maud::{Markup, Render, html};

/// What all captures tell together: series, unknowns, objects, fit.
pub fn section(s: &Solution, about: &About<'_>, names: &Names) -> Section {
    let fit = &s.fit;
    let degrees = fit.degrees_of_freedom;
    let words = html! {
        (things(s, names))
        (passes(s, names))
        @for (k, r) in s.records.iter().enumerate() {
            @let caption = format!("What the uncertainty of the cut consists of: {}", r.name);
            (budget("degrees", &format!("/records/{k}/budget"), &r.budget, &caption))
        }
        @for (k, c) in s.cartridges.iter().enumerate() {
            @let caption = format!("What the uncertainty of the lever consists of: {}", c.name);
            (budget("um", &format!("/cartridges/{k}/lever_budget"), &c.lever_budget, &caption))
        }
        (fits(s, names))
        p.note {
            "Normalised residual: the delay less what all other captures and assumptions predict for it, over the standard uncertainty of that difference. The delay as adjusted contains this capture too, and what was found of its phase terms, so the difference of the two columns may have another size and sign."
        }
        p {
            "Fit of the whole, captures and assumptions: chi-square "
            (number("/fit/chi_square", fit.chi_square, &plain(fit.chi_square, 1))) " with "
            (number("/fit/degrees_of_freedom", degrees as f64, &degrees.to_string()))
            " degrees of freedom"
            @if let Some(p) = fit.p_value {
                "; the probability of a larger one by chance is "
                @if p < f64::EPSILON { (tail(p)) }
                @else { (number("/fit/p_value", p, &tail(p))) }
            }
            ". A small chi-square proves little: most of what it counts is assumptions, which are wide on purpose."
        }
    };
    Section {
        heading: "All captures together",
        blocks: vec![Block::pictures(3, about.shared_pictures()), words.into()],
    }
}

/// What a table of quantities begins with.
const QUANTITY_HEAD: [&str; 2] = ["Quantity", "value"];

/// What was found of records, cartridges, chains and arms.
fn things(s: &Solution, names: &Names) -> Markup {
    let mut rows: Vec<[Markup; 2]> = Vec::new();
    let mut add = |(kind, name): (&str, &str), what: &str, value: Markup| {
        let name = match name {
            "" => String::new(),
            name => format!(" {}", names.text(name)),
        };
        rows.push([html! { (kind) (name) ": " (what) }, value]);
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
    table("Records, cartridges, chains and arms", &QUANTITY_HEAD, rows)
}

/// What the other bands and the marks of passes tell, as a table; nothing where there are none.
fn passes(s: &Solution, names: &Names) -> Markup {
    let of_pass = |(k, pass): (usize, &PassResult)| {
        let file = names.file(&pass.file);
        let told = told(&format!("/passes/{k}"), pass, names).into_iter();
        told.map(move |(what, value)| [html! { (file) ": " (names.text(&what)) }, value])
    };
    let rows: Vec<_> = s.passes.iter().enumerate().flat_map(of_pass).collect();
    let caption = "What other bands and marks of a pass tell";
    html! { @if !rows.is_empty() { (table(caption, &QUANTITY_HEAD, rows)) } }
}

/// What a pass tells beside its captures: words and a figure each.
fn told(at: &str, pass: &PassResult, names: &Names) -> Vec<(String, Markup)> {
    let mut list = Vec::new();
    let mut add = |what: String, value: Markup| list.push((what, value));
    if let Some(rpm) = &pass.speed_rpm {
        let speed = quantity(&format!("{at}/speed_rpm"), rpm, "rpm");
        add("speed by its marks".to_owned(), speed);
    }
    for (n, tone) in pass.tones.iter().enumerate() {
        for (key, words, value, unit) in [
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
        ] {
            if let Some(q) = value {
                let value = quantity(&format!("{at}/tones/{n}/{key}"), q, unit);
                add(format!("{words}, by the band {}", tone.band), value);
            }
        }
    }
    if let Some(told) = &pass.crosstalk {
        let used = match told.applied {
            true => "taken out of its captures",
            false => "not used: the chain states a calibration",
        };
        let bands = told.bands.join(", ");
        let db = told.separation_db.map_or([None; 2], |db| db.map(Some));
        add(
            format!(
                "separation at 1 kHz, left into right and right into left, by the bands {bands} ({used})"
            ),
            channels(&format!("{at}/crosstalk/separation_db"), db),
        );
    }
    if let Some(reason) = &pass.crosstalk_missing {
        let why = html! { "not told: " (names.text(reason)) };
        add("crosstalk".to_owned(), why);
    }
    for (n, noise) in pass.noise.iter().enumerate() {
        let band = &noise.band;
        add(
            format!(
                "noise of the band {band}, left and right, below the captures, from 100 Hz to 15 kHz"
            ),
            channels(
                &format!("{at}/noise/{n}/below_programme_db"),
                noise.below_programme_db,
            ),
        );
    }
    list
}

/// A level of each channel.
fn channels(at: &str, [left, right]: [Option<f64>; 2]) -> Markup {
    let one = |c: usize, value: Option<f64>| match value {
        Some(v) => number(&format!("{at}/{c}"), v, &plain(v, 1)),
        None => "-".render(),
    };
    html! { (one(0, left)) " and " (one(1, right)) " dB" }
}

/// How each capture fits, as a table.
fn fits(s: &Solution, names: &Names) -> Markup {
    let row = |(k, c): (usize, &CaptureResult)| {
        let at = format!("/captures/{k}");
        let (delay, u) = (c.delay_us.value, c.delay_us.standard_uncertainty);
        let (of_delay, predicted) = (format!("{at}/delay_us"), format!("{at}/predicted_us"));
        [
            html! { (c.capture) ". " (names.file(&c.file)) },
            number(&format!("{of_delay}/value"), delay, &rounded(delay, u)),
            uncertainty(&of_delay, &c.delay_us),
            number(&predicted, c.predicted_us, &rounded(c.predicted_us, u)),
            match c.normalized_residual {
                Some(r) => number(&format!("{at}/normalized_residual"), r, &plain(r, 1)),
                None => "unchecked".render(),
            },
        ]
    };
    let head = [
        "Capture",
        "delay as recorded / us",
        "standard uncertainty / us",
        "delay as adjusted / us",
        "normalised residual",
    ];
    let rows = s.captures.iter().enumerate().map(row);
    table("How each capture fits", &head, rows)
}
