//! Repeated drops and known turns: results that do not depend on the tip.

use super::description::{CaptureSpec, Job};
use super::network::Network;
use super::network::{CaptureData, locate};
use super::priors;
use crate::adjust::{FittedLine, paule_mandel};
use crate::groove::groove_speed;
use crate::uncertainty::{Caveat, Level, Quantity, Warning, normal_coverage_factor};
use crate::units::{DEGREE, MICROSECOND};
use std::collections::BTreeMap;

/// Bits of all conditions but the turn, which captures must share to be
/// compared directly.
type Conditions = (String, String, String, [u64; 2], u64, bool, Option<String>);

fn conditions(job: &Job, spec: &CaptureSpec) -> Conditions {
    (
        spec.setup.clone(),
        spec.record.clone(),
        spec.chain.clone(),
        spec.radius.map(f64::to_bits),
        spec.nominal_rpm().to_bits(),
        spec.swapped,
        job.reading_date(spec).map(str::to_owned),
    )
}

/// Delay and its variance with the other terms at their prior means. Captures
/// through one chain have these terms in common, so the remaining variance is
/// their own.
fn own_delay(data: &CaptureData) -> (f64, f64) {
    let weight = data.information.matrix[[0, 0]];
    (data.information.vector[0] / weight, weight.recip())
}

/// Scatter between drops of the needle beyond the readings' own uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scatter {
    /// Standard deviation as found, seconds.
    found: f64,
    /// What it was estimated from.
    degrees_of_freedom: usize,
    /// The two captures of one group whose delays differ most.
    furthest: Option<(usize, usize)>,
}

/// Largest scatter, seconds, attributed to setting the stylus down anew: the caution
/// threshold in the table of warnings (in microseconds there).
const OTHERWISE_MADE: f64 = Warning::ScatterBetweenDrops.threshold(Level::Caution) * MICROSECOND;

impl Scatter {
    /// Estimates it from captures that repeat each other (same setup, record,
    /// chain, radius, speed, turn, leads and date), all groups pooled (Paule and
    /// Mandel). Every capture of the job then carries it, since each is a drop.
    pub(super) fn between_drops(job: &Job, data: &[Option<CaptureData>]) -> Self {
        let mut groups: BTreeMap<_, Vec<(usize, (f64, f64))>> = BTreeMap::new();
        for (at, (spec, data)) in job.captures.iter().zip(data).enumerate() {
            if let Some(data) = data {
                let turn = spec.turn.value.unwrap_or(0.0).to_bits();
                groups
                    .entry((conditions(job, spec), turn))
                    .or_default()
                    .push((at, own_delay(data)));
            }
        }
        let groups: Vec<_> = groups.into_values().filter(|g| g.len() > 1).collect();
        let delay = |at: &&(usize, (f64, f64))| at.1.0;
        let ends = groups.iter().filter_map(|g| {
            let low = g.iter().min_by(|a, b| delay(a).total_cmp(&delay(b)))?;
            let high = g.iter().max_by(|a, b| delay(a).total_cmp(&delay(b)))?;
            Some((low, high))
        });
        let furthest = ends.max_by(|a, b| {
            let apart = |e: &(&(usize, _), &(usize, _))| delay(&e.1) - delay(&e.0);
            apart(a).total_cmp(&apart(b))
        });
        let delays: Vec<Vec<_>> = groups
            .iter()
            .map(|g| g.iter().map(|c| c.1).collect())
            .collect();
        Self {
            found: paule_mandel(&delays).sqrt(),
            degrees_of_freedom: groups.iter().map(|g| g.len() - 1).sum(),
            furthest: furthest.map(|(low, high)| (low.0, high.0)),
        }
    }

    /// Standard deviation that every capture carries, seconds: limited to what
    /// setting the stylus down anew causes, so that a slip among repeats is not
    /// absorbed.
    pub(super) fn deviation(&self) -> f64 {
        self.found.min(OTHERWISE_MADE)
    }

