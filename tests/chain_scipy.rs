//! Gain, phase, coherence and their random errors against SciPy on the same
//! samples (tests/cross-check/response.py, whose results are committed).

use groovelag::chain::{ResponseDirection, response};
use groovelag::spectrum::{Engine, EngineSettings};

/// The generator of response.py.
struct Generator(u64);

impl Generator {
    fn next(&mut self) -> i64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 51) as i64 - 4096
    }
}

#[test]
fn the_response_is_that_of_scipy() {
    let expected: serde_json::Value =
        serde_json::from_str(include_str!("cross-check/response.json")).unwrap();
    let (mut drive, mut own_left, mut own_right) = (Generator(1), Generator(2), Generator(3));
    let (mut left, mut right) = (Vec::new(), Vec::new());
    let mut past = [0, 0];
    for _ in 0..65_536 {
        let x = drive.next();
        left.push(x + own_left.next().div_euclid(16));
        right.push((5 * x + 2 * past[0] - past[1]).div_euclid(8) + own_right.next().div_euclid(8));
        past = [x, past[0]];
    }
    // The samples are the same, to the last one.
    assert_eq!(left.iter().sum::<i64>(), expected["sum_left"]);
    assert_eq!(right.iter().sum::<i64>(), expected["sum_right"]);
    let float = |v: &[i64]| -> Vec<f32> { v.iter().map(|x| *x as f32 / 32768.0).collect() };
    let mut engine = Engine::new(EngineSettings {
        sample_rate_hz: 48_000.0,
        alignment: 0,
        whole: true,
    })
    .unwrap();
    engine.push(&float(&left), &float(&right));
    let spectrum = engine.snapshot();
    assert_eq!((spectrum.frame_length, spectrum.frames()), (4096, 31));
    let averages = spectrum.averages_per_bin();
    let number = |row: &serde_json::Value, key: &str| row[key].as_f64().unwrap();
    // The crate takes the window's overlap correlation from 1024 points, which is
    // 1e-5 of it off.
    assert!((averages - number(&expected, "averages")).abs() < 1e-5 * averages);
    let points = response(&spectrum, ResponseDirection::RightOverLeft, (0.0, 24_000.0));
    // A single-precision transform of 4096 points is good to a few ulps times
    // log2(4096) = 12: 12 * 6e-8 of the frame's rms, and a bin may be ten times
    // below that; the incoherent rest, a fiftieth to a tenth, magnifies it.
    const RELATIVE: f64 = 1e-5;
    for row in expected["rows"].as_array().unwrap() {
        let hertz = number(row, "hertz");
        let p = points
            .iter()
            .find(|p| (p.hertz - hertz).abs() < 1e-9)
            .unwrap();
        for (what, value, key) in [
            ("gain", p.gain(), "gain"),
            ("symmetric gain", p.symmetric_gain, "symmetric_gain"),
            ("coherence", p.coherence, "coherence"),
            ("error", p.relative_error(averages), "relative_error"),
            ("its error", p.coherence_error(averages), "coherence_error"),
        ] {
            let reference = number(row, key);
            let off = (value - reference).abs() / reference;
            assert!(
                off < 20.0 * RELATIVE,
                "{what} at {hertz} Hz: {value} {reference}"
            );
        }
        let off = (p.phase() - number(row, "phase_rad")).abs();
        assert!(off < RELATIVE, "phase at {hertz} Hz: {off}");
    }
}
