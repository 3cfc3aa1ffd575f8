//! Difference of a cartridge's response between the channels.
//!
//! Behind the groove the ratio of the channels is, with crosstalk `c1` (right into left) and
//! `c2` (left into right),
//!
//! ```text
//! ln (L / R) = i w t + ln (response of left / response of right)
//!            + ln (1 + c1 exp(-i w t)) - ln (1 + c2 exp(i w t))
//! ```
//!
//! The part of `c1 + c2` common to all frequencies belongs to the scale of the delay, that of `c1 -
//! c2` to the balance. A physical response is causal, so its gain and phase are related: the gain,
//! which no delay changes, is evidence on the phase. The responses and crosstalks are therefore sums
//! of those of physical causes (coils, resonances, couplings), each of a size with a normal prior.
//! The rest is a smooth deviation of phase and gain, independent of one another.
//!
//! The strength of each kind of cause in this cartridge is unknown. Each kind has a few
//! levels, and the result is the mean over all combinations by their evidence (marginal
//! likelihood). A phase and a gain without deviations narrow the band, but no further than the
//! data can exclude them.
//!
//! For one combination the data are a Gaussian process (Rasmussen and Williams, Gaussian Processes
//! for Machine Learning, 2.7, from memory): the causes' covariance is the sum of their kinds', each
//! times the square of its level. All curves being smooth, some forty directions hold all
//! that the causes can make of the data, and each combination costs a factor of that size.

use super::band::Clusters;
use super::limits::{LEAST_RELATIVE_LIKELIHOOD, NEGLIGIBLE_DEVIATION, RELINEARISATIONS};
use super::phase::{self, Load, LoadPart, PhaseFit, PhaseTerm, Point, wrap};
use super::{Information, Owner, Side, Term};
use crate::adjust::{Cholesky, symmetric_eigen};
use crate::spectrum::Complex64;
use crate::units::MICROSECOND;
use ndarray::{Array1, Array2, Axis};
use std::f64::consts::TAU;

/// Possible causes of a recording's phase, without those that a calibration has corrected or a
/// separate term represents.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CartridgeResponse {
    /// Coils with their load, unlike in the channels.
    pub coils: bool,
    /// Crosstalk, and a vertical response unlike the lateral one.
    pub crosstalk: bool,
}

impl CartridgeResponse {
    /// An unknown cartridge.
    pub const UNKNOWN: Self = Self {
        coils: true,
        crosstalk: true,
    };
}

/// Name of the term for the remaining uncertainty of a cartridge's response.
const RESPONSE: &str = "phase response";

/// Whether a term is the remaining uncertainty of a cartridge's response: the part that all
/// recordings of the cartridge share, or the part of one alone. Each is an unknown of unit
/// standard deviation.
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

/// Share of the response's remaining variance that two recordings of one cartridge have in common. Their
/// programmes weight the frequencies differently, so the rest is independent: of 44 cartridges that
/// tests/cross-check/drawn.py draws, with three pieces of music each, 0.05 in the median, 0.38 in the mean.
const SHARED: f64 = 0.8;

/// Causes with a common strength.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum CauseKind {
    Coils,
    Resonance,
    /// Crosstalk by a coupling of first order.
    Coupling,
    /// By the high-pass part of a resonance.
    HighPass,
    /// By its band-pass part.
    BandPass,
    /// Noise that the walls have in common.
    Noise,
    Rest,
    /// Its strength is its prior's.
    Fixed,
}

/// The kinds of which the strength is not known.
const KINDS: [CauseKind; 7] = [
    CauseKind::Coils,
    CauseKind::Resonance,
    CauseKind::Coupling,
    CauseKind::HighPass,
    CauseKind::BandPass,
    CauseKind::Noise,
    CauseKind::Rest,
];

