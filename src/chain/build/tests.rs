use super::common::response_basis;
use super::crosstalk::{OneWay, one_way, phase_covariance, scale_variance, without_noise};
use super::curves::components;
use super::*;
use crate::chain::smooth;
use crate::spectrum::{Bin, Complex64, Group, SignalQuality};
use ndarray::Array2;
use std::f64::consts::TAU;

/// Two curves of sizes 3 and 1 on a smooth background come back, and what
/// they span sums to the covariance.
#[test]
fn components_rebuild_the_covariance() {
    let n = 40;
    let curve = |c: usize, i: usize| {
        let x = i as f64 / n as f64;
        [
            3.0 * x,
            (std::f64::consts::PI * x).sin(),
            0.1 * (7.0 * x).cos(),
        ][c]
    };
    let covariance = Array2::from_shape_fn((n, n), |(i, j)| {
        (0..3).map(|c| curve(c, i) * curve(c, j)).sum::<f64>()
    });
    let list = components(&covariance);
    assert!(list.len() <= 3);
    for i in 0..n {
        let variance: f64 = list.iter().map(|c| c[i].to_radians().powi(2)).sum();
        // 1e-4 of the trace is left out at most
        let missing = covariance[[i, i]] - variance;
        assert!(
            missing.abs() < 1e-4 * covariance.diag().sum(),
            "{i}: {missing}"
        );
    }
    assert!(components(&Array2::zeros((5, 5))).is_empty());
}

/// A component that holds the share asked for is enough, and each is positive
/// at the top.
#[test]
fn components_are_as_few_as_needed() {
    let n = 12;
    let wave = |c: usize, i: usize| (TAU * (c * (i + 1)) as f64 / n as f64).cos();
    let made = |small: f64| {
        components(&Array2::from_shape_fn((n, n), |(i, j)| {
            wave(1, i) * wave(1, j) + small * wave(2, i) * wave(2, j)
        }))
    };
    // cosines of whole periods are orthogonal: shares 1 and `small`
    let one = made(5e-5);
    assert_eq!(one.len(), 1);
    for (i, v) in one[0].iter().enumerate() {
        assert!((v.to_radians() - wave(1, i)).abs() < 1e-12, "{v}");
    }
    let two = made(0.25);
    assert_eq!(two.len(), 2);
    for (i, v) in two[1].iter().enumerate() {
        assert!((v.to_radians() - 0.5 * wave(2, i)).abs() < 1e-12, "{v}");
    }
    // whatever sign the eigenvectors have
    for shift in 0..16 {
        let turned = |c: usize, i: usize| (c as f64 * i as f64 * 0.3 + f64::from(shift)).sin();
        let list = components(&Array2::from_shape_fn((n, n), |(i, j)| {
            turned(1, i) * turned(1, j) + turned(2, i) * turned(2, j)
        }));
        assert_eq!(list.len(), 2);
        assert!(list.iter().all(|c| c[n - 1] >= 0.0), "{shift}: {list:?}");
    }
    // many of one size: no more than are kept at most
    assert_eq!(components(&Array2::eye(12)).len(), MOST_COMPONENTS);
}

/// A hundred frames, every bin alike.
fn spectrum(bin: Bin) -> CrossSpectrum {
    CrossSpectrum {
        sample_rate_hz: 48_000.0,
        frame_length: 1024,
        alignment: 0,
        groups: vec![Group {
            first_frame: 0,
            last_frame: 99,
            frames: 100,
            bins: vec![bin; 512],
        }],
        quietest: crate::spectrum::Group::default(),
        span: (0, 51 * 1024),
        origin: 0,
        quality: SignalQuality::default(),
    }
}

fn input(spectrum: &CrossSpectrum) -> CalibrationCapture<'_> {
    CalibrationCapture {
        file: "capture.wav",
        sha256: "",
        duration_s: 1.0,
        spectrum,
        identical: false,
    }
}

