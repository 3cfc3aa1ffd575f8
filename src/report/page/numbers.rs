//! Numbers that the JSON document of the same run holds too, each with its place there.

use crate::report::sentence::{Piece, Sentence};
use crate::report::text;
use crate::uncertainty::{Direction, Quantity, plain, rounded, rounded_u};
use maud::{Markup, Render, html};

/// The unit of angles, which are told with their direction in place of a sign.
const ANGLE: &str = "degrees";

/// A number that the JSON document holds at `pointer`.
pub fn number(pointer: &str, value: f64, shown: &str) -> Markup {
    let shown = shown.replace('-', "\u{2212}");
    html! { data value=(value) data-json=(pointer) { (shown) } }
}

/// A name within a JSON Pointer (RFC 6901).
pub fn pointer_part(name: &str) -> String {
    name.replace('~', "~0").replace('/', "~1")
}

/// The size of a value, whose sign the words beside it tell.
pub fn size(pointer: &str, q: &Quantity) -> Markup {
    let shown = rounded(q.value.abs(), q.standard_uncertainty);
    number(&format!("{pointer}/value"), q.value, &shown)
}

/// The standard uncertainty of a value.
pub fn uncertainty(pointer: &str, q: &Quantity) -> Markup {
    let u = q.standard_uncertainty;
    number(&format!("{pointer}/standard_uncertainty"), u, &rounded_u(u))
}

/// A number multiplied by a hundred before it was rounded.
pub fn percent(pointer: &str, value: f64, decimals: usize) -> Markup {
    html! {
        data value=(value) data-json=(pointer) data-scale="100" { (plain(100.0 * value, decimals)) }
    }
}

/// A probability; none that rounds to certainty is called so. The element holds
/// the whole number beside such words.
pub fn probability(pointer: &str, p: f64) -> Markup {
    if (0.001..=0.999).contains(&p) {
        html! { (percent(pointer, p, 1)) " %" }
    } else {
        number(pointer, p, &text::probability(p))
    }
}

/// A sentence about the part of the document at `pointer`.
pub fn sentence(pointer: &str, pieces: &Sentence) -> Markup {
    html! {
        @for piece in pieces {
            @match piece {
                Piece::Words(words) => (words),
                Piece::Command(words) => (words),
                Piece::Number { key, value, shown } => {
                    (number(&format!("{pointer}/{key}"), *value, shown))
                }
            }
        }
    }
}

/// "95 % band 0.7 to 5.3 degrees clockwise".
pub fn band(pointer: &str, q: &Quantity, unit: &str) -> Markup {
    let pieces = match unit {
        ANGLE => text::turn_band_in_pieces(q),
        _ => text::band_in_pieces(q, unit),
    };
    sentence(pointer, &pieces)
}

/// A value, its standard uncertainty and its band.
pub fn quantity(pointer: &str, q: &Quantity, unit: &str) -> Markup {
    let (unit_after, u) = (text::after_number(unit), q.standard_uncertainty);
    let value = |shown: &str| number(&format!("{pointer}/value"), q.value, shown);
    if u == 0.0 {
        return html! { (value(&plain(q.value, 3))) (unit_after) " (taken as exact)" };
    }
    html! {
        @if unit == ANGLE {
            (size(pointer, q)) (unit_after) " " (text::direction(Direction::of(q.value)))
        } @else {
            (value(&rounded(q.value, u))) (unit_after)
        }
        ", standard uncertainty " (uncertainty(pointer, q)) (unit_after)
        ", " (band(pointer, q, unit))
    }
}

/// What turned how far, as one sentence without its full stop.
pub fn turned(subject: impl Render, pointer: &str, q: &Quantity, at_the_arm: bool) -> Markup {
    let size = size(pointer, q);
    let band = band(pointer, q, ANGLE);
    let to = if at_the_arm { " to the groove" } else { "" };
    match Direction::resolved(q) {
        Direction::NoneResolved => html! {
            (subject) " shows no significant rotation" (to) ": " (size) " degrees, " (band)
            ", which contains zero"
        },
        way => html! {
            (subject) " is turned " strong { (size) " degrees " (text::direction(way)) } (to)
            ", seen from above"
            @if at_the_arm { " (" (text::direction_at_the_arm(way)) ")" }
            ", " (band)
        },
    }
}

/// "3.20 degrees clockwise", or the value with what it lacks.
pub fn turned_briefly(pointer: &str, q: &Quantity) -> Markup {
    let size = size(pointer, q);
    match Direction::resolved(q) {
        Direction::NoneResolved => html! { strong { (size) " degrees" } ", no direction resolved" },
        way => html! { strong { (size) " degrees " (text::direction(way)) } },
    }
}
