//! The phase model and its fit.
//!
//! The phase of `L conj(R)` at angular frequency `w` is modelled as `w t +
//! sum_j d_j e_j(w)`, after removing pi for an inverted channel. The intercept
//! is fixed: nothing in a groove or a chain shifts the phase of all frequencies
//! alike, other than an inversion.

use super::limits::{CONVERGED_U, MISFIT_P, MOST_STEPS, WEIGHING_STEPS};
use super::{Owner, Side, Term};
use crate::adjust::Cholesky;
pub use crate::spectrum::EQUALISER;
use crate::uncertainty::{chi_square_upper_tail, huber_limit};
use ndarray::{Array1, Array2};
use std::f64::consts::{PI, TAU};

/// A coil's inductance with the load it sees, alike in both channels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Load {
    /// Inductance of one channel's coil, henry.
    pub inductance_h: f64,
    /// Load resistance, ohm.
    pub resistance_ohm: f64,
    /// Load capacitance, cable included, farad.
    pub capacitance_f: f64,
}

impl Load {
    /// Derivative of the logarithm of `1 / (1 - w^2 L C + i w L / R)` by the
    /// logarithm of a part: real (gain, nepers) and imaginary (phase, radians).
    pub fn log_derivative(&self, part: LoadPart, w: f64) -> (f64, f64) {
        let a = w * w * self.inductance_h * self.capacitance_f;
        let b = w * self.inductance_h / self.resistance_ohm;
        // (x + i y) / (1 - a + i b)
        let (x, y) = match part {
            LoadPart::Inductance => (a, -b),
            LoadPart::Resistance => (0.0, b),
            LoadPart::Capacitance => (a, 0.0),
        };
        let square = (1.0 - a).powi(2) + b * b;
        (
            (x * (1.0 - a) + y * b) / square,
            (y * (1.0 - a) - x * b) / square,
        )
    }
}

/// A part of a [`Load`] in which the channels may differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LoadPart {
    /// The coil.
    Inductance,
    /// The load resistance.
    Resistance,
    /// The load capacitance.
    Capacitance,
}

/// Phase per unit of a term, over angular frequency.
#[derive(Debug, Clone, PartialEq)]
pub enum PhaseShape {
    /// A pure delay: `w`.
    Delay,
    /// An equaliser time constant, right over left, per unit of its logarithm:
    /// `sign w T / (1 + (w T)^2)`.
    Equaliser {
        /// Time constant, seconds.
        seconds: f64,
        /// +1 for a pole, -1 for a zero.
        sign: f64,
    },
    /// A part of the coil's load, right over left, per unit of its logarithm:
    /// the derivative of the phase of `1 / (1 - w^2 L C + i w L / R)`, negated.
    Load {
        /// The nominal parts.
        load: Load,
        /// The part that differs.
        part: LoadPart,
    },
    /// A curve on a grid of frequencies (hertz, ascending), linear in the
    /// logarithm of frequency, constant beyond its ends.
    Curve {
        /// Frequencies, hertz.
        hertz: Vec<f64>,
        /// Phase per unit, radians.
        radians: Vec<f64>,
    },
}

impl PhaseShape {
    /// Phase per unit of the term at angular frequency `w`, radians.
    pub fn at(&self, w: f64) -> f64 {
        match self {
            Self::Delay => w,
            Self::Equaliser { seconds, sign } => {
                let wt = w * seconds;
                sign * wt / (1.0 + wt * wt)
            }
            Self::Load { load, part } => -load.log_derivative(*part, w).1,
            Self::Curve { hertz, radians } => {
                let f = w / TAU;
                match hertz.iter().position(|h| *h > f) {
                    _ if hertz.is_empty() => 0.0,
                    Some(0) => radians[0],
                    None => radians[radians.len() - 1],
                    Some(i) => {
                        let x = (f / hertz[i - 1]).ln() / (hertz[i] / hertz[i - 1]).ln();
                        radians[i - 1] + x * (radians[i] - radians[i - 1])
                    }
                }
            }
        }
    }
}