    /// A warning about it, if any.
    pub(super) fn caveat(&self, job: &Job) -> Option<Caveat> {
        if self.found <= 0.0 {
            return None;
        }
        let facts = format!(
            "repeated captures scatter by {:.4} us beyond their own uncertainty (Paule-Mandel, {} degrees of freedom); every capture carries {}",
            self.found / MICROSECOND,
            self.degrees_of_freedom,
            if self.found > OTHERWISE_MADE {
                format!("{:.1} us of it", OTHERWISE_MADE / MICROSECOND)
            } else {
                "it".to_owned()
            }
        );
        let code = Warning::ScatterBetweenDrops;
        Some(match self.furthest {
            Some((a, b)) if self.found > OTHERWISE_MADE => Caveat::caution(
                code,
                format!(
                    "{facts}. That is more than setting the stylus down again causes: {} and {} are entered as repeats but differ; check leads, turn, setup, radius and speed of both",
                    locate(a, &job.captures[a]),
                    locate(b, &job.captures[b]),
                ),
            ),
            _ => Caveat::note(code, facts),
        })
    }
}

/// One capture of a [`Series`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SeriesPoint {
    /// The quantity that differs between the captures.
    pub x: f64,
    /// Delay, microseconds.
    pub delay_us: f64,
    /// Its standard uncertainty, without that of `x`.
    pub standard_uncertainty_us: f64,
}

/// Captures that differ in one quantity only, with the straight line through
/// their delays, which does not depend on the tip.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Name of their setup.
    pub setup: String,
    /// The captures.
    pub points: Vec<SeriesPoint>,
    /// The line, from a little before its first point (or from zero, where the
    /// intercept is wanted) to a little beyond the last, with its standard
    /// uncertainty.
    pub line: Vec<SeriesPoint>,
    /// Result of the line: the turn in degrees at which the delay is zero, or
    /// the delay in microseconds at the abscissa zero.
    pub found: Quantity,
}

/// Points of a line that are drawn: its band is curved.
const LINE_POINTS: usize = 25;

impl Series {
    fn drawn(line: &FittedLine, from: f64, to: f64) -> Vec<SeriesPoint> {
        (0..LINE_POINTS)
            .map(|k| {
                let x = from + (to - from) * k as f64 / (LINE_POINTS - 1) as f64;
                SeriesPoint {
                    x,
                    delay_us: line.intercept + line.slope * x,
                    standard_uncertainty_us: line.variance_at(x).max(0.0).sqrt(),
                }
            })
            .collect()
    }
}

/// Captures of a job that can be compared directly.
pub(super) struct Comparable<'a> {
    pub(super) job: &'a Job,
    pub(super) data: &'a [Option<CaptureData>],
    pub(super) scatter: f64,
    pub(super) network: &'a Network,
}