impl CauseKind {
    /// Levels of a kind's strength, over that in the table of causes, each with its prior weight. A
    /// kind may be almost absent, usual, or stronger. Common practice, no source; the last levels of
    /// the rest are for defective cartridges, which are rarer.
    fn levels(self) -> &'static [(f64, f64)] {
        match self {
            Self::Coils | Self::Resonance => &[(0.3, 1.0), (1.0, 1.0), (3.0, 1.0)],
            // with the table's size, -38, -26 and -14 dB
            Self::Coupling | Self::HighPass | Self::BandPass => {
                &[(0.25, 1.0), (1.0, 1.0), (4.0, 1.0)]
            }
            // two crosstalks of -25 dB, of -15 dB; or a vertical movement of the groove as large
            Self::Noise => &[(1.0, 1.0), (3.0, 1.0)],
            Self::Rest => &[(1.0, 0.8), (5.0, 0.15), (25.0, 0.05)],
            Self::Fixed => &[(1.0, 1.0)],
        }
    }

    /// The level for finding outliers: points that none of the causes explain.
    fn large(self) -> f64 {
        let levels = self.levels();
        match self {
            Self::Rest => levels[1].0,
            _ => levels[levels.len() - 1].0,
        }
    }
}

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
/// Standard deviation of either crosstalk where it is at its height: -26 dB. Separation of 20 to 35 dB
/// at 1 kHz and some 6 dB less at 10 kHz is usual, 14 dB there is poor (makers' data sheets, from
/// memory); the levels reach from below the one to the other.
const CROSSTALK_U: f64 = 0.05;
/// Corners of couplings of first order, a mutual inductance or a capacitance into the load, hertz.
/// Common practice, no source.
const COUPLING_HZ: [f64; 2] = [6e3, 13e3];
/// Resonances through which crosstalk rises, as separation falls from some kilohertz on
/// (makers' data sheets, from memory).
const CROSSTALK_HZ: [f64; 8] = [6e3, 7.3e3, 8.9e3, 10.9e3, 13.2e3, 16.1e3, 19.7e3, 24e3];
const CROSSTALK_Q: [f64; 2] = [0.8, 2.0];
/// Relative standard deviation of the vertical resonance against the lateral one, as it counts
/// in both crosstalks alike, per resonance in [`VERTICAL_HZ`]: a tenth either way. Believed.
const VERTICAL_U: f64 = 0.05;
const VERTICAL_HZ: [f64; 2] = [16e3, 22e3];
/// Standard deviation of `c1 + c2` in what all frequencies share, which shapes the phase of a large
/// delay: two crosstalks of -25 dB, as in the scale's prior.
pub(super) const CROSSTALK_PHASE_U: f64 = 0.08;
/// What the walls' noises have in common, over their power: what two crosstalks of -25 dB carry from
/// wall to wall, as in the scale's prior, at all frequencies alike and an octave wide.
const NOISE_U: f64 = CROSSTALK_PHASE_U;
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

/// Where a cause enters `ln (L / R)`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum AppliesTo {
    /// As a response of the left channel over the right.
    Response,
    /// As crosstalk into one channel.
    Left,
    Right,
    /// As crosstalk into both alike.
    Both,
    /// As what noise, which has no delay, has in common in both.
    Noise,
}

/// A cause of one standard deviation at one frequency.
struct Cause {
    kind: CauseKind,
    enters: AppliesTo,
    size: Complex64,
}

