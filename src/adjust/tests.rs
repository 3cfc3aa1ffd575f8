use super::super::Marginal;
use super::*;
use crate::uncertainty::{IntervalShape, normal_coverage_factor};
use approx::assert_relative_eq;
use ndarray::array;

fn unknown(name: &str, start: f64, scale: f64) -> Unknown {
    Unknown {
        name: name.into(),
        start,
        scale,
    }
}

/// One observation `y` of unit weight of a model of two unknowns.
fn observation<'a>(
    y: f64,
    model: impl Fn(f64, f64) -> (f64, f64, f64) + Send + Sync + 'a,
) -> Block<'a> {
    Block::data(
        "observation",
        vec![0, 1],
        array![[1.0]],
        &array![y],
        move |x| {
            let (value, d0, d1) = model(x[0], x[1]);
            Linearisation {
                values: array![value],
                jacobian: array![[d0, d1]],
            }
        },
    )
    .unwrap()
}

fn line(points: &[(f64, f64)], start: (f64, f64)) -> Problem<'_> {
    let blocks = points
        .iter()
        .map(|&(x, y)| observation(y, move |a, b| (a + b * x, 1.0, x)))
        .collect();
    Problem::new(
        vec![unknown("a", start.0, 1.0), unknown("b", start.1, 1.0)],
        blocks,
    )
}

/// Residual standard deviation: the published standard errors include it,
/// which this solver never does by itself.
fn scatter(solution: &Minimum) -> f64 {
    (solution.chi_square / solution.degrees_of_freedom as f64).sqrt()
}

fn errors(solution: &Minimum) -> (f64, f64) {
    let s = scatter(solution);
    (s * solution.uncertainty(0), s * solution.uncertainty(1))
}

/// NIST Statistical Reference Datasets, Norris (linear, lower difficulty):
/// certified values and standard errors, 15 digits.
#[test]
fn nist_norris() {
    let y = [
        0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1,
        668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3,
        888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
    ];
    let x = [
        0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
        666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1,
        887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
    ];
    let points: Vec<(f64, f64)> = x.into_iter().zip(y).collect();
    for start in [(0.0, 0.0), (100.0, -3.0)] {
        let solution = line(&points, start).solve().unwrap();
        assert_ne!(solution.termination, Termination::IterationLimit);
        // condition of the normal equations (1e6) times rounding
        assert_relative_eq!(solution.values[0], -0.262323073774029, max_relative = 1e-9);
        assert_relative_eq!(solution.values[1], 1.00211681802045, max_relative = 1e-12);
        let (u0, u1) = errors(&solution);
        assert_relative_eq!(u0, 0.232818234301152, max_relative = 1e-10);
        assert_relative_eq!(u1, 0.000429796848199937, max_relative = 1e-10);
        assert_relative_eq!(scatter(&solution), 0.884796396144373, max_relative = 1e-10);
        assert_eq!(solution.degrees_of_freedom, 34);
    }
}

/// NIST Statistical Reference Datasets, Misra1a (nonlinear, lower
/// difficulty): certified values and standard errors (11 digits), both starts.
#[test]
fn nist_misra1a() {
    let y = [
        10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.4, 75.47,
        81.78,
    ];
    let x = [
        77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1,
        760.0,
    ];
    for start in [(500.0, 0.0001), (250.0, 0.0005)] {
        let blocks = x
            .into_iter()
            .zip(y)
            .map(|(x, y)| {
                observation(y, move |b1, b2| {
                    let e = (-b2 * x).exp();
                    (b1 * (1.0 - e), 1.0 - e, b1 * x * e)
                })
            })
            .collect();
        let problem = Problem::new(
            vec![
                unknown("b1", start.0, start.0),
                unknown("b2", start.1, start.1),
            ],
            blocks,
        );
        let solution = problem.solve().unwrap();
        assert_ne!(solution.termination, Termination::IterationLimit);
        assert_relative_eq!(solution.values[0], 238.94212918, max_relative = 1e-8);
        assert_relative_eq!(solution.values[1], 0.00055015643181, max_relative = 1e-8);
        let (u1, u2) = errors(&solution);
        assert_relative_eq!(u1, 2.7070075241, max_relative = 1e-8);
        assert_relative_eq!(u2, 7.2668688436e-06, max_relative = 1e-8);
    }
}

