//! What a cartridge does to one channel otherwise than to the other.
//!
//! Behind the groove the ratio of the channels is, in logarithms and to first order in what is
//! unlike and in crosstalk `c1` (right into left) and `c2` (left into right),
//!
//! ```text
//! ln (L / R) = i w t + D cos(w t) - i S sin(w t)
//! D = ln (response of left / response of right) + c1 - c2        S = c1 + c2
//! ```
//!
//! What `S` is to all frequencies alike belongs to the scale of the delay. Whatever has a cause answers
//! after it, so gain and phase of `D` belong together, and those of `S`: the gain, which no
//! delay changes, is evidence on the phase. `D` and `S` are therefore sums of the responses of physical
//! causes (coils, resonances, crosstalk through resonances), each of a size with a prior. What
//! no cause in the table makes is a smooth departure of phase and gain, each by itself.
//!
//! How strong the causes of a kind are in this cartridge is not known beforehand. Each kind
//! has a few levels, and the result is the mean over all combinations by their evidence
//! (marginal likelihood): a phase and a gain that show nothing narrow the band, without making
//! it narrower than what they cannot show.

use super::phase::{self, Fit, Load, LoadPart, PhaseTerm, Point, wrap};
use super::{Information, Owner, Side, Term};
use crate::adjust::{Cholesky, symmetric_eigen};
use crate::spectrum::Complex64;
use ndarray::{Array1, Array2};
use std::f64::consts::TAU;

/// Which causes a recording's phase may have. What a calibration has taken out, or a term of its own
/// stands for, is none.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cartridge {
    /// Coils with their load, unlike in the channels.
    pub coils: bool,
    /// Crosstalk, and a vertical response unlike the lateral one.
    pub crosstalk: bool,
}

impl Cartridge {
    /// One of which nothing is known.
    pub const UNKNOWN: Self = Self {
        coils: true,
        crosstalk: true,
    };
}

/// Name of what the phase keeps of a cartridge's response when all that gain and phase tell of it
/// is used.
const RESPONSE: &str = "phase response";

/// Whether a term is what a cartridge's response leaves: the part that all recordings of the
/// cartridge share, or the part of one alone. Each is an unknown of unit standard deviation.
pub fn is_response(term: &Term) -> bool {
    term.name == RESPONSE
}

fn response_term(owner: Owner) -> Term {
    Term {
        name: RESPONSE.into(),
        owner,
        side: Side::BeforeSwap,
    }
}

/// How much of the variance that a response leaves two recordings of one cartridge share. Their
/// programmes weigh the frequencies differently, so the rest is each one's own. Common practice, no source.
const SHARED: f64 = 0.8;

/// Causes whose strengths go together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Coils = 0,
    Resonance = 1,
    Crosstalk = 2,
    Rest = 3,
    /// Its strength is its prior's.
    Fixed = 4,
}

/// Levels of a kind's strength, over that in the table of causes, each with its prior weight.
/// A kind may be absent, below the usual, or beyond it. Common practice, no source; the last
/// levels of crosstalk and of the rest are for cartridges out of order, which are rarer.
const ORDINARY: &[(f64, f64)] = &[(0.2, 1.0), (0.6, 1.0), (1.8, 1.0)];
const CROSSTALK: &[(f64, f64)] = &[(0.1, 1.0), (0.4, 1.0), (1.5, 1.0), (3.0, 0.3)];
const REST: &[(f64, f64)] = &[(1.0, 0.8), (5.0, 0.15), (25.0, 0.05)];