/// The causes at `w`.
fn causes(cartridge: CartridgeResponse, w: f64, delay: f64) -> Vec<Cause> {
    let real = |x: f64| Complex64::new(x, 0.0);
    let imaginary = |x: f64| Complex64::new(0.0, x);
    let mut list = Vec::with_capacity(128);
    let mut add = |kind, enters, size| list.push(Cause { kind, enters, size });
    let share = |count: usize| (count as f64).sqrt().recip();
    if cartridge.coils {
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
                let of = Complex64::new(gain, phase) * (u * share(COILS.len()));
                add(CauseKind::Coils, AppliesTo::Response, of);
            }
        }
    }
    let u = RESONANCE_U * share(RESONANCES_HZ.len() * RESONANCE_Q.len());
    for hertz in RESONANCES_HZ {
        for q in RESONANCE_Q {
            let (d, x) = resonance(w, hertz, q);
            // by the logarithms of frequency and damping
            let shifted = Complex64::new(2.0 * x * x, -x / q) / d;
            let damped = imaginary(2.0 * x / q) / d;
            add(CauseKind::Resonance, AppliesTo::Response, shifted * u);
            add(CauseKind::Resonance, AppliesTo::Response, damped * u);
        }
    }
    if cartridge.crosstalk {
        // Each beyond what it is at low frequencies, which balance and scale hold.
        for enters in [AppliesTo::Left, AppliesTo::Right] {
            let u = CROSSTALK_U * share(COUPLING_HZ.len());
            for hertz in COUPLING_HZ {
                let coupled = Complex64::new(1.0, -TAU * hertz / w).inv();
                add(CauseKind::Coupling, enters, coupled * u);
            }
            let u = CROSSTALK_U * share(CROSSTALK_HZ.len() * CROSSTALK_Q.len());
            for hertz in CROSSTALK_HZ {
                for q in CROSSTALK_Q {
                    let (d, x) = resonance(w, hertz, q);
                    add(CauseKind::HighPass, enters, real(-x * x) / d * u);
                    add(CauseKind::BandPass, enters, imaginary(x / q) / d * u);
                }
            }
        }
        for hertz in VERTICAL_HZ {
            let (d, x) = resonance(w, hertz, 2.0);
            let shifted = Complex64::new(2.0 * x * x, -x / 2.0) / d;
            add(
                CauseKind::Fixed,
                AppliesTo::Both,
                shifted * (0.5 * VERTICAL_U),
            );
        }
        let phase = w * delay;
        let crosstalk = imaginary(phase - phase.sin());
        add(
            CauseKind::Fixed,
            AppliesTo::Response,
            crosstalk * CROSSTALK_PHASE_U,
        );
    }
    add(CauseKind::Noise, AppliesTo::Noise, real(NOISE_U));
    for k in 0..REST_OCTAVES {
        let octaves = (w / (TAU * REST_TOP_HZ)).log2() + f64::from(k);
        let at = (-0.5 * (octaves / REST_WIDTH).powi(2)).exp();
        add(CauseKind::Noise, AppliesTo::Noise, real(NOISE_U * at));
        add(
            CauseKind::Rest,
            AppliesTo::Response,
            imaginary(w * REST_DELAY_U * at),
        );
        add(CauseKind::Rest, AppliesTo::Response, real(REST_GAIN_U * at));
    }
    add(
        CauseKind::Rest,
        AppliesTo::Response,
        imaginary(w * REST_SKEW_U),
    );
    add(CauseKind::Fixed, AppliesTo::Response, real(BALANCE_U));
    list
}

/// What causes of some sizes make of `ln (L / R)` where the delay is a phase of `phase`, and the
/// derivative by each size. Where there is noise, `unshared` times the programme, crosstalk carries it from
/// wall to wall as well, and turns the cross-spectrum by so much more.
fn response(
    causes: &[Cause],
    sizes: &[f64],
    phase: f64,
    unshared: f64,
) -> (Complex64, Vec<Complex64>) {
    let zero = Complex64::new(0.0, 0.0);
    let (mut value, mut left, mut right, mut noise) = (zero, zero, zero, zero);
    for (cause, size) in causes.iter().zip(sizes) {
        let of = cause.size * *size;
        match cause.enters {
            AppliesTo::Response => value += of,
            AppliesTo::Left => left += of,
            AppliesTo::Right => right += of,
            AppliesTo::Both => (left, right) = (left + of, right + of),
            AppliesTo::Noise => noise += of,
        }
    }
    let late = Complex64::cis(-phase);
    let (left, right) = (1.0 + left * late, 1.0 + right * late.conj());
    let (by_left, by_right) = (late / left, -late.conj() / right);
    let undelayed = Complex64::new(0.0, -unshared * phase.sin());
    let with_noise = |of: Complex64| Complex64::new(of.re, of.im * (1.0 + unshared));
    let derivatives = causes.iter().map(|cause| match cause.enters {
        AppliesTo::Response => cause.size,
        AppliesTo::Left => with_noise(cause.size * by_left),
        AppliesTo::Right => with_noise(cause.size * by_right),
        AppliesTo::Both => with_noise(cause.size * (by_left + by_right)),
        AppliesTo::Noise => cause.size * undelayed,
    });
    (
        value + noise * undelayed + with_noise(left.ln() - right.ln()),
        derivatives.collect(),
    )
}

