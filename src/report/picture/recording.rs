//! What one recording looked like.

use super::{Axis, Dash, Ink, Mark, Marker, Panel, Picture, roomy, span};
use crate::analysis::Evidence;
use crate::delay::CurvePoint;
use crate::job::CaptureDetails;
use crate::uncertainty::{plain, rounded, rounded_u};
use crate::units::MICROSECOND;

/// The pictures of a recording; none for a delay that somebody gave. `suffix` tells
/// their names from those of other recordings, `of` says which it is.
pub fn recording(capture: &CaptureDetails, suffix: &str, of: &str) -> Vec<Picture> {
    let Some(evidence) = &capture.evidence else {
        return Vec::new();
    };
    let mut pictures = Vec::new();
    if evidence.curve.len() > 1 {
        pictures.push(phase(evidence));
        pictures.push(spectra(evidence));
    }
    if evidence.along.len() > 1 {
        pictures.push(along(evidence, capture));
    }
    if evidence.correlation.delays.len() > 1 {
        pictures.push(correlation(evidence));
    }
    for picture in &mut pictures {
        picture.name.push_str(suffix);
        picture.title.push_str(of);
    }
    pictures
}

fn curve<'a, T: 'a>(
    evidence: &'a Evidence,
    of: impl Fn(&CurvePoint) -> T + 'a,
) -> impl Iterator<Item = T> + 'a {
    evidence.curve.iter().map(of)
}

fn band(evidence: &Evidence) -> (f64, f64) {
    span(curve(evidence, |p| p.hertz))
}

/// What nine tenths of the values stay below: a range that a few noisy points at
/// the band's edge do not stretch.
fn most(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    sorted
        .get(sorted.len().saturating_sub(1) * 9 / 10)
        .copied()
        .unwrap_or(1.0)
        .max(1e-6)
}

/// Phase of left against right over frequency, with fit and residuals.
fn phase(e: &Evidence) -> Picture {
    let degrees = f64::to_degrees;
    let measured: Vec<_> = curve(e, |p| {
        (p.hertz, degrees(p.phase_rad), degrees(p.phase_u_rad))
    })
    .collect();
    let fit: Vec<_> = curve(e, |p| (p.hertz, degrees(p.fitted_rad))).collect();
    let fit_band: Vec<_> = curve(e, |p| {
        let (value, u) = (degrees(p.fitted_rad), degrees(p.fitted_u_rad));
        (p.hertz, value - u, value + u)
    })
    .collect();
    let residuals: Vec<_> = measured
        .iter()
        .zip(&fit)
        .map(|(m, f)| (m.0, m.1 - f.1, m.2))
        .collect();
    let around_zero: Vec<_> = curve(e, |p| {
        let u = degrees(p.fitted_u_rad);
        (p.hertz, -u, u)
    })
    .collect();
    let reach = 1.6 * most(residuals.iter().map(|r| r.1.abs() + r.2));
    let phases = roomy(span(
        fit.iter().map(|f| f.1).chain(
            residuals
                .iter()
                .zip(&fit)
                .map(|(r, f)| f.1 + r.1.clamp(-reach, reach)),
        ),
    ));
    let (low, high) = band(e);
    let last = fit.last().map_or(0.0, |f| f.1);
    Picture {
        name: "phase".to_owned(),
        title: "Phase against frequency".to_owned(),
        caption: "A pure delay is a straight line in frequency, which bends upwards on this logarithmic scale; unequal equaliser parts add a small curve at low frequencies, the cartridge one at high frequencies. Bars and shaded bands: one standard uncertainty. Below: measured minus fitted.".to_owned(),
        description: format!(
            "Phase of the left channel against the right from {} to {} Hz. The fitted curve, a delay of {} us with the equaliser's and the cartridge's part, reaches {} degrees at the upper end. Mean square of the residuals over what noise explains: {}.",
            plain(low, 0),
            plain(high, 0),
            rounded(e.delay_s / MICROSECOND, e.standard_uncertainty_s / MICROSECOND),
            plain(last, 2),
            plain(e.reduced_chi_square, 2),
        ),
        x: Axis::hertz((low, high)),
        top: None,
        panels: vec![
            Panel {
                y: Some(Axis::linear("phase / degrees", phases)),
                range: phases,
                height: 170.0,
                marks: vec![
                    Mark::Band { edges: fit_band, ink: Ink::Second, key: None },
                    Mark::line(fit, Ink::Second, Dash::Dashed).keyed("fit"),
                    Mark::Points { points: measured, ink: Ink::First, marker: Marker::Dot, key: Some("measured") },
                ],
            },
            Panel {
                y: Some(Axis::linear("measured minus fitted / degrees", (-reach, reach))),
                range: (-reach, reach),
                height: 90.0,
                marks: vec![
                    Mark::Band { edges: around_zero, ink: Ink::Second, key: None },
                    Mark::Points { points: residuals, ink: Ink::First, marker: Marker::Dot, key: None },
                ],
            },
        ],
    }
}