/// Standard deviations of `ln L`, `ln R`, `ln C` between channels: makers match coils to
/// some percent; the load's resistors are of 1 %, cables differ by some picofarads. Common practice, no source.
const COIL_U: [f64; 3] = [0.02, 0.01, 0.02];
/// Coils and loads that are common: henry, farad, at 47 kohm. Common practice, no source.
const COILS: [(f64, f64); 3] = [(0.3, 150e-12), (0.5, 200e-12), (0.65, 300e-12)];
const LOAD_OHM: f64 = 47e3;
/// Standard deviation of a tip's resonance between channels, relative (2 % believed, see the
/// model), and of its damping, twice that.
const RESONANCE_U: f64 = 0.03;
/// Resonances of tip and groove, hertz: 15 to 25 kHz are common (no source), with some margin.
const RESONANCES_HZ: [f64; 4] = [14e3, 17e3, 21e3, 26e3];
const RESONANCE_Q: [f64; 2] = [1.2, 2.5];
/// Standard deviation of `c1 - c2` and `c1 + c2`: two crosstalks of -30 dB, where separation of
/// 25 to 35 dB at 1 kHz is usual (makers' data sheets, from memory).
const CROSSTALK_U: f64 = 0.045;
/// Resonances through which crosstalk rises, as separation falls from some kilohertz on
/// (makers' data sheets, from memory).
const CROSSTALK_HZ: [f64; 8] = [6e3, 7.3e3, 8.9e3, 10.9e3, 13.2e3, 16.1e3, 19.7e3, 24e3];
const CROSSTALK_Q: [f64; 2] = [0.8, 2.0];
const CROSSTALK_SUM_Q: f64 = 1.3;
/// Relative standard deviation of the vertical resonance against the lateral one, as it counts
/// in `S`, per resonance in [`VERTICAL_HZ`]: a tenth either way. Believed.
const VERTICAL_U: f64 = 0.05;
const VERTICAL_HZ: [f64; 2] = [16e3, 22e3];
/// Standard deviation of `S` in what all frequencies share, which bends the phase of a large
/// delay: two crosstalks of -25 dB, as in the scale's prior.
const BEND_U: f64 = 0.08;
/// The rest: phase as a delay, seconds, of which one part is alike at all frequencies and
/// the others lie an octave from each other, and gain, nepers, likewise. With these, what
/// resonant crosstalk leaves beside its own terms, 0.1 to 0.4 us, was within the band (trials with
/// `tests/cross-check/cartridge.py`). The octaves reach beyond the band, so that its edges do not
/// tell a delay from a sum of all.
const REST_DELAY_U: f64 = 0.07e-6;
const REST_SKEW_U: f64 = 0.1e-6;
const REST_GAIN_U: f64 = 0.005;
const REST_TOP_HZ: f64 = 32e3;
const REST_OCTAVES: i32 = 10;
/// Width of each, octaves: neighbours overlap, and their sum ripples by a few percent.
const REST_WIDTH: f64 = 0.8;
/// Standard deviation of the balance, nepers: more than any cartridge has.
const BALANCE_U: f64 = 2.0;
/// Share of what a channel does not share with the other by which the noise powers of the
/// channels may differ, in the gain that it adds: noise of one channel alone makes a quarter of it.
const NOISE_UNLIKE: f64 = 0.25;
/// Seconds in the unit by which the delay is solved for, so that all unknowns are of order one.
const MICROSECOND: f64 = 1e-6;

/// A gain of the left channel over the right, nepers, with its information.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Gain {
    /// Logarithm of the ratio of amplitudes.
    pub nepers: f64,
    /// Information about it, 1/nepers^2.
    pub information: f64,
}

impl Gain {
    /// Of powers, whose phase has this information from as many averages. A gain and a phase are
    /// known alike (complex Wishart law, for small noise); what the channels do not share may be of
    /// unlike power in them.
    pub fn of((left, right): (f64, f64), phase_information: f64, averages: f64) -> Self {
        let incoherent = 2.0 * averages / (2.0 * averages + phase_information);
        let nepers = 0.5 * (left / right).ln();
        let unlike = NOISE_UNLIKE * incoherent;
        let information = match phase_information > 0.0 && nepers.is_finite() {
            true => (phase_information.recip() + unlike * unlike).recip(),
            false => 0.0,
        };
        let nepers = if information > 0.0 { nepers } else { 0.0 };
        Self {
            nepers,
            information,
        }
    }
}

/// A resonance's `1 - x^2 + i x / q` and `x`.
fn resonance(w: f64, hertz: f64, q: f64) -> (Complex64, f64) {
    let x = w / (TAU * hertz);
    (Complex64::new(1.0 - x * x, x / q), x)
}