/// GUM (JCGM 100:2008) H.3: thermometer correction, straight line; values to
/// the digits recomputed in references.json.
#[test]
fn gum_h3() {
    let t = [
        21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.01, 26.511,
    ];
    let b = [
        -0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.16,
    ];
    let points: Vec<(f64, f64)> = t.into_iter().map(|t| t - 20.0).zip(b).collect();
    let problem = line(&points, (0.0, 0.0));
    let solution = problem.solve().unwrap();
    let (u1, u2) = errors(&solution);
    assert_relative_eq!(
        solution.values[0],
        -0.17120379013134995,
        max_relative = 1e-9
    );
    assert_relative_eq!(
        solution.values[1],
        0.0021826977398872803,
        max_relative = 1e-9
    );
    assert_relative_eq!(u1, 0.002877597835159957, max_relative = 1e-9);
    assert_relative_eq!(u2, 0.0006679387732278324, max_relative = 1e-9);
    let c = |i, j| solution.covariance(i, j);
    assert_relative_eq!(
        c(0, 1) / (c(0, 0) * c(1, 1)).sqrt(),
        -0.9304296030934461,
        max_relative = 1e-9
    );
    // the correction at 30 degrees, and its variance split over the readings
    let at30 = Coefficients::from([1.0, 10.0]);
    let parts = problem.variance_parts(&solution, &at30);
    let total: f64 = parts.iter().sum();
    assert_relative_eq!(
        scatter(&solution) * total.sqrt(),
        0.004138595752854951,
        max_relative = 1e-9
    );
}

/// JCGM 101:2008 9.2.2: the sum of four standard normal quantities has
/// standard uncertainty 2.0 and 95 % interval -3.92 .. 3.92; here the sum is
/// an unknown tied to the four by an all but exact observation.
#[test]
fn jcgm_101_9_2() {
    let mut blocks: Vec<Block<'_>> = (0..4)
        .map(|k| Block::prior("x", vec![k], array![0.0], &array![[1.0]]).unwrap())
        .collect();
    blocks.push(
        Block::data(
            "sum",
            vec![0, 1, 2, 3, 4],
            array![[1e8]],
            &array![0.0],
            |x| Linearisation {
                values: array![x[0] + x[1] + x[2] + x[3] - x[4]],
                jacobian: array![[1.0, 1.0, 1.0, 1.0, -1.0]],
            },
        )
        .unwrap(),
    );
    let unknowns = (0..5).map(|_| unknown("x", 0.3, 1.0)).collect();
    let problem = Problem::new(unknowns, blocks);
    let solution = problem.solve().unwrap();
    // the tie adds a variance of 1e-8
    assert!((solution.uncertainty(4) - 2.0).abs() < 1e-8);
    let sum = Coefficients::unit(4);
    let marginal = Marginal::new(&problem, &solution, &sum, (-100.0, 100.0)).unwrap();
    let interval = marginal.interval(0.95);
    assert_eq!(interval.shape, IntervalShape::Finite);
    let expected = 2.0 * normal_coverage_factor(0.95);
    assert!((expected - 3.92).abs() < 0.005);
    // a grid of six points per u: the quadrature's error is below 1e-4
    assert!((interval.upper.unwrap() - expected).abs() < 2e-3);
    assert!((interval.lower.unwrap() + expected).abs() < 2e-3);
    // the same as a combination of the four, in any split
    let parts = Coefficients::from([1.0, 1.0, 1.0, 1.0, 0.0]);
    let combined = Marginal::new(&problem, &solution, &parts, (-100.0, 100.0)).unwrap();
    assert!((combined.quantile(0.9) - marginal.quantile(0.9)).abs() < 1e-6);
    assert!((marginal.cumulative(2.0) - crate::uncertainty::normal_cdf(1.0)).abs() < 1e-4);
}

