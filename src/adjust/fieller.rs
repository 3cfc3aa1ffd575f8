//! Where a line crosses zero, when its slope may be poorly known.

use crate::uncertainty::Interval;

/// A straight line `intercept + slope x` with the covariance of its two
/// coefficients.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FittedLine {
    /// Value at zero.
    pub intercept: f64,
    /// Slope.
    pub slope: f64,
    /// Variance of the intercept.
    pub intercept_variance: f64,
    /// Covariance of intercept and slope.
    pub covariance: f64,
    /// Variance of the slope.
    pub slope_variance: f64,
}

impl FittedLine {
    /// Generalised least squares through points `(x, y)`, `covariance(i, j)`
    /// being that of `y_i` and `y_j`. `None` unless it determines a line.
    pub fn through(
        points: &[(f64, f64)],
        covariance: impl Fn(usize, usize) -> f64,
    ) -> Option<Self> {
        let n = points.len();
        let matrix = ndarray::Array2::from_shape_fn((n, n), |(i, j)| covariance(i, j));
        let factor = super::Cholesky::new(&matrix)?;
        let column = |f: fn(&(f64, f64)) -> f64| ndarray::Array1::from_iter(points.iter().map(f));
        let (one, x, y) = (column(|_| 1.0), column(|p| p.0), column(|p| p.1));
        let (weighted_one, weighted_x) = (factor.solve(&one), factor.solve(&x));
        let (s, sx, sxx) = (
            one.dot(&weighted_one),
            x.dot(&weighted_one),
            x.dot(&weighted_x),
        );
        let (sy, sxy) = (y.dot(&weighted_one), y.dot(&weighted_x));
        let determinant = s * sxx - sx * sx;
        // equal abscissas leave nothing but rounding
        if determinant <= 1e-12 * s * sxx {
            return None;
        }
        Some(Self {
            intercept: (sxx * sy - sx * sxy) / determinant,
            slope: (s * sxy - sx * sy) / determinant,
            intercept_variance: sxx / determinant,
            covariance: -sx / determinant,
            slope_variance: s / determinant,
        })
    }

    /// Variance of the line at `x`.
    pub fn variance_at(&self, x: f64) -> f64 {
        self.intercept_variance + 2.0 * x * self.covariance + x * x * self.slope_variance
    }

    /// Where the line crosses zero.
    pub fn zero(&self) -> f64 {
        -self.intercept / self.slope
    }