impl PhaseShape {
    /// Logarithm of the gain, left over right, per unit of the term at angular frequency `w`,
    /// nepers. A delay has none, and of a curve only the phase is known.
    pub fn gain(&self, w: f64) -> f64 {
        match self {
            Self::Delay | Self::Curve { .. } => 0.0,
            Self::Equaliser { seconds, sign } => {
                let square = (w * seconds).powi(2);
                sign * square / (1.0 + square)
            }
            Self::Load { load, part } => -load.log_derivative(*part, w).0,
        }
    }
}

/// A term beside the delay, with its prior (mean 0).
#[derive(Debug, Clone, PartialEq)]
pub struct PhaseTerm {
    /// Name, owner, side.
    pub term: Term,
    /// Prior standard uncertainty, in the term's unit.
    pub prior_u: f64,
    /// Its phase per unit.
    pub shape: PhaseShape,
}

/// Name of the equaliser term of a time constant, as used everywhere.
pub fn equaliser_term(seconds: f64) -> Term {
    Term {
        name: format!("equaliser {:.0} us", seconds * 1e6),
        owner: Owner::Chain,
        side: Side::BehindSwap,
    }
}

/// Prior standard uncertainty of `d ln T`, right minus left: each of the two
/// channels makes each time constant of two parts, a resistor and a capacitor,
/// of relative standard uncertainty `component_tolerance`; four in quadrature.
pub fn equaliser_u(component_tolerance: f64) -> f64 {
    2.0 * component_tolerance
}

/// The three equaliser terms (d ln T, right minus left) for parts of relative
/// standard uncertainty `component_tolerance`.
pub fn equaliser_terms(component_tolerance: f64) -> Vec<PhaseTerm> {
    EQUALISER
        .iter()
        .map(|&(seconds, sign)| PhaseTerm {
            term: equaliser_term(seconds),
            prior_u: equaliser_u(component_tolerance),
            shape: PhaseShape::Equaliser { seconds, sign },
        })
        .collect()
}

/// One bin as used by the fit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    /// Angular frequency, radians per second.
    pub w: f64,
    /// Phase of `L conj(R)`, radians.
    pub phase: f64,
    /// Information about the phase, 1/radian^2: `2 n C / (1 - C)`.
    pub information: f64,
}

/// Why a fit fails.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum FitError {
    /// No point has information about the delay.
    NoInformation,
    /// Two terms without priors have proportional phases.
    Singular,
    /// No convergence after [`MOST_STEPS`].
    NotConverged,
}

/// Result of a fit, before over-dispersion is applied.
#[derive(Debug, Clone)]
pub(super) struct PhaseFit {
    /// Delay and terms.
    pub values: Array1<f64>,
    /// Data information at the solution, robust weights included.
    pub information: Array2<f64>,
    /// Gradient of the data part at the solution (zero but for priors).
    pub score: Array1<f64>,
    /// Covariance with the priors.
    pub covariance: Array2<f64>,
    /// Robust weight of each point, 0 to 1.
    pub weights: Vec<f64>,
    /// Mean square of the normalised residuals over points that matter.
    pub reduced_chi_square: f64,
    /// Number of these points.
    pub points: usize,
    /// Share of the sharp points, by number and by information, that are more than a
    /// quarter turn off the model.
    pub opposed: f64,
}

impl PhaseFit {
    /// Variance of the delay by noise alone, seconds^2.
    pub fn random_variance(&self) -> f64 {
        let gain = self.covariance.row(0);
        gain.dot(&self.information.dot(&gain))
    }

    /// Factor by which the residuals' variance exceeds that of noise, 1 where the
    /// excess is not significant at 0.1 %: the ratio of R. T. Birge (Phys. Rev. 40,
    /// 1932, 207, from memory). Unlike the jackknife's it includes errors common to
    /// all stretches of time, such as tracing's harmonics of a voice.
    pub fn misfit(&self) -> f64 {
        birge(self.reduced_chi_square, self.points as f64)
    }
}