/// What each cause makes of `ln (L / R)` at `w`, of one standard deviation.
fn causes(cartridge: Cartridge, w: f64, delay: f64) -> Vec<(Kind, Complex64)> {
    let real = |x: f64| Complex64::new(x, 0.0);
    let difference = real((w * delay).cos());
    let sum = Complex64::new(0.0, -(w * delay).sin());
    let mut list = Vec::with_capacity(80);
    if cartridge.coils {
        let each = (COILS.len() as f64).sqrt().recip();
        for (inductance_h, capacitance_f) in COILS {
            let load = Load {
                inductance_h,
                resistance_ohm: LOAD_OHM,
                capacitance_f,
            };
            let parts = [
                LoadPart::Inductance,
                LoadPart::Resistance,
                LoadPart::Capacitance,
            ];
            for (part, u) in parts.into_iter().zip(COIL_U) {
                let (gain, phase) = load.log_derivative(part, w);
                let of = Complex64::new(gain, phase) * (u * each);
                list.push((Kind::Coils, difference * of));
            }
        }
    }
    let each = ((RESONANCES_HZ.len() * RESONANCE_Q.len()) as f64)
        .sqrt()
        .recip();
    for hertz in RESONANCES_HZ {
        for q in RESONANCE_Q {
            let (d, x) = resonance(w, hertz, q);
            // by the logarithms of frequency and damping
            let shifted = Complex64::new(2.0 * x * x, -x / q) / d;
            let damped = Complex64::new(0.0, 2.0 * x / q) / d;
            for of in [shifted, damped] {
                list.push((Kind::Resonance, difference * of * (RESONANCE_U * each)));
            }
        }
    }
    if cartridge.crosstalk {
        let each = ((CROSSTALK_HZ.len() * CROSSTALK_Q.len()) as f64)
            .sqrt()
            .recip();
        for hertz in CROSSTALK_HZ {
            for q in CROSSTALK_Q {
                // beyond what it is at low frequencies, which balance and scale hold
                let through = resonance(w, hertz, q).0.inv() - 1.0;
                list.push((Kind::Crosstalk, difference * through * (CROSSTALK_U * each)));
            }
        }
        let each = (CROSSTALK_HZ.len() as f64).sqrt().recip();
        for hertz in CROSSTALK_HZ {
            let through = resonance(w, hertz, CROSSTALK_SUM_Q).0.inv() - 1.0;
            list.push((Kind::Crosstalk, sum * through * (CROSSTALK_U * each)));
        }
        for hertz in VERTICAL_HZ {
            let (d, x) = resonance(w, hertz, 2.0);
            let shifted = Complex64::new(2.0 * x * x, -x / 2.0) / d;
            list.push((Kind::Fixed, sum * shifted * VERTICAL_U));
        }
        let phase = w * delay;
        let bend = Complex64::new(0.0, phase - phase.sin());
        list.push((Kind::Fixed, bend * BEND_U));
    }
    for k in 0..REST_OCTAVES {
        let octaves = (w / (TAU * REST_TOP_HZ)).log2() + f64::from(k);
        let at = (-0.5 * (octaves / REST_WIDTH).powi(2)).exp();
        list.push((Kind::Rest, Complex64::new(0.0, w * REST_DELAY_U * at)));
        list.push((Kind::Rest, real(REST_GAIN_U * at)));
    }
    list.push((Kind::Rest, Complex64::new(0.0, w * REST_SKEW_U)));
    list.push((Kind::Fixed, real(BALANCE_U)));
    list
}

/// What gain and phase together say of delay, terms and the cartridge's response.
#[derive(Debug, Clone)]
pub(super) struct Joint {
    cartridge: Cartridge,
    delay: f64,
    /// Sizes of the causes, in standard deviations of the table.
    sizes: Array1<f64>,
    /// Delay and terms.
    pub values: Array1<f64>,
    /// Their covariance, with priors and all that is not known of the response.
    pub covariance: Array2<f64>,
    /// Information on delay and terms before their priors.
    information: Array2<f64>,
    /// Standard deviation of the delay that the response leaves, seconds.
    left_s: f64,
    /// Standard deviation of the delay by noise, which moves what is found of the response too,
    /// seconds.
    pub noise_s: f64,
    /// Factor by which the residuals' variance exceeds what noise explains.
    pub misfit: f64,
    /// Probability that what is left beside the causes of the table is as small as usual.
    pub ordinary: f64,
}

