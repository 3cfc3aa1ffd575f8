//! Random uncertainty by the delete-a-group jackknife.

use super::limits::{FEWEST_GROUPS, LEAST_GROUP_SHARE};
use super::phase::{PhaseFit, Point, wrap};
use crate::spectrum::Bin;
use ndarray::{Array1, Array2};

/// One stretch of a recording's time.
#[derive(Debug, Clone)]
pub(super) struct TimeGroup {
    /// Its middle in the analysed span, 0 to 1.
    pub position: f64,
    /// Its share of the frames in use; the shares add to 1.
    pub time: f64,
    /// Its cross-spectra at the points.
    pub bins: Vec<Bin>,
}

/// Delay of one stretch of time, as an increment to the whole.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GroupDelay {
    /// Middle of the stretch in the analysed span, 0 to 1.
    pub position: f64,
    /// Delay of this stretch with all other terms as fitted, seconds.
    pub delay_s: f64,
    /// Standard uncertainty of that by the stretch's own noise, including the scatter along the
    /// recording, seconds; infinite without information. A stretch with less than its time's share
    /// of the information still has the noise of its time.
    pub standard_uncertainty_s: f64,
    /// Its share of the delay information; the shares add to 1.
    pub weight: f64,
}

/// Result of the jackknife.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Jackknife {
    /// Variance of the delay, from data alone, seconds^2.
    pub variance: f64,
    /// Degrees of freedom of that variance.
    pub degrees_of_freedom: f64,
}

/// One-step delays with one group left out, as a jackknife for groups of
/// unequal size (F. Busing, E. Meijer, R. van der Leeden, Statistics and
/// Computing 9, 1999, 3-8), after removing a straight line over time: a delay
/// that varies with the groove radius is not scatter.
///
/// The sum of the groups' cross-spectra has the points' phases; `design` has the points' shapes.
pub(super) fn jackknife(
    groups: &[TimeGroup],
    points: &[Point],
    design: &Array2<f64>,
    fit: &PhaseFit,
) -> (Option<Jackknife>, Vec<GroupDelay>) {
    let n = fit.values.len();
    let mut magnitude = vec![Bin::default(); points.len()];
    for group in groups {
        magnitude
            .iter_mut()
            .zip(&group.bins)
            .for_each(|(m, b)| m.add(b));
    }
    let magnitude: Vec<f64> = magnitude.iter().map(|b| b.re.hypot(b.im)).collect();
    let fitted: Vec<f64> = design
        .rows()
        .into_iter()
        .map(|r| r.dot(&fit.values))
        .collect();
    let gain = fit.covariance.row(0);
    // Information of each group and the change of the delay when it is left out.
    let mut delays = Vec::with_capacity(groups.len());
    for TimeGroup {
        position,
        time,
        bins,
    } in groups
    {
        let mut score = Array1::<f64>::zeros(n);
        let mut own = 0.0;
        let mut own_score = 0.0;
        for k in 0..points.len() {
            let q = points[k].information * fit.weights[k];
            if q <= 0.0 || magnitude[k] <= 0.0 {
                continue;
            }
            let (sin, cos) = fitted[k].sin_cos();
            let (re, im) = (bins[k].re, bins[k].im);
            // the group's share in the bin's total, along and across the fit
            let along = (re * cos + im * sin) / magnitude[k];
            let across = (im * cos - re * sin) / magnitude[k];
            let residual = wrap(points[k].phase - fitted[k]);
            // leaving the group out turns the bin's phase by about
            // -(across - along * residual)
            let turned = across - along * residual.sin();
            for j in 0..n {
                score[j] -= q * turned * design[[k, j]];
            }
            own += q * along * design[[k, 0]].powi(2);
            own_score += q * turned * design[[k, 0]];
        }
        delays.push((*position, own, gain.dot(&score), own_score, *time));
    }
    let total_information: f64 = delays.iter().map(|d| d.1.max(0.0)).sum();
    if total_information <= 0.0 {
        return (None, Vec::new());
    }
    let shares: Vec<GroupDelay> = delays
        .iter()
        .map(|d| GroupDelay {
            position: d.0,
            delay_s: fit.values[0] + if d.1 > 0.0 { d.3 / d.1 } else { 0.0 },
            standard_uncertainty_s: {
                let own = d.1.max(0.0);
                let noise = (own / (d.4 * total_information)).min(1.0);
                (own * noise).sqrt().recip()
            },
            weight: d.1.max(0.0) / total_information,
        })
        .collect();
    let used: Vec<_> = delays
        .iter()
        .filter(|d| d.1 > LEAST_GROUP_SHARE * total_information)
        .collect();
    let information: f64 = used.iter().map(|d| d.1).sum();
    let used: Vec<(f64, f64, f64)> = used
        .into_iter()
        .map(|d| (d.0, d.1 / information, d.2))
        .collect();
    // What leaving group j out changes is about -m_j (d_j - d): divided by the
    // share m_j it is a deviation with variance s^2 / m_j, so the weights are m_j.
    let count = used.len();
    if count < FEWEST_GROUPS {
        return (None, shares);
    }
    let (mut sx, mut sxx, mut sy, mut sxy) = (0.0, 0.0, 0.0, 0.0);
    for (x, m, influence) in &used {
        let y = influence / m;
        sx += m * x;
        sxx += m * x * x;
        sy += m * y;
        sxy += m * x * y;
    }
    let slope = (sxy - sx * sy) / (sxx - sx * sx).max(f64::MIN_POSITIVE);
    let intercept = sy - slope * sx;
    // sum m^2 (y - line)^2 with the small-sample factors of each group's share
    let variance: f64 = used
        .iter()
        .map(|(x, m, influence)| {
            let deviation = influence / m - intercept - slope * x;
            m * m * deviation * deviation / (1.0 - m).max(*m)
        })
        .sum::<f64>()
        * count as f64
        / (count as f64 - 1.0);
    // Satterthwaite: groups of unequal share count for fewer.
    let effective = 1.0 / used.iter().map(|u| u.1 * u.1).sum::<f64>();
    (
        Some(Jackknife {
            variance,
            degrees_of_freedom: (effective - 2.0).max(1.0),
        }),
        shares,
    )
}
