//! Quantiles, tails, budgets and decisions against published values. The
//! source stands beside each check; `id` names the entry of the project's list
//! of reference values (references.json) it was taken from.

use groovelag::adjust::{Block, Coefficients, Problem, Unknown};
use groovelag::uncertainty::{
    Direction, Interval, Quantity, Verdict, budget, chi_square_upper_tail, conformity,
    normal_coverage_factor, student_coverage_factor,
};
use ndarray::{Array1, Array2};

/// Half a unit of the fourth decimal, the last one listed, and the rounding of
/// the quantile itself.
const FOUR_DECIMALS: f64 = 0.5e-4 + 1e-9;

/// Student's t, two-sided; JCGM 100:2008 (GUM) Table G.2, recomputed to four
/// decimals (id `t_table`). Columns: coverage 0.6827, 0.9, 0.95, 0.9545, 0.99,
/// 0.9973.
#[test]
fn student_quantiles_of_gum_table_g2() {
    const COVERAGE: [f64; 6] = [0.6827, 0.9, 0.95, 0.9545, 0.99, 0.9973];
    const TABLE: [(u32, [f64; 6]); 16] = [
        (1, [1.8374, 6.3138, 12.7062, 13.9678, 63.6567, 235.7837]),
        (2, [1.3213, 2.92, 4.3027, 4.5266, 9.9248, 19.206]),
        (3, [1.1969, 2.3534, 3.1824, 3.3068, 5.8409, 9.2187]),
        (4, [1.1417, 2.1318, 2.7764, 2.8693, 4.6041, 6.6201]),
        (5, [1.1105, 2.015, 2.5706, 2.6487, 4.0321, 5.507]),
        (6, [1.0906, 1.9432, 2.4469, 2.5165, 3.7074, 4.904]),
        (8, [1.0666, 1.8595, 2.306, 2.3664, 3.3554, 4.2766]),
        (10, [1.0526, 1.8125, 2.2281, 2.2837, 3.1693, 3.9569]),
        (12, [1.0435, 1.7823, 2.1788, 2.2314, 3.0545, 3.7642]),
        (15, [1.0345, 1.7531, 2.1314, 2.1812, 2.9467, 3.5864]),
        (16, [1.0323, 1.7459, 2.1199, 2.1689, 2.9208, 3.5441]),
        (20, [1.0257, 1.7247, 2.086, 2.133, 2.8453, 3.4221]),
        (25, [1.0204, 1.7081, 2.0595, 2.1051, 2.7874, 3.3296]),
        (30, [1.017, 1.6973, 2.0423, 2.0868, 2.75, 3.2703]),
        (50, [1.0101, 1.6759, 2.0086, 2.0513, 2.6778, 3.1571]),
        (100, [1.005, 1.6602, 1.984, 2.0253, 2.6259, 3.0767]),
    ];
    for (nu, row) in TABLE {
        for (coverage, t) in COVERAGE.into_iter().zip(row) {
            let ours = student_coverage_factor(coverage, f64::from(nu));
            assert!((ours - t).abs() < FOUR_DECIMALS, "{nu} {coverage}: {ours}");
        }
    }
    // The last row of the table is the normal distribution: GUM Table G.1
    // prints these with three decimals.
    for (coverage, k) in [
        (0.6827, 1.0),
        (0.9, 1.645),
        (0.95, 1.96),
        (0.9545, 2.0),
        (0.99, 2.576),
        (0.9973, 3.0),
    ] {
        let normal = normal_coverage_factor(coverage);
        assert!((normal - k).abs() < 0.5e-3, "{coverage}: {normal}");
        assert_eq!(student_coverage_factor(coverage, f64::INFINITY), normal);
        // Where the library changes over from Student to normal, the two
        // differ by (z + z^3) / (4 nu) (Cornish-Fisher, first term).
        let step = student_coverage_factor(coverage, 1e4) - normal;
        let first = (normal + normal.powi(3)) / 4e4;
        assert!((step - first).abs() < 0.01 * first, "{coverage}: {step}");
    }
    // One-sided normal quantiles at 0.8, 0.9, 0.95, 0.99, 0.999 (id `S106`).
    for (p, z) in [
        (0.8_f64, 0.841_621_233_572_914_3),
        (0.9, 1.281_551_565_544_600_4),
        (0.95, 1.644_853_626_951_472_2),
        (0.99, 2.326_347_874_040_840_8),
        (0.999, 3.090_232_306_167_813),
    ] {
        let ours = normal_coverage_factor(2.0 * p - 1.0);
        // 2 p - 1 is rounded to 1.1e-16, over the density there (0.0034 at
        // least): 3e-14; the quantile itself is good to some 1e-12.
        assert!((ours - z).abs() < 1e-11, "{p}: {ours}");
    }
}

