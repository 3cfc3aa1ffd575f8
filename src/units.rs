//! Units: factors, and reading quantities the way people write them.

use thiserror::Error;

/// Seconds in a microsecond.
pub const MICROSECOND: f64 = 1e-6;
/// Metres in a millimetre.
pub const MILLIMETRE: f64 = 1e-3;
/// Metres in a micrometre.
pub const MICROMETRE: f64 = 1e-6;
/// Radians in a degree.
pub const DEGREE: f64 = std::f64::consts::PI / 180.0;
/// Millimetres in an inch (exact, international inch of 1959).
pub const INCH_MM: f64 = 25.4;

/// Why a written quantity was not understood.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum QuantityError {
    /// A comma stands where a point is expected.
    #[error("'{0}' has a decimal comma; write a decimal point: '{1}'")]
    DecimalComma(String, String),
    /// Not a number at all.
    #[error("'{0}' is not {1}")]
    NotANumber(String, &'static str),
}

/// Digits of a number in a message: more than anybody writes, fewer than an `f64` has, so
/// that what a change of units rounded does not show.
const WRITTEN_DIGITS: usize = 12;

/// A number as people write it: `17.78`, not `17.779999999999998`.
pub fn written(value: f64) -> String {
    let short = format!("{value:.*e}", WRITTEN_DIGITS - 1);
    short.parse().unwrap_or(value).to_string()
}

/// Reads one finite number; a decimal comma gets a message of its own.
pub fn parse_number(text: &str, what: &'static str) -> Result<f64, QuantityError> {
    let text = text.trim();
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        _ if text.contains(',') && text.replacen(',', ".", 1).parse::<f64>().is_ok() => Err(
            QuantityError::DecimalComma(text.to_owned(), text.replacen(',', ".", 1)),
        ),
        _ => Err(QuantityError::NotANumber(text.to_owned(), what)),
    }
}

/// Reads a speed in revolutions per minute: `33` means 100/3, as do `33.33`, `33 1/3`
/// and `33⅓`; `100/3` and the like are fractions; `rpm` may stand behind it.
pub fn parse_rpm(text: &str) -> Result<f64, QuantityError> {
    const WHAT: &str = "a speed in revolutions per minute such as 33, 45, 100/3 or 78.26";
    let bare = text.trim();
    let unit = ["rpm", "RPM"];
    let bare = unit.iter().find_map(|u| bare.strip_suffix(u));
    let bare = bare.unwrap_or(text).replace('⅓', " 1/3");
    let value = parse_fraction(&bare, WHAT)?;
    if !(value.is_finite() && value > 0.0) {
        return Err(QuantityError::NotANumber(text.trim().to_owned(), WHAT));
    }
    Ok(nominal_rpm(value))
}

/// `33`, `33.3` and `33.33` are how people write 100/3; anything else is kept.
pub fn nominal_rpm(value: f64) -> f64 {
    if [33.0, 33.3, 33.33, 33.333].contains(&value) {
        100.0 / 3.0
    } else {
        value
    }
}

/// Reads `2.5`, `100/3` or `33 1/3`.
fn parse_fraction(text: &str, what: &'static str) -> Result<f64, QuantityError> {
    let Some((above, below)) = text.split_once('/') else {
        return parse_number(text, what);
    };
    let (whole, above) = match above.trim().rsplit_once(char::is_whitespace) {
        Some((whole, above)) => (parse_number(whole, what)?, above),
        None => (0.0, above),
    };
    Ok(whole + parse_number(above, what)? / parse_number(below, what)?)
}

/// Reads a length in millimetres. A unit may be written: `72`, `72 mm`,
/// `7.2 cm`, `2.85 in`; inches also as rulers have them: `2 7/8 in`.
pub fn parse_length_mm(text: &str, what: &'static str) -> Result<f64, QuantityError> {
    let trimmed = text.trim();
    if let Some(number) = trimmed.strip_suffix("mm") {
        parse_number(number, what)
    } else if let Some(number) = trimmed.strip_suffix("cm") {
        Ok(10.0 * parse_number(number, what)?)
    } else if let Some(number) = trimmed
        .strip_suffix("in")
        .or_else(|| trimmed.strip_suffix('"'))
    {
        let inches = parse_fraction(number, what)?;
        let value = INCH_MM * inches;
        if value.is_finite() {
            Ok(value)
        } else {
            Err(QuantityError::NotANumber(trimmed.to_owned(), what))
        }
    } else {
        parse_number(trimmed, what)
    }
}

