//! Data of a network: recorded, or predicted for a plan.

use super::{CaptureData, Levers, Parameter, id};
use crate::delay::with_response;
use crate::groove::Profile;
use crate::job::description::{CaptureSpec, DelaySource, Estimate, Job};
use crate::job::priors;
use crate::uncertainty::normal_quantile;
use std::collections::BTreeMap;

/// Source of the blocks of captures.
#[derive(Debug, Clone, Copy)]
pub(in crate::job) enum DataSource<'a> {
    /// Recorded data, per capture; `None` leaves the capture out.
    Real(&'a [Option<CaptureData>]),
    /// Recorded data, and predicted data for the other captures.
    Predicted(&'a Expected<'a>, LatticeDraw),
}

/// Predicted data of captures that are not recorded yet. The default: each delay as predicted at
/// the prior means, with the uncertainty given in the job or that of a planned capture.
#[derive(Debug, Default)]
pub(in crate::job) struct Expected<'a> {
    /// Recorded data, per capture of the job; a job may have further captures.
    pub found: &'a [Option<CaptureData>],
    /// Values of the unknowns, by their adjustment.
    pub values: BTreeMap<String, f64>,
    /// By record side, the standard deviations of a delay's random part and of the part due to
    /// the cartridge's response (seconds), as in its recordings, since they depend on its
    /// programme.
    pub programme: BTreeMap<String, [f64; 2]>,
    /// Levers of spherical tips, by the same adjustment.
    pub levers: Levers,
}

/// One of [`LATTICE_DRAWS`] equally probable draws of the unknown quantities. Together they take, for each quantity,
/// one value from each eleventh of its distribution (a rank-1 lattice; Sloan and Joe 1994, from memory).
/// `None`: every quantity at its standard uncertainty.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(in crate::job) struct LatticeDraw(Option<usize>);

/// Number of draws: a prime, so that every step of the lattice goes through all of them.
const LATTICE_DRAWS: usize = 11;

impl LatticeDraw {
    pub fn all() -> impl Iterator<Item = Self> {
        (0..LATTICE_DRAWS).map(|k| Self(Some(k)))
    }

    /// The deviation of a quantity from its mean, in standard uncertainties.
    fn deviate(self, id: &str) -> f64 {
        let Some(world) = self.0 else {
            return 1.0;
        };
        // FNV-1a (Fowler, Noll and Vo; from memory), the same on every machine
        let hash = id.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x100_0000_01b3)
        });
        let of = LATTICE_DRAWS as u64;
        let (step, from) = (1 + hash % (of - 1), (hash >> 32) % of);
        let place = (step * world as u64 + from) % of;
        // a quarter, so that sizes without their signs are spread evenly as well
        normal_quantile((place as f64 + 0.25) / of as f64)
    }
}

impl Expected<'_> {
    pub(super) fn recorded(&self, at: usize) -> Option<&CaptureData> {
        self.found.get(at)?.as_ref()
    }

    /// Data of a capture; the delay has no value yet where it is not recorded.
    pub(super) fn data(&self, at: usize, spec: &CaptureSpec) -> CaptureData {
        let planned = |[delay, response]: [f64; 2]| {
            let planned = CaptureData::of_delay(0.0, delay);
            CaptureData {
                information: with_response(planned.information, response),
                ..planned
            }
        };
        match (self.recorded(at), &spec.source) {
            (Some(found), _) => found.clone(),
            (None, DelaySource::Delay(estimate)) => CaptureData::of_delay(0.0, estimate.u),
            (None, DelaySource::File(_) | DelaySource::Planned) => {
                let usual = [priors::PLANNED_DELAY, priors::PLANNED_RESPONSE];
                let of_record = self.programme.get(&spec.record).copied();
                planned(of_record.unwrap_or(usual.map(|prior| prior.estimate().u)))
            }
        }
    }

    /// Expected value of an unknown, if not that of its prior.
    pub(super) fn start(
        &self,
        job: &Job,
        parameter: &Parameter,
        world: LatticeDraw,
    ) -> Option<f64> {
        if let Some(&found) = self.values.get(&parameter.id) {
            return Some(found);
        }
        let setup = job.setups.get(id::setup_of_rotation(&parameter.id)?)?;
        let sees = job.cartridges.get(&setup.cartridge)?.tip() != Profile::Spherical;
        let drawn = || priors::PLANNED_ROTATION.estimate().u * world.deviate(&parameter.id);
        (sees && setup.rotation.value.is_none()).then(drawn)
    }

    /// A draw of the lever's later estimate, from the present one and the uncertainty that will
    /// remain: the difference of the variances is the variance of its change.
    pub(super) fn lever(
        &self,
        id: &str,
        prior: Estimate,
        left: f64,
        world: LatticeDraw,
    ) -> Estimate {
        let now = self.levers.get(id).copied().unwrap_or(prior);
        let learned = (now.u * now.u - left * left).max(0.0).sqrt();
        Estimate {
            value: now.value + learned * world.deviate(id),
            u: left,
        }
    }
}