fn flat(hertz: f64, coherence: f64) -> ResponsePoint {
    ResponsePoint {
        hertz,
        transfer: Complex64::new(0.5, 0.0),
        symmetric_gain: 0.5,
        coherence,
        driving_power: 1.0,
    }
}

/// The run of bins is found by counting those within a third of an octave.
#[test]
fn the_usable_band_is_the_longest_run_of_small_errors() {
    let limit = 0.01;
    let points: Vec<ResponsePoint> = (1..=2000).map(|k| flat(10.0 * k as f64, 0.9)).collect();
    let many = |hertz: f64| {
        let sixth = 2f64.powf(1.0 / 6.0);
        let within = |p: &&ResponsePoint| hertz / sixth <= p.hertz && p.hertz <= hertz * sixth;
        points.iter().filter(within).count()
    };
    // 100.5 bins of ten times the limit are just enough
    let mut errors = vec![limit * 100.5f64.sqrt(); points.len()];
    let low = points.iter().find(|p| many(p.hertz) > 100).unwrap().hertz;
    assert!((2900.0..4500.0).contains(&low), "{low}");
    let found = usable("f", &points, &errors, limit).unwrap();
    assert_eq!(found, (low, 20_000.0));
    // a bin whose error is not known brings nothing, and harms nothing
    errors[1000] = 0.0;
    assert_eq!(usable("f", &points, &errors, limit).unwrap(), found);
    // a gap leaves the longer run, in octaves, not in hertz
    let mut errors = vec![0.5 * limit; points.len()];
    for (p, e) in points.iter().zip(&mut errors) {
        if (400.0..=4000.0).contains(&p.hertz) {
            *e = 1.0;
        }
    }
    let (low, high) = usable("f", &points, &errors, limit).unwrap();
    // bins at 390 and 4010 Hz serve a sixth of an octave about them, and no band ends in a gap
    assert_eq!((low, high), (10.0, 390.0));
    // no octave
    let few = vec![limit * 250f64.sqrt(); points.len()];
    let error = usable("f", &points[..1400], &few[..1400], limit).unwrap_err();
    let first = points.iter().find(|p| many(p.hertz) > 250).unwrap().hertz;
    let CalibrateError::NarrowBand {
        low_hz, high_hz, ..
    } = error
    else {
        panic!("{error}");
    };
    assert_eq!(low_hz, first);
    assert!(high_hz > first && high_hz < 2.0 * first, "{high_hz}");
    let none = usable("f", &points, &vec![1.0; points.len()], limit).unwrap_err();
    assert!(none.to_string().contains("from 0 to 0 Hz"), "{none}");
}

/// Logarithmic derivatives of the response by differences of complex numbers.
#[test]
fn the_basis_is_the_response_of_each_part() {
    let coils = Load {
        inductance_h: 0.5,
        resistance_ohm: 47e3,
        capacitance_f: 200e-12,
    };
    // right over left: what the right channel's part differs by
    let response = |p: &[f64; 9], w: f64| {
        let pole = |t: f64| Complex64::new(1.0, w * t).inv();
        let equaliser = |d: [f64; 3]| {
            pole(3180e-6 * d[0].exp()) / pole(318e-6 * d[1].exp()) * pole(75e-6 * d[2].exp())
        };
        let coil = |d: [f64; 3]| {
            let [l, r, c] = [0.5, 47e3, 200e-12];
            let [l, r, c] = [l * d[0].exp(), r * d[1].exp(), c * d[2].exp()];
            Complex64::new(1.0 - w * w * l * c, w * l / r).inv()
        };
        // a coupling pole of some 20 Hz, right, against the left one's zero
        let coupling = Complex64::new(1.0, -p[5] / w);
        Complex64::from_polar(p[4].exp(), -w * p[0]) * equaliser([p[1], p[2], p[3]])
            / equaliser([0.0; 3])
            * (coil([p[6], p[7], p[8]]) / coil([0.0; 3]))
            / coupling
    };
    for hertz in [80.0, 500.0, 2122.0, 15_000.0] {
        let w = TAU * hertz;
        for j in 0..9 {
            let h = [1e-9, 1e-5, 1e-5, 1e-5, 1e-5, 1e-2, 1e-5, 1e-5, 1e-5][j];
            let at = |x: f64| {
                let mut p = [0.0; 9];
                p[j] = x;
                response(&p, w).ln()
            };
            let slope = (at(h) - at(-h)) / (2.0 * h);
            for (curve, expected) in [(0, slope.im), (1, slope.re)] {
                let row = response_basis(Some(coils), curve, hertz);
                // the differences' own rounding beside
                let limit = 1e-6 * expected.abs() + 1e-14 / h;
                assert!(
                    (row[j] - expected).abs() < limit,
                    "{hertz} Hz, part {j}, curve {curve}: {} {expected}",
                    row[j]
                );
                assert_eq!(response_basis(None, curve, hertz), row[..6]);
            }
        }
    }
}