/// Upper tails of chi-square. Closed forms: two and four degrees of freedom
/// are sums of exponentials, one is a normal tail. The 5 % points are those of
/// the NIST/SEMATECH handbook's table 1.3.6.7.4 (from memory), three decimals.
#[test]
fn chi_square_tails() {
    for x in [0.1_f64, 1.0, 3.0, 10.0, 50.0] {
        let two = (-x / 2.0).exp();
        let four = two * (1.0 + x / 2.0);
        for (nu, tail) in [(2.0, two), (4.0, four)] {
            let ours = chi_square_upper_tail(x, nu).unwrap();
            assert!((ours - tail).abs() < 1e-12 * tail.max(1e-3), "{x} {nu}");
        }
    }
    for (nu, x) in [(1.0, 3.841), (5.0, 11.070), (10.0, 18.307), (30.0, 43.773)] {
        // half a unit of the last decimal times the density (below 0.03 there)
        let ours = chi_square_upper_tail(x, nu).unwrap();
        assert!((ours - 0.05).abs() < 0.5e-3 * 0.03, "{nu}: {ours}");
    }
    for coverage in [0.5, 0.95, 0.999] {
        let z = normal_coverage_factor(coverage);
        let tail = chi_square_upper_tail(z * z, 1.0).unwrap();
        assert!((tail - (1.0 - coverage)).abs() < 1e-10, "{coverage}");
    }
    assert_eq!(chi_square_upper_tail(1.0, 0.0), None);
}

/// Probabilities of conformity, JCGM 106:2012, 7.2 and 7.3 (id `S106`; the
/// formulas from memory, the values recomputed).
#[test]
fn probability_of_conformity() {
    // One-sided: the estimate lies 1.4 u inside an upper limit; the lower one
    // is so far away that it does not count. Then a guard band of 2 u.
    for (inside, probability) in [
        (1.4, 0.919_243_340_766_228_9),
        (2.0, 0.977_249_868_051_820_8),
    ] {
        let c = conformity(50.0 - inside, 1.0, 50.0);
        assert!((c.probability - probability).abs() < 1e-9, "{c:?}");
        let mirrored = conformity(inside - 50.0, 1.0, 50.0);
        assert!((mirrored.probability - probability).abs() < 1e-9);
    }
    // Two-sided about zero: the probability is the coverage of +-T/u, so the
    // coverage factors of GUM Table G.1 invert it.
    for coverage in [0.6827, 0.9, 0.95, 0.99] {
        let tolerance = 0.7 * normal_coverage_factor(coverage);
        let c = conformity(0.0, 0.7, tolerance);
        assert!((c.probability - coverage).abs() < 1e-9, "{coverage}: {c:?}");
        assert_eq!(c.tolerance_deg, tolerance);
    }
    // On the limit, and the other one far: one half.
    assert!((conformity(5.0, 0.1, 5.0).probability - 0.5).abs() < 1e-12);
    assert_eq!(conformity(0.0, 1.0, 5.0).verdict, Verdict::Conforming);
    assert_eq!(conformity(5.0, 1.0, 5.0).verdict, Verdict::Undecided);
    assert_eq!(conformity(8.0, 1.0, 5.0).verdict, Verdict::NonConforming);
}