/// Joint fit of gain and phase: delay, terms and the cartridge's response.
#[derive(Debug, Clone)]
pub(super) struct ResponseFit {
    cartridge: CartridgeResponse,
    delay: f64,
    /// Sizes of the causes, in standard deviations of the table.
    sizes: Vec<f64>,
    /// Delay and terms.
    pub values: Array1<f64>,
    /// Their covariance, including priors and the uncertainty of the response.
    pub covariance: Array2<f64>,
    /// Information on delay and terms before their priors.
    information: Array2<f64>,
    /// Standard deviation of the delay due to the response, seconds.
    left_s: f64,
    /// Standard deviation of the delay by noise, including its effect through the fitted
    /// response, seconds.
    pub noise_s: f64,
    /// Factor by which the residuals' variance exceeds what noise explains.
    pub misfit: f64,
    /// Probability that the deviation beyond the causes of the table is of usual size.
    pub ordinary: f64,
}

/// The model, linear near some sizes of the causes and a delay: for each point, phase and gain by
/// each cause, the delay and each term, in their units, and what the model is off there.
struct LinearModel {
    rows: Vec<[Array1<f64>; 2]>,
    off: Vec<[f64; 2]>,
}

/// The data of a linear model in the directions that the unknowns can move them, in units of their
/// noise, and the knowledge of delay and terms if the response were known.
struct Reduced {
    data: Array1<f64>,
    /// Columns of delay and terms.
    own: Array2<f64>,
    /// Columns of the causes.
    causes: Array2<f64>,
    /// Covariance of each of [`KINDS`] at its table's size.
    by_kind: Vec<Array2<f64>>,
    /// Covariance of noise and of the causes of known strength.
    known: Array2<f64>,
    /// Information on delay and terms if the response were known.
    information: Array2<f64>,
}

/// Posterior for given strengths of the kinds.
struct Combination {
    log_evidence: f64,
    /// Delay and terms.
    values: Array1<f64>,
    covariance: Array2<f64>,
    /// Residuals over their covariance, which drive the causes.
    pull: Array1<f64>,
    /// The part of the delay's variance that is noise, not priors.
    noise: f64,
}

/// The mean over combinations of strengths by their evidence.
struct Posterior {
    sizes: Vec<f64>,
    values: Array1<f64>,
    covariance: Array2<f64>,
    noise: f64,
    ordinary: f64,
    /// Share of each combination.
    shares: Vec<f64>,
}

impl Reduced {
    /// From the Gram matrix of the whitened columns (causes, then delay and terms), which a
    /// Cholesky factor with pivots reduces to the directions that count, and the columns' products with the
    /// data. `None` where nothing moves the data.
    fn new(gram: &Array2<f64>, products: &Array1<f64>, kinds: &[CauseKind]) -> Option<Self> {
        let (n, at) = (products.len(), kinds.len());
        let largest = |k: usize| kinds.get(k).map_or(1.0, |kind| kind.large());
        // triangular, row by row: the columns in the directions found so far
        let mut columns: Vec<Array1<f64>> = Vec::new();
        let mut data = Vec::new();
        let mut left: Vec<f64> = (0..n).map(|k| gram[[k, k]]).collect();
        let size = |k: usize, left: &[f64]| left[k] * largest(k).powi(2);
        while columns.len() < n {
            let pivot = (0..n).max_by(|a, b| size(*a, &left).total_cmp(&size(*b, &left)))?;
            // a column reduced to rounding is none
            let rounding = gram[[pivot, pivot]] * n as f64 * f64::EPSILON;
            if size(pivot, &left) < NEGLIGIBLE_DEVIATION * NEGLIGIBLE_DEVIATION
                || left[pivot] <= rounding
            {
                break;
            }
            let scale = left[pivot].sqrt().recip();
            let mut row = gram.row(pivot).to_owned();
            let mut product = products[pivot];
            for (other, datum) in columns.iter().zip(&data) {
                row.scaled_add(-other[pivot], other);
                product -= other[pivot] * datum;
            }
            row *= scale;
            for (left, value) in left.iter_mut().zip(&row) {
                *left -= value * value;
            }
            left[pivot] = 0.0;
            columns.push(row);
            data.push(product * scale);
        }
        let rank = columns.len();
        let columns = Array2::from_shape_fn((rank, n), |(i, k)| columns[i][k]);
        let covariance = |kind: CauseKind| {
            let of: Vec<usize> = (0..at).filter(|&k| kinds[k] == kind).collect();
            let of = columns.select(Axis(1), &of);
            of.dot(&of.t())
        };
        let own = n - at;
        let (of_causes, of_own) = columns.view().split_at(Axis(1), at);
        Some(Self {
            data: data.into(),
            own: of_own.to_owned(),
            causes: of_causes.to_owned(),
            by_kind: KINDS.map(covariance).into(),
            known: covariance(CauseKind::Fixed) + Array2::<f64>::eye(rank),
            information: Array2::from_shape_fn((own, own), |(i, j)| {
                gram[[at + i, at + j]] + prior(i, j)
            }),
        })
    }

