//! What a calibration found, over frequency.

use super::{Axis, Dash, Ink, Mark, Marker, Panel, Picture, roomy, span};
use crate::report::CalibrationReport;
use crate::report::calibration::{CommonReport, CrosstalkReport};
use crate::uncertainty::{plain, rounded, rounded_u};

/// The pictures of a calibration.
pub fn calibration(report: &CalibrationReport) -> Vec<Picture> {
    let mut pictures = Vec::new();
    if let Some(common) = &report.common
        && common.curve.len() > 1
    {
        pictures.push(phase(common));
        pictures.push(gain(common));
    }
    if let Some(crosstalk) = &report.crosstalk
        && crosstalk.curve.len() > 1
    {
        pictures.push(separation(crosstalk));
    }
    pictures
}

fn phase(common: &CommonReport) -> Picture {
    let edges: Vec<_> = common
        .curve
        .iter()
        .map(|p| {
            (
                p.hertz,
                p.phase_deg - p.phase_u_deg,
                p.phase_deg + p.phase_u_deg,
            )
        })
        .collect();
    let measured: Vec<_> = common
        .curve
        .iter()
        .map(|p| (p.hertz, p.phase_deg))
        .collect();
    let parts: Vec<_> = common
        .curve
        .iter()
        .map(|p| (p.hertz, p.parts_deg))
        .collect();
    let phases = roomy(span(
        edges
            .iter()
            .flat_map(|e| [e.1, e.2])
            .chain(parts.iter().map(|p| p.1)),
    ));
    let (low, high) = span(measured.iter().map(|p| p.0));
    let (least, largest) = span(measured.iter().map(|p| p.1));
    let skew = &common.skew_us;
    Picture {
        name: "chain-phase".to_owned(),
        title: "Phase of the chain, right against left".to_owned(),
        caption: "Solid, with one standard uncertainty shaded: measured. Dashed: the part explained by differences of parts and a skew.".to_owned(),
        description: format!(
            "Phase of the right channel against the left from {} to {} Hz, between {} and {} degrees. The right channel is late by {} us, standard uncertainty {} us.",
            plain(low, 0),
            plain(high, 0),
            plain(least, 3),
            plain(largest, 3),
            rounded(skew.value, skew.standard_uncertainty),
            rounded_u(skew.standard_uncertainty),
        ),
        x: Axis::hertz((low, high)),
        top: None,
        panels: vec![Panel {
            y: Some(Axis::linear("phase / degrees", phases)),
            range: phases,
            height: 180.0,
            marks: vec![
                Mark::Band { edges, ink: Ink::First, key: None },
                Mark::line(measured, Ink::First, Dash::Solid).keyed("measured"),
                Mark::line(parts, Ink::Second, Dash::Dashed).keyed("by its parts"),
            ],
        }],
    }
}

fn gain(common: &CommonReport) -> Picture {
    let edges: Vec<_> = common
        .curve
        .iter()
        .map(|p| (p.hertz, p.gain_db - p.gain_u_db, p.gain_db + p.gain_u_db))
        .collect();
    let measured: Vec<_> = common.curve.iter().map(|p| (p.hertz, p.gain_db)).collect();
    let coherence: Vec<_> = common
        .curve
        .iter()
        .map(|p| (p.hertz, p.coherence))
        .collect();
    let gains = roomy(span(edges.iter().flat_map(|e| [e.1, e.2])));
    let (low, high) = span(measured.iter().map(|p| p.0));
    let (least, largest) = span(measured.iter().map(|p| p.1));
    let (lowest, _) = span(coherence.iter().map(|p| p.1));
    let range = roomy((lowest.clamp(0.0, 0.999_999), 1.0));
    Picture {
        name: "chain-gain".to_owned(),
        title: "Gain of the chain, right against left".to_owned(),
        caption:
            "Above: gain with one standard uncertainty shaded. Below: coherence of the channels."
                .to_owned(),
        description: format!(
            "Gain of the right channel over the left, between {} and {} dB from {} to {} Hz; coherence at least {}.",
            plain(least, 3),
            plain(largest, 3),
            plain(low, 0),
            plain(high, 0),
            plain(lowest, 6),
        ),
        x: Axis::hertz((low, high)),
        top: None,
        panels: vec![
            Panel {
                y: Some(Axis::linear("gain / dB", gains)),
                range: gains,
                height: 130.0,
                marks: vec![
                    Mark::Band {
                        edges,
                        ink: Ink::First,
                        key: None,
                    },
                    Mark::line(measured, Ink::First, Dash::Solid),
                ],
            },
            Panel {
                y: Some(Axis::linear("coherence", range)),
                range,
                height: 80.0,
                marks: vec![Mark::line(coherence, Ink::Third, Dash::Solid)],
            },
        ],
    }
}

fn separation(crosstalk: &CrosstalkReport) -> Picture {
    let of = |way: fn(&crate::report::calibration::CrosstalkPoint) -> f64| -> Vec<(f64, f64)> {
        crosstalk.curve.iter().map(|p| (p.hertz, way(p))).collect()
    };
    let right = of(|p| p.left_into_right.separation_db);
    let left = of(|p| p.right_into_left.separation_db);
    let range = roomy(span(right.iter().chain(&left).map(|p| p.1)));
    let (low, high) = span(right.iter().map(|p| p.0));
    let extent = |points: &[(f64, f64)]| {
        let (least, largest) = span(points.iter().map(|p| p.1));
        format!("{} to {} dB", plain(least, 1), plain(largest, 1))
    };
    let every = |points: &[(f64, f64)], first: usize| -> Vec<(f64, f64, f64)> {
        let points = points.iter().skip(first).step_by(8);
        points.map(|p| (p.0, p.1, 0.0)).collect()
    };
    Picture {
        name: "separation".to_owned(),
        title: "Channel separation".to_owned(),
        caption: "Higher is better. Includes the cutter's own crosstalk.".to_owned(),
        description: format!(
            "Channel separation from {} to {} Hz: left into right {}, right into left {}.",
            plain(low, 0),
            plain(high, 0),
            extent(&right),
            extent(&left),
        ),
        x: Axis::hertz((low, high)),
        top: None,
        panels: vec![Panel {
            y: Some(Axis::linear("separation / dB", range)),
            range,
            height: 170.0,
            marks: vec![
                Mark::line(right.clone(), Ink::First, Dash::Solid).keyed("left into right"),
                Mark::line(left.clone(), Ink::Second, Dash::Dashed).keyed("right into left"),
                Mark::points(every(&right, 2), Ink::First, Marker::Dot),
                Mark::points(every(&left, 6), Ink::Second, Marker::Triangle),
            ],
        }],
    }
}
