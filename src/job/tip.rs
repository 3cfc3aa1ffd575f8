//! What tracing tells of the tips of a job.

use super::description::Estimate;
use super::network::{self, id};
use super::solution::View;
use super::{JobError, priors};
use crate::groove::Profile;
use crate::uncertainty::{Caveat, Quantity, Warning, plain, rounded, rounded_u};
use crate::units::MICROMETRE;
use std::collections::BTreeMap;

/// Radii along the groove of the shapes, micrometres. Common practice, no source.
const SHAPES: [(&str, [f64; 2]); 3] = [
    ("spherical", [13.0, 18.0]),
    ("elliptical", [5.0, 10.0]),
    ("line", [3.0, 6.0]),
];

/// A radius along the groove as one recording's tracing tells it, whatever was known of it before, metres.
struct Told {
    radius: f64,
    u: f64,
}

impl View<'_> {
    pub(super) fn radius_along_groove(&self, name: &str) -> Result<Quantity, JobError> {
        let (id, known) = self.known_radius(name);
        self.parameter(&id, known.value, MICROMETRE)
    }

    /// The id of the radius along the groove, and what was known of it before.
    fn known_radius(&self, name: &str) -> (String, Estimate) {
        let cartridge = &self.job.cartridges[name];
        let [frontal, side, _] = priors::sizes(cartridge.profile);
        let known = match cartridge.profile {
            Some(Profile::Spherical) => cartridge.frontal_radius.or(frontal),
            _ => cartridge.side_radius.or(side),
        };
        (id::radius_along(name, cartridge.profile), known)
    }

    /// What the tracing of a capture tells by its block.
    fn told(&self, block: usize, at: usize) -> Told {
        let setup = &self.job.setups[&self.job.captures[at].setup];
        let (id, known) = self.known_radius(&setup.cartridge);
        let block = &self.network.problem.blocks()[block];
        // with everything else as it was known before
        let parameters = self.network.parameters.iter();
        let before: Vec<f64> = parameters.map(|p| p.prior.value).collect();
        let seen = block.evaluate(&before);
        let ratio = seen.values[0];
        let mut variance = block.information()[[0, 0]].recip();
        for (&k, by) in block.unknowns().iter().zip(seen.jacobian.row(0)) {
            let parameter = &self.network.parameters[k];
            if parameter.id != id {
                variance += (by / ratio * parameter.prior.u).powi(2);
            }
        }
        let radius = known.value / ratio;
        Told {
            radius,
            u: radius * variance.sqrt(),
        }
    }

    /// Probabilities of the shapes of a cartridge of which none is stated: each shape's radii are taken as
    /// normal with the mean and the standard deviation of even ones between its ends.
    pub(super) fn shape_probabilities(&self, name: &str) -> Option<BTreeMap<String, f64>> {
        if self.job.cartridges[name].profile.is_some() {
            return None;
        }
        let of_cartridge = self.network.tip_radii.iter().filter(|(_, at)| {
            let setup = &self.job.captures[*at].setup;
            self.job.setups[setup].cartridge == name
        });
        // what limits them, level and crosstalk, they have in common
        let best = of_cartridge
            .map(|&(block, at)| self.told(block, at))
            .min_by(|a, b| (a.u / a.radius).total_cmp(&(b.u / b.radius)))?;
        let likelihood = |[low, high]: [f64; 2]| {
            let [low, high] = [low, high].map(|um| um * MICROMETRE);
            let variance = (high - low).powi(2) / 12.0 + best.u * best.u;
            let off = best.radius - 0.5 * (low + high);
            (-0.5 * off * off / variance).exp() / variance.sqrt()
        };
        let all: f64 = SHAPES.iter().map(|(_, ends)| likelihood(*ends)).sum();
        let each = SHAPES.iter();
        Some(
            each.map(|(shape, ends)| ((*shape).to_owned(), likelihood(*ends) / all))
                .collect(),
        )
    }

    /// Tips whose tracing tells another radius than what is stated or assumed.
    pub(super) fn tips_that_trace_otherwise(&self, warnings: &mut Vec<Caveat>) {
        let problem = &self.network.problem;
        for &(block, at) in &self.network.tip_radii {
            let Some(test) = problem.bias_test(self.adjustment, block, 0) else {
                continue;
            };
            let spec = &self.job.captures[at];
            let cartridge = &self.job.setups[&spec.setup].cartridge;
            let um = |v: f64, u: f64| {
                let [v, u] = [v, u].map(|m| m / MICROMETRE);
                format!("{} um (u {})", rounded(v, u), rounded_u(u))
            };
            let told = self.told(block, at);
            let (_, known) = self.known_radius(cartridge);
            let known = um(known.value, known.u);
            warnings.extend(Warning::TipRadius.at(test.normalised.abs(), || {
                format!(
                    "the tracing of {} tells that {} has a radius of {} along the groove, against {known} as stated or assumed ({} standard uncertainties): check the tip's stated size, the level that full scale stands for, radius and speed",
                    network::locate(at, spec),
                    network::named("cartridge", cartridge),
                    um(told.radius, told.u),
                    plain(test.normalised.abs(), 1)
                )
            }));
        }
    }
}