    /// For one combination of strengths, by the factor of the data's covariance; `None` where it is
    /// singular.
    fn solve(&self, factor: &Cholesky) -> Option<Combination> {
        let own = self.own.ncols();
        let mut white = Array2::zeros(self.own.raw_dim());
        for (k, column) in self.own.columns().into_iter().enumerate() {
            white.column_mut(k).assign(&factor.forward(column));
        }
        let data = factor.forward(self.data.view());
        let mut information = white.t().dot(&white);
        for k in 1..own {
            information[[k, k]] += prior(k, k);
        }
        let of_own = Cholesky::new(&information)?;
        let values = of_own.solve(&white.t().dot(&data));
        let covariance = of_own.inverse();
        let chi_square = data.dot(&data) - values.dot(&information.dot(&values));
        let noise = factor.backward(white.dot(&covariance.column(0)));
        Some(Combination {
            log_evidence: -0.5 * (chi_square + factor.log_determinant() + of_own.log_determinant()),
            pull: factor.backward(data - white.dot(&values)),
            noise: noise.dot(&noise),
            values,
            covariance,
        })
    }

    /// For each combination of strengths of [`KINDS`]. Neighbours share the covariance of the kinds
    /// before the first in which they differ.
    fn solve_all(&self, combinations: &[(Vec<f64>, f64)]) -> Option<Vec<Combination>> {
        let mut before: &[f64] = &[];
        let mut sums = vec![self.known.clone(); KINDS.len() + 1];
        let mut factor = Cholesky::new(&self.known);
        let each = combinations.iter().map(|(levels, _)| {
            let same = levels.iter().zip(before).take_while(|(a, b)| a == b);
            for k in same.count()..KINDS.len() {
                let (so_far, next) = sums.split_at_mut(k + 1);
                next[0].assign(&so_far[k]);
                next[0].scaled_add(levels[k].powi(2), &self.by_kind[k]);
            }
            before = levels;
            factor = factor.take()?.renewed(&sums[KINDS.len()]);
            self.solve(factor.as_ref()?)
        });
        each.collect()
    }

    /// The mean over `combinations` of strengths, each with the logarithm of its prior weight.
    fn mean(&self, kinds: &[CauseKind], combinations: &[(Vec<f64>, f64)]) -> Option<Posterior> {
        let list = self.solve_all(combinations)?;
        let log = |k: usize| list[k].log_evidence + combinations[k].1;
        let best = (0..list.len()).map(log).fold(f64::NEG_INFINITY, f64::max);
        let mut shares: Vec<f64> = (0..list.len()).map(|k| (log(k) - best).exp()).collect();
        let whole: f64 = shares.iter().sum();
        shares.iter_mut().for_each(|s| *s /= whole);
        let own = self.own.ncols();
        let mut values = Array1::<f64>::zeros(own);
        let mut covariance = Array2::<f64>::zeros((own, own));
        let (mut noise, mut ordinary) = (0.0, 0.0);
        let mut pulls = vec![Array1::<f64>::zeros(self.data.len()); KINDS.len() + 1];
        let usual = CauseKind::Rest.levels()[0].0;
        for ((share, of), (levels, _)) in shares.iter().zip(&list).zip(combinations) {
            values.scaled_add(*share, &of.values);
            covariance.scaled_add(*share, &of.covariance);
            noise += share * of.noise;
            if levels[KINDS.len() - 1] == usual {
                ordinary += share;
            }
            for (pull, level) in pulls.iter_mut().zip(levels.iter().chain([&1.0])) {
                pull.scaled_add(share * level * level, &of.pull);
            }
        }
        // what the combinations differ in the delay
        for (share, of) in shares.iter().zip(&list) {
            covariance[[0, 0]] += share * (of.values[0] - values[0]).powi(2);
        }
        let size = |(k, kind): (usize, &CauseKind)| {
            let of = KINDS.iter().position(|other| other == kind);
            self.causes.column(k).dot(&pulls[of.unwrap_or(KINDS.len())])
        };
        Some(Posterior {
            sizes: kinds.iter().enumerate().map(size).collect(),
            values,
            covariance,
            noise,
            ordinary,
            shares,
        })
    }
}