#[test]
fn coherence_is_averaged_about_a_frequency() {
    let points: Vec<ResponsePoint> = (1..=100)
        .map(|k| flat(100.0 * f64::from(k), (f64::from(k) / 100.0).powi(2)))
        .collect();
    // a sixth of an octave about 5 kHz: 4.72 to 5.30 kHz
    let mean = (48..=52).map(|k| f64::from(k * k)).sum::<f64>() / 5e4;
    // none within 236 to 265 Hz: the nearest; none at all
    for (hertz, expected) in [(5000.0, mean), (251.0, 9e-4), (249.0, 4e-4)] {
        let found = around(&[hertz], &points, |p| p.coherence)[0];
        assert!((found - expected).abs() < 1e-12, "{hertz}: {found}");
    }
    assert_eq!(around(&[5000.0], &[], |p| p.coherence), [0.0]);
}

/// A response of one coherence has the ratio of shared to own power.
#[test]
fn errors_and_ratios_of_flat_coherence() {
    // shared over own: sqrt C / (1 - sqrt C) in power
    let power = |left: f64, right: f64, coherence: f64| Bin {
        left,
        right,
        re: (coherence * left * right).sqrt(),
        im: 0.0,
    };
    let checked = |bin| {
        let spectrum = spectrum(bin);
        let input = input(&spectrum);
        let points = response(&spectrum, ResponseDirection::RightOverLeft, (70.0, 20e3));
        check_common(&input, &points)
    };
    for root in [0.999f64, 0.98] {
        let db = checked(power(1.0, 2.0, root * root)).unwrap();
        let expected = 10.0 * (root / (1.0 - root)).log10();
        assert!((db - expected).abs() < 1e-9, "{db} {expected}");
    }
    // what rounding alone would leave
    let db = checked(power(1.0, 1.0, 1.0)).unwrap();
    assert!((db - 90.0).abs() < 1e-9, "{db}");
    // 0.96 to 0.04 is 13.8 dB, 15 are needed
    let error = checked(power(1.0, 1.0, 0.96 * 0.96)).unwrap_err();
    assert!(
        matches!(&error, CalibrateError::NotCommon { signal_to_noise_db, .. }
            if (signal_to_noise_db - 10.0 * 24f64.log10()).abs() < 1e-9),
        "{error}"
    );
    // 11 dB are a balance, 13 a channel that is missing
    for (db, quiet) in [(13.0, "left"), (-13.0, "right")] {
        let error = checked(power(1.0, 10f64.powf(db / 10.0), 1.0)).unwrap_err();
        assert!(
            matches!(&error, CalibrateError::OneSided { quiet: q, difference_db, .. }
                if *q == quiet && (difference_db - 13.0).abs() < 1e-9),
            "{error}"
        );
    }
    assert!(checked(power(1.0, 10f64.powf(1.1), 1.0)).is_ok());
    let p = limited(&flat(1000.0, 1.0));
    let least = (1e-9f64 / 100.0).sqrt();
    assert!((p.relative_error(50.0) - least).abs() < 1e-6 * least);
    assert!((p.part_error(50.0) - 0.5 * least).abs() < 1e-6 * least);
    let silent = ResponsePoint {
        symmetric_gain: 0.0,
        ..flat(1000.0, 0.5)
    };
    assert!(limited(&silent).part_error(50.0) > 0.0);
}