fn unknown(name: &str, value: f64, u: f64) -> Unknown {
    Unknown {
        name: name.to_owned(),
        start: value,
        scale: u,
    }
}

/// Independent inputs (name, value, standard uncertainty) as one adjustment of
/// priors alone.
fn inputs(list: &[(&str, f64, f64)]) -> Problem<'static> {
    let blocks = list
        .iter()
        .enumerate()
        .map(|(i, (name, value, u))| {
            let covariance = Array2::from_elem((1, 1), u * u);
            Block::prior(*name, vec![i], Array1::from_elem(1, *value), &covariance).unwrap()
        })
        .collect();
    let unknowns = list.iter().map(|(n, v, u)| unknown(n, *v, *u)).collect();
    Problem::new(unknowns, blocks)
}

/// GUM H.1, end-gauge calibration (id `H1`): l = 50 000 838 nm, u = 32 nm
/// (31.67 unrounded), the contributions, second-order terms 34 nm, U99 = 93 nm.
#[test]
fn gum_h1_end_gauge() {
    let third = 3.0_f64.sqrt();
    let (ls, theta) = (50_000_623.0, -0.1);
    let (alpha, d_alpha, d_theta) = (11.5e-6, 0.0, 0.0);
    let list = [
        ("standard", ls, 25.0),
        ("repeated observations", 215.0, 5.8),
        ("comparator, random", 0.0, 3.9),
        ("comparator, systematic", 0.0, 6.7),
        ("expansion of the standard", alpha, 2e-6 / third),
        ("difference of expansions", d_alpha, 1e-6 / third),
        ("difference of temperatures", d_theta, 0.05 / third),
        // mean bed temperature and its cyclic variation (arcsine)
        ("mean temperature", theta, 0.2),
        ("temperature cycle", 0.0, 0.5 / 2.0_f64.sqrt()),
    ];
    let problem = inputs(&list);
    let solution = problem.solve().unwrap();
    let x = &solution.values;
    // l = ls + d - ls (d_alpha theta + alpha d_theta), theta = mean + cycle
    let length = x[0] + x[1] + x[2] + x[3] - x[0] * (x[5] * (x[7] + x[8]) + x[4] * x[6]);
    assert!((length - 50_000_838.0).abs() < 0.5, "{length}");
    let gradient = Coefficients::from([
        1.0 - d_alpha * theta - alpha * d_theta,
        1.0,
        1.0,
        1.0,
        -ls * d_theta,
        -ls * theta,
        -ls * alpha,
        -ls * d_alpha,
        -ls * d_alpha,
    ]);
    let parts = problem.variance_parts(&solution, &gradient);
    let lines = budget(
        problem
            .blocks()
            .iter()
            .map(|b| b.label().to_owned())
            .zip(parts),
    );
    let expected = [
        ("standard", 25.0),
        ("difference of temperatures", 16.599),
        ("comparator, systematic", 6.7),
        ("repeated observations", 5.8),
        ("comparator, random", 3.9),
        ("difference of expansions", 2.886_79),
    ];
    // Zero contributions have no line; the largest comes first.
    assert_eq!(lines.len(), expected.len(), "{lines:?}");
    for (line, (source, u)) in lines.iter().zip(expected) {
        assert_eq!(line.source, source);
        // half a unit of the last digit listed
        assert!((line.standard_uncertainty - u).abs() < 0.5e-3, "{line:?}");
    }
    let squares: f64 = lines.iter().map(|l| l.standard_uncertainty.powi(2)).sum();
    // The clause adds up components printed as 25, 9.7, 2.9 and 16.6 nm, which
    // makes 31.671; half a unit of their last digits is 0.046 nm of the sum.
    let u = 31.671_122_493_527_13_f64;
    let rounding = 0.05 * (9.7 + 2.9 + 16.6) / u;
    assert!((squares.sqrt() - u).abs() < rounding, "{}", squares.sqrt());
    // The budget closes on the solution's own variance.
    assert!((squares - solution.variance(&gradient)).abs() < 1e-9 * squares);
    assert!((lines.iter().map(|l| l.share).sum::<f64>() - 1.0).abs() < 1e-12);
    // The two second-order terms, 11.7 and 1.7 nm: 34 nm in all.
    let u_theta = list[7].2.hypot(list[8].2);
    let second = [ls * list[5].2 * u_theta, ls * list[4].2 * list[6].2];
    let all = budget(
        lines
            .iter()
            .map(|l| (l.source.clone(), l.standard_uncertainty.powi(2)))
            .chain(second.map(|v| ("second order".to_owned(), v * v))),
    );
    let u_all = all
        .iter()
        .map(|l| l.standard_uncertainty.powi(2))
        .sum::<f64>()
        .sqrt();
    assert_eq!(u_all.round(), 34.0);
    // Welch-Satterthwaite; the clause finds 25.6 degrees of freedom for d from
    // (5.8, 24), (3.9, 5), (6.7, 8) and their sum printed as 9.7, whose half a
    // unit in the last digit is 4 * 0.05 / 9.7 of the result.
    let satterthwaite = |parts: &[(f64, f64)]| {
        let total: f64 = parts.iter().map(|p| p.0.powi(2)).sum();
        total.powi(2) / parts.iter().map(|p| p.0.powi(4) / p.1).sum::<f64>()
    };
    let d = [(5.8, 24.0), (3.9, 5.0), (6.7, 8.0)];
    let nu_d = satterthwaite(&d);
    assert!((nu_d - 25.6).abs() < 25.6 * 4.0 * 0.05 / 9.7, "{nu_d}");
    let u_d = d.iter().map(|p| p.0.powi(2)).sum::<f64>().sqrt();
    let nu = satterthwaite(&[(25.0, 18.0), (u_d, nu_d), (2.886_79, 50.0), (16.599, 2.0)]);
    // The clause truncates to 16 and multiplies t by the rounded 32 nm: 93 nm.
    let expanded = student_coverage_factor(0.99, nu.floor()) * u.round();
    assert_eq!((nu.floor(), expanded.round()), (16.0, 93.0));
}