/// Information of the priors of delay, which has none, and terms, in their units.
fn prior(i: usize, j: usize) -> f64 {
    f64::from(u8::from(i == j && i > 0))
}

/// All combinations of the levels of [`KINDS`], with the logarithm of their weight. A kind without
/// causes has one level.
fn combinations(kinds: &[CauseKind]) -> Vec<(Vec<f64>, f64)> {
    KINDS.iter().fold(vec![(Vec::new(), 0.0)], |list, kind| {
        let levels = match kinds.contains(kind) {
            true => kind.levels(),
            false => CauseKind::Fixed.levels(),
        };
        let extended = list.iter().flat_map(|(so_far, log)| {
            levels.iter().map(move |(level, weight)| {
                let all = so_far.iter().copied().chain([*level]).collect();
                (all, log + weight.ln())
            })
        });
        extended.collect()
    })
}

/// Phases and gains of a recording at its points, with all terms and causes.
struct Observations<'a> {
    clusters: &'a Clusters,
    /// Its points; what stood against the start says nothing.
    points: Vec<Point>,
    terms: &'a [PhaseTerm],
    /// SI units in one unit of delay and terms.
    units: Array1<f64>,
    /// Causes of each point, and their kinds.
    causes: Vec<Vec<Cause>>,
    kinds: Vec<CauseKind>,
    /// What is to be explained: phases near the start, and gains.
    targets: Vec<[f64; 2]>,
    /// The whole delay, and the part of it that the start has, seconds.
    delay: f64,
    start: f64,
}

impl<'a> Observations<'a> {
    fn new(
        clusters: &'a Clusters,
        terms: &'a [PhaseTerm],
        start: &PhaseFit,
        (cartridge, delay): (CartridgeResponse, f64),
    ) -> Option<Self> {
        let units = terms.iter().map(|t| t.prior_u);
        let points = clusters.points.iter().zip(&start.weights);
        let points = points.map(|(p, weight)| Point {
            information: if *weight > 0.0 { p.information } else { 0.0 },
            ..*p
        });
        let points: Vec<Point> = points.collect();
        let causes = points.iter().map(|p| causes(cartridge, p.w, delay));
        let causes: Vec<Vec<Cause>> = causes.collect();
        let targets = points.iter().zip(&clusters.gains);
        let targets = targets.zip(clusters.design.rows());
        let targets: Vec<[f64; 2]> = targets
            .map(|((p, g), row)| {
                let near = row.dot(&start.values);
                [near + wrap(p.phase - near), g.nepers]
            })
            .collect();
        Some(Self {
            clusters,
            points,
            terms,
            units: std::iter::once(MICROSECOND).chain(units).collect(),
            kinds: causes.first()?.iter().map(|c| c.kind).collect(),
            causes,
            targets,
            delay,
            start: start.values[0],
        })
    }

    /// The whole delay where that of the fit is `value` units, seconds.
    fn delay_at(&self, value: f64) -> f64 {
        self.delay + (value * MICROSECOND - self.start)
    }

    /// The model near some sizes of the causes and a delay.
    fn linear(&self, sizes: &[f64], value: f64) -> LinearModel {
        let of = self.clusters;
        let each = self.points.iter().zip(&of.unshared);
        let each = each.zip(of.design.rows());
        let each = each.zip(&self.causes);
        let each = each.map(|(((point, unshared), row), causes)| {
            let phase = point.w * self.delay_at(value);
            let (made, by) = response(causes, sizes, phase, *unshared);
            let phases = by.iter().map(|c| c.im);
            let of_own = row.iter().zip(&self.units).map(|(s, u)| s * u);
            let of_terms = self.terms.iter();
            let of_terms = of_terms.map(|t| t.shape.gain(point.w) * t.prior_u);
            let gains = by.iter().map(|c| c.re).chain([0.0]).chain(of_terms);
            let flat: Complex64 = by.iter().zip(sizes).map(|(c, s)| c * *s).sum();
            let rows = [phases.chain(of_own).collect(), gains.collect()];
            (rows, [(made - flat).im, (made - flat).re])
        });
        let (rows, off) = each.unzip();
        LinearModel { rows, off }
    }