/// What two single-channel bands are taken for, by how far the right channel of each
/// is above its left one, dB.
#[test]
fn single_channel_bands_are_known_by_their_levels() {
    let checked = |left_db: f64, right_db: f64| {
        let of = |db: f64| {
            spectrum(Bin {
                left: 1.0,
                right: 10f64.powf(db / 10.0),
                ..Bin::default()
            })
        };
        let (left, right) = (of(left_db), of(right_db));
        check_single(&input(&left), &input(&right)).map_err(|e| match e {
            CalibrateError::Exchanged { .. } => "exchanged",
            CalibrateError::WrongChannel { other, .. } => other,
            CalibrateError::BothChannels { role, .. } => role,
            _ => "something else",
        })
    };
    for (left_db, right_db, expected) in [
        (-20.0, 20.0, Ok(())),
        (-6.1, 6.1, Ok(())),
        (6.1, -6.1, Err("exchanged")),
        (20.0, 20.0, Err("right")),
        (20.0, 0.0, Err("right")),
        (-20.0, -20.0, Err("left")),
        (-5.9, 20.0, Err(Role::LeftOnly.name())),
        (5.9, -20.0, Err(Role::LeftOnly.name())),
        (-20.0, 5.9, Err(Role::RightOnly.name())),
        (-20.0, -5.9, Err(Role::RightOnly.name())),
    ] {
        assert_eq!(checked(left_db, right_db), expected, "{left_db} {right_db}");
    }
}

/// Single-channel bands that share less than an octave calibrate nothing.
#[test]
fn single_channel_bands_must_share_an_octave() {
    // crosstalk 40 dB down between two frequencies, noise of 14 dB elsewhere
    let of = |left_drives: bool, low: f64, high: f64| {
        let mut made = spectrum(Bin::default());
        for k in 0..made.bins() {
            let (driven, re) = match (low..=high).contains(&made.frequency_hz(k)) {
                true => (1e-4, 0.009_999),
                false => (25.0, 0.0),
            };
            let (left, right) = match left_drives {
                true => (1.0, driven),
                false => (driven, 1.0),
            };
            made.groups[0].bins[k] = Bin {
                left,
                right,
                re,
                im: 0.0,
            };
        }
        made
    };
    let fitted = |from: f64| {
        let (left, right) = (of(true, 300.0, 3000.0), of(false, from, 12e3));
        let single = [input(&left), input(&right)];
        let request = CalibrationRequest {
            common: None,
            single: Some(single),
            band_hz: (70.0, 20e3),
            date: None,
            coils: None,
            cutter_separation_db: 45.0,
        };
        fit_crosstalk(&request, &single[0], &single[1], None).map(|_| ())
    };
    // what either covers itself, and no bin beyond
    let error = fitted(2000.0).unwrap_err();
    assert!(
        matches!(error, CalibrateError::NoCommonBand { low_hz, high_hz }
            if (2000.0..2050.0).contains(&low_hz) && (2950.0..=3000.0).contains(&high_hz)),
        "{error}"
    );
    assert_eq!(fitted(1000.0), Ok(()));
}

/// One way of crosstalk whose errors are a known pair of curves.
fn way(values: Vec<Complex64>, errors: &[Complex64]) -> OneWay {
    let n = values.len();
    let outer = |part: fn(&Complex64) -> f64| {
        Array2::from_shape_fn((n, n), |(i, j)| part(&errors[i]) * part(&errors[j]))
    };
    OneWay {
        values,
        covariance: [outer(|e| e.re), outer(|e| e.im)],
        scatter: 1.0,
    }
}