fn network() -> Problem<'static> {
    let prior = array![[1.0, 0.6], [0.6, 2.0]];
    let blocks = vec![
        Block::prior("pair", vec![0, 1], array![1.0, 2.0], &prior).unwrap(),
        Block::prior("third", vec![2], array![0.5], &array![[0.25]]).unwrap(),
        Block::prior("idle", vec![3], array![0.0], &array![[1.0]]).unwrap(),
        // one equation for two predictions: singular information
        Block::data(
            "singular",
            vec![0, 1, 2],
            array![[4.0, 2.0], [2.0, 1.0]],
            &array![8.0, 4.0],
            |x| Linearisation {
                values: array![x[0] * x[2], x[1]],
                jacobian: array![[x[2], 0.0, x[0]], [0.0, 1.0, 0.0]],
            },
        )
        .unwrap(),
        Block::data("direct", vec![1], array![[100.0]], &array![170.0], |x| {
            Linearisation {
                values: array![x[0]],
                jacobian: array![[1.0]],
            }
        })
        .unwrap(),
    ];
    let unknowns = ["a", "b", "c", "d"]
        .into_iter()
        .map(|name| unknown(name, 1.0, 1.0))
        .collect();
    Problem::new(unknowns, blocks)
}

#[test]
fn the_budget_closes_whatever_the_blocks() {
    let problem = network();
    let solution = problem.solve().unwrap();
    assert_ne!(solution.termination, Termination::IterationLimit);
    for c in [
        [1.0, 0.0, 0.0, 0.0],
        [0.3, -2.0, 1.0, 5.0],
        [0.0, 0.0, 1.0, 0.0],
    ] {
        let c = Coefficients::from(c);
        let parts = problem.variance_parts(&solution, &c);
        assert!(parts.iter().all(|&p| p >= -1e-15));
        let variance = solution.variance(&c);
        assert_relative_eq!(parts.iter().sum::<f64>(), variance, max_relative = 1e-9);
    }
}

#[test]
fn what_determines_each_unknown() {
    let problem = network();
    let solution = problem.solve().unwrap();
    let (determined, rank) = problem.determination(&solution);
    assert_eq!(
        determined,
        [
            Determined::Both,
            Determined::Data,
            Determined::Both,
            Determined::Prior
        ]
    );
    // "direct" and one equation of "singular"
    assert_eq!(rank, 2);
    // two ranks of data beside priors on everything
    assert_eq!(solution.degrees_of_freedom, 2);
}

/// What the data know is held against the prior, whatever scale the solver was given.
#[test]
fn what_determines_is_judged_against_the_prior() {
    for (information, expected, of_data) in [
        (1e4, Determined::Data, 1),
        (1e-4, Determined::Prior, 1),
        (0.0, Determined::Prior, 0),
    ] {
        let prior = Block::prior("p", vec![0], array![0.0], &array![[1.0]]).unwrap();
        let data = Block::data("d", vec![0], array![[information]], &array![0.0], |x| {
            Linearisation {
                values: array![x[0]],
                jacobian: array![[1.0]],
            }
        })
        .unwrap();
        let problem = Problem::new(vec![unknown("a", 0.0, 1e-6)], vec![prior, data]);
        let solution = problem.solve().unwrap();
        let (determined, rank) = problem.determination(&solution);
        assert_eq!(
            (determined, rank),
            (vec![expected], of_data),
            "{information}"
        );
    }
}

