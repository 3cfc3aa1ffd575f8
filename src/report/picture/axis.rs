//! Scales and where they are marked.

use crate::uncertainty::plain;

/// How values lie along an axis.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// Evenly.
    Linear,
    /// By their logarithm.
    Log,
}

/// An axis with its words.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// What it is, with the unit; empty for an axis that is not drawn.
    pub label: String,
    /// First and last value.
    pub range: (f64, f64),
    /// How values lie along it.
    pub scale: Scale,
}

impl Axis {
    /// An even scale.
    pub fn linear(label: impl Into<String>, range: (f64, f64)) -> Self {
        Self {
            label: label.into(),
            range,
            scale: Scale::Linear,
        }
    }

    /// Frequency, over the logarithm.
    pub fn hertz(range: (f64, f64)) -> Self {
        Self {
            label: "frequency / Hz".to_owned(),
            range,
            scale: Scale::Log,
        }
    }

    /// A scale that is not drawn.
    pub fn hidden(range: (f64, f64)) -> Self {
        Self::linear("", range)
    }

    /// Where a value lies, 0 at the start and 1 at the end.
    pub fn place(&self, value: f64) -> f64 {
        let (from, to) = self.range;
        match self.scale {
            Scale::Linear => (value - from) / (to - from),
            Scale::Log => {
                let least = f64::MIN_POSITIVE;
                (value.max(least) / from).ln() / (to / from).ln()
            }
        }
    }

    /// Marked values with their words, about `count` of them.
    pub fn ticks(&self, count: usize) -> Vec<(f64, String)> {
        let (from, to) = self.range;
        let (low, high) = (from.min(to), from.max(to));
        match self.scale {
            Scale::Linear => linear(low, high, count),
            Scale::Log => {
                let mut list = Vec::new();
                let first = low.log10().floor() as i32;
                for decade in first..=high.log10().ceil() as i32 {
                    for digit in [1.0, 2.0, 5.0] {
                        let value = digit * 10f64.powi(decade);
                        if value >= 0.999 * low && value <= 1.001 * high {
                            list.push((value, hertz(value)));
                        }
                    }
                }
                list
            }
        }
    }
}

/// Steps of 1, 2 or 5 times a power of ten.
fn linear(low: f64, high: f64, count: usize) -> Vec<(f64, String)> {
    let rough = (high - low) / count.max(1) as f64;
    if !(rough.is_finite() && rough > 0.0) {
        return Vec::new();
    }
    let power = 10f64.powf(rough.log10().floor());
    // the nearest, by its logarithm
    let digit = match rough / power {
        r if r < 1.414 => 1.0,
        r if r < 3.162 => 2.0,
        r if r < 7.071 => 5.0,
        _ => 10.0,
    };
    let step = digit * power;
    let decimals = (-step.log10() - 1e-9).ceil().clamp(0.0, 9.0) as usize;
    let first = (low / step - 1e-9).ceil() as i64;
    let last = (high / step + 1e-9).floor() as i64;
    (first..=last)
        .map(|k| {
            let value = k as f64 * step;
            (value, plain(value, decimals).replace('-', "\u{2212}"))
        })
        .collect()
}

/// 200, 1k, 15k.
fn hertz(value: f64) -> String {
    if value >= 1000.0 {
        format!("{:.0}k", value / 1000.0)
    } else {
        format!("{value:.0}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_within() {
        let words = |axis: Axis, n| -> Vec<String> {
            let ticks = axis.ticks(n);
            assert!(
                ticks
                    .iter()
                    .all(|t| (-1e-9..=1.0 + 1e-9).contains(&axis.place(t.0)))
            );
            ticks.into_iter().map(|t| t.1).collect()
        };
        assert_eq!(
            words(Axis::linear("", (-0.31, 0.42)), 4),
            ["\u{2212}0.2", "0.0", "0.2", "0.4"]
        );
        assert_eq!(
            words(Axis::linear("", (75.0, 70.0)), 5),
            ["70", "71", "72", "73", "74", "75"]
        );
        assert_eq!(
            words(Axis::hertz((100.0, 15_000.0)), 5),
            ["100", "200", "500", "1k", "2k", "5k", "10k"]
        );
        assert!(words(Axis::linear("", (1.0, 1.0)), 5).is_empty());
    }
}
