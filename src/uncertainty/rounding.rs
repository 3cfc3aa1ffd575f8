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

#[cfg(test)]
mod tests {
    use super::*;

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