/// The matrix and vector of normal equations: causes first, then delay and terms, each in its unit.
struct Normal {
    matrix: Array2<f64>,
    vector: Array1<f64>,
}

/// One combination of strengths.
struct Combination {
    log_evidence: f64,
    solution: Array1<f64>,
    /// Covariance of delay and terms.
    covariance: Array2<f64>,
    /// The part of the delay's variance that is noise, not priors.
    noise: f64,
    ordinary: bool,
}

impl Normal {
    /// Solved for one combination of strengths, `None` where it is singular.
    fn solve(&self, kinds: &[Kind], levels: [(f64, f64); 4]) -> Option<Combination> {
        let causes = kinds.len();
        let n = self.vector.len();
        let scale = |k: usize| match kinds.get(k) {
            None | Some(Kind::Fixed) => 1.0,
            Some(kind) => levels[*kind as usize].0,
        };
        let scales: Vec<f64> = (0..n).map(scale).collect();
        let mut matrix = self.matrix.clone();
        for (i, mut row) in matrix.rows_mut().into_iter().enumerate() {
            for (value, scale) in row.iter_mut().zip(&scales) {
                *value *= scales[i] * scale;
            }
            // all but the delay have a prior
            row[i] += f64::from(u8::from(i != causes));
        }
        let factor = Cholesky::new(&matrix)?;
        let vector = Array1::from_shape_fn(n, |k| self.vector[k] * scales[k]);
        let mut solution = factor.solve(&vector);
        let explained = vector.dot(&solution);
        let covariance = factor.inverse_from(causes);
        // Of the inverse of F + P, with unit priors P, the part (F + P)^-1 F (F + P)^-1.
        let mut unit = Array1::zeros(n);
        unit[causes] = 1.0;
        let by_priors: f64 = factor.solve(&unit).iter().map(|c| c * c).sum();
        let noise = covariance[[0, 0]] - by_priors + covariance[[0, 0]].powi(2);
        for (value, scale) in solution.iter_mut().zip(&scales) {
            *value *= scale;
        }
        let weight: f64 = levels.iter().map(|level| level.1.ln()).sum();
        Some(Combination {
            log_evidence: weight + 0.5 * (explained - factor.log_determinant()),
            solution,
            covariance,
            noise,
            ordinary: levels[Kind::Rest as usize].0 == REST[0].0,
        })
    }
}

