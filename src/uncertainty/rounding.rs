//! Numbers as people read them.

/// Decimals that show `u` with two significant digits (GUM 7.2.6), 0 to 9.
fn decimals(u: f64) -> usize {
    if u > 0.0 && u.is_finite() {
        (1.0 - u.log10().floor()).clamp(0.0, 9.0) as usize
    } else {
        3
    }
}

/// `value` to the last digit that its standard uncertainty makes meaningful:
/// two significant digits of `u`. Never "-0".
pub fn rounded(value: f64, u: f64) -> String {
    plain(value, decimals(u))
}

/// `u` with two significant digits.
pub fn rounded_u(u: f64) -> String {
    plain(u, decimals(u))
}

/// `value` with `decimals`, never "-0".
pub fn plain(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    if text.trim_start_matches(['-', '0', '.']).is_empty() {
        text.trim_start_matches('-').to_owned()
    } else {
        text
    }
}

/// The probability of a larger chi-square, as people read it.
pub fn tail(p: f64) -> String {
    if p < f64::EPSILON {
        // less than that is lost in rounding
        "less than 2e-16".to_owned()
    } else if p < 0.001 {
        format!("{p:.1e}")
    } else {
        plain(p, 3)
    }
}

/// A chi-square with its degrees of freedom.
pub fn chi_square(value: f64, degrees_of_freedom: usize) -> String {
    let plural = if degrees_of_freedom == 1 {
        "degree"
    } else {
        "degrees"
    };
    format!(
        "chi-square {} with {degrees_of_freedom} {plural} of freedom",
        plain(value, 1)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_probabilities_are_not_nothing() {
        assert_eq!(tail(0.0), "less than 2e-16");
        assert_eq!(tail(3.21e-9), "3.2e-9");
        assert_eq!(tail(0.998_4), "0.998");
        assert_eq!(
            chi_square(0.04, 1),
            "chi-square 0.0 with 1 degree of freedom"
        );
        assert_eq!(
            chi_square(13.93, 32),
            "chi-square 13.9 with 32 degrees of freedom"
        );
    }

    #[test]
    fn two_digits_of_the_uncertainty() {
        assert_eq!(rounded(2.412_345, 1.195), "2.4");
        assert_eq!(rounded(3.029_13, 0.000_88), "3.02913");
        assert_eq!(rounded(-0.000_4, 0.12), "0.00");
        assert_eq!(rounded(1234.5, 32.0), "1234");
        assert_eq!(rounded_u(0.0953), "0.095");
        assert_eq!(rounded(1.0, 0.0), "1.000");
    }
}