/// The bias test against its definition: solve again without the block and
/// compare the prediction then with the observation (linear problem, exact).
#[test]
fn the_bias_test_is_leaving_one_out() {
    let points = [(0.0, 0.1), (1.0, 0.9), (2.0, 2.3), (3.0, 2.9), (4.0, 7.0)];
    let problem = line(&points, (0.0, 0.0));
    let solution = problem.solve().unwrap();
    for (k, &(x, y)) in points.iter().enumerate() {
        let mut others = points.to_vec();
        others.remove(k);
        let rest = line(&others, (0.0, 0.0)).solve().unwrap();
        let predicted = rest.values[0] + rest.values[1] * x;
        let c = |i, j| rest.covariance(i, j);
        let variance = 1.0 + c(0, 0) + 2.0 * x * c(0, 1) + x * x * c(1, 1);
        let test = problem.bias_test(&solution, k, 0).unwrap();
        assert_relative_eq!(test.leave_one_out, y - predicted, max_relative = 1e-9);
        assert_relative_eq!(
            test.normalised,
            (y - predicted) / variance.sqrt(),
            max_relative = 1e-9
        );
    }
    // two points determine a line: nothing checks either
    let exact = line(&points[..2], (0.0, 0.0));
    let solution = exact.solve().unwrap();
    assert_eq!(exact.bias_test(&solution, 0, 0), None);
    assert_eq!(solution.p_value, None);
}

/// A line through points on it: one step there, one that finds nothing left.
#[test]
fn a_line_is_reached_in_one_step() {
    let points = [(0.0, 1.0), (1.0, 3.0), (2.0, 5.0), (4.0, 9.0)];
    let solution = line(&points, (-7.0, 12.0)).solve().unwrap();
    assert_eq!(solution.termination, Termination::Converged);
    assert_eq!(solution.iterations, 2);
    assert_eq!(solution.degrees_of_freedom, 2);
    assert!(solution.chi_square < 1e-24, "{}", solution.chi_square);
}

/// One equation between three unknowns, known to a part in 1e7 of their priors:
/// what rounding leaves of its other directions is no further rank.
#[test]
fn rank_is_not_made_by_rounding() {
    let direction = array![0.1, 0.3, 0.7];
    let mut blocks: Vec<Block<'_>> = (0..3)
        .map(|k| Block::prior("p", vec![k], array![0.0], &array![[1.0]]).unwrap())
        .collect();
    let jacobian = direction.clone().insert_axis(ndarray::Axis(0));
    blocks.push(
        Block::data("d", vec![0, 1, 2], array![[1e14]], &array![0.0], move |x| {
            Linearisation {
                values: array![0.1 * x[0] + 0.3 * x[1] + 0.7 * x[2]],
                jacobian: jacobian.clone(),
            }
        })
        .unwrap(),
    );
    let names = ["a", "b", "c"];
    let problem = Problem::new(names.map(|n| unknown(n, 0.0, 1.0)).into(), blocks);
    let solution = problem.solve().unwrap();
    let (determined, rank) = problem.determination(&solution);
    assert_eq!(rank, 1);
    // 0.7^2 of 0.59 of the last one's variance is taken away, of the first one's 2 %
    assert_eq!(determined, [Determined::Both; 3]);
    // a condition of 1e14 leaves two digits
    assert_relative_eq!(
        solution.covariance(2, 2),
        1.0 - 0.49 / 0.59,
        max_relative = 1e-2
    );
}

#[test]
fn what_cannot_be_solved_is_named() {
    // one equation, two unknowns
    let open = line(&[(1.0, 1.0)], (0.0, 0.0));
    assert!(matches!(open.solve(), Err(AdjustError::Singular { .. })));
    let bad = Problem::new(
        vec![unknown("a", -1.0, 1.0), unknown("b", 0.0, 1.0)],
        vec![observation(1.0, |a, b| (a.sqrt() + b, 1.0, 1.0))],
    );
    assert!(matches!(bad.solve(), Err(AdjustError::NotFinite { .. })));
    // the one that is not finite, not the one before it
    let prior = Block::prior("prior", vec![1], array![0.0], &array![[1.0]]).unwrap();
    let bad = Problem::new(
        vec![unknown("a", -1.0, 1.0), unknown("b", 0.0, 1.0)],
        vec![prior, observation(1.0, |a, b| (a.sqrt() + b, 1.0, 1.0))],
    );
    assert!(matches!(bad.solve(), Err(AdjustError::NotFinite { block }) if block == "observation"));
    assert!(Block::prior("p", vec![0], array![1.0], &array![[-1.0]]).is_err());
    assert!(Block::prior("p", vec![0], array![f64::NAN], &array![[1.0]]).is_err());
    let indefinite = array![[1.0, 2.0], [2.0, 1.0]];
    assert!(
        Block::data("d", vec![0, 1], indefinite, &array![0.0, 0.0], |_| {
            unreachable!()
        })
        .is_err()
    );
}