/// Phase of the corrected channels at a phase `t` of the right wall, by the
/// matrices themselves.
fn corrected(c: [Complex64; 2], wrong: [Complex64; 2], t: f64) -> f64 {
    let (left, right) = (Complex64::new(1.0, 0.0), Complex64::from_polar(1.0, -t));
    let (l, r) = (left + c[0] * right, right + c[1] * left);
    let m = [c[0] + wrong[0], c[1] + wrong[1]];
    ((l - m[0] * r) * (r - m[1] * l).conj()).arg()
}

/// Four independent curves of errors, each by differences of the correction.
#[test]
fn errors_of_the_crosstalk_turn_the_phase() {
    let n = 5;
    let at = |k: usize, a: f64, b: f64| Complex64::new(a + 0.01 * k as f64, b - 0.02 * k as f64);
    let list = |a: f64, b: f64| (0..n).map(|k| at(k, a, b)).collect::<Vec<_>>();
    let (c1, c2) = (list(0.05, 0.07), list(-0.03, 0.11));
    let (d1, d2) = (list(0.4, 0.9), list(-0.7, 0.2));
    let covariance = phase_covariance(&way(c1.clone(), &d1), &way(c2.clone(), &d2));
    let h = 1e-6;
    let turned = |source: usize, k: usize| {
        let error = |sign: f64| match source {
            0 => [
                Complex64::new(sign * h * d1[k].re, 0.0),
                Complex64::default(),
            ],
            1 => [
                Complex64::new(0.0, sign * h * d1[k].im),
                Complex64::default(),
            ],
            2 => [
                Complex64::default(),
                Complex64::new(sign * h * d2[k].re, 0.0),
            ],
            _ => [
                Complex64::default(),
                Complex64::new(0.0, sign * h * d2[k].im),
            ],
        };
        let phase = |sign: f64| corrected([c1[k], c2[k]], error(sign), 0.0);
        (phase(1.0) - phase(-1.0)) / (2.0 * h)
    };
    for i in 0..n {
        for j in 0..n {
            let expected: f64 = (0..4).map(|s| turned(s, i) * turned(s, j)).sum();
            let found = covariance[[i, j]];
            assert!(
                (found - expected).abs() < 1e-8,
                "{i} {j}: {found} {expected}"
            );
        }
    }
}

/// Errors that are alike in both ways and over frequency change the slope by
/// their sum; of two bands the higher one counts by its square.
#[test]
fn errors_of_the_crosstalk_scale_the_delay() {
    let none = vec![Complex64::default(); 2];
    let (d1, d2) = (Complex64::new(2e-4, 5e-4), Complex64::new(3e-4, -4e-4));
    let slope = |d: [Complex64; 2]| {
        let h = 1e-5;
        let zero = [Complex64::default(); 2];
        (corrected(zero, d, h) - corrected(zero, d, -h)) / (2.0 * h) - 1.0
    };
    let of = |first: [Complex64; 2], second: [Complex64; 2]| {
        let c1 = way(none.clone(), &first);
        let c2 = way(none.clone(), &second);
        scale_variance(&[1000.0, 3000.0], &c1, &c2)
    };
    let zero = Complex64::default();
    let alone = [slope([d1, zero]), slope([zero, d2])];
    let expected = alone[0].powi(2) + alone[1].powi(2);
    let found = of([d1; 2], [d2; 2]);
    assert!(
        (found - expected).abs() < 1e-3 * expected,
        "{found} {expected}"
    );
    // a tenth and nine tenths
    let found = of([zero, d1], [zero; 2]);
    assert!((found - (0.9 * d1.re).powi(2)).abs() < 1e-15, "{found}");
    let found = of([d1, zero], [zero; 2]);
    assert!((found - (0.1 * d1.re).powi(2)).abs() < 1e-15, "{found}");
}

