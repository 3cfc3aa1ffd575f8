//! Repeated drops and known turns: what can be told without knowing the tip.

use super::description::{CaptureSpec, Job};
use super::network::CaptureData;
use super::priors;
use crate::adjust::{Line, paule_mandel};
use crate::uncertainty::{Caveat, Quantity, normal_coverage_factor};
use crate::units::{DEGREE, MICROSECOND};
use std::collections::BTreeMap;

/// Bits of everything but the turn that captures must share to be compared
/// directly.
type Conditions = (String, String, String, [u64; 2], u64, bool);

fn conditions(spec: &CaptureSpec) -> Conditions {
    (
        spec.setup.clone(),
        spec.record.clone(),
        spec.chain.clone(),
        spec.radius.map(f64::to_bits),
        spec.nominal_rpm().to_bits(),
        spec.swapped,
    )
}

/// Delay and its variance with the terms beside it at their prior means, which
/// captures through one chain have in common: what remains is their own.
fn own_delay(data: &CaptureData) -> (f64, f64) {
    let weight = data.information.matrix[[0, 0]];
    (data.information.vector[0] / weight, weight.recip())
}

/// Scatter between drops of the needle beyond the readings' own uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scatter {
    /// Standard deviation, seconds.
    pub(super) deviation: f64,
    /// What it was estimated from.
    degrees_of_freedom: usize,
}

impl Scatter {
    /// Estimates it from captures that repeat each other (same setup, record,
    /// chain, radius, speed, turn and leads), all groups pooled (Paule and
    /// Mandel). Every capture of the job then carries it, since each is a drop.
    pub(super) fn between_drops(job: &Job, data: &[Option<CaptureData>]) -> Self {
        let mut groups: BTreeMap<_, Vec<(f64, f64)>> = BTreeMap::new();
        for (spec, data) in job.captures.iter().zip(data) {
            if let Some(data) = data {
                let turn = spec.turn.value.unwrap_or(0.0).to_bits();
                groups
                    .entry((conditions(spec), turn))
                    .or_default()
                    .push(own_delay(data));
            }
        }
        let groups: Vec<_> = groups.into_values().filter(|g| g.len() > 1).collect();
        Self {
            deviation: paule_mandel(&groups).sqrt(),
            degrees_of_freedom: groups.iter().map(|g| g.len() - 1).sum(),
        }
    }

    /// What the user should know of it.
    pub(super) fn caveat(&self) -> Option<Caveat> {
        (self.deviation > 0.0).then(|| {
            Caveat::note(
                "scatter-between-drops",
                format!(
                    "repeated captures scatter by {:.4} us beyond their own uncertainty (Paule-Mandel, {} degrees of freedom); every capture carries it",
                    self.deviation / MICROSECOND,
                    self.degrees_of_freedom
                ),
            )
        })
    }
}

/// Captures of a setup at known turns.
pub(super) struct Turns<'a> {
    pub(super) job: &'a Job,
    pub(super) data: &'a [Option<CaptureData>],
    pub(super) scatter: f64,
}

impl Turns<'_> {
    /// The turn, in degrees from the setup, at which both edges read together:
    /// zero of the straight line of delay against turn, which needs to know
    /// nothing of the tip. It is the zero of the *total* delay, with the cut
    /// and all skews in it. The interval is Fieller's. Of several series the
    /// best known is given.
    pub(super) fn zero_setting(&self, setup: &str, coverage: f64) -> Option<Quantity> {
        let mut series: BTreeMap<Conditions, Vec<usize>> = BTreeMap::new();
        for (at, spec) in self.job.captures.iter().enumerate() {
            if spec.setup == setup && self.data.get(at).is_some_and(Option::is_some) {
                series.entry(conditions(spec)).or_default().push(at);
            }
        }
        series
            .into_values()
            .filter_map(|members| self.zero_of(&members, coverage))
            .min_by(|a, b| a.standard_uncertainty.total_cmp(&b.standard_uncertainty))
    }

    fn zero_of(&self, members: &[usize], coverage: f64) -> Option<Quantity> {
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
        // the uncertainty of a turn counts through the slope, which is not
        // known before: twice is enough, since it only weighs
        let mut slope = 0.0;
        let mut line = None;
        for _ in 0..3 {
            let found = Line::through(&points, |i, j| {
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
        Some(Quantity {
            value,
            standard_uncertainty: line.variance_at(value).sqrt() / line.slope.abs(),
            interval: line.zero_interval(normal_coverage_factor(coverage), coverage),
        })
        .filter(|q| q.value.is_finite() && q.standard_uncertainty.is_finite())
    }
}