    /// The data by a model, each with a weight.
    fn reduced(&self, model: &LinearModel, weights: &[[f64; 2]], spread: f64) -> Option<Reduced> {
        let n = self.kinds.len() + self.units.len();
        let mut gram = Array2::<f64>::zeros((n, n));
        let mut products = Array1::<f64>::zeros(n);
        for (k, row) in model.rows.iter().enumerate() {
            let (point, gain) = (&self.points[k], &self.clusters.gains[k]);
            let information = [point.information, gain.information];
            for c in 0..2 {
                let q = information[c] * weights[k][c] / spread;
                if q <= 0.0 {
                    continue;
                }
                products.scaled_add(q * (self.targets[k][c] - model.off[k][c]), &row[c]);
                for i in 0..n {
                    let scaled = q * row[c][i];
                    if scaled != 0.0 {
                        let mut into = gram.row_mut(i);
                        into.scaled_add(scaled, &row[c]);
                    }
                }
            }
        }
        Reduced::new(&gram, &products, &self.kinds)
    }

    /// Robust weights of phases and gains by what a model leaves of them, and the phases' misfit.
    fn weights(&self, model: &LinearModel, found: &Posterior) -> (Vec<[f64; 2]>, f64) {
        let all: Array1<f64> = found.sizes.iter().chain(&found.values).copied().collect();
        let left = |c: usize| -> Vec<f64> {
            let each = model.rows.iter().zip(&model.off).zip(&self.targets);
            each.map(|((row, off), target)| target[c] - off[c] - row[c].dot(&all))
                .collect()
        };
        let as_points = self.points.iter().zip(&self.clusters.gains);
        let as_points = as_points.map(|(p, g)| Point {
            information: g.information,
            ..*p
        });
        let (of_phase, sizes) = phase::huber_weights(&self.points, &left(0));
        let (of_gain, _) = phase::huber_weights(&as_points.collect::<Vec<_>>(), &left(1));
        let both = of_phase.into_iter().zip(of_gain).map(|(p, g)| [p, g]);
        (both.collect(), phase::misfit(&sizes))
    }
}

