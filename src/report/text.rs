//! Text composed for 80 columns.

use crate::uncertainty::{Direction, Quantity, Shape};

/// Width of the text.
const WIDTH: usize = 80;

/// Writes words over as many lines as they need: the first starts with
/// `first`, the others with as many spaces.
pub(super) fn wrap(first: &str, text: &str) -> String {
    let indent = first.chars().count();
    let mut out = String::from(first);
    let mut column = indent;
    let mut fresh = true;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if !fresh && column + 1 + length > WIDTH {
            out.push('\n');
            out.push_str(&" ".repeat(indent));
            column = indent;
            fresh = true;
        }
        if !fresh {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += length;
        fresh = false;
    }
    out.push('\n');
    out
}

/// Decimals that show two significant digits of an uncertainty.
fn decimals(u: f64) -> usize {
    if u > 0.0 && u.is_finite() {
        // at least whole numbers, at most what f64 of our sizes carries
        (1.0 - u.log10().floor()).clamp(0.0, 9.0) as usize
    } else {
        3
    }
}

/// A number with a given number of decimals, without a negative zero.
pub(super) fn fixed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(digits) if digits.chars().all(|c| c == '0' || c == '.') => digits.to_owned(),
        _ => text,
    }
}

/// A number to two significant digits of its own.
pub(super) fn short(value: f64) -> String {
    fixed(value, decimals(value.abs()))
}

/// "4.0 deg, u 1.2, 95 % band 1.9 to 6.9 deg".
pub(super) fn quantity(q: &Quantity, unit: &str) -> String {
    let d = decimals(q.standard_uncertainty);
    if q.standard_uncertainty == 0.0 {
        return spaced(&short_exact(q.value), unit);
    }
    format!(
        "{}, u {}, {}",
        spaced(&fixed(q.value, d), unit),
        fixed(q.standard_uncertainty, d),
        band(q, unit)
    )
}

fn short_exact(value: f64) -> String {
    format!("{} (taken as exact)", fixed(value, 3))
}

fn spaced(number: &str, unit: &str) -> String {
    if unit.is_empty() {
        number.to_owned()
    } else {
        format!("{number} {unit}")
    }
}

/// "95 % band 1.9 to 6.9 deg", whatever the interval's shape.
pub(super) fn band(q: &Quantity, unit: &str) -> String {
    let d = decimals(q.standard_uncertainty);
    let percent = format!("{:.4}", 100.0 * q.interval.coverage);
    let percent = percent.trim_end_matches('0').trim_end_matches('.');
    let range = match (q.interval.lower, q.interval.upper) {
        (Some(lower), Some(upper)) => {
            spaced(&format!("{} to {}", fixed(lower, d), fixed(upper, d)), unit)
        }
        _ => String::new(),
    };
    match q.interval.shape {
        Shape::Finite => format!("{percent} % band {range}"),
        Shape::Outer => format!("{percent} % band everything outside {range}"),
        Shape::All => format!("{percent} % band unlimited: the data exclude nothing"),
    }
}

/// A rotation's value with its direction in words.
pub(super) fn rotation(q: &Quantity) -> String {
    let d = decimals(q.standard_uncertainty);
    let size = fixed(q.value.abs(), d);
    match Direction::resolved(q) {
        Direction::NoneResolved => {
            format!("{} deg: no direction resolved", fixed(q.value, d))
        }
        direction => format!("{size} deg {}", sense(direction)),
    }
}

/// A direction as seen from above and at the cartridge.
pub(super) fn sense(direction: Direction) -> &'static str {
    match direction {
        Direction::Clockwise => {
            "clockwise seen from above (front of the cartridge towards the spindle)"
        }
        Direction::Anticlockwise => {
            "anticlockwise seen from above (front of the cartridge away from the spindle)"
        }
        Direction::NoneResolved => "in no resolved direction",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uncertainty::Interval;

    #[test]
    fn lines_keep_to_the_width() {
        let text = wrap("  * ", &"seventeen letters ".repeat(20));
        assert!(text.lines().all(|l| l.chars().count() <= WIDTH));
        assert!(
            text.lines()
                .skip(1)
                .all(|l| l.starts_with("    s") || l.starts_with("    l"))
        );
        assert_eq!(wrap("- ", ""), "- \n");
    }

    #[test]
    fn numbers_show_what_is_known() {
        let q = Quantity::normal(-0.0004, 0.123, 0.95);
        assert_eq!(
            quantity(&q, "deg"),
            "0.00 deg, u 0.12, 95 % band -0.24 to 0.24 deg"
        );
        let wide = Quantity {
            interval: Interval::outer(-1.0, 2.0, 0.99),
            ..q
        };
        assert_eq!(
            band(&wide, "deg"),
            "99 % band everything outside -1.00 to 2.00 deg"
        );
        assert_eq!(fixed(-0.0001, 2), "0.00");
        assert_eq!(short(0.00123), "0.0012");
        assert_eq!(decimals(25.0), 0);
    }
}