/// Reads a radius in millimetres, as [`parse_length_mm`] does; `d` before the
/// number makes it a diameter (`d144`).
pub fn parse_radius_mm(text: &str) -> Result<f64, QuantityError> {
    const WHAT: &str = "a radius such as 72, 72mm, 2.85in or a diameter such as d144";
    let diameter = text.trim().strip_prefix(['d', 'D']);
    match diameter.filter(|rest| rest.starts_with(|c: char| !c.is_alphabetic())) {
        Some(diameter) => Ok(parse_length_mm(diameter, WHAT)? / 2.0),
        None => parse_length_mm(text, WHAT),
    }
}

/// Reads a time from the start of a recording in seconds; `m:ss` is understood.
pub fn parse_seconds(text: &str) -> Result<f64, QuantityError> {
    const WHAT: &str = "a time in seconds or m:ss";
    match text.split_once(':') {
        Some((m, s)) => Ok(60.0 * parse_number(m, WHAT)? + parse_number(s, WHAT)?),
        None => parse_number(text, WHAT),
    }
}

/// Bytes in hexadecimal.
pub fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn speeds_as_people_write_them() {
        for text in [
            "33",
            "33.3",
            "33.33",
            "100/3",
            "33 1/3",
            " 33 ",
            "33 1/3 rpm",
            "33⅓",
            "33 ⅓ rpm",
            "33\u{a0}1/3\u{a0}RPM",
            "33rpm",
            "33 rpm",
            "100/3 rpm",
        ] {
            assert_eq!(parse_rpm(text), Ok(100.0 / 3.0), "{text}");
        }
        for text in ["45", "45rpm", "45 rpm"] {
            assert_eq!(parse_rpm(text), Ok(45.0), "{text}");
        }
        assert_eq!(parse_rpm("78.26 rpm"), Ok(78.26));
        assert!(parse_rpm("rpm").is_err());
        assert!(parse_rpm("33 rps").is_err());
        assert_eq!(parse_rpm("78.26"), Ok(78.26));
        assert!(parse_rpm("0").is_err());
        assert!(parse_rpm("1/0").is_err());
        assert!(parse_rpm("inf").is_err());
        let comma = parse_rpm("33,3").unwrap_err().to_string();
        assert!(
            comma.contains("decimal point") && comma.contains("33.3"),
            "{comma}"
        );
    }

    #[test]
    fn numbers_as_people_write_them() {
        assert_ne!((0.7 * 25.4).to_string(), "17.78");
        for (value, text) in [
            (0.7 * 25.4, "17.78"),
            (2.8 * 25.4, "71.12"),
            (0.1 + 0.2, "0.3"),
            (45.0, "45"),
            (-1.5e-7, "-0.00000015"),
        ] {
            assert_eq!(written(value), text);
        }
    }

    #[test]
    fn radii_as_people_write_them() {
        assert_eq!(parse_radius_mm("72"), Ok(72.0));
        assert_eq!(parse_radius_mm("7.2 cm"), Ok(72.0));
        assert_eq!(parse_radius_mm("d144mm"), Ok(72.0));
        assert_eq!(parse_radius_mm("2in"), Ok(50.8));
        assert_eq!(parse_radius_mm("2 7/8 in"), Ok(25.4 * 2.875));
        assert_eq!(parse_radius_mm("7/8in"), Ok(25.4 * 0.875));
        assert_eq!(parse_radius_mm("d5.6in"), Ok(25.4 * 5.6 / 2.0));
        assert!(parse_radius_mm("2 7/0 in").is_err());
        assert!(parse_radius_mm("in").is_err());
        assert!(
            parse_radius_mm("72,5")
                .unwrap_err()
                .to_string()
                .contains("72.5")
        );
        assert!(parse_radius_mm("far").is_err());
    }
}
