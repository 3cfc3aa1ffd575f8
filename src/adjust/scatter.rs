//! Scatter between repeats beyond their own uncertainty.

/// Variance of the scatter that makes groups of repeated values consistent,
/// by Paule and Mandel (J. Res. NBS 87, 377, 1982; DerSimonian and Kacker
/// 2007): the `t` with `sum (y - mean)^2 / (v + t) = sum (n - 1)`, the means
/// being weighted by `1 / (v + t)` within each group. Zero when the values
/// are consistent without it. Each group holds pairs of value and variance.
pub fn paule_mandel(groups: &[Vec<(f64, f64)>]) -> f64 {
    let degrees_of_freedom: usize = groups.iter().map(|g| g.len().saturating_sub(1)).sum();
    let excess = |t: f64| {
        let sum: f64 = groups.iter().map(|group| spread(group, t)).sum();
        sum - degrees_of_freedom as f64
    };
    if degrees_of_freedom == 0 || excess(0.0) <= 0.0 {
        return 0.0;
    }
    // the unweighted sum of squares is above every solution
    let mut high: f64 = groups
        .iter()
        .map(|group| spread(group, f64::INFINITY))
        .sum();
    let mut low = 0.0;
    // `excess` falls steadily: halve until nothing is left between
    loop {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            return middle;
        }
        if excess(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
}

/// Weighted sum of squares about the weighted mean; with infinite `t` the
/// plain one.
fn spread(group: &[(f64, f64)], t: f64) -> f64 {
    let weight = |v: f64| if t.is_finite() { 1.0 / (v + t) } else { 1.0 };
    let total: f64 = group.iter().map(|&(_, v)| weight(v)).sum();
    let mean = group.iter().map(|&(y, v)| weight(v) * y).sum::<f64>() / total;
    group
        .iter()
        .map(|&(y, v)| weight(v) * (y - mean).powi(2))
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn group(y: &[f64], v: &[f64]) -> Vec<(f64, f64)> {
        y.iter().copied().zip(v.iter().copied()).collect()
    }

    /// DerSimonian and Kacker 2007, Contemp. Clin. Trials 28, 105, tables 3
    /// and 4 (six trials); Viechtbauer 2005, J. Educ. Behav. Stat. 30, 261,
    /// page 271; sixteen measurements of G. Digits as in references.json.
    #[test]
    fn published_examples() {
        let clasp = group(
            &[
                -1.2976287240342343,
                -1.2648771073076677,
                0.12079236684709291,
                -0.32937738870476896,
                -0.2006706954621511,
                -0.12853406867186304,
            ],
            &[
                0.3467740317078065,
                0.2656757376062548,
                0.19838951484521103,
                0.026477083667147027,
                0.22329679776488284,
                0.006498560266856734,
            ],
        );
        assert_relative_eq!(
            paule_mandel(&[clasp]),
            0.1354745244704198,
            max_relative = 1e-6
        );
        let viechtbauer = group(
            &[
                -0.581, 0.53, 0.771, 1.031, 0.553, 0.295, 0.078, 0.573, -0.176, -0.232,
            ],
            &[
                0.023, 0.052, 0.06, 0.115, 0.095, 0.203, 0.2, 0.211, 0.051, 0.04,
            ],
        );
        assert_relative_eq!(
            paule_mandel(&[viechtbauer]),
            0.19200496911233159,
            max_relative = 1e-6
        );
        let g = [
            6.67248, 6.6729, 6.67398, 6.674255, 6.67559, 6.67422, 6.67387, 6.67222, 6.67425,
            6.67349, 6.67554, 6.67191, 6.67435, 6.674184, 6.674484, 6.6726,
        ];
        let u: [f64; 16] = [
            0.00043, 0.0005, 0.0007, 9.2e-05, 0.00027, 0.00098, 0.00027, 0.00087, 0.00012, 0.00018,
            0.00016, 0.00099, 0.00013, 7.8e-05, 7.7e-05, 0.00025,
        ];
        let big_g = group(&g, &u.map(|u| u * u));
        assert_relative_eq!(
            paule_mandel(&[big_g]).sqrt(),
            0.0009615658874481328,
            max_relative = 1e-6
        );
    }

    #[test]
    fn groups_are_pooled_and_consistency_needs_no_scatter() {
        // two groups of two, each 2 apart without own variance: sample
        // variances 2 and 2 by hand
        let groups = [vec![(0.0, 0.0), (2.0, 0.0)], vec![(10.0, 0.0), (12.0, 0.0)]];
        assert_relative_eq!(paule_mandel(&groups), 2.0, max_relative = 1e-12);
        assert_eq!(paule_mandel(&[vec![(0.0, 1.0), (0.5, 1.0)]]), 0.0);
        assert_eq!(paule_mandel(&[vec![(0.0, 1.0)], vec![]]), 0.0);
        assert_eq!(paule_mandel(&[]), 0.0);
    }
}
