//! What tracing tells of the tips of a job.

use super::description::Estimate;
use super::network::{self, id};
use super::solution::View;
use super::{JobError, priors};
use crate::groove::Profile;
use crate::uncertainty::{Caveat, DECIDED, Quantity, Warning, plain, rounded, rounded_u};
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
    /// The radius along the groove, where tracing tells of it.
    pub(super) fn radius_along_groove(&self, name: &str) -> Result<Option<Quantity>, JobError> {
        let (id, known) = self.known_radius(name);
        let told = self.told_best(name).is_some();
        told.then(|| self.parameter(&id, known.value, MICROMETRE))
            .transpose()
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

    /// What tracing tells best of a cartridge's tip, and the capture that does. What limits it, level and
    /// crosstalk, recordings have in common, so that they are not averaged.
    fn told_best(&self, name: &str) -> Option<(Told, usize)> {
        let of_cartridge = self.network.tip_radii.iter().filter(|(_, at)| {
            let setup = &self.job.captures[*at].setup;
            self.job.setups[setup].cartridge == name
        });
        of_cartridge
            .map(|&(block, at)| (self.told(block, at), at))
            .min_by(|(a, _), (b, _)| (a.u / a.radius).total_cmp(&(b.u / b.radius)))
    }

    /// Probabilities of the shapes of a cartridge of which none is stated: each shape's radii are taken as
    /// normal with the mean and the standard deviation of even ones between its ends.
    pub(super) fn shape_probabilities(&self, name: &str) -> Option<BTreeMap<String, f64>> {
        if self.job.cartridges[name].profile.is_some() {
            return None;
        }
        let (best, _) = self.told_best(name)?;
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

    /// Tips whose tracing tells another radius, or another kind of tip, than what is stated or assumed.
    pub(super) fn tips_that_trace_otherwise(&self, warnings: &mut Vec<Caveat>) {
        for name in self.job.cartridges.keys() {
            let Some((told, at)) = self.told_best(name) else {
                continue;
            };
            let um = |v: f64, u: f64| {
                let [v, u] = [v, u].map(|m| m / MICROMETRE);
                format!("{} um (u {})", rounded(v, u), rounded_u(u))
            };
            let tells = format!(
                "the tracing of {} gives {} a radius of {} along the groove",
                network::locate(at, &self.job.captures[at]),
                network::named("cartridge", name),
                um(told.radius, told.u)
            );
            let shapes = self.shape_probabilities(name).unwrap_or_default();
            let ball = shapes.get(SHAPES[0].0).copied().unwrap_or(0.0);
            if ball >= DECIDED {
                warnings.push(Caveat::serious(
                    Warning::TipRadius,
                    format!(
                        "{tells}, which is that of a spherical tip (probability {}); such a tip cannot see its own rotation. State the cartridge's profile",
                        plain(ball, 2)
                    ),
                ));
                continue;
            }
            // all that makes up the radius are factors, so their logarithms are compared
            let (_, known) = self.known_radius(name);
            let off = known.apart_from(Estimate {
                value: told.radius,
                u: told.u,
            });
            warnings.extend(Warning::TipRadius.at(off, || {
                format!(
                    "{tells}, but {} is stated or assumed (their ratio is {} relative standard uncertainties from 1): check the tip's stated size, the level that full scale stands for, radius and speed",
                    um(known.value, known.u),
                    plain(off, 1)
                )
            }));
        }
    }
}
