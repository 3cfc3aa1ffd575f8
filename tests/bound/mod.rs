//! The Cramer-Rao bound of the delay of pink programme with white noise in each
//! channel, for the parameters and priors of the estimator: Fisher information
//! `2 T integral C / (1 - C) a a' df` (Knapp and Carter 1976, for a vector of
//! parameters) plus the priors'. The dossier uses it as well.

use groovelag::delay::EstimateSettings;
use ndarray::Array2;
use std::f64::consts::TAU;

/// A recording as far as the bound goes.
pub struct Pink {
    /// Length, seconds.
    pub seconds: f64,
    /// Sample rate, hertz; the noise fills half of it.
    pub rate: f64,
    /// The programme's band, hertz.
    pub band_hz: (f64, f64),
    /// Power of programme over noise, dB.
    pub snr_db: f64,
}

/// Standard uncertainty of the delay, seconds.
pub fn bound(of: &Pink, settings: &EstimateSettings) -> f64 {
    let noise = 10f64.powf(-of.snr_db / 10.0) / (of.rate / 2.0);
    let (from, to) = of.band_hz;
    let low = settings.band_hz.0.max(from);
    let high = settings.band_hz.1.min(to);
    let steps = 20_000;
    let df = (high - low) / f64::from(steps);
    let n = settings.terms.len() + 1;
    let mut information = Array2::<f64>::zeros((n, n));
    for i in 0..steps {
        let f = low + (f64::from(i) + 0.5) * df;
        let snr = 1.0 / (f * (to / from).ln()) / noise;
        let c = (snr / (1.0 + snr)).powi(2);
        let q = 2.0 * of.seconds * df * c / (1.0 - c);
        let a: Vec<f64> = std::iter::once(TAU * f)
            .chain(settings.terms.iter().map(|t| t.shape.at(TAU * f)))
            .collect();
        for r in 0..n {
            for c in 0..n {
                information[[r, c]] += q * a[r] * a[c];
            }
        }
    }
    for (j, term) in settings.terms.iter().enumerate() {
        information[[j + 1, j + 1]] += term.prior_u.powi(-2);
    }
    // The other parameters eliminated one by one (Schur complement).
    for pivot in (1..n).rev() {
        for r in 0..pivot {
            let factor = information[[r, pivot]] / information[[pivot, pivot]];
            for c in 0..=pivot {
                information[[r, c]] -= factor * information[[pivot, c]];
            }
        }
    }
    information[[0, 0]].sqrt().recip()
}