fn birge(chi: f64, n: f64) -> f64 {
    let by_chance = chi_square_upper_tail(chi * n, n).unwrap_or(1.0);
    if chi > 1.0 && by_chance < MISFIT_P {
        chi
    } else {
        1.0
    }
}

/// [`PhaseFit::misfit`] of the sizes of residuals, normalised.
pub(super) fn misfit(sizes: &[f64]) -> f64 {
    let n = sizes.len() as f64;
    birge(mean_square(sizes), n)
}

fn mean_square(sizes: &[f64]) -> f64 {
    match sizes.len() {
        0 => 1.0,
        n => sizes.iter().map(|s| s * s).sum::<f64>() / n as f64,
    }
}

/// An angle wrapped into -pi..pi.
pub(super) fn wrap(angle: f64) -> f64 {
    angle - TAU * ((angle + PI) / TAU).floor()
}

/// Fits delay and terms to the points (`design` holds their shapes, one row a
/// point) by Fisher scoring on the sines of the
/// residuals (the score of a bin's phase under the complex Wishart law), from
/// `start` on. `dispersion` divides the data's information.
pub(super) fn fit(
    points: &[Point],
    design: &Array2<f64>,
    terms: &[PhaseTerm],
    start: &[f64],
    dispersion: f64,
) -> Result<PhaseFit, FitError> {
    let n = terms.len() + 1;
    let mut values = Array1::from_vec(start.to_vec());
    let mut prior = Array2::<f64>::zeros((n, n));
    for (j, term) in terms.iter().enumerate() {
        prior[[j + 1, j + 1]] = term.prior_u.powi(-2);
    }
    let mut converged = false;
    let (mut weights, mut sizes) = (Vec::new(), Vec::new());
    for pass in 0..MOST_STEPS {
        let residuals: Vec<f64> = points
            .iter()
            .zip(design.rows())
            .map(|(p, row)| wrap(p.phase - row.dot(&values)))
            .collect();
        if pass < WEIGHING_STEPS {
            (weights, sizes) = huber_weights(points, &residuals);
        }
        let mut information = Array2::<f64>::zeros((n, n));
        let mut score = Array1::<f64>::zeros(n);
        for ((point, row), (residual, weight)) in points
            .iter()
            .zip(design.rows())
            .zip(residuals.iter().zip(&weights))
        {
            let q = point.information * weight / dispersion;
            for i in 0..n {
                score[i] += q * residual.sin() * row[i];
                for j in 0..=i {
                    information[[i, j]] += q * row[i] * row[j];
                }
            }
        }
        for i in 0..n {
            for j in i + 1..n {
                information[[i, j]] = information[[j, i]];
            }
        }
        // the delay alone has no prior
        if information[[0, 0]] <= 0.0 {
            return Err(FitError::NoInformation);
        }
        let matrix = &information + &prior;
        let covariance = Cholesky::new(&matrix).ok_or(FitError::Singular)?.inverse();
        // Ratio of a value's standard deviation to that with all others known, as
        // limited by rounding in the matrix's sums.
        let most = 1.0 / (points.len() as f64 * f64::EPSILON);
        if (0..n).any(|i| covariance[[i, i]] * matrix[[i, i]] > most) {
            return Err(FitError::Singular);
        }
        let step = covariance.dot(&(&score - prior.dot(&values)));
        if converged {
            return Ok(PhaseFit {
                values,
                information,
                score,
                covariance,
                weights,
                reduced_chi_square: mean_square(&sizes),
                points: sizes.len(),
                opposed: opposed_share(points, &residuals),
            });
        }
        values += &step;
        // One more pass evaluates everything at the final values.
        converged = (0..n).all(|i| step[i].abs() < CONVERGED_U * covariance[[i, i]].sqrt());
    }
    Err(FitError::NotConverged)
}