/// Spectra of both channels and their coherence.
fn spectra(e: &Evidence) -> Picture {
    let left: Vec<_> = curve(e, |p| (p.hertz, p.left_db)).collect();
    let right: Vec<_> = curve(e, |p| (p.hertz, p.right_db)).collect();
    let coherence: Vec<_> = curve(e, |p| (p.hertz, p.coherence)).collect();
    let levels = roomy(span(left.iter().chain(&right).map(|p| p.1)));
    let (lowest, highest) = span(coherence.iter().map(|p| p.1));
    let range = roomy((lowest.clamp(0.0, 0.999), 1.0));
    let every = |points: &[(f64, f64)], first: usize| -> Vec<(f64, f64, f64)> {
        let points = points.iter().skip(first).step_by(8);
        points.map(|p| (p.0, p.1, 0.0)).collect()
    };
    let (low, high) = band(e);
    let shared = e.signal_to_noise_db.map_or_else(String::new, |db| {
        format!(
            " Over the whole band, what they share is {} dB above what they do not.",
            plain(db, 1)
        )
    });
    Picture {
        name: "spectra".to_owned(),
        title: "Spectra and coherence".to_owned(),
        caption: "Above: power of both channels. Below: coherence (magnitude squared, bias removed), the share of the power that both channels have in common; it weights the delay.".to_owned(),
        description: format!(
            "Spectra of the left and right channel from {} to {} Hz, and their coherence, which lies between {} and {}.{shared}",
            plain(low, 0),
            plain(high, 0),
            plain(lowest, 4),
            plain(highest, 4),
        ),
        x: Axis::hertz((low, high)),
        top: None,
        panels: vec![
            Panel {
                y: Some(Axis::linear("power per bin / dB of full scale", levels)),
                range: levels,
                height: 120.0,
                marks: vec![
                    Mark::line(left.clone(), Ink::First, Dash::Solid).keyed("left"),
                    Mark::line(right.clone(), Ink::Second, Dash::Dashed).keyed("right"),
                    Mark::Points { points: every(&left, 2), ink: Ink::First, marker: Marker::Dot, key: None },
                    Mark::Points { points: every(&right, 6), ink: Ink::Second, marker: Marker::Triangle, key: None },
                ],
            },
            Panel {
                y: Some(Axis::linear("coherence", range)),
                range,
                height: 90.0,
                marks: vec![Mark::line(coherence, Ink::Third, Dash::Solid)],
            },
        ],
    }
}