/// Fits delay, terms and causes to phases and gains at once. `start` is a fit of the phases alone,
/// `delay` the whole delay as far as it is known, `dispersion` divides the data's information.
/// `None` where the fit is singular.
pub(super) fn fit(
    (points, gains): (&[Point], &[Gain]),
    design: &Array2<f64>,
    terms: &[PhaseTerm],
    start: &Fit,
    (cartridge, delay): (Cartridge, f64),
    dispersion: f64,
) -> Option<Joint> {
    let mut kinds = Vec::new();
    let own = terms.len() + 1;
    let units: Array1<f64> = std::iter::once(MICROSECOND)
        .chain(terms.iter().map(|t| t.prior_u))
        .collect();
    let rows: Vec<[Array1<f64>; 2]> = points
        .iter()
        .zip(design.rows())
        .map(|(point, row)| {
            let causes = causes(cartridge, point.w, delay);
            let phases = causes.iter().map(|c| c.1.im);
            let gains = causes.iter().map(|c| c.1.re);
            let own_phases = row.iter().zip(&units).map(|(s, u)| s * u);
            let own_gains = terms.iter().map(|t| t.shape.gain(point.w) * t.prior_u);
            kinds = causes.iter().map(|c| c.0).collect();
            [
                phases.chain(own_phases).collect(),
                gains.chain([0.0]).chain(own_gains).collect(),
            ]
        })
        .collect();
    let n = kinds.len() + own;
    let near: Vec<f64> = design
        .rows()
        .into_iter()
        .map(|r| r.dot(&start.values))
        .collect();
    // what is to be explained: phases near the start, and gains
    let targets: Vec<[f64; 2]> = (points.iter().zip(gains).zip(&near))
        .map(|((p, g), near)| [near + wrap(p.phase - near), g.nepers])
        .collect();
    let normal = |weights: &[[f64; 2]], spread: f64| {
        let mut matrix = Array2::<f64>::zeros((n, n));
        let mut vector = Array1::<f64>::zeros(n);
        for (k, row) in rows.iter().enumerate() {
            let information = [points[k].information, gains[k].information];
            for c in 0..2 {
                let q = information[c] * weights[k][c] / spread;
                if q <= 0.0 {
                    continue;
                }
                vector.scaled_add(q * targets[k][c], &row[c]);
                for i in 0..n {
                    let scaled = q * row[c][i];
                    if scaled != 0.0 {
                        let mut into = matrix.row_mut(i);
                        into.scaled_add(scaled, &row[c]);
                    }
                }
            }
        }
        Normal { matrix, vector }
    };
    let mut weights: Vec<[f64; 2]> = start.weights.iter().map(|w| [*w, *w]).collect();
    let mut misfit = 1.0;
    // With all causes at large, what is left shows which points are none of their making.
    let large = [ORDINARY[2], ORDINARY[2], CROSSTALK[2], REST[1]];
    for _ in 0..2 {
        let found = normal(&weights, dispersion).solve(&kinds, large)?.solution;
        let left = |c: usize| -> Vec<f64> {
            let each = rows.iter().zip(&targets);
            each.map(|(row, target)| target[c] - row[c].dot(&found))
                .collect()
        };
        let as_points: Vec<Point> = points
            .iter()
            .zip(gains)
            .map(|(p, g)| Point {
                information: g.information,
                ..*p
            })
            .collect();
        let (of_phase, phase_sizes) = phase::huber_weights(points, &left(0));
        let (of_gain, _) = phase::huber_weights(&as_points, &left(1));
        weights = of_phase
            .into_iter()
            .zip(of_gain)
            .map(|(p, g)| [p, g])
            .collect();
        misfit = phase::misfit(&phase_sizes);
    }
    let normal = normal(&weights, dispersion.max(misfit));
    let mut list = Vec::new();
    let one = &[(1.0, 1.0)][..];
    let coils = if cartridge.coils { ORDINARY } else { one };
    let crosstalk = if cartridge.crosstalk { CROSSTALK } else { one };
    for a in coils {
        for b in ORDINARY {
            for c in crosstalk {
                for d in REST {
                    list.push(normal.solve(&kinds, [*a, *b, *c, *d])?);
                }
            }
        }
    }
    let best = list
        .iter()
        .map(|c| c.log_evidence)
        .fold(f64::NEG_INFINITY, f64::max);
    let mut shares: Vec<f64> = list.iter().map(|c| (c.log_evidence - best).exp()).collect();
    let whole: f64 = shares.iter().sum();
    shares.iter_mut().for_each(|s| *s /= whole);
    let mut mean = Array1::<f64>::zeros(n);
    let mut covariance = Array2::<f64>::zeros((own, own));
    for (share, c) in shares.iter().zip(&list) {
        mean.scaled_add(*share, &c.solution);
        covariance.scaled_add(*share, &c.covariance);
    }
    let at = kinds.len();
    // what the combinations differ in the delay
    let between: f64 = (shares.iter().zip(&list))
        .map(|(share, c)| share * (c.solution[at] - mean[at]).powi(2))
        .sum();
    let ordinary = shares
        .iter()
        .zip(&list)
        .filter(|(_, c)| c.ordinary)
        .map(|(s, _)| s)
        .sum();
    covariance[[0, 0]] += between;
    // delay and terms if the response were known
    let known = Array2::from_shape_fn((own, own), |(i, j)| {
        let prior = f64::from(u8::from(i == j && i > 0));
        normal.matrix[[at + i, at + j]] + prior
    });
    let whole = Cholesky::new(&covariance)?.inverse();
    let noise: f64 = shares.iter().zip(&list).map(|(s, c)| s * c.noise).sum();
    // what is left if delay and noise are alone, at most half of which is taken for noise
    let alone = whole[[0, 0]].recip();
    let by_noise = noise.min(0.5 * alone).max(known[[0, 0]].recip());
    let left = (alone - by_noise).max(0.0);
    // without what the response leaves: the delay's variance less that, all else as it is
    let factor = left / (1.0 - left * whole[[0, 0]]);
    let column = whole.column(0).to_owned();
    let information = positive(Array2::from_shape_fn((own, own), |(i, j)| {
        let prior = f64::from(u8::from(i == j && i > 0));
        whole[[i, j]] + factor * column[i] * column[j] - prior
    }));
    let per = |(i, j): (usize, usize)| units[i] * units[j];
    Some(Joint {
        cartridge,
        delay,
        sizes: mean.iter().take(at).copied().collect(),
        values: Array1::from_shape_fn(own, |k| mean[at + k] * units[k]),
        covariance: Array2::from_shape_fn((own, own), |ij| covariance[ij] * per(ij)),
        information: Array2::from_shape_fn((own, own), |ij| information[ij] / per(ij)),
        left_s: left.sqrt() * MICROSECOND,
        noise_s: noise.max(0.0).sqrt() * MICROSECOND,
        misfit,
        ordinary,
    })
}