/// Where two equations say the same of their unknowns, at the start, and not elsewhere:
/// `a^2 + b = 7`, `2 a + b = 7` from `a = 1`.
#[test]
fn a_start_that_is_singular_is_left() {
    let blocks = vec![
        observation(7.0, |a, b| (a * a + b, 2.0 * a, 1.0)),
        observation(7.0, |a, b| (2.0 * a + b, 2.0, 1.0)),
    ];
    let problem = Problem::new(vec![unknown("a", 1.0, 1.0), unknown("b", 1.0, 1.0)], blocks);
    let solution = problem.solve().unwrap();
    let (a, b) = (solution.values[0], solution.values[1]);
    assert!((a * a + b - 7.0).abs() < 1e-6, "{a} {b}");
    assert!((2.0 * a + b - 7.0).abs() < 1e-6, "{a} {b}");
}

/// One lever shared by three angles, each read to a fiftieth: what walks find
/// against quadrature over the lever and, for each lever, over the angles,
/// which then are independent.
#[test]
fn marginals_of_a_poorly_known_lever_against_quadrature() {
    const LEVER: [f64; 2] = [14.0, 3.0];
    const ANGLE_U: f64 = 5.0;
    let read = [-70.0, 42.0, 14.0];
    let u = 1.5;
    let prior = |k: usize, value: f64, u: f64| {
        Block::prior("p", vec![k], array![value], &array![[u * u]]).unwrap()
    };
    let mut blocks = vec![prior(0, LEVER[0], LEVER[1])];
    let mut unknowns = vec![Unknown {
        name: "lever".into(),
        start: LEVER[0],
        scale: LEVER[1],
    }];
    for (k, d) in read.into_iter().enumerate() {
        unknowns.push(Unknown {
            name: "angle".into(),
            start: 0.0,
            scale: ANGLE_U,
        });
        blocks.push(prior(k + 1, 0.0, ANGLE_U));
        let information = array![[1.0 / (u * u)]];
        let vector = array![d / (u * u)];
        let block = Block::data("d", vec![0, k + 1], information, &vector, |x| {
            Linearisation {
                values: array![x[0] * x[1]],
                jacobian: array![[x[1], x[0]]],
            }
        });
        blocks.push(block.unwrap());
    }
    let problem = Problem::new(unknowns, blocks);
    let solution = problem.solve().unwrap();
    // the lever on a grid of its own; an angle given the lever is normal
    let levers: Vec<f64> = (1..4000).map(|i| 0.01 * f64::from(i)).collect();
    let angle = |lever: f64, d: f64| {
        let precision = ANGLE_U.powi(-2) + (lever / u).powi(2);
        (lever * d / (u * u) / precision, precision.sqrt().recip())
    };
    let weight = |lever: f64| -> f64 {
        let prior = ((lever - LEVER[0]) / LEVER[1]).powi(2);
        let of = |d: &f64| {
            let variance = u * u + (lever * ANGLE_U).powi(2);
            d * d / variance + variance.ln()
        };
        (-0.5 * (prior + read.iter().map(of).sum::<f64>())).exp()
    };
    let total: f64 = levers.iter().map(|l| weight(*l)).sum();
    let exact = |k: usize, x: f64| -> f64 {
        let below = levers.iter().map(|&l| {
            let (mean, u) = angle(l, read[k]);
            weight(l) * crate::uncertainty::normal_cdf((x - mean) / u)
        });
        below.sum::<f64>() / total
    };
    let everywhere = (f64::NEG_INFINITY, f64::INFINITY);
    let targets: Vec<_> = [1, 2, 3, 0].map(Coefficients::unit).into();
    let through = Marginal::through(&problem, &solution, &Coefficients::unit(0), &targets).unwrap();
    // what is walked along is known at each point: its own stretch is its spread
    for p in [0.025, 0.5, 0.975] {
        let x = through[3].quantile(p);
        let below = levers.iter().filter(|l| **l <= x).map(|l| weight(*l));
        let error = below.sum::<f64>() / total - p;
        // a step of the grid is a two-hundredth of the lever's spread
        assert!(error.abs() < 5e-3, "{p}: {error}");
    }
    for k in 0..3 {
        let own = Marginal::new(&problem, &solution, &targets[k], everywhere).unwrap();
        for p in [0.025, 0.16, 0.5, 0.84, 0.975] {
            // what is left of the interpolation between a walk's points
            let error = exact(k, through[k].quantile(p)) - p;
            assert!(error.abs() < 1e-3, "{k} {p}: {error}");
            // Laplace's own error: the angles' spread is not quite normal here
            let error = exact(k, own.quantile(p)) - p;
            assert!(error.abs() < 3e-3, "{k} {p}: {error}");
        }
        // what linearisation makes of it
        let u = solution.uncertainty(k + 1);
        let linear = exact(k, solution.values[k + 1] - 1.959964 * u);
        assert!((linear - 0.025).abs() > 0.01, "{linear}");
    }
}