/// GUM H.2 (id `H2`): resistance, reactance and impedance from five sets of
/// voltage, current and phase; Tables H.2 to H.4, and `H2_nocorr`: what comes
/// out when the correlations are left out (Table H.5's lesson).
#[test]
fn gum_h2_correlated_inputs() {
    const VOLT: [f64; 5] = [5.007, 4.994, 5.005, 4.990, 4.999];
    const MILLIAMPERE: [f64; 5] = [19.663, 19.639, 19.640, 19.685, 19.678];
    const RADIAN: [f64; 5] = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433];
    let sets = [VOLT, MILLIAMPERE.map(|i| i * 1e-3), RADIAN];
    let means = Array1::from_iter(sets.iter().map(|s| s.iter().sum::<f64>() / 5.0));
    // covariance of the means: n (n - 1) = 20
    let covariance = Array2::from_shape_fn((3, 3), |(i, j)| {
        let products = sets[i].iter().zip(&sets[j]);
        products
            .map(|(a, b)| (a - means[i]) * (b - means[j]))
            .sum::<f64>()
            / 20.0
    });
    let close = |ours: f64, published: f64| {
        // the sums cancel six digits of sixteen at most
        assert!((ours / published - 1.0).abs() < 1e-9, "{ours} {published}");
    };
    let u: Vec<f64> = covariance.diag().iter().map(|v| v.sqrt()).collect();
    close(u[0], 0.003_209_361_307_176_179_4);
    close(u[1], 9.471_008_394_040_896e-6);
    close(u[2], 0.000_752_063_827_078_536_8);
    close(covariance[[0, 1]] / u[0] / u[1], -0.355_311_219_817_477_1);
    close(covariance[[0, 2]] / u[0] / u[2], 0.857_624_210_839_961_9);
    close(covariance[[1, 2]] / u[1] / u[2], -0.645_111_217_689_246_3);

    let unknowns = || {
        ["V", "I", "phi"]
            .iter()
            .enumerate()
            .map(|(i, name)| unknown(name, means[i], u[i]))
            .collect::<Vec<_>>()
    };
    let block = Block::prior("sets", vec![0, 1, 2], means.clone(), &covariance).unwrap();
    let problem = Problem::new(unknowns(), vec![block]);
    let solution = problem.solve().unwrap();
    let (v, i, phi) = (solution.values[0], solution.values[1], solution.values[2]);
    let (z, c, s) = (v / i, phi.cos(), phi.sin());
    let gradients = [
        Coefficients::from([c / i, -z * c / i, -z * s]),
        Coefficients::from([s / i, -z * s / i, z * c]),
        Coefficients::from([1.0 / i, -z / i, 0.0]),
    ];
    close(z * c, 127.732_169_928_102_08);
    close(z * s, 219.846_511_912_638_48);
    close(z, 254.259_701_948_018_94);
    let published = [
        0.071_071_407_396_995_12,
        0.295_581_677_358_638_3,
        0.236_336_130_082_370_28,
    ];
    for (gradient, u) in gradients.iter().zip(published) {
        close(solution.variance(gradient).sqrt(), u);
        // and through the budget
        let parts = problem.variance_parts(&solution, gradient);
        let lines = budget([("sets".to_owned(), parts[0])]);
        close(lines[0].standard_uncertainty, u);
        assert_eq!(lines[0].share, 1.0);
    }
    for (a, b, r) in [
        (0, 1, -0.588_429_784_423_579_2),
        (0, 2, -0.485_259_224_209_999),
        (1, 2, 0.992_511_648_949_017_1),
    ] {
        close(
            solution.covariance_of(&gradients[a], &gradients[b]) / published[a] / published[b],
            r,
        );
    }

    // The same inputs taken as independent: quite another uncertainty.
    let alone = inputs(&[
        ("V", means[0], u[0]),
        ("I", means[1], u[1]),
        ("phi", means[2], u[2]),
    ]);
    let solution = alone.solve().unwrap();
    for (gradient, u) in gradients.iter().zip([
        0.194_544_454_488_58,
        0.200_909_305_927_653_02,
        0.204_076_425_447_344_9,
    ]) {
        let parts = alone.variance_parts(&solution, gradient);
        close(parts.iter().sum::<f64>().sqrt(), u);
    }
}