impl Comparable<'_> {
    /// Captures with equal `key`.
    fn alike<K: Ord>(&self, setup: &str, key: impl Fn(&CaptureSpec) -> K) -> Vec<Vec<usize>> {
        let mut series: BTreeMap<K, Vec<usize>> = BTreeMap::new();
        for &at in self.network.captures_of(setup) {
            let of_key = series.entry(key(&self.job.captures[at]));
            of_key.or_default().push(at);
        }
        series.into_values().collect()
    }

    /// The setup's captures at several known turns (the series with the smallest
    /// uncertainty), with the turn in degrees at which the delay is zero. It is
    /// the zero of the *total* delay, cut and all skews included. The interval
    /// is Fieller's.
    pub(super) fn turns(&self, setup: &str, coverage: f64) -> Option<Series> {
        self.alike(setup, |spec| conditions(self.job, spec))
            .into_iter()
            .filter_map(|members| self.turned(setup, &members, coverage))
            .min_by(|a, b| {
                let u = |s: &Series| s.found.standard_uncertainty;
                u(a).total_cmp(&u(b))
            })
    }

    fn turned(&self, setup: &str, members: &[usize], coverage: f64) -> Option<Series> {
        let readings: Vec<(f64, f64, f64, f64)> = members
            .iter()
            .filter_map(|&at| {
                let (delay, variance) = own_delay(self.data[at].as_ref()?);
                let stated = self.job.captures[at].turn;
                let turn = stated.value.unwrap_or(0.0);
                let default = if turn == 0.0 {
                    0.0
                } else {
                    priors::TURN.estimate().u
                };
                let turn_u = stated.u.unwrap_or(default);
                Some((turn, delay, variance + self.scatter.powi(2), turn_u))
            })
            .collect();
        let points: Vec<(f64, f64)> = readings
            .iter()
            .map(|r| (r.0 / DEGREE, r.1 / MICROSECOND))
            .collect();
        // the uncertainty of a turn contributes through the slope, which is not
        // known at first: two rounds suffice, since it only affects the weights
        let mut slope = 0.0;
        let mut line = None;
        for _ in 0..3 {
            let found = FittedLine::through(&points, |i, j| {
                let own = if i == j {
                    readings[i].2 / MICROSECOND.powi(2)
                } else {
                    0.0
                };
                // equal turns are one turn
                let shared = if readings[i].0 == readings[j].0 {
                    f64::powi(slope * readings[i].3 / DEGREE, 2)
                } else {
                    0.0
                };
                own + shared
            })?;
            slope = found.slope;
            line = Some(found);
        }
        let line = line?;
        let value = line.zero();
        let found = Quantity {
            value,
            standard_uncertainty: line.variance_at(value).sqrt() / line.slope.abs(),
            interval: line.zero_interval(normal_coverage_factor(coverage), coverage),
        };
        // beyond a right angle the slope is insignificant
        if !(found.value.abs() < 90.0 && found.standard_uncertainty.is_finite()) {
            return None;
        }
        let (first, last) = ends(points.iter().map(|p| p.0));
        let margin = 0.1 * (last - first);
        Some(Series {
            setup: setup.to_owned(),
            points: points
                .iter()
                .zip(&readings)
                .map(|(p, r)| SeriesPoint {
                    x: p.0,
                    delay_us: p.1,
                    standard_uncertainty_us: r.2.sqrt() / MICROSECOND,
                })
                .collect(),
            line: Series::drawn(&line, first - margin, last + margin),
            found,
        })
    }

    /// The setup's captures at several speeds (the series with the smallest
    /// uncertainty): delay against the reciprocal of the groove's speed
    /// (seconds per metre). The intercept is the part that does not depend on
    /// speed: the skews of chain and cartridge.
    pub(super) fn speeds(&self, setup: &str, coverage: f64) -> Option<Series> {
        let but_speed = |spec: &CaptureSpec| {
            let (setup, record, chain, radius, _, swapped, date) = conditions(self.job, spec);
            let turn = spec.turn.value.unwrap_or(0.0).to_bits();
            (setup, record, chain, radius, swapped, date, turn)
        };
        self.alike(setup, but_speed)
            .into_iter()
            .filter_map(|members| self.at_speeds(setup, &members, coverage))
            .min_by(|a, b| {
                let u = |s: &Series| s.found.standard_uncertainty;
                u(a).total_cmp(&u(b))
            })
    }

    fn at_speeds(&self, setup: &str, members: &[usize], coverage: f64) -> Option<Series> {
        let points: Vec<SeriesPoint> = members
            .iter()
            .filter_map(|&at| {
                let (delay, variance) = own_delay(self.data[at].as_ref()?);
                let spec = &self.job.captures[at];
                let radius = 0.5 * (spec.radius[0] + spec.radius[1]);
                Some(SeriesPoint {
                    x: groove_speed(radius, spec.nominal_rpm()).recip(),
                    delay_us: delay / MICROSECOND,
                    standard_uncertainty_us: (variance + self.scatter.powi(2)).sqrt() / MICROSECOND,
                })
            })
            .collect();
        let plane: Vec<(f64, f64)> = points.iter().map(|p| (p.x, p.delay_us)).collect();
        let line = FittedLine::through(&plane, |i, j| {
            if i == j {
                points[i].standard_uncertainty_us.powi(2)
            } else {
                0.0
            }
        })?;
        let (_, last) = ends(points.iter().map(|p| p.x));
        Some(Series {
            setup: setup.to_owned(),
            line: Series::drawn(&line, 0.0, 1.05 * last),
            found: Quantity::normal(line.intercept, line.intercept_variance.sqrt(), coverage),
            points,
        })
    }
}

/// The least and the largest.
fn ends(values: impl Iterator<Item = f64>) -> (f64, f64) {
    values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
        (low.min(v), high.max(v))
    })
}
