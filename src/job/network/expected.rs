//! What a network is made of: what was read, or what is expected to be.

use super::{CaptureData, Levers, Parameter, id};
use crate::delay::with_response;
use crate::groove::Profile;
use crate::job::description::{CaptureSpec, Estimate, Job, Source};
use crate::job::priors;
use crate::uncertainty::normal_quantile;
use std::collections::BTreeMap;

/// How the blocks of captures are made.
#[derive(Debug, Clone, Copy)]
pub(in crate::job) enum Readings<'a> {
    /// What was read, per capture; `None` leaves the capture out.
    Real(&'a [Option<CaptureData>]),
    /// What was read, and of the rest what is expected.
    Predicted(&'a Expected<'a>, World),
}

/// What captures that are not recorded yet will bring. By itself: each delay as predicted at the
/// prior means, with the uncertainty given in the job or that of a planned capture.
#[derive(Debug, Default)]
pub(in crate::job) struct Expected<'a> {
    /// What is recorded, per capture of the job; a job may have further ones.
    pub found: &'a [Option<CaptureData>],
    /// What it made of the unknowns.
    pub values: BTreeMap<String, f64>,
    /// By record side, the standard deviation of a delay's random part and of what a cartridge's
    /// response leaves of it (seconds): as its recordings have them, since it is its programme.
    pub programme: BTreeMap<String, [f64; 2]>,
    /// What it made of balls' levers.
    pub levers: Levers,
}

/// One of [`WORLDS`] equally probable draws of what is not known yet. In all of them together each
/// quantity takes a value of each eleventh of its distribution, and any two in an order of their own (a rank-1
/// lattice; Sloan and Joe 1994, from memory). `None`: everything at its standard uncertainty.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(in crate::job) struct World(Option<usize>);

/// A prime, so that every step goes through all of them.
const WORLDS: usize = 11;

impl World {
    pub fn all() -> impl Iterator<Item = Self> {
        (0..WORLDS).map(|k| Self(Some(k)))
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
        let of = WORLDS as u64;
        let (step, from) = (1 + hash % (of - 1), (hash >> 32) % of);
        let place = (step * world as u64 + from) % of;
        // a quarter, so that sizes without their signs are spread evenly as well
        normal_quantile((place as f64 + 0.25) / of as f64)
    }
}

impl Expected<'_> {
    pub(super) fn found(&self, at: usize) -> Option<&CaptureData> {
        self.found.get(at)?.as_ref()
    }

    /// What a capture brings, its delay still without a value where it is not recorded.
    pub(super) fn data(&self, at: usize, spec: &CaptureSpec) -> CaptureData {
        let planned = |[delay, response]: [f64; 2]| {
            let planned = CaptureData::of_delay(0.0, delay);
            CaptureData {
                information: with_response(planned.information, response),
                ..planned
            }
        };
        match (self.found(at), &spec.source) {
            (Some(found), _) => found.clone(),
            (None, Source::Delay(estimate)) => CaptureData::of_delay(0.0, estimate.u),
            (None, Source::File(_) | Source::Planned) => {
                let usual = [priors::PLANNED_DELAY, priors::PLANNED_RESPONSE];
                let of_record = self.programme.get(&spec.record).copied();
                planned(of_record.unwrap_or(usual.map(|prior| prior.estimate().u)))
            }
        }
    }

    /// Where an unknown is expected, if not at its prior.
    pub(super) fn start(&self, job: &Job, parameter: &Parameter, world: World) -> Option<f64> {
        if let Some(&found) = self.values.get(&parameter.id) {
            return Some(found);
        }
        let setup = job.setups.get(id::setup_of_rotation(&parameter.id)?)?;
        let sees = job.cartridges.get(&setup.cartridge)?.tip() != Profile::Spherical;
        let drawn = || priors::PLANNED_ROTATION.estimate().u * world.deviate(&parameter.id);
        (sees && setup.rotation.value.is_none()).then(drawn)
    }

    /// What will be known of a lever, by what is known now and the uncertainty that will be left: the
    /// value moves by what is learned.
    pub(super) fn lever(&self, id: &str, prior: Estimate, left: f64, world: World) -> Estimate {
        let now = self.levers.get(id).copied().unwrap_or(prior);
        let learned = (now.u * now.u - left * left).max(0.0).sqrt();
        Estimate {
            value: now.value + learned * world.deviate(id),
            u: left,
        }
    }
}