/// A point with a precise phase more than a quarter turn off the model is not
/// the programme but a motion of the walls in opposition, such as the even
/// harmonics of tracing distortion; it has no information about the delay.
fn opposed(point: &Point, residual: &f64) -> bool {
    point.information > 0.0 && residual.abs() > std::f64::consts::FRAC_PI_2
}

/// Share of [`opposed`] points among those of sharp phase: by their number or by their
/// information, whichever is less. One line of hum may hold most of the information, and a
/// treble with next to nothing in it most of the band; neither is opposition of much of it.
fn opposed_share(points: &[Point], residuals: &[f64]) -> f64 {
    let (mut all, mut against) = ((0.0, 0.0), (0.0, 0.0));
    for (point, residual) in points.iter().zip(residuals) {
        if point.information > 0.0 {
            all = (all.0 + 1.0, all.1 + point.information);
        }
        if opposed(point, residual) {
            against = (against.0 + 1.0, against.1 + point.information);
        }
    }
    match all.0 > 0.0 {
        true => f64::min(against.0 / all.0, against.1 / all.1),
        false => 0.0,
    }
}

/// Huber weights of the residuals against their own robust scale, and the sizes
/// of those that matter, normalised and limited.
pub(super) fn huber_weights(points: &[Point], residuals: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let normalised = |(p, r): (&Point, &f64)| p.information.sqrt() * r.abs();
    let sizes: Vec<f64> = points
        .iter()
        .zip(residuals)
        .filter(|(p, r)| p.information > 0.0 && !opposed(p, r))
        .map(normalised)
        .collect();
    if sizes.is_empty() {
        return (vec![1.0; points.len()], sizes);
    }
    let limit = huber_limit(sizes.iter().copied());
    let weights: Vec<f64> = points
        .iter()
        .zip(residuals)
        .map(|pair| {
            if opposed(pair.0, pair.1) {
                0.0
            } else {
                (limit / normalised(pair).max(limit)).min(1.0)
            }
        })
        .collect();
    (weights, sizes.iter().map(|s| s.min(limit)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wrapped_angles_stay_within_half_a_turn() {
        for k in -3..=3 {
            let a = wrap(0.5 + TAU * f64::from(k));
            assert!((a - 0.5).abs() < 1e-12, "{a}");
        }
        assert!((wrap(PI + 0.1) - (0.1 - PI)).abs() < 1e-12);
    }

    /// The phase of the playback network by complex arithmetic, and its
    /// derivative by the logarithm of each time constant by differences.
    #[test]
    fn equaliser_shapes_are_the_derivatives_of_the_network_phase() {
        use rustfft::num_complex::Complex;
        let phase = |w: f64, t: [f64; 3]| {
            let one = Complex::new(1.0, 0.0);
            let f = |t: f64| one + Complex::new(0.0, w * t);
            (f(t[1]) / (f(t[0]) * f(t[2]))).arg()
        };
        let nominal = [3180e-6, 318e-6, 75e-6];
        // references.json, id riaa_phase: -48.95382762169009 deg at 1 kHz.
        let at_1k = phase(TAU * 1000.0, nominal).to_degrees();
        assert!((at_1k + 48.953_827_621_690_09).abs() < 1e-9, "{at_1k}");
        for hertz in [30.0, 500.0, 2122.0, 15_000.0] {
            let w = TAU * hertz;
            for (j, term) in equaliser_terms(0.01).iter().enumerate() {
                let h = 1e-4;
                let (mut up, mut down) = (nominal, nominal);
                up[j] *= f64::exp(h);
                down[j] *= f64::exp(-h);
                // right over left is late by minus the phase of the right
                let slope = -(phase(w, up) - phase(w, down)) / (2.0 * h);
                assert!((slope - term.shape.at(w)).abs() < 1e-7, "{hertz} {j}");
            }
        }
    }
}
