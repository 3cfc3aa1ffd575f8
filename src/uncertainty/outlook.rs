//! Prediction of the uncertainty after more recording time.

use serde::{Deserialize, Serialize};

/// Share of noise in the variance that counts as negligible where no
/// uncertainty is requested: without it the standard uncertainty would be 5 %
/// less.
pub const NEGLIGIBLE_SHARE: f64 = 0.1;

/// Whether more time would help.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Prospect {
    /// The wanted uncertainty is reached.
    Reached,
    /// More programme will reach it.
    MoreTime,
    /// The systematic part is too large.
    OutOfReach,
}

/// The effect of more time of the same signal.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Outlook {
    /// Whether more time would help.
    pub prospect: Prospect,
    /// Standard uncertainty wanted; null: noise down to a tenth of the variance.
    pub wanted: Option<f64>,
    /// Time still needed, seconds of programme; null where none helps.
    pub seconds: Option<f64>,
    /// Share of noise in the variance, 0 to 1.
    pub noise_share: f64,
    /// Standard uncertainty in the limit of infinite time.
    pub remaining: f64,
}

/// The outlook after `elapsed_s` seconds of programme, when noise contributes
/// `noise` and everything else `systematic` (standard uncertainties in one
/// unit). The variance of noise falls as the time grows; the rest stays. (More
/// data also narrow some of the rest, so the times are upper bounds.)
pub fn outlook(noise: f64, systematic: f64, elapsed_s: f64, wanted: Option<f64>) -> Outlook {
    let (noise_variance, rest) = (noise * noise, systematic * systematic);
    let total = noise_variance + rest;
    // The variance that noise may still have.
    let allowed = match wanted {
        Some(wanted) => wanted * wanted - rest,
        None => rest * NEGLIGIBLE_SHARE / (1.0 - NEGLIGIBLE_SHARE),
    };
    let (prospect, seconds) = if noise_variance <= allowed {
        (Prospect::Reached, Some(0.0))
    } else if allowed > 0.0 {
        let seconds = elapsed_s * (noise_variance / allowed - 1.0);
        (Prospect::MoreTime, Some(seconds))
    } else {
        (Prospect::OutOfReach, None)
    };
    Outlook {
        prospect,
        wanted,
        seconds,
        noise_share: if total > 0.0 {
            noise_variance / total
        } else {
            0.0
        },
        remaining: systematic,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_to_what_is_wanted() {
        // 5 = sqrt(3^2 + 4^2); for sqrt(10) noise must fall from 3 to 1 beside a
        // systematic 3: nine times the time.
        let more = outlook(3.0, 3.0, 10.0, Some(10.0_f64.sqrt()));
        assert_eq!(more.prospect, Prospect::MoreTime);
        // the root of 10 squared is exact to two roundings
        assert!((more.seconds.unwrap() - 80.0).abs() < 80.0 * 10.0 * f64::EPSILON);
        assert_eq!((more.noise_share, more.remaining), (0.5, 3.0));
        let reached = outlook(3.0, 4.0, 10.0, Some(5.0));
        assert_eq!(
            (reached.prospect, reached.seconds),
            (Prospect::Reached, Some(0.0))
        );
        let never = outlook(0.1, 4.0, 10.0, Some(4.0));
        assert_eq!(
            (never.prospect, never.seconds),
            (Prospect::OutOfReach, None)
        );
    }

    #[test]
    fn without_a_wish_noise_is_to_become_small() {
        let small = outlook(1.0, 3.0, 10.0, None);
        assert_eq!(small.prospect, Prospect::Reached);
        let more = outlook(2.0, 3.0, 10.0, None);
        // from a variance of 4 to 1
        assert_eq!(more.prospect, Prospect::MoreTime);
        assert!((more.seconds.unwrap() - 30.0).abs() < 1e-12 * 30.0);
    }
}