/// Fits delay, terms and causes to phases and gains at once. `start` is a fit of the phases alone,
/// `delay` the whole delay as far as it is known, `dispersion` divides the data's information.
/// `None` where the fit is singular.
pub(super) fn fit(
    clusters: &Clusters,
    terms: &[PhaseTerm],
    start: &PhaseFit,
    (cartridge, delay): (CartridgeResponse, f64),
    dispersion: f64,
) -> Option<ResponseFit> {
    let data = Observations::new(clusters, terms, start, (cartridge, delay))?;
    let (kinds, units) = (&data.kinds, &data.units);
    let mut weights: Vec<[f64; 2]> = start.weights.iter().map(|w| [*w, *w]).collect();
    let mut misfit = 1.0;
    let mut model = data.linear(&vec![0.0; kinds.len()], start.values[0] / MICROSECOND);
    // With all causes at their largest, the residuals show which points none of them explain.
    let large = [(KINDS.map(CauseKind::large).to_vec(), 0.0)];
    for _ in 0..2 {
        let reduced = data.reduced(&model, &weights, dispersion)?;
        let found = reduced.mean(kinds, &large)?;
        model = data.linear(&found.sizes, found.values[0]);
        (weights, misfit) = data.weights(&model, &found);
    }
    let spread = dispersion.max(misfit);
    let mut likely = combinations(kinds);
    let mut last = data.reduced(&model, &weights, spread)?;
    let mut found = last.mean(kinds, &likely)?;
    for _ in 0..RELINEARISATIONS {
        model = data.linear(&found.sizes, found.values[0]);
        last = data.reduced(&model, &weights, spread)?;
        let best = found.shares.iter().copied().fold(0.0, f64::max);
        let mut shares = found.shares.iter();
        likely.retain(|_| {
            shares
                .next()
                .is_some_and(|share| *share > LEAST_RELATIVE_LIKELIHOOD * best)
        });
        found = last.mean(kinds, &likely)?;
    }
    let whole = Cholesky::new(&found.covariance)?.inverse();
    // what is left if delay and noise are alone, at most half of which is taken for noise
    let alone = whole[[0, 0]].recip();
    let by_noise = (found.noise.min(0.5 * alone)).max(last.information[[0, 0]].recip());
    let left = (alone - by_noise).max(0.0);
    // without what the response leaves: the delay's variance less that, all else as it is
    let factor = left / (1.0 - left * whole[[0, 0]]);
    let column = whole.column(0);
    let information = positive(Array2::from_shape_fn(whole.dim(), |(i, j)| {
        whole[[i, j]] + factor * column[i] * column[j] - prior(i, j)
    }));
    let per = |(i, j): (usize, usize)| units[i] * units[j];
    Some(ResponseFit {
        cartridge,
        delay: data.delay_at(found.values[0]),
        sizes: found.sizes,
        values: &found.values * units,
        covariance: Array2::from_shape_fn(whole.dim(), |ij| found.covariance[ij] * per(ij)),
        information: Array2::from_shape_fn(whole.dim(), |ij| information[ij] / per(ij)),
        left_s: left.sqrt() * MICROSECOND,
        noise_s: found.noise.max(0.0).sqrt() * MICROSECOND,
        misfit,
        ordinary: found.ordinary,
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

impl ResponseFit {
    /// Phase that the response makes at an angular frequency where so much power is not shared, over what
    /// is; radians.
    pub fn phase(&self, w: f64, unshared: f64) -> f64 {
        let causes = causes(self.cartridge, w, self.delay);
        response(&causes, &self.sizes, w * self.delay, unshared)
            .0
            .im
    }

    /// What the recording tells of delay and terms, before their priors, with what the cartridge's
    /// response leaves open; `offset` is a delay that was taken out before.
    pub fn information(&self, terms: &[PhaseTerm], offset: f64) -> Information {
        let mut values = self.values.clone();
        values[0] += offset;
        let mut score = Array1::zeros(values.len());
        for (k, term) in terms.iter().enumerate() {
            score[k + 1] = self.values[k + 1] / term.prior_u.powi(2);
        }
        let terms = terms.iter().map(|t| t.term.clone());
        let known = Information::of_fit(terms, values, self.information.clone(), &score);
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

#[cfg(test)]
mod tests {
    use super::*;

    /// The cross-spectrum of two walls with noise of their own behind a crosstalk matrix, multiplied out: `m s m*`
    /// with `s` the walls' spectral matrix.
    fn cross_spectrum(phase: f64, noise: f64, common: f64, [c1, c2]: [Complex64; 2]) -> Complex64 {
        let one = Complex64::new(1.0, 0.0);
        let walls = [
            [one * (1.0 + noise), Complex64::cis(phase) + common * noise],
            [Complex64::cis(-phase) + common * noise, one * (1.0 + noise)],
        ];
        let matrix = [[one, c1], [c2, one]];
        let pairs = [(0, 0), (0, 1), (1, 0), (1, 1)];
        let of = |(i, j): (usize, usize)| matrix[0][i] * walls[i][j] * matrix[1][j].conj();
        pairs.into_iter().map(of).sum()
    }

    /// Small crosstalk, and noise that the walls share, turn the cross-spectrum as the model says.
    #[test]
    fn noise_turns_the_phase_as_the_matrices_do() {
        let cause = |enters, size| Cause {
            kind: CauseKind::Fixed,
            enters,
            size,
        };
        let [c1, c2] = [Complex64::new(2e-5, 3e-5), Complex64::new(-1e-5, 4e-5)];
        let common = 3e-5;
        for phase in [0.1, 0.8, 1.4] {
            for noise in [0.0, 0.5, 6.0] {
                let crosstalk = [cause(AppliesTo::Left, c1), cause(AppliesTo::Right, c2)];
                let shared = [cause(AppliesTo::Noise, Complex64::new(common, 0.0))];
                for (causes, exact) in [
                    (&crosstalk[..], cross_spectrum(phase, noise, 0.0, [c1, c2])),
                    (
                        &shared[..],
                        cross_spectrum(phase, noise, common, [Complex64::ZERO; 2]),
                    ),
                ] {
                    let sizes = vec![1.0; causes.len()];
                    let made = response(causes, &sizes, phase, noise).0.im;
                    let exact = exact.arg() - phase;
                    // to second order
                    assert!(
                        (made - exact).abs() < 1e-7 && (exact.abs() > 1e-6 || noise == 0.0),
                        "{phase} {noise}: {made:e} {exact:e}"
                    );
                }
            }
        }
    }
}
