//! Crosstalk by single-channel bands, corrected for noise.

use super::curves::{around, components};
use super::{
    CalibrateError, CalibrationCapture, CalibrationRequest, USABLE_RATIO, limited, per_point,
    usable,
};
use crate::chain::calibration::{CommonResponse, Crosstalk};
use crate::chain::response::{ResponseDirection, ResponsePoint, response};
use crate::chain::smooth::{self, CurveModel, CurveObservation};
use crate::spectrum::Complex64;
use ndarray::{Array1, Array2};

/// Crosstalk in one direction: real and imaginary parts on the grid with their covariances.
pub(super) struct OneWay {
    pub values: Vec<Complex64>,
    pub covariance: [Array2<f64>; 2],
    pub scatter: f64,
}

impl OneWay {
    /// Of each value, the mean of its parts'.
    pub fn u(&self) -> Vec<f64> {
        let [re, im] = &self.covariance;
        let mean = |k: usize| (re[[k, k]] + im[[k, k]]) / 2.0;
        let each = (0..self.values.len()).map(mean);
        each.map(|variance| variance.max(0.0).sqrt()).collect()
    }
}

pub(super) fn fit_crosstalk(
    request: &CalibrationRequest,
    left: &CalibrationCapture,
    right: &CalibrationCapture,
    common: Option<&CommonResponse>,
) -> Result<Crosstalk, CalibrateError> {
    // Driven over driving channel is H c2 with the left channel driving and
    // c1 / H with the right.
    let measure = |input: &CalibrationCapture, direction: ResponseDirection| {
        let points = response(input.spectrum, direction, request.band_hz);
        let points = points.into_iter().map(|p| {
            let chain = match (common, direction) {
                (None, _) => Complex64::new(1.0, 0.0),
                (Some(c), ResponseDirection::RightOverLeft) => c.at(p.hertz),
                (Some(c), ResponseDirection::LeftOverRight) => c.at(p.hertz).inv(),
            };
            ResponsePoint {
                transfer: p.transfer / chain,
                symmetric_gain: p.symmetric_gain / chain.norm(),
                ..p
            }
        });
        points.collect::<Vec<ResponsePoint>>()
    };
    let usable_part = |input: &CalibrationCapture, points: &[ResponsePoint]| {
        let averages = input.spectrum.averages_in_fit();
        let error = |p: &ResponsePoint| {
            // where the driving channel is mostly noise, the ratio is that of the noise
            let programme = (1.0 - 2.0 * noise_share(p)).max(0.0);
            limited(p).part_error(averages) / programme
        };
        let errors: Vec<f64> = points.iter().map(error).collect();
        let band = usable(input.file, points, &errors, USABLE_RATIO)?;
        Ok((errors, band))
    };
    let found = [
        measure(left, ResponseDirection::RightOverLeft),
        measure(right, ResponseDirection::LeftOverRight),
    ];
    let left_points = without_noise(&found[0], &found[1]);
    let right_points = without_noise(&found[1], &found[0]);
    let (left_errors, left_band) = usable_part(left, &left_points)?;
    let (right_errors, right_band) = usable_part(right, &right_points)?;
    let mut band = (left_band.0.max(right_band.0), left_band.1.min(right_band.1));
    if let Some(c) = common {
        // beyond it the chain's part in the ratio is not known
        band = (
            band.0.max(c.hertz[0]),
            band.1.min(c.hertz[c.hertz.len() - 1]),
        );
    }
    if band.1 < 2.0 * band.0 {
        return Err(CalibrateError::NoCommonBand {
            low_hz: band.0,
            high_hz: band.1,
        });
    }
    let hertz = smooth::grid(band.0, band.1);
    let mut to_right = one_way(left, &left_points, &left_errors, &hertz)?;
    let mut to_left = one_way(right, &right_points, &right_errors, &hertz)?;
    let shares = [&left_points, &right_points].map(|points| {
        let within = |p: &&ResponsePoint| band.0 <= p.hertz && p.hertz <= band.1;
        let points: Vec<ResponsePoint> = points.iter().filter(within).copied().collect();
        around(&hertz, &points, noise_share)
    });
    to_right.add_unknown_noise(&shares[0], &to_left.values);
    to_left.add_unknown_noise(&shares[1], &to_right.values);
    let (c1, c2) = (&to_left, &to_right);
    let parts =
        |way: &OneWay| -> (Vec<f64>, Vec<f64>) { way.values.iter().map(|c| (c.re, c.im)).unzip() };
    let (left_into_right_re, left_into_right_im) = parts(c2);
    let (right_into_left_re, right_into_left_im) = parts(c1);
    Ok(Crosstalk {
        cutter_separation_db: request.cutter_separation_db,
        scatter: c1.scatter.max(c2.scatter),
        scale_u: scale_variance(&hertz, c1, c2).max(0.0).sqrt(),
        left_into_right_re,
        left_into_right_im,
        left_into_right_u: to_right.u(),
        right_into_left_re,
        right_into_left_im,
        right_into_left_u: to_left.u(),
        components_deg: components(&phase_covariance(c1, c2)),
        hertz,
    })
}