/// A symmetric matrix without what rounding makes negative of it.
fn positive(matrix: Array2<f64>) -> Array2<f64> {
    let (values, vectors) = symmetric_eigen(&matrix);
    let n = values.len();
    let mut kept = Array2::zeros((n, n));
    let least = values.iter().copied().fold(0.0, f64::max) * f64::EPSILON;
    for k in (0..n).filter(|&k| values[k] > least) {
        for i in 0..n {
            for j in 0..n {
                kept[[i, j]] += values[k] * vectors[[i, k]] * vectors[[j, k]];
            }
        }
    }
    (&kept + &kept.t()) * 0.5
}

impl Joint {
    /// Phase that the response makes at an angular frequency, radians.
    pub fn phase(&self, w: f64) -> f64 {
        let causes = causes(self.cartridge, w, self.delay);
        causes
            .iter()
            .zip(&self.sizes)
            .map(|((_, c), s)| c.im * s)
            .sum()
    }

    /// What the recording tells of delay and terms, before their priors, with what the cartridge's
    /// response leaves open; `offset` is a delay that was taken out before.
    pub fn information(&self, terms: &[PhaseTerm], offset: f64) -> Information {
        let mut values = self.values.clone();
        values[0] += offset;
        let mut vector = self.information.dot(&values);
        for (k, term) in terms.iter().enumerate() {
            vector[k + 1] += self.values[k + 1] / term.prior_u.powi(2);
        }
        let delay = Information::of_delay(0.0, 1.0).terms;
        let known = Information {
            terms: delay
                .into_iter()
                .chain(terms.iter().map(|t| t.term.clone()))
                .collect(),
            expansion: values.to_vec(),
            matrix: self.information.clone(),
            vector,
        };
        with_response(known, self.left_s)
    }
}

/// `known`, whose delay a response leaves uncertain by a standard deviation of `left_s` seconds,
/// with the terms that carry this.
pub(crate) fn with_response(known: Information, left_s: f64) -> Information {
    // each is a delay of so many seconds per unit
    let parts = [(Owner::Cartridge, SHARED), (Owner::Capture, 1.0 - SHARED)];
    parts.into_iter().fold(known, |known, (owner, share)| {
        let s = left_s * share.sqrt();
        let column = &known.matrix.column(0) * s;
        let own = s * s * known.matrix[[0, 0]];
        let entry = s * known.vector[0];
        known.with_term(response_term(owner), &column, own, entry)
    })
}
