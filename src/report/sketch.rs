//! Small plots in block characters, for a terminal; on request only, since a
//! program that reads the screen aloud stumbles over them.

use super::text::{direction, wrapped};
use crate::analysis::Evidence;
use crate::job::{Details, StretchResult};
use crate::report::CalibrationReport;
use crate::report::check::CheckDocument;
use crate::uncertainty::{Direction, IntervalShape, Quantity, plain, rounded};
use crate::units::MICROSECOND;

/// Heights of a column, lowest first.
const COLUMNS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
/// Blanks before every line.
const INDENT: &str = "  ";

/// Rotations with their bands over one scale; `tolerance_deg` is marked by dotted
/// lines, zero by a full one.
pub fn rotations(list: &[(String, Quantity)], tolerance_deg: Option<f64>, width: usize) -> String {
    let room = width.saturating_sub(2 * INDENT.len()).max(20);
    let band = |q: &Quantity| match (q.interval.shape, q.interval.lower, q.interval.upper) {
        (IntervalShape::Finite, Some(l), Some(u)) => (l, u),
        _ => (q.value, q.value),
    };
    let ends = list.iter().flat_map(|(_, q)| {
        let (l, u) = band(q);
        [l, u, q.value]
    });
    let marks: Vec<f64> = tolerance_deg.iter().flat_map(|t| [-t, *t]).collect();
    let (low, high) = ends
        .chain(marks.iter().copied())
        .chain([0.0])
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
            (l.min(v), h.max(v))
        });
    if list.is_empty() || low >= high {
        return String::new();
    }
    let column = |v: f64| ((v - low) / (high - low) * (room - 1) as f64).round() as usize;
    let mut out = String::new();
    for (name, q) in list {
        let mut line = vec![' '; room];
        for mark in &marks {
            line[column(*mark)] = '┊';
        }
        line[column(0.0)] = '│';
        let (l, u) = band(q);
        line[column(l)..=column(u)].fill('▒');
        line[column(q.value)] = '█';
        let way = match Direction::resolved(q) {
            Direction::NoneResolved => String::new(),
            way => format!(" {}", direction(way)),
        };
        let value = rounded(q.value, q.standard_uncertainty);
        out += &wrapped(INDENT, &format!("{name}: {value} deg{way}"), width);
        out += &format!("{INDENT}{}\n", line.iter().collect::<String>().trim_end());
    }
    let (left, right) = (
        format!("{} deg", plain(low, 1)),
        format!("{} deg", plain(high, 1)),
    );
    let gap = room.saturating_sub(left.len() + right.len());
    out + &format!("{INDENT}{left}{}{right}\n", " ".repeat(gap))
}

/// Values as columns, with their lowest and highest in words.
fn columns(title: &str, values: &[f64], unit: &str, u: f64, width: usize) -> String {
    let room = width.saturating_sub(2 * INDENT.len()).max(20);
    let (low, high) = values
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
            (l.min(*v), h.max(*v))
        });
    if values.len() < 2 || low >= high {
        return String::new();
    }
    // some are passed over where there is no room for all
    let every = values.len().div_ceil(room);
    let drawn: String = values
        .iter()
        .step_by(every)
        .map(|v| COLUMNS[((v - low) / (high - low) * 7.0).round() as usize])
        .collect();
    let words = format!(
        "{title}, {} to {} {unit}",
        rounded(low, u),
        rounded(high, u)
    );
    wrapped(INDENT, &words, width) + &format!("{INDENT}{drawn}\n")
}

/// The delay along a recording.
fn along(e: &Evidence, width: usize) -> String {
    let values: Vec<f64> = e.along.iter().map(|m| m.delay_s / MICROSECOND).collect();
    let u = e.standard_uncertainty_s / MICROSECOND;
    columns("Delay along the recording", &values, "us", u, width)
}

/// The delay over the radius.
pub fn over_radius(stretches: &[StretchResult], width: usize) -> String {
    let values: Vec<f64> = stretches.iter().map(|s| s.delay_us).collect();
    let ends = stretches.first().zip(stretches.last());
    let title = ends.map_or_else(String::new, |(first, last)| {
        format!(
            "Delay from {} to {} mm",
            plain(first.radius_mm[0], 1),
            plain(last.radius_mm[1], 1)
        )
    });
    let u = stretches.iter().map(|s| s.own_u_us);
    columns(
        &title,
        &values,
        "us",
        u.fold(f64::INFINITY, f64::min),
        width,
    )
}

/// The delays along all recordings of a job.
pub fn recordings(details: &Details, width: usize) -> String {
    let evidence = details.captures.iter().filter_map(|c| c.evidence.as_ref());
    evidence.map(|e| along(e, width)).collect()
}

/// What a calibration found.
pub fn calibration(report: &CalibrationReport, width: usize) -> String {
    let Some(common) = &report.common else {
        return String::new();
    };
    let values: Vec<f64> = common.curve.iter().map(|p| p.phase_deg).collect();
    let u = common
        .curve
        .iter()
        .map(|p| p.phase_u_deg)
        .fold(f64::INFINITY, f64::min);
    columns(
        "Phase over the band, right against left",
        &values,
        "deg",
        u,
        width,
    )
}

/// Outcomes of a check.
pub fn outcomes(d: &CheckDocument, width: usize) -> String {
    let list = [
        ("passed", d.passed),
        ("failed", d.failed),
        ("undecided", d.undecided),
        ("unusable", d.unusable),
    ];
    let most = list.iter().map(|c| c.1).max().unwrap_or(0).max(1);
    let room = width.saturating_sub(22).max(10);
    list.iter()
        .map(|(word, n)| {
            // whatever is not none shows
            let length = (n * room).div_ceil(most);
            format!("{INDENT}{word:<10}{n:>6} {}", "█".repeat(length))
                .trim_end()
                .to_owned()
                + "\n"
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sketch_fits_its_width_and_puts_values_where_they_belong() {
        let list = [
            ("a".to_owned(), Quantity::normal(3.0, 0.5, 0.95)),
            ("b".to_owned(), Quantity::normal(-1.0, 0.2, 0.95)),
        ];
        for width in [40, 80, 120] {
            let text = rotations(&list, Some(5.0), width);
            assert!(text.lines().all(|l| l.chars().count() <= width), "{text}");
            // from -5 to 5: the value 3 stands at eight tenths of the way
            let bar = text.lines().nth(1).unwrap();
            let at = bar.chars().position(|c| c == '█').unwrap() - INDENT.len();
            assert_eq!(at, (0.8 * (width - 5) as f64).round() as usize);
        }
    }
}