/// Power of the driven wall's own noise over that of the driving channel: what the driving channel does not explain
/// of the driven one.
fn noise_share(p: &ResponsePoint) -> f64 {
    p.symmetric_gain.powi(2) * (1.0 - p.coherence)
}

/// Corrects for that noise carried back into the driving channel by the opposite crosstalk: with `n` its share,
/// the ratio found is `c2 + n c1*`, and `c1 + m c2*` where the `other` channel drives.
pub(super) fn without_noise(
    points: &[ResponsePoint],
    other: &[ResponsePoint],
) -> Vec<ResponsePoint> {
    let nearest = |hertz: f64| {
        let at = other.partition_point(|q| q.hertz < hertz);
        let near = &other[at.saturating_sub(1)..other.len().min(at + 1)];
        let off = |q: &&ResponsePoint| (q.hertz - hertz).abs();
        near.iter().min_by(|a, b| off(a).total_cmp(&off(b)))
    };
    let corrected = |p: &ResponsePoint| {
        let (n, of_other) = (noise_share(p), nearest(p.hertz));
        let (m, back) = of_other.map_or((0.0, Complex64::ZERO), |q| (noise_share(q), q.transfer));
        ResponsePoint {
            transfer: (p.transfer - back.conj() * n) / (1.0 - n * m).max(f64::EPSILON),
            ..*p
        }
    };
    points.iter().map(corrected).collect()
}

impl OneWay {
    /// Adds what is not known of [`without_noise`], where the noise has such shares on the grid. Noise of the
    /// electronics comes behind the crosstalk and is not carried, and how much of the noise is the groove's is not
    /// known: what was taken out has the standard uncertainty of a part between none and all, about all
    /// (rectangular law, GUM 4.3.7), at all frequencies alike.
    pub fn add_unknown_noise(&mut self, shares: &[f64], back: &[Complex64]) {
        for (k, part) in [|c: &Complex64| c.re, |c: &Complex64| c.im]
            .iter()
            .enumerate()
        {
            let out: Vec<f64> = shares.iter().zip(back).map(|(n, c)| n * part(c)).collect();
            for ((i, j), entry) in self.covariance[k].indexed_iter_mut() {
                *entry += out[i] * out[j] / 3.0;
            }
        }
    }
}

/// Covariance of the corrected phase, at no delay, that errors `d1`, `d2` of the
/// crosstalk (right into left, left into right) make: they turn it by
/// `Im[(d2 (1 + c1) - d1 (1 + c2)) / (1 - c1 c2)]`.
pub(super) fn phase_covariance(c1: &OneWay, c2: &OneWay) -> Array2<f64> {
    let one = Complex64::new(1.0, 0.0);
    let factors: Vec<(Complex64, Complex64)> = c1
        .values
        .iter()
        .zip(&c2.values)
        .map(|(c1, c2)| {
            let d = one - c1 * c2;
            ((one + c1) / d, (one + c2) / d)
        })
        .collect();
    let n = factors.len();
    Array2::from_shape_fn((n, n), |(i, j)| {
        let (a_i, b_i) = factors[i];
        let (a_j, b_j) = factors[j];
        a_i.im * a_j.im * c2.covariance[0][[i, j]]
            + a_i.re * a_j.re * c2.covariance[1][[i, j]]
            + b_i.im * b_j.im * c1.covariance[0][[i, j]]
            + b_i.re * b_j.re * c1.covariance[1][[i, j]]
    })
}

/// Variance of the delay's scale, which is off by about `Re(d1 + d2)`, weighted
/// as a phase slope is, by frequency squared.
pub(super) fn scale_variance(hertz: &[f64], c1: &OneWay, c2: &OneWay) -> f64 {
    let weights: Array1<f64> = hertz.iter().map(|f| f * f).collect();
    let weights = &weights / weights.sum();
    weights.dot(&(&c1.covariance[0] + &c2.covariance[0]).dot(&weights))
}

pub(super) fn one_way(
    input: &CalibrationCapture,
    points: &[ResponsePoint],
    errors: &[f64],
    hertz: &[f64],
) -> Result<OneWay, CalibrateError> {
    let model = CurveModel {
        prior_u: vec![1.0],
        curves: 1,
        basis: &|_, _| vec![1.0],
    };
    let (low, high) = (hertz[0], hertz[hertz.len() - 1]);
    let fit = |part: fn(&Complex64) -> f64| {
        let observations: Vec<CurveObservation> = points
            .iter()
            .zip(errors)
            .filter(|(p, _)| low <= p.hertz && p.hertz <= high)
            .map(|(p, u)| CurveObservation {
                curve: 0,
                hertz: p.hertz,
                value: part(&p.transfer),
                u: *u,
            })
            .collect();
        smooth::fit(&observations, hertz, &model, per_point(input.spectrum)).ok_or_else(|| {
            CalibrateError::NoFit {
                file: input.file.to_owned(),
            }
        })
    };
    let (re, im) = (fit(|c| c.re)?, fit(|c| c.im)?);
    Ok(OneWay {
        values: re.curves[0]
            .iter()
            .zip(&im.curves[0])
            .map(|(re, im)| Complex64::new(*re, *im))
            .collect(),
        scatter: re.scatter.max(im.scatter),
        covariance: [re.covariance, im.covariance],
    })
}