    /// Interval of the zero crossing with coverage factor `k` (Fieller, J. R.
    /// Stat. Soc. B 16, 175, 1954): the `x` with `line(x)^2 <= k^2
    /// variance(x)`. While the slope's sign is not established that is
    /// everything outside two bounds, or the whole line.
    pub fn zero_interval(&self, k: f64, coverage: f64) -> Interval {
        let k2 = k * k;
        let a = self.slope * self.slope - k2 * self.slope_variance;
        let half_b = self.intercept * self.slope - k2 * self.covariance;
        let c = self.intercept * self.intercept - k2 * self.intercept_variance;
        let discriminant = half_b * half_b - a * c;
        if discriminant <= 0.0 || a == 0.0 {
            // a > 0 always has real roots: the zero itself lies between them
            return Interval::all(coverage);
        }
        let q = -(half_b + half_b.signum() * discriminant.sqrt());
        let (first, second) = (q / a, c / q);
        let (low, high) = (first.min(second), first.max(second));
        if a > 0.0 {
            Interval::finite(low, high, coverage)
        } else {
            Interval::outer(low, high, coverage)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uncertainty::{IntervalShape, student_coverage_factor};
    use approx::assert_relative_eq;

    /// Ordinary least squares through data, its variances scaled by the
    /// residuals, and the coverage factor of Student's t, as the published
    /// examples do.
    fn ordinary(x: &[f64], y: &[f64], coverage: f64) -> (FittedLine, f64, f64) {
        let points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
        let mut line = FittedLine::through(&points, |i, j| if i == j { 1.0 } else { 0.0 }).unwrap();
        let residual: f64 = points
            .iter()
            .map(|&(x, y)| (y - line.intercept - line.slope * x).powi(2))
            .sum();
        let freedom = points.len() as f64 - 2.0;
        let s2 = residual / freedom;
        line.intercept_variance *= s2;
        line.covariance *= s2;
        line.slope_variance *= s2;
        (line, s2, student_coverage_factor(coverage, freedom))
    }

    fn check(line: FittedLine, k: f64, expected: [f64; 3]) {
        let interval = line.zero_interval(k, 0.95);
        assert_eq!(interval.shape, IntervalShape::Finite);
        for (found, expected) in [
            (line.zero(), expected[0]),
            (interval.lower.unwrap(), expected[1]),
            (interval.upper.unwrap(), expected[2]),
        ] {
            // tolerance as stated in references.json
            assert_relative_eq!(found, expected, max_relative = 1e-6, epsilon = 1e-6);
        }
    }

    /// Calibration intervals published with Greenwell and Schubert Kabban, R
    /// Journal 2014, RJ-2014-009 (data of Graybill and Iyer 1994): a single
    /// new observation (thermostat, arsenic), mean responses (chamber, crystal);
    /// references.json, ids `fieller_thermostat104`, `fieller_thermostat100`,
    /// `fieller_arsenic3`, `fieller_chamber`, `fieller_crystal8`, `fieller_crystal5`, `fieller_zero`.
    #[test]
    fn published_inversion_intervals() {
        let x = [96.0, 98.0, 100.0, 102.0, 104.0, 106.0, 108.0, 110.0];
        let y = [95.71, 98.16, 99.52, 102.09, 103.79, 106.18, 108.14, 110.21];
        for (response, coverage, expected) in [
            (
                104.0,
                0.95,
                [103.99491564594408, 103.40405114241237, 104.5894593846641],
            ),
            (
                100.0,
                0.90,
                [100.1123180032355, 99.62940289531218, 100.58850313225432],
            ),
        ] {
            let (mut line, s2, k) = ordinary(&x, &y, coverage);
            line.intercept -= response;
            line.intercept_variance += s2;
            check(line, k, expected);
        }

        let x: Vec<f64> = (0..=10).map(|i| 10.0 * f64::from(i)).collect();
        let y = [
            206.36, 225.52, 252.18, 289.33, 318.11, 349.49, 383.03, 410.7, 444.4, 469.14, 501.16,
        ];
        let (mut line, _, k) = ordinary(&x, &y, 0.99);
        line.intercept -= 400.0;
        check(
            line,
            k,
            [66.52004320691312, 65.0708935302771, 68.02583249971843],
        );

        let x: Vec<f64> = (0..32).map(|i| f64::from(i / 4)).collect();
        let y = [
            0.17, 0.25, 0.01, 0.12, 1.25, 0.86, 1.25, 1.1, 2.01, 2.03, 2.14, 1.74, 3.18, 2.99,
            3.23, 3.37, 3.91, 3.9, 3.61, 4.27, 4.88, 5.33, 4.96, 4.98, 6.09, 6.17, 6.07, 5.97,
            6.67, 7.02, 7.14, 7.3,
        ];
        let (mut line, s2, k) = ordinary(&x, &y, 0.90);
        line.intercept -= 3.0;
        line.intercept_variance += s2;
        check(
            line,
            k,
            [2.931449061379456, 2.603537273503375, 3.2586579409246856],
        );

        let x: Vec<f64> = (1..=14).map(|i| 2.0 * f64::from(i)).collect();
        let y = [
            0.08, 1.12, 4.43, 4.98, 4.92, 7.18, 5.57, 8.4, 8.81, 10.81, 11.16, 10.12, 13.12, 15.04,
        ];
        for (response, coverage, expected) in [
            (
                0.0,
                0.95,
                [
                    -0.0028376844494934416,
                    -3.008467619538526,
                    2.289970231841015,
                ],
            ),
            (
                8.0,
                0.95,
                [15.888195232690123, 14.658958704349859, 17.159632118867336],
            ),
            (
                5.0,
                0.90,
                [9.929057888762767, 8.650259102782774, 11.047896516465336],
            ),
        ] {
            let (mut line, _, k) = ordinary(&x, &y, coverage);
            line.intercept -= response;
            check(line, k, expected);
        }
    }

    /// Zero crossing of the GUM H.3 line, whose slope is known to a third
    /// (references.json, fieller_H3): far from symmetric.
    #[test]
    fn a_poorly_known_slope() {
        let t = [
            21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.01, 26.511,
        ];
        let b = [
            -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.16,
        ];
        let (line, _, k) = ordinary(&t.map(|t| t - 20.0), &b, 0.95);
        check(
            line,
            k,
            [78.4367835283466, 47.978619989973225, 245.87035845817223],
        );
    }

    /// The cases without a finite interval: the definition itself decides
    /// which points belong.
    #[test]
    fn outer_half_lines_and_the_whole_line() {
        let line = |intercept: f64, slope: f64| FittedLine {
            intercept,
            slope,
            intercept_variance: 0.04,
            covariance: 0.01,
            slope_variance: 1.0,
        };
        for (line, shape) in [
            (line(1.0, 1.0), IntervalShape::Outer),
            (line(0.1, 1.0), IntervalShape::All),
            (line(1.0, 5.0), IntervalShape::Finite),
        ] {
            let interval = line.zero_interval(1.96, 0.95);
            assert_eq!(interval.shape, shape, "{line:?}");
            for i in -500..=500 {
                let x = f64::from(i) / 10.0 + 0.0123;
                let value = line.intercept + line.slope * x;
                let inside = value * value <= 1.96 * 1.96 * line.variance_at(x);
                assert_eq!(interval.contains(x), inside, "{line:?} {x}");
            }
        }
    }

    /// A line has no units: in others of `x` and `y` all its figures are the same, and
    /// points at one place make none, however near to zero or far from it.
    #[test]
    fn lines_have_no_units() {
        let points = [(1.0, 2.1), (2.0, 2.9), (4.0, 5.2)];
        let uncorrelated = |u: f64| move |i, j| if i == j { u * u } else { 0.0 };
        let line = FittedLine::through(&points, uncorrelated(0.1)).unwrap();
        let interval = line.zero_interval(2.0, 0.95);
        for (a, b) in [(1e-9, 1e6), (1e9, 1e-6), (1e-3, 1e-3)] {
            let other = points.map(|(x, y)| (a * x, b * y));
            let other = FittedLine::through(&other, uncorrelated(0.1 * b)).unwrap();
            let near = |found: f64, expected: f64| {
                assert_relative_eq!(found, expected, max_relative = 1e-12);
            };
            near(other.zero(), a * line.zero());
            near(other.variance_at(3.0 * a), b * b * line.variance_at(3.0));
            let found = other.zero_interval(2.0, 0.95);
            near(found.lower.unwrap(), a * interval.lower.unwrap());
            near(found.upper.unwrap(), a * interval.upper.unwrap());
            let same = points.map(|(_, y)| (a * 3.0, b * y));
            assert_eq!(FittedLine::through(&same, uncorrelated(0.1 * b)), None);
        }
    }

    /// A bound near zero keeps its digits: of `x^2 + 2 x + 2^-40 = 0` the lesser root is
    /// `-2^-41 (1 + 2^-42 ...)`.
    #[test]
    fn a_bound_near_zero_keeps_its_digits() {
        let small = 2f64.powi(-40);
        let line = FittedLine {
            intercept: 1.0,
            slope: 1.0,
            intercept_variance: 1.0 - small,
            covariance: 0.0,
            slope_variance: 0.0,
        };
        let interval = line.zero_interval(1.0, 0.68);
        assert_relative_eq!(interval.upper.unwrap(), -small / 2.0, max_relative = 1e-12);
        assert_relative_eq!(interval.lower.unwrap(), -2.0, max_relative = 1e-12);
    }
}