/// Noise of either wall behind a crosstalk matrix, multiplied out (`m s m*` with `s` the powers of the walls): the
/// ratios lose what noise adds to them, and are uncertain by what is taken out, over the square root of three.
#[test]
fn crosstalk_of_noise_is_taken_out() {
    let (c1, c2) = (Complex64::new(0.04, -0.03), Complex64::new(0.02, 0.05));
    // powers of the driving wall's programme, and of the noises of left and right
    let points = [(1.0, 0.0, 0.0), (1.0, 0.02, 0.03), (1.0, 0.5, 0.3)];
    let mut found = [Vec::new(), Vec::new()];
    for (hertz, (programme, left, right)) in [1e3, 2e3, 3e3].into_iter().zip(points) {
        for (way, walls) in [[left + programme, right], [left, right + programme]]
            .into_iter()
            .enumerate()
        {
            let ll = walls[0] + c1.norm_sqr() * walls[1];
            let rr = walls[1] + c2.norm_sqr() * walls[0];
            let rl = c2 * walls[0] + c1.conj() * walls[1];
            let (driving, driven, across) = match way {
                0 => (ll, rr, rl),
                _ => (rr, ll, rl.conj()),
            };
            found[way].push(ResponsePoint {
                transfer: across / driving,
                symmetric_gain: f64::sqrt(driven / driving),
                ..flat(hertz, across.norm_sqr() / (driving * driven))
            });
        }
    }
    let corrected = [
        without_noise(&found[0], &found[1]),
        without_noise(&found[1], &found[0]),
    ];
    for (of, found, exact) in [
        (&corrected[0], &found[0], c2),
        (&corrected[1], &found[1], c1),
    ] {
        for (k, point) in of.iter().enumerate() {
            // to third order in the crosstalk
            let error = (point.transfer - exact).norm();
            assert!(error < 2e-4, "{k}: {point:?}");
        }
        assert!((found[2].transfer - exact).norm() > 0.005);
    }
    // of a part between none and all, about all
    let mut to_right = way(vec![c2; 3], &[Complex64::ZERO; 3]);
    to_right.add_unknown_noise(&[0.0, 0.1, 1.0], &[c1; 3]);
    let u = to_right.u();
    for (k, share) in [0.0, 0.1, 1.0].into_iter().enumerate() {
        let rectangular = share * c1.norm() / 3f64.sqrt();
        assert!((u[k] - rectangular / 2f64.sqrt()).abs() < 1e-12, "{u:?}");
    }
}

/// What lies beyond the grid has no say in its ends.
#[test]
fn crosstalk_is_fitted_within_its_grid() {
    let spectrum = spectrum(Bin::default());
    let input = input(&spectrum);
    let inside = 200.0..=8000.0;
    let points: Vec<ResponsePoint> = (1..=300)
        .map(|k| {
            let hertz = 50.0 * f64::from(k);
            let far = if inside.contains(&hertz) { 1.0 } else { 10.0 };
            ResponsePoint {
                transfer: Complex64::new(0.05 * far, -0.02 * far),
                ..flat(hertz, 0.9)
            }
        })
        .collect();
    let hertz = smooth::grid(200.0, 8000.0);
    let errors = vec![1e-3; points.len()];
    let made = one_way(&input, &points, &errors, &hertz).unwrap();
    for value in &made.values {
        assert!(
            (value - Complex64::new(0.05, -0.02)).norm() < 1e-6,
            "{value}"
        );
    }
    // both parts have one error, and so has either on average
    for (k, u) in made.u().iter().enumerate() {
        let variance = made.covariance[0][[k, k]];
        assert!((u * u - variance).abs() < 1e-9 * variance, "{u} {variance}");
    }
}

#[test]
fn roles_are_named_as_in_documents() {
    let names = [Role::Common, Role::LeftOnly, Role::RightOnly].map(Role::name);
    assert_eq!(names, ["common", "left-only", "right-only"]);
}