/// Delay along the recording.
fn along(e: &Evidence, capture: &CaptureDetails) -> Picture {
    let us = |s: f64| s / MICROSECOND;
    let points: Vec<_> = e
        .along
        .iter()
        .map(|m| (m.second_s, us(m.delay_s), us(m.standard_uncertainty_s)))
        .collect();
    let (value, u) = (us(e.delay_s), us(e.standard_uncertainty_s));
    let reach = 1.5 * most(points.iter().map(|p| (p.1 - value).abs() + p.2));
    let range = (value - reach, value + reach);
    let seconds = e.span_s;
    let moving = !capture.part_radius_mm.is_empty();
    let (first, last) = (points.first(), points.last());
    let (least, largest) = span(points.iter().map(|p| p.1));
    let radius = if moving {
        format!(
            " The radius goes from {} to {} mm.",
            plain(capture.radius_mm[0], 1),
            plain(capture.radius_mm[1], 1)
        )
    } else {
        String::new()
    };
    Picture {
        name: "along".to_owned(),
        title: "Delay along the recording".to_owned(),
        caption: "Each part by itself, with one standard uncertainty from its noise; the line is the delay of the whole, shaded with its own. Only the whole is corrected for the cartridge's phase response, so it may lie beside the parts. A trend may be the radius; a step is a disturbance.".to_owned(),
        description: format!(
            "Delay of {} parts from {} to {} s, between {} and {} us; the whole has {} us with a standard uncertainty of {} us.{radius}",
            points.len(),
            plain(first.map_or(0.0, |p| p.0), 1),
            plain(last.map_or(0.0, |p| p.0), 1),
            rounded(least, u),
            rounded(largest, u),
            rounded(value, u),
            rounded_u(u),
        ),
        x: Axis::linear("time / s", seconds),
        top: moving.then(|| {
            Axis::linear(
                "groove radius / mm",
                (capture.radius_mm[0], capture.radius_mm[1]),
            )
        }),
        panels: vec![Panel {
            y: Some(Axis::linear("delay, right after left / us", range)),
            range,
            height: 190.0,
            marks: vec![
                Mark::Band {
                    edges: vec![(seconds.0, value - u, value + u), (seconds.1, value - u, value + u)],
                    ink: Ink::Second,
                    key: None,
                },
                Mark::line(vec![(seconds.0, value), (seconds.1, value)], Ink::Second, Dash::Dashed)
                    .keyed("the whole"),
                Mark::Points { points, ink: Ink::First, marker: Marker::Dot, key: Some("each stretch") },
            ],
        }],
    }
}

/// Correlation near its peak.
fn correlation(e: &Evidence) -> Picture {
    let points: Vec<_> = e
        .correlation
        .delays
        .iter()
        .zip(&e.correlation.values)
        .map(|(d, v)| (d / MICROSECOND, *v))
        .collect();
    let range = roomy(span(points.iter().map(|p| p.1).chain([0.0])));
    let peak = points
        .iter()
        .copied()
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
        .unwrap_or_default();
    let delay = e.delay_s / MICROSECOND;
    Picture {
        name: "correlation".to_owned(),
        title: "Correlation near its peak".to_owned(),
        caption: "Correlation of the channels against the delay removed, weighted by coherence. One clear peak shows that the right period was found; the fit of phase and gain then finds the delay itself, dotted, and corrects for the cartridge's phase response.".to_owned(),
        description: format!(
            "Correlation of the channels over delays from {} to {} us. Its highest value, {}, is at {} us on its grid; the phase fit gives {} us.",
            plain(points.first().map_or(0.0, |p| p.0), 0),
            plain(points.last().map_or(0.0, |p| p.0), 0),
            plain(peak.1, 3),
            plain(peak.0, 1),
            rounded(delay, e.standard_uncertainty_s / MICROSECOND),
        ),
        x: Axis::linear("delay, right after left / us", span(points.iter().map(|p| p.0))),
        top: None,
        panels: vec![Panel {
            y: Some(Axis::linear("correlation", range)),
            range,
            height: 150.0,
            marks: vec![
                Mark::line(vec![(delay, range.0), (delay, range.1)], Ink::Second, Dash::Dotted)
                    .keyed("delay by the phase fit"),
                Mark::line(points, Ink::First, Dash::Solid).keyed("correlation"),
            ],
        }],
    }
}