/// Information may be singular, and is whatever its unit; a matrix that is not
/// symmetric, not positive or of another size than its vector is refused.
#[test]
fn matrices_of_blocks_are_checked() {
    let data = |matrix: [[f64; 2]; 2], vector: &Array1<f64>| {
        let matrix = Array2::from(matrix.to_vec());
        Block::data("d", vec![0, 1], matrix, vector, |x| Linearisation {
            values: array![x[0], x[1]],
            jacobian: Array2::eye(2),
        })
    };
    let near = |block: &Block<'_>, expected: [f64; 2]| {
        for (found, expected) in block.target.iter().zip(expected) {
            assert_relative_eq!(*found, expected, max_relative = 1e-12, epsilon = 1e-15);
        }
    };
    for unit in [1e-12, 1.0, 1e12] {
        let matrix = |entries: [[f64; 2]; 2]| entries.map(|row| row.map(|v| v * unit));
        let vector = array![2.0 * unit, 0.0];
        // nothing is known of the second
        let block = data(matrix([[4.0, 0.0], [0.0, 0.0]]), &vector).unwrap();
        assert_eq!(block.rank, 1);
        near(&block, [0.5, 0.0]);
        // their sum alone is known: the shortest solution
        let block = data(matrix([[1.0, 1.0], [1.0, 1.0]]), &(unit * array![3.0, 3.0])).unwrap();
        assert_eq!(block.rank, 1);
        near(&block, [1.5, 1.5]);
        let block = data(matrix([[2.0, 1.0], [1.0, 3.0]]), &(unit * array![4.0, 7.0])).unwrap();
        assert_eq!(block.rank, 2);
        near(&block, [1.0, 2.0]);
        for wrong in [
            [[1.0, 0.5], [0.4, 1.0]],
            [[1.0, 2.0], [2.0, 1.0]],
            [[f64::NAN, 0.0], [0.0, 1.0]],
        ] {
            let refused = data(matrix(wrong), &vector);
            assert!(matches!(refused, Err(AdjustError::Matrix { .. })));
        }
        // rounding of a long sum is no fault
        assert!(data(matrix([[1.0, 0.5], [0.5 + 1e-10, 1.0]]), &vector).is_ok());
    }
    assert!(data([[1.0, 0.0], [0.0, 1.0]], &array![1.0]).is_err());
    assert!(data([[1.0, 0.0], [0.0, 1.0]], &array![1.0, f64::INFINITY]).is_err());
    let prior = |u: [[f64; 2]; 2]| {
        let covariance = Array2::from(u.to_vec());
        Block::prior("p", vec![0, 1], array![0.0, 0.0], &covariance)
    };
    assert!(prior([[1.0, 0.5], [0.5, 1.0]]).is_ok());
    assert!(prior([[1.0, 0.5], [0.4, 1.0]]).is_err());
    assert!(prior([[1.0, 1.0], [1.0, 1.0]]).is_err());
}