/// A quantity's band is value +- k u with k of GUM Table G.1, in any unit, and
/// the direction is resolved only when the band excludes zero.
#[test]
fn a_band_is_the_coverage_factor_times_u() {
    let q = Quantity::normal(3.0, 0.5, 0.95);
    // k = 1.959 963 985 (Abramowitz & Stegun, table 26.5, from memory)
    let half = 1.959_963_985 * 0.5;
    assert!((q.interval.lower.unwrap() - (3.0 - half)).abs() < 1e-9);
    assert!((q.interval.upper.unwrap() - (3.0 + half)).abs() < 1e-9);
    let scaled = q.scaled(1e6);
    assert!((scaled.interval.upper.unwrap() - 1e6 * (3.0 + half)).abs() < 1e-3);
    assert_eq!(Direction::resolved(&q), Direction::Clockwise);
    let unresolved = Quantity::normal(0.9, 0.5, 0.95);
    assert_eq!(Direction::resolved(&unresolved), Direction::NoneResolved);
}

/// Half of a finite band's width is the expanded uncertainty `k u` (GUM 6.2.1); other
/// sets have no width.
#[test]
fn half_a_finite_band_is_the_expanded_uncertainty() {
    let quantity = Quantity::normal(-7.0, 3.0, 0.95);
    // k to six decimals
    let half = quantity.half_width().unwrap();
    assert!((half - 1.959964 * 3.0).abs() < 3e-6, "{half}");
    for interval in [Interval::outer(1.0, 2.0, 0.95), Interval::all(0.95)] {
        let none = Quantity {
            interval,
            ..quantity
        };
        assert_eq!(none.half_width(), None);
    }
}
